"""From a solved correction to a graph: the same one that ``render`` can run later."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping

from ...nodes import Link
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
    first = {name: keyframes.knots[0][1] for name, keyframes in keyed}
    node = dataclasses.replace(step.node, **first)  # type: ignore[type-var]
    return Step(step.id, node, step.inputs, keyed)


def with_keyed(graph: Graph, keyed: Mapping[str, Keyed]) -> Graph:
    """Return a graph in which these nodes change over time."""
    steps = tuple(keyed_step(step, keyed.get(step.id, ())) for step in graph.steps)
    return dataclasses.replace(graph, steps=steps)
