"""inkarnat correct: the main job in one command."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from ....nodes import Correction, SkinReading, ToneCurve, Wishes, solve_correction
from .. import console, faces
from ..clips import open_clip, parse_frames
from ..errors import SOME_FRAMES_FAILED, GraphError
from ..runner import Report
from ..standard import chain_graph
from .options import Marks, read_target, sample_options, target_options
from .render import render_files


@click.command()
@click.argument("input", metavar="INPUT")
@click.option("-o", "--output", metavar="OUTPUT", help="Where the corrected picture, sequence or clip goes.")
@sample_options
@target_options
@click.option(
    "--method",
    type=click.Choice(["turn", "shift", "primaries"]),
    default="turn",
    show_default=True,
    help="How the colour of the skin is moved.",
)
@click.option("--black", type=float, default=0.0, show_default=True, help="Level of the picture that becomes black.")
@click.option("--white", type=float, default=1.0, show_default=True, help="Level of the picture that becomes white.")
@click.option("--saturation", type=float, default=1.0, show_default=True, help="Factor on the whole picture's colour.")
@click.option("--frames", metavar="RANGE", help="Frames to write, such as 1-100, 1-100x2 or 1,5,9 (all).")
@click.option("--codec", metavar="NAME", help="Codec of a video output (a sensible one for its suffix).")
@click.option("--graph-out", metavar="G.json", help="Keep the solved graph; `inkarnat render` gives the same bits.")
@click.option("--matte-out", metavar="FILES", help="Write the matte as well.")
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
def command(input: str, output: str | None, as_json: bool, **options: Any) -> int:
    """Key the skin from samples, steer it to the skin line, write the picture, the matte and the numbers.

    INPUT is a picture, a sequence (planing.%04d.exr) or a clip.

    \b
    A box on the boat-builder's cheek:
      inkarnat correct planing.mov -o planing-skin.mov --add box:.45,.30,.52,.42
    The grey card sets the light first, and the graph is kept for the other takes:
      inkarnat correct take1.mov -o take1-skin.mov --neutral box:.74,.07,.78,.17 \\
          --add "stroke:.47,.33;.50,.40/.02" --subtract box:.10,.20,.20,.30 --graph-out take1.json

    Without --add the faces in the picture are sampled, if the extra [faces] is installed; a lone point on a face
    samples that face. Without it, or without a face, the natural range of skin is keyed, which takes wood as well.

    Judge the result on a calibrated display in a controlled surround; a reading is a guide, and skin varies with
    person, light and intent. Delivery limits are those of your facility's specification.
    """
    if output is None and not (options["graph_out"] or options["matte_out"]):
        raise GraphError("There is nothing to write: give -o OUTPUT, --matte-out or --graph-out.")
    clip = open_clip(input)
    outputs = _outputs(output, options)
    marks = Marks.read(options["add"], options["subtract"], options["neutral"], options["frame"])
    seeded = faces.seed(marks.on(clip))
    correction = seeded.on(solve_correction(seeded.frames, _wishes(options)))
    graph = chain_graph(correction.links(), correction.outputs())
    if options["graph_out"]:
        graph.save(options["graph_out"])
    frames = parse_frames(options["frames"]) if options["frames"] else None
    report = render_files(graph, {"plate": clip}, outputs, frames, options["codec"], as_json) if outputs else Report()
    _tell(input, correction, seeded, report, outputs, options, as_json)
    return SOME_FRAMES_FAILED if report.failed else 0


def _outputs(output: str | None, options: dict[str, Any]) -> dict[str, str]:
    given = {"result": output, "matte": options["matte_out"]}
    outputs = {name: path for name, path in given.items() if path}
    real = [os.path.realpath(path) for path in (*outputs.values(), options["graph_out"]) if path]
    if len(set(real)) < len(real):
        raise GraphError("Two outputs have the same name: give each its own.")
    return outputs


def _wishes(options: dict[str, Any]) -> Wishes:
    return Wishes(
        target=read_target(*(options[name] for name in ("target_angle", "bias", "target_ratio", "landing"))),
        method=options["method"],
        tone=ToneCurve(black=options["black"], white=options["white"]),
        saturation=options["saturation"],
    )


def _tell(
    input: str,
    correction: Correction,
    seeded: faces.Seeded,
    report: Report,
    outputs: dict[str, str],
    options: dict[str, Any],
    as_json: bool,
) -> None:
    written = outputs | ({"graph": options["graph_out"]} if options["graph_out"] else {})
    if as_json:
        found = {"faces": seeded.as_dict(), "render": report.as_dict()}
        console.print_json({"input": input, "outputs": written, **correction.as_dict(), **found})
        return
    if seeded.faces:
        console.say(f"key: learned from {len(seeded.faces)} face{'s' * (len(seeded.faces) > 1)}")
    for warning in correction.warnings:
        console.warn(f"warning: {warning.message}")
    rows = [reading_row("before", correction.before), reading_row("after", correction.after)]
    console.print_table(READING_COLUMNS, rows, title=Path(input).name)
    if correction.balance is not None:
        balance = correction.balance
        console.say(f"balance: temperature {balance.temperature:+.1f} mired, tint {balance.tint:+.4f} Duv")
    steer = correction.steer
    console.say(f"steer: {steer.angle:+.2f}°, saturation × {steer.saturation:.3f}")
    for name, path in written.items():
        console.say(f"{name}: {path}")


READING_COLUMNS = ("", "angle", "chroma/luma", "spread", "luma 5/50/95 %", "frame keyed", "in words")


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
