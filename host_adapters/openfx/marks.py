"""Samples made on the picture: kept with the frame that they were made on, in the effect's controls."""

from __future__ import annotations

from dataclasses import dataclass

from ...nodes import Sample, SampleError
from ...nodes.declare import MARKS, Place
from .controls import PICK, PLACED, Frame, Tool, corners_of, role_of, tools_of
from .instance import Instance


@dataclass(frozen=True)
class Mark:
    """A sample, what it shows, and the time of the frame it was made on."""

    time: float
    role: str
    sample: Sample


def tool_of(instance: Instance, time: float) -> Tool | None:
    """Return the tool that is chosen, or None."""
    tools = tools_of(instance.kind)
    if not tools or not instance.has_control(PICK):
        return None
    chosen = instance.getter(time)(PICK) - 1
    return tools[chosen] if 0 <= chosen < len(tools) else None


def parse(text: str) -> tuple[Mark, ...]:
    """Read marks, one a line: ``TIME ROLE SAMPLE``; a line that is none is left out."""
    found = []
    for line in text.splitlines():
        words = line.split()
        try:
            found.append(Mark(float(words[0]), words[1], Sample.parse(words[2])))
        except (IndexError, ValueError, SampleError):
            continue
    return tuple(found)


def text_of(marks: tuple[Mark, ...]) -> str:
    """Write marks as :func:`parse` reads them."""
    return "\n".join(f"{mark.time:.9g} {mark.role} {mark.sample}" for mark in marks)


def words_of(mark: Mark) -> str:
    """Return what a mark is called on the picture."""
    return mark.role.replace("_", " ").capitalize()


def read(instance: Instance, time: float) -> tuple[Mark, ...]:
    """Return the marks of an instance."""
    return parse(instance.getter(time)(MARKS)) if instance.has_control(MARKS) else ()


def _write(instance: Instance, marks: tuple[Mark, ...]) -> None:
    instance.set_control(MARKS, text_of(marks))


def add(instance: Instance, time: float, frame: Frame, tool: Tool, sample: Sample) -> None:
    """Keep a sample: as a mark, or in the first place of its kind that is free, else in the last."""
    if instance.has_control(MARKS) and tool.role not in PLACED:
        _write(instance, (*read(instance, time), Mark(time, tool.role, sample)))
        return
    get = instance.getter(time)
    fitting = [
        (name, ask)
        for name, ask in instance.kind.asks().items()
        if isinstance(ask, Place) and role_of(name) == tool.role and ask.shape == tool.shape
    ]
    free = [(name, ask) for name, ask in fitting if not get(f"{name}_use")]
    name, place = free[0] if free else fitting[-1]
    for corner, point in zip(corners_of(name, place), sample.points, strict=True):
        instance.set_control(corner, frame.canonical(point))
    instance.set_control(f"{name}_use", 1)


def move(instance: Instance, time: float, index: int, corner: int, to: tuple[float, float]) -> None:
    """Move a mark: a corner of a box, or a point or stroke as a whole."""
    marks = list(read(instance, time))
    mark = marks[index]
    points = list(mark.sample.points)
    if mark.sample.kind == "stroke":
        dx, dy = to[0] - points[0][0], to[1] - points[0][1]
        points = [(min(max(x + dx, 0.0), 1.0), min(max(y + dy, 0.0), 1.0)) for x, y in points]
    else:
        points[corner] = to
    if mark.sample.whole:
        (x0, y0), (x1, y1) = points
        if not (x0 < x1 and y0 < y1):
            return  # a corner does not cross the other
    marks[index] = Mark(mark.time, mark.role, Sample(mark.sample.kind, tuple(points), mark.sample.radius))
    _write(instance, tuple(marks))


def remove(instance: Instance, time: float, index: int) -> None:
    """Take a mark away."""
    marks = read(instance, time)
    _write(instance, marks[:index] + marks[index + 1 :])
