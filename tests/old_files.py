"""The files that version 0.1.0 wrote, the clips they belong to, and the ways in.

Like `kept`, this holds every import of the product that the tests of old files need.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import kept
import numpy as np
from inkarnat.host_adapters.farm.journal import Journal, Stamp
from inkarnat.host_adapters.openfx import bundle, plugin
from inkarnat.host_adapters.shots.people import People
from inkarnat.host_adapters.shots.runs import Run

FOLDER = kept.FIXTURES / "0.1.0"
BITS = FOLDER / "graphs-bits.json"
FRAMES = (1, 3)
"""Frames of the clip on which graphs are compared."""

USUAL = {
    "program": "/opt/inkarnat/bin/python3",
    "library": "/opt/inkarnat/lib/libpython3.so",
    "standard_library": "/opt/inkarnat/lib/python3",
    "path": "/opt/inkarnat/lib/python3/site-packages",
}
"""What stands in the kept launch.cfg for the places of one machine."""

__all__ = [
    "BITS",
    "FOLDER",
    "FRAMES",
    "USUAL",
    "Journal",
    "People",
    "Run",
    "Stamp",
    "bundle",
    "clips",
    "graph_names",
    "outputs_of",
    "plate",
    "plugin",
    "session",
    "state",
    "write_shots",
]


def clips() -> dict[str, np.ndarray]:
    """Return the kept clips by name: codes, int16 (N, H, W, 3), white at `kept.WHITE`."""
    with np.load(FOLDER / "clips.npz") as stored:
        return dict(stored)


def plate(codes: np.ndarray, frame: int) -> np.ndarray:
    """Return a frame of a clip, float32; frames count from 1."""
    return kept.as_picture(codes[frame - 1])


def write_shots(folder: Path, shots: Mapping[str, np.ndarray]) -> None:
    """Write clips into a folder as ``NAME.001.png`` and so on, 16 bits a value."""
    for name, codes in shots.items():
        for frame in range(1, len(codes) + 1):
            kept.write_picture(folder / f"{name}.{frame:03d}.png", plate(codes, frame), None, bits=16)


def outputs_of(path: Path, codes: np.ndarray) -> dict[str, str]:
    """Return the hash of every output of a graph file at FRAMES, such as ``result@1``."""
    runner = kept.Runner(kept.Graph.load(path))
    made = {frame: runner.run_frame(frame, {"plate": plate(codes, frame)}) for frame in FRAMES}
    return {f"{name}@{frame}": kept.kept(picture) for frame in FRAMES for name, picture in made[frame].items()}


def graph_names() -> list[str]:
    """Return the kept graphs by their paths in FOLDER: of `correct`, of a carried run and of the desk."""
    paths = [*FOLDER.glob("graphs/*.json"), *FOLDER.glob("takes/*.json"), FOLDER / "desk" / "shot.json"]
    return sorted(str(path.relative_to(FOLDER)) for path in paths if path.name != "carry.json")


def session(folder: Path, clip: str):
    """Open a clip at the desk."""
    from inkarnat.host_adapters.desk.folder import Folder
    from inkarnat.host_adapters.desk.session import Session

    return Session(Folder(folder), clip)


def state():
    """Return the desk's kind of state."""
    from inkarnat.host_adapters.desk.state import State

    return State
