"""Tracking: a region that follows what it was drawn round through a clip, by registering frame to frame.

Corners inside the region are followed by pyramidal Lucas–Kanade optical flow, there and back again; those that come
back are fitted with a shift, turn and change of size (RANSAC). The fit goes from an anchor frame to the current one, so
errors do not add up; the anchor is renewed when half of its corners are gone. OpenCV does the flow and the fit.
Sources: B. Lucas and T. Kanade, IJCAI 1981; J.-Y. Bouguet 2000 (pyramids); Z. Kalal, K. Mikolajczyk and
J. Matas, "Forward-backward error", ICPR 2010; M. Fischler and R. Bolles, CACM 24, 1981 (RANSAC).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import Floats, as_picture
from ...kernels.colour import luma
from ...kernels.errors import InkarnatError
from ...nodes import Region
from ...nodes.declare import Value
from ..graphs.graph import Graph, Step
from ..graphs.keyframes import Keyframes, thinned
from ..graphs.standard import Keyed, keyed_step

Read = Callable[[int], Floats]
"""Returns the picture at a frame."""

LOST_BELOW = 0.4
"""Confidence below which a region counts as lost."""

_ROWS = 540
_CORNERS, _LEAST_CORNERS = 240, 8
_COME_BACK = 0.7
_FIT = 2.0
_MOST_GROWTH = 1.25
_TOLERANCE = 4e-4
"""How far thinned keyframes may lie from the measured place, in parts of the frame."""


class TrackError(InkarnatError, RuntimeError):
    """A region that cannot be followed at all."""


@dataclass(frozen=True)
class Place:
    """Where the region is at a frame, and how sure that is.

    :ivar confidence: 0 to 1: the share of the corners that agree on the move, times how well the moved picture
        correlates with the new one inside the region. 1 at the frame on which the region was drawn.
    """

    frame: int
    region: Region
    confidence: float


@dataclass(frozen=True)
class Track:
    """The places of a region in order of frames, and where it was lost.

    :ivar lost: (frame, reason) for each direction in which it was lost: nothing is said from that frame on.
    """

    places: tuple[Place, ...]
    lost: tuple[tuple[int, str], ...] = ()

    def keyed(self) -> Keyed:
        """Return what changes over time, as keyframes; outside the first and last place the region stands still."""
        moving = []
        shape = self.places[0].region.shape
        for name in ("points",) if shape == "polygon" else ("centre", "width", "height", "rotation"):
            pairs: list[tuple[float, Value]] = [(place.frame, getattr(place.region, name)) for place in self.places]
            few = thinned(pairs, _TOLERANCE * (100 if name == "rotation" else 1))
            if len({value for _, value in few}) > 1:
                moving.append((name, Keyframes(few)))
        return tuple(moving)

    def step(self, id: str = "region", image: str = "plate") -> Step:
        """Return the region as a step of a graph, with its keyframes."""
        return keyed_step(Step.of(id, self.places[0].region, image=image), self.keyed())

    def graph(self) -> Graph:
        """Return a graph of the region alone, which gives its matte."""
        return Graph.of(self.step(), matte="region")

    def as_dict(self) -> dict[str, Any]:
        """Return the track as plain JSON data."""
        return {
            "frames": [place.frame for place in self.places],
            "confidence": [round(place.confidence, 3) for place in self.places],
            "lost": [{"frame": frame, "reason": reason} for frame, reason in self.lost],
        }


def follow_region(
    read: Read,
    frames: Sequence[int],
    region: Region,
    start: int | None = None,
    told: Callable[[int], object] | None = None,
) -> Track:
    """Follow a region through frames, forwards and then backwards from the one on which it was drawn.

    :param read: gives the picture, float32 (H, W, 3 or 4), at a frame. :param frames: frame numbers, rising.
    :param region: as drawn on the frame ``start``; the first where None. :param told: called after each frame.
    :raises TrackError: OpenCV is missing, the start is not among the frames, or the region shows nothing to hold on to.

    It stops, in each direction, at the frame where the region is lost: too few corners come back, they do not agree,
    the picture no longer looks the same (:data:`LOST_BELOW`), or the region has left the frame. The same input gives
    the same track.
    """
    numbers = list(frames)
    start = numbers[0] if start is None else start
    if start not in numbers:
        raise TrackError(
            f"The region is drawn on frame {start}, which is not among frames {numbers[0]} to {numbers[-1]}."
        )
    at = numbers.index(start)
    first = Place(start, region, 1.0)
    after, lost_after = _one_way(read, start, numbers[at + 1 :], region, told)
    before, lost_before = _one_way(read, start, numbers[:at][::-1], region, told)
    lost = tuple(end for end in (lost_before, lost_after) if end is not None)
    return Track((*before[::-1], first, *after), lost)


def _one_way(
    read: Read, start: int, frames: Sequence[int], region: Region, told: Callable[[int], object] | None
) -> tuple[list[Place], tuple[int, str] | None]:
    places: list[Place] = []
    if not frames:
        return places, None
    follower = _Follower(read(start), region)
    for frame in frames:
        try:
            moved, confidence = follower.move(read(frame))
        except _Lost as lost:
            return places, (frame, str(lost))
        places.append(Place(frame, moved, confidence))
        if told is not None:
            told(frame)
    return places, None


class _Lost(Exception):
    """The region cannot be found in a frame."""


class _Follower:
    """Holds the anchor frame and the corners that are still being followed."""

    def __init__(self, picture: Floats, region: Region) -> None:
        self.cv = _opencv()
        self.grey = self._reduced(picture)
        self.region = region
        self._anchor()
        if len(self.corners) < _LEAST_CORNERS:
            raise TrackError(
                f"The region shows only {len(self.corners)} corners to hold on to, at least {_LEAST_CORNERS} are "
                "needed: draw it round something with more texture, or larger."
            )

    def _reduced(self, picture: Floats) -> NDArray[np.uint8]:
        """Return the luma at 8 bits, at most 540 rows high."""
        plane = np.nan_to_num(luma(as_picture(picture)), nan=0.0, posinf=1.0, neginf=0.0)
        grey = np.rint(np.clip(plane, 0, 1) * 255).astype(np.uint8)
        rows, columns = grey.shape
        if rows > _ROWS:
            size = (round(columns * _ROWS / rows), _ROWS)
            grey = self.cv.resize(grey, size, interpolation=self.cv.INTER_AREA)
        return grey

    def _anchor(self) -> None:
        """Take the current frame and place as those that moves are counted from."""
        self.anchor_region = self.region
        inside = self._inside(self.region)
        found = self.cv.goodFeaturesToTrack(self.grey, _CORNERS, 0.01, max(3.0, self.grey.shape[0] / 120), mask=inside)
        self.corners = np.zeros((0, 2), np.float32) if found is None else found.reshape(-1, 2).astype(np.float32)
        self.anchored, self.had = self.corners.copy(), len(self.corners)

    def _inside(self, region: Region) -> NDArray[np.uint8]:
        blank = np.zeros((*self.grey.shape, 3), np.float32)
        inside: NDArray[np.uint8] = (region.process(blank) > 0.5).astype(np.uint8)
        return inside

    def move(self, picture: Floats) -> tuple[Region, float]:
        """Find the region in the next frame and return it with the confidence. Raises _Lost."""
        grey, before, tried = self._reduced(picture), self.region, len(self.corners)
        if grey.shape != self.grey.shape:
            raise _Lost("the frame has another size")
        there, back = self._flow(grey)
        good = np.hypot(*(back - self.corners).T) < _COME_BACK
        step = self._fit(self.corners[good], there[good])
        agree = good.copy()
        agree[good] = step.agree
        confidence = float(agree.sum() / tried) * self._likeness(grey, step.matrix, before)
        if confidence < LOST_BELOW:
            raise _Lost(
                f"the picture no longer agrees (confidence {confidence:.2f}, at least {LOST_BELOW:g} is needed)"
            )
        self.anchored, self.corners = self.anchored[agree], there[agree]
        whole = self._fit(self.anchored, self.corners)
        self.region = _moved(self.anchor_region, whole.matrix, grey.shape)
        self.grey = grey
        self._check(before)
        if len(self.corners) < max(self.had / 2, 2 * _LEAST_CORNERS):
            self._anchor()
        return self.region, confidence

    def _flow(self, grey: NDArray[np.uint8]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return where the corners are in the next frame, and where those are in this one."""
        how = {"winSize": (21, 21), "maxLevel": 4}
        there, seen, _ = self.cv.calcOpticalFlowPyrLK(self.grey, grey, self.corners, None, **how)
        back, seen_back, _ = self.cv.calcOpticalFlowPyrLK(grey, self.grey, there, None, **how)
        back[(seen.ravel() == 0) | (seen_back.ravel() == 0)] = np.inf
        return there, back

    def _fit(self, start: NDArray[np.float32], end: NDArray[np.float32]) -> _Fit:
        if len(start) < _LEAST_CORNERS:
            raise _Lost(f"only {len(start)} corners are left, at least {_LEAST_CORNERS} are needed")
        matrix, agree = self.cv.estimateAffinePartial2D(start, end, ransacReprojThreshold=_FIT)
        if matrix is None or agree.sum() < _LEAST_CORNERS:
            raise _Lost("the corners do not agree on a move")
        return _Fit(matrix, agree.ravel().astype(bool))

    def _likeness(self, grey: NDArray[np.uint8], matrix: NDArray[np.float64], before: Region) -> float:
        """Correlate the last frame, moved, with the new one inside the region: 0 to 1."""
        size = (grey.shape[1], grey.shape[0])
        moved = self.cv.warpAffine(self.grey, matrix, size, borderMode=self.cv.BORDER_REPLICATE)
        inside = self._inside(_moved(before, matrix, grey.shape)) > 0
        if inside.sum() < _LEAST_CORNERS:
            raise _Lost("the region has left the frame")
        one, other = moved[inside].astype(np.float64), grey[inside].astype(np.float64)
        one, other = one - one.mean(), other - other.mean()
        norm = math.sqrt(float((one * one).sum() * (other * other).sum()))
        return max(float((one * other).sum()) / norm, 0.0) if norm > 0 else 0.0

    def _check(self, before: Region) -> None:
        x, y = _middle(self.region)
        if not (0 <= x <= 1 and 0 <= y <= 1):
            raise _Lost("the region has left the frame")
        growth = self.region.width / before.width
        if self.region.shape != "polygon" and not 1 / _MOST_GROWTH < growth < _MOST_GROWTH:
            raise _Lost(f"its size jumps by a factor of {growth:.2f}")


@dataclass(frozen=True)
class _Fit:
    matrix: NDArray[np.float64]
    agree: NDArray[np.bool_]


def _middle(region: Region) -> tuple[float, float]:
    if region.shape != "polygon":
        return region.centre
    x, y = np.mean(region.points, axis=0)
    return float(x), float(y)


def _moved(region: Region, matrix: NDArray[np.float64], size: tuple[int, ...]) -> Region:
    """Return a region after a move in pixels of a frame of that size (rows, columns)."""
    rows, columns = size[:2]

    def carried(point: tuple[float, float]) -> tuple[float, float]:
        x, y = matrix @ (point[0] * columns - 0.5, point[1] * rows - 0.5, 1.0)
        return float((x + 0.5) / columns), float((y + 0.5) / rows)

    if region.shape == "polygon":
        return dataclasses.replace(region, points=tuple(carried(point) for point in region.points))
    growth = math.hypot(matrix[0, 0], matrix[1, 0])
    turn = math.degrees(math.atan2(matrix[1, 0], matrix[0, 0]))  # clockwise as seen, for y runs down
    return dataclasses.replace(
        region,
        centre=carried(region.centre),
        width=region.width * growth,
        height=region.height * growth,
        rotation=region.rotation - turn,
    )


def _opencv() -> ModuleType:
    try:
        import cv2
    except ImportError:
        raise TrackError("Following a region needs OpenCV: pip install opencv-python-headless.") from None
    module: ModuleType = cv2
    return module
