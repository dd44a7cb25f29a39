"""Suggested tone: black and white from the waveform, a saturation from the chroma, neutral where all is well."""

from __future__ import annotations

import numpy as np
import pytest
import references
from inkarnat.host_adapters import workshop
from inkarnat.nodes import Cdl, ToneCurve, suggest_tone
from inkarnat.nodes.tone import SuggestionError
from skimage import data


def workshop_frame(depth="light"):
    return workshop.camera(workshop.portrait(depth, 3, 320, 180).light)


def applied(suggestion, picture):
    return suggestion.cdl.process(suggestion.tone.process(picture))


def percentiles(picture):
    return np.percentile(references.luma(picture), [0.2, 99.8])


def test_a_public_picture_that_fills_the_waveform_is_left_alone():
    picture = (data.astronaut() / 255).astype(np.float32)
    suggestion = suggest_tone(picture)
    assert suggestion.tone == ToneCurve()
    assert suggestion.cdl == Cdl(clamp=False)
    np.testing.assert_array_equal(applied(suggestion, picture), picture)


@pytest.mark.parametrize(("gain", "lift"), [(0.6, 0.2), (0.8, 0.1), (0.55, 0.0)])
def test_a_flat_picture_gets_its_black_and_white_back(gain, lift):
    """Against the percentiles that numpy takes of the result."""
    picture = (workshop_frame() * gain + lift).astype(np.float32)
    suggestion = suggest_tone(picture)
    np.testing.assert_allclose(suggestion.levels, percentiles(picture), atol=0.005)
    low, high = percentiles(applied(suggestion, picture))
    assert low <= 0.025
    assert high == pytest.approx(0.95, abs=0.02)


def test_a_dark_scene_stays_dark():
    picture = (workshop_frame() * 0.2).astype(np.float32)
    suggestion = suggest_tone(picture)
    assert suggestion.tone.white - suggestion.tone.black == pytest.approx(0.5, abs=1e-3)
    assert percentiles(applied(suggestion, picture))[1] < 0.45


@pytest.mark.parametrize(("factor", "words"), [(0.2, "more"), (4.0, "less"), (1.0, "as it is")])
def test_pale_gets_more_and_gaudy_less_saturation(factor, words):
    picture = (data.coffee() / 255).astype(np.float32)
    picture = Cdl(saturation=factor, clamp=False).process(picture)
    saturation = suggest_tone(picture).cdl.saturation
    assert {"more": 1 < saturation <= 1.5, "less": 0.7 <= saturation < 1, "as it is": saturation == 1}[words]


def test_grey_stays_grey_and_bad_pixels_do_not_count():
    picture = workshop_frame()
    grey = np.repeat(references.luma(picture)[..., None], 3, axis=2).astype(np.float32)
    assert suggest_tone(grey).cdl.saturation == 1
    clean = suggest_tone(picture)
    picture[:2] = np.nan
    picture[2, :5] = np.inf
    assert suggest_tone(picture).tone.white == pytest.approx(clean.tone.white, abs=0.02)


def test_the_suggestion_is_plain_data():
    suggestion = suggest_tone(workshop_frame())
    plain = suggestion.as_dict()
    assert plain.keys() == {"black", "white", "saturation", "levels", "chroma"}
    assert ToneCurve(black=plain["black"], white=plain["white"]) == suggestion.tone


@pytest.mark.parametrize("level", [0.4, np.nan])
def test_one_tone_suggests_nothing(level):
    with pytest.raises(SuggestionError, match="one tone only"):
        suggest_tone(np.full((20, 30, 3), level, np.float32))
