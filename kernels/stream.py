"""Between caches and memory: large pictures are written without being read first, and rows called for early.

A processor that writes into a cache line fetches the line before, for it cannot know that all of it will be
written: a picture costs twice its size in traffic. What is finished in the nearest cache can be sent to memory in whole
lines, without that; the very bits, a third less traffic. A picture that the caches hold is better left there for the
next step.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils

from .jit import inline, instruction, numba_config, subroutine

AHEAD = 512
"""Pixels between those that are worked on and those that are called for: fewer come too late."""

RUN = 128
"""Pixels worked at a time where that takes several loops: what one leaves, the next finds in the nearest cache."""

FAR = 1 << 22
"""Values (of 4 bytes) of a picture from which it is written by non-temporal stores."""

LINE = 16
"""Values in a cache line: 64 bytes."""


@inline
def is_non_temporal(picture):
    """Tell whether a picture is too large for the caches."""
    return picture.size >= FAR


def _or_plainly(plain: Callable[..., Any]) -> Callable[[Callable[..., Any]], Any]:
    """Make an instruction for compiled code; where nothing is compiled, ``plain`` does its work."""
    return lambda function: plain if numba_config.DISABLE_JIT else instruction(function)


def _copy_line(out: Any, values: Any, at: int) -> None:
    out[at : at + LINE] = values[at : at + LINE]


@_or_plainly(_copy_line)
def _write_line(typing: Any, out: Any, values: Any, at: Any) -> Any:
    """Write the line that begins at place ``at`` of ``out``, and of memory, from that place of ``values``."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> None:
        line = ir.VectorType(ir.FloatType(), LINE).as_pointer()
        to, origin = (
            builder.bitcast(builder.gep(context.make_array(kind)(context, builder, array).data, [arguments[2]]), line)
            for kind, array in zip(signature.args, arguments[:2], strict=False)
        )
        write = builder.store(builder.load(origin, align=4), to, align=4 * LINE)
        write.set_metadata("nontemporal", builder.module.add_metadata([ir.Constant(ir.IntType(32), 1)]))

    return types.void(out, values, types.intp), generate


@_or_plainly(lambda out: 0)
def _bytes_into_line(typing: Any, out: Any) -> Any:
    """Return how many bytes lie between the beginning of a cache line and that of an array."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        address = context.make_array(signature.args[0])(context, builder, arguments[0]).data
        return builder.and_(builder.ptrtoint(address, ir.IntType(64)), ir.Constant(ir.IntType(64), 4 * LINE - 1))

    return types.int64(out), generate


@_or_plainly(lambda: None)
def _fence(typing: Any) -> Any:
    """Wait until everything that was written has arrived."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> None:
        builder.fence("seq_cst")

    return types.void(), generate


@_or_plainly(lambda row, at: None)
def _prefetch(typing: Any, row: Any, at: Any) -> Any:
    """Prefetch the cache line with value ``at`` of a row, and do not wait for it."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> None:
        place = builder.gep(context.make_array(signature.args[0])(context, builder, arguments[0]).data, [arguments[1]])
        byte, word = ir.IntType(8).as_pointer(), ir.IntType(32)
        kind = ir.FunctionType(ir.VoidType(), [byte, word, word, word])
        fetch = cgutils.get_or_insert_function(builder.module, kind, "llvm.prefetch.p0i8")
        builder.call(fetch, [builder.bitcast(place, byte), word(0), word(3), word(1)])

    return types.void(row, types.intp), generate


@inline
def prefetch(row, first, last):
    """Have values ``first`` to ``last`` of a row come from memory meanwhile; they may lie beyond its end.

    By itself a processor reads on where loops follow one another closely: not beside counters that are added to,
    and not into a short run of the next row.
    """
    for at in range(first, last, LINE):
        _prefetch(row, at)


@subroutine
def _write_past(out, values):
    into = _bytes_into_line(out)
    head = min((-into & (4 * LINE - 1)) >> 2, out.shape[0])
    if into & 3:  # no value begins where a line does
        head = out.shape[0]
    for x in range(head):
        out[x] = values[x]
    lines = (out.shape[0] - head) // LINE
    body, source = out[head:], values[head:]
    for line in range(lines):
        _write_line(body, source, line * LINE)
    end, rest = body[lines * LINE :], source[lines * LINE :]
    for x in range(end.shape[0]):
        end[x] = rest[x]


@inline
def write(out, values, non_temporal):
    """Write finished values to their place ``out``, which is as long; large pictures by non-temporal stores."""
    if non_temporal:
        _write_past(out, values)
    else:
        for x in range(out.shape[0]):
            out[x] = values[x]


@inline
def store_fence(non_temporal):
    """End the writing of a strip: other threads may read it now."""
    if non_temporal:
        _fence()


@inline
def first_run(out, n, length):
    """Where the runs of a row of n components begin, 0 or before it, so that the others begin where a line does.

    What is cut to the row is a short first run: a line in two runs would be read before it is written.
    """
    values = (-_bytes_into_line(out) & (4 * LINE - 1)) >> 2
    pixels = (11 * values) & (LINE - 1) if n == 3 else values >> 2  # 3 · 11 pixels are 2 lines and a value
    return pixels - length if pixels else 0


@inline
def write_runs(work, row, matte, out, n, scratch, non_temporal, p):
    """Have ``work(row, matte, out, n, p)`` finish a row of n components run by run in ``scratch``, and write it."""
    for start in range(first_run(out, n, RUN), matte.shape[0], RUN):
        x0, x1 = max(start, 0), min(start + RUN, matte.shape[0])
        run = scratch[: n * (x1 - x0)]
        work(row[n * x0 : n * x1], matte[x0:x1], run, n, p)
        write(out[n * x0 : n * x1], run, non_temporal)
