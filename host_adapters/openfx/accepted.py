"""The matte that a person has accepted: it counts on the clip where somebody looked, as long as it is the same."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from ...nodes import SeenMatte
from .controls import ACCEPTED_MATTE
from .instance import Instance
from .properties import OpenFXError, Properties
from .render import whole_inputs

_MOST_ROWS = 720
"""Larger pictures are reduced to at most so many rows before their matte is made: it is only known again by it."""


def accept(instance: Instance, time: float, arguments: Properties) -> str:
    """Keep that the matte of this frame is right; or take that back where it counts. Return what to say of it.

    Raises OpenFXError without a picture, or where nothing is keyed.
    """
    if is_accepted(instance, time, arguments)[0]:
        _keep(instance, "")
        return "The matte is judged again. "
    seen = _seen(instance, time, arguments)
    if seen is None:
        raise OpenFXError("Nothing is keyed on this frame: go to one that shows the skin, and look at its matte.")
    _keep(instance, json.dumps({"frame": time, "values": _values(instance, time), **seen.told()}))
    return ""


def is_accepted(instance: Instance, time: float, arguments: Properties) -> tuple[bool, str]:
    """Tell whether the matte was accepted as it is now and on this clip, and what to say of it."""
    text = instance.getter(time)(ACCEPTED_MATTE) if instance.has_control(ACCEPTED_MATTE) else ""
    try:
        told: dict[str, Any] = json.loads(text or "{}")
        at, values, kept = float(told["frame"]), told["values"], SeenMatte.read(told)
    except (ValueError, TypeError, KeyError, AttributeError):
        return False, ""
    where = f"The matte that was accepted on frame {at:g}"
    if values != _values(instance, time):
        return False, f"{where} is another one now: it is judged. "
    try:
        with whole_inputs(instance, at, arguments, _MOST_ROWS) as (frame, inputs):
            matte = instance.node(at, frame).keyed(**inputs)  # type: ignore[attr-defined]
            is_same = kept.is_in(inputs[instance.clips[0].port], matte)
    except OpenFXError:
        return False, f"{where} cannot be compared, as Source does not give that frame: it is judged. "
    if not is_same:
        return False, f"{where} is another one now, or belongs to another clip: it is judged. "
    return True, f"The matte was accepted on frame {at:g}. "


def _seen(instance: Instance, time: float, arguments: Properties) -> SeenMatte | None:
    with whole_inputs(instance, time, arguments, _MOST_ROWS) as (frame, inputs):
        matte = instance.node(time, frame).keyed(**inputs)  # type: ignore[attr-defined]
        return SeenMatte.of(inputs[instance.clips[0].port], matte)


def _values(instance: Instance, time: float) -> str:
    """Return a hash of what makes the matte at a time, but for the places of faces, which move from frame to frame."""
    node = instance.node(time, instance.project_frame())
    told = [(name, getattr(node, name)) for name in sorted(set(node.matte_fields()))]
    return hashlib.sha256(repr(told).encode()).hexdigest()[:16]


def _keep(instance: Instance, text: str) -> None:
    with instance.one_edit("Accept the matte" if text else "Doubt the matte"):
        instance.set_control(ACCEPTED_MATTE, text)
