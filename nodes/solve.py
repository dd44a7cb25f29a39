"""Measure skin and solve its steering: functions that look at pictures and return configured nodes."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..kernels import measure
from ..kernels.angles import wrapped
from ..kernels.arrays import as_picture, as_plane
from ..kernels.colour import luma as luma_plane
from ..kernels.colour import rgb_to_ycbcr
from ..kernels.errors import InkarnatError
from .declare import Matte, Picture
from .limits import LIMITS, beyond
from .steer import SteerSkin

SKIN_LINE = 123.0
"""The skin line in degrees of the BT.709 Cb/Cr plane (common practice, no source; named after the +I axis)."""

MEASURED_MEAN, MEASURED_SPREAD = 124.3, 4.2
"""Mean and standard deviation of the angle of measured human skins under D65, in degrees."""

_USUAL_COLOUR = (0.6, 1.75)
"""Parts of measured skins' chroma/luma between which nothing is said: 16 of 18 real portraits lie there."""

_DARKEST, _BRIGHTEST = 0.06, 0.92
_STRAY_ANGLE = 20.0
_PALE, _FARTHEST_SKIN = 0.05, 40.0
_MOST_LIFTED = 0.1
_PALEST = 0.001
_VISIBLE = 0.01
BLUE_FROM = 110.0
"""Degrees from the skin line from which a hue is blue, on whichever side."""


class ReadingError(InkarnatError, ValueError):
    """There is too little keyed skin to measure."""


@dataclass(frozen=True)
class Warned:
    """Something a person should look at: which sign it was, its figure, and the fix."""

    sign: str
    figure: float
    message: str


def usual_ratio(luma: float) -> float:
    """Return the chroma/luma of measured skins of a luma (± 0.024); beyond 0 and 1 that of black and of white.

    >>> round(usual_ratio(0.5), 3), round(usual_ratio(0.2), 3)
    (0.191, 0.278)
    """
    lightness: float = 116 * min(max(luma, 0.0), 1.0) ** (2.4 / 3) - 16
    return 0.319 - 0.00253 * lightness


@dataclass(frozen=True)
class SkinReading:
    """What the vectorscope and waveform of the keyed pixels say, in numbers.

    :ivar angle: hue of the centre of the energy, degrees in BT.709 Cb/Cr. :ivar ratio: chroma/luma there.
    :ivar spread: robust standard deviation of the hue, degrees.
    :ivar luma: luma at the 5th, 50th and 95th percentile of the skin, 0 to 1.
    :ivar area: keyed part of the frame, 0 to 1. :ivar hue_range: hue at the 10th and 90th percentile.
    :ivar soft: share of the matte that is half open (0.15 to 0.85).
    :ivar stray: share of the keyed colour more than 20° from the centre.
    :ivar black: the black level that was subtracted before dividing by luma.
    :ivar transparent: share of the keyed pixels that the picture's alpha lets nobody see.
    :ivar unread: share of what is keyed whose level is black or at white, where no hue is read.
    """

    angle: float
    ratio: float
    spread: float
    luma: tuple[float, float, float]
    area: float
    hue_range: tuple[float, float]
    soft: float
    stray: float
    black: float
    transparent: float = 0.0
    unread: float = 0.0

    @property
    def off_line(self) -> float:
        """Degrees from the skin line: above 0 toward yellow, below 0 toward red."""
        return wrapped(self.angle - SKIN_LINE)

    @property
    def population_ratio(self) -> float:
        """The chroma/luma at which measured skins of this lightness lie (± 0.024): information, not a target."""
        return usual_ratio(self.luma[1])

    def words(self) -> str:
        """Say where the reading lies, in words: information alone, which judges nothing."""
        off = self.off_line
        side = "toward blue" if abs(off) > BLUE_FROM else "toward yellow and green" if off > 0 else "toward red"
        place = "on the skin line" if not beyond("missed hue", off) else f"{abs(off):.1f}° from the skin line, {side}"
        within = abs(self.angle - MEASURED_MEAN) / MEASURED_SPREAD
        known = "within 1" if within <= 1 else "within 2" if within <= 2 else "beyond 2"
        return f"{place}; hue {known} sd of measured skins{self._colour_words()}"

    @property
    def unusual_colour(self) -> float | None:
        """The chroma/luma in parts of what measured skins have at this level; None where it is usual for them.

        They vary by a third.
        """
        share = self.ratio / max(self.population_ratio, 1e-3)
        return None if _USUAL_COLOUR[0] <= share <= _USUAL_COLOUR[1] else share

    def _colour_words(self) -> str:
        """Say where the colour is far weaker or stronger than that of measured skins."""
        share = self.unusual_colour
        if share is None:
            return ""
        return f"; colour {'weaker' if share < 1 else 'stronger'}, × {share:.2f} of what they have at this level"

    def as_dict(self) -> dict[str, Any]:
        """Return the reading as plain JSON data, figures derived from it included."""
        data = {name: list(v) if isinstance(v, tuple) else v for name, v in dataclasses.asdict(self).items()}
        return data | {"off_line": self.off_line, "population_ratio": self.population_ratio, "words": self.words()}

    def warnings(self) -> tuple[Warned, ...]:
        """Return the sign that much of what is keyed is not of one skin's colour, where it is so."""
        if not beyond("stray", self.stray):
            return ()
        return (
            Warned(
                "stray",
                self.stray,
                f"{self.stray:.0%} of the keyed colour lies more than {_STRAY_ANGLE:g}° from the skin's centre (at "
                f"most {LIMITS['stray'].check:.0%} should): something other than skin is keyed. Only what lies near "
                "the commonest hue of skin was read. Subtract the surroundings, or draw a region round the person.",
            ),
        )


@dataclass(frozen=True)
class SkinTarget:
    """Where skin should rest on the vectorscope.

    :ivar angle: degrees; the skin line by default, or an approved reading of the same person.
    :ivar bias: degrees added to it: above 0 yellower, below 0 redder.
    :ivar ratio: chroma/luma to reach, or None to keep the saturation as it is.
    :ivar landing: "centre" rests the middle of the energy on the angle; "redder" or "yellower" rests its edge
        there, with the energy lying on that side.
    """

    angle: float = SKIN_LINE
    bias: float = 0.0
    ratio: float | None = None
    landing: str = "centre"

    def __post_init__(self) -> None:
        if self.landing not in ("centre", "redder", "yellower"):
            raise ReadingError(f"The landing must be centre, redder or yellower, not {self.landing!r}.")
        for name, low, high in (("angle", -360, 360), ("bias", -90, 90)):
            value = getattr(self, name)
            if not (math.isfinite(value) and low <= value <= high):
                raise ReadingError(f"The target's {name} must be {low} to {high} degrees, not {value:g}.")
        if self.ratio is not None and not 0 < self.ratio <= 2:
            raise ReadingError(f"The target's ratio of chroma to luma must be above 0 and up to 2, not {self.ratio:g}.")

    @classmethod
    def of(cls, reading: SkinReading) -> SkinTarget:
        """Return the target that matches an approved reading in hue and saturation."""
        return cls(angle=reading.angle, ratio=reading.ratio)


# --- measuring ----------------------------------------------------------------------------------------------


def measure_skin(image: Picture, matte: Matte) -> SkinReading:
    """Read the keyed pixels: hue, saturation, spread, luma, area.

    :param image: float32 (H, W, 3 or 4), display-referred R′G′B′. :param matte: float32 (H, W).
    :raises ReadingError: hardly any pixel is keyed, or none of them is neither black nor burnt out.
    :raises PictureError: wrong arrays.

    The centre is the luma-weighted median of Cb/Y′ and Cr/Y′ after the picture's black level is subtracted: wall
    in the matte moves it least. Where more than a fifth of the colour strays by 20°, only what lies within 20° of the
    commonest hue of skin is read, hue range and spread too.

    >>> skin = np.full((90, 160, 3), (0.62, 0.48, 0.40), np.float32)
    >>> reading = measure_skin(skin, np.ones((90, 160), np.float32))
    >>> round(reading.angle), round(reading.ratio, 2)
    (127, 0.18)
    """
    image = as_picture(image)
    matte = as_plane(matte, like=image.shape[:2])
    levels, black, tally = _read_core(image, matte)
    u, v = tally.ratio_median()
    stray = _stray(tally, hue_angle(u, v))
    if beyond("stray", stray):
        tally = measure.tally(image, matte, black, _without_strays(image, matte))
        u, v = tally.ratio_median()
    low, high = tally.hue_percentiles([10, 90])
    spread = tally.hue_spread()
    if not math.isfinite(spread):  # grey has no hue, so no spread of hues either
        low = high = hue_angle(u, v)
        spread = 0.0
    dark, middle, light = levels.percentiles([5, 50, 95])
    return SkinReading(
        angle=hue_angle(u, v),
        ratio=math.hypot(u, v),
        spread=spread,
        luma=(dark, middle, light),
        area=levels.area / matte.size,
        hue_range=(low, high),
        soft=measure.soft_share(matte),
        stray=stray,
        black=black,
        transparent=_transparent(image, matte),
        unread=_unread(levels),
    )


def hue_of_all(image: Picture, matte: Matte) -> float:
    """Return the hue of everything keyed, degrees: the centre that :func:`measure_skin` reads, strays and all.

    It is for a matte that is known to be right, as a drawn one: where light of two colours falls on skin, a good part
    of it strays, and is skin all the same. Raises what :func:`measure_skin` raises.

    >>> halves = np.empty((90, 160, 3), np.float32)
    >>> halves[:, :70], halves[:, 70:] = (0.62, 0.48, 0.40), (0.56, 0.42, 0.56)
    >>> everything = np.ones((90, 160), np.float32)
    >>> round(measure_skin(halves, everything).angle), round(hue_of_all(halves, everything))
    (127, 50)
    """
    image = as_picture(image)
    _, _, tally = _read_core(image, as_plane(matte, like=image.shape[:2]))
    return hue_angle(*tally.ratio_median())


def _read_core(image: Picture, matte: Matte) -> tuple[measure.Levels, float, measure.Tally]:
    """Return the levels of what is keyed, the picture's lifted black, and its colours. Raises ReadingError."""
    levels = measure.levels(image, matte)
    black = _lift(levels.black())
    tally = measure.tally(image, matte, black, _CORE)
    if tally.area < max(12.0, 2e-5 * matte.size):
        told = f"Too little skin is keyed to be measured (pixels between black and burnt out: {tally.area:.0f}): "
        if (share := _without_colour(image, matte)) > 0.5:
            raise ReadingError(f"{told}{share:.0%} of what is keyed is black or burnt out, so set the exposure first.")
        raise ReadingError(f"{told}widen the key, or sample the skin again.")
    return levels, black, tally


def _without_colour(image: Picture, matte: Matte) -> float:
    """Return the share of what is keyed that is black or burnt out; what is not a number is neither."""
    keyed = image[..., :3][matte > _CORE.least]
    if not keyed.size:
        return 0.0
    return float(((keyed.max(axis=1) < _CORE.darkest) | (keyed.max(axis=1) >= _CORE.peak)).mean())


_CORE = measure.Core(least=0.5, darkest=_DARKEST, brightest=_BRIGHTEST, peak=0.995, reach=_STRAY_ANGLE)
"""What of a matte is safely skin: more than half keyed, neither black nor burnt out."""


def _lift(black: float) -> float:
    """Return by how much the picture's black is lifted: what is above a usual shadow, up to a tenth.

    Where the darkest tone is lighter still, the picture more and more likely just holds no black: a close-up, a patch.
    """
    lifted = black - 0.02
    return max(min(lifted, 2 * _MOST_LIFTED - lifted), 0.0)


def _unread(levels: measure.Levels) -> float:
    """Return the share of what is keyed that lies at levels at which no hue is read."""
    (low, high), size = measure.LUMA_SPAN, len(levels.keyed)
    first, last = (round((level - low) / (high - low) * size) for level in (_DARKEST, _BRIGHTEST))
    return 1 - int(levels.keyed[first:last].sum()) / max(int(levels.keyed.sum()), 1)


def _transparent(image: Picture, matte: Matte) -> float:
    """Return the share of the keyed pixels that alpha lets nobody see."""
    if image.shape[2] == 3:
        return 0.0
    keyed = np.asarray(image)[:, :, 3][np.asarray(matte) >= _CORE.least]
    return float((keyed < _VISIBLE).mean())


def _stray(tally: measure.Tally, angle: float) -> float:
    total = int(tally.hue.sum())
    if not total:
        return 1.0
    if not math.isfinite(angle):
        return 0.0
    step, start = 360 / measure.BINS, measure.HUE_SPAN[0]

    def is_far(bin_: int) -> bool:
        return abs(wrapped(bin_ % measure.BINS * step + start - angle)) > _STRAY_ANGLE

    first = math.floor((angle - _STRAY_ANGLE - start) / step) - 1
    last = math.ceil((angle + _STRAY_ANGLE - start) / step) + 1
    while is_far(first):
        first += 1
    while is_far(last):
        last -= 1
    near = np.arange(first, last + 1)
    return (total - int(tally.hue.take(near, mode="wrap").sum())) / total


def _without_strays(image: Picture, matte: Matte) -> measure.Core:
    """Return the core within 20° of its commonest hue among those that skin can have.

    Every pixel counts alike: counted by chroma or luma, a small patch of strong colour would outvote the skin.
    """
    counts = np.roll(measure.degree_counts(image, matte, _CORE, _PALE), 180 - int(SKIN_LINE)).astype(np.float64)
    near = np.convolve(np.concatenate([counts[-10:], counts, counts[:10]]), np.ones(21), "valid")
    near[np.abs(np.arange(360) + 0.5 - 180) > _FARTHEST_SKIN] = 0
    if near.max() <= 0:
        return _CORE
    return _CORE._replace(hue=float(np.argmax(near)) + 0.5 - 180 + SKIN_LINE)


def hue_angle(u: float, v: float) -> float:
    """Return the angle of a colour in Cb/Cr in degrees, 0 to 360."""
    return math.degrees(math.atan2(v, u)) % 360


# --- solving ------------------------------------------------------------------------------------------------


def solve_steer(
    image: Picture,
    matte: Matte,
    target: SkinTarget | None = None,
    method: str = "turn",
    *,
    split: bool = False,
    even_out: float = 0.0,
    even_side: str = "both",
) -> SteerSkin:
    """Find the steering that rests the keyed skin on a target.

    :param image: float32 (H, W, 3 or 4). :param matte: float32 (H, W), the skin.
    :param target: where to rest it; by default on the skin line with the saturation kept.
    :param method: how SteerSkin moves the colour; or "light", which reaches the target by temperature and tint of the
        skin alone, with the saturation kept where the target names no ratio.
    :param split: solve the lit and the shadow side of the skin apart, for light of two colours on one face. The side
        that a pixel is on goes by its luma; the level where the two meet is found here. With the method "turn" only.
    :param even_out, even_side: as in SteerSkin. Evened out on both sides, the centre rests on the target. On one side,
        the other side rests where it would without, and the centre with it, before the one side is drawn in.
    :raises ReadingError: too little skin is keyed (on one of the two sides), or only grey; the split of another method.
    :raises PictureError: wrong arrays. :raises ParamError: a setting that SteerSkin does not allow.

    The steering is applied, the result measured and the remaining error added, until it is below 0.01°.

    >>> skin = np.full((90, 160, 3), (0.62, 0.48, 0.40), np.float32)
    >>> steer = solve_steer(skin, np.ones((90, 160), np.float32))
    >>> after = steer.process(skin, np.ones((90, 160), np.float32))
    >>> round(measure_skin(after, np.ones((90, 160), np.float32)).angle)
    123
    """
    target = target or SkinTarget()
    image = as_picture(image)
    matte = as_plane(matte, like=image.shape[:2])
    reading = measure_skin(image, matte)
    if reading.ratio < _PALEST:
        raise ReadingError(
            f"The keyed pixels are grey (chroma is {reading.ratio:.4f} of luma), so there is no hue to steer: "
            "key the skin, not a neutral."
        )
    if method == BY_LIGHT:
        if split or even_out:
            raise ReadingError(
                "Temperature and tint move all of the skin alike: leave out the split and the evening out, or turn."
            )
        return _solve_light(image, matte, target, reading)
    node = SteerSkin(
        method=method,
        centre_angle=reading.angle,
        centre_ratio=reading.ratio,
        even_out=even_out,
        even_side=even_side,
    )
    if even_side != "both" and even_out:  # what is drawn in from one side must not move what lies on the other
        plain = solve_steer(image, matte, target, method, split=split)
        return dataclasses.replace(plain, even_out=even_out, even_side=even_side)
    if split:
        return _solve_sides(image, matte, target, node, reading)
    angle, saturation = _missing(reading, target)
    for _ in range(4):
        node = dataclasses.replace(node, angle=wrapped(angle), saturation=min(saturation, 4.0))
        more_angle, more_saturation = _missing(measure_skin(node.process(image, matte), matte), target)
        if abs(more_angle) < 0.01 and abs(more_saturation - 1) < 1e-4:
            break
        angle += more_angle
        saturation *= more_saturation
    return node


BY_LIGHT = "light"
"""The method that reaches a target by temperature and tint of the skin alone."""

_LIGHT_STEP = (2.0, 2e-4)
"""Mired and Duv of the steps by which the slopes are found."""


def _solve_light(image: Picture, matte: Matte, target: SkinTarget, reading: SkinReading) -> SteerSkin:
    """Rest the skin on a target by its temperature and tint: Newton's method with numeric slopes."""
    wanted = target if target.ratio is not None else dataclasses.replace(target, ratio=reading.ratio)
    limits = [(param.low, param.high) for param in (SteerSkin.params()[name] for name in ("temperature", "tint"))]
    node = SteerSkin(centre_angle=reading.angle, centre_ratio=reading.ratio)

    def missing(at: NDArray[np.float64]) -> NDArray[np.float64]:
        moved = dataclasses.replace(node, temperature=float(at[0]), tint=float(at[1]))
        turn, factor = _missing(measure_skin(moved.process(image, matte), matte), wanted)
        return np.array([math.radians(turn), math.log(factor)])

    def clipped(at: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.array([min(max(v, low), high) for v, (low, high) in zip(at, limits, strict=True)])

    at = np.zeros(2)
    error = missing(at)
    for _ in range(8):
        if abs(error[0]) < math.radians(0.01) and abs(error[1]) < 1e-3:
            break
        slopes = np.stack(
            [
                (missing(clipped(at - step)) - error) / step.sum()
                for step in (np.array([_LIGHT_STEP[0], 0.0]), np.array([0.0, _LIGHT_STEP[1]]))
            ],
            axis=1,
        )
        if abs(np.linalg.det(slopes)) < 1e-9:
            break
        at = clipped(at + np.linalg.solve(slopes, error))
        error = missing(at)
    return dataclasses.replace(node, temperature=float(at[0]), tint=float(at[1]))


def _missing(reading: SkinReading, target: SkinTarget) -> tuple[float, float]:
    """Return the turn and the factor that are still missing from a reading to the target."""
    rests = {"centre": reading.angle, "redder": reading.hue_range[1], "yellower": reading.hue_range[0]}
    turn = wrapped(target.angle + target.bias - rests[target.landing])
    return turn, 1.0 if target.ratio is None else target.ratio / max(reading.ratio, 1e-4)


# --- the lit and the shadow side ----------------------------------------------------------------------------

_LEVELS = 64
_LEAST_SIDE = 0.1


def _solve_sides(image: Picture, matte: Matte, target: SkinTarget, node: SteerSkin, reading: SkinReading) -> SteerSkin:
    """Rest the lit and the shadow side on the target, each by its own turn."""
    if node.method != "turn":
        raise ReadingError(f"The lit and the shadow side can only be steered apart by turning, not by {node.method!r}.")
    meet = _meeting_luma(image, matte, reading)
    luma = luma_plane(image)
    sides = [np.where(side, matte, np.float32(0)) for side in (luma >= meet, luma < meet)]
    lit, shadow = (_missing(measure_skin(image, side), target)[0] for side in sides)
    saturation = _missing(reading, target)[1]
    for _ in range(8):
        node = dataclasses.replace(
            node,
            angle=wrapped(lit),
            saturation=min(saturation, 4.0),
            shadow_angle=wrapped(shadow - lit),
            shadow_luma=min(max(meet, 0.0), 1.0),
            shadow_softness=0.1,
        )
        moved = node.process(image, matte)
        errors = [_missing(measure_skin(moved, side), target)[0] for side in sides]
        factor = _missing(measure_skin(moved, matte), target)[1]
        if max(map(abs, errors)) < 0.01 and abs(factor - 1) < 1e-4:
            break
        lit, shadow, saturation = lit + errors[0], shadow + errors[1], saturation * factor
    return node


def _meeting_luma(image: Picture, matte: Matte, reading: SkinReading) -> float:
    """Return the luma at which the hue of the skin changes most: the cut of greatest variance between the two sides.

    Source: N. Otsu, "A threshold selection method from gray-level histograms", IEEE Trans. Syst. Man Cybern. 9, 1979,
    with the hue as what is judged and the luma as what is cut.
    """
    core = measure.core_matte(image, matte, _CORE)
    keyed = core > 0
    y, cb, cr = rgb_to_ycbcr(np.ascontiguousarray(image[keyed][None, :, :3]))[0].astype(np.float64).T
    hue = wrapped(np.degrees(np.arctan2(cr, cb)) - reading.angle)
    weight = core[keyed] * np.hypot(cb, cr) * (np.abs(hue) < 2 * _STRAY_ANGLE)
    edges = np.quantile(y, np.linspace(0, 1, _LEVELS + 1))
    level = np.clip(np.searchsorted(edges, y, side="right") - 1, 0, _LEVELS - 1)
    mass = np.cumsum(np.bincount(level, weight, _LEVELS))
    moment = np.cumsum(np.bincount(level, weight * hue, _LEVELS))
    share = mass[:-1] / mass[-1]
    apart = moment[:-1] / np.maximum(mass[:-1], 1e-9) - (moment[-1] - moment[:-1]) / np.maximum(
        mass[-1] - mass[:-1], 1e-9
    )
    between = np.where(np.minimum(share, 1 - share) >= _LEAST_SIDE, share * (1 - share) * apart**2, -1.0)
    return float(edges[1 + int(np.argmax(between))])
