"""Whose faces: how a graph knows the clip in which its faces lie, so that no other clip gets their outlines.

The graph's notes keep what a few frames show round the largest face. A clip that shows something else there is another.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np

from ...kernels.arrays import Floats
from ...nodes import ANOTHER_CLIP, FaceMatte, Surroundings
from ..graphs.errors import GraphError
from ..graphs.graph import Graph, Step
from ..graphs.standard import without_faces

_LOOKS = 200
"""Frames of a clip among which those to keep are chosen, about."""

_NOTE = "faces"


class Clip(Protocol):
    """What is asked of a clip."""

    frames: Any
    missing: Any

    def read(self, frame: int) -> Floats:
        """Return the picture at a frame. Raises InputError."""


def with_face_note(graph: Graph, clip: Clip) -> Graph:
    """Return the graph with a note of what its clip shows round the faces; without faces, without that note."""
    notes = {key: value for key, value in graph.notes().items() if key != _NOTE}
    missing = set(clip.missing)
    frames = [frame for frame in clip.frames if frame not in missing]
    there = [*frames[:: max(1, len(frames) // _LOOKS)], *frames[-1:]]
    shown = {
        str(frame): Surroundings.round(clip.read(frame), face.landmarks).text()
        for frame, face in _telling(graph, there)
    }
    if not shown and notes == graph.notes():
        return graph
    return graph.with_notes({**notes, _NOTE: shown} if shown else notes)


def without_foreign_faces(graph: Graph, clip: Clip) -> tuple[Graph, str | None]:
    """Return the graph as it may be used on a clip, without faces that lie in another one, and what to say of it.

    :raises GraphError: damaged notes. Raises InputError for a frame that cannot be read.
    """
    if not _faces(graph):
        return graph, None
    noted = graph.notes().get(_NOTE)
    if noted is None:
        return graph, _NOBODY_SAID
    try:
        known = {int(frame): Surroundings.read(text) for frame, text in noted.items()}
    except (ValueError, TypeError, AttributeError) as error:
        raise GraphError(f"The graph's notes on the clip of its faces are damaged: {error}") from None
    missing = set(clip.missing)
    for frame, kept in known.items():
        if frame in clip.frames and frame not in missing and kept.are_in(clip.read(frame)):
            return graph, None
    return without_faces(graph), _ANOTHER


_ANOTHER = f"{ANOTHER_CLIP} `inkarnat carry`, or Find faces at the desk, finds those of this clip."
_NOBODY_SAID = (
    "This graph holds the outlines of faces and does not say in which clip they lie: on another clip than that "
    "they are wrong. `inkarnat carry`, or Find faces at the desk, finds those of each clip."
)


def _faces(graph: Graph) -> list[Step]:
    return [step for step in graph.steps if isinstance(step.node, FaceMatte)]


def _largest(graph: Graph, frame: int) -> FaceMatte | None:
    """Return the largest face that is wholly there at a frame."""
    found = [node for step in _faces(graph) if isinstance(node := step.node_at(frame), FaceMatte)]
    return max((face for face in found if face.presence >= 1), key=_extent, default=None)


def _extent(face: FaceMatte) -> float:
    return float(np.ptp(np.array(face.landmarks), axis=0).max())


def _telling(graph: Graph, frames: list[int]) -> list[tuple[int, FaceMatte]]:
    """Return the first and the last frame with a face, and that of the largest one, with the face of each."""
    if not _faces(graph):
        return []
    there = [(frame, face) for frame in frames if (face := _largest(graph, frame)) is not None]
    if not there:
        return []
    chosen = (there[0], max(there, key=lambda pair: _extent(pair[1])), there[-1])
    return sorted(dict(chosen).items())
