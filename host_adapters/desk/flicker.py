"""Flicker: how much a person's skin jumps from frame to frame, and on which frames the most."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...kernels.angles import wrapped
from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from ...nodes import LIMITS, ReadingError, SkinReading, measure_skin
from ..graphs.runner import Runner
from .reel import Reel
from .seeing import Seeing
from .solving import matte_origin, result_origin
from .state import State
from .task import Task
from .work import MOVING, fitted

_LEVEL, _AREA = 0.01, 0.05
"""Jumps of the level, in parts of white, and of the keyed area, in parts of itself, that count as much as the limit of
the hue: chosen."""

_MOST_WORST = 12


@dataclass(frozen=True)
class Flicker:
    """The jumps of a stretch of frames.

    :ivar look: the settings that they were measured with. :ivar angle, level, area: root mean squares of the steps
        between neighbours, divided by √2: for readings that scatter about a steady value their standard deviation.
        Degrees, parts of white, parts of the median area. :ivar jumps: (frame, size), 1 for a jump at the limit.
    """

    look: str
    suffix: str
    angle: float
    level: float
    area: float
    jumps: tuple[tuple[int, float], ...]

    @property
    def worst(self) -> tuple[int, ...]:
        """The frames with the largest jumps, those beyond the limit alone, the worst first."""
        large = sorted((jump for jump in self.jumps if jump[1] >= 1), key=lambda jump: -jump[1])
        return tuple(frame for frame, _ in large[:_MOST_WORST])

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON data."""
        jumps = [[frame, round(size, 3)] for frame, size in self.jumps]
        return {**dataclasses.asdict(self), "jumps": jumps, "worst": self.worst}


def flicker_of(readings: Mapping[int, SkinReading | None], look: str = "", suffix: str = "") -> Flicker | None:
    """Return the flicker of readings by frame, None without two frames with skin that follow one another."""
    steps = []
    frames = sorted(readings)
    gap = min((b - a for a, b in itertools.pairwise(frames)), default=1)
    for first, second in itertools.pairwise(frames):
        one, other = readings[first], readings[second]
        if second == first + gap and one is not None and other is not None:
            turn = wrapped(other.angle - one.angle)
            steps.append((second, turn, other.luma[1] - one.luma[1], other.area - one.area))
    if not steps:
        return None
    middle = float(np.median([reading.area for reading in readings.values() if reading is not None])) or 1.0
    limit = LIMITS["flicker"].check or 0.5
    jumps = [
        (frame, max(abs(turn) / limit, abs(level) / _LEVEL, abs(area) / middle / _AREA))
        for frame, turn, level, area in steps
    ]

    def spread(values: Sequence[float]) -> float:
        return math.sqrt(sum(value * value for value in values) / len(values) / 2)

    _, turns, levels, areas = zip(*steps, strict=True)
    return Flicker(look, suffix, spread(turns), spread(levels), spread(areas) / middle, tuple(jumps))


def measured(
    reel: Reel, state: State, suffix: str, frames: Sequence[int], seeing: Seeing, task: Task
) -> dict[int, SkinReading | None]:
    """Return what a person's skin reads on frames, small; None where there is none or the frame cannot be read."""
    matte = matte_origin(state, suffix)
    if matte is None:
        return {}
    outputs = (("result", result_origin(state)), ("matte", matte))
    runner = Runner(dataclasses.replace(state.graph, outputs=outputs))
    found: dict[int, SkinReading | None] = {}
    with reel.open() as clip:
        ends = clip.frames[0], clip.frames[-1]

        def plate(_: str, at: int) -> Floats:
            return np.ascontiguousarray(fitted(clip.read(min(max(at, ends[0]), ends[1])), MOVING), np.float32)

        for frame in frames:
            try:
                made = runner.run_frame(frame, plate)
                found[frame] = measure_skin(seeing.view(made["result"]), made["matte"])
            except (ReadingError, InkarnatError):
                found[frame] = None
            task.step()
    return found
