"""The errors of graphs and of running them, and the exit code that each error means on the command line."""

from __future__ import annotations

import reprlib
import traceback
from pathlib import Path

from ...kernels.errors import InkarnatError

WRONG_USE, SOME_FRAMES_FAILED, STOPPED, UNEXPECTED = 2, 4, 130, 1


class GraphError(InkarnatError, ValueError):
    """A graph that cannot be used: it names the node, the parameter or port, what was given and what is allowed."""


class NodeError(InkarnatError, RuntimeError):
    """A node that failed while it worked on a frame."""


class FramesError(InkarnatError, RuntimeError):
    """Every frame of a run failed."""

    exit_code = SOME_FRAMES_FAILED


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
