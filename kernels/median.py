"""Medians over 3×3 and 5×5 pixels, by sorting networks."""

from __future__ import annotations

import numpy as np

from .arrays import Floats, as_plane, output
from .errors import ValueRangeError
from .jit import inline, strip_kernel, subroutine
from .rows import end_of, near_row
from .strips import over_rows


@inline
def _sort2(a, b):
    swap = a > b
    return (b if swap else a), (a if swap else b)


@inline
def _sort3(a, b, c):
    a, b = _sort2(a, b)
    b, c = _sort2(b, c)
    a, b = _sort2(a, b)
    return a, b, c


@inline
def _sort5(a, b, c, d, e):
    a, b = _sort2(a, b)
    d, e = _sort2(d, e)
    c, e = _sort2(c, e)
    c, d = _sort2(c, d)
    b, e = _sort2(b, e)
    a, d = _sort2(a, d)
    a, c = _sort2(a, c)
    b, d = _sort2(b, d)
    b, c = _sort2(b, c)
    return a, b, c, d, e


@inline
def _median3(a, b, c):
    return _sort3(a, b, c)[1]


@subroutine
def _median3_row(out, low, middle, high):
    """Of columns already sorted: the largest low, the median middle and the smallest high, and their median."""
    for x in range(out.shape[0]):
        a = end_of(end_of(low[x], low[x + 1], True), low[x + 2], True)
        b = _median3(middle[x], middle[x + 1], middle[x + 2])
        c = end_of(end_of(high[x], high[x + 1], False), high[x + 2], False)
        out[x] = _median3(a, b, c)


@inline
def _sort4(a, b, c, d):
    a, b = _sort2(a, b)
    c, d = _sort2(c, d)
    a, c = _sort2(a, c)
    b, d = _sort2(b, d)
    b, c = _sort2(b, c)
    return a, b, c, d


@inline
def _median13(before, diagonal, after):
    """Median of the entries on the rising diagonal of a sorted 5 × 5 square (5) and just before and after it (4 each).

    Sorted, before[i] ≤ diagonal[i + 1] and diagonal[i] ≤ after[i]. So before[0], before[1] and diagonal[0] have at
    least seven entries above them, and diagonal[4], after[2] and after[3] as many below: seven are left. Of those
    the smallest is one of three and the largest one of three others; without these two, five are left.
    """
    _, _, b2, b3 = _sort4(*before)
    _, d1, d2, d3, _ = _sort5(*diagonal)
    a0, a1, _, _ = _sort4(*after)
    _, low1, low2 = _sort3(b2, d1, a0)
    high1, high2, _ = _sort3(b3, d3, a1)
    return _sort5(low1, low2, d2, high1, high2)[2]


@subroutine
def _median5_row(out, r0, r1, r2, r3, r4):
    """Of columns already sorted: sort each rank across the columns; then the median is one of 13 entries.

    Once rows and columns are both sorted, entry (i, j) has (i + 1)(j + 1) entries not above it and
    (5 − i)(5 − j) not below it, itself among both; only where neither exceeds 13 can it be the median.
    """
    for x in range(out.shape[0]):
        _, _, _, a3, a4 = _sort5(r0[x], r0[x + 1], r0[x + 2], r0[x + 3], r0[x + 4])
        _, _, b2, b3, b4 = _sort5(r1[x], r1[x + 1], r1[x + 2], r1[x + 3], r1[x + 4])
        _, c1, c2, c3, _ = _sort5(r2[x], r2[x + 1], r2[x + 2], r2[x + 3], r2[x + 4])
        d0, d1, d2, _, _ = _sort5(r3[x], r3[x + 1], r3[x + 2], r3[x + 3], r3[x + 4])
        e0, e1, _, _, _ = _sort5(r4[x], r4[x + 1], r4[x + 2], r4[x + 3], r4[x + 4])
        out[x] = _median13((a3, b2, c1, d0), (a4, b3, c2, d1, e0), (b4, c3, d2, e1))


@subroutine
def _sorted3_rows(low, middle, high, a, b, c):
    for x in range(low.shape[0]):
        low[x], middle[x], high[x] = _sort3(a[x], b[x], c[x])


@subroutine
def _sorted5_rows(r0, r1, r2, r3, r4, a, b, c, d, e):
    for x in range(r0.shape[0]):
        r0[x], r1[x], r2[x], r3[x], r4[x] = _sort5(a[x], b[x], c[x], d[x], e[x])


@inline
def _repeat_ends(rows, margin):
    last = rows.shape[1] - margin - 1
    for rank in range(rows.shape[0]):
        for x in range(margin):
            rows[rank, x] = rows[rank, margin]
            rows[rank, last + 1 + x] = rows[rank, last]


@strip_kernel
def _median3_strips(plane, out, y0, y1):
    width = plane.shape[1]
    ranks = np.empty((3, width + 2), np.float32)
    low, middle, high = ranks[0][1 : 1 + width], ranks[1][1 : 1 + width], ranks[2][1 : 1 + width]
    for y in range(y0, y1):
        _sorted3_rows(low, middle, high, plane[near_row(plane, y - 1)], plane[y], plane[near_row(plane, y + 1)])
        _repeat_ends(ranks, 1)
        _median3_row(out[y], ranks[0], ranks[1], ranks[2])


@strip_kernel
def median5_strips(plane, out, size, y0, y1):
    """Write the median of 5 × 5 pixels: reads two rows further than it writes.

    :param size: rows and columns of what lies in the corner of both planes.
    """
    last, width = size[0] - 1, size[1]
    ranks = np.empty((5, width + 4), np.float32)
    r0, r1, r2 = ranks[0][2 : 2 + width], ranks[1][2 : 2 + width], ranks[2][2 : 2 + width]
    r3, r4 = ranks[3][2 : 2 + width], ranks[4][2 : 2 + width]
    for y in range(y0, min(y1, last + 1)):
        above, further_above = plane[max(y - 1, 0)], plane[max(y - 2, 0)]
        below, further_below = plane[min(y + 1, last)], plane[min(y + 2, last)]
        _sorted5_rows(r0, r1, r2, r3, r4, further_above, above, plane[y], below, further_below)
        _repeat_ends(ranks, 2)
        _median5_row(out[y, :width], ranks[0], ranks[1], ranks[2], ranks[3], ranks[4])


def median(plane: Floats, radius: int, out: Floats | None = None) -> Floats:
    """Return the median of a square of side 3 (radius 1) or 5 (radius 2): single false pixels go, edges stay.

    :param plane: float32 (H, W), any values. NaN stays within the radius.
    :returns: float32 (H, W). :raises ValueRangeError: another radius. :raises PictureError: wrong array.

    Equals ``scipy.ndimage.median_filter(size=2 * radius + 1, mode="nearest")`` exactly.

    >>> median(np.array([[0, 0, 0], [0, 1, 0], [0, 0, 0]], np.float32), 1).max()
    np.float32(0.0)
    """
    if radius not in (1, 2):
        raise ValueRangeError(f"The median's radius must be 1 or 2, not {radius}.")
    plane = as_plane(plane, "plane")
    out = output(out, plane.shape, plane)
    if radius == 1:
        over_rows(_median3_strips, len(plane), plane, out)
    else:
        over_rows(median5_strips, len(plane), plane, out, np.array(plane.shape))
    return out
