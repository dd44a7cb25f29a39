"""Tiles: what reaches into each, and what lies all round, against slow and obvious oracles."""

from __future__ import annotations

import numpy as np
import pytest
from inkarnat.kernels import soften, tiles


@pytest.mark.parametrize("factor", [1, 2, 4, 8])
@pytest.mark.parametrize("shape", [(61, 200), (16, 128), (5, 3)])
def test_the_ends_hold_all_that_an_enlarged_plane_shows_in_a_tile(factor, shape):
    rng = np.random.default_rng(factor)
    low = rng.normal(size=(-(-shape[0] // factor), -(-shape[1] // factor))).astype(np.float32)
    lowest, highest = tiles.ends(low, factor, tiles.unknown(shape))
    full = soften.enlarge(low, factor, shape)
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


def test_nothing_is_said_of_tiles_with_nan():
    low = np.zeros((8, 64), np.float32)
    low[3, 40] = np.nan
    alike = tiles.hold(low, 0, 4, tiles.unknown((32, 256)))
    assert not alike[1, 2]
    assert alike[3, 0]


@pytest.mark.parametrize("reach", [0, 5, 8, 30, 64, 65, 500])
def test_what_lies_all_round(reach):
    rng = np.random.default_rng(3)
    states = np.repeat(rng.integers(0, 3, (4, 3)), 5, axis=0).repeat(4, axis=1).astype(np.uint8)
    found = tiles.all_round(states, reach)
    down, across = -(-reach // tiles.ROWS), -(-reach // tiles.COLUMNS)
    for (y, x), state in np.ndenumerate(found):
        near = states[max(y - down, 0) : y + down + 1, max(x - across, 0) : x + across + 1]
        assert state == (near[0, 0] if (near == near[0, 0]).all() else tiles.MIXED)
