"""What hosts are told of an effect, as the text that the launcher reads: written when the bundle is built."""

from __future__ import annotations

import hashlib
import importlib.metadata
import itertools
import math
from collections.abc import Iterator

from ...nodes.declare import MARKS, Node
from . import api
from .controls import MATTE_OUTPUT, OUTPUT, clips_of, contexts_of, controls_of, words
from .overlay import has_overlay
from .signals import CONFIGURATION

CURVES, TEXT_CHOICES = 1, 2
"""Features of hosts that descriptions differ by; launcher.c holds the same numbers."""
ALL_FEATURES = 15
_OPTIONAL = ("Page", "Group", "PushButton")
"""Controls that an effect works without."""
Value = bytes | str | float | int | bool


def description(kind: type[Node]) -> str:
    """Return the text of an effect, once for all hosts or once for each set of features that makes a difference."""
    variants = {mask: "\n".join(_variant(kind, mask)) for mask in range(4)}
    if len(set(variants.values())) == 1:
        variants = {ALL_FEATURES: variants[0]}
    return "".join(f"variant {mask}\n{text}\n" for mask, text in variants.items())


def digest(kind: type[Node]) -> str:
    """Return a hash of everything that a host is told about an effect."""
    return hashlib.sha256(description(kind).encode()).hexdigest()[:12]


def makes_matte(kind: type[Node]) -> bool:
    """Tell whether the result is a matte."""
    return kind.output().kind == "matte"


def is_temporal(kind: type[Node]) -> bool:
    """Tell whether the effect reads other frames than the current one: to work, or for samples made on them."""
    return any(kind().frames_needed()) or MARKS in kind.asks() or bool(kind.face_slots())


def _variant(kind: type[Node], features: int) -> Iterator[str]:
    yield from _effect(kind)
    for context in contexts_of(kind):
        yield f"context {context.decode()}"
        yield from _clips(kind)
        yield from _controls(kind, features)


# --- lines --------------------------------------------------------------------------------------------------


def _property(name: bytes, *values: Value, needed: bool = False) -> Iterator[str]:
    for index, value in enumerate(values):
        letter, text = _written(value)
        yield f"{letter.upper() if needed else letter} {name.decode()} {index} {text}"


def _written(value: Value) -> tuple[str, str]:
    if isinstance(value, bytes | str):
        text = value.decode() if isinstance(value, bytes) else value
        return "s", text.replace("\\", "\\\\").replace("\n", "\\n")
    if isinstance(value, float):
        part, exponent = math.frexp(value)
        return "d", f"{int(part * 2**53)} {exponent - 53}"  # a decimal point would be read by the host's locale
    return "i", str(int(value))


# --- the effect ---------------------------------------------------------------------------------------------


def _effect(kind: type[Node]) -> Iterator[str]:
    for name in (api.LABEL, api.SHORT_LABEL, api.LONG_LABEL):
        yield from _property(name, kind.label)
    yield from _property(api.GROUPING, "Inkarnat")
    yield from _property(api.DESCRIPTION, _words(kind))
    version = importlib.metadata.version("inkarnat")
    yield from _property(api.VERSION, *(int(part) for part in version.split(".")[:3] if part.isdigit()))
    yield from _property(api.VERSION_LABEL, version)
    yield from _property(api.CONTEXTS, *contexts_of(kind), needed=True)
    yield from _property(api.DEPTHS, api.FLOAT, api.HALF, api.SHORT, api.BYTE)
    yield from _property(api.THREAD_SAFETY, api.FULLY_SAFE)
    numbers = {
        api.SINGLE_INSTANCE: False,
        api.HOST_THREADING: False,  # frames are already shared out among threads
        api.MULTI_RESOLUTION: True,
        api.TILES: kind.pixelwise,
        api.TEMPORAL: is_temporal(kind),
        api.RENDER_TWICE: False,
        api.MULTIPLE_DEPTHS: False,
        api.MULTIPLE_ASPECTS: False,
    }
    for name, value in numbers.items():
        yield from _property(name, value)
    yield from _property(api.COLOUR_STYLE, api.COLOUR_CORE)
    yield f"e {api.COLOUR_STYLE.decode()} 0 {api.COLOUR_BASIC.decode()}"
    yield from _property(api.COLOUR_CONFIGURATIONS, CONFIGURATION)
    yield from _property(api.WITHOUT_NEIGHBOURS, "true" if _needs_no_neighbours(kind) else "false")
    if makes_matte(kind):
        yield from _property(api.SLAVE_PARAMETERS, MATTE_OUTPUT)
    if has_overlay(kind):
        yield "overlay"


def _words(kind: type[Node]) -> str:
    parts = [kind.help()]
    masks = [clip for clip in clips_of(kind) if clip.is_mask and not kind.inputs()[clip.port].optional]
    if masks:
        parts.append("Without a matte, the alpha of Source is taken.")
    if makes_matte(kind):
        parts.append("Makes a matte: see Matte output for where it goes.")
    return " ".join(parts)


def _needs_no_neighbours(kind: type[Node]) -> bool:
    """Tell whether a host may bake the effect into a table of colours: one picture in, each pixel by itself."""
    return kind.pixelwise and [port.kind for port in kind.inputs().values()] == ["picture"] and not makes_matte(kind)


# --- clips and controls -------------------------------------------------------------------------------------


def _clips(kind: type[Node]) -> Iterator[str]:
    for clip in clips_of(kind):
        yield f"clip {clip.name.decode()}"
        own = "Source" if clip.port == "image" else words(clip.port)
        yield from _property(api.LABEL, kind.port_labels.get(clip.port, own))
        yield from _property(api.SUPPORTED_COMPONENTS, *clip.components, needed=True)
        yield from _property(api.OPTIONAL, not clip.needed)
        yield from _property(api.IS_MASK, clip.is_mask)
        yield from _property(api.TILES, kind.pixelwise)
        yield from _property(api.TEMPORAL, is_temporal(kind))
    yield f"clip {OUTPUT.decode()}"
    yield from _property(api.SUPPORTED_COMPONENTS, api.RGBA, api.RGB, api.ALPHA, needed=True)
    yield from _property(api.TILES, kind.pixelwise)


def _controls(kind: type[Node], features: int) -> Iterator[str]:
    for control in controls_of(kind, bool(features & CURVES), bool(features & TEXT_CHOICES)):
        word = "maybe" if control.type in _OPTIONAL else "control"
        yield f"{word} {control.ofx_type.decode()} {control.name}"
        yield from itertools.chain.from_iterable(_property(n, *values) for n, values in control.properties.items())
