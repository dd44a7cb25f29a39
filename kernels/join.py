"""Joining a matte with what faces tell: textured and loose pieces lose, a face is a floor, what lies beside it a lid.

Everything is found on the grid of :mod:`.face` and laid over the matte at full size. The evidence of faces is one
plane: ½ says nothing, above it lies what is at least keyed (1: wholly), below it what is at most keyed (0: nothing).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats, as_picture, as_plane, output
from .colour import F, clamp, exp2_px
from .devices import on_devices
from .face import EYE, HOLE, ZONE, Cells, FaceCut, Landmarks, Window, cells_of, cut_placed, fit, grid_shape, window_of
from .jit import inline, strip_kernel, subroutine
from .rows import fill_row, limit_row
from .strips import over_rows

Flags = NDArray[np.bool_]

TEXTURE_FREE, TEXTURE_SLOPE, TEXTURE_MOST = 1.0, 0.7, 2.5
"""Doublings of texture beyond the skin's own that are free, log-odds lost for each further one, and the most lost."""
SMOOTHEST = -6.5
SMALLER, SIZE_SLOPE = 0.6, 1.5
"""Loose pieces smaller than this part of the largest face's core lose so many log-odds for every halving."""
CERTAIN = (0.44, 4.5, 0.3)
"""What a doubling of a piece's size, the share of it that is surely keyed (from one half) and every piece weigh in the
log-odds that it is skin: ridge logistic regression on pieces of 18 real pictures."""
HELD, NEAR_A_FACE = 0.5, 0.3
"""What part of a cell's matte must get lost on the way from a face or a mark until it counts as wholly loose, and how
far round a face everything hangs together with it, in sides of a square as large as its core: neck and ears."""
CUT_OFF = 0.3
"""How much of the frame's rim a piece surely covers that counts as cut off by it, in sides of a square of its size."""
_BESIDE = 1.2
SURE = 0.7
"""Floor from which the grid's cells are the core of a face."""


@strip_kernel
def _label_strips(flags, corners, labels, area, parent):
    """Number connected areas, of four or with ``corners`` eight neighbours, from 1 in the order of their first cell.

    Leaves the cells of every area, and returns how many areas there are.
    """
    rows, columns = flags.shape
    used = 0
    for i in range(rows):
        for j in range(columns):
            labels[i, j] = 0
            if flags[i, j] == 0:
                continue
            found = 0
            for k in range(4):
                if not corners and k % 2 == 0:
                    continue
                y = i if k == 3 else i - 1
                x = j - 1 if k == 3 else j - 1 + k
                if y < 0 or x < 0 or x >= columns or flags[y, x] == 0:
                    continue
                root = labels[y, x]
                while parent[root] != root:
                    root = parent[root]
                if found == 0:
                    found = root
                elif root != found:
                    low, high = min(root, found), max(root, found)
                    parent[high] = low
                    found = low
            if found == 0:
                used += 1
                parent[used] = used
                found = used
            labels[i, j] = found
    count = 0
    for k in range(1, used + 1):
        if parent[k] == k:
            count += 1
            area[k] = -count  # the final number of a root, until areas are counted
    for i in range(rows):
        for j in range(columns):
            if labels[i, j] != 0:
                root = labels[i, j]
                while parent[root] != root:
                    root = parent[root]
                labels[i, j] = -area[root]
    for k in range(used + 1):
        area[k] = 0
    for i in range(rows):
        for j in range(columns):
            area[labels[i, j]] += 1
    return count


def pieces(flags: Flags, corners: bool = True) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Return the connected areas of a plane: int32 (h, w) with 0 outside, and the size of each, what is outside first.

    Eight neighbours are connected, or four without ``corners``.

    Equals ``scipy.ndimage.label`` with a full 3 × 3 structure, numbers included.
    """
    labels = np.empty(flags.shape, np.int32)
    most = flags.size // (4 if corners else 2) + flags.shape[0] + flags.shape[1] + 2
    area, parent = np.zeros(most, np.int64), np.zeros(most, np.int32)
    count = _label_strips(flags.astype(np.uint8), corners, labels, area, parent)
    return labels, area[: count + 1]


def grown(flags: Flags, radius: int = 1) -> Flags:
    """Return the cells within a square of side 2 · radius + 1 round flagged ones."""
    wide = np.pad(flags, radius)
    side = 2 * radius + 1
    rows = np.logical_or.reduce([wide[k : k + flags.shape[0]] for k in range(side)])
    return np.asarray(np.logical_or.reduce([rows[:, k : k + flags.shape[1]] for k in range(side)]))


# --- evidence -----------------------------------------------------------------------------------------------


@subroutine
def _evidence_row(out, likely, radius, down, flags, keyed, presence):
    for j in range(out.shape[0]):
        p, r, flag = likely[j], radius[j], flags[j]
        beside = flag & ZONE != 0 and r < F(1.9) and (down[j] < F(_BESIDE) or r < F(1.05))
        beside = beside and not (flag & HOLE != 0 and r < F(1))
        lid = clamp((p - F(0.02)) / F(0.18), F(0), F(1)) if beside else F(1)
        lid = max(lid, p if r < F(1.15) else F(0))
        floor = (F(0) if flag & EYE != 0 else p * clamp((F(1.25) - r) / F(0.2), F(0), F(1))) * keyed
        out[j] = F(0.5) + presence * (F(0.5) * lid + F(0.5) * floor - F(0.5))


@strip_kernel
def _cut_evidence_strips(likely, radius, down, flags, keyed, presence, out):
    for i in range(out.shape[0]):
        _evidence_row(out[i], likely[i], radius[i], down[i], flags[i], keyed, presence)


def evidence(cut: FaceCut, keyed: float = 1.0, presence: float = 1.0) -> Floats:
    """Return what one face says of the matte, float32 over its window.

    :param keyed: how far the face itself is keyed. :param presence: 0 to 1, how far it counts.
    """
    out = np.empty(cut.likely.shape, np.float32)
    _cut_evidence_strips(cut.likely, cut.radius, cut.down, cut.flags, np.float32(keyed), np.float32(presence), out)
    return out


def joined(first: Floats, second: Floats) -> Floats:
    """Join the evidence of two faces: what either keys is keyed, else the lower lid holds."""
    most = np.maximum(first, second)
    return np.asarray(np.where(most > 0.5, most, np.minimum(first, second)), np.float32)


# --- on the grid --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Laid:
    """What is laid over a matte, on the grid: log-odds to add, lid and floor, float32 (h, w)."""

    odds: Floats
    lid: Floats
    floor: Floats

    def over(self, matte: Floats) -> Floats:
        """Return a matte of the grid's own size with it."""
        k = np.exp(self.odds)
        return np.asarray(np.maximum(matte * k / (matte * k + 1 - matte) * self.lid, self.floor), np.float32)


def texture_loss(cells: Cells, base: float) -> Floats:
    """Return by how many doublings the texture lies beyond what skin of this base may have, float32, from 0."""
    return np.asarray(np.maximum(cells.texture - max(base, SMOOTHEST) - TEXTURE_FREE, 0), np.float32)


def lay(
    matte: Floats,
    evidence: Floats,
    loss: Floats | None,
    keep: Flags | None = None,
    away: Floats | None = None,
    soft: bool = True,
    usual: float = 0.0,
) -> Laid:
    """Find what faces make of a matte, all on the grid.

    :param matte: float32 (h, w). :param evidence: of all faces. :param loss: of texture, :func:`texture_loss`.
    :param keep: marks: pieces that hold one are kept, and no lid closes them. :param away: 0 to 1, no floor there.
    :param soft: pieces lose by how weakly they hang together with a face or a mark; otherwise wholly or not at all.
    :param usual: cells of a face's core, by which texture and loose pieces lose where no face is; 0: they do not.
    """
    strength = float(np.clip(2 * float(evidence.max()) - 1, 0, 1))
    lid, floor = np.minimum(2 * evidence, 1), np.maximum(2 * evidence - 1, 0)
    odds = np.zeros(matte.shape, np.float32)
    if loss is not None and (strength > 0 or usual > 0):
        odds -= np.minimum(TEXTURE_SLOPE * loss, TEXTURE_MOST) * np.float32(1 if usual > 0 else strength)
    if strength > 0:
        loose = _softly_loose if soft else _loose
        odds -= loose(matte, floor > SURE * strength, keep) * np.float32(strength)
    if usual > 0 and strength < 1:
        odds -= _loose_alone(matte, keep, usual) * np.float32(1 - strength)
    if keep is not None:
        lid = np.maximum(lid, grown(keep, max(1, round(0.03 * matte.shape[0]) - 1)))
    if away is not None:
        floor = floor * (1 - away)
    return Laid(odds, np.asarray(lid, np.float32), np.asarray(floor, np.float32))


def _loose(matte: Floats, core: Flags, keep: Flags | None) -> Floats:
    """Return the log-odds that pieces lose which hold neither a face nor a mark, by their size and certainty."""
    labels, area = pieces(matte > 0.5)
    cores = pieces(core)[1][1:]
    if len(area) < 2 or not len(cores):
        return np.zeros(matte.shape, np.float32)
    size = np.maximum(area, 1).astype(np.float64)
    largest = float(cores.max())
    sure = np.bincount(labels.ravel(), (matte > 0.8).ravel(), len(area)) / size
    loss = _loss_of(size, sure, largest)
    loss[0] = 0
    loss[np.unique(labels[core if keep is None else core | keep])] = 0
    return _highest(loss[labels].astype(np.float32))


def _highest(plane: Floats) -> Floats:
    """Return the largest of 3 × 3 cells."""
    wide = np.pad(plane, 1)
    rows = np.maximum(np.maximum(wide[:-2], wide[1:-1]), wide[2:])
    return np.asarray(np.maximum(np.maximum(rows[:, :-2], rows[:, 1:-1]), rows[:, 2:]))


@strip_kernel
def _held_strips(matte, start, held):
    """The most of a matte that is left on any way from the start to a cell: the least value on the best way.

    Sweeps forward and backward over eight neighbours until nothing changes, 16 at most. Source: L. Vincent,
    "Morphological grayscale reconstruction in image analysis", IEEE Transactions on Image Processing 2(2), 1993.
    """
    rows, columns = matte.shape
    for i in range(rows):
        for j in range(columns):
            held[i, j] = matte[i, j] if start[i, j] else F(0)
    for sweep in range(16):
        way = 1 if sweep % 2 == 0 else -1
        changed = 0
        for ii in range(rows):
            i = ii if way == 1 else rows - 1 - ii
            for jj in range(columns):
                j = jj if way == 1 else columns - 1 - jj
                most = matte[i, j]
                best = held[i, j]
                if not best < most:
                    continue
                for k in range(4):
                    y = i if k == 3 else i - way
                    x = j - way if k == 3 else j - way + way * k
                    if y < 0 or y >= rows or x < 0 or x >= columns:
                        continue
                    here = min(held[y, x], most)
                    best = here if here > best else best
                changed += 1 if best > held[i, j] else 0
                held[i, j] = best
        if changed == 0 and sweep > 0:
            break


def _softly_loose(matte: Floats, core: Flags, keep: Flags | None) -> Floats:
    """Return the log-odds that cells lose by how weakly they hang together with a face or a mark.

    Size and certainty are those of the loose piece that a cell belongs to. All of it changes gradually with the matte,
    so that from frame to frame no piece pops in or out.
    """
    cores = pieces(core)[1][1:]
    if not len(cores):
        return np.zeros(matte.shape, np.float32)
    largest = float(cores.max())
    start = grown(core, max(1, int(NEAR_A_FACE * math.sqrt(largest) + 0.5)))
    share = _share_lost(matte, start if keep is None else start | keep)
    labels, size, sure = _soft_pieces(matte, share)
    return _by_piece(_loss_of(size, sure, largest), labels, share)


def _loose_alone(matte: Floats, keep: Flags | None, usual: float) -> Floats:
    """Return the log-odds that cells lose where no face is, so that they lose about what they lose beside one.

    What the frame cuts off is a part of something larger: as far as a piece surely reaches the rim, its size does not
    count against it.

    :param usual: cells of a face's core.
    """
    usual = max(usual, 1.0)  # as pieces do, it counts as one cell at least
    share = np.ones_like(matte) if keep is None or not keep.any() else _share_lost(matte, keep)
    labels, size, sure = _soft_pieces(matte, share)
    rim = np.zeros_like(matte)
    for edge in (np.s_[0], np.s_[-1], np.s_[:, 0], np.s_[:, -1]):
        rim[edge] = np.clip((matte[edge] - 0.7) / 0.2, 0, 1)
    reaches = np.bincount(labels.ravel(), rim.ravel(), len(size)) / (CUT_OFF * np.sqrt(size))
    part = np.minimum(reaches, 1)
    size = size ** (1 - part) * np.maximum(size, SMALLER * usual) ** part
    return _by_piece(_loss_of(size, sure, usual), labels, share)


def _share_lost(matte: Floats, start: Flags) -> Floats:
    """Return how far cells are cut off from a start, 0 to 1."""
    held = np.empty_like(matte)
    _held_strips(matte, start, held)
    lost = (matte - held) / np.maximum(matte, np.float32(1e-3))
    return np.asarray(np.clip(lost / np.float32(HELD), 0, 1))


def _soft_pieces(matte: Floats, share: Floats) -> tuple[NDArray[np.int32], NDArray[np.float64], NDArray[np.float64]]:
    """Return the numbers of loose pieces, and size and sure share of each; both change gradually with the matte."""
    labels, area = pieces((matte > 0.25) & (share > 0))
    places, count = labels.ravel(), len(area)
    size = np.maximum(np.bincount(places, np.clip((matte.ravel() - 0.25) / 0.5, 0, 1), count), 1.0)
    sure = np.bincount(places, np.clip((matte.ravel() - 0.7) / 0.2, 0, 1), count) / size
    return labels, size, sure


def _by_piece(loss: NDArray[np.float64], labels: NDArray[np.int32], share: Floats) -> Floats:
    loss[0] = 0
    return _highest((loss[labels] * share).astype(np.float32))


def _loss_of(size: NDArray[np.float64], sure: NDArray[np.float64], largest: float) -> NDArray[np.float64]:
    """Return the log-odds that loose pieces lose: by their size beside the largest core, and their sure share."""
    score = CERTAIN[0] * np.log2(size / largest) + CERTAIN[1] * (sure - 0.5) + CERTAIN[2]
    return np.asarray(SIZE_SLOPE * np.clip(np.log2(SMALLER * largest / size), 0, 3) + np.clip(-score, 0, 3))


# --- by likeness ----------------------------------------------------------------------------------------------

WINDOW, NEAR_WINDOW = 8.0, 4.0
"""How far round a cell the two sides are looked at, and the keyed one for what is like it: σ of Gaussians, in cells."""
_LEAST_RATIO, _LEAST_STOPS, _ALIKE_RATIO, _ALIKE_STOPS = F(0.06**2), F(0.7**2), F(0.06), F(0.6)
"""Least variance of a side, and what is like its mean: in chroma/luma and in stops."""
_MOST_ODDS, _FILLED, _BOTH = F(2), F(0.9), F(0.05)
"""The most log-odds that likeness gives or takes, the most that it opens, and from which share a side counts wholly."""


@strip_kernel
def _sides_strips(u, v, stops, matte, out):
    """Sums over 2 × 2 cells of what is keyed and of what is not: share, and first and second moments of the colour."""
    rows, columns = matte.shape
    for i in range(out.shape[1]):
        for j in range(out.shape[2]):
            for n in range(14):
                out[n, i, j] = F(0)
            for k in range(2):
                y = min(2 * i + k, rows - 1)
                for l in range(2):
                    x = min(2 * j + l, columns - 1)
                    m = matte[y, x]
                    side = 0 if m > F(0.8) else 7 if m < F(0.1) else -1
                    if side >= 0:
                        a, b, c = u[y, x], v[y, x], stops[y, x]
                        out[side, i, j] += F(0.25)
                        out[side + 1, i, j] += F(0.25) * a
                        out[side + 2, i, j] += F(0.25) * b
                        out[side + 3, i, j] += F(0.25) * c
                        out[side + 4, i, j] += F(0.25) * a * a
                        out[side + 5, i, j] += F(0.25) * b * b
                        out[side + 6, i, j] += F(0.25) * c * c


@strip_kernel
def _keyed_strips(u, v, stops, matte, out):
    """Means over 2 × 2 cells of the squared matte, and of the colour weighed by it."""
    rows, columns = matte.shape
    for i in range(out.shape[1]):
        for j in range(out.shape[2]):
            for n in range(4):
                out[n, i, j] = F(0)
            for k in range(2):
                y = min(2 * i + k, rows - 1)
                for l in range(2):
                    x = min(2 * j + l, columns - 1)
                    w = F(0.25) * matte[y, x] * matte[y, x]
                    out[0, i, j] += w
                    out[1, i, j] += w * u[y, x]
                    out[2, i, j] += w * v[y, x]
                    out[3, i, j] += w * stops[y, x]


@strip_kernel
def _window_strips(padded, taps, spare, out):
    """Filter planes along both axes; they are padded by the filter's radius."""
    count, rows, columns = out.shape
    for n in range(count):
        for i in range(padded.shape[1]):
            for j in range(columns):
                spare[i, j] = F(0)
            for d in range(taps.shape[0]):
                weight = taps[d]
                for j in range(columns):
                    spare[i, j] += weight * padded[n, i, j + d]
        for i in range(rows):
            for j in range(columns):
                out[n, i, j] = F(0)
            for d in range(taps.shape[0]):
                weight = taps[d]
                for j in range(columns):
                    out[n, i, j] += weight * spare[i + d, j]


@inline
def _mixed(plane, i, j, low, right, ty, tx):
    top = plane[i, j] + tx * (plane[i, right] - plane[i, j])
    bottom = plane[low, j] + tx * (plane[low, right] - plane[low, j])
    return top + ty * (bottom - top)


@strip_kernel
def _odds_strips(u, v, stops, sides, out):
    """Log-odds by which a cell's colour is more like what is keyed round it than like what is not."""
    rows, columns = out.shape
    last_row, last_column = sides.shape[1] - 1, sides.shape[2] - 1
    found = np.empty(14, np.float32)
    for y in range(rows):
        at_y = min(max(F(0.5) * F(y) - F(0.25), F(0)), F(last_row))
        i = int(at_y)
        low, ty = min(i + 1, last_row), at_y - F(i)
        for x in range(columns):
            at_x = min(max(F(0.5) * F(x) - F(0.25), F(0)), F(last_column))
            j = int(at_x)
            right, tx = min(j + 1, last_column), at_x - F(j)
            out[y, x] = F(0)
            for n in range(14):
                found[n] = _mixed(sides[n], i, j, low, right, ty, tx)
            share = min(found[0], found[7])
            if not share > F(1e-5):
                continue
            apart = F(0)
            ratio = F(1)
            for n in range(3):
                colour = u[y, x] if n == 0 else v[y, x] if n == 1 else stops[y, x]
                least = _LEAST_STOPS if n == 2 else _LEAST_RATIO
                mean, other = found[1 + n] / found[0], found[8 + n] / found[7]
                spread = max(found[4 + n] / found[0] - mean * mean, F(0)) + least
                wide = max(found[11 + n] / found[7] - other * other, F(0)) + least
                apart += (colour - other) * (colour - other) / wide - (colour - mean) * (colour - mean) / spread
                ratio *= wide / spread
            says = F(0.5) * (apart + F(math.log(ratio)))
            says = min(max(says, -_MOST_ODDS), _MOST_ODDS)
            out[y, x] = says * min(share / _BOTH, F(1))


@strip_kernel
def _alike_strips(u, v, stops, keyed, out):
    """How far a cell near what is keyed is of the same colour, 0 to 0.9."""
    rows, columns = out.shape
    last_row, last_column = keyed.shape[1] - 1, keyed.shape[2] - 1
    for y in range(rows):
        at_y = min(max(F(0.5) * F(y) - F(0.25), F(0)), F(last_row))
        i = int(at_y)
        low, ty = min(i + 1, last_row), at_y - F(i)
        for x in range(columns):
            at_x = min(max(F(0.5) * F(x) - F(0.25), F(0)), F(last_column))
            j = int(at_x)
            right, tx = min(j + 1, last_column), at_x - F(j)
            share = _mixed(keyed[0], i, j, low, right, ty, tx)
            out[y, x] = F(0)
            if share > F(1e-4):
                a = (u[y, x] - _mixed(keyed[1], i, j, low, right, ty, tx) / share) / _ALIKE_RATIO
                b = (v[y, x] - _mixed(keyed[2], i, j, low, right, ty, tx) / share) / _ALIKE_RATIO
                c = (stops[y, x] - _mixed(keyed[3], i, j, low, right, ty, tx) / share) / _ALIKE_STOPS
                near = F(math.exp(F(-0.5) * (a * a + b * b + c * c)))
                out[y, x] = _FILLED * min(F(2) * share, F(1)) * near


def _windowed(planes: Floats, sigma: float) -> Floats:
    """Return the Gaussian of planes, float32 (n, h, w), as if their edges went on."""
    radius = int(np.ceil(3 * sigma))
    taps = np.exp(-0.5 * (np.arange(-radius, radius + 1) / sigma) ** 2)
    padded = np.pad(planes, ((0, 0), (radius, radius), (radius, radius)), mode="edge")
    out, spare = np.empty_like(planes), np.empty((padded.shape[1], planes.shape[2]), np.float32)
    _window_strips(padded, (taps / taps.sum()).astype(np.float32), spare, out)
    return out


def by_likeness(cells: Cells, matte: Floats) -> tuple[Floats, Floats]:
    """Return what the colours on either side of a matte's edge say of the cells near it.

    Every cell is compared with what is keyed round it and with what is not, each as a Gaussian of chroma/luma and
    stops: that gives log-odds, float32 (h, w). What lies near keyed cells and is of their colour is open at least as
    far as the second plane says, float32 (h, w), 0 to 0.9.

    :param cells: the grid or a window of it. :param matte: float32 (h, w), the same cells.
    """
    inverse = 1 / (np.maximum(cells.luma, 0) + np.float32(0.02))
    u, v = cells.cb * inverse, cells.cr * inverse
    stops = np.asarray(np.log2(np.maximum(cells.luma, 0) + np.float32(0.05)) + np.float32(2), np.float32)
    half = (matte.shape[0] + 1) // 2, (matte.shape[1] + 1) // 2
    sides = np.empty((14, *half), np.float32)
    _sides_strips(u, v, stops, matte, sides)
    odds = np.empty(matte.shape, np.float32)
    _odds_strips(u, v, stops, _windowed(sides, WINDOW / 2), odds)
    k = np.exp(odds)
    keyed = np.empty((4, *half), np.float32)
    _keyed_strips(u, v, stops, np.asarray(matte * k / (matte * k + 1 - matte), np.float32), keyed)
    fill = np.empty(matte.shape, np.float32)
    _alike_strips(u, v, stops, _windowed(keyed, NEAR_WINDOW / 2), fill)
    return odds, fill


# --- at full size -------------------------------------------------------------------------------------------


@strip_kernel
def _means_strips(plane, out):
    """Mean of 4 × 4 pixels of every cell, limited to 0 … 1; NaN counts as 0."""
    height, width = plane.shape
    rows, columns = out.shape
    for i in range(rows):
        for j in range(columns):
            total = F(0)
            for k in range(4):
                y = ((8 * i + 2 * k + 1) * height) // (8 * rows)
                for l in range(4):
                    x = ((8 * j + 2 * l + 1) * width) // (8 * columns)
                    total += clamp(plane[y, x], F(0), F(1))
            out[i, j] = total * F(1 / 16)


def on_grid(plane: Floats, shape: tuple[int, int]) -> Floats:
    """Return a plane, float32 (H, W), on the grid: means of 4 × 4 of every cell's pixels, limited to 0 … 1.

    >>> on_grid(np.ones((90, 160), np.float32), (144, 256)).shape
    (144, 256)
    """
    out = np.empty(shape, np.float32)
    _means_strips(plane, out)
    return out


@inline
def grid_place(pixel, pixels, cells):
    """The cell before a pixel and the part of the way to the next."""
    at = (F(pixel) + F(0.5)) * F(cells) / F(pixels) - F(0.5)
    at = clamp(at, F(0), F(cells - 1))
    cell = min(int(at), max(cells - 2, 0))
    return cell, at - F(cell)


@inline
def _grid_places(cells, parts, count):
    """:func:`grid_place` of every pixel of a row; ``count`` cells."""
    for x in range(cells.shape[0]):
        cells[x], parts[x] = grid_place(x, cells.shape[0], count)


@inline
def _mixed_row(grid, row, other, part, out):
    for j in range(out.shape[0]):
        out[j] = grid[row, j] + part * (grid[other, j] - grid[row, j])


@inline
def _steps_row(row, out):
    """From every cell of a row to the next; none beyond the last."""
    last = row.shape[0] - 1
    for j in range(last):
        out[j] = row[j + 1] - row[j]
    out[last] = F(0)


@subroutine
def _enlarged_row(out, row, steps, cells, parts):
    """Interpolate a row of cells at the places of pixels."""
    for x in range(out.shape[0]):
        cell = cells[x]
        out[x] = row[cell] + parts[x] * steps[cell]


@inline
def weighed_px(m, odds):
    """Add log-odds to a value of a matte; where there are none it stays."""
    k = exp2_px(odds * F(1.4426950408889634))
    weighed = m * k / (m * k + F(1) - m)
    return weighed if odds != F(0) else m


@inline
def laid_px(m, lid, floor):
    """Lay lid and floor over a value of a matte."""
    m = m * lid
    return clamp(m if m > floor else floor, F(0), F(1))


@subroutine
def _weigh_row(out, odds):
    for x in range(out.shape[0]):
        out[x] = weighed_px(out[x], odds[x])


@subroutine
def _lay_row(out, lid, floor):
    for x in range(out.shape[0]):
        out[x] = laid_px(out[x], lid[x], floor[x])


@inline
def _is_laid(odds, lid, floor, row, other, cell):
    """What lies on a cell in either of two rows: 1 log-odds, 2 a lid, 4 a floor."""
    found = 1 if odds[row, cell] != F(0) or odds[other, cell] != F(0) else 0
    found += 2 if lid[row, cell] != F(1) or lid[other, cell] != F(1) else 0
    return found + (4 if floor[row, cell] != F(0) or floor[other, cell] != F(0) else 0)


@inline
def _find_runs(odds, lid, floor, row, other, starts, runs):
    """Leave the runs of pixels between two rows of cells on which something lies: from, to, what; return how many."""
    columns = odds.shape[1]
    count, before = 0, 0
    for cell in range(columns):
        # a pixel sees its cell and the next one
        here = _is_laid(odds, lid, floor, row, other, cell)
        here |= _is_laid(odds, lid, floor, row, other, min(cell + 1, columns - 1))
        if here == 0 or starts[cell] == starts[cell + 1]:
            continue
        if count > 0 and before == here and runs[count - 1, 1] == starts[cell]:
            runs[count - 1, 1] = starts[cell + 1]
        else:
            runs[count, 0], runs[count, 1], runs[count, 2] = starts[cell], starts[cell + 1], here
            count += 1
        before = here
    return count


@subroutine
def _any_above(row):
    found = np.int32(0)
    for x in range(row.shape[0]):
        found |= np.int32(row[x] > F(0))
    return found != 0


@strip_kernel
def _over_strips(matte, odds, lid, floor, out, y0, y1):
    """Lay log-odds, lid and floor over rows of a matte; where nothing is laid the matte stays, limited to 0 … 1."""
    height, width = matte.shape
    rows, columns = odds.shape
    mixed = np.empty((3, columns), np.float32)
    steps = np.empty((3, columns), np.float32)
    wide = np.empty((2, width), np.float32)
    cells, parts = np.empty(width, np.int64), np.empty(width, np.float32)
    _grid_places(cells, parts, columns)
    starts = np.empty(columns + 1, np.int64)  # the first pixel of every cell
    starts[:] = width
    for x in range(width - 1, -1, -1):
        starts[cells[x]] = x
    for cell in range(columns - 1, -1, -1):
        starts[cell] = min(starts[cell], starts[cell + 1])
    runs = np.empty((columns, 3), np.int64)
    known, count = -1, 0
    for y in range(y0, y1):
        row, part = grid_place(y, height, rows)
        other = min(row + 1, rows - 1)
        if row != known:
            known, count = row, _find_runs(odds, lid, floor, row, other, starts, runs)
        limit_row(out[y], matte[y], F(0), F(1))
        if count == 0:
            continue
        _mixed_row(odds, row, other, part, mixed[0])
        _mixed_row(lid, row, other, part, mixed[1])
        _mixed_row(floor, row, other, part, mixed[2])
        for k in range(3):
            _steps_row(mixed[k], steps[k])
        for n in range(count):
            x0, x1, what = runs[n]
            to, first, second = out[y, x0:x1], wide[0, x0:x1], wide[1, x0:x1]
            fill_row(first, F(1))
            fill_row(second, F(0))
            if what & 3 and _any_above(to):  # what is not keyed at all stays so
                if what & 1:
                    _enlarged_row(second, mixed[0], steps[0], cells[x0:x1], parts[x0:x1])
                    _weigh_row(to, second)
                    fill_row(second, F(0))
                if what & 2:
                    _enlarged_row(first, mixed[1], steps[1], cells[x0:x1], parts[x0:x1])
            if what & 4:
                _enlarged_row(second, mixed[2], steps[2], cells[x0:x1], parts[x0:x1])
            _lay_row(to, first, second)


def over(matte: Floats, laid: Laid, out: Floats | None = None) -> Floats:
    """Lay what was found on the grid over a matte, float32 (H, W), of any size.

    >>> lifted = over(np.zeros((2, 4), np.float32), floor_alone(np.full((2, 4), 0.5, np.float32)))
    >>> float(lifted.min())
    0.5
    """
    matte = as_plane(matte)
    out = output(out, matte.shape, matte)
    over_rows(_over_strips, matte.shape[0], matte, laid.odds, laid.lid, laid.floor, out)
    return out


@inline
def told_px(first, second):
    """Evidence of two faces: what either keys is keyed, else the lower lid holds."""
    most = first if first > second else second
    least = second if first > second else first
    return most if most > F(0.5) else least


@subroutine
def _tell_row(out, told):
    """Join a row of evidence with what a further face tells."""
    for x in range(out.shape[0]):
        out[x] = told_px(out[x], clamp(told[x], F(0), F(1)))


@strip_kernel
def _evidence_strips(grid, top, left, shape, before, given, out, y0, y1):
    """Interpolate a window of the grid to full size and join it with what was told before."""
    height, width = out.shape
    rows, columns = grid.shape
    mixed, steps = np.empty(columns, np.float32), np.empty(columns, np.float32)
    wide, parts = np.empty(width, np.float32), np.empty(width, np.float32)
    cells = np.empty(width, np.int64)
    _grid_places(cells, parts, shape[1])
    first, last = 0, width
    for x in range(width):
        cells[x] -= left
        first += cells[x] < 0
        last -= cells[x] >= columns
    per_cell = F(width) / F(shape[1])
    known, x0, x1 = -1, 0, 0
    for y in range(y0, y1):
        row, part = grid_place(y, height, shape[0])
        row -= top
        told_here = row >= 0 and row < rows
        if given:
            limit_row(out[y], before[y], F(0), F(1))
        elif not told_here:
            fill_row(out[y], F(0.5))
        if not told_here:
            continue
        other = min(row + 1, rows - 1)
        if row != known:
            told_from, told_to = columns, -1
            for cell in range(columns):
                if grid[row, cell] != F(0.5) or grid[other, cell] != F(0.5):
                    told_from, told_to = min(told_from, cell), cell
            known = row
            x0 = max(int((F(left + told_from) - F(0.5)) * per_cell) - 1, first)
            x1 = min(int((F(left + told_to) + F(1.5)) * per_cell) + 2, last)
        if x0 >= x1:  # the face says nothing here
            if not given:
                fill_row(out[y], F(0.5))
            continue
        _mixed_row(grid, row, other, part, mixed)
        _steps_row(mixed, steps)
        _enlarged_row(wide[x0:x1], mixed, steps, cells[x0:x1], parts[x0:x1])
        if given:
            _tell_row(out[y, x0:x1], wide[x0:x1])
        else:
            fill_row(out[y, :x0], F(0.5))
            limit_row(out[y, x0:x1], wide[x0:x1], F(0), F(1))
            fill_row(out[y, x1:], F(0.5))


@on_devices
def face_evidence(
    image: Floats,
    points: Landmarks,
    presence: float = 1.0,
    keyed: float = 1.0,
    before: Floats | None = None,
    out: Floats | None = None,
    turns: bool = True,
) -> Floats:
    """Return what a face says of a matte of its picture, float32 (H, W), ½ where it says nothing.

    :param image: float32 (H, W, 3 or 4), display-referred R′G′B′(A); NaN and infinite pixels count as black.
    :param points: the five landmarks, see :data:`.face.Landmarks`. :param presence: 0 to 1, how far it counts.
    :param keyed: 0 to 1, how far the face itself is keyed at least.
    :param before: float32 (H, W), what other faces told; NaN counts as 0.
    :param turns: the drawn face turns aside with the head.
    :raises PictureError: wrong arrays.

    >>> landmarks = [(0.45, 0.4), (0.55, 0.4), (0.5, 0.52), (0.46, 0.6), (0.54, 0.6)]
    >>> evidence = face_evidence(np.full((90, 160, 3), 0.5, np.float32), landmarks)
    >>> bool(evidence[45, 80] > 0.5), float(evidence[0, 0])
    (True, 0.5)
    """
    image = as_picture(image)
    size = image.shape[:2]
    told = np.empty((1, 1), np.float32) if before is None else as_plane(before, "evidence of faces", size)
    out = output(out, size, image, told)
    plane, top, left = evidence_on_grid(image, points, presence, keyed, turns)
    over_rows(_evidence_strips, size[0], plane, top, left, grid_shape(*size), told, before is not None, out)
    return out


def evidence_on_grid(
    image: Floats, points: Landmarks, presence: float, keyed: float, turns: bool = True
) -> tuple[Floats, int, int]:
    """Return what a face says on a window of the grid, and the window's first row and column."""
    shape = grid_shape(*image.shape[:2])
    placed = fit(points, shape, turns)
    window = None if placed is None or presence <= 0 else window_of(placed, shape)
    if placed is None or window is None:
        return np.full((1, 1), 0.5, np.float32), 0, 0
    if turns and window.rows * window.columns > _MOST_CELLS:
        return _evidence_of_large(image, points, presence, keyed)
    found = cut_placed(cells_of(image, window), placed, window, turns)
    return evidence(found, keyed, presence), window.top, window.left


_MOST_CELLS = 16_000
"""Cells of a face's window from which it is cut out on cells of twice the side, in a third of the time: its outline is
then 25 cells wide and more. From 10,000 cells on, the mean F1 of 29 real pictures with such faces changes by -.0005
(-.008 to .005)."""


def _evidence_of_large(image: Floats, points: Landmarks, presence: float, keyed: float) -> tuple[Floats, int, int]:
    """Return the same of a large face, found on cells of twice the side."""
    rows, columns = grid_shape(*image.shape[:2])
    placed = fit(points, (rows / 2, columns / 2))
    window = None if placed is None else window_of(placed, (-(-rows // 2), -(-columns // 2)))
    if placed is None or window is None:
        return np.full((1, 1), 0.5, np.float32), 0, 0
    plane = evidence(cut_placed(cells_of(image, window, 2), placed, window), keyed, presence)
    top, left = 2 * window.top, 2 * window.left
    out = np.empty((min(2 * window.rows, rows - top), min(2 * window.columns, columns - left)), np.float32)
    _double_strips(plane, out)
    return out, top, left


@subroutine
def _double_row(out, near, far):
    """Write between two rows of cells, a quarter of the way, at twice as many columns."""
    last = near.shape[0] - 1
    for x in range(out.shape[0]):
        j = x // 2
        k = max(j - 1, 0) if x % 2 == 0 else min(j + 1, last)
        a = F(0.75) * near[j] + F(0.25) * far[j]
        b = F(0.75) * near[k] + F(0.25) * far[k]
        out[x] = F(0.75) * a + F(0.25) * b


@strip_kernel
def _double_strips(plane, out):
    """Interpolate a plane to cells of half the side."""
    for y in range(out.shape[0]):
        i = y // 2
        other = max(i - 1, 0) if y % 2 == 0 else min(i + 1, plane.shape[0] - 1)
        _double_row(out[y], plane[i], plane[other])


@on_devices
def join_faces(
    matte: Floats,
    evidence: Floats,
    image: Floats,
    texture: float,
    keep: Sequence[tuple[float, float]] = (),
    away: Sequence[tuple[float, float]] = (),
    out: Floats | None = None,
    likeness: float = 0.0,
    soft: bool = True,
    usual: float = 0.0,
) -> Floats:
    """Join a matte with what faces tell.

    :param matte: float32 (H, W). :param evidence: float32 (H, W), :func:`face_evidence` of all faces.
    :param image: float32 (H, W, 3 or 4), the picture of both. :param texture: the skin's own.
    :param keep, away: places, normalised, at which a person marked skin, and what is none.
    :param likeness: 0 to 1, how far :func:`by_likeness` counts near the matte's edge. :param soft: see :func:`lay`.
    :param usual: area of a face's core in parts of the frame, 0 to 1, by which what is textured or loose loses where no
        face is known as well.
    :returns: matte, float32 (H, W), 0 to 1; without ``usual`` the matte as it is, limited to that, where no face is.
    :raises PictureError: wrong arrays.

    >>> picture = np.full((90, 160, 3), 0.5, np.float32)
    >>> landmarks = [(0.45, 0.4), (0.55, 0.4), (0.5, 0.52), (0.46, 0.6), (0.54, 0.6)]
    >>> half = np.full((90, 160), 0.5, np.float32)
    >>> joined = join_faces(half, face_evidence(picture, landmarks), picture, texture=-8.0)
    >>> bool(joined[45, 80] > joined[0, 0])
    True
    """
    image = as_picture(image)
    matte = as_plane(matte, like=image.shape[:2])
    evidence = as_plane(evidence, "evidence of faces", matte.shape)
    out = output(out, matte.shape, matte, evidence, image)
    return over(matte, laid_on_grid(matte, evidence, image, texture, keep, away, likeness, soft, usual), out)


def laid_on_grid(
    matte: Floats,
    evidence: Floats,
    image: Floats,
    texture: float,
    keep: Sequence[tuple[float, float]],
    away: Sequence[tuple[float, float]],
    likeness: float,
    soft: bool = True,
    usual: float = 0.0,
) -> Laid:
    """Return what :func:`join_faces` lays over a matte; a size that has the same grid gives the same."""
    shape = grid_shape(*matte.shape)
    told = on_grid(evidence, shape)
    small = on_grid(matte, shape)
    strength = float(np.clip(2 * float(told.max()) - 1, 0, 1))
    cells, loss = None, None
    if (strength > 0 or usual > 0) and small.any():
        cells = _cells_round((small > 0) | (told > 0.5) if likeness else small > 0, image, likeness > 0)
        loss = np.zeros(shape, np.float32)
        loss[cells.window.slices] = texture_loss(cells, texture)
    spread = _spread_at(away, shape)
    laid = lay(small, told, loss, _cells_at(keep, shape), spread, soft, usual * small.size)
    if cells is not None and likeness * strength > 0:
        laid = _with_likeness(laid, cells, small, spread, likeness * strength)
    return laid


def _cells_round(keyed: Flags, image: Floats, far: bool) -> Cells:
    """Return the cells of the rectangle that holds what is keyed, and of what lies round it."""
    rows, columns = np.flatnonzero(keyed.any(axis=1)), np.flatnonzero(keyed.any(axis=0))
    margin = int(3 * WINDOW) if far else _MARGIN
    top, left = max(int(rows[0]) - margin, 0), max(int(columns[0]) - margin, 0)
    low, right = min(int(rows[-1]) + margin + 1, keyed.shape[0]), min(int(columns[-1]) + margin + 1, keyed.shape[1])
    return cells_of(image, Window(top, left, low - top, right - left))


def _with_likeness(laid: Laid, cells: Cells, matte: Floats, away: Floats | None, amount: float) -> Laid:
    """Return what is laid over a matte with what the colours on both sides of its edge say, where no lid closes it."""
    at = cells.window.slices
    odds, fill = by_likeness(cells, laid.over(matte)[at])
    part = np.float32(amount)
    fill *= part * laid.lid[at]
    if away is not None:
        fill *= 1 - away[at]
    all_odds, floor = laid.odds.copy(), laid.floor.copy()
    all_odds[at] += part * odds
    floor[at] = np.maximum(floor[at], fill)
    return Laid(all_odds, laid.lid, floor)


_MARGIN = 5
"""Cells beyond what is keyed that its texture is found from, the enlarging included."""


def _cells_at(places: Sequence[tuple[float, float]], shape: tuple[int, int]) -> Flags | None:
    if not places:
        return None
    flags = np.zeros(shape, np.bool_)
    for x, y in places:
        if 0 <= x <= 1 and 0 <= y <= 1:
            flags[min(int(y * shape[0]), shape[0] - 1), min(int(x * shape[1]), shape[1] - 1)] = True
    return flags


_AWAY = 0.03
"""How far a mark of what is no skin opens the floor of a face, in parts of the frame height: σ of a Gaussian."""


def _spread_at(places: Sequence[tuple[float, float]], shape: tuple[int, int]) -> Floats | None:
    if not places:
        return None
    out = np.zeros(shape, np.float32)
    y, x = np.mgrid[: shape[0], : shape[1]] + 0.5
    for px, py in places:
        away = (x - px * shape[1]) ** 2 + (y - py * shape[0]) ** 2
        np.maximum(out, np.exp(-0.5 * away / (_AWAY * shape[0]) ** 2), out=out)
    return out


# --- protection ---------------------------------------------------------------------------------------------

_FACE_FROM = 0.75
"""Evidence of faces from which a cell is the face's skin when holes are looked for."""


def floor_alone(floor: Floats) -> Laid:
    """Return what lays a floor over a matte and leaves it otherwise as it is.

    >>> floor = np.full((1, 2), 0.5, np.float32)
    >>> floor_alone(floor).over(np.array([[0.25, 0.75]], np.float32))
    array([[0.5 , 0.75]], dtype=float32)
    """
    return Laid(np.zeros(floor.shape, np.float32), np.ones(floor.shape, np.float32), floor)


def filled(matte: Floats, evidence: Floats | None, largest: float, bridge: float) -> Floats:
    """Return where a matte's holes are filled, 0 or 1, float32 (h, w), on the grid; one cell round a hole as well.

    Skin is what is keyed to half, and what is a face's. Piece by piece, gaps up to ``bridge`` of the side of a square
    as large as the piece are closed first; of what is then enclosed, parts up to ``largest`` of the piece are holes. A
    gap that closes no hole stays open.

    :param matte: float32 (h, w). :param evidence: of all faces, or None. :param largest, bridge: parts, 0 to 1.

    >>> matte = np.zeros((12, 12), np.float32)
    >>> matte[2:10, 2:10] = 1
    >>> matte[5, 5] = 0
    >>> holes = filled(matte, None, largest=0.1, bridge=0)
    >>> float(holes[5, 5]), float(holes[0, 0])
    (1.0, 0.0)
    """
    skin = matte > 0.5 if evidence is None else (matte > 0.5) | (evidence > _FACE_FROM)
    holes = np.zeros(skin.shape, np.bool_)
    labels, area = pieces(skin)
    for number in range(1, len(area)):
        if area[number] >= _LEAST_PIECE:
            holes |= _holes_of(labels == number, skin, int(area[number]), largest, bridge)
    return (grown(holes) & (grown(skin) | holes)).astype(np.float32)


_LEAST_PIECE = 12
"""Cells of a piece in which a hole can be."""


def _holes_of(piece: Flags, skin: Flags, area: int, largest: float, bridge: float) -> Flags:
    """Return the holes of one piece of skin: enclosed parts of the frame, and gaps that lead into them."""
    reach = int(bridge * np.sqrt(area) / 2 + 0.5)
    border = reach + 1
    wide = np.pad(piece, border)
    closed = ~grown(~grown(wide, reach), reach) if reach else wide
    labels, _ = pieces(~(closed | wide), corners=False)
    outside = labels[0, 0]
    inner = (slice(border, border + piece.shape[0]), slice(border, border + piece.shape[1]))
    enclosed = ((labels != outside) & (labels > 0))[inner] & ~skin
    gaps = (closed & ~wide)[inner] & ~skin
    parts, size = pieces(enclosed | gaps, corners=False)
    keeps = np.zeros(len(size), np.bool_)
    keeps[np.unique(parts[enclosed])] = True
    keeps &= size <= largest * area
    keeps[0] = False
    return np.asarray(keeps[parts])
