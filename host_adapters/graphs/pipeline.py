"""The pipeline: reads ahead and writes behind in threads of their own while the frame between them is worked out."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Container, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Protocol

from ...kernels import devices
from ...kernels.arrays import Floats


class Taken(Protocol):
    """A frame that was read; see :meth:`.clips.Clip.take`."""

    @property
    def picture(self) -> Floats:
        """Its picture."""


@dataclass(frozen=True, eq=False)
class _Read:
    """A frame of a clip that gives pictures only."""

    picture: Floats


@dataclass
class StageTimes:
    """Where the time of a run went, in seconds of wall time.

    :ivar read, work, write: how long frames were read, worked on and written; work on several at once is added up.
    :ivar for_read, for_work, for_write: how long the run's own thread waited for each.
    """

    read: float = 0.0
    work: float = 0.0
    write: float = 0.0
    for_read: float = 0.0
    for_work: float = 0.0
    for_write: float = 0.0

    @contextlib.contextmanager
    def measured(self, stage: str) -> Iterator[None]:
        """Add the time inside a ``with`` block to a stage. Each stage is measured in one thread, but for work."""
        began = time.perf_counter()
        try:
            yield
        finally:
            with _adding:
                setattr(self, stage, getattr(self, stage) + time.perf_counter() - began)


_adding = threading.Lock()


class ReadAhead:
    """A clip that reads the next frames while the last one is used.

    It goes on by the step between the last two frames asked for; a frame that was not foreseen is read as it is asked
    for. Errors come where the frame is asked for.

    :param wanted: the frames of the run; no other is read ahead. :param step: from the first of them to the second.
    :param ahead: how many frames are read ahead; no more, so memory does not grow.
    """

    def __init__(
        self, clip: Any, wanted: Container[int], step: int, ahead: int = 1, times: StageTimes | None = None
    ) -> None:
        self.clip, self.wanted, self.ahead = clip, wanted, ahead
        self.times = StageTimes() if times is None else times
        self._step = step
        self._before: int | None = None
        self._thread = device_threads(1, "inkarnat-read")
        self._foreseen: dict[int, Future[Taken]] = {}

    def read(self, frame: int) -> Floats:
        """Return the picture of a frame and begin to read the next. Raises what the clip raises."""
        return self.take(frame).picture

    def take(self, frame: int) -> Taken:
        """Return a frame and begin to read the next. Raises what the clip raises."""
        future = self._foreseen.pop(frame, None)
        foreseen = future is not None
        try:
            with self.times.measured("for_read"):
                return (future or self._thread.submit(self._read, frame)).result()
        finally:
            self._look_ahead(frame, foreseen)

    def _read(self, frame: int) -> Taken:
        with self.times.measured("read"):
            taken: Taken = self.clip.take(frame) if hasattr(self.clip, "take") else _Read(self.clip.read(frame))
        return taken

    def _look_ahead(self, frame: int, foreseen: bool) -> None:
        reach = frame + (self.ahead + 1) * max(self._step, 1)
        for number in [number for number in self._foreseen if not frame < number <= reach]:
            self._foreseen.pop(number).cancel()
        if not foreseen:
            if self._foreseen:
                return  # they are still to come: a node over several frames asks for the first one more than once
            if self._before is not None:
                self._step = frame - self._before
        self._before = frame
        following = max(self._foreseen, default=frame) + self._step
        while self._step > 0 and len(self._foreseen) < self.ahead:
            if following not in self.wanted or following not in self.clip.frames:
                break
            self._foreseen[following] = self._thread.submit(self._read, following)
            following += self._step

    def close(self) -> None:
        """Stop, after the frame that is being read."""
        self._thread.shutdown(wait=True, cancel_futures=True)
        self._foreseen.clear()


def device_threads(count: int, name: str) -> ThreadPoolExecutor:
    """Return threads that use the device that this one uses."""
    return ThreadPoolExecutor(count, name, initializer=devices.use, initargs=(devices.current(),))


class InWork:
    """Frames that are worked on side by side, and come out in the order in which they were put in.

    :param most: how many at once, beside one that waits its turn; one alone is worked on in the caller's own thread.
    """

    def __init__(self, most: int, times: StageTimes | None = None) -> None:
        self._most = most
        self.times = StageTimes() if times is None else times
        self._threads = device_threads(most, "inkarnat-frame") if most > 1 else None
        self._frames: deque[tuple[int, Callable[[], Any]]] = deque()

    def put(self, frame: int, work: Callable[[], Any]) -> None:
        """Begin to work on a frame."""
        self._frames.append((frame, work if self._threads is None else self._threads.submit(work).result))

    def finished(self, everything: bool = False) -> Iterator[tuple[int, Any]]:
        """Give frames, and what work on them gave, until another may be put in, or until none is left.

        Raises what the work on a frame raised.
        """
        while len(self._frames) > (0 if everything or self._threads is None else self._most):
            frame, result = self._frames.popleft()
            with self.times.measured("for_work"):
                found = result()
            yield frame, found

    def __enter__(self) -> InWork:
        return self

    def __exit__(self, *_: object) -> None:
        if self._threads is not None:
            self._threads.shutdown(wait=True, cancel_futures=True)


_PATIENCE = 0.1
"""Seconds between looks at what has been finished, so that an interrupt is not kept waiting."""

Result = Mapping[str, Any] | str
"""What is to be written of a frame by output, or why it failed."""


class WriteBehind:
    """Writes frames in a thread of its own, in the order in which they are put.

    Frames are written while the caller works on the next; :meth:`put` holds back while ``most`` of them are not
    written, so that memory does not grow. As a context manager it finishes at the end and leaves off on an error.

    :param write: called in the thread for each frame that has pictures.
    :param most: frames that may be handed over and not yet written when another one is put.
    :param told: called in the caller's thread, from :meth:`put` and at the end, for each frame that is finished.

    Raises, from the next :meth:`put` or at the end, whatever ``write`` raised; nothing is written after that.
    """

    def __init__(
        self,
        write: Callable[[int, Mapping[str, Any]], None],
        told: Callable[[int, Result], None],
        most: int = 1,
        times: StageTimes | None = None,
    ) -> None:
        self._write, self._told, self._most = write, told, most
        self.times = StageTimes() if times is None else times
        self._handed: queue.SimpleQueue[tuple[int, Result] | None] = queue.SimpleQueue()
        self._pending, self._written = 0, threading.Condition()
        self._finished: deque[tuple[int, Result]] = deque()
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._work, name="inkarnat-write", daemon=True)

    def put(self, frame: int, result: Result) -> None:
        """Hand over a frame. Raises what writing an earlier one raised."""
        self._wait(self._most - 1)
        with self._written:
            self._pending += 1
        self._handed.put((frame, result))

    def settle(self) -> None:
        """Wait until what was handed over is written. Raises what writing it raised."""
        self._wait(0)

    def _wait(self, pending: int) -> None:
        """Wait until no more than so many frames are not yet written."""
        with self.times.measured("for_write"):
            while True:
                with self._written:
                    done = self._written.wait_for(lambda: self._pending <= pending, _PATIENCE)
                self._tell()
                if done:
                    break

    def _tell(self) -> None:
        while self._finished:
            self._told(*self._finished.popleft())
        if self._error is not None:
            raise self._error

    def _work(self) -> None:
        while (item := self._handed.get()) is not None:
            frame, result = item
            try:
                if self._error is None:
                    if not isinstance(result, str):
                        with self.times.measured("write"):
                            self._write(frame, result)
                    self._finished.append((frame, result if isinstance(result, str) else {}))
            except BaseException as error:
                self._error = error
            item = result = None  # type: ignore[assignment]
            with self._written:
                self._pending -= 1
                self._written.notify()

    def __enter__(self) -> WriteBehind:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._handed.put(None)
        self._thread.join()
        if error is None:
            self._tell()
