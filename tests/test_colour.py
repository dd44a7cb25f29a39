"""Colour kernels: against colour-science, against float64 oracles, and as properties."""

from __future__ import annotations

import warnings

import numba
import numpy as np
import pytest
import references
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.kernels import colour as kernel
from inkarnat.kernels import strips
from inkarnat.kernels.errors import InkarnatError, PictureError, ValueRangeError
from inkarnat.kernels.exponential import exp_px

STANDARDS = ("601", "709", "2020")
COLOUR_SCIENCE_WEIGHTS = {"601": "ITU-R BT.601", "709": "ITU-R BT.709", "2020": "ITU-R BT.2020"}
NAMES = tuple(kernel.TRANSFERS)
CALLS = {
    "decode_bt709": lambda image, **options: kernel.decode(image, "bt709", **options),
    "decode_srgb": lambda image, **options: kernel.decode(image, "srgb", **options),
    "encode_bt1886": lambda image, **options: kernel.encode(image, "bt1886", **options),
    "rgb_to_ycbcr": kernel.rgb_to_ycbcr,
    "apply_matrix": lambda image, **options: kernel.apply_matrix(image, np.arange(9).reshape(3, 3), **options),
    "luma": kernel.luma,
}


@pytest.fixture(scope="module")
def colour_science():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        yield colour


def over_values(function, *arrays):
    """Call a scalar function of float32 for every element, compiled as inside a kernel."""

    @numba.njit(error_model="numpy")
    def one(x, out):
        for i in range(out.size):
            out[i] = function(x[i])

    @numba.njit(error_model="numpy")
    def two(x, y, out):
        for i in range(out.size):
            out[i] = function(x[i], y[i])

    arrays = [np.ascontiguousarray(array, np.float32) for array in arrays]
    out = np.empty_like(arrays[0])
    (one if len(arrays) == 1 else two)(*arrays, out)
    return out


# --- against colour-science ---------------------------------------------------------------------------------


@pytest.mark.slice
@pytest.mark.parametrize("standard", STANDARDS)
def test_ycbcr_agrees_with_colour_science(colour_science, picture, standard):
    """BT.601-7, BT.709-6 and BT.2020-2 through colour.RGB_to_YCbCr."""
    weights = colour_science.WEIGHTS_YCBCR[COLOUR_SCIENCE_WEIGHTS[standard]]
    # Full-range integers-free output of colour-science: Cb and Cr within ±0.5.
    expected = colour_science.RGB_to_YCbCr(picture.astype(np.float64), K=weights, out_legal=False)
    np.testing.assert_allclose(kernel.rgb_to_ycbcr(picture, standard), expected, atol=3e-7)


def test_transfer_functions_agree_with_colour_science(colour_science):
    """BT.709-6 with exact constants, BT.1886 with black at 0 and IEC 61966-2-1, over 0 … 1."""
    ramp = np.linspace(0, 1, 3 * 4096)
    signal = ramp.astype(np.float32).reshape(1, -1, 3)
    models = colour_science.models
    expected = {
        "bt709": (models.oetf_inverse_BT2020(ramp, is_12_bits_system=True), models.oetf_BT2020(ramp, True)),
        "bt1886": (models.eotf_BT1886(ramp), models.eotf_inverse_BT1886(ramp)),
        "srgb": (models.eotf_sRGB(ramp), models.eotf_inverse_sRGB(ramp)),
    }
    for name, (light, encoded) in expected.items():
        # colour-science rounds α and β to 1.0993 and 0.0181 for 12 bits: up to 2e-5 apart.
        tolerance = 3e-5 if name == "bt709" else 1e-6
        np.testing.assert_allclose(kernel.decode(signal, name).ravel(), light, atol=tolerance, err_msg=name)
        np.testing.assert_allclose(kernel.encode(signal, name).ravel(), encoded, atol=tolerance, err_msg=name)


# --- against the float64 oracles ----------------------------------------------------------------------------


@pytest.mark.slice
@pytest.mark.parametrize("name", NAMES)
def test_transfer_functions_agree_with_float64(name):
    """Below black and above white too, where no published table reaches: the curve is odd and runs on."""
    values = np.concatenate([np.linspace(-4, 16, 897), [0.0, 0.018, 0.081, 0.0813, 0.04045]])
    values = np.resize(values, (1, 900 // 3 + 1, 3)).astype(np.float32)
    np.testing.assert_allclose(kernel.decode(values, name), references.decode(values, name), rtol=3e-6, atol=1e-7)
    np.testing.assert_allclose(kernel.encode(values, name), references.encode(values, name), rtol=3e-6, atol=3e-7)


@pytest.mark.parametrize(("name", "to_light", "to_signal"), [("bt709", 4e-7, 4.5e-7), ("srgb", 5e-7, 6.7e-7)])
@pytest.mark.parametrize(("start", "stop"), [(1e-4, 0.05), (0.04, 0.2), (0.2, 1), (1, 2)])
def test_curves_error(name, to_light, to_signal, start, stop):
    """Relative error where pictures live; measured over 3 million values: 3.8e-7 and 4.3e-7, sRGB 5e-7 and 6.5e-7."""
    signal = np.linspace(start, stop, 300_000, dtype=np.float32).reshape(1, -1, 3)
    light = references.decode(signal, name).astype(np.float32)
    np.testing.assert_allclose(kernel.decode(signal, name), references.decode(signal, name), rtol=to_light, atol=0)
    np.testing.assert_allclose(kernel.encode(light, name), references.encode(light, name), rtol=to_signal, atol=0)


@pytest.mark.parametrize(
    ("name", "way", "largest"),
    [("bt709", "decode", 6.4e-8), ("bt709", "encode", 4.1e-8), ("srgb", "decode", 1.8e-7), ("srgb", "encode", 3.0e-7)],
)
def test_the_numbers_of_a_quotient_are_near_its_curve(name, way, largest):
    """Evaluated in float64, from cut to limit, so that the numbers alone err; measured as the limits here."""
    cut, limit, numbers = (np.array(getattr(kernel.transfer(name), way), np.float64)[k] for k in (0, 7, slice(8, 18)))
    values = np.linspace(cut, limit, 400_001)[1:]
    u = values if way == "decode" else np.sqrt(values)
    quotient = np.polyval(numbers[5::-1], u) / np.polyval([*numbers[:5:-1], 1], u)
    error = quotient / getattr(references, way)(values, name) - 1
    assert largest / 2 < np.abs(error).max() <= largest


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("way", ["decode", "encode"])
def test_runs_and_single_values_give_the_same_bits(name, way, same_bits):
    """On both sides of the cut and of the limit, mixed, and beyond what is finite."""
    constants = getattr(kernel.transfer(name), way)
    edges = np.array([c for c in (constants[0], constants[7]) if 0 < c < np.inf] + [1], np.float32)
    edges = np.concatenate([edges, np.nextafter(edges, np.float32(0)), np.nextafter(edges, np.float32(99))])
    values = np.concatenate([np.geomspace(1e-6, 300, 5000), edges, [0, np.inf, np.nan]]).astype(np.float32)
    values = np.random.default_rng(5).permutation(np.concatenate([values, -values]))[:9999]
    scalar = kernel.decode_px if way == "decode" else kernel.encode_px

    @numba.njit(error_model="numpy")
    def one(x, out, constants):
        for i in range(out.size):
            out[i] = scalar(x[i], constants)

    expected = np.empty_like(values)
    one(values, expected, constants)
    run = getattr(kernel, way)(values.reshape(1, -1, 3), name)
    same_bits(run.ravel(), expected)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("channels", [3, 4])
def test_a_value_beyond_the_limit_changes_no_other(name, channels, make_picture, same_bits):
    image = make_picture(height=5, width=300, channels=channels)
    bright = image.copy()
    bright[2, 7] = 50
    for call in (kernel.decode, kernel.encode):
        expected, result = call(image, name), call(bright, name)
        assert (result[2, 7, :3] > 1).all()
        result[2, 7] = expected[2, 7]
        same_bits(result, expected)


@pytest.mark.slice
def test_luma_agrees_with_float64(picture, picture_rgba):
    expected = references.luma(picture)
    np.testing.assert_allclose(kernel.luma(picture), expected, atol=3e-7)
    assert np.array_equal(kernel.luma(picture), kernel.luma(picture_rgba))


@pytest.mark.slice
def test_matrix_rows_give_outputs(picture):
    matrix = np.array([[1, 2, 3], [-4, 5, 6], [0.5, -0.25, 8]])
    expected = picture.astype(np.float64) @ matrix.T
    np.testing.assert_allclose(kernel.apply_matrix(picture, matrix), expected, atol=1e-5)


# --- accuracy of the polynomials ----------------------------------------------------------------------------


def test_log2_error():
    """Measured over 4 million values of all magnitudes: 1.2e-8 beyond one unit in the last place of the result."""
    x = (2.0 ** np.linspace(-126, 127.9, 1_000_001)).astype(np.float32)
    expected = np.log2(x.astype(np.float64))
    error = np.abs(over_values(kernel.log2_px, x) - expected)
    assert (error <= 1e-7 + np.abs(expected) * 2**-23).all()
    near_one = (x > 0.5) & (x < 2)  # measured: 7.3e-8
    assert error[near_one].max() <= 1e-7


def test_exp2_error():
    """Relative error, measured over 4 million values: 1.04e-7."""
    x = np.linspace(-126, 127, 1_000_001).astype(np.float32)
    expected = 2.0 ** x.astype(np.float64)
    error = np.abs(over_values(kernel.exp2_px, x) / expected - 1)
    assert error.max() <= 1.2e-7


def test_the_exponential_is_that_of_numpy():
    """To the bit on x86 with fused products and sums, where NumPy goes the same way; all to ±87 were tried once."""
    x = np.concatenate([np.linspace(-87, 87, 1_000_001), np.geomspace(1e-30, 87, 1_000_000)]).astype(np.float32)
    x = np.concatenate([x, -x, np.float32([-0.0, 0.0])])
    found = over_values(exp_px, x)
    expected = np.exp(x.astype(np.float64))
    assert (np.abs(found - expected) / np.spacing(expected.astype(np.float32))).max() < 2.6  # 2.52 by NumPy's own tests
    features = np._core._multiarray_umath.__cpu_features__
    if features.get("FMA3") and features.get("AVX2"):
        np.testing.assert_array_equal(found, np.exp(x))
    np.testing.assert_array_equal(over_values(exp_px, np.float32([-1e9, 1e9])), np.exp(np.float32([-87, 87])))


def test_exp2_is_limited():
    extremes = np.array([-1e9, -np.inf, 1e9, np.inf, np.nan], np.float32)
    low, high = np.float32(2.0**-126), np.float32(2.0**127)
    np.testing.assert_allclose(over_values(kernel.exp2_px, extremes), [low, low, high, high, low], rtol=3e-7)


@pytest.mark.parametrize("exponent", [1 / 2.4, 0.45, 1 / 3, 2.4, 3.0, 1 / 0.45])
def test_power_error(exponent):
    """Relative error over 1e-4 … 16, the span of pictures; measured: 4e-7 for roots, 2.5e-6 for the cube."""
    x = np.geomspace(1e-4, 16, 500_001).astype(np.float32)
    exponents = np.full_like(x, exponent)
    expected = x.astype(np.float64) ** np.float64(np.float32(exponent))
    error = np.abs(over_values(kernel.power_px, x, exponents) / expected - 1)
    assert error.max() <= (5e-7 if exponent < 1 else 3e-6)


@pytest.mark.slice
def test_what_is_not_above_nothing_is_not_raised():
    x = np.array([0, -0.0, -1, np.nan, -np.inf], np.float32)
    exponents = np.full_like(x, 0.45)
    assert over_values(kernel.power_px, x, exponents).tobytes() == x.tobytes()


@pytest.mark.parametrize("magnitude", [1e-5, 1e-3, 0.5, 40.0])
def test_atan2_error(magnitude):
    """All round the circle, at any length of the vector; measured: 7.6e-7 rad (4.4e-5°) from libm in float64."""
    turn = np.linspace(-np.pi, np.pi, 400_001)
    y, x = (magnitude * np.sin(turn)).astype(np.float32), (magnitude * np.cos(turn)).astype(np.float32)
    expected = np.arctan2(y.astype(np.float64), x.astype(np.float64))
    error = np.abs(over_values(kernel.atan2_px, y, x) - expected)
    assert np.minimum(error, 2 * np.pi - error).max() <= 8e-7


@pytest.mark.slice
def test_atan2_on_the_axes():
    y, x = np.array([0, 0, 1, -1, 0], np.float32), np.array([1, -1, 0, 0, 0], np.float32)
    expected = [0, np.pi, np.pi / 2, -np.pi / 2, 0]
    np.testing.assert_allclose(over_values(kernel.atan2_px, y, x), expected, atol=1e-6)


@pytest.mark.slice
def test_clamp_and_smoothstep():
    x = np.array([-1, 0, 0.25, 0.5, 1, 2, np.nan], np.float32)
    np.testing.assert_allclose(over_values(kernel.smoothstep, x), [0, 0, 0.15625, 0.5, 1, 1, 0], atol=1e-7)


# --- properties ---------------------------------------------------------------------------------------------

pixel_values = st.lists(st.floats(-8, 64, width=32), min_size=3, max_size=60)


def as_row(values, channels=3):
    count = len(values) // channels
    return np.array(values[: count * channels], np.float32).reshape(1, count, channels)


@given(pixel_values, st.sampled_from(NAMES))
def test_transfer_round_trip_keeps_negatives_and_super_whites(values, name):
    signal = as_row(values)
    np.testing.assert_allclose(kernel.encode(kernel.decode(signal, name), name), signal, rtol=5e-6, atol=2e-6)
    np.testing.assert_array_equal(
        np.sign(kernel.decode(signal, name))[np.abs(signal) > 1e-6], np.sign(signal)[np.abs(signal) > 1e-6]
    )


@given(pixel_values, st.sampled_from(STANDARDS))
def test_ycbcr_round_trip(values, standard):
    rgb = as_row(values)
    back = kernel.rgb_to_ycbcr(rgb, standard) @ np.linalg.inv(kernel.ycbcr_matrix(standard)).T
    np.testing.assert_allclose(back, rgb, atol=3e-6 * max(1.0, float(np.abs(rgb).max())))


@given(st.floats(-2, 16, width=32))
def test_greys_have_no_chroma(grey):
    row = np.full((1, 4, 3), grey, np.float32)
    y, cb, cr = np.moveaxis(kernel.rgb_to_ycbcr(row), -1, 0)
    np.testing.assert_allclose(y, grey, atol=2e-6)
    assert max(np.abs(cb).max(), np.abs(cr).max()) <= 1e-7 * max(1.0, abs(grey)) * 4


@pytest.mark.slice
@pytest.mark.parametrize("call", CALLS)
def test_alpha_passes_through(call, picture, picture_rgba, same_bits):
    picture_rgba[3, 4, 3] = np.nan
    result = CALLS[call](picture_rgba)
    if call == "luma":
        same_bits(result, kernel.luma(picture))
        return
    same_bits(np.ascontiguousarray(result[..., 3]), np.ascontiguousarray(picture_rgba[..., 3]))
    same_bits(np.ascontiguousarray(result[..., :3]), CALLS[call](np.ascontiguousarray(picture_rgba[..., :3])))


@pytest.mark.slice
@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("call", CALLS)
def test_a_bad_value_stays_in_its_pixel(call, bad, picture, same_bits):
    clean = CALLS[call](picture)
    picture[5, 6, 1] = bad
    result = CALLS[call](picture)
    # Not a number stays so; an infinity may end as a huge number but never as one that looks ordinary.
    assert np.isnan(result[5, 6]).any() if np.isnan(bad) else not (np.abs(result[5, 6]) < 1e5).all()
    result[5, 6] = clean[5, 6]
    same_bits(result, clean)


@pytest.mark.slice
@pytest.mark.parametrize("call", CALLS)
def test_inputs_are_never_written(call, picture):
    before = picture.copy()
    picture.flags.writeable = False
    CALLS[call](picture)
    assert np.array_equal(picture, before)


@pytest.mark.parametrize("call", CALLS)
@pytest.mark.parametrize("channels", [3, 4])
def test_any_strides_give_the_same_bits(call, channels, make_picture, same_bits):
    image = make_picture(channels=channels)
    expected = CALLS[call](image)
    wide = np.zeros((37, 106, channels + 2), np.float32)
    wide[:, ::2, 1:-1] = image
    views = {
        "rows backwards": np.ascontiguousarray(image[::-1])[::-1],
        "columns backwards": np.ascontiguousarray(image[:, ::-1])[:, ::-1],
        "channels backwards": np.ascontiguousarray(image[..., ::-1])[..., ::-1],
        "sliced": wide[:, ::2, 1:-1],
        "Fortran": np.asfortranarray(image),
        "planar": np.ascontiguousarray(image.transpose(2, 0, 1)).transpose(1, 2, 0),
    }
    for view in views.values():
        same_bits(CALLS[call](view), expected)


@pytest.mark.parametrize("call", CALLS)
def test_any_thread_count_gives_the_same_bits(call, make_picture, same_bits):
    image = make_picture(height=300, width=9, channels=4)
    with strips.threads(1):
        expected = CALLS[call](image)
    for count in (2, 3, 4):
        with strips.threads(count):
            same_bits(CALLS[call](image), expected)


@pytest.mark.parametrize("channels", [3, 4])
def test_any_strip_size_gives_the_same_bits(channels, make_picture, same_bits):
    image = make_picture(height=70, channels=channels)
    constants = kernel.transfer("bt709").decode
    expected = kernel.decode(image, "bt709")
    for strip in (1, 7, 64, 1000):
        out = np.empty_like(image)
        strips.over_rows(kernel._transfer_strips, 70, image, out, True, constants, strip=strip)
        same_bits(out, expected)


def test_any_width_gives_the_same_bits(make_picture, same_bits):
    """Vector code and the scalar rest of a row agree: a pixel's result does not depend on its place in the row."""
    image = make_picture(height=3, width=67)
    whole = kernel.decode(image, "srgb")
    for start, stop in [(0, 1), (0, 5), (1, 67), (13, 47), (66, 67)]:
        part = np.ascontiguousarray(image[:, start:stop])
        same_bits(kernel.decode(part, "srgb"), np.ascontiguousarray(whole[:, start:stop]))


# --- `out=` and errors --------------------------------------------------------------------------------------


@pytest.mark.slice
@pytest.mark.parametrize("call", CALLS)
def test_out_receives_the_result(call, picture, same_bits):
    expected = CALLS[call](picture)
    out = np.full_like(expected, 99)
    assert CALLS[call](picture, out=out) is out
    same_bits(out, expected)


@pytest.mark.slice
@pytest.mark.parametrize("call", CALLS)
def test_out_must_fit(call, picture):
    right = CALLS[call](picture)
    read_only = right.copy()
    read_only.flags.writeable = False
    for out in (right[1:].copy(), right.astype(np.float64), np.asfortranarray(right), read_only):
        with pytest.raises(PictureError, match=r"`out` must be a writable C-contiguous float32 array of shape"):
            CALLS[call](picture, out=out)


@pytest.mark.slice
@pytest.mark.parametrize("call", ["decode_bt709", "rgb_to_ycbcr", "apply_matrix"])
def test_out_must_not_share_memory(call, picture):
    with pytest.raises(PictureError, match="must not share memory with an input"):
        CALLS[call](picture, out=picture)


@pytest.mark.slice
@pytest.mark.parametrize("call", CALLS)
@pytest.mark.parametrize(
    "image",
    [np.zeros((4, 4), np.float32), np.zeros((4, 4, 2), np.float32), np.zeros((0, 4, 3), np.float32), 0.5, None],
    ids=["no channels", "two channels", "empty", "number", "nothing"],
)
def test_a_wrong_shape_is_named(call, image):
    with pytest.raises(PictureError, match=r"must have the shape \(height, width, 3 or 4\)"):
        CALLS[call](image)


@pytest.mark.slice
def test_integers_are_refused_with_the_mend():
    with pytest.raises(PictureError, match=r"not uint8: divide integer codes by their white level"):
        kernel.luma(np.zeros((4, 4, 3), np.uint8))


@pytest.mark.slice
def test_other_floats_are_converted(picture):
    half = picture.astype(np.float16)
    assert np.array_equal(kernel.luma(half), kernel.luma(half.astype(np.float32)))
    assert kernel.luma(picture.astype(np.float64)).dtype == np.float32


@pytest.mark.slice
def test_unknown_names_list_the_known():
    image = np.zeros((1, 1, 3), np.float32)
    with pytest.raises(ValueRangeError, match=r"'log' is unknown: use one of bt709, bt1886, srgb, linear"):
        kernel.decode(image, "log")
    with pytest.raises(ValueRangeError, match=r"'240' is unknown: use one of 601, 709, 2020"):
        kernel.rgb_to_ycbcr(image, "240")


@pytest.mark.slice
@pytest.mark.parametrize("matrix", [np.eye(2), np.full((3, 3), np.nan), np.eye(4)])
def test_a_bad_matrix_is_named(matrix):
    with pytest.raises(ValueRangeError, match="must be 3×3 and finite"):
        kernel.apply_matrix(np.zeros((1, 1, 3), np.float32), matrix)


@pytest.mark.slice
def test_every_error_shares_the_base():
    assert issubclass(PictureError, InkarnatError)
    assert issubclass(ValueRangeError, InkarnatError)
