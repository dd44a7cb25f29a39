"""The errors of graphs and of running them, and the exit code that each error means on the command line."""

from __future__ import annotations

import reprlib
import traceback
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from ...kernels.errors import InkarnatError

T = TypeVar("T")

WRONG_USE, SOME_FRAMES_FAILED, STOPPED, ENDED, UNEXPECTED = 2, 4, 130, 143, 1


class GraphError(InkarnatError, ValueError):
    """A graph that cannot be used: it names the node, the parameter or port, what was given and what is allowed.

    :ivar problems: all that is wrong, a sentence or two each.
    """

    def __init__(self, *problems: str) -> None:
        super().__init__(*problems)
        self.problems = problems

    def __str__(self) -> str:
        if len(self.problems) < 2:
            return "".join(self.problems)
        listed = " ".join(f"({number}) {problem}" for number, problem in enumerate(self.problems, start=1))
        return f"{len(self.problems)} things are wrong. {listed}"

    def within(self, place: str) -> GraphError:
        """Return the error with the place, such as a file or a node, before each problem."""
        return GraphError(*(f"{place}: {problem}" for problem in self.problems))


class Problems:
    """What is wrong with something that is read in several steps, each of which may fail."""

    def __init__(self) -> None:
        self.found: list[str] = []

    def of(self, step: Callable[..., T], *given: Any, instead: Any = None) -> T:
        """Return what a step returns; where it raises an error of ours, note it and return ``instead``."""
        try:
            return step(*given)
        except InkarnatError as error:
            self.found += error.problems if isinstance(error, GraphError) else (str(error),)
        result: T = instead
        return result

    def raise_any(self) -> None:
        """Raise GraphError where anything was found."""
        if self.found:
            raise GraphError(*dict.fromkeys(self.found))


class NodeError(InkarnatError, RuntimeError):
    """A node that failed while it worked on a frame."""


class FramesError(InkarnatError, RuntimeError):
    """Every frame of a run failed."""

    exit_code = SOME_FRAMES_FAILED

    @classmethod
    def of(cls, failed: Mapping[int, str]) -> FramesError:
        """Return the error of a run of which no frame was done, with the first reason."""
        return cls(f"No frame could be rendered. {next(iter(failed.values()), '')}".rstrip())


def root_of(error: BaseException) -> BaseException:
    """Return the error that another one was made from, the first of all."""
    while error.__cause__ is not None:
        error = error.__cause__
    return error


def is_fault(error: BaseException) -> bool:
    """Tell whether an error is a fault of the program: neither one of ours, nor a node's that failed by one of ours."""
    first = root_of(error) if isinstance(error, NodeError | FramesError) else error
    return not isinstance(first, InkarnatError)


def place_of(error: BaseException) -> str:
    """Return where an error was raised, as ``file.py:line in function``; an empty string where nobody knows."""
    steps = traceback.extract_tb(error.__traceback__)
    return f"{Path(steps[-1].filename).name}:{steps[-1].lineno} in {steps[-1].name}" if steps else ""


def exit_code(error: BaseException) -> int:
    """Return the exit code for an error: 2 wrong use, 3 an input, 4 some frames, 5 an output, 1 a fault of ours."""
    if isinstance(error, InkarnatError):
        return int(getattr(error, "exit_code", WRONG_USE))
    return UNEXPECTED


_short = reprlib.Repr()
_short.maxstring = _short.maxother = 60
_short.maxlevel = 3


def shown(value: object) -> str:
    """Return a value as it may stand in a message: one short line, whatever it is."""
    try:
        return _short.repr(value)
    except (ValueError, RecursionError):
        return f"a {type(value).__name__}"
