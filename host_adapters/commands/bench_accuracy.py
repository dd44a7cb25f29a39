"""inkarnat bench accuracy: how accurate the key and the solvers are, on pictures with known truth."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ..bench.accuracy import INPUTS, Results, mean_scores, run_accuracy
from ..bench.shots import MASKS, SETTINGS, generated_shots, real_shots
from ..detect import faces
from ..shots.faces import face_samples
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
@click.option("--jobs", type=click.IntRange(1, 64), default=1, show_default=True, help="Processes to share the work.")
@click.option("--json", "as_json", is_flag=True, help="Print every case and all means as JSON.")
def accuracy(
    seeds: int,
    first_seed: int,
    scenes: tuple[str, ...],
    inputs: tuple[str, ...],
    height: int,
    masks: Path,
    jobs: int,
    as_json: bool,
) -> None:
    """Score the key, the steering and the balance on generated portraits and on real pictures with drawn masks.

    Every generated scene is painted for six skin depths. F1 and IoU cut the matte at one half; MAE is the mean
    difference from the truth; leak is matte outside the skin in parts of its area. A real picture is scored where
    the package that brings it is installed.

    \b
    inkarnat bench accuracy --seeds 2 --jobs 2
    inkarnat bench accuracy --scene "cedar 70 %" --input stroke --json
    """
    numbers = range(first_seed, first_seed + seeds)
    width = height * 16 // 9
    shots = [*real_shots(masks), *generated_shots(numbers, width, height, scenes or tuple(SETTINGS))]
    finder = face_samples if faces.available() else None
    with console.progress(len(shots), quiet=as_json) as tell:
        results = run_accuracy(shots, inputs or INPUTS, finder, tell, jobs, numbers)
    if as_json:
        console.print_json(results.as_dict())
        return
    _print(results)
    if finder is None:
        console.say(f"faces: left out. {faces.HOW_TO_INSTALL}")


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
