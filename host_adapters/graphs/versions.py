"""Versions: states of a graph by name, in one file beside it.

{"inkarnat_versions": 1,
 "versions": {"warmer": {"kept": "2026-11-29T10:00:00+00:00", "approved": "", "graph": {"inkarnat": 2, …}}}}

``take1.json`` has its versions in ``take1.versions.json``. One version at most is approved.
"""

from __future__ import annotations

import datetime
import json
import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from ...nodes.declare import nearest
from .. import made
from ..locks import Lock
from ..media.files import read_limited
from ..writes import json_text, write_text
from .errors import GraphError, shown
from .graph import Graph

AT = "@"
"""Between a graph file and the name of a version: ``take1.json@warmer``."""

_FORMAT = 1
_MOST_BYTES = 256 * 1024 * 1024
_MOST_VERSIONS = 200
_LONGEST_NAME = 80
_PATIENCE = 20.0
"""Seconds that are waited for another who changes the file."""

T = TypeVar("T")


@dataclass(frozen=True)
class Version:
    """A state of a graph.

    :ivar kept: when, ISO 8601. :ivar approved: when, or "" for not approved.
    """

    name: str
    kept: str
    graph: Graph
    approved: str = ""


def versions_file(graph: str | os.PathLike[str]) -> Path:
    """Return where the versions of a graph file lie."""
    path = Path(graph)
    return path.with_name(f"{path.stem}.versions.json")


def versions_of(graph: str | os.PathLike[str]) -> tuple[Version, ...]:
    """Return the versions of a graph file, the oldest first. Raises InputError and GraphError."""
    path = versions_file(graph)
    if not path.exists():
        return ()
    try:
        data = json.loads(read_limited(path, _MOST_BYTES, "file of versions"))
        if data["inkarnat_versions"] != _FORMAT:
            raise GraphError(f"its format is {shown(data['inkarnat_versions'])}, not {_FORMAT}: update Inkarnat.")
        return tuple(
            Version(name, str(entry["kept"]), Graph.from_dict(entry["graph"]), str(entry.get("approved", "")))
            for name, entry in data["versions"].items()
        )
    except GraphError as error:
        raise error.within(str(path)) from None
    except (ValueError, RecursionError, TypeError, KeyError, AttributeError) as error:
        raise GraphError(f"{path} holds no versions of a graph ({error}): move it aside.") from None


def open_graph(name: str) -> Graph:
    """Load a graph file, or a version of one: ``take1.json@warmer``. Raises InputError and GraphError."""
    path, at, version = name.rpartition(AT)
    if not at or not version or Path(name).exists():
        return Graph.load(name)
    return _find(versions_of(path), version, path).graph


def keep(graph: str | os.PathLike[str], name: str, again: bool = False) -> Version:
    """Keep a graph file as it is under a name, and return the version.

    :param again: a version of that name may be replaced.
    :raises InputError, GraphError, OutputError: the graph, the name or the file of versions.
    """
    name = " ".join(name.split())
    if not name or len(name) > _LONGEST_NAME or AT in name or not name.isprintable():
        raise GraphError(
            f"A version's name has 1 to {_LONGEST_NAME} printable characters without {AT}, not {shown(name)}."
        )
    new = Version(name, _now(), Graph.load(graph))

    def change(known: tuple[Version, ...]) -> tuple[tuple[Version, ...], Version]:
        others = tuple(version for version in known if version.name != name)
        if len(others) < len(known) and not again:
            raise GraphError(
                f"There is a version {name!r} already: give --again to replace it, or choose another name."
            )
        if len(others) >= _MOST_VERSIONS:
            raise GraphError(f"There are {_MOST_VERSIONS} versions already: move {versions_file(graph)} aside.")
        return (*others, new), new

    return _change(graph, change)


def approve(graph: str | os.PathLike[str], name: str) -> Version:
    """Mark one version, and no other, as approved, and return it. Raises as :func:`keep`."""

    def change(known: tuple[Version, ...]) -> tuple[tuple[Version, ...], Version]:
        chosen = replace(_find(known, name, graph), approved=_now())
        return tuple(chosen if one.name == name else replace(one, approved="") for one in known), chosen

    return _change(graph, change)


def return_to(graph: str | os.PathLike[str], name: str) -> tuple[Version, str]:
    """Put a version into the graph file; what stood there and is no version yet is kept as one first.

    Returns the version, and the name under which the former state was kept ("" where it is one already).
    """
    with Lock(Path(graph), "being changed by another run").within(_PATIENCE):
        chosen = _find(versions_of(graph), name, graph)
        now = Graph.load(graph) if Path(graph).exists() else chosen.graph
        before = ""
        if now != chosen.graph and all(version.graph != now for version in versions_of(graph)):
            before = keep(graph, f"before {name}, {_now()}").name
        chosen.graph.save(graph)
    return chosen, before


def _find(known: tuple[Version, ...], name: str, graph: str | os.PathLike[str]) -> Version:
    for version in known:
        if version.name == name:
            return version
    names = [version.name for version in known]
    fix = nearest(name, names) or (f"There are: {', '.join(names)}." if names else "Keep one by `inkarnat graph keep`.")
    raise GraphError(f"{os.fspath(graph)} has no version {name!r}. {fix}")


def _change(graph: str | os.PathLike[str], how: Callable[[tuple[Version, ...]], tuple[tuple[Version, ...], T]]) -> T:
    path = versions_file(graph)
    with Lock(path, "being changed by another run").within(_PATIENCE):
        known, answer = how(versions_of(graph))
        write_text(path, json_text(_data(known), indent=1) + "\n", made.VERSIONS)
    return answer


def _data(known: tuple[Version, ...]) -> dict[str, Any]:
    entries = {one.name: {"kept": one.kept, "approved": one.approved, "graph": one.graph.to_dict()} for one in known}
    return {"inkarnat_versions": _FORMAT, "versions": entries}


def _now() -> str:
    return datetime.datetime.now().astimezone().isoformat(timespec="seconds")
