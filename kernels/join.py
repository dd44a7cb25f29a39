"""Joining a matte with what faces tell: textured and loose pieces lose, a face is a floor, what lies beside it a lid.

Everything is found on the grid of :mod:`.face` and laid over the matte at full size. The evidence of faces is one
plane: ½ says nothing, above it lies what is at least keyed (1: wholly), below it what is at most keyed (0: nothing).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats, as_picture, as_plane, check_size, checked, output
from .colour import F, clamp, exp2_px
from .devices import on_devices
from .exponential import exp_px
from .face import (
    EYE,
    HOLE,
    ZONE,
    Cells,
    FaceCut,
    Landmarks,
    Placed,
    Window,
    add_fours,
    cells_by_stages,
    cells_of,
    cut_by_stages,
    cut_placed,
    fit,
    grid_shape,
    window_of,
)
from .jit import inline, strip_kernel, subroutine
from .rows import ONE_INT, ZERO_INT, add_scaled_row, copy_row, fill_row, limit_row, pad_row, scale_row
from .strips import Stage, Unwritten, all_of_it, begin, none_of_it, over_rows, over_stages, written_by

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
CUT_OFF, RIM_FADE = 0.3, 3.0
"""How much of a piece is surely keyed that may count as cut off by the frame's rim, and how far the middle of that lies
from where it would touch the rim until it does not, in sides of a square of the piece's size: what the frame cut off
loses by its size little by little as it comes in, not at once with the last cell of the rim."""
_BESIDE = 1.2
SURE = 0.7
"""Floor from which the grid's cells are the core of a face."""


_AT_ONCE = 64
"""How many cells or pixels of a row are looked at together."""


@inline
def _any_of(row):
    """Whether any cell of a row lies above 0."""
    found = np.int32(0)
    for x in range(row.shape[0]):
        found |= np.int32(row[x] > 0)
    return found != 0


@subroutine
def _find_ends(plane, ends):
    """Leave of every row the first cell above 0 and the first after the last one: most rows and cells are 0."""
    columns = plane.shape[1]
    for i in range(plane.shape[0]):
        first, end = columns, columns
        if _any_of(plane[i]):
            first = 0
            while not _any_of(plane[i, first : first + _AT_ONCE]):
                first += _AT_ONCE
            while not plane[i, first] > 0:
                first += 1
            while not _any_of(plane[i, max(end - _AT_ONCE, 0) : end]):
                end -= _AT_ONCE
            while not plane[i, end - 1] > 0:
                end -= 1
        ends[i, 0], ends[i, 1] = first, end


@subroutine
def _label(flags, corners, labels, area, parent, ends):
    """Number connected areas, of four or with ``corners`` eight neighbours, from 1 in the order of their first cell.

    Leaves the cells of every area and the ends of rows, and returns how many areas there are.
    """
    rows, columns = flags.shape
    _find_ends(flags, ends)
    used = 0
    for i in range(rows):
        fill_row(labels[i], np.int32(0))
        for j in range(ends[i, 0], ends[i, 1]):
            if flags[i, j] == 0:
                continue
            found = 0
            alone = corners and i > 0 and flags[i - 1, j] != 0  # the other neighbours touch it: one look is enough
            for k in range(4):
                if k != 1 if alone else not corners and k % 2 == 0:
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
        for j in range(ends[i, 0], ends[i, 1]):
            if labels[i, j] != 0:
                root = labels[i, j]
                while parent[root] != root:
                    root = parent[root]
                labels[i, j] = -area[root]
    for k in range(used + 1):
        area[k] = 0
    area[0] = rows * columns
    for i in range(rows):
        for j in range(ends[i, 0], ends[i, 1]):
            if labels[i, j] != 0:
                area[labels[i, j]] += 1
                area[0] -= 1
    return count


@strip_kernel
def _label_strips(flags, corners, labels, area, parent, ends):
    return _label(flags, corners, labels, area, parent, ends)


def _most_pieces(cells: int, sides: int, corners: bool = True) -> int:
    """Return how many numbers of areas may be in use while a plane of so many cells, rows and columns is numbered."""
    return cells // (4 if corners else 2) + sides + 2


def pieces(flags: Flags, corners: bool = True) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Return the connected areas of a plane: int32 (h, w) with 0 outside, and the size of each, what is outside first.

    Eight neighbours are connected, or four without ``corners``.

    Equals ``scipy.ndimage.label`` with a full 3 × 3 structure, numbers included.

    >>> labels, area = pieces(np.array([[1, 1, 0], [0, 0, 0], [0, 0, 1]], bool))
    >>> labels[2, 2], [int(size) for size in area]
    (np.int32(2), [6, 2, 1])
    """
    labels = np.empty(flags.shape, np.int32)
    most = _most_pieces(flags.size, sum(flags.shape), corners)
    area, parent = np.zeros(most, np.int64), np.zeros(most, np.int32)
    ends = np.empty((len(flags), 2), np.int64)
    count = _label_strips(flags.astype(np.uint8), corners, labels, area, parent, ends)
    return labels, area[: count + 1]


def grown(flags: Flags, radius: int = 1) -> Flags:
    """Return the cells within a square of side 2 · radius + 1 round flagged ones, bool (h, w).

    >>> grown(np.array([[True, False, False, False]]), 2).tolist()
    [[True, True, True, False]]
    """
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
def _cut_evidence_strips(likely, radius, down, flags, keyed, presence, out, y0, y1):
    for i in range(y0, y1):
        _evidence_row(out[i], likely[i], radius[i], down[i], flags[i], keyed, presence)


def evidence(cut: FaceCut, keyed: float = 1.0, presence: float = 1.0) -> Floats:
    """Return what one face says of the matte, float32 over its window.

    :param keyed: how far the face itself is keyed. :param presence: 0 to 1, how far it counts.
    """
    out = np.empty(cut.likely.shape, np.float32)
    rows = len(out)
    over_rows(_cut_evidence_strips, rows, *_evidence_given(cut, keyed, presence, out), strip=rows, least=rows)
    return out


def _evidence_given(cut: FaceCut, keyed: float, presence: float, out: Floats) -> tuple[Any, ...]:
    return cut.likely, cut.radius, cut.down, cut.flags, F(keyed), F(presence), out


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
    :param usual: cells of a face's core, by which loose pieces lose where no face is; 0: they do not.
    """
    cores, first = _cores_by_stage(evidence, evidence.max(axis=1), soft)
    found, stages = _pieces_by_stages(matte, evidence, cores, keep, soft, usual)
    whole = np.array((0, 0, *(matte.shape if loss is not None else (0, 0))))
    laid, stage = _laid_by_stage(found, np.zeros((1, 1), np.float32) if loss is None else loss, True, whole, 0.0, away)
    over_stages((first, *stages, stage))
    return laid


class _Cores(NamedTuple):
    """What faces tell of where pieces hang on.

    :ivar strength: float64 (1,), how far faces count. :ivar start: uint8 (h, w), 1 on their cores and near them.
    :ivar largest: int64 (1,), the cells of the largest core.
    """

    strength: NDArray[np.float64]
    start: NDArray[np.uint8]
    largest: NDArray[np.int64]


def _cores_by_stage(evidence: Floats, most: Floats, soft: bool) -> tuple[_Cores, Stage]:
    """Return the cores of faces as they will be found, and the stage that finds them, as one row.

    :param most: the most that faces tell in every row.
    """
    found = _Cores(np.empty(1), np.empty(evidence.shape, np.uint8), np.zeros(1, np.int64))
    numbers = _most_pieces(evidence.size, sum(evidence.shape))
    return found, Stage(_cores_strips, (evidence, most, soft, numbers, *found), 1, needs=all_of_it)


@dataclass(frozen=True)
class _Pieces:
    """What cells lose by the pieces that they belong to, beside a face (first) and where none is (second).

    :ivar labels: int32 (2, h, w), numbers of pieces. :ivar share: float32 (2, h, w), how far a cell is cut off.
    :ivar sums: float64 (2, n, 3), of every piece its size, what of it is surely keyed, and the distances of that
        from the frame's rim.
    :ivar counts: int64 (2, 2), how many pieces there are, and the cells of the largest core of a face.
    :ivar loss: float64 (2, n), log-odds that pieces lose by number, from :meth:`weigh` on.
    """

    matte: Floats
    evidence: Floats
    cores: _Cores
    keep: NDArray[np.uint8]
    usual: float
    soft: bool
    labels: NDArray[np.int32]
    share: Floats
    sums: NDArray[np.float64]
    counts: NDArray[np.int64]
    loss: NDArray[np.float64]

    def weigh(self, *_: int) -> None:
        """Find the log-odds that pieces lose, beside a face and where none is."""
        for k, loss in enumerate((self._loss_of(0) if self.soft else self._hard(), self._loss_of(1))):
            self.loss[k, : len(loss)] = loss

    def _hard(self) -> NDArray[np.float64]:
        """Find what pieces beside a face lose that lose wholly or not at all."""
        strength = float(self.cores.strength[0])
        if not strength > 0:
            return np.zeros(1)
        core = np.maximum(2 * self.evidence - 1, 0) > SURE * strength
        self.share[0] = 1
        self.labels[0], loss = _loose(self.matte, core, self.keep.view(np.bool_))
        return loss

    def _loss_of(self, k: int) -> NDArray[np.float64]:
        count, largest = (int(number) for number in self.counts[k])
        if largest == 0:
            return np.zeros(count + 1)
        own = self.sums[k, : count + 1]
        size = np.maximum(own[:, 0], 1.0)
        sure = own[:, 1] / size
        usual = float(largest)
        if k == 1:
            usual = max(self.usual, 1.0)  # as pieces do, it counts as one cell at least
            side = np.sqrt(size)
            away = own[:, 2] / np.maximum(own[:, 1], 1e-9) / side - 0.5
            part = _limited(1 - away / RIM_FADE, 1) * np.minimum(own[:, 1] / (CUT_OFF * side), 1)
            size = size ** (1 - part) * np.maximum(size, SMALLER * usual) ** part
        loss = _loss_of(size, sure, usual)
        loss[0] = 0
        return loss


def _pieces_by_stages(
    matte: Floats, evidence: Floats, cores: _Cores, keep: Flags | None, soft: bool, usual: float
) -> tuple[_Pieces, tuple[Stage, Stage]]:
    """Return loose pieces as they will be found, and the stages that find and weigh them."""
    shape = matte.shape
    most = _most_pieces(matte.size, sum(shape))
    sums, loss = np.empty((2, most, 3)), np.empty((2, most))
    labels, counts = np.empty((2, *shape), np.int32), np.zeros((2, 2), np.int64)
    flags, share = np.zeros(shape, np.uint8) if keep is None else keep.view(np.uint8), np.empty((2, *shape), np.float32)
    found = _Pieces(matte, evidence, cores, flags, usual, soft, labels, share, sums, counts, loss)
    given = matte, *cores, flags, soft, usual > 0, labels, share, sums, counts
    return found, (
        Stage(_pieces_strips, given, 2, 1, all_of_it, 1),
        Stage(found.weigh, (), 1, needs=all_of_it),
    )


def _laid_by_stage(
    found: _Pieces, texture: Floats, is_loss: bool, window: NDArray[np.int64], base: float, away: Floats | None
) -> tuple[Laid, Stage]:
    """Return what is laid over a matte as it will be, and the stage that finds it.

    :param texture: of a window of the grid, or what is lost by it. :param base: texture of the skin.
    """
    rows, columns = found.matte.shape
    odds, lid, floor = np.empty((3, rows, columns), np.float32)
    pieces = found.labels, found.share, *found.loss
    kept = found.keep, max(1, round(0.03 * rows) - 1)
    spread = np.zeros((1, columns), np.float32) if away is None else away
    given = found.evidence, texture, is_loss, window, F(max(base, SMOOTHEST)), found.cores.strength, found.usual > 0
    return Laid(odds, lid, floor), Stage(
        _lay_strips, (*given, *pieces, *kept, spread, odds, lid, floor), rows, needs=all_of_it, least=_FEW_ROWS
    )


def _loose(matte: Floats, core: Flags, keep: Flags) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Return the numbers of pieces, and the log-odds that each loses that holds neither a face nor a mark."""
    labels, area = pieces(matte > 0.5)
    cores = pieces(core)[1][1:]
    if len(area) < 2 or not len(cores):
        return labels, np.zeros(len(area))
    size = np.maximum(area, 1).astype(np.float64)
    sure = np.bincount(labels.ravel(), (matte > 0.8).ravel(), len(area)) / size
    loss = _loss_of(size, sure, float(cores.max()))
    loss[0] = 0
    loss[np.unique(labels[core | keep])] = 0
    return labels, loss


@subroutine
def _near_row(near, flags, radius, out):
    """Flag what is flagged, or was at most some rows before: how many lies in ``near``."""
    for j in range(near.shape[0]):
        away = np.int32(0) if flags[j] else np.int32(near[j] + 1)
        near[j] = away
        out[j] |= np.uint8(away <= radius)


@inline
def _add_row(out, a, b):
    for j in range(out.shape[0]):
        out[j] = a[j] | b[j]


@subroutine
def _grow(flags, radius, wide, spare, near, out):
    """Flag the cells within a square of side 2 · radius + 1 round flagged ones, beside what is flagged.

    :param wide: uint8 (2, w + 2 · radius) to work in, as ``spare`` and ``near``, the planes' size and a row of int32.
    """
    rows, columns = flags.shape
    side, size = 2 * radius + 1, wide.shape[1]
    for i in range(rows):
        if not _any_of(flags[i]):
            fill_row(spare[i], np.uint8(0))
            continue
        fill_row(wide[0], np.uint8(0))
        copy_row(wide[0, radius : radius + columns], flags[i])
        span, at = 1, 0
        while 2 * span <= side:  # twice as many cells each time
            _add_row(wide[1 - at, : size + 1 - 2 * span], wide[at], wide[at, span:])
            span, at = 2 * span, 1 - at
        _add_row(spare[i], wide[at], wide[at, side - span :])
    fill_row(near, np.int32(radius))
    for i in range(rows):
        _near_row(near, spare[i], np.int32(radius), out[i])
    fill_row(near, np.int32(radius))
    for i in range(rows - 1, -1, -1):
        _near_row(near, spare[i], np.int32(radius), out[i])


@subroutine
def _start_row(held, matte, start):
    """Hold what a matte is where ways begin; tell whether anything is."""
    found = np.uint8(0)
    for j in range(held.shape[0]):
        held[j] = matte[j] if start[j] else F(0)
        found |= held[j] > F(0)
    return found != 0


@subroutine
def _come_row(best, beside, held, matte):
    """What is left of cells by ways that end in the row beside theirs, or of what they hold; that row is padded."""
    for j in range(best.shape[0]):
        most = max(max(beside[j], beside[j + 1]), beside[j + 2])
        best[j] = max(held[j], min(most, matte[j]))


@subroutine
def _go_row(held, best, matte, way):
    """Go on along a row, forward or backward; return whether anything is held that was not."""
    count, before, changed = held.shape[0], F(0), False
    for jj in range(count):
        j = jj if way == 1 else count - 1 - jj
        before = max(best[j], min(before, matte[j]))
        changed |= before > held[j]
        held[j] = before
    return changed


@subroutine
def _hold(matte, start, held, ends, moved, beside, best):
    """The most of a matte that is left on any way from the start to a cell: the least value on the best way.

    Sweeps forward and backward over eight neighbours until nothing changes, 16 at most, and over a row only where it or
    the one beside it has changed since. Source: L. Vincent, "Morphological grayscale reconstruction in image analysis",
    IEEE Transactions on Image Processing 2(2), 1993.

    :param ends, moved: int64 (h, 2) and (h,). :param beside, best: float32 (w + 2,) and (w,), all of it to work in.
    """
    rows, columns = matte.shape
    _find_ends(matte, ends)
    for i in range(rows):
        moved[i] = 0 if _start_row(held[i], matte[i], start[i]) else -2
    beside[0], beside[columns + 1] = F(0), F(0)
    for sweep in range(16):
        way = 1 if sweep % 2 == 0 else -1
        changed = False
        for ii in range(rows):
            i = ii if way == 1 else rows - 1 - ii
            near, (first, end) = i - way, ends[i]
            has_near = near >= 0 and near < rows
            if first >= end or not (moved[i] >= sweep - 1 or (has_near and moved[near] >= sweep - 1)):
                continue
            if has_near:
                copy_row(beside[1 : columns + 1], held[near])
            else:
                fill_row(beside, F(0))
            own, known = held[i, first:end], matte[i, first:end]
            _come_row(best[first:end], beside[first : end + 2], own, known)
            if _go_row(own, best[first:end], known, way):
                moved[i] = sweep
                changed = True
        if not changed and sweep > 0:
            break


@inline
def _part_px(value, low, width):
    """How far a value lies from ``low`` on over a width, 0 to 1."""
    return clamp((value - low) / width, F(0), F(1))


@subroutine
def _core_row(flags, evidence, above):
    for j in range(flags.shape[0]):
        flags[j] = max(F(2) * evidence[j] - F(1), F(0)) > above


@subroutine
def _begin_row(start, keep, core, beside):
    """Flag where ways begin: marks, and with ``beside`` faces and what is near them. Tell whether there are marks."""
    found = np.uint8(0)
    for j in range(start.shape[0]):
        found |= keep[j]
        start[j] = keep[j] | core[j] if beside else keep[j]
    return found


@subroutine
def _lost_row(share, flags, matte, held):
    for j in range(share.shape[0]):
        m = matte[j]
        share[j] = clamp((m - held[j]) / max(m, F(1e-3)) / F(HELD), F(0), F(1))
        flags[j] = m > F(0.25) and share[j] > F(0)


@subroutine
def _weigh_pieces_row(sums, labels, matte, away, first, end):
    """Add up of every piece its size, what is surely keyed, and that times how far from the rim it lies."""
    last = labels.shape[0] - 1
    for j in range(first, end):
        n, m = labels[j], matte[j]
        sure = _part_px(m, F(0.7), F(0.2))
        sums[n, 0] += _part_px(m, F(0.25), F(0.5))
        sums[n, 1] += sure
        sums[n, 2] += sure * (min(min(away, j), last - j) + F(0.5))


@strip_kernel
def _cores_strips(evidence, most, soft, numbers, strength, start, largest, y0, y1):
    """Find how far faces count, and where pieces hang together with one, if they may do so softly.

    :param numbers: of areas that may be in use. See :class:`_Cores` for what is found.
    """
    told = 0.0
    for i in range(len(most)):
        told = max(told, float(most[i]))
    strength[0] = min(max(2 * told - 1, 0.0), 1.0)
    if not (soft and strength[0] > 0):
        return
    rows, columns = evidence.shape
    flags, spare = np.empty(evidence.shape, np.uint8), np.empty(evidence.shape, np.uint8)
    labels = np.empty(evidence.shape, np.int32)
    area, parent = np.empty(numbers, np.int64), np.empty(numbers, np.int32)
    ends, near = np.empty((rows, 2), np.int64), np.empty(columns, np.int32)
    for i in range(rows):
        _core_row(flags[i], evidence[i], F(SURE * strength[0]))
        fill_row(start[i], np.uint8(0))
    most_cells = ZERO_INT
    for n in range(1, _label(flags, True, labels, area, parent, ends) + 1):
        most_cells = max(most_cells, area[n])
    largest[0] = most_cells
    radius = max(1, int(NEAR_A_FACE * math.sqrt(float(most_cells)) + 0.5))
    _grow(flags, radius, np.empty((2, columns + 2 * radius), np.uint8), spare, near, start)


@strip_kernel
def _pieces_strips(matte, strength, core, largest, keep, soft, usual, labels, share, sums, counts, y0, y1):
    """Find loose pieces by how weakly they hang together: row 0 with a face or a mark, row 1 with a mark alone.

    Size and certainty are those of the loose piece that a cell belongs to. All of it changes gradually with the matte,
    so that from frame to frame no piece pops in or out.

    :param strength, core, largest: see :class:`_Cores`. :param usual: whether pieces lose where no face is.
    """
    rows, columns = matte.shape
    beside, alone = soft and strength[0] > 0, usual and strength[0] < 1
    if not (beside or alone):
        return
    flags, start = np.empty(matte.shape, np.uint8), np.empty(matte.shape, np.uint8)
    held, ends = np.empty(matte.shape, np.float32), np.empty((rows, 2), np.int64)
    area, parent = np.empty(sums.shape[1], np.int64), np.empty(sums.shape[1], np.int32)
    moved, padded, best = np.empty(rows, np.int64), np.empty(columns + 2, np.float32), np.empty(columns, np.float32)
    for k in range(y0, y1):
        own, shares, weights = labels[k], share[k], sums[k]
        if not (beside if k == 0 else alone):
            continue
        marked = np.uint8(k == 0)
        for i in range(rows):
            marked |= _begin_row(start[i], keep[i], core[i], k == 0)
        if marked:
            _hold(matte, start, held, ends, moved, padded, best)
        else:  # nothing is held: all of it is lost
            for i in range(rows):
                fill_row(held[i], F(0))
        for i in range(rows):
            _lost_row(shares[i], flags[i], matte[i], held[i])
        count = _label(flags, True, own, area, parent, ends)
        for n in range(count + 1):
            weights[n, 0], weights[n, 1], weights[n, 2] = 0.0, 0.0, 0.0
        for i in range(rows):
            _weigh_pieces_row(weights, own[i], matte[i], min(i, rows - 1 - i), ends[i, 0], ends[i, 1])
        counts[k, 0], counts[k, 1] = count, largest[0] if k == 0 else 1


@subroutine
def _textured_row(odds, texture, is_loss, base, weight):
    """Take log-odds by how many doublings the texture lies beyond what skin of this base may have."""
    for j in range(odds.shape[0]):
        loss = texture[j] if is_loss else max((texture[j] - base) - F(TEXTURE_FREE), F(0))
        odds[j] = odds[j] - min(F(TEXTURE_SLOPE) * loss, F(TEXTURE_MOST)) * weight


@subroutine
def _loss_row(out, labels, share, loss):
    for j in range(labels.shape[0]):
        out[j + 1] = F(loss[labels[j]] * share[j])


@subroutine
def _highest_row(odds, above, here, below, weight):
    """Take from log-odds the largest of 3 × 3 cells."""
    for j in range(odds.shape[0]):
        most = max(max(above[j], here[j]), below[j])
        most = max(most, max(max(above[j + 1], here[j + 1]), below[j + 1]))
        most = max(most, max(max(above[j + 2], here[j + 2]), below[j + 2]))
        odds[j] = odds[j] - most * weight


@subroutine
def _shut_row(lid, floor, evidence):
    for j in range(lid.shape[0]):
        twice = F(2) * evidence[j]
        lid[j] = min(twice, F(1))
        floor[j] = max(twice - F(1), F(0))


@strip_kernel
def _lay_strips(
    evidence,
    texture,
    is_loss,
    window,
    base,
    strength,
    usual,
    labels,
    share,
    near,
    alone,
    keep,
    radius,
    away,
    odds,
    lid,
    floor,
    y0,
    y1,
):
    """Find log-odds, lid and floor of every cell: from its texture, from the pieces round it, and from faces.

    :param strength: how far faces count. :param usual: whether pieces lose where no face is. :param near, alone: what
        they lose beside a face and there.
    :param radius: how far round a mark no lid closes. :param away: where no floor is; one row of 0: nowhere.
    """
    rows, columns = odds.shape
    top, left = window[0], window[1]
    beside, gone = F(strength[0]), F(1 - strength[0]) if usual else F(0)
    ring = np.zeros((3, columns + 2), np.float32)
    for y in range(y0, y1):
        fill_row(odds[y], F(0))
        if beside > F(0) and y >= top and y - top < window[2]:
            _textured_row(odds[y, left : left + window[3]], texture[y - top], is_loss, base, beside)
        _shut_row(lid[y], floor[y], evidence[y])
        for i in range(max(y - radius, 0), min(y + radius + 1, rows)):
            if not _any_of(keep[i]):
                continue
            for j in range(columns):
                if keep[i, j] != 0:
                    fill_row(lid[y, max(j - radius, 0) : j + radius + 1], F(1))
        off = away[min(y, away.shape[0] - 1)]
        for j in range(columns):
            floor[y, j] = floor[y, j] * (F(1) - off[j])
    for k in range(2):
        weight = beside if k == 0 else gone
        if not weight > F(0):
            continue
        loss = near if k == 0 else alone
        for y in range(y0 - 1, y1 + 1):
            if y < 0 or y >= rows:
                fill_row(ring[(y + 3) % 3], F(0))
            else:
                _loss_row(ring[(y + 3) % 3], labels[k, y], share[k, y], loss)
            if y > y0:
                _highest_row(odds[y - 1], ring[(y + 1) % 3], ring[(y + 2) % 3], ring[(y + 3) % 3], weight)


def _loss_of(size: NDArray[np.float64], sure: NDArray[np.float64], largest: float) -> NDArray[np.float64]:
    """Return the log-odds that loose pieces lose: by their size beside the largest core, and their sure share."""
    score = CERTAIN[0] * np.log2(size / largest) + CERTAIN[1] * (sure - 0.5) + CERTAIN[2]
    return np.asarray(SIZE_SLOPE * _limited(np.log2(SMALLER * largest / size), 3) + _limited(-score, 3))


def _limited(values: NDArray[np.float64], most: float) -> NDArray[np.float64]:
    """Limit numbers to 0 … most; NumPy's own clip takes several times as long for few of them."""
    limited: NDArray[np.float64] = np.minimum(np.maximum(values, 0), most)
    return limited


# --- by likeness ----------------------------------------------------------------------------------------------

WINDOW, NEAR_WINDOW = 8.0, 4.0
"""How far round a cell the two sides are looked at, and the keyed one for what is like it: σ of Gaussians, in cells."""
_LEAST_RATIO, _LEAST_STOPS, _ALIKE_RATIO, _ALIKE_STOPS = F(0.06**2), F(0.7**2), F(0.06), F(0.6)
"""Least variance of a side, and what is like its mean: in chroma/luma and in stops."""
_MOST_ODDS, _FILLED, _BOTH = F(2), F(0.9), F(0.05)
"""The most log-odds that likeness gives or takes, the most that it opens, and from which share a side counts wholly."""


@subroutine
def _ratios_row(u, v, luma, cb, cr):
    for x in range(u.shape[0]):
        inverse = F(1) / (max(luma[x], F(0)) + F(0.02))
        u[x] = cb[x] * inverse
        v[x] = cr[x] * inverse


@subroutine
def _laid_row(out, odds, lid, floor):
    """Lay log-odds, lid and floor over a row of a matte."""
    for x in range(out.shape[0]):
        m, k = out[x], exp_px(odds[x])
        out[x] = max(m * k / (m * k + F(1) - m) * lid[x], floor[x])


@strip_kernel
def _sides_strips(luma, cb, cr, stops, matte, laid, window, u, v, joined, out, y0, y1):
    """Sums over 2 × 2 cells of what is keyed and of what is not: share, and first and second moments of the colour.

    Leaves chroma/luma, and the matte with what is ``laid`` over it, if anything is: log-odds, lid and floor.

    :param window: where the cells lie in the matte and what is laid over it.
    """
    top, left, rows, columns = window
    for y in range(2 * y0, min(2 * y1, rows)):
        own = joined[y, :columns]
        _ratios_row(u[y, :columns], v[y], luma[y], cb[y], cr[y])
        copy_row(own, matte[top + y, left : left + columns])
        if laid is not None:
            odds, lid, floor = laid
            end, row = left + columns, top + y
            _laid_row(own, odds[row, left:end], lid[row, left:end], floor[row, left:end])
    for i in range(y0, min(y1, (rows + 1) // 2)):
        for j in range((columns + 1) // 2):
            for n in range(14):
                out[n, i, j] = F(0)
            for k in range(2):
                y = min(2 * i + k, rows - 1)
                for l in range(2):
                    x = min(2 * j + l, columns - 1)
                    m = joined[y, x]
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


@subroutine
def _weight_row(out, matte, odds):
    """A quarter of the squared matte with log-odds."""
    for x in range(out.shape[0]):
        told = matte[x] * exp_px(odds[x])
        m = told / (told + F(1) - matte[x])
        out[x] = F(0.25) * m * m


@strip_kernel
def _keyed_strips(u, v, stops, matte, odds, window, out, y0, y1):
    """Means over 2 × 2 cells of the squared matte with log-odds, and of the colour weighed by it."""
    rows, columns = window[2], window[3]
    weights = np.empty((2, columns), np.float32)
    for i in range(y0, min(y1, (rows + 1) // 2)):
        for k in range(2):
            y = min(2 * i + k, rows - 1)
            _weight_row(weights[k], matte[y], odds[y])
        for j in range((columns + 1) // 2):
            for n in range(4):
                out[n, i, j] = F(0)
            for k in range(2):
                y = min(2 * i + k, rows - 1)
                for l in range(2):
                    x = min(2 * j + l, columns - 1)
                    w = weights[k, x]
                    out[0, i, j] += w
                    out[1, i, j] += w * u[y, x]
                    out[2, i, j] += w * v[y, x]
                    out[3, i, j] += w * stops[y, x]


@strip_kernel
def _window_strips(planes, taps, down, window, out, y0, y1):
    """Filter planes of cells of twice the side along one axis, as if the edges of the window went on."""
    rows, columns = (window[2] + 1) // 2, (window[3] + 1) // 2
    radius = taps.shape[0] // 2
    padded = np.empty(columns + 2 * radius, np.float32)
    for y in range(y0, min(y1, rows)):
        for n in range(out.shape[0]):
            own = out[n, y, :columns]
            fill_row(own, F(0))
            if down:
                for d in range(taps.shape[0]):
                    add_scaled_row(own, planes[n, min(max(y + d - radius, 0), rows - 1)], taps[d])
            else:
                pad_row(padded, planes[n, y, :columns], radius)
                for d in range(taps.shape[0]):
                    add_scaled_row(own, padded[d : d + columns], taps[d])


@inline
def _mixed(plane, i, j, low, right, ty, tx):
    top = plane[i, j] + tx * (plane[i, right] - plane[i, j])
    bottom = plane[low, j] + tx * (plane[low, right] - plane[low, j])
    return top + ty * (bottom - top)


@subroutine
def _twice_row(out, above, below, ty):
    """Write between two rows of cells at twice as many columns; both are padded by one. Bits of :func:`_mixed`."""
    for j in range(out.shape[0] // 2):
        top = above[j] + F(0.75) * (above[j + 1] - above[j])
        low = below[j] + F(0.75) * (below[j + 1] - below[j])
        out[2 * j] = top + ty * (low - top)
        top = above[j + 1] + F(0.25) * (above[j + 2] - above[j + 1])
        low = below[j + 1] + F(0.25) * (below[j + 2] - below[j + 1])
        out[2 * j + 1] = top + ty * (low - top)


@subroutine
def _apart_row(apart, ratio, found, own, n, least):
    """Add how much nearer one component of colours lies to what is keyed, and multiply the ratio of the variances."""
    share, other_share, mean_sum, other_sum = found[0], found[7], found[1 + n], found[8 + n]
    square, other_square = found[4 + n], found[11 + n]
    for x in range(apart.shape[0]):
        colour = own[x]
        mean, other = mean_sum[x] / share[x], other_sum[x] / other_share[x]
        spread = max(square[x] / share[x] - mean * mean, F(0)) + least
        wide = max(other_square[x] / other_share[x] - other * other, F(0)) + least
        apart[x] += (colour - other) * (colour - other) / wide - (colour - mean) * (colour - mean) / spread
        ratio[x] *= wide / spread


@subroutine
def _says_row(out, apart, ratio, one, other):
    for x in range(out.shape[0]):
        share = min(one[x], other[x])
        out[x] = F(0)
        if share > F(1e-5):
            says = F(0.5) * (apart[x] + F(math.log(ratio[x])))
            says = min(max(says, -_MOST_ODDS), _MOST_ODDS)
            out[x] = says * min(share / _BOTH, F(1))


@strip_kernel
def _odds_strips(u, v, stops, sides, window, out, y0, y1):
    """Log-odds by which a cell's colour is more like what is keyed round it than like what is not."""
    rows, columns = window[2], window[3]
    half = (columns + 1) // 2
    last_row = (rows - 1) // 2
    found, padded = np.empty((14, 2 * half), np.float32), np.empty((2, half + 2), np.float32)
    apart, ratio = np.empty(columns, np.float32), np.empty(columns, np.float32)
    for y in range(y0, min(y1, rows)):
        at_y = min(max(F(0.5) * F(y) - F(0.25), F(0)), F(last_row))
        i = int(at_y)
        low, ty = min(i + 1, last_row), at_y - F(i)
        for n in range(14):
            pad_row(padded[0], sides[n, i, :half], ONE_INT)
            pad_row(padded[1], sides[n, low, :half], ONE_INT)
            _twice_row(found[n], padded[0], padded[1], ty)
        fill_row(apart, F(0))
        fill_row(ratio, F(1))
        _apart_row(apart, ratio, found, u[y], 0, _LEAST_RATIO)
        _apart_row(apart, ratio, found, v[y], 1, _LEAST_RATIO)
        _apart_row(apart, ratio, found, stops[y], 2, _LEAST_STOPS)
        _says_row(out[y, :columns], apart, ratio, found[0], found[7])


@subroutine
def _told_row(odds, lid, floor, near, away, says, fill, amount):
    """Add what likeness says to what is laid over a matte, where no lid closes it; nothing goes against marks."""
    for x in range(odds.shape[0]):
        told = odds[x] + amount * says[x]
        odds[x] = told * (F(1) - (near[x] if told < F(0) else away[x]))
        floor[x] = max(floor[x], fill[x] * (amount * lid[x]) * (F(1) - away[x]))


@strip_kernel
def _alike_strips(u, v, stops, keyed, fill, told, window, y0, y1):
    """How far a cell near what is keyed is of the same colour, 0 to 0.9; it is added to what is laid, if that is told.

    :param told: log-odds, lid, floor, marks of skin and of what is none, what likeness says, how far it counts, and how
        far faces do.
    """
    top, left, rows, columns = window
    last_row, last_column = (rows - 1) // 2, (columns - 1) // 2
    for y in range(y0, min(y1, rows)):
        at_y = min(max(F(0.5) * F(y) - F(0.25), F(0)), F(last_row))
        i = int(at_y)
        low, ty = min(i + 1, last_row), at_y - F(i)
        for x in range(columns):
            at_x = min(max(F(0.5) * F(x) - F(0.25), F(0)), F(last_column))
            j = int(at_x)
            right, tx = min(j + 1, last_column), at_x - F(j)
            share = _mixed(keyed[0], i, j, low, right, ty, tx)
            fill[y, x] = F(0)
            if share > F(1e-4):
                a = (u[y, x] - _mixed(keyed[1], i, j, low, right, ty, tx) / share) / _ALIKE_RATIO
                b = (v[y, x] - _mixed(keyed[2], i, j, low, right, ty, tx) / share) / _ALIKE_RATIO
                c = (stops[y, x] - _mixed(keyed[3], i, j, low, right, ty, tx) / share) / _ALIKE_STOPS
                near = F(math.exp(F(-0.5) * (a * a + b * b + c * c)))
                fill[y, x] = _FILLED * min(F(2) * share, F(1)) * near
        if told is not None:
            odds, lid, floor, near, away, says, likeness, strength = told
            end, row, amount = left + columns, top + y, F(likeness * strength[0])
            on, off = near[min(row, near.shape[0] - 1), left:end], away[min(row, away.shape[0] - 1), left:end]
            _told_row(odds[row, left:end], lid[row, left:end], floor[row, left:end], on, off, says[y], fill[y], amount)


@lru_cache(maxsize=8)
def _taps_of(sigma: float) -> Floats:
    radius = int(np.ceil(3 * sigma))
    taps = np.exp(-0.5 * (np.arange(-radius, radius + 1) / sigma) ** 2)
    return np.asarray((taps / taps.sum()).astype(np.float32))


def _window_by_stages(planes: Floats, sigma: float, window: NDArray[np.int64]) -> tuple[Floats, tuple[Stage, Stage]]:
    """Return the Gaussian of planes of cells of twice the side as it will be, and the stages that find it.

    :param planes: float32 (n, h, w), as if the edges of the window in their corner went on.
    """
    taps, rows = _taps_of(sigma), planes.shape[1]
    across, out = np.empty((2, *planes.shape), np.float32)
    radius, least = len(taps) // 2, _FEW_ROWS // 2
    return out, (
        Stage(_window_strips, (planes, taps, False, window, across), rows, least=least),
        Stage(_window_strips, (across, taps, True, window, out), rows, needs=lambda y1: y1 + radius, least=least),
    )


_FEW_ROWS = 4
"""Rows that are worth a strip where much is done with every cell."""


def _half_way(y1: Any) -> Any:
    """Return how many rows of cells of twice the side lie under, or beside, so many."""
    return y1 // 2 + 2


class _Likeness:
    """What the colours on either side of a matte's edge say: see :func:`by_likeness`.

    :ivar cells: whose corner holds a window of the grid. :ivar window: int64 (4,), :attr:`.face.Window.numbers`.
    :ivar stops: float32 (h, w), from :meth:`find_stops` on. :ivar odds, fill: float32 (h, w), from all stages on.
    """

    def __init__(self, cells: Cells, window: NDArray[np.int64]) -> None:
        self.cells, self.window, size = cells, window, cells.luma.shape
        self.half = (size[0] + 1) // 2, (size[1] + 1) // 2
        self.u, self.v, self.joined, self.odds, self.fill, self.stops = np.empty((6, *size), np.float32)

    def find_stops(self, *_: int) -> None:
        """Find the luma of cells in stops."""
        own = tuple(slice(size) for size in self.window[2:].tolist())  # in the corner
        np.add(np.log2(np.maximum(self.cells.luma[own], 0) + np.float32(0.05)), np.float32(2), out=self.stops[own])

    def compare_by_stages(self, matte: Floats, laid: tuple[Floats, Floats, Floats] | None) -> tuple[Stage, ...]:
        """Return the stages that find the odds: how much more a cell is like what is keyed round it than like the rest.

        The first needs all of what is laid, and the stops.
        """
        cells, window, sides = self.cells, self.window, np.empty((14, *self.half), np.float32)
        given = cells.luma, cells.cb, cells.cr, self.stops, matte, laid, window, self.u, self.v, self.joined, sides
        means, stages = _window_by_stages(sides, WINDOW / 2, window)
        last = self.u, self.v, self.stops, means, window, self.odds
        return (
            Stage(_sides_strips, given, self.half[0], needs=all_of_it, least=_FEW_ROWS // 2),
            *stages,
            Stage(_odds_strips, last, len(self.u), needs=_half_way, least=_FEW_ROWS),
        )

    def fill_by_stages(self, told: tuple[Any, ...] | None) -> tuple[Stage, ...]:
        """Return the stages that find what lies near keyed cells and is of their colour, behind those of the odds."""
        window, keyed = self.window, np.empty((4, *self.half), np.float32)
        given = self.u, self.v, self.stops, self.joined, self.odds, window, keyed
        means, stages = _window_by_stages(keyed, NEAR_WINDOW / 2, window)
        last = self.u, self.v, self.stops, means, self.fill, told, window
        return (
            Stage(_keyed_strips, given, self.half[0], needs=lambda y1: 2 * y1, least=_FEW_ROWS // 2),
            *stages,
            Stage(_alike_strips, last, len(self.u), needs=_half_way, least=_FEW_ROWS),
        )


def by_likeness(cells: Cells, matte: Floats) -> tuple[Floats, Floats]:
    """Return what the colours on either side of a matte's edge say of the cells near it.

    Every cell is compared with what is keyed round it and with what is not, each as a Gaussian of chroma/luma and
    stops: that gives log-odds, float32 (h, w). What lies near keyed cells and is of their colour is open at least as
    far as the second plane says, float32 (h, w), 0 to 0.9.

    :param cells: the grid or a window of it. :param matte: float32 (h, w), the same cells.
    """
    likeness = _Likeness(cells, np.array((0, 0, *matte.shape)))
    likeness.find_stops()
    over_stages((*likeness.compare_by_stages(matte, None), *likeness.fill_by_stages(None)))
    return likeness.odds, likeness.fill


# --- at full size -------------------------------------------------------------------------------------------


@subroutine
def _take_limited_row(out, row, at):
    for x in range(out.shape[0]):
        out[x] = clamp(row[at[x]], F(0), F(1))


@subroutine
def _end_row(out, above, ends, most):
    """Turn sums of a row's cells into means; leave the first and last cell above a value, and the largest."""
    scale_row(out, out, F(1 / 16))
    first, last, largest = out.shape[0], -1, F(0)
    for j in range(out.shape[0]):
        here = out[j]
        largest = max(largest, here)
        if here > above:
            first, last = min(first, j), j
    ends[0], ends[1], most[0] = first, last, largest


@strip_kernel
def _means_strips(plane, above, out, ends, most, y0, y1):
    """Mean of 4 × 4 pixels of every cell, limited to 0 … 1; NaN counts as 0.

    Leaves of every row its first and last cell above a value, and its largest.
    """
    height, width = plane.shape
    rows, columns = out.shape
    at, pixels = np.empty(4 * columns, np.int64), np.empty(4 * columns, np.float32)
    for j in range(columns):
        for l in range(4):
            at[l * columns + j] = ((8 * j + 2 * l + 1) * width) // (8 * columns)
    for i in range(y0, y1):
        fill_row(out[i], F(0))
        for k in range(4):
            _take_limited_row(pixels, plane[((8 * i + 2 * k + 1) * height) // (8 * rows)], at)
            add_fours(out[i], pixels)
        _end_row(out[i], above, ends[i], most[i : i + 1])


@dataclass(frozen=True)
class _OnGrid:
    """A plane on the grid.

    :ivar ends: int64 (h, 2), of every row its first and last cell above a value. :ivar most: its largest one.
    """

    plane: Floats
    ends: NDArray[np.int64]
    most: Floats

    @classmethod
    def of_size(cls, shape: tuple[int, int]) -> _OnGrid:
        """Return one of whatever values."""
        return cls(np.empty(shape, np.float32), np.empty((shape[0], 2), np.int64), np.empty(shape[0], np.float32))


def _on_grid_by_stage(
    plane: Floats, shape: tuple[int, int], above: float = 0.0, before: Sequence[Stage] = ()
) -> tuple[_OnGrid, tuple[Stage, ...]]:
    """Return a plane on the grid as it will be, see :func:`on_grid`, and the stages that find it.

    :param before: the stages that write the plane, its rows in the last one.
    """
    found = _OnGrid.of_size(shape)
    given = plane, F(above), found.plane, found.ends, found.most
    height, rows = plane.shape[0], shape[0]

    def needs(y1: Any) -> Any:
        return ((8 * y1 - 1) * height) // (8 * rows) + 1

    return found, (*before, Stage(_means_strips, given, rows, needs=needs))


def on_grid(plane: Floats, shape: tuple[int, int]) -> Floats:
    """Return a plane, float32 (H, W), on the grid: means of 4 × 4 of every cell's pixels, limited to 0 … 1.

    >>> on_grid(np.ones((90, 160), np.float32), (144, 256)).shape
    (144, 256)
    """
    found, stages = _on_grid_by_stage(plane, shape)
    over_stages(stages)
    return found.plane


@inline
def grid_place(pixel, pixels, cells):
    """The cell before a pixel and the part of the way to the next."""
    at = (F(pixel) + F(0.5)) * F(cells) / F(pixels) - F(0.5)
    at = clamp(at, F(0), F(cells - 1))
    cell = min(int(at), max(cells - 2, 0))
    return cell, at - F(cell)


class _Places(NamedTuple):
    """Where the pixels of a row lie on the grid.

    :ivar cells, parts: int64 and float32 (W,), :func:`grid_place` of each. :ivar starts: int64 (w + 1,), the first
        pixel of every cell.
    """

    cells: NDArray[np.int64]
    parts: Floats
    starts: NDArray[np.int64]


@lru_cache(maxsize=16)
def _places_of(width: int, columns: int) -> _Places:
    """Return where the pixels of a row of this width lie among so many cells."""
    at = (np.arange(width, dtype=np.float32) + F(0.5)) * F(columns) / F(width) - F(0.5)
    at = np.clip(at, F(0), F(columns - 1))
    cells = np.minimum(at.astype(np.int64), max(columns - 2, 0))
    return _Places(cells, at - cells.astype(np.float32), np.searchsorted(cells, np.arange(columns + 1)))


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


@strip_kernel
def _over_strips(matte, odds, lid, floor, places, out, y0, y1):
    """Lay log-odds, lid and floor over rows of a matte; where nothing is laid the matte stays, limited to 0 … 1."""
    height, width = matte.shape
    rows, columns = odds.shape
    cells, parts, starts = places
    mixed = np.empty((3, columns), np.float32)
    steps = np.empty((3, columns), np.float32)
    wide = np.empty((2, width), np.float32)
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
            if what & 4 == 0:  # what is not keyed at all stays so
                while x0 < x1 and not _any_of(out[y, x0 : min(x0 + _AT_ONCE, x1)]):
                    x0 += _AT_ONCE
                while x0 < x1 and not _any_of(out[y, max(x1 - _AT_ONCE, x0) : x1]):
                    x1 -= _AT_ONCE
                if x0 >= x1:
                    continue
            to, first, second = out[y, x0:x1], wide[0, x0:x1], wide[1, x0:x1]
            fill_row(first, F(1))
            fill_row(second, F(0))
            if what & 3 and _any_of(to):
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
    over_stages((_over_by_stage(matte, laid, out),))
    return out


def _over_by_stage(matte: Floats, laid: Laid, out: Floats) -> Stage:
    places = tuple(_places_of(matte.shape[1], laid.odds.shape[1]))
    given = matte, laid.odds, laid.lid, laid.floor, places, out
    return Stage(_over_strips, given, matte.shape[0], needs=all_of_it)


@inline
def told_px(first, second):
    """Evidence of two faces: what either keys is keyed, else the lower lid holds."""
    most = first if first > second else second
    least = second if first > second else first
    return most if most > F(0.5) else least


@subroutine
def _across_row(ends, cells, across, above, below):
    """Interpolate two rows of cells at the places of pixels: the first, and the way from it to the second.

    They serve all rows of pixels between the two, which vector code then finds from both.
    """
    last = above.shape[0] - 1
    for x in range(cells.shape[0]):
        cell, part = cells[x], across[x]
        far = min(cell + 1, last)
        first = above[cell] + part * (above[far] - above[cell])
        ends[0, x], ends[1, x] = first, below[cell] + part * (below[far] - below[cell]) - first


@inline
def _between_row(out, first, way, down):
    for x in range(out.shape[0]):
        out[x] = clamp(first[x] + down * way[x], F(0), F(1))


@inline
def _tell_row(out, first, way, down):
    """Join a row of evidence with what a further face tells."""
    for x in range(out.shape[0]):
        out[x] = told_px(out[x], clamp(first[x] + down * way[x], F(0), F(1)))


@strip_kernel
def _evidence_strips(grid, top, left, shape, places, before, given, out, y0, y1):
    """Interpolate a window of the grid to full size and join it with what was told before."""
    height, width = out.shape
    rows, columns = grid.shape
    ends, cells = np.empty((2, width), np.float32), np.empty(width, np.int64)
    parts = places[1]
    first, last = 0, width
    for x in range(width):
        cells[x] = places[0][x] - left
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
            if x0 < x1:
                _across_row(ends[:, x0:x1], cells[x0:x1], parts[x0:x1], grid[row], grid[other])
        if x0 >= x1:  # the face says nothing here
            if not given:
                fill_row(out[y], F(0.5))
            continue
        here, first_row, way = out[y, x0:x1], ends[0, x0:x1], ends[1, x0:x1]
        if given:
            _tell_row(here, first_row, way, part)
        else:
            fill_row(out[y, :x0], F(0.5))
            _between_row(here, first_row, way, part)
            fill_row(out[y, x1:], F(0.5))


@strip_kernel
def _told_strips(grid, top, left, size, places, before, way, pixels, above, out, ends, most, y0, y1):
    """What :func:`_evidence_strips` writes, at the 4 × 4 pixels of every cell alone, and in the end their means.

    :param way: whether earlier faces left what they told in ``pixels``, whether none comes after, and whether something
        was told ``before`` all of them. :param ends, most: as :func:`_means_strips` leaves them.
    """
    (height, width), (earlier, last, given) = size, way
    rows, columns = out.shape
    at, cells = np.empty(4 * columns, np.int64), np.empty(4 * columns, np.int64)
    parts, spare = np.empty(4 * columns, np.float32), np.empty(4 * columns, np.float32)
    line, inside = np.empty((2, 4 * columns), np.float32), np.empty((4, 2), np.int64)
    for l in range(4):
        inside[l, 0], inside[l, 1] = l * columns, l * columns
        for j in range(columns):
            k = l * columns + j
            at[k] = ((8 * j + 2 * l + 1) * width) // (8 * columns)
            cells[k], parts[k] = places[0][at[k]] - left, places[1][at[k]]
            inside[l, 0] += cells[k] < 0
            inside[l, 1] += cells[k] < grid.shape[1]
    known = -1
    for i in range(y0, y1):
        if last:
            fill_row(out[i], F(0))
        for k in range(4):
            own = pixels[4 * i + k] if pixels.shape[0] > 1 else spare
            y = ((8 * i + 2 * k + 1) * height) // (8 * rows)
            if given and not earlier:
                _take_limited_row(own, before[y], at)
            elif not earlier:
                fill_row(own, F(0.5))
            row, part = grid_place(y, height, rows)
            row -= top
            if row >= 0 and row < grid.shape[0]:
                for l in range(4):
                    x0, x1 = inside[l]
                    if row != known:
                        other = min(row + 1, grid.shape[0] - 1)
                        _across_row(line[:, x0:x1], cells[x0:x1], parts[x0:x1], grid[row], grid[other])
                    _tell_row(own[x0:x1], line[0, x0:x1], line[1, x0:x1], part)
                known = row
            if last:
                add_fours(out[i], own)
        if last:
            _end_row(out[i], above, ends[i], most[i : i + 1])


@on_devices
def face_evidence(
    image: Floats,
    points: Landmarks,
    presence: float = 1.0,
    keyed: float = 1.0,
    before: Floats | Unwritten | None = None,
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
    evidence: Floats = unwritten_evidence(image, points, presence, keyed, before, out, turns).whole()
    return evidence


def unwritten_evidence(
    image: Floats,
    points: Landmarks,
    presence: float = 1.0,
    keyed: float = 1.0,
    before: Floats | Unwritten | None = None,
    out: Floats | None = None,
    turns: bool = True,
) -> Unwritten:
    """Return the evidence of :func:`face_evidence` before it is written; that ``before`` may be unwritten as well.

    >>> landmarks = [(0.45, 0.4), (0.55, 0.4), (0.5, 0.52), (0.46, 0.6), (0.54, 0.6)]
    >>> first = unwritten_evidence(np.full((90, 160, 3), 0.5, np.float32), landmarks)
    >>> both = unwritten_evidence(np.full((90, 160, 3), 0.5, np.float32), landmarks, before=first)
    >>> both.shape, len(both.stages) > len(first.stages), bool(both.whole()[45, 80] > 0.5)
    ((90, 160), True, True)
    """
    image = as_picture(image)
    size: tuple[int, int] = image.shape[:2]
    given: tuple[Floats, Sequence[Stage]] | None = None
    faces: tuple[_Found, ...] = ()
    if isinstance(before, _UnwrittenEvidence):
        check_size("evidence of faces", before.shape, "its picture", size)
        given, faces = before.given, before.faces
    elif before is not None:
        earlier, stages = written_by(before)
        given = as_plane(earlier, "evidence of faces", size), stages
    out = checked(out, size, image, *(() if given is None else given[:1]))
    found = _evidence_by_stages(image, points, presence, keyed, turns)
    return _UnwrittenEvidence(size, given, (*faces, found), out)


class _UnwrittenEvidence(Unwritten):
    """The evidence of faces, yet to be written: what is only looked at on the grid is found there alone.

    :ivar given: what was told before them, and the stages that write it. :ivar faces: what each of them tells.
    """

    def __init__(
        self,
        size: tuple[int, int],
        given: tuple[Floats, Sequence[Stage]] | None,
        faces: tuple[_Found, ...],
        out: Floats | None,
    ) -> None:
        super().__init__(out, ())
        self._size, self.given, self.faces = size, given, faces

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width."""
        return self._size

    @property
    def nbytes(self) -> int:
        """Bytes of the plane."""
        return 4 * self._size[0] * self._size[1]

    @property
    def plane(self) -> Floats:
        """Where it will lie, from the first look on."""
        self._plane = output(self._plane, self._size)
        plane: Floats = self._plane
        return plane

    @property
    def stages(self) -> tuple[Stage, ...]:
        """What writes it; every face joins what those before it have written there."""
        out, shape = self.plane, grid_shape(*self._size)
        places = tuple(_places_of(self._size[1], shape[1]))
        told, stages = (np.empty((1, 1), np.float32), ()) if self.given is None else self.given
        for at, (plane, corner, finding) in enumerate(self.faces):
            given = plane, *corner, shape, places, told, at > 0 or self.given is not None, out
            whole = len(finding) + 1 if stages else 0
            last = Stage(_evidence_strips, given, self._size[0], needs=all_of_it, whole=whole)
            told, stages = out, (*stages, *_by_themselves(finding), last)
        return tuple(stages)

    def on_grid_by_stages(self, above: float) -> tuple[_OnGrid, tuple[Stage, ...]]:
        """Return the means of 4 × 4 of every cell's pixels as they will be, and the stages that find them."""
        height, width = self._size
        shape = rows, columns = grid_shape(height, width)
        found, places = _OnGrid.of_size(shape), tuple(_places_of(width, columns))
        told, stages = (np.empty((1, 1), np.float32), ()) if self.given is None else self.given
        pixels = np.empty((4 * rows, 4 * columns) if len(self.faces) > 1 else (1, 1), np.float32)
        for at, (plane, corner, finding) in enumerate(self.faces):
            way = at > 0, at + 1 == len(self.faces), self.given is not None
            given = plane, *corner, self._size, places, told, way, pixels, F(above)
            made = found.plane, found.ends, found.most
            last = Stage(_told_strips, (*given, *made), rows, needs=all_of_it, whole=len(finding) + 1 if stages else 0)
            stages = (*stages, *_by_themselves(finding), last)
        return found, tuple(stages)


def _by_themselves(stages: Sequence[Stage]) -> Sequence[Stage]:
    """Return stages of which the first waits for none before it."""
    return [stage._replace(needs=none_of_it) if at == 0 else stage for at, stage in enumerate(stages)]


def evidence_on_grid(
    image: Floats, points: Landmarks, presence: float, keyed: float, turns: bool = True
) -> tuple[Floats, int, int]:
    """Return what a face says on a window of the grid, and the window's first row and column."""
    plane, (top, left), stages = _evidence_by_stages(image, points, presence, keyed, turns)
    if stages:
        over_stages(stages)
    return plane, top, left


_Found = tuple[Floats, tuple[int, int], tuple[Stage, ...]]
"""A plane as it will be, where it begins on the grid, and the stages that find it."""


def _evidence_by_stages(image: Floats, points: Landmarks, presence: float, keyed: float, turns: bool = True) -> _Found:
    """Return the same as it will be found by stages, where the face turns; otherwise as it is."""
    shape = grid_shape(*image.shape[:2])
    placed = fit(points, shape, turns)
    window = None if placed is None or presence <= 0 else window_of(placed, shape)
    if placed is None or window is None:
        return np.full((1, 1), 0.5, np.float32), (0, 0), ()
    if not turns:
        found = cut_placed(cells_of(image, window), placed, window, turns)
        return evidence(found, keyed, presence), (window.top, window.left), ()
    start, full = _LARGE
    coarsely = min(max((math.hypot(placed.a, placed.b) - start) / (full - start), 0.0), 1.0)
    if coarsely == 0:
        return _cut_by_stages(image, placed, window, 1, presence, keyed)
    large = _evidence_of_large(image, points, presence, keyed)
    if coarsely == 1 or not large[2]:
        return large
    plane, (top, left), stages = _cut_by_stages(image, placed, window, 1, presence, keyed)
    other, (low, right), others = large
    mixed = Stage(_mix_strips, (plane, other, (top - low, left - right), F(coarsely)), len(plane), needs=all_of_it)
    return plane, (top, left), (*stages, *_by_themselves(others), mixed._replace(whole=len(others) + 1))


def _cut_by_stages(image: Floats, placed: Placed, window: Window, step: int, presence: float, keyed: float) -> _Found:
    cells, stages = cells_by_stages(image, window, step)
    found, (first, *rest) = cut_by_stages(cells, placed, window)
    out = np.empty(found.likely.shape, np.float32)
    last = Stage(_cut_evidence_strips, _evidence_given(found, keyed, presence, out), len(out), len(out), all_of_it)
    return out, (window.top, window.left), (first, *stages, *rest, last)


_LARGE = (27.0, 28.5)
"""Distances of the pupils, in cells, between which what is cut out of the grid passes into what is cut out of cells of
twice the side, in a third of the time: the outline is then 28 such cells wide. On 93 real pictures the mean F1 hardly
changes from 20 on (-.0005), but narrow things beside a face are closed less (.34 for .22 of one, at 26). Both differ by
1 to 2 % of the face's area, so that a change at one size would be a jump where somebody comes closer."""


def _evidence_of_large(image: Floats, points: Landmarks, presence: float, keyed: float) -> _Found:
    """Return the same of a large face, found on cells of twice the side."""
    rows, columns = grid_shape(*image.shape[:2])
    placed = fit(points, (rows / 2, columns / 2))
    window = None if placed is None else window_of(placed, (-(-rows // 2), -(-columns // 2)))
    if placed is None or window is None:
        return np.full((1, 1), 0.5, np.float32), (0, 0), ()
    plane, (top, left), stages = _cut_by_stages(image, placed, window, 2, presence, keyed)
    top, left = 2 * top, 2 * left
    out = np.empty((min(2 * window.rows, rows - top), min(2 * window.columns, columns - left)), np.float32)
    return out, (top, left), (*stages, Stage(_double_strips, (plane, out), len(out), needs=all_of_it))


@subroutine
def _mix_row(plane, other, part):
    for x in range(plane.shape[0]):
        plane[x] = plane[x] + part * (other[x] - plane[x])


@strip_kernel
def _mix_strips(plane, other, corner, part, y0, y1):
    """Pass a plane into another that begins so many rows and columns before it; outside, that says nothing (½)."""
    rows, columns = other.shape
    wide = np.empty(plane.shape[1], np.float32)
    for y in range(y0, y1):
        fill_row(wide, F(0.5))
        i = y + corner[0]
        first, last = max(-corner[1], 0), min(columns - corner[1], plane.shape[1])
        if i >= 0 and i < rows and last > first:
            copy_row(wide[first:last], other[i, first + corner[1] : last + corner[1]])
        _mix_row(plane[y], wide, part)


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
def _double_strips(plane, out, y0, y1):
    """Interpolate a plane to cells of half the side."""
    for y in range(y0, y1):
        i = y // 2
        other = max(i - 1, 0) if y % 2 == 0 else min(i + 1, plane.shape[0] - 1)
        _double_row(out[y], plane[i], plane[other])


class Joining(NamedTuple):
    """How faces are joined with a matte.

    :ivar texture: the skin's own. :ivar keep, away: places, normalised, at which a person marked skin, and what is
        none. :ivar likeness: 0 to 1, how far :func:`by_likeness` counts near the matte's edge.
    :ivar soft: see :func:`lay`. :ivar usual: area of a face's core in parts of the frame, 0 to 1, by which what is
        loose loses where no face is known as well. :ivar trust: 0 to 1, how far what faces tell counts.
    """

    texture: float
    keep: Sequence[tuple[float, float]] = ()
    away: Sequence[tuple[float, float]] = ()
    likeness: float = 0.0
    soft: bool = True
    usual: float = 0.0
    trust: float = 1.0


@on_devices
def join_faces(
    matte: Floats | Unwritten,
    evidence: Floats | Unwritten,
    image: Floats,
    joining: Joining,
    out: Floats | None = None,
) -> Floats:
    """Join a matte with what faces tell.

    :param matte: float32 (H, W). :param evidence: float32 (H, W), :func:`face_evidence` of all faces. What is yet to
        be written of both is written beside each other.
    :param image: float32 (H, W, 3 or 4), the picture of both.
    :returns: matte, float32 (H, W), 0 to 1; without ``usual`` the matte as it is, limited to that, where no face is.
    :raises PictureError: wrong arrays.

    >>> picture = np.full((90, 160, 3), 0.5, np.float32)
    >>> landmarks = [(0.45, 0.4), (0.55, 0.4), (0.5, 0.52), (0.46, 0.6), (0.54, 0.6)]
    >>> half = np.full((90, 160), 0.5, np.float32)
    >>> joined = join_faces(half, face_evidence(picture, landmarks), picture, Joining(texture=-8.0))
    >>> bool(joined[45, 80] > joined[0, 0])
    True
    """
    joined: Floats = unwritten_join(matte, evidence, image, joining, out).whole()
    return joined


def unwritten_join(
    matte: Floats | Unwritten,
    evidence: Floats | Unwritten,
    image: Floats,
    joining: Joining,
    out: Floats | None = None,
) -> Unwritten:
    """Return the matte of :func:`join_faces` before it is written; what it depends on is found on the grid here.

    >>> picture, half = np.full((90, 160, 3), 0.5, np.float32), np.full((90, 160), 0.5, np.float32)
    >>> landmarks = [(0.45, 0.4), (0.55, 0.4), (0.5, 0.52), (0.46, 0.6), (0.54, 0.6)]
    >>> given = unwritten_join(half, unwritten_evidence(picture, landmarks), picture, Joining(texture=-8.0))
    >>> joined = given.whole()
    >>> joined is given.plane, bool(joined[45, 80] > joined[0, 0])
    (True, True)
    """
    image = as_picture(image)
    matte, keying = written_by(matte)
    matte = as_plane(matte, like=image.shape[:2])
    if isinstance(evidence, _UnwrittenEvidence):
        check_size("evidence of faces", evidence.shape, "its picture", matte.shape)
        out = output(out, matte.shape, matte, image)
    else:
        told, telling = written_by(evidence)
        evidence = Unwritten(as_plane(told, "evidence of faces", matte.shape), telling)
        out = output(out, matte.shape, matte, evidence.plane, image)
    laid, stages = _laid_by_stages(matte, evidence, image, joining, keying)
    return Unwritten(out, (*stages, _over_by_stage(matte, laid, out)))


def laid_on_grid(matte: Floats, evidence: Floats, image: Floats, joining: Joining) -> Laid:
    """Return what :func:`join_faces` lays over a matte; a size that has the same grid gives the same."""
    laid, stages = _laid_by_stages(matte, evidence, image, joining)
    over_stages(stages)
    return laid


def _laid_by_stages(
    matte: Floats,
    evidence: Floats | Unwritten,
    image: Floats,
    joining: Joining,
    keying: Sequence[Stage] = (),
) -> tuple[Laid, tuple[Stage, ...]]:
    """Return the same as it will be, and the stages that find it; what comes before them is begun here.

    :param keying: the stages that write the matte.
    """
    texture, keep, away, likeness, soft, usual, trust = joining
    shape = grid_shape(*matte.shape)
    small, first = _on_grid_by_stage(matte, shape, 0.0, keying)
    if isinstance(evidence, _UnwrittenEvidence):
        told, second = evidence.on_grid_by_stages(0.5)
    else:
        plane, telling = written_by(evidence)
        told, second = _on_grid_by_stage(plane, shape, 0.5, telling)
    if trust < 1:
        second = (*second, Stage(partial(_trust, told, trust), (), 1, needs=all_of_it))
    cores, third = _cores_by_stage(told.plane, told.most, soft)
    window, margin = np.empty(4, np.int64), int(3 * WINDOW) if likeness > 0 else _MARGIN
    given = small.ends, told.ends, likeness != 0, margin, shape[1], cores.strength, window
    last = Stage(_window_around_strips, given, 1, needs=all_of_it, whole=2 + len(second))
    # Faces come last: there more is one thread's, which others work beside.
    begin((*first, *_by_themselves(second), third, last))
    usual = usual * small.plane.size
    marks, off = _marks(keep), _marks(away)
    found, losing = _pieces_by_stages(small.plane, told.plane, cores, _cells_at(marks, shape), soft, usual)
    spread = _spread_at(off, shape)
    cells, stages = cells_by_stages(image, Window(0, 0, *shape), numbers=window)
    laid, stage = _laid_by_stage(found, cells.texture, False, window, texture, spread)
    textured, like = len(stages) - 1, _Likeness(cells, window) if likeness > 0 else None
    if like is not None:
        stages = (*stages, Stage(like.find_stops, (), 1, needs=none_of_it, whole=len(stages)))
    # Threads take the last stages first, and pieces are found by one or two of them.
    stages = (*stages, *_by_themselves(losing))
    stages = (*stages, stage._replace(whole=len(stages) - textured))
    if like is None:
        return laid, stages
    nowhere = np.zeros((1, shape[1]), np.float32)
    near = (nowhere if plane is None else plane for plane in (_spread_at(marks, shape), spread))
    planes = laid.odds, laid.lid, laid.floor
    compared, *others = like.compare_by_stages(small.plane, planes)
    compared = compared._replace(whole=len(stages) - textured - 1)
    filled = like.fill_by_stages((*planes, *near, like.odds, float(likeness), cores.strength))
    return laid, (*stages, compared, *others, *filled)


def trusted(evidence: Floats, trust: float) -> Floats:
    """Return what faces tell where it counts that far, 0 to 1.

    >>> trusted(np.array([0, 0.5, 1], np.float32), 0.5).tolist()
    [0.25, 0.5, 0.75]
    """
    return evidence if trust >= 1 else np.asarray(F(0.5) + F(trust) * (evidence - F(0.5)), np.float32)


def _trust(told: _OnGrid, trust: float, *_: int) -> None:
    """Let what faces tell on the grid count that far."""
    for plane in (told.plane, told.most):
        plane[...] = trusted(plane, trust)


@strip_kernel
def _window_around_strips(keyed, told, both, margin, columns, strength, window, y0, y1):
    """Find the window of the grid that is looked at, as one row.

    It holds what is keyed, with ``both`` what faces tell as well, and so many cells round it; without a face, or with
    nothing keyed, it is empty.

    :param keyed, told: first and last cells of rows. :param strength: how far faces count. :param window: receives it,
        :attr:`.face.Window.numbers`.
    """
    rows, is_keyed = keyed.shape[0], False
    top, low, left, right = rows, -1, columns, -1
    for i in range(rows):
        is_keyed |= keyed[i, 1] >= 0
        if keyed[i, 1] >= 0 or (both and told[i, 1] >= 0):
            top, low = min(top, i), i
            left, right = min(left, keyed[i, 0]), max(right, keyed[i, 1])
            if both:
                left, right = min(left, told[i, 0]), max(right, told[i, 1])
    for k in range(4):
        window[k] = 0
    if strength[0] > 0 and is_keyed:
        window[0], window[1] = max(top - margin, 0), max(left - margin, 0)
        window[2] = min(low + margin + 1, rows) - window[0]
        window[3] = min(right + margin + 1, columns) - window[1]


_MARGIN = 5
"""Cells beyond what is keyed that its texture is found from, the enlarging included."""


def _marks(places: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Return places as what is found for them is remembered by: marks are the same from frame to frame."""
    return tuple((float(x), float(y)) for x, y in places)


@lru_cache(maxsize=16)
def _cells_at(places: tuple[tuple[float, float], ...], shape: tuple[int, int]) -> Flags | None:
    if not places:
        return None
    flags = np.zeros(shape, np.bool_)
    for x, y in places:
        if 0 <= x <= 1 and 0 <= y <= 1:
            flags[min(int(y * shape[0]), shape[0] - 1), min(int(x * shape[1]), shape[1] - 1)] = True
    return flags


_NEARBY = 0.03
"""How far round a mark nothing speaks against it but the key, in parts of the frame height: σ of a Gaussian. There no
face opens a mark of what is none, nor does likeness, and neither that nor texture nor a loose piece closes skin."""


@lru_cache(maxsize=16)
def _spread_at(places: tuple[tuple[float, float], ...], shape: tuple[int, int]) -> Floats | None:
    if not places:
        return None
    out = np.zeros(shape, np.float32)
    y, x = np.mgrid[: shape[0], : shape[1]] + 0.5
    for px, py in places:
        away = (x - px * shape[1]) ** 2 + (y - py * shape[0]) ** 2
        np.maximum(out, np.exp(-0.5 * away / (_NEARBY * shape[0]) ** 2), out=out)
    return out


def agreement(one: Floats, other: Floats) -> float:
    """Return how far two mattes show the same, 0 to 1: twice what both show, over the sum of both; 0 for empty ones.

    Source: L. R. Dice, "Measures of the amount of ecologic association between species", Ecology 26, 1945.

    >>> agreement(np.ones((4, 4), np.float32), np.eye(4, dtype=np.float32))
    0.4
    """
    both, of_either = (float(plane.sum(dtype=np.float64)) for plane in (np.minimum(one, other), one + other))
    return 2 * both / of_either if of_either else 0.0


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
