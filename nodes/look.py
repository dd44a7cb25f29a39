"""Looks: a creative look baked into a cube of colours, and the matte that keeps skin from it."""

from __future__ import annotations

import base64
import binascii
import functools
import struct
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..kernels import join
from ..kernels import look_up as kernel
from ..kernels.arrays import Floats, as_picture, as_plane, checked, copied, placed
from ..kernels.face import grid_shape
from .declare import Matte, Node, ParamError, Picture, number, text

_FORMAT = "1."
_HEAD = struct.Struct("<B4d")
_LONGEST = 24_000_000
_LEVELS = 65535


class CubeError(ValueError):
    """The text of a cube cannot be read."""


@dataclass(frozen=True, eq=False)
class Cube:
    """A cube of colours: what becomes of evenly spread colours, and the range that they are spread over.

    :ivar colours: float32 (n, n, n, 3), by red, green and blue. :ivar low, high: of each channel.
    """

    colours: NDArray[np.float32]
    low: float = 0.0
    high: float = 1.0

    def to_text(self) -> str:
        """Write the cube as text: 65536 levels over the range of its colours, differences along blue, deflated."""
        least, most = float(self.colours.min()), float(self.colours.max())
        step = (most - least) / _LEVELS or 1.0
        levels = np.rint((self.colours.astype(np.float64) - least) / step).astype(np.uint16)
        steps = np.diff(levels, axis=2, prepend=np.uint16(0)).astype("<u2")
        parted = np.stack([steps & 255, steps >> 8]).astype(np.uint8)
        head = _HEAD.pack(self.colours.shape[0], self.low, self.high, least, step)
        return _FORMAT + base64.b64encode(zlib.compress(head + parted.tobytes(), 9)).decode("ascii")


@functools.lru_cache(maxsize=8)
def read_cube(text: str) -> Cube:
    """Read what :meth:`Cube.to_text` wrote. Raises CubeError for anything else."""
    if not text.startswith(_FORMAT) or len(text) > _LONGEST:
        raise CubeError("It is not a baked look: bake it again.")
    try:
        engine = zlib.decompressobj()
        most = _HEAD.size + 6 * kernel.MOST_POINTS**3
        data = engine.decompress(base64.b64decode(text[len(_FORMAT) :], validate=True), most + 1)
        size, low, high, least, step = _HEAD.unpack_from(data)
        body = np.frombuffer(data, np.uint8, offset=_HEAD.size)
    except (binascii.Error, zlib.error, struct.error, ValueError):
        raise CubeError("The baked look is damaged: bake it again.") from None
    figures = np.array([low, high, least, step, least + _LEVELS * step])
    fits = 2 <= size <= kernel.MOST_POINTS and body.size == 6 * size**3 and engine.eof and not engine.unused_data
    if not fits or not np.isfinite(figures).all() or np.abs(figures).max() > 1e6 or low >= high or step <= 0:
        raise CubeError("The baked look is damaged: bake it again.")
    parted = body.reshape(2, size, size, size, 3).astype(np.uint16)
    levels = np.cumsum(parted[0] | parted[1] << 8, axis=2, dtype=np.uint16)
    colours = (least + step * levels.astype(np.float64)).astype(np.float32)
    colours.setflags(write=False)
    return Cube(colours, low, high)


@dataclass(frozen=True)
class BakedLook(Node):
    """Apply a creative look that was baked into a cube of colours.

    The cube takes the working signal and gives it back. What lies beyond its range is limited to it; alpha passes, and
    so do pixels that are not finite. Empty, the picture passes as it is.

    >>> BakedLook().is_identity()
    True
    """

    name = "baked_look"
    label = "Baked look"
    group = "light"
    pixelwise = True
    reads_signal = True

    cube: str = text("", "The look as text, as `inkarnat correct --under` bakes it; empty changes nothing.")

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.cube:
            try:
                read_cube(self.cube)
            except CubeError as error:
                raise ParamError(f"{self.name}.cube cannot be read. {error}") from None

    def is_identity(self) -> bool:
        """Tell whether there is no look."""
        return not self.cube

    def process(self, image: Picture, *, out: Floats | None = None) -> Picture:
        """Return the picture under the look."""
        image = as_picture(image)
        if not self.cube:
            return copied(image, out)
        cube = read_cube(self.cube)
        return kernel.look_up(image, cube.colours, cube.low, cube.high, out)


@dataclass(frozen=True)
class ProtectMatte(Node):
    """The matte that keeps skin from a look: the correction's matte with lips, eyes and teeth, its holes filled.

    Holes of keyed skin are filled up to a size, those that are all but closed as well; where faces are known, their
    drawn outlines close them. Whatever is keyed stays keyed; nothing outside the outline of skin is added. NaN counts
    as 0. Raises PictureError where the sizes differ.

    >>> matte = np.zeros((90, 160), np.float32)
    >>> matte[20:70, 40:100] = 1
    >>> matte[40:44, 60:66] = 0  # an eye
    >>> float(ProtectMatte().process(matte)[42, 63])
    1.0
    """

    name = "protect_matte"
    label = "Protection matte"
    group = "matte"

    largest: float = number(
        0.2, 0, 1, "Holes up to this part of the skin around them are filled: an eye is about 0.02, a mouth 0.05."
    )
    bridge: float = number(
        0.05, 0, 0.2, "Openings up to this part of the skin's own size count as closed: a mouth that touches a beard."
    )

    def process(self, matte: Matte, faces: Matte | None = None, *, out: Floats | None = None) -> Matte:
        """Return the protection matte; ``faces`` is what all known faces tell."""
        matte = as_plane(matte)
        out = checked(out, matte.shape, matte, *([] if faces is None else [as_plane(faces, like=matte.shape)]))
        shape = grid_shape(*matte.shape)
        told = None if faces is None else join.on_grid(as_plane(faces, like=matte.shape), shape)
        filled = join.filled(join.on_grid(matte, shape), told, self.largest, self.bridge)
        return placed(join.over(matte, join.floor_alone(filled)), out)
