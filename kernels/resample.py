"""Planes on coarser grids and back: halved, quartered, gathered in cells, doubled, spread."""

from __future__ import annotations

import math

import numpy as np

from .arrays import Floats
from .colour import ONE, ZERO, F
from .errors import ValueRangeError
from .jit import inline, strip_kernel, subroutine
from .rows import (
    ZERO_INT,
    _sum2_row_into,
    add_row,
    copy_row,
    lerp_row,
    limit_row,
    near_row,
    scale_row,
    sum2_row,
    sum4_row,
)
from .strips import STRIP, over_rows, strip_rows

FACTORS = (1, 2, 4, 8)
"""The factors by which :func:`decimate` and :func:`enlarge` change the size."""


def as_factor(factor: int) -> int:
    """Return the factor of a coarser grid after checking that it is one that exists."""
    if factor not in FACTORS:
        raise ValueRangeError(f"The factor must be one of {', '.join(map(str, FACTORS))}, not {factor}.")
    return int(factor)


FAR, BESIDE, MIDDLE = F(1 / 16), F(5 / 16), F(10 / 16)


@inline
def _weigh4_row(out, a, b, c, d):
    for x in range(out.shape[0]):
        out[x] = (a[x] + d[x]) + F(3) * (b[x] + c[x])


@inline
def _weigh_pairs_row(out, first, second):
    """Of each pair of neighbours and the pair that begins two further; ``second`` begins there."""
    for x in range(out.shape[0]):
        ends, middle = first[2 * x] + second[2 * x + 1], first[2 * x + 1] + second[2 * x]
        out[x] = (ends + F(3) * middle) * F(1 / 64)


@subroutine
def halved_row(above, first, second, below, out, padded):
    """Fill a row of the halved plane: weights 1, 3, 3, 1 down four rows and across; one repeated cell on both sides.

    ``padded`` is scratch memory for twice the cells and two more.
    """
    width, count = above.shape[0], out.shape[0]
    _weigh4_row(padded[3 : 3 + width], above, first, second, below)
    for x in range(3):
        padded[x] = padded[3]
    for x in range(3 + width, 2 * count + 2):
        padded[x] = padded[2 + width]
    _weigh_pairs_row(out, padded[: 2 * count], padded[2 : 2 * count + 2])


@strip_kernel
def _halve_strips(plane, low, y0, y1):
    padded = np.empty(2 * low.shape[1] + 2, np.float32)
    for row in range(y0, y1):
        y = 2 * row - 2
        above, first = plane[near_row(plane, y - 1)], plane[near_row(plane, y)]
        halved_row(above, first, plane[near_row(plane, y + 1)], plane[near_row(plane, y + 2)], low[row], padded)


def halved(plane: Floats) -> Floats:
    """Return the plane halved: cells of 2×2 pixels, and one repeated cell all round."""
    low = np.empty(tuple(-(-size // 2) + 2 for size in plane.shape), np.float32)
    over_rows(_halve_strips, low.shape[0], plane, low, strip=strip_rows(plane.shape[1], STRIP // 2))
    return low


@inline
def _weigh3_row(out, beside, middle, far):
    for x in range(out.shape[0]):
        out[x] = MIDDLE * middle[x] + (BESIDE * beside[x] + FAR * far[x])


@inline
def _weigh_both_row(out, left, middle, right):
    for x in range(left.shape[0]):
        centre = MIDDLE * middle[x]
        out[2 * x] = centre + (BESIDE * left[x] + FAR * right[x])
        out[2 * x + 1] = centre + (BESIDE * right[x] + FAR * left[x])


@subroutine
def doubled_row(low, row, out, cells, wide, y, x0):
    """Fill row y of the full grid from column x0 on, an even one, from row ``row`` of a halved plane and those beside.

    Weights 5, 10, 1 and 1, 10, 5 both ways: those of a binomial of order 5, parted. ``cells`` and ``wide`` are scratch
    memory for the cells that are covered and two more, and for whole cells.
    """
    width = out.shape[0]
    count = (width + 1) // 2
    first, last = x0 // 2, x0 // 2 + count + 2
    near, far = low[row - 1, first:last], low[row + 1, first:last]
    if y % 2:
        near, far = far, near
    _weigh3_row(cells[: count + 2], near, low[row, first:last], far)
    target = wide[: 2 * count] if width % 2 else out
    _weigh_both_row(target, cells[:count], cells[1 : count + 1], cells[2 : count + 2])
    if width % 2:
        copy_row(out, wide[:width])


@strip_kernel
def double_strips(low, out, y0, y1):
    """Write rows y0 to y1 of a plane twice as fine."""
    cells, wide = np.empty(low.shape[1], np.float32), np.empty(2 * low.shape[1], np.float32)
    for y in range(y0, y1):
        doubled_row(low, y // 2 + 1, out[y], cells, wide, y, ZERO_INT)


@subroutine
def _halve_row(out, row):
    for x in range(out.shape[0]):
        out[x] = row[2 * x] + row[2 * x + 1]


@subroutine
def _sum_rows(plane, total, y, factor, x0, x1):
    """Add up the rows y to y + factor between two columns, in pairs so that equal rows add exactly."""
    if factor == 1:
        copy_row(total, plane[near_row(plane, y)][x0:x1])
    elif factor == 2:
        sum2_row(total, plane[near_row(plane, y)][x0:x1], plane[near_row(plane, y + 1)][x0:x1])
    else:
        first, second = plane[near_row(plane, y)][x0:x1], plane[near_row(plane, y + 1)][x0:x1]
        sum4_row(total, first, second, plane[near_row(plane, y + 2)][x0:x1], plane[near_row(plane, y + 3)][x0:x1])
    if factor == 8:
        _sum2_row_into(total, plane[near_row(plane, y + 4)][x0:x1], plane[near_row(plane, y + 5)][x0:x1])
        _sum2_row_into(total, plane[near_row(plane, y + 6)][x0:x1], plane[near_row(plane, y + 7)][x0:x1])


@subroutine
def _quarter_row(out, row):
    for x in range(out.shape[0]):
        out[x] = (row[4 * x] + row[4 * x + 1]) + (row[4 * x + 2] + row[4 * x + 3])


@subroutine
def sum_cells(total, spare, factor):
    """Add up each run of ``factor`` neighbours in a row, in pairs; but for factor 1, into the spare row."""
    count = total.shape[0] // factor
    if factor == 2:
        _halve_row(spare[:count], total)
    elif factor == 4:
        _quarter_row(spare[:count], total)
    elif factor == 8:
        _quarter_row(total[: 2 * count], total)
        _halve_row(spare[:count], total[: 2 * count])


@subroutine
def cells_row(plane, height, out, total, spare, factor, margin, row, x0, x1):
    """Fill a row of the reduced plane between two columns of the full one: means over cells.

    ``height`` rows of the plane count. With a margin, for which the columns must be all, there is one repeated cell on
    both sides. ``total`` and ``spare`` are scratch memory for a row of whole cells.
    """
    width = x1 - x0
    cells = out.shape[0] - 2 * margin
    total, spare = total[: cells * factor], spare[: cells * factor]
    y = (row - margin) * factor
    rows = factor
    if margin == 0 and y + factor > height:
        rows = height - y
        copy_row(total[:width], plane[y][x0:x1])
        for j in range(1, rows):
            add_row(total[:width], plane[y + j][x0:x1])
    else:
        _sum_rows(plane, total[:width], y, factor, x0, x1)
    first, last = total[0], total[width - 1]
    missing = cells * factor - width
    for x in range(width, cells * factor):
        total[x] = last if margin else ZERO
    sum_cells(total, spare, factor)
    sums = total[:cells] if factor == 1 else spare[:cells]
    scale_row(out[margin : margin + cells], sums, ONE / F(rows * factor))
    if margin:
        out[0] = first / F(factor)
        out[cells + 1] = last / F(factor)
    elif missing:
        out[cells - 1] = sums[cells - 1] / F(rows * (factor - missing))


@strip_kernel
def decimate_strips(plane, out, factor, margin, high, y0, y1):
    """Means over cells; with a ``high`` above 0, of values limited to 0 … high first, so that NaN counts as 0."""
    height, width = plane.shape
    cells = out.shape[1] - 2 * margin
    total = np.empty(cells * factor, np.float32)
    spare = np.empty(cells * factor, np.float32)
    rows = np.empty((factor, width), np.float32)
    for row in range(y0, y1):
        if high > ZERO:
            count = min(factor, height - row * factor)
            for j in range(count):
                limit_row(rows[j], plane[row * factor + j], ZERO, high)
            cells_row(rows, count, out[row], total, spare, factor, margin, ZERO_INT, ZERO_INT, width)
        else:
            cells_row(plane, height, out[row], total, spare, factor, margin, row, ZERO_INT, width)


def decimated(plane: Floats, factor: int, margin: int = 0, high: np.float32 = ZERO) -> Floats:
    """Return the means over cells, of values limited to 0 … high where that is above 0; then without a margin."""
    height, width = (-(-size // factor) + 2 * margin for size in plane.shape)
    low = np.empty((height, width), np.float32)
    strip = strip_rows(factor * plane.shape[1], max(8, STRIP // factor))
    over_rows(decimate_strips, height, plane, low, factor, margin, high, strip=strip)
    return low


_E1, _E3, _E5, _E7 = F(1 / 8), F(3 / 8), F(5 / 8), F(7 / 8)
_S1, _S3, _S5, _S7 = F(1 / 16), F(3 / 16), F(5 / 16), F(7 / 16)
_S9, _S11, _S13, _S15 = F(9 / 16), F(11 / 16), F(13 / 16), F(15 / 16)
_Q1, _Q3 = F(0.25), F(0.75)


@subroutine
def _spread2_row(out, a, b, c):
    for x in range(a.shape[0]):
        left = b[x] - a[x]
        right = c[x] - b[x]
        out[2 * x] = a[x] + _Q3 * left
        out[2 * x + 1] = b[x] + _Q1 * right


@subroutine
def _spread4_row(out, a, b, c):
    for x in range(a.shape[0]):
        left = b[x] - a[x]
        right = c[x] - b[x]
        out[4 * x] = a[x] + _E5 * left
        out[4 * x + 1] = a[x] + _E7 * left
        out[4 * x + 2] = b[x] + _E1 * right
        out[4 * x + 3] = b[x] + _E3 * right


@subroutine
def _spread8_row(out, a, b, c):
    for x in range(a.shape[0]):
        left = b[x] - a[x]
        right = c[x] - b[x]
        out[8 * x] = a[x] + _S9 * left
        out[8 * x + 1] = a[x] + _S11 * left
        out[8 * x + 2] = a[x] + _S13 * left
        out[8 * x + 3] = a[x] + _S15 * left
        out[8 * x + 4] = b[x] + _S1 * right
        out[8 * x + 5] = b[x] + _S3 * right
        out[8 * x + 6] = b[x] + _S5 * right
        out[8 * x + 7] = b[x] + _S7 * right


@inline
def spread_row(out, cells, wide, factor):
    """Interpolate a row across, from its cells and one more at each end; ``wide`` is scratch memory for whole cells."""
    width, count = out.shape[0], cells.shape[0] - 2
    a, b, c = cells[:count], cells[1 : count + 1], cells[2:]
    target = out if width == count * factor else wide[: count * factor]
    if factor == 1:
        copy_row(target, b)
    elif factor == 2:
        _spread2_row(target, a, b, c)
    elif factor == 4:
        _spread4_row(target, a, b, c)
    else:
        _spread8_row(target, a, b, c)
    if width != count * factor:
        copy_row(out, wide[:width])


@inline
def enlarged_row(low, out, cells, wide, factor, margin, y, x0):
    """Fill row y of the full grid from column x0 on, a multiple of ``factor``.

    ``cells`` and ``wide`` are scratch memory for a reduced and an enlarged row: two cells more than are covered, and
    whole cells.
    """
    width = out.shape[0]
    count = (width + factor - 1) // factor
    place = (F(y) + F(0.5)) / F(factor) - F(0.5)
    above = math.floor(place)
    t = place - F(above)
    start = x0 // factor - 1 + margin
    first, last = max(start, 0), min(start + count + 2, low.shape[1])
    upper, lower = low[near_row(low, above + margin)][first:last], low[near_row(low, above + margin + 1)][first:last]
    lerp_row(cells[first - start : last - start], upper, lower, t)
    if start < 0:
        cells[0] = cells[1]
    if last < start + count + 2:
        cells[count + 1] = cells[count]
    spread_row(out, cells[: count + 2], wide, factor)


@strip_kernel
def enlarge_strips(low, out, factor, margin, y0, y1):
    """Write rows y0 to y1 of a plane enlarged by a factor."""
    count = low.shape[1] - 2 * margin
    cells = np.empty(count + 2, np.float32)
    wide = np.empty(count * factor, np.float32)
    for y in range(y0, y1):
        enlarged_row(low, out[y], cells, wide, factor, margin, y, ZERO_INT)


@inline
def rows_round(low, factor, y):
    """Return the rows of a reduced plane above and below row y of the full grid, and how near that is to the second."""
    place = (F(y) + F(0.5)) / F(factor) - F(0.5)
    above = math.floor(place)
    return near_row(low, above), near_row(low, above + 1), place - F(above)


def factor_for(radius: float) -> int:
    """Return the factor of the reduced grid on which a mean over this radius is taken: 1, 2, 4 or 8.

    >>> [factor_for(radius) for radius in (2, 4, 8, 96)]
    [1, 2, 4, 8]
    """
    return 1 if radius < 4 else 2 if radius < 8 else 4 if radius < 96 else 8
