"""Faces: pictures in, boxes and landmarks out."""

from __future__ import annotations

import importlib.util
import math
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import as_picture
from ...nodes import FaceMatte, Sample
from ...nodes.declare import Picture
from .networks import Answers, NetworkError, asked
from .prepared import brightened, limited

MODEL_VARIABLE = "INKARNAT_FACE_MODEL"
"""Environment variable that names a model file to use in place of the packaged one."""

HOW_TO_INSTALL = (
    "Faces are not looked for: OpenCV, which runs the face detector, is not installed. Install it with "
    "`pip install opencv-python-headless`."
)

_PACKAGED = Path(__file__).with_name("centerface.onnx")
"""Where it comes from, and its licence: ``centerface.txt`` beside it."""

_answers: Answers[tuple[Face, ...]] = Answers(64)
_LONG_SIDE = 640
_LEAST_SCORE, _UNSURE_SCORE, _MOST_OVERLAP = 0.5, 0.3, 0.3
_LEAST_TURNED = 0.6
"""How sure a turned frame and its mirror image must be together: hands and folds that lie on their side deceive."""
_FINER = 1.25
"""How much larger a picture in which no face is found is looked at."""


class FaceError(NetworkError):
    """The face detector is missing or its file cannot be used."""

    told = "The face detector {path} cannot be used ({why}): it must be the CenterFace network."


@dataclass(frozen=True)
class Face:
    """A face: its box in coordinates normalised to the frame, and how sure the detector is, 0 to 1.

    :ivar points: its five landmarks: the two eyes, the tip of the nose, the corners of the mouth; from the left of the
        picture. They may lie beyond the frame.
    """

    box: tuple[float, float, float, float]
    score: float
    points: tuple[tuple[float, float], ...]

    def moved(self, to: Callable[[float, float], tuple[float, float]]) -> Face:
        """Return the face where a turn or a reflection of the frame, by quarters and halves, takes it."""
        (x0, y0), (x1, y1) = to(*self.box[:2]), to(*self.box[2:])
        box = min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)
        return replace(
            self, box=box, points=tuple((_in_reach(x), _in_reach(y)) for x, y in (to(*p) for p in self.points))
        )

    def mirrored(self) -> Face:
        """Return the face in the mirror image of its frame, its landmarks from the left again."""
        face = self.moved(lambda x, y: (1 - x, y))
        one, other, nose, left, right = face.points
        return replace(face, points=(other, one, nose, right, left))

    def as_dict(self) -> dict[str, Any]:
        """Return the face as plain JSON data."""
        points = [[round(v, 5) for v in point] for point in self.points]
        return {"box": [round(v, 5) for v in self.box], "score": round(self.score, 3), "points": points}

    def matte(self, **settings: float) -> FaceMatte:
        """Return the node that cuts this face out of its picture, with settings of its own."""
        return FaceMatte(*self.points, **settings)  # type: ignore[arg-type]

    def sample(self) -> Sample:
        """Return the sample from which a key learns this face's skin."""
        return Sample.face(*self.box)


# --- the detector's file ------------------------------------------------------------------------------------


def model_file() -> Path:
    """Return the detector's file, the packaged one or a named one. Raises FaceError for one that is missing."""
    named = os.environ.get(MODEL_VARIABLE)
    if named:
        path = Path(named)
        if not path.is_file():
            raise FaceError(f"{MODEL_VARIABLE} names {named!r}, which is not a file: name the detector's ONNX file.")
        return path
    if not _PACKAGED.is_file():
        raise FaceError(f"{_PACKAGED} is missing: install Inkarnat again, or name the file in {MODEL_VARIABLE}.")
    return _PACKAGED


def available() -> bool:
    """Tell whether faces can be found: OpenCV is there. Raises FaceError where the detector's file is missing."""
    return importlib.util.find_spec("cv2") is not None and bool(model_file())


# --- finding ------------------------------------------------------------------------------------------------


def find_faces(picture: Picture, again: bool = False) -> tuple[Face, ...]:
    """Return the faces in a picture, the largest first.

    :param picture: float32 (H, W, 3 or 4), display-referred R′G′B′. A dark picture is looked at brightened.
    :param again: where no face is found, look once more: mirrored, levelled, turned by right angles and larger, until
        one is found; up to .5 s more. What one look finds counts only where its mirror image shows it too.
    :raises FaceError: the detector is not installed, or its file cannot be used.

    The same picture gives the same faces, bit for bit.
    """
    if importlib.util.find_spec("cv2") is None:
        raise FaceError(HOW_TO_INSTALL)
    picture = as_picture(picture)
    frame = _prepared(picture, _LONG_SIDE)
    looked = _looked_at(frame)
    found = [face for face in looked if face.score > _LEAST_SCORE]
    if again and not found:
        found = _seen_twice(frame, looked) or next(filter(None, map(_seen_twice, _other_frames(picture, frame))), [])
    return tuple(sorted(found, key=lambda face: -_area(face.box)))


def find_face_mattes(picture: Picture) -> tuple[FaceMatte, ...]:
    """Return the nodes that cut the faces of a picture out, the largest first; see :func:`find_faces`."""
    return tuple(face.matte() for face in find_faces(picture, again=True))


def near_point(faces: Sequence[Face], x: float, y: float) -> Face | None:
    """Return the nearest face whose box, grown by a third on every side, holds the point."""

    def away(face: Face) -> float:
        left, top, right, bottom = face.box
        across = abs(x - (left + right) / 2) / (right - left)
        return max(across, abs(y - (top + bottom) / 2) / (bottom - top))

    nearest = min(faces, key=away, default=None)
    return nearest if nearest is not None and away(nearest) <= 0.5 + 1 / 3 else None


@dataclass(frozen=True)
class _Frame:
    """What the network looks at: float32 (rows, columns, 3), 0 to 1, with sides that 32 divides.

    :ivar turns: how many quarter turns it is turned by, counter-clockwise.
    """

    picture: NDArray[np.float32]
    turns: int = 0

    def upright(self, faces: Sequence[Face]) -> list[Face]:
        """Return faces of this frame as they lie in the picture."""
        for _ in range(self.turns):
            faces = [face.moved(lambda x, y: (1 - y, x)) for face in faces]
        return list(faces)


def _prepared(picture: Picture, long_side: int) -> _Frame:
    """Return the picture as the network is to see it, at most so large; a dark one brightened."""
    import cv2

    height, width = picture.shape[:2]
    scale = min(1.0, long_side / max(height, width))
    rows, columns = (max(32, round(side * scale / 32) * 32) for side in (height, width))
    small = cv2.resize(limited(picture), (columns, rows), interpolation=cv2.INTER_AREA)
    return _Frame(brightened(np.asarray(small, np.float32)))


def _other_frames(picture: Picture, frame: _Frame) -> Iterator[_Frame]:
    """Yield what else a picture without faces is looked at as, what finds most first."""
    yield _Frame(_levelled(frame.picture))
    for turns in (1, 3, 2):
        yield _Frame(np.rot90(frame.picture, turns), turns)
    if max(picture.shape[:2]) > _FINER * _LONG_SIDE:
        yield _prepared(picture, round(_FINER * _LONG_SIDE))


def _levelled(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a picture whose mean is grey, with a middle of the same brightness, and with even local contrast."""
    import cv2

    mean = picture.reshape(-1, 3).mean(axis=0)
    grey = np.clip(picture * (mean.mean() / np.maximum(mean, 0.02)), 0, 1)
    middle = float(np.clip(np.median(grey.mean(axis=-1)), 0.02, 0.98))
    bent = grey ** np.float32(np.clip(math.log(0.45) / math.log(middle), 0.4, 1.2))
    lab = cv2.cvtColor(np.ascontiguousarray(bent, np.float32), cv2.COLOR_RGB2LAB)
    light = np.rint(np.clip(lab[..., 0] / 100, 0, 1) * 65535).astype(np.uint16)
    lab[..., 0] = cv2.createCLAHE(3.0, (8, 8)).apply(light).astype(np.float32) * np.float32(100 / 65535)
    return np.clip(cv2.cvtColor(lab, cv2.COLOR_LAB2RGB), 0, 1)


def _seen_twice(frame: _Frame, looked: Sequence[Face] | None = None) -> list[Face]:
    """Return the faces that a frame and its mirror image both show, as they lie in the picture."""
    looked = _looked_at(frame) if looked is None else looked
    if not looked:
        return []
    other = [face.mirrored() for face in _looked_at(_Frame(np.ascontiguousarray(frame.picture[:, ::-1])))]
    least = _LEAST_TURNED if frame.turns else _LEAST_SCORE
    found = []
    for face in looked:
        twin = max(other, key=lambda seen: _overlap(face.box, seen.box), default=None)
        if twin is None or _overlap(face.box, twin.box) <= _MOST_OVERLAP or face.score + twin.score <= 2 * least:
            continue
        found.append(max(face, twin, key=lambda seen: seen.score))
    return frame.upright(found)


def _looked_at(frame: _Frame) -> list[Face]:
    """Return what the network takes for faces in a frame, the unsure ones too."""
    path = str(model_file())
    return list(_answers.of(path, frame.picture, ask=lambda: tuple(_asked(frame.picture, path))))


def _asked(picture: NDArray[np.float32], path: str) -> list[Face]:
    rows, columns = picture.shape[:2]
    cells = rows // 4, columns // 4
    shapes = [cells, (2, *cells), (2, *cells), (10, *cells)]
    blob = picture.transpose(2, 0, 1)[None] * np.float32(255)
    heat, scale, offset, marks = asked(path, {"": blob}, shapes, FaceError)
    return _kept(_boxes(heat, scale, offset, marks, (rows, columns)))


def _boxes(
    heat: NDArray[np.float32],
    scale: NDArray[np.float32],
    offset: NDArray[np.float32],
    marks: NDArray[np.float32],
    shape: tuple[int, int],
) -> list[Face]:
    """Read boxes and landmarks off the network's planes.

    One cell is four pixels, sizes are in e-logarithms of cells. Of every landmark there is a plane of y and one of x,
    in parts of the box from its top left corner.
    """
    rows, columns = shape
    faces = []
    for y, x in np.argwhere(heat > _UNSURE_SCORE):
        h, w = (4 * float(np.exp(scale[k, y, x])) for k in (0, 1))
        top, left = 4 * (y + float(offset[0, y, x]) + 0.5) - h / 2, 4 * (x + float(offset[1, y, x]) + 0.5) - w / 2
        box = left / columns, top / rows, (left + w) / columns, (top + h) / rows
        clipped = (min(max(float(v), 0.0), 1.0) for v in box)
        x0, y0, x1, y1 = clipped
        points = tuple(
            (
                _in_reach((left + float(marks[2 * k + 1, y, x]) * w) / columns),
                _in_reach((top + float(marks[2 * k, y, x]) * h) / rows),
            )
            for k in range(5)
        )
        if x1 - x0 > 0.004 and y1 - y0 > 0.004:
            faces.append(Face((x0, y0, x1, y1), float(heat[y, x]), points))
    return faces


def _in_reach(value: float) -> float:
    """Return a coordinate that a landmark may have."""
    return round(min(max(value, -9.0), 9.0), 6)


def _kept(faces: list[Face]) -> list[Face]:
    """Keep of overlapping boxes the surest."""
    kept: list[Face] = []
    for face in sorted(faces, key=lambda face: -face.score):
        if all(_overlap(face.box, other.box) < _MOST_OVERLAP for other in kept):
            kept.append(face)
    return kept


Box = tuple[float, float, float, float]


def _area(box: Box) -> float:
    return max(box[2] - box[0], 0.0) * max(box[3] - box[1], 0.0)


def _overlap(first: Box, second: Box) -> float:
    """Return the intersection over the union of two boxes."""
    shared = _area(
        (max(first[0], second[0]), max(first[1], second[1]), min(first[2], second[2]), min(first[3], second[3]))
    )
    return shared / max(_area(first) + _area(second) - shared, 1e-12)
