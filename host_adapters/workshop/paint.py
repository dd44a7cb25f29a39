"""What every painter here needs: colours from L*a*b*, seeded noise, soft steps and edges, blur."""

from __future__ import annotations

import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
"""Samples of a plane or picture; float32 unless said."""

LINEAR_TO_XYZ = np.array(
    [
        [0.4123907993, 0.3575843394, 0.1804807884],
        [0.2126390059, 0.7151686788, 0.0721923154],
        [0.0193308187, 0.1191947798, 0.9505321522],
    ]
)
"""Linear BT.709 light to CIE XYZ, white at Y = 1: BT.709-6 item 1.3 and 1.4."""

XYZ_TO_LINEAR = np.linalg.inv(LINEAR_TO_XYZ)
_WHITE = LINEAR_TO_XYZ.sum(axis=1)


def lab_to_linear(lab: tuple[float, float, float] | NDArray[np.float64]) -> Array:
    """Return linear BT.709 light of CIE L*a*b* under D65: (…, 3) to float32 (…, 3). Source: ISO/CIE 11664-4."""
    lightness, green_red, blue_yellow = np.moveaxis(np.asarray(lab, np.float64), -1, 0)
    y = (lightness + 16) / 116
    f = np.stack([y + green_red / 500, y, y - blue_yellow / 200], axis=-1)
    xyz = np.where(f > 6 / 29, f**3, (f - 4 / 29) * 3 * (6 / 29) ** 2) * _WHITE
    result: Array = np.einsum("...x,cx->...c", xyz, XYZ_TO_LINEAR).astype(np.float32)
    return result


def linear_to_lab(light: Array) -> NDArray[np.float64]:
    """Return CIE L*a*b* under D65 of linear BT.709 light, the inverse of :func:`lab_to_linear`; float64 (…, 3)."""
    t = np.einsum("...c,xc->...x", np.asarray(light, np.float64), LINEAR_TO_XYZ) / _WHITE
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    x, y, z = np.moveaxis(f, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def random_stream(seed: int, *names: str | int) -> np.random.Generator:
    """Return a generator of random numbers that depends on the seed and the names of what it is for, alone."""
    words = [name if isinstance(name, int) else zlib.crc32(name.encode()) for name in names]
    return np.random.default_rng([seed, *words])


_LATTICE = 128
"""Lattice points a side, a power of two: places beyond an edge go on at the other one by a mask."""


class Noise:
    """Smooth noise over the plane: mean 0, standard deviation about 1, the same for a place at any picture size."""

    def __init__(self, seed: int, *names: str | int) -> None:
        self._lattice = random_stream(seed, *names).standard_normal((_LATTICE, _LATTICE)).astype(np.float32)

    def __call__(self, x: Array, y: Array, octaves: int = 1) -> Array:
        """Return the noise at (x, y), with features about one unit wide; each octave halves size and height.

        :param x: float32 positions that broadcast with ``y``; a row (1, W) and a column (H, 1) are fastest.
        """
        total = self._one(x, y)
        power, height = 1.0, 1.0
        for octave in range(1, octaves):
            height *= 0.5
            power += height * height
            total += np.float32(height) * self._one(x * 2**octave + 17.3 * octave, y * 2**octave + 5.9 * octave)
        total *= np.float32(1.5 / np.sqrt(power))  # interpolation between lattice points costs a third of the height
        return total

    def _one(self, x: Array, y: Array) -> Array:
        left, right, across = _cell(x)
        top, bottom, down = _cell(y)
        if x.shape[0] == 1 and y.shape[-1] == 1:
            rows = _mix(self._lattice[top[:, 0]], self._lattice[bottom[:, 0]], down)
            return _mix(rows[:, left[0]], rows[:, right[0]], across)
        flat = self._lattice.reshape(-1)
        top *= _LATTICE
        bottom *= _LATTICE
        above = _mix(flat.take(top + left), flat.take(top + right), across)
        return _mix(above, _mix(flat.take(bottom + left), flat.take(bottom + right), across), down)


def _cell(position: Array) -> tuple[NDArray[np.int32], NDArray[np.int32], Array]:
    whole = np.floor(position)
    index = whole.astype(np.int32)
    part = (position - whole).astype(np.float32)
    return index & (_LATTICE - 1), (index + 1) & (_LATTICE - 1), part * part * (3 - 2 * part)


def _mix(first: Array, second: Array, part: Array) -> Array:
    result: Array = first + (second - first) * part
    return result


def mix(first: Array | float, second: Array | float, part: Array | float) -> Array:
    """Return first where part is 0, second where it is 1, and their blend between."""
    return np.asarray(first + (np.asarray(second, np.float32) - first) * part, np.float32)


def step(low: float | Array, high: float | Array, x: Array) -> Array:
    """Return a smooth step of x: 0 up to low, 1 from high on (low above high falls instead)."""
    t = np.clip((x - low) / (np.asarray(high, np.float32) - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)


def bell(x: Array, width: float | Array) -> Array:
    """Return exp(−(x/width)²)."""
    return np.exp(-np.square(x / np.asarray(width, np.float32)))


def spot(x: Array, y: Array, centre: tuple[float, float], size: tuple[float, float]) -> Array:
    """Return a round bell, 1 at its centre, of the given half sizes."""
    return bell(x - centre[0], size[0]) * bell(y - centre[1], size[1])


def softer_of(first: Array, second: Array, width: float) -> Array:
    """Return the larger of the two with the crease between them rounded over a width."""
    blend = np.clip(0.5 + 0.5 * (first - second) / width, 0, 1)
    return second + (first - second) * blend + np.float32(width) * blend * (1 - blend)


def distance_to_line(x: Array, y: Array, start: tuple[float, float], end: tuple[float, float]) -> tuple[Array, Array]:
    """Return the distance to the straight line between two points, and how far along it (0 to 1) the foot lies."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    along = np.clip(((x - start[0]) * dx + (y - start[1]) * dy) / (dx * dx + dy * dy), 0, 1).astype(np.float32)
    return np.hypot(x - start[0] - along * dx, y - start[1] - along * dy), along


def inside_polygon(x: Array, y: Array, corners: list[tuple[float, float]]) -> Array:
    """Return the signed distance to the nearest edge line of a convex polygon, positive inside (clockwise corners)."""
    distance = np.full(np.broadcast_shapes(x.shape, y.shape), np.inf, np.float32)
    for (x0, y0), (x1, y1) in zip(corners, corners[1:] + corners[:1], strict=True):
        length = np.hypot(x1 - x0, y1 - y0)
        edge = ((x1 - x0) * (y - y0) - (y1 - y0) * (x - x0)) / length
        np.minimum(distance, edge, out=distance)
    return distance


def edge(distance: Array, sample: float) -> Array:
    """Return how much of each sample lies inside: 0…1 from the signed distance, positive inside."""
    return np.clip(0.5 + distance / np.float32(sample), 0, 1)


def slopes(plane: Array, sample: float) -> tuple[Array, Array]:
    """Return the slope of a plane across and down, per unit of length."""
    if min(plane.shape) < 2:
        return np.zeros_like(plane), np.zeros_like(plane)
    down, across = np.gradient(plane, np.float32(sample))
    return across, down


def field_edge(field: Array, sample: float) -> Array:
    """Return the coverage of the region where any smooth field is above 0: see :func:`edge`."""
    across, down = slopes(field, sample)
    return edge(field / np.maximum(np.hypot(across, down), 1e-3), sample)


def box_mean(plane: Array, radius: int) -> Array:
    """Return the mean over a square of 2·radius + 1 samples; the border repeats. (H, W) or (H, W, C)."""
    for axis in (0, 1):
        pad = [(0, 0)] * plane.ndim
        pad[axis] = (radius + 1, radius)
        sums = np.cumsum(np.pad(plane, pad, mode="edge"), axis=axis, dtype=np.float64)
        size = 2 * radius + 1
        upper = np.take(sums, range(size, sums.shape[axis]), axis=axis)
        lower = np.take(sums, range(sums.shape[axis] - size), axis=axis)
        plane = ((upper - lower) / size).astype(np.float32)
    return plane


def blur(plane: Array, radius: float) -> Array:
    """Return a soft blur: two box means that together spread like a lens out of focus (radius in samples)."""
    whole = round(radius)
    return plane if whole < 1 else box_mean(box_mean(plane, whole), whole)
