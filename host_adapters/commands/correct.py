"""inkarnat correct: the main job in one command."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path
from typing import Any

import click

from ...kernels import fused, jit
from ...kernels.errors import InkarnatError
from ...nodes import AS_SHOT, BY_HAND, BY_LIGHT, COPY, EDGES, Balance, Corrected, CorrectionOptions, SkinReading, Space
from .. import made
from ..graphs.colour_spaces import without_conversions
from ..graphs.errors import SOME_FRAMES_FAILED, GraphError
from ..graphs.graph import STANDARD_SOURCE, Graph
from ..graphs.outputs import claim_outputs
from ..graphs.parts import Parts, amount_of, parts_of
from ..graphs.rendering import render_files
from ..graphs.runner import Report
from ..graphs.typed import CONTROLS, set_nodes, told_parts
from ..media.clips import Clip, Frames, check_suffix, parse_frames
from ..sequences import PICTURES, SequencePattern
from ..shots.carry import balance_step
from ..shots.looks import Under
from ..shots.solving import Solved, SolveOptions, solve
from ..shots.stills import Shown
from ..shots.viewing import open_view, view_id
from ..warm_up import helped
from . import console
from .footage import Footage, footage_options, output_options
from .options import (
    Named,
    SubjectsCommand,
    black_option,
    person_options,
    read_line,
    sample_options,
    solve_options,
    target_options,
    typed_options,
)
from .person import person_data, say_distance
from .stills import Stills, stills_options
from .under import read_under, under_options

METHODS = {"turn": "turn", "shift": "shift", "channels": "primaries", "light": BY_LIGHT}
"""Ways to move the colour of skin, and what solving calls them."""


@click.command(cls=SubjectsCommand)
@click.argument("input", metavar="INPUT")
@click.option("-o", "--output", metavar="OUTPUT", help="Where the corrected picture, sequence or clip goes.")
@sample_options
@target_options
@person_options
@footage_options
@output_options
@click.option(
    "--view",
    metavar="TRANSFORM",
    help="Solve and read through this transform, a CLF or ocio:SPACE/DISPLAY/VIEW; pictures are written without it.",
)
@under_options
@stills_options
@click.option("--track", is_flag=True, help="Let --keep-in and --keep-out follow what they were drawn round.")
@click.option(
    "--method",
    type=click.Choice(list(METHODS)),
    default="turn",
    show_default=True,
    help="How the colour of the skin is moved: turned, shifted, by its channels in linear light, or like a "
    "light, by skin temperature and tint alone.",
)
@click.option("--split-light", is_flag=True, help="Steer the lit and the shadow side apart: for light of two colours.")
@click.option("--even-out", type=float, default=0.0, show_default=True, help="Draw the hues together, 0 to 0.5.")
@click.option(
    "--even-side",
    type=click.Choice(["both", "redder", "yellower"]),
    default="both",
    show_default=True,
    help="Which hues are drawn in: `redder` calms a red nose and leaves the rest.",
)
@click.option(
    "--follow-drift",
    is_flag=True,
    help="Key the steering through the clip where the light drifts. The balance stays as on --frame, and so does the "
    "key where no face is followed: good for about 15 mired either way; beyond that cut the clip, correct each part.",
)
@click.option(
    "--light",
    type=click.Choice([AS_SHOT.replace(" ", "-"), EDGES, COPY]),
    default=AS_SHOT.replace(" ", "-"),
    show_default=True,
    help="Without --neutral: leave the light as it was shot, read it from the picture's edges, or copy it with "
    "--copy-from.",
)
@click.option("--copy-from", metavar="G.json", help="With --light copy: the graph whose light is taken.")
@click.option(
    "--natural-range",
    is_flag=True,
    help="Key the natural range of skin where nothing is sampled and no face is found, in place of seeking skin by its "
    "look; it takes wood as well.",
)
@black_option
@typed_options
@click.option("--frames", metavar="RANGE", help="Frames to write, such as 1-100, 1-100x2 or 1,5,9 (all).")
@click.option("--codec", metavar="NAME", help="Codec of a video output (a sensible one for its suffix).")
@click.option("--graph-out", metavar="G.json", help="Keep the solved graph; `inkarnat render` gives the same bits.")
@click.option(
    "--matte-out", metavar="FILES", help="Write the matte as well; {subject} in the name writes one for each person."
)
@click.option(
    "--matte-in-alpha",
    is_flag=True,
    help="Put the matte into the output's alpha, colour not multiplied (.mov: ProRes 4444).",
)
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
def command(input: str, output: str | None, as_json: bool, people: list[Named], **options: Any) -> int:
    """Key the skin from samples, steer it to the skin line, write the picture, the matte and the numbers.

    INPUT is a picture, a sequence (planing.%04d.exr) or a clip. The light comes first, then levels and saturation, then
    the key, and the skin is turned last: the target is reached in the final picture, which is judged.

    \b
    A box on the boat-builder's cheek:
      inkarnat correct planing.mov -o planing-skin.mov --add box:.45,.30,.52,.42
    The grey card sets the light first, and the graph is kept for the other takes:
      inkarnat correct take1.mov -o take1-skin.mov --neutral box:.74,.07,.78,.17 \\
          --add "stroke:.47,.33;.50,.40/.02" --subtract box:.10,.20,.20,.30 --graph-out take1.json
    Two people, each on a target of their own:
      inkarnat correct bench.mov -o bench-skin.mov --subject left --add point:.39,.45 \\
          --subject right --add point:.66,.48 --bias 2 --matte-out "bench-{subject}.%04d.png"
    Judged through the look of the film, which goes on top later:
      inkarnat correct planing.mov -o planing-skin.mov --add point:.48,.36 --view film.clf
    Under the look of the film, written with it, natural skin brought back by six tenths:
      inkarnat correct planing.mov -o planing-look.mov --add point:.48,.36 --under film.clf --look-input bt709

    The faces in the picture are found: a mark on one means that face, and without --add all of them are keyed. In a
    clip they are followed. Without --add and without a face, skin is sought by its look and keyed where it is seen
    surely, which the result says; otherwise there is nothing to correct, unless --natural-range is given.

    Judge the result on a calibrated display in a controlled surround; a reading is a guide, and skin varies with
    person, light and intent. Delivery limits are those of your facility's specification.
    """
    stills = Stills.read(options)
    if output is None and stills is None and not (options["graph_out"] or options["matte_out"]):
        raise GraphError("There is nothing to write: give -o OUTPUT, --matte-out, --graph-out or --stills.")
    work = "correct" if _is_picture(input) else "demo"
    if not as_json:
        console.warn_if_cold(work)  # asked before the helper leaves its first kernel
    if jit.is_cold():
        click.get_current_context().with_resource(helped(work))
    _asked(options, people, None)  # what is wrong with it is told before anything is opened
    footage = Footage.of(options).meant({STANDARD_SOURCE: input})
    clip = footage.open(input)
    if len(clip.frames) == 1:
        click.get_current_context().with_resource(fused.in_single_steps())
    asked = _asked(options, people, clip.height)
    outputs = _outputs(output, options, people)
    for path in outputs.values():
        check_suffix(path)
    frames = parse_frames(options["frames"]) if options["frames"] else None
    kept = {options["graph_out"]: made.GRAPH} if options["graph_out"] else {}
    looked_at = [] if stills is None else stills.chosen(clip, frames)
    shown = Shown(tuple(name for name, _ in people) or ("",), asked.under is not None)
    pictures = {} if stills is None else stills.files(shown, clip, looked_at)
    numbers = clip.frames if frames is None else frames
    claim_outputs(outputs.values(), clip, numbers, console.note, pictures.values(), kept)
    asked = dataclasses.replace(asked, earlier=_earlier(options["graph_out"], footage))
    solved = solve(footage.working(clip), asked, console.listener(as_json))
    if solved.drift is not None and solved.drift.followed is not None and not as_json:
        console.warn(f"followed the drift over {len(solved.drift.followed.cuts) + 1} shots")
    graph = footage.around(solved.graph)
    if options["graph_out"]:
        graph.save(options["graph_out"])
    report = _render(graph, clip, outputs, frames, options["codec"], as_json)
    if stills is not None:
        reference = asked.frame if asked.frame is not None else clip.frames[0]
        sheet = stills.draw(graph, clip, looked_at, options["view"], reference, read_line(options), as_json)
        outputs = {**outputs, "stills": str(sheet)}
    suspect = footage.tell_damage([clip], report.done)
    _tell(input, solved, asked, report, outputs, options, as_json)
    return SOME_FRAMES_FAILED if report.failed or suspect else 0


def _render(
    graph: Graph, clip: Clip, outputs: dict[str, str], frames: Frames | None, codec: str | None, quiet: bool
) -> Report:
    if not outputs:
        return Report()
    return render_files(graph, {"plate": clip}, outputs, frames, codec, console.listener(quiet))


def _is_picture(path: Path | str) -> bool:
    """Tell by its name whether an input is one picture: a clip is worked in sweeps."""
    return Path(path).suffix.lower() in PICTURES and SequencePattern.parse(path) is None


def _earlier(path: str | None, footage: Footage) -> Graph | None:
    """Return the graph that is replaced, as it works on the same footage; None where there is none."""
    if not path or not os.path.isfile(path):
        return None
    try:
        graph = Graph.load(path)
    except InkarnatError:
        return None
    plain, given, _ = without_conversions(graph)
    wanted = None if footage.input_space is None else str(Space.parse(footage.input_space))
    return plain if given == wanted else graph


_SUBJECT_PLACE = "{subject}"


def _outputs(output: str | None, options: dict[str, Any], people: list[Named]) -> dict[str, str]:
    matte, in_alpha = options["matte_out"], options["matte_in_alpha"]
    if in_alpha and (output is None or matte):
        raise GraphError("--matte-in-alpha goes with -o OUTPUT and without --matte-out: the matte is written once.")
    given = {"result+matte" if in_alpha else "result": output, "matte": matte}
    if matte and _SUBJECT_PLACE in matte:
        if not people:
            raise GraphError(f"--matte-out {matte} has a place for the name of a person: give --subject NAME as well.")
        del given["matte"]
        given |= {f"matte-{name}": matte.replace(_SUBJECT_PLACE, name) for name, _ in people}
    outputs = {name: path for name, path in given.items() if path}
    real = [os.path.realpath(path) for path in (*outputs.values(), options["graph_out"]) if path]
    if len(set(real)) < len(real):
        raise GraphError("Two outputs have the same name: give each its own.")
    return outputs


def _asked(options: dict[str, Any], people: list[Named], lines: int | None) -> SolveOptions:
    """Read how the clip is to be solved. Raises as :func:`~.options.solve_options`.

    :param lines: the height of the clip's frames, None where it is not open yet.
    """
    wanted = CorrectionOptions(
        method=METHODS[options["method"]],
        split=options["split_light"],
        even_out=options["even_out"],
        even_side=options["even_side"],
    )
    asked = solve_options(
        options,
        people,
        lines,
        wanted=wanted,
        view=open_view(options["view"]) if options["view"] else None,
        through=True,
        seen=view_id(options["view"]),
        natural_range=options["natural_range"],
        light=options["light"].replace("-", " "),
        under=read_under(options),
        track=options["track"],
        drift="follow" if options["follow_drift"] else "measure",
    )
    if (options["light"] == COPY) != bool(options["copy_from"]):
        raise GraphError("--light copy and --copy-from G.json go together: give both, or neither.")
    if options["copy_from"]:
        step = balance_step(Graph.load(options["copy_from"]))
        if step is None:
            raise GraphError(f"{options['copy_from']} balances no light: there is nothing to copy.")
        copied = step.node_at(asked.frame or 1)
        assert isinstance(copied, Balance)
        asked = dataclasses.replace(asked, wanted=dataclasses.replace(asked.wanted, balance=copied))
    if options["track"] and not any(subject.shapes for subject in asked.subjects):
        raise GraphError("--track follows a shape: give --keep-in or --keep-out as well.")
    for subject in asked.subjects:
        set_nodes(asked.typed_of(subject), asked.frame or 1)
    return asked


# --- telling ------------------------------------------------------------------------------------------------


def _tell(
    input: str,
    solved: Solved,
    asked: SolveOptions,
    report: Report,
    outputs: dict[str, str],
    options: dict[str, Any],
    as_json: bool,
) -> None:
    correction = solved.correction
    written = outputs | ({"graph": options["graph_out"]} if options["graph_out"] else {})
    if as_json:
        data = {"input": input, "outputs": written, "view": options["view"], **solved.as_dict()}
        data |= {} if asked.under is None else {"look": _look_data(asked.under)}
        console.print_json(data | {"render": report.as_dict()} | _distances(solved))
        return
    taught = {"mark": sum(len(each.add) for each in asked.subjects), "face": len(solved.faces())}
    if told := [f"{count} {what}{'s' * (count > 1)}" for what, count in taught.items() if count]:
        console.say(f"key: learned from {' and '.join(told)}")
    for person in correction.people:
        verdict = solved.verdicts.get(person.name)
        said = () if verdict is None else {each.sentence for each in verdict.findings}  # beside the status
        for warning in (each for each in person.warnings if each.message not in said):
            console.warn(f"warning: {person.name + ': ' if person.name else ''}{warning.message}")
    for note in solved.notes:
        console.note(note)
    rows = [row for person in correction.people for row in _person_rows(person, solved)]
    through = f" through {Path(options['view']).name}" if options["view"] else ""
    console.print_table(READING_COLUMNS, rows, title=Path(input).name + through)
    for words in (_light_words(solved), *_level_words(solved)):
        console.say(words)
    if asked.under is not None:
        console.say(f"look: {asked.under.look.words()}; skin kept from it by {asked.under.keep:.0%}")
    for person in correction.people:
        console.say(_steer_words(solved.graph, person))
        approved = solved.approved.get(person.name)
        say_distance(approved, person.before, "before, ")
        say_distance(approved, person.after, "after, ")
        if person.name in solved.verdicts:
            console.say_verdict(solved.verdicts[person.name], person.name)
    for name, path in written.items():
        console.say(f"{name}: {path}")


def _distances(solved: Solved) -> dict[str, Any]:
    """Return how far each subject lies from the person it is matched to, by the subject's name where it has one."""
    people = solved.correction.people
    found = {p.name: person_data(solved.approved.get(p.name), p.before, p.after) for p in people}
    named = {name: data for name, data in found.items() if name and data}
    return found.get("", {}) | ({"people": named} if named else {})


def _look_data(under: Under) -> dict[str, Any]:
    """Return what is on top as plain JSON data."""
    differs = dict(zip(("largest_difference", "usual_difference"), under.look.differs or (0.0, 0.0), strict=True))
    return {"name": under.look.name, "form": under.look.form, "keep_skin": under.keep, **differs}


def _light_words(solved: Solved) -> str:
    balance = solved.correction.balance
    if balance is None:
        return "light: as shot; --neutral SAMPLE or --light edges balance it"
    by = "by hand" if solved.light_by == BY_HAND else f"by {solved.light_by}"
    told = _told_parts(solved.graph, "balance", "balance")
    return f"light: {by}, {told}; a light of {balance.kelvin():.0f} K is neutral now"


def _level_words(solved: Solved) -> list[str]:
    """Return what is set of levels and saturation, in the units that people type."""
    found = {step.id: step.node for step in solved.graph.steps if step.id in ("tone", "saturation")}
    told = [
        f"{control.option} {control.shown(getattr(found[control.step], control.field))}"
        for control in CONTROLS
        if control.step in found
        and control.param.kind == "number"
        and getattr(found[control.step], control.field) != control.rest
    ]
    return [f"levels: {', '.join(told)}"] if told else []


def _told_parts(graph: Graph, id: str, word: str) -> str:
    """Return what the values of a step that a solve finds come to, and which part of each is by hand."""
    step, parts = graph.by_id[id], parts_of(graph, id)
    told = []
    for control in CONTROLS:
        if control.step != word or not control.solved:
            continue
        each = parts.get(control.field, Parts(amount_of(step, control.field)))
        if control.field in parts or each.solved != control.rest:
            told.append(f"{control.option} {told_parts(control, each)}")
    return ", ".join(told)


def _person_rows(person: Corrected, solved: Solved) -> list[tuple[str, ...]]:
    light, looked = solved.light_only.get(person.name), solved.under_look.get(person.name)
    name = f"{person.name} " if person.name else ""
    rows = [reading_row(f"{name}as shot", person.before)]
    rows += [] if light is None else [reading_row(f"{name}light only", light)]
    rows.append(reading_row(f"{name}final" if looked is None else f"{name}without the look", person.after))
    return rows if looked is None else [*rows, reading_row(f"{name}under the look", looked)]


def _steer_words(graph: Graph, person: Corrected) -> str:
    steer = person.steer
    words = f"{person.id('steer')}: {_told_parts(graph, person.id('steer'), 'steer')}"
    words += f", amount {steer.amount:g}" if steer.amount != 1 else ""
    if steer.shadow_angle:
        words += f", shadow side {steer.angle + steer.shadow_angle:+.2f}° below luma {steer.shadow_luma:.2f}"
    return words


READING_COLUMNS = ("", "angle", "chroma/luma", "spread", "luma 5/50/95 %", "frame keyed", "for information")


def reading_row(name: str, reading: SkinReading) -> tuple[str, ...]:
    """Return one reading as a row of the table."""
    luma = " / ".join(f"{level:.0%}" for level in reading.luma)
    return (
        name,
        f"{reading.angle:.1f}°",
        f"{reading.ratio:.3f}",
        f"{reading.spread:.1f}°",
        luma,
        f"{reading.area:.1%}",
        reading.words(),
    )
