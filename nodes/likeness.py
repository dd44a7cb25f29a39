"""Likeness: how far one skin lies from another, in hue, saturation, colour difference and level."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

from ..kernels.angles import wrapped
from ..kernels.colour import light_of, ycbcr_matrix
from .solve import SkinReading, SkinTarget

_DARKEST = 1e-4

Lab = tuple[float, float, float]
"""CIE 1976 L*, a* and b*."""


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
    lightness is made the same; the difference is CIEDE2000 (ISO/CIE 11664-6). The level is
    compared in the light before a BT.709 camera (the inverse of its curve, BT.709-6 item 1.2).

    >>> round(distance(Skin(123.0, 0.2, 0.5), Skin(121.0, 0.2, 0.5)).angle, 3)
    2.0
    """
    return Distance(
        angle=wrapped(skin.angle - other.angle),
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
    light, reference = (max(light_of(v), _DARKEST) for v in (luma, other))
    return math.log2(light / reference)


def _delta_e(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    first_lab, second_lab = (_lab(_RGB_TO_XYZ @ _displayed(rgb)) for rgb in (first, second))
    return ciede2000((second_lab[0], *first_lab[1:]), second_lab)


def _displayed(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the light of a BT.1886 display whose black is 0 (BT.1886 annex 1)."""
    light: NDArray[np.float64] = np.clip(np.asarray(rgb, np.float64), 0, 1) ** 2.4
    return light


def _rgb_to_xyz() -> NDArray[np.float64]:
    """Return the matrix of BT.709 primaries under D65 (BT.709-6 items 1.3 and 1.4), white at Y = 1."""
    x, y = np.array([0.64, 0.30, 0.15]), np.array([0.33, 0.60, 0.06])
    columns = np.array([x / y, np.ones(3), (1 - x - y) / y])
    matrix: NDArray[np.float64] = columns * np.linalg.solve(columns, _WHITE)
    return matrix


_WHITE = np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
_RGB_TO_XYZ = _rgb_to_xyz()


def _lab(xyz: NDArray[np.float64]) -> Lab:
    """Return CIE 1976 L*a*b* under D65. Source: ISO/CIE 11664-4."""
    ratio = xyz / _WHITE
    bent = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = (float(v) for v in bent)
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


def ciede2000(first: Lab, second: Lab) -> float:
    """Return the colour difference of two CIE L*a*b* colours, with all weights 1.

    By itself, as colour-science takes a second to import. Source: ISO/CIE 11664-6; G. Sharma, W. Wu, E. Dalal, "The
    CIEDE2000 color-difference formula", Color Research & Application 30(1), 2005.

    >>> round(ciede2000((50, 2.6772, -79.7751), (50, 0, -82.7485)), 4)
    2.0425
    """
    (l1, a1, b1), (l2, a2, b2) = first, second
    mean = ((math.hypot(a1, b1) + math.hypot(a2, b2)) / 2) ** 7
    stretch = 1 + 0.5 * (1 - math.sqrt(mean / (mean + 25.0**7)))
    c1, c2 = math.hypot(stretch * a1, b1), math.hypot(stretch * a2, b2)
    h1, h2 = (math.degrees(math.atan2(b, stretch * a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    turn = wrapped(h2 - h1) if c1 * c2 else 0.0
    light, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    hue = h1 + turn / 2 if c1 * c2 else h1 + h2
    if c1 * c2 and turn == -180:
        hue, turn = h1 + 90, 180.0
    waves = ((-0.17, 1, -30), (0.24, 2, 0), (0.32, 3, 6), (-0.20, 4, -63))
    bend = 1 + sum(size * math.cos(math.radians(times * hue + shift)) for size, times, shift in waves)
    off = (light - 50) ** 2
    s_l, s_c, s_h = 1 + 0.015 * off / math.sqrt(20 + off), 1 + 0.045 * chroma, 1 + 0.015 * chroma * bend
    blue = 60 * math.exp(-((((hue % 360) - 275) / 25) ** 2))
    twist = -2 * math.sqrt(chroma**7 / (chroma**7 + 25.0**7)) * math.sin(math.radians(blue))
    dl, dc = (l2 - l1) / s_l, (c2 - c1) / s_c
    dh = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(turn / 2)) / s_h
    return math.sqrt(max(dl * dl + dc * dc + dh * dh + twist * dc * dh, 0.0))
