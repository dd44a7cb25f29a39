"""What there is to doubt of a person's matte: as it is seen on a frame, and as it was noted where its key was learned.

A person is named by the suffix of their steps, "" where there is one: their key is the step "skin" with it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence

from ...nodes import LEARNED_SIGNS, FaceMatte, Warned, judge_seen, sought
from ...nodes.declare import Matte, Picture
from ..graphs.errors import GraphError
from ..graphs.graph import Graph
from ..graphs.parts import matte_print
from .aims import person_notes
from .faces import person_in
from .marks import is_of_a_close_up, is_sought, marks_on, strange_in


def signs_seen(
    graph: Graph, suffix: str, frame: int, matte: Matte, picture: Picture, faces: Sequence[FaceMatte]
) -> tuple[Warned, ...]:
    """Return the signs that a matte on a frame wants a look: see :func:`inkarnat.nodes.judge_seen`.

    :param graph: whose notes tell what the person's key was learned from. Raises GraphError for damaged ones.
    :param picture: the frame with its light corrected. :param faces: those known in it.
    """
    key = "skin" + suffix
    marked = marks_on(graph, key, frame)
    return judge_seen(
        matte,
        picture,
        faces,
        lambda bare: person_in(picture, faces, marked.add, marked.subtract, bare),
        close_up=is_of_a_close_up(graph, key),
    )


def with_noted(graph: Graph, suffix: str, seen: Sequence[Warned] | None, area: float) -> tuple[Warned, ...]:
    """Return what was seen to doubt of a matte with what was noted when its key was learned.

    :param seen: None where nobody could look: then what was seen when the key was learned counts.
    :param area: keyed part of the frame, 0 to 1.
    """
    found = noted_doubts(graph, suffix.removeprefix("-"))
    if seen is not None:
        found = (*seen, *(doubt for doubt in found if doubt.sign in LEARNED_SIGNS))
    if is_sought(graph, "skin" + suffix) and "sought" not in (doubt.sign for doubt in found):
        found = (*found, sought(area))  # the light has changed since, or the clip
    return (*found, *strange_in(graph, "skin" + suffix))  # as long as these are its marks, whatever the matte is now


# --- in the notes of a graph --------------------------------------------------------------------------------


def with_doubts(graph: Graph, doubts: Mapping[str, Iterable[Warned]]) -> Graph:
    """Return the graph with notes on the signs by which each person's matte is doubted as it is now."""
    notes = graph.notes()
    people = {name: {**entry} for name, entry in {**notes.get("people", {})}.items()}
    for name, found in doubts.items():
        own = people.setdefault(name, {})
        own.pop("doubts", None)
        if signs := [dataclasses.asdict(doubt) for doubt in found if doubt.sign != "not skin"]:  # noted with the marks
            own["doubts"] = {"signs": signs, "matte": matte_print(graph, f"-{name}" if name else "")}
    return graph.with_notes({**notes, "people": people})


def noted_doubts(graph: Graph, name: str) -> tuple[Warned, ...]:
    """Return the signs that were noted for a person's matte; none where the matte is another now."""
    entry = person_notes(graph, name).get("doubts")
    if not isinstance(entry, dict) or entry.get("matte") != matte_print(graph, f"-{name}" if name else ""):
        return ()
    try:
        return tuple(Warned(str(e["sign"]), float(e["figure"]), str(e["message"])) for e in entry["signs"])
    except (TypeError, KeyError, ValueError) as error:
        raise GraphError(f"The graph's notes on what its matte is doubted for are damaged: {error}") from None
