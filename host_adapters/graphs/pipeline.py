"""The pipeline: reads ahead and writes behind in threads of their own while the frame between them is worked out."""

from __future__ import annotations

import queue
import threading
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


class ReadAhead:
    """A clip that reads the next frame while the last one is used.

    One frame is read ahead and no more, so memory does not grow. It goes on by the step between the last two frames
    asked for; a frame that was not foreseen is read as it is asked for. Errors come where the frame is asked for.

    :param wanted: the frames of the run; no other is read ahead. :param step: from the first of them to the second.
    """

    def __init__(self, clip: Any, wanted: Container[int], step: int) -> None:
        self.clip, self.wanted = clip, wanted
        self._step = step
        self._before: int | None = None
        self._thread = device_threads(1, "inkarnat-read")
        self._foreseen: tuple[int, Future[Taken]] | None = None

    def read(self, frame: int) -> Floats:
        """Return the picture of a frame and begin to read the next. Raises what the clip raises."""
        return self.take(frame).picture

    def take(self, frame: int) -> Taken:
        """Return a frame and begin to read the next. Raises what the clip raises."""
        if self._foreseen is not None and self._foreseen[0] == frame:
            future, self._foreseen = self._foreseen[1], None
        else:
            future = self._thread.submit(self._read, frame)
        try:
            return future.result()
        finally:
            self._look_ahead(frame)

    def _read(self, frame: int) -> Taken:
        taken: Taken = self.clip.take(frame) if hasattr(self.clip, "take") else _Read(self.clip.read(frame))
        return taken

    def _look_ahead(self, frame: int) -> None:
        if self._foreseen is not None:
            if frame < self._foreseen[0] <= frame + 2 * max(self._step, 1):
                return  # it is still to come: a node over several frames asks for the first one more than once
            self._foreseen[1].cancel()
            self._foreseen = None
        if self._before is not None:
            self._step = frame - self._before
        self._before = frame
        following = frame + self._step
        if self._step > 0 and following in self.wanted and following in self.clip.frames:
            self._foreseen = following, self._thread.submit(self._read, following)

    def close(self) -> None:
        """Stop, after the frame that is being read."""
        self._thread.shutdown(wait=True, cancel_futures=True)
        self._foreseen = None


def device_threads(count: int, name: str) -> ThreadPoolExecutor:
    """Return threads that use the device that this one uses."""
    return ThreadPoolExecutor(count, name, initializer=devices.use, initargs=(devices.current(),))


class InWork:
    """Frames that are worked on side by side, and come out in the order in which they were put in.

    :param most: how many at once; one is worked on in the caller's own thread.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._threads = device_threads(most, "inkarnat-frame") if most > 1 else None
        self._frames: deque[tuple[int, Callable[[], Any]]] = deque()

    def put(self, frame: int, work: Callable[[], Any]) -> None:
        """Begin to work on a frame."""
        self._frames.append((frame, work if self._threads is None else self._threads.submit(work).result))

    def finished(self, everything: bool = False) -> Iterator[tuple[int, Any]]:
        """Give frames, and what work on them gave, until another may be put in, or until none is left.

        Raises what the work on a frame raised.
        """
        while len(self._frames) > (0 if everything else self._most - 1):
            frame, result = self._frames.popleft()
            yield frame, result()

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

    One frame is written while the caller works on the next; :meth:`put` holds back until the one before is written, so
    that no third picture is in memory. As a context manager it finishes at the end and leaves off on an error.

    :param write: called in the thread for each frame that has pictures.
    :param told: called in the caller's thread, from :meth:`put` and at the end, for each frame that is finished.

    Raises, from the next :meth:`put` or at the end, whatever ``write`` raised; nothing is written after that.
    """

    def __init__(self, write: Callable[[int, Mapping[str, Any]], None], told: Callable[[int, Result], None]) -> None:
        self._write, self._told = write, told
        self._handed: queue.SimpleQueue[tuple[int, Result] | None] = queue.SimpleQueue()
        self._idle = threading.Event()
        self._idle.set()
        self._finished: deque[tuple[int, Result]] = deque()
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._work, name="inkarnat-write", daemon=True)

    def put(self, frame: int, result: Result) -> None:
        """Hand over a frame. Raises what writing an earlier one raised."""
        self.settle()
        self._idle.clear()
        self._handed.put((frame, result))

    def settle(self) -> None:
        """Wait until what was handed over is written. Raises what writing it raised."""
        while not self._idle.wait(_PATIENCE):
            self._tell()
        self._tell()

    def _tell(self) -> None:
        while self._finished:
            self._told(*self._finished.popleft())
        if self._error is not None:
            raise self._error

    def _work(self) -> None:
        while (item := self._handed.get()) is not None:
            frame, result = item
            try:
                if not isinstance(result, str):
                    self._write(frame, result)
                self._finished.append((frame, result if isinstance(result, str) else {}))
            except BaseException as error:
                self._error = error
            item = result = None  # type: ignore[assignment]
            self._idle.set()

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
