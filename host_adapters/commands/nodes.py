"""inkarnat nodes: what nodes there are, and what one of them can be told."""

from __future__ import annotations

import click

from ...nodes import NODES
from ...nodes.declare import Node, nearest
from .. import describe
from . import console


@click.command()
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print the JSON Schema: of one node, or of whole graph files.")
@click.option("--markdown", "as_markdown", is_flag=True, help="Print the reference as Markdown.")
@click.option("--openfx", "as_openfx", is_flag=True, help="Print the controls of each node as an OpenFX effect.")
def command(name: str | None, as_json: bool, as_markdown: bool, as_openfx: bool) -> None:
    """List the nodes, or explain one of them.

    \b
    All of them:                        inkarnat nodes
    The controls of the skin key:       inkarnat nodes skin_key
    A schema for your text editor:      inkarnat nodes --json > graph.schema.json
    """
    if as_json and as_markdown:
        raise click.UsageError("Choose --json or --markdown, not both.", click.get_current_context())
    if as_openfx and (as_json or as_markdown):
        raise click.UsageError("Give --openfx alone, without --json or --markdown.", click.get_current_context())
    node = _find(name) if name is not None else None
    if as_json:
        console.print_json(describe.json_schema(node) if node else describe.graph_schema(NODES))
    elif as_markdown:
        console.say(describe.markdown({node.name: node} if node else NODES).rstrip())
    elif as_openfx:
        _list_controls([node] if node else describe.in_order(NODES))
    elif node:
        _explain(node)
    else:
        rows = [(node.group, node.name, describe.port_words(node), node.help()) for node in describe.in_order(NODES)]
        console.print_table(("step", "node", "in → out", "what it does"), rows)


def _find(name: str) -> type[Node]:
    if name not in NODES:
        fix = nearest(name, NODES) or f"There are: {', '.join(NODES)}."
        raise click.UsageError(f"There is no node {name!r}. {fix}", click.get_current_context())
    return NODES[name]


def _list_controls(nodes: list[type[Node]]) -> None:
    from ..openfx import listing

    for node in nodes:
        console.say(listing.headline(node))
        console.print_table(listing.HEADINGS, listing.rows(node))
        console.say()


def _explain(node: type[Node]) -> None:
    if not console.is_terminal():
        console.say(describe.command_help(node))
        return
    console.say(f"{node.name}: {node.label}\n\n{node.help()}\n\nPorts: {describe.port_words(node)}\n")
    rows = [(row.name, row.kind, row.range, row.default, row.help) for row in describe.param_rows(node)]
    console.print_table(("parameter", "kind", "range", "default", "what it does"), rows)
