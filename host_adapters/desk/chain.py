"""The desk's chain: the standard correction with every step in place, for one person or several.

Each further person adds a key, a softening and a steering of their own behind those before, of what those before have
left. Steps that would change nothing stay in the graph, so that their controls are at hand; they pass the picture on
bit for bit.
"""

from __future__ import annotations

import dataclasses
import functools
import itertools
import re
from collections.abc import Callable, Mapping, Sequence

from ...nodes import (
    LEVELS_FIRST,
    LEVELS_LAST,
    REST,
    FaceMatte,
    JoinFaces,
    Node,
    Order,
    Part,
    Region,
    SkinKey,
    SteadyMatte,
    SteerSkin,
    standard_chain,
)
from ..graphs.graph import STANDARD_SOURCE, Graph, Step

FIRST = ""
"""The suffix of the first person's steps; the others have _2, _3 and so on."""

MOST_PEOPLE = 8
MOST_SHAPES = 16

SIDES = ("in", "out")
"""What a shape does to a person's matte: keep it in, or keep it out."""


def people_chain(suffixes: Sequence[str], known: Mapping[str, Step] | None = None, order: Order | None = None) -> Graph:
    """Return the chain for people by their suffixes; steps of ``known`` keep their settings, keyframes and order."""
    known = known or {}
    people = [
        Part(_id_with(suffix), {**REST, **_further(suffix, known), **shapes_of(suffix, known)}) for suffix in suffixes
    ]
    chain = standard_chain(REST, people, STANDARD_SOURCE, first_wins=True, order=order or order_of(known))
    steps = []
    for link in chain.links:
        fresh, kept = Step.of(link.id, link.node, **link.inputs), known.get(link.id)
        if kept is None or type(kept.node) is not type(fresh.node):
            steps.append(fresh)
        elif isinstance(kept.node, Region) and kept.inputs:  # whose picture tells its size alone
            steps.append(kept)
        else:
            steps.append(dataclasses.replace(kept, inputs=fresh.inputs))
    return Graph.of(*steps, result=chain.result, matte=chain.matte)


def rewired(graph: Graph, suffixes: Sequence[str], known: Mapping[str, Step]) -> Graph:
    """Return the chain for people anew, with what a graph notes of itself."""
    return dataclasses.replace(people_chain(suffixes, known), about=graph.about)


def order_of(steps: Mapping[str, Step]) -> Order:
    """Return the order of a chain: levels first, or last as version 0.1.0 put them."""
    levels = [steps[id] for id in ("tone", "saturation") if id in steps]
    last = any(dict(step.inputs).get("image", "").startswith("steer") for step in levels)
    return LEVELS_LAST if last else LEVELS_FIRST


def shapes_of(suffix: str, steps: Mapping[str, Step]) -> dict[str, Region]:
    """Return a person's shapes by their words, ``in1`` or ``out2``: those that keep in first, each kind in order."""
    found = {}
    for id, step in steps.items():
        word = re.fullmatch(rf"((?:in|out)\d+){re.escape(suffix)}", id)
        if word is not None and isinstance(step.node, Region):
            found[word[1]] = step.node
    return dict(sorted(found.items(), key=lambda item: (item[0].startswith("out"), int(item[0].lstrip("inout")))))


def faces_of(suffix: str, steps: Mapping[str, Step]) -> dict[str, FaceMatte]:
    """Return the faces in a person's key by their words, ``face1`` and so on, in order."""
    found = {}
    for id, step in steps.items():
        word = re.fullmatch(rf"(face\d+){re.escape(suffix)}", id)
        if word is not None and isinstance(step.node, FaceMatte):
            found[word[1]] = step.node
    return dict(sorted(found.items(), key=lambda item: int(item[0].removeprefix("face"))))


def _further(suffix: str, steps: Mapping[str, Step]) -> dict[str, Node]:
    """Return what a person's matte has beyond the chain at rest, by word: faces, the matte over time, one region."""
    found: dict[str, Node] = dict(faces_of(suffix, steps))
    for word, kind in (("join", JoinFaces), ("steady", SteadyMatte), ("region", Region)):
        step = steps.get(word + suffix)
        if step is not None and isinstance(step.node, kind) and (word != "join" or found):
            found[word] = step.node
    return found


def _id_with(suffix: str) -> Callable[[str], str]:
    return lambda word: word + suffix


def next_suffix(taken: Sequence[str]) -> str:
    """Return the suffix of one more person."""
    return next(f"_{number}" for number in itertools.count(2) if f"_{number}" not in taken)


def people_of(graph: Graph) -> tuple[str, ...]:
    """Return the suffixes of the people whose skin a graph steers: those with a key and a steering by these names."""
    ids = graph.by_id
    named = [id.removeprefix("steer") for id in ids if id.startswith("steer")]
    return tuple(s for s in named if _is(ids, "skin" + s, SkinKey) and _is(ids, "steer" + s, SteerSkin))


@functools.lru_cache(maxsize=8)
def is_chain(graph: Graph) -> bool:
    """Tell whether a graph is the desk's chain with every step in place."""
    suffixes = people_of(graph)
    return FIRST in suffixes and graph == rewired(graph, suffixes, graph.by_id)


def _is(steps: Mapping[str, Step], id: str, kind: type[Node]) -> bool:
    return id in steps and isinstance(steps[id].node, kind)


def completed(graph: Graph) -> Graph:
    """Return a chain with the steps it left out because they change nothing; any other graph as it is."""
    suffixes = people_of(graph)
    if not suffixes or FIRST not in suffixes:
        return graph
    whole = rewired(graph, suffixes, graph.by_id)
    missing = {step.id: dict(step.inputs) for step in whole.steps if step.id not in graph.by_id}

    def behind(origin: str) -> str:
        while origin in missing:
            origin = missing[origin].get("image", "")
        return origin

    wires = {step.id: {port: behind(origin) for port, origin in step.inputs} for step in whole.steps}
    given = {step.id: dict(step.inputs) for step in graph.steps}
    same = all(id in wires and wires[id] == inputs for id, inputs in given.items())
    outputs = {name: behind(origin) for name, origin in whole.outputs}
    if not same or dict(graph.outputs) != outputs or graph.sources != (STANDARD_SOURCE,):
        return graph
    return whole
