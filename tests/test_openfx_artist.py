"""OpenFX for the person at the controls: groups, words, what is switched off, readings, samples over frames."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pytest
from inkarnat.host_adapters.commands.correct import METHODS
from inkarnat.host_adapters.openfx.controls import STALE, controls_of, option_label
from inkarnat.host_adapters.openfx.description import is_temporal
from inkarnat.host_adapters.shots.faces import person_in
from inkarnat.nodes import EARLIER, NODES, Sample, SteerSkin, measure_skin, study_skin
from ofx_host import HostImage, Stage
from ofx_host.bundles import loaded
from test_openfx_actions import FACE, HEIGHT, WALL, WIDTH, node_of, portrait, put, stage_of
from test_openfx_overlay import held, no_complaints, pick, screen


def corrector():
    _, effects = loaded()
    return effects["correct_skin"].instance(size=(float(WIDTH), float(HEIGHT)))


def enabled(instance, name: str) -> bool:
    return bool(instance.controls.by_name[name].properties.values.get("OfxParamPropEnabled", (1,))[0])


# --- order, groups and words --------------------------------------------------------------------------------


def test_buttons_come_first_and_samples_by_number_last():
    controls = [control for control in controls_of(NODES["correct_skin"]) if control.type != "Page"]
    names = [control.name for control in controls]
    assert names[0] == "pick"
    assert names.index("report") < names.index("view")
    groups = [control.properties[b"OfxPropLabel"][0] for control in controls if control.type == "Group"]
    steps = ["Light", "Levels and saturation", "Curve", "Key", "Faces", "Matte", "Skin", "Look"]
    assert groups == ["View", *steps, "Target", "Samples by number"]
    closed = [c.name for c in controls if c.type == "Group" and not c.properties[b"OfxParamPropGroupOpen"][0]]
    assert closed == ["curve_group", "faces_panel", "look", "target", "samples"]
    parents = [c.properties.get(b"OfxParamPropParent", ("",))[0] for c in controls]
    assert [key for key, _ in itertools.groupby(p for p in parents if p)][-1] == "samples"


@pytest.mark.parametrize("kind", NODES.values(), ids=NODES.keys())
def test_no_choice_shows_a_raw_word(kind):
    for name, param in kind.params().items():
        for word in param.options:
            label = option_label(word)
            assert "_" not in label, f"{kind.name}.{name}: {label}"
            assert label[0].isupper() or label[0].isdigit() or label == "sRGB"
        assert len({option_label(word) for word in param.options}) == len(param.options)


def test_ways_to_move_the_colour_are_called_as_on_the_command_line():
    """As `correct --method` does; projects keep the place of an option, so its word may change."""
    shown = [option_label(word).lower() for word in SteerSkin.params()["method"].options]
    assert shown == [word for word, method in METHODS.items() if method in SteerSkin.params()["method"].options]


def test_the_panels_hold_every_parameter_once():
    for kind in NODES.values():
        named = [name for names in kind.panels().values() for name in names]
        assert len(named) == len(set(named))
        assert set(named) <= set(kind.params())
        if named:
            assert set(named) == set(kind.params())


# --- what is switched off -----------------------------------------------------------------------------------


def test_what_has_no_effect_is_switched_off_and_on_again():
    host, effects = loaded()
    region = effects["region"].instance(size=(64.0, 48.0))
    stage = Stage(HostImage(np.zeros((48, 64, 4), np.float32)))
    assert (enabled(region, "centre"), enabled(region, "points_1")) == (True, False)
    region["shape"] = 2
    assert region.press("shape", stage) == 14
    assert (enabled(region, "centre"), enabled(region, "points_1"), enabled(region, "points_count")) == (
        False,
        True,
        True,
    )
    region["shape"] = 0
    assert region.press("shape", stage, reason="OfxChangePluginEdited") == 14, "whoever changed it"
    assert (enabled(region, "centre"), enabled(region, "points_1")) == (True, False)
    assert not host.complaints


def test_the_all_in_one_effect_shows_what_counts_now():
    instance, stage = corrector(), stage_of(portrait())
    assert not enabled(instance, "split_at")
    assert not enabled(instance, "transfer")
    assert not enabled(instance, "amount")
    assert (enabled(instance, "skin_1"), enabled(instance, "skin_2")) == (True, False)
    instance["view"] = list(NODES["correct_skin"].params()["view"].options).index("split")
    instance["temperature"], instance["angle"], instance["skin_2_use"] = 10.0, 4.0, 1
    assert instance.press("view", stage) == 14
    assert all(enabled(instance, name) for name in ("split_at", "transfer", "amount", "skin_2"))
    no_complaints()


# --- readings -----------------------------------------------------------------------------------------------


def test_a_reading_from_before_a_change_says_so():
    instance, stage = corrector(), stage_of(portrait())
    instance["live_reading"] = 0
    put(instance, "skin_1", *FACE)
    assert instance.press("learn", stage) == 0
    fresh = instance["report"]
    assert fresh.startswith("Frame 0: The key finds")
    instance["angle"] = 3.0
    for _ in range(2):
        assert instance.press("angle", stage) == 14
        assert instance["report"] == STALE + fresh
    assert instance.press("read", stage) == 0
    assert not instance["report"].startswith(STALE)
    for name, reason in (("angle", "OfxChangePluginEdited"), ("view", "OfxChangeUserEdited")):
        assert instance.press(name, stage, reason=reason) == 14
        assert not instance["report"].startswith(STALE), "no reading depends on that"
    put(instance, "skin_2", *FACE)
    assert instance.press("skin_2_use", stage) == 14
    assert instance["report"].startswith(STALE), "the key has not learned from that sample"
    no_complaints()


def test_a_live_reading_follows_every_change():
    """It says what a press of the button would say, on the frame that is shown."""
    instance, stage = corrector(), stage_of(portrait(), time=3.0)
    put(instance, "skin_1", *FACE)
    for button in ("learn", "solve"):
        assert instance.press(button, stage) == 0
    for name, value in (("angle", 3.0), ("skin_saturation", 1.2), ("target_bias", -4.0), ("angle", -2.0)):
        before = instance["report"]
        instance[name] = value
        assert instance.press(name, stage) == 14
        live = instance["report"]
        assert live != before
        assert live.startswith("Frame 3: ")
        assert instance.press("read", stage) == 0
        assert instance["report"] == live
    assert instance.press("angle", Stage(stage.output)) == 14, "without a picture"
    assert instance["report"] == STALE + live
    no_complaints()


def test_one_undo_takes_a_change_back_and_its_reading_with_it():
    """Hosts keep what a person moves as a step of their own, and tell an undo as a user's edit (OpenFX, ofxCore.h,
    kOfxPropChangeReason: "this includes undo/redos"); a control with kOfxParamPropCanUndo 0 is on no undo stack."""
    instance, stage = corrector(), stage_of(portrait())
    put(instance, "skin_1", *FACE)
    for button in ("learn", "solve"):
        assert instance.press(button, stage) == 0
    assert instance.press("read", stage) == 0
    before, host = instance["report"], loaded()[0]
    host.edits.clear()
    instance["angle"] = 3.0
    assert instance.press("angle", stage) == 14
    assert (instance["report"] != before, host.edits) == (True, ["set report"]), "no step that a reading alone fills"
    assert instance.controls.by_name["report"].properties.values["OfxParamPropCanUndo"] == (0,)
    instance["angle"] = 0.0  # the undo
    assert instance.press("angle", stage) == 14
    assert instance["report"] == before
    no_complaints()


def test_a_live_reading_of_a_large_picture_says_the_same():
    """It is taken from means of squares, so that it keeps up with a slider."""
    picture = portrait()
    large = np.ascontiguousarray(np.kron(picture, np.ones((5, 5, 1), np.float32)))
    large[..., :3] += np.random.default_rng(5).normal(0, 0.004, (*large.shape[:2], 3)).astype(np.float32)
    _, effects = loaded()
    instance = effects["correct_skin"].instance(size=(5.0 * WIDTH, 5.0 * HEIGHT))
    instance["skin_1"], instance["skin_1_use"] = (FACE[0] * 5 * WIDTH, (1 - FACE[1]) * 5 * HEIGHT), 1
    for button in ("learn", "solve"):
        assert instance.press(button, stage_of(large)) == 0
    instance["angle"] = 3.0
    assert instance.press("angle", stage_of(large)) == 14
    live = instance["report"]
    assert instance.press("read", stage_of(large)) == 0

    def angles(text: str) -> list[float]:
        return [float(word) for word in re.findall(r"(\d+\.\d)°, ratio", text)]

    assert len(angles(live)) == 3
    assert angles(live) == pytest.approx(angles(instance["report"]), abs=0.21)
    no_complaints()


def test_without_a_key_nothing_is_read_by_itself():
    instance, stage = corrector(), stage_of(portrait())
    instance["angle"] = 3.0
    instance.connect({**stage.clips, "Output": stage.output})
    assert instance.press("angle", stage) == 14
    assert instance["report"] == ""
    assert instance.clips["Source"].asked == []


# --- in another light ---------------------------------------------------------------------------------------


def in_one_light():
    """The effect with a solve and a trim by hand."""
    instance, picture = corrector(), portrait(cast=(1.06, 1.0, 0.92))
    put(instance, "skin_1", *FACE)
    for button in ("learn", "solve"):
        assert instance.press(button, stage_of(picture)) == 0
    instance["angle"] = 1.5
    return instance, picture


@pytest.mark.parametrize(("name", "value"), [("temperature", 20.0), ("exposure", 0.4), ("black", 0.03)])
def test_what_is_solved_follows_the_light_and_what_is_by_hand_stays(name, value):
    host, _ = loaded()
    instance, picture = in_one_light()
    before = instance["model"], instance["angle_solved"]
    instance[name] = value
    host.edits.clear()
    assert instance.press(name, stage_of(picture)) == 14
    assert instance["model"] != before[0]
    assert "learned anew in this light. The skin is solved anew" in instance["report"]
    assert instance["angle"] == 1.5
    assert final_angle(instance, picture) == pytest.approx(124.5, abs=0.1)
    assert (host.edits[0], host.edits.count("end")) == ("begin Learn and solve in this light", 1)
    no_complaints()


def test_a_frozen_key_stays():
    instance, picture = in_one_light()
    instance["freeze_key"] = 1
    assert instance.press("freeze_key", stage_of(picture)) == 14
    before = instance["model"], instance["angle_solved"]
    instance["temperature"] = 20.0
    assert instance.press("temperature", stage_of(picture)) == 14
    assert (instance["model"], instance["angle_solved"]) == before
    assert "anew" not in instance["report"]


def test_back_to_solved_solves_in_the_light_that_is_left():
    instance, picture = in_one_light()
    first = instance["model"], instance["angle_solved"]
    instance["temperature"] = 20.0
    assert instance.press("temperature", stage_of(picture)) == 14
    assert instance.press("back_to_solved", stage_of(picture)) == 0
    assert (instance["model"], instance["angle_solved"]) == first
    assert (instance["temperature"], instance["angle"]) == (0.0, 0.0)


def test_forgetting():
    host, _ = loaded()
    instance, stage = corrector(), stage_of(portrait())
    put(instance, "skin_1", *FACE)
    assert instance.press("learn", stage) == 0
    assert instance.press("solve", stage) == 0
    instance["black"] = 0.02
    host.edits.clear()
    assert instance.press("forget", stage) == 0
    assert (instance["model"], instance["angle_solved"], instance["skin_saturation_solved"]) == ("", 0.0, 1.0)
    assert (instance["black"], instance["skin_1_use"]) == (0.02, 1), "the rest stays"
    assert host.edits[0] == "begin Forget key and solve"
    assert host.edits.count("end") == 1
    no_complaints()


def test_a_balance_after_the_solve_leaves_the_skin_on_its_target():
    """The order of a person in a hurry: learn, solve, and only then the light."""
    instance, picture = corrector(), portrait(cast=(1.12, 1.0, 0.84))
    put(instance, "skin_1", *FACE)
    put(instance, "neutral", 40 / WIDTH, 130 / HEIGHT)
    stage = stage_of(picture)
    for button in ("learn", "solve", "suggest_balance"):
        assert instance.press(button, stage) == 0
    assert instance["temperature_solved"] != 0
    assert "learned anew" in instance["report"]
    assert instance.render(stage) == 0
    node = node_of(instance)
    matte = node.matte(node.balanced(picture))
    reading = measure_skin(np.ascontiguousarray(stage.output.read()[::-1]), matte)
    assert reading.angle == pytest.approx(123.0, abs=0.2)


# --- solved and by hand -------------------------------------------------------------------------------------


def final_angle(instance, picture: np.ndarray) -> float:
    """The hue of the keyed skin in what the effect renders."""
    stage = stage_of(picture)
    assert instance.render(stage) == 0
    node = node_of(instance)
    matte = node.matte(node.balanced(picture))
    return measure_skin(np.ascontiguousarray(stage.output.read()[::-1]), matte).angle


def test_card_first_then_the_trim():
    """A trim by hand stays when the card is read again, and counts beside what it says."""
    instance, stage = corrector(), stage_of(portrait(cast=(1.12, 1.0, 0.84)))
    put(instance, "neutral", 40 / WIDTH, 130 / HEIGHT)
    assert instance.press("suggest_balance", stage) == 0
    solved = instance["temperature_solved"]
    instance["temperature"] = 12.0
    assert node_of(instance).temperature == solved + 12.0
    assert instance.press("suggest_balance", stage) == 0
    assert (instance["temperature_solved"], instance["temperature"]) == (solved, 12.0)
    no_complaints()


def test_solve_nudge_and_change_the_light():
    """The nudge stays on top of every further solve; the solve itself does not see it."""
    instance, picture = corrector(), portrait(cast=(1.06, 1.0, 0.92))
    put(instance, "skin_1", *FACE)
    for button in ("learn", "solve"):
        assert instance.press(button, stage_of(picture)) == 0
    first = instance["angle_solved"]
    assert final_angle(instance, picture) == pytest.approx(123.0, abs=0.1)
    instance["angle"], instance["skin_saturation"] = 1.5, 1.1
    assert final_angle(instance, picture) == pytest.approx(124.5, abs=0.1)
    instance["temperature"] = 15.0
    for button in ("learn", "solve"):
        assert instance.press(button, stage_of(picture)) == 0
    assert instance["angle_solved"] != first
    assert (instance["angle"], instance["skin_saturation"]) == (1.5, 1.1)
    assert final_angle(instance, picture) == pytest.approx(124.5, abs=0.1)
    assert "124.5°" in instance["report"], "the reading is of the whole"
    no_complaints()


def test_back_to_solved_clears_what_is_by_hand():
    host, _ = loaded()
    instance, picture = corrector(), portrait()
    put(instance, "skin_1", *FACE)
    for button in ("learn", "solve"):
        assert instance.press(button, stage_of(picture)) == 0
    instance["angle"], instance["black"] = 4.0, 0.01
    instance.controls.by_name["tint"].keys = {0.0: 0.001, 4.0: 0.003}
    host.edits.clear()
    assert instance.press("back_to_solved", stage_of(picture)) == 0
    assert (instance["angle"], instance["tint"], instance["skin_saturation"]) == (0.0, 0.0, 1.0)
    assert not instance.controls.by_name["tint"].keys, "its keyframes go as well"
    assert instance["black"] == 0.01, "nothing solves the levels"
    assert host.edits[0] == "begin Back to solved"
    assert {"set angle", "set tint"} <= set(host.edits)
    assert "set skin_saturation" not in host.edits
    assert instance["report"].startswith("Frame 0: The key is learned anew"), "the light has changed with the tint"
    host.edits.clear()
    assert instance.press("back_to_solved", stage_of(picture)) == 0
    assert host.edits == [], "nothing is left to clear"
    no_complaints()


def test_the_solved_part_is_shown_and_never_typed():
    controls = {control.name: control for control in controls_of(NODES["correct_skin"])}
    for name, rest in (("temperature", 0.0), ("tint", 0.0), ("angle", 0.0), ("skin_saturation", 1.0)):
        by_hand, solved = controls[name], controls[f"{name}_solved"]
        assert solved.properties[b"OfxParamPropEnabled"] == (0,)
        assert solved.properties[b"OfxParamPropDefault"] == (rest,)
        assert solved.properties[b"OfxParamPropParent"] == by_hand.properties[b"OfxParamPropParent"]
        assert ", solved" in solved.properties[b"OfxPropLabel"][0]
    (earlier,) = (kind for kind in EARLIER if kind.name == "correct_skin")
    assert not [c.name for c in controls_of(earlier) if c.name.endswith("_solved") or c.name == "back_to_solved"]


def test_values_together_stay_within_their_range():
    instance = corrector()
    instance["temperature"], instance["temperature_solved"] = 100.0, 90.0
    source = np.full((HEIGHT, WIDTH, 4), 0.4, np.float32)
    assert instance.render(stage_of(source)) == 0
    limited = corrector()
    limited["temperature"] = NODES["correct_skin"].params()["temperature"].high
    stage, other = stage_of(source), stage_of(source)
    assert (instance.render(stage), limited.render(other)) == (0, 0)
    assert np.array_equal(stage.output.read(), other.output.read())
    no_complaints()


# --- on the picture -----------------------------------------------------------------------------------------


def test_the_split_can_be_dragged():
    instance, view = held("correct_skin")
    instance["view"], instance["angle"] = list(NODES["correct_skin"].params()["view"].options).index("split"), 20.0
    view.drag(screen(view, (0.5, 0.5)), screen(view, (0.25, 0.4)))
    assert instance["split_at"] == pytest.approx(0.25)
    picture = portrait()
    stage = stage_of(picture)
    assert instance.render(stage) == 0
    got = stage.output.read()[::-1]
    assert np.array_equal(got[:, : WIDTH // 4], picture[:, : WIDTH // 4])
    assert not np.array_equal(got[:, WIDTH // 4 : WIDTH // 2], picture[:, WIDTH // 4 : WIDTH // 2])
    no_complaints()


def lit(frame: float) -> np.ndarray:
    """The same person in light that grows over the frames."""
    return (portrait() * np.array([1.0 + 0.06 * frame, 1.0, 1.0 - 0.05 * frame, 1.0])).astype(np.float32)


def over_frames() -> Stage:
    def image(time: float) -> HostImage | None:
        return HostImage(np.ascontiguousarray(lit(time)[::-1])) if 0 <= time <= 4 else None

    return Stage(HostImage(np.zeros_like(portrait())), {"Source": image})


def test_samples_on_several_frames_are_learned_together():
    host, effects = loaded()
    instance, view = held("correct_skin")
    instance["skin_1_use"] = 0
    stage = over_frames()
    instance.connect({**stage.clips, "Output": stage.output})
    pick(instance, "Skin stroke")
    view.drag(*(screen(view, (FACE[0] + dx, FACE[1])) for dx in (-0.03, 0.0, 0.03)))
    view.time = 3.0
    pick(instance, "Skin box")
    view.drag(screen(view, (0.45, 0.35)), screen(view, (0.55, 0.5)))
    pick(instance, "Keep out point")
    view.drag(screen(view, WALL))
    lines = instance["marks"].splitlines()
    assert [line.split()[:2] for line in lines] == [["0", "skin"], ["3", "skin"], ["3", "keep_out"]]
    assert instance.press("learn", stage) == 0, host.messages
    stroke = Sample.parse(lines[0].split()[2])
    assert stroke.kind == "stroke"
    others = [(lit(3), [Sample.parse(lines[1].split()[2])], [Sample.parse(lines[2].split()[2])])]
    persons = [person_in(lit(0), (), [stroke]), *(person_in(picture, (), *marks) for picture, *marks in others)]
    assert instance["model"] == study_skin(lit(0), [stroke], [], others, persons=persons).key.model
    assert set(instance.clips["Source"].asked) >= {0.0, 3.0}
    assert is_temporal(NODES["correct_skin"]), "hosts must let it read other frames"
    assert effects["correct_skin"].description["OfxImageEffectPropTemporalClipAccess"] == (1,)
    no_complaints()


def test_a_sample_on_a_frame_that_is_gone_is_named():
    host, _ = loaded()
    instance, _ = held("correct_skin")
    instance["marks"] = "99 skin point:0.5,0.5"
    assert instance.press("learn", over_frames()) == 1
    assert "A sample of skin lies on frame 99: Source has no picture at this time" in host.messages[-1][1]
    assert not host.images_out


def test_marks_are_dragged_and_taken_away_on_their_own_frame_alone():
    instance, view = held("correct_skin")
    instance["skin_1_use"] = 0
    instance["marks"] = "0 skin point:0.5,0.5\n3 skin point:0.25,0.25"
    assert view.drag(screen(view, (0.25, 0.25)), screen(view, (0.3, 0.3))) == [14, 14, 14], "of another frame"
    sheet = view.draw()
    assert {text for text, _ in sheet.texts} == {"Skin", "Skin, frame 3"}
    view.drag(screen(view, (0.5, 0.5)), screen(view, (0.6, 0.4)))
    assert instance["marks"].splitlines()[0] == "0 skin point:0.6,0.4"
    assert view.key(0xFFFF) == 0
    assert instance["marks"] == "3 skin point:0.25,0.25"
    no_complaints()


def test_rendering_asks_for_no_other_frame():
    """Samples on other frames are for learning; a render reads its own frame."""
    instance, _ = held("correct_skin")
    instance["marks"] = "3 skin point:0.25,0.25"
    stage = over_frames()
    instance.connect({**stage.clips, "Output": stage.output})
    assert instance.ask("GetFramesNeeded", stage)[0] == 14
