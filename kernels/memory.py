"""Memory that is used again: fresh memory costs more than the work on it, up to 2 ms a megabyte in a virtual machine.

The system hands a page of memory over when it is first written, and clears it then. A picture of 1920×1080 has 25 MB,
and a run of frames or a drag of a slider makes thirty of them a second. What nobody holds any longer is therefore kept
and lent anew.
"""

from __future__ import annotations

import contextlib
import math
import weakref
from collections import defaultdict, deque
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .stream import LINE

LEAST = 1 << 20
"""Bytes of a result from which it lies in such memory; smaller ones cost nothing fresh."""

_MOST_IDLE, _FEW = 1 << 28, 4
"""Bytes that may lie idle where nobody reserves more, and blocks of one size that may, however large they are."""


def _fresh(size: int) -> NDArray[np.uint8]:
    """Return so many bytes from the beginning of a cache line: what lies in two lines takes twice as long."""
    line = 4 * LINE
    block = np.empty(size + line, np.uint8)
    start = -block.ctypes.data % line
    return block[start : start + size]


class Memory:
    """Blocks of memory by size: lent as arrays, and free again when the last view of such an array has gone.

    Takes no lock: what a block is given back by may run in any thread, in the midst of anything.
    """

    def __init__(self, most_idle: int | None = None) -> None:
        self._most_idle = most_idle or _MOST_IDLE
        self._free: defaultdict[int, deque[NDArray[np.uint8]]] = defaultdict(deque)

    def fresh(self, size: int) -> NDArray[np.uint8]:
        """Return so many bytes that were not used before."""
        return _fresh(size)

    def lent(self, shape: Sequence[int], dtype: Any = np.float32) -> NDArray[Any]:
        """Return an array of this shape with whatever values, in memory that was used before if there is any."""
        size = math.prod(shape) * np.dtype(dtype).itemsize
        try:
            block = self._free[size].pop()
        except IndexError:
            block = self.fresh(size)
        # Every view holds the array on the buffer, so it goes when the last of them has gone.
        owner: NDArray[Any] = np.frombuffer(block.data, dtype)
        weakref.finalize(owner, self._give_back, block).atexit = False
        return owner.reshape(tuple(shape))

    def reserve(self, counts: Mapping[Sequence[int], int]) -> None:
        """Have so many blocks lie idle for arrays of these shapes, each page of them touched once."""
        sizes = {math.prod(shape) * 4: count for shape, count in counts.items()}
        self._most_idle = max(_MOST_IDLE, sum(size * count for size, count in sizes.items()))
        for size, count in sizes.items():
            for _ in range(count - len(self._free[size])):
                block = self.fresh(size)
                block.fill(0)
                self._give_back(block)

    def allow(self, size: int) -> None:
        """Let so many bytes lie idle, at least."""
        self._most_idle = max(self._most_idle, size)

    def clear(self) -> None:
        """Give the idle blocks back to the system."""
        for blocks in list(self._free.values()):
            blocks.clear()

    def idle(self) -> int:
        """Return the bytes that nobody holds."""
        return sum(size * len(blocks) for size, blocks in list(self._free.items()))

    def _give_back(self, block: NDArray[np.uint8]) -> None:
        """Keep a block for the next array of its size; idle blocks of other sizes make block for it."""
        size = block.nbytes
        for other, blocks in list(self._free.items()) if self.idle() + size > self._most_idle else ():
            while other != size and blocks and self.idle() + size > self._most_idle:
                with contextlib.suppress(IndexError):  # another thread took the last one
                    blocks.popleft()
        if len(self._free[size]) < _FEW or self.idle() + size <= self._most_idle:
            self._free[size].append(block)


RESULTS = Memory()
"""Where the results of kernels lie, but for small ones."""

COUNTERS = Memory(1 << 26)
"""Where sets of counters lie, a set for each thread: among results, with many threads, pictures would make room for
them and be fresh the next time."""

_A_SET = 1 << 24
"""Bytes of counters that may lie idle for each thread: those of two plots, and of what is measured, come to 11 MB.
Where one made room for another, both were fresh at every frame, 99 MB with 16 threads."""


def counters(sets: int, size: int, kind: type[Any]) -> NDArray[Any]:
    """Return sets of so many counters of whatever values."""
    if sets * size * np.dtype(kind).itemsize < LEAST:
        return np.empty((sets, size), kind)
    COUNTERS.allow(sets * _A_SET)
    return COUNTERS.lent((sets, size), kind)


def new(shape: Sequence[int], most: float = math.inf) -> NDArray[np.float32]:
    """Return a float32 array of whatever values: of :data:`LEAST` to ``most`` bytes in :data:`RESULTS`, else fresh."""
    kept = LEAST <= math.prod(shape) * 4 <= most
    return RESULTS.lent(shape) if kept else np.empty(tuple(shape), np.float32)
