"""The skin key on planes of cells, the guided filter that draws its edge, and the softening of mattes."""

from __future__ import annotations

# mypy: disable-error-code="attr-defined, no-untyped-call, no-untyped-def, untyped-decorator"
import numpy as np

from ..clean import levels_px, pinholes_px, specks_px
from ..colour import ONE, ZERO, F, is_finite3, luma_px, smoothstep, ycbcr_px
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
from .filters import between, doubled, doubled4, enlarged, near, summed
from .launch import further, kernel, piece, spot, this_place, this_row, whole

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


@kernel
def shadows(planes, low, out, width, height, low_width, low_height, halved, halved_chroma):
    """Mix the blurred chroma and ratios by luma; ``out`` receives the three planes."""
    count, cells = whole(width * height), whole(low_width * low_height)
    y = this_row()
    while y < height:
        x = this_place()
        while x < width:
            at = whole(y * width + x)
            luma, cb, cr = planes[spot(at)], ZERO, ZERO
            if halved_chroma:
                cb, cr = doubled(low, 2 * cells, low_width, x, y), doubled(low, 3 * cells, low_width, x, y)
            else:
                cb, cr = planes[spot(count + at)], planes[spot(2 * count + at)]
            u, v = ZERO, ZERO
            if halved:
                u, v = doubled(low, 0, low_width, x, y), doubled(low, cells, low_width, x, y)
            else:
                u, v = low[spot(at)], low[spot(count + at)]
            cb, cr = shadow_px(luma, cb, cr, u, v)
            out[spot(at)] = luma
            out[spot(count + at)] = cb
            out[spot(2 * count + at)] = cr
            x = further(x, width, 0)
        y = further(y, height, 1)


# --- the key ------------------------------------------------------------------------------------------------


@piece
def _likely(packed, cell, part_a, part_t, luma):
    above, part_y = placed_in_luma_px(luma)
    at = np.int64(cell) + np.int64(above)
    return likely_px(packed[at], packed[at + np.int64(STEP_ALONG)], part_a, part_t, part_y)


@kernel
def table(planes, packed, out, count, placing, bending, ramp, bends):
    """Key by a table."""
    i = this_place()
    while i < count:
        y = planes[spot(i)]
        cell, part_a, part_t, lit = placed_px(y, planes[spot(count + i)], planes[spot(2 * count + i)], *placing)
        likely = _likely(packed, cell, part_a, part_t, y)
        if bends:
            bent = bend_px(y if y > ZERO else ZERO, bending[0], bending[1], bending[2])
            reached = _likely(packed, cell, part_a, part_t, bent)
            likely = reached_px(likely, reached, bent, bending[1] if y < bending[0] else bending[2])
        out[spot(i)] = smoothstep((likely - ramp[0]) * ramp[1]) * lit
        i = further(i, count, 0)


@kernel
def compact(planes, out, count, gaussian, placing, bending, ramp):
    """Key by the compact form."""
    i = this_place()
    while i < count:
        out[spot(i)] = compact_px(
            planes[spot(i)], planes[spot(count + i)], planes[spot(2 * count + i)], gaussian, placing, bending, ramp
        )
        i = further(i, count, 0)


ROWS = 4
"""Pixels below each other that one thread works where it looks between cells: their columns are the same."""


@kernel
def clean(matte, shares, out, width, height, low_width, low_height, inverse, specks):
    """Remove specks or else close pinholes, told by the mean all round on a coarser grid."""
    strip = this_row()
    while strip * ROWS < height:
        x = this_place()
        while x < width:
            left, s = between(x, inverse)
            first, second = near(left, low_width), near(left + 1, low_width)
            for k in range(ROWS):
                y = whole(strip * ROWS + k)
                if y < height:
                    share = enlarged(shares, 0, low_width, low_height, first, second, s, y, inverse)
                    m = matte[spot(y * width + x)]
                    out[spot(y * width + x)] = specks_px(m, share) if specks else pinholes_px(m, share)
            x = further(x, width, 0)
        strip = further(strip, height, 1)


# --- the guided filter --------------------------------------------------------------------------------------


@kernel
def products_down(planes, out, width, height, reach, part):
    """Sums over columns, as :func:`.filters.sums_down`, of guide, plane, guide² and guide · plane; two planes in."""
    count = whole(width * height)
    y = this_row()
    while y < height:
        x = this_place()
        while x < width:
            g, m, gg, gm = ZERO, ZERO, ZERO, ZERO
            for j in range(whole(y - reach - 1), whole(y + reach + 2)):
                at = whole(near(j, height) * width + x)
                weight = part if j < y - reach or j > y + reach else ONE
                guide, plane = planes[spot(at)], planes[spot(count + at)]
                g += weight * guide
                m += weight * plane
                gg += weight * (guide * guide)
                gm += weight * (guide * plane)
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


@piece
def _across(low, top, bottom, first, second, s, t):
    """Between four cells: along the rows first."""
    upper = low[spot(top + first)] + s * (low[spot(top + second)] - low[spot(top + first)])
    lower = low[spot(bottom + first)] + s * (low[spot(bottom + second)] - low[spot(bottom + first)])
    return upper + t * (lower - upper)


@kernel
def edge(image, low, luma, out, width, height, low_width, low_height, inverse):
    """The matte at full size from slope and offset on a coarser grid; luma is kept for what follows."""
    count, cells = whole(width * height), whole(low_width * low_height)
    strip = this_row()
    while strip * ROWS < height:
        x = this_place()
        while x < width:
            left, s = between(x, inverse)
            first, second = near(left, low_width), near(left + 1, low_width)
            for k in range(ROWS):
                y = whole(strip * ROWS + k)
                if y < height:
                    above, t = between(y, inverse)
                    top, bottom = near(above, low_height) * low_width, near(above + 1, low_height) * low_width
                    slope = _across(low, top, bottom, first, second, s, t)
                    offset = _across(low, cells + top, cells + bottom, first, second, s, t)
                    at = whole(y * width + x)
                    grey = luma_px(image[spot(at)], image[spot(count + at)], image[spot(2 * count + at)])
                    luma[spot(at)] = grey
                    out[spot(at)] = led_px(grey, slope, offset)
            x = further(x, width, 0)
        strip = further(strip, height, 1)


# --- softening ----------------------------------------------------------------------------------------------


@kernel
def follow(matte, luma, lines, out, width, height, low_width, low_height, inverse, amount):
    """Let a matte follow the luma, by slope and offset on a coarser grid."""
    cells = whole(low_width * low_height)
    strip = this_row()
    while strip * ROWS < height:
        x = this_place()
        while x < width:
            left, s = between(x, inverse)
            first, second = near(left, low_width), near(left + 1, low_width)
            for k in range(ROWS):
                y = whole(strip * ROWS + k)
                if y < height:
                    at = whole(y * width + x)
                    slope = enlarged(lines, 0, low_width, low_height, first, second, s, y, inverse)
                    offset = enlarged(lines, cells, low_width, low_height, first, second, s, y, inverse)
                    out[spot(at)] = partly_guided_px(slope, offset, luma[spot(at)], matte[spot(at)], amount)
            x = further(x, width, 0)
        strip = further(strip, height, 1)


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
