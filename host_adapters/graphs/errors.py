"""The errors of graphs and of running them, and the exit code that each error means on the command line."""

from __future__ import annotations

import reprlib

from ...kernels.errors import InkarnatError

WRONG_USE, SOME_FRAMES_FAILED, STOPPED, UNEXPECTED = 2, 4, 130, 1


class GraphError(InkarnatError, ValueError):
    """A graph that cannot be used: it names the node, the parameter or port, what was given and what is allowed."""


class NodeError(InkarnatError, RuntimeError):
    """A node that failed while it worked on a frame."""


class FramesError(InkarnatError, RuntimeError):
    """Every frame of a run failed."""

    exit_code = SOME_FRAMES_FAILED


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
