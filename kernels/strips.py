"""Row strips over a few threads: the only place where kernels run in parallel.

A strip kernel works on rows ``y0`` to ``y1`` and knows nothing of threads. Compiled code hands strips out
(:mod:`.hand_out`): the caller and its helpers enter it once a picture, without the interpreter's lock. Kernels that
read what others write follow them as stages, strip by strip, and nobody waits until a whole plane is done.
"""

from __future__ import annotations

import ctypes
import os
import struct
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from typing import Any, NamedTuple, Protocol

import numpy as np

from . import hand_out
from .errors import ValueRangeError
from .jit import BLOCK_SIZE, StripKernel, numba_config, pack

STRIP = 64
LEAST = 8
"""Rows of a strip, at most and at least, where a kernel does not say otherwise."""

RING = 4
"""Strips that a ring between two stages holds at least: two that are written, one that is read, and its rim."""

_STRIPS_A_THREAD = 4
_WORTH_A_STRIP = 1 << 15
_MOST_HELPERS = 255


def _initial_threads() -> int:
    given = os.environ.get("INKARNAT_THREADS", "")
    if given:
        if not given.isdigit() or int(given) < 1:
            raise ValueRangeError(f"INKARNAT_THREADS must be a whole number from 1 up, not {given!r}.")
        return int(given)
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _numbers(count: int) -> tuple[Any, int]:
    """Return memory for so many 64-bit numbers, all 0, from the beginning of a cache line on, and its address."""
    memory = np.zeros(count + 16, np.int64)
    first = -memory.ctypes.data % 128 // 8
    memory = memory[first : first + count]
    return memory, memory.ctypes.data


def _system() -> tuple[Any, Any]:
    """Return the functions by which a thread yields, and by which it naps for some microseconds."""
    if sys.platform == "win32":
        kernel = ctypes.WinDLL("kernel32")
        return kernel.SwitchToThread, kernel.SwitchToThread
    library = ctypes.CDLL(None)
    return library.sched_yield, library.usleep


def _address(function: Any) -> int:
    return ctypes.c_void_p.from_buffer(function).value or 0  # a cast would refer to it, in a circle


class _Job:
    """Memory of a job. Its numbers stay while a helper may look at them; see :func:`.hand_out.enter`."""

    def __init__(self, slot: int) -> None:
        self.slot = slot
        self.numbers, self.address = _numbers(1 << 12)
        self.blocks, self.first_block = _numbers(16 * BLOCK_SIZE // 8)

    def begin(self, words: int, stages: int) -> None:
        """Make room for so many numbers, all 0, and blocks."""
        if words > len(self.numbers):
            self.numbers, self.address = _numbers(2 * words)
        else:
            self.numbers[:words] = 0
        if stages * BLOCK_SIZE > self.blocks.nbytes:
            self.blocks, self.first_block = _numbers(stages * BLOCK_SIZE // 8)


class _Team:
    """The helpers of this process and the jobs under way; forgotten in a forked child, made again on first use."""

    def __init__(self, threads: int) -> None:
        self.threads = threads
        self.lock = threading.Lock()
        self.inside = threading.local()
        self.helpers = 0
        self.jobs = deque(_Job(slot) for slot in range(2))
        self._made = len(self.jobs)
        size = hand_out.HELPER_RECORDS + hand_out.HELPER * _MOST_HELPERS
        self.shared, self.address = _numbers(size // 8)
        api = ctypes.pythonapi
        api.PyThread_allocate_lock.restype = ctypes.c_void_p
        functions = (*_system(), api.PyThread_acquire_lock, api.PyThread_release_lock)
        self.shared[: len(functions)] = [_address(function) for function in functions]
        api.Py_IncRef(ctypes.py_object(self.shared.base))  # helpers look there to the very end

    def enlarge(self, helpers: int) -> None:
        """Have at least so many helpers."""
        nothing = _Job(-1)
        hand_out.enter(self.address, nothing.address, -1)  # compiled once, here, and not by every helper
        with self.lock:
            while self.helpers < min(helpers, _MOST_HELPERS):
                own = (hand_out.HELPER_RECORDS + hand_out.HELPER * self.helpers) // 8
                lock = ctypes.c_void_p(ctypes.pythonapi.PyThread_allocate_lock())
                ctypes.pythonapi.PyThread_acquire_lock(lock, 1)
                self.shared[own + hand_out.LOCK // 8] = lock.value
                work = (self.address, -1, self.helpers)
                threading.Thread(
                    target=hand_out.enter, args=work, name=f"inkarnat-strip-{self.helpers}", daemon=True
                ).start()
                self.helpers += 1
                self.shared[hand_out.HELPERS // 8] = self.helpers

    def job(self) -> _Job:
        """Return a job's memory that no other thread uses and no helper looks at."""
        for _ in range(len(self.jobs)):
            try:
                job = self.jobs.popleft()
            except IndexError:
                break
            if self.shared[(hand_out.SLOT_USERS + 128 * job.slot) // 8] == 0:
                return job
            self.jobs.append(job)  # a helper was stopped by the system where it was about to leave
        with self.lock:
            made, self._made = self._made, self._made + 1
        return _Job(made if made < hand_out.SLOTS else -1)

    def give_back(self, job: _Job) -> None:
        if job.slot >= 0:
            self.jobs.append(job)


_team = _Team(_initial_threads())


def _forget_team() -> None:
    global _team
    _team = _Team(_team.threads)


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_forget_team)


def thread_count() -> int:
    """Return how many threads a kernel call may use, the caller included."""
    return _team.threads


def set_thread_count(threads: int) -> None:
    """Let kernels use this many threads (1 or more), the caller included. Results do not depend on it."""
    if threads < 1:
        raise ValueRangeError(f"The thread count must be 1 or more, not {threads}.")
    _team.threads = threads


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
    """Return how many rows of a plane make a strip: less than 32768 values are sooner done than handed out."""
    return max(least, -(-_WORTH_A_STRIP // width))


class Stage(NamedTuple):
    """A kernel that is to be called for strips, ``kernel(*arguments, y0, y1)``, after other stages.

    :ivar rows: how many it covers. :ivar strip: rows of a strip, at most.
    :ivar needs: how many rows of the stage before must be done before its own rows up to ``y1`` may be (a sum, a
        product, a quotient of ``y1``, which may be an array); whatever these take from earlier stages must have been
        needed there as well.
    :ivar least: where many threads want more strips, they have a multiple of so many rows.
    :ivar keeps: where the stage before writes into a ring of rows that this one reads: how many of its own rows must be
        done before rows up to ``y1`` of that stage may be written. The ring must hold :data:`RING` strips of either.
    :ivar whole: how many places before it another stage stands that must be wholly done as well; 0 for none.

    A kernel that is not compiled is called by one of the threads, as soon as that has the interpreter's lock.
    """

    kernel: Callable[..., Any]
    arguments: tuple[Any, ...]
    rows: int
    strip: int = STRIP
    needs: Callable[[Any], Any] | None = None
    least: int = LEAST
    keeps: Callable[[Any], Any] | None = None
    whole: int = 0


def all_of_it(y1: Any) -> Any:
    """Return what a stage needs that looks at all rows of the one before it (:attr:`Stage.needs`)."""
    return 0 * y1 + _EVERY_ROW


def none_of_it(y1: Any) -> Any:
    """Return what a stage needs that looks at no row of the one before it."""
    return 0 * y1


_EVERY_ROW = 1 << 40


class PictureInto(Protocol):
    """What takes a picture strip by strip, as it is made: the picture is never whole in memory."""

    def ring(self, shape: tuple[int, ...]) -> Any:
        """Return rows, float32 (rows, W, 3 or 4); row y of a picture of this shape lies at y modulo their number."""

    def stage(self, ring: Any) -> Stage:
        """Return the stage that takes the rows; :data:`RING` strips of the stage before it fit into the ring."""


class Unmade:
    """A picture yet to be made: strip by strip into what takes it so, or as a whole.

    :ivar shape: of the picture. :ivar nbytes: of what it is made from, which is held for it.
    """

    def __init__(self, shape: tuple[int, ...], nbytes: int, make: Callable[[PictureInto | None], Any]) -> None:
        self.shape, self.nbytes, self._make = shape, nbytes, make

    @property
    def picture(self) -> Any:
        """The whole picture; it is made at every look."""
        return self._make(None)

    def put(self, into: PictureInto) -> None:
        """Make the picture, and hand it over strip by strip."""
        self._make(into)


class Unwritten:
    """A plane yet to be written: who reads it has that done along with the work before his own. Same bits.

    :param plane: float32 (H, W), where it will lie. :param stages: what writes it.

    >>> plane = np.zeros((4, 2), np.float32)
    >>> given = Unwritten(plane, (Stage(lambda y0, y1: plane[y0:y1].fill(1), (), 4),))
    >>> given.shape, float(given.whole().min())
    ((4, 2), 1.0)
    """

    def __init__(self, plane: Any, stages: Sequence[Stage]) -> None:
        self._plane, self._stages = plane, tuple(stages)

    @property
    def plane(self) -> Any:
        """Where it will lie."""
        return self._plane

    @property
    def stages(self) -> tuple[Stage, ...]:
        """What writes it; the last one its rows."""
        return self._stages

    @property
    def shape(self) -> tuple[int, ...]:
        """Height and width."""
        shape: tuple[int, ...] = self.plane.shape
        return shape

    @property
    def nbytes(self) -> int:
        """Bytes of the plane."""
        return int(self.plane.nbytes)

    def whole(self) -> Any:
        """Write the plane, and return it."""
        over_stages(self.stages)
        return self.plane

    def begun(self) -> Any:
        """Have other threads begin to write the plane, and return it, for this thread's next kernels: :func:`begin`."""
        begin(self.stages)
        return self.plane


def written_by(plane: Any) -> tuple[Any, tuple[Stage, ...]]:
    """Return a plane, and what has yet to write it: nothing but for an :class:`Unwritten` one."""
    return (plane.plane, plane.stages) if isinstance(plane, Unwritten) else (plane, ())


@lru_cache(maxsize=256)
def _strip_of(rows: int, strip: int, least: int, threads: int) -> int:
    wanted = rows // (_STRIPS_A_THREAD * threads) if threads > 1 else strip
    return max(1, min(strip, max(least, wanted - wanted % least)))


def over_rows(
    kernel: Callable[..., Any],
    rows: int,
    *arguments: Any,
    strip: int = STRIP,
    least: int = LEAST,
    into: PictureInto | None = None,
) -> None:
    """Call ``kernel(*arguments, y0, y1)`` for strips of at most ``strip`` rows that cover rows 0 to ``rows``.

    :param into: takes the rows of the third argument, a ring that it gave.

    The first error of any strip is raised here, after every running strip has ended.
    """
    if into is not None:
        ring = arguments[2]
        first = Stage(kernel, arguments, rows, min(strip, len(ring) // RING), None, least)
        over_stages((first, into.stage(ring)))
    elif rows > 0:
        stage = Stage(kernel, arguments, rows, strip, None, least)
        settle()
        if not _alone(stage):
            over_stages((stage,))


def _alone(stage: Stage) -> bool:
    """Do what one thread does by itself, without all that is handed out between several; tell whether it was done."""
    team = _team
    one = team.threads == 1 or stage.rows <= min(stage.least, stage.strip) or getattr(team.inside, "busy", False)
    if not one or numba_config.DISABLE_JIT or not isinstance(stage.kernel, StripKernel):
        return False
    job = team.job()
    try:
        pack(stage.kernel, stage.arguments, job.first_block)
        failed = hand_out.in_turn(job.first_block, stage.rows, _strip_of(stage.rows, stage.strip, stage.least, 1))
    finally:
        team.give_back(job)
    if failed:
        raise _error_of(stage)
    return True


def over_stages(stages: Sequence[Stage]) -> None:
    """Work on all strips of some stages, each stage as close behind the one before it as it may be.

    What one stage writes the next one reads while it is warm, and a stage that waits for memory runs beside one that
    does not. The first error of any strip is raised here, after every running strip has ended; none begins then.
    """
    if numba_config.DISABLE_JIT:
        _in_turn(stages)
        return
    work = _Work(_team, stages)
    try:
        settle()
    except BaseException:
        work.give_back()
        raise
    work.end()


def begin(stages: Sequence[Stage]) -> None:
    """Have other threads begin with some stages, and return: this thread prepares what comes next meanwhile.

    It ends them before its next kernel, which raises their errors; until then nothing may look at what they write.
    What is begun before that waits in line, packed, so that nobody waits for Python between the two.
    """
    team = _team
    if numba_config.DISABLE_JIT or team.threads == 1 or getattr(team.inside, "busy", False):
        over_stages(stages)
        return
    work = _Work(team, stages)
    begun: deque[_Work] | None = getattr(team.inside, "begun", None)
    if begun is not None:
        begun.append(work)
    else:
        work.start()
        team.inside.begun = deque((work,))


def compile_for(stage: Stage) -> None:
    """Compile the kernel of a stage for its arguments, or load it, and do none of its work."""
    if isinstance(stage.kernel, StripKernel):
        job = _team.job()
        try:
            pack(stage.kernel, stage.arguments, job.first_block)
        finally:
            _team.give_back(job)


def settle() -> None:
    """End what this thread has begun, one after the other. Raises what went wrong there; the rest is left then."""
    inside = _team.inside
    begun: deque[_Work] | None = getattr(inside, "begun", None)
    if begun is None:
        return
    del inside.begun
    try:
        while begun:
            begun.popleft().end()
    finally:
        for work in begun:
            work.give_back()


_MANY = 4
"""Stages from which packing takes so long that helpers had better begin meanwhile."""

_RECORD = struct.Struct("8q")
_STEP = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_int64, ctypes.c_int64, ctypes.c_int64)


class _Work:
    """Stages that are packed into a job."""

    def __init__(self, team: _Team, stages: Sequence[Stage]) -> None:
        self.team, self.stages, threads = team, stages, team.threads
        self.errors: list[BaseException] = []
        sizes = [_strip_of(stage.rows, stage.strip, stage.least, threads) for stage in stages]
        counts = [-(-stage.rows // size) for stage, size in zip(stages, sizes, strict=True)]
        self.helpers = 0 if getattr(team.inside, "busy", False) else min(threads, max(counts)) - 1
        if self.helpers > team.helpers:
            team.enlarge(self.helpers)
        self.job = team.job()
        self._kept: list[Any] = []
        may_begin = self.helpers > 0 and self.job.slot >= 0 and not hasattr(team.inside, "begun")
        # Compiling takes seconds, in which helpers would look for the next stage all the time.
        compiled = may_begin and all(getattr(stage.kernel, "overloads", True) for stage in stages)
        self._early = compiled and len(stages) >= _MANY
        try:
            self._pack(sizes, counts)
        except BaseException:
            self.job.numbers[hand_out.FAILED // 8] = 1  # what helpers have begun ends
            hand_out.enter(team.address, self.job.address, self.job.slot if self._early else -1)
            self.give_back()
            raise

    def _pack(self, sizes: list[int], counts: list[int]) -> None:
        """Pack all arguments; of many stages, helpers begin with those that are packed."""
        job, stages = self.job, self.stages
        records = hand_out.JOB_HEAD + len(stages) * hand_out.RECORD
        job.begin(records // 8 + 3 * sum(counts), len(stages))
        numbers, address, memory = job.numbers, job.address, job.numbers.data
        numbers[hand_out.STAGES // 8] = 0 if self._early else len(stages)
        numbers[hand_out.MOST // 8] = 2 * self.helpers if self._early else self.helpers  # they may leave and come again
        free, rings = records // 8, any(stage.keeps for stage in stages)
        for at, (stage, size, count) in enumerate(zip(stages, sizes, counts, strict=True)):
            block, record = job.first_block + at * BLOCK_SIZE, hand_out.JOB_HEAD + at * hand_out.RECORD
            if isinstance(stage.kernel, StripKernel):
                pack(stage.kernel, stage.arguments, block)
            else:
                self._kept.append(_STEP(_in_python(self.team, stage, self.errors)))
                job.blocks[at * BLOCK_SIZE // 8] = _address(self._kept[-1])
            if at > 0 and stage.needs is not none_of_it:
                needed = _needed(stage, size, count, stages[at - 1].rows, sizes[at - 1])
                if count == 1:
                    numbers[free] = needed[0]
                else:
                    numbers[free : free + count] = needed
            waits = _waits(stages, sizes, counts, at) if rings else None
            place = address + 8 * free
            if waits is not None:
                numbers[free + 2 * count : free + 3 * count] = waits
            last = 0 if waits is None else place + 16 * count
            whole = address + record - stage.whole * hand_out.RECORD if stage.whole else 0
            _RECORD.pack_into(memory, record, block, count, size, stage.rows, place, place + 8 * count, last, whole)
            free += 3 * count
            if self._early:
                hand_out.start(self.team.address, address, job.slot if at == 0 else -1, at + 1)

    def start(self) -> None:
        """Have helpers begin."""
        if self.helpers > 0 and self.job.slot >= 0 and not self._early:
            hand_out.start(self.team.address, self.job.address, self.job.slot, len(self.stages))

    def end(self) -> None:
        """Work until all is done. Raises the first error."""
        job = self.job
        try:
            failed = hand_out.enter(self.team.address, job.address, job.slot if self.helpers > 0 else -1)
        finally:
            self.give_back()
        if failed:
            raise self.errors[0] if self.errors else _error_of(self.stages[failed - 1])

    def give_back(self) -> None:
        self.team.give_back(self.job)


_FEW = 6
"""Strips of which numbers are sooner worked out one by one than as an array."""


def _needed(stage: Stage, size: int, count: int, rows: int, before: int) -> Any:
    """Return how many strips of the stage before each strip of a stage needs."""
    needs = stage.needs
    if needs is all_of_it:
        return [-(-rows // before)] * count
    if count <= _FEW:
        few = (*range(size, count * size, size), stage.rows)
        return [-(-min(end if needs is None else needs(end), rows) // before) for end in few]
    ends = np.arange(size, (count + 1) * size, size)
    ends[-1] = stage.rows
    return -(-np.minimum(ends if needs is None else needs(ends), rows) // before)


def _waits(stages: Sequence[Stage], sizes: list[int], counts: list[int], at: int) -> Any:
    """Return how many strips of the stage after must be done before each strip of a stage, None where it may go on."""
    after = stages[at + 1] if at + 1 < len(stages) else None
    if after is None or after.keeps is None:
        return None
    ends = np.arange(sizes[at], (counts[at] + 1) * sizes[at], sizes[at])
    ends[-1] = stages[at].rows
    return -(-np.clip(after.keeps(ends), 0, after.rows) // sizes[at + 1])


def _in_python(team: _Team, stage: Stage, errors: list[BaseException]) -> Callable[[int, int, int], int]:
    """Return what calls a kernel that is not compiled, from compiled code."""
    inside = team.inside

    def step(_: int, y0: int, y1: int) -> int:
        before, inside.busy = getattr(inside, "busy", False), True
        try:
            stage.kernel(*stage.arguments, y0, y1)
        except BaseException as error:
            errors.append(error)
            return 1
        finally:
            inside.busy = before
        return 0

    return step


def _error_of(stage: Stage) -> BaseException:
    """Return why a compiled kernel failed: it is called again, by a way that tells."""
    try:
        stage.kernel(*stage.arguments, 0, stage.rows)
    except BaseException as error:
        return error
    return MemoryError(f"There is too little memory for {stage.kernel.__name__} over {stage.rows} rows.")


def _in_turn(stages: Sequence[Stage]) -> None:
    """Work on all strips in this thread, in the order in which one thread alone takes them."""
    sizes = [_strip_of(stage.rows, stage.strip, stage.least, _team.threads) for stage in stages]
    counts = [-(-stage.rows // size) for stage, size in zip(stages, sizes, strict=True)]
    pairs = zip(stages[1:], sizes[1:], counts[1:], stages, sizes, strict=False)
    needed = [
        [0] * counts[0],
        *(list(_needed(stage, size, n, before.rows, rows)) for stage, size, n, before, rows in pairs),
    ]
    waits = [_waits(stages, sizes, counts, at) for at in range(len(stages))]
    done = [0] * len(stages)

    def may_go_on(at: int, k: int) -> bool:
        made = at == 0 or done[at - 1] >= needed[at][k]
        whole = at - stages[at].whole
        made = made and (whole == at or done[whole] == counts[whole])
        return bool(made and (waits[at] is None or done[at + 1] >= waits[at][k]))

    while done != counts:
        at = max(at for at, k in enumerate(done) if k < counts[at] and may_go_on(at, k))
        stage, y0 = stages[at], done[at] * sizes[at]
        stage.kernel(*stage.arguments, y0, min(y0 + sizes[at], stage.rows))
        done[at] += 1
