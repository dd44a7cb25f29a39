"""Listing: a graph as people read it, and how one graph differs from another."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from typing import Any

from ...nodes import SkinKey
from ...nodes.declare import Node
from .edits import current
from .graph import Graph, Step
from .keyframes import Keyframes
from .parts import Parts, accepted_keys, frozen_keys, parts_of
from .typed import control_of, told_parts
from .wording import value_words, word_of

_MOST_KEYFRAMES_SHOWN = 6


def lines(graph: Graph, everything: bool = False) -> Iterator[str]:
    """Yield a graph as a tree in the order of work: each step, what it reads, and which values differ from the default.

    :param everything: yield values at their default as well.
    """
    for source in graph.sources:
        yield f"├─ {source}: a picture given when the graph runs"
    frozen, accepted = frozen_keys(graph), accepted_keys(graph)
    for step in _in_order(graph):
        yield f"├─ {step.id}: {step.node.label.lower()} ← {_wires(step)}"
        rows = list(values(step, everything))
        known = parts_of(graph, step.id)
        width = max((len(word) for word, _ in rows), default=0)
        for word, value in rows:
            yield f"│    {word.ljust(width)}  {value}"
            yield from _parts_words(step, word, known)
        if not rows:
            yield "│    as by default"
        if step.id in frozen:
            yield "│    frozen: a change before it does not learn it anew"
        if step.id in accepted:
            yield "│    matte accepted as it is"
    outputs = list(graph.outputs)
    for number, (name, origin) in enumerate(outputs, start=1):
        yield f"{'└' if number == len(outputs) else '├'}─ gives {name} ({graph.kind(origin)}) ← {origin}"


def _parts_words(step: Step, word: str, known: Mapping[str, Parts]) -> Iterator[str]:
    """Yield what was solved of a value and what a hand did to it, where a hand did."""
    for name, parts in known.items():
        control = control_of(step.node.name, name)
        if control is not None and control.option == word and None not in (parts.hand, parts.solved):
            yield f"│      = {told_parts(control, parts)}"


def _in_order(graph: Graph) -> list[Step]:
    used = graph.order()
    return [*used, *(step for step in graph.steps if step not in used)]


def _wires(step: Step) -> str:
    ports = step.node.inputs()
    plain = next(iter(ports), "")
    wires = [origin if port == plain else f"{port} {origin}" for port, origin in step.inputs]
    return ", ".join(wires) or "nothing"


def values(step: Step, everything: bool = False) -> Iterator[tuple[str, str]]:
    """Yield the words and values of a step that are not as by default, all of them where ``everything``."""
    kind = type(step.node)
    for name, param in kind.params().items():
        value = current(step, name)
        if everything or isinstance(value, Keyframes) or value != param.default:
            yield word_of(kind, name).name, in_words(kind, name, value)


def in_words(kind: type[Node], name: str, value: Any) -> str:
    """Return a value or keyframes on one line, as people read it."""
    if isinstance(value, Keyframes):
        first = value.pairs[:_MOST_KEYFRAMES_SHOWN]
        listed = ", ".join(f"{frame:g}: {value_words(kind, name, one)}" for frame, one in first)
        rest = f" … {len(value.pairs)} keyframes in all" if len(value.pairs) > len(first) else ""
        return f"{listed}{rest}, {value.between}"
    if kind is SkinKey and name == "model":
        return _key_words(value)
    if kind.params()[name].kind == "text" and len(value) > 60:
        return f"{len(value)} characters"
    return value_words(kind, name, value)


def _key_words(text: str) -> str:
    """Return a learned key on one line: where its skin lies, and how much it holds."""
    learned = SkinKey(model=text).learned
    u, v = learned.centre
    angle, ratio = math.degrees(math.atan2(v, u)) % 360, math.hypot(u, v)
    if not text:
        return f"nothing learned: the natural range of skin round {angle:.1f}°"
    table = "" if learned.table is None else f", table of {int((learned.table > 0).sum())} cells"
    return f"learned, skin at {angle:.1f}°, chroma/luma {ratio:.3f}{table}, {len(text) / 1024:.1f} kB"


# --- differences --------------------------------------------------------------------------------------------


def differences(first: Graph, second: Graph) -> Iterator[str]:
    """Yield what the second graph has, reads, holds or gives otherwise than the first, one line each."""
    yield from _named("source", dict.fromkeys(first.sources, ""), dict.fromkeys(second.sources, ""))
    for id, step in first.by_id.items():
        other = second.by_id.get(id)
        if other is None:
            yield f"- {id}: {step.node.label.lower()}"
        elif type(step.node) is not type(other.node):
            yield f"{id}: {step.node.label.lower()} → {other.node.label.lower()}"
        else:
            yield from _step_differences(step, other)
    for id, step in second.by_id.items():
        if id not in first.by_id:
            yield f"+ {id}: {step.node.label.lower()} ← {_wires(step)}"
            yield from (f"+ {id}.{word}: {value}" for word, value in values(step))
    yield from _named("output", dict(first.outputs), dict(second.outputs))
    yield from _notes(first, second)


def _step_differences(first: Step, second: Step) -> Iterator[str]:
    if dict(first.inputs) != dict(second.inputs):
        yield f"{first.id} ← {_wires(first)} → {_wires(second)}"
    kind = type(first.node)
    for name in kind.params():
        before, after = current(first, name), current(second, name)
        if before != after:
            old, new = in_words(kind, name, before), in_words(kind, name, after)
            yield f"{first.id}.{word_of(kind, name).name}: {old} → {new}" + (
                " (by less than is shown)" if old == new else ""
            )


def _named(what: str, first: dict[str, str], second: dict[str, str]) -> Iterator[str]:
    for name, origin in first.items():
        if name not in second:
            yield f"- {what} {name}"
        elif second[name] != origin:
            yield f"{what} {name} ← {origin} → {second[name]}"
    yield from (f"+ {what} {name}" + f" ← {second[name]}" * bool(second[name]) for name in second if name not in first)


def _notes(first: Graph, second: Graph) -> Iterator[str]:
    before, after = first.notes(), second.notes()
    for name in dict.fromkeys((*before, *after)):
        if before.get(name) != after.get(name):
            yield f"notes on {re.sub('[_-]', ' ', name)} differ"
