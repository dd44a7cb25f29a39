"""Controls: what the page has to know of a parameter to draw a control for it, all of it from the declarations."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from ...nodes import NODES, mired
from ...nodes.declare import Node, Param, ParamError
from ..describe import GROUPS, can_be_keyed
from ..graphs.graph import Step
from ..graphs.keyframes import WAYS
from ..graphs.typed import CONTROLS, FACTOR, LEVEL, MIRED, SIZE, STEPS, Control, control_of
from .state import Person, State

TARGET = "target"
"""The id under which a person's target is set, beside those of steps and views."""

_TARGET_NAMES = {"angle": "target_angle", "bias": "target_bias", "ratio": "target_ratio", "landing": "landing"}


WORDS: dict[str, dict[str, tuple[str, str, str]]] = {
    "balance": {
        "exposure": ("Exposure", "", ""),
        "temperature": ("Temperature", "", ""),
        "tint": ("Tint", "", ""),
    },
    "tone_curve": {
        "black": ("Black", "", ""),
        "white": ("White", "", ""),
        "middle": ("Middle", "", ""),
        "contrast": ("Contrast", "", ""),
        "pivot": ("Pivot", "darker level", "brighter level"),
        "points": ("Curve", "", ""),
    },
    "cdl": {"saturation": ("Saturation", "", "")},
    "skin_key": {
        "width": ("Key width", "", ""),
        "shadow_reach": ("Shadow reach", "", ""),
        "highlight_reach": ("Highlight reach", "", ""),
        "softness": ("Key falloff", "", ""),
    },
    "soften_matte": {
        "position": ("Edge", "", ""),
        "softness": ("Edge blur", "sharp", "soft"),
        "follow": ("Edge follows the picture", "not", "closely"),
        "specks": ("Specks", "kept", "removed"),
        "pinholes": ("Pinholes", "kept", "closed"),
    },
    "steady_matte": {"frames": ("Steady matte", "each frame alone", "steadier")},
    "steer_skin": {
        "angle": ("Turn", "", ""),
        "saturation": ("Skin saturation", "", ""),
        "temperature": ("Skin temperature", "", ""),
        "tint": ("Skin tint", "", ""),
        "amount": ("Amount", "none", "all"),
    },
    "region": {"feather": ("Feather", "sharp", "soft"), "invert": ("Inside out", "", "")},
    "vectorscope": {"angle": ("Skin line", "redder", "yellower")},
    "waveform": {"view": ("Waveform of", "", "")},
    "compare": {"gain": ("Difference times", "fainter", "stronger")},
    TARGET: {
        "angle": ("Skin line", "redder", "yellower"),
        "bias": ("Beside the line", "redder", "yellower"),
        "ratio": ("Chroma/luma to reach", "less colour", "more colour"),
        "landing": ("Rests by its", "", ""),
    },
}
"""What people call a parameter, with the words at its low and its high end where the table of options names none.
Those named here stand first, in this order; the others lie behind "more", under their own names."""

_ENDS: dict[str, dict[str, tuple[str, str]]] = {
    "face_matte": {"presence": ("not there", "there"), "keyed": ("only holds off", "keyed whole")},
    "join_faces": {
        "texture": ("smoother", "coarser"),
        "likeness": ("edge as keyed", "edge by colour"),
        "usual_face": ("not told", "larger"),
        "trust": ("as keyed", "as faces tell"),
    },
    "region": {
        "width": ("narrower", "wider"),
        "height": ("lower", "taller"),
        "rotation": ("clockwise", "counter-clockwise"),
    },
    "skin_key": {"blue_drift": ("yellower", "bluer"), "red_drift": ("greener", "redder")},
    "soften_matte": {"floor": ("as keyed", "more cut to 0"), "ceiling": ("more filled to 1", "as keyed")},
    "steady_matte": {"tolerance": ("follows change", "steadier"), "decay": ("all frames alike", "nearest frames")},
    "steer_skin": {
        "centre_angle": ("redder", "yellower"),
        "centre_ratio": ("less colour", "more colour"),
        "even_out": ("as it is", "evener"),
        "shadow_angle": ("redder", "yellower"),
        "shadow_saturation": ("less colour", "more colour"),
        "shadow_luma": ("darker level", "brighter level"),
        "shadow_softness": ("sharp", "soft"),
    },
    "keep_skin": {"amount": ("the look", "natural"), "saturation": ("the look's", "natural")},
    "compare": {"position": ("all after", "all before"), "angle": ("clockwise", "counter-clockwise")},
    "vectorscope": {
        "bias": ("redder", "yellower"), "brightness": ("fainter", "brighter"), "size": ("smaller", "larger"),
    },
    "waveform": {
        "brightness": ("fainter", "brighter"), "width": ("narrower", "wider"), "height": ("lower", "taller"),
    },
}  # fmt: skip
"""The words at the low and the high end of what lies behind "more"."""

_ASIDES = {MIRED: "kelvin", LEVEL: "codes", SIZE: "pixels"}
"""What stands beside a number that is typed in a unit."""


def label_of(node: str, name: str) -> str:
    """Return what people call a parameter."""
    words = WORDS.get(node, {}).get(name)
    return words[0] if words else (name[:1].upper() + name[1:]).replace("_", " ")


def in_words(message: str, node: str) -> str:
    """Return a complaint about a parameter in the words that stand beside its control."""
    for name in WORDS.get(node, {}):
        message = message.replace(f"{node}.{name} must be", f"{label_of(node, name)} takes")
        message = message.replace(f"{node}.{name}", label_of(node, name))
    return re.sub(rf"\b{node}\.(\w+)", lambda found: label_of(node, found[1]), message)


def refused(node: Node, values: Mapping[str, Any], error: ParamError) -> str:
    """Say why a node does not take values, in the words and units of its controls.

    :param node: as it was before. :param error: what it complained of.
    """
    for name, value in values.items():
        control, param = control_of(node.name, name), node.params().get(name)
        if control is None or param is None or param.kind == "points":
            continue
        try:
            param.check(name, value)
        except ParamError:
            return f"{label_of(node.name, name)} takes {control.span()}, not {_plainly_typed(control, value)}."
    if node.name == "tone_curve" and {"black", "white"} & set(values):
        both = [{"black": node.black, "white": node.white, **values}[name] for name in ("black", "white")]  # type: ignore[attr-defined]
        if all(isinstance(value, int | float) for value in both) and both[0] > both[1] - _LEAST_RANGE:
            named = zip(("black", "white"), both, strict=True)
            given = " and ".join(
                f"{label_of(node.name, name)} {control.shown(value)}"
                for name, value in named
                if (control := control_of(node.name, name)) is not None
            )
            return f"{given} put black at or above white: raise Black, or lower White."
    return in_words(str(error), node.name)


_LEAST_RANGE = 0.001
"""Of the signal, from black to white, that a tone curve needs."""


def _plainly_typed(control: Control, value: Any) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return repr(value)[:40]
    return f"{control.to_typed(value):.6g}" if math.isfinite(value) else str(value)


def target_rest() -> dict[str, Any]:
    """Return what each field of a target goes back to."""
    return {name: plain(param.default) for name, param in target_params().items()}


def target_params() -> dict[str, Param]:
    """Return the declarations of a target's fields; they are those of the effect that solves in one."""
    asks = NODES["correct_skin"].asks()
    return {field: param for field, name in _TARGET_NAMES.items() if isinstance(param := asks[name], Param)}


def param_control(param: Param, control: Control | None = None) -> dict[str, Any]:
    """Return one declaration as JSON data.

    :param control: how it is typed: ends, steps and unit are those of what is typed, which is a field's number less
        ``offset``, over ``slope``.
    """
    low, high = (end if math.isfinite(end) else None for end in (param.low, param.high))
    shown = param.shown or (low, high)
    told = {
        "kind": param.kind,
        "default": plain(param.default),
        "help": param.help,
        "rule": param.rule(),
        "low": low,
        "high": high,
        "shown": list(shown),
        "step": _step(param, shown),
        "unit": param.unit,
        "options": dict(param.options),
        "curve": param.curve,
        "keyable": can_be_keyed(param),
    }
    return told if control is None else told | _typed(param, control, told)


def _typed(param: Param, control: Control, told: Mapping[str, Any]) -> dict[str, Any]:
    """Return what differs where people type another unit, or in another direction, than the field's."""
    units = dict(control.unit.more)
    how: dict[str, Any] = {
        "slope": control.slope,
        "offset": control.to_field(0.0),
        "unit": _TIMES if _multiplies(param, control) else control.unit.word,
        "units": units,
        "signed": param.low < 0 or control.at_rest,
        "aside": _ASIDES.get(control.unit, ""),
        "help": control.help().partition(" Takes ")[0],
    }
    if param.kind == "points":
        return how | {"rule": "points of input and output in %"}
    low, high = _ends(control, told["low"], told["high"])
    shown = _ends(control, *told["shown"])
    more = ["in pixels as 4px"] * control.unit.pixels + ["in codes of 10 bits as 18c"] * ("c" in units)
    ends = {"low": low, "high": high, "shown": list(shown), "step": _step(param, shown)}
    return how | ends | {"rule": "; ".join([control.span(), *more])}


_TIMES = "×"
"""Stands beside a number that something is multiplied by."""


def _multiplies(param: Param, control: Control) -> bool:
    """Tell whether a number is a factor that changes nothing at 1, and neither a part of a whole nor a difference."""
    return control.unit is FACTOR and param.default == 1 and param.high > 1


def _ends(control: Control, *ends: float | None) -> tuple[Any, Any]:
    """Return the ends of a range as they are typed, the lower one first."""
    typed = [None if end is None else round(control.to_typed(end), 9) for end in ends]
    low, high = reversed(typed) if control.down else typed
    return low, high


def _step(param: Param, shown: tuple[Any, Any]) -> float:
    """A step of 1, 2 or 5 times a power of ten, about two hundred of them over what a slider offers."""
    if param.kind == "whole":
        return 1
    if shown[0] is None or shown[1] is None:
        return 0.01
    rough = float(shown[1] - shown[0]) / 200
    power = 10.0 ** math.floor(math.log10(rough))
    return next(factor * power for factor in (1, 2, 5, 10) if factor * power >= rough * 0.999)


def plain(value: Any) -> Any:
    """Return a value as JSON data."""
    return [plain(item) for item in value] if isinstance(value, tuple) else value


def steps_of_the_job() -> list[str]:
    """Return the groups of nodes in the order of the options, with those that have none at the end."""
    order = dict.fromkeys(STEPS[control.step].group for control in CONTROLS)
    return [*order, *(group for group in GROUPS if group not in order)]


def declarations() -> dict[str, Any]:
    """Return the steps of the job and every node's controls."""
    return {
        "groups": steps_of_the_job(),
        "nodes": {name: _node_controls(node) for name, node in NODES.items()},
        "ways": dict(WAYS),
        "daylight": mired(6504),
        TARGET: {"params": _controls(TARGET, target_params()), "first": list(WORDS[TARGET])},
    }


def _controls(node: str, params: dict[str, Param]) -> dict[str, Any]:
    return {
        name: {**param_control(param, control_of(node, name)), **_words(node, name, param)}
        for name, param in params.items()
    }


def _words(node: str, name: str, param: Param) -> dict[str, Any]:
    _, low, high = WORDS.get(node, {}).get(name, ("", *_ENDS.get(node, {}).get(name, ("", ""))))
    control = control_of(node, name)
    ends = control.ends if control is not None and any(control.ends) else (low, high)
    if not any(ends) and param.kind in ("number", "whole", "angle"):
        ends = ("less", "more")
    return {"label": label_of(node, name), "ends": list(ends)}


def _node_controls(node: type[Node]) -> dict[str, Any]:
    return {
        "label": node.label,
        "group": node.group,
        "help": node.help(),
        "params": _controls(node.name, dict(node.params())),
        "first": list(WORDS.get(node.name, {})),
    }


def step_values(step: Step, rest: Node) -> dict[str, Any]:
    """Return a step's values, what each goes back to, and how many keyframes those have that change over time."""
    keyed = {name: len(keyframes.pairs) for name, keyframes in step.keyed}
    return {"id": step.id, "node": step.node.name, "params": _values(step.node), "rest": _values(rest), "keyed": keyed}


def view_values(name: str, node: Node, rest: Node) -> dict[str, Any]:
    """Return the values of a view, like those of a step."""
    return {"id": name, "node": node.name, "params": _values(node), "rest": _values(rest), "keyed": {}}


def _values(node: Node) -> dict[str, Any]:
    """Return a node's values; text, which can be long, by its length alone."""
    declared = node.params()
    values = {name: plain(getattr(node, name)) for name in declared}
    return values | {name: len(values[name]) for name, param in declared.items() if param.kind == "text"}


def person_values(person: Person, state: State) -> dict[str, Any]:
    """Return a person with their target as the controls show it."""
    target = person.target
    return {
        "suffix": person.suffix,
        "name": person.name,
        "rest": target_rest(),
        "taught": state.is_taught(person.suffix),
        "target": {"angle": target.angle, "bias": target.bias, "ratio": target.ratio or 0.0, "landing": target.landing},
        "marks": sum(mark.suffix == person.suffix and mark.purpose == "skin" for mark in state.marks),
    }
