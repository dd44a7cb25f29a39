"""inkarnat bench accuracy: how accurate the key and the solvers are, on pictures with known truth."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from ..bench.accuracy import INPUTS, Results, mean_scores, run_accuracy
from ..bench.over_time import Pan, run_clip
from ..bench.pictures import MARKINGS, PhotoResults, left_out, photos, run_photos
from ..bench.shots import MASKS, SETTINGS, generated_shots, real_shots
from ..detect import faces
from ..media.clips import open_clip
from ..writes import make_folder
from . import console

_SHARED = {"as_json"}
_PARTS = {
    "portraits": {"seeds", "first_seed", "scenes", "inputs", "height", "masks", "jobs"} | _SHARED,
    "--pictures": {"pictures", "markings", "without_faces", "overlays"} | _SHARED,
    "--clip and --pan": {"clip", "pan", "height"} | _SHARED,
}
"""What is measured, one part at a time, and the parameters that have a say in it."""


@click.command(short_help="Score key, steering and balance on portraits.")
@click.option(
    "--seeds", type=click.IntRange(0), default=1, show_default=True, help="Portraits of each depth and scene."
)
@click.option("--first-seed", type=click.IntRange(0), default=1000, show_default=True, help="Seed to begin with.")
@click.option("--scene", "scenes", multiple=True, type=click.Choice(list(SETTINGS)), help="Only this scene (all).")
@click.option("--input", "inputs", multiple=True, type=click.Choice(INPUTS), help="Only this kind of input (all).")
@click.option("--height", type=click.IntRange(180, 2160), default=360, show_default=True, help="Lines of a picture.")
@click.option("--masks", type=click.Path(path_type=Path), default=MASKS, help="Folder of masks drawn on real pictures.")
@click.option(
    "--pictures",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Score these pictures in place of all others: NAME.png, NAME_mask.png and NAME.json in one folder.",
)
@click.option("--marking", "markings", multiple=True, type=click.Choice(MARKINGS), help="With --pictures: only these.")
@click.option("--without-faces", is_flag=True, help="With --pictures: look for no faces.")
@click.option(
    "--overlays",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    help="With --pictures: write every matte over its picture, the worst first by name.",
)
@click.option("--clip", metavar="FILE", help="Measure the keyed area over this clip's frames in place of all others.")
@click.option("--pan", is_flag=True, help="The same on generated pans: a face enters, tilts and leaves.")
@click.option("--jobs", type=click.IntRange(1, 64), default=1, show_default=True, help="Processes to share the work.")
@click.option("--json", "as_json", is_flag=True, help="Print every case and all means as JSON.")
@click.pass_context
def accuracy(
    context: click.Context,
    seeds: int,
    first_seed: int,
    scenes: tuple[str, ...],
    inputs: tuple[str, ...],
    height: int,
    masks: Path,
    pictures: Path | None,
    markings: tuple[str, ...],
    without_faces: bool,
    overlays: Path | None,
    clip: str | None,
    pan: bool,
    jobs: int,
    as_json: bool,
) -> None:
    """Score the key, the steering and the balance on generated portraits and on real pictures with drawn masks.

    Every generated scene is painted for six skin depths. F1 and IoU cut the matte at one half; MAE is the mean
    difference from the truth; leak is matte outside the skin in parts of its area. A real picture is scored where
    the package that brings it is installed.

    With --pictures, the pictures of a folder go through `correct` from every marking. Its masks are 255 on skin, 0
    elsewhere and 128 where nothing is scored; NAME.json holds points, stroke and box in pixels and skin_depth. The
    angle is that of all true skin from the target after the correction; the step is how much the hue of keyed and of
    missed skin moved apart. Both are told by the median and the 90th percentile over the cases. F1 has the interval
    that its mean keeps in 95 of 100 draws of the pictures. Where nothing says what is skin, `correct` refuses: that
    counts as F1 0, and as no matte to warn of.

    With --clip and --pan, faces are followed through a clip as `correct` does it, and a step is how much the keyed area
    changes from frame to frame, in parts of it; of the pan less what the truth changes. Each is measured as it is and
    steadied by two frames on either side.

    \b
    inkarnat bench accuracy --seeds 2 --jobs 2
    inkarnat bench accuracy --scene "cedar 70 %" --input stroke --json
    inkarnat bench accuracy --pictures people --overlays looked-at
    inkarnat bench accuracy --clip talking.mov --pan
    """
    part = "--clip and --pan" if clip is not None or pan else "portraits" if pictures is None else "--pictures"
    _refuse_idle(context, part)
    if part == "--clip and --pan":
        _tell_steps(clip, pan, height, as_json)
        return
    finder = faces.find_face_mattes if faces.available() and not without_faces else None
    if pictures is not None:
        count = sum(1 for _ in photos(pictures))  # each is looked at before the first is keyed; one at a time is held
        if overlays is not None:
            make_folder(overlays)
        need_faces = [name for name in MARKINGS if "face" in name and name != "face box"]
        if finder is None and set(markings) & set(need_faces):
            why = "leave --without-faces out" if without_faces else faces.HOW_TO_INSTALL
            raise click.UsageError(f"The marking {' and '.join(need_faces)!r} needs faces: {why}.")
        chosen = tuple(dict.fromkeys(markings)) or tuple(name for name in MARKINGS if finder or name not in need_faces)
        others = left_out(pictures)
        with console.progress(count, quiet=as_json) as tell:
            of_photos = run_photos(photos(pictures), chosen, finder, overlays=overlays, tell=tell)
        _tell_photos(of_photos, others, as_json)
        if finder is None and not without_faces and not as_json:
            console.say(f"faces: left out. {faces.HOW_TO_INSTALL}")
        return
    numbers = range(first_seed, first_seed + seeds)
    width = height * 16 // 9
    shots = [*real_shots(masks), *generated_shots(numbers, width, height, scenes or tuple(SETTINGS))]
    with console.progress(len(shots), quiet=as_json) as tell:
        results = run_accuracy(shots, inputs or INPUTS, finder, tell, jobs, numbers)
    if as_json:
        console.print_json(results.as_dict())
        return
    _print(results)
    if finder is None:
        console.say(f"faces: left out. {faces.HOW_TO_INSTALL}")


def _refuse_idle(context: click.Context, part: str) -> None:
    """Raise UsageError for an option that was given and has no say in what is measured."""
    for parameter in context.command.params:
        name = str(parameter.name)
        if context.get_parameter_source(name) is ParameterSource.COMMANDLINE and name not in _PARTS[part]:
            option, others = parameter.opts[0], [other for other, names in _PARTS.items() if name in names]
            if option in others:
                raise click.UsageError(f"{option} is measured alone, without {part}.")
            raise click.UsageError(f"{option} goes with {' or '.join(others)}, not with {part}.")


_STEP_COLUMNS = ("clip", "steadied by", "pairs", "median", "95 %", "most", "above 5 %", "after frame")


def _tell_steps(clip: str | None, pan: bool, height: int, as_json: bool) -> None:
    """Measure the keyed area over time and tell it."""
    with contextlib.ExitStack() as stack:
        clips: list[Any] = [] if clip is None else [stack.enter_context(open_clip(clip))]
        clips += [Pan(depth, height=height) for depth in ("tan", "dark")] if pan else []
        found = []
        for each in clips:
            for steady in (0, 2):
                with console.progress(len(each.frames), quiet=as_json) as tell:
                    found.append(run_clip(each, steady, tell=tell))
    if as_json:
        console.print_json({"area_steps": [steps.as_dict() for steps in found]})
        return
    rows = [
        (
            s.name,
            str(s.steady),
            str(s.pairs),
            *(f"{v:.2%}" for v in (s.median, s.p95, s.most)),
            str(s.large),
            str(s.worst),
        )
        for s in found
    ]
    console.print_table(_STEP_COLUMNS, rows, title="keyed area, step from frame to frame")


_PHOTO_COLUMNS = (
    *("of", "cases", "refused", "F1", "95 %", "least", "IoU", "MAE", "recall", "precision", "warned"),
    *("angle", "p90", "step", "p90"),
)


def _tell_photos(results: PhotoResults, others: list[str], as_json: bool) -> None:
    if as_json:
        console.print_json(results.as_dict() | {"left_out": others})
        return
    for by in ("marking", "picture", "depth"):
        console.print_table(_PHOTO_COLUMNS, [_photo_row(row) for row in results.table(by)], title=f"by {by}")
    for case in results.cases:
        if case.refused:
            console.say(f"refused: {case.picture}, {case.marking}: {case.refused}")
    for row in results.table("marking"):
        if row["refused"] and "f1_keyed" in row:
            number = row["cases"] - row["refused"]
            console.say(f"{row['of']}: F1 {row['f1_keyed']:.3f} on the {number} that were keyed")
    rates = results.warning_rates()
    bad, good = (_rate(f"warned of F1 {of}", rates[f"{kind}_warned"], rates[kind]) for of, kind in _DOUBTED)
    console.say(bad + _of_pictures("silent", rates["silent_pictures"]))
    console.say(good + _of_pictures("falsely", rates["falsely_warned_pictures"]))
    if others:
        more = f" and {len(others) - 3} more" if len(others) > 3 else ""
        console.say(f"left out, as neither a mask nor marks go with them: {', '.join(others[:3])}{more}")


_DOUBTED = ("below .6", "bad"), ("above .8", "good")


def _rate(of: str, share: float | None, number: float | None) -> str:
    return f"{of}: {share:.0%} of {number:g}" if number else f"{of}: there is none"


def _of_pictures(what: str, number: float | None) -> str:
    return f"; {what} on {number:g} picture{'s' * (number != 1)}" if number else ""


def _photo_row(row: dict[str, Any]) -> tuple[str, ...]:
    interval = f"{row['f1_low']:.3f}–{row['f1_high']:.3f}" if "f1_low" in row else ""
    figures = [f"{row['f1']:.3f}", interval]
    figures += [f"{row[name]:.3f}" for name in ("f1_min", "iou", "mae", "recall", "precision")]
    figures += [f"{row['warned']:.0%}" if "warned" in row else ""]
    spreads = ("angle_error", "angle_error_p90", "step_growth", "step_growth_p90")
    figures += [f"{row[name]:.2f}" if name in row else "" for name in spreads]
    return (row["of"], str(row["cases"]), str(row["refused"]), *figures)


_COLUMNS = ("of", "input", "cases", "F1", "least", "IoU", "MAE", "leak", "area", "warned", "ΔE00", "angle")


def _print(results: Results) -> None:
    for title, by in (("all", "group"), ("generated, by scene", "scene"), ("generated, by depth", "depth")):
        rows = [_row(*row) for row in results.means(by) if by == "group" or row[2][0].group == "generated"]
        console.print_table(_COLUMNS, rows, title=title)
    for input in dict.fromkeys(case.input for case in results.cases):
        console.say(f"F1 from the best to the worst depth, {input}: {results.depth_gap(input):.3f}")
    rates = results.warning_rates()
    console.say(_rate("warned of F1 below .6", rates["poor_warned"], rates["poor"]))
    console.say(_rate("warned of F1 from .8", rates["good_warned"], rates["good"]))
    console.say(f"matte above 1.5 times the skin without a warning: {rates['too_large_unwarned']}")
    errors = results.balance_errors()
    if errors:
        console.say(f"balance, 95th percentile: {errors['mired_p95']:.2f} mired, {errors['duv_p95']:.5f} Duv")


def _row(value: str, input: str, cases: list[Any]) -> tuple[str, ...]:
    m = mean_scores(cases)
    figures = [f"{m[name]:.3f}" for name in ("f1", "f1_min", "iou", "mae")]
    figures += [f"{m['leak']:.2f}", f"{m['area']:.2f}", f"{m['warned']:.0%}"]
    figures += [f"{m[name]:.2f}" if name in m else "" for name in ("delta_e", "angle_error")]
    return (value, input, str(len(cases)), *figures)
