"""Colour spaces of footage: conversion steps put around a graph, and clips brought to the working signal."""

from __future__ import annotations

import copy
import dataclasses
from typing import Any

from ...kernels.arrays import Floats
from ...nodes import ConvertColour, ReturnColour, Space, enter_space, leave_space, return_to_space, space_tags
from ..media.clips import Clip
from .errors import GraphError
from .graph import STANDARD_SOURCE, Graph, Step
from .parts import with_mattes_of

WORKING = "working"
"""The id of the step that brings the plate to the signal of the skin line, and the output that shows its result."""

_VIEWS = "compare"
"""The group of nodes whose results are made to be looked at: they stay in the working signal."""


def convert_around(graph: Graph, input_space: str | None, output_space: str | None = None) -> Graph:
    """Return the graph with its source brought to the working signal and its pictures brought back.

    The source ``plate``, or the only one there is, is converted; all other sources are taken for working signal. An
    output of pictures is converted to the output space (the input space where None), where pixels that the graph did
    not touch get the source's very bits if the two spaces are the same. Outputs that are made to be looked at
    (views, scopes, comparisons) stay in the working signal. The output ``working`` shows what the graph was given.

    Raises ParamError for an unknown space, GraphError where the graph brings its own conversion.
    """
    if input_space is None and output_space is None:
        return graph
    if WORKING in graph.by_id:
        raise GraphError(f"The graph converts its footage itself (node {WORKING!r}): leave --input-space out.")
    source = STANDARD_SOURCE if STANDARD_SOURCE in graph.sources else graph.sources[0]
    given, wanted = input_space or str(Space()), output_space or input_space or str(Space())
    entering = Step.of(WORKING, enter_space(given), image=source)
    inside = [_rewired(step, source) for step in graph.steps]
    outputs, leaving = dict(graph.outputs), list[Step]()
    for name, origin in graph.outputs:
        origin = WORKING if origin == source else origin
        outputs[name] = origin
        if graph.kind(origin) == "picture" and not _is_view(graph, origin):
            step = _leaving(f"{name}_back", origin, source, given, wanted)
            leaving.append(step)
            outputs[name] = step.id
    steps = (entering, *inside, *leaving)
    made = dataclasses.replace(graph, steps=steps, outputs=(*outputs.items(), (WORKING, WORKING)))
    return with_mattes_of(made, graph)


def without_conversions(graph: Graph) -> tuple[Graph, str | None, str | None]:
    """Return the graph as it was before :func:`convert_around`, and the spaces of its input and output.

    A graph that was not made so is returned as it is, without spaces.
    """
    if WORKING not in graph.by_id or dict(graph.outputs).get(WORKING) != WORKING:
        return graph, None, None
    entering = graph.by_id[WORKING]
    source = dict(entering.inputs).get("image", "")
    outputs = {name: origin for name, origin in graph.outputs if name != WORKING}
    leaving = {id for name, id in outputs.items() if id == f"{name}_back" and id in graph.by_id}
    if not isinstance(entering.node, ConvertColour):
        return graph, None, None
    given = str(entering.node.spaces()[0])
    wanted = given
    for id in leaving:
        node = graph.by_id[id].node
        if not isinstance(node, ConvertColour):
            return graph, None, None
        wanted = str(node.spaces()[1])
    ends = {name: dict(graph.by_id[id].inputs)["image"] if id in leaving else id for name, id in outputs.items()}
    inside = [_rewired(step, WORKING, source) for step in graph.steps if step.id not in {WORKING, *leaving}]
    plain = dataclasses.replace(
        graph, steps=tuple(inside), outputs=tuple((n, source if o == WORKING else o) for n, o in ends.items())
    )
    plain = with_mattes_of(plain, graph)
    return (plain, given, wanted) if convert_around(plain, given, wanted) == graph else (graph, None, None)


def _rewired(step: Step, source: str, now: str = WORKING) -> Step:
    inputs = tuple((port, now if origin == source else origin) for port, origin in step.inputs)
    return dataclasses.replace(step, inputs=inputs)


def _is_view(graph: Graph, origin: str) -> bool:
    step = graph.by_id.get(origin)
    return step is not None and step.node.group == _VIEWS


def _leaving(id: str, origin: str, source: str, given: str, wanted: str) -> Step:
    if Space.parse(given) == Space.parse(wanted):
        return Step.of(id, return_to_space(wanted), image=origin, before=WORKING, original=source)
    return Step.of(id, leave_space(wanted), image=origin)


def output_tags(graph: Graph, origin: str) -> tuple[int, int] | None:
    """Return the ITU-T H.273 primaries and transfer that an output is tagged with; None where the input's stay."""
    step = graph.by_id.get(origin)
    if step is None or not isinstance(step.node, ConvertColour) or isinstance(step.node, ReturnColour):
        return None
    _, space = step.node.spaces()
    return space_tags(space)


class InWorking:
    """A clip as the graph is given it: every picture in the working signal. It offers what solving asks of a clip."""

    def __init__(self, clip: Clip, input_space: str) -> None:
        self.clip, self.node = clip, enter_space(input_space)

    def read(self, frame: int) -> Floats:
        """Return the converted picture. Raises InputError."""
        return self.node.process(self.clip.read(frame))

    def __getattr__(self, name: str) -> Any:
        if name == "clip":  # of one that is being copied
            raise AttributeError(name)
        return getattr(self.clip, name)

    def __copy__(self) -> InWorking:
        fresh = object.__new__(InWorking)
        fresh.clip, fresh.node = copy.copy(self.clip), self.node
        return fresh

    def __enter__(self) -> InWorking:
        return self

    def __exit__(self, *_: object) -> None:
        self.clip.close()


def in_working(clip: Clip, input_space: str | None) -> Any:
    """Return the clip with its pictures brought to the working signal; the clip itself where no space is given."""
    return clip if input_space is None else InWorking(clip, input_space)
