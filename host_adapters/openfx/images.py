"""Images of a host: views on their pixels, and to and from the pictures and mattes of nodes."""

from __future__ import annotations

import contextlib
import ctypes
import math
import threading
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ...kernels import codes, planes, strips
from ...kernels.arrays import Floats
from . import api
from .properties import OpenFXError, Properties, Suites

Pixels = NDArray[Any]
"""(rows, columns, components) in the host's type, the bottom row first, any row stride."""

CHANNELS = {api.RGBA: 4, api.RGB: 3, api.ALPHA: 1}
_TYPES: dict[bytes, np.dtype[Any]] = {
    api.BYTE: np.dtype(np.uint8),
    api.SHORT: np.dtype(np.uint16),
    api.HALF: np.dtype(np.float16),
    api.FLOAT: np.dtype(np.float32),
}


class Box(NamedTuple):
    """A rectangle of pixels, right and top edge not included."""

    x1: int
    y1: int
    x2: int
    y2: int

    def within(self, other: Box) -> Box:
        """Return what both have in common; empty where that is nothing."""
        x1, y1 = max(self.x1, other.x1), max(self.y1, other.y1)
        return Box(x1, y1, max(min(self.x2, other.x2), x1), max(min(self.y2, other.y2), y1))

    @property
    def width(self) -> int:
        """Columns."""
        return self.x2 - self.x1

    @property
    def height(self) -> int:
        """Rows."""
        return self.y2 - self.y1

    @property
    def is_empty(self) -> bool:
        """Whether it holds no pixel."""
        return self.x2 <= self.x1 or self.y2 <= self.y1


class Image:
    """One image of a clip at one time: a context that gives it back to the host at its end, whatever happens."""

    def __init__(self, suites: Suites, handle: int) -> None:
        self.suites, self.handle = suites, handle
        self._released = False
        try:
            self._read(Properties(suites, handle))
        except BaseException:
            self.release()
            raise

    def _read(self, properties: Properties) -> None:
        self.bounds = Box(*properties.wholes(api.IMAGE_BOUNDS, 4))
        self.row_bytes = properties.whole(api.IMAGE_ROW_BYTES)
        self.data = properties.pointer(api.IMAGE_DATA)
        depth, components = properties.string(api.DEPTH), properties.string(api.COMPONENTS)
        if depth not in _TYPES or components not in CHANNELS:
            raise OpenFXError(
                f"The image is {depth.decode()}, {components.decode()}: give the effect RGBA, RGB or Alpha in byte, "
                "short, half or float.",
                api.IMAGE_FORMAT,
            )
        self.type, self.channels = _TYPES[depth], CHANNELS[components]
        self.is_premultiplied = properties.string(api.PREMULTIPLICATION, b"") == api.PREMULTIPLIED
        self.aspect = properties.double(api.IMAGE_ASPECT, 0, 1.0) or 1.0
        self.field = properties.string(api.IMAGE_FIELD, b"")
        try:
            self.region = Box(*properties.wholes(api.IMAGE_ROD, 4))
        except OpenFXError:
            self.region = self.bounds
        if self.region.is_empty:
            self.region = self.bounds

    def release(self) -> None:
        """Give the image back; a second time does nothing."""
        if not self._released:
            self._released = True
            self.suites.effect.clip_release_image(self.handle)

    def __enter__(self) -> Image:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()

    def pixels(self, box: Box) -> Pixels:
        """Return a view on the pixels of a box inside the bounds; it must not outlive the image."""
        shape = (box.height, box.width, self.channels)
        step = self.type.itemsize * self.channels
        start = self.data + (box.y1 - self.bounds.y1) * self.row_bytes + (box.x1 - self.bounds.x1) * step
        strides = (self.row_bytes, step, self.type.itemsize)
        return np.asarray(_Window(start, shape, strides, self.type))


class _Window:
    """Describes pixels in the host's memory to numpy, which takes them without a copy."""

    __slots__ = ("__array_interface__",)

    def __init__(self, start: int, shape: tuple[int, ...], strides: tuple[int, ...], type: np.dtype[Any]) -> None:
        self.__array_interface__ = {
            "version": 3,
            "typestr": type.str,
            "shape": shape,
            "data": (start, False),
            "strides": strides,
        }


def fetch(suites: Suites, clip: int | None, time: float) -> Image | None:
    """Fetch the image of a clip, or None where there is none: not connected, or outside its time."""
    if not clip:
        return None
    handle = ctypes.c_void_p()
    status = suites.effect.clip_get_image(clip, time, None, ctypes.byref(handle))
    if status == api.FAILED or not handle.value:
        return None
    if status != api.OK:
        raise OpenFXError("The host could not deliver an image.", status if status > 0 else api.FAILED)
    image = Image(suites, handle.value)
    if not image.data or image.bounds.is_empty:
        image.release()
        return None
    return image


# --- memory -------------------------------------------------------------------------------------------------

Borrow = Callable[[tuple[int, ...]], Floats]
"""Lends an array of a shape with anything in it."""


class Scratch:
    """Memory for frames and bands, kept from one render to the next: fresh memory costs more than filling it.

    :ivar most: bytes that are kept at most while nobody uses them; what was given back first goes first.
    """

    def __init__(self, most: int = 512 << 20) -> None:
        self.most, self._lock = most, threading.Lock()
        self._free: list[Floats] = []

    @property
    def held(self) -> int:
        """Bytes that are kept for the next render."""
        with self._lock:
            return sum(buffer.nbytes for buffer in self._free)

    def take(self, count: int) -> Floats:
        """Return a flat array of this many numbers or up to twice as many."""
        with self._lock:
            for index, buffer in enumerate(self._free):
                if count <= buffer.size <= 2 * count:
                    return self._free.pop(index)
        return np.empty(count, np.float32)

    def give(self, buffer: Floats) -> None:
        """Take an array back; nobody may hold it any longer."""
        with self._lock:
            self._free.insert(0, buffer)
            while sum(kept.nbytes for kept in self._free) > self.most:
                self._free.pop()

    def clear(self) -> None:
        """Forget every array."""
        with self._lock:
            self._free = []

    @contextlib.contextmanager
    def borrowing(self) -> Iterator[Borrow]:
        """Give a function that lends arrays, and take them all back at the end."""
        lent: list[Floats] = []

        def borrow(shape: tuple[int, ...]) -> Floats:
            count = math.prod(shape)
            lent.append(self.take(count))
            return lent[-1][:count].reshape(shape)

        try:
            yield borrow
        finally:
            for buffer in lent:
                self.give(buffer)


# --- to pictures and mattes ---------------------------------------------------------------------------------


def to_floats(pixels: Pixels, borrow: Borrow) -> Floats:
    """Return the values with white at 1.0, one behind the other; float pixels that lie so are handed on as they are."""
    if pixels.dtype.kind == "u":
        return codes.dequantise(pixels, 8 * pixels.dtype.itemsize)
    if is_plain(pixels):
        return pixels
    values = borrow(pixels.shape)
    copy_rows(values, pixels)
    return values


def to_picture(pixels: Pixels, borrow: Borrow) -> Floats:
    """Return pixels as a picture; Alpha becomes a grey picture whose alpha is the same, (a, a, a, a)."""
    values = to_floats(pixels, borrow)
    if values.shape[2] > 1:
        return values
    grey = borrow((*values.shape[:2], 4))
    planes.spread(values[..., 0], grey)
    return grey


def to_matte(pixels: Pixels, borrow: Borrow) -> Floats:
    """Return pixels as a matte: Alpha itself, the alpha of RGBA, the red of RGB."""
    if planes.has_whole_rows(pixels) and pixels.shape[2] > 1:
        return planes.plane_of(pixels, borrow(pixels.shape[:2]))
    return to_floats(pixels[..., 3 if pixels.shape[2] == 4 else 0], borrow)


def to_unpacked(pixels: Pixels, kind: str, borrow: Borrow) -> Floats:
    """Return pixels as what a port of this kind takes, one behind the other."""
    return to_matte(pixels, borrow) if kind == "matte" else to_picture(pixels, borrow)


# --- and back -----------------------------------------------------------------------------------------------


def store(pixels: Pixels, values: Floats) -> None:
    """Write values into the host's pixels, one for all components where there is only one of them.

    Integers are limited and rounded, but not dithered: tiles have to agree.
    """
    if pixels.dtype.kind == "u":
        copy_rows(pixels, codes.quantise(values, 8 * pixels.dtype.itemsize, dither=False))
    else:
        copy_rows(pixels, values)


def is_plain(pixels: Pixels) -> bool:
    """Tell whether pixels are float and lie one behind the other, as kernels read and write them."""
    return pixels.dtype == np.float32 and bool(pixels.flags.c_contiguous)


def copy_rows(target: Pixels, values: Pixels) -> None:
    """Copy rows, shared out among the threads."""

    def rows(y0: int, y1: int) -> None:
        with np.errstate(over="ignore"):
            target[y0:y1] = values[y0:y1]

    strips.over_rows(rows, target.shape[0])


def store_picture(pixels: Pixels, picture: Floats) -> None:
    """Write a picture: to Alpha goes its alpha, and a picture without alpha is opaque."""
    have, want = picture.shape[2], pixels.shape[2]
    if want == 1:
        store(pixels, picture[..., 3:] if have == 4 else np.ones((*picture.shape[:2], 1), np.float32))
    elif want <= have:
        store(pixels, picture[..., :want])
    else:
        store(pixels[..., :3], picture)
        pixels[..., 3] = 1 if pixels.dtype.kind == "f" else np.iinfo(pixels.dtype).max


def store_matte(pixels: Pixels, matte: Floats, picture: Floats | None) -> None:
    """Write a matte: into every component, or into alpha beside the colour of a picture."""
    components = pixels.shape[2]
    is_direct = components > 1 and all(planes.has_whole_rows(array) for array in (pixels, matte))
    if components < 4 or picture is None:
        if is_direct:
            planes.spread(matte, pixels)
        else:
            store(pixels, matte[..., None])
    elif is_direct and planes.has_whole_rows(picture):
        planes.put_beside(picture, matte, pixels)
    else:
        store(pixels[..., :3], picture[..., :3])
        store(pixels[..., 3:], matte[..., None])
