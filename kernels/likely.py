"""How likely every pixel of a reduced frame is the sampled skin, as real pictures taught it.

Growing from the samples finds what the picture leads to without a step, and misses the shadow side of a face, an arm
behind a sleeve, a second person. Here every second pixel of every second row is judged by some forty figures: how its
colour lies to that of the samples, to what this skin is in other shading, to the marks of what is no skin and to what
lies along the frame's rim; its texture and edges; the ways to it from the samples; the likelihood and the pieces that
the growing found; all that round it; and figures of the frame. A network of one hidden layer weighs them
(:data:`FIT`), fitted on real and on generated pictures with drawn and exact truth. It knows no place of the frame but
the height of a pixel, and no colour but in relation to the samples', hue and chroma/luma aside.
"""

from __future__ import annotations

import functools
import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from . import join, learn
from .arrays import Floats

Doubles = NDArray[np.float64]
Flags = NDArray[np.bool_]

FIT = Path(__file__).with_name("likely.json")
"""The fit: names of the figures, their means and deviations, and the weights of the network."""

_FARTHEST = 3.0
_UNSEEN = 5.0
_MOST = 12.0
_NEAR, _ROUND, _FAR = 5, 9, 15
_BOLD = 1.0
"""Log-odds of skin that a reach e times as long adds to what the ways, that seem so much shorter, do."""


@dataclass(frozen=True)
class Told:
    """What is known of a frame beside a first attempt's view of it.

    :ivar texture: float32 (h, w), in doublings, of :func:`.face.cells_of`. :ivar step: float32 (h, w), 0 to 1, how much
        of a rim a pixel is. :ivar matte: float32 (h, w), of the first attempt. :ivar soft, flat, area: its signs.
    """

    texture: Floats
    step: Floats
    matte: Floats
    soft: float
    flat: float
    area: float


def figures(view: learn.View, told: Told, reach: float = 1.0) -> dict[str, Floats]:
    """Return the figures of every second pixel of every second row by name, float32 (h, w) each.

    :param reach: how near everything counts: ways from the samples are divided by it.
    """
    frame, seeds = view.frame, view.seeds
    rows, columns = frame.luma.shape
    hue_of, ratio_of = math.atan2(view.centre[1], view.centre[0]), math.hypot(*view.centre)
    level_of = float(np.median(frame.luma[seeds].astype(np.float64)))
    ratio, angle = np.hypot(frame.u, frame.v), np.arctan2(frame.v, frame.u)
    hue = (angle - np.float32(hue_of) + np.float32(math.pi)) % np.float32(2 * math.pi) - np.float32(math.pi)
    unlike = _unlike(frame, learn.colours_of_skin([frame], [seeds]))
    texture = told.texture - np.float32(max(float(np.median(told.texture[seeds])), join.SMOOTHEST))
    down, right = (np.mgrid[:rows, :columns] / rows).astype(np.float32)
    labels, area = join.pieces(told.matte > 0.5)
    own = np.zeros(len(area), np.bool_)
    own[np.unique(labels[seeds])] = True
    own[0] = False
    size = np.where(np.arange(len(area)) > 0, area, 0)
    largest = max(int(size[own].sum()), 1)
    found = {
        "hue": hue,
        "stops": np.clip(np.log2((frame.luma + 0.02) / (level_of + 0.02)), -5, 5),
        "chroma": np.log2((ratio + 0.02) / (ratio_of + 0.02)),
        "unlike": unlike,
        "luma": frame.luma,
        "angle": angle,
        "ratio": ratio,
        "texture": texture,
        "step": told.step,
        "away": view.away() / reach,
        "parted": np.minimum(view.parted / reach, _FARTHEST),
        "way": np.minimum(view.way(seeds, view.likely) / reach, _FARTHEST),
        "wide way": np.minimum(view.way(seeds, np.sqrt(view.wide)) / reach, _FARTHEST),
        "wide": view.wide,
        "likely": view.likely,
        "piece": np.log2((size[labels] + 1) / largest),
        "marked piece": own[labels],
        "unlike near": _mean(unlike, _NEAR),
        "unlike round": _mean(unlike, _FAR),
        "hue near": _mean(hue, _NEAR),
        "likely near": _mean(view.likely, 7),
        "likely round": _mean(view.likely, 24),
        "texture near": _mean(texture, 7),
        "step round": _mean(told.step, _ROUND),
        "height": down,
        "below": down - down[seeds].mean(dtype=np.float64),
        "beside": np.abs(right - right[seeds].mean(dtype=np.float64)),
        "rank": np.searchsorted(np.sort(unlike, axis=None), unlike) / unlike.size,
        "rim": _rim(view),
        "unlike subtracted": np.full_like(unlike, _UNSEEN),
        "way subtracted": np.full_like(unlike, _FARTHEST),
    }
    if frame.subtract.any():
        found["unlike subtracted"] = _unlike(frame, learn.colours_of_skin([frame], [frame.subtract]))
        found["way subtracted"] = np.minimum(view.way(frame.subtract, view.likely), _FARTHEST)
    of_frame = {
        "area": math.log2(told.area + 0.005),
        "wide area": float((view.wide > 0.3).mean()),
        "skin ratio": ratio_of,
        "skin luma": level_of,
        "soft": told.soft,
        "flat": told.flat,
        "marked": math.log2(float(seeds.mean()) + 1e-4),
    }
    half = {name: np.asarray(plane[::2, ::2], np.float32) for name, plane in found.items()}
    shape = half["hue"].shape
    return half | {name: np.full(shape, value, np.float32) for name, value in of_frame.items()}


def likely_skin(view: learn.View, told: Told, reach: float = 1.0) -> Floats:
    """Return how likely every pixel of a frame is the sampled skin, float32 (h, w), 0 to 1.

    :param view: of a frame with samples of skin. :param reach: how far the key spreads from them, 1 as usual.
    """
    rows, columns = view.frame.luma.shape
    half = _judged(figures(view, told, reach), _BOLD * math.log(reach))
    return np.repeat(np.repeat(half, 2, axis=0), 2, axis=1)[:rows, :columns]


def _unlike(frame: learn.Frame, colours: Doubles) -> Floats:
    """Return the logarithm of the squared distance from the nearest of some colours, float32 (h, w)."""
    return np.log(learn.distance_from_skin(frame.u, frame.v, frame.luma, colours) + np.float32(0.1))


def _rim(view: learn.View) -> Floats:
    """Return how much more often a pixel's colour occurs along the frame's left, upper and right rim than elsewhere."""
    rows, columns = view.frame.luma.shape
    rim = np.zeros((rows, columns), np.bool_)
    wide = max(2, round(0.05 * rows))
    rim[:wide] = rim[:, :wide] = rim[:, -wide:] = True
    sigmas = (1.0, 1.0, 1.5)
    along = view.frequency(rim, sigmas) * np.float32(rim.size / int(rim.sum()))
    return np.log((along + np.float32(0.3)) / (view.frequency(np.ones_like(rim), sigmas) + np.float32(0.3)))


def _mean(plane: Floats, radius: int) -> Floats:
    """Return the mean over squares of side 2 · radius + 1, cut at the frame's edge, float32 (h, w)."""
    rows, columns = plane.shape
    total = np.zeros((rows + 1, columns + 1))
    np.cumsum(np.cumsum(plane, axis=0, dtype=np.float64), axis=1, out=total[1:, 1:])
    top, low = _ends(rows, radius)
    left, right = _ends(columns, radius)
    sums = total[low][:, right] - total[top][:, right] - total[low][:, left] + total[top][:, left]
    return np.asarray(sums / ((low - top)[:, None] * (right - left)[None, :]), np.float32)


def _ends(size: int, radius: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    places = np.arange(size)
    return np.clip(places - radius, 0, size), np.clip(places + radius + 1, 0, size)


# --- the fit ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Fit:
    """A network of one hidden layer over figures in parts of their deviations.

    :ivar names: of the figures. :ivar mean, deviation: float32 (n,). :ivar inner: float32 (hidden, n + 1), weights and
        offset of every hidden unit. :ivar outer: float32 (hidden + 1,).
    """

    names: tuple[str, ...]
    mean: Floats
    deviation: Floats
    inner: Floats
    outer: Floats


@functools.cache
def fit() -> Fit:
    """Return the fit, read once.

    >>> len(fit().names) == len(fit().mean), fit().inner.shape[0] + 1 == len(fit().outer)
    (True, True)
    """
    told = json.loads(FIT.read_text(encoding="utf-8"))
    planes = (np.array(told[name], np.float32) for name in ("mean", "deviation", "inner", "outer"))
    return Fit(tuple(told["names"]), *planes)


def _judged(found: dict[str, Floats], more: float = 0.0) -> Floats:
    """Weigh figures by the fit, with ``more`` log-odds of skin. Every sum runs in a fixed order, figure by figure."""
    net = fit()
    inputs = [
        np.clip((found[name] - mean) / deviation, -4, 4)
        for name, mean, deviation in zip(net.names, net.mean, net.deviation, strict=True)
    ]
    odds = np.full(inputs[0].shape, net.outer[-1] + np.float32(more), np.float32)
    part = np.empty_like(odds)
    for weights, outer in zip(net.inner, net.outer, strict=False):
        unit = np.full_like(odds, weights[-1])
        for weight, plane in zip(weights, inputs, strict=False):
            np.multiply(plane, weight, out=part)
            unit += part
        np.maximum(unit, 0, out=unit)
        unit *= outer
        odds += unit
    return np.asarray(1 / (1 + np.exp(-np.clip(odds, -_MOST, _MOST))), np.float32)
