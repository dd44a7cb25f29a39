"""Filters of planes: means over cells and boxes, growing, blurs, coarser grids and back.

A plane is a row of numbers, ``width`` in each of its rows; several behind each other are worked together, the plane in
``blockIdx.z``. Sums are added in one order, and filters that keep 0 and 1 on the processor keep them here. Beyond the
frame the nearest place counts; what lies so far inside that all its neighbours do is spared looking.
"""

from __future__ import annotations

# mypy: disable-error-code="attr-defined, no-untyped-call, no-untyped-def, untyped-decorator"
import numpy as np
from numba import cuda, float32

from ..colour import HALF, ONE, ZERO, F, clamp
from ..resample import BESIDE, FAR, MIDDLE
from ..rows import end_of
from .launch import (
    THREADS,
    further,
    kernel,
    piece,
    region_kernel,
    spot,
    this_place,
    this_row,
    this_thread,
    whole,
)

_THREE, _SIXTY_FOURTH = F(3), F(1 / 64)


@piece
def near(i, size):
    """i, or beyond the ends the nearest place."""
    i, last = whole(i), whole(size - 1)
    i = i if i > 0 else whole(0)
    return i if i < last else last


@piece
def row_of(place, span):
    """The row of a place where rows of ``span`` are counted through; no more than some thousand places."""
    return whole((F(place) + HALF) / F(span))


# --- coarser grids and back ---------------------------------------------------------------------------------


@piece
def between(x, inverse):
    """The cell of a coarser grid whose middle lies at x or before, and how far x lies on the way to the next one's.

    ``inverse`` is 1 / the factor of the grid, so that all of it is exact.
    """
    place = (F(x) + HALF) * inverse - HALF
    cell = whole(place + ONE) - 1
    return whole(cell), place - F(cell)


@piece
def enlarged(low, base, width, height, first, second, s, y, inverse):
    """The value in row y between two columns of a coarser plane that begins at ``base``, ``s`` on the way."""
    above, t = between(y, inverse)
    top, bottom = whole(base + near(above, height) * width), whole(base + near(above + 1, height) * width)
    a = low[spot(top + first)] + t * (low[spot(bottom + first)] - low[spot(top + first)])
    b = low[spot(top + second)] + t * (low[spot(bottom + second)] - low[spot(top + second)])
    return a + s * (b - a)


@piece
def _four(plane, at, high):
    """The sum of four numbers of a row, limited to 0 … high where that is above 0; NaN counts as 0 then."""
    a, b, c, d = plane[spot(at)], plane[spot(at + 1)], plane[spot(at + 2)], plane[spot(at + 3)]
    if high > ZERO:
        a, b, c, d = clamp(a, ZERO, high), clamp(b, ZERO, high), clamp(c, ZERO, high), clamp(d, ZERO, high)
    return (a + b) + (c + d)


@kernel
def cells(plane, low, to, width, height, low_width, low_height, factor, high):
    """Means over cells, into plane ``to``; of values limited to 0 … high, NaN to 0, where that is above 0."""
    y = this_row()
    while y < low_height:
        x = this_place()
        while x < low_width:
            left, top = whole(x * factor), whole(y * factor)
            right, bottom = whole(min(left + factor, width)), whole(min(top + factor, height))
            total = ZERO
            for j in range(top, bottom):
                at, end = whole(j * width + left), whole(j * width + right)
                while at + 4 <= end:
                    total += _four(plane, at, high)
                    at = whole(at + 4)
                while at < end:
                    total += clamp(plane[spot(at)], ZERO, high) if high > ZERO else plane[spot(at)]
                    at = whole(at + 1)
            share = ONE / F(whole((right - left) * (bottom - top)))
            low[spot((to * low_height + y) * low_width + x)] = total * share
            x = further(x, low_width, 0)
        y = further(y, low_height, 1)


@kernel
def cells_with_margin(plane, low, width, height, low_width, low_height, factor):
    """Means over cells with one more all round."""
    y = this_row()
    while y < low_height:
        x = this_place()
        while x < low_width:
            total = ZERO
            for j in range(factor):
                row = whole(near((y - 1) * factor + j, height) * width)
                for i in range(factor):
                    total += plane[spot(row + near((x - 1) * factor + i, width))]
            low[spot(y * low_width + x)] = total * (ONE / F(whole(factor * factor)))
            x = further(x, low_width, 0)
        y = further(y, low_height, 1)


@kernel
def enlarge(low, out, width, height, low_width, low_height, factor, inverse):
    """A plane from one of :func:`cells_with_margin`."""
    y = this_row()
    while y < height:
        x = this_place()
        while x < width:
            left, s = between(whole(x + factor), inverse)
            first, second = near(left, low_width), near(left + 1, low_width)
            v = enlarged(low, 0, low_width, low_height, first, second, s, whole(y + factor), inverse)
            out[spot(y * width + x)] = v
            x = further(x, width, 0)
        y = further(y, height, 1)


@kernel
def halve(plane, low, width, height, low_width, low_height):
    """A plane halved by weights 1, 3, 3, 1 both ways, with one repeated cell all round."""
    y = this_row()
    while y < low_height:
        x = this_place()
        while x < low_width:
            left, top = whole(2 * x - 3), whole(2 * y - 3)
            total = ZERO
            if left >= 0 and top >= 0 and left + 4 <= width and top + 4 <= height:
                at = whole(top * width + left)
                first, second = _halved_row(plane, at), _halved_row(plane, at + width)
                third, fourth = _halved_row(plane, at + 2 * width), _halved_row(plane, at + 3 * width)
                total = (first + fourth) + _THREE * (second + third)
            else:
                for j in range(4):
                    row = whole(near(top + j, height) * width)
                    a, b = plane[spot(row + near(left, width))], plane[spot(row + near(left + 1, width))]
                    c, d = plane[spot(row + near(left + 2, width))], plane[spot(row + near(left + 3, width))]
                    across = (a + d) + _THREE * (b + c)
                    total += _THREE * across if j == 1 or j == 2 else across
            low[spot(y * low_width + x)] = total * _SIXTY_FOURTH
            x = further(x, low_width, 0)
        y = further(y, low_height, 1)


@piece
def _halved_row(plane, at):
    at = whole(at)
    return (plane[spot(at)] + plane[spot(at + 3)]) + _THREE * (plane[spot(at + 1)] + plane[spot(at + 2)])


@piece
def weighed3(low, at, width):
    """Three numbers below each other, the middle one at ``at``: those of an even row, and those of an odd one."""
    at = whole(at)
    above, here, below = low[spot(at - width)], low[spot(at)], low[spot(at + width)]
    return MIDDLE * here + (BESIDE * above + FAR * below), MIDDLE * here + (BESIDE * below + FAR * above)


@piece
def doubled(low, base, low_width, x, y):
    """The value at x, y of a plane from its halved one: weights 5, 10, 1 and 1, 10, 5 both ways."""
    at = whole(base + ((y >> 1) + 1) * low_width + (x >> 1) + 1)
    a, a_odd = weighed3(low, at - 1, low_width)
    b, b_odd = weighed3(low, at, low_width)
    c, c_odd = weighed3(low, at + 1, low_width)
    if y & 1:
        a, b, c = a_odd, b_odd, c_odd
    return MIDDLE * b + (BESIDE * c + FAR * a) if x & 1 else MIDDLE * b + (BESIDE * a + FAR * c)


@piece
def doubled4(low, low_width, x, y):
    """The values of the four pixels of a cell: two of the even row, two of the odd one."""
    at = whole((y + 1) * low_width + x + 1)
    a, a_odd = weighed3(low, at - 1, low_width)
    b, b_odd = weighed3(low, at, low_width)
    c, c_odd = weighed3(low, at + 1, low_width)
    return (
        MIDDLE * b + (BESIDE * a + FAR * c),
        MIDDLE * b + (BESIDE * c + FAR * a),
        MIDDLE * b_odd + (BESIDE * a_odd + FAR * c_odd),
        MIDDLE * b_odd + (BESIDE * c_odd + FAR * a_odd),
    )


@kernel
def double(low, out, width, height, low_width):
    """A plane from its halved one."""
    y = this_row()
    while y < height:
        x = this_place()
        while x < width:
            out[spot(y * width + x)] = doubled(low, 0, low_width, x, y)
            x = further(x, width, 0)
        y = further(y, height, 1)


# --- blurs --------------------------------------------------------------------------------------------------


@kernel
def taps_down(planes, first, out, width, height, taps, reach):
    """Planes from the ``first`` on after a filter down their columns; taps from the outermost pair to the middle."""
    base, to = whole((first + cuda.blockIdx.z) * width * height), whole(cuda.blockIdx.z * width * height)
    y = this_row()
    while y < height:
        x = this_place()
        while x < width:
            at = whole(base + y * width + x)
            total = taps[spot(reach)] * planes[spot(at)]
            if y >= reach and y + reach < height:
                above, below = whole(at - reach * width), whole(at + reach * width)
                for i in range(reach):
                    total += taps[spot(i)] * (planes[spot(above)] + planes[spot(below)])
                    above, below = whole(above + width), whole(below - width)
            else:
                for i in range(reach):
                    above, below = near(y - reach + i, height), near(y + reach - i, height)
                    pair = planes[spot(base + above * width + x)] + planes[spot(base + below * width + x)]
                    total += taps[spot(i)] * pair
            out[spot(to + y * width + x)] = total
            x = further(x, width, 0)
        y = further(y, height, 1)


@kernel
def taps_across(planes, out, first, width, height, taps, reach):
    """Planes after a filter along their rows, into those of ``out`` from the ``first`` on."""
    base, to = whole(cuda.blockIdx.z * width * height), whole((first + cuda.blockIdx.z) * width * height)
    y = this_row()
    while y < height:
        x = this_place()
        while x < width:
            row = whole(base + y * width)
            at = whole(row + x)
            total = taps[spot(reach)] * planes[spot(at)]
            if x >= reach and x + reach < width:
                left, right = whole(at - reach), whole(at + reach)
                for i in range(reach):
                    total += taps[spot(i)] * (planes[spot(left + i)] + planes[spot(right - i)])
            else:
                for i in range(reach):
                    pair = (
                        planes[spot(row + near(x - reach + i, width))] + planes[spot(row + near(x + reach - i, width))]
                    )
                    total += taps[spot(i)] * pair
            out[spot(to + y * width + x)] = total
            x = further(x, width, 0)
        y = further(y, height, 1)


# --- boxes --------------------------------------------------------------------------------------------------


@kernel
def sums_down(planes, out, width, height, reach, part):
    """Sums over 2 · reach + 1 rows, and ``part`` of one more at each end."""
    base = whole(cuda.blockIdx.z * width * height)
    y = this_row()
    while y < height:
        x = this_place()
        while x < width:
            out[spot(base + y * width + x)] = _summed(planes, whole(base + x), height, width, y, reach, part)
            x = further(x, width, 0)
        y = further(y, height, 1)


@piece
def summed(planes, row, width, x, reach, part):
    """The sum over 2 · reach + 1 numbers of a row that begins at ``row``, and ``part`` of one more at each end."""
    return _summed(planes, row, width, 1, x, reach, part)


@piece
def _summed(planes, base, size, step, x, reach, part):
    """The same of numbers that lie ``step`` apart."""
    first, last = whole(x - reach), whole(x + reach)
    total = ZERO
    if first > 0 and last + 1 < size:
        at = whole(base + first * step)
        ends = planes[spot(at - step)]
        for _ in range(2 * reach + 1):
            total += planes[spot(at)]
            at = whole(at + step)
        return total + part * (ends + planes[spot(at)])
    for i in range(first, whole(last + 1)):
        total += planes[spot(base + near(i, size) * step)]
    before, after = whole(near(first - 1, size) * step), whole(near(last + 1, size) * step)
    return total + part * (planes[spot(base + before)] + planes[spot(base + after)])


@kernel
def means_across(sums, out, width, height, reach, part, area):
    """Means over boxes from sums over columns."""
    base = whole(cuda.blockIdx.z * width * height)
    y = this_row()
    while y < height:
        x = this_place()
        while x < width:
            row = whole(base + y * width)
            out[spot(row + x)] = summed(sums, row, width, x, reach, part) / area
            x = further(x, width, 0)
        y = further(y, height, 1)


# --- both ways in one go ------------------------------------------------------------------------------------

SHARED_REACH = 16
"""How far a filter may reach whose block shares what it found down the columns."""
ACROSS, DOWN = 32, 8
"""A block's region, of pixels where one thread works several below each other: so many columns and strips."""
TALL = 16
"""Rows of a block's region where it filters."""
SPAN = ACROSS + 2 * SHARED_REACH + 1
SHARED, WEIGHTS = TALL * SPAN, 2 * SHARED_REACH + 4
"""Numbers from row to row of what is shared (of odd count, so that no two rows wait for the same memory), all of them,
and the weights with those that end the sums of four."""


@piece
def share_weights(taps, reach, weights):
    """Lay down what taps, from the outermost to the middle, weigh: all of them, and three times nothing."""
    n = this_thread()
    while n < 2 * reach + 4:
        at = n if n <= reach else whole(2 * reach - n)
        weights[spot(n)] = taps[spot(at)] if n <= 2 * reach else ZERO
        n = whole(n + THREADS)


@piece
def _four_down(plane, column, width, height, y, reach, weights):
    """Four values below each other after a filter down their column: what several of them read is read once."""
    a, b, c, d = ZERO, ZERO, ZERO, ZERO
    first, second, third, fourth = ZERO, ZERO, ZERO, ZERO
    top = whole(y - reach)
    inside = top >= 0 and y + 3 + reach < height
    at = whole(column + top * width)
    for m in range(whole(2 * reach + 4)):
        place = at if inside else whole(column + near(top + m, height) * width)
        first, second, third, fourth = weights[spot(m)], first, second, third
        v = plane[spot(place)]
        a, b, c, d = a + first * v, b + second * v, c + third * v, d + fourth * v
        at = whole(at + width)
    return a, b, c, d


@piece
def four_across(shared, at, reach, weights):
    """Four values beside each other after a filter along their row, from shared numbers from ``at`` on."""
    a, b, c, d = ZERO, ZERO, ZERO, ZERO
    first, second, third, fourth = ZERO, ZERO, ZERO, ZERO
    for m in range(whole(2 * reach + 4)):
        first, second, third, fourth = weights[spot(m)], first, second, third
        v = shared[spot(at + m)]
        a, b, c, d = a + first * v, b + second * v, c + third * v, d + fourth * v
    return a, b, c, d


@region_kernel(ACROSS, TALL)
def blur(planes, first, out, to, width, height, taps, reach, area):
    """Planes from the ``first`` on after a filter both ways, into those from ``to`` on, over ``area``.

    ``taps``: from the outermost pair to the middle.
    """
    below = cuda.shared.array(SHARED, float32)
    weights = cuda.shared.array(WEIGHTS, float32)  # on a line of its own: the simulator tells arrays by their lines
    share_weights(taps, reach, weights)
    cuda.syncthreads()
    base = whole((first + cuda.blockIdx.z) * width * height)
    left, top = whole(cuda.blockIdx.x * ACROSS - reach), whole(cuda.blockIdx.y * TALL)
    span, k = whole(ACROSS + 2 * reach), this_thread()
    while k < span * (TALL >> 2):
        j = row_of(k, span)
        i, y = whole(k - j * span), whole(top + 4 * j)
        if y < height:
            column = whole(base + near(left + i, width))
            a, b, c, d = _four_down(planes, column, width, height, y, reach, weights)
            at = whole(4 * j * SPAN + i)
            below[spot(at)] = a
            below[spot(at + SPAN)] = b
            below[spot(at + 2 * SPAN)] = c
            below[spot(at + 3 * SPAN)] = d
        k = whole(k + THREADS)
    cuda.syncthreads()
    base = whole((to + cuda.blockIdx.z) * width * height)
    k = this_thread()
    while k < TALL * (ACROSS >> 2):
        j, i = whole(k >> 3), whole(4 * (k & 7))
        x, y = whole(left + reach + i), whole(top + j)
        if x < width and y < height:
            a, b, c, d = four_across(below, whole(j * SPAN + i), reach, weights)
            at = whole(base + y * width + x)
            out[spot(at)] = a / area
            if x + 1 < width:
                out[spot(at + 1)] = b / area
            if x + 2 < width:
                out[spot(at + 2)] = c / area
            if x + 3 < width:
                out[spot(at + 3)] = d / area
        k = whole(k + THREADS)


def in_order(taps):
    """Return taps, float32 from the outermost to the middle, that add up to exactly 1 one after another.

    What is 1 all round then stays 1.
    """
    taps = np.array(taps, np.float32)
    for _ in range(64):
        total = F(0)
        for weight in (*taps, *taps[-2::-1]):
            total = F(total + weight)
        if total == ONE:
            break
        taps[-1] = np.nextafter(taps[-1], F(2) if total < ONE else F(0), dtype=np.float32)
    return taps


# --- growing ------------------------------------------------------------------------------------------------


@kernel
def ends(plane, out, width, height, across, radius, largest):
    """The largest value, or the smallest, of 2 · radius + 1 in a row, or else in a column."""
    y = this_row()
    while y < height:
        x = this_place()
        while x < width:
            base, size, step, middle = whole(y * width), width, whole(1), x
            if not across:
                base, size, step, middle = x, height, width, y
            end = plane[spot(base + near(middle - radius, size) * step)]
            for i in range(whole(middle - radius + 1), whole(middle + radius + 1)):
                v = plane[spot(base + near(i, size) * step)]
                end = end_of(end, v, True) if largest else end_of(end, v, False)
            out[spot(y * width + x)] = end
            x = further(x, width, 0)
        y = further(y, height, 1)


@kernel
def mix(first, second, out, count, t):
    """The first plane, ``t`` of the way to the second."""
    i = this_place()
    while i < count:
        out[spot(i)] = first[i] + t * (second[i] - first[i])
        i = further(i, count, 0)
