"""The workbench: what any step of a graph gives on any frame, remembered by the settings that made it.

A remembered value is known by the node that made it and by what that node read, down to the picture of the clip. So a
change of one control works out anew only what lies behind it, and undo finds everything as it was.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, TypeVar, cast

import numpy as np

from ...kernels.arrays import Floats
from ...kernels.memory import RESULTS
from ..graphs.graph import Graph
from ..graphs.runner import Runner
from ..media.clips import Clip

PROXY = (1920, 1080)
"""The box into which pictures are fitted for looking at them."""

MOVING = (960, 540)
"""The box for while a hand moves something or the clip plays; what rests is looked at in full."""

_MOST_BYTES = 160 << 20
_MOST_FINDINGS = 256
_PICTURES, _MATTES = 8, 6
"""What the steps of a correction need at once while something moves."""

Known = TypeVar("Known")

Size = tuple[int, int] | None
"""The box that pictures are fitted into; None for their full size."""


class Workbench:
    """Values of one clip, by frame and settings; safe to use from several threads.

    :param most_bytes: of pictures that are remembered; of pictures at full size, twice as much.
    """

    def __init__(self, clip: Clip, most_bytes: int = _MOST_BYTES) -> None:
        self.clip, self.most_bytes = clip, most_bytes
        self._values: OrderedDict[Hashable, Floats] = OrderedDict()
        self._findings: OrderedDict[Hashable, Any] = OrderedDict()
        self._bytes = 0
        self._lock = threading.Lock()

    def prepare(self, frame: int) -> None:
        """Take the memory for looking at this clip, so that the first changes are as quick as all others."""
        shape = self.plate(frame, MOVING).shape
        RESULTS.reserve({shape: _PICTURES, shape[:2]: _MATTES})

    def plate(self, frame: int, size: Size = PROXY) -> Floats:
        """Return the picture of the clip, to be looked at only; beyond its ends, the last one. Raises InputError."""
        at = self._within(frame)
        return self._kept(self._plate_key(at, size), lambda: fitted(self.clip.read(at), size), size)

    def value(self, graph: Graph, origin: str, frame: int, size: Size = PROXY) -> Floats:
        """Return what a source or step of the graph gives at a frame, to be looked at only.

        It is not marked as read-only: for such arrays every kernel would be compiled once more.
        Raises InputError and NodeError.
        """
        store = _Remembered(self, graph, size)
        return Runner(graph).values(frame, lambda _, at: self.plate(at, size), {"": origin}, store=store)[""]

    def made(self, key: Hashable, make: Callable[[], Floats], size: Size = PROXY) -> Floats:
        """Return a further value of that size that follows from ``key`` alone."""
        return self._kept(key, make, size)

    def known(self, key: Hashable, find: Callable[[], Known]) -> Known:
        """Return a finding, such as a reading, that follows from ``key`` alone, found once."""
        with self._lock:
            if key in self._findings:
                return cast(Known, self._findings[key])
        found = find()
        with self._lock:
            self._findings[key] = found
            while len(self._findings) > _MOST_FINDINGS:
                self._findings.popitem(last=False)
        return found

    def key(self, graph: Graph, origin: str, frame: int, size: Size = PROXY) -> Hashable:
        """Return by what a value is known: equal keys, equal values."""
        step = graph.by_id.get(origin)
        if step is None:
            return self._plate_key(frame, size)
        node = step.node_at(frame)
        if node.is_identity():  # it passes its picture on
            return self.key(graph, dict(step.inputs)[next(iter(node.inputs()))], frame, size)
        before, after = node.frames_needed()
        frames = range(frame - before, frame + after + 1)
        return node, tuple((port, self.key(graph, o, at, size)) for port, o in step.inputs for at in frames)

    def _plate_key(self, frame: int, size: Size) -> Hashable:
        small = size is not None and (self.clip.width > size[0] or self.clip.height > size[1])
        return ("plate", self._within(frame), size if small else None)

    def _within(self, frame: int) -> int:
        """The ends of the clip stand in for what lies beyond them."""
        return min(max(frame, self.clip.frames[0]), self.clip.frames[-1])

    def find(self, key: Hashable) -> Floats | None:
        """Return a value that is remembered, or None."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
            return self._values.get(key)

    def keep(self, key: Hashable, value: Floats, size: Size) -> None:
        """Remember a value, and forget those that were not asked for the longest where they are too many."""
        most = self.most_bytes if size is not None else 2 * self.most_bytes
        with self._lock:
            if key not in self._values:
                self._values[key] = value
                self._bytes += value.nbytes
                while self._bytes > most and len(self._values) > 1:
                    self._bytes -= self._values.popitem(last=False)[1].nbytes

    def _kept(self, key: Hashable, make: Callable[[], Floats], size: Size) -> Floats:
        value = self.find(key)
        if value is None:
            value = make()
            self.keep(key, value, size)
        return value


class _Remembered:
    """What a workbench remembers of one graph, for the runner."""

    def __init__(self, bench: Workbench, graph: Graph, size: Size) -> None:
        self.bench, self.graph, self.size = bench, graph, size

    def find(self, origin: str, frame: int) -> Floats | None:
        return self.bench.find(self.bench.key(self.graph, origin, frame, self.size))

    def keep(self, origin: str, frame: int, value: Floats) -> None:
        self.bench.keep(self.bench.key(self.graph, origin, frame, self.size), value, self.size)


def fitted(picture: Floats, size: Size) -> Floats:
    """Return a picture shrunk into the box, its pixels the means of those they stand for; never enlarged."""
    if size is None:
        return picture
    height, width = picture.shape[:2]
    scale = min(size[0] / width, size[1] / height, 1.0)
    if scale == 1.0:
        return picture
    factor = round(1 / scale)
    if factor * scale == 1 and width % factor == 0 and height % factor == 0:
        return _means(picture, factor)
    import OpenImageIO as oiio

    shape = max(round(width * scale), 1), max(round(height * scale), 1)
    whole = oiio.ImageBuf(np.ascontiguousarray(picture))
    small = oiio.ImageBufAlgo.resize(whole, "box", roi=oiio.ROI(0, shape[0], 0, shape[1], 0, 1, 0, picture.shape[2]))
    result: Floats = np.ascontiguousarray(small.get_pixels(oiio.FLOAT), np.float32)
    return result


def _means(picture: Floats, factor: int) -> Floats:
    """Return the means of squares of this side, summed row by row: a tenth of the time of a resampling."""
    height, width, channels = picture.shape
    rows = picture[::factor].copy()
    for row in range(1, factor):
        rows += picture[row::factor]
    cells = rows.reshape(height // factor, width // factor, factor, channels)
    result: Floats = cells[:, :, 0] + cells[:, :, 1]
    for column in range(2, factor):
        result += cells[:, :, column]
    result *= np.float32(1 / factor**2)
    return result
