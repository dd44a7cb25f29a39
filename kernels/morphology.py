"""Growing and shrinking: maxima and minima over discs of any radius, fractions too."""

from __future__ import annotations

import numpy as np

from .arrays import Floats, as_plane, output
from .colour import ZERO, F
from .devices import on_devices
from .jit import inline, strip_kernel
from .rows import BLOCK, copy_row, end_of, mix_row, near_row, pad_row, within
from .strips import LEAST, STRIP, over_rows


@inline
def _end2_row(out, a, b, largest):
    for x in range(out.shape[0]):
        out[x] = end_of(a[x], b[x], largest)


@inline
def _end3_row(out, a, b, c, largest):
    for x in range(out.shape[0]):
        out[x] = end_of(end_of(a[x], b[x], largest), c[x], largest)


@inline
def _end4_row(out, a, b, c, d, largest):
    for x in range(out.shape[0]):
        out[x] = end_of(end_of(a[x], b[x], largest), end_of(c[x], d[x], largest), largest)


@inline
def _ends_down(plane, out, ends, radius, largest, x0, y0, y1):
    """Extremes over 2·radius + 1 rows for one block of columns: windows of 4, 16, 64 … rows, then four of those."""
    x1 = x0 + ends.shape[1]
    count = y1 - y0
    top = y0 - radius
    taps = 2 * radius + 1
    if taps == 3:
        for y in range(y0, y1):
            above, below = plane[near_row(plane, y - 1)], plane[near_row(plane, y + 1)]
            _end3_row(out[y, x0:x1], above[x0:x1], plane[y, x0:x1], below[x0:x1], largest)
        return
    length = count + taps - 4
    for j in range(length):
        a, b = plane[near_row(plane, top + j)], plane[near_row(plane, top + j + 1)]
        c, d = plane[near_row(plane, top + j + 2)], plane[near_row(plane, top + j + 3)]
        _end4_row(ends[j], a[x0:x1], b[x0:x1], c[x0:x1], d[x0:x1], largest)
    step = 4
    spare = ends[count + taps - 2]  # found in place, the extremes would not become vector code
    while 4 * step <= taps:
        length -= 3 * step
        for j in range(length):
            _end4_row(spare, ends[j], ends[j + step], ends[j + 2 * step], ends[j + 3 * step], largest)
            copy_row(ends[j], spare)
        step *= 4
    last = taps - step
    for j in range(count):
        if taps <= 2 * step:
            _end2_row(out[y0 + j, x0:x1], ends[j], ends[j + last], largest)
        else:
            c = ends[j + min(2 * step, last)]
            _end4_row(out[y0 + j, x0:x1], ends[j], ends[j + step], c, ends[j + last], largest)


@inline
def _ends_across(row, ends, spare, radius, largest):
    """Extremes along one row in place, by the same windows."""
    width = row.shape[0]
    pad_row(ends, row, radius)
    taps = 2 * radius + 1
    if taps == 3:
        _end3_row(row, ends[:width], ends[1 : 1 + width], ends[2 : 2 + width], largest)
        return
    step = 1
    n = width + 2 * radius
    while 4 * step <= taps:
        n -= 3 * step
        a, b = ends[:n], ends[step : step + n]
        c, d = ends[2 * step : 2 * step + n], ends[3 * step : 3 * step + n]
        _end4_row(spare[:n], a, b, c, d, largest)
        ends, spare = spare, ends
        step *= 4
    last = taps - step
    if taps <= 2 * step:
        _end2_row(row, ends[:width], ends[last : last + width], largest)
    else:
        second, third = ends[step : step + width], ends[min(2 * step, last) : min(2 * step, last) + width]
        _end4_row(row, ends[:width], second, third, ends[last : last + width], largest)


@inline
def _ends_strip(plane, out, down, across, radius, largest, y0, y1):
    """Extremes of a strip, in blocks of columns; the last block goes back as far as it must to be whole."""
    width = plane.shape[1]
    for x0 in range(0, width, BLOCK):
        _ends_down(plane, out, down, radius, largest, min(x0, width - down.shape[1]), y0, y1)
    for y in range(y0, y1):
        _ends_across(out[y], across[0], across[1], radius, largest)


@strip_kernel
def _grow_strips(plane, out, radius, y0, y1):
    down = np.empty((y1 - y0 + 2 * radius, min(BLOCK, plane.shape[1])), np.float32)
    across = np.empty((2, plane.shape[1] + 2 * radius), np.float32)
    _ends_strip(plane, out, down, across, radius, True, y0, y1)


@strip_kernel
def _shrink_strips(plane, out, radius, y0, y1):
    down = np.empty((y1 - y0 + 2 * radius, min(BLOCK, plane.shape[1])), np.float32)
    across = np.empty((2, plane.shape[1] + 2 * radius), np.float32)
    _ends_strip(plane, out, down, across, radius, False, y0, y1)


@strip_kernel
def _mix_strips(out, other, t, y0, y1):
    for y in range(y0, y1):
        mix_row(out[y], other[y], t)


def _whole_ends(kernel, plane: Floats, radius: int, out: Floats | None) -> Floats:
    out = output(out, plane.shape, plane)
    radius = min(radius, max(plane.shape))
    if radius == 0:
        np.copyto(out, plane)
    else:
        over_rows(kernel, plane.shape[0], plane, out, radius, strip=max(STRIP, 2 * radius), least=max(LEAST, radius))
    return out


def _ends(kernel, plane: Floats, radius: float, out: Floats | None) -> Floats:
    radius = within("radius", radius)
    whole = int(radius)
    plane = as_plane(plane, "plane")
    out = _whole_ends(kernel, plane, whole, out)
    part = F(radius - whole)
    if part > ZERO:
        further = _whole_ends(kernel, out, 1, None)
        over_rows(_mix_strips, plane.shape[0], out, further, part)
    return out


@on_devices
def grow(plane: Floats, radius: float, out: Floats | None = None) -> Floats:
    """Return the largest value within a square of side 2 · radius + 1: a matte's edges move outwards.

    out(p) = max of the plane over the square round p.

    :param plane: float32 (H, W), any values. NaN stays within the radius; there it may win or lose a comparison.
    :param radius: pixels, 0 to 4096; between whole radii the results of the two are mixed.
    :returns: float32 (H, W). :raises ValueRangeError: radius. :raises PictureError: wrong array.

    A whole radius equals ``scipy.ndimage.maximum_filter(size=2 * radius + 1, mode="nearest")`` exactly.

    >>> grow(np.array([[0, 0, 1, 0, 0, 0]], np.float32), 1)
    array([[0., 1., 1., 1., 0., 0.]], dtype=float32)
    """
    return _ends(_grow_strips, plane, radius, out)


@on_devices
def shrink(plane: Floats, radius: float, out: Floats | None = None) -> Floats:
    """Return the smallest value within a square, with the parameters of :func:`grow`: edges move inwards.

    out(p) = min of the plane over the square round p.

    A whole radius equals ``scipy.ndimage.minimum_filter(size=2 * radius + 1, mode="nearest")`` exactly.

    >>> shrink(np.array([[0, 1, 1, 1, 0, 0]], np.float32), 1)
    array([[0., 0., 1., 0., 0., 0.]], dtype=float32)
    """
    return _ends(_shrink_strips, plane, radius, out)
