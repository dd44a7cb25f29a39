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
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from . import face_front as front
from .arrays import Floats, as_picture
from .colour import F, exp2_px, is_finite3, log2_px, ycbcr_px
from .face_front import place_odds
from .guided import fit_px, guided, guided_px
from .jit import strip_kernel, subroutine
from .median import median5_strips
from .rows import ONE_INT, add_ends_row, add_row, add_scaled_row, copy_row, fill_row, pad_row, product_row, scale_row
from .strips import Stage, all_of_it, over_stages

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
_BINS, _CLIP = 20, 3.0
_ROUNDS = 3
"""Rounds of parting. Without a third the mean F1 of 27 real pictures falls by .0007."""
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

    @property
    def numbers(self) -> NDArray[np.int64]:
        """The same as strip kernels take it, int64 (4,)."""
        return np.array((self.top, self.left, self.rows, self.columns))


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
def add_fours(out, row):
    """Add four pixels of every cell of a row, one after another: the first of all cells lie before the second."""
    n = out.shape[0]
    for j in range(n):
        out[j] = (((out[j] + row[j]) + row[n + j]) + row[2 * n + j]) + row[3 * n + j]


@strip_kernel
def _probe_strips(image, shape, window, step, luma, cb, cr, log_luma, mean, y0, y1):
    """Take 4 × 4 pixels of every cell of a window: their means, the logarithm of each one's luma, and its mean.

    The logarithms lie as the pixels are added: of a row, the first pixels of all cells before the second.

    :param step: 1, or 2 for cells of twice the side: of the pixels that cells of the grid take, every second one.
    """
    height, width = image.shape[0], image.shape[1]
    top, left, rows, columns = window
    at = np.empty(4 * columns, np.int64)
    for j in range(columns):
        for l in range(4):
            x = step * (4 * (left + j) + l) + step // 2
            at[l * columns + j] = min(((2 * x + 1) * width) // (8 * shape[1]), width - 1)
    pixels = np.empty((3, 4 * columns), np.float32)
    for i in range(y0, min(y1, rows)):
        own, blue, red, smooth = luma[i, :columns], cb[i, :columns], cr[i, :columns], mean[i, :columns]
        fill_row(own, F(0))
        fill_row(blue, F(0))
        fill_row(red, F(0))
        fill_row(smooth, F(0))
        for k in range(4):
            y = step * (4 * (top + i) + k) + step // 2
            y = min(((2 * y + 1) * height) // (8 * shape[0]), height - 1)
            _take_row(image[y], at, pixels[0], pixels[1], pixels[2])
            _probe_row(pixels[0], pixels[1], pixels[2])
            _log_row(log_luma[4 * i + k, : 4 * columns], pixels[0])
            add_fours(smooth, log_luma[4 * i + k])
            add_fours(own, pixels[0])
            add_fours(blue, pixels[1])
            add_fours(red, pixels[2])
        scale_row(own, own, F(1 / 16))
        scale_row(blue, blue, F(1 / 16))
        scale_row(red, red, F(1 / 16))
        scale_row(smooth, smooth, F(1 / 16))


@subroutine
def _off_row(out, pixels, above, below, tx, ty):
    """Add how far pixels lie from a smooth picture: between two rows of cells, and two neighbours of each."""
    for j in range(out.shape[0]):
        top = above[j] + tx * (above[j + 1] - above[j])
        low = below[j] + tx * (below[j + 1] - below[j])
        out[j] = out[j] + abs(pixels[j] - (top + ty * (low - top)))


@strip_kernel
def _fine_strips(log_luma, mean, fine, size, y0, y1):
    """Mean distance of every cell's pixels from a smooth picture: means of cells, blurred by 1 2 1, interpolated."""
    rows, columns = size
    y1 = min(y1, rows)
    first, end = max(y0 - 1, 0), min(y1 + 1, rows)
    if y0 >= y1:
        return
    smooth = np.empty((end - first, columns + 2), np.float32)
    down, padded = np.empty(columns, np.float32), np.empty(columns + 2, np.float32)
    for i in range(first, end):
        _blend_row(down, mean[max(i - 1, 0)], mean[min(i + 1, rows - 1)], mean[i])
        pad_row(padded, down, ONE_INT)
        _blend_row(down, padded, padded[2:], padded[1:])
        pad_row(smooth[i - first], down, ONE_INT)
    for i in range(y0, y1):
        own = fine[i, :columns]
        fill_row(own, F(0))
        for k in range(4):
            y = i - 1 if k < 2 else i
            ty = F(0.25) * (F(k) + F(0.5)) + (F(0.5) if k < 2 else F(-0.5))
            above, below = smooth[max(y, 0) - first], smooth[min(y + 1, rows - 1) - first]
            for l in range(4):
                x = 0 if l < 2 else 1
                tx = F(0.25) * (F(l) + F(0.5)) + (F(0.5) if l < 2 else F(-0.5))
                _off_row(own, log_luma[4 * i + k, l * columns : (l + 1) * columns], above[x:], below[x:], tx, ty)
        scale_row(own, own, F(1 / 16))


@subroutine
def _blend_row(out, before, after, here):
    """Write a quarter of two rows each, and half of the one between them."""
    for j in range(out.shape[0]):
        out[j] = F(0.25) * (before[j] + after[j]) + F(0.5) * here[j]


@subroutine
def _stops_row(row):
    for j in range(row.shape[0]):
        row[j] = log2_px(row[j] + F(0.004))


@strip_kernel
def _stops_strips(plane, size, y0, y1):
    for i in range(y0, min(y1, size[0])):
        _stops_row(plane[i, : size[1]])


def cells_of(image: Floats, window: Window | None = None, step: int = 1) -> Cells:
    """Return a picture on the grid.

    :param image: float32 (H, W, 3 or 4), display-referred R′G′B′(A); NaN and infinite pixels count as black.
    :param window: only this part of the grid.
    :param step: 1, or 2 for cells of twice the side, which the window counts then.
    :raises PictureError: wrong array.

    >>> cells = cells_of(np.full((90, 160, 3), 0.5, np.float32))
    >>> cells.luma.shape, float(cells.luma.max())
    ((90, 160), 0.5)
    """
    image = as_picture(image)
    cells, stages = cells_by_stages(image, window or Window(0, 0, *grid_shape(*image.shape[:2])), step)
    over_stages(stages)
    return cells


_ROWS = 4
"""Rows of the grid that are worth a strip."""


def two_more(y1: Any) -> Any:
    """Return how many rows of a plane are needed for rows up to ``y1`` of one that looks two rows further."""
    return y1 + 2


def cells_by_stages(
    image: Floats, window: Window, step: int = 1, numbers: NDArray[np.int64] | None = None
) -> tuple[Cells, tuple[Stage, ...]]:
    """Return a picture on the grid as it will be, see :func:`cells_of`, and the stages that find it.

    :param numbers: int64 (4,), where a window is yet to be found that is at most as large as the one given: its cells
        lie in the corner of the planes then.
    """
    size = rows, columns = window.rows, window.columns
    luma, cb, cr, mean, fine, texture = np.empty((6, *size), np.float32)
    logs = np.empty((4 * rows, 4 * columns), np.float32)
    shape, numbers = grid_shape(*image.shape[:2]), window.numbers if numbers is None else numbers
    within = numbers[2:]
    stages = (
        Stage(_probe_strips, (image, shape, numbers, step, luma, cb, cr, logs, mean), rows, least=_ROWS),
        Stage(_fine_strips, (logs, mean, fine, within), rows, needs=two_more),
        Stage(median5_strips, (fine, texture, within), rows, needs=two_more),
        Stage(_stops_strips, (texture, within), rows),
    )
    return Cells(luma, cb, cr, texture, window), stages


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


Places = Sequence[tuple[float, float]]


def turn_of(to: Places) -> tuple[float, float]:
    """Return sine and cosine of the angle by which a head is turned aside, toward the picture's right above 0.

    The nose stands out before the eyes, and the eyes draw together: both are measured against the distance from the
    eyes to the mouth, which a turn leaves as it is.

    :param to: the five landmarks, in units of equal size.

    >>> aside = FIVE + [(0, 0), (0, 0), (0.3, 0), (0, 0), (0, 0)]
    >>> [round(float(turn_of(landmarks)[0]), 2) for landmarks in (FIVE, aside)]
    [0.0, 0.59]
    """
    (ax, ay), (bx, by), (nx, ny), (cx, cy), (dx, dy) = to
    eyes = (ax + bx) / 2, (ay + by) / 2
    down = (cx + dx) / 2 - eyes[0], (cy + dy) / 2 - eyes[1]
    length = math.hypot(*down)
    if not length > 0:
        return 0.0, 1.0
    across, size = (down[1] / length, -down[0] / length), length / (FIVE[3, 1] - FIVE[0, 1])
    nose = ((nx - eyes[0]) * across[0] + (ny - eyes[1]) * across[1]) / (_NOSE * size)
    apart = max(((bx - ax) * across[0] + (by - ay) * across[1]) / (_EYES * size), 0.0)
    whole = math.hypot(nose, apart)
    return (nose / whole, apart / whole) if whole > 0 else (0.0, 1.0)


def _middle(places: Places) -> tuple[float, float]:
    return sum(x for x, _ in places) / len(places), sum(y for _, y in places) / len(places)


def fit(points: Landmarks, shape: tuple[float, float], turns: bool = True) -> Placed | None:
    """Lay the drawn face over five landmarks: the least-squares shift, turn and size, in cells of a grid.

    :param turns: the drawing turns aside with the head; otherwise it is seen from the front.
    :returns: None for points that give no size. Source: S. Umeyama, "Least-squares estimation of transformation
        parameters between two point patterns", IEEE PAMI 13(4), 1991, in two dimensions and without mirroring.
    """
    to = [(float(x) * shape[1] - 0.5, float(y) * shape[0] - 0.5) for x, y in points]
    is_known = all(math.isfinite(x) and math.isfinite(y) for x, y in to)
    sine, cosine = turn_of(to) if turns and is_known else (0.0, 1.0)
    five = [(x * cosine, y) for x, y in _FIVE]
    five[2] = five[2][0] + _NOSE * sine, five[2][1]
    middle, other = _middle(five), _middle(to)
    pairs = [
        (u - middle[0], v - middle[1], x - other[0], y - other[1]) for (u, v), (x, y) in zip(five, to, strict=True)
    ]
    size = _sum_of_ten([w * w for u, v, _, _ in pairs for w in (u, v)])
    a = _sum_of_ten([w for u, v, x, y in pairs for w in (u * x, v * y)]) / size
    b = sum(u * y - v * x for u, v, x, y in pairs) / size
    if not (math.isfinite(a) and math.isfinite(b)) or math.hypot(a, b) < 0.5:
        return None
    x = other[0] - a * middle[0] + b * middle[1]
    y = other[1] - b * middle[0] - a * middle[1]
    toward, away = (max(cosine + abs(sine) * wider, _NARROWEST) for wider in (_TOWARD, _AWAY))
    left, right = (away, toward) if sine >= 0 else (toward, away)
    return Placed(a, b, x, y, left, right, max(cosine, _FLATTEST), cosine)


_FIVE = [(float(x), float(y)) for x, y in FIVE]


def _sum_of_ten(values: Sequence[float]) -> float:
    """Return the sum of ten numbers in NumPy's order, which version 1 of the node was built on."""
    a, b, c, d, e, f, g, h, i, j = values
    return (((a + b) + (c + d)) + ((e + f) + (g + h))) + i + j


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


@lru_cache(maxsize=64)
def window_of(placed: Placed, shape: tuple[int, int]) -> Window | None:
    """Return the part of the grid that holds a face's zone; None where it lies outside the frame."""
    a, b, x, y, left, right = placed[:6]
    zone = _ZONE * np.stack([np.where(_ZONE[:, 0] > 0, right, left), np.ones(len(_ZONE))], axis=1)
    across, down = x + zone @ (a, -b), y + zone @ (b, a)
    left, right = max(int(across.min() - _BORDER), 0), min(int(across.max() + _BORDER) + 1, shape[1])
    top, low = max(int(down.min() - _BORDER), 0), min(int(down.max() + _BORDER) + 1, shape[0])
    return Window(top, left, low - top, right - left) if low > top and right > left else None


_STEPS = 512


def _per_outline() -> Floats:
    """Return the radius of places on the square |u| + |v| = 1 round the outline's middle, by v from −1 to 1."""
    v = np.linspace(-1, 1, _STEPS + 1)
    u = 1 - np.abs(v)
    turn = (np.arctan2(v, u) / (2 * np.pi) + 0.5) * _DIRECTIONS
    return np.asarray(np.hypot(u, v) / np.interp(turn, np.arange(_DIRECTIONS + 1), _FAR), np.float32)


_PER_OUTLINE = _per_outline()


@subroutine
def _place_row(start, step, widths, per_outline, across, down, radius, flags):
    """Find a row of cells' places on the drawn face. Both halves of the outline are alike but for their widths."""
    last = per_outline.shape[0] - 1
    for j in range(radius.shape[0]):
        flat = start[0] + F(j) * step[0]
        v = start[1] + F(j) * step[1]
        u = flat * (widths[1] if flat > F(0) else widths[0])
        below = v - F(0.42)
        away = abs(u) + abs(below)
        turn = (below / max(away, F(1e-6)) + F(1)) * F(0.5 * last)
        at = min(max(int(turn), 0), last - 1)
        r = away * (per_outline[at] + (turn - F(at)) * (per_outline[at + 1] - per_outline[at]))
        across[j], down[j], radius[j] = u, v, r
        flags[j] = 1 if r < F(2) and not (v > F(1.9) and r > F(1.15)) else 0


@subroutine
def _hole_row(flags, start, step, own, flag):
    """Flag what of a row of cells lies in an ellipse, of what is near the face."""
    for j in range(flags.shape[0]):
        aside = (start[0] + F(j) * step[0] - own[0]) * own[1]
        below = (start[1] + F(j) * step[1] - own[2]) * own[3]
        inside = aside * aside + below * below < F(1) and flags[j] != 0
        flags[j] = flags[j] | (flag if inside else np.uint8(0))


@strip_kernel
def _places_strips(placed, corner, per_outline, holes, across, down, radius, flags, y0, y1):
    """Find every cell's place on the drawn face."""
    a, b, x, y, left, right, holes_width, apart = placed
    scale = 1 / (a * a + b * b)
    step = F(a * scale), F(-b * scale)
    widths = F(1 / left), F(1 / right)
    own, columns = np.empty((holes.shape[0], 4), np.float32), radius.shape[1]
    for k in range(holes.shape[0]):
        own[k, 0], own[k, 1] = holes[k, 0] * apart, 1 / (holes[k, 2] * holes_width)
        own[k, 2], own[k, 3] = holes[k, 1], 1 / holes[k, 3]
    for i in range(y0, y1):
        dx, dy = corner[1] - x, corner[0] + i - y
        start = F((a * dx + b * dy) * scale), F((a * dy - b * dx) * scale)
        _place_row(start, step, widths, per_outline, across[i], down[i], radius[i], flags[i])
        end = start[1] + F(columns - 1) * step[1]
        for k in range(holes.shape[0]):
            if min(start[1], end) <= own[k, 2] + F(holes[k, 3]) and max(start[1], end) >= own[k, 2] - F(holes[k, 3]):
                _hole_row(flags[i], start, step, own[k], np.uint8(holes[k, 4]))


# --- the cut ------------------------------------------------------------------------------------------------

_LINE, _PLANE = 2 * (_BINS + 8), 2 * (_BINS + 8) * _BINS
"""Two cubes of bins lie in one, the face's and its surroundings', bin beside bin: numbers in a line of bins, which has
four empty ones at either end for the blur, and in a plane of lines."""
_EPSILON = 4e-4


@subroutine
def _bin_row(values, tally):
    """Turn values from 0 to 1 into bins of a cube: the 1st and the 99th percentile lie two bins from its ends."""
    count = values.shape[0]
    for k in range(1024):
        tally[k] = 0
    for k in range(count):
        tally[min(max(int(values[k] * F(1024)), 0), 1023)] += 1
    seen, low, high = 0, -1.0, 1.0
    for k in range(1024):
        seen += tally[k]
        if low < 0 and seen > 0.01 * count:
            low = (k + 0.5) / 1024
        if seen >= 0.99 * count:
            high = (k + 0.5) / 1024
            break
    start, step = F(low), F((_BINS - 5) / max(high - low, 0.06))
    for k in range(count):
        values[k] = min(max((values[k] - start) * step + F(2), F(1.01)), F(_BINS - 2.1))


@subroutine
def _chance_row(p, odds):
    """Turn natural log-odds into chances."""
    for k in range(p.shape[0]):
        p[k] = F(1) / (F(1) + exp2_px(F(-1.4426950408889634) * odds[k]))


@subroutine
def _splat(cube, at, parts, own, other):
    """Spread what cells weigh, as the face's and as their surroundings', over the eight bins round their colours."""
    for k in range(at.shape[0]):
        fa, fb, fc = parts[0, k], parts[1, k], parts[2, k]
        w, z = own[k], other[k]
        for da in range(2):
            wa = fa if da else F(1) - fa
            for db in range(2):
                wb = wa * (fb if db else F(1) - fb)
                to = at[k] + da * _PLANE + db * _LINE
                first, second = wb * (F(1) - fc), wb * fc
                cube[to] += w * first
                cube[to + 1] += z * first
                cube[to + 2] += w * second
                cube[to + 3] += z * second


@subroutine
def _tap_row(out, source, taps, stride):
    """Filter a row by symmetric taps over neighbours ``stride`` apart; the source begins four of them before."""
    n = out.shape[0]
    scale_row(out, source[4 * stride : 4 * stride + n], taps[4])
    for d in range(1, 5):
        before, after = (4 - d) * stride, (4 + d) * stride
        add_ends_row(out, source[before : before + n], source[after : after + n], taps[4 + d])


@subroutine
def _blur_cube(cube, spare, padded, taps):
    """Filter both cubes that lie in one along their three axes, with zeros beyond their ends."""
    for i in range(_BINS):
        plane = spare[i]
        scale_row(plane, cube[i], taps[4])
        for d in range(1, 5):
            if i >= d and i + d < _BINS:
                add_ends_row(plane, cube[i - d], cube[i + d], taps[4 + d])
            elif i >= d:
                add_scaled_row(plane, cube[i - d], taps[4 + d])
            elif i + d < _BINS:
                add_scaled_row(plane, cube[i + d], taps[4 + d])
    fill_row(padded, F(0))
    own = padded[4 * _LINE : 4 * _LINE + _PLANE]
    for i in range(_BINS):
        copy_row(own, spare[i])
        _tap_row(spare[i], padded, taps, _LINE)
    for i in range(_BINS):
        copy_row(own, spare[i])
        _tap_row(cube[i], padded[4 * _LINE - 8 :], taps, 2)


@subroutine
def _ratio_row(out, bins, own, other):
    """Write the natural logarithm of how much more often a colour is the face's than its surroundings'."""
    for k in range(out.shape[0]):
        more = (bins[2 * k] * own + F(2e-4)) / (bins[2 * k + 1] * other + F(2e-4))
        out[k] = F(0.6931471805599453) * log2_px(more)


@subroutine
def _read_row(odds, ratios, at, parts, base, more, shade):
    """Add what colour and texture say of cells to what their places say."""
    for k in range(at.shape[0]):
        fa, fb, fc = parts[0, k], parts[1, k], parts[2, k]
        says = F(0)
        for da in range(2):
            wa = fa if da else F(1) - fa
            for db in range(2):
                wb = wa * (fb if db else F(1) - fb)
                of = at[k] + (da * _BINS + db) * _BINS
                says += wb * (ratios[of] * (F(1) - fc) + ratios[of + 1] * fc)
        odds[k] = base[k] + min(max(says, F(-_CLIP)), F(_CLIP)) + more[shade[k]]


@strip_kernel
def _cut_strips(luma, cb, cr, texture, radius, across, down, flags, place, fringe, taps, likely, y0, y1):
    """Part a face from its surroundings: the log-odds of place, colour and texture, in some rounds.

    All of it is one row: bins are shared, and sums of floats keep their order.
    """
    rows, columns = luma.shape
    count = 0
    for i in range(rows):
        fill_row(likely[i], F(0))
        for j in range(columns):
            count += int(flags[i, j] & 1)  # a count of bytes would be one byte where nothing is compiled
    if count == 0:
        return
    parts = np.empty((3, count), np.float32)
    shade = np.empty(count, np.int64)
    base, odds, p = np.empty(count, np.float32), np.empty(count, np.float32), np.empty(count, np.float32)
    shares = np.empty((2, count), np.float32)
    weights = np.empty((2, count), np.float32)
    at = 0
    for i in range(rows):
        for j in range(columns):
            if flags[i, j] & 1 == 0:
                continue
            parts[0, at] = F(math.sqrt(min(max(luma[i, j], F(0)), F(1))))
            parts[1, at] = cb[i, j] + F(0.5)
            parts[2, at] = cr[i, j] + F(0.5)
            shade[at] = min(max(int((texture[i, j] + 8) * 3), 0), _SHADES - 1)
            r, v = radius[i, j], down[i, j]
            o = place_odds(place, r)
            if v < fringe[0]:
                o -= min((fringe[0] - v) / fringe[1], fringe[2])
            if v > 1.5 and abs(across[i, j]) < 1.1 and r > 1 and o < _NECK:
                o = _NECK  # the place tells little there
            base[at] = o
            hole = flags[i, j] & 2 != 0
            shares[0, at] = F(0) if hole else F(1)
            shares[1, at] = F(0) if hole and r < 1 else F(1)
            at += 1
    tally = np.empty(1024, np.int64)
    for c in range(3):
        _bin_row(parts[c], tally)
    cell, bin_ = np.empty(count, np.int64), np.empty(count, np.int64)
    is_read = np.zeros((_BINS, _BINS), np.uint8)
    for k in range(count):
        ia, ib, ic = int(parts[0, k]), int(parts[1, k]), int(parts[2, k])
        parts[0, k] -= F(ia)
        parts[1, k] -= F(ib)
        parts[2, k] -= F(ic)
        cell[k] = ia * _PLANE + ib * _LINE + 2 * (ic + 4)
        bin_[k] = (ia * _BINS + ib) * _BINS + ic
        for da in range(2):
            for db in range(2):
                is_read[ia + da, ib + db] = 1
    cube, spare = np.empty(_BINS * _PLANE, np.float32), np.empty((_BINS, _PLANE), np.float32)
    planes = cube.reshape(_BINS, _PLANE)
    padded, total = np.empty(_PLANE + 8 * _LINE, np.float32), np.empty(_PLANE, np.float32)
    ratios = np.zeros(_BINS * _BINS * _BINS, np.float32)
    shades, more = np.empty((2, _SHADES)), np.empty(_SHADES, np.float32)
    _chance_row(p, base)
    for _ in range(_ROUNDS):
        fill_row(cube, F(0))
        shades[:] = 0
        for k in range(count):
            weights[0, k] = p[k] * shares[0, k]
            weights[1, k] = (F(1) - p[k]) * shares[1, k]
            shades[0, shade[k]] += weights[0, k]
            shades[1, shade[k]] += weights[1, k]
        _splat(cube, cell, parts, weights[0], weights[1])
        _blur_cube(planes, spare, padded, taps)
        fill_row(total, F(0))
        for i in range(_BINS):
            add_row(total, planes[i])
        own_sum, other_sum = 1e-9, 1e-9
        for j in range(_BINS):
            for k in range(4, _BINS + 4):
                own_sum += total[j * _LINE + 2 * k]
                other_sum += total[j * _LINE + 2 * k + 1]
        for i in range(_BINS):
            for j in range(_BINS):
                if is_read[i, j]:
                    to = (i * _BINS + j) * _BINS
                    bins = planes[i, j * _LINE + 8 : j * _LINE + 8 + 2 * _BINS]
                    _ratio_row(ratios[to : to + _BINS], bins, F(1 / own_sum), F(1 / other_sum))
        for s in range(2):
            whole = 1e-9
            for k in range(_SHADES):
                whole += shades[s, k]
            before = 0.0
            for k in range(_SHADES):
                here = shades[s, k]
                after = shades[s, k + 1] if k + 1 < _SHADES else 0.0
                shades[s, k] = (0.25 * (before + after) + 0.5 * here) / whole + 5e-3
                before = here
        for k in range(_SHADES):
            more[k] = min(max(math.log(shades[0, k] / shades[1, k]), -_SHADE_CLIP), _SHADE_CLIP)
        _read_row(odds, ratios, bin_, parts, base, more, shade)
        _chance_row(p, odds)
    at = 0
    for i in range(rows):
        for j in range(columns):
            if flags[i, j] & 1 != 0:
                likely[i, j] = p[at]
                at += 1


@subroutine
def _sum3_row(out, padded):
    for j in range(out.shape[0]):
        out[j] = (padded[j] + padded[j + 1]) + padded[j + 2]


@subroutine
def _fit_row(slope, offset, sums, up, here, low, epsilon):
    """Slope and offset that fit a plane to its guide round every cell of a row, from sums over three columns."""
    for j in range(slope.shape[0]):
        guide = ((sums[0, up, j] + sums[0, here, j]) + sums[0, low, j]) * F(1 / 9)
        plane = ((sums[1, up, j] + sums[1, here, j]) + sums[1, low, j]) * F(1 / 9)
        square = ((sums[2, up, j] + sums[2, here, j]) + sums[2, low, j]) * F(1 / 9)
        product = ((sums[3, up, j] + sums[3, here, j]) + sums[3, low, j]) * F(1 / 9)
        slope[j], offset[j] = fit_px(guide, plane, square, product, epsilon)


@subroutine
def _follow_row(out, guide, sums, up, here, low):
    for j in range(out.shape[0]):
        slope = ((sums[0, up, j] + sums[0, here, j]) + sums[0, low, j]) * F(1 / 9)
        offset = ((sums[1, up, j] + sums[1, here, j]) + sums[1, low, j]) * F(1 / 9)
        out[j] = guided_px(slope, offset, guide[j])


@strip_kernel
def _follow_strips(plane, guide, epsilon, out, y0, y1):
    """Let a plane follow the edges of another over 3 × 3 cells: :func:`.guided.guided` of radius 1, as one row."""
    rows, columns = plane.shape
    sums = np.empty((4, rows, columns), np.float32)
    fit = np.empty((2, rows, columns), np.float32)
    padded = np.empty((3, columns + 2), np.float32)
    for i in range(rows):
        pad_row(padded[0], guide[i], ONE_INT)
        pad_row(padded[1], plane[i], ONE_INT)
        _sum3_row(sums[0, i], padded[0])
        _sum3_row(sums[1, i], padded[1])
        for k in range(2):
            product_row(padded[2], padded[0], padded[k])
            _sum3_row(sums[2 + k, i], padded[2])
    for i in range(rows):
        _fit_row(fit[0, i], fit[1, i], sums, max(i - 1, 0), i, min(i + 1, rows - 1), epsilon)
    for i in range(rows):
        for k in range(2):
            pad_row(padded[k], fit[k, i], ONE_INT)
            _sum3_row(sums[k, i], padded[k])
    for i in range(rows):
        _follow_row(out[i], guide[i], sums, max(i - 1, 0), i, min(i + 1, rows - 1))


def _taps() -> Doubles:
    x = np.arange(-4, 5, dtype=np.float64)
    weights = np.exp(-0.5 * x**2)
    return weights / weights.sum()


_TAPS = _taps()
_TAPS_32 = _TAPS.astype(np.float32)


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
    return None if placed is None or window is None else cut_placed(cells, placed, window, turns)


def cut_placed(cells: Cells, placed: Placed, window: Window, turns: bool = True) -> FaceCut:
    """Cut a face out of its surroundings: see :func:`cut`.

    :param placed: where the drawn face lies. :param window: its own, :func:`window_of`. :param turns: as in
        :func:`fit`; off, the sums are those of version 1 of the node.
    """
    if turns:
        found, stages = cut_by_stages(cells, placed, window)
        over_stages(stages)
        return found
    planes = _planes_in(cells, window)
    luma = planes[0]
    radius, across, down, raw = np.empty((4, *luma.shape), np.float32)
    flags = np.empty(luma.shape, np.uint8)
    front.places_strips(tuple(placed), (window.top, window.left), _FAR, _FARTHEST, _HOLES, radius, across, down, flags)
    front.cut_strips(*planes, radius, across, down, flags, _PLACE, _FRINGE, _TAPS, raw)
    return FaceCut(guided(raw, luma, 1, _EPSILON), radius, across, down, flags, window)


def _planes_in(cells: Cells, window: Window) -> tuple[Floats, Floats, Floats, Floats]:
    """Return luma, Cb, Cr and texture of a window of the grid."""
    here, planes = cells.window, (cells.luma, cells.cb, cells.cr, cells.texture)
    if here == window:
        return planes
    rows = slice(window.top - here.top, window.top - here.top + window.rows)
    columns = slice(window.left - here.left, window.left - here.left + window.columns)
    luma, cb, cr, texture = (np.ascontiguousarray(plane[rows, columns]) for plane in planes)
    return luma, cb, cr, texture


def cut_by_stages(cells: Cells, placed: Placed, window: Window) -> tuple[FaceCut, tuple[Stage, ...]]:
    """Return a face as it will be cut out, and the stages that do it: the first reads no cells, the last is one row.

    The second reads them all, and follows what finds them.
    """
    size = window.rows, window.columns
    likely, radius, across, down, raw = np.empty((5, *size), np.float32)
    flags = np.empty(size, np.uint8)
    planes, corner = _planes_in(cells, window), (window.top, window.left)
    places = tuple(placed), corner, _PER_OUTLINE, _HOLES, across, down, radius, flags
    parts = *planes, radius, across, down, flags, _PLACE, _FRINGE, _TAPS_32, raw
    stages = (
        Stage(_places_strips, places, window.rows),
        Stage(_cut_strips, parts, 1, needs=all_of_it),
        Stage(_follow_strips, (raw, planes[0], F(_EPSILON), likely), 1),
    )
    return FaceCut(likely, radius, across, down, flags, window), stages


def cut_faces(image: Floats, faces: Sequence[Landmarks]) -> tuple[FaceCut, ...]:
    """Cut faces out of a picture, float32 (H, W, 3 or 4); one that lies outside the frame is left out."""
    cells = cells_of(image)
    found = (cut(cells, face, cells.luma.shape) for face in faces)
    return tuple(face for face in found if face is not None)
