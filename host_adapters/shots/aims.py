"""Aims: what skin is judged against, from a person, from the notes of a graph, or the line that the project uses."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Iterable, Mapping
from typing import Any

from ...nodes import SKIN_LINE, Aim, RangeKey, ReadingError, Sample, SkinKey, SkinTarget, SoftenMatte
from ..graphs.errors import GraphError
from ..graphs.graph import Graph
from .people import Person


def aim_at(target: SkinTarget, person: Person | None = None, line: float = SKIN_LINE) -> Aim:
    """Return what skin is judged against: the person where there is one, or else the target."""
    if person is None:
        return Aim(target, line=line)
    return Aim(target, person.name, person.luma, person.view, line)


def aims_of(
    graph: Graph, names: Iterable[str], person: Person | None = None, line: float = SKIN_LINE
) -> dict[str, Aim]:
    """Return what each person of a graph is judged against, by name.

    That is the person given, who keeps the bias that the graph was solved with; or else what the graph was solved for;
    or else, where nobody said, the line. Raises GraphError for damaged notes.
    """
    return {name: _aim(noted_aim(graph, name), person, line) for name in names}


def _aim(noted: Aim | None, person: Person | None, line: float) -> Aim:
    if person is None:
        return noted or aim_at(SkinTarget(angle=line), None, line)
    bias, landing = (noted.target.bias, noted.target.landing) if noted is not None else (0.0, "centre")
    return aim_at(SkinTarget(angle=person.angle, bias=bias, ratio=person.ratio, landing=landing), person, line)


# --- in the notes of a graph --------------------------------------------------------------------------------


def with_aims(graph: Graph, aims: Mapping[str, Aim]) -> Graph:
    """Return the graph with notes on what each person was solved for."""
    notes = graph.notes()
    people = {**notes.get("people", {})}
    for name, aim in aims.items():
        people[name] = {**people.get(name, {}), "aim": dataclasses.asdict(aim)}
    return graph.with_notes({**notes, "people": people})


def noted_aim(graph: Graph, name: str) -> Aim | None:
    """Return what a person of a graph was solved for, None where nobody said. Raises GraphError for damaged notes."""
    entry = person_notes(graph, name).get("aim")
    if entry is None:
        return None
    try:
        target = SkinTarget(**entry["target"])
        aim = Aim(**{**entry, "target": target})
        _ = f"{aim.line:g}{aim.name.upper()}", aim.luma is None or float(aim.luma)
        return aim
    except (TypeError, KeyError, ValueError, AttributeError, ReadingError) as error:
        raise GraphError(f"The graph's notes on what it was solved for are damaged: {error}") from None


def person_notes(graph: Graph, name: str) -> dict[str, Any]:
    """Return what a graph notes of a person by name, as JSON data; empty where it notes nothing."""
    people = graph.notes().get("people", {})
    entry = people.get(name, {}) if isinstance(people, dict) else {}
    return entry if isinstance(entry, dict) else {}


# --- how much of a face the key covers ----------------------------------------------------------------------


def with_covered(graph: Graph, covered: Mapping[str, float | None]) -> Graph:
    """Return the graph with notes on the keyed area in parts of the face's size, by person, as its key gives it now."""
    notes = graph.notes()
    people = {**notes.get("people", {})}
    for name, share in covered.items():
        if share:
            known = {"of_face": round(share, 4), "key": _key_of(graph, name)}
            people[name] = {**people.get(name, {}), "covered": known}
    return graph.with_notes({**notes, "people": people})


def noted_covered(graph: Graph, name: str) -> float | None:
    """Return the keyed area in parts of the face's size where a graph was solved; None where its key is another now."""
    entry = person_notes(graph, name).get("covered")
    if not isinstance(entry, dict) or entry.get("key") != _key_of(graph, name):
        return None
    share = entry.get("of_face")
    return float(share) if isinstance(share, int | float) and share > 0 else None


def _key_of(graph: Graph, name: str) -> str:
    """Return a hash of what keys a person and softens the matte, whatever lies before and whoever's face is known."""
    origin = dict(graph.outputs).get(f"matte-{name}" if name else "matte", "")
    steps = graph.order_to([origin]) if origin in graph.by_id else []
    nodes = [step.node.config() for step in steps if isinstance(step.node, SkinKey | RangeKey | SoftenMatte)]
    return hashlib.sha256(json.dumps(nodes, sort_keys=True).encode()).hexdigest()[:16]


# --- how the light was found --------------------------------------------------------------------------------


def with_light(graph: Graph, found_by: str) -> Graph:
    """Return the graph with a note on how its light was found."""
    return graph.with_notes({**graph.notes(), "light": found_by})


def with_card(graph: Graph, sample: Sample | None, frame: int = 0) -> Graph:
    """Return the graph with a note of the card that its light was found by, so that a trim can be told from it."""
    notes = {key: value for key, value in graph.notes().items() if key != "card"}
    return graph.with_notes(notes if sample is None else {**notes, "card": {"sample": str(sample), "frame": frame}})


def noted_card(graph: Graph) -> tuple[Sample, int] | None:
    """Return the card that a graph's light was found by and its frame, None without one. Raises SampleError."""
    card = graph.notes().get("card")
    if not isinstance(card, dict) or not isinstance(card.get("frame"), int):
        return None
    return Sample.parse(str(card.get("sample"))), card["frame"]


def noted_light(graph: Graph) -> str:
    """Return how the light of a graph was found, or "" where nobody said."""
    return str(graph.notes().get("light", ""))
