"""Asking for memory before it is needed: while counters are added to, the processor forgets to read on by itself."""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from .jit import inline, numba_config

RUN = 128
"""Pixels of a row that are asked for at once: more than their 24 or 32 cache lines make the processor wait."""

AHEAD = 512
"""Pixels between those that are worked on and those that are asked for: fewer come too late."""

_LINE = 16


def _no_hint(row: Any, index: int) -> None:
    pass


@intrinsic
def _hint(context: Any, row: Any, index: Any) -> Any:
    """Have the memory of ``row[index]`` brought near; an index beyond the end does no harm."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        array = context.make_array(row)(context, builder, arguments[0])
        place = cgutils.get_item_pointer(context, builder, row, array, [arguments[1]], wraparound=False)
        pointer, whole = ir.IntType(8).as_pointer(), ir.IntType(32)
        kind = ir.FunctionType(ir.VoidType(), [pointer, whole, whole, whole])
        prefetch = cgutils.get_or_insert_function(builder.module, kind, "llvm.prefetch.p0")
        to_read, keep_near, data = whole(0), whole(3), whole(1)
        builder.call(prefetch, [builder.bitcast(place, pointer), to_read, keep_near, data])
        return context.get_dummy_value()

    return types.void(row, index), generate


_bring: Any = _no_hint if numba_config.DISABLE_JIT else _hint


@inline
def fetch(row, first, last):
    """Ask for the float32 values ``first`` to ``last`` of a row, which may lie beyond its end."""
    for index in range(first, last, _LINE):
        _bring(row, index)
