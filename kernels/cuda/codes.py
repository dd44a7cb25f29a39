"""Planes of integer codes to pictures, and pictures or changes to planes.

One thread works a group of luma pixels that share a sample of chroma. Both ways of bringing chroma to luma's size, and
all places of chroma, come down to five samples about the group, weighed for each place in it: :func:`windows`.
"""

from __future__ import annotations

# mypy: disable-error-code="attr-defined, no-untyped-call, no-untyped-def, untyped-decorator"
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numba import cuda, float32
from numpy.typing import NDArray

from ..codes import code_px, gather_weights, spread_weights, tidy_px
from ..colour import ZERO, F
from .filters import near, row_of
from .launch import (
    THREADS,
    Kernel,
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

WINDOW = 5
"""Samples that a group of pixels may reach."""


def windows(factor: int, on_first: bool) -> tuple[int, NDArray[np.float32]]:
    """Return where the samples begin about a group of ``factor`` pixels, and what each weighs, float32 (factor, 5)."""
    starts, weights = spread_weights(factor, on_first)
    begin = int(starts.min())
    table = np.zeros((factor, WINDOW), np.float32)
    for place, start in enumerate(starts):
        table[place, start - begin : start - begin + 4] = weights[place]
    return begin, table


@piece
def _noise(x, y, salt):
    """:func:`.codes.noise_px` in 32 bits, which are all that it keeps."""
    wide = np.uint64(x) * np.uint64(0x1B873593) + np.uint64(y) * np.uint64(0x19D699A5)
    h = np.uint32((wide + np.uint64(salt) * np.uint64(0x2545F491)) & _WORD)
    h = np.uint32(h ^ (h >> np.uint32(15)))
    h = np.uint32((np.uint64(h) * np.uint64(0x2C1B3C6D)) & _WORD)
    h = np.uint32(h ^ (h >> np.uint32(12)))
    h = np.uint32((np.uint64(h) * np.uint64(0x297A2D39)) & _WORD)
    h = np.uint32(h ^ (h >> np.uint32(15)))
    return F(whole(h >> np.uint32(8))) * _NOISE_SCALE - _NOISE_HALF


_WORD = np.uint64(0xFFFFFFFF)
_NOISE_SCALE, _NOISE_HALF = F(0.98 / 2**24), F(0.49)


@lru_cache(maxsize=64)
def _weighing(weights: tuple[float, ...]):
    """Return what adds up five numbers by fixed weights; those of weight 0 do not count."""
    counting = [i for i, weight in enumerate(weights) if weight]
    at, weight, alone = counting[-1], F(weights[counting[-1]]), len(counting) == 1 and weights[counting[-1]] == 1
    rest = None if len(counting) == 1 else _weighing((*weights[:at], *(5 - at) * (0.0,)))

    @piece
    def weighed(numbers):
        return numbers[at] if alone else weight * numbers[at]

    if rest is None:
        return weighed

    @piece
    def more(numbers):
        return rest(numbers) + weight * numbers[at]

    return more


class Places(NamedTuple):
    """How chroma is brought to the places of a group of pixels, along one axis: pieces with the weights in them."""

    begin: int
    reads: tuple[bool, ...]
    spread: tuple[Any, ...]

    @classmethod
    def of(cls, factor: int, on_first: bool) -> Places:
        """Return them for groups of so many pixels."""
        begin, table = windows(factor, on_first)
        rows = [_weighing(tuple(map(float, row))) for row in table]
        rows += [rows[0]] * (4 - len(rows))
        return cls(begin, tuple((table != 0).any(axis=0).tolist()), tuple(rows))


@lru_cache(maxsize=16)
def _chroma(down: int, site_y: bool):
    """Return what reads a sample of chroma at the height of luma row ``place`` of its group of rows."""
    begin, reads, spread = Places.of(down, site_y)
    first_row, other_row = spread[0], spread[1]
    a, b, c, d, e = reads

    @piece
    def sample(plane, width, height, column, row, place):
        if down == 1:
            return F(plane[spot(row * width + column)])
        top, numbers = whole(row + begin), (ZERO, ZERO, ZERO, ZERO, ZERO)
        first = F(plane[spot(near(top, height) * width + column)]) if a else ZERO
        second = F(plane[spot(near(top + 1, height) * width + column)]) if b else ZERO
        third = F(plane[spot(near(top + 2, height) * width + column)]) if c else ZERO
        fourth = F(plane[spot(near(top + 3, height) * width + column)]) if d else ZERO
        fifth = F(plane[spot(near(top + 4, height) * width + column)]) if e else ZERO
        numbers = first, second, third, fourth, fifth
        return first_row(numbers) if place == 0 else other_row(numbers)

    return sample


@lru_cache(maxsize=16)
def _windowed(across: int, down: int, site_x: bool, site_y: bool):
    """Return what reads the columns of chroma about a group, at the height of a luma row."""
    sample, (begin, (a, b, c, d, e), _) = _chroma(down, site_y), Places.of(across, site_x)

    @piece
    def window(plane, width, height, group, row, place):
        if across == 1:
            v = sample(plane, width, height, group, row, place)
            return v, v, v, v, v
        left = whole(group + begin)
        first = sample(plane, width, height, near(left, width), row, place) if a else ZERO
        second = sample(plane, width, height, near(left + 1, width), row, place) if b else ZERO
        third = sample(plane, width, height, near(left + 2, width), row, place) if c else ZERO
        fourth = sample(plane, width, height, near(left + 3, width), row, place) if d else ZERO
        fifth = sample(plane, width, height, near(left + 4, width), row, place) if e else ZERO
        return first, second, third, fourth, fifth

    return window


@lru_cache(maxsize=16)
def _spreading(across: int, site_x: bool):
    """Return what gives chroma at a place in a group; the place counts in an unrolled loop."""
    first, second, third, fourth = Places.of(across, site_x).spread

    @piece
    def spread(window, place):
        if across == 1:
            return window[0]
        if across == 2:
            return first(window) if place == 0 else second(window)
        low = first(window) if place == 0 else second(window)
        high = third(window) if place == 2 else fourth(window)
        return low if place < 2 else high

    return spread


@piece
def _rgb(luma, b, r, black, zero, m):
    y, b, r = F(luma) - black, b - zero, r - zero
    return m[0] * y + m[1] * b + m[2] * r, m[3] * y + m[4] * b + m[5] * r, m[6] * y + m[7] * b + m[8] * r


Layout = tuple[int, int, bool, bool]
"""Luma pixels that share a sample of chroma, across and down, and whether it lies on the first of them."""


@lru_cache(maxsize=8)
def decoder(layout: Layout) -> Kernel:
    """Return the kernel for groups of so many pixels: what is fixed when it is compiled costs nothing."""
    across, down, site_x, _ = layout
    window, spread = _windowed(*layout), _spreading(across, site_x)
    shift_x, shift_y = across >> 1, down >> 1

    @kernel
    def decode(luma, cb, cr, out, width, height, chroma_width, chroma_height, black, zero, m):
        """Planes to a picture. ``m``: the matrix from codes."""
        count = whole(width * height)
        y = this_row()
        while y < height:
            x, row = this_place(), whole(y >> shift_y)
            q = whole(y - row * down)
            while x < width:
                group, at = whole(x >> shift_x), whole(y * width + x)
                s = whole(x - group * across)
                b = spread(window(cb, chroma_width, chroma_height, group, row, q), s)
                r = spread(window(cr, chroma_width, chroma_height, group, row, q), s)
                red, green, blue = _rgb(luma[spot(at)], b, r, black, zero, m)
                out[spot(at)] = red
                out[spot(count + at)] = green
                out[spot(2 * count + at)] = blue
                x = further(x, width, 0)
            y = further(y, height, 1)

    return decode


@kernel
def scale(codes, out, count, top):
    """Codes over the highest one: alpha."""
    i = this_place()
    while i < count:
        out[spot(i)] = F(codes[i]) / top
        i = further(i, count, 0)


@piece
def _coded(old, change, x, y, salt, low, high, dither):
    v = old + change
    if dither:
        v = v + _noise(x, y, salt)
    return code_px(old, v, low, high)


GROUPS, GROUP_ROWS = 128, 4
"""Groups of pixels that a block works together, across and down."""


def _taps_of(factor: int, on_first: bool) -> tuple[tuple[np.float32, ...], tuple[np.float32, ...]]:
    """Return what each of a group's pixels weighs in its own sample of chroma, and in that of the group behind it."""
    begin, weights = gather_weights(factor, on_first)
    own, before = np.zeros(4, np.float32), np.zeros(4, np.float32)
    own[:factor] = weights[-begin:]
    before[factor + begin : factor] = weights[:-begin] if begin else ()
    return tuple(own), tuple(before)


@piece
def _weight(weights, place):
    """A weight; the place counts in an unrolled loop."""
    low = weights[0] if place == 0 else weights[1]
    high = weights[2] if place == 2 else weights[3]
    return low if place < 2 else high


@lru_cache(maxsize=16)
def encoder(layout: Layout, fresh: bool) -> Kernel:
    """Return the kernel for groups of so many pixels, of a ``fresh`` picture or of the change to another."""
    across, down, site_x, site_y = layout
    window, spread = _windowed(*layout), _spreading(across, site_x)
    (own_x, left_x), (own_y, up_y) = _taps_of(across, site_x), _taps_of(down, site_y)
    left, up = any(left_x), any(up_y)
    before, above = int(left), int(up)
    wide = GROUPS + before
    groups = wide * (GROUP_ROWS + above)
    numbers = (1 + before) * (1 + above) * 2 * groups
    of_left, of_up, of_both = 2 * groups, (4 if left else 2) * groups, 6 * groups

    @region_kernel(GROUPS, GROUP_ROWS)
    def encode(
        after, luma, cb, cr, new_luma, new_cb, new_cr, width, height, chroma_width, chroma_height,
        black, zero, m, to_codes, low, high, dither,
    ):  # fmt: skip
        """Planes plus the change of their picture to another.

        Each thread works a group of pixels: what they weigh in the chroma of the groups beside and below is shared.
        """
        shared = cuda.shared.array(numbers, float32)
        count = whole(width * height)
        x0, y0 = whole(cuda.blockIdx.x * GROUPS - before), whole(cuda.blockIdx.y * GROUP_ROWS - above)
        n = this_thread()
        while n < groups:
            j = row_of(n, wide)
            i = whole(n - j * wide)
            group, row = whole(x0 + i), whole(y0 + j)
            if group < chroma_width and row < chroma_height:
                first_group, first_row = whole(group if group > 0 else 0), whole(row if row > 0 else 0)
                own_b, own_r, left_b, left_r = ZERO, ZERO, ZERO, ZERO
                up_b, up_r, both_b, both_r = ZERO, ZERO, ZERO, ZERO
                for q in range(down):
                    y = whole(first_row * down + q)
                    inside = row >= 0 and y < height
                    place = whole(q if inside else 0)
                    y = whole(first_row * down + place)
                    window_b, window_r = (ZERO, ZERO, ZERO, ZERO, ZERO), (ZERO, ZERO, ZERO, ZERO, ZERO)
                    if not fresh:
                        window_b = window(cb, chroma_width, chroma_height, first_group, first_row, place)
                        window_r = window(cr, chroma_width, chroma_height, first_group, first_row, place)
                    v_b, v_r, row_b, row_r, next_b, next_r = ZERO, ZERO, ZERO, ZERO, ZERO, ZERO
                    for s in range(across):
                        x = whole(first_group * across + s)
                        if x < width and (s == 0 or group >= 0):
                            at = whole(y * width + x)
                            r, g, b = after[spot(at)], after[spot(count + at)], after[spot(2 * count + at)]
                            old = black
                            if not fresh:
                                code = luma[spot(at)]
                                was_b, was_r = spread(window_b, s), spread(window_r, s)
                                red, green, blue = _rgb(code, was_b, was_r, black, zero, m)
                                r, g, b, old = r - red, g - green, b - blue, F(code)
                            r, g, b = tidy_px(r), tidy_px(g), tidy_px(b)
                            v_b = to_codes[3] * r + to_codes[4] * g + to_codes[5] * b
                            v_r = to_codes[6] * r + to_codes[7] * g + to_codes[8] * b
                            if inside and i >= before and j >= above:
                                change = to_codes[0] * r + to_codes[1] * g + to_codes[2] * b
                                new_luma[spot(at)] = _coded(old, change, x, y, 0, low, high, dither)
                        row_b += _weight(own_x, s) * v_b
                        row_r += _weight(own_x, s) * v_r
                        next_b += _weight(left_x, s) * v_b
                        next_r += _weight(left_x, s) * v_r
                    own_b += _weight(own_y, q) * row_b
                    own_r += _weight(own_y, q) * row_r
                    left_b += _weight(own_y, q) * next_b
                    left_r += _weight(own_y, q) * next_r
                    up_b += _weight(up_y, q) * row_b
                    up_r += _weight(up_y, q) * row_r
                    both_b += _weight(up_y, q) * next_b
                    both_r += _weight(up_y, q) * next_r
                shared[spot(n)] = own_b
                shared[spot(groups + n)] = own_r
                if left:
                    shared[spot(of_left + n)] = left_b
                    shared[spot(of_left + groups + n)] = left_r
                if up:
                    shared[spot(of_up + n)] = up_b
                    shared[spot(of_up + groups + n)] = up_r
                if left and up:
                    shared[spot(of_both + n)] = both_b
                    shared[spot(of_both + groups + n)] = both_r
            n = whole(n + THREADS)
        cuda.syncthreads()
        n = this_thread()
        while n < GROUPS * GROUP_ROWS:
            j = whole(n // GROUPS)
            i = whole(n - j * GROUPS)
            group, row = whole(cuda.blockIdx.x * GROUPS + i), whole(cuda.blockIdx.y * GROUP_ROWS + j)
            if group < chroma_width and row < chroma_height:
                at = whole((j + above) * wide + i + before)
                total_b, total_r = shared[spot(at)], shared[spot(groups + at)]
                if left:
                    total_b += shared[spot(of_left + at - 1)]
                    total_r += shared[spot(of_left + groups + at - 1)]
                if up:
                    total_b += shared[spot(of_up + at - wide)]
                    total_r += shared[spot(of_up + groups + at - wide)]
                if left and up:
                    total_b += shared[spot(of_both + at - wide - 1)]
                    total_r += shared[spot(of_both + groups + at - wide - 1)]
                at = whole(row * chroma_width + group)
                old_b, old_r = (zero, zero) if fresh else (F(cb[spot(at)]), F(cr[spot(at)]))
                new_cb[spot(at)] = _coded(old_b, total_b, group, row, 1, low, high, dither)
                new_cr[spot(at)] = _coded(old_r, total_r, group, row, 2, low, high, dither)
            n = whole(n + THREADS)

    return encode
