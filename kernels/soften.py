"""Softening: filters on single planes, the clean-up of mattes, and the ratio filter that goes before a key.

Planes are float32 (H, W). Beyond the frame every filter sees the nearest edge pixel repeated. Each result is
a fixed sequence of additions or comparisons that depends on the pixel's place in the frame alone, so the bits
are the same for any number of threads and any strip size. There are no running sums: NaN and infinity stay
within the radius that each function states. The matte filters (:func:`levels`, :func:`remove_specks`,
:func:`close_pinholes`, :func:`guided`) read NaN as 0 and return 0 to 1; where the matte is 0 all over their
window they return exactly 0.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats, as_picture, as_plane, output, room
from .colour import ONE, ZERO, F, clamp, is_finite3, part_run, smoothstep, ycbcr_px
from .errors import PictureError, ValueRangeError
from .jit import inline, part, sheet
from .strips import STRIP, Stage, over_rows, over_stages, strip_rows
from .tiles import EMPTY, FULL, MIXED, Tiles

FACTORS = (1, 2, 4, 8)
"""The factors by which :func:`decimate` and :func:`enlarge` change the size."""

LEAST_SIGMA = 0.01
"""A Gaussian narrower than this many pixels changes nothing."""

_DIRECT_BELOW, _QUARTER_FROM = 2.5, 12.0
_REACH = 3.5
_LARGEST = 4096.0
_BLOCK, _BOX_BLOCK = 512, 240
"""Columns worked at once down a plane. Rows of sums that are added to in place must not lie multiples of 4096 bytes
apart: they would wait for each other."""
_CLOSE_STRIP = 32
GUIDE_HIGHEST = F(4)
NOUGHT, MARGIN = np.int64(0), np.int64(1)
"""Numbers of one type: a literal would have what is called with it compiled for that number alone."""


def _within(name: str, value: float, low: float = 0.0, high: float = _LARGEST) -> float:
    if not low <= value <= high:
        raise ValueRangeError(f"The {name} must lie from {low:g} to {high:g}, not {value:g}.")
    return float(value)


def _as_factor(factor: int) -> int:
    if factor not in FACTORS:
        raise ValueRangeError(f"The factor must be one of {', '.join(map(str, FACTORS))}, not {factor}.")
    return int(factor)


# --- rows shared by several filters -------------------------------------------------------------------------


@inline
def copy_row(out, a):
    """Copy a row."""
    for x in range(out.shape[0]):
        out[x] = a[x]


@inline
def fill_row(out, value):
    """Fill a row with one value."""
    for x in range(out.shape[0]):
        out[x] = value


@inline
def _add_row(out, a):
    for x in range(out.shape[0]):
        out[x] = out[x] + a[x]


@inline
def _sum2_row(out, a, b):
    for x in range(out.shape[0]):
        out[x] = a[x] + b[x]


@inline
def _add_ends_row(out, a, b, weight):
    for x in range(out.shape[0]):
        out[x] = out[x] + weight * (a[x] + b[x])


@inline
def pad_row(padded, row, margin):
    """Lay the row into the middle of a longer one and repeat its ends on both sides."""
    width = row.shape[0]
    copy_row(padded[margin : margin + width], row)
    for x in range(margin):
        padded[x] = row[0]
        padded[margin + width + x] = row[width - 1]


@inline
def _near(plane, y):
    """y, or beyond the frame the row of the plane that lies nearest."""
    return min(max(y, 0), plane.shape[0] - 1)


# --- Gaussian -----------------------------------------------------------------------------------------------


@inline
def _scale_row(out, a, k):
    for x in range(out.shape[0]):
        out[x] = k * a[x]


@part
def _pairs2_row(out, a0, b0, a1, b1, k0, k1):
    for x in range(out.shape[0]):
        out[x] = (out[x] + k0 * (a0[x] + b0[x])) + k1 * (a1[x] + b1[x])


@part
def _pairs4_row(out, a0, b0, a1, b1, a2, b2, a3, b3, k0, k1, k2, k3):
    for x in range(out.shape[0]):
        first = (out[x] + k0 * (a0[x] + b0[x])) + k1 * (a1[x] + b1[x])
        out[x] = (first + k2 * (a2[x] + b2[x])) + k3 * (a3[x] + b3[x])


@part
def _taps2_row(out, left, right, k0, k1):
    for x in range(out.shape[0]):
        out[x] = (out[x] + k0 * (left[x] + right[x + 1])) + k1 * (left[x + 1] + right[x])


@part
def _taps4_row(out, left, right, k0, k1, k2, k3):
    for x in range(out.shape[0]):
        first = (out[x] + k0 * (left[x] + right[x + 3])) + k1 * (left[x + 1] + right[x + 2])
        out[x] = (first + k2 * (left[x + 2] + right[x + 1])) + k3 * (left[x + 3] + right[x])


@inline
def ring_at(ring, y, height):
    """Where row y of a plane lies of which a ring holds the last rows; beyond the frame, its nearest row."""
    return min(max(y, 0), height - 1) % ring.shape[0]


@part
def fir_down(ring, out, k, y, height, x0, x1):
    """Weigh the rows round y into one row, columns x0 to x1 of it: four pairs of rows in each sweep, then two.

    Row y of the plane, which is ``height`` rows high, lies in row y modulo the ring's own height.
    """
    r = k.shape[0] - 1
    _scale_row(out, ring[ring_at(ring, y, height)][x0:x1], k[r])
    for i in range(0, r - 3, 4):
        a, b = y - r + i, y + r - i
        _pairs4_row(
            out,
            ring[ring_at(ring, a, height)][x0:x1],
            ring[ring_at(ring, b, height)][x0:x1],
            ring[ring_at(ring, a + 1, height)][x0:x1],
            ring[ring_at(ring, b - 1, height)][x0:x1],
            ring[ring_at(ring, a + 2, height)][x0:x1],
            ring[ring_at(ring, b - 2, height)][x0:x1],
            ring[ring_at(ring, a + 3, height)][x0:x1],
            ring[ring_at(ring, b - 3, height)][x0:x1],
            k[i],
            k[i + 1],
            k[i + 2],
            k[i + 3],
        )
    if r % 4:
        a, b = y - 2, y + 2
        _pairs2_row(
            out,
            ring[ring_at(ring, a, height)][x0:x1],
            ring[ring_at(ring, b, height)][x0:x1],
            ring[ring_at(ring, a + 1, height)][x0:x1],
            ring[ring_at(ring, b - 1, height)][x0:x1],
            k[r - 2],
            k[r - 1],
        )


@part
def fir_across(padded, out, k):
    """Weigh the pixels of a padded row: the same order of taps as downwards."""
    r = k.shape[0] - 1
    width = out.shape[0]
    _scale_row(out, padded[r : r + width], k[r])
    for i in range(0, r - 3, 4):
        j = 2 * r - i - 3
        _taps4_row(out, padded[i : i + width + 3], padded[j : j + width + 3], k[i], k[i + 1], k[i + 2], k[i + 3])
    if r % 4:
        _taps2_row(out, padded[r - 2 : r + width - 1], padded[r + 1 : r + width + 2], k[r - 2], k[r - 1])


@part
def _fir_row(plane, out, k, y, row, padded):
    """Row y of a plane after a direct blur with the taps k; ``row`` and ``padded`` are scratch."""
    width, r = plane.shape[1], k.shape[0] - 1
    fir_down(plane, row[:width], k, y, plane.shape[0], NOUGHT, width)
    pad_row(padded[: width + 2 * r], row[:width], r)
    fir_across(padded[: width + 2 * r], out, k)


@sheet
def _fir_sheet(plane, out, k, y0, y1):
    width = plane.shape[1]
    row, padded = np.empty(width, np.float32), np.empty(width + 2 * (k.shape[0] - 1), np.float32)
    for y in range(y0, y1):
        _fir_row(plane, out[y], k, y, row, padded)


def _sum_of_taps(taps: Floats) -> np.float32:
    """What the filter makes of a plane of ones, rounded as it rounds."""
    total = taps[-1]
    for tap in taps[:-1]:
        total = total + tap * F(2)
    return total


def blur_factor(sigma: float) -> int:
    """Return the factor of the reduced grid on which a Gaussian is taken: 1 below σ 2.5, 2 below σ 12, then 4."""
    return 1 if sigma < _DIRECT_BELOW else 2 if sigma < _QUARTER_FROM else 4


def reduced_sigma(sigma: float, factor: int) -> float:
    """Return σ on the reduced grid: the variance that the ways there and back spend is taken off.

    Halving spends 3/4 and doubling 5/4; averaging over cells and interpolation spend factor² / 4 together.
    """
    return math.sqrt(sigma * sigma - (2 if factor == 2 else factor * factor / 4)) / factor


NO_TAPS = np.ones(1, np.float32)
"""Taps of a filter that changes nothing."""
NO_TAPS.flags.writeable = False  # as the taps of a blur are, so that one sheet serves both


@lru_cache(maxsize=64)
def gaussian_taps(sigma: float) -> Floats:
    """Weights from the outermost pair to the centre; added up in the filter's own order they make exactly 1."""
    radius = max(2, 2 * math.ceil(_REACH * sigma / 2))
    weights = np.exp(-0.5 * (np.arange(-radius, 1) / sigma) ** 2)
    taps = (weights / (2 * weights[:-1].sum() + weights[-1])).astype(np.float32)
    beside = taps[-2]
    for step in (0, 1, -1, 2, -2):
        taps[-2] = beside + F(step) * np.spacing(beside)
        centre = F(1 - 2 * float(taps[:-1].astype(np.float64).sum()))
        for nudge in sorted(range(-16, 17), key=abs):
            taps[-1] = centre + F(nudge) * np.spacing(centre)
            if _sum_of_taps(taps) == ONE:
                taps.flags.writeable = False
                return taps
    taps.flags.writeable = False
    return taps


def taps_of(sigma: float) -> Floats:
    """Return :func:`gaussian_taps`, or those that change nothing for a sigma below :data:`LEAST_SIGMA`."""
    return gaussian_taps(sigma) if sigma >= LEAST_SIGMA else NO_TAPS


def gaussian(plane: Floats, sigma: float, out: Floats | None = None) -> Floats:
    """Blur with a Gaussian of standard deviation ``sigma`` pixels; the cost hardly grows beyond σ 12.

    Below σ 2.5 a direct filter cut at 3.5 σ. From there the plane is halved by weights 1, 3, 3, 1 both ways, blurred
    there and doubled by weights 1, 5, 10, 10, 5, 1; from σ 12 it is averaged over cells of 4×4 pixels (again and again
    for a very large σ), blurred there and interpolated. What both ways spend of the variance is taken off first. A
    constant 0 or 1 stays exactly that.

    :param plane: float32 (H, W), any values. NaN stays within 3.5 σ + 2 pixels below σ 2.5, within 6 σ + 8 above.
    :param sigma: pixels, 0 to 4096; 0 copies.
    :returns: float32 (H, W). :raises ValueRangeError: sigma. :raises PictureError: wrong array.

    Largest difference from ``scipy.ndimage.gaussian_filter(mode="nearest", truncate=6)``, edges of the frame
    included: below σ 2.5 0.0006; below σ 12 0.003 on mattes (hard or soft edges) and 0.005 on black-and-white noise;
    above, 0.004 and 0.01.
    """
    sigma = _within("sigma", sigma)
    plane = as_plane(plane, "plane")
    out = output(out, plane.shape, plane)
    factor = blur_factor(sigma)
    if sigma < LEAST_SIGMA:
        np.copyto(out, plane)
    elif factor == 1:
        taps = gaussian_taps(sigma)
        over_rows(_fir_sheet, plane.shape[0], plane, out, taps, strip=strip_rows(plane.shape[1]))
    elif factor == 2:
        low = gaussian(_halve(plane), reduced_sigma(sigma, factor))
        over_rows(_double_sheet, plane.shape[0], low, out, strip=strip_rows(plane.shape[1]))
    else:
        low = gaussian(_decimate(plane, factor, margin=1), reduced_sigma(sigma, factor))
        over_rows(_enlarge_sheet, plane.shape[0], low, out, factor, 1)
    return out


# --- half the size, for a Gaussian --------------------------------------------------------------------------

_FAR, _BESIDE, _MIDDLE = F(1 / 16), F(5 / 16), F(10 / 16)


@inline
def _weigh4_row(out, a, b, c, d):
    for x in range(out.shape[0]):
        out[x] = (a[x] + d[x]) + F(3) * (b[x] + c[x])


@inline
def _weigh_pairs_row(out, first, second):
    """Of each pair of neighbours and the pair that begins two further; ``second`` begins there."""
    for x in range(out.shape[0]):
        ends, middle = first[2 * x] + second[2 * x + 1], first[2 * x + 1] + second[2 * x]
        out[x] = (ends + F(3) * middle) * F(1 / 64)


@part
def halved_row(above, first, second, below, out, padded):
    """Fill a row of the halved plane: weights 1, 3, 3, 1 down four rows and across; one repeated cell on both sides.

    ``padded`` is room for twice the cells and two more.
    """
    width, count = above.shape[0], out.shape[0]
    _weigh4_row(padded[3 : 3 + width], above, first, second, below)
    for x in range(3):
        padded[x] = padded[3]
    for x in range(3 + width, 2 * count + 2):
        padded[x] = padded[2 + width]
    _weigh_pairs_row(out, padded[: 2 * count], padded[2 : 2 * count + 2])


@sheet
def _halve_sheet(plane, low, y0, y1):
    padded = np.empty(2 * low.shape[1] + 2, np.float32)
    for row in range(y0, y1):
        y = 2 * row - 2
        above, first = plane[_near(plane, y - 1)], plane[_near(plane, y)]
        halved_row(above, first, plane[_near(plane, y + 1)], plane[_near(plane, y + 2)], low[row], padded)


def _halve(plane: Floats) -> Floats:
    """Return the plane halved: cells of 2×2 pixels, and one repeated cell all round."""
    low = np.empty(tuple(-(-size // 2) + 2 for size in plane.shape), np.float32)
    over_rows(_halve_sheet, low.shape[0], plane, low, strip=strip_rows(plane.shape[1], STRIP // 2))
    return low


@inline
def _weigh3_row(out, beside, middle, far):
    for x in range(out.shape[0]):
        out[x] = _MIDDLE * middle[x] + (_BESIDE * beside[x] + _FAR * far[x])


@inline
def _weigh_both_row(out, left, middle, right):
    for x in range(left.shape[0]):
        centre = _MIDDLE * middle[x]
        out[2 * x] = centre + (_BESIDE * left[x] + _FAR * right[x])
        out[2 * x + 1] = centre + (_BESIDE * right[x] + _FAR * left[x])


@part
def doubled_row(low, row, out, cells, wide, y, x0):
    """Fill row y of the full grid from column x0 on, an even one, from row ``row`` of a halved plane and those beside.

    Weights 5, 10, 1 and 1, 10, 5 both ways: those of a binomial of order 5, parted. ``cells`` and ``wide`` are room for
    the cells that are covered and two more, and for whole cells.
    """
    width = out.shape[0]
    count = (width + 1) // 2
    first, last = x0 // 2, x0 // 2 + count + 2
    near, far = low[row - 1, first:last], low[row + 1, first:last]
    if y % 2:
        near, far = far, near
    _weigh3_row(cells[: count + 2], near, low[row, first:last], far)
    target = wide[: 2 * count] if width % 2 else out
    _weigh_both_row(target, cells[:count], cells[1 : count + 1], cells[2 : count + 2])
    if width % 2:
        copy_row(out, wide[:width])


@sheet
def _double_sheet(low, out, y0, y1):
    cells, wide = np.empty(low.shape[1], np.float32), np.empty(2 * low.shape[1], np.float32)
    for y in range(y0, y1):
        doubled_row(low, y // 2 + 1, out[y], cells, wide, y, NOUGHT)


# --- reduced grid -------------------------------------------------------------------------------------------


@inline
def _sum4_row(out, a, b, c, d):
    for x in range(out.shape[0]):
        out[x] = (a[x] + b[x]) + (c[x] + d[x])


@part
def _halve_row(out, row):
    for x in range(out.shape[0]):
        out[x] = row[2 * x] + row[2 * x + 1]


@part
def _sum_rows(plane, total, y, factor, x0, x1):
    """Add up the rows y to y + factor between two columns, in pairs so that equal rows add exactly."""
    if factor == 1:
        copy_row(total, plane[_near(plane, y)][x0:x1])
    elif factor == 2:
        _sum2_row(total, plane[_near(plane, y)][x0:x1], plane[_near(plane, y + 1)][x0:x1])
    else:
        first, second = plane[_near(plane, y)][x0:x1], plane[_near(plane, y + 1)][x0:x1]
        _sum4_row(total, first, second, plane[_near(plane, y + 2)][x0:x1], plane[_near(plane, y + 3)][x0:x1])
    if factor == 8:
        _sum2_row_into(total, plane[_near(plane, y + 4)][x0:x1], plane[_near(plane, y + 5)][x0:x1])
        _sum2_row_into(total, plane[_near(plane, y + 6)][x0:x1], plane[_near(plane, y + 7)][x0:x1])


@inline
def _sum2_row_into(out, a, b):
    for x in range(out.shape[0]):
        out[x] = out[x] + (a[x] + b[x])


@part
def _quarter_row(out, row):
    for x in range(out.shape[0]):
        out[x] = (row[4 * x] + row[4 * x + 1]) + (row[4 * x + 2] + row[4 * x + 3])


@part
def _sum_cells(total, spare, factor):
    """Add up each run of ``factor`` neighbours in a row, in pairs; but for factor 1, into the spare row."""
    count = total.shape[0] // factor
    if factor == 2:
        _halve_row(spare[:count], total)
    elif factor == 4:
        _quarter_row(spare[:count], total)
    elif factor == 8:
        _quarter_row(total[: 2 * count], total)
        _halve_row(spare[:count], total[: 2 * count])


@part
def cells_row(plane, height, out, total, spare, factor, margin, row, x0, x1):
    """Fill a row of the reduced plane between two columns of the full one: means over cells.

    ``height`` rows of the plane count. With a margin, for which the columns must be all, there is one repeated cell on
    both sides. ``total`` and ``spare`` are room for a row of whole cells.
    """
    width = x1 - x0
    cells = out.shape[0] - 2 * margin
    total, spare = total[: cells * factor], spare[: cells * factor]
    y = (row - margin) * factor
    rows = factor
    if margin == 0 and y + factor > height:
        rows = height - y
        copy_row(total[:width], plane[y][x0:x1])
        for j in range(1, rows):
            _add_row(total[:width], plane[y + j][x0:x1])
    else:
        _sum_rows(plane, total[:width], y, factor, x0, x1)
    first, last = total[0], total[width - 1]
    missing = cells * factor - width
    for x in range(width, cells * factor):
        total[x] = last if margin else ZERO
    _sum_cells(total, spare, factor)
    sums = total[:cells] if factor == 1 else spare[:cells]
    _scale_row(out[margin : margin + cells], sums, ONE / F(rows * factor))
    if margin:
        out[0] = first / F(factor)
        out[cells + 1] = last / F(factor)
    elif missing:
        out[cells - 1] = sums[cells - 1] / F(rows * (factor - missing))


@inline
def limit_row(out, a, low, high):
    """Limit a row to low … high; NaN becomes low."""
    for x in range(out.shape[0]):
        out[x] = clamp(a[x], low, high)


@sheet
def _decimate_sheet(plane, out, factor, margin, high, y0, y1):
    """Means over cells; with a ``high`` above 0, of values limited to 0 … high first, so that NaN counts as 0."""
    height, width = plane.shape
    cells = out.shape[1] - 2 * margin
    total = np.empty(cells * factor, np.float32)
    spare = np.empty(cells * factor, np.float32)
    rows = np.empty((factor, width), np.float32)
    for row in range(y0, y1):
        if high > ZERO:
            count = min(factor, height - row * factor)
            for j in range(count):
                limit_row(rows[j], plane[row * factor + j], ZERO, high)
            cells_row(rows, count, out[row], total, spare, factor, margin, NOUGHT, NOUGHT, width)
        else:
            cells_row(plane, height, out[row], total, spare, factor, margin, row, NOUGHT, width)


def _decimate(plane: Floats, factor: int, margin: int = 0, high: np.float32 = ZERO) -> Floats:
    """Return the means over cells, of values limited to 0 … high where that is above 0; then without a margin."""
    height, width = (-(-size // factor) + 2 * margin for size in plane.shape)
    low = np.empty((height, width), np.float32)
    strip = strip_rows(factor * plane.shape[1], max(8, STRIP // factor))
    over_rows(_decimate_sheet, height, plane, low, factor, margin, high, strip=strip)
    return low


def decimate(plane: Floats, factor: int) -> Floats:
    """Return the means over cells of factor × factor pixels, counted from the top left corner.

    :param plane: float32 (H, W); NaN stays within its cell.
    :param factor: 1, 2, 4 or 8.
    :returns: float32 (⌈H / factor⌉, ⌈W / factor⌉); a cell cut by the frame is the mean of the pixels it has.
    :raises ValueRangeError: factor. :raises PictureError: wrong array.
    """
    return _decimate(as_plane(plane, "plane"), _as_factor(factor))


_E1, _E3, _E5, _E7 = F(1 / 8), F(3 / 8), F(5 / 8), F(7 / 8)
_S1, _S3, _S5, _S7 = F(1 / 16), F(3 / 16), F(5 / 16), F(7 / 16)
_S9, _S11, _S13, _S15 = F(9 / 16), F(11 / 16), F(13 / 16), F(15 / 16)
_Q1, _Q3 = F(0.25), F(0.75)


@part
def _spread2_row(out, a, b, c):
    for x in range(a.shape[0]):
        left = b[x] - a[x]
        right = c[x] - b[x]
        out[2 * x] = a[x] + _Q3 * left
        out[2 * x + 1] = b[x] + _Q1 * right


@part
def _spread4_row(out, a, b, c):
    for x in range(a.shape[0]):
        left = b[x] - a[x]
        right = c[x] - b[x]
        out[4 * x] = a[x] + _E5 * left
        out[4 * x + 1] = a[x] + _E7 * left
        out[4 * x + 2] = b[x] + _E1 * right
        out[4 * x + 3] = b[x] + _E3 * right


@part
def _spread8_row(out, a, b, c):
    for x in range(a.shape[0]):
        left = b[x] - a[x]
        right = c[x] - b[x]
        out[8 * x] = a[x] + _S9 * left
        out[8 * x + 1] = a[x] + _S11 * left
        out[8 * x + 2] = a[x] + _S13 * left
        out[8 * x + 3] = a[x] + _S15 * left
        out[8 * x + 4] = b[x] + _S1 * right
        out[8 * x + 5] = b[x] + _S3 * right
        out[8 * x + 6] = b[x] + _S5 * right
        out[8 * x + 7] = b[x] + _S7 * right


@part
def _lerp_row(out, a, b, t):
    for x in range(out.shape[0]):
        out[x] = a[x] + t * (b[x] - a[x])


@inline
def _spread_row(out, cells, wide, factor):
    """Interpolate a row across, from its cells and one more at each end; ``wide`` is room for whole cells."""
    width, count = out.shape[0], cells.shape[0] - 2
    a, b, c = cells[:count], cells[1 : count + 1], cells[2:]
    target = out if width == count * factor else wide[: count * factor]
    if factor == 1:
        copy_row(target, b)
    elif factor == 2:
        _spread2_row(target, a, b, c)
    elif factor == 4:
        _spread4_row(target, a, b, c)
    else:
        _spread8_row(target, a, b, c)
    if width != count * factor:
        copy_row(out, wide[:width])


@inline
def enlarged_row(low, out, cells, wide, factor, margin, y, x0):
    """Fill row y of the full grid from column x0 on, a multiple of ``factor``.

    ``cells`` and ``wide`` are room for a reduced and an enlarged row: two cells more than are covered, and whole cells.
    """
    width = out.shape[0]
    count = (width + factor - 1) // factor
    place = (F(y) + F(0.5)) / F(factor) - F(0.5)
    above = math.floor(place)
    t = place - F(above)
    start = x0 // factor - 1 + margin
    first, last = max(start, 0), min(start + count + 2, low.shape[1])
    upper, lower = low[_near(low, above + margin)][first:last], low[_near(low, above + margin + 1)][first:last]
    _lerp_row(cells[first - start : last - start], upper, lower, t)
    if start < 0:
        cells[0] = cells[1]
    if last < start + count + 2:
        cells[count + 1] = cells[count]
    _spread_row(out, cells[: count + 2], wide, factor)


@sheet
def _enlarge_sheet(low, out, factor, margin, y0, y1):
    count = low.shape[1] - 2 * margin
    cells = np.empty(count + 2, np.float32)
    wide = np.empty(count * factor, np.float32)
    for y in range(y0, y1):
        enlarged_row(low, out[y], cells, wide, factor, margin, y, NOUGHT)


def enlarge(plane: Floats, factor: int, shape: tuple[int, int], out: Floats | None = None) -> Floats:
    """Interpolate a decimated plane back to a full grid: bilinear between the centres of its cells.

    :param plane: float32 (⌈H / factor⌉, ⌈W / factor⌉), as :func:`decimate` returns it; NaN spreads less than 1.5 cells.
    :param factor: 1, 2, 4 or 8. :param shape: (H, W) of the result.
    :returns: float32 (H, W). :raises ValueRangeError: factor. :raises PictureError: wrong array.
    """
    factor = _as_factor(factor)
    needed = (-(-shape[0] // factor), -(-shape[1] // factor))
    plane = as_plane(plane, "plane")
    if plane.shape != needed:
        raise PictureError(
            f"A plane enlarged {factor} times to {shape[1]}×{shape[0]} must have {needed[1]}×{needed[0]} pixels, "
            f"not {plane.shape[1]}×{plane.shape[0]}."
        )
    out = output(out, tuple(shape), plane)
    over_rows(_enlarge_sheet, shape[0], plane, out, factor, 0)
    return out


@inline
def rows_round(low, factor, y):
    """Return the rows of a reduced plane above and below row y of the full grid, and how near that is to the second."""
    place = (F(y) + F(0.5)) / F(factor) - F(0.5)
    above = math.floor(place)
    return _near(low, above), _near(low, above + 1), place - F(above)


# --- box mean -----------------------------------------------------------------------------------------------


@part
def _box_down(plane, out, sums, whole, part, x0, y0, y1):
    """Sums over 2·whole + 1 rows (and ``part`` of one more at each end) for a block of columns; out[0] is row y0."""
    x1 = x0 + sums.shape[1]
    count = y1 - y0
    top = y0 - whole
    taps = 2 * whole + 1
    for j in range(count):
        copy_row(out[j, x0:x1], plane[_near(plane, top + j)][x0:x1])
    done = 1
    step = 2
    length = count + taps
    while step <= taps:
        length -= step // 2
        for j in range(length):
            if step == 2:
                _sum2_row(sums[j], plane[_near(plane, top + j)][x0:x1], plane[_near(plane, top + j + 1)][x0:x1])
            else:
                _add_row(sums[j], sums[j + step // 2])
        if taps & step:
            for j in range(count):
                _add_row(out[j, x0:x1], sums[done + j])
            done += step
        step *= 2
    if part > ZERO:
        for j in range(count):
            above, below = plane[_near(plane, top + j - 1)], plane[_near(plane, top + j + taps)]
            _add_ends_row(out[j, x0:x1], above[x0:x1], below[x0:x1], part)


@part
def _box_across(row, padded, sums, spare, whole, part, area):
    """Sums along one row in place, divided by the area of the window."""
    width = row.shape[0]
    margin = whole + 1
    pad_row(padded, row, margin)
    taps = 2 * whole + 1
    copy_row(row, padded[1 : 1 + width])
    done = 2
    step = 2
    length = width + 2 * margin
    while step <= taps:
        half = step // 2
        length -= half
        if step == 2:
            _sum2_row(sums[:length], padded[:length], padded[half : half + length])
        else:
            _sum2_row(spare[:length], sums[:length], sums[half : half + length])
            sums, spare = spare, sums
        if taps & step:
            _add_row(row, sums[done : done + width])
            done += step
        step *= 2
    if part > ZERO:
        _add_ends_row(row, padded[:width], padded[taps + 1 : taps + 1 + width], part)
    for x in range(width):
        row[x] = row[x] / area


@part
def _box_strip(plane, out, down, across, whole, part, area, y0, y1):
    """Means of a strip into ``out``, in blocks of columns; the last block goes back as far as it must to be whole."""
    width = plane.shape[1]
    for x0 in range(0, width, _BOX_BLOCK):
        _box_down(plane, out, down, whole, part, min(x0, width - down.shape[1]), y0, y1)
    for j in range(y1 - y0):
        _box_across(out[j], across[0], across[1], across[2], whole, part, area)


@sheet
def _box_sheet(plane, out, whole, part, area, y0, y1):
    down = np.empty((y1 - y0 + 2 * whole, min(_BOX_BLOCK, plane.shape[1])), np.float32)
    across = np.empty((3, plane.shape[1] + 2 * whole + 2), np.float32)
    _box_strip(plane, out[y0:y1], down, across, whole, part, area, y0, y1)


def _box_numbers(radius: float) -> tuple[int, np.float32, np.float32]:
    """Return how many whole pixels a window reaches, how much of the next one counts, and the window's area."""
    sixteenths = round(_within("radius", radius) * 16)
    return sixteenths // 16, F(sixteenths % 16 / 16), F((1 + sixteenths / 8) ** 2)


def box_mean(plane: Floats, radius: float, out: Floats | None = None) -> Floats:
    """Return the mean over a square window of side 2 · radius + 1.

    :param plane: float32 (H, W), any values; NaN stays within the radius, rounded up.
    :param radius: pixels, 0 to 4096, in steps of 1/16; between whole radii the outermost pixels count in part.
    :returns: float32 (H, W). :raises ValueRangeError: radius. :raises PictureError: wrong array.

    A whole radius equals ``scipy.ndimage.uniform_filter(size=2 * radius + 1, mode="nearest")`` within 1e-6 of
    the largest value.
    """
    whole, part, area = _box_numbers(radius)
    plane = as_plane(plane, "plane")
    out = output(out, plane.shape, plane)
    if area == ONE:
        np.copyto(out, plane)
        return out
    over_rows(
        _box_sheet,
        plane.shape[0],
        plane,
        out,
        whole,
        part,
        area,
        strip=strip_rows(plane.shape[1], max(STRIP, 4 * whole)),
    )
    return out


# --- grow and shrink ----------------------------------------------------------------------------------------


@inline
def _end(a, b, largest):
    """The larger of two values, or the smaller; ``largest`` is a literal."""
    return (a if a > b else b) if largest else (a if a < b else b)


@inline
def _end2_row(out, a, b, largest):
    for x in range(out.shape[0]):
        out[x] = _end(a[x], b[x], largest)


@inline
def _end3_row(out, a, b, c, largest):
    for x in range(out.shape[0]):
        out[x] = _end(_end(a[x], b[x], largest), c[x], largest)


@inline
def _end4_row(out, a, b, c, d, largest):
    for x in range(out.shape[0]):
        out[x] = _end(_end(a[x], b[x], largest), _end(c[x], d[x], largest), largest)


@inline
def _ends_down(plane, out, ends, radius, largest, x0, y0, y1):
    """Extremes over 2·radius + 1 rows for one block of columns: windows of 4, 16, 64 … rows, then four of those."""
    x1 = x0 + ends.shape[1]
    count = y1 - y0
    top = y0 - radius
    taps = 2 * radius + 1
    if taps == 3:
        for y in range(y0, y1):
            above, below = plane[_near(plane, y - 1)], plane[_near(plane, y + 1)]
            _end3_row(out[y, x0:x1], above[x0:x1], plane[y, x0:x1], below[x0:x1], largest)
        return
    length = count + taps - 4
    for j in range(length):
        a, b = plane[_near(plane, top + j)], plane[_near(plane, top + j + 1)]
        c, d = plane[_near(plane, top + j + 2)], plane[_near(plane, top + j + 3)]
        _end4_row(ends[j], a[x0:x1], b[x0:x1], c[x0:x1], d[x0:x1], largest)
    step = 4
    spare = ends[count + taps - 2]  # found in place, the extremes would not become vector code
    while 4 * step <= taps:
        length -= 3 * step
        for j in range(length):
            _end4_row(spare, ends[j], ends[j + step], ends[j + 2 * step], ends[j + 3 * step], largest)
            copy_row(ends[j], spare)
        step *= 4
    last = taps - step
    for j in range(count):
        if taps <= 2 * step:
            _end2_row(out[y0 + j, x0:x1], ends[j], ends[j + last], largest)
        else:
            c = ends[j + min(2 * step, last)]
            _end4_row(out[y0 + j, x0:x1], ends[j], ends[j + step], c, ends[j + last], largest)


@inline
def _ends_across(row, ends, spare, radius, largest):
    """Extremes along one row in place, by the same windows."""
    width = row.shape[0]
    pad_row(ends, row, radius)
    taps = 2 * radius + 1
    if taps == 3:
        _end3_row(row, ends[:width], ends[1 : 1 + width], ends[2 : 2 + width], largest)
        return
    step = 1
    n = width + 2 * radius
    while 4 * step <= taps:
        n -= 3 * step
        a, b = ends[:n], ends[step : step + n]
        c, d = ends[2 * step : 2 * step + n], ends[3 * step : 3 * step + n]
        _end4_row(spare[:n], a, b, c, d, largest)
        ends, spare = spare, ends
        step *= 4
    last = taps - step
    if taps <= 2 * step:
        _end2_row(row, ends[:width], ends[last : last + width], largest)
    else:
        second, third = ends[step : step + width], ends[min(2 * step, last) : min(2 * step, last) + width]
        _end4_row(row, ends[:width], second, third, ends[last : last + width], largest)


@inline
def _ends_strip(plane, out, down, across, radius, largest, y0, y1):
    """Extremes of a strip, in blocks of columns; the last block goes back as far as it must to be whole."""
    width = plane.shape[1]
    for x0 in range(0, width, _BLOCK):
        _ends_down(plane, out, down, radius, largest, min(x0, width - down.shape[1]), y0, y1)
    for y in range(y0, y1):
        _ends_across(out[y], across[0], across[1], radius, largest)


@sheet
def _grow_sheet(plane, out, radius, y0, y1):
    down = np.empty((y1 - y0 + 2 * radius, min(_BLOCK, plane.shape[1])), np.float32)
    across = np.empty((2, plane.shape[1] + 2 * radius), np.float32)
    _ends_strip(plane, out, down, across, radius, True, y0, y1)


@sheet
def _shrink_sheet(plane, out, radius, y0, y1):
    down = np.empty((y1 - y0 + 2 * radius, min(_BLOCK, plane.shape[1])), np.float32)
    across = np.empty((2, plane.shape[1] + 2 * radius), np.float32)
    _ends_strip(plane, out, down, across, radius, False, y0, y1)


@inline
def _mix_row(out, other, t):
    for x in range(out.shape[0]):
        out[x] = out[x] + t * (other[x] - out[x])


@sheet
def _mix_sheet(out, other, t, y0, y1):
    for y in range(y0, y1):
        _mix_row(out[y], other[y], t)


def _whole_ends(kernel, plane: Floats, radius: int, out: Floats | None) -> Floats:
    out = output(out, plane.shape, plane)
    radius = min(radius, max(plane.shape))
    if radius == 0:
        np.copyto(out, plane)
    else:
        over_rows(kernel, plane.shape[0], plane, out, radius, strip=max(STRIP, 2 * radius))
    return out


def _ends(kernel, plane: Floats, radius: float, out: Floats | None) -> Floats:
    radius = _within("radius", radius)
    whole = int(radius)
    plane = as_plane(plane, "plane")
    out = _whole_ends(kernel, plane, whole, out)
    part = F(radius - whole)
    if part > ZERO:
        further = _whole_ends(kernel, out, 1, None)
        over_rows(_mix_sheet, plane.shape[0], out, further, part)
    return out


def grow(plane: Floats, radius: float, out: Floats | None = None) -> Floats:
    """Return the largest value within a square of side 2 · radius + 1: a matte's edges move outwards.

    :param plane: float32 (H, W), any values. NaN stays within the radius; there it may win or lose a comparison.
    :param radius: pixels, 0 to 4096; between whole radii the results of the two are mixed.
    :returns: float32 (H, W). :raises ValueRangeError: radius. :raises PictureError: wrong array.

    A whole radius equals ``scipy.ndimage.maximum_filter(size=2 * radius + 1, mode="nearest")`` exactly.
    """
    return _ends(_grow_sheet, plane, radius, out)


def shrink(plane: Floats, radius: float, out: Floats | None = None) -> Floats:
    """Return the smallest value within a square, with the parameters of :func:`grow`: edges move inwards.

    A whole radius equals ``scipy.ndimage.minimum_filter(size=2 * radius + 1, mode="nearest")`` exactly.
    """
    return _ends(_shrink_sheet, plane, radius, out)


# --- median -------------------------------------------------------------------------------------------------


@inline
def _sort2(a, b):
    swap = a > b
    return (b if swap else a), (a if swap else b)


@inline
def _sort3(a, b, c):
    a, b = _sort2(a, b)
    b, c = _sort2(b, c)
    a, b = _sort2(a, b)
    return a, b, c


@inline
def _sort5(a, b, c, d, e):
    a, b = _sort2(a, b)
    d, e = _sort2(d, e)
    c, e = _sort2(c, e)
    c, d = _sort2(c, d)
    b, e = _sort2(b, e)
    a, d = _sort2(a, d)
    a, c = _sort2(a, c)
    b, d = _sort2(b, d)
    b, c = _sort2(b, c)
    return a, b, c, d, e


@inline
def _median3(a, b, c):
    return _sort3(a, b, c)[1]


@part
def _median3_row(out, low, middle, high):
    """Of columns already sorted: the largest low, the median middle and the smallest high, and their median."""
    for x in range(out.shape[0]):
        a = _end(_end(low[x], low[x + 1], True), low[x + 2], True)
        b = _median3(middle[x], middle[x + 1], middle[x + 2])
        c = _end(_end(high[x], high[x + 1], False), high[x + 2], False)
        out[x] = _median3(a, b, c)


@inline
def _sort4(a, b, c, d):
    a, b = _sort2(a, b)
    c, d = _sort2(c, d)
    a, c = _sort2(a, c)
    b, d = _sort2(b, d)
    b, c = _sort2(b, c)
    return a, b, c, d


@inline
def _median13(before, diagonal, after):
    """Median of the entries on the rising diagonal of a sorted 5 × 5 square (5) and just before and after it (4 each).

    Sorted, before[i] ≤ diagonal[i + 1] and diagonal[i] ≤ after[i]. So before[0], before[1] and diagonal[0] have at
    least seven entries above them, and diagonal[4], after[2] and after[3] as many below: seven are left. Of those
    the smallest is one of three and the largest one of three others; without these two, five are left.
    """
    _, _, b2, b3 = _sort4(*before)
    _, d1, d2, d3, _ = _sort5(*diagonal)
    a0, a1, _, _ = _sort4(*after)
    _, low1, low2 = _sort3(b2, d1, a0)
    high1, high2, _ = _sort3(b3, d3, a1)
    return _sort5(low1, low2, d2, high1, high2)[2]


@part
def _median5_row(out, r0, r1, r2, r3, r4):
    """Of columns already sorted: sort each rank across the columns; then the median is one of 13 entries.

    Once rows and columns are both sorted, entry (i, j) has (i + 1)(j + 1) entries not above it and
    (5 − i)(5 − j) not below it, itself among both; only where neither exceeds 13 can it be the median.
    """
    for x in range(out.shape[0]):
        _, _, _, a3, a4 = _sort5(r0[x], r0[x + 1], r0[x + 2], r0[x + 3], r0[x + 4])
        _, _, b2, b3, b4 = _sort5(r1[x], r1[x + 1], r1[x + 2], r1[x + 3], r1[x + 4])
        _, c1, c2, c3, _ = _sort5(r2[x], r2[x + 1], r2[x + 2], r2[x + 3], r2[x + 4])
        d0, d1, d2, _, _ = _sort5(r3[x], r3[x + 1], r3[x + 2], r3[x + 3], r3[x + 4])
        e0, e1, _, _, _ = _sort5(r4[x], r4[x + 1], r4[x + 2], r4[x + 3], r4[x + 4])
        out[x] = _median13((a3, b2, c1, d0), (a4, b3, c2, d1, e0), (b4, c3, d2, e1))


@part
def _sorted3_rows(low, middle, high, a, b, c):
    for x in range(low.shape[0]):
        low[x], middle[x], high[x] = _sort3(a[x], b[x], c[x])


@part
def _sorted5_rows(r0, r1, r2, r3, r4, a, b, c, d, e):
    for x in range(r0.shape[0]):
        r0[x], r1[x], r2[x], r3[x], r4[x] = _sort5(a[x], b[x], c[x], d[x], e[x])


@inline
def _repeat_ends(rows, margin):
    last = rows.shape[1] - margin - 1
    for rank in range(rows.shape[0]):
        for x in range(margin):
            rows[rank, x] = rows[rank, margin]
            rows[rank, last + 1 + x] = rows[rank, last]


@sheet
def _median3_sheet(plane, out, y0, y1):
    width = plane.shape[1]
    ranks = np.empty((3, width + 2), np.float32)
    low, middle, high = ranks[0][1 : 1 + width], ranks[1][1 : 1 + width], ranks[2][1 : 1 + width]
    for y in range(y0, y1):
        _sorted3_rows(low, middle, high, plane[_near(plane, y - 1)], plane[y], plane[_near(plane, y + 1)])
        _repeat_ends(ranks, 1)
        _median3_row(out[y], ranks[0], ranks[1], ranks[2])


@sheet
def _median5_sheet(plane, out, y0, y1):
    width = plane.shape[1]
    ranks = np.empty((5, width + 4), np.float32)
    r0, r1, r2 = ranks[0][2 : 2 + width], ranks[1][2 : 2 + width], ranks[2][2 : 2 + width]
    r3, r4 = ranks[3][2 : 2 + width], ranks[4][2 : 2 + width]
    for y in range(y0, y1):
        above, further_above = plane[_near(plane, y - 1)], plane[_near(plane, y - 2)]
        below, further_below = plane[_near(plane, y + 1)], plane[_near(plane, y + 2)]
        _sorted5_rows(r0, r1, r2, r3, r4, further_above, above, plane[y], below, further_below)
        _repeat_ends(ranks, 2)
        _median5_row(out[y], ranks[0], ranks[1], ranks[2], ranks[3], ranks[4])


def median(plane: Floats, radius: int, out: Floats | None = None) -> Floats:
    """Return the median of a square of side 3 (radius 1) or 5 (radius 2): single false pixels go, edges stay.

    :param plane: float32 (H, W), any values. NaN stays within the radius.
    :returns: float32 (H, W). :raises ValueRangeError: another radius. :raises PictureError: wrong array.

    Equals ``scipy.ndimage.median_filter(size=2 * radius + 1, mode="nearest")`` exactly.
    """
    if radius not in (1, 2):
        raise ValueRangeError(f"The median's radius must be 1 or 2, not {radius}.")
    plane = as_plane(plane, "plane")
    out = output(out, plane.shape, plane)
    over_rows(_median3_sheet if radius == 1 else _median5_sheet, plane.shape[0], plane, out)
    return out


# --- levels, specks and pinholes ----------------------------------------------------------------------------


@inline
def levels_row(out, a, floor, span):
    """Stretch a row so that floor becomes 0 and floor + span 1, limited to 0 … 1."""
    for x in range(out.shape[0]):
        out[x] = clamp((a[x] - floor) / span, ZERO, ONE)


@sheet
def _levels_sheet(matte, out, floor, span, y0, y1):
    for y in range(y0, y1):
        levels_row(out[y], matte[y], floor, span)


def levels(matte: Floats, floor: float = 0.0, ceiling: float = 1.0, out: Floats | None = None) -> Floats:
    """Stretch a matte in a straight line so that ``floor`` becomes 0 and ``ceiling`` 1, limited to 0…1.

    A floor above the ceiling turns the matte over: levels(matte, 1, 0) is its inverse. With the default levels
    the matte is only limited and NaN turned into 0.

    :param matte: float32 (H, W); NaN becomes 0, turned over or not.
    :returns: float32 (H, W), 0 to 1. :raises ValueRangeError: equal or infinite levels. :raises PictureError.
    """
    span = levels_span(floor, ceiling)
    matte = as_plane(matte)
    out = output(out, matte.shape, matte)
    over_rows(_levels_sheet, matte.shape[0], matte, out, F(floor), span)
    return out


def levels_span(floor: float, ceiling: float) -> np.float32:
    """Return ceiling − floor as :func:`levels_row` takes it. Raises ValueRangeError for equal or infinite levels."""
    if not math.isfinite(floor) or not math.isfinite(ceiling) or F(floor) == F(ceiling):
        raise ValueRangeError(f"Floor and ceiling must be two different numbers, not {floor:g} and {ceiling:g}.")
    return F(F(ceiling) - F(floor))


def level_of(value: np.float32, floor: float, ceiling: float) -> np.float32:
    """Return what :func:`levels_row` makes of one value that is not NaN."""
    level = (value - F(floor)) / levels_span(floor, ceiling)
    return F(min(level, ONE)) if level > ZERO else ZERO


_FADED, _FADE = F(0.10), F(0.25)
_OPEN, _CLOSE = F(0.62), F(0.20)
_SPECK_SHARE, _PINHOLE_SHARE = math.sqrt(0.10), math.sqrt(1 - 0.82)


@inline
def specks_row(out, matte, share):
    """Fade a row of the matte where its mean all round, the share, is small; the rows must differ."""
    for x in range(out.shape[0]):
        out[x] = clamp(matte[x], ZERO, ONE) * smoothstep((share[x] - _FADED) / _FADE)


@inline
def pinholes_row(out, matte, share):
    """Fill a row of the matte where its mean all round, the share, is large; the rows must differ."""
    for x in range(out.shape[0]):
        out[x] = _end(clamp(matte[x], ZERO, ONE), smoothstep((share[x] - _OPEN) / _CLOSE), True)


def tiles_after_specks(states: Tiles, lowest: Floats, highest: Floats) -> Tiles:
    """Return the tiles after the specks went, from the ends of the share in each: well below the fade nothing stays."""
    stays = lowest > 1.01 * (_FADED + _FADE)
    unsure: Tiles = np.where((states == FULL) & ~stays, MIXED, states)
    return np.where(highest < 0.99 * _FADED, EMPTY, unsure)


def tiles_after_pinholes(states: Tiles, lowest: Floats, highest: Floats) -> Tiles:
    """Return the tiles after the pinholes closed, from the ends of the share in each."""
    stays = highest < 0.99 * _OPEN
    unsure: Tiles = np.where((states == EMPTY) & ~stays, MIXED, states)
    return np.where(lowest > 1.01 * (_OPEN + _CLOSE), FULL, unsure)


@sheet
def _clean_sheet(matte, low, out, factor, specks, y0, y1):
    """Remove specks or else close pinholes, told by the mean all round on a reduced grid."""
    cells = np.empty(low.shape[1] + 2, np.float32)
    wide = np.empty(low.shape[1] * factor, np.float32)
    share = np.empty(matte.shape[1], np.float32)
    for y in range(y0, y1):
        enlarged_row(low, share, cells, wide, factor, NOUGHT, y, NOUGHT)
        if specks:
            specks_row(out[y], matte[y], share)
        else:
            pinholes_row(out[y], matte[y], share)


def speck_radius(size: float) -> float:
    """Return the radius of the mean by which specks of a size are told; 0 or less where there is nothing to do."""
    return (_within("size", size) / _SPECK_SHARE - 1) / 2


def pinhole_radius(size: float) -> float:
    """Return the radius of the mean by which pinholes of a size are told; 0 or less where there is nothing to do."""
    return (_within("size", size) / _PINHOLE_SHARE - 1) / 2


def clean_stages(
    specks: bool, matte: Floats, size: float, out: Floats, least: int = _CLOSE_STRIP, settled: bool = False
) -> list[Stage]:
    """Return what removes specks or else closes pinholes of a size, see :func:`remove_specks`, into ``out``.

    ``settled`` tells that the matte lies in 0 … 1 and that no later stage writes to it.
    """
    rows, width = matte.shape
    radius = speck_radius(size) if specks else pinhole_radius(size)
    if radius <= 0:
        return [Stage(_levels_sheet, (matte, out, ZERO, ONE), rows, least)]
    factor = factor_for(radius)
    window = _box_numbers(radius / factor)
    means = np.empty((-(-rows // factor), -(-width // factor)), np.float32)
    low, stages = matte, []
    if factor > 1 or not settled:
        low = np.empty_like(means)
        stages = [Stage(_decimate_sheet, (matte, low, factor, 0, ONE), len(low), least, lambda y1: y1 * factor)]
    box = Stage(_box_sheet, (low, means, *window), len(low), max(least, 4 * window[0]), lambda y1: y1 + window[0] + 1)
    share = (matte, means, out, factor, specks)
    return [*stages, box, Stage(_clean_sheet, share, rows, least, lambda y1: (y1 - 1) // factor + 2)]


def _clean(specks: bool, matte: Floats, size: float, out: Floats | None) -> Floats:
    matte = as_plane(matte)
    out = output(out, matte.shape, matte)
    over_stages(clean_stages(specks, matte, size, out, STRIP))
    return out


def remove_specks(matte: Floats, size: float, out: Floats | None = None) -> Floats:
    """Fade lonely specks: the matte times smoothstep((share − 0.10) / 0.25), share being its mean all round.

    The mean is taken over a square of side size / √0.10, so that a square speck with sides of ``size`` pixels
    goes entirely and one of 1.9 times that size stays; a straight edge is left alone.

    :param matte: float32 (H, W); NaN counts as 0. :param size: pixels, 0 to 4096; 0 leaves every speck.
    :returns: float32 (H, W), 0 to 1. :raises ValueRangeError: size. :raises PictureError: wrong array.

    No published source; the two figures were found by trial on mattes of skin.
    """
    return _clean(True, matte, size, out)


def close_pinholes(matte: Floats, size: float, out: Floats | None = None) -> Floats:
    """Close pinholes: the matte or smoothstep((share − 0.62) / 0.20), whichever is more, as :func:`remove_specks`.

    The mean is taken over a square of side size / √0.18, so that a square hole with sides of ``size`` pixels
    closes entirely and one of 1.45 times that size stays open; a straight edge is left alone.
    """
    return _clean(False, matte, size, out)


# --- guided filter ------------------------------------------------------------------------------------------


def factor_for(radius: float) -> int:
    """Return the factor of the reduced grid on which a mean over this radius is taken: 1, 2, 4 or 8."""
    return 1 if radius < 4 else 2 if radius < 8 else 4 if radius < 96 else 8


@inline
def _product_row(out, a, b):
    for x in range(out.shape[0]):
        out[x] = a[x] * b[x]


@part
def _fit_row(slope, offset, guide, plane, square, product, epsilon):
    for x in range(slope.shape[0]):
        variance = _end(square[x] - guide[x] * guide[x], ZERO, True)
        slope[x] = (product[x] - guide[x] * plane[x]) / (variance + epsilon)
        offset[x] = plane[x] - slope[x] * guide[x]


@sheet
def _fit_sheet(guide, plane, factor, fit, window, epsilon, y0, y1):
    """Slope and offset that fit the plane to the guide round every cell, from the means of four planes."""
    whole, part, area = window
    width, count, halo = fit.shape[2], y1 - y0, whole + 1
    down = np.empty((count + 2 * whole, min(_BOX_BLOCK, width)), np.float32)
    across = np.empty((3, width + 2 * whole + 2), np.float32)
    means = np.empty((4, count, width), np.float32)
    low = np.empty((3, count + 2 * halo, width), np.float32)
    total, spare = np.empty(width * factor, np.float32), np.empty(width * factor, np.float32)
    for j in range(count + 2 * halo):
        y = _near(fit[0], y0 - halo + j)
        cells_row(guide, guide.shape[0], low[0, j], total, spare, factor, NOUGHT, y, NOUGHT, guide.shape[1])
        cells_row(plane, plane.shape[0], low[1, j], total, spare, factor, NOUGHT, y, NOUGHT, plane.shape[1])
    for k in range(4):
        if k >= 2:
            for j in range(count + 2 * halo):
                _product_row(low[2, j], low[0, j], low[k - 2, j])
        _box_strip(low[min(k, 2)], means[k], down, across, whole, part, area, halo, halo + count)
    for j in range(count):
        _fit_row(fit[0, y0 + j], fit[1, y0 + j], means[0, j], means[1, j], means[2, j], means[3, j], epsilon)


@sheet
def _across_sheet(low, wide, factor, y0, y1):
    """Enlarge the rows of two planes across."""
    cells, room = np.empty(low.shape[2] + 2, np.float32), np.empty(low.shape[2] * factor, np.float32)
    for k in range(2):
        for y in range(y0, y1):
            pad_row(cells, low[k, y], MARGIN)
            _spread_row(wide[k, y], cells, room, factor)


def _coefficient_stages(
    plane: Floats, guide: Floats, radius: float, epsilon: float, factor: int, least: int
) -> tuple[list[Stage], Floats]:
    """Return what finds slope and offset on a grid ``factor`` times coarser, and where: float32 (2, h, w)."""
    epsilon = _within("epsilon", epsilon, 1e-6, 1.0)
    plane = as_plane(plane, "plane")
    guide = as_plane(guide, "guide", plane.shape)
    fit, low = (room((2, *(-(-size // factor) for size in plane.shape))) for _ in range(2))
    rows, window = fit.shape[1], _box_numbers(radius)
    reach, strip = window[0] + 1, max(least, 4 * window[0])
    find = (guide, plane, factor, fit, window, F(epsilon))
    return [
        Stage(_fit_sheet, find, rows, strip, lambda y1: (y1 + reach) * factor),
        Stage(_box_sheet, (fit[0], low[0], *window), rows, strip, lambda y1: y1 + reach),
        Stage(_box_sheet, (fit[1], low[1], *window), rows, strip),
    ], low


def guided_coefficients(plane: Floats, guide: Floats, radius: float, epsilon: float) -> tuple[Floats, Floats]:
    """Return slope and offset of the guided filter: result = slope · guide + offset, for :func:`guided_apply`.

    :param plane: float32 (H, W), what is filtered; finite, as is the guide (NaN spreads over twice the radius).
    :param guide: float32 (H, W), grey, about 0 to 1 (variances lose digits above 4).
    :param radius: pixels of this grid, 0 to 4096. :param epsilon: 1e-6 to 1; how little contrast counts as flat.
    :returns: two float32 (H, W). :raises ValueRangeError: radius or epsilon. :raises PictureError: wrong array.

    Source: K. He, J. Sun, X. Tang, "Guided image filtering", IEEE PAMI 35(6), 2013, equations 5, 6 and 8.
    """
    plane = as_plane(plane, "plane")
    least = strip_rows(4 * plane.shape[1])
    stages, low = _coefficient_stages(plane, guide, radius, epsilon, 1, least)
    over_stages(stages)
    return low[0], low[1]


def wide_coefficient_stages(
    plane: Floats, guide: Floats, radius: float, epsilon: float, factor: int, enlarged: int, width: int
) -> tuple[list[Stage], Floats, Floats]:
    """Return what finds slope and offset of the guided filter, and where: as they are, and as wide as a picture.

    :param plane, guide: float32 (H, W), as :func:`guided_coefficients` takes them; the stage before writes both.
    :param factor: 1, 2, 4 or 8, by which both are reduced first. :param radius: pixels of the reduced grid.
    :param enlarged: 1, 2, 4 or 8: how many times more columns than the reduced grid the picture has.
    :param width: columns of the picture, of which the reduced grid has ⌈width / enlarged⌉.
    :returns: stages, float32 (2, h, w) and (2, h, width): slope and offset.
    """
    stages, low = _coefficient_stages(plane, guide, radius, epsilon, factor, _CLOSE_STRIP)
    wide = room((2, low.shape[1], width))
    return [*stages, Stage(_across_sheet, (low, wide, enlarged), low.shape[1], _CLOSE_STRIP)], low, wide


@inline
def _guided_px(slope, offset, guide):
    return clamp(slope * clamp(guide, ZERO, GUIDE_HIGHEST) + offset, ZERO, ONE)


@inline
def guided_row(out, slope, offset, guide):
    """A row of slope · guide + offset, limited to 0 … 1."""
    for x in range(out.shape[0]):
        out[x] = _guided_px(slope[x], offset[x], guide[x])


@inline
def partly_guided_row(out, slope, offset, guide, matte, amount):
    """The same, mixed into a row of the matte by an amount."""
    for x in range(out.shape[0]):
        own = clamp(matte[x], ZERO, ONE)
        out[x] = own + amount * (_guided_px(slope[x], offset[x], guide[x]) - own)


@sheet
def _guided_sheet(slope, offset, guide, out, factor, matte, amount, y0, y1):
    width = out.shape[1]
    cells = np.empty(slope.shape[1] + 2, np.float32)
    wide = np.empty(slope.shape[1] * factor, np.float32)
    slopes = np.empty(width, np.float32)
    offsets = np.empty(width, np.float32)
    for y in range(y0, y1):
        enlarged_row(slope, slopes, cells, wide, factor, NOUGHT, y, NOUGHT)
        enlarged_row(offset, offsets, cells, wide, factor, NOUGHT, y, NOUGHT)
        if amount == ONE:
            guided_row(out[y], slopes, offsets, guide[y])
        else:
            partly_guided_row(out[y], slopes, offsets, guide[y], matte[y], amount)


def guided_apply(slope: Floats, offset: Floats, guide: Floats, factor: int = 1, out: Floats | None = None) -> Floats:
    """Return slope · guide + offset, limited to 0…1, from coefficients found on a grid ``factor`` times coarser.

    :param slope: float32 (⌈H / factor⌉, ⌈W / factor⌉), like ``offset``, as :func:`guided_coefficients` returns them.
    :param guide: float32 (H, W), grey; limited to 0…4, NaN counts as 0. :param factor: 1, 2, 4 or 8.
    :returns: float32 (H, W), 0 to 1. :raises ValueRangeError: factor. :raises PictureError: wrong array.
    """
    factor = _as_factor(factor)
    guide = as_plane(guide, "guide")
    needed = (-(-guide.shape[0] // factor), -(-guide.shape[1] // factor))
    slope, offset = as_plane(slope, "slope", needed), as_plane(offset, "offset", needed)
    out = output(out, guide.shape, guide, slope, offset)
    over_rows(_guided_sheet, guide.shape[0], slope, offset, guide, out, factor, guide, ONE)
    return out


def guided(
    matte: Floats, guide: Floats, radius: float, epsilon: float, amount: float = 1.0, out: Floats | None = None
) -> Floats:
    """Let a matte's edges follow the edges of a grey picture (guided filter).

    From radius 4 the coefficients are found on a reduced grid: factor 2, from 8 factor 4, from 96 factor 8.
    Difference from the same filter on the full grid, on a soft matte with 2 % noise in the guide: rms 0.013, largest
    0.07; none below radius 4.

    :param matte: float32 (H, W); NaN counts as 0. :param guide: float32 (H, W), grey; limited to 0…4, NaN is 0.
    :param radius: pixels, 0 to 4096. :param epsilon: 1e-6 to 1; contrast of the guide below √epsilon counts as flat.
    :param amount: 0 to 1, how much of the result replaces the matte.
    :returns: float32 (H, W), 0 to 1; reaches over twice the radius and two cells of the reduced grid.
    :raises ValueRangeError: radius, epsilon or amount. :raises PictureError: wrong array.

    Source: He, Sun, Tang 2013 (see :func:`guided_coefficients`); reduced grid: K. He, J. Sun, "Fast guided
    filter", arXiv:1505.00996, 2015.
    """
    radius = _within("radius", radius)
    amount = _within("amount", amount, 0.0, 1.0)
    matte = as_plane(matte)
    guide = as_plane(guide, "guide", matte.shape)
    factor = factor_for(radius)
    low, low_guide = _decimate(matte, factor, high=ONE), _decimate(guide, factor, high=GUIDE_HIGHEST)
    slope, offset = guided_coefficients(low, low_guide, radius / factor, epsilon)
    out = output(out, matte.shape, matte, guide)
    over_rows(_guided_sheet, matte.shape[0], slope, offset, guide, out, factor, matte, F(amount))
    return out


# --- ratio filter before a key ------------------------------------------------------------------------------

_LINES = 360
_RATIO_BIAS = F(0.03)
_SHADOW, _SHADOW_FADE = F(0.09), F(0.18)
_TAPS_BELOW = 6.0
_HALVED_CHROMA_FROM = 1.75
"""σ from which chroma is blurred of the halved plane: the difference stays below 0.005, a step of 8 bits."""


@part
def _clean_row(out, row, n):
    """The colour of a row of pixels of n components; one that is not finite counts as black."""
    for x in range(out.shape[0] // 3):
        r, g, b = row[n * x], row[n * x + 1], row[n * x + 2]
        good = is_finite3(r, g, b)
        out[3 * x] = r if good else ZERO
        out[3 * x + 1] = g if good else ZERO
        out[3 * x + 2] = b if good else ZERO


@part
def _add_pixels(total, image, y, count):
    """Add up some rows of pixels, in pairs where they are four."""
    if count == 4:
        first, second = image[y].reshape(-1), image[y + 1].reshape(-1)
        _sum4_row(total, first, second, image[y + 2].reshape(-1), image[y + 3].reshape(-1))
        return
    copy_row(total, image[y].reshape(-1))
    for j in range(1, count):
        _add_row(total, image[y + j].reshape(-1))


@part
def _all_finite(row):
    bad = np.int32(0)
    for x in range(row.shape[0]):
        bad += np.int32(row[x] - row[x] != ZERO)
    return bad == 0


@part
def _ycbcr_row(means, share, luma, cb, cr):
    red, green, blue = means[0], means[1], means[2]
    for x in range(luma.shape[0]):
        luma[x], cb[x], cr[x] = ycbcr_px(share * red[x], share * green[x], share * blue[x])


@part
def _means_row(image, y, count, sums, planes, total, spare, factor, means):
    """Means of red, green and blue over cells of some rows of a picture, but for what is returned: a factor for all."""
    width, n = image.shape[1], image.shape[2]
    sums = sums[: n * width]
    _add_pixels(sums, image, y, count)
    part_run(sums, planes.reshape(-1), n)
    if factor > 1 and width == means.shape[1] * factor:
        for k in range(3):
            _sum_cells(planes[k], means[k], factor)
        return ONE / F(count) / F(factor)
    for k in range(3):
        cells_row(planes[k : k + 1], MARGIN, means[k], total, spare, factor, NOUGHT, NOUGHT, NOUGHT, width)
    return ONE / F(count)


@sheet
def _split_sheet(image, luma, cb, cr, sound, factor, y0, y1):
    """Y′, Cb and Cr of cells, and of each of their rows whether it is sound: a pixel that is not finite is black."""
    height, width = image.shape[0], image.shape[1]
    sums = np.empty(image.shape[2] * width, np.float32)
    clean = np.empty((factor, width, 3), np.float32)
    planes = np.empty((4, width), np.float32)
    total, spare = np.empty(luma.shape[1] * factor, np.float32), np.empty(luma.shape[1] * factor, np.float32)
    means = np.empty((3, luma.shape[1]), np.float32)
    for row in range(y0, y1):
        y = row * factor
        count = min(factor, height - y)
        share = _means_row(image, y, count, sums, planes, total, spare, factor, means)
        sound[row] = _all_finite(means.reshape(-1))
        if not sound[row]:
            for j in range(count):
                if image.shape[2] == 3:
                    _clean_row(clean[j].reshape(-1), image[y + j].reshape(-1), 3)
                else:
                    _clean_row(clean[j].reshape(-1), image[y + j].reshape(-1), 4)
            share = _means_row(clean, NOUGHT, count, sums, planes, total, spare, factor, means)
        _ycbcr_row(means, share, luma[row], cb[row], cr[row])


@part
def _ratio_row(luma, cb, cr, u, v):
    for x in range(luma.shape[0]):
        inverse = ONE / (_end(luma[x], ZERO, True) + _RATIO_BIAS)
        u[x] = cb[x] * inverse
        v[x] = cr[x] * inverse


@sheet
def _ratio_sheet(planes, low, halves, y0, y1):
    """The ratios chroma / luma, or these halved; where ``low`` has four planes, the halved chroma as well."""
    luma, cb, cr = planes[0], planes[1], planes[2]
    u, v = np.empty((4, luma.shape[1]), np.float32), np.empty((4, luma.shape[1]), np.float32)
    padded = np.empty(2 * low.shape[2] + 2, np.float32)
    ready = 2 * y0 - 3
    for row in range(y0, y1):
        if not halves:
            _ratio_row(luma[row], cb[row], cr[row], low[0, row], low[1, row])
            continue
        for y in range(ready, 2 * row + 1):
            near = _near(luma, y)
            _ratio_row(luma[near], cb[near], cr[near], u[y % 4], v[y % 4])
        ready = 2 * row + 1
        a, b, c, d = ready - 4, ready - 3, ready - 2, ready - 1
        halved_row(u[a % 4], u[b % 4], u[c % 4], u[d % 4], low[0, row], padded)
        halved_row(v[a % 4], v[b % 4], v[c % 4], v[d % 4], low[1, row], padded)
        for k in range(2, low.shape[0]):
            plane = planes[k - 1]
            a, b, c, d = _near(plane, a), _near(plane, b), _near(plane, c), _near(plane, d)
            halved_row(plane[a], plane[b], plane[c], plane[d], low[k, row], padded)


@part
def _shadow_row(luma, cb, cr, u, v):
    """In place: the chroma where it is light, the smoother ratio times luma where it is dark."""
    for x in range(luma.shape[0]):
        light = smoothstep((luma[x] - _SHADOW) / _SHADOW_FADE)
        base = _end(luma[x], ZERO, True) + _RATIO_BIAS
        dark_cb, dark_cr = u[x] * base, v[x] * base
        cb[x] = dark_cb + light * (cb[x] - dark_cb)
        cr[x] = dark_cr + light * (cr[x] - dark_cr)


@sheet
def _shadow_sheet(planes, low, halved, taps_luma, taps_chroma, taps_ratio, out, y0, y1):
    """Blur luma, chroma and the ratios; the ratio takes over in shadow. ``out`` receives the three planes."""
    width = planes.shape[2]
    taps = len(taps_luma) + len(taps_chroma) + len(taps_ratio)
    row, padded = np.empty(width + 2, np.float32), np.empty(width + 2 * taps, np.float32)
    room, ratio = np.empty((2, width + 2), np.float32), np.empty((2, width), np.float32)
    first, last = (y0 // 2, (y1 - 1) // 2 + 2) if halved else (y0, y1 - 1)
    blurred = np.empty((low.shape[0], last + 1 - first, low.shape[2]), np.float32)
    for k in range(low.shape[0]):
        for y in range(first, last + 1):
            _fir_row(low[k], blurred[k, y - first], taps_ratio if k < 2 else taps_chroma, y, row, padded)
    for y in range(y0, y1):
        for k in range(3 if low.shape[0] == 2 else 1):
            _fir_row(planes[k], out[k, y], taps_chroma if k else taps_luma, y, row, padded)
        for k in range(low.shape[0]):
            to = ratio[k] if k < 2 else out[k - 1, y]
            if halved:
                doubled_row(blurred[k], y // 2 + 1 - first, to, room[0], room[1], y, NOUGHT)
            else:
                copy_row(to, blurred[k, y - first])
        _shadow_row(out[0, y], out[1, y], out[2, y], ratio[0], ratio[1])


def ycbcr_planes(image: Floats, factor: int = 1) -> tuple[Floats, Floats, Floats]:
    """Return Y′, Cb and Cr of a picture as three planes, on a grid coarsened by ``factor``.

    :param image: float32 (H, W, 3 or 4), R′G′B′ with BT.709 primaries; a pixel that is not finite counts as black.
    :param factor: 1, 2, 4 or 8: means over cells as :func:`decimate` takes them.
    :returns: three float32 (⌈H / factor⌉, ⌈W / factor⌉). :raises ValueRangeError: factor. :raises PictureError.

    Source: BT.709-6, items 3.2 and 3.3.
    """
    stage, planes, _ = _split(as_picture(image), _as_factor(factor))
    over_stages([stage])
    return planes[0], planes[1], planes[2]


def _split(image: Floats, factor: int) -> tuple[Stage, Floats, NDArray[np.bool_]]:
    """Return what finds Y′, Cb and Cr of cells, where, and where it tells of rows of cells whether they are finite."""
    shape = (-(-image.shape[0] // factor), -(-image.shape[1] // factor))
    planes, sound = room((3, *shape)), np.empty(shape[0], np.bool_)
    stage = Stage(_split_sheet, (image, *planes, sound, factor), shape[0], max(8, 2 * STRIP // factor))
    return stage, planes, sound


def ratio_stages(
    image: Floats, factor: int = 1, light: float = 1.2, shadow: float = 3.5, luma: float = 0.7
) -> tuple[list[Stage], Floats, NDArray[np.bool_]]:
    """Return what makes the planes of :func:`ratio_prefilter`, and where.

    :returns: stages; float32 (3, ⌈H / factor⌉, ⌈W / factor⌉); and bool (⌈H / factor⌉), of which the first stage tells
        whether all pixels of a row of cells are finite.
    """
    for name, sigma in (("light", light), ("shadow", shadow), ("luma", luma)):
        _within(f"σ of `{name}`", sigma, 0.0, 40.0)
    image = as_picture(image)
    scale = image.shape[0] / _LINES / _as_factor(factor)
    split, planes, sound = _split(image, factor)
    sigmas = (luma * scale, light * scale, shadow * scale)
    halves = blur_factor(sigmas[2]) > 1
    softer = halves and sigmas[1] >= _HALVED_CHROMA_FROM
    low = room((4 if softer else 2, *(-(-size // 2) + 2 if halves else size for size in planes.shape[1:])))
    halved = (False, softer, halves)
    left = [reduced_sigma(sigma, 2) if half else sigma for sigma, half in zip(sigmas, halved, strict=True)]
    needs = (lambda y1: 2 * y1) if halves else int
    stages = [split, Stage(_ratio_sheet, (planes, low, halves), low.shape[1], _CLOSE_STRIP, needs)]
    taps = tuple(taps_of(sigma) for sigma in left)
    if max(left) >= _TAPS_BELOW:
        over_stages(stages)
        stages, taps = [], (NO_TAPS,) * 3
        planes = np.stack([gaussian(plane, sigmas[min(k, 1)]) for k, plane in enumerate(planes)])
        low = np.stack([gaussian(plane, left[2 if k < 2 else 1]) for k, plane in enumerate(low)])
    out, reach = room(planes.shape), max(len(row) for row in taps)

    def needs_of_shadow(y1: int) -> int:
        return (y1 - 1) // 2 + 2 + reach if halves else y1 + reach

    arguments = (planes, low, halves, *taps, out)
    stages.append(Stage(_shadow_sheet, arguments, planes.shape[1], 2 * _CLOSE_STRIP, needs_of_shadow))
    return stages, out, sound


def ratio_prefilter(
    image: Floats,
    factor: int = 1,
    light: float = 1.2,
    shadow: float = 3.5,
    luma: float = 0.7,
) -> tuple[Floats, Floats, Floats]:
    """Return Y′, Cb and Cr smoothed for a key: the darker, the more of the RATIO chroma / luma is smoothed.

    Noise in the ratio grows as 1 / Y′. In the light the chroma itself is blurred by ``light``; in shadow
    Cb / (Y′ + 0.03) is blurred by ``shadow`` and multiplied by luma again, so that shading does not blur with it.
    The two are mixed by smoothstep((Y′ − 0.09) / 0.18). Chroma blurred by 1.75 pixels or more and a ratio blurred by
    2.5 or more are halved first, see :func:`gaussian`.

    :param image: float32 (H, W, 3 or 4), R′G′B′; a pixel that is not finite counts as black.
    :param factor: 1, 2, 4 or 8: how much coarser the planes are than the picture.
    :param light, shadow, luma: σ in pixels of a picture 360 lines high (0 to 40); scaled to this picture's height,
        so that proxies and full size agree.
    :returns: three float32 (⌈H / factor⌉, ⌈W / factor⌉). :raises ValueRangeError: factor or σ. :raises PictureError.

    No published source; the figures were found by trial on mattes of skin.
    """
    stages, planes, _ = ratio_stages(image, factor, light, shadow, luma)
    over_stages(stages)
    return planes[0], planes[1], planes[2]
