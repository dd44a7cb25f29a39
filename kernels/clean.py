"""Cleaning mattes: levels, specks and pinholes.

Planes are float32 (H, W). Beyond the frame every filter sees the nearest edge pixel repeated. Each result is
a fixed sequence of additions or comparisons that depends on the pixel's place in the frame alone, so the bits
are the same for any number of threads and any strip size; this holds for the other filters of planes beside this
file too (:mod:`.gaussian`, :mod:`.box`, :mod:`.morphology`, :mod:`.median`, :mod:`.guided`, :mod:`.prefilter`).
There are no running sums: NaN and infinity stay within the radius that each function states. The matte filters
(:func:`levels`, :func:`remove_specks`, :func:`close_pinholes`, :func:`~inkarnat.kernels.guided.guided`) read NaN as 0
and return 0 to 1; where the matte is 0 all over their window they return exactly 0.
"""

from __future__ import annotations

import math

import numpy as np

from .arrays import Floats, as_plane, output
from .box import box_numbers, box_strips
from .colour import ONE, ZERO, F, clamp, smoothstep
from .errors import ValueRangeError
from .jit import inline, strip_kernel
from .resample import decimate_strips, enlarged_row, factor_for
from .rows import ZERO_INT, end_of, within
from .strips import LEAST, STRIP, Stage, over_rows, over_stages

CLOSE_STRIP = 32


# --- levels, specks and pinholes ----------------------------------------------------------------------------


@inline
def levels_px(m, floor, span):
    """Stretch a value so that floor becomes 0 and floor + span 1, limited to 0 … 1."""
    return clamp((m - floor) / span, ZERO, ONE)


@inline
def levels_row(out, a, floor, span):
    """Stretch a row: see :func:`levels_px`."""
    for x in range(out.shape[0]):
        out[x] = levels_px(a[x], floor, span)


@strip_kernel
def _levels_strips(matte, out, floor, span, y0, y1):
    for y in range(y0, y1):
        levels_row(out[y], matte[y], floor, span)


def levels(matte: Floats, floor: float = 0.0, ceiling: float = 1.0, out: Floats | None = None) -> Floats:
    """Stretch a matte in a straight line so that ``floor`` becomes 0 and ``ceiling`` 1, limited to 0…1.

    out = limit((matte − floor) / (ceiling − floor), 0, 1).

    A floor above the ceiling turns the matte over: levels(matte, 1, 0) is its inverse. With the default levels
    the matte is only limited and NaN turned into 0.

    :param matte: float32 (H, W); NaN becomes 0, turned over or not.
    :returns: float32 (H, W), 0 to 1. :raises ValueRangeError: equal or infinite levels. :raises PictureError.

    >>> matte = np.array([[0.0, 0.25, 0.5, 1.0]], np.float32)
    >>> print(levels(matte, floor=0.25, ceiling=0.75))
    [[0.  0.  0.5 1. ]]
    >>> print(levels(matte, 1, 0))
    [[1.   0.75 0.5  0.  ]]
    """
    span = levels_span(floor, ceiling)
    matte = as_plane(matte)
    out = output(out, matte.shape, matte)
    over_rows(_levels_strips, matte.shape[0], matte, out, F(floor), span)
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
def specks_px(m, share):
    """Fade a value of the matte where its mean all round, the share, is small."""
    return clamp(m, ZERO, ONE) * smoothstep((share - _FADED) / _FADE)


@inline
def pinholes_px(m, share):
    """Fill a value of the matte where its mean all round, the share, is large."""
    return end_of(clamp(m, ZERO, ONE), smoothstep((share - _OPEN) / _CLOSE), True)


@inline
def specks_row(out, matte, share):
    """Fade a row of the matte: see :func:`specks_px`; the rows must differ."""
    for x in range(out.shape[0]):
        out[x] = specks_px(matte[x], share[x])


@inline
def pinholes_row(out, matte, share):
    """Fill a row of the matte: see :func:`pinholes_px`; the rows must differ."""
    for x in range(out.shape[0]):
        out[x] = pinholes_px(matte[x], share[x])


SPECK_LIMITS = F(0.99) * _FADED, F(1.01) * (_FADED + _FADE)
"""Shares below which specks leave nothing, and above which they take nothing; some way from either to be sure."""

PINHOLE_LIMITS = F(0.99) * _OPEN, F(1.01) * (_OPEN + _CLOSE)
"""Shares below which pinholes add nothing, and above which they fill all."""


@strip_kernel
def _clean_strips(matte, low, out, factor, specks, y0, y1):
    """Remove specks or else close pinholes, told by the mean all round on a reduced grid."""
    cells = np.empty(low.shape[1] + 2, np.float32)
    wide = np.empty(low.shape[1] * factor, np.float32)
    share = np.empty(matte.shape[1], np.float32)
    for y in range(y0, y1):
        enlarged_row(low, share, cells, wide, factor, ZERO_INT, y, ZERO_INT)
        if specks:
            specks_row(out[y], matte[y], share)
        else:
            pinholes_row(out[y], matte[y], share)


def speck_radius(size: float) -> float:
    """Return the radius of the mean by which specks of a size are told; 0 or less where there is nothing to do.

    >>> round(speck_radius(4), 2), speck_radius(0) <= 0
    (5.82, True)
    """
    return (within("size", size) / _SPECK_SHARE - 1) / 2


def pinhole_radius(size: float) -> float:
    """Return the radius of the mean by which pinholes of a size are told; 0 or less where there is nothing to do.

    >>> round(pinhole_radius(4), 2), pinhole_radius(0) <= 0
    (4.21, True)
    """
    return (within("size", size) / _PINHOLE_SHARE - 1) / 2


def clean_stages(
    specks: bool, matte: Floats, size: float, out: Floats, least: int = CLOSE_STRIP, settled: bool = False
) -> list[Stage]:
    """Return what removes specks or else closes pinholes of a size, see :func:`remove_specks`, into ``out``.

    ``settled`` tells that the matte lies in 0 … 1 and that no later stage writes to it.
    """
    rows, width = matte.shape
    radius = speck_radius(size) if specks else pinhole_radius(size)
    if radius <= 0:
        return [Stage(_levels_strips, (matte, out, ZERO, ONE), rows, least)]
    factor = factor_for(radius)
    window = box_numbers(radius / factor)
    means = np.empty((-(-rows // factor), -(-width // factor)), np.float32)
    low, stages = matte, []
    if factor > 1 or not settled:
        low = np.empty_like(means)
        stages = [Stage(decimate_strips, (matte, low, factor, 0, ONE), len(low), least, lambda y1: y1 * factor)]
    strip, shared = max(least, 4 * window[0]), max(LEAST, 2 * window[0])
    box = Stage(box_strips, (low, means, *window), len(low), strip, lambda y1: y1 + window[0] + 1, shared)
    share = (matte, means, out, factor, specks)
    return [*stages, box, Stage(_clean_strips, share, rows, least, lambda y1: (y1 - 1) // factor + 2)]


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

    >>> matte = np.zeros((40, 40), np.float32)
    >>> matte[20, 20] = 1
    >>> float(remove_specks(matte, 2).max())
    0.0
    """
    return _clean(True, matte, size, out)


def close_pinholes(matte: Floats, size: float, out: Floats | None = None) -> Floats:
    """Close pinholes: the matte or smoothstep((share − 0.62) / 0.20), whichever is more, as :func:`remove_specks`.

    The mean is taken over a square of side size / √0.18, so that a square hole with sides of ``size`` pixels
    closes entirely and one of 1.45 times that size stays open; a straight edge is left alone.

    >>> matte = np.ones((40, 40), np.float32)
    >>> matte[20, 20] = 0
    >>> float(close_pinholes(matte, 2).min())
    1.0
    """
    return _clean(False, matte, size, out)
