"""Measure skin, learn its key, solve its steering: functions that look at pictures and return configured nodes."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..kernels import learn, measure
from ..kernels.arrays import as_picture, as_plane
from ..kernels.colour import luma as luma_plane
from ..kernels.colour import rgb_to_ycbcr
from ..kernels.errors import InkarnatError, PictureError
from .declare import Matte, Picture
from .key import SkinKey
from .limits import LIMITS, beyond
from .model import SkinModel
from .sample import Sample, SampleError
from .steer import SteerSkin

SKIN_LINE = 123.0
"""The skin line in degrees of the BT.709 Cb/Cr plane (common practice, no source; named after the +I axis)."""

MEASURED_MEAN, MEASURED_SPREAD = 124.3, 4.2
"""Mean and standard deviation of the angle of measured human skins under D65, in degrees."""

_DARKEST, _BRIGHTEST = 0.06, 0.92
_STRAY_ANGLE = 20.0
_PALE, _FARTHEST_SKIN = 0.05, 40.0
_MOST_LIFTED = 0.1
_PALEST = 0.001


class ReadingError(InkarnatError, ValueError):
    """There is too little keyed skin to measure."""


@dataclass(frozen=True)
class Warned:
    """Something a person should look at: which sign it was, its figure, and the mend."""

    sign: str
    figure: float
    message: str


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

    @property
    def off_line(self) -> float:
        """Degrees from the skin line: above 0 toward yellow, below 0 toward red."""
        return _wrapped(self.angle - SKIN_LINE)

    @property
    def population_ratio(self) -> float:
        """The chroma/luma at which measured skins of this lightness lie (± 0.024): information, not a target."""
        lightness: float = 116 * max(self.luma[1], 0.0) ** (2.4 / 3) - 16
        return 0.319 - 0.00253 * lightness

    def words(self) -> str:
        """Say where the reading lies, in words: information alone, which judges nothing."""
        off = self.off_line
        side = "toward yellow and green" if off > 0 else "toward red"
        place = "on the skin line" if not beyond("missed hue", off) else f"{abs(off):.1f}° {side} of the skin line"
        within = abs(self.angle - MEASURED_MEAN) / MEASURED_SPREAD
        known = "within 1" if within <= 1 else "within 2" if within <= 2 else "beyond 2"
        return f"{place}; {known} sd of measured skins"

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
    """
    image = as_picture(image)
    matte = as_plane(matte, like=image.shape[:2])
    levels = measure.levels(image, matte)
    black = _lift(levels.black())
    tally = measure.tally(image, matte, black, _CORE)
    if tally.area < max(12.0, 2e-5 * matte.size):
        raise ReadingError(
            f"Too little skin is keyed to be measured ({tally.area:.0f} pixels between black and burnt out): "
            "widen the key, or sample the skin again."
        )
    u, v = tally.ratio_median()
    stray = _stray(tally, _angle(u, v))
    if beyond("stray", stray):
        tally = measure.tally(image, matte, black, _without_strays(image, matte))
        u, v = tally.ratio_median()
    low, high = tally.hue_percentiles([10, 90])
    spread = tally.hue_spread()
    if not math.isfinite(spread):  # grey has no hue, so no spread of hues either
        low = high = _angle(u, v)
        spread = 0.0
    dark, middle, light = levels.percentiles([5, 50, 95])
    return SkinReading(
        angle=_angle(u, v),
        ratio=math.hypot(u, v),
        spread=spread,
        luma=(dark, middle, light),
        area=levels.area / matte.size,
        hue_range=(low, high),
        soft=measure.soft_share(matte),
        stray=stray,
        black=black,
    )


_CORE = measure.Core(least=0.5, darkest=_DARKEST, brightest=_BRIGHTEST, peak=0.995, reach=_STRAY_ANGLE)
"""What of a matte is safely skin: more than half keyed, neither black nor burnt out."""


def _lift(black: float) -> float:
    """Return by how much the picture's black is lifted: what is above a usual shadow, up to a tenth.

    Where the darkest tone is lighter still, the picture more and more likely just holds no black: a close-up, a patch.
    """
    lifted = black - 0.02
    return max(min(lifted, 2 * _MOST_LIFTED - lifted), 0.0)


def _stray(tally: measure.Tally, angle: float) -> float:
    bins = np.arange(measure.BINS) * (360 / measure.BINS) + measure.HUE_SPAN[0]
    far = np.abs((bins - angle + 180) % 360 - 180) > _STRAY_ANGLE
    total = int(tally.hue.sum())
    return int(tally.hue[far].sum()) / total if total else 1.0


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


def _angle(u: float, v: float) -> float:
    return math.degrees(math.atan2(v, u)) % 360


def _wrapped(degrees: float) -> float:
    return (degrees + 180) % 360 - 180


# --- learning -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Lesson:
    """A learned key with the figures by which it can be judged before it is used.

    :ivar key: the configured node. :ivar unconnected: share of the skin-like area that the samples do not reach, in the
        frame that they reach best; what they reach in part counts in part.
    :ivar recall: share of the sampled pixels that the key recognises.
    :ivar hue_apart, chroma_apart: how far the samples of a further frame lie from those of the first, at most: degrees
        of hue, and the factor between their chroma in parts of luma, 1 or more.
    """

    key: SkinKey
    unconnected: float
    recall: float
    hue_apart: float = 0.0
    chroma_apart: float = 1.0

    def warnings(self, matte: Matte) -> tuple[Warned, ...]:
        """Return the signs that this key's matte wants a look: see :func:`judge_matte`."""
        found = list(judge_matte(matte))
        if beyond("look-alike", self.unconnected):
            found.append(
                Warned(
                    "look-alike",
                    self.unconnected,
                    f"{self.unconnected:.0%} of what looks like this skin does not touch the samples: it may be a wall "
                    "or wood. Look at the matte; subtract it, or draw a region round the person.",
                )
            )
        if beyond("missed", 1 - self.recall):
            found.append(
                Warned(
                    "missed",
                    1 - self.recall,
                    f"The key recognises only {self.recall:.0%} of the sampled pixels: the sample may hold more than "
                    "skin. Draw it again on skin alone.",
                )
            )
        if beyond("two lights", _two_lights(self.hue_apart, self.chroma_apart)):
            found.append(
                Warned(
                    "two lights",
                    self.hue_apart,
                    f"The samples on two frames are {self.hue_apart:.1f}° of hue and a factor {self.chroma_apart:.2f} "
                    "of chroma apart, more than one light explains: one key fits neither. Balance the frames first, or "
                    "learn one key for each light.",
                )
            )
        return tuple(found)


def _two_lights(hue: float, chroma: float) -> float:
    """Return how far two samples lie apart, 1 where one light just explains it.

    Measured on generated portraits: of frames that differ in exposure, direction of light, pose and place of the
    sample, 1 % lie farther apart; of frames 50 mired or .01 Duv apart, all do, of ± 30 mired three quarters.
    """
    return math.hypot(hue / 5, math.log2(chroma) / 0.5)


_LEAST_AREA = LIMITS["too little"].check or 0.0


def _rim(keyed: NDArray[np.bool_]) -> int:
    """Return how many pixels of the frame's top and sides are keyed: skin leaves it at the bottom as a rule."""
    return int(keyed[0].sum()) + int(keyed[1:, 0].sum()) + int(keyed[1:, -1].sum())


def _edge(keyed: NDArray[np.bool_]) -> int:
    """Return how many pairs of neighbours the edge of the keyed area parts."""
    return int((keyed[:, 1:] != keyed[:, :-1]).sum()) + int((keyed[1:] != keyed[:-1]).sum())


def judge_matte(matte: Matte) -> tuple[Warned, ...]:
    """Return the signs that a matte of skin wants a look: it finds almost nothing, leaks, is ragged or half open."""
    matte = as_plane(matte)
    area = float(matte.sum(dtype=np.float64)) / matte.size
    soft = measure.soft_share(matte)
    keyed = matte > 0.5
    side = math.sqrt(max(int(keyed.sum()), 1))  # of a square as large: against it lengths mean the same at any size
    found = []
    if area < _LEAST_AREA:
        found.append(
            Warned(
                "too little",
                area,
                f"The key finds only {area:.2%} of the frame: widen it, or add a sample on the lit skin.",
            )
        )
    if beyond("leak", area):
        found.append(
            Warned(
                "leak",
                area,
                f"The key covers {area:.0%} of the frame: it has leaked, unless the face fills it. Narrow it, or "
                "subtract the surroundings.",
            )
        )
    elif beyond("leak at the rim", rim := _rim(keyed) / side):
        found.append(
            Warned(
                "leak",
                rim,
                f"The key runs along the frame's top and sides for {rim:.1f} times the side of a square of its area "
                f"(at most {LIMITS['leak at the rim'].check:g} is usual): it has leaked, unless the frame cuts the "
                "face. Subtract the surroundings, or sample skin alone.",
            )
        )
    if area >= _LEAST_AREA and beyond("ragged", edge := _edge(keyed) / side):
        found.append(
            Warned(
                "ragged",
                edge,
                f"The key's edge is {edge:.0f} times as long as the side of a square of its area (at most "
                f"{LIMITS['ragged'].check:g} is usual): it takes specks of the surroundings along, unless there are "
                "many people. Subtract the surroundings, or narrow the key.",
            )
        )
    if area >= _LEAST_AREA and beyond("half open", soft):
        found.append(
            Warned(
                "half open",
                soft,
                f"{soft:.0%} of the matte is half open: the key is unsure. Add a sample, or narrow the key.",
            )
        )
    return tuple(found)


Marked = tuple[Picture, Sequence[Sample], Sequence[Sample]]

_FURTHER = 1 / 3
"""How much a further frame counts beside the first with samples to add: it widens the key where it must, while what a
dimmer, noisier frame mistakes for skin hardly counts in the light of the first."""


def learn_skin_key(
    image: Picture,
    add: Sequence[Sample],
    subtract: Sequence[Sample] = (),
    more: Iterable[Marked] = (),
    *,
    reach: float = 1.0,
) -> SkinKey:
    """Learn a skin key from samples; see :func:`study_skin`, which also returns the figures to judge it by."""
    return study_skin(image, add, subtract, more, reach=reach).key


def study_skin(
    image: Picture,
    add: Sequence[Sample],
    subtract: Sequence[Sample] = (),
    more: Iterable[Marked] = (),
    *,
    reach: float = 1.0,
) -> Lesson:
    """Learn a skin key from samples on one or more pictures of the same light.

    :param image: float32 (H, W, 3 or 4), display-referred R′G′B′, not premultiplied.
    :param add: samples on skin, at least one over all pictures. :param subtract: samples on what must stay out.
    :param more: further (image, add, subtract). :param reach: how far the key spreads from the samples, 0.25 to 4.
    :raises SampleError: no sample to add, or samples on something that cannot be skin.
    :raises PictureError: wrong arrays. The same input gives the same key, bit for bit.
    """
    if not 0.25 <= reach <= 4:
        raise SampleError(f"The reach of a key must be 0.25 to 4, not {reach:g}.")
    marked = [(image, tuple(add), tuple(subtract))]
    marked += [(picture, tuple(a), tuple(s)) for picture, a, s in more]
    if not any(samples for _, samples, _ in marked):
        raise SampleError("There is no sample of skin: add a point, a box or a stroke on skin.")
    reference = next(place for place, (_, samples, _) in enumerate(marked) if samples)
    frames = [_reduced(*item, weight=1.0 if place == reference else _FURTHER) for place, item in enumerate(marked)]
    try:
        learned = learn.learn(frames, reach)
    except learn.LearnError as error:
        raise SampleError(str(error)) from None
    _require_skin(learned.centre)
    model = SkinModel(learned.centre, learned.compact, learned.table)
    return Lesson(SkinKey(model=model.to_text()), learned.unconnected, learned.recall, *_apart(frames, reference))


_LIGHT_STEP = 0.012
"""Change of a frame's median Cb/Y′ and Cr/Y′ that one light does not make where it shows the same place: measured
at most .007 from exposure, direction of light, pose and grain, at least .018 from .005 Duv, .042 from 30 mired."""


def _apart(frames: Sequence[learn.Frame], reference: int) -> tuple[float, float]:
    """Return by how much hue and chroma of the samples differ at most between the reference and another frame.

    Frames that as a whole show the same colour count as lit alike: there samples differ because they lie elsewhere.
    """
    first = learn.sampled_colour(frames[reference])
    assert first is not None
    apart = [(0.0, 1.0)]
    for frame in frames:
        other = learn.sampled_colour(frame)
        if other is not None and math.dist(_middle_colour(frame), _middle_colour(frames[reference])) > _LIGHT_STEP:
            hue = abs(_wrapped(_angle(*other) - _angle(*first)))
            apart.append((hue, _factor(math.hypot(*other), math.hypot(*first))))
    return max(apart, key=lambda pair: _two_lights(*pair))


def _middle_colour(frame: learn.Frame) -> tuple[float, float]:
    """Return the median Cb/Y′ and Cr/Y′ of what is neither black nor burnt out in a frame."""
    usable = (frame.luma > _DARKEST) & (frame.luma < _BRIGHTEST)
    if not usable.any():
        return 0.0, 0.0
    return float(np.median(frame.u[usable])), float(np.median(frame.v[usable]))


def _factor(one: float, other: float) -> float:
    return max(one, other) / max(min(one, other), 1e-6)


def _reduced(image: Picture, add: tuple[Sample, ...], subtract: tuple[Sample, ...], weight: float = 1.0) -> learn.Frame:
    image = as_picture(image)
    if not np.isfinite(image[..., :3]).any():
        raise PictureError("The picture holds no finite pixel (all are NaN or infinite): render or decode it again.")
    height, width = image.shape[:2]

    def cover(samples: Iterable[Sample]) -> NDArray[np.bool_]:
        covered = np.zeros((height, width), np.bool_)
        for sample in samples:
            covered |= sample.mask(height, width)
        return covered

    drawn = (sample for sample in add if not sample.whole)
    wholes = [sample.mask(height, width) for sample in add if sample.whole]
    frame = learn.reduce_frame(image, cover(drawn), cover(subtract), wholes)
    return dataclasses.replace(frame, weight=weight)


def _require_skin(centre: tuple[float, float]) -> None:
    off = _wrapped(_angle(*centre) - SKIN_LINE)
    if abs(off) > 75:
        raise SampleError(
            f"The samples are not on skin: their hue is {_angle(*centre):.0f}°, {abs(off):.0f}° from the skin line; "
            "at most 75° can be skin, even under a strong cast. Sample skin, or balance the picture first."
        )


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
    :param method: how SteerSkin moves the colour.
    :param split: solve the lit and the shadow side of the skin apart, for light of two colours on one face. The side
        that a pixel is on goes by its luma; the level where the two meet is found here. With the method "turn" only.
    :param even_out, even_side: as in SteerSkin. Evened out on both sides, the centre rests on the target. On one side,
        the other side rests where it would without, and the centre with it, before the one side is drawn in.
    :raises ReadingError: too little skin is keyed (on one of the two sides), or only grey; the split of another method.
    :raises PictureError: wrong arrays. :raises ParamError: a setting that SteerSkin does not allow.

    The steering is applied, the result measured and the remaining error added, until it is below 0.01°.
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
        node = dataclasses.replace(node, angle=_wrapped(angle), saturation=min(saturation, 4.0))
        more_angle, more_saturation = _missing(measure_skin(node.process(image, matte), matte), target)
        if abs(more_angle) < 0.01 and abs(more_saturation - 1) < 1e-4:
            break
        angle += more_angle
        saturation *= more_saturation
    return node


def _missing(reading: SkinReading, target: SkinTarget) -> tuple[float, float]:
    """Return the turn and the factor that are still missing from a reading to the target."""
    rests = {"centre": reading.angle, "redder": reading.hue_range[1], "yellower": reading.hue_range[0]}
    turn = _wrapped(target.angle + target.bias - rests[target.landing])
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
            angle=_wrapped(lit),
            saturation=min(saturation, 4.0),
            shadow_angle=_wrapped(shadow - lit),
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
    hue = (np.degrees(np.arctan2(cr, cb)) - reading.angle + 180) % 360 - 180
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
