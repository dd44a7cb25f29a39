"""Plotting: counts of a picture's pixels placed on a fine grid in whole numbers, and counts turned into brightness.

A pixel is shared among the four cells (or, along one axis, the two cells) nearest to it, in fixed point, so that
codes and cells do not beat against one another; sums of whole numbers do not depend on the order of the rows.
What the matte leaves out is passed over.
"""

from __future__ import annotations

import math

import numpy as np

from .arrays import Floats, as_picture, as_plane, matte_or_all, output
from .colour import HALF, ONE, ZERO, F, clamp, clean_px, log2_px, ycbcr_px
from .errors import ValueRangeError
from .jit import inline, sheet
from .measure import (
    CHUNK,
    COMPONENTS,
    SPARE,
    Counts,
    check_count,
    column_starts,
    component_px,
    counters,
    is_clear,
    is_dealt,
)
from .strips import over_rows

PIXEL = 65536
"""What one pixel with a matte of 1 adds to a plot, over all the cells that share it."""

_MATTE_STEPS, _LEVEL_STEPS = F(256), F(4096)
_FINE, _SHIFT, _PART = np.int32(16), np.int32(4), np.int32(15)


@inline
def _matte_row(matte, use_matte, weights, steps):
    """Multiply the 0 or 1 of every pixel by its matte in whole steps."""
    if use_matte:
        for x in range(weights.shape[0]):
            weights[x] *= np.int32(clamp(matte[x], ZERO, ONE) * steps + HALF)
    else:
        for x in range(weights.shape[0]):
            weights[x] *= np.int32(steps)


# --- the plane of chroma ------------------------------------------------------------------------------------


@inline
def _chroma_row(row, across, down, weights, n, p):
    scale, centre, end = p
    for x in range(weights.shape[0]):
        r, g, b, good = clean_px(row[n * x], row[n * x + 1], row[n * x + 2])
        _, cb, cr = ycbcr_px(r, g, b)
        i = cb * scale + centre
        j = centre - cr * scale
        inside = (i >= ZERO) & (i < end) & (j >= ZERO) & (j < end)
        across[x] = np.int32(i if inside else ZERO)
        down[x] = np.int32(j if inside else ZERO)
        weights[x] = np.int32(good if inside else ZERO)


@inline
def _share_in_four(across, down, weights, counts, line, shares):
    """Add every pixel to its four cells; ``shares`` (4, …) is scratch. What each gets is found first: vector code."""
    first, second, third, fourth = shares[0], shares[1], shares[2], shares[3]
    for x in range(weights.shape[0]):
        i, j, weight = across[x], down[x], weights[x]
        lower = np.int32(j & _PART)
        upper = np.int32(_FINE - lower)
        right = np.int32(weight * np.int32(i & _PART))
        left = np.int32(np.int32(weight * _FINE) - right)
        first[x] = np.int32(left * upper)
        second[x] = np.int32(right * upper)
        third[x] = np.int32(left * lower)
        fourth[x] = np.int32(right * lower)
        across[x] = np.int32(np.int32(np.int32(j >> _SHIFT) * line) + np.int32(i >> _SHIFT))
    for x in range(weights.shape[0]):
        cell = np.int64(across[x])
        counts[np.uint64(cell)] += np.uint64(first[x])
        counts[np.uint64(cell + 1)] += np.uint64(second[x])
        counts[np.uint64(cell + line)] += np.uint64(third[x])
        counts[np.uint64(cell + line + 1)] += np.uint64(fourth[x])


@sheet
def _chroma_sheet(image, matte, use_matte, counts, line, p, y0, y1):
    height, width, n = image.shape
    room, shares = np.empty((3, CHUNK), np.int32), np.empty((4, CHUNK), np.int32)
    for band in range(y0, y1):
        for y in range(height):
            if not is_dealt(y, band, counts):
                continue
            row, matte_row = image[y].reshape(-1), matte[y if use_matte else 0]
            for x0 in range(0, width, CHUNK):
                x1 = min(x0 + CHUNK, width)
                if use_matte and is_clear(matte_row[x0:x1]):
                    continue
                across, down, weights = room[0][: x1 - x0], room[1][: x1 - x0], room[2][: x1 - x0]
                if n == 3:
                    _chroma_row(row[3 * x0 : 3 * x1], across, down, weights, 3, p)
                else:
                    _chroma_row(row[4 * x0 : 4 * x1], across, down, weights, 4, p)
                _matte_row(matte_row[x0:x1], use_matte, weights, _MATTE_STEPS)
                _share_in_four(across, down, weights, counts[band], line, shares)


def chroma_counts(image: Floats, matte: Floats | None, size: int, scale: float) -> Counts:
    """Plot the picture's pixels in the BT.709 Cb/Cr plane, neutral in the middle.

    :param image: float32 (H, W, 3 or 4), R′G′B′. :param matte: float32 (H, W), or None for the whole picture.
    :param size: cells along either side, 16 to 4096. :param scale: cells for a Cb or Cr of 1, above 0.
    :returns: uint64 (size, size), +Cr up and +Cb to the right; (Cb, Cr) lies at column size/2 + Cb·scale, row
        size/2 − Cr·scale, where the middle of the first cell is 0.5. A pixel adds its matte (in 1/256) times
        :data:`PIXEL`, to 1/16 of a cell; beyond the plane, or with a component that is not finite, it adds nothing.
    :raises ValueRangeError: size or scale. :raises PictureError: wrong array.

    Source: BT.709-6 items 3.2 and 3.3.
    """
    check_count(size, "size")
    if not 0 < scale <= 1e5:
        raise ValueRangeError(f"The scale of a chroma plot must be above 0 and up to 100000, not {scale}.")
    image = as_picture(image)
    matte, use_matte = matte_or_all(image, matte)
    line = size + int(SPARE)
    counts = counters(image.shape[0], size * line)
    p = (F(scale * 16), F((size - 1) * 8 + 0.5), F((size - 1) * 16))
    over_rows(_chroma_sheet, len(counts), image, matte, use_matte, counts, np.int32(line), p, strip=1)
    return np.ascontiguousarray(counts.sum(axis=0).reshape(size, line)[:, :size])


# --- levels across the picture ------------------------------------------------------------------------------


@inline
def _level_row(row, down, weights, n, signal, p):
    scale, top, end = p
    for x in range(weights.shape[0]):
        r, g, b, good = clean_px(row[n * x], row[n * x + 1], row[n * x + 2])
        value = component_px(r, g, b, signal)
        down[x] = np.int32(clamp(top - value * scale, ZERO, end))
        weights[x] = np.int32(good)


@inline
def _share_in_two(start, down, weights, counts, lower):
    """Add every pixel to its two cells; ``lower`` is scratch. What each gets is found first: vector code."""
    for x in range(weights.shape[0]):
        lower[x] = np.int32(weights[x] * np.int32(down[x] & _PART))
        weights[x] = np.int32(np.int32(weights[x] * _FINE) - lower[x])
        down[x] = np.int32(start[x] + np.int32(down[x] >> _SHIFT))
    for x in range(weights.shape[0]):
        cell = np.int64(down[x])
        counts[np.uint64(cell)] += np.uint64(weights[x])
        counts[np.uint64(cell + 1)] += np.uint64(lower[x])


@sheet
def _level_sheet(image, matte, use_matte, start, counts, signal, p, y0, y1):
    height, width, n = image.shape
    step = CHUNK if use_matte else width  # neighbours share a counter: read right after it was written, a place stalls
    room = np.empty((3, step), np.int32)
    for band in range(y0, y1):
        for y in range(height):
            if not is_dealt(y, band, counts):
                continue
            row, matte_row = image[y].reshape(-1), matte[y if use_matte else 0]
            for x0 in range(0, width, step):
                x1 = min(x0 + step, width)
                if use_matte and is_clear(matte_row[x0:x1]):
                    continue
                down, weights, lower = room[0][: x1 - x0], room[1][: x1 - x0], room[2][: x1 - x0]
                if n == 3:
                    _level_row(row[3 * x0 : 3 * x1], down, weights, 3, signal, p)
                else:
                    _level_row(row[4 * x0 : 4 * x1], down, weights, 4, signal, p)
                _matte_row(matte_row[x0:x1], use_matte, weights, _LEVEL_STEPS)
                _share_in_two(start[x0:x1], down, weights, counts[band], lower)


def level_counts(
    image: Floats, matte: Floats | None, shape: tuple[int, int], signal: str, low: float, high: float
) -> Counts:
    """Plot the levels of one signal in every column of the picture.

    :param image: float32 (H, W, 3 or 4), R′G′B′. :param matte: float32 (H, W), or None for the whole picture.
    :param shape: (rows, columns) of the plot, 16 to 4096 rows and 1 to 4096 columns, at most one for each column
        of the picture. :param signal: "luma" (BT.709 Y′), "r", "g" or "b".
    :param low, high: the levels at the lower edge of the last and the upper edge of the first row.
    :returns: uint64 (rows, columns), high levels first; levels beyond lie in the outermost rows. A pixel adds its
        matte (in 1/4096) times :data:`PIXEL`; one with a component that is not finite adds nothing.
    :raises ValueRangeError: a number out of range or another signal. :raises PictureError: wrong array.
    """
    rows, columns = shape
    check_count(rows, "height")
    image = as_picture(image)
    width = image.shape[1]
    most = min(4096, width)
    if not 1 <= columns <= most:
        raise ValueRangeError(
            f"A level plot of a picture {width} pixels wide must have 1 to {most} columns, not {columns}."
        )
    if signal not in COMPONENTS:
        raise ValueRangeError(f"Signal {signal!r} is unknown: use one of {', '.join(COMPONENTS)}.")
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise ValueRangeError(f"A level plot needs finite levels with low below high, not {low} to {high}.")
    matte, use_matte = matte_or_all(image, matte)
    start = column_starts(width, columns, rows)
    scale = rows / (high - low)
    p = (F(scale * 16), F((high * scale - 0.5) * 16 + 0.5), F((rows - 1) * 16 - 1))
    counts = counters(image.shape[0], rows * columns)
    wanted = np.int32(COMPONENTS.index(signal))
    over_rows(_level_sheet, len(counts), image, matte, use_matte, start, counts, wanted, p, strip=1)
    return np.ascontiguousarray(counts.sum(axis=0).reshape(columns, rows).T)


# --- brightness ---------------------------------------------------------------------------------------------


@inline
def _brightness_row(row, out, gain, scale):
    for x in range(out.shape[0]):
        value = row[x]
        out[x] = clamp(log2_px(ONE + (value if value > ZERO else ZERO) * gain) * scale, ZERO, ONE)


@sheet
def _brightness_sheet(density, out, gain, scale, y0, y1):
    for y in range(y0, y1):
        _brightness_row(density[y], out[y], gain, scale)


def log_brightness(density: Floats, faint: float, full: float, out: Floats | None = None) -> Floats:
    """Turn density into brightness on a logarithmic scale: log(1 + d/faint) / log(1 + full/faint), 0 to 1.

    :param density: float32 (H, W); below 0 and NaN count 0. :param faint: the density that begins to show.
    :param full: the density that shows full, above 0. :returns: float32 (H, W).
    :raises ValueRangeError: faint or full not above 0. :raises PictureError: wrong array.
    """
    for name, value in (("faint", faint), ("full", full)):
        if not (math.isfinite(value) and value > 0):
            raise ValueRangeError(f"The {name} density of a plot must be above 0, not {value}.")
    density = as_plane(density, "density")
    out = output(out, density.shape, density)
    scale = 1 / math.log2(1 + full / faint)
    over_rows(_brightness_sheet, density.shape[0], density, out, F(1 / faint), F(scale))
    return out
