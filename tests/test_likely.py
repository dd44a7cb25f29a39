"""Judging every pixel of a reduced frame by figures: the figures, the network, and marks that must be heard."""

import dataclasses

import numpy as np
import pytest
from inkarnat.kernels import join, learn, likely, skin
from inkarnat.nodes import Sample, learn_skin_key
from numpy.testing import assert_allclose, assert_array_equal
from scipy import ndimage


def scene(subtract=False):
    """Two patches of skin, one at half of the light, before grey and blue, with a mark on the lit one."""
    picture = np.full((90, 160, 3), (0.35, 0.40, 0.50), np.float32)
    picture[20:70, 30:70] = 0.66, 0.50, 0.41
    picture[20:70, 70:110] = 0.35, 0.26, 0.20
    picture += np.random.default_rng(2).normal(0, 0.008, picture.shape).astype(np.float32)
    add, out = np.zeros((2, 90, 160), bool)
    add[42:48, 45:52] = True
    out[42:48, 90:96] = subtract
    return skin.Marked(picture, add, out)


def seen(marked):
    """Return the view of a first attempt, and what else is known of the frame."""
    prepared = skin._Scene.of(marked)
    view = learn.Learner([prepared.frame]).attempt().view(0)
    return view, skin._told(prepared, view)


def test_the_fit_names_each_figure_that_is_found_and_no_other():
    assert sorted(likely.fit().names) == sorted(likely.figures(*seen(scene())))


def test_the_network_equals_matrix_products():
    found = likely.figures(*seen(scene()))
    net = likely.fit()
    x = np.stack([(found[name].ravel() - m) / d for name, m, d in zip(net.names, net.mean, net.deviation, strict=True)])
    x = np.clip(x.astype(np.float64), -4, 4)
    hidden = np.maximum(net.inner[:, :-1].astype(np.float64) @ x + net.inner[:, -1:], 0)
    odds = net.outer[:-1].astype(np.float64) @ hidden + net.outer[-1]
    expected = 1 / (1 + np.exp(-np.clip(odds, -12, 12)))
    assert_allclose(likely._judged(found).ravel(), expected, atol=1e-4)


@pytest.mark.parametrize("radius", [1, 5, 24])
def test_a_mean_over_squares_is_that_of_scipy_away_from_the_edge_and_of_ones_at_it(radius):
    plane = np.random.default_rng(4).random((60, 90)).astype(np.float32)
    inner = slice(radius, -radius)
    whole = ndimage.uniform_filter(plane.astype(np.float64), 2 * radius + 1)
    assert_allclose(likely._mean(plane, radius)[inner, inner], whole[inner, inner], atol=1e-5)
    assert_allclose(likely._mean(np.ones_like(plane), radius), 1, atol=1e-6)


def test_ways_count_less_the_farther_a_key_may_reach():
    view, told = seen(scene())
    near, far = (likely.figures(view, told, reach) for reach in (1.0, 2.0))
    for name in ("away", "parted", "way", "wide way"):
        assert (far[name] <= near[name]).all()
    assert_allclose(far["away"], near["away"] / 2, rtol=1e-6)


def test_a_mark_of_what_is_no_skin_lies_at_the_end_of_no_way():
    far = likely.figures(*seen(scene()))["way subtracted"]
    near = likely.figures(*seen(scene(subtract=True)))["way subtracted"]
    assert_array_equal(far, 3)
    assert float(near[22, 46]) == 0
    assert (near <= 3).all()


def test_every_mark_is_heard_whatever_the_network_says(monkeypatch):
    """A network that finds no skin but the seeds, and a second mark on skin in half of the light: it opens there."""
    monkeypatch.setattr(skin, "likely_skin", lambda view, told, reach: np.zeros_like(view.likely))
    marked = scene()
    both = marked.drawn.copy()
    both[42:48, 90:96] = True
    studied = skin.study([dataclasses.replace(marked, drawn=both)])
    for number in (1, 2):
        assert studied.matte[join.pieces(both)[0] == number].mean() > 0.5


def test_a_second_mark_opens_the_key_where_it_lies_and_closes_it_nowhere_else_that_matters():
    marked = scene()
    first = learn_skin_key(marked.image, [Sample.point(0.3, 0.5)]).process(marked.image)
    both = learn_skin_key(marked.image, [Sample.point(0.3, 0.5), Sample.point(0.58, 0.5)]).process(marked.image)
    assert both[25:65, 75:105].mean() > 0.95
    assert both[25:65, 35:65].mean() > first[25:65, 35:65].mean() - 0.02
