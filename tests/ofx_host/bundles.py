"""The bundle under test, built once a process, and nodes that exist only for tests."""

from __future__ import annotations

import atexit
import functools
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from inkarnat.host_adapters.openfx import bundle, plugin
from inkarnat.kernels.arrays import Floats, copied, placed
from inkarnat.nodes import NODES, declare
from inkarnat.nodes.declare import Action, Matte, Node, Picture, Place

from .effect import Effect
from .host import Host


@functools.cache
def folder() -> Path:
    """A folder that is removed when the process ends."""
    made = Path(tempfile.mkdtemp(prefix="inkarnat-openfx-"))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


# Effects compile what a test needs when it needs it; tests/test_openfx_ahead.py looks at compiling ahead.
plugin._prepared.update({*NODES, "neighbours", "everything", "faulty"})


@functools.cache
def built() -> Path:
    """The binary of a bundle with every node."""
    return bundle.binary_of(bundle.build(folder()).path)


@functools.cache
def built_trials() -> Path:
    """The binary of a bundle with the nodes below."""
    return bundle.binary_of(bundle.build(folder(), TRIALS, name="Trials", module=__name__).path)


@functools.cache
def loaded() -> tuple[Host, dict[str, Effect]]:
    """A strict host with every effect loaded."""
    host = Host()
    return host, by_name(host, built())


@functools.cache
def loaded_trials() -> tuple[Host, dict[str, Effect]]:
    """A strict host with the effects of the nodes below."""
    host = Host()
    return host, by_name(host, built_trials())


def by_name(host: Host, binary: Path) -> dict[str, Effect]:
    """Load a binary and return its effects by the names of their nodes."""
    return {effect.name: effect for effect in host.load(binary).values()}


def attach(link: int, resources: str) -> None:
    """What the launcher of the second bundle calls."""
    from inkarnat.host_adapters.openfx import plugin

    plugin.attach(link, resources, TRIALS)


# --- nodes for tests ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Neighbours(Node):
    """Mean of several frames, each shifted by one column, so that order and place show."""

    name = "neighbours"
    label = "Neighbours"
    group = "matte"
    before: int = declare.whole(1, 0, 3, "Frames before.")
    after: int = declare.whole(2, 0, 3, "Frames after.")

    def frames_needed(self) -> tuple[int, int]:
        return self.before, self.after

    def process(self, image: Picture, *, out: Floats | None = None) -> Picture:
        frames = image if isinstance(image, tuple) else (image,)
        weights = np.arange(1, len(frames) + 1, dtype=np.float32)
        return placed(sum(weight * frame for weight, frame in zip(weights, frames, strict=True)), out)


@dataclass(frozen=True)
class Everything(Node):
    """One control of each kind, and an action that sets them."""

    name = "everything"
    label = "Everything"
    group = "compare"
    number: float = declare.number(1.0, 0, 4, "A factor.", shown=(0, 2))
    level: float = declare.number(0.25, -1, 1, "A level.", unit="mired", shown=(-0.1, 0.3))
    angle: float = declare.degrees(10.0, -60, 60, "An angle.")
    whole: int = declare.whole(2, 0, 9, "A whole number.")
    toggle: bool = declare.toggle(False, "A yes or no.")
    choice: str = declare.choice("red", {"red": "Warm.", "blue": "Cold."}, "A word.")
    text: str = declare.text("", "Some text.")
    point: tuple[float, float] = declare.point((0.25, 0.75), "A position.")
    tint: tuple[float, float, float] = declare.colour((1.0, 0.5, 0.0), 0, 1, "A colour.")
    slope: tuple[float, float, float] = declare.colour((1.0, 1.0, 1.0), 0, 8, "Three factors.", shown=(0, 2))
    outline: tuple[tuple[float, float], ...] = declare.points(((0.1, 0.2), (0.9, 0.3), (0.5, 0.8)), "Corners.")
    curve: tuple[tuple[float, float], ...] = declare.points((), "A curve.", curve=True)

    def process(self, image: Picture, *, out: Floats | None = None) -> Picture:
        numbers = (self.number, self.level, self.angle, self.whole, self.toggle, *self.point, *self.tint, *self.slope)
        flat = [*numbers, *np.ravel(self.outline), *np.ravel(self.curve), len(self.choice), len(self.text)]
        result = np.zeros_like(image)
        result.reshape(-1)[: len(flat)] = flat
        return placed(result, out)

    @classmethod
    def asks(cls) -> dict[str, declare.Param | Place]:
        return {"spot": Place("Spot", "A spot.", "point", (0.5, 0.5)), "area": _AREA, "wish": _WISH}

    @classmethod
    def actions(cls) -> dict[str, Action]:
        return {"set_all": Action("Set all", "Set everything.", _set_all)}


_AREA = Place("Area", "A box.", "box", (0.2, 0.3, 0.6, 0.7), used=True)
_WISH = declare.Param("number", 1.0, "A wish.", 0, 2, (0, 2))


def _set_all(node: Everything, asked: dict, image: Picture) -> tuple[Everything, str]:
    mean = float(image[..., 0].mean())
    changed = Everything(
        number=3.0,
        level=-0.5,
        angle=-20.0,
        whole=7,
        toggle=True,
        choice="blue",
        text="Grüße 100 %s",
        point=(0.75, 0.125),
        tint=(0.25, 0.5, 0.75),
        slope=(2.0, 3.0, 4.0),
        outline=node.outline,
        curve=node.curve,
    )
    return changed, f"spot {asked['spot']}, area {asked['area']}, wish {asked['wish']:g}, mean {mean:.3f}"


@dataclass(frozen=True)
class Faulty(Node):
    """Fails in the way it is told to."""

    name = "faulty"
    label = "Faulty"
    group = "matte"
    pixelwise = True
    way: str = declare.choice(
        "none",
        {"none": "It works.", "fault": "A fault.", "exit": "An exit.", "interrupt": "A stop.", "memory": "No memory."},
        "How it fails.",
    )

    def process(self, image: Picture, *, out: Floats | None = None) -> Matte:
        if self.way != "none" and (image[..., 0] > 0.5).any():
            raise {
                "fault": ZeroDivisionError("at 100 %s of it"),
                "exit": SystemExit(3),
                "interrupt": KeyboardInterrupt(),
                "memory": MemoryError(),
            }[self.way]
        return copied(image[..., 0], out)


TRIALS = {kind.name: kind for kind in (Neighbours, Everything, Faulty)}

assert not set(TRIALS) & set(NODES)
