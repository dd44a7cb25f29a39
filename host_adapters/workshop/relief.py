"""A relief: figures modelled as heights over the picture plane, lit by a key and a fill light.

Scene coordinates count in frame heights: x to the right from the middle of the frame, y down from its top,
heights toward the viewer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from .paint import Array, box_mean, mix, slopes, step


class Thing(IntEnum):
    """What a pixel shows: the ids in ``Scene.objects``."""

    WALL = 0
    SAILCLOTH = 1
    HULL = 2
    ROPE = 3
    CARDBOARD = 4
    SAND = 5
    PLANT = 6
    POT = 7
    GREY_CARD = 8
    WHITE_CARD = 9
    BENCH = 10
    JACKET = 11
    SHIRT = 12
    CAP = 13
    HAIR = 14
    SKIN = 15
    BROW = 16
    EYE = 17
    LIP = 18


@dataclass(frozen=True)
class Lighting:
    """Neutral light: a soft key from a direction, a fill from the other side, and the exposure of all of it."""

    direction: tuple[float, float, float]
    key: float
    fill: float
    exposure: float

    def toward(self) -> tuple[float, float, float]:
        """Return the unit vector toward the key light: x right, y down, z toward the viewer."""
        x, y, z = np.asarray(self.direction, np.float64) / np.linalg.norm(self.direction)
        return float(x), float(y), float(z)


@dataclass(frozen=True)
class Window:
    """A part of a relief: where it lies in the arrays, and the scene coordinates of its samples."""

    rows: slice
    columns: slice
    x: Array
    y: Array
    sample: float

    def turned(self, x: float, y: float, unit: float, angle: float = 0.0) -> tuple[Array, Array]:
        """Return coordinates about (x, y), counted in ``unit`` frame heights and turned clockwise by radians."""
        across, down = (self.x - np.float32(x)) / np.float32(unit), (self.y - np.float32(y)) / np.float32(unit)
        if angle == 0:
            return across, down
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return across * c + down * s, down * c - across * s


class Relief:
    """Samples of a rectangle of the scene; parts are laid over one another from the back to the front."""

    def __init__(self, left: float, top: float, columns: int, rows: int, sample: float, coarse: int = 1) -> None:
        """Shadows are found at every ``coarse``-th sample only."""
        self.sample = sample
        self._coarse = coarse
        self._x = (np.float32(left) + (np.arange(columns, dtype=np.float32) + 0.5) * np.float32(sample))[None, :]
        self._y = (np.float32(top) + (np.arange(rows, dtype=np.float32) + 0.5) * np.float32(sample))[:, None]
        shape = (rows, columns)
        self.albedo = np.zeros((*shape, 3), np.float32)
        self.height = np.full(shape, -1.0, np.float32)
        self.slope = np.zeros((*shape, 2), np.float32)
        self.gloss = np.zeros(shape, np.float32)
        self.cover = np.zeros(shape, np.float32)
        self.skin = np.zeros(shape, np.float32)
        self.unscored = np.zeros(shape, np.float32)
        self.things = np.zeros(shape, np.uint8)

    def window(self, left: float, top: float, right: float, bottom: float) -> Window | None:
        """Return the part inside a box of scene coordinates, or None where less than two samples remain."""
        x0, x1 = np.searchsorted(self._x[0], (left, right))
        y0, y1 = np.searchsorted(self._y[:, 0], (top, bottom))
        if x1 - x0 < 2 or y1 - y0 < 2:
            return None
        return Window(slice(y0, y1), slice(x0, x1), self._x[:, x0:x1], self._y[y0:y1], self.sample)

    def lay(
        self,
        window: Window,
        cover: Array,
        albedo: Array,
        thing: Thing,
        *,
        height: Array | None = None,
        gloss: Array | float = 0.0,
        skin: float | None = None,
        unscored: float = 0.0,
    ) -> None:
        """Cover what lies below with a part: 0 to 1 at each sample of the window.

        :param albedo: linear BT.709 reflectance, (3,) or (h, w, 3).
        :param height: in frame heights; None paints on the surface that is already there.
        :param gloss: strength of the shine. :param skin: 1 for skin, 0 for anything else, None leaves the matte.
        :param unscored: 1 where an artist may count the part as skin or not.
        """
        at = (window.rows, window.columns)
        self.albedo[at] = mix(self.albedo[at], albedo, cover[..., None])
        self.gloss[at] = mix(self.gloss[at], gloss, cover)
        self.cover[at] = mix(self.cover[at], 1.0, cover)
        self.unscored[at] = mix(self.unscored[at], unscored, cover)
        if skin is not None:
            self.skin[at] = mix(self.skin[at], skin, cover)
        half = cover > 0.5
        self.things[at][half] = thing
        if height is not None:
            self.height[at][half] = height[half]
            for axis, slope in enumerate(slopes(height, self.sample)):
                self.slope[at][..., axis] = mix(self.slope[at][..., axis], slope, cover)

    def _to_every_sample(self, plane: Array) -> Array:
        rows, columns = self.height.shape
        return plane.repeat(self._coarse, axis=0)[:rows].repeat(self._coarse, axis=1)[:, :columns]

    def light(self, lighting: Lighting) -> Array:
        """Return the light that the relief sends to the viewer: linear BT.709, float32 (rows, columns, 3)."""
        normal = _normals(self.slope)
        toward = lighting.toward()
        surface, spacing = self.height[:: self._coarse, :: self._coarse], self.sample * self._coarse
        open_sky = self._to_every_sample(_openness(surface, spacing))
        lit = self._to_every_sample(_cast(surface, toward, spacing))
        facing = _dot(normal, toward)
        # Light that enters skin leaves it a little farther on, red the farthest: the terminator is softer there.
        wrap = np.array([0.22, 0.17, 0.15], np.float32) * self.skin[..., None] + np.float32(0.04)
        diffuse = np.maximum((facing[..., None] + wrap) / (1 + wrap), 0) * lit[..., None]
        other_side = np.maximum(normal[2] * 0.65 - normal[0] * np.float32(np.sign(toward[0])) * 0.5 + 0.25, 0)
        ambient = (np.float32(3.6 * lighting.fill) * other_side + np.float32(0.03)) * open_sky
        diffuse = np.float32(1.34 * lighting.key) * diffuse * (0.6 + 0.4 * open_sky)[..., None] + ambient[..., None]
        shine = _shine(normal, toward) * self.gloss * lit * np.float32(lighting.key)
        result: Array = np.float32(lighting.exposure) * (self.albedo * diffuse + shine[..., None])
        return result


def _normals(slope: Array) -> tuple[Array, Array, Array]:
    across, down = slope[..., 0], slope[..., 1]
    z = 1 / np.sqrt(1 + across * across + down * down)
    return -across * z, -down * z, z


def _dot(normal: tuple[Array, Array, Array], direction: Sequence[float] | Array) -> Array:
    x, y, z = normal
    return x * np.float32(direction[0]) + y * np.float32(direction[1]) + z * np.float32(direction[2])


def _shine(normal: tuple[Array, Array, Array], toward: tuple[float, float, float]) -> Array:
    """Highlight about the direction half-way between light and viewer: a broad and a narrow lobe."""
    half = np.add(toward, (0, 0, 1))
    facing = np.maximum(_dot(normal, half / np.linalg.norm(half)), 0)
    eighth = np.square(np.square(np.square(facing)))
    return np.asarray(0.45 * eighth * eighth + 0.55 * eighth**6, np.float32)


def _openness(height: Array, sample: float) -> Array:
    """How much of the surroundings a place sees: less in hollows, of three sizes."""
    openness = np.ones_like(height)
    for radius, strength in ((0.008, 0.5), (0.022, 0.45), (0.06, 0.35)):
        hollow = box_mean(height, max(1, round(radius / sample))) - height
        openness *= 1 - strength * step(0.0, radius, hollow)
    return openness


_CAST_DISTANCES = tuple(0.006 * 1.28**k for k in range(17))


def _cast(height: Array, toward: tuple[float, float, float], sample: float) -> Array:
    """How much of the key light reaches each sample past what stands in its way; soft far from the edge."""
    x, y, z = toward
    flat = float(np.hypot(x, y))
    if flat < 1e-6:
        return np.ones_like(height)
    lit = np.ones_like(height)
    for distance in _CAST_DISTANCES:
        reach = distance / (flat * sample)
        other = _moved(height, round(x * reach), round(y * reach))
        blocked = step(0.0, 0.35 * distance + 0.012, other - height - np.float32(z / flat * distance))
        np.minimum(lit, 1 - blocked, out=lit)
    return box_mean(lit, max(1, round(0.005 / sample)))


def _moved(plane: Array, across: int, down: int) -> Array:
    """The plane seen from a place that lies this many samples away; below everything outside."""
    moved = np.full_like(plane, -1.0)
    rows, columns = plane.shape
    if abs(across) < columns and abs(down) < rows:
        here = (slice(max(0, -down), rows - max(0, down)), slice(max(0, -across), columns - max(0, across)))
        there = (slice(max(0, down), rows + min(0, down)), slice(max(0, across), columns + min(0, across)))
        moved[here] = plane[there]
    return moved


def gathered(samples: NDArray[np.generic], factor: int) -> Array:
    """Return the mean of every factor × factor block of samples: (H, W) or (H, W, C), float32."""
    rows, columns = samples.shape[0] // factor, samples.shape[1] // factor
    blocks = samples.reshape(rows, factor, columns, factor, *samples.shape[2:])
    return np.asarray(blocks.mean(axis=(1, 3)), np.float32)
