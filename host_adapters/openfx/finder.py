"""The detector in a process of its own: what a host asks it, and how long it stays.

Nothing of the detector is ever loaded into the host. The process takes a second or two to start, so it stays for the
next button and ends by itself when nobody has asked for some minutes, with the host at the latest.
"""

from __future__ import annotations

import atexit
import base64
import importlib.util
import json
import os
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from dataclasses import astuple
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from ...kernels.arrays import Floats
from ...nodes import FaceMatte, People, Sample
from ...nodes.declare import Picture
from .properties import OpenFXError

Point = tuple[float, float]
Landmarks = tuple[Point, ...]

PROGRAM = [sys.executable]
"""The Python that finds faces; a host that has one of its own names itself there, so ``launch.cfg`` says which."""

PATIENCE = 60.0
"""Seconds after which a process that does not answer is ended: the host waits for it meanwhile."""

_ENDED = "The face detector has ended without an answer: try `inkarnat measure` on a frame, which says why."
_OLDER = (
    "Persons are not looked for: the detector is of another version than this effect. Start the host again to learn "
    "with them."
)


class Finder:
    """The detector in its process, borrowed by one action at a time. Raises OpenFXError where it does not start."""

    _turn = threading.Lock()
    _process: subprocess.Popen[bytes] | None = None
    _program = ""

    def __enter__(self) -> Finder:
        Finder._turn.acquire()
        try:
            self._is_new = self._start()
        except BaseException:
            Finder._turn.release()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is not None:  # an answer may still be under way
                self._end()
        finally:
            Finder._turn.release()

    people = False
    """Whether what may be a person was in the last picture without a face."""

    def faces(self, picture: Floats, again: bool = True) -> list[Landmarks]:
        """Return the landmarks of the faces in a picture, the largest face first. Raises OpenFXError.

        :param again: where there is none, look once more, in other ways.
        """
        told = self._ask(picture, {} if again else {"again": False})
        if "error" in told:
            raise OpenFXError(told["error"])
        self.people = bool(told.get("people", False))
        return [tuple((x, y) for x, y in face["points"]) for face in told["faces"]]

    def person(
        self,
        picture: Picture,
        faces: Sequence[FaceMatte],
        add: Sequence[Sample] = (),
        subtract: Sequence[Sample] = (),
        bare: bool = True,
    ) -> People:
        """Return how likely each place of a picture shows a person, and bare skin. Raises OpenFXError.

        :param faces: the faces known in it, whose surroundings are looked at once more. :param add, subtract: what is
            marked in it as skin, and as none. :param bare: False for persons alone.
        """
        known = [face.landmarks for face in faces if face.presence > 0]
        marks = {"add": [astuple(sample) for sample in add], "subtract": [astuple(sample) for sample in subtract]}
        told = self._ask(picture, {"person": known, "bare": bare, **marks})
        if "error" in told:
            raise OpenFXError(told["error"])
        if "person" not in told:
            raise OpenFXError(_OLDER)
        levels = np.frombuffer(base64.b64decode(told["person"]["levels"]), np.uint8)
        return levels.reshape(told["person"]["shape"]).astype(np.float32) / np.float32(255)

    def _ask(self, picture: Floats, wanted: Mapping[str, Any]) -> dict[str, Any]:
        picture = np.ascontiguousarray(picture[..., :3], np.float32)
        head = json.dumps({"shape": picture.shape, **wanted}).encode() + b"\n"
        while True:
            process = Finder._process
            assert process is not None
            assert process.stdin is not None
            assert process.stdout is not None
            watch = threading.Timer(PATIENCE, process.kill)
            watch.daemon = True
            watch.start()
            try:
                process.stdin.write(head)
                process.stdin.write(picture.data)
                process.stdin.flush()
                told: dict[str, Any] = json.loads(process.stdout.readline())
                return told
            except (OSError, ValueError):
                self._end()
                if self._is_new:
                    raise OpenFXError(_ENDED) from None
                self._is_new = self._start()  # it had gone since the last button
            finally:
                watch.cancel()

    @classmethod
    def _start(cls) -> bool:
        """Start the process where none runs; tell whether one was started."""
        if cls._process is not None and cls._process.poll() is None and cls._program == PROGRAM[0]:
            return False
        cls._end()
        path = os.pathsep.join(filter(None, sys.path))
        surroundings = {name: value for name, value in os.environ.items() if name != "PYTHONHOME"}
        module = f"{__name__.rpartition('.openfx.')[0]}.detect"
        try:
            cls._process = subprocess.Popen(
                [PROGRAM[0], "-P", "-m", module],
                env=surroundings | {"PYTHONPATH": path},
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
        except OSError as error:
            raise OpenFXError(f"Faces cannot be looked for: {PROGRAM[0]} does not start ({error.strerror}).") from None
        cls._program = PROGRAM[0]
        return True

    @classmethod
    def _end(cls) -> None:
        process, cls._process = cls._process, None
        if process is not None:
            process.kill()
            process.communicate()


def end() -> None:
    """End the process if nobody has borrowed it; the next question starts another."""
    if Finder._turn.acquire(blocking=False):
        try:
            Finder._end()
        finally:
            Finder._turn.release()


atexit.register(end)


class Persons:
    """Where persons are, as an action asks for it while a key is learned or a matte is judged.

    :ivar said: why persons could not be looked for; empty where they were, or where nobody asked.
    """

    def __init__(self) -> None:
        self.said = ""

    def __call__(
        self,
        picture: Picture,
        faces: Sequence[FaceMatte],
        add: Sequence[Sample],
        subtract: Sequence[Sample],
        bare: bool,
    ) -> People | None:
        """Return what :meth:`Finder.person` does; None without OpenCV, or where it fails."""
        if self.said or importlib.util.find_spec("cv2") is None:
            return None
        try:
            with Finder() as finder:
                return finder.person(picture, faces, add, subtract, bare)
        except OpenFXError as error:
            self.said = str(error)
            return None


def program_of(lines: Mapping[str, Sequence[str]], resources: Path) -> None:
    """Take over which Python the bundle belongs to."""
    for text in lines.get("program", ()):
        PROGRAM[0] = str(resources / text)  # an absolute path stays what it is
