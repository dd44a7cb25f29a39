"""Findings: everything that a report shows of a run, measured from its clips and graphs."""

from __future__ import annotations

import hashlib
import itertools
import json
import math
import platform
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np

from ...kernels.arrays import Floats
from ...kernels.limits import MOST_BEYOND, LimitShares, shares_beyond
from ...nodes import (
    Distance,
    ReadingError,
    Skin,
    SkinReading,
    beyond,
    distance,
    judge_matte,
    measure_skin,
)
from ..graphs.errors import NodeError
from ..graphs.graph import STANDARD_SOURCE, Graph
from ..graphs.runner import Runner
from ..media.clips import Clip, open_clip, parse_frames
from ..media.files import InputError
from ..shots.carry import Survey, Verdict, judge, survey
from ..shots.people import Person, frame_hash
from ..shots.runs import Run, RunClip
from ..shots.sampling import spread_pairs
from ..shots.viewing import View, open_view
from .images import Images, draw_images

MOST_FRAMES = 240
"""Frames of a clip that are measured over time, unless told otherwise."""


@dataclass(frozen=True)
class Moment:
    """What the skin reads on one frame, and the limits of the whole picture."""

    frame: int
    before: SkinReading | None
    after: SkinReading | None
    limits_before: LimitShares
    limits_after: LimitShares


@dataclass(frozen=True)
class Flicker:
    """How much a reading jumps from one frame to the next: see :func:`flicker`."""

    angle: float
    luma: float
    area: float


@dataclass(frozen=True)
class ClipFindings:
    """Everything about one clip of a report."""

    clip: RunClip
    described: str
    shown: int
    images: Images
    before: SkinReading | None
    after: SkinReading | None
    moments: tuple[Moment, ...]
    flicker: Flicker | None
    surveyed: Survey
    verdict: Verdict
    from_person: tuple[Distance | None, Distance | None]
    warnings: tuple[str, ...]
    graph: Graph
    hashes: tuple[tuple[str, str], ...]

    def worst_limits(self) -> tuple[LimitShares, LimitShares]:
        """Return the largest shares beyond each limit over all measured frames, before and after."""

        def worst(shares: list[LimitShares]) -> LimitShares:
            return LimitShares(*(max(getattr(s, n) for s in shares) for n in ("preferred", "tolerance", "codes")))

        return worst([m.limits_before for m in self.moments]), worst([m.limits_after for m in self.moments])


@dataclass(frozen=True)
class Findings:
    """Everything that a report shows.

    :ivar target: what the clips are judged against. :ivar target_words: whose it is.
    """

    run: Run
    target: Skin
    target_words: str
    clips: tuple[ClipFindings, ...]
    versions: tuple[tuple[str, str], ...]


def gather(run: Run, most: int = MOST_FRAMES, progress: Callable[[int], None] | None = None) -> Findings:
    """Measure the clips of a run.

    :param most: frames of a clip that are measured over time at most; where it has more, pairs of neighbours spread
        over it. :param progress: told after each measured frame.
    :raises InputError: a clip or graph is missing or unreadable. :raises GraphError: a graph without result and
        matte. :raises ReadingError: the reference shows no skin and no person is given.
    """
    view = open_view(_view_name(run))
    surveys = {clip.name: _survey(run, clip, view) for clip in run.clips}
    reference = run.reference or run.clips[0].name
    seen = surveys[reference]
    target: Skin | None = run.person or seen.after
    if target is None:
        raise ReadingError(f"The graph finds no skin on the reference {reference!r}: give a person to judge against.")
    words = f"the approved reading of {run.person.name}" if run.person else f"the result of {reference}"
    area = seen.area or None
    clips = tuple(
        _clip_findings(run, clip, surveys[clip.name], target, area, view, most, progress) for clip in run.clips
    )
    return Findings(run, target, words, clips, _versions())


def _view_name(run: Run) -> str | None:
    if run.view is None or run.view.startswith("ocio:"):
        return run.view
    return str(run.path(run.view))


def _frames(clip: Clip, frames: str | None) -> list[int]:
    numbers = list(parse_frames(frames)) if frames else list(clip.frames)
    missing = set(clip.missing)
    return [number for number in numbers if number in clip.frames and number not in missing] or [clip.frames[0]]


def _survey(run: Run, clip: RunClip, view: View) -> Survey:
    with open_clip(run.path(clip.files)) as opened:
        return survey(opened, Graph.load(run.path(clip.graph)), view, _frames(opened, clip.frames))


def _clip_findings(
    run: Run,
    clip: RunClip,
    surveyed: Survey,
    target: Skin,
    reference_area: float | None,
    view: View,
    most: int,
    progress: Callable[[int], None] | None,
) -> ClipFindings:
    graph = Graph.load(run.path(clip.graph))
    with open_clip(run.path(clip.files)) as opened:
        numbers = _frames(opened, clip.frames)
        shown = clip.frame if clip.frame in numbers else numbers[0]
        assert shown is not None
        runner = Runner(graph)
        moments, failed = [], list(surveyed.failed)
        for number in spread_pairs(numbers, most):
            try:
                moments.append(_moment(runner, opened, number, view))
            except (InputError, NodeError) as error:
                failed.append((number, str(error)))
            if progress is not None:
                progress(number)
        if not moments:
            raise InputError(f"{clip.files}: none of its frames could be worked out. {failed[0][1]}")
        plate = opened.read(shown)
        made = runner.run_frame(shown, {STANDARD_SOURCE: plate}, ["result", "matte"])
        before, after = view(plate), view(made["result"])
        matte = made["matte"]
        readings = _reading(before, matte), _reading(after, matte)
        images = draw_images(before, after, matte, len(run.clips), run.person or target)
        described, notes = _describe(opened, numbers), opened.notes
        verdict = judge(surveyed, target, None if clip.resolved else reference_area, clip.light)
        hashes = (
            (f"plate, frame {shown}", frame_hash(plate)),
            (f"result, frame {shown}", frame_hash(made["result"])),
            ("graph", _graph_hash(graph)),
        )
    found = ClipFindings(
        clip, described, shown, images, *readings, tuple(moments), flicker(moments), surveyed, verdict,
        _distances(readings, run.person), (), graph, hashes,
    )  # fmt: skip
    warnings = _warnings(found, matte, notes, failed)
    return ClipFindings(**{**vars(found), "warnings": warnings})


def _moment(runner: Runner, clip: Clip, number: int, view: View) -> Moment:
    plate = clip.read(number)
    made = runner.run_frame(number, {STANDARD_SOURCE: plate}, ["result", "matte"])
    before, after = view(plate), view(made["result"])
    return Moment(
        number,
        _reading(before, made["matte"]),
        _reading(after, made["matte"]),
        shares_beyond(before),
        shares_beyond(after),
    )


def _reading(picture: Floats, matte: Floats) -> SkinReading | None:
    try:
        return measure_skin(picture, matte)
    except ReadingError:
        return None


def _distances(
    readings: tuple[SkinReading | None, SkinReading | None], person: Person | None
) -> tuple[Distance | None, Distance | None]:
    if person is None:
        return None, None
    before, after = (None if r is None else distance(Skin.of(r), person) for r in readings)
    return before, after


def flicker(moments: list[Moment]) -> Flicker | None:
    """Return how much the result's readings jump from one frame to the next, or None without neighbouring frames.

    The root mean square of the steps between neighbours, divided by √2: for readings that scatter independently
    about a steady value it is their standard deviation. Angle in degrees, luma in parts of white, area in parts of
    the median area (common practice, no source).
    """
    steps = [
        (first.after, second.after)
        for first, second in itertools.pairwise(moments)
        if second.frame == first.frame + 1 and first.after is not None and second.after is not None
    ]
    if not steps:
        return None
    angles = [(b.angle - a.angle + 180) % 360 - 180 for a, b in steps]
    lumas = [b.luma[1] - a.luma[1] for a, b in steps]
    middle = float(np.median([reading.area for pair in steps for reading in pair])) or 1.0
    areas = [(b.area - a.area) / middle for a, b in steps]
    return Flicker(*(math.sqrt(sum(v * v for v in values) / len(values) / 2) for values in (angles, lumas, areas)))


# --- words --------------------------------------------------------------------------------------------------


def _describe(clip: Clip, numbers: list[int]) -> str:
    rate = f" · {float(clip.rate):g} frames a second" if clip.rate else ""
    counted = f"frames {numbers[0]} to {numbers[-1]}" if len(numbers) > 1 else f"frame {numbers[0]}"
    return f"{clip.width} × {clip.height}{rate} · {counted}"


_MOST_FAILURES = 5
"""Frames that could not be measured are named up to so many."""


def _warnings(
    found: ClipFindings, matte: Floats, notes: tuple[str, ...], failed: Sequence[tuple[int, str]]
) -> tuple[str, ...]:
    """Return what a person should look at, each with its mend."""
    texts = [*found.verdict.reasons, *(warned.message for warned in judge_matte(matte)), *notes]
    texts += [f"Frame {frame}: {reason}" for frame, reason in sorted(dict(failed).items())[:_MOST_FAILURES]]
    if len(dict(failed)) > _MOST_FAILURES:
        texts.append(f"{len(dict(failed)) - _MOST_FAILURES} more frames could not be measured.")
    if found.clip.light == "edges":
        texts.append(
            "The light was balanced by the picture's edges, which is a suggestion: other surroundings mislead it. "
            "Give a neutral sample to be certain."
        )
    before, after = found.worst_limits()
    if after.tolerance > MOST_BEYOND:
        grown = "The correction drives" if after.tolerance > before.tolerance + 0.001 else "The clip brings"
        texts.append(
            f"{grown} {after.tolerance:.1%} of a picture beyond the tolerance of EBU R 103 (1 % may lie there): "
            "lower the white or the saturation, or raise the black."
        )
    if found.flicker is not None and beyond("flicker", found.flicker.angle):
        texts.append(
            f"The skin's hue jumps by {found.flicker.angle:.1f}° from frame to frame: look for flickering light or an "
            "unsteady matte."
        )
    return tuple(dict.fromkeys(texts))


def _graph_hash(graph: Graph) -> str:
    text = json.dumps(graph.to_dict(), sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


_LIBRARIES = ("inkarnat", "numpy", "numba", "colour-science", "OpenImageIO", "av", "pillow")


def _versions() -> tuple[tuple[str, str], ...]:
    found = [("Python", platform.python_version())]
    for name in _LIBRARIES:
        try:
            found.append((name, metadata.version(name)))
        except metadata.PackageNotFoundError:
            continue
    return tuple(found)


def file_name(clip: RunClip) -> str:
    """Return the name of a clip's files without their folder: reports travel, folders do not."""
    return Path(clip.files).name


def parameters(graph: Graph) -> list[tuple[str, str, dict[str, Any]]]:
    """Return (id, label, parameters) of every node in order; long text stands as its SHA-256."""
    rows = []
    for step in graph.order():
        params = step.to_dict()["params"]
        shown = {name: _short(value) for name, value in params.items()}
        rows.append((step.id, step.node.label, shown))
    return rows


def _short(value: Any) -> Any:
    if isinstance(value, str) and len(value) > 40:
        return f"SHA-256 {hashlib.sha256(value.encode()).hexdigest()[:16]}…"
    if isinstance(value, float):
        return float(f"{value:.6g}")
    return value
