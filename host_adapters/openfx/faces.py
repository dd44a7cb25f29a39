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


def find(
    instance: Instance, time: float, arguments: Properties, report: Callable[[float], bool], through: bool
) -> str | None:
    """Find faces on this frame, or through the clip, and set the landmarks as keyframes in one step of undo.

    :return: what to tell the person; None where it was broken off, and then nothing is set. Raises OpenFXError.
    """
    slots = instance.kind.face_slots()
    tracks = [_known(instance, slot, time) for slot in slots]
    times = _times(instance, time) if through else [time]
    most, frames, people = 0, {}, False
    seen: dict[float, Surroundings] = {}
    with Finder() as finder:
        for count, at in enumerate(times):
            try:
                with whole_inputs(instance, at, arguments, MOST_ROWS) as (frame, inputs):
                    picture = inputs[instance.clips[0].port]
                    found = finder.faces(picture, again=not through)
                    people = people or finder.people
                    if found:
                        seen[at] = Surroundings.round(picture, found[0])
            except OpenFXError:
                if not through or at == time:
                    raise
                continue  # a frame that Source does not have
            most, frames[at] = max(most, len(found)), frame
            _assign(tracks, found, at)
            if not report((count + 1) / len(times)):
                return None
    _write(instance, slots, tracks, frames, seen)
    kept = sum(any(track.places.values()) for track in tracks)
    where = f"in {len(frames)} frames" if through else "on this frame"
    if not most:
        there = ", though people seem to be there" if people else ""
        return (
            f"No face was found {where}{there}: mark skin under Add on the picture, or go to a frame that shows a face."
        )
    over = f" The largest {kept} are kept." if most > kept else ""
    return f"{most} face{'s' * (most != 1)} found {where}.{over} Learn the key again."


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
