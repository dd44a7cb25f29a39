"""Samples: the pixels that points, boxes and strokes cover, their text form, and their errors."""

from __future__ import annotations

import itertools
import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.kernels.errors import InkarnatError
from inkarnat.nodes.sample import Sample, SampleError

parts = st.integers(0, 10000).map(lambda part: part / 10000)


@pytest.mark.slice
def test_a_box_covers_its_rectangle():
    covered = Sample.box(0.25, 0.1, 0.75, 0.4).mask(100, 200)
    expected = np.zeros((100, 200), bool)
    expected[10:40, 50:150] = True
    assert np.array_equal(covered, expected)


@pytest.mark.slice
def test_a_point_covers_a_disc_round_its_place():
    """Round in pixels whatever the frame's shape; area π r² with r in frame heights."""
    covered = Sample.point(0.25, 0.5).mask(1000, 2000)
    y, x = np.nonzero(covered)
    radius = Sample.point(0.25, 0.5).radius * 1000
    assert np.hypot(x + 0.5 - 500, y + 0.5 - 500).max() <= radius
    assert covered.sum() == pytest.approx(np.pi * radius**2, rel=0.02)


def test_a_stroke_covers_what_lies_within_its_radius():
    """Against the distance to a thousand places along the path, measured one by one."""
    path, radius, height, width = [(0.1, 0.2), (0.6, 0.3), (0.5, 0.9)], 0.05, 90, 160
    covered = Sample.stroke(path, radius).mask(height, width)
    y, x = np.mgrid[0:height, 0:width] + 0.5
    nearest = np.full((height, width), np.inf)
    for (x0, y0), (x1, y1) in itertools.pairwise(path):
        for t in np.linspace(0, 1, 1000):
            cx, cy = (x0 + t * (x1 - x0)) * width, (y0 + t * (y1 - y0)) * height
            nearest = np.minimum(nearest, np.hypot(x - cx, y - cy))
    clear = np.abs(nearest - radius * height) > 0.01
    assert np.array_equal(covered[clear], nearest[clear] <= radius * height)


@pytest.mark.slice
def test_a_stroke_of_one_point_is_a_disc():
    assert np.array_equal(
        Sample.stroke([(0.5, 0.5)], 0.2).mask(50, 50), Sample.stroke([(0.5, 0.5)] * 2, 0.2).mask(50, 50)
    )


@pytest.mark.slice
@given(parts, parts, st.integers(1, 40), st.integers(1, 40))
def test_every_sample_covers_a_pixel_near_its_place(x, y, height, width):
    for sample in (Sample.point(x, y), Sample.stroke([(x, y)], 1e-6)):
        rows, columns = np.nonzero(sample.mask(height, width))
        assert rows.size
        assert np.hypot(columns + 0.5 - x * width, rows + 0.5 - y * height).min() <= 0.75 + 1e-6


@pytest.mark.slice
def test_a_box_thinner_than_a_pixel_covers_one():
    covered = Sample.box(0.501, 0.501, 0.502, 0.502).mask(10, 10)
    assert np.argwhere(covered).tolist() == [[5, 5]]


def test_proxies_and_full_size_agree():
    """A sample is a place in the frame: the share it covers does not depend on the resolution."""
    sample = Sample.stroke([(0.2, 0.2), (0.8, 0.6)], 0.08)
    shares = [sample.mask(height, 2 * height).mean() for height in (90, 270, 540)]
    np.testing.assert_allclose(shares, shares[-1], rtol=0.02)


texts = st.one_of(
    st.builds(Sample.point, parts, parts),
    st.builds(lambda x, y: Sample.box(x / 2, y / 2, round(x / 2 + 0.5, 5), round(y / 2 + 0.5, 5)), parts, parts),
    st.builds(
        Sample.stroke,
        st.lists(st.tuples(parts, parts), min_size=1, max_size=5),
        st.integers(1, 1000).map(lambda r: r / 1000),
    ),
)


@pytest.mark.slice
@given(texts)
def test_a_sample_survives_its_text_and_pickle(sample):
    assert Sample.parse(str(sample)) == sample
    copy = pickle.loads(pickle.dumps(sample))
    assert copy == sample
    assert hash(copy) == hash(sample)


@pytest.mark.slice
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("point:0.5,0.25", Sample.point(0.5, 0.25)),
        ("point: 0.5 , 0.25", Sample.point(0.5, 0.25)),
        ("box:0,0,1,1", Sample.box(0, 0, 1, 1)),
        ("stroke:0.1,0.2;0.3,0.4/0.05", Sample.stroke([(0.1, 0.2), (0.3, 0.4)], 0.05)),
        ("Stroke: .1,.2 + .3,.4 / .05", Sample.stroke([(0.1, 0.2), (0.3, 0.4)], 0.05)),
        ("BOX:.5,.4,.2,.1", Sample.box(0.2, 0.1, 0.5, 0.4)),
        ("box:20%,10%,50%,40%", Sample.box(0.2, 0.1, 0.5, 0.4)),
    ],
)
def test_text_is_read(text, expected):
    assert Sample.parse(text) == expected


@pytest.mark.slice
@pytest.mark.parametrize(
    "text",
    [
        "",
        "point",
        "point:",
        "point:0.5",
        "point:0.5,0.5,0.5",
        "point:a,b",
        "box:0,0,1",
        "stroke:0.1,0.2",
        "stroke:0.1/0.1",
        "stroke:/0.1",
        "circle:0.5,0.5",
        "0.5,0.5",
    ],
)
def test_unreadable_text_gets_the_three_forms(text):
    with pytest.raises(SampleError) as caught:
        Sample.parse(text)
    assert str(caught.value).startswith(
        f"Sample {text!r} cannot be read: write point:x,y or box:x0,y0,x1,y1 (two corners) or stroke:"
    )
    assert isinstance(caught.value, InkarnatError)


@pytest.mark.slice
@pytest.mark.parametrize(
    ("text", "fix"),
    [
        ("point:960,540", "point:0.5,0.5"),
        ("point:960px,540px", "point:0.5,0.5"),
        ("box:480,270,960,540", "box:0.25,0.25,0.5,0.5"),
        ("stroke:480,270;960,540/27", "stroke:0.25,0.25;0.5,0.5/0.025"),
    ],
)
def test_pixels_are_answered_with_the_corrected_text(text, fix):
    """Computed: pixels over 1920 and 1080."""
    with pytest.raises(SampleError) as caught:
        Sample.parse(text)
    assert str(caught.value).endswith(f"at 1920×1080 that is {fix}")
    Sample.parse(fix)


@pytest.mark.slice
def test_a_stroke_cut_off_by_a_shell_is_told_to_be_quoted():
    with pytest.raises(SampleError, match=r"Quote a stroke.*or write \+ for ;"):
        Sample.parse("stroke:.46,.33")


@pytest.mark.slice
@pytest.mark.parametrize("place", [(-0.01, 0.5), (0.5, 1.01), (float("nan"), 0.5), (0.5, float("inf")), (960, 540)])
def test_a_place_outside_the_frame_is_named(place):
    with pytest.raises(SampleError, match=r"lies outside the frame: both numbers are parts of the frame's width"):
        Sample.point(*place)
    with pytest.raises(SampleError, match="lies outside the frame"):
        Sample.stroke([(0.5, 0.5), place], 0.1)
    with pytest.raises(SampleError, match="lies outside the frame"):
        Sample.box(0.1, 0.1, *place)


@pytest.mark.slice
@pytest.mark.parametrize("corners", [(0.5, 0.1, 0.4, 0.9), (0.1, 0.5, 0.9, 0.5)])
def test_a_box_needs_an_area(corners):
    with pytest.raises(SampleError, match="must have x0 < x1 and y0 < y1"):
        Sample.box(*corners)


@pytest.mark.slice
@pytest.mark.parametrize(
    ("points", "radius"), [([], 0.1), ([(0.5, 0.5)], 0), ([(0.5, 0.5)], 1.1), ([(0.5, 0.5)], np.nan)]
)
def test_a_stroke_needs_points_and_a_radius(points, radius):
    with pytest.raises(SampleError, match="needs points and a radius above 0 and up to 1"):
        Sample.stroke(points, radius)


@pytest.mark.parametrize(
    ("text", "in_percent"),
    [("point:50,40", "point:50%,40%"), ("box:10,20,30,40", "box:10%,20%,30%,40%"), ("point:500,40", ""),
     ("point:50px,40px", "")],
)  # fmt: skip
def test_numbers_that_could_be_meant_in_percent_are_told_so(text, in_percent):
    with pytest.raises(SampleError, match="is in pixels") as told:
        Sample.parse(text)
    assert str(told.value).endswith(f"; in % it is {in_percent}") == bool(in_percent)
    if in_percent:
        Sample.parse(in_percent)
