"""Finished: reading a file that a graph made as it is, without correcting it once more."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ...kernels.arrays import Floats
from ...nodes import ReadingError, SteerSkin, burnt_out, hues_of_faces, measure_skin
from .. import made
from ..graphs.colour_spaces import WORKING
from ..graphs.errors import GraphError
from ..graphs.graph import Graph, Step
from ..graphs.runner import Runner
from ..sequences import SequencePattern
from .evidence import Moment, Read, View, in_working, known_faces, mattes_of

_SOURCE = "finished"
_BEFORE = "before "


class Finished:
    """Reads finished pictures through the key of the graph that made them.

    What the steering did to the skin is turned back before the key looks, so that it finds what it found then. Exact
    where nothing follows the steering; close where it does.

    :param entered: the pictures are in the working signal already, whatever the graph reads.
    :raises GraphError: a graph without mattes, or one in which no steering reads a picture and a matte.
    """

    def __init__(self, graph: Graph, view: View, entered: bool = False) -> None:
        self.graph, self.view, self.mattes = graph, view, mattes_of(graph)
        self._steers = {name: self._steer_of(output) for name, output in self.mattes.items()}
        image = dict(next(iter(self._steers.values())).inputs)["image"]
        steps = tuple(_reading(step, image) for step in graph.steps)
        outputs = tuple((name, graph.origins([name])[name]) for name in self.mattes.values())
        self._runner = Runner(Graph(steps, outputs, (*graph.sources, _SOURCE)))
        self._last = {name for name, step in self._steers.items() if step in self._steered_last(graph)}
        entering = graph.by_id.get(WORKING)
        self._entering = entering.node if entering is not None and not entered else None

    @staticmethod
    def _steered_last(graph: Graph) -> list[Step]:
        """Return the steerings that nothing but other steerings follows."""
        found: list[Step] = []
        outputs = dict(graph.outputs)
        origin = in_working(graph, "result") if "result" in outputs else ""
        while origin in graph.by_id and isinstance(graph.by_id[origin].node, SteerSkin):
            found.append(graph.by_id[origin])
            origin = dict(found[-1].inputs)["image"]
        return found

    def _steer_of(self, matte: str) -> Step:
        origin = self.graph.origins([matte])[matte]
        steers = [step for step in self.graph.order() if isinstance(step.node, SteerSkin)]
        for step in steers:
            if dict(step.inputs)["matte"] == origin:
                return step
        if not steers:
            raise GraphError("The graph steers no skin, so there is nothing to turn back: leave --corrected out.")
        return steers[0]

    def pictures(self, clip: Read, frame: int) -> dict[str, Floats]:
        """Return the finished picture as it is seen, and the matte of every person by the name of its output.

        Where nothing follows a steering, what it turned is there as well as it was before, for the judge.
        """
        picture = clip.read(frame)
        if self._entering is not None:
            picture = self._entering.process(picture)  # type: ignore[attr-defined]
        made = {"final": self.view(picture)}
        for name, output in self.mattes.items():
            turned = _turned_back(self._steers[name], picture, frame)
            sources = dict.fromkeys(self.graph.sources, turned) | {_SOURCE: turned}
            made[output] = self._runner.run_frame(frame, sources, [output])[output]
            if name in self._last:
                made[_BEFORE + output] = self.view(turned)
        return made

    def moment(self, pictures: dict[str, Floats], frame: int, name: str = "") -> Moment:
        """Read the skin of a person in the finished picture of a frame, and before it was steered."""
        output = self.mattes[name]
        before = pictures.get(_BEFORE + output)
        try:
            light = None if before is None else measure_skin(before, pictures[output])
            final = measure_skin(pictures["final"], pictures[output])
            burnt = burnt_out(pictures["final"], pictures[output], pictures["final"])
            faces = hues_of_faces(pictures["final"], pictures[output], known_faces(self.graph, name, frame))
            return Moment(frame, None, light, final, burnt=burnt, faces=faces)
        except ReadingError as error:
            return Moment(frame, None, None, None, str(error))


def is_made_by(graph: Graph, path: Path, frames: Sequence[int]) -> bool | None:
    """Tell by the record of what was made whether a file, or these frames of a sequence, are what a graph made.

    False where the graph made them and one was changed since, None where nobody said that it made all of them.
    """
    pattern = SequencePattern.parse(path)
    mine = graph.content_hash()
    if pattern is None:
        return made.is_of_graph(path, mine)
    found = [made.is_of_graph(pattern.path(frame), mine, path, frame) for frame in frames]
    return None if None in found else all(found)


def _reading(step: Step, image: str) -> Step:
    """Return a step that reads the turned-back picture where it read the light-only one."""
    inputs = tuple((port, _SOURCE if origin == image else origin) for port, origin in step.inputs)
    return dataclasses.replace(step, inputs=inputs)


def _turned_back(step: Step, picture: Floats, frame: int) -> Floats:
    node = step.node_at(frame)
    assert isinstance(node, SteerSkin)
    angle, saturation = node.applied()
    back = SteerSkin(angle=-angle, saturation=min(1 / max(saturation, 0.25), 4.0))
    turned: Floats = back.process(picture, np.ones(picture.shape[:2], np.float32))
    return turned
