"""Arrays: what enters and leaves a kernel, and results that are made where they are wanted."""

from __future__ import annotations

import numpy as np
import pytest
from inkarnat.kernels import arrays
from inkarnat.kernels.errors import PictureError

SHAPE = (3, 5, 4)


@pytest.mark.slice
def test_a_copy_lies_where_it_is_wanted():
    given, place = np.arange(60, dtype=np.float32).reshape(SHAPE), np.zeros(SHAPE, np.float32)
    assert arrays.copied(given, place) is place
    assert np.array_equal(place, given)
    fresh = arrays.copied(given)
    assert np.array_equal(fresh, given)
    assert not np.shares_memory(fresh, given)
    with pytest.raises(PictureError, match="must not share memory"):
        arrays.copied(given, given)


@pytest.mark.slice
def test_what_was_made_elsewhere_is_moved_only_where_that_is_asked_for():
    given, place = np.arange(60, dtype=np.float32).reshape(SHAPE), np.zeros(SHAPE, np.float32)
    assert arrays.placed(given, None) is given
    assert arrays.placed(given, place) is place
    assert np.array_equal(place, given)


@pytest.mark.slice
def test_a_place_is_checked_before_the_work():
    given, place = np.zeros(SHAPE, np.float32), np.zeros(SHAPE, np.float32)
    assert arrays.checked(None, SHAPE, given) is None
    assert arrays.checked(place, SHAPE, given) is place
    with pytest.raises(PictureError, match=r"shape \(3, 5\)"):
        arrays.checked(place, (3, 5), given)


@pytest.mark.parametrize("part", [np.s_[..., 1], np.s_[::-1, :, 0], np.s_[:, ::2, 2], np.s_[5:, 3:, 1]])
def test_a_large_plane_with_gaps_comes_in_one_piece(part):
    picture = np.random.default_rng(0).random((300, 500, 3), np.float32)
    picture[7, 8] = np.nan
    found = arrays.as_plane(picture[part])
    assert found.flags.c_contiguous
    assert found.tobytes() == picture[part].tobytes()
