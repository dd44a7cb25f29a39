"""The parts that OpenImageIO's image algebra has: a square dilation and a colour matrix."""

from __future__ import annotations

from typing import Any

import numpy as np
import OpenImageIO as oiio

from .peers import EVERYWHERE, Array, Rows, Scene
from .plan import Plan

_RADIUS = 4
"""Of the dilation that is timed: its cost grows with the area of the window."""


class _Result:
    """An image buffer that becomes an array only where somebody asks for one: reading it back is not timed."""

    def __init__(self, buffer: Any, shape: tuple[int, ...]) -> None:
        self.buffer, self.shape = buffer, shape

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> Array:
        return np.asarray(self.buffer.get_pixels(oiio.FLOAT), dtype).reshape(self.shape)


def rows(scene: Scene) -> Rows:
    """Return the rows, each into a buffer that is kept."""
    image, matte = oiio.ImageBuf(scene.image), oiio.ImageBuf(scene.matte[..., None])
    turned = _Result(oiio.ImageBuf(), scene.image.shape)
    grown = _Result(oiio.ImageBuf(), scene.matte.shape)
    matrix = np.eye(4, dtype=np.float32)
    matrix[:3, :3] = Plan.of(scene).turn.T
    numbers, side = tuple(float(number) for number in matrix.reshape(-1)), 2 * _RADIUS + 1

    def everywhere() -> Any:
        oiio.ImageBufAlgo.colormatrixtransform(turned.buffer, image, numbers, nthreads=scene.threads)
        return turned

    def grow() -> Any:
        oiio.ImageBufAlgo.dilate(grown.buffer, matte, side, side, nthreads=scene.threads)
        return grown

    return {EVERYWHERE: everywhere, f"grow r {_RADIUS}": grow}
