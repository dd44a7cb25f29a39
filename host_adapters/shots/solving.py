"""Solving a clip: faces, people, light, key and steering, for the command line, the desk and the benchmarks.

:func:`solve` is the whole job on a clip: what is marked goes in, a solved graph with its readings comes out. Where a
graph is already there, :func:`solve_light`, :func:`solve_key` and :func:`solve_steering` set one step of it anew.
"""

from __future__ import annotations

import dataclasses
import itertools
import re
import statistics
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, cast

from ...kernels.arrays import Floats
from ...nodes import (
    AS_SHOT,
    BY_HAND,
    BY_LIGHT,
    CARD,
    COPY,
    EDGES,
    LEARNED_SIGNS,
    MATTE_SIGNS,
    SKIN_LINE,
    Aim,
    Balance,
    Cdl,
    ConvertColour,
    Corrected,
    Correction,
    CorrectionOptions,
    LearnedKey,
    MarkedFrame,
    Node,
    People,
    Region,
    Sample,
    SampleError,
    SkinKey,
    SkinReading,
    SkinTarget,
    SoftenMatte,
    SoughtError,
    SteadyMatte,
    SteerSkin,
    Subject,
    ToneCurve,
    Verdict,
    Warned,
    beyond,
    faces_apart,
    judge,
    missed,
    side_note,
    solve_balance,
    solve_neutral_black,
    solve_steer,
    solve_subjects,
    strange_marks,
    study_skin,
)
from ...nodes.declare import ParamError
from ..detect import person as detected
from ..detect.faces import available
from ..graphs.drifts import AT_REST
from ..graphs.errors import GraphError
from ..graphs.graph import Graph, Step
from ..graphs.parts import (
    Hand,
    Parts,
    accepted_again,
    accepted_keys,
    amount_of,
    parts_of,
    with_amounts,
    with_parts,
)
from ..graphs.rendering import NOBODY, Listener
from ..graphs.runner import Runner
from ..graphs.standard import Keyed, chain_graph, with_keyed
from ..graphs.typed import hands_of, in_options, keyed_of, set_nodes
from .aims import aim_at, noted_light, with_aims, with_card, with_covered, with_light
from .approach import Approach
from .doubts import with_doubts
from .drift import CutFinder, Drift, Followed, Wander, follow_drift, measure_drift
from .evidence import (
    Moment,
    Survey,
    Witness,
    before_look,
    evidence,
    face_evidence,
    misread_of,
)
from .face_tracks import FaceTrack
from .faces import Seeded, follow, nobody_found, person_in, seed, with_persons
from .key_drift import follow_light
from .looks import Under, with_look
from .marks import MarkedPicture, with_black, with_marks
from .people import Person
from .sampling import spread
from .seen import solve_seen
from .viewing import View
from .whose_faces import with_face_note

Mark = tuple[int | None, Sample]
"""A frame, None for the reference, and what is marked on it."""


class Footage(Protocol):
    """What solving asks of a clip, whose pictures are in the working signal."""

    path: Any
    frames: Any
    missing: Any

    def read(self, frame: int) -> Floats:
        """Return the picture at a frame. Raises InputError."""


# --- what is asked ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class SubjectMarks:
    """One person as they are marked in a clip.

    :ivar name: empty where there is one person only. :ivar add, subtract: samples of skin and of what must stay out.
    :ivar target: None takes that of the wanted.
    :ivar person: the approved person they are matched to; information for whoever tells how far they lie from it.
    :ivar shapes: steps of shapes that limit the key, which read the plate, by ``in1``, ``in2`` … and ``out1`` ….
    :ivar typed: what is set for them alone.
    """

    name: str = ""
    add: tuple[Mark, ...] = ()
    subtract: tuple[Mark, ...] = ()
    target: SkinTarget | None = None
    person: Person | None = None
    shapes: Mapping[str, Step] = field(default_factory=dict)
    typed: Mapping[str, Hand] = field(default_factory=dict)

    def id(self, word: str) -> str:
        """Return the id of one of this person's nodes."""
        return f"{word}-{self.name}" if self.name else word


@dataclass(frozen=True)
class SolveOptions:
    """How a clip is to be solved.

    :ivar subjects: one without a name, or several with names. :ivar neutral: something grey, to balance the light by.
    :ivar frame: the reference, to which marks without a frame belong; None for the first of the clip.
    :ivar wanted: what is asked beyond the marks. :ivar view: what the skin is on target through, None for none.
    :ivar faces: whether faces are looked for: a mark on one means that face, and without marks all are keyed.
    :ivar through: whether faces are followed through the clip; otherwise those of the marked frames teach the key, and
        are part of the graph only where the clip has no other frame.
    :ivar natural_range: key the natural range of skin where nothing is sampled and no face is found; otherwise skin is
        sought by its look then, and where it is not surely seen, nothing is solved.
    :ivar light: how the light is found without a card: see :data:`LIGHTS`.
    :ivar line: the line used in the project, degrees. :ivar seen: the name of the view, "" for none.
    :ivar under: a look on top, from which skin is kept.
    :ivar typed: what is set by hand, by option: see :mod:`~..graphs.typed`. :ivar black: something black, whose colour
        is taken out of it. :ivar track: whether shapes that stand still follow what they were drawn round.
    :ivar earlier: the graph that this one comes in place of: mattes that were accepted in it stay so, where they are
        the same.
    :ivar drift: "leave" does not look at it, "measure" does and offers to follow it, "follow" keys the steering.
    """

    subjects: tuple[SubjectMarks, ...] = (SubjectMarks(),)
    neutral: Mark | None = None
    frame: int | None = None
    wanted: CorrectionOptions = field(default_factory=CorrectionOptions)
    view: View | None = None
    faces: bool = True
    through: bool = False
    track: bool = False
    drift: str = "leave"
    natural_range: bool = True
    light: str = AS_SHOT
    line: float = SKIN_LINE
    seen: str = ""
    typed: Mapping[str, Hand] = field(default_factory=dict)
    black: Mark | None = None
    under: Under | None = None
    earlier: Graph | None = None

    def typed_of(self, subject: SubjectMarks) -> dict[str, Hand]:
        """Return what is set by hand for a person: what is said of them, or else of everybody."""
        return {**self.typed, **subject.typed}

    @classmethod
    def of(
        cls,
        add: Sequence[Sample] = (),
        subtract: Sequence[Sample] = (),
        neutral: Sample | None = None,
        wanted: CorrectionOptions | None = None,
        **others: Any,
    ) -> SolveOptions:
        """Return the options for one person who is marked on the reference alone."""
        skin, other = (tuple((None, sample) for sample in samples) for samples in (add, subtract))
        grey = None if neutral is None else (None, neutral)
        return cls((SubjectMarks("", skin, other),), grey, wanted=wanted or CorrectionOptions(), **others)


# --- what comes of it ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Drifting:
    """The drift of each person by the id of their steering, and what was done about it.

    :ivar cut: the first frame behind a cut, where one was found.
    """

    spans: Mapping[str, Drift]
    followed: Followed | None
    cut: int | None = None

    def of(self, id: str) -> Wander:
        """Return how far the skin of a steering wanders."""
        drift = self.spans[id]
        seen = zip(drift.angles, drift.ratios, strict=True)
        return Wander.of([(frame, angle, ratio) for (frame, angle), ratio in seen], self.cut)

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain JSON data."""
        data: dict[str, Any] = {id: drift.as_dict() for id, drift in self.spans.items()}
        return {"before": data, "followed": None if self.followed is None else self.followed.as_dict()}


@dataclass(frozen=True)
class Solved:
    """A solved clip.

    :ivar correction: nodes and readings of each person. :ivar graph: in the working signal, regions and drift keyed.
    :ivar approved: the person that each is matched to, by name. :ivar seeded: faces that were added, by name.
    :ivar drift: where it was looked at and the clip has more than one frame. :ivar notes: what there is to say.
    :ivar light_by: how the light was found. :ivar light_only: each person's reading with the light alone corrected.
    :ivar verdicts: how each person's skin is judged on the reference frame. :ivar under_look: what it reads under a
        look, where there is one.
    """

    correction: Correction
    graph: Graph
    approved: Mapping[str, Person]
    seeded: Mapping[str, Seeded]
    drift: Drifting | None = None
    notes: tuple[str, ...] = ()
    light_by: str = AS_SHOT
    light_only: Mapping[str, SkinReading | None] = field(default_factory=dict)
    verdicts: Mapping[str, Verdict] = field(default_factory=dict)
    under_look: Mapping[str, SkinReading | None] = field(default_factory=dict)

    def faces(self) -> list[dict[str, Any]]:
        """Return the faces that seeded a key, as plain JSON data."""
        return [face for seeded in self.seeded.values() for face in seeded.as_dict()]

    def as_dict(self) -> dict[str, Any]:
        """Return the figures as plain JSON data."""
        drift = None if self.drift is None else self.drift.as_dict()
        data = {**self.correction.as_dict(), "light": self.light_by}
        for name, verdict in self.verdicts.items():
            light = self.light_only.get(name)
            own = data["subjects"][name] if name else data
            own |= {"light_only": None if light is None else light.as_dict(), "verdict": verdict.as_dict()}
            if name in self.under_look:
                looked = self.under_look[name]
                own["under_look"] = None if looked is None else looked.as_dict()
        return {**data, "notes": list(self.notes), "drift": drift, "faces": self.faces()}


# --- the whole job ------------------------------------------------------------------------------------------


def solve(clip: Footage, options: SolveOptions, listener: Listener = NOBODY) -> Solved:
    """Solve a clip: the light, each person's key and steering, and what follows regions and drift.

    :param clip: pictures in the working signal. :param listener: hears how far tracking is.

    Raises SampleError, ReadingError, BalanceError, SubjectError: what was marked cannot be used; the message says why.
    InputError for a frame that cannot be read.
    """
    notes: list[str] = []
    marked = _MarkedFrames(clip, options)
    tracks = _followed_faces(clip, listener) if options.faces and options.through and len(clip.frames) > 1 else None
    seeded = {each.name: _seeded(each, marked.of(each), tracks, options) for each in options.subjects}
    limits = {each.name: _limits_of(each, clip, options, marked.first, listener, notes) for each in options.subjects}
    subjects = [_subject(each, seeded[each.name].frames, limits[each.name], options) for each in options.subjects]
    for marked_subject in subjects:
        sampled = any(frame.add or frame.faces or frame.seek for frame in marked_subject.frames) or marked_subject.name
        if not options.natural_range and not sampled:
            raise SampleError(_nobody_said(marked_subject.frames[0].picture, options))
    keyed = {each.id(word): step.keyed for each in options.subjects for word, step in limits[each.name].items()}
    for subject, number in itertools.product(options.subjects, range(len(tracks or ()))):
        keyed[subject.id(f"face{number + 1}")] = (tracks or ())[number].keyed(clip.frames[0], clip.frames[-1])
    picture = set_picture(clip, options, marked, notes)
    options = dataclasses.replace(options, wanted=picture.wanted)
    keyed |= picture.keyed
    subjects = [dataclasses.replace(each, frames=_without_cards(each.frames)) for each in subjects]
    try:
        correction = _with_warnings(solve_subjects(subjects, options.wanted), seeded)
    except SoughtError:
        raise SampleError(_nobody_said(subjects[0].frames[0].picture, options)) from None
    if tracks is None and len(clip.frames) > 1:
        correction = correction.without_faces()
    aims = {person.name: person.target for person in correction.people}
    if options.view is not None:
        correction, aims = solve_seen(correction, subjects, options.wanted, keyed, options.view)
    graph = chain_graph(correction.links(), correction.outputs(), keyed)
    once = {o.id("skin") for o, each in zip(options.subjects, subjects, strict=True) if len(each.frames) == 1}
    graph = follow_light(graph, tracks or (), marked.first, once, clip.frames)
    graph, drift = _with_drift(graph, correction, aims, clip, options, notes)
    graph, correction = _by_hand(graph, correction, picture, options)
    approved = {subject.name: subject.person for subject in options.subjects if subject.person is not None}
    aimed = {p.name: aim_at(p.target, approved.get(p.name), options.line) for p in correction.people}
    graph = with_light(with_aims(graph, aimed), picture.light_by)
    if options.neutral is not None:
        graph = with_card(graph, options.neutral[1], marked.first if options.neutral[0] is None else options.neutral[0])
    graph = _with_marks(graph, marked, options, correction, subjects)
    graph = with_face_note(graph, clip)
    graph, accepted = _accepted_again(graph, correction, options, notes)
    if options.under is not None:
        graph = with_look(options.under.on(graph), options.under)
    graph = with_doubts(graph, {p.name: _matte_signs(p.warnings) for p in correction.people})
    judged = _judged(graph, clip, correction, aimed, marked.first, options, drift, notes)
    graph = with_covered(graph, {name: covered for name, (_, _, covered) in judged.items()})
    correction = _doubted_as_judged(_read_again(correction, judged, options), judged)
    graph = with_doubts(graph, {p.name: _matte_signs(p.warnings) for p in correction.people})
    correction = _undoubted(correction, accepted)
    for person in correction.people:
        notes += _told_of_target(person, aimed[person.name], parts_of(graph, person.id("steer")))
    lights = {name: moment.light_only for name, (moment, _, _) in judged.items()}
    looked = {name: moment.final for name, (moment, _, _) in judged.items()} if options.under is not None else {}
    verdicts = {name: verdict for name, (_, verdict, _) in judged.items()}
    return Solved(correction, graph, approved, seeded, drift, tuple(notes), picture.light_by, lights, verdicts, looked)


def _limits_of(
    subject: SubjectMarks, clip: Footage, options: SolveOptions, frame: int, listener: Listener, notes: list[str]
) -> dict[str, Step]:
    """Return the shapes that limit a person's key, following the clip where that is asked for."""
    return {
        word: _followed_region(clip, step, frame, listener, notes) if options.track and not step.keyed else step
        for word, step in subject.shapes.items()
    }


def _seeded(
    subject: SubjectMarks, frames: list[MarkedFrame], tracks: Sequence[FaceTrack] | None, options: SolveOptions
) -> Seeded:
    """Return a person's frames with what is seen in them.

    Faces stand in for samples of everyone; of whom they are, nobody can tell.
    """
    if options.faces and (not subject.name or subject.add):
        return seed(frames, tracks, not subject.name and not options.natural_range)
    return with_persons(frames)


def _subject(
    subject: SubjectMarks, frames: Sequence[MarkedFrame], limits: Mapping[str, Step], options: SolveOptions
) -> Subject:
    """Return a person as they are solved, set as it was typed."""
    nodes = set_nodes(options.typed_of(subject), frames[0].frame)
    return Subject(
        subject.name,
        frames,
        subject.target,
        None,
        {word: _region_at(step) for word, step in limits.items()},
        cast(SkinKey | None, nodes.get("skin")),
        cast(SoftenMatte | None, nodes.get("soften")),
        cast(SteadyMatte, nodes["steady"]).frames if "steady" in nodes else None,
    )


def _nobody_said(picture: Floats, options: SolveOptions) -> str:
    """Return why nothing is keyed: no sample was given, and no face found or looked for."""
    why, install = "faces are not looked for", ""
    if not available():
        install = " install opencv-python-headless,"
    elif options.faces:
        why = "no" + nobody_found(picture).removeprefix("No")
    return (
        f"Nothing says what is skin: no sample was given and {why}. Give --add SAMPLE on lit skin,{install} name a "
        "frame that shows a face with --frame, or give --natural-range to key whatever has the colour of skin."
    )


LIGHTS = (AS_SHOT, EDGES)
"""How the light is found without a card: left as it was shot, or read from the picture's edges."""


@dataclass(frozen=True)
class _Set:
    """What the whole picture goes through: found, set by hand, and both parts of what a solve found.

    :ivar wanted: the options with it. :ivar light_by: how the light was found. :ivar parts: of the balance.
    :ivar keyed: what changes over time, by the id of the step.
    """

    wanted: CorrectionOptions
    light_by: str
    parts: Mapping[str, Parts]
    keyed: Mapping[str, Keyed]


def set_picture(clip: Footage, options: SolveOptions, marked: _MarkedFrames, notes: list[str]) -> _Set:
    """Find the light, put the hand's part beside it, and set levels and saturation. Raises BalanceError, ParamError."""
    wanted, frame = options.wanted, marked.first
    nodes = set_nodes(options.typed, frame)
    wanted = dataclasses.replace(
        wanted,
        tone=cast(ToneCurve, nodes.get("tone", wanted.tone)),
        saturation=cast(Cdl, nodes["saturation"]).saturation if "saturation" in nodes else wanted.saturation,
    )
    found, found_by = _found_light(clip, options, notes)
    if options.black is not None:
        found, wanted = _neutral_black(found, wanted, options, marked)
    hands = hands_of(options.typed, "balance")
    solved = {name for name in ("temperature", "tint") if found is not None}
    parts = {
        name: Parts(getattr(found, name) if name in solved else None, hands.get(name))
        for name in BALANCED
        if name in hands or name in solved
    }
    if found is None and hands:
        found_by = BY_HAND
    step = _set_balance(Step.of("balance", found or Balance(), image="plate"), parts)
    balance = None if found is None and not hands else cast(Balance, step.node_at(frame))
    keyed = {"balance": step.keyed, "saturation": keyed_of(options.typed, "saturation")}
    keyed = {id: each for id, each in keyed.items() if each}
    varying = {
        at: {
            **({"balance": step.node_at(at)} if step.keyed else {}),
            **({"saturation": set_nodes(options.typed, at)["saturation"]} if "saturation" in keyed else {}),
        }
        for at in marked.pictures
    }
    kept = frozenset(keyed)
    wanted = dataclasses.replace(wanted, balance=balance, varying=varying if keyed else {}, kept=kept)
    return _Set(wanted, found_by, parts, keyed)


BALANCED = ("exposure", "temperature", "tint")
"""What can be set of the light by hand."""


def _set_balance(step: Step, parts: Mapping[str, Parts]) -> Step:
    """Return a balance as its parts come to. Raises GraphError in the words of the options where that is too much."""
    params = step.node.params()
    try:
        return with_amounts(step, {name: each.amount(params[name].default) for name, each in parts.items()})
    except ParamError as error:
        raise GraphError(in_options(str(error))) from None


def _found_light(clip: Footage, options: SolveOptions, notes: list[str]) -> tuple[Balance | None, str]:
    """Return the light that was asked for, without the hand's part, and how it was found. Raises BalanceError."""
    if options.neutral is not None:
        at, sample = options.neutral
        first = options.frame if options.frame is not None else clip.frames[0]
        return solve_balance(clip.read(first if at is None else at), sample), CARD
    if options.wanted.balance is not None:
        return options.wanted.balance, COPY if options.light == COPY else BY_HAND
    if options.light == EDGES:
        return _light_by_edges(clip, notes), EDGES
    return None, AS_SHOT


_BLACK_ROUNDS = 6


def _neutral_black(
    found: Balance | None, wanted: CorrectionOptions, options: SolveOptions, marked: _MarkedFrames
) -> tuple[Balance | None, CorrectionOptions]:
    """Take the colour out of a black sample; the card, where there is one, is read again behind that.

    The balance works before the blacks, so what they take out of the card is given back to the balance.
    """
    assert options.black is not None
    picture, sample = marked.at(options.black)
    card = None if options.neutral is None else marked.at(options.neutral)
    tone = wanted.tone
    for _ in range(_BLACK_ROUNDS):
        balanced = picture if found is None else found.process(picture)
        tone = dataclasses.replace(tone, neutral_black=solve_neutral_black(balanced, sample))
        if found is None or card is None:
            break
        blacks = ToneCurve(neutral_black=tone.neutral_black)
        left = solve_balance(blacks.process(found.process(card[0])), card[1])
        if abs(left.temperature) < 0.01 and abs(left.tint) < 1e-5:
            break
        found = dataclasses.replace(
            found, temperature=found.temperature + left.temperature, tint=found.tint + left.tint
        )
    return found, dataclasses.replace(wanted, tone=tone)


def _by_hand(graph: Graph, correction: Correction, picture: _Set, options: SolveOptions) -> tuple[Graph, Correction]:
    """Note what was solved, and put the hand's part beside it. Raises GraphError where the two are too much."""
    if "balance" in graph.by_id and picture.parts:
        graph = with_parts(graph, "balance", picture.parts)
    people = []
    for person, subject in zip(correction.people, options.subjects, strict=True):
        id, hands = person.id("steer"), hands_of(options.typed_of(subject), "steer")
        solved = LIT_STEER if options.wanted.method == BY_LIGHT else TURNED_STEER
        step = graph.by_id[id]
        parts = {name: Parts(amount_of(step, name)) for name in solved if name not in hands}
        parts |= {name: Parts(amount_of(step, name) if name in solved else None, hand) for name, hand in hands.items()}
        try:
            graph = with_parts(graph, id, parts)
        except ParamError as error:
            raise GraphError(in_options(str(error))) from None
        steer = graph.by_id[id].node_at(person.frame or 0)
        people.append(dataclasses.replace(person, steer=cast(SteerSkin, steer)))
    return graph, dataclasses.replace(correction, people=tuple(people))


TURNED_STEER, LIT_STEER = ("angle", "saturation"), ("temperature", "tint")
"""What solving finds of a steering that turns, and of one by temperature and tint alone."""


def _read_again(
    correction: Correction, judged: Mapping[str, tuple[Moment, Verdict, float | None]], options: SolveOptions
) -> Correction:
    """Return the correction with the skin read as it ends before a look: by hand, and where several people overlap."""
    people = []
    for person in correction.people:
        moment = judged[person.name][0]
        final = moment.final if options.under is None else moment.without_look
        people.append(person if final is None else dataclasses.replace(person, after=final))
    return dataclasses.replace(correction, people=tuple(people))


def _matte_signs(warnings: Sequence[Warned]) -> list[Warned]:
    return [each for each in warnings if each.sign in (*MATTE_SIGNS, *LEARNED_SIGNS)]


def _accepted_again(
    graph: Graph, correction: Correction, options: SolveOptions, notes: list[str]
) -> tuple[Graph, frozenset[str]]:
    """Return the graph with the mattes accepted that were so before and are the same, and whose they are."""
    if options.earlier is None:
        return graph, frozenset()
    graph, changed = accepted_again(graph, options.earlier)
    notes += [f"The matte of {key} that was accepted in the graph is another one now: it is judged." for key in changed]
    kept = accepted_keys(graph)
    return graph, frozenset(person.name for person in correction.people if person.id("skin") in kept)


def _undoubted(correction: Correction, accepted: Collection[str]) -> Correction:
    """Return the correction without signs of mattes that somebody has looked at, by the names of their people."""
    people = [
        dataclasses.replace(each, warnings=tuple(w for w in each.warnings if w not in _matte_signs(each.warnings)))
        if each.name in accepted
        else each
        for each in correction.people
    ]
    return dataclasses.replace(correction, people=tuple(people))


def _doubted_as_judged(
    correction: Correction, judged: Mapping[str, tuple[Moment, Verdict, float | None]]
) -> Correction:
    """Return the correction with the signs of each matte as the graph makes it, by which it was judged."""
    people = []
    for person in correction.people:
        others = [each for each in person.warnings if each.sign not in MATTE_SIGNS]
        people.append(dataclasses.replace(person, warnings=(*(judged[person.name][0].doubts or ()), *others)))
    return dataclasses.replace(correction, people=tuple(people))


def _with_marks(
    graph: Graph, marked: _MarkedFrames, options: SolveOptions, correction: Correction, subjects: Sequence[Subject]
) -> Graph:
    """Return the graph with notes on what was marked, so that keys can be learned and blacks read again."""
    strange = {(each.name, frame.frame): frame.strange for each in subjects for frame in each.frames}
    for subject, person in zip(options.subjects, correction.people, strict=True):
        first, *others = marked.noted(subject)
        if person.learned is not None:
            first = dataclasses.replace(first, sought=person.learned.sought, close_up=person.learned.close_up)
        noted = [
            dataclasses.replace(each, strange=strange.get((subject.name, each.frame), ())) for each in (first, *others)
        ]
        graph = with_marks(graph, subject.id("skin"), noted)
    if options.black is not None:
        graph = with_black(graph, options.black[1], marked.number(options.black))
    return graph


def _without_cards(frames: Sequence[MarkedFrame]) -> list[MarkedFrame]:
    """Return frames whose light is found already."""
    return [dataclasses.replace(frame, neutral=None) for frame in frames]


def _light_by_edges(clip: Footage, notes: list[str]) -> Balance:
    frames = [frame for frame in clip.frames if frame not in clip.missing]
    found = [solve_balance(clip.read(number)) for number in spread(frames, 3)]
    temperature, tint = (statistics.median(getattr(each, name) for each in found) for name in ("temperature", "tint"))
    notes.append(
        f"The light was read from the picture's edges, {temperature:+.0f} mired and a tint of {1000 * tint:+.1f} "
        "thousandths, which other surroundings mislead: --neutral SAMPLE on something grey makes it certain."
    )
    return Balance(temperature=temperature, tint=tint)


def _judged(
    graph: Graph,
    clip: Footage,
    correction: Correction,
    aims: Mapping[str, Aim],
    frame: int,
    options: SolveOptions,
    drift: Drifting | None,
    notes: list[str],
) -> dict[str, tuple[Moment, Verdict, float | None]]:
    """Read what the graph does on the reference frame of each person, judge it, and see what of a face it covers."""
    witness = Witness(graph, options.view or (lambda picture: picture))
    found = {}
    for person in correction.people:
        at = person.frame if person.frame is not None else frame
        pictures = witness.pictures(clip, at)
        moment = witness.moment(pictures, at, person.name)
        face = face_evidence(pictures, pictures[witness.mattes[person.name]], alone=len(correction.people) == 1)
        moment = dataclasses.replace(moment, aimed=witness.aimed(clip, at, person.name, aims[person.name]))
        surveyed = Survey.of([moment], [at], *face)
        known = evidence(
            graph,
            surveyed,
            at,
            noted_light(graph),
            view=options.seen,
            person=person.name,
            misread=misread_of(clip, graph),
            drift=None if drift is None or drift.followed is not None else drift.of(person.id("steer")),
        )
        notes += [each.message for each in faces_apart(moment.faces)]
        found[person.name] = moment, judge(known, aims[person.name]), face[1]
    return found


def _told_of_target(person: Corrected, aim: Aim, parts: Mapping[str, Parts]) -> list[str]:
    """Say by how much a person's target was missed and why, and what a bias and an edge on one side add up to."""
    if any(each.hand is not None for each in parts.values()):
        why = "It was moved by hand."
    elif person.steer.saturation >= SteerSkin.params()["saturation"].high:
        why = (
            f"The saturation is at its limit, × {person.steer.saturation:g}: balance the light first, or ask for less."
        )
    elif person.steer.shadow_angle:
        why = "The lit and the shadow side are steered apart, and the whole lies between them."
    elif person.steer.even_out:
        why = "Evening out moves the centre."
    else:
        why = "The key lets some of the skin through in part: look at the matte, or add a sample."
    told = [*missed(person.after, aim, why), side_note(person.after, aim.target)]
    whose = f"{person.name}: " if person.name else ""
    return [whose + note for note in told if note]


class _MarkedFrames:
    """The marked frames of a clip, each read once."""

    def __init__(self, clip: Footage, options: SolveOptions) -> None:
        self.clip, self.neutral = clip, options.neutral
        self.first = options.frame if options.frame is not None else clip.frames[0]
        self.pictures: dict[int, Floats] = {}

    def of(self, subject: SubjectMarks) -> list[MarkedFrame]:
        """Return the frames marked for a person, the reference first. Raises SampleError for one not in the clip."""
        neutral = [] if self.neutral is None else [self.neutral]
        numbers = [self.first, *(self.number(mark) for mark in (*subject.add, *subject.subtract, *neutral))]
        return [
            MarkedFrame(
                number,
                self._picture(number),
                self._on(subject.add, number),
                self._on(subject.subtract, number),
                next(iter(self._on(neutral, number)), None),
            )
            for number in dict.fromkeys(numbers)
        ]

    def number(self, mark: Mark) -> int:
        """Return the frame that a mark is on."""
        return self.first if mark[0] is None else mark[0]

    def at(self, mark: Mark) -> tuple[Floats, Sample]:
        """Return the picture that a mark is on, and the mark. Raises SampleError for a frame not in the clip."""
        return self._picture(self.number(mark)), mark[1]

    def noted(self, subject: SubjectMarks) -> list[MarkedPicture]:
        """Return what is marked of a person, frame by frame, the reference first whether marked or not."""
        numbers = [self.first, *(self.number(mark) for mark in (*subject.add, *subject.subtract))]
        return [
            MarkedPicture(number, self._on(subject.add, number), self._on(subject.subtract, number))
            for number in dict.fromkeys(numbers)
        ]

    def _on(self, marks: Sequence[Mark], number: int) -> tuple[Sample, ...]:
        return tuple(mark[1] for mark in marks if self.number(mark) == number)

    def _picture(self, number: int) -> Floats:
        if number not in self.clip.frames:
            first, last = self.clip.frames[0], self.clip.frames[-1]
            raise SampleError(f"Frame {number} is not in {self.clip.path}: it has the frames {first} to {last}.")
        if number not in self.pictures:
            self.pictures[number] = self.clip.read(number)
        return self.pictures[number]


def _followed_faces(clip: Footage, listener: Listener) -> tuple[FaceTrack, ...] | None:
    """Return the faces of a clip through it; None without a detector."""
    if not available():
        return None
    frames = [frame for frame in clip.frames if frame not in clip.missing]
    return follow(clip.read, frames, listener.progress)


def _followed_region(clip: Footage, step: Step, frame: int, listener: Listener, notes: list[str]) -> Step:
    """Let a region follow the clip from the frame on which it is drawn, and note where it is lost."""
    from .track import follow_region

    with listener.progress(max(len(clip.frames) - 1, 1)) as advance:
        track = follow_region(clip.read, clip.frames, step.node, frame, advance)  # type: ignore[arg-type]
    for at, reason in track.lost:
        notes.append(f"The region is lost at frame {at} and stands still from there: {reason}.")
    return track.step()


RegionAt = Callable[[int], Region]


def _region_at(step: Step) -> RegionAt:
    def region_at(frame: int) -> Region:
        node = step.node_at(frame)
        assert isinstance(node, Region)
        return node

    return region_at


def _with_warnings(correction: Correction, seeded: Mapping[str, Seeded]) -> Correction:
    """Return the correction with what there is to say about faces among its warnings."""
    people = tuple(
        dataclasses.replace(person, warnings=(*person.warnings, *seeded[person.name].warnings))
        for person in correction.people
    )
    return dataclasses.replace(correction, people=people)


def _with_drift(
    graph: Graph,
    correction: Correction,
    aims: Mapping[str, SkinTarget],
    clip: Footage,
    options: SolveOptions,
    notes: list[str],
) -> tuple[Graph, Drifting | None]:
    """Look at how far the skin drifts through the clip; follow it where that is asked for, offer it where it pays."""
    frames = [frame for frame in clip.frames if frame not in clip.missing] if options.drift != "leave" else []
    if len(frames) < 2:
        return graph, None
    steers = {person.id("steer"): person for person in correction.people}
    cuts = CutFinder(clip.read, frames)

    def read(frame: int) -> Floats:
        picture = clip.read(frame)
        cuts.see(frame, picture)
        return picture

    spans = {id: measure_drift(graph, read, frames, id) for id in steers}
    notes += [_unkeyed(steers[id], drift) for id, drift in spans.items() if drift.unread]
    if options.drift != "follow":
        told = {id: drift for id, drift in spans.items() if beyond("drift", drift.span)}
        notes += [_offer(steers[id], drift) for id, drift in told.items() if not beyond("over the clip", drift.span)]
        cut = cuts.first()
        notes += [] if cut is None else [_BEHIND_A_CUT.format(cut=cut)]
        return graph, Drifting(spans, None, cut)
    solves = {id: _steering(options.wanted, aims[person.name]) for id, person in steers.items()}
    followed = follow_drift(graph, clip.read, frames, solves)
    return with_keyed(graph, followed.keyed), Drifting(spans, followed)


_BEHIND_A_CUT = (
    "There is a cut at frame {cut}, and one correction goes across it: look at the matte on both sides, or correct "
    "each on its own, --frames with a --frame in them."
)


def _steering(wanted: CorrectionOptions, target: SkinTarget) -> Callable[..., SteerSkin]:
    return lambda image, matte: wanted.steer(image, matte, target)


def _unkeyed(person: Corrected, drift: Drift) -> str:
    whose = f"of {person.name} " if person.name else ""
    looked_at = len(drift.unread) + len(drift.angles)
    where = f"frame{'s' * (len(drift.unread) > 1)} {', '.join(map(str, drift.unread))}"
    keyed = f"No skin {whose}is keyed on {len(drift.unread)} of the {looked_at} frames that were looked at ({where})"
    return f"{keyed}: nothing is judged there, and hardly anything corrected."


def _offer(person: Corrected, drift: Drift) -> str:
    whose = f"{person.name}'s skin" if person.name else "The skin"
    return (
        f"{whose} drifts by {drift.span:.1f}° of hue through the clip under one correction: --follow-drift keys the "
        "steering, or balance the light first."
    )


# --- one step of a graph ------------------------------------------------------------------------------------

Look = Callable[[Graph, str, int], Floats]
"""Returns what a source or step of a graph gives at a frame, at full size. Raises what working it out raises."""

CENTRED = ("centre_angle", "centre_ratio")
SOLVED_STEER = (*TURNED_STEER, *CENTRED)
"""What solving sets in a steering that turns."""


def look_at(read: Callable[[int], Floats]) -> Look:
    """Return a look at graphs over the one picture that ``read`` gives for a frame, worked out by the runner."""

    def look(graph: Graph, origin: str, frame: int) -> Floats:
        return Runner(graph).values(frame, lambda _, at: read(at), {"": origin})[""]

    return look


def solve_light(graph: Graph, look: Look, id: str, frame: int, neutral: Sample | None = None) -> Balance:
    """Return a graph's balance as a neutral sample on a frame wants it, or without one as the edges suggest.

    Raises BalanceError where neither tells the light.
    """
    node = graph.by_id[id].node
    assert isinstance(node, Balance)
    found = solve_balance(look(graph, read_by(graph, id, "image"), frame), neutral, node.transfer)
    return dataclasses.replace(node, temperature=found.temperature, tint=found.tint)


def solve_key(
    graph: Graph, look: Look, id: str, marked: Sequence[MarkedPicture], seek: bool = False
) -> tuple[SkinKey, LearnedKey]:
    """Return a graph's key, taught anew from samples on what it reads, and what was learned; its other settings stay.

    What it knew of the light counted from the frame that it was learned on before (:data:`AT_REST`).

    :param marked: frames in order, the first with a sample of skin. :param seek: as in :func:`study_skin`. Raises
        SampleError where they do not serve.
    """
    node = graph.by_id[id].node
    assert isinstance(node, SkinKey)
    origin = read_by(graph, id, "image")
    first, *more = [(look(graph, origin, each.frame), each.add, each.subtract) for each in marked]
    faces = [each.faces for each in marked]
    persons = persons_at(graph, look, id, marked)
    learned = study_skin(*first, more, faces=faces[0], more_faces=faces[1:], persons=persons, seek=seek)
    return dataclasses.replace(node, model=learned.key.model, **AT_REST), learned  # type: ignore[arg-type]


def with_learning(
    graph: Graph, look: Look, id: str, marked: Sequence[MarkedPicture], learned: LearnedKey, frame: int
) -> Graph:
    """Return a graph that holds a key as it was learned, with notes on what from, and on what there is to doubt of it.

    :param marked: what to note, frame by frame. :param frame: the first that the key was learned from.
    """
    first, *others = marked
    first = dataclasses.replace(first, sought=learned.sought, close_up=learned.close_up)
    graph = with_marks(graph, id, [first, *others])
    suffix = id.removeprefix("skin")
    steer = graph.by_id.get("steer" + suffix)
    origin = dict(graph.outputs).get("matte") if steer is None else dict(steer.inputs).get("matte")
    if origin is None:
        return graph
    matte, picture = (look(graph, at, frame) for at in (origin, read_by(graph, id, "image")))
    drawn = (step.id for step in graph.steps if isinstance(step.node, Region))
    limited = any(re.fullmatch(rf"(region|in\d+){re.escape(suffix)}", each) for each in drawn)
    found = learned.warnings(matte, picture, limited)
    return with_doubts(graph, {suffix.removeprefix("-"): [each for each in found if each.sign in LEARNED_SIGNS]})


def persons_at(graph: Graph, look: Look, id: str, marked: Sequence[MarkedPicture]) -> list[People | None]:
    """Return what is seen of people on frames with their marks and faces; see :func:`.faces.person_in`.

    They are looked for in the picture from which the key's own comes, before its light is set, as :func:`solve` does.
    """
    if not detected.available():
        return [None] * len(marked)
    origin = read_by(graph, id, "image")
    while origin in graph.by_id and not isinstance(graph.by_id[origin].node, ConvertColour):
        origin = read_by(graph, origin, "image")
    return [person_in(look(graph, origin, each.frame), each.faces, each.add, each.subtract) for each in marked]


def doubted(graph: Graph, look: Look, id: str, marked: Sequence[MarkedPicture]) -> list[MarkedPicture]:
    """Return marked frames with a note of those samples of skin that do not look like it."""
    seen = persons_at(graph, look, id, [MarkedPicture(each.frame, faces=each.faces) for each in marked])
    pairs = zip(marked, seen, strict=True)
    return [dataclasses.replace(each, strange=strange_marks(each.add, people)) for each, people in pairs]


def solve_steering(
    graph: Graph,
    look: Look,
    id: str,
    frame: int,
    target: SkinTarget,
    view: View | None = None,
    by_light: bool = False,
) -> SteerSkin:
    """Return a graph's steering, set so that the skin in its result at a frame rests on the target; all else stays.

    What follows the steering, and the view, move the skin: the steering is solved, looked at and solved again
    (:class:`Approach`). A look that skin is kept from counts for nothing, and so does what a hand put beside the solve.
    Where the target is out of reach, the steering is the one that came nearest.

    :param view: what the result is read through; None for none.
    :param by_light: find temperature and tint of the skin in place of a turn.

    Raises ReadingError where no skin is keyed, GraphError for a graph without a result where there is a view.
    """
    image, matte = (look(graph, read_by(graph, id, port), frame) for port in ("image", "matte"))
    step, way = graph.by_id[id], Approach(target)
    at = step.node_at(frame)
    outputs = dict(graph.outputs) if view is None else graph.origins(["result"])
    result = before_look(graph, outputs.get("result", id))
    found = _steered(at, image, matte, target, by_light)
    if view is None and result == id:
        return found
    by_hand: dict[str, Any] = {
        name: at.params()[name].default for name in ("amount", *(TURNED_STEER if by_light else LIT_STEER))
    }

    def missed() -> SteerSkin:
        solved = dataclasses.replace(step, node=dataclasses.replace(found, **by_hand), keyed=())
        made = look(graph.with_step(solved), result, frame)
        return solve_steer(made if view is None else view(made), matte, target)

    while way.follow(missed()):
        found = _steered(at, image, matte, way.aim, by_light)
    return found if way.aim == way.best else _steered(at, image, matte, way.best, by_light)


def _steered(node: Node, image: Floats, matte: Floats, target: SkinTarget, by_light: bool = False) -> SteerSkin:
    assert isinstance(node, SteerSkin)
    if by_light:
        found = solve_steer(image, matte, target, BY_LIGHT)
        return dataclasses.replace(node, **{name: getattr(found, name) for name in (*LIT_STEER, *CENTRED)})
    split = node.shadow_angle != 0 and node.method == "turn"
    found = solve_steer(
        image, matte, target, node.method, split=split, even_out=node.even_out, even_side=node.even_side
    )
    names = (*SOLVED_STEER, *(("shadow_angle", "shadow_luma", "shadow_softness") if split else ()))
    return dataclasses.replace(node, **{name: getattr(found, name) for name in names})


def read_by(graph: Graph, id: str, port: str) -> str:
    """Return the source or step that a step reads on a port. Raises GraphError where nothing is connected."""
    origin = dict(graph.by_id[id].inputs).get(port)
    if origin is None:
        raise GraphError(f"Nothing is connected to {port!r} of step {id!r}: connect it, or set its controls by hand.")
    return origin
