"""People: a picture in, where persons are and where their skin is bare out.

The network for bare skin (see ``skin.txt``) is the first half of the one that finds faces, taught further on pictures
with drawn masks to tell skin from hair, clothes and things. It sees the picture and its mirror image at two sizes, with
the map of persons beside the colours.
"""

from __future__ import annotations

import functools
import hashlib
import threading
from collections import OrderedDict
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import as_picture
from ...kernels.errors import InkarnatError
from ...nodes import FaceMatte, People
from ...nodes.declare import Matte, Picture
from .person import find_levels
from .prepared import brightened, limited, reduced

NETWORK = Path(__file__).with_name("skin.onnx")

_SIDES = 384, 512
"""Longer sides at which the network looks at a picture, and whose answers' mean counts."""
_FINEST = 900
"""Longer side that a picture is reduced to before both looks at most."""
_STEP = 32
"""Of the sides that the network takes, in pixels."""

_TURN = threading.Lock()

_REMEMBERED = 32
"""How many answers are kept, 150 kB each: a frame is marked again, and asked about again, with every further mark."""
_answers: OrderedDict[bytes, Matte] = OrderedDict()


class SkinError(InkarnatError, RuntimeError):
    """The network that finds bare skin is missing or its file cannot be used."""


def find_people(picture: Picture, faces: Sequence[FaceMatte] = (), network: Path = NETWORK) -> People:
    """Return what is seen of people in a picture, float32 (h, w, 2), 0 to 1, its longer side at most 256.

    The first plane is :func:`.person.find_person`, the second how likely each place shows bare skin.

    :param picture: float32 (H, W, 3 or 4), display-referred R′G′B′. A dark picture is looked at brightened.
    :param faces: the faces known in it, whose surroundings are looked at once more for persons. :raises PersonError:
        OpenCV is not installed, or the file of the network for persons cannot be used. :raises SkinError: that of the
        other one cannot be used. :raises PictureError: wrong arrays. :param network: the file to ask for bare skin.

    The same picture and faces give the same maps, bit for bit.
    """
    return find_people_levels(picture, faces, network).astype(np.float32) / np.float32(255)


def find_people_levels(picture: Picture, faces: Sequence[FaceMatte] = (), network: Path = NETWORK) -> NDArray[np.uint8]:
    """Return what :func:`find_people` does as bytes, 0 to 255."""
    persons = find_levels(picture, faces)
    bare = find_bare_skin(picture, persons.astype(np.float32) / np.float32(255), network)
    return np.stack([persons, np.rint(bare * np.float32(255)).astype(np.uint8)], axis=-1)


def find_bare_skin(picture: Picture, person: Matte, network: Path = NETWORK) -> Matte:
    """Return how likely each place of a picture shows bare skin, float32 (h, w) of the map of persons, 0 to 1.

    :param person: the map of persons in it. :param network: the file to ask.
    """
    colour = reduced(limited(as_picture(picture)), _FINEST)
    total = np.zeros(person.shape, np.float64)
    for side in _SIDES:
        total += _seen_at(colour, person, side, network)
    return np.asarray(total / len(_SIDES), np.float32)


def _seen_at(picture: Picture, person: Matte, long_side: int, network: Path) -> Matte:
    """Return what the network says at one size of a sound picture and its mirror image, on the grid of ``person``."""
    import cv2

    height, width = picture.shape[:2]
    shape = [max(_STEP, round(side * long_side / max(height, width) / _STEP) * _STEP) for side in (height, width)]
    small = np.asarray(cv2.resize(picture, (shape[1], shape[0]), interpolation=cv2.INTER_AREA), np.float32)
    there = np.asarray(cv2.resize(person, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR), np.float32)
    told = _answered(brightened(small), there, network)
    return np.asarray(cv2.resize(told, person.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def _answered(picture: Picture, person: Matte, path: Path) -> Matte:
    """Return the mean of the network's answers to a picture and to its mirror image, as remembered or asked for."""
    question = hashlib.blake2b(f"{path} {picture.shape}".encode(), digest_size=16)
    question.update(np.ascontiguousarray(picture).data)
    question.update(np.ascontiguousarray(person).data)
    with _TURN:  # the network keeps its inputs and works on one picture at a time
        told = _answers.pop(question.digest(), None)
        if told is None:
            told = _asked(picture, person, path) + _asked(picture[:, ::-1], person[:, ::-1], path)[:, ::-1]
            told *= np.float32(0.5)
        _answers[question.digest()] = told
        while len(_answers) > _REMEMBERED:
            _answers.popitem(last=False)
    return told


def _asked(picture: Picture, person: Matte, path: Path) -> Matte:
    """Return the network's answer, float32 of half the size, 0 to 1."""
    network = _network(str(path))
    try:
        network.setInput(np.ascontiguousarray(picture.transpose(2, 0, 1)[None], np.float32), "picture")
        network.setInput(np.ascontiguousarray(person[None, None], np.float32), "person")
        told = np.array(network.forward(), np.float32).reshape(person.shape[0] // 2, person.shape[1] // 2)
    except Exception as error:
        raise _damaged(path, error) from None
    return np.clip(np.nan_to_num(told, copy=False), 0, 1)


@functools.lru_cache(maxsize=1)
def _network(path: str) -> Any:
    import cv2

    try:
        return cv2.dnn.readNetFromONNX(path)
    except cv2.error as error:
        raise _damaged(path, error) from None


def _damaged(path: str | Path, error: Exception) -> SkinError:
    told = " ".join(str(error).split())
    return SkinError(f"The network that finds bare skin, {path}, cannot be used ({told}): install Inkarnat again.")
