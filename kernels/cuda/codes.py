"""Planes of integer codes to pictures, and pictures or changes to planes."""

from __future__ import annotations

# mypy: disable-error-code="attr-defined, no-untyped-call, no-untyped-def, untyped-decorator"
import numpy as np
from numba import cuda

from ..codes import code_px, noise_px, tidy_px
from ..colour import ZERO, F
from .filters import near
from .launch import further, kernel, piece


@piece
def _chroma(plane, width, height, x, first, y, weights, at, down):
    """One column of chroma at the height of a row: four taps down, or the row itself where all rows have chroma."""
    if down == 1:
        return F(plane[y * width + x])
    a, b = plane[near(first, height) * width + x], plane[near(first + 1, height) * width + x]
    c, d = plane[near(first + 2, height) * width + x], plane[near(first + 3, height) * width + x]
    return weights[at] * F(a) + weights[at + 1] * F(b) + weights[at + 2] * F(c) + weights[at + 3] * F(d)


@piece
def _spread(plane, width, height, x, y, across, down, starts, weights):
    """Chroma at a luma pixel. ``starts`` and ``weights``: for each place across a group, then for each down it.

    1, 2 or 4 pixels share a sample each way: half of that is the shift from a pixel to its group.
    """
    of_column, of_row = x & (across - 1), across + (y & (down - 1))
    group, row = x >> (across >> 1), y >> (down >> 1)
    first, at = row + starts[of_row], 4 * of_row
    if across == 1:
        return _chroma(plane, width, height, x, first, row, weights, at, down)
    left, way = group + starts[of_column], 4 * of_column
    a = _chroma(plane, width, height, near(left, width), first, row, weights, at, down)
    b = _chroma(plane, width, height, near(left + 1, width), first, row, weights, at, down)
    c = _chroma(plane, width, height, near(left + 2, width), first, row, weights, at, down)
    d = _chroma(plane, width, height, near(left + 3, width), first, row, weights, at, down)
    return weights[way] * a + weights[way + 1] * b + weights[way + 2] * c + weights[way + 3] * d


@piece
def _decoded(luma, cb, cr, x, y, width, chroma_width, chroma_height, across, down, starts, weights, p, m):
    """The picture at x, y; ``p`` holds the code of black and that of no colour, and from ``m`` on the matrix."""
    v = F(luma[y * width + x]) - p[0]
    b = _spread(cb, chroma_width, chroma_height, x, y, across, down, starts, weights) - p[1]
    r = _spread(cr, chroma_width, chroma_height, x, y, across, down, starts, weights) - p[1]
    return (
        p[m] * v + p[m + 1] * b + p[m + 2] * r,
        p[m + 3] * v + p[m + 4] * b + p[m + 5] * r,
        p[m + 6] * v + p[m + 7] * b + p[m + 8] * r,
    )


@kernel
def decode(luma, cb, cr, out, width, height, chroma_width, chroma_height, across, down, starts, weights, p):
    """Planes to a picture; ``p``: the code of black, that of no colour, and the matrix."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    count = width * height
    y = y0
    while y < height:
        x = x0
        while x < width:
            sizes = (width, chroma_width, chroma_height, across, down)
            r, g, b = _decoded(luma, cb, cr, x, y, *sizes, starts, weights, p, 2)
            at = y * width + x
            out[at] = r
            out[count + at] = g
            out[2 * count + at] = b
            x = further(x, width, dx)
        y = further(y, height, dy)


@kernel
def scale(codes, out, count, top):
    """Codes over the highest one: alpha."""
    i = cuda.grid(1)
    while i < count:
        out[i] = F(codes[i]) / top
        i = further(i, count, cuda.gridsize(1))


@piece
def _coded(old, change, x, y, salt, low, high, dither):
    v = old + change
    if dither:
        v = v + noise_px(np.int64(x), np.int64(y), salt)
    return code_px(old, v, low, high)


@kernel
def encode(
    after, fresh, luma, cb, cr, new_luma, new_cb, new_cr, width, height, chroma_width, chroma_height, across, down,
    starts, spreading, begin_x, taps_x, begin_y, taps_y, weights, p, dither,
):  # fmt: skip
    """Planes plus the change of their picture to another, one thread for a sample of chroma and its group of luma.

    ``weights``: of the taps across, then of those down. ``p``: the codes of black and of no colour, which are the old
    ones where the picture is a fresh one, the lowest and the highest code, and the matrices there and back.
    """
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    count, sizes = width * height, (width, chroma_width, chroma_height, across, down)
    low, high = p[2], p[3]
    j = y0
    while j < chroma_height:
        i = x0
        while i < chroma_width:
            total_b, total_r = ZERO, ZERO
            for s in range(taps_x):
                x = across * i + begin_x + s
                column_b, column_r = ZERO, ZERO
                for t in range(taps_y):
                    y = down * j + begin_y + t
                    at = near(y, height) * width + near(x, width)
                    r, g, b = after[at], after[count + at], after[2 * count + at]
                    if not fresh:
                        place = (near(x, width), near(y, height))
                        was_r, was_g, was_b = _decoded(luma, cb, cr, *place, *sizes, starts, spreading, p, 13)
                        r, g, b = r - was_r, g - was_g, b - was_b
                    r, g, b = tidy_px(r), tidy_px(g), tidy_px(b)
                    column_b += weights[taps_x + t] * (p[7] * r + p[8] * g + p[9] * b)
                    column_r += weights[taps_x + t] * (p[10] * r + p[11] * g + p[12] * b)
                    own = across * i <= x and x < min(across * (i + 1), width)
                    if own and down * j <= y and y < min(down * (j + 1), height):
                        change = p[4] * r + p[5] * g + p[6] * b
                        old = p[0] if fresh else F(luma[at])
                        new_luma[at] = _coded(old, change, x, y, 0, low, high, dither)
                total_b += weights[s] * column_b
                total_r += weights[s] * column_r
            at = j * chroma_width + i
            old_b, old_r = (p[1], p[1]) if fresh else (F(cb[at]), F(cr[at]))
            new_cb[at] = _coded(old_b, total_b, i, j, 1, low, high, dither)
            new_cr[at] = _coded(old_r, total_r, i, j, 2, low, high, dither)
            i = further(i, chroma_width, dx)
        j = further(j, chroma_height, dy)
