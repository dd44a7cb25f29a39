"""Faces and persons in a process of its own, for programs that do not want the detectors' libraries inside themselves.

    python -m inkarnat.host_adapters.detect

For every picture on the standard input, one line of JSON ``{"shape": [rows, columns, channels]}`` and then its float32
values, a line comes back: ``{"faces": […]}``, the largest first, or ``{"error": "…"}``. Without a face it also holds
``"people"``: whether what may be a person is seen. ``"again": false`` asks for a quick look alone. Where the line also
holds ``"person": […]``, the landmarks of the faces that are known, persons are looked for in place of faces:
``{"person": {"shape": [rows, columns], "levels": "…"}}`` comes back, bytes from 0 to 255 in base 64; with
``"bare": true`` bare skin comes beside them, in the shape ``[rows, columns, 2]``, like what ``"add"`` and
``"subtract"`` mark, samples by kind, points and radius. Effects that were built before that ask for faces, or for
persons, alone, or mark nothing. It ends with the input, and when nobody has asked for ten minutes.
"""

from __future__ import annotations

import base64
import json
import math
import os
import sys
import threading
from typing import Any, BinaryIO

import numpy as np

from ...kernels.errors import InkarnatError
from ...nodes import FaceMatte, Sample
from ...nodes.declare import Picture
from .faces import find_faces
from .person import find_levels, find_person, seem_there
from .skin import find_people_levels

_IDLE = 600.0
"""Seconds without a question after which the process ends."""


def serve(source: BinaryIO, target: BinaryIO) -> None:
    """Answer until the input ends."""
    while line := source.readline():
        wanted = json.loads(line)
        shape = tuple(wanted["shape"])
        picture = np.frombuffer(source.read(4 * math.prod(shape)), np.float32).reshape(shape)
        try:
            told = _answer(picture, wanted)
        except InkarnatError as error:
            told = {"error": str(error)}
        target.write(json.dumps(told).encode() + b"\n")
        target.flush()


def _answer(picture: Picture, wanted: dict[str, Any]) -> dict[str, Any]:
    if "person" not in wanted:
        faces = find_faces(picture, again=bool(wanted.get("again", True)))
        told = {"faces": [face.as_dict() for face in faces]}
        return told if faces else told | {"people": bool(seem_there(find_person(picture)))}
    known = [_face(points) for points in wanted["person"]]
    add, subtract = ([_sample(*told) for told in wanted.get(role, ())] for role in ("add", "subtract"))
    if wanted.get("bare"):
        levels = find_people_levels(picture, known, add=add, subtract=subtract)
    else:
        levels = find_levels(picture, known)
    return {"person": {"shape": levels.shape, "levels": base64.b64encode(levels.tobytes()).decode()}}


def _face(points: list[list[float]]) -> FaceMatte:
    one, other, nose, left, right = ((x, y) for x, y in points)
    return FaceMatte(one, other, nose, left, right)


def _sample(kind: str, points: list[list[float]], radius: float) -> Sample:
    return Sample(kind, tuple((x, y) for x, y in points), radius)


class _Watched:
    """An input that ends the process when nothing comes for a while."""

    def __init__(self, source: BinaryIO) -> None:
        self._source = source

    def readline(self) -> bytes:
        timer = threading.Timer(_IDLE, os._exit, (0,))
        timer.daemon = True
        timer.start()
        try:
            return self._source.readline()
        finally:
            timer.cancel()

    def read(self, size: int) -> bytes:
        return self._source.read(size)


if __name__ == "__main__":
    serve(_Watched(sys.stdin.buffer), sys.stdout.buffer)  # type: ignore[arg-type]
