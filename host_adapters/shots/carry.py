"""Carry: a correction taken to other clips, the light of each balanced, the skin of each measured and judged."""

from __future__ import annotations

import dataclasses
import statistics
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from ...nodes import (
    Balance,
    BalanceError,
    Distance,
    ParamError,
    ReadingError,
    Sample,
    SampleError,
    Skin,
    SkinKey,
    SkinReading,
    SteerSkin,
    distance,
    measure_skin,
    solve_balance,
)
from ..graphs.errors import GraphError
from ..graphs.graph import STANDARD_SOURCE, Graph, Step
from ..graphs.runner import Runner
from ..media.clips import Clip
from ..media.files import InputError
from .sampling import spread
from .solving import MarkedPicture, look_at, solve_key, solve_landing, with_step

SURVEY_FRAMES = 5
"""Frames of a clip whose median reading is judged."""

AMBER_ANGLE, RED_ANGLE = 2.0, 4.0
AMBER_DELTA_E, RED_DELTA_E = 1.0, 2.0
RED_AREA = 0.25
"""From which drift in degrees, CIEDE2000 at equal luma and change of the keyed area a clip is amber or red."""

View = Callable[[Floats], Floats]


class CarryError(InkarnatError, ValueError):
    """A correction that cannot be carried: the graph lacks a step, or a clip lacks a sample."""


# --- looking at a clip --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Survey:
    """What the skin of a clip reads through a graph: medians over a few frames.

    :ivar before: the plate under the matte, or None where no frame could be measured. :ivar after: the result.
    :ivar area: keyed part of the frame. :ivar failed: why frames could not be measured, by frame.
    """

    before: Skin | None
    after: Skin | None
    area: float
    frames: tuple[int, ...]
    failed: tuple[tuple[int, str], ...] = ()


def survey(clip: Clip, graph: Graph, view: View, frames: Sequence[int] | None = None) -> Survey:
    """Measure a clip through a graph on a few frames, spread over it or over ``frames``.

    :param view: what readings look through. A frame that cannot be read, or shows no skin, is among those that failed.
    :raises GraphError: a graph without a result and a matte. :raises NodeError: a node fails.
    """
    runner = Runner(graph)
    before: list[SkinReading] = []
    after: list[SkinReading] = []
    failed: list[tuple[int, str]] = []
    numbers = spread(frames if frames is not None else clip.frames, SURVEY_FRAMES)
    for number in numbers:
        try:
            plate = clip.read(number)
            made = runner.run_frame(number, {STANDARD_SOURCE: plate}, ["result", "matte"])
            readings = [measure_skin(view(picture), made["matte"]) for picture in (plate, made["result"])]
        except (ReadingError, InputError) as error:
            failed.append((number, str(error)))
            continue
        before.append(readings[0])
        after.append(readings[1])
    area = statistics.median(reading.area for reading in after) if after else 0.0
    return Survey(_middle(before), _middle(after), area, tuple(numbers), tuple(failed))


def _middle(readings: Sequence[SkinReading]) -> Skin | None:
    """Return the median of each figure; angles lie far from where they wrap."""
    if not readings:
        return None
    skins = [Skin.of(reading) for reading in readings]
    return Skin(*(statistics.median(getattr(skin, field.name) for skin in skins) for field in dataclasses.fields(Skin)))


# --- judging ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Verdict:
    """How well a carried correction holds on a clip.

    :ivar status: "green", "amber" or "red". :ivar drift: from the target, None where no skin was found.
    :ivar area_change: of the keyed area against the reference, 0 for none, or None where there is no reference.
    :ivar reasons: what raised the status, each with its mend.
    """

    status: str
    drift: Distance | None
    area_change: float | None
    reasons: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the verdict as plain JSON data."""
        return {
            "status": self.status,
            "drift": None if self.drift is None else self.drift.as_dict(),
            "area_change": self.area_change,
            "reasons": list(self.reasons),
        }


UNREAD = "not read"
"""How the light of a clip is called whose edges do not tell it: it was left as it is, and the clip is red."""

_UNREAD_REASON = "The light could not be read from the picture's edges and was left as it is: give a neutral sample."


def judge(surveyed: Survey, target: Skin, reference_area: float | None = None, light: str = "") -> Verdict:
    """Judge a clip by how far its skin lies from the target, and by its keyed area against the reference's.

    Green; amber from 2° or ΔE00 1; red from 4°, ΔE00 2, a quarter more or less keyed area (common practice, no
    source), or where its light is :data:`UNREAD`.
    """
    if surveyed.after is None:
        reason = "The key finds no skin on this clip: give new samples with --add and --resolve."
        return Verdict("red", None, -1.0 if reference_area else None, (reason,))
    drift = distance(surveyed.after, target)
    change = surveyed.area / reference_area - 1 if reference_area else None
    found = _drift_reasons(drift) + ([] if change is None else _area_reasons(change))
    if light == UNREAD:
        found.append((True, _UNREAD_REASON))
    status = "red" if any(red for red, _ in found) else "amber" if found else "green"
    return Verdict(status, drift, change, tuple(reason for _, reason in found))


def _drift_reasons(drift: Distance) -> list[tuple[bool, str]]:
    off, delta_e = abs(drift.angle), drift.delta_e
    if off < AMBER_ANGLE and delta_e < AMBER_DELTA_E:
        return []
    red = off >= RED_ANGLE or delta_e >= RED_DELTA_E
    return [(red, f"The skin is off its target: {drift.words()}. {_LIGHT_MEND}")]


_LIGHT_MEND = "Give a neutral sample on this clip; if the camera or the light differs, new samples with --resolve."


def _area_reasons(change: float) -> list[tuple[bool, str]]:
    if abs(change) < RED_AREA:
        return []
    amount = f"{abs(change):.0%} {'more' if change > 0 else 'less'}"
    mend = "Look at the matte: if the shot is not framed differently, give new samples with --resolve."
    return [(True, f"The key covers {amount} of the frame than on the reference. {mend}")]


# --- balancing ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Light:
    """The light of a frame as the balance that would take it out, and how it was found: "neutral" or "edges"."""

    balance: Balance
    by: str


def find_light(
    clip: Clip, frame: int, neutral: Sample | None, transfer: str, frames: Sequence[int] | None = None
) -> Light:
    """Read the light of a clip: from a neutral sample on a frame, or else from the edges of three of its ``frames``.

    Raises BalanceError where neither allows it, InputError for a frame that cannot be read.
    """
    if neutral is not None:
        return Light(solve_balance(clip.read(frame), neutral, transfer), "neutral")
    found = [solve_balance(clip.read(number), None, transfer) for number in spread(frames or clip.frames, 3)]
    temperature, tint = (statistics.median(getattr(b, name) for b in found) for name in ("temperature", "tint"))
    return Light(Balance(temperature=temperature, tint=tint, transfer=transfer), "edges")


def carried_balance(reference: Balance, at_reference: Light, at_clip: Light) -> Balance:
    """Return the balance of a clip: that of the reference, and what the light has changed since.

    Raises ParamError where the sum is beyond what a balance can do.
    """
    return Balance(
        temperature=reference.temperature + at_clip.balance.temperature - at_reference.balance.temperature,
        tint=reference.tint + at_clip.balance.tint - at_reference.balance.tint,
        transfer=reference.transfer,
    )


def balance_step(graph: Graph) -> Step | None:
    """Return the graph's first balance that reads the plate, or None."""
    for step in graph.order():
        if isinstance(step.node, Balance) and STANDARD_SOURCE in dict(step.inputs).values():
            return step
    return None


def with_balance(graph: Graph, balance: Balance) -> Graph:
    """Return the graph with another balance; where it has none, one is put between the plate and all that reads it."""
    step = balance_step(graph)
    if step is not None:
        return with_step(graph, dataclasses.replace(step, node=balance, keyed=()))
    if STANDARD_SOURCE not in graph.sources:
        raise CarryError(f"The graph reads no source {STANDARD_SOURCE!r}, so there is nothing to balance.")
    name = _free_name("balance", {*graph.by_id, *graph.sources})

    def rewired(pairs: Iterable[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
        return tuple((port, name if origin == STANDARD_SOURCE else origin) for port, origin in pairs)

    steps = tuple(dataclasses.replace(step, inputs=rewired(step.inputs)) for step in graph.steps)
    steps = (Step.of(name, balance, image=STANDARD_SOURCE), *steps)
    return dataclasses.replace(graph, steps=steps, outputs=rewired(graph.outputs))


def _free_name(wanted: str, taken: set[str]) -> str:
    name, number = wanted, 1
    while name in taken:
        number += 1
        name = f"{wanted}{number}"
    return name


# --- solving again ------------------------------------------------------------------------------------------


def resolve(
    graph: Graph,
    picture: Floats,
    frame: int,
    add: Sequence[Sample],
    subtract: Sequence[Sample],
    target: Skin,
    view: View = lambda seen: seen,
) -> Graph:
    """Return the graph with its key learned anew from samples and its steering solved so that the result is on target.

    :param picture: the plate at ``frame``, with the samples on it. :param target: hue and saturation to reach, as
        they are read through ``view``.
    :raises CarryError: no key or no steering in the graph. :raises SampleError, ReadingError: unusable samples.
    """
    key, steer = (_frozen(_only_step(graph, kind), frame) for kind in (SkinKey, SteerSkin))
    graph = with_step(with_step(graph, key), steer)
    look = look_at(lambda _: picture)
    node, _ = solve_key(graph, look, key.id, [MarkedPicture(frame, tuple(add), tuple(subtract))])
    graph = with_step(graph, dataclasses.replace(key, node=node))
    landed = solve_landing(graph, look, steer.id, frame, target, view)
    return with_step(graph, dataclasses.replace(steer, node=landed))


def _frozen(step: Step, frame: int) -> Step:
    """Return a step that stays as it is at a frame."""
    return dataclasses.replace(step, node=step.node_at(frame), keyed=())


def _only_step(graph: Graph, kind: type[Any]) -> Step:
    found = [step for step in graph.order() if isinstance(step.node, kind)]
    if len(found) != 1:
        raise CarryError(
            f"The graph has {len(found) or 'no'} {kind.label!r} nodes, and solving again needs exactly one: "
            "carry without --resolve, or solve this clip with `inkarnat correct`."
        )
    return found[0]


# --- carrying -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Shot:
    """A clip with what was marked on one of its frames."""

    name: str
    clip: Clip
    frame: int
    neutral: Sample | None = None
    add: tuple[Sample, ...] = ()
    subtract: tuple[Sample, ...] = ()
    frames: tuple[int, ...] | None = None
    """The frames that count, or None for all of them."""


@dataclass(frozen=True)
class Carried:
    """A correction carried to a shot.

    :ivar balance: of this shot, None where it was left as it is. :ivar by: "neutral", "edges" or "copy".
    """

    shot: Shot
    graph: Graph
    balance: Balance | None
    by: str
    surveyed: Survey
    verdict: Verdict
    resolved: bool = False


class Carrier:
    """Carries one correction, solved on a reference shot, to other shots.

    :param graph: the solved graph. :param reference: the shot it was solved on; with a neutral sample where it was
        balanced by one and the graph has no balance. :param person: what every shot is judged against; without it,
        the reference's own result. :param view: what readings look through. :param balancing: "edges" also where
        there is no neutral sample, or "copy" to leave the light of such shots as it is.
    """

    def __init__(
        self, graph: Graph, reference: Shot, view: View, person: Skin | None = None, balancing: str = "edges"
    ) -> None:
        graph.origins(["result", "matte"])
        self.graph, self.reference, self.view, self.balancing = graph, reference, view, balancing
        step = balance_step(graph)
        self.has_balance = step is not None
        node = step.node_at(reference.frame) if step else Balance()
        assert isinstance(node, Balance)
        self.balance = node
        self.surveyed = survey(reference.clip, graph, view, reference.frames)
        if self.surveyed.after is None:
            raise CarryError(
                f"{reference.clip.path}: the graph finds no skin on the reference, {_detail(self.surveyed)}"
            )
        self.target = person or self.surveyed.after
        self._lights: dict[str, Light] = {}

    def carry(self, shot: Shot, solve_again: bool = False) -> Carried:
        """Carry the correction to a shot. Raises CarryError that names it where its samples cannot be used."""
        try:
            return self._carry(shot, solve_again)
        except (BalanceError, SampleError, ReadingError, ParamError) as error:
            raise CarryError(f"{shot.name}: {error}") from error

    def _carry(self, shot: Shot, solve_again: bool) -> Carried:
        balance, by = self._balance(shot)
        graph = self.graph if balance is None else with_balance(self.graph, balance)
        again = solve_again and bool(shot.add)
        if again:
            picture = shot.clip.read(shot.frame)
            graph = resolve(graph, picture, shot.frame, shot.add, shot.subtract, self.target, self.view)
        surveyed = survey(shot.clip, graph, self.view, shot.frames)
        area = self.surveyed.area if not again else None
        return Carried(shot, graph, balance, by, surveyed, judge(surveyed, self.target, area, by), again)

    def kept(self, shot: Shot) -> Carried:
        """Return a further stretch of the reference's own clip, with the reference's graph, measured and judged."""
        surveyed = survey(shot.clip, self.graph, self.view, shot.frames)
        balance = self.balance if self.has_balance else None
        verdict = judge(surveyed, self.target, self.surveyed.area)
        return Carried(shot, self.graph, balance, "reference", surveyed, verdict)

    def reference_carried(self) -> Carried:
        """Return the reference itself, judged like the others."""
        verdict = judge(self.surveyed, self.target, self.surveyed.area)
        balance = self.balance if self.has_balance else None
        return Carried(self.reference, self.graph, balance, "reference", self.surveyed, verdict)

    def _balance(self, shot: Shot) -> tuple[Balance | None, str]:
        if shot.neutral is None and self.balancing == "copy":
            return None, "copy"
        if shot.neutral is not None:
            light = find_light(shot.clip, shot.frame, shot.neutral, self.balance.transfer)
            if self.reference.neutral is None and self.has_balance:
                return light.balance, "neutral"  # the reference was balanced by its own neutral
            if self.reference.neutral is None:
                raise CarryError(
                    f"{shot.name} has a neutral sample, but the graph has no balance to compare with: "
                    "give the reference's neutral sample too."
                )
            return carried_balance(self.balance, self._reference_light("neutral"), light), "neutral"
        try:
            return self._by_edges(shot), "edges"
        except (BalanceError, ParamError):
            return None, UNREAD

    def _by_edges(self, shot: Shot) -> Balance:
        """Return the balance that brings the clip's edges to the colour of the reference's, once corrected itself."""
        transfer = self.balance.transfer
        at_reference = self._reference_light("edges")
        first = carried_balance(
            self.balance, at_reference, find_light(shot.clip, shot.frame, None, transfer, shot.frames)
        )
        left = find_light(_Balanced(shot.clip, first), shot.frame, None, transfer, shot.frames)
        wanted = self._balanced_reference_light()
        return carried_balance(first, wanted, left)

    def _reference_light(self, by: str) -> Light:
        if by not in self._lights:
            neutral = self.reference.neutral if by == "neutral" else None
            self._lights[by] = find_light(self.reference.clip, self.reference.frame, neutral, self.balance.transfer)
        return self._lights[by]

    def _balanced_reference_light(self) -> Light:
        if "balanced" not in self._lights:
            balanced = _Balanced(self.reference.clip, self.balance)
            self._lights["balanced"] = find_light(balanced, self.reference.frame, None, self.balance.transfer)
        return self._lights["balanced"]


class _Balanced(Clip):
    """A clip seen through a balance."""

    def __init__(self, clip: Clip, balance: Balance) -> None:
        super().__init__(clip.path)
        self.frames, self._clip, self._through = clip.frames, clip, balance

    def read(self, frame: int) -> Floats:
        """Return the balanced picture."""
        return self._through.process(self._clip.read(frame))


def _detail(surveyed: Survey) -> str:
    return surveyed.failed[0][1] if surveyed.failed else "look at its matte."


def named_shots(names: Sequence[str]) -> list[str]:
    """Return a short, unique name for each path, by which its graph is called. Raises GraphError for none."""
    from pathlib import Path

    if not names:
        raise GraphError("There is no clip to carry to: give --to CLIP.")
    taken: set[str] = set()
    result = []
    for path in names:
        stem = "".join(c if c.isalnum() or c in "-_" else "-" for c in Path(path).stem.split("%")[0].split("#")[0])
        name = _free_name(stem.strip("-.") or "clip", taken)
        taken.add(name)
        result.append(name)
    return result
