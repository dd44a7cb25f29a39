"""Asked: the words of a request to the desk, each of the kind that it must be before anything is done with it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from .errors import DeskError


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


_TEXT = "a text", _is_text
_WHOLE = "a whole number", _is_whole
_KINDS: Mapping[str, tuple[str, Callable[[Any], bool]]] = {
    **dict.fromkeys(("clip", "codec", "do", "frames", "gesture", "id", "kind", "matte", "name"), _TEXT),
    **dict.fromkeys(("output", "part", "purpose", "side", "suffix", "what"), _TEXT),
    **dict.fromkeys(("frame", "mark", "place", "to"), _WHOLE),
    "radius": ("a number", _is_number),
    "by": ("two numbers", lambda value: isinstance(value, list) and len(value) == 2 and all(map(_is_number, value))),
    "span": ("two frames", lambda value: isinstance(value, list) and len(value) == 2 and all(map(_is_whole, value))),
    "clips": ("a list of texts", lambda value: isinstance(value, list) and all(map(_is_text, value))),
    "region": ("values by name", lambda value: isinstance(value, dict)),
    "values": (
        "values by step and name",
        lambda value: isinstance(value, dict) and all(isinstance(item, dict) for item in value.values()),
    ),
}
"""What each word must be; a word that is not named here is checked by whoever takes it."""


class Asked(dict[str, Any]):
    """The words of a request; one that lacks, or is of another kind, is a DeskError that names it.

    A word that is null counts as one that lacks.
    """

    def __init__(self, words: Mapping[str, Any]) -> None:
        super().__init__({name: value for name, value in words.items() if value is not None})
        for name, value in self.items():
            wanted, fits = _KINDS.get(name, ("", None))
            if fits is not None and not fits(value):
                raise DeskError(f"{name} must be {wanted}, not {str(value)[:40]!r}.")

    def __missing__(self, name: str) -> Any:
        raise DeskError(f"The request lacks {name!r}.")
