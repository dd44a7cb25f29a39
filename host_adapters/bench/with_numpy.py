"""The chain in NumPy and SciPy: whole-picture expressions in float32 and the filters of scipy.ndimage."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy import ndimage

from ...kernels.arrays import Floats
from . import chains
from .peers import BLURS, EVERYWHERE, GROWS, Rows, Scene
from .plan import Plan

F = np.float32


def rows(scene: Scene) -> Rows:
    """Return the rows. Every expression keeps to float32; temporaries are as NumPy makes them."""
    plan, plain, image, matte = Plan.of(scene), Plan.of(scene, chains.PLAIN), scene.image, scene.matte
    made: Rows = {
        "range key": lambda: key(plan, image),
        "soften": lambda: soften(plan, matte, image),
        "steer": lambda: steer(plan, image, matte),
        EVERYWHERE: lambda: image @ plan.turn.T,
        "plain chain": lambda: steer(plain, image, blur(plain, key(plain, image))),
        "chain": lambda: steer(plan, image, soften(plan, key(plan, image), image)),
        "count of chroma": lambda: count_of_chroma(plan, image),
    }
    for sigma in BLURS:
        made[f"blur σ {sigma:g}"] = lambda sigma=sigma: ndimage.gaussian_filter(matte, sigma, mode="nearest")  # type: ignore[misc]
    for radius in GROWS:
        made[f"grow r {radius}"] = lambda size=2 * radius + 1: ndimage.maximum_filter(matte, size, mode="nearest")  # type: ignore[misc]
    return made


def _smooth(t: Any) -> Any:
    t = np.clip(t, F(0), F(1))
    return t * t * (F(3) - F(2) * t)


def key(plan: Plan, image: Floats) -> Floats:
    """Return the matte of the ranges."""
    luma = image @ plan.luma
    cb = (image[..., 2] - luma) * F(1 / 1.8556)
    cr = (image[..., 0] - luma) * F(1 / 1.5748)
    chroma = np.sqrt(cb * cb + cr * cr)
    off = np.arctan2(cr, cb) * F(180 / math.pi) - F(plan.hue)
    off = np.abs(off - F(360) * np.rint(off * F(1 / 360)))
    matte: Floats = _smooth((F(plan.hue_half) - off) * F(plan.hue_slope))
    for plane, (low, high, slope) in ((chroma, plan.chroma), (luma, plan.levels)):
        matte *= _smooth((plane - F(low)) * F(slope))
        matte *= _smooth((F(high) - plane) * F(slope))
    return matte


def _share(matte: Floats, radius: float) -> Floats:
    size = 2 * round(radius) + 1
    mean: Floats = ndimage.uniform_filter(matte, size, mode="nearest")
    return mean


def soften(plan: Plan, matte: Floats, image: Floats) -> Floats:
    """Return the matte without specks and pinholes, led by the picture's edges, blurred and levelled."""
    matte = matte * _smooth((_share(matte, plan.speck_radius) - F(0.10)) * F(1 / 0.25))
    matte = np.maximum(matte, _smooth((_share(matte, plan.pinhole_radius) - F(0.62)) * F(1 / 0.20)))
    matte += F(plan.follow) * (_guided(plan, matte, image @ plan.luma) - matte)
    return blur(plan, matte)


def blur(plan: Plan, matte: Floats) -> Floats:
    """Return the matte blurred and levelled."""
    matte = ndimage.gaussian_filter(matte, plan.sigma, mode="nearest")
    levelled: Floats = np.clip((matte - F(plan.floor)) * F(1 / (plan.ceiling - plan.floor)), F(0), F(1))
    return levelled


def _guided(plan: Plan, matte: Floats, guide: Floats) -> Floats:
    """The fast guided filter: its coefficients on a grid reduced by a whole factor, interpolated to full size."""
    f, radius = plan.guide_factor, plan.guide_radius / plan.guide_factor
    low, low_guide = _reduce(matte, f), _reduce(guide, f)
    mean, mean_guide = _share(low, radius), _share(low_guide, radius)
    covariance = _share(low * low_guide, radius) - mean * mean_guide
    variance = _share(low_guide * low_guide, radius) - mean_guide * mean_guide
    slope: Any = covariance / (np.maximum(variance, F(0)) + F(plan.epsilon))
    offset = mean - slope * mean_guide
    slope, offset = (_enlarge(_share(plane, radius), f, matte.shape) for plane in (slope, offset))
    led: Floats = np.clip(slope * guide + offset, F(0), F(1))
    return led


def _reduce(plane: Floats, factor: int) -> Floats:
    height, width = plane.shape
    padded = np.pad(plane, ((0, -height % factor), (0, -width % factor)), mode="edge")
    cells = padded.reshape(padded.shape[0] // factor, factor, padded.shape[1] // factor, factor)
    mean: Floats = cells.mean(axis=(1, 3), dtype=np.float32)
    return mean


def _enlarge(plane: Floats, factor: int, shape: tuple[int, ...]) -> Floats:
    """Interpolate along rows, then along columns: two small matrix-free lerps are faster than ndimage.zoom."""
    for axis, count in enumerate(shape):
        place = np.clip((np.arange(count) + 0.5) / factor - 0.5, 0, plane.shape[axis] - 1)
        first = np.minimum(place.astype(np.intp), max(plane.shape[axis] - 2, 0))
        part = (place - first).astype(np.float32)
        part = part[:, None] if axis == 0 else part
        start, end = plane.take(first, axis), plane.take(np.minimum(first + 1, plane.shape[axis] - 1), axis)
        plane = start + part * (end - start)
    return plane


def steer(plan: Plan, image: Floats, matte: Floats) -> Floats:
    """Return the picture turned by the matte: the turn of hue and saturation is one 3×3."""
    steered: Floats = image + matte[..., None] * (image @ plan.step.T)
    return steered


def count_of_chroma(plan: Plan, image: Floats) -> Any:
    """Return the pixels in every cell of the Cb/Cr plane."""
    size = chains.BINS
    chroma = image @ plan.chroma_rows.T
    bins = np.clip((chroma + F(0.5)) * F(size), 0, size - 1).astype(np.int32)
    return np.bincount((bins[..., 1] * size + bins[..., 0]).ravel(), minlength=size * size).reshape(size, size)
