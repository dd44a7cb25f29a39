"""What stands for ``kernels/jit.py`` where kernels are compiled by numba's public interface alone.

No compiler class, code library, wrapper or cache of our own: ``numba.njit`` and ``numba.extending`` do all. A test puts
this file into a copy of the kernels in the place of the other, and their results must have the same bits.
"""

from __future__ import annotations

from typing import Any

import numba
import numba.extending

numba_config: Any = numba.config
CACHE_FOLDER = None
STRIP_KERNELS: list[Any] = []
BLOCK_HEAD, BLOCK_SIZE = 64, 4096

inline = numba.njit(nogil=True, error_model="numpy", forceinline=True)
subroutine = numba.njit(nogil=True, error_model="numpy")
instruction = numba.extending.intrinsic


def strip_kernel(function: Any) -> Any:
    """Compile what Python calls."""
    STRIP_KERNELS.append(subroutine(function))
    return STRIP_KERNELS[-1]


class StripKernel:
    """What can be packed: nothing here, so strips are called through Python, one by one."""


def pack(kernel: Any, arguments: tuple[Any, ...], block: int) -> None:
    """Never called."""
    raise AssertionError(kernel)
