"""Arrays: what enters and leaves a kernel, and memory that is lent for a result."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from inkarnat.kernels import arrays
from inkarnat.nodes import Cdl

SHAPE = (3, 5, 4)


@pytest.mark.slice
def test_lent_memory_is_used_once_and_only_in_the_block():
    place = np.zeros(SHAPE, np.float32)
    with arrays.lend(place):
        assert arrays.output(None, SHAPE) is place
        assert arrays.output(None, SHAPE) is not place
    with arrays.lend(place):
        pass
    assert arrays.output(None, SHAPE) is not place


@pytest.mark.slice
def test_memory_of_another_shape_or_of_an_input_is_not_used():
    place = np.zeros(SHAPE, np.float32)
    with arrays.lend(place):
        assert arrays.output(None, (3, 5)).shape == (3, 5)
        assert not np.shares_memory(arrays.output(None, SHAPE, place[:1]), place)
        assert arrays.output(None, SHAPE) is place


@pytest.mark.slice
def test_memory_is_lent_to_one_thread():
    place, found = np.zeros(SHAPE, np.float32), []
    with arrays.lend(place):
        other = threading.Thread(target=lambda: found.append(arrays.output(None, SHAPE)))
        other.start()
        other.join()
    assert found[0] is not place


def test_a_node_makes_its_result_in_lent_memory(make_picture):
    picture = make_picture(channels=4)
    place = np.zeros_like(picture)
    with arrays.lend(place):
        assert Cdl(saturation=0.5).process(picture) is place
    assert np.array_equal(place, Cdl(saturation=0.5).process(picture))


# --- large results ------------------------------------------------------------------------------------------------

LARGE = (2048, 2048)
"""Of 16 MiB: the least that is kept for another result."""


def place_of(array):
    return array.__array_interface__["data"][0]


def idle_bytes():
    return sum(size * len(blocks) for size, blocks in arrays._idle.items())


@pytest.fixture
def nothing_idle(monkeypatch):
    monkeypatch.setattr(arrays, "_idle", type(arrays._idle)(arrays._idle.default_factory))


def test_a_large_result_lies_where_one_lay_that_nobody_holds(nothing_idle):
    first = arrays.output(None, LARGE)
    assert (first.shape, first.dtype, first.flags.c_contiguous, first.flags.writeable) == (LARGE, "float32", True, True)
    place, view = place_of(first), first[5:, 7:]
    del first
    assert place_of(arrays.output(None, LARGE)) != place, "a view holds it"
    del view
    assert place in [place_of(arrays.output(None, LARGE)), place_of(arrays.output(None, LARGE))]


def test_small_results_are_not_kept(nothing_idle):
    arrays.output(None, (2048, 2047))
    assert idle_bytes() == 0


def test_what_lies_idle_is_limited_and_gives_way_to_another_size(nothing_idle, monkeypatch):
    monkeypatch.setattr(arrays, "_MOST_IDLE", 50 << 20)
    held = [arrays.output(None, LARGE) for _ in range(5)]
    held.clear()
    assert idle_bytes() == 48 << 20
    arrays.output(None, (3, *LARGE))
    assert {size for size, blocks in arrays._idle.items() if blocks} == {48 << 20}
    arrays.output(None, (4, *LARGE))
    assert idle_bytes() <= 50 << 20
