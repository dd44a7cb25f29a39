"""Learning a skin key from marks and faces: which faces join, when to try once more, what speaks against a matte."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import face as faces
from . import join, learn
from .angles import wrapped
from .arrays import Floats, as_plane
from .face import HOLE, FaceCut, Landmarks
from .guided import guided
from .likely import Told, likely_skin
from .morphology import grow, shrink

Flags = NDArray[np.bool_]

_NOBODY, _SOMEBODY, _MARGIN = 0.05, 0.2, 2
"""Likelihood of a person up to which a cell is none's, and from which it may be all skin; by how many cells what is
likely is widened: the map's edge is soft, and hair and sleeves lie inside."""
_COVERED = 0.5
"""How much of a mark must lie on persons for the map to be believed there; of all marks on bare skin, for that map."""
ON_A_FACE, _MEANT = 1.6, 0.5
"""Radius of the drawn face within which a mark means that face: hair, ears and neck included; how much of its skin a
box must hold to be drawn round it."""
_LEAST_LIKELY, _CORE = 0.8, 0.95
_LIKE_THE_MARKS = 9.0
_JOINING_SHARE = 0.3
_OWN_COLOURS = 6

_PLAIN, _BETTER, _MOST_ADDED = 0.3, 0.04, 3.3
"""Where a face joins: soft share below which nothing further is tried; by how much it must fall, and how many times as
large the matte may become."""
_ADDED_SURE, _SURE_PER_RIM = 0.8, 0.4
"""What share of what a trial opens must be surely open, and what of it a doubled step at the rim makes up."""
_PER_DOUBLING, _PER_RIM = 0.1, 0.2
"""What fall of the soft share weighs as much as a doubling of the area, and as a doubled step at the rim. Over 33
pictures and six markings the trials so chosen add .025 to the mean F1, .020 where each picture is left out of the
choice of these figures."""
_MOST_SKIN = 48
"""How many times the cores of the joined faces a trial may key: about what all skin of a body shows on one side."""
_VERY_DOUBTFUL, _MOST_ADDED_THERE = 0.55, 4.0
"""Soft share from which most of the skin may lie in another light, and how many times as large the matte may become."""
_LEAST_LEFT = 0.5
"""What part of a matte must be left of it when it grows beside what is subtracted."""
_SHARES = 0.6, 0.2, 0.2
"""How much the log odds of the map of bare skin count, those of the judge, which knows the map too and is taught on
single pixels, and those of the growing. Tried on pictures left out: bench/RESULTS.md."""
_LEAST_SEEN = 0.23
"""What part of what grew from the marks a map of bare skin must see to count: near a mark it always sees skin."""
_LESS_TRUST, _BETTER_OUT, _LEAST_AGREED = (0.5, 0.0), 0.01, 0.7
"""How far faces may count where the map of bare skin does not bear them out wholly; by how much the matte must agree
better with the map then, and how far at least. Tried on three sets of pictures: bench/RESULTS.md."""
_NO_EDGE, _EDGE, _FARTHEST = 0.7, 0.5, 64.0
"""What share of a matte's edge lies where the picture has none when its reach alone ended it, and what share when an
edge did; and the reach at most."""
_LEAST_ODDS = 0.02
"""What keeps the odds of a likelihood of 0 or 1 finite."""
_HEARD, _OUT, _LOUDER, _TIMES = 0.6, 0.3, 3.0, 5
"""The mean likelihood that a mark of skin must reach, and one of what is none may keep; by how much a
mark that is not heard weighs more, and how often."""


@dataclass(frozen=True)
class Marked:
    """A picture with what a person marked on it, and the faces in it.

    :ivar image: float32 (H, W, 3 or 4). :ivar drawn, subtract: bool (H, W). :ivar wholes: bool (H, W) each.
    :ivar large: as in :class:`.learn.Frame`. :ivar at: where the marks lie, normalised.
    :ivar faces: five landmarks each. :ivar weight: as in :class:`.learn.Frame`.
    :ivar person: float32 (h, w) of any size, 0 to 1, how likely a place shows a person; None where nobody looked.
    :ivar bare: likewise, how likely it shows bare skin, whosesoever.
    """

    image: Floats
    drawn: Flags
    subtract: Flags
    wholes: tuple[Flags, ...] = ()
    large: float = 1.0
    at: tuple[tuple[float, float], ...] = ()
    faces: tuple[Landmarks, ...] = ()
    weight: float = 1.0
    person: Floats | None = None
    bare: Floats | None = None


@dataclass(frozen=True)
class Signs:
    """Figures by which a matte can be doubted, all on the reduced frame.

    :ivar soft: share of the open pixels that are half open. :ivar flat: share of the matte's edge where the picture has
        none. :ivar cover: the largest share of a face that is keyed; None where no face is known. :ivar area: keyed
        part of the frame. :ivar contrast, rim: median step along the edge, of luma and of light in stops; without an
        edge 0 and infinity.
    """

    soft: float
    flat: float
    cover: float | None
    area: float
    contrast: float
    rim: float


@dataclass(frozen=True)
class Studied:
    """What was learned from marks and faces.

    :ivar keyed: by picture and face, whether the face is keyed. :ivar texture: the skin's own, see
        :func:`.join.texture_loss`. :ivar face: the core of the largest keyed face of the first picture, in parts of it.
    :ivar matte: of the first picture, on the grid. :ivar frames: the reduced frames.
    :ivar grew_on: the key went on beyond its reach, until an edge of the picture stopped it.
    :ivar trust: 0 to 1, how far what the faces tell counts.
    """

    learned: learn.Learned
    keyed: tuple[tuple[bool, ...], ...]
    texture: float
    face: float
    matte: Floats
    signs: Signs
    frames: tuple[learn.Frame, ...]
    outside: float | None = None
    grew_on: bool = False
    trust: float = 1.0


@dataclass
class _Scene:
    """One picture on its way to being learned from."""

    marked: Marked
    frame: learn.Frame
    cells: faces.Cells | None
    cuts: list[FaceCut | None]
    person: Floats | None = None

    @classmethod
    def of(cls, marked: Marked) -> _Scene:
        frame = learn.reduce_frame(marked.image, marked.drawn, marked.subtract, marked.wholes)
        maps = (marked.person, marked.bare)
        person, bare = (None if plane is None else _on_grid(plane, frame.luma.shape) for plane in maps)
        frame = dataclasses.replace(frame, weight=marked.weight, large=marked.large, person=person, bare=bare)
        cells = faces.cells_of(marked.image) if marked.faces else None
        cuts = [] if cells is None else [faces.cut(cells, f, frame.luma.shape) for f in marked.faces]
        return cls(marked, frame, cells, cuts, None if person is None else _room_for(person))

    @functools.cached_property
    def step(self) -> Floats:
        """How much of a rim every pixel is, see :func:`steps_of`."""
        return steps_of(self.frame.luma, self.frame.u, self.frame.v)

    def whole(self, cut: FaceCut, plane: NDArray[np.generic]) -> NDArray[np.generic]:
        return cut.whole(plane, self.frame.luma.shape)

    def marked_faces(self) -> set[int]:
        """Return the faces on which marks lie."""
        found = set()
        rows, columns = self.frame.luma.shape
        for x, y in self.marked.at:
            nearest, face = ON_A_FACE, -1
            for k, points in enumerate(self.marked.faces):
                away = faces.radius_at(points, (rows, columns), (x, y))
                if away < nearest:
                    nearest, face = away, k
            if face >= 0 and self.cuts[face] is not None:
                found.add(face)
        return found

    def core(self, cut: FaceCut) -> Flags:
        """Return what of a face may show its skin."""
        inside = (cut.likely > _LEAST_LIKELY) & (cut.radius < _CORE) & ~cut.has(HOLE)
        return np.asarray(self.whole(cut, inside), np.bool_) & (self.frame.luma > 0.03)

    def persons(self, keyed: Sequence[bool], likely: Floats) -> Floats | None:
        """Return how far every cell may be a person's; None where nobody looked, or the map knows nothing marked.

        What is marked beside the persons, or a face there that joins, is one too, with all of the key that touches it.

        :param likely: the likelihood of skin.
        """
        if self.person is None:
            return None
        shown = learn.marks_of(self.frame, learn.usable(self.frame)[0])
        shown += [self.core(cut) for cut, joins in zip(self.cuts, keyed, strict=True) if cut is not None and joins]
        missed = [here for here in shown if here.any() and self.person[here].mean(dtype=np.float64) < _COVERED]
        if not missed:
            return self.person
        if len(missed) == len(shown):
            return None
        own = np.logical_or.reduce(missed)
        labels, _ = join.pieces((likely > 0.5) | own)
        return np.where(np.isin(labels, np.unique(labels[own])), np.float32(1), self.person)

    def believes_bare_skin(self) -> bool:
        """Tell whether the map of bare skin knows what is marked, or shown by a face that joins: the mean over them."""
        shown = learn.marks_of(self.frame, learn.usable(self.frame)[0])
        if self.frame.shown is not None and self.frame.shown.any():
            shown.append(self.frame.shown)
        if self.frame.bare is None or not shown:
            return False
        known = [float(self.frame.bare[here].mean(dtype=np.float64)) for here in shown]
        return sum(known) >= _COVERED * len(known)

    def outside(self, keyed: Sequence[bool], likely: Floats, matte: Floats) -> float | None:
        """Return what part of a matte lies beside the persons; None where they are not known."""
        person = self.persons(keyed, likely)
        if person is None:
            return None
        beside = float((matte * (1 - person)).sum(dtype=np.float64))
        return beside / max(float(matte.sum(dtype=np.float64)), 1e-9)

    def with_evidence(self) -> learn.Frame:
        """Return the frame with what its faces show, and what lies round them."""
        known = [cut for cut in self.cuts if cut is not None]
        if not known:
            return self.frame
        shape = self.frame.luma.shape
        likely, around, holes = np.zeros(shape, np.float32), np.zeros(shape, np.bool_), np.zeros(shape, np.bool_)
        for cut in known:
            at = cut.window.slices
            hole = cut.has(HOLE)
            np.maximum(likely[at], cut.likely * ((cut.radius < 1.3) & ~hole), out=likely[at])
            around[at] |= cut.has(1) & ((cut.down < 1.3) | (cut.radius < 1))
            holes[at] |= hole
        return dataclasses.replace(self.frame, face=likely, around=around & ~holes)


def study(pictures: Sequence[Marked], reach: float = 1.0) -> Studied:
    """Learn a key from marked pictures and the faces in them.

    A mark on a face joins that face: its skin teaches the key too, in place of a box that is drawn round it. Where no
    mark lies on a face, every face joins that is like the marks, and without any mark every face. All faces count as
    evidence, with what lies round them.

    :raises LearnError: nothing to learn from.

    >>> picture = np.full((90, 160, 3), (0.3, 0.4, 0.5), np.float32)
    >>> picture[20:70, 50:110] = (0.6, 0.45, 0.4)
    >>> nothing = np.zeros((90, 160), bool)
    >>> marked = nothing.copy()
    >>> marked[40:50, 70:90] = True
    >>> studied = study([Marked(picture, marked, nothing)])
    >>> rows, columns = studied.matte.shape
    >>> bool(studied.matte[rows // 2, columns // 2] > 0.5 > studied.matte[0, 0])
    True
    """
    scenes = [_Scene.of(picture) for picture in pictures]
    keyed = _join(scenes)
    for scene in scenes:
        if not scene.believes_bare_skin():
            scene.frame = dataclasses.replace(scene.frame, bare=None)
    frames = [scene.with_evidence() for scene in scenes]
    grow = _Growing(scenes, keyed, learn.Learner(frames), reach)
    if any(map(any, keyed)):
        best, grew_on = _as_far_as_faces_fit(scenes[0], keyed[0], _judged(grow, _with_faces(grow, frames))), False
    else:
        best, grew_on = _as_far_as_an_edge(grow, frames[0])
    learned, joins, face = best.attempt.learned(), tuple(tuple(k) for k in keyed), best.core / best.matte.size
    outside = scenes[0].outside(keyed[0], best.attempt.likely[0], best.matte)
    return Studied(
        learned, joins, best.texture, face, best.matte, best.signs, tuple(frames), outside, grew_on, best.trust
    )


@dataclass(frozen=True)
class _Growing:
    """Grows keys from scenes, each without the colours that lie beside the persons."""

    scenes: Sequence[_Scene]
    keyed: Sequence[Sequence[bool]]
    learner: learn.Learner
    reach: float

    def __call__(self, boldness: learn.Boldness | None = None, second: Floats | None = None) -> learn.Attempt:
        return self.within(self.learner.attempt(self.reach, boldness, second))

    def persons(self, attempt: learn.Attempt) -> list[Floats | None]:
        """Return by scene how far every cell may be a person's; None where that is not known."""
        pairs = zip(self.scenes, self.keyed, attempt.likely, strict=True)
        return [scene.persons(joins, likely) for scene, joins, likely in pairs]

    def within(self, attempt: learn.Attempt) -> learn.Attempt:
        """Return a key without the colours that lie beside the persons."""
        known = self.persons(attempt)
        if all(plane is None for plane in known):
            return attempt
        return attempt.within(
            [np.ones_like(q) if plane is None else plane for q, plane in zip(attempt.likely, known, strict=True)]
        )


def _join(scenes: list[_Scene]) -> list[list[bool]]:
    """Find the faces that join, and put their skin among the samples of their frames."""
    usable = [learn.usable(scene.frame)[0] for scene in scenes]
    own = None
    if any(found.any() for found in usable):
        own = learn.colours_of_skin([s.frame for s in scenes], usable, _OWN_COLOURS)
    chosen = [scene.marked_faces() for scene in scenes]
    marked = any(chosen)
    keyed = []
    for scene, on in zip(scenes, chosen, strict=True):
        joins = [False] * len(scene.cuts)
        shown = np.zeros(scene.frame.luma.shape, np.bool_)
        meant = []
        for k, cut in enumerate(scene.cuts):
            if cut is None or (marked and k not in on):
                continue
            core = scene.core(cut)
            seeds = _main_mode(scene.frame, core) if own is None else _near(scene.frame, core, own)
            if own is not None and k not in on and seeds.sum() < _JOINING_SHARE * max(int(core.sum()), 1):
                continue
            joins[k] = True
            if seeds.sum() >= 5:
                shown |= seeds
                meant += [core] if k in on else []
        if any(joins):
            wholes = tuple(whole for whole in scene.frame.wholes if not any(_means(whole, core) for core in meant))
            scene.frame = dataclasses.replace(scene.frame, shown=shown, wholes=wholes)
        keyed.append(joins)
    return keyed


def _means(whole: Flags, core: Flags) -> bool:
    """Tell whether a box is drawn round a face: what lies in its corners is none of it, and the face shows its skin."""
    return bool(np.count_nonzero(whole & core) > _MEANT * np.count_nonzero(core))


def _on_grid(plane: Floats, shape: tuple[int, int]) -> Floats:
    return np.asarray(plane, np.float32) if plane.shape == shape else join.on_grid(as_plane(plane), shape)


def _room_for(person: Floats) -> Floats:
    """Return how far every cell may be a person's by how likely it shows one, float32."""
    for _ in range(_MARGIN):
        person = _end(person, np.maximum)
    return np.clip((person - np.float32(_NOBODY)) / np.float32(_SOMEBODY - _NOBODY), 0, 1)


def _near(frame: learn.Frame, mask: Flags, colours: NDArray[np.float64]) -> Flags:
    """Return what of a mask is like some colours of skin."""
    out = np.zeros_like(mask)
    if mask.any():
        out[mask] = learn.distance_from_skin(frame.u[mask], frame.v[mask], frame.luma[mask], colours) < _LIKE_THE_MARKS
    return out


def _main_mode(frame: learn.Frame, mask: Flags) -> Flags:
    """Of a face that nobody marked, return what has its commonest colour that can be skin."""
    if mask.sum() < 5:
        return mask
    u, v, luma = frame.u[mask], frame.v[mask], frame.luma[mask]
    order = np.argsort(luma, kind="stable")
    picks = order[np.linspace(0, len(order) - 1, min(24, len(order))).astype(int)]
    best, colour = 0.0, None
    for k in picks:
        here = np.array([[u[k], v[k], luma[k]]], np.float64)
        off = abs(wrapped(math.degrees(math.atan2(v[k], u[k])) - learn.USUAL_HUE))
        near = np.exp(-0.5 * learn.distance_from_skin(u, v, luma, here).astype(np.float64))
        score = float(near.sum()) * math.exp(-0.5 * (off / 40) ** 2)
        if off < 75 and score > best:
            best, colour = score, here
    if colour is None:
        return np.zeros_like(mask)
    near = _near(frame, mask, colour)
    middle = np.array([[float(np.median(p[near].astype(np.float64))) for p in (frame.u, frame.v, frame.luma)]])
    return _near(frame, mask, middle)


# --- the matte on the reduced frame, and once more where it is doubtful ---------------------------------------


class _Result:
    """An attempt at a key, and its matte of the first picture on the grid."""

    def __init__(
        self,
        scene: _Scene,
        frame: learn.Frame,
        keyed: Sequence[bool],
        attempt: learn.Attempt,
        boldness: learn.Boldness | None = None,
        second: Floats | None = None,
        trust: float = 1.0,
    ) -> None:
        self.attempt, self.frame = attempt, frame
        self.boldness, self.second, self.trust = boldness, second, trust
        shape = frame.luma.shape
        seeds = learn.usable(frame)[0]
        self.loss: Floats | None = None
        self.texture = join.SMOOTHEST
        matte = key_matte(attempt.likely[0], frame.luma)
        self.core = self.cores = 0
        if scene.cells is not None:
            if seeds.any():
                self.texture = float(np.median(scene.cells.texture[seeds].astype(np.float64)))
            self.loss = join.texture_loss(scene.cells, self.texture)
            evidence = join.trusted(evidence_of(scene.cuts, keyed, shape), trust)
            laid = join.lay(matte, evidence, self.loss, seeds)
            matte = laid.over(matte)
            cores = [int(c.core.sum()) for c, k in zip(scene.cuts, keyed, strict=True) if c and k]
            self.core, self.cores = max(cores, default=0), sum(cores)
        self.matte = matte
        cuts = [c for c in scene.cuts if c is not None]
        self.signs = signs_of(matte, frame.luma, frame.u, frame.v, cuts, scene.step)


def evidence_of(cuts: Sequence[FaceCut | None], keyed: Sequence[float], shape: tuple[int, int]) -> Floats:
    """Return the evidence of all faces of a picture on its grid."""
    plane = np.full(shape, 0.5, np.float32)
    for cut, own in zip(cuts, keyed, strict=True):
        if cut is not None:
            at = cut.window.slices
            plane[at] = join.joined(plane[at], join.evidence(cut, float(own)))
    return plane


def key_matte(likely: Floats, luma: Floats) -> Floats:
    """Return about what the key makes of the likelihood of skin on the reduced frame."""
    open_, lit = (np.clip(x, 0, 1) for x in ((likely - 0.25) * 2, (luma - 0.03) * 25))
    matte = open_ * open_ * (3 - 2 * open_) * lit * lit * (3 - 2 * lit)
    return guided(np.asarray(matte, np.float32), luma, 1, 4e-4)


_ROWS, _COLUMNS = ((slice(-1),), (slice(1, None),)), ((slice(None), slice(-1)), (slice(None), slice(1, None)))


def _rim(plane: Floats) -> Floats:
    """Return the largest less the smallest value of 3 × 3 cells, float32.

    As :func:`.morphology.grow` less ``shrink``, to the bit; but their kernels would be two more to compile before a
    first key, for a grid of some thousand cells. They decide where a value is not finite.
    """
    if not np.isfinite(plane).all():
        return np.asarray(grow(plane, 1) - shrink(plane, 1), np.float32)
    return np.asarray(_end(plane, np.maximum) - _end(plane, np.minimum), np.float32)


def _end(plane: Floats, end_of: np.ufunc) -> Floats:
    """Return the largest (or smallest) value of 3 × 3 cells."""
    end = plane
    for before, after in (_ROWS, _COLUMNS):
        own, end = end, end.copy()
        end_of(own[before], end[after], out=end[after])
        end_of(end[before], own[after], out=end[before])
    return end


def steps_of(luma: Floats, u: Floats, v: Floats) -> Floats:
    """Return how much of a rim a pixel is, 0 to 1: steps of luma in stops and of chroma/luma over 3 × 3 pixels."""
    total = np.zeros(luma.shape, np.float32)
    for plane, width in ((np.log2(luma + np.float32(0.05)), 0.8), (u, 0.08), (v, 0.08)):
        total += (_rim(plane) / np.float32(width)) ** 2
    return np.asarray(1 - np.exp(-total), np.float32)


def signs_of(
    matte: Floats, luma: Floats, u: Floats, v: Floats, cuts: Sequence[FaceCut], step: Floats | None = None
) -> Signs:
    """Return the figures by which a matte can be doubted; ``step`` is :func:`steps_of` where it is known.

    >>> flat, half = np.full((8, 8), 0.5, np.float32), np.full((8, 8), 0.4, np.float32)
    >>> signs = signs_of(half, flat, flat, flat, [])
    >>> signs.soft, signs.area, signs.cover
    (1.0, 0.0, None)
    """
    keyed = matte > 0.5
    open_ = int((matte > 0.1).sum())
    edge = _rim(keyed.astype(np.float32)) != 0
    step = steps_of(luma, u, v) if step is None else step
    gradient, stops = _rim(luma), _rim(np.log2(luma + np.float32(0.02)))
    covers = []
    for cut in cuts:
        core = cut.core
        if core.any():
            covers.append(float(keyed[cut.window.slices][core].mean()))
    return Signs(
        soft=int(((matte > 0.1) & (matte < 0.9)).sum()) / max(open_, 1),
        flat=float((step[edge] < 0.3).mean()) if edge.any() else 1.0,
        cover=max(covers) if covers else None,
        area=float(keyed.mean()),
        contrast=float(np.median(gradient[edge])) if edge.any() else 0.0,
        rim=float(np.median(stops[edge])) if edge.any() else math.inf,
    )


def _judged(grow: _Growing, first: _Result) -> _Result:
    """Judge every pixel by what real pictures taught, and keep the key that says so of its colour.

    Where a face joins, what was found counts as much: the mean of both log odds. Where bare skin was looked for, the
    map of it counts most, see :data:`_SHARES`.
    """
    planes: list[Floats | None] = []
    for k, (scene, person) in enumerate(zip(grow.scenes, grow.persons(first.attempt), strict=True)):
        view = first.attempt.view(k)
        if not view.seeds.any():
            planes.append(None)
            continue
        if view.frame.bare is not None and not _sees_the_grown(view.frame.bare, view.likely):
            view = dataclasses.replace(view, frame=dataclasses.replace(view.frame, bare=None))
        told = likely_skin(view, _told(scene, view, grow.keyed[k]), grow.reach)
        if view.frame.bare is not None:
            told = _together((view.frame.bare, told, view.likely), _SHARES)
        elif any(grow.keyed[k]):
            told = _between(told, view.likely)
        planes.append(told if person is None else told * person)
    attempt = _heard(first.attempt, planes, [scene.frame for scene in grow.scenes])
    return _Result(grow.scenes[0], first.frame, grow.keyed[0], grow.within(attempt))


def _as_far_as_an_edge(grow: _Growing, frame: learn.Frame) -> tuple[_Result, bool]:
    """Return the key grown without a face, which says how large a person is, and whether it went on to an edge.

    Where the picture has no edge along nearly all of the matte's, no border of skin stopped the growing, but its reach:
    then it reaches twice as far, and again, until an edge stops it. Not where a short reach is wanted, or where bare
    skin was looked for, whose map shows how far it goes.
    """
    ends = grow.reach < 1 or any(scene.marked.bare is not None for scene in grow.scenes)
    most = _NO_EDGE
    while True:
        best = _judged(grow, _Result(grow.scenes[0], frame, grow.keyed[0], grow()))
        if ends or best.signs.flat < most or not 0 < best.signs.area < 1 or grow.reach >= _FARTHEST:
            return best, best.signs.flat < most < _NO_EDGE
        grow, most = dataclasses.replace(grow, reach=2 * grow.reach), _EDGE


def _as_far_as_faces_fit(scene: _Scene, keyed: Sequence[bool], best: _Result) -> _Result:
    """Return a key whose faces count as far as the map of bare skin bears them out.

    A drawn face also fills what lies before it, a visor or a mask. Where one does not join, which is to hold off
    somebody else's skin, all count.
    """
    bare = scene.frame.bare
    if bare is None or not all(keyed):
        return best
    known, agrees = best, max(join.agreement(best.matte, bare) + _BETTER_OUT, _LEAST_AGREED)
    for trust in _LESS_TRUST:
        trial = _Result(scene, best.frame, keyed, best.attempt, best.boldness, best.second, trust)
        own = join.agreement(trial.matte, bare)
        if own > agrees:
            known, agrees = trial, own
    return known


def _sees_the_grown(bare: Floats, grown: Floats) -> bool:
    """Tell whether a map of bare skin sees enough of what grew from the marks, not the marks alone."""
    seen = float((bare * grown).sum(dtype=np.float64))
    return seen >= _LEAST_SEEN * float(grown.sum(dtype=np.float64))


def _between(one: Floats, other: Floats) -> Floats:
    """Return the likelihood whose odds are the geometric mean of those of two others."""
    odds = np.sqrt((one + _LEAST_ODDS) * (other + _LEAST_ODDS) / ((1 + _LEAST_ODDS - one) * (1 + _LEAST_ODDS - other)))
    return np.asarray(odds / (1 + odds), np.float32)


def _together(planes: Sequence[Floats], shares: Sequence[float]) -> Floats:
    """Return the likelihood whose log odds are the mean of those of others, by their shares."""
    odds = np.zeros_like(planes[0])
    for plane, share in zip(planes, shares, strict=True):
        odds += np.float32(share) * np.log((plane + _LEAST_ODDS) / (1 + _LEAST_ODDS - plane))
    return np.asarray(1 / (1 + np.exp(-odds)), np.float32)


def _told(scene: _Scene, view: learn.View, keyed: Sequence[bool] = ()) -> Told:
    frame, shape = view.frame, view.frame.luma.shape
    cells = scene.cells or faces.cells_of(scene.marked.image)
    matte = key_matte(view.likely, frame.luma)
    known = zip(scene.cuts, scene.marked.faces, keyed or [False] * len(scene.cuts), strict=True)
    joined = [(cut, points) for cut, points, own in known if cut is not None and own]
    evidence, core = None, None
    if joined:
        evidence = evidence_of(scene.cuts, keyed, shape)
        texture = float(np.median(cells.texture[view.seeds].astype(np.float64)))
        matte = join.lay(matte, evidence, join.texture_loss(cells, texture), view.seeds).over(matte)
        core = np.logical_or.reduce([scene.core(cut) for cut, _ in joined])
    signs = signs_of(matte, frame.luma, frame.u, frame.v, [], scene.step)
    placed = tuple(p for _, points in joined if (p := faces.fit(points, shape)) is not None)
    return Told(cells.texture, scene.step, matte, signs.soft, signs.flat, signs.area, evidence, core, placed)


def _heard(first: learn.Attempt, planes: Sequence[Floats | None], frames: Sequence[learn.Frame]) -> learn.Attempt:
    """Return the key by what is said of every pixel, in which every mark is heard: louder where it is not at once."""
    weights = [np.ones(frame.luma.shape, np.float32) for frame in frames]
    marks = [(join.pieces(frame.add)[0], join.pieces(frame.subtract)[0]) for frame in frames]
    attempt = first.told(planes, weights)
    for _ in range(_TIMES):
        missed = False
        for found, weight, (add, subtract) in zip(attempt.likely, weights, marks, strict=True):
            for labels, out in ((add, False), (subtract, True)):
                for k in range(1, int(labels.max()) + 1):
                    here = labels == k
                    mean = float(found[here].mean(dtype=np.float64))
                    if mean > _OUT if out else mean < _HEARD:
                        weight[here] *= np.float32(_LOUDER)
                        missed = True
        if not missed:
            break
        attempt = first.told(planes, weights)
    return attempt


def _with_faces(grow: _Growing, frames: Sequence[learn.Frame]) -> _Result:
    """Return what is kept of a first matte and of the trials.

    Which trial is kept is found without what was subtracted: to take a colour away changes no skin that is looked for.
    Where less than half of it grows again beside the subtracted colours, they stood in the way of the growing: what had
    grown without them stays, and they are taken from its colours alone.
    """
    scene, keyed = grow.scenes[0], grow.keyed[0]
    if not any(frame.subtract.any() for frame in frames):
        return _tried_again(grow, frames[0], _Result(scene, frames[0], keyed, grow()))
    whole = dataclasses.replace(frames[0], subtract=np.zeros_like(frames[0].subtract))
    other = dataclasses.replace(grow, learner=grow.learner.without_subtracted())
    kept = _tried_again(other, whole, _Result(scene, whole, keyed, other()))
    again = _Result(scene, frames[0], keyed, grow(kept.boldness, kept.second), kept.boldness, kept.second)
    if again.signs.area >= _LEAST_LEFT * kept.signs.area:
        return again
    return _Result(scene, frames[0], keyed, grow.learner.subtracted(kept.attempt), kept.boldness, kept.second)


def _tried_again(grow: _Growing, frame: learn.Frame, first: _Result) -> _Result:
    """Learn bolder and with skin in other light, and keep the matte that became surest beside what it grew."""
    if first.signs.soft < _PLAIN:
        return first
    best, most = first, 0.0

    def judge(boldness: learn.Boldness | None = None, second: Floats | None = None) -> None:
        nonlocal best, most
        trial = _Result(grow.scenes[0], frame, grow.keyed[0], grow(boldness, second), boldness, second)
        if _is_surer(first, trial):
            growth = math.log2(trial.signs.area / max(first.signs.area, 1e-6))
            gain = first.signs.soft - trial.signs.soft - _PER_DOUBLING * growth + _PER_RIM * _rim_gain(first, trial)
            if best is first or gain > most:
                best, most = trial, gain

    judge(learn.BOLDER)
    second = _other_light(grow.scenes[0], frame, first, grow.learner.wide[0])
    if second is not None:
        judge(second=second)
    return best


def _is_surer(first: _Result, trial: _Result) -> bool:
    """Tell whether a trial is surer than a first matte: also in what it adds, and with no weaker step at its edge."""
    one, other = first.signs, trial.signs
    most = _MOST_ADDED if one.soft < _VERY_DOUBTFUL else _MOST_ADDED_THERE
    if other.soft > one.soft - _BETTER or other.rim < one.rim or not 0 < other.area < most * one.area:
        return False
    if other.area * trial.matte.size > _MOST_SKIN * first.cores:
        return False
    added = (trial.matte > 0.5) & (first.matte <= 0.5)
    sure = float((trial.matte[added] > 0.8).mean()) if added.any() else 1.0
    return sure + _SURE_PER_RIM * _rim_gain(first, trial) >= _ADDED_SURE


def _rim_gain(first: _Result, trial: _Result) -> float:
    """Return by how many doublings the step of light along the edge grew."""
    one, other = (min(max(result.signs.rim, 0.01), 4.0) for result in (first, trial))
    return math.log2(other / one)


def _other_light(scene: _Scene, frame: learn.Frame, first: _Result, wide: Floats) -> Floats | None:
    """Return the weight of more skin in other light, or None: smooth, near the samples' colours, touching the key."""
    if first.loss is None or not first.core:
        return None
    likely = first.attempt.likely[0]
    around = frame.around if frame.around is not None else np.zeros(likely.shape, np.bool_)
    keyed = likely > 0.5
    smooth = (first.loss < 0.3) & (scene.step < 0.5)
    open_ = (wide > 0.3) & ~keyed & smooth & (frame.luma > 0.03) & ~around
    labels, area = join.pieces(open_, corners=False)
    near = join.grown(keyed, 2)
    out = np.zeros(likely.shape, np.float32)
    for k in range(1, len(area)):
        if not 0.15 * first.core <= area[k] <= 6 * first.core:
            continue
        piece = labels == k
        ring = join.grown(piece, 2) & ~piece
        if near[ring].mean() >= 0.15:
            out[piece] = 0.6 * np.sqrt(wide[piece])
    return out if out.any() else None
