"""What a host is told about an effect, in words: for people who script a host or look for a control."""

from __future__ import annotations

from typing import Any

from ...nodes.declare import Node
from .controls import Control, clips_of, contexts_of, controls_of, identifier

HEADINGS = ("control", "type", "range", "default", "label")


def headline(kind: type[Node]) -> str:
    """Return the effect's id, label, contexts and clips on one line."""
    contexts = ", ".join(
        context.decode().removeprefix("OfxImageEffectContext").lower() for context in contexts_of(kind)
    )
    clips = ", ".join(clip.name.decode() + ("" if clip.needed else " (optional)") for clip in clips_of(kind))
    return f"{identifier(kind)} {kind.version}: {kind.label}. Contexts: {contexts}. Clips: {clips}."


def rows(kind: type[Node]) -> list[tuple[str, str, str, str, str]]:
    """Return a row for each control, without pages, in a host that has no control for curves."""
    return [_row(control) for control in controls_of(kind) if control.type != "Page"]


def _row(control: Control) -> tuple[str, str, str, str, str]:
    label = str(_values(control, "Label")[0])
    return control.name, control.type, _range(control), _words(_values(control, "Default")), label


def _range(control: Control) -> str:
    if control.type == "Choice":
        return " · ".join(_values(control, "ChoiceOption"))
    if _values(control, "DefaultCoordinateSystem"):
        return "position, default in parts of the frame, y up"
    low, high = _values(control, "Min"), _values(control, "Max")
    return f"{low[0]:g} to {high[0]:g}" if low and high else ""


def _values(control: Control, word: str) -> tuple[Any, ...]:
    for prefix in (b"OfxParamProp", b"OfxProp"):
        if prefix + word.encode() in control.properties:
            return control.properties[prefix + word.encode()]
    return ()


def _words(values: tuple[Any, ...]) -> str:
    return ", ".join(f"{value:g}" if isinstance(value, float) else str(value) for value in values)
