"""inkarnat bench accuracy: how accurate the key and the solvers are, on pictures with known truth."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ..bench.accuracy import INPUTS, Results, mean_scores, run_accuracy
from ..bench.pictures import MARKINGS, PhotoResults, photos, run_photos
from ..bench.shots import MASKS, SETTINGS, generated_shots, real_shots
from ..detect import faces
from . import console


@click.command()
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
@click.option("--jobs", type=click.IntRange(1, 64), default=1, show_default=True, help="Processes to share the work.")
@click.option("--json", "as_json", is_flag=True, help="Print every case and all means as JSON.")
def accuracy(
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
    missed skin moved apart. Both are medians over the cases.

    \b
    inkarnat bench accuracy --seeds 2 --jobs 2
    inkarnat bench accuracy --scene "cedar 70 %" --input stroke --json
    inkarnat bench accuracy --pictures people --overlays looked-at
    """
    finder = faces.find_face_mattes if faces.available() and not without_faces else None
    if pictures is not None:
        found = list(photos(pictures))
        if overlays is not None:
            overlays.mkdir(parents=True, exist_ok=True)
        chosen = markings or tuple(name for name in MARKINGS if finder or "face" not in name or name == "face box")
        with console.progress(len(found), quiet=as_json) as tell:
            of_photos = run_photos(found, chosen, finder, overlays=overlays, tell=tell)
        _tell_photos(of_photos, as_json)
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


_PHOTO_COLUMNS = ("of", "cases", "F1", "least", "IoU", "MAE", "recall", "precision", "warned", "angle", "step")


def _tell_photos(results: PhotoResults, as_json: bool) -> None:
    if as_json:
        console.print_json(results.as_dict())
        return
    for by in ("marking", "picture", "depth"):
        console.print_table(_PHOTO_COLUMNS, [_photo_row(row) for row in results.table(by)], title=f"by {by}")
    for case in results.cases:
        if case.refused:
            console.say(f"refused: {case.picture}, {case.marking}: {case.refused}")
    rates = results.warning_rates()
    console.say(f"warned of F1 below .6: {rates['bad_warned']:.0%} of {rates['bad']}")
    console.say(f"warned of F1 above .8: {rates['good_warned']:.0%} of {rates['good']}")


def _photo_row(row: dict[str, Any]) -> tuple[str, ...]:
    figures = [f"{row[name]:.3f}" for name in ("f1", "f1_min", "iou", "mae", "recall", "precision")]
    figures += [f"{row['warned']:.0%}"]
    figures += [f"{row[name]:.2f}" if name in row else "" for name in ("angle_error", "step_growth")]
    return (row["of"], str(row["cases"]), *figures)


_COLUMNS = ("of", "input", "cases", "F1", "least", "IoU", "MAE", "leak", "area", "warned", "ΔE00", "angle")


def _print(results: Results) -> None:
    for title, by in (("all", "group"), ("generated, by scene", "scene"), ("generated, by depth", "depth")):
        rows = [_row(*row) for row in results.means(by) if by == "group" or row[2][0].group == "generated"]
        console.print_table(_COLUMNS, rows, title=title)
    for input in dict.fromkeys(case.input for case in results.cases):
        console.say(f"F1 from the best to the worst depth, {input}: {results.depth_gap(input):.3f}")
    rates = results.warning_rates()
    console.say(f"warned of F1 below .6: {rates['poor_warned']:.0%} of {rates['poor']}")
    console.say(f"warned of F1 from .8: {rates['good_warned']:.0%} of {rates['good']}")
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
