"""The second look through a clip: whether there is one, closer, where a quick one finds nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

Found = TypeVar("Found")
Frame = TypeVar("Frame", int, float)

GLANCES = 5
"""How many frames of a clip in which nothing was found are looked at more closely."""


def looked_twice(
    frames: Sequence[Frame],
    through: Callable[[bool], Found],
    glance: Callable[[Sequence[Frame]], bool],
) -> Found:
    """Return what is found in all frames by quick looks, or else by closer ones.

    Where nothing is found quickly, a few frames, evenly spread, are looked at more closely, and if that finds anything,
    all are: every frame is looked at in the same way, so that nothing comes and goes with the way.

    :param frames: rising; at least one. :param through: looks at all of them, closely where True, and returns what is
        found, false where that is nothing. :param glance: tells whether a closer look at any of some frames finds it.
    """
    found = through(False)
    spread = sorted({frames[round(k * (len(frames) - 1) / (GLANCES - 1))] for k in range(GLANCES)})
    return through(True) if not found and glance(spread) else found
