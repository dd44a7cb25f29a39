"""Carrying: the correction of one clip copied to another, and how well it sits there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ...kernels.errors import InkarnatError
from ...nodes import SkinTarget, measure_skin
from ..media.clips import Clip
from .solving import matte_origin, result_origin
from .state import State
from .work import PROXY, Workbench

_AMBER, _RED = 2.0, 4.0
_AREA = 0.25


@dataclass(frozen=True)
class Status:
    """How a carried correction sits on a clip.

    :ivar grade: "good", "look" or "redo". :ivar drift: degrees from the target. :ivar area: keyed part of the frame.
    """

    grade: str
    words: str
    drift: float | None = None
    area: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return the status as JSON data."""
        return {"grade": self.grade, "words": self.words, "drift": self.drift, "area": self.area}


def status_on(clip: Clip, state: State, area: float | None = None) -> Status:
    """Measure a correction on the middle frame of a clip.

    :param area: the keyed part of the frame where the correction was made; a quarter more or less deserves a look.
    """
    bench, frame = Workbench(clip), clip.frames[len(clip.frames) // 2]
    suffix = state.people[0].suffix if state.people else ""
    target = state.people[0].target if state.people else SkinTarget()
    try:
        origin = matte_origin(state, suffix)
        if origin is None:
            return Status("look", "The graph keys nothing.")
        matte = bench.value(state.graph, origin, frame, PROXY)
        reading = measure_skin(bench.value(state.graph, result_origin(state), frame, PROXY), matte)
    except InkarnatError as error:
        return Status("redo", str(error))
    drift = (reading.angle - target.angle - target.bias + 180) % 360 - 180
    words = f"{abs(drift):.1f}° from the target"
    if area is not None and abs(reading.area / area - 1) > _AREA:
        words += f"; keys {reading.area:.1%} of the frame, not {area:.1%}: look at its matte, or sample it anew"
        return Status("redo" if abs(drift) >= _RED else "look", words, drift, reading.area)
    if abs(drift) >= _RED:
        return Status("redo", words + ": balance it and sample it anew", drift, reading.area)
    grade = "look" if abs(drift) >= _AMBER else "good"
    return Status(grade, words, drift, reading.area)
