"""The state of the work on one clip: graph, people, marks and what the views are set to, as one plain value."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ...kernels.errors import InkarnatError
from ...nodes import NODES, Compare, Node, Sample, SkinKey, SkinTarget, Waveform
from ..graphs.graph import Graph
from .chain import FIRST, completed, people_chain, people_of
from .errors import DeskError

FORMAT = 1
PURPOSES = ("skin", "keep out", "neutral")
MOST_MARKS = 1000
MOST_STROKE = 4096

VIEW_NODES: Mapping[str, Node] = {
    "compare": Compare(mode="difference"),
    "waveform": Waveform(),
}
"""The nodes that look at the result, as they are at first: set like any other, but no part of the graph."""


@functools.lru_cache(maxsize=256)
def resting(id: str, name: str) -> Node:
    """Return what a step or view goes back to: its place in the desk's chain, or else what the node declares."""
    suffix = id[id.rfind("_") :] if "_" in id else FIRST
    fresh = people_chain(list(dict.fromkeys((FIRST, suffix)))).by_id
    known = VIEW_NODES.get(id) or (fresh[id].node if id in fresh else None)
    return known if known is not None and known.name == name else NODES[name]()


@dataclass(frozen=True)
class Person:
    """Somebody whose skin is steered: the suffix of their steps, their name, and where their skin should rest."""

    suffix: str
    name: str
    target: SkinTarget = field(default_factory=SkinTarget)


@dataclass(frozen=True)
class Mark:
    """A sample that was drawn on a frame: of a person's skin, of what to keep out of it, or of something neutral."""

    id: int
    frame: int
    suffix: str
    purpose: str
    sample: Sample


def as_sample(kind: str, points: Any, radius: float) -> Sample:
    """Return the sample of a mark. Raises DeskError for a shape that is none, SampleError outside the frame."""
    try:
        pairs = [(float(x), float(y)) for x, y in points]
        if len(pairs) > MOST_STROKE:
            raise DeskError(f"A stroke may have at most {MOST_STROKE} points, not {len(pairs)}.")
        if kind == "point" and len(pairs) == 1:
            return Sample.point(*pairs[0])
        if kind == "box" and len(pairs) == 2:
            (x0, y0), (x1, y1) = pairs
            return Sample.box(min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1))
        if kind == "stroke" and pairs:
            return Sample.stroke(pairs, float(radius))
    except InkarnatError:
        raise
    except (TypeError, ValueError, OverflowError):
        pass
    raise DeskError("A mark is a point with one [x, y], a box with two, or a stroke with several and a radius.")


def _first_people() -> tuple[Person, ...]:
    return (Person(FIRST, "Person 1"),)


def _fresh_views() -> tuple[tuple[str, Node], ...]:
    return tuple(VIEW_NODES.items())


@dataclass(frozen=True)
class State:
    """Everything that undo takes back and that a file of notes restores."""

    graph: Graph = field(default_factory=lambda: people_chain([FIRST]))
    people: tuple[Person, ...] = field(default_factory=_first_people)
    marks: tuple[Mark, ...] = ()
    views: tuple[tuple[str, Node], ...] = field(default_factory=_fresh_views)

    @classmethod
    def of_graph(cls, graph: Graph) -> State:
        """Return the state in which somebody else's graph is opened: no marks, people by their steps."""
        graph = completed(graph)
        names = enumerate(people_of(graph), start=1)
        return cls(graph, tuple(Person(suffix, f"Person {number}") for number, suffix in names))

    def person(self, suffix: str) -> Person:
        """Return a person. Raises DeskError for one who is not there."""
        for person in self.people:
            if person.suffix == suffix:
                return person
        raise DeskError(f"There is no person {suffix!r} in this graph: add one, or choose another.")

    def is_taught(self, suffix: str) -> bool:
        """Tell whether a person's key was learned; otherwise it keys the natural range of skin."""
        step = self.graph.by_id.get("skin" + suffix)
        return step is not None and isinstance(step.node, SkinKey) and bool(step.node.model)

    def with_person(self, person: Person) -> State:
        """Return the state with a person set anew."""
        people = tuple(person if p.suffix == person.suffix else p for p in self.people)
        return dataclasses.replace(self, people=people)

    def node(self, id: str) -> Node:
        """Return the node of a step or of a view. Raises DeskError for an unknown one."""
        views = dict(self.views)
        if id in views:
            return views[id]
        if id not in self.graph.by_id:
            raise DeskError(f"There is no step {id!r}; there are {', '.join([*self.graph.by_id, *views])}.")
        return self.graph.by_id[id].node

    def with_node(self, id: str, node: Node, freed: tuple[str, ...] = ()) -> State:
        """Return the state with a step or view set anew; keyframes stay except those of the ``freed`` parameters."""
        self.node(id)
        if id in dict(self.views):
            return dataclasses.replace(self, views=tuple((n, node if n == id else v) for n, v in self.views))
        steps = tuple(
            dataclasses.replace(step, node=node, keyed=tuple(k for k in step.keyed if k[0] not in freed))
            if step.id == id
            else step
            for step in self.graph.steps
        )
        return dataclasses.replace(self, graph=dataclasses.replace(self.graph, steps=steps))

    # --- files ------------------------------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """Return the state as JSON data."""
        return {
            "desk": FORMAT,
            "people": [dataclasses.asdict(person) for person in self.people],
            "marks": [dataclasses.asdict(mark) for mark in self.marks],
            "views": {name: node.config() for name, node in self.views},
            "graph": self.graph.to_dict(),
        }

    @classmethod
    def from_dict(cls, data: Any) -> State:
        """Build the state from JSON data. Raises DeskError, GraphError or ParamError where it is not valid."""
        if not isinstance(data, dict) or data.get("desk") != FORMAT:
            raise DeskError(f"These are not notes of the desk in format {FORMAT}.")
        try:
            views = data.get("views", {})
            return cls(
                graph=Graph.from_dict(data["graph"]),
                people=tuple(_person(item) for item in data["people"]),
                marks=tuple(Mark(**{**item, "sample": as_sample(**item["sample"])}) for item in data["marks"]),
                views=tuple(
                    (name, type(node).from_config(views[name]) if name in views else node)
                    for name, node in VIEW_NODES.items()
                ),
            )
        except (KeyError, TypeError, AttributeError) as error:
            raise DeskError(f"These notes of the desk are damaged ({type(error).__name__}: {error}).") from None


def _person(data: Any) -> Person:
    known = {name: value for name, value in data.items() if name not in _NO_LONGER}
    return Person(**{**known, "target": SkinTarget(**data["target"])})


_NO_LONGER = ("unconnected", "recall", "close_up")
"""What earlier notes say of a person: now the graph's own notes tell what there is to doubt of a key."""
