"""Sampling: which frames of a clip to look at, evenly spread and where it changes, within a bound of time."""

from __future__ import annotations

import heapq
import itertools
import time
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import Floats
from ..graphs.runner import Clip
from ..media.files import InputError

_ROWS, _COLUMNS = 18, 32


def spread(frames: Sequence[int], most: int) -> list[int]:
    """Return at most ``most`` frames, evenly spread, the first and the last among them."""
    count = min(len(frames), most)
    if count <= 1:
        return [frames[0]]
    return [frames[round(i * (len(frames) - 1) / (count - 1))] for i in range(count)]


def spread_pairs(frames: Sequence[int], most: int) -> list[int]:
    """Return at most ``most`` frames: all where they are so few, else evenly spread pairs of neighbours.

    In a pair it shows how much a reading changes from one frame to the next.
    """
    if len(frames) <= most:
        return list(frames)
    pairs = max(most // 2, 1)
    firsts = [round(i * (len(frames) - 2) / max(pairs - 1, 1)) for i in range(pairs)]
    return [frames[index] for first in firsts for index in (first, first + 1)][:most]


def where_it_changes(
    clip: Clip, most: int, seconds: float = 20.0, clock: Callable[[], float] = time.monotonic
) -> list[int]:
    """Return at most ``most`` frames of a clip, rising: half of them evenly spread, half where the picture changes.

    The span between two chosen neighbours that differ most, seen small, is halved again and again. Looking ends
    with ``most`` frames or after ``seconds``, whichever comes first; then the even ones alone are certain. Frames
    that cannot be read are left out. Raises InputError where none can be read.
    """
    began = clock()
    chosen: dict[int, NDArray[np.float32]] = {}
    for frame in spread(clip.frames, max((most + 1) // 2, 2)):
        _look(clip, frame, chosen)
    if not chosen:
        raise InputError("None of the frames that were tried could be read: check the clip.")
    spans: list[tuple[float, int, int]] = []
    ordered = sorted(chosen)
    for first, second in itertools.pairwise(ordered):
        _note(spans, chosen, first, second)
    step = clip.frames[1] - clip.frames[0] if len(clip.frames) > 1 else 1
    while spans and len(chosen) < most and clock() - began < seconds:
        _, first, second = heapq.heappop(spans)
        middle = first + (second - first) // (2 * step) * step
        if middle == first or not _look(clip, middle, chosen):
            continue
        _note(spans, chosen, first, middle)
        _note(spans, chosen, middle, second)
    return sorted(chosen)


def _note(spans: list[tuple[float, int, int]], seen: dict[int, NDArray[np.float32]], first: int, second: int) -> None:
    """Put a span among those to be halved, the one that changes most first; longer ones before shorter."""
    change = float(np.abs(seen[first] - seen[second]).mean())
    heapq.heappush(spans, (-change, first, second))


def _look(clip: Clip, frame: int, seen: dict[int, NDArray[np.float32]]) -> bool:
    try:
        seen[frame] = _small(clip.read(frame))
    except InputError:
        return False
    return True


def _small(picture: Floats) -> NDArray[np.float32]:
    """Return the picture's colours on a coarse grid, by single pixels: enough to tell pictures apart."""
    rows = np.linspace(0, picture.shape[0] - 1, _ROWS).round().astype(int)
    columns = np.linspace(0, picture.shape[1] - 1, _COLUMNS).round().astype(int)
    small: NDArray[np.float32] = np.nan_to_num(picture[rows][:, columns, :3], posinf=2, neginf=-1)
    return small
