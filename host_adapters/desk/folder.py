"""The opened folder: the clips in it, and the one door through which names from the page become paths."""

from __future__ import annotations

import contextlib
import os
import re
from pathlib import Path

from ..made import is_noted
from ..media.files import InputError
from ..media.pictures import FORMATS
from ..media.video_format import READ_SUFFIXES
from ..sequences import SequencePattern
from .errors import DeskError, OutsideError
from .reel import Footage, Reel

MOST_CLIPS = 500
NOTES = ".desk.json"
"""What is appended to the name of a clip or graph for the notes that lie beside it."""

_LONGEST_NAME = 200
"""Bytes of a name, with room for what is put before and behind it."""

_LONE = re.compile("[\ud800-\udc7f\udd00-\udfff]")
"""What stands for no byte of a name."""

_NUMBERED = re.compile(r"(.*?)(\d{2,})(\.[^.]+)")


class Folder:
    """The folder that was opened, and the folder that results go to; nothing outside them is read or written.

    :ivar clips: the folder with the clips. :ivar results: where graphs, notes, stills and renders go.
    :ivar footage: how clips are read.
    """

    def __init__(self, clips: Path, results: Path | None = None, footage: Footage | None = None) -> None:
        self.footage = (footage or Footage()).checked()
        self.clips = Path(os.path.realpath(clips))
        self.results = Path(os.path.realpath(results)) if results is not None else self.clips

    @classmethod
    def holding(
        cls, target: Path, results: Path | None = None, footage: Footage | None = None
    ) -> tuple[Folder, str | None]:
        """Return the folder of a clip or folder, and the clip's name where one was named.

        Raises InputError where there is neither.
        """
        if target.is_dir():
            folder = cls(target, results, footage)
            names = folder.clip_names()
            if not names:
                raise InputError(f"{target} holds no clip that can be opened: name a folder with pictures or video.")
            return folder, None
        if not target.parent.is_dir():
            raise InputError(f"{target.parent} is not a folder: check the name.")
        return cls(target.parent, results, footage), target.name

    def clip_names(self) -> list[str]:
        """Return the clips in the folder by name, a numbered sequence of two pictures and more as one."""
        names = sorted(entry.name for entry in os.scandir(self.clips) if entry.is_file() and entry.name[0] != ".")
        found: dict[str, list[str]] = {}
        for name in names:
            suffix = Path(name).suffix.lower()
            if suffix in READ_SUFFIXES:
                found[name] = [name]
            elif suffix in FORMATS:
                found.setdefault(_sequence_name(name), []).append(name)
        return [pattern if len(files) > 1 else files[0] for pattern, files in found.items()][:MOST_CLIPS]

    def _meant(self, root: Path, name: str) -> str:
        """Return the name that was shown so."""
        if "\\x" in name and not os.path.lexists(root / name):
            with contextlib.suppress(OSError):
                for entry in os.scandir(root):
                    found = _sequence_name(entry.name)
                    for given in (entry.name, found):
                        if given != shown(given) and name.startswith(shown(given)):
                            return given + name[len(shown(given)) :]
        return name

    def originals(self) -> list[Path]:
        """Return the clips in the folder that were not made here."""
        return [path for path in map(self.clip_path, self.clip_names()) if not is_noted(_first_of(path))]

    def is_there(self, path: Path) -> bool:
        """Tell whether a file, or any of a sequence, is there already."""
        return _first_of(path).exists()

    def clip_path(self, name: str) -> Path:
        """Return the path of a clip to read. Raises OutsideError, and InputError where there is none."""
        path = self._inside(self.clips, name)
        if not path.is_file() and SequencePattern.parse(path) is None:
            raise InputError(f"There is no clip {name!r} in {self.clips}.")
        return path

    def reel(self, name: str) -> Reel:
        """Return a clip as it is opened. Raises OutsideError, and InputError where there is none."""
        path = self.clip_path(name)
        return self.footage.reel(path, self.notes_path(path.name), self.result_path(self.graph_name(path.name)))

    def result_path(self, name: str) -> Path:
        """Return the path of a file to write, or of a graph to read. Raises OutsideError."""
        return self._inside(self.results, name)

    def notes_path(self, name: str) -> Path:
        """Return where the notes of a clip or graph lie."""
        return self._inside(self.results, name + NOTES)

    def beside(self, name: str, ending: str) -> Path:
        """Return where something else about a clip lies, beside its notes."""
        return self._inside(self.results, name + NOTES.removesuffix(".json") + ending)

    def statuses_path(self) -> Path:
        """Return where it lies how carried corrections sit on the other clips."""
        return self._inside(self.results, "statuses" + NOTES)

    def graph_name(self, clip: str) -> str:
        """Return the name under which a clip's graph is saved unless another is chosen."""
        pattern = SequencePattern.parse(self.clips / clip)
        stem = Path(clip).stem if pattern is None else pattern.before.rstrip("._-") or "graph"
        return stem + ".json"

    def _inside(self, root: Path, name: str) -> Path:
        if not name or "\0" in name or len(name) > 1000:
            raise DeskError("A file needs a name.")
        try:
            os.fsencode(name)
        except UnicodeEncodeError:
            raise DeskError(f"{name[:60]!a} is no name for a file: leave out what is no letter.") from None
        name = self._meant(root, name)
        if max(len(os.fsencode(part)) for part in name.split("/")) > _LONGEST_NAME:
            raise DeskError(f"A file's name may have at most {_LONGEST_NAME} bytes.")
        path = Path(os.path.realpath(root / name))
        if root != path.parent and root not in path.parents:
            raise OutsideError(f"{name!r} lies outside the opened folder {root}: name a file inside it.")
        return path


def shown(name: str) -> str:
    """Return a name as the page can show and send it: bytes that are no UTF-8 stand as ``\\xfc`` in it."""
    how = "replace" if _LONE.search(name) else "surrogateescape"
    return name.encode("utf-8", how).decode("utf-8", "backslashreplace")


def _first_of(path: Path) -> Path:
    pattern = SequencePattern.parse(path)
    found = pattern.find_if_any() if pattern is not None else []
    return pattern.path(found[0]) if pattern is not None and found else path


def _sequence_name(name: str) -> str:
    """Return the pattern that a numbered picture would belong to, or its own name."""
    match = _NUMBERED.fullmatch(name)
    if match is None:
        return name
    before, number, after = match.groups()
    return f"{before}%0{len(number)}d{after}"
