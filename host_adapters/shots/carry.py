"""Carry: a correction taken to other clips, the light of each balanced, the skin of each measured and judged."""

from __future__ import annotations

import dataclasses
import functools
import glob
import itertools
import os
import re
import statistics
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, cast

from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from ...nodes import (
    CARD,
    COPY,
    EDGES,
    SKIN_LINE,
    UNREAD,
    Aim,
    BakedLook,
    Balance,
    BalanceError,
    Cdl,
    CombineMattes,
    ConvertColour,
    Evidence,
    FaceMatte,
    JoinFaces,
    KeepSkin,
    ParamError,
    ProtectMatte,
    RangeKey,
    ReadingError,
    Region,
    Sample,
    SampleError,
    Skin,
    SkinKey,
    SoftenMatte,
    SteadyMatte,
    SteerSkin,
    ToneCurve,
    Verdict,
    distance,
    solve_balance,
    stops,
)
from ...nodes.declare import Node, nearest
from ..graphs.by_hand import typed_on
from ..graphs.errors import GraphError
from ..graphs.graph import STANDARD_SOURCE, Graph, Step
from ..graphs.keyframes import Keyframes
from ..graphs.parts import (
    Hand,
    Parts,
    amount_of,
    apart,
    summed,
    value_at,
    with_amounts,
    with_parts,
    with_solved,
    without_accepted,
)
from ..graphs.parts import parts_of as parts_of_step
from ..graphs.typed import control_of
from ..media.clips import Clip
from ..media.files import InputError
from .aims import aims_of, noted_card, noted_light, with_card, with_light
from .evidence import Survey, evidence, judge_people, mattes_of, misread_of, survey, survey_people
from .faces import with_own_faces
from .marks import MarkedPicture
from .people import Person
from .runs import RUN_FILE, Run, RunClip, graph_hash
from .sampling import spread
from .solving import TURNED_STEER, doubted, look_at, solve_key, solve_steering, with_learning
from .whose_faces import with_face_note, without_foreign_faces

View = Callable[[Floats], Floats]


class CarryError(InkarnatError, ValueError):
    """A correction that cannot be carried: the graph lacks a step, or a clip lacks a sample."""


# --- what is carried -----------------------------------------------------------------------------------------

PARTS = ("light", "levels", "key", "matte", "skin", "look")
"""The parts of a correction, in the order in which they work."""

_PART_OF: Mapping[type[Node], str] = {
    Balance: "light",
    ToneCurve: "levels",
    Cdl: "levels",
    SkinKey: "key",
    RangeKey: "key",
    Region: "key",
    FaceMatte: "key",
    JoinFaces: "key",
    SoftenMatte: "matte",
    SteadyMatte: "matte",
    SteerSkin: "skin",
    BakedLook: "look",
    ProtectMatte: "look",
    KeepSkin: "look",
}


def part_of(graph: Graph, step: Step) -> str:
    """Return the part of a correction that a step belongs to; a grade that skin is kept from is the look."""
    return "look" if step.id in _look_steps(graph) else _PART_OF.get(type(step.node), "")


@functools.lru_cache(maxsize=8)
def _look_steps(graph: Graph) -> frozenset[str]:
    """Return the steps between a corrected picture and the skin that is brought back; conversions are left as they are.

    A step that skin is kept from and that reads the plate itself is a look of one step.
    """
    found: set[str] = set()
    for kept in graph.steps:
        if not isinstance(kept.node, KeepSkin):
            continue
        inputs = dict(kept.inputs)
        waiting = [inputs["image"]]
        while waiting:
            step = graph.by_id.get(waiting.pop())
            if step is None or step.id in found or step.id == inputs["natural"]:
                continue
            found.add(step.id)
            waiting += [come for _, come in step.inputs if graph.kind(come) == "picture"]
            behind = {each.id for each in graph.order_to([inputs["natural"]])}
            waiting = [come for come in waiting if come not in behind]
    return frozenset(id for id in found if not isinstance(graph.by_id[id].node, ConvertColour))


PERSONAL = ("key", "matte", "skin")
"""The parts that each person has."""


def parts_of(
    graph: Graph, what: Collection[str], own: Graph | None = None, subjects: Collection[str] | None = None
) -> Graph:
    """Return the graph with some of its parts; all others as a clip has them itself, or doing nothing.

    :param own: the clip's own graph: a step of the same id and node keeps its values there.
    :param subjects: the people whose parts are carried; None for everybody. The skin of others stays as it is.
    :raises CarryError: a part of that name does not exist, or a skin would be steered without a key.
    """
    for name in what:
        if name not in PARTS:
            raise CarryError(f"There is no part {name!r} to carry: {', '.join(PARTS)}. {nearest(name, PARTS)}".rstrip())
    known = [name for name in mattes_of(graph) if name] if subjects is not None else []
    for name in subjects or ():
        if name not in known:
            there = f"the graph has {', '.join(known)}" if known else "the graph names nobody"
            raise CarryError(f"There is no subject {name!r} to carry: {there}. {nearest(name, known)}".rstrip())
    others = [name for name in known if name not in (subjects or ())]
    if set(what) == set(PARTS) and not others:
        return graph
    kept = {} if own is None else own.by_id
    steps = []
    for step in graph.steps:
        part = part_of(graph, step)
        other = part in PERSONAL and any(step.id.endswith(f"-{name}") for name in others)
        if not part or (part in what and not other):
            steps.append(step)
            continue
        mine = kept.get(step.id)
        if mine is not None and mine.node.name == step.node.name:
            steps.append(dataclasses.replace(step, node=mine.node, keyed=mine.keyed))
        elif other and part != "skin" and part in what:
            steps.append(step)  # somebody's matte still parts them from the others
        else:
            steps.append(dataclasses.replace(step, node=_resting(graph, step), keyed=()))
    return dataclasses.replace(graph, steps=tuple(steps))


def _resting(graph: Graph, step: Step) -> Node:
    """Return a node that does nothing where a step stands."""
    node = step.node
    if isinstance(node, KeepSkin):
        return dataclasses.replace(node, amount=0.0)
    if isinstance(node, FaceMatte):
        return dataclasses.replace(node, presence=0.0)
    if isinstance(node, Region):
        taken = any(
            isinstance(each.node, CombineMattes)
            and each.node.operation == "subtract"
            and dict(each.inputs)["second"] == step.id
            for each in graph.steps
        )
        return Region(centre=(-9.0, -9.0), width=0.001, height=0.001) if taken else Region("box", width=20, height=20)
    return Cdl(clamp=False) if isinstance(node, Cdl) else type(node)()


# --- what was marked, in the notes of a graph ----------------------------------------------------------------


def with_noted_card(shot: Shot, graph: Graph) -> Shot:
    """Return a shot with the card that its graph remembers, where none is named. Raises SampleError for bad notes."""
    card = noted_card(graph) if shot.neutral is None else None
    if card is None or card[1] not in shot.clip.frames:
        return shot
    return dataclasses.replace(shot, neutral=card[0], frame=card[1])


# --- balancing ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Light:
    """The light of a frame as the balance that would take it out, and how it was found: "card" or "edges"."""

    balance: Balance
    by: str


def find_light(
    clip: Clip, frame: int, neutral: Sample | None, transfer: str, frames: Sequence[int] | None = None
) -> Light:
    """Read the light of a clip: from a neutral sample on a frame, or else from the edges of three of its ``frames``.

    Frames that are missing are no part of them, and of the three one that can be read is enough. Raises BalanceError
    where neither allows it, InputError where no frame can be read.
    """
    if neutral is not None:
        return Light(solve_balance(clip.read(frame), neutral, transfer), CARD)
    found, failed = [], []
    wanted = frames or clip.frames
    for number in spread([each for each in wanted if each not in clip.missing] or wanted, 3):
        try:
            found.append(solve_balance(clip.read(number), None, transfer))
        except InputError as error:
            failed.append(error)
    if not found:
        raise failed[0]
    temperature, tint = (statistics.median(getattr(b, name) for b in found) for name in ("temperature", "tint"))
    return Light(Balance(temperature=temperature, tint=tint, transfer=transfer), EDGES)


def carried_balance(reference: Balance, at_reference: Light, at_clip: Light) -> Balance:
    """Return the balance of a clip: that of the reference, and what the light has changed since.

    Raises ParamError where the sum is beyond what a balance can do.
    """
    return dataclasses.replace(
        reference,
        temperature=reference.temperature + at_clip.balance.temperature - at_reference.balance.temperature,
        tint=reference.tint + at_clip.balance.tint - at_reference.balance.tint,
    )


def balance_step(graph: Graph) -> Step | None:
    """Return the graph's first balance that reads the plate, or None."""
    for step in graph.order():
        if isinstance(step.node, Balance) and STANDARD_SOURCE in dict(step.inputs).values():
            return step
    return None


def with_balance(graph: Graph, balance: Balance, frame: int) -> Graph:
    """Return the graph with another balance; where it has none, one is put between the plate and all that reads it.

    What changes over time goes on changing alike, by frame numbers, and is what the balance says at ``frame``. Raises
    ParamError where that leaves what a balance can do.
    """
    step = balance_step(graph)
    if step is not None:
        there = step.node_at(frame)
        moved = {name: summed(keys, getattr(balance, name) - getattr(there, name)) for name, keys in step.keyed}
        return graph.with_step(with_amounts(dataclasses.replace(step, node=balance, keyed=()), moved))
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


def solve_again(
    graph: Graph,
    picture: Floats,
    frame: int,
    add: Sequence[Sample],
    subtract: Sequence[Sample],
    target: Skin,
    view: View = lambda seen: seen,
) -> Graph:
    """Return the graph with its key learned anew from samples and its steering solved so that the result is on target.

    What a hand put beside the solve stays: it is no part of what is on target.

    :param picture: the plate at ``frame``, with the samples on it. :param target: hue and saturation to reach, as
        they are read through ``view``.
    :raises CarryError: no key or no steering in the graph. :raises SampleError, ReadingError: unusable samples.
    """
    key, steer = (_frozen(_only_step(graph, kind), frame) for kind in (SkinKey, SteerSkin))
    graph = graph.with_step(key).with_step(steer)
    look = look_at(lambda _: picture)
    marked = doubted(graph, look, key.id, [MarkedPicture(frame, tuple(add), tuple(subtract))])
    node, learned = solve_key(graph, look, key.id, marked)
    graph = with_learning(graph.with_step(dataclasses.replace(key, node=node)), look, key.id, marked, learned, frame)
    landed = solve_steering(graph, look, steer.id, frame, target.target(), view)
    return with_solved(graph, steer.id, landed, TURNED_STEER)


def _frozen(step: Step, frame: int) -> Step:
    """Return a step that stays as it is at a frame."""
    return dataclasses.replace(step, node=step.node_at(frame), keyed=())


def _only_step(graph: Graph, kind: type[Any]) -> Step:
    found = [step for step in graph.order() if isinstance(step.node, kind)]
    if len(found) != 1:
        raise CarryError(
            f"The graph has {len(found) or 'no'} {kind.label!r} nodes, and solving again needs exactly one: "
            "carry without --solve-again, or solve this clip with `inkarnat correct`."
        )
    return found[0]


# --- carrying -----------------------------------------------------------------------------------------------

REFERENCE = "reference"
"""How the light of the reference itself was found: by whoever solved it."""


@dataclass(frozen=True)
class Shot:
    """A clip with what was marked on one of its frames.

    :ivar frames: those that count, or None for all. :ivar own: the graph that this clip has already, where it has one.
    """

    name: str
    clip: Clip
    frame: int
    neutral: Sample | None = None
    add: tuple[Sample, ...] = ()
    subtract: tuple[Sample, ...] = ()
    frames: tuple[int, ...] | None = None
    own: Graph | None = None


@dataclass(frozen=True)
class Carried:
    """A correction carried to a shot.

    :ivar balance: of this shot, None where it was left as it is. :ivar by: how its light was found.
    :ivar surveyed: what its skin reads. :ivar level: how its skin's level lies beside the reference's, in words.
    """

    shot: Shot
    graph: Graph
    balance: Balance | None
    by: str
    surveyed: Survey
    verdict: Verdict
    solved_again: bool = False
    level: str = ""


class Carrier:
    """Carries one correction, solved on a reference shot, to other shots.

    :param graph: the solved graph. :param reference: the shot it was solved on; with a neutral sample where it was
        balanced by one and the graph does not say so itself. :param person: what every shot is judged against; without
        one, what the graph was solved for, or the line. :param view: what readings look through, and ``seen`` its name.
    :param light: "edges" also where there is no neutral sample, or "copy" to leave the light of such shots as it is.
    :param what: the parts that are carried: see :data:`PARTS`. :param subjects: the people whose parts are carried and
        who are judged, None for everybody. :param match_exposure: bring the skin to the reference's
        level, in linear light. :param typed: what is set by hand on every clip that is carried to, by option.
    :ivar notes: what there is to say of the reference.
    """

    def __init__(
        self,
        graph: Graph,
        reference: Shot,
        view: View,
        person: Person | None = None,
        light: str = EDGES,
        *,
        line: float = SKIN_LINE,
        seen: str = "",
        what: Collection[str] = PARTS,
        subjects: Collection[str] | None = None,
        match_exposure: bool = False,
        typed: Mapping[str, Hand] | None = None,
    ) -> None:
        graph.origins(["result", "matte"])
        self.graph, self.view, self.seen, self.light = graph, view, seen, light
        self.what, self.match_exposure, self.typed = frozenset(what), match_exposure, dict(typed or {})
        self.reference = with_noted_card(reference, graph)
        step = balance_step(graph)
        self.has_balance = step is not None
        node = step.node_at(reference.frame) if step else Balance()
        assert isinstance(node, Balance)
        self.balance = node
        self.person, self.line, self.subjects = person, line, subjects
        self.aims = self._aims_of(graph)
        self._on_reference, note = without_foreign_faces(graph, reference.clip)
        self.notes = () if note is None or self._on_reference is graph else (note,)
        self.surveys = survey_people(reference.clip, self._on_reference, view, self.aims, reference.frames)
        first = next((name for name, each in self.surveys.items() if each.final is not None), next(iter(self.surveys)))
        self.aim, self.surveyed = self.aims[first], self.surveys[first]
        if self.surveyed.final is None:
            raise CarryError(
                f"{reference.clip.path}: the graph finds no skin on the reference. {_detail(self.surveyed)}"
            )
        self._lights: dict[str, Light] = {}

    def carry(self, shot: Shot, again: bool = False) -> Carried:
        """Carry the correction to a shot, solved again on it where ``again``.

        Raises CarryError that names it where its samples cannot be used.
        """
        try:
            return self._carry(shot, again)
        except (BalanceError, SampleError, ReadingError, ParamError) as error:
            raise CarryError(f"{shot.name}: {error}") from error

    def _carry(self, shot: Shot, again: bool) -> Carried:
        carried = parts_of(self.graph, self.what, shot.own, self.subjects)
        graph = without_accepted(with_own_faces(carried, shot.clip))
        balance, by = self._balance(shot) if "light" in self.what else (None, noted_light(graph) or COPY)
        graph = graph if balance is None else self._with_trim(with_balance(graph, balance, self.reference.frame))
        solved = again and bool(shot.add)
        if solved:
            picture = shot.clip.read(shot.frame)
            aim = self._solved_aim()
            graph = solve_again(graph, picture, shot.frame, shot.add, shot.subtract, aim, self.view)
        if self.match_exposure:
            graph = self._at_the_level(graph, shot)
            step = balance_step(graph)
            node = step.node_at(shot.frame) if step else None
            balance = node if isinstance(node, Balance) else balance
        graph = with_card(with_light(graph, by), shot.neutral, shot.frame)
        graph = self._set(with_face_note(graph, shot.clip))
        step = balance_step(graph)
        balance = cast(Balance, step.node_at(shot.frame)) if step and (balance or self.typed) else balance
        return self._judged(shot, graph, balance, by, solved)

    def _set(self, graph: Graph) -> Graph:
        """Return the graph with what is set by hand on every clip. Raises GraphError where that is too much."""
        return typed_on(graph, self.typed) if self.typed else graph

    def _with_trim(self, graph: Graph) -> Graph:
        """Return the graph of another clip with its balance in two parts: its own, and the reference's by hand."""
        step, reference = balance_step(graph), balance_step(self.graph)
        if step is None or reference is None:
            return graph
        known, parts, frame = parts_of_step(self.graph, reference.id), {}, self.reference.frame
        for name in CARRIED:
            whole, each = amount_of(step, name), known.get(name, Parts())
            if each.hand is None:
                parts[name] = Parts(whole)
                continue
            trim = apart(amount_of(reference, name), each.solved or 0.0)
            own = apart(whole if isinstance(each.solved, Keyframes) else value_at(whole, frame), value_at(trim, frame))
            parts[name] = Parts(own, Hand(trim))
        return with_parts(graph, step.id, parts)

    def _aims_of(self, graph: Graph) -> dict[str, Aim]:
        """Return what each person of a graph is judged against; where subjects are named, of those."""
        names = [name for name in mattes_of(graph) if self.subjects is None or name in self.subjects]
        return aims_of(graph, names or mattes_of(graph), self.person, self.line)

    def _judged(self, shot: Shot, graph: Graph, balance: Balance | None, by: str, solved: bool = False) -> Carried:
        aims = {name: self.aims.get(name, aim) for name, aim in self._aims_of(graph).items()}
        surveys = survey_people(shot.clip, graph, self.view, aims, shot.frames)
        light = noted_light(self.graph) if by == REFERENCE else by
        besides = {} if shot is self.reference else self.surveys
        misread = misread_of(shot.clip, graph)

        def told(name: str, surveyed: Survey) -> Evidence:
            beside = besides.get(name)
            return evidence(graph, surveyed, shot.frame, light, beside, self.reference.name, self.seen, name, misread)

        verdict, worst = judge_people(surveys, aims, told)
        surveyed, beside = surveys[worst], besides.get(worst)
        level = ""
        if beside is not None and surveyed.final is not None and beside.final is not None:
            level = distance(Skin.of(surveyed.final), Skin.of(beside.final)).level_words()
        return Carried(shot, graph, balance, by, surveyed, verdict, solved, level)

    def kept(self, shot: Shot) -> Carried:
        """Return a further stretch of the reference's own clip, with the reference's graph, measured and judged."""
        return self._judged(shot, self._on_reference, self.balance if self.has_balance else None, REFERENCE)

    def standing(self, shot: Shot) -> Carried:
        """Return a shot with the graph that it has already, measured and judged: it is approved, or made by hand."""
        assert shot.own is not None
        step = balance_step(shot.own)
        node = step.node_at(shot.frame) if step else None
        by = noted_light(shot.own) or "kept"
        return self._judged(shot, shot.own, node if isinstance(node, Balance) else None, by)

    def reference_carried(self) -> Carried:
        """Return the reference itself, judged like the others."""
        return self.kept(self.reference)

    def _solved_aim(self) -> Skin:
        """Return hue and saturation to reach on another clip: the target's, and the reference's where it has none."""
        assert self.surveyed.final is not None
        final = Skin.of(self.surveyed.without_look or self.surveyed.final)
        target = self.aim.target
        angle = self.aim.angle if target.landing == "centre" else final.angle
        return dataclasses.replace(final, angle=angle, ratio=final.ratio if target.ratio is None else target.ratio)

    def _at_the_level(self, graph: Graph, shot: Shot) -> Graph:
        """Return the graph with an exposure that brings the skin of a shot to the reference's level."""
        assert self.surveyed.final is not None
        wanted = self.surveyed.final.luma[1]
        for _ in range(4):
            final = survey(shot.clip, graph, self.view, shot.frames, most=3).final
            if final is None:
                return graph
            missing = stops(wanted, final.luma[1])
            if abs(missing) < _NEAR_LEVEL:
                return graph
            step = balance_step(graph)
            node = step.node_at(shot.frame) if step else Balance(transfer=self.balance.transfer)
            assert isinstance(node, Balance)
            low, high = Balance.params()["exposure"].low, Balance.params()["exposure"].high
            exposure = min(max(node.exposure + missing, low), high)
            graph = with_balance(graph, dataclasses.replace(node, exposure=exposure), shot.frame)
        return graph

    def _balance(self, shot: Shot) -> tuple[Balance | None, str]:
        if shot.neutral is None and self.light == COPY:
            return None, COPY
        if shot.neutral is not None:
            light = find_light(shot.clip, shot.frame, shot.neutral, self.balance.transfer)
            if self.reference.neutral is None and self.has_balance:
                exposed = dataclasses.replace(light.balance, exposure=self.balance.exposure)
                return exposed, CARD  # the reference was balanced by its own card
            if self.reference.neutral is None:
                raise CarryError(
                    f"{shot.name} has a neutral sample, but the graph has no balance to compare with: "
                    "give the reference's neutral sample too."
                )
            return carried_balance(self.balance, self._reference_light(CARD), light), CARD
        try:
            return self._by_edges(shot), EDGES
        except (BalanceError, ParamError):
            return None, UNREAD

    def _by_edges(self, shot: Shot) -> Balance:
        """Return the balance that brings the clip's edges to the colour of the reference's, once corrected itself."""
        transfer = self.balance.transfer
        at_reference = self._reference_light(EDGES)
        first = carried_balance(
            self.balance, at_reference, find_light(shot.clip, shot.frame, None, transfer, shot.frames)
        )
        seen_through = dataclasses.replace(first, exposure=0.0)
        left = find_light(_Balanced(shot.clip, seen_through), shot.frame, None, transfer, shot.frames)
        wanted = self._balanced_reference_light()
        return carried_balance(first, wanted, left)

    def _reference_light(self, by: str) -> Light:
        if by not in self._lights:
            neutral = self.reference.neutral if by == CARD else None
            self._lights[by] = find_light(self.reference.clip, self.reference.frame, neutral, self.balance.transfer)
        return self._lights[by]

    def _balanced_reference_light(self) -> Light:
        if "balanced" not in self._lights:
            balanced = _Balanced(self.reference.clip, dataclasses.replace(self.balance, exposure=0.0))
            self._lights["balanced"] = find_light(balanced, self.reference.frame, None, self.balance.transfer)
        return self._lights["balanced"]


CARRIED = ("temperature", "tint")
"""What a clip's own light is balanced by; the rest of a balance is copied."""

_NEAR_LEVEL = 0.02
"""Stops within which two levels are the same."""


# --- carrying again -------------------------------------------------------------------------------------------


class Begun:
    """What a folder holds of earlier carries: which clips follow the reference, and which stay as they are.

    :ivar clips: entries of the run file by name. :ivar own: the graphs that the clips have, by name.
    :param replaces: names of clips made by hand whose graph is replaced all the same, or "all".
    :param approves, unlocks: names of clips that are locked from now on, or let go. :param partial: whether only parts
        are carried: these then go into graphs made by hand too, which keep all others.
    """

    def __init__(
        self,
        run: Run | None,
        own: Mapping[str, Graph],
        *,
        replaces: Collection[str] = (),
        approves: Collection[str] = (),
        unlocks: Collection[str] = (),
        partial: bool = False,
    ) -> None:
        self.clips = {} if run is None else {clip.name: clip for clip in run.clips}
        self.own, self.replaces, self.partial = own, set(replaces), partial
        self.approved = ({name for name, clip in self.clips.items() if clip.approved} | set(approves)) - set(unlocks)
        self._locked = {name for name, clip in self.clips.items() if clip.approved} - set(unlocks)

    @classmethod
    def read(cls, folder: Path, options: Mapping[str, Any], names: Collection[str]) -> Begun:
        """Look into a folder. Raises GraphError and RunError for damaged files, CarryError for an unknown name."""
        path = folder / RUN_FILE
        run = Run.load(path) if path.is_file() else None
        run = run and dataclasses.replace(run, clips=tuple(_moved(run, clip) for clip in run.clips))
        files = {name: folder / f"{name}.json" for name in names}
        own = {name: Graph.load(file) for name, file in files.items() if file.is_file()}
        for option in ("replaces", "approves", "unlocks"):
            for name in options[option]:
                if name not in names and not (option == "replaces" and name == "all"):
                    hint = nearest(name, names) or f"There are: {', '.join(names)}."
                    raise CarryError(f"--{option[:-1] if option != 'replaces' else 'replace'} names {name!r}. {hint}")
        partial = set(options["what"].replace(" ", "").split(",")) != set(PARTS) or bool(options.get("subjects"))
        marks = {key: options[key] for key in ("replaces", "approves", "unlocks")}
        return cls(run, own, partial=partial, **marks)

    def is_approved(self, name: str) -> bool:
        """Tell whether a clip is locked."""
        return name in self.approved

    def carried(self, name: str) -> str:
        """Return the hash of a clip's graph as it was carried, or ""."""
        return self.clips[name].carried if name in self.clips else ""

    def is_by_hand(self, name: str) -> bool:
        """Tell whether a clip has a graph that is not the one that was carried to it."""
        return name in self.own and graph_hash(self.own[name]) != self.carried(name)

    def stands(self, name: str) -> bool:
        """Tell whether a clip keeps the graph that it has."""
        if name in self._locked and name in self.own:
            return True
        return self.is_by_hand(name) and not self.partial and not self.replaces & {name, "all"}

    def carry(self, carrier: Carrier, shot: Shot, again: bool) -> Carried:
        """Carry to a shot, or judge what it has where that stays."""
        own = self.own.get(shot.name)
        shot = dataclasses.replace(shot, own=own)
        return carrier.standing(shot) if own is not None and self.stands(shot.name) else carrier.carry(shot, again)

    def notes(self) -> list[str]:
        """Say which clips stayed as they are, and how to change that."""
        found = []
        for name in self.own:
            if name in self._locked:
                found.append(f"{name} is approved and stays as it is: --unlock {name} lets it go.")
            elif self.stands(name):
                found.append(f"{name} was changed by hand and stays as it is: --replace {name} carries to it.")
        return found


def named_before(folder: str | os.PathLike[str]) -> dict[str, str]:
    """Return the clips of earlier carries into a folder, by name. Raises InputError and RunError for a damaged file."""
    path = Path(folder) / RUN_FILE
    if not path.is_file():
        return {}
    run = Run.load(path, replaced=True)
    return {clip.name: str(run.path(clip.files)) for clip in run.clips}


def _moved(run: Run, clip: RunClip) -> RunClip:
    """Return an entry of a run file with paths as they are seen from here."""
    return dataclasses.replace(clip, files=str(run.path(clip.files)), graph=str(run.path(clip.graph)))


def moving_notes(carried: Sequence[Carried]) -> list[str]:
    """Say what changes over time on clips that were carried to, and where a clip shows nothing of that change."""
    told, still = dict[str, None](), []
    for each in carried:
        here = each.shot.frames or each.shot.clip.frames
        for step in each.graph.steps:
            for name, keys in step.keyed:
                control = control_of(step.id.split("-")[0], name)
                if control is None or each is carried[0]:
                    continue
                told[f"--{control.option}"] = None
                first, last = keys.pairs[0][0], keys.pairs[-1][0]
                if last <= here[0] or first >= here[-1]:
                    still.append(
                        f"{each.shot.name}: the keyframes of --{control.option}, at frames {first:g} to {last:g}, lie "
                        f"outside the clip, {here[0]} to {here[-1]}: nothing changes there."
                    )
    words = f"{' and '.join(told)} change{'s' if len(told) == 1 else ''} over time"
    rule = f"{words}, at the same frame numbers on every clip as on the reference."
    return [rule, *still] if told else []


def carry_all(
    carrier: Carrier, shots: Sequence[Shot], again: bool, begun: Begun, advance: Callable[[int], None]
) -> tuple[list[Carried], dict[str, str]]:
    """Carry to every shot but the first, which is the reference, on all cores; ``advance`` hears of each clip.

    :return: what was carried, the reference first, and for each shot that cannot be read why, by its name.
    """
    done = itertools.count(1)
    unread: dict[str, str] = {}

    def carry(shot: Shot) -> Carried | None:
        try:
            return begun.carry(carrier, shot, again)
        except InputError as error:  # the other clips are done all the same
            unread[shot.name] = str(error)
            return None
        finally:
            advance(next(done))

    first = carrier.reference_carried()
    advance(next(done))
    with ThreadPoolExecutor(max(1, min(os.cpu_count() or 1, len(shots), _MOST_AT_ONCE))) as pool:
        carried = [first, *filter(None, pool.map(carry, shots[1:]))]
    return carried, {shot.name: unread[shot.name] for shot in shots if shot.name in unread}


_MOST_AT_ONCE = 8
"""Clips that are carried at once: each holds a few frames."""


class _Balanced(Clip):
    """A clip seen through a balance."""

    def __init__(self, clip: Clip, balance: Balance) -> None:
        super().__init__(clip.path)
        self.frames, self._clip, self._through = clip.frames, clip, balance

    def read(self, frame: int) -> Floats:
        """Return the balanced picture."""
        return self._through.process(self._clip.read(frame))


def _detail(surveyed: Survey) -> str:
    return surveyed.failed[0][1] if surveyed.failed else "Look at its matte."


def named_shots(names: Sequence[str], kept: Mapping[str, str] = MappingProxyType({})) -> list[str]:
    """Return a short, unique name for each path, by which its graph is called. Raises GraphError for none.

    :param kept: the paths of clips that have a name in the folder already. They keep it, and no other clip gets it as
        long as theirs is there: cards and folders of shots call many clips alike.
    """
    if not names:
        raise GraphError("There is no clip to carry to: give --to CLIP.")
    known = {os.path.realpath(path): name for name, path in kept.items()}
    taken = {name for name, path in kept.items() if _is_there(path)}
    result = []
    for path in names:
        stem = "".join(c if c.isalnum() or c in "-_" else "-" for c in Path(path).stem.split("%")[0].split("#")[0])
        name = known.pop(os.path.realpath(path), "") or _free_name(stem.strip("-.") or "clip", taken)
        taken.add(name)
        result.append(name)
    return result


def _is_there(files: str) -> bool:
    """Tell whether a clip, or one picture of a sequence, lies where it was."""
    path = Path(_PART.sub("", files))
    return path.exists() or any(path.parent.glob(_DIGITS.sub("*", glob.escape(path.name))))


_PART, _DIGITS = re.compile(r":(part|layer|video)=[^/]*$"), re.compile(r"%0?\d*d|#+")
