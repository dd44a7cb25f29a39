"""Likeness: how far one skin lies from another, in hue, saturation, colour difference and level."""

from __future__ import annotations

import functools
import math
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

from ..kernels.colour import decode, ycbcr_matrix
from .balance import colour_science
from .solve import SkinReading, SkinTarget

_DARKEST = 1e-4


@dataclass(frozen=True)
class Skin:
    """Where the centre of some skin lies: what can be compared between frames, clips and people.

    :ivar angle: degrees in the BT.709 Cb/Cr plane. :ivar ratio: chroma/luma. :ivar luma: its median, 0 to 1.
    :ivar black: the picture's black level, subtracted from luma before chroma is divided by it.
    """

    angle: float
    ratio: float
    luma: float
    black: float = 0.0

    @classmethod
    def of(cls, reading: SkinReading) -> Skin:
        """Return the centre of a reading."""
        return cls(reading.angle, reading.ratio, reading.luma[1], reading.black)

    def rgb(self, luma: float | None = None) -> NDArray[np.float64]:
        """Return the colour as R′G′B′, float64 (3,), at its own luma or another one (0 to 1)."""
        level = self.luma if luma is None else luma
        chroma = self.ratio * max(level - self.black, 0.0)
        turn = math.radians(self.angle)
        ycc = np.array([level, chroma * math.cos(turn), chroma * math.sin(turn)])
        result: NDArray[np.float64] = np.linalg.solve(ycbcr_matrix("709"), ycc)
        return result

    def target(self) -> SkinTarget:
        """Return the target that brings other skin to this hue and saturation."""
        return SkinTarget(angle=self.angle, ratio=self.ratio)


@dataclass(frozen=True)
class Distance:
    """How far one skin lies from another.

    :ivar angle: degrees, above 0 yellower, below 0 redder than the other. :ivar ratio: factor on its chroma/luma.
    :ivar delta_e: CIEDE2000 between the two with the lightness of the other: hue and saturation alone.
    :ivar luma: difference in luma, above 0 brighter. :ivar stops: the same in stops of light; both information only.
    """

    angle: float
    ratio: float
    delta_e: float
    luma: float
    stops: float

    def words(self) -> str:
        """Say the distance in words."""
        side = "yellower" if self.angle > 0 else "redder"
        hue = "the same hue" if abs(self.angle) < 0.05 else f"{abs(self.angle):.1f}° {side}"
        return f"{hue}, saturation × {self.ratio:.2f}, ΔE00 {self.delta_e:.2f}"

    def level_words(self) -> str:
        """Say the difference in level in words."""
        if abs(self.stops) < 0.05:
            return "the same level"
        return f"{abs(self.stops):.1f} stops {'brighter' if self.stops > 0 else 'darker'}"

    def as_dict(self) -> dict[str, float]:
        """Return the figures as plain JSON data."""
        return asdict(self)


def distance(skin: Skin, other: Skin) -> Distance:
    """Return how far ``skin`` lies from ``other``.

    The colours are taken at the luma of the other as they show on a BT.1886 display with BT.709 primaries, and their
    lightness is made the same; the difference is CIEDE2000 (ISO/CIE 11664-6) through colour-science. The level is
    compared in the light before a BT.709 camera (the inverse of its curve, BT.709-6 item 1.2).

    >>> round(distance(Skin(123.0, 0.2, 0.5), Skin(121.0, 0.2, 0.5)).angle, 3)
    2.0
    """
    return Distance(
        angle=(skin.angle - other.angle + 180) % 360 - 180,
        ratio=skin.ratio / max(other.ratio, 1e-6),
        delta_e=_delta_e(skin.rgb(other.luma), other.rgb()),
        luma=skin.luma - other.luma,
        stops=stops(skin.luma, other.luma),
    )


def stops(luma: float, other: float) -> float:
    """Return by how many stops of light a luma lies above another one, both 0 to 1 behind a BT.709 camera.

    >>> round(stops(0.5, 0.25), 2)
    1.73
    """
    light, reference = (
        max(float(decode(np.full((1, 1, 3), v, np.float32), "bt709")[0, 0, 0]), _DARKEST) for v in (luma, other)
    )
    return math.log2(light / reference)


def _delta_e(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    colour = colour_science()
    first_lab, second_lab = (
        colour.XYZ_to_Lab(_rgb_to_xyz() @ _displayed(rgb), np.array([0.3127, 0.3290])) for rgb in (first, second)
    )
    first_lab[0] = second_lab[0]
    return float(colour.delta_E(first_lab, second_lab, method="CIE 2000"))


def _displayed(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    signal = np.clip(rgb, 0, 1).astype(np.float32)[None, None]
    light: NDArray[np.float64] = np.asarray(decode(signal, "bt1886")[0, 0], np.float64)
    return light


@functools.lru_cache(maxsize=1)
def _rgb_to_xyz() -> NDArray[np.float64]:
    matrix: NDArray[np.float64] = colour_science().RGB_COLOURSPACES["ITU-R BT.709"].matrix_RGB_to_XYZ
    return matrix
