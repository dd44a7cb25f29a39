"""inkarnat check: whether a graph file is valid, and what it reads and gives."""

from __future__ import annotations

import dataclasses
from typing import Any

import click

from ...nodes import LIMITS, STATUSES, UNJUDGED
from ..graphs.errors import GraphError
from ..graphs.graph import Graph, Step
from . import console


@click.command()
@click.argument("graph", type=click.Path(), required=False)
@click.option("--limits", is_flag=True, help="List every figure by which skin is judged, and its limits.")
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
def command(graph: str | None, limits: bool, as_json: bool) -> None:
    """Check a graph file, and list its inputs and outputs. With --limits, list the limits of every status.

    \b
    inkarnat check workshop.json
    inkarnat check --limits

    For each mistake the message names the node, the parameter, what was given and what is allowed. The exit code is
    then 2.
    """
    if limits:
        _show_limits(as_json)
        return
    if graph is None:
        raise GraphError("Name a graph to look through, or give --limits.")
    loaded = Graph.load(graph)
    if as_json:
        console.print_json(_as_dict(graph, loaded))
        return
    console.say(f"{graph} is valid.")
    console.say(f"reads  {', '.join(loaded.sources_of()) or 'nothing'}")
    for name, origin in loaded.outputs:
        console.say(f"gives  {name} ({loaded.kind(origin)}) from {origin}")
    console.print_table(("id", "node", "reads", "changes over time", ""), [_row(loaded, step) for step in loaded.steps])


def _show_limits(as_json: bool) -> None:
    """Print the judge's table."""
    if as_json:
        table = {name: dataclasses.asdict(limit) for name, limit in LIMITS.items()}
        statuses = {name: words for name, (_, words) in STATUSES.items()}
        console.print_json({"statuses": statuses, "limits": table, "unjudged": list(UNJUDGED)})
        return
    for name, (sign, words) in STATUSES.items():
        console.say(f"{sign} {name}: {words}")
    rows = [
        (name, limit.what, limit.shown(limit.check), limit.shown(limit.off), limit.source)
        for name, limit in LIMITS.items()
    ]
    console.print_table(("name", "figure", "check from", "off from", "source"), rows, title="limits of the judge")
    console.say("No status sees, so look yourself:")
    for words in UNJUDGED:
        console.say(f"- {words}")


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
