"""Mixing and showing: blend two pictures by a matte, and the views in which a matte is judged."""

from __future__ import annotations

from . import planes
from .arrays import Floats, as_picture, as_plane, output
from .colour import HALF, ONE, ZERO, F, luma_px
from .devices import on_devices
from .errors import PictureError
from .jit import inline, strip_kernel
from .strips import over_rows


@inline
def blended_px(a, b, k):
    """A value k of the way to another; exactly one of them at 0 and 1 and beyond."""
    blended = a + k * (b - a)
    blended = b if k >= ONE else blended
    return blended if k > ZERO else a


@inline
def _blend_row(first, second, matte, out, n, amount):
    for x in range(matte.shape[0]):
        k = matte[x] * amount
        for c in range(n):
            out[n * x + c] = blended_px(first[n * x + c], second[n * x + c], k)


@strip_kernel
def _blend_strips(first, second, matte, out, amount, y0, y1):
    for y in range(y0, y1):
        if first.shape[2] == 3:
            _blend_row(first[y].reshape(-1), second[y].reshape(-1), matte[y], out[y].reshape(-1), 3, amount)
        else:
            _blend_row(first[y].reshape(-1), second[y].reshape(-1), matte[y], out[y].reshape(-1), 4, amount)


@on_devices
def blend(first: Floats, second: Floats, matte: Floats, amount: float = 1.0, out: Floats | None = None) -> Floats:
    """Return ``first`` where matte · amount is 0, ``second`` where it is 1, and the straight mixture between.

    out = first + matte · amount · (second − first).

    :param first, second: float32 of one shape, (H, W, 3 or 4); alpha is mixed like the other channels.
    :param matte: float32 (H, W), 0 to 1. :param amount: 0 to 1.
    :returns: float32. Both ends are exact to the bit. :raises PictureError: shapes that do not agree.

    >>> import numpy as np
    >>> black, white = np.zeros((1, 2, 3), np.float32), np.ones((1, 2, 3), np.float32)
    >>> blend(black, white, np.array([[0.25, 1]], np.float32))[..., 0]
    array([[0.25, 1.  ]], dtype=float32)
    """
    first = as_picture(first, "first picture")
    second = as_picture(second, "second picture")
    if first.shape != second.shape:
        raise PictureError(
            f"The pictures to blend have the shapes {first.shape} and {second.shape}: "
            "give both the same size and number of channels."
        )
    matte = as_plane(matte, like=first.shape[:2])
    out = output(out, first.shape, first, second, matte)
    over_rows(_blend_strips, first.shape[0], first, second, matte, out, F(amount))
    return out


_DIM, _HATCH_DARK, _HATCH_LIGHT = F(0.22), F(0.12), F(0.42)


@inline
def _dimmed_row(row, matte, out, n):
    for x in range(matte.shape[0]):
        m = matte[x]
        r = row[n * x]
        g = row[n * x + 1]
        b = row[n * x + 2]
        grey = luma_px(r, g, b) * _DIM
        out[n * x] = grey + m * (r - grey)
        out[n * x + 1] = grey + m * (g - grey)
        out[n * x + 2] = grey + m * (b - grey)
        if n == 4:
            out[n * x + 3] = row[n * x + 3]


@strip_kernel
def _dimmed_strips(image, matte, out, y0, y1):
    for y in range(y0, y1):
        if image.shape[2] == 3:
            _dimmed_row(image[y].reshape(-1), matte[y], out[y].reshape(-1), 3)
        else:
            _dimmed_row(image[y].reshape(-1), matte[y], out[y].reshape(-1), 4)


def dim_surroundings(image: Floats, matte: Floats, out: Floats | None = None) -> Floats:
    """Show the keyed pixels as they are and everything else as dark grey: float32, shape of the image.

    >>> import numpy as np
    >>> picture = np.full((1, 2, 3), 0.5, np.float32)
    >>> shown = dim_surroundings(picture, np.array([[1, 0]], np.float32))
    >>> float(shown[0, 0, 0]), bool(shown[0, 1, 0] < 0.5)
    (0.5, True)
    """
    image = as_picture(image)
    matte = as_plane(matte, like=image.shape[:2])
    out = output(out, image.shape, image, matte)
    over_rows(_dimmed_strips, image.shape[0], image, matte, out)
    return out


@inline
def _hatched_row(row, matte, out, y, pitch, n):
    for x in range(matte.shape[0]):
        m = matte[x]
        band = (x + y) // pitch
        line = _HATCH_LIGHT if band % 2 == 0 else _HATCH_DARK
        out[n * x] = line + m * (row[n * x] - line)
        out[n * x + 1] = line + m * (row[n * x + 1] - line)
        out[n * x + 2] = line + m * (row[n * x + 2] - line)
        if n == 4:
            out[n * x + 3] = row[n * x + 3]


@strip_kernel
def _hatched_strips(image, matte, out, pitch, y0, y1):
    for y in range(y0, y1):
        if image.shape[2] == 3:
            _hatched_row(image[y].reshape(-1), matte[y], out[y].reshape(-1), y, pitch, 3)
        else:
            _hatched_row(image[y].reshape(-1), matte[y], out[y].reshape(-1), y, pitch, 4)


def hatch_surroundings(image: Floats, matte: Floats, out: Floats | None = None) -> Floats:
    """Show the keyed pixels as they are and everything else under grey slanting lines: float32, shape of the image.

    >>> import numpy as np
    >>> picture = np.zeros((8, 8, 3), np.float32)
    >>> matte = np.zeros((8, 8), np.float32)
    >>> matte[:, :4] = 1
    >>> shown = hatch_surroundings(picture, matte)
    >>> float(shown[:, :4].max()), bool(shown[:, 4:].max() > 0)
    (0.0, True)
    """
    image = as_picture(image)
    matte = as_plane(matte, like=image.shape[:2])
    out = output(out, image.shape, image, matte)
    pitch = max(4, image.shape[0] // 90)
    over_rows(_hatched_strips, image.shape[0], image, matte, out, pitch)
    return out


@inline
def _outline_row(row, above, here, below, out, reach, n):
    width = here.shape[0]
    for x in range(width):
        left = here[max(x - reach, 0)] >= HALF
        right = here[min(x + reach, width - 1)] >= HALF
        inside = here[x] >= HALF
        edge = inside and not (left and right and above[x] >= HALF and below[x] >= HALF)
        light = luma_px(row[n * x], row[n * x + 1], row[n * x + 2]) < HALF
        line = ONE if light else ZERO
        out[n * x] = line if edge else row[n * x]
        out[n * x + 1] = line if edge else row[n * x + 1]
        out[n * x + 2] = line if edge else row[n * x + 2]
        if n == 4:
            out[n * x + 3] = row[n * x + 3]


@strip_kernel
def _outline_strips(image, matte, out, reach, y0, y1):
    last = image.shape[0] - 1
    for y in range(y0, y1):
        above = matte[max(y - reach, 0)]
        below = matte[min(y + reach, last)]
        if image.shape[2] == 3:
            _outline_row(image[y].reshape(-1), above, matte[y], below, out[y].reshape(-1), reach, 3)
        else:
            _outline_row(image[y].reshape(-1), above, matte[y], below, out[y].reshape(-1), reach, 4)


def outline(image: Floats, matte: Floats, out: Floats | None = None) -> Floats:
    """Draw the line where the matte crosses one half, white on dark and black on light: float32, shape of the image.

    >>> import numpy as np
    >>> matte = np.zeros((4, 4), np.float32)
    >>> matte[:, 2:] = 1
    >>> outline(np.zeros((4, 4, 3), np.float32), matte)[2, :, 0]
    array([0., 0., 1., 0.], dtype=float32)
    """
    image = as_picture(image)
    matte = as_plane(matte, like=image.shape[:2])
    out = output(out, image.shape, image, matte)
    reach = max(1, round(image.shape[0] / 540))
    over_rows(_outline_strips, image.shape[0], image, matte, out, reach)
    return out


def grey_picture(plane: Floats, channels: int = 3, out: Floats | None = None) -> Floats:
    """Return a plane as a grey picture, float32 (H, W, channels); a fourth channel is opaque alpha.

    >>> import numpy as np
    >>> grey_picture(np.array([[0.25]], np.float32), channels=4)
    array([[[0.25, 0.25, 0.25, 1.  ]]], dtype=float32)
    """
    if channels not in (3, 4):
        raise PictureError(f"A picture has 3 or 4 channels, not {channels}.")
    plane = as_plane(plane)
    out = output(out, (*plane.shape, channels), plane)
    planes.spread(plane, out, opaque=True)
    return out
