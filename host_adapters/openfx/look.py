"""The creative look over an effect's result: a file that is read once, how much of it shows, and what skin keeps."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ...kernels.arrays import Floats
from ...nodes.declare import Node
from ..sequences import InputError
from ..transforms import COLOUR_SPACES, Transform, open_transform
from .controls import LOOK_AMOUNT, LOOK_FILE, LOOK_KEEP, Get


@dataclass(frozen=True)
class Look:
    """A look as the controls have it. :ivar amount: how much of it shows, 0 to 1. :ivar keep: how far skin is kept."""

    transform: Transform
    amount: float
    keep: float

    def process(self, node: Any, inputs: dict[str, Any], out: Floats | None) -> Floats:
        """Return the result of a node with the look over it."""
        result: Floats = node.under_look(self.transform, self.amount, self.keep, **inputs, out=out)
        return result


def name_of(kind: type[Node], get: Get) -> str:
    """Return the name of the look that shows, "" for none."""
    return get(LOOK_FILE).strip() if kind.takes_look and get(LOOK_AMOUNT) > 0 else ""


def look_of(kind: type[Node], get: Get) -> Look | None:
    """Return the look that shows, None without one. Raises InputError, TransformError for what cannot be read."""
    name = name_of(kind, get)
    if not name:
        return None
    return Look(_opened(name), min(get(LOOK_AMOUNT), 1.0), min(max(get(LOOK_KEEP), 0.0), 1.0))


def _opened(name: str) -> Transform:
    if name.startswith(COLOUR_SPACES):
        return _read(name)
    path = Path(name).expanduser()
    if not path.is_absolute():
        raise InputError(f"The look {name} is named without its folder: choose the file again.")
    try:
        now = path.stat()
    except OSError:
        return open_transform(str(path), "look")  # which says what is wrong
    # A file put into its place may have its size and time; the time of its entry cannot be set back.
    return _read(str(path), now.st_size, now.st_mtime_ns, now.st_ctime_ns, now.st_ino)


@functools.lru_cache(maxsize=8)
def _read(name: str, *entry: int) -> Transform:
    return open_transform(name, "look")


def forget() -> None:
    """Forget the files that were read."""
    _read.cache_clear()
