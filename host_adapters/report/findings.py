"""Findings: everything that a report shows of a run, measured from its clips and graphs."""

from __future__ import annotations

import dataclasses
import hashlib
import itertools
import math
import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np

from ...kernels.angles import wrapped
from ...kernels.arrays import Floats
from ...kernels.limits import MOST_BEYOND, LimitShares, shares_beyond
from ...nodes import (
    CHECK,
    EDGES,
    OFF,
    Aim,
    Evidence,
    ReadingError,
    Skin,
    SkinReading,
    Verdict,
    beyond,
    distance,
    faces_apart,
    measure_skin,
    worst_first,
)
from ..graphs.errors import NodeError
from ..graphs.graph import Graph
from ..graphs.runner import Runner
from ..media.clips import Clip, open_clip, parse_frames
from ..media.files import InputError
from ..shots.aims import aims_of, noted_light
from ..shots.carry import REFERENCE
from ..shots.evidence import (
    BEFORES,
    Survey,
    Witness,
    evidence,
    is_accepted,
    is_sampled,
    judge_people,
    mattes_of,
    misread_of,
    survey_people,
)
from ..shots.looks import changed_look
from ..shots.people import frame_hash
from ..shots.runs import Run, RunClip, graph_hash
from ..shots.sampling import spread_pairs
from ..shots.viewing import View, open_view, view_id
from ..shots.whose_faces import without_foreign_faces
from .images import Images, draw_images

MOST_FRAMES = 240
"""Frames of a clip that are measured over time, unless told otherwise."""


@dataclass(frozen=True)
class Moment:
    """What the skin reads on one frame with the light alone corrected and in the end, and the limits of the picture."""

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
    """Everything about one clip of a report.

    :ivar readings: as shot, light only and final on the frame that is shown; None where none could be had.
    :ivar aim: what it is judged against. :ivar level: beside the reference, in words.
    """

    clip: RunClip
    described: str
    shown: int
    images: Images
    readings: tuple[SkinReading | None, SkinReading | None, SkinReading | None]
    moments: tuple[Moment, ...]
    flicker: Flicker | None
    surveyed: Survey
    aim: Aim
    verdict: Verdict
    level: str
    warnings: tuple[str, ...]
    graph: Graph
    hashes: tuple[tuple[str, str], ...]

    @property
    def target(self) -> Skin:
        """The skin that this clip is judged against; where the target has no saturation, with the clip's own."""
        final = self.surveyed.final
        ratio, luma = self.aim.target.ratio, self.aim.luma
        own = Skin(self.aim.angle, 0.2, 0.5) if final is None else Skin.of(final)
        return Skin(self.aim.angle, own.ratio if ratio is None else ratio, own.luma if luma is None else luma)

    def worst_limits(self) -> tuple[LimitShares, LimitShares]:
        """Return the largest shares beyond each limit over all measured frames, before and after."""

        def worst(shares: list[LimitShares]) -> LimitShares:
            return LimitShares(*(max(getattr(s, n) for s in shares) for n in ("preferred", "tolerance", "codes")))

        return worst([m.limits_before for m in self.moments]), worst([m.limits_after for m in self.moments])


@dataclass(frozen=True)
class Findings:
    """Everything that a report shows, its clips in the order of the run."""

    run: Run
    clips: tuple[ClipFindings, ...]
    versions: tuple[tuple[str, str], ...]
    unread: Mapping[str, str] = field(default_factory=dict)
    """By name the clips that cannot be read, and why."""

    def order(self) -> list[int]:
        """Return the places of the clips, the worst first."""
        return worst_first(found.verdict for found in self.clips)


def gather(run: Run, most: int = MOST_FRAMES, progress: Callable[[int], None] | None = None) -> Findings:
    """Measure the clips of a run.

    :param most: frames of a clip that are measured over time at most; where it has more, pairs of neighbours spread
        over it. :param progress: told after each measured frame.
    :raises InputError: the reference or a graph is missing or unreadable; another clip that is, is left out.
    :raises GraphError: a graph without result and matte.
    """
    name = _view_name(run)
    view, seen = open_view(name), view_id(name)
    reference = next((clip for clip in run.clips if clip.name == run.reference), run.clips[0])
    beside = _surveys(run, reference, view)
    clips, unread = [], {}
    for clip in run.clips:
        try:
            surveys = beside if clip is reference else _surveys(run, clip, view)
            clips.append(_clip_findings(run, clip, surveys, (reference.name, beside), view, seen, most, progress))
        except InputError as error:
            if clip is reference or not Path(run.path(clip.graph)).is_file():
                raise
            unread[clip.name] = str(error)
    return Findings(run, tuple(clips), _versions(), unread)


def _view_name(run: Run) -> str | None:
    if run.view is None or run.view.startswith("ocio:"):
        return run.view
    return str(run.path(run.view))


def _frames(clip: Clip, frames: str | None) -> list[int]:
    numbers = list(parse_frames(frames)) if frames else list(clip.frames)
    missing = set(clip.missing)
    return [number for number in numbers if number in clip.frames and number not in missing] or [clip.frames[0]]


def _surveys(run: Run, clip: RunClip, view: View) -> dict[str, Survey]:
    """Read everybody in a clip."""
    with open_clip(run.path(clip.files), **clip.read_as) as opened:
        graph, _ = without_foreign_faces(Graph.load(run.path(clip.graph)), opened)
        aims = aims_of(graph, mattes_of(graph), run.person, run.line)
        return survey_people(opened, graph, view, aims, _frames(opened, clip.frames))


def _clip_findings(
    run: Run,
    clip: RunClip,
    surveys: dict[str, Survey],
    reference: tuple[str, dict[str, Survey]],
    view: View,
    seen: str,
    most: int,
    progress: Callable[[int], None] | None,
) -> ClipFindings:
    kept = Graph.load(run.path(clip.graph))
    name, besides = reference
    alone = clip.name == name
    with open_clip(run.path(clip.files), **clip.read_as) as opened:
        graph, foreign = without_foreign_faces(kept, opened)
        numbers = _frames(opened, clip.frames)
        witness = Witness(graph, view)
        moments, failed = [], list(next(iter(surveys.values())).failed)
        for number in spread_pairs(numbers, most):
            try:
                moments.append(_moment(witness, opened, number))
            except (InputError, NodeError) as error:
                failed.append((number, str(error)))
            if progress is not None:
                progress(number)
        if not moments:
            raise InputError(f"{clip.files}: none of its frames could be worked out. {failed[0][1]}")
        shown = clip.frame if clip.frame in numbers else numbers[0]
        try:
            opened.read(shown)
        except InputError as error:
            failed += [] if shown in dict(failed) else [(shown, str(error))]
            shown = min((moment.frame for moment in moments), key=lambda number: abs(number - shown))
        pictures = witness.pictures(opened, shown)
        matte = _whole_matte(witness, pictures)
        readings = tuple(_reading(pictures[before], matte) for before in BEFORES)
        aims = aims_of(graph, witness.mattes, run.person, run.line)
        light = noted_light(graph) if clip.light in ("", REFERENCE) else clip.light

        def told(person: str, surveyed: Survey) -> Evidence:
            beside = None if alone else besides.get(person)
            return evidence(graph, surveyed, shown, light, beside, name, seen, person, misread_of(opened, graph))

        verdict, worst = judge_people(surveys, aims, told)
        aim, surveyed, beside = aims[worst], surveys[worst], besides.get(worst)
        described = _describe(opened, numbers)
        notes = (*opened.notes, *(note for note in (foreign, changed_look(kept)) if note))
        plate = opened.read(shown)
        made = Runner(graph).run_frame(shown, {graph.sources[0]: plate}, ["result"])["result"]
        hashes = (
            (f"plate, frame {shown}", frame_hash(plate)),
            (f"result, frame {shown}", frame_hash(made)),
            ("graph", graph_hash(kept)),
        )
    level = ""
    if not alone and surveyed.final is not None and beside is not None and beside.final is not None:
        level = f"{distance(Skin.of(surveyed.final), Skin.of(beside.final)).level_words()} than {name}"
    images = draw_images(pictures, matte, len(run.clips), aim.angle)
    gathered = ClipFindings(
        clip, described, shown, images, readings, tuple(moments), flicker(moments), surveyed, aim,  # type: ignore[arg-type]
        verdict, level.replace("the same level than", "the same level as"), (), kept, hashes,
    )  # fmt: skip
    doubts = _doubts_here(witness, pictures, shown, surveys)
    return dataclasses.replace(gathered, warnings=_warnings(gathered, doubts, notes, failed))


def _doubts_here(
    witness: Witness, pictures: dict[str, Floats], shown: int, surveys: Mapping[str, Survey]
) -> tuple[str, ...]:
    """Return what there is to doubt of the mattes on the frame that is shown, beyond what the verdict holds of it.

    As `correct` does it: from the picture that was keyed and the faces in it, nothing where the matte was accepted.
    """
    judged, told = is_sampled(witness.graph), []
    for name in witness.mattes:
        moment = witness.moment(pictures, shown, name)
        told += [f"{name}: {each.message}" if name else each.message for each in faces_apart(moment.faces)]
        if is_accepted(witness.graph, name):
            continue
        known = {doubt.sign for doubt in surveys[name].doubts or ()} if judged and name in surveys else set()
        doubts = moment.doubts or ()
        told += [f"{name}: {d.message}" if name else d.message for d in doubts if d.sign not in known]
    return tuple(told)


def _whole_matte(witness: Witness, pictures: dict[str, Floats]) -> Floats:
    """Return the matte of all people together."""
    if "matte" in pictures:
        return pictures["matte"]
    whole: Floats = np.maximum.reduce([pictures[name] for name in witness.mattes.values()])
    return whole


def _moment(witness: Witness, clip: Clip, number: int) -> Moment:
    pictures = witness.pictures(clip, number)
    matte = _whole_matte(witness, pictures)
    before, after = pictures["light_only"], pictures["final"]
    return Moment(number, _reading(before, matte), _reading(after, matte), shares_beyond(before), shares_beyond(after))


def _reading(picture: Floats, matte: Floats) -> SkinReading | None:
    try:
        return measure_skin(picture, matte)
    except ReadingError:
        return None


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
    angles = [wrapped(b.angle - a.angle) for a, b in steps]
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
    found: ClipFindings, doubts: tuple[str, ...], notes: tuple[str, ...], failed: Sequence[tuple[int, str]]
) -> tuple[str, ...]:
    """Return what a person should look at beyond the verdict's first finding, each with its fix."""
    others = [finding.words() for finding in found.verdict.findings[1:] if finding.status in (CHECK, OFF)]
    texts = [*others, *doubts, *notes]
    texts += [f"Frame {frame}: {reason}" for frame, reason in sorted(dict(failed).items())[:_MOST_FAILURES]]
    if len(dict(failed)) > _MOST_FAILURES:
        texts.append(f"{len(dict(failed)) - _MOST_FAILURES} more frames could not be measured.")
    if found.clip.light == EDGES:
        texts.append(
            "The light was balanced by the picture's edges, which other surroundings mislead: --neutral SAMPLE on "
            "something grey makes it certain."
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
