"""Seeing: what pictures are looked at through, such as an output transform; files are written without it."""

from __future__ import annotations

import contextlib
import threading
from dataclasses import dataclass, field
from pathlib import Path

from ...kernels.errors import InkarnatError
from ..shots.viewing import View, open_view, view_id
from ..transforms import COLOUR_SPACES
from .plate import Stamp, stamp_of


@dataclass
class Seeing:
    """What pictures, scopes, readings and solves look through, as its file lies there now.

    :ivar name: as it was given, "" for nothing. :ivar id: tells it from others wherever its file lies.
    """

    view: View
    name: str = ""
    id: str = ""
    _stamp: Stamp | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @classmethod
    def through(cls, name: str | None) -> Seeing:
        """Return the way of seeing by the name of a view. Raises InputError and ViewError."""
        stamp = stamp_of(Path(name)) if name else None
        return cls(open_view(name), name or "", view_id(name), stamp)

    def look_again(self) -> bool:
        """Take the view up anew where its file was changed, and tell whether it is another now.

        A file that is gone, or cannot be read, leaves the view as it is.
        """
        with self._lock:
            if self._stamp is None or (stamp := stamp_of(Path(self.name))) in (None, self._stamp):
                return False
            self._stamp, before = stamp, self.id
            with contextlib.suppress(InkarnatError):
                self.view, self.id = open_view(self.name), view_id(self.name)
            return self.id != before

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
