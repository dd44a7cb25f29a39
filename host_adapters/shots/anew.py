"""Anew: what a change in a graph asks of the steps behind it. What is solved is solved again, what is by hand stays.

A key reads the picture behind light, levels and saturation, and a steering is solved on what the key finds. Where
something before them changes, :func:`solve_anew` learns the key again from the marks in the graph's notes and solves
again what its notes mark as solved. A frozen key stays as it was learned.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from ...kernels.errors import InkarnatError
from ...nodes import (
    FaceMatte,
    JoinFaces,
    SkinKey,
    SkinTarget,
    SteerSkin,
    ToneCurve,
    solve_neutral_black,
    study_skin,
)
from ..graphs.graph import Graph, Step
from ..graphs.keyframes import Keyframes
from ..graphs.parts import Parts, frozen_keys, parts_of, with_solved
from ..graphs.typed import control_of, told_parts
from .aims import noted_aim
from .marks import MarkedPicture, is_sought, marks_of, noted_black
from .solving import LIT_STEER, TURNED_STEER, Look, persons_at, read_by, solve_steering, with_learning
from .viewing import View


@dataclass(frozen=True)
class Anew:
    """A graph whose solved parts fit its steps again. :ivar said: what was done and what stayed, a sentence each."""

    graph: Graph
    said: tuple[str, ...]


def solve_anew(
    graph: Graph,
    look: Look,
    frame: int,
    changed: str | Collection[str] = (),
    *,
    targets: Mapping[str, SkinTarget] | None = None,
    view: View | None = None,
) -> Anew:
    """Learn and solve again what stands behind a change.

    :param look: gives what a source or step shows at a frame: see :func:`.solving.look_at`.
    :param frame: where a steering is solved that no mark has a frame for.
    :param changed: the id of the step that changed, or of several; empty for all that is solved.
    :param targets: by id of the steering; those that the graph's notes name by default, or else the skin line.
    :param view: what the skin is on target through, None for none.

    What cannot be done again (no marks, no skin found) stays as it was and is said. Raises GraphError for damaged
    notes, InputError for a frame that cannot be read.
    """
    said: list[str] = []
    changed = frozenset((changed,) if isinstance(changed, str) and changed else changed)
    graph = _neutral_black(graph, look, changed, said)
    for steer in [step.id for step in graph.order() if isinstance(step.node, SteerSkin)]:
        key = key_of(graph, steer)
        marked = marks_of(graph, key) if key else ()
        if key and _is_behind(graph, key, changed):
            graph = _learned(graph, look, key, marked, said)
        if not _is_behind(graph, steer, changed):
            continue
        target = (targets or {}).get(steer) or _noted_target(graph, steer)
        graph = _solved(graph, look, steer, marked[0].frame if marked else frame, target, view, said)
    return Anew(graph, tuple(said))


def key_of(graph: Graph, steer: str) -> str:
    """Return the id of the key that a steering goes by: that of the same person, "" where there is none."""
    keys = [step.id for step in graph.order_to([read_by(graph, steer, "matte")]) if isinstance(step.node, SkinKey)]
    own = "skin" + steer.removeprefix("steer")
    return own if own in keys else next(iter(keys), "")


def _is_behind(graph: Graph, id: str, changed: frozenset[str]) -> bool:
    """Tell whether a step reads what changed, or all is to be done."""
    return not changed or not changed.isdisjoint(step.id for step in graph.order_to([id]) if step.id != id)


def _noted_target(graph: Graph, steer: str) -> SkinTarget:
    noted = noted_aim(graph, steer.removeprefix("steer").lstrip("-_"))
    return SkinTarget() if noted is None else noted.target


# --- the steps ----------------------------------------------------------------------------------------------


def _neutral_black(graph: Graph, look: Look, changed: frozenset[str], said: list[str]) -> Graph:
    noted = noted_black(graph)
    step = next((s for s in graph.order() if isinstance(s.node, ToneCurve) and any(s.node.neutral_black)), None)
    if noted is None or step is None or not _is_behind(graph, step.id, changed):
        return graph
    frame, sample = noted
    try:
        black = solve_neutral_black(look(graph, read_by(graph, step.id, "image"), frame), sample)
    except InkarnatError as error:
        said.append(f"{step.id}: the colour of black stays as it was taken out before. {error}")
        return graph
    said.append(f"{step.id}: the colour of black is read anew.")
    return graph.with_step(dataclasses.replace(step, node=dataclasses.replace(step.node, neutral_black=black)))  # type: ignore[type-var]


def _learned(graph: Graph, look: Look, key: str, marked: tuple[MarkedPicture, ...], said: list[str]) -> Graph:
    step = graph.by_id[key]
    assert isinstance(step.node, SkinKey)
    if key in frozen_keys(graph):
        said.append(f"{key}: frozen, so it stays as it was learned.")
        return graph
    if not step.node.model:
        return graph
    faces = _faces(graph, key)
    known = {each.frame: tuple(_face_at(face, each.frame) for face in faces) for each in marked}
    seek = is_sought(graph, key)
    if not seek:
        marked = tuple(m for m in marked if m.add or m.subtract or any(face.presence > 0 for face in known[m.frame]))
    if not seek and not any(each.add for each in marked) and not any(faces for faces in known.values()):
        said.append(f"{key}: stays as it was learned; the graph does not say from which marks.")
        return graph
    origin = read_by(graph, key, "image")
    others = [m for other in _keys(graph) if other != key for m in marks_of(graph, other)]
    taught = []
    for each in marked:
        kept_out = [sample for other in others if other.frame == each.frame for sample in other.add]
        taught.append((look(graph, origin, each.frame), each.add, (*each.subtract, *kept_out)))
    first, *more = (known[each.frame] for each in marked)
    try:
        persons = persons_at(graph, look, key, [dataclasses.replace(each, faces=known[each.frame]) for each in marked])
        learned = study_skin(*taught[0], taught[1:], faces=first, more_faces=more, persons=persons, seek=seek)
    except InkarnatError as error:
        said.append(f"{key}: stays as it was learned. {error}")
        return graph
    node: Any = dataclasses.replace(step.node, model=learned.key.model)
    graph = graph.with_step(dataclasses.replace(step, node=node))
    join = graph.by_id.get("join" + key.removeprefix("skin"))
    if join is not None and isinstance(join.node, JoinFaces) and learned.join is not None:
        graph = graph.with_step(dataclasses.replace(join, node=learned.join))
    graph = with_learning(graph, look, key, marks_of(graph, key), learned, marked[0].frame)
    count = sum(len(each.add) for each in marked)
    by = f"{count} sample{'s' * (count != 1)}" if count else "the look of bare skin" if seek else "the faces"
    said.append(f"{key}: learned anew from {by}.")
    return graph


def _keys(graph: Graph) -> list[str]:
    return [step.id for step in graph.steps if isinstance(step.node, SkinKey)]


def _faces(graph: Graph, key: str) -> list[Step]:
    """Return the faces that are laid over a key's matte, in order."""
    suffix = key.removeprefix("skin")
    ids = (f"face{number}{suffix}" for number in range(1, len(graph.steps) + 1))
    return [graph.by_id[id] for id in ids if id in graph.by_id and isinstance(graph.by_id[id].node, FaceMatte)]


def _face_at(step: Step, frame: int) -> FaceMatte:
    node = step.node_at(frame)
    assert isinstance(node, FaceMatte)
    return node


def _solved(
    graph: Graph, look: Look, id: str, frame: int, target: SkinTarget, view: View | None, said: list[str]
) -> Graph:
    parts = parts_of(graph, id)
    solved = [name for name, each in parts.items() if each.is_solved]
    if parts and not solved:
        said.append(f"{id}: by hand, so it stays as it is.")
        return graph
    if any(isinstance(parts[name].solved, Keyframes) for name in solved):
        said.append(f"{id}: follows the drift by keyframes, which stay: correct the clip again with --follow-drift.")
        return graph
    names = LIT_STEER if set(solved) & set(LIT_STEER) else TURNED_STEER
    try:
        found = solve_steering(graph, look, id, frame, target, view, by_light=names == LIT_STEER)
        before, graph = graph, with_solved(graph, id, found, names)
    except InkarnatError as error:
        said.append(f"{id}: stays as it was solved. {error}")
        return graph
    now = parts_of(graph, id)
    words = [_told(name, now[name]) for name in names if now[name] != parts_of(before, id).get(name)]
    if words:
        said.append(f"{id}: solved anew, {', '.join(words)}.")
    kept = [name for name in names if not now[name].is_solved]
    if kept:
        said.append(f"{id}: {', '.join(_told(name, now[name]) for name in kept)} stays as it is.")
    return graph


def _told(name: str, parts: Parts) -> str:
    control = control_of("steer", name)
    assert control is not None
    return f"{control.option} {told_parts(control, parts)}"
