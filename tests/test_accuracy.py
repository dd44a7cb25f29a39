"""Accuracy: the benchmark's own parts, and a reduced run of it with measured floors."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.bench import accuracy, shots
from inkarnat.host_adapters.bench.scores import score_matte
from inkarnat.host_adapters.commands import bench
from inkarnat.host_adapters.workshop import Thing, camera, portrait
from inkarnat.nodes import Sample, SampleError, SoftenMatte, learn_skin_key, study_skin

MASKS = Path(__file__).parents[1] / "test_images" / "masks"

# --- the measuring stick ------------------------------------------------------------------------------------


def test_scores_of_a_matte_worked_out_by_hand():
    """Four scored pixels: one found, one missed, one false, one rightly left; the fifth is not scored."""
    matte = np.array([[0.9, 0.2, 0.8, 0.1, 1.0]], np.float32)
    truth = np.array([[1.0, 1.0, 0.0, 0.0, 0.0]], np.float32)
    score = score_matte(matte, truth, np.array([[False, False, False, False, True]]))
    assert score.f1 == pytest.approx(2 / 4)
    assert score.iou == pytest.approx(1 / 3)
    assert score.mae == pytest.approx((0.1 + 0.8 + 0.8 + 0.1) / 4)
    assert score.leak == pytest.approx((0.8 + 0.1) / 2)
    assert score.area == pytest.approx(2.0 / 2)


def test_a_perfect_and_an_empty_matte():
    truth = np.zeros((8, 8), np.float32)
    truth[2:6, 2:6] = 1
    ignore = np.zeros((8, 8), bool)
    assert score_matte(truth, truth, ignore).f1 == score_matte(truth, truth, ignore).iou == 1
    assert score_matte(np.zeros_like(truth), truth, ignore).f1 == 0


def test_delta_e_of_equal_colours_is_0_and_of_black_and_white_100():
    """Source: ISO/CIE 11664-6; black and white differ by 100 in lightness alone."""
    black, white = np.zeros((1, 3), np.float32), np.ones((1, 3), np.float32)
    assert accuracy.delta_e(white, white) == 0
    assert accuracy.delta_e(black, white) == pytest.approx(100, abs=0.01)


def test_the_drawn_mask_holds_the_skin_and_not_the_eyes():
    shot = next(shots.real_shots(MASKS))
    truth = shot.truth > 0.5
    rows, columns = truth.shape
    for x, y, skin in ((0.435, 0.19, True), (0.385, 0.24, True), (0.48, 0.20, False), (0.44, 0.08, False)):
        assert truth[int(y * rows), int(x * columns)] == skin
    assert 0.02 < truth.mean() < 0.04
    for marks in shot.marks.values():
        covered = np.logical_or.reduce([sample.mask(rows, columns) for sample in marks.add])
        assert shot.truth[covered & ~shot.ignore].mean() > 0.9


def test_a_mask_that_cannot_be_read_is_named(tmp_path):
    (tmp_path / "broken.json").write_text('{"package": "skimage"}')
    with pytest.raises(shots.BenchError, match=r"broken\.json"):
        list(shots.real_shots(tmp_path))


def test_a_fix_is_put_in_the_middle_of_the_largest_error():
    error = np.zeros((180, 320))
    error[20:24, 20:24] = 1
    error[100:130, 200:240] = 1
    sample = accuracy.worst_place(error)
    ((x, y),) = sample.points
    assert 205 <= x * 320 <= 235
    assert 105 <= y * 180 <= 125
    assert accuracy.worst_place(np.zeros((180, 320))) is None


# --- a reduced run ------------------------------------------------------------------------------------------

SCENES = ("cast", "cedar 40 %", "two stops under")
INPUTS = ("1 point", "3 points", "box", "stroke", "stroke + four fixes")


@pytest.fixture(scope="module")
def results():
    chosen = list(shots.generated_shots(range(501, 502), 320, 180, SCENES, ("light", "tan", "dark")))
    return accuracy.run_accuracy(chosen, INPUTS, balance_seeds=range(501, 502))


@pytest.fixture(scope="module")
def real_results():
    return accuracy.run_accuracy(list(shots.real_shots(MASKS)), INPUTS)


FLOORS = {"1 point": 0.879, "3 points": 0.893, "box": 0.888, "stroke": 0.883, "stroke + four fixes": 0.893}
"""Mean F1 that was measured on these small pictures, less .01 (.889, .903, .898, .893), of four fixes less .002 (.895).
It takes in cedar and two stops too little light; a stroke of 640×360 has its own test below."""

REAL_FLOORS = {"1 point": 0.9, "3 points": 0.917, "box": 0.848, "stroke": 0.9, "stroke + four fixes": 0.958}
"""Mean F1 that was measured on the real picture and its variants, less .01 (.910, .927, .858, .910, .968). No face is
known here: auburn hair of the skin's hue joins, from a box most (one variant .70, recall 1, precision .54). The learner
of 0.1.0 gave .895 by a box."""


@pytest.mark.parametrize("input", INPUTS)
def test_generated_portraits_are_keyed_as_well_as_measured(results, input):
    f1 = [case.score.f1 for case in results.cases if case.input == input]
    assert len(f1) == 9
    assert np.mean(f1) > FLOORS[input]


@pytest.mark.parametrize("input", INPUTS)
def test_the_real_picture_is_keyed_as_well_as_measured(real_results, input):
    f1 = [case.score.f1 for case in real_results.cases if case.input == input]
    assert len(f1) == 4
    assert np.mean(f1) > REAL_FLOORS[input]


WALLS = {
    ("cedar 40 %", "stroke"): 0.952,
    ("cedar 40 %", "small box"): 0.945,
    ("cedar 70 %", "stroke"): 0.84,
    ("cedar 70 %", "small box"): 0.752,
}
"""Mean F1 over six depths, measured .963, .955, .848 and .762. Wanted are .94, .90, .84 and .90: at 70 % of the way to
the skin's own colour the wall is the skin's in most of its grain."""


@pytest.mark.parametrize("scene", ["cedar 40 %", "cedar 70 %"])
def test_walls_of_cedar_are_kept_out_as_well_as_measured(scene):
    """A stroke over a face, and a box of 24×20 pixels on its cheek, on pictures of 640×360."""
    found = {"stroke": [], "small box": []}
    for shot in shots.generated_shots(range(1000, 1001), 640, 360, (scene,)):
        x, y = shot.painted.places["cheek"]
        box = (Sample.box(x - 12 / 640, y - 10 / 360, x + 12 / 640, y + 10 / 360),)
        for name, add in (("stroke", shot.marks["stroke"].add), ("small box", box)):
            matte = learn_skin_key(shot.sampled, add).process(shot.keyed)
            found[name].append(score_matte(matte, shot.truth, shot.ignore).f1)
    for name, f1 in found.items():
        assert np.mean(f1) > WALLS[scene, name], name


def test_no_bad_matte_goes_without_a_warning(results, real_results):
    for case in (*results.cases, *real_results.cases):
        assert case.score.f1 > 0.6 or case.warnings, case
        # A matte half as large again as the skin is told of too, but for the box above: 1.9 times, with F1 .70.
        assert case.score.area <= (2.0 if (case.group, case.input) == ("real", "box") else 1.5) or case.warnings, case


def test_four_fixes_beat_the_stroke_on_the_real_picture(real_results):
    f1 = {name: np.mean([c.score.f1 for c in real_results.cases if c.input == name]) for name in INPUTS}
    assert f1["stroke + four fixes"] > f1["stroke"] + 0.03


def test_steering_reaches_the_picture_without_cast(results):
    cast = [case for case in results.cases if case.input == "stroke" and case.scene == "cast"]
    assert max(case.delta_e for case in cast) < 1.2  # the project's target for noisy pictures
    assert max(case.angle_error for case in cast) < 1.0


def test_a_grey_card_balances_within_a_mired(results):
    errors = results.balance_errors()
    assert errors["mired_p95"] <= 1
    assert errors["duv_p95"] <= 0.0005


def test_the_results_are_plain_json_and_do_not_depend_on_the_number_of_processes():
    chosen = list(shots.generated_shots(range(502, 503), 320, 180, ("8-bit",), ("very light", "light")))
    alone = accuracy.run_accuracy(chosen, ("stroke",)).as_dict()
    shared = accuracy.run_accuracy(chosen, ("stroke",), jobs=2).as_dict()
    assert json.dumps(alone) == json.dumps(shared)


def test_the_command_prints_json_and_a_table(tmp_path):
    arguments = ["accuracy", "--scene", "8-bit", "--input", "stroke", "--height", "360", "--masks", str(tmp_path)]
    told = CliRunner().invoke(bench.command, [*arguments, "--json"])
    assert told.exit_code == 0, told.output
    data = json.loads(told.stdout)
    assert {case["depth"] for case in data["cases"]} == set(shots.SKIN_DEPTHS)
    assert data["summary"]["depth_gap"]["stroke"] < 0.03  # measured .0134; on 180 lines .066
    arguments[arguments.index("360")] = "180"
    table = CliRunner().invoke(bench.command, arguments)
    assert "F1 from the best to the worst depth, stroke" in table.output


# --- warnings -----------------------------------------------------------------------------------------------


def wrongly_marked(scene, shot):
    """What a hurried hand marks: a point on hair, one on the wall beside a good one, a box far too wide."""
    rows, columns = scene.matte.shape

    def on(thing):
        y, x = (int(np.median(places)) for places in np.nonzero(scene.objects == thing))
        near = np.argwhere(scene.objects == thing)
        y, x = near[np.argmin(((near - (y, x)) ** 2).sum(axis=1))]
        return Sample.point((x + 0.5) / columns, (y + 0.5) / rows)

    left, top, right, bottom = scene.places["face"]
    good = shot.marks["1 point"].add
    return {
        "hair": (on(Thing.HAIR),),
        "cheek and wall": (*good, on(Thing.WALL)),
        "wide box": (Sample.box(max(left - 0.1, 0), max(top - 0.1, 0), min(right + 0.1, 1), min(bottom + 0.05, 1)),),
    }


def test_most_bad_mattes_are_warned_of_and_few_good_ones():
    """Keys from good and from wrong samples; a matte is bad below an F1 of .6 and good from .8. No face is known.

    Measured here: 36 of 42 bad mattes, 4 of 63 good ones (seed 771: 32 of 32 and 3 of 75). On real pictures 5 % of the
    good ones are wanted. Silent are those from a point on hair alone.
    """
    judged = []
    for shot in shots.generated_shots(range(772, 773), 320, 180, ("cast", "cedar 40 %", "cedar 70 %")):
        scene = shot.painted
        marks = {name: shot.marks[name].add for name in ("1 point", "3 points", "box", "stroke")}
        for add in (marks | wrongly_marked(scene, shot)).values():
            try:
                learned = study_skin(shot.sampled, add)
            except SampleError:  # refused with the reason: no matte to judge
                continue
            matte = SoftenMatte().process(learned.key.process(shot.keyed), shot.keyed)
            judged.append((score_matte(matte, shot.truth, shot.ignore), bool(learned.warnings(matte, shot.keyed))))
    bad, good = ([w for s, w in judged if test(s.f1)] for test in (lambda f1: f1 < 0.6, lambda f1: f1 >= 0.8))
    assert min(len(bad), len(good)) > 40
    assert np.mean(bad) >= 0.85
    assert np.mean(good) <= 0.07


# --- more frames --------------------------------------------------------------------------------------------


def turning(depth, seed):
    """A face whose key light goes from the left to far right and dims: (picture, scene) of both frames."""
    lit = portrait(depth, seed, 480, 270)
    dim = portrait(depth, seed, 480, 270, light_direction=(0.75, -0.35, 0.45), exposure=0.55)
    return (camera(lit.light, seed), lit), (camera(dim.light, seed + 5000), dim)


@pytest.mark.parametrize("seed", [731, 732])
def test_a_face_that_turns_into_shadow_is_keyed_nearly_as_well_with_a_second_frame(seed):
    """A stroke on one frame against one on each; the mean over both frames and the six depths.

    Measured in F1: −.001 and −.005 on the mean, and over the seeds 733 to 735 −.009, −.004 and −.002: one frame's marks
    reach into shadow by themselves. Single people lose up to .04 where hair in the light has the colour of skin in
    shadow: subtracting the hair fixes that.
    """
    gains = []
    for depth in shots.SKIN_DEPTHS:
        frames = turning(depth, seed)
        (first, scene), (second, _) = frames
        stroke = (Sample.stroke(scene.places["stroke"], 0.01),)
        single = learn_skin_key(first, stroke)
        both = learn_skin_key(first, stroke, (), [(second, stroke, ())])
        alone, together = (
            [score_matte(key.process(p), s.matte, s.ignore).f1 for p, s in frames] for key in (single, both)
        )
        assert min(together) > 0.8
        gains.append(np.mean(together) - np.mean(alone))
    assert np.mean(gains) >= -0.007
    assert min(gains) > -0.045


def test_a_frame_given_twice_teaches_what_it_teaches_once():
    (picture, scene), _ = turning("tan", 731)
    stroke = (Sample.stroke(scene.places["stroke"], 0.01),)
    once = learn_skin_key(picture, stroke).process(picture)
    twice = learn_skin_key(picture, stroke, (), [(picture, stroke, ())]).process(picture)
    np.testing.assert_allclose(twice, once, atol=0.02)
