"""Drawn on a scope: a region of the plot, as a matte of the picture's pixels that lie in it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ...kernels.arrays import Floats
from ...kernels.colour import ycbcr_matrix
from ...nodes import Region
from .errors import DeskError

PLOTS = ("chroma", "luma", "r", "g", "b")
"""What a region can be drawn on: the Cb/Cr plane, or a level over the width of the picture."""

MOST_POINTS = 512
_SIDE = 512
_RIM = 0.1
"""Of the grid, left free on every side for the soft edge."""
_FEATHER = 0.012


@dataclass(frozen=True)
class Drawn:
    """A region of a plot.

    :ivar plot: one of :data:`PLOTS`. :ivar points: corners of a polygon: (Cb, Cr) in the plane, or (part of the
        picture's width, level).
    """

    plot: str
    points: tuple[tuple[float, float], ...]

    @classmethod
    def parse(cls, text: str) -> Drawn:
        """Read ``chroma:0.1,0.2;0.1,0.3;…``. Raises DeskError."""
        plot, _, rest = text.partition(":")
        try:
            points = tuple((float(x), float(y)) for x, y in (pair.split(",") for pair in rest.split(";")))
        except ValueError:
            points = ()
        if plot not in PLOTS or not 3 <= len(points) <= MOST_POINTS or not all(map(math.isfinite, sum(points, ()))):
            raise DeskError(
                f"A region of a plot is {' or '.join(PLOTS)}, a colon and 3 to {MOST_POINTS} corners x,y;x,y;…"
            )
        return cls(plot, points)

    def matte(self, picture: Floats) -> Floats:
        """Return what lies in the region, float32 (H, W), 0 to 1; NaN and infinite pixels lie outside.

        :param picture: float32 (H, W, 3 or 4), R′G′B′ with BT.709 primaries.
        """
        low = np.min(self.points, axis=0)
        size = np.maximum(np.max(self.points, axis=0) - low, 1e-4)
        scale = (1 - 2 * _RIM) / size
        corners = tuple((float(x), float(y)) for x, y in (np.asarray(self.points) - low) * scale + _RIM)
        shape = Region(shape="polygon", points=corners, feather=_FEATHER)
        grid = shape.process(np.zeros((_SIDE, _SIDE, 3), np.float32))
        places = [
            np.clip(np.nan_to_num(((plane - low[i]) * scale[i] + _RIM) * _SIDE, nan=-1.0), -1, _SIDE).astype(np.int32)
            for i, plane in enumerate(self._planes(picture))
        ]
        inside = (places[0] >= 0) & (places[1] >= 0) & (places[0] < _SIDE) & (places[1] < _SIDE)
        columns, rows = (np.where(inside, place, 0) for place in places)
        matte: Floats = np.where(inside, grid[rows, columns], np.float32(0))
        return np.ascontiguousarray(matte, np.float32)

    def _planes(self, picture: Floats) -> tuple[Floats, Floats]:
        rgb = picture[..., :3]
        if self.plot == "chroma":
            matrix = ycbcr_matrix("709").astype(np.float32)
            return rgb @ matrix[1], rgb @ matrix[2]
        columns = (np.arange(picture.shape[1], dtype=np.float32) + np.float32(0.5)) / np.float32(picture.shape[1])
        across: Floats = np.broadcast_to(columns, picture.shape[:2])
        if self.plot == "luma":
            return across, rgb @ ycbcr_matrix("709")[0].astype(np.float32)
        return across, rgb[..., "rgb".index(self.plot)]
