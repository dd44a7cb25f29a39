"""Memory that is used again: fresh memory costs more than the work on it, up to 2 ms a megabyte in a virtual machine.

The system hands a page of memory over when it is first written, and clears it then. A picture of 1920×1080 has 25 MB,
and a run of frames or a drag of a slider makes thirty of them a second. What nobody holds any longer is therefore kept
and lent anew.
"""

from __future__ import annotations

import math
import threading
import weakref
from collections import defaultdict, deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import Floats

_MOST_IDLE = 1 << 28
"""Bytes of other sizes that may lie idle; more is given back."""


class Memory:
    """Blocks of memory by size: lent as arrays, and free again when the last view of such an array has gone."""

    def __init__(self) -> None:
        self._free: defaultdict[int, deque[NDArray[np.uint8]]] = defaultdict(deque)
        self._lock = threading.Lock()

    def lent(self, shape: Sequence[int]) -> Floats:
        """Return a float32 array of this shape with whatever values, in memory that was used before if there is any."""
        size = math.prod(shape) * 4
        free = self._free[size]
        try:
            block = free.pop()
        except IndexError:
            self._give_back(size)
            block = np.empty(size, np.uint8)
        # Every view holds the array on the buffer, so it goes when the last of them has gone.
        owner = np.frombuffer(block.data, np.float32)
        weakref.finalize(owner, free.append, block).atexit = False
        return owner.reshape(tuple(shape))

    def take(self, shape: Sequence[int], count: int) -> None:
        """Have this many blocks for arrays of this shape, each page of them touched once."""
        for _ in range(count):
            self._free[math.prod(shape) * 4].append(np.full(math.prod(shape) * 4, 0, np.uint8))

    def idle(self) -> int:
        """Return the bytes that nobody holds."""
        return sum(size * len(blocks) for size, blocks in list(self._free.items()))

    def _give_back(self, wanted: int) -> None:
        """Let go of idle blocks of other sizes where they are many: pictures of another size were looked at."""
        with self._lock:
            for size, blocks in list(self._free.items()):
                while size != wanted and blocks and self.idle() > _MOST_IDLE:
                    blocks.popleft()
