"""The chains that are timed: the same few nodes one by one, as a graph, in fused sweeps, and in their best quality."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass

from ...kernels.arrays import Floats
from ...kernels.measure import Counts
from ...nodes import (
    Part,
    RangeKey,
    Sample,
    SkinKey,
    SoftenMatte,
    SteerSkin,
    Vectorscope,
    Waveform,
    learn_skin_key,
    standard_chain,
)
from ..graphs.graph import Graph
from ..graphs.runner import Runner
from ..graphs.standard import chain_graph
from .frames import SKIN_BOX, skin_frame

Work = Callable[[], Floats]

BINS = 256
"""Cells along the sides of the Cb/Cr plane in which pixels are counted."""


@dataclass(frozen=True)
class Chain:
    """Nodes that key, soften and steer; every library computes the same from their parameters."""

    key: RangeKey | SkinKey
    soften: SoftenMatte
    steer: SteerSkin

    def node_by_node(self, image: Floats) -> Floats:
        """Return the corrected picture, one node after the other."""
        return self.steer.process(image, self.soften.process(self.key.process(image), image))

    def graph(self) -> Graph:
        """Return the same as a graph."""
        person = Part(lambda word: word, {"skin": self.key, "soften": self.soften, "steer": self.steer})
        chain = standard_chain({}, [person])
        return chain_graph(chain.links, {"result": chain.result})

    def as_run(self) -> Callable[[Floats], Floats]:
        """Return the chain as a run of frames works it out: by one runner."""
        runner = Runner(self.graph())
        return lambda image: runner.run_frame(0, {"plate": image})["result"]

    def as_fused(self) -> Callable[[Floats], Floats]:
        """Return the chain in fused sweeps, joined as a run joins it."""

        def work(image: Floats) -> Floats:
            key = self.key.rows(image) if self.soften.takes_rows() else self.key.process(image)
            return self.steer.process(image, self.soften.rows(key, image))

        return work


KEY, SOFTEN, STEER = RangeKey(), SoftenMatte(), SteerSkin(angle=9.0, saturation=1.05)
STANDARD = Chain(KEY, SOFTEN, STEER)
"""Plain ranges, a matte softened as by default, skin turned and scaled."""


PLAIN = Chain(KEY, SoftenMatte(specks=0, pinholes=0, follow=0, softness=5.56), STEER)
"""The same with a matte that is only blurred (σ 12 at 2160 lines) and levelled."""


@functools.cache
def learned_key() -> SkinKey:
    """Return a skin key learned from the benchmarks' own frame, with its full table."""
    return learn_skin_key(skin_frame(640, 360), [Sample.box(*SKIN_BOX)])


def full_quality() -> Chain:
    """Return the chain with the learned key: ratio filter, table, clean-up, guided edge; then soften and steer."""
    return Chain(learned_key(), SOFTEN, STEER)


def vectorscope(image: Floats) -> Counts:
    """Return what the vectorscope draws at first, as counts."""
    return Vectorscope().counts(image)


def waveform(image: Floats) -> Counts:
    """Return what the waveform draws at first, as counts: luma."""
    (luma,) = Waveform().counts(image)
    return luma


def scopes(image: Floats) -> tuple[Counts, Counts]:
    """Return what both scopes draw."""
    return vectorscope(image), waveform(image)
