"""inkarnat graph: begin, show, change and compare graph files, and keep versions of them."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import Any

import click

from ...nodes import NODES
from .. import describe, made
from ..graphs import versions
from ..graphs.edits import FROZEN, MATTE, with_values
from ..graphs.errors import GraphError
from ..graphs.graph import STANDARD_SOURCE, Graph
from ..graphs.listing import differences, in_words, lines
from ..graphs.starts import STARTS
from ..graphs.versions import open_graph
from ..graphs.wording import word_of
from ..locks import Lock
from ..shots.anew import solve_anew
from ..shots.looks import check_view
from ..shots.solving import look_at
from ..shots.viewing import open_view, view_id
from ..writes import claim, writing
from . import console
from .footage import Footage, footage_options, own_faces

_PATIENCE = 20.0
"""Seconds that are waited for another who changes the graph."""

_OVERWRITE = click.option("--overwrite", is_flag=True, help="Replace a file that was not made here; inputs never.")
_JSON = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")


def _print_schema(context: click.Context, option: click.Parameter, wanted: bool) -> None:
    if wanted:
        console.print_json(describe.graph_schema(NODES))
        context.exit()


@click.group(invoke_without_command=True)
@click.pass_context
@click.option(
    "--schema", is_flag=True, is_eager=True, expose_value=False, callback=_print_schema,
    help="Print the JSON Schema of graph files, for a text editor.",
)  # fmt: skip
def command(context: click.Context) -> None:
    """Begin, show, change and compare graph files, and keep versions of them.

    \b
    Begin with every step at rest:   inkarnat graph new standard take1.json
    Read what a graph does:          inkarnat graph show take1.json
    Move the skin by hand:           inkarnat graph set take1.json steer.turn=4 steer.skin-saturation=by:-.05
    See what that changed:           inkarnat graph diff take1.json@solved take1.json
    Keep a state, come back to it:   inkarnat graph keep take1.json solved; inkarnat graph return take1.json solved

    FILE@NAME means the version NAME of FILE. Versions lie beside the graph, in FILE.versions.json.
    """
    if context.invoked_subcommand is None:
        console.say(context.get_help())


@command.command("new", short_help="Write a graph with every step at rest.")
@click.argument("start", metavar="|".join(STARTS))
@click.argument("path", metavar="FILE", type=click.Path())
@_OVERWRITE
def new(start: str, path: str, overwrite: bool) -> None:
    """Write a graph with every step at rest, to be set by hand or learned into.

    Its key takes the natural range of skin until `inkarnat correct` or a host has learned another.
    """
    if start not in STARTS:
        raise GraphError(f"There is no start {start!r}. There are: {', '.join(STARTS)}.")
    make, words = STARTS[start]
    with writing(overwrite):
        claim(texts={path: made.GRAPH})
        make().save(path)
    console.say(f"{path}: {words}")


@command.command("show", short_help="Print a graph in words, in the order of work.")
@click.argument("graph", metavar="FILE", type=click.Path())
@click.option("--all", "everything", is_flag=True, help="Show values at their default as well.")
@_JSON
def show(graph: str, everything: bool, as_json: bool) -> None:
    """Print a graph as a tree in the order of work: each step, what it reads, and which values differ from the default.

    Values stand in the words and units in which `inkarnat graph set` takes them.
    """
    loaded = open_graph(graph)
    if as_json:
        console.print_json(loaded.to_dict())
        return
    console.say(graph)
    for line in lines(loaded, everything):
        console.say(line)


@command.command("set")
@click.argument("graph", metavar="FILE", type=click.Path())
@click.argument("assignments", metavar="STEP.WORD=VALUE…", nargs=-1, required=True)
@click.option("-o", "--output", metavar="FILE", help="Write the result here and leave the graph as it is.")
@click.option("--height", type=click.FloatRange(min=1), help="Of the frame in pixels, for sizes such as 4px.")
@click.option(
    "--on",
    "clip",
    metavar="CLIP",
    help="The clip that the graph was solved on: what stands behind a change is learned and solved anew on it.",
)
@click.option("--view", metavar="TRANSFORM", help="Solve through this, with --on: a CLF or ocio:SPACE/DISPLAY/VIEW.")
@footage_options
@_OVERWRITE
@_JSON
def set_values(
    graph: str,
    assignments: tuple[str, ...],
    output: str | None,
    height: float | None,
    clip: str | None,
    view: str | None,
    overwrite: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Change values of a graph file in place, or into another with -o.

    \b
    Turn toward yellow by 4°:            inkarnat graph set take1.json steer.turn=4
    A little less saturation than now:   inkarnat graph set take1.json steer.skin-saturation=by:-.05
    Warmer over two seconds:             inkarnat graph set take1.json "balance.temperature=1:0,48:12 smooth"
    An edge of 4 pixels at 1080 lines:   inkarnat graph set take1.json soften.edge-blur=4px --height 1080
    Warmer; key and skin follow:         inkarnat graph set take1.json balance.temperature=by:8 --on take1.mov
    Of footage in HLG, under a view:     inkarnat graph set take1.json steer.turn=solved --on take1.mov
                                         --input-space hlg --view film.clf
    Back to what was solved:             inkarnat graph set take1.json steer.turn=solved
    Keep the key as it was learned:      inkarnat graph set take1.json skin=frozen
    The doubted matte is right:          inkarnat graph set take1.json skin=accepted

    What is set by hand stays by hand when the rest is solved anew. Nothing is written unless every assignment can be
    carried out.
    """
    footage = Footage.of(options).meant({STANDARD_SOURCE: clip} if clip else {})
    seen = open_view(view)
    with contextlib.ExitStack() as stack:
        if output is None:
            if not os.path.lexists(graph):
                Graph.load(graph)  # says that it is not there
            stack.enter_context(Lock(Path(graph), "being changed by another run").within(_PATIENCE))
        else:
            stack.enter_context(writing(overwrite))
        opened = None if clip is None else footage.working(stack.enter_context(footage.open(clip)))
        height = height or (None if opened is None else opened.height)
        loaded = open_graph(graph) if output else Graph.load(graph)
        check_view(loaded, view_id(view))
        changed, edits = with_values(loaded, assignments, height)
        if output is not None:
            claim(texts={output: made.GRAPH})
        said: tuple[str, ...] = ()
        if opened is not None:
            steps = frozenset(edit.step for edit in edits if edit.name != MATTE)
            changed = own_faces(changed, opened)
            anew = solve_anew(changed, look_at(opened.read), opened.frames[0], steps, view=seen)
            changed, said = anew.graph, anew.said
        changed.save(output or graph)
    rows: list[dict[str, Any]] = []
    for edit in edits:
        kind = type(changed.by_id[edit.step].node)
        matte, values = edit.name == MATTE, (edit.before, edit.after)
        words = [value if matte or value in FROZEN else in_words(kind, edit.name, value) for value in values]
        word = MATTE if matte else word_of(kind, edit.name).name
        rows.append({"step": edit.step, "word": word, "before": words[0], "after": words[1]})
    if as_json:
        console.print_json({"graph": output or graph, "changed": rows, "anew": list(said)})
        return
    for row in rows:
        console.say(f"{row['step']}.{row['word']}: {row['before']} → {row['after']}")
    for sentence in said:
        console.say(sentence)


@command.command("diff")
@click.argument("first", metavar="A", type=click.Path())
@click.argument("second", metavar="B", type=click.Path())
@_JSON
def diff(first: str, second: str, as_json: bool) -> None:
    """Print how graph B differs from graph A. Each may be FILE or FILE@VERSION."""
    found = list(differences(open_graph(first), open_graph(second)))
    if as_json:
        console.print_json({"differences": found})
        return
    for line in found or ["no difference"]:
        console.say(line)


# --- versions -----------------------------------------------------------------------------------------------


@command.command("keep")
@click.argument("graph", metavar="FILE", type=click.Path())
@click.argument("name")
@click.option("--again", is_flag=True, help="Replace a version of that name.")
def keep(graph: str, name: str, again: bool) -> None:
    """Keep a graph as it is now under a name."""
    kept = versions.keep(graph, name, again)
    console.say(f"kept {kept.name!r} in {versions.versions_file(graph)}")


@command.command("versions")
@click.argument("graph", metavar="FILE", type=click.Path())
@_JSON
def list_versions(graph: str, as_json: bool) -> None:
    """List the versions of a graph, the newest first."""
    known = versions.versions_of(graph)[::-1]
    if as_json:
        data = [{"name": one.name, "kept": one.kept, "approved": one.approved} for one in known]
        console.print_json({"graph": graph, "versions": data})
        return
    if not known:
        console.say(f"{graph} has no versions: inkarnat graph keep {graph} NAME")
        return
    rows = [(one.name, one.kept, f"approved {one.approved}" if one.approved else "") for one in known]
    console.print_table(("version", "kept", ""), rows)


@command.command("return", short_help="Put a version back into the graph file.")
@click.argument("graph", metavar="FILE", type=click.Path())
@click.argument("name")
def return_to(graph: str, name: str) -> None:
    """Put a version back into the graph file; a state that is no version yet is kept as one first."""
    chosen, before = versions.return_to(graph, name)
    if before:
        console.say(f"kept what stood there as {before!r}")
    console.say(f"{graph} is now {chosen.name!r} of {chosen.kept}")


@command.command("approve")
@click.argument("graph", metavar="FILE", type=click.Path())
@click.argument("name")
def approve(graph: str, name: str) -> None:
    """Mark one version as approved. Only one version can be approved at a time."""
    versions.approve(graph, name)
    console.say(f"approved {name!r} of {graph}")
