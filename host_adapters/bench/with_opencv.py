"""The chain in OpenCV: as one would write it, and again with every result in a buffer that is kept."""

from __future__ import annotations

from typing import Any

import cv2 as opencv
import numpy as np

from ...kernels.arrays import Floats
from ...kernels.resample import factor_for
from . import chains
from .peers import BLURS, EVERYWHERE, GROWS, Rows, Scene
from .plan import Plan

cv2: Any = opencv
"""The module without its stubs, which know no numbers beside pictures."""

_EDGE = cv2.BORDER_REPLICATE


def rows(scene: Scene) -> Rows:
    """Return the rows, each result allocated by OpenCV."""
    cv2.setNumThreads(scene.threads)
    plan, plain, image, matte = Plan.of(scene), Plan.of(scene, chains.PLAIN), scene.image, scene.matte
    made: Rows = {
        "range key": lambda: key(plan, image),
        "soften": lambda: soften(plan, matte, image),
        "steer": lambda: steer(plan, image, matte),
        EVERYWHERE: lambda: cv2.transform(image, plan.turn),
        "plain chain": lambda: steer(plain, image, blur(plain, key(plain, image))),
        "chain": lambda: steer(plan, image, soften(plan, key(plan, image), image)),
        "count of chroma": lambda: count_of_chroma(plan, image),
    }
    for sigma in BLURS:
        made[f"blur σ {sigma:g}"] = lambda sigma=sigma: cv2.GaussianBlur(matte, (0, 0), sigma, borderType=_EDGE)  # type: ignore[misc]
    for radius in GROWS:
        square = np.ones((2 * radius + 1, 2 * radius + 1), np.uint8)
        made[f"grow r {radius}"] = lambda square=square: cv2.dilate(matte, square)  # type: ignore[misc]
    return made


def _line(plane: Any, scale: float, shift: float) -> Any:
    return cv2.addWeighted(plane, scale, plane, 0, shift)


def _smooth(t: Any) -> Any:
    t = cv2.min(cv2.max(t, 0), 1)
    return cv2.multiply(cv2.multiply(t, t), _line(t, -2, 3))


def key(plan: Plan, image: Floats) -> Any:
    """Return the matte of the ranges."""
    luma, cb, cr = cv2.split(cv2.transform(image, plan.ycbcr))
    chroma, angle = cv2.cartToPolar(cb, cr, angleInDegrees=True)
    off = cv2.absdiff(angle, plan.hue)
    off = cv2.min(off, _line(off, -1, 360))
    matte = _smooth(_line(off, -plan.hue_slope, plan.hue_half * plan.hue_slope))
    for plane, (low, high, slope) in ((chroma, plan.chroma), (luma, plan.levels)):
        matte = cv2.multiply(matte, _smooth(_line(plane, slope, -low * slope)))
        matte = cv2.multiply(matte, _smooth(_line(plane, -slope, high * slope)))
    return matte


def _share(matte: Any, radius: float, like: Any) -> Any:
    """Mean all round, on a grid reduced as far as the radius allows."""
    factor = factor_for(radius)
    low = cv2.resize(matte, _reduced(matte, factor), interpolation=cv2.INTER_AREA) if factor > 1 else matte
    low = _mean(low, radius / factor)
    return cv2.resize(low, like.shape[1::-1], interpolation=cv2.INTER_LINEAR) if factor > 1 else low


def _reduced(plane: Any, factor: int) -> tuple[int, int]:
    return -(-plane.shape[1] // factor), -(-plane.shape[0] // factor)


def _mean(plane: Any, radius: float) -> Any:
    size = 2 * round(radius) + 1
    return cv2.blur(plane, (size, size), borderType=_EDGE)


def soften(plan: Plan, matte: Any, image: Floats) -> Any:
    """Return the matte without specks and pinholes, led by the picture's edges, blurred and levelled."""
    matte = cv2.multiply(matte, _smooth(_line(_share(matte, plan.speck_radius, matte), 4, -0.4)))
    matte = cv2.max(matte, _smooth(_line(_share(matte, plan.pinhole_radius, matte), 5, -3.1)))
    guided = _guided(plan, matte, cv2.transform(image, plan.luma[None]))
    return blur(plan, cv2.addWeighted(guided, plan.follow, matte, 1 - plan.follow, 0))


def blur(plan: Plan, matte: Any) -> Any:
    """Return the matte blurred and levelled."""
    matte = cv2.GaussianBlur(matte, (0, 0), plan.sigma, borderType=_EDGE)
    scale = 1 / (plan.ceiling - plan.floor)
    return cv2.min(cv2.max(_line(matte, scale, -plan.floor * scale), 0), 1)


def _guided(plan: Plan, matte: Any, guide: Any) -> Any:
    """The fast guided filter."""
    size, radius = _reduced(matte, plan.guide_factor), plan.guide_radius / plan.guide_factor
    low = cv2.resize(matte, size, interpolation=cv2.INTER_AREA)
    low_guide = cv2.resize(guide, size, interpolation=cv2.INTER_AREA)
    mean, mean_guide = _mean(low, radius), _mean(low_guide, radius)
    covariance = cv2.subtract(_mean(cv2.multiply(low, low_guide), radius), cv2.multiply(mean, mean_guide))
    variance = cv2.subtract(_mean(cv2.multiply(low_guide, low_guide), radius), cv2.multiply(mean_guide, mean_guide))
    slope = cv2.divide(covariance, cv2.add(variance, plan.epsilon))
    offset = cv2.subtract(mean, cv2.multiply(slope, mean_guide))
    full = matte.shape[1::-1]
    slope = cv2.resize(_mean(slope, radius), full, interpolation=cv2.INTER_LINEAR)
    offset = cv2.resize(_mean(offset, radius), full, interpolation=cv2.INTER_LINEAR)
    return cv2.min(cv2.max(cv2.add(cv2.multiply(slope, guide), offset), 0), 1)


def steer(plan: Plan, image: Floats, matte: Any) -> Any:
    """Return the picture turned by the matte."""
    return cv2.blendLinear(cv2.transform(image, plan.turn), image, matte, cv2.subtract(1.0, matte))


def count_of_chroma(plan: Plan, image: Floats) -> Any:
    """Return the pixels in every cell of the Cb/Cr plane."""
    size = chains.BINS
    chroma = cv2.transform(image, plan.chroma_rows)
    return cv2.calcHist([chroma], [1, 0], None, [size, size], [-0.5, 0.5, -0.5, 0.5])


# --- with buffers that are kept --------------------------------------------------------------------------------


class _Buffers:
    """Planes of one size, made once and handed out by name; each name is one array for ever."""

    def __init__(self) -> None:
        self.kept: dict[tuple[Any, ...], Any] = {}

    def __call__(self, name: str, shape: tuple[int, ...]) -> Any:
        key = (name, *shape)
        if key not in self.kept:
            self.kept[key] = np.zeros(shape, np.float32)
        return self.kept[key]


def tuned_rows(scene: Scene) -> Rows:
    """Return the rows with ``dst=`` everywhere: after the first run nothing is allocated."""
    cv2.setNumThreads(scene.threads)
    tuned, plain = _Tuned(Plan.of(scene), scene.image), _Tuned(Plan.of(scene, chains.PLAIN), scene.image)
    image, matte = scene.image, scene.matte
    made: Rows = {
        "range key": lambda: tuned.key(image),
        "soften": lambda: tuned.soften(matte, image),
        "steer": lambda: tuned.steer(image, matte),
        EVERYWHERE: lambda: cv2.transform(image, tuned.plan.turn, tuned.buffers("turned", image.shape)),
        "plain chain": lambda: plain.steer(image, plain.blur(plain.key(image))),
        "chain": lambda: tuned.steer(image, tuned.soften(tuned.key(image), image)),
        "count of chroma": lambda: tuned.count_of_chroma(image),
    }
    plane = tuned.buffers("plane", matte.shape)
    for sigma in BLURS:
        made[f"blur σ {sigma:g}"] = lambda sigma=sigma: cv2.GaussianBlur(  # type: ignore[misc]
            matte, (0, 0), sigma, dst=plane, borderType=_EDGE
        )
    for radius in GROWS:
        square = np.ones((2 * radius + 1, 2 * radius + 1), np.uint8)
        made[f"grow r {radius}"] = lambda square=square: cv2.dilate(matte, square, dst=plane)  # type: ignore[misc]
    return made


class _Tuned:
    """The same steps in place, or into buffers that are kept."""

    def __init__(self, plan: Plan, image: Floats) -> None:
        self.plan, self.buffers, self.shape = plan, _Buffers(), image.shape[:2]

    def _plane(self, name: str) -> Any:
        return self.buffers(name, self.shape)

    def _line(self, plane: Any, scale: float, shift: float, out: Any) -> Any:
        return cv2.addWeighted(plane, scale, plane, 0, shift, out)

    def _smooth(self, t: Any) -> Any:
        """In place."""
        rest = self._plane("rest")
        cv2.min(cv2.max(t, 0, t), 1, t)
        self._line(t, -2, 3, rest)
        cv2.multiply(t, t, t)
        return cv2.multiply(t, rest, t)

    def key(self, image: Floats) -> Any:
        plan, ramp, matte = self.plan, self._plane("ramp"), self._plane("matte")
        colour = cv2.transform(image, plan.ycbcr, self.buffers("colour", image.shape))
        luma, cb, cr = cv2.split(colour, [self._plane(name) for name in ("luma", "cb", "cr")])
        chroma, angle = cv2.cartToPolar(cb, cr, self._plane("chroma"), self._plane("angle"), angleInDegrees=True)
        cv2.absdiff(angle, plan.hue, angle)
        cv2.min(angle, self._line(angle, -1, 360, ramp), angle)
        self._smooth(self._line(angle, -plan.hue_slope, plan.hue_half * plan.hue_slope, matte))
        for plane, (low, high, slope) in ((chroma, plan.chroma), (luma, plan.levels)):
            cv2.multiply(matte, self._smooth(self._line(plane, slope, -low * slope, ramp)), matte)
            cv2.multiply(matte, self._smooth(self._line(plane, -slope, high * slope, ramp)), matte)
        return matte

    def _resized(self, plane: Any, size: tuple[int, int], how: int, name: str) -> Any:
        return cv2.resize(plane, size, dst=self.buffers(name, size[::-1]), interpolation=how)

    def _mean(self, plane: Any, radius: float, name: str) -> Any:
        size = 2 * round(radius) + 1
        return cv2.blur(plane, (size, size), dst=self.buffers(name, plane.shape), borderType=_EDGE)

    def _share(self, matte: Any, radius: float) -> Any:
        factor = factor_for(radius)
        if factor == 1:
            return self._mean(matte, radius, "share")
        low = self._resized(matte, _reduced(matte, factor), cv2.INTER_AREA, "low")
        low = self._mean(low, radius / factor, "low mean")
        return self._resized(low, self.shape[::-1], cv2.INTER_LINEAR, "share")

    def soften(self, matte: Any, image: Floats) -> Any:
        plan, ramp, soft = self.plan, self._plane("ramp"), self._plane("soft")
        share = self._share(matte, plan.speck_radius)
        cv2.multiply(matte, self._smooth(self._line(share, 4, -0.4, ramp)), soft)
        share = self._share(soft, plan.pinhole_radius)
        cv2.max(soft, self._smooth(self._line(share, 5, -3.1, ramp)), soft)
        guide = cv2.transform(image, plan.luma[None], self._plane("guide"))
        return self.blur(cv2.addWeighted(self._guided(soft, guide), plan.follow, soft, 1 - plan.follow, 0, soft))

    def blur(self, matte: Any) -> Any:
        plan, ramp, soft = self.plan, self._plane("ramp"), self._plane("soft")
        cv2.GaussianBlur(matte, (0, 0), plan.sigma, dst=ramp, borderType=_EDGE)
        scale = 1 / (plan.ceiling - plan.floor)
        self._line(ramp, scale, -plan.floor * scale, soft)
        return cv2.min(cv2.max(soft, 0, soft), 1, soft)

    def _guided(self, matte: Any, guide: Any) -> Any:
        plan = self.plan
        size, radius = _reduced(matte, plan.guide_factor), plan.guide_radius / plan.guide_factor
        low = self._resized(matte, size, cv2.INTER_AREA, "low matte")
        low_guide = self._resized(guide, size, cv2.INTER_AREA, "low guide")
        product, square = (self.buffers(name, low.shape) for name in ("product", "square"))
        cv2.multiply(low, low_guide, product)
        cv2.multiply(low_guide, low_guide, square)
        mean, mean_guide = self._mean(low, radius, "mean"), self._mean(low_guide, radius, "mean guide")
        covariance, variance = self._mean(product, radius, "covariance"), self._mean(square, radius, "variance")
        cv2.subtract(covariance, cv2.multiply(mean, mean_guide, product), covariance)
        cv2.subtract(variance, cv2.multiply(mean_guide, mean_guide, square), variance)
        slope = cv2.divide(covariance, cv2.add(variance, plan.epsilon, variance), covariance)
        offset = cv2.subtract(mean, cv2.multiply(slope, mean_guide, product), mean)
        full = self.shape[::-1]
        slope = self._resized(self._mean(slope, radius, "product"), full, cv2.INTER_LINEAR, "slope")
        offset = self._resized(self._mean(offset, radius, "square"), full, cv2.INTER_LINEAR, "offset")
        cv2.add(cv2.multiply(slope, guide, slope), offset, slope)
        return cv2.min(cv2.max(slope, 0, slope), 1, slope)

    def steer(self, image: Floats, matte: Any) -> Any:
        turned = cv2.transform(image, self.plan.turn, self.buffers("turned", image.shape))
        rest = cv2.subtract(1.0, matte, self._plane("rest"))
        return cv2.blendLinear(turned, image, matte, rest, self.buffers("result", image.shape))

    def count_of_chroma(self, image: Floats) -> Any:
        chroma = cv2.transform(image, self.plan.chroma_rows, self.buffers("chroma pair", (*self.shape, 2)))
        size = chains.BINS
        return cv2.calcHist([chroma], [1, 0], None, [size, size], [-0.5, 0.5, -0.5, 0.5])
