"""Keyframes: the value of a parameter over time, as (frame, value) pairs and a way of going from one to the next."""

from __future__ import annotations

import math
import warnings
from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ...nodes.declare import Param, Value, nearest
from ..describe import can_be_keyed
from .errors import GraphError, shown

WAYS = {
    "linear": "straight from keyframe to keyframe",
    "smooth": "rounded, never beyond the two keyframes at either side",
}
FARTHEST_FRAME = 10**9
WORD, OLD_WORD = "keyframes", "knots"
"""What the pairs are called in JSON since format 2, and in format 1."""


@dataclass(frozen=True)
class Keyframes:
    """Pairs (frame, value) in rising order of frames; before the first and after the last the value holds.

    Between keyframes it goes ``linear`` or ``smooth``: the latter is the monotone piecewise cubic of Fritsch and
    Butland (SIAM J. Sci. Stat. Comput. 5, 1984), which never passes the keyframes at either side, so that a value
    between two allowed values is allowed. Angles are numbers here: from 350 to 10 they go the long way round.
    """

    pairs: tuple[tuple[float, Value], ...]
    between: str = "linear"

    @classmethod
    def read(cls, where: str, param: Param, data: Mapping[Any, Any]) -> Keyframes:
        """Return the keyframes in ``{"keyframes": [[frame, value], …], "between": …}`` for the declared parameter.

        Format 1 of graphs says ``knots`` for ``keyframes``.

        Raises GraphError for a parameter that cannot change over time, unknown words, frames that do not rise
        and lists of points of differing length; ParamError for a value that the parameter does not allow.
        """
        if not can_be_keyed(param):
            raise GraphError(f"{where} cannot change over time: give it one value, {param.rule()}.")
        for key in data:
            if key not in (WORD, OLD_WORD, "between"):
                raise GraphError(f'{where}: keyframes have "{WORD}" and "between", not {shown(key)}.')
        if WORD in data and OLD_WORD in data:
            raise GraphError(f'{where}: give "{WORD}" alone; "{OLD_WORD}" is its name in format 1.')
        between = data.get("between", "linear")
        if not isinstance(between, str) or between not in WAYS:
            hint = nearest(between, WAYS) if isinstance(between, str) else ""
            raise GraphError(f'{where}: "between" must be {" or ".join(WAYS)}, not {shown(between)}. {hint}'.rstrip())
        return cls(_read_pairs(where, param, data.get(WORD, data.get(OLD_WORD))), between)

    @property
    def knots(self) -> tuple[tuple[float, Value], ...]:
        """The name that version 0.1 gave to the pairs."""
        warnings.warn("Keyframes.knots is now called Keyframes.pairs.", DeprecationWarning, stacklevel=2)
        return self.pairs

    def value_at(self, frame: float) -> Value:
        """Return the value at a frame, which may lie between two whole frames."""
        after = bisect_right(self.pairs, frame, key=lambda pair: pair[0])
        if after == 0 or after == len(self.pairs):
            return self.pairs[min(after, len(self.pairs) - 1)][1]
        if self.between == "linear":
            window, at, curve = self.pairs[after - 1 : after + 1], 0, _straight
        else:
            first = max(after - 2, 0)
            window, at, curve = self.pairs[first : after + 2], after - 1 - first, _rounded
        frames = [pair[0] for pair in window]
        value: Value = _each(lambda values: curve(frames, values, at, frame), [pair[1] for pair in window])
        return value

    def plain(self, word: str = WORD) -> dict[str, Any]:
        """Return the keyframes as JSON data, the pairs under ``word``."""
        return {word: [[frame, _lists(value)] for frame, value in self.pairs], "between": self.between}


def _read_pairs(where: str, param: Param, data: Any) -> tuple[tuple[float, Value], ...]:
    if not isinstance(data, list | tuple) or not data:
        raise GraphError(f'{where}: "{WORD}" must be a list of at least one [frame, value], not {shown(data)}.')
    pairs: list[tuple[float, Value]] = []
    for item in data:
        if not isinstance(item, list | tuple) or len(item) != 2 or not _is_frame(item[0]):
            raise GraphError(
                f"{where}: a keyframe must be [frame, value] with a finite frame number, not {shown(item)}."
            )
        frame = item[0]
        if pairs and frame <= pairs[-1][0]:
            raise GraphError(
                f"{where}: the frames of keyframes must rise, but {frame:g} follows {pairs[-1][0]:g}: "
                "sort them and keep one for each frame."
            )
        value = param.check(f"{where} at frame {frame:g}", item[1])
        if param.kind == "points" and pairs and len(value) != len(pairs[0][1]):  # type: ignore[arg-type]
            raise GraphError(
                f"{where}: every keyframe must have as many points as the first, "
                f"{len(pairs[0][1])}, not {len(value)} (frame {frame:g})."  # type: ignore[arg-type]
            )
        pairs.append((frame, value))
    return tuple(pairs)


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
    """The cubic between the keyframes ``at`` and ``at + 1`` of a window of two to four neighbours."""
    step = frames[at + 1] - frames[at]
    t = (frame - frames[at]) / step
    leaving, arriving = (step * _slope(frames, values, place) for place in (at, at + 1))
    start, end = values[at], values[at + 1]
    value = (
        start * (1 + 2 * t) * (1 - t) ** 2
        + end * t * t * (3 - 2 * t)
        + leaving * t * (1 - t) ** 2
        + arriving * t * t * (t - 1)
    )
    return _limit(value, start, end)


def _slope(frames: Sequence[float], values: Sequence[float], place: int) -> float:
    """The slope at a keyframe: a weighted harmonic mean of the slopes beside it, 0 where they disagree in sign."""
    steps = [frames[i + 1] - frames[i] for i in range(len(frames) - 1)]
    chords = [(values[i + 1] - values[i]) / steps[i] for i in range(len(steps))]
    if len(chords) == 1:
        return chords[0]
    if place == 0:
        return _end_slope(steps[0], steps[1], chords[0], chords[1])
    if place == len(chords):
        return _end_slope(steps[-1], steps[-2], chords[-1], chords[-2])
    left, right = chords[place - 1], chords[place]
    if not (left > 0 < right or left < 0 > right):
        return 0.0
    near, far = steps[place] + 2 * steps[place - 1], 2 * steps[place] + steps[place - 1]
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


# --- making keyframes ---------------------------------------------------------------------------------------


def thinned(pairs: Sequence[tuple[float, Value]], tolerance: float) -> tuple[tuple[float, Value], ...]:
    """Leave out keyframes that straight lines between the others pass within the tolerance.

    Source: D. Douglas and T. Peucker, "Algorithms for the reduction of the number of points required to represent a
    digitized line", Cartographica 10, 1973, with the distance taken along the value.
    """
    kept = {0, len(pairs) - 1}
    spans = [(0, len(pairs) - 1)]
    while spans:
        first, last = spans.pop()
        between = Keyframes((pairs[first], pairs[last])) if last - first > 1 else None
        if between is None:
            continue
        away = [(_apart(between.value_at(pairs[i][0]), pairs[i][1]), -i) for i in range(first + 1, last)]
        farthest, at = max(away)
        if farthest > tolerance:
            kept.add(-at)
            spans += [(first, -at), (-at, last)]
    return tuple(pairs[i] for i in sorted(kept))


def _apart(one: Any, other: Any) -> float:
    """The largest difference between two numbers, or between the numbers of two tuples."""
    if isinstance(one, tuple):
        return max(map(_apart, one, other), default=0.0)
    return abs(float(one) - float(other))
