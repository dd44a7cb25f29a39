"""Seeing: what pictures are looked at through, such as an output transform; files are written without it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ..shots.viewing import View, open_view, view_id
from ..transforms import COLOUR_SPACES


@dataclass(frozen=True)
class Seeing:
    """What pictures, scopes, readings and solves look through.

    :ivar name: as it was given, "" for nothing. :ivar id: tells it from others wherever its file lies.
    """

    view: View
    name: str = ""
    id: str = ""

    @classmethod
    def through(cls, name: str | None) -> Seeing:
        """Return the way of seeing by the name of a view. Raises InputError and ViewError."""
        return cls(open_view(name), name or "", view_id(name))

    @property
    def is_plain(self) -> bool:
        """Whether pictures are looked at as they are."""
        return not self.id

    @property
    def label(self) -> str:
        """Its name as people read it."""
        return self.name if self.name.startswith(COLOUR_SPACES) else Path(self.name).name


PLAIN = Seeing(lambda picture: picture)
"""Pictures as they are."""
