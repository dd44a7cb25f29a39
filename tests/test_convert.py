"""Conversion: every transfer function and set of primaries against colour-science, there and back."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import references
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.kernels.errors import PictureError
from inkarnat.nodes.balance import colour_science
from inkarnat.nodes.convert import (
    PRIMARIES,
    ConvertColour,
    Space,
    enter_space,
    leave_space,
    primaries_matrix,
    return_to_space,
)
from inkarnat.nodes.declare import ParamError

TRANSFERS = tuple(ConvertColour.params()["from_transfer"].options)
QUARTER_CODE = 1 / 1023 / 4
SPACES = {
    "bt709": "ITU-R BT.709",
    "bt2020": "ITU-R BT.2020",
    "p3_d65": "P3-D65",
    "p3_dci": "DCI-P3",
    "bt601_525": "SMPTE C",
    "bt601_625": "ITU-R BT.470 - 625",
    "acescg": "ACEScg",
    "aces2065": "ACES2065-1",
}


@pytest.fixture(scope="module")
def science():
    return colour_science()


def to_linear(name):
    return ConvertColour(from_transfer=name, to_transfer="linear")


def ramp(low=0.0, high=1.0):
    return np.linspace(low, high, 3000, dtype=np.float32).reshape(20, 50, 3)


@pytest.mark.slice
@pytest.mark.parametrize("name", ["bt709", "bt1886", "srgb", "linear"])
def test_transfers_of_the_kernels(picture, name):
    """BT.709-6, BT.1886 and IEC 61966-2-1 in float64, negative values mirrored."""
    np.testing.assert_allclose(to_linear(name).process(picture), references.decode(picture, name), rtol=2e-6, atol=1e-6)


def test_transfers_of_the_wider_standards():
    """SMPTE ST 2084 and BT.2100 HLG at their published points, white as BT.2408 sets it; ACEScct (S-2016-001)."""

    def value(name, signal):
        return float(to_linear(name).process(np.full((1, 1, 3), signal, np.float32))[0, 0, 0])

    # BT.2408 table 1: reference white at 58 % PQ and 75 % HLG, both 203 cd/m².
    assert value("pq", 0.5807) == pytest.approx(1.0, rel=2e-3)
    assert value("pq", 1.0) == pytest.approx(10000 / 203, rel=1e-5)
    assert value("hlg", 0.75) == pytest.approx(1.0, rel=1e-5)
    # BT.2100 table 5: the two pieces of HLG meet at signal 1/2, light 1/12, and signal 1 is light 1.
    assert value("hlg", 0.5) / value("hlg", 1.0) == pytest.approx(1 / 12, rel=1e-4)
    # S-2016-001: 18 % grey lies at 0.4135884.
    assert value("acescct", 0.4135884) == pytest.approx(0.18, rel=1e-5)
    assert value("gamma26", 0.5) == pytest.approx(0.5**2.6, rel=1e-6)


@pytest.mark.parametrize(("source", "target"), list(itertools.permutations(PRIMARIES, 2)))
def test_primaries_agree_with_colour_science(science, source, target):
    """colour.matrix_RGB_to_RGB with Bradford; the tables it takes are rounded to 3 or 4 digits in some standards."""
    expected = science.matrix_RGB_to_RGB(
        science.RGB_COLOURSPACES[SPACES[source]], science.RGB_COLOURSPACES[SPACES[target]], "Bradford"
    )
    np.testing.assert_allclose(primaries_matrix(source, target), expected, atol=1e-3)
    np.testing.assert_allclose(np.sum(primaries_matrix(source, target), axis=1), 1, atol=1e-9)


def test_bt709_to_bt2020_is_the_matrix_of_bt2087():
    """ITU-R BT.2087-0, annex 1: the published four digits."""
    published = [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
    np.testing.assert_allclose(primaries_matrix("bt709", "bt2020"), published, atol=6e-5)


@pytest.mark.parametrize("name", TRANSFERS)
def test_there_and_back_returns_the_picture(picture, name):
    """Within a quarter of a 10-bit code, values beyond black and white included (PQ ends at 10 000 cd/m²)."""
    signal = picture.clip(-0.2, 1.2)
    node = ConvertColour(from_transfer="bt709", to_transfer=name, to_primaries="bt2020")
    back = node.inverse().process(node.process(signal))
    np.testing.assert_allclose(back, signal, atol=QUARTER_CODE)


@given(*(st.sampled_from(TRANSFERS),) * 2, *(st.sampled_from(tuple(PRIMARIES)),) * 2)
def test_any_conversion_there_and_back(from_transfer, to_transfer, from_primaries, to_primaries):
    node = ConvertColour(from_transfer, to_transfer, from_primaries, to_primaries)
    signal = ramp(0.08, 1.0)
    np.testing.assert_allclose(node.inverse().process(node.process(signal)), signal, atol=QUARTER_CODE)


@pytest.mark.slice
def test_equal_settings_return_the_same_bits_in_a_new_array(picture_rgba, same_bits):
    node = ConvertColour("pq", "pq", "bt2020", "bt2020")
    result = node.process(picture_rgba)
    same_bits(result, picture_rgba)
    assert not np.shares_memory(result, picture_rgba)


@pytest.mark.parametrize("name", ["srgb", "pq", "hlg", "acescct", "gamma22"])
def test_alpha_passes_and_a_bad_pixel_stays_alone(picture_rgba, same_bits, name):
    node = ConvertColour("bt709", name, "bt709", "p3_d65")
    expected = node.process(picture_rgba)
    same_bits(expected[..., 3], picture_rgba[..., 3])
    before = picture_rgba.copy()
    for bad in (np.nan, np.inf):
        spoiled = picture_rgba.copy()
        spoiled[4, 7, 1] = bad
        result = node.process(spoiled)
        assert not np.isnan(bad) or np.isnan(result[4, 7, :3]).any()
        result[4, 7] = expected[4, 7]
        same_bits(result, expected)
    same_bits(picture_rgba, before)


# --- registered colour spaces -------------------------------------------------------------------------------


def registered():
    """Every registered curve, with the primaries of BT.709, and some spaces that are a curve and primaries in one."""
    from inkarnat.nodes import convert

    spaces = list(convert._spaces().values())[::6]
    return [*spaces, *(f"{curve}:bt709" for curve in convert._curves().values())]


def test_every_registered_space_comes_back_within_a_code_of_ten_bits(science):
    """From studio black up; below it a few curves are steeper than floats can follow there and back."""
    picture = ramp(64 / 1023, 1.0)
    worst = {}
    for name in registered():
        back = leave_space(name).process(enter_space(name).process(picture))
        worst[name] = float(np.abs(back - picture).max())
    assert len(worst) > 45
    assert max(worst.values()) < 1 / 1023, {name: error for name, error in worst.items() if not error < 1 / 1023}


@pytest.mark.parametrize("name", ["ACEScct", "Display P3", "sRGB", "ITU-R BT.2020"])
def test_registered_spaces_agree_with_colour_science(science, name):
    picture = ramp(0.1, 0.9)
    expected = science.RGB_to_RGB(
        picture.astype(np.float64),
        science.RGB_COLOURSPACES[name],
        science.RGB_COLOURSPACES["ITU-R BT.709"],
        "Bradford",
        apply_cctf_decoding=True,
        apply_cctf_encoding=False,
    )
    node = ConvertColour(from_space=name, to_transfer="linear")
    np.testing.assert_allclose(node.process(picture), expected, atol=4e-4 * np.abs(expected).max())


def test_a_curve_on_whole_scale_codes_reads_studio_range(science):
    """10-bit code c of a studio-range clip is (c − 64) / 876 of signal and c / 1023 on the scale of the curve."""
    code = np.array([100.0, 400.0, 700.0])
    signal = ((code - 64) / 876).astype(np.float32).reshape(1, 1, 3)
    node = ConvertColour(from_space="ACEScct:bt709:codes", to_transfer="linear")
    expected = science.models.log_decoding_ACEScct(code / 1023)
    np.testing.assert_allclose(node.process(signal)[0, 0], expected, rtol=1e-5)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("hlg", "hlg:bt2020"),
        ("PQ", "pq:bt2020"),
        ("ITU-R BT.2100 PQ:p3_d65", "pq:p3_d65"),
        ("display p3", "Display P3:Display P3"),
        ("bt2020", "linear:bt2020"),
        ("acescc : acescg : codes", "ACEScc:acescg:codes"),
        ("bt709", "bt709:bt709"),
    ],
)
def test_names_of_spaces(name, expected):
    assert str(Space.parse(name)) == expected
    assert Space.parse(expected) == Space.parse(name)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("Gamma 2.4", "is a curve alone: add its primaries, Gamma 2.4:PRIMARIES"),
        ("hlgg", "Did you mean 'hlg'"),
        ("hlg:bt2021", "Did you mean 'bt2020'"),
        ("a:b:c", "must be written NAME"),
        ("xyzzy:bt709", "the curve 'xyzzy' is unknown"),
    ],
)
def test_names_that_are_no_space(name, words):
    with pytest.raises(ParamError, match=words):
        Space.parse(name)


def test_return_keeps_the_bits_of_what_was_not_touched(picture_rgba, same_bits):
    before = enter_space("display p3").process(picture_rgba)
    after = before.copy()
    after[5:9, 5:9, :3] *= 1.1
    after[..., 3] = 0.5
    given = return_to_space("display p3").process(after, before, picture_rgba)
    touched = (after[..., :3] != before[..., :3]).any(axis=2)
    assert 10 < touched.sum() <= 16
    same_bits(given[~touched][:, :3], picture_rgba[~touched][:, :3])
    assert (given[..., 3] == 0.5).all()
    np.testing.assert_array_equal(given[touched][:, :3], leave_space("display p3").process(after)[touched][:, :3])
    with pytest.raises(PictureError, match="same size and channels"):
        return_to_space("pq").process(after, before[1:], picture_rgba)


def test_unknown_names_are_refused_with_the_nearest():
    with pytest.raises(ParamError, match="'srgb'"):
        ConvertColour(from_transfer="sgrb")
    with pytest.raises(ParamError, match="bt2020"):
        ConvertColour(to_primaries="bt2021")


def test_node_survives_a_round_trip():
    node = ConvertColour("hlg", "bt709", "bt2020", "bt709")
    assert ConvertColour.from_config(node.config()) == node
    assert node.inverse().inverse() == node
