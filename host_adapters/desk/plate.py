"""Plate: which file a frame comes from, and whether it is still the one that was read."""

from __future__ import annotations

import functools
import hashlib
import os
from pathlib import Path

from ..media.clips import Clip, SequenceClip
from ..sequences import SequencePattern

Stamp = tuple[int | str, ...]
"""Size, time of the last change of content, and a hash of samples: what a file that was replaced does not keep.

Inode and the time of the entry are no part of it: rights, links, copies and network drives change those alone.
"""

_BLOCK, _BLOCKS = 1 << 16, 8
"""Bytes in a sample, and samples of a file: its head, its tail and evenly between; a small file is read whole."""


def file_of(clip: Clip, frame: int) -> Path:
    """Return the file that a frame of a clip lies in."""
    clip = getattr(clip, "clip", clip)  # as it was shot
    return clip.pattern.path(frame) if isinstance(clip, SequenceClip) else clip.path


def stamp_of(path: Path) -> Stamp | None:
    """Return the stamp of a file, None where there is none. What a file holds is read again where its entry changed."""
    try:
        status = path.stat()
        entry = status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino, status.st_dev
        return status.st_size, status.st_mtime_ns, _samples(path, entry)
    except OSError:
        return None


@functools.lru_cache(4096)
def _samples(path: Path, entry: tuple[int, ...]) -> str:
    """Return a hash of parts of a file, as it lies there under this entry. Raises OSError."""
    digest, last = hashlib.sha256(), max(entry[0] - _BLOCK, 0)
    with open(path, "rb", buffering=0) as file:
        for at in sorted({last * k // (_BLOCKS - 1) for k in range(_BLOCKS)}):
            digest.update(os.pread(file.fileno(), _BLOCK, at))
    return digest.hexdigest()[:16]


def stamp_of_clip(clip: Clip) -> list[int | str]:
    """Return what, as JSON data, changes with the file of a clip's first frame."""
    return list(stamp_of(file_of(clip, clip.frames[0])) or ())


def stamp_of_name(path: Path) -> Stamp:
    """Return the stamp of the first file of a clip by its name, without opening it; empty where there is none."""
    pattern = SequencePattern.parse(path)
    numbers = [] if pattern is None else pattern.find()
    return stamp_of(path if pattern is None or not numbers else pattern.path(numbers[0])) or ()
