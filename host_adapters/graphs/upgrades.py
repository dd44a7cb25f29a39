"""Upgrades: pure steps that turn old graph data into today's, run before anything is validated.

When a node changes what its parameters mean, its ``version`` rises by one and one step from the version before
is entered here; the old graph stays in ``tests/fixtures`` with its stored output. A step takes the node's entry
``{"id", "node", "version", "inputs", "params"}`` and returns a new one; it may change the node's name. It sees a
parameter as the graph holds it: a value, or ``{"keyframes": [[frame, value], …]}`` (``knots`` in format 1). Versions go
on counting through a change of name.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable, Collection, Mapping
from typing import Any

from ...nodes import SkinKey
from ...nodes.declare import Node, Param
from .drifts import moved_by
from .errors import GraphError, shown
from .keyframes import Keyframes

FORMAT, PLAIN_FORMAT = 2, 1
"""The newest version of the graph format, and the one in which a graph is written that needs nothing newer."""

Data = dict[str, Any]
Step = Callable[[Data], Data]

FORMAT_STEPS: Mapping[int, Step] = {1: dict}
"""Format version → the step from it to the next version of the whole graph."""


def _setting(entry: Data, field: str, value: object) -> Data:
    """The entry with a parameter more; an entry whose parameters all rest need not name any."""
    return {**entry, "params": {**entry.get("params", {}), field: value}}


def _levels_last(entry: Data) -> Data:
    """Keep what version 0.1.0 did: levels and saturation behind the steering, and the working size of its key."""
    return _whole_size(_setting(entry, "levels", "last"))


def _whole_size(entry: Data) -> Data:
    """Keep the size at which version 1 of the skin key reads the picture."""
    return _setting(entry, "working_size", "whole")


def _from_the_front(entry: Data) -> Data:
    """Keep a face drawn as version 1 drew it."""
    return _setting(entry, "turns", False)


NODE_STEPS: Mapping[tuple[str, int], Step] = {
    ("correct_skin", 1): _levels_last,
    ("skin_key", 1): _whole_size,
    ("face_matte", 1): _from_the_front,
}
"""(node, version) → the step from it to the next version of that node's entry."""

_TURNED = {"hue_drift": Param("number", 0.0, "", -60, 60), "chroma_drift": Param("number", 1.0, "", 0.25, 4)}
"""How a key once went along with the light of its clip, in degrees and as a factor on its chroma/luma."""


def _moved(entry: Data) -> Data:
    """Move a key by as much as its own colour went where it was turned and scaled."""
    params = entry["params"]
    hue, chroma = (_over_time(name, param, params.pop(name, param.default)) for name, param in _TURNED.items())
    centre = complex(*SkinKey(model=params.get("model", "")).learned.centre)
    moves = {
        frame: centre * (cmath.rect(float(chroma.value_at(frame)), math.radians(float(hue.value_at(frame)))) - 1)  # type: ignore[arg-type]
        for frame in {frame for each in (hue, chroma) for frame, _ in each.pairs}
    }
    params |= {name: keyframes.plain() for name, keyframes in moved_by(moves).items()}
    return entry


def _over_time(name: str, param: Param, value: Any) -> Keyframes:
    if isinstance(value, dict):
        return Keyframes.read(name, param, value)
    return Keyframes(((0.0, param.check(name, value)),))


FIELD_STEPS: Mapping[tuple[str, int], tuple[Collection[str], Step]] = {("skin_key", 2): (_TURNED, _moved)}
"""(node, version) → fields that this version had for a while, and the step that does without them."""


def upgrade(
    data: Data,
    nodes: Mapping[str, type[Node]],
    format_steps: Mapping[int, Step] = FORMAT_STEPS,
    node_steps: Mapping[tuple[str, int], Step] = NODE_STEPS,
) -> Data:
    """Return the graph data in today's format with every node at today's version; the given data stays as it is.

    Raises GraphError where the format or a node is newer than this program knows, or no step leads on.
    """
    version: Any = data.get("inkarnat")
    if not _is_version(version):
        raise GraphError(
            f'This is not a graph: it must begin with "inkarnat": {FORMAT}, the format version, not {shown(version)}.'
        )
    while version in format_steps:
        data = _run(f"The graph (format {version})", format_steps[version], data)
        version = version + 1
        data["inkarnat"] = version
    _expect_known("The graph's format", version, FORMAT)
    entries = data.get("nodes")
    if isinstance(entries, list):
        data = {**data, "nodes": [_upgrade_node(entry, nodes, node_steps) for entry in entries]}
    return data


def _upgrade_node(entry: Any, nodes: Mapping[str, type[Node]], steps: Mapping[tuple[str, int], Step]) -> Any:
    """Bring one node's entry up to date; an entry of the wrong shape is left for validation to name."""
    while _is_entry(entry) and (entry["node"], entry["version"]) in steps:
        name, version = entry["node"], entry["version"]
        entry = _run(f"Node {shown(entry.get('id'))} ({name} version {version})", steps[name, version], entry)
        entry["version"] = version + 1
    if _is_entry(entry) and isinstance(entry.get("params"), dict):
        fields, step = FIELD_STEPS.get((entry["node"], entry["version"]), ((), dict))
        if any(field in entry["params"] for field in fields):
            entry = _run(f"Node {shown(entry.get('id'))} ({entry['node']})", step, entry)
    if _is_entry(entry) and entry["node"] in nodes:
        where = f"Node {shown(entry.get('id'))}: version of {entry['node']}"
        _expect_known(where, entry["version"], nodes[entry["node"]].version)
    return entry


def _run(where: str, step: Step, data: Data) -> Data:
    copied = {**data, "params": dict(data["params"])} if isinstance(data.get("params"), dict) else dict(data)
    try:
        return dict(step(copied))
    except (TypeError, ValueError, LookupError, ArithmeticError, AttributeError):
        raise GraphError(f"{where} cannot be upgraded: its values are not what that version allowed.") from None


def _is_entry(entry: Any) -> bool:
    return isinstance(entry, dict) and isinstance(entry.get("node"), str) and _is_version(entry.get("version"))


def _is_version(version: Any) -> bool:
    return isinstance(version, int) and not isinstance(version, bool)


def _expect_known(where: str, version: int, known: int) -> None:
    if version > known:
        raise GraphError(f"{where} is {shown(version)}, newer than the {known} known here: update Inkarnat.")
    if version < known:
        raise GraphError(f"{where} is {shown(version)}, which was never in use: write {known}.")
