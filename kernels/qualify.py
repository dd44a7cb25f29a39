"""Qualification: from a picture to a matte, by a learned skin key or by plain ranges.

The skin key works in the luma-normalised colour-difference plane u = Cb/(Y′ + 0.02), v = Cr/(Y′ + 0.02), which
shading hardly moves. Axes: ``along`` the hue of the samples, ``across`` it, and luma. A learned key is a table
of likelihoods over these three (or, in its compact form, one Gaussian); it is read at a reduced size where
chroma lives anyway, and its edge is drawn at full size by a guided filter on luma.
"""

from __future__ import annotations

import math
import weakref
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from . import tiles
from .angles import wrapped
from .arrays import Floats, as_picture, output
from .clean import clean_stages
from .codes import CodedPicture
from .colour import HALF, ONE, TINY, TWO, ZERO, F, atan2_px, clamp, is_finite, luma_run, smoothstep, ycbcr_px
from .devices import on_devices
from .guided import wide_coefficient_stages
from .jit import inline, strip_kernel, subroutine
from .prefilter import ratio_prefilter, ratio_stages
from .resample import rows_round
from .rows import copy_row, fill_row
from .stream import RUN, is_non_temporal, prefetch, store_fence, write
from .strips import STRIP, Stage, Unwritten, over_rows, over_stages

GRID = (48, 48, 24)
ALONG, ACROSS, LUMA = (-0.4, 2.8), (-1.3, 1.3), (0.0, 1.05)
"""Cells of the table and the span of its axes: along, across, luma."""

PALEST = 0.16
"""Chroma/luma below which the table's scale no longer shrinks with the sample's own chroma."""

SPECKS, PINHOLES = 0.0076, 0.0051
"""Sides of the largest speck and hole that the finish removes, in frame heights."""

_RATIO_FLOOR = F(0.02)


def axes(u: np.ndarray, v: np.ndarray, centre: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Return the coordinates along and across the sample's hue; the sample's own centre lies at (1, 0)."""
    chroma = math.hypot(*centre)
    scale = max(chroma, PALEST)
    along = (u * centre[0] + v * centre[1]) / chroma / scale + (1 - chroma / scale)
    across = (v * centre[0] - u * centre[1]) / chroma / scale
    return along, across


# --- reduced planes -----------------------------------------------------------------------------------------


HALVED_FROM, WHOLE_BELOW = 480, 960
"""Lines from which pictures are read at half their size, and the same of version 0.1.0, which halves less.

Half costs nothing from 540 lines on, and .004 of F1 at 360, on portraits with exact truth."""


def work_factor(height: int, halved_from: int = WHOLE_BELOW) -> int:
    """Return by how much pictures of this height are reduced for the key: 1, 2, or from 1920 lines on 4.

    >>> work_factor(540), work_factor(540, HALVED_FROM), work_factor(1080), work_factor(2160)
    (1, 2, 2, 4)
    """
    return 4 if height >= 1920 else 2 if height >= halved_from else 1


def work_planes(image: Floats) -> tuple[Floats, Floats, Floats]:
    """Return Y′, Cb and Cr, float32 (h, w), at the reduced size and after the ratio filter of :mod:`.soften`."""
    return ratio_prefilter(image, work_factor(np.shape(image)[0]))


# --- the learned key ----------------------------------------------------------------------------------------

_BLACK, _BLACK_SLOPE = F(0.03), F(1 / 0.04)


@inline
def colour_axes_px(y, cb, cr, cosine, sine, inverse_scale, offset, aside):
    """A pixel's place along the hue of the samples and across it, and its luma, from 0 up."""
    luma = y if y > ZERO else ZERO
    inverse = inverse_scale / (luma + _RATIO_FLOOR)
    return (cb * cosine + cr * sine) * inverse + offset, (cr * cosine - cb * sine) * inverse + aside, luma


@inline
def bend_px(luma, middle, dark, light):
    """Move luma toward the middle of the sampled skin: factors below 1 reach further into shadow or highlight."""
    step = luma - middle
    return middle + step * (dark if step < ZERO else light)


def packed_table(table: np.ndarray) -> np.ndarray:
    """Return the table at 8 bits with the four neighbours across and in luma side by side: int32, one axis.

    A pixel then needs two loads and not eight.
    """
    levels = np.rint(np.clip(table, 0, 1) * 255).astype(np.uint32)
    levels = np.pad(levels, ((0, 0), (0, 1), (0, 1)), mode="edge")
    here, across = levels[:, :-1], levels[:, 1:]
    packed = here[..., :-1] | here[..., 1:] << 8 | across[..., :-1] << 16 | across[..., 1:] << 24
    return np.ascontiguousarray(packed, np.uint32).reshape(-1).view(np.int32)


_packed: dict[int, tuple[weakref.ref[np.ndarray], np.ndarray]] = {}


def packed_once(table: np.ndarray) -> np.ndarray:
    """Return :func:`packed_table`, of a table that cannot be written to found once for as long as that lives."""
    if table.flags.writeable or table.base is not None:
        return packed_table(table)
    key = id(table)
    found = _packed.get(key)
    if found is None or found[0]() is not table:
        found = _packed[key] = weakref.ref(table, lambda _: _packed.pop(key, None)), packed_table(table)
    return found[1]


STEP_ALONG, _STEP_ACROSS = np.int32(GRID[1] * GRID[2]), np.int32(GRID[2])
_PER_ALONG, _PER_ACROSS, _PER_LUMA = F((GRID[0] - 1) / 3.2), F((GRID[1] - 1) / 2.6), F((GRID[2] - 1) / 1.05)
_LAST_ALONG, _LAST_ACROSS, _LAST_LUMA = (F(n - 1.001) for n in GRID)
_LEVEL = F(1 / 255)


@inline
def between_px(corners, ft, fy):
    """Interpolate between the four packed neighbours."""
    c00 = F(corners & 255)
    c01 = F((corners >> 8) & 255)
    c10 = F((corners >> 16) & 255)
    c11 = F((corners >> 24) & 255)
    c0 = c00 + fy * (c01 - c00)
    c1 = c10 + fy * (c11 - c10)
    return c0 + ft * (c1 - c0)


@inline
def placed_px(y, cb, cr, cosine, sine, inverse_scale, offset, aside):
    """A pixel's cell in the two colour axes, its fractions there, and 0 for what is black or outside."""
    a, t, luma = colour_axes_px(y, cb, cr, cosine, sine, inverse_scale, offset, aside)
    pa = (a + F(0.4)) * _PER_ALONG
    pt = (t + F(1.3)) * _PER_ACROSS
    inside = (pa >= ZERO) & (pt >= ZERO) & (pa <= _LAST_ALONG) & (pt <= _LAST_ACROSS)
    pa = clamp(pa, ZERO, _LAST_ALONG)
    pt = clamp(pt, ZERO, _LAST_ACROSS)
    ia = np.int32(pa)
    it = np.int32(pt)
    lit = smoothstep((luma - _BLACK) * _BLACK_SLOPE) if inside else ZERO
    return np.uint32(ia * STEP_ALONG + it * _STEP_ACROSS), pa - F(ia), pt - F(it), lit


@inline
def placed_in_luma_px(luma):
    """The cell of a luma in its axis of the table, and its fraction there."""
    py = clamp(luma * _PER_LUMA, ZERO, _LAST_LUMA)
    iy = np.int32(py)
    return np.uint32(iy), py - F(iy)


@inline
def likely_px(near, far, part_a, part_t, part_y):
    """Likelihood of skin between the packed neighbours of a cell and of the next one along."""
    c0 = between_px(near, part_t, part_y)
    c1 = between_px(far, part_t, part_y)
    return (c0 + part_a * (c1 - c0)) * _LEVEL


@subroutine
def _place_row(y_row, cb_row, cr_row, placing, cells, part_a, part_t, lit):
    """Place every pixel of a row: see :func:`placed_px`."""
    for x in range(cells.shape[0]):
        cells[x], part_a[x], part_t[x], lit[x] = placed_px(y_row[x], cb_row[x], cr_row[x], *placing)


@inline
def _read_row(packed, cells, part_a, part_t, luma_row, at, part_y, out_row):
    """Likelihood of skin in every pixel's cell at a luma. Places first, then values: both loops become vector code."""
    for x in range(cells.shape[0]):
        iy, part_y[x] = placed_in_luma_px(luma_row[x])
        at[x] = cells[x] + iy
    for x in range(cells.shape[0]):
        cell = at[x]
        near, far = packed[cell], packed[cell + np.uint32(STEP_ALONG)]
        out_row[x] = likely_px(near, far, part_a[x], part_t[x], part_y[x])


@inline
def reached_px(own, bent, luma, factor):
    """Join the likelihoods at a pixel's own and at its bent luma: reaching further only adds, less only takes away."""
    off = -luma if luma < ZERO else luma - F(1.05)
    bent = bent * smoothstep(ONE - off * F(10))
    less = bent if bent < own else own
    more = bent if bent > own else own
    return less if factor > ONE else more


@strip_kernel
def _table_strips(y_in, cb_in, cr_in, packed, placing, bending, ramp, out, y0, y1):
    """Key by a table; ``out`` may be one of the planes of chroma."""
    middle, dark, light = bending
    start, slope = ramp
    width = out.shape[1]
    cells = np.empty(width, np.uint32)
    at = np.empty(width, np.uint32)
    rows = np.empty((6, width), np.float32)
    part_a, part_t, part_y, lit, bent, reached = rows[0], rows[1], rows[2], rows[3], rows[4], rows[5]
    bends = dark != ONE or light != ONE
    for y in range(y0, y1):
        y_row = y_in[y]
        out_row = out[y]
        _place_row(y_row, cb_in[y], cr_in[y], placing, cells, part_a, part_t, lit)
        _read_row(packed, cells, part_a, part_t, y_row, at, part_y, out_row)
        if bends:  # the same for every pixel, so it costs nothing where luma is taken as it is
            for x in range(width):
                bent[x] = bend_px(y_row[x] if y_row[x] > ZERO else ZERO, middle, dark, light)
            _read_row(packed, cells, part_a, part_t, bent, at, part_y, reached)
            for x in range(width):
                factor = dark if y_row[x] < middle else light
                out_row[x] = reached_px(out_row[x], reached[x], bent[x], factor)
        for x in range(width):
            out_row[x] = smoothstep((out_row[x] - start) * slope) * lit[x]


@inline
def compact_px(y, cb, cr, gaussian, placing, bending, ramp):
    """Key of a pixel by the compact form."""
    middle, dark, light = bending
    start, slope = ramp
    mean_a, mean_t, mean_y, i_aa, i_at, i_ay, i_tt, i_ty, i_yy, cut = gaussian
    a, t, luma = colour_axes_px(y, cb, cr, *placing)
    a = a - mean_a
    t = t - mean_t
    l = bend_px(luma, middle, dark, light) - mean_y
    d = a * (i_aa * a + TWO * (i_at * t + i_ay * l)) + t * (i_tt * t + TWO * i_ty * l) + i_yy * l * l
    likely = HALF + (cut - d) * F(0.1138)
    return smoothstep((likely - start) * slope) * smoothstep((luma - _BLACK) * _BLACK_SLOPE)


@strip_kernel
def _compact_strips(y_in, cb_in, cr_in, gaussian, placing, bending, ramp, out, y0, y1):
    """Key by the compact form; ``out`` may be one of the planes of chroma."""
    out_row = np.empty(out.shape[1], np.float32)
    for y in range(y0, y1):
        y_row = y_in[y]
        cb_row = cb_in[y]
        cr_row = cr_in[y]
        for x in range(out_row.shape[0]):
            out_row[x] = compact_px(y_row[x], cb_row[x], cr_row[x], gaussian, placing, bending, ramp)
        copy_row(out[y], out_row)


def placing_of(centre: tuple[float, float], drift: tuple[float, float] = (0.0, 0.0)) -> tuple[np.float32, ...]:
    """Return what :func:`colour_axes_px` takes after the pixel, from Cb/Y′ and Cr/Y′ of the samples.

    :param drift: by how much the light has moved both since.
    """
    chroma = math.hypot(*centre)
    scale = max(chroma, PALEST)
    cosine, sine = centre[0] / chroma, centre[1] / chroma
    along, aside = drift[0] * cosine + drift[1] * sine, drift[1] * cosine - drift[0] * sine
    return F(cosine), F(sine), F(1 / scale), F(1 - (chroma + along) / scale), F(-aside / scale)


def ramp_of(width: float, softness: float) -> tuple[np.float32, np.float32]:
    """Return the likelihood at which the key begins, and how steeply it rises."""
    half = max(0.25 * softness, 0.01)
    return F(0.5 - width - half), F(0.5 / half)


def bending_of(middle: float, shadow_reach: float, highlight_reach: float) -> tuple[np.float32, np.float32, np.float32]:
    """Return what :func:`bend_px` takes after the luma."""
    return F(middle), F(1 / shadow_reach), F(1 / highlight_reach)


class Edge(NamedTuple):
    """A key found at a reduced size, whose edge is still to be drawn on luma: matte = slope · luma + offset.

    :ivar slope, offset: float32 (h, W), coefficients of the guided filter, as wide as the picture.
    :ivar factor: how many times as many rows the picture has. :ivar states: the tiles of the matte: empty where slope
        and offset are 0 as far as they reach, full where they are 0 and 1 and all pixels are finite.
    """

    slope: Floats
    offset: Floats
    factor: int
    states: tiles.Tiles


def learned_edge(image: Floats | CodedPicture, centre: tuple[float, float], form: np.ndarray, **options: Any) -> Edge:
    """Key a picture by what was learned, up to the drawing of the edge.

    :param image: float32 (H, W, 3 or 4), display-referred R′G′B′(A), not premultiplied; or one that lies in planes,
        which then knows its luma.
    :param centre: Cb/Y′ and Cr/Y′ of the samples. :param form: the table, float32 of shape :data:`GRID` and read at
        8 bits, or the compact form, float64 (10,): mean, covariance, squared distance at one half.
    :param drift: by how much the light has moved Cb/Y′ and Cr/Y′ since the samples were taken.
    :param middle: luma of the sampled skin, about which ``shadow_reach`` and ``highlight_reach`` (1 = as learned)
        stretch the key. :param width: −0.5 to 0.5, added to the likelihood. :param softness: 1 as learned.
    :param finish: drop specks and close pinholes. :param halved_from: lines from which half the size is read.
    :raises PictureError: wrong arrays.

    >>> skin, wall = (0.7, 0.5, 0.4), (0.4, 0.5, 0.7)
    >>> picture = np.full((32, 32, 3), wall, np.float32)
    >>> picture[:, 16:] = skin
    >>> form = np.array([1, 0, 0.5, 0.2, 0, 0, 0.05, 0, 0.1, 3.0])
    >>> edge = learned_edge(picture, (-0.14, 0.2), form)
    >>> edge.factor, edge.slope.shape
    (1, (32, 32))
    """
    stages, edge = _edge_stages(image, centre, form, **options)
    over_stages(stages)
    return edge


def edge_radius(rows: int) -> tuple[int, int]:
    """Return the radius of the guided filter for a matte so many rows high, and the factor by which it is reduced."""
    radius = max(2, round(4 * rows / 480))
    return ((radius + 1) // 2, 2) if radius >= 4 else (radius, 1)


EDGE_EPSILON = 4e-4
"""Squared luma contrast below which the guided filter takes the picture for flat."""


def _edge_stages(
    image: Floats | CodedPicture,
    centre: tuple[float, float],
    form: np.ndarray,
    *,
    drift: tuple[float, float] = (0.0, 0.0),
    middle: float = 0.5,
    width: float = 0.0,
    softness: float = 1.0,
    shadow_reach: float = 1.0,
    highlight_reach: float = 1.0,
    finish: bool = True,
    halved_from: int = WHOLE_BELOW,
) -> tuple[list[Stage], Edge]:
    """Return what finds the edge of a key, and where."""
    image = image if isinstance(image, CodedPicture) else as_picture(image)
    factor = work_factor(image.shape[0], halved_from)
    stages, planes, sound = ratio_stages(image, factor)
    luma, matte, spare = planes  # the matte takes the place of chroma, which nobody reads once its row is keyed
    shape = (placing_of(centre, drift), bending_of(middle, shadow_reach, highlight_reach), ramp_of(width, softness))
    kernel, numbers = (_table_strips, packed_once(form)) if form.ndim == 3 else (_compact_strips, precision_of(form))
    stages.append(Stage(kernel, (*planes, numbers, *shape, matte), len(matte), _STRIP))
    if finish:
        for specks, size in ((True, SPECKS), (False, PINHOLES)):
            stages += clean_stages(specks, matte, size * len(matte), spare, settled=not specks)
            matte, spare = spare, matte
    radius, further = edge_radius(len(matte))
    whole = factor * further
    led, low, wide = wide_coefficient_stages(matte, luma, radius, EDGE_EPSILON, further, whole, image.shape[1])
    states = tiles.unknown(image.shape[:2])
    stages += [*led, tiles.line_stage(low[0], low[1], whole, states, sound, factor)]
    return stages, Edge(wide[0], wide[1], whole, states)


_STRIP = 64
"""Rows of a strip of the reduced picture: less than the caches hold, and enough for both threads."""


@on_devices
def learned_key(
    image: Floats | CodedPicture,
    centre: tuple[float, float],
    form: np.ndarray,
    out: Floats | None = None,
    **options: Any,
) -> Floats:
    """Key a picture by what was learned: :func:`learned_edge`, with its parameters, its edge drawn at full size.

    :returns: matte, float32 (H, W), 0 to 1; exactly 0 for NaN and infinite pixels.
    :raises PictureError: wrong arrays.

    >>> skin, wall = (0.7, 0.5, 0.4), (0.4, 0.5, 0.7)
    >>> picture = np.full((32, 32, 3), wall, np.float32)
    >>> picture[:, 16:] = skin
    >>> form = np.array([1, 0, 0.5, 0.2, 0, 0, 0.05, 0, 0.1, 3.0])
    >>> learned_key(picture, (-0.14, 0.2), form)[16, [4, 28]]
    array([0., 1.], dtype=float32)
    """
    matte: Floats = unwritten_key(image, centre, form, out, **options).whole()
    return matte


def unwritten_key(
    image: Floats | CodedPicture,
    centre: tuple[float, float],
    form: np.ndarray,
    out: Floats | None = None,
    **options: Any,
) -> Unwritten:
    """Return the matte of :func:`learned_key` before it is written, and luma of a picture that lies in planes.

    >>> picture = np.full((32, 32, 3), (0.7, 0.5, 0.4), np.float32)
    >>> form = np.array([1, 0, 0.5, 0.2, 0, 0, 0.05, 0, 0.1, 3.0])
    >>> matte = unwritten_key(picture, (-0.14, 0.2), form)
    >>> matte.shape, float(matte.whole()[16, 16])
    ((32, 32), 1.0)
    """
    coded = isinstance(image, CodedPicture)
    image = image if coded else as_picture(image)
    # Before the planes of the key, which may be as large as the matte.
    out = output(out, image.shape[:2], *(() if coded else (image,)))
    stages, edge = _edge_stages(image, centre, form, **options)
    seen = image.room_for_luma() if isinstance(image, CodedPicture) else image
    last = Stage(_edge_strips, (seen, *edge, out), len(out), 2 * STRIP, lambda y1: -(-y1 // tiles.ROWS))
    return Unwritten(out, (*stages, last))


def precision_of(compact: np.ndarray) -> tuple[np.float32, ...]:
    """Turn the covariance of the compact form into its inverse."""
    return _inverse(*(float(v) for v in compact))


@lru_cache(maxsize=16)
def _inverse(*compact: float) -> tuple[np.float32, ...]:
    _, _, _, aa, at, ay, tt, ty, yy, cut = compact
    inverse = np.linalg.inv(np.array([[aa, at, ay], [at, tt, ty], [ay, ty, yy]]))
    i = inverse[np.triu_indices(3)]
    return (*(F(v) for v in compact[:3]), *(F(v) for v in i), F(cut))


_BRIGHTEST_GUIDE = F(4)


@inline
def led_px(luma, slope, offset):
    """The matte of a pixel from its luma: slope · luma + offset, limited to 0 … 1; 0 where it is not finite."""
    m = clamp(slope * clamp(luma, ZERO, _BRIGHTEST_GUIDE) + offset, ZERO, ONE)
    return m if is_finite(luma) else ZERO


@inline
def _led_row(out, slope, slope_below, offset, offset_below, t):
    """In place: from luma to the matte."""
    for x in range(out.shape[0]):
        a = slope[x] + t * (slope_below[x] - slope[x])
        b = offset[x] + t * (offset_below[x] - offset[x])
        out[x] = led_px(out[x], a, b)


@subroutine
def edge_row(image, slope, offset, factor, y, x0, out):
    """Row y of the matte from column x0 on, from an :class:`Edge`. Luma first: both loops together take far longer."""
    x1 = x0 + out.shape[0]
    luma_run(image, out, y, x0)
    above, below, t = rows_round(slope, factor, y)
    _led_row(out, slope[above, x0:x1], slope[below, x0:x1], offset[above, x0:x1], offset[below, x0:x1], t)


@strip_kernel
def _edge_strips(image, slope, offset, factor, states, out, y0, y1):
    width, n, non_temporal = out.shape[1], image.shape[2], is_non_temporal(out)
    finished = np.empty(width, np.float32)
    for y in range(y0, y1):
        row, tile = states[y // tiles.ROWS], 0
        to = finished if non_temporal else out[y]
        while tile < row.shape[0]:
            end = tiles.run_end(row, tile)
            x0, x1 = tile * tiles.COLUMNS, min(end * tiles.COLUMNS, width)
            if row[tile] == tiles.MIXED:
                prefetch(image[min(y + 1, image.shape[0] - 1)].reshape(-1), n * x0, n * x1)
                edge_row(image, slope, offset, factor, y, x0, to[x0:x1])
            else:
                fill_row(to[x0:x1], ONE if row[tile] == tiles.FULL else ZERO)
            tile = end
        if non_temporal:
            write(out[y], finished, non_temporal)
    store_fence(non_temporal)


# --- ranges -------------------------------------------------------------------------------------------------


@inline
def _hue_px(cb, cr):
    """Hue in turns, −½ to ½."""
    return atan2_px(cr, cb) * _TURN


@inline
def _between_ends(value, low, high, slope):
    """Rise from low and fall to high, each over 1/slope. The nearer end tells alone: the two slopes never meet."""
    above, below = value - low, high - value
    return smoothstep((above if above < below else below) * slope)


@inline
def _within_px(turns, y, cb, cr, hue, hue_half, hue_slope, c_low, c_high, c_slope, y_low, y_high, y_slope):
    chroma = math.sqrt(cb * cb + cr * cr)
    d = turns - hue
    d = d + ONE if d < -HALF else d
    d = d - ONE if d > HALF else d
    m = smoothstep((hue_half - abs(d)) * hue_slope)
    m = m * _between_ends(chroma, c_low, c_high, c_slope) * _between_ends(y, y_low, y_high, y_slope)
    coloured = chroma > TINY or hue_half >= TWO
    return m if is_finite(y) and coloured else ZERO


@inline
def range_px(r, g, b, hue, hue_half, hue_slope, c_low, c_high, c_slope, y_low, y_high, y_slope):
    """Matte of one pixel: the product of three soft ranges. Hue counts in turns and wraps.

    NaN and Inf give 0, and so does grey unless the hue range is the full circle.
    """
    y, cb, cr = ycbcr_px(r, g, b)
    ranges = (hue, hue_half, hue_slope, c_low, c_high, c_slope, y_low, y_high, y_slope)
    return _within_px(_hue_px(cb, cr), y, cb, cr, *ranges)


_TURN = F(1 / (2 * math.pi))


@inline
def _ycbcr_row(row, y, cb, cr, n):
    for x in range(y.shape[0]):
        y[x], cb[x], cr[x] = ycbcr_px(row[n * x], row[n * x + 1], row[n * x + 2])


@subroutine
def range_row(row, out, n, p, scratch):
    """A row of the matte from the picture's row of n components to a pixel; ``scratch`` (3, …) is overwritten.

    In runs of several loops, for the reason that powers are: see :mod:`.colour`.
    """
    for x0 in range(0, out.shape[0], RUN):
        matte = out[x0 : x0 + RUN]
        y, cb, cr = scratch[0][: matte.shape[0]], scratch[1][: matte.shape[0]], scratch[2][: matte.shape[0]]
        if n == 3:
            _ycbcr_row(row[3 * x0 :], y, cb, cr, 3)
        else:
            _ycbcr_row(row[4 * x0 :], y, cb, cr, 4)
        for x in range(matte.shape[0]):
            matte[x] = _hue_px(cb[x], cr[x])
        for x in range(matte.shape[0]):
            matte[x] = _within_px(matte[x], y[x], cb[x], cr[x], *p)


@strip_kernel
def _range_strips(image, out, p, y0, y1):
    scratch = np.empty((3, RUN), np.float32)
    for y in range(y0, y1):
        range_row(image[y].reshape(-1), out[y], image.shape[2], p, scratch)


@on_devices
def range_key(
    image: Floats,
    hue: tuple[float, float],
    chroma: tuple[float, float],
    luma: tuple[float, float],
    fade: float = 0.1,
    out: Floats | None = None,
) -> Floats:
    """Key by plain ranges of hue, chroma and luma, each from–to, with one fade outside them.

    The product of three ramps: 1 within a range, 0 from one fade outside it.

    :param image: float32 (H, W, 3 or 4), display-referred R′G′B′(A).
    :param hue: degrees in Cb/Cr, counter-clockwise from ``from`` to ``to``; it wraps, and a span of 360 or more
        takes every hue. :param chroma: of √(Cb² + Cr²), 0 to 0.71. :param luma: 0 to 1.
    :param fade: part of each range's own scale over which the matte falls to 0: 0.1 is 36°, 0.05 of chroma and 0.1
        of luma.
    :returns: matte, float32 (H, W); full inside all three ranges; 0 for NaN and infinite pixels.
    :raises PictureError: wrong arrays.

    >>> picture = np.array([[[0.7, 0.5, 0.4], [0.4, 0.5, 0.7]]], np.float32)
    >>> range_key(picture, hue=(90, 150), chroma=(0.02, 0.3), luma=(0.1, 0.9))
    array([[1., 0.]], dtype=float32)
    """
    image = as_picture(image)
    out = output(out, image.shape[:2], image)
    over_rows(_range_strips, image.shape[0], image, out, range_constants(hue, chroma, luma, fade))
    return out


def range_constants(
    hue: tuple[float, float], chroma: tuple[float, float], luma: tuple[float, float], fade: float
) -> tuple[np.float32, ...]:
    """Return the ranges of :func:`range_key` as the constants that :func:`range_px` takes.

    >>> len(range_constants((90, 150), (0.02, 0.3), (0.1, 0.9), 0.1))
    9
    """
    fade = max(fade, 1e-4)
    full_circle = hue[1] - hue[0] >= 360
    span = 360.0 if full_circle else (hue[1] - hue[0]) % 360
    middle = wrapped(hue[0] + span / 2) / 360
    half = 2.0 if full_circle else span / 720 + fade
    p = (middle, half, 1 / fade, *_edges(chroma, fade * 0.5), *_edges(luma, fade))
    return tuple(F(v) for v in p)


def _edges(span: tuple[float, float], fade: float) -> tuple[float, float, float]:
    return span[0] - fade, span[1] + fade, 1 / fade
