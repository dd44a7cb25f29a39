"""Solving on the desk: balance, learn and steer, each from what is marked, for any graph that has these steps."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import Any

from ...kernels.arrays import Floats
from ...nodes import (
    CONTROL,
    LEARNED_SIGNS,
    MATTE_SIGNS,
    Aim,
    Balance,
    Evidence,
    LeftBehind,
    Node,
    SkinKey,
    SkinReading,
    SoughtError,
    SteerSkin,
    Verdict,
    Warned,
    burnt_out,
    faces_apart,
    hues_of_faces,
    judge,
    left_behind,
    measure_skin,
    sure_skin,
    worst_left_behind,
)
from ..graphs.drifts import DRIFTS
from ..graphs.graph import STANDARD_SOURCE, Graph
from ..graphs.parts import accepted_keys, frozen_keys
from ..shots.aims import aim_at
from ..shots.doubts import signs_seen, with_noted
from ..shots.evidence import (
    BEFORES,
    WITHOUT_LOOK,
    aimed_reading,
    balance_of,
    from_aimed,
    is_by_hand,
    is_sampled,
    kept_of,
    misread_of,
    with_befores,
)
from ..shots.looks import changed_look
from ..shots.marks import MarkedPicture, marks_of
from ..shots.solving import (
    TURNED_STEER,
    doubted,
    persons_at,
    solve_key,
    solve_light,
    solve_steering,
    with_learning,
)
from .carrying import light_of
from .errors import DeskError
from .following import faces_at, person_faces
from .keyframing import with_values
from .parts import with_found
from .seeing import PLAIN, Seeing
from .state import Mark, Person, State
from .work import PROXY, Size, Workbench

BALANCE = "balance"
Solved = tuple[State, str]
"""The state with nodes set anew, and what to tell the person."""

_NO_MARK = "Draw a box, a stroke or a point on skin first."


class Solver:
    """Solves on full-size pictures, so that the result is that of the command line."""

    def __init__(self, bench: Workbench, state: State, seeing: Seeing = PLAIN) -> None:
        self.bench, self.state, self.seeing = bench, state, seeing

    # --- balance ----------------------------------------------------------------------------------------------

    def balance(self, frame: int) -> Solved:
        """Balance by the last neutral mark; without one, suggest a balance from the edges on this frame."""
        node = self.state.node(BALANCE)
        if not isinstance(node, Balance):
            raise DeskError("This graph has no balance to solve: set its controls by hand.")
        neutral = [mark for mark in self.state.marks if mark.purpose == "neutral"]
        at, sample = (neutral[-1].frame, neutral[-1].sample) if neutral else (frame, None)
        found = solve_light(self.state.graph, self._look, BALANCE, at, sample)
        origin = "the neutral mark" if neutral else "the edges in the picture; a suggestion, no measurement"
        words = f"Balanced by {origin}: {found.temperature:+.1f} mired, tint {1000 * found.tint:+.1f} thousandths."
        return self._found(BALANCE, found, ("temperature", "tint"), frame), words

    # --- key --------------------------------------------------------------------------------------------------

    def learn(self, suffix: str, frame: int) -> Solved:
        """Learn a person's key from their marks, or from the faces on this frame where they have none.

        With neither, skin is sought by its look on this frame. The skin of the others is kept out.
        """
        person, id = self.state.person(suffix), "skin" + suffix
        key = self.state.node(id)
        if not isinstance(key, SkinKey):
            raise DeskError(f"{person.name} has no skin key to teach in this graph.")
        marked = self._marked(suffix)
        seek = False
        if not any(each.add for each in marked):
            seek = len(self.state.people) == 1 and not person_faces(self.state, person)
            if not seek and not self._shows_faces(suffix, frame):
                raise DeskError(_NO_MARK)
            here = [each for each in marked if each.frame == frame]
            faces = faces_at(person_faces(self.state, person), self.state, frame)
            marked = [*(here or [MarkedPicture(frame, faces=faces)]), *(each for each in marked if each.frame != frame)]
        try:
            key, learned = solve_key(self.state.graph, self._look, id, marked, seek)
        except SoughtError:
            raise DeskError(_NO_MARK) from None
        state = self.state.with_node(id, key, DRIFTS)
        marked = doubted(self.state.graph, self._look, id, marked)
        for step, face in zip(person_faces(state, person), learned.faces, strict=False):
            node = dataclasses.replace(state.node(step), keyed=face.keyed)  # type: ignore[type-var]
            state = state.with_node(step, node, ("keyed",))
        if learned.join is not None and "join" + suffix in state.graph.by_id:
            state = state.with_node("join" + suffix, learned.join)
        graph = with_learning(state.graph, self._look, id, marked, learned, marked[0].frame)
        return dataclasses.replace(state, graph=graph), f"Learned the skin of {person.name}."

    def _shows_faces(self, suffix: str, frame: int) -> bool:
        """Tell whether a frame shows a face that is in a person's key."""
        faces = faces_at(person_faces(self.state, self.state.person(suffix)), self.state, frame)
        return any(face.presence > _THERE and face.keyed > _THERE for face in faces)

    def shows_skin(self, person: Person, frame: int) -> bool:
        """Tell whether a frame without marks and faces surely shows the skin of the only person."""
        if len(self.state.people) > 1 or person_faces(self.state, person):
            return False
        (seen,) = persons_at(self.state.graph, self._look, "skin" + person.suffix, [MarkedPicture(frame)])
        return bool(sure_skin(seen))

    def _marked(self, suffix: str) -> list[MarkedPicture]:
        """The marked frames, in order of the first mark on each, those with marks of this person first."""
        mine = [
            mark for mark in self.state.marks if mark.purpose != "neutral" and (_adds(mark) or mark.suffix == suffix)
        ]
        frames = dict.fromkeys(mark.frame for mark in sorted(mine, key=lambda mark: mark.suffix != suffix))
        faces = person_faces(self.state, self.state.person(suffix))
        return [
            MarkedPicture(
                frame,
                tuple(m.sample for m in mine if m.frame == frame and m.suffix == suffix and _adds(m)),
                tuple(m.sample for m in mine if m.frame == frame and not (m.suffix == suffix and _adds(m))),
                faces_at(faces, self.state, frame),
            )
            for frame in frames
        ]

    # --- steer ------------------------------------------------------------------------------------------------

    def steer(self, suffix: str, frame: int) -> Solved:
        """Steer a person's keyed skin on this frame onto their target."""
        person, id = self.state.person(suffix), "steer" + suffix
        node = self.state.node(id)
        if not isinstance(node, SteerSkin):
            raise DeskError(f"{person.name} has no steering to solve in this graph.")
        view = None if self.seeing.is_plain else self.seeing.view
        found = solve_steering(self.state.graph, self._look, id, frame, person.target, view)
        steered = dataclasses.replace(found, amount=1.0)
        words = f"{person.name}: turned {found.angle:+.2f}°, saturation × {found.saturation:.3f}."
        return self._found(id, steered, TURNED_STEER, frame), words

    def _found(self, id: str, found: Node, names: tuple[str, ...], frame: int) -> State:
        """Set what was solved; the hand's part stays. What has keyframes gets one at the frame."""
        keyed = self.state.graph.by_id[id].keyed
        if any(name in names for name, _ in keyed):
            return with_values(self.state, id, found, names, frame)
        return with_found(self.state, id, found, names)

    # --- all --------------------------------------------------------------------------------------------------

    def everything(self, frame: int) -> Solved:
        """Balance where something neutral is marked, learn the key of whoever has marks or faces, steer everyone."""
        words = []
        if any(mark.purpose == "neutral" for mark in self.state.marks):
            words.append(self._step(self.balance(frame)))
        for person in self.state.people:
            own = [mark for mark in self.state.marks if mark.suffix == person.suffix and _adds(mark)]
            if own or (
                is_faces_alone(self.state, person.suffix)
                and (self._shows_faces(person.suffix, frame) or self.shows_skin(person, frame))
            ):
                self._step(self.learn(person.suffix, frame))
            words.append(self._step(self.steer(person.suffix, own[0].frame if own else frame)))
        return self.state, " ".join(words)

    def _step(self, solved: Solved) -> str:
        self.state, words = solved
        return words

    def _look(self, graph: Graph, origin: str, frame: int) -> Floats:
        """What a step gives at full size, remembered by the workbench."""
        return self.bench.value(graph, origin, frame, None)


def is_faces_alone(state: State, suffix: str) -> bool:
    """Tell whether nothing has taught a person's key yet, or faces alone have; a frozen key stays as it is."""
    id = "skin" + suffix
    step = state.graph.by_id.get(id)
    if step is None or not isinstance(step.node, SkinKey) or id in frozen_keys(state.graph):
        return False
    noted = marks_of(state.graph, id)
    return not step.node.model or (bool(noted) and not any(each.add for each in noted))


def _adds(mark: Mark) -> bool:
    return mark.purpose == "skin"


# --- reading --------------------------------------------------------------------------------------------------


def matte_origin(state: State, suffix: str) -> str | None:
    """Return the step that gives a person's matte: what their steering reads; the graph's own where there is none."""
    step = state.graph.by_id.get("steer" + suffix)
    if step is not None and "matte" in dict(step.inputs):
        return dict(step.inputs)["matte"]
    mattes = [origin for _, origin in state.graph.outputs if state.graph.kind(origin) == "matte"]
    return mattes[0] if mattes else None


def result_origin(state: State) -> str:
    """Return the step that gives the corrected picture: the output ``result``, or the first picture."""
    pictures = {name: origin for name, origin in state.graph.outputs if state.graph.kind(origin) == "picture"}
    if not pictures:
        raise DeskError("This graph gives no picture, only mattes: add an output that does.")
    return pictures.get("result", next(iter(pictures.values())))


def read_skin(
    bench: Workbench, state: State, suffix: str, frame: int, size: Size = PROXY, seeing: Seeing = PLAIN
) -> dict[str, Any]:
    """Return what a person's skin reads before and after, in numbers and words, with the warnings and their fixes."""
    origin = matte_origin(state, suffix)
    if origin is None:
        return _told(judge(Evidence(None, None, missing="This graph keys nothing."), None), ())
    person = state.person(suffix) if any(p.suffix == suffix for p in state.people) else Person(suffix, "Skin")
    matte = bench.value(state.graph, origin, frame, size)
    warnings = list(_signs(person, state, frame, matte, bench.value(state.graph, STANDARD_SOURCE, frame, size)))
    doubts = tuple(warned for warned in warnings if warned.sign in (*MATTE_SIGNS, *LEARNED_SIGNS))
    if accepted := f"skin{suffix}" in accepted_keys(state.graph):
        warnings = [warned for warned in warnings if warned not in doubts]
    opened, aim = with_befores(state.graph, _result(state)), aim_at(person.target)
    pictures = {name: picture for name, picture in opened.outputs if name in (*BEFORES, WITHOUT_LOOK)}
    try:
        read = {name: _measured(bench, opened, each, origin, frame, size, seeing) for name, each in pictures.items()}
    except ValueError as error:
        warnings.append(Warned("no reading", 0.0, str(error)))
        nothing = Evidence(None, None, sampled=is_sampled(state.graph), view=seeing.id, missing=str(error))
        return _told(judge(nothing, aim), warnings)
    before, light, after = (read[name] for name in BEFORES)
    neutral = [mark for mark in state.marks if (mark.purpose, mark.frame) == ("neutral", frame)]
    found = Evidence(
        light,
        after,
        balance=balance_of(state.graph, frame),
        light_by=light_of(state),
        sampled=is_sampled(state.graph),
        kept=kept_of(state.graph, frame),
        face=_left_behind(bench, state, opened, person, origin, frame, size, seeing),
        without_look=read.get(WITHOUT_LOOK),
        aimed=_aimed(bench, state, opened, aim, origin, frame, size, seeing),
        view=seeing.id,
        by_hand=is_by_hand(state.graph),
        doubts=doubts,
        accepted=accepted,
        misread=misread_of(bench.clip, state.graph),
        burnt=_burnt_out(bench, opened, origin, frame, size, seeing),
        card=max((mark.sample.keyed(matte) for mark in neutral), default=0.0),
        faces=(apart := _apart(bench, state, opened, person, origin, frame, size, seeing)),
    )
    warnings += faces_apart(apart, CONTROL)
    warnings += [Warned("look changed", 0.0, note) for note in [changed_look(state.graph)] if note]
    told = _told(judge(found, aim), warnings)
    told |= {"before": before.as_dict(), "light_only": light.as_dict(), "after": after.as_dict()}
    return told | {"target": {"angle": person.target.angle + person.target.bias, "ratio": person.target.ratio}}


def _told(verdict: Verdict, warnings: Iterable[Warned]) -> dict[str, Any]:
    """Return how skin is judged, where it could not be read."""
    said = {"verdict": verdict.as_dict(CONTROL), "words": verdict.words(CONTROL), "warnings": _listed(warnings)}
    return {"before": None, "after": None, **said}


def _burnt_out(bench: Workbench, opened: Graph, matte: str, frame: int, size: Size, seeing: Seeing) -> float:
    """Return the share of the keyed skin that is at white or beyond in the end."""
    pictures = dict(opened.outputs)
    final, shot = pictures["final"], pictures["as_shot"]

    def look() -> float:
        seen, before = (seeing.view(bench.value(opened, origin, frame, size)) for origin in (final, shot))
        return burnt_out(seen, bench.value(opened, matte, frame, size), before)

    keys = (bench.key(opened, origin, frame, size) for origin in (final, shot, matte))
    return bench.known(("burnt", seeing.id, *keys), look)


def _aimed(
    bench: Workbench, state: State, opened: Graph, aim: Aim, matte: str, frame: int, size: Size, seeing: Seeing
) -> SkinReading | None:
    """Return what the skin would read if it lay on its target before a look; None where it is kept from none."""
    graph, pictures = from_aimed(state.graph, _result(state)), dict(opened.outputs)
    if graph is None:
        return None
    natural = pictures[WITHOUT_LOOK]

    def look() -> SkinReading | None:
        image, keyed = (bench.value(opened, origin, frame, size) for origin in (natural, matte))
        return aimed_reading(graph, frame, lambda _, at: bench.plate(at, size), image, keyed, aim, seeing.view)

    keys = (bench.key(opened, origin, frame, size) for origin in (natural, pictures["final"], matte))
    return bench.known(("aimed", seeing.id, aim, *keys), look)


def _left_behind(
    bench: Workbench, state: State, opened: Graph, person: Person, matte: str, frame: int, size: Size, seeing: Seeing
) -> LeftBehind | None:
    """Return what of a person's known faces is not keyed: of those in the key, or of those marked on the frame."""
    pictures = dict(opened.outputs)
    origins = (pictures["light_only"], pictures["final"], matte)

    def look() -> LeftBehind | None:
        lit, final, keyed = (bench.value(opened, origin, frame, size) for origin in origins)
        aspect = keyed.shape[1] / keyed.shape[0]
        known = [
            face.sample(aspect)
            for face in faces_at(person_faces(state, person), state, frame)
            if face.presence > _THERE and face.keyed > _THERE
        ]
        marks = [m.sample for m in state.marks if (m.frame, m.suffix, m.purpose) == (frame, person.suffix, "skin")]
        known += [sample for sample in marks if sample.kind == "face"]
        lit, final = seeing.view(lit), seeing.view(final)
        return worst_left_behind([left_behind(lit, final, keyed, sample) for sample in known])

    keys = (bench.key(opened, origin, frame, size) for origin in origins)
    marked = tuple(m.id for m in state.marks if m.frame == frame and m.sample.kind == "face")
    return bench.known(("left behind", seeing.id, person.suffix, marked, *keys), look)


def _apart(
    bench: Workbench, state: State, opened: Graph, person: Person, matte: str, frame: int, size: Size, seeing: Seeing
) -> tuple[float, float] | None:
    """Return the hues of the reddest and the yellowest face in one key."""
    origins = (dict(opened.outputs)["final"], matte)

    def look() -> tuple[float, float] | None:
        final, keyed = (bench.value(opened, origin, frame, size) for origin in origins)
        faces = [face for face in faces_at(person_faces(state, person), state, frame) if face.presence > _THERE]
        return hues_of_faces(seeing.view(final), keyed, faces)

    keys = (bench.key(opened, origin, frame, size) for origin in origins)
    return bench.known(("faces apart", seeing.id, person.suffix, *keys), look)


_THERE = 0.5
"""From where on a face is there, and is keyed."""


def _measured(
    bench: Workbench, graph: Graph, picture: str, matte: str, frame: int, size: Size, seeing: Seeing
) -> SkinReading:
    def measure() -> SkinReading:
        image, keyed = (bench.value(graph, origin, frame, size) for origin in (picture, matte))
        return measure_skin(seeing.view(image), keyed)

    keys = (bench.key(graph, origin, frame, size) for origin in (picture, matte))
    return bench.known(("reading", seeing.id, *keys), measure)


def _result(state: State) -> str:
    """Return the name of the output that is the corrected picture."""
    return next(name for name, origin in state.graph.outputs if origin == result_origin(state))


def _signs(person: Person, state: State, frame: int, matte: Floats, picture: Floats) -> Iterable[Warned]:
    faces = tuple(face for face in faces_at(person_faces(state, person), state, frame) if face.presence > _THERE)
    seen = signs_seen(state.graph, person.suffix, frame, matte, picture, faces)
    yield from with_noted(state.graph, person.suffix, seen, float(matte.mean()))
    key = state.graph.by_id.get("skin" + person.suffix)
    if key is not None and isinstance(key.node, SkinKey) and not key.node.model:
        message = "No skin is marked yet, so the natural range of skin is keyed: wood, sand and rope with it."
        yield Warned("no sample", float(matte.mean()), f"{message} {_NO_MARK}")


def _listed(warnings: Iterable[Warned]) -> list[dict[str, Any]]:
    return [dataclasses.asdict(warned) for warned in warnings]
