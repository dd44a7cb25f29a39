"""A graphics card's results against the processor's: corrected pictures, generated and real, with and without faces."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels import devices
from ...kernels.errors import InkarnatError
from ...nodes import CorrectionOptions, MarkedFrame, Sample, solve_correction
from ...nodes.declare import Picture
from ..graphs.graph import Graph
from ..graphs.runner import Runner
from ..graphs.standard import chain_graph
from .card import LARGEST_DIFFERENCES
from .pictures import FindFaces, Photo, samples_of
from .shots import generated_shots

_BAD = ((0.31, 0.42, np.nan), (0.52, 0.47, np.inf), (0.68, 0.23, -np.inf), (0.44, 0.71, np.nan))
"""Where, normalised, and what is put into a picture to see that no step spreads it."""


@dataclass(frozen=True)
class CardCase:
    """One picture, corrected on the processor and on the card by the same graph.

    :ivar group: "generated" or "real". :ivar input: what the skin was learned from. :ivar matte, picture: the largest
        differences. :ivar again_same_bits: of two runs on the card. :ivar bad_pixels_alike: with pixels that are not
        finite, what is finite afterwards is the same places, and the differences there stay as small.
    """

    name: str
    group: str
    input: str
    size: tuple[int, int]
    matte: float
    picture: float
    again_same_bits: bool
    bad_pixels_alike: bool

    @property
    def holds(self) -> bool:
        """Whether the card gives the same picture, as far as is asked for."""
        near = self.matte <= LARGEST_DIFFERENCES[0] and self.picture <= LARGEST_DIFFERENCES[1]
        return near and self.again_same_bits and self.bad_pixels_alike

    def as_dict(self) -> dict[str, Any]:
        """Return the case as JSON data."""
        return {**asdict(self), "holds": self.holds}


def card_cases(
    device: devices.Device, photos: Sequence[Photo] = (), find_faces: FindFaces | None = None, seeds: int = 1
) -> Iterator[CardCase]:
    """Yield what comes of every accuracy case on a card, generated portraits first.

    :param photos: real pictures, see :func:`.pictures.photos`. :param seeds: portraits of every depth and scene.
    """
    for shot in generated_shots(range(seeds)):
        yield from _cases(device, shot.name, "generated", shot.keyed, [("stroke", shot.marks["stroke"].add, None)])
    for photo in photos:
        stroke = samples_of(photo, "stroke")
        yield from _cases(
            device,
            photo.name,
            "real",
            photo.image,
            [("stroke", stroke, None), ("stroke and faces", stroke, find_faces)],
        )


def _cases(
    device: devices.Device,
    name: str,
    group: str,
    image: Picture,
    inputs: Sequence[tuple[str, Sequence[Sample], FindFaces | None]],
) -> Iterator[CardCase]:
    for input, samples, find_faces in inputs:
        faces = tuple(find_faces(image)) if find_faces else ()
        if find_faces and not faces:
            continue
        try:
            marked = MarkedFrame(0, image, add=tuple(samples), faces=faces)
            correction = solve_correction([marked], CorrectionOptions())
        except InkarnatError:  # no key comes of it on the processor either
            continue
        graph = chain_graph(correction.links(), correction.outputs())
        yield _compared(device, graph, image, name, group, input)


def _compared(device: devices.Device, graph: Graph, image: Picture, name: str, group: str, input: str) -> CardCase:
    bad = image.copy()
    for x, y, value in _BAD:
        bad[int(y * bad.shape[0]), int(x * bad.shape[1])] = value
    own, own_bad = worked_out(graph, image, None), worked_out(graph, bad, None)
    first, again, first_bad = (worked_out(graph, each, device) for each in (image, image, bad))
    matte, picture = (_largest(a, b) for a, b in zip(first, own, strict=True))
    alike = all(
        np.array_equal(np.isfinite(a), np.isfinite(b)) and _largest(a, b) <= most
        for a, b, most in zip(first_bad, own_bad, LARGEST_DIFFERENCES, strict=True)
    )
    same = all(np.array_equal(a.view(np.uint32), b.view(np.uint32)) for a, b in zip(first, again, strict=True))
    return CardCase(name, group, input, (image.shape[1], image.shape[0]), matte, picture, same, alike)


def worked_out(
    graph: Graph, image: Picture, device: devices.Device | None
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the matte and the result of a graph for a picture, worked out on a device, or the processor for None."""
    with devices.using(device):
        made = Runner(graph).run_frame(0, {"plate": devices.sent(image)}, ("matte", "result"))
        return np.asarray(made["matte"]).copy(), np.asarray(made["result"]).copy()


def _largest(first: NDArray[np.float32], second: NDArray[np.float32]) -> float:
    """Return the largest difference, where both are finite."""
    both = np.isfinite(first) & np.isfinite(second)
    return float(np.abs(first[both] - second[both]).max(initial=0))
