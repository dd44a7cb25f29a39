"""Names of numbered files, one picture a frame, and the error of an input that is not there."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from ..kernels.errors import InkarnatError


class InputError(InkarnatError):
    """An input is missing or unreadable."""

    exit_code: ClassVar[int] = 3


_PLACE = re.compile(r"#+|%(?:0(\d+))?d")


@dataclass(frozen=True)
class SequencePattern:
    """The name of a picture sequence: what stands before and after the frame number, and its least width."""

    folder: Path
    before: str
    width: int
    after: str

    @classmethod
    def parse(cls, path: Path | str) -> SequencePattern | None:
        """Read a path with ``%04d``, ``%d`` or ``####`` in its file name; None where there is no such place."""
        path = Path(path)
        places = list(_PLACE.finditer(path.name))
        if not places or path.is_file():
            return None
        place = places[-1]
        width = len(place[0]) if place[0].startswith("#") else int(place[1] or 1)
        return cls(path.parent, path.name[: place.start()], width, path.name[place.end() :])

    def path(self, frame: int) -> Path:
        """Return the path of one frame."""
        return self.folder / f"{self.before}{frame:0{self.width}d}{self.after}"

    def find(self) -> list[int]:
        """Return the numbers of the frames that exist, rising. Raises InputError for a missing folder."""
        place = re.compile(re.escape(self.before) + r"(-?\d+)" + re.escape(self.after))
        try:
            names = os.listdir(self.folder)
        except OSError as error:
            raise InputError(f"{self.folder} cannot be read: {error.strerror}; check the folder's name.") from None
        numbers = {int(match[1]) for name in names if (match := place.fullmatch(name))}
        return sorted(number for number in numbers if self.path(number).name in set(names))

    def __str__(self) -> str:
        return str(self.folder / f"{self.before}%0{self.width}d{self.after}")
