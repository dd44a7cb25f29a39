"""Means over boxes, by running sums."""

from __future__ import annotations

import numpy as np

from .arrays import Floats, as_plane, output, scratch
from .colour import ONE, ZERO, F
from .jit import strip_kernel, subroutine
from .rows import BOX_BLOCK, add_ends_row, add_row, copy_row, near_row, pad_row, sum2_row, within
from .strips import LEAST, STRIP, Stage, over_stages, strip_rows


@subroutine
def _box_down(plane, out, sums, whole, part, x0, y0, y1):
    """Sums over 2·whole + 1 rows (and ``part`` of one more at each end) for a block of columns; out[0] is row y0."""
    x1 = x0 + sums.shape[1]
    count = y1 - y0
    top = y0 - whole
    taps = 2 * whole + 1
    for j in range(count):
        copy_row(out[j, x0:x1], plane[near_row(plane, top + j)][x0:x1])
    done = 1
    step = 2
    length = count + taps
    while step <= taps:
        length -= step // 2
        for j in range(length):
            if step == 2:
                sum2_row(sums[j], plane[near_row(plane, top + j)][x0:x1], plane[near_row(plane, top + j + 1)][x0:x1])
            else:
                add_row(sums[j], sums[j + step // 2])
        if taps & step:
            for j in range(count):
                add_row(out[j, x0:x1], sums[done + j])
            done += step
        step *= 2
    if part > ZERO:
        for j in range(count):
            above, below = plane[near_row(plane, top + j - 1)], plane[near_row(plane, top + j + taps)]
            add_ends_row(out[j, x0:x1], above[x0:x1], below[x0:x1], part)


@subroutine
def _box_across(row, padded, sums, spare, whole, part, area):
    """Sums along one row in place, divided by the area of the window."""
    width = row.shape[0]
    margin = whole + 1
    pad_row(padded, row, margin)
    taps = 2 * whole + 1
    copy_row(row, padded[1 : 1 + width])
    done = 2
    step = 2
    length = width + 2 * margin
    while step <= taps:
        half = step // 2
        length -= half
        if step == 2:
            sum2_row(sums[:length], padded[:length], padded[half : half + length])
        else:
            sum2_row(spare[:length], sums[:length], sums[half : half + length])
            sums, spare = spare, sums
        if taps & step:
            add_row(row, sums[done : done + width])
            done += step
        step *= 2
    if part > ZERO:
        add_ends_row(row, padded[:width], padded[taps + 1 : taps + 1 + width], part)
    for x in range(width):
        row[x] = row[x] / area


@subroutine
def box_strip(plane, out, down, across, whole, part, area, y0, y1):
    """Means of a strip into ``out``, in blocks of columns; the last block goes back as far as it must to be whole."""
    width = plane.shape[1]
    for x0 in range(0, width, BOX_BLOCK):
        _box_down(plane, out, down, whole, part, min(x0, width - down.shape[1]), y0, y1)
    for j in range(y1 - y0):
        _box_across(out[j], across[0], across[1], across[2], whole, part, area)


@strip_kernel
def box_strips(plane, out, whole, part, area, y0, y1):
    """Write the box mean of rows y0 to y1."""
    down = np.empty((y1 - y0 + 2 * whole, min(BOX_BLOCK, plane.shape[1])), np.float32)
    across = np.empty((3, plane.shape[1] + 2 * whole + 2), np.float32)
    box_strip(plane, out[y0:y1], down, across, whole, part, area, y0, y1)


def box_numbers(radius: float) -> tuple[int, np.float32, np.float32]:
    """Return how many whole pixels a window reaches, how much of the next one counts, and the window's area."""
    sixteenths = round(within("radius", radius) * 16)
    return sixteenths // 16, F(sixteenths % 16 / 16), F((1 + sixteenths / 8) ** 2)


def box_mean(plane: Floats, radius: float, out: Floats | None = None) -> Floats:
    """Return the mean over a square window of side 2 · radius + 1.

    :param plane: float32 (H, W), any values; NaN stays within the radius, rounded up.
    :param radius: pixels, 0 to 4096, in steps of 1/16; between whole radii the outermost pixels count in part.
    :returns: float32 (H, W). :raises ValueRangeError: radius. :raises PictureError: wrong array.

    A whole radius equals ``scipy.ndimage.uniform_filter(size=2 * radius + 1, mode="nearest")`` within 1e-6 of
    the largest value.
    """
    whole, part, area = box_numbers(radius)
    plane = as_plane(plane, "plane")
    out = output(out, plane.shape, plane)
    if area == ONE:
        np.copyto(out, plane)
        return out
    over_stages([_stage(plane, out, (whole, part, area))])
    return out


def _stage(plane: Floats, out: Floats, window: tuple[int, np.float32, np.float32]) -> Stage:
    whole = window[0]
    strip = strip_rows(plane.shape[1], max(STRIP, 4 * whole))
    return Stage(box_strips, (plane, out, *window), len(out), strip, lambda y1: y1 + whole + 1, max(LEAST, 2 * whole))


def box_stages(plane: Floats, radius: float) -> tuple[list[Stage], Floats]:
    """Return what finds :func:`box_mean` of a plane that the stage before writes, and where."""
    window = box_numbers(radius)
    if window[2] == ONE:
        return [], plane
    out = scratch(plane.shape)
    return [_stage(plane, out, window)], out
