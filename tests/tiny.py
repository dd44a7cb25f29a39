"""Tiny nodes with every kind of parameter and port, for tests of graphs, the runner and descriptions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from inkarnat.nodes.declare import (
    Matte,
    Node,
    ParamError,
    Picture,
    choice,
    colour,
    degrees,
    number,
    point,
    points,
    text,
    toggle,
    whole,
)


@dataclass(frozen=True)
class Gain(Node):
    """Multiply the picture."""

    name = "gain"
    label = "Gain"
    group = "light"

    factor: float = number(1.0, 0, 10, "Factor on the picture.", unit="times")

    def process(self, image: Picture) -> Picture:
        return image * np.float32(self.factor)


@dataclass(frozen=True)
class Threshold(Node):
    """Make a matte of what is brighter than a level."""

    name = "threshold"
    label = "Threshold"
    group = "key"

    low: float = number(0.2, 0, 1, "Where the matte begins.")
    high: float = number(0.6, 0, 1, "Where the matte is full.")

    def __post_init__(self) -> None:
        super().__post_init__()
        if not self.low < self.high:
            raise ParamError(f"threshold.low must be below threshold.high, not {self.low:g} and {self.high:g}.")

    def process(self, image: Picture) -> Matte:
        return np.clip((image[..., 1] - self.low) / (self.high - self.low), 0, 1).astype(np.float32)


@dataclass(frozen=True)
class Mix(Node):
    """Mix two pictures by a matte, or half and half."""

    name = "mix"
    label = "Mix"
    group = "compare"
    version = 3

    def process(self, first: Picture, second: Picture, matte: Matte | None = None) -> Picture:
        weight = np.float32(0.5) if matte is None else matte[..., None]
        return first * (1 - weight) + second * weight


@dataclass(frozen=True)
class Average(Node):
    """Average the picture over time."""

    name = "average"
    label = "Average"
    group = "matte"

    before: int = whole(1, 0, 5, "Frames before.", unit="frames")
    after: int = whole(1, 0, 5, "Frames after.", unit="frames")

    def frames_needed(self) -> tuple[int, int]:
        return self.before, self.after

    def process(self, image: Picture) -> Picture:
        if self.frames_needed() == (0, 0):
            return image
        assert isinstance(image, tuple)
        assert len(image) == self.before + 1 + self.after
        return (sum(image) / np.float32(len(image))).astype(np.float32)


@dataclass(frozen=True)
class Everything(Node):
    """Hold one parameter of every kind."""

    name = "everything"
    label = "Everything"
    group = "steer"

    amount: float = number(0.5, -1, 1, "How much of it.", shown=(0, 1))
    turn: float = degrees(0.0, -60, 60, "Turn of the hue.")
    radius: int = whole(3, 0, 40, "Radius of the brush.", unit="px")
    on: bool = toggle(True, "Whether it does anything.")
    side: str = choice("centre", {"centre": "the middle | of it", "edge": "the rim of it"}, "Which part to take.")
    note: str = text("", "What to remember.")
    place: tuple[float, float] = point((0.5, 0.5), "Where it is.")
    tint: tuple[float, float, float] = colour((1.0, 1.0, 1.0), 0, 4, "Factor on each channel.")
    outline: tuple[tuple[float, float], ...] = points(((0.0, 0.0), (1.0, 1.0)), "The path of it.")

    def process(self, image: Picture) -> Picture:
        return image * np.asarray(self.tint, np.float32)


@dataclass(frozen=True)
class Breaks(Node):
    """Fail, always."""

    name = "breaks"
    label = "Breaks"
    group = "steer"

    def process(self, image: Picture) -> Picture:
        raise IndexError("no such row")


NODES: dict[str, type[Node]] = {
    "gain": Gain,
    "threshold": Threshold,
    "mix": Mix,
    "average": Average,
    "everything": Everything,
    "breaks": Breaks,
}
