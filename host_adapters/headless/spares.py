"""Spare memory: what a run made and nobody holds any more takes the pictures of its next nodes and frames.

A fresh picture is memory that the system has to clear page by page while it is written, which takes about as long as
a copy of the picture. Memory that was written before has that behind it.
"""

from __future__ import annotations

import sys
import threading

import numpy as np

from ...kernels.arrays import Floats

LEAST = 1 << 20
"""Bytes from which a picture is worth keeping; smaller ones are had for nothing."""


class Spares:
    """Results of nodes, kept beyond their last use.

    An array is spare when nothing else refers to it: not a caller, a writer, a node over several frames or a view.
    What one whole frame has no use for is let go. Safe to use from several threads.
    """

    def __init__(self) -> None:
        self._kept: list[Floats] = []
        self._useful: set[int] = set()
        self._lock = threading.Lock()

    def take(self, shape: tuple[int, ...]) -> Floats | None:
        """Return spare memory of a shape; while the caller refers to it, it is nobody else's."""
        with self._lock:
            for place in range(len(self._kept)):
                if self._kept[place].shape == shape and sys.getrefcount(self._kept[place]) == _ALONE:
                    self._useful.add(id(self._kept[place]))
                    return self._kept[place]
        return None

    def keep(self, array: Floats) -> None:
        """Keep an array that a node returned, if it is memory of its own that kernels may write into."""
        own = isinstance(array, np.ndarray) and array.flags.owndata and array.flags.carray
        if not own or array.dtype != np.float32 or array.nbytes < LEAST:
            return
        with self._lock:
            self._useful.add(id(array))
            if not any(array is kept for kept in self._kept):
                self._kept.append(array)

    def end_frame(self) -> None:
        """Let go of what the frame that ends neither made nor used."""
        with self._lock:
            self._kept = [array for array in self._kept if id(array) in self._useful]
            self._useful.clear()


def _references_of_one_holder() -> int:
    holder = [np.empty(0)]
    return sys.getrefcount(holder[0])


_ALONE = _references_of_one_holder()
