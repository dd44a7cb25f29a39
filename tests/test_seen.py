"""Correcting through a view: what is seen rests on the target, what is written knows nothing of the view."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.commands import correct
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.media.clips import open_clip, open_writer

ocio = pytest.importorskip("PyOpenColorIO", reason="the extra [view] is not installed")

ROWS = ((0.9, 0.0, 0.1), (0.1, 0.9, 0.0), (0.0, 0.0, 1.0))
"""A look that turns hues by a few degrees: a matrix, so that what is seen can be worked out without OpenColorIO."""


@pytest.fixture(scope="module")
def take(tmp_path_factory):
    folder = tmp_path_factory.mktemp("take")
    rows = " ".join(str(number) for row in ROWS for number in row)
    (folder / "film.clf").write_text(
        '<?xml version="1.0"?><ProcessList id="film" compCLFversion="3.0">'
        f'<Matrix inBitDepth="32f" outBitDepth="32f"><Array dim="3 3">{rows}</Array></Matrix></ProcessList>'
    )
    cast = workshop.skin_cast(0.45, 0.12)
    picture, scene = next(iter(workshop.clip(1, "light", 5, cast=cast, width=320, height=180)))
    with open_writer(folder / "planing.exr") as writer:
        writer.write(1, picture)
    points = ";".join(f"{x:.4f},{y:.4f}" for x, y in scene.places["stroke"])
    return folder, f"stroke:{points}/0.015"


def corrected(take, out, *more):
    folder, stroke = take
    words = ["correct", str(folder / "planing.exr"), "-o", str(out / "skin.exr"), "--add", stroke]
    result = CliRunner().invoke(
        cli,
        [*words, "--graph-out", str(out / "g.json"), "--json", *map(str, more)],
    )
    assert result.exit_code == 0, result.output
    with open_clip(out / "skin.exr") as picture:
        return json.loads(result.stdout), picture.read(picture.frames[0])


@pytest.mark.parametrize(
    "more",
    [(), ("--bias", "-2"), ("--target-ratio", "0.2"), ("--split-light",), ("--black", "-5", "--saturation", "1.2")],
)
def test_what_is_seen_rests_on_the_target(take, tmp_path, more):
    data, _ = corrected(take, tmp_path, "--view", take[0] / "film.clf", *more)
    goal = 121.0 if "--bias" in more else 123.0
    assert data["after"]["angle"] == pytest.approx(goal, abs=0.1)
    assert data["view"] == str(take[0] / "film.clf")
    if "--target-ratio" in more:
        assert data["after"]["ratio"] == pytest.approx(0.2, rel=0.01)
    plain = json.loads(
        CliRunner().invoke(cli, ["measure", str(tmp_path / "skin.exr"), "--add", take[1], "--json"]).stdout
    )
    assert abs(plain["readings"][0]["angle"] - goal) > 1.5  # written without the view, which would land there


def test_a_saturation_out_of_reach_is_told(take, tmp_path):
    data, _ = corrected(take, tmp_path, "--view", take[0] / "film.clf", "--target-ratio", "0.5")
    assert data["steer"]["saturation"] == 4
    assert sum("saturation was missed by" in note and "limit" in note for note in data["notes"]) == 1


def test_the_pixels_are_those_of_the_kept_graph_which_knows_no_view(take, tmp_path, same_bits):
    _, written = corrected(take, tmp_path, "--view", take[0] / "film.clf")
    again = tmp_path / "again.exr"
    words = ["render", str(tmp_path / "g.json"), "--in", f"plate={take[0] / 'planing.exr'}", "--out", f"result={again}"]
    assert CliRunner().invoke(cli, words).exit_code == 0
    with open_clip(again) as clip:
        same_bits(clip.read(clip.frames[0]), written)
    assert "film" not in (tmp_path / "g.json").read_text(encoding="utf-8")


def test_a_view_that_changes_nothing_gives_the_steering_without_one(take, tmp_path):
    (tmp_path / "plain.clf").write_text((take[0] / "film.clf").read_text().replace(
        " ".join(str(number) for row in ROWS for number in row), "1 0 0 0 1 0 0 0 1"))  # fmt: skip
    with_view, without = (
        corrected(take, tmp_path, *more)[0]["steer"] for more in (("--view", tmp_path / "plain.clf"), ())
    )
    assert with_view["angle"] == pytest.approx(without["angle"], abs=0.03)
    assert with_view["saturation"] == pytest.approx(without["saturation"], rel=0.002)


def test_a_view_that_cannot_be_read_is_named_before_anything_is_written(take, tmp_path):
    words = ["correct", str(take[0] / "planing.exr"), "-o", str(tmp_path / "skin.exr"), "--view", "missing.clf"]
    result = CliRunner().invoke(cli, words)
    assert result.exit_code == 3
    assert "missing.clf" in result.stderr
    assert not (tmp_path / "skin.exr").exists()


def test_two_people_each_rest_on_their_target_as_they_are_seen(tmp_path, take):
    shot, left, right = two_people(tmp_path)
    people = ["--subject", "left", "--add", left, "--subject", "right", "--add", right, "--bias", "2"]
    more = ["--graph-out", str(tmp_path / "g.json"), "--view", str(take[0] / "film.clf"), "--json"]
    result = CliRunner().invoke(cli, ["correct", str(shot), *people, *more])
    assert result.exit_code == 0, result.output
    people = json.loads(result.stdout)["subjects"]
    assert people["left"]["after"]["angle"] == pytest.approx(123, abs=0.15)
    assert people["right"]["after"]["angle"] == pytest.approx(125, abs=0.15)


def two_people(folder):
    """Two flat faces of different hue before a grey wall, and where they are."""
    picture = np.full((90, 160, 3), 0.4, np.float32)
    picture[20:70, 20:60] = (0.66, 0.50, 0.40)
    picture[20:70, 100:140] = (0.50, 0.33, 0.29)
    noise = np.random.default_rng(3).normal(0, 0.004, picture.shape)
    with open_writer(folder / "two.exr") as writer:
        writer.write(1, (picture + noise).astype(np.float32))
    return folder / "two.exr", "box:.15,.3,.35,.7", "box:.65,.3,.85,.7"


@pytest.mark.parametrize(
    ("output", "message"),
    [("nowhere/skin.exr", "nowhere"), ("skin.xyz", "an output needs one of"), ("planing.exr", "is an input as well")],
)
def test_an_output_that_cannot_be_is_refused_before_the_work(take, monkeypatch, output, message):
    """Said at once: solving a long clip first would cost minutes."""
    monkeypatch.setattr(correct, "solve", lambda *_: pytest.fail("solving has begun"))
    monkeypatch.chdir(take[0])
    result = CliRunner().invoke(cli, ["correct", "planing.exr", "-o", output, "--add", take[1]])
    assert result.exit_code == 5
    assert message in result.stderr
