"""The desk without a browser: chain, state, workbench, session, files, guard and interface."""

from __future__ import annotations

import contextlib
import dataclasses
import http.client
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
import urllib.request

import desk_notes
import interrupts
import numpy as np
import pytest

pytest.importorskip("starlette", reason="the desk's extra is not installed: pip install 'inkarnat[desk]'")
pytest.importorskip("uvicorn", reason="the desk's extra is not installed: pip install 'inkarnat[desk]'")

from inkarnat.host_adapters import made, warm_up, workshop
from inkarnat.host_adapters.desk import (
    chain,
    controls,
    drawn,
    flicker,
    guard,
    notes,
    plots,
    rendering,
    secret,
    seeing,
    server,
    session,
    shots,
    shown,
    solving,
    state,
    task,
    work,
)
from inkarnat.host_adapters.desk.errors import DeskError, ExistsError
from inkarnat.host_adapters.desk.folder import Folder
from inkarnat.host_adapters.detect import faces
from inkarnat.host_adapters.graphs import typed
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.graphs.standard import chain_graph
from inkarnat.host_adapters.media.clips import open_clip, open_writer
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.host_adapters.shots.faces import with_persons
from inkarnat.kernels import arrays, jit, memory
from inkarnat.kernels.errors import InkarnatError
from inkarnat.nodes import NODES, MarkedFrame, Sample, SkinTarget, SteerSkin, measure_skin, solve_correction

pytestmark = pytest.mark.usefixtures("own_state_folder")

CAST = workshop.skin_cast(green=0.45, blue=0.12)


def film(path, frames=3, width=320, height=180, seed=5, **scene):
    """Write a short clip under a cast and return where things are on its first frame."""
    with open_writer(path) as writer:
        first = None
        for number, (picture, shown) in enumerate(
            workshop.clip(range(1, frames + 1), "light", seed, cast=CAST, width=width, height=height, **scene), start=1
        ):
            first = first or shown
            writer.write(number, picture)
    return first.places


@pytest.fixture(scope="module")
def footage(tmp_path_factory):
    folder = tmp_path_factory.mktemp("footage")
    places = film(folder / "planing.mkv")
    film(folder / "caulking.mkv", seed=9)
    return folder, places


@pytest.fixture(scope="module")
def portrait():
    return workshop.camera(workshop.portrait("light", 5, 320, 180).light)


@pytest.fixture
def folder(footage, tmp_path):
    return Folder(footage[0], tmp_path)


@pytest.fixture
def open_session(folder):
    opened = session.Session(folder, "planing.mkv")
    yield opened
    opened.close()


def mark_all(opened, places):
    """Mark the face, the grey card and the sawdust, as a person would."""
    opened.mark(1, "", "skin", "stroke", places["stroke"], 0.015)
    x0, y0, x1, y1 = places["grey_card"]
    opened.mark(1, "", "neutral", "box", [[x0, y0], [x1, y1]])
    opened.mark(1, "", "keep out", "box", [[0.14, 0.87], [0.22, 0.91]])


# --- the chain ------------------------------------------------------------------------------------------------


def test_the_chain_at_rest_passes_every_bit_on(same_bits, picture):
    graph = chain.people_chain(["", "_2"])
    same_bits(Runner(graph).run_frame(1, {"plate": picture})["result"], picture)


def test_a_solved_correction_is_completed_to_the_whole_chain(portrait):
    solved = solve_correction([MarkedFrame(1, portrait)])
    graph = chain_graph(solved.links(), solved.outputs())
    whole = chain.completed(graph)
    assert [step.id for step in whole.steps] == [step.id for step in chain.people_chain([""]).steps]
    assert {step.id: step.node for step in graph.steps}.items() <= {step.id: step.node for step in whole.steps}.items()
    assert chain.is_chain(whole)


def test_a_completed_graph_gives_the_same_bits(portrait, same_bits):
    solved = solve_correction([MarkedFrame(1, portrait)])
    graph = chain_graph(solved.links(), solved.outputs())
    before, after = (Runner(g).run_frame(1, {"plate": portrait}) for g in (graph, chain.completed(graph)))
    same_bits(before["result"], after["result"])
    same_bits(before["matte"], after["matte"])


def test_a_graph_wired_otherwise_stays_as_it_is():
    whole = chain.people_chain([""])
    steps = tuple(
        dataclasses.replace(step, inputs=(("image", "plate"),)) if step.id == "skin" else step for step in whole.steps
    )
    other = dataclasses.replace(whole, steps=steps)
    assert chain.completed(other) is other
    assert not chain.is_chain(other)


# --- the state ------------------------------------------------------------------------------------------------


def test_a_state_survives_its_file(open_session, footage):
    mark_all(open_session, footage[1])
    open_session.add_person("Ada")
    open_session.set("target", "bias", -2.0)
    open_session.set("waveform", "view", "parade")
    now = open_session.state
    assert state.State.from_dict(json.loads(json.dumps(now.to_dict()))) == now


@pytest.mark.parametrize(
    "data", [None, {}, {"desk": 1}, {"desk": 2}, {"desk": 1, "graph": {}, "people": 3, "marks": []}]
)
def test_damaged_notes_are_refused_in_words(data):
    with pytest.raises(InkarnatError):
        state.State.from_dict(data)


def test_one_gesture_is_one_step_of_undo(open_session):
    for angle in (1.0, 2.0, 3.0):
        open_session.set("steer", "angle", angle, "drag 1")
    open_session.set("steer", "angle", 9.0, "drag 2")
    assert open_session.undo() == "Steer skin: Turn"
    assert open_session.state.node("steer").angle == 3.0
    open_session.undo()
    assert open_session.state.node("steer").angle == 0.0
    assert open_session.undo() == ""
    open_session.redo()
    open_session.redo()
    assert open_session.state.node("steer").angle == 9.0
    assert open_session.redo() == ""


def test_reset_puts_one_control_or_all_of_a_step_back(open_session):
    rested = open_session.state
    open_session.set("saturation", "saturation", 1.5)
    open_session.set("saturation", "clamp", True)
    open_session.reset("saturation", "saturation")
    assert open_session.state.node("saturation").saturation == 1.0
    assert open_session.state.node("saturation").clamp
    open_session.reset("saturation")
    open_session.set("target", "angle", 120)
    open_session.reset("target")
    assert open_session.state == rested


@pytest.mark.parametrize(
    ("id", "name", "value"),
    [
        ("steer", "angle", 400),
        ("steer", "angel", 1),
        ("ster", "angle", 1),
        ("target", "ratio", -1),
        ("tone", "black", 2),
    ],
)
def test_a_wrong_setting_is_refused_and_changes_nothing(open_session, id, name, value):
    before = open_session.state
    with pytest.raises(InkarnatError):
        open_session.set(id, name, value)
    assert open_session.state == before


@pytest.mark.parametrize(
    ("purpose", "kind", "points"),
    [
        ("skin", "point", [[2, 0.5]]),
        ("skin", "box", [[0.1, 0.1]]),
        ("skin", "ring", [[0.1, 0.1]]),
        ("wood", "point", [[0.1, 0.1]]),
        ("skin", "stroke", []),
        ("skin", "stroke", [[0.5, 0.5]] * 5000),
        ("skin", "point", [[float("nan"), 0.5]]),
        ("skin", "point", None),
    ],
)
def test_a_wrong_mark_is_refused_in_words(open_session, purpose, kind, points):
    with pytest.raises(InkarnatError):
        open_session.mark(1, "", purpose, kind, points)
    assert not open_session.state.marks


@pytest.mark.parametrize(
    ("id", "name", "value", "words"),
    [
        ("steer", "angle", 999, "Turn takes a number -180 to 180°, not 999."),
        ("balance", "exposure", 12, "Exposure takes a number -8 to 8 stops, not 12."),
        ("balance", "tint", 0.08, "Tint takes a number -50 to 50 thousandths, not 80."),
        ("tone", "black", 1.5, "Black takes a number -100 to 100 %, not -150."),
        ("tone", "white", -0.2, "White takes a number -300 to 100 %, not 120."),
        ("tone", "black", 1, "Black -100 % and White +0 % put black at or above white: raise Black, or lower White."),
        ("soften", "position", 400, "Edge takes a number -20 to 20 % of the frame height, not 40."),
        ("target", "bias", 999, "Beside the line takes"),
    ],
)
def test_a_refusal_speaks_in_the_words_and_units_of_the_controls(open_session, id, name, value, words):
    with pytest.raises(DeskError, match=f"^{re.escape(words)}"):
        open_session.set(id, name, value)


def test_several_settings_are_one_change_or_none(open_session):
    before = open_session.state
    with pytest.raises(DeskError):
        open_session.set_all({"steer": {"angle": 4, "saturation": 99}, "target": {"bias": 1}})
    assert open_session.state == before
    open_session.set_all({"steer": {"angle": 4, "saturation": 1.1}, "target": {"bias": 1}})
    assert open_session.state.people[0].target.bias == 1
    open_session.undo()
    assert open_session.state == before


# --- the workbench --------------------------------------------------------------------------------------------


def test_the_workbench_gives_what_the_runner_gives(open_session, footage, same_bits):
    mark_all(open_session, footage[1])
    open_session.solve("everything", 1)
    graph = open_session.state.graph
    expected = Runner(graph).run_frame(2, {"plate": open_session.clip.read(2)})
    same_bits(open_session.bench.value(graph, dict(graph.outputs)["result"], 2, None), expected["result"])
    same_bits(open_session.bench.value(graph, "soften", 2, None), expected["matte"])


def test_only_what_lies_behind_a_change_is_worked_out_anew(open_session, monkeypatch):
    open_session.picture(1, "result")
    worked = []
    for kind in {type(step.node) for step in open_session.state.graph.steps}:
        process = kind.process

        def counted(node, *given, process=process, **named):
            worked.append(node.name)
            return process(node, *given, **named)

        monkeypatch.setattr(kind, "process", counted)
    open_session.set("steer", "angle", 5.0)
    open_session.picture(1, "result")
    assert worked == ["skin_key", "soften_matte", "steer_skin"]
    worked.clear()
    open_session.set("tone", "middle", 0.4)
    open_session.picture(1, "result")
    assert worked == ["tone_curve", "skin_key", "soften_matte", "steer_skin"]
    worked.clear()
    open_session.undo()
    open_session.picture(1, "result")
    assert worked == []


def test_the_workbench_forgets_what_was_used_longest_ago(footage):
    with open_clip(footage[0] / "planing.mkv") as clip:
        bench = work.Workbench(clip, most_bytes=2 * 320 * 180 * 12)
        first = bench.plate(1)
        bench.plate(2)
        assert bench.plate(1) is first
        bench.plate(3)
        assert bench.plate(1) is first


def test_changes_take_no_fresh_memory(open_session, monkeypatch):
    monkeypatch.setattr(memory, "LEAST", 0)
    monkeypatch.setattr(arrays, "_MOST_KEPT", -1)  # what steps pass on is another matter
    open_session.prepare()
    before = memory.RESULTS.idle()
    graph = open_session.state.graph
    for angle in (1.0, 2.0, 3.0):
        open_session.set("steer", "angle", angle)
        graph = open_session.state.graph
        value = open_session.bench.value(graph, dict(graph.outputs)["result"], 1)
        before -= value.nbytes
        assert memory.RESULTS.idle() == before


def test_steps_at_rest_make_no_copies(open_session):
    plate = open_session.bench.plate(1)
    assert open_session.picture(1, "result") is plate


def test_a_first_change_compiles_nothing(open_session, monkeypatch):
    """Every kernel that looking and changing needs is there once the desk is warm."""
    desk = server.Desk(open_session.folder, "planing.mkv")
    desk.shown.set()
    server._warmed(desk)
    seen = desk.session
    seen.take_over()
    begun = {kernel: len(kernel.signatures) for kernel in jit.STRIP_KERNELS}
    for id, name, value in [("balance", "temperature", 8.0), ("steer", "angle", 4.0), ("tone", "middle", 0.4),
                            ("saturation", "saturation", 1.1), ("soften", "softness", 4.0)]:  # fmt: skip
        seen.set(id, name, value)
        seen.picture(1, "result")
        for which in ("vectorscope", "waveform"):
            seen.plot(which, 1, "", (320, 240))
        seen.reading(1)
    desk.close()
    assert {kernel: len(kernel.signatures) for kernel in jit.STRIP_KERNELS} == begun


def test_a_closed_desk_makes_nothing_more_ready(open_session, monkeypatch):
    learned = []
    monkeypatch.setattr(server, "_PATIENCE", 600)
    monkeypatch.setattr(warm_up, "is_cold_for", lambda what: False)
    monkeypatch.setattr(warm_up, "warm_node", lambda node, most: None)
    monkeypatch.setattr(warm_up, "warm_solvers", lambda: learned.append(1))
    desk = server.Desk(open_session.folder, "planing.mkv")
    warming = threading.Thread(target=server._warmed, args=(desk,))
    warming.start()
    desk.close()
    warming.join(20)
    assert not warming.is_alive()
    assert not learned


def test_a_fitted_picture_keeps_its_mean_and_is_never_enlarged():
    ramp = np.linspace(0, 1, 64 * 36 * 3, dtype=np.float32).reshape(36, 64, 3)
    small = work.fitted(ramp, (32, 32))
    assert small.shape == (18, 32, 3)
    assert small.mean() == pytest.approx(ramp.mean(), abs=1e-4)
    assert np.abs(small - ramp.reshape(18, 2, 32, 2, 3).mean((1, 3))).max() < 1e-6
    assert work.fitted(ramp, (640, 640)) is ramp


# --- the session ----------------------------------------------------------------------------------------------


def test_solving_rests_the_skin_on_its_target(open_session, footage):
    mark_all(open_session, footage[1])
    open_session.set("target", "bias", -1.5)
    open_session.solve("everything", 1)
    reading = open_session.reading(1, size=None)
    assert abs(reading["after"]["angle"] - 121.5) < 0.1
    assert abs(reading["before"]["angle"] - 121.5) > 5
    assert "121.5°, on the line used here with a bias of −1.5°" in reading["words"]


def test_solving_agrees_with_the_command_line(open_session, footage):
    """The same samples on the same frame give the nodes of solve_correction, which is told of persons as well."""
    places = footage[1]
    open_session.mark(1, "", "skin", "stroke", places["stroke"], 0.015)
    open_session.solve("everything", 1)
    marked = MarkedFrame(1, open_session.clip.read(1), add=(Sample.stroke(places["stroke"], 0.015),))
    expected = solve_correction(with_persons([marked]).frames)
    assert open_session.state.node("skin") == expected.key
    assert open_session.state.node("steer") == expected.steer


def test_people_are_keyed_apart(tmp_path):
    places = film(tmp_path / "two.mkv", frames=1, faces=2, seed=7, width=480, height=270)
    opened = session.Session(Folder(tmp_path), "two.mkv")
    other = opened.add_person("Ada")
    opened.mark(1, "", "skin", "stroke", places["stroke"], 0.01)
    opened.mark(1, other.suffix, "skin", "stroke", places["second_stroke"], 0.01)
    opened.solve("everything", 1)
    mattes = [opened.bench.value(opened.state.graph, "soften" + suffix, 1, None) for suffix in ("", other.suffix)]
    for matte, (mine, theirs) in zip(mattes, [("cheek", "second_cheek"), ("second_cheek", "cheek")], strict=True):
        inside, outside = (matte[int(places[name][1] * 270), int(places[name][0] * 480)] for name in (mine, theirs))
        assert inside > 0.5 > outside
    opened.rename_person(other.suffix, "  Ada  the builder ")
    assert opened.state.people[1].name == "Ada the builder"
    opened.remove_person(other.suffix)
    assert opened.state.graph.by_id.keys() == chain.people_chain([""]).by_id.keys()
    with pytest.raises(DeskError, match="stays"):
        opened.remove_person("")
    opened.close()


def test_shapes_keep_a_key_in_and_out(open_session, footage):
    mark_all(open_session, footage[1])
    open_session.solve("learn", 1)
    whole = open_session._matte("", 1, None)[0]
    x, y = footage[1]["cheek"]
    first = open_session.add_shape("", "in", {"centre": (x, y), "width": 0.2, "height": 0.2, "feather": 0.0})
    limited = open_session._matte("", 1, None)[0]
    inside = open_session.bench.value(open_session.state.graph, first, 1, None)
    assert np.abs(limited - whole * inside).max() < 1e-6
    assert 0 < limited.sum() < whole.sum()
    out = open_session.add_shape("", "out", {"centre": (x, y), "width": 0.1, "height": 0.1, "feather": 0.0})
    assert (first, out) == ("in1", "out1")
    assert open_session._matte("", 1, None)[0][int(y * 180), int(x * 320)] == 0
    assert state.State.from_dict(json.loads(json.dumps(open_session.state.to_dict()))) == open_session.state
    open_session.set_all({"in1": {"centre": (0.1, 0.1)}}, "drag")
    other = open_session.add_person("Ada")
    assert open_session.add_shape(other.suffix, "in", {}) == "in1_2"
    open_session.remove_person(other.suffix)
    open_session.remove_shape("in1")
    open_session.remove_shape("out1")
    assert np.array_equal(open_session._matte("", 1, None)[0], whole)
    for wrong in ("in1", "skin"):
        with pytest.raises(DeskError, match="no shape"):
            open_session.remove_shape(wrong)
    with pytest.raises(DeskError, match="in or out"):
        open_session.add_shape("", "beside", {})


def test_every_view_has_the_picture_s_size(open_session):
    for view in session.VIEWS:
        assert open_session.picture(1, view).shape == (180, 320, 3)
    with pytest.raises(DeskError, match="Did you mean 'matte'"):
        open_session.picture(1, "mate")
    with pytest.raises(DeskError, match="1 to 3"):
        open_session.picture(99, "result")


def test_a_warning_names_its_mend(open_session):
    signs = {warning["sign"]: warning["message"] for warning in open_session.reading(1)["warnings"]}
    assert "Draw a box" in signs["no sample"]


def test_a_pixel_reads_what_the_picture_holds(open_session):
    """Cb/Cr by BT.709-6, item 3: (B′ − Y′) / 1.8556 and (R′ − Y′) / 1.5748."""
    values = open_session.pixel(1, 0.5, 0.5)
    r, g, b = open_session.clip.read(1)[89:92, 159:162].astype(float).mean((0, 1))
    luma = 0.2126 * r + 0.7152 * g + 0.0722 * b
    assert values["rgb"] == pytest.approx([r, g, b], abs=1e-5)
    assert values["cb"] == pytest.approx((b - luma) / 1.8556, abs=1e-5)
    assert values["cr"] == pytest.approx((r - luma) / 1.5748, abs=1e-5)
    with pytest.raises(DeskError, match="0 to 1"):
        open_session.pixel(1, 1.5, 0.5)


def test_the_plot_of_chroma_lies_where_the_pixel_says(open_session):
    flat = np.full((40, 60, 3), (0.6, 0.4, 0.3), np.float32)
    luma = float(flat[0, 0] @ np.array([0.2126, 0.7152, 0.0722]))
    cb, cr = (0.3 - luma) / 1.8556, (0.6 - luma) / 1.5748
    grey = plots.chroma_plot(flat, None, 400, 0.2)
    row, column = np.unravel_index(grey.argmax(), grey.shape)
    assert column + 0.5 == pytest.approx(200 + cb * 1000, abs=1)
    assert row + 0.5 == pytest.approx(200 - cr * 1000, abs=1)
    assert plots.level_ends(flat, None) == pytest.approx((luma, luma), abs=1e-4)


def test_only_light_leaves_the_steering_out(open_session, footage, same_bits):
    mark_all(open_session, footage[1])
    open_session.solve("everything", 1)
    open_session.set("balance", "temperature", 30)
    light = open_session.picture(1, "light")
    assert np.abs(light - open_session.picture(1, "result")).max() > 0.01
    assert np.abs(light - open_session.picture(1, "original")).max() > 0.01
    open_session.set("steer", "amount", 0)
    same_bits(light, open_session.picture(1, "result"))


@pytest.mark.parametrize("screen", ["2.2", "2.4"])
def test_a_screen_of_a_gamma_gets_the_codes_that_give_its_light(screen):
    """sRGB decoding by IEC 61966-2-1; the light of a display is the code to the power of gamma (BT.1886, black 0)."""
    ramp = np.repeat(np.linspace(0, 1, 64, dtype=np.float32)[None, :, None], 3, axis=2)
    codes = shown.pixels(ramp, screen=screen)[0, :, 0] / 255
    light = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)
    assert np.abs(light - ramp[0, :, 0] ** float(screen)).max() < 0.005
    with pytest.raises(DeskError, match="no screen"):
        shown.pixels(ramp, screen="2.8")


# --- seeing ---------------------------------------------------------------------------------------------------


CUBE = "LUT_3D_SIZE 2\n" + "\n".join(
    f"{0.05 + 0.9 * r:g} {0.02 + 0.85 * g + 0.08 * r:g} {0.8 * b + 0.1 * g:g}"
    for b in (0, 1) for g in (0, 1) for r in (0, 1)
)  # fmt: skip
"""A look that bends hues, as a table of two nodes a side: trilinear between them, so it is an affine map in fact."""


def through_cube(picture):
    """What the look does, worked out without a library: it is affine in R'G'B'."""
    r, g, b = np.moveaxis(np.clip(picture[..., :3], 0, 1).astype(np.float64), -1, 0)
    return np.stack([0.05 + 0.9 * r, 0.02 + 0.85 * g + 0.08 * r, 0.8 * b + 0.1 * g], axis=-1)


@pytest.fixture
def under_a_look(folder, tmp_path_factory):
    pytest.importorskip("PyOpenColorIO")
    cube = tmp_path_factory.mktemp("look") / "film.cube"
    cube.write_text(CUBE)
    opened = session.Session(folder, "planing.mkv", seeing=seeing.Seeing.through(str(cube)))
    yield opened
    opened.close()


def test_everything_that_is_looked_at_goes_through_the_view(under_a_look, open_session):
    for view in ("original", "result", "light", "split"):
        expected = through_cube(open_session.picture(1, view))
        assert np.abs(under_a_look.picture(1, view) - expected).max() < 2e-4
    seen = np.ascontiguousarray(under_a_look.picture(1, "result"))
    (trace,), _ = under_a_look.plot("vectorscope", 1, "", (128, 128), keyed=False)
    assert np.array_equal(trace, plots.chroma_plot(seen, None, 128, 0.64))
    assert under_a_look.pixel(1, 0.5, 0.5)["rgb"] == pytest.approx(seen[89:92, 159:162].mean((0, 1)), abs=1e-5)
    assert under_a_look.as_dict()["seen"] == "film.cube"


def test_solving_through_a_view_lands_on_the_target_as_it_is_seen_and_files_are_without(under_a_look, footage):
    mark_all(under_a_look, footage[1])
    under_a_look.solve("everything", 1)
    assert under_a_look.reading(1, size=None)["after"]["angle"] == pytest.approx(123, abs=0.05)
    written = under_a_look.still(1, "still.png")
    plain = under_a_look.plain(1, "result", None)
    with open_clip(written) as clip:
        assert np.abs(clip.read(clip.frames[0]) - np.clip(plain, 0, 1)).max() < 1e-3


def test_a_region_of_a_plot_is_what_lies_in_it(picture):
    """Against scikit-image's test of points in a polygon, away from the soft edge."""
    measure = pytest.importorskip("skimage.measure")
    corners = [(-0.2, 0.02), (0.05, 0.25), (0.3, 0.1), (0.0, 0.05)]
    text = "chroma:" + ";".join(f"{x},{y}" for x, y in corners)
    matte = drawn.Drawn.parse(text).matte(picture)
    kr, kb = 0.2126, 0.0722  # BT.709-6
    r, g, b = np.moveaxis(picture.astype(np.float64), -1, 0)
    luma = kr * r + (1 - kr - kb) * g + kb * b
    places = np.stack([(b - luma) / 1.8556, (r - luma) / 1.5748], axis=-1).reshape(-1, 2)
    inside = measure.points_in_poly(places, corners).reshape(luma.shape)
    certain = (matte < 0.02) | (matte > 0.98)
    assert certain.mean() > 0.8
    assert inside.any()
    assert np.array_equal(matte[certain] > 0.5, inside[certain])


def test_a_region_of_a_waveform_counts_columns_and_levels(picture):
    matte = drawn.Drawn.parse("r:0.25,0.3;0.75,0.3;0.75,0.6;0.25,0.6").matte(picture)
    width = matte.shape[1]
    x, level = np.broadcast_to((np.arange(width) + 0.5) / width, matte.shape), picture[..., 0]
    inside = (x > 0.26) & (x < 0.74) & (level > 0.31) & (level < 0.59)
    outside = (x < 0.24) | (x > 0.76) | (level < 0.29) | (level > 0.61)
    assert matte[inside].min() > 0.9
    assert matte[outside].max() < 0.1


@pytest.mark.parametrize("text", ["", "chroma", "chroma:1,2;3,4", "hue:0,0;1,0;1,1", "luma:0,0;1,0;nan,1", "r:0;1;2"])
def test_a_region_of_no_plot_is_refused(text):
    with pytest.raises(DeskError, match="corners"):
        drawn.Drawn.parse(text)


@pytest.mark.parametrize(("screen", "gamma"), [("srgb", None), ("2.2", 2.2), ("2.4", 2.4)])
def test_a_wide_screen_keeps_colours_beyond_bt709(screen, gamma):
    """Against colour-science: the same light in the primaries of Display P3."""
    colour = pytest.importorskip("colour")
    picture = np.random.default_rng(3).uniform(-0.12, 1.0, (5, 7, 3)).astype(np.float32)
    codes = shown.pixels(picture, 1, screen, "display-p3")
    signal = picture.astype(np.float64)
    if gamma is None:
        light = np.sign(signal) * colour.models.eotf_sRGB(np.abs(signal))
    else:
        light = np.sign(signal) * np.abs(signal) ** gamma
    spaces = [colour.RGB_COLOURSPACES[name] for name in ("ITU-R BT.709", "Display P3")]
    wide = light @ colour.matrix_RGB_to_RGB(*spaces).T
    expected = colour.models.eotf_inverse_sRGB(np.clip(wide, 0, 1)) * 255
    assert np.abs(codes - expected).max() <= 0.6
    narrow = shown.pixels(picture, 1, screen)
    assert (codes.astype(int) != narrow).mean() > 0.5


# --- solved and by hand -----------------------------------------------------------------------------------------


def test_what_is_by_hand_stays_when_solved_again_and_goes_back(open_session, footage):
    mark_all(open_session, footage[1])
    open_session.solve("everything", 1)
    solved = open_session.state.node("steer").angle
    assert open_session.as_dict()["parts"]["steer"]["angle"]["by_hand"] is False
    open_session.set("steer", "angle", solved + 1.5)
    part = open_session.as_dict()["parts"]["steer"]["angle"]
    assert (part["by_hand"], part["adds"]) == (True, True)
    assert (part["solved"], part["hand"]) == pytest.approx((solved, 1.5))
    open_session.solve("steer", 1)
    assert open_session.state.node("steer").angle == pytest.approx(solved + 1.5, abs=0.01)
    assert chain.is_chain(open_session.state.graph)
    open_session.back_to_solved("steer", "angle")
    assert open_session.state.node("steer").angle == pytest.approx(solved, abs=0.01)
    assert open_session.undo() == "Turn: back to solved"
    with pytest.raises(InkarnatError, match="never solved"):
        open_session.back_to_solved("soften", "softness")
    open_session.add_person("Ada")
    assert open_session.as_dict()["parts"]["steer"]["angle"]["by_hand"] is True


def test_what_is_solved_follows_the_light_and_a_frozen_key_stays(open_session, footage):
    mark_all(open_session, footage[1])
    open_session.solve("everything", 1)
    steer = open_session.state.node("steer").angle
    open_session.set("steer", "angle", steer + 1.0)
    key = open_session.state.node("skin").model
    open_session.set("balance", "temperature", open_session.state.node("balance").temperature + 25, "drag")
    words = open_session.follow("balance", 1, "drag")
    assert "solved anew" in words
    assert open_session.state.node("skin").model != key
    turned = open_session.state.node("steer").angle
    assert abs(turned - steer - 1.0) > 0.2
    assert open_session.reading(1, size=None)["after"]["angle"] == pytest.approx(123 + 1.0, abs=0.2)
    open_session.undo()
    assert open_session.state.node("skin").model == key
    open_session.freeze("", True)
    assert open_session.as_dict()["frozen"] == [""]
    open_session.set("balance", "temperature", 5.0)
    open_session.follow("balance", 1)
    assert open_session.state.node("skin").model == key
    open_session.freeze("", False)
    assert open_session.as_dict()["frozen"] == []


def test_an_accepted_matte_is_one_step_back_and_ends_with_the_next_change_before_it(open_session):
    assert "until it changes" in open_session.accept("", True)
    assert open_session.as_dict()["accepted"] == [""]
    open_session.undo()
    assert open_session.as_dict()["accepted"] == []
    open_session.redo()
    open_session.set("steer", "angle", 3.0)
    assert open_session.as_dict()["accepted"] == [""]
    open_session.set("balance", "temperature", 5.0)
    assert open_session.as_dict()["accepted"] == []


# --- flicker ----------------------------------------------------------------------------------------------------


def test_a_cut_is_told_beside_the_reading_of_one_frame(tmp_path):
    """The desk judges one frame: that the clip is cut behind it is found in the background, once, and told."""
    told = []
    for frame in range(1, 13):
        picture = np.full((36, 64, 3), (0.62, 0.48, 0.40) if frame < 8 else (0.2, 0.3, 0.5), np.float32)
        write_picture(tmp_path / f"shot.{frame:04d}.png", picture)
    opened = session.Session(Folder(tmp_path, tmp_path), "shot.%04d.png", lambda: told.append(opened.cuts.first))
    with contextlib.closing(opened):
        opened.reading(1)
        opened.cuts.wait(60)
        assert told[-1] == opened.as_dict()["cut"] == 8
        (cut,) = (each for each in opened.reading(1)["warnings"] if each["sign"] == "cut")
    assert "at frame 8" in cut["message"]
    assert "this frame alone" in cut["message"]


def test_flicker_is_the_scatter_of_steady_readings_and_names_the_worst_frames():
    """Against NumPy: the deviation of independent readings about a steady value is what comes out."""
    base = open_reading()
    noise = np.random.default_rng(4).normal(0, 0.1, 2001)
    readings = {n: dataclasses.replace(base, angle=123 + v) for n, v in enumerate(noise, start=1)}
    readings[700] = dataclasses.replace(base, angle=127)
    readings[701] = None
    found = flicker.flicker_of(readings)
    assert found.worst[0] == 700
    assert found.angle == pytest.approx(0.1, rel=0.35)
    calm = flicker.flicker_of({n: dataclasses.replace(base, angle=359.95 + v) for n, v in enumerate(noise[:50])})
    assert (calm.worst, calm.level) == ((), 0)
    assert flicker.flicker_of({1: base, 2: None, 3: base}) is None


def open_reading():
    picture = np.full((40, 60, 3), (0.72, 0.52, 0.43), np.float32)
    return measure_skin(picture, np.ones((40, 60), np.float32))


def test_flicker_of_a_clip_is_measured_in_the_background(tmp_path):
    still = workshop.camera(workshop.portrait("light", 5, 320, 180).light)
    with open_writer(tmp_path / "lamp.mkv") as writer:
        for number in range(1, 9):
            writer.write(number, still * np.float32(1.08 if number == 5 else 1.0))
    opened = session.Session(Folder(tmp_path), "lamp.mkv")
    opened.measure_flicker("")
    opened.tasks.last.wait(120)
    assert opened.tasks.as_dict()["state"] == "done", opened.tasks.as_dict()
    assert set(opened.flicker.worst) == {5, 6}
    assert opened.as_dict()["flicker"]["look"] == opened.as_dict()["look"]
    opened.set("steer", "angle", 2.0)
    assert opened.as_dict()["flicker"]["look"] != opened.as_dict()["look"]
    opened.close()


# --- over time --------------------------------------------------------------------------------------------------


def keyframe_pairs(opened, id, name):
    return dict(opened.state.graph.by_id[id].keyed)[name].pairs


def test_what_has_keyframes_gets_one_where_it_is_set(open_session):
    open_session.set("steer", "angle", 4.0)
    open_session.keyframe("set", 1, "steer", "angle")
    open_session.set_all({"steer": {"angle": 10.0, "saturation": 1.2}}, frame=3)
    assert keyframe_pairs(open_session, "steer", "angle") == ((1, 4.0), (3, 10.0))
    assert open_session.state.node("steer").saturation == 1.2
    assert [open_session.state.graph.by_id["steer"].node_at(frame).angle for frame in (1, 2, 3)] == [4.0, 7.0, 10.0]
    assert open_session.as_dict()["keyframes"] == {"steer": {"angle": [1, 3]}}
    open_session.save("over-time.json")
    assert Graph.load(open_session.folder.result_path("over-time.json")) == open_session.state.graph
    open_session.keyframe("hold", 2, "steer", "angle")
    assert (open_session.state.node("steer").angle, open_session.state.graph.by_id["steer"].keyed) == (7.0, ())
    open_session.undo()
    assert len(keyframe_pairs(open_session, "steer", "angle")) == 2


def test_the_way_between_keyframes_is_chosen(open_session):
    """Between 0, 6 and 6 the smooth way stays beyond the straight one and never goes beyond 6 (Fritsch and Butland)."""
    opened = open_session
    with pytest.raises(DeskError, match=r"^Turn has no keyframes yet"):
        opened.keyframe("smooth", 1, "steer", "angle")
    opened.set("steer", "angle", 0)
    opened.keyframe("set", 1, "steer", "angle")
    opened.set_all({"steer": {"angle": 6}}, None, 3)
    assert opened.as_dict()["ways"] == {"steer": {"angle": "linear"}}
    opened.keyframe("smooth", 2, "steer", "angle")
    assert opened.as_dict()["ways"] == {"steer": {"angle": "smooth"}}
    assert dict(opened.state.graph.by_id["steer"].keyed)["angle"].between == "smooth"
    opened.set_all({"steer": {"angle": 6}}, None, 2)
    assert dict(opened.state.graph.by_id["steer"].keyed)["angle"].between == "smooth"
    assert 3 < dict(opened.state.graph.by_id["steer"].keyed)["angle"].value_at(1.5) <= 6
    opened.undo()
    opened.undo()
    assert opened.as_dict()["ways"] == {"steer": {"angle": "linear"}}


def test_keyframes_of_a_frame_are_moved_and_removed_together(open_session):
    open_session.keyframe("set", 1, "steer", "angle")
    open_session.keyframe("set", 1, "balance", "tint")
    open_session.add_person("Ada")
    open_session.keyframe("set", 1, "steer_2", "angle")
    open_session.move_keyframes("", 1, 2)
    assert open_session.as_dict()["keyframes"] == {
        "steer": {"angle": [2]}, "balance": {"tint": [2]}, "steer_2": {"angle": [1]},
    }  # fmt: skip
    open_session.set_all({"steer": {"angle": 6.0}}, frame=2)
    open_session.remove_keyframes("", 2)
    assert open_session.as_dict()["keyframes"] == {"steer_2": {"angle": [1]}}
    assert open_session.state.node("steer").angle == 6.0
    with pytest.raises(DeskError, match="Frame 99"):
        open_session.move_keyframes("_2", 1, 99)


@pytest.mark.parametrize(
    ("do", "id", "name", "words"),
    [
        ("set", "steer", "method", "cannot change over time"),
        ("set", "target", "angle", "no step 'target'"),
        ("set", "steer", "hue", "hue"),
        ("burn", "steer", "angle", "can be set"),
    ],
)
def test_a_keyframe_that_cannot_be_is_refused(open_session, do, id, name, words):
    with pytest.raises(InkarnatError, match=words):
        open_session.keyframe(do, 1, id, name)
    assert not open_session.as_dict()["keyframes"]


def test_solving_where_the_turn_changes_over_time_sets_a_keyframe(open_session, footage):
    mark_all(open_session, footage[1])
    open_session.solve("learn", 1)
    open_session.keyframe("set", 1, "steer", "angle")
    open_session.solve("steer", 3)
    (first, start), (last, end) = keyframe_pairs(open_session, "steer", "angle")
    assert (first, last, start) == (1, 3, 0.0)
    assert end != 0
    assert open_session.reading(3, size=None)["after"]["angle"] == pytest.approx(123, abs=0.1)


@pytest.fixture(scope="module")
def panned(tmp_path_factory):
    """A clip that moves 4 pixels to the right with every frame, and the folder it is in."""
    folder = tmp_path_factory.mktemp("panned")
    still = workshop.camera(workshop.portrait("light", 5, 480, 270).light)
    with open_writer(folder / "walking.mkv") as writer:
        for number in range(1, 9):
            writer.write(number, np.roll(still, 4 * (number - 1), axis=1))
    return Folder(folder, tmp_path_factory.mktemp("followed"))


def wait_for(opened):
    opened.tasks.last.wait(120)
    return opened.tasks.as_dict()


def test_a_shape_is_followed_in_the_background(panned):
    """Against the known move of the picture."""
    pytest.importorskip("cv2")
    opened = session.Session(panned, "walking.mkv")
    id = opened.add_shape("", "in", {"centre": (0.4, 0.4), "width": 0.5, "height": 0.6})
    opened.track(id, 4)
    told = wait_for(opened)
    assert (told["state"], told["done"], told["total"]) == ("done", 7, 7), told
    step = opened.state.graph.by_id[id]
    for frame in (1, 4, 8):
        assert step.node_at(frame).centre[0] == pytest.approx(0.4 + 4 * (frame - 4) / 480, abs=1.5 / 480)
    assert opened.undo() == "Follow shape"
    opened.close()


def test_following_can_be_given_up_and_changes_nothing(panned, monkeypatch):
    pytest.importorskip("cv2")
    opened = session.Session(panned, "walking.mkv")
    id = opened.add_shape("", "in", {"centre": (0.4, 0.4), "width": 0.5, "height": 0.6})
    before, going, goes = opened.state, threading.Event(), threading.Event()
    count = task.Task.step

    def step(self, *rest):
        going.set()
        goes.wait(20)
        count(self, *rest)

    monkeypatch.setattr(task.Task, "step", step)
    opened.track(id, 1)
    assert going.wait(20)
    with pytest.raises(DeskError, match="already"):
        opened.track(id, 1)
    opened.tasks.last.cancel()
    goes.set()
    assert wait_for(opened)["state"] == "cancelled"
    assert opened.state == before
    opened.close()


def test_what_cannot_be_followed_is_told(panned):
    pytest.importorskip("cv2")
    opened = session.Session(panned, "walking.mkv")
    id = opened.add_shape("", "in", {"centre": (0.02, 0.02), "width": 0.02, "height": 0.02})
    opened.track(id, 1)
    assert wait_for(opened)["state"] == "failed"
    assert "corners to hold on to" in opened.tasks.as_dict()["message"]
    with pytest.raises(DeskError, match="no shape 'steer'"):
        opened.track("steer", 1)
    opened.close()


def test_corners_that_change_over_time_stay_as_many(open_session):
    corners = ((0.2, 0.2), (0.6, 0.2), (0.6, 0.6))
    id = open_session.add_shape("", "in", {"shape": "polygon", "points": corners})
    open_session.keyframe("set", 1, id, "points")
    with pytest.raises(DeskError, match="stay 3"):
        open_session.set_all({id: {"points": [*corners, (0.2, 0.6)]}}, frame=2)
    open_session.set_all({id: {"points": [(0.3, 0.2), (0.7, 0.2), (0.7, 0.6)]}}, frame=3)
    assert open_session.state.graph.by_id[id].node_at(2).points[0] == pytest.approx((0.25, 0.2))


def test_solve_all_on_a_clip_that_nobody_has_marked_looks_for_faces_keys_and_solves_them(panned, tmp_path):
    """One press from opening footage to a correction that is judged, as `inkarnat correct` does it without samples."""
    pytest.importorskip("cv2")
    if not faces.available():
        pytest.skip(faces.HOW_TO_INSTALL)
    opened = session.Session(Folder(panned.clips, tmp_path), "walking.mkv")
    assert "faces are looked for" in opened.solve("everything", 1)
    told = wait_for(opened)
    assert told["state"] == "done", told
    assert told["message"].startswith("1 face found. ")
    assert "turned" in told["message"]
    graph = opened.state.graph
    assert graph.by_id["skin"].node.model
    assert graph.by_id["face1"].node.keyed == 1.0
    keyed = opened.reading(1)
    assert keyed["verdict"]["status"] == "holds", keyed["verdict"]
    assert 0.02 < keyed["after"]["area"] < 0.3, "the face, not the wood"
    opened.undo()
    assert not opened.state.graph.by_id["skin"].node.model, "one step of undo"
    opened.redo()
    assert "turned" in opened.solve("everything", 1), "the face that is there teaches the key again, at once"
    opened.close()


def test_solve_all_keeps_a_key_that_marks_have_taught_or_that_is_frozen(panned, tmp_path):
    """A graph of the command line may come without its marks; faces in it teach nothing anew."""
    pytest.importorskip("cv2")
    if not faces.available():
        pytest.skip(faces.HOW_TO_INSTALL)
    opened = session.Session(Folder(panned.clips, tmp_path), "walking.mkv")
    opened.solve("everything", 1)
    wait_for(opened)
    at = opened.state.graph.by_id["face1"].node_at(1).nose
    taught = opened.state.graph.by_id["skin"].node.model
    opened.mark(1, "", "skin", "point", [at])
    opened.solve("learn", 1)
    by_mark = opened.state.graph.by_id["skin"].node.model
    opened.unmark(opened.state.marks[0].id)
    opened.solve("everything", 1)
    assert opened.state.graph.by_id["skin"].node.model == by_mark
    for _ in range(4):
        opened.undo()
    assert opened.state.graph.by_id["skin"].node.model == taught
    opened.freeze("", True)
    opened.set("balance", "exposure", 0.3)
    opened.solve("everything", 1)
    assert opened.state.graph.by_id["skin"].node.model == taught
    opened.freeze("", False)
    opened.solve("everything", 1)
    assert opened.state.graph.by_id["skin"].node.model != taught
    opened.close()


def test_solve_all_looks_for_faces_once(folder, monkeypatch):
    monkeypatch.setattr(session, "available", lambda: True)
    monkeypatch.setattr(session, "find", lambda *_: ())
    if faces.available():
        opened = session.Session(folder, "caulking.mkv")
        assert "faces are looked for" in opened.solve("everything", 1)
        assert "sought by its look. Person 1: turned" in wait_for(opened)["message"]
        told = opened.reading(1)
        assert told["verdict"]["status"] == "check"
        assert [warning["sign"] for warning in told["warnings"]] == ["sought"]
        opened.close()
    monkeypatch.setattr(solving, "sure_skin", lambda people: ())
    opened = session.Session(folder, "planing.mkv")
    assert "faces are looked for" in opened.solve("everything", 1)
    told = wait_for(opened)["message"]
    assert told.startswith("No face was found")
    assert told.endswith(": draw a box, a stroke or a point on skin.")
    assert "turned" in opened.solve("everything", 1)
    assert opened.reading(1)["verdict"]["status"] == "not judged"
    opened.close()


def test_faces_go_with_the_clip_that_was_replaced(footage, tmp_path):
    """Another person behind the outlines of the first would be keyed by them."""
    pytest.importorskip("cv2")
    if not faces.available():
        pytest.skip(faces.HOW_TO_INSTALL)
    (tmp_path / "clips").mkdir()
    shutil.copy(footage[0] / "planing.mkv", tmp_path / "clips" / "take.mkv")
    opened = session.Session(Folder(tmp_path / "clips", tmp_path), "take.mkv")
    opened.find_faces()
    wait_for(opened)
    assert opened.as_dict()["faces"] == {"": ["face1"]}
    opened.picture(1, "result")
    shutil.copy(footage[0] / "caulking.mkv", tmp_path / "other.mkv")
    os.replace(tmp_path / "other.mkv", tmp_path / "clips" / "take.mkv")
    opened.picture(1, "result")
    assert opened.as_dict()["faces"] == {"": []}
    assert any("was changed on disk" in text for text in opened.notices)
    assert any("another clip" in text for text in opened.notices)
    assert "faces are looked for" in opened.solve("everything", 1), "those that taught the key are gone"
    wait_for(opened)
    assert opened.as_dict()["faces"] == {"": ["face1"]}
    opened.close()


def test_faces_join_the_key_and_are_moved_and_removed(panned):
    pytest.importorskip("cv2")
    if not faces.available():
        pytest.skip(faces.HOW_TO_INSTALL)
    opened = session.Session(panned, "walking.mkv")
    opened.find_faces()
    told = wait_for(opened)
    assert (told["state"], told["message"]) == ("done", "1 face found."), told
    assert chain.is_chain(opened.state.graph)
    assert opened.as_dict()["faces"] == {"": ["face1"]}
    face = opened.state.graph.by_id["face1"]
    moved = face.node_at(8).nose[0] - face.node_at(1).nose[0]
    assert moved == pytest.approx(28 / 480, abs=3 / 480)
    assert face.node.keyed == 1.0
    opened.mark(1, "", "skin", "point", [face.node_at(1).nose])
    opened.solve("learn", 1)
    assert opened.state.graph.by_id["face1"].node.keyed == 1.0
    opened.add_person("Ada")
    opened.move_face("face1", (0.1, -0.05))
    shifted = opened.state.graph.by_id["face1"].node_at(8).nose
    assert shifted == pytest.approx((face.node_at(8).nose[0] + 0.1, face.node_at(8).nose[1] - 0.05), abs=1e-4)
    assert state.State.from_dict(json.loads(json.dumps(opened.state.to_dict()))) == opened.state
    opened.save()
    with open_writer(panned.clips / "standing.mkv") as writer:
        writer.write(1, workshop.camera(workshop.portrait("tan", 6, 480, 270).light))
    shutil.copy(*(panned.result_path(panned.graph_name(name)) for name in ("walking.mkv", "standing.mkv")))
    own, other = session.Session(panned, "walking.mkv"), session.Session(panned, "standing.mkv")
    assert "face1" in own.state.graph.by_id
    assert not any("another clip" in text for text in own.notices)
    assert not {"face1", "join"} & set(other.state.graph.by_id)
    assert chain.is_chain(other.state.graph)
    assert [text for text in other.notices if "another clip" in text]
    own.close()
    other.close()
    opened.remove_face("face1")
    assert not {"face1", "join"} & set(opened.state.graph.by_id)
    assert chain.is_chain(opened.state.graph)
    with pytest.raises(DeskError, match="no face"):
        opened.remove_face("face1")
    opened.close()


# --- files ----------------------------------------------------------------------------------------------------


def test_what_was_left_is_restored(open_session, folder, footage):
    mark_all(open_session, footage[1])
    open_session.solve("learn", 1)
    open_session.keeper.flush()
    again = session.Session(folder, "planing.mkv")
    assert again.state == open_session.state
    again.close()


def test_undo_survives_a_restart(open_session, folder, footage):
    mark_all(open_session, footage[1])
    open_session.solve("everything", 1)
    open_session.set("steer", "angle", 7)
    solved = open_session.state
    open_session.undo()
    open_session.history_keeper.flush()
    open_session.keeper.flush()
    again = session.Session(folder, "planing.mkv")
    again.take_over()
    assert again.redo() == "Steer skin: Turn"
    assert again.state == solved
    for _ in range(20):
        again.undo()
    assert again.state == state.State()
    again.close()


def test_a_damaged_history_is_put_aside(folder):
    path = folder.beside("planing.mkv", ".history.json")
    path.write_text('{"desk_history": 1, "place": 3, "pool": [], "entries": [{"label": "x"}]}')
    opened = session.Session(folder, "planing.mkv")
    assert opened.state == state.State()
    assert path.with_name(path.name + ".damaged").is_file()
    opened.close()


def test_a_version_is_kept_and_gone_back_to(open_session, folder):
    open_session.set("steer", "angle", 5)
    assert open_session.keep_version("  warmer  one ") == "warmer one"
    with pytest.raises(ExistsError, match="warmer one"):
        open_session.keep_version("warmer one")
    open_session.set("steer", "angle", 9)
    open_session.close()
    again = session.Session(folder, "planing.mkv")
    assert [item["name"] for item in again.versions.listed()] == ["warmer one"]
    again.back_to("warmer one")
    assert again.state.node("steer").angle == 5
    again.undo()
    assert again.state.node("steer").angle == 9
    with pytest.raises(DeskError, match="no version"):
        again.back_to("cooler")
    again.close()


def test_a_saved_graph_brings_its_marks_along(open_session, folder, footage):
    mark_all(open_session, footage[1])
    open_session.solve("everything", 1)
    path = open_session.save("take one")
    assert path == folder.results / "take one.json"
    assert Graph.load(path) == open_session.state.graph
    solved = open_session.state
    open_session.reset("steer")
    open_session.unmark(1)
    open_session.open_graph("take one.json")
    assert open_session.state == solved


def test_damaged_notes_are_put_aside(folder):
    folder.notes_path("planing.mkv").write_text("{")
    opened = session.Session(folder, "planing.mkv")
    assert opened.state == state.State()
    assert any("put aside" in notice for notice in opened.notices)
    assert folder.notes_path("planing.mkv").with_name("planing.mkv.desk.json.damaged").is_file()
    opened.close()


def test_a_graph_of_somebody_else_is_not_overwritten_unasked(open_session, folder):
    other = chain.people_chain(["", "_2"])
    other.save(folder.results / "theirs.json")
    with pytest.raises(ExistsError, match="not made here"):
        open_session.save("theirs.json")
    assert Graph.load(folder.results / "theirs.json") == other
    open_session.save("theirs.json", replace=True)
    open_session.set("steer", "angle", 3)
    open_session.save("theirs.json")
    assert Graph.load(folder.results / "theirs.json").by_id["steer"].node.angle == 3


def test_trouble_with_keeping_is_told(tmp_path):
    path = tmp_path / "gone" / "notes.json"
    keeper = notes.Keeper(path, notes.Owner(path, "clip"))
    keeper.keep(state.State())
    keeper.flush()
    assert "folder does not exist" in keeper.as_dict()["trouble"]
    keeper.close()


def test_a_reference_frame_is_written_at_full_size(open_session, folder, footage):
    path = open_session.still(2, "reference")
    with open_clip(path) as still:
        assert (still.width, still.height) == (320, 180)
        assert np.abs(still.read(1) - open_session.clip.read(2)).max() < 1 / 65535
    with pytest.raises(ExistsError):
        open_session.still(2, "reference.png")


@pytest.mark.parametrize("name", ["../out.json", "/etc/passwd", "a/../../b.json", "link/x.json", "", "a\0b"])
def test_paths_stay_in_the_opened_folder(open_session, folder, tmp_path_factory, name):
    (folder.results / "link").symlink_to(tmp_path_factory.mktemp("elsewhere"))
    with pytest.raises(DeskError):
        folder.result_path(name)
    if name.strip("/\0"):
        with pytest.raises(InkarnatError):
            folder.clip_path(name)


def test_the_folder_lists_sequences_as_one(tmp_path):
    for name in ("a.0001.exr", "a.0002.exr", "still.png", "shot.mov", "notes.txt", ".hidden.png", "lone.0007.tif"):
        (tmp_path / name).write_bytes(b"x")
    assert Folder(tmp_path).clip_names() == ["a.%04d.exr", "lone.0007.tif", "shot.mov", "still.png"]
    assert Folder(tmp_path).graph_name("a.%04d.exr") == "a.json"


def test_every_control_comes_from_a_declaration():
    described = controls.declarations()
    for name, node in NODES.items():
        assert described["nodes"][name]["params"].keys() == node.params().keys()
    angle = described["nodes"]["steer_skin"]["params"]["angle"]
    declared = NODES["steer_skin"].params()["angle"]
    assert (angle["low"], angle["high"], angle["shown"]) == (declared.low, declared.high, list(declared.shown))
    assert angle["help"] == "Turn of the skin's hue: below 0 redder, above 0 yellower."
    bias = described["target"]["params"]["bias"]
    assert bias["help"] == controls.target_params()["bias"].help
    json.dumps(described, allow_nan=False)
    assert described["target"]["params"]["angle"]["default"] == SkinTarget().angle


def test_every_number_of_the_sheet_says_what_lies_at_its_two_ends():
    """By words of its own, not "less" and "more"."""
    nodes = controls.declarations()["nodes"]
    shown = ("balance", "tone_curve", "cdl", "skin_key", "face_matte", "join_faces", "region", "soften_matte")
    for node in (*shown, "steady_matte", "steer_skin", "keep_skin", "compare", "vectorscope", "waveform"):
        for name, told in nodes[node]["params"].items():
            if told["kind"] in ("number", "whole", "angle"):
                assert all(told["ends"]), f"{node}.{name}"
                assert told["ends"] != ["less", "more"], f"{node}.{name}"


def test_controls_take_the_units_and_directions_of_the_options():
    """Ends, units and labels of every option; a code of 10 bits is 1/876 of black to white (BT.709-6, item 4.6)."""
    nodes = controls.declarations()["nodes"]
    for option in typed.CONTROLS:
        told = nodes[typed.STEPS[option.step].name]["params"][option.field]
        assert (told["slope"], told["offset"]) == (option.slope, option.to_field(0))
        times = {"contrast", "saturation", "shadow-reach", "highlight-reach", "key-falloff", "skin-saturation"}
        assert told["unit"] == ("×" if option.option in times else option.unit.word), option.option
        if option.param.kind == "points":
            continue
        assert all(told["ends"])
        assert told["low"] < told["high"]
        assert told["low"] <= told["shown"][0] < told["shown"][1] <= told["high"]
        ends = sorted(option.to_typed(end) for end in (option.param.low, option.param.high))
        assert [told["low"], told["high"]] == pytest.approx(ends)
    black, white, temperature = (
        nodes["tone_curve"]["params"]["black"],
        nodes["tone_curve"]["params"]["white"],
        nodes["balance"]["params"]["temperature"],
    )
    assert black["ends"] == white["ends"] == ["darker", "brighter"]
    assert black["shown"] == [-30, 10]
    assert white["shown"] == pytest.approx([-20, 40])
    assert black["units"]["c"] == pytest.approx(100 / 876)
    assert (temperature["unit"], temperature["aside"]) == ("mired", "kelvin")


def test_the_steps_stand_in_the_order_of_the_job():
    """Light before levels, as the chain has them, and what is only looked at comes last."""
    groups = controls.declarations()["groups"]
    assert groups == ["balance", "light", "key", "matte", "steer", "compare"]
    chain = [NODES[step.node.name].group for step in state.State().graph.order()]
    assert [chain.index(group) for group in groups[:2]] == sorted(chain.index(group) for group in groups[:2])


def test_more_of_a_level_is_brighter(open_session):
    """What a slider at its upper end sets makes the picture brighter than at its lower one."""
    params = controls.declarations()["nodes"]["tone_curve"]["params"]
    for name, ends in (("black", (-5, 5)), ("white", (-10, 10)), ("middle", (-10, 10))):
        told, means = params[name], []
        for end in ends:
            open_session.set("tone", name, end * told["slope"] + told["offset"])
            means.append(float(open_session.picture(1, "result").mean()))
        open_session.reset("tone", name)
        assert means[1] > means[0], name


# --- the interface and its guard ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def served(footage, tmp_path_factory):
    desk = server.Desk(Folder(footage[0], tmp_path_factory.mktemp("results")), "planing.mkv")
    running = server.Served(desk)
    thread = threading.Thread(target=running.run, daemon=True)
    thread.start()
    for _ in range(200):
        if running.server.started:
            break
        time.sleep(0.05)
    yield running
    running.stop()
    thread.join(20)


def request(served, path, method="GET", body=None, token=None, **headers):
    """Ask as any program could and return status, headers and body."""
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)
    given = {name.replace("_", "-"): value for name, value in headers.items()}
    if body is not None:
        given.setdefault("content-type", "application/json")
    given.setdefault("cookie", cookie(served))
    connection.request(method, f"/{served.page if token is None else token}/{path}", body, given)
    answer = connection.getresponse()
    return answer.status, dict(answer.getheaders()), answer.read()


def cookie(served) -> str:
    return f"{served.guard.cookie}={served.guard.secret}"


def act(served, what, /, **body):
    status, _, answer = request(served, f"api/{what}", "POST", json.dumps(body))
    return status, json.loads(answer)


def test_the_page_and_its_files_are_served(served):
    status, headers, body = request(served, "")
    assert status == 200
    assert b"<title>Inkarnat desk" in body
    assert "default-src 'none'" in headers["content-security-policy"]
    assert headers["referrer-policy"] == "no-referrer"
    for name in ("desk.js", "desk.css", "mark.svg"):
        assert request(served, name)[0] == 200
    for name in ("server.py", "..%2Fserver.py", "%2e%2e/server.py", "none.js", "..%5Cserver.py"):
        assert request(served, name)[0] in (403, 404)


def test_nothing_on_the_page_comes_from_elsewhere():
    page = server.resources.files("inkarnat.host_adapters.desk") / "page"
    for file in page.iterdir():
        text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in text, file.name
        assert "https://" not in text, file.name


def test_it_listens_on_the_loopback_interface_alone(served):
    assert served.socket.getsockname()[0] == "127.0.0.1"


@pytest.mark.parametrize("token", ["", "x" * 32, "%00", "é".encode().hex()])
def test_a_missing_or_wrong_token_is_refused(served, token):
    status, _, body = request(served, "api/state", token=token)
    assert status == 403
    assert b"token" in body
    assert served.page.encode() not in body
    assert served.guard.secret.encode() not in body


@pytest.mark.parametrize("host", ["example.org", "127.0.0.1", "127.0.0.1:1", "localhost.example.org", "[::1]:80", ""])
def test_another_host_is_refused(served, host):
    """A name that was rebound to this machine arrives with its own name in the Host header."""
    assert request(served, "api/state", host=host)[0] in (400, 421)


def test_localhost_is_the_same_machine(served):
    assert request(served, "api/state", host=f"localhost:{served.port}")[0] == 200


@pytest.mark.parametrize("origin", ["http://example.org", "null", "https://127.0.0.1:{port}", "http://127.0.0.1:1"])
def test_another_origin_is_refused(served, origin):
    given = origin.format(port=served.port)
    assert request(served, "api/state", origin=given)[0] == 403
    assert request(served, "api/undo", "POST", "{}", origin=given)[0] == 403
    assert request(served, "api/undo", "POST", "{}", origin=f"http://127.0.0.1:{served.port}")[0] == 200


def test_another_site_and_other_kinds_of_bodies_are_refused(served):
    assert request(served, "api/state", sec_fetch_site="cross-site")[0] == 403
    assert request(served, "api/state", sec_fetch_site="same-site")[0] == 403
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data"):
        assert request(served, "api/undo", "POST", "{}", content_type=kind)[0] == 415
    assert request(served, "api/undo", "PUT", "{}")[0] == 405
    assert request(served, "api/undo")[0] == 405


def test_too_large_a_body_is_refused_by_its_length_and_by_its_bytes(served):
    large = b"[" + b"1," * (guard.MOST_BODY // 2) + b"1]"
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)
    head = {"content-type": "application/json", "content-length": str(len(large)), "cookie": cookie(served)}
    connection.request("POST", f"/{served.page}/api/set", headers=head)
    assert connection.getresponse().status == 413

    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)
    pieces = (large[start : start + 65536] for start in range(0, len(large), 65536))
    try:
        chunked = {"content-type": "application/json", "transfer-encoding": "chunked", "cookie": cookie(served)}
        connection.request("POST", f"/{served.page}/api/set", pieces, chunked, encode_chunked=True)
    except (BrokenPipeError, ConnectionResetError):
        pass
    else:
        assert connection.getresponse().status == 413
    assert request(served, "api/state")[0] == 200


@pytest.mark.parametrize(
    "body", ["", "[]", "{", "nul", '{"id": 3}', '{"id": "steer", "name": ["a"], "value": {}}', "[" * 5000]
)
def test_nonsense_is_answered_in_words(served, body):
    status, _, answer = request(served, "api/set", "POST", body)
    assert status == 400
    assert json.loads(answer)["error"]


@pytest.mark.parametrize(
    ("name", "body"),
    [
        ("save", {"name": "../outside.json"}),
        ("still", {"frame": 1, "name": "/tmp/outside.png"}),
        ("render", {"output": "../outside.mov"}),
        ("graph", {"name": "../../etc/passwd"}),
        ("open", {"clip": "../planing.mkv"}),
        ("carry", {"clips": ["../caulking.mkv"], "frame": 1}),
    ],
)
def test_no_request_leaves_the_folders(served, name, body):
    status, answer = act(served, name, **body)
    assert status == 403
    assert "outside the opened folder" in answer["error"]


@pytest.mark.parametrize(
    ("name", "body", "words"),
    [
        ("set", {"id": "steer", "name": "angle"}, "lacks 'value'"),
        ("set", {"id": "steer", "name": "angle", "value": {"a": 1}}, "Turn takes a number -180 to 180°"),
        ("mark", {"frame": "1", "purpose": "skin", "kind": "point", "points": []}, "frame must be a whole number"),
        ("mark", {"frame": 1, "purpose": "skin", "kind": "point", "points": [1, 2]}, "A mark is a point"),
        ("mark", {"frame": 1, "purpose": "skin", "kind": "box", "points": [[1], [2]]}, "A mark is a point"),
        ("mark", {"frame": 1, "purpose": "skin", "kind": "point", "points": [["a", 0]]}, "A mark is a point"),
        (
            "mark",
            {"frame": 1, "purpose": "skin", "kind": "stroke", "points": [[0, 0]], "radius": "x"},
            "radius must be",
        ),
        ("unmark", {"mark": True}, "mark must be a whole number"),
        ("solve", {"what": ["learn"], "frame": 1}, "what must be a text"),
        ("person", {"do": "rename", "suffix": 3}, "suffix must be a text"),
        ("carry", {"clips": "caulking.mkv", "frame": 1}, "clips must be a list"),
        ("carry", {"clips": [1], "frame": 1}, "clips must be a list of texts"),
        ("still", {"frame": 1, "name": 7}, "name must be a text"),
        ("render", {"output": 5}, "output must be a text"),
    ],
)
def test_what_cannot_be_understood_is_named(served, name, body, words):
    status, answer = act(served, name, **body)
    assert (status, words in answer["error"]) == (400, True), answer


def test_a_fault_of_the_desk_is_answered_with_500_logged_and_placed(served, monkeypatch, caplog):
    def broken(self, *given, **named):
        raise KeyError("hidden")

    monkeypatch.setattr(server.Session, "undo", broken)
    status, answer = act(served, "undo")
    assert status == 500
    assert "KeyError at test_desk.py:" in answer["error"]
    assert "in broken" in answer["error"]
    (record,) = [record for record in caplog.records if record.name == "inkarnat.desk"]
    assert record.exc_info[0] is KeyError
    assert request(served, "api/state")[0] == 200, "the desk goes on"


def test_a_fault_inside_a_node_is_no_mistake_of_the_person(served, monkeypatch):
    def broken(self, image, matte):
        raise ZeroDivisionError("inside")

    monkeypatch.setattr(SteerSkin, "process", broken)
    assert act(served, "set", id="steer", name="angle", value=9.5)[0] == 200
    status, _, body = request(served, "api/frame?frame=2")
    assert status == 500
    assert "ZeroDivisionError at test_desk.py" in json.loads(body)["error"]


def test_frames_come_raw_or_as_pictures(served):
    status, headers, body = request(served, "api/frame?frame=1&view=original")
    assert (status, headers["x-width"], headers["x-height"]) == (200, "320", "180")
    pixels = np.frombuffer(body, np.uint8).reshape(180, 320, 4)
    plate = served.desk.session.clip.read(1)
    assert np.abs(pixels[..., :3] / 255 - np.clip(plate, 0, 1)).max() <= 0.5 / 255 + 1e-6
    assert (pixels[..., 3] == 255).all()
    assert request(served, "api/frame?frame=1&as=png")[2].startswith(b"\x89PNG")
    assert request(served, "api/frame?frame=one")[0] == 400
    assert request(served, "api/frame?frame=1&as=gif")[0] == 400
    status, headers, body = request(served, "api/plot?which=vectorscope&frame=1&wide=300&tall=400&of=all")
    assert (status, headers["x-width"], headers["x-height"], len(body)) == (200, "300", "300", 300 * 300)


def test_carrying_measures_the_other_clip(served, footage):
    session_ = served.desk.session
    mark_all(session_, footage[1])
    session_.solve("everything", 1)
    status, _ = act(served, "carry", clips=["caulking.mkv"], frame=1)
    assert status == 200
    served.desk.tasks.last.wait(120)
    assert served.desk.tasks.as_dict()["message"] == "Carried to 1 clip."
    clips = {item["name"]: item for item in json.loads(request(served, "api/clips")[2])}
    assert clips["planing.mkv"]["open"]
    status = clips["caulking.mkv"]["status"]
    assert status["grade"] == status["status"] in ("holds", "check", "off")
    assert status["words"].startswith(status["sentence"])
    assert act(served, "open", clip="caulking.mkv")[0] == 200
    carried, mine = served.desk.session.state.graph, session_.state.graph
    assert [step.id for step in carried.steps] == [step.id for step in mine.steps]
    assert carried.by_id["steer"] == mine.by_id["steer"]
    assert carried.by_id["balance"] != mine.by_id["balance"]  # each clip has its own light
    served.desk.session.set("tone", "black", 0.03)
    served.desk.session.keeper.flush()
    assert act(served, "open", clip="planing.mkv")[0] == 200
    refused, told = act(served, "carry", clips=["caulking.mkv"], frame=1)
    assert (refused, "by hand" in told["error"]) == (409, True)
    assert act(served, "carry", clips=["caulking.mkv"], frame=1, replace=True)[0] == 200
    served.desk.tasks.last.wait(120)
    assert act(served, "open", clip="caulking.mkv")[0] == 200
    served.desk.session.undo()
    assert served.desk.session.state.graph.by_id["tone"].node.black == 0.03
    assert act(served, "open", clip="planing.mkv")[0] == 200
    assert served.desk.session.state == session_.state


def test_the_list_of_shots_has_the_worst_first():
    def shot(name, grade, begun=True):
        return {"name": name, "begun": begun, "status": grade and {"grade": grade}}

    shots_ = [shot("a", "holds"), shot("b", None, begun=False), shot("c", "off"), shot("d", None), shot("e", "check")]
    shots_ += [shot("f", "not judged"), shot("g", "off")]
    assert [item["name"] for item in shots.in_order(shots_)] == ["c", "g", "e", "f", "a", "d", "b"]


def test_the_open_clip_is_judged_as_well(served):
    act(served, "set", id="steer", name="angle", value=0.5)
    asked = request(served, "api/reading?frame=1")
    assert asked[0] == 200
    verdict = json.loads(asked[2])["verdict"]
    known = {item["name"]: item["status"] for item in json.loads(request(served, "api/clips")[2])}
    assert known[served.desk.session.name]["grade"] == verdict["status"]


def work_on(folder, name):
    """Have somebody work on another clip."""
    other = session.Session(folder, name)
    other.set("steer", "amount", 0.9)
    other.close()


def test_another_shot_is_looked_at_beside_and_read(served):
    """What its skin reads is what its own desk reads."""
    work_on(served.desk.folder, "caulking.mkv")
    status, headers, body = request(served, "api/beside?clip=caulking.mkv&frame=1")
    assert (status, body[:4]) == (200, b"\x89PNG")
    about = json.loads({name.lower(): value for name, value in headers.items()}["x-about"])
    other = session.Session(served.desk.folder, "caulking.mkv")
    expected = other.reading(1)["after"]
    other.close()
    assert about["frame"] == 1
    assert about["reading"]["angle"] == pytest.approx(expected["angle"], abs=1e-3)
    assert request(served, "api/beside?clip=caulking.mkv&frame=99")[0] == 400
    assert request(served, "api/beside?clip=..%2Fnone.mkv")[0] == 403


def test_renders_wait_to_be_written_one_after_another(served, monkeypatch):
    desk, goes = served.desk, threading.Event()
    work_on(desk.folder, "caulking.mkv")
    begin = rendering.Render._begin
    monkeypatch.setattr(rendering.Render, "_begin", lambda self, total: (goes.wait(60), begin(self, total))[1])
    assert act(served, "render", output="first.%04d.exr")[0] == 200
    assert act(served, "render", output="second.%04d.exr")[0] == 200
    refused, told = act(served, "render", output="second.%04d.exr")
    assert (refused, "waits" in told["error"]) == (400, True)
    status, told = act(served, "render-all", clips=["caulking.mkv"])
    assert (status, told["message"]) == (200, "1 waiting to be written.")
    assert told["waiting"] == ["second.%04d.exr from planing.mkv", "caulking-skin.mov from caulking.mkv"]
    assert act(served, "unwait", place=1)[1]["waiting"] == ["second.%04d.exr from planing.mkv"]
    assert act(served, "unwait", place=5)[0] == 400
    goes.set()
    for _ in range(600):
        if (desk.folder.results / "second.0003.exr").exists() and not desk.render.running:
            break
        time.sleep(0.05)
    assert (desk.folder.results / "first.0003.exr").exists()
    assert (desk.render.state, desk.waiting) == ("done", [])


def test_a_look_up_and_a_report_are_written(served):
    status, told = act(served, "look-up", name="light", part="light", frame=1)
    assert (status, told["message"].startswith("Saved light.clf")) == (200, True), told
    assert (served.desk.folder.results / "light.clf").read_bytes().startswith(b"<?xml")
    assert made.is_noted(served.desk.folder.results / "light.clf", made.LOOK_UP), "else the command line asks about it"
    assert act(served, "look-up", name="light", frame=1)[0] == 409
    assert "without reports" in act(served, "report", name="page.html")[1]["error"]
    runs = []
    left_out: dict[str, str] = {}
    served.desk.report = lambda run, path: (runs.append(run), path.write_text("page")) and left_out
    act(served, "set", id="steer", name="angle", value=0.7)
    act(served, "save", replace=True)
    try:
        assert act(served, "report", name="page.html", clips=["planing.mkv"])[0] == 200
        served.desk.tasks.last.wait(60)
        assert served.desk.tasks.as_dict()["message"] == "Saved page.html: 1 clip."
    finally:
        served.desk.report = None
    (clip,) = runs[0].clips
    assert clip.name == "planing.mkv"
    assert Graph.load(clip.graph) == served.desk.session.state.graph


def test_stills_of_a_frame_are_drawn_into_a_folder(served):
    status, told = act(served, "stills", frame=1, name="looks")
    assert status == 200, told
    served.desk.tasks.last.wait(120)
    told = served.desk.tasks.as_dict()
    assert told["state"] == "done", told
    sheet = served.desk.folder.results / "looks" / "planing.sheet.png"
    with open_clip(sheet) as clip:
        assert clip.read(clip.frames[0]).std() > 0.05
    assert act(served, "stills", frame=1, name="looks")[0] == 409
    assert act(served, "stills", frame=99, name="others")[0] == 400
    assert act(served, "stills", frame=1, name="../outside")[0] == 403


def test_what_is_known_of_the_other_clips_survives_a_restart(served):
    again = server.Desk(served.desk.folder, "planing.mkv")
    assert again.statuses["caulking.mkv"] == served.desk.statuses["caulking.mkv"]
    again.close()


def words_of(stream, count=1):
    """Read so many states from an open event stream."""
    found = []
    while len(found) < count:
        line = stream.readline()
        assert line, "the stream has ended"
        if line.startswith(b"data: {"):
            found.append(json.loads(line[6:]))
    return found


def test_every_change_is_told_to_whoever_listens(served):
    place = f"http://127.0.0.1:{served.port}/{served.page}/api/events"
    asked = urllib.request.Request(place, headers={"cookie": cookie(served)})
    streams = [urllib.request.urlopen(asked, timeout=20) for _ in range(2)]
    assert streams[0].headers["content-type"].startswith("text/event-stream")
    first = [words_of(stream)[0] for stream in streams]
    assert first[0]["serial"] == first[1]["serial"]
    act(served, "set", id="steer", name="amount", value=0.5)
    for stream in streams:
        fresh = words_of(stream)[0]
        assert next(step for step in fresh["steps"] if step["id"] == "steer")["params"]["amount"] == 0.5
        assert (fresh["boot"], fresh["serial"] > first[0]["serial"]) == (first[0]["boot"], True)
        stream.close()
    act(served, "undo")


def test_a_restarted_desk_is_found_under_the_same_address(footage, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    (tmp_path / "results").mkdir()
    first = server.Served(server.Desk(Folder(footage[0], tmp_path / "results"), "planing.mkv"))
    files = list((tmp_path / "state").rglob("*.json"))
    assert [file.stat().st_mode & 0o777 for file in files] == [0o600]
    assert first.page not in files[0].name
    beside = server.Served(server.Desk(Folder(footage[0], tmp_path / "results"), "planing.mkv"))
    assert (beside.port, beside.page) != (first.port, first.page)
    assert beside.guard.secret != first.guard.secret
    first.socket.close()
    again = server.Served(server.Desk(Folder(footage[0], tmp_path / "results"), "planing.mkv"))
    assert (again.port, again.page, again.guard.secret) == (first.port, first.page, first.guard.secret)
    files[0].chmod(0o644)
    assert secret.recall(f"{footage[0] / 'planing.mkv'}\n{tmp_path / 'results'}").token != first.page
    for opened in (first, beside, again):
        opened.socket.close()
        opened.desk.close()


def test_a_render_can_be_cancelled_and_leaves_nothing_half_written(served, monkeypatch):
    from inkarnat.host_adapters.graphs import runner

    reached, goes = threading.Event(), threading.Event()
    run_frame = runner.Runner.run_frame

    def held(self, *given, **named):
        reached.set()
        goes.wait(60)
        return run_frame(self, *given, **named)

    monkeypatch.setattr(runner.Runner, "run_frame", held)
    assert act(served, "render", output="given up.mov")[0] == 200
    assert reached.wait(20)
    assert act(served, "render", output="second.mov")[1]["waiting"] == ["second.mov from planing.mkv"]
    assert act(served, "unwait", place=0)[1]["waiting"] == []
    act(served, "cancel")
    goes.set()
    served.desk.render.wait(60)
    assert served.desk.render.state == "cancelled"
    assert not list(served.desk.folder.results.glob("*given up*"))


def test_a_failed_render_says_why(served):
    assert act(served, "render", output="x.mov", frames="50-60")[0] == 200
    served.desk.render.wait(60)
    assert served.desk.render.state == "failed"
    assert "1 to 3" in served.desk.render.message


def test_a_taken_port_is_named(served):
    with pytest.raises(DeskError, match=str(served.port)):
        server._bound(served.port)


# --- the verb -------------------------------------------------------------------------------------------------


def run_verb(*words):
    return subprocess.Popen(
        [sys.executable, "-u", "-m", "inkarnat.host_adapters.commands.cli", "desk", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=interrupts.hear,
    )


def test_the_verb_prints_an_address_that_answers_and_ends_when_interrupted(footage, tmp_path):
    running = run_verb(footage[0] / "planing.mkv", "--results", tmp_path, "--no-browser")
    try:
        address = running.stdout.readline().split()[-1]
        asker = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        with asker.open(address, timeout=60) as page:
            assert b"Inkarnat desk" in page.read()
            assert page.url != address
        with asker.open(page.url + "api/state", timeout=60) as answer:
            assert json.load(answer)["clip"]["name"] == "planing.mkv"
        running.send_signal(signal.SIGINT)
        _, complaints = running.communicate(timeout=60)
        assert "Traceback" not in complaints
    finally:
        running.kill()


def test_a_crash_loses_nothing(footage, tmp_path):
    running = run_verb(footage[0] / "planing.mkv", "--results", tmp_path, "--no-browser")
    try:
        address = running.stdout.readline().split()[-1]
        asker = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        with asker.open(address, timeout=60) as page:
            place = page.url
        for angle in (3, 4, 5):
            body = json.dumps({"id": "steer", "name": "angle", "value": angle}).encode()
            asked = urllib.request.Request(place + "api/set", body, {"content-type": "application/json"})
            asker.open(asked, timeout=60).close()
        desk_notes.rest(tmp_path, "planing.mkv", 5)
    finally:
        running.kill()
        running.communicate()
    opened = session.Session(Folder(footage[0], tmp_path), "planing.mkv")
    assert opened.state.node("steer").angle == 5
    opened.close()
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]


@pytest.mark.parametrize("name", ["none.mkv", "nowhere/none.mkv", "empty"])
def test_the_verb_names_what_is_missing(tmp_path, name):
    (tmp_path / "empty").mkdir()
    running = run_verb(tmp_path / name, "--no-browser")
    _, complaints = running.communicate(timeout=60)
    assert running.returncode == 3
    assert name.split("/")[0] in complaints
    assert complaints.count("\n") == 1
