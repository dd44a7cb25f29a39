"""Compare: every mode against obvious numpy, with the bits of either side kept."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.kernels.errors import PictureError
from inkarnat.nodes.compare import MODES, Compare
from inkarnat.nodes.declare import ParamError


@pytest.fixture
def pair(make_picture):
    before, after = make_picture(36, 52, 3, 1), make_picture(36, 52, 3, 2)
    before[4, 5], after[30, 40] = np.nan, -np.inf
    after[2, 3] = np.array([0x7FC12345] * 3, np.uint32).view(np.float32)  # a NaN with a payload
    return before, after


@pytest.mark.parametrize("angle", [0, 360, -720])
def test_wipe_at_half_parts_left_from_right(pair, same_bits, angle):
    before, after = pair
    shown = Compare(angle=angle).process(before, after)
    same_bits(shown, np.concatenate([before[:, :26], after[:, 26:]], axis=1))


@pytest.mark.parametrize(
    ("angle", "first", "second"),
    [
        (90, np.s_[18:], np.s_[:18]),
        (-90, np.s_[:18], np.s_[18:]),
        (180, np.s_[:, 26:], np.s_[:, :26]),
    ],
)
def test_quarter_turns(pair, same_bits, angle, first, second):
    """Counter-clockwise: at 90° before lies below, at −90° above, at 180° on the right."""
    before, after = pair
    shown = Compare(angle=angle).process(before, after)
    same_bits(np.ascontiguousarray(shown[first]), np.ascontiguousarray(before[first]))
    same_bits(np.ascontiguousarray(shown[second]), np.ascontiguousarray(after[second]))


@pytest.mark.parametrize("angle", [0, 33, 90, 200])
def test_the_ends_of_a_wipe_show_one_picture(pair, same_bits, angle):
    before, after = pair
    same_bits(Compare(angle=angle, position=1).process(before, after), before)
    same_bits(Compare(angle=angle, position=0).process(before, after), after)


@given(st.floats(0.05, 0.95), st.floats(-180, 180))
def test_any_wipe_against_a_slow_one(position, angle):
    before, after = np.zeros((9, 16, 3), np.float32), np.ones((9, 16, 3), np.float32)
    shown = Compare(position=position, angle=angle).process(before, after)
    nx, ny = math.cos(math.radians(angle)), -math.sin(math.radians(angle))
    reach = [nx * x + ny * y for x in (0, 16) for y in (0, 9)]
    for y in range(9):
        for x in range(16):
            part = (nx * (x + 0.5) + ny * (y + 0.5) - min(reach)) / (max(reach) - min(reach))
            if abs(part - position) > 1e-6:
                assert shown[y, x, 0] == float(part > position)


def test_side_by_side_and_stacked_keep_both_whole(pair, same_bits):
    before, after = pair
    beside = Compare("side_by_side").process(before, after)
    same_bits(np.ascontiguousarray(beside[:, :52]), before)
    same_bits(np.ascontiguousarray(beside[:, 52:]), after)
    stacked = Compare("stacked").process(before, after)
    same_bits(np.ascontiguousarray(stacked[:36]), before)
    same_bits(np.ascontiguousarray(stacked[36:]), after)


@pytest.mark.parametrize("gain", [1.0, 4.0, 25.0])
def test_differences(make_picture, gain):
    before, after = make_picture(seed=1, channels=4), make_picture(seed=2, channels=4)
    exact = (after.astype(float) - before)[..., :3] * gain
    about_grey = Compare("difference", gain=gain).process(before, after)
    np.testing.assert_allclose(about_grey[..., :3], 0.5 + exact, rtol=2e-6, atol=2e-6 * gain)
    absolute = Compare("absolute", gain=gain).process(before, after)
    np.testing.assert_allclose(absolute[..., :3], abs(exact), rtol=2e-6, atol=2e-6 * gain)
    np.testing.assert_array_equal(about_grey[..., 3], after[..., 3])
    np.testing.assert_array_equal(absolute[..., 3], after[..., 3])


def test_equal_pictures_differ_by_nothing(picture):
    assert (Compare("difference").process(picture, picture.copy()) == np.float32(0.5)).all()
    assert (Compare("absolute").process(picture, picture.copy()) == 0).all()


def test_a_bad_pixel_stays_one_pixel(pair):
    bad = ~np.isfinite(Compare("absolute").process(*pair)).all(axis=2)
    assert sorted(map(tuple, np.argwhere(bad))) == [(2, 3), (4, 5), (30, 40)]


@pytest.mark.parametrize("mode", ["difference", "absolute"])
def test_a_matte_weighs_the_difference(make_picture, matte, mode):
    before, after = make_picture(seed=1), make_picture(seed=2)
    before[:, :3] = np.nan
    matte[:, :3] = 0
    matte[5, 5] = np.nan
    zero = 0.5 if mode == "difference" else 0
    whole = Compare(mode).process(before, after) - np.float32(zero)
    shown = Compare(mode).process(before, after, matte) - np.float32(zero)
    assert (shown[:, :3] == 0).all()
    assert (shown[5, 5] == 0).all()
    kept = np.nan_to_num(matte) > 0
    np.testing.assert_allclose(shown[kept], (whole * matte[..., None])[kept], atol=3e-6)


@pytest.mark.parametrize("mode", ["wipe", "side_by_side", "stacked"])
def test_a_matte_dims_what_it_leaves_out(make_picture, mode):
    """Keyed pixels keep their bits; the rest turns to grey of 22 % of its luma."""
    before, after = make_picture(36, 52, 3, 1), make_picture(36, 52, 3, 2)
    matte = np.zeros((36, 52), np.float32)
    matte[10:20] = 1
    bare, shown = Compare(mode).process(before, after), Compare(mode).process(before, after, matte)
    twice = {"wipe": matte, "side_by_side": np.tile(matte, 2), "stacked": np.tile(matte, (2, 1))}[mode]
    np.testing.assert_array_equal(shown[twice == 1], bare[twice == 1])
    grey = shown[twice == 0]
    np.testing.assert_allclose(grey, grey[:, :1].repeat(3, axis=1), atol=1e-6)
    luma = bare[twice == 0] @ np.array([0.2126, 0.7152, 0.0722])
    np.testing.assert_allclose(grey[:, 0], 0.22 * luma, atol=1e-6)


@pytest.mark.parametrize(("mode", "angle"), [("wipe", 0), ("wipe", 25), ("side_by_side", 0), ("stacked", 0)])
def test_the_line_touches_only_the_edge(pair, mode, angle):
    """All but the pixels within two of the edge keep their bits; along the edge the line is drawn."""
    bare = Compare(mode, angle=angle).process(*pair)
    lined = Compare(mode, angle=angle, line=True).process(*pair)
    changed = (bare.view(np.int32) != lined.view(np.int32)).any(axis=2)
    height, width = changed.shape
    turn = math.radians({"side_by_side": 0, "stacked": -90}.get(mode, angle))
    y, x = np.mgrid[0:height, 0:width] + 0.5
    distance = (x - width / 2) * math.cos(turn) - (y - height / 2) * math.sin(turn)
    assert not changed[abs(distance) > 2].any()
    assert changed[abs(distance) < 0.4].all()


def test_labels_stay_in_the_corners(make_picture):
    before, after = make_picture(240, 320, 4, 1), make_picture(240, 320, 4, 2)
    bare, labelled = Compare().process(before, after), Compare(labels=True).process(before, after)
    changed = (bare != labelled).any(axis=2)
    assert changed[:, :160].any()
    assert changed[:, 160:].any()
    assert not changed[30:].any()
    np.testing.assert_array_equal(bare[..., 3], labelled[..., 3])


@pytest.mark.parametrize("angle", [0, 40, 90, 135, 180, 250, -90])
def test_each_label_lies_on_its_own_side(angle):
    """The word that names a side is drawn on that side alone."""
    black, white = np.zeros((240, 320, 3), np.float32), np.full((240, 320, 3), 0.5, np.float32)
    bare = Compare(angle=angle).process(black, white)
    changed = (bare != Compare(angle=angle, labels=True).process(black, white)).any(axis=2)
    assert (changed & (bare[..., 0] == 0)).sum() > 20
    assert (changed & (bare[..., 0] == 0.5)).sum() > 20


@pytest.mark.parametrize("mode", MODES)
def test_every_mode_is_steady_and_takes_tiny_pictures(make_picture, same_bits, mode):
    node = Compare(mode, line=True, labels=True, angle=20)
    before, after = make_picture(40, 50, 4, 1), make_picture(40, 50, 4, 2)
    matte = np.full((40, 50), 0.5, np.float32)
    same_bits(node.process(before, after, matte), node.process(before, after, matte))
    assert node.process(before, after).shape[2] == 4
    for shape in ((1, 1), (1, 5), (4, 1)):
        assert np.isfinite(node.process(make_picture(*shape), make_picture(*shape))).all()


def test_pictures_that_do_not_agree_are_refused(make_picture):
    with pytest.raises(PictureError, match=r"\(8, 9, 3\) and \(8, 9, 4\)"):
        Compare().process(make_picture(8, 9), make_picture(8, 9, 4))
    with pytest.raises(PictureError, match=r"\(8, 9, 3\) and \(9, 9, 3\)"):
        Compare().process(make_picture(8, 9), make_picture(9, 9))
    with pytest.raises(PictureError, match="matte"):
        Compare("absolute").process(make_picture(8, 9), make_picture(8, 9), np.ones((3, 3), np.float32))
    with pytest.raises(ParamError, match="wipe"):
        Compare("wpe")


def test_declaration():
    node = Compare("difference", gain=8, labels=True)
    assert Compare.from_config(json.loads(json.dumps(node.config()))) == node
    ports = {name: (p.kind, p.optional) for name, p in Compare.inputs().items()}
    assert ports == {"before": ("picture", False), "after": ("picture", False), "matte": ("matte", True)}
    assert (Compare.name, Compare.label, Compare.group) == ("compare", "Compare", "compare")
