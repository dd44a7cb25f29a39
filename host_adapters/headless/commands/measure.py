"""inkarnat measure: what the skin reads, frame by frame."""

from __future__ import annotations

from typing import Any

import click

from ....nodes import ReadingError, SkinReading, Warned, measure_skin, solve_correction
from .. import console
from ..clips import Clip, open_clip, parse_frames
from ..errors import GraphError
from ..graph import Graph
from ..people import Person, Skin, distance
from ..readings import schema, write_csv
from ..runner import Runner
from ..sampling import where_it_changes
from ..standard import chain_graph
from ..viewing import open_view
from .correct import READING_COLUMNS, reading_row
from .options import Marks, sample_options
from .person import person_options, read_person

MOST_FRAMES = 25


def _print_schema(context: click.Context, option: click.Parameter, wanted: bool) -> None:
    if wanted:
        console.print_json(schema())
        context.exit()


@click.command()
@click.argument("input", metavar="FILE")
@sample_options
@click.option("--graph", "graph_file", metavar="G.json", help="Take the matte of this graph instead of samples.")
@click.option(
    "--frames", metavar="RANGE", help=f"Frames to read (up to {MOST_FRAMES}, evenly spread and where it changes)."
)
@click.option(
    "--seconds", type=click.FloatRange(0), default=20.0, show_default=True, help="How long to look for changes."
)
@person_options
@click.option("--view", metavar="TRANSFORM", help="Read through this transform: a CLF or ocio:SPACE/DISPLAY/VIEW.")
@click.option("--csv", "csv_file", metavar="FILE", help="Write the readings for a spreadsheet as well.")
@click.option("--json", "as_json", is_flag=True, help="Print the readings as JSON.")
@click.option(
    "--schema",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_schema,
    help="Print the JSON Schema of --json and leave.",
)
def command(
    input: str, graph_file: str | None, frames: str | None, csv_file: str | None, as_json: bool, **options: Any
) -> None:
    """Read the keyed skin of FILE on the vectorscope and waveform: hue, saturation, spread, luma, area.

    \b
    The boat-builder's cheek, over the whole shot:  inkarnat measure planing.mov --add box:.45,.30,.52,.42
    As it will come out of a kept graph's key:      inkarnat measure planing.mov --graph take1.json --json

    A reading is a guide: skin varies with person, light and intent.
    """
    person, view = read_person(options), open_view(options["view"])
    clip = open_clip(input)
    numbers = parse_frames(frames) if frames else where_it_changes(clip, MOST_FRAMES, options["seconds"])
    key, warnings = _matte_graph(clip, graph_file, options)
    runner = Runner(key)
    readings: list[tuple[int, SkinReading]] = []
    for number in numbers:
        picture = clip.read(number)
        matte = runner.run_frame(number, {"plate": picture}, ["matte"])["matte"]
        try:
            readings.append((number, measure_skin(view(picture), matte)))
        except ReadingError as error:
            warnings = (*warnings, Warned("no skin", 0.0, f"Frame {number}: {error}"))
    if csv_file:
        write_csv(csv_file, readings)
    _tell(input, readings, warnings, person, options["view"], as_json)


def _matte_graph(clip: Clip, graph_file: str | None, options: dict[str, Any]) -> tuple[Graph, tuple[Warned, ...]]:
    """Return a graph that gives the matte, and what there is to warn of."""
    marks = Marks.read(options["add"], options["subtract"], options["neutral"], options["frame"])
    if graph_file is not None:
        if marks.add or marks.subtract or marks.neutral:
            raise GraphError("Give samples or --graph, not both: the graph brings its own key.")
        graph = Graph.load(graph_file)
        graph.origins(["matte"])
        return graph, ()
    correction = solve_correction(marks.on(clip))
    return chain_graph(correction.links(), correction.outputs()), correction.warnings


def _tell(
    input: str,
    readings: list[tuple[int, SkinReading]],
    warnings: tuple[Warned, ...],
    person: Person | None,
    view: str | None,
    as_json: bool,
) -> None:
    def far(reading: SkinReading) -> dict[str, Any]:
        return {} if person is None else {"distance": distance(Skin.of(reading), person).as_dict()}

    if as_json:
        data = {
            "input": input,
            "view": view,
            "person": None if person is None else person.name,
            "readings": [{"frame": number, **reading.as_dict(), **far(reading)} for number, reading in readings],
            "warnings": [{"sign": w.sign, "figure": w.figure, "message": w.message} for w in warnings],
        }
        console.print_json(data)
        return
    for warning in warnings:
        console.warn(f"warning: {warning.message}")
    columns = ("frame", *READING_COLUMNS[1:], *([f"from {person.name}"] if person else []))
    rows = [
        (*reading_row(str(number), reading), *([distance(Skin.of(reading), person).words()] if person else []))
        for number, reading in readings
    ]
    console.print_table(columns, rows, title=input)
