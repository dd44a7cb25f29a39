"""Surroundings: what a picture shows round a face, by which its clip is known again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..kernels.arrays import as_picture
from ..kernels.colour import luma
from .declare import Picture

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
