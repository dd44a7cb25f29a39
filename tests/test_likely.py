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


def with_a_face():
    """Return a scene whose lit patch is a face, with a map on which the right half shows nobody."""
    person = np.ones((90, 160), np.float32)
    person[:, 110:] = 0
    landmarks = ((0.27, 0.42), (0.36, 0.42), (0.315, 0.53), (0.28, 0.62), (0.35, 0.62))
    return dataclasses.replace(scene(), faces=(landmarks,), at=((0.3, 0.5),), person=person)


def seen_beside_a_face(marked):
    """Return the view of a first attempt beside a face that joins, and what else is known of the frame."""
    prepared = skin._Scene.of(marked)
    keyed = skin._join([prepared])[0]
    view = learn.Learner([prepared.with_evidence()]).attempt().view(0)
    return view, skin._told(prepared, view, keyed)


def test_the_fits_name_each_figure_that_is_found_and_no_other():
    assert sorted(likely.fit("alone").names) == sorted(likely.figures(*seen(scene())))
    assert sorted(likely.fit("beside faces").names) == sorted(likely.figures(*seen_beside_a_face(with_a_face())))
    bare = np.full((90, 160), 0.7, np.float32)
    for kind, look, marked in (("alone", seen, scene()), ("beside faces", seen_beside_a_face, with_a_face())):
        found = likely.figures(*look(dataclasses.replace(marked, bare=bare)))
        assert sorted(likely.fit(f"{kind}, bare skin seen").names) == sorted(found)


def test_a_face_tells_where_it_lies_and_the_map_where_persons_are():
    found = likely.figures(*seen_beside_a_face(with_a_face()))
    rows, columns = found["from face"].shape
    nearest = np.unravel_index(found["from face"].argmin(), (rows, columns))
    assert abs(nearest[0] / rows - 0.5) < 0.1
    assert abs(nearest[1] / columns - 0.315) < 0.05
    assert found["face"][nearest] > 0.5 > found["face"][:, -20:].max()
    assert (found["face down"][-1] > found["face down"][0]).all()
    assert float(found["person"][:, 60:].max()) == 0
    assert float(found["person"][:, :50].min()) == 1
    assert found["person area"][0, 0] == pytest.approx(110 / 160, abs=0.01)


def test_a_figure_that_nobody_knows_counts_as_it_usually_is():
    found = likely.figures(*seen_beside_a_face(with_a_face()))
    net = likely.fit("beside faces")
    usual = dict(zip(net.names, net.mean, strict=True))
    without = {name: plane for name, plane in found.items() if not name.startswith("person")}
    filled = without | {n: np.full_like(found[n], usual[n]) for n in found if n.startswith("person")}
    assert_array_equal(likely._judged(without, net), likely._judged(filled, net))


def test_the_network_equals_matrix_products():
    found = likely.figures(*seen(scene()))
    net = likely.fit("alone")
    x = np.stack([(found[name].ravel() - m) / d for name, m, d in zip(net.names, net.mean, net.deviation, strict=True)])
    x = np.clip(x.astype(np.float64), -4, 4)
    hidden = np.maximum(net.inner[:, :-1].astype(np.float64) @ x + net.inner[:, -1:], 0)
    odds = net.outer[:-1].astype(np.float64) @ hidden + net.outer[-1]
    expected = 1 / (1 + np.exp(-np.clip(odds, -12, 12)))
    assert_allclose(likely._judged(found, net).ravel(), expected, atol=1e-4)


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


def test_a_learner_without_subtracted_colours_is_that_of_frames_without_them():
    frame = skin._Scene.of(scene(subtract=True)).frame
    bare = dataclasses.replace(frame, subtract=np.zeros_like(frame.subtract))
    found = learn.Learner([frame]).without_subtracted().attempt()
    assert_array_equal(found.likely[0], learn.Learner([bare]).attempt().likely[0])
    assert (found.likely[0] != learn.Learner([frame]).attempt().likely[0]).any()


def test_what_grew_without_subtracted_colours_is_told_without_them():
    frame = skin._Scene.of(scene(subtract=True)).frame
    learner = learn.Learner([frame])
    grown = learner.without_subtracted().attempt(2.0)
    kept = learner.subtracted(grown)
    assert_array_equal(kept.likely[0], grown.likely[0])
    assert kept.view(0).frame is frame
    planes = [np.full(frame.luma.shape, value, np.float32) for value in (0.9, 1)]
    told = [attempt.told(planes[:1], planes[1:]).likely[0] for attempt in (grown, kept)]
    assert told[1][learn.usable(frame)[0]].mean() > 0.8
    assert told[1][frame.subtract].mean() < 0.5 < 0.8 < told[0][frame.subtract].mean()
