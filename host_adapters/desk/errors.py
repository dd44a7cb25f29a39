"""The errors of the desk, each with the status that the page is told."""

from __future__ import annotations

import logging
from typing import ClassVar

from ...kernels.errors import InkarnatError
from ..graphs.errors import place_of, root_of
from ..logs import VARIABLE

log = logging.getLogger("inkarnat.desk")


class DeskError(InkarnatError, ValueError):
    """A request that the desk cannot carry out; it says what was asked, what is allowed, and the fix."""

    status: ClassVar[int] = 400


class OutsideError(DeskError):
    """A path that leaves the opened folders."""

    status: ClassVar[int] = 403


class OwnedError(DeskError):
    """The notes of the clip belong to another desk."""

    status: ClassVar[int] = 423


class ExistsError(DeskError):
    """A file of that name is there already and was not asked to be replaced."""

    status: ClassVar[int] = 409


def told_fault(error: Exception) -> str:
    """Log a fault of the program with its traceback, and return what to tell of it: what it is and where."""
    first = root_of(error)
    text = f"This is a fault of the program: {type(first).__name__} at {place_of(first)}: {first}"
    log.error("%s", text, exc_info=error)
    return f"{text}. Your work is kept. Started with {VARIABLE}=1, the desk shows more."
