"""Strips handed out by compiled code: every thread enters once a picture and stays, without the interpreter's lock.

A *job* lists stages in memory of plain 64-bit numbers. Each stage names a block that a strip kernel packed its
arguments into (:func:`.jit.pack`), how many strips it has, and for each of them how many strips of the stage before
must be done; where it writes into a ring of rows, also how many of the stage after, which reads them; and another stage
of which all strips must be done, if there is one. Threads take
strips by atomic counters. A thread that finds none that may begin holds none either: it looks again some times, then
yields to the system, then naps. Atomic instructions are LLVM's own and exist on every processor.

What waiting takes of the system is handed over as addresses, so that compiled code kept on disk knows no library.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types

from .jit import BLOCK_HEAD, inline, instruction, numba_config, strip_kernel

WORD = 8

# A job: its head, then a record for each stage. Offsets in bytes; what many threads write has cache lines of its own.
STAGES, MOST, FAILED, ENTERED, ENDED = 0, 8, 128, 256, 384
JOB_HEAD, RECORD = 512, 256
BLOCK, COUNT, STRIP_ROWS, ROWS, NEEDS, FLAGS, WAITS, WHOLE, BEGUN, DONE = 0, 8, 16, 24, 32, 40, 48, 56, 128, 192

# What all threads share: functions of the system, the jobs that are under way, and a record for each helper.
YIELD, NAP, ACQUIRE, RELEASE, HELPERS, STOP = 0, 8, 16, 24, 128, 136
SLOTS, SLOT_JOBS, SLOT_USERS = 32, 256, 512
HELPER_RECORDS, HELPER = SLOT_USERS + 128 * SLOTS, 128
ASLEEP, LOCK = 0, 64

_LOOKS, _YIELDS, _NAP = 60, 200, 50
"""How often a thread looks for work before it yields, and yields before it naps; microseconds of a nap."""

_HELPER_LOOKS, _HELPER_YIELDS = 200, 400
"""The same for a helper between two jobs, which then sleeps until it is woken."""

_WAKES = 3
"""Helpers that are woken by one: each of them wakes others, so that sixteen are up as soon as four."""


def _on_numbers(generate: Callable[[Any, list[Any]], Any], count: int) -> Any:
    """Make an instruction of compiled code that takes and returns 64-bit numbers."""

    def typed(*_: Any) -> Any:
        def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            return generate(builder, list(arguments))

        return types.int64(*[types.int64] * count), code

    return typed


_I64 = ir.IntType(64)


def _at(builder: Any, address: Any) -> Any:
    return builder.inttoptr(address, _I64.as_pointer())


@instruction
def load(typing: Any, address: Any) -> Any:
    """Return the number at an address."""
    return _on_numbers(lambda builder, a: builder.load_atomic(_at(builder, a[0]), "seq_cst", WORD), 1)()


@instruction
def store(typing: Any, address: Any, value: Any) -> Any:
    """Write a number to an address and return it."""

    def generate(builder: Any, a: list[Any]) -> Any:
        builder.store_atomic(a[1], _at(builder, a[0]), "seq_cst", WORD)
        return a[1]

    return _on_numbers(generate, 2)()


@instruction
def add(typing: Any, address: Any, value: Any) -> Any:
    """Add to the number at an address and return what it was."""
    return _on_numbers(lambda builder, a: builder.atomic_rmw("add", _at(builder, a[0]), a[1], "seq_cst"), 2)()


@instruction
def swap(typing: Any, address: Any, expected: Any, value: Any) -> Any:
    """Write a number where another one is expected; return 1 where that was there, else 0."""

    def generate(builder: Any, a: list[Any]) -> Any:
        found = builder.cmpxchg(_at(builder, a[0]), a[1], a[2], "seq_cst", "seq_cst")
        return builder.zext(builder.extract_value(found, 1), _I64)

    return _on_numbers(generate, 3)()


@inline
def claim(numbers, k):
    """Take number k of an array of 0; tell whether this thread is the first to take it."""
    return swap(np.int64(numbers.ctypes.data) + WORD * k, 0, 1) != 0


def _claim(numbers: Any, k: int) -> bool:
    first, numbers[k] = numbers[k] == 0, 1
    return bool(first)


if numba_config.DISABLE_JIT:
    claim = _claim  # one thread does all then


@instruction
def call_system(typing: Any, function: Any, first: Any, second: Any) -> Any:
    """Call a function of the system, at an address, with two numbers; it may take fewer."""

    def generate(builder: Any, a: list[Any]) -> Any:
        kind = ir.FunctionType(_I64, [_I64, _I64]).as_pointer()
        return builder.call(builder.inttoptr(a[0], kind), a[1:])

    return _on_numbers(generate, 3)()


@instruction
def call_strip(typing: Any, block: Any, y0: Any, y1: Any) -> Any:
    """Have the kernel that packed a block work on rows y0 to y1; return 0, or another number where it failed."""

    def generate(builder: Any, a: list[Any]) -> Any:
        kind = ir.FunctionType(ir.IntType(32), [_I64] * 3).as_pointer()
        function = builder.inttoptr(builder.load(_at(builder, a[0])), kind)
        arguments = builder.add(a[0], _I64(BLOCK_HEAD))
        return builder.zext(builder.call(function, [arguments, *a[1:]]), _I64)

    return _on_numbers(generate, 3)()


@inline
def _wait(shared, looked):
    """Let a little time pass, the more the longer a thread has looked for work in vain."""
    if looked > _LOOKS + _YIELDS:
        call_system(load(shared + NAP), _NAP, 0)
    elif looked > _LOOKS:
        call_system(load(shared + YIELD), 0, 0)


@inline
def _work_on(job, stage, at, k):
    """Work on strip k of a stage that this thread has taken, and tell the others."""
    rows, strip = load(stage + ROWS), load(stage + STRIP_ROWS)
    if load(job + FAILED) == 0 and call_strip(load(stage + BLOCK), k * strip, min((k + 1) * strip, rows)) != 0:
        swap(job + FAILED, 0, 1 + at)
    flags, count = load(stage + FLAGS), load(stage + COUNT)
    store(flags + WORD * k, 1)
    while True:  # whoever ends the first strip that is not done moves the end of the done ones on
        done = load(stage + DONE)
        if done >= count or load(flags + WORD * done) == 0:
            break
        swap(stage + DONE, done, done + 1)
    add(job + ENDED, 1)


@inline
def _course(shared, job):
    """Take strips, of the last stage that may go on first, until none is left to begin or one failed."""
    looked = 0
    while load(job + FAILED) == 0:
        left, at, took = False, load(job + STAGES) - 1, False
        while at >= 0 and not took:
            stage = job + JOB_HEAD + at * RECORD
            k = load(stage + BEGUN)
            if k < load(stage + COUNT):
                left = True
                waits, whole = load(stage + WAITS), load(stage + WHOLE)
                made = at == 0 or load(stage - RECORD + DONE) >= load(load(stage + NEEDS) + WORD * k)
                made = made and (whole == 0 or load(whole + DONE) >= load(whole + COUNT))
                if made and (waits == 0 or load(stage + RECORD + DONE) >= load(waits + WORD * k)):
                    took = True
                    if swap(stage + BEGUN, k, k + 1) != 0:
                        _work_on(job, stage, at, k)
            at -= 1
        if not left:
            break
        looked = 0 if took else looked + 1
        _wait(shared, looked)


@inline
def _wake(shared, job, count):
    """Wake up to so many helpers that sleep, while the job wants more."""
    helpers, who = load(shared + HELPERS), 0
    while who < helpers and count > 0 and load(job + ENTERED) < load(job + MOST):
        helper = shared + HELPER_RECORDS + who * HELPER
        if load(helper + ASLEEP) == 1 and swap(helper + ASLEEP, 1, 0) != 0:
            call_system(load(shared + RELEASE), load(helper + LOCK), 0)
            count -= 1
        who += 1


@inline
def _is_wanted(shared):
    """Tell whether any job under way wants helpers."""
    wanted = False
    for slot in range(SLOTS):
        wanted |= load(shared + SLOT_JOBS + WORD * slot) != 0
    return wanted


@strip_kernel
def enter(shared, job, slot):
    """Do a job, as its caller, or help with all jobs until told to stop. Returns 0, or 1 + the stage that failed.

    :param shared: address of what all threads share. :param job: of the job, which lies in a slot; -1 for a helper.
    :param slot: the job's slot, or -1 where nobody is to help; for a helper its own number.
    """
    if job == -1:
        own, looked, woken = shared + HELPER_RECORDS + slot * HELPER, 0, False
        while load(shared + STOP) == 0:
            looked += 1
            for other in range(SLOTS):
                found = shared + SLOT_JOBS + WORD * other
                if load(found) == 0:
                    continue
                add(shared + SLOT_USERS + 128 * other, 1)  # from here on the job's memory stays
                its = load(found)
                if its != 0:
                    if add(its + ENTERED, 1) < load(its + MOST):
                        if woken:
                            _wake(shared, its, _WAKES)
                        _course(shared, its)
                        woken, looked = False, 0
                        swap(found, its, 0)  # no strip of it is left to begin
                    elif load(found) == its:
                        swap(found, its, 0)  # all that it wants are there
                add(shared + SLOT_USERS + 128 * other, -1)
            if looked > _HELPER_LOOKS + _HELPER_YIELDS:
                store(own + ASLEEP, 1)
                if not _is_wanted(shared) or swap(own + ASLEEP, 1, 0) == 0:
                    call_system(load(shared + ACQUIRE), load(own + LOCK), 1)
                    woken = True
                looked = 0
            elif looked > _HELPER_LOOKS:
                call_system(load(shared + YIELD), 0, 0)
        return 0
    published = shared + SLOT_JOBS + WORD * slot
    if slot >= 0:
        store(published, job)
        _wake(shared, job, _WAKES)
    _course(shared, job)
    if slot >= 0:
        swap(published, job, 0)
    stages, looked = load(job + STAGES), 0
    while True:
        ended, begun = load(job + ENDED), 0  # in this order: what has begun since would be missed otherwise
        for at in range(stages):
            begun += load(job + JOB_HEAD + at * RECORD + BEGUN)
        if ended == begun:
            break
        looked += 1
        _wait(shared, looked)
    return load(job + FAILED)


@strip_kernel
def start(shared, job, slot, stages):
    """Let a job have so many stages, and have helpers begin where it lies in a slot; its caller enters it later."""
    store(job + STAGES, stages)
    if slot >= 0:
        store(shared + SLOT_JOBS + WORD * slot, job)
        _wake(shared, job, _WAKES)


@strip_kernel
def in_turn(block, rows, strip):
    """Have the kernel that packed a block work on one strip after the other. Returns 0, or 1 where one failed."""
    for y0 in range(0, rows, strip):
        if call_strip(block, y0, min(y0 + strip, rows)) != 0:
            return 1
    return 0
