"""What a face shows of itself: a drawn outline laid over five landmarks, and the face cut out of its surroundings.

Pictures are looked at on a grid of cells, :data:`GRID_SIDE` on the long side, so that proxies and full size agree.
Every cell is the mean of 4 × 4 of its pixels. The drawn face counts in distances of the pupils, from the middle of the
eyes, x to the picture's right and y down along the face. Whether a cell is the face's skin is told by its place and, in
three rounds, by how often its colour and its texture occur on the face and beside it: the colour of skin is never
assumed, so neon or blue light does not matter.

Proportions of the drawn face: average adult measures of pupil distance (62 mm), face breadth at the cheekbones
(137 mm) and height from hairline to chin (185 mm), L. G. Farkas (ed.), "Anthropometry of the Head and Face", 1994 (from
memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats, as_picture
from .colour import F, is_finite3, log2_px, ycbcr_px
from .guided import guided
from .jit import strip_kernel, subroutine
from .median import median
from .rows import fill_row, scale_row

GRID_SIDE = 256
"""Cells of the grid on the picture's long side."""

Doubles = NDArray[np.float64]
Landmarks = Sequence[tuple[float, float]]
"""The two eyes, the tip of the nose and the corners of the mouth, normalised to the frame; from the picture's left."""

FIVE = np.array([(-0.5, 0.0), (0.5, 0.0), (0.0, 0.62), (-0.42, 1.08), (0.42, 1.08)])
"""The five landmarks on the drawn face."""
_NOSE, _EYES = 0.45, 1.1
"""How far the tip of the nose stands out before the eyes, and how far apart the pupils of a face lie that looks ahead:
measured from the middle of the eyes to that of the mouth, as the detector sees 50 faces."""
_TOWARD, _AWAY, _NARROWEST = -0.3, 0.5, 0.2
"""By how much the outline of a face in profile is wider than the turn of a disc makes it, on the side that the nose
points to and on the other, and the least width of a side. On the faces of 33 pictures the mean F1 of what is keyed in
them rises by .030, and as much where each picture is left out of the choice."""
_FLATTEST = 0.4
"""How narrow eyes, brows and mouth become at most."""

_RIGHT = np.array(
    [
        *((0, -1.02), (0.35, -0.98), (0.66, -0.83), (0.9, -0.52), (1.02, -0.15), (1.05, 0.2), (1.0, 0.62)),
        *((0.9, 1.05), (0.68, 1.48), (0.38, 1.76), (0, 1.86)),
    ]
)
"""The right half of the outline, from the top down."""
_MIDDLE = 0.42
"""How far below the eyes the middle of the outline lies."""

ZONE, HOLE, EYE = 1, 2, 4
"""Flags of a cell: near the face · eyes, brows or mouth · eyes."""

_DIRECTIONS = 512


def _far() -> Doubles:
    """Return the outline's distance from its middle by direction, from −π to π, linear in the angle."""
    outline = np.concatenate([_RIGHT, (_RIGHT * (-1, 1))[-2:0:-1]]) - (0, _MIDDLE)
    turn = np.arctan2(outline[:, 1], outline[:, 0])
    order = np.argsort(turn)
    turn, far = turn[order], np.hypot(outline[order, 0], outline[order, 1])
    around = np.concatenate([turn - 2 * np.pi, turn, turn + 2 * np.pi])
    return np.interp(np.linspace(-np.pi, np.pi, _DIRECTIONS + 1), around, np.tile(far, 3))


_FAR = _far()
_FARTHEST = float(_FAR.max())
_HOLES = np.array(
    [
        (-0.5, -0.02, 0.30, 0.17, EYE | HOLE),
        (0.5, -0.02, 0.30, 0.17, EYE | HOLE),
        (-0.52, -0.36, 0.40, 0.13, HOLE),
        (0.52, -0.36, 0.40, 0.13, HOLE),
        (0.0, 1.1, 0.46, 0.17, HOLE),
    ]
)
"""Ellipses: middle, half axes, flags."""

_PLACE = np.array([(0, 3.0), (0.55, 2.5), (0.8, 1.2), (1.0, -0.3), (1.2, -1.6), (1.6, -2.2)])
"""Log-odds that a cell is the face's skin, by its radius alone; 1 is the outline."""
_NECK = -0.4
_FRINGE = np.array([-0.45, 0.35, 1.2])
"""Height above which hair or a hat may lie over the forehead, over which height the log-odds fall by 1, and by how much
at most. On 18 real pictures 1 and 2 raise the mean F1 by .007 and .006."""
_BINS, _CLIP, _ROUNDS = 20, 3.0, 3
_SHADES, _SHADE_CLIP = 24, 2.0


@dataclass(frozen=True)
class Window:
    """A rectangle of cells of the grid."""

    top: int
    left: int
    rows: int
    columns: int

    @property
    def slices(self) -> tuple[slice, slice]:
        """The same as a pair of slices of the whole grid."""
        return slice(self.top, self.top + self.rows), slice(self.left, self.left + self.columns)


@dataclass(frozen=True)
class Cells:
    """A picture on the grid, or a window of it.

    :ivar luma, cb, cr: float32, means of Y′, Cb and Cr. :ivar texture: float32, base-2 logarithm of the fine steps of
        luma in stops, about −8 (smooth) to 0.
    """

    luma: Floats
    cb: Floats
    cr: Floats
    texture: Floats
    window: Window


@dataclass(frozen=True)
class FaceCut:
    """A face cut out of the grid.

    :ivar likely: float32, 0 to 1, how likely a cell is the face's skin; 0 outside the zone. :ivar radius: float32, 1 on
        the outline; from 2 on a lower bound. :ivar across, down: float32, places on the drawn face. :ivar flags: uint8,
        see :data:`ZONE`.
    """

    likely: Floats
    radius: Floats
    across: Floats
    down: Floats
    flags: NDArray[np.uint8]
    window: Window

    def has(self, flag: int) -> NDArray[np.bool_]:
        """Tell which cells carry a flag."""
        return (self.flags & flag) > 0

    @property
    def core(self) -> NDArray[np.bool_]:
        """What is safely the face's skin, inside the outline and without eyes, brows and mouth."""
        return (self.likely > 0.7) & (self.radius < 0.95) & ~self.has(HOLE)

    def whole(self, plane: NDArray[np.generic], shape: tuple[int, int], outside: float = 0) -> NDArray[np.generic]:
        """Return one of the planes on the whole grid."""
        out = np.full(shape, outside, plane.dtype)
        out[self.window.slices] = plane
        return out


# --- the grid -----------------------------------------------------------------------------------------------


def grid_shape(height: int, width: int) -> tuple[int, int]:
    """Return rows and columns of the grid of a picture.

    >>> grid_shape(1080, 1920), grid_shape(1920, 1080)
    ((144, 256), (256, 144))
    """
    scale = min(1.0, GRID_SIDE / max(height, width))
    return max(1, round(height * scale)), max(1, round(width * scale))


@subroutine
def _take_row(row, at, red, green, blue):
    for x in range(at.shape[0]):
        red[x], green[x], blue[x] = row[at[x], 0], row[at[x], 1], row[at[x], 2]


@subroutine
def _probe_row(luma, cb, cr):
    """Turn a row of R′G′B′ into Y′, Cb and Cr, limited; what is not finite counts as black."""
    for x in range(luma.shape[0]):
        r, g, b = luma[x], cb[x], cr[x]
        known = is_finite3(r, g, b)
        y, u, v = ycbcr_px(r if known else F(0), g if known else F(0), b if known else F(0))
        luma[x] = min(max(y, F(0)), F(4))
        cb[x] = min(max(u, F(-1)), F(1))
        cr[x] = min(max(v, F(-1)), F(1))


@subroutine
def _log_row(out, luma):
    for x in range(out.shape[0]):
        out[x] = log2_px(luma[x] + F(0.04))


@subroutine
def _add_fours(out, row):
    """Add four neighbours of a row each, one after another."""
    for j in range(out.shape[0]):
        out[j] = (((out[j] + row[4 * j]) + row[4 * j + 1]) + row[4 * j + 2]) + row[4 * j + 3]


@strip_kernel
def _probe_strips(image, shape, corner, luma, cb, cr, log_luma):
    """Take 4 × 4 pixels of every cell of a window: their means, and the logarithm of each one's luma."""
    height, width = image.shape[0], image.shape[1]
    rows, columns = luma.shape
    at = np.empty(4 * columns, np.int64)
    for j in range(columns):
        for l in range(4):
            at[4 * j + l] = ((8 * (corner[1] + j) + 2 * l + 1) * width) // (8 * shape[1])
    pixels = np.empty((3, 4 * columns), np.float32)
    for i in range(rows):
        fill_row(luma[i], F(0))
        fill_row(cb[i], F(0))
        fill_row(cr[i], F(0))
        for k in range(4):
            y = ((8 * (corner[0] + i) + 2 * k + 1) * height) // (8 * shape[0])
            _take_row(image[y], at, pixels[0], pixels[1], pixels[2])
            _probe_row(pixels[0], pixels[1], pixels[2])
            _log_row(log_luma[4 * i + k], pixels[0])
            _add_fours(luma[i], pixels[0])
            _add_fours(cb[i], pixels[1])
            _add_fours(cr[i], pixels[2])
        scale_row(luma[i], luma[i], F(1 / 16))
        scale_row(cb[i], cb[i], F(1 / 16))
        scale_row(cr[i], cr[i], F(1 / 16))


@strip_kernel
def _fine_strips(log_luma, fine):
    """Mean distance of every cell's pixels from a smooth picture: means of cells, blurred by 1 2 1, interpolated."""
    rows, columns = fine.shape
    mean = np.empty((rows, columns), np.float32)
    smooth = np.empty((rows, columns), np.float32)
    for i in range(rows):
        for j in range(columns):
            total = F(0)
            for k in range(4):
                for l in range(4):
                    total += log_luma[4 * i + k, 4 * j + l]
            mean[i, j] = total * F(1 / 16)
    for i in range(rows):
        up, low = max(i - 1, 0), min(i + 1, rows - 1)
        for j in range(columns):
            smooth[i, j] = F(0.25) * (mean[up, j] + mean[low, j]) + F(0.5) * mean[i, j]
    for i in range(rows):
        before = smooth[i, 0]
        for j in range(columns):
            here = smooth[i, j]
            after = smooth[i, min(j + 1, columns - 1)]
            mean[i, j] = F(0.25) * (before + after) + F(0.5) * here
            before = here
    for i in range(rows):
        for j in range(columns):
            total = F(0)
            for k in range(4):
                y = i - 1 if k < 2 else i
                ty = F(0.25) * (F(k) + F(0.5)) + (F(0.5) if k < 2 else F(-0.5))
                y0, y1 = max(y, 0), min(y + 1, rows - 1)
                for l in range(4):
                    x = j - 1 if l < 2 else j
                    tx = F(0.25) * (F(l) + F(0.5)) + (F(0.5) if l < 2 else F(-0.5))
                    x0, x1 = max(x, 0), min(x + 1, columns - 1)
                    top = mean[y0, x0] + tx * (mean[y0, x1] - mean[y0, x0])
                    low = mean[y1, x0] + tx * (mean[y1, x1] - mean[y1, x0])
                    total += abs(log_luma[4 * i + k, 4 * j + l] - (top + ty * (low - top)))
            fine[i, j] = total * F(1 / 16)


@strip_kernel
def _stops_strips(plane):
    for i in range(plane.shape[0]):
        for j in range(plane.shape[1]):
            plane[i, j] = log2_px(plane[i, j] + F(0.004))


def cells_of(image: Floats, window: Window | None = None) -> Cells:
    """Return a picture on the grid.

    :param image: float32 (H, W, 3 or 4), display-referred R′G′B′(A); NaN and infinite pixels count as black.
    :param window: only this part of the grid.
    :raises PictureError: wrong array.

    >>> cells = cells_of(np.full((90, 160, 3), 0.5, np.float32))
    >>> cells.luma.shape, float(cells.luma.max())
    ((90, 160), 0.5)
    """
    image = as_picture(image)
    shape = grid_shape(*image.shape[:2])
    window = window or Window(0, 0, *shape)
    size = window.rows, window.columns
    luma, cb, cr = (np.empty(size, np.float32) for _ in range(3))
    log_luma = np.empty((4 * size[0], 4 * size[1]), np.float32)
    _probe_strips(image, shape, (window.top, window.left), luma, cb, cr, log_luma)
    fine = np.empty(size, np.float32)
    _fine_strips(log_luma, fine)
    texture = median(fine, 2)
    _stops_strips(texture)
    return Cells(luma, cb, cr, texture, window)


# --- the outline --------------------------------------------------------------------------------------------


class Placed(NamedTuple):
    """Where the drawn face lies on a grid.

    A cell lies at x + a · across − b · down, y + b · across + a · down.

    :ivar left, right: width of either half beside that of a face seen from the front. :ivar holes, apart: the same of
        eyes, brows and mouth, and of how far apart they lie.
    """

    a: float
    b: float
    x: float
    y: float
    left: float = 1.0
    right: float = 1.0
    holes: float = 1.0
    apart: float = 1.0


def turn_of(to: Doubles) -> tuple[float, float]:
    """Return sine and cosine of the angle by which a head is turned aside, toward the picture's right above 0.

    The nose stands out before the eyes, and the eyes draw together: both are measured against the distance from the
    eyes to the mouth, which a turn leaves as it is.

    :param to: the five landmarks, float64 (5, 2), in units of equal size.

    >>> aside = FIVE + [(0, 0), (0, 0), (0.3, 0), (0, 0), (0, 0)]
    >>> [round(float(turn_of(landmarks)[0]), 2) for landmarks in (FIVE, aside)]
    [0.0, 0.59]
    """
    eyes, mouth = (to[0] + to[1]) / 2, (to[3] + to[4]) / 2
    down = mouth - eyes
    length = float(np.hypot(*down))
    if not length > 0:
        return 0.0, 1.0
    across, size = np.array([down[1], -down[0]]) / length, length / (FIVE[3, 1] - FIVE[0, 1])
    nose = float((to[2] - eyes) @ across) / (_NOSE * size)
    apart = max(float((to[1] - to[0]) @ across) / (_EYES * size), 0.0)
    whole = math.hypot(nose, apart)
    return (nose / whole, apart / whole) if whole > 0 else (0.0, 1.0)


def fit(points: Landmarks, shape: tuple[int, int], turns: bool = True) -> Placed | None:
    """Lay the drawn face over five landmarks: the least-squares shift, turn and size, in cells of a grid.

    :param turns: the drawing turns aside with the head; otherwise it is seen from the front.
    :returns: None for points that give no size. Source: S. Umeyama, "Least-squares estimation of transformation
        parameters between two point patterns", IEEE PAMI 13(4), 1991, in two dimensions and without mirroring.
    """
    to = np.asarray(points, np.float64) * (shape[1], shape[0]) - 0.5
    sine, cosine = turn_of(to) if turns and np.isfinite(to).all() else (0.0, 1.0)
    five = FIVE * (cosine, 1.0)
    five[2, 0] += _NOSE * sine
    own, other = five - five.mean(axis=0), to - to.mean(axis=0)
    size = float((own**2).sum())
    a = float((own * other).sum()) / size
    b = float((own[:, 0] * other[:, 1] - own[:, 1] * other[:, 0]).sum()) / size
    if not (math.isfinite(a) and math.isfinite(b)) or math.hypot(a, b) < 0.5:
        return None
    middle = five.mean(axis=0)
    x = float(to[:, 0].mean()) - a * middle[0] + b * middle[1]
    y = float(to[:, 1].mean()) - b * middle[0] - a * middle[1]
    toward, away = (max(cosine + abs(sine) * wider, _NARROWEST) for wider in (_TOWARD, _AWAY))
    left, right = (away, toward) if sine >= 0 else (toward, away)
    return Placed(a, b, x, y, left, right, max(cosine, _FLATTEST), cosine)


def radius_at(points: Landmarks, shape: tuple[int, int], at: tuple[float, float], turns: bool = True) -> float:
    """Return how far from a face's middle a place of the frame lies, 1 on the outline; infinite without a face.

    >>> landmarks = [(0.45, 0.4), (0.55, 0.4), (0.5, 0.52), (0.46, 0.6), (0.54, 0.6)]
    >>> radius_at(landmarks, (144, 256), (0.5, 0.5)) < 1 < radius_at(landmarks, (144, 256), (0.9, 0.9))
    True
    """
    placed = fit(points, shape, turns)
    if placed is None:
        return math.inf
    a, b, x0, y0, left, right = placed[:6]
    dx, dy = at[0] * shape[1] - 0.5 - x0, at[1] * shape[0] - 0.5 - y0
    u, v = (a * dx + b * dy) / (a * a + b * b), (a * dy - b * dx) / (a * a + b * b) - _MIDDLE
    u /= right if u > 0 else left
    turn = (math.atan2(v, u) / (2 * math.pi) + 0.5) * _DIRECTIONS
    return math.hypot(u, v) / float(np.interp(turn, np.arange(_DIRECTIONS + 1), _FAR))


_REACH = 2.0
"""How far beyond its middle the zone of a face reaches, in radii."""
_BORDER = 4
"""Cells beyond the zone that its texture is found from."""


def _zone() -> Doubles:
    """Return what lies round the zone of a face, on the drawn face: twice the outline, little below the chin."""
    turn = np.linspace(-np.pi, np.pi, _DIRECTIONS + 1)
    outline = _FAR[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    lowest = max(1.9, _MIDDLE + 1.15 * float(outline[:, 1].max()))
    return np.asarray(np.minimum(_REACH * outline + (0, _MIDDLE), (np.inf, lowest)))


_ZONE = _zone()


def window_of(placed: Placed, shape: tuple[int, int]) -> Window | None:
    """Return the part of the grid that holds a face's zone; None where it lies outside the frame."""
    a, b, x, y, left, right = placed[:6]
    zone = _ZONE * np.stack([np.where(_ZONE[:, 0] > 0, right, left), np.ones(len(_ZONE))], axis=1)
    across, down = x + zone @ (a, -b), y + zone @ (b, a)
    left, right = max(int(across.min() - _BORDER), 0), min(int(across.max() + _BORDER) + 1, shape[1])
    top, low = max(int(down.min() - _BORDER), 0), min(int(down.max() + _BORDER) + 1, shape[0])
    return Window(top, left, low - top, right - left) if low > top and right > left else None


@strip_kernel
def _places_strips(placed, corner, far, farthest, holes, radius, across, down, flags):
    """Find every cell's place on the drawn face. Where the radius is surely 2 or more it is only a lower bound."""
    a, b, x0, y0, left, right, holes_width, apart = placed
    scale = 1 / (a * a + b * b)
    last = far.size - 1
    for i in range(radius.shape[0]):
        for j in range(radius.shape[1]):
            dx = corner[1] + j - x0
            dy = corner[0] + i - y0
            flat = (a * dx + b * dy) * scale
            v = (a * dy - b * dx) * scale
            u = flat / (right if flat > 0 else left)
            away = math.sqrt(u * u + (v - 0.42) ** 2)
            across[i, j] = u
            down[i, j] = v
            if away > farthest * 2.001:
                radius[i, j] = away / farthest
                flags[i, j] = 0
                continue
            turn = (math.atan2(v - 0.42, u) / (2 * math.pi) + 0.5) * last
            at = min(int(turn), last - 1)
            part = turn - at
            r = away / (far[at] * (1 - part) + far[at + 1] * part)
            flag = 0
            if r < 2 and not (v > 1.9 and r > 1.15):
                flag = 1
            for k in range(holes.shape[0]):
                aside = (flat - holes[k, 0] * apart) / (holes[k, 2] * holes_width)
                if aside**2 + ((v - holes[k, 1]) / holes[k, 3]) ** 2 < 1:
                    flag |= int(holes[k, 4])
            radius[i, j] = r
            flags[i, j] = flag


# --- the cut ------------------------------------------------------------------------------------------------


@subroutine
def _blur_cube(cube, spare, taps):
    """Filter a cube along its three axes with zeros beyond its ends."""
    n = cube.shape[0]
    r = taps.shape[0] // 2
    for i in range(n):
        for j in range(n):
            for k in range(n):
                spare[i, j, k] = 0
        for d in range(max(-r, -i), min(r, n - 1 - i) + 1):
            weight = taps[d + r]
            for j in range(n):
                for k in range(n):
                    spare[i, j, k] += weight * cube[i + d, j, k]
    for i in range(n):
        for j in range(n):
            for k in range(n):
                cube[i, j, k] = 0
            for d in range(max(-r, -j), min(r, n - 1 - j) + 1):
                weight = taps[d + r]
                for k in range(n):
                    cube[i, j, k] += weight * spare[i, j + d, k]
    for i in range(n):
        for j in range(n):
            for k in range(n):
                spare[i, j, k] = cube[i, j, k]
                cube[i, j, k] = 0
            for d in range(-r, r + 1):
                weight = taps[d + r]
                for k in range(max(0, -d), min(n, n - d)):
                    cube[i, j, k] += weight * spare[i, j, k + d]


@subroutine
def _percentiles(values, count, tally, ends):
    """Leave the places of the 1st and 99th percentile of values from 0 to 1, to within 1/1024."""
    for k in range(1024):
        tally[k] = 0
    for i in range(count):
        tally[min(max(int(values[i] * 1024), 0), 1023)] += 1
    seen = 0
    ends[0], ends[1] = -1.0, 1.0
    for k in range(1024):
        seen += tally[k]
        if ends[0] < 0 and seen > 0.01 * count:
            ends[0] = (k + 0.5) / 1024
        if seen >= 0.99 * count:
            ends[1] = (k + 0.5) / 1024
            break


@subroutine
def _place_odds(place, radius):
    last = place.shape[0] - 1
    if radius >= place[last, 0]:
        return place[last, 1]
    k = 0
    while radius >= place[k + 1, 0]:
        k += 1
    part = (radius - place[k, 0]) / (place[k + 1, 0] - place[k, 0])
    return place[k, 1] + part * (place[k + 1, 1] - place[k, 1])


@strip_kernel
def _cut_strips(luma, cb, cr, texture, radius, across, down, flags, place, fringe, taps, likely):
    """Part a face from its surroundings: the log-odds of place, colour and texture, in three rounds."""
    rows, columns = luma.shape
    count = 0
    for i in range(rows):
        for j in range(columns):
            likely[i, j] = 0
            count += int(flags[i, j] & 1)  # a count of bytes would be one byte where nothing is compiled
    if count == 0:
        return
    planes = np.empty((3, count))
    shade = np.empty(count, np.int64)
    odds = np.empty(count)
    own_share = np.empty(count)
    other_share = np.empty(count)
    p = np.empty(count)
    at = 0
    for i in range(rows):
        for j in range(columns):
            if flags[i, j] & 1 == 0:
                continue
            planes[0, at] = math.sqrt(min(max(luma[i, j], 0.0), 1.0))
            planes[1, at] = cb[i, j] + 0.5
            planes[2, at] = cr[i, j] + 0.5
            shade[at] = min(max(int((texture[i, j] + 8) * 3), 0), _SHADES - 1)
            r, v = radius[i, j], down[i, j]
            o = _place_odds(place, r)
            if v < fringe[0]:
                o -= min((fringe[0] - v) / fringe[1], fringe[2])
            if v > 1.5 and abs(across[i, j]) < 1.1 and r > 1 and o < _NECK:
                o = _NECK  # the place tells little there
            odds[at] = o
            hole = flags[i, j] & 2 != 0
            own_share[at] = 0.0 if hole else 1.0
            other_share[at] = 0.0 if hole and r < 1 else 1.0
            p[at] = 1 / (1 + math.exp(-o))
            at += 1
    tally = np.empty(1024, np.int64)
    ends = np.empty(2)
    for c in range(3):
        _percentiles(planes[c], count, tally, ends)
        high = max(ends[1], ends[0] + 0.06)
        step = (_BINS - 5) / (high - ends[0])
        for k in range(count):
            planes[c, k] = min(max((planes[c, k] - ends[0]) * step + 2, 1.01), _BINS - 2.1)
    cubes = np.empty((3, _BINS, _BINS, _BINS))
    own, other, spare = cubes[0], cubes[1], cubes[2]
    shades = np.empty((2, _SHADES))
    more = np.empty(_SHADES)
    is_read = np.zeros((_BINS, _BINS, _BINS), np.uint8)
    for k in range(count):
        ia, ib, ic = int(planes[0, k]), int(planes[1, k]), int(planes[2, k])
        for da in range(2):
            for db in range(2):
                is_read[ia + da, ib + db, ic] = 1
                is_read[ia + da, ib + db, ic + 1] = 1
    for _ in range(_ROUNDS):
        cubes[:] = 0
        shades[:] = 0
        for k in range(count):
            a, b, c = planes[0, k], planes[1, k], planes[2, k]
            ia, ib, ic = int(a), int(b), int(c)
            fa, fb, fc = a - ia, b - ib, c - ic
            w, z = p[k] * own_share[k], (1 - p[k]) * other_share[k]
            shades[0, shade[k]] += w
            shades[1, shade[k]] += z
            for da in range(2):
                wa = fa if da else 1 - fa
                for db in range(2):
                    wb = wa * (fb if db else 1 - fb)
                    own[ia + da, ib + db, ic] += w * wb * (1 - fc)
                    own[ia + da, ib + db, ic + 1] += w * wb * fc
                    other[ia + da, ib + db, ic] += z * wb * (1 - fc)
                    other[ia + da, ib + db, ic + 1] += z * wb * fc
        _blur_cube(own, spare, taps)
        _blur_cube(other, spare, taps)
        own_sum = 1e-9
        other_sum = 1e-9
        for ia in range(_BINS):
            for ib in range(_BINS):
                for ic in range(_BINS):
                    own_sum += own[ia, ib, ic]
                    other_sum += other[ia, ib, ic]
        for ia in range(_BINS):
            for ib in range(_BINS):
                for ic in range(_BINS):
                    if is_read[ia, ib, ic]:
                        own[ia, ib, ic] = math.log(
                            (own[ia, ib, ic] / own_sum + 2e-4) / (other[ia, ib, ic] / other_sum + 2e-4)
                        )
        for s in range(2):
            total = 1e-9
            for k in range(_SHADES):
                total += shades[s, k]
            before = 0.0
            for k in range(_SHADES):
                here = shades[s, k]
                after = shades[s, k + 1] if k + 1 < _SHADES else 0.0
                shades[s, k] = (0.25 * (before + after) + 0.5 * here) / total + 5e-3
                before = here
        for k in range(_SHADES):
            more[k] = min(max(math.log(shades[0, k] / shades[1, k]), -_SHADE_CLIP), _SHADE_CLIP)
        for k in range(count):
            a, b, c = planes[0, k], planes[1, k], planes[2, k]
            ia, ib, ic = int(a), int(b), int(c)
            fa, fb, fc = a - ia, b - ib, c - ic
            says = 0.0
            for da in range(2):
                wa = fa if da else 1 - fa
                for db in range(2):
                    wb = wa * (fb if db else 1 - fb)
                    says += wb * (own[ia + da, ib + db, ic] * (1 - fc) + own[ia + da, ib + db, ic + 1] * fc)
            o = odds[k] + min(max(says, -_CLIP), _CLIP) + more[shade[k]]
            p[k] = 1 / (1 + math.exp(-o))
    at = 0
    for i in range(rows):
        for j in range(columns):
            if flags[i, j] & 1 != 0:
                likely[i, j] = p[at]
                at += 1


def _taps() -> Doubles:
    x = np.arange(-4, 5, dtype=np.float64)
    weights = np.exp(-0.5 * x**2)
    return weights / weights.sum()


_TAPS = _taps()


def cut(cells: Cells, points: Landmarks, shape: tuple[int, int], turns: bool = True) -> FaceCut | None:
    """Cut a face out of its surroundings.

    :param cells: the grid, or a window of it that holds the face's own (:func:`window_of`). :param points: the five
        landmarks. :param shape: of the whole grid. :param turns: as in :func:`fit`.
    :returns: the cut in the face's window; None where the landmarks give no face inside the frame.

    >>> landmarks = [(0.45, 0.4), (0.55, 0.4), (0.5, 0.52), (0.46, 0.6), (0.54, 0.6)]
    >>> cells = cells_of(np.full((90, 160, 3), 0.5, np.float32))
    >>> face = cut(cells, landmarks, grid_shape(90, 160))
    >>> bool(face.core.any()), cut(cells, [(2.0, 2.0)] * 5, grid_shape(90, 160))
    (True, None)
    """
    placed = fit(points, shape, turns)
    window = None if placed is None else window_of(placed, shape)
    if placed is None or window is None:
        return None
    here = cells.window
    rows = slice(window.top - here.top, window.top - here.top + window.rows)
    columns = slice(window.left - here.left, window.left - here.left + window.columns)
    luma, cb, cr, texture = (
        np.ascontiguousarray(p[rows, columns]) for p in (cells.luma, cells.cb, cells.cr, cells.texture)
    )
    size = window.rows, window.columns
    radius, across, down, raw = (np.empty(size, np.float32) for _ in range(4))
    flags = np.empty(size, np.uint8)
    _places_strips(tuple(placed), (window.top, window.left), _FAR, _FARTHEST, _HOLES, radius, across, down, flags)
    _cut_strips(luma, cb, cr, texture, radius, across, down, flags, _PLACE, _FRINGE, _TAPS, raw)
    return FaceCut(guided(raw, luma, 1, 4e-4), radius, across, down, flags, window)


def cut_faces(image: Floats, faces: Sequence[Landmarks]) -> tuple[FaceCut, ...]:
    """Cut faces out of a picture, float32 (H, W, 3 or 4); one that lies outside the frame is left out."""
    cells = cells_of(image)
    found = (cut(cells, face, cells.luma.shape) for face in faces)
    return tuple(face for face in found if face is not None)
