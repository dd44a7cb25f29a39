"""Launching: one thread for each value of a result, and fewer with more values each in numba's simulator.

numba compiles, and what it compiled is launched through the driver (:mod:`.driver`), its arguments packed as it takes
them.
"""

from __future__ import annotations

import struct
import threading
from collections.abc import Callable
from typing import Any

import numba
import numpy as np
from numba import cuda, types

from . import compiled, driver

_config: Any = numba.config

SIMULATED = bool(_config.ENABLE_CUDASIM)
"""Whether numba's simulator stands in for a card: its threads are slow ones of Python, and those of a block disturb
each other where they call functions of another module, so a block has one."""

BLOCK = (32, 8)
"""Threads of a block, across and down: a warp of neighbours reads whole cache lines."""

_RECIPROCAL = compiled.RECIPROCAL

whole = np.int32
"""Places are counted in 32 bits: numba counts in 64, for which a card takes two or more steps."""


_ALONE = threading.Lock()
"""The simulator works one kernel at a time."""

spot = np.uint32
"""Places in arrays: of a number with a sign numba would ask each time whether it counts from the end."""


class Kernel:
    """A kernel, compiled for the kinds of its arguments on its first launch with them."""

    def __init__(self, function: Callable[..., Any]) -> None:
        self.function = function
        self.name = f"{function.__module__.rpartition('.')[2]}.{function.__name__}"
        self.simulated: Any = cuda.jit(function) if SIMULATED else None
        self._ready: dict[str, tuple[int, struct.Struct]] = {}
        self.region = (0, 0)

    def launch(self, grid: tuple[int, ...], block: tuple[int, ...], stream: Any, arguments: tuple[Any, ...]) -> None:
        """Launch it; a grid and a block have three sizes. Raises DeviceError where the driver refuses."""
        if SIMULATED:
            with _ALONE:
                self.simulated[grid, block, stream](*(_as_numba_takes(argument) for argument in arguments))
            return
        kinds, values = _packed(arguments)
        if kinds not in self._ready:
            with _COMPILING:
                if kinds not in self._ready:
                    self._ready[kinds] = self._compile(arguments), struct.Struct("@" + kinds)
        handle, layout = self._ready[kinds]
        driver.launch(handle, grid, block, stream, layout, values)

    def _compile(self, arguments: tuple[Any, ...]) -> int:
        """Load it for such arguments, compiled or as it is kept, and return what the driver knows it by."""
        generation = cuda.get_current_device().compute_capability
        code = compiled.machine_code(self.name, self.function, tuple(map(_type_of, arguments)), generation)
        return driver.load(*code)


_COMPILING = threading.Lock()
"""One thread compiles: others would compile the same."""


def _type_of(argument: Any) -> Any:
    """Return numba's type of an argument."""
    if isinstance(argument, tuple):
        return types.UniTuple(types.float32, len(argument))
    if type(argument) in _TYPES:
        return _TYPES[type(argument)]
    return numba.from_dtype(argument.array.dtype)[::1]


_TYPES = {int: types.int32, bool: types.boolean, np.float32: types.float32}


def _as_numba_takes(argument: Any) -> Any:
    if type(argument) is int:
        return whole(argument)
    if isinstance(argument, tuple):
        return tuple(map(_as_numba_takes, argument))
    return getattr(argument, "array", argument)


def handing(array: Any) -> tuple[str, tuple[int, ...]]:
    """Return how a kernel is given a flat array of the card: the kinds of its seven values, and the values.

    They are those of numba: two owners, of which there are none, count, bytes of a number, address, count and step.
    """
    if SIMULATED:
        return "", ()
    address, size, step = array.__cuda_array_interface__["data"][0], array.size, array.dtype.itemsize
    return _SEVEN[step], (0, 0, size, step, address, size, step)


_SEVEN = {1: "qqqqqqq0b", 2: "qqqqqqq0h", 4: "qqqqqqq0i"}
"""Kinds of the values of an array, and behind them, taking no room, what tells arrays of one type from another."""

_SCALARS = {int: "i", bool: "?", np.float32: "f"}


def _packed(arguments: tuple[Any, ...]) -> tuple[str, list[Any]]:
    """Return the kinds of arguments as :mod:`struct` names them, and their values."""
    kinds, values = "", list[Any]()
    for argument in arguments:
        kind = _SCALARS.get(type(argument))
        if kind is not None:
            kinds += kind
            values.append(argument)
        elif isinstance(argument, tuple):
            kinds += "f" * len(argument)
            values += argument
        else:
            kinds += argument.handed[0]
            values += argument.handed[1]
    return kinds, values


kernel = Kernel
"""Make a kernel of a function that goes from value to value by :func:`further`."""


STEP = (1, 1) if SIMULATED else BLOCK
"""Threads of a block: by how much each moves on in a region, across and down."""

THREADS = STEP[0] * STEP[1]
"""How many they are: by how much each moves on where a region's places are counted in a row."""


def region_kernel(across: int, down: int) -> Callable[[Callable[..., Any]], Kernel]:
    """Make a kernel whose block works a region of so many values together, and shares what it reads."""

    def made(function: Callable[..., Any]) -> Kernel:
        kernel = Kernel(function)
        kernel.region = across, down
        return kernel

    return made


def piece(function: Callable[..., Any]) -> Any:
    """Make what kernels call."""
    return cuda.jit(device=True, fastmath=_RECIPROCAL)(function)


@piece
def this_place() -> Any:
    """The value that a thread begins with, of values in a row."""
    return whole(cuda.blockIdx.x * cuda.blockDim.x + cuda.threadIdx.x)  # type: ignore[attr-defined]


@piece
def this_row() -> Any:
    """The row that a thread begins with."""
    return whole(cuda.blockIdx.y * cuda.blockDim.y + cuda.threadIdx.y)  # type: ignore[attr-defined]


@piece
def this_thread() -> Any:
    """The number of a thread in its block."""
    return whole(cuda.threadIdx.y * STEP[0] + cuda.threadIdx.x)  # type: ignore[attr-defined]


@piece
def further(place: int, end: int, axis: int) -> Any:
    """The next place of a thread along an axis: a card has a thread for each, so there it is done."""
    if not SIMULATED:
        return whole(end)
    return whole(place + cuda.gridsize(2)[axis])  # type: ignore[attr-defined]


def over(kernel: Kernel, stream: Any, count: int, *arguments: Any) -> None:
    """Launch a kernel for so many values in a row."""
    threads = BLOCK[0] * BLOCK[1]
    grid, block = ((3, 1, 1), (1, 1, 1)) if SIMULATED else ((-(-count // threads), 1, 1), (threads, 1, 1))
    kernel.launch(grid, block, stream, arguments)


def over_regions(kernel: Kernel, stream: Any, width: int, height: int, count: int, *arguments: Any) -> None:
    """Launch a kernel of :func:`region_kernel` with a block for each region of some planes."""
    across, down = kernel.region
    kernel.launch((-(-width // across), -(-height // down), count), (*STEP, 1), stream, arguments)


def over_planes(kernel: Kernel, stream: Any, width: int, height: int, count: int, *arguments: Any) -> None:
    """Launch a kernel for every place of some planes; the kernel finds its plane in ``blockIdx.z``."""
    if SIMULATED:
        kernel.launch((2, 2, count), (1, 1, 1), stream, arguments)
        return
    grid = -(-width // BLOCK[0]), -(-height // BLOCK[1]), count
    kernel.launch(grid, (*BLOCK, 1), stream, arguments)
