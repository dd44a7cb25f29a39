"""Faces through a clip: found every few frames, followed between, and written down as keyframes.

In every shot the detector looks at the first and the last frame and at every :data:`EVERY`-th between. From one look to
the next each face is followed by pyramidal Lucas–Kanade flow of corners in and round it, fitted with a shift, turn and
change of size (RANSAC), and what is left at the next look is spread evenly over the frames between. A face that the
detector no longer sees (a profile, a hand before it) is followed as long as its corners agree. Nothing goes across a
cut. OpenCV does the flow and the fit. Sources: see :mod:`.track`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import Floats, as_picture
from ...kernels.colour import luma
from ...kernels.face import HOLE, Cells, cells_of, cut
from ...nodes import FaceMatte
from ...nodes.declare import Picture, Value
from ..detect.faces import Face
from ..graphs.keyframes import Keyframes, thinned
from ..graphs.standard import Keyed
from .drift import find_cuts

EVERY = 8
"""Frames from one look of the detector to the next."""
FADE = 8
"""Frames over which a face comes and goes inside a shot."""
MOST_TRACKS = 40
"""Faces that a clip may have; beyond, those that fill the most of it are taken."""

_ROWS = 540
_CORNERS, _LEAST_CORNERS, _LEAST_AGREE = 60, 6, 0.4
_COME_BACK, _FIT, _MOST_GROWTH = 0.7, 2.0, 1.15
_UNSEEN = 24
"""Frames that a face may be followed without the detector seeing it."""
_SAME_FACE = 0.6
"""How far two finds of a face may lie apart, in parts of its size."""
_TOLERANCE = 6e-4
_LEAST_CELLS, _LEAST_SHARE, _WHOLE = 40, 0.6, 0.48
"""Cells of a face's skin from which its colour is told, the least part of the drawn face that they are, and how far
from the frame's middle its landmarks may lie, in parts of the frame."""
LUMA_FLOOR = 0.02
"""What a key adds to luma before it divides by it; see :mod:`inkarnat.kernels.qualify`."""

Points = NDArray[np.float64]
Read = Callable[[int], Floats]
Find = Callable[[Picture], Sequence[Face]]


@dataclass
class FaceTrack:
    """One face through one shot.

    :ivar places: landmarks, float64 (5, 2) normalised, by frame. :ivar opens, closes: the shot begins with its first
        frame, or ends with its last: there it comes or goes at once.
    :ivar colours: Cb/Y′ and Cr/Y′ of its skin as a complex number, by frame, where enough of it shows.
    """

    places: dict[int, Points] = field(default_factory=dict)
    colours: dict[int, complex] = field(default_factory=dict)
    opens: bool = False
    closes: bool = False
    seen: int = 0

    @property
    def frames(self) -> list[int]:
        """Its frames, rising."""
        return sorted(self.places)

    def presence(self) -> dict[int, float]:
        """Return how far the face counts on each of its frames: it fades in and out inside a shot."""
        frames = self.frames
        last = len(frames) - 1
        found = {}
        for k, frame in enumerate(frames):
            since = 1.0 if self.opens else (k + 1) / (FADE + 1)
            until = 1.0 if self.closes else (last - k + 1) / (FADE + 1)
            found[frame] = round(min(1.0, since, until), 4)
        return found

    def at(self, frame: int) -> FaceMatte:
        """Return the face's node at a frame; where the face is not, its presence is 0."""
        nearest = min(self.places, key=lambda other: abs(other - frame))
        eye, other_eye, nose, mouth, other_mouth = _listed(self.places[nearest])
        return FaceMatte(eye, other_eye, nose, mouth, other_mouth, 1.0 if frame in self.places else 0.0)

    def face_at(self, frame: int) -> Face:
        """Return the face on one of its frames, with the box round its landmarks."""
        points = self.places[frame]
        low, high = (np.clip(ends, 0, 1) for ends in (points.min(axis=0), points.max(axis=0)))
        return Face((float(low[0]), float(low[1]), float(high[0]), float(high[1])), 1.0, tuple(_listed(points)))

    def keyed(self, first: int, last: int) -> Keyed:
        """Return what changes over time, as keyframes for a clip that goes from the first to the last frame."""
        frames = self.frames
        moving = []
        for k, name in enumerate(("left_eye", "right_eye", "nose", "left_mouth", "right_mouth")):
            pairs: list[tuple[float, Value]] = [(frame, _listed(self.places[frame])[k]) for frame in frames]
            moving.append((name, Keyframes(thinned(pairs, _TOLERANCE))))
        there: dict[int, float] = self.presence()
        before, after = frames[0] - 1, frames[-1] + 1
        there |= {frame: 0.0 for frame in (before, after) if first <= frame <= last}
        moving.append(("presence", Keyframes(thinned(sorted(there.items()), 1e-6))))
        return tuple(moving)

    def share(self) -> float:
        """Return how much of the clip it fills: its frames times its size."""
        return sum(_size(points) ** 2 for points in self.places.values())


def follow_faces(
    read: Read, frames: Sequence[int], find: Find, tell: Callable[[int], object] = lambda frame: None
) -> tuple[FaceTrack, ...]:
    """Follow every face through a clip, those that fill the most of it first.

    :param read: the picture, float32 (H, W, 3 or 4), at a frame. :param frames: frame numbers, rising; those that
        cannot be read must be left out.
    :param find: looks for faces in a picture. :param tell: called after each frame.

    The same input gives the same tracks.
    """
    numbers = list(frames)
    starts = [numbers[0], *(find_cuts(read, numbers) if len(numbers) > 1 else ()), None]
    tracks: list[FaceTrack] = []
    for start, end in itertools.pairwise(starts):
        shot = [f for f in numbers if start is not None and f >= start and (end is None or f < end)]
        tracks += _through_shot(read, shot, find, tell)
    found = [track for track in tracks if track.places]
    return tuple(sorted(found, key=lambda track: -track.share())[:MOST_TRACKS])


def _through_shot(read: Read, shot: list[int], find: Find, tell: Callable[[int], object]) -> list[FaceTrack]:
    looks = sorted({*range(0, len(shot), EVERY), len(shot) - 1})
    picture = read(shot[0])
    aspect = picture.shape[1] / picture.shape[0]
    live = [FaceTrack({shot[0]: p}, opens=True, seen=shot[0]) for p in _points(find(picture))]
    done: list[FaceTrack] = []
    grey, grid = _grey(picture), cells_of(picture)
    _see_colours(live, shot[:1], [grid])
    tell(shot[0])
    for first, last in itertools.pairwise(looks):
        greys, grids = [grey], [grid]
        for place in range(first + 1, last + 1):
            picture = read(shot[place])
            greys.append(_grey(picture))
            grids.append(cells_of(picture))
            tell(shot[place])
        span = shot[first : last + 1]
        grey, grid = greys[-1], grids[-1]
        found = list(_points(find(picture)))
        going: list[FaceTrack] = []
        for track in live:
            path = _followed(greys, track.places[span[0]])
            whole = len(path) == len(greys)
            match = _nearest(path[-1], found, aspect) if whole else None
            if match is not None:
                own = found.pop(match)
                path = _drawn_to(path, own)
                track.seen = span[-1]
            track.places.update(zip(span[1:], path[1:], strict=False))
            lost = match is None and span[-1] - track.seen >= _UNSEEN
            (going if whole and not lost else done).append(track)
        for own in found:  # it came in between: followed back to where it did
            back = _followed(greys[::-1], own)
            track = FaceTrack(dict(zip(span[::-1], back, strict=False)), seen=span[-1])
            track.opens = first == 0 and len(back) == len(greys)
            going.append(track)
        live = going
        _see_colours([*live, *done], span, grids)
    for track in live:
        track.closes = True
    return done + live


def _see_colours(tracks: Sequence[FaceTrack], frames: Sequence[int], grids: Sequence[Cells]) -> None:
    """Note the colour of faces on frames where they lie whole and most of each is safely skin: the medians of that."""
    for track, (frame, grid) in itertools.product(tracks, zip(frames, grids, strict=True)):
        if frame not in track.places or frame in track.colours:
            continue
        points = track.places[frame]
        face = cut(grid, _listed(points), grid.luma.shape) if (np.abs(points - 0.5) < _WHOLE).all() else None
        if face is None:
            continue
        at, core = face.window.slices, face.core
        drawn = np.count_nonzero((face.radius < 0.95) & ~face.has(HOLE))
        if np.count_nonzero(core) < max(_LEAST_CELLS, _LEAST_SHARE * drawn):
            continue
        per_luma = 1 / (grid.luma[at][core].astype(np.float64) + LUMA_FLOOR)
        cb, cr = (float(np.median(plane[at][core] * per_luma)) for plane in (grid.cb, grid.cr))
        track.colours[frame] = complex(cb, cr)


def _listed(points: Points) -> list[tuple[float, float]]:
    """Return landmarks as a node has them."""
    return [(round(float(x), 6), round(float(y), 6)) for x, y in np.clip(points, -9, 9)]


def _points(faces: Sequence[Face]) -> list[Points]:
    return [np.array(face.points, np.float64) for face in faces]


def _size(points: Points) -> float:
    """Return the mean distance of the landmarks from their middle, in parts of the frame."""
    return float(np.hypot(*(points - points.mean(axis=0)).T).mean())


def _nearest(points: Points, found: Sequence[Points], aspect: float) -> int | None:
    """Return which of some finds is this face: the nearest, if it lies near and is about as large."""
    best, at = _SAME_FACE, None
    size = _size(points * (aspect, 1))
    for k, other in enumerate(found):
        apart = float(np.hypot(*((points - other).mean(axis=0) * (aspect, 1)))) / max(size, 1e-9)
        if apart < best and 0.5 < _size(other * (aspect, 1)) / max(size, 1e-9) < 2:
            best, at = apart, k
    return at


def _drawn_to(path: list[Points], end: Points) -> list[Points]:
    """Spread what is missing at the end of a path evenly over its frames."""
    missing = end - path[-1]
    steps = max(len(path) - 1, 1)
    return [points + missing * (k / steps) for k, points in enumerate(path)]


def _opencv() -> Any:
    import cv2

    return cv2


# --- from frame to frame ------------------------------------------------------------------------------------


def _grey(picture: Picture) -> NDArray[np.uint8]:
    """Return the luma at 8 bits, at most 540 rows high."""
    plane = luma(as_picture(picture))
    rows, columns = plane.shape
    if rows > _ROWS:
        cv2 = _opencv()
        plane = cv2.resize(plane, (round(columns * _ROWS / rows), _ROWS), interpolation=cv2.INTER_AREA)
    limited = np.fmin(np.fmax(plane, 0), 1)  # NaN becomes 0
    return np.asarray(np.rint(255 * limited), np.uint8)


def _followed(greys: Sequence[NDArray[np.uint8]], points: Points) -> list[Points]:
    """Follow landmarks through pictures; the path ends early where they are lost."""
    path = [points]
    for one, other in itertools.pairwise(greys):
        moved = _moved(one, other, path[-1])
        if moved is None:
            break
        path.append(moved)
    return path


def _moved(one: NDArray[np.uint8], other: NDArray[np.uint8], points: Points) -> Points | None:
    """Return where landmarks go from a picture to the next; None where the corners round them do not agree."""
    cv2 = _opencv()
    rows, columns = one.shape
    here = points * (columns, rows)
    size = float(np.hypot(*(here - here.mean(axis=0)).T).mean())
    inside = np.zeros(one.shape, np.uint8)
    cv2.circle(inside, [round(float(v)) for v in here.mean(axis=0)], max(round(2.2 * size), 3), 1, -1)
    corners = cv2.goodFeaturesToTrack(one, _CORNERS, 0.01, max(2.0, size / 8), mask=inside)
    if corners is None or len(corners) < _LEAST_CORNERS:
        return None
    corners = corners.reshape(-1, 2)
    how = {"winSize": (15, 15), "maxLevel": 4}
    there, seen, _ = cv2.calcOpticalFlowPyrLK(one, other, corners, None, **how)
    back, seen_back, _ = cv2.calcOpticalFlowPyrLK(other, one, there, None, **how)
    good = (np.hypot(*(back - corners).T) < _COME_BACK) & (seen.ravel() > 0) & (seen_back.ravel() > 0)
    if good.sum() < max(_LEAST_CORNERS, _LEAST_AGREE * len(corners)):
        return None
    matrix, agree = cv2.estimateAffinePartial2D(corners[good], there[good], ransacReprojThreshold=_FIT)
    if matrix is None or agree.sum() < max(_LEAST_CORNERS, _LEAST_AGREE * len(corners)):
        return None
    growth = float(np.hypot(matrix[0, 0], matrix[1, 0]))
    moved = (here @ matrix[:, :2].T + matrix[:, 2]) / (columns, rows)
    middle = moved.mean(axis=0)
    if not 1 / _MOST_GROWTH < growth < _MOST_GROWTH or not ((middle > -0.05) & (middle < 1.05)).all():
        return None
    return np.asarray(moved, np.float64)
