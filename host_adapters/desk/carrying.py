"""Carrying: the correction of one clip taken to others, as `inkarnat carry` does it and with the same verdicts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from ...kernels.errors import InkarnatError
from ...nodes import CARD, CONTROL, OFF, Balance, Finding, SkinTarget, Verdict
from ..graphs.graph import Graph
from ..media.clips import Clip
from ..shots.aims import aim_at, noted_light, with_aims, with_light
from ..shots.carry import Carried, Carrier, Shot, balance_step
from ..shots.evidence import mattes_of
from ..shots.runs import graph_hash
from .seeing import PLAIN, Seeing
from .state import State


def carry_state(state: State, name: str, clip: Clip, frame: int, seeing: Seeing = PLAIN) -> Carrier:
    """Return what carries the correction of a clip to others. Raises CarryError where it shows no skin."""
    return Carrier(judged_graph(state), shot_of(state, name, clip, frame), seeing.view, seen=seeing.id)


def judged_graph(state: State) -> Graph:
    """Return the graph of a state with notes on what each person is aimed at and how the light was found."""
    targets = {person.suffix.removeprefix("-"): person.target for person in state.people} or {"": SkinTarget()}
    first = next(iter(targets.values()))
    names = mattes_of(state.graph)
    graph = with_aims(state.graph, {name: aim_at(targets.get(name, first)) for name in names})
    return with_light(graph, light_of(state))


def light_of(state: State) -> str:
    """Return how the light of a state was found, or "" where that is not known."""
    step = balance_step(state.graph)
    balanced = step is not None and isinstance(step.node, Balance) and not step.node.is_identity()
    if balanced and any(mark.purpose == "neutral" for mark in state.marks):
        return CARD
    return noted_light(state.graph)


def shot_of(state: State, name: str, clip: Clip, frame: int) -> Shot:
    """Return a clip with its neutral mark, the last one, which decides on the frame."""
    neutral = [mark for mark in state.marks if mark.purpose == "neutral"]
    if not neutral:
        return Shot(name, clip, frame)
    return Shot(name, clip, neutral[-1].frame, neutral[-1].sample)


def not_carried(error: InkarnatError) -> dict[str, Any]:
    """Return the status of a clip that the correction could not be carried to, as JSON data."""
    return status_of(Verdict((Finding(OFF, str(error)),)))


def carried_to(carrier: Carrier, state: State, name: str, clip: Clip) -> tuple[Graph | None, dict[str, Any]]:
    """Return the graph for another clip, None where it cannot be carried, and its status as JSON data.

    :param state: of the other clip, whose neutral mark balances it.
    """
    try:
        carried: Carried = carrier.carry(shot_of(state, name, clip, clip.frames[0]))
    except InkarnatError as error:
        return None, not_carried(error)
    graph = replace(carried.graph, about="")
    return graph, status_of(carried.verdict) | {"level": carried.level, "carried": graph_hash(graph)}


def status_of(verdict: Verdict) -> dict[str, Any]:
    """Return a verdict as the page shows it: the status, and sentence and fix in words."""
    words = verdict.findings[0].words(CONTROL)
    return {"grade": verdict.status, "words": words, **verdict.as_dict(CONTROL)}


def is_by_hand(state: State, begun: bool, status: dict[str, Any] | None) -> bool:
    """Tell whether a clip was worked on since something was carried to it, or without that."""
    return begun and graph_hash(replace(state.graph, about="")) != (status or {}).get("carried")
