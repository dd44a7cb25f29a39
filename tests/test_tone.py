"""Tone: the curve against SciPy, the colour decision list against OpenColorIO, and both as properties."""

from __future__ import annotations

import numpy as np
import PyOpenColorIO as ocio
import pytest
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.kernels import strips, tone
from inkarnat.kernels.errors import PictureError, ValueRangeError
from inkarnat.nodes.declare import ParamError
from inkarnat.nodes.tone import Cdl, ToneCurve
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

S_CURVE = ((0.0, 0.02), (0.2, 0.12), (0.5, 0.55), (0.8, 0.9), (1.0, 0.98))
GRADE = ((1.1, 0.95, 1.3), (-0.03, 0.02, 0.0), (0.9, 1.2, 2.2))


def column(values):
    """Values as a picture whose three components are equal."""
    return np.repeat(np.asarray(values, np.float32).reshape(-1, 1, 1), 3, axis=2)


@st.composite
def curves(draw):
    inputs = draw(st.lists(st.integers(-100, 200), min_size=2, max_size=9, unique=True))
    return [(x / 100, draw(st.floats(-1, 2))) for x in inputs]


@st.composite
def rising_curves(draw):
    inputs = draw(st.lists(st.integers(0, 100), min_size=2, max_size=9, unique=True))
    steps = [draw(st.floats(0, 1)) for _ in inputs]
    return list(zip(sorted(x / 100 for x in inputs), np.cumsum(steps).tolist(), strict=True))


# --- the curve ----------------------------------------------------------------------------------------------


@pytest.mark.slice
def test_curve_is_the_hermite_cubic_of_its_knots_and_slopes():
    """scipy.interpolate.CubicHermiteSpline with the same slopes."""
    x, y = tone.knots(S_CURVE)
    values = np.linspace(0, 1, 501, dtype=np.float32)
    expected = CubicHermiteSpline(x, y, tone.slopes(x, y))(values.astype(np.float64))
    np.testing.assert_allclose(tone.curve(column(values), S_CURVE)[:, 0, 1], expected, atol=3e-7)


@given(curves())
def test_hermite_cubic_for_any_points(points):
    """scipy.interpolate.CubicHermiteSpline; float32 rounding grows with the size of the cubic's coefficients."""
    x, y = tone.knots(points)
    values = np.linspace(x[0], x[-1], 200, dtype=np.float32).clip(np.float32(x[0]), np.float32(x[-1]))
    expected = CubicHermiteSpline(x, y, tone.slopes(x, y))(values.astype(np.float64))
    steepest = np.abs(np.diff(y) / np.diff(x)).max()
    np.testing.assert_allclose(tone.curve(column(values), points)[:, 0, 0], expected, atol=3e-6 * (1 + steepest))


def test_curve_stays_near_the_other_monotone_cubic():
    """scipy.interpolate.PchipInterpolator (Fritsch and Butland 1984): other slopes, the same shape within 2.5 %."""
    values = np.linspace(0, 1, 1001, dtype=np.float32)
    expected = PchipInterpolator(*tone.knots(S_CURVE))(values.astype(np.float64))
    np.testing.assert_allclose(tone.curve(column(values), S_CURVE)[:, 0, 0], expected, atol=0.025)


@given(st.floats(-1, 1), st.floats(0.05, 4), st.lists(st.integers(0, 100), min_size=2, max_size=6, unique=True))
def test_points_on_a_line_give_that_line(offset, slope, inputs):
    """PchipInterpolator and ours agree exactly where both must: on a straight line."""
    points = [(x / 100, offset + slope * x / 100) for x in inputs]
    values = np.linspace(-1, 3, 300, dtype=np.float32)
    np.testing.assert_allclose(tone.curve(column(values), points)[:, 0, 2], offset + slope * values, atol=1e-5)


@given(curves())
def test_curve_passes_through_its_points_and_never_overshoots(points):
    x, y = tone.knots(points)
    np.testing.assert_allclose(tone.curve(column(x), points)[:, 0, 0], y, atol=1e-5)
    for k in range(len(x) - 1):
        inside = tone.curve(column(np.linspace(x[k], x[k + 1], 50)), points)[1:-1]
        assert inside.min() >= min(y[k], y[k + 1]) - 1e-5
        assert inside.max() <= max(y[k], y[k + 1]) + 1e-5


@given(rising_curves())
def test_rising_points_give_a_rising_curve(points):
    """The theorem of Fritsch and Carlson 1980; what float32 rounding may take back is below 1e-5."""
    result = tone.curve(column(np.linspace(-0.5, 1.5, 801)), points)[:, 0, 0]
    assert np.diff(result).min() >= -1e-5


def test_slopes_lie_in_the_region_that_fritsch_and_carlson_prove_monotone():
    """α² + β² ≤ 9, region S2 of Fritsch and Carlson 1980, on their own data set RPN 14 (from memory)."""
    x = np.array([7.99, 8.09, 8.19, 8.7, 9.2, 10, 12, 15, 20])
    y = np.array([0, 2.76429e-5, 4.37498e-2, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 0.999994])
    slope, secant = tone.slopes(x, y), np.diff(y) / np.diff(x)
    assert (slope >= 0).all()
    assert ((slope[:-1] / secant) ** 2 + (slope[1:] / secant) ** 2).max() <= 9 + 1e-9
    assert (np.diff(CubicHermiteSpline(x, y, slope)(np.linspace(7.99, 20, 5000))) >= 0).all()


def test_values_beyond_the_ends_follow_the_end_slopes():
    x, y = tone.knots(S_CURVE)
    slope = tone.slopes(x, y)
    result = tone.curve(column([-0.5, 1.5, 4.0]), S_CURVE)[:, 0, 0]
    np.testing.assert_allclose(
        result, [y[0] - 0.5 * slope[0], y[-1] + 0.5 * slope[-1], y[-1] + 3 * slope[-1]], rtol=1e-6
    )
    assert result[1] > y[-1], "a super-white stays above white"


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([(0, 0)], "at least two"),
        ([(0, 0), (1, np.nan)], "finite"),
        ([(0, 0), (0.5, 0.2), (0.5, 0.7)], "share the input 0.5"),
        ([(0, 0, 0), (1, 1, 1)], "input, output"),
    ],
)
def test_unusable_points_are_refused(picture, points, words):
    with pytest.raises(ValueRangeError, match=words):
        tone.curve(picture, points)


# --- the colour decision list -------------------------------------------------------------------------------


def opencolorio(picture, slope, offset, power, saturation, clamp):
    grade = ocio.CDLTransform()
    grade.setSlope(slope)
    grade.setOffset(offset)
    grade.setPower(power)
    grade.setSat(saturation)
    grade.setStyle(ocio.CDL_ASC if clamp else ocio.CDL_NO_CLAMP)
    processor = ocio.Config.CreateRaw().getProcessor(grade)
    exact = processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS)
    result = np.ascontiguousarray(picture[..., :3]).copy()
    exact.applyRGB(result)
    return result


@pytest.mark.slice
@pytest.mark.parametrize("clamp", [True, False])
@pytest.mark.parametrize("saturation", [0.0, 0.8, 1.0, 1.6])
def test_cdl_agrees_with_opencolorio(picture, clamp, saturation):
    """PyOpenColorIO CDLTransform in the styles ASC (v1.2) and NO_CLAMP, values beyond 0 … 1 included."""
    expected = opencolorio(picture, *GRADE, saturation, clamp)
    np.testing.assert_allclose(tone.cdl(picture, *GRADE, saturation, clamp), expected, rtol=3e-6, atol=2e-6)


@pytest.mark.parametrize(
    ("rgb", "slope", "offset", "power", "saturation", "expected"),
    [
        ((0.5, 0.5, 0.5), 1.2, -0.05, 0.9, 1.0, (0.583884, 0.583884, 0.583884)),
        ((0.18, 0.18, 0.18), 0.9, 0.02, 1.1, 1.0, (0.153489, 0.153489, 0.153489)),
        ((0.5, 0.4, 0.3), 1.1, -0.02, 0.95, 0.8, (0.528424, 0.441643, 0.353705)),
    ],
)
def test_cdl_worked_values(rgb, slope, offset, power, saturation, expected):
    """Worked from the formula of ASC CDL v1.2; the clamp changes nothing inside 0 … 1."""
    image = np.array(rgb, np.float32).reshape(1, 1, 3)
    for clamp in (True, False):
        result = tone.cdl(image, (slope,) * 3, (offset,) * 3, (power,) * 3, saturation, clamp)
        np.testing.assert_allclose(result[0, 0], expected, atol=1e-6)


def test_clamped_cdl_stays_inside_and_free_cdl_keeps_super_whites(picture):
    result = tone.cdl(picture, *GRADE, 1.6)
    assert result.min() >= 0
    assert result.max() <= 1
    assert tone.cdl(picture, *GRADE, 1.6, clamp=False).max() > 1.5


@pytest.mark.parametrize(
    ("slope", "offset", "power", "saturation", "words"),
    [
        ((-1, 1, 1), (0, 0, 0), (1, 1, 1), 1, "slope"),
        ((1, 1, 1), (0, 0, np.nan), (1, 1, 1), 1, "offset"),
        ((1, 1, 1), (0, 0, 0), (1, 0, 1), 1, "power"),
        ((1, 1, 1), (0, 0, 0), (1, 1, 1), -0.1, "saturation"),
        ((1, 1), (0, 0, 0), (1, 1, 1), 1, "three numbers"),
    ],
)
def test_cdl_refuses_numbers_out_of_range(picture, slope, offset, power, saturation, words):
    with pytest.raises(ValueRangeError, match=words):
        tone.cdl(picture, slope, offset, power, saturation)


# --- both kernels -------------------------------------------------------------------------------------------

CALLS = {
    "curve": lambda image, **options: tone.curve(image, S_CURVE, **options),
    "cdl": lambda image, **options: tone.cdl(image, *GRADE, 0.8, **options),
    "free cdl": lambda image, **options: tone.cdl(image, *GRADE, 0.8, clamp=False, **options),
}


@pytest.mark.parametrize("call", CALLS.values(), ids=CALLS)
class TestEveryCall:
    def test_threads_and_strides_do_not_change_a_bit(self, make_picture, same_bits, call):
        image = make_picture(150, 67)
        with strips.threads(1):
            expected = call(image)
        for count in (2, 3):
            with strips.threads(count):
                same_bits(call(image), expected)
        same_bits(call(image[::-1, ::-1]), np.ascontiguousarray(expected[::-1, ::-1]))

    @pytest.mark.slice
    def test_alpha_passes_and_does_not_matter(self, picture_rgba, same_bits, call):
        result = call(picture_rgba)
        same_bits(result[..., 3], picture_rgba[..., 3])
        same_bits(np.ascontiguousarray(result[..., :3]), call(picture_rgba[..., :3]))

    @pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
    def test_a_bad_pixel_stays_alone(self, picture, same_bits, call, bad):
        spoiled = picture.copy()
        spoiled[5, 6, 1] = bad
        result, expected = call(spoiled), call(picture)
        result[5, 6] = expected[5, 6] = 0
        same_bits(result, expected)

    def test_out_is_written_and_inputs_are_not(self, picture, same_bits, call):
        before, out = picture.copy(), np.empty_like(picture)
        assert call(picture, out=out) is out
        same_bits(out, call(picture))
        same_bits(picture, before)
        with pytest.raises(PictureError):
            call(picture, out=picture)


# --- nodes --------------------------------------------------------------------------------------------------


def test_neutral_nodes_return_the_same_bits_in_a_new_array(picture, same_bits):
    for node in (ToneCurve(), Cdl(clamp=False)):
        result = node.process(picture)
        same_bits(result, picture)
        assert not np.shares_memory(result, picture)


def test_default_cdl_only_clamps(picture):
    np.testing.assert_allclose(Cdl().process(picture), picture.clip(0, 1), atol=1e-6)


def test_black_white_and_middle_land_where_they_say():
    node = ToneCurve(black=0.06, white=0.9, middle=0.42)
    result = node.process(column([0.06, 0.48, 0.9, 1.0]))[:, 0, 0]
    np.testing.assert_allclose(result[:3], [0, 0.42, 1], atol=1e-6)
    assert result[3] > 1


@given(st.floats(0.02, 0.97), st.floats(0.005, 0.01))
def test_raising_the_middle_brightens_everywhere(middle, more):
    values = column(np.linspace(0.02, 0.98, 60))
    lower, higher = ToneCurve(middle=middle), ToneCurve(middle=middle + more)
    assert (higher.process(values) > lower.process(values) - 1e-6).all()


def test_free_points_get_their_corners_and_bend_the_levels(same_bits):
    node = ToneCurve(black=0.1, points=((0.25, 0.2), (0.75, 0.85)))
    assert node.bend() == ((0.0, 0.0), (0.25, 0.2), (0.75, 0.85), (1.0, 1.0))
    ramp = column(np.linspace(-0.2, 1.4, 40))
    same_bits(node.process(ramp), tone.curve(tone.curve(ramp, node.levels()), node.bend()))


def test_given_corners_are_kept():
    points = ((0.0, 0.05), (0.5, 0.5), (1.0, 0.9))
    assert ToneCurve(points=points[::-1]).bend() == points


@pytest.mark.parametrize(
    ("params", "words"),
    [
        ({"black": 0.5, "white": 0.5}, "below white"),
        ({"points": ((0.5, 0.2), (0.5, 0.3))}, "0.001 apart"),
        ({"middle": 0.0}, "middle"),
    ],
)
def test_tone_curve_refuses_what_no_curve_can_do(params, words):
    with pytest.raises(ParamError, match=words):
        ToneCurve(**params)


@pytest.mark.parametrize("node", [ToneCurve(middle=0.4, points=((0.3, 0.35),)), Cdl(slope=(1.1, 1, 0.9), clamp=False)])
def test_nodes_survive_a_round_trip_and_are_the_kernel(node, picture, same_bits):
    assert type(node).from_config(node.config()) == node
    same_bits(node.process(picture), type(node).from_config(node.config()).process(picture))
    assert not np.array_equal(node.process(picture), picture)
