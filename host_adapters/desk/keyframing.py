"""Keyframes at the desk: values set at a frame, moved and taken away, for any parameter that can change over time."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from ...nodes import Node
from ..describe import can_be_keyed
from ..graphs.graph import Step
from ..graphs.keyframes import Keyframes
from ..graphs.standard import Keyed, keyed_step
from .controls import label_of
from .errors import DeskError
from .state import State


def with_values(state: State, id: str, node: Node, names: Iterable[str], frame: int | None) -> State:
    """Return the state with parameters of a step or view set to those of ``node``.

    What has keyframes gets one at the frame; without a frame it becomes constant.
    """
    names = tuple(names)
    step = state.graph.by_id.get(id)
    keyed = dict(step.keyed) if step is not None else {}
    if frame is None or step is None or not keyed.keys() & set(names):
        return state.with_node(id, node, names)
    for name in names:
        if name in keyed:
            keyed[name] = _with(keyed[name], frame, getattr(node, name))
    return with_step(state, keyed_step(dataclasses.replace(step, node=node), tuple(keyed.items())))


def with_keyframe(state: State, id: str, name: str, frame: int) -> State:
    """Return the state with a keyframe of a parameter at a frame, of the value that it has there."""
    step = _step(state, id, name)
    value = getattr(step.node_at(frame), name)
    keyed = dict(step.keyed)
    keyed[name] = _with(keyed[name], frame, value) if name in keyed else Keyframes(((frame, value),))
    return with_step(state, keyed_step(step, tuple(keyed.items())))


def without_keyframe(state: State, id: str, name: str, frame: int) -> State:
    """Return the state without a keyframe of a parameter; after the last one it holds the value of that one."""
    return _each(state, {id: {name: _removed(frame)}})


def constant(state: State, id: str, name: str, frame: int) -> State:
    """Return the state with a parameter constant at the value that it has at a frame."""
    step = _step(state, id, name)
    node = dataclasses.replace(step.node, **{name: getattr(step.node_at(frame), name)})  # type: ignore[type-var]
    return state.with_node(id, node, (name,))


def with_way(state: State, id: str, name: str, way: str) -> State:
    """Return the state with another way from keyframe to keyframe of a parameter, one of :data:`WAYS`."""
    step = _step(state, id, name)
    keyed = dict(step.keyed)
    if name not in keyed:
        raise DeskError(f"{label_of(step.node.name, name)} has no keyframes yet: set one first.")
    keyed[name] = dataclasses.replace(keyed[name], between=way)
    return with_step(state, keyed_step(step, tuple(keyed.items())))


def ways_of(state: State) -> dict[str, dict[str, str]]:
    """Return the way from keyframe to keyframe by step and parameter."""
    keyed = {step.id: {name: keyframes.between for name, keyframes in step.keyed} for step in state.graph.steps}
    return {id: ways for id, ways in keyed.items() if ways}


def removed_at(state: State, ids: Iterable[str], frame: int) -> State:
    """Return the state without any keyframe at a frame, of these steps."""
    return _each(state, _all(state, ids, _removed(frame)))


def moved(state: State, ids: Iterable[str], frame: int, to: int) -> State:
    """Return the state with the keyframes at a frame moved to another, where they take the place of what is there."""
    return _each(state, _all(state, ids, _moved(frame, to)))


def frames_of(state: State) -> dict[str, dict[str, list[float]]]:
    """Return the frames of keyframes by step and parameter."""
    return {
        step.id: {name: [frame for frame, _ in keyframes.pairs] for name, keyframes in step.keyed}
        for step in state.graph.steps
        if step.keyed
    }


def values_at(state: State, frame: int) -> dict[str, dict[str, Any]]:
    """Return what changes over time as it is at a frame, by step and parameter."""
    return {
        step.id: {name: keyframes.value_at(frame) for name, keyframes in step.keyed}
        for step in state.graph.steps
        if step.keyed
    }


def with_step(state: State, step: Step) -> State:
    """Return the state with a step of the graph set anew."""
    return dataclasses.replace(state, graph=state.graph.with_step(step))


Change = Callable[[Keyframes], Keyframes]


def _step(state: State, id: str, name: str) -> Step:
    step = state.graph.by_id.get(id)
    if step is None:
        raise DeskError(f"There is no step {id!r} in this graph that could change over time.")
    step.node.check_names([name])
    if not can_be_keyed(step.node.params()[name]):
        raise DeskError(f"{label_of(step.node.name, name)} cannot change over time.")
    return step


def _all(state: State, ids: Iterable[str], change: Change) -> dict[str, dict[str, Change]]:
    chosen = set(ids)
    return {s.id: {name: change for name, _ in s.keyed} for s in state.graph.steps if s.keyed and s.id in chosen}


def _each(state: State, changes: Mapping[str, Mapping[str, Change]]) -> State:
    for id, named in changes.items():
        step = state.graph.by_id[id]
        keyed: list[tuple[str, Keyframes]] = []
        node = step.node
        for name, keyframes in step.keyed:
            changed = named[name](keyframes) if name in named else keyframes
            if changed.pairs:
                keyed.append((name, changed))
            else:
                node = dataclasses.replace(node, **{name: keyframes.pairs[0][1]})  # type: ignore[type-var]
        bare = dataclasses.replace(step, node=node, keyed=())
        state = with_step(state, keyed_step(bare, _pairs(keyed)))
    return state


def _pairs(keyed: Iterable[tuple[str, Keyframes]]) -> Keyed:
    return tuple(keyed)


def _with(keyframes: Keyframes, frame: float, value: Any) -> Keyframes:
    pairs = {**dict(keyframes.pairs), frame: value}
    return dataclasses.replace(keyframes, pairs=tuple(sorted(pairs.items(), key=lambda pair: pair[0])))


def _removed(frame: int) -> Change:
    return lambda keyframes: dataclasses.replace(
        keyframes, pairs=tuple(pair for pair in keyframes.pairs if pair[0] != frame)
    )


def _moved(frame: int, to: int) -> Change:
    def change(keyframes: Keyframes) -> Keyframes:
        there = dict(keyframes.pairs)
        if frame not in there:
            return keyframes
        value = there.pop(frame)
        return _with(dataclasses.replace(keyframes, pairs=tuple(there.items())), to, value)

    return change
