"""The journal of a run: what is complete, with size and hash, as lines that are only ever added."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from ...kernels.errors import InkarnatError
from ..made import journals_of
from ..media.clips import Frames, parse_frames
from ..media.pictures import read_picture
from ..media.video_read import VideoReader
from ..sequences import VIDEOS, SequencePattern, spelled
from ..writes import OutputError, output_error
from .plates import Known, Plate, Used

_BLOCK = 1 << 20


@dataclass(frozen=True)
class Stamp:
    """What tells a complete file: its size in bytes and the SHA-256 of its content."""

    size: int
    sha256: str

    @classmethod
    def of(cls, path: Path) -> Stamp:
        """Read a file's stamp. Raises OutputError where it is gone or cannot be read back."""
        try:
            with path.open("rb") as file:
                digest = hashlib.sha256()
                while block := file.read(_BLOCK):
                    digest.update(block)
                return cls(file.tell(), digest.hexdigest())
        except OSError as error:
            raise output_error(path, error) from error

    def fits(self, path: Path) -> bool:
        """Tell whether a file is there and has this size and content."""
        try:
            return path.stat().st_size == self.size and Stamp.of(path) == self
        except (OSError, OutputError):
            return False


# --- the journal --------------------------------------------------------------------------------------------


class Journal:
    """Lines of JSON, one for each thing that was completed; lines are only ever added.

    :param before: journals that are read as well: the same output's, as earlier versions called them.

    ``{"run": identity, "frames": …, …}`` opens a run; what follows belongs to it:
    ``{"plate": "plate", "number": "17", "file": [size, times, inode, device, machine, content]}`` a plate was read;
    ``{"frame": 17, "files": {"result": {"size": …, "sha256": …}}, "plates": {"plate": {"17": content}}}`` a frame's
    pictures are in place, made from these plates;
    ``{"segment": "1-12", "files": …}`` a part of a video is; ``{"failed": 18, "reason": …}`` a frame failed;
    ``{"joined": "1-100", "files": …}`` a video has its name; ``{"ended": …}`` the run came to its end.

    A line that was cut off by a crash is passed over when the journal is read.

    :ivar frames, joined: the stamps of files by output and frame, or range. :ivar used: what a frame was made from.
    :ivar summaries: the hash of what the frames of a joined video were made from. Both lack what a version before
        completed. :ivar known: the plates that were read. :ivar runs: identities of the runs it holds.
    """

    def __init__(self, path: Path, identity: str, older: Collection[str] = (), before: Iterable[Path] = ()) -> None:
        self.path, self.identity, self.older = path, identity, older
        self.before = tuple(each for each in before if each != path)
        self.frames: dict[tuple[str, int], Stamp] = {}
        self.joined: dict[tuple[str, str], Stamp] = {}
        self.used: dict[int, Used] = {}
        self.summaries: dict[tuple[str, str], str] = {}
        self.known = Known()
        self.runs: set[str] = set()
        self._file: Any = None

    def read(self) -> bool:
        """Take in what earlier runs of the same identity completed; False where there is no journal at all."""
        there = [self._read(path) for path in (*self.before, self.path)]
        return any(there)

    def _read(self, path: Path) -> bool:
        mine = False
        try:
            for entry in _entries(path):
                if "run" in entry:
                    self.runs.add(str(entry["run"]))
                    mine = entry["run"] == self.identity or entry["run"] in self.older
                elif "plate" in entry:
                    with contextlib.suppress(TypeError, ValueError, KeyError):
                        self.known.add(Plate.from_list(entry["file"]))
                elif mine:
                    self._take(entry)
            return True
        except FileNotFoundError:
            return False
        except OSError as error:
            raise output_error(path, error) from error

    def _take(self, entry: dict[str, Any]) -> None:
        with contextlib.suppress(TypeError, ValueError, AttributeError):
            for name, stamp in entry.get("files", {}).items():
                if "frame" in entry:
                    frame = int(entry["frame"])
                    self.frames[name, frame] = Stamp(**stamp)
                    self.used.pop(frame, None)
                    if "plates" in entry:
                        self.used[frame] = {str(k): dict(v) for k, v in entry["plates"].items()}
                elif "joined" in entry:
                    joined = (name, str(entry["joined"]))
                    self.joined[joined] = Stamp(**stamp)
                    self.summaries[joined] = str(entry.get("plates", ""))

    def open(self, **about: Any) -> None:
        """Begin a run. Raises OutputError."""
        try:
            self._file = self.path.open("ab+", buffering=0)
            length = self._file.seek(0, os.SEEK_END)
            self._file.seek(max(0, length - 1))
            torn = self._file.read(1) not in (b"", b"\n")
        except OSError as error:
            raise output_error(self.path, error) from error
        if torn:
            self._put(b"\n")
        self.write(run=self.identity, **about)

    def write(self, **entry: Any) -> None:
        """Add a line. Raises OutputError.

        It is not forced to the disk: a line that a power cut takes means a frame that is rendered once more.
        """
        files = entry.get("files")
        if files is not None:
            entry["files"] = {name: asdict(stamp) for name, stamp in files.items()}
        self._put((json.dumps(entry, ensure_ascii=False) + "\n").encode())

    def write_plate(self, name: str, number: str, plate: Plate) -> None:
        """Add a line on a plate, where it says something new. Raises OutputError."""
        if self.known.add(plate):
            self.write(plate=name, number=number, file=plate.as_list())

    def _put(self, line: bytes) -> None:
        try:
            if self._file.write(line) != len(line):
                raise OSError(errno.ENOSPC, "")
        except OSError as error:
            raise output_error(self.path, error) from error

    def close(self) -> None:
        """Let go of the file."""
        if self._file is not None:
            self._file.close()

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def submitted(outputs: Iterable[Path | str]) -> Callable[[Path, int | None], bool]:
    """Return what tells of a file, of a sequence that of a frame, whether an earlier run beside it was to write it.

    What that run completed counts as long as it is damaged: a whole picture of other content is somebody's work.
    """
    ranges: dict[str, list[Frames]] = {}
    complete: set[tuple[str, int | None]] = set()
    for journal in dict.fromkeys(journal for path in outputs for journal in journals_of(Path(path))):
        names: dict[str, str] = {}
        with contextlib.suppress(OSError):
            for entry in _entries(journal):
                if isinstance(entry.get("outputs"), dict) and "run" in entry:
                    with contextlib.suppress(InkarnatError):
                        names = {name: spelled(str(output)).name for name, output in entry["outputs"].items()}
                        frames = parse_frames(str(entry.get("frames", "")))
                        for file in names.values():
                            ranges.setdefault(file, []).append(frames)
                elif "frame" in entry or "joined" in entry:
                    complete |= {(names.get(name, ""), entry.get("frame")) for name in entry.get("files", ())}

    def was(path: Path, frame: int | None) -> bool:
        files = [spelled(path).name] if frame is None else [name for name in ranges if _is_frame(path, frame, name)]
        begun = [name for name in files if any(frame is None or frame in frames for frames in ranges.get(name, ()))]
        return bool(begun) and not (any((name, frame) in complete for name in begun) and _is_whole(path))

    return was


def _is_frame(path: Path, frame: int, name: str) -> bool:
    """Tell whether a file is a frame of a sequence beside it."""
    pattern = SequencePattern.parse(path.with_name(name))
    return pattern is not None and pattern.frame_of(path.name) == frame


def _is_whole(path: Path) -> bool:
    """Tell whether a file holds a picture that can be read."""
    try:
        VideoReader(path) if path.suffix.lower() in VIDEOS else read_picture(path)
    except InkarnatError:
        return False
    return True


def _entries(journal: Path) -> Iterator[dict[str, Any]]:
    """Give the whole lines of a journal. Raises OSError."""
    with journal.open(encoding="utf-8", errors="replace") as lines:
        for line in lines:
            with contextlib.suppress(ValueError):
                entry = json.loads(line)
                if isinstance(entry, dict):
                    yield entry
