"""Whose faces: how a graph knows the clip in which its faces lie, so that no other clip gets their outlines.

The graph's notes keep what a few frames show round the largest face: 16 × 16 levels of luma, from proxies and from full
size the same but for grain. A clip that shows something else there is another one.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import Floats
from ...kernels.colour import luma
from ...nodes import FaceMatte
from ..graphs.errors import GraphError
from ..graphs.graph import Graph, Step
from ..graphs.standard import without_faces

_SIDE, _TAKEN = 16, 4
_ROUND = 1.5
"""How far round its landmarks a face is looked at, in parts of their largest extent."""
_ALIKE = 0.9
"""Least rank correlation of the same frame. On 18 real pictures a proxy of half the size, a coarse JPEG or a log curve
keeps it above .98; other frames of one clip have at most .67 there, other people .54."""

_LOOKS = 200
"""Frames of a clip among which those to keep are chosen, about."""

_NOTE = "faces"


class Clip(Protocol):
    """What is asked of a clip."""

    frames: Any
    missing: Any

    def read(self, frame: int) -> Floats:
        """Return the picture at a frame. Raises InputError."""


def with_face_note(graph: Graph, clip: Clip) -> Graph:
    """Return the graph with a note of what its clip shows round the faces; without faces, without that note."""
    notes = {key: value for key, value in graph.notes().items() if key != _NOTE}
    missing = set(clip.missing)
    frames = [frame for frame in clip.frames if frame not in missing]
    there = [*frames[:: max(1, len(frames) // _LOOKS)], *frames[-1:]]
    shown = {str(frame): _levels(clip.read(frame), face).hex() for frame, face in _telling(graph, there)}
    if not shown and notes == graph.notes():
        return graph
    return graph.with_notes({**notes, _NOTE: shown} if shown else notes)


def without_foreign_faces(graph: Graph, clip: Clip) -> tuple[Graph, str | None]:
    """Return the graph as it may be used on a clip, without faces that lie in another one, and what to say of it.

    :raises GraphError: damaged notes. Raises InputError for a frame that cannot be read.
    """
    if not _faces(graph):
        return graph, None
    noted = graph.notes().get(_NOTE)
    if noted is None:
        return graph, _NOBODY_SAID
    alike = False
    try:
        for text, levels in noted.items():
            frame, kept = int(text), np.frombuffer(bytes.fromhex(levels), np.uint8)
            face = _largest(graph, frame)
            there = frame in clip.frames and frame not in clip.missing
            if there and face is not None and kept.size == _SIDE * _SIDE:
                seen = np.frombuffer(_levels(clip.read(frame), face), np.uint8)
                alike = alike or _rank_correlation(kept, seen) >= _ALIKE
    except (ValueError, TypeError, AttributeError) as error:
        raise GraphError(f"The graph's notes on the clip of its faces are damaged: {error}") from None
    return (graph, None) if alike else (without_faces(graph), _ANOTHER)


_ANOTHER = (
    "The faces of this graph lie in another clip, so they are left out here and the key works without them. "
    "`inkarnat carry` finds those of this clip."
)
_NOBODY_SAID = (
    "This graph holds the outlines of faces and does not say in which clip they lie: on another clip than that "
    "they are wrong. `inkarnat carry` finds those of each clip."
)


def _faces(graph: Graph) -> list[Step]:
    return [step for step in graph.steps if isinstance(step.node, FaceMatte)]


def _largest(graph: Graph, frame: int) -> FaceMatte | None:
    """Return the largest face that is wholly there at a frame."""
    found = [node for step in _faces(graph) if isinstance(node := step.node_at(frame), FaceMatte)]
    return max((face for face in found if face.presence >= 1), key=_extent, default=None)


def _extent(face: FaceMatte) -> float:
    return float(np.ptp(np.array(face.landmarks), axis=0).max())


def _telling(graph: Graph, frames: list[int]) -> list[tuple[int, FaceMatte]]:
    """Return the first and the last frame with a face, and that of the largest one, with the face of each."""
    if not _faces(graph):
        return []
    there = [(frame, face) for frame in frames if (face := _largest(graph, frame)) is not None]
    if not there:
        return []
    chosen = (there[0], max(there, key=lambda pair: _extent(pair[1])), there[-1])
    return sorted(dict(chosen).items())


def _levels(picture: Floats, face: FaceMatte) -> bytes:
    """Return 16 × 16 levels of luma round a face, row by row; beyond the frame its edge goes on."""
    height, width = picture.shape[:2]
    points = np.array(face.landmarks) * (width, height)
    reach = _ROUND * max(float(np.ptp(points, axis=0).max()), 1.0)
    x, y = (
        np.clip(np.rint(middle + reach * np.linspace(-1, 1, _SIDE * _TAKEN)).astype(int), 0, most - 1)
        for middle, most in zip(points.mean(axis=0), (width, height), strict=True)
    )
    seen = np.nan_to_num(np.asarray(luma(np.ascontiguousarray(picture[y][:, x], np.float32))), posinf=0, neginf=0)
    cells = np.clip(seen, 0, 1).reshape(_SIDE, _TAKEN, _SIDE, _TAKEN).mean(axis=(1, 3))
    return np.asarray(np.rint(cells * 255), np.uint8).tobytes()


def _rank_correlation(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> float:
    """Return Spearman's rank correlation: a curve or another level changes nothing; 1 for two flat pictures."""
    ranks = [_ranks(levels) - (levels.size - 1) / 2 for levels in (one, other)]
    size = [float((r * r).sum()) for r in ranks]
    if min(size) == 0:
        return float(max(size) == 0)
    return float((ranks[0] * ranks[1]).sum() / np.sqrt(size[0] * size[1]))


def _ranks(levels: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return the rank of every level, the mean rank of those that are equal."""
    _, which, count = np.unique(levels, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    return np.asarray((last - (count + 1) / 2)[which.ravel()], np.float64)
