"""OpenFX actions: buttons, regions, preferences, messages and errors."""

from __future__ import annotations

import dataclasses
import itertools
import re

import numpy as np
import pytest
from inkarnat.host_adapters.shots.faces import person_in
from inkarnat.kernels import jit, strips
from inkarnat.nodes import (
    NODES,
    Balance,
    CorrectSkin,
    Sample,
    SkinTarget,
    SteerSkin,
    measure_skin,
    solve_balance,
    solve_neutral_black,
    solve_steer,
    study_skin,
)
from ofx_host import Host, HostImage, Stage
from ofx_host.bundles import built, built_trials, by_name, loaded, loaded_trials

HEIGHT, WIDTH = 144, 192


def portrait(cast: tuple[float, float, float] = (1, 1, 1)) -> np.ndarray:
    """A head of shaded skin before a blue-grey wall, a grey card below; (rows, columns, 4), the top row first."""
    random = np.random.default_rng(11)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH] / HEIGHT
    picture = np.empty((HEIGHT, WIDTH, 4))
    picture[..., :3] = np.array([0.30, 0.36, 0.45]) * (0.8 + 0.3 * y[..., None])
    distance = ((x - 0.66) / 0.26) ** 2 + ((y - 0.42) / 0.34) ** 2
    shade = np.clip(1.1 - 0.35 * distance - 0.25 * (x - 0.66), 0.3, 1.2)
    picture[distance < 1, :3] = (np.array([0.74, 0.55, 0.47]) * shade[..., None])[distance < 1]
    picture[120:140, 20:60, :3] = 0.5
    picture[..., :3] = picture[..., :3] * cast + random.normal(0, 0.004, (HEIGHT, WIDTH, 3))
    picture[..., 3] = 1
    return picture.astype(np.float32)


def stage_of(picture: np.ndarray, **more) -> Stage:
    lowest_first = np.ascontiguousarray(picture[::-1])
    return Stage(HostImage(np.zeros_like(lowest_first)), {"Source": HostImage(lowest_first)}, **more)


def corrector(host_and_effects=None):
    _, effects = host_and_effects or loaded()
    instance = effects["correct_skin"].instance(size=(float(WIDTH), float(HEIGHT)))
    assert instance.status == 0
    return instance


def put(instance, name: str, x: float, y: float, use: str | None = None) -> None:
    """Lay a place, normalised and y down, into the host's controls."""
    instance[name] = (x * WIDTH, (1 - y) * HEIGHT)
    instance[use or f"{name}_use"] = 1


def node_of(instance) -> CorrectSkin:
    values = {n: instance[n] for n, p in CorrectSkin.params().items() if p.kind in ("number", "angle", "text")}
    for name in ("temperature", "tint", "angle"):
        values[name] += instance[f"{name}_solved"]
    values["skin_saturation"] += instance["skin_saturation_solved"] - 1
    return CorrectSkin(**values)


FACE = (0.66 * HEIGHT / WIDTH, 0.42)
WALL = (0.9, 0.2)
CARD = (40 / WIDTH, 130 / HEIGHT)

# --- the correcting effect ----------------------------------------------------------------------------------


def test_learning_from_samples():
    host, _ = loaded()
    instance, picture = corrector(), portrait()
    put(instance, "skin_1", *FACE)
    put(instance, "keep_out_1", *WALL)
    host.edits.clear()
    assert instance.press("learn", stage_of(picture)) == 0, host.messages[-1:]
    add, subtract = [Sample.point(*FACE)], [Sample.point(*WALL)]
    expected = study_skin(picture, add, subtract, persons=[person_in(picture, (), add, subtract)]).key
    assert instance["model"] == expected.model
    assert instance["report"].startswith("Frame 0: The key finds ")
    assert host.edits == ["begin Learn from samples", "set model", "set report", "end"], "one step of undo"
    assert host.progress[-2:] == ["Correct skin: Learn from samples", "end"]
    assert not host.complaints


def test_solving_to_the_skin_line_and_reading_it():
    instance, picture = corrector(), portrait()
    put(instance, "skin_1", *FACE)
    stage = stage_of(picture)
    assert instance.press("learn", stage) == 0
    instance["target_bias"] = -2.0
    assert instance.press("solve", stage) == 0
    node = node_of(instance)
    matte = node.matte(picture)
    wanted = solve_steer(picture, matte, SkinTarget(bias=-2.0))
    assert (node.angle, node.skin_saturation) == (wanted.angle, wanted.saturation)
    assert instance.render(stage) == 0
    reading = measure_skin(np.ascontiguousarray(stage.output.read()[::-1]), matte)
    assert reading.angle == pytest.approx(121.0, abs=0.05)
    assert instance.press("read", stage) == 0
    assert f"final {reading.angle:.1f}°" in instance["report"]
    assert node_of(instance) == node, "reading changes nothing"


def test_what_was_doubted_where_the_key_was_learned_is_doubted_until_it_is_learned_anew():
    """As on the command line, whose graphs note it: skin under a deep blue light, solved onto the line."""
    instance, picture = corrector(), portrait()
    put(instance, "skin_1", *FACE)
    blue = np.ascontiguousarray(np.clip(picture * np.float32([0.4, 0.6, 1.6, 1][: picture.shape[2]]), 0, 1))
    doubt = "from the skin line: strong coloured light, or no skin."
    for name in ("learn", "solve", "read"):
        assert instance.press(name, stage_of(blue)) == 0
        assert doubt in instance["report"], name
    assert not instance["report"].startswith("Frame 0: holds")
    for name in ("learn", "solve", "read"):
        assert instance.press(name, stage_of(picture)) == 0
    assert doubt not in instance["report"]


def test_a_ratio_and_a_landing_are_passed_on():
    instance, picture = corrector(), portrait()
    put(instance, "skin_1", *FACE)
    stage = stage_of(picture)
    assert instance.press("learn", stage) == 0
    instance["target_ratio"], instance["landing"] = 0.25, 1
    assert instance.press("solve", stage) == 0
    node = node_of(instance)
    wanted = solve_steer(picture, node.matte(picture), SkinTarget(ratio=0.25, landing="redder"))
    assert (node.angle, node.skin_saturation) == (wanted.angle, wanted.saturation)


def test_a_matte_limits_what_is_solved():
    instance, picture = corrector(), portrait()
    put(instance, "skin_1", *FACE)
    stage = stage_of(picture)
    assert instance.press("learn", stage) == 0
    limit = np.zeros((HEIGHT, WIDTH, 1), np.float32)
    limit[:, : int(FACE[0] * WIDTH)] = 1
    stage.clips["Matte"] = HostImage(np.ascontiguousarray(limit[::-1]))
    assert instance.press("solve", stage) == 0
    node = node_of(instance)
    wanted = solve_steer(picture, node.matte(picture, limit[..., 0]), SkinTarget())
    assert node.angle == wanted.angle


@pytest.mark.parametrize("with_sample", [True, False])
def test_suggesting_a_balance(with_sample):
    instance, picture = corrector(), portrait(cast=(1.08, 1.0, 0.9))
    if with_sample:
        put(instance, "neutral", *CARD)
    assert instance.press("suggest_balance", stage_of(picture)) == 0
    wanted = solve_balance(picture, Sample.point(*CARD) if with_sample else None)
    assert isinstance(wanted, Balance)
    assert (instance["temperature_solved"], instance["tint_solved"]) == (wanted.temperature, wanted.tint)
    assert (instance["temperature"], instance["tint"]) == (0.0, 0.0), "nobody has set anything by hand"
    assert ("neutral sample" if with_sample else "a suggestion") in instance["report"]


def test_the_colour_of_the_blacks_is_taken_out_by_a_spot_behind_the_light():
    """Against the command line's function on the balanced picture; without a spot the message says what to mark."""
    picture = portrait(cast=(1.08, 1.0, 0.9))
    spot = (slice(0, 30), slice(0, 40))
    picture[spot] = (0.09, 0.05, 0.06, 1.0)[: picture.shape[2]]
    instance = corrector()
    instance["temperature"] = 20.0
    host, _ = loaded()
    assert instance.press("take_black", stage_of(picture)) == 1
    assert "Mark something black first: Deep black point" in host.messages[-1][1]
    put(instance, "deep_black", 15 / WIDTH, 12 / HEIGHT)
    assert instance.press("take_black", stage_of(picture)) == 0
    balanced = Balance(temperature=20.0).process(picture)
    wanted = solve_neutral_black(balanced, Sample.point(15 / WIDTH, 12 / HEIGHT))
    assert tuple(instance["neutral_black"]) == pytest.approx(wanted, abs=1e-6)
    assert max(wanted) > 0.02
    assert "Taken out of the blacks: red" in instance["report"]
    node = dataclasses.replace(node_of(instance), neutral_black=tuple(instance["neutral_black"]))
    left = node.balanced(picture)[12, 15, :3]
    assert left.max() - left.min() < 0.004, "each component keeps white, so what is left is scaled by up to 4 %"


def test_only_the_user_presses_buttons():
    """The host also reports what the effect itself has set: answering that would never end."""
    instance = corrector()
    put(instance, "skin_1", *FACE)
    stage = stage_of(portrait())
    assert instance.press("learn", stage, reason="OfxChangePluginEdited") == 14
    assert instance.press("learn", stage, reason="OfxChangeTime") == 14
    assert instance.press("width", stage) == 14
    assert instance["model"] == ""


def test_a_button_that_cannot_says_why_and_changes_nothing():
    host, _ = loaded()
    instance = corrector()
    instance["skin_1_use"] = 0
    host.edits.clear()
    blue = np.ascontiguousarray(portrait()[..., [2, 1, 0, 3]])  # otherwise a head may be found by its look
    assert instance.press("learn", stage_of(blue)) == 1
    assert "There is no sample of skin: add a point" in host.messages[-1][1]
    put(instance, "skin_1", 1.5, 0.5)
    assert instance.press("learn", stage_of(portrait())) == 1
    assert (
        "Skin 1 lies at (288, 72), outside the frame, which reaches from (0, 0) to (192, 144)" in host.messages[-1][1]
    )
    assert instance.press("learn", Stage(HostImage(portrait()))) == 1
    assert "Source has no picture at this time" in host.messages[-1][1]
    assert (host.edits, instance["model"]) == ([], "")
    assert not host.images_out


def test_the_split_view_keeps_the_left_half():
    instance, picture = corrector(), portrait()
    instance["angle"] = 20.0
    instance["view"] = list(CorrectSkin.params()["view"].options).index("split")
    stage = stage_of(picture)
    assert instance.render(stage) == 0
    got = stage.output.read()[::-1]
    assert np.array_equal(got[:, : WIDTH // 2], picture[:, : WIDTH // 2])
    assert not np.array_equal(got[:, WIDTH // 2 :], picture[:, WIDTH // 2 :])


def test_positions_follow_the_render_scale():
    """At half scale the host's controls stay in full-size coordinates."""
    instance = corrector()
    put(instance, "skin_1", *FACE)
    half = np.ascontiguousarray(portrait()[::2, ::2])
    assert instance.press("learn", stage_of(half, scale=0.5)) == 0
    mark = Sample.point(*FACE)
    assert instance["model"] == study_skin(half, [mark], persons=[person_in(half, (), [mark])]).key.model


# --- every kind of value is set -----------------------------------------------------------------------------


@pytest.mark.parametrize("curves", [True, False])
def test_an_action_sets_every_kind_of_control(curves):
    host = Host(missing=() if curves else ("OfxParametricParameterSuite",))
    instance = by_name(host, built_trials())["everything"].instance()
    image = HostImage(np.full((48, 64, 4), 0.5, np.float32))
    assert instance.press("set_all", Stage(image, {"Source": image})) == 0, host.messages
    assert (instance["number"], instance["level"], instance["angle"]) == (3.0, -0.5, -20.0)
    assert (instance["whole"], instance["toggle"], instance["choice"]) == (7, 1, 1)
    assert instance["text"] == "Grüße 100 %s"
    assert instance["point"] == (48.0, 42.0)
    assert (instance["tint"], instance["slope"]) == ((0.25, 0.5, 0.75), (2.0, 3.0, 4.0))
    assert instance["report"] == "Frame 0: spot None, area box:0.2,0.3,0.6,0.7, wish 1, mean 0.500"
    assert instance.render(Stage(image, {"Source": HostImage(np.full((48, 64, 4), 0.5, np.float32))})) == 0
    flat = np.ascontiguousarray(image.read()[::-1]).reshape(-1)
    assert flat[:7].tolist() == [3.0, -0.5, -20.0, 7.0, 1.0, 0.75, 0.125]
    assert not host.complaints, host.complaints


def test_a_curve_is_read_from_the_hosts_control():
    host, effects = loaded_trials()
    instance = effects["everything"].instance()
    instance["curve"] = ((0.0, 0.0), (0.25, 0.5), (1.0, 1.0))
    image = HostImage(np.zeros((48, 64, 4), np.float32))
    assert instance.render(Stage(image, {"Source": HostImage(np.zeros((48, 64, 4), np.float32))})) == 0
    flat = np.ascontiguousarray(image.read()[::-1]).reshape(-1)
    assert flat[19:25].tolist() == [0.0, 0.0, 0.25, 0.5, 1.0, 1.0]
    assert not host.complaints


# --- regions and preferences --------------------------------------------------------------------------------


def test_regions_of_definition_and_of_interest():
    host, effects = loaded()
    source = HostImage(np.zeros((40, 60, 4), np.float32), (4, -6))
    stage = Stage(HostImage(np.zeros((40, 60, 4), np.float32), (4, -6)), {"Source": source}, window=(10, 0, 20, 9))
    for name, roi in (("cdl", (10.0, 0.0, 20.0, 9.0)), ("skin_key", (4.0, -6.0, 64.0, 34.0))):
        instance = effects[name].instance()
        instance.connect({**stage.clips, "Output": stage.output})
        status, answer = instance.ask("GetRegionOfDefinition", stage)
        assert (status, answer) == (0, {"OfxImageEffectPropRegionOfDefinition": (4.0, -6.0, 64.0, 34.0)})
        status, answer = instance.ask("GetRegionsOfInterest", stage)
        assert (status, answer["OfxImageClipPropRoI_Source"]) == (0, roi)
    assert not host.complaints


def test_preferences_of_an_effect_that_makes_a_matte():
    host, effects = loaded()
    instance = effects["range_key"].instance()
    stage = Stage(HostImage(np.zeros((4, 4, 4), np.float32)))
    _, answer = instance.ask("GetClipPreferences", stage)
    assert answer["OfxImageEffectPropPreMultiplication"] == ("OfxImageAlphaPremultiplied",)
    assert "OfxImageClipPropComponents_Output" not in answer
    instance["matte_output"] = 1
    _, answer = instance.ask("GetClipPreferences", stage)
    # A filter's components are those of its source: OpenFX 1.5, "The Filter Context".
    assert answer == {"OfxImageEffectPropPreMultiplication": ("OfxImageAlphaUnPremultiplied",)}
    general = effects["range_key"].instance(context="OfxImageEffectContextGeneral")
    general["matte_output"] = 1
    _, answer = general.ask("GetClipPreferences", stage)
    assert answer["OfxImageClipPropComponents_Output"] == ("OfxImageComponentRGBA",)
    assert effects["cdl"].instance().ask("GetClipPreferences", stage)[0] == 14
    assert not host.complaints


# --- errors -------------------------------------------------------------------------------------------------

WAYS = {"fault": 1, "exit": 2, "interrupt": 3, "memory": 4}


@pytest.mark.parametrize("way", WAYS)
def test_nothing_reaches_the_host_but_a_status(way, capfd):
    host, effects = loaded_trials()
    instance = effects["faulty"].instance()
    # Tall enough for several bands; the fault lies in the last one, so that earlier ones are written by then.
    source = np.full((300, 8, 4), 0.25, np.float32)
    source[-40:] = 0.75
    output = HostImage(np.full_like(source, 77))
    instance["way"] = WAYS[way]
    assert instance.render(Stage(output, {"Source": HostImage(source)})) == (8 if way == "memory" else 1)
    assert (output.read() == 0).all(), "no half image"
    assert not host.images_out
    kind, text = host.persistent[instance.handle]
    assert (kind, text.startswith("Faulty (org.inkarnat.faulty): ")) == ("OfxMessageError", True)
    if way == "fault":
        assert "A fault of the effect itself: ZeroDivisionError: at 100 %s of it" in text
        assert "Traceback" in capfd.readouterr().err
    instance["way"] = 0
    assert instance.render(Stage(output, {"Source": HostImage(source)})) == 0
    assert instance.handle not in host.persistent, "the message goes when it works again"
    assert not host.complaints


def test_values_that_contradict_each_other_are_explained():
    host, effects = loaded()
    instance = effects["soften_matte"].instance()
    instance["floor"], instance["ceiling"] = 0.9, 0.2
    image = HostImage(np.full((8, 8, 4), 0.5, np.float32))
    output = HostImage(np.full((8, 8, 4), 77, np.float32))
    assert instance.render(Stage(output, {"Source": image})) == 1
    assert "soften_matte.ceiling must lie above soften_matte.floor (0.9), not at 0.2." in host.messages[-1][1]
    assert (output.read() == 0).all()


@pytest.mark.parametrize(
    ("missing", "persistent", "count"),
    [((), True, 2), (("OfxMessageSuite 2",), False, 1), (("OfxMessageSuite",), None, 0)],
    ids=["version 2", "version 1", "none"],
)
def test_messages_in_every_version_of_the_suite(missing, persistent, count, capfd):
    host = Host(missing=missing)
    instance = by_name(host, built())["soften_matte"].instance()
    instance["floor"], instance["ceiling"] = 0.9, 0.2
    image = HostImage(np.full((8, 8, 4), 0.5, np.float32))
    for _ in range(2):
        assert instance.render(Stage(HostImage(np.zeros((8, 8, 4), np.float32)), {"Source": image})) == 1
    assert [kept for _, _, kept in host.messages] == [persistent] * count
    assert not host.complaints


def test_an_aborted_render_is_no_picture():
    host, effects = loaded()
    for name in ("cdl", "skin_key"):
        source = np.full((600, 16, 4), 0.5, np.float32)
        output = HostImage(np.full_like(source, 77))
        instance = effects[name].instance()
        asked = itertools.chain([False], itertools.repeat(True))
        host.abort = lambda asked=asked: next(asked)
        try:
            with strips.threads(1):  # only the thread that the host called asks it
                status = instance.render(Stage(output, {"Source": HostImage(source)}))
        finally:
            host.abort = lambda: False
        assert status == 1, "a host that took the black frame for a result would keep it"
        assert (output.read() == 0).all()
        assert instance.handle not in host.persistent


def test_a_layout_that_the_standard_does_not_name_is_refused():
    host, effects = loaded()
    instance = effects["cdl"].instance()
    image = HostImage(np.zeros((8, 8, 4), np.float32))
    odd = HostImage(np.zeros((8, 8, 4), np.float32))
    odd.properties = lambda: {**HostImage.properties(odd), "OfxImageEffectPropComponents": ("OfxImageComponentYUVA",)}
    assert instance.render(Stage(image, {"Source": odd})) == 1000  # kOfxStatErrImageFormat
    assert "give the effect RGBA, RGB or Alpha" in host.messages[-1][1]
    assert not host.images_out


def test_actions_on_handles_that_are_none():
    _, effects = loaded()
    effect = effects["cdl"]
    for action in ("OfxImageEffectActionRender", "OfxActionInstanceChanged", "OfxActionDestroyInstance"):
        assert effect.call(action, 12345) == 9
    assert effect.call("OfxActionSomethingNew") == 14
    assert effect.call("OfxActionUnload") == 0
    assert effect.call("OfxActionLoad") == 0


def test_actions_that_need_no_answer():
    host, _ = loaded()
    instance = corrector()
    for action in (
        "OfxActionSyncPrivateData",
        "OfxActionPurgeCaches",
        "OfxActionBeginInstanceChanged",
        "OfxActionEndInstanceChanged",
        "OfxActionBeginInstanceEdit",
        "OfxActionEndInstanceEdit",
        "OfxImageEffectActionBeginSequenceRender",
        "OfxImageEffectActionEndSequenceRender",
    ):
        assert instance.effect.call(action, instance.handle) == 0
    assert instance.effect.call("OfxImageEffectActionRender", instance.handle) == 9, "no arguments"
    assert instance.destroy() == 0
    assert instance.effect.call("OfxActionPurgeCaches", instance.handle) == 9
    assert not [text for text in host.complaints if "expected" in text]


def test_a_first_use_that_fails_stops_nobody(monkeypatch, tmp_path):
    from inkarnat.host_adapters.openfx import plugin

    _, effects = loaded()
    closed = tmp_path / "file"
    closed.write_text("no folder")
    monkeypatch.setattr(jit, "CACHE_FOLDER", closed)
    monkeypatch.setattr(plugin, "_prepared", set())
    assert effects["blend"].instance().status == 0


def test_the_adapter_names_no_node():
    """It knows declarations only: a new node becomes an effect without a line here."""
    from inkarnat.host_adapters.openfx import bundle

    for source in bundle.SOURCES.glob("*.py"):
        text = source.read_text(encoding="utf-8")
        for name, kind in NODES.items():
            assert not re.search(rf"""["']{name}["']""", text), f"{source.name} names {name}"
            assert not re.search(rf"\b{kind.__name__}\(", text), f"{source.name} makes a {kind.__name__}"


def test_the_strict_host_is_strict():
    """A host that never complains proves nothing."""
    from ofx_host import rules
    from ofx_host.host import HostStatus, PropertySet

    host = Host()
    handle = host.handle(PropertySet("effect descriptor", {}, rules.EFFECT_DESCRIPTOR))
    for name, index, type_, value, complaint in (
        ("OfxPropNonsense", 0, "int", 1, "may not be written"),
        ("OfxPropLabel", 0, "int", 1, "is string, not int"),
        ("OfxPropLabel", 1, "string", "x", "has 1 values"),
        ("OfxImageEffectPropSupportsTiles", 0, "int", 2, "is 0 or 1"),
        ("OfxImageEffectPropSupportedContexts", 0, "string", "Sideways", "may not be"),
        ("OfxImageEffectPropSupportedContexts", 1, "string", "OfxImageEffectContextFilter", "was set before"),
    ):
        with pytest.raises(HostStatus, match=complaint):
            host._set(handle, name.encode(), index, type_, value)
    with pytest.raises(HostStatus, match="is no handle"):
        host._set(7, b"OfxPropLabel", 0, "string", "x")


def test_steering_alone_takes_the_alpha_of_source_as_its_matte():
    """Key and steer work one after the other in a host that hands one picture on: the matte travels in alpha."""
    _, effects = loaded()
    picture = portrait()
    key, steer = effects["skin_key"].instance(), effects["steer_skin"].instance()
    key["matte_output"], steer["angle"] = 1, 12.0
    first = stage_of(picture)
    assert key.render(first) == 0
    second = Stage(HostImage(np.zeros_like(picture)), {"Source": first.output})
    assert steer.render(second) == 0
    keyed = np.ascontiguousarray(first.output.read()[::-1])
    expected = SteerSkin(angle=12.0).process(keyed, np.ascontiguousarray(keyed[..., 3]))
    assert np.array_equal(second.output.read()[::-1], expected)


def test_an_effect_that_changes_nothing_names_its_source():
    host, effects = loaded()
    image = HostImage(np.full((8, 8, 4), 0.5, np.float32))
    stage = Stage(HostImage(np.zeros((8, 8, 4), np.float32)), {"Source": image}, time=3.0)
    for name, neutral, other in (
        ("balance", {}, {"tint": 0.01}),
        ("cdl", {"clamp": 0}, {"clamp": 1}),
        ("steer_skin", {"angle": 9.0, "amount": 0.0}, {"amount": 1.0}),
        ("correct_skin", {}, {"saturation": 0.5}),
    ):
        instance = effects[name].instance()
        for control, value in neutral.items():
            instance[control] = value
        assert instance.ask("IsIdentity", stage) == (0, {"OfxPropName": ("Source",), "OfxPropTime": (3.0,)}), name
        for control, value in other.items():
            instance[control] = value
        assert instance.ask("IsIdentity", stage) == (14, {}), name
    for name, kind in NODES.items():
        if kind.output().kind == "matte":
            assert effects[name].instance().ask("IsIdentity", stage) == (14, {}), name
    assert not host.complaints


def test_values_that_contradict_each_other_are_no_identity():
    _, effects = loaded()
    instance = effects["correct_skin"].instance()
    instance["black"], instance["white"] = 0.5, 0.5
    assert instance.ask("IsIdentity", Stage(HostImage(np.zeros((8, 8, 4), np.float32)))) == (14, {})


def test_purging_gives_the_memory_back():
    from inkarnat.host_adapters.openfx.render import SCRATCH
    from inkarnat.kernels import memory
    from inkarnat.nodes import scopes

    _, effects = loaded()
    picture = np.repeat(np.repeat(portrait(), 4, axis=0), 4, axis=1)
    instance = corrector()
    instance["angle"] = 5.0
    assert instance.render(stage_of(picture)) == 0
    assert effects["vectorscope"].instance().render(stage_of(picture)) == 0
    assert SCRATCH.held > 0
    assert memory.RESULTS.idle() > 0
    assert scopes._graticule.cache_info().currsize > 0
    assert instance.effect.call("OfxActionPurgeCaches", instance.handle) == 0
    assert SCRATCH.held == memory.RESULTS.idle() == scopes._graticule.cache_info().currsize == 0
    assert instance.render(stage_of(picture)) == 0, "what was given back is made again"


def test_memory_between_renders_is_limited():
    from inkarnat.host_adapters.openfx.images import Scratch

    scratch = Scratch(most=4000)
    with scratch.borrowing() as borrow:
        first = borrow((10, 25))
        second = borrow((10, 25))
        assert not np.shares_memory(first, second)
    assert scratch.held == 2000
    with scratch.borrowing() as borrow:
        assert np.shares_memory(borrow((24, 10)), first) or scratch.held == 1000
        borrow((100, 10))
        borrow((2000,))
    assert scratch.held <= 4000
    scratch.clear()
    assert scratch.held == 0
