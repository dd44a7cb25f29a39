"""Tiles of a matte: where it is 0 all over or 1 all over, so that its rows need not be worked out there.

A tile is :data:`ROWS` by :data:`COLUMNS` pixels of the matte's grid, whole cells of every reduced grid. What is known
of tiles never changes a bit: where a tile is called empty or full, the steps would give exactly 0 or 1.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats
from .jit import inline, strip_kernel, subroutine
from .rows import copy_row
from .strips import Stage, over_rows

ROWS, COLUMNS = 8, 64
EMPTY, FULL, MIXED = np.uint8(0), np.uint8(1), np.uint8(2)
"""What a tile holds: 0 all over, 1 all over, or anything."""

_INFINITE = np.float32(np.inf)

Tiles = NDArray[np.uint8]
"""uint8 (⌈H / 8⌉, ⌈W / 64⌉): :data:`EMPTY`, :data:`FULL` or :data:`MIXED`."""


def unknown(shape: tuple[int, ...]) -> Tiles:
    """Return the tiles of a plane (H, W) of which nothing is known."""
    return np.full((-(-shape[0] // ROWS), -(-shape[1] // COLUMNS)), MIXED)


@inline
def run_end(states, start):
    """Return where the run of equal tiles ends that begins at ``start``, in one row of tiles."""
    end = start + 1
    while end < states.shape[0] and states[end] == states[start]:
        end += 1
    return end


@inline
def _gather_ends(row, least, most):
    """Lower the least and raise the most of every column to a row; NaN counts as −∞ and as ∞."""
    for x in range(row.shape[0]):
        value = row[x]
        under = value if value == value else -_INFINITE
        over = value if value == value else _INFINITE
        least[x] = under if under < least[x] else least[x]
        most[x] = over if over > most[x] else most[x]


@subroutine
def _join_ends(to, ends, step):
    """The least and the most of every column and the one ``step`` further."""
    least, most, to_least, to_most = ends[0], ends[1], to[0], to[1]
    further_least, further_most = least[step:], most[step:]
    for x in range(least.shape[0] - step):
        to_least[x] = least[x] if least[x] < further_least[x] else further_least[x]
        to_most[x] = most[x] if most[x] > further_most[x] else further_most[x]


@subroutine
def _row_ends(low, y, factor, margin, scratch, lowest, highest):
    """The ends of what reaches into each tile of row y; ``scratch`` (2, 2, …) is scratch."""
    cells, across = ROWS // factor, COLUMNS // factor
    width = low.shape[1]
    ends, joined = scratch[0], scratch[1]
    for x in range(ends.shape[1]):
        ends[0, x] = joined[0, x] = _INFINITE
        ends[1, x] = joined[1, x] = -_INFINITE
    top = y * cells - 1 + margin
    for row in range(max(top, 0), min(top + cells + 2, low.shape[0])):
        _gather_ends(low[row], ends[0, 1 : width + 1], ends[1, 1 : width + 1])
    step = np.int64(1)  # a literal would have what is called with it compiled for that number alone
    while step < across:
        _join_ends(joined, ends, step)
        ends, joined = joined, ends
        step *= 2
    for tile in range(lowest.shape[0]):  # its own cells and one on each side: two windows of as many as it has
        left = tile * across + margin
        lowest[tile] = min(ends[0, left], ends[0, left + 2])
        highest[tile] = max(ends[1, left], ends[1, left + 2])


@strip_kernel
def _ends_strips(low, factor, margin, lowest, highest, y0, y1):
    scratch = np.empty((2, 2, low.shape[1] + 2 * COLUMNS // factor + 4), np.float32)
    for y in range(y0, y1):
        _row_ends(low, y, factor, margin, scratch, lowest[y], highest[y])


def ends(low: Floats, factor: int, tiles: Tiles, margin: int = 0) -> tuple[Floats, Floats]:
    """Return the lowest and the highest value of a reduced plane that reach into each tile when it is enlarged.

    :param low: float32, on a grid ``factor`` (1, 2, 4 or 8) times coarser, with ``margin`` repeated cells all round.
    :returns: two float32 of the tiles' shape; NaN counts as −∞ and as ∞.
    """
    lowest, highest = np.empty(tiles.shape, np.float32), np.empty(tiles.shape, np.float32)
    over_rows(_ends_strips, tiles.shape[0], low, factor, margin, lowest, highest)
    return lowest, highest


@strip_kernel
def _settle_strips(share, factor, before, after, empties, low, high, y0, y1):
    scratch = np.empty((2, 2, share.shape[1] + 2 * COLUMNS // factor + 4), np.float32)
    lowest, highest = np.empty(after.shape[1], np.float32), np.empty(after.shape[1], np.float32)
    for y in range(y0, y1):
        _row_ends(share, y, factor, 0, scratch, lowest, highest)
        for tile in range(after.shape[1]):
            is_low, is_high = highest[tile] < low, lowest[tile] > high
            state = before[y, tile]
            if empties:
                unsure = state == FULL and not is_high
                after[y, tile] = EMPTY if is_low else MIXED if unsure else state
            else:
                unsure = state == EMPTY and not is_low
                after[y, tile] = FULL if is_high else MIXED if unsure else state


def settle_stage(
    share: Floats, factor: int, before: Tiles, empties: bool, limits: tuple[np.float32, np.float32]
) -> tuple[Stage, Tiles]:
    """Return what finds the tiles after a step that empties or else fills them by a share of what lies round, and them.

    Where the whole share lies below the first limit a tile is emptied, or stays empty; above the second it stays full,
    or is filled.

    :param share: float32, on a grid ``factor`` (1, 2, 4 or 8) times coarser. :param before: tiles before the step.
    """
    cells, after = ROWS // factor, np.empty_like(before)
    arguments = (share, factor, before, after, empties, *limits)
    return Stage(_settle_strips, arguments, len(after), 4 * ROWS, lambda y1: y1 * cells + 2, 2), after


@subroutine
def _gather_kinds(slope, offset, kinds):
    """Note of every column whether 0 · luma + 0 (1) and whether 0 · luma + 1 (2) is NOT what it makes of luma."""
    for x in range(kinds.shape[0]):
        flat = slope[x] == 0
        kinds[x] |= (0 if flat and offset[x] == 0 else 1) | (0 if flat and offset[x] == 1 else 2)


@strip_kernel
def _line_strips(slope, offset, factor, sound, sound_factor, before, states, y0, y1):
    cells, across = ROWS // factor, COLUMNS // factor
    width = slope.shape[1]
    kinds = np.empty(width, np.int32)
    for y in range(y0, y1):
        unsound = np.int32(0)
        for row in range(y * ROWS // sound_factor, min(((y + 1) * ROWS - 1) // sound_factor + 1, sound.shape[0])):
            unsound |= np.int32(0 if sound[row] else 2)
        for x in range(width):
            kinds[x] = unsound
        for row in range(max(y * cells - 1, 0), min((y + 1) * cells + 1, slope.shape[0])):
            _gather_kinds(slope[row], offset[row], kinds)
        for tile in range(states.shape[1]):
            kind = np.int32(0)
            for x in range(max(tile * across - 1, 0), min((tile + 1) * across + 1, width)):
                kind |= kinds[x]
            state = MIXED if kind == 3 else FULL if kind == 1 else EMPTY
            if before.shape[0] > 0 and before[y, tile] != state:
                state = MIXED
            states[y, tile] = state


_ALL_SOUND = np.ones(0, np.bool_)
_ANY = np.ones((0, 0), np.uint8)


def line_stage(
    slope: Floats,
    offset: Floats,
    factor: int,
    states: Tiles,
    sound: NDArray[np.bool_] = _ALL_SOUND,
    less: int = 1,
    before: Tiles = _ANY,
) -> Stage:
    """Return what finds the tiles of slope · luma + offset: empty where both are 0 in reach, full at 0 and 1.

    :param slope, offset: float32, on a grid ``factor`` (1, 2, 4 or 8) times coarser than the plane of the tiles.
    :param states: receives the tiles. :param sound: bool, tells of every row of a grid ``less`` times coarser whether
        tiles in it may be called full; without rows all may.
    :param before: tiles, where a tile must be the same to be called empty or full; without rows it need not.
    """
    cells = ROWS // factor
    arguments = (slope, offset, factor, sound, less, before, states)
    return Stage(_line_strips, arguments, states.shape[0], 4 * ROWS, lambda y1: y1 * cells + 1, 2)


@strip_kernel
def _round_strips(states, out, down, across, y0, y1):
    least, most = np.empty(out.shape[1], np.uint8), np.empty(out.shape[1], np.uint8)
    for y in range(y0, y1):
        copy_row(least, states[y])  # laid as slices, numba would compile an error of many words with it
        copy_row(most, states[y])
        for row in range(max(y - down, 0), min(y + down + 1, states.shape[0])):
            for tile in range(out.shape[1]):
                state = states[row, tile]
                least[tile] = state if state < least[tile] else least[tile]
                most[tile] = state if state > most[tile] else most[tile]
        for tile in range(out.shape[1]):
            low, high = least[tile], most[tile]
            for at in range(max(tile - across, 0), min(tile + across + 1, out.shape[1])):
                low = least[at] if least[at] < low else low
                high = most[at] if most[at] > high else high
            out[y, tile] = low if low == high else MIXED


def round_stage(tiles: Tiles, reach: float) -> tuple[Stage, Tiles]:
    """Return what finds of each tile what it is together with everything within ``reach`` pixels, and its result.

    MIXED where that differs. The stage before writes the tiles, or knows at least as many of their rows.
    """
    down, across = (min(-int(-reach // size), n - 1) for size, n in zip((ROWS, COLUMNS), tiles.shape, strict=True))
    out = np.empty_like(tiles)
    return Stage(_round_strips, (tiles, out, down, across), len(out), 4 * ROWS, lambda y1: y1 + down, 2), out
