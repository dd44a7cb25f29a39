"""Measurement: scopes, hue and level statistics in whole numbers, so that every run gives the same bits.

Weights are fixed-point (a matte of 1 counts :data:`WEIGHT`), values fall into bins of a fixed grid, and every thread
fills its own counters, which are added at the end: sums of whole numbers depend neither on their order nor on who
took which rows. What the matte
leaves out is passed over. A pixel with a component that is not finite counts nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from . import memory
from .angles import wrapped
from .arrays import Floats, as_picture, as_plane, matte_or_all, output, with_alpha
from .colour import HALF, ONE, TINY, ZERO, F, atan2_px, clamp, clean_px, luma_px, ycbcr_px
from .errors import ValueRangeError
from .hand_out import claim
from .jit import inline, strip_kernel
from .stream import AHEAD, RUN, prefetch
from .strips import STRIP, Stage, all_of_it, over_rows, over_stages, thread_count

Counts = NDArray[np.uint64]

WEIGHT = 4096
"""What one pixel with a matte of 1 counts in every histogram."""

BINS = 65536
"""Bins of every distribution in a :class:`Tally`."""

RATIO_SPAN, LUMA_SPAN, HUE_SPAN = (-1.0, 1.0), (-0.5, 1.5), (-180.0, 180.0)
"""From–to of the distributions of Cb/Y′ and Cr/Y′, of luma and of the hue angle; beyond it values count at the end."""

_WEIGHT, _PIXEL, _FULL = F(WEIGHT), np.uint64(1), np.uint64(WEIGHT)
_LEVEL_WEIGHT, _BRIGHTEST = F(1024), F(4)
_UNIT = F(1 << 20)
_LAST = F(BINS - 1)
_RATIO_BINS, _LUMA_BINS, _HUE_BINS = F(BINS / 2), F(BINS / 2), F(BINS / (2 * math.pi))
_RATIO_SHIFT, _LUMA_SHIFT, _PI = F(1), F(0.5), F(math.pi)
SPARE = np.int32(8)
"""Counters between two lines of a vectorscope, the first of them for what does not count: lines a power of two apart
get in each other's way in the processor's cache."""
_DEGREES, _TURN, _HALF_TURN, _DEGREE_WEIGHT = F(180 / math.pi), F(360), F(180), F(1 << 24)
_SHARE, _HALF_SHUT, _HALF_OPEN = F(1 << 20), F(0.15), F(0.85)


# --- rows and chunks ------------------------------------------------------------------------------------------


def counted(kernel: Any, image: Floats, shape: tuple[int, ...], *given: Any, sums: Any = None) -> Counts:
    """Have a kernel count an image's rows in sets of counters, one for each thread that is worth it, and add them up.

    :param kernel: called with ``given``, the sets, the ``sums`` where there are any, and claims on rows (:func:`take`);
        row y0 to y1 are sets, whose counters it clears. :param shape: of a set.
    """
    rows, sets, size = len(image), sets_for(len(image)), math.prod(shape)
    counts = memory.counters(sets, size, np.uint64)
    own = counts.reshape(sets, *shape), *(() if sums is None else (sums,)), claims_on(rows)
    stages = [Stage(kernel, (*given, *own), sets, 1, least=1)]
    total: Counts = counts[0]
    if sets > _FEW_SETS:
        total = memory.counters(1, size, np.uint64)[0]
        stages.append(Stage(_add_strips, (counts, total), -(-size // _RUN), 4, all_of_it, 1))
    over_stages(stages)
    if 1 < sets <= _FEW_SETS:
        total = counts.sum(axis=0)
    return total.reshape(shape)


def sets_for(rows: int) -> int:
    """Return how many sets of counters are worth it."""
    return min(thread_count(), -(-rows // STRIP))


_FEW_SETS, _RUN = 4, 2048
"""Sets of counters that NumPy adds as fast, with nothing to compile, and counters that one thread adds at a time."""


@strip_kernel
def _add_strips(counts, total, y0, y1):
    """Rows y0 to y1 count runs of counters."""
    first, last = y0 * _RUN, min(y1 * _RUN, total.shape[0])
    out = total[first:last]
    for x in range(out.shape[0]):
        out[x] = 0
    for k in range(counts.shape[0]):
        own = counts[k, first:last]
        for x in range(out.shape[0]):
            out[x] += own[x]


TAKEN = 16
"""Rows that a set of counters takes at a time: one by one they would be read from memory in jumps."""


def claims_on(rows: int) -> NDArray[np.int64]:
    """Return claims on so many rows, which nobody has taken yet."""
    return np.zeros(-(-rows // TAKEN), np.int64)


@inline
def take(y, mine, left, claims):
    """Whether row y is counted here, where who comes first takes it, and how often rows may still be taken.

    :param mine: what this returned for the row before.
    """
    if y % TAKEN == 0:
        mine = left > 0 and claim(claims, y // TAKEN)
        left -= 1 if mine else 0
    return mine, left


@inline
def clear(counts):
    """Set a row of counters to 0."""
    for x in range(counts.shape[0]):
        counts[x] = 0


@inline
def is_clear(matte):
    """Whether nothing is keyed."""
    keyed = np.int32(0)
    for x in range(matte.shape[0]):
        keyed = np.int32(keyed | np.int32(matte[x] > ZERO))
    return keyed == 0


@inline
def _weight_px(matte):
    return np.int32(clamp(matte, ZERO, ONE) * _WEIGHT + HALF)


@inline
def _weights_row(matte, weights):
    for x in range(matte.shape[0]):
        weights[x] = _weight_px(matte[x])


@inline
def _count(bins, counts, step):
    for x in range(bins.shape[0]):
        counts[np.uint32(bins[x])] += step


@inline
def _scatter(bins, weights, counts):
    for x in range(bins.shape[0]):
        counts[np.uint32(bins[x])] += np.uint64(weights[x])


@inline
def _count_keyed(bins, matte, use_matte, weights, counts):
    """Count pixels by their matte, or each whole; ``weights`` is scratch."""
    if use_matte:
        _weights_row(matte, weights)
        _scatter(bins, weights, counts)
    else:
        _count(bins, counts, _FULL)


# --- scopes -------------------------------------------------------------------------------------------------


@inline
def _vectorscope_row(row, bins, alpha, n, size, last):
    """Find the bin of every pixel. ``alpha`` is scratch: what is left out of RGBA makes the rest be gathered."""
    for x in range(bins.shape[0]):
        r, g, b = row[n * x], row[n * x + 1], row[n * x + 2]
        _, _, _, good = clean_px(r, g, b)
        _, cb, cr = ycbcr_px(r, g, b)
        down = np.int32(clamp((cr + HALF) * size, ZERO, last))
        across = np.int32(clamp((cb + HALF) * size, ZERO, last))
        side = np.int32(size)
        bins[x] = down * (side + SPARE) + across if good > ZERO else side
        if n == 4:
            alpha[x] = row[4 * x + 3]


@strip_kernel
def _vectorscope_strips(image, matte, use_matte, size, last, counts, claims, y0, y1):
    height, width, n = image.shape
    bins, weights, alpha = np.empty(RUN, np.int32), np.empty(RUN, np.int32), np.empty(RUN, np.float32)
    for band in range(y0, y1):
        clear(counts[band])
        mine, left = False, len(claims)
        for y in range(height):
            mine, left = take(y, mine, left, claims)
            if not mine:
                continue
            row, matte_row = image[y].reshape(-1), matte[y if use_matte else 0]
            for x0 in range(0, width, RUN):
                x1 = min(x0 + RUN, width)
                if use_matte and is_clear(matte_row[x0:x1]):
                    continue
                prefetch(row, n * (x0 + AHEAD), n * (x1 + AHEAD))
                if n == 3:
                    _vectorscope_row(row[3 * x0 : 3 * x1], bins[: x1 - x0], alpha, 3, size, last)
                else:
                    _vectorscope_row(row[4 * x0 : 4 * x1], bins[: x1 - x0], alpha, 4, size, last)
                _count_keyed(bins[: x1 - x0], matte_row[x0:x1], use_matte, weights, counts[band])


def vectorscope(image: Floats, matte: Floats | None = None, size: int = 256) -> Counts:
    """Count the picture's pixels in the BT.709 Cb/Cr plane.

    :param image: float32 (H, W, 3 or 4), R′G′B′. :param matte: float32 (H, W), or None for the whole picture.
    :param size: bins along Cb and along Cr, 16 to 4096.
    :returns: uint64 (size, size): row is Cr from −0.5 (first) to 0.5, column Cb from −0.5 to 0.5; values beyond
        count in the outermost bins. A pixel adds its matte, in units of 1/:data:`WEIGHT`, rounded.
    :raises ValueRangeError: size out of range. :raises PictureError: wrong array.

    Source: BT.709-6 items 3.2 and 3.3.

    >>> grey = np.full((2, 2, 3), 0.5, np.float32)
    >>> counts = vectorscope(grey, size=16)
    >>> int(counts.sum()) == 4 * WEIGHT, [int(i) for i in np.argwhere(counts)[0]]
    (True, [8, 8])
    """
    check_count(size, "size")
    image = as_picture(image)
    matte, use_matte = matte_or_all(image, matte)
    given = image, matte, use_matte, F(size), F(size - 1)
    counts = counted(_vectorscope_strips, image, (size * (size + int(SPARE)),), *given)
    return np.ascontiguousarray(counts.reshape(size, -1)[:, :size])


COMPONENTS = ("luma", "r", "g", "b")
"""What a waveform can show."""


def check_count(count: int, name: str) -> None:
    """Raise ValueRangeError for a size of a scope, of that name, that is not a whole number from 16 to 4096."""
    if not 16 <= count <= 4096:
        raise ValueRangeError(f"The {name} of a scope must be a whole number from 16 to 4096, not {count}.")


# --- what counts ------------------------------------------------------------------------------------------------


class Core(NamedTuple):
    """Which keyed pixels count at all: those that are safely of one thing, neither black nor burnt out.

    :ivar least: of the matte, 0 to 1. :ivar darkest, brightest: luma between which a pixel must lie.
    :ivar peak: what every component must lie below. :ivar hue: degrees, or None for any.
    :ivar reach: degrees to either side of the hue.
    """

    least: float = 0.5
    darkest: float = -math.inf
    brightest: float = math.inf
    peak: float = math.inf
    hue: float | None = None
    reach: float = 20.0


def _limits(core: Core | None) -> tuple[int, tuple[np.float32, ...]]:
    """Return how many of the two tests there are, and what they take."""
    least, darkest, brightest, peak, hue, reach = core or Core()
    stages = 0 if core is None else 1 if hue is None else 2
    return stages, (F(least), F(darkest), F(brightest), F(peak), F(wrapped(hue or 0.0)), F(reach))


@inline
def _hue_px(cb, cr):
    """Degrees, −180 to 180."""
    return atan2_px(cr, cb) * _DEGREES


@inline
def _core_row(row, matte, n, p):
    least, darkest, brightest, peak, _, _ = p
    for x in range(matte.shape[0]):
        r, g, b = row[n * x], row[n * x + 1], row[n * x + 2]
        y = luma_px(r, g, b)
        inside = (matte[x] > least) & (y > darkest) & (y < brightest) & (r < peak) & (g < peak) & (b < peak)
        matte[x] = matte[x] if inside else ZERO


@inline
def _near_row(row, matte, n, p):
    _, _, _, _, hue, reach = p
    for x in range(matte.shape[0]):
        r, g, b, _ = clean_px(row[n * x], row[n * x + 1], row[n * x + 2])
        _, cb, cr = ycbcr_px(r, g, b)
        off = abs(_hue_px(cb, cr) - hue)
        off = _TURN - off if off > _HALF_TURN else off
        matte[x] = matte[x] if off <= reach else ZERO


@inline
def _counted_row(row, matte, out, n, stages, p):
    """Fill ``out`` with the matte where it counts, 0 elsewhere."""
    for x in range(matte.shape[0]):
        out[x] = matte[x]
    if stages > 0:
        _core_row(row, out, n, p)
    if stages > 1:
        _near_row(row, out, n, p)


@strip_kernel
def _core_strips(image, alpha, matte, out, stages, p, y0, y1):
    for y in range(y0, y1):
        if alpha is None:
            _counted_row(image[y].reshape(-1), matte[y], out[y], 3, stages, p)
        else:
            _counted_row(image[y].reshape(-1), matte[y], out[y], 4, stages, p)


def core_matte(image: Floats, matte: Floats, core: Core, out: Floats | None = None) -> Floats:
    """Return the matte where a pixel counts, 0 elsewhere.

    :param image: float32 (H, W, 3 or 4), R′G′B′. :param matte: float32 (H, W). :param out: receives the result.
    :raises PictureError: wrong arrays.

    >>> picture = np.array([[[0.5, 0.5, 0.5], [1.0, 1.0, 1.0]]], np.float32)
    >>> core_matte(picture, np.ones((1, 2), np.float32), Core(peak=0.98))
    array([[1., 0.]], dtype=float32)
    """
    image = as_picture(image)
    matte = as_plane(matte, like=image.shape[:2])
    out = output(out, matte.shape, image, matte)
    over_rows(_core_strips, image.shape[0], image, with_alpha(image), matte, out, *_limits(core))
    return out


@inline
def _degree_row(row, matte, bins, weights, n, pale):
    for x in range(matte.shape[0]):
        r, g, b, good = clean_px(row[n * x], row[n * x + 1], row[n * x + 2])
        y, cb, cr = ycbcr_px(r, g, b)
        degrees = _hue_px(cb, cr)
        degrees = degrees + _TURN if degrees < ZERO else degrees
        coloured = F(math.sqrt(cb * cb + cr * cr)) > pale * y
        bins[x] = np.int32(degrees) if degrees < _TURN else np.int32(0)
        weights[x] = np.int32(clamp(matte[x], ZERO, ONE) * (good if coloured else ZERO) * _DEGREE_WEIGHT + HALF)


@strip_kernel
def _degree_strips(image, alpha, matte, stages, p, pale, counts, claims, y0, y1):
    height, width, n = image.shape
    kept = np.empty(RUN, np.float32)
    bins, weights = np.empty(RUN, np.int32), np.empty(RUN, np.int32)
    for band in range(y0, y1):
        clear(counts[band])
        mine, left = False, len(claims)
        for y in range(height):
            mine, left = take(y, mine, left, claims)
            if not mine:
                continue
            row = image[y].reshape(-1)
            for x0 in range(0, width, RUN):
                x1 = min(x0 + RUN, width)
                if is_clear(matte[y, x0:x1]):
                    continue
                prefetch(row, n * (x0 + AHEAD), n * (x1 + AHEAD))
                if alpha is None:
                    pixels = row[3 * x0 : 3 * x1]
                    _counted_row(pixels, matte[y, x0:x1], kept[: x1 - x0], 3, stages, p)
                    _degree_row(pixels, kept[: x1 - x0], bins, weights, 3, pale)
                else:
                    pixels = row[4 * x0 : 4 * x1]
                    _counted_row(pixels, matte[y, x0:x1], kept[: x1 - x0], 4, stages, p)
                    _degree_row(pixels, kept[: x1 - x0], bins, weights, 4, pale)
                _scatter(bins[: x1 - x0], weights, counts[band])


def degree_counts(image: Floats, matte: Floats, core: Core, palest: float) -> Counts:
    """Count the pixels of each whole degree of hue, weighted by the matte alone: every pixel counts alike.

    :param palest: chroma in parts of luma above which a pixel has a hue.
    :returns: uint64 (360,); a matte of 1 counts 2²⁴. :raises PictureError: wrong arrays.

    >>> red = np.full((1, 2, 3), (1, 0, 0), np.float32)
    >>> counts = degree_counts(red, np.ones((1, 2), np.float32), Core(), palest=0.01)
    >>> int(counts.argmax()), int(counts.max()) == 2 * 2**24
    (102, True)
    """
    image = as_picture(image)
    matte = as_plane(matte, like=image.shape[:2])
    given = image, with_alpha(image), matte, *_limits(core), F(palest)
    return counted(_degree_strips, image, (360,), *given)


# --- levels -----------------------------------------------------------------------------------------------------


@inline
def _luma_row(row, bins, alpha, n):
    """Find the bin of every pixel. ``alpha`` is scratch: what is left out of RGBA makes the rest be gathered."""
    for x in range(bins.shape[0]):
        r, g, b, good = clean_px(row[n * x], row[n * x + 1], row[n * x + 2])
        level = np.int32(clamp((luma_px(r, g, b) + _LUMA_SHIFT) * _LUMA_BINS, ZERO, _LAST))
        bins[x] = level if good > ZERO else np.int32(BINS)
        if n == 4:
            alpha[x] = row[4 * x + 3]


@strip_kernel
def _levels_strips(image, alpha, matte, use_matte, counts, claims, y0, y1):
    height, width, n = image.shape
    bins, weights, spare = np.empty(RUN, np.int32), np.empty(RUN, np.int32), np.empty(RUN, np.float32)
    for band in range(y0, y1):
        clear(counts[band, 0])
        clear(counts[band, 1])
        mine, left = False, len(claims)
        for y in range(height):
            mine, left = take(y, mine, left, claims)
            if not mine:
                continue
            row, matte_row = image[y].reshape(-1), matte[y if use_matte else 0]
            for x0 in range(0, width, RUN):
                x1 = min(x0 + RUN, width)
                prefetch(row, n * (x0 + AHEAD), n * (x1 + AHEAD))
                if alpha is None:
                    _luma_row(row[3 * x0 : 3 * x1], bins[: x1 - x0], spare, 3)
                else:
                    _luma_row(row[4 * x0 : 4 * x1], bins[: x1 - x0], spare, 4)
                _count(bins[: x1 - x0], counts[band, 0], _PIXEL)
                if use_matte and not is_clear(matte_row[x0:x1]):
                    _weights_row(matte_row[x0:x1], weights)
                    _scatter(bins[: x1 - x0], weights, counts[band, 1])


@dataclass(frozen=True, eq=False)
class Levels:
    """The distributions of luma over :data:`LUMA_SPAN`; made by :func:`levels`.

    :ivar everywhere: uint64 (:data:`BINS`,), the number of pixels. :ivar keyed: the same weighted by the matte.
    """

    everywhere: Counts
    keyed: Counts

    @property
    def area(self) -> float:
        """The matte's area in pixels (sum of the matte over finite pixels, to 1/4096 for each)."""
        return int(self.keyed.sum()) / WEIGHT

    def percentiles(self, percents: Sequence[float]) -> tuple[float, ...]:
        """Return the levels below which these percentages of the matte lie: see :func:`luma_percentiles`."""
        return _quantiles(self.keyed, LUMA_SPAN, percents)

    def black(self, percent: float = 0.2) -> float:
        """Return the level that the picture's darkest parts rest on: a low percentile of its luma, never below 0.

        :param percent: how much of the picture may be darker, 0 to 100; it keeps noise and a few dead pixels from
            deciding. :returns: luma, 0 or more; 0 for a picture without a finite pixel. A picture without anything dark
            in it gives its darkest tone: the caller judges whether that can be black.
        """
        level = _quantiles(self.everywhere, LUMA_SPAN, [percent])[0]
        return max(level, 0.0) if math.isfinite(level) else 0.0


def levels(image: Floats, matte: Floats | None = None) -> Levels:
    """Collect the luma of the picture and of its keyed pixels.

    :param image: float32 (H, W, 3 or 4), R′G′B′. :param matte: float32 (H, W), or None for the whole picture.
    :raises PictureError: wrong array.

    >>> shades = np.repeat(np.linspace(0, 1, 101, dtype=np.float32)[None, :, None], 3, axis=2)
    >>> [round(level, 2) for level in levels(shades).percentiles([10, 50])]
    [0.1, 0.5]
    """
    image = as_picture(image)
    matte, use_matte = matte_or_all(image, matte)
    given = image, with_alpha(image), matte, use_matte
    everywhere, keyed = counted(_levels_strips, image, (2, BINS + 1), *given)[:, :-1]
    return Levels(everywhere, keyed if use_matte else everywhere * _FULL)


@inline
def _share_row(matte):
    """Sums of the matte, and of what of it is half open, over a chunk."""
    total, half_open = np.int32(0), np.int32(0)
    for x in range(matte.shape[0]):
        m = matte[x]
        share = np.int32(clamp(m, ZERO, ONE) * _SHARE + HALF)
        total = np.int32(total + share)
        half_open = np.int32(half_open + (share if (m > _HALF_SHUT) & (m < _HALF_OPEN) else np.int32(0)))
    return total, half_open


@strip_kernel
def _share_strips(matte, sums, y0, y1):
    for y in range(y0, y1):
        for x0 in range(0, matte.shape[1], RUN):
            total, half_open = _share_row(matte[y, x0 : min(x0 + RUN, matte.shape[1])])
            sums[y, 0] += total
            sums[y, 1] += half_open


def soft_share(matte: Floats) -> float:
    """Return which share of a matte is half open (0.15 to 0.85), 0 to 1; 0 for an empty one. To 1e-6.

    >>> soft_share(np.array([[0.0, 0.5, 0.5, 1.0, 1.0, 1.0]], np.float32))
    0.25
    """
    matte = as_plane(matte)
    sums = np.zeros((matte.shape[0], 2), np.int64)
    over_rows(_share_strips, matte.shape[0], matte, sums)
    total, half_open = (int(each) for each in sums.sum(axis=0))
    return half_open / total if total else 0.0


_APART = 16
"""Numbers between the sums of two sets: what several threads add to must not share a cache line."""


# --- distributions ------------------------------------------------------------------------------------------


@inline
def _ratio_px(r, g, b, matte, black):
    """Cb and Cr; bins of Cb/Y′ and Cr/Y′; weights by matte and by matte × luma."""
    r, g, b, good = clean_px(r, g, b)
    y, cb, cr = ycbcr_px(r, g, b)
    level = y - black
    level = level if level > ZERO else ZERO
    divisor = ONE / (level if level > TINY else ONE)
    weight = _weight_px(clamp(matte, ZERO, ONE) * good)
    return (
        cb,
        cr,
        np.int32(clamp((cb * divisor + _RATIO_SHIFT) * _RATIO_BINS, ZERO, _LAST)),
        np.int32(clamp((cr * divisor + _RATIO_SHIFT) * _RATIO_BINS, ZERO, _LAST)),
        weight,
        weight * np.int32(clamp(level, ZERO, _BRIGHTEST) * _LEVEL_WEIGHT + HALF),
    )


@inline
def _direction_px(cb, cr, weight):
    """Unit vector × 2²⁰; weights by matte × chroma, and by matte where there is a hue."""
    chroma = F(math.sqrt(cb * cb + cr * cr))
    to_unit = _UNIT / chroma if chroma > TINY else ZERO
    return (
        np.int32(clamp(cb * to_unit, -_UNIT, _UNIT)),
        np.int32(clamp(cr * to_unit, -_UNIT, _UNIT)),
        weight * np.int32(clamp(chroma, ZERO, ONE) * _LEVEL_WEIGHT + HALF),
        weight if chroma > TINY else np.int32(0),
    )


@inline
def _tally_row(row, matte, whole, real, sums, n, black):
    """Fill the bins and weights of a run, and add up what has no bins. One loop for all of it would be latency-bound.

    Alpha is read along: what is left out of RGBA makes the rest be gathered.
    """
    bu, bv, bh, wl, wc = whole[0], whole[1], whole[2], whole[3], whole[4]
    ux, uy, weights, cb, cr, alpha = whole[5], whole[6], whole[7], real[0], real[1], real[2]
    for x in range(matte.shape[0]):
        cb[x], cr[x], bu[x], bv[x], weights[x], wl[x] = _ratio_px(
            row[n * x], row[n * x + 1], row[n * x + 2], matte[x], black
        )
        if n == 4:
            alpha[x] = row[4 * x + 3]
    hued = np.int32(0)
    for x in range(matte.shape[0]):
        ux[x], uy[x], wc[x], hue_weight = _direction_px(cb[x], cr[x], weights[x])
        hued = np.int32(hued + hue_weight)
    for x in range(matte.shape[0]):
        bh[x] = np.int32(clamp((atan2_px(cr[x], cb[x]) + _PI) * _HUE_BINS, ZERO, _LAST))
    across, up, area = np.int64(0), np.int64(0), np.int32(0)
    for x in range(matte.shape[0]):
        across += np.int64(ux[x]) * np.int64(weights[x])
        up += np.int64(uy[x]) * np.int64(weights[x])
        area = np.int32(area + weights[x])
    sums[0] += across
    sums[1] += up
    sums[2] += hued
    sums[3] += area


@strip_kernel
def _tally_strips(image, alpha, matte, use_matte, stages, p, black, counts, sums, claims, y0, y1):
    height, width, n = image.shape
    whole, real, kept = np.empty((8, RUN), np.int32), np.empty((3, RUN), np.float32), np.empty(RUN, np.float32)
    every = np.ones(width, np.float32)
    for band in range(y0, y1):
        own = counts[band]
        for i in range(3):
            clear(own[i])
        mine, left = False, len(claims)
        for y in range(height):
            mine, left = take(y, mine, left, claims)
            if not mine:
                continue
            row, matte_row = image[y].reshape(-1), matte[y] if use_matte else every
            for x0 in range(0, width, RUN):
                x1 = min(x0 + RUN, width)
                counted = kept[: x1 - x0]
                if is_clear(matte_row[x0:x1]):
                    continue
                prefetch(row, n * (x0 + AHEAD), n * (x1 + AHEAD))
                if alpha is None:
                    pixels = row[3 * x0 : 3 * x1]
                    _counted_row(pixels, matte_row[x0:x1], counted, 3, stages, p)
                    _tally_row(pixels, counted, whole, real, sums[band], 3, black)
                else:
                    pixels = row[4 * x0 : 4 * x1]
                    _counted_row(pixels, matte_row[x0:x1], counted, 4, stages, p)
                    _tally_row(pixels, counted, whole, real, sums[band], 4, black)
                for i in range(3):
                    _scatter(whole[i, : x1 - x0], whole[3 if i < 2 else 4], own[i])


@dataclass(frozen=True, eq=False)
class Tally:
    """The distributions of one matte's pixels, as whole numbers; made by :func:`tally`.

    :ivar u, v: uint64 (:data:`BINS`,) of Cb/Y′ and Cr/Y′ over :data:`RATIO_SPAN`, weighted by matte × luma.
    :ivar hue: uint64 (:data:`BINS`,) of the hue angle over :data:`HUE_SPAN`, weighted by matte × chroma: a
        neutral pixel has no hue.
    :ivar vector: the sum of the unit vectors along (Cb, Cr), times 2²⁰ and the matte's weight.
    :ivar hued: the summed weight of the pixels that have a hue. :ivar weight: that of all.
    """

    u: Counts
    v: Counts
    hue: Counts
    vector: tuple[int, int]
    hued: int
    weight: int

    @property
    def area(self) -> float:
        """The area in pixels: the sum of the matte over the finite pixels that count, to 1/4096 for each."""
        return self.weight / WEIGHT

    def circular_mean(self) -> tuple[float, float]:
        """Return the mean hue angle (degrees, 0 to 360) and the resultant length: see :func:`circular_mean`."""
        across, up = self.vector
        if not self.hued or (across == 0 and up == 0):
            return math.nan, 0.0
        return math.degrees(math.atan2(up, across)) % 360.0, math.hypot(across, up) / (self.hued * float(_UNIT))

    def ratio_median(self) -> tuple[float, float]:
        """Return the luma-weighted medians of Cb/Y′ and Cr/Y′: see :func:`ratio_median`."""
        return _quantiles(self.u, RATIO_SPAN, [50])[0], _quantiles(self.v, RATIO_SPAN, [50])[0]

    def hue_percentiles(self, percents: Sequence[float]) -> tuple[float, ...]:
        """Return hue angles (degrees, 0 to 360) by percentage: see :func:`hue_percentiles`."""
        return tuple(angle % 360.0 for angle in self._unrolled(percents))

    def hue_spread(self) -> float:
        """Return the robust spread of the hue in degrees: see :func:`hue_spread`."""
        low, high = self._unrolled([15.8655, 84.1345])
        return (high - low) / 2

    def _unrolled(self, percents: Sequence[float]) -> tuple[float, ...]:
        """Return hue percentiles counted from the bin opposite the mean hue, so that no seam cuts the energy."""
        seam, hue = self._opposite
        start = HUE_SPAN[0] + seam * 360 / BINS
        return _quantiles(hue, (start, start + 360), percents)

    @cached_property
    def _opposite(self) -> tuple[int, Counts]:
        mean, _ = self.circular_mean()
        seam = 0 if math.isnan(mean) else round(mean / 360 * BINS) % BINS
        return seam, np.roll(self.hue, -seam)


def tally(image: Floats, matte: Floats | None = None, black: float = 0.0, core: Core | None = None) -> Tally:
    """Collect in one pass everything that the statistics of colour below need.

    :param image: float32 (H, W, 3 or 4), R′G′B′. :param matte: float32 (H, W), or None for the whole picture.
    :param black: the picture's black level, subtracted from the luma by which Cb and Cr are divided.
    :param core: which of the keyed pixels count; all where None.
    :raises ValueRangeError: a black level that is not finite. :raises PictureError: wrong array.

    >>> red = np.full((2, 2, 3), (1, 0, 0), np.float32)
    >>> angle, length = tally(red).circular_mean()
    >>> round(angle, 2), round(length, 5)
    (102.91, 1.0)
    """
    if not math.isfinite(black):
        raise ValueRangeError(f"The black level must be a finite number, not {black}.")
    image = as_picture(image)
    matte, use_matte = matte_or_all(image, matte)
    sums = np.zeros((sets_for(image.shape[0]), _APART), np.int64)
    given = image, with_alpha(image), matte, use_matte, *_limits(core), F(black)
    u, v, hue = counted(_tally_strips, image, (3, BINS), *given, sums=sums)
    across, up, hued, weight = (int(total) for total in sums[:, :4].sum(axis=0))
    return Tally(u, v, hue, (across, up), hued, weight)


_BLOCK = 512
"""Counters whose sum is looked up before one of them is."""


def _quantiles(counts: Counts, span: tuple[float, float], percents: Sequence[float]) -> tuple[float, ...]:
    """Return where the running count first reaches each percentage, linear inside a bin; NaN for an empty count."""
    for percent in percents:
        if not 0 <= percent <= 100:
            raise ValueRangeError(f"A percentage must be 0 to 100, not {percent}.")
    blocks = np.add.reduceat(counts, np.arange(0, len(counts), _BLOCK), dtype=np.uint64)
    before = np.concatenate([[0], np.cumsum(blocks, dtype=np.uint64)]).astype(np.float64)
    total = int(before[-1])
    if total == 0:
        return tuple(math.nan for _ in percents)
    width = (span[1] - span[0]) / len(counts)
    results = []
    for percent in percents:
        wanted = min(max(total * percent / 100, 1.0), float(total))
        block = min(int(np.searchsorted(before[1:], wanted)), len(blocks) - 1)
        first = block * _BLOCK
        running = before[block] + np.cumsum(counts[first : first + _BLOCK], dtype=np.uint64).astype(np.float64)
        k = min(int(np.searchsorted(running, wanted)), len(running) - 1)
        below, k = float(running[k]), first + k
        inside = (wanted - (below - float(counts[k]))) / float(counts[k])
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

    >>> shades = np.repeat(np.linspace(0, 1, 101, dtype=np.float32)[None, :, None], 3, axis=2)
    >>> [round(value, 2) for value in luma_percentiles(shades, None, (10, 50, 90))]
    [0.1, 0.5, 0.9]
    """
    return levels(image, matte).percentiles(percents)


def hue_percentiles(image: Floats, matte: Floats | None, percents: Sequence[float]) -> tuple[float, ...]:
    """Return hue angles (degrees, 0 to 360) by percentage, counted counter-clockwise from opposite the mean hue.

    Weights: matte × chroma. Error: at most one bin, 360/65536 = .0055°. NaN where nothing has a hue.
    """
    return tally(image, matte).hue_percentiles(percents)


def hue_spread(image: Floats, matte: Floats | None = None) -> float:
    """Return half the angle between the hue percentiles 15.87 and 84.13: one standard deviation of a normal spread."""
    return tally(image, matte).hue_spread()
