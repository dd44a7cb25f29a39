"""Drift: how far skin wanders inside one clip under a constant correction, and keyframed solves that follow it.

A clip is looked at in a few frames. To follow a drift, the steering is solved on many frames, smoothed between cuts
and written as keyframes; across a cut the value jumps from one frame to the next.

Only the steering is keyed, never the balance: without a neutral in every frame the light is read from edges, which
change with what is in view. Measured with a pan over the generated workshop in one light, that is 60 mired from end to
end; the background would breathe with the camera. So the key goes on reading drifting light: see the limits in
`follow_drift`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ...kernels.angles import wrapped
from ...kernels.arrays import Floats, as_picture
from ...kernels.colour import rgb_to_ycbcr
from ...kernels.errors import InkarnatError
from ...nodes import ReadingError, SteerSkin, measure_skin
from ..graphs.graph import Graph
from ..graphs.keyframes import Keyframes, thinned
from ..graphs.runner import Runner
from ..graphs.standard import Keyed
from .sampling import spread

Read = Callable[[int], Floats]
"""Returns the picture at a frame."""

LOOKED_AT = 9
MOST_SOLVES = 150

_SPAN = 8.0
"""Standard deviation, in frames, of the window that smooths the solved values."""
_TOLERANCE = {"angle": 0.02, "shadow_angle": 0.02, "saturation": 0.001}


class Solve(Protocol):
    """Solves one person's steering on a frame."""

    def __call__(self, image: Floats, matte: Floats) -> SteerSkin:
        """Return the steering for the picture and matte that the steering node reads."""


@dataclass(frozen=True)
class Drift:
    """How the skin's hue moves through a clip before it is steered.

    :ivar angles: (frame, degrees) where skin could be read, as far as the frame lies from the first of them.
    :ivar unread: frames that were looked at and show no skin. :ivar ratios: chroma/luma on each frame of ``angles``.
    """

    angles: tuple[tuple[int, float], ...]
    unread: tuple[int, ...] = ()
    ratios: tuple[float, ...] = ()

    @property
    def span(self) -> float:
        """Degrees between the yellowest and the reddest frame."""
        values = [angle for _, angle in self.angles]
        return max(values) - min(values) if values else 0.0

    def as_dict(self) -> dict[str, Any]:
        """Return the drift as plain JSON data."""
        return {"span": self.span, "angles": [[frame, round(angle, 3)] for frame, angle in self.angles]}


@dataclass(frozen=True)
class Wander:
    """How far skin wanders through a clip under one correction.

    :ivar span: degrees of hue between the farthest frames. :ivar cut: the first frame behind a cut, None without one.
    :ivar across: degrees by which the skin behind the cut lies from that before it. :ivar paled: the factor on its
        saturation there.
    """

    span: float = 0.0
    cut: int | None = None
    across: float = 0.0
    paled: float = 1.0

    @classmethod
    def of(cls, seen: Sequence[tuple[int, float, float]], cut: int | None) -> Wander:
        """Return how far skin wanders over frames on which it was read.

        :param seen: (frame, degrees, chroma/luma), the degrees unwrapped. :param cut: the first frame behind a cut.

        >>> Wander.of([(1, 0.0, 0.2), (5, 0.4, 0.2), (12, 3.0, 0.1)], 10)
        Wander(span=3.0, cut=10, across=2.8, paled=0.5)
        """
        angles = [angle for _, angle, _ in seen]
        span = max(angles) - min(angles) if angles else 0.0
        before = [each[1:] for each in seen if cut is not None and each[0] < cut]
        behind = [each[1:] for each in seen if cut is not None and each[0] >= cut]
        if not before or not behind:
            return cls(span, cut)
        (angle, ratio), (other, another) = (np.median(side, axis=0) for side in (before, behind))
        return cls(span, cut, float(other - angle), float(another / max(ratio, 1e-6)))


def measure_drift(graph: Graph, read: Read, frames: Sequence[int], steer: str = "steer") -> Drift:
    """Read the skin before it is steered, on a few frames of a clip.

    :param graph: the correction. :param read: the picture of the plate at a frame. :param steer: id of the steering.
    """
    probe, seen, unread = _Probe(graph, steer, read, frames), [], []
    for frame in spread(frames, LOOKED_AT):
        try:
            seen.append((frame, measure_skin(*probe.at(frame))))
        except ReadingError:
            unread.append(frame)
    angles = tuple((frame, wrapped(reading.angle - seen[0][1].angle)) for frame, reading in seen)
    return Drift(angles, tuple(unread), tuple(reading.ratio for _, reading in seen))


class _Probe:
    """Gives what a steering node of a graph reads at a frame: picture and matte."""

    def __init__(self, graph: Graph, steer: str, read: Read, frames: Sequence[int]) -> None:
        self.runner, self.inputs = Runner(graph), dict(graph.by_id[steer].inputs)
        self.read, self.first, self.last = read, frames[0], frames[-1]

    def at(self, frame: int) -> tuple[Floats, Floats]:
        made = self.runner.values(frame, lambda _, f: self.read(min(max(f, self.first), self.last)), self.inputs)
        return made["image"], made["matte"]


# --- following ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Followed:
    """The keyframes that follow a drift, and the cuts at which they were split.

    :ivar keyed: by id of the steering. :ivar cuts: first frame of every further shot.
    :ivar unread: frames that were tried and showed too little skin.
    """

    keyed: Mapping[str, Keyed]
    cuts: tuple[int, ...]
    unread: tuple[int, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return what was done as plain JSON data."""
        counts = {id: {name: len(keys.pairs) for name, keys in keyed} for id, keyed in self.keyed.items()}
        return {"cuts": list(self.cuts), "unread": list(self.unread), "keyframes": counts}


def follow_drift(
    graph: Graph,
    read: Read,
    frames: Sequence[int],
    solves: Mapping[str, Solve],
    told: Callable[[int], object] | None = None,
) -> Followed:
    """Solve steerings through a clip and return them as smoothed keyframes, split at cuts.

    :param graph: the correction. :param read: the picture of the plate at a frame. :param frames: of the clip, rising.
    :param solves: how to solve each steering, by its id. :param told: called with each frame that is done.

    At most :data:`MOST_SOLVES` frames are solved, evenly spread, and both sides of every cut. Each shot is smoothed by
    local straight lines, a frame that stands out counting less: the same slope in the middle and at the ends.

    Over a ramp of 30 mired (generated, six depths of skin, the correction solved in the middle) the hue under the true
    matte stays within 1° of its target for five depths and within 2.9° for one, whose key loses a quarter of the
    skin at the cool end; without following it leaves by up to 7.2°. Steps stay below .2° a frame for
    five depths; very light skin itself turns by more, and the steps with it: .27°.
    Source: W. Cleveland, "Robust locally weighted regression", J. Am. Stat. Assoc. 74, 1979, with a Gaussian window.
    """
    cuts = find_cuts(read, frames)
    numbers = sorted({*spread(frames, MOST_SOLVES), *_beside(cuts, frames)})
    probes = {id: _Probe(graph, id, read, frames) for id in solves}
    solved: dict[str, dict[int, SteerSkin]] = {id: {} for id in solves}
    unread = set()
    for frame in numbers:
        for id, probe in probes.items():
            try:
                solved[id][frame] = solves[id](*probe.at(frame))
            except ReadingError:
                unread.add(frame)
        if told is not None:
            told(frame)
    keyed = {id: _keyframes(found, cuts, frames) for id, found in solved.items() if found}
    return Followed(keyed, cuts, tuple(sorted(unread)))


def _beside(cuts: Sequence[int], frames: Sequence[int]) -> list[int]:
    """The last frame before and the first after every cut."""
    places = [frames.index(cut) for cut in cuts]
    return [frames[place + side] for place in places for side in (-1, 0)]


def _keyframes(solved: Mapping[int, SteerSkin], cuts: Sequence[int], frames: Sequence[int]) -> Keyed:
    keyed = []
    shots = _shots(sorted(solved), cuts)
    for name, tolerance in _TOLERANCE.items():
        pairs: list[tuple[float, float]] = []
        for shot, (start, end) in shots:
            values = np.array([getattr(solved[frame], name) for frame in shot], np.float64)
            if name != "saturation":
                values = np.degrees(np.unwrap(np.radians(values)))
            own = zip(shot, _smoothed(np.array(shot, np.float64), values), strict=True)
            pairs += _held(list(thinned(list(own), tolerance)), start, end, frames)  # type: ignore[arg-type]
        if max(value for _, value in pairs) - min(value for _, value in pairs) > tolerance:
            keyed.append((name, Keyframes(tuple(pairs))))
    return tuple(keyed)


def _shots(numbers: Sequence[int], cuts: Sequence[int]) -> list[tuple[list[int], tuple[int | None, int | None]]]:
    """Return the solved frames of each shot that has any, with the frames at which it begins and the next one does."""
    ends: list[int | None] = [None, *cuts, None]
    shots = []
    for start, end in itertools.pairwise(ends):
        own = [n for n in numbers if (start is None or n >= start) and (end is None or n < end)]
        if own:
            shots.append((own, (start, end)))
    return shots


def _held(
    pairs: list[tuple[float, float]], start: int | None, end: int | None, frames: Sequence[int]
) -> list[tuple[float, float]]:
    """Hold the first and last value of a shot up to its cuts, so that it never slides into the next one."""
    if start is not None and pairs[0][0] > start:
        pairs.insert(0, (start, pairs[0][1]))
    if end is not None:
        last = frames[frames.index(end) - 1]
        if pairs[-1][0] < last:
            pairs.append((last, pairs[-1][1]))
    return pairs


def _smoothed(at: NDArray[np.float64], values: NDArray[np.float64]) -> list[float]:
    """Fit a straight line round each value, frames far off or standing out counting less."""
    if len(values) < 3:
        return [float(value) for value in values]
    gaps = float(np.diff(at).max())
    near = np.exp(-0.5 * ((at[:, None] - at[None, :]) / max(_SPAN, 1.5 * gaps)) ** 2)
    trust = np.ones_like(values)
    fitted = values
    for _ in range(3):
        fitted = np.array(
            [_line_at(at, values, weights * trust, place) for place, weights in zip(at, near, strict=True)]
        )
        away = np.abs(values - fitted)
        usual = max(6 * float(np.median(away)), 1e-9)
        trust = np.maximum(1 - np.minimum(away / usual, 1) ** 2, 1e-3) ** 2
    return [float(value) for value in fitted]


def _line_at(at: NDArray[np.float64], values: NDArray[np.float64], weights: NDArray[np.float64], place: float) -> float:
    total = weights.sum()
    middle, level = (weights * at).sum() / total, (weights * values).sum() / total
    width = (weights * (at - middle) ** 2).sum()
    slope = (weights * (at - middle) * (values - level)).sum() / width if width > 1e-9 else 0.0
    return float(level + slope * (place - middle))


# --- cuts ---------------------------------------------------------------------------------------------------

_STRIDE = 8
_SUSPECT, _CUT, _STANDS_OUT = 0.25, 0.30, 3.0
_MOST_PIXELS = 40_000
_MOST_GAPS = 2
_LUMA_BINS, _CHROMA_BINS = 12, 10


def find_cuts(read: Read, frames: Sequence[int]) -> tuple[int, ...]:
    """Return the first frame of every shot but the first.

    Every eighth frame is looked at; where two of them differ by more than a quarter of their colour histograms the
    frames between are compared one by one. A cut changes at least 30 % of the histogram in one step, three times as
    much as the steps around it. A dissolve is no cut. (Histogram difference: common practice, no source.)
    """
    marks = sorted({*range(0, len(frames), _STRIDE), len(frames) - 1})
    seen = {mark: _histogram(read(frames[mark])) for mark in marks[:1]}
    cuts = []
    for first, last in itertools.pairwise(marks):
        seen = {first: seen[first], last: _histogram(read(frames[last]))}
        if _difference(seen[first], seen[last]) <= _SUSPECT:
            continue
        for place in range(first + 1, last):
            seen[place] = _histogram(read(frames[place]))
        steps = [_difference(seen[place - 1], seen[place]) for place in range(first + 1, last + 1)]
        usual = float(np.median(steps)) if len(steps) > 1 else 0.0
        cuts += [frames[first + 1 + k] for k, d in enumerate(steps) if d > _CUT and d > _STANDS_OUT * usual]
    return tuple(cuts)


class CutFinder:
    """Finds a cut between frames of a clip that were looked at, and reads few others for it.

    :param read: the picture at a frame. :param frames: all that count, rising.
    """

    def __init__(self, read: Read, frames: Sequence[int]) -> None:
        self._read, self._frames = read, frames
        self._seen: dict[int, NDArray[np.float64]] = {}

    def see(self, frame: int, picture: Floats) -> None:
        """Take note of a frame as it is looked at."""
        self._seen[frame] = _histogram(picture)

    def first(self) -> int | None:
        """Return the first frame behind a cut, None where none is found: see :func:`find_cuts` for what one is.

        Where two frames that were looked at differ enough, it is searched for by halves, in the two widest such gaps.
        """
        steps = itertools.pairwise(sorted(self._seen))
        gaps = [(_difference(self._seen[a], self._seen[b]), a, b) for a, b in steps]
        wide = sorted((gap for gap in gaps if gap[0] > _SUSPECT), reverse=True)[:_MOST_GAPS]
        try:
            return min((cut for _, a, b in wide if (cut := self._between(a, b)) is not None), default=None)
        except InkarnatError:
            return None  # a frame that cannot be read: whoever needs it says so

    def _between(self, first: int, last: int) -> int | None:
        low, high = self._frames.index(first), self._frames.index(last)
        known: dict[int, NDArray[np.float64]] = {}

        def step(one: int, other: int) -> float:
            for place in (one, other):
                if place not in known:
                    known[place] = _histogram(self._read(self._frames[place]))
            return _difference(known[one], known[other])

        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if step(low, middle) >= step(middle, high) else (middle, high)
        before, behind = max(low - 1, 0), min(high + 1, len(self._frames) - 1)
        beside = [step(one, other) for one, other in ((before, low), (high, behind)) if one != other]
        calm = [each for each in beside if each <= _CUT] or beside  # a black frame between two shots is two jumps
        usual = float(np.median(calm)) if calm else 0.0
        is_flash = min(step(before, high), step(low, behind)) <= _CUT  # the same shot goes on behind one odd frame
        return self._frames[high] if step(low, high) > max(_CUT, _STANDS_OUT * usual) and not is_flash else None


def _histogram(picture: Floats) -> NDArray[np.float64]:
    """Return the shares of the pixels in cells of Y′, Cb and Cr."""
    picture = as_picture(picture)
    step = max(1, int((picture.shape[0] * picture.shape[1] / _MOST_PIXELS) ** 0.5))
    few = np.nan_to_num(np.ascontiguousarray(picture[::step, ::step, :3]), nan=0.0, posinf=1.0, neginf=0.0)
    y, cb, cr = np.moveaxis(rgb_to_ycbcr(few), -1, 0)
    cell = _bin(y, 0, 1, _LUMA_BINS)
    for plane in (cb, cr):
        cell = cell * _CHROMA_BINS + _bin(plane, -0.25, 0.25, _CHROMA_BINS)
    counts = np.bincount(cell.ravel(), minlength=_LUMA_BINS * _CHROMA_BINS**2)
    shares: NDArray[np.float64] = counts / counts.sum()
    return shares


def _bin(plane: Floats, low: float, high: float, count: int) -> NDArray[np.int64]:
    return np.clip(((plane - low) * (count / (high - low))).astype(np.int64), 0, count - 1)


def _difference(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """The share of the pixels that would have to change cells: 0 to 1."""
    return float(np.abs(one - other).sum()) / 2
