"""The workbench: what any step of a graph gives on any frame, remembered by the settings that made it.

A remembered value is known by the node that made it and by what that node read, down to the picture of the clip. So a
change of one control works out anew only what lies behind it, and undo finds everything as it was.
"""

from __future__ import annotations

import contextlib
import copy
import ctypes
import functools
import sys
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np

from ...kernels.arrays import Floats
from ...kernels.memory import COUNTERS, RESULTS
from ...nodes import SteerSkin
from ..graphs.graph import Graph
from ..graphs.runner import Runner
from ..media.clips import Clip
from ..media.video_format import READ_SUFFIXES
from .frames import Frames
from .plate import Stamp, file_of, stamp_of
from .reel import Reel

PROXY = (1920, 1080)
"""The box into which pictures are fitted for looking at them."""

MOVING = (960, 540)
"""The box for while a hand moves something or the clip plays; what rests is looked at in full."""

_LOOKING = 0.005
"""Seconds that a look at the files that were shown earlier may take."""
_MOST_BYTES = 72 << 20
_MOST_IDLE = 96 << 20
"""Bytes of lent memory that may lie idle once the hand rests."""
_MOST_FINDINGS = 256
_MOST_LAST = 12
"""Mattes that are remembered as the last ones of their frames."""
_PICTURES, _MATTES = 8, 6
"""What the steps of a correction need at once while something moves."""

Known = TypeVar("Known")

Size = tuple[int, int] | None
"""The box that pictures are fitted into; None for their full size."""


class Superseded(Exception):
    """Raised in what is worked out for a hand that rests, once it moves again."""


class Workbench:
    """Values of one clip, by frame and settings; safe to use from several threads.

    A file that was replaced or changed since it was read is read anew: a picture is known by its file's stamp too.

    :param most_bytes: of pictures that are remembered; of pictures at full size, twice as much.
    :param changed: called with the name of a file that had been read and is another one now. :param reel: opens the
        clip once more.
    """

    def __init__(
        self,
        clip: Clip,
        most_bytes: int = _MOST_BYTES,
        changed: Callable[[str], None] = lambda name: None,
        reel: Reel | None = None,
    ) -> None:
        self.clip, self.most_bytes, self.changed = clip, most_bytes, changed
        self.reel = reel or Reel(clip.path)
        self._stamps: dict[Path, Stamp] = {}
        self._next = 0
        self._opened = stamp_of(clip.path)
        self._shown: Path | None = None
        self._renewing = threading.Lock()
        self._values: OrderedDict[Hashable, Floats] = OrderedDict()
        self._findings: OrderedDict[Hashable, Any] = OrderedDict()
        self._bytes = 0
        self._shape: tuple[int, ...] = ()
        self._last: OrderedDict[Hashable, tuple[Hashable, Floats]] = OrderedDict()
        self.frames = Frames(self.reel.open, clip.frames, _moving)
        self._lock = threading.Lock()
        self._resting = threading.Lock()
        self._moves = 0
        self._watched = threading.local()

    @contextlib.contextmanager
    def rest(self) -> Iterator[None]:
        """Work for a hand that rests: one thing at a time, and given up at the next step once it moves again.

        Raises Superseded where that happens.
        """
        moves = self._moves
        with self._resting:
            if moves != self._moves:
                raise Superseded
            self._watched.moves = moves
            try:
                yield
            finally:
                self._watched.moves = None

    def stir(self) -> None:
        """Say that a hand moves: what was for its rest is given up."""
        self._moves += 1
        self.frames.stir()
        if RESULTS.idle() > 2 * _MOST_IDLE:
            self.tidy()

    def go_on(self) -> None:
        """Raise Superseded where this is work for a hand that has moved again since."""
        moves = getattr(self._watched, "moves", None)
        if moves is not None and moves != self._moves:
            raise Superseded

    def prepare(self, frame: int) -> None:
        """Take the memory for looking at this clip, so that the first changes are as quick as all others."""
        self._shape = self.plate(frame, MOVING).shape
        self._reserve()
        if self.clip.path.suffix.lower() in READ_SUFFIXES and self._is_small(MOVING):
            self.frames.start()

    def _reserve(self) -> None:
        RESULTS.reserve({self._shape: _PICTURES, self._shape[:2]: _MATTES})

    def tidy(self) -> None:
        """Give back, once the hand rests, what large pictures have left behind; what moving needs stays at hand."""
        if RESULTS.idle() > _MOST_IDLE:
            RESULTS.clear()
            COUNTERS.clear()
            if self._shape:
                self._reserve()
        _give_back_freed()

    def plate(self, frame: int, size: Size = PROXY) -> Floats:
        """Return the picture of the clip, to be looked at only; beyond its ends, the last one. Raises InputError."""
        self._renew()
        at = self._within(frame)

        def make() -> Floats:
            small = self.frames.find(at) if size == MOVING and self._is_small(size) else None
            return fitted(self.clip.read(at), size) if small is None else small

        return self._kept(self._plate_key(at, size), make, size)

    def _is_small(self, size: Size) -> bool:
        return size is not None and (self.clip.width > size[0] or self.clip.height > size[1])

    def value(self, graph: Graph, origin: str, frame: int, size: Size = PROXY, last: bool = False) -> Floats:
        """Return what a source or step of the graph gives at a frame, to be looked at only.

        :param last: skin is steered by the mattes that were worked out last for that frame, whatever has changed
            before them since; see :meth:`is_stale`.

        It is not marked as read-only: for such arrays every kernel would be compiled once more.
        Raises InputError and NodeError.
        """
        store = _Remembered(self, graph, size, last and self.is_stale(graph, frame, size))
        return Runner(graph).values(frame, lambda _, at: self.plate(at, size), {"": origin}, store=store)[""]

    def is_stale(self, graph: Graph, frame: int, size: Size) -> bool:
        """Tell whether mattes that steer skin are known for a frame, but not as they would be now."""
        known = [(self._last.get((id, frame, size)), self.key(graph, id, frame, size)) for id in steering(graph)]
        return all(last is not None for last, _ in known) and any(last[0] != key for last, key in known if last)

    def last(self, id: str, frame: int, size: Size) -> Floats | None:
        """Return a matte that steers skin as it was worked out last for a frame, None where it never was."""
        found = self._last.get((id, frame, size))
        return None if found is None else found[1]

    def note(self, id: str, frame: int, size: Size, key: Hashable, value: Floats) -> None:
        """Remember a matte that steers skin as the last one of its frame, where it is for what moves."""
        if size != MOVING:
            return
        with self._lock:
            self._last[(id, frame, size)] = key, value
            self._last.move_to_end((id, frame, size))
            while len(self._last) > _MOST_LAST:
                self._last.popitem(last=False)

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
        at = self._within(frame)
        return ("plate", at, self._stamp(file_of(self.clip, at)), size if self._is_small(size) else None)

    def look_again(self) -> None:
        """See whether the files that were looked at are still what they were: the last one, and the others in turn.

        A page keeps the pictures it has shown, and asks for them again only when it is told that one has changed.
        """
        if self._shown is None:
            return
        self._same_or_told(self._shown)
        paths, first, until = list(self._stamps), self._next, time.monotonic() + _LOOKING
        for at in range(first, first + len(paths)):
            self._same_or_told(paths[at % len(paths)])
            self._next = at + 1
            if time.monotonic() > until:
                break

    def _stamp(self, path: Path) -> Stamp | None:
        """Return the stamp of a file that is looked at, that of before where it is not there now."""
        self._shown = path
        return self._same_or_told(path)

    def _same_or_told(self, path: Path) -> Stamp | None:
        """Return the stamp of a file, and say where it is another one."""
        before, now = self._stamps.get(path), stamp_of(path)
        if now is None or now == before:
            return before
        self._stamps[path] = now
        if before is not None:
            self.changed(path.name)
        return now

    def _renew(self) -> None:
        """Open the clip again where its one file is another one. Raises InputError where that cannot be read."""
        now = stamp_of(self.clip.path)
        if now in (None, self._opened):
            return
        with self._renewing:
            if now == self._opened:
                return
            fresh, frames = copy.copy(self.clip), self.frames
            self.frames = Frames(self.reel.open, fresh.frames, _moving)
            self.clip, old, self._opened = fresh, self.clip, now
            old.close()
            frames.close()
            if frames.is_running:
                self.frames.start()
        if list(fresh.frames) != list(old.frames):
            self.changed(fresh.path.name)  # once more, now that it is known how long it is

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


def _moving(picture: Floats) -> Floats:
    return fitted(picture, MOVING)


def spare_memory() -> None:
    """Have the C library keep few heaps, whatever the number of threads, and give large pieces back, where it can."""
    limit = getattr(ctypes.CDLL(None), "mallopt", None) if sys.platform == "linux" else None
    if limit is not None:
        limit(_ARENA_MAX, 2)
        limit(_MMAP_THRESHOLD, 2 << 20)


_MMAP_THRESHOLD, _ARENA_MAX = -3, -8
"""M_MMAP_THRESHOLD and M_ARENA_MAX of the GNU C library's malloc.h."""


def _give_back_freed() -> None:
    """Have the C library return freed memory to the system, where it can: it keeps large pieces for later."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
    if trim is not None:
        trim(0)


class _Remembered:
    """What a workbench remembers of one graph, for the runner.

    :ivar last: mattes that steer skin are taken as they were last, and what comes of them is not remembered.
    """

    def __init__(self, bench: Workbench, graph: Graph, size: Size, last: bool = False) -> None:
        self.bench, self.graph, self.size, self.last = bench, graph, size, last
        self.mattes = steering(graph)

    def find(self, origin: str, frame: int) -> Floats | None:
        self.bench.go_on()
        if self.last and origin in self.mattes:
            return self.bench.last(origin, frame, self.size)
        found = None if self._rests(origin) else self.bench.find(self._key(origin, frame))
        if found is not None and origin in self.mattes and not self.last:
            self.bench.note(origin, frame, self.size, self._key(origin, frame), found)
        return found

    def keep(self, origin: str, frame: int, value: Floats) -> None:
        if self._rests(origin):
            return
        self.bench.keep(self._key(origin, frame), value, self.size)
        if origin in self.mattes and not self.last:
            self.bench.note(origin, frame, self.size, self._key(origin, frame), value)

    def _key(self, origin: str, frame: int) -> Hashable:
        return self.bench.key(self.graph, origin, frame, self.size)

    def _rests(self, origin: str) -> bool:
        """Whether a value comes of mattes that are not what they should be."""
        return self.last and origin in behind(self.graph)


@functools.lru_cache(maxsize=8)
def steering(graph: Graph) -> frozenset[str]:
    """Return the steps whose mattes steer skin."""
    steered = (dict(step.inputs) for step in graph.steps if isinstance(step.node, SteerSkin))
    return frozenset(inputs["matte"] for inputs in steered if inputs.get("matte") in graph.by_id)


@functools.lru_cache(maxsize=8)
def behind(graph: Graph) -> frozenset[str]:
    """Return the steps that read, at once or through others, a matte that steers skin."""
    found = set(steering(graph))
    for step in graph.order():
        if any(origin in found for _, origin in step.inputs):
            found.add(step.id)
    return frozenset(found)


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
