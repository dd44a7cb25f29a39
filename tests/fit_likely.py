"""Fit the judge of pixels on pictures with drawn masks, and prove it on those left out.

    python tests/fit_likely.py OUT.json FOLDER[=NETWORK] [FOLDER[=NETWORK] ...]

Each FOLDER holds pictures as `inkarnat bench accuracy --pictures` takes them; generated portraits join them. Every
picture is marked as a person would mark it, with its faces and persons known and without, with the map of bare skin and
without, fixed where the key of today is most wrong, and changed in size, light and colour; what `likely.figures` finds
while the product learns each of these keys is what is fitted on. Then each network is fitted without each of five
groups of pictures in turn, which gives the figures that are printed, and at last on all of them: OUT.json takes the
place of `kernels/likely.json`. The same pictures give the same bytes on one machine. Pictures whose names are the same
before the first underscore, such as the frames of one clip, stay together.

NETWORK is the folder of one for bare skin that has not been taught on the pictures of its FOLDER, as
`tests/fit_skin.py` leaves it behind: of pictures that it knows, a map is better than it will ever be.
"""

from __future__ import annotations

import functools
import json
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from inkarnat.host_adapters.bench.accuracy import worst_place
from inkarnat.host_adapters.bench.pictures import Photo, photos, samples_of
from inkarnat.host_adapters.bench.shots import generated_shots
from inkarnat.host_adapters.detect import skin as skin_map
from inkarnat.host_adapters.detect.faces import find_face_mattes
from inkarnat.host_adapters.detect.person import find_person
from inkarnat.kernels import likely, skin
from inkarnat.kernels.errors import InkarnatError
from inkarnat.nodes import FaceMatte, Sample, SoftenMatte, study_skin
from scipy import ndimage

SCENES = ("cast", "cedar 40 %", "cedar 70 %", "two stops under", "double noise", "8-bit", "mixed light", "two people")
MARKINGS = ("1 point", "3 points", "face box", "stroke")
PIXELS = 200, 400
"""How many pixels of skin and of the rest are fitted on from each marking."""
_SCORED = 0.66
"""Share of a cell that must be scored for the cell to count."""


@dataclass(frozen=True)
class Setting:
    """How a network is fitted.

    :ivar hidden: its units. :ivar epochs, rate, batch: of Adam. :ivar decay: of the weights. :ivar noise: added to the
        figures, in parts of their deviations. :ivar changed: how many changed copies of every picture are marked.
    """

    hidden: int = 16
    epochs: int = 6
    rate: float = 3e-3
    batch: int = 1024
    decay: float = 0.3
    noise: float = 0.1
    changed: int = 5


@dataclass(frozen=True)
class Seen:
    """What was found while one key was learned.

    :ivar kind: of the fit that it is for. :ivar group: of pictures that stay together.
    :ivar figures: float16 (n, names), of every pixel that is judged.
    :ivar skin, scored: bool (n,).
    """

    kind: str
    names: tuple[str, ...]
    group: str
    marking: str
    figures: np.ndarray
    skin: np.ndarray
    scored: np.ndarray


Samples = Sequence[Sample]
Seeing = Callable[[Samples, Samples], np.ndarray | None]
"""Returns what is seen of people by what is marked as skin, and as none."""


def see_nobody(add: Samples, subtract: Samples) -> None:
    """Return no map."""
    return


@dataclass(frozen=True)
class Marked:
    """A picture with the faces that are known in it, and how people are seen there."""

    photo: Photo
    faces: tuple[FaceMatte, ...] = ()
    people: Seeing = see_nobody


Found = tuple[tuple[FaceMatte, ...], Seeing]
Looking = Callable[[np.ndarray, Path], Found]
"""Returns what is known of a picture; the path is that of the network for bare skin."""


def find_people(image: np.ndarray, network: Path) -> Found:
    """Return the faces of a picture and its maps of people, as `correct` finds them."""
    faces = find_face_mattes(image)
    return faces, lambda add, subtract: skin_map.find_people(image, faces, network, add=add, subtract=subtract)


def find_bare_skin(image: np.ndarray, network: Path) -> Found:
    """Return the maps alone, as where no face is found or joins."""
    return (), lambda add, subtract: skin_map.find_people(image, (), network, add=add, subtract=subtract)


def find_persons(image: np.ndarray, network: Path) -> Found:
    """Return the faces of a picture and its map of persons, as from programs that know none of bare skin."""
    faces = find_face_mattes(image)
    person = find_person(image, faces)
    return faces, lambda add, subtract: person


def find_nobody(image: np.ndarray, network: Path) -> Found:
    """Return no face and no map, as without the detectors."""
    return (), see_nobody


LOOKS = find_nobody, find_persons, find_bare_skin, find_people
SEEING = find_bare_skin, find_people
"""Those that know bare skin: their pictures are not changed, the network for it has seen them in any light."""


# --- what is fitted on --------------------------------------------------------------------------------------


def seen_of(known: Marked, marking: str, add: Samples, subtract: Samples = ()) -> tuple[Seen, Any]:
    """Learn a key as the product does; return what its judge saw, and the key."""
    photo, found, own = known.photo, [], threading.get_ident()

    def watched(view: Any, told: Any, reach: float) -> np.ndarray:
        if threading.get_ident() == own:  # others may learn keys of their own meanwhile
            found.append(likely.figures(view, told, reach))
        return likely.likely_skin(view, told, reach)

    with mock.patch.object(skin, "likely_skin", watched):
        learned = study_skin(photo.image, add, subtract, faces=known.faces, persons=[known.people(add, subtract)])
    figures = np.stack([found[0][name].ravel() for name in found[0]], axis=1).astype(np.float16)
    rows, columns = found[0]["hue"].shape
    scored = _reduced(1 - photo.ignore.astype(np.float32), rows, columns)
    true = _reduced(np.where(photo.ignore, 0, photo.truth), rows, columns) / np.maximum(scored, 1e-3)
    kind = likely.kind_of("face" in found[0], "bare" in found[0])
    return Seen(
        kind,
        tuple(found[0]),
        photo.name.split("_")[0],
        marking,
        figures,
        (true > 0.5).ravel(),
        (scored > _SCORED).ravel(),
    ), learned


def _reduced(plane: np.ndarray, rows: int, columns: int) -> np.ndarray:
    """Return the mean of a plane over as many cells."""
    edges = [
        np.linspace(0, size, n + 1).round().astype(int) for size, n in zip(plane.shape, (rows, columns), strict=True)
    ]
    total = np.pad(plane.astype(np.float64).cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))[np.ix_(*edges)]
    area = np.maximum(np.diff(edges[0]), 1)[:, None] * np.maximum(np.diff(edges[1]), 1)
    return np.diff(np.diff(total, axis=0), axis=1) / area


def every_marking(known: Marked) -> Iterator[Seen]:
    """Yield what is seen from each marking of a picture, and after each of four fixes of a stroke."""
    photo = known.photo
    points = [("other point", (Sample.point(*point),)) for point in photo.points[2:3]]
    marks = [
        *((name, samples_of(photo, name)) for name in MARKINGS),
        *points,
        *([("faces", ())] if known.faces else []),
    ]
    for marking, add in marks:
        try:
            yield seen_of(known, marking, add)[0]
        except InkarnatError:
            continue  # a point on burnt-out skin
    add, subtract = samples_of(photo, "stroke"), ()
    _, learned = seen_of(known, "stroke", add)
    for turn, missing in enumerate((True, False, True, False), 1):
        matte = SoftenMatte().process(learned.matte(photo.image), photo.image)
        dab = worst_place(np.where(photo.ignore, 0, photo.truth - matte if missing else matte - photo.truth))
        if dab is None:
            continue
        add, subtract = ((*add, dab), subtract) if missing else (add, (*subtract, dab))
        seen, learned = seen_of(known, f"fix {turn}", add, subtract)
        yield seen


def changed(photo: Photo, count: int, look: Callable[[np.ndarray], Found]) -> Iterator[Seen]:
    """Yield what is seen of a picture cut, mirrored and changed in exposure and colour, with marks at random."""
    draw = np.random.default_rng(sum(photo.name.encode()))
    rows, columns = photo.truth.shape
    for k in range(count):
        side = draw.uniform(0.55, 1)
        top, left = (int(draw.uniform(0, 1 - side) * size) for size in (rows, columns))
        at = slice(top, top + int(side * rows)), slice(left, left + int(side * columns))
        gain = 2 ** draw.uniform(-0.9, 0.45) * (1 + draw.uniform(-0.06, 0.06, 3))
        flip = slice(None, None, -1 if draw.random() < 0.5 else 1)
        image = np.clip(photo.image[at][:, flip] * gain, 0, 1).astype(np.float32)
        truth, ignore = photo.truth[at][:, flip], photo.ignore[at][:, flip]
        skin_there = (truth > 0.5) & ~ignore
        inner = ndimage.binary_erosion(skin_there, iterations=max(1, round(0.008 * rows)))
        places = np.argwhere(inner)
        if len(places) < 50:
            continue
        points = [(x + 0.5, y + 0.5) for y, x in places[draw.choice(len(places), draw.integers(1, 5))]]
        size = truth.shape[1], truth.shape[0]
        add = tuple(Sample.stroke([(x / size[0], y / size[1])], 0.012) for x, y in points)
        image = np.ascontiguousarray(image)
        other = Marked(replace(photo, image=image, truth=truth, ignore=ignore), *look(image))
        try:
            yield seen_of(other, f"changed {k}", add)[0]
        except InkarnatError:
            continue  # too dark for a mark


def portraits(scenes: Sequence[str] = SCENES, width: int = 640, height: int = 360, seed: int = 902) -> Iterator[Photo]:
    """Yield generated portraits of every second depth as marked pictures."""
    for number, shot in enumerate(generated_shots(range(seed, seed + 1), width, height, tuple(scenes))):
        if number % 2 == 0:
            marks = {name: shot.marks[name].add for name in ("1 point", "3 points", "stroke")}
            (x0, y0), (x1, y1) = shot.marks["box"].add[0].points
            points = tuple(sample.points[0] for sample in marks["3 points"])
            image = np.ascontiguousarray(np.clip(shot.sampled, 0, 1), np.float32)
            name = f"{shot.name.replace('_', ' ')}_portrait"
            stroke = marks["stroke"][0].points
            yield Photo(name, shot.depth, image, shot.truth, shot.ignore, points, stroke, (x0, y0, x1, y1))


def collected(found: Iterable[tuple[Photo, Path]], setting: Setting, looks: Sequence[Looking]) -> list[Seen]:
    """Return what is seen of pictures from all their markings, each with what is known by each way of looking."""
    out: list[Seen] = []
    for photo, network in found:
        for look in looks:
            out += every_marking(Marked(photo, *look(photo.image, network)))
            if look not in SEEING:
                out += changed(photo, setting.changed, functools.partial(look, network=network))
        print(f"  {photo.name}", file=sys.stderr, flush=True)
    return out


# --- the fit ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Network:
    """A network of one hidden layer over figures in parts of their deviations."""

    mean: np.ndarray
    deviation: np.ndarray
    inner: np.ndarray
    outer: np.ndarray

    def odds(self, figures: np.ndarray) -> np.ndarray:
        x = np.clip((figures.astype(np.float32) - self.mean) / self.deviation, -4, 4)
        return np.maximum(x @ self.inner[:, :-1].T + self.inner[:, -1], 0) @ self.outer[:-1] + self.outer[-1]

    def packed(self, names: Sequence[str]) -> dict[str, Any]:
        """Return its part of `kernels/likely.json`: five digits of means, four of weights."""

        def short(values: np.ndarray, digits: int) -> Any:
            return [short(v, digits) if np.ndim(v) else float(f"{v:.{digits}g}") for v in values]

        told = {"names": list(names), "mean": short(self.mean, 5), "deviation": short(self.deviation, 5)}
        return told | {"inner": short(self.inner, 4), "outer": short(self.outer, 4)}


def drawn(seen: Sequence[Seen]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Draw pixels of every marking: figures, whether they are skin, and weights.

    Every marking weighs as much, half where its marks are at random, and a group as much as a picture. Skin counts
    twice beside the rest where it is rare, once where there is as much of it.
    """
    markings: dict[tuple[str, str], int] = {}
    for each in seen:
        markings[each.group, each.marking] = markings.get((each.group, each.marking), 0) + 1
    x, y, weight = [], [], []
    for number, each in enumerate(seen):
        draw = np.random.default_rng(number)
        kinds = [np.flatnonzero(each.scored & (each.skin == kind)) for kind in (True, False)]
        if not all(map(len, kinds)):
            continue
        skin_size, rest = map(len, kinds)
        share = 0.5 if each.marking[0] == "c" and each.marking != "cheek box" else 1.0
        share /= markings[each.group, each.marking]
        sizes = 0.5 * min(3 * skin_size, rest), float(rest)
        for kind, most, size in zip(kinds, PIXELS, sizes, strict=True):
            picked = draw.choice(kind, min(most, len(kind)), replace=False)
            x.append(each.figures[picked])
            y.append(each.skin[picked])
            weight.append(np.full(len(picked), share * size / sum(sizes) / len(picked), np.float32))
    joined = np.concatenate(weight)
    return np.concatenate(x), np.concatenate(y), joined / joined.mean()


def fitted(seen: Sequence[Seen], setting: Setting, seed: int = 0) -> Network:
    """Fit a network by cross entropy (Adam with decoupled decay: I. Loshchilov & F. Hutter, ICLR 2019)."""
    x, y, weight = drawn(seen)
    x = x.astype(np.float32)
    mean, deviation = x.mean(axis=0, dtype=np.float64), x.std(axis=0, dtype=np.float64) + 1e-6
    mean, deviation = mean.astype(np.float32), deviation.astype(np.float32)
    x = np.clip((x - mean) / deviation, -4, 4)
    draw, many = np.random.default_rng(seed), x.shape[1]
    at = [
        draw.normal(0, np.sqrt(2 / many), (many, setting.hidden)).astype(np.float32),
        np.zeros(setting.hidden, np.float32),
        (0.1 * draw.normal(0, np.sqrt(2 / setting.hidden), setting.hidden)).astype(np.float32),
        np.zeros(1, np.float32),
    ]
    first, second = ([np.zeros_like(p) for p in at] for _ in range(2))
    batch = min(setting.batch, len(x))
    steps = setting.epochs * (len(x) // batch)
    for step in range(steps):
        if step % (len(x) // batch) == 0:
            order = draw.permutation(len(x))
        picked = order[(step % (len(x) // batch)) * batch :][:batch]
        inputs = x[picked] + draw.normal(0, setting.noise, (len(picked), many)).astype(np.float32)
        hidden = np.maximum(inputs @ at[0] + at[1], 0)
        odds = hidden @ at[2] + at[3]
        wrong = (1 / (1 + np.exp(-odds)) - y[picked]) * weight[picked] / np.float32(batch)
        back = wrong[:, None] * at[2] * (hidden > 0)
        slopes = [inputs.T @ back, back.sum(axis=0), hidden.T @ wrong, wrong.sum(keepdims=True)]
        rate = setting.rate * 0.5 * (1 + np.cos(np.pi * step / steps))
        for k, slope in enumerate(slopes):
            first[k] += 0.1 * (slope - first[k])
            second[k] += 0.001 * (slope * slope - second[k])
            move = (first[k] / (1 - 0.9 ** (step + 1))) / (np.sqrt(second[k] / (1 - 0.999 ** (step + 1))) + 1e-8)
            at[k] -= np.float32(rate) * (move + (setting.decay * at[k] if k % 2 == 0 else 0)).astype(np.float32)
    inner = np.concatenate([at[0].T, at[1][:, None]], axis=1)
    return Network(mean, deviation, inner, np.concatenate([at[2], at[3]]))


def f1_of(seen: Seen, network: Network) -> float:
    """Return the F1 of what a network calls skin."""
    keyed = (network.odds(seen.figures) > 0) & seen.scored
    return 2 * float((keyed & seen.skin).sum()) / max(float(keyed.sum() + (seen.skin & seen.scored).sum()), 1)


def folds(seen: Sequence[Seen], count: int = 5) -> dict[str, int]:
    """Return the fold of every group, drawn by chance."""
    groups = list(dict.fromkeys(each.group for each in seen))
    np.random.default_rng(1).shuffle(groups)
    return {group: k % min(count, len(groups)) for k, group in enumerate(groups)}


def prove(seen: Sequence[Seen], setting: Setting) -> dict[str, float]:
    """Print and return the mean F1 of every marking, judged by networks that have not seen the picture."""
    fold = folds(seen)
    found: dict[str, list[float]] = {}
    for k in range(max(fold.values()) + 1):
        network = fitted([each for each in seen if fold[each.group] != k], setting)
        for each in seen:
            if fold[each.group] == k:
                found.setdefault(each.marking, []).append(f1_of(each, network))
    means = {marking: float(np.mean(scores)) for marking, scores in found.items()}
    for marking, mean in means.items():
        print(f"  {marking:12s} {mean:.4f}  least {min(found[marking]):.2f}")
    return means


def main(
    out: str,
    *folders: str,
    setting: Setting = Setting(),
    generated: Sequence[Photo] | None = None,
    looks: Sequence[Looking] = LOOKS,
) -> None:
    named = [folder.partition("=") for folder in folders]
    found = [(photo, Path(network or skin_map.NETWORK)) for folder, _, network in named for photo in photos(folder)]
    found += [(photo, skin_map.NETWORK) for photo in (portraits() if generated is None else generated)]
    seen = collected(found, setting, looks)
    told = json.loads(likely.FIT.read_text(encoding="utf-8"))
    for kind in dict.fromkeys(each.kind for each in seen):
        own = [each for each in seen if each.kind == kind]
        print(f"{kind}: {len({each.group for each in own})} groups of pictures, {len(own)} markings; left out:")
        prove(own, setting)
        told[kind] = fitted(own, setting).packed(own[0].names)
    Path(out).write_text(json.dumps(told) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(*sys.argv[1:])
