"""A key that goes along with the light of its clip: by how much it moves Cb/Y′ and Cr/Y′ of the known faces.

A camera's white balance wanders, and compressed footage is tinted a little otherwise on every second frame. Half a
degree moves the border of a key by two per cent of its area. A face tells it: how far the colour of its skin lies on
each frame from that on the frame that the key was learned on becomes keyframes of the key. Gains on red, green and blue
move pale skin about as far as any other, so a key is moved, not turned.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Sequence

import numpy as np
from numpy.typing import NDArray

from ...nodes import FaceMatte, JoinFaces, SkinKey
from ..graphs.drifts import moved_by
from ..graphs.graph import Graph
from ..graphs.keyframes import Keyframes, thinned
from ..graphs.standard import Keyed, keyed_step
from .face_tracks import FaceTrack

_ROUND = 12
"""Frames on either side whose median a frame may leave by :data:`_AWAY` at most: something may pass before the face."""
_AWAY, _MOST = 0.01, 0.15
"""The most that a key moves along either axis, from that median and in all."""
_LEAST = (1.0, 0.06)
"""Degrees of hue, and parts of the chroma/luma, that no key follows: a head that turns changes as much."""
_TOLERANCE = 3e-4

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
    known = [track for track in tracks if frame in track.colours]
    at = sorted({each for track in known for each in track.colours})
    if len(at) < 2:
        return ()
    moved = np.array([_mean(known, each, frame) for each in at])
    steadied = _steadied(moved.real) + 1j * _steadied(moved.imag)
    beside = 1 + steadied / _mean(known, frame)
    if np.abs(np.degrees(np.angle(beside))).max() <= _LEAST[0] and np.abs(np.abs(beside) - 1).max() <= _LEAST[1]:
        return ()
    there = dict.fromkeys(frames)
    moves: dict[float, complex] = {
        edge: 0j
        for edge, track_ends in ((at[0] - 1, _opens(known, at[0])), (at[-1] + 1, _closes(known, at[-1])))
        if track_ends and edge in there
    }
    moves |= zip(at, map(complex, steadied), strict=True)
    moves[frame] = 0j
    return tuple((name, _thinned(keyframes, frame)) for name, keyframes in moved_by(moves).items())


def _mean(tracks: Sequence[FaceTrack], at: int, beside: int | None = None) -> complex:
    """Return the mean colour of the faces on a frame, the larger first, or how far it lies from another frame's."""
    seen = [track for track in tracks if at in track.colours]
    weights = [float(np.ptp(track.places[at], axis=0).prod()) + 1e-6 for track in seen]
    told = (track.colours[at] - (0 if beside is None else track.colours[beside]) for track in seen)
    return sum((w * each for w, each in zip(weights, told, strict=True)), 0j) / sum(weights)


def _steadied(plane: Doubles) -> Doubles:
    """Return how far a key moves along one axis on every frame, without what passes before a face."""
    wide = np.pad(plane, _ROUND, mode="edge")
    median = np.median(np.lib.stride_tricks.sliding_window_view(wide, 2 * _ROUND + 1), axis=1)
    return np.asarray(np.clip(median + np.clip(plane - median, -_AWAY, _AWAY), -_MOST, _MOST))


def _opens(tracks: Sequence[FaceTrack], first: int) -> bool:
    return any(track.opens for track in tracks if min(track.places) == first)


def _closes(tracks: Sequence[FaceTrack], last: int) -> bool:
    return any(track.closes for track in tracks if max(track.places) == last)


def _thinned(keyframes: Keyframes, frame: int) -> Keyframes:
    """Return fewer keyframes, exact on the frame of the key itself."""
    before, after = ([p for p in keyframes.pairs if p[0] <= frame], [p for p in keyframes.pairs if p[0] >= frame])
    return Keyframes((*thinned(before, _TOLERANCE), *thinned(after, _TOLERANCE)[1:]))
