"""Descriptions: JSON Schema, help tables and the node reference, all derived from the declarations of nodes."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ..nodes.declare import MOST_POINTS as MOST_POINTS
from ..nodes.declare import Node, Param

SCHEMA = "https://json-schema.org/draft/2020-12/schema"
GROUPS = ("light", "balance", "key", "matte", "steer", "compare")
"""The steps of the job, in the order in which it is done."""

NodeTable = Mapping[str, type[Node]]


def _table(nodes: NodeTable | None) -> NodeTable:
    if nodes is None:
        from ..nodes import NODES

        return NODES
    return nodes


def in_order(nodes: NodeTable | None = None) -> list[type[Node]]:
    """Return the nodes by the steps of the job, in the table's order within each."""
    known = {group: place for place, group in enumerate(GROUPS)}
    return sorted(_table(nodes).values(), key=lambda node: known.get(node.group, len(known)))


# --- JSON Schema --------------------------------------------------------------------------------------------


def json_schema(node: type[Node]) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a node's parameters, each a single value."""
    return {
        "$schema": SCHEMA,
        "title": node.label,
        "description": node.help(),
        "type": "object",
        "properties": {name: param_schema(param) for name, param in node.params().items()},
        "additionalProperties": False,
    }


def param_schema(param: Param) -> dict[str, Any]:
    """Return the JSON Schema of one parameter's value."""
    described = {"description": param.help, "default": _plain(param.default)}
    if param.unit:
        described["description"] += f" ({param.unit})"
    return {**_SHAPES[param.kind](param), **described}


def _span(param: Param, type_name: str = "number") -> dict[str, Any]:
    limits = {"minimum": param.low, "maximum": param.high}
    return {"type": type_name} | {word: limit for word, limit in limits.items() if math.isfinite(limit)}


def _list_of(items: dict[str, Any], least: int, most: int) -> dict[str, Any]:
    return {"type": "array", "items": items, "minItems": least, "maxItems": most}


_SHAPES: dict[str, Any] = {
    "number": _span,
    "angle": _span,
    "whole": lambda param: _span(param, "integer"),
    "toggle": lambda param: {"type": "boolean"},
    "choice": lambda param: {"enum": list(param.options)},
    "text": lambda param: {"type": "string"},
    "point": lambda param: _list_of(_span(param), 2, 2),
    "colour": lambda param: _list_of(_span(param), 3, 3),
    "points": lambda param: _list_of(_list_of(_span(param), 2, 2), 0, MOST_POINTS),
}


def _plain(value: Any) -> Any:
    return [_plain(item) for item in value] if isinstance(value, tuple) else value


def graph_schema(nodes: NodeTable | None = None) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of graph files in today's format, every node's parameters included.

    Wiring (ids that exist, types that match, no circles) is beyond a schema: ``inkarnat check`` looks at it.
    """
    classes = list(_table(nodes).values())
    return {
        "$schema": SCHEMA,
        "title": "Inkarnat graph",
        "type": "object",
        "properties": {
            "inkarnat": {"enum": [1, 2], "description": "Version of the graph format."},
            "about": {"type": "object", "description": "How the graph was solved: what was marked and aimed at."},
            "sources": {**_list_of(_NAME, 0, 100), "uniqueItems": True, "default": ["plate"]},
            "nodes": _list_of({"oneOf": [{"$ref": f"#/$defs/{node.name}"} for node in classes]}, 0, 1000),
            "outputs": {"type": "object", "propertyNames": _NAME, "additionalProperties": _NAME, "minProperties": 1},
        },
        "required": ["inkarnat", "outputs"],
        "additionalProperties": False,
        "$defs": {node.name: _entry_schema(node) for node in classes},
    }


_NAME = {"type": "string", "pattern": "^[A-Za-z][A-Za-z0-9_-]{0,63}$"}


def _entry_schema(node: type[Node]) -> dict[str, Any]:
    ports = node.inputs()
    params = {name: _keyed_schema(param) for name, param in node.params().items()}
    return {
        "title": node.label,
        "description": node.help(),
        "type": "object",
        "properties": {
            "id": _NAME,
            "node": {"const": node.name},
            "version": {"const": node.version},
            "inputs": {
                "type": "object",
                "properties": {name: {**_NAME, "description": f"A {port.kind}."} for name, port in ports.items()},
                "required": [name for name, port in ports.items() if not port.optional],
                "additionalProperties": False,
            },
            "params": {"type": "object", "properties": params, "additionalProperties": False},
        },
        "required": ["id", "node", "version", *(["inputs"] if not all(p.optional for p in ports.values()) else [])],
        "additionalProperties": False,
    }


def _keyed_schema(param: Param) -> dict[str, Any]:
    """One value or, where the parameter can change over time, keyframes."""
    value = param_schema(param)
    if not can_be_keyed(param):
        return value
    frame = {"type": "number"}
    pair = {"type": "array", "prefixItems": [frame, _SHAPES[param.kind](param)], "minItems": 2, "maxItems": 2}
    keyframes = [
        {
            "type": "object",
            "properties": {
                word: {"type": "array", "items": pair, "minItems": 1},
                "between": {"enum": ["linear", "smooth"], "default": "linear"},
            },
            "required": [word],
            "additionalProperties": False,
        }
        for word in ("keyframes", "knots")  # since format 2, and in format 1
    ]
    return {"anyOf": [value, *keyframes], "description": value["description"]}


KEYED_KINDS = ("number", "angle", "whole", "point", "colour", "points")
"""The kinds of parameters that can change over time; yes or no, choices and text cannot."""


def can_be_keyed(param: Param) -> bool:
    """Tell whether a parameter can change over time."""
    return param.animated and param.kind in KEYED_KINDS


# --- tables for people --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ParamRow:
    """One parameter as people read it."""

    name: str
    kind: str
    range: str
    default: str
    help: str


def param_rows(node: type[Node]) -> list[ParamRow]:
    """Return the parameters of a node as rows of words."""
    return [
        ParamRow(name, param.kind, _range(param), words(param.default), param.help)
        for name, param in node.params().items()
    ]


def port_words(node: type[Node]) -> str:
    """Say what goes in and what comes out: ``image (picture), matte (matte, may be left open) → picture``."""
    ports = [
        f"{name} ({port.kind}{', may be left open' if port.optional else ''})" for name, port in node.inputs().items()
    ]
    return f"{', '.join(ports) or 'nothing'} → {node.output().kind}"


def words(value: Any) -> str:
    """Return a value as people write it in a table."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return ", ".join(words(item) for item in value) or "none"
    if isinstance(value, float):
        return f"{value:g}"
    return str(value) or "none"


def _range(param: Param) -> str:
    if param.kind == "choice":
        return " · ".join(param.options)
    if param.kind in ("toggle", "text"):
        return {"toggle": "yes or no", "text": "words"}[param.kind]
    low, high = (f"{end:g}" if math.isfinite(end) else "any" for end in (param.low, param.high))
    return f"{low} to {high}{param.unit if param.unit == '°' else ' ' + param.unit if param.unit else ''}"


def command_help(node: type[Node], width: int = 100) -> str:
    """Return the help of a node as plain text: what it does, its ports, and a table of its parameters."""
    lines = [f"{node.name}: {node.label}", "", *textwrap.wrap(node.help(), width), "", f"Ports: {port_words(node)}", ""]
    cells = [("parameter", "kind", "range", "default", "what it does")]
    cells += [(row.name, row.kind, row.range, row.default, row.help) for row in param_rows(node)]
    if len(cells) == 1:
        return "\n".join([*lines, "It has no parameters."])
    columns = [min(max(len(row[column]) for row in cells), most) for column, most in enumerate((28, 8, 22, 14))]
    for row in cells:
        lines += _wrapped_row(row, columns, max(width - sum(columns) - 8, 24))
    return "\n".join(lines)


def _wrapped_row(row: tuple[str, ...], columns: list[int], rest: int) -> list[str]:
    widths = [*columns, rest]
    cells = [textwrap.wrap(text, width) or [""] for text, width in zip(row, widths, strict=True)]
    height = max(len(cell) for cell in cells)
    return [
        "  ".join(
            (cell[line] if line < len(cell) else "").ljust(width) for cell, width in zip(cells, widths, strict=True)
        ).rstrip()
        for line in range(height)
    ]


def markdown(nodes: NodeTable | None = None) -> str:
    """Return the reference of all nodes as Markdown, by the steps of the job."""
    parts = ["# Nodes", ""]
    group = ""
    for node in in_order(nodes):
        if node.group != group:
            group = node.group
            parts += [f"## {group.capitalize()}", ""]
        parts += _markdown_node(node)
    return "\n".join(parts).rstrip() + "\n"


def _markdown_node(node: type[Node]) -> list[str]:
    parts = [f"### `{node.name}`: {node.label}", "", node.help(), "", f"Ports: {port_words(node)}", ""]
    rows = param_rows(node)
    if rows:
        parts += ["| parameter | kind | range | default | what it does |", "|---|---|---|---|---|"]
        parts += [
            "| " + " | ".join(_cell(text) for text in (f"`{r.name}`", r.kind, r.range, r.default, r.help)) + " |"
            for r in rows
        ]
        parts.append("")
    for name, param in node.params().items():
        if param.options:
            parts += [f"`{name}`:", ""]
            parts += [f"- `{word}`: {help}" for word, help in param.options.items()]
            parts.append("")
    return parts


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")
