"""inkarnat check: whether a graph file is valid, and what it reads and gives."""

from __future__ import annotations

from typing import Any

import click

from ..graphs.graph import Graph, Step
from . import console


@click.command()
@click.argument("graph", type=click.Path())
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
def command(graph: str, as_json: bool) -> None:
    """Look through a graph file and say what it reads and gives.

    \b
    inkarnat check workshop.json

    A graph that is not valid is named with the node, the parameter, what was given and what is allowed, and the
    exit code is 2.
    """
    loaded = Graph.load(graph)
    if as_json:
        console.print_json(_as_dict(graph, loaded))
        return
    console.say(f"{graph} is valid.")
    console.say(f"reads  {', '.join(loaded.sources_of()) or 'nothing'}")
    for name, origin in loaded.outputs:
        console.say(f"gives  {name} ({loaded.kind(origin)}) from {origin}")
    console.print_table(("id", "node", "reads", "changes over time", ""), [_row(loaded, step) for step in loaded.steps])


def _row(graph: Graph, step: Step) -> tuple[str, ...]:
    wires = ", ".join(f"{port}={origin}" for port, origin in step.inputs)
    unused = "" if step in graph.order() else "unused"
    return step.id, step.node.name, wires, ", ".join(name for name, _ in step.keyed), unused


def _as_dict(path: str, graph: Graph) -> dict[str, Any]:
    used = {step.id for step in graph.order()}
    return {
        "graph": path,
        "valid": True,
        "sources": list(graph.sources_of()),
        "outputs": {name: {"from": origin, "kind": graph.kind(origin)} for name, origin in graph.outputs},
        "nodes": [
            {
                "id": step.id,
                "node": step.node.name,
                "inputs": dict(step.inputs),
                "keyed": [name for name, _ in step.keyed],
                "used": step.id in used,
            }
            for step in graph.steps
        ],
    }
