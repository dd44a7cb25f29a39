"""Keyframes: the value of a parameter over time, as knots and a way of going from one to the next."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ...nodes.declare import Param, Value, nearest
from ..describe import can_be_keyed
from .errors import GraphError, shown

WAYS = {
    "linear": "straight from knot to knot",
    "smooth": "rounded, never beyond the two knots at either side",
}
FARTHEST_FRAME = 10**9


@dataclass(frozen=True)
class Keyframes:
    """Knots (frame, value) in rising order of frames; before the first and after the last the value holds.

    Between knots it goes ``linear`` or ``smooth``: the latter is the monotone piecewise cubic of Fritsch and
    Butland (SIAM J. Sci. Stat. Comput. 5, 1984), which never passes the knots at either side, so that a value
    between two allowed values is allowed. Angles are numbers here: from 350 to 10 they go the long way round.
    """

    knots: tuple[tuple[float, Value], ...]
    between: str = "linear"

    @classmethod
    def read(cls, where: str, param: Param, data: Mapping[Any, Any]) -> Keyframes:
        """Return the keyframes in ``{"knots": [[frame, value], …], "between": …}`` for the declared parameter.

        Raises GraphError for a parameter that cannot change over time, unknown words, frames that do not rise
        and lists of points of differing length; ParamError for a value that the parameter does not allow.
        """
        if not can_be_keyed(param):
            raise GraphError(f"{where} cannot change over time: give it one value, {param.rule()}.")
        for key in data:
            if key not in ("knots", "between"):
                raise GraphError(f'{where}: keyframes have "knots" and "between", not {shown(key)}.')
        between = data.get("between", "linear")
        if not isinstance(between, str) or between not in WAYS:
            hint = nearest(between, WAYS) if isinstance(between, str) else ""
            raise GraphError(f'{where}: "between" must be {" or ".join(WAYS)}, not {shown(between)}. {hint}'.rstrip())
        knots = _knots(where, param, data.get("knots"))
        return cls(knots, between)

    def value_at(self, frame: float) -> Value:
        """Return the value at a frame, which may lie between two whole frames."""
        after = bisect_right(self.knots, frame, key=lambda knot: knot[0])
        if after == 0 or after == len(self.knots):
            return self.knots[min(after, len(self.knots) - 1)][1]
        if self.between == "linear":
            window, at, curve = self.knots[after - 1 : after + 1], 0, _straight
        else:
            first = max(after - 2, 0)
            window, at, curve = self.knots[first : after + 2], after - 1 - first, _rounded
        frames = [knot[0] for knot in window]
        value: Value = _each(lambda values: curve(frames, values, at, frame), [knot[1] for knot in window])
        return value

    def plain(self) -> dict[str, Any]:
        """Return the keyframes as JSON data."""
        return {"knots": [[frame, _lists(value)] for frame, value in self.knots], "between": self.between}


def _knots(where: str, param: Param, data: Any) -> tuple[tuple[float, Value], ...]:
    if not isinstance(data, list | tuple) or not data:
        raise GraphError(f'{where}: "knots" must be a list of at least one [frame, value], not {shown(data)}.')
    knots: list[tuple[float, Value]] = []
    for item in data:
        if not isinstance(item, list | tuple) or len(item) != 2 or not _is_frame(item[0]):
            raise GraphError(f"{where}: a knot must be [frame, value] with a finite frame number, not {shown(item)}.")
        frame = item[0]
        if knots and frame <= knots[-1][0]:
            raise GraphError(
                f"{where}: the frames of knots must rise, but {frame:g} follows {knots[-1][0]:g}: "
                "sort the knots and keep one for each frame."
            )
        value = param.check(f"{where} at frame {frame:g}", item[1])
        if param.kind == "points" and knots and len(value) != len(knots[0][1]):  # type: ignore[arg-type]
            raise GraphError(
                f"{where}: every knot must have as many points as the first, "
                f"{len(knots[0][1])}, not {len(value)} (frame {frame:g})."  # type: ignore[arg-type]
            )
        knots.append((frame, value))
    return tuple(knots)


def _is_frame(frame: Any) -> bool:
    if isinstance(frame, bool) or not isinstance(frame, int | float):
        return False
    return -FARTHEST_FRAME <= frame <= FARTHEST_FRAME


def _lists(value: Any) -> Any:
    return [_lists(item) for item in value] if isinstance(value, tuple) else value


def _each(curve: Callable[[list[Any]], float], values: list[Any]) -> Any:
    """Apply the curve to numbers, or number by number to tuples of equal length; whole numbers stay whole."""
    if isinstance(values[0], tuple):
        return tuple(_each(curve, list(items)) for items in zip(*values, strict=True))
    result = curve(values)
    return math.floor(result + 0.5) if isinstance(values[0], int) else result


def _straight(frames: Sequence[float], values: Sequence[float], at: int, frame: float) -> float:
    t = (frame - frames[at]) / (frames[at + 1] - frames[at])
    return _limit(values[at] * (1 - t) + values[at + 1] * t, values[at], values[at + 1])


def _rounded(frames: Sequence[float], values: Sequence[float], at: int, frame: float) -> float:
    """The cubic between knots ``at`` and ``at + 1`` of a window of two to four neighbouring knots."""
    step = frames[at + 1] - frames[at]
    t = (frame - frames[at]) / step
    leaving, arriving = (step * _slope(frames, values, knot) for knot in (at, at + 1))
    start, end = values[at], values[at + 1]
    value = (
        start * (1 + 2 * t) * (1 - t) ** 2
        + end * t * t * (3 - 2 * t)
        + leaving * t * (1 - t) ** 2
        + arriving * t * t * (t - 1)
    )
    return _limit(value, start, end)


def _slope(frames: Sequence[float], values: Sequence[float], knot: int) -> float:
    """The slope at a knot: a weighted harmonic mean of the slopes beside it, 0 where they disagree in sign."""
    steps = [frames[i + 1] - frames[i] for i in range(len(frames) - 1)]
    chords = [(values[i + 1] - values[i]) / steps[i] for i in range(len(steps))]
    if len(chords) == 1:
        return chords[0]
    if knot == 0:
        return _end_slope(steps[0], steps[1], chords[0], chords[1])
    if knot == len(chords):
        return _end_slope(steps[-1], steps[-2], chords[-1], chords[-2])
    left, right = chords[knot - 1], chords[knot]
    if not (left > 0 < right or left < 0 > right):
        return 0.0
    near, far = steps[knot] + 2 * steps[knot - 1], 2 * steps[knot] + steps[knot - 1]
    return (near + far) / (far / left + near / right)


def _end_slope(step: float, next_step: float, chord: float, next_chord: float) -> float:
    """The slope at an end: three-point formula, held to the shape (Moler, Numerical Computing, section 3.6)."""
    slope = ((2 * step + next_step) * chord - step * next_chord) / (step + next_step)
    if slope * chord <= 0:
        return 0.0
    if chord * next_chord <= 0 and abs(slope) > 3 * abs(chord):
        return 3 * chord
    return slope


def _limit(value: float, one: float, other: float) -> float:
    return min(max(value, min(one, other)), max(one, other))


# --- making knots -------------------------------------------------------------------------------------------


def thinned(knots: Sequence[tuple[float, Value]], tolerance: float) -> tuple[tuple[float, Value], ...]:
    """Leave out knots that straight lines between the others pass within the tolerance.

    Source: D. Douglas and T. Peucker, "Algorithms for the reduction of the number of points required to represent a
    digitized line", Cartographica 10, 1973, with the distance taken along the value.
    """
    kept = {0, len(knots) - 1}
    spans = [(0, len(knots) - 1)]
    while spans:
        first, last = spans.pop()
        between = Keyframes((knots[first], knots[last])) if last - first > 1 else None
        if between is None:
            continue
        away = [(_apart(between.value_at(knots[i][0]), knots[i][1]), -i) for i in range(first + 1, last)]
        farthest, at = max(away)
        if farthest > tolerance:
            kept.add(-at)
            spans += [(first, -at), (-at, last)]
    return tuple(knots[i] for i in sorted(kept))


def _apart(one: Any, other: Any) -> float:
    """The largest difference between two numbers, or between the numbers of two tuples."""
    if isinstance(one, tuple):
        return max(map(_apart, one, other), default=0.0)
    return abs(float(one) - float(other))
