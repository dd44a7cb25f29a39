"""Filters of planes: means over cells and boxes, growing, blurs, coarser grids and back.

A plane is a row of numbers, ``width`` in each of its rows; several behind each other are worked together, the plane in
``blockIdx.z``. Sums are added in one order, and filters that keep 0 and 1 on the processor keep them here.
"""

from __future__ import annotations

# mypy: disable-error-code="attr-defined, no-untyped-call, no-untyped-def, untyped-decorator"
from numba import cuda

from ..colour import ONE, ZERO, F, clamp
from ..resample import BESIDE, FAR, MIDDLE
from ..rows import end_of
from .launch import further, kernel, piece

_THREE, _SIXTY_FOURTH = F(3), F(1 / 64)


@piece
def near(i, size):
    """i, or beyond the ends the nearest place."""
    return min(max(i, 0), size - 1)


@piece
def cell_before(x, bits):
    """The cell of a grid 2^bits times coarser whose middle lies at x or before."""
    return ((2 * x + 1 + (1 << bits)) >> (bits + 1)) - 1


@piece
def way_between(x, bits):
    """How far x lies from the middle of that cell to the next one's, 0 to 1."""
    return F((2 * x + 1 + (1 << bits)) & ((2 << bits) - 1)) / F(2 << bits)


@piece
def enlarged(low, base, width, height, x, y, bits):
    """The value at x, y between the cells of a plane, 2^bits times coarser, that begins at ``base``."""
    above, left = cell_before(y, bits), cell_before(x, bits)
    t, s = way_between(y, bits), way_between(x, bits)
    top, bottom = base + near(above, height) * width, base + near(above + 1, height) * width
    first, second = near(left, width), near(left + 1, width)
    a = low[top + first] + t * (low[bottom + first] - low[top + first])
    b = low[top + second] + t * (low[bottom + second] - low[top + second])
    return a + s * (b - a)


@kernel
def cells(plane, low, to, width, height, low_width, low_height, factor, high):
    """Means over cells, into plane ``to``; of values limited to 0 … high, NaN to 0, where that is above 0."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    base = to * low_width * low_height
    y = y0
    while y < low_height:
        x = x0
        while x < low_width:
            right, bottom = min((x + 1) * factor, width), min((y + 1) * factor, height)
            total = ZERO
            for j in range(y * factor, bottom):
                for i in range(x * factor, right):
                    v = plane[j * width + i]
                    total += clamp(v, ZERO, high) if high > ZERO else v
            low[base + y * low_width + x] = total * (ONE / F((right - x * factor) * (bottom - y * factor)))
            x = further(x, low_width, dx)
        y = further(y, low_height, dy)


@kernel
def cells_with_margin(plane, low, width, height, low_width, low_height, factor):
    """Means over cells with one more all round; beyond the frame the nearest pixel counts."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    y = y0
    while y < low_height:
        x = x0
        while x < low_width:
            total = ZERO
            for j in range((y - 1) * factor, y * factor):
                for i in range((x - 1) * factor, x * factor):
                    total += plane[near(j, height) * width + near(i, width)]
            low[y * low_width + x] = total * (ONE / F(factor * factor))
            x = further(x, low_width, dx)
        y = further(y, low_height, dy)


@kernel
def enlarge(low, out, width, height, low_width, low_height, bits):
    """A plane from one of :func:`cells_with_margin`."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    y = y0
    while y < height:
        x = x0
        while x < width:
            out[y * width + x] = enlarged(low, 0, low_width, low_height, x + (1 << bits), y + (1 << bits), bits)
            x = further(x, width, dx)
        y = further(y, height, dy)


@kernel
def halve(plane, low, width, height, low_width, low_height):
    """A plane halved by weights 1, 3, 3, 1 both ways, with one repeated cell all round."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    y = y0
    while y < low_height:
        x = x0
        while x < low_width:
            total = ZERO
            for j in range(4):
                row = near(2 * y - 3 + j, height) * width
                a, b = plane[row + near(2 * x - 3, width)], plane[row + near(2 * x - 2, width)]
                c, d = plane[row + near(2 * x - 1, width)], plane[row + near(2 * x, width)]
                across = (a + d) + _THREE * (b + c)
                total += across * (_THREE if j == 1 or j == 2 else ONE)
            low[y * low_width + x] = total * _SIXTY_FOURTH
            x = further(x, low_width, dx)
        y = further(y, low_height, dy)


@piece
def doubled(low, base, low_width, x, y):
    """The value at x, y of a plane from its halved one: weights 5, 10, 1 and 1, 10, 5 both ways."""
    row, column = (y >> 1) + 1, (x >> 1) + 1
    above, here, below = base + (row - 1) * low_width, base + row * low_width, base + (row + 1) * low_width
    if y & 1:
        above, below = below, above
    left, right = column - 1, column + 1
    if x & 1:
        left, right = right, left
    a = MIDDLE * low[here + left] + (BESIDE * low[above + left] + FAR * low[below + left])
    b = MIDDLE * low[here + column] + (BESIDE * low[above + column] + FAR * low[below + column])
    c = MIDDLE * low[here + right] + (BESIDE * low[above + right] + FAR * low[below + right])
    return MIDDLE * b + (BESIDE * a + FAR * c)


@kernel
def double(low, out, width, height, low_width):
    """A plane from its halved one."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    y = y0
    while y < height:
        x = x0
        while x < width:
            out[y * width + x] = doubled(low, 0, low_width, x, y)
            x = further(x, width, dx)
        y = further(y, height, dy)


@kernel
def taps_down(planes, first, out, width, height, taps, reach):
    """Planes from the ``first`` on after a filter down their columns; taps from the outermost pair to the middle."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    base, to = (first + cuda.blockIdx.z) * width * height, cuda.blockIdx.z * width * height
    y = y0
    while y < height:
        x = x0
        while x < width:
            total = taps[reach] * planes[base + y * width + x]
            for i in range(reach):
                above, below = near(y - reach + i, height) * width, near(y + reach - i, height) * width
                total += taps[i] * (planes[base + above + x] + planes[base + below + x])
            out[to + y * width + x] = total
            x = further(x, width, dx)
        y = further(y, height, dy)


@kernel
def taps_across(planes, out, first, width, height, taps, reach):
    """Planes after a filter along their rows, into those of ``out`` from the ``first`` on."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    base, to = cuda.blockIdx.z * width * height, (first + cuda.blockIdx.z) * width * height
    y = y0
    while y < height:
        x = x0
        while x < width:
            row = base + y * width
            total = taps[reach] * planes[row + x]
            for i in range(reach):
                left, right = planes[row + near(x - reach + i, width)], planes[row + near(x + reach - i, width)]
                total += taps[i] * (left + right)
            out[to + y * width + x] = total
            x = further(x, width, dx)
        y = further(y, height, dy)


@kernel
def sums_down(planes, out, width, height, whole, part):
    """Sums over 2 · whole + 1 rows, and ``part`` of one more at each end."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    base = cuda.blockIdx.z * width * height
    y = y0
    while y < height:
        x = x0
        while x < width:
            total = ZERO
            for j in range(y - whole, y + whole + 1):
                total += planes[base + near(j, height) * width + x]
            above, below = near(y - whole - 1, height) * width, near(y + whole + 1, height) * width
            total += part * (planes[base + above + x] + planes[base + below + x])
            out[base + y * width + x] = total
            x = further(x, width, dx)
        y = further(y, height, dy)


@piece
def summed(planes, row, width, x, whole, part):
    """The sum over 2 · whole + 1 numbers of a row that begins at ``row``, and ``part`` of one more at each end."""
    total = ZERO
    for i in range(x - whole, x + whole + 1):
        total += planes[row + near(i, width)]
    return total + part * (planes[row + near(x - whole - 1, width)] + planes[row + near(x + whole + 1, width)])


@kernel
def means_across(sums, out, width, height, whole, part, area):
    """Means over boxes from sums over columns."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    base = cuda.blockIdx.z * width * height
    y = y0
    while y < height:
        x = x0
        while x < width:
            out[base + y * width + x] = summed(sums, base + y * width, width, x, whole, part) / area
            x = further(x, width, dx)
        y = further(y, height, dy)


@kernel
def ends_down(plane, out, width, height, radius, largest):
    """The largest value, or the smallest, of 2 · radius + 1 rows."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    y = y0
    while y < height:
        x = x0
        while x < width:
            end = plane[near(y - radius, height) * width + x]
            for j in range(y - radius + 1, y + radius + 1):
                v = plane[near(j, height) * width + x]
                end = end_of(end, v, True) if largest else end_of(end, v, False)
            out[y * width + x] = end
            x = further(x, width, dx)
        y = further(y, height, dy)


@kernel
def ends_across(plane, out, width, height, radius, largest):
    """The same along rows."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    y = y0
    while y < height:
        x = x0
        while x < width:
            row = y * width
            end = plane[row + near(x - radius, width)]
            for i in range(x - radius + 1, x + radius + 1):
                v = plane[row + near(i, width)]
                end = end_of(end, v, True) if largest else end_of(end, v, False)
            out[row + x] = end
            x = further(x, width, dx)
        y = further(y, height, dy)


@kernel
def mix(first, second, out, count, t):
    """The first plane, ``t`` of the way to the second."""
    i = cuda.grid(1)
    while i < count:
        out[i] = first[i] + t * (second[i] - first[i])
        i = further(i, count, cuda.gridsize(1))
