"""Tiles: what reaches into each, and what lies all round, against slow and obvious oracles."""

from __future__ import annotations

import numpy as np
import pytest
from inkarnat.kernels import strips, tiles
from inkarnat.kernels.resample import enlarge_strips


def enlarge(low, factor, shape):
    """A plane of a coarser grid at full size."""
    out = np.empty(shape, np.float32)
    strips.over_rows(enlarge_strips, shape[0], low, out, factor, 0)
    return out


def of_line(slope, offset, factor, shape, **more):
    """The tiles of slope · luma + offset."""
    states = tiles.unknown(shape)
    strips.over_stages([tiles.line_stage(slope, offset, factor, states, **more)])
    return states


@pytest.mark.parametrize("factor", [1, 2, 4, 8])
@pytest.mark.parametrize("shape", [(61, 200), (16, 128), (5, 3)])
def test_the_ends_hold_all_that_an_enlarged_plane_shows_in_a_tile(factor, shape):
    rng = np.random.default_rng(factor)
    low = rng.normal(size=(-(-shape[0] // factor), -(-shape[1] // factor))).astype(np.float32)
    lowest, highest = tiles.ends(low, factor, tiles.unknown(shape))
    full = enlarge(low, factor, shape)
    for (y, x), most in np.ndenumerate(highest):
        seen = full[y * tiles.ROWS : (y + 1) * tiles.ROWS, x * tiles.COLUMNS : (x + 1) * tiles.COLUMNS]
        assert lowest[y, x] - 1e-6 <= seen.min()
        assert seen.max() <= most + 1e-6


@pytest.mark.parametrize("margin", [0, 1])
@pytest.mark.parametrize("factor", [1, 2, 4, 8])
def test_a_cell_reaches_into_the_tiles_beside_it_and_no_further(factor, margin):
    shape = (40, 320)
    low = np.zeros((shape[0] // factor + 2 * margin, shape[1] // factor + 2 * margin), np.float32)
    low[16 // factor + margin, 128 // factor + margin] = 1  # the first cell of the tile in row 2, column 2
    _, highest = tiles.ends(low, factor, tiles.unknown(shape), margin)
    expected = np.zeros((5, 5), np.float32)
    expected[1 : 4 if factor == tiles.ROWS else 3, 1:3] = 1  # a cell of eight rows is also its tile's last
    np.testing.assert_array_equal(highest, expected)


@pytest.mark.parametrize("factor", [1, 2, 4, 8])
def test_tiles_of_a_line_are_what_it_makes_of_any_luma(factor):
    shape = (70, 1100)
    rng = np.random.default_rng(factor)
    cells = (-(-shape[0] // factor), -(-shape[1] // factor))
    offset = np.repeat(np.float32([0, 1, 0, 0.5]), -(-cells[1] // 4))[None, : cells[1]].repeat(cells[0], axis=0).copy()
    slope = np.zeros_like(offset)
    slope[cells[0] // 2, 1] = 0.1
    luma = rng.random(shape, np.float32)
    line = np.clip(enlarge(slope, factor, shape) * luma + enlarge(offset, factor, shape), 0, 1)
    found = of_line(slope, offset, factor, shape)
    assert {tiles.EMPTY, tiles.FULL, tiles.MIXED} == set(found.flat)
    for (y, x), state in np.ndenumerate(found):
        seen = line[y * tiles.ROWS : (y + 1) * tiles.ROWS, x * tiles.COLUMNS : (x + 1) * tiles.COLUMNS]
        if state != tiles.MIXED:
            assert (seen == (1 if state == tiles.FULL else 0)).all()
    assert found[0, 0] == tiles.EMPTY
    assert (found[shape[0] // 2 // tiles.ROWS, 0]) == tiles.MIXED


def test_nothing_is_said_of_tiles_with_nan():
    offset = np.zeros((8, 64), np.float32)
    offset[3, 40] = np.nan
    found = of_line(np.zeros_like(offset), offset, 4, (32, 256))
    assert found[1, 2] == tiles.MIXED
    assert found[3, 0] == tiles.EMPTY


def test_a_line_keeps_only_tiles_that_were_the_same_before():
    rng = np.random.default_rng(5)
    before = rng.integers(0, 3, (4, 4)).astype(np.uint8)
    offset = np.repeat(rng.integers(0, 2, (4, 4)), 16, axis=1).repeat(2, axis=0).astype(np.float32)
    slope, shape = np.zeros_like(offset), (32, 256)
    line, found = of_line(slope, offset, 4, shape), of_line(slope, offset, 4, shape, before=before)
    np.testing.assert_array_equal(found, np.where(line == before, line, tiles.MIXED))


@pytest.mark.parametrize("empties", [True, False])
def test_tiles_after_a_share_settled_them(empties):
    rng = np.random.default_rng(2)
    share = rng.choice(np.float32([0, 0.05, 0.3, 0.7, 1]), (4, 3)).repeat(9, axis=0).repeat(48, axis=1)
    before, low, high = rng.integers(0, 3, (18, 9)).astype(np.uint8), np.float32(0.1), np.float32(0.6)
    stage, after = tiles.settle_stage(share, 4, before, empties, (low, high))
    strips.over_stages([stage])
    lowest, highest = tiles.ends(share, 4, before)
    if empties:
        unsure = np.where((before == tiles.FULL) & ~(lowest > high), tiles.MIXED, before)
        expected = np.where(highest < low, tiles.EMPTY, unsure)
    else:
        unsure = np.where((before == tiles.EMPTY) & ~(highest < low), tiles.MIXED, before)
        expected = np.where(lowest > high, tiles.FULL, unsure)
    np.testing.assert_array_equal(after, expected)
    assert len(set(after.flat)) == 3


def test_rows_that_are_not_sound_have_no_full_tiles():
    full, states = np.ones((8, 64), np.float32), tiles.unknown((32, 256))
    sound = np.ones(16, np.bool_)
    sound[7] = False  # rows 14 and 15 of the plane
    strips.over_stages([tiles.line_stage(np.zeros_like(full), full, 4, states, sound, 2)])
    assert (states[1] == tiles.MIXED).all()
    assert (np.delete(states, 1, axis=0) == tiles.FULL).all()


@pytest.mark.parametrize("reach", [0, 5, 8, 30, 64, 65, 500])
def test_what_lies_all_round(reach):
    rng = np.random.default_rng(3)
    states = np.repeat(rng.integers(0, 3, (4, 3)), 5, axis=0).repeat(4, axis=1).astype(np.uint8)
    stage, found = tiles.round_stage(states, reach)
    strips.over_stages([stage])
    down, across = -(-reach // tiles.ROWS), -(-reach // tiles.COLUMNS)
    for (y, x), state in np.ndenumerate(found):
        near = states[max(y - down, 0) : y + down + 1, max(x - across, 0) : x + across + 1]
        assert state == (near[0, 0] if (near == near[0, 0]).all() else tiles.MIXED)
