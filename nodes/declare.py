"""What a node is: declared parameters, declared ports and one kernel call, as a frozen value.

A node class is a frozen dataclass. Its fields are made by the functions below (:func:`number`, :func:`choice`
and so on), which say kind, range, unit and help once; host controls, graph validation, command help and the
documentation all read them from there. Its ports are the annotations of ``process``.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import types
import typing
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from ..kernels import fused
from ..kernels.arrays import Floats
from ..kernels.codes import CodedPicture
from ..kernels.errors import InkarnatError

Value = bool | int | float | str | tuple[Any, ...]


class ParamError(InkarnatError, ValueError):
    """A parameter is unknown or its value is not allowed."""


@dataclass(frozen=True)
class Port:
    """An input or output of a node: what kind of picture it carries and whether it may be left open."""

    kind: str
    optional: bool = False


Picture = Annotated[NDArray[np.float32], Port("picture")]
"""float32 (H, W, 3 or 4), R′G′B′(A)."""
Matte = Annotated[NDArray[np.float32], Port("matte")]
"""float32 (H, W), 0 to 1."""


_AS_KEYED = fused.Softening()


@dataclass(frozen=True, eq=False)
class Rows:
    """A lazy matte: its reader computes it row by row, along with its own work. Same bits as the whole.

    :ivar source: where the rows come from. :ivar steps: how they are softened.
    """

    source: fused.Source
    steps: fused.Softening = _AS_KEYED

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width of the matte."""
        return fused.size_of(self.source)

    @property
    def nbytes(self) -> int:
        """Bytes of the picture and the plane that are held for it."""
        return self.source.image.nbytes + self.source.plane.nbytes

    def is_key_of(self, picture: Picture | None) -> bool:
        """Tell whether the rows are as a key made them, and from this picture where one is given."""
        seen = picture.luma if isinstance(picture, CodedPicture) else picture
        return self.steps == _AS_KEYED and (seen is None or seen is self.source.image)

    def is_expensive(self) -> bool:
        """Tell whether working a row out costs as much as to read it from a whole matte several times."""
        return self.source.ranges is not None

    def whole(self, out: Floats | None = None) -> Matte:
        """Return the finished matte, in ``out`` where that is given."""
        matte: Matte = fused.soften_matte(self.source, self.steps, out)
        return matte


@dataclass(frozen=True)
class Param:
    """The declaration of one parameter.

    :ivar kind: "number", "angle", "whole", "toggle", "choice", "text", "point", "colour" or "points".
    :ivar low, high: the range of numbers; ``shown`` is the part of it that a slider offers.
    :ivar options: the allowed words of a choice, each with its help.
    :ivar curve: the points are (input, output) pairs that a curve runs through, not positions in the frame.
    """

    kind: str
    default: Value
    help: str
    low: float = -math.inf
    high: float = math.inf
    shown: tuple[float, float] | None = None
    unit: str = ""
    options: Mapping[str, str] = dataclasses.field(default_factory=dict)
    animated: bool = True
    curve: bool = False

    def check(self, where: str, value: Any) -> Value:
        """Return the value in its stored form, or raise ParamError naming ``where``, the rule and the value."""
        try:
            checked: Value = _CHECKS[self.kind](self, value)
            return checked
        except (TypeError, ValueError, OverflowError) as error:
            raise ParamError(f"{where} must be {self.rule()}, not {_shown(value)}.{_detail(error)}") from None

    def limited(self, value: float) -> float:
        """Return a number within the range."""
        return self.low if value < self.low else self.high if value > self.high else value

    def rule(self) -> str:
        """Say in words which values are allowed."""
        unit = f" {self.unit}" if self.unit else ""
        span = f"{self.low:g} to {self.high:g}{unit}"
        if self.low == -math.inf and self.high == math.inf:
            span = f"of any size{unit}"
        elif self.high == math.inf:
            span = f"{self.low:g}{unit} or more"
        return {
            "number": f"a number {span}",
            "angle": f"an angle {span}",
            "whole": f"a whole number {span}",
            "toggle": "true or false",
            "choice": "one of " + ", ".join(self.options),
            "text": "text",
            "point": f"two numbers (x, y), each {span}",
            "colour": f"three numbers (red, green, blue), each {span}",
            "points": f"a list of at most {MOST_POINTS} points [x, y], each coordinate {span}",
        }[self.kind]


MOST_POINTS = 4096


def _shown(value: Any) -> str:
    try:
        text = repr(value)
    except ValueError:  # a whole number of thousands of digits has no text
        text = f"a {type(value).__name__} too long to show"
    return text if len(text) <= 80 else text[:77] + "…"


def _detail(error: Exception) -> str:
    return f" {error}" if isinstance(error, _Hint) else ""


class _Hint(ValueError):
    """A rule broken in a way that deserves a second sentence."""


def _number(param: Param, value: Any) -> float:
    if isinstance(value, bool | str) or not isinstance(value, int | float | np.integer | np.floating):
        raise TypeError
    result = float(value)
    if not (math.isfinite(result) and param.low <= result <= param.high):
        raise ValueError
    return result + 0.0  # −0.0 and 0.0 are one value


def _whole(param: Param, value: Any) -> int:
    result = _number(param, value)
    if result != int(result):
        raise ValueError
    return int(result)


def _toggle(param: Param, value: Any) -> bool:
    if not isinstance(value, bool | np.bool_):
        raise TypeError
    return bool(value)


def _choice(param: Param, value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError
    if value not in param.options:
        raise _Hint(nearest(value, param.options))
    return value


def _text(param: Param, value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError
    return value


def _items(value: Any, count: int | None = None) -> list[Any]:
    if isinstance(value, str) or not isinstance(value, Sequence | np.ndarray):
        raise TypeError
    if count is not None and len(value) != count:
        raise ValueError
    return list(value)


def _point(param: Param, value: Any) -> tuple[float, ...]:
    return tuple(_number(param, v) for v in _items(value, 2))


def _colour(param: Param, value: Any) -> tuple[float, ...]:
    return tuple(_number(param, v) for v in _items(value, 3))


def _points(param: Param, value: Any) -> tuple[tuple[float, ...], ...]:
    items = _items(value)
    if len(items) > MOST_POINTS:
        raise ValueError
    return tuple(_point(param, item) for item in items)


_CHECKS: dict[str, Any] = {
    "number": _number,
    "angle": _number,
    "whole": _whole,
    "toggle": _toggle,
    "choice": _choice,
    "text": _text,
    "point": _point,
    "colour": _colour,
    "points": _points,
}


def nearest(word: str, known: typing.Iterable[str]) -> str:
    """Return "Did you mean …?" for the nearest known word, or an empty string where none is near."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.5)
    return f"Did you mean {close[0]!r}?" if close else ""


# --- fields -------------------------------------------------------------------------------------------------


def _field(param: Param) -> Any:
    # Text can be long (a learned key): it is left out of repr, and so of messages.
    return dataclasses.field(default=param.default, metadata={"param": param}, repr=param.kind != "text")


def like(node: type[Node], name: str) -> Any:
    """Declare what another node declares: the same range, unit and help, at the same rest."""
    return _field(node.params()[name])


def number(
    default: float,
    low: float,
    high: float,
    help: str,
    *,
    unit: str = "",
    shown: tuple[float, float] | None = None,
) -> Any:
    """Declare a plain number."""
    return _field(Param("number", float(default), help, low, high, shown, unit))


def degrees(default: float, low: float, high: float, help: str, *, shown: tuple[float, float] | None = None) -> Any:
    """Declare an angle in degrees."""
    return _field(Param("angle", float(default), help, low, high, shown, "°"))


def whole(default: int, low: int, high: int, help: str, *, unit: str = "") -> Any:
    """Declare a whole number."""
    return _field(Param("whole", default, help, low, high, None, unit))


def toggle(default: bool, help: str) -> Any:
    """Declare a yes or no."""
    return _field(Param("toggle", default, help))


def choice(default: str, options: Mapping[str, str], help: str) -> Any:
    """Declare a choice among words, each with its help."""
    return _field(Param("choice", default, help, options=types.MappingProxyType(dict(options)), animated=False))


def text(default: str, help: str) -> Any:
    """Declare a piece of text."""
    return _field(Param("text", default, help, animated=False))


def point(default: tuple[float, float], help: str, low: float = -10.0, high: float = 10.0) -> Any:
    """Declare a position: normalised to the frame, x to the right, y down, (0, 0) the top-left corner."""
    return _field(Param("point", default, help, low, high, (0.0, 1.0)))


def colour(
    default: tuple[float, float, float],
    low: float,
    high: float,
    help: str,
    *,
    shown: tuple[float, float] | None = None,
) -> Any:
    """Declare three numbers, one for each of red, green and blue."""
    return _field(Param("colour", default, help, low, high, shown))


def points(
    default: tuple[tuple[float, float], ...],
    help: str,
    low: float = -10.0,
    high: float = 10.0,
    *,
    curve: bool = False,
) -> Any:
    """Declare a list of points: positions in the frame or, with ``curve``, pairs that a curve runs through."""
    return _field(Param("points", default, help, low, high, (0.0, 1.0), curve=curve))


# --- actions ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Place:
    """A place in the picture that an action asks for: a person moves it there, or leaves it out.

    :ivar shape: "point" or "box". :ivar at: where it lies until it is moved, in normalised coordinates: (x, y), or
        (x0, y0, x1, y1). :ivar used: whether it counts before anyone has said so.
    """

    label: str
    help: str
    shape: str
    at: tuple[float, ...]
    used: bool = False


@dataclass(frozen=True)
class Handle:
    """A place on the picture that a person drags.

    :ivar at: where it is, normalised to the frame. :ivar moved: returns the parameters that change when it is dragged
        to (x, y), by name.
    """

    at: tuple[float, float]
    moved: Callable[[float, float], Mapping[str, Any]]
    label: str = ""


@dataclass(frozen=True)
class Action:
    """Something that a node can be asked to do on one frame: it looks at the picture and returns the node set anew.

    :ivar run: ``run(node, asked, **inputs)`` returns the new node and what to tell the person. ``asked`` holds, for
        every name in ``Node.asks()``, a parameter's value or a place's Sample (None where it is left out); the
        inputs are those of ``process``. It raises InkarnatError where the picture or the samples do not serve.
    :ivar only_reads: it changes nothing of the node, and a smaller picture tells it nearly as much.
    """

    label: str
    help: str
    run: Callable[..., tuple[Any, str]]
    only_reads: bool = False


# --- nodes --------------------------------------------------------------------------------------------------


MARKS = "marks"
"""A text of this name among the questions holds samples with the frames that they were made on. What an action gets of
it is a tuple of :class:`Marked`."""


@dataclass(frozen=True, eq=False)
class Marked:
    """A sample and the pictures of the frame that it was made on.

    :ivar inputs: by port, as :meth:`process` takes them; those of the current frame are the very same objects.
    :ivar role: what it shows, such as "skin". :ivar sample: where.
    """

    inputs: Mapping[str, Any]
    role: str
    sample: Any


ACCEPTED = "accepted"
"""Among what an action is asked with: whether somebody looked at the matte of this clip, as it is now, and found it
right, for nodes with :meth:`Node.matte_fields`."""

PERSONS = "persons"
"""Among what an action is asked with, where persons can be looked for: ``look(picture, faces, add, subtract, bare)``
returns what is seen of people in a picture with such samples, as :func:`inkarnat.nodes.study_skin` takes it, persons
alone where not ``bare``, or None where that cannot be known."""

HAND = "hand"
"""Among what an action is asked with: what is set by hand, by the names in :meth:`Node.parts`."""


LANDMARKS, PRESENCE = ("left_eye", "right_eye", "nose", "left_mouth", "right_mouth"), "presence"
"""What is known of a face: five places in the picture, in this order, and how far it counts."""

OUT = "out"
"""The keyword of every ``process`` that is no port: the array that receives the result, or None for a new one."""


class Node:
    """Base of every node: a value that validates itself and knows its declaration.

    ``process(**inputs, out=None)`` does the work. What is given as ``out``, a C-contiguous float32 array of
    :meth:`result_shape` that shares no memory with an input, receives the result and is returned; without it the
    result is a new array. The bits are the same. Raises PictureError for an ``out`` that does not fit.

    Two nodes with the same parameters are equal and hash alike; a node survives pickling and a JSON round trip.
    """

    name: ClassVar[str]
    """The fixed id in graphs and on the command line."""
    label: ClassVar[str]
    """The name that people see."""
    group: ClassVar[str]
    """The step of the job it belongs to: light, balance, key, matte, steer or compare."""
    version: ClassVar[int] = 1
    """Raised when parameters change their meaning; upgrades of old graphs go by it."""
    port_labels: ClassVar[Mapping[str, str]] = {}
    """What hosts call the ports whose own names do not say enough."""
    param_labels: ClassVar[Mapping[str, str]] = {}
    """What hosts call the parameters whose own names do not say enough."""
    pixelwise: ClassVar[bool] = False
    """Whether each pixel of the result depends on that one pixel of the inputs alone. Hosts may then hand over any
    part of the frame, in any order of rows. False is always safe."""

    reads_signal: ClassVar[bool] = False
    """Whether the picture means something in one signal only: display-referred R′G′B′ with BT.709 primaries. Hosts that
    know the colour space of a picture convert it on the way in, and the result on the way out."""

    closed_panels: ClassVar[Collection[str]] = ()
    """The titles in :meth:`panels` that hosts show closed at first."""
    takes_look: ClassVar[bool] = False
    """Whether the node has ``under_look(look, amount, keep, **inputs, out=None)``: ``process`` with a creative look, a
    function from picture to picture, over the result by an amount, and skin kept from it by another, both 0 to 1."""

    def __post_init__(self) -> None:
        for name, param in self.params().items():
            object.__setattr__(self, name, param.check(f"{self.name}.{name}", getattr(self, name)))

    @classmethod
    def params(cls) -> dict[str, Param]:
        """Return the declared parameters by name, in order."""
        fields = dataclasses.fields(cls)  # type: ignore[arg-type]
        return {field.name: field.metadata["param"] for field in fields}

    @classmethod
    def inputs(cls) -> dict[str, Port]:
        """Return the input ports by name, in order."""
        return {name: port for name, port in _ports(cls).items() if name != "return"}

    @classmethod
    def output(cls) -> Port:
        """Return the output port."""
        return _ports(cls)["return"]

    @classmethod
    def help(cls) -> str:
        """Return the first paragraph of the description."""
        paragraph = (cls.__doc__ or "").split("\n\n")[0]
        return " ".join(paragraph.replace("``", "").split())

    def result_shape(self, shape: tuple[int, ...]) -> tuple[int, ...]:
        """Return the shape of the result where the first input has this one, (H, W) or (H, W, 3 or 4)."""
        width, height = self.output_size(shape[1], shape[0])
        return (height, width, shape[2]) if self.output().kind == "picture" else (height, width)

    def frames_needed(self) -> tuple[int, int]:
        """Return how many frames before and after the current one ``process`` reads: (0, 0) for most nodes."""
        return (0, 0)

    def output_size(self, width: int, height: int) -> tuple[int, int]:
        """Return the width and height of the result for pictures of this size: the same for most nodes."""
        return (width, height)

    def fitted(self, width: int, height: int) -> Node:
        """Return the node set so that its result is no larger than this, where its size is its own and may be less."""
        return self

    def output_space(self) -> str:
        """Return the colour space of the result, as :meth:`~inkarnat.nodes.Space.parse` reads it; "" for that of the
        first picture."""
        return ""

    def outlines(self, aspect: float) -> Sequence[Sequence[tuple[float, float]]]:
        """Return what to draw over the picture: runs of normalised points, closed where there are more than two.

        :param aspect: width of the frame in frame heights.
        """
        return ()

    def handles(self, aspect: float) -> Sequence[Handle]:
        """Return what can be dragged on the picture: every position among the parameters, for most nodes."""
        names = [name for name, param in self.params().items() if param.kind == "point"]
        return tuple(Handle(getattr(self, name), lambda x, y, name=name: {name: (x, y)}) for name in names)  # type: ignore[misc]

    def is_identity(self) -> bool:
        """Tell whether ``process`` surely returns its first picture with its very bits, whatever that holds.

        Hosts then leave the node out. False is always safe; a node that makes a matte never is one.
        """
        return False

    def gives_rows(self) -> bool:
        """Tell whether the node has ``rows(**inputs)``, which returns as :class:`Rows` the matte of ``process``."""
        return False

    def gives_unwritten(self) -> bool:
        """Tell whether the node has ``unwritten(**inputs)``: the matte of ``process``, or what has yet to write it.

        The latter is a :class:`.strips.Unwritten`.
        """
        return False

    def gives_strips(self) -> bool:
        """Tell whether ``process_into(into, **inputs)`` makes the picture of ``process`` strip by strip, the same bits.

        It is never whole in memory then. See :class:`.strips.PictureInto`.
        """
        return False

    def takes_rows(self) -> tuple[str, ...]:
        """Return the ports on which ``process`` takes :class:`Rows` too, and is faster so than with the whole matte.

        What nobody else reads is best handed over like this. A node over several frames takes none.
        """
        return ()

    def takes_unwritten(self) -> tuple[str, ...]:
        """Return the ports on which ``process``, and ``unwritten``, take a :class:`.strips.Unwritten` matte too."""
        return ()

    def takes_coded(self) -> tuple[str, ...]:
        """Return the ports on which a picture may still lie in planes, a :class:`.codes.CodedPicture`: same bits.

        ``process`` and ``rows`` take it there; a node that ``gives_strips`` need take it in ``process_into`` alone.
        """
        return ()

    @classmethod
    def panels(cls) -> Mapping[str, Sequence[str]]:
        """Return how hosts group the parameters: titles with the names below each, in the order of work.

        Parameters that are named nowhere come last, without a title.
        """
        return {}

    def unused(self) -> frozenset[str]:
        """Return the parameters and questions without effect as the others are set; hosts show them switched off."""
        return frozenset()

    @classmethod
    def matte_fields(cls) -> Collection[str]:
        """Return the parameters, but for the places of faces, that make the matte which the node keys on its way.

        A node that names some has ``keyed(**inputs)``, which returns that matte; who offers the node lets a person
        accept it, and tells actions so under :data:`ACCEPTED` while matte and clip stay the same.
        """
        return ()

    @classmethod
    def face_slots(cls) -> Sequence[Mapping[str, str]]:
        """Return the faces that the parameters hold: of each the names, by :data:`LANDMARKS` and :data:`PRESENCE`."""
        return ()

    @classmethod
    def parts(cls) -> Collection[str]:
        """Return which parameters the actions solve beside what a person sets by hand.

        Who offers the node keeps the two parts apart, each at the parameter's default where it adds nothing: an action
        gets and returns the node as it is solved, with the part by hand under :data:`HAND`; the node that works on
        pictures has the whole, :meth:`whole`.
        """
        return ()

    @classmethod
    def whole(cls, name: str, solved: float, by_hand: float) -> float:
        """Return a parameter from its two parts, within its range: by hand is added, counted from the default.

        >>> from inkarnat.nodes import CorrectSkin
        >>> round(CorrectSkin.whole("skin_saturation", 1.3, 0.9), 6)
        1.2
        """
        param = cls.params()[name]
        whole: float = param.limited(solved + by_hand - param.default)  # type: ignore[operator]
        return whole

    def with_hand(self, by_hand: Mapping[str, float]) -> typing.Self:
        """Return the node with what is set by hand on top of what is solved, within the range of each parameter."""
        values = {
            name: self.whole(name, getattr(self, name), by_hand[name])
            for name in self.parts()
            if by_hand.get(name, self.params()[name].default) != self.params()[name].default
        }
        return dataclasses.replace(self, **values) if values else self  # type: ignore[type-var]

    def after_change(self, names: Collection[str], asked: Mapping[str, Any]) -> Sequence[Action] | None:
        """Return what is done anew when a person has changed parameters or questions, as solved until then.

        :param asked: as the actions get it. :return: None where the last reading still holds.
        """
        return ()

    @classmethod
    def actions(cls) -> Mapping[str, Action]:
        """Return what the node can be asked to do on a frame, by name; hosts with controls offer each as a button."""
        return {}

    @classmethod
    def asks(cls) -> Mapping[str, Param | Place]:
        """Return what the actions ask of a person. It steers no picture, so it is not part of the node's value."""
        return {}

    def config(self) -> dict[str, Any]:
        """Return the node as plain JSON data: its id, version and every parameter."""
        params = {name: _plain(getattr(self, name)) for name in self.params()}
        return {"node": self.name, "version": self.version, "params": params}

    @classmethod
    def check_names(cls, names: typing.Iterable[str]) -> None:
        """Raise ParamError for a parameter name that this node does not declare."""
        known = cls.params()
        for name in names:
            if name not in known:
                fix = nearest(str(name), known) or f"It has: {', '.join(known) or 'no parameters'}."
                raise ParamError(f"{cls.name} has no parameter {name!r}. {fix}")

    @classmethod
    def from_config(cls, config: Mapping[str, Any]) -> typing.Self:
        """Build the node from what :meth:`config` returned; parameters left out take their defaults.

        Raises ParamError for another node's configuration, an unknown parameter or a value out of range.
        """
        if config.get("node") != cls.name or config.get("version", cls.version) != cls.version:
            raise ParamError(
                f"This is a configuration of {config.get('node')!r} version {config.get('version')!r}, "
                f"not of {cls.name!r} version {cls.version}."
            )
        params = config.get("params", {})
        cls.check_names(params)
        return cls(**params)


def _plain(value: Any) -> Any:
    return [_plain(item) for item in value] if isinstance(value, tuple) else value


def _ports(cls: type[Node]) -> dict[str, Port]:
    cached: dict[str, Port] | None = cls.__dict__.get("_port_table")
    if cached is None:
        hints = typing.get_type_hints(cls.process, include_extras=True)  # type: ignore[attr-defined]
        cached = {name: _port(hint) for name, hint in hints.items() if name != OUT}
        cls._port_table = cached  # type: ignore[attr-defined]
    return cached


def _port(hint: Any) -> Port:
    if typing.get_origin(hint) in (typing.Union, types.UnionType):
        either = typing.get_args(hint)
        inner = next(arg for arg in either if hasattr(arg, "__metadata__"))
        return Port(_port(inner).kind, optional=type(None) in either)
    return next(item for item in hint.__metadata__ if isinstance(item, Port))
