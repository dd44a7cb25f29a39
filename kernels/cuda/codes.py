"""Planes of integer codes to pictures, and pictures or changes to planes.

One thread works a group of luma pixels that share a sample of chroma. Both ways of bringing chroma to luma's size, and
all places of chroma, come down to five samples about the group, weighed for each place in it: :func:`windows`.
"""

from __future__ import annotations

# mypy: disable-error-code="attr-defined, no-untyped-call, no-untyped-def, untyped-decorator"
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..codes import code_px, noise_px, spread_weights, tidy_px
from ..colour import ZERO, F
from .filters import near
from .launch import Kernel, further, kernel, piece, spot, this_place, this_row, whole

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
def _sample(plane, width, height, column, row, begin, down, weights, at):
    """A column of chroma at the height of a luma row: five samples weighed, or the one where all rows have chroma."""
    if down == 1:
        return F(plane[spot(row * width + column)])
    first = whole(row + begin)
    total = weights[at] * F(plane[spot(near(first, height) * width + column)])
    total += weights[at + 1] * F(plane[spot(near(first + 1, height) * width + column)])
    total += weights[at + 2] * F(plane[spot(near(first + 2, height) * width + column)])
    total += weights[at + 3] * F(plane[spot(near(first + 3, height) * width + column)])
    return total + weights[at + 4] * F(plane[spot(near(first + 4, height) * width + column)])


@piece
def _window(plane, width, height, group, row, place, begin_x, across, begin_y, down, weights):
    """The five columns of chroma about a group, at the height of the luma row at a ``place`` in a group of rows."""
    at, first = whole(5 * (across + place)), whole(group + begin_x)
    if across == 1:
        v = _sample(plane, width, height, group, row, begin_y, down, weights, at)
        return v, v, v, v, v
    return (
        _sample(plane, width, height, near(first, width), row, begin_y, down, weights, at),
        _sample(plane, width, height, near(first + 1, width), row, begin_y, down, weights, at),
        _sample(plane, width, height, near(first + 2, width), row, begin_y, down, weights, at),
        _sample(plane, width, height, near(first + 3, width), row, begin_y, down, weights, at),
        _sample(plane, width, height, near(first + 4, width), row, begin_y, down, weights, at),
    )


@piece
def _spread(window, across, place, weights):
    """Chroma at a place in a group."""
    if across == 1:
        return window[0]
    at = whole(5 * place)
    return (
        (weights[at] * window[0] + weights[at + 1] * window[1])
        + (weights[at + 2] * window[2] + weights[at + 3] * window[3])
        + weights[at + 4] * window[4]
    )


@piece
def _rgb(luma, b, r, black, zero, m):
    y, b, r = F(luma) - black, b - zero, r - zero
    return m[0] * y + m[1] * b + m[2] * r, m[3] * y + m[4] * b + m[5] * r, m[6] * y + m[7] * b + m[8] * r


@lru_cache(maxsize=8)
def decoder(across: int, down: int) -> Kernel:
    """Return the kernel for groups of so many pixels: what is fixed when it is compiled costs nothing."""

    @kernel
    def decode(
        luma, cb, cr, out, width, height, chroma_width, chroma_height, begin_x, begin_y, weights, black, zero, m
    ):
        """Planes to a picture. ``weights``: of :func:`windows` across, then down. ``m``: the matrix from codes."""
        count = whole(width * height)
        row = this_row()
        while row < chroma_height:
            group = this_place()
            while group < chroma_width:
                for q in range(down):
                    y = whole(row * down + q)
                    if y < height:
                        given = (chroma_width, chroma_height, group, row, q, begin_x, across, begin_y, down, weights)
                        window_b = _window(cb, *given)
                        window_r = _window(cr, *given)
                        for s in range(across):
                            x = whole(group * across + s)
                            if x < width:
                                at = whole(y * width + x)
                                b, r = _spread(window_b, across, s, weights), _spread(window_r, across, s, weights)
                                red, green, blue = _rgb(luma[spot(at)], b, r, black, zero, m)
                                out[spot(at)] = red
                                out[spot(count + at)] = green
                                out[spot(2 * count + at)] = blue
                group = further(group, chroma_width, 0)
            row = further(row, chroma_height, 1)

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
        v = v + noise_px(np.int64(x), np.int64(y), salt)
    return code_px(old, v, low, high)


@lru_cache(maxsize=16)
def encoder(across: int, down: int, first_x: int, first_y: int, fresh: bool) -> Kernel:
    """Return the kernel for groups of so many pixels.

    The taps of a sample of chroma begin ``first_x`` groups and ``first_y`` groups of rows before its own: −1 or 0.
    """

    @kernel
    def encode(
        after, luma, cb, cr, new_luma, new_cb, new_cr, width, height, chroma_width, chroma_height,
        begin_x, begin_y, weights, black, zero, m, taps, to_codes, low, high, dither,
    ):  # fmt: skip
        """Planes plus the change of their picture to another, or a ``fresh`` picture: one thread for a group of luma.

        ``taps``: what each luma column about a group weighs in its sample of chroma, and behind them each row.
        """
        count, of_rows = whole(width * height), whole((1 - first_x) * across)
        row = this_row()
        while row < chroma_height:
            group = this_place()
            while group < chroma_width:
                total_b, total_r = ZERO, ZERO
                for dq in range(whole(first_y * down), down):
                    weight_y = taps[whole(of_rows + dq - first_y * down)]
                    y = near(row * down + dq, height)
                    chroma_row = whole(y >> (down >> 1))
                    for dg in range(first_x, 1):
                        near_group = near(group + dg, chroma_width)
                        window_b, window_r = (ZERO, ZERO, ZERO, ZERO, ZERO), (ZERO, ZERO, ZERO, ZERO, ZERO)
                        if not fresh:
                            of_row = whole(y - chroma_row * down)
                            rest = (begin_x, across, begin_y, down, weights)
                            given = (chroma_width, chroma_height, near_group, chroma_row, of_row)
                            window_b = _window(cb, *given, *rest)
                            window_r = _window(cr, *given, *rest)
                        for s in range(across):
                            weight_x = taps[whole((dg - first_x) * across + s)]
                            if weight_x > ZERO or dg == 0:
                                x = near((group + dg) * across + s, width)
                                at = whole(y * width + x)
                                r, g, b = after[spot(at)], after[spot(count + at)], after[spot(2 * count + at)]
                                if not fresh:
                                    place = whole(x - near_group * across)
                                    was_b, was_r = (
                                        _spread(window_b, across, place, weights),
                                        _spread(window_r, across, place, weights),
                                    )
                                    red, green, blue = _rgb(luma[spot(at)], was_b, was_r, black, zero, m)
                                    r, g, b = r - red, g - green, b - blue
                                r, g, b = tidy_px(r), tidy_px(g), tidy_px(b)
                                weight = weight_x * weight_y
                                total_b += weight * (to_codes[3] * r + to_codes[4] * g + to_codes[5] * b)
                                total_r += weight * (to_codes[6] * r + to_codes[7] * g + to_codes[8] * b)
                                if dg == 0 and dq >= 0 and group * across + s == x and row * down + dq == y:
                                    change = to_codes[0] * r + to_codes[1] * g + to_codes[2] * b
                                    old = black if fresh else F(luma[spot(at)])
                                    new_luma[spot(at)] = _coded(old, change, x, y, 0, low, high, dither)
                at = whole(row * chroma_width + group)
                old_b, old_r = (zero, zero) if fresh else (F(cb[spot(at)]), F(cr[spot(at)]))
                new_cb[spot(at)] = _coded(old_b, total_b, group, row, 1, low, high, dither)
                new_cr[spot(at)] = _coded(old_r, total_r, group, row, 2, low, high, dither)
                group = further(group, chroma_width, 0)
            row = further(row, chroma_height, 1)

    return encode
