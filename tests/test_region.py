"""Regions: against OpenCV and scikit-image drawings, brute-force distances, and as properties."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.draw
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.kernels import region, strips
from inkarnat.kernels.errors import PictureError, ValueRangeError

FRAME = (120, 200)
STAR = ((0.2, 0.2), (0.5, 0.35), (0.85, 0.15), (0.7, 0.55), (0.8, 0.9), (0.45, 0.7), (0.15, 0.85), (0.3, 0.5))


def centres(shape=FRAME):
    """Pixel centres in frame heights from the top-left corner."""
    y, x = np.mgrid[: shape[0], : shape[1]] + 0.5
    return x / shape[0], y / shape[0]


def ramp(distance, feather, height=FRAME[0]):
    """The matte of a signed distance in frame heights."""
    t = np.clip(0.5 - distance / max(feather, 1 / height), 0, 1)
    return t * t * (3 - 2 * t)


def outline_distance(outline, shape=FRAME):
    """Distance of every pixel centre from a densely sampled outline, all in frame heights."""
    x, y = centres(shape)
    result = np.full(shape, np.inf)
    for px, py in outline:
        result = np.minimum(result, np.hypot(x - px, y - py))
    return result


def in_pixels(points, shape=FRAME):
    """Corners in the pixel coordinates of the drawing libraries, whose pixel centres are whole numbers."""
    return np.array(points) * (shape[1], shape[0]) - 0.5


# --- values -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("feather", [0, 0.05, 0.4])
def test_circle_is_exact(feather):
    x, y = centres()
    distance = np.hypot(x - 0.4 * 200 / 120, y - 0.5) - 0.3
    matte = region.ellipse(FRAME, (0.4, 0.5), (0.6, 0.6), 33, feather)
    assert np.abs(matte - ramp(distance, feather)).max() < 2e-4


@pytest.mark.parametrize("rotation", [0, 30, -75])
def test_ellipse_covers_what_scikit_image_draws(rotation):
    matte = region.ellipse(FRAME, (0.5, 0.45), (0.9, 0.4), rotation)
    row, column = 0.45 * 120 - 0.5, 0.5 * 200 - 0.5
    drawn = np.zeros(FRAME, bool)
    # scikit-image takes the rotation in −π…π, counter-clockwise on the screen, of the first (vertical) radius.
    drawn[skimage.draw.ellipse(row, column, 24, 54, FRAME, np.radians(rotation))] = True
    assert np.array_equal(matte > 0.5, drawn) or ((matte > 0.5) != drawn).mean() < 2e-4


def test_ellipse_s_feather_is_right_to_first_order():
    turns = np.linspace(0, 2 * np.pi, 4000)
    x, y = centres()
    inside = ((x - 5 / 6) / 0.45) ** 2 + ((y - 0.5) / 0.25) ** 2 < 1
    distance = outline_distance(np.column_stack([5 / 6 + 0.45 * np.cos(turns), 0.5 + 0.25 * np.sin(turns)]))
    expected = ramp(np.where(inside, -distance, distance), 0.08)
    assert np.abs(region.ellipse(FRAME, (0.5, 0.5), (0.9, 0.5), 0, 0.08) - expected).max() < 0.02


@pytest.mark.parametrize("rotation", [0, 20, 90, 200])
@pytest.mark.parametrize("feather", [0, 0.2])
def test_box_is_exact(rotation, feather):
    x, y = centres()
    dx, dy = x - 0.55 * 200 / 120, y - 0.4
    turn = np.radians(rotation)
    a = abs(dx * np.cos(turn) - dy * np.sin(turn)) - 0.35
    b = abs(dx * np.sin(turn) + dy * np.cos(turn)) - 0.15
    distance = np.hypot(np.maximum(a, 0), np.maximum(b, 0)) + np.minimum(np.maximum(a, b), 0)
    matte = region.box(FRAME, (0.55, 0.4), (0.7, 0.3), rotation, feather)
    assert np.abs(matte - ramp(distance, feather)).max() < 2e-4


def test_positive_rotation_is_counter_clockwise_on_the_screen():
    matte = region.box(FRAME, (0.5, 0.5), (0.8, 0.1), 45)
    assert matte[30, 130] == 1
    assert matte[90, 130] == 0


@pytest.mark.parametrize("feather", [0, 0.03, 0.3])
def test_polygon_against_opencv_s_distances(feather):
    matte = region.polygon(FRAME, STAR, feather)
    outline = in_pixels(STAR).astype(np.float32).reshape(-1, 1, 2)
    distance = np.array(
        [[-cv2.pointPolygonTest(outline, (float(x), float(y)), True) for x in range(200)] for y in range(120)]
    )
    assert np.abs(matte - ramp(distance / 120, feather)).max() < 2e-3


def test_polygon_covers_what_scikit_image_draws():
    drawn = skimage.draw.polygon2mask(FRAME, in_pixels(STAR)[:, ::-1])
    assert ((region.polygon(FRAME, STAR) > 0.5) != drawn).mean() < 5e-4


def test_polygon_twice_round_is_outside():
    """A pentagram's middle is enclosed twice: outside by the even-odd rule of SVG 1.1, section 11.3."""
    turns = np.radians(np.arange(5) * 144 - 90)
    matte = region.polygon((100, 100), np.column_stack([0.5 + 0.45 * np.cos(turns), 0.5 + 0.45 * np.sin(turns)]))
    assert matte[50, 50] == 0
    assert matte[15, 50] == 1


def test_polygon_through_pixel_centres_is_watertight():
    """Corners exactly on pixel rows: no row may leak to the frame's edge."""
    corners = [
        ((x + 0.5) / 100, (y + 0.5) / 100) for x, y in ((20, 20), (50, 20), (50, 50), (80, 50), (80, 80), (20, 80))
    ]
    matte = region.polygon((100, 100), corners)
    assert matte[:, 83:].max() == 0
    assert matte[:, :17].max() == 0
    assert matte[60, 22:78].min() == 1


@pytest.mark.parametrize("draw", ["ellipse", "box", "polygon"])
def test_proxy_agrees_with_full_size(draw):
    def matte(shape):
        if draw == "polygon":
            return region.polygon(shape, STAR, 0.1)
        return getattr(region, draw)(shape, (0.45, 0.55), (0.7, 0.4), 15, 0.1)

    full = matte((480, 800)).reshape(120, 4, 200, 4).mean((1, 3))
    assert np.abs(full - matte(FRAME)).max() < 0.03


# --- properties ---------------------------------------------------------------------------------------------

DRAWINGS = {
    "ellipse": lambda shape, feather: region.ellipse(shape, (0.45, 0.55), (0.7, 0.4), 15, feather),
    "box": lambda shape, feather: region.box(shape, (0.45, 0.55), (0.7, 0.4), 15, feather),
    "polygon": lambda shape, feather: region.polygon(shape, STAR, feather),
}


@pytest.mark.parametrize("name", DRAWINGS)
def test_same_bits_for_any_threads_and_strips(name, same_bits, monkeypatch):
    with strips.threads(1):
        expected = DRAWINGS[name](FRAME, 0.1)
    with strips.threads(2):
        same_bits(DRAWINGS[name](FRAME, 0.1), expected)
    over_rows = strips.over_rows
    monkeypatch.setattr(region, "over_rows", lambda *arguments: over_rows(*arguments, strip=7))
    same_bits(DRAWINGS[name](FRAME, 0.1), expected)


@given(st.sampled_from(sorted(DRAWINGS)), st.floats(0, 2), st.integers(1, 60), st.integers(1, 60))
def test_matte_stays_between_0_and_1(name, feather, height, width):
    matte = DRAWINGS[name]((height, width), feather)
    assert matte.shape == (height, width)
    assert matte.dtype == np.float32
    assert matte.min() >= 0
    assert matte.max() <= 1


@pytest.mark.parametrize("name", DRAWINGS)
def test_edge_is_never_harder_than_a_pixel(name):
    matte = DRAWINGS[name](FRAME, 0)
    soft = (matte > 0) & (matte < 1)
    assert soft.any()
    assert (matte == 1).any()
    assert (matte == 0).any()
    assert abs(matte.mean() - DRAWINGS[name]((960, 1600), 0).mean()) < 2e-4


@given(st.floats(-360, 360))
def test_a_circle_does_not_turn(rotation):
    first, second = (region.ellipse((50, 60), (0.5, 0.5), (0.6, 0.6), turn, 0.1) for turn in (0, rotation))
    assert np.abs(first - second).max() < 1e-3


@given(st.tuples(st.floats(-3, 4), st.floats(-3, 4)), st.floats(0.001, 5), st.floats(0.001, 5), st.floats(0, 3))
def test_no_ellipse_makes_nan(centre, width, height, feather):
    assert np.isfinite(region.ellipse((13, 17), centre, (width, height), 20, feather)).all()


def test_a_point_in_the_centre_of_a_thin_ellipse_is_inside():
    matte = region.ellipse((101, 101), (0.5, 0.5), (0.9, 0.1), 0, 0.02)
    assert matte[50, 20:81].min() == 1


# --- joining ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("operation", "formula"),
    [
        ("multiply", lambda a, b: a * b),
        ("maximum", np.maximum),
        ("minimum", np.minimum),
        ("subtract", lambda a, b: a * (1 - b)),
        ("difference", lambda a, b: abs(a - b)),
    ],
)
def test_join(operation, formula):
    random = np.random.default_rng(0)
    first, second = random.random((2, 20, 30), np.float32) * 1.4 - 0.2
    expected = formula(np.clip(first, 0, 1), np.clip(second, 0, 1))
    assert np.allclose(region.join(first, second, operation), expected, atol=1e-7)
    first[3, 4] = np.nan
    assert np.isfinite(region.join(first, second, operation)).all()


# --- errors -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: region.ellipse(FRAME, (0.5, 0.5), (0, 1)), "size must be above 0 frame heights, not 0×1"),
        (lambda: region.box(FRAME, (float("nan"), 0.5), (1, 1)), "centre must be finite, not nan, 0.5"),
        (lambda: region.box(FRAME, (0.5, 0.5), (1, 1), feather=-1), "feather must be 0 or more frame heights, not -1"),
        (lambda: region.polygon(FRAME, [(0, 0), (1, 1)]), "at least 3 corners, not 2"),
        (lambda: region.join(np.ones((2, 2)), np.ones((2, 2)), "add"), "'add' is unknown: use one of multiply"),
    ],
)
def test_number_out_of_range_is_named(call, words):
    with pytest.raises(ValueRangeError, match=words):
        call()


def test_wrong_sizes_are_named():
    with pytest.raises(PictureError, match="second matte is 3×2 pixels"):
        region.join(np.ones((2, 2)), np.ones((2, 3)), "multiply")
    with pytest.raises(PictureError, match="at least one pixel, not 0×4"):
        region.ellipse((4, 0), (0.5, 0.5), (1, 1))


# --- without compilation ------------------------------------------------------------------------------------


@pytest.mark.slice
def test_slice_of_regions():
    x, y = centres((14, 20))
    circle = ramp(np.hypot(x - 10 / 14, y - 0.5) - 0.3, 0.2, 14)
    assert np.abs(region.ellipse((14, 20), (0.5, 0.5), (0.6, 0.6), 0, 0.2) - circle).max() < 2e-4
    corners = ((0.2, 0.2), (0.8, 0.2), (0.8, 0.8), (0.2, 0.8))
    by_corners = region.polygon((14, 20), corners, 0.2)
    by_size = region.box((14, 20), (0.5, 0.5), (0.6 * 20 / 14, 0.6), 0, 0.2)
    assert np.abs(by_corners - by_size).max() < 2e-4
    assert np.allclose(region.join(by_size, by_corners, "difference"), 0, atol=2e-4)
