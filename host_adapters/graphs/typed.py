"""Typed: which option sets which field of which step, in which unit people type it, and what is read from their words.

Range, unit and help of a value stand in the declaration of its node. :data:`CONTROLS` adds what people type: the
option's name, the unit, which end is which, whether a solve finds the value and whether it may change over time.
Options, their help and their errors, and whoever else takes or shows a typed value, derive from that table.

What may be typed: a number; ``by:`` and a number, which is added to what is solved; keyframes ``0:0,48:3``, linear, or
``0:0,48:3/smooth``. A unit may stand behind a number: ``2%``, ``4px``, ``-18c`` (codes of 10 bits).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from ...nodes import REST, SteadyMatte, mired
from ...nodes.declare import Node, Param, ParamError
from .errors import GraphError
from .keyframes import FARTHEST_FRAME, WAYS, Keyframes
from .parts import Amount, Hand, Parts

CODES = 876
"""Codes of 10 bits from black to white (BT.709-6, item 4.6: 64 to 940)."""

STEPS: Mapping[str, Node] = MappingProxyType({**REST, "steady": SteadyMatte(frames=0)})
"""The steps that can be set by hand, at rest, by the words that begin their ids."""


@dataclass(frozen=True)
class Unit:
    """How people type a value.

    :ivar word: behind a shown value. :ivar scale: from a typed number to the field's. :ivar more: what else may be
        written behind a number, with its factor. :ivar pixels: whether "px" may be, which needs the frame's height.
    """

    word: str = ""
    scale: float = 1.0
    more: tuple[tuple[str, float], ...] = ()
    pixels: bool = False


STOPS = Unit("stops")
MIRED = Unit("mired")
THOUSANDTHS = Unit("thousandths", 1e-3)
LEVEL = Unit("%", 0.01, (("c", 100 / CODES),))
SIZE = Unit("% of the frame height", 10.0, (("%", 1.0),), pixels=True)
DEGREES = Unit("°", 1.0, (("deg", 1.0),))
FACTOR = Unit("", 1.0, (("%", 0.01),))
FRAMES = Unit("frames")


@dataclass(frozen=True)
class Meant:
    """What a typed number probably means. :ivar option: which takes it, "" for the same. :ivar why: a sentence."""

    value: float
    why: str = ""
    option: str = ""


Answer = Callable[[float], Meant | None]
"""Returns what a typed number probably means, None where it means what it says."""


@dataclass(frozen=True)
class Control:
    """One option: what it sets, how it is typed, and what it could be mistaken for.

    :ivar step: a word of :data:`STEPS`. :ivar field: of its node. :ivar ends: what less and more do.
    :ivar solved: a solve finds the value, so ``by:`` adds to it. :ivar keyed: it may change over time.
    :ivar subject: it is about one person's skin. :ivar down: more of what is typed is less of the field.
    :ivar at_rest: what is typed counts from the field's rest, not from 0. :ivar answer: see :data:`Answer`.
    """

    option: str
    step: str
    field: str
    unit: Unit
    ends: tuple[str, str] = ("", "")
    solved: bool = False
    keyed: bool = False
    subject: bool = False
    down: bool = False
    at_rest: bool = False
    answer: Answer = lambda typed: None

    @property
    def param(self) -> Param:
        """The declaration of the field."""
        return STEPS[self.step].params()[self.field]

    @property
    def name(self) -> str:
        """The option as a key: ``skin_tint`` for ``--skin-tint``."""
        return self.option.replace("-", "_")

    @property
    def rest(self) -> Any:
        """What the field is where nobody sets it."""
        return getattr(STEPS[self.step], self.field)

    @property
    def slope(self) -> float:
        """What a typed number is multiplied with; below 0 where more of it is less of the field."""
        return -self.unit.scale if self.down else self.unit.scale

    def to_field(self, typed: float, by: bool = False) -> float:
        """Return a typed number in the field's unit; with ``by`` as a difference."""
        return typed * self.slope + (self.rest if self.at_rest and not by else 0.0)

    def to_typed(self, value: float, by: bool = False) -> float:
        """Return a field's number as people type it."""
        return (value - (self.rest if self.at_rest and not by else 0.0)) / self.slope

    def meant(self, typed: float) -> Meant | None:
        """Return what a typed number probably means and may be typed, None where it means what it says."""
        found = self.answer(typed)
        if found is None or found.option:
            return found
        value = self.to_field(found.value)
        return found if self.param.low <= value <= self.param.high else None

    def span(self) -> str:
        """Say which numbers may be typed."""
        ends = sorted(self.to_typed(end) for end in (self.param.low, self.param.high))
        kind = "a whole number" if self.param.kind == "whole" else "a number"
        return f"{kind} {_figure(ends[0])} to {_figure(ends[1])}{_behind(self.unit.word)}"

    def figure(self) -> str:
        """Say which numbers may be typed, and in which further units."""
        pixels = "; in pixels as 4px" if self.unit.pixels else ""
        return self.span() + pixels + ("; in codes of 10 bits as 18c" if "c" in dict(self.unit.more) else "")

    def rule(self) -> str:
        """Say what may be typed."""
        if self.param.kind == "points":
            return "points input:output in %, such as 25:20,75:82"
        more = [
            "by: and a number to add to what is solved" if self.solved else "",
            "keyframes such as 0:0,48:3" if self.keyed else "",
        ]
        return "; ".join([self.figure(), *(words for words in more if words)])

    def help(self) -> str:
        """Return the help of the option: what the node declares, which end is which, and what may be typed."""
        first = re.split(r"[;.:]", self.param.help)[0]
        if not any(self.ends):
            return f"{self.param.help} Takes {self.rule()}."
        rest = self.to_typed(self.rest)
        ends = f"below {_figure(rest)} {self.ends[0]}, above {_figure(rest)} {self.ends[1]}"
        if rest <= min(self.to_typed(self.param.low), self.to_typed(self.param.high)):
            ends = f"above {_figure(rest)} {self.ends[1]}"
        if re.search(r"\b[Bb]elow\b|\b[Ll]ower\b|\b[Aa]bove\b|^Of |^Across ", first):  # it names no thing
            first = self.option.replace("-", " ").capitalize()
        return f"{first}: {ends}. Takes {self.rule()}."

    def metavar(self) -> str:
        """Return what stands for the value in the help."""
        if self.param.kind == "points":
            return "IN:OUT,…"
        word = {"%": "PERCENT", "°": "DEGREES", "": "NUMBER"}.get(self.unit.word, self.unit.word.upper())
        word = "PERCENT|PX" if self.unit.pixels else word
        return f"[by:]{word}" if self.solved else word

    def shown(self, value: float, by: bool = False, signed: bool = True) -> str:
        """Return a field's number as people read it, with its unit."""
        typed = self.to_typed(value, by)
        sign = "+" if signed and typed >= 0 and (by or self.at_rest or self.param.low < 0) else ""
        return f"{sign}{_figure(typed, 2)}{_behind(self.unit.word)}"


def _figure(value: float, digits: int = 3) -> str:
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _behind(word: str) -> str:
    return word if word in ("", "°") else f" {word}"


# --- what looks like another thing --------------------------------------------------------------------------


def _light(typed: float) -> Meant | None:
    if not 1000 <= typed <= 40000:
        return None
    return Meant(round(mired(6504) - mired(typed)), f"That takes out a light of {typed:g} K.")


def _duv(typed: float) -> Meant | None:
    return Meant(typed * 1000, "Tint is typed in thousandths.") if 0 < abs(typed) <= 0.05 else None


def _hundredth(least: float) -> Answer:
    return lambda typed: Meant(typed / 100) if abs(typed) >= least else None


def _turned_to(typed: float) -> Meant | None:
    if not 90 <= typed <= 160:
        return None
    return Meant(typed, "A turn counts from where the skin is.", "target-angle")


def _width(typed: float) -> Meant | None:
    if abs(typed) >= 5:
        return Meant(typed / 100)
    return Meant(typed - 1, "It counts from 0, the key as learned.") if 0.7 <= typed <= 1.5 and typed != 1 else None


_PERCENT = "Levels are typed in %: above 0 brighter."


def _black_level(typed: float) -> Meant | None:
    return Meant(-100 * typed, _PERCENT) if 0 < abs(typed) < 0.2 else None


def _white_level(typed: float) -> Meant | None:
    return Meant(100 - 100 * typed, _PERCENT) if 0.5 <= typed <= 1.5 else None


def _middle_level(typed: float) -> Meant | None:
    if 0.2 <= typed <= 0.8:
        return Meant(100 * typed - 50, _PERCENT)
    return Meant(typed - 50, "It counts from the middle.") if 48 < typed <= 80 else None


def _pivot_level(typed: float) -> Meant | None:
    return Meant(100 * typed, "Levels are typed in %.") if 0 < typed < 1 else None


# --- the table ----------------------------------------------------------------------------------------------

CONTROLS: tuple[Control, ...] = (
    Control("exposure", "balance", "exposure", STOPS, ("darker", "brighter"), solved=True, keyed=True),
    Control(
        "temperature", "balance", "temperature", MIRED, ("cooler", "warmer"),
        solved=True, keyed=True, answer=_light,
    ),
    Control(
        "tint", "balance", "tint", THOUSANDTHS, ("greener", "more magenta"),
        solved=True, keyed=True, answer=_duv,
    ),
    Control("black", "tone", "black", LEVEL, ("darker", "brighter"), down=True, answer=_black_level),
    Control("white", "tone", "white", LEVEL, ("darker", "brighter"), down=True, at_rest=True, answer=_white_level),
    Control("middle", "tone", "middle", LEVEL, ("darker", "brighter"), at_rest=True, answer=_middle_level),
    Control("contrast", "tone", "contrast", FACTOR, ("flatter", "steeper"), answer=_hundredth(11)),
    Control("pivot", "tone", "pivot", LEVEL, answer=_pivot_level),
    Control("curve", "tone", "points", LEVEL),
    Control(
        "saturation", "saturation", "saturation", FACTOR, ("less colour", "more colour"),
        keyed=True, answer=_hundredth(11),
    ),
    Control("key-width", "skin", "width", FACTOR, ("narrower", "wider"), subject=True,
            answer=_width),
    Control("shadow-reach", "skin", "shadow_reach", FACTOR, ("less", "further"), subject=True,
            answer=_hundredth(25)),
    Control("highlight-reach", "skin", "highlight_reach", FACTOR, ("less", "further"), subject=True,
            answer=_hundredth(25)),
    Control("key-falloff", "skin", "softness", FACTOR, ("harder", "softer"), subject=True,
            answer=_hundredth(5)),
    Control("specks", "soften", "specks", SIZE, subject=True),
    Control("pinholes", "soften", "pinholes", SIZE, subject=True),
    Control("edge", "soften", "position", SIZE, ("inwards", "outwards"), subject=True),
    Control("edge-follow", "soften", "follow", FACTOR, subject=True, answer=_hundredth(2)),
    Control("edge-blur", "soften", "softness", SIZE, subject=True),
    Control("steady-matte", "steady", "frames", FRAMES, subject=True),
    Control("turn", "steer", "angle", DEGREES, ("redder", "yellower"), solved=True, keyed=True, subject=True,
            answer=_turned_to),
    Control("skin-saturation", "steer", "saturation", FACTOR, ("less colour", "more colour"), solved=True, keyed=True,
            subject=True, answer=_hundredth(5)),
    Control("skin-temperature", "steer", "temperature", MIRED, ("cooler", "warmer"), solved=True, subject=True,
            answer=_light),
    Control("skin-tint", "steer", "tint", THOUSANDTHS, ("greener", "more magenta"), solved=True, subject=True,
            answer=_duv),
    Control("skin-amount", "steer", "amount", FACTOR, keyed=True, subject=True,
            answer=_hundredth(2)),
)  # fmt: skip
"""Every option that sets a value, in the order of the job."""

BY_OPTION: Mapping[str, Control] = MappingProxyType({control.option: control for control in CONTROLS})


def control_of(step: str, field: str) -> Control | None:
    """Return the control of a step's field; the step by the word that begins its id, or by its node's name."""
    for control in CONTROLS:
        if control.field == field and step in (control.step, STEPS[control.step].name):
            return control
    return None


# --- reading ------------------------------------------------------------------------------------------------

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_TYPED = re.compile(rf"({_NUMBER})\s*([a-z%°]*)")


def read_typed(control: Control, text: str, lines: int | None = None) -> Hand | None:
    """Return what is typed for a control. Raises GraphError that names the option, what it takes and what was given.

    :param lines: the frame's height, for sizes in pixels. None checks everything else, and returns None for those.
    """
    body = text.strip()
    by = body.startswith("by:")
    body = body.removeprefix("by:").strip()
    if by and not control.solved:
        raise GraphError(f"--{control.option} is never solved, so by: has nothing to add to: give {control.rule()}.")
    if control.param.kind == "points":
        return Hand(read_points(control, body), adds=False)
    pairs, sign, way = _keyframes(body)
    if sign and not control.keyed:
        raise GraphError(f"--{control.option} cannot change over time: give {control.span()}.")
    numbers = [_read(control, words, lines, text, by) for _, words in pairs]
    if any(number is None for number in numbers):
        return None
    amount: Amount = _checked(control, numbers[0], text, by)
    if sign:
        amount = Keyframes(tuple(_knots(control, pairs, numbers, text, by)), way)
    return Hand(amount, adds=by)


def _keyframes(body: str) -> tuple[list[tuple[str, str]], bool, str]:
    """Part what is typed into frames and numbers; a single number has no frame."""
    if ":" not in body:
        return [("", body)], False, "linear"
    if "/" not in body and body.rpartition(" ")[2] in WAYS:  # as in an assignment
        body = "/".join(body.rsplit(" ", 1))
    body, slash, way = body.partition("/")
    pairs = [item.partition(":") for item in body.split(",")]
    return [(frame.strip(), words) for frame, _, words in pairs], True, way.strip() if slash else "linear"


def _knots(control: Control, pairs: Any, numbers: Any, text: str, by: bool) -> Iterable[tuple[float, float]]:
    last = -math.inf
    for (frame, _), number in zip(pairs, numbers, strict=True):
        if not re.fullmatch(r"-?\d{1,10}", frame) or not last < int(frame) <= FARTHEST_FRAME:
            raise _wrong(control, text, "keyframes are frame:value with rising frames, such as 0:0,48:3")
        last = int(frame)
        yield last, _checked(control, number, text, by)
    way = text.partition("/")[2].strip()
    if way and way not in WAYS:
        raise _wrong(control, text, f"behind keyframes stands /{' or /'.join(WAYS)}")


def _read(control: Control, words: str, lines: int | None, text: str, by: bool) -> float | None:
    """Return a typed number in the option's unit, None for pixels of a frame that is not known yet."""
    found = _TYPED.fullmatch(words.strip())
    if found is None:
        raise _wrong(control, text)
    number, unit = float(found[1]), found[2]
    if unit == "px" and control.unit.pixels:
        return None if lines is None else number * 100 / lines
    known = {control.unit.word: 1.0, "": 1.0, **dict(control.unit.more)}
    if unit not in known:
        raise _wrong(control, text, f"it has no unit {unit!r}" if unit else "")
    if not unit and not by and (meant := control.meant(number)):
        likely = f"--{meant.option or control.option} {_figure(meant.value)}?{' ' * bool(meant.why)}{meant.why}"
        raise GraphError(f"--{control.option} {text}: did you mean {likely} It takes {control.rule()}.")
    return number * known[unit]


def _checked(control: Control, number: Any, text: str, by: bool) -> float:
    """Return a typed number in the field's unit. Raises GraphError where the field does not allow it."""
    value = control.to_field(number, by)
    limits = (control.param.low, control.param.high)
    try:
        if by:  # a difference may be as large as the whole range
            if not abs(value) <= limits[1] - limits[0]:
                raise ParamError
            return value
        return control.param.check(control.option, value)  # type: ignore[return-value]
    except ParamError:
        raise _wrong(control, text) from None


def read_points(control: Control, body: str) -> tuple[tuple[float, float], ...]:
    """Return the points of a curve, typed as input:output in %. Raises GraphError that names the option."""
    pairs = [item.split(":") for item in body.split(",")]
    try:
        points = [(float(a.strip().removesuffix("%")), float(b.strip().removesuffix("%"))) for a, b in pairs]
    except ValueError:
        raise _wrong(control, body) from None
    if all(abs(value) <= 1 for pair in points for value in pair) and any(value for pair in points for value in pair):
        meant = ",".join(f"{_figure(100 * a)}:{_figure(100 * b)}" for a, b in points)
        raise GraphError(f"--{control.option} {body}: did you mean --{control.option} {meant}? Levels are typed in %.")
    try:
        return control.param.check(control.option, [(a / 100, b / 100) for a, b in points])  # type: ignore[return-value]
    except ParamError:
        raise _wrong(control, body) from None


def _wrong(control: Control, text: str, why: str = "") -> GraphError:
    return GraphError(f"--{control.option} takes {control.rule()}, not {text!r}{': ' + why if why else ''}.")


def typed_words(option: str, value: float) -> str:
    """Return a field's number as it is typed: ``--black -2``."""
    return f"--{option} {_figure(BY_OPTION[option].to_typed(value))}"


def in_options(message: str, subject: str = "") -> str:
    """Return a complaint about a node's parameter in the words of the option that sets it."""
    for control in CONTROLS:
        message = message.replace(f"{STEPS[control.step].name}.{control.field}", f"--{control.option}")
    return message


# --- what is set --------------------------------------------------------------------------------------------


def set_nodes(typed: Mapping[str, Hand], frame: float) -> dict[str, Node]:
    """Return the steps that are set by hand alone, by their words, as they are at a frame.

    Values that a solve finds are not among them. Raises GraphError where two options exclude one another.
    """
    values: dict[str, dict[str, Any]] = {}
    for control in CONTROLS:
        hand = typed.get(control.option)
        if hand is not None and control.step not in ("balance", "steer"):
            amount = hand.value
            at = amount.value_at(frame) if isinstance(amount, Keyframes) else amount
            values.setdefault(control.step, {})[control.field] = at
    found = {}
    for step, fields in values.items():
        try:
            found[step] = type(STEPS[step])(**{**_settings(STEPS[step]), **fields})
        except ParamError as error:
            raise GraphError(_together(typed, step, str(error))) from None
    return found


def _settings(node: Node) -> dict[str, Any]:
    return {name: getattr(node, name) for name in node.params()}


def _together(typed: Mapping[str, Hand], step: str, message: str) -> str:
    """Say that options exclude one another."""
    given = {c.option: typed[c.option].value for c in CONTROLS if c.step == step and c.option in typed}
    shown = {
        option: BY_OPTION[option].shown(value) for option, value in given.items() if isinstance(value, int | float)
    }
    if step == "tone" and {"black", "white"} & set(shown) and ".black" in message:
        words = " and ".join(f"--{option} {shown[option]}" for option in ("black", "white") if option in shown)
        return f"{words} put black at or above white: bring one of them nearer to 0."
    return in_options(message)


def hands_of(typed: Mapping[str, Hand], step: str) -> dict[str, Hand]:
    """Return what is typed for the fields of one step, by field."""
    return {c.field: typed[c.option] for c in CONTROLS if c.step == step and c.option in typed}


def keyed_of(typed: Mapping[str, Hand], step: str) -> tuple[tuple[str, Keyframes], ...]:
    """Return what is typed as keyframes for one step that is never solved: (field, keyframes) pairs."""
    hands = hands_of(typed, step)
    return tuple((field, hand.value) for field, hand in hands.items() if isinstance(hand.value, Keyframes))


def told_parts(control: Control, parts: Parts) -> str:
    """Say what a value comes to and, where a hand moved it, which part was solved: ``4.7° (solved 3.2°, …)``."""
    amount = parts.amount(control.rest)
    words = _told(control, amount)
    if parts.hand is None:
        return words
    if parts.solved is None:
        return f"{words} by hand"
    if not parts.hand.adds:
        return f"{words} by hand (solved {_told(control, parts.solved)})"
    return f"{words} (solved {_told(control, parts.solved)}, by hand {_told(control, parts.hand.value, True)})"


def _told(control: Control, amount: Amount, by: bool = False) -> str:
    if isinstance(amount, Keyframes):
        first, last = amount.pairs[0], amount.pairs[-1]
        ends = " to ".join(control.shown(value, by) for _, value in (first, last))  # type: ignore[arg-type]
        return f"{ends} over frames {first[0]:g} to {last[0]:g}"
    return control.shown(amount, by)  # type: ignore[arg-type]
