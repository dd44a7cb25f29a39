"""Gaussian blurs: direct taps, and reduced grids for wide ones."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from .arrays import Floats, as_plane, output
from .colour import ONE, F
from .jit import strip_kernel, subroutine
from .resample import decimated, double_strips, enlarge_strips, halved
from .rows import ZERO_INT, pad_row, ring_at, scale_row, within
from .strips import over_rows, strip_rows

LEAST_SIGMA = 0.01
"""A Gaussian narrower than this many pixels changes nothing."""

_DIRECT_BELOW, _QUARTER_FROM = 2.5, 12.0
_REACH = 3.5


@subroutine
def _pairs2_row(out, a0, b0, a1, b1, k0, k1):
    for x in range(out.shape[0]):
        out[x] = (out[x] + k0 * (a0[x] + b0[x])) + k1 * (a1[x] + b1[x])


@subroutine
def _pairs4_row(out, a0, b0, a1, b1, a2, b2, a3, b3, k0, k1, k2, k3):
    for x in range(out.shape[0]):
        first = (out[x] + k0 * (a0[x] + b0[x])) + k1 * (a1[x] + b1[x])
        out[x] = (first + k2 * (a2[x] + b2[x])) + k3 * (a3[x] + b3[x])


@subroutine
def _taps2_row(out, left, right, k0, k1):
    for x in range(out.shape[0]):
        out[x] = (out[x] + k0 * (left[x] + right[x + 1])) + k1 * (left[x + 1] + right[x])


@subroutine
def _taps4_row(out, left, right, k0, k1, k2, k3):
    for x in range(out.shape[0]):
        first = (out[x] + k0 * (left[x] + right[x + 3])) + k1 * (left[x + 1] + right[x + 2])
        out[x] = (first + k2 * (left[x + 2] + right[x + 1])) + k3 * (left[x + 3] + right[x])


@subroutine
def fir_down(ring, out, k, y, height, x0, x1):
    """Weigh the rows round y into one row, columns x0 to x1 of it: four pairs of rows in each sweep, then two.

    Row y of the plane, which is ``height`` rows high, lies in row y modulo the ring's own height.
    """
    r = k.shape[0] - 1
    scale_row(out, ring[ring_at(ring, y, height)][x0:x1], k[r])
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


@subroutine
def fir_across(padded, out, k):
    """Weigh the pixels of a padded row: the same order of taps as downwards."""
    r = k.shape[0] - 1
    width = out.shape[0]
    scale_row(out, padded[r : r + width], k[r])
    for i in range(0, r - 3, 4):
        j = 2 * r - i - 3
        _taps4_row(out, padded[i : i + width + 3], padded[j : j + width + 3], k[i], k[i + 1], k[i + 2], k[i + 3])
    if r % 4:
        _taps2_row(out, padded[r - 2 : r + width - 1], padded[r + 1 : r + width + 2], k[r - 2], k[r - 1])


@subroutine
def fir_row(plane, out, k, y, row, padded):
    """Row y of a plane after a direct blur with the taps k; ``row`` and ``padded`` are scratch."""
    width, r = plane.shape[1], k.shape[0] - 1
    fir_down(plane, row[:width], k, y, plane.shape[0], ZERO_INT, width)
    pad_row(padded[: width + 2 * r], row[:width], r)
    fir_across(padded[: width + 2 * r], out, k)


@strip_kernel
def _fir_strips(plane, out, k, y0, y1):
    width = plane.shape[1]
    row, padded = np.empty(width, np.float32), np.empty(width + 2 * (k.shape[0] - 1), np.float32)
    for y in range(y0, y1):
        fir_row(plane, out[y], k, y, row, padded)


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
NO_TAPS.flags.writeable = False  # as the taps of a blur are, so that one strip kernel serves both


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

    The weight of a neighbour at a distance of d pixels is in proportion to exp(−d² / 2σ²).

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

    >>> plane = np.zeros((1, 7), np.float32)
    >>> plane[0, 3] = 1
    >>> print(gaussian(plane, 0.7).round(3))
    [[0.    0.01  0.205 0.57  0.205 0.01  0.   ]]
    """
    sigma = within("sigma", sigma)
    plane = as_plane(plane, "plane")
    out = output(out, plane.shape, plane)
    factor = blur_factor(sigma)
    if sigma < LEAST_SIGMA:
        np.copyto(out, plane)
    elif factor == 1:
        taps = gaussian_taps(sigma)
        over_rows(_fir_strips, plane.shape[0], plane, out, taps, strip=strip_rows(plane.shape[1]))
    elif factor == 2:
        low = gaussian(halved(plane), reduced_sigma(sigma, factor))
        over_rows(double_strips, plane.shape[0], low, out, strip=strip_rows(plane.shape[1]))
    else:
        low = gaussian(decimated(plane, factor, margin=1), reduced_sigma(sigma, factor))
        over_rows(enlarge_strips, plane.shape[0], low, out, factor, 1)
    return out
