"""The driver's own functions for what is called many times a frame: launches, copies, waiting.

numba and its bindings take 20 to 150 µs for each, as long as the work itself. What only hands work over keeps the
interpreter's lock, for it takes less time than giving it away; what waits lets go of it.
"""

from __future__ import annotations

import ctypes
import functools
import struct
import sys
import threading
from typing import Any

from ..devices import DeviceError

_BUFFER, _BUFFER_SIZE = 1, 2
"""The driver's names for packed arguments: CU_LAUNCH_PARAM_BUFFER_POINTER and CU_LAUNCH_PARAM_BUFFER_SIZE."""
_LONGEST = 4096
"""Bytes of a kernel's arguments."""


@functools.cache
def _library(waiting: bool = False) -> Any:
    name = "nvcuda.dll" if sys.platform == "win32" else "libcuda.so.1"
    try:
        library: Any = ctypes.CDLL(name) if waiting else ctypes.PyDLL(name)
    except OSError as error:
        raise DeviceError(
            f"The driver of the graphics card cannot be loaded ({error}): install it with CUDA."
        ) from None
    address, count = ctypes.c_void_p, ctypes.c_uint
    library.cuLaunchKernel.argtypes = (address, *[count] * 7, address, address, address)
    library.cuMemcpyHtoDAsync_v2.argtypes = (ctypes.c_uint64, address, ctypes.c_size_t, address)
    library.cuMemcpyDtoHAsync_v2.argtypes = (address, ctypes.c_uint64, ctypes.c_size_t, address)
    library.cuStreamSynchronize.argtypes = (address,)
    library.cuModuleLoadData.argtypes = (address, ctypes.c_char_p)
    library.cuModuleGetFunction.argtypes = (address, address, ctypes.c_char_p)
    return library


class _Arguments(threading.local):
    """Where this thread packs arguments."""

    def __init__(self) -> None:
        self.packed = ctypes.create_string_buffer(_LONGEST)
        self.size = ctypes.c_size_t()
        where = ctypes.addressof(self.packed), ctypes.addressof(self.size)
        self.extra = (ctypes.c_void_p * 5)(_BUFFER, where[0], _BUFFER_SIZE, where[1], None)


_arguments = _Arguments()


def load(code: bytes, name: str) -> int:
    """Load compiled code onto the card of this thread, and return what the driver knows its kernel by.

    Raises DeviceError where the driver refuses it.
    """
    module, function = ctypes.c_void_p(), ctypes.c_void_p()
    _check(_library(True).cuModuleLoadData(ctypes.byref(module), code), f"the code of {name}")
    _check(_library(True).cuModuleGetFunction(ctypes.byref(function), module, name.encode()), f"the code of {name}")
    return int(function.value or 0)


def launch(
    handle: int, grid: tuple[int, ...], block: tuple[int, ...], stream: int, layout: struct.Struct, values: list[Any]
) -> None:
    """Launch a kernel behind what a stream was given. Raises DeviceError where the driver refuses."""
    here = _arguments
    layout.pack_into(here.packed, 0, *values)
    here.size.value = layout.size
    _check(_library().cuLaunchKernel(handle, *grid, *block, 0, stream, None, here.extra), "a kernel")


def copy_in(to: int, address: int, size: int, stream: int) -> None:
    """Copy bytes of the processor's pinned memory to the card, behind what a stream was given."""
    _check(_library().cuMemcpyHtoDAsync_v2(to, address, size, stream), "a copy to the card")


def copy_out(address: int, origin: int, size: int, stream: int) -> None:
    """Copy bytes of the card to pinned memory of the processor, behind what a stream was given."""
    _check(_library().cuMemcpyDtoHAsync_v2(address, origin, size, stream), "a copy from the card")


def wait(stream: int) -> None:
    """Wait until a stream has done what it was given. Raises DeviceError where some of that failed."""
    _check(_library(True).cuStreamSynchronize(stream), "what it was given")


def _check(code: int, what: str) -> None:
    if code:
        raise DeviceError(f"The graphics card's driver reports the error {code} for {what}: start the run again.")
