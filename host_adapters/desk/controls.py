"""Controls: what the page has to know of a parameter to draw a control for it, all of it from the declarations."""

from __future__ import annotations

import math
import re
from typing import Any

from ...nodes import NODES
from ...nodes.declare import Node, Param
from ..describe import GROUPS, can_be_keyed
from ..graphs.graph import Step
from .state import Person, State

TARGET = "target"
"""The id under which a person's target is set, beside those of steps and views."""

_TARGET_NAMES = {"angle": "target_angle", "bias": "target_bias", "ratio": "target_ratio", "landing": "landing"}


WORDS: dict[str, dict[str, tuple[str, str, str]]] = {
    "tone_curve": {
        "black": ("Black", "lighter", "darker"),
        "white": ("White", "brighter", "darker"),
        "middle": ("Middle", "darker", "brighter"),
        "points": ("Curve", "", ""),
    },
    "balance": {"temperature": ("Temperature", "cooler", "warmer"), "tint": ("Tint", "greener", "more magenta")},
    "cdl": {"saturation": ("Saturation", "less", "more")},
    "skin_key": {
        "width": ("Key width", "narrower", "wider"),
        "shadow_reach": ("Shadow reach", "less", "further"),
        "highlight_reach": ("Highlight reach", "less", "further"),
        "softness": ("Key falloff", "harder", "softer"),
    },
    "soften_matte": {
        "position": ("Edge", "inward", "outward"),
        "softness": ("Edge blur", "sharp", "soft"),
        "follow": ("Edge follows the picture", "not", "closely"),
        "specks": ("Specks", "kept", "removed"),
        "pinholes": ("Pinholes", "kept", "closed"),
    },
    "steer_skin": {
        "angle": ("Turn", "redder", "yellower"),
        "saturation": ("Saturation", "less", "more"),
        "temperature": ("Skin temperature", "cooler", "warmer"),
        "tint": ("Skin tint", "greener", "more magenta"),
        "amount": ("Amount", "none", "all"),
    },
    "region": {"feather": ("Feather", "sharp", "soft"), "invert": ("Inside out", "", "")},
    "vectorscope": {"angle": ("Skin line", "redder", "yellower")},
    "waveform": {"view": ("Waveform of", "", "")},
    "compare": {"gain": ("Difference times", "", "")},
    TARGET: {
        "angle": ("Skin line", "redder", "yellower"),
        "bias": ("Beside the line", "redder", "yellower"),
        "ratio": ("Chroma/luma to reach", "", ""),
        "landing": ("Rests by its", "", ""),
    },
}
"""What people call a parameter, with the words at its low and its high end. Those named here stand first, in this
order; the others lie behind "more", under their own names."""


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


def target_rest() -> dict[str, Any]:
    """Return what each field of a target goes back to."""
    return {name: plain(param.default) for name, param in target_params().items()}


def target_params() -> dict[str, Param]:
    """Return the declarations of a target's fields; they are those of the effect that solves in one."""
    asks = NODES["correct_skin"].asks()
    return {field: param for field, name in _TARGET_NAMES.items() if isinstance(param := asks[name], Param)}


def param_control(param: Param) -> dict[str, Any]:
    """Return one declaration as JSON data."""
    low, high = (end if math.isfinite(end) else None for end in (param.low, param.high))
    shown = param.shown or (low, high)
    return {
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


def declarations() -> dict[str, Any]:
    """Return the steps of the job and every node's controls."""
    return {
        "groups": list(GROUPS),
        "nodes": {name: _node_controls(node) for name, node in NODES.items()},
        TARGET: {"params": _controls(TARGET, target_params()), "first": list(WORDS[TARGET])},
    }


def _controls(node: str, params: dict[str, Param]) -> dict[str, Any]:
    return {name: {**param_control(param), **_words(node, name)} for name, param in params.items()}


def _words(node: str, name: str) -> dict[str, Any]:
    _, low, high = WORDS.get(node, {}).get(name, ("", "", ""))
    return {"label": label_of(node, name), "ends": [low, high]}


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
        "taught": person.recall is not None,
        "target": {"angle": target.angle, "bias": target.bias, "ratio": target.ratio or 0.0, "landing": target.landing},
        "marks": sum(mark.suffix == person.suffix and mark.purpose == "skin" for mark in state.marks),
    }
