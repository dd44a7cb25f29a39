"""The skin key on planes of cells, the guided filter that draws its edge, and the softening of mattes."""

from __future__ import annotations

# mypy: disable-error-code="attr-defined, no-untyped-call, no-untyped-def, untyped-decorator"
from functools import lru_cache

import numpy as np
from numba import cuda, float32

from ..clean import levels_px, pinholes_px, specks_px
from ..colour import ONE, ZERO, F, clamp, is_finite3, luma_px, smoothstep, ycbcr_px
from ..guided import fit_px, partly_guided_px
from ..prefilter import ratio_px, shadow_px
from ..qualify import (
    STEP_ALONG,
    bend_px,
    compact_px,
    led_px,
    likely_px,
    placed_in_luma_px,
    placed_px,
    reached_px,
)
from .filters import (
    ACROSS,
    DOWN,
    SHARED,
    SPAN,
    TALL,
    WEIGHTS,
    between,
    doubled,
    doubled4,
    four_across,
    near,
    row_of,
    share_weights,
    summed,
)
from .launch import (
    STEP,
    THREADS,
    Kernel,
    further,
    kernel,
    piece,
    region_kernel,
    spot,
    this_place,
    this_row,
    this_thread,
    whole,
)

# --- before the key -----------------------------------------------------------------------------------------


@kernel
def split(image, planes, width, height, low_width, low_height, factor):
    """Y′, Cb and Cr of means over cells; a pixel that is not finite counts as black."""
    count, cells = whole(width * height), whole(low_width * low_height)
    y = this_row()
    while y < low_height:
        x = this_place()
        while x < low_width:
            left, top = whole(x * factor), whole(y * factor)
            right, bottom = whole(min(left + factor, width)), whole(min(top + factor, height))
            red, green, blue = ZERO, ZERO, ZERO
            for j in range(top, bottom):
                at, end = whole(j * width + left), whole(j * width + right)
                while at < end:
                    r, g, b = image[spot(at)], image[spot(count + at)], image[spot(2 * count + at)]
                    good = is_finite3(r, g, b)
                    red += r if good else ZERO
                    green += g if good else ZERO
                    blue += b if good else ZERO
                    at = whole(at + 1)
            share = ONE / F(whole((right - left) * (bottom - top)))
            luma, cb, cr = ycbcr_px(share * red, share * green, share * blue)
            at = whole(y * low_width + x)
            planes[spot(at)] = luma
            planes[spot(cells + at)] = cb
            planes[spot(2 * cells + at)] = cr
            x = further(x, low_width, 0)
        y = further(y, low_height, 1)


@kernel
def ratios(planes, low, width, height):
    """The ratios chroma / luma."""
    count = whole(width * height)
    i = this_place()
    while i < count:
        low[spot(i)], low[spot(count + i)] = ratio_px(
            planes[spot(i)], planes[spot(count + i)], planes[spot(2 * count + i)]
        )
        i = further(i, count, 0)


_THREE, _SIXTY_FOURTH = F(3), F(1 / 64)


@kernel
def halved_ratios(planes, low, width, height, low_width, low_height, with_chroma):
    """The ratios halved, as :func:`.filters.halve` does it, and behind them the chroma where it is wanted."""
    count, cells = whole(width * height), whole(low_width * low_height)
    y = this_row()
    while y < low_height:
        x = this_place()
        while x < low_width:
            u, v, cb, cr = ZERO, ZERO, ZERO, ZERO
            for j in range(4):
                row, down = whole(near(2 * y - 3 + j, height) * width), (_THREE if j == 1 or j == 2 else ONE)
                for i in range(4):
                    at = whole(row + near(2 * x - 3 + i, width))
                    weight = down * (_THREE if i == 1 or i == 2 else ONE)
                    b, r = planes[spot(count + at)], planes[spot(2 * count + at)]
                    first, second = ratio_px(planes[spot(at)], b, r)
                    u += weight * first
                    v += weight * second
                    cb += weight * b
                    cr += weight * r
            at = whole(y * low_width + x)
            low[spot(at)] = u * _SIXTY_FOURTH
            low[spot(cells + at)] = v * _SIXTY_FOURTH
            if with_chroma:
                low[spot(2 * cells + at)] = cb * _SIXTY_FOURTH
                low[spot(3 * cells + at)] = cr * _SIXTY_FOURTH
            x = further(x, low_width, 0)
        y = further(y, low_height, 1)


@piece
def _shadowed(soft, low, x, y, size, halved, halved_chroma):
    """Y′, Cb and Cr of a cell, its chroma mixed by luma from the blurred one and the blurred ratios.

    ``size``: width and height of ``soft``, then those of ``low``.
    """
    width, low_width = size[0], size[2]
    count, cells, at = whole(width * size[1]), whole(low_width * size[3]), whole(y * width + x)
    luma, cb, cr = soft[spot(at)], ZERO, ZERO
    if halved_chroma:
        cb, cr = doubled(low, 2 * cells, low_width, x, y), doubled(low, 3 * cells, low_width, x, y)
    else:
        cb, cr = soft[spot(count + at)], soft[spot(2 * count + at)]
    u, v = ZERO, ZERO
    if halved:
        u, v = doubled(low, 0, low_width, x, y), doubled(low, cells, low_width, x, y)
    else:
        u, v = low[spot(at)], low[spot(cells + at)]
    cb, cr = shadow_px(luma, cb, cr, u, v)
    return luma, cb, cr


# --- the key ------------------------------------------------------------------------------------------------


@piece
def _likely(packed, cell, part_a, part_t, luma):
    above, part_y = placed_in_luma_px(luma)
    at = np.int64(cell) + np.int64(above)
    return likely_px(packed[at], packed[at + np.int64(STEP_ALONG)], part_a, part_t, part_y)


@kernel
def table(soft, low, packed, out, width, height, low_width, low_height, halved, softer, placing, bending, ramp, bends):
    """Key by a table, what the ratio filter left to do before it."""
    row = this_row()
    while row < height:
        x = this_place()
        while x < width:
            y, cb, cr = _shadowed(soft, low, x, row, (width, height, low_width, low_height), halved, softer)
            cell, part_a, part_t, lit = placed_px(y, cb, cr, *placing)
            likely = _likely(packed, cell, part_a, part_t, y)
            if bends:
                bent = bend_px(y if y > ZERO else ZERO, bending[0], bending[1], bending[2])
                reached = _likely(packed, cell, part_a, part_t, bent)
                likely = reached_px(likely, reached, bent, bending[1] if y < bending[0] else bending[2])
            out[spot(row * width + x)] = smoothstep((likely - ramp[0]) * ramp[1]) * lit
            x = further(x, width, 0)
        row = further(row, height, 1)


@kernel
def compact(soft, low, out, width, height, low_width, low_height, halved, softer, gaussian, placing, bending, ramp):
    """Key by the compact form, what the ratio filter left to do before it."""
    row = this_row()
    while row < height:
        x = this_place()
        while x < width:
            y, cb, cr = _shadowed(soft, low, x, row, (width, height, low_width, low_height), halved, softer)
            out[spot(row * width + x)] = compact_px(y, cb, cr, gaussian, placing, bending, ramp)
            x = further(x, width, 0)
        row = further(row, height, 1)


# --- between the cells of a coarser grid --------------------------------------------------------------------

CELLS = (1, 2, 4, 8)
"""Factors of coarser grids."""


def rows_of(factor: int) -> int:
    """Return how many pixels below each other one thread works: their columns are the same, and whole cells."""
    return max(4, factor)


@lru_cache(maxsize=8)
def _column(factor: int):
    """Return what finds the numbers of a column between cells, of those that its pixels lie between."""
    many = rows_of(factor) // factor + (5 if factor == 1 else 2)
    inverse = F(1 / factor)

    @piece
    def across(low, base, row, width, height, first, second, s):
        at = whole(base + near(row, height) * width)
        a = low[spot(at + first)]
        return a + s * (low[spot(at + second)] - a)

    @piece
    def column(low, base, top, x, width, height):
        """The numbers of ``top`` cells before and so on; six of them, of which as many count as are needed."""
        left, s = between(x, inverse)
        first, second = near(left, width), near(left + 1, width)
        a = across(low, base, whole(top - 1), width, height, first, second, s)
        b = across(low, base, top, width, height, first, second, s)
        c = across(low, base, whole(top + 1), width, height, first, second, s)
        d, e, f = c, c, c
        if many > 3:
            d = across(low, base, whole(top + 2), width, height, first, second, s)
        if many > 4:
            e = across(low, base, whole(top + 3), width, height, first, second, s)
            f = across(low, base, whole(top + 4), width, height, first, second, s)
        return a, b, c, d, e, f

    return column


@piece
def _chosen(cells, i):
    """One of six numbers."""
    low = cells[0] if i == 0 else (cells[1] if i == 1 else cells[2])
    high = cells[3] if i == 3 else (cells[4] if i == 4 else cells[5])
    return low if i < 3 else high


@piece
def _down(cells, k, inverse):
    """The number of pixel ``k`` of a column of pixels, from those of its cells; ``k`` counts in an unrolled loop."""
    cell, t = between(k, inverse)
    above = _chosen(cells, whole(cell + 1))
    return above + t * (_chosen(cells, whole(cell + 2)) - above)


@lru_cache(maxsize=64)
def cleaner(factor: int, specks: bool, further: int) -> Kernel:
    """Return the kernel for shares on a grid ``factor`` times coarser, and for cells of ``further`` · further pixels.

    ``further`` is 0 where nobody asks for cells.
    """
    rows, inverse, shift, line = rows_of(factor), F(1 / factor), factor.bit_length() - 1, 33
    column, tall = _column(factor), DOWN * rows
    cells_across, last = (ACROSS // further, further.bit_length() - 1) if further else (1, 0)
    cells = cells_across * (tall // further) if further else 0
    many = line * tall if further else 1

    @region_kernel(ACROSS, tall)
    def clean(matte, shares, out, low, to, width, height, low_width, low_height, wide, high_cells, high):
        """Remove specks or else close pinholes, told by the mean all round; ``low`` receives means over cells.

        They go into plane ``to`` of ``wide`` · ``high_cells`` cells, of values limited to 0 … high.
        """
        tile = cuda.shared.array(many, float32)
        x0, y0 = whole(cuda.blockIdx.x * ACROSS), whole(cuda.blockIdx.y * tall)
        j = whole(cuda.threadIdx.y)
        while j < DOWN:
            i = whole(cuda.threadIdx.x)
            while i < ACROSS:
                x, top = whole(x0 + i), whole(y0 + j * rows)
                if x < width and top < height:
                    around = column(shares, 0, whole(top >> shift), x, low_width, low_height)
                    for k in range(rows):
                        y = whole(top + k)
                        if y < height:
                            at, share = whole(y * width + x), _down(around, k, inverse)
                            v = specks_px(matte[spot(at)], share) if specks else pinholes_px(matte[spot(at)], share)
                            out[spot(at)] = v
                            if further:
                                tile[spot((j * rows + k) * line + i)] = clamp(v, ZERO, high)
                i = whole(i + STEP[0])
            j = whole(j + STEP[1])
        if further:
            cuda.syncthreads()
            n = this_thread()
            while n < cells:
                down = whole(n // cells_across)
                across = whole(n - down * cells_across)
                left, top = whole(across << last), whole(down << last)
                if x0 + left < width and y0 + top < height:
                    right, bottom = whole(min(further, width - x0 - left)), whole(min(further, height - y0 - top))
                    total = ZERO
                    for q in range(bottom):
                        for p in range(right):
                            total += tile[spot((top + q) * line + left + p)]
                    cell = whole((to * high_cells + ((y0 + top) >> last)) * wide + ((x0 + left) >> last))
                    low[spot(cell)] = total * (ONE / F(whole(right * bottom)))
                n = whole(n + THREADS)

    return clean


# --- the guided filter --------------------------------------------------------------------------------------


@piece
def _products(planes, count, x, y, width, height, reach, part):
    """Sums over a part of a column, as :func:`.filters.sums_down`, of guide, plane, guide² and guide · plane."""
    g, m, gg, gm = ZERO, ZERO, ZERO, ZERO
    for j in range(whole(y - reach - 1), whole(y + reach + 2)):
        at = whole(near(j, height) * width + x)
        weight = part if j < y - reach or j > y + reach else ONE
        guide, plane = planes[spot(at)], planes[spot(count + at)]
        g += weight * guide
        m += weight * plane
        gg += weight * (guide * guide)
        gm += weight * (guide * plane)
    return g, m, gg, gm


@kernel
def products_down(planes, out, width, height, reach, part):
    """Sums over columns, as :func:`.filters.sums_down`, of guide, plane, guide² and guide · plane; two planes in."""
    count = whole(width * height)
    y = this_row()
    while y < height:
        x = this_place()
        while x < width:
            g, m, gg, gm = _products(planes, count, x, y, width, height, reach, part)
            at = whole(y * width + x)
            out[spot(at)] = g
            out[spot(count + at)] = m
            out[spot(2 * count + at)] = gg
            out[spot(3 * count + at)] = gm
            x = further(x, width, 0)
        y = further(y, height, 1)


@kernel
def fit(sums, out, width, height, reach, part, area, epsilon):
    """Slope and offset of every cell from the sums over columns of the four planes."""
    count = whole(width * height)
    y = this_row()
    while y < height:
        x = this_place()
        while x < width:
            row = whole(y * width)
            guide = summed(sums, row, width, x, reach, part) / area
            plane = summed(sums, whole(count + row), width, x, reach, part) / area
            square = summed(sums, whole(2 * count + row), width, x, reach, part) / area
            product = summed(sums, whole(3 * count + row), width, x, reach, part) / area
            out[spot(row + x)], out[spot(count + row + x)] = fit_px(guide, plane, square, product, epsilon)
            x = further(x, width, 0)
        y = further(y, height, 1)


_FOUR_SUMS, _TWO_SUMS, _THREE_SUMS = 4 * SHARED, 2 * SHARED, 3 * SHARED


@region_kernel(ACROSS, TALL)
def lines(planes, out, width, height, taps, reach, area, epsilon):
    """The same in one go: a block shares the sums over columns; ``taps`` weigh the cells of a window."""
    sums = cuda.shared.array(_FOUR_SUMS, float32)
    weights = cuda.shared.array(WEIGHTS, float32)
    share_weights(taps, reach, weights)
    cuda.syncthreads()
    count = whole(width * height)
    left, top = whole(cuda.blockIdx.x * ACROSS - reach), whole(cuda.blockIdx.y * TALL)
    span, k = whole(ACROSS + 2 * reach), this_thread()
    while k < span * (TALL >> 2):
        j = row_of(k, span)
        i, y = whole(k - j * span), whole(top + 4 * j)
        if y < height:
            _sum_down(planes, near(left + i, width), count, width, height, y, reach, weights, sums, 4 * j * SPAN + i)
        k = whole(k + THREADS)
    cuda.syncthreads()
    k = this_thread()
    while k < TALL * (ACROSS >> 2):
        j, i = whole(k >> 3), whole(4 * (k & 7))
        x, y = whole(left + reach + i), whole(top + j)
        if x < width and y < height:
            at, cell = whole(j * SPAN + i), whole(y * width + x)
            g = four_across(sums, at, reach, weights)
            m = four_across(sums, whole(SHARED + at), reach, weights)
            gg = four_across(sums, whole(_TWO_SUMS + at), reach, weights)
            gm = four_across(sums, whole(_THREE_SUMS + at), reach, weights)
            _fit(out, cell, count, g[0], m[0], gg[0], gm[0], area, epsilon)
            if x + 1 < width:
                _fit(out, whole(cell + 1), count, g[1], m[1], gg[1], gm[1], area, epsilon)
            if x + 2 < width:
                _fit(out, whole(cell + 2), count, g[2], m[2], gg[2], gm[2], area, epsilon)
            if x + 3 < width:
                _fit(out, whole(cell + 3), count, g[3], m[3], gg[3], gm[3], area, epsilon)
        k = whole(k + THREADS)


@piece
def _fit(out, cell, count, g, m, gg, gm, area, epsilon):
    slope, offset = fit_px(g / area, m / area, gg / area, gm / area, epsilon)
    out[spot(cell)] = slope
    out[spot(count + cell)] = offset


@piece
def _sum_down(planes, column, count, width, height, y, reach, weights, sums, to):
    """Lay down for four cells below each other the sums over columns of guide, plane, guide² and guide · plane."""
    g0, g1, g2, g3, m0, m1, m2, m3 = ZERO, ZERO, ZERO, ZERO, ZERO, ZERO, ZERO, ZERO
    s0, s1, s2, s3, p0, p1, p2, p3 = ZERO, ZERO, ZERO, ZERO, ZERO, ZERO, ZERO, ZERO
    first, second, third, fourth = ZERO, ZERO, ZERO, ZERO
    top = whole(y - reach)
    inside = top >= 0 and y + 3 + reach < height
    at = whole(column + top * width)
    for n in range(whole(2 * reach + 4)):
        place = at if inside else whole(column + near(top + n, height) * width)
        first, second, third, fourth = weights[spot(n)], first, second, third
        g, m = planes[spot(place)], planes[spot(count + place)]
        s, p = g * g, g * m
        g0, g1, g2, g3 = g0 + first * g, g1 + second * g, g2 + third * g, g3 + fourth * g
        m0, m1, m2, m3 = m0 + first * m, m1 + second * m, m2 + third * m, m3 + fourth * m
        s0, s1, s2, s3 = s0 + first * s, s1 + second * s, s2 + third * s, s3 + fourth * s
        p0, p1, p2, p3 = p0 + first * p, p1 + second * p, p2 + third * p, p3 + fourth * p
        at = whole(at + width)
    _lay_four(sums, whole(to), g0, g1, g2, g3)
    _lay_four(sums, whole(SHARED + to), m0, m1, m2, m3)
    _lay_four(sums, whole(_TWO_SUMS + to), s0, s1, s2, s3)
    _lay_four(sums, whole(_THREE_SUMS + to), p0, p1, p2, p3)


@piece
def _lay_four(sums, to, a, b, c, d):
    sums[spot(to)] = a
    sums[spot(to + SPAN)] = b
    sums[spot(to + 2 * SPAN)] = c
    sums[spot(to + 3 * SPAN)] = d


@lru_cache(maxsize=8)
def edger(factor: int) -> Kernel:
    """Return the kernel for slope and offset on a grid ``factor`` times coarser."""
    rows, inverse, shift, column = rows_of(factor), F(1 / factor), factor.bit_length() - 1, _column(factor)

    @region_kernel(ACROSS, DOWN * rows)
    def edge(image, low, luma, out, width, height, low_width, low_height):
        """The matte at full size from slope and offset on a coarser grid; luma is kept for what follows."""
        count, cells = whole(width * height), whole(low_width * low_height)
        j = whole(cuda.threadIdx.y)
        while j < DOWN:
            i = whole(cuda.threadIdx.x)
            while i < ACROSS:
                x, top = whole(cuda.blockIdx.x * ACROSS + i), whole((cuda.blockIdx.y * DOWN + j) * rows)
                if x < width and top < height:
                    slopes = column(low, 0, whole(top >> shift), x, low_width, low_height)
                    offsets = column(low, cells, whole(top >> shift), x, low_width, low_height)
                    for k in range(rows):
                        y = whole(top + k)
                        if y < height:
                            at = whole(y * width + x)
                            grey = luma_px(image[spot(at)], image[spot(count + at)], image[spot(2 * count + at)])
                            luma[spot(at)] = grey
                            out[spot(at)] = led_px(grey, _down(slopes, k, inverse), _down(offsets, k, inverse))
                i = whole(i + STEP[0])
            j = whole(j + STEP[1])

    return edge


# --- softening ----------------------------------------------------------------------------------------------


@lru_cache(maxsize=8)
def follower(factor: int) -> Kernel:
    """Return the kernel for slope and offset on a grid ``factor`` times coarser."""
    rows, inverse, shift, column = rows_of(factor), F(1 / factor), factor.bit_length() - 1, _column(factor)

    @region_kernel(ACROSS, DOWN * rows)
    def follow(matte, luma, low, out, width, height, low_width, low_height, amount):
        """Let a matte follow the luma, by slope and offset on a coarser grid."""
        cells = whole(low_width * low_height)
        j = whole(cuda.threadIdx.y)
        while j < DOWN:
            i = whole(cuda.threadIdx.x)
            while i < ACROSS:
                x, top = whole(cuda.blockIdx.x * ACROSS + i), whole((cuda.blockIdx.y * DOWN + j) * rows)
                if x < width and top < height:
                    slopes = column(low, 0, whole(top >> shift), x, low_width, low_height)
                    offsets = column(low, cells, whole(top >> shift), x, low_width, low_height)
                    for k in range(rows):
                        y = whole(top + k)
                        if y < height:
                            at = whole(y * width + x)
                            slope, offset = _down(slopes, k, inverse), _down(offsets, k, inverse)
                            out[spot(at)] = partly_guided_px(slope, offset, luma[spot(at)], matte[spot(at)], amount)
                i = whole(i + STEP[0])
            j = whole(j + STEP[1])

    return follow


HALVED_DOWN = 16
"""Rows of a halved plane that a block works together."""
_TILE = 2 * ACROSS + 3


@lru_cache(maxsize=8)
def halved_follower(factor: int) -> Kernel:
    """Return the kernel that lets a matte follow the luma, and halves it, as :func:`.filters.halve` does."""
    rows, inverse, shift, column = rows_of(factor), F(1 / factor), factor.bit_length() - 1, _column(factor)
    tall = 2 * HALVED_DOWN + rows
    strips, shared = tall // rows, tall * _TILE

    @region_kernel(ACROSS, HALVED_DOWN)
    def halved_follow(matte, luma, low, out, width, height, low_width, low_height, out_width, out_height, amount):
        """A block shares the pixels about its cells: what follows is written nowhere else."""
        tile = cuda.shared.array(shared, float32)
        cells = whole(low_width * low_height)
        left, start = whole(2 * cuda.blockIdx.x * ACROSS - 4), whole(2 * cuda.blockIdx.y * HALVED_DOWN - rows)
        n = this_thread()
        while n < strips * _TILE:
            j = row_of(n, _TILE)
            i = whole(n - j * _TILE)
            x, top = whole(left + i), whole(start + j * rows)
            if x >= 0 and x < width and top >= 0 and top < height:
                slopes = column(low, 0, whole(top >> shift), x, low_width, low_height)
                offsets = column(low, cells, whole(top >> shift), x, low_width, low_height)
                for k in range(rows):
                    y = whole(top + k)
                    if y < height:
                        at = whole(y * width + x)
                        slope, offset = _down(slopes, k, inverse), _down(offsets, k, inverse)
                        v = partly_guided_px(slope, offset, luma[spot(at)], matte[spot(at)], amount)
                        tile[spot((j * rows + k) * _TILE + i)] = v
            n = whole(n + THREADS)
        cuda.syncthreads()
        j = whole(cuda.threadIdx.y)
        while j < HALVED_DOWN:
            i = whole(cuda.threadIdx.x)
            while i < ACROSS:
                x, y = whole(cuda.blockIdx.x * ACROSS + i), whole(cuda.blockIdx.y * HALVED_DOWN + j)
                if x < out_width and y < out_height:
                    at, b = whole(2 * x - 3), whole(near(2 * x - 2, width) - left)
                    a, c, d = near(at, width) - left, near(at + 2, width) - left, near(at + 3, width) - left
                    at = whole(2 * y - 3)
                    first = _halved_row(tile, near(at, height) - start, a, b, c, d)
                    second = _halved_row(tile, near(at + 1, height) - start, a, b, c, d)
                    third = _halved_row(tile, near(at + 2, height) - start, a, b, c, d)
                    fourth = _halved_row(tile, near(at + 3, height) - start, a, b, c, d)
                    total = (first + fourth) + _THREE * (second + third)
                    out[spot(y * out_width + x)] = total * _SIXTY_FOURTH
                i = whole(i + STEP[0])
            j = whole(j + STEP[1])

    return halved_follow


@piece
def _halved_row(tile, row, a, b, c, d):
    row = whole(row * _TILE)
    return (tile[spot(row + a)] + tile[spot(row + d)]) + _THREE * (tile[spot(row + b)] + tile[spot(row + c)])


@kernel
def doubled_levels(low, out, width, height, low_width, floor, span):
    """A plane from its halved one with its levels set where ``span`` is not 0: one thread for four pixels."""
    y = this_row()
    while y < (height + 1) >> 1:
        x = this_place()
        while x < (width + 1) >> 1:
            a, b, c, d = doubled4(low, low_width, x, y)
            if span != ZERO:
                a, b = levels_px(a, floor, span), levels_px(b, floor, span)
                c, d = levels_px(c, floor, span), levels_px(d, floor, span)
            at, wide, tall = whole(2 * (y * width + x)), 2 * x + 1 < width, 2 * y + 1 < height
            out[spot(at)] = a
            if wide:
                out[spot(at + 1)] = b
            if tall:
                out[spot(at + width)] = c
            if wide and tall:
                out[spot(at + width + 1)] = d
            x = further(x, whole((width + 1) >> 1), 0)
        y = further(y, whole((height + 1) >> 1), 1)


@kernel
def levels(matte, out, count, floor, span):
    """Levels of a matte."""
    i = this_place()
    while i < count:
        out[spot(i)] = levels_px(matte[spot(i)], floor, span)
        i = further(i, count, 0)
