"""Planes: one component out of interleaved pixels and back into them.

Pixels of a host may have gaps between their rows, and the rows may run either way. Their memory is taken here as one
flat array, in which every row begins at a place of its own: a kernel then meets whole rows only, as everywhere else.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats, output
from .colour import ONE
from .errors import PictureError
from .jit import inline, strip_kernel
from .strips import over_rows

_NONE = np.int32(0)
"""Handed over at run time: components that do not count are read and masked with it, so that whole pixels are loaded.
With every fourth number read alone, the compiler gathers one by one: half the speed."""


def has_whole_rows(pixels: NDArray[Any]) -> bool:
    """Tell whether pixels are float32 and every row lies in one piece, at any distance from the next.

    >>> pixels = np.zeros((4, 6, 3), np.float32)
    >>> has_whole_rows(pixels), has_whole_rows(pixels[::-2]), has_whole_rows(pixels[:, ::2])
    (True, True, False)
    """
    return bool(
        pixels.dtype == np.float32
        and pixels.flags.aligned
        and pixels.strides[0] % 4 == 0
        and pixels[:1].flags.c_contiguous
    )


def _rows(pixels: Floats, name: str) -> tuple[Floats, int, int]:
    """Return the memory of all rows as one flat array, where row 0 begins in it, and how far off the next row is."""
    if not has_whole_rows(pixels):
        raise PictureError(f"The {name} must be float32 with rows in one piece, not {pixels.dtype} {pixels.strides}.")
    lowest = pixels if pixels.strides[0] >= 0 else pixels[::-1]
    rows, step = pixels.shape[0], pixels.strides[0] // 4
    size = (rows - 1) * abs(step) + pixels[0].size
    flat = np.lib.stride_tricks.as_strided(lowest[:1].reshape(-1), (size,), (4,))
    return flat, 0 if step >= 0 else (1 - rows) * step, step


# --- one component ------------------------------------------------------------------------------------------


@inline
def _take_row(row, out, n, none):
    for x in range(out.shape[0]):
        if n == 4:
            out[x] = ((row[4 * x] | row[4 * x + 1] | row[4 * x + 2]) & none) | row[4 * x + 3]
        else:
            out[x] = row[3 * x] | ((row[3 * x + 1] | row[3 * x + 2]) & none)


@strip_kernel
def _take_strips(flat, first, step, out, n, none, y0, y1):
    for y in range(y0, y1):
        start = first + y * step
        row = flat[start : start + n * out.shape[1]]
        if n == 4:
            _take_row(row, out[y], 4, none)
        else:
            _take_row(row, out[y], 3, none)


def plane_of(pixels: Floats, out: Floats | None = None) -> Floats:
    """Return the plane that pixels stand for as a matte: the alpha of four components, the first of three, or the one.

    :param pixels: float32 (rows, columns, 1, 3 or 4), every row in one piece: see :func:`has_whole_rows`.
    :returns: float32 (rows, columns), the very bits. :raises PictureError: other pixels.

    >>> plane_of(np.array([[[0.1, 0.2, 0.3, 0.5]]], np.float32))
    array([[0.5]], dtype=float32)
    """
    flat, first, step = _rows(pixels, "pixels")
    rows, columns, components = pixels.shape
    out = output(out, (rows, columns), pixels)
    if components == 1:
        np.copyto(out, pixels[..., 0])
        return out
    arguments = (flat.view(np.int32), first, step, out.view(np.int32), components, _NONE)
    over_rows(_take_strips, rows, *arguments)
    return out


# --- a plane into pixels ------------------------------------------------------------------------------------


@inline
def _spread_row(plane, row, n, opaque):
    for x in range(plane.shape[0]):
        v = plane[x]
        row[n * x] = v
        row[n * x + 1] = v
        row[n * x + 2] = v
        if n == 4:
            row[n * x + 3] = ONE if opaque else v


@strip_kernel
def _spread_strips(plane, plane_first, plane_step, flat, first, step, columns, n, opaque, y0, y1):
    for y in range(y0, y1):
        start = first + y * step
        at = plane_first + y * plane_step
        if n == 3:
            _spread_row(plane[at : at + columns], flat[start : start + 3 * columns], 3, False)
        elif opaque:
            _spread_row(plane[at : at + columns], flat[start : start + 4 * columns], 4, True)
        else:
            _spread_row(plane[at : at + columns], flat[start : start + 4 * columns], 4, False)


def spread(plane: Floats, pixels: Floats, opaque: bool = False) -> None:
    """Write a plane into every component of pixels; into alpha too, unless that is to be opaque.

    :param plane: float32 (rows, columns). :param pixels: float32 (rows, columns, 3 or 4); is written. The rows of both
        lie in one piece each. :raises PictureError: other arrays.

    >>> pixels = np.zeros((1, 1, 4), np.float32)
    >>> spread(np.full((1, 1), 0.5, np.float32), pixels, opaque=True)
    >>> print(pixels)
    [[[0.5 0.5 0.5 1. ]]]
    """
    _check_sizes(plane, pixels)
    places = (*_rows(plane, "plane"), *_rows(pixels, "pixels"))
    over_rows(_spread_strips, plane.shape[0], *places, *map(int, pixels.shape[1:]), opaque)


def _check_sizes(plane: Floats, pixels: Floats) -> None:
    if plane.shape != pixels.shape[:2]:
        raise PictureError(f"The plane {plane.shape} and the pixels {pixels.shape} must have the same size.")


@inline
def _beside_row(colour, plane, row, n):
    for x in range(plane.shape[0]):
        row[4 * x] = colour[n * x]
        row[4 * x + 1] = colour[n * x + 1]
        row[4 * x + 2] = colour[n * x + 2]
        row[4 * x + 3] = plane[x]


@strip_kernel
def _beside_strips(
    colour, colour_first, colour_step, plane, plane_first, plane_step, flat, first, step, columns, n, y0, y1
):
    for y in range(y0, y1):
        start = first + y * step
        at = plane_first + y * plane_step
        begin = colour_first + y * colour_step
        row = flat[start : start + 4 * columns]
        if n == 4:
            _beside_row(colour[begin : begin + 4 * columns], plane[at : at + columns], row, 4)
        else:
            _beside_row(colour[begin : begin + 3 * columns], plane[at : at + columns], row, 3)


def put_beside(colour: Floats, plane: Floats, pixels: Floats) -> None:
    """Write the colour of a picture and, as its alpha, a plane into pixels.

    :param colour: float32 (rows, columns, 3 or 4). :param plane: float32 (rows, columns). :param pixels: float32 (rows,
        columns, 4); is written. The rows of all three lie in one piece each. :raises PictureError: other arrays.

    >>> pixels = np.zeros((1, 1, 4), np.float32)
    >>> put_beside(np.ones((1, 1, 3), np.float32), np.full((1, 1), 0.5, np.float32), pixels)
    >>> print(pixels)
    [[[1.  1.  1.  0.5]]]
    """
    _check_sizes(plane, pixels)
    _check_sizes(plane, colour)
    rows, columns = plane.shape
    places = (*_rows(colour, "colour"), *_rows(plane, "plane"), *_rows(pixels, "pixels"))
    over_rows(_beside_strips, rows, *places, columns, colour.shape[2])
