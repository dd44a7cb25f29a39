"""What was fitted on pictures, proved on those left out: fit and left-one-out means with their intervals.

    python tests/left_out.py FOLDER [PART ...]

FOLDER holds pictures as `inkarnat bench accuracy --pictures` takes them; the parts are fringe, light, likeness and
doubt (all). Of the first three each picture is scored at the setting that is best on all the others; of the sign of
doubt each picture's mattes are judged by coefficients fitted on the mattes of the others.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import replace
from unittest import mock

import numpy as np
from inkarnat.host_adapters.bench.pictures import Photo, photos, samples_of
from inkarnat.host_adapters.bench.scores import score_matte
from inkarnat.host_adapters.detect.faces import find_face_mattes
from inkarnat.kernels import face, skin
from inkarnat.kernels.errors import InkarnatError
from inkarnat.nodes import Sample, SoftenMatte, judge_matte, study_skin
from inkarnat.nodes import doubt as signs_of_doubt

MARKINGS = ("1 point", "stroke", "faces")
NOT_TRIED = ("_PLAIN", 9.0)
MOVED = 0.13
"""How far the fitted sign of doubt is moved, so that few right mattes are doubted."""

SETTINGS = {
    "fringe": {
        "off": (("_FRINGE", (-0.45, 0.35, 0.0)),),
        "shipped": (),
        "half": (("_FRINGE", (-0.45, 0.35, 0.6)),),
        "more": (("_FRINGE", (-0.45, 0.35, 1.8)),),
        "lower": (("_FRINGE", (-0.3, 0.35, 1.2)),),
        "higher": (("_FRINGE", (-0.6, 0.35, 1.2)),),
    },
    "light": {
        "off": (NOT_TRIED,),
        "shipped": (),
        "earlier": (("_PLAIN", 0.2),),
        "later": (("_PLAIN", 0.4),),
        "falls more": (("_BETTER", 0.1),),
        "falls less": (("_BETTER", 0.03),),
        "surer": (("_ADDED_SURE", 0.85),),
        "less sure": (("_ADDED_SURE", 0.65),),
        "smaller": (("_MOST_ADDED", 2.0),),
        "larger": (("_MOST_ADDED", 4.0),),
    },
    "likeness": {"off": 0.0, "half": 0.5, "shipped": 1.0},
}
"""Each fitted thing with its settings: constants of `kernels/face.py` and `kernels/skin.py`, or a parameter's share."""


def set_to(part: str, setting: object) -> ExitStack:
    """Put a setting in place as long as the stack is open; likeness is set on the node."""
    stack = ExitStack()
    for name, value in setting if isinstance(setting, tuple) else ():
        module = face if part == "fringe" else skin
        stack.enter_context(mock.patch.object(module, name, np.array(value) if isinstance(value, tuple) else value))
    return stack


def f1_of(photo: Photo, faces: tuple, part: str, setting: object) -> float:
    """Return the mean F1 of a picture over the markings."""
    found = []
    for marking in MARKINGS:
        with set_to(part, setting):
            learned = study_skin(photo.image, samples_of(photo, marking), faces=faces)
            if isinstance(setting, float) and learned.join is not None:
                learned = replace(learned, join=replace(learned.join, likeness=setting * learned.join.likeness))
            matte = SoftenMatte().process(learned.matte(photo.image), photo.image)
        found.append(score_matte(matte, photo.truth, photo.ignore).f1)
    return float(np.mean(found))


def interval(values: Sequence[float], draws: int = 10_000) -> str:
    """Return the mean and its 95 % interval, pictures drawn anew."""
    values = np.asarray(values)
    means = np.random.default_rng(1).choice(values, (draws, len(values))).mean(axis=1)
    low, high = np.percentile(means, [2.5, 97.5])
    return f"{values.mean():+.4f} ({low:+.4f} to {high:+.4f})"


def prove_setting(part: str, found: list[tuple[Photo, tuple]]) -> None:
    """Print what a fitted thing gains on the pictures, and what settings gain that were chosen on the others."""
    settings = SETTINGS[part]
    table = {name: np.array([f1_of(p, faces, part, s) for p, faces in found]) for name, s in settings.items()}
    names = list(table)
    scores = np.stack([table[name] for name in names])
    others = (scores.sum(axis=1, keepdims=True) - scores) / (len(found) - 1)
    chosen = others.argmax(axis=0)
    left_out = scores[chosen, np.arange(len(found))]
    print(f"\n{part}: mean F1 of {len(found)} pictures, {len(MARKINGS)} markings")
    for name in names:
        print(f"  {name:10s} {table[name].mean():.4f}")
    print(f"  gain of what ships     {interval(table['shipped'] - table['off'])}")
    print(f"  gain left out          {interval(left_out - table['off'])}")
    print(f"  chosen: {', '.join(f'{names[k]} {int((chosen == k).sum())}' for k in sorted(set(chosen)))}", flush=True)


# --- the sign of doubt ----------------------------------------------------------------------------------------


def wrong_points(photo: Photo, count: int = 3) -> Iterator[Sample]:
    """Yield points on what is no skin, evenly spread over the picture by luma."""
    away = np.argwhere((photo.truth == 0) & ~photo.ignore & (photo.image.mean(axis=2) > 0.1))
    order = np.argsort(photo.image[away[:, 0], away[:, 1]].mean(axis=1), kind="stable")
    for y, x in away[order[np.linspace(0, len(order) - 1, count + 2).astype(int)[1:-1]]]:
        yield Sample.point((x + 0.5) / photo.truth.shape[1], (y + 0.5) / photo.truth.shape[0])


def judged(photo: Photo, faces: tuple) -> Iterator[tuple[float, tuple[float, ...], bool, bool]]:
    """Yield F1 and signs of a picture's mattes: rightly marked, learned without its faces, wrongly marked.

    The last two tell whether a matte is warned of, and whether by a sign beside the fitted one.
    """
    marks = [samples_of(photo, name) for name in ("1 point", "3 points", "cheek box", "face box", "stroke")]
    jobs = [(m, faces) for m in (*marks, ())] + [(m, ()) for m in marks] + [((w,), faces) for w in wrong_points(photo)]
    for add, known in jobs:
        try:
            learned = study_skin(photo.image, add, faces=known)
        except InkarnatError:
            continue
        matte = SoftenMatte().process(learned.matte(photo.image), photo.image)
        if matte.mean() < 0.004:
            continue  # told of anyway
        signs, _ = signs_of_doubt.matte_signs(matte, photo.image, faces)
        if signs.cover is not None:
            told = judge_matte(matte, photo.image, faces)
            reach = signs_of_doubt.reach_of(matte, faces)
            beside = any(warned.sign in ("no edge", "beyond the faces") for warned in told)
            beyond = max(np.log2(max(reach, 1e-6) / signs_of_doubt.USUAL_REACH), 0.0)
            figures = (signs.soft, signs.flat, signs.cover, beyond)
            yield score_matte(matte, photo.truth, photo.ignore).f1, figures, bool(told), beside


def fitted(x: np.ndarray, bad: np.ndarray, ridge: float = 1e-2) -> np.ndarray:
    """Return coefficients and intercept of a ridge logistic regression, classes weighed alike (Newton's method)."""
    scale = np.array([0.12, 0.25, 0.35, 0.3])
    design = np.column_stack([x / scale, np.ones(len(x))])
    weight = np.where(bad, 0.5 / bad.sum(), 0.5 / (~bad).sum())
    at = np.zeros(5)
    penalty = ridge * np.diag([1.0, 1, 1, 1, 0])
    for _ in range(50):
        p = 1 / (1 + np.exp(-design @ at))
        curve = (design * (weight * p * (1 - p))[:, None]).T @ design + penalty
        at -= np.linalg.solve(curve, design.T @ (weight * (p - bad)) + penalty @ at)
    return np.append(at[:4] / scale, at[4])


def prove_doubt(found: list[tuple[Photo, tuple]]) -> None:
    """Print how many bad and good mattes are doubted by what ships, and by what is fitted on the other pictures."""
    rows = [(k, *row) for k, (photo, faces) in enumerate(found) for row in judged(photo, faces)]
    owner, f1, shipped, beside = (np.array([r[k] for r in rows]) for k in (0, 1, 3, 4))
    x, bad, good = np.array([r[2] for r in rows]), f1 < 0.6, f1 > 0.8
    use = bad | good
    left = beside.copy()
    for k in set(owner):
        rest = use & (owner != k)
        at = fitted(x[rest], bad[rest])
        left[owner == k] |= x[owner == k] @ at[:4] + at[4] > MOVED
    every = np.round(fitted(x[use], bad[use]), 2)
    print(f"\ndoubt: {bad.sum()} mattes below .6, {good.sum()} above .8; fitted on all {every}")
    for name, told in (("what ships", shipped), ("left out", left)):
        shares = [[told[kind & (owner == k)] for k in set(owner)] for kind in (bad, good)]
        told_of = [drawn_shares(each) for each in shares]
        print(f"  {name:10s} of bad {told_of[0]}, of good {told_of[1]}", flush=True)


def drawn_shares(by_picture: list[np.ndarray], draws: int = 10_000) -> str:
    """Return a share and its 95 % interval, pictures drawn anew."""
    hits, of = (np.array([f(each) for each in by_picture]) for f in (np.sum, len))
    picks = np.random.default_rng(1).integers(0, len(hits), (draws, len(hits)))
    shares = hits[picks].sum(axis=1) / np.maximum(of[picks].sum(axis=1), 1)
    low, high = np.percentile(shares, [2.5, 97.5])
    return f"{hits.sum() / of.sum():.2f} ({low:.2f} to {high:.2f})"


def main(folder: str, *parts: str) -> None:
    found = [(photo, find_face_mattes(photo.image)) for photo in photos(folder)]
    for part in parts or (*SETTINGS, "doubt"):
        if part == "doubt":
            prove_doubt(found)
        else:
            prove_setting(part, found)


if __name__ == "__main__":
    main(*sys.argv[1:])
