"""The errors of the desk, each with the status that the page is told."""

from __future__ import annotations

from typing import ClassVar

from ...kernels.errors import InkarnatError


class DeskError(InkarnatError, ValueError):
    """A wish that the desk cannot follow; it says what was asked, what is allowed, and the mend."""

    status: ClassVar[int] = 400


class OutsideError(DeskError):
    """A path that leaves the opened folders."""

    status: ClassVar[int] = 403


class ExistsError(DeskError):
    """A file of that name is there already and was not asked to be replaced."""

    status: ClassVar[int] = 409
