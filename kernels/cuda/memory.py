"""Memory of the card, lent in the order of its streams, and pinned memory of the processor, which the card reads."""

from __future__ import annotations

import contextlib
import logging
import threading
import weakref
from collections import defaultdict, deque
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numba import cuda
from numpy.typing import NDArray

from ..devices import DeviceError
from ..memory import Memory as HostMemory
from . import driver
from .launch import SIMULATED, handing

log = logging.getLogger(__name__)


class Lanes:
    """The streams of a card: each thread works in the one of its name, and what different ones are given overlaps."""

    def __init__(self, index: int) -> None:
        self.index = index
        self._here = threading.local()
        self._lock = threading.Lock()
        self._streams: dict[str, Any] = {}

    def enter(self) -> None:
        """Work in this thread from now on."""
        lane = threading.current_thread().name
        cuda.select_device(self.index)
        with self._lock:
            if lane not in self._streams:
                self._streams[lane] = cuda.stream()
        self._here.lane = lane

    @property
    def lane(self) -> str:
        """The lane of this thread."""
        if not self.is_entered():
            self.enter()
        return str(self._here.lane)

    def is_entered(self) -> bool:
        """Tell whether this thread may call the card."""
        return hasattr(self._here, "lane")

    def stream(self, lane: str | None = None) -> Any:
        """Return numba's stream of a lane; of this thread's own where none is named."""
        return self._streams[lane or self.lane]

    def number(self) -> Any:
        """Return the stream of this thread as the driver knows it; in the simulator numba's."""
        stream = self.stream()
        return stream if SIMULATED else int(stream.handle)

    def wait(self, lane: str | None = None) -> None:
        """Wait until a lane, this thread's where none is named, has done what it was given."""
        if SIMULATED:
            self.stream(lane).synchronize()
        else:
            driver.wait(int(self.stream(lane).handle))

    def mark(self, lane: str | None = None) -> Any:
        """Return an event behind everything that a lane was given so far."""
        event = cuda.event()
        event.record(self.stream(lane))
        return event

    def synchronize(self) -> None:
        """Wait until every lane has done what it was given."""
        for stream in list(self._streams.values()):
            stream.synchronize()


class Block:
    """Memory of the card for so many numbers of a type; given back when nobody holds it any longer.

    :ivar array: flat. :ivar handed: how a kernel is given it, as :func:`.launch.packed` says.
    :ivar home: the lane that it was lent in. :ivar users: further lanes that read it.
    """

    __slots__ = ("__weakref__", "array", "handed", "home", "memory", "users")

    def __init__(self, memory: CardMemory, array: Any, handed: Any, home: str) -> None:
        self.memory, self.array, self.handed, self.home = memory, array, handed, home
        self.users: set[str] = set()

    @property
    def address(self) -> int:
        """Where it begins, as the driver knows it."""
        address: int = self.handed[1][4]
        return address

    def __del__(self) -> None:
        with contextlib.suppress(Exception):  # while the interpreter ends, anything may be gone
            self.memory.take_back(self)


class CardMemory:
    """Blocks of a card's memory, lent again at once to the lane that had them: its stream keeps one use behind another.

    What another lane has read meanwhile, the lane waits for. What is lent is held here as well: the collector of cycles
    frees a block's array before the block is asked, and memory would be lent again that the card no longer has.
    Compiling leaves such cycles, of errors that hold their callers' blocks. Where the card has no more, a frame that is
    worked beside others gives up, to be worked alone (:class:`Turns`); alone, it gets memory of the processor that the
    card reads and writes by itself: slower, and the same bits.
    """

    def __init__(self, lanes: Lanes) -> None:
        self.lanes, self.turns = lanes, Turns()
        self._told = False
        self._lent: dict[int, Any] = {}
        self._free: defaultdict[tuple[int, Any, str], deque[tuple[Any, Any, list[Any]]]] = defaultdict(deque)

    def lent(self, count: int, dtype: Any = np.float32) -> Block:
        """Return memory for so many numbers, of whatever values. Raises DeviceError where the card has no more."""
        lane = self.lanes.lane
        try:
            array, handed, events = self._free[count, dtype, lane].popleft()
        except IndexError:
            array = self._fresh(count, dtype)
            handed, events = handing(array), []
        for event in events:
            event.wait(self.lanes.stream(lane))
        self._lent[id(array)] = array
        return Block(self, array, handed, lane)

    def take_back(self, block: Block) -> None:
        """Keep a block that nobody holds, with where its last uses end in lanes other than its own."""
        self._lent.pop(id(block.array), None)
        if block.users and not self.lanes.is_entered():
            return  # this thread cannot say where they end: the memory goes back to the card
        events = [self.lanes.mark(lane) for lane in block.users]
        key = block.array.size, block.array.dtype.type, block.home
        self._free[key].append((block.array, block.handed, events))

    def clear(self) -> None:
        """Give idle memory back to the card."""
        self.lanes.synchronize()
        self._free.clear()

    def _fresh(self, count: int, dtype: Any) -> Any:
        array = _allocated(cuda.device_array, count, dtype)
        if array is None:
            self.clear()
            array = _allocated(cuda.device_array, count, dtype)
        if array is None and not self.turns.gives_up():
            array = _allocated(cuda.mapped_array, count, dtype)
            if array is not None and not self._told:
                self._told = True
                log.warning(
                    "note: the graphics card's memory is full (%.0f of its %.0f MB are free): what does not fit lies "
                    "in the processor's memory, which takes longer. End other programs on the card to spare that.",
                    *(size / 2**20 for size in free_and_whole()),
                )
        if array is None:
            raise CardMemoryError(count * np.dtype(dtype).itemsize, *free_and_whole())
        return array


class Turns:
    """Frames that are worked beside each other, and one that has to be worked alone; one at a time from then on."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._here = threading.local()
        self._in_work, self._most, self._waiting = 0, 1 << 30, 0

    @contextlib.contextmanager
    def beside(self) -> Iterator[None]:
        """Work a frame beside others."""
        with self._changed:
            self._changed.wait_for(lambda: self._in_work < self._most and not self._waiting)
            self._in_work += 1
        self._here.beside, self._here.gave_up = True, False
        try:
            yield
        finally:
            self._here.beside = False
            self._left()

    @contextlib.contextmanager
    def alone(self) -> Iterator[None]:
        """Work a frame when no other is in work."""
        with self._changed:
            self._most = 1
            self._waiting += 1
            self._changed.wait_for(lambda: self._in_work == 0)
            self._waiting -= 1
            self._in_work += 1
        try:
            yield
        finally:
            self._left()

    def gives_up(self) -> bool:
        """Tell whether the frame of this thread is beside others, and so does better alone; note that it gives up."""
        with self._changed:
            crowded = bool(getattr(self._here, "beside", False)) and self._in_work > 1
        if crowded:
            self._here.gave_up = True
        return crowded

    def gave_up(self) -> bool:
        """Tell whether the last frame of this thread gave up."""
        return bool(getattr(self._here, "gave_up", False))

    def _left(self) -> None:
        with self._changed:
            self._in_work -= 1
            self._changed.notify_all()


def _allocated(allocate: Any, count: int, dtype: Any) -> Any:
    """Return memory for so many numbers, or None where there is none."""
    told = logging.getLogger("numba.cuda.cudadrv.driver")
    level = told.level
    told.setLevel(logging.CRITICAL)  # numba logs an error for each try, and what is tried next may do
    try:
        return allocate(count, dtype)
    except Exception as error:
        if not _is_shortage(error):
            raise
    finally:
        told.setLevel(level)
    return None


def free_and_whole() -> tuple[int, int]:
    """Return the bytes of the card's memory that are free, and all of them."""
    free, whole = cuda.current_context().get_memory_info()
    return free, whole


class CardMemoryError(DeviceError):
    """The card has too little memory."""

    def __init__(self, wanted: int, free: int, whole: int) -> None:
        super().__init__(
            f"The graphics card's memory is full: {wanted / 2**20:.0f} MB more are needed, and {free / 2**20:.0f} of "
            f"its {whole / 2**20:.0f} MB are free; the processor's memory has no room for them either. End other "
            "programs, or work with --device cpu."
        )


def _is_shortage(error: Exception) -> bool:
    return "OUT_OF_MEMORY" in str(error).upper() or isinstance(error, MemoryError)


class PinnedMemory(HostMemory):
    """Memory of the processor that the card reads and writes by itself, while both go on with other work."""

    def __init__(self, lanes: Lanes) -> None:
        super().__init__()
        self.lanes = lanes
        self._addresses: set[int] = set()
        self._busy: dict[int, str] = {}

    def fresh(self, size: int) -> NDArray[np.uint8]:
        """Return so many bytes."""
        block: NDArray[np.uint8] = cuda.pinned_array(size, np.uint8)
        self._addresses.add(_address(block))
        weakref.finalize(block, self._addresses.discard, _address(block)).atexit = False
        return block

    def lent(self, shape: Sequence[int], dtype: Any = np.float32) -> NDArray[Any]:
        """Return an array of this shape, of whatever values, that the card is done with."""
        array = super().lent(shape, dtype)
        lane = self._busy.pop(_address(array), None)
        if lane is not None:
            self.lanes.wait(lane)
        return array

    def holds(self, array: NDArray[Any]) -> bool:
        """Tell whether an array was lent here, as a whole."""
        return array.flags.c_contiguous and _address(array) in self._addresses

    def read_by_card(self, array: NDArray[Any]) -> None:
        """Note that this thread's lane reads an array until it has done what it was given so far."""
        self._busy[_address(array)] = self.lanes.lane


def _address(array: NDArray[Any]) -> int:
    address: int = array.__array_interface__["data"][0]
    return address
