"""Wording: what people call the parameters of a graph's nodes, and the units in which they write them."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from ...nodes.declare import Node, Param, nearest
from ..describe import words as plain_words
from .errors import GraphError, shown


@dataclass(frozen=True)
class Word:
    """What people call a parameter.

    :ivar name: typed in assignments and shown in lists. :ivar unit: shown behind the figure. :ivar factor: the figure
        as people write it, times this, is the parameter. :ivar signed: above 0 a plus sign stands before it.
    """

    name: str
    unit: str = ""
    factor: float = 1.0
    signed: bool = False


_HEIGHT = "% of the frame height"
_WORDS: dict[tuple[str, str], Word] = {
    ("balance", "exposure"): Word("exposure", "stops", signed=True),
    ("balance", "temperature"): Word("temperature", "mired", signed=True),
    ("balance", "tint"): Word("tint", "thousandths of Duv", 0.001, signed=True),
    ("skin_key", "width"): Word("key-width", signed=True),
    ("skin_key", "softness"): Word("key-falloff"),
    ("soften_matte", "specks"): Word("specks", _HEIGHT, 10.0),
    ("soften_matte", "pinholes"): Word("pinholes", _HEIGHT, 10.0),
    ("soften_matte", "position"): Word("edge", _HEIGHT, 10.0, signed=True),
    ("soften_matte", "softness"): Word("edge-blur", _HEIGHT, 10.0),
    ("soften_matte", "follow"): Word("edge-follow"),
    ("steady_matte", "frames"): Word("steady-matte", "frames"),
    ("steer_skin", "angle"): Word("turn", "°", signed=True),
    ("steer_skin", "saturation"): Word("skin-saturation"),
    ("steer_skin", "temperature"): Word("skin-temperature", "mired", signed=True),
    ("steer_skin", "tint"): Word("skin-tint", "thousandths of Duv", 0.001, signed=True),
    ("steer_skin", "amount"): Word("skin-amount"),
    ("keep_skin", "amount"): Word("keep-skin"),
}
"""(node, parameter) → the word of the trade, where it is another than the parameter's name or has another unit."""


def word_of(node: type[Node], name: str) -> Word:
    """Return what people call a parameter of a node."""
    known = _WORDS.get((node.name, name))
    return known or Word(name.replace("_", "-"), node.params()[name].unit)


def parameter(where: str, node: type[Node], word: str) -> str:
    """Return the parameter that a word means: its own name or what people call it, in any case, ``-`` or ``_``.

    Raises GraphError with the nearest word.
    """
    asked = word.strip().lower().replace("_", "-")
    names = {word_of(node, name).name: name for name in node.params()}
    names |= {name.replace("_", "-"): name for name in node.params()}
    if asked not in names:
        fix = nearest(asked, names) or f"It has: {', '.join(dict.fromkeys(names)) or 'nothing to set'}."
        raise GraphError(f"{where} has no {shown(word)}. {fix}")
    return names[asked]


# --- showing ------------------------------------------------------------------------------------------------


def value_words(node: type[Node], name: str, value: Any) -> str:
    """Return a value as people read it, with its unit."""
    word, param = word_of(node, name), node.params()[name]
    if param.kind in ("number", "angle", "whole") and isinstance(value, int | float):
        figure = f"{value / word.factor:+.6g}" if word.signed and value else f"{value / word.factor:.6g}"
        return figure + (word.unit if word.unit == "°" else f" {word.unit}" if word.unit else "")
    if param.kind == "point":
        return ", ".join(f"{v:.4g}" for v in value)
    if param.kind == "points":
        return "; ".join(", ".join(f"{v:.4g}" for v in item) for item in value) or "none"
    return plain_words(value)


def span_words(node: type[Node], name: str) -> str:
    """Return the range of a parameter as people write it: ``-30 to 30 thousandths of Duv``."""
    word, param = word_of(node, name), node.params()[name]
    low, high = (f"{end / word.factor:.6g}" for end in (param.low, param.high))
    return f"{low} to {high}" + (word.unit if word.unit == "°" else f" {word.unit}" if word.unit else "")


# --- typing -------------------------------------------------------------------------------------------------

_FIGURE = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*)", re.S)
_YES, _NO = ("yes", "on", "true", "1"), ("no", "off", "false", "0")


def read_value(where: str, node: type[Node], name: str, text: str, height: float | None = None) -> Any:
    """Read a value as people type it: figures with or without their unit, yes and no, words, ``x,y`` and ``x,y;x,y``.

    :param height: of the frame in pixels, for sizes such as ``4px``.
    :raises GraphError: what is typed is no such value, or ``px`` without a height.
    """
    param = node.params()[name]
    return _READERS[param.kind](_Asked(where, word_of(node, name), param, height), text.strip())


@dataclass(frozen=True)
class _Asked:
    where: str
    word: Word
    param: Param
    height: float | None

    def wrong(self, text: str) -> GraphError:
        unit = f" ({self.word.unit})" if self.word.unit else ""
        return GraphError(f"{self.where} wants {_KINDS[self.param.kind]}{unit}, not {shown(text)}.")

    def figure(self, text: str) -> float:
        found = _FIGURE.fullmatch(text.strip().replace("−", "-"))
        if found is None:
            raise self.wrong(text)
        value, unit = float(found[1]), found[2].strip()
        return value * self.factor(unit, text)

    def factor(self, unit: str, text: str) -> float:
        sized = self.word.unit == _HEIGHT
        if not unit or unit == self.word.unit or (self.word.unit and self.word.unit.startswith(unit)):
            return self.word.factor
        if sized and unit in ("px", "pixels"):
            if self.height is None:
                raise GraphError(
                    f"{self.where}: {text} needs the height of the frame: give --height PIXELS, or write %."
                )
            return 1000.0 / self.height
        if sized and unit == "‰":
            return 1.0
        if unit == "%" and not self.word.unit:
            return 0.01
        if unit == self.param.unit or (unit in ("deg", "degrees") and self.param.kind == "angle"):
            return 1.0
        raise self.wrong(text)


_KINDS = {
    "number": "a figure",
    "angle": "an angle",
    "whole": "a whole number",
    "toggle": "yes or no",
    "choice": "one of its words",
    "text": "text",
    "point": "a place x,y",
    "colour": "a figure, or three for red,green,blue",
    "points": "places x,y;x,y;…",
}


def _whole(asked: _Asked, text: str) -> Any:
    value = asked.figure(text)
    return int(value) if math.isfinite(value) and value == int(value) else value


def _toggle(asked: _Asked, text: str) -> bool:
    if text.lower() not in (*_YES, *_NO):
        raise asked.wrong(text)
    return text.lower() in _YES


def _choice(asked: _Asked, text: str) -> str:
    word = text.lower().replace("-", "_")
    return next((option for option in asked.param.options if option.replace("-", "_") == word), text)


def _colour(asked: _Asked, text: str) -> list[float]:
    values = [asked.figure(part) for part in text.split(",")]
    return values * 3 if len(values) == 1 else values


def _point(asked: _Asked, text: str) -> list[float]:
    return [asked.figure(part) for part in text.split(",")]


def _points(asked: _Asked, text: str) -> list[list[float]]:
    return [] if text.lower() in ("", "none") else [_point(asked, part) for part in text.split(";")]


_READERS: dict[str, Callable[[_Asked, str], Any]] = {
    "number": _Asked.figure,
    "angle": _Asked.figure,
    "whole": _whole,
    "toggle": _toggle,
    "choice": _choice,
    "text": lambda asked, text: text,
    "point": _point,
    "colour": _colour,
    "points": _points,
}
