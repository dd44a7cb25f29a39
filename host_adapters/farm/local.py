"""One machine: chunks in this process, or in a few spawned ones that may die without a frame being lost."""

from __future__ import annotations

import contextlib
import logging
import multiprocessing
import os
import signal
import sys
import threading
import traceback
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from typing import Any

from ...kernels import jit, strips
from ...kernels.errors import InkarnatError
from .. import logs
from ..media.clips import Clip
from .chunks import Chunk, Done, Engine, Failed, Finished, Job, Tell, work

log = logging.getLogger("inkarnat.farm")

RETRIES = 2
"""How often a frame is tried again after the process that worked on it died."""

_BASE = 400 * 1024**2
_PICTURES = 12
_SPARE = 0.8
_PATIENCE = 5.0


class WorkerError(InkarnatError, RuntimeError):
    """Worker processes cannot be started."""

    exit_code = 1


def here(job: Job, chunks: Iterator[Chunk], tell: Tell) -> None:
    """Work through chunks in this process: the engine for a single one."""
    for chunk in chunks:
        work(job, chunk, tell)


def processes(jobs: int, retries: int = RETRIES) -> Engine:
    """Return the engine that works in so many spawned processes, which share the threads of this one."""

    def engine(job: Job, chunks: Iterator[Chunk], tell: Tell) -> None:
        with contextlib.closing(_Crew(job, jobs, retries)) as crew:
            crew.work(chunks, tell)

    return engine


# --- memory -------------------------------------------------------------------------------------------------


def affordable(jobs: int, clip: Clip, available: int | None = None) -> int:
    """Return how many of the wanted processes fit into memory, at least one.

    A process is counted with 400 MB and a dozen float32 pictures with alpha at the clip's size.

    :param available: bytes; left out, what the system says is free.
    """
    free = available if available is not None else _free_memory()
    if free is None:
        return jobs
    each = _BASE + _PICTURES * clip.width * clip.height * 16
    return max(1, min(jobs, int(free * _SPARE) // each))


def _free_memory() -> int | None:
    try:
        with open("/proc/meminfo", encoding="ascii") as lines:
            free = next(int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable"))
    except (OSError, StopIteration, ValueError):
        return None
    limits = (_number("/sys/fs/cgroup/memory.max"), _number("/sys/fs/cgroup/memory.current"))
    if limits[0] is not None and limits[1] is not None:
        free = min(free, max(0, limits[0] - limits[1]))
    return free


def _number(path: str) -> int | None:
    try:
        with open(path, encoding="ascii") as file:
            return int(file.read())
    except (OSError, ValueError):
        return None


# --- workers ------------------------------------------------------------------------------------------------

_READY = "ready"


@dataclass(frozen=True)
class Fault:
    """An error of the program that ended a worker, with its traceback."""

    reason: str
    trace: str


def _serve(connection: Connection, job: Job, threads: int) -> None:
    """Live as a worker: take chunks, tell events, end with the parent however that ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    limit_threads(threads)
    logs.show()
    connection.send(_READY)
    while True:
        try:
            chunk = connection.recv()
        except EOFError:
            return
        try:
            work(job, chunk, connection.send)
        except InkarnatError as error:
            error.add_note(f"In a worker process:\n{''.join(traceback.format_exception(error))}")
            connection.send(error)
        except Exception as error:
            connection.send(Fault(f"{type(error).__name__}: {error}", "".join(traceback.format_exception(error))))
            return


def _leave(*_: object) -> None:
    sys.exit(1)


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def limit_threads(threads: int) -> None:
    """Keep kernels and picture files of this process to so many threads."""
    import OpenImageIO

    strips.set_thread_count(threads)
    OpenImageIO.attribute("threads", threads)
    OpenImageIO.attribute("exr_threads", threads)


class _Worker:
    """A worker process as the parent sees it."""

    def __init__(self, job: Job, threads: int) -> None:
        context = multiprocessing.get_context("spawn")
        self.connection, theirs = context.Pipe()
        self.process = context.Process(target=_serve, args=(theirs, job, threads), daemon=True)
        self.process.start()
        theirs.close()
        self.ready = False
        self.fault = ""
        self.chunk: Chunk | None = None
        self.left: deque[int] = deque()

    def give(self, chunk: Chunk) -> None:
        self.chunk, self.left = chunk, deque(chunk.frames)
        with contextlib.suppress(OSError):  # one that died is noticed when it is listened to
            self.connection.send(chunk)

    def hear(self) -> Any:
        """Return what the worker says next, None where it has died."""
        try:
            said = self.connection.recv()
        except (EOFError, OSError):
            return None
        if isinstance(said, Finished):
            self.chunk = None
        elif isinstance(said, Done | Failed) and self.left and self.left[0] == said.frame:
            self.left.popleft()
        return said

    def end(self, gently: bool) -> None:
        """Let the worker end, or stop it at once; either way without leaving a temporary file where that can be."""
        self.connection.close()
        if not gently:
            self.process.terminate()
        self.process.join(_PATIENCE)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()


class _Crew:
    """The workers of a run, and the frames they have died of."""

    def __init__(self, job: Job, jobs: int, retries: int) -> None:
        self.job, self.jobs, self.retries = job, jobs, retries
        self.threads = max(1, strips.thread_count() // jobs)
        self.workers: list[_Worker] = []
        self.again: deque[Chunk] = deque()
        self.deaths: Counter[int] = Counter()
        self.failed_starts = 0
        self.cold = jit.CACHE_FOLDER is not None and jit.is_cold()
        self.finished = False

    def work(self, chunks: Iterator[Chunk], tell: Tell) -> None:
        """Work through all chunks."""
        while self._hand_out(chunks):
            for connection in wait([worker.connection for worker in self.workers]):
                worker = next(worker for worker in self.workers if worker.connection is connection)
                self._listen(worker, tell)
        self.finished = True

    def _hand_out(self, chunks: Iterator[Chunk]) -> bool:
        """Give every idle worker a chunk, start workers while there are chunks; False when all is done."""
        while True:
            idle = next((worker for worker in self.workers if worker.chunk is None), None)
            if idle is None and len(self.workers) >= (1 if self.cold else self.jobs):
                return True
            chunk = self.again.popleft() if self.again else next(chunks, None)
            if chunk is None:
                return any(worker.chunk is not None for worker in self.workers)
            if idle is None:
                idle = _Worker(self.job, self.threads)
                self.workers.append(idle)
            idle.give(chunk)

    def _listen(self, worker: _Worker, tell: Tell) -> None:
        said = worker.hear()
        if said is None:
            self._handle_exit(worker, tell)
        elif said == _READY:
            worker.ready, self.failed_starts = True, 0
        elif isinstance(said, InkarnatError):
            raise said
        elif isinstance(said, Fault):
            worker.fault = said.reason
            log.debug("a worker process ended on %s\n%s", worker.chunk, said.trace)
        else:
            # The first frame of the first worker compiles what is missing; the others then find it on the disk.
            self.cold = False
            tell(said)

    def _handle_exit(self, worker: _Worker, tell: Tell) -> None:
        """Give the chunk of a dead worker to another, without a frame on which workers died too often."""
        self.workers.remove(worker)
        worker.end(gently=False)
        if not worker.ready:
            self.failed_starts += 1
            if self.failed_starts > self.retries:
                raise WorkerError(
                    f"Worker processes cannot be started: {self.failed_starts} ended at once, the last with exit code "
                    f"{worker.process.exitcode}. Render with --jobs 1."
                )
        chunk = worker.chunk
        if chunk is None:
            return
        suspects = [worker.left[0]] if worker.left else list(chunk.frames)
        if worker.ready and (chunk.careful or len(chunk.frames) == 1):
            self.deaths.update(suspects)
        given_up = [frame for frame in suspects if self.deaths[frame] > self.retries]
        for frame in given_up:
            why = f", by a fault of the program: {worker.fault}" if worker.fault else ""
            tell(Failed(frame, f"the process that worked on it died {self.deaths[frame]} times{why}"))
        # A segment of video has to be written anew from its first frame; pictures that are done are done.
        frames = chunk.frames if self.job.videos else tuple(worker.left)
        rest = Chunk(frames, careful=True).without(given_up)
        if rest.frames:
            self.again.append(rest)

    def close(self) -> None:
        """End all workers."""
        for worker in self.workers:
            if not self.finished:
                worker.process.terminate()
        for worker in self.workers:
            worker.end(gently=self.finished)
