"""Parts at the desk: what was solved and what a hand put beside it, what follows a change, and keys that are frozen."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Sequence
from typing import Any

from ...kernels.arrays import Floats
from ...nodes import Node
from ..graphs.errors import GraphError
from ..graphs.graph import Graph
from ..graphs.keyframes import Keyframes
from ..graphs.parts import (
    accepted_keys,
    back_to_solved,
    frozen_keys,
    parts_of,
    with_accepted,
    with_frozen,
    with_solved,
)
from ..shots.anew import solve_anew
from ..shots.marks import marks_of
from .errors import DeskError
from .seeing import Seeing
from .state import State
from .work import Workbench


def with_found(state: State, id: str, found: Node, names: Sequence[str]) -> State:
    """Return the state with a step as a solve found it: in ``names`` the solved part is set, and the hand's stays.

    Raises ParamError where both together leave what a parameter allows.
    """
    return dataclasses.replace(state, graph=with_solved(state.graph, id, found, names))


def back(state: State, id: str, name: str) -> State:
    """Return the state without the hand's part of a value. Raises GraphError for one that was never solved."""
    return dataclasses.replace(state, graph=back_to_solved(state.graph, id, [name]))


@functools.lru_cache(maxsize=8)
def parts_told(graph: Graph) -> dict[str, dict[str, dict[str, Any]]]:
    """Return the parts of values that a solve has found, by step and parameter, as JSON data.

    ``solved`` is the solved part and ``hand`` what a hand adds to it or, where ``adds`` is false, puts in its place;
    None for a part that changes over time.
    """
    told: dict[str, dict[str, dict[str, Any]]] = {}
    for step in graph.steps:
        try:
            parts = parts_of(graph, step.id)
        except GraphError:
            continue  # notes that somebody has damaged tell nothing; whoever solves again is told
        for name, each in parts.items():
            if each.solved is None:
                continue
            hand = None if each.hand is None else _plain(each.hand.value)
            entry = {"solved": _plain(each.solved), "hand": hand, "adds": each.hand is None or each.hand.adds}
            told.setdefault(step.id, {})[name] = entry | {"by_hand": each.hand is not None}
    return told


def _plain(amount: Any) -> Any:
    return None if isinstance(amount, Keyframes) else amount


def followed(bench: Workbench, state: State, changed: Sequence[str], frame: int, seeing: Seeing) -> tuple[State, str]:
    """Return the state with what stands behind changed steps learned and solved anew, and what was done in words.

    What was never solved, keys that are frozen and what is by hand stay.
    """
    solved = {id for id, named in parts_told(state.graph).items() if id.startswith("steer") and named}
    if not solved or not any(marks_of(state.graph, "skin" + id.removeprefix("steer")) for id in solved):
        return state, ""
    targets = {f"steer{person.suffix}": person.target for person in state.people}
    view = None if seeing.is_plain else seeing.view

    def look(graph: Graph, origin: str, at: int) -> Floats:
        return bench.value(graph, origin, at, None)

    anew = solve_anew(state.graph, look, frame, changed, targets=targets, view=view)
    return dataclasses.replace(state, graph=anew.graph), " ".join(anew.said)


def frozen(state: State, suffix: str, is_frozen: bool) -> State:
    """Return the state with a person's key frozen, or free to follow changes. Raises DeskError without such a key."""
    if "skin" + suffix not in state.graph.by_id:
        raise DeskError("There is no key of that person to freeze.")
    return dataclasses.replace(state, graph=with_frozen(state.graph, "skin" + suffix, is_frozen))


def accepted(state: State, suffix: str, is_accepted: bool) -> State:
    """Return the state with a person's matte accepted as it is now, or doubted again. Raises DeskError without one."""
    if "skin" + suffix not in state.graph.by_id:
        raise DeskError("There is no key of that person whose matte could be accepted.")
    return dataclasses.replace(state, graph=with_accepted(state.graph, "skin" + suffix, is_accepted))


def accepted_told(state: State) -> list[str]:
    """Return the suffixes of the people whose matte was accepted as it is now."""
    return [id.removeprefix("skin") for id in accepted_keys(state.graph)]


def frozen_told(state: State) -> list[str]:
    """Return the suffixes of the people whose keys are frozen."""
    return [id.removeprefix("skin") for id in frozen_keys(state.graph)]
