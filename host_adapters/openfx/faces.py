"""Faces: found when a person presses the button, in a process of its own, and kept as keyframes of the landmarks.

A render reads the controls and needs no detector. Nothing of the detector is ever loaded into the host.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from ...nodes import ANOTHER_CLIP, Surroundings
from ...nodes.declare import PRESENCE
from ..second_look import looked_twice
from . import api
from .controls import FACES_SEEN, Frame
from .finder import Finder, Landmarks
from .instance import Instance
from .properties import OpenFXError, Properties
from .render import whole_inputs

MOST_ROWS = 720
"""Pictures are handed to the detector with at most so many rows; it looks at fewer still."""
MOST_FRAMES = 120
"""At most so many frames of a clip are looked at, evenly spread; between them the landmarks run straight."""
_NEAR = 1.0
"""A face is the one from before if its middle has moved by less than this part of its width between the eyes, times
the root of the frames in between, plus half a width."""


@dataclass
class Track:
    """What one slot of an effect holds: landmarks by time, None where its face is not there."""

    places: dict[float, Landmarks | None] = field(default_factory=dict)
    last: Landmarks | None = None
    seen: float = -math.inf


@dataclass
class _Looked:
    """What was found on some frames; true where it is a face.

    :ivar most: faces on the frame that shows the most. :ivar frames: those that Source has. :ivar seen: what lies round
        the largest face. :ivar people: whether what may be a person is where no face is.
    """

    tracks: list[Track]
    most: int = 0
    frames: dict[float, Frame] = field(default_factory=dict)
    seen: dict[float, Surroundings] = field(default_factory=dict)
    people: bool = False

    def __bool__(self) -> bool:
        return self.most > 0


class _BrokenOff(Exception):
    """The person has ended the search."""


def find(instance: Instance, time: float, arguments: Properties, through: bool) -> str | None:
    """Find faces on this frame, or through the clip, and set the landmarks as keyframes in one step of undo.

    :return: what to tell the person; None where it was broken off, and then nothing is set. Raises OpenFXError.
    """
    times = _times(instance, time) if through else [time]
    with Finder() as finder:

        def look(at_times: Sequence[float], closer: bool, text: str = "finding faces") -> _Looked:
            with instance.progress(f"{instance.kind.label}: {text}") as report:
                return _look(instance, time, arguments, finder, at_times, closer, report)

        def look_through(closer: bool) -> _Looked:
            return look(times, closer, "finding faces by a closer look") if closer else look(times, False)

        def glance(few: Sequence[float]) -> bool:
            return bool(look(few, True, "looking closer for a face"))

        try:
            found = looked_twice(times, look_through, glance) if through else look(times, True)
        except _BrokenOff:
            return None
    _write(instance, instance.kind.face_slots(), found.tracks, found.frames, found.seen)
    kept = sum(any(track.places.values()) for track in found.tracks)
    where = f"in {len(found.frames)} frames" if through else "on this frame"
    if not found:
        there = ", though what may be a person is seen" if found.people else ""
        return (
            f"No face was found {where}{there}: mark skin under Add on the picture, or go to a frame that shows a face."
        )
    over = f" The largest {kept} are kept." if found.most > kept else ""
    return f"{found.most} face{'s' * (found.most != 1)} found {where}.{over} Learn the key again."


def _look(
    instance: Instance,
    time: float,
    arguments: Properties,
    finder: Finder,
    times: Sequence[float],
    closer: bool,
    report: Callable[[float], bool],
) -> _Looked:
    """Look for faces at some times. Raises _BrokenOff, and OpenFXError where Source does not have the current frame."""
    looked = _Looked([_known(instance, slot, time) for slot in instance.kind.face_slots()])
    for count, at in enumerate(times):
        try:
            with whole_inputs(instance, at, arguments, MOST_ROWS) as (frame, inputs):
                picture = inputs[instance.clips[0].port]
                found = finder.faces(picture, again=closer)
                looked.people = looked.people or finder.people
                if found:
                    looked.seen[at] = Surroundings.round(picture, found[0])
        except OpenFXError:
            if at == time:
                raise
            continue  # a frame that Source does not have
        looked.most, looked.frames[at] = max(looked.most, len(found)), frame
        _assign(looked.tracks, found, at)
        if not report((count + 1) / len(times)):
            raise _BrokenOff
    return looked


def _known(instance: Instance, slot: Mapping[str, str], time: float) -> Track:
    """What a slot holds at a time, so that a face keeps its slot."""
    node = instance.node(time, instance.region(instance.source, time))
    is_there = getattr(node, slot[PRESENCE]) > 0
    marks = tuple(getattr(node, name) for word, name in slot.items() if word != PRESENCE)
    return Track(last=marks if is_there else None, seen=time)


def _times(instance: Instance, time: float) -> list[float]:
    """The frames of Source that are looked at, in order; the current one is among them."""
    try:
        first, last = instance.clip_properties(instance.source).doubles(api.FRAME_RANGE, 2)
    except OpenFXError:
        return [time]
    if not last >= first or last - first > 1e6:
        return [time]
    step = max(1, math.ceil((last - first + 1) / MOST_FRAMES))
    times = {first + step * k for k in range(int((last - first) // step) + 1)} | {last, time}
    return sorted(at for at in times if first <= at <= last)


def _assign(tracks: Sequence[Track], found: Sequence[Landmarks], at: float) -> None:
    """Give each slot the face that is nearest to the one it held, and free slots the largest of the rest."""
    rest = list(found)
    pairs = [(_apart(track.last, face), slot, face) for slot, track in enumerate(tracks) if track.last for face in rest]
    given: dict[int, Landmarks] = {}
    for away, slot, face in sorted(pairs, key=lambda pair: pair[0]):
        reach = 0.5 + _NEAR * math.sqrt(abs(at - tracks[slot].seen) + 1)
        if slot not in given and face in rest and away <= reach:
            given[slot] = face
            rest.remove(face)
    for slot, track in enumerate(tracks):
        if slot not in given and rest and not any(track.places.values()):
            given[slot] = rest.pop(0)
        track.places[at] = given.get(slot)
        if slot in given:
            track.last, track.seen = given[slot], at


def _apart(one: Landmarks, other: Landmarks) -> float:
    """How far two faces lie apart, in distances between the eyes of the first."""
    middle = [tuple(sum(p[i] for p in face) / len(face) for i in (0, 1)) for face in (one, other)]
    return math.dist(*middle) / max(math.dist(one[0], one[1]), 1e-6)


def _write(
    instance: Instance,
    slots: Sequence[Mapping[str, str]],
    tracks: Sequence[Track],
    frames: Mapping[float, Frame],
    seen: Mapping[float, Surroundings],
) -> None:
    label = "Follow faces" if len(frames) > 1 else "Find faces"
    with instance.one_edit(label):
        for slot, track in zip(slots, tracks, strict=True):
            names = [name for word, name in slot.items() if word != PRESENCE]
            for at, marks in track.places.items():
                instance.set_key(slot[PRESENCE], at, 1.0 if marks else 0.0)
                for name, point in zip(names, marks or (), strict=False):
                    instance.set_key(name, at, frames[at].canonical(point))
        instance.set_control(FACES_SEEN, json.dumps({f"{at:g}": seen[at].text() for at in _telling(seen)}))


def _telling(seen: Mapping[float, Surroundings]) -> list[float]:
    """Return the first and the last time with a face, and that of the largest one."""
    if not seen:
        return []
    return sorted({min(seen), max(seen, key=lambda at: seen[at].reach), max(seen)})


def without_foreign_faces(instance: Instance, time: float, arguments: Properties) -> str:
    """Take faces out that lie in another clip than Source, in one step of undo, and return what to say of it."""
    slots = instance.kind.face_slots()
    if not slots or not instance.has_control(FACES_SEEN):
        return ""
    get = instance.getter(time)
    try:
        known = {float(at): Surroundings.read(text) for at, text in json.loads(get(FACES_SEEN) or "{}").items()}
    except (ValueError, TypeError, AttributeError):
        known = {}
    if not known or any(_shows(instance, at, arguments, kept) for at, kept in known.items()):
        return ""
    with instance.one_edit("Leave faces out"):
        for slot in slots:
            instance.set_for_good(slot[PRESENCE], 0.0)
        instance.set_control(FACES_SEEN, "")
    return f"{ANOTHER_CLIP} Find faces finds those of this clip. "


def _shows(instance: Instance, at: float, arguments: Properties, kept: Surroundings) -> bool:
    """Tell whether Source shows at a time what was seen there."""
    try:
        with whole_inputs(instance, at, arguments, MOST_ROWS) as (_, inputs):
            return kept.are_in(inputs[instance.clips[0].port])
    except OpenFXError:
        return False  # a frame that Source does not have
