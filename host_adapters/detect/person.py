"""Persons: a picture in, what of it is a person out.

The network is small (250 kB, see ``person.txt``), made for people near the camera, and run by OpenCV. It sees the whole
picture, and once more what lies round each known face, so that small people in a wide shot are found too.
"""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import as_picture
from ...nodes import FaceMatte
from ...nodes.declare import Matte, Picture
from .networks import Answers, NetworkError, asked
from .prepared import brightened

_PACKAGED = Path(__file__).with_name("person.tflite")

_SIDE = 256
"""Of the square that the network sees; the map is as fine along the picture's longer side."""
_ROUND, _ABOVE = 12.0, 4.0
"""Side of the square round a face, and how much of it lies above the eyes, in distances between the pupils: head,
shoulders and arms of somebody who stands."""
_MOST = 0.7
"""Part of the picture from which a square shows nothing that the whole picture does not."""
_LEAST, _MOST_LOOKS = 16, 16
"""Shorter side of a square that shows anything, in pixels; how many faces are looked at so, the largest first."""

_HALF, _SOMEBODY = 0.5, 0.02
"""From where on a cell counts as a person's, and how much of the picture people fill at least."""

_answers: Answers[Matte] = Answers(32)
"""256 kB each."""


class PersonError(NetworkError):
    """The network that finds persons is missing or its file cannot be used."""

    told = "The network that finds persons, {path}, cannot be used ({why}): install Inkarnat again."


def available() -> bool:
    """Tell whether persons can be found: OpenCV, which runs the network, is there."""
    return importlib.util.find_spec("cv2") is not None


def find_person(picture: Picture, faces: Sequence[FaceMatte] = ()) -> Matte:
    """Return how likely each place of a picture shows a person, float32 (h, w), 0 to 1, its longer side at most 256.

    In steps of 1/255, so that it stays the same map when bytes are handed on (:func:`find_levels`).

    :param picture: float32 (H, W, 3 or 4), display-referred R′G′B′. A dark picture is looked at brightened.
    :param faces: the faces known in it, whose surroundings are looked at once more. :raises PersonError: OpenCV is not
        installed, or the network's file cannot be used. :raises PictureError: wrong arrays.

    The same picture and faces give the same map, bit for bit.
    """
    return find_levels(picture, faces).astype(np.float32) / np.float32(255)


def seem_there(person: Matte) -> bool:
    """Tell whether a map shows people, or what looks like them: a cat and a heap of coins may, too."""
    return float((person > _HALF).mean()) >= _SOMEBODY


def find_levels(picture: Picture, faces: Sequence[FaceMatte] = ()) -> NDArray[np.uint8]:
    """Return what :func:`find_person` does as bytes, 0 to 255."""
    if not available():
        raise PersonError(
            "Persons are not looked for: OpenCV is not installed. Install it with `pip install opencv-python-headless`."
        )
    picture = as_picture(picture)
    height, width = picture.shape[:2]
    scale = min(1.0, _SIDE / max(height, width))
    shape = max(1, round(height * scale)), max(1, round(width * scale))
    found = _resized(_looked_at(picture), shape)
    windows = [_window(face, height, width) for face in faces if face.presence > 0]
    for window in sorted((w for w in windows if w is not None), key=_area, reverse=True)[:_MOST_LOOKS]:
        own = found[_cells(window, scale, shape)]
        np.maximum(own, _resized(_looked_at(picture[window]), own.shape), out=own)
    levels: NDArray[np.uint8] = np.rint(found * np.float32(255)).astype(np.uint8)
    return levels


def _area(window: tuple[slice, slice]) -> int:
    return math.prod(part.stop - part.start for part in window)


def _window(face: FaceMatte, height: int, width: int) -> tuple[slice, slice] | None:
    """Return the square round a face, cut at the frame; None where the whole picture shows it as well."""
    one, other, _, left, right = ((x * width, y * height) for x, y in face.landmarks)
    x, y = (one[0] + other[0]) / 2, (one[1] + other[1]) / 2
    mouth = (left[0] + right[0]) / 2, (left[1] + right[1]) / 2
    pupils = max(math.dist(one, other), math.dist((x, y), mouth) / _EYES_TO_MOUTH)  # the head may be turned aside
    x0, y0 = x - _ROUND / 2 * pupils, y - _ABOVE * pupils
    x1, y1 = x0 + _ROUND * pupils, y0 + _ROUND * pupils
    rows, columns = (
        slice(*(round(min(max(v, 0), m)) for v in pair)) for pair, m in (((y0, y1), height), ((x0, x1), width))
    )
    if min(part.stop - part.start for part in (rows, columns)) < _LEAST:
        return None
    return None if _area((rows, columns)) > _MOST * height * width else (rows, columns)


_EYES_TO_MOUTH = 1.08
"""In distances between the pupils, as the drawn face has it (:mod:`inkarnat.kernels.face`)."""


def _cells(window: tuple[slice, slice], scale: float, shape: tuple[int, int]) -> tuple[slice, slice]:
    """Return the cells of the map that a window of the picture covers, at least one each way."""
    cells = []
    for part, most in zip(window, shape, strict=True):
        first = min(round(part.start * scale), most - 1)
        cells.append(slice(first, min(max(round(part.stop * scale), first + 1), most)))
    return cells[0], cells[1]


def _looked_at(picture: Picture) -> Matte:
    """Return the network's answer to a picture, float32 (256, 256), 0 to 1."""
    import cv2

    small = cv2.resize(np.ascontiguousarray(picture[..., :3]), (_SIDE, _SIDE), interpolation=cv2.INTER_AREA)
    small = brightened(np.asarray(np.clip(np.nan_to_num(small), 0, 1), np.float32))
    return _answers.of(str(_PACKAGED), small, ask=lambda: _asked(small))


def _asked(picture: Picture) -> Matte:
    """Return the network's answer to a picture of its size, 0 to 1."""
    (told,) = asked(str(_PACKAGED), {"": picture.transpose(2, 0, 1)[None]}, [(_SIDE, _SIDE)], PersonError)
    return np.clip(np.nan_to_num(told, copy=False), 0, 1)


def _resized(plane: Matte, shape: tuple[int, int]) -> Matte:
    import cv2

    return np.asarray(cv2.resize(plane, shape[::-1], interpolation=cv2.INTER_AREA), np.float32)
