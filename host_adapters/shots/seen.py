"""Seen: a correction whose skin rests on its target through a view, while pixels are written without it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

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
from .approach import Approach
from .viewing import View


def solve_seen(
    correction: Correction,
    subjects: Sequence[Subject],
    wanted: CorrectionOptions,
    keyed: Mapping[str, Keyed],
    view: View,
) -> tuple[Correction, dict[str, SkinTarget]]:
    """Return a correction steered so that the skin of each person is on target through the view, and what to aim at.

    The steering is solved, looked at and solved again until the result lands on the reference frame of each person
    (:class:`Approach`).

    :param subjects: those the correction was solved for, in the same order.
    :returns: the correction, with readings through the view, and per name the target in the working signal that lands
        on the one asked for.
    :raises ReadingError: no skin is keyed on a reference frame.
    """
    ways = {person.name: Approach(person.target) for person in correction.people}
    while True:
        pairs = _pairs(correction, subjects)
        misses = [_miss(correction, person, subject, keyed, view) for person, subject in pairs]
        moving = [pair for pair, miss in zip(pairs, misses, strict=True) if ways[pair[0].name].follow(miss)]
        if not moving:
            break
        for person, subject in moving:
            correction = _resteered(correction, person.name, subject, wanted, keyed, ways[person.name].aim)
    for person, subject in _pairs(correction, subjects):
        if ways[person.name].aim != ways[person.name].best:
            correction = _resteered(correction, person.name, subject, wanted, keyed, ways[person.name].best)
    aims = {name: way.best for name, way in ways.items()}
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


def _resteered(
    correction: Correction,
    name: str,
    subject: Subject,
    wanted: CorrectionOptions,
    keyed: Mapping[str, Keyed],
    aim: SkinTarget,
) -> Correction:
    """Return the correction with a person's steering solved for an aim on their reference frame."""
    (person,) = (each for each in correction.people if each.name == name)
    image, matte = _made(_graph(correction, keyed, inside=person.id("steer")), subject.frames[0], "image", "matte")
    steered = dataclasses.replace(person, steer=wanted.steer(image, matte, aim))
    people = tuple(steered if each.name == name else each for each in correction.people)
    return dataclasses.replace(correction, people=people)


def _read(
    correction: Correction, person: Corrected, subject: Subject, keyed: Mapping[str, Keyed], view: View
) -> Corrected:
    seen, matte = _shown(correction, person, subject, keyed, view)
    before, after = measure_skin(view(subject.frames[0].picture), matte), measure_skin(seen, matte)
    return dataclasses.replace(person, before=before, after=after)
