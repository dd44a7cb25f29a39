"""Tone: curves for light and contrast, and the ASC colour decision list."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from ..kernels import tone as kernel
from ..kernels.arrays import as_picture
from .declare import Node, ParamError, Picture, colour, number, toggle
from .declare import points as curve_points


@dataclass(frozen=True)
class ToneCurve(Node):
    """Set black, white and middle of the picture, then bend its tones with a curve through free points.

    ``black`` and ``white`` are the levels of the picture that come out as 0 and 1; ``middle`` is what the level
    halfway between them becomes. The free ``points`` then bend the result; a curve that starts above 0 or ends
    below 1 gets the missing corner. Every curve is a monotone cubic (Fritsch and Carlson 1980), straight beyond its
    ends: values above white survive.

    Raises ParamError where black is not below white or two points share an input.
    """

    name = "tone_curve"
    label = "Tone curve"
    group = "light"
    pixelwise = True

    black: float = number(
        0.0, -1, 1, "Level of the picture that becomes black; raising it deepens the shadows.", shown=(-0.1, 0.3)
    )
    white: float = number(
        1.0, 0, 4, "Level of the picture that becomes white; lowering it lifts the highlights.", shown=(0.6, 1.2)
    )
    middle: float = number(
        0.5, 0.02, 0.98, "What the level halfway from black to white becomes; raising it brightens.", shown=(0.25, 0.75)
    )
    points: tuple[tuple[float, float], ...] = curve_points(
        (), "Further points (input, output) of a curve in signal levels.", curve=True
    )

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.white - self.black < 1e-3:
            raise ParamError(
                f"{self.name}.black must lie at least 0.001 below white, "
                f"not black {self.black:g} with white {self.white:g}."
            )
        inputs = sorted(x for x, _ in self.points)
        for first, second in itertools.pairwise(inputs):
            if second - first < 1e-3:
                raise ParamError(
                    f"{self.name}.points must have inputs at least 0.001 apart, "
                    f"not {first:g} and {second:g}: remove one of the two."
                )

    def levels(self) -> tuple[tuple[float, float], ...]:
        """Return the curve of black, middle and white as (input, output) pairs; empty where it changes nothing."""
        if (self.black, self.middle, self.white) == (0.0, 0.5, 1.0):
            return ()
        return (self.black, 0.0), ((self.black + self.white) / 2, self.middle), (self.white, 1.0)

    def bend(self) -> tuple[tuple[float, float], ...]:
        """Return the curve of the free points with its corners as (input, output) pairs, in order; empty for none."""
        if not self.points:
            return ()
        inside = sorted(self.points)
        start = ((0.0, 0.0),) if inside[0][0] >= 1e-3 else ()
        end = ((1.0, 1.0),) if inside[-1][0] <= 1 - 1e-3 else ()
        return (*start, *inside, *end)

    def process(self, image: Picture) -> Picture:
        """Return the picture through both curves; bit-identical where neither changes anything."""
        curves = [curve for curve in (self.levels(), self.bend()) if curve]
        result = as_picture(image) if curves else as_picture(image).copy()
        for curve in curves:
            result = kernel.curve(result, curve)
        return result


@dataclass(frozen=True)
class Cdl(Node):
    """Apply an ASC colour decision list: slope, offset and power of each channel, then saturation.

    Source: ASC CDL specification 1.2; the saturation turns about BT.709 luma.
    """

    name = "cdl"
    label = "Colour decision list"
    group = "light"
    pixelwise = True

    slope: tuple[float, float, float] = colour((1, 1, 1), 0, 100, "Factor on red, green and blue.", shown=(0, 2))
    offset: tuple[float, float, float] = colour(
        (0, 0, 0), -10, 10, "Added to red, green and blue after the slope.", shown=(-0.2, 0.2)
    )
    power: tuple[float, float, float] = colour(
        (1, 1, 1), 0.01, 100, "Exponent of red, green and blue after the offset; raising it darkens.", shown=(0.4, 2.5)
    )
    saturation: float = number(1.0, 0, 10, "Factor on the saturation; 0 leaves grey.", shown=(0, 2))
    clamp: bool = toggle(True, "Limit values to 0 to 1 as the specification does; off keeps super-whites and blacks.")

    def process(self, image: Picture) -> Picture:
        """Return the picture through the list; bit-identical where it changes nothing and does not clamp."""
        image = as_picture(image)
        if not self.clamp and self == Cdl(clamp=False):
            return image.copy()
        return kernel.cdl(image, self.slope, self.offset, self.power, self.saturation, self.clamp)
