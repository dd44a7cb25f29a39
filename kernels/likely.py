"""How likely every pixel of a reduced frame is the sampled skin, as real pictures taught it.

Growing from the samples finds what the picture leads to without a step, and misses the shadow side of a face, an arm
behind a sleeve, a second person. Here every second pixel of every second row is judged by some forty figures: how its
colour lies to that of the samples, to what this skin is in other shading, to the marks of what is no skin and to what
lies along the frame's rim; its texture and edges; the ways to it from the samples; the likelihood and the pieces that
the growing found; all that round it; and figures of the frame. Where a face joins, further ones tell how the pixel lies
to it, what it says of the matte, how unlike its colours the pixel is, and whether persons are there. A network of one
hidden layer weighs them (:data:`FIT`, one of them where no face joins, and one where one does), fitted on real and on
generated pictures with drawn and exact truth. It knows no place of the frame but the height of a pixel, and no colour
but in relation to the samples', hue and chroma/luma aside.
"""

from __future__ import annotations

import functools
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import join, learn
from .arrays import Floats
from .face import Placed

Doubles = NDArray[np.float64]
Flags = NDArray[np.bool_]

FIT = Path(__file__).with_name("likely.json")
"""The fits: names of the figures, their means and deviations, and the weights of the networks."""

_FARTHEST = 3.0
_UNSEEN = 5.0
_MOST = 12.0
_NEAR, _ROUND, _FAR = 2, 4, 7
_MIDDLE = 0.42
"""Where the middle of a drawn face lies below the eyes, in distances of the pupils."""
_LEAST_BARE = 0.02
"""What keeps the odds of a likelihood of 0 or 1 finite."""
_BOLD = 1.0
"""Log-odds of skin that a reach e times as long adds to what the ways, that seem so much shorter, do."""


@dataclass(frozen=True)
class Told:
    """What is known of a frame beside a first attempt's view of it.

    :ivar texture: float32 (h, w), in doublings, of :func:`.face.cells_of`. :ivar step: float32 (h, w), 0 to 1, how much
        of a rim a pixel is. :ivar matte: float32 (h, w), of the first attempt. :ivar soft, flat, area: its signs.
    :ivar evidence: float32 (h, w), what all faces say of the matte, see :mod:`.join`; None where no face is known.
    :ivar core: bool (h, w), what is safely skin of a joined face. :ivar faces: where the joined faces lie.
    """

    texture: Floats
    step: Floats
    matte: Floats
    soft: float
    flat: float
    area: float
    evidence: Floats | None = None
    core: Flags | None = None
    faces: tuple[Placed, ...] = ()


def figures(view: learn.View, told: Told, reach: float = 1.0) -> dict[str, Floats]:
    """Return the figures of every second pixel of every second row by name, float32 (h, w) each.

    :param reach: how near everything counts: ways from the samples are divided by it.
    """
    frame, seeds = view.frame, view.seeds
    luma, u, v = (_half(plane) for plane in (frame.luma, frame.u, frame.v))
    rows, columns = luma.shape
    hue_of, ratio_of = math.atan2(view.centre[1], view.centre[0]), math.hypot(*view.centre)
    level_of = float(np.median(frame.luma[seeds].astype(np.float64)))
    ratio, angle = np.hypot(u, v), np.arctan2(v, u)
    hue = (angle - np.float32(hue_of) + np.float32(math.pi)) % np.float32(2 * math.pi) - np.float32(math.pi)
    unlike = _unlike((u, v, luma), learn.colours_of_skin([frame], [seeds]))
    base = max(float(np.median(told.texture[seeds].astype(np.float64))), join.SMOOTHEST)
    texture, step = _half(told.texture) - np.float32(base), _half(told.step)
    likely, wide = _half(view.likely), _half(view.wide)
    down, right = (np.mgrid[:rows, :columns] * (2 / frame.luma.shape[0])).astype(np.float32)
    marked_down, marked_right = (float(place.mean()) / frame.luma.shape[0] for place in np.nonzero(seeds))
    labels, area = join.pieces(told.matte > 0.5)
    own = np.zeros(len(area), np.bool_)
    own[np.unique(labels[seeds])] = True
    own[0] = False
    size = np.where(np.arange(len(area)) > 0, area, 0)
    largest = max(int(size[own].sum()), 1)
    labels = _half(labels)
    found = {
        "hue": hue,
        "stops": np.clip(np.log2((luma + 0.02) / (level_of + 0.02)), -5, 5),
        "chroma": np.log2((ratio + 0.02) / (ratio_of + 0.02)),
        "unlike": unlike,
        "luma": luma,
        "angle": angle,
        "ratio": ratio,
        "texture": texture,
        "step": step,
        "away": learn.plain_distance(_marked_cells(seeds)) / reach,
        "parted": np.minimum(_half(view.parted) / reach, _FARTHEST),
        "way": np.minimum(_half(view.way(seeds, view.likely)) / reach, _FARTHEST),
        "wide way": np.minimum(_half(view.way(seeds, np.sqrt(view.wide))) / reach, _FARTHEST),
        "wide": wide,
        "likely": likely,
        "piece": np.log2((size[labels] + 1) / largest),
        "marked piece": own[labels],
        "unlike near": _mean(unlike, _NEAR),
        "unlike round": _mean(unlike, _FAR),
        "hue near": _mean(hue, _NEAR),
        "likely near": _mean(likely, 3),
        "likely round": _mean(likely, 12),
        "texture near": _mean(texture, 3),
        "step round": _mean(step, _ROUND),
        "height": down,
        "below": down - np.float32(marked_down),
        "beside": np.abs(right - np.float32(marked_right)),
        "rank": np.searchsorted(np.sort(unlike, axis=None), unlike) / unlike.size,
        "rim": _rim(view),
        "unlike subtracted": np.full_like(unlike, _UNSEEN),
        "way subtracted": np.full_like(unlike, _FARTHEST),
    }
    if frame.subtract.any():
        found["unlike subtracted"] = _unlike((u, v, luma), learn.colours_of_skin([frame], [frame.subtract]))
        found["way subtracted"] = np.minimum(_half(view.way(frame.subtract, view.likely)), _FARTHEST)
    of_frame = {
        "area": math.log2(told.area + 0.005),
        "wide area": float((wide > 0.3).mean()),
        "skin ratio": ratio_of,
        "skin luma": level_of,
        "soft": told.soft,
        "flat": told.flat,
        "marked": math.log2(float(seeds.mean()) + 1e-4),
    }
    if frame.bare is not None:
        of_frame |= _by_bare_skin(found, frame.bare, view)
    if told.evidence is not None and told.core is not None:
        of_frame |= _by_person(found, view) | _by_faces(found, view, told.evidence, told.core, told)
    planes = {name: np.asarray(plane, np.float32) for name, plane in found.items()}
    return planes | {name: np.full((rows, columns), value, np.float32) for name, value in of_frame.items()}


def _half(plane: NDArray[Any]) -> NDArray[Any]:
    """Return every second value of every second row."""
    return np.ascontiguousarray(plane[::2, ::2])


def _marked_cells(seeds: Flags) -> Flags:
    """Return which squares of 2 × 2 pixels hold a sample."""
    rows, columns = seeds.shape
    whole = np.zeros((rows + rows % 2, columns + columns % 2), np.bool_)
    whole[:rows, :columns] = seeds
    return np.asarray(whole.reshape(whole.shape[0] // 2, 2, -1, 2).any(axis=(1, 3)))


def _by_person(found: dict[str, Floats], view: learn.View) -> dict[str, float]:
    """Add what the map of persons tells of every pixel; return what it tells of the frame."""
    person = view.frame.person
    if person is None:
        return {}
    half = _half(person)
    found |= {"person": half, "person near": _mean(half, 2), "person round": _mean(half, _FAR)}
    return {
        "person area": float(person.mean(dtype=np.float64)),
        "person marked": float(person[view.seeds].mean(dtype=np.float64)),
    }


def _by_bare_skin(found: dict[str, Floats], bare: Floats, view: learn.View) -> dict[str, float]:
    """Add what the map of bare skin tells of every pixel; return what it tells of the frame."""
    wide, likely = (float((bare * plane).sum(dtype=np.float64)) for plane in (view.wide, view.likely))
    half = _half(bare)
    found |= {
        "bare": np.log((half + np.float32(_LEAST_BARE)) / (np.float32(1 + _LEAST_BARE) - half)),
        "bare near": _mean(half, 2),
        "bare round": _mean(half, _FAR),
    }
    return {
        "bare area": float(bare.mean(dtype=np.float64)),
        "bare marked": float(bare[view.seeds].mean(dtype=np.float64)),
        "bare wide": wide / max(float(view.wide.sum(dtype=np.float64)), 1e-9),
        "bare likely": likely / max(float(view.likely.sum(dtype=np.float64)), 1e-9),
    }


def _by_faces(
    found: dict[str, Floats], view: learn.View, evidence: Floats, core: Flags, told: Told
) -> dict[str, float]:
    """Add what the joined faces tell of every pixel; return what they tell of the frame."""
    frame = view.frame
    assert frame.face is not None
    assert frame.around is not None
    luma, u, v = (_half(plane) for plane in (frame.luma, frame.u, frame.v))
    face, around, evidence, laid = (_half(p) for p in (frame.face, frame.around, evidence, told.matte))
    unlike = np.full_like(luma, _UNSEEN)
    if core.any():
        unlike = _unlike((u, v, luma), learn.colours_of_skin([frame], [core]))
    rows, columns = luma.shape
    y, x = 2 * np.mgrid[:rows, :columns].astype(np.float32)
    away = np.full(luma.shape, 64, np.float32)
    down, across = np.zeros_like(away), np.zeros_like(away)
    largest = 0.0
    for placed in told.faces:
        a, b, size = placed.a, placed.b, placed.a**2 + placed.b**2
        dx, dy = x - np.float32(placed.x), y - np.float32(placed.y)
        own_across, own_down = (a * dx + b * dy) / size, (a * dy - b * dx) / size
        here = np.hypot(own_across, own_down - _MIDDLE)
        nearer = here < away
        np.copyto(away, here, where=nearer)
        np.copyto(down, own_down, where=nearer)
        np.copyto(across, np.abs(own_across), where=nearer)
        largest = max(largest, size)
    found |= {
        "face": face,
        "beside face": np.where(around, 1 - face, 0),
        "floor": np.maximum(2 * evidence - 1, 0),
        "lid": np.minimum(2 * evidence, 1),
        "laid": laid,
        "laid round": _mean(laid, _FAR),
        "unlike core": unlike,
        "unlike core near": _mean(unlike, _NEAR),
        "from face": np.log2(away + 0.5),
        "face down": np.clip(down, -6, 12),
        "face across": np.clip(across, 0, 12),
    }
    return {
        "face size": math.log2(largest / frame.luma.size + 1e-4),
        "core": math.log2(float(core.mean()) + 1e-4),
    }


def likely_skin(view: learn.View, told: Told, reach: float = 1.0) -> Floats:
    """Return how likely every pixel of a frame is the sampled skin, float32 (h, w), 0 to 1.

    :param view: of a frame with samples of skin. :param reach: how far the key spreads from them, 1 as usual.
    """
    rows, columns = view.frame.luma.shape
    net = fit(kind_of(told.evidence is not None, view.frame.bare is not None))
    half = _judged(figures(view, told, reach), net, _BOLD * math.log(reach))
    return np.repeat(np.repeat(half, 2, axis=0), 2, axis=1)[:rows, :columns]


def kind_of(joins: bool, seen: bool) -> str:
    """Return which fit judges: by whether a face joins, and whether bare skin was looked for.

    >>> kind_of(False, False), kind_of(True, True)
    ('alone', 'beside faces, bare skin seen')
    """
    kind = "beside faces" if joins else "alone"
    return f"{kind}, bare skin seen" if seen else kind


def _unlike(planes: tuple[Floats, Floats, Floats], colours: Doubles) -> Floats:
    """Return the logarithm of the squared distance of u, v and luma from the nearest of some colours, float32."""
    return np.log(learn.distance_from_skin(*planes, colours) + np.float32(0.1))


def _rim(view: learn.View) -> Floats:
    """Return how much more often a pixel's colour occurs along the frame's left, upper and right rim than elsewhere."""
    rows, columns = view.frame.luma.shape
    every = np.zeros((rows, columns), np.bool_)
    every[::2, ::2] = True
    rim, wide = every.copy(), max(2, round(0.05 * rows))
    rim[wide:, wide:-wide] = False
    along, all_over = (view.frequency(where, (1.0, 1.0, 1.5), every) for where in (rim, every))
    along *= np.float32(int(every.sum()) / int(rim.sum()))
    odds = np.log((along + np.float32(0.1)) / (all_over + np.float32(0.1)))
    return np.asarray(odds, np.float32).reshape((rows + 1) // 2, (columns + 1) // 2)


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
def fit(kind: str) -> Fit:
    """Return a fit by its kind, see :func:`kind_of`, read once.

    >>> all(len(fit(kind).names) == len(fit(kind).mean) for kind in ("alone", "beside faces"))
    True
    """
    told = json.loads(FIT.read_text(encoding="utf-8"))[kind]
    planes = (np.array(told[name], np.float32) for name in ("mean", "deviation", "inner", "outer"))
    return Fit(tuple(told["names"]), *planes)


def _judged(found: dict[str, Floats], net: Fit, more: float = 0.0) -> Floats:
    """Weigh figures by a fit, with ``more`` log-odds of skin; a figure that is not known counts as it usually is.

    Every sum runs in a fixed order, figure by figure.
    """
    known = [k for k, name in enumerate(net.names) if name in found]
    inputs = [np.clip((found[net.names[k]] - net.mean[k]) / net.deviation[k], -4, 4) for k in known]
    odds = np.full(inputs[0].shape, net.outer[-1] + np.float32(more), np.float32)
    part = np.empty_like(odds)
    for weights, outer in zip(net.inner, net.outer, strict=False):
        unit = np.full_like(odds, weights[-1])
        for weight, plane in zip(weights[known], inputs, strict=True):
            np.multiply(plane, weight, out=part)
            unit += part
        np.maximum(unit, 0, out=unit)
        unit *= outer
        odds += unit
    return np.asarray(1 / (1 + np.exp(-np.clip(odds, -_MOST, _MOST))), np.float32)
