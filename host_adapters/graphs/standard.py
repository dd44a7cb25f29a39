"""From a solved correction to a graph: the same one that ``render`` can run later."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping

from ...nodes import FaceMatte, JoinFaces, Link, SkinKey
from .drifts import AT_REST, DRIFTS
from .graph import Graph, Step
from .keyframes import Keyframes

Keyed = tuple[tuple[str, Keyframes], ...]
"""What changes over time in one node: (parameter, keyframes) pairs."""


def chain_graph(links: Iterable[Link], outputs: Mapping[str, str], keyed: Mapping[str, Keyed] | None = None) -> Graph:
    """Return the graph of a chain of nodes, with what changes over time by the id of its node."""
    keyed = keyed or {}
    steps = (keyed_step(Step.of(link.id, link.node, **link.inputs), keyed.get(link.id, ())) for link in links)
    return Graph.of(*steps, **outputs)


def keyed_step(step: Step, keyed: Keyed) -> Step:
    """Return a step whose parameters change over time, as a graph file would give it back."""
    if not keyed:
        return step
    first = {name: keyframes.pairs[0][1] for name, keyframes in keyed}
    node = dataclasses.replace(step.node, **first)  # type: ignore[type-var]
    return Step(step.id, node, step.inputs, keyed)


def with_keyed(graph: Graph, keyed: Mapping[str, Keyed]) -> Graph:
    """Return a graph in which these nodes change over time."""
    steps = tuple(keyed_step(step, keyed.get(step.id, ())) for step in graph.steps)
    return dataclasses.replace(graph, steps=steps)


def without_drift(graph: Graph) -> Graph:
    """Return a graph whose keys do not follow the light of a clip."""
    return dataclasses.replace(graph, steps=tuple(_at_rest(step) for step in graph.steps))


def _at_rest(step: Step) -> Step:
    if not isinstance(step.node, SkinKey):
        return step
    kept = tuple(pair for pair in step.keyed if pair[0] not in DRIFTS)
    return dataclasses.replace(step, node=dataclasses.replace(step.node, **AT_REST), keyed=kept)  # type: ignore[arg-type]


def without_faces(graph: Graph) -> Graph:
    """Return a graph without faces: what reads a matte that they were laid over reads it as the key gave it.

    Faces lie where they are in one clip; on another they would key what happens to be there, and say nothing of its
    light.
    """
    graph = without_drift(graph)
    gone = {step.id for step in graph.steps if isinstance(step.node, FaceMatte)}
    instead = {step.id: dict(step.inputs)["matte"] for step in graph.steps if isinstance(step.node, JoinFaces)}

    def origin(id: str) -> str:
        while id in instead:
            id = instead[id]
        return id

    steps = tuple(
        dataclasses.replace(step, inputs=tuple((port, origin(read)) for port, read in step.inputs if read not in gone))
        for step in graph.steps
        if step.id not in gone and step.id not in instead
    )
    outputs = tuple((name, origin(read)) for name, read in graph.outputs)
    return dataclasses.replace(graph, steps=steps, outputs=outputs)
