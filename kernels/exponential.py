"""The exponential of float32 numbers as NumPy finds it by vector instructions, inside kernels: the same bits.

Range reduction and the quotient of polynomials are those of NumPy (``loops_exponent_log.dispatch.c.src``; the reduction
after W. J. Cody and W. Waite, "Software Manual for the Elementary Functions", 1980). On processors without such
instructions NumPy takes another way; this has the same bits on all of them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import types

from .colour import F, clamp
from .jit import inline, instruction, numba_config

_LOG2_E, _HIGH, _LOW = F(1.4426950408889634), F(-6.93145752e-1), F(-1.42860677e-6)
_ROUND = F(12582912)
"""Added and taken away again, it leaves whole numbers."""
_P0, _P1, _P2 = F(9.999999999980870924916e-01), F(7.257664613233124478488e-01), F(2.473615434895520810817e-01)
_P3, _P4, _P5 = F(5.114512081637298353406e-02), F(6.757896990527504603057e-03), F(5.082762527590693718096e-04)
_Q1, _Q2 = F(-2.742335390411667452936e-01), F(2.159509375685829852307e-02)
_MOST = F(87)


@instruction
def _fused(typing: Any, a: Any, b: Any, c: Any) -> Any:
    """Return a · b + c, rounded once."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.fma(*arguments)

    return types.float32(types.float32, types.float32, types.float32), code


@inline
def exp_px(x):
    """The exponential of a number, limited to ±87, within 2.6 units of the last place."""
    x = clamp(x, -_MOST, _MOST)
    whole = (x * _LOG2_E + _ROUND) - _ROUND
    rest = _fused(whole, _LOW, _fused(whole, _HIGH, x))
    above = _fused(_fused(_fused(_fused(_fused(_P5, rest, _P4), rest, _P3), rest, _P2), rest, _P1), rest, _P0)
    below = _fused(_fused(_Q2, rest, _Q1), rest, F(1))
    return above / below * np.int32((np.int32(whole) + np.int32(127)) << np.int32(23)).view(np.float32)


if numba_config.DISABLE_JIT:
    exp_px = np.exp
