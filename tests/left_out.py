"""What was fitted on pictures, proved on those left out: fit and left-one-out means with their intervals.

    python tests/left_out.py FOLDER [PART ...]

FOLDER holds pictures as `inkarnat bench accuracy --pictures` takes them; the parts are fringe, light and likeness
(all). Each picture is scored at the setting that is best on all the others. The sign of doubt has a program of its own,
``fit_doubt.py``.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from unittest import mock

import numpy as np
from inkarnat.host_adapters.bench.pictures import Photo, photos, samples_of
from inkarnat.host_adapters.bench.scores import score_matte
from inkarnat.host_adapters.detect.faces import find_face_mattes
from inkarnat.kernels import face, skin
from inkarnat.nodes import SoftenMatte, study_skin

MARKINGS = ("1 point", "stroke", "faces")
NOT_TRIED = ("_PLAIN", 9.0)
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


def main(folder: str, *parts: str) -> None:
    found = [(photo, find_face_mattes(photo.image)) for photo in photos(folder)]
    for part in parts or SETTINGS:
        prove_setting(part, found)


if __name__ == "__main__":
    main(*sys.argv[1:])
