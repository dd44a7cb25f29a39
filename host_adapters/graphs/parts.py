"""Parts: what of a value was solved and what a hand put beside it, kept apart in the notes of a graph.

A step's value is what works on the picture. For values that a solve finds, the graph's notes say which part of it was
solved, and whether a hand adds to it or stands in its place:

    "about": {"parts": {"steer": {"angle": {"solved": 3.2, "by": 1.5}, "saturation": {"solved": 1.04, "to": 0.9}}}}

Solving again (:func:`with_solved`) sets the solved part and leaves the hand's; :func:`back_to_solved` clears the
hand's. Whoever sets a value without saying so, by a slider or in a text editor, moves the hand's part: it is the
difference. Graphs without such notes stay in format 1; their values count as solved where a solve finds them anew.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from ...nodes import REST
from ...nodes.declare import Node, ParamError, Value
from .errors import GraphError, shown
from .graph import Graph, Step
from .keyframes import Keyframes

Amount = Value | Keyframes
"""A value in its node's own unit, or its keyframes."""

_SAME = 1e-9


@dataclass(frozen=True)
class Hand:
    """What a hand did to a value: ``value`` is added to what is solved (``adds``), or stands in its place."""

    value: Amount
    adds: bool = True


@dataclass(frozen=True)
class Parts:
    """The two parts of one value. :ivar solved: None where nothing was solved. :ivar hand: None where no hand is."""

    solved: Amount | None = None
    hand: Hand | None = None

    @property
    def is_solved(self) -> bool:
        """Tell whether solving again moves the value."""
        return self.solved is not None and (self.hand is None or self.hand.adds)

    def amount(self, rest: Value) -> Amount:
        """Return what the value comes to; ``rest`` is what it is where nothing is solved."""
        found = rest if self.solved is None else self.solved
        if self.hand is None:
            return found
        return summed(found, self.hand.value) if self.hand.adds else self.hand.value


def summed(one: Amount, other: Amount) -> Amount:
    """Return the sum of two amounts, with a keyframe wherever one of them has one."""
    return _worked(one, other, 1.0)


def apart(one: Amount, other: Amount) -> Amount:
    """Return the first amount less the second."""
    return _worked(one, other, -1.0)


def _worked(one: Amount, other: Amount, sign: float) -> Amount:
    keyed = [amount for amount in (one, other) if isinstance(amount, Keyframes)]
    if not keyed:
        return _number(one) + sign * _number(other)
    frames = sorted({frame for amount in keyed for frame, _ in amount.pairs})
    knots = tuple((frame, _number(value_at(one, frame)) + sign * _number(value_at(other, frame))) for frame in frames)
    ways = {amount.between for amount in keyed}
    return Keyframes(knots, ways.pop() if len(ways) == 1 else "linear")


def value_at(amount: Amount, frame: float) -> Value:
    """Return an amount at a frame."""
    return amount.value_at(frame) if isinstance(amount, Keyframes) else amount


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise GraphError(f"Only numbers have a solved part and a part by hand, not {shown(value)}.")
    return float(value)


# --- in a graph ---------------------------------------------------------------------------------------------


def parts_of(graph: Graph, id: str) -> dict[str, Parts]:
    """Return the parts of a step's values by parameter, those that the notes know.

    Where a value is not what its noted parts come to, somebody set it: the hand's part is then what makes it so.
    Raises GraphError for an unknown step or damaged notes.
    """
    step = _step(graph, id)
    noted = _noted(graph).get(id, {})
    if not isinstance(noted, dict):
        raise GraphError(f"The graph's notes on the parts of {id!r} are damaged: {shown(noted)}.")
    found = {}
    for name, entry in noted.items():
        if name not in step.node.params():
            continue
        parts = _read(f"{id}.{name}", entry)
        present = amount_of(step, name)
        if not _same(parts.amount(step.node.params()[name].default), present):
            replaced = parts.solved is None or (parts.hand is not None and not parts.hand.adds)
            hand = Hand(present, False) if replaced else Hand(apart(present, parts.solved or 0.0))
            parts = Parts(parts.solved, hand)
        found[name] = parts
    return found


def amount_of(step: Step, name: str) -> Amount:
    """Return what a parameter of a step is set to: its keyframes where it has any."""
    value: Amount = dict(step.keyed).get(name, getattr(step.node, name))
    return value


def with_parts(graph: Graph, id: str, parts: Mapping[str, Parts]) -> Graph:
    """Return the graph with these parts of a step's values noted, and the values that they come to.

    Raises ParamError where a sum leaves what the parameter allows, GraphError for an unknown step or parameter.
    """
    step = _step(graph, id)
    step.node.check_names(parts)
    amounts = {name: each.amount(step.node.params()[name].default) for name, each in parts.items()}
    changed = graph.with_step(with_amounts(step, amounts))
    noted = _noted(graph)
    entries = {**noted.get(id, {}), **{name: _plain(each) for name, each in parts.items()}}
    entries = {name: entry for name, entry in entries.items() if entry}
    noted = {other: entry for other, entry in noted.items() if other != id} | ({id: entries} if entries else {})
    notes = {key: value for key, value in graph.notes().items() if key != "parts"}
    return changed.with_notes(notes | ({"parts": noted} if noted else {}))


def with_amounts(step: Step, amounts: Mapping[str, Amount]) -> Step:
    """Return a step with values or keyframes set. Raises ParamError for what is not allowed, at any keyframe."""
    params = step.node.params()
    values: dict[str, Any] = {}
    keyed = {name: keyframes for name, keyframes in step.keyed if name not in amounts}
    for name, amount in amounts.items():
        if isinstance(amount, Keyframes):
            where = f"{step.node.name}.{name}"
            knots = tuple((at, params[name].check(f"{where} at frame {at:g}", value)) for at, value in amount.pairs)
            keyed[name] = Keyframes(knots, amount.between)
            values[name] = knots[0][1]
        else:
            values[name] = amount
    node = dataclasses.replace(step.node, **values)  # type: ignore[type-var]
    return dataclasses.replace(step, node=node, keyed=tuple((name, keyed[name]) for name in params if name in keyed))


def with_solved(
    graph: Graph, id: str, found: Node, names: Iterable[str], keyed: Mapping[str, Keyframes] | None = None
) -> Graph:
    """Return the graph with a step set as a solve found it; in ``names`` that is the solved part, and the hand's stays.

    :param found: the node as solved; what ``names`` leaves out is taken over as it is.
    :param keyed: solved parts that change over time, by parameter.

    Raises ParamError where the solved part and the hand's together leave what a parameter allows.
    """
    before = parts_of(graph, id)
    names = tuple(names)
    step = _step(graph, id)
    kept = tuple(pair for pair in step.keyed if pair[0] not in names)
    graph = graph.with_step(dataclasses.replace(step, node=found, keyed=kept))
    solved: dict[str, Amount] = {name: getattr(found, name) for name in names}
    solved |= {name: keyframes for name, keyframes in (keyed or {}).items() if name in names}
    return with_parts(graph, id, {name: Parts(solved[name], before.get(name, Parts()).hand) for name in names})


def with_hand(graph: Graph, id: str, hands: Mapping[str, Hand | None]) -> Graph:
    """Return the graph with the hand's part of some values; None clears it. Raises ParamError and GraphError.

    Where nothing is noted of a value, what stands there counts as solved where the hand adds.
    """
    before, step = parts_of(graph, id), _step(graph, id)
    step.node.check_names(hands)
    changed = {}
    for name, hand in hands.items():
        known = before.get(name)
        unsaid = amount_of(step, name) if hand is None or hand.adds else None
        changed[name] = Parts(unsaid if known is None else known.solved, hand)
    return with_parts(graph, id, changed)


def back_to_solved(graph: Graph, id: str, names: Iterable[str] | None = None) -> Graph:
    """Return the graph without the hand's part of some of a step's values, of all where ``names`` is None.

    Raises GraphError for a value that was never solved.
    """
    known = parts_of(graph, id)
    names = [name for name, parts in known.items() if parts.solved is not None] if names is None else list(names)
    for name in names:
        if name not in known or known[name].solved is None:
            raise GraphError(f"{id}.{name} was never solved, so there is nothing to go back to: set it by hand.")
    return with_parts(graph, id, {name: Parts(known[name].solved) for name in names})


# --- frozen keys ---------------------------------------------------------------------------------------------


def with_frozen(graph: Graph, key: str, frozen: bool = True) -> Graph:
    """Return the graph with a key, by its id, frozen: a change before it does not learn it anew. Or with it free."""
    names = [name for name in frozen_keys(graph) if name != key] + [key] * frozen
    notes = {name: entry for name, entry in graph.notes().items() if name != "frozen"}
    return graph.with_notes(notes | ({"frozen": names} if names else {}))


def frozen_keys(graph: Graph) -> tuple[str, ...]:
    """Return the ids of the keys that are frozen."""
    names = graph.notes().get("frozen", [])
    return tuple(str(name) for name in names) if isinstance(names, list) else ()


# --- accepted mattes -----------------------------------------------------------------------------------------


def with_accepted(graph: Graph, key: str, accepted: bool = True) -> Graph:
    """Return the graph with a note that somebody looked at the matte of a key and found it right; or without it.

    The note goes with the matte as it is now: whatever changes it, the light before it included, ends it.
    """
    known = {name: told for name, told in _accepted(graph).items() if name != key}
    known |= {key: _matte_print(graph, key)} if accepted else {}
    notes = {name: entry for name, entry in graph.notes().items() if name != "accepted"}
    return graph.with_notes(notes | ({"accepted": known} if known else {}))


def without_accepted(graph: Graph) -> Graph:
    """Return the graph without notes of accepted mattes: on another clip the same key makes another matte."""
    return graph.with_notes({name: entry for name, entry in graph.notes().items() if name != "accepted"})


def with_mattes_of(graph: Graph, same: Graph) -> Graph:
    """Return the graph with the acceptances of another one whose mattes are the same, whatever is put around them."""
    for key in accepted_keys(same):
        graph = with_accepted(graph, key)
    return graph


def accepted_again(graph: Graph, earlier: Graph) -> tuple[Graph, tuple[str, ...]]:
    """Return the graph with the acceptances of an earlier one whose mattes are still the same, and the keys of others.

    The same matte has the same learned key behind the same light: what was learned from other pictures differs.
    """
    changed = []
    for key in accepted_keys(earlier):
        if key in graph.by_id and _matte_print(graph, key) == _matte_print(earlier, key):
            graph = with_accepted(graph, key)
        else:
            changed.append(key)
    return graph, tuple(changed)


def accepted_keys(graph: Graph) -> tuple[str, ...]:
    """Return the ids of the keys whose matte was accepted and is the same now."""
    return tuple(key for key, told in _accepted(graph).items() if told == _matte_print(graph, key))


def _accepted(graph: Graph) -> dict[str, str]:
    noted = graph.notes().get("accepted", {})
    return {str(key): str(told) for key, told in noted.items()} if isinstance(noted, dict) else {}


def matte_print(graph: Graph, suffix: str) -> str:
    """Return a hash of all that makes a person's matte, the light before it included; "" where there is none.

    Steps at rest do not count: the desk sets up what other graphs leave out.

    :param suffix: of the person's steps, such as "-left"; "" where there is one person.
    """
    origins = dict(graph.outputs)
    origin = origins.get(f"matte{suffix}", origins.get("matte", ""))
    if origin not in graph.by_id:
        return ""
    told = (
        step for step in graph.order_to([origin]) if step.keyed or step.node not in (type(step.node)(), *REST.values())
    )
    steps = [(step.node.config(), repr(step.keyed)) for step in told]
    return hashlib.sha256(json.dumps(steps, sort_keys=True, default=str).encode()).hexdigest()[:16]


def _matte_print(graph: Graph, key: str) -> str:
    return matte_print(graph, key.removeprefix("skin")) if key in graph.by_id else ""


# --- notes --------------------------------------------------------------------------------------------------


def _step(graph: Graph, id: str) -> Step:
    if id not in graph.by_id:
        raise GraphError(f"There is no step {id!r}; there are {', '.join(graph.by_id)}.")
    return graph.by_id[id]


def _noted(graph: Graph) -> dict[str, Any]:
    noted = graph.notes().get("parts", {})
    if not isinstance(noted, dict):
        raise GraphError(f"The graph's notes on what was solved are damaged: {shown(noted)}.")
    return noted


def _plain(parts: Parts) -> dict[str, Any]:
    data = {} if parts.solved is None else {"solved": _data(parts.solved)}
    return data if parts.hand is None else {**data, ("by" if parts.hand.adds else "to"): _data(parts.hand.value)}


def _data(amount: Amount) -> Any:
    if isinstance(amount, Keyframes):
        return amount.plain()
    return list(amount) if isinstance(amount, tuple) else amount


def _read(where: str, entry: Any) -> Parts:
    try:
        solved = _amount(entry["solved"]) if "solved" in entry else None
        hand = Hand(_amount(entry["by"])) if "by" in entry else None
        return Parts(solved, Hand(_amount(entry["to"]), False) if "to" in entry else hand)
    except (TypeError, KeyError, ValueError, ParamError) as error:
        raise GraphError(f"The graph's notes on the parts of {where} are damaged: {error}") from None


def _amount(data: Any) -> Amount:
    if isinstance(data, dict):
        keyframes = data["keyframes"] if "keyframes" in data else data["knots"]
        return Keyframes(tuple((frame, _number(value)) for frame, value in keyframes), data.get("between", "linear"))
    return _number(data)


def _same(one: Amount, other: Amount) -> bool:
    if isinstance(one, Keyframes) or isinstance(other, Keyframes):
        if not (isinstance(one, Keyframes) and isinstance(other, Keyframes)) or one.between != other.between:
            return False
        if [frame for frame, _ in one.pairs] != [frame for frame, _ in other.pairs]:
            return False
        return all(_same(a, b) for (_, a), (_, b) in zip(one.pairs, other.pairs, strict=True))
    return abs(_number(one) - _number(other)) <= _SAME
