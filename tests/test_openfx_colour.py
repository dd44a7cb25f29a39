"""OpenFX colour management: every name of the core style, conversions against OpenColorIO, and what is doubted."""

from __future__ import annotations

import numpy as np
import pytest
from inkarnat.host_adapters.openfx import signals
from inkarnat.nodes import NODES, measure_skin
from ofx_host import Host, HostImage, Stage, rules
from ofx_host.bundles import built, by_name, loaded

CORE, BASIC = (f"OfxImageEffectColourManagement{word}" for word in ("Core", "Basic"))
PICTURE = np.random.default_rng(5).random((24, 32, 4), dtype=np.float32)
PICTURE[..., :3] = PICTURE[..., :3] * np.float32(0.8) + np.float32(0.1)
PICTURE[..., 3] = 1
READS = [name for name, kind in NODES.items() if kind.reads_signal]


def stage(source: np.ndarray = PICTURE, **clips: np.ndarray) -> Stage:
    images = {name: HostImage(np.ascontiguousarray(c)) for name, c in {"Source": source, **clips}.items()}
    return Stage(HostImage(np.zeros((*source.shape[:2], 4), np.float32)), images)


# --- what is declared ---------------------------------------------------------------------------------------


def test_the_style_is_core_with_its_configuration():
    _, effects = loaded()
    for effect in effects.values():
        assert effect.description["OfxImageEffectPropColourManagementStyle"] == (CORE,)
        configurations = effect.description["OfxImageEffectPropColourManagementAvailableConfigs"]
        assert configurations == (rules.name("kOfxConfigIdentifier"),)


def test_a_host_that_refuses_core_gets_basic():
    class Refusing(Host):
        def _set(self, handle, name, index, type_, value):
            if value == CORE:
                from ofx_host.host import BAD_VALUE, HostStatus

                raise HostStatus(BAD_VALUE)
            super()._set(handle, name, index, type_, value)

    effects = by_name(Refusing(), built())
    assert effects["cdl"].description["OfxImageEffectPropColourManagementStyle"] == (BASIC,)


def test_effects_that_a_host_may_bake_into_a_table():
    _, effects = loaded()
    told = {n: e.description["OfxImageEffectPropNoSpatialAwareness"][0] for n, e in effects.items()}
    assert {name for name, word in told.items() if word == "true"} == {
        "tone_curve", "cdl", "balance", "convert_colour", "baked_look",
    }  # fmt: skip


def test_preferred_colour_spaces_follow_the_style():
    host, effects = loaded()
    for name in READS:
        for style, wanted in ((CORE, signals.READ_AS_IT_IS), (BASIC, ("ofx_display_sdr",))):
            _, answer = effects[name].instance(style=style).ask("GetClipPreferences", stage())
            assert answer["OfxImageClipPropPreferredColourspaces_Source"] == wanted
            allowed = "basic" if style == BASIC else "core"
            assert all(rules.SPACES[space][allowed] for space in wanted)
        _, answer = effects[name].instance().ask("GetClipPreferences", stage())
        assert "OfxImageClipPropPreferredColourspaces_Source" not in answer, "the host has no colour management"
    assert not host.complaints


def output_space(effect, style=CORE, **values) -> str:
    instance = effect.instance(style=style)
    for name, value in values.items():
        instance[name] = value
    status, answer = instance.ask("GetOutputColourspace", stage())
    assert status == 0
    return answer["OfxImageClipPropColourspace"][0]


def test_the_colour_space_of_the_output():
    host, effects = loaded()
    assert output_space(effects["skin_key"]) == "ofx_raw"
    assert output_space(effects["skin_key"], matte_output=1) == "OfxColourspace_Source", "the colour of Source stays"
    assert output_space(effects["correct_skin"]) == "OfxColourspace_Source"
    assert output_space(effects["vectorscope"]) == "OfxColourspace_Source"
    convert = effects["convert_colour"]
    assert output_space(convert) == "rec1886_rec709_display"
    assert output_space(convert, to_space="linear:acescg") == "ACEScg"
    assert output_space(convert, to_space="pq") == "rec2100_pq_display"
    assert output_space(convert, BASIC, to_space="linear:acescg") == "ofx_scene_linear"
    assert output_space(convert, BASIC) == "ofx_display_sdr"
    assert not host.complaints


# --- names --------------------------------------------------------------------------------------------------


def test_every_colour_space_of_the_core_style_is_known_by_all_its_names():
    """Names, aliases and roles: the configuration of the standard, by way of standard.json."""
    for space, told in rules.SPACES.items():
        own = signals.resolve(space, lambda clip: "")
        if "role of" in told:
            assert own.casefold() in {n.casefold() for n in (told["role of"], *told["aliases"])}, space
        else:
            assert own == space
        for other in told["aliases"]:
            assert signals.resolve(other.upper(), lambda clip: "") == own, other
        signal = signals.signal_of(own)
        assert signal.is_converted or signal.doubt or own in signals.READ_AS_IT_IS, space


def test_every_name_here_is_one_of_the_standard():
    known = {name for space, told in rules.SPACES.items() for name in (space, *told["aliases"])} | {"CIE-XYZ-D65"}
    mapped = signals._by_any_name()
    assert set(mapped.values()) <= known
    assert set(mapped) <= {name.casefold() for name in known}


def test_cross_references_between_clips():
    spaces = {"Source": "OfxColourspace_Reference", "Reference": "ACES - ACEScg"}
    assert signals.resolve("OfxColourspace_Source", spaces.__getitem__) == "ACEScg"
    circle = {"Source": "OfxColourspace_Reference", "Reference": "OfxColourspace_Source"}
    assert signals.resolve("OfxColourspace_Source", circle.__getitem__) == ""


# --- conversions --------------------------------------------------------------------------------------------

_OCIO_DISPLAYS = {
    "rec1886_rec2020_display": "Rec.1886 Rec.709 - Display",
    "displayp3_display": "sRGB - Display",
    "srgb_encoded_p3d65_tx": "sRGB - Texture",
    "srgb_encoded_ap1_tx": "sRGB - Texture",
    "g22_ap1_tx": "Gamma 2.2 Rec.709 - Texture",
}
_OCIO_SCENES = ("lin_rec709_srgb", "lin_rec2020", "lin_p3d65", "ACEScg", "ACES2065-1", "ACEScct", "ACEScc")


@pytest.mark.parametrize("space", [*_OCIO_DISPLAYS, *_OCIO_SCENES])
def test_conversions_agree_with_the_configuration(space):
    """OpenColorIO's built-in studio configuration, of which the standard's is a copy; BT.709 is its camera curve."""
    ocio = pytest.importorskip("PyOpenColorIO")
    config = ocio.Config.CreateFromBuiltinConfig("studio-config-v2.1.0_aces-v1.3_ocio-v2.3")
    target = _OCIO_DISPLAYS.get(space, "Camera Rec.709")
    processor = config.getProcessor(config.getColorSpace(space), config.getColorSpace(target)).getDefaultCPUProcessor()
    picture = PICTURE[..., :3].copy()
    if "ACESc" in space and space != "ACEScg":
        picture = picture * np.float32(0.3) + np.float32(0.25)
    expected = picture.copy()
    processor.applyRGB(expected)
    got, inside = (
        signals.signal_of(space).enter(picture),
        expected > 0.01,
    )  # below 0 each continues its curves its own way
    assert inside.mean() > 0.5
    # Half a 10-bit code; the polynomial powers and the white of AP0 and AP1 are rounded differently.
    np.testing.assert_allclose(got[inside], expected[inside], atol=6e-4)


@pytest.mark.parametrize("space", [*signals._DISPLAYS, *signals._CONVERTED])
@pytest.mark.parametrize("name", ["steer_skin", "correct_skin", "balance"])
def test_a_render_in_another_space_is_the_same_correction(space, name):
    """What the host converts before the effect and back after it, the effect does itself."""
    host, effects = loaded()
    signal = signals.signal_of(space)
    foreign = PICTURE * np.float32(0.3) + np.float32(0.25) if space in ("ACEScc", "ACEScct") else PICTURE
    instance = effects[name].instance(style=CORE, size=(32.0, 24.0))
    values = {"steer_skin": {"angle": 9.0}, "correct_skin": {"saturation": 0.8}, "balance": {"tint": 0.01}}[name]
    for control, value in values.items():
        instance[control] = value
    instance.spaces["Source"] = space
    host.messages.clear()
    inside = stage(foreign)
    assert instance.render(inside) == 0, host.messages
    assert not host.messages, "no warning: the effect converts"
    entered = signal.enter(foreign[::-1].copy())
    arrays = {"image": entered} | ({"matte": foreign[::-1, :, 3].copy()} if name == "steer_skin" else {})
    expected = signal.leave(NODES[name](**values).process(**arrays), entered, foreign[::-1].copy())
    assert np.array_equal(inside.output.read()[::-1], expected)
    assert not host.complaints


@pytest.mark.parametrize("space", ["lin_rec709_srgb", "rec2100_pq_display"])
def test_pixels_that_nothing_touches_keep_their_bits_in_any_space(space):
    _, effects = loaded()
    instance = effects["steer_skin"].instance(style=CORE)
    instance["angle"], instance.spaces["Source"] = 20.0, space
    matte = np.zeros((24, 32, 1), np.float32)
    matte[:, 16:] = 1
    asked = stage(PICTURE, Matte=matte)
    assert instance.render(asked) == 0
    got = asked.output.read()
    assert np.array_equal(got[:, :16], PICTURE[:, :16])
    assert not np.array_equal(got[:, 16:], PICTURE[:, 16:])


def test_a_key_in_scene_linear_is_the_key_of_the_converted_picture():
    _, effects = loaded()
    instance = effects["range_key"].instance(style=CORE)
    instance.spaces["Source"] = "scene_linear"
    asked = stage()
    assert instance.render(asked) == 0
    expected = NODES["range_key"]().process(signals.signal_of("ACEScg").enter(PICTURE))
    assert np.array_equal(asked.output.read()[..., 0], expected)


def test_learning_reads_the_converted_picture():
    _, effects = loaded()
    instance = effects["correct_skin"].instance(style=CORE, size=(32.0, 24.0))
    instance.spaces["Source"] = "lin_rec709_srgb"
    display = np.full((24, 32, 4), (0.74, 0.55, 0.47, 1), np.float32)
    signal = signals.signal_of("lin_rec709_srgb")
    linear = signal.leave(display * np.float32(1.00001), display, np.zeros_like(display))
    instance["skin_1"] = (16.0, 12.0)
    asked = stage(linear)
    assert instance.press("learn", asked) == 0
    assert instance.press("solve", asked) == 0
    assert instance.render(asked) == 0
    shown = signal.enter(asked.output.read())
    assert measure_skin(shown, np.ones((24, 32), np.float32)).angle == pytest.approx(123.0, abs=0.2)


# --- doubts -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", READS)
@pytest.mark.parametrize("space", [*signals.READ_AS_IT_IS, "sRGB - Display", "Rec.1886 Rec.709 - Display", ""])
def test_the_right_signal_is_no_reason_to_warn(name, space):
    host, effects = loaded()
    instance = effects[name].instance(style=CORE)
    if space:
        instance.spaces["Source"] = space
    host.messages.clear()
    clips = {clip: PICTURE for clip in instance.clips if clip not in ("Source", "Output")}
    assert instance.render(stage(**clips)) == 0
    assert not host.messages


@pytest.mark.parametrize("name", ["range_key", "vectorscope", "waveform", "steer_skin"])
@pytest.mark.parametrize(
    ("space", "words"),
    [
        ("ofx_scene_log", "a logarithmic signal that is not named further"),
        ("ofx_scene_linear", "BT.709 primaries is assumed"),
        ("Raw", "no colour"),
        ("something_new", "which the effect does not know"),
    ],
)
def test_a_doubt_is_said_once_and_taken_back(name, space, words):
    host, effects = loaded()
    instance = effects[name].instance(style=CORE)
    instance.spaces["Source"] = space
    host.messages.clear()
    for _ in range(2):
        assert instance.render(stage()) == 0
    assert [kind for kind, _, _ in host.messages] == ["OfxMessageWarning"]
    assert words in host.messages[0][1]
    instance.spaces["Source"] = "srgb_display"
    assert instance.render(stage()) == 0
    assert instance.handle not in host.persistent


def test_effects_that_read_any_signal_never_warn():
    host, effects = loaded()
    instance = effects["cdl"].instance(style=CORE)
    instance.spaces["Source"] = "ofx_scene_log"
    host.messages.clear()
    assert instance.render(stage()) == 0
    assert not host.messages
