"""inkarnat carry: a correction taken to other clips of the same camera and light."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import click

from ...nodes import COPY, EDGES, NOT_JUDGED, STATUSES, Sample, SampleError
from .. import made
from ..graphs.errors import SOME_FRAMES_FAILED, GraphError
from ..graphs.graph import Graph
from ..media.clips import Clip, open_clip
from ..media.files import InputError
from ..shots.carry import (
    PARTS,
    Begun,
    Carried,
    Carrier,
    Shot,
    carry_all,
    moving_notes,
    named_before,
    named_shots,
    parts_of,
)
from ..shots.looks import check_view
from ..shots.people import Person
from ..shots.runs import RUN_FILE, Run, RunClip, graph_hash
from ..shots.timeline import CutList
from ..shots.viewing import View, open_view, view_id
from ..writes import claim, make_folder
from . import console
from .cut import carry_cut, chosen_shots, cut_output, cut_shots, relinked_cut, render_cut
from .footage import Footage, reading_options, tell_changed_look
from .options import parse_mark, person_options, read_hands, read_line, read_person, typed_options
from .person import split_frame
from .report import write_report

PAGE = "report.html"


@click.command()
@click.argument("graph", metavar="GRAPH", type=click.Path())
@click.argument("more", nargs=-1, metavar="")
@click.option("--from", "source", required=True, metavar="CLIP[@FRAME]", help="The clip that GRAPH was solved on.")
@click.option("--to", "targets", multiple=True, metavar="CLIP[@FRAME]…", help="Clips to carry it to.")
@click.option("-o", "--out", "folder", required=True, metavar="DIR", help="Where graphs and report go; it is made.")
@click.option(
    "--neutral", "neutrals", multiple=True, metavar="CLIP=SAMPLE", help="Something grey on a clip, to balance it by."
)
@click.option("--solve-again", is_flag=True, help="Learn the key and solve the steering anew where there is --add.")
@click.option("--add", "adds", multiple=True, metavar="CLIP=SAMPLE", help="With --solve-again: skin on a clip.")
@click.option("--subtract", "subtracts", multiple=True, metavar="CLIP=SAMPLE", help="What stays out of its key.")
@click.option(
    "--light",
    type=click.Choice([EDGES, COPY]),
    default=EDGES,
    show_default=True,
    help="Without a neutral sample: balance by the picture's edges, or leave the light as it is.",
)
@click.option(
    "--what",
    metavar="PARTS",
    default=",".join(PARTS),
    show_default=True,
    help="The parts to carry; all others stay as a clip has them in DIR already, or do nothing.",
)
@click.option(
    "--subjects",
    metavar="NAMES",
    help="Carry key, matte and skin of these people alone, such as left,right; all others stay as a clip has them.",
)
@click.option(
    "--match-exposure", is_flag=True, help="Bring the skin to the reference's level as well, in linear light."
)
@click.option("--replace", "replaces", multiple=True, metavar="NAME", help="Replace the graph of a clip made by hand.")
@click.option(
    "--approve", "approves", multiple=True, metavar="NAME", help="Lock a clip: its graph is not touched again."
)
@click.option("--unlock", "unlocks", multiple=True, metavar="NAME", help="Unlock an approved clip.")
@click.option("--timeline", metavar="CUT.otio", help="Carry to the clips of a cut, and to the frames that it uses.")
@click.option("--handles", type=click.IntRange(0), default=8, show_default=True, help="Frames added at both ends.")
@click.option("--groups", metavar="NUMBERS", help="Proposed groups to carry to: 1,3 or all (asks on a terminal).")
@click.option("--render", "suffix", metavar="SUFFIX", help="Render the used frames (mov, mp4 …) and relink the cut.")
@click.option("--view", metavar="TRANSFORM", help="Read through this transform: a CLF or ocio:SPACE/DISPLAY/VIEW.")
@person_options
@typed_options
@reading_options
@click.option("--most", type=click.IntRange(1), default=240, show_default=True, help="Frames a clip for the report.")
@click.option("--no-report", is_flag=True, help="Write the graphs only.")
@click.option("--json", "as_json", is_flag=True, help="Print the statuses as JSON.")
def command(graph: str, more: tuple[str, ...], targets: tuple[str, ...], **options: Any) -> int:
    """Balance each clip, copy the correction of GRAPH to it, measure it again and judge it.

    DIR gets one graph for each clip, carry.json for `inkarnat report`, and report.html. A clip holds, wants a check or
    is off; `inkarnat check --limits` lists the limits. The exit code is 4 where a clip cannot be read or judged;
    the rest is done.

    When GRAPH has changed, carry it again: clips that nobody has touched since are updated. Clips that were changed by
    hand, and approved clips, stay as they are.

    \b
    Three takes under drifting daylight; the second shows the grey card:
      inkarnat carry take1.json --from take1.mov --to take2.mov take3.mov take4.mov -o takes \\
          --neutral take1.mov=box:.74,.07,.78,.17 --neutral take2.mov=box:.74,.07,.78,.17
    The clips of a cut, only what it uses, with the cut linked to the results:
      inkarnat carry take1.json --from take1.mov --timeline cut.otio -o takes --groups 1 --render mov
    A clip that is off, sampled anew:
      inkarnat carry take1.json --from take1.mov --to take4.mov -o takes --solve-again --add take4.mov=box:.4,.3,.5,.4
    Black, white and saturation alone, everything else as each take has it:
      inkarnat carry take1.json --from take1.mov --to take2.mov take3.mov -o takes --what levels

    Frames behind @, on clips and on samples, are those that are marked and shown; the first otherwise.
    """
    return carry_to(graph, (*targets, *more), options)


READ_AS = "read_as"
"""Among the options: how all clips are read, as :func:`~..media.clips.open_clip` takes it."""


def carry_to(graph: str, targets: Sequence[str], options: dict[str, Any]) -> int:
    """Carry the graph file to the targets, write and tell everything, and return the exit code."""
    if options["timeline"] is None and (options["groups"] or options["suffix"]):
        raise GraphError("--groups and --render are for a cut: give --timeline too, or use `inkarnat render`.")
    options = {**options, READ_AS: Footage.of(options).said()}
    loaded, person, view = Graph.load(graph), read_person(options), open_view(options["view"])
    if (options["adds"] or options["subtracts"]) and not options["solve_again"]:
        raise GraphError("--add and --subtract are for solving again: give --solve-again too.")
    marked = Marked.read(options)
    read_hands(options)  # what is wrong with it is told before anything is opened
    check_view(loaded, view_id(options["view"]))
    tell_changed_look(loaded)
    parts_of(loaded, _what(options), None, _subjects(options))
    with ExitStack() as stack:
        if options["timeline"] is not None:
            return _carry_cut(loaded, targets, marked, person, view, options, stack)
        shots = _shots(options["source"], targets, marked, options[READ_AS], stack, named_before(options["folder"]))
        carrier = _carrier(loaded, shots[0], view, person, options)
        folder = _claimed(options, shots)
        begun = Begun.read(folder, options, [shot.name for shot in shots])
        with console.progress(len(shots), options["as_json"], "clips") as advance:
            carried, unread = carry_all(carrier, shots, options["solve_again"], begun, advance)
    if len(carried) == 1:
        raise InputError("; ".join(unread.values()))
    return finish(carried, folder, person, options, begun, unread)


def _subjects(options: dict[str, Any]) -> list[str] | None:
    """Return the people whose parts are carried, None for everybody. Raises GraphError for an empty list."""
    if options["subjects"] is None:
        return None
    names = [name for name in options["subjects"].replace(" ", "").split(",") if name]
    if not names:
        raise GraphError("--subjects names nobody: give names of the graph's subjects, such as left,right.")
    return names


def _what(options: dict[str, Any]) -> list[str]:
    return [part for part in options["what"].replace(" ", "").split(",") if part]


def _carrier(graph: Graph, reference: Shot, view: View, person: Person | None, options: dict[str, Any]) -> Carrier:
    carrier = Carrier(
        graph, reference, view, person, options["light"], line=read_line(options), seen=view_id(options["view"]),
        what=_what(options), subjects=_subjects(options), match_exposure=options["match_exposure"],
        typed=read_hands(options, reference.clip.height),
    )  # fmt: skip
    for note in carrier.notes:
        console.note(note)
    return carrier


def _carry_cut(
    graph: Graph,
    targets: Sequence[str],
    marked: Marked,
    person: Person | None,
    view: View,
    options: dict[str, Any],
    stack: ExitStack,
) -> int:
    """Carry to the clips of a cut, where groups are confirmed, and return the exit code."""
    if targets:
        raise GraphError("With --timeline the cut names the clips: leave out --to.")
    cut, handles = CutList(options["timeline"]), options["handles"]
    source, frame = split_frame(options["source"])
    clip = stack.enter_context(open_clip(source, **options[READ_AS]))
    shots = cut_shots(cut, handles, stack, options[READ_AS])
    marked.check([source, *(use.path for use, _ in shots)])
    shots = [(use, marked.on(shot, use.path)) for use, shot in shots]
    chosen = chosen_shots(shots, options["groups"], source, options["as_json"])
    if chosen is None:
        return 0
    reference = marked.on(Shot("reference", clip, clip.frames[0] if frame is None else frame), source)
    carrier = _carrier(graph, reference, view, person, options)
    folder = _claimed(options, [reference, *(shot for _, shot in chosen)], cut)
    begun = Begun.read(folder, options, [shot.name for _, shot in chosen])
    carried = carry_cut(carrier, chosen, options["solve_again"], begun)
    if options["suffix"]:
        relinked = render_cut(cut, carried, folder, options["suffix"], handles)
        if not options["as_json"]:
            console.say(f"cut: {relinked}")
    return finish([carrier.reference_carried(), *(each for _, each in carried)], folder, person, options, begun)


def _claimed(options: dict[str, Any], shots: Sequence[Shot], cut: CutList | None = None) -> Path:
    """Make the folder for what is written, and claim all of it."""
    folder = make_folder(options["folder"])
    texts = [(folder / f"{shot.name}.json", made.GRAPH) for shot in shots] + [(folder / RUN_FILE, made.RUN)]
    texts += [] if options["no_report"] else [(folder / PAGE, made.PAGE)]
    files = []
    if cut is not None and options["suffix"]:
        files = [cut_output(folder, shot.name, options["suffix"]) for shot in shots[1:]]
        texts.append((relinked_cut(folder, cut), made.CUT))
    claim(files, texts)
    return folder


def finish(
    carried: Sequence[Carried],
    folder: Path,
    person: Person | None,
    options: dict[str, Any],
    begun: Begun,
    unread: Mapping[str, str] = MappingProxyType({}),
) -> int:
    """Write graphs, run file and report into the folder, tell how it went, and return the exit code.

    :param unread: by name the clips that cannot be read, and why.
    """
    run = write_run(carried, folder, person, options, begun)
    page = None if options["no_report"] else folder / PAGE
    notes = [*begun.notes(), *moving_notes(carried), *_unjudged(carried)]
    if options["as_json"]:
        clips = [_as_dict(each, folder) for each in carried]
        failed = [{"name": name, "error": error} for name, error in unread.items()]
        notes += _left_out(run, page, options)
        data = {"folder": str(folder), "report": page and str(page), "clips": clips, "notes": notes}
        console.print_json(data | ({"failed": failed} if failed else {}))
        return _exit_code(carried, unread)
    console.print_table(_COLUMNS, [_row(each) for each in carried], title="carried")
    for each in carried:
        console.say_verdict(each.verdict, each.shot.name)
    for note in notes:
        console.note(note)
    console.say(f"graphs and {RUN_FILE}: {folder}")
    for note in _left_out(run, page, options):
        console.note(note)
    if page is not None:
        console.say(f"report: {page}")
    for name, error in unread.items():
        console.warn(f"{name} was not carried to: {error}")
    return _exit_code(carried, unread)


def _left_out(run: Run, page: Path | None, options: dict[str, Any]) -> list[str]:
    """Write the report, and say which clips of earlier carries it leaves out."""
    if page is None:
        return []
    left_out = write_report(run, page, options["most"], quiet=options["as_json"])
    return [f"{name} is left out of the report: {error}" for name, error in left_out.items()]


def _unjudged(carried: Sequence[Carried]) -> list[str]:
    """Say which of the frames that were looked at are no part of a status."""
    return [
        f"{each.shot.name}: frame {failed[0][0]}{f' and {len(failed) - 1} more' if len(failed) > 1 else ''} of the "
        f"{len(each.surveyed.frames)} frames that were looked at "
        f"{'are' if len(failed) > 1 else 'is'} no part of the status: {failed[0][1]}"
        for each in carried
        if (failed := each.surveyed.failed) and each.surveyed.final is not None
    ]


def _exit_code(carried: Sequence[Carried], unread: Mapping[str, str]) -> int:
    """Return that of a job of which a part could not be done where a clip cannot be read or judged."""
    is_partly = bool(unread) or any(each.verdict.status == NOT_JUDGED for each in carried)
    return SOME_FRAMES_FAILED if is_partly else 0


# --- what was marked ----------------------------------------------------------------------------------------

Named = dict[str, list[tuple[int | None, Sample]]]


@dataclass(frozen=True)
class Marked:
    """Samples by clip, as they stand on the command line."""

    neutral: Named
    add: Named
    subtract: Named

    @classmethod
    def read(cls, options: dict[str, Any]) -> Marked:
        """Read the options. Raises SampleError for one that cannot be read."""
        return cls(*(_named(options[name]) for name in ("neutrals", "adds", "subtracts")))

    def check(self, paths: Sequence[str]) -> None:
        """Raise GraphError for a sample on a clip that is not named."""
        for named in (self.neutral, self.add, self.subtract):
            for name in named:
                if not any(_same(name, path) for path in paths):
                    raise GraphError(f"A sample is on {name!r}, which is not among the clips: {', '.join(paths)}.")

    def on(self, shot: Shot, path: str) -> Shot:
        """Return the shot with the samples on it; their frame becomes the shot's. Raises SampleError for several."""
        neutral, add, subtract = (
            [mark for name, marks in named.items() if _same(name, path) for mark in marks]
            for named in (self.neutral, self.add, self.subtract)
        )
        frames = {frame for frame, _ in (*neutral, *add, *subtract) if frame is not None}
        if len(frames) > 1:
            raise SampleError(f"The samples on {path} name several frames {sorted(frames)}: mark one frame.")
        if len(neutral) > 1:
            raise SampleError(f"{path} has {len(neutral)} neutral samples: give one.")
        frame = frames.pop() if frames else shot.frame
        if frame not in shot.clip.frames:
            raise SampleError(
                f"Frame {frame} is not in {path}: it has the frames {shot.clip.frames[0]} to {shot.clip.frames[-1]}."
            )
        return replace(
            shot,
            frame=frame,
            neutral=neutral[0][1] if neutral else None,
            add=tuple(sample for _, sample in add),
            subtract=tuple(sample for _, sample in subtract),
        )


def _named(texts: Sequence[str]) -> Named:
    named: Named = {}
    for text in texts:
        name, sign, sample = text.partition("=")
        if not sign or not name:
            raise SampleError(f"{text!r} must be CLIP=SAMPLE, such as take2.mov=box:.74,.07,.78,.17.")
        named.setdefault(name, []).append(parse_mark(sample))
    return named


def _same(name: str, path: str) -> bool:
    return name in (path, os.path.basename(path)) or os.path.realpath(name) == os.path.realpath(path)


def _shots(
    source: str,
    targets: Sequence[str],
    marked: Marked,
    read_as: dict[str, Any],
    stack: ExitStack,
    named: Mapping[str, str],
) -> list[Shot]:
    """Open the reference and the targets, the reference first; ``named`` has a name in the folder already."""
    split = [split_frame(text) for text in (source, *targets)]
    paths = [path for path, _ in split]
    named_shots(paths[1:])  # complains where there is none
    real = [os.path.realpath(path) for path in paths]
    if len(set(real)) < len(real):
        raise GraphError("One clip is named twice among --from and --to: name each once.")
    marked.check(paths)
    shots = []
    for name, (path, frame) in zip(named_shots(paths, named), split, strict=True):
        clip: Clip = stack.enter_context(open_clip(path, **read_as))
        shots.append(marked.on(Shot(name, clip, clip.frames[0] if frame is None else frame), path))
    return shots


# --- writing and telling ------------------------------------------------------------------------------------


def write_run(
    carried: Sequence[Carried], folder: Path, person: Person | None, options: dict[str, Any], begun: Begun
) -> Run:
    """Write one graph for each clip and the run file beside them; return the run. Raises OutputError."""
    clips = []
    for each in carried:
        name = each.shot.name
        path = folder / f"{name}.json"
        stands = begun.stands(name)
        if not stands:
            each.graph.save(path)
        frames = None if each.shot.frames is None else f"{each.shot.frames[0]}-{each.shot.frames[-1]}"
        hashed = begun.carried(name) if stands else graph_hash(each.graph)
        clips.append(
            RunClip(
                name, str(each.shot.clip.path), str(path), each.shot.frame, frames, each.by, each.solved_again, hashed,
                begun.is_approved(name), options[READ_AS],
            )
        )  # fmt: skip
    here = {clip.name for clip in clips}
    clips += [clip for name, clip in begun.clips.items() if name not in here]
    title, line = f"{carried[0].shot.name} carried", read_line(options)
    run = Run(tuple(clips), title, carried[0].shot.name, person, options["view"], line=line)
    run.save(folder / RUN_FILE)
    return run


_COLUMNS = ("clip", "status", "hue off", "ΔE00", "level", "light", "temperature", "tint")


def _row(each: Carried) -> tuple[str, ...]:
    drift, balance = each.verdict.drift, each.balance
    return (
        each.shot.name,
        f"{STATUSES[each.verdict.status][0]} {each.verdict.status}",
        "–" if drift is None else f"{drift.angle:+.2f}°",
        "–" if drift is None else f"{drift.delta_e:.2f}",
        each.level or "–",
        each.by + (", solved again" if each.solved_again else ""),
        "–" if balance is None else f"{balance.temperature:+.1f} mired",
        "–" if balance is None else f"{1000 * balance.tint:+.1f} thousandths",
    )


def _as_dict(each: Carried, folder: Path) -> dict[str, Any]:
    balance = None if each.balance is None else each.balance.config()["params"]
    return {
        "name": each.shot.name,
        "clip": str(each.shot.clip.path),
        "graph": str(folder / f"{each.shot.name}.json"),
        "light": each.by,
        "balance": balance,
        "solved_again": each.solved_again,
        "level": each.level,
        **each.verdict.as_dict(),
    }
