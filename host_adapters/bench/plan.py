"""The chains in numbers, as every other library needs them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...kernels import clean
from ...kernels.arrays import Floats
from ...kernels.colour import ycbcr_matrix
from ...kernels.resample import factor_for
from . import chains
from .peers import Scene

Doubles = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Plan:
    """What the chain does to a scene: colours as matrices, ranges as ramps, sizes in pixels.

    :ivar luma: float32 (3,). :ivar ycbcr: float32 (3, 3). :ivar turn: float32 (3, 3), the turn at a matte of 1;
        :ivar step: what it adds to a pixel. :ivar hue, hue_half, hue_slope: degrees. :ivar chroma, levels: lower
        end, upper end and slope of the ramps.
    """

    luma: Floats
    ycbcr: Floats
    turn: Floats
    step: Floats
    hue: float
    hue_half: float
    hue_slope: float
    chroma: tuple[float, float, float]
    levels: tuple[float, float, float]
    speck_radius: float
    pinhole_radius: float
    follow: float
    guide_radius: float
    epsilon: float
    sigma: float
    floor: float
    ceiling: float

    @classmethod
    def of(cls, scene: Scene, chain: chains.Chain = chains.STANDARD) -> Plan:
        """Return the plan of a chain for a scene's size."""
        key, steps = chains.KEY, chain.soften.steps(scene.image.shape[0], guided=True)
        ycbcr, turn = ycbcr_matrix(), _turn(chains.STEER.angle, chains.STEER.saturation)
        fade = key.fade
        return cls(
            luma=ycbcr[0].astype(np.float32),
            ycbcr=ycbcr.astype(np.float32),
            turn=turn.astype(np.float32),
            step=(turn - np.eye(3)).astype(np.float32),
            hue=(key.hue_from + key.hue_to) / 2,
            hue_half=(key.hue_to - key.hue_from) / 2 + 360 * fade,
            hue_slope=1 / (360 * fade),
            chroma=(key.chroma_from - fade / 2, key.chroma_to + fade / 2, 2 / fade),
            levels=(key.luma_from - fade, key.luma_to + fade, 1 / fade),
            speck_radius=clean.speck_radius(steps.specks),
            pinhole_radius=clean.pinhole_radius(steps.pinholes),
            follow=steps.follow,
            guide_radius=steps.radius,
            epsilon=steps.epsilon,
            sigma=steps.sigma,
            floor=steps.floor,
            ceiling=steps.ceiling,
        )

    @property
    def chroma_rows(self) -> Floats:
        """The rows of Cb and Cr, float32 (2, 3)."""
        return self.ycbcr[1:]

    @property
    def guide_factor(self) -> int:
        """By how much the guided filter's grid is reduced."""
        return factor_for(self.guide_radius)


def _turn(angle: float, saturation: float) -> Doubles:
    to_ycbcr, a = ycbcr_matrix(), math.radians(angle)
    c, s = saturation * math.cos(a), saturation * math.sin(a)
    turned: Doubles = np.linalg.inv(to_ycbcr) @ np.array([[1, 0, 0], [0, c, -s], [0, s, c]]) @ to_ycbcr
    return turned
