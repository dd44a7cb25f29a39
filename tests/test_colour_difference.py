"""Colour difference: our own CIEDE2000 against published pairs and colour-science."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from inkarnat.nodes import likeness
from inkarnat.nodes.likeness import ciede2000

# Sharma, Wu and Dalal 2005, table 1: pairs at the edges of the formula (from memory).
PUBLISHED = (
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, 3.1571, -77.2803), (50, 0, -82.7485), 2.8615),
    ((50, 0, 0), (50, -1, 2), 2.3669),
    ((50, 2.49, -0.001), (50, -2.49, 0.0009), 7.1792),
    ((50, 2.5, 0), (73, 25, -18), 27.1492),
    ((2.0776, 0.0795, -1.135), (0.9033, -0.0636, -0.5514), 0.9082),
)


@pytest.mark.parametrize(("first", "second", "expected"), PUBLISHED)
def test_published_pairs(first, second, expected):
    assert ciede2000(first, second) == pytest.approx(expected, abs=6e-5)
    assert ciede2000(second, first) == pytest.approx(expected, abs=6e-5)


def test_it_is_what_colour_science_gives():
    rng = np.random.default_rng(0)
    first, second = (rng.uniform((0, -80, -80), (100, 80, 80), (3000, 3)) for _ in range(2))
    second[::3] = first[::3] + rng.normal(size=first[::3].shape)
    expected = colour.delta_E(first, second, method="CIE 2000")
    found = [ciede2000(tuple(a), tuple(b)) for a, b in zip(first, second, strict=True)]
    np.testing.assert_allclose(found, expected, atol=1e-9)


def test_colours_become_the_lab_that_colour_science_gives():
    space = colour.RGB_COLOURSPACES["ITU-R BT.709"]
    np.testing.assert_allclose(likeness._RGB_TO_XYZ, space.matrix_RGB_to_XYZ, atol=1e-7)
    for xyz in np.random.default_rng(1).random((200, 3)) ** 3:
        expected = colour.XYZ_to_Lab(xyz, np.array([0.3127, 0.3290]))
        np.testing.assert_allclose(likeness._lab(xyz), expected, atol=1e-9)
