"""Evidence: what a graph does to the skin of a clip, read as shot, with the light alone, and in the final picture.

Under a look that skin is kept from, the skin is read before the look as well, and a target is taken through look and
keeping like the skin itself: that is where skin which lies on its target ends up.
"""

from __future__ import annotations

import dataclasses
import statistics
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from ...kernels.angles import wrapped
from ...kernels.arrays import Floats
from ...nodes import (
    CARD,
    EDGES,
    LIMITS,
    UNREAD,
    Aim,
    Balance,
    ConvertColour,
    CorrectSkin,
    Evidence,
    FaceMatte,
    KeepSkin,
    LeftBehind,
    RangeKey,
    ReadingError,
    SkinKey,
    SkinReading,
    SteerSkin,
    Verdict,
    Warned,
    burnt_out,
    hues_of_faces,
    judge,
    left_behind,
    measure_skin,
    solve_steer,
    together,
    worst_first,
    worst_left_behind,
)
from ..detect.faces import Face, available, find_faces
from ..graphs.colour_spaces import WORKING, InWorking
from ..graphs.graph import STANDARD_SOURCE, Graph, Step
from ..graphs.parts import accepted_keys, parts_of
from ..graphs.runner import Fetch, Runner
from ..media.colour_tags import misread
from ..media.files import InputError
from ..media.pictures import PictureInfo
from ..media.video_format import VideoInfo
from .aims import noted_card, noted_covered
from .approach import Approach
from .doubts import signs_seen, with_noted
from .drift import CutFinder, Wander
from .sampling import spread

View = Callable[[Floats], Floats]

BEFORES = ("as_shot", "light_only", "final")
"""The three pictures of which skin is read, in order."""

WITHOUT_LOOK = "without_look"
"""The corrected picture before a look that skin is kept from, where there is one."""

SURVEY_FRAMES = 5
"""Frames of a clip whose median reading is judged."""

_LIGHT_BY = {"neutral": CARD, "edges": EDGES, UNREAD: UNREAD}


class Read(Protocol):
    """What is looked at: a clip, or anything that gives pictures by frame."""

    frames: Any

    def read(self, frame: int) -> Floats:
        """Return the picture of a frame."""


# --- the three befores --------------------------------------------------------------------------------------


def mattes_of(graph: Graph) -> dict[str, str]:
    """Return the output that holds each person's matte, by name; "" where there is one person. Raises GraphError."""
    graph.origins(["matte"])
    own = {name.removeprefix("matte-"): name for name, _ in graph.outputs if name.startswith("matte-")}
    return own or {"": "matte"}


def with_befores(graph: Graph, result: str = "result") -> Graph:
    """Return the graph with the outputs ``as_shot``, ``light_only`` and ``final`` besides its own.

    The light-only picture is the final one with every steering left out. Where skin is kept from a look, it is without
    the look, and the output ``without_look`` is the corrected picture before it. All are in the working signal.

    Raises GraphError for a graph without the result.
    """
    final = in_working(graph, result)
    natural = before_look(graph, final)
    shot = WORKING if WORKING in graph.by_id else _source(graph)
    copies: dict[str, Step] = {}
    lights: dict[str, str] = {}

    def light(origin: str) -> str:
        """Return the step that gives what ``origin`` gives, without steering."""
        if origin in lights or origin not in graph.by_id:
            return lights.get(origin, origin)
        step = graph.by_id[origin]
        if isinstance(step.node, SteerSkin):
            lights[origin] = light(dict(step.inputs)["image"])
            return lights[origin]
        inputs = tuple((port, light(come) if graph.kind(come) == "picture" else come) for port, come in step.inputs)
        still = isinstance(step.node, CorrectSkin)
        if inputs == step.inputs and not still:
            lights[origin] = origin
            return origin
        changed = dataclasses.replace(step, id=_free(f"light-{step.id}"[:60], {*graph.by_id, *copies}), inputs=inputs)
        if still:
            unsteered = dataclasses.replace(step.node, amount=0.0)  # type: ignore[type-var]
            keyed = tuple(pair for pair in step.keyed if pair[0] != "amount")
            changed = dataclasses.replace(changed, node=unsteered, keyed=keyed)
        copies[changed.id] = changed
        lights[origin] = changed.id
        return changed.id

    shown = {"as_shot": shot, "light_only": light(natural), "final": final}
    shown |= {} if natural == final else {WITHOUT_LOOK: natural}
    outputs = {**dict(graph.outputs), **shown}
    return Graph((*graph.steps, *copies.values()), tuple(outputs.items()), graph.sources)


def in_working(graph: Graph, result: str) -> str:
    """Return what gives an output in the working signal."""
    final = graph.origins([result])[result]
    leaving = graph.by_id.get(final)
    if leaving is not None and isinstance(leaving.node, ConvertColour) and WORKING in graph.by_id:
        return dict(leaving.inputs)["image"]
    return final


def kept_step(graph: Graph, final: str) -> Step | None:
    """Return the last step before ``final`` that keeps skin from a look, None where nothing does."""
    kept = [step for step in graph.order_to([final]) if isinstance(step.node, KeepSkin)]
    return kept[-1] if kept else None


def before_look(graph: Graph, result: str) -> str:
    """Return what gives a picture before a look that skin is kept from; the picture itself where there is none."""
    kept = kept_step(graph, result)
    return result if kept is None else dict(kept.inputs)["natural"]


_AIMED = "aimed"


def from_aimed(graph: Graph, result: str = "result") -> Graph | None:
    """Return a graph whose source ``aimed`` stands in for the picture before the look; None where there is no look.

    Its output ``aimed`` is the final picture. Mattes stay what they are. Raises GraphError for a graph without the
    result.
    """
    final = in_working(graph, result)
    kept = kept_step(graph, final)
    if kept is None:
        return None
    natural, source = dict(kept.inputs)["natural"], _free(_AIMED, {*graph.by_id, *graph.sources})
    copies: dict[str, Step] = {}

    def instead(origin: str) -> str:
        if origin == natural:
            return source
        step = graph.by_id.get(origin)
        if step is None or graph.kind(origin) != "picture":
            return origin
        id = f"aimed-{origin}"[:60]
        if id in copies:
            return id
        inputs = tuple((port, instead(come)) for port, come in step.inputs)
        if inputs == step.inputs:
            return origin
        copies[id] = dataclasses.replace(step, id=id, inputs=inputs)
        return id

    aimed = instead(final)
    return Graph((*graph.steps, *copies.values()), ((_AIMED, aimed),), (*graph.sources, source))


def aimed_reading(
    graph: Graph, frame: int, read: Fetch, natural: Floats, matte: Floats, aim: Aim, view: View
) -> SkinReading | None:
    """Return what skin would read in the end if it lay on its target before the look; None where nothing can be read.

    :param graph: as :func:`from_aimed` gives it. :param natural: the corrected picture before the look.
    :param matte: of the skin. :param view: what readings look through.
    """

    def instead(source: str, at: int) -> Floats:
        return on_target if source == graph.sources[-1] else read(source, at)

    try:
        on_target = _on_target(natural, matte, aim, view)
        return measure_skin(view(Runner(graph).run_frame(frame, instead)[_AIMED]), matte)
    except ReadingError:
        return None


def _source(graph: Graph) -> str:
    return STANDARD_SOURCE if STANDARD_SOURCE in graph.sources else graph.sources[0]


def _free(wanted: str, taken: set[str]) -> str:
    name, number = wanted, 1
    while name in taken:
        number += 1
        name = f"{wanted}{number}"
    return name


@dataclass(frozen=True)
class Moment:
    """What the skin of one person reads on one frame, in the three pictures; None where it could not be read.

    :ivar without_look: before a look that skin is kept from. :ivar aimed: see :meth:`Witness.aimed`.
    :ivar doubts: the signs that the matte wants a look; None where the picture that it was keyed on is not at hand.
    :ivar burnt: share of the keyed skin at white or beyond. :ivar faces: see :func:`~inkarnat.nodes.hues_of_faces`.
    :ivar card: share of the graph's neutral mark that is keyed, where it lies on this frame.
    """

    frame: int
    as_shot: SkinReading | None
    light_only: SkinReading | None
    final: SkinReading | None
    missing: str = ""
    without_look: SkinReading | None = None
    aimed: SkinReading | None = None
    doubts: tuple[Warned, ...] | None = None
    burnt: float = 0.0
    faces: tuple[float, float] | None = None
    card: float = 0.0


def _with_result(graph: Graph) -> Graph:
    """Return the graph with the picture as it came for a result, where it gives mattes alone."""
    if any(name == "result" for name, _ in graph.outputs):
        return graph
    shot = WORKING if WORKING in graph.by_id else _source(graph)
    return dataclasses.replace(graph, outputs=(*graph.outputs, ("result", shot)))


_UNSEEN = "unseen"
"""The light-only picture as the key saw it, not as it is looked at through a view."""


def known_faces(graph: Graph, name: str, frame: int) -> tuple[FaceMatte, ...]:
    """Return the faces that a graph knows on a frame for a person's key, by the name in the graph."""
    origin = mattes_of(graph).get(name, "matte")
    origin = dict(graph.outputs).get(origin, "")
    steps = graph.order_to([origin]) if origin in graph.by_id else []
    suffix = f"-{name}" if name else ""
    found = (step.node_at(frame) for step in steps if isinstance(step.node, FaceMatte) and step.id.endswith(suffix))
    return tuple(face for face in found if isinstance(face, FaceMatte) and face.presence > _PRESENT)


_PRESENT = 0.5


class Witness:
    """Reads what a graph does, frame by frame. A graph that gives mattes alone leaves the picture as it came.

    :param view: what readings look through, all three pictures alike.
    """

    def __init__(self, graph: Graph, view: View) -> None:
        self.graph, self.view = graph, view
        self.mattes = mattes_of(graph)
        graph = _with_result(graph)
        self.opened = with_befores(graph)
        self._runner = Runner(self.opened)
        self._from_aimed = from_aimed(graph)
        self.shown = (*BEFORES, *([WITHOUT_LOOK] if self._from_aimed is not None else []))

    def pictures(self, clip: Read, frame: int) -> dict[str, Floats]:
        """Return the three pictures as they are seen, and the matte of every person by the name of its output."""
        first, last = clip.frames[0], clip.frames[-1]
        wanted = [*self.shown, *self.mattes.values()]
        made = self._runner.run_frame(frame, lambda _, at: clip.read(min(max(at, first), last)), wanted)
        return {**made, **{name: self.view(made[name]) for name in self.shown}, _UNSEEN: made["light_only"]}

    def moment(self, pictures: dict[str, Floats], frame: int, name: str = "") -> Moment:
        """Read the skin of a person in the three pictures of a frame."""
        matte = pictures[self.mattes[name]]
        found: dict[str, SkinReading | None] = dict.fromkeys((*BEFORES, WITHOUT_LOOK))
        missing = ""
        for before in self.shown:
            try:
                found[before] = measure_skin(pictures[before], matte)
            except ReadingError as error:
                missing = missing or str(error)
        shot, light, final, without = (found[each] for each in (*BEFORES, WITHOUT_LOOK))
        faces = known_faces(self.graph, name, frame)
        doubts = signs_seen(self.graph, f"-{name}" if name else "", frame, matte, pictures[_UNSEEN], faces)
        burnt = burnt_out(pictures["final"], matte, pictures["as_shot"])
        apart = hues_of_faces(pictures["final"], matte, faces)
        card = noted_card(self.graph)
        on_card = card[0].keyed(matte) if card is not None and card[1] == frame else 0.0
        return Moment(
            frame, shot, light, final, missing, without, doubts=doubts, burnt=burnt, faces=apart, card=on_card
        )

    def aimed(self, clip: Read, frame: int, name: str, aim: Aim | None) -> SkinReading | None:
        """Return what the skin of a person would read in the end if it lay on its target before the look.

        None where no look is there that skin is kept from, and where nothing could be read.
        """
        if self._from_aimed is None or aim is None:
            return None
        first, last = clip.frames[0], clip.frames[-1]

        def read(_: str, at: int) -> Floats:
            return clip.read(min(max(at, first), last))

        natural = dict(self.opened.outputs)[WITHOUT_LOOK]
        matte = dict(self.opened.outputs)[self.mattes[name]]
        found = self._runner.values(frame, read, {"natural": natural, "matte": matte})
        return aimed_reading(self._from_aimed, frame, read, found["natural"], found["matte"], aim, self.view)


def _on_target(picture: Floats, matte: Floats, aim: Aim, view: View) -> Floats:
    """Return a picture whose skin rests on a target as it is seen.

    Raises ReadingError where no skin is keyed, and where the target cannot be reached.
    """
    way = Approach(aim.target)
    while True:
        moved = solve_steer(picture, matte, way.aim).process(picture, matte)
        if not way.follow(solve_steer(view(moved), matte, aim.target)):
            break
    if not way.reached:
        raise ReadingError("Through this view the skin cannot be brought to its target.")
    return moved if way.aim == way.best else solve_steer(picture, matte, way.best).process(picture, matte)


# --- over a clip --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Survey:
    """What the skin of a clip reads through a graph: medians over a few frames.

    :ivar as_shot, light_only, final: None where no frame could be read. :ivar frames: those that were looked at.
    :ivar failed: why frames could not be read, by frame. :ivar face: what of the face is left behind in the middle.
    :ivar of_face: keyed area in parts of the face's size there, None where no face is known.
    :ivar without_look, aimed: as in :class:`Moment`. :ivar doubts: of the matte in the middle, as in :class:`Moment`.
    :ivar wander: how far its hue wanders, in the end. :ivar burnt: as in :class:`Moment`.
    :ivar faces: as in :class:`Moment`, where they end farthest from each other. :ivar card: as in :class:`Moment`.
    """

    as_shot: SkinReading | None
    light_only: SkinReading | None
    final: SkinReading | None
    frames: tuple[int, ...]
    failed: tuple[tuple[int, str], ...] = ()
    face: LeftBehind | None = None
    of_face: float | None = None
    without_look: SkinReading | None = None
    aimed: SkinReading | None = None
    doubts: tuple[Warned, ...] | None = None
    wander: Wander = dataclasses.field(default_factory=Wander)
    burnt: float = 0.0
    faces: tuple[float, float] | None = None
    card: float = 0.0

    @property
    def area(self) -> float:
        """Keyed part of the frame."""
        return 0.0 if self.final is None else self.final.area

    @classmethod
    def of(
        cls,
        moments: Sequence[Moment],
        frames: Sequence[int],
        face: LeftBehind | None,
        of_face: float | None,
        cut: int | None = None,
    ) -> Survey:
        """Return the medians of what was read on frames.

        :param cut: the first frame behind a cut, where one was found.
        """
        failed = tuple((moment.frame, moment.missing) for moment in moments if moment.missing)
        names = (*BEFORES, "without_look", "aimed")
        shot, light, final, without, aimed = (middle([getattr(m, each) for m in moments]) for each in names)
        doubts = moments[len(moments) // 2].doubts if moments else None
        read = [(moment.frame, moment.final) for moment in moments if moment.final is not None]
        wander = Wander.of([(frame, wrapped(each.angle - read[0][1].angle), each.ratio) for frame, each in read], cut)
        burnt = statistics.median([moment.burnt for moment in moments] or [0.0])
        apart = farthest(moments)
        return cls(
            shot, light, final, tuple(frames), failed, face, of_face, without, aimed, doubts, wander, burnt,
            None if apart is None else apart.faces, max((moment.card for moment in moments), default=0.0),
        )  # fmt: skip


def farthest(moments: Iterable[Moment]) -> Moment | None:
    """Return the moment at which the faces in one key end farthest from each other, None without two faces."""
    there = [moment for moment in moments if moment.faces is not None]
    return max(there, key=lambda moment: moment.faces[1] - moment.faces[0], default=None)  # type: ignore[index]


def survey(
    clip: Read,
    graph: Graph,
    view: View,
    frames: Sequence[int] | None = None,
    name: str = "",
    most: int = SURVEY_FRAMES,
    aim: Aim | None = None,
) -> Survey:
    """Read a clip through a graph on a few frames, spread over it or over ``frames``.

    :param aim: what the skin is judged against; under a look that it is kept from, it is taken there too.

    A frame that cannot be read, or shows no skin, is among those that failed. Raises GraphError for a graph without a
    result and a matte, NodeError where a node fails.
    """
    mattes = mattes_of(graph)
    name = name if name in mattes else next(iter(mattes))
    return survey_people(clip, graph, view, {name: aim}, frames, most)[name]


def survey_people(
    clip: Read,
    graph: Graph,
    view: View,
    aims: Mapping[str, Aim | None],
    frames: Sequence[int] | None = None,
    most: int = SURVEY_FRAMES,
) -> dict[str, Survey]:
    """Read several people of a clip, each frame once: see :func:`survey`.

    :param aims: what each is judged against, by the names in the graph.
    """
    witness = Witness(graph, view)
    wanted = frames if frames is not None else clip.frames
    missing = getattr(clip, "missing", ())
    wanted = [number for number in wanted if number not in missing] or wanted
    numbers = spread(wanted, most)
    moments: dict[str, list[Moment]] = {name: [] for name in aims}
    failed: dict[str, list[tuple[int, str]]] = {name: [] for name in aims}
    faces: dict[str, tuple[LeftBehind | None, float | None]] = dict.fromkeys(aims, (None, None))
    cuts = CutFinder(clip.read, wanted)
    for number in numbers:
        try:
            pictures = witness.pictures(clip, number)
        except InputError as error:
            for each in failed.values():
                each.append((number, str(error)))
            continue
        cuts.see(number, pictures["as_shot"])
        for name, aim in aims.items():
            moment = witness.moment(pictures, number, name)
            if moment.final is None or moment.light_only is None:
                failed[name].append((number, moment.missing))
                continue
            moments[name].append(dataclasses.replace(moment, aimed=witness.aimed(clip, number, name, aim)))
            if number == numbers[len(numbers) // 2]:
                faces[name] = face_evidence(pictures, pictures[witness.mattes[name]], alone=len(witness.mattes) == 1)
    cut = cuts.first()
    surveys = {name: Survey.of(own, numbers, *faces[name], cut=cut) for name, own in moments.items()}
    return {name: dataclasses.replace(each, failed=tuple(failed[name])) for name, each in surveys.items()}


def judge_people(
    surveys: Mapping[str, Survey],
    aims: Mapping[str, Aim],
    told: Callable[[str, Survey], Evidence],
) -> tuple[Verdict, str]:
    """Return the verdict on all people of a clip, and the name of the one who is worst.

    Who is not in the clip, while others are, is not judged.

    :param told: gives what the judge is told of a person.
    """
    there = {name: each for name, each in surveys.items() if each.final is not None} or dict(surveys)
    verdicts = {name: judge(told(name, each), aims[name]) for name, each in there.items()}
    worst = list(verdicts)[worst_first(verdicts.values())[0]]
    return together(verdicts), worst


def middle(readings: Iterable[SkinReading | None]) -> SkinReading | None:
    """Return the median of each figure of some readings, or None without any; angles are unwrapped about the first."""
    known = [reading for reading in readings if reading is not None]
    if not known:
        return None

    def near(angle: float) -> float:
        return known[0].angle + wrapped(angle - known[0].angle)

    def of(field: str) -> Any:
        values = [getattr(reading, field) for reading in known]
        if field == "angle":
            return statistics.median(near(value) for value in values) % 360
        if field == "hue_range":
            return tuple(statistics.median(near(v) for v in column) for column in zip(*values, strict=True))
        if isinstance(values[0], tuple):
            return tuple(statistics.median(column) for column in zip(*values, strict=True))
        return statistics.median(values)

    return SkinReading(**{field.name: of(field.name) for field in dataclasses.fields(SkinReading)})


# --- faces --------------------------------------------------------------------------------------------------


def face_evidence(pictures: dict[str, Floats], matte: Floats, alone: bool) -> tuple[LeftBehind | None, float | None]:
    """Return what of the person's face is not keyed, and the keyed area in parts of the face; None without a face.

    The face is the one that holds most of the matte; of a person who is alone in the frame, the largest one where the
    matte holds none. Where there is one matte for everybody, each face that is keyed in part counts, and the one of
    which most is left behind is told.
    """
    light, faces = pictures["light_only"], find_faces(pictures["light_only"]) if available() else ()
    if not faces:
        return None, None
    held = [_held(face, matte) for face in faces]
    if max(held) < 1 and not alone:
        return None, None
    face = faces[held.index(max(held))] if max(held) >= 1 else faces[0]
    in_part = [each for each in faces if each is not face and alone and _keyed_share(each, matte) >= _IN_PART]
    found = [left_behind(light, pictures["final"], matte, each.sample()) for each in (face, *in_part)]
    left, top, right, bottom = face.box
    size = max((right - left) * (bottom - top) * matte.size, 1.0)
    return worst_left_behind(found), float(matte.sum(dtype=np.float64)) / size


_IN_PART = 0.25
"""Share of a face's middle from which on it is keyed in part, and no stranger's whom the key only touches.

On 18 pictures of real people, keyed from three markings each, halves of faces that were cut away were told in 150 of
150 cases with .2 and .3, in 145 with .4; in 111 where only the face that holds most of the matte was looked at.
"""


def _held(face: Face, matte: Floats) -> float:
    """Return how much of the matte lies in a face's box, in pixels."""
    height, width = matte.shape
    left, top, right, bottom = face.box
    part = matte[int(top * height) : int(bottom * height) + 1, int(left * width) : int(right * width) + 1]
    return float(part.sum(dtype=np.float64))


def _keyed_share(face: Face, matte: Floats) -> float:
    middle = matte[face.sample().mask(*matte.shape)]
    return float((middle >= 0.5).mean()) if middle.size else 0.0


# --- for the judge ------------------------------------------------------------------------------------------


def evidence(
    graph: Graph,
    surveyed: Survey,
    frame: int,
    light_by: str = "",
    beside: Survey | None = None,
    named: str = "",
    view: str = "",
    person: str = "",
    misread: str = "",
    drift: Wander | None = None,
) -> Evidence:
    """Return what the judge is told of a clip.

    :param frame: where keyframed values of the light are taken. :param light_by: how the light was found.
    :param beside: the clip that this one should agree with, and ``named`` its name. :param person: by the name in the
        graph. Without a clip beside it, what the key covers is compared with where the graph was solved; heads turn
        within a clip, so only what is far beyond that counts. :param misread: see :func:`misread_of`.
    :param drift: how far the hue wanders through the clip, where that is known better than from the frames that were
        surveyed.
    """
    change = None
    if beside is not None and beside.of_face and surveyed.of_face is not None:
        change = surveyed.of_face / beside.of_face - 1
    elif beside is None and surveyed.of_face is not None and (noted := noted_covered(graph, person)):
        change = surveyed.of_face / noted - 1
        change = change if abs(change) >= (LIMITS["area"].off or 0.0) else None
    wander = drift or surveyed.wander
    missing = surveyed.failed[0][1] if surveyed.failed and surveyed.final is None else ""
    return Evidence(
        surveyed.light_only,
        surveyed.final,
        balance=balance_of(graph, frame),
        light_by=_LIGHT_BY.get(light_by, light_by),
        sampled=is_sampled(graph),
        area_change=change,
        beside=None if beside is None else beside.final,
        beside_name=named,
        face=surveyed.face,
        kept=kept_of(graph, frame),
        without_look=surveyed.without_look,
        aimed=surveyed.aimed,
        view=view,
        missing=missing,
        by_hand=is_by_hand(graph),
        doubts=doubts_of(graph, surveyed, person),
        accepted=is_accepted(graph, person),
        misread=misread,
        wander=wander.span,
        cut=wander.cut,
        across=wander.across,
        paled=wander.paled,
        burnt=surveyed.burnt,
        faces=surveyed.faces,
        card=surveyed.card,
    )


def misread_of(clip: Any, graph: Graph | None = None) -> str:
    """Say that a clip states another signal than the one that it is read as; "" where it does not.

    A colour space that somebody gave, even BT.709, counts: the clip or the graph converts from it.
    """
    told = isinstance(clip, InWorking) or (graph is not None and WORKING in graph.by_id)
    return misread(clip) if not told and isinstance(getattr(clip, "info", None), VideoInfo | PictureInfo) else ""


def doubts_of(graph: Graph, surveyed: Survey, person: str) -> tuple[Warned, ...]:
    """Return what there is to doubt of a matte: as it was seen now, beside what was noted when its key was learned."""
    area = 0.0 if surveyed.final is None else surveyed.final.area
    return with_noted(graph, f"-{person}" if person else "", surveyed.doubts, area)


def is_accepted(graph: Graph, person: str) -> bool:
    """Tell whether somebody looked at the matte of a person and found it right."""
    return (f"skin-{person}" if person else "skin") in accepted_keys(graph)


def is_by_hand(graph: Graph) -> bool:
    """Tell whether a hand moved the skin beside what was solved, or in its place."""
    steers = (step.id for step in graph.order() if isinstance(step.node, SteerSkin))
    return any(parts.hand is not None for id in steers for parts in parts_of(graph, id).values())


def balance_of(graph: Graph, frame: int) -> tuple[float, float]:
    """Return mired and Duv of all that balances the result of a graph."""
    found = [step.node_at(frame) for step in graph.order() if isinstance(step.node, Balance | CorrectSkin)]
    temperature = sum(node.temperature for node in found)  # type: ignore[attr-defined]
    return temperature, sum(node.tint for node in found)  # type: ignore[attr-defined]


def is_sampled(graph: Graph) -> bool:
    """Tell whether somebody said what is skin: a key learned from samples or faces, or ranges that were typed."""
    for step in graph.order():
        if isinstance(step.node, RangeKey | FaceMatte) or (
            isinstance(step.node, SkinKey | CorrectSkin) and step.node.model
        ):
            return True
    return not any(isinstance(step.node, SkinKey | CorrectSkin) for step in graph.order())


def kept_of(graph: Graph, frame: int) -> float | None:
    """Return by how much a graph keeps skin from a look, or None where it does not."""
    for step in graph.order():
        if isinstance(step.node, KeepSkin):
            node = step.node_at(frame)
            assert isinstance(node, KeepSkin)
            return node.amount
    return None
