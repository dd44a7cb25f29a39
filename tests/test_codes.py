"""Codes: quantisation against BT.709-6 and colour-science, chroma in its place, and codes that must not change."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.kernels import codes, fused, steer, strips
from inkarnat.kernels.codes import Coding
from inkarnat.kernels.errors import PictureError, ValueRangeError

# 75 % bars, 10 bit, BT.709: computed from BT.709-6; SMPTE RP 219 from memory.
BARS = {
    (0.75, 0.75, 0.0): (674, 176, 543),
    (0.0, 0.75, 0.75): (581, 589, 176),
    (0.0, 0.75, 0.0): (534, 253, 207),
    (0.75, 0.0, 0.75): (251, 771, 817),
    (0.75, 0.0, 0.0): (204, 435, 848),
    (0.0, 0.0, 0.75): (111, 848, 481),
    (0.75, 0.75, 0.75): (721, 512, 512),
}
SUBSAMPLINGS = tuple(codes.SUBSAMPLING)
SITINGS = tuple(codes.SITING)


def flat(colour, height=6, width=8):
    picture = np.empty((height, width, 3), np.float32)
    picture[:] = colour
    return picture


def random_planes(coding, height=37, width=53, seed=0, alpha=False):
    random = np.random.default_rng(seed)
    shapes = coding.shapes(height, width) + [(height, width)] * alpha
    return tuple(random.integers(0, coding.top + 1, shape).astype(coding.dtype) for shape in shapes)


def same(first, second):
    return len(first) == len(second) and all(
        a.dtype == b.dtype and np.array_equal(a, b) for a, b in zip(first, second, strict=True)
    )


# --- code values --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("subsampling", SUBSAMPLINGS)
@pytest.mark.parametrize(("colour", "expected"), BARS.items())
def test_bars_have_their_published_codes(colour, expected, subsampling):
    planes = codes.picture_to_planes(flat(colour), Coding(10, subsampling=subsampling), dither=False)
    assert [np.unique(plane).tolist() for plane in planes] == [[value] for value in expected]


@pytest.mark.parametrize(
    ("bits", "black", "white", "zero", "ends"), [(8, 16, 235, 128, (16, 240)), (10, 64, 940, 512, (64, 960))]
)
def test_black_white_and_full_chroma(bits, black, white, zero, ends):
    # BT.709-6 items 3.4 and 4.6: 16 + 219 Y′ and 128 + 224 C at 8 bits, 64 + 876 Y′ and 512 + 896 C at 10.
    coding = Coding(bits, subsampling="4:4:4")
    for colour, expected in (((0, 0, 0), (black, zero, zero)), ((1, 1, 1), (white, zero, zero))):
        assert [int(plane[0, 0]) for plane in codes.picture_to_planes(flat(colour), coding)] == list(expected)
    blue, yellow = (codes.picture_to_planes(flat(c), coding) for c in ((0, 0, 1), (1, 1, 0)))
    red, cyan = (codes.picture_to_planes(flat(c), coding) for c in ((1, 0, 0), (0, 1, 1)))
    assert (int(yellow[1][0, 0]), int(blue[1][0, 0])) == ends
    assert (int(cyan[2][0, 0]), int(red[2][0, 0])) == ends


@pytest.mark.parametrize("standard", ["601", "709", "2020"])
@pytest.mark.parametrize("studio", [True, False])
@pytest.mark.parametrize("bits", [8, 10, 12])
def test_codes_agree_with_colour_science(standard, studio, bits):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        science = importlib.import_module("colour")
    names = {"601": "ITU-R BT.601", "709": "ITU-R BT.709", "2020": "ITU-R BT.2020"}
    weights = science.WEIGHTS_YCBCR[names[standard]]
    picture = np.random.default_rng(5).random((9, 11, 3)).astype(np.float32)
    expected = science.RGB_to_YCbCr(picture, K=weights, out_bits=bits, out_legal=studio, out_int=True)
    coding = Coding(bits, studio, standard, "4:4:4")
    planes = np.stack(codes.picture_to_planes(picture, coding, dither=False), axis=-1).astype(int)
    difference = np.abs(planes - np.clip(expected, *coding.limits))
    assert difference.max() <= 1, "rounding of exact halves only"
    assert (difference > 0).mean() < 0.01


@pytest.mark.parametrize("subsampling", SUBSAMPLINGS)
@pytest.mark.parametrize("siting", SITINGS)
@pytest.mark.parametrize(("bits", "standard", "studio"), [(8, "601", False), (10, "709", True), (16, "2020", True)])
def test_flat_colours_survive_the_round_trip(subsampling, siting, bits, standard, studio):
    coding = Coding(bits, studio, standard, subsampling, siting)
    picture = flat((0.62, 0.41, 0.33), 7, 9)
    back = codes.planes_to_picture(codes.picture_to_planes(picture, coding, dither=False), coding)
    steps = 1.0 / (219 << (bits - 8))
    assert np.abs(back - picture).max() < 2 * steps + 1e-6


def test_values_beyond_white_and_below_black_survive_decoding():
    planes = tuple(np.full((2, 2), value, np.uint8) for value in (254, 128, 128))
    assert codes.planes_to_picture(planes, Coding(subsampling="4:4:4"))[0, 0, 0] == pytest.approx((254 - 16) / 219)
    planes = tuple(np.full((2, 2), value, np.uint8) for value in (2, 128, 128))
    assert codes.planes_to_picture(planes, Coding(subsampling="4:4:4"))[0, 0, 0] == pytest.approx((2 - 16) / 219)


def test_picture_content_stays_off_the_timing_codes():
    # BT.709-6 item 4.5: 1 to 254 and 4 to 1019 are video data.
    bright, dark = flat((9.0, 9.0, 9.0)), flat((-9.0, -9.0, -9.0))
    assert codes.picture_to_planes(bright, Coding(8))[0].max() == 254
    assert codes.picture_to_planes(dark, Coding(10))[0].min() == 4
    assert codes.picture_to_planes(bright, Coding(8, studio=False))[0].max() == 255


def test_rgb_planes_and_alpha():
    coding = Coding(12, False, "rgb", "4:4:4")
    planes = random_planes(coding, alpha=True)
    picture = codes.planes_to_picture(planes, coding)
    assert picture.shape == (37, 53, 4)
    assert np.allclose(picture, np.stack(planes, axis=-1) / 4095, atol=1e-7)
    assert same(codes.picture_to_planes(picture, coding, alpha=True), planes)
    opaque = codes.picture_to_planes(picture[:, :, :3], coding, alpha=True)
    assert (opaque[3] == 4095).all()


# --- where chroma sits --------------------------------------------------------------------------------------


def positions(size, factor, on_first):
    """The places of chroma samples in luma pixels."""
    return np.arange(-(-size // factor)) * factor + (0 if on_first else (factor - 1) / 2)


@pytest.mark.parametrize("subsampling", SUBSAMPLINGS)
@pytest.mark.parametrize("siting", SITINGS)
def test_chroma_comes_back_to_its_place(subsampling, siting):
    # A parabola in place of chroma: the cubic of Keys (1981) is exact for it wherever all four taps exist.
    coding = Coding(16, False, "709", subsampling, siting)
    across, down = codes.SUBSAMPLING[subsampling]
    height, width = 40, 48
    x = positions(width, across, codes.SITING[siting][0])[None]
    y = positions(height, down, codes.SITING[siting][1])[:, None]

    def shape(x, y):
        return 20000 + 300 * x - 5 * x * x + 200 * y + 3 * y * y

    cb = shape(x, y).round().astype(np.uint16)
    planes = (np.full((height, width), 30000, np.uint16), cb, np.full_like(cb, 32768))
    picture = codes.planes_to_picture(planes, coding)
    decoded = (picture[:, :, 2] - 30000 / 65535) / 1.8556 * 65535 + 32768
    wanted = shape(np.arange(width)[None], np.arange(height)[:, None])
    inner = np.s_[3 * down : -3 * down, 3 * across : -3 * across]
    assert np.abs(decoded - wanted)[inner].max() < 1.5


@pytest.mark.parametrize("siting", SITINGS)
def test_the_cubic_beats_nearest_and_linear(siting):
    # A wave of nine luma pixels' length sampled at every second pixel.
    first_column = codes.SITING[siting][0]
    places = positions(64, 2, first_column)
    wave = lambda x: np.sin(2 * np.pi * x / 9)  # noqa: E731
    cb = np.tile((32768 + 9000 * wave(places)).round().astype(np.uint16), (4, 1))
    planes = (np.full((4, 64), 30000, np.uint16), cb, np.full_like(cb, 32768))
    picture = codes.planes_to_picture(planes, Coding(16, False, "709", "4:2:2", siting))
    ours = ((picture[0, :, 2] - 30000 / 65535) / 1.8556 * 65535) / 9000
    x = np.arange(64)
    linear, nearest = np.interp(x, places, wave(places)), wave(places)[x // 2]
    error = {
        name: np.sqrt(np.mean((v - wave(x))[6:-6] ** 2))
        for name, v in (("cubic", ours), ("linear", linear), ("nearest", nearest))
    }
    assert error["cubic"] < 0.75 * error["linear"] < 0.75 * error["nearest"]


@pytest.mark.parametrize("siting", SITINGS)
@pytest.mark.parametrize("subsampling", SUBSAMPLINGS)
def test_a_ramp_keeps_its_place_there_and_back(subsampling, siting):
    coding = Coding(16, False, "709", subsampling, siting)
    y, x = np.mgrid[0:32, 0:32] / 64
    picture = np.stack([0.3 + x, 0.3 + 0.5 * y, 0.6 - 0.5 * x], axis=-1).astype(np.float32)
    back = codes.planes_to_picture(codes.picture_to_planes(picture, coding), coding)
    assert np.abs(back - picture)[8:-8, 8:-8].max() < 1e-4


def test_downsampling_agrees_with_an_obvious_mean():
    picture = np.random.default_rng(2).random((6, 9, 3)).astype(np.float32)
    full = codes.picture_to_planes(picture, Coding(16, False, "709", "4:4:4"), dither=False)
    centred = codes.picture_to_planes(picture, Coding(16, False, "709", "4:2:0", "centre"), dither=False)
    left = codes.picture_to_planes(picture, Coding(16, False, "709", "4:2:2", "left"), dither=False)
    wide = np.pad(full[1].astype(float), ((0, 0), (1, 2)), mode="edge")
    mean = (wide[0::2, 1:10:2] + wide[0::2, 2:11:2] + wide[1::2, 1:10:2] + wide[1::2, 2:11:2]) / 4
    triangle = (wide[:, 0:9:2] + 2 * wide[:, 1:10:2] + wide[:, 2:11:2]) / 4
    assert np.abs(centred[1] - mean).max() <= 1
    assert np.abs(left[1] - triangle).max() <= 1


# --- only what changed --------------------------------------------------------------------------------------


@pytest.mark.parametrize("subsampling", SUBSAMPLINGS)
@pytest.mark.parametrize("siting", SITINGS)
@pytest.mark.parametrize(("bits", "studio", "dither"), [(8, True, True), (10, False, True), (12, True, False)])
def test_an_unchanged_picture_keeps_every_code(subsampling, siting, bits, studio, dither):
    coding = Coding(bits, studio, "709", subsampling, siting)
    planes = random_planes(coding)
    picture = codes.planes_to_picture(planes, coding)
    assert same(codes.change_to_planes(picture.copy(), planes, coding, dither), planes)


@pytest.mark.parametrize("subsampling", SUBSAMPLINGS)
@pytest.mark.parametrize("siting", SITINGS)
def test_only_the_touched_codes_change(subsampling, siting):
    coding = Coding(10, True, "709", subsampling, siting)
    planes = random_planes(coding, 48, 64)
    before = codes.planes_to_picture(planes, coding)
    after = before.copy()
    after[16:32, 24:40] += np.float32([0.1, -0.05, 0.02])
    changed = codes.change_to_planes(after, planes, coding)
    across, down = codes.SUBSAMPLING[subsampling]
    luma = np.ones((48, 64), bool)
    luma[16:32, 24:40] = False
    assert np.array_equal(changed[0][luma], planes[0][luma])
    chroma = np.ones(planes[1].shape, bool)
    chroma[16 // down : 32 // down + 1, 24 // across : 40 // across + 1] = False
    for plane, old in zip(changed[1:], planes[1:], strict=True):
        assert np.array_equal(plane[chroma], old[chroma])
        assert (plane != old).any()


def test_the_change_arrives_in_full():
    coding = Coding(10, True, "709", "4:2:0")
    planes = codes.picture_to_planes(flat((0.5, 0.4, 0.35), 64, 64), coding, dither=False)
    before = codes.planes_to_picture(planes, coding)
    wanted = np.float32([0.03, 0.01, -0.02])
    after = codes.planes_to_picture(codes.change_to_planes(before + wanted, planes, coding), coding)
    assert np.abs((after - before).mean(axis=(0, 1)) - wanted).max() < 1e-4


def test_dither_keeps_the_mean_of_a_small_change():
    coding = Coding(8, True, "709", "4:4:4")
    planes = codes.picture_to_planes(flat((0.5, 0.5, 0.5), 128, 128), coding, dither=False)
    before = codes.planes_to_picture(planes, coding)
    after = before + np.float32(0.3 / 219)
    dithered = codes.change_to_planes(after, planes, coding)[0].astype(int) - planes[0]
    assert set(np.unique(dithered)) == {0, 1}
    assert dithered.mean() == pytest.approx(0.3, abs=0.02)
    plain = codes.change_to_planes(after, planes, coding, dither=False)
    assert same(plain, planes)


def test_a_steer_that_keeps_luma_leaves_the_luma_codes():
    coding = Coding(8, True, "709", "4:2:0")
    planes = codes.picture_to_planes(flat((0.6, 0.45, 0.4), 64, 64), coding, dither=False)
    before = codes.planes_to_picture(planes, coding)
    shift = np.float32([0.02, -0.02 * 0.2126 / 0.7152, 0.0])
    changed = codes.change_to_planes(before + shift, planes, coding)
    assert np.array_equal(changed[0], planes[0])
    assert not np.array_equal(changed[2], planes[2])


def test_alpha_passes_as_it_was_read():
    coding = Coding(10, True, "709", "4:4:4")
    planes = random_planes(coding, alpha=True)
    before = codes.planes_to_picture(planes, coding)
    assert np.array_equal(codes.change_to_planes(before * np.float32(0.5), planes, coding)[3], planes[3])


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_bad_pixel_stays_by_itself(bad):
    coding = Coding(8, True, "709", "4:2:0")
    planes = random_planes(coding, 32, 32)
    before = codes.planes_to_picture(planes, coding)
    after = before.copy()
    after[10, 10] = bad
    changed = codes.change_to_planes(after, planes, coding)
    assert (changed[0] != planes[0]).sum() <= 1
    assert all((new != old).sum() <= 4 for new, old in zip(changed[1:], planes[1:], strict=True))
    if np.isnan(bad):
        assert same(changed, planes)


# --- from coding to coding ----------------------------------------------------------------------------------


@pytest.mark.parametrize("subsampling", SUBSAMPLINGS)
@pytest.mark.parametrize("siting", SITINGS)
@pytest.mark.parametrize("other", [Coding(10, True, "709", "4:2:2"), Coding(8, False, "601", "4:2:0", "corner")])
def test_recoding_gives_the_codes_that_a_picture_in_between_gives(subsampling, siting, other):
    for bits in (8, 12):
        coding = Coding(bits, True, "709", subsampling, siting)
        planes = random_planes(coding, 33, 47)
        by_picture = codes.picture_to_planes(codes.planes_to_picture(planes, coding), other)
        assert same(codes.recode(planes, coding, other), by_picture)


def test_recoding_to_the_same_coding_keeps_luma_and_flat_chroma():
    coding = Coding(8)
    planes = codes.picture_to_planes(flat((0.6, 0.45, 0.4), 32, 32), coding, dither=False)
    assert same(codes.recode(planes, coding, coding), planes)


# --- full-range integers ------------------------------------------------------------------------------------


@pytest.mark.parametrize("bits", [1, 8, 10, 12, 16])
@pytest.mark.parametrize("dither", [True, False])
def test_every_code_survives_floats(bits, dither):
    every = np.arange(1 << bits).reshape(-1, 2).astype(np.uint8 if bits <= 8 else np.uint16)
    floats = codes.dequantise(every, bits)
    assert floats.dtype == np.float32
    assert floats.max() == 1
    assert np.array_equal(codes.quantise(floats, bits, dither), every)


def test_dither_spreads_a_level_between_codes():
    level = np.full((256, 256, 3), (100 + 0.25) / 255, np.float32)
    result = codes.quantise(level, 8)
    assert set(np.unique(result)) == {100, 101}
    assert (result == 101).mean(axis=(0, 1)) == pytest.approx([0.25] * 3, abs=0.02)
    rows = (result[:, :, 0] == 101).mean(axis=1)
    assert rows.std() < 0.05, "the noise has no stripes"
    assert np.abs(np.corrcoef(result[:, :-1, 0].ravel(), result[:, 1:, 0].ravel())[0, 1]) < 0.02


def test_numbers_outside_and_bad_numbers_are_limited():
    given_values = np.float32([[-1, 0, 1, 2, np.nan, np.inf, -np.inf]])
    assert codes.quantise(given_values, 8).tolist() == [[0, 0, 255, 255, 0, 255, 0]]


@given(
    st.integers(1, 4), st.integers(1, 90), st.integers(1, 70), st.sampled_from(SUBSAMPLINGS), st.sampled_from(SITINGS)
)
def test_any_size_any_thread_count_same_codes(count, height, width, subsampling, siting):
    coding = Coding(10, True, "709", subsampling, siting)
    planes = random_planes(coding, height, width)
    results = []
    for threads in (1, count):
        with strips.threads(threads):
            picture = codes.planes_to_picture(planes, coding)
            changed = codes.change_to_planes(picture * np.float32(1.1), planes, coding)
            results.append((picture, *changed, codes.quantise(picture, 8)))
    assert all(np.array_equal(a, b) for a, b in zip(*results, strict=True))


@pytest.mark.parametrize("count", [1, 2, 3, 7, 16])
@pytest.mark.parametrize(("height", "width"), [(1, 5), (2, 2), (719, 24), (1083, 16), (2161, 8)])
@pytest.mark.parametrize(
    ("subsampling", "siting"), [("4:2:0", "left"), ("4:2:0", "corner"), ("4:2:2", "left"), ("4:4:4", "left")]
)
def test_a_picture_goes_into_planes_while_it_is_made(count, height, width, subsampling, siting):
    coding, fine = Coding(8, True, "709", subsampling, siting), Coding(10, True, "709", subsampling, siting)
    planes = random_planes(coding, height, width)
    picture = codes.planes_to_picture(planes, coding)
    matte = np.random.default_rng(7).random((height, width), np.float32)
    matte[: height // 2] = 0
    source, steps = fused.from_plane(matte), fused.Softening(sigma=1.0, floor=0.1)
    turned, softened = steer.turn(picture, matte, 9.0, 1.1), fused.turn_skin(picture, source, steps, 9.0, 1.1)
    with strips.threads(count):
        for coded, before in ((coding, planes), (fine, None)):
            for whole, make in (
                (turned, lambda into: steer.turn(picture, matte, 9.0, 1.1, into=into)),
                (softened, lambda into: fused.turn_skin(picture, source, steps, 9.0, 1.1, into=into)),
            ):
                out = random_planes(coded, height, width)
                make(codes.IntoPlanes(coded, out, before))
                if before is None:
                    expected = codes.picture_to_planes(whole, coded)
                else:
                    expected = codes.change_to_planes(whole, before, coded)
                assert all(np.array_equal(a, b) for a, b in zip(out, expected, strict=True))


def test_a_picture_of_another_size_goes_into_no_planes():
    coding = Coding(8, subsampling="4:2:0")
    out = random_planes(coding, 10, 12)
    with pytest.raises(PictureError, match="same size"):
        steer.turn(
            np.zeros((10, 14, 3), np.float32), np.zeros((10, 14), np.float32), 9.0, into=codes.IntoPlanes(coding, out)
        )
    with pytest.raises(PictureError, match="C-contiguous"):
        codes.IntoPlanes(coding, tuple(plane[:, ::2] for plane in out))


# --- wrong use ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "fields",
    [{"bits": 7}, {"bits": 17}, {"standard": "240"}, {"subsampling": "4:2:1"}, {"siting": "top"}, {"standard": "rgb"}],
)
def test_an_impossible_coding_is_refused(fields):
    with pytest.raises(ValueRangeError, match=str(next(iter(fields.values())))):
        Coding(**fields)


def test_planes_that_do_not_fit_are_named():
    coding = Coding(8, subsampling="4:2:0")
    luma, cb, cr = random_planes(coding, 10, 11)
    assert cb.shape == (5, 6)
    with pytest.raises(PictureError, match="second plane"):
        codes.planes_to_picture((luma, cb[:4], cr), coding)
    with pytest.raises(PictureError, match="uint8"):
        codes.planes_to_picture((luma.astype(np.uint16), cb, cr), coding)
    with pytest.raises(PictureError, match="three planes"):
        codes.planes_to_picture((luma,), coding)
    picture = codes.planes_to_picture((luma, cb, cr), coding)
    with pytest.raises(PictureError, match="same size"):
        codes.change_to_planes(picture[:8], (luma, cb, cr), coding)
    with pytest.raises(ValueRangeError, match="17"):
        codes.quantise(picture, 17)


def test_uncompiled_kernels_give_the_same_codes():
    script = (
        "import numpy as np, sys, zlib\n"
        "from inkarnat.kernels import codes\n"
        "coding = codes.Coding(8, True, '709', '4:2:0')\n"
        "r = np.random.default_rng(1)\n"
        "planes = tuple(r.integers(0, 256, s).astype(np.uint8) for s in coding.shapes(7, 9))\n"
        "picture = codes.planes_to_picture(planes, coding)\n"
        "new = codes.change_to_planes(picture * np.float32(1.2), planes, coding)\n"
        "print([p.tolist() for p in new], codes.quantise(picture, 8).tolist())\n"
    )
    results = [
        subprocess.run(
            [sys.executable, "-W", "error", "-c", script],
            env={**os.environ, "NUMBA_DISABLE_JIT": flag},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for flag in ("0", "1")
    ]
    assert results[0] == results[1]


@pytest.mark.parametrize("shadow", [0.0, 40.0])
@pytest.mark.parametrize("shape", [(2, 2), (66, 64), (270, 480)])
def test_steering_straight_into_planes_gives_the_planes_of_the_steered_picture(shape, shadow):
    """Strip by strip, for one light and for two, the same codes as through a picture of the whole frame."""
    coding = codes.Coding(8, standard="709", subsampling="4:2:0")
    random = np.random.default_rng(0)
    planes = tuple(random.integers(60, 180, size).astype(np.uint8) for size in coding.shapes(*shape))
    picture, matte = codes.planes_to_picture(planes, coding), random.random(shape, np.float32)
    whole = codes.change_to_planes(steer.turn(picture, matte, 70.0, shadow_angle=shadow), planes, coding)
    new = tuple(np.empty_like(plane) for plane in planes)
    steer.turn(picture, matte, 70.0, shadow_angle=shadow, into=codes.IntoPlanes(coding, new, planes))
    for plane, expected in zip(new, whole, strict=True):
        np.testing.assert_array_equal(plane, expected)
