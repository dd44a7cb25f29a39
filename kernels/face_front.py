"""A face cut out of its surroundings as version 1 of its node did, seen from the front: same sums, same bits.

What :mod:`.face` does today for a head that turns is faster and no less true, but its sums differ in their last digits.
"""

from __future__ import annotations

import math

import numpy as np

from .jit import strip_kernel, subroutine

_BINS, _CLIP, _ROUNDS = 20, 3.0, 3
_SHADES, _SHADE_CLIP = 24, 2.0
_NECK = -0.4


@strip_kernel
def places_strips(placed, corner, far, farthest, holes, radius, across, down, flags):
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
def place_odds(place, radius):
    """Return the log-odds of the face at a radius, linear between the rows (radius, log-odds) of a table."""
    last = place.shape[0] - 1
    if radius >= place[last, 0]:
        return place[last, 1]
    k = 0
    while radius >= place[k + 1, 0]:
        k += 1
    part = (radius - place[k, 0]) / (place[k + 1, 0] - place[k, 0])
    return place[k, 1] + part * (place[k + 1, 1] - place[k, 1])


@strip_kernel
def cut_strips(luma, cb, cr, texture, radius, across, down, flags, place, fringe, taps, likely):
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
            o = place_odds(place, r)
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
