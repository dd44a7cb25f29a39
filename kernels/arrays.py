"""Checks on the arrays that enter and leave kernels: one clear message for a wrong shape or type."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import memory
from .devices import OnDevice
from .errors import PictureError
from .jit import strip_kernel
from .strips import over_rows

Floats = NDArray[np.float32]


def _floats(array: Any, name: str) -> Floats:
    given = np.asarray(array)
    if given.dtype == np.float32:
        if given.ndim == 2 and given.size >= _LARGE and not given.flags.c_contiguous:
            return _gathered(given)
        return np.ascontiguousarray(given)
    if given.dtype.kind == "f":
        return np.ascontiguousarray(given, dtype=np.float32)
    raise PictureError(
        f"The {name} must hold floating-point numbers with white at 1.0, not {given.dtype}: "
        "divide integer codes by their white level first."
    )


_LARGE = 1 << 16
"""Values of a plane with gaps from which all threads close them."""


@strip_kernel
def _gathered_strips(plane, out, y0, y1):
    for y in range(y0, y1):
        for x in range(out.shape[1]):
            out[y, x] = plane[y, x]


def _gathered(plane: Floats) -> Floats:
    """Return a copy of a plane of any strides, in one piece."""
    out = memory.new(plane.shape)
    over_rows(_gathered_strips, len(out), plane, out)
    return out


def as_picture(image: Any, name: str = "picture") -> Floats:
    """Return the image as float32, C-contiguous, (H, W, 3) or (H, W, 4); copied only where it is not yet so.

    Any strides are accepted; rows that do not lie one behind the other in memory are copied first.
    Raises PictureError for another shape, for an empty picture or for integers.

    >>> as_picture(np.zeros((2, 4, 3))).dtype
    dtype('float32')
    """
    shape = np.shape(image)
    if len(shape) != 3 or shape[2] not in (3, 4) or 0 in shape:
        raise PictureError(
            f"The {name} must have the shape (height, width, 3 or 4) with at least one pixel, not {shape}."
        )
    return _floats(image, name)


def picture_size(image: Any) -> tuple[int, int]:
    """Return height and width of a picture, which stays where it lies. Raises PictureError as :func:`as_picture`.

    >>> picture_size(np.zeros((2, 3, 3), np.float32))
    (2, 3)
    """
    height, width = np.shape(image if isinstance(image, OnDevice) else as_picture(image))[:2]
    return height, width


def as_plane(plane: Any, name: str = "matte", like: tuple[int, int] | None = None) -> Floats:
    """Return a matte or other single plane as float32, C-contiguous, (H, W); optionally of a given size.

    Raises PictureError for another shape, for an empty plane or for integers.

    >>> as_plane([[0.0, 1.0]], like=(1, 2))
    array([[0., 1.]], dtype=float32)
    """
    shape = np.shape(plane)
    if len(shape) != 2 or 0 in shape:
        raise PictureError(f"The {name} must have the shape (height, width) with at least one pixel, not {shape}.")
    if like is not None:
        check_size(name, shape, "its picture", tuple(like))
    return _floats(plane, name)


def check_size(name: str, shape: tuple[int, ...], other: str, like: tuple[int, ...]) -> None:
    """Raise PictureError where two things, one called ``other``, differ in rows or columns."""
    if shape != like:
        raise PictureError(
            f"The {name} is {shape[1]}×{shape[0]} pixels but {other} is {like[1]}×{like[0]}: give both the same size."
        )


def output(out: Floats | None, shape: tuple[int, ...], *inputs: Floats, name: str = "out") -> Floats:
    """Return ``out`` after checking it, or a new float32 array of that shape.

    Raises PictureError where ``out`` has another shape or type, or shares memory with an input.

    >>> output(None, (2, 4)).shape
    (2, 4)
    """
    if out is None:
        return memory.new(shape)
    if out.shape != shape or out.dtype != np.float32 or not out.flags.c_contiguous or not out.flags.writeable:
        raise PictureError(
            f"`{name}` must be a writable C-contiguous float32 array of shape {shape}, not {out.dtype} {out.shape}."
        )
    for array in inputs:
        if np.may_share_memory(out, array):
            raise PictureError(f"`{name}` must not share memory with an input: kernels never write their inputs.")
    return out


def checked(out: Floats | None, shape: tuple[int, ...], *inputs: Floats) -> Floats | None:
    """Return ``out`` after checking it, None for None: where it is used only after some steps. Raises as above.

    >>> checked(None, (2, 4)) is None
    True
    """
    return out if out is None else output(out, shape, *inputs)


def copied(array: Floats, out: Floats | None = None) -> Floats:
    """Return a copy of an array, in ``out`` where that is given. Raises PictureError as :func:`output`.

    >>> matte, out = np.ones((1, 2), np.float32), np.zeros((1, 2), np.float32)
    >>> copied(matte, out) is out
    True
    >>> out
    array([[1., 1.]], dtype=float32)
    """
    result = output(out, array.shape, array)
    np.copyto(result, array)
    return result


def placed(result: Floats, out: Floats | None) -> Floats:
    """Return what was made elsewhere, in ``out`` where that is given. Raises PictureError as :func:`output`.

    >>> made = np.ones((1, 2), np.float32)
    >>> placed(made, None) is made
    True
    """
    return result if out is None else copied(result, out)


_MOST_KEPT = 1 << 23
"""Bytes of what is passed on between steps up to which it is kept for the next picture: the key of a large one has
less, and of a small one not much would be gained."""


def scratch(shape: tuple[int, ...]) -> Floats:
    """Return a float32 array of this shape, of whatever values, for what is passed on between steps."""
    return memory.new(shape, _MOST_KEPT)


def with_alpha(image: Floats) -> bool | None:
    """Return True where pixels have a fourth component, None where not.

    Strip kernels tell by ``is None``, so that they are compiled for pixels of three components without what four need,
    and the other way round.

    >>> with_alpha(np.zeros((1, 1, 3), np.float32)), with_alpha(np.zeros((1, 1, 4), np.float32))
    (None, True)
    """
    return True if image.shape[2] == 4 else None


def matte_or_all(image: Floats, matte: Floats | None) -> tuple[Floats, np.bool_]:
    """Return the matte, or a stand-in of one pixel where there is none, and whether there is one.

    Raises PictureError for a matte that is no plane of the image's size.
    """
    if matte is None:
        return np.ones((1, 1), np.float32), np.bool_(False)
    return as_plane(matte, like=image.shape[:2]), np.bool_(True)
