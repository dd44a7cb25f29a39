"""Faces on marked frames: what a skin key learns from beside the marks, or in their place.

The detector is a small ONNX network (CenterFace: one stage, boxes and landmarks from a heat map) run through OpenCV.
Its file lies in ``detect/``, or the user names one. It looks when a correction is asked for, never in a render: what it
finds goes into the graph. Where OpenCV cannot be loaded, keys are learned by colour alone.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from typing import Any, Protocol

from ...kernels.arrays import Floats
from ...nodes import FaceMatte, JoinFaces, MarkedFrame, People, Sample, Warned, sure_skin
from ...nodes.declare import Picture
from ..detect import person, skin
from ..detect.faces import HOW_TO_INSTALL, Face, available, find_faces
from ..graphs.graph import Graph, Step
from ..graphs.rendering import NOBODY
from ..graphs.standard import keyed_step, without_drift, without_faces
from ..second_look import looked_twice
from .face_tracks import FaceTrack, follow_faces


def face_samples(picture: Picture) -> tuple[Sample, ...]:
    """Return a sample for each face in a picture; see :func:`find_faces`."""
    return tuple(face.sample() for face in find_faces(picture, again=True))


@dataclass(frozen=True)
class Seeded:
    """Marked frames with the faces that were found in them.

    :ivar faces: (frame, face) of every face. :ivar warnings: why there is none where nothing else is marked.
    """

    frames: list[MarkedFrame]
    faces: tuple[tuple[int, Face], ...] = ()
    warnings: tuple[Warned, ...] = ()

    def as_dict(self) -> list[dict[str, Any]]:
        """Return the faces as plain JSON data."""
        return [{"frame": frame, **face.as_dict()} for frame, face in self.faces]


def seed(frames: list[MarkedFrame], tracks: Sequence[FaceTrack] | None = None, seek: bool = False) -> Seeded:
    """Look for faces and persons in marked frames.

    :param tracks: the faces of the whole clip, which are taken in place of a look; see :func:`.follow_faces`.
    :param seek: where no face is found, in these frames and in the clip, and no skin is sampled, it is sought by its
        look in the first frame.

    Without the detector, or where it finds no face, the frames stay as they are; where no skin is sampled either, a
    warning says so, unless bare skin is surely seen.
    """
    sampled = any(frame.add for frame in frames)
    if not available():
        return Seeded(frames, (), () if sampled else (Warned("no faces", 0.0, HOW_TO_INSTALL),))
    seeded: list[MarkedFrame] = []
    found: list[tuple[int, Face]] = []
    for frame in frames:
        if tracks is not None:
            seeded.append(_with(frame, tuple(track.at(frame.frame) for track in tracks)))
            found += [(frame.frame, track.face_at(frame.frame)) for track in tracks if frame.frame in track.places]
            continue
        faces = find_faces(frame.picture, again=True)
        seeded.append(_with(frame, tuple(face.matte() for face in faces)))
        found += [(frame.frame, face) for face in faces]
    if seek and not tracks and not found and not sampled and frames and sure_skin(seeded[0].person):
        return Seeded([replace(seeded[0], seek=True), *seeded[1:]])
    if not found and not sampled:
        no_face = nobody_found(frames[0].picture) if frames else NO_FACE
        words = f"{no_face}: sample the skin, or name a frame that shows a face with --frame."
        return Seeded(frames, (), (Warned("no faces", 0.0, words),))
    return Seeded(seeded, tuple(found))


def person_in(
    picture: Picture,
    faces: Sequence[FaceMatte],
    add: Sequence[Sample] = (),
    subtract: Sequence[Sample] = (),
    bare: bool = True,
) -> People | None:
    """Return how likely each place of a picture shows a person, and bare skin; None without what finds them.

    Where a key is learned, this tells it what is none's skin.

    :param add, subtract: what is marked in it as skin, and as none. :param bare: False for persons alone, by which
        a matte is judged first. Raises PersonError or SkinError where a network cannot be used.
    """
    if not person.available():
        return None
    if not bare:
        return person.find_person(picture, faces)
    return skin.find_people(picture, faces, add=add, subtract=subtract)


def with_persons(frames: Sequence[MarkedFrame]) -> Seeded:
    """Look for persons alone in marked frames."""
    return Seeded([_with(frame, frame.faces) for frame in frames])


def _with(frame: MarkedFrame, faces: tuple[FaceMatte, ...]) -> MarkedFrame:
    seen = person_in(frame.picture, faces, frame.add, frame.subtract)
    return replace(frame, faces=faces, person=seen, unmarked=person_in(frame.picture, faces) if frame.add else seen)


NO_FACE = "No face was found"


def nobody_found(picture: Picture) -> str:
    """Return the beginning of a sentence on a picture in which no face was found: people may be there all the same."""
    seen = person_in(picture, (), bare=False)
    there = seen is not None and person.seem_there(seen)
    return f"{NO_FACE}, though what may be a person is seen" if there else NO_FACE


# --- faces of a clip ----------------------------------------------------------------------------------------


Begin = Callable[[int], AbstractContextManager[Callable[[int], object]]]
"""Begins work on so many frames, as :attr:`.Listener.progress` does: what is called after each may raise to end it."""


def follow(
    read: Callable[[int], Picture], frames: Sequence[int], begin: Begin = NOBODY.progress
) -> tuple[FaceTrack, ...]:
    """Return the faces of a clip through it; where quick looks find none, by closer ones (:mod:`..second_look`).

    :param begin: called for each way through the clip, and for the few frames between.
    """

    def through(closer: bool) -> tuple[FaceTrack, ...]:
        with begin(len(frames)) as tell:
            return follow_faces(read, frames, functools.partial(find_faces, again=closer), tell)

    def glance(few: Sequence[int]) -> bool:
        with begin(len(few)) as tell:
            for frame in few:
                is_seen = bool(find_faces(read(frame), again=True))
                tell(frame)
                if is_seen:
                    return True
        return False

    return looked_twice(frames, through, glance) if frames else ()


# --- faces of another clip ----------------------------------------------------------------------------------


class _Clip(Protocol):
    frames: Any
    missing: Any

    def read(self, frame: int) -> Floats: ...


def with_own_faces(graph: Graph, clip: _Clip) -> Graph:
    """Return a graph whose faces, if it has any, are those of another clip; without a detector, a graph without faces.

    Every face of the clip is keyed where all of those before were; otherwise nobody can tell whose they are, and they
    only hold off what lies beside them.
    """
    graph = without_drift(graph)
    joins = [step for step in graph.steps if isinstance(step.node, JoinFaces)]
    if not joins:
        return graph
    tracks: tuple[FaceTrack, ...] = ()
    if available():
        frames = [frame for frame in clip.frames if frame not in clip.missing]
        tracks = follow(clip.read, frames)
    if not tracks:
        return without_faces(graph)
    by_id = graph.by_id
    gone: set[str] = set()
    renamed: dict[str, str] = {}
    instead: dict[str, list[Step]] = {}
    for join in joins:
        inputs, keyed = dict(join.inputs), []
        last: str | None = inputs["faces"]
        while last in by_id and isinstance(face := by_id[last].node, FaceMatte):
            gone.add(last)
            keyed.append(face.keyed)
            last = dict(by_id[last].inputs).get("faces")
        told: dict[str, str] = {}
        suffix = join.id.removeprefix("join")
        steps = []
        for number, track in enumerate(tracks, start=1):
            node = replace(track.at(clip.frames[0]), keyed=min(keyed, default=1.0))
            step = Step.of(f"face{number}{suffix}", node, image=inputs["image"], **told)
            steps.append(keyed_step(step, track.keyed(clip.frames[0], clip.frames[-1])))
            told = {"faces": step.id}
        renamed[inputs["faces"]] = told["faces"]
        node_without_marks = replace(join.node, keep=(), keep_out=(), usual_face=0.0, trust=1.0)  # type: ignore[type-var]
        steps.append(Step.of(join.id, node_without_marks, matte=inputs["matte"], image=inputs["image"], **told))
        instead[join.id] = steps
    changed = [instead.get(step.id, [_reading(step, renamed)]) for step in graph.steps if step.id not in gone]
    return replace(graph, steps=tuple(step for steps in changed for step in steps))


def _reading(step: Step, renamed: dict[str, str]) -> Step:
    """Return a step that reads what the faces of another clip tell where it read those of the first."""
    return replace(step, inputs=tuple((port, renamed.get(come, come)) for port, come in step.inputs))
