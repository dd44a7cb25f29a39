"""Joining a matte with what faces tell: textured and loose pieces lose, a face is a floor, what lies beside it a lid.

Everything is found on the grid of :mod:`.face` and laid over the matte at full size. The evidence of faces is one
plane: ½ says nothing, above it lies what is at least keyed (1: wholly), below it what is at most keyed (0: nothing).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats, as_picture, as_plane, output
from .colour import F, clamp, exp2_px
from .devices import on_devices
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
from .strips import Stage, Unwritten, all_of_it, none_of_it, over_rows, over_stages, written_by

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
            while not plane[i, first] > 0:
                first += 1
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
    strength = _strength_of(evidence.max())
    found, stages = _pieces_by_stages(matte, evidence, keep, strength, soft, usual)
    laid, stage = _laid_by_stage(found, loss, True, (0, 0), 0.0, away)
    over_stages((*stages, stage))
    return laid


def _strength_of(most: float) -> float:
    """Return how far faces count by the most that they tell."""
    return float(np.clip(2 * float(most) - 1, 0, 1))


@dataclass(frozen=True)
class _Pieces:
    """What cells lose by the pieces that they belong to, beside a face (first) and where none is (second).

    :ivar labels: int32 (2, h, w), numbers of pieces. :ivar share: float32 (2, h, w), how far a cell is cut off.
    :ivar sums: float64 (2, n, 3), of every piece its size, what of it is surely keyed, and the distances of that
        from the frame's rim.
    :ivar counts: int64 (2, 2), how many pieces there are, and the cells of the largest core of a face.
    :ivar loss: float64 (2, n), log-odds that pieces lose by number, from :meth:`weigh` on. :ivar hard: the first row of
        that where pieces lose wholly or not at all.
    """

    matte: Floats
    evidence: Floats
    keep: NDArray[np.uint8]
    strength: float
    usual: float
    soft: bool
    labels: NDArray[np.int32]
    share: Floats
    sums: NDArray[np.float64]
    counts: NDArray[np.int64]
    loss: NDArray[np.float64]
    hard: NDArray[np.float64] | None

    def weigh(self, *_: int) -> None:
        """Find the log-odds that pieces lose, beside a face and where none is."""
        for k, loss in enumerate((self._loss_of(0) if self.hard is None else self.hard, self._loss_of(1))):
            self.loss[k, : len(loss)] = loss

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
    matte: Floats, evidence: Floats, keep: Flags | None, strength: float, soft: bool, usual: float
) -> tuple[_Pieces, tuple[Stage, ...]]:
    """Return loose pieces as they will be found, and the stages that find and weigh them, where that must be."""
    shape = matte.shape
    most = _most_pieces(matte.size, sum(shape))
    sums, loss = np.empty((2, most, 3)), np.empty((2, most))
    labels, counts = np.empty((2, *shape), np.int32), np.zeros((2, 2), np.int64)
    flags = np.zeros(shape, np.uint8) if keep is None else keep.view(np.uint8)
    share, hard = np.empty((2, *shape), np.float32), None
    if strength > 0 and not soft:
        share[0] = 1
        labels[0], hard = _loose(matte, np.maximum(2 * evidence - 1, 0) > SURE * strength, keep)
    found = _Pieces(matte, evidence, flags, strength, usual, soft, labels, share, sums, counts, loss, hard)
    first, last = int(not (strength > 0 and soft)), int(usual > 0 and strength < 1)
    if last < first:
        found.weigh()
        return found, ()
    given = matte, evidence, F(SURE * strength), flags, first, labels, share, sums, counts
    return found, (
        Stage(_pieces_strips, given, last - first + 1, 1, none_of_it, 1),
        Stage(found.weigh, (), 1, needs=all_of_it),
    )


def _laid_by_stage(
    found: _Pieces, loss: Floats | None, is_loss: bool, corner: tuple[int, int], base: float, away: Floats | None
) -> tuple[Laid, Stage]:
    """Return what is laid over a matte as it will be, and the stage that finds it.

    :param loss: of texture, or the texture itself, of a window of the grid whose first cell is ``corner``.
    """
    rows, columns = found.matte.shape
    odds, lid, floor = np.empty((3, rows, columns), np.float32)
    strength, usual = found.strength, found.usual
    weights = (
        F(0 if loss is None else strength),
        F(strength),
        F(1 - strength if usual > 0 and strength < 1 else 0),
    )
    texture = (np.zeros((1, 1), np.float32) if loss is None else loss), is_loss, corner, F(max(base, SMOOTHEST))
    pieces = found.labels, found.share, *found.loss
    kept = found.keep, max(1, round(0.03 * rows) - 1)
    spread = np.zeros((1, columns), np.float32) if away is None else away
    given = found.evidence, *texture, weights, *pieces, *kept, spread, odds, lid, floor
    return Laid(odds, lid, floor), Stage(_lay_strips, given, rows, needs=all_of_it)


def _loose(matte: Floats, core: Flags, keep: Flags | None) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Return the numbers of pieces, and the log-odds that each loses that holds neither a face nor a mark."""
    labels, area = pieces(matte > 0.5)
    cores = pieces(core)[1][1:]
    if len(area) < 2 or not len(cores):
        return labels, np.zeros(len(area))
    size = np.maximum(area, 1).astype(np.float64)
    sure = np.bincount(labels.ravel(), (matte > 0.8).ravel(), len(area)) / size
    loss = _loss_of(size, sure, float(cores.max()))
    loss[0] = 0
    loss[np.unique(labels[core if keep is None else core | keep])] = 0
    return labels, loss


@subroutine
def _near_row(near, flags, radius, out):
    """Flag what is flagged, or was at most some rows before: how many lies in ``near``."""
    for j in range(near.shape[0]):
        near[j] = 0 if flags[j] else near[j] + 1
        out[j] |= near[j] <= radius


@subroutine
def _grow(flags, radius, spare, near, out):
    """Flag the cells within a square of side 2 · radius + 1 round flagged ones, beside what is flagged."""
    rows, columns = flags.shape
    for i in range(rows):
        fill_row(spare[i], np.uint8(0))
        if not _any_of(flags[i]):
            continue
        for j in range(columns):
            if flags[i, j]:
                fill_row(spare[i, max(j - radius, 0) : j + radius + 1], np.uint8(1))
    fill_row(near, np.int32(radius))
    for i in range(rows):
        _near_row(near, spare[i], radius, out[i])
    fill_row(near, np.int32(radius))
    for i in range(rows - 1, -1, -1):
        _near_row(near, spare[i], radius, out[i])


@subroutine
def _hold(matte, start, held, ends):
    """The most of a matte that is left on any way from the start to a cell: the least value on the best way.

    Sweeps forward and backward over eight neighbours until nothing changes, 16 at most. Source: L. Vincent,
    "Morphological grayscale reconstruction in image analysis", IEEE Transactions on Image Processing 2(2), 1993.
    """
    rows, columns = matte.shape
    _find_ends(matte, ends)
    for i in range(rows):
        for j in range(columns):
            held[i, j] = matte[i, j] if start[i, j] else F(0)
    for sweep in range(16):
        way = 1 if sweep % 2 == 0 else -1
        changed = 0
        for ii in range(rows):
            i = ii if way == 1 else rows - 1 - ii
            first, end = ends[i]
            for jj in range(end - first):
                j = first + jj if way == 1 else end - 1 - jj
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


@inline
def _part_px(value, low, width):
    """How far a value lies from ``low`` on over a width, 0 to 1."""
    return clamp((value - low) / width, F(0), F(1))


@subroutine
def _core_row(flags, evidence, above):
    for j in range(flags.shape[0]):
        flags[j] = max(F(2) * evidence[j] - F(1), F(0)) > above


@subroutine
def _keep_row(start, keep):
    """Add marks to where ways begin, and tell whether there are any."""
    found = np.uint8(0)
    for j in range(start.shape[0]):
        start[j] |= keep[j]
        found |= keep[j]
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
def _pieces_strips(matte, evidence, above, keep, first, labels, share, sums, counts, y0, y1):
    """Find loose pieces by how weakly they hang together: row 0 with a face or a mark, row 1 with a mark alone.

    Size and certainty are those of the loose piece that a cell belongs to. All of it changes gradually with the matte,
    so that from frame to frame no piece pops in or out.

    :param above: evidence, as a floor, from which a cell is a face's core. :param first: which row comes first.
    """
    rows = matte.shape[0]
    flags, spare = np.zeros(matte.shape, np.uint8), np.empty(matte.shape, np.uint8)
    start, held = np.zeros(matte.shape, np.uint8), np.empty(matte.shape, np.float32)
    area, parent = np.empty(sums.shape[1], np.int64), np.empty(sums.shape[1], np.int32)
    ends, near = np.empty((rows, 2), np.int64), np.empty(matte.shape[1], np.int32)
    for row in range(y0, y1):
        k = first + row
        own, shares, weights = labels[k], share[k], sums[k]
        largest = ONE_INT
        for i in range(rows):
            fill_row(start[i], np.uint8(0))
        if k == 0:
            for i in range(rows):
                _core_row(flags[i], evidence[i], above)
            cores = _label(flags, True, own, area, parent, ends)
            largest = ZERO_INT
            for n in range(1, cores + 1):
                largest = max(largest, area[n])
            _grow(flags, max(1, int(NEAR_A_FACE * math.sqrt(float(largest)) + 0.5)), spare, near, start)
        marked = np.uint8(k == 0)
        for i in range(rows):
            marked |= _keep_row(start[i], keep[i])
            fill_row(held[i], F(0))
        if marked:  # otherwise nothing is held: all of it is lost
            _hold(matte, start, held, ends)
        for i in range(rows):
            _lost_row(shares[i], flags[i], matte[i], held[i])
        count = _label(flags, True, own, area, parent, ends)
        for n in range(count + 1):
            weights[n, 0], weights[n, 1], weights[n, 2] = 0.0, 0.0, 0.0
        for i in range(rows):
            _weigh_pieces_row(weights, own[i], matte[i], min(i, rows - 1 - i), ends[i, 0], ends[i, 1])
        counts[k, 0], counts[k, 1] = count, largest


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
    corner,
    base,
    weights,
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

    :param weights: of texture, and of pieces beside a face and where none is. :param near, alone: what pieces lose.
    :param radius: how far round a mark no lid closes. :param away: where no floor is; one row of 0: nowhere.
    """
    rows, columns = odds.shape
    top, left = corner
    ring = np.zeros((3, columns + 2), np.float32)
    for y in range(y0, y1):
        fill_row(odds[y], F(0))
        if weights[0] > F(0) and y >= top and y - top < texture.shape[0]:
            own = texture[y - top]
            _textured_row(odds[y, left : left + own.shape[0]], own, is_loss, base, weights[0])
        _shut_row(lid[y], floor[y], evidence[y])
        for i in range(max(y - radius, 0), min(y + radius + 1, rows)):
            for j in range(columns):
                if keep[i, j] != 0:
                    fill_row(lid[y, max(j - radius, 0) : j + radius + 1], F(1))
        off = away[min(y, away.shape[0] - 1)]
        for j in range(columns):
            floor[y, j] = floor[y, j] * (F(1) - off[j])
    for k in range(2):
        if not weights[1 + k] > F(0):
            continue
        loss = near if k == 0 else alone
        for y in range(y0 - 1, y1 + 1):
            if y < 0 or y >= rows:
                fill_row(ring[(y + 3) % 3], F(0))
            else:
                _loss_row(ring[(y + 3) % 3], labels[k, y], share[k, y], loss)
            if y > y0:
                _highest_row(odds[y - 1], ring[(y + 1) % 3], ring[(y + 2) % 3], ring[(y + 3) % 3], weights[1 + k])


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
def _laid_row(out, k, lid, floor):
    """Lay odds, as factors, lid and floor over a row of a matte."""
    for x in range(out.shape[0]):
        m = out[x]
        out[x] = max(m * k[x] / (m * k[x] + F(1) - m) * lid[x], floor[x])


@strip_kernel
def _sides_strips(luma, cb, cr, stops, matte, laid, corner, u, v, joined, out, y0, y1):
    """Sums over 2 × 2 cells of what is keyed and of what is not: share, and first and second moments of the colour.

    Leaves chroma/luma, and the matte with what is ``laid`` over it, if anything is: factors of its odds, lid and floor.

    :param corner: where the cells lie in matte, lid and floor.
    """
    rows, columns = luma.shape
    top, left = corner
    for y in range(2 * y0, min(2 * y1, rows)):
        _ratios_row(u[y], v[y], luma[y], cb[y], cr[y])
        copy_row(joined[y], matte[top + y, left : left + columns])
        if laid is not None:
            k, lid, floor = laid
            _laid_row(joined[y], k[y], lid[top + y, left : left + columns], floor[top + y, left : left + columns])
    for i in range(y0, y1):
        for j in range(out.shape[2]):
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


@strip_kernel
def _keyed_strips(u, v, stops, matte, factor, out, y0, y1):
    """Means over 2 × 2 cells of the squared matte, its odds times a factor, and of the colour weighed by it."""
    rows, columns = matte.shape
    for i in range(y0, y1):
        for j in range(out.shape[2]):
            for n in range(4):
                out[n, i, j] = F(0)
            for k in range(2):
                y = min(2 * i + k, rows - 1)
                for l in range(2):
                    x = min(2 * j + l, columns - 1)
                    odds = matte[y, x] * factor[y, x]
                    m = odds / (odds + F(1) - matte[y, x])
                    w = F(0.25) * m * m
                    out[0, i, j] += w
                    out[1, i, j] += w * u[y, x]
                    out[2, i, j] += w * v[y, x]
                    out[3, i, j] += w * stops[y, x]


@strip_kernel
def _window_strips(planes, taps, down, out, y0, y1):
    """Filter planes along one axis, as if their edges went on."""
    count, rows, columns = out.shape
    radius = taps.shape[0] // 2
    padded = np.empty(columns + 2 * radius, np.float32)
    for y in range(y0, y1):
        for n in range(count):
            fill_row(out[n, y], F(0))
            if down:
                for d in range(taps.shape[0]):
                    add_scaled_row(out[n, y], planes[n, min(max(y + d - radius, 0), rows - 1)], taps[d])
            else:
                pad_row(padded, planes[n, y], radius)
                for d in range(taps.shape[0]):
                    add_scaled_row(out[n, y], padded[d : d + columns], taps[d])


@inline
def _mixed(plane, i, j, low, right, ty, tx):
    top = plane[i, j] + tx * (plane[i, right] - plane[i, j])
    bottom = plane[low, j] + tx * (plane[low, right] - plane[low, j])
    return top + ty * (bottom - top)


@strip_kernel
def _odds_strips(u, v, stops, sides, out, y0, y1):
    """Log-odds by which a cell's colour is more like what is keyed round it than like what is not."""
    columns = out.shape[1]
    last_row, last_column = sides.shape[1] - 1, sides.shape[2] - 1
    found = np.empty(14, np.float32)
    for y in range(y0, y1):
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


@subroutine
def _told_row(odds, lid, floor, near, away, says, fill, amount):
    """Add what likeness says to what is laid over a matte, where no lid closes it; nothing goes against marks."""
    for x in range(odds.shape[0]):
        told = odds[x] + amount * says[x]
        odds[x] = told * (F(1) - (near[x] if told < F(0) else away[x]))
        floor[x] = max(floor[x], fill[x] * (amount * lid[x]) * (F(1) - away[x]))


@strip_kernel
def _alike_strips(u, v, stops, keyed, fill, told, corner, y0, y1):
    """How far a cell near what is keyed is of the same colour, 0 to 0.9; it is added to what is laid, if that is told.

    :param told: log-odds, lid, floor, marks of skin and of what is none, what likeness says, and how far it counts.
    """
    columns = fill.shape[1]
    top, left = corner
    last_row, last_column = keyed.shape[1] - 1, keyed.shape[2] - 1
    for y in range(y0, y1):
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
            odds, lid, floor, near, away, says, amount = told
            end, row = left + columns, top + y
            on, off = near[min(row, near.shape[0] - 1), left:end], away[min(row, away.shape[0] - 1), left:end]
            _told_row(odds[row, left:end], lid[row, left:end], floor[row, left:end], on, off, says[y], fill[y], amount)


@lru_cache(maxsize=8)
def _taps_of(sigma: float) -> Floats:
    radius = int(np.ceil(3 * sigma))
    taps = np.exp(-0.5 * (np.arange(-radius, radius + 1) / sigma) ** 2)
    return np.asarray((taps / taps.sum()).astype(np.float32))


def _window_by_stages(planes: Floats, sigma: float) -> tuple[Floats, tuple[Stage, Stage]]:
    """Return the Gaussian of planes, float32 (n, h, w), as it will be, and the stages that find it.

    They are as if the planes' edges went on.
    """
    taps, rows = _taps_of(sigma), planes.shape[1]
    across, out = np.empty((2, *planes.shape), np.float32)
    radius = len(taps) // 2
    return out, (
        Stage(_window_strips, (planes, taps, False, across), rows, least=_FEW_ROWS),
        Stage(_window_strips, (across, taps, True, out), rows, needs=lambda y1: y1 + radius, least=_FEW_ROWS),
    )


_FEW_ROWS = 4
"""Rows that are worth a strip where much is done with every cell."""


def _half_way(y1: Any) -> Any:
    """Return how many rows of cells of twice the side lie under, or beside, so many."""
    return y1 // 2 + 2


class _Likeness:
    """What the colours on either side of a matte's edge say: see :func:`by_likeness`.

    :ivar stops: float32 (h, w), from :meth:`find_stops` on. :ivar odds, fill: float32 (h, w), from all stages on.
    """

    def __init__(self, cells: Cells) -> None:
        self.cells, size = cells, cells.luma.shape
        self.half = (size[0] + 1) // 2, (size[1] + 1) // 2
        self.u, self.v, self.joined, self.odds, self.fill, self.stops, self._factor = np.empty((7, *size), np.float32)

    def find_stops(self, *_: int) -> None:
        """Find the luma of cells in stops."""
        np.add(np.log2(np.maximum(self.cells.luma, 0) + np.float32(0.05)), np.float32(2), out=self.stops)

    def compare_by_stages(
        self, matte: Floats, laid: tuple[Floats, Floats, Floats] | None, corner: tuple[int, int]
    ) -> tuple[Stage, ...]:
        """Return the stages that find the odds: how much more a cell is like what is keyed round it than like the rest.

        The first needs all of what is laid, and the stops.
        """
        cells, sides = self.cells, np.empty((14, *self.half), np.float32)
        given = cells.luma, cells.cb, cells.cr, self.stops, matte, laid, corner, self.u, self.v, self.joined, sides
        window, stages = _window_by_stages(sides, WINDOW / 2)
        colour = self.u, self.v, self.stops
        return (
            Stage(_sides_strips, given, self.half[0], needs=all_of_it, least=_FEW_ROWS),
            *stages,
            Stage(_odds_strips, (*colour, window, self.odds), len(self.u), needs=_half_way, least=_FEW_ROWS),
        )

    def fill_by_stages(self, told: tuple[Any, ...] | None, corner: tuple[int, int]) -> tuple[Stage, ...]:
        """Return the stages that find what lies near keyed cells and is of their colour, behind those of the odds."""
        colour, keyed = (self.u, self.v, self.stops), np.empty((4, *self.half), np.float32)
        given = *colour, self.joined, self._factor, keyed
        window, stages = _window_by_stages(keyed, NEAR_WINDOW / 2)
        last = *colour, window, self.fill, told, corner
        return (
            _exponential(self.odds, self._factor),
            Stage(_keyed_strips, given, self.half[0], needs=all_of_it),
            *stages,
            Stage(_alike_strips, last, len(self.u), needs=_half_way, least=_FEW_ROWS),
        )


def _exponential(odds: Floats, out: Floats, whole: int = 0) -> Stage:
    """Return the stage that turns all log-odds of a plane into odds, by NumPy, as its exponential decides the bits."""
    return Stage(lambda y0, y1: np.exp(odds, out=out), (), 1, needs=all_of_it, whole=whole)


def by_likeness(cells: Cells, matte: Floats) -> tuple[Floats, Floats]:
    """Return what the colours on either side of a matte's edge say of the cells near it.

    Every cell is compared with what is keyed round it and with what is not, each as a Gaussian of chroma/luma and
    stops: that gives log-odds, float32 (h, w). What lies near keyed cells and is of their colour is open at least as
    far as the second plane says, float32 (h, w), 0 to 0.9.

    :param cells: the grid or a window of it. :param matte: float32 (h, w), the same cells.
    """
    likeness = _Likeness(cells)
    likeness.find_stops()
    corner = 0, 0
    over_stages((*likeness.compare_by_stages(matte, None, corner), *likeness.fill_by_stages(None, corner)))
    return likeness.odds, likeness.fill


# --- at full size -------------------------------------------------------------------------------------------


@subroutine
def _take_limited_row(out, row, at):
    for x in range(out.shape[0]):
        out[x] = clamp(row[at[x]], F(0), F(1))


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
        scale_row(out[i], out[i], F(1 / 16))
        first, last, largest = columns, -1, F(0)
        for j in range(columns):
            here = out[i, j]
            largest = max(largest, here)
            if here > above:
                first, last = min(first, j), j
        ends[i, 0], ends[i, 1], most[i] = first, last, largest


@dataclass(frozen=True)
class _OnGrid:
    """A plane on the grid.

    :ivar ends: int64 (h, 2), of every row its first and last cell above a value. :ivar most: its largest one.
    """

    plane: Floats
    ends: NDArray[np.int64]
    most: Floats

    @property
    def is_seen(self) -> NDArray[np.bool_]:
        """Tell which rows hold a cell above the value."""
        return self.ends[:, 1] >= 0


def _on_grid_by_stage(
    plane: Floats, shape: tuple[int, int], above: float = 0.0, before: Sequence[Stage] = ()
) -> tuple[_OnGrid, tuple[Stage, ...]]:
    """Return a plane on the grid as it will be, see :func:`on_grid`, and the stages that find it.

    :param before: the stages that write the plane, its rows in the last one.
    """
    found = _OnGrid(np.empty(shape, np.float32), np.empty((shape[0], 2), np.int64), np.empty(shape[0], np.float32))
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
            to, first, second = out[y, x0:x1], wide[0, x0:x1], wide[1, x0:x1]
            fill_row(first, F(1))
            fill_row(second, F(0))
            if what & 3 and _any_of(to):  # what is not keyed at all stays so
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
    size = image.shape[:2]
    earlier, others = written_by(before)
    told = np.empty((1, 1), np.float32) if earlier is None else as_plane(earlier, "evidence of faces", size)
    out = output(out, size, image, told)
    plane, corner, stages = _evidence_by_stages(image, points, presence, keyed, turns)
    shape = grid_shape(*size)
    given = plane, *corner, shape, tuple(_places_of(size[1], shape[1])), told, earlier is not None, out
    last = Stage(_evidence_strips, given, size[0], needs=all_of_it, whole=len(stages) + 1 if others else 0)
    return Unwritten(out, (*others, *_by_themselves(stages), last))


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
    other, (low, right), (first, *rest) = large
    mixed = Stage(_mix_strips, (plane, other, (top - low, left - right), F(coarsely)), len(plane), needs=all_of_it)
    return plane, (top, left), (*stages, first._replace(needs=all_of_it), *rest, mixed)


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


@on_devices
def join_faces(
    matte: Floats | Unwritten,
    evidence: Floats | Unwritten,
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

    :param matte: float32 (H, W). :param evidence: float32 (H, W), :func:`face_evidence` of all faces. What is yet to
        be written of both is written beside each other.
    :param image: float32 (H, W, 3 or 4), the picture of both. :param texture: the skin's own.
    :param keep, away: places, normalised, at which a person marked skin, and what is none.
    :param likeness: 0 to 1, how far :func:`by_likeness` counts near the matte's edge. :param soft: see :func:`lay`.
    :param usual: area of a face's core in parts of the frame, 0 to 1, by which what is loose loses where no face is
        known as well.
    :returns: matte, float32 (H, W), 0 to 1; without ``usual`` the matte as it is, limited to that, where no face is.
    :raises PictureError: wrong arrays.

    >>> picture = np.full((90, 160, 3), 0.5, np.float32)
    >>> landmarks = [(0.45, 0.4), (0.55, 0.4), (0.5, 0.52), (0.46, 0.6), (0.54, 0.6)]
    >>> half = np.full((90, 160), 0.5, np.float32)
    >>> joined = join_faces(half, face_evidence(picture, landmarks), picture, texture=-8.0)
    >>> bool(joined[45, 80] > joined[0, 0])
    True
    """
    given = matte, evidence, image, texture, keep, away, likeness, soft, usual, out
    joined: Floats = unwritten_join(*given).whole()
    return joined


def unwritten_join(
    matte: Floats | Unwritten,
    evidence: Floats | Unwritten,
    image: Floats,
    texture: float,
    keep: Sequence[tuple[float, float]] = (),
    away: Sequence[tuple[float, float]] = (),
    likeness: float = 0.0,
    soft: bool = True,
    usual: float = 0.0,
    out: Floats | None = None,
) -> Unwritten:
    """Return the matte of :func:`join_faces` before it is written; what it depends on is found on the grid here.

    >>> picture, half = np.full((90, 160, 3), 0.5, np.float32), np.full((90, 160), 0.5, np.float32)
    >>> landmarks = [(0.45, 0.4), (0.55, 0.4), (0.5, 0.52), (0.46, 0.6), (0.54, 0.6)]
    >>> given = unwritten_join(half, unwritten_evidence(picture, landmarks), picture, texture=-8.0)
    >>> joined = given.whole()
    >>> joined is given.plane, bool(joined[45, 80] > joined[0, 0])
    (True, True)
    """
    image = as_picture(image)
    (matte, keying), (evidence, telling) = written_by(matte), written_by(evidence)
    matte = as_plane(matte, like=image.shape[:2])
    evidence = as_plane(evidence, "evidence of faces", matte.shape)
    out = output(out, matte.shape, matte, evidence, image)
    before = keying, telling
    laid, stages = _laid_by_stages(matte, evidence, image, texture, keep, away, likeness, soft, usual, before)
    return Unwritten(out, (*stages, _over_by_stage(matte, laid, out)))


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
    laid, stages = _laid_by_stages(matte, evidence, image, texture, keep, away, likeness, soft, usual)
    over_stages(stages)
    return laid


def _laid_by_stages(
    matte: Floats,
    evidence: Floats,
    image: Floats,
    texture: float,
    keep: Sequence[tuple[float, float]],
    away: Sequence[tuple[float, float]],
    likeness: float,
    soft: bool,
    usual: float,
    before: tuple[Sequence[Stage], Sequence[Stage]] = ((), ()),
) -> tuple[Laid, tuple[Stage, ...]]:
    """Return the same as it will be, and the stages that find it. Those ``before`` write matte and evidence."""
    shape = grid_shape(*matte.shape)
    told, first = _on_grid_by_stage(evidence, shape, 0.5, before[1])
    small, second = _on_grid_by_stage(matte, shape, 0.0, before[0])
    over_stages((*second, *_by_themselves(first)))  # faces last: there more is one thread's, which others work beside
    strength = _strength_of(told.most.max())
    usual = usual * small.plane.size
    marks, others = _marks(keep), _marks(away)
    found, losing = _pieces_by_stages(small.plane, told.plane, _cells_at(marks, shape), strength, soft, usual)
    spread, amount = _spread_at(others, shape), likeness * strength
    if not (strength > 0 and small.is_seen.any()):
        laid, stage = _laid_by_stage(found, None, False, (0, 0), texture, spread)
        return laid, (*losing, stage)
    window = _window_round((small, told) if likeness else (small,), int(3 * WINDOW) if likeness > 0 else _MARGIN)
    cells, stages = cells_by_stages(image, window)
    corner = window.top, window.left
    laid, stage = _laid_by_stage(found, cells.texture, False, corner, texture, spread)
    textured, like = len(stages) - 1, _Likeness(cells) if amount > 0 else None
    if like is not None:
        stages = (*stages, Stage(like.find_stops, (), 1, needs=none_of_it, whole=len(stages)))
    # Threads take the last stages first, and pieces are found by one or two of them.
    stages = (*stages, *losing)
    stages = (*stages, stage._replace(whole=len(stages) - textured))
    if like is None:
        return laid, stages
    odds, factor = laid.odds[window.slices], np.empty(cells.luma.shape, np.float32)
    nowhere = np.zeros((1, shape[1]), np.float32)
    near = (nowhere if plane is None else plane for plane in (_spread_at(marks, shape), spread))
    return laid, (
        *stages,
        _exponential(odds, factor, len(stages) - textured - 1),
        *like.compare_by_stages(small.plane, (factor, laid.lid, laid.floor), corner),
        *like.fill_by_stages((laid.odds, laid.lid, laid.floor, *near, like.odds, F(amount)), corner),
    )


def _window_round(planes: Sequence[_OnGrid], margin: int) -> Window:
    """Return the rectangle that holds what lies above some value in any of some planes, and so many cells round it."""
    seen = np.logical_or.reduce([plane.is_seen for plane in planes])
    rows, columns = np.flatnonzero(seen), planes[0].plane.shape[1]
    first = min(int(plane.ends[:, 0].min()) for plane in planes)
    last = max(int(plane.ends[:, 1].max()) for plane in planes)
    top, left = max(int(rows[0]) - margin, 0), max(first - margin, 0)
    low, right = min(int(rows[-1]) + margin + 1, len(seen)), min(last + margin + 1, columns)
    return Window(top, left, low - top, right - left)


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
