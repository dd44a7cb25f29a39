"""inkarnat measure: what the skin reads, frame by frame, and how it is judged."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import click

from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from ...nodes import (
    LEARNED_SIGNS,
    MATTE_SIGNS,
    Aim,
    Evidence,
    ReadingError,
    Skin,
    SkinReading,
    Verdict,
    Warned,
    burnt_out,
    distance,
    faces_apart,
    hues_of_faces,
    judge,
    measure_skin,
    solve_balance,
    suggest_tone,
)
from .. import made
from ..graphs.errors import GraphError
from ..graphs.graph import STANDARD_SOURCE, Graph
from ..graphs.runner import Runner
from ..graphs.typed import typed_words
from ..media.clips import Clip, parse_frames
from ..media.pictures import picture_format, write_picture
from ..shots.aims import aim_at, aims_of, noted_light
from ..shots.drift import CutFinder
from ..shots.evidence import (
    BEFORES,
    WITHOUT_LOOK,
    Moment,
    Survey,
    Witness,
    evidence,
    face_evidence,
    farthest,
    known_faces,
    mattes_of,
    misread_of,
)
from ..shots.finished import Finished, is_made_by
from ..shots.looks import changed_look, check_view
from ..shots.people import Person
from ..shots.readings import Readings, schema, write_csv
from ..shots.sampling import where_it_changes
from ..shots.solving import solve
from ..shots.stills import scope_picture
from ..shots.viewing import open_view, view_id
from ..writes import claim
from . import console
from .correct import READING_COLUMNS, reading_row
from .footage import Footage, footage_options, own_faces
from .master import check_together, measure_master
from .options import (
    Named,
    SubjectsCommand,
    person_options,
    read_line,
    read_person,
    read_target,
    sample_options,
    solve_options,
    target_options,
)

MOST_FRAMES = 25

_WORDS = {"as_shot": "as shot", "light_only": "light only", WITHOUT_LOOK: "without the look", "final": "final"}
_UNDER_LOOK = {**_WORDS, "final": "under the look"}


def _print_schema(context: click.Context, option: click.Parameter, wanted: bool) -> None:
    if wanted:
        console.print_json(schema())
        context.exit()


@click.command(cls=SubjectsCommand)
@click.argument("input", metavar="FILE")
@sample_options
@target_options
@footage_options
@click.option("--graph", "graph_file", metavar="G.json", help="Read FILE as shot, with G's light only, and corrected.")
@click.option("--timeline", metavar="CUT.otio", help="FILE is the finished film of this cut: judge it shot by shot.")
@click.option("--graphs", metavar="DIR", help="With --timeline: the folder with the shots' graphs, as carry leaves it.")
@click.option("--corrected", is_flag=True, help="FILE is finished: --graph made it already, read it as it is.")
@click.option(
    "--frames", metavar="RANGE", help=f"Frames to read (up to {MOST_FRAMES}, evenly spread and where it changes)."
)
@click.option(
    "--seconds", type=click.FloatRange(0), default=20.0, show_default=True, help="How long to look for changes."
)
@person_options
@click.option("--view", metavar="TRANSFORM", help="Read through this transform: a CLF or ocio:SPACE/DISPLAY/VIEW.")
@click.option("--suggest", is_flag=True, help="Suggest a balance from the edges, black and white points, a saturation.")
@click.option(
    "--scope",
    "scope_file",
    metavar="FILE",
    help="Draw vectorscope, waveform and parade of the first frame read.",
)
@click.option("--csv", "csv_file", metavar="FILE", help="Write the readings for a spreadsheet as well.")
@click.option("--json", "as_json", is_flag=True, help="Print the readings as JSON.")
@click.option(
    "--schema",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_schema,
    help="Print the JSON Schema of --json, and nothing else.",
)
def command(
    input: str,
    graph_file: str | None,
    corrected: bool,
    frames: str | None,
    suggest: bool,
    csv_file: str | None,
    scope_file: str | None,
    as_json: bool,
    people: list[Named],
    **options: Any,
) -> int:
    """Read the skin on the vectorscope and waveform, frame by frame, and judge it.

    Hue, saturation, spread, luma and area of what is keyed in FILE, a picture, a sequence or a clip. With --graph every
    frame is read three times: as shot; light only, that is with levels and saturation, but before skin is moved; and in
    the final picture, which is judged.

    \b
    The boat-builder's cheek, over the whole shot:  inkarnat measure planing.mov --add box:.45,.30,.52,.42
    Before, light only and after, from the plate:   inkarnat measure planing.mov --graph planing.json
    The finished file as it is:                     inkarnat measure planing-skin.mov --graph planing.json --corrected
    With what the picture itself suggests:          inkarnat measure planing.mov --add point:.5,.4 --suggest
    The finished film, every shot by timecode:      inkarnat measure film.mov --timeline cut.otio --graphs takes

    A reading is a guide: skin varies with person, light and intent. So is a suggestion: nothing is applied. `inkarnat
    check --limits` shows what the statuses go by. With --timeline the exit code is 4 where a shot with people in it
    cannot be judged: it has no graph, no timecode tells where it lies, or nothing is keyed; the rest is done.
    """
    timeline, graphs = options.pop("timeline"), options.pop("graphs")
    asked = options | {"graph_file": graph_file, "corrected": corrected, "frames": frames, "suggest": suggest}
    check_together(asked | {"people": people}, timeline, graphs)
    view, footage = open_view(options["view"]), Footage.of(options).meant({STANDARD_SOURCE: input})
    if timeline is not None:
        seen = view_id(options["view"])
        return measure_master(input, footage, timeline, graphs, view, seen, csv_file, as_json, options)
    if corrected and graph_file is None:
        raise GraphError("--corrected needs the graph that made the file: give --graph G.json.")
    clip = footage.working(footage.open(input, None if graph_file is None else Graph.load(graph_file)))
    names = _subjects(graph_file, people)
    tables = [(_csv_name(csv_file, name), made.READINGS) for name in names] if csv_file else []
    scopes = {name: _csv_name(scope_file, name) for name in names} if scope_file else {}
    for path in scopes.values():
        picture_format(path)
    claim(scopes.values(), tables)
    numbers = list(parse_frames(frames)) if frames else where_it_changes(clip, MOST_FRAMES, options["seconds"])
    seen = view_id(options["view"])
    if graph_file is not None:
        loaded = Graph.load(graph_file)
        graph = own_faces(loaded, clip, corrected or bool(is_made_by(loaded, clip.path, numbers)))
        check_view(graph, seen)
        is_made = None if corrected else is_made_by(graph, clip.path, numbers)
        told = _through_graph(input, clip, graph, corrected or bool(is_made), numbers, view, seen, options, people)
        changed = changed_look(graph)
        notes = (*_made_notes(input, graph_file, is_made), *([changed] if changed else []))
        told = replace(told, notes=(*notes, *told.notes))
    else:
        told = _of_samples(input, clip, numbers, view, seen, options, people)
    if csv_file:
        for name, own in told.readings.items():
            write_csv(_csv_name(csv_file, name), own)
    for name, path in scopes.items():
        if name in told.seen:
            picture, matte = told.seen[name]
            drawn = scope_picture(picture, matte if matte.any() else None, told.aims[name].angle)
            write_picture(path, drawn, bits=8)
            made.note(path)
            told = replace(told, notes=(*told.notes, f"scopes of frame {numbers[0]}{_of(name)}: {path}"))
    told.tell(_suggestions(clip.read(numbers[0])) if suggest else None, as_json)
    return 0


def _subjects(graph_file: str | None, people: list[Named]) -> list[str]:
    """Return the names of the subjects that are read apart; an empty one where there is one subject."""
    if graph_file is None:
        return [name for name, _ in people] or [""]
    return list(mattes_of(Graph.load(graph_file)))


def _csv_name(path: str, name: str) -> Path:
    """Return the table's path; several subjects get one each, with their names before the suffix."""
    file = Path(path)
    return file.with_name(f"{file.stem}-{name}{file.suffix}") if name else file


def _of(name: str) -> str:
    return f" of {name}" if name else ""


# --- reading ------------------------------------------------------------------------------------------------


def _of_samples(
    input: str,
    clip: Clip,
    numbers: Sequence[int],
    view: Callable[[Floats], Floats],
    seen: str,
    options: dict[str, Any],
    people: list[Named],
) -> _Told:
    """Read the picture as it is, keyed by samples or by faces."""
    solved = solve(clip, solve_options(options, people))
    correction = solved.correction
    mattes = {person.name: person.id("matte") for person in correction.people}
    line = read_line(options)
    moments, cut, shown = _read(clip, solved.graph, mattes, numbers, view)
    aims = {p.name: aim_at(p.target, solved.approved.get(p.name), line) for p in correction.people}
    verdicts, readings, found, notes = {}, {}, [], list[str]()
    for person in correction.people:
        name = person.name
        own = Survey.of(moments[name], numbers, None, None, cut)
        known = Evidence(
            None,
            own.final,
            sampled=bool(person.key.model),
            view=seen,
            misread=misread_of(clip),
            doubts=tuple(each for each in person.warnings if each.sign in (*MATTE_SIGNS, *LEARNED_SIGNS)),
            burnt=own.burnt,
            faces=own.faces,
            wander=own.wander.span,
            cut=own.wander.cut,
            across=own.wander.across,
            paled=own.wander.paled,
        )
        verdicts[name] = judge(known, aims[name])
        readings[name] = [(each.frame, "", each.final) for each in moments[name] if each.final is not None]
        found += [Warned("no skin", 0.0, f"Frame {n}{_of(name)}: {why}") for n, why in own.failed]
        notes += _apart_notes(name, moments[name])
    worst: dict[tuple[str, str], Warned] = {}
    for name, own_readings in readings.items():
        for number, _, reading in own_readings:
            _keep_worst(worst, name, number, reading)
    warnings = (*(each for each in correction.warnings if each.sign != "stray"), *found, *worst.values())
    return _Told(input, options["view"], readings, solved.approved, warnings, aims, verdicts, tuple(notes), shown)


def _read(
    clip: Clip, graph: Graph, mattes: Mapping[str, str], numbers: Sequence[int], view: Callable[[Floats], Floats]
) -> tuple[dict[str, list[Moment]], int | None, dict[str, tuple[Floats, Floats]]]:
    """Read each person's skin in each frame of a clip as it is, and find a cut between them.

    The first frame is returned as it is seen, with each person's matte.
    """
    runner, cuts = Runner(graph), CutFinder(clip.read, clip.frames)
    first_seen: dict[str, tuple[Floats, Floats]] = {}
    moments: dict[str, list[Moment]] = {name: [] for name in mattes}
    first, last = clip.frames[0], clip.frames[-1]
    for number in numbers:
        made = runner.run_frame(number, lambda _, f: clip.read(min(max(f, first), last)), list(mattes.values()))
        picture = clip.read(number)
        shown = view(picture)
        cuts.see(number, picture)
        for name, output in mattes.items():
            matte = made[output]
            first_seen.setdefault(name, (shown, matte))
            try:
                reading, missing = measure_skin(shown, matte), ""
            except ReadingError as error:
                reading, missing = None, str(error)
            burnt, faces = (
                burnt_out(shown, matte, picture),
                hues_of_faces(shown, matte, known_faces(graph, name, number)),
            )
            moments[name].append(Moment(number, None, None, reading, missing, burnt=burnt, faces=faces))
    return moments, cuts.first(), first_seen


def _keep_worst(worst: dict[tuple[str, str], Warned], name: str, number: int, reading: SkinReading) -> None:
    for warned in reading.warnings():
        known = worst.get((name, warned.sign))
        if known is None or warned.figure > known.figure:
            message = f"Frame {number}{_of(name)}: {warned.message}"
            worst[name, warned.sign] = Warned(warned.sign, warned.figure, message)


def _through_graph(
    input: str,
    clip: Clip,
    graph: Graph,
    corrected: bool,
    numbers: Sequence[int],
    view: Callable[[Floats], Floats],
    seen: str,
    options: dict[str, Any],
    people: list[Named],
) -> _Told:
    """Read what a graph does to a clip, or what it did to a finished file."""
    if people or any(options[name] for name in ("add", "subtract", "neutral", "keep_in", "keep_out")):
        raise GraphError("Give samples or --graph, not both: the graph brings its own key.")
    witness: Witness | Finished = Finished(graph, view) if corrected else Witness(graph, view)
    person, line = read_person(options), read_line(options)
    aims = aims_of(graph, witness.mattes, person, line)
    if any(options[name] for name in ("target_angle", "bias", "target_ratio")):
        aims = dict.fromkeys(witness.mattes, aim_at(read_target(options, person), person, line))
    readings: dict[str, list[tuple[int, str, SkinReading]]] = {name: [] for name in witness.mattes}
    moments: dict[str, list[Moment]] = {name: [] for name in witness.mattes}
    faces: dict[str, Any] = {}
    first_seen: dict[str, tuple[Floats, Floats]] = {}
    missed: list[Warned] = []
    worst: dict[tuple[str, str], Warned] = {}
    cuts = CutFinder(clip.read, clip.frames)
    for number in numbers:
        pictures = witness.pictures(clip, number)
        cuts.see(number, pictures["as_shot"] if "as_shot" in pictures else pictures["final"])
        for name, output in witness.mattes.items():
            first_seen.setdefault(name, (pictures["final"], pictures[output]))
            moment = witness.moment(pictures, number, name)
            if isinstance(witness, Witness):
                moment = replace(moment, aimed=witness.aimed(clip, number, name, aims[name]))
            moments[name].append(moment)
            if moment.missing:
                missed.append(Warned("no skin", 0.0, f"Frame {number}{_of(name)}: {moment.missing}"))
            for before in BEFORES[2:] if corrected else (*BEFORES[:2], WITHOUT_LOOK, BEFORES[2]):
                reading = getattr(moment, before)
                if reading is not None:
                    readings[name].append((number, before, reading))
            if (judged := moment.final if corrected else moment.light_only or moment.final) is not None:
                _keep_worst(worst, name, number, judged)
            if number == numbers[len(numbers) // 2] and not corrected:
                alone = len(witness.mattes) == 1
                faces[name] = face_evidence(pictures, pictures[witness.mattes[name]], alone)
    cut, verdicts = cuts.first(), {}
    for name, own in moments.items():
        face, of_face = faces.get(name, (None, None))
        surveyed = Survey.of(own, numbers, face, of_face, cut)
        found = evidence(
            graph, surveyed, numbers[0], noted_light(graph), view=seen, person=name, misread=misread_of(clip, graph)
        )
        verdicts[name] = judge(found, aims[name])
    approved = dict.fromkeys(witness.mattes, person) if person else {}
    warnings = (*missed, *worst.values())
    notes = tuple(note for name, own in moments.items() for note in _apart_notes(name, own))
    return _Told(input, options["view"], dict(readings), approved, warnings, aims, verdicts, notes, first_seen)


def _apart_notes(name: str, moments: list[Moment]) -> list[str]:
    """Tell of the frame on which a subject's faces end farthest from each other."""
    most = farthest(moments)
    return [] if most is None else [f"Frame {most.frame}{_of(name)}: {a.message}" for a in faces_apart(most.faces)]


def _made_notes(input: str, graph_file: str, is_made: bool | None) -> tuple[str, ...]:
    """Say what the record of what was made tells of the file that is read."""
    if is_made is None:
        return ()
    if is_made:
        return (f"{input} was made by {graph_file}, as the record beside it says: it is read as it is.",)
    return (
        f"{input} was made by {graph_file} and changed since, so it is read as a plate, before the correction: give "
        "--corrected where it is finished.",
    )


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
        words = " ".join(typed_words(option, found[option]) for option in ("temperature", "tint"))
        return f"suggested balance, from the edges: {words} (tint {found['tint']:+.4f} Duv)"
    words = " ".join(typed_words(option, found[option]) for option in ("black", "white", "saturation"))
    return f"suggested tone: {words} (luma reaches from {found['levels'][0]:.0%} to {found['levels'][1]:.0%})"


# --- telling ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Told:
    """What there is to tell: the readings by subject, what each is judged against and how, and the warnings."""

    input: str
    view: str | None
    readings: Mapping[str, Readings]
    approved: Mapping[str, Person]
    warnings: tuple[Warned, ...]
    aims: Mapping[str, Aim]
    verdicts: Mapping[str, Verdict]
    notes: tuple[str, ...] = ()
    seen: Mapping[str, tuple[Floats, Floats]] = field(default_factory=dict)
    """The first frame that was read, as it is seen, and each subject's matte."""

    def tell(self, suggestions: dict[str, dict[str, Any]] | None, as_json: bool) -> None:
        """Print everything, for machines or for people."""
        if as_json:
            data = self.data()
            console.print_json(data if suggestions is None else data | {"suggestions": suggestions})
            return
        for note in self.notes:
            console.note(note)
        judged = {finding.sentence for verdict in self.verdicts.values() for finding in verdict.findings}
        for warning in (each for each in self.warnings if each.message not in judged):
            console.warn(f"warning: {warning.message}")
        for name, found in self.readings.items():
            self._table(name, found)
        for name, verdict in self.verdicts.items():
            console.say_verdict(verdict, name)
        for name, suggestion in (suggestions or {}).items():
            console.say(_suggestion_words(name, suggestion))

    def _table(self, name: str, found: Readings) -> None:
        person = self.approved.get(name)
        which = _UNDER_LOOK if any(before == WITHOUT_LOOK for _, before, _ in found) else _WORDS
        columns = ("frame", *READING_COLUMNS[1:], *([f"from {person.name}"] if person else []))
        rows = [
            (
                *reading_row(" ".join(filter(None, (str(number), name, which.get(before, "")))), reading),
                *([distance(Skin.of(reading), person).words()] if person else []),
            )
            for number, before, reading in found
        ]
        console.print_table(columns, rows, title=f"{self.input}{_of(name)}")

    def data(self) -> dict[str, Any]:
        """Return everything as JSON data."""
        data: dict[str, Any] = {"input": self.input, "view": self.view}
        if "" in self.readings:
            data |= self._of("")
        else:
            data["subjects"] = {name: self._of(name) for name in self.readings}
        data["warnings"] = [{"sign": w.sign, "figure": w.figure, "message": w.message} for w in self.warnings]
        return data | ({"notes": list(self.notes)} if self.notes else {})

    def _of(self, name: str) -> dict[str, Any]:
        person = self.approved.get(name)

        def figures(reading: SkinReading) -> dict[str, Any]:
            far = {} if person is None else {"distance": distance(Skin.of(reading), person).as_dict()}
            return {**reading.as_dict(), **far}

        frames: dict[int, dict[str, Any]] = {}
        for number, before, reading in self.readings[name]:
            entry = frames.setdefault(number, {"frame": number})
            entry |= {before: figures(reading)} if before else figures(reading)
        return {
            "person": None if person is None else person.name,
            "target": self.aims[name].words(),
            "readings": list(frames.values()),
            "verdict": self.verdicts[name].as_dict(),
        }
