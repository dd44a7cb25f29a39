"""inkarnat person: approved readings of people, kept under their names in a project file."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from typing import Any

import click

from ...kernels.errors import InkarnatError
from ...nodes import I_AXIS, Skin, SkinReading, beyond, distance, measure_skin
from ..graphs.errors import GraphError
from ..graphs.graph import STANDARD_SOURCE, Graph
from ..graphs.runner import Runner
from ..media.clips import Clip, open_clip
from ..shots.evidence import evidence, mattes_of, misread_of, survey
from ..shots.people import People, Person, frame_hash
from ..shots.solving import SolveOptions, SubjectMarks, solve
from ..shots.viewing import View, open_view, view_id
from . import console
from .footage import own_faces
from .options import parse_mark, project_option


def say_distance(person: Person | None, reading: SkinReading, when: str = "") -> None:
    """Print how far a reading lies from a person."""
    if person is not None:
        console.say(f"{when}from {person.name}: {distance(Skin.of(reading), person).words()}")


def person_data(person: Person | None, before: SkinReading, after: SkinReading) -> dict[str, Any]:
    """Return the distances from a person as JSON data; nothing where there is no person."""
    if person is None:
        return {}
    figures = {"before": before, "after": after}
    return {
        "person": {"name": person.name}
        | {name: distance(Skin.of(reading), person).as_dict() for name, reading in figures.items()}
    }


def split_frame(text: str) -> tuple[str, int | None]:
    """Read ``CLIP@FRAME``; the frame may be left out. Raises GraphError where it is not a whole number."""
    path, at, number = text.rpartition("@")
    if not at:
        return text, None
    try:
        return path, int(number)
    except ValueError:
        raise GraphError(f"{text!r} must name a whole frame number behind @, not {number!r}.") from None


@click.group("person")
def command() -> None:
    """Keep approved readings of people: what every other shot of them is matched to.

    \b
    inkarnat person add Ada --from approved.mov@12 --add box:.45,.30,.52,.42
    inkarnat correct take2.mov -o take2-skin.mov --add box:.40,.31,.47,.43 --person Ada
    """


@command.command("add")
@click.argument("name")
@click.option("--from", "source", required=True, metavar="CLIP@FRAME", help="The approved frame (the first).")
@click.option("--add", multiple=True, metavar="SAMPLE", help="Where the person's skin is on that frame.")
@click.option("--subtract", multiple=True, metavar="SAMPLE", help="What must stay out of the key.")
@click.option("--graph", "graph_file", metavar="G.json", help="Read what this graph gives, with its matte, instead.")
@click.option("--view", metavar="TRANSFORM", help="Read through this transform: a CLF or ocio:SPACE/DISPLAY/VIEW.")
@click.option("--replace", "may_replace", is_flag=True, help="Replace the reading of a person who is there already.")
@click.option("--json", "as_json", is_flag=True, help="Print the reading as JSON.")
@project_option
def add_person(
    name: str,
    source: str,
    add: tuple[str, ...],
    subtract: tuple[str, ...],
    graph_file: str | None,
    view: str | None,
    may_replace: bool,
    as_json: bool,
    project: str,
) -> None:
    """Read NAME's skin on an approved frame and keep the reading.

    The frame is read as it is; with --graph, as the graph gives it: approve a corrected frame without rendering it.
    """
    path, number = split_frame(source)
    seen = open_view(view)
    with open_clip(path) as clip:
        frame = clip.frames[0] if number is None else number
        output, graph, doubts = _approved(clip, frame, add, subtract, graph_file, seen)
        plate = clip.read(frame)
        made = Runner(graph).run_frame(frame, {STANDARD_SOURCE: plate}, list({output, "matte"} - {STANDARD_SOURCE}))
    picture = made.get(output, plate)
    reading = measure_skin(seen(picture), made["matte"])
    skin = Skin.of(reading)
    digest, under = frame_hash(picture), view_id(view)
    person = Person(skin.angle, skin.ratio, skin.luma, skin.black, name, path, frame, digest, under, graph_file or "")
    People.change(project, lambda people: people.adding(person, may_replace), may_lack=True)
    doubts += [f"{doubt}: approve another frame, and remove this one." for doubt in _doubts(reading)]
    if as_json:
        told = {"project": project, "name": name, **_figures(person), "reading": reading.as_dict()}
        console.print_json(told | {"warnings": doubts})
        return
    console.print_table(_COLUMNS, [_row(person)], title=project)
    console.say(f"{name}: {reading.words()}; kept in {project}")
    for doubt in doubts:
        console.warn(f"warning: {doubt}")


def _doubts(reading: SkinReading) -> Iterable[str]:
    """Say what speaks against a reading as a target for other shots."""
    if beyond("target", reading.off_line):
        yield f"the approved skin reads {reading.angle:.1f}°, and no skin in white light has that hue"
    if beyond("transparent", reading.transparent):
        yield f"{reading.transparent:.0%} of the approved skin is transparent"


def _misread(clip: Clip, graph: Graph | None = None) -> list[str]:
    """Say that a clip states another signal than the one that it is read as, where it does."""
    misread = misread_of(clip, graph)
    return [f"{misread}, where hues are others: convert it to BT.709 first, or mend what it says."] if misread else []


def _approved(
    clip: Clip, frame: int, add: tuple[str, ...], subtract: tuple[str, ...], graph_file: str | None, view: View
) -> tuple[str, Graph, list[str]]:
    """Return what is approved, the plate or a graph's result, the graph that gives it and its matte, and its doubts."""
    if graph_file is not None:
        if add or subtract:
            raise GraphError("Give samples or --graph, not both: the graph brings its own key.")
        graph = own_faces(Graph.load(graph_file), clip)
        name = next(iter(mattes_of(graph)))
        known = evidence(graph, survey(clip, graph, view, [frame], name), frame, person=name)
        doubts = [] if known.accepted else [each.message for each in known.doubts]
        return "result", graph, doubts + _misread(clip, graph)
    if not add:
        raise GraphError("Give --add SAMPLE on the person's skin, or --graph.")
    marked = SubjectMarks("", tuple(map(parse_mark, add)), tuple(map(parse_mark, subtract)))
    solved = solve(clip, SolveOptions((marked,), frame=frame, faces=False))
    doubts = [each.message for each in solved.correction.warnings]
    return STANDARD_SOURCE, solved.graph, doubts + _misread(clip)


@command.command("list", short_help="List the people, and whose picture has changed.")
@click.option("--json", "as_json", is_flag=True, help="Print the people as JSON.")
@project_option
def list_people(project: str, as_json: bool) -> None:
    """List the people of the project with their approved readings, and tell where a picture is another by now."""
    people = People.load(project).known
    stands = [_picture_now(person) for person in people]
    if as_json:
        told = [{"name": p.name, **_figures(p), "picture": now} for p, now in zip(people, stands, strict=True)]
        console.print_json({"project": project, "people": told})
        return
    rows = [(*_row(person), now) for person, now in zip(people, stands, strict=True)]
    console.print_table((*_COLUMNS, "picture"), rows, title=project)
    for person, now in zip(people, stands, strict=True):
        if now == _CHANGED:
            console.warn(
                f"warning: {_place(person)} {now}: {person.name}'s reading is of the picture that was approved; "
                "`inkarnat person add --replace` reads the new one."
            )


_AS_APPROVED, _CHANGED = "is as approved", "has changed since"


def _picture_now(person: Person) -> str:
    """Say whether the picture that was approved is still what lies there."""
    try:
        with open_clip(person.clip) as clip:
            graph = Graph.load(person.graph) if person.graph else None
            picture = clip.read(person.frame)
            if graph is not None:
                sources = {STANDARD_SOURCE: picture}
                picture = Runner(own_faces(graph, clip)).run_frame(person.frame, sources, ["result"])["result"]
    except InkarnatError:
        return "cannot be read from here"
    return _AS_APPROVED if frame_hash(picture) == person.frame_sha256 else _CHANGED


@command.command("line", short_help="Show or set the line used in the project.")
@click.argument("degrees", required=False)
@project_option
def set_line(degrees: str | None, project: str) -> None:
    """Show the line that skin without a person of its own is judged against, or set it to DEGREES for the project.

    123 is the usual line; +I sets it to the true +I axis, which lies at 130.55 in BT.709 Cb/Cr.
    """
    if degrees is not None:
        line = _line(degrees)
        People.change(project, lambda known: dataclasses.replace(known, line=line), may_lack=True)
    people = People.load(project, may_lack=True)
    console.say(f"the line used in {project}: {people.line:g}°")


def _line(text: str) -> float:
    if text.upper() == "+I":
        return I_AXIS
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 <= value <= 360:
        raise GraphError(f"The line must be 0 to 360 degrees, or +I, not {text!r}.")
    return value


@command.command("remove")
@click.argument("name")
@project_option
def remove_person(name: str, project: str) -> None:
    """Forget the approved reading of NAME."""
    People.change(project, lambda people: people.removing(name))
    console.say(f"{name} is no longer in {project}")


_COLUMNS = ("person", "angle", "chroma/luma", "luma", "approved on", "frame's SHA-256")


def _row(person: Person) -> tuple[str, ...]:
    return (
        person.name,
        f"{person.angle:.1f}°",
        f"{person.ratio:.3f}",
        f"{person.luma:.0%}",
        _place(person),
        person.frame_sha256[:12],
    )


def _place(person: Person) -> str:
    return f"{person.clip}@{person.frame}" + (f" through {person.graph}" if person.graph else "")


def _figures(person: Person) -> dict[str, Any]:
    return {key: value for key, value in vars(person).items() if key != "name"}
