"""inkarnat measure: what the skin reads, frame by frame."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click

from ....nodes import ReadingError, SkinReading, Warned, measure_skin, solve_correction
from .. import console, faces
from ..clips import Clip, open_clip, parse_frames
from ..errors import GraphError
from ..graph import Graph
from ..runner import Runner
from ..standard import chain_graph
from .correct import READING_COLUMNS, reading_row
from .options import Marks, sample_options

MOST_FRAMES = 25


@click.command()
@click.argument("input", metavar="FILE")
@sample_options
@click.option("--graph", "graph_file", metavar="G.json", help="Take the matte of this graph instead of samples.")
@click.option("--frames", metavar="RANGE", help=f"Frames to read (up to {MOST_FRAMES}, evenly spread).")
@click.option("--json", "as_json", is_flag=True, help="Print the readings as JSON.")
def command(input: str, graph_file: str | None, frames: str | None, as_json: bool, **options: Any) -> None:
    """Read the keyed skin of FILE on the vectorscope and waveform: hue, saturation, spread, luma, area.

    \b
    The boat-builder's cheek, over the whole shot:  inkarnat measure planing.mov --add box:.45,.30,.52,.42
    As it will come out of a kept graph's key:      inkarnat measure planing.mov --graph take1.json --json

    A reading is a guide: skin varies with person, light and intent.
    """
    clip = open_clip(input)
    numbers = parse_frames(frames) if frames else _spread(clip.frames)
    key, seeded, warnings = _matte_graph(clip, graph_file, options)
    runner = Runner(key)
    readings: list[tuple[int, SkinReading]] = []
    for number in numbers:
        picture = clip.read(number)
        matte = runner.run_frame(number, {"plate": picture}, ["matte"])["matte"]
        try:
            readings.append((number, measure_skin(picture, matte)))
        except ReadingError as error:
            warnings = (*warnings, Warned("no skin", 0.0, f"Frame {number}: {error}"))
    _tell(input, readings, seeded, warnings, as_json)


def _spread(frames: Sequence[int]) -> list[int]:
    """Return at most MOST_FRAMES frames, evenly spread, first and last included."""
    count = min(len(frames), MOST_FRAMES)
    if count == 1:
        return [frames[0]]
    return [frames[round(i * (len(frames) - 1) / (count - 1))] for i in range(count)]


def _matte_graph(
    clip: Clip, graph_file: str | None, options: dict[str, Any]
) -> tuple[Graph, faces.Seeded, tuple[Warned, ...]]:
    """Return a graph that gives the matte, the faces that seeded it, and what there is to warn of."""
    marks = Marks.read(options["add"], options["subtract"], options["neutral"], options["frame"])
    if graph_file is not None:
        if marks.add or marks.subtract or marks.neutral:
            raise GraphError("Give samples or --graph, not both: the graph brings its own key.")
        graph = Graph.load(graph_file)
        graph.origins(["matte"])
        return graph, faces.Seeded([]), ()
    seeded = faces.seed(marks.on(clip))
    correction = seeded.on(solve_correction(seeded.frames))
    return chain_graph(correction.links(), correction.outputs()), seeded, correction.warnings


def _tell(
    input: str,
    readings: list[tuple[int, SkinReading]],
    seeded: faces.Seeded,
    warnings: tuple[Warned, ...],
    as_json: bool,
) -> None:
    if as_json:
        data = {
            "input": input,
            "faces": seeded.as_dict(),
            "readings": [{"frame": number, **reading.as_dict()} for number, reading in readings],
            "warnings": [{"sign": w.sign, "figure": w.figure, "message": w.message} for w in warnings],
        }
        console.print_json(data)
        return
    for warning in warnings:
        console.warn(f"warning: {warning.message}")
    rows = [reading_row(str(number), reading) for number, reading in readings]
    console.print_table(("frame", *READING_COLUMNS[1:]), rows, title=input)
