"""Approach: how skin is brought to a target that is read behind something that moves it, a view or further steps."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field

from ...kernels.angles import wrapped
from ...nodes import SkinTarget, SteerSkin, beyond

ROUNDS = 10
"""Steps after which a target counts as out of reach."""

_NEARER = 0.99
"""What must be left of a miss for an aim to count as nearer: less is noise of the reading."""
_NEAR = 0.02
"""Degrees that are near enough; and a tenth of it, as a part of the saturation."""

_LEAST_SLOPE, _MOST_SLOPE = 0.125, 8.0
_MOST_TURN, _MOST_FACTOR, _MOST_RATIO = 45.0, math.log(2.0), 2.0


class _Way:
    """Steps toward a zero of what is missing: by what the last step did, and between two steps that lie round it."""

    def __init__(self, most: float) -> None:
        self.most, self.at, self.tried = most, 0.0, list[tuple[float, float]]()

    def step(self, missing: float) -> float:
        """Return where to go next, given what is missing where the last step led."""
        slope = 1.0
        if self.tried and self.at != self.tried[-1][0]:
            before, then = self.tried[-1]
            slope = (then - missing) / (self.at - before)
            slope = math.copysign(min(max(abs(slope), _LEAST_SLOPE), _MOST_SLOPE), slope)
        self.tried.append((self.at, missing))
        there = self.at + min(max(missing / slope, -self.most), self.most)
        beside = self._beside(missing)
        if beside is not None and not min(beside, self.at) < there < max(beside, self.at):
            there = (beside + self.at) / 2
        self.at = there
        return there

    def _beside(self, missing: float) -> float | None:
        """Return the nearest place where the other side of the target was reached."""
        other = [at for at, then in self.tried if then * missing < 0 and abs(then - missing) < 180]
        return min(other, key=lambda at: abs(at - self.at), default=None)


@dataclass
class Approach:
    """Aims that bring skin to a target as it is read, one after the other.

    A view may turn the skin several times as far as it is turned before it, or hardly at all, so that adding what is
    missed would run away or never arrive: each aim goes by what the last one did. Where no saturation is asked for, it
    stays as it is before the view.

    :ivar target: what is to be read. :ivar aim: what to solve for next. :ivar best: the aim that came nearest.

    Read what a steering solved for ``aim`` still misses, hand it to :meth:`follow`, solve again while that is true,
    and take ``best``.

    >>> approach = Approach(SkinTarget(angle=123.0))
    >>> while approach.follow(SteerSkin(angle=123.0 - (3 * approach.aim.angle - 250.0))):
    ...     pass
    >>> round(approach.best.angle, 2), approach.reached
    (124.33, True)
    """

    target: SkinTarget
    aim: SkinTarget = field(init=False)
    best: SkinTarget = field(init=False)

    def __post_init__(self) -> None:
        self.aim = self.best = self.target
        self._turn, self._factor, self._rounds = _Way(_MOST_TURN), _Way(_MOST_FACTOR), 0
        self._nearest = math.inf
        self._missing = 0.0

    def follow(self, miss: SteerSkin) -> bool:
        """Set the next aim by what is missed: the steering that the skin still needs. False where it is near enough.

        False as well after :data:`ROUNDS` steps: the target is out of reach then, and ``best`` what came nearest.
        """
        far = abs(miss.angle) / _NEAR, abs(math.log(max(miss.saturation, 1e-3))) / (_NEAR / 10)
        if math.hypot(*far) < _NEARER * self._nearest:
            self._nearest, self.best, self._missing = math.hypot(*far), self.aim, miss.angle
        self._rounds += 1
        if max(far) < 1 or self._rounds > ROUNDS:
            return False
        angle = self.target.angle + self._turn.step(miss.angle)
        ratio = self.target.ratio
        if ratio is not None:
            ratio = min(ratio * math.exp(self._factor.step(math.log(max(miss.saturation, 1e-3)))), _MOST_RATIO)
        self.aim = dataclasses.replace(self.target, angle=wrapped(angle), ratio=ratio)
        return True

    @property
    def reached(self) -> bool:
        """Whether the hue came as near as is not worth telling."""
        return not beyond("missed hue", self._missing)
