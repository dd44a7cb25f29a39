"""Steering in hard cases: light of two colours on one face, much that is not skin in the matte, a red nose."""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest
import references
from click.testing import CliRunner
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.kernels.colour import apply_matrix
from inkarnat.nodes import ReadingError, SkinTarget, measure_skin, solve_steer

DEPTHS = list(workshop.SKIN_DEPTHS)


@cache
def two_lights(depth, seed=3):
    """A face under a cool window (−35 mired) with a warm lamp (+60 mired) in its shadow: light adds up.

    Returns the picture, the true matte and the share of the window's light in each pixel.
    """
    size = (480, 270)
    window = workshop.portrait(depth, seed, *size, key=1.0, fill=0.0)
    lamp = workshop.portrait(depth, seed, *size, key=0.0, fill=0.07, light_direction=(0.62, -0.3, 0.6))
    cool = apply_matrix(window.light, workshop.light_change(-35, 0))
    warm = apply_matrix(lamp.light, workshop.light_change(60, 0))
    levels = references.luma(window.light), references.luma(lamp.light)
    share = levels[0] / np.maximum(levels[0] + levels[1], 1e-9)
    return workshop.camera(cool + warm, seed, noise=0.004), window.matte, share


def halves(depth):
    _, matte, share = two_lights(depth)
    return [np.where(side, matte, 0).astype(np.float32) for side in (share >= 0.5, share < 0.5)]


@pytest.mark.parametrize("depth", DEPTHS)
def test_both_halves_of_a_face_in_mixed_light_land_within_two_degrees(depth):
    picture, matte, _ = two_lights(depth)
    one = solve_steer(picture, matte).process(picture, matte)
    node = solve_steer(picture, matte, split=True)
    both = node.process(picture, matte)
    lit, shadow = halves(depth)
    assert abs(measure_skin(one, shadow).angle - 123) > 4, "one turn leaves the shadow side far off"
    assert abs(measure_skin(both, lit).angle - 123) < 2
    assert abs(measure_skin(both, shadow).angle - 123) < 2
    assert measure_skin(both, matte).spread < measure_skin(one, matte).spread
    assert np.abs(references.luma(both) - references.luma(picture)).max() < 1e-5
    np.testing.assert_array_equal(both[matte == 0], picture[matte == 0])


def test_each_side_lands_on_any_target():
    picture, matte, _ = two_lights("tan")
    node = solve_steer(picture, matte, SkinTarget(118, bias=1, ratio=0.25), split=True)
    result = node.process(picture, matte)
    for side in halves("tan"):
        assert measure_skin(result, side).angle == pytest.approx(119, abs=2)
    assert measure_skin(result, matte).ratio == pytest.approx(0.25, rel=0.01)


def test_in_even_light_the_split_changes_little():
    scene = workshop.portrait("light", 3, 480, 270)
    picture = workshop.camera(scene.light, 3)
    one, split = (solve_steer(picture, scene.matte, split=split) for split in (False, True))
    assert abs(split.angle - one.angle) < 1
    assert abs(split.shadow_angle) < 2.5


def test_only_a_turn_can_be_split():
    picture, matte, _ = two_lights("tan")
    with pytest.raises(ReadingError, match="only be steered apart by turning, not by 'shift'"):
        solve_steer(picture, matte, method="shift", split=True)


# --- much that is not skin ----------------------------------------------------------------------------------

STRAYS = {"blue": (0.25, 0.35, 0.6), "green": (0.3, 0.5, 0.3), "yellow": (0.8, 0.75, 0.3), "red": (0.7, 0.2, 0.2)}


@cache
def contaminated(name, share, depth="light"):
    """A portrait whose matte also takes in coloured things: ``share`` of all that is keyed."""
    scene = workshop.portrait(depth, 3, 480, 270)
    picture, matte = workshop.camera(scene.light, 3), scene.matte.copy()
    free = np.argwhere(scene.matte == 0)
    random = np.random.default_rng(0)
    rows, columns = free[random.permutation(len(free))[: int(matte.sum() * share / (1 - share))]].T
    clean = measure_skin(picture, matte).angle
    picture[rows, columns] = np.float32(STRAYS[name]) + random.normal(0, 0.02, (len(rows), 3))
    matte[rows, columns] = 1
    return picture, matte, clean


@pytest.mark.parametrize(("depth", "share"), [("light", 0.1), ("light", 0.45), ("brown", 0.3), ("brown", 0.4)])
@pytest.mark.parametrize("name", STRAYS)
def test_strays_hardly_move_the_reading_and_are_told(depth, name, share):
    picture, matte, clean = contaminated(name, share, depth)
    reading = measure_skin(picture, matte)
    assert reading.angle == pytest.approx(clean, abs=1 if share < 0.2 else 0.3)
    if share > 0.2:
        assert reading.stray > 0.2
        (warned,) = reading.warnings()
        assert warned.sign == "stray"
        assert warned.figure == reading.stray
        assert f"{reading.stray:.0%} of the keyed colour" in warned.message


def test_clean_skin_is_not_warned_of():
    scene = workshop.portrait("light", 3, 480, 270)
    assert measure_skin(workshop.camera(scene.light, 3), scene.matte).warnings() == ()


def run(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


def test_correct_and_measure_tell_of_strays(tmp_path):
    picture, _, _ = contaminated("blue", 0.1)
    picture = picture.copy()
    picture[:, 400:] = STRAYS["blue"]
    write_picture(tmp_path / "p.png", picture, None, bits=8)
    graph = {
        "inkarnat": 1,
        "nodes": [{"id": "all", "node": "region", "version": 1, "inputs": {"image": "plate"},
                   "params": {"shape": "box", "centre": [0.7, 0.5], "width": 1.2, "height": 0.4}}],
        "outputs": {"matte": "all"},
    }  # fmt: skip
    (tmp_path / "g.json").write_text(json.dumps(graph))
    told = run("measure", tmp_path / "p.png", "--graph", tmp_path / "g.json", "--json")
    assert told.exit_code == 0, told.output
    (warned,) = [w for w in json.loads(told.stdout)["warnings"] if w["sign"] == "stray"]
    assert warned["figure"] > 0.2
    assert "Frame 1" in warned["message"]
    told = run("measure", tmp_path / "p.png", "--graph", tmp_path / "g.json")
    assert "of the keyed colour lies more than 20°" in told.stderr


# --- a red nose ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("depth", ["light", "tan", "brown"])
def test_a_red_nose_is_calmed_and_the_rest_stays(depth):
    """Blotches of blood: the redder hues come toward the centre, the others keep within half a degree."""
    scene = workshop.portrait(depth, 3, 480, 270, blotch=1.5)
    picture = workshop.camera(scene.light, 3, noise=0.002, subsampled=False)
    plain = solve_steer(picture, scene.matte).process(picture, scene.matte)
    calmed = solve_steer(picture, scene.matte, even_out=0.5, even_side="redder").process(picture, scene.matte)
    inside = scene.matte > 0.95
    before, after = references.angle(plain)[inside] - 123, references.angle(calmed)[inside] - 123
    red, rest = (before < -3) & (before > -25), before >= 0
    assert red.sum() > 500
    assert abs(after[red].mean()) < 0.6 * abs(before[red].mean())
    assert (np.abs(after[red]) <= np.abs(before[red]) + 1e-3).all()
    assert np.abs(after - before)[rest].max() < 0.5
    yellow = solve_steer(picture, scene.matte, even_out=0.5, even_side="yellower").process(picture, scene.matte)
    moved = references.angle(yellow)[inside] - 123 - before
    assert np.abs(moved[before < 0]).max() < 0.5
    assert moved[(before > 3) & (before < 25)].mean() < -1


def test_evened_out_on_both_sides_the_centre_rests_on_the_target():
    scene = workshop.portrait("light", 3, 480, 270, blotch=1.5)
    picture = workshop.camera(scene.light, 3)
    even = solve_steer(picture, scene.matte, even_out=0.4).process(picture, scene.matte)
    plain = solve_steer(picture, scene.matte).process(picture, scene.matte)
    assert measure_skin(even, scene.matte).angle == pytest.approx(123, abs=0.1)
    assert measure_skin(even, scene.matte).spread < 0.8 * measure_skin(plain, scene.matte).spread


# --- approved readings --------------------------------------------------------------------------------------


@pytest.fixture
def portrait(tmp_path):
    """An approved frame, and another take of the same person with a cast, as files; a stroke on the face."""
    scene = workshop.portrait("tan", 3, 480, 270)
    write_picture(tmp_path / "good.png", workshop.camera(scene.light, 3), None, bits=8)
    cast = workshop.camera(scene.light, 4, cast=workshop.skin_cast(0.4, 0.1))
    write_picture(tmp_path / "take.png", cast, None, bits=8)
    return tmp_path, "stroke:" + ";".join(f"{x},{y}" for x, y in scene.places["stroke"]) + "/.015"


def test_a_take_is_matched_to_an_approved_reading(portrait):
    folder, stroke = portrait
    project = ("--project", folder / "people.json")
    kept = run("person", "add", "Asta", "--from", folder / "good.png", "--add", stroke, *project, "--json")
    assert kept.exit_code == 0, kept.output
    approved = json.loads(kept.stdout)["reading"]
    common = ["correct", folder / "take.png", "-o", folder / "o.png", "--add", stroke, "--person", "Asta", *project]
    done = run(*common, "--json")
    assert done.exit_code == 0, done.output
    after = json.loads(done.stdout)["after"]
    assert after["angle"] == pytest.approx(approved["angle"], abs=0.1)
    assert after["ratio"] == pytest.approx(approved["ratio"], rel=0.01)
    both = run(*common, "--target-angle", 120)
    assert both.exit_code == 2
    assert "the person brings its own" in both.stderr


def test_options_reach_the_steering(portrait):
    folder, stroke = portrait
    done = run(
        "correct", folder / "take.png", "--add", stroke, "--split-light", "--even-out", 0.3, "--even-side", "redder",
        "--graph-out", folder / "g.json", "--json",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    steer = next(n for n in json.loads((folder / "g.json").read_text())["nodes"] if n["node"] == "steer_skin")["params"]
    assert steer["even_out"] == 0.3
    assert steer["even_side"] == "redder"
    assert steer["shadow_angle"] == json.loads(done.stdout)["steer"]["shadow_angle"]
    words = run("correct", folder / "take.png", "--add", stroke, "--even-out", 0.9, "--graph-out", folder / "h.json")
    assert words.exit_code == 2
    assert "steer_skin.even_out must be a number 0 to 0.5" in words.stderr


# --- what the picture suggests ------------------------------------------------------------------------------


def test_measure_suggests_and_applies_nothing(portrait):
    folder, stroke = portrait
    plain = run("measure", folder / "take.png", "--add", stroke, "--json")
    told = run("measure", folder / "take.png", "--add", stroke, "--suggest", "--json")
    assert told.exit_code == 0, told.output
    data = json.loads(told.stdout)
    assert data.pop("suggestions").keys() == {"balance", "tone"}
    assert data == json.loads(plain.stdout)
    words = run("measure", folder / "take.png", "--add", stroke, "--suggest").stdout
    assert "suggested balance, from the edges" in words
    assert "suggested tone: --black" in words
