"""Faces in a process of its own, for programs that do not want the detector's libraries inside themselves.

    python -m inkarnat.host_adapters.detect

For every picture on the standard input, one line of JSON ``{"shape": [rows, columns, channels]}`` and then its float32
values, a line comes back: ``{"faces": […]}``, the largest first, or ``{"error": "…"}``. It ends with the input.
"""

from __future__ import annotations

import json
import math
import sys
from typing import Any, BinaryIO

import numpy as np

from ...kernels.errors import InkarnatError
from .faces import find_faces


def serve(source: BinaryIO, target: BinaryIO) -> None:
    """Answer until the input ends."""
    while line := source.readline():
        shape = tuple(json.loads(line)["shape"])
        values = np.frombuffer(source.read(4 * math.prod(shape)), np.float32)
        told: dict[str, Any]
        try:
            told = {"faces": [face.as_dict() for face in find_faces(values.reshape(shape))]}
        except InkarnatError as error:
            told = {"error": str(error)}
        target.write(json.dumps(told).encode() + b"\n")
        target.flush()


if __name__ == "__main__":
    serve(sys.stdin.buffer, sys.stdout.buffer)
