"""From the declarations of a node to the clips and controls of an effect, and from their values back to the node."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, NamedTuple

from ...nodes import EARLIER
from ...nodes.declare import HAND, MARKS, PRESENCE, Node, Param, Place, Port, Value
from ...nodes.sample import Sample
from . import api
from .properties import OpenFXError

OUTPUT = b"Output"
"""The clip of the result."""
PREMULTIPLIED = "premultiplied"
"""A toggle of this name is no control: the host says of every clip whether it is premultiplied."""
MATTE_OUTPUT = "matte_output"
"""The choice of where a matte goes, for effects that make one."""
MATTE_EVERYWHERE, MATTE_IN_ALPHA = range(2)
DRAWING_PLACE, DRAWING_HEIGHT = "drawing_place", "drawing_height"
"""Where a scope lies, and how high it is beside the picture, for effects whose result has a size of its own."""
ALONE, UPPER_LEFT, UPPER_RIGHT, LOWER_LEFT, LOWER_RIGHT = range(5)
LOOK_FILE, LOOK_AMOUNT, LOOK_KEEP = "look_file", "look_amount", "look_keep_skin"
"""The creative look over the result, for effects that take one."""
PICK = "pick"
"""The choice of what the pen adds on the picture."""
STALE = "Before the last change: "
"""What stands before a reading that no longer holds."""
STALE_ELSEWHERE = "Read before, perhaps on another clip: "
"""What stands before a reading that came with the effect, from a project or a copy, or from before another clip."""
ACCEPT = "accept_matte"
"""The button by which a person says that the matte was looked at and is right; once more takes it back."""
ACCEPTED_MATTE = "accepted_matte"
"""The text that keeps which matte that was, and on which frame."""
REPORT = "report"
"""The text in which an action answers."""
FIND_FACES, FOLLOW_FACES = "find_faces", "follow_faces"
"""The buttons that look for faces on this frame and through the clip."""
FACES_SEEN = "faces_seen"
"""The text that keeps what Source shows round the faces, by frame: another clip shows something else there."""
BACK = "back_to_solved"
"""The button that clears what is set by hand beside what is solved."""
MOST_POINTS = 12
"""How many points of a list get controls of their own."""


def identifier(kind: type[Node]) -> str:
    """Return the id under which hosts and their projects know the effect."""
    return f"org.inkarnat.{kind.name}"


def with_earlier(nodes: Mapping[str, type[Node]]) -> list[type[Node]]:
    """Return nodes with the earlier major versions that hosts are offered beside them."""
    return [*nodes.values(), *(kind for kind in EARLIER if nodes.get(kind.name, kind).version > kind.version)]


def told_in(kind: type[Node]) -> str:
    """Return the name of the file in which the launcher reads what it tells hosts of an effect."""
    version = f".{kind.version}" if kind in EARLIER else ""
    return f"{identifier(kind)}{version}.describe"


# --- clips --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Clip:
    """An input clip of an effect and the port of the node that it feeds."""

    name: bytes
    port: str
    kind: str
    needed: bool
    is_mask: bool

    @property
    def components(self) -> tuple[bytes, ...]:
        """The layouts it accepts."""
        return (api.ALPHA, api.RGBA, api.RGB) if self.is_mask else (api.RGBA, api.RGB, api.ALPHA)


def clips_of(kind: type[Node]) -> tuple[Clip, ...]:
    """Return the input clips: the first port is Source; a further matte is Matte, a further picture Reference."""
    clips: list[Clip] = []
    for port, declared in kind.inputs().items():
        name = "Source" if not clips else "Matte" if declared.kind == "matte" else "Reference"
        if name.encode() in [clip.name for clip in clips]:
            name = port.capitalize()
        mask = bool(clips) and declared.kind == "matte"
        clips.append(Clip(name.encode(), port, declared.kind, _is_needed(declared, not clips), mask))
    return tuple(clips)


def _is_needed(port: Port, first: bool) -> bool:
    """Tell whether the effect cannot work without the clip; instead of a matte it takes the alpha of Source."""
    return first or (not port.optional and port.kind == "picture")


def contexts_of(kind: type[Node]) -> tuple[bytes, ...]:
    """Return the contexts: a filter has one clip that must be connected, general effects may have more."""
    needed = sum(clip.needed for clip in clips_of(kind))
    return (api.FILTER, api.GENERAL) if needed == 1 else (api.GENERAL,)


# --- controls -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Control:
    """A control of an effect: its name, the standard's type of parameter, and its properties in order.

    :ivar words: of a choice, what its options are called in projects and files; the labels may be improved.
    """

    name: str
    type: str
    properties: Mapping[bytes, tuple[Any, ...]]
    words: tuple[str, ...] = ()

    @property
    def ofx_type(self) -> bytes:
        """The standard's name of the type."""
        return b"OfxParamType" + self.type.encode()


class _Head(NamedTuple):
    """What every control has."""

    name: str
    label: str
    hint: str = ""
    parent: str = ""


def _key(suffix: str) -> bytes:
    if suffix == "Label":
        return api.LABEL
    # The standard's header spells this one name with its k.
    prefix = "kOfxParamProp" if suffix == "UseHostOverlayHandle" else "OfxParamProp"
    return (prefix + suffix).encode()


def _control(type: str, head: _Head, /, **properties: Any) -> Control:
    common = {"Label": head.label, "ScriptName": head.name, "Hint": head.hint, "Parent": head.parent}
    named = {suffix: value for suffix, value in common.items() if value} | properties
    values = {suffix: value if isinstance(value, tuple) else (value,) for suffix, value in named.items()}
    return Control(head.name, type, {_key(suffix): value for suffix, value in values.items()})


def _one_of(head: _Head, options: Mapping[str, str], default: int = 0, **more: Any) -> Control:
    """A choice among words, each with its label."""
    # The options come first: some hosts check the default against them.
    control = _control("Choice", head, ChoiceOption=tuple(options.values()), Default=default, **more)
    return dataclasses.replace(control, words=tuple(options))


def _by_word(control: Control) -> Control:
    """A choice of which a project keeps the word and not the place, for hosts that have such."""
    properties = {
        **control.properties,
        _key("ChoiceEnum"): control.words,
        _key("Default"): (control.words[control.properties[_key("Default")][0]],),
    }
    return dataclasses.replace(control, type="StrChoice", properties=properties)


def keeps_words(kind: type[Node]) -> bool:
    """Tell whether the choices of an effect are kept by word where the host can.

    Version 0.1.0 kept them by place: the first major version of an effect goes on so, or its projects would lose them.
    """
    return kind.version > 1


def words(name: str) -> str:
    """Turn the name of a parameter into words."""
    return name.replace("_", " ").capitalize()


def controls_of(kind: type[Node], curves: bool = False, by_word: bool = False) -> tuple[Control, ...]:
    """Return the controls of an effect in order.

    :param curves: whether the host has a control for curves. :param by_word: whether it has choices kept by word.
    """
    controls = list(_actions(kind))
    panels = {name: _panel_name(title) for title, names in kind.panels().items() for name in names}
    order = [*panels, *(name for name in kind.params() if name not in panels)]
    titles = {names[0]: title for title, names in kind.panels().items()}
    for name in order:
        if name in titles:
            is_open = int(titles[name] not in kind.closed_panels)
            controls.append(_control("Group", _Head(panels[name], titles[name]), GroupOpen=is_open))
        if name != PREMULTIPLIED:
            # What an action fills with text is for nobody to read.
            hidden = kind.params()[name].kind == "text" and bool(kind.actions())
            more: dict[str, Any] = {"Secret": 1} if hidden else {}
            more |= {"label": param_label(kind, name), "parent": panels.get(name, "")}
            controls += _for_param(name, _by_hand(kind, name), curves=curves, **more)
            if name in kind.parts():
                controls += _solved_part(kind, name, **more)
    if kind.takes_look:
        controls += _look()
    controls += _questions(kind)
    if kind.output().kind == "matte":
        controls.append(_matte_output())
    if has_own_size(kind()):
        controls += _drawing_place()
    if by_word and keeps_words(kind):
        controls = [_by_word(control) if control.type == "Choice" else control for control in controls]
    children = tuple(control.name for control in controls if control.type != "Group")
    page = Control("controls", "Page", {api.LABEL: ("Controls",), _key("PageChild"): children})
    return (*controls, page)


def param_label(kind: type[Node], name: str) -> str:
    """Return what people call a parameter, without its unit."""
    return kind.param_labels.get(name, words(name))


def _by_hand(kind: type[Node], name: str) -> Param:
    """The declaration of a parameter as a person sets it: on top of what is solved, where that is kept apart."""
    param = kind.params()[name]
    if name not in kind.parts():
        return param
    nothing = f"; {param.default:g} adds nothing" if param.default else ""
    return dataclasses.replace(param, help=f"{param.help} Added to what is solved{nothing}.")


def solved_control(name: str) -> str:
    """Return the name of the control that holds the solved part of a value."""
    return f"{name}_solved"


def _solved_part(kind: type[Node], name: str, label: str, **more: Any) -> Iterator[Control]:
    """The part that an action solves: shown, and never typed."""
    help = f"What the last solve found. {label} is by hand and goes on top."
    param = dataclasses.replace(kind.params()[name], help=help)
    return _for_param(solved_control(name), param, label=f"{label}, solved", Animates=0, Enabled=0, **more)


def _look() -> Iterator[Control]:
    """Yield the file of a look, how much of it shows, and how far skin is kept from it."""
    yield _control("Group", _Head("look", "Look"), GroupOpen=0)
    hint = (
        "A creative look that lies over the corrected picture: a CLF, a CDL, a cube or another file that OpenColorIO "
        "reads. It is given display-referred BT.709 pictures, as the effect works on them."
    )
    yield _control("String", _Head(LOOK_FILE, "Look file", hint, "look"), StringMode=_A_FILE, Default="", Animates=0)
    ends = {"Min": 0.0, "Max": 1.0, "DisplayMin": 0.0, "DisplayMax": 1.0, "Increment": 0.01, "Digits": 2}
    for name, label, default, hint in (
        (LOOK_AMOUNT, "Look amount", 1.0, "How much of the look shows: 0 none, 1 all of it."),
        (LOOK_KEEP, "Keep skin", 0.0, "How far skin keeps its colour from before the look: .6 looks natural."),
    ):
        head = _Head(name, label, hint, "look")
        yield _control("Double", head, DoubleType="OfxParamDoubleTypePlain", **ends, Default=default)


_A_FILE = "OfxParamStringIsFilePath"


def _matte_output() -> Control:
    hint = "Where the matte goes: into red, green, blue and alpha, or into alpha while the colour of Source stays."
    head = _Head(MATTE_OUTPUT, words(MATTE_OUTPUT), hint)
    return _one_of(head, _MATTE_PLACES, MATTE_EVERYWHERE, Animates=0)


_MATTE_PLACES = {"everywhere": "Everywhere", "alpha": "In alpha, beside the colour of Source"}


def has_own_size(node: Node) -> bool:
    """Tell whether the size of the result is the node's own, whatever that of the picture: a scope."""
    return node.output_size(1, 1) == node.output_size(2, 2)


def _drawing_place() -> Iterator[Control]:
    corners = {"alone": "Alone"}
    for word in ("upper_left", "upper_right", "lower_left", "lower_right"):
        corners[word] = f"{words(word)} corner"
    head = _Head(DRAWING_PLACE, "Place", "Alone in the middle of the frame, or in a corner of the picture.")
    yield _one_of(head, corners, ALONE, Animates=0)
    hint = "How much of the frame's height it takes in a corner of the picture."
    height = _Head(DRAWING_HEIGHT, "Height in a corner (%)", hint)
    ends = {"Min": 10.0, "Max": 100.0, "DisplayMin": 10.0, "DisplayMax": 100.0}
    yield _control(
        "Double", height, DoubleType="OfxParamDoubleTypePlain", **ends, Default=40.0, Increment=1.0, Digits=1
    )


def _panel_name(title: str) -> str:
    return re.sub(r"\W+", "_", title.lower()) + "_panel"


def _actions(kind: type[Node]) -> Iterator[Control]:
    """Yield what the pen adds, a button for each action, what is done by itself, and the text in which they answer."""
    if not (kind.actions() or kind.face_slots()):
        return
    if tools_of(kind):
        yield _pick(tools_of(kind))
    if kind.face_slots():
        hint = "Look for faces on this frame, and keep their eyes, noses and mouths as keyframes."
        yield _control("PushButton", _Head(FIND_FACES, "Find faces", hint))
        hint = "Look for faces through the whole clip, and keep their eyes, noses and mouths as keyframes."
        yield _control("PushButton", _Head(FOLLOW_FACES, "Follow faces", hint))
        head = _Head(FACES_SEEN, "Where the faces lie", "What the clip shows round the faces, to know it again.")
        yield _control("String", head, Default="", Animates=0, EvaluateOnChange=0, Secret=1)
    for name, action in kind.actions().items():
        yield _control("PushButton", _Head(name, action.label, action.help))
    if kind.matte_fields():
        hint = "The matte was looked at and is right: its doubts no longer count, on this clip, until it changes."
        yield _control("PushButton", _Head(ACCEPT, "Accept the matte", f"{hint} Press again to take that back."))
        head = _Head(ACCEPTED_MATTE, "The accepted matte", "What was accepted and where, to know it again.")
        yield _control("String", head, Default="", Animates=0, EvaluateOnChange=0, Secret=1)
    if kind.parts():
        hint = "Clear what is set by hand on top of what is solved: " + ", ".join(
            param_label(kind, n) for n in kind.parts()
        )
        yield _control("PushButton", _Head(BACK, "Back to solved", f"{hint}."))
    for name, ask in kind.asks().items():
        if isinstance(ask, Param) and ask.kind == "toggle":
            yield from _for_param(name, ask, EvaluateOnChange=0)
    head = _Head(REPORT, "Reading", "What the last of these buttons found, or the last change with a live reading.")
    # No undo takes a reading back by itself: hosts tell what an undo has changed, and the reading is made anew then.
    yield _control("String", head, StringMode=_LINES, Default="", Animates=0, EvaluateOnChange=0, CanUndo=0, Enabled=0)


def _questions(kind: type[Node]) -> Iterator[Control]:
    """Yield what the node's actions ask for: the target, then the samples by number."""
    places = {name: ask for name, ask in kind.asks().items() if isinstance(ask, Place)}
    params = {name: ask for name, ask in kind.asks().items() if isinstance(ask, Param) and ask.kind != "toggle"}
    if params:
        yield _control("Group", _Head("target", "Target"), GroupOpen=0)
        for name, param in params.items():
            hidden: dict[str, Any] = {"Secret": 1} if name == MARKS else {}
            label = param_label(kind, name)
            yield from _for_param(name, param, label=label, parent="target", EvaluateOnChange=0, **hidden)
    if places:
        yield _control("Group", _Head("samples", "Samples by number"), GroupOpen=0)
        for name, place in places.items():
            yield from _for_place(name, place, "samples")


_LINES = "OfxParamStringIsMultiLine"


class Tool(NamedTuple):
    """What the pen adds: a role (skin, keep_out, neutral, deep_black), a shape, and what it is called."""

    role: str
    shape: str
    label: str


PLACED = ("neutral", "deep_black")
"""Roles that have one place each, and are no marks for a key."""


def role_of(name: str) -> str:
    """Return what a place shows by its name: skin_2 and skin_area show skin."""
    return re.sub(r"_(\d+|area)$", "", name)


def tools_of(kind: type[Node]) -> tuple[Tool, ...]:
    """Return what can be added on the picture: by mark where the effect keeps marks, by its places otherwise."""
    roles = dict.fromkeys(role_of(name) for name, ask in kind.asks().items() if isinstance(ask, Place))
    tools = []
    for role in roles:
        shapes = {ask.shape for name, ask in kind.asks().items() if isinstance(ask, Place) and role_of(name) == role}
        if MARKS in kind.asks() and role not in PLACED:
            shapes = {"point", "box", "stroke", *(("face",) if role == "skin" else ())}
        word = role.replace("_", " ").capitalize()
        tools += [Tool(role, s, f"{word} {s}") for s in ("point", "box", "stroke", "face") if s in shapes]
    return tuple(tools)


def _pick(tools: tuple[Tool, ...]) -> Control:
    hint = "What a click or a drag on the picture adds; the delete key takes what is selected away."
    head = _Head(PICK, "Add on the picture", hint)
    options = {"nothing": "Nothing", **{f"{tool.role}_{tool.shape}": tool.label for tool in tools}}
    return _one_of(head, options, Animates=0, EvaluateOnChange=0)


def _for_place(name: str, place: Place, parent: str) -> Iterator[Control]:
    still = {"EvaluateOnChange": 0, "Animates": 0}
    use = _Head(f"{name}_use", f"Use {place.label[0].lower()}{place.label[1:]}", place.help, parent)
    yield _control("Boolean", use, Default=int(place.used), **still)
    for corner, at in zip(corners_of(name, place), zip(place.at[::2], place.at[1::2], strict=True), strict=True):
        head = _Head(corner, place.label + corner[len(name) :].replace("_", " "), place.help, parent)
        yield _position(head, at, **still)


def corners_of(name: str, place: Place) -> tuple[str, ...]:
    """Return the names of the positions that a place consists of."""
    return (name,) if place.shape == "point" else (f"{name}_from", f"{name}_to")


def point_controls(name: str) -> tuple[str, ...]:
    """Return the names of the controls of a list of points, in order."""
    return tuple(f"{name}_{index + 1}" for index in range(MOST_POINTS))


def _position(head: _Head, at: tuple[float, ...], **more: Any) -> Control:
    """A position on screen; the declaration counts y downwards, the standard upwards."""
    return _control(
        "Double2D",
        head,
        DoubleType="OfxParamDoubleTypeXYAbsolute",
        DefaultCoordinateSystem="OfxParamCoordinatesNormalised",
        Default=(float(at[0]), float(1 - at[1])),
        UseHostOverlayHandle=1,
        Increment=1.0,
        Digits=1,
        **more,
    )


def _for_param(
    name: str, param: Param, *, label: str = "", parent: str = "", curves: bool = False, **more: Any
) -> Iterator[Control]:
    label = (label or words(name)) + (f" ({param.unit})" if param.unit not in ("", "°") else "")
    options = (_option_hint(word, help) for word, help in param.options.items())
    hint = " ".join([param.help, *options, *_UNIT_HINTS.get(param.unit, ())])
    head = _Head(name, label, hint, parent)
    if not param.animated or param.kind == "toggle":
        more["Animates"] = 0
    if param.kind == "points" and not (param.curve and curves):
        yield from _points(head, param)
    else:
        yield _MAKERS[param.kind](head, param, more)


_UNIT_HINTS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"Duv": (".001 Duv is one thousandth, as tint is counted on the command line and the desk.",)}
)
"""What is said of a unit that saved projects hold and people count otherwise elsewhere."""


def _option_hint(word: str, help: str) -> str:
    """Return what an option does, behind its label where that does not begin it anyway."""
    label, said = option_label(word), help.rstrip(".")
    return f"{said[:1].upper()}{said[1:]}." if said.lower().startswith(label.lower()) else f"{label}: {said}."


def _number(head: _Head, param: Param, more: dict[str, Any]) -> Control:
    factor = param.kind == "number" and not param.unit and (param.low, param.default) == (0, 1)
    word = "Angle" if param.kind == "angle" else "Scale" if factor else "Plain"
    return _control("Double", head, DoubleType=f"OfxParamDoubleType{word}", **_span(param, 1), **more)


def _colour(head: _Head, param: Param, more: dict[str, Any]) -> Control:
    """A colour where it is one; three numbers where they leave 0 to 1, which colour controls often do not allow."""
    low, high = _shown(param)
    if low >= 0 and high <= 1:
        return _control("RGB", head, **_span(param, 3), **more)
    return _control("Double3D", head, DimensionLabel=("red", "green", "blue"), **_span(param, 3), **more)


def _whole(head: _Head, param: Param, more: dict[str, Any]) -> Control:
    low, high = (int(max(min(end, 2**31 - 1), -(2**31))) for end in (param.low, param.high))
    limits = {"Min": low, "Max": high, "DisplayMin": low, "DisplayMax": high}
    return _control("Integer", head, **limits, Default=int(param.default), **more)  # type: ignore[arg-type]


def _choice(head: _Head, param: Param, more: dict[str, Any]) -> Control:
    labels = {word: option_label(word) for word in param.options}
    return _one_of(head, labels, tuple(param.options).index(str(param.default)), **more)


def option_label(word: str) -> str:
    """Return an option of a choice as people read it. Projects keep its place, so words may be improved."""
    return _SPELLED.get(word) or (f"{word} ×" if word.isdigit() else words(word))


_SPELLED = {
    "bt709": "BT.709",
    "bt1886": "BT.1886",
    "bt2020": "BT.2020",
    "bt601_525": "BT.601, 525 lines",
    "bt601_625": "BT.601, 625 lines",
    "srgb": "sRGB",
    "linear": "Linear light",
    "pq": "PQ",
    "hlg": "HLG",
    "gamma22": "Power 2.2",
    "gamma26": "Power 2.6",
    "acescct": "ACEScct",
    "acescg": "ACEScg",
    "aces2065": "ACES2065-1",
    "p3_d65": "P3, white D65",
    "p3_dci": "P3, digital cinema",
    "primaries": "Channels",
    "result": "Corrected picture",
    "matte": "Matte",
    "dimmed": "Skin alone, the rest dark",
    "hatched": "Skin alone, the rest hatched",
    "outline": "Outline of the matte",
    "luma": "Luma",
    "split": "Split: as it came and corrected",
    "first": "Before the key",
    "last": "After the skin",
}
"""Options whose word alone does not read well."""


_MAKERS: dict[str, Callable[[_Head, Param, dict[str, Any]], Control]] = {
    "number": _number,
    "angle": _number,
    "whole": _whole,
    "toggle": lambda head, param, more: _control("Boolean", head, Default=int(bool(param.default)), **more),
    "choice": _choice,
    "text": lambda head, param, more: _control("String", head, StringMode=_LINES, Default=param.default, **more),
    "point": lambda head, param, more: _position(head, param.default, **more),  # type: ignore[arg-type]
    "colour": _colour,
    "points": lambda head, param, more: _control(
        "Parametric", head, ParametricDimension=1, ParametricRange=(0.0, 1.0), **more
    ),
}


def _shown(param: Param) -> tuple[float, float]:
    return param.shown or (param.low, param.high)


def _span(param: Param, size: int) -> dict[str, Any]:
    """Return range, slider range, step and default of one or more numbers."""
    low, high = (float(end) for end in _shown(param))
    step = 10.0 ** math.floor(math.log10((high - low) / 100))
    ends = {"Min": param.low, "Max": param.high, "DisplayMin": low, "DisplayMax": high}
    span: dict[str, Any] = {key: (float(end),) * size for key, end in ends.items() if math.isfinite(end)}
    default = param.default if isinstance(param.default, tuple) else (param.default,)
    span["Default"] = tuple(float(value) for value in default)
    return span | {"Increment": step, "Digits": max(1, 1 - round(math.log10(step)))}


def _points(head: _Head, param: Param) -> Iterator[Control]:
    """A group with the number of points and as many positions or pairs as may be used."""
    defaults: tuple[tuple[float, float], ...] = param.default  # type: ignore[assignment]
    yield _control("Group", head._replace(name=f"{head.name}_group"), GroupOpen=0)
    inside = head._replace(parent=f"{head.name}_group")
    count = inside._replace(name=f"{head.name}_count", label=f"Number of {head.label.lower()}")
    ends = {"Min": 0, "Max": MOST_POINTS, "DisplayMin": 0, "DisplayMax": MOST_POINTS}
    yield _control("Integer", count, **ends, Default=len(defaults))
    for index in range(MOST_POINTS):
        spread = (index + 1) / (MOST_POINTS + 1)
        at = defaults[index] if index < len(defaults) else (spread, spread)
        slot = inside._replace(name=f"{head.name}_{index + 1}", label=f"Point {index + 1}")
        if not param.curve:
            yield _position(slot, at)
        else:
            ends_of_pair = {"Min": (param.low,) * 2, "Max": (param.high,) * 2}
            yield _control("Double2D", slot, **ends_of_pair, Default=at, Increment=0.01, Digits=3)


# --- from the values of controls to the node ----------------------------------------------------------------


class Frame(NamedTuple):
    """The frame in canonical coordinates, y upwards."""

    x1: float
    y1: float
    x2: float
    y2: float

    def normalised(self, position: tuple[float, ...]) -> tuple[float, float]:
        """Return a position as parts of the frame, y downwards; rounded, so that a default comes back as it was."""
        width, height = self.x2 - self.x1, self.y2 - self.y1
        return round((position[0] - self.x1) / width, 9), round((self.y2 - position[1]) / height, 9)

    def canonical(self, point: tuple[float, ...]) -> tuple[float, float]:
        """Return a normalised point in canonical coordinates."""
        return self.x1 + point[0] * (self.x2 - self.x1), self.y2 - point[1] * (self.y2 - self.y1)


Get = Callable[[str], Any]
"""Returns the value of a control: a number, a text, or a tuple of numbers or of pairs."""


def node_values(
    kind: type[Node], get: Get, frame: Frame, curves: bool = False, *, solved: bool = False
) -> dict[str, Value]:
    """Return the parameters of a node as the controls have them; what the host cannot say keeps its default.

    Numbers are limited to their range, which a host may miss by a rounding.

    :param solved: of values in two parts only the solved one, not the whole.
    """
    params, absent = kind.params(), _of_absent_faces(kind, get)
    values = {
        name: param.default if name in absent else _value(name, param, get, frame, curves)
        for name, param in params.items()
        if name != PREMULTIPLIED
    }
    for name in kind.parts():
        part: Any = get(solved_control(name))
        values[name] = params[name].limited(part) if solved else kind.whole(name, part, values[name])  # type: ignore[arg-type]
    return values


def _of_absent_faces(kind: type[Node], get: Get) -> set[str]:
    """Return the landmarks of faces that are not there: nothing reads them, so the host is not asked for them."""
    absent = (slot for slot in kind.face_slots() if get(slot[PRESENCE]) == 0)
    return {name for slot in absent for word, name in slot.items() if word != PRESENCE}


def by_hand(kind: type[Node], get: Get) -> dict[str, float]:
    """Return what is set by hand on top of what is solved."""
    return {name: kind.params()[name].limited(get(name)) for name in kind.parts()}


def asked_values(kind: type[Node], get: Get, frame: Frame) -> dict[str, Any]:
    """Return what the actions of a node ask for: values of parameters, and samples or None for places.

    Raises OpenFXError for a place outside the frame, in the units of the controls.
    """
    asked: dict[str, Any] = {HAND: by_hand(kind, get)} if kind.parts() else {}
    for name, ask in kind.asks().items():
        if isinstance(ask, Place):
            asked[name] = _sample(name, ask, get, frame)
        else:
            asked[name] = _value(name, ask, get, frame, False)
    return asked


def _sample(name: str, place: Place, get: Get, frame: Frame) -> Sample | None:
    if not get(f"{name}_use"):
        return None
    positions = [get(corner) for corner in corners_of(name, place)]
    for x, y in positions:
        if not (frame.x1 <= x <= frame.x2 and frame.y1 <= y <= frame.y2):
            raise OpenFXError(
                f"{place.label} lies at ({x:g}, {y:g}), outside the frame, which reaches from ({frame.x1:g}, "
                f"{frame.y1:g}) to ({frame.x2:g}, {frame.y2:g}): move it into the picture."
            )
    points = [frame.normalised(position) for position in positions]
    if place.shape == "point":
        return Sample.point(*points[0])
    (xs, ys) = zip(*points, strict=True)
    return Sample.box(min(xs), min(ys), max(xs), max(ys))


def _value(name: str, param: Param, get: Get, frame: Frame, curves: bool) -> Value:
    if param.kind == "points":
        if param.curve and curves:
            return _without_corners(get(name), param)
        count = max(0, min(int(get(f"{name}_count")), MOST_POINTS))
        positions = [get(f"{name}_{index + 1}") for index in range(count)]
        return tuple(position if param.curve else _within(param, frame, position) for position in positions)
    value = get(name)
    if param.kind == "choice":
        options = tuple(param.options)
        return options[value] if 0 <= value < len(options) else param.default
    if param.kind == "toggle":
        return bool(value)
    if param.kind == "point":
        return _within(param, frame, value)
    if param.kind == "colour":
        return tuple(param.limited(v) for v in value)
    return value if param.kind == "text" else param.limited(value)


def _within(param: Param, frame: Frame, position: tuple[float, ...]) -> tuple[float, ...]:
    """A position as parts of the frame: a picture much smaller than the project leaves it far outside, not wrong."""
    return tuple(param.limited(v) for v in frame.normalised(position))


def _without_corners(pairs: tuple[tuple[float, float], ...], param: Param) -> Value:
    """A control for curves starts as the straight line from corner to corner, which is the empty list here."""
    straight = ((0.0, 0.0), (1.0, 1.0))
    return param.default if tuple(sorted(pairs)) == straight else pairs


def control_value(param: Param, value: Any, frame: Frame) -> Any:
    """Return a parameter's value as its control has it. Raises OpenFXError for a list of points."""
    if param.kind == "points":
        raise OpenFXError("A list of points cannot be set by an action.")
    if param.kind == "choice":
        return tuple(param.options).index(value)
    if param.kind == "point":
        return frame.canonical(value)
    return int(value) if param.kind == "toggle" else value
