"""Four takes of one person under drifting light, as clips in memory and as files, with what is true about them."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.media.clips import Clip
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.host_adapters.shots.carry import Carried
from inkarnat.nodes import Distance, Sample, Skin, measure_skin

LIGHTS = {"take1": (-14, 0.003), "take2": (-4, 0.001), "take3": (30, 0.0), "take4": (45, 0.008)}
"""What the light does in each take: mired and Duv beside daylight."""

FRAMES = 2
SAWDUST = Sample.box(0.14, 0.87, 0.22, 0.91)


class Reel(Clip):
    """A clip in memory."""

    def __init__(self, name: str, pictures: list[np.ndarray]) -> None:
        super().__init__(name)
        self.pictures, self.frames = pictures, range(1, len(pictures) + 1)

    @property
    def width(self) -> int:
        return self.pictures[0].shape[1]

    @property
    def height(self) -> int:
        return self.pictures[0].shape[0]

    def read(self, frame: int) -> np.ndarray:
        return self.pictures[frame - 1].copy()


@dataclass(frozen=True)
class Take:
    """A filmed take: the clip, and the scene of each of its frames."""

    clip: Reel
    scenes: list[workshop.Scene]

    def card(self) -> Sample:
        return Sample.box(*self.scenes[0].places["grey_card"])

    def face(self) -> Sample:
        return Sample.stroke(self.scenes[0].places["stroke"], 0.015)


@functools.lru_cache(maxsize=48)
def film(
    name: str, mired: float, duv: float, green: float = 0.30, seed: int = 5, frames: int = FRAMES, width: int = 448
) -> Take:
    """Film the person with a camera that sees skin too green, under a light beside daylight."""
    shots = list(
        workshop.clip(
            range(1, frames + 1),
            "light",
            seed,
            cast=workshop.skin_cast(green, 0.12) if green else None,
            balance=workshop.light_change(mired, duv) if mired or duv else None,
            width=width,
            height=width * 9 // 16,
        )
    )
    return Take(Reel(name, [picture for picture, _ in shots]), [scene for _, scene in shots])


def take(name: str) -> Take:
    """Return one of the four takes."""
    return film(name, *LIGHTS[name])


def approved(shot: Take) -> Skin:
    """Read the person as a perfect camera would have filmed the first frame."""
    scene = shot.scenes[0]
    return Skin.of(measure_skin(workshop.camera(scene.light, noise=0.0), scene.matte))


def truth(carried: Carried, shot: Take) -> tuple[Skin, float]:
    """Return the corrected skin under the true matte, and the keyed area in parts of the true one."""
    made = Runner(carried.graph).run_frame(1, {"plate": shot.clip.read(1)}, ["result", "matte"])
    matte = shot.scenes[0].matte
    return Skin.of(measure_skin(made["result"], matte)), float(made["matte"].mean() / matte.mean())


def status(far: Distance) -> str:
    """Return the status that the judge gives to true figures."""
    angle = abs(far.angle)
    if angle >= 4 or far.delta_e >= 2:
        return "off"
    return "check" if angle >= 2 or far.delta_e >= 1 else "holds"


def write(shot: Take, folder) -> str:
    """Write a take as numbered pictures and return its pattern."""
    for frame, picture in enumerate(shot.clip.pictures, start=1):
        write_picture(folder / f"{shot.clip.path.name}.{frame:03d}.png", picture, None, bits=16)
    return str(folder / f"{shot.clip.path.name}.%03d.png")
