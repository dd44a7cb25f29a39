"""Measurement: scopes, hue and level statistics in whole numbers, so that every run gives the same bits.

Weights are fixed-point (a matte of 1 counts :data:`WEIGHT`), values fall into bins of a fixed grid, and bands of
rows fill their own counters that are added at the end: sums of whole numbers do not depend on their order.
A pixel with a component that is not finite counts nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats, as_picture, matte_or_all
from .colour import HALF, ONE, TINY, ZERO, F, atan2_px, clamp, clean_px, luma_px, ycbcr_px
from .errors import ValueRangeError
from .jit import inline, sheet
from .strips import over_rows, thread_count

Counts = NDArray[np.uint64]

WEIGHT = 4096
"""What one pixel with a matte of 1 counts in every histogram."""

BINS = 65536
"""Bins of every distribution in a :class:`Tally`."""

RATIO_SPAN, LUMA_SPAN, HUE_SPAN = (-1.0, 1.0), (-0.5, 1.5), (-180.0, 180.0)
"""From–to of the distributions of Cb/Y′ and Cr/Y′, of luma and of the hue angle; beyond it values count at the end."""

_WEIGHT = F(WEIGHT)
_LEVEL_WEIGHT, _BRIGHTEST = F(1024), F(4)
_UNIT = F(1 << 20)
_LAST = F(BINS - 1)
_RATIO_BINS, _LUMA_BINS, _HUE_BINS = F(BINS / 2), F(BINS / 2), F(BINS / (2 * math.pi))
_RATIO_SHIFT, _LUMA_SHIFT, _PI = F(1), F(0.5), F(math.pi)


# --- bands of rows ------------------------------------------------------------------------------------------


def _bands(rows: int) -> tuple[int, int]:
    """Return the height of a band and the number of bands: a few for each thread, each with its own counters."""
    height = max(64, -(-rows // (2 * thread_count())))
    return height, -(-rows // height)


@inline
def _weight_px(matte, good):
    return np.int32(clamp(matte, ZERO, ONE) * good * _WEIGHT + HALF)


@inline
def _weights_row(row, matte, use_matte, weights, n):
    for x in range(weights.shape[0]):
        _, _, _, good = clean_px(row[n * x], row[n * x + 1], row[n * x + 2])
        weights[x] = _weight_px(good, good)
    if use_matte:
        for x in range(weights.shape[0]):
            weights[x] = _weight_px(matte[x], F(weights[x] > 0))


@inline
def _scatter(bins, weights, counts):
    for x in range(bins.shape[0]):
        if weights[x] != 0:
            counts[np.uint32(bins[x])] += np.uint64(weights[x])


# --- scopes -------------------------------------------------------------------------------------------------


@inline
def _vectorscope_row(row, bins, n, size, last):
    for x in range(bins.shape[0]):
        r, g, b, _ = clean_px(row[n * x], row[n * x + 1], row[n * x + 2])
        _, cb, cr = ycbcr_px(r, g, b)
        down = np.int32(clamp((cr + HALF) * size, ZERO, last))
        across = np.int32(clamp((cb + HALF) * size, ZERO, last))
        bins[x] = down * np.int32(size) + across


@sheet
def _vectorscope_sheet(image, matte, use_matte, counts, band, size, last, y0, y1):
    width = image.shape[1]
    bins, weights = np.empty(width, np.int32), np.empty(width, np.int32)
    own = counts[y0 // band]
    for y in range(y0, y1):
        row = image[y].reshape(-1)
        matte_row = matte[y if use_matte else 0]
        if image.shape[2] == 3:
            _vectorscope_row(row, bins, 3, size, last)
            _weights_row(row, matte_row, use_matte, weights, 3)
        else:
            _vectorscope_row(row, bins, 4, size, last)
            _weights_row(row, matte_row, use_matte, weights, 4)
        _scatter(bins, weights, own)


def vectorscope(image: Floats, matte: Floats | None = None, size: int = 256) -> Counts:
    """Count the picture's pixels in the BT.709 Cb/Cr plane.

    :param image: float32 (H, W, 3 or 4), R′G′B′. :param matte: float32 (H, W), or None for the whole picture.
    :param size: bins along Cb and along Cr, 16 to 4096.
    :returns: uint64 (size, size): row is Cr from −0.5 (first) to 0.5, column Cb from −0.5 to 0.5; values beyond
        count in the outermost bins. A pixel adds its matte, in units of 1/:data:`WEIGHT`, rounded.
    :raises ValueRangeError: size out of range. :raises PictureError: wrong array.

    Source: BT.709-6 items 3.2 and 3.3.
    """
    _check_bins(size, "size")
    image = as_picture(image)
    matte, use_matte = matte_or_all(image, matte)
    band, bands = _bands(image.shape[0])
    counts = np.zeros((bands, size * size), np.uint64)
    over_rows(
        _vectorscope_sheet, image.shape[0], image, matte, use_matte, counts, band, F(size), F(size - 1), strip=band
    )
    return counts.sum(axis=0).reshape(size, size)


COMPONENTS = ("luma", "r", "g", "b")
"""What a waveform can show."""


@inline
def _waveform_row(row, column, bins, n, component, p):
    columns, scale, shift, last = p
    wanted_r, wanted_g, wanted_b = component == 1, component == 2, component == 3
    for x in range(bins.shape[0]):
        r, g, b, _ = clean_px(row[n * x], row[n * x + 1], row[n * x + 2])
        value = luma_px(r, g, b)
        value = r if wanted_r else value
        value = g if wanted_g else value
        value = b if wanted_b else value
        bins[x] = np.int32(clamp(value * scale + shift, ZERO, last)) * columns + column[x]


@sheet
def _waveform_sheet(image, matte, use_matte, column, counts, band, component, p, y0, y1):
    width = image.shape[1]
    bins, weights = np.empty(width, np.int32), np.empty(width, np.int32)
    own = counts[y0 // band]
    for y in range(y0, y1):
        row = image[y].reshape(-1)
        matte_row = matte[y if use_matte else 0]
        if image.shape[2] == 3:
            _waveform_row(row, column, bins, 3, component, p)
            _weights_row(row, matte_row, use_matte, weights, 3)
        else:
            _waveform_row(row, column, bins, 4, component, p)
            _weights_row(row, matte_row, use_matte, weights, 4)
        _scatter(bins, weights, own)


def waveform(
    image: Floats,
    columns: int = 512,
    levels: int = 256,
    component: str = "luma",
    matte: Floats | None = None,
    low: float = 0.0,
    high: float = 1.0,
) -> Counts:
    """Count the levels of one component in every column of the picture.

    :param image: float32 (H, W, 3 or 4), R′G′B′. :param matte: float32 (H, W), or None for the whole picture.
    :param columns, levels: bins across the picture and along the level, 16 to 4096.
    :param component: "luma" (BT.709 Y′), "r", "g" or "b".
    :param low, high: the signal levels at the start of the first and the end of the last bin.
    :returns: uint64 (levels, columns), the lowest level first; values beyond count in the outermost bins. A pixel
        adds its matte, in units of 1/:data:`WEIGHT`, rounded.
    :raises ValueRangeError: a number out of range or another component. :raises PictureError: wrong array.
    """
    _check_bins(columns, "columns")
    _check_bins(levels, "levels")
    if component not in COMPONENTS:
        raise ValueRangeError(f"Waveform component {component!r} is unknown: use one of {', '.join(COMPONENTS)}.")
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise ValueRangeError(f"A waveform needs finite levels with low below high, not {low} to {high}.")
    image = as_picture(image)
    matte, use_matte = matte_or_all(image, matte)
    width = image.shape[1]
    column = (np.arange(width) * columns // width).astype(np.int32)
    scale = levels / (high - low)
    p = (np.int32(columns), F(scale), F(-low * scale), F(levels - 1))
    band, bands = _bands(image.shape[0])
    counts = np.zeros((bands, levels * columns), np.uint64)
    wanted = np.int32(COMPONENTS.index(component))
    over_rows(_waveform_sheet, image.shape[0], image, matte, use_matte, column, counts, band, wanted, p, strip=band)
    return counts.sum(axis=0).reshape(levels, columns)


def _check_bins(count: int, name: str) -> None:
    if not 16 <= count <= 4096:
        raise ValueRangeError(f"Scope {name} must be a whole number from 16 to 4096, not {count}.")


# --- distributions ------------------------------------------------------------------------------------------


@inline
def _tally_px(r, g, b, matte, black):
    """Bins of Cb/Y′, Cr/Y′, luma and hue; weights by matte, matte × luma and matte × chroma; unit vector × 2²⁰."""
    r, g, b, good = clean_px(r, g, b)
    y, cb, cr = ycbcr_px(r, g, b)
    level = y - black
    level = level if level > ZERO else ZERO
    divisor = ONE / (level if level > TINY else ONE)
    chroma = F(math.sqrt(cb * cb + cr * cr))
    to_unit = _UNIT / chroma if chroma > TINY else ZERO
    weight = _weight_px(matte, good)
    level_weight = weight * np.int32(clamp(level, ZERO, _BRIGHTEST) * _LEVEL_WEIGHT + HALF)
    chroma_weight = weight * np.int32(clamp(chroma, ZERO, ONE) * _LEVEL_WEIGHT + HALF)
    return (
        np.int32(clamp((cb * divisor + _RATIO_SHIFT) * _RATIO_BINS, ZERO, _LAST)),
        np.int32(clamp((cr * divisor + _RATIO_SHIFT) * _RATIO_BINS, ZERO, _LAST)),
        np.int32(clamp((y + _LUMA_SHIFT) * _LUMA_BINS, ZERO, _LAST)),
        np.int32(clamp((atan2_px(cr, cb) + _PI) * _HUE_BINS, ZERO, _LAST)),
        weight,
        level_weight,
        chroma_weight,
        np.int32(clamp(cb * to_unit, -_UNIT, _UNIT)),
        np.int32(clamp(cr * to_unit, -_UNIT, _UNIT)),
        weight if chroma > TINY else np.int32(0),
    )


@inline
def _tally_row(row, matte, scratch, n, black):
    bu, bv, bl, bh = scratch[0], scratch[1], scratch[2], scratch[3]
    w, wl, wc = scratch[4], scratch[5], scratch[6]
    across, up, hued = np.int64(0), np.int64(0), np.int64(0)
    for x in range(matte.shape[0]):
        u, v, l, h, weight, level_weight, chroma_weight, ux, uy, hue_weight = _tally_px(
            row[n * x], row[n * x + 1], row[n * x + 2], matte[x], black
        )
        bu[x] = u
        bv[x] = v
        bl[x] = l
        bh[x] = h
        w[x] = weight
        wl[x] = level_weight
        wc[x] = chroma_weight
        across += np.int64(ux) * np.int64(weight)
        up += np.int64(uy) * np.int64(weight)
        hued += np.int64(hue_weight)
    return across, up, hued


@sheet
def _tally_sheet(image, matte, use_matte, counts, sums, band, black, y0, y1):
    width = image.shape[1]
    scratch = np.empty((7, width), np.int32)
    every = np.ones(width, np.float32)
    own = counts[y0 // band]
    across, up, hued = np.int64(0), np.int64(0), np.int64(0)
    for y in range(y0, y1):
        matte_row = matte[y] if use_matte else every
        if image.shape[2] == 3:
            a, b, c = _tally_row(image[y].reshape(-1), matte_row, scratch, 3, black)
        else:
            a, b, c = _tally_row(image[y].reshape(-1), matte_row, scratch, 4, black)
        across += a
        up += b
        hued += c
        _scatter(scratch[0], scratch[5], own[0])
        _scatter(scratch[1], scratch[5], own[1])
        _scatter(scratch[2], scratch[4], own[2])
        _scatter(scratch[3], scratch[6], own[3])
    sums[y0 // band, 0] = across
    sums[y0 // band, 1] = up
    sums[y0 // band, 2] = hued


@dataclass(frozen=True, eq=False)
class Tally:
    """The distributions of one matte's pixels, as whole numbers; made by :func:`tally`.

    :ivar u, v: uint64 (:data:`BINS`,) of Cb/Y′ and Cr/Y′ over :data:`RATIO_SPAN`, weighted by matte × luma.
    :ivar luma: uint64 (:data:`BINS`,) of Y′ over :data:`LUMA_SPAN`, weighted by the matte.
    :ivar hue: uint64 (:data:`BINS`,) of the hue angle over :data:`HUE_SPAN`, weighted by matte × chroma: a
        neutral pixel has no hue.
    :ivar vector: the sum of the unit vectors along (Cb, Cr), times 2²⁰ and the matte's weight.
    :ivar hued: the summed weight of the pixels that have a hue.
    """

    u: Counts
    v: Counts
    luma: Counts
    hue: Counts
    vector: tuple[int, int]
    hued: int

    @property
    def area(self) -> float:
        """The matte's area in pixels (sum of the matte over finite pixels, to 1/4096 for each)."""
        return int(self.luma.sum()) / WEIGHT

    def circular_mean(self) -> tuple[float, float]:
        """Return the mean hue angle (degrees, 0 to 360) and the resultant length: see :func:`circular_mean`."""
        across, up = self.vector
        if not self.hued or (across == 0 and up == 0):
            return math.nan, 0.0
        return math.degrees(math.atan2(up, across)) % 360.0, math.hypot(across, up) / (self.hued * float(_UNIT))

    def ratio_median(self) -> tuple[float, float]:
        """Return the luma-weighted medians of Cb/Y′ and Cr/Y′: see :func:`ratio_median`."""
        return _quantiles(self.u, RATIO_SPAN, [50])[0], _quantiles(self.v, RATIO_SPAN, [50])[0]

    def luma_percentiles(self, percents: Sequence[float]) -> tuple[float, ...]:
        """Return the levels below which these percentages of the matte lie: see :func:`luma_percentiles`."""
        return _quantiles(self.luma, LUMA_SPAN, percents)

    def hue_percentiles(self, percents: Sequence[float]) -> tuple[float, ...]:
        """Return hue angles (degrees, 0 to 360) by percentage: see :func:`hue_percentiles`."""
        return tuple(angle % 360.0 for angle in self._unrolled(percents))

    def hue_spread(self) -> float:
        """Return the robust spread of the hue in degrees: see :func:`hue_spread`."""
        low, high = self._unrolled([15.8655, 84.1345])
        return (high - low) / 2

    def _unrolled(self, percents: Sequence[float]) -> tuple[float, ...]:
        """Return hue percentiles counted from the bin opposite the mean hue, so that no seam cuts the energy."""
        mean, _ = self.circular_mean()
        seam = 0 if math.isnan(mean) else round(mean / 360 * BINS) % BINS
        start = HUE_SPAN[0] + seam * 360 / BINS
        return _quantiles(np.roll(self.hue, -seam), (start, start + 360), percents)


def tally(image: Floats, matte: Floats | None = None, black: float = 0.0) -> Tally:
    """Collect in one pass everything that the statistics below need.

    :param image: float32 (H, W, 3 or 4), R′G′B′. :param matte: float32 (H, W), or None for the whole picture.
    :param black: the picture's black level, subtracted from the luma by which Cb and Cr are divided.
    :raises ValueRangeError: a black level that is not finite. :raises PictureError: wrong array.
    """
    if not math.isfinite(black):
        raise ValueRangeError(f"The black level must be a finite number, not {black}.")
    image = as_picture(image)
    matte, use_matte = matte_or_all(image, matte)
    band, bands = _bands(image.shape[0])
    counts = np.zeros((bands, 4, BINS), np.uint64)
    sums = np.zeros((bands, 3), np.int64)
    over_rows(_tally_sheet, image.shape[0], image, matte, use_matte, counts, sums, band, F(black), strip=band)
    u, v, luma, hue = counts.sum(axis=0)
    across, up, hued = (int(total) for total in sums.sum(axis=0))
    return Tally(u, v, luma, hue, (across, up), hued)


def _quantiles(counts: Counts, span: tuple[float, float], percents: Sequence[float]) -> tuple[float, ...]:
    """Return where the running count first reaches each percentage, linear inside a bin; NaN for an empty count."""
    for percent in percents:
        if not 0 <= percent <= 100:
            raise ValueRangeError(f"A percentage must be 0 to 100, not {percent}.")
    running = np.cumsum(counts, dtype=np.uint64)
    total = int(running[-1])
    if total == 0:
        return tuple(math.nan for _ in percents)
    width = (span[1] - span[0]) / len(counts)
    results = []
    for percent in percents:
        wanted = min(max(total * percent / 100, 1.0), float(total))
        k = int(np.searchsorted(running, wanted))
        k = min(k, len(counts) - 1)
        inside = (wanted - (float(running[k]) - float(counts[k]))) / float(counts[k])
        results.append(span[0] + (k + min(max(inside, 0.0), 1.0)) * width)
    return tuple(results)


# --- single statistics --------------------------------------------------------------------------------------


def circular_mean(image: Floats, matte: Floats | None = None) -> tuple[float, float]:
    """Return the mean hue angle (degrees, 0 to 360, from +Cb toward +Cr) and the resultant length (0 to 1).

    Every pixel's hue is a unit vector weighted by the matte; a pixel without chroma has none. Without any hue the
    angle is NaN and the length 0. Fixed-point sums: within 1e-5 of a degree of the sum in float64.

    Source: K. V. Mardia and P. E. Jupp, "Directional Statistics", 2000, section 2.2.
    """
    return tally(image, matte).circular_mean()


def ratio_median(image: Floats, matte: Floats | None = None, black: float = 0.0) -> tuple[float, float]:
    """Return the luma-weighted medians of Cb/(Y′ − black) and Cr/(Y′ − black) over the matte; NaN where it is empty.

    Error against the exact weighted median: at most one bin, 2/65536 = 3.1e-5, where pixels lie that close; the
    ratios beyond ±1 of near-black pixels count at the ends. Weights: matte × (Y′ − black), Y′ at most 4.
    """
    return tally(image, matte, black).ratio_median()


def luma_percentiles(image: Floats, matte: Floats | None, percents: Sequence[float]) -> tuple[float, ...]:
    """Return the luma below which these percentages (0 to 100) of the matte lie; NaN where the matte is empty.

    Error: at most one bin, 3.1e-5; luma beyond −0.5 … 1.5 counts at the ends.
    """
    return tally(image, matte).luma_percentiles(percents)


def hue_percentiles(image: Floats, matte: Floats | None, percents: Sequence[float]) -> tuple[float, ...]:
    """Return hue angles (degrees, 0 to 360) by percentage, counted counter-clockwise from opposite the mean hue.

    Weights: matte × chroma. Error: at most one bin, 360/65536 = .0055°. NaN where nothing has a hue.
    """
    return tally(image, matte).hue_percentiles(percents)


def hue_spread(image: Floats, matte: Floats | None = None) -> float:
    """Return half the angle between the hue percentiles 15.87 and 84.13: one standard deviation of a normal spread."""
    return tally(image, matte).hue_spread()


def luma_weighted_median(u: Any, v: Any, weights: Any) -> tuple[float, float]:
    """Return the weighted medians of two sets of values, exact: for samples that are already collected.

    :param u, v: floats of any equal shape, usually Cb/Y′ and Cr/Y′. :param weights: same shape, usually luma × matte;
        negative, NaN or infinite ones count 0, and so do values that are not finite.
    :returns: (median of u, median of v): the lowest value at which half the weight is reached; NaN without weight.

    The weights are rounded to 2⁻²⁴ of the largest and summed as whole numbers, so the order of the values is free.
    """
    weights = np.asarray(weights, np.float64).ravel()
    u, v = np.asarray(u, np.float64).ravel(), np.asarray(v, np.float64).ravel()
    if not u.shape == v.shape == weights.shape:
        raise ValueRangeError(
            f"A weighted median needs as many weights as values, not {u.size}, {v.size} and {weights.size}."
        )
    usable = np.isfinite(u) & np.isfinite(v) & np.isfinite(weights) & (weights > 0)
    u, v, weights = u[usable], v[usable], weights[usable]
    if not weights.size:
        return math.nan, math.nan
    whole = np.rint(weights / weights.max() * (1 << 24)).astype(np.int64)
    return _median(u, whole), _median(v, whole)


def _median(values: NDArray[np.float64], weights: NDArray[np.int64]) -> float:
    order = np.argsort(values, kind="stable")
    running = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(2 * running, running[-1])])


@inline
def _levels_row(row, bins, weights, n):
    for x in range(bins.shape[0]):
        r, g, b, good = clean_px(row[n * x], row[n * x + 1], row[n * x + 2])
        bins[x] = np.int32(clamp((luma_px(r, g, b) + _LUMA_SHIFT) * _LUMA_BINS, ZERO, _LAST))
        weights[x] = np.int32(good)


@sheet
def _levels_sheet(image, counts, band, y0, y1):
    bins, weights = np.empty(image.shape[1], np.int32), np.empty(image.shape[1], np.int32)
    own = counts[y0 // band]
    for y in range(y0, y1):
        if image.shape[2] == 3:
            _levels_row(image[y].reshape(-1), bins, weights, 3)
        else:
            _levels_row(image[y].reshape(-1), bins, weights, 4)
        _scatter(bins, weights, own)


def black_level(image: Floats, percent: float = 0.2) -> float:
    """Return the level that the picture's darkest parts rest on: a low percentile of its luma, never below 0.

    :param image: float32 (H, W, 3 or 4), R′G′B′. :param percent: how much of the picture may be darker, 0 to 100;
        it keeps noise and a few dead pixels from deciding.
    :returns: luma, 0 or more; 0 for a picture without a finite pixel. A picture without anything dark in it gives
        its darkest tone: the caller judges whether that can be black.
    """
    image = as_picture(image)
    band, bands = _bands(image.shape[0])
    counts = np.zeros((bands, BINS), np.uint64)
    over_rows(_levels_sheet, image.shape[0], image, counts, band, strip=band)
    level = _quantiles(counts.sum(axis=0), LUMA_SPAN, [percent])[0]
    return max(level, 0.0) if math.isfinite(level) else 0.0
