"""By hand: what is typed, put into a graph that is there already."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

from ...nodes import LEVELS_FIRST, SkinKey, SteadyMatte
from ...nodes.declare import ParamError
from .errors import GraphError
from .graph import STANDARD_SOURCE, Graph, Step
from .parts import Hand, Parts, amount_of, parts_of, summed, with_amounts, with_parts
from .typed import CONTROLS, STEPS, Control, in_options


def typed_on(graph: Graph, typed: Mapping[str, Hand]) -> Graph:
    """Return the graph with what is typed set in it, for all its people.

    A value that replaces stands in place of what is solved; one behind ``by:`` is added to the hand's part that is
    there. A step that the graph leaves out because it changed nothing is put in its place in the chain.

    Raises GraphError in the words of the options where a value is not allowed, or the graph has no place for it.
    """
    for control in CONTROLS:
        hand = typed.get(control.option)
        if hand is None:
            continue
        graph, ids = _places(graph, control)
        for id in ids:
            try:
                graph = _set(graph, id, control, hand)
            except ParamError as error:
                raise GraphError(in_options(str(error))) from None
    return graph


def _set(graph: Graph, id: str, control: Control, hand: Hand) -> Graph:
    known = parts_of(graph, id).get(control.field)
    if not control.solved:
        return graph.with_step(with_amounts(graph.by_id[id], {control.field: hand.value}))
    if hand.adds:
        known = known or Parts(amount_of(graph.by_id[id], control.field))
        before = known.hand
        if before is not None:
            hand = Hand(summed(before.value, hand.value), before.adds)
    return with_parts(graph, id, {control.field: Parts(known.solved if known else None, hand)})


def steps_of(graph: Graph, word: str) -> list[str]:
    """Return the ids of a graph's steps of one kind: ``steer``, ``steer-left``, ``steer_2`` for the word ``steer``."""
    kind = type(STEPS[word])
    named = [step.id for step in graph.steps if isinstance(step.node, kind) and step.id.startswith(word)]
    return named or [step.id for step in graph.steps if isinstance(step.node, kind)]


def _places(graph: Graph, control: Control) -> tuple[Graph, list[str]]:
    """Return the graph with the step that a control sets, put in where it is missing, and the step's ids."""
    word = control.step
    ids = steps_of(graph, word)
    if ids:
        return graph, ids
    if word in LEVELS_FIRST.before:
        return with_picture_step(graph, word), [word]
    if word == "steady":
        for soften in steps_of(graph, "soften"):
            graph = _with_steady(graph, soften)
        if steps_of(graph, "steady"):
            return graph, steps_of(graph, "steady")
    raise GraphError(f"--{control.option} has nothing to set: the graph has no {STEPS[word].label!r} node.")


def with_picture_step(graph: Graph, word: str) -> Graph:
    """Put a step for the whole picture behind those that stand before it in the standard chain."""
    if STANDARD_SOURCE not in graph.sources or word in graph.by_id:
        raise GraphError(f"The graph has no step {word!r} and no place for it: it reads no source {STANDARD_SOURCE!r}.")
    before = list(LEVELS_FIRST.before)[: list(LEVELS_FIRST.before).index(word)]
    last = next((name for name in reversed(before) if name in graph.by_id), _entry(graph))
    return _inserted(graph, Step.of(word, STEPS[word], image=last), last)


def _entry(graph: Graph) -> str:
    """Return what the first step of the chain reads: the plate, or the plate in the working signal."""
    keys = [step for step in graph.order() if isinstance(step.node, SkinKey)]
    origin = dict(keys[0].inputs)["image"] if keys else STANDARD_SOURCE
    while origin in graph.by_id and origin in LEVELS_FIRST.before:
        origin = dict(graph.by_id[origin].inputs)["image"]
    return origin


def _with_steady(graph: Graph, soften: str) -> Graph:
    id = "steady" + soften.removeprefix("soften")
    guide = dict(graph.by_id[soften].inputs).get("guide")
    inputs = {"matte": soften} | ({} if guide is None else {"guide": guide})
    return _inserted(graph, Step.of(id, SteadyMatte(frames=0), **inputs), soften)


def _inserted(graph: Graph, step: Step, behind: str) -> Graph:
    """Return the graph with a step that everything reads that read what it stands behind."""

    def rewired(pairs: tuple[tuple[str, str], ...]) -> tuple[tuple[str, str], ...]:
        return tuple((name, step.id if origin == behind else origin) for name, origin in pairs)

    steps = tuple(dataclasses.replace(each, inputs=rewired(each.inputs)) for each in graph.steps)
    return dataclasses.replace(graph, steps=(*steps, step), outputs=rewired(graph.outputs))
