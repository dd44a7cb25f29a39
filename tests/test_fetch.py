"""Asking for memory ahead: that the processor is really asked, and that it does no harm."""

from __future__ import annotations

import numba
import numpy as np
import pytest
from inkarnat.kernels import fetch, jit


def read_ahead(row, first, last):
    fetch.fetch(row, first, last)
    return row.sum()


@pytest.mark.skipif(jit.numba_config.DISABLE_JIT, reason="nothing is compiled")
def test_the_processor_is_asked():
    """LLVM's language reference: `llvm.prefetch`, to be read (0), to stay near (3), data (1)."""
    compiled = numba.njit(read_ahead)
    compiled(np.zeros(64, np.float32), 0, 64)
    (code,) = compiled.inspect_llvm().values()
    assert "@llvm.prefetch.p0" in code
    assert "i32 0, i32 3, i32 1)" in code


@pytest.mark.slice
@pytest.mark.parametrize(
    ("first", "last"), [(0, 64), (0, 0), (64, 128), (1 << 40, (1 << 40) + 64), (-(1 << 40), -(1 << 40) + 64)]
)
def test_memory_that_is_not_there_may_be_asked_for(first, last):
    compiled = numba.njit(read_ahead)
    assert compiled(np.ones(64, np.float32), first, last) == 64
