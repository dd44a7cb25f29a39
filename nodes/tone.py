"""Tone: curves for light and contrast, the ASC colour decision list, and what a picture suggests for both."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..kernels import measure
from ..kernels import tone as kernel
from ..kernels.arrays import Floats, as_picture, checked, copied
from ..kernels.errors import InkarnatError
from .declare import Node, ParamError, Picture, colour, number, toggle
from .declare import points as curve_points
from .sample import Sample

MIDDLE_GREY = 0.409
"""The signal of 18 % light: BT.709-6 item 1.2 gives 1.099 · 0.18^0.45 − 0.099 = .4088."""


@dataclass(frozen=True)
class ToneCurve(Node):
    """Set black, white, middle and contrast of the picture, then bend its tones with a curve through free points.

    First ``neutral_black`` takes the colour out of black: each component keeps white and loses what is said of it at
    black. ``black`` and ``white`` are then the levels that come out as 0 and 1; ``middle`` is what the level
    halfway between them becomes. ``contrast`` is the slope of a straight line about ``pivot``. The free ``points`` then
    bend the result; a curve that starts above 0 or ends
    below 1 gets the missing corner. Every curve is a monotone cubic (Fritsch and Carlson 1980), straight beyond its
    ends: values above white survive.

    Raises ParamError where black is not below white or two points share an input.

    >>> grey = np.full((2, 2, 3), 0.5, np.float32)
    >>> round(float(ToneCurve(black=0.1, white=0.9).process(grey)[0, 0, 0]), 3)
    0.5
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
    contrast: float = number(
        1.0, 0.1, 10, "Below 1 flattens, above 1 steepens: the slope of the tones about the pivot.", shown=(0.5, 2)
    )
    pivot: float = number(
        MIDDLE_GREY, 0, 1, "Level that the contrast leaves where it is; at rest the middle grey of BT.709."
    )
    neutral_black: tuple[float, float, float] = colour(
        (0, 0, 0), -0.5, 0.5, "What red, green and blue of black have too much; taken out, white stays.", shown=(0, 0.2)
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

    def slope(self) -> tuple[tuple[float, float], ...]:
        """Return the line of the contrast about the pivot as (input, output) pairs; empty where it changes nothing."""
        if self.contrast == 1:
            return ()
        return (0.0, self.pivot * (1 - self.contrast)), (1.0, self.pivot + self.contrast * (1 - self.pivot))

    def is_identity(self) -> bool:
        """Tell whether nothing changes."""
        return not (any(self.neutral_black) or self.levels() or self.slope() or self.bend())

    def process(self, image: Picture, *, out: Floats | None = None) -> Picture:
        """Return the picture through all of it; bit-identical where nothing changes."""
        steps: list[Callable[[Picture, Floats | None], Picture]] = [
            functools.partial(_curved, curve) for curve in (self.levels(), self.slope(), self.bend()) if curve
        ]
        if any(self.neutral_black):
            steps.insert(0, self._neutralised)
        if not steps:
            return copied(as_picture(image), out)
        if out is not None:
            out = checked(out, np.shape(image), np.asarray(image))
        *first, last = steps
        for step in first:
            image = step(image, None)
        return last(image, out)

    def _neutralised(self, image: Picture, out: Floats | None) -> Picture:
        """Return the picture with the colour of black taken out and white kept, component by component."""
        slope = tuple(1 / (1 - excess) for excess in self.neutral_black)
        offset = tuple(-excess * s for excess, s in zip(self.neutral_black, slope, strict=True))
        return kernel.cdl(image, slope, offset, (1, 1, 1), 1.0, False, out)


def _curved(points: tuple[tuple[float, float], ...], image: Picture, out: Floats | None) -> Picture:
    return kernel.curve(image, points, out)


@dataclass(frozen=True)
class Cdl(Node):
    """Apply an ASC colour decision list: slope, offset and power of each channel, then saturation.

    Source: ASC CDL specification 1.2; the saturation turns about BT.709 luma.

    >>> grey = np.full((2, 2, 3), 0.5, np.float32)
    >>> round(float(Cdl(slope=(1.2, 1.2, 1.2), offset=(-0.05, -0.05, -0.05)).process(grey)[0, 0, 0]), 3)
    0.55
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

    def is_identity(self) -> bool:
        """Tell whether nothing is changed and nothing clamped."""
        return self == _NEUTRAL

    def process(self, image: Picture, *, out: Floats | None = None) -> Picture:
        """Return the picture through the list; bit-identical where it changes nothing and does not clamp."""
        if self.is_identity():
            return copied(as_picture(image), out)
        return kernel.cdl(image, self.slope, self.offset, self.power, self.saturation, self.clamp, out)


_NEUTRAL = Cdl(clamp=False)


# --- suggesting ---------------------------------------------------------------------------------------------

_DARKEST, _BRIGHTEST = 0.2, 99.8
_BLACK_AT, _WHITE_AT = 0.02, 0.95
_STEEPEST = 2.0
_PALE, _GAUDY = 0.12, 0.40
_LEAST_CHROMA = 0.01
"""A 95th percentile of chroma below this is a grey picture: it is left grey."""
_LEAST_SATURATION, _MOST_SATURATION = 0.7, 1.5


class SuggestionError(InkarnatError, ValueError):
    """A picture from which nothing can be suggested."""


_BRIGHTEST_BLACK, _LEAST_BLACK = 0.25, 0.002


def solve_neutral_black(image: Picture, black: Sample) -> tuple[float, float, float]:
    """Return what red, green and blue of a black sample have too much: ``ToneCurve.neutral_black``.

    :param image: float32 (H, W, 3 or 4), display-referred R′G′B′, balanced. :param black: a place that shows something
        black or in deep shadow, without colour of its own. :returns: each component's mean above the lowest of the
        three, in signal levels, 0 and more. What then is left of the level is for ``black``.
    :raises SuggestionError: the sample holds no finite pixel, is too bright for black, or wholly clipped at 0.
    :raises PictureError: wrong array.

    >>> import numpy as np
    >>> from inkarnat.nodes import Sample
    >>> lifted = np.full((8, 8, 3), (0.09, 0.05, 0.06), np.float32)
    >>> tuple(round(v, 3) for v in solve_neutral_black(lifted, Sample.box(0, 0, 1, 1)))
    (0.04, 0.0, 0.01)
    """
    image = as_picture(image)
    pixels = image[black.mask(*image.shape[:2])][:, :3]
    pixels = pixels[np.isfinite(pixels).all(axis=1)]
    if not len(pixels):
        raise SuggestionError(f"Black sample {black} holds no finite pixel. Choose another place.")
    levels = pixels.mean(axis=0, dtype=np.float64)
    if levels.mean() > _BRIGHTEST_BLACK:
        raise SuggestionError(
            f"Black sample {black} is too bright to be black: its mean level is {levels.mean():.0%}, at most "
            f"{_BRIGHTEST_BLACK:.0%} may. Choose something black or in deep shadow."
        )
    if levels.max() < _LEAST_BLACK:
        raise SuggestionError(
            f"Black sample {black} is clipped at 0 in all components, so it has no colour to take out: choose a shadow "
            "that still shows something, or leave --neutral-black out."
        )
    red, green, blue = (float(v) for v in levels - levels.min())
    return red, green, blue


@dataclass(frozen=True)
class ToneSuggestion:
    """A tone curve and a saturation that a picture suggests, for a person to accept or to leave.

    :ivar tone: black and white points; neutral where the picture already reaches from black to white.
    :ivar cdl: the saturation, unclamped; neutral where the picture is neither pale nor gaudy.
    :ivar levels: luma at the 0.2nd and the 99.8th percentile. :ivar chroma: the 95th percentile of Cb/Cr chroma after
        the tone curve.
    """

    tone: ToneCurve
    cdl: Cdl
    levels: tuple[float, float]
    chroma: float

    def as_dict(self) -> dict[str, Any]:
        """Return the suggestion as plain JSON data."""
        return {
            "black": self.tone.black,
            "white": self.tone.white,
            "saturation": self.cdl.saturation,
            "levels": list(self.levels),
            "chroma": self.chroma,
        }


def suggest_tone(image: Picture) -> ToneSuggestion:
    """Suggest black and white points and a saturation from how the picture fills the waveform.

    :param image: float32 (H, W, 3 or 4), display-referred R′G′B′. Pixels that are not finite are left out.
    :raises PictureError: wrong array. :raises SuggestionError: no finite pixel, or one tone only.

    Blacks lifted above 2 % go down to it and whites below 95 % go up to it, never by more than a slope of 2: a dark
    scene stays dark. Where the chroma's 95th percentile then lies below 0.12 or above 0.40, the saturation brings it
    halfway there, 0.7 to 1.5. Both are common practice, no source. Nothing is applied.

    >>> picture = np.linspace(0.1, 0.8, 90 * 160 * 3, dtype=np.float32).reshape(90, 160, 3)
    >>> type(suggest_tone(picture)).__name__
    'ToneSuggestion'
    """
    image = as_picture(image)
    low, high = measure.luma_percentiles(image, None, (_DARKEST, _BRIGHTEST))
    if not high - low > 1e-3:
        raise SuggestionError("The picture shows one tone only: there is no black or white to judge by.")
    tone = _suggested_points(low, high)
    chroma = _chroma_percentile(tone.process(image))
    wanted = min(max(chroma, _PALE), _GAUDY)
    factor = (1 + wanted / max(chroma, 1e-6)) / 2 if chroma > _LEAST_CHROMA else 1.0
    saturation = round(min(max(factor, _LEAST_SATURATION), _MOST_SATURATION), 2)
    return ToneSuggestion(tone, Cdl(saturation=saturation, clamp=False), (low, high), chroma)


def _suggested_points(low: float, high: float) -> ToneCurve:
    """Return the straight line that carries low to black and high to white, no steeper than allowed."""
    dark, bright = min(low, _BLACK_AT), max(high, _WHITE_AT)
    slope = min((bright - dark) / (high - low), _STEEPEST)
    if slope <= 1 + 1e-6:
        return ToneCurve()
    black = low - dark / slope
    return ToneCurve(black=round(black, 4), white=round(black + 1 / slope, 4))


def _chroma_percentile(image: Picture) -> float:
    """Return the 95th percentile of the length of (Cb, Cr), to half a thousandth."""
    size = 2048
    counts = measure.vectorscope(image, None, size)
    place = (np.arange(size) + 0.5) / size - 0.5
    distance = np.hypot(place[:, None], place[None, :])
    order = np.rint(distance * 1000).astype(np.int64).ravel()
    running = np.cumsum(np.bincount(order, counts.ravel().astype(np.float64)))
    return float(np.searchsorted(running, 0.95 * running[-1])) / 1000
