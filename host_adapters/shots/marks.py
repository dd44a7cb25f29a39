"""Marks in the notes of a graph: the samples that a key was learned from, the black that was made neutral, frozen keys.

"about": {"marks": {"skin": [{"frame": 1, "add": ["box:.4,.3,.5,.4"], "subtract": []}]}, "frozen": ["skin"],
          "black": {"sample": "box:.02,.9,.06,.96", "frame": 1}}
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ...nodes import FaceMatte, Sample, SampleError, Warned, not_skin
from ..graphs.errors import GraphError
from ..graphs.graph import Graph


@dataclass(frozen=True)
class MarkedPicture:
    """A frame with samples of a person's skin and of what must stay out of the key.

    :ivar faces: those known in it; the same place in every frame's is the same face. :ivar sought: nothing was marked
        and no face known: skin was sought by its look, in the first frame. :ivar close_up: skin fills the first frame,
        as it was seen where the key was learned. :ivar strange: those samples of skin that do not look like it, as
        :func:`~inkarnat.nodes.strange_marks` gives them.
    """

    frame: int
    add: tuple[Sample, ...] = ()
    subtract: tuple[Sample, ...] = ()
    faces: tuple[FaceMatte, ...] = ()
    sought: bool = False
    close_up: bool = False
    strange: tuple[tuple[Sample, float], ...] = ()


def with_marks(graph: Graph, key: str, marked: Sequence[MarkedPicture]) -> Graph:
    """Return the graph with notes on what a key, by its id, was learned from; none where nothing is marked."""
    entry = [
        {"frame": each.frame, "add": [str(s) for s in each.add], "subtract": [str(s) for s in each.subtract]}
        | ({"sought": True} if each.sought else {})
        | ({"close_up": True} if each.close_up else {})
        | ({"strange": [[str(mark), round(likely, 4)] for mark, likely in each.strange]} if each.strange else {})
        for each in marked
    ]
    return _noted(graph, "marks", key, entry)


def marks_of(graph: Graph, key: str) -> tuple[MarkedPicture, ...]:
    """Return what a key was learned from, frame by frame; empty where nobody noted it. Raises GraphError."""
    try:
        return tuple(
            MarkedPicture(
                int(entry["frame"]),
                tuple(Sample.parse(text) for text in entry["add"]),
                tuple(Sample.parse(text) for text in entry["subtract"]),
                sought=entry.get("sought") is True,
                close_up=entry.get("close_up") is True,
                strange=tuple((Sample.parse(mark), float(likely)) for mark, likely in entry.get("strange", ())),
            )
            for entry in _section(graph, "marks").get(key, ())
        )
    except (TypeError, KeyError, ValueError, AttributeError, SampleError) as error:
        raise GraphError(f"The graph's notes on what {key!r} was learned from are damaged: {error}") from None


def marks_on(graph: Graph, key: str, frame: int) -> MarkedPicture:
    """Return what a key was learned from on one frame; nothing is marked there where nobody noted it."""
    return next((each for each in marks_of(graph, key) if each.frame == frame), MarkedPicture(frame))


def strange_in(graph: Graph, key: str) -> tuple[Warned, ...]:
    """Return the signs that marks which a key was learned from lie on what does not look like skin."""
    noted = [each for each in marks_of(graph, key) if each.add]
    several = len(noted) > 1
    return tuple(not_skin(*mark, each.frame if several else None) for each in noted for mark in each.strange)


def is_sought(graph: Graph, key: str) -> bool:
    """Tell whether a key was learned from skin that was sought by its look, and nobody has marked any since."""
    noted = marks_of(graph, key)
    return any(each.sought for each in noted) and not any(each.add for each in noted)


def is_of_a_close_up(graph: Graph, key: str) -> bool:
    """Tell whether skin filled the frame where a key was learned."""
    return any(each.close_up for each in marks_of(graph, key))


def with_black(graph: Graph, sample: Sample, frame: int) -> Graph:
    """Return the graph with a note of the black whose colour was taken out."""
    return graph.with_notes({**graph.notes(), "black": {"sample": str(sample), "frame": frame}})


def noted_black(graph: Graph) -> tuple[int, Sample] | None:
    """Return the frame and the sample of black that was made neutral, None without. Raises GraphError."""
    entry = graph.notes().get("black")
    if entry is None:
        return None
    try:
        return int(entry["frame"]), Sample.parse(entry["sample"])
    except (TypeError, KeyError, ValueError, AttributeError, SampleError) as error:
        raise GraphError(f"The graph's notes on its black are damaged: {error}") from None


def _section(graph: Graph, name: str) -> dict[str, Any]:
    section = graph.notes().get(name, {})
    if not isinstance(section, dict):
        raise GraphError(f"The graph's notes on its {name} are damaged: they must be names in braces.")
    return section


def _noted(graph: Graph, name: str, key: str, entry: Any) -> Graph:
    section = {other: kept for other, kept in _section(graph, name).items() if other != key}
    section |= {key: entry} if entry else {}
    notes = {other: kept for other, kept in graph.notes().items() if other != name}
    return graph.with_notes(notes | ({name: section} if section else {}))
