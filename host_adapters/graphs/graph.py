"""Graphs: configured nodes wired to named sources and outputs, read from and written to JSON files.

    {"inkarnat": 2,
     "sources": ["plate"],
     "nodes": [{"id": "light", "node": "balance", "version": 1, "inputs": {"image": "plate"},
                "params": {"temperature": {"keyframes": [[1, 0], [48, -20]], "between": "smooth"}}}],
     "outputs": {"result": "light"}}

A graph is a value: checked when it is made, equal after a round trip through JSON, hashable and picklable.
"""

from __future__ import annotations

import dataclasses
import graphlib
import hashlib
import json
import os
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from ...nodes.declare import Node, ParamError, nearest
from .. import made
from ..media.files import TooLargeError, read_limited
from ..writes import reads, write_text
from .errors import GraphError, Problems, shown
from .keyframes import OLD_WORD, WORD, Keyframes
from .upgrades import FORMAT, PLAIN_FORMAT, upgrade

STANDARD_SOURCE = "plate"
MOST_NODES = 1000
MOST_SOURCES = 100
MOST_OUTPUTS = 100
MOST_KEYFRAMES = 100_000
MOST_BYTES = 32 * 1024 * 1024

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,63}")
_NAME_RULE = "a letter, then letters, digits, _ or -, at most 64 in all"
_PICTURE = "picture"

Pairs = tuple[tuple[str, str], ...]
NodeTable = Mapping[str, type[Node]]


@dataclass(frozen=True)
class Step:
    """One node of a graph: its id, its settings, where its inputs come from, and what changes over time.

    :ivar node: the configured node; a keyed parameter stands at its first keyframe here.
    :ivar inputs: (port, source or node id) pairs.
    :ivar keyed: (parameter, keyframes) pairs.
    """

    id: str
    node: Node
    inputs: Pairs = ()
    keyed: tuple[tuple[str, Keyframes], ...] = ()

    @classmethod
    def of(cls, id: str, node: Node, **inputs: str) -> Step:
        """Return a step without keyframes: ``Step.of("skin", SkinKey(), image="plate")``."""
        return cls(id, node, tuple(inputs.items()))

    def node_at(self, frame: float) -> Node:
        """Return the configured node at a frame."""
        if not self.keyed:
            return self.node
        values: dict[str, Any] = {name: keyframes.value_at(frame) for name, keyframes in self.keyed}
        try:
            return dataclasses.replace(self.node, **values)  # type: ignore[type-var]
        except ParamError as error:
            raise GraphError(f"{self} at frame {frame:g}: {error}") from None

    def to_dict(self, word: str = WORD) -> dict[str, Any]:
        """Return the step as JSON data, every parameter written out, keyframes under ``word``."""
        config = self.node.config()
        inputs = dict(self.inputs)
        params = config["params"] | {name: keyframes.plain(word) for name, keyframes in self.keyed}
        return {
            "id": self.id,
            "node": config["node"],
            "version": config["version"],
            "inputs": {port: inputs[port] for port in self.node.inputs() if port in inputs},
            "params": params,
        }

    def __str__(self) -> str:
        return f"Node {self.id!r} ({self.node.name})"


@dataclass(frozen=True)
class Graph:
    """Steps, the sources they read and the outputs they give.

    :ivar sources: names of pictures bound when the graph runs.
    :ivar outputs: (name, source or node id) pairs.
    :ivar about: how it was solved, as JSON text: see :meth:`notes`.

    Raises GraphError where names clash or break the rule, an input is missing, unknown or of the wrong type,
    the nodes form a circle, or a limit is passed.
    """

    steps: tuple[Step, ...]
    outputs: Pairs
    sources: tuple[str, ...] = (STANDARD_SOURCE,)
    about: str = ""

    def __post_init__(self) -> None:
        problems = Problems()
        for what, parts, most in (
            ("sources", self.sources, MOST_SOURCES),
            ("nodes", self.steps, MOST_NODES),
            ("outputs", self.outputs, MOST_OUTPUTS),
        ):
            problems.of(_limit, what, len(parts), most)
        problems.raise_any()
        problems.found += [*_wrong_names(self), *_wrong_wires(self)]
        problems.raise_any()
        _check_circles(self)

    @classmethod
    def of(cls, *steps: Step, sources: Iterable[str] = (STANDARD_SOURCE,), **outputs: str) -> Graph:
        """Return a graph: ``Graph.of(Step.of("skin", SkinKey(), image="plate"), matte="skin")``."""
        return cls(steps, tuple(outputs.items()), tuple(sources))

    # --- reading ---------------------------------------------------------------------------------------------

    @classmethod
    def load(cls, path: str | os.PathLike[str], nodes: NodeTable | None = None) -> Graph:
        """Read a graph file. Raises InputError where it cannot be read and GraphError where it is not valid."""
        try:
            return cls.from_dict(_parse(_read(path)), nodes)
        except GraphError as error:
            raise error.within(os.fspath(path)) from None

    @classmethod
    def from_dict(cls, data: Any, nodes: NodeTable | None = None) -> Graph:
        """Build a graph from JSON data of any age and any shape.

        Raises GraphError with everything that is wrong: what cannot be read, and how the parts are wired.
        """
        if not isinstance(data, dict):
            raise GraphError(f"A graph is an object in braces, {{…}}, not {shown(data)}.")
        table = _standard_nodes() if nodes is None else nodes
        data = upgrade(data, table)
        problems = Problems()
        problems.of(_only, "The graph", data, ("inkarnat", "about", "sources", "nodes", "outputs"))
        sources = problems.of(_strings, "sources", data.get("sources", [STANDARD_SOURCE]))
        outputs = problems.of(_names_to_names, '"outputs"', data.get("outputs"))
        about = problems.of(_about, data.get("about", {}))
        entries = data.get("nodes", [])
        if not isinstance(entries, list):
            raise GraphError(*problems.found, f'"nodes" must be a list of nodes, not {shown(entries)}.')
        _limit("nodes", len(entries), MOST_NODES)
        _limit("keyframes", _count_keyframes(entries), MOST_KEYFRAMES)
        steps = [problems.of(_read_step, number, entry, table) for number, entry in enumerate(entries, start=1)]
        if problems.found and sources is not None:
            problems.found += _loose_ends(entries, sources, outputs or ())
        problems.raise_any()
        return cls(tuple(steps), outputs, sources, about)

    # --- writing ---------------------------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """Return the graph as JSON data, keys in a fixed order and every parameter written out."""
        about = {"about": self.notes()} if self.about else {}
        newer = about or any(step.keyed for step in self.steps)
        return {
            "inkarnat": FORMAT if newer else PLAIN_FORMAT,
            **about,
            "sources": list(self.sources),
            "nodes": [step.to_dict() for step in self.steps],
            "outputs": dict(self.outputs),
        }

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the graph file: it appears whole or not at all. Raises OutputError where it cannot be written."""
        write_text(path, _layout(self.to_dict()) + "\n", made.GRAPH)

    def content_hash(self) -> str:
        """Return the SHA-256 of what the graph does: its nodes, sources and outputs, whatever its notes say."""
        # In the words of format 1: journals and records of earlier versions hold this hash.
        nodes = [step.to_dict(OLD_WORD) for step in self.steps]
        content = {"sources": list(self.sources), "nodes": nodes, "outputs": dict(self.outputs)}
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()

    # --- asking ----------------------------------------------------------------------------------------------

    def notes(self) -> dict[str, Any]:
        """Return how the graph was solved: what was marked, aimed at and set by hand; empty where nobody said."""
        known: dict[str, Any] = json.loads(self.about) if self.about else {}
        return known

    def with_notes(self, notes: Mapping[str, Any]) -> Graph:
        """Return the graph with other notes on how it was solved, as JSON data."""
        return dataclasses.replace(self, about=_about(dict(notes)))

    def with_step(self, changed: Step) -> Graph:
        """Return the graph with another step in place of the one with its id."""
        return dataclasses.replace(self, steps=tuple(changed if s.id == changed.id else s for s in self.steps))

    @cached_property
    def by_id(self) -> dict[str, Step]:
        """The steps by their ids."""
        return {step.id: step for step in self.steps}

    def kind(self, origin: str) -> str:
        """Return what a source or node gives: "picture" or "matte"."""
        step = self.by_id.get(origin)
        return step.node.output().kind if step else _PICTURE

    def origins(self, outputs: Collection[str] | None = None) -> dict[str, str]:
        """Return the wanted outputs (all where None) with the source or node that each shows."""
        known = dict(self.outputs)
        for name in outputs or ():
            if name not in known:
                raise GraphError(f"The graph has no output {name!r}; it gives {_listed(known)}. {nearest(name, known)}")
        return {name: origin for name, origin in known.items() if outputs is None or name in outputs}

    def order(self, outputs: Collection[str] | None = None) -> tuple[Step, ...]:
        """Return the steps that the wanted outputs (all where None) need, each after those it reads."""
        return self.order_to(self.origins(outputs).values())

    def order_to(self, origins: Iterable[str]) -> tuple[Step, ...]:
        """Return the steps that these sources and nodes need, themselves included, each after those it reads."""
        ordered: dict[str, Step] = {}
        waiting = list(reversed(list(origins)))
        while waiting:
            step = self.by_id.get(waiting[-1])
            ahead = [o for _, o in step.inputs if o in self.by_id and o not in ordered] if step else []
            if step is not None and ahead:
                waiting.extend(reversed(ahead))
                continue
            waiting.pop()
            if step is not None:
                ordered[step.id] = step
        return tuple(ordered.values())

    def sources_of(self, outputs: Collection[str] | None = None) -> tuple[str, ...]:
        """Return the sources that the wanted outputs (all where None) need."""
        read = set(self.origins(outputs).values())
        read.update(origin for step in self.order(outputs) for _, origin in step.inputs)
        return tuple(source for source in self.sources if source in read)


def _standard_nodes() -> NodeTable:
    from ...nodes import NODES

    return NODES


# --- checks -------------------------------------------------------------------------------------------------


def _limit(what: str, count: int, most: int) -> None:
    if count > most:
        raise GraphError(f"A graph may have at most {most} {what}, not {count}.")


def _listed(names: Iterable[str]) -> str:
    return ", ".join(map(shown, names)) or "nothing"


def _wrong_names(graph: Graph) -> Iterator[str]:
    if not graph.outputs:
        yield 'The graph has no outputs: name at least one, {"outputs": {"result": "id of a node"}}.'
    named = [("source", name) for name in graph.sources]
    named += [("node id", step.id) for step in graph.steps]
    seen: dict[str, str] = {}
    for what, name in named:
        yield from _wrong_name(what, name)
        if name in seen:
            yield f"The name {name!r} is taken twice, as {seen[name]} and as {what}: rename one of them."
        seen[name] = what
    for name, _ in graph.outputs:
        yield from _wrong_name("output", name)


def _wrong_name(what: str, name: str) -> Iterator[str]:
    if not _NAME.fullmatch(name):
        yield f"The {what} {shown(name)} must be {_NAME_RULE}."


def _wrong_wires(graph: Graph) -> Iterator[str]:
    origins = {*graph.sources, *graph.by_id}
    for step in graph.steps:
        ports = step.node.inputs()
        for name, origin in step.inputs:
            if name not in ports:
                fix = nearest(name, ports) or f"It has {_listed(ports)}."
                yield f"{step} has no input {shown(name)}. {fix}"
            elif origin not in origins:
                yield _no_origin(f"Input {name!r} of node {step.id!r}", origin, origins)
            elif graph.kind(origin) != ports[name].kind:
                yield f"{step} takes a {ports[name].kind} on {name!r}, but {origin!r} gives a {graph.kind(origin)}."
        for name, port in ports.items():
            if not port.optional and name not in dict(step.inputs):
                yield f"{step} has nothing on its input {name!r}: connect a {port.kind}."
    for name, origin in graph.outputs:
        if origin not in origins:
            yield _no_origin(f"Output {name!r}", origin, origins)


def _loose_ends(entries: Iterable[Any], sources: Iterable[str], outputs: Iterable[tuple[str, str]]) -> Iterator[str]:
    """Say what is wired to nothing in a graph of which a part cannot be read."""
    nodes = {str(entry.get("id")): entry.get("inputs") for entry in entries if isinstance(entry, dict)}
    origins = {*sources, *nodes}
    ends = [(f"Output {shown(name)}", origin) for name, origin in outputs]
    for id, inputs in nodes.items():
        wired = inputs.items() if isinstance(inputs, dict) else ()
        ends += [(f"Input {shown(port)} of node {shown(id)}", origin) for port, origin in wired]
    for where, origin in ends:
        if isinstance(origin, str) and origin not in origins:
            yield _no_origin(where, origin, origins)


def _no_origin(where: str, origin: str, origins: Collection[str]) -> str:
    known = sorted(name for name in origins if _NAME.fullmatch(name))
    fix = nearest(origin, known) or f"There are {_listed(known[:10])}."
    return f"{where} is {shown(origin)}, which is neither a source nor a node id. {fix}"


def _check_circles(graph: Graph) -> None:
    wires = {step.id: [origin for _, origin in step.inputs] for step in graph.steps}
    try:
        graphlib.TopologicalSorter(wires).prepare()
    except graphlib.CycleError as error:
        circle = error.args[1]
        names = [repr(name) for name in circle]
        if len(names) > 8:
            names[4:-3] = ["…"]
        raise GraphError(f"The nodes run in a circle, {' → '.join(names)}: take one of these wires away.") from None


# --- reading ------------------------------------------------------------------------------------------------


def _read(path: str | os.PathLike[str]) -> bytes:
    reads(path)
    try:
        return read_limited(path, MOST_BYTES, "graph")
    except TooLargeError as error:
        raise GraphError(str(error).removeprefix(f"{os.fspath(path)}: ")) from None


def _parse(content: bytes) -> Any:
    try:
        return json.loads(content.decode("utf-8-sig"), object_pairs_hook=_object, parse_constant=_no_constant)
    except UnicodeDecodeError:
        raise GraphError("a graph is a JSON text in UTF-8, and this is not.") from None
    except json.JSONDecodeError as error:
        raise GraphError(f"not valid JSON in line {error.lineno}, column {error.colno}: {error.msg}.") from None
    except RecursionError:
        raise GraphError("brackets are nested too deeply for a graph.") from None
    except GraphError:
        raise
    except ValueError:
        raise GraphError("a number in it has too many digits.") from None


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    result = dict(pairs)
    if len(result) != len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise GraphError(f"the name {shown(twice)} stands twice in one pair of braces: keep one.")
    return result


def _no_constant(word: str) -> Any:
    raise GraphError(f"{word} is not a number that a graph can hold.")


def _only(where: str, data: Mapping[Any, Any], known: Collection[str]) -> None:
    for key in data:
        if key not in known:
            fix = nearest(str(key), known) if isinstance(key, str) else ""
            raise GraphError(f"{where} has no entry {shown(key)}. {fix or 'It has ' + _listed(known) + '.'}")


def _strings(what: str, data: Any) -> tuple[str, ...]:
    if not isinstance(data, list) or not all(isinstance(item, str) for item in data):
        raise GraphError(f'"{what}" must be a list of names, not {shown(data)}.')
    return tuple(data)


def _names_to_names(where: str, data: Any) -> Pairs:
    if not isinstance(data, dict):
        raise GraphError(f'{where} must be names in braces, {{"name": "source or node id"}}, not {shown(data)}.')
    for name, origin in data.items():
        if not isinstance(name, str) or not isinstance(origin, str):
            raise GraphError(f"{where}: {shown(name)} must name a source or a node id, not {shown(origin)}.")
    return tuple(data.items())


def _about(data: Any) -> str:
    """Return notes on how a graph was solved as JSON text, keys in order; "" for none."""
    if not isinstance(data, dict):
        raise GraphError(f'"about" must be notes in braces, not {shown(data)}.')
    return json.dumps(data, sort_keys=True, ensure_ascii=False) if data else ""


def _count_keyframes(entries: list[Any]) -> int:
    params = (entry.get("params") for entry in entries if isinstance(entry, dict))
    values = (value for given in params if isinstance(given, dict) for value in given.values())
    lists = (value.get(word) for value in values if isinstance(value, dict) for word in (WORD, OLD_WORD))
    return sum(len(items) for items in lists if isinstance(items, list))


def _read_step(number: int, entry: Any, nodes: NodeTable) -> Step:
    where = f"Node number {number}"
    if not isinstance(entry, dict):
        raise GraphError(f"{where} must be an object in braces, {{…}}, not {shown(entry)}.")
    id = entry.get("id")
    if not isinstance(id, str) or not _NAME.fullmatch(id):
        raise GraphError(f'{where}: "id" must be {_NAME_RULE}, not {shown(id)}.')
    where = f"Node {id!r}"
    problems = Problems()
    problems.of(_only, where, entry, ("id", "node", "version", "inputs", "params"))
    kind = problems.of(_node_class, where, entry, nodes)
    inputs = problems.of(_names_to_names, f'{where}: "inputs"', entry.get("inputs", {}))
    params = entry.get("params", {})
    if not isinstance(params, dict):
        problems.found.append(f'{where}: "params" must be names and values in braces, {{…}}, not {shown(params)}.')
    elif kind is not None:
        try:
            step = _step(id, kind, params, inputs or ())
            _check_keyframes(step)
        except GraphError as error:
            problems.found += error.within(where).problems
        except ParamError as error:
            problems.found.append(f"{where}: {error}")
    problems.raise_any()
    return step


def _step(id: str, kind: type[Node], params: dict[Any, Any], inputs: Pairs) -> Step:
    node, keyed = _configure(kind, params)
    return Step(id, node, inputs, keyed)


def _node_class(where: str, entry: Mapping[str, Any], nodes: NodeTable) -> type[Node]:
    name = entry.get("node")
    if not isinstance(name, str) or name not in nodes:
        fix = nearest(name, nodes) if isinstance(name, str) else ""
        known = f'"node" must be one of {", ".join(nodes)}, not {shown(name)}.'
        raise GraphError(f"{where}: there is no node {shown(name)}. {fix}" if fix else f"{where}: {known}")
    kind = nodes[name]
    version = entry.get("version")
    if type(version) is not int or version != kind.version:
        said = "is missing" if version is None else f"is {shown(version)}"
        raise GraphError(f'{where}: "version" {said}; for {name} it must be {kind.version}.')
    return kind


def _configure(kind: type[Node], given: dict[Any, Any]) -> tuple[Node, tuple[tuple[str, Keyframes], ...]]:
    """Return the configured node, keyed parameters at their first keyframes, and the keyframes."""
    problems = Problems()
    declared = kind.params()
    values: dict[str, Any] = {}
    keyed: dict[str, Keyframes] = {}
    for name, value in given.items():
        if name not in declared:
            problems.of(kind.check_names, [name])
        elif isinstance(value, dict):
            keyed[name] = problems.of(Keyframes.read, f"{kind.name}.{name}", declared[name], value)
        else:
            values[name] = problems.of(declared[name].check, f"{kind.name}.{name}", value)
    problems.raise_any()
    values |= {name: keyframes.pairs[0][1] for name, keyframes in keyed.items()}
    return kind(**values), tuple((name, keyed[name]) for name in declared if name in keyed)


def _check_keyframes(step: Step) -> None:
    """Try every keyframe where the node has rules across its parameters, so that a broken one shows at loading."""
    if type(step.node).__post_init__ is not Node.__post_init__:
        for frame in sorted({frame for _, keyframes in step.keyed for frame, _ in keyframes.pairs}):
            step.node_at(frame)


# --- writing ------------------------------------------------------------------------------------------------

_COLUMNS = 110


def _layout(value: Any, indent: str = "") -> str:
    """Return JSON text with what fits on one line left on one line: short to read, and small differences."""
    flat = json.dumps(value, ensure_ascii=False, allow_nan=False)
    if len(indent) + len(flat) <= _COLUMNS and not _holds_objects(value):
        return flat
    inner = indent + "  "
    if isinstance(value, dict):
        items = [f"{json.dumps(key, ensure_ascii=False)}: {_layout(item, inner)}" for key, item in value.items()]
        return "{\n" + ",\n".join(inner + item for item in items) + f"\n{indent}}}"
    if isinstance(value, list):
        return "[\n" + ",\n".join(inner + _layout(item, inner) for item in value) + f"\n{indent}]"
    return flat


def _holds_objects(value: Any) -> bool:
    items: Iterator[Any] = iter(value.values() if isinstance(value, dict) else value if isinstance(value, list) else ())
    return any(isinstance(item, dict) for item in items)
