"""Conversion: every transfer function and set of primaries against colour-science, there and back."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import references
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.nodes.balance import colour_science
from inkarnat.nodes.convert import PRIMARIES, ConvertColour, primaries_matrix
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


def test_unknown_names_are_refused_with_the_nearest():
    with pytest.raises(ParamError, match="'srgb'"):
        ConvertColour(from_transfer="sgrb")
    with pytest.raises(ParamError, match="bt2020"):
        ConvertColour(to_primaries="bt2021")


def test_node_survives_a_round_trip():
    node = ConvertColour("hlg", "bt709", "bt2020", "bt709")
    assert ConvertColour.from_config(node.config()) == node
    assert node.inverse().inverse() == node
