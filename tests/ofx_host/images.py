"""Images of the host: pixels in its own memory, with padding, either order of rows, and guards all round."""

from __future__ import annotations

import ctypes

import numpy as np
from numpy.typing import NDArray

DEPTHS = {
    "OfxBitDepthByte": np.uint8,
    "OfxBitDepthShort": np.uint16,
    "OfxBitDepthHalf": np.float16,
    "OfxBitDepthFloat": np.float32,
}
COMPONENTS = {"OfxImageComponentRGBA": 4, "OfxImageComponentRGB": 3, "OfxImageComponentAlpha": 1}
_GUARD, _GUARD_BYTE = 64, 0xA5


class HostImage:
    """Pixels (rows, columns, components), the lowest row first, at a place in the plane.

    :param origin: pixel coordinates of the lowest left pixel. :param padding: bytes between rows.
    :param top_down: keep the top row first in memory, so that the row stride is negative.
    :param region: region of definition; the pixels themselves where None.
    """

    def __init__(
        self,
        pixels: NDArray,
        origin: tuple[int, int] = (0, 0),
        *,
        padding: int = 0,
        top_down: bool = False,
        premultiplication: str = "OfxImageAlphaUnPremultiplied",
        field: str = "OfxFieldNone",
        region: tuple[int, int, int, int] | None = None,
        aspect: float = 1.0,
    ) -> None:
        height, width, channels = pixels.shape
        self.channels, self.type = channels, pixels.dtype
        self.stride = width * channels * pixels.dtype.itemsize + padding
        self.memory = np.full(2 * _GUARD + height * self.stride, _GUARD_BYTE, np.uint8)
        rows = np.lib.stride_tricks.as_strided(
            self.memory[_GUARD:].view(),
            (height, width * channels * pixels.dtype.itemsize),
            (self.stride, 1),
        )
        self._rows = rows
        self.top_down = top_down
        self.shape = pixels.shape
        self.write(pixels)
        self.bounds = (origin[0], origin[1], origin[0] + width, origin[1] + height)
        self.region = region or self.bounds
        self.premultiplication, self.field, self.aspect = premultiplication, field, aspect

    def write(self, pixels: NDArray) -> None:
        ordered = pixels[::-1] if self.top_down else pixels
        self._rows[...] = np.ascontiguousarray(ordered).view(np.uint8).reshape(self._rows.shape)

    def read(self) -> NDArray:
        """Return the pixels, lowest row first."""
        ordered = np.ascontiguousarray(self._rows).view(self.type).reshape(self.shape)
        return ordered[::-1] if self.top_down else ordered

    @property
    def row_bytes(self) -> int:
        return -self.stride if self.top_down else self.stride

    @property
    def address(self) -> int:
        """The address of the lowest row."""
        start: int = self.memory.ctypes.data + _GUARD
        return start + (self.shape[0] - 1) * self.stride if self.top_down else start

    def is_sound(self) -> bool:
        """Tell whether nothing was written outside the pixels."""
        outside = np.ones(self.memory.size, bool)
        inside = np.lib.stride_tricks.as_strided(outside[_GUARD:], self._rows.shape, (self.stride, 1))
        inside[...] = False
        return bool((self.memory[outside] == _GUARD_BYTE).all())

    @property
    def depth(self) -> str:
        return next(name for name, type in DEPTHS.items() if np.dtype(type) == self.type)

    @property
    def components(self) -> str:
        return next(name for name, count in COMPONENTS.items() if count == self.channels)

    def properties(self) -> dict[str, tuple]:
        return {
            "OfxPropType": ("OfxTypeImage",),
            "OfxImagePropData": (ctypes.c_void_p(self.address),),
            "OfxImagePropBounds": self.bounds,
            "OfxImagePropRegionOfDefinition": self.region,
            "OfxImagePropRowBytes": (self.row_bytes,),
            "OfxImageEffectPropPixelDepth": (self.depth,),
            "OfxImageEffectPropComponents": (self.components,),
            "OfxImageEffectPropPreMultiplication": (self.premultiplication,),
            "OfxImageEffectPropRenderScale": (1.0, 1.0),
            "OfxImagePropPixelAspectRatio": (self.aspect,),
            "OfxImagePropField": (self.field,),
            "OfxImagePropUniqueIdentifier": (f"{id(self):x}",),
        }
