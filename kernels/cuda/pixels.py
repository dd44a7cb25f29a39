"""Pixel by pixel: light, levels and saturation, turns, keys by ranges, luma; interleaved pictures to planes and back.

Pictures lie in planes: red, green and blue behind each other in one row of numbers, ``count`` in each.
"""

from __future__ import annotations

# mypy: disable-error-code="attr-defined, no-untyped-call, no-untyped-def, untyped-decorator"
from ..colour import (
    ONE,
    TINY,
    ZERO,
    curved_px,
    curving_px,
    luma_px,
    mixed_px,
    near_decoded_px,
    near_encoded_px,
)
from ..qualify import range_px
from ..steer import turn_px, turn_split_px
from ..tone import cdl_px, cubic_px
from .launch import further, kernel, piece, spot, this_place


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


@piece
def _bent(r, g, b, p, segments):
    """Send three numbers through a curve; ``p`` holds five numbers for each segment."""
    rest_r = p[1] + (r - p[0]) * p[2]
    rest_g = p[1] + (g - p[0]) * p[2]
    rest_b = p[1] + (b - p[0]) * p[2]
    for k in range(1, segments):
        start, level, slope = p[5 * k], p[5 * k + 1], p[5 * k + 2]
        square, cube = p[5 * k + 3], p[5 * k + 4]
        rest_r = cubic_px(r - start, level, slope, square, cube) if r - start >= ZERO else rest_r
        rest_g = cubic_px(g - start, level, slope, square, cube) if g - start >= ZERO else rest_g
        rest_b = cubic_px(b - start, level, slope, square, cube) if b - start >= ZERO else rest_b
    return rest_r, rest_g, rest_b


@kernel
def light(image, out, count, adapts, decoding, matrix, encoding, curve, segments, listed, clamped, p):
    """What the whole picture goes through, in one sweep: a matrix in linear light, a curve, a decision list.

    Each may be left out: ``adapts`` and ``listed`` say whether there is a matrix and a list, ``segments`` is 0 without
    a curve. ``p``: slope, offset and power, three each, and saturation.
    """
    i = this_place()
    while i < count:
        r, g, b = image[spot(i)], image[spot(count + i)], image[spot(2 * count + i)]
        if adapts:
            r, g, b = mixed_px(_decoded(r, decoding), _decoded(g, decoding), _decoded(b, decoding), matrix)
            r, g, b = _encoded(r, encoding), _encoded(g, encoding), _encoded(b, encoding)
        if segments > 0:
            r, g, b = _bent(r, g, b, curve, segments)
        if listed:
            r, g, b = cdl_px(r, g, b, (p[0], p[1], p[2]), (p[3], p[4], p[5]), (p[6], p[7], p[8]), p[9], clamped)
        out[spot(i)] = r
        out[spot(count + i)] = g
        out[spot(2 * count + i)] = b
        i = further(i, count, 0)


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
