"""inkarnat demo: the whole job on a generated clip, with nothing to prepare."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import click
import numpy as np
from numpy.typing import NDArray

from ...kernels import jit
from ...nodes import (
    Compare,
    CorrectionOptions,
    Sample,
    ShowMatte,
    SkinReading,
    SkinTarget,
    Vectorscope,
    measure_skin,
)
from .. import made, workshop
from ..graphs.graph import Graph
from ..graphs.rendering import render_files
from ..graphs.runner import Runner
from ..media.clips import open_clip, open_writer
from ..media.pictures import write_picture
from ..shots.solving import Solved, SolveOptions, solve
from ..warm_up import helped
from ..writes import claim, make_folder
from . import console
from .correct import READING_COLUMNS, reading_row

_FRAMES = 16
_STILLS = ("before", "after", "before-after", "matte", "keyed", "vectorscope-before", "vectorscope-after")
_FILES = ("planing.mp4", "planing-skin.mov", "take2.mp4", "approved.png", *(f"{name}.png" for name in _STILLS))
_CAST = workshop.skin_cast(green=0.45, blue=0.12)
_SAWDUST = Sample.box(0.14, 0.87, 0.22, 0.91)
_LIGHT = workshop.light_change(mired=-14, duv=0.003)
_TAKE2_FRAMES = 8
_TAKE2_LIGHT = workshop.light_change(mired=-4, duv=0.002)


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(file_okay=False, path_type=Path))
@click.option("--depth", type=click.Choice(list(workshop.SKIN_DEPTHS)), default="light", show_default=True)
@click.option("--seed", type=int, default=5, show_default=True, help="Another seed, another person.")
def command(folder: Path, depth: str, seed: int) -> None:
    """Make a short clip from a boat-building workshop, correct its skin, and put everything into DIR.

    The camera of this clip sees greys a little cool and skin far too green. The grey card sets the light; a stroke on
    the face makes the key; the skin is turned to the line used here, and its saturation is matched to an approved
    frame of the same person.
    """
    console.warn_if_cold("demo")
    if jit.is_cold():
        click.get_current_context().with_resource(helped("demo"))
    make_folder(folder)
    claim([folder / name for name in _FILES], {folder / "planing.json": made.GRAPH})
    console.say(f"filming {_FRAMES} frames in the workshop …")
    plate, scene = _film(folder, depth, seed)
    console.say("learning the key, solving, rendering …")
    solved = _correct(plate, scene, _approved(scene), folder)
    correction, graph = solved.correction, solved.graph
    _more_to_try(folder, scene, depth, seed)
    _pictures(plate, graph, folder)
    light = solved.light_only[""]
    rows = [reading_row("as shot", correction.before), reading_row("final", correction.after)]
    rows[1:1] = [] if light is None else [reading_row("light only", light)]
    console.print_table(READING_COLUMNS, rows, title="the skin on frame 1")
    for warning in correction.warnings:
        console.warn(f"warning: {warning.message}")
    console.say_verdict(solved.verdicts[""])
    console.say(f"look into {folder}: before.png, after.png, matte.png, vectorscope-before.png, vectorscope-after.png")
    console.say("take2.mp4 is a second take in other light, approved.png the person on a well-shot frame")
    console.say(f"go on with the mouse: inkarnat desk {folder / 'planing.mp4'}")


def _film(folder: Path, depth: str, seed: int) -> tuple[Path, workshop.Scene]:
    """Write the clip as a budget camera would, and return it with the truth of its first frame."""
    path = folder / "planing.mp4"
    return path, _clip(path, range(1, _FRAMES + 1), depth, seed, _LIGHT)


def _clip(path: Path, frames: range, depth: str, seed: int, light: NDArray[np.float64]) -> workshop.Scene:
    """Write a clip and return the truth of its first frame."""
    first = None
    with open_writer(path, rate=Fraction(24)) as writer:
        filmed = workshop.clip(frames, depth, seed, cast=_CAST, balance=light, bits=8)
        for number, (picture, scene) in enumerate(filmed, start=1):
            first = first or scene
            writer.write(number, picture)
    assert first is not None
    return first


def _more_to_try(folder: Path, scene: workshop.Scene, depth: str, seed: int) -> None:
    """Write a second take in other light, and the person on a frame that was shot well."""
    later = range(_FRAMES + 1, _FRAMES + 1 + _TAKE2_FRAMES)
    _clip(folder / "take2.mp4", later, depth, seed, _TAKE2_LIGHT)
    write_picture(folder / "approved.png", workshop.camera(scene.light, noise=0.0, bits=10), None, bits=8)


def _approved(scene: workshop.Scene) -> SkinReading:
    """Read the person on a frame that was shot well."""
    return measure_skin(workshop.camera(scene.light, noise=0.0, bits=10), scene.matte)


def _correct(plate: Path, scene: workshop.Scene, approved: SkinReading, folder: Path) -> Solved:
    clip = open_clip(plate)
    stroke, card = Sample.stroke(scene.places["stroke"], 0.015), Sample.box(*scene.places["grey_card"])
    wanted = CorrectionOptions(target=SkinTarget(ratio=approved.ratio))
    solved = solve(clip, SolveOptions.of((stroke,), (_SAWDUST,), card, wanted, frame=1))
    graph = solved.graph
    graph.save(folder / "planing.json")
    output = str(folder / "planing-skin.mov")
    render_files(graph, {"plate": clip}, {"result": output}, listener=console.listener())
    return solved


def _pictures(plate: Path, graph: Graph, folder: Path) -> None:
    """Write what a person wants to look at: before, after, the matte and the vectorscope of each."""
    before = open_clip(plate).read(1)
    made = Runner(graph).run_frame(1, {"plate": before}, ["result", "matte"])
    after, matte = made["result"], made["matte"]
    pictures = {
        "before": before,
        "after": after,
        "before-after": Compare(mode="side_by_side").process(before, after),
        "matte": ShowMatte(view="matte").process(before, matte),
        "keyed": ShowMatte(view="dimmed").process(after, matte),
        "vectorscope-before": Vectorscope(zoom="2").process(before, matte),
        "vectorscope-after": Vectorscope(zoom="2").process(after, matte),
    }
    assert tuple(pictures) == _STILLS
    for name, picture in pictures.items():
        write_picture(folder / f"{name}.png", picture, None, bits=8)
