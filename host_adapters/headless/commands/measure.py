"""inkarnat measure: what the skin reads, frame by frame."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import click

from ....kernels.arrays import Floats
from ....kernels.errors import InkarnatError
from ....nodes import (
    ReadingError,
    SkinReading,
    Warned,
    measure_skin,
    solve_balance,
    solve_subjects,
    suggest_tone,
)
from .. import console
from ..clips import Clip, open_clip, parse_frames
from ..drift import spread
from ..errors import GraphError
from ..graph import Graph
from ..runner import Runner
from ..standard import chain_graph
from .correct import READING_COLUMNS, reading_row
from .options import Cast, Person, SubjectsCommand, sample_options

MOST_FRAMES = 25

Readings = list[tuple[int, SkinReading]]


@click.command(cls=SubjectsCommand)
@click.argument("input", metavar="FILE")
@sample_options
@click.option("--graph", "graph_file", metavar="G.json", help="Take the matte of this graph instead of samples.")
@click.option("--frames", metavar="RANGE", help=f"Frames to read (up to {MOST_FRAMES}, evenly spread).")
@click.option("--suggest", is_flag=True, help="Suggest a balance from the edges, black and white points, a saturation.")
@click.option("--json", "as_json", is_flag=True, help="Print the readings as JSON.")
def command(
    input: str,
    graph_file: str | None,
    frames: str | None,
    suggest: bool,
    as_json: bool,
    people: list[Person],
    **options: Any,
) -> None:
    """Read the skin on the vectorscope and waveform, frame by frame.

    Hue, saturation, spread, luma and area of what is keyed in FILE, a picture, a sequence or a clip.

    \b
    The boat-builder's cheek, over the whole shot:  inkarnat measure planing.mov --add box:.45,.30,.52,.42
    As it will come out of a kept graph's key:      inkarnat measure planing.mov --graph take1.json --json
    With what the picture itself suggests:          inkarnat measure planing.mov --add point:.5,.4 --suggest

    A reading is a guide: skin varies with person, light and intent. So is a suggestion: nothing is applied.
    """
    clip = open_clip(input)
    numbers = list(parse_frames(frames)) if frames else spread(clip.frames, MOST_FRAMES)
    graph, mattes, warnings = _matte_graph(clip, graph_file, options, people)
    readings, found = _read(clip, graph, mattes, numbers)
    suggestions = _suggestions(clip.read(numbers[0])) if suggest else None
    _tell(input, readings, (*warnings, *found), suggestions, as_json)


def _read(
    clip: Clip, graph: Graph, mattes: Mapping[str, str], numbers: Sequence[int]
) -> tuple[dict[str, Readings], tuple[Warned, ...]]:
    """Read each person's skin in each frame; what there is to warn of is told once, at its worst."""
    runner = Runner(graph)
    readings: dict[str, Readings] = {name: [] for name in mattes}
    missed: list[Warned] = []
    worst: dict[tuple[str, str], Warned] = {}
    first, last = clip.frames[0], clip.frames[-1]
    for number in numbers:
        made = runner.run_frame(number, lambda _, f: clip.read(min(max(f, first), last)), list(mattes.values()))
        for name, output in mattes.items():
            try:
                reading = measure_skin(clip.read(number), made[output])
            except ReadingError as error:
                missed.append(Warned("no skin", 0.0, f"Frame {number}{_of(name)}: {error}"))
                continue
            readings[name].append((number, reading))
            for warned in reading.warnings():
                known = worst.get((name, warned.sign))
                if known is None or warned.figure > known.figure:
                    message = f"Frame {number}{_of(name)}: {warned.message}"
                    worst[name, warned.sign] = Warned(warned.sign, warned.figure, message)
    return readings, (*missed, *worst.values())


def _of(name: str) -> str:
    return f" of {name}" if name else ""


def _matte_graph(
    clip: Clip, graph_file: str | None, options: dict[str, Any], people: list[Person]
) -> tuple[Graph, dict[str, str], tuple[Warned, ...]]:
    """Return a graph that gives the mattes, the output of each person's, and what there is to warn of."""
    if graph_file is not None:
        if people or any(options[name] for name in ("add", "subtract", "neutral", "region")):
            raise GraphError("Give samples or --graph, not both: the graph brings its own key.")
        graph = Graph.load(graph_file)
        graph.origins(["matte"])
        own = {name.removeprefix("matte-"): name for name, _ in graph.outputs if name.startswith("matte-")}
        return graph, own or {"": "matte"}, ()
    cast = Cast.read(clip, options, people)
    correction = solve_subjects(cast.subjects)
    graph = chain_graph(correction.links(), correction.outputs(), cast.keyed())
    warnings = tuple(warned for warned in correction.warnings if warned.sign != "stray")
    return graph, {person.name: person.id("matte") for person in correction.people}, warnings


# --- suggestions --------------------------------------------------------------------------------------------


def _suggestions(picture: Floats) -> dict[str, dict[str, Any]]:
    """Return what the picture suggests for light and tone; where it suggests nothing, the reason."""
    found: dict[str, dict[str, Any]] = {}
    for name, suggest in (("balance", _balance_suggestion), ("tone", _tone_suggestion)):
        try:
            found[name] = suggest(picture)
        except InkarnatError as error:
            found[name] = {"reason": str(error)}
    return found


def _balance_suggestion(picture: Floats) -> dict[str, Any]:
    balance = solve_balance(picture)
    return {"temperature": balance.temperature, "tint": balance.tint, "from": "edges"}


def _tone_suggestion(picture: Floats) -> dict[str, Any]:
    return suggest_tone(picture).as_dict()


def _suggestion_words(name: str, found: dict[str, Any]) -> str:
    if "reason" in found:
        return f"no suggestion for {name}: {found['reason']}"
    if name == "balance":
        return f"suggested balance, from the edges: {found['temperature']:+.0f} mired, {found['tint']:+.4f} Duv"
    return (
        f"suggested tone: --black {found['black']:g} --white {found['white']:g} --saturation {found['saturation']:g} "
        f"(luma reaches from {found['levels'][0]:.0%} to {found['levels'][1]:.0%})"
    )


# --- telling ------------------------------------------------------------------------------------------------


def _tell(
    input: str,
    readings: dict[str, Readings],
    warnings: tuple[Warned, ...],
    suggestions: dict[str, dict[str, Any]] | None,
    as_json: bool,
) -> None:
    if as_json:
        console.print_json(_as_data(input, readings, warnings, suggestions))
        return
    for warning in warnings:
        console.warn(f"warning: {warning.message}")
    for name, found in readings.items():
        rows = [reading_row(f"{number} {name}".rstrip(), reading) for number, reading in found]
        console.print_table(("frame", *READING_COLUMNS[1:]), rows, title=f"{input}{_of(name)}")
    for name, suggestion in (suggestions or {}).items():
        console.say(_suggestion_words(name, suggestion))


def _as_data(
    input: str,
    readings: dict[str, Readings],
    warnings: tuple[Warned, ...],
    suggestions: dict[str, dict[str, Any]] | None,
) -> dict[str, Any]:
    def plain(found: Readings) -> list[dict[str, Any]]:
        return [{"frame": number, **reading.as_dict()} for number, reading in found]

    data: dict[str, Any] = {"input": input}
    if "" in readings:
        data["readings"] = plain(readings[""])
    else:
        data["subjects"] = {name: {"readings": plain(found)} for name, found in readings.items()}
    data["warnings"] = [{"sign": w.sign, "figure": w.figure, "message": w.message} for w in warnings]
    return data if suggestions is None else data | {"suggestions": suggestions}
