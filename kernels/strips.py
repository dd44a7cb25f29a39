"""Row strips over a few threads: the only place where kernels run in parallel.

A sheet kernel works on rows ``y0`` to ``y1`` and knows nothing of threads. Strips are handed out one by
one to a small persistent pool; the caller works too, so nested or concurrent use cannot lock up. Kernels that read
what others write follow them as stages, strip by strip, and nobody waits until a whole plane is done.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any, NamedTuple

from .errors import ValueRangeError

STRIP = 64
_WORTH_A_THREAD = 1 << 17


def _initial_threads() -> int:
    given = os.environ.get("INKARNAT_THREADS", "")
    if given:
        if not given.isdigit() or int(given) < 1:
            raise ValueRangeError(f"INKARNAT_THREADS must be a whole number from 1 up, not {given!r}.")
        return int(given)
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class _Pool:
    """The threads of this process; forgotten in a forked child, made again on first use."""

    def __init__(self) -> None:
        self.threads = _initial_threads()
        self.executor: ThreadPoolExecutor | None = None
        self.lock = threading.Lock()
        self.inside = threading.local()

    def submit(self, work: Callable[[], None], wanted: int) -> list[Future[None]]:
        """Start the work in as many threads as wanted, or as the pool has by now: another thread may resize it."""
        with self.lock:
            helpers = min(wanted, self.threads - 1)
            if helpers < 1:
                return []
            if self.executor is None:
                self.executor = ThreadPoolExecutor(self.threads - 1, thread_name_prefix="inkarnat-strip")
            return [self.executor.submit(work) for _ in range(helpers)]

    def resize(self, threads: int) -> None:
        with self.lock:
            old, self.executor, self.threads = self.executor, None, threads
        if old is not None:
            old.shutdown(wait=True)


_pool = _Pool()


def _forget_pool() -> None:
    global _pool
    threads = _pool.threads
    _pool = _Pool()
    _pool.threads = threads


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_forget_pool)


def thread_count() -> int:
    """Return how many threads a kernel call may use, the caller included."""
    return _pool.threads


def set_thread_count(threads: int) -> None:
    """Let kernels use this many threads (1 or more), the caller included. Results do not depend on it."""
    if threads < 1:
        raise ValueRangeError(f"The thread count must be 1 or more, not {threads}.")
    if threads != _pool.threads:
        _pool.resize(threads)


@contextmanager
def threads(count: int) -> Iterator[None]:
    """Use this many threads inside a ``with`` block."""
    before = thread_count()
    set_thread_count(count)
    try:
        yield
    finally:
        set_thread_count(before)


def strip_rows(width: int, least: int = STRIP) -> int:
    """Return how many rows of a plane make a strip: less than 131072 values are sooner done than a thread is woken."""
    return max(least, -(-_WORTH_A_THREAD // width))


def over_rows(kernel: Callable[..., Any], rows: int, *arguments: Any, strip: int = STRIP) -> None:
    """Call ``kernel(*arguments, y0, y1)`` for strips that cover rows 0 to ``rows``.

    The first error of any strip is raised here, after every running strip has ended.
    """
    bounds = iter([(y, min(y + strip, rows)) for y in range(0, rows, strip)])
    helpers = min(_pool.threads - 1, (rows - 1) // strip)
    if helpers < 1 or getattr(_pool.inside, "busy", False):
        for y0, y1 in bounds:
            kernel(*arguments, y0, y1)
        return

    hand_out = threading.Lock()

    def work() -> None:
        while True:
            with hand_out:
                bound = next(bounds, None)
            if bound is None:
                return
            kernel(*arguments, *bound)

    try:
        _share(work, helpers)
    finally:
        arguments = ()  # what a busy helper never came to waits in its queue, and would hold the arrays until then


def _share(work: Callable[[], None], helpers: int) -> None:
    """Do some work in as many more threads; raise the first error after all that began have ended."""
    inside = _pool.inside

    def busily() -> None:
        inside.busy = True
        try:
            work()
        finally:
            inside.busy = False

    futures = _pool.submit(busily, helpers)
    try:
        busily()
    finally:
        errors = [future.exception() for future in futures if not future.cancel()]
    for error in errors:
        if error is not None:
            raise error


class Stage(NamedTuple):
    """A kernel that is to be called for strips, ``kernel(*arguments, y0, y1)``, after other stages.

    :ivar rows: how many it covers. :ivar strip: rows of a strip.
    :ivar needs: how many rows of the stage before must be done before its own rows up to ``y1`` may be; whatever these
        take from earlier stages must have been needed there as well.
    """

    kernel: Callable[..., Any]
    arguments: tuple[Any, ...]
    rows: int
    strip: int = STRIP
    needs: Callable[[int], int] = int


class _Course:
    """What has been done of some stages, and what may be done next: the last stage that may go on does."""

    def __init__(self, stages: Sequence[Stage]) -> None:
        self.stages = stages
        self.begun, self.done = [0] * len(stages), [0] * len(stages)
        self.beyond: list[dict[int, int]] = [{} for _ in stages]
        self.failed = False
        self.changed = threading.Condition(threading.Lock())

    def work(self) -> None:
        """Work on strips until none is left."""
        while (strip := self._take()) is not None:
            at, y0, y1 = strip
            stage, failed = self.stages[at], True
            try:
                stage.kernel(*stage.arguments, y0, y1)
                failed = False
            finally:
                self._put(at, y0, y1, failed)
            del stage

    def _take(self) -> tuple[int, int, int] | None:
        with self.changed:
            while not self.failed:
                left = False
                for at in reversed(range(len(self.stages))):
                    stage, y0 = self.stages[at], self.begun[at]
                    if y0 >= stage.rows:
                        continue
                    left, y1 = True, min(y0 + stage.strip, stage.rows)
                    if at == 0 or self.done[at - 1] >= min(stage.needs(y1), self.stages[at - 1].rows):
                        self.begun[at] = y1
                        return at, y0, y1
                if not left:
                    return None
                self.changed.wait()
        return None

    def _put(self, at: int, y0: int, y1: int, failed: bool) -> None:
        with self.changed:
            self.failed = self.failed or failed
            beyond = self.beyond[at]
            beyond[y0] = y1
            while self.done[at] in beyond:
                self.done[at] = beyond.pop(self.done[at])
            self.changed.notify_all()


def over_stages(stages: Sequence[Stage]) -> None:
    """Work on all strips of some stages, each stage as close behind the one before it as it may be.

    What one stage writes the next one reads while it is warm, and a stage that waits for memory runs beside one that
    does not. The first error of any strip is raised here, after every running strip has ended; none begins then.
    """
    course = _Course(stages)
    helpers = min(_pool.threads - 1, max((stage.rows - 1) // stage.strip for stage in stages))
    if helpers < 1 or getattr(_pool.inside, "busy", False):
        course.work()
        return

    try:
        _share(course.work, helpers)
    finally:
        course.stages = ()  # as in `over_rows`
