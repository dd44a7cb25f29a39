"""Learning a skin key: grow from samples along a geodesic, then weigh skin against everything else in a colour table.

The colour axes are those of :mod:`.qualify`: chroma along and across the sample's hue in the luma-normalised
Cb/Cr plane, and luma. Positives spread from the samples only where the picture leads on without a step in
colour or light, so a wall of like colour stays out: what a smaller step parts from the wall than from the samples
belongs to the wall. Everything unlike the samples is negative; what looks like skin but is not connected is neither,
unless there is far more of it than of connected skin: that is a wall too. All sums run in a fixed order, in float64.
"""

from __future__ import annotations

import copy
import dataclasses
import functools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from .angles import wrapped
from .arrays import Floats
from .colour import F, atan2_px, exp2_px, log2_px
from .errors import InkarnatError
from .guided import guided
from .jit import inline, strip_kernel
from .join import pieces
from .qualify import ACROSS, ALONG, GRID, LUMA, PALEST, axes, work_planes
from .rows import add_scaled_row

LONG_SIDE = 256
"""Pictures are learned from at this many pixels on the long side."""

Doubles = NDArray[np.float64]
Flags = NDArray[np.bool_]


_HUE, _HUE_NOISE = F(math.radians(9.0)), F(0.012)
_CHROMA, _SHADING = F(0.5), 0.7
_DARKER, _LIGHTER = F(0.9), F(0.6)
"""One person's skin in one picture, measured on 19 real pictures: 9° of hue and what noise adds in pale and dark skin;
half a stop of chroma/luma round what shading explains, which falls by .7 for every stop of light; so many stops darker
and lighter."""


class LearnError(InkarnatError, ValueError):
    """The samples hold nothing from which a key could be learned."""


@dataclass(frozen=True)
class Frame:
    """One picture reduced for learning: its planes, and what the samples cover on it.

    :ivar luma, u, v: float32 (h, w): Y′, Cb/Y′ and Cr/Y′ after the ratio filter.
    :ivar add, subtract: bool (h, w), skin alone and what must stay out.
    :ivar wholes: bool (h, w) each: boxes and faces, which hold skin and more.
    :ivar weight: how much the frame's pixels count beside those of the others, above 0.
    :ivar large: how far the wholes are large enough to show all of the skin's colours, 0 to 1: a small box is a mark
        like a stroke.
    :ivar shown: bool (h, w), skin that faces show; None where no face is joined.
    :ivar face: float32 (h, w), how likely a pixel is the skin of a face; None where no face is known.
    :ivar around: bool (h, w), faces and what lies round them: there ``face`` is evidence, for and against.
    :ivar person: float32 (h, w), how likely a pixel is a person's; None where nobody looked.
    :ivar bare: float32 (h, w), how likely a pixel is anybody's bare skin, by what it shows; None where nobody looked.
    """

    luma: Floats
    u: Floats
    v: Floats
    add: Flags
    subtract: Flags
    wholes: tuple[Flags, ...] = ()
    weight: float = 1.0
    large: float = 1.0
    shown: Flags | None = None
    face: Floats | None = None
    around: Flags | None = None
    person: Floats | None = None
    bare: Floats | None = None


@dataclass(frozen=True)
class Learned:
    """What was learned, and the figures by which it can be judged.

    :ivar centre: (Cb/Y′, Cr/Y′) by which the table lies: of the samples, or deeper where a mark lies far from them.
    :ivar table: float32, shape :data:`.qualify.GRID`, 0 to 1, the
        likelihood of skin. :ivar compact: float64 (10,): mean (3), covariance (6: aa, at, ay, tt, ty, yy) and
        the squared distance at which the compact form is one half.
    :ivar unconnected: share of the skin-like area that the samples do not reach, in the frame that they reach best;
        what they reach in part counts in part.
    :ivar recall: share of the sampled pixels that the table recognises.
    """

    centre: tuple[float, float]
    table: Floats
    compact: Doubles
    unconnected: float
    recall: float


# --- strip kernels -------------------------------------------------------------------------------------------------


@strip_kernel
def _area_resize(plane, out):
    """Average the source area under every target pixel."""
    rows, columns = plane.shape
    h, w = out.shape
    for i in range(h):
        top, bottom = i * rows / h, (i + 1) * rows / h
        for j in range(w):
            left, right = j * columns / w, (j + 1) * columns / w
            total = 0.0
            weights = 0.0
            for y in range(int(top), min(math.ceil(bottom), rows)):
                wy = min(bottom, y + 1.0) - max(top, float(y))
                for x in range(int(left), min(math.ceil(right), columns)):
                    k = wy * (min(right, x + 1.0) - max(left, float(x)))
                    total += k * plane[y, x]
                    weights += k
            out[i, j] = total / weights


@strip_kernel
def _splat(a, t, y, weight, table):
    """Add weighted points to a table, shared among the eight cells round each; points off the table are left out."""
    na, nt, ny = table.shape
    for i in range(a.size):
        w = weight[i]
        if not w > 0 or not (0 < a[i] < na - 1.01 and 0 < t[i] < nt - 1.01):
            continue
        z = min(max(y[i], 0.0), ny - 1.01)
        ia, it, iy = int(a[i]), int(t[i]), int(z)
        fa, ft, fy = a[i] - ia, t[i] - it, z - iy
        for da in range(2):
            wa = w * (fa if da else 1 - fa)
            for dt in range(2):
                wt = wa * (ft if dt else 1 - ft)
                table[ia + da, it + dt, iy] += wt * (1 - fy)
                table[ia + da, it + dt, iy + 1] += wt * fy


@strip_kernel
def _look(table, a, t, y, out):
    """Read a table at points by trilinear interpolation; 0 off the table in the two colour axes."""
    na, nt, ny = table.shape
    for i in range(a.size):
        if not (0 <= a[i] <= na - 1 and 0 <= t[i] <= nt - 1):
            out[i] = 0
            continue
        x = min(a[i], na - 1.001)
        z = min(t[i], nt - 1.001)
        l = min(max(y[i], 0.0), ny - 1.001)
        ia, it, iy = int(x), int(z), int(l)
        fa, ft, fy = x - ia, z - it, l - iy
        total = 0.0
        for da in range(2):
            wa = fa if da else 1 - fa
            for dt in range(2):
                wt = wa * (ft if dt else 1 - ft)
                total += wt * (table[ia + da, it + dt, iy] * (1 - fy) + table[ia + da, it + dt, iy + 1] * fy)
        out[i] = total


@strip_kernel
def _blur_strips(table, first, second, third, out):
    """Filter along the three axes with zeros beyond the ends. Planes of the first axis are summed as long rows, between
    the first and the last cell of the second axis that holds anything."""
    n0, n1, n2 = table.shape
    r1, r2, r3 = first.size // 2, second.size // 2, third.size // 2
    starts, ends = np.full(n0, n1, np.int64), np.zeros(n0, np.int64)
    for i in range(n0):
        for j in range(n1):
            filled = False
            for k in range(n2):
                filled |= table[i, j, k] != 0
            if filled:
                starts[i], ends[i] = min(starts[i], j), j + 1
    flat = table.reshape(n0, n1 * n2)
    stride = n2 + r3  # zeros part the rows of the second axis, so that the third blurs over all of them at once
    one, two = np.zeros(n1 * n2), np.zeros(n1 * n2)
    wide, three = np.zeros(n1 * stride + 2 * r3), np.zeros(n1 * stride)
    for i in range(n0):
        low, high = n1, 0
        for d in range(max(-r1, -i), min(r1, n0 - 1 - i) + 1):
            low, high = min(low, starts[i + d]), max(high, ends[i + d])
        out[i] = 0
        if low >= high:
            continue
        one[:] = 0
        for d in range(max(-r1, -i), min(r1, n0 - 1 - i) + 1):
            a, b = starts[i + d] * n2, ends[i + d] * n2
            if a < b:
                add_scaled_row(one[a:b], flat[i + d, a:b], first[d + r1])
        first_row, last_row = max(low - r2, 0), min(high + r2, n1)
        two[first_row * n2 : last_row * n2] = 0
        for d in range(-r2, r2 + 1):
            a, b = max(first_row, low - d, -d), min(last_row, high - d, n1 - d)
            if a < b:
                add_scaled_row(two[a * n2 : b * n2], one[(a + d) * n2 : (b + d) * n2], second[d + r2])
        for j in range(first_row, last_row):
            for k in range(n2):
                wide[r3 + j * stride + k] = two[j * n2 + k]
        a, b = first_row * stride, last_row * stride
        three[a:b] = 0
        for d in range(2 * r3 + 1):
            add_scaled_row(three[a:b], wide[a + d : b + d], third[d])
        for j in range(first_row, last_row):
            for k in range(n2):
                out[i, j, k] = three[j * stride + k]
                wide[r3 + j * stride + k] = 0


_MANY = 1024
"""How many colours are compared with one colour of skin after the other, so that they stay in the nearest cache."""


@strip_kernel
def _distance_strips(u, v, luma, skins, scratch, out):
    """Squared distance of every colour from the nearest of some colours of skin; see :func:`distance_from_skin`.

    :param scratch: float32 (4, ``_MANY``).
    """
    angle, ratio, level, chroma = scratch[0], scratch[1], scratch[2], scratch[3]
    for first in range(0, u.size, _MANY):
        own_u, own_v, own_luma = u[first : first + _MANY], v[first : first + _MANY], luma[first : first + _MANY]
        nearest = out[first : first + _MANY]
        for i in range(nearest.size):
            r = F(math.sqrt(own_u[i] * own_u[i] + own_v[i] * own_v[i]))
            ratio[i] = r
            angle[i] = atan2_px(own_v[i], own_u[i])
            level[i] = log2_px(own_luma[i] + F(0.02))
            chroma[i] = log2_px(r + F(0.02))
            nearest[i] = F(1e9)
        for s in range(skins.shape[0]):
            angle_s, r_s, level_s = skins[s, 0], skins[s, 1], skins[s, 2]
            for i in range(nearest.size):
                hue = angle[i] - angle_s
                hue = hue - F(2 * math.pi) if hue > F(math.pi) else hue
                hue = hue + F(2 * math.pi) if hue < F(-math.pi) else hue
                low = ratio[i] if ratio[i] < r_s else r_s
                d = hue / (_HUE + _HUE_NOISE / (low if low > F(0.03) else F(0.03)))
                stops = level[i] - level_s
                e = stops / (_DARKER if stops < F(0) else _LIGHTER)
                shaded = F(-_SHADING) * stops
                shaded = min(max(shaded, F(-1.5)), F(1.5))
                f = (chroma[i] - log2_px(r_s * exp2_px(shaded) + F(0.02))) / _CHROMA
                near = d * d + e * e + f * f
                nearest[i] = near if near < nearest[i] else nearest[i]


@strip_kernel
def _edges(log_luma, along, across, shading, grain, light, colour, edges):
    """Cost of the edge to the four neighbours above and to the left, in the order of :func:`_geodesic`.

    ``light`` for each stop beyond the shading and ``colour`` for each spread of skin beyond the grain.
    """
    h, w = log_luma.shape
    for i in range(h):
        for j in range(w):
            for k in range(4):
                y = i if k == 3 else i - 1
                x = j - 1 if k == 3 else j - 1 + k
                if y < 0 or x < 0 or x >= w:
                    continue
                length = 1.41421356 if k == 0 or k == 2 else 1.0
                brighter = abs(log_luma[i, j] - log_luma[y, x]) - shading * length
                other = math.sqrt((along[i, j] - along[y, x]) ** 2 + (across[i, j] - across[y, x]) ** 2)
                edges[k, i, j] = light * max(brighter, 0.0) + colour * max(other - grain * length, 0.0)


@inline
def _nearer_row(best, before, likeness, other, edges, far, near):
    """Lower a row of distances to what the way from each pixel of a row beside it costs."""
    for j in range(best.shape[0]):
        way = before[j] + (far - near * (likeness[j] + other[j]) + edges[j])
        best[j] = way if way < best[j] else best[j]


@strip_kernel
def _geodesic(start, likeness, edges, step, resist, distance):
    """Distance from the start pixels; a step costs length · (step + resist · (1 − likeness)) / height plus its edge.

    Two rounds of a forward and a backward sweep over eight neighbours (Borgefors 1986).
    """
    h, w = likeness.shape
    far, near = (step + resist) / h, 0.5 * resist / h
    slant_far, slant_near = 1.41421356 * far, 1.41421356 * near
    for i in range(h):
        for j in range(w):
            distance[i, j] = 0.0 if start[i, j] else 1e9
    for sweep in range(4):
        way = 1 if sweep % 2 == 0 else -1
        for ii in range(h):
            i = ii if way == 1 else h - 1 - ii
            best, like = distance[i], likeness[i]
            y = i - way
            if 0 <= y < h:
                before, other = distance[y], likeness[y]
                if way == 1:
                    left, middle, right = edges[0, i, 1:], edges[1, i], edges[2, i, :-1]
                else:
                    left, middle, right = edges[2, y, :-1], edges[1, y], edges[0, y, 1:]
                _nearer_row(best[1:], before[:-1], like[1:], other[:-1], left, slant_far, slant_near)
                _nearer_row(best, before, like, other, middle, far, near)
                _nearer_row(best[:-1], before[1:], like[:-1], other[1:], right, slant_far, slant_near)
            beside = edges[3, i]
            if way == 1:
                last = best[0]
                for j in range(1, w):
                    cost = far - near * (like[j] + like[j - 1]) + beside[j]
                    last = min(best[j], last + cost)
                    best[j] = last
            else:
                last = best[w - 1]
                for j in range(w - 2, -1, -1):
                    cost = far - near * (like[j] + like[j + 1]) + beside[j + 1]
                    last = min(best[j], last + cost)
                    best[j] = last


# --- small helpers ------------------------------------------------------------------------------------------


def smoothstep(x: Doubles | float) -> Doubles:
    """Return 3t² − 2t³ of x limited to 0 … 1."""
    t = np.clip(x, 0.0, 1.0)
    return t * t * (3 - 2 * t)


def _cells(shape: tuple[int, ...] = GRID) -> Doubles:
    return np.zeros(shape, np.float64)


@functools.lru_cache(maxsize=64)
def _gaussian(sigma: float) -> Doubles:
    radius = max(1, math.ceil(4 * sigma))
    x = np.arange(-radius, radius + 1, dtype=np.float64)
    weights = np.exp(-0.5 * (x / max(sigma, 1e-3)) ** 2)
    return weights / weights.sum()


def _total(tables: Iterable[Doubles]) -> Doubles:
    """Return the sum of new tables, of one at least."""
    total, *others = tables
    for table in others:
        total += table
    return total


def _blur(table: Doubles, sigmas: tuple[float, float, float]) -> Doubles:
    """Gaussian over the three axes, zeros beyond the table."""
    out = np.empty_like(table)
    first, second, third = (_gaussian(sigma) for sigma in sigmas)
    _blur_strips(table, first, second, third, out)
    return out


def _median(values: Floats) -> float:
    return float(np.median(values.astype(np.float64)))


def reduce_frame(image: Floats, add: Flags, subtract: Flags, wholes: Iterable[Flags] = ()) -> Frame:
    """Reduce a picture and its sample masks (bool, H × W; see :class:`Frame`) to the size at which keys are learned.

    >>> picture = np.full((90, 160, 3), (0.6, 0.45, 0.4), np.float32)
    >>> nothing = np.zeros((90, 160), bool)
    >>> marked = nothing.copy()
    >>> marked[30:60, 60:90] = True
    >>> frame = reduce_frame(picture, marked, nothing)
    >>> frame.luma.shape, bool(frame.add.any()), bool(frame.subtract.any())
    ((90, 160), True, False)
    """
    y, cb, cr = work_planes(image)
    height, width = image.shape[:2]
    scale = min(1.0, LONG_SIDE / max(height, width))
    shape = (max(1, round(height * scale)), max(1, round(width * scale)))
    planes = []
    for plane in (y, cb, cr):
        out = np.empty(shape, np.float32)
        _area_resize(plane, out)
        planes.append(out)
    luma = np.maximum(planes[0], 0)
    inverse = 1 / (luma + np.float32(0.02))
    u, v = (np.asarray(plane * inverse, np.float32) for plane in planes[1:])
    boxes = tuple(_reduce_mask(mask, shape) for mask in wholes)
    return Frame(luma, u, v, _reduce_mask(add, shape), _reduce_mask(subtract, shape), boxes)


def _reduce_mask(mask: Flags, shape: tuple[int, int]) -> Flags:
    if not mask.any():
        return np.zeros(shape, np.bool_)
    cover = np.empty(shape, np.float32)
    _area_resize(mask.astype(np.float32), cover)
    return cover >= min(0.5, float(cover.max()))


# --- the steps of learning ----------------------------------------------------------------------------------

# Spread of one person's skin round a sample, in parts of chroma, degrees and luma.
CHROMA_SPREAD, HUE_SPREAD, LUMA_SPREAD = 0.2814, 6.0, 0.2822

# Every round reaches farther, in frame heights, and trusts what it found by so much: skin weighs half as much as
# everything else while it begins to grow, lest a wall that it touches grow with it.
REACHES = (0.065, 0.0845, 0.104, 0.13)
TRUSTS = (0.5, 0.5, 0.6, 0.8)


@dataclass(frozen=True)
class Boldness:
    """How far a further attempt goes.

    :ivar trusts: what it trusts of what it found, round by round. :ivar reach: how far it spreads beside a first one.
    """

    trusts: tuple[float, ...]
    reach: float


BOLDER = Boldness((0.6, 1.0, 1.6, 2.4), 1.5)

WIDE_START = 0.6
"""Weight of the wide prior in the first table."""
BELL, FACE_BELL, FACE_BLUR = 0.5, 0.1, 0.8
"""Share of the fitted Gaussian beside the histogram, and the width of the histogram's blur: a face fills it."""
AGAINST, SPARED = 0.5, 0.9
"""Weight among the negatives of what lies round a face and is not it; how far the face's own pixels are spared."""
SMALL_BOX, LARGE_BOX = 0.08, 0.20
"""Heights of a box, in frame heights, between which it begins to count as showing all of the skin."""
MOST_LARGE = 0.7
"""How far the largest box counts so: even that shows one side of a face, and not arms and shadow."""
_BARE, _SEEN, _SAME = 0.5, 0.1, 0.5
"""Likelihood of bare skin from which a place in a box counts as what is meant, what part of the box must have that, and
what part of its rest may have that colour: a map that sees a part of one colour alone knows no more than the box."""
PALE = 0.12
"""Chroma/luma below which a sample says little of its hue."""
MOST_COLOURS = 12
TOLD_BLUR, TOLD_BACK, TOLD_WIDE = (0.36, 0.36, 0.6), 0.1, (0.36, 0.36, 1.5)
"""Where every pixel is judged already: the blur of the table, in cells, and what a wider one counts beside it, so that
a colour that no pixel of the marked picture has is told by its neighbours in light: a later frame may be brighter."""
TOLD_LEAST, TOLD_FLOOR, MOST_WEIGHT = 3e-8, 0.08, 3.0
"""What no pixel shows, in parts of the frame; the likelihood below which a colour is none; the most that skin weighs
beside the rest."""
_CUTS = 1000
"""How many cuts are tried for the weight of skin."""
STRAYS, STRAY_BLUR, STRAY_FADE = 0.002, (0.5, 0.5, 0.8), 0.15
"""Share of the keyed area beside persons below which it is left alone; the blur of colours in cells; and how gradually
a key closes to what lies beside them."""
STRAY_TIMES, STRAY_LOUDER, KEPT_OPEN = 5, 3.0, 0.8
"""How often, and by how much, marks weigh more that would be closed; to what part of before they may close."""
FITTING, ONE_COLOUR, MORE_ROOM, WIDEST = 0.9, 0.8, 1.1, 4.0
"""How much of a mark must lie in the table, and how much of it in a table of its own, lest it be noise; how much wider
than that the table becomes where a mark does not lie in it, and the most.
Of 127 real pictures with four fixes 11 have such a mark; their mean F1 is .044 higher with it in the table."""
NEAREST_CUT, FARTHEST_CUT, CUT_STEPS = 3.0, 14.0, 256
"""Between which squared distances, and in how many parts of one, the cut of the compact form is looked for."""
LEVELS = 51
"""Steps of a table's likelihoods: as text it is half as long as with 255, and mattes differ by less than .01."""

STEP, RESIST = 0.2, 1.749
"""What the way of a frame height costs through skin, and how much more through what does not look like it."""

# From points and strokes · from boxes and faces, which show the skin's colours already: they spread less far, and
# follow the slightest shading. What they find is trusted no more than what a stroke finds.
LIGHT_EDGE, COLOUR_EDGE = (0.3, 0.17), (0.07, 0.0)
"""What a stop and a spread of skin cost on the way from the samples."""

SHADING, GRAIN = (0.08, 0.0), (0.1, 0.15)
"""What is no edge yet: so many stops a pixel, and what the picture's grain is in spreads of skin, within limits."""

BOXED = 0.4
"""How far boxes and faces spread beside points and strokes."""

NO_EDGE = 0.005
"""Cost of edges up to which a pixel counts as parted by none."""

SUBTRACT_REACH = 0.065
"""How far subtract samples spread, in frame heights."""

CLOSED, HEAVIEST = 0.25, 0.4
"""The likelihood of skin at which a key is closed on a subtract sample, and what it weighs at most in parts of skin."""

DARKEST = 0.03
"""Luma below which a sample counts as black: the key finds nothing there, and its hue is noise."""


@dataclass(frozen=True)
class _Points:
    """A reduced frame in table coordinates, flat, and the planes that show its edges: stops, spreads of skin.

    :ivar colours: float64 (3, n), along, across and luma as they are.
    """

    frame: Frame
    a: Doubles
    t: Doubles
    y: Doubles
    colours: Doubles
    log_luma: Floats
    along: Doubles
    across: Doubles
    seeds: Flags

    @functools.cached_property
    def inside(self) -> Flags:
        return (self.a > 0) & (self.a < GRID[0] - 1) & (self.t > 0) & (self.t < GRID[1] - 1)

    @functools.cached_property
    def nearby(self) -> Floats:
        """1 at the samples, falling with the plain distance from them."""
        return np.exp(-0.5 * (plain_distance(self.seeds) / 0.165) ** 2).astype(np.float32)

    @functools.cached_property
    def faces(self) -> tuple[Floats, Floats] | None:
        """How far every pixel is a face's, and how far what lies round faces speaks against it; None without any."""
        frame = self.frame
        if frame.face is None or frame.around is None:
            return None
        face = np.where(frame.around, frame.face, 0).astype(np.float32)
        against = np.where(frame.around & ~frame.add, (1 - frame.face) * AGAINST, 0).astype(np.float32)
        return face, against

    def splat(self, weight: NDArray[np.generic]) -> Doubles:
        table = _cells()
        _splat(self.a, self.t, self.y, weight.ravel().astype(np.float64), table)
        return table

    def look(self, table: Doubles, select: Flags | None = None) -> Floats:
        """Return what a table says of every pixel, float32 (h, w), or of those selected, (n,)."""
        chosen = slice(None) if select is None else select.ravel()
        places = self.a[chosen], self.t[chosen], self.y[chosen]
        out = np.empty(places[0].size, np.float64)
        _look(table, *places, out)
        return out.reshape(self.frame.luma.shape if select is None else -1).astype(np.float32)

    def grain(self, alike: Floats) -> float:
        """Return by how much neighbours of like colour usually differ in colour, as far as that can be grain."""
        pairs = (alike[:, 1:] > 0.5) & (alike[:, :-1] > 0.5)
        steps = np.hypot(np.diff(self.along, axis=1)[pairs], np.diff(self.across, axis=1)[pairs])
        return float(np.clip(np.median(steps), *GRAIN)) if steps.size else GRAIN[0]

    def edges(self, free: float, grain: float, boxed: float) -> Doubles:
        """Return what every edge costs that is more than shading and grain, float64 (4, h, w).

        :param free: how much of the shading and of the grain is no edge. :param boxed: share of boxes and faces.
        """
        shading, light, colour = (_between(pair, boxed) for pair in (SHADING, LIGHT_EDGE, COLOUR_EDGE))
        out = np.zeros((4, *self.log_luma.shape))
        _edges(self.log_luma, self.along, self.across, free * shading, free * grain, light, colour, out)
        return out


def _distance(start: Flags, likeness: Floats, edges: Doubles, step: float, resist: float) -> Doubles:
    out = np.empty(likeness.shape, np.float64)
    _geodesic(start, likeness, edges, step, resist, out)
    return out


def usable(frame: Frame) -> tuple[Flags, Flags]:
    """Keep of the samples what can be used: all seeds, and those of them that come from boxes and faces.

    That is what has enough light, and of each box or face only the main colour, or the one that the map of bare skin
    shows in it.
    """
    boxed = np.zeros_like(frame.add)
    for whole in frame.wholes:
        boxed |= _meant_colour(frame, _lit(frame, whole))
    drawn = frame.add if frame.shown is None else frame.add | frame.shown
    return _lit(frame, drawn) | boxed, boxed


def marks_of(frame: Frame, seeds: Flags) -> list[Flags]:
    """Return what every mark of skin shows, bool (h, w) each: connected strokes and points, then boxes and faces."""
    labels, area = pieces(frame.add & seeds)
    marks = [labels == label for label in range(1, len(area))]
    return marks + [here for whole in frame.wholes if (here := whole & seeds).any()]


def large_share(tall: float) -> float:
    """Return how far a box of this height, in frame heights, shows all of the skin's colours: 0 to 1.

    >>> large_share(0.02), large_share(0.9)
    (0.0, 0.7)
    """
    return MOST_LARGE * float(smoothstep((tall - SMALL_BOX) / (LARGE_BOX - SMALL_BOX)))


def sampled_colour(frame: Frame) -> tuple[float, float] | None:
    """Return the median Cb/Y′ and Cr/Y′ of a frame's samples, those near burning out left aside; None without any.

    >>> picture = np.full((90, 160, 3), (0.6, 0.45, 0.4), np.float32)
    >>> everywhere, nowhere = np.ones((90, 160), bool), np.zeros((90, 160), bool)
    >>> u, v = sampled_colour(reduce_frame(picture, everywhere, nowhere))
    >>> round(u, 3), round(v, 3)
    (-0.085, 0.155)
    >>> sampled_colour(reduce_frame(picture, nowhere, nowhere)) is None
    True
    """
    seeds, _ = usable(frame)
    unburnt = seeds & (frame.luma < 0.8)
    seeds = unburnt if unburnt.sum() >= 3 else seeds
    return (_median(frame.u[seeds]), _median(frame.v[seeds])) if seeds.any() else None


def _meant_colour(frame: Frame, mask: Flags) -> Flags:
    """Return what of a box has its main colour; where the map of bare skin sets another one off, what has that."""
    seen = mask if frame.bare is None else mask & (frame.bare >= _BARE)
    rest = mask & ~seen
    if rest.any() and seen.sum() >= _SEEN * mask.sum():
        colour = np.array([[_median(plane[seen]) for plane in (frame.u, frame.v, frame.luma)]])
        away = distance_from_skin(frame.u[rest], frame.v[rest], frame.luma[rest], colour)
        if (away < 1).mean() < _SAME:
            return _main_colour(frame, seen)
    return _main_colour(frame, mask)


def _lit(frame: Frame, mask: Flags) -> Flags:
    lit: Flags = mask & (frame.luma > 0.04)
    return lit if lit.sum() >= 3 else mask


def _main_colour(frame: Frame, mask: Flags) -> Flags:
    """Return the pixels of a mask that have its most frequent chroma/luma (mean shift, Comaniciu & Meer 2002)."""
    if not mask.any():
        return mask
    u, v, y = (plane[mask].astype(np.float64) for plane in (frame.u, frame.v, frame.luma))
    centre = np.array([np.median(u), np.median(v)])
    for _ in range(6):
        width = 0.25 * np.hypot(*centre) + 0.02
        weight = np.exp(-((u - centre[0]) ** 2 + (v - centre[1]) ** 2) / (2 * width * width))
        centre = np.array([(weight * u).sum(), (weight * v).sum()]) / max(float(weight.sum()), 1e-12)
    chroma = max(float(np.hypot(*centre)), 1e-3)
    e = centre / chroma
    along = (frame.u * e[0] + frame.v * e[1]) / chroma
    across = (frame.v * e[0] - frame.u * e[1]) / chroma
    near = (np.abs(across) < 0.20 + 0.02 / chroma) & (along > 0.5) & (along < 1.7)
    kept = mask & near & (frame.luma > 0.35 * np.median(y))
    return kept if kept.any() else mask


def _in_table(frame: Frame, seeds: Flags, centre: tuple[float, float], spread: Doubles) -> _Points:
    a, t = axes(frame.u.astype(np.float64), frame.v.astype(np.float64), centre)
    spans = (ALONG, ACROSS, LUMA)
    values = (a, t, frame.luma.astype(np.float64))
    cells = [
        np.ascontiguousarray(((x - low) / (high - low) * (n - 1)).ravel())
        for x, (low, high), n in zip(values, spans, GRID, strict=True)
    ]
    log_luma = np.log2(frame.luma + np.float32(0.05)).astype(np.float32)
    colours = np.stack([value.ravel() for value in values])
    return _Points(frame, cells[0], cells[1], cells[2], colours, log_luma, a / spread[0], t / spread[1], seeds)


def _per_cell() -> Doubles:
    return np.array([(n - 1) / (high - low) for n, (low, high) in zip(GRID, (ALONG, ACROSS, LUMA), strict=True)])


# --- colours of skin ----------------------------------------------------------------------------------------


def distance_from_skin(u: Floats, v: Floats, luma: Floats, colours: Doubles) -> Floats:
    """Return the squared distance of every colour from the nearest colour of skin, float32 of the planes' shape.

    It follows what shading, pose and depth do to one person's skin: :data:`_HUE` and the figures beside it.

    :param u, v, luma: float32, Cb/Y′, Cr/Y′ and Y′. :param colours: float64 (n, 3), u, v and luma of each.

    >>> u, v, luma = np.array([[-0.2, 0.2], [0.2, -0.2], [0.5, 0.5]], np.float32)
    >>> near, far = distance_from_skin(u, v, luma, np.array([[-0.2, 0.2, 0.5]]))
    >>> bool(near < 0.001 < far)
    True
    """
    skins = np.empty((len(colours), 3), np.float32)
    skins[:, 0] = np.arctan2(colours[:, 1], colours[:, 0])
    skins[:, 1] = np.maximum(np.hypot(colours[:, 0], colours[:, 1]), 0.02)
    skins[:, 2] = np.log2(np.maximum(colours[:, 2], 0) + 0.02)
    out = np.empty(u.size, np.float32)
    flat_u, flat_v, flat_luma = (np.ascontiguousarray(plane, np.float32).ravel() for plane in (u, v, luma))
    _distance_strips(flat_u, flat_v, flat_luma, skins, np.empty((4, _MANY), np.float32), out)
    return out.reshape(u.shape)


def colours_of_skin(frames: Iterable[Frame], seeds: Iterable[Flags], most: int = MOST_COLOURS) -> Doubles:
    """Return the median colour of some pixels and, farthest first, further ones: float64 (n, 3) of u, v and luma.

    What is burnt out is left aside, and so is the tenth that lies farthest from the median.
    """
    picked = [
        np.stack([frame.u[found], frame.v[found], frame.luma[found]], axis=1).astype(np.float64)
        for frame, found in zip(frames, seeds, strict=True)
    ]
    x = np.concatenate(picked)
    unburnt = x[:, 2] < 0.92
    x = x[unburnt] if unburnt.sum() >= 3 else x
    median = np.median(x, axis=0)
    out = [median]
    if len(x) >= 4:
        size = max(math.hypot(median[0], median[1]), 0.05) * 0.25
        z = x / (size, size, 0.15)
        away = ((z - np.median(z, axis=0)) ** 2).sum(axis=1)
        kept = away <= np.percentile(away, 90)
        z, x, away = z[kept], x[kept], away[kept]
        while len(out) < most and away.max() > 1:
            here = ((z - z[int(away.argmax())]) ** 2).sum(axis=1)
            out.append(x[here < 1].mean(axis=0))
            away = np.minimum(away, here)
    return np.array(out)


def _wide_prior(colours: Doubles, centre: tuple[float, float]) -> Doubles:
    """Return the likelihood of one person's skin in every cell of the table by the colours seen of it alone."""
    chroma = math.hypot(*centre)
    scale = max(chroma, PALEST)
    a, t, y = (np.linspace(low, high, n) for (low, high), n in zip((ALONG, ACROSS, LUMA), GRID, strict=True))
    along, across = (a[:, None, None] - (1 - chroma / scale)) * scale, t[None, :, None] * scale
    e = (centre[0] / chroma, centre[1] / chroma)
    u, v, luma = np.broadcast_arrays(along * e[0] - across * e[1], along * e[1] + across * e[0], y[None, None, :])
    first = math.hypot(colours[0][0], colours[0][1])
    if first < PALE:  # the natural range joins, at a hue that the sample shifts as far as it can be trusted
        off = wrapped(math.degrees(math.atan2(colours[0][1], colours[0][0])) - USUAL_HUE)
        hue = math.radians(USUAL_HUE + off * first / (first + 0.06))
        colours = np.concatenate([colours, [(0.2 * math.cos(hue), 0.2 * math.sin(hue), 0.5)]])
    distance = distance_from_skin(u, v, luma, colours).astype(np.float64)
    return np.exp(-0.5 * distance)


USUAL_HUE = 123.0


class Learner:
    """One or more reduced frames with samples, made ready once for every attempt to learn a key from them.

    :param frames: at least one with samples to add.
    :raises LearnError: no sampled pixel carries colour to learn from.
    """

    def __init__(self, frames: list[Frame]) -> None:
        sampled = [usable(frame) for frame in frames]
        seeds = [found for found, _ in sampled]
        if not any(s.any() for s in seeds):
            raise LearnError("There is no sample of skin: add a point, a box or a stroke on skin.")
        u, v, y = (
            np.concatenate([getattr(frame, name)[s] for frame, s in zip(frames, seeds, strict=True)])
            for name in ("u", "v", "luma")
        )
        self.centre = (_median(u), _median(v))
        chroma = math.hypot(*self.centre)
        luma = _median(y)
        if chroma < 0.02 or luma < DARKEST or not math.isfinite(chroma):
            raise LearnError(
                f"The sample has no colour (luma is {luma:.3f}, chroma {chroma:.3f} of that): it is grey, black, "
                "clipped or not a number. Put the sample on skin that is neither burnt out nor black."
            )
        spread, narrow = _prior_spread(frames, seeds, self.centre, chroma)
        self.placed, wider = _placed(frames, seeds, self.centre)
        spread = spread / np.array((wider, wider, 1.0))
        points = [_in_table(frame, s, self.placed, spread) for frame, s in zip(frames, seeds, strict=True)]
        large = sum(frame.large * int(part.sum()) for frame, (_, part) in zip(frames, sampled, strict=True))
        boxed = large / sum(int(found.sum()) for found in seeds)
        joined = any(frame.shown is not None for frame in frames)
        wide = np.ascontiguousarray(_wide_prior(colours_of_skin(frames, seeds), self.placed))
        self._grower = _Grower(points, spread, narrow, boxed, wide, joined)
        self.wide = tuple(p.look(wide) for p in points)

    def without_subtracted(self) -> Self:
        """Return the same for frames from which nothing is subtracted."""
        new = copy.copy(self)
        new._grower = self._grower.without_subtracted()
        return new

    def attempt(self, reach: float = 1.0, bolder: Boldness | None = None, second: Floats | None = None) -> Attempt:
        """Grow a key from the samples.

        :param reach: how far positives spread from the samples, 1 as usual; 0.25 to 4. From boxes and faces, which
            already cover most of the skin, they spread less far.
        :param bolder: spread farther and trust more of what was found; None for a first attempt.
        :param second: weight of further skin in other light, float32 like the first frame, 0 to 1.
        """
        bold = bolder or Boldness(TRUSTS, 1.0)
        grower = self._grower.begun(reach * bold.reach, bold.trusts, second)
        return Attempt(self.centre, self.placed, grower, grower.run())

    def subtracted(self, attempt: Attempt) -> Attempt:
        """Return an attempt that grew without what is subtracted, for pixels to be told by it beside that."""
        grower = copy.copy(attempt._grower)
        grower.points = self._grower.points
        grower.subtracted = grower._grow_subtracted(grower.cells)
        return dataclasses.replace(attempt, _grower=grower)


@dataclass(frozen=True)
class View:
    """A frame as a first attempt sees it: all planes float32 (h, w).

    :ivar seeds: bool, the samples that can be used. :ivar centre: Cb/Y′ and Cr/Y′ of the samples of all frames.
    :ivar likely: the likelihood of skin. :ivar wide: how far the colour can be this skin's in other shading.
    :ivar parted: what the edges between a pixel and the samples cost.
    """

    frame: Frame
    seeds: Flags
    centre: tuple[float, float]
    likely: Floats
    wide: Floats
    parted: Doubles
    _points: _Points
    _edges: Doubles

    def way(self, start: Flags, likeness: Floats) -> Doubles:
        """Return the cost of the way from some pixels, through what is alike and over no edge where it can."""
        return _distance(start, likeness, self._edges, STEP, RESIST)

    def frequency(self, where: Flags, sigmas: tuple[float, float, float], of: Flags) -> Floats:
        """Return how many of some pixels have about the colour of some others, float32 (n,)."""
        return self._points.look(_blur(self._points.splat(where.astype(np.float32)), sigmas), of)


@dataclass(frozen=True)
class Attempt:
    """A key that was grown and may not be kept.

    :ivar centre: Cb/Y′ and Cr/Y′ of the samples. :ivar placed: the same hue, by which the table lies.
    """

    centre: tuple[float, float]
    placed: tuple[float, float]
    _grower: _Grower
    _table: Doubles
    _first: _Grower | None = None

    @property
    def likely(self) -> tuple[Floats, ...]:
        """By frame, float32 (h, w), the likelihood of skin on the reduced frame."""
        return tuple(self._grower.likeness)

    def view(self, k: int) -> View:
        """Return what is known of a frame so far."""
        grower = self._grower
        points = grower.points[k]
        wide = points.look(grower.wide)
        edges = grower.edges[k]
        return View(points.frame, points.seeds, self.centre, self.likely[k], wide, grower.ours[k], points, edges)

    def told(self, likely: Sequence[Floats | None], heavier: Sequence[Floats]) -> Attempt:
        """Return the key that keeps skin from the rest as these planes say, frame by frame.

        :param likely: float32 (h, w), 0 to 1, how likely every pixel is skin; None for what this attempt found.
        :param heavier: float32 (h, w), the weight of every pixel, 1 as usual.
        """
        grower = self._grower.told(self._table, likely)
        table = grower.settle(heavier)
        return Attempt(self.centre, self.placed, grower, table, self._first or self._grower)

    def within(self, persons: Sequence[Floats]) -> Attempt:
        """Return the key without the colours of which most lies beside the persons; the attempt itself without any.

        :param persons: by frame, float32 (h, w), 0 to 1, how far a pixel may be a person's.

        What was marked as skin stays as open as it was.
        """
        grower = copy.copy(self._grower)
        table = grower.without_strays(self._table, persons)
        return self if table is None else Attempt(self.centre, self.placed, grower, table, self._first or self._grower)

    def learned(self) -> Learned:
        """Return the key, with the figures by which it can be judged."""
        return Learned(
            centre=self.placed,
            table=(np.rint(np.clip(self._table, 0, 1) * LEVELS) / LEVELS).astype(np.float32),
            compact=self._grower.compact(),
            unconnected=(self._first or self._grower).unconnected(),
            recall=self._grower.recall(),
        )


def _prior_spread(
    frames: list[Frame], seeds: list[Flags], centre: tuple[float, float], chroma: float
) -> tuple[Doubles, float]:
    """Return the expected spread round the samples on the three axes, and by how much to narrow it.

    Samples that already show a spread of their own need less of the assumed one. It is taken within each frame, so
    that a second frame in another light does not count as knowing the skin better.
    """
    scale = max(chroma, 0.16)
    floor = max(chroma / scale, 0.5)
    spread = np.array([CHROMA_SPREAD * floor, math.radians(HUE_SPREAD) * floor + 0.008 / scale, LUMA_SPREAD])
    variance, count = np.zeros(3), 0
    for frame, found in zip(frames, seeds, strict=True):
        if found.any():
            a, t = axes(frame.u[found].astype(np.float64), frame.v[found].astype(np.float64), centre)
            variance += np.array([a.var(), t.var(), frame.luma[found].astype(np.float64).var()]) * a.size
            count += a.size
    own = float((variance / count / spread**2).sum())
    return spread, 1 / math.sqrt(1 + min(own, 3.0) * 0.5441 * 3)


def _placed(frames: list[Frame], seeds: list[Flags], centre: tuple[float, float]) -> tuple[tuple[float, float], float]:
    """Return the centre by which the table lies, and how many times as wide its cells are in colour.

    It is that of the samples, and the width 1, unless a mark lies beside the table: skin in another light, or far
    deeper in colour. Then the table widens round the same hue until that mark lies in it. A mark of noise, which would
    not lie in a table of its own, widens nothing.
    """
    chroma = math.hypot(*centre)
    scale = max(chroma, PALEST)
    wider = 1.0
    for frame, found in zip(frames, seeds, strict=True):
        for here in marks_of(frame, found):
            u, v = frame.u[here].astype(np.float64), frame.v[here].astype(np.float64)
            own = float(np.median(u)), float(np.median(v))
            if _within(u, v, centre) >= FITTING or not (math.hypot(*own) > 0 and _within(u, v, own) >= ONE_COLOUR):
                continue
            along, across = (u * centre[0] + v * centre[1]) / chroma, (v * centre[0] - u * centre[1]) / chroma
            needs = np.maximum(np.maximum(along / ALONG[1], along / ALONG[0]), np.abs(across) / ACROSS[1])
            wider = max(wider, MORE_ROOM * float(np.percentile(needs, 100 * FITTING)) / scale)
    if wider <= 1:
        return centre, 1.0
    wider = min(wider, WIDEST)
    return (centre[0] * wider * scale / chroma, centre[1] * wider * scale / chroma), wider


def _within(u: Doubles, v: Doubles, centre: tuple[float, float]) -> float:
    """Return what share of some colours lies in the table round a centre."""
    along, across = axes(u, v, centre)
    return float(((along > ALONG[0]) & (along < ALONG[1]) & (np.abs(across) < ACROSS[1])).mean())


class _Grower:
    """The state of the growing: what each round reads and replaces."""

    reach: float
    trusts: tuple[float, ...]
    second: Floats | None
    subtracted: tuple[Doubles, list[Floats]] | None
    positive: list[Floats]
    negative: list[Floats]
    apart: list[Floats]
    likeness: list[Floats]

    def __init__(
        self,
        points: list[_Points],
        spread: Doubles,
        narrow: float,
        boxed: float,
        wide: Doubles,
        joined: bool,
    ) -> None:
        self.points = points
        self.spread = spread
        self.wide, self.joined = wide, joined
        self.frames = sum(p.frame.weight for p in points)
        self.pixels = sum(p.frame.weight * p.a.size for p in points)
        self.boxed = boxed
        self.cells = cells = spread * _per_cell()
        sampled = _total(p.splat(p.seeds) for p in points)
        if not sampled.any():
            raise LearnError("The sampled pixels have no colour in common: they are noise. Put the sample on skin.")
        sampled = sampled / max(float(sampled.sum()), 1e-9)
        self.prior = _blur(sampled, _triple(cells * narrow))
        self.prior /= self.prior.sum() + 1e-12
        self.envelope = self._envelope(sampled, cells)
        near = _blur(sampled, _triple(cells * narrow * (1, 1, 1.3)))
        self.affinity = np.sqrt(near / near.max())
        broad = _blur(sampled, _triple(cells * (0.8, 0.7, 1.5)))
        self.broad = np.sqrt(broad / broad.max())
        self.alike = [p.look(self.broad) for p in points]
        self._widen(np.ascontiguousarray(np.sqrt(wide)))
        grain = [p.grain(alike) for p, alike in zip(points, self.alike, strict=True)]
        self.edges = [p.edges(1.0, g, boxed) for p, g in zip(points, grain, strict=True)]
        self.faint = [p.edges(0.5, g, boxed) for p, g in zip(points, grain, strict=True)]
        self.ours = [self._parting(i, p.seeds) for i, p in enumerate(points)]

    def without_subtracted(self) -> Self:
        """Return the same for frames from which nothing is subtracted."""
        new = copy.copy(self)
        frames = (dataclasses.replace(p.frame, subtract=np.zeros_like(p.frame.subtract)) for p in self.points)
        new.points = [dataclasses.replace(p, frame=frame) for p, frame in zip(self.points, frames, strict=True)]
        return new

    def begun(self, reach: float, trusts: tuple[float, ...], second: Floats | None) -> Self:
        """Return a grower that begins anew."""
        new = copy.copy(self)
        new.reach, new.trusts, new.second = reach * _between((1, BOXED), self.boxed), trusts, second
        new.subtracted = new._grow_subtracted(self.cells)
        new.positive, new.negative, new.apart, new.likeness = [], [], [], []
        return new

    def _widen(self, root: Doubles) -> None:
        """Let skin of other shading than the samples' be no negative any more, and be weighed."""
        self.alike = [np.maximum(x, p.look(root)) for x, p in zip(self.alike, self.points, strict=True)]
        wide = root * root
        self.envelope = np.maximum(self.envelope, np.clip(4 * wide, 0, 1))
        self.prior = wide / wide.sum()

    def _envelope(self, sampled: Doubles, cells: Doubles) -> Doubles:
        """Return where in the table both classes are weighed: 3.6 sd round the samples, any luma."""
        flat = _blur(sampled.sum(axis=2)[:, :, None].copy(), (cells[0], cells[1], 0.0))
        flat = np.clip(flat / flat.max(), 0, 1)
        return smoothstep(np.log(flat + 1e-9) + 0.5 * 3.6**2 + 1.0)

    def _grow_subtracted(self, cells: Doubles) -> tuple[Doubles, list[Floats]] | None:
        """Spread the subtract samples a short way; return their table and their weight per pixel."""
        sampled = _total(p.splat(p.frame.subtract) for p in self.points)
        if sampled.sum() <= 0:
            return None
        near = _blur(sampled, _triple(cells * (0.25, 0.25, 0.35)))
        near = np.sqrt(near / near.max())
        table = _cells()
        weights = []
        for p, edges in zip(self.points, self.edges, strict=True):
            likeness = p.look(near)
            weight = np.zeros_like(likeness)
            if p.frame.subtract.any():
                away = _distance(p.frame.subtract, likeness, edges, STEP, RESIST)
                weight = likeness * np.exp(-0.5 * (away / (SUBTRACT_REACH * self.reach)) ** 2)
                weight = np.maximum(weight, p.frame.subtract).astype(np.float32)
                weight[p.seeds] = 0
            weights.append(weight)
            table += p.splat(weight)
        table = _blur(table, (0.8, 1.0334, 1.3))
        fourth = near**4
        table += 3.0 * self.pixels * 1e-3 * fourth / max(float(fourth.sum()), 1e-12)
        return table, weights

    def run(self) -> Doubles:
        table = np.maximum(smoothstep((self.affinity - 0.35) / 0.5), WIDE_START * np.sqrt(self.wide))
        for turn, (reach, trust) in enumerate(zip(REACHES, self.trusts, strict=True)):
            self._hear_faces(self._spread(table, reach * self.reach, first=turn == 0))
            table = self._weigh(trust, settled=turn >= 2)
        self.likeness = [p.look(table) for p in self.points]
        return table

    def _like(self, table: Doubles) -> list[Floats]:
        """Return by frame how like the skin every pixel is, what is subtracted left out."""
        found = [guided(p.look(table), p.frame.luma, 2, 1e-3) for p in self.points]
        if self.subtracted is None:
            return found
        return [likeness * (1 - taken) for likeness, taken in zip(found, self.subtracted[1], strict=True)]

    def _spread(self, table: Doubles, reach: float, first: bool) -> list[Floats]:
        """Find this round's positives and negatives in every frame; return how like the skin every pixel is."""
        self.positive, self.negative, self.apart = [], [], []
        likely = self._like(table)
        for i, (p, likeness) in enumerate(zip(self.points, likely, strict=True)):
            alike = np.maximum(likeness, self.alike[i])
            positive = np.zeros_like(likeness)
            nearby = np.zeros_like(likeness)
            reached = np.zeros_like(likeness)
            if p.seeds.any():
                away = _distance(p.seeds, likeness, self.edges[i], STEP, RESIST)
                reached = np.exp(-0.5 * (away / reach) ** 2).astype(np.float32)
                if first:
                    nearby = p.nearby
                else:
                    reached *= self._own(i, reached, alike)
                reached[p.seeds] = 1
                positive = likeness * reached
                positive[p.seeds] = 1
            self.positive.append(positive)
            self.negative.append((1 - alike) * (1 - 0.7 * nearby))
            self.apart.append(alike * (1 - reached))
        return likely

    def told(self, table: Doubles, likely: Sequence[Floats | None]) -> Self:
        """Return a grower whose positives and negatives are what is said of every pixel."""
        new = copy.copy(self)
        new.positive, new.negative, new.apart = list(self.positive), list(self.negative), list(self.apart)
        for i, (p, said) in enumerate(zip(self.points, likely, strict=True)):
            if said is None:
                continue
            skin = said if self.subtracted is None else said * (1 - np.sqrt(self.subtracted[1][i]))
            skin = np.where(p.seeds, np.float32(1), skin)
            new.positive[i], new.negative[i], new.apart[i] = skin, 1 - skin, np.zeros_like(skin)
        new._hear_faces(new._like(table))
        return new

    def settle(self, heavier: Sequence[Floats]) -> Doubles:
        """Return the likelihood of skin by how often every colour is among the positives and among the negatives."""
        positive = [w * k for w, k in zip(self.positive, heavier, strict=True)]
        negative = [w * k for w, k in zip(self.negative, heavier, strict=True)]
        skin, other = (self._told_share(planes) for planes in (positive, negative))
        other += TOLD_LEAST * self.pixels
        skin *= self._best_weight(skin / (skin + other), positive, negative)
        if self.subtracted is not None:
            other = other + self._subtracted_share(skin, other)
        table = skin / (skin + other)
        table[table < TOLD_FLOOR] = 0
        self.likeness = [p.look(table) for p in self.points]
        return table

    def _told_share(self, weights: list[Floats]) -> Doubles:
        """Return how often every colour occurs; where hardly any pixel has it, by what has it in other light."""
        table = self._histogram(weights)
        return _blur(table, TOLD_BLUR) + TOLD_BACK * _blur(table, TOLD_WIDE)

    def without_strays(self, table: Doubles, persons: Sequence[Floats]) -> Doubles | None:
        """Close a table to the colours of which most lies beside persons, and look anew; None where none do.

        A colour is kept where its share within is more than half of the F1 that the best cut gives, as in
        :meth:`_best_weight`: what is keyed within counts as right, what is keyed beside as wrong.
        """
        keyed = [smoothstep((q.astype(np.float64) - 0.25) * 2) for q in self.likeness]
        within = [k * person for k, person in zip(keyed, persons, strict=True)]
        beside = [k - w for k, w in zip(keyed, within, strict=True)]
        if sum(float(b.sum()) for b in beside) < STRAYS * sum(float(k.sum()) for k in keyed):
            return None
        marks = self._marks()
        outer = _blur(self._histogram(beside), STRAY_BLUR)
        for _ in range(STRAY_TIMES):
            inner = _blur(self._histogram(within), STRAY_BLUR)
            share = (inner + 1e-9) / (inner + outer + 1e-9)
            cut = self._best_f1(share, within, beside) / 2
            kept = table * smoothstep((share - cut) / (2 * STRAY_FADE) + 0.5)
            found = [p.look(kept) for p in self.points]
            closed = [
                mark for mark in marks if float(found[mark[0]][mark[1]].mean(dtype=np.float64)) < KEPT_OPEN * mark[2]
            ]
            if not closed:
                self.likeness = found
                return kept
            for k, here, _ in closed:
                within[k][here] *= STRAY_LOUDER
        return None

    def _marks(self) -> list[tuple[int, Flags, float]]:
        """Return every mark of skin: its frame, what it covers there, and how open the key is on it."""
        return [
            (k, here, float(likely[here].mean(dtype=np.float64)))
            for k, (p, likely) in enumerate(zip(self.points, self.likeness, strict=True))
            for here in marks_of(p.frame, p.seeds)
        ]

    def _best_weight(self, table: Doubles, positive: Sequence[Floats], negative: Sequence[Floats]) -> float:
        """Return the weight of skin with which the key's F1 is largest, if every pixel is what is said of it.

        The cut that is best for F1 is half of the F1 that it gives: Z. Lipton, C. Elkan & B. Naryanaswamy, "Optimal
        thresholding of classifiers to maximize F1 measure", ECML PKDD 2014 (from memory).
        """
        return float(np.clip(2 / max(self._best_f1(table, positive, negative), 0.1) - 1, 1, MOST_WEIGHT))

    def _best_f1(
        self, table: Doubles, positive: Sequence[NDArray[np.floating]], negative: Sequence[NDArray[np.floating]]
    ) -> float:
        """Return the largest F1 that a cut through what a table says reaches, by the weight of every pixel."""
        found = np.concatenate([p.look(table).ravel() for p in self.points])
        skin, rest = (
            np.concatenate([p.frame.weight * w.ravel() for p, w in zip(self.points, planes, strict=True)])
            for planes in (positive, negative)
        )
        level = np.asarray(np.clip(found, 0, 1) * _CUTS, np.int64)
        right, wrong = (np.bincount(level, weights, _CUTS + 1)[::-1].cumsum() for weights in (skin, rest))
        keyed = right + wrong
        return float((2 * right / (right[-1] + keyed)).max())

    def _hear_faces(self, likely: list[Floats]) -> None:
        """Let what faces show, and what lies round them, count for and against; and the second light of the first.

        :param likely: by frame, how like the skin every pixel is.
        """
        if self.second is not None:
            self.positive[0] = np.maximum(self.positive[0], self.second)
            self.negative[0] = self.negative[0] * (1 - self.second)
            self.apart[0] = self.apart[0] * (1 - self.second)
        for i, (p, likeness) in enumerate(zip(self.points, likely, strict=True)):
            if p.faces is None:
                continue
            face, against = p.faces
            self.positive[i] = np.maximum(self.positive[i] * (1 - against), likeness * face)
            self.positive[i][p.seeds] = 1
            spared = self.negative[i] * (1 - np.float32(SPARED) * face)
            self.negative[i] = np.maximum(spared, against * (1 - face))
            self.apart[i] = self.apart[i] * (1 - against) * (1 - face)

    def _parting(self, i: int, start: Flags) -> Doubles:
        """Return what the edges between every pixel of a frame and the start cost, however far it is."""
        return _distance(start, np.zeros(start.shape, np.float32), self.faint[i], 0.0, 0.0)

    def _own(self, i: int, reached: Floats, alike: Floats) -> Floats:
        """Return how far what is reached in a frame is the samples', and not of the look-alike that is not reached.

        Either has its claim where the least edge parts it from the pixel: the competition of geodesic distances by
        X. Bai & G. Sapiro, "Geodesic matting", Int. J. Computer Vision 82, 2009, over edges alone. Even where both are
        as near, it is the samples': the far side of a face is not reached either.
        """
        far = _inner((reached < 0.1) & (alike > 0.5))
        if not far.any():
            return np.ones_like(reached)
        theirs, ours = self._parting(i, far) + NO_EDGE, self.ours[i] + NO_EDGE
        return (np.minimum(1, 2 * theirs / (theirs + ours)) ** 2).astype(np.float32)

    def _weigh(self, trust: float, settled: bool) -> Doubles:
        """Turn positives and negatives into the likelihood of skin in every cell of the table.

        :param trust: the weight of skin beside that of everything else.
        :param settled: the positives have spread far enough to tell a wall by its amount.
        """
        share, narrow = (FACE_BELL, FACE_BLUR) if self.joined else (BELL, 1.0)
        skin = _blur(self._histogram(self.positive), (1.1 * narrow, 1.0704 * narrow, 1.4716 * narrow))
        skin += 6.7876 * self.pixels * 1e-3 * self.prior
        bell = _bell(*self._moments())
        skin = (1 - share) * skin + share * skin.sum() * bell / max(float(bell.sum()), 1e-12)
        other = 0.9025 * _blur(self._histogram(self.negative), (0.8, 1.0334, 1.3))
        near = skin * self.envelope
        ratio = unlike = self._ratio(other, near)
        wall = self._wall(skin) if settled else None
        if wall is not None:
            other = other + wall
            ratio = self._ratio(other, near)
        skin = near * ratio * trust
        other = other + 0.005 * self.pixels / 1e4 * (ratio / unlike)  # what no pixel shows stays as unlikely
        if self.subtracted is not None:
            other = other + self._subtracted_share(skin, other)
        return skin / (skin + other)

    def _ratio(self, other: Doubles, near: Doubles) -> float:
        """Return the factor on skin that lets both classes weigh the same near the samples."""
        ratio = (other * self.envelope).sum() / max(float(near.sum()), 1e-9)
        return float(np.clip(ratio, 0.2, 30.0))

    def _wall(self, skin: Doubles) -> Doubles | None:
        """Return what looks like skin, is not connected with it, and is too much to be a hand or another face.

        A cell of the table counts as far as it holds more unconnected pixels than usual: half as many again as
        connected skin of that colour at any luma, or the middle share over all skin where that is higher (a crowd).
        Nothing counts where all of it together is no more than half as much again as the skin itself.
        """
        apart = _blur(self._histogram(self.apart), (0.8, 1.0334, 1.3))
        there = skin > 1e-4 * skin.max()
        usual = max(1.5, _weighted_median(apart[there] / skin[there], skin[there], 1.5))
        total = max(float(skin.sum()), 1e-9)
        if float(np.maximum(apart - usual * skin, 0).sum()) <= 1.5 * total:
            return None
        excess = np.maximum(apart - usual * np.maximum(skin, _blur(skin, (1.0, 1.0, 4.0))), 0)
        return excess * smoothstep(np.asarray((excess.sum() / total - 1.5) / 3))

    def _subtracted_share(self, skin: Doubles, other: Doubles) -> Doubles:
        """Return the subtracted colours, weighed just so that the key closes on them: what skin they share stays in.

        Where the key is closed to a colour anyway they weigh as much as they may, so that it stays closed in other
        light; where it is open, no more than closes it.
        """
        assert self.subtracted is not None
        colours = self.subtracted[0] * (float(skin.sum()) / max(float(self.subtracted[0].sum()), 1e-9))
        apart = HEAVIEST * colours * other / (skin + other)
        least, most = 0.0, HEAVIEST
        if self._marked(skin / (skin + other + apart)) <= CLOSED:
            return apart
        for _ in range(6):
            share = 0.5 * (least + most)
            if self._marked(skin / (skin + other + apart + share * colours)) > CLOSED:
                least = share
            else:
                most = share
        return apart + most * colours

    def _marked(self, table: Doubles) -> float:
        """Return the mean likelihood of skin on the subtract samples."""
        marked = [p.look(table, p.frame.subtract) for p in self.points]
        return float(np.concatenate(marked).mean(dtype=np.float64))

    def _histogram(self, weights: Sequence[NDArray[np.floating]]) -> Doubles:
        return _total(p.frame.weight * p.splat(w) for p, w in zip(self.points, weights, strict=True))

    def _moments(self) -> tuple[Doubles, Doubles]:
        """Return mean and shrunk, widened covariance of the positives on the three axes."""
        rows, weights = [], []
        for p, w in zip(self.points, self.positive, strict=True):
            keep = np.flatnonzero((w.ravel() > 0.02) & p.inside)
            rows.append(p.colours[:, keep])
            weights.append(p.frame.weight * w.ravel()[keep].astype(np.float64))
        x, weight = np.concatenate(rows, axis=1), np.concatenate(weights)
        total = max(float(weight.sum()), 1e-9)
        mean = (weight * x).sum(axis=1) / total
        z = x - mean[:, None]
        heavy = weight * z
        scatter = np.array([[(heavy[min(i, j)] * z[max(i, j)]).sum() for j in range(3)] for i in range(3)])
        assumed = 40 * self.frames  # of every frame as much: a frame given twice teaches what it teaches once
        return mean, (scatter + assumed * np.diag(self.spread**2 * 0.35)) / (total + assumed) * 1.5

    def compact(self) -> Doubles:
        """Return the compact form: mean, covariance and the squared distance that best parts the two classes."""
        mean, covariance = self._moments()
        inverse = np.linalg.inv(covariance)
        positive = sum(float(w.sum()) for w in self.positive)
        balance = float(np.clip(positive / max(sum(float(w.sum()) for w in self.negative), 1e-9), 0.02, 50))
        gain = np.zeros(int(FARTHEST_CUT * CUT_STEPS) + 2)
        for p, w, n in zip(self.points, self.positive, self.negative, strict=True):
            x, y, z = p.colours - mean[:, None]
            distance = x * (inverse[0, 0] * x + 2 * inverse[0, 1] * y + 2 * inverse[0, 2] * z)
            distance += y * (inverse[1, 1] * y + 2 * inverse[1, 2] * z) + inverse[2, 2] * z * z
            level = np.minimum(distance, FARTHEST_CUT + 1 / CUT_STEPS) * CUT_STEPS
            own = w.ravel().astype(np.float64) - balance * n.ravel()
            gain += np.bincount(level.astype(np.int64), own, len(gain))
        cut = float(np.clip((int(np.argmax(np.cumsum(gain))) + 1) / CUT_STEPS, NEAREST_CUT, FARTHEST_CUT))
        c = covariance
        return np.array([*mean, c[0, 0], c[0, 1], c[0, 2], c[1, 1], c[1, 2], c[2, 2], cut])

    def unconnected(self) -> float:
        """Return the share of skin-like area that the samples do not reach, in the frame that they reach best.

        A further frame may hold no more than a dab where the key was wrong.
        """
        shares = []
        for p, q, w in zip(self.points, self.likeness, self.positive, strict=True):
            reached = w[q > 0.5]
            if p.seeds.any() and reached.size:
                shares.append(1 - float(reached.mean(dtype=np.float64)))
        return min(shares, default=1.0)

    def recall(self) -> float:
        """Return the share of sampled pixels that the key calls skin."""
        seeds = sum(int(p.seeds.sum()) for p in self.points)
        known = sum(int((q[p.seeds] > 0.5).sum()) for p, q in zip(self.points, self.likeness, strict=True))
        return known / max(seeds, 1)


def plain_distance(start: Flags) -> Doubles:
    """Return the distance from some pixels, in frame heights, float64 (h, w)."""
    return _distance(start, np.zeros(start.shape, np.float32), np.zeros((4, *start.shape)), 1.0, 0.0)


def _inner(flags: Flags) -> Flags:
    """Return the flagged pixels whose eight neighbours are flagged too: no specks, no lines."""
    wide = np.pad(flags, 1, constant_values=True)
    rows = wide[:-2] & wide[1:-1] & wide[2:]
    return rows[:, :-2] & rows[:, 1:-1] & rows[:, 2:]


def _between(pair: tuple[float, float], part: float) -> float:
    """Return what lies so far from the first to the second."""
    return pair[0] + (pair[1] - pair[0]) * part


def _triple(values: Doubles) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def _weighted_median(values: Doubles, weights: Doubles, least: float) -> float:
    """Return the value up to which half of the weight lies; ``least`` where it is no more than that."""
    half = 0.5 * float(weights.sum())
    if float(weights[values <= least].sum()) >= half:
        return least
    order = np.argsort(values, kind="stable")
    below = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(below, 0.5 * below[-1])])


def _bell(mean: Doubles, covariance: Doubles) -> Doubles:
    """Return the unnormalised Gaussian over every cell of the table."""
    inverse = np.linalg.inv(covariance)
    steps = [np.linspace(low, high, n) - m for (low, high), n, m in zip((ALONG, ACROSS, LUMA), GRID, mean, strict=True)]
    a, t, y = steps[0][:, None, None], steps[1][None, :, None], steps[2][None, None, :]
    flat = inverse[0, 0] * a * a + inverse[1, 1] * t * t + 2 * inverse[0, 1] * a * t
    slope = 2 * (inverse[0, 2] * a + inverse[1, 2] * t)
    return np.exp(-0.5 * (flat + y * (slope + inverse[2, 2] * y)))
