"""Mixing and showing: blends exact at both ends, and the views in which a matte is judged."""

from __future__ import annotations

import numpy as np
import pytest
import references
import scipy.ndimage as ndi
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.kernels import mix, strips
from inkarnat.kernels.errors import PictureError
from inkarnat.nodes import Blend, ParamError, ShowMatte
from inkarnat.nodes.view import VIEWS

ODD_BITS = np.array([0x7FC01234, 0x7F812345, 0xFFC00001, 0x7F800000, 0xFF800000, 1, 0x80000000], np.uint32)


def bits(array):
    return np.ascontiguousarray(array).view(np.int32)


def two(make_picture, channels=3, shape=(9, 14)):
    matte = np.random.default_rng(4).random(shape).astype(np.float32)
    matte[0], matte[1] = 0, 1
    return make_picture(*shape, channels, 1), make_picture(*shape, channels, 2), matte


# --- blend --------------------------------------------------------------------------------------------------


@pytest.mark.slice
@pytest.mark.parametrize("channels", [3, 4])
@pytest.mark.parametrize("amount", [1.0, 0.3, 0.0])
def test_blend_is_the_straight_mixture(make_picture, channels, amount):
    first, second, matte = two(make_picture, channels)
    share = (matte * np.float32(amount)).astype(np.float64)[..., None]
    expected = (1 - share) * first + share * second
    np.testing.assert_allclose(mix.blend(first, second, matte, amount), expected, atol=1e-6)


@pytest.mark.parametrize("channels", [3, 4])
def test_blend_is_exact_at_both_ends(make_picture, channels, same_bits):
    """Also where the other picture holds what no arithmetic survives."""
    first, second, matte = two(make_picture, channels)
    first[:2, :7].view(np.uint32)[...] = ODD_BITS[:, None]
    second[:2, 5:12].view(np.uint32)[...] = ODD_BITS[:, None]
    result = mix.blend(first, second, matte)
    same_bits(result[:1], first[:1])
    same_bits(result[1:2], second[1:2])
    same_bits(mix.blend(first, second, matte, 0.0), first)


def test_blend_without_a_matte_mixes_everywhere(make_picture, same_bits):
    first, second, _ = two(make_picture)
    same_bits(Blend().process(first, second), second)
    same_bits(Blend(amount=0).process(first, second), first)
    np.testing.assert_allclose(Blend(amount=0.25).process(first, second), 0.75 * first + 0.25 * second, atol=1e-6)


def test_blend_limits_a_matte_above_one_and_below_zero(make_picture, same_bits):
    first, second, _ = two(make_picture)
    same_bits(mix.blend(first, second, np.full((9, 14), 1.5, np.float32)), second)
    same_bits(mix.blend(first, second, np.full((9, 14), -0.5, np.float32)), first)
    same_bits(mix.blend(first, second, np.full((9, 14), np.nan, np.float32)), first)


def test_blend_refuses_pictures_that_do_not_agree(make_picture):
    first, second, matte = two(make_picture)
    with pytest.raises(PictureError, match="same size and number of channels"):
        mix.blend(first, make_picture(9, 14, 4), matte)
    with pytest.raises(PictureError, match="same size"):
        mix.blend(first, second, matte[1:])
    with pytest.raises(PictureError, match="same size"):
        Blend().process(first, second[:, 1:])


# --- views --------------------------------------------------------------------------------------------------


def view(name, image, matte):
    return ShowMatte(view=name).process(image, matte)


@pytest.mark.slice
@pytest.mark.parametrize("channels", [3, 4])
def test_matte_and_luma_are_shown_as_grey(make_picture, channels):
    image, _, matte = two(make_picture, channels)
    for name, plane in (("matte", matte), ("luma", references.luma(image[..., :3]))):
        shown = view(name, image, matte)
        assert shown.shape == image.shape
        np.testing.assert_allclose(shown[..., :3], np.repeat(plane[..., None], 3, axis=2), atol=1e-6)
        if channels == 4:
            assert (shown[..., 3] == 1).all()


@pytest.mark.slice
@pytest.mark.parametrize("channels", [3, 4])
def test_dimmed_keeps_the_keyed_and_greys_the_rest(make_picture, channels):
    image, _, matte = two(make_picture, channels)
    shown = view("dimmed", image, matte)
    grey = 0.22 * references.luma(image[..., :3])[..., None]
    np.testing.assert_allclose(shown[..., :3], grey + matte[..., None] * (image[..., :3] - grey), atol=1e-6)
    assert np.array_equal(shown[..., 3:], image[..., 3:])


@pytest.mark.parametrize("channels", [3, 4])
def test_hatched_keeps_the_keyed_and_draws_lines_over_the_rest(make_picture, channels):
    image, _, _ = two(make_picture, channels, (40, 60))
    matte = np.zeros((40, 60), np.float32)
    matte[:, 30:] = 1
    shown = view("hatched", image, matte)
    np.testing.assert_allclose(shown[:, 30:], image[:, 30:], atol=1e-6)
    lines = shown[:, :30, :3]
    assert np.ptp(lines, axis=2).max() == 0, "the lines are grey"
    assert len(np.unique(lines)) == 2
    for y in range(39):
        assert np.array_equal(lines[y, 1:], lines[y + 1, :-1]), "they slant at 45°"
    assert (lines[0, 0] != lines[0, 4]).all()


def test_the_outline_lies_on_the_rim_of_the_keyed_area(make_picture):
    """The rim is what one step of erosion takes away (scipy.ndimage); white on dark, black on light."""
    image, _, _ = two(make_picture, 3, (40, 60))
    y, x = np.mgrid[:40, :60]
    inside = np.hypot(y - 18, x - 30) < 13
    shown = view("outline", image, np.where(inside, 0.9, 0.3).astype(np.float32))
    rim = inside & ~ndi.binary_erosion(inside, border_value=1)
    assert np.array_equal(shown[~rim], image[~rim])
    dark = references.luma(image) < 0.5
    assert (shown[rim & dark] == 1).all()
    assert (shown[rim & ~dark] == 0).all()


def test_an_outline_at_the_frame_needs_no_neighbour(make_picture):
    image = make_picture(5, 6)
    assert np.array_equal(view("outline", image, np.ones((5, 6), np.float32)), image)


@pytest.mark.parametrize("name", VIEWS)
@pytest.mark.parametrize("channels", [3, 4])
def test_views_give_the_same_bits_for_any_threads_and_strides(make_picture, same_bits, name, channels):
    image, _, matte = two(make_picture, channels, (150, 23))
    with strips.threads(1):
        one = view(name, image, matte)
    with strips.threads(3):
        same_bits(view(name, image, matte), one)
    same_bits(view(name, np.asfortranarray(image), np.asfortranarray(matte)), one)
    assert one.dtype == np.float32


@pytest.mark.parametrize("name", VIEWS)
@pytest.mark.parametrize("size", [(1, 1), (1, 7), (6, 1)])
def test_views_of_the_smallest_pictures(make_picture, name, size):
    image = make_picture(*size)
    shown = view(name, image, np.full(size, 0.7, np.float32))
    assert shown.shape == image.shape
    assert np.isfinite(shown).all()


@given(st.floats(0, 1, width=32), st.integers(0, 3))
def test_a_bad_pixel_does_not_spread_in_a_view(level, row):
    image = np.full((4, 5, 3), 0.4, np.float32)
    matte = np.full((4, 5), level, np.float32)
    clean = {name: view(name, image, matte) for name in VIEWS}
    image[row, 2] = np.nan
    for name, expected in clean.items():
        others = np.ones((4, 5), bool)
        others[row, 2] = False
        assert np.array_equal(bits(view(name, image, matte))[others], bits(expected)[others])


def test_an_unknown_view_is_refused_with_the_nearest():
    with pytest.raises(ParamError, match="Did you mean 'hatched'"):
        ShowMatte(view="hatch")


def test_grey_pictures_have_three_or_four_channels():
    with pytest.raises(PictureError, match="3 or 4 channels, not 2"):
        mix.grey_picture(np.zeros((3, 4), np.float32), 2)
