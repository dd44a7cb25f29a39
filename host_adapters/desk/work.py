"""The workbench: works out any step of a graph on any frame, and remembers what was worked out by its settings.

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
from ...kernels.errors import InkarnatError
from ...kernels.memory import RESULTS
from ...nodes.declare import Node
from ..graphs.errors import NodeError
from ..graphs.graph import Graph, Step
from ..media.clips import Clip

PROXY = (1920, 1080)
"""The box into which pictures are fitted for looking at them."""

MOVING = (960, 540)
"""The box for while a hand moves something or the clip plays; what rests is looked at in full."""

_MOST_BYTES = 1 << 29
_MOST_FINDINGS = 256
_PICTURES, _MATTES = 20, 16
"""Together about as much as may be remembered of full HD."""

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
        shape = self.plate(frame).shape
        RESULTS.reserve({shape: _PICTURES, shape[:2]: _MATTES})

    def plate(self, frame: int, size: Size = PROXY) -> Floats:
        """Return the picture of the clip, to be looked at only. Raises InputError."""
        return self._kept(self._plate_key(frame, size), lambda: fitted(self.clip.read(frame), size), size)

    def value(self, graph: Graph, origin: str, frame: int, size: Size = PROXY) -> Floats:
        """Return what a source or step of the graph gives at a frame, to be looked at only.

        It is not marked as read-only: for such arrays every kernel would be compiled once more.
        Raises InputError and NodeError.
        """
        found = self._found(graph, origin, frame)
        if found is None:
            return self.plate(frame, size)
        step, node = found
        return self._kept(
            self.key(graph, origin, frame, size), lambda: self._worked(graph, step, node, frame, size), size
        )

    def made(self, key: Hashable, make: Callable[[], Floats]) -> Floats:
        """Return a further value of about the proxy's size that follows from ``key`` alone."""
        return self._kept(key, make, PROXY)

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
        found = self._found(graph, origin, frame)
        if found is None:
            return self._plate_key(frame, size)
        step, node = found
        reads = [(port, self.key(graph, o, at, size)) for port, o in step.inputs for at in self._frames(node, frame)]
        return (node, tuple(reads))

    def _found(self, graph: Graph, origin: str, frame: int) -> tuple[Step, Node] | None:
        """Return the step that gives a value and its node at the frame, None for the clip itself.

        Steps that pass their picture on are passed over: they would make copies.
        """
        while (step := graph.by_id.get(origin)) is not None:
            node = step.node_at(frame)
            if not node.is_identity():
                return step, node
            origin = dict(step.inputs)[next(iter(node.inputs()))]
        return None

    def _plate_key(self, frame: int, size: Size) -> Hashable:
        small = size is not None and (self.clip.width > size[0] or self.clip.height > size[1])
        return ("plate", frame, size if small else None)

    def _frames(self, node: Any, frame: int) -> list[int]:
        """The frames that a node reads, the clip's ends standing in for what lies beyond them."""
        before, after = node.frames_needed()
        first, last = self.clip.frames[0], self.clip.frames[-1]
        return [min(max(at, first), last) for at in range(frame - before, frame + after + 1)]

    def _worked(self, graph: Graph, step: Step, node: Any, frame: int, size: Size) -> Floats:
        """Work a step out."""
        arguments: dict[str, Any] = {}
        for port, read in step.inputs:
            pictures = tuple(self.value(graph, read, at, size) for at in self._frames(node, frame))
            arguments[port] = pictures if node.frames_needed() != (0, 0) else pictures[0]
        try:
            result: Floats = node.process(**arguments)
        except InkarnatError as error:
            raise NodeError(f"{step} failed at frame {frame}: {error}") from error
        return result

    def _kept(self, key: Hashable, make: Callable[[], Floats], size: Size) -> Floats:
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]
        value = make()
        most = self.most_bytes if size is not None else 2 * self.most_bytes
        with self._lock:
            if key not in self._values:
                self._values[key] = value
                self._bytes += value.nbytes
                while self._bytes > most and len(self._values) > 1:
                    self._bytes -= self._values.popitem(last=False)[1].nbytes
        return value


def fitted(picture: Floats, size: Size) -> Floats:
    """Return a picture shrunk into the box, its pixels the means of those they stand for; never enlarged."""
    if size is None:
        return picture
    height, width = picture.shape[:2]
    scale = min(size[0] / width, size[1] / height, 1.0)
    if scale == 1.0:
        return picture
    import OpenImageIO as oiio

    shape = max(round(width * scale), 1), max(round(height * scale), 1)
    whole = oiio.ImageBuf(np.ascontiguousarray(picture))
    small = oiio.ImageBufAlgo.resize(whole, "box", roi=oiio.ROI(0, shape[0], 0, shape[1], 0, 1, 0, picture.shape[2]))
    result: Floats = np.ascontiguousarray(small.get_pixels(oiio.FLOAT), np.float32)
    return result
