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
