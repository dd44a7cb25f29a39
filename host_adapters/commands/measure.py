"""inkarnat measure: what the skin reads, frame by frame."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from ...nodes import ReadingError, SkinReading, Warned, measure_skin, solve_balance, solve_subjects, suggest_tone
from ..graphs.colour_spaces import WORKING
from ..graphs.errors import GraphError
from ..graphs.graph import Graph
from ..graphs.runner import Runner
from ..graphs.standard import chain_graph
from ..media.clips import Clip, parse_frames
from ..shots.people import Person, Skin, distance
from ..shots.readings import schema, write_csv
from ..shots.sampling import where_it_changes
from ..shots.viewing import open_view
from . import console
from .correct import READING_COLUMNS, reading_row
from .footage import Footage, footage_options
from .options import Cast, Named, SubjectsCommand, person_options, read_person, sample_options

MOST_FRAMES = 25

Readings = list[tuple[int, SkinReading]]


def _print_schema(context: click.Context, option: click.Parameter, wanted: bool) -> None:
    if wanted:
        console.print_json(schema())
        context.exit()


@click.command(cls=SubjectsCommand)
@click.argument("input", metavar="FILE")
@sample_options
@footage_options
@click.option("--graph", "graph_file", metavar="G.json", help="Take the matte of this graph instead of samples.")
@click.option(
    "--frames", metavar="RANGE", help=f"Frames to read (up to {MOST_FRAMES}, evenly spread and where it changes)."
)
@click.option(
    "--seconds", type=click.FloatRange(0), default=20.0, show_default=True, help="How long to look for changes."
)
@person_options
@click.option("--view", metavar="TRANSFORM", help="Read through this transform: a CLF or ocio:SPACE/DISPLAY/VIEW.")
@click.option("--suggest", is_flag=True, help="Suggest a balance from the edges, black and white points, a saturation.")
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
    input: str,
    graph_file: str | None,
    frames: str | None,
    suggest: bool,
    csv_file: str | None,
    as_json: bool,
    people: list[Named],
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
    view, footage = open_view(options["view"]), Footage.of(options)
    clip = footage.working(footage.open(input))
    numbers = list(parse_frames(frames)) if frames else where_it_changes(clip, MOST_FRAMES, options["seconds"])
    graph, mattes, approved, warnings = _matte_graph(clip, graph_file, options, people)
    readings, found = _read(clip, graph, mattes, numbers, view)
    told = _Told(input, options["view"], readings, approved, (*warnings, *found))
    if csv_file:
        for name, own in readings.items():
            write_csv(_csv_name(csv_file, name), own)
    told.tell(_suggestions(clip.read(numbers[0])) if suggest else None, as_json)


def _csv_name(path: str, name: str) -> Path:
    """Return the table's path; several subjects get one each, with their names before the suffix."""
    file = Path(path)
    return file.with_name(f"{file.stem}-{name}{file.suffix}") if name else file


def _read(
    clip: Clip, graph: Graph, mattes: Mapping[str, str], numbers: Sequence[int], view: Callable[[Floats], Floats]
) -> tuple[dict[str, Readings], tuple[Warned, ...]]:
    """Read each person's skin in each frame; what there is to warn of is told once, at its worst."""
    runner = Runner(graph)
    readings: dict[str, Readings] = {name: [] for name in mattes}
    missed: list[Warned] = []
    worst: dict[tuple[str, str], Warned] = {}
    first, last = clip.frames[0], clip.frames[-1]
    wanted = [*mattes.values(), *([WORKING] if WORKING in dict(graph.outputs) else [])]
    for number in numbers:
        made = runner.run_frame(number, lambda _, f: clip.read(min(max(f, first), last)), wanted)
        shown = view(made.get(WORKING, clip.read(number)))
        for name, output in mattes.items():
            try:
                reading = measure_skin(shown, made[output])
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
    clip: Clip, graph_file: str | None, options: dict[str, Any], people: list[Named]
) -> tuple[Graph, dict[str, str], Mapping[str, Person], tuple[Warned, ...]]:
    """Return a graph with the mattes, the output of each, whom each is matched to, and what there is to warn of."""
    if graph_file is not None:
        if people or any(options[name] for name in ("add", "subtract", "neutral", "region")):
            raise GraphError("Give samples or --graph, not both: the graph brings its own key.")
        graph = Graph.load(graph_file)
        graph.origins(["matte"])
        own = {name.removeprefix("matte-"): name for name, _ in graph.outputs if name.startswith("matte-")}
        mattes = own or {"": "matte"}
        person = read_person(options)
        return graph, mattes, dict.fromkeys(mattes, person) if person else {}, ()
    cast = Cast.read(clip, options, people)
    correction = cast.warned(solve_subjects(cast.subjects))
    graph = chain_graph(correction.links(), correction.outputs(), cast.keyed())
    warnings = tuple(warned for warned in correction.warnings if warned.sign != "stray")
    return graph, {person.name: person.id("matte") for person in correction.people}, cast.approved, warnings


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


@dataclass(frozen=True)
class _Told:
    """What there is to tell: the readings by subject, the person each is matched to, and the warnings."""

    input: str
    view: str | None
    readings: Mapping[str, Readings]
    approved: Mapping[str, Person]
    warnings: tuple[Warned, ...]

    def tell(self, suggestions: dict[str, dict[str, Any]] | None, as_json: bool) -> None:
        """Print everything, for machines or for people."""
        if as_json:
            data = self.data()
            console.print_json(data if suggestions is None else data | {"suggestions": suggestions})
            return
        for warning in self.warnings:
            console.warn(f"warning: {warning.message}")
        for name, found in self.readings.items():
            self._table(name, found)
        for name, suggestion in (suggestions or {}).items():
            console.say(_suggestion_words(name, suggestion))

    def _table(self, name: str, found: Readings) -> None:
        person = self.approved.get(name)
        columns = ("frame", *READING_COLUMNS[1:], *([f"from {person.name}"] if person else []))
        rows = [
            (
                *reading_row(f"{number} {name}".rstrip(), reading),
                *([distance(Skin.of(reading), person).words()] if person else []),
            )
            for number, reading in found
        ]
        console.print_table(columns, rows, title=f"{self.input}{_of(name)}")

    def data(self) -> dict[str, Any]:
        """Return everything as JSON data."""
        data: dict[str, Any] = {"input": self.input, "view": self.view}
        if "" in self.readings:
            data |= self._of(self.readings[""], self.approved.get(""))
        else:
            data["subjects"] = {n: self._of(found, self.approved.get(n)) for n, found in self.readings.items()}
        data["warnings"] = [{"sign": w.sign, "figure": w.figure, "message": w.message} for w in self.warnings]
        return data

    @staticmethod
    def _of(found: Readings, person: Person | None) -> dict[str, Any]:
        def far(reading: SkinReading) -> dict[str, Any]:
            return {} if person is None else {"distance": distance(Skin.of(reading), person).as_dict()}

        return {
            "person": None if person is None else person.name,
            "readings": [{"frame": number, **reading.as_dict(), **far(reading)} for number, reading in found],
        }
