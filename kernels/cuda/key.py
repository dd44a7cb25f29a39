"""The skin key on planes of cells, the guided filter that draws its edge, and the softening of mattes."""

from __future__ import annotations

# mypy: disable-error-code="attr-defined, no-untyped-call, no-untyped-def, untyped-decorator"
import numpy as np
from numba import cuda

from ..clean import levels_px, pinholes_px, specks_px
from ..colour import ONE, ZERO, F, clamp, is_finite3, luma_px, smoothstep, ycbcr_px
from ..guided import GUIDE_HIGHEST, fit_px, partly_guided_px
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
from .filters import cell_before, doubled, enlarged, near, summed, way_between
from .launch import further, kernel, piece

# --- before the key -----------------------------------------------------------------------------------------


@kernel
def split(image, planes, width, height, low_width, low_height, factor):
    """Y′, Cb and Cr of means over cells; a pixel that is not finite counts as black."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    count, cells = width * height, low_width * low_height
    y = y0
    while y < low_height:
        x = x0
        while x < low_width:
            right, bottom = min((x + 1) * factor, width), min((y + 1) * factor, height)
            red, green, blue = ZERO, ZERO, ZERO
            for j in range(y * factor, bottom):
                for i in range(x * factor, right):
                    at = j * width + i
                    r, g, b = image[at], image[count + at], image[2 * count + at]
                    good = is_finite3(r, g, b)
                    red += r if good else ZERO
                    green += g if good else ZERO
                    blue += b if good else ZERO
            share = ONE / F((right - x * factor) * (bottom - y * factor))
            luma, cb, cr = ycbcr_px(share * red, share * green, share * blue)
            at = y * low_width + x
            planes[at] = luma
            planes[cells + at] = cb
            planes[2 * cells + at] = cr
            x = further(x, low_width, dx)
        y = further(y, low_height, dy)


@kernel
def ratios(planes, low, width, height):
    """The ratios chroma / luma."""
    count = width * height
    i = cuda.grid(1)
    while i < count:
        low[i], low[count + i] = ratio_px(planes[i], planes[count + i], planes[2 * count + i])
        i = further(i, count, cuda.gridsize(1))


_THREE, _SIXTY_FOURTH = F(3), F(1 / 64)


@kernel
def halved_ratios(planes, low, width, height, low_width, low_height, with_chroma):
    """The ratios halved, as :func:`.filters.halve` does it, and behind them the chroma where it is wanted."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    count, cells = width * height, low_width * low_height
    y = y0
    while y < low_height:
        x = x0
        while x < low_width:
            u, v, cb, cr = ZERO, ZERO, ZERO, ZERO
            for j in range(4):
                row, down = near(2 * y - 3 + j, height) * width, (_THREE if j == 1 or j == 2 else ONE)
                for i in range(4):
                    at, weight = row + near(2 * x - 3 + i, width), down * (_THREE if i == 1 or i == 2 else ONE)
                    b, r = planes[count + at], planes[2 * count + at]
                    first, second = ratio_px(planes[at], b, r)
                    u += weight * first
                    v += weight * second
                    cb += weight * b
                    cr += weight * r
            at = y * low_width + x
            low[at] = u * _SIXTY_FOURTH
            low[cells + at] = v * _SIXTY_FOURTH
            if with_chroma:
                low[2 * cells + at] = cb * _SIXTY_FOURTH
                low[3 * cells + at] = cr * _SIXTY_FOURTH
            x = further(x, low_width, dx)
        y = further(y, low_height, dy)


@kernel
def shadows(planes, low, out, width, height, low_width, low_height, halved, halved_chroma):
    """Mix the blurred chroma and ratios by luma; ``out`` receives the three planes."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    count, cells = width * height, low_width * low_height
    y = y0
    while y < height:
        x = x0
        while x < width:
            at = y * width + x
            luma, cb, cr = planes[at], ZERO, ZERO
            if halved_chroma:
                cb, cr = doubled(low, 2 * cells, low_width, x, y), doubled(low, 3 * cells, low_width, x, y)
            else:
                cb, cr = planes[count + at], planes[2 * count + at]
            u, v = ZERO, ZERO
            if halved:
                u, v = doubled(low, 0, low_width, x, y), doubled(low, cells, low_width, x, y)
            else:
                u, v = low[at], low[count + at]
            cb, cr = shadow_px(luma, cb, cr, u, v)
            out[at] = luma
            out[count + at] = cb
            out[2 * count + at] = cr
            x = further(x, width, dx)
        y = further(y, height, dy)


# --- the key ------------------------------------------------------------------------------------------------


@piece
def _likely(packed, cell, part_a, part_t, luma):
    above, part_y = placed_in_luma_px(luma)
    at = np.int64(cell) + np.int64(above)
    return likely_px(packed[at], packed[at + np.int64(STEP_ALONG)], part_a, part_t, part_y)


@kernel
def table(planes, packed, out, count, p, bends):
    """Key by a table. ``p``: four numbers that place a colour, three that bend luma, two of the ramp."""
    i = cuda.grid(1)
    while i < count:
        y = planes[i]
        cell, part_a, part_t, lit = placed_px(y, planes[count + i], planes[2 * count + i], p[0], p[1], p[2], p[3])
        likely = _likely(packed, cell, part_a, part_t, y)
        if bends:
            bent = bend_px(y if y > ZERO else ZERO, p[4], p[5], p[6])
            reached = _likely(packed, cell, part_a, part_t, bent)
            likely = reached_px(likely, reached, bent, p[5] if y < p[4] else p[6])
        out[i] = smoothstep((likely - p[7]) * p[8]) * lit
        i = further(i, count, cuda.gridsize(1))


@kernel
def compact(planes, out, count, p):
    """Key by the compact form. ``p`` as for :func:`table`, and the ten numbers of the Gaussian behind."""
    placing, bending, ramp = (p[0], p[1], p[2], p[3]), (p[4], p[5], p[6]), (p[7], p[8])
    gaussian = (p[9], p[10], p[11], p[12], p[13], p[14], p[15], p[16], p[17], p[18])
    i = cuda.grid(1)
    while i < count:
        out[i] = compact_px(planes[i], planes[count + i], planes[2 * count + i], gaussian, placing, bending, ramp)
        i = further(i, count, cuda.gridsize(1))


@kernel
def clean(matte, shares, out, width, height, low_width, low_height, bits, specks):
    """Remove specks or else close pinholes, told by the mean all round on a grid 2^bits times coarser."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    y = y0
    while y < height:
        x = x0
        while x < width:
            at = y * width + x
            share = enlarged(shares, 0, low_width, low_height, x, y, bits)
            out[at] = specks_px(matte[at], share) if specks else pinholes_px(matte[at], share)
            x = further(x, width, dx)
        y = further(y, height, dy)


# --- the guided filter --------------------------------------------------------------------------------------


@kernel
def products_down(planes, out, width, height, whole, part):
    """Sums over columns, as :func:`.filters.sums_down`, of guide, plane, guide² and guide · plane; two planes in."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    count = width * height
    y = y0
    while y < height:
        x = x0
        while x < width:
            g, m, gg, gm = ZERO, ZERO, ZERO, ZERO
            for j in range(y - whole - 1, y + whole + 2):
                at = near(j, height) * width + x
                weight = part if j < y - whole or j > y + whole else ONE
                guide, plane = planes[at], planes[count + at]
                g += weight * guide
                m += weight * plane
                gg += weight * (guide * guide)
                gm += weight * (guide * plane)
            at = y * width + x
            out[at] = g
            out[count + at] = m
            out[2 * count + at] = gg
            out[3 * count + at] = gm
            x = further(x, width, dx)
        y = further(y, height, dy)


@kernel
def fit(sums, out, width, height, whole, part, area, epsilon):
    """Slope and offset of every cell from the sums over columns of the four planes."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    count = width * height
    y = y0
    while y < height:
        x = x0
        while x < width:
            row = y * width
            guide = summed(sums, row, width, x, whole, part) / area
            plane = summed(sums, count + row, width, x, whole, part) / area
            square = summed(sums, 2 * count + row, width, x, whole, part) / area
            product = summed(sums, 3 * count + row, width, x, whole, part) / area
            out[row + x], out[count + row + x] = fit_px(guide, plane, square, product, epsilon)
            x = further(x, width, dx)
        y = further(y, height, dy)


@kernel
def edge(image, low, luma, out, width, height, low_width, low_height, bits):
    """The matte at full size from slope and offset on a grid 2^bits times coarser; luma is kept for what follows."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    count, cells = width * height, low_width * low_height
    y = y0
    while y < height:
        above, t = cell_before(y, bits), way_between(y, bits)
        top, bottom = near(above, low_height) * low_width, near(above + 1, low_height) * low_width
        x = x0
        while x < width:
            at, left, s = y * width + x, cell_before(x, bits), way_between(x, bits)
            first, second = near(left, low_width), near(left + 1, low_width)
            slope = _across(low, top, bottom, first, second, s, t)
            offset = _across(low, cells + top, cells + bottom, first, second, s, t)
            grey = luma_px(image[at], image[count + at], image[2 * count + at])
            luma[at] = grey
            out[at] = led_px(grey, slope, offset)
            x = further(x, width, dx)
        y = further(y, height, dy)


@piece
def _across(low, top, bottom, first, second, s, t):
    """Between four cells: along the rows first."""
    upper = low[top + first] + s * (low[top + second] - low[top + first])
    lower = low[bottom + first] + s * (low[bottom + second] - low[bottom + first])
    return upper + t * (lower - upper)


# --- softening ----------------------------------------------------------------------------------------------


@piece
def _cells(size, bits):
    return (size + (1 << bits) - 1) >> bits


@piece
def _cleaned(matte, specks, speck_bits, holes, hole_bits, width, height, x, y):
    """A value of the matte without specks and pinholes, as far as their shares are known: −1 where not."""
    m = clamp(matte[y * width + x], ZERO, ONE)
    if speck_bits >= 0:
        m = specks_px(m, enlarged(specks, 0, _cells(width, speck_bits), _cells(height, speck_bits), x, y, speck_bits))
    if hole_bits >= 0:
        m = pinholes_px(m, enlarged(holes, 0, _cells(width, hole_bits), _cells(height, hole_bits), x, y, hole_bits))
    return m


@kernel
def cleaned_cells(
    matte, specks, speck_bits, holes, hole_bits, luma, guided, low, width, height, low_width, low_height, factor
):
    """Means over cells of the matte as it is so far and, before them, of the luma that it is to follow."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    to = low_width * low_height if guided else 0
    y = y0
    while y < low_height:
        x = x0
        while x < low_width:
            right, bottom = min((x + 1) * factor, width), min((y + 1) * factor, height)
            total, grey = ZERO, ZERO
            for j in range(y * factor, bottom):
                for i in range(x * factor, right):
                    total += _cleaned(matte, specks, speck_bits, holes, hole_bits, width, height, i, j)
                    if guided:
                        grey += clamp(luma[j * width + i], ZERO, GUIDE_HIGHEST)
            share = ONE / F((right - x * factor) * (bottom - y * factor))
            if guided:
                low[y * low_width + x] = grey * share
            low[to + y * low_width + x] = total * share
            x = further(x, low_width, dx)
        y = further(y, low_height, dy)


@kernel
def settled(
    matte, specks, speck_bits, holes, hole_bits, luma, lines, line_bits, amount, out, width, height, floor, span
):
    """The matte after every step before the blur, and with its levels set where ``span`` is not 0."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    y = y0
    while y < height:
        x = x0
        while x < width:
            m = _cleaned(matte, specks, speck_bits, holes, hole_bits, width, height, x, y)
            if line_bits >= 0:
                low_width, low_height = _cells(width, line_bits), _cells(height, line_bits)
                slope = enlarged(lines, 0, low_width, low_height, x, y, line_bits)
                offset = enlarged(lines, low_width * low_height, low_width, low_height, x, y, line_bits)
                m = partly_guided_px(slope, offset, luma[y * width + x], m, amount)
            out[y * width + x] = m if span == ZERO else levels_px(m, floor, span)
            x = further(x, width, dx)
        y = further(y, height, dy)


@kernel
def doubled_levels(low, out, width, height, low_width, floor, span):
    """A plane from its halved one, with its levels set."""
    x0, y0, _ = cuda.grid(3)
    dx, dy, _ = cuda.gridsize(3)
    y = y0
    while y < height:
        x = x0
        while x < width:
            m = doubled(low, 0, low_width, x, y)
            out[y * width + x] = m if span == ZERO else levels_px(m, floor, span)
            x = further(x, width, dx)
        y = further(y, height, dy)


@kernel
def levels(matte, out, count, floor, span):
    """Levels of a matte."""
    i = cuda.grid(1)
    while i < count:
        out[i] = levels_px(matte[i], floor, span)
        i = further(i, count, cuda.gridsize(1))
