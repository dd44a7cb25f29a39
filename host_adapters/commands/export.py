"""inkarnat export: the colour part of a graph as a look-up that other programs read."""

from __future__ import annotations

from typing import Any

import click

from .. import made
from ..graphs.export import PARTS, SUFFIXES, Look, export_look, look_of
from ..graphs.graph import Graph
from ..writes import claim
from . import console


@click.command()
@click.argument("graph", metavar="GRAPH", type=click.Path())
@click.option("-o", "--output", "path", required=True, metavar="FILE", help=f"Ends in {', '.join(SUFFIXES)}.")
@click.option(
    "--part",
    type=click.Choice(PARTS),
    default=PARTS[0],
    show_default=True,
    help="light: balance and tone, all that works without a matte. colour: the steering too, as if the matte were 1 "
    "everywhere.",
)
@click.option("--from", "output", default="result", show_default=True, metavar="NAME", help="The output to write.")
@click.option("--frame", type=int, default=1, show_default=True, help="Settings of this frame, if they change.")
@click.option(
    "--size", type=click.IntRange(2, 129), default=65, show_default=True, help="Points along each edge of a cube."
)
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
def command(graph: str, path: str, part: str, output: str, frame: int, size: int, as_json: bool) -> None:
    """Write the tone and balance of GRAPH, or its whole colour part, as a look-up.

    A .clf holds any colour part (Common LUT Format); a .cdl.xml, .cdl or .cc (ASC CDL) holds slope, offset, power and
    saturation, and a look that is more than these is refused.

    \b
    The light of take 1, for the monitors on set:  inkarnat export take1.json -o take1-light.clf
    As a decision list, if it is one:              inkarnat export tone.json -o tone.cdl.xml

    A look-up knows colours and nothing else: no matte, key, region or softening, nothing that changes over time.
    """
    loaded = Graph.load(graph)
    claim(texts={path: made.LOOK_UP})
    look = look_of(loaded, output, part, frame)
    written = export_look(look, path, size)
    warnings = _warnings(loaded, look, part, frame)
    if as_json:
        data: dict[str, Any] = {"graph": graph, "output": path, "form": written.form, "nodes": list(look.used)}
        data |= {"largest_difference": written.largest, "usual_difference": written.usual, "warnings": warnings}
        console.print_json(data)
        return
    for warning in warnings:
        console.warn(f"warning: {warning}")
    console.say(f"{path}: {', '.join(look.used) or 'nothing that changes a colour'}, as {written.form}")
    console.say(f"difference to the graph: at most {written.largest:.5f} of the signal, {written.usual:.5f} for 95 %")


def _warnings(graph: Graph, look: Look, part: str, frame: int) -> list[str]:
    """Say what the look-up does not carry."""
    warnings = []
    if look.left_out:
        listed = ", ".join(f"{id} ({reason})" for id, reason in look.left_out)
        warnings.append(f"a look-up carries no matte, key, region or softening: left out are {listed}")
    if part == "colour" and any("makes" in reason for _, reason in look.left_out):
        warnings.append("what works through a matte is applied to the whole picture")
    keyed = [id for id in look.used if graph.by_id[id].keyed]
    if keyed:
        warnings.append(f"{', '.join(keyed)} changes over time: the settings at frame {frame} are taken")
    return warnings
