"""Charts: readings over time as strips that stretch to any width and are read out in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

_WIDTH, _HEIGHT = 1000.0, 100.0


@dataclass(frozen=True)
class Line:
    """Values over frames; NaN leaves a gap. ``kind`` is its style, "before" or "after"; ``name`` its name."""

    kind: str
    values: Sequence[float]
    name: str = ""


def strip(
    title: str,
    unit: str,
    frames: Sequence[int],
    lines: Sequence[Line],
    *,
    target: float | None = None,
    least_span: float = 1.0,
    digits: int = 1,
) -> str:
    """Return a strip as HTML: a heading with the range in figures, a drawing, and the frames below it.

    :param target: a level to draw a line at. :param least_span: the height stands for at least so much, so that
        noise does not look like drift.
    """
    known = [v for line in lines for v in line.values if math.isfinite(v)] + ([target] if target is not None else [])
    if not known:
        return ""
    low, high = min(known), max(known)
    spare = max(least_span - (high - low), (high - low) * 0.16) / 2
    low, high = low - spare, high + spare

    def down(value: float) -> float:
        return _HEIGHT * (high - value) / (high - low)

    first, last = frames[0], frames[-1]
    across = [_WIDTH * (frame - first) / max(last - first, 1) for frame in frames]
    drawn = "".join(
        f'<polyline class="{line.kind}" points="{points}"/>'
        for line in lines
        for points in _runs(across, [down(v) for v in line.values])
    )
    level = (
        ""
        if target is None
        else f'<line class="target" x1="0" x2="{_WIDTH:g}" y1="{_n(down(target))}" y2="{_n(down(target))}"/>'
    )
    words = _words(title, unit, lines, digits, target)
    return (
        f'<div class="strip"><h4>{escape(title)}</h4>'
        f'<p class="scale"><span>{high:.{digits}f}{unit}</span><span>{low:.{digits}f}{unit}</span></p>'
        f'<svg role="img" aria-label="{escape(words)}" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" '
        f'preserveAspectRatio="none">{level}{drawn}</svg>'
        f'<p class="frames"><span>frame {first}</span><span>{last}</span></p></div>'
    )


def _runs(across: Sequence[float], down: Sequence[float]) -> list[str]:
    """Return the points of each unbroken run of values."""
    runs: list[list[str]] = [[]]
    for x, y in zip(across, down, strict=True):
        if math.isfinite(y):
            runs[-1].append(f"{_n(x)},{_n(y)}")
        elif runs[-1]:
            runs.append([])
    return [" ".join(run if len(run) > 1 else run * 2) for run in runs if run]


def _n(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")


def _words(title: str, unit: str, lines: Sequence[Line], digits: int, target: float | None) -> str:
    parts = []
    for line in lines:
        known = [v for v in line.values if math.isfinite(v)]
        if known:
            parts.append(f"{line.name or line.kind} from {min(known):.{digits}f} to {max(known):.{digits}f}{unit}")
    if target is not None:
        parts.append(f"target {target:.{digits}f}{unit}")
    return f"{title} over time: {'; '.join(parts)}"
