"""The accuracy benchmark: keys from every kind of input, the steering and the balance that follow, in figures."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels.angles import wrapped
from ...kernels.errors import InkarnatError
from ...nodes import (
    FaceMatte,
    LearnedKey,
    Sample,
    SkinKey,
    SkinTarget,
    SoftenMatte,
    measure_skin,
    solve_balance,
    solve_steer,
    study_skin,
)
from ...nodes.declare import Matte, Picture
from ..shots.faces import person_in
from ..workshop import camera, light_change, portrait
from .scores import MatteScore, score_matte
from .shots import ADDED, Marks, Shot, generated_shots, real_shots

INPUTS = ("natural range", "faces", "1 point + faces", *ADDED, "stroke + four fixes")
"""Every kind of input, from none to the most work."""

_FIX_RADIUS = 0.012

FaceFinder = Callable[[Picture], Sequence[FaceMatte]]
"""Returns the faces in a picture."""


@dataclass(frozen=True)
class Case:
    """One shot keyed from one kind of input.

    :ivar warnings: the signs that were reported.
    :ivar delta_e: mean ΔE00 of the steered skin against the picture without cast; :ivar angle_error: its hue against
        the target in degrees; both None where no such picture is known or no skin could be read.
    """

    shot: str
    group: str
    scene: str
    depth: str
    input: str
    score: MatteScore
    warnings: tuple[str, ...]
    delta_e: float | None = None
    angle_error: float | None = None


@dataclass(frozen=True)
class BalanceCase:
    """The error of a balance solved from the grey card: mired and Duv still missing."""

    mired: float
    duv: float
    mired_error: float
    duv_error: float


# --- one shot -----------------------------------------------------------------------------------------------


def run_shot(shot: Shot, inputs: Sequence[str], find_faces: FaceFinder | None = None) -> list[Case]:
    """Key one shot from each kind of input and score what comes out."""
    cases = []
    for name in inputs:
        try:
            matte, warnings = _keyed(shot, name, find_faces)
        except InkarnatError as error:
            empty = np.zeros(shot.truth.shape, np.float32)
            score = score_matte(empty, shot.truth, shot.ignore)
            cases.append(_case(shot, name, score, (f"refused: {type(error).__name__}",)))
            continue
        score = score_matte(matte, shot.truth, shot.ignore)
        errors = _steered(shot, matte) if name == "stroke" else (None, None)
        cases.append(_case(shot, name, score, warnings, *errors))
    return cases


def _case(shot: Shot, input: str, score: MatteScore, warnings: tuple[str, ...], *errors: float | None) -> Case:
    return Case(shot.name, shot.group, shot.scene, shot.depth, input, score, warnings, *errors)


def _keyed(shot: Shot, input: str, find_faces: FaceFinder | None) -> tuple[Matte, tuple[str, ...]]:
    """Return the matte from one kind of input, and the signs that are told of it."""
    if input == "natural range":
        return _finished(shot, LearnedKey(SkinKey(), 0.0, 1.0), ("no sample",))
    if "faces" in input:
        faces = tuple(find_faces(shot.sampled)) if find_faces else ()
        add = shot.marks["1 point"].add if input == "1 point + faces" else ()
        if not faces and not add:
            return _finished(shot, LearnedKey(SkinKey(), 0.0, 1.0), ("no face",))
        learned = study_skin(shot.sampled, add, faces=faces, persons=[person_in(shot.sampled, faces, add)])
        if shot.keyed is not shot.sampled:
            learned = _seen_again(learned, tuple(find_faces(shot.keyed)) if find_faces else ())
    elif input == "stroke + four fixes":
        learned = _fixed(shot)
    else:
        marks = shot.marks[input]
        learned = study_skin(shot.sampled, marks.add, marks.subtract)
    return _finished(shot, learned)


def _seen_again(learned: LearnedKey, faces: tuple[FaceMatte, ...]) -> LearnedKey:
    """Return what was learned with the faces as they are on another frame."""
    keyed = float(any(face.keyed for face in learned.faces))
    return replace(learned, faces=tuple(replace(face, keyed=keyed) for face in faces))


def _finished(shot: Shot, learned: LearnedKey, signs: tuple[str, ...] = ()) -> tuple[Matte, tuple[str, ...]]:
    matte = SoftenMatte().process(learned.matte(shot.keyed), shot.keyed)
    return matte, (*signs, *(warned.sign for warned in learned.warnings(matte, shot.keyed)))


def _fixed(shot: Shot) -> LearnedKey:
    """Learn from a stroke, then add and subtract in turn where the matte is most wrong, up to four times."""
    marks, fixes = shot.marks["stroke"], Marks((), ())
    learned = study_skin(shot.sampled, marks.add)
    for turn in range(4):
        matte = learned.key.process(shot.keyed)
        missing = turn % 2 == 0
        sample = worst_place(np.where(shot.ignore, 0, shot.truth - matte if missing else matte - shot.truth))
        if sample is None:
            continue
        fixes = Marks(fixes.add + (sample,) * missing, fixes.subtract + (sample,) * (not missing))
        learned = _study(shot, marks, fixes)
    return learned


def _study(shot: Shot, marks: Marks, fixes: Marks) -> LearnedKey:
    if shot.sampled is shot.keyed:
        return study_skin(shot.sampled, marks.add + fixes.add, marks.subtract + fixes.subtract)
    return study_skin(shot.sampled, marks.add, marks.subtract, [(shot.keyed, fixes.add, fixes.subtract)])


def worst_place(error: NDArray[np.floating]) -> Sample | None:
    """Return a dab in the middle of the largest error, or None where nothing of that size is wrong."""
    rows, columns = error.shape
    wrong = (error > 0.5).astype(np.float64)
    size = max(1, round(0.012 * rows))
    mean = _box_mean(wrong, size)
    for wider in (2, 4):
        mean += _box_mean(wrong, wider * size)
    row, column = np.unravel_index(int(np.argmax(np.where(wrong > 0, mean, 0))), error.shape)
    if mean[row, column] < 1.4:
        return None
    at = ((float(column) + 0.5) / columns, (float(row) + 0.5) / rows)
    return Sample.stroke([at], _FIX_RADIUS)


def _box_mean(plane: NDArray[np.float64], radius: int) -> NDArray[np.float64]:
    side = 2 * radius + 1
    padded = np.pad(plane, ((radius + 1, radius), (radius + 1, radius)))
    total = padded.cumsum(axis=0).cumsum(axis=1)
    corner = total[side:, side:] - total[:-side, side:] - total[side:, :-side] + total[:-side, :-side]
    return np.asarray(corner / side**2)


# --- steering and balance -----------------------------------------------------------------------------------


def _steered(shot: Shot, matte: Matte) -> tuple[float | None, float | None]:
    """Steer the keyed picture to the reading of the picture without cast; return ΔE00 and the error of the angle."""
    if shot.clean is None:
        return None, None
    truth = np.where(shot.ignore, 0, shot.truth).astype(np.float32)
    try:
        wanted = measure_skin(shot.clean, truth)
        steer = solve_steer(shot.keyed, matte, SkinTarget.of(wanted))
        steered = steer.process(shot.keyed, matte)
        angle = measure_skin(steered, truth).angle - wanted.angle
    except InkarnatError:
        return None, None
    skin = truth > 0.99
    return delta_e(steered[skin][::7], shot.clean[skin][::7]), abs(wrapped(angle))


def delta_e(first: NDArray[np.float32], second: NDArray[np.float32]) -> float:
    """Return the mean ΔE00 of two lists of R′G′B′ colours, shape (N, 3), shown by BT.1886 (power 2.4) under D65."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # remarks on packages that colour-science could also use
        import colour as science
    matrix = science.RGB_COLOURSPACES["ITU-R BT.709"].matrix_RGB_to_XYZ
    white = science.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    first_lab, second_lab = (
        science.XYZ_to_Lab(np.maximum(colours.astype(np.float64), 0) ** 2.4 @ matrix.T, white)
        for colours in (first, second)
    )
    return float(np.mean(science.delta_E(first_lab, second_lab, method="CIE 2000")))


def run_balance(seeds: range, width: int = 640, height: int = 360) -> list[BalanceCase]:
    """Solve the balance from the grey card under changes of the light, and measure what is still missing."""
    cases = []
    for seed in seeds:
        scene = portrait("tan", seed, width, height)
        card = Sample.box(*scene.places["grey_card"])
        for mired, duv in ((-60, 0.0), (-25, 0.004), (15, -0.003), (40, 0.006), (90, 0.0)):
            picture = camera(scene.light, seed, balance=light_change(mired, duv))
            balance = solve_balance(picture, card, "bt1886")
            cases.append(
                BalanceCase(mired, duv, abs(balance.temperature + mired), abs(balance.tint - duv)),
            )
    return cases


# --- the whole benchmark ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Results:
    """All cases, and the figures by which the project judges itself."""

    cases: tuple[Case, ...]
    balance: tuple[BalanceCase, ...]

    def means(self, by: str = "group") -> Iterator[tuple[str, str, list[Case]]]:
        """Yield (value of the field ``by``, input, cases) in the order of the inputs."""
        values = list(dict.fromkeys(getattr(case, by) for case in self.cases))
        for value in values:
            for input in INPUTS:
                cases = [c for c in self.cases if getattr(c, by) == value and c.input == input]
                if cases:
                    yield value, input, cases

    def depth_gap(self, input: str) -> float:
        """Return the difference of mean F1 between the best and the worst depth of the generated portraits."""
        generated = [c for c in self.cases if c.group == "generated" and c.input == input]
        by_depth = [
            float(np.mean([c.score.f1 for c in generated if c.depth == depth]))
            for depth in {c.depth for c in generated}
        ]
        return max(by_depth) - min(by_depth) if by_depth else 0.0

    def warning_rates(self) -> dict[str, float]:
        """Return how many poor mattes are warned of, and how many good ones are."""
        sampled = [c for c in self.cases if c.input != "natural range"]
        poor = [bool(c.warnings) for c in sampled if c.score.f1 < 0.6]
        good = [bool(c.warnings) for c in sampled if c.score.f1 >= 0.8]
        return {
            "poor": len(poor),
            "poor_warned": float(np.mean(poor)) if poor else 1.0,
            "good": len(good),
            "good_warned": float(np.mean(good)) if good else 0.0,
            "too_large_unwarned": sum(c.score.area > 1.5 and not c.warnings for c in self.cases),
        }

    def as_dict(self) -> dict[str, Any]:
        """Return everything as plain JSON data."""
        return {
            "summary": {
                "means": [_mean_row(*row) for row in self.means()],
                "by_scene": [_mean_row(*row) for row in self.means("scene")],
                "by_depth": [_mean_row(*row) for row in self.means("depth") if row[0]],
                "depth_gap": {
                    name: self.depth_gap(name) for name in INPUTS if any(c.input == name for c in self.cases)
                },
                "warnings": self.warning_rates(),
                "balance": self.balance_errors(),
            },
            "cases": [asdict(case) for case in self.cases],
            "balance": [asdict(case) for case in self.balance],
        }

    def balance_errors(self) -> dict[str, float]:
        """Return the 95th percentile of the errors of the balance, in mired and Duv."""
        if not self.balance:
            return {}
        return {
            "mired_p95": float(np.percentile([c.mired_error for c in self.balance], 95)),
            "duv_p95": float(np.percentile([c.duv_error for c in self.balance], 95)),
        }


def _mean_row(value: str, input: str, cases: list[Case]) -> dict[str, Any]:
    return {"of": value, "input": input, "cases": len(cases), **mean_scores(cases)}


def mean_scores(cases: Iterable[Case]) -> dict[str, float]:
    """Return the means of every figure, the least F1, and the share of cases with a warning."""
    cases = list(cases)
    scores = [case.score for case in cases]
    row = {name: float(np.mean([getattr(s, name) for s in scores])) for name in ("f1", "iou", "mae", "leak", "area")}
    row["f1_min"] = min(s.f1 for s in scores)
    row["warned"] = float(np.mean([bool(case.warnings) for case in cases]))
    for name in ("delta_e", "angle_error"):
        known = [value for case in cases if (value := getattr(case, name)) is not None]
        if known:
            row[name] = float(np.mean(known))
    return row


def run_accuracy(
    shots: Iterable[Shot],
    inputs: Sequence[str] = INPUTS,
    find_faces: FaceFinder | None = None,
    tell: Callable[[int], None] = lambda count: None,
    jobs: int = 1,
    balance_seeds: range = range(0),
) -> Results:
    """Run the benchmark over shots.

    :param find_faces: for the input "faces", which is left out without it. :param tell: called after each shot.
    :param jobs: processes among which the shots are shared. The results do not depend on it.
    """
    chosen = tuple(name for name in inputs if "faces" not in name or find_faces is not None)
    cases: list[Case] = []
    if jobs > 1:
        with ProcessPoolExecutor(jobs) as pool:
            waiting = [pool.submit(run_shot, shot, chosen, find_faces) for shot in shots]
            for count, result in enumerate(waiting, 1):
                cases += result.result()
                tell(count)
    else:
        for count, shot in enumerate(shots, 1):
            cases += run_shot(shot, chosen, find_faces)
            tell(count)
    return Results(tuple(cases), tuple(run_balance(balance_seeds)))


__all__ = ["INPUTS", "Case", "Results", "generated_shots", "real_shots", "run_accuracy", "run_shot"]
