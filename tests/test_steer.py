"""Steering: the kernels against plain float64 oracles, and what every steering has to keep."""

from __future__ import annotations

import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
import references
from hypothesis import given, settings
from hypothesis import strategies as st
from inkarnat.kernels import steer, strips
from inkarnat.kernels.errors import InkarnatError, PictureError, ValueRangeError
from inkarnat.nodes import KeepSkin, SteerSkin
from skin_patches import colour_difference

METHODS = ("turn", "shift", "primaries")


# --- oracles ------------------------------------------------------------------------------------------------


def rgb_of(ycc):
    """R′G′B′ of Y′CbCr (…, 3): BT.709-6 items 3.2 and 3.3, inverted."""
    y, cb, cr = np.moveaxis(ycc, -1, 0)
    red, blue = y + 1.5748 * cr, y + 1.8556 * cb
    return np.stack([red, (y - 0.2126 * red - 0.0722 * blue) / 0.7152, blue], axis=-1)


def smooth(t):
    t = np.clip(t, 0, 1)
    return t * t * (3 - 2 * t)


def with_chroma(image, matte, moved):
    """The picture with its complex chroma Cb + i·Cr drawn toward ``moved`` by the matte; alpha as it is."""
    ycc = references.ycbcr(image[..., :3])
    chroma = ycc[..., 1] + 1j * ycc[..., 2]
    chroma = chroma + matte * (moved - chroma)
    out = image.astype(np.float64)
    out[..., :3] = rgb_of(np.stack([ycc[..., 0], chroma.real, chroma.imag], axis=-1))
    return out


def chroma_of(image):
    _, cb, cr = np.moveaxis(references.ycbcr(image[..., :3]), -1, 0)
    return cb + 1j * cr


def turned(image, matte, angle, saturation):
    return with_chroma(image, matte, chroma_of(image) * saturation * np.exp(1j * np.radians(angle)))


def split_turned(image, matte, angle, saturation, shadow_angle, shadow_saturation, at, width, redder, yellower, centre):
    """Another turn in the shadows, mixed as complex factors; hues up to 25° drawn in, none from 50° on."""
    lit = saturation * np.exp(1j * np.radians(angle))
    dark = lit * shadow_saturation * np.exp(1j * np.radians(shadow_angle))
    share = smooth((references.luma(image[..., :3]) - at + width / 2) / width)
    deviation = np.degrees(np.angle(chroma_of(image) * np.exp(-1j * np.radians(centre))))
    reach = np.clip(2 - np.abs(deviation) / 25, 0, 1)
    pull = np.where(deviation < 0, redder, yellower) * reach * deviation
    factor = (dark + share * (lit - dark)) * np.exp(-1j * np.radians(pull))
    return with_chroma(image, matte, chroma_of(image) * factor)


def shifted(image, matte, du, dv):
    y, chroma = references.luma(image[..., :3]), chroma_of(image)
    weight = smooth(np.abs(chroma) / np.maximum(y, 1e-12) / 0.06)
    return with_chroma(image, matte, chroma + weight * np.maximum(y, 0) * (du + 1j * dv))


def mixed(image, matte, matrix, transfer):
    rgb = image[..., :3].astype(np.float64)
    new = references.encode(references.decode(rgb, transfer) @ np.asarray(matrix).T, transfer)
    new += (references.luma(rgb) - references.luma(new))[..., None]
    out = image.astype(np.float64)
    out[..., :3] += matte[..., None] * (new - rgb)
    return out


def kept(graded, natural, matte, amount, saturation):
    y, own = references.luma(graded[..., :3]), chroma_of(graded)
    gain = np.clip((y + 0.02) / (np.maximum(references.luma(natural[..., :3]), 0) + 0.02), 0, 4)
    wanted = chroma_of(natural) * gain
    as_graded = np.minimum(np.abs(own) / np.maximum(np.abs(wanted), 1e-12), 4)
    return with_chroma(graded, matte * amount, wanted * (as_graded + saturation * (1 - as_graded)))


# --- pictures -----------------------------------------------------------------------------------------------


def skin(height=12, width=16, angle=120.0, ratio=0.22, spread=6.0, seed=5):
    """Skin-like pixels round one hue and chroma/luma, luma .1 to .8."""
    random = np.random.default_rng(seed)
    y = random.uniform(0.1, 0.8, (height, width))
    hue = np.radians(angle + random.uniform(-spread, spread, y.shape))
    chroma = y * ratio * random.uniform(1 - spread / 60, 1 + spread / 60, y.shape)
    return rgb_of(np.stack([y, chroma * np.cos(hue), chroma * np.sin(hue)], axis=-1)).astype(np.float32)


def flat(angle, ratio, luma=0.5, shape=(4, 5)):
    cb, cr = ratio * luma * np.cos(np.radians(angle)), ratio * luma * np.sin(np.radians(angle))
    return np.broadcast_to(rgb_of(np.array([luma, cb, cr])), (*shape, 3)).astype(np.float32)


def angle_and_ratio(rgb):
    y, cb, cr = references.ycbcr(np.asarray(rgb, np.float64).reshape(-1, 3).mean(axis=0))
    return np.degrees(np.arctan2(cr, cb)) % 360, np.hypot(cb, cr) / y


def full(image):
    return np.ones(image.shape[:2], np.float32)


def every_steering(image, matte):
    """One result for each steering kernel, with settings that move a lot."""
    matrix = steer.neutral_keeping(0.3, -0.2)
    premultiplied = image.shape[2] == 4
    split = {"shadow_angle": -20, "shadow_saturation": 0.7, "even_redder": 0.3, "even_yellower": 0.5}
    return {
        "turn": steer.turn(image, matte, 23, 1.4),
        "split": steer.turn(image, matte, 9, 1.2, **split, premultiplied=premultiplied),
        "shift": steer.shift(image, matte, 0.04, -0.05),
        "primaries": steer.mix_primaries(image, matte, matrix, premultiplied=premultiplied),
        "keep": steer.keep(image, image[::-1], matte, 0.8, 0.5),
    }


# --- values against the oracles -----------------------------------------------------------------------------


@pytest.mark.slice
@pytest.mark.parametrize("channels", [3, 4])
@pytest.mark.parametrize(("angle", "saturation"), [(0, 1), (17, 1), (-40, 0), (180, 2.5), (3.3, 0.4)])
def test_turn_against_the_rotation(make_picture, channels, angle, saturation):
    image = make_picture(9, 13, channels)
    matte = np.random.default_rng(1).random((9, 13)).astype(np.float32)
    result = steer.turn(image, matte, angle, saturation)
    np.testing.assert_allclose(result, turned(image, matte, angle, saturation), atol=2e-6)


@pytest.mark.slice
@pytest.mark.parametrize("channels", [3, 4])
@pytest.mark.parametrize(
    "settings_",
    [
        {"shadow_angle": -25, "shadow_saturation": 0.6},
        {"shadow_angle": 12, "shadow_luma": 0.5, "shadow_softness": 0.05},
        {"even_redder": 0.5, "even_yellower": 0.5, "centre": 118},
        {"even_redder": 0.2, "centre": 300},
        {"even_yellower": 0.4, "shadow_angle": 8, "shadow_saturation": 1.3},
    ],
)
def test_split_and_evening_out_against_the_formula(make_picture, channels, settings_):
    image = np.concatenate([make_picture(7, 13, channels), make_picture(5, 13, channels, seed=2)])
    image[8:, :, :3] = skin(4, 13, spread=40)
    matte = np.random.default_rng(2).random((12, 13)).astype(np.float32)
    given_ = {
        "shadow_angle": 0, "shadow_saturation": 1, "shadow_luma": 0.25, "shadow_softness": 0.2, "even_redder": 0,
        "even_yellower": 0, "centre": 123,
    } | settings_  # fmt: skip
    result = steer.turn(image, matte, 14, 1.1, **given_)
    expected = split_turned(image, matte, 14, 1.1, *given_.values())
    # The turn of the pull is a series in float32: its largest error is 25° · ½ to the sixth power over 720.
    np.testing.assert_allclose(result, expected, atol=1e-5)


@pytest.mark.slice
@pytest.mark.parametrize("channels", [3, 4])
@pytest.mark.parametrize("step", [(0, 0), (0.05, -0.02), (-0.3, 0.2)])
def test_shift_against_the_formula(make_picture, channels, step):
    image = make_picture(9, 13, channels)
    image[4:, :, :3] *= np.float32(0.1)
    image[5, :, :3] = image[5, :, :1] + np.float32(0.003) * image[5, :, :3]  # nearly neutral
    matte = np.random.default_rng(1).random((9, 13)).astype(np.float32)
    np.testing.assert_allclose(steer.shift(image, matte, *step), shifted(image, matte, *step), atol=3e-6)


@pytest.mark.slice
@pytest.mark.parametrize("channels", [3, 4])
@pytest.mark.parametrize("transfer", ["bt1886", "bt709", "srgb", "linear"])
def test_primaries_against_the_formula(make_picture, channels, transfer):
    image = make_picture(9, 13, channels)
    matte = np.random.default_rng(1).random((9, 13)).astype(np.float32)
    matrix = [[1.2, -0.3, 0.1], [0.05, 0.9, 0.05], [-0.1, -0.2, 1.3]]
    result = steer.mix_primaries(image, matte, matrix, transfer)
    np.testing.assert_allclose(result, mixed(image, matte, matrix, transfer), atol=2e-5)


@pytest.mark.parametrize("channels", [3, 4])
def test_primaries_do_not_depend_on_the_place_in_a_wide_row(make_picture, same_bits, channels):
    """Rows of more than one run, some values beyond those for which the transfer function is a quotient."""
    image = make_picture(2, 701, channels)
    image[:, ::50, :3] *= 9
    matte = np.random.default_rng(1).random((2, 701)).astype(np.float32)
    matrix = [[1.2, -0.3, 0.1], [0.05, 0.9, 0.05], [-0.1, -0.2, 1.3]]
    whole = steer.mix_primaries(image, matte, matrix, "bt709", premultiplied=channels == 4)
    for start, stop in ((0, 1), (255, 258), (300, 701)):
        part, share = (np.ascontiguousarray(plane[:, start:stop]) for plane in (image, matte))
        result = steer.mix_primaries(part, share, matrix, "bt709", premultiplied=channels == 4)
        same_bits(result, np.ascontiguousarray(whole[:, start:stop]))


@pytest.mark.slice
@pytest.mark.parametrize("channels", [(3, 3), (3, 4), (4, 3), (4, 4)])
@pytest.mark.parametrize(("amount", "saturation"), [(0.6, 1), (1, 0), (0.8, 0.5)])
def test_keep_against_the_formula(make_picture, channels, amount, saturation):
    graded, natural = make_picture(9, 13, channels[0], seed=1), make_picture(9, 13, channels[1], seed=8)
    matte = np.random.default_rng(1).random((9, 13)).astype(np.float32)
    result = steer.keep(graded, natural, matte, amount, saturation)
    np.testing.assert_allclose(result, kept(graded, natural, matte, amount, saturation), atol=5e-6)


def test_keep_at_full_amount_takes_no_colour_from_the_grade():
    natural, matte = skin(seed=1), full(skin())
    for grade in ([1.1, 0.9, 0.7], [0.6, 1.0, 1.2]):
        result = steer.keep(natural * np.float32(grade), natural, matte, 1.0, 1.0)
        assert np.abs(references.angle(result) - references.angle(natural)).max() < 0.01


# --- what every steering keeps ------------------------------------------------------------------------------

values = st.floats(-0.25, 1.5, width=32)
pictures = hnp.arrays(np.float32, (3, 4, 3), elements=values)
mattes = hnp.arrays(np.float32, (3, 4), elements=st.sampled_from([0.0, 0.25, 0.5, 1.0]) | st.floats(0, 1, width=32))


@given(pictures, mattes, st.floats(-60, 60), st.floats(0, 3))
def test_turn_keeps_luma_and_unkeyed_bits(image, matte, angle, saturation):
    result = steer.turn(image, matte, angle, saturation)
    assert np.abs(references.luma(result) - references.luma(image)).max() <= 1e-5
    assert np.array_equal(result[matte == 0], image[matte == 0])


@given(
    pictures, mattes, st.sampled_from(METHODS), st.floats(-20, 20), st.floats(0.6, 1.4), st.floats(0, 0.5),
    st.floats(-20, 20),
)  # fmt: skip
def test_every_method_keeps_luma_and_unkeyed_bits(image, matte, method, angle, saturation, even_out, shadow):
    node = SteerSkin(angle=angle, saturation=saturation, method=method, even_out=even_out, shadow_angle=shadow)
    result = node.process(image, matte)
    assert np.abs(references.luma(result) - references.luma(image)).max() <= 1e-5
    assert np.array_equal(result[matte == 0], image[matte == 0])


@given(pictures, pictures, mattes, st.floats(0, 1), st.floats(0, 1))
def test_keep_keeps_the_luma_of_the_grade(graded, natural, matte, amount, saturation):
    result = KeepSkin(amount=amount, saturation=saturation).process(graded, natural, matte)
    assert np.abs(references.luma(result) - references.luma(graded)).max() <= 1e-5
    assert np.array_equal(result[matte == 0], graded[matte == 0])


@pytest.mark.parametrize("channels", [3, 4])
def test_unkeyed_pixels_and_alpha_keep_their_bits(make_picture, channels, same_bits):
    """NaN payloads (quiet and signalling), infinities, denormals and −0 pass a matte of 0; alpha passes any."""
    odd = np.array([0x7FC01234, 0x7F812345, 0xFFC00001, 0x7F800000, 0xFF800000, 1, 0x80000000], np.uint32)
    image = make_picture(6, 14, channels)
    image[:, :7].view(np.uint32)[...] = odd[:, None]
    matte = np.zeros((6, 14), np.float32)
    matte[:, 10:] = 0.5
    for name, result in every_steering(image, matte).items():
        same_bits(result[:, :10], image[:, :10])
        assert not np.array_equal(result[:, 10:], image[:, 10:]), name
    if channels == 4:
        image[..., 3].view(np.uint32)[:, :7] = odd
        for result in every_steering(image, full(image)).values():
            same_bits(result[..., 3].copy(), image[..., 3].copy())


def test_a_matte_that_is_not_a_number_leaves_the_pixel(make_picture, same_bits):
    image = make_picture(4, 6)
    for result in every_steering(image, np.full((4, 6), np.nan, np.float32)).values():
        same_bits(result, image)


def test_a_bad_pixel_stays_alone(make_picture, same_bits):
    image = make_picture(5, 8)
    matte = full(image)
    clean = every_steering(image, matte)
    for bad in (np.nan, np.inf, -np.inf):
        image[2, 3, 1] = bad
        for name, result in every_steering(image, matte).items():
            rows = [0, 1, 3, 4] if name != "keep" else [0, 1, 3]  # keep reads the picture upside down here
            same_bits(result[rows], clean[name][rows])
            same_bits(result[2, 4:], clean[name][2, 4:])


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize(("angle", "saturation"), [(20, 1.3), (-15, 0.7), (10, 1.5)])
def test_neutrals_stay_neutral(method, angle, saturation):
    """Eyes, teeth, shine or a leaked wall: ΔE00 below 1 at a matte of 1, for greys and for greys one 8-bit code off."""
    level = np.linspace(0.02, 1.0, 60, dtype=np.float32)
    greys = np.repeat(level[None, :, None], 3, axis=2)
    node = SteerSkin(angle=angle, saturation=saturation, method=method, centre_angle=118, centre_ratio=0.2)
    moved = node.process(greys, full(greys))
    assert colour_difference(moved, greys).max() < 0.05
    nearly = flat(118, 1 / 224, 1.0, (1, 60)) * level[None, :, None]
    assert colour_difference(node.process(nearly, full(nearly)), nearly).max() < 1


@pytest.mark.parametrize("method", METHODS)
def test_no_steering_is_the_identity(make_picture, method):
    image = make_picture(12, 16)
    result = SteerSkin(method=method).process(image, full(image))
    np.testing.assert_allclose(result, image, atol=3e-6)
    assert np.array_equal(
        SteerSkin(method=method, angle=40, saturation=2, amount=0).process(image, full(image)), result
    )


@given(st.floats(-170, 170), st.floats(0.3, 3))
def test_turning_back_returns(angle, saturation):
    image = skin()
    there = steer.turn(image, full(image), angle, saturation)
    np.testing.assert_allclose(steer.turn(there, full(image), -angle, 1 / saturation), image, atol=3e-6)


@pytest.mark.parametrize("size", [(5, 7), (200, 31)])
def test_same_bits_for_threads_tiles_and_strides(make_picture, same_bits, size):
    image = make_picture(*size, 4)
    matte = np.random.default_rng(3).random(size).astype(np.float32)
    with strips.threads(1):
        whole = every_steering(image, matte)
    for count in (2, 3):
        with strips.threads(count):
            for name, result in every_steering(image, matte).items():
                same_bits(result, whole[name])
    half = (slice(None), slice(2, None))
    for name, result in every_steering(image[half], matte[half]).items():
        same_bits(result, whole[name][half].copy())
    for name, result in every_steering(np.asfortranarray(image)[::-1], matte[::-1]).items():
        if name != "keep":
            same_bits(result, every_steering(image[::-1].copy(), matte[::-1].copy())[name])
            same_bits(result, whole[name][::-1].copy())


def test_results_can_be_written_into_a_given_array(make_picture, same_bits):
    image, matte = make_picture(5, 8), np.full((5, 8), 0.5, np.float32)
    out = np.full_like(image, 7)
    for write in (
        lambda out=None: steer.turn(image, matte, 10, out=out),
        lambda out=None: steer.turn(image, matte, 10, even_redder=0.2, out=out),
        lambda out=None: steer.shift(image, matte, 0.02, 0.01, out=out),
        lambda out=None: steer.mix_primaries(image, matte, np.eye(3), out=out),
        lambda out=None: steer.keep(image, image, matte, out=out),
    ):
        assert write(out) is out
        same_bits(out, write())
        with pytest.raises(PictureError, match="memory"):
            write(image)


@pytest.mark.parametrize("kernel", ["turn", "shift", "mix_primaries", "keep"])
def test_wrong_arrays_are_refused(kernel):
    image, matte = np.zeros((4, 5, 3), np.float32), np.zeros((4, 5), np.float32)
    rest = {"turn": (3,), "shift": (0.1, 0.1), "mix_primaries": (np.eye(3),), "keep": ()}[kernel]
    first = {"keep": (image,)}.get(kernel, ())
    function = getattr(steer, kernel)
    function(image, *first, matte, *rest)
    for wrong in (np.zeros((4, 5), np.float32), np.zeros((4, 5, 3), np.uint8), np.zeros((0, 5, 3), np.float32)):
        with pytest.raises(PictureError):
            function(wrong, *first, matte, *rest)
    with pytest.raises(PictureError, match="same size"):
        function(image, *first, np.zeros((5, 4), np.float32), *rest)
    if kernel == "keep":
        with pytest.raises(PictureError, match="natural picture"):
            function(image, np.zeros((4, 6, 3), np.float32), matte)


# --- the three methods agree --------------------------------------------------------------------------------


@pytest.mark.parametrize("luma", [0.15, 0.5, 0.8])
@pytest.mark.parametrize(
    ("centre", "ratio", "angle", "saturation"), [(115, 0.2, 8, 1.0), (140, 0.15, -17, 1.4), (128, 0.3, -5, 0.8)]
)
def test_all_methods_carry_the_centre_to_the_same_place(centre, ratio, angle, saturation, luma):
    image = flat(centre, ratio, luma)
    for method in METHODS:
        node = SteerSkin(angle=angle, saturation=saturation, method=method, centre_angle=centre, centre_ratio=ratio)
        to_angle, to_ratio = angle_and_ratio(node.process(image, full(image)))
        assert to_angle == pytest.approx(centre + angle, abs=0.3)
        assert to_ratio == pytest.approx(ratio * saturation, rel=0.02)


@given(st.floats(110, 140), st.floats(0.1, 0.35), st.floats(-10, 10), st.floats(0.75, 1.3))
@settings(max_examples=40)
def test_a_solved_matrix_keeps_neutrals_and_lands(centre, ratio, angle, saturation):
    matrix = steer.solve_neutral_keeping(centre, ratio, centre + angle, ratio * saturation)
    np.testing.assert_allclose(matrix.sum(axis=1), 1, atol=1e-12)
    before = rgb_of(0.4 * np.array([1, ratio * np.cos(np.radians(centre)), ratio * np.sin(np.radians(centre))]))
    after = mixed(before.reshape(1, 1, 3), np.ones((1, 1)), matrix, "bt1886")
    to_angle, to_ratio = angle_and_ratio(after)
    assert to_angle == pytest.approx(centre + angle, abs=1e-5)
    assert to_ratio == pytest.approx(ratio * saturation, rel=1e-6)


@pytest.mark.parametrize(
    "step",
    [
        pytest.param((123, 0.2, 123, 3.0), id="more saturation than light can hold"),
        pytest.param((123, 0.0, 123, 0.2), id="colour out of grey"),
        pytest.param((174.757, 0.2, 150, 0.2), id="red and green alike, so nothing to add to red"),
    ],
)
def test_an_impossible_matrix_is_refused_with_a_mend(step):
    with pytest.raises(ValueRangeError, match="smaller step"):
        steer.solve_neutral_keeping(*step)


def test_a_matrix_must_be_three_by_three_and_finite():
    image = skin()
    for wrong in (np.eye(4), [[1, 0, 0], [0, np.nan, 0], [0, 0, 1]]):
        with pytest.raises(ValueRangeError, match="3×3"):
            steer.mix_primaries(image, full(image), wrong)
    with pytest.raises(ValueRangeError, match="unknown"):
        steer.mix_primaries(image, full(image), np.eye(3), "log")


# --- evening out and the shadow side ------------------------------------------------------------------------


def hue_of(image):
    return references.angle(image).astype(np.float64)


@pytest.mark.parametrize("side", ["both", "redder", "yellower"])
def test_evening_out_draws_only_the_chosen_side(side):
    image = skin(angle=123, spread=20)
    before = hue_of(image)
    after = hue_of(SteerSkin(even_out=0.4, even_side=side).process(image, full(image)))
    redder, yellower = before < 122.9, before > 123.1
    assert redder.sum() > 40
    assert yellower.sum() > 40
    for part, name in ((redder, "redder"), (yellower, "yellower")):
        share = 0.6 if side in ("both", name) else 1.0
        np.testing.assert_allclose(after[part] - 123, share * (before[part] - 123), atol=0.01)


def test_evening_out_leaves_other_colours():
    for angle in (123 + 55, 123 - 55, 303, 0):
        image = flat(angle, 0.3)
        result = SteerSkin(even_out=0.5).process(image, full(image))
        np.testing.assert_allclose(result, image, atol=1e-6)


def test_the_shadow_side_turns_on_its_own():
    node = SteerSkin(angle=5, shadow_angle=12, shadow_saturation=0.8, shadow_luma=0.3, shadow_softness=0.1)
    for luma, turn, saturation in ((0.2, 17, 0.8), (0.4, 5, 1.0)):
        image = flat(120, 0.2, luma)
        angle, ratio = angle_and_ratio(node.process(image, full(image)))
        assert angle == pytest.approx(120 + turn, abs=0.01)
        assert ratio == pytest.approx(0.2 * saturation, rel=1e-4)


# --- premultiplied pictures ---------------------------------------------------------------------------------


@pytest.mark.parametrize("method", METHODS)
def test_premultiplied_pictures_are_steered_like_straight_ones(method):
    image = skin(8, 10)
    alpha = np.random.default_rng(4).uniform(0.05, 1, (8, 10, 1)).astype(np.float32)
    node = SteerSkin(angle=9, saturation=1.2, method=method, centre_angle=120, shadow_angle=-8, even_out=0.2)
    straight = node.process(image, full(image)) * alpha
    premultiplied = np.concatenate([image * alpha, alpha], axis=2)
    node = SteerSkin.from_config(node.config() | {"params": node.config()["params"] | {"premultiplied": True}})
    result = node.process(premultiplied, full(image))
    np.testing.assert_allclose(result[..., :3], straight, atol=3e-6)
    assert np.array_equal(result[..., 3:], alpha)


@pytest.mark.parametrize("method", METHODS)
def test_no_alpha_no_trouble(method):
    """Where alpha is 0 nothing is divided by it: colour added there by a glow is steered as it is."""
    image = np.concatenate([skin(4, 5), np.zeros((4, 5, 1), np.float32)], axis=2)
    node = SteerSkin(angle=9, method=method, centre_angle=120, shadow_angle=3, premultiplied=True)
    result = node.process(image, full(image))
    assert np.isfinite(result).all()
    np.testing.assert_allclose(result[..., :3], node.process(image[..., :3], full(image)), atol=1e-6)


# --- the node -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", METHODS)
def test_the_amount_scales_turn_and_saturation(method):
    image = flat(120, 0.2)
    node = SteerSkin(angle=12, saturation=1.4, amount=0.25, method=method, centre_angle=120)
    angle, ratio = angle_and_ratio(node.process(image, full(image)))
    assert angle == pytest.approx(123, abs=0.01)
    assert ratio == pytest.approx(0.2 * 1.1, rel=1e-3)


def test_a_step_that_primaries_cannot_make_names_the_mend():
    image = skin()
    with pytest.raises(InkarnatError, match="use the turn"):
        SteerSkin(angle=-25, centre_angle=174.757, method="primaries").process(image, full(image))
