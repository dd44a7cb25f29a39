"""Tiles of a matte: where it is 0 all over or 1 all over, so that its rows need not be worked out there.

A tile is :data:`ROWS` by :data:`COLUMNS` pixels of the matte's grid, whole cells of every reduced grid. What is known
of tiles never changes a bit: where a tile is called empty or full, the steps would give exactly 0 or 1.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats
from .jit import inline, strip_kernel, subroutine
from .strips import Stage, over_rows, over_stages

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


@strip_kernel
def _ends_strips(low, factor, margin, lowest, highest, y0, y1):
    cells, across = ROWS // factor, COLUMNS // factor
    width = low.shape[1]
    room = np.empty((2, 2, width + 2 * across + 4), np.float32)
    for y in range(y0, y1):
        ends, joined = room[0], room[1]
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
        for tile in range(lowest.shape[1]):  # its own cells and one on each side: two windows of as many as it has
            left = tile * across + margin
            lowest[y, tile] = min(ends[0, left], ends[0, left + 2])
            highest[y, tile] = max(ends[1, left], ends[1, left + 2])


def ends(low: Floats, factor: int, tiles: Tiles, margin: int = 0) -> tuple[Floats, Floats]:
    """Return the lowest and the highest value of a reduced plane that reach into each tile when it is enlarged.

    :param low: float32, on a grid ``factor`` (1, 2, 4 or 8) times coarser, with ``margin`` repeated cells all round.
    :returns: two float32 of the tiles' shape; NaN counts as −∞ and as ∞.
    """
    lowest, highest = np.empty(tiles.shape, np.float32), np.empty(tiles.shape, np.float32)
    over_rows(_ends_strips, tiles.shape[0], low, factor, margin, lowest, highest)
    return lowest, highest


@subroutine
def _gather_kinds(slope, offset, kinds):
    """Note of every column whether 0 · luma + 0 (1) and whether 0 · luma + 1 (2) is NOT what it makes of luma."""
    for x in range(kinds.shape[0]):
        flat = slope[x] == 0
        kinds[x] |= (0 if flat and offset[x] == 0 else 1) | (0 if flat and offset[x] == 1 else 2)


@strip_kernel
def _line_strips(slope, offset, factor, sound, sound_factor, states, y0, y1):
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
            states[y, tile] = MIXED if kind == 3 else FULL if kind == 1 else EMPTY


_ALL_SOUND = np.ones(0, np.bool_)


def line_stage(
    slope: Floats, offset: Floats, factor: int, states: Tiles, sound: NDArray[np.bool_] = _ALL_SOUND, less: int = 1
) -> Stage:
    """Return what finds the tiles of slope · luma + offset: empty where both are 0 in reach, full at 0 and 1.

    :param slope, offset: float32, on a grid ``factor`` (1, 2, 4 or 8) times coarser than the plane of the tiles.
    :param states: receives the tiles. :param sound: bool, tells of every row of a grid ``less`` times coarser whether
        tiles in it may be called full; without rows all may.
    """
    cells = ROWS // factor
    arguments = (slope, offset, factor, sound, less, states)
    return Stage(_line_strips, arguments, states.shape[0], 4 * ROWS, lambda y1: y1 * cells + 1, 2)


def of_line(slope: Floats, offset: Floats, factor: int, shape: tuple[int, ...]) -> Tiles:
    """Return the tiles of slope · luma + offset on a plane of this shape, see :func:`line_stage`."""
    states = unknown(shape)
    over_stages([line_stage(slope, offset, factor, states)])
    return states


def all_round(tiles: Tiles, reach: float) -> Tiles:
    """Return what each tile is together with everything within ``reach`` pixels of it; MIXED where that differs."""
    least, most = tiles, tiles
    for axis, size in enumerate((ROWS, COLUMNS)):
        steps = min(-int(-reach // size), tiles.shape[axis] - 1)
        least, most = (
            _over_neighbours(end, plane, axis, steps) for end, plane in ((np.minimum, least), (np.maximum, most))
        )
    joined: Tiles = np.where(least == most, least, MIXED)
    return joined


def _over_neighbours(end: np.ufunc, plane: Tiles, axis: int, steps: int) -> Tiles:
    result = plane.copy()
    for step in range(1, steps + 1):
        ahead, behind = [slice(None)] * 2, [slice(None)] * 2
        ahead[axis], behind[axis] = slice(step, None), slice(None, -step)
        for to, origin in ((tuple(ahead), tuple(behind)), (tuple(behind), tuple(ahead))):
            end(result[to], plane[origin], out=result[to])
    return result
