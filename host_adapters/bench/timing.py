"""Timing: many rows of work in one run, taken in turn, so that what slows the machine slows them all."""

from __future__ import annotations

import os
import platform
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from ...kernels import colour
from ...kernels.strips import threads as use_threads

OURS = "inkarnat"

Work = Callable[[], Any]


@dataclass(frozen=True)
class Row:
    """One thing to time.

    :ivar library: whose code runs. :ivar threads: how many it may use. :ivar prepare: called before each timed run,
        outside the time.
    """

    name: str
    library: str
    threads: int
    work: Work = field(compare=False)
    prepare: Work | None = field(default=None, compare=False)

    @property
    def key(self) -> tuple[str, str, int]:
        """What tells this row from all others of a run."""
        return self.name, self.library, self.threads


@dataclass(frozen=True)
class Timed:
    """A row and its seconds in every round."""

    row: Row
    seconds: tuple[float, ...]

    @property
    def median(self) -> float:
        """The median of the rounds, in seconds."""
        return statistics.median(self.seconds)


def time_rows(
    rows: Sequence[Row],
    rounds: int,
    tell: Callable[[str], None] | None = None,
    slow: float = 0.4,
    clock: Callable[[], float] = time.perf_counter,
) -> list[Timed]:
    """Run every row once to warm up, then all of them in turn, round after round.

    Rows that take more than ``slow`` seconds sit out every round but the first two. Rows of one thread count stand
    together, so that the pool of threads is made once a round and not while a row is timed.
    """
    seconds: dict[tuple[str, str, int], list[float]] = {row.key: [] for row in rows}
    ordered = sorted(rows, key=lambda row: row.threads)
    for turn in range(rounds + 1):
        if tell is not None:
            tell("warming up" if turn == 0 else f"round {turn} of {rounds}")
        for count in sorted({row.threads for row in rows}):
            with use_threads(count):
                _wake_threads()
                for row in (row for row in ordered if row.threads == count):
                    taken = seconds[row.key]
                    if len(taken) > 2 and min(taken) > slow:
                        continue
                    taken.append(_once(row, clock))
    return [Timed(row, tuple(seconds[row.key][1:])) for row in rows]


def _once(row: Row, clock: Callable[[], float]) -> float:
    if row.prepare is not None:
        row.prepare()
    began = clock()
    row.work()
    return clock() - began


def _wake_threads() -> None:
    colour.luma(np.zeros((512, 8, 3), np.float32))


def describe_machine() -> dict[str, Any]:
    """Return what a figure must be read with: processor, cores, system and the versions of the compilers."""
    from importlib.metadata import version

    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return {
        "processor": _processor(),
        "cores": cores,
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
        **{package: version(package) for package in ("numpy", "numba")},
    }


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor() or "unknown"
    names = (line.partition(":")[2].strip() for line in lines if line.startswith("model name"))
    return next(names, platform.processor() or "unknown")
