"""OpenFX descriptions: what hosts are told of every effect, and how the values of controls become a node."""

from __future__ import annotations

import math

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.openfx import api, listing
from inkarnat.host_adapters.openfx.controls import (
    MOST_POINTS,
    Frame,
    asked_values,
    clips_of,
    contexts_of,
    control_value,
    controls_of,
    identifier,
    node_values,
)
from inkarnat.host_adapters.openfx.properties import OpenFXError
from inkarnat.nodes import EARLIER, NODES, CorrectSkin, Sample
from inkarnat.nodes.declare import Param
from ofx_host import Host, HostImage, Stage
from ofx_host.bundles import Everything, Neighbours, built, by_name, loaded, loaded_trials

every_node = pytest.mark.parametrize("kind", NODES.values(), ids=NODES.keys())

FRAME = Frame(10.0, 20.0, 110.0, 70.0)


def controls(kind, curves=False):
    return {control.name: control for control in controls_of(kind, curves)}


def first(control, word):
    return control.properties[f"OfxParamProp{word}".encode()][0]


# --- a strict host has nothing to say -----------------------------------------------------------------------


def test_a_strict_host_loads_and_describes_every_effect():
    host = Host()
    effects = by_name(host, built())
    assert not host.complaints, "\n".join(host.complaints)
    assert not host.messages
    assert set(effects) == set(NODES) | {f"{kind.name}_{kind.version}" for kind in EARLIER}
    assert all(effect.load_status == 0 for effect in effects.values())


def test_a_host_of_an_older_standard_loads_them_too():
    """It refuses what the standard got later; the effects go on without."""
    host = Host(missing=("OfxMessageSuite 2", "OfxProgressSuite 2", "OfxParametricParameterSuite"), old=True)
    effects = by_name(host, built())
    assert not host.complaints, "\n".join(host.complaints)
    assert all(effect.load_status == 0 and effect.contexts for effect in effects.values())


@pytest.mark.parametrize("suite", ["OfxPropertySuite", "OfxImageEffectSuite", "OfxParameterSuite"])
def test_a_host_without_a_mandatory_suite_is_refused(suite):
    host = Host(missing=(suite,))
    effects = by_name(host, built())
    assert {effect.load_status for effect in effects.values()} == {4}  # kOfxStatErrMissingHostFeature
    assert f"This host lacks {suite}, without which no effect can work: update the host." in host.messages[0][1]


@every_node
def test_the_description_follows_the_declaration(kind):
    _, effects = loaded()
    told = effects[kind.name].description
    assert effects[kind.name].identifier == f"org.inkarnat.{kind.name}" == identifier(kind)
    assert told["OfxPropLabel"] == (kind.label,)
    assert told["OfxPropPluginDescription"][0].startswith(kind.help())
    assert told["OfxImageEffectPluginPropGrouping"] == ("Inkarnat",)
    assert set(told["OfxImageEffectPropSupportedPixelDepths"]) == {
        f"OfxBitDepth{word}" for word in ("Byte", "Short", "Half", "Float")
    }
    assert told["OfxImageEffectPluginRenderThreadSafety"] == ("OfxImageEffectRenderFullySafe",)
    assert told["OfxImageEffectPluginPropHostFrameThreading"] == (0,)
    assert told["OfxImageEffectPropSupportsTiles"] == (int(kind.pixelwise),)
    assert (effects[kind.name].record.major, effects[kind.name].record.api_version) == (kind.version, 1)


@every_node
def test_clips_follow_the_ports(kind):
    _, effects = loaded()
    clips = clips_of(kind)
    assert clips[0].name == b"Source"
    assert [clip.port for clip in clips] == list(kind.inputs())
    assert len({clip.name for clip in clips}) == len(clips)
    for context, side in effects[kind.name].contexts.items():
        assert set(side.clips) == {clip.name.decode() for clip in clips} | {"Output"}, context
        for clip in clips:
            told = side.clips[clip.name.decode()].properties.values
            assert told["OfxImageClipPropIsMask"] == (int(clip.is_mask),)
            wanted = {f"OfxImageComponent{w}" for w in ("RGBA", "RGB", "Alpha")}
            assert set(told["OfxImageEffectPropSupportedComponents"]) == wanted, "an RGB project feeds mattes too"


def test_a_filter_has_one_clip_that_must_be_connected():
    assert contexts_of(NODES["steer_skin"]) == (api.FILTER, api.GENERAL)
    assert contexts_of(NODES["keep_skin"]) == (api.GENERAL,)
    assert [clip.name for clip in clips_of(NODES["keep_skin"])] == [b"Source", b"Reference", b"Matte"]
    assert [clip.name for clip in clips_of(NODES["soften_matte"])] == [b"Source", b"Reference"]


@every_node
def test_every_parameter_has_a_control_and_every_name_is_used_once(kind):
    for curves in (False, True):
        names = [control.name for control in controls_of(kind, curves)]
        assert len(names) == len(set(names))
    known = controls(kind)
    for name, param in kind.params().items():
        if name == "premultiplied":
            assert name not in known
        elif param.kind == "points":
            assert {f"{name}_count", f"{name}_1", f"{name}_{MOST_POINTS}"} <= set(known)
        else:
            assert name in known
    page = known["controls"].properties[b"OfxParamPropPageChild"]
    assert set(page) == {control.name for control in known.values() if control.type not in ("Group", "Page")}


# --- one control of each kind -------------------------------------------------------------------------------


def test_types_of_controls():
    known = controls(Everything)
    assert {name: known[name].type for name in Everything.params() if name in known} == {
        "number": "Double",
        "level": "Double",
        "angle": "Double",
        "whole": "Integer",
        "toggle": "Boolean",
        "choice": "Choice",
        "text": "String",
        "point": "Double2D",
        "tint": "RGB",
        "slope": "Double3D",
    }
    assert controls(Everything, curves=True)["curve"].type == "Parametric"
    assert {known[n].type for n in ("set_all",)} == {"PushButton"}
    assert known["outline_group"].type == known["samples"].type == known["target"].type == "Group"


def test_double_types_ranges_and_steps():
    known = controls(Everything)
    words = {name: first(known[name], "DoubleType") for name in ("number", "level", "angle", "point")}
    assert words == {
        "number": "OfxParamDoubleTypeScale",
        "level": "OfxParamDoubleTypePlain",
        "angle": "OfxParamDoubleTypeAngle",
        "point": "OfxParamDoubleTypeXYAbsolute",
    }
    level = known["level"]
    ends = [first(level, word) for word in ("Min", "DisplayMin", "Default", "DisplayMax", "Max")]
    assert ends == [-1.0, -0.1, 0.25, 0.3, 1.0]
    assert first(level, "Increment") == pytest.approx(0.001)
    assert first(level, "Digits") == 4
    assert level.properties[api.LABEL] == ("Level (mired)",)


def test_a_position_counts_upwards_and_has_the_hosts_handle():
    point = controls(Everything)["point"]
    assert point.properties[b"OfxParamPropDefault"] == (0.25, 0.25)  # declared (0.25, 0.75), y down
    assert first(point, "DefaultCoordinateSystem") == "OfxParamCoordinatesNormalised"
    assert point.properties[b"kOfxParamPropUseHostOverlayHandle"] == (1,)


def test_a_tint_says_in_which_unit_it_is_counted_and_what_its_ends_are():
    """Projects hold Duv; elsewhere people type thousandths of it."""
    tint = controls(NODES["balance"])["tint"]
    assert tint.properties[api.LABEL] == ("Tint (Duv)",)
    hint = first(tint, "Hint")
    assert all(word in hint for word in ("green", "magenta", ".001 Duv is one thousandth"))


def test_choices_and_texts_do_not_animate():
    known = controls(Everything)
    assert [first(known[name], "Animates") for name in ("toggle", "choice", "text")] == [0, 0, 0]
    assert known["choice"].properties[b"OfxParamPropChoiceOption"] == ("Red", "Blue")
    assert "Red: Warm. Blue: Cold." in first(known["choice"], "Hint")
    assert b"OfxParamPropAnimates" not in known["number"].properties
    assert first(known["text"], "Secret") == 1, "what an action fills is hidden"


def test_what_actions_ask_for_evaluates_nothing():
    known = controls(Everything)
    for name in ("spot", "spot_use", "area_from", "area_to", "area_use", "wish", "report"):
        assert first(known[name], "EvaluateOnChange") == 0
    assert first(known["area_use"], "Default") == 1
    assert known["area_from"].properties[b"OfxParamPropDefault"] == pytest.approx((0.2, 0.7))


# --- from values to a node and back -------------------------------------------------------------------------


def defaults(kind, curves=False):
    """The values of a host that has just made an instance over FRAME."""
    values = {}
    for control in controls_of(kind, curves):
        value = control.properties.get(b"OfxParamPropDefault", ((0.0, 0.0), (1.0, 1.0)))
        if control.properties.get(b"OfxParamPropDefaultCoordinateSystem"):
            value = (FRAME.x1 + 100 * value[0], FRAME.y1 + 50 * value[1])
        values[control.name] = value[0] if len(value) == 1 else value
    return values


@every_node
@pytest.mark.parametrize("curves", [False, True])
def test_default_controls_give_the_default_node(kind, curves):
    values = node_values(kind, defaults(kind, curves).__getitem__, FRAME, curves)
    assert kind(**values) == kind()


def test_values_of_controls_become_parameters():
    values = defaults(Everything) | {
        "number": 2.5,
        "whole": 3,
        "toggle": 1,
        "choice": 1,
        "text": "Grüße",
        "point": (60.0, 70.0),
        "slope": (1.0, 2.0, 3.0),
        "outline_count": 2,
        "outline_1": (10.0, 70.0),
        "outline_2": (110.0, 20.0),
        "curve_count": 1,
        "curve_1": (0.5, 0.75),
    }
    node = Everything(**node_values(Everything, values.__getitem__, FRAME))
    assert (node.number, node.whole, node.toggle, node.choice, node.text) == (2.5, 3, True, "blue", "Grüße")
    assert node.point == (0.5, 0.0)
    assert node.slope == (1.0, 2.0, 3.0)
    assert node.outline == ((0.0, 0.0), (1.0, 1.0))
    assert node.curve == ((0.5, 0.75),)


def test_a_curve_of_the_host_gives_its_points():
    values = defaults(Everything, curves=True) | {"curve": ((0.0, 0.0), (0.4, 0.6), (1.0, 1.0))}
    node = Everything(**node_values(Everything, values.__getitem__, FRAME, curves=True))
    assert node.curve == ((0.0, 0.0), (0.4, 0.6), (1.0, 1.0))


def test_numbers_are_limited_to_their_range():
    """A host that keeps numbers in single precision hands back a little more than the end of the range."""
    values = defaults(Everything) | {"number": 4.0000001, "angle": -1e9, "whole": 99, "choice": 17, "outline_count": 99}
    node = Everything(**node_values(Everything, values.__getitem__, FRAME))
    assert (node.number, node.angle, node.whole, node.choice) == (4.0, -60.0, 9, "red")
    assert len(node.outline) == MOST_POINTS


def test_a_frame_turns_positions_there_and_back():
    for point in ((0.0, 0.0), (1.0, 1.0), (0.35, 0.8)):
        assert FRAME.normalised(FRAME.canonical(point)) == point
    assert FRAME.canonical((0.0, 0.0)) == (10.0, 70.0), "the top left corner"


def test_places_become_samples():
    values = defaults(Everything)
    asked = asked_values(Everything, values.__getitem__, FRAME)
    assert asked["spot"] is None
    assert asked["wish"] == 1.0
    assert asked["area"] == Sample.box(0.2, 0.3, 0.6, 0.7)
    values |= {"spot_use": 1, "spot": (60.0, 45.0), "area_from": (90.0, 30.0), "area_to": (20.0, 60.0)}
    asked = asked_values(Everything, values.__getitem__, FRAME)
    assert asked["spot"] == Sample.point(0.5, 0.5)
    assert asked["area"] == Sample.box(0.1, 0.2, 0.8, 0.8), "corners may be drawn in any order"
    with pytest.raises(
        OpenFXError, match=r"Spot lies at \(0, 45\), outside the frame, .* from \(10, 20\) to \(110, 70\)"
    ):
        asked_values(Everything, (values | {"spot": (0.0, 45.0)}).__getitem__, FRAME)


def test_parameters_become_values_of_controls():
    params = Everything.params()
    assert control_value(params["choice"], "blue", FRAME) == 1
    assert control_value(params["toggle"], True, FRAME) == 1
    assert control_value(params["point"], (0.5, 0.25), FRAME) == (60.0, 57.5)
    with pytest.raises(OpenFXError, match="cannot be set by an action"):
        control_value(params["outline"], (), FRAME)


def test_a_range_without_ends_sets_none():
    """Infinity is no number that a host takes."""
    for kind in (*NODES.values(), Everything, Neighbours):
        for control in controls_of(kind):
            for values in control.properties.values():
                assert all(math.isfinite(v) for v in values if isinstance(v, float))


def test_trial_nodes_please_a_strict_host():
    host, effects = loaded_trials()
    assert not host.complaints, "\n".join(host.complaints)
    assert set(effects) == {"neighbours", "everything", "faulty"}
    told = effects["neighbours"].description
    assert told["OfxImageEffectPropTemporalClipAccess"] == (1,)


def test_clips_say_what_they_want():
    _, effects = loaded()
    sides = effects["keep_skin"].contexts["OfxImageEffectContextGeneral"].clips
    labels = {name: clip.properties.values["OfxPropLabel"][0] for name, clip in sides.items() if name != "Output"}
    assert labels == {"Source": "Graded", "Reference": "Natural", "Matte": "Matte"}
    sides = effects["compare"].contexts["OfxImageEffectContextGeneral"].clips
    assert sides["Source"].properties.values["OfxPropLabel"] == ("Before",)


# --- the listing --------------------------------------------------------------------------------------------


def test_the_listing_names_every_control():
    rows = listing.rows(Everything)
    assert [row[0] for row in rows] == [control.name for control in controls_of(Everything) if control.type != "Page"]
    by_name = {row[0]: row for row in rows}
    assert by_name["level"] == ("level", "Double", "-1 to 1", "0.25", "Level (mired)")
    assert by_name["choice"][2] == "Red · Blue"


def test_the_listing_on_the_command_line():
    done = CliRunner().invoke(cli, ["nodes", "steer_skin", "--openfx"])
    assert done.exit_code == 0, done.output
    assert done.output.startswith("org.inkarnat.steer_skin 1: Steer skin. Contexts: filter, general. Clips: Source")
    assert "shadow_angle\tDouble\t-180 to 180\t0\tShadow angle" in done.output
    both = CliRunner().invoke(cli, ["nodes", "--openfx", "--json"])
    assert both.exit_code == 2


def test_what_is_declared_is_what_the_module_says():
    assert isinstance(Everything.asks()["wish"], Param)


# --- choices by word ----------------------------------------------------------------------------------------


def test_a_host_with_choices_by_word_keeps_the_word_and_shows_the_label():
    """OpenFX 1.5: options are what people read, enumerations are what a project holds."""
    host = Host(words=True)
    effects = by_name(host, built())
    instance = effects["correct_skin"].instance()
    view = instance.controls.by_name["view"]
    assert view.type == "OfxParamTypeStrChoice"
    values = view.properties.values
    assert values["OfxParamPropChoiceEnum"] == tuple(CorrectSkin.params()["view"].options)
    assert values["OfxParamPropChoiceOption"][values["OfxParamPropChoiceEnum"].index("split")].startswith("Split: ")
    assert (view.value, instance["transfer"], instance["pick"]) == ("result", "bt709", "nothing")
    assert "OfxParamTypeChoice" not in {c.type for c in instance.controls.by_name.values()}
    assert not host.complaints, host.complaints


def test_a_word_works_as_its_place_does():
    source = np.random.default_rng(3).random((48, 64, 4), dtype=np.float32)
    results = []
    for words in (True, False):
        host = Host(words=words)
        instance = by_name(host, built())["correct_skin"].instance()
        place = list(CorrectSkin.params()["view"].options).index("outline")
        instance["view"], instance["angle"] = ("outline" if words else place), 9.0
        output = HostImage(np.zeros_like(source))
        assert instance.render(Stage(output, {"Source": HostImage(source)})) == 0
        assert not host.complaints, host.complaints
        results.append(output.read())
    assert np.array_equal(*results)


def test_a_word_that_is_gone_means_the_default():
    host = Host(words=True)
    instance = by_name(host, built())["correct_skin"].instance()
    instance["view"], instance["angle"] = "something of a later version", 9.0
    source = np.random.default_rng(3).random((48, 64, 4), dtype=np.float32)
    output = HostImage(np.zeros_like(source))
    assert instance.render(Stage(output, {"Source": HostImage(source)})) == 0
    assert np.array_equal(np.ascontiguousarray(output.read()[::-1]), CorrectSkin(angle=9).process(source[::-1].copy()))


def test_effects_that_projects_of_the_first_version_hold_keep_their_places():
    """A control that changes its type loses its value: what 0.1.0 had stays a choice by place everywhere."""
    host = Host(words=True)
    for effect in host.load(built()).values():
        types = {c.type for side in effect.contexts.values() for c in side.controls.by_name.values()}
        assert ("OfxParamTypeStrChoice" in types) <= (effect.record.major > 1), effect.identifier
    assert not host.complaints
