"""Fit the sign of doubt on pictures with drawn masks, and prove it on whole folders left out.

    python tests/fit_doubt.py ROWS FOLDER FOLDER ...

FOLDERs hold pictures as `inkarnat bench accuracy --pictures` takes them. Their mattes are keyed and their figures
written to the folder ROWS first, a file a picture, unless it is there already. Then, with and without known faces and a
map of persons: what is fitted on all folders but one judges the mattes of that one, the same picture by picture, and
what is fitted on all of them is printed for `nodes/doubt.py`. A matte is bad below an F1 of .6 and good above .8; those
between teach nothing and are not counted.

Mattes are keyed from right marks, marks on what is no skin, both together, with a reach that is wrong, with the faces
withheld, and on the same picture under another light, blurred and noisy. In the fit every picture counts alike, up to
:data:`MOST` bad and good mattes each, so that no picture with many of a kind decides.
"""

from __future__ import annotations

import pickle
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from inkarnat.host_adapters.bench.accuracy import worst_place
from inkarnat.host_adapters.bench.pictures import Photo, photos, samples_of
from inkarnat.host_adapters.bench.scores import score_matte
from inkarnat.host_adapters.detect.faces import find_face_mattes
from inkarnat.host_adapters.shots.faces import person_in
from inkarnat.kernels.errors import InkarnatError
from inkarnat.nodes import FaceMatte, Sample, SoftenMatte, study_skin
from inkarnat.nodes.doubt import BOUNDS, FITTED, doubt_figures

MOST = 6
FALSE = 0.02
"""Share of the good mattes, each picture's as they come, that a fit may doubt on the pictures that it was fitted on."""
RIDGE = 0.02
BAD, GOOD = 0.6, 0.8
RIGHT = ("1 point", "3 points", "cheek box", "face box", "stroke", "faces", "subtract", "fixes")


@dataclass(frozen=True)
class Row:
    """One matte: whose, how it was keyed, how good it is, and its figures.

    :ivar faces, person: whether they are known to who judges. :ivar told: the signs beside the fitted one.
    """

    folder: str
    picture: str
    kind: str
    varied: bool
    faces: bool
    person: bool
    f1: float
    figures: dict[str, float]
    told: tuple[str, ...]


# --- mattes -------------------------------------------------------------------------------------------------


def varied(photo: Photo) -> Photo:
    """Return the picture in another light, a half of them blurred, with noise."""
    random = np.random.default_rng(sum(map(ord, photo.name)))
    light = 2 ** random.uniform(-1.2, 0.6) * np.exp(random.normal(0, 0.1, 3))
    image = np.clip(np.clip(photo.image, 0, 1) ** 2.2 * light, 0, 1) ** (1 / 2.2)
    if random.random() < 0.5:
        image = cv2.GaussianBlur(image, (0, 0), float(random.uniform(0.5, 1.5)))
    image = image + random.normal(0, random.uniform(0.002, 0.02), image.shape)
    return replace(photo, image=np.ascontiguousarray(np.clip(image, 0, 1), np.float32))


def wrong_points(photo: Photo, count: int = 3) -> Iterator[Sample]:
    """Yield points on what is no skin, evenly spread over the picture by luma."""
    away = np.argwhere((photo.truth == 0) & ~photo.ignore & (photo.image.mean(axis=2) > 0.1))
    order = np.argsort(photo.image[away[:, 0], away[:, 1]].mean(axis=1), kind="stable")
    for y, x in away[order[np.linspace(0, len(order) - 1, count + 2).astype(int)[1:-1]]]:
        yield Sample.point((x + 0.5) / photo.truth.shape[1], (y + 0.5) / photo.truth.shape[0])


class Keying:
    """A picture with what is known of it, and its rows."""

    def __init__(self, photo: Photo, is_varied: bool, folder: str) -> None:
        self.photo, self.is_varied, self.folder = photo, is_varied, folder
        self.faces = find_face_mattes(photo.image)
        self.person = person_in(photo.image, self.faces)
        self.rows: list[Row] = []

    def key(
        self,
        kind: str,
        add: Sequence[Sample],
        subtract: Sequence[Sample] = (),
        *,
        faces: tuple[FaceMatte, ...] = (),
        judged: tuple[FaceMatte, ...] | None = None,
        seen: bool = True,
        reach: float = 1.0,
    ) -> np.ndarray | None:
        """Key a matte and write its row. :param judged: the faces that are known when it is judged, if others."""
        photo = self.photo
        person = person_in(photo.image, faces, add, subtract) if seen else None
        try:
            learned = study_skin(photo.image, add, subtract, faces=faces, persons=[person], reach=reach)
        except InkarnatError:
            return None
        matte = SoftenMatte().process(learned.matte(photo.image), photo.image)
        if matte.mean() < 0.004:
            return matte  # told of anyway
        known = learned.faces if judged is None else judged
        if judged is not None and seen:
            person = self.person
        figures, _ = doubt_figures(matte, photo.image, known, person)
        if ("cover" in figures) == bool(known):
            signs = tuple(warned.sign for warned in replace(learned, faces=known).warnings(matte, photo.image))
            score = score_matte(matte, photo.truth, photo.ignore).f1
            names = self.folder, photo.name, kind, self.is_varied
            self.rows.append(Row(*names, bool(known), seen, score, figures, signs))
        return matte

    def fix(self, kind: str, order: Sequence[bool], **known: object) -> None:
        """Put dabs where the matte is most wrong, on missing skin or not, and keep what comes out in the end."""
        add, subtract = list(samples_of(self.photo, "stroke")), []
        matte = self.key(kind, add, subtract, **known)  # type: ignore[arg-type]
        for missing in order:
            if matte is None:
                return
            wrong = self.photo.truth - matte if missing else matte - self.photo.truth
            dab = worst_place(np.where(self.photo.ignore, 0, wrong))
            if dab is None:
                break
            (add if missing else subtract).append(dab)
            self.rows.pop()
            matte = self.key(kind, add, subtract, **known)  # type: ignore[arg-type]

    def all(self, seen: bool, few: bool) -> list[Row]:
        """Key from every kind of marking. :param seen: persons are known. :param few: fewer of every kind."""
        photo = self.photo
        for faces in (self.faces, ()) if self.faces else ((),):
            known = {"faces": faces, "seen": seen}
            for marking in (
                ("1 point", "stroke", "face box") if few else ("1 point", "3 points", "cheek box", "stroke", "face box")
            ):
                self.key(marking, samples_of(photo, marking), **known)  # type: ignore[arg-type]
            if faces:
                self.key("faces", (), **known)  # type: ignore[arg-type]
            if not few:
                self.fix("subtract", (False,), **known)
                self.fix("fixes", (True, False, True, False), **known)
            wrong = list(wrong_points(photo))
            for point in wrong[1:2] if few else wrong:
                self.key("wrong", (point,), **known)  # type: ignore[arg-type]
            for point in wrong[1:2] if few else wrong[::2]:
                self.key("right and wrong", (*samples_of(photo, "1 point"), point), **known)  # type: ignore[arg-type]
            for reach in (2.5,) if few else (0.4, 2.5):
                self.key("reach", samples_of(photo, "1 point"), reach=reach, **known)  # type: ignore[arg-type]
        if self.faces:
            for marking in ("stroke",) if few else ("1 point", "stroke"):
                self.key("withheld", samples_of(photo, marking), judged=self.faces, seen=seen)
        return self.rows


def collect(folder: str, kept: Path) -> list[Row]:
    """Key the pictures of a folder, each once."""
    rows = []
    for photo in photos(folder):
        file = kept / f"{photo.name}.pkl"
        if not file.exists():
            own = Keying(photo, False, folder).all(seen=True, few=False)
            own += Keying(varied(photo), True, folder).all(seen=True, few=True)
            own += Keying(photo, False, folder).all(seen=False, few=True)
            file.write_bytes(pickle.dumps(own))
            print(f"{photo.name}: {len(own)} mattes", flush=True)
        rows += pickle.loads(file.read_bytes())
    return rows


# --- fitting ------------------------------------------------------------------------------------------------


def table(rows: Sequence[Row], names: Sequence[str]) -> np.ndarray:
    """Return the figures of mattes, one row each, within their bounds."""
    return np.array([[np.clip(row.figures[name], *BOUNDS[name]) for name in names] for row in rows])


def weights_of(rows: Sequence[Row]) -> np.ndarray:
    """Return what each matte counts: bad and good ones alike, and no picture more than :data:`MOST` of a kind."""
    weights = np.zeros(len(rows))
    for kind in (True, False):
        here = np.array([(row.f1 < BAD) == kind for row in rows])
        owner = np.array([row.picture for row in rows])
        for picture in set(owner[here]):
            own = here & (owner == picture)
            weights[own] = min(own.sum(), MOST) / own.sum()
        weights[here] *= 0.5 / weights[here].sum()
    return weights


def fitted(rows: Sequence[Row], names: Sequence[str]) -> np.ndarray:
    """Return weights and a constant by ridge logistic regression; :data:`FALSE` of the good ones are doubted."""
    bad, counts = np.array([row.f1 < BAD for row in rows]), weights_of(rows)
    figures = table(rows, names)
    middle, width = (
        np.median(figures, axis=0),
        (np.percentile(figures, 97, axis=0) - np.percentile(figures, 3, axis=0)) / 3,
    )
    width = np.maximum(width, 1e-3)
    design = np.column_stack([(figures - middle) / width, np.ones(len(rows))])
    penalty = RIDGE * np.diag([1.0] * len(names) + [0.0])
    at = np.zeros(len(names) + 1)
    for _ in range(50):  # Newton's method
        p = 1 / (1 + np.exp(-np.clip(design @ at, -30, 30)))
        curve = (design * (counts * p * (1 - p))[:, None]).T @ design + penalty + 1e-9 * np.eye(len(at))
        at -= np.linalg.solve(curve, design.T @ (counts * (p - bad)) + penalty @ at)
    odds = figures @ (at[:-1] / width)
    return np.append(at[:-1] / width, -np.quantile(odds[~bad], 1 - FALSE))


def left_out(rows: Sequence[Row], names: Sequence[str], groups: Sequence[str] | np.ndarray) -> np.ndarray:
    """Return which mattes are told of by what is fitted on all rows that are not of their own group."""
    figures, group = table(rows, names), np.asarray(groups)
    told = np.zeros(len(rows), np.bool_)
    for left in sorted(set(group)):
        at = fitted([row for row, own in zip(rows, group, strict=True) if own != left], names)
        told[group == left] = (figures @ at[:-1] + at[-1] > 0)[group == left]
    return told


def shares(told: np.ndarray, rows: Sequence[Row], kind: np.ndarray, draws: int = 4_000) -> str:
    """Return the share of mattes of a kind that is told of, with its 95 % interval, pictures drawn anew."""
    owner = np.array([row.picture for row in rows])
    names = sorted(set(owner[kind]))
    if not names:
        return "none"
    hits, of = (np.array([f(told[kind & (owner == name)]) for name in names]) for f in (np.sum, len))
    picks = np.random.default_rng(1).integers(0, len(names), (draws, len(names)))
    low, high = np.percentile(hits[picks].sum(axis=1) / of[picks].sum(axis=1), [2.5, 97.5])
    return f"{hits.sum() / of.sum():.3f} of {of.sum()} ({low:.2f} to {high:.2f})"


def prove(every: Sequence[Row], faces: bool, person: bool) -> None:
    """Print what is fitted on all folders, and how it judges each folder when fitted on the others."""
    rows = [r for r in every if (r.faces, r.person) == (faces, person) and not BAD <= r.f1 <= GOOD]
    names = [name for name in FITTED[faces, person] if name]
    bad = np.array([row.f1 < BAD for row in rows])
    folder = np.array([row.folder for row in rows])
    right = np.array([row.kind in RIGHT and not row.varied for row in rows])
    told, one_by_one = (left_out(rows, names, group) for group in (folder, [row.picture for row in rows]))
    at = fitted(rows, names)
    ships = FITTED[faces, person]
    odds = table(rows, names) @ np.array([ships[name] for name in names]) + ships[""]
    print(f"\n{'faces' if faces else 'no face'}, {'persons' if person else 'no map of persons'}")
    print(
        "  "
        + ", ".join(f'"{name}": {weight:.3f}' for name, weight in zip(["", *names], [at[-1], *at[:-1]], strict=True))
    )
    for name, found in (("folders left out", told), ("pictures left out", one_by_one), ("what ships", odds > 0)):
        print(f"  {name}: of bad {shares(found, rows, bad)}, of good {shares(found, rows, ~bad)}")
        print(
            f"     right marks: of bad {shares(found, rows, bad & right)}, of good {shares(found, rows, ~bad & right)}"
        )
        for left in sorted(set(folder)):
            own = folder == left
            of = (shares(found, rows, kind & own) for kind in (bad, ~bad))
            print(f"     {Path(left).name}: of bad {next(of)}, of good {next(of)}")
    silent = {(row.picture, row.kind) for row, miss in zip(rows, bad & ~told, strict=True) if miss}
    print(f"  silent: {', '.join(sorted({picture for picture, _ in silent}))}")
    others = sorted({sign for row in rows for sign in row.told if sign != "doubtful"})
    for sign in others:
        has = np.array([sign in row.told for row in rows])
        print(
            f"  {sign}: of bad {has[bad].sum()}, not doubted {(has & bad & ~told).sum()}; of good {has[~bad].sum()}",
            end="",
        )
        print(f", not doubted {(has & ~bad & ~told).sum()}")


def main(kept: str, *folders: str) -> None:
    """Collect what is missing, then fit and prove."""
    Path(kept).mkdir(parents=True, exist_ok=True)
    rows = [row for folder in folders for row in collect(folder, Path(kept))]
    for faces, person in FITTED:
        prove(rows, faces, person)


if __name__ == "__main__":
    main(*sys.argv[1:])
