"""Edits: a graph with other values, read as people type them: ``steer.turn=4``, ``balance.tint=by:2``."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from typing import Any

from ...nodes import LEVELS_FIRST, Cdl, SkinKey
from ...nodes.declare import Node, ParamError, nearest
from ..describe import can_be_keyed
from .by_hand import with_picture_step
from .errors import GraphError, Problems
from .graph import STANDARD_SOURCE, Graph, Step
from .keyframes import WAYS, WORD, Keyframes
from .parts import (
    Hand,
    Parts,
    accepted_keys,
    back_to_solved,
    frozen_keys,
    parts_of,
    with_accepted,
    with_frozen,
    with_parts,
)
from .standard import keyed_step
from .typed import CONTROLS, STEPS
from .wording import parameter, read_value, span_words, value_words, word_of

BY = "by:"
"""Before a figure: add it to what stands there."""
SOLVED = "solved"
"""In place of a figure: go back to what was solved."""
FROZEN = {"frozen": True, "free": False}
ACCEPTED = {"accepted": True, "doubted": False}
MATTE = "matte"
"""What an edit calls a key's matte that was accepted, which is no parameter of it."""
"""What a key is set to that a change before it does not learn anew, or does."""


@dataclasses.dataclass(frozen=True)
class Edit:
    """One value that was changed: where, and what it was and is, each a value or keyframes."""

    step: str
    name: str
    before: Any
    after: Any


def with_values(graph: Graph, assignments: Sequence[str], height: float | None = None) -> tuple[Graph, list[Edit]]:
    """Return the graph with values as typed, ``step.word=value``, and what changed.

    A value is one of the parameter's (see :func:`.wording.read_value`), ``by:`` and a figure, or keyframes as
    ``frame:value,frame:value``, behind which ``smooth`` may stand. ``solved`` goes back to what was solved; a key is
    set to ``frozen`` or ``free``, ``skin=frozen``, and its matte to ``accepted`` or ``doubted``.

    :raises GraphError: with everything that is wrong with any of the assignments.
    """
    problems = Problems()
    edits: list[Edit] = []
    for text in assignments:
        changed = problems.of(_assigned, graph, text, height)
        if changed is not None:
            graph, edit = changed
            edits.append(edit)
    problems.raise_any()
    return graph, edits


def _assigned(graph: Graph, text: str, height: float | None) -> tuple[Graph, Edit]:
    place, sign, value = text.partition("=")
    id, dot, word = place.strip().rpartition(".")
    if sign and not dot and value.strip().lower() in FROZEN:
        return _frozen(graph, place.strip(), FROZEN[value.strip().lower()])
    if sign and not dot and value.strip().lower() in ACCEPTED:
        return _as_accepted(graph, place.strip(), ACCEPTED[value.strip().lower()])
    if not sign or not dot:
        raise GraphError(f"An assignment is step.word=value, such as steer.turn=4, not {text!r}.")
    if id in LEVELS_FIRST.before and id not in graph.by_id and STANDARD_SOURCE in graph.sources:
        if other := _of_another_name(graph, id):
            raise GraphError(
                f"The graph has no step {id!r}; its {STEPS[id].label.lower()} is {other}: {other}.{word}=…."
            )
        graph = with_picture_step(graph, id)  # left out where it changed nothing
    step = graph.by_id.get(id)
    if step is None:
        made = next((f"`inkarnat correct` makes it where --{c.option} is given." for c in CONTROLS if c.step == id), "")
        fix = made or nearest(id, graph.by_id) or f"There are: {', '.join(graph.by_id)}."
        raise GraphError(f"The graph has no step {id!r}. {fix}")
    kind = type(step.node)
    name = parameter(f"Step {id}", kind, word)
    before = current(step, name)
    if value.strip().lower() == SOLVED:
        graph = back_to_solved(graph, id, [name])
        return graph, Edit(id, name, before, current(graph.by_id[id], name))
    changed = _with_value(step, name, _read(f"{id}.{word_of(kind, name).name}", step, name, value.strip(), height))
    after = current(changed, name)
    known = parts_of(graph, id).get(name)
    steps = tuple(changed if other is step else other for other in graph.steps)
    graph = dataclasses.replace(graph, steps=steps)
    if known is not None and not value.strip().lower().startswith(BY):
        graph = with_parts(graph, id, {name: Parts(known.solved, Hand(after, adds=False))})
    return graph, Edit(id, name, before, after)


def _of_another_name(graph: Graph, word: str) -> str:
    """Return the step that does the work of a step of the standard chain under a name of its own, "" for none.

    A second balance or curve beside it would work on top of it. Decision lists do many things: looks among them.
    """
    kind = type(STEPS[word])
    found = () if kind is Cdl else (step.id for step in graph.steps if type(step.node) is kind)
    return next(iter(found), "")


def _frozen(graph: Graph, id: str, frozen: bool) -> tuple[Graph, Edit]:
    """Return the graph with a key frozen as it was learned, or free to be learned anew."""
    _skin_key(graph, id, "freeze")
    words = {True: "frozen", False: "free"}
    before = words[id in frozen_keys(graph)]
    return with_frozen(graph, id, frozen), Edit(id, "model", before, words[frozen])


def _as_accepted(graph: Graph, id: str, accepted: bool) -> tuple[Graph, Edit]:
    """Return the graph with the matte of a key accepted as it is now, or doubted again."""
    _skin_key(graph, id, "accept the matte of")
    words = {True: "accepted", False: "not accepted"}
    before = words[id in accepted_keys(graph)]
    return with_accepted(graph, id, accepted), Edit(id, MATTE, before, words[accepted])


def _skin_key(graph: Graph, id: str, wanted: str) -> None:
    step = graph.by_id.get(id)
    if step is None or not isinstance(step.node, SkinKey):
        keys = ", ".join(other.id for other in graph.steps if isinstance(other.node, SkinKey)) or "none"
        raise GraphError(f"The graph has no skin key {id!r} to {wanted}. It has: {keys}.")


def current(step: Step, name: str) -> Any:
    """Return a parameter's value in a step, or its keyframes where it changes over time."""
    return dict(step.keyed).get(name, getattr(step.node, name))


def _read(where: str, step: Step, name: str, text: str, height: float | None) -> Any:
    kind = type(step.node)
    param = kind.params()[name]
    if text.lower().startswith(BY):
        if param.kind not in ("number", "angle", "whole"):
            raise GraphError(f"{where}: {BY} adds to a figure, and this is none.")
        added = read_value(where, kind, name, text[len(BY) :], height, by=True)
        return _allowed(where, kind, name, text, _moved(current(step, name), added))
    if ":" in text and can_be_keyed(param) and not _is_curve(kind, name, text):
        return _keyframes(where, kind, name, text, height)
    return _allowed(where, kind, name, text, read_value(where, kind, name, text, height))


def _is_curve(kind: type[Node], name: str, text: str) -> bool:
    """Tell whether points are typed as `correct` takes them, input:output, and not as keyframes."""
    control = word_of(kind, name).control
    if control is None or control.param.kind != "points":
        return False
    return ";" not in text and all(":" in pair for pair in text.split(","))


def _allowed(where: str, kind: type[Node], name: str, text: str, value: Any) -> Any:
    """Return a value in its stored form. Raises GraphError in the words in which it was typed."""
    param = kind.params()[name]
    amounts = [one for _, one in value.pairs] if isinstance(value, Keyframes) else [value]
    try:
        for amount in amounts:
            checked = param.check(where, amount)
    except ParamError:
        figures = [one for one in amounts if isinstance(one, int | float)]
        if len(figures) < len(amounts):
            control = word_of(kind, name).control
            if control is None:
                raise
            raise GraphError(f"{where} takes {control.rule()}, not {text}.") from None
        ends = ""
        if text.lower().startswith(BY):  # the sum is what is wrong
            wrong = next(one for one in figures if not param.low <= one <= param.high)
            ends = f", which comes to {value_words(kind, name, wrong)}"
        raise GraphError(f"{where} takes {span_words(kind, name)}, not {text}{ends}.") from None
    return value if isinstance(value, Keyframes) else checked


def _moved(value: Any, by: float) -> Any:
    if isinstance(value, Keyframes):
        return dataclasses.replace(value, pairs=tuple((frame, one + by) for frame, one in value.pairs))  # type: ignore[operator]
    return value + by


def _keyframes(where: str, kind: type[Node], name: str, text: str, height: float | None) -> Keyframes:
    body, _, way = re.sub(r"\s*/\s*(?=\w+$)", " ", text).rpartition(" ")  # as the options of `correct` have it
    if not body:
        body, way = text, "linear"
    elif way not in WAYS:
        raise GraphError(f"{where}: behind keyframes stands {' or '.join(WAYS)}, not {way!r}.")
    pairs: list[list[Any]] = []
    separator = ";" if kind.params()[name].kind in ("point", "colour", "points") else ","
    for item in body.split(separator):
        frame, sign, value = item.partition(":")
        try:
            number = float(frame)
        except ValueError:
            sign = ""
        if not sign:
            raise GraphError(
                f"{where}: keyframes are frame:value{separator}frame:value, such as 0:0,48:3, not {text!r}."
            )
        at = f"{where} at frame {number:g}"
        amount = _allowed(at, kind, name, value.strip(), read_value(where, kind, name, value, height))
        pairs.append([int(number) if number == int(number) else number, amount])
    return Keyframes.read(where, kind.params()[name], {WORD: pairs, "between": way})


def _in_words(step: Step, name: str, value: Any) -> str:
    """Say in typed words that black and white cross; "" where something else is wrong."""
    kind = type(step.node)
    if not {"black", "white"} <= set(kind.params()) or name not in ("black", "white"):
        return ""
    amounts = {each: value if each == name else current(step, each) for each in ("black", "white")}
    told = {each: value_words(kind, each, amount) for each, amount in amounts.items()}
    words = " and ".join(f"{step.id}.{each}={told[each]}" for each in told)
    return f"{words} put black at or above white: bring one of them nearer to 0."


def _with_value(step: Step, name: str, value: Any) -> Step:
    keyed = dict(step.keyed)
    keyed.pop(name, None)
    try:
        if isinstance(value, Keyframes):
            order = list(step.node.params())
            keyed[name] = value
            plain = dataclasses.replace(step, keyed=())
            return keyed_step(plain, tuple(sorted(keyed.items(), key=lambda item: order.index(item[0]))))
        node = dataclasses.replace(step.node, **{name: value})  # type: ignore[type-var]
    except ParamError as error:
        raise GraphError(_in_words(step, name, value) or str(error)) from None
    return dataclasses.replace(step, node=node, keyed=tuple(keyed.items()))
