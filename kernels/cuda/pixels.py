"""Pixel by pixel: balance, curves, decision lists, turns, keys by ranges, luma; pictures to planes and back.

Pictures lie in planes: red, green and blue behind each other in one row of numbers, ``count`` in each. A kernel takes
such rows, how many pixels there are, and its constants as a row of numbers ``p``.
"""

from __future__ import annotations

# mypy: disable-error-code="attr-defined, no-untyped-call, no-untyped-def, untyped-decorator"
import numpy as np
from numba import cuda

from ..balance import adapt_px
from ..colour import ONE, TINY, ZERO, luma_px
from ..qualify import range_px
from ..steer import turn_px, turn_split_px
from ..tone import cdl_px, cubic_px
from .launch import further, kernel, piece


@kernel
def part(pixels, planes, alpha, n, count):
    """Lay n components to a pixel down in planes; the fourth goes to ``alpha``."""
    i = cuda.grid(1)
    while i < count:
        planes[i] = pixels[n * i]
        planes[count + i] = pixels[n * i + 1]
        planes[2 * count + i] = pixels[n * i + 2]
        if n == 4:
            alpha[i] = pixels[4 * i + 3]
        i = further(i, count, cuda.gridsize(1))


@kernel
def join(planes, alpha, pixels, n, count):
    """Put planes together again."""
    i = cuda.grid(1)
    while i < count:
        pixels[n * i] = planes[i]
        pixels[n * i + 1] = planes[count + i]
        pixels[n * i + 2] = planes[2 * count + i]
        if n == 4:
            pixels[4 * i + 3] = alpha[i]
        i = further(i, count, cuda.gridsize(1))


@kernel
def luma(image, out, count):
    """Luma of a picture."""
    i = cuda.grid(1)
    while i < count:
        out[i] = luma_px(image[i], image[count + i], image[2 * count + i])
        i = further(i, count, cuda.gridsize(1))


@piece
def _nine(p, at):
    return p[at], p[at + 1], p[at + 2], p[at + 3], p[at + 4], p[at + 5], p[at + 6], p[at + 7], p[at + 8]


@piece
def _transfer(p, at):
    return _nine(p, at) + _nine(p, at + 9)


@kernel
def adapt(image, out, count, p):
    """Decode, multiply, encode: ``p`` holds the constants of both curves, 18 each, and the matrix behind them."""
    decoding, encoding, m = _transfer(p, 0), _transfer(p, 18), _nine(p, 36)
    i = cuda.grid(1)
    while i < count:
        r, g, b = adapt_px(image[i], image[count + i], image[2 * count + i], decoding, m, encoding)
        out[i] = r
        out[count + i] = g
        out[2 * count + i] = b
        i = further(i, count, cuda.gridsize(1))


@kernel
def curve(image, out, count, p, segments):
    """Send every number through a curve; ``p`` holds five numbers for each segment."""
    i = cuda.grid(1)
    while i < count:
        v = image[i]
        value = p[1] + (v - p[0]) * p[2]
        for k in range(1, segments):
            t = v - p[5 * k]
            value = cubic_px(t, p[5 * k + 1], p[5 * k + 2], p[5 * k + 3], p[5 * k + 4]) if t >= ZERO else value
        out[i] = value
        i = further(i, count, cuda.gridsize(1))


@kernel
def cdl(image, out, count, p, clamped):
    """A decision list: ``p`` holds slope, offset and power, three each, and saturation."""
    slope, offset, power, saturation = (p[0], p[1], p[2]), (p[3], p[4], p[5]), (p[6], p[7], p[8]), p[9]
    i = cuda.grid(1)
    while i < count:
        r, g, b = image[i], image[count + i], image[2 * count + i]
        r, g, b = cdl_px(r, g, b, slope, offset, power, saturation, clamped)
        out[i] = r
        out[count + i] = g
        out[2 * count + i] = b
        i = further(i, count, cuda.gridsize(1))


@kernel
def turn(image, matte, out, count, c, s):
    """Turn what is keyed."""
    i = cuda.grid(1)
    while i < count:
        r, g, b = turn_px(image[i], image[count + i], image[2 * count + i], matte[i], c, s)
        out[i] = r
        out[count + i] = g
        out[2 * count + i] = b
        i = further(i, count, cuda.gridsize(1))


@kernel
def turn_split(image, alpha, matte, out, count, premultiplied, p):
    """Turn shadow and light apart; ``alpha`` is read where the picture is multiplied by it."""
    first, second, third = p[8], p[9], (p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7])
    i = cuda.grid(1)
    while i < count:
        inverse = ONE
        if premultiplied:
            inverse = ONE / alpha[i] if alpha[i] > TINY else ONE
        r, g, b = image[i], image[count + i], image[2 * count + i]
        r, g, b = turn_split_px(r, g, b, matte[i], inverse, *third, first, second)
        out[i] = r
        out[count + i] = g
        out[2 * count + i] = b
        i = further(i, count, cuda.gridsize(1))


@kernel
def range_key(image, out, count, p):
    """Key by ranges; ``p`` holds the nine numbers of :func:`.qualify.range_constants`."""
    ranges = _nine(p, 0)
    i = cuda.grid(1)
    while i < count:
        out[i] = range_px(image[i], image[count + i], image[2 * count + i], *ranges)
        i = further(i, count, cuda.gridsize(1))


NO_ALPHA = np.zeros(1, np.float32)
"""Stands for alpha where there is none."""
