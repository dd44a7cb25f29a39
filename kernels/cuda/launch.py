"""Launching: one thread for each value of a result, and fewer with more values each in numba's simulator."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba
from numba import cuda

_config: Any = numba.config

SIMULATED = bool(_config.ENABLE_CUDASIM)
"""Whether numba's simulator stands in for a card: its threads are slow ones of Python."""

BLOCK = (32, 8)
"""Threads of a block, across and down: a warp of neighbours reads whole cache lines."""


def kernel(function: Callable[..., Any]) -> Any:
    """Make a kernel of a function that goes from value to value by :func:`further`; compiled on its first launch."""
    return cuda.jit(function)


def piece(function: Callable[..., Any]) -> Any:
    """Make what kernels call."""
    return cuda.jit(device=True)(function)


@piece
def further(place: int, end: int, stride: int) -> int:
    """The next value that a thread works: a card has a thread for each, so there it is done."""
    return place + stride if SIMULATED else end


def over(kernel: Any, stream: Any, count: int, *arguments: Any) -> None:
    """Launch a kernel for so many values in a row."""
    threads = BLOCK[0] * BLOCK[1]
    grid = (2, 2) if SIMULATED else (-(-count // threads), threads)
    kernel[(*grid, stream)](*arguments)


def over_planes(kernel: Any, stream: Any, width: int, height: int, count: int, *arguments: Any) -> None:
    """Launch a kernel for every place of some planes; the kernel finds its plane in ``blockIdx.z``."""
    grid, block = (2, 1), (1, 2)
    if not SIMULATED:
        grid, block = (-(-width // BLOCK[0]), -(-height // BLOCK[1])), BLOCK
    kernel[(*grid, count), (*block, 1), stream](*arguments)
