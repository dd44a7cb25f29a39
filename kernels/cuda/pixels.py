"""Pixel by pixel: light, levels and saturation, turns, keys by ranges, luma; interleaved pictures to planes and back.

Pictures lie in planes: red, green and blue behind each other in one row of numbers, ``count`` in each.
"""

from __future__ import annotations

# mypy: disable-error-code="attr-defined, no-untyped-call, no-untyped-def, untyped-decorator"
from functools import lru_cache

from ..colour import (
    HALF,
    ONE,
    TINY,
    ZERO,
    clamp,
    curved_px,
    curving_px,
    luma_px,
    mixed_px,
    near_decoded_px,
    near_encoded_px,
)
from ..join import grid_place, laid_px, told_px, weighed_px
from ..mix import blended_px
from ..qualify import range_px
from ..region import differing_px, larger_px, left_px, likelier_px, multiplied_px, smaller_px
from ..steer import turn_px, turn_split_px
from ..tone import cdl_px, cubic_px
from .filters import near
from .launch import Kernel, further, kernel, piece, spot, this_place, this_row, whole


@kernel
def part(pixels, planes, alpha, n, count):
    """Lay n components to a pixel down in planes; the fourth goes to ``alpha``."""
    i = this_place()
    while i < count:
        planes[spot(i)] = pixels[spot(n * i)]
        planes[spot(count + i)] = pixels[spot(n * i + 1)]
        planes[spot(2 * count + i)] = pixels[spot(n * i + 2)]
        if n == 4:
            alpha[spot(i)] = pixels[spot(4 * i + 3)]
        i = further(i, count, 0)


@kernel
def join(planes, alpha, pixels, n, count):
    """Put planes together again."""
    i = this_place()
    while i < count:
        pixels[spot(n * i)] = planes[spot(i)]
        pixels[spot(n * i + 1)] = planes[spot(count + i)]
        pixels[spot(n * i + 2)] = planes[spot(2 * count + i)]
        if n == 4:
            pixels[spot(4 * i + 3)] = alpha[spot(i)]
        i = further(i, count, 0)


@kernel
def luma(image, out, count):
    """Luma of a picture."""
    i = this_place()
    while i < count:
        out[spot(i)] = luma_px(image[spot(i)], image[spot(count + i)], image[spot(2 * count + i)])
        i = further(i, count, 0)


# --- light, levels, saturation ------------------------------------------------------------------------------


@piece
def _decoded(v, c):
    """:func:`.colour.decode_px`; a branch spares nearly all pixels the power."""
    if abs(v) <= c[7]:
        return near_decoded_px(v, c)
    return curved_px(v, curving_px(v, c), c)


@piece
def _encoded(l, c):
    if abs(l) <= c[7]:
        return near_encoded_px(l, c)
    return curved_px(l, curving_px(l, c), c)


MOST_SEGMENTS = 12
"""Segments of a curve that a kernel holds itself; those of longer curves it reads."""


@piece
def _long(v, p):
    """Send a number through a curve in memory, five numbers for each of its segments."""
    rest = p[1] + (v - p[0]) * p[2]
    for k in range(5, p.shape[0], 5):
        t = v - p[spot(k)]
        cube = cubic_px(t, p[spot(k + 1)], p[spot(k + 2)], p[spot(k + 3)], p[spot(k + 4)])
        rest = cube if t >= ZERO else rest
    return rest


@lru_cache(maxsize=MOST_SEGMENTS + 1)
def _bending(segments: int):
    """Return what sends a number through a curve of so many segments; ``p`` holds five numbers for each."""
    if segments > MOST_SEGMENTS:
        return _long
    if segments <= 1:

        @piece
        def straight(v, p):
            return p[1] + (v - p[0]) * p[2]

        return straight
    before, at = _bending(segments - 1), 5 * (segments - 1)
    start, level, slope, square, cube = range(at, at + 5)

    @piece
    def bent(v, p):
        rest, t = before(v, p), v - p[start]
        return cubic_px(t, p[level], p[slope], p[square], p[cube]) if t >= ZERO else rest

    return bent


@lru_cache(maxsize=64)
def lighting(adapts: bool, segments: int, listed: bool, clamped: bool, powers: bool) -> Kernel:
    """Return the kernel for a sweep that does this much: what it need not do costs nothing.

    ``adapts``: a matrix in linear light. ``segments``: of a curve, or 0. ``listed``: a decision list, which is
    ``clamped`` or not, and with ``powers`` or without.
    """
    bent = _bending(segments)

    @kernel
    def light(image, out, count, decoding, matrix, encoding, curve, p):
        """What the whole picture goes through, in one sweep: a matrix in linear light, a curve, a decision list.

        ``p``: slope, offset and power, three each, and saturation.
        """
        i = this_place()
        while i < count:
            r, g, b = image[spot(i)], image[spot(count + i)], image[spot(2 * count + i)]
            if adapts:
                r, g, b = mixed_px(_decoded(r, decoding), _decoded(g, decoding), _decoded(b, decoding), matrix)
                r, g, b = _encoded(r, encoding), _encoded(g, encoding), _encoded(b, encoding)
            if segments > 0:
                r, g, b = bent(r, curve), bent(g, curve), bent(b, curve)
            if listed:
                power = (p[6], p[7], p[8]) if powers else (ONE, ONE, ONE)
                r, g, b = cdl_px(r, g, b, (p[0], p[1], p[2]), (p[3], p[4], p[5]), power, p[9], clamped)
            out[spot(i)] = r
            out[spot(count + i)] = g
            out[spot(2 * count + i)] = b
            i = further(i, count, 0)

    return light


# --- skin ---------------------------------------------------------------------------------------------------


@kernel
def turn(image, matte, out, count, c, s):
    """Turn what is keyed."""
    i = this_place()
    while i < count:
        r, g, b = turn_px(image[spot(i)], image[spot(count + i)], image[spot(2 * count + i)], matte[spot(i)], c, s)
        out[spot(i)] = r
        out[spot(count + i)] = g
        out[spot(2 * count + i)] = b
        i = further(i, count, 0)


@kernel
def turn_split(image, alpha, matte, out, count, premultiplied, p):
    """Turn shadow and light apart; ``alpha`` is read where the picture is multiplied by it."""
    i = this_place()
    while i < count:
        inverse = ONE
        if premultiplied:
            inverse = ONE / alpha[spot(i)] if alpha[spot(i)] > TINY else ONE
        r, g, b = turn_split_px(
            image[spot(i)], image[spot(count + i)], image[spot(2 * count + i)], matte[spot(i)], inverse, *p
        )
        out[spot(i)] = r
        out[spot(count + i)] = g
        out[spot(2 * count + i)] = b
        i = further(i, count, 0)


@kernel
def range_key(image, out, count, p):
    """Key by ranges; ``p`` holds the nine numbers of :func:`.qualify.range_constants`."""
    i = this_place()
    while i < count:
        out[spot(i)] = range_px(image[spot(i)], image[spot(count + i)], image[spot(2 * count + i)], *p)
        i = further(i, count, 0)


# --- several mattes -----------------------------------------------------------------------------------------

_JOINED = {
    "multiply": multiplied_px,
    "maximum": larger_px,
    "minimum": smaller_px,
    "subtract": left_px,
    "difference": differing_px,
    "likelier": likelier_px,
}


@lru_cache(maxsize=len(_JOINED))
def joining(operation: str) -> Kernel:
    """Return the kernel that joins two mattes."""
    joined_px = _JOINED[operation]

    @kernel
    def joined(first, second, out, count):
        """Join two mattes."""
        i = this_place()
        while i < count:
            out[spot(i)] = joined_px(first[spot(i)], second[spot(i)])
            i = further(i, count, 0)

    return joined


@kernel
def blend(first, second, matte, out, count, planes, amount):
    """Mix planes of two pictures by a matte."""
    i = this_place()
    while i < count:
        k = matte[spot(i)] * amount
        for plane in range(planes):
            at = whole(plane * count + i)
            out[spot(at)] = blended_px(first[spot(at)], second[spot(at)], k)
        i = further(i, count, 0)


# --- faces --------------------------------------------------------------------------------------------------


@kernel
def probe(planes, down, across, out, width, height, rows, columns, many):
    """Take the pixels at some rows and columns of ``many`` planes, interleaved."""
    y = this_row()
    while y < rows:
        x = this_place()
        while x < columns:
            at, to = whole(down[spot(y)] * width + across[spot(x)]), whole((y * columns + x) * many)
            for plane in range(many):
                out[spot(to + plane)] = planes[spot(plane * width * height + at)]
            x = further(x, columns, 0)
        y = further(y, rows, 1)


@piece
def _on_grid(grid, base, columns, row, below, part, column, beside, across):
    """The value between four cells of a grid that begins at ``base``: down first, as the processor does it."""
    top, low = whole(base + row * columns), whole(base + below * columns)
    a = grid[spot(top + column)] + part * (grid[spot(low + column)] - grid[spot(top + column)])
    b = grid[spot(top + beside)] + part * (grid[spot(low + beside)] - grid[spot(top + beside)])
    return a + across * (b - a)


@kernel
def told(grid, before, out, width, height, rows, columns, top, left, all_rows, all_columns, given):
    """What a face tells, from its window of the grid, joined with what was told before."""
    y = this_row()
    while y < height:
        row, part = grid_place(y, height, all_rows)
        row = whole(row - top)
        x = this_place()
        while x < width:
            at = whole(y * width + x)
            v = clamp(before[spot(at)], ZERO, ONE) if given else HALF
            column, across = grid_place(x, width, all_columns)
            column = whole(column - left)
            if row >= 0 and row < rows and column >= 0 and column < columns:
                own = _on_grid(
                    grid, 0, columns, row, near(row + 1, rows), part, column, near(column + 1, columns), across
                )
                v = told_px(v, clamp(own, ZERO, ONE))
            out[spot(at)] = v
            x = further(x, width, 0)
        y = further(y, height, 1)


@kernel
def laid(matte, grids, out, width, height, rows, columns):
    """Lay log-odds, lid and floor, three grids, over a matte."""
    cells = whole(rows * columns)
    y = this_row()
    while y < height:
        row, part = grid_place(y, height, rows)
        below = near(row + 1, rows)
        x = this_place()
        while x < width:
            at = whole(y * width + x)
            column, across = grid_place(x, width, columns)
            beside = near(column + 1, columns)
            odds = _on_grid(grids, 0, columns, row, below, part, column, beside, across)
            lid = _on_grid(grids, cells, columns, row, below, part, column, beside, across)
            floor = _on_grid(grids, 2 * cells, columns, row, below, part, column, beside, across)
            out[spot(at)] = laid_px(weighed_px(clamp(matte[spot(at)], ZERO, ONE), odds), lid, floor)
            x = further(x, width, 0)
        y = further(y, height, 1)
