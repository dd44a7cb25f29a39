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
from .typed import Control, control_of, read_points


@dataclass(frozen=True)
class Word:
    """What people call a parameter.

    :ivar name: typed in assignments and shown in lists. :ivar unit: shown behind the figure. :ivar factor, offset: the
        figure as people write it, times the one and plus the other, is the parameter. :ivar signed: above 0 a plus
        sign stands before it. :ivar control: the option that sets the parameter, None without.
    """

    name: str
    unit: str = ""
    factor: float = 1.0
    signed: bool = False
    offset: float = 0.0
    control: Control | None = None

    def shown(self, value: float) -> str:
        """Return a parameter's figure as people write it, with its unit."""
        figure = (value - self.offset) / self.factor
        text = f"{figure:+.6g}" if self.signed and abs(figure) > 1e-12 else f"{figure + 0.0:.6g}"
        return text + (self.unit if self.unit == "°" else f" {self.unit}" if self.unit else "")


_KEEP = Word("keep-skin")


def word_of(node: type[Node], name: str) -> Word:
    """Return what people call a parameter of a node: as the options of `correct` do, where one sets it."""
    control = control_of(node.name, name)
    if control is not None:
        signed = (control.solved and control.rest == 0) or (any(control.ends) and control.to_typed(control.rest) == 0)
        offset = control.to_field(0.0)
        return Word(control.option, control.unit.word, control.slope, signed, offset, control)
    if (node.name, name) == ("keep_skin", "amount"):
        return _KEEP
    return Word(name.replace("_", "-"), node.params()[name].unit)


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
        return word.shown(value)
    if param.kind == "point":
        return ", ".join(f"{v:.4g}" for v in value)
    if param.kind == "points":
        return "; ".join(", ".join(f"{v / word.factor:.4g}" for v in item) for item in value) or "none"
    return plain_words(value)


def span_words(node: type[Node], name: str) -> str:
    """Return the range of a parameter as people write it: ``a number -30 to 30 thousandths``."""
    word, param = word_of(node, name), node.params()[name]
    return word.control.figure() if word.control else _span(word, param)


def _span(word: Word, param: Param) -> str:
    if not math.isfinite(param.high - param.low):
        return param.rule()
    ends = sorted((end - word.offset) / word.factor for end in (param.low, param.high))
    low, high = (f"{end + 0.0:.6g}" for end in ends)
    kind = {"whole": "a whole number", "angle": "an angle"}.get(param.kind, "a number")
    return f"{kind} {low} to {high}" + (word.unit if word.unit == "°" else f" {word.unit}" if word.unit else "")


# --- typing -------------------------------------------------------------------------------------------------

_FIGURE = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*)", re.S)
_YES, _NO = ("yes", "on", "true", "1"), ("no", "off", "false", "0")


def read_value(
    where: str, node: type[Node], name: str, text: str, height: float | None = None, by: bool = False
) -> Any:
    """Read a value as people type it: figures with or without their unit, yes and no, words, ``x,y`` and ``x,y;x,y``.

    :param height: of the frame in pixels, for sizes such as ``4px``. :param by: the figure is a difference.
    :raises GraphError: what is typed is no such value, or ``px`` without a height.
    """
    param = node.params()[name]
    return _READERS[param.kind](_Asked(where, word_of(node, name), param, height, by), text.strip())


@dataclass(frozen=True)
class _Asked:
    where: str
    word: Word
    param: Param
    height: float | None
    by: bool = False

    def wrong(self, text: str, why: str = "") -> GraphError:
        rule = _KINDS.get(self.param.kind) or self.span()
        if self.param.kind == "choice":
            rule += ", ".join(self.param.options)
        return GraphError(f"{self.where} takes {rule}, not {shown(text)}{': ' + why if why else ''}.")

    def span(self) -> str:
        """Say which figures may be typed."""
        return self.word.control.figure() if self.word.control else _span(self.word, self.param)

    def figure(self, text: str) -> float:
        found = _FIGURE.fullmatch(text.strip().replace("−", "-"))
        if found is None:
            raise self.wrong(text)
        value, unit = float(found[1]), found[2].strip()
        control = self.word.control
        if control is not None and not unit and not self.by and (meant := control.meant(value)):
            place = f"--{meant.option} " if meant.option else f"{self.where}="
            likely = f"{place}{meant.value + 0.0:.6g}?{' ' * bool(meant.why)}{meant.why}"
            raise GraphError(f"{self.where}={text}: did you mean {likely} It takes {self.span()}.")
        if unit == self.param.unit and unit and unit != self.word.unit:
            return value
        offset = 0.0 if self.by or self.param.kind == "points" else self.word.offset
        return value * self.factor(unit, text) + offset

    def factor(self, unit: str, text: str) -> float:
        control = self.word.control
        sized = control is not None and control.unit.pixels
        more = {} if control is None else dict(control.unit.more)
        if not unit or unit == self.word.unit or (self.word.unit and self.word.unit.startswith(unit)):
            return self.word.factor
        if sized and unit in ("px", "pixels"):
            if self.height is None:
                raise GraphError(
                    f"{self.where}: {text} needs the height of the frame: give --height PIXELS, or write %."
                )
            return 1000.0 / self.height
        if unit in more:
            return more[unit] * self.word.factor
        if unit == "%" and not self.word.unit:
            return 0.01
        if unit in ("deg", "degrees") and self.param.kind == "angle":
            return 1.0
        raise self.wrong(text, f"it has no unit {unit!r}" if re.fullmatch(r"[^\W\d_]+|[%°]", unit) else "")


_KINDS = {
    "toggle": "yes or no",
    "choice": "one of ",
    "text": "text",
    "point": "a place x,y",
    "colour": "a figure, or three for red,green,blue",
    "points": "places x,y;x,y;…, or none",
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


def _points(asked: _Asked, text: str) -> Any:
    if text.lower() == "none":
        return []
    if (control := asked.word.control) is not None and ":" in text:  # as the option of `correct` takes them
        try:
            return read_points(control, text)
        except GraphError as error:
            told = re.sub(rf"--{control.option} (?=[-\d.])", f"{asked.where}=", str(error))
            raise GraphError(told.replace(f"--{control.option}", asked.where)) from None
    return [_point(asked, part) for part in text.split(";")]


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
