"""Masters: the shots of a cut found in the finished film by timecode, each judged against its people."""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from ...kernels.angles import wrapped
from ...kernels.arrays import Floats
from ...kernels.colour import luma
from ...kernels.errors import InkarnatError
from ...nodes import Aim, ReadingError, SteerSkin, Verdict, judge, measure_skin, worst_first
from ..graphs.colour_spaces import WORKING
from ..graphs.errors import GraphError, NodeError
from ..graphs.graph import Graph
from ..media.clips import Clip, VideoClip, open_clip
from ..media.files import InputError
from .aims import aims_of, noted_light
from .carry import named_shots
from .evidence import (
    SURVEY_FRAMES,
    Moment,
    Survey,
    View,
    Witness,
    evidence,
    face_evidence,
    kept_of,
    mattes_of,
    misread_of,
)
from .finished import Finished
from .people import Person
from .runs import RUN_FILE, Run
from .sampling import spread
from .timeline import CutList, CutShot, TimelineError, library
from .whose_faces import without_foreign_faces

NO_GRAPH, NO_PEOPLE, NO_TIMECODE, OUTSIDE, SEVERAL = "no graph", "no people", "no timecode", "outside", "several graphs"
"""Why a shot is not judged, in a word: it has no graph · its graph keys nobody · nothing says where it lies in the
film · it lies outside the film · more than one graph could be its own."""


# --- graphs of a folder -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Kept:
    """A graph of a folder: the clip that it corrects, and which frames of it, where that is known."""

    name: str
    graph: Path
    files: str = ""
    frames: range | None = None


@dataclass(frozen=True)
class Takes:
    """The graphs of a folder, as `inkarnat carry` leaves them there, and whom its clips are judged against.

    :ivar person: the approved person of the run file, None without one. :ivar line: the line used in the project.
    """

    kept: tuple[Kept, ...]
    person: Person | None = None
    line: float | None = None

    @classmethod
    def of(cls, folder: str | os.PathLike[str]) -> Takes:
        """Look into a folder. Raises InputError where it cannot be read or holds no graph, RunError for a bad run."""
        place = Path(folder)
        if not place.is_dir():
            raise InputError(f"{place} is not a folder: give the folder with the graphs, such as the one of carry.")
        run_file = place / RUN_FILE
        if run_file.is_file():
            run = Run.load(run_file)
            kept = tuple(
                Kept(clip.name, run.path(clip.graph), str(run.path(clip.files)), _range(clip.frames))
                for clip in run.clips
            )
            return cls(kept, run.person, run.line)
        files = sorted(path for path in place.glob("*.json") if _is_graph(path))
        if not files:
            raise InputError(f"{place} holds no graph and no {RUN_FILE}: give the folder with the graphs of the takes.")
        return cls(tuple(Kept(path.stem, path) for path in files))

    def find(self, shot: CutShot, numbers: Sequence[int]) -> tuple[Kept | None, str]:
        """Return the graph of a shot by its source's frame numbers, or the word that says why there is none."""
        wanted = [name for name in (shot.source, shot.path) if name]
        real = {os.path.realpath(name) for name in wanted}
        bases = {os.path.basename(name) for name in wanted}
        stems = set(named_shots(wanted) if wanted else []) | set(named_shots([shot.name]) if shot.name else [])
        found: list[Kept] = []
        for fits in (
            [each for each in self.kept if each.files and os.path.realpath(each.files) in real],
            [each for each in self.kept if each.files and os.path.basename(each.files) in bases],
            [each for each in self.kept if each.name in stems],
        ):
            found = found or fits
        if len(found) > 1:
            found = _for_frames(found, numbers)
        if len(found) > 1:
            return None, SEVERAL
        return (found[0], "") if found else (None, NO_GRAPH)


def _range(frames: str | None) -> range | None:
    first, _, last = (frames or "").rpartition("-")
    return range(int(first), int(last) + 1) if first.isdigit() and last.isdigit() else None


def _is_graph(path: Path) -> bool:
    try:
        data = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(data, dict) and "inkarnat" in data


def _for_frames(found: Sequence[Kept], numbers: Sequence[int]) -> list[Kept]:
    """Return those of several graphs of one clip that were made for most of the frames."""

    def held(kept: Kept) -> int:
        return len(numbers) if kept.frames is None else sum(number in kept.frames for number in numbers)

    most = max(held(kept) for kept in found)
    return [kept for kept in found if most and held(kept) == most]


# --- placing ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Placed:
    """A shot of a cut in the finished film.

    :ivar frames: the film's frame numbers that show it alone. :ivar numbers: for each of them the source's frame.
    :ivar timecode: of its first frame, or "". :ivar word: why it is not judged, in a word, or "".
    """

    shot: CutShot
    kept: Kept | None
    frames: tuple[int, ...]
    numbers: tuple[int, ...]
    timecode: str = ""
    word: str = ""


def place_shots(cut: CutList, film: Clip, takes: Takes) -> tuple[tuple[Placed, ...], tuple[str, ...]]:
    """Find the shots of a cut in a film by timecode, and each one's graph; return them, and what had to be assumed.

    Raises TimelineError where cut and film run at different rates.
    """
    rate = float(film.rate or cut.rate)
    if abs(rate - cut.rate) > 0.01:
        raise TimelineError(
            f"{film.path} runs at {rate:.5g} frames a second and {cut.path} at {cut.rate:.5g}: give the cut that the "
            "film was made from."
        )
    begins, notes = _begins(cut, film)
    placed = []
    for shot in cut.shots():
        numbers = tuple(number + _first_number(shot, takes) for number in shot.media)
        kept, word = takes.find(shot, numbers)
        frames: tuple[int, ...] = ()
        timecode = ""
        if shot.missing:
            word = shot.missing
        elif begins is None:
            word = NO_TIMECODE
        else:
            seen = [(film.frames[0] + begins + p, n) for p, n in zip(shot.places, numbers, strict=True)]
            seen = [(frame, number) for frame, number in seen if frame in film.frames]
            frames, numbers = tuple(frame for frame, _ in seen), tuple(number for _, number in seen)
            word = word if seen else OUTSIDE
            timecode = _timecode(cut, frames[0] - film.frames[0] - begins) if frames else ""
        placed.append(Placed(shot, kept, frames, numbers, timecode, word))
    return tuple(placed), notes


def _begins(cut: CutList, film: Clip) -> tuple[int | None, tuple[str, ...]]:
    """Return the place in the film of the cut's first frame, None where nothing tells it."""
    start, timecode = cut.start(), film_timecode(film)
    if start is not None and timecode:
        try:
            film_start = library().opentime.from_timecode(timecode, cut.rate)
        except ValueError as error:
            raise TimelineError(f"{film.path} has the timecode {timecode!r}, which cannot be read: {error}.") from None
        return int((start - film_start).rescaled_to(cut.rate).to_frames()), ()
    lacking = f"{film.path} has no timecode" if start is not None else f"{cut.path} does not say its first timecode"
    if len(film.frames) == cut.length:
        return 0, (f"{lacking}; both are {cut.length} frames long, so they are taken to begin together.",)
    return None, (
        f"{lacking}, and the film has {len(film.frames)} frames where the cut has {cut.length}: nothing tells where "
        "the shots lie.",
    )


def film_timecode(film: Clip) -> str:
    """Return the timecode of a film's first frame, or ""."""
    return (film.info.timecode or "") if isinstance(film, VideoClip) else ""


def _timecode(cut: CutList, place: int) -> str:
    start = cut.start()
    if start is None:
        return ""
    try:
        return str((start + library().opentime.RationalTime(place, cut.rate)).to_timecode())
    except ValueError:
        return ""


def _open_source(shot: CutShot, takes: Sequence[Kept]) -> Clip | None:
    """Open the footage of a shot: where the cut says it lies, or else where the graph's folder says; None without."""
    known = [
        each.files for each in takes if each.files and os.path.basename(each.files) == os.path.basename(shot.source)
    ]
    for name in (shot.source, *known):
        try:
            return open_clip(name)
        except InkarnatError:
            continue
    return None


def _first_number(shot: CutShot, takes: Takes) -> int:
    """Return the number of the first frame of a shot's source: as it stands on the disk, or as the cut says it."""
    clip = _open_source(shot, takes.kept)
    if clip is None:
        return 1 if shot.first_number is None else shot.first_number
    with clip:
        return int(clip.frames[0])


# --- judging ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Checked:
    """A shot of the film, read and judged.

    :ivar surveyed, verdicts, aims: by the name of each of its people; empty where ``word`` says why it is not judged.
    :ivar keyed_by: "plate" where the key looked at the shot's own footage, "film" where it looked at the film.
    :ivar notes: what else there is to say.
    """

    placed: Placed
    surveyed: Mapping[str, Survey] = field(default_factory=dict)
    verdicts: Mapping[str, Verdict] = field(default_factory=dict)
    aims: Mapping[str, Aim] = field(default_factory=dict)
    word: str = ""
    keyed_by: str = ""
    notes: tuple[str, ...] = ()

    @property
    def verdict(self) -> Verdict | None:
        """The verdict on the worst of its people, None where nobody is judged."""
        found = list(self.verdicts.values())
        return found[worst_first(found)[0]] if found else None


def check_shot(
    placed: Placed, film: Clip, view: View, takes: Takes, person: Person | None, line: float, seen: str = ""
) -> Checked:
    """Read a shot in the film and judge each of its people.

    :param film: in the working signal where ``entered``; otherwise as the shot's graph gives pictures.

    Raises GraphError for a graph that is not valid, InputError for frames of the film that cannot be read.
    """
    if placed.word or placed.kept is None:
        return Checked(placed, word=placed.word or NO_GRAPH)
    graph = Graph.load(placed.kept.graph)
    try:
        mattes = mattes_of(graph)
    except GraphError:
        return Checked(placed, word=NO_PEOPLE)
    if not any(isinstance(step.node, SteerSkin) for step in graph.order()):
        return Checked(placed, word=NO_PEOPLE)
    aims = aims_of(graph, mattes, person or takes.person, line if takes.line is None else takes.line)
    reader = _Reader(placed, film, graph, view, aims)
    chosen = spread(range(len(placed.frames)), SURVEY_FRAMES)
    with reader:
        moments: dict[str, list[Moment]] = {name: [] for name in mattes}
        faces: dict[str, Any] = {}
        for index in chosen:
            found, told = reader.read(index, with_faces=index == chosen[len(chosen) // 2])
            faces.update(told)
            for name, moment in found.items():
                moments[name].append(moment)
    surveyed = {
        name: Survey.of(own, [placed.numbers[i] for i in chosen], *faces.get(name, (None, None)))
        for name, own in moments.items()
    }
    verdicts, otherwise = {}, misread_of(film, graph)
    for name, own in surveyed.items():
        known = evidence(
            graph, own, placed.numbers[chosen[0]], noted_light(graph), view=seen, person=name, misread=otherwise
        )
        verdicts[name] = judge(known, aims[name])
    return Checked(placed, surveyed, verdicts, aims, "", reader.keyed_by, (*_handles(placed), *reader.notes()))


def _handles(placed: Placed) -> tuple[str, ...]:
    """Say how many frames that the graph was made for the film does not show, and which it shows beyond them."""
    known = placed.kept.frames if placed.kept is not None else None
    if known is None:
        return ()
    left = len(known) - len({number for number in placed.numbers if number in known})
    beyond = len({number for number in placed.numbers if number not in known})
    told = [f"handles: {left} frames of its graph are not in the film"] if left else []
    told += [f"{beyond} frames lie beyond those that its graph was made for"] if beyond else []
    return tuple(told)


_ALIKE = 0.9
"""Correlation of luma from which a frame of the film shows what its graph makes of the plate."""
_STALE = 2.0
"""Degrees of hue from which the film shows another correction than its graph makes now."""


class _Reader:
    """Reads the people of a shot in the film: keyed on the shot's own footage where that is there, else on the film."""

    def __init__(self, placed: Placed, film: Clip, graph: Graph, view: View, aims: Mapping[str, Aim]) -> None:
        self.placed, self.film, self.graph, self.view, self.aims = placed, film, graph, view, aims
        self.mattes = mattes_of(graph)
        self.keyed_by = "film"
        self._entering = graph.by_id[WORKING].node if WORKING in graph.by_id and not _is_entered(film) else None
        self._plate: Clip | None = None
        self._witness: Witness | None = None
        self._finished: Finished | None = None
        self._said: list[str] = []
        self._apart: list[float] = []

    def __enter__(self) -> _Reader:
        """Open the shot's own footage, where it is there."""
        plate = _open_source(self.placed.shot, [self.placed.kept] if self.placed.kept is not None else [])
        if plate is None:
            return self
        if all(number in plate.frames for number in self.placed.numbers):
            own, foreign = without_foreign_faces(self.graph, plate)
            self._said += [foreign] if foreign else []
            self._plate, self._witness = plate, Witness(own, self.view)
            self.keyed_by = "plate"
        else:
            plate.close()
        return self

    def __exit__(self, *_: object) -> None:
        """Close it."""
        if self._plate is not None:
            self._plate.close()

    def notes(self) -> tuple[str, ...]:
        """Say what was seen beside the readings."""
        if self._apart and (off := sorted(self._apart, key=abs)[len(self._apart) // 2]) and abs(off) >= _STALE:
            self._said.append(
                f"the film differs from what its graph makes now by {abs(off):.1f}° of hue: it was made before the "
                "graph was changed, or graded afterwards"
            )
        if self.keyed_by == "film" and kept_of(self.graph, self.placed.numbers[0]) is not None:
            self._said.append("its own footage is not where the cut says, and under a look the key needs it")
        return tuple(dict.fromkeys(self._said))

    def read(self, index: int, with_faces: bool) -> tuple[dict[str, Moment], dict[str, Any]]:
        """Return what each of the people reads on a frame of the shot, and what their faces tell."""
        picture = self._picture(self.placed.frames[index])
        if self._witness is not None:
            found = self._by_plate(picture, index, with_faces)
            if found is not None:
                return found
            self._said.append("the film shows the shot framed otherwise than its footage: keyed in the film")
            self.keyed_by, self._witness = "film", None
        return self._by_film(picture, index), {}

    def _picture(self, frame: int) -> Floats:
        picture = self.film.read(frame)
        return picture if self._entering is None else self._entering.process(picture)  # type: ignore[attr-defined]

    def _by_plate(
        self, picture: Floats, index: int, with_faces: bool
    ) -> tuple[dict[str, Moment], dict[str, Any]] | None:
        assert self._plate is not None
        assert self._witness is not None
        number = self.placed.numbers[index]
        try:
            pictures = self._witness.pictures(self._plate, number)
        except (InputError, NodeError):
            return None
        seen = self.view(picture)
        if not _is_like(seen, pictures["final"]):
            return None
        found, faces = {}, {}
        for name, output in self.mattes.items():
            moment = self._witness.moment(pictures, number, name)
            matte = _laid(pictures[output], seen.shape[:2])
            final, missing = None, moment.missing
            try:
                final = measure_skin(seen, matte)
            except ReadingError as error:
                missing = missing or str(error)
            if final is not None and moment.final is not None:
                self._apart.append(wrapped(final.angle - moment.final.angle))
            aimed = self._witness.aimed(self._plate, number, name, self.aims[name])
            found[name] = dataclasses.replace(moment, final=final, missing=missing, aimed=aimed)
            if with_faces:
                shown = {**pictures, "final": _laid(seen, pictures[output].shape)}
                faces[name] = face_evidence(shown, pictures[output], alone=len(self.mattes) == 1)
        return found, faces

    def _by_film(self, picture: Floats, index: int) -> dict[str, Moment]:
        if self._finished is None:
            own, foreign = without_foreign_faces(self.graph, _InFilm(self.placed, self._picture), True)
            if foreign is not None and own.content_hash() != self.graph.content_hash():
                self._said.append("the film does not show the faces of its graph where they lie: keyed without them")
            self._finished = Finished(own, self.view, entered=True)
        number = self.placed.numbers[index]
        pictures = self._finished.pictures(_Still(picture), number)
        return {name: self._finished.moment(pictures, number, name) for name in self.mattes}


class _InFilm:
    """A shot as the film shows it, by the numbers of its own footage."""

    missing = ()

    def __init__(self, placed: Placed, read: Callable[[int], Floats]) -> None:
        self.frames, self._read = placed.numbers, read
        self._in_film = dict(zip(placed.numbers, placed.frames, strict=True))

    def read(self, frame: int) -> Floats:
        """Return the picture at a frame. Raises InputError."""
        return self._read(self._in_film[frame])


class _Still:
    """One picture, whatever frame is asked for."""

    def __init__(self, picture: Floats) -> None:
        self.picture, self.frames = picture, range(1)

    def read(self, frame: int) -> Floats:
        """Return the picture."""
        return self.picture


def _is_entered(film: Any) -> bool:
    from ..graphs.colour_spaces import InWorking

    return isinstance(film, InWorking)


def _laid(plane: Floats, shape: Iterable[int]) -> Floats:
    """Return a picture or matte in another size, each pixel that of the nearest place."""
    rows, columns = shape
    if plane.shape[:2] == (rows, columns):
        return plane
    down = ((np.arange(rows) + 0.5) * plane.shape[0] / rows).astype(np.int64)
    across = ((np.arange(columns) + 0.5) * plane.shape[1] / columns).astype(np.int64)
    laid: Floats = np.ascontiguousarray(plane[down][:, across])
    return laid


_SMALL = (36, 64)


def _is_like(film: Floats, made: Floats) -> bool:
    """Tell whether two pictures show the same thing in the same place, whatever their colours."""
    first, second = (_laid(luma(np.ascontiguousarray(np.nan_to_num(p))), _SMALL).ravel() for p in (film, made))
    if min(float(first.std()), float(second.std())) < 1e-3:
        return True
    return float(np.corrcoef(first, second)[0, 1]) >= _ALIKE
