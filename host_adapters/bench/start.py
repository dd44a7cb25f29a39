"""How soon the program is there: imports, verbs and the first corrected frame, each in a process of its own."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ...kernels.errors import InkarnatError
from .frames import SKIN_BOX, skin_frame

_PROGRAM = (sys.executable, "-m", "inkarnat.host_adapters.commands.cli")
_WIDTH, _HEIGHT = 1920, 1080


class StartError(InkarnatError, RuntimeError):
    """A process that was to be timed failed."""


@dataclass(frozen=True)
class Start:
    """Seconds of one kind of start, the most that is wanted, and what its process said while it ran."""

    name: str
    seconds: float
    wanted: float
    said: str = ""

    @property
    def verdict(self) -> str:
        """Met, or not met."""
        return "met" if self.seconds <= self.wanted else "not met"

    def as_dict(self) -> dict[str, Any]:
        """Return the start as JSON data."""
        return {"start": self.name, "seconds": self.seconds, "at_most": self.wanted, "verdict": self.verdict}


def measure_start(rounds: int = 3, tell: Callable[[str], None] = lambda line: None) -> list[Start]:
    """Time every kind of start: medians of warm runs, and one run with an empty cache of compiled kernels."""
    with tempfile.TemporaryDirectory(prefix="inkarnat-start-") as folder:
        cache, still = Path(folder, "cache"), Path(folder, "frame.png")
        _write_still(still)
        box = "box:" + ",".join(str(number) for number in SKIN_BOX)
        correct = (*_PROGRAM, "correct", str(still), "-o", str(Path(folder, "out.png")), "--add", box)
        tell("first corrected frame, with an empty cache")
        cold, said = _seconds(correct, cache)
        starts = [Start("first corrected 1080p frame, empty cache", cold, 12.0, said)]
        warm = {
            "import inkarnat.nodes": ((sys.executable, "-c", "import inkarnat.nodes"), 0.6),
            "inkarnat --help": ((*_PROGRAM, "--help"), 0.3),
            "inkarnat nodes": ((*_PROGRAM, "nodes"), 0.8),
            "first corrected 1080p frame": (correct, 1.5),
        }
        for name, (command, wanted) in warm.items():
            tell(name)
            times = [_seconds(command, cache)[0] for _ in range(rounds + 1)][1:]
            starts.append(Start(name, statistics.median(times), wanted))
    return starts


def _write_still(path: Path) -> None:
    from ..media.pictures import write_picture

    write_picture(path, skin_frame(_WIDTH, _HEIGHT), bits=8)


def _seconds(command: Sequence[str], cache: Path) -> tuple[float, str]:
    """Return how long a command takes, and what it says on its error stream. Raises StartError where it fails."""
    began = time.perf_counter()
    environment = os.environ | {"INKARNAT_CACHE_DIR": str(cache)}
    child = subprocess.run(command, env=environment, capture_output=True, text=True)
    taken = time.perf_counter() - began
    if child.returncode:
        raise StartError(f"`{' '.join(command[1:])}` ended with {child.returncode}: {_last_line(child.stderr)}")
    return taken, child.stderr


def _last_line(text: str) -> str:
    return next(reversed(text.strip().splitlines()), "it said nothing")
