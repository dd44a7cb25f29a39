"""OpenFX, hands on the picture: the pen takes hold, drags, adds and takes away; what is drawn is where it counts."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from inkarnat.host_adapters.openfx import marks
from inkarnat.host_adapters.openfx.overlay import REACH
from inkarnat.host_adapters.shots.faces import person_in
from inkarnat.nodes import NODES, Sample, study_skin
from ofx_host import Host
from ofx_host.bundles import built, by_name, loaded
from ofx_host.interact import ELLIPSE, LOOP, RECTANGLE, STRIP, Interact
from test_openfx_actions import CARD, FACE, HEIGHT, WALL, WIDTH, portrait, stage_of

SIZE = (float(WIDTH), float(HEIGHT))


def held(name: str, zoom: float = 4.0):
    """An instance with a picture, and a view of it."""
    _, effects = loaded()
    instance = effects[name].instance(size=SIZE)
    stage = stage_of(portrait())
    instance.connect({**stage.clips, "Output": stage.output})
    return instance, Interact(instance, (round(WIDTH * zoom), round(HEIGHT * zoom)), zoom)


def screen(view: Interact, point: tuple[float, float]) -> tuple[float, float]:
    """Return where a normalised point lies on the screen."""
    return point[0] * view.viewport[0], point[1] * view.viewport[1]


def no_complaints() -> None:
    host, _ = loaded()
    assert not host.complaints, "\n".join(host.complaints)


# --- what is offered ----------------------------------------------------------------------------------------


def test_effects_with_something_to_hold_have_an_overlay():
    _, effects = loaded()
    with_it = {n for n, e in effects.items() if "OfxImageEffectPluginPropOverlayInteractV2" in e.description}
    assert {"correct_skin", "region", "compare"} <= with_it
    assert not with_it & {"cdl", "balance", "skin_key", "vectorscope"}


def test_a_host_that_cannot_draw_gets_number_fields_alone():
    host = Host(missing=("OfxDrawSuite",))
    effects = by_name(host, built())
    assert all("OfxImageEffectPluginPropOverlayInteractV2" not in e.description for e in effects.values())
    assert effects["region"].instance(size=SIZE).controls.by_name["centre"].type == "OfxParamTypeDouble2D"
    assert not host.complaints


def test_the_host_is_told_what_to_watch():
    _, view = held("region")
    view.draw()
    watched = view.properties.values["OfxInteractPropSlaveToParam"]
    assert {"centre", "width", "height", "rotation", "shape", "points_1"} <= set(watched)
    no_complaints()


# --- hosts with handles of their own ------------------------------------------------------------------------


@pytest.fixture
def with_handles():
    """The host offers handles for positions, and says so at each control."""
    host, _ = loaded()
    host.has_handles = True
    yield
    host.has_handles = False


def test_a_hosts_own_handles_are_left_to_the_host(with_handles):
    """No second dot over the host's, and the pen on it is the host's; what has no handle there stays ours."""
    instance, view = held("region")
    sheet = view.draw()
    assert [p for p in sheet.shapes if p[0] == LOOP], "the outline"
    dots = [points for primitive, points, _ in sheet.shapes if primitive == RECTANGLE]
    middle = screen(view, (0.5, 0.5))
    assert len(dots) == 4, "the ends of width and height, each twice"
    assert all(abs((p[0][0] + p[1][0]) / 2 - middle[0]) + abs((p[0][1] + p[1][1]) / 2 - middle[1]) > 20 for p in dots)
    assert view.drag(middle, screen(view, (0.3, 0.3))) == [14, 14, 14]
    assert instance["centre"] == (WIDTH / 2, HEIGHT / 2)
    instance["shape"] = 2
    assert not [p for p in view.draw().shapes if p[0] == RECTANGLE], "every corner is a position of the host"
    assert view.drag(screen(view, (0.65, 0.25)), screen(view, (0.8, 0.1))) == [14, 14, 14]
    no_complaints()


def test_samples_that_the_host_marks_are_not_marked_twice(with_handles):
    instance, view = held("correct_skin")
    instance["skin_area_use"] = 1
    instance["marks"] = "0 skin point:0.25,0.25"
    sheet = view.draw()
    assert {text for text, _ in sheet.texts} == {"Skin"}, "the mark, which is no control of the host"
    assert len([p for p in sheet.shapes if p[0] == LOOP]) == 2, "the box's outline, drawn twice"
    at = (instance["skin_1"][0] / WIDTH, 1 - instance["skin_1"][1] / HEIGHT)
    assert view.drag(screen(view, at), screen(view, (0.6, 0.6))) == [14, 14, 14]
    assert view.drag(screen(view, (0.25, 0.25)), screen(view, (0.3, 0.3))) == [0, 0, 0]
    assert instance["marks"] == "0 skin point:0.3,0.3"
    no_complaints()


# --- shapes -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", ["ellipse", "box", "polygon"])
def test_the_outline_is_the_edge_of_the_matte(shape):
    """Along the drawn line the matte is half: the feather lies half inside and half outside."""
    instance, view = held("region", zoom=1.0)
    instance["shape"] = list(NODES["region"].params()["shape"].options).index(shape)
    instance["rotation"], instance["width"], instance["height"], instance["feather"] = 20.0, 0.7, 0.4, 0.1
    stage = stage_of(portrait())
    assert instance.render(stage) == 0
    matte = stage.output.read()[::-1, :, 0]
    outline = next(points for primitive, points, _ in view.draw().shapes if primitive == LOOP)
    values = [matte[min(int(y), HEIGHT - 1), min(int(x), WIDTH - 1)] for x, y in outline]
    if shape == "ellipse":
        assert np.abs(np.array(values) - 0.5).max() < 0.12
    else:  # a corner's matte is less than half
        middles = [((x0 + x1) / 2, (y0 + y1) / 2) for (x0, y0), (x1, y1) in itertools.pairwise(outline)]
        assert np.abs(np.array([matte[int(y), int(x)] for x, y in middles]) - 0.5).max() < 0.12
    no_complaints()


def test_dragging_the_centre_and_the_ends():
    host, _ = loaded()
    instance, view = held("region")
    host.edits.clear()
    assert view.drag(screen(view, (0.5, 0.5)), (300.0, 200.0), screen(view, (0.25, 0.75))) == [0, 0, 0, 0]
    assert instance["centre"] == pytest.approx((0.25 * WIDTH, 0.25 * HEIGHT))
    assert [e.split()[0] for e in host.edits] == ["begin", "set", "set", "set", "end"], "one step of undo"
    assert view.redraws == 4
    x = 0.25 * WIDTH / HEIGHT + 0.25
    view.drag(screen(view, (x * HEIGHT / WIDTH, 0.75)), screen(view, ((x + 0.1) * HEIGHT / WIDTH, 0.75)))
    assert instance["width"] == pytest.approx(0.7, abs=0.01)
    view.drag(screen(view, (0.25, 0.5)), screen(view, (0.25, 0.45)))
    assert instance["height"] == pytest.approx(0.6, abs=0.01)
    no_complaints()


def test_dragging_the_corner_of_a_polygon():
    instance, view = held("region")
    instance["shape"] = 2
    view.drag(screen(view, (0.65, 0.25)), screen(view, (0.8, 0.1)))
    assert instance["points_2"] == pytest.approx((0.8 * WIDTH, 0.9 * HEIGHT))
    assert instance["points_1"] == pytest.approx((0.35 * WIDTH, 0.75 * HEIGHT)), "the others stay"
    no_complaints()


def test_dragging_the_edge_of_a_wipe():
    instance, view = held("compare")
    shown = [points for primitive, points, _ in view.draw().shapes if primitive == STRIP]
    assert all(x == pytest.approx(view.viewport[0] / 2) for x, _ in shown[0])
    view.drag(screen(view, (0.5, 0.5)), screen(view, (0.2, 0.5)))
    assert instance["position"] == pytest.approx(0.2)
    no_complaints()


@pytest.mark.parametrize("zoom", [0.25, 1.0, 4.0, 16.0])
def test_a_handle_is_as_large_at_every_zoom(zoom):
    """Eight screen pixels and more, measured by pressing ever further away."""
    instance, view = held("region", zoom)
    middle = screen(view, (0.5, 0.5))
    for away, taken in ((0.0, True), (REACH - 0.5, True), (REACH + 0.5, False)):
        instance["centre"] = (WIDTH / 2, HEIGHT / 2)
        instance["width"] = instance["height"] = 20.0  # their handles lie far away
        assert (view.pen("Down", middle[0] + away, middle[1]) == 0) == taken
        view.pen("Up", middle[0], middle[1])
    no_complaints()


# --- samples ------------------------------------------------------------------------------------------------


def tools(name: str) -> list[str]:
    from inkarnat.host_adapters.openfx.controls import tools_of

    return [tool.label for tool in tools_of(NODES[name])]


def pick(instance, label: str) -> None:
    instance["pick"] = 1 + tools(instance.effect.name).index(label)


def test_a_click_adds_a_sample_that_is_learned_from():
    host, _ = loaded()
    instance, view = held("correct_skin")
    instance["skin_1_use"] = 0
    pick(instance, "Skin point")
    host.edits.clear()
    assert view.drag(screen(view, FACE)) == [0, 0]
    assert instance["marks"] == "0 skin point:0.495,0.42"
    assert host.edits == ["begin Add skin point", "set marks", "end"]
    pick(instance, "Keep out point")
    view.drag(screen(view, WALL))
    picture = portrait()
    assert instance.press("learn", stage_of(picture)) == 0
    add, subtract = [Sample.point(*FACE)], [Sample.point(*WALL)]
    person = [person_in(picture, (), add, subtract)]
    assert instance["model"] == study_skin(picture, add, subtract, persons=person).key.model
    no_complaints()


def test_a_drag_adds_a_box_and_its_corners_can_be_moved():
    instance, view = held("correct_skin")
    instance["skin_1_use"] = 0
    pick(instance, "Skin box")
    view.drag(screen(view, (0.6, 0.6)), screen(view, (0.5, 0.5)), screen(view, (0.4, 0.3)))
    assert instance["marks"] == "0 skin box:0.4,0.3,0.6,0.6"
    instance["pick"] = 0
    view.drag(screen(view, (0.4, 0.3)), screen(view, (0.45, 0.35)))
    assert instance["marks"] == "0 skin box:0.45,0.35,0.6,0.6"


def test_a_neutral_sample_is_put_in_its_place():
    """Where an effect has one place for something, the pen moves it there."""
    instance, view = held("correct_skin")
    pick(instance, "Neutral point")
    view.drag(screen(view, CARD))
    assert instance["neutral_use"] == 1
    assert instance["neutral"] == pytest.approx((CARD[0] * WIDTH, (1 - CARD[1]) * HEIGHT))
    no_complaints()


def test_a_click_where_a_drag_was_meant_adds_nothing():
    instance, view = held("correct_skin")
    pick(instance, "Skin box")
    view.drag(screen(view, (0.2, 0.2)))
    assert instance["marks"] == ""
    no_complaints()


def test_without_a_tool_a_click_beside_everything_is_the_hosts():
    _instance, view = held("correct_skin")
    assert view.drag(screen(view, (0.9, 0.9))) == [14, 14]
    assert view.drag(screen(view, CARD)) == [14, 14]
    no_complaints()


@pytest.mark.parametrize("key", [0xFFFF, 0xFF08])
def test_the_delete_key_takes_the_selected_sample_away(key):
    host, _ = loaded()
    instance, view = held("correct_skin")
    assert view.key(key) == 14, "nothing is selected"
    at = (instance["skin_1"][0] / WIDTH, 1 - instance["skin_1"][1] / HEIGHT)
    view.drag(screen(view, at))
    host.edits.clear()
    assert view.key(0x61) == 14
    assert view.key(key) == 0
    assert instance["skin_1_use"] == 0
    assert host.edits == ["begin Remove from the picture", "set skin_1_use", "end"]
    no_complaints()


def test_a_pen_beyond_the_frame_stays_inside():
    instance, view = held("correct_skin")
    at = (instance["skin_1"][0] / WIDTH, 1 - instance["skin_1"][1] / HEIGHT)
    view.drag(screen(view, at), (-500.0, 5000.0))
    assert instance["skin_1"] == pytest.approx((0.0, 0.0))
    no_complaints()


@pytest.mark.parametrize("action", ["KeyUp", "KeyRepeat", "GainFocus"])
def test_other_actions_on_the_picture_are_the_hosts(action):
    _, view = held("region")
    assert view._call(f"OfxInteractAction{action}", view._arguments()) == 14
    assert view._call(f"OfxInteractAction{action}") == 14, "without arguments"
    no_complaints()


def test_an_edit_that_is_broken_off_ends():
    host, _ = loaded()
    _, view = held("region")
    host.edits.clear()
    view.pen("Down", *screen(view, (0.5, 0.5)))
    view.lose_focus()
    assert host.edits[-1] == "end"
    view.pen("Down", *screen(view, (0.5, 0.5)))
    assert view.destroy() == 0
    assert host.edits[-1] == "end"
    no_complaints()


# --- pictures of what is drawn ------------------------------------------------------------------------------


def ground(view: Interact) -> np.ndarray:
    factor = view.viewport[1] // HEIGHT
    picture = np.clip(portrait()[..., :3], 0, 1).repeat(factor, axis=0).repeat(factor, axis=1)
    return (255 * picture).astype(np.uint8)


@pytest.mark.parametrize("shade", [0, 255, 128])
def test_what_is_drawn_shows_on_any_ground(shade):
    """Black, white or grey below: along the outline some pixels differ from it by a third of the scale."""
    _, view = held("region")
    below = np.full((view.viewport[1], view.viewport[0], 3), shade, np.uint8)
    sheet = view.draw(below)
    drawn = np.asarray(sheet.image)[..., :3].astype(int)
    outline = next(points for primitive, points, _ in sheet.shapes if primitive == LOOP)
    for x, y in outline:
        near = drawn[max(int(y) - 2, 0) : int(y) + 3, max(int(x) - 2, 0) : int(x) + 3]
        assert np.abs(near - shade).max() > 85


def test_samples_are_drawn_where_they_count_and_told_apart_without_colour():
    instance, view = held("correct_skin")
    for name, at in (("skin_1", FACE), ("keep_out_1", WALL), ("neutral", CARD)):
        instance[name], instance[f"{name}_use"] = (at[0] * WIDTH, (1 - at[1]) * HEIGHT), 1
    sheet = view.draw(ground(view))
    assert {text for text, _ in sheet.texts} == {"Skin 1", "Keep out 1", "Neutral"}
    for at in (FACE, WALL, CARD):
        x, y = screen(view, at)
        rings = [p for primitive, p, _ in sheet.shapes if primitive == ELLIPSE]
        assert any(abs((p[0][0] + p[1][0]) / 2 - x) < 1 and abs((p[0][1] + p[1][1]) / 2 - y) < 1 for p in rings)
    crosses = [points for primitive, points, _ in sheet.shapes if primitive == STRIP]
    x, y = screen(view, WALL)
    assert len(crosses) == 4, "two lines, each twice, at the sample that is left out alone"
    assert all(abs(np.mean([p[0] for p in points]) - x) < 1 for points in crosses)
    assert any(primitive == RECTANGLE for primitive, _, _ in sheet.shapes)
    no_complaints()


def test_marks_are_read_and_written():
    text = "12 skin point:0.5,0.25\n12 keep_out stroke:0.1,0.1;0.2,0.1/0.015\nnonsense\n-3.5 skin face:0.1,0.1,0.4,0.5"
    found = marks.parse(text)
    assert [(mark.time, mark.role, mark.sample.kind) for mark in found] == [
        (12.0, "skin", "point"),
        (12.0, "keep_out", "stroke"),
        (-3.5, "skin", "face"),
    ]
    assert marks.parse(marks.text_of(found)) == found
