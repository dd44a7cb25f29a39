"""Surroundings: what a picture shows round a face, by which its clip is known again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..kernels.arrays import as_picture, as_plane
from ..kernels.colour import luma
from .declare import Matte, Picture

_SIDE, _TAKEN = 16, 4
_ROUND = 1.5
"""How far round its landmarks a face is looked at, in parts of their largest extent."""
_ALIKE = 0.9
"""Least rank correlation of the same frame. On 18 real pictures a proxy of half the size, a coarse JPEG or a log curve
keeps it above .98; other frames of one clip have at most .67 there, other people .54."""


ANOTHER_CLIP = "The faces lie in another clip, so they are left out here and the key works without them."
"""What is said of faces round which a clip shows something else."""


@dataclass(frozen=True)
class Surroundings:
    """16 × 16 levels of luma round a place of a picture, from a proxy and from full size the same but for grain.

    :ivar x, y: the middle, in parts of the frame. :ivar reach: from the middle to the sides, in frame heights.
    :ivar levels: 256 codes of 8 bits, row by row; beyond the frame its edge goes on.

    >>> ramp = np.ascontiguousarray(np.linspace(0, 1, 90 * 160 * 3).reshape(90, 160, 3), np.float32)
    >>> kept = Surroundings.round(ramp, [(0.4, 0.4), (0.6, 0.4), (0.5, 0.5), (0.4, 0.6), (0.6, 0.6)])
    >>> kept.are_in(ramp), kept.are_in(np.ascontiguousarray(ramp[::-1]))
    (True, False)
    >>> Surroundings.read(kept.text()) == kept
    True
    """

    x: float
    y: float
    reach: float
    levels: bytes

    @classmethod
    def round(cls, picture: Picture, landmarks: Sequence[tuple[float, float]]) -> Surroundings:
        """Return what a picture shows round a face.

        :param picture: float32 (H, W, 3 or 4). :param landmarks: points of the face, in parts of the frame.
        :raises PictureError: a wrong array.
        """
        height, width = as_picture(picture).shape[:2]
        points = np.array(landmarks, np.float64)
        x, y = (round(float(middle), 5) for middle in points.mean(axis=0))
        extent = float(np.ptp(points * (width, height), axis=0).max())
        reach = round(_ROUND * max(extent, 1.0) / height, 5)
        return cls(x, y, reach, _levels(picture, x, y, reach))

    def are_in(self, picture: Picture) -> bool:
        """Tell whether a picture shows the same there, in whatever size and through whatever curve.

        :param picture: float32 (H, W, 3 or 4). :raises PictureError: a wrong array.
        """
        seen = _levels(as_picture(picture), self.x, self.y, self.reach)
        return _rank_correlation(*(np.frombuffer(levels, np.uint8) for levels in (self.levels, seen))) >= _ALIKE

    def text(self) -> str:
        """Return them as text: the place, and the levels as hexadecimal digits."""
        return f"{self.x},{self.y},{self.reach}:{self.levels.hex()}"

    @classmethod
    def read(cls, text: str) -> Surroundings:
        """Read them from text. Raises ValueError for one that holds something else."""
        place, _, levels = text.partition(":")
        x, y, reach = map(float, place.split(","))
        known = bytes.fromhex(levels)
        if len(known) != _SIDE * _SIDE or not (np.isfinite((x, y, reach)).all() and 0 < reach <= _FAR):
            raise ValueError(f"{text[:40]!r} is no place and {_SIDE * _SIDE} levels")
        return cls(x, y, reach, known)


_FAR = 100.0


@dataclass(frozen=True)
class Scene:
    """What one frame of a clip shows at some place and in which light, by which clip and frame are known again.

    :ivar shows: what lies there. :ivar colour: mean red, green and blue of the whole frame.

    >>> ramp = np.ascontiguousarray(np.linspace(0, 1, 90 * 160 * 3).reshape(90, 160, 3), np.float32)
    >>> kept = Scene.of(ramp, [(0.4, 0.4), (0.6, 0.6)])
    >>> kept.is_in(ramp), kept.is_in(ramp * np.float32(0.9)), kept.is_in(ramp * np.float32(0.9), any_light=True)
    (True, False, True)
    >>> Scene.read(kept.told()) == kept
    True
    """

    shows: Surroundings
    colour: tuple[float, ...]

    @classmethod
    def of(cls, picture: Picture, places: Sequence[tuple[float, float]]) -> Scene:
        """Return what a picture shows round places.

        :param picture: float32 (H, W, 3 or 4). :param places: points in parts of the frame, at least one.
        :raises PictureError: a wrong array.
        """
        return cls(Surroundings.round(picture, places), tuple(round(value, 4) for value in _mean_colour(picture)))

    def is_in(self, picture: Picture, any_light: bool = False) -> bool:
        """Tell whether a picture shows the same there in the same light, or in ``any_light``.

        :param picture: float32 (H, W, 3 or 4). :raises PictureError: a wrong array.
        """
        off = max(abs(a - b) for a, b in zip(self.colour, _mean_colour(picture), strict=True))
        return self.shows.are_in(picture) and (any_light or off < _SAME_LIGHT)

    def told(self) -> dict[str, Any]:
        """Return it as plain JSON data."""
        return {"shows": self.shows.text(), "colour": list(self.colour)}

    @classmethod
    def read(cls, told: Mapping[str, Any]) -> Scene:
        """Read it from JSON data. Raises ValueError, TypeError, KeyError or AttributeError for something else."""
        colour = tuple(float(value) for value in told["colour"])
        if len(colour) != 3:
            raise ValueError(f"{colour!r} are not red, green and blue")
        return cls(Surroundings.read(told["shows"]), colour)


@dataclass(frozen=True)
class SeenMatte:
    """A matte that somebody looked at, with the frame that it lay on, by which both are known again.

    :ivar scene: what lies round the matte. :ivar cells: 16 × 16 means of it in codes of 8 bits, row by row.

    >>> picture = np.ascontiguousarray(np.linspace(0, 1, 90 * 160 * 3).reshape(90, 160, 3), np.float32)
    >>> matte = np.zeros((90, 160), np.float32)
    >>> matte[30:60, 60:100] = 1
    >>> kept = SeenMatte.of(picture, matte)
    >>> kept.is_in(picture, matte), kept.is_in(picture, matte[::-1].copy()), kept.is_in(picture, 1 - matte)
    (True, True, False)
    >>> SeenMatte.read(kept.told()) == kept
    True
    """

    scene: Scene
    cells: bytes

    @classmethod
    def of(cls, picture: Picture, matte: Matte) -> SeenMatte | None:
        """Return what a picture and its matte show, None for a matte that is 0 all over.

        :param picture: float32 (H, W, 3 or 4). :param matte: float32 (H, W). :raises PictureError: wrong arrays.
        """
        cells = _matte_cells(matte)
        weights = np.frombuffer(cells, np.uint8).reshape(_SIDE, _SIDE).astype(np.float64)
        if not weights.any():
            return None
        at = (np.arange(_SIDE) + 0.5) / _SIDE
        (x, dx), (y, dy) = (_spread(weights.sum(axis=axis), at) for axis in (0, 1))
        return cls(Scene.of(picture, [(x - dx, y - dy), (x + dx, y + dy)]), cells)

    def is_in(self, picture: Picture, matte: Matte) -> bool:
        """Tell whether a picture shows the same there in the same light, with the same matte.

        :param picture: float32 (H, W, 3 or 4). :param matte: float32 (H, W). :raises PictureError: wrong arrays.
        """
        kept, now = (np.frombuffer(cells, np.uint8).astype(int) for cells in (self.cells, _matte_cells(matte)))
        return bool(np.abs(kept - now).max() <= _SAME_CELL) and self.scene.is_in(picture)

    def told(self) -> dict[str, Any]:
        """Return it as plain JSON data."""
        return {**self.scene.told(), "matte": self.cells.hex()}

    @classmethod
    def read(cls, told: Mapping[str, Any]) -> SeenMatte:
        """Read it from JSON data. Raises ValueError, TypeError, KeyError or AttributeError for something else."""
        cells = bytes.fromhex(told["matte"])
        if len(cells) != _SIDE * _SIDE:
            raise ValueError(f"{len(cells)} levels of a matte are not {_SIDE * _SIDE}")
        return cls(Scene.read(told), cells)


_SAME_CELL = 16
"""Largest difference of a cell's mean, in codes of 8 bits, in one matte from a proxy and from full size: chosen for
this project, no source. A 256th of the frame that is keyed by a sixteenth more, or less, is another matte."""


def _matte_cells(matte: Matte) -> bytes:
    plane: NDArray[np.floating[Any]] = np.clip(as_plane(matte), 0, 1)
    for axis in (0, 1):
        edges = np.linspace(0, plane.shape[axis], _SIDE + 1)
        first = np.minimum(edges[:-1].astype(int), plane.shape[axis] - 1)
        count = np.maximum(np.diff([*first, plane.shape[axis]]), 1)
        shape = (-1, 1) if axis == 0 else (1, -1)
        plane = np.add.reduceat(plane, first, axis=axis, dtype=np.float64) / count.reshape(shape)
    return np.asarray(np.rint(plane * 255), np.uint8).tobytes()


def _spread(weights: NDArray[np.float64], at: NDArray[np.float64]) -> tuple[float, float]:
    """Return the middle of what is weighed, and how far it spreads to each side."""
    middle = float((weights * at).sum() / weights.sum())
    return middle, max(float(np.sqrt((weights * (at - middle) ** 2).sum() / weights.sum())), 1 / _SIDE)


_SAME_LIGHT = 0.004
"""Largest difference of the mean colour of one frame. Half the size, a JPEG of quality 70 and other noise stay below
.0021 on 33 pictures of real people; 8 mired change it by .0059 and more, a sixth of a stop by .013."""


def _mean_colour(picture: Picture) -> tuple[float, ...]:
    step = max(picture.shape[0] // 180, 1)
    seen = np.clip(np.nan_to_num(picture[::step, ::step, :3], posinf=0, neginf=0), 0, 1)
    return tuple(float(value) for value in seen.mean(axis=(0, 1), dtype=np.float64))


def _levels(picture: Picture, x: float, y: float, reach: float) -> bytes:
    height, width = picture.shape[:2]
    across, down = (
        np.clip(np.rint(at * size + reach * height * _STEPS), 0, size - 1).astype(int)
        for at, size in ((x, width), (y, height))
    )
    there = np.asarray(luma(np.ascontiguousarray(picture[down][:, across], np.float32)))
    seen = np.clip(np.nan_to_num(there, posinf=0, neginf=0), 0, 1)
    cells = seen.reshape(_SIDE, _TAKEN, _SIDE, _TAKEN).mean(axis=(1, 3))
    return np.asarray(np.rint(cells * 255), np.uint8).tobytes()


_STEPS = np.linspace(-1, 1, _SIDE * _TAKEN)


def _rank_correlation(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> float:
    """Return Spearman's rank correlation: a curve or another level changes nothing; 1 for two flat pictures."""
    ranks = [_ranks(levels) - (levels.size - 1) / 2 for levels in (one, other)]
    size = [float((r * r).sum()) for r in ranks]
    if min(size) == 0:
        return float(max(size) == 0)
    return float((ranks[0] * ranks[1]).sum() / np.sqrt(size[0] * size[1]))


def _ranks(levels: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return the rank of every level, the mean rank of those that are equal."""
    _, which, count = np.unique(levels, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    return np.asarray((last - (count + 1) / 2)[which.ravel()], np.float64)
