"""Matte nodes: draw a region, combine two mattes, soften a matte."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..kernels import fused, region
from ..kernels.arrays import Floats, checked, picture_size, placed
from ..kernels.clean import levels
from ..kernels.codes import CodedPicture
from ..kernels.morphology import grow, shrink
from ..kernels.strips import Unwritten
from .declare import Handle, Matte, Node, ParamError, Picture, Rows, choice, degrees, number, point, toggle
from .declare import points as corners

_SHAPES = {
    "ellipse": "A circle or ellipse.",
    "box": "A rectangle.",
    "polygon": "The outline drawn by the points.",
}

_OPERATIONS = {
    "multiply": "Where both are: the product of the two.",
    "maximum": "Where either is: the larger of the two.",
    "minimum": "Where both are, without darkening soft edges twice: the smaller of the two.",
    "subtract": "The first without the second.",
    "difference": "Where only one of them is.",
    "likelier": "How far the first is the likelier: 1 where it is alone, half where both are equal. Times the first, "
    "this settles who owns a pixel that two keys want.",
}


@dataclass(frozen=True)
class Region(Node):
    """A soft-edged ellipse, box or polygon as a matte of the picture's size.

    Position and points are normalised to the frame (x to the right, y down, (0, 0) the top-left corner); width,
    height and feather count in frame heights, so that a circle stays round and a proxy agrees with full size.
    Raises ParamError for a polygon of fewer than three points.

    >>> picture = np.zeros((90, 160, 3), np.float32)
    >>> matte = Region(shape="box", width=0.5, height=0.5).process(picture)
    >>> float(matte[45, 80]), float(matte[0, 0])
    (1.0, 0.0)
    """

    name = "region"
    label = "Region"
    group = "matte"

    shape: str = choice("ellipse", _SHAPES, "The shape to draw.")
    centre: tuple[float, float] = point((0.5, 0.5), "Centre of an ellipse or box.")
    width: float = number(0.5, 0.001, 20, "Full width of an ellipse or box, in frame heights.", shown=(0.001, 2))
    height: float = number(0.5, 0.001, 20, "Full height of an ellipse or box, in frame heights.", shown=(0.001, 2))
    rotation: float = degrees(0, -3600, 3600, "Turn of an ellipse or box, counter-clockwise.", shown=(-180, 180))
    points: tuple[tuple[float, float], ...] = corners(
        ((0.35, 0.25), (0.65, 0.25), (0.65, 0.75), (0.35, 0.75)), "Corners of a polygon, three or more."
    )
    feather: float = number(
        0.05, 0, 10, "Width of the soft edge in frame heights, half of it inside and half outside.", shown=(0, 0.5)
    )
    invert: bool = toggle(False, "Choose what lies outside the shape.")

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.shape == "polygon" and len(self.points) < 3:
            raise ParamError(f"region.points must be 3 points or more for a polygon, not {len(self.points)}.")

    def unused(self) -> frozenset[str]:
        """Return what the chosen shape does not need."""
        return frozenset(("centre", "width", "height", "rotation") if self.shape == "polygon" else ("points",))

    def outlines(self, aspect: float) -> Sequence[Sequence[tuple[float, float]]]:
        """Return the edge of the shape."""
        if self.shape == "polygon":
            return (self.points,)
        if self.shape == "box":
            unit: Sequence[tuple[float, float]] = ((-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0))
        else:
            turns = [2 * math.pi * i / 64 for i in range(64)]
            unit = [(math.cos(t), math.sin(t)) for t in turns]
        return (tuple(self._placed(u, v, aspect) for u, v in unit),)

    def handles(self, aspect: float) -> Sequence[Handle]:
        """Return the corners of a polygon; of another shape the centre and the ends of its width and height."""
        if self.shape == "polygon":
            return tuple(
                Handle(point, lambda x, y, i=i: {"points": (*self.points[:i], (x, y), *self.points[i + 1 :])})  # type: ignore[misc]
                for i, point in enumerate(self.points)
            )

        def size(name: str) -> Callable[[float, float], Mapping[str, Any]]:
            low, high = self.params()[name].low, self.params()[name].high

            def moved(x: float, y: float) -> Mapping[str, Any]:
                away = math.hypot((x - self.centre[0]) * aspect, y - self.centre[1])
                return {name: min(max(2 * away, low), high)}

            return moved

        return (
            Handle(self.centre, lambda x, y: {"centre": (x, y)}),
            Handle(self._placed(1, 0, aspect), size("width")),
            Handle(self._placed(0, -1, aspect), size("height")),
        )

    def _placed(self, u: float, v: float, aspect: float) -> tuple[float, float]:
        """Return where a point of the unit circle lies in the frame; v counts downwards, as y does."""
        turn = math.radians(self.rotation)
        across, down = u * self.width / 2, v * self.height / 2
        x = across * math.cos(turn) + down * math.sin(turn)
        y = down * math.cos(turn) - across * math.sin(turn)
        return self.centre[0] + x / aspect, self.centre[1] + y

    def process(self, image: Picture, *, out: Floats | None = None) -> Matte:
        """Return the matte; only the size of the image is read."""
        frame = picture_size(image)
        if self.shape == "polygon":
            matte = region.polygon(frame, self.points, self.feather)
        else:
            draw = region.ellipse if self.shape == "ellipse" else region.box
            matte = draw(frame, self.centre, (self.width, self.height), self.rotation, self.feather)
        return levels(matte, 1, 0, out) if self.invert else placed(matte, out)


@dataclass(frozen=True)
class CombineMattes(Node):
    """Two mattes joined into one.

    Both are limited to 0…1 first; NaN counts as 0. Raises PictureError where their sizes differ.

    >>> half = np.full((2, 2), 0.5, np.float32)
    >>> float(CombineMattes("multiply").process(half, half)[0, 0])
    0.25
    """

    name = "combine_mattes"
    label = "Combine mattes"
    group = "matte"
    pixelwise = True

    operation: str = choice("multiply", _OPERATIONS, "How the two are joined.")

    def process(self, first: Matte, second: Matte, *, out: Floats | None = None) -> Matte:
        """Return the joined matte."""
        return region.join(first, second, self.operation, out)


_FOLLOW_RADIUS = 0.012
"""Radius of the guided filter in frame heights."""
_FOLLOW_EPSILON = 4e-4
"""Squared luma contrast below which the guide counts as flat."""
_MOST_STEPS = 2
"""Up to so many steps a lazy matte is faster, unless it is expensive: each step keys the picture anew."""


@dataclass(frozen=True)
class SoftenMatte(Node):
    """A matte cleaned of specks and pinholes, with its edge moved, softened and led along the picture's edges.

    Sizes count in thousandths of the frame height, so that a proxy agrees with full size. The steps run in the
    order of the parameters; a step at 0 is left out, and following needs a guide. NaN counts as 0. Where the matte
    is 0 all round, the result is exactly 0. Raises PictureError where the guide has another size.

    >>> matte = np.zeros((90, 160), np.float32)
    >>> matte[20, 20] = 1  # a speck
    >>> float(SoftenMatte(specks=20).process(matte).max())
    0.0
    """

    name = "soften_matte"
    label = "Soften matte"
    group = "matte"

    specks: float = number(4, 0, 100, "Lonely specks up to this size vanish.", unit="‰", shown=(0, 20))
    pinholes: float = number(4, 0, 100, "Holes up to this size close.", unit="‰", shown=(0, 20))
    position: float = number(
        0, -200, 200, "Moves the edge: outwards above 0, inwards below.", unit="‰", shown=(-20, 20)
    )
    follow: float = number(0.7, 0, 1, "How far the edge follows the edges in the picture.")
    softness: float = number(1.5, 0, 500, "Blurs the edge: the σ of a Gaussian.", unit="‰", shown=(0, 30))
    floor: float = number(0.02, 0, 0.99, "What lies below becomes 0.")
    ceiling: float = number(0.98, 0.01, 1, "What lies above becomes 1; must exceed the floor.")
    invert: bool = toggle(False, "Choose what the matte leaves out.")

    def __post_init__(self) -> None:
        super().__post_init__()
        if not self.floor < self.ceiling:
            raise ParamError(
                f"soften_matte.ceiling must lie above soften_matte.floor ({self.floor:g}), not at {self.ceiling:g}."
            )

    def process(
        self, matte: Matte | Rows | Unwritten, guide: Picture | None = None, *, out: Floats | None = None
    ) -> Matte:
        """Return the softened matte; ``guide`` is the picture it was made from."""
        if out is not None and not isinstance(matte, Rows | Unwritten):
            read = (array for array in (matte, guide) if array is not None and not isinstance(array, CodedPicture))
            out = checked(out, np.shape(matte), *map(np.asarray, read))
        return self.rows(matte, guide).whole(out)

    def gives_rows(self) -> bool:
        """Tell that it does: whatever reads the matte can do the last steps."""
        return True

    def takes_coded(self) -> tuple[str, ...]:
        """Return the port of the guide: its luma alone is read."""
        return ("guide",)

    def takes_rows(self) -> tuple[str, ...]:
        """Return the port of the matte where few steps read it."""
        return ("matte",) if not self.position and self._count() <= _MOST_STEPS else ()

    def takes_unwritten(self) -> tuple[str, ...]:
        """Return the port of the matte: it is written while the steps are prepared."""
        return ("matte",)

    def _count(self) -> int:
        return sum(size > 0 for size in (self.specks, self.pinholes, self.follow, self.softness))

    def rows(self, matte: Matte | Rows | Unwritten, guide: Picture | None = None) -> Rows:
        """Return the softened matte as a lazy one."""
        matte = matte.begun() if isinstance(matte, Unwritten) else matte
        steps = self.steps(matte.shape[0], guide is not None)
        if isinstance(matte, Rows):
            if not self.position and matte.is_key_of(guide) and (self._count() <= 1 or not matte.is_expensive()):
                return Rows(matte.source, steps)
            matte = matte.whole()
        if self.position:
            cleaned = fused.soften_matte(fused.from_plane(matte), fused.Softening(steps.specks, steps.pinholes))
            move = grow if self.position > 0 else shrink
            matte = move(cleaned, abs(self.position) * matte.shape[0] / 1000)
            steps = dataclasses.replace(steps, specks=0.0, pinholes=0.0)
        return Rows(fused.from_plane(matte, guide), steps)

    def steps(self, lines: int, guided: bool) -> fused.Softening:
        """Return the steps but for the moving of the edge, for a matte so many lines high, with or without a guide."""
        unit = lines / 1000
        floor, ceiling = (self.ceiling, self.floor) if self.invert else (self.floor, self.ceiling)
        return fused.Softening(
            specks=self.specks * unit,
            pinholes=self.pinholes * unit,
            follow=self.follow if guided else 0.0,
            radius=_FOLLOW_RADIUS * lines,
            epsilon=_FOLLOW_EPSILON,
            sigma=self.softness * unit,
            floor=floor,
            ceiling=ceiling,
        )
