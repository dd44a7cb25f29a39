"""Drawing: anti-aliased lines, shapes, words and traces for the nodes that show measurements.

Everything is painted as coverage, 0 to 1, computed from distances: crisp at any size and the same bits in any run.
Positions count in pixels, x to the right and y down, (0, 0) the top-left corner of the picture; the middle of the
first pixel is (0.5, 0.5).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .declare import Picture

Colour = tuple[float, float, float]
Point = tuple[float, float]
Floats = NDArray[np.float32]

NIGHT: Colour = (0.045, 0.052, 0.070)
"""The ground of every scope."""
DUSK: Colour = (0.070, 0.080, 0.105)
"""The ground inside a scope's window."""
MIST: Colour = (0.56, 0.61, 0.69)
"""Graticule lines and small print."""
CLOUD: Colour = (0.90, 0.92, 0.95)
"""Words and figures."""
AMBER: Colour = (1.0, 0.69, 0.25)
"""The skin line and what belongs to it; it differs from the blue trace for every kind of colour vision."""

TRACE = ((0.20, 0.31, 0.62), (0.27, 0.47, 0.80), (0.52, 0.76, 0.95), (1.0, 0.98, 0.92))
"""Colours of a trace from faint to full: lightness rises all the way."""

_SHADES = 1024


class Canvas:
    """A picture to paint on: float32 (H, W, 4), premultiplied by its alpha, transparent at first."""

    def __init__(self, width: int, height: int, ground: Colour | None = None) -> None:
        self.pixels = np.zeros((height, width, 4), np.float32)
        if ground is not None:
            self.pixels[:] = (*ground, 1.0)

    # --- painting -------------------------------------------------------------------------------------------

    def paint(self, left: int, top: int, coverage: Floats, colour: Colour, opacity: float = 1.0) -> None:
        """Paint a colour through a coverage (h, w) whose first pixel lies at (left, top); what is outside is cut."""
        height, width = self.pixels.shape[:2]
        x0, y0 = max(left, 0), max(top, 0)
        x1, y1 = min(left + coverage.shape[1], width), min(top + coverage.shape[0], height)
        if x0 >= x1 or y0 >= y1:
            return
        amount = coverage[y0 - top : y1 - top, x0 - left : x1 - left, None] * np.float32(opacity)
        below = self.pixels[y0:y1, x0:x1]
        below += amount * (np.array([*colour, 1.0], np.float32) - below)

    def lay(self, layer: Floats) -> None:
        """Lay a premultiplied layer of the same size over everything."""
        self.pixels *= 1 - layer[..., 3:]
        self.pixels += layer

    def picture(self, channels: int = 3) -> Picture:
        """Return what was painted as a picture of 3 or 4 channels."""
        return np.ascontiguousarray(self.pixels[..., :channels])

    # --- shapes ---------------------------------------------------------------------------------------------

    def line(
        self,
        start: Point,
        end: Point,
        width: float,
        colour: Colour,
        opacity: float = 1.0,
        dash: tuple[float, float] | None = None,
    ) -> None:
        """Draw a straight line with round ends; ``dash`` gives the lengths of its strokes and gaps."""
        for a, b in _strokes(start, end, dash):
            left, top, x, y = self._around((a, b), width)
            dx, dy = b[0] - a[0], b[1] - a[1]
            length = dx * dx + dy * dy
            along = np.clip(((x - a[0]) * dx + (y - a[1]) * dy) / length, 0, 1) if length else np.float64(0)
            distance = np.sqrt((x - a[0] - along * dx) ** 2 + (y - a[1] - along * dy) ** 2)
            self.paint(left, top, _stroke(distance, width), colour, opacity)

    def path(
        self, points: Sequence[Point], width: float, colour: Colour, opacity: float = 1.0, closed: bool = True
    ) -> None:
        """Draw lines from point to point, as one stroke that covers itself nowhere twice."""
        left, top, x, y = self._around(points, width)
        nearest: Any = math.inf
        ends = [*points[1:], points[0]] if closed else points[1:]
        for a, b in zip(points, ends, strict=False):
            dx, dy = b[0] - a[0], b[1] - a[1]
            along = np.clip(((x - a[0]) * dx + (y - a[1]) * dy) / (dx * dx + dy * dy), 0, 1)
            nearest = np.minimum(nearest, (x - a[0] - along * dx) ** 2 + (y - a[1] - along * dy) ** 2)
        self.paint(left, top, _stroke(np.sqrt(nearest), width), colour, opacity)

    def fill(self, points: Sequence[Point], colour: Colour, opacity: float = 1.0) -> None:
        """Fill a convex shape, its corners given in either direction of turning."""
        left, top, x, y = self._around(points, 1)
        middle = np.mean(points, axis=0)
        inside: Any = math.inf
        for a, b in zip(points, [*points[1:], points[0]], strict=True):
            length = math.hypot(b[0] - a[0], b[1] - a[1])
            nx, ny = (b[1] - a[1]) / length, (a[0] - b[0]) / length
            side = math.copysign(1, (middle[0] - a[0]) * nx + (middle[1] - a[1]) * ny)
            inside = np.minimum(inside, side * ((x - a[0]) * nx + (y - a[1]) * ny))
        self.paint(left, top, _covered(inside), colour, opacity)

    def disc(self, centre: Point, radius: float, colour: Colour, opacity: float = 1.0) -> None:
        """Fill a circle."""
        left, top, x, y = self._around((centre,), 2 * radius)
        distance = np.sqrt((x - centre[0]) ** 2 + (y - centre[1]) ** 2)
        self.paint(left, top, _covered(radius - distance), colour, opacity)

    def ring(self, centre: Point, radius: float, width: float, colour: Colour, opacity: float = 1.0) -> None:
        """Draw a circle."""
        left, top, x, y = self._around((centre,), 2 * radius + width)
        distance = np.abs(np.sqrt((x - centre[0]) ** 2 + (y - centre[1]) ** 2) - radius)
        self.paint(left, top, _stroke(distance, width), colour, opacity)

    def sector(
        self, centre: Point, radii: tuple[float, float], angles: tuple[float, float], colour: Colour, opacity: float
    ) -> None:
        """Fill the part of a ring between two angles (degrees counter-clockwise from +x, less than 180 apart)."""
        left, top, x, y = self._around((centre,), 2 * radii[1])
        x, y = x - centre[0], centre[1] - y
        low, high = (math.radians(angle) for angle in angles)
        distance = np.sqrt(x * x + y * y)
        above = y * math.cos(low) - x * math.sin(low)
        below = x * math.sin(high) - y * math.cos(high)
        inside = np.minimum(np.minimum(above, below), np.minimum(radii[1] - distance, distance - radii[0]))
        self.paint(left, top, _covered(inside), colour, opacity)

    def words(
        self,
        place: Point,
        text: str,
        size: float,
        colour: Colour = CLOUD,
        anchor: str = "lm",
        opacity: float = 1.0,
        halo: float = 0.0,
    ) -> None:
        """Write text ``size`` pixels high; ``anchor`` names its point at ``place``, first across (l, m or r), then
        down (a ascender, m middle, s baseline or d descender). A halo of the ground's colour sets it off."""
        x, y = round(place[0]), round(place[1])
        if halo > 0:
            self._write(x, y, text, size, NIGHT, anchor, 0.85 * opacity, max(1, round(halo)))
        self._write(x, y, text, size, colour, anchor, opacity, 0)

    def _write(
        self, x: int, y: int, text: str, size: float, colour: Colour, anchor: str, opacity: float, stroke: int
    ) -> None:
        from PIL import Image, ImageDraw

        font = _font(max(6, round(size)))
        left, top, right, bottom = (int(v) for v in font.getbbox(text, anchor=anchor, stroke_width=stroke))
        plane = Image.new("L", (max(1, right - left), max(1, bottom - top)))
        draw = ImageDraw.Draw(plane)
        draw.text((-left, -top), text, 255, font, anchor=anchor, stroke_width=stroke)
        coverage = np.asarray(plane, np.float32) / np.float32(255)
        self.paint(x + left, y + top, coverage, colour, opacity)

    def _around(self, points: Sequence[Point], width: float) -> tuple[int, int, Any, Any]:
        """Return the first pixel of the box that holds the points with a margin, and its pixel middles' x and y."""
        height, across = self.pixels.shape[:2]
        margin = width / 2 + 1
        x0 = max(math.floor(min(x for x, _ in points) - margin), 0)
        y0 = max(math.floor(min(y for _, y in points) - margin), 0)
        x1 = max(min(math.ceil(max(x for x, _ in points) + margin), across), x0)
        y1 = max(min(math.ceil(max(y for _, y in points) + margin), height), y0)
        return x0, y0, np.arange(x0, x1)[None, :] + 0.5, np.arange(y0, y1)[:, None] + 0.5


def _covered(inside: Any) -> Floats:
    """Turn the distance inside an edge into coverage."""
    coverage: Floats = np.clip(inside + 0.5, 0, 1).astype(np.float32)
    return coverage


def _stroke(distance: Any, width: float) -> Floats:
    """Turn the distance from a line's middle into coverage; a line thinner than a pixel grows faint instead."""
    coverage: Floats = _covered(max(width, 1) / 2 - distance) * np.float32(min(width, 1))
    return coverage


def _strokes(start: Point, end: Point, dash: tuple[float, float] | None) -> list[tuple[Point, Point]]:
    length = math.hypot(end[0] - start[0], end[1] - start[1])
    if dash is None or length == 0:
        return [(start, end)]
    ux, uy = (end[0] - start[0]) / length, (end[1] - start[1]) / length
    strokes = []
    for i in range(math.ceil(length / sum(dash))):
        a, b = i * sum(dash), min(i * sum(dash) + dash[0], length)
        strokes.append(((start[0] + a * ux, start[1] + a * uy), (start[0] + b * ux, start[1] + b * uy)))
    return strokes


@functools.lru_cache(maxsize=16)
def _font(size: int) -> Any:
    """Return Pillow's own scalable font: the same letters on every machine."""
    from PIL import ImageFont

    return ImageFont.load_default(size=size)


def text_width(text: str, size: float) -> float:
    """Return how wide a text ``size`` pixels high runs."""
    return float(_font(max(6, round(size))).getlength(text))


@functools.lru_cache(maxsize=8)
def shades(colours: tuple[Colour, ...]) -> Floats:
    """Return the premultiplied colours of a trace from nothing to full brightness, float32 (1024, 4)."""
    level = np.linspace(0, 1, _SHADES)
    stops = np.linspace(0, 1, len(colours))
    early = np.minimum(level * 2, 1)
    opacity = early * (2 - early)
    table = np.stack([np.interp(level, stops, [colour[k] for colour in colours]) for k in range(3)], axis=-1)
    result = np.concatenate([table * opacity[:, None], opacity[:, None]], axis=1).astype(np.float32)
    result.flags.writeable = False
    return result


def coloured(brightness: Floats, colours: tuple[Colour, ...] = TRACE) -> Floats:
    """Colour a brightness (H, W), 0 to 1, as a premultiplied layer (H, W, 4)."""
    index = (brightness * np.float32(_SHADES - 1) + np.float32(0.5)).astype(np.int32)
    layer: Floats = np.take(shades(colours), index, axis=0)
    return layer
