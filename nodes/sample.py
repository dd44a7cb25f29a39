"""Samples: the points, boxes and strokes with which a person shows where skin (or a neutral) is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..kernels.errors import InkarnatError

_POINT_RADIUS = 0.012
"""Radius of a point sample as a part of the frame height."""


_FACE_MIDDLE, _FACE_CENTRE = 0.30, 0.58
"""Half sides of the ellipse taken from a face's box, in parts of the box, and how far down its centre lies."""


class SampleError(InkarnatError, ValueError):
    """A sample that lies outside the frame, is malformed or shows nothing usable."""


@dataclass(frozen=True)
class Sample:
    """A place in the frame, in coordinates normalised to it: x to the right, y down, (0, 0) the top-left corner.

    Made by :meth:`point`, :meth:`box`, :meth:`stroke` or :meth:`face`. ``radius`` counts in frame heights.
    """

    kind: str
    points: tuple[tuple[float, float], ...]
    radius: float = 0.0

    @classmethod
    def point(cls, x: float, y: float) -> Sample:
        """A small disc round (x, y). Raises SampleError outside the frame."""
        return cls("point", _inside(((x, y),)), _POINT_RADIUS)

    @classmethod
    def box(cls, x0: float, y0: float, x1: float, y1: float) -> Sample:
        """The rectangle between two corners. Raises SampleError outside the frame or without an area."""
        corners = _inside(((x0, y0), (x1, y1)))
        if not (x0 < x1 and y0 < y1):
            raise SampleError(f"Sample box:{x0:g},{y0:g},{x1:g},{y1:g} must have x0 < x1 and y0 < y1.")
        return cls("box", corners)

    @classmethod
    def stroke(cls, points: tuple[tuple[float, float], ...] | list[tuple[float, float]], radius: float) -> Sample:
        """A brush of the given radius drawn through the points. Raises SampleError outside the frame."""
        if not points or not 0 < radius <= 1:
            raise SampleError(f"A stroke needs points and a radius above 0 and up to 1 frame height, not {radius:g}.")
        return cls("stroke", _inside(tuple((float(x), float(y)) for x, y in points)), float(radius))

    @classmethod
    def face(cls, x0: float, y0: float, x1: float, y1: float) -> Sample:
        """The middle of a face, by the box round it from brow to chin. Raises SampleError as :meth:`box` does."""
        return cls("face", cls.box(x0, y0, x1, y1).points)

    @property
    def whole(self) -> bool:
        """Whether the sample may hold more than skin, so that only its main colour is learned."""
        return self.kind in ("box", "face")

    @property
    def places(self) -> tuple[tuple[float, float], ...]:
        """Where the sample points to: the middle of a box or face, every point of a stroke."""
        if not self.whole:
            return self.points
        (x0, y0), (x1, y1) = self.points
        return (((x0 + x1) / 2, (y0 + y1) / 2),)

    @classmethod
    def parse(cls, text: str) -> Sample:
        """Read ``point:x,y``, ``box:x0,y0,x1,y1``, ``face:…`` or ``stroke:x,y;x,y;…/r``. Raises SampleError.

        Capital letters, percentages (``45%``), corners in any order, and ``+`` for ``;`` (which a shell takes for the
        end of the command) are understood. Pixels are answered with the same place in parts of a frame.

        >>> print(Sample.parse("Box:52%,42%,45%,30%"))
        box:0.45,0.3,0.52,0.42
        """
        kind, _, rest = text.partition(":")
        kind = kind.strip().lower()
        try:
            if kind == "point":
                x, y = _numbers(rest, 2)
                return cls.point(x, y)
            if kind in ("box", "face"):
                x0, y0, x1, y1 = _numbers(rest, 4)
                corners = (min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1))
                return cls.box(*corners) if kind == "box" else cls.face(*corners)
            if kind == "stroke":
                path, _, radius = rest.partition("/")
                points = [_numbers(pair, 2) for pair in path.replace("+", ";").split(";")]
                return cls.stroke([(x, y) for x, y in points], _number(radius))
        except SampleError as error:
            if in_parts := _in_parts(kind, rest):
                size = "×".join(map(str, _USUAL))
                raise SampleError(
                    f"Sample {text!r} is in pixels: write parts of the frame's width and height; at {size} "
                    f"that is {in_parts}{_in_percent(kind, rest)}"
                ) from None
            raise error
        except ValueError:
            pass
        hint = ""
        if kind == "stroke" and "/" not in rest:
            hint = " A shell takes ; for the end of the command."
            hint += ' Quote a stroke, --add "stroke:…;…/.02", or write + for ;.'
        raise SampleError(
            f"Sample {text!r} cannot be read: write point:x,y or box:x0,y0,x1,y1 (two corners) or stroke:x,y;x,y/"
            f"radius or face:x0,y0,x1,y1, each number a part of the frame (0 to 1).{hint}"
        )

    def __str__(self) -> str:
        numbers = ";".join(f"{x:.9g},{y:.9g}" for x, y in self.points)
        if self.kind == "stroke":
            return f"stroke:{numbers}/{self.radius:.9g}"
        return f"{self.kind}:{numbers.replace(';', ',')}"

    def keyed(self, matte: NDArray[np.float32]) -> float:
        """Return the share of the sample that a matte, float32 (H, W), keys: 0 to 1.

        >>> Sample.box(0.0, 0.0, 1.0, 0.5).keyed(np.ones((4, 4), np.float32))
        1.0
        """
        height, width = matte.shape
        return float(matte[self.mask(height, width)].mean(dtype=np.float64))

    def mask(self, height: int, width: int) -> NDArray[np.bool_]:
        """Return the pixels of a (height, width) frame that the sample covers: bool (H, W), at least one True."""
        aspect = width / height
        path = [(px * aspect, py) for px, py in self.points]
        reach = 0.0 if self.whole else max(self.radius, 0.75 / height)
        rows, columns = self._window(height, width, reach)
        y = (np.arange(height)[rows, None] + 0.5) / height
        x = (np.arange(width)[None, columns] + 0.5) / height
        covered: NDArray[np.bool_] = np.zeros((height, width), np.bool_)
        if self.kind == "box":
            (x0, y0), (x1, y1) = path
            covered[rows, columns] = (x >= x0) & (x <= x1) & (y >= y0) & (y <= y1)
        elif self.kind == "face":
            (x0, y0), (x1, y1) = path
            u = (x - (x0 + x1) / 2) / (_FACE_MIDDLE * (x1 - x0))
            v = (y - y0 - _FACE_CENTRE * (y1 - y0)) / (_FACE_MIDDLE * (y1 - y0))
            covered[rows, columns] = u * u + v * v <= 1
        else:
            distance = np.full(np.broadcast_shapes(x.shape, y.shape), math.inf)
            for start, end in zip(path, path[1:] or path, strict=False):
                distance = np.minimum(distance, _distance_squared(x, y, start, end))
            covered[rows, columns] = distance <= reach**2
        if not covered.any():
            cx, cy = np.mean(self.points, axis=0)
            covered[min(int(cy * height), height - 1), min(int(cx * width), width - 1)] = True
        return covered

    def _window(self, height: int, width: int, reach: float) -> tuple[slice, slice]:
        """Return the rows and columns within which the sample can cover anything."""
        (x0, y0), (x1, y1) = np.min(self.points, axis=0), np.max(self.points, axis=0)
        margin = reach * height + 1
        return (
            slice(max(int(y0 * height - margin), 0), int(y1 * height + margin) + 1),
            slice(max(int(x0 * width - margin), 0), int(x1 * width + margin) + 1),
        )


def _inside(points: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    for x, y in points:
        if not (0 <= x <= 1 and 0 <= y <= 1):
            raise SampleError(
                f"Sample position ({x:g}, {y:g}) lies outside the frame: "
                "both numbers are parts of the frame's width and height, from 0 to 1."
            )
    return points


_USUAL = 1920, 1080
"""The frame for which pixels are turned into parts where they were typed."""


def _number(text: str) -> float:
    text = text.strip().lower().removesuffix("px")
    return float(text[:-1]) / 100 if text.endswith("%") else float(text)


def _numbers(text: str, count: int) -> tuple[float, ...]:
    numbers = tuple(_number(part) for part in text.split(","))
    if len(numbers) != count:
        raise ValueError
    return numbers


def _in_parts(kind: str, rest: str) -> str:
    """Return a sample that was typed in pixels in parts of the usual frame, "" for one that was not."""
    path, sign, radius = rest.lower().replace("px", "").replace("+", ";").partition("/")
    try:
        pairs = [_number(part) for part in path.replace(";", ",").split(",")]
        size = _number(radius) if sign else 0.0
    except ValueError:
        return ""
    parts = [value / _USUAL[place % 2] for place, value in enumerate(pairs)]
    if not (max(pairs) >= 2 and all(0 <= part <= 1 for part in parts)):
        return ""
    joined = ";".join(f"{x:.4g},{y:.4g}" for x, y in zip(parts[::2], parts[1::2], strict=False))
    if kind == "stroke":
        return f"stroke:{joined}/{size / _USUAL[1] if size > 1 else size:.4g}"
    return f"{kind}:{joined.replace(';', ',')}"


def _in_percent(kind: str, rest: str) -> str:
    """Return how a sample is written whose numbers could be meant in %, "" where they cannot."""
    if kind == "stroke" or "px" in rest.lower() or any(_number(part) > 100 for part in rest.split(",")):
        return ""
    return f"; in % it is {kind}:{','.join(part.strip() + '%' for part in rest.split(','))}"


def _distance_squared(
    x: NDArray[np.float64], y: NDArray[np.float64], start: tuple[float, float], end: tuple[float, float]
) -> NDArray[np.float64]:
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = dx * dx + dy * dy
    along = np.clip(((x - start[0]) * dx + (y - start[1]) * dy) / length, 0, 1) if length else 0.0
    result: NDArray[np.float64] = (x - start[0] - along * dx) ** 2 + (y - start[1] - along * dy) ** 2
    return result
