"""The speed that is aimed at: one table, and whether a run meets it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol


class Figures(Protocol):
    """What a target asks of a run."""

    def milliseconds(self, row: str, threads: int, library: str = ..., size: str = ...) -> float | None:
        """The median of a row, or None where the run has no such row."""

    @property
    def copy(self) -> float:
        """Milliseconds of the frame copy with one thread."""


Figure = Callable[[Figures], float | None]


@dataclass(frozen=True)
class Target:
    """One figure that is aimed at.

    :ivar limit: the most that is wanted, or with ``at_least`` the least.
    """

    says: str
    figure: Figure
    limit: float
    at_least: bool = False

    def judge(self, figures: Figures) -> Judged:
        """Return the target with what was measured."""
        return Judged(self, self.figure(figures))


@dataclass(frozen=True)
class Judged:
    """A target and what was measured; None where the run lacks a row for it."""

    target: Target
    value: float | None

    @property
    def verdict(self) -> str:
        """Met, not met, or not measured."""
        if self.value is None:
            return "not measured"
        met = self.value >= self.target.limit if self.target.at_least else self.value <= self.target.limit
        return "met" if met else "not met"

    def as_dict(self) -> dict[str, Any]:
        """Return target, value and verdict as JSON data."""
        bound = "at_least" if self.target.at_least else "at_most"
        return {"target": self.target.says, bound: self.target.limit, "value": self.value, "verdict": self.verdict}


def _of_copy(row: str, threads: int = 2) -> Figure:
    def figure(run: Figures) -> float | None:
        own = run.milliseconds(row, threads)
        return None if own is None else own / run.copy

    return figure


def _quotient(above: Callable[[Figures], float | None], below: Callable[[Figures], float | None]) -> Figure:
    def figure(run: Figures) -> float | None:
        first, second = above(run), below(run)
        return None if first is None or second is None else first / second

    return figure


def _time(row: str, threads: int, library: str = "inkarnat", size: str = "") -> Figure:
    return lambda run: run.milliseconds(row, threads, library, size)


def _chain_time(chain: str, threads: int) -> Figure:
    """Time of a frame of a chain in a run: fused where there is such a kernel."""
    return lambda run: run.milliseconds(f"fused {chain}", threads) or run.milliseconds(f"run of the {chain}", threads)


def _times_faster(than: str, chain: str, threads: int = 2) -> Figure:
    """How many times longer another library takes for a chain, both with as many threads."""
    return _quotient(_time(chain, threads, than), _chain_time(chain, threads))


def _of_chain(chain: str) -> tuple[Target, ...]:
    """What is aimed at for the plain chain and, beyond it, for the one with the default softening."""
    return (
        Target(f"fused {chain}, of a copy", _of_copy(f"fused {chain}"), 2.0),
        Target(f"fused {chain} with scopes, of a copy", _of_copy(f"fused {chain} + scopes"), 3.5),
        Target(f"{chain} node by node, of a copy", _of_copy(chain), 4.5),
        Target(f"{chain}, times faster than OpenCV", _times_faster("OpenCV", chain), 13.0, at_least=True),
        Target(f"{chain}, times faster than OpenCV, tuned", _times_faster("OpenCV, tuned", chain), 7.0, at_least=True),
        Target(
            f"{chain}, times faster than NumPy/SciPy, one thread",
            _times_faster("NumPy/SciPy", chain, 1),
            18.0,
            at_least=True,
        ),
    )


def _against(row: str, library: str, threads: int = 2) -> Figure:
    return _quotient(_time(row, threads), _time(row, threads, library))


def _growth(row: str, small: str, large: str, threads: int = 2) -> Figure:
    """Time for a pixel at the larger size as a multiple of that at the smaller: both rows count per pixel."""
    return _quotient(_time(row, threads, size=large), _time(row, threads, size=small))


_PIXELWISE = ("range key", "compact key", "table key", "steer", "balance", "tone curve", "cdl")

TARGETS = (
    *_of_chain("plain chain"),
    *_of_chain("chain"),
    *(Target(f"{row}, of a copy", _of_copy(row), 1.2) for row in _PIXELWISE),
    Target("full quality, of a copy", _of_copy("full quality"), 8.0),
    Target("fused full quality, of a copy", _of_copy("fused full quality"), 8.0),
    Target("run of the full quality, of a copy", _of_copy("run of the full quality"), 8.0),
    Target("blur σ 2, of OpenCV's time", _against("blur σ 2", "OpenCV, tuned"), 1.05),
    Target("grow r 4, of OpenCV's time", _against("grow r 4", "OpenCV, tuned"), 1.05),
    Target("blur σ 200, of blur σ 12", _quotient(_time("blur σ 200", 2), _time("blur σ 12", 2)), 1.5),
    Target("a pixel at 4320p, of one at 1080p", _growth("a pixel of the chain", "1080p", "4320p"), 1.1),
    Target("two threads, times one", _quotient(_chain_time("chain", 1), _chain_time("chain", 2)), 1.85, at_least=True),
)
"""For 2160p RGB float32 and two threads. Of a copy: as a multiple of one thread's copy of the frame in the same run."""

GAINS = {2: 1.85, 16: 9.0}
"""How many times faster than with one thread a row is to be, by threads, where it is not bound by memory."""

MEMORY_BOUND = 1.4
"""A row that takes at most so many times as long as the machine's fastest copy of the frame is bound by memory."""
