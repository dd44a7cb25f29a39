"""The key on pictures of a folder: real people with drawn masks, keyed and corrected from every kind of marking.

A folder holds NAME.png, NAME_mask.png (255 skin, 0 none, 128 not scored) and NAME.json: ``points``, ``stroke`` and
``box`` in pixels, as a person would mark the skin, and ``skin_depth``. Pictures go through what ``correct`` does:
faces are looked for, the standard chain is solved, and its graph gives the matte and the result.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from glob import escape
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ...kernels.angles import wrapped
from ...kernels.errors import InkarnatError
from ...nodes import CorrectionOptions, FaceMatte, MarkedFrame, Sample, hue_of_all, solve_correction
from ...nodes.declare import Matte, Picture
from ..graphs.runner import Runner
from ..graphs.standard import chain_graph
from ..media.clips import PictureClip
from ..media.colour_tags import misread
from ..shots.faces import person_in
from ..writes import atomic
from .accuracy import worst_place
from .scores import MatteScore, score_matte
from .shots import STROKE_RADIUS, BenchError

MARKINGS = (
    "1 point",
    "3 points",
    "cheek box",
    "face box",
    "stroke",
    "stroke + subtract",
    "four fixes",
    "faces",
    "1 point + face",
)
"""Every kind of marking. "1 point + face" knows of that one face alone; the others know of all that are found."""

_CHEEK = 24, 20
"""Width and height of a small box on a cheek, in pixels of a picture of 360 lines."""
_MISSED = 0.01
"""Share of the skin that must be missed for a step to be read between what is keyed and what is not."""

FindFaces = Callable[[Picture], tuple[FaceMatte, ...]]


@dataclass(frozen=True)
class Photo:
    """A picture with its truth and what a person would mark: places normalised to the frame."""

    name: str
    depth: str
    image: Picture
    truth: Matte
    ignore: NDArray[np.bool_]
    points: tuple[tuple[float, float], ...]
    stroke: tuple[tuple[float, float], ...]
    box: tuple[float, float, float, float]


@dataclass(frozen=True)
class PhotoCase:
    """One picture keyed and corrected from one marking.

    :ivar warnings: the signs that were told. :ivar refused: why nothing was keyed, or empty.
    :ivar angle_error: of all true skin, keyed or not and in whatever light, from its target after the correction,
        degrees; None where nothing was solved, or where the true skin has no hue to read.
    :ivar step_growth: by how many degrees the step of hue between keyed and missed skin grew; 0 where none is missed.
    """

    picture: str
    depth: str
    marking: str
    score: MatteScore
    warnings: tuple[str, ...]
    refused: str = ""
    angle_error: float | None = None
    step_growth: float | None = None


def photos(folder: Path | str) -> Iterator[Photo]:
    """Yield the pictures of a folder by name.

    Raises BenchError for a folder without any, and for the first file that is missing, cannot be read, or does not say
    what it should: the message names it and the mend.
    """
    folder = Path(folder)
    masks = {path.name.removesuffix(_MASK) for path in folder.glob(f"*{_MASK}")}
    names = sorted(masks | {path.stem for path in folder.glob("*.json")})
    if not names:
        raise BenchError(f"{folder} holds no NAME.json beside NAME.png and NAME_mask.png: name a folder that does.")
    for name in names:
        yield _photo(folder, name)


def left_out(folder: Path | str) -> list[str]:
    """Return the names of a folder's PNGs that have neither a mask nor marks: nothing says what is skin on them."""
    folder = Path(folder)
    return sorted(
        path.name
        for path in folder.glob("*.png")
        if not path.name.endswith(_MASK)
        and not any((folder / f"{path.stem}{end}").exists() for end in (_MASK, ".json"))
    )


_MASK = "_mask.png"
_PLACES = {"points": 3, "stroke": 2, "box": 2}
"""What NAME.json holds, and of how many places each consists at least."""


def _photo(folder: Path, name: str) -> Photo:
    picture, drawn, marked = (folder / f"{name}{end}" for end in (".png", _MASK, ".json"))
    for path in (picture, drawn, marked):
        if not path.is_file():
            raise BenchError(f"{path} does not exist: each picture needs NAME.png, NAME_mask.png and NAME.json.")
    image = _levels(picture, "RGB").astype(np.float32) / np.float32(255)
    if other := misread(PictureClip(picture)):
        raise BenchError(f"{other}, where its hues are others: convert it to BT.709 or sRGB, and save it anew.")
    mask = _mask_levels(drawn)
    height, width = mask.shape
    if mask.shape != image.shape[:2]:
        own = f"{image.shape[1]}×{image.shape[0]}"
        raise BenchError(f"{drawn} has {width}×{height} pixels and its picture {own}: draw it at the picture's size.")
    marks = _marks(marked, mask)
    (x0, y0), (x1, y1) = marks["box"]

    def places(points: Iterable[Sequence[float]]) -> tuple[tuple[float, float], ...]:
        return tuple(((x + 0.5) / width, (y + 0.5) / height) for x, y in points)

    return Photo(
        name,
        marks.get("skin_depth") or "not told",
        np.ascontiguousarray(image),
        (mask > 128).astype(np.float32),
        mask == 128,
        places(marks["points"]),
        places(marks["stroke"]),
        (x0 / width, y0 / height, x1 / width, y1 / height),
    )


def _levels(path: Path, mode: str) -> NDArray[np.uint8]:
    """Return a PNG's levels of 8 bits in a mode of Pillow's. Raises BenchError."""
    try:
        with Image.open(path) as opened:
            deep = any(";16" in str(tile) for tile in opened.tile)  # of colour: Pillow would cut it to 8 bits unasked
            if deep or opened.mode.startswith(("I", "F")):  # of grey: Pillow would clip it
                raise BenchError(f"{path} has more than 8 bits a channel: save it as a PNG of 8 bits.")
            if opened.has_transparency_data and np.asarray(opened.convert("RGBA"))[..., 3].min() < 255:
                raise BenchError(
                    f"{path} has transparent pixels, which hold no colour to score: save it without alpha."
                )
            return np.asarray(opened.convert(mode))
    except Image.DecompressionBombError:
        raise BenchError(
            f"{path} has more pixels than are read at once: scale it, and what goes with it, down."
        ) from None
    except (OSError, SyntaxError, ValueError) as error:
        if isinstance(error, BenchError):
            raise
        raise BenchError(f"{path} is not a readable picture ({error}): write it anew as a PNG of 8 bits.") from None


def _mask_levels(path: Path) -> NDArray[np.uint8]:
    """Return a mask that holds 255, 0 and 128 alone. Raises BenchError."""
    levels = _levels(path, "RGB")
    if (levels != levels[..., :1]).any():
        raise BenchError(f"{path} is coloured: a mask is grey, 255 on skin, 0 elsewhere, 128 where nothing is scored.")
    mask = levels[..., 0]
    other = ~np.isin(mask, (0, 128, 255))
    if other.any():
        values = ", ".join(str(value) for value in np.unique(mask[other])[:3])
        raise BenchError(
            f"{path} has {other.sum()} pixels of other levels ({values}) than 255 on skin, 0 elsewhere and 128 where "
            "nothing is scored: draw it without soft edges, and save it neither scaled nor as a JPEG."
        )
    if not (mask == 255).any():
        raise BenchError(f"{path} marks no skin: no pixel is 255.")
    return mask


def _marks(path: Path, mask: NDArray[np.uint8]) -> dict[str, Any]:
    """Return what NAME.json holds once every place of it lies in the picture. Raises BenchError."""
    try:
        marks = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise BenchError(f"{path} is not readable JSON ({error}).") from None
    lacking = [key for key in _PLACES if not isinstance(marks, dict) or key not in marks]
    if lacking:
        raise BenchError(
            f"{path} lacks {', '.join(lacking)}: it holds points (three or more [x, y] on skin), stroke (two or more "
            "on skin) and box ([[left, top], [right, bottom]] of a face), all in pixels of the picture."
        )
    height, width = mask.shape
    corners = f"{path}: box has to be [[left, top], [right, bottom]] with an area, not {marks['box']!r}."
    for key, least in _PLACES.items():
        places = marks[key]
        if not isinstance(places, list) or not all(_is_place(place) for place in places) or len(places) < least:
            wanted = f"{path}: {key} has to be {least} or more places [x, y] in pixels, not {places!r}."
            raise BenchError(corners if key == "box" else wanted)
        rim = int(key == "box")  # a box may end on the picture's last edge
        for x, y in places:
            if not (0 <= x < width + rim and 0 <= y < height + rim):
                raise BenchError(f"{path}: {key} has ({x:g}, {y:g}) outside the picture of {width}×{height} pixels.")
            if key != "box" and mask[int(y), int(x)] == 0:
                raise BenchError(f"{path}: {key} has ({x:g}, {y:g}), where the mask says no skin: mend one of the two.")
    if len(marks["box"]) > 2 or not all(low < high for low, high in zip(*marks["box"], strict=True)):
        raise BenchError(corners)
    (left, right), (top, bottom) = (
        (math.ceil(low - 0.5), math.ceil(high - 0.5)) for low, high in zip(*marks["box"], strict=True)
    )
    if not (mask[top:bottom, left:right] == 255).any():
        raise BenchError(f"{path}: box {marks['box']!r} holds no skin by the mask: mend one of the two.")
    depth = marks.get("skin_depth", "")
    if not isinstance(depth, str):
        raise BenchError(f'{path}: skin_depth has to be a word in quotes, as "tan", not {depth!r}.')
    return dict(marks)


def _is_place(place: object) -> bool:
    """Return whether this is [x, y] in numbers that a picture's pixels could have."""
    pair = place if isinstance(place, list) and len(place) == 2 else [None]
    return all(isinstance(v, int | float) and not isinstance(v, bool) and abs(v) < 1e9 for v in pair)


# --- marking ------------------------------------------------------------------------------------------------


def samples_of(photo: Photo, marking: str) -> tuple[Sample, ...]:
    """Return what a person marks first."""
    if marking in ("1 point", "1 point + face"):
        return (Sample.point(*photo.points[0]),)
    if marking == "3 points":
        return tuple(Sample.point(*point) for point in photo.points[:3])
    if marking == "cheek box":
        lines = photo.truth.shape[0]
        (x, y), half_width, half_height = photo.points[0], _CHEEK[0] / 720, _CHEEK[1] / 720
        half_width *= lines / photo.truth.shape[1]
        low, high = (max(x - half_width, 0), max(y - half_height, 0)), (min(x + half_width, 1), min(y + half_height, 1))
        return (Sample.box(*low, *high),)
    if marking == "face box":
        return (Sample.box(*photo.box),)
    return () if marking == "faces" else (Sample.stroke(photo.stroke, STROKE_RADIUS),)


class _Correcting:
    """A picture while it is marked and corrected."""

    def __init__(
        self, photo: Photo, faces: tuple[FaceMatte, ...], look_for_people: bool, wanted: CorrectionOptions
    ) -> None:
        self.photo, self.look_for_people, self.wanted = photo, look_for_people, wanted
        self.frame = MarkedFrame(0, photo.image, faces=faces)

    def mark(self, add: Sequence[Sample] = (), subtract: Sequence[Sample] = ()) -> None:
        """Add marks and solve anew."""
        add, subtract = (*self.frame.add, *add), (*self.frame.subtract, *subtract)
        seen = person_in(self.photo.image, self.frame.faces, add, subtract) if self.look_for_people else None
        unmarked = person_in(self.photo.image, self.frame.faces) if add and self.look_for_people else None
        self.frame = replace(self.frame, add=add, subtract=subtract, person=seen, unmarked=unmarked)
        self.correction = solve_correction([self.frame], self.wanted)
        graph = chain_graph(self.correction.links(), self.correction.outputs())
        made = Runner(graph).run_frame(0, {"plate": self.photo.image}, ("matte", "result"))
        self.matte, self.result = made["matte"], made["result"]

    def fix(self, missing: bool) -> None:
        """Put a dab where the matte is most wrong: on missing skin, or on what is no skin."""
        wrong = self.photo.truth - self.matte if missing else self.matte - self.photo.truth
        dab = worst_place(np.where(self.photo.ignore, 0, wrong))
        if dab is not None:
            self.mark(*(((dab,), ()) if missing else ((), (dab,))))


def run_photo(
    photo: Photo,
    markings: Sequence[str] = MARKINGS,
    find_faces: FindFaces | None = None,
    wanted: CorrectionOptions | None = None,
    show: Callable[[PhotoCase, Matte], None] = lambda case, matte: None,
) -> list[PhotoCase]:
    """Key and correct one picture from each marking and score what comes out.

    :param find_faces: persons are looked for with faces. :param show: called with every case and its matte.
    """
    faces = find_faces(photo.image) if find_faces else ()
    wanted = wanted or CorrectionOptions()
    cases = []
    for marking in markings:
        own = faces
        if marking == "1 point + face":
            own = tuple(f for f in faces if f.holds(*photo.points[0], photo.truth.shape))[:1]
        job = _Correcting(photo, own, find_faces is not None, wanted)
        try:
            first = samples_of(photo, marking)
            if not first and not own:  # correct seeks skin by its look then, and stops where it is not sure
                job.frame = replace(job.frame, seek=True)
            job.mark(first)
            if marking == "stroke + subtract":
                job.fix(missing=False)
            for turn in range(4 if marking == "four fixes" else 0):
                job.fix(missing=turn % 2 == 0)
            case = _scored(job, marking)
        except InkarnatError as error:
            empty = np.zeros(photo.truth.shape, np.float32)
            score = score_matte(empty, photo.truth, photo.ignore)
            case = PhotoCase(photo.name, photo.depth, marking, score, ("refused",), str(error))
            job.matte = empty
        show(case, job.matte)
        cases.append(case)
    return cases


def _scored(job: _Correcting, marking: str) -> PhotoCase:
    photo, correction = job.photo, job.correction
    truth = np.where(photo.ignore, 0, photo.truth).astype(np.float32)
    target = correction.people[0].target
    try:
        angle = abs(wrapped(hue_of_all(job.result, truth) - target.angle - target.bias))
    except InkarnatError:  # the true skin is black, burnt out or a few pixels: the matte can be scored, its hue not
        angle = None
    return PhotoCase(
        photo.name,
        photo.depth,
        marking,
        score_matte(job.matte, photo.truth, photo.ignore),
        tuple(dict.fromkeys(warned.sign for warned in correction.warnings)),
        "",
        angle,
        _growth(photo.image, job.result, truth, job.matte),
    )


def _growth(before: Picture, after: Picture, truth: Matte, matte: Matte) -> float:
    """Return by how much the step of hue between keyed and missed skin grew, degrees."""
    skin = truth > 0.5
    keyed, missed = skin & (matte > 0.5), skin & (matte <= 0.5)
    if min(keyed.sum(), missed.sum()) < max(_MISSED * skin.sum(), 12):
        return 0.0
    try:
        steps = [_hue(picture, keyed) - _hue(picture, missed) for picture in (before, after)]
    except InkarnatError:  # what is missed is black or burnt out: no hue, no step
        return 0.0
    first, last = (abs(wrapped(step)) for step in steps)
    return last - first


def _hue(picture: Picture, where: NDArray[np.bool_]) -> float:
    return hue_of_all(picture, where.astype(np.float32))


# --- all of them --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PhotoResults:
    """All cases of a folder of pictures."""

    cases: tuple[PhotoCase, ...]

    def table(self, by: str = "marking") -> list[dict[str, Any]]:
        """Return one row of means for every value of a field of the cases: "marking", "picture" or "depth"."""
        values = dict.fromkeys(getattr(case, by) for case in self.cases)
        return [{"of": value, **_means([c for c in self.cases if getattr(c, by) == value])} for value in values]

    def warning_rates(self) -> dict[str, float | None]:
        """Return how many bad and how many good mattes are warned of, and of how many pictures the wrong answers are.

        Where nothing was keyed there is no matte to warn of: a refusal counts as neither. A share of none is None.
        """
        keyed = [case for case in self.cases if not case.refused]
        bad = [case for case in keyed if case.score.f1 < 0.6]
        good = [case for case in keyed if case.score.f1 > 0.8]
        return {
            "bad": len(bad),
            "bad_warned": float(np.mean([bool(case.warnings) for case in bad])) if bad else None,
            "silent_pictures": len({case.picture for case in bad if not case.warnings}),
            "good": len(good),
            "good_warned": float(np.mean([bool(case.warnings) for case in good])) if good else None,
            "falsely_warned_pictures": len({case.picture for case in good if case.warnings}),
        }

    def as_dict(self) -> dict[str, Any]:
        """Return everything as plain JSON data."""
        tables = {f"by_{by}": self.table(by) for by in ("marking", "picture", "depth")}
        return {**tables, "warnings": self.warning_rates(), "cases": [asdict(case) for case in self.cases]}


def _means(cases: Sequence[PhotoCase]) -> dict[str, Any]:
    scores = [case.score for case in cases]
    row: dict[str, Any] = {"cases": len(cases)}
    row |= {
        name: float(np.mean([getattr(s, name) for s in scores])) for name in ("f1", "iou", "mae", "recall", "precision")
    }
    row["f1_min"] = min(s.f1 for s in scores)
    if (interval := f1_interval(cases)) is not None:
        row["f1_low"], row["f1_high"] = interval
    keyed = [case for case in cases if not case.refused]
    row["refused"] = len(cases) - len(keyed)
    if keyed:
        row["f1_keyed"] = float(np.mean([case.score.f1 for case in keyed]))
        row["warned"] = float(np.mean([bool(case.warnings) for case in keyed]))
    for name in ("angle_error", "step_growth"):
        known = [value for case in cases if (value := getattr(case, name)) is not None]
        if known:
            row[name] = float(np.median(known))
            row[f"{name}_p90"] = float(np.percentile(known, 90))
    return row


_DRAWS = 10_000
"""How often the pictures are drawn anew for an interval: its ends then move by less than .001 from seed to seed."""


def f1_interval(cases: Sequence[PhotoCase]) -> tuple[float, float] | None:
    """Return the interval that the mean F1 keeps in 95 of 100 draws of as many pictures; None for one picture.

    The pictures are drawn with replacement and each brings all its cases, as cases of one picture are alike (the
    percentile bootstrap of B. Efron, 1979, by clusters). The same cases give the same ends.
    """
    by_picture: dict[str, list[float]] = {}
    for case in cases:
        by_picture.setdefault(case.picture, []).append(case.score.f1)
    if len(by_picture) < 2:
        return None
    sums, counts = (np.array([of(f1) for f1 in by_picture.values()], np.float64) for of in (sum, len))
    drawn = np.random.default_rng(0).integers(0, len(sums), (_DRAWS, len(sums)))
    low, high = np.percentile(sums[drawn].sum(axis=1) / counts[drawn].sum(axis=1), (2.5, 97.5))
    return float(low), float(high)


def overlay(photo: Photo, matte: Matte) -> Image.Image:
    """Return the picture with missed skin in blue, leaks in red and found skin in green, cut at one half."""
    shown = photo.image.copy()
    keyed, skin = matte > 0.5, photo.truth > 0.5
    for wrong, colour in (
        (skin & ~keyed, (0, 0, 1)),
        (keyed & ~skin & ~photo.ignore, (1, 0, 0)),
        (skin & keyed, (0, 1, 0)),
    ):
        shown[wrong] = 0.55 * shown[wrong] + 0.45 * np.array(colour, np.float32)
    return Image.fromarray(np.rint(np.clip(shown, 0, 1) * 255).astype(np.uint8))


def run_photos(
    found: Iterable[Photo],
    markings: Sequence[str] = MARKINGS,
    find_faces: FindFaces | None = None,
    wanted: CorrectionOptions | None = None,
    overlays: Path | None = None,
    tell: Callable[[int], None] = lambda count: None,
) -> PhotoResults:
    """Run pictures through every marking; the folder ``overlays`` gets a picture of each case, worst first by name.

    An overlay of an earlier run of the same case is replaced.
    """
    cases: list[PhotoCase] = []
    for count, photo in enumerate(found, 1):

        def show(case: PhotoCase, matte: Matte, photo: Photo = photo) -> None:
            if overlays is not None:
                of = f" {case.picture} {case.marking}.png"
                written = overlays / f"{round(case.score.f1 * 1000):04d}{of}"
                with atomic(written) as temporary:
                    overlay(photo, matte).save(temporary)
                for earlier in overlays.glob(f"{'[0-9]' * 4}{escape(of)}"):
                    if earlier != written:  # of a run that scored otherwise: it shows a matte that is no more
                        earlier.unlink()

        cases += run_photo(photo, markings, find_faces, wanted, show)
        tell(count)
    return PhotoResults(tuple(cases))
