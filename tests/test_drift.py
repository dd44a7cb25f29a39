"""Drift inside a clip: measured, followed by smooth keyframes, split at cuts, offered where it pays."""

from __future__ import annotations

import json
from fractions import Fraction
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.graphs.standard import chain_graph, with_keyed
from inkarnat.host_adapters.media.clips import open_clip, open_writer
from inkarnat.host_adapters.shots import drift, solving
from inkarnat.host_adapters.shots.evidence import survey
from inkarnat.nodes import (
    CorrectionOptions,
    Evidence,
    MarkedFrame,
    Sample,
    SkinTarget,
    SteerSkin,
    judge,
    measure_skin,
    solve_correction,
    solve_steer,
)

COUNT = 60
FRAMES = range(1, COUNT + 1)


@cache
def scene(depth="light", seed=3, wall="cedar"):
    return workshop.portrait(depth, seed, 256, 144, wall=wall)


def ramp(frame, depth="light", seed=3, wall="cedar"):
    """A frame of a clip in which the light warms by 30 mired from the first to the last frame."""
    light = workshop.light_change(-15 + 30 * (frame - 1) / (COUNT - 1), 0)
    return workshop.camera(scene(depth, seed, wall).light, 1000 + frame, balance=light)


@cache
def correction(target=None):
    stroke = Sample.stroke(scene().places["stroke"], 0.015)
    return solve_correction([MarkedFrame(30, ramp(30), (stroke,))], CorrectionOptions(target=target or SkinTarget()))


@cache
def graph():
    return chain_graph(correction().links(), correction().outputs())


@cache
def followed():
    return drift.follow_drift(graph(), ramp, FRAMES, {"steer": solve_steer})


def angles(made, frames=FRAMES):
    return np.array([made.by_id["steer"].node_at(frame).angle for frame in frames])


# --- measuring and following --------------------------------------------------------------------------------


def test_a_ramp_of_30_mired_drifts_far():
    found = drift.measure_drift(graph(), ramp, FRAMES)
    assert [frame for frame, _ in found.angles] == drift.spread(FRAMES, drift.LOOKED_AT)
    assert found.span > 4
    still = drift.measure_drift(graph(), lambda frame: ramp(30), FRAMES)
    assert still.span < 0.1


def test_frames_without_skin_are_named():
    grey = np.full((144, 256, 3), 0.4, np.float32)
    found = drift.measure_drift(graph(), lambda frame: ramp(frame) if frame < 20 else grey, FRAMES)
    assert found.unread == tuple(frame for frame in drift.spread(FRAMES, drift.LOOKED_AT) if frame >= 20)
    assert len(found.angles) + len(found.unread) == drift.LOOKED_AT
    person = SimpleNamespace(name="Ada")
    assert solving._unkeyed(person, drift.Drift(((1, 0.0),), (9, 17))) == (
        "No skin of Ada is keyed on 2 of the 3 frames that were looked at (frames 9, 17): nothing is judged there, and "
        "hardly anything corrected."
    )


def test_following_a_ramp_of_30_mired_keeps_within_a_degree_in_small_steps():
    made = with_keyed(graph(), followed().keyed)
    errors = []
    for frame in range(1, COUNT + 1, 3):
        result = Runner(made).run_frame(frame, {"plate": ramp(frame)})["result"]
        errors.append(measure_skin(result, scene().matte).angle - 123)
    constant = Runner(graph()).run_frame(1, {"plate": ramp(1)})["result"]
    assert abs(measure_skin(constant, scene().matte).angle - 123) > 2
    assert np.abs(errors).max() < 1
    assert np.abs(np.diff(angles(made))).max() < 0.2
    assert followed().cuts == ()
    assert [name for name, _ in followed().keyed["steer"]] == ["angle"]


def test_keyframes_are_few_and_survive_the_graph_file(tmp_path):
    made = with_keyed(graph(), followed().keyed)
    ((_, keyframes),) = followed().keyed["steer"]
    assert len(keyframes.pairs) < 20
    made.save(tmp_path / "g.json")
    assert Graph.load(tmp_path / "g.json") == made


def test_a_constant_clip_gets_no_keyframes_worth_speaking_of():
    still = drift.follow_drift(graph(), lambda frame: ramp(30), range(1, 10), {"steer": solve_steer})
    assert still.keyed == {"steer": ()}
    assert with_keyed(graph(), still.keyed) == graph()


def test_grain_and_a_frame_that_stands_out_are_smoothed():
    random = np.random.default_rng(1)
    at = np.arange(80.0)
    true = 3 + 0.1 * at
    values = true + random.normal(0, 0.3, at.size)
    values[40] += 8
    smooth = np.array(drift._smoothed(at, values))
    assert np.abs(smooth - true).max() < 0.4
    assert np.abs(np.diff(smooth) - 0.1).max() < 0.08
    np.testing.assert_allclose(drift._smoothed(at, true), true, atol=1e-9)
    assert drift._smoothed(at[:2], values[:2]) == list(values[:2])


def test_saturation_follows_where_the_target_names_a_ratio():
    target = SkinTarget(ratio=0.2)
    made = correction(target)
    chain = chain_graph(made.links(), made.outputs())
    found = drift.follow_drift(chain, ramp, range(1, COUNT + 1, 6), {"steer": lambda i, m: solve_steer(i, m, target)})
    assert [name for name, _ in found.keyed["steer"]] == ["angle", "saturation"]


# --- cuts ---------------------------------------------------------------------------------------------------


def two_shots(frame):
    """A cut at frame 26 to another person before another wall; the light goes on drifting."""
    return ramp(frame) if frame < 26 else ramp(frame, "tan", 9, "plaster")


def test_cuts_are_found_and_a_drift_is_none():
    assert drift.find_cuts(two_shots, FRAMES) == (26,)
    assert drift.find_cuts(ramp, FRAMES) == ()
    assert drift.find_cuts(lambda frame: two_shots(26 if frame == 2 else 1), range(1, 3)) == (2,)
    assert drift.find_cuts(ramp, range(5, 6)) == ()


def looked_at(read, count, frames=FRAMES):
    """The cut that is found from a few frames, and how many frames more were read for it."""
    asked = []
    cuts = drift.CutFinder(lambda frame: asked.append(frame) or read(frame), frames)
    for frame in drift.spread(frames, count):
        cuts.see(frame, read(frame))
    return cuts.first(), len(asked)


def test_a_cut_is_found_between_frames_that_were_looked_at():
    for count in (5, 9, 60):
        cut, more = looked_at(two_shots, count)
        assert cut == 26
        assert more <= 10
    assert looked_at(ramp, 5) == (None, 0)
    assert looked_at(lambda frame: two_shots(26 if frame == 2 else 1), 2, [1, 2]) == (2, 2)
    shifted = ramp(1)
    assert looked_at(lambda frame: np.roll(shifted, -9 * frame, axis=1), 5)[0] is None, "a pan is no cut"


def test_a_cut_with_a_black_frame_is_found_and_a_flash_is_none():
    black, white = np.zeros((144, 256, 3), np.float32), np.ones((144, 256, 3), np.float32)
    assert looked_at(lambda frame: black if frame == 26 else two_shots(frame), 9)[0] == 26
    (middle,) = drift.spread(FRAMES, 9)[4:5]
    assert looked_at(lambda frame: white if frame == middle else ramp(30), 9)[0] is None


def test_a_survey_tells_a_cut_and_how_the_skin_differs_behind_it():
    found = survey(SimpleNamespace(frames=FRAMES, read=two_shots), graph(), lambda picture: picture).wander
    assert found.cut == 26
    before, behind = measure_skin(ramp(8), scene().matte), measure_skin(two_shots(45), scene("tan", 9, "plaster").matte)
    assert found.across > behind.angle - before.angle > 8, "as far as by the true mattes, and some of the other's wall"


def test_a_correction_tells_a_cut_behind_which_the_skin_has_the_same_hue_and_another_saturation():
    """The same person before another wall, half as strong in colour: hue alone says nothing of it."""

    def read(frame):
        if frame < 6:
            return ramp(30)
        picture = SteerSkin(saturation=0.5).process(ramp(30), scene().matte)
        picture[scene().matte < 0.5] = (0.10, 0.20, 0.25)
        return picture

    clip = SimpleNamespace(frames=range(1, 13), missing=(), read=read, notes=(), info=None, height=144, width=256)
    made = correction()
    noted = []
    options = solving.SolveOptions.of((Sample.stroke(scene().places["stroke"], 0.015),), drift="measure")
    _, drifting = solving._with_drift(graph(), made, {"": SkinTarget()}, clip, options, noted)
    wander = drifting.of("steer")
    assert wander.cut == 6
    assert any("There is a cut at frame 6" in note for note in noted)
    assert 0.4 < wander.paled < 0.7
    reading = measure_skin(read(1), scene().matte)
    verdict = judge(Evidence(reading, reading, wander=wander.span, cut=wander.cut, paled=wander.paled), None)
    assert "the skin's saturation is ×" in " ".join(verdict.lines())


def test_movement_is_no_cut():
    """The camera pans by 4 % of the height a frame."""
    shifted = ramp(1)
    assert drift.find_cuts(lambda frame: np.roll(shifted, -6 * frame, axis=1), range(1, 20)) == ()


def test_keyframes_jump_at_a_cut_and_stay_smooth_beside_it():
    """The key knows both people: one that knows the first alone takes in the other's wall as the light warms."""
    marked = [
        MarkedFrame(20, two_shots(20), (Sample.stroke(scene().places["stroke"], 0.015),)),
        MarkedFrame(40, two_shots(40), (Sample.stroke(scene("tan", 9, "plaster").places["stroke"], 0.015),)),
    ]
    known = solve_correction(marked, CorrectionOptions(target=SkinTarget()))
    chain = chain_graph(known.links(), known.outputs())
    found = drift.follow_drift(chain, two_shots, FRAMES, {"steer": solve_steer})
    assert found.cuts == (26,)
    steps = np.abs(np.diff(angles(with_keyed(chain, found.keyed))))
    assert np.argmax(steps) == 24, "from frame 25 to 26"
    assert np.delete(steps, 24).max() < 0.25
    (_, keyframes), *_ = found.keyed["steer"]
    assert {25, 26} <= {frame for frame, _ in keyframes.pairs}


def test_frames_without_skin_are_passed_over():
    def gone(frame):
        return np.full((144, 256, 3), 0.5, np.float32) if 20 <= frame < 28 else ramp(frame)

    found = drift.follow_drift(graph(), gone, FRAMES, {"steer": solve_steer})
    assert set(found.unread) == set(range(20, 28))
    made = with_keyed(graph(), found.keyed)
    assert angles(made)[0] == pytest.approx(angles(with_keyed(graph(), followed().keyed))[0], abs=0.3)


# --- on the command line ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("clip") / "ramp.mkv"
    with open_writer(path, rate=Fraction(24)) as writer:
        for number in range(1, 13):
            writer.write(number, ramp(1 + 5 * (number - 1)))
    return path


def run(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


def test_drift_is_offered_then_followed_and_rendered_to_the_same_bits(clip, tmp_path):
    places = scene().places
    stroke = "stroke:" + ";".join(f"{x},{y}" for x, y in places["stroke"]) + "/.015"
    common = ["correct", clip, "--add", stroke, "--frame", 6, "--json"]
    offered = run(*common, "--graph-out", tmp_path / "constant.json")
    assert offered.exit_code == 0, offered.output
    told = json.loads(offered.stdout)
    assert told["drift"]["before"]["steer"]["span"] > 4
    assert told["verdict"]["status"] == "check"
    assert "wanders by" in told["verdict"]["sentence"]
    assert "--follow-drift" in told["verdict"]["fix"]
    done = run(
        *common, "--follow-drift", "--steady-matte", 1, "--graph-out", tmp_path / "g.json", "-o", tmp_path / "a.mkv",
        "--matte-out", tmp_path / "m.mkv",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["notes"] == []
    assert told["drift"]["followed"]["keyframes"]["steer"]["angle"] > 1
    ids = [step.id for step in Graph.load(tmp_path / "g.json").steps]  # face and join too, where faces are known
    assert [id for id in ids if not id.startswith(("face", "join"))] == ["skin", "soften", "steady", "steer"]
    again = run(
        "render", tmp_path / "g.json", "--in", f"plate={clip}", "--out", f"result={tmp_path / 'b.mkv'}",
        "--out", f"matte={tmp_path / 'n.mkv'}",
    )  # fmt: skip
    assert again.exit_code == 0, again.output
    for number in (1, 6, 12):
        for one, other in (("a.mkv", "b.mkv"), ("m.mkv", "n.mkv")):
            np.testing.assert_array_equal(
                open_clip(tmp_path / one).read(number), open_clip(tmp_path / other).read(number)
            )
        reading = measure_skin(open_clip(tmp_path / "a.mkv").read(number), scene().matte)
        assert abs(reading.angle - 123) < 1


def test_a_steady_clip_is_not_offered_anything(tmp_path):
    with open_writer(tmp_path / "still.mkv", rate=Fraction(24)) as writer:
        for number in range(1, 4):
            writer.write(number, ramp(30))
    point = "point:{:.3f},{:.3f}".format(*scene().places["cheek"])
    result = run("correct", tmp_path / "still.mkv", "--add", point, "--graph-out", tmp_path / "g.json", "--json")
    assert json.loads(result.stdout)["notes"] == []
