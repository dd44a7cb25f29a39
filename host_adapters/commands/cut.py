"""Carrying to the clips of a cut: groups proposed and confirmed, used ranges carried and rendered, the cut relinked."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from ..graphs.errors import GraphError
from ..graphs.rendering import render_files
from ..media.clips import Clip, open_clip
from ..shots.carry import Begun, Carried, Carrier, Shot, named_shots
from ..shots.timeline import CutList, Linked, Member, Use, describe_member, propose_groups
from . import console

Shots = list[tuple[Use, Shot]]


def cut_shots(cut: CutList, handles: int, stack: ExitStack, read_as: Mapping[str, Any]) -> Shots:
    """Open the clips that a cut uses, one shot for each stretch. Raises InputError for missing or short media.

    :param read_as: what is assumed of each, as :func:`.open_clip` takes it.
    """
    uses = cut.uses(handles)
    opened: dict[str, Clip] = {}
    for use in uses:
        if use.path not in opened:
            opened[use.path] = stack.enter_context(open_clip(use.path, **read_as))
    shots = []
    for use, name in zip(uses, named_shots([use.path for use in uses]), strict=True):
        clip = opened[use.path]
        frames = use.frames_of(clip)
        shots.append((use, Shot(name, clip, frames[0], frames=frames)))
    return shots


def chosen_shots(shots: Shots, wanted: str | None, reference: str, as_json: bool) -> Shots | None:
    """Propose groups, and return the shots of those that are confirmed; None where nobody confirmed any.

    :param wanted: numbers of groups such as "1,3", "all", or None to ask. :param reference: path of the reference.
    """
    members = [describe_member(shot.name, shot.clip, shot.frames or ()) for _, shot in shots]
    groups = propose_groups(members)
    if not as_json:
        console.print_table(_COLUMNS, _rows(groups, shots), title="groups of like camera and light: a proposal")
    numbers = _numbers(wanted, groups, shots, reference)
    if numbers is None:
        if as_json:
            console.print_json({"groups": [[member.name for member in group] for group in groups], "carried": False})
        else:
            console.say("Nothing is carried yet: confirm with --groups 1,2 or --groups all.")
        return None
    names = {member.name for number in numbers for member in groups[number - 1]}
    return [(use, shot) for use, shot in shots if shot.name in names]


def _numbers(wanted: str | None, groups: Sequence[Any], shots: Shots, reference: str) -> list[int] | None:
    if wanted == "all":
        return list(range(1, len(groups) + 1))
    if wanted is not None:
        try:
            numbers = [int(part) for part in wanted.split(",")]
        except ValueError:
            raise GraphError(f"--groups takes numbers such as 1,3, or all, not {wanted!r}.") from None
        for number in numbers:
            if not 1 <= number <= len(groups):
                raise GraphError(f"There is no group {number}: there are 1 to {len(groups)}.")
        return numbers
    if not (sys.stdin.isatty() and console.is_terminal()):
        return None
    return _ask(groups, shots, reference)


def _ask(groups: Sequence[Any], shots: Shots, reference: str) -> list[int] | None:
    paths = {shot.name: os.path.realpath(shot.clip.path) for _, shot in shots}
    chosen = []
    for number, group in enumerate(groups, start=1):
        own = any(paths[member.name] == os.path.realpath(reference) for member in group)
        if click.confirm(f"Carry to group {number} ({', '.join(member.name for member in group)})?", default=own):
            chosen.append(number)
    return chosen or None


_COLUMNS = ("group", "clip", "frames", "camera", "light, by edges")


def _rows(groups: Sequence[tuple[Member, ...]], shots: Shots) -> list[tuple[str, ...]]:
    frames = {shot.name: shot.frames or () for _, shot in shots}
    rows: list[tuple[str, ...]] = []
    for number, group in enumerate(groups, start=1):
        for member in group:
            used = frames[member.name]
            rows.append((str(number), member.name, f"{used[0]}–{used[-1]}", member.camera, _light(member)))
    return rows


def _light(member: Member) -> str:
    if member.light is None:
        return "not to be read"
    balance = member.light.balance
    return f"{-balance.temperature:+.0f} mired, tint {1000 * balance.tint:+.1f} thousandths"


def carry_cut(carrier: Carrier, shots: Shots, solve_again: bool, begun: Begun) -> list[tuple[Use, Carried]]:
    """Carry to the shots of a cut. A stretch of the reference's own file is judged with the reference's graph.

    :param solve_again: solve anew where skin is sampled; all stretches of one clip are then solved on the same frame.
    """
    own = os.path.realpath(carrier.reference.clip.path)

    def carried(shot: Shot) -> Carried:
        if os.path.realpath(shot.clip.path) == own:
            return carrier.kept(shot)
        return begun.carry(carrier, shot, solve_again)

    return [(use, carried(shot)) for use, shot in shots]


def cut_output(folder: Path, name: str, suffix: str) -> Path:
    """Return where the rendered frames of a shot go."""
    return folder / f"{name}-skin.{suffix.lstrip('.')}"


def relinked_cut(folder: Path, cut: CutList) -> Path:
    """Return where the cut that is linked to the results goes."""
    return folder / f"{cut.path.stem}-skin{cut.path.suffix}"


def render_cut(cut: CutList, carried: Sequence[tuple[Use, Carried]], folder: Path, suffix: str, handles: int) -> Path:
    """Render the used frames of each shot and write the cut linked to them. Return the path of the cut.

    Raises OutputError where something cannot be written and FramesError where no frame of a clip can be rendered.
    """
    links = {}
    for use, each in carried:
        frames = each.shot.frames or ()
        output = cut_output(folder, each.shot.name, suffix)
        console.warn(f"rendering {output.name}, frames {frames[0]} to {frames[-1]}")
        source, files = {"plate": each.shot.clip}, {"result": str(output)}
        render_files(each.graph, source, files, list(frames), listener=console.listener(quiet=True))
        links[use] = Linked(output, list(each.shot.clip.frames).index(frames[0]), len(frames))
    path = relinked_cut(folder, cut)
    cut.relinked(links, path, handles)
    return path
