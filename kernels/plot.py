"""Plotting: counts of a picture's pixels placed on a grid in whole numbers, and counts turned into brightness.

A pixel is counted once: additions to counters are what a plot costs. It is counted on a grid twice as fine as the plot,
moved before by up to half a fine cell, by its place in the picture: of the pixels of one colour every fine cell nearby
gets its share, and codes and cells do not beat against one another. In the end each fine cell is shared among the cells
of the plot nearest to it. Sums of whole numbers do not depend on the order of the rows. What the matte leaves out is
passed over.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from . import memory
from .arrays import Floats, as_picture, as_plane, matte_or_all, output
from .colour import HALF, KB, KG, KR, ONE, ZERO, F, clamp, log2_px, ycbcr_px
from .errors import ValueRangeError
from .jit import inline, strip_kernel
from .measure import COMPONENTS, TAKEN, Counts, check_count, claims_on, is_clear, take
from .stream import AHEAD, LINE, RUN, prefetch
from .strips import STRIP, over_rows, thread_count

PIXEL = 4096
"""What one pixel with a matte of 1 adds to a plot, over all the cells that share it."""

_STEPS, _WHOLE = F(256), np.uint32(256)
_MOST = 1 << 23
"""Pixels for a set of counters: twice as many, all in one cell, are more than 32 bits hold. A strip of rows, the least
that a set is given, has less than that many more up to a width of 131072."""
_FAR = F(3e38)
"""What is beyond it, after the factors of a plot, is as good as infinite."""
_ONCE, _THRICE, _FOUR = np.uint64(1), np.uint64(3), np.uint64(4)

FineCounts = NDArray[np.uint32]

_PLACES = 8
_OFFSETS = np.tile(np.array([-7, 1, -3, 5, -5, 3, -1, 7], np.float32) / F(16), RUN // _PLACES + 1)
"""Parts of a fine cell by which pixels side by side are moved: any few in a row are moved both ways."""


# --- fine cells ---------------------------------------------------------------------------------------------


def _line(cells: int) -> int:
    """Return how far apart the lines of a grid lie: an odd number of cache lines, or they get in each other's way."""
    return (-(-cells // LINE) | 1) * LINE


def _counters(
    image: Floats, lines: int, line: int
) -> tuple[FineCounts, NDArray[np.int32], tuple[int, NDArray[np.int64]]]:
    """Return sets of counters with whatever values, one for each thread that is worth it, a spare one at their end.

    And the first line of each that is in use and the first one after: none yet; and how often a set may take rows, with
    the claims on them.
    """
    height, width = image.shape[:2]
    sets = min(max(thread_count(), -(-height * width // _MOST)), -(-height // STRIP))
    reached, claims = np.full((sets, 2), lines // 2, np.int32), claims_on(height)
    most = max(_MOST // (TAKEN * width), -(-len(claims) // sets))
    return memory.counters(sets, lines * line + LINE, np.uint32), reached, (most, claims)


@inline
def _reach(counts, reached, line, low, high):
    """Take the lines ``low`` to ``high`` into use, and what lies between them and those that are, all at 0."""
    while reached[0] > low:
        reached[0] -= 1
        counts[reached[0] * line : (reached[0] + 1) * line] = np.uint32(0)
    while reached[1] <= high:
        counts[reached[1] * line : (reached[1] + 1) * line] = np.uint32(0)
        reached[1] += 1


@inline
def _shift(y):
    """Where a row begins in the offsets: pixels one above another are moved both ways as well."""
    return 3 * y % _PLACES


@inline
def _matte_row(matte, weights):
    for x in range(weights.shape[0]):
        weights[x] = np.int32(clamp(matte[x], ZERO, ONE) * _STEPS + HALF)


@inline
def _add_row(cells, matte, use_matte, weights, counts):
    """Count pixels by their matte, or each whole; ``weights`` is scratch."""
    if use_matte:
        _matte_row(matte, weights)
        for x in range(cells.shape[0]):
            counts[np.uint32(cells[x])] += np.uint32(weights[x])
    else:
        for x in range(cells.shape[0]):
            counts[np.uint32(cells[x])] += _WHOLE


@inline
def _count_row(find, places, row, matte, use_matte, scratch, counts, reached, n, line, p):
    """Count a row of pixels, a run at a time, in the cells that ``find`` tells; ``places`` is what it knows of them."""
    cells, weights, alpha = scratch
    width, spare = row.shape[0] // n, np.int32(counts.shape[0] - 1)
    for x0 in range(0, width, RUN):
        x1 = min(x0 + RUN, width)
        if use_matte and is_clear(matte[x0:x1]):
            continue
        prefetch(row, n * (x0 + AHEAD), n * (x1 + AHEAD))
        low, high = find(row[n * x0 : n * x1], places, x0, cells[: x1 - x0], alpha, n, line, spare, p)
        _reach(counts, reached, line, low, high)
        _add_row(cells[: x1 - x0], matte[x0:x1], use_matte, weights[: x1 - x0], counts)


@inline
def _fold_lines(counts, reached, line, y, last, sums):
    """Add up the four fine lines, of all sets, that a line of the plot gets a share of; beyond the edge its own."""
    for x in range(sums.shape[0]):
        sums[x] = np.uint64(0)
    for k in range(4):
        fine = min(max(2 * y - 1 + k, 0), last)
        share = _THRICE if 0 < k < 3 else _ONCE
        for band in range(counts.shape[0]):
            if reached[band, 0] <= fine < reached[band, 1]:
                cells = counts[band, fine * line : (fine + 1) * line]
                for x in range(sums.shape[0]):
                    sums[x] += np.uint64(cells[x]) * share


@inline
def _fold_columns(sums, out):
    """The same along a line, which has one fine cell more at either end."""
    for x in range(out.shape[0]):
        out[x] = sums[2 * x] + (sums[2 * x + 1] + sums[2 * x + 2]) * _THRICE + sums[2 * x + 3]


@inline
def _raise_row(sums, out):
    for x in range(out.shape[0]):
        out[x] = sums[x] * _FOUR


@strip_kernel
def _fold_strips(counts, reached, line, out, both, first, y0, y1):
    height, width = out.shape
    cells = 2 * width if both else width
    sums = np.empty(cells + 2, np.uint64)
    for y in range(first + y0, first + y1):
        _fold_lines(counts, reached, line, y, 2 * height - 1, sums[1 : cells + 1])
        if both:
            sums[0], sums[cells + 1] = sums[1], sums[cells]
            _fold_columns(sums, out[y])
        else:
            _raise_row(sums[1 : cells + 1], out[y])


def _folded(counts: FineCounts, reached: NDArray[np.int32], line: int, shape: tuple[int, int], both: bool) -> Counts:
    """Return the plot of fine counts: twice as fine from line to line, and along the lines where ``both``."""
    out = memory.new((shape[0], 2 * shape[1])).view(np.uint64)
    first, last = max(int(reached[:, 0].min()) // 2 - 1, 0), min(int(reached[:, 1].max()) // 2 + 1, shape[0])
    out[:first], out[last:] = 0, 0
    over_rows(_fold_strips, last - first, counts, reached, line, out, np.bool_(both), first)
    return out


# --- the plane of chroma ------------------------------------------------------------------------------------


@inline
def _chroma_row(row, across, x0, cells, alpha, n, line, spare, p):
    """Find the cell of every pixel: the spare one beyond the plane, where also NaN and infinity lie.

    ``x0`` is of no use here. Returns the first and the last line with a pixel. ``alpha`` is scratch: what is left out
    of RGBA makes the rest be gathered.
    """
    scale, middle, centre, end = p
    low, high = np.int32(end), np.int32(-1)
    for x in range(cells.shape[0]):
        _, cb, cr = ycbcr_px(row[n * x], row[n * x + 1], row[n * x + 2])
        i = cb * scale + (middle + across[x])
        j = centre - cr * scale
        inside = (i >= ZERO) & (i < end) & (j >= ZERO) & (j < end)
        down = np.int32(j if inside else end)
        cells[x] = np.int32(np.int32(down * line) + np.int32(i if inside else ZERO)) if inside else spare
        low = min(low, down)
        high = max(high, down if inside else np.int32(-1))
        if n == 4:
            alpha[x] = row[4 * x + 3]
    return low, high


@strip_kernel
def _chroma_strips(image, matte, use_matte, counts, reached, line, p, most, claims, y0, y1):
    scale, middle, end = p
    scratch = (np.empty(RUN, np.int32), np.empty(RUN, np.int32), np.empty(RUN, np.float32))
    for band in range(y0, y1):
        counts[band, -1] = np.uint32(0)
        mine, left = False, most
        for y in range(image.shape[0]):
            mine, left = take(y, mine, left, claims)
            if mine:
                row, matte_row = image[y].reshape(-1), matte[y if use_matte else 0]
                across, own, lines = _OFFSETS[_shift(y) :], counts[band], reached[band]
                q = (scale, middle, middle + _OFFSETS[y % _PLACES], end)
                if image.shape[2] == 3:
                    _count_row(_chroma_row, across, row, matte_row, use_matte, scratch, own, lines, 3, line, q)
                else:
                    _count_row(_chroma_row, across, row, matte_row, use_matte, scratch, own, lines, 4, line, q)


def chroma_counts(image: Floats, matte: Floats | None, size: int, scale: float) -> Counts:
    """Plot the picture's pixels in the BT.709 Cb/Cr plane, neutral in the middle.

    :param image: float32 (H, W, 3 or 4), R′G′B′. :param matte: float32 (H, W), or None for the whole picture.
    :param size: cells along either side, 16 to 4096. :param scale: cells for a Cb or Cr of 1, above 0.
    :returns: uint64 (size, size), +Cr up and +Cb to the right; (Cb, Cr) lies at column size/2 + Cb·scale, row
        size/2 − Cr·scale, where the middle of the first cell is 0.5. A pixel adds its matte (in 1/256) times
        :data:`PIXEL`. It is moved by up to 7/32 of a cell along either axis, in steps of 1/16 that all occur in any
        8 × 8 pixels, and shared from the middle of the quarter of a cell that it then lies in: 9/16 to that cell,
        3/16 to either neighbour beside that quarter, 1/16 to the one between them (at the edge of the plane to the
        cells within). So one pixel lies where it belongs to 15/32 of a cell, many of one colour to 1/32. Beyond the
        plane, or with a component that is not finite, it adds nothing.
    :raises ValueRangeError: size or scale. :raises PictureError: wrong array.

    Source: BT.709-6 items 3.2 and 3.3.

    >>> grey = np.full((8, 8, 3), 0.5, np.float32)
    >>> counts = chroma_counts(grey, None, 16, 16.0)
    >>> int(counts.sum()) == 64 * PIXEL, bool(counts[7:9, 7:9].sum() == counts.sum())
    (True, True)
    """
    check_count(size, "size")
    if not 0 < scale <= 1e5:
        raise ValueRangeError(f"The scale of a chroma plot must be above 0 and up to 100000, not {scale}.")
    image = as_picture(image)
    matte, use_matte = matte_or_all(image, matte)
    line = _line(2 * size)
    counts, reached, rows_in_turn = _counters(image, 2 * size, line)
    p = (F(scale * 2), F(size), F(size * 2))
    given = image, matte, use_matte, counts, reached, np.int32(line), p, *rows_in_turn
    over_rows(_chroma_strips, len(counts), *given, strip=1, least=1)
    return _folded(counts, reached, line, (size, size), both=True)


# --- levels across the picture ------------------------------------------------------------------------------


@inline
def _level_row(row, places, x0, cells, alpha, n, line, spare, p):
    """Find the cell of every pixel: the spare one for NaN and infinity, which no factor of 0 takes away.

    Returns the first and the last line with a pixel. ``alpha`` is scratch: what is left out of RGBA makes the rest be
    gathered.
    """
    top, end, of_r, of_g, of_b = p
    offsets, columns = places[0], places[1][x0 : x0 + cells.shape[0]]
    low, high = np.int32(end), np.int32(0)
    for x in range(cells.shape[0]):
        down = top + offsets[x] - (of_r * row[n * x] + of_g * row[n * x + 1] + of_b * row[n * x + 2])
        good = abs(down) < _FAR
        at = np.int32(clamp(down, ZERO, end))
        cells[x] = np.int32(np.int32(at * line) + columns[x]) if good else spare
        low = min(low, at)
        high = max(high, at)
        if n == 4:
            alpha[x] = row[4 * x + 3]
    return low, high


@strip_kernel
def _level_strips(image, matte, use_matte, columns, counts, reached, line, p, most, claims, y0, y1):
    scratch = (np.empty(RUN, np.int32), np.empty(RUN, np.int32), np.empty(RUN, np.float32))
    for band in range(y0, y1):
        counts[band, -1] = np.uint32(0)
        mine, left = False, most
        for y in range(image.shape[0]):
            mine, left = take(y, mine, left, claims)
            if mine:
                row, matte_row = image[y].reshape(-1), matte[y if use_matte else 0]
                places, own, lines = (_OFFSETS[_shift(y) :], columns), counts[band], reached[band]
                if image.shape[2] == 3:
                    _count_row(_level_row, places, row, matte_row, use_matte, scratch, own, lines, 3, line, p)
                else:
                    _count_row(_level_row, places, row, matte_row, use_matte, scratch, own, lines, 4, line, p)


def level_counts(
    image: Floats, matte: Floats | None, shape: tuple[int, int], signal: str, low: float, high: float
) -> Counts:
    """Plot the levels of one signal in every column of the picture.

    :param image: float32 (H, W, 3 or 4), R′G′B′. :param matte: float32 (H, W), or None for the whole picture.
    :param shape: (rows, columns) of the plot, 16 to 4096 rows and 1 to 4096 columns, at most one for each column
        of the picture. :param signal: "luma" (BT.709 Y′), "r", "g" or "b".
    :param low, high: the levels at the lower edge of the last and the upper edge of the first row.
    :returns: uint64 (rows, columns), high levels first; levels beyond lie in the outermost rows. A pixel adds its
        matte (in 1/256) times :data:`PIXEL`. It is moved by up to 7/32 of a row, in steps of 1/16 that all occur in
        any 8 pixels side by side or one above another, and shared from the middle of the half of a row that it then
        lies in: 3/4 to that row, 1/4 to the next one on its side, if there is one. So one pixel lies where it belongs
        to 15/32 of a row, many of one level to 1/32. One with a component that is not finite adds nothing.
    :raises ValueRangeError: a number out of range or another signal. :raises PictureError: wrong array.

    >>> grey = np.full((8, 8, 3), 0.5, np.float32)
    >>> counts = level_counts(grey, None, (16, 8), "luma", 0.0, 1.0)
    >>> counts.shape, int(counts.sum()) == 64 * PIXEL
    ((16, 8), True)
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
    column = (np.arange(width) * columns // width).astype(np.int32)
    scale, line = 2 * rows / (high - low), _line(columns)
    factors = (float(KR), float(KG), float(KB)) if signal == "luma" else tuple(float(signal == each) for each in "rgb")
    p = (F(high * scale), F(2 * rows - 1), *(F(factor * scale) for factor in factors))
    counts, reached, rows_in_turn = _counters(image, 2 * rows, line)
    given = image, matte, use_matte, column, counts, reached, np.int32(line), p, *rows_in_turn
    over_rows(_level_strips, len(counts), *given, strip=1, least=1)
    return _folded(counts, reached, line, (rows, columns), both=False)


# --- brightness ---------------------------------------------------------------------------------------------


@inline
def _brightness_row(row, out, gain, scale):
    for x in range(out.shape[0]):
        value = row[x]
        out[x] = clamp(log2_px(ONE + (value if value > ZERO else ZERO) * gain) * scale, ZERO, ONE)


@strip_kernel
def _brightness_strips(density, out, gain, scale, y0, y1):
    for y in range(y0, y1):
        _brightness_row(density[y], out[y], gain, scale)


def log_brightness(density: Floats, faint: float, full: float, out: Floats | None = None) -> Floats:
    """Turn density into brightness on a logarithmic scale: log(1 + d/faint) / log(1 + full/faint), 0 to 1.

    :param density: float32 (H, W); below 0 and NaN count 0. :param faint: the density that begins to show.
    :param full: the density that shows full, above 0. :returns: float32 (H, W).
    :raises ValueRangeError: faint or full not above 0. :raises PictureError: wrong array.

    >>> print(log_brightness(np.array([[0, 1, 10]], np.float32), faint=1.0, full=10.0).round(3))
    [[0.    0.289 1.   ]]
    """
    for name, value in (("faint", faint), ("full", full)):
        if not (math.isfinite(value) and value > 0):
            raise ValueRangeError(f"The {name} density of a plot must be above 0, not {value}.")
    density = as_plane(density, "density")
    out = output(out, density.shape, density)
    scale = 1 / math.log2(1 + full / faint)
    over_rows(_brightness_strips, density.shape[0], density, out, F(1 / faint), F(scale))
    return out
