"""Seen: a correction whose skin rests on its target through a view, while pixels are written without it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

from ...kernels.angles import wrapped
from ...kernels.arrays import Floats
from ...nodes import (
    Corrected,
    Correction,
    CorrectionOptions,
    MarkedFrame,
    SkinTarget,
    SteerSkin,
    Subject,
    measure_skin,
    solve_steer,
)
from ..graphs.graph import STANDARD_SOURCE, Graph
from ..graphs.runner import Runner
from ..graphs.standard import Keyed, chain_graph
from .viewing import View

_ROUNDS = 6
_NEAR_ENOUGH = 0.02
"""Degrees; and a tenth of it, as a part of the saturation."""


def solve_seen(
    correction: Correction,
    subjects: Sequence[Subject],
    wanted: CorrectionOptions,
    keyed: Mapping[str, Keyed],
    view: View,
) -> tuple[Correction, dict[str, SkinTarget]]:
    """Return a correction steered so that the skin of each person is on target through the view, and what to aim at.

    A view moves the hue of the skin and what it moves depends on where the skin is, so the steering is solved, looked
    at and solved again until the result lands on the reference frame of each person. Where no saturation is asked for,
    it stays as it is in the working signal.

    :param subjects: those the correction was solved for, in the same order.
    :returns: the correction, with readings through the view, and per name the target in the working signal that lands
        on the one asked for.
    :raises ReadingError: no skin is keyed on a reference frame.
    """
    aims = {person.name: person.target for person in correction.people}
    for _ in range(_ROUNDS):
        misses = [_miss(correction, person, subject, keyed, view) for person, subject in _pairs(correction, subjects)]
        if all(map(is_near_enough, misses)):
            break
        for (person, subject), miss in zip(_pairs(correction, subjects), misses, strict=True):
            aims[person.name] = aim = moved_aim(aims[person.name], miss)
            frame = subject.frames[0]
            image, matte = _made(_graph(correction, keyed, inside=person.id("steer")), frame, "image", "matte")
            steered = dataclasses.replace(person, steer=wanted.steer(image, matte, aim))
            people = tuple(steered if p.name == person.name else p for p in correction.people)
            correction = dataclasses.replace(correction, people=people)
    people = tuple(_read(correction, person, subject, keyed, view) for person, subject in _pairs(correction, subjects))
    return dataclasses.replace(correction, people=people), aims


def _pairs(correction: Correction, subjects: Sequence[Subject]) -> list[tuple[Corrected, Subject]]:
    return list(zip(correction.people, subjects, strict=True))


def _graph(correction: Correction, keyed: Mapping[str, Keyed], inside: str = "") -> Graph:
    """Return the graph of a correction; with ``inside``, giving what that node reads, by port."""
    graph = chain_graph(correction.links(), correction.outputs(), keyed)
    return dataclasses.replace(graph, outputs=graph.by_id[inside].inputs) if inside else graph


def _made(graph: Graph, frame: MarkedFrame, *outputs: str) -> tuple[Floats, ...]:
    made = Runner(graph).run_frame(frame.frame, {STANDARD_SOURCE: frame.picture}, outputs)
    return tuple(made[name] for name in outputs)


def _shown(
    correction: Correction, person: Corrected, subject: Subject, keyed: Mapping[str, Keyed], view: View
) -> tuple[Floats, Floats]:
    """Return the result of a person's reference frame as it is seen, and their matte."""
    result, matte = _made(_graph(correction, keyed), subject.frames[0], "result", person.id("matte"))
    return view(result), matte


def _miss(
    correction: Correction, person: Corrected, subject: Subject, keyed: Mapping[str, Keyed], view: View
) -> SteerSkin:
    """Return the steering that the skin would still need to be on target as it is seen."""
    return solve_steer(*_shown(correction, person, subject, keyed, view), person.target)


def is_near_enough(miss: SteerSkin) -> bool:
    """Tell whether what is missed is too little to solve again for."""
    return abs(miss.angle) < _NEAR_ENOUGH and abs(miss.saturation - 1) < _NEAR_ENOUGH / 10


def moved_aim(aim: SkinTarget, miss: SteerSkin) -> SkinTarget:
    """Return the target that makes good what a steering solved for ``aim`` misses."""
    ratio = None if aim.ratio is None else min(aim.ratio * miss.saturation, 2.0)
    return dataclasses.replace(aim, angle=wrapped(aim.angle + miss.angle), ratio=ratio)


def _read(
    correction: Correction, person: Corrected, subject: Subject, keyed: Mapping[str, Keyed], view: View
) -> Corrected:
    seen, matte = _shown(correction, person, subject, keyed, view)
    before, after = measure_skin(view(subject.frames[0].picture), matte), measure_skin(seen, matte)
    return dataclasses.replace(person, before=before, after=after)
