"""From a solved correction to a graph: the same one that ``render`` can run later."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from ...nodes import Link
from .graph import Graph, Step


def chain_graph(links: Iterable[Link], outputs: Mapping[str, str]) -> Graph:
    """Return the graph of a chain of nodes."""
    return Graph.of(*(Step.of(link.id, link.node, **link.inputs) for link in links), **outputs)
