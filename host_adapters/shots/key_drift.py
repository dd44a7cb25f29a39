"""A key that goes along with the light of its clip: by how much it turns and pales the skin of the known faces.

A camera's white balance wanders, and compressed footage is tinted a little otherwise on every second frame. Half a
degree moves the border of a key by two per cent of its area. A face tells it: hue and chroma/luma of its skin on each
frame, beside the frame that the key was learned on, become keyframes of the key.
"""

from __future__ import annotations

import cmath
import dataclasses
import math
from collections.abc import Collection, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from ...nodes import FaceMatte, JoinFaces, SkinKey
from ..graphs.graph import Graph
from ..graphs.keyframes import Keyframes, thinned
from ..graphs.standard import DRIFTS, Keyed, keyed_step
from .face_tracks import FaceTrack

_ROUND = 12
"""Frames on either side whose median a frame may leave by :data:`_AWAY` at most: something may pass before the face."""
_AWAY = (1.5, 0.08)
_MOST = ((-15.0, 15.0), (-0.5, 1.0))
"""The most that a key turns, in degrees, and that its chroma/luma changes, in parts of it, down and up."""
_LEAST = (1.0, 0.06)
"""What no key follows: a head that turns changes as much."""
_TOLERANCE = (0.05, 0.003)

Doubles = NDArray[np.float64]


def follow_light(
    graph: Graph, tracks: Sequence[FaceTrack], frame: int, keys: Collection[str], frames: Sequence[int]
) -> Graph:
    """Return a graph whose keys go along with the light, by the faces that are keyed in each.

    :param tracks: the faces, in the order of the graph's. :param frame: the one on which the keys were learned; a face
        that is not on it tells nothing. :param keys: steps that were learned on that frame alone. :param frames: of the
        clip, rising.
    """
    steps = []
    for step in graph.steps:
        suffix = step.id.removeprefix("skin")
        if isinstance(step.node, SkinKey) and step.id in keys:
            drift = _drift(_keyed(graph, suffix, tracks), frame, frames)
            step = keyed_step(dataclasses.replace(step, keyed=()), (*step.keyed, *drift))
        steps.append(step)
    return dataclasses.replace(graph, steps=tuple(steps))


def _keyed(graph: Graph, suffix: str, tracks: Sequence[FaceTrack]) -> list[FaceTrack]:
    """Return the faces that are keyed in one person's key."""
    join = graph.by_id.get("join" + suffix)
    if join is None or not isinstance(join.node, JoinFaces):
        return []
    nodes = [graph.by_id[f"face{number}{suffix}"].node for number in range(1, len(tracks) + 1)]
    pairs = zip(nodes, tracks, strict=True)
    return [track for node, track in pairs if isinstance(node, FaceMatte) and node.keyed > 0.5]


def _drift(tracks: Sequence[FaceTrack], frame: int, frames: Sequence[int]) -> Keyed:
    """Return the keyframes of a key's drift; none where the light hardly changes, or no face tells."""
    known = [track for track in map(_wholly_there, tracks) if frame in track.colours]
    at = sorted({each for track in known for each in track.colours})
    if len(at) < 2:
        return ()
    found = [_beside(known, each, frame) for each in at]
    hue = np.array([math.degrees(cmath.phase(each)) for each in found])
    chroma = np.array([abs(each) - 1 for each in found])
    planes = [_steadied(plane, away, most) for plane, away, most in zip((hue, chroma), _AWAY, _MOST, strict=True)]
    if all(np.abs(plane).max() <= least for plane, least in zip(planes, _LEAST, strict=True)):
        return ()
    there = dict.fromkeys(frames)
    rest = {
        edge: 0.0
        for edge, track_ends in ((at[0] - 1, _opens(known, at[0])), (at[-1] + 1, _closes(known, at[-1])))
        if track_ends and edge in there
    }
    return tuple(
        (
            name,
            _keyframes(rest | dict(zip(at, map(float, plane), strict=True)) | {frame: 0.0}, frame, tolerance, offset),
        )
        for (name, offset), plane, tolerance in zip(DRIFTS.items(), planes, _TOLERANCE, strict=True)
    )


def _wholly_there(track: FaceTrack) -> FaceTrack:
    """Return a face with the colours of the frames alone on which it counts wholly."""
    there = track.presence()
    return dataclasses.replace(track, colours={at: c for at, c in track.colours.items() if there.get(at, 0) >= 1})


def _beside(tracks: Sequence[FaceTrack], at: int, frame: int) -> complex:
    """Return the colour of faces on a frame beside that on another, as a factor, the larger faces first."""
    seen = [track for track in tracks if at in track.colours]
    weights = [float(np.ptp(track.places[at], axis=0).prod()) + 1e-6 for track in seen]
    beside = (w * track.colours[at] / track.colours[frame] for w, track in zip(weights, seen, strict=True))
    return sum(beside, 0j) / sum(weights)


def _steadied(plane: Doubles, away: float, most: tuple[float, float]) -> Doubles:
    wide = np.pad(plane, _ROUND, mode="edge")
    median = np.median(np.lib.stride_tricks.sliding_window_view(wide, 2 * _ROUND + 1), axis=1)
    return np.asarray(np.clip(median + np.clip(plane - median, -away, away), *most))


def _opens(tracks: Sequence[FaceTrack], first: int) -> bool:
    return any(track.opens for track in tracks if min(track.places) == first)


def _closes(tracks: Sequence[FaceTrack], last: int) -> bool:
    return any(track.closes for track in tracks if max(track.places) == last)


def _keyframes(values: Mapping[int, float], frame: int, tolerance: float, offset: float) -> Keyframes:
    """Return keyframes through values, exact on the frame of the key itself."""
    pairs = [(float(at), round(value + offset, 4)) for at, value in sorted(values.items())]
    before, after = ([p for p in pairs if p[0] <= frame], [p for p in pairs if p[0] >= frame])
    return Keyframes((*thinned(before, tolerance), *thinned(after, tolerance)[1:]))
