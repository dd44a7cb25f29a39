"""Names of numbered files, one picture a frame, and the check that an input is there."""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from ..kernels.errors import InkarnatError


class InputError(InkarnatError):
    """An input is missing or unreadable."""

    exit_code: ClassVar[int] = 3


def check_input(path: Path | str) -> Path:
    """Return the path after checking that it is a file with something in it.

    Raises InputError for a missing, empty or unreadable file or a folder.
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise InputError(f"{path} is a folder: name a file, or a sequence such as {path / 'shot.%04d.exr'}.")
        with path.open("rb") as file:
            if not file.read(1):
                raise InputError(f"{path} is empty (0 bytes): copy or export it again.")
    except FileNotFoundError:
        if path.is_symlink():
            text = f"{path} is a link to {path.readlink()}, which does not exist: mend the link, or name the file."
            raise InputError(text) from None
        raise InputError(f"{path} does not exist: check the name.") from None
    except OSError as error:
        fix = " Links lead in a circle: name the file." if error.errno == errno.ELOOP else ""
        raise InputError(f"{path} cannot be read: {error.strerror or error}.{fix}") from None
    return path


class PatternError(InkarnatError, ValueError):
    """A name of numbered files that cannot be."""


PICTURES = (".exr", ".dpx", ".tif", ".tiff", ".png", ".jpg", ".jpeg")
VIDEOS = (".mov", ".mp4", ".m4v", ".mkv")
FOOTAGE = frozenset(
    (*PICTURES, *VIDEOS, ".avi", ".mxf", ".mts", ".m2ts", ".ts", ".webm", ".mpg", ".mpeg", ".dv", ".wmv", ".3gp")
)
"""Suffixes of what holds pictures: no text is ever written under such a name."""

MOST_DIGITS = 20

_PLACE = re.compile(r"#+|%(?:0(\d+))?d")


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # such as a name that is too long to be one
        return False


@dataclass(frozen=True)
class SequencePattern:
    """The name of a picture sequence: what stands before and after the frame number, and its least width."""

    folder: Path
    before: str
    width: int
    after: str

    @classmethod
    def parse(cls, path: Path | str) -> SequencePattern | None:
        """Read a path with ``%04d``, ``%d`` or ``####`` in its file name; None where there is no such place.

        Raises PatternError for more digits than a file's name could hold.
        """
        path = Path(path)
        places = list(_PLACE.finditer(path.name))
        if not places or _is_file(path):
            return None
        place = places[-1]
        digits = place[1] or "1"
        width = len(place[0]) if place[0].startswith("#") else int(digits[:9]) if digits.isascii() else 1
        if width > MOST_DIGITS:
            raise PatternError(f"{path.name[:60]!r} asks for more than {MOST_DIGITS} digits: write %04d or ####.")
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

    def find_if_any(self) -> list[int]:
        """Return the numbers of the frames that exist, rising; none where there is no such folder."""
        try:
            return self.find()
        except InputError:
            return []

    def frame_of(self, name: str) -> int | None:
        """Return the number of the frame that a file's name stands for; None where it is none of these."""
        match = re.fullmatch(re.escape(self.before) + r"(-?\d+)" + re.escape(self.after), name)
        if match is None:
            return None
        frame = int(match[1])
        return frame if self.path(frame).name == name else None

    def meets(self, other: SequencePattern, frames: Collection[int] | None) -> bool:
        """Tell whether two sequences in one folder have a file in common.

        :param frames: those that are meant; None for any.

        >>> one, other = (SequencePattern.parse(name) for name in ("a.%d.png", "a.%04d.png"))
        >>> one.meets(other, range(1, 100)), one.meets(other, range(900, 1100)), one.meets(other, None)
        (False, True, True)
        """
        if not (self.before.startswith(other.before) or other.before.startswith(self.before)):
            return False
        if not (self.after.endswith(other.after) or other.after.endswith(self.after)):
            return False
        if frames is None or (self.before, self.width, self.after) == (other.before, other.width, other.after):
            return True
        return not {self.path(frame).name for frame in frames}.isdisjoint({other.path(frame).name for frame in frames})

    def __str__(self) -> str:
        return str(self.folder / f"{self.before}{'%d' if self.width == 1 else f'%0{self.width}d'}{self.after}")


def behind(path: Path) -> Path:
    """Return the file that is written under a name: what it points to, where it is a link."""
    return Path(os.path.realpath(path)) if path.is_symlink() else path


def spelled(output: Path | str) -> Path:
    """Return the one spelling of an output's name, by which go the files that lie beside it.

    Behind a link it is the file that is written, and a numbered picture has its digits as ``%04d``.

    >>> [spelled(name).name for name in ("./a.####.png", "a.%04d.png", "a.%d.png", "a.#.png", "a.mov")]
    ['a.%04d.png', 'a.%04d.png', 'a.%d.png', 'a.%d.png', 'a.mov']
    """
    path = behind(Path(output))
    pattern = SequencePattern.parse(path) if path.suffix.lower() in PICTURES else None
    return path if pattern is None else Path(str(pattern))
