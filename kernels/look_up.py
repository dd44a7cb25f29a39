"""Look-up: colours through a cube of colours, read by tetrahedral interpolation.

A cube holds what becomes of n × n × n colours, evenly spread from ``low`` to ``high`` of each channel. The eight
colours round a pixel span six tetrahedra; the pixel lies in the one whose edges follow its channels from the largest
part of the way to the smallest, and its result is the mean of four corners by those parts. Neutral colours lie on one
edge of all six, so that a cube which keeps neutral colours neutral does so everywhere.

Source: J. M. Kasson et al., "Performing color space conversions with three-dimensional linear interpolation", Journal
of Electronic Imaging 4(3), 1995; the tetrahedral interpolation that the Common LUT Format asks for (S-2014-006).
"""

from __future__ import annotations

import numpy as np

from .arrays import Floats, as_picture, output
from .colour import F, clamp, is_finite3
from .errors import ValueRangeError
from .jit import inline, strip_kernel
from .strips import over_rows

MOST_POINTS = 129
"""Points along an edge of a cube at most."""


@inline
def _corner(cube, at, k, first, second, last, large, middle, small):
    """One channel: the mean of four corners of the tetrahedron by the parts of the way."""
    a = cube[at + k]
    b = cube[at + first + k]
    c = cube[at + second + k]
    d = cube[at + last + k]
    return a + large * (b - a) + middle * (c - b) + small * (d - c)


@inline
def look_up_px(r, g, b, cube, n, low, scale):
    """Return a colour through a cube, flat; what lies beyond its range is limited to it, what is not finite passes."""
    most = F(n - 1)
    x = clamp((r - low) * scale, F(0), most)
    y = clamp((g - low) * scale, F(0), most)
    z = clamp((b - low) * scale, F(0), most)
    i = min(int(x), n - 2)
    j = min(int(y), n - 2)
    k = min(int(z), n - 2)
    x -= F(i)
    y -= F(j)
    z -= F(k)
    over, down, along = 3 * n * n, 3 * n, 3
    whole = over + down + along
    first = over if (x >= y and x >= z) else (down if y >= z else along)
    final = along if (z <= y and z <= x) else (down if y <= x else over)
    large = max(max(x, y), z)
    small = min(min(x, y), z)
    middle = max(min(x, y), min(max(x, y), z))
    at = over * i + down * j + along * k
    second = whole - final
    finite = is_finite3(r, g, b)
    return (
        _corner(cube, at, 0, first, second, whole, large, middle, small) if finite else r,
        _corner(cube, at, 1, first, second, whole, large, middle, small) if finite else g,
        _corner(cube, at, 2, first, second, whole, large, middle, small) if finite else b,
    )


@inline
def _look_up_row(row, out, m, cube, n, low, scale):
    for x in range(row.shape[0] // m):
        r, g, b = look_up_px(row[m * x], row[m * x + 1], row[m * x + 2], cube, n, low, scale)
        out[m * x] = r
        out[m * x + 1] = g
        out[m * x + 2] = b
        if m == 4:
            out[m * x + 3] = row[m * x + 3]


@strip_kernel
def _look_up_strips(image, cube, n, low, scale, out, y0, y1):
    for y in range(y0, y1):
        row = image[y].reshape(-1)
        o = out[y].reshape(-1)
        if image.shape[2] == 3:
            _look_up_row(row, o, 3, cube, n, low, scale)
        else:
            _look_up_row(row, o, 4, cube, n, low, scale)


def look_up(image: Floats, cube: Floats, low: float = 0.0, high: float = 1.0, out: Floats | None = None) -> Floats:
    """Return a picture through a cube of colours.

    :param image: float32 (H, W, 3 or 4), in the signal that the cube was made for; alpha passes.
    :param cube: float32 (n, n, n, 3), n from 2 to :data:`MOST_POINTS`, by red, green and blue.
    :param low, high: the values of a channel at the cube's first and last points; what lies beyond is limited to them.
    :returns: float32, shape of ``image``. Pixels that are not finite pass as they are.
    :raises PictureError: wrong arrays. :raises ValueRangeError: a cube that is none, or a range without width.

    >>> points = np.linspace(0, 1, 3, dtype=np.float32)
    >>> inverting = 1 - np.stack(np.meshgrid(points, points, points, indexing="ij"), axis=-1)
    >>> print(look_up(np.array([[[0.25, 0.5, 1.0]]], np.float32), inverting))
    [[[0.75 0.5  0.  ]]]
    """
    image = as_picture(image)
    cube = np.ascontiguousarray(cube, np.float32)
    if cube.ndim != 4 or not (2 <= cube.shape[0] <= MOST_POINTS) or cube.shape != (*cube.shape[:1] * 3, 3):
        raise ValueRangeError(f"A cube must be n × n × n × 3 with n from 2 to {MOST_POINTS}, not {cube.shape}.")
    if not low < high:
        raise ValueRangeError(f"The cube's range must rise, not go from {low:g} to {high:g}.")
    out = output(out, image.shape, image)
    n = cube.shape[0]
    scale = F((n - 1) / (high - low))
    over_rows(_look_up_strips, image.shape[0], image, cube.reshape(-1), n, F(low), scale, out)
    return out
