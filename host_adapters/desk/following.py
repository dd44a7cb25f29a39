"""Following: shapes and faces through the clip, read by a decoder of their own so that looking goes on meanwhile."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from ...nodes import FaceMatte, JoinFaces, Region
from ..detect.faces import HOW_TO_INSTALL, available
from ..graphs.graph import STANDARD_SOURCE, Step
from ..graphs.standard import keyed_step
from ..shots.face_tracks import FaceTrack
from ..shots.faces import follow, nobody_found
from ..shots.track import Track, follow_region
from ..shots.whose_faces import with_face_note
from .chain import faces_of, rewired
from .errors import DeskError
from .keyframing import with_step
from .reel import Reel
from .state import Person, State
from .task import Task


def track_shape(reel: Reel, shape: Step, frame: int, frames: Sequence[int], task: Task) -> Track:
    """Follow a shape as it is at a frame through others. Raises TrackError, InputError and Cancelled."""
    region = shape.node_at(frame)
    assert isinstance(region, Region)
    with reel.open() as clip:
        return follow_region(clip.read, list(frames), region, frame, task.step)


def tracked(state: State, id: str, track: Track) -> State:
    """Return the state with a shape that follows its track; what the track does not move stays as it is set.

    Raises DeskError where the shape has been taken out meanwhile.
    """
    step = state.graph.by_id.get(id)
    if step is None or not isinstance(step.node, Region):
        raise DeskError("The shape that was followed is not there any more.")
    first, moving = track.places[0].region, track.keyed()
    placed = ("points",) if first.shape == "polygon" else ("centre", "width", "height", "rotation")
    node = dataclasses.replace(step.node, **{name: getattr(first, name) for name in placed})
    kept = tuple((name, keyframes) for name, keyframes in step.keyed if name not in placed)
    return with_step(state, keyed_step(dataclasses.replace(step, node=node, keyed=()), (*moving, *kept)))


def track_words(track: Track, frames: Sequence[int]) -> str:
    """Say how far a shape was followed."""
    words = f"Followed over {len(track.places)} of {len(frames)} frames."
    for at, reason in track.lost:
        words += f" Lost at frame {at}: {reason}. Move the shape into place there and follow it again."
    return words


def find(reel: Reel, frames: Sequence[int], task: Task) -> tuple[FaceTrack, ...]:
    """Follow the faces of a clip. Raises DeskError without a detector, and InputError."""
    if not available():
        raise DeskError(HOW_TO_INSTALL)
    with reel.open() as clip:
        readable = [frame for frame in frames if frame not in clip.missing]
        return follow(clip.read, readable, task.begin)


def nobody(reel: Reel, frame: int) -> str:
    """Say that no face was found, and what to do. Raises InputError."""
    with reel.open() as clip:
        return f"{nobody_found(clip.read(frame))}: draw a box, a stroke or a point on skin."


def with_note(reel: Reel, state: State) -> State:
    """Return the state with a note of what its clip shows round the faces. Raises InputError."""
    with reel.open() as clip:
        return dataclasses.replace(state, graph=with_face_note(state.graph, clip))


def with_tracks(state: State, tracks: Sequence[FaceTrack], frames: Sequence[int]) -> State:
    """Return the state with these faces in everybody's key, in place of those before.

    They are keyed where there is one person and nothing is marked; otherwise learning from the marks tells whose they
    are, and until then they only hold off what lies beside them.
    """
    suffixes = [person.suffix for person in state.people]
    alone = len(suffixes) == 1 and not any(mark.purpose == "skin" for mark in state.marks)
    known = {id: step for id, step in state.graph.by_id.items() if not isinstance(step.node, FaceMatte | JoinFaces)}
    for suffix in suffixes if tracks else ():
        for number, track in enumerate(tracks, start=1):
            node = dataclasses.replace(track.at(frames[0]), keyed=1.0 if alone else 0.0)
            step = Step.of(f"face{number}{suffix}", node, image=STANDARD_SOURCE)
            known[step.id] = keyed_step(step, track.keyed(frames[0], frames[-1]))
        known[f"join{suffix}"] = Step.of(f"join{suffix}", JoinFaces(), matte=STANDARD_SOURCE, image=STANDARD_SOURCE)
    return dataclasses.replace(state, graph=rewired(state.graph, suffixes, known))


def without_face(state: State, id: str) -> State:
    """Return the state without one face, everywhere it counts. Raises DeskError where there is none of that id."""
    word = next(
        (word for p in state.people for word in faces_of(p.suffix, state.graph.by_id) if word + p.suffix == id), ""
    )
    if not word:
        raise DeskError(f"There is no face {id!r} in this graph.")
    known = dict(state.graph.by_id)
    for person in state.people:
        known.pop(word + person.suffix, None)
        if not faces_of(person.suffix, known):
            known.pop(f"join{person.suffix}", None)
    return dataclasses.replace(state, graph=rewired(state.graph, [person.suffix for person in state.people], known))


def face_moved(state: State, id: str, by: tuple[float, float]) -> State:
    """Return the state with a face moved by parts of the frame, on every frame and for everybody.

    Raises DeskError where there is none, ParamError for a place that cannot be.
    """
    step = state.graph.by_id.get(id)
    if step is None or not isinstance(step.node, FaceMatte):
        raise DeskError(f"There is no face {id!r} in this graph.")

    def placed(point: tuple[float, float]) -> tuple[float, float]:
        return round(point[0] + by[0], 5), round(point[1] + by[1], 5)

    names = ("left_eye", "right_eye", "nose", "left_mouth", "right_mouth")
    changed = {name: placed(getattr(step.node, name)) for name in names}
    node = dataclasses.replace(step.node, **changed)  # type: ignore[arg-type]
    keyed = tuple(
        (name, dataclasses.replace(frames, pairs=tuple((at, placed(v)) for at, v in frames.pairs)))  # type: ignore[arg-type]
        if name in names
        else (name, frames)
        for name, frames in step.keyed
    )
    for other in _same_face(state, id):
        twin = state.graph.by_id[other]
        mine = dataclasses.replace(node, keyed=twin.node.keyed)  # type: ignore[attr-defined]
        state = with_step(state, keyed_step(dataclasses.replace(twin, node=mine, keyed=()), keyed))
    return state


def _same_face(state: State, id: str) -> list[str]:
    """Return the steps of one face in everybody's key."""
    for person in state.people:
        for word in faces_of(person.suffix, state.graph.by_id):
            if word + person.suffix == id:
                return [word + p.suffix for p in state.people if word + p.suffix in state.graph.by_id]
    return [id]


def faces_at(step_ids: Sequence[str], state: State, frame: int) -> tuple[FaceMatte, ...]:
    """Return the faces of these steps as they are at a frame."""
    nodes = (state.graph.by_id[id].node_at(frame) for id in step_ids)
    return tuple(node for node in nodes if isinstance(node, FaceMatte))


def person_faces(state: State, person: Person) -> list[str]:
    """Return the steps of the faces in a person's key, in order."""
    return [word + person.suffix for word in faces_of(person.suffix, state.graph.by_id)]
