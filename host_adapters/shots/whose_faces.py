"""Whose faces: how a graph knows the clip in which its faces lie, so that no other clip gets their outlines.

The graph's notes keep what a few frames show round the largest face, or round the marks where no face is known. A clip
that shows something else there is another: its faces are not these, and nobody has looked at its matte.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np

from ...kernels.arrays import Floats
from ...nodes import ANOTHER_CLIP, ConvertColour, FaceMatte, Scene, SkinKey, Surroundings
from ..graphs.colour_spaces import WORKING, InWorking
from ..graphs.errors import GraphError
from ..graphs.graph import Graph, Step
from ..graphs.parts import accepted_keys, without_accepted
from ..graphs.standard import without_faces
from .marks import marks_of

_LOOKS = 200
"""Frames of a clip among which those to keep are chosen, about."""

_NOTE = "faces"
_MARKED = "marked"
"""The notes on what is seen round faces, and round marks."""

_ASIDE = 0.1, 0.15
"""From a mark to what is looked at round it, in parts of the frame across and down."""


class Clip(Protocol):
    """What is asked of a clip."""

    frames: Any
    missing: Any

    def read(self, frame: int) -> Floats:
        """Return the picture at a frame. Raises InputError."""


def with_face_note(graph: Graph, clip: Clip) -> Graph:
    """Return the graph with a note of what its clip shows round the faces, or round the marks where it has none."""
    notes = {key: value for key, value in graph.notes().items() if key not in (_NOTE, _MARKED)}
    if not _faces(graph):
        marked = _round_marks(graph, clip)
        notes |= {_MARKED: marked} if marked else {}
        return graph if notes == graph.notes() else graph.with_notes(notes)
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


def without_foreign_faces(graph: Graph, clip: Clip, finished: bool = False) -> tuple[Graph, str | None]:
    """Return the graph as it may be used on a clip, without what is true of another one alone, and what to say of it.

    Left out are faces that lie in another clip, and the note that somebody has looked at the matte there.

    :param finished: the clip was corrected, so that its colours are not those that were noted.
    :raises GraphError: damaged notes. Raises InputError for a frame that cannot be read.
    """
    if not _faces(graph):
        if _MARKED not in graph.notes() or not accepted_keys(graph) or _is_marked_on(clip, graph, finished):
            return graph, None
        return without_accepted(graph), _ACCEPTED_ELSEWHERE
    noted = graph.notes().get(_NOTE)
    if noted is None:
        return graph, _NOBODY_SAID
    return (graph, None) if _shows(clip, noted) else (without_faces(graph), _ANOTHER)


def _shows(clip: Clip, noted: Any) -> bool:
    """Tell whether a clip shows on any noted frame what was noted. Raises GraphError for damaged notes."""
    try:
        known = {int(frame): Surroundings.read(text) for frame, text in noted.items()}
    except (ValueError, TypeError, AttributeError) as error:
        raise GraphError(f"The graph's notes on the clip of its faces are damaged: {error}") from None
    missing = set(clip.missing)
    return any(
        frame in clip.frames and frame not in missing and kept.are_in(clip.read(frame)) for frame, kept in known.items()
    )


def _is_marked_on(clip: Clip, graph: Graph, finished: bool) -> bool:
    """Tell whether a clip shows round the marks what was noted, in the same light. Raises GraphError for damage."""
    try:
        noted = graph.notes()[_MARKED]
        frame, kept = int(noted["frame"]), Scene.read(noted)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise GraphError(f"The graph's notes on the clip of its marks are damaged: {error}") from None
    if frame not in clip.frames or frame in set(clip.missing):
        return False
    picture = clip.read(frame)
    entering = graph.by_id[WORKING].node if WORKING in graph.by_id else None
    if isinstance(entering, ConvertColour) and not isinstance(clip, InWorking):
        picture = entering.process(picture)
    return kept.is_in(picture, any_light=finished)


def _round_marks(graph: Graph, clip: Clip) -> dict[str, Any]:
    """Return what the first marked frame of a clip shows round the marks on it; nothing without marks."""
    keys = [step.id for step in graph.steps if isinstance(step.node, SkinKey)]
    there = [each for key in keys for each in marks_of(graph, key) if each.add and each.frame in clip.frames]
    if not there:
        return {}
    frame = there[0].frame
    places = [place for each in there if each.frame == frame for mark in each.add for place in mark.places]
    across, down = _ASIDE
    spread = [(x + dx, y + dy) for x, y in places for dx, dy in ((-across, 0), (across, 0), (0, -down), (0, down))]
    return {"frame": frame, **Scene.of(clip.read(frame), spread).told()}


_ACCEPTED_ELSEWHERE = "The matte was accepted on another clip; on this one nobody has, so it is judged."
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
