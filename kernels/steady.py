"""Steadying: a matte drawn toward the same place in neighbouring frames, wherever the picture did not move.

Each pixel looks at its own place in the frames around it. How much another frame counts follows from how well its
picture agrees there: the signed colour difference, averaged over 3×3 pixels so that grain cancels and a passing edge
does not. The result is the middle of the weighted values, so that a value that flickers in one frame is left out.
Looking as far ahead as back, it does not lag behind what moves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from .arrays import Floats, as_picture, as_plane, output
from .colour import ONE, TWO, ZERO, F, clamp, ycbcr_px
from .errors import PictureError, ValueRangeError
from .jit import inline, strip_kernel, subroutine
from .rows import copy_row, limit_row
from .strips import over_rows

_FOUR = F(4)
_INNER, _OUTER = F(0.35), F(0.65)
_PATCH = 9


@inline
def _add_difference_row(own, other, sums, n):
    """Add the difference of two rows of pictures to the sums (3, W + 2), which leave room for a margin."""
    red, green, blue = sums[0, 1:], sums[1, 1:], sums[2, 1:]
    for x in range(own.shape[0] // n):
        red[x] += own[n * x] - other[n * x]
        green[x] += own[n * x + 1] - other[n * x + 1]
        blue[x] += own[n * x + 2] - other[n * x + 2]


@inline
def _agreement_row(sums, matte, masses, slope, share):
    """Turn summed differences into what this frame counts: its share, less where the picture or matte is no match.

    The sums have one more pixel on either side.
    """
    width = masses.shape[0]
    red, green, blue = sums[0], sums[1], sums[2]
    for x in range(width):
        y, cb, cr = ycbcr_px(
            red[x] + red[x + 1] + red[x + 2],
            green[x] + green[x + 1] + green[x + 2],
            blue[x] + blue[x + 1] + blue[x + 2],
        )
        apart = math.sqrt(y * y + _FOUR * (cb * cb + cr * cr))
        mass = clamp(TWO - apart * slope, ZERO, ONE) * share
        masses[x] = mass if matte[x] == matte[x] else ZERO


@inline
def _order_rows(low, high, low_mass, high_mass):
    """Put the smaller of two values first, pixel by pixel, together with what they count."""
    for x in range(low.shape[0]):
        a, b = low[x], high[x]
        ma, mb = low_mass[x], high_mass[x]
        swap = b < a
        low[x] = b if swap else a
        high[x] = a if swap else b
        low_mass[x] = mb if swap else ma
        high_mass[x] = ma if swap else mb


@inline
def _middle_row(values, masses, own, run, total, out):
    """The mean of the middle three tenths of the ordered mass, taken from the pixel's own value."""
    count = values.shape[0]
    for x in range(out.shape[0]):
        total[x] = ZERO
        run[x] = ZERO
        out[x] = ZERO
    for k in range(count):
        mass = masses[k]
        for x in range(out.shape[0]):
            total[x] += mass[x]
    for k in range(count):
        value, mass = values[k], masses[k]
        for x in range(out.shape[0]):
            start, end = run[x], run[x] + mass[x]
            low, high = total[x] * _INNER, total[x] * _OUTER
            start = start if start > low else low
            end = end if end < high else high
            part = end - start
            out[x] += (part if part > ZERO else ZERO) * (value[x] - own[x])
            run[x] += mass[x]
    for x in range(out.shape[0]):
        out[x] = clamp(own[x] + out[x] / (total[x] * (_OUTER - _INNER)), ZERO, ONE)


@inline
def _differ(values, middle, x0, x1):
    """Whether any frame's matte differs from the middle one's between two columns."""
    own = values[middle]
    found = np.int32(0)
    for k in range(values.shape[0]):
        value = values[k]
        for x in range(x0, x1):
            found |= np.int32(value[x] != own[x])
    return found != 0


_BLOCK = 32
"""Columns over which it is asked whether the mattes differ at all: skin and what is none mostly stay so."""


@subroutine
def _steady_run(guides, y, x0, x1, values, masses, matte_rows, shares, guided, slope, sums, run, total, out):
    """Steady row y between two columns; ``values`` are the whole row of every frame, ``out`` the part alone."""
    count, middle, height, width = values.shape[0], values.shape[0] // 2, guides[0].shape[0], values.shape[1]
    first, end = max(x0 - 1, 0), min(x1 + 1, width)
    part = sums[:, x0 : x1 + 2]
    for k in range(count):
        part[:] = ZERO
        if guided and k != middle:
            for row in range(max(y - 1, 0), min(y + 2, height)):
                own, other = guides[middle][row].reshape(-1), guides[k][row].reshape(-1)
                if guides[k].shape[2] == 3:
                    _add_difference_row(
                        own[3 * first : 3 * end], other[3 * first : 3 * end], sums[:, first : end + 2], 3
                    )
                else:
                    _add_difference_row(
                        own[4 * first : 4 * end], other[4 * first : 4 * end], sums[:, first : end + 2], 4
                    )
        for c in range(3):
            if x0 == 0:
                sums[c, 0] = sums[c, 1]
            if x1 == width:
                sums[c, width + 1] = sums[c, width]
        _agreement_row(part, matte_rows[k, x0:x1], masses[k, x0:x1], slope, shares[k])
    own_values = run[1]
    for x in range(x0, x1):
        own_values[x] = values[middle, x]
        masses[middle, x] = ONE
    for last in range(count - 1, 0, -1):
        for k in range(last):
            _order_rows(values[k, x0:x1], values[k + 1, x0:x1], masses[k, x0:x1], masses[k + 1, x0:x1])
    _middle_row(values[:, x0:x1], masses[:, x0:x1], own_values[x0:x1], run[0, x0:x1], total[x0:x1], out)


@strip_kernel
def _steady_strips(mattes, guides, shares, guided, slope, out, y0, y1):
    count, middle = len(mattes), len(mattes) // 2
    width = out.shape[1]
    values, masses = np.empty((count, width), np.float32), np.empty((count, width), np.float32)
    matte_rows = np.empty((count, width), np.float32)
    run, total = np.empty((2, width), np.float32), np.empty(width, np.float32)
    sums = np.zeros((3, width + 2), np.float32)
    for y in range(y0, y1):
        for k in range(count):
            copy_row(matte_rows[k], mattes[k][y])
            limit_row(values[k], matte_rows[k], ZERO, ONE)
        copy_row(out[y], values[middle])  # what is the same in all frames stays
        x0 = 0
        while x0 < width:
            x1 = min(x0 + _BLOCK, width)
            if not _differ(values, middle, x0, x1):
                x0 = x1
                continue
            while x1 < width and _differ(values, middle, x1, min(x1 + _BLOCK, width)):
                x1 = min(x1 + _BLOCK, width)
            _steady_run(
                guides, y, x0, x1, values, masses, matte_rows, shares, guided, slope, sums, run, total, out[y, x0:x1]
            )
            x0 = x1


def steady(
    mattes: Sequence[Floats],
    guides: Sequence[Floats] | None = None,
    tolerance: float = 0.03,
    decay: float = 0.1,
    out: Floats | None = None,
) -> Floats:
    """Return the middle frame's matte, steadied by the frames on either side of it.

    :param mattes: an odd number of mattes in order of frames, each float32 (H, W). Values are limited to 0…1; where
        the middle one is NaN it counts as 0, where another one is NaN it does not count.
    :param guides: the picture of each, float32 (H, W, 3 or 4), or None to count every frame everywhere. Where a
        picture is not finite, another frame does not count within one pixel.
    :param tolerance: colour difference (Y′, 2·Cb, 2·Cr; mean of 3×3 pixels) up to which another frame counts in
        full; from twice that on it does not count. Above 0, up to 4.
    :param decay: 0 to 1: how much less a frame counts for each frame of distance; 1 leaves the middle frame alone.
    :returns: float32 (H, W): the mean of the values between 35 % and 65 % of the weight, a weighted median that
        changes smoothly with the weights. Where all frames agree it is the middle frame's matte to the bit.
    :raises ValueRangeError: a number out of range. :raises PictureError: wrong arrays, or an even number of them.

    >>> mattes = [np.full((2, 2), value, np.float32) for value in (0.5, 0.9, 0.5)]
    >>> round(float(steady(mattes)[0, 0]), 2)
    0.51
    """
    if not (math.isfinite(tolerance) and 0 < tolerance <= 4):
        raise ValueRangeError(f"The tolerance of steadying must be above 0 and up to 4, not {tolerance:g}.")
    if not 0 <= decay <= 1:
        raise ValueRangeError(f"The decay of steadying must be 0 to 1, not {decay:g}.")
    if len(mattes) % 2 == 0:
        raise PictureError(
            f"Steadying needs an odd number of mattes, the one to steady in the middle, not {len(mattes)}."
        )
    middle = len(mattes) // 2
    size = np.shape(mattes[middle])
    planes = tuple(as_plane(matte, like=size) for matte in mattes)
    pictures = tuple(np.zeros((1, 1, 3), np.float32) for _ in planes) if guides is None else _checked(guides, planes)
    out = output(out, size, *planes, *pictures)
    shares = np.array([(1 - decay) ** abs(k - middle) for k in range(len(planes))], np.float32)
    slope = F(1 / (_PATCH * tolerance))
    over_rows(_steady_strips, size[0], planes, pictures, shares, np.bool_(guides is not None), slope, out)
    return out


def _checked(guides: Sequence[Floats], planes: tuple[Floats, ...]) -> tuple[Floats, ...]:
    if len(guides) != len(planes):
        raise PictureError(f"Steadying needs a picture for every matte, not {len(guides)} for {len(planes)}.")
    pictures = tuple(as_picture(guide, "guide") for guide in guides)
    for picture in pictures:
        as_plane(planes[0], like=picture.shape[:2])
        if picture.shape != pictures[0].shape:
            raise PictureError("The guides of one matte must all have the same number of channels.")
    return pictures
