"""Starts: graphs to begin from, with every step at rest."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from ...nodes import LEVELS_FIRST, REST, Cdl, KeepSkin, Part, standard_chain
from .graph import Graph, Step
from .standard import chain_graph

LOOK, KEEP = "look", "keep"
"""The ids of the steps behind the chain in :func:`_under_a_look`."""

_PICTURE = {id: REST[id] for id in (*LEVELS_FIRST.before, *LEVELS_FIRST.after)}
_PERSON = {id: node for id, node in REST.items() if id not in _PICTURE}


def _of(names: tuple[str, ...] = ("",), whole_picture: bool = True) -> Graph:
    people = [Part(_ids(name), _PERSON) for name in names]
    chain = standard_chain(_PICTURE if whole_picture else {}, people)
    own = {part.id("matte"): matte for part, matte in zip(people, chain.mattes, strict=True)}
    return chain_graph(chain.links, {"result": chain.result, "matte": chain.matte} | own)


def _ids(name: str) -> Callable[[str], str]:
    return lambda word: f"{word}-{name}" if name else word


def _under_a_look() -> Graph:
    """The standard chain, a look on the whole picture behind it, and natural skin brought back under the look."""
    graph = _of()
    natural, matte = (dict(graph.outputs)[name] for name in ("result", "matte"))
    look = Step.of(LOOK, Cdl(clamp=False), image=natural)
    keep = Step.of(KEEP, KeepSkin(), image=LOOK, natural=natural, matte=matte)
    return Graph.of(*graph.steps, look, keep, result=KEEP, matte=matte, natural=natural)


STARTS: Mapping[str, tuple[Callable[[], Graph], str]] = {
    "standard": (_of, "light, levels and saturation, then key, matte and skin: what `correct` solves"),
    "skin-only": (lambda: _of(whole_picture=False), "key, matte and skin alone; the rest of the picture stays"),
    "under-a-look": (_under_a_look, "the standard chain, a look behind it, natural skin brought back under the look"),
    "two-people": (lambda: _of(("left", "right")), "the standard chain with a key, matte and turn for each of two"),
}
"""Name → what makes the graph, and a line on it."""
