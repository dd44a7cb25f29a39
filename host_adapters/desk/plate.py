"""Plate: which file a frame comes from, and whether it is still the one that was read."""

from __future__ import annotations

from pathlib import Path

from ..media.clips import Clip, SequenceClip
from ..sequences import SequencePattern

Stamp = tuple[int, ...]
"""Size, times of the last change of content and of entry, inode: what a file that was replaced does not keep."""


def file_of(clip: Clip, frame: int) -> Path:
    """Return the file that a frame of a clip lies in."""
    return clip.pattern.path(frame) if isinstance(clip, SequenceClip) else clip.path


def stamp_of(path: Path) -> Stamp | None:
    """Return the stamp of a file, None where there is none. The time of the entry cannot be set back."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino


def stamp_of_clip(clip: Clip) -> list[int]:
    """Return numbers, as JSON data, that change with the file of a clip's first frame."""
    return list(stamp_of(file_of(clip, clip.frames[0])) or ())


def stamp_of_name(path: Path) -> list[int]:
    """Return the same of a clip by its name, without opening it."""
    pattern = SequencePattern.parse(path)
    numbers = [] if pattern is None else pattern.find()
    return list(stamp_of(path if pattern is None or not numbers else pattern.path(numbers[0])) or ())
