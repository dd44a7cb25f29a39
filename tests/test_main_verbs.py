"""The main job through the command line: on a real picture, on a generated clip and on bad input."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from fractions import Fraction

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.detect.faces import available
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.media.clips import open_clip, open_writer
from PIL import Image
from skimage import data

FACES = ("face1", "join") if available() else ()
CHEEKS = "box:0.40,0.16,0.48,0.27"
STROKE = "stroke:0.46,0.33;0.50,0.42;0.45,0.45/0.015"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A portrait that scikit-image ships (public domain), and a clip from the workshop."""
    place = tmp_path_factory.mktemp("footage")
    Image.fromarray(data.astronaut()).save(place / "portrait.png")
    cast = workshop.skin_cast(0.45, 0.12)
    with open_writer(place / "planing.mp4", rate=Fraction(24)) as writer:
        for number, (picture, _) in enumerate(workshop.clip(4, "light", 3, cast=cast, width=320, height=180), start=1):
            writer.write(number, picture)
    return place


def run(*arguments, cwd="."):
    """Run the command line and return (exit code, output, errors)."""
    with contextlib.chdir(cwd):
        done = CliRunner().invoke(cli, [str(word) for word in arguments])
    assert "Traceback" not in done.stderr
    return done.exit_code, done.stdout, done.stderr


def run_apart(*arguments):
    """The same in a process of its own, which knows nothing of an earlier run."""
    command = [sys.executable, "-m", "inkarnat.host_adapters.commands.cli", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
    return done.returncode, done.stdout, done.stderr


def test_a_real_picture_is_corrected_and_its_graph_renders_to_the_same_bits(folder, tmp_path):
    code, output, errors = run_apart(
        "correct", folder / "portrait.png", "-o", tmp_path / "skin.png", "--add", CHEEKS,
        "--graph-out", tmp_path / "g.json", "--matte-out", tmp_path / "matte.png", "--json",
    )  # fmt: skip
    assert code == 0, errors
    figures = json.loads(output)
    assert 128 < figures["before"]["angle"] < 137
    assert figures["after"]["angle"] == pytest.approx(123, abs=0.3)
    assert figures["warnings"] == []
    code, _, errors = run_apart(
        "render",
        tmp_path / "g.json",
        "--in",
        f"plate={folder / 'portrait.png'}",
        "--out",
        f"result={tmp_path / 'r.png'}",
    )
    assert code == 0, errors
    assert (tmp_path / "r.png").read_bytes() == (tmp_path / "skin.png").read_bytes()
    before, after = np.asarray(Image.open(folder / "portrait.png")), np.asarray(Image.open(tmp_path / "skin.png"))
    outside = np.asarray(Image.open(tmp_path / "matte.png")) == 0
    assert outside.mean() > 0.8
    assert (before[outside] == after[outside]).mean() > 0.999  # the matte is written at 8 bits: below 1/510 reads 0


def test_a_clip_is_corrected_with_the_light_from_a_grey_card(folder, tmp_path):
    code, output, errors = run(
        "correct", folder / "planing.mp4", "-o", tmp_path / "skin.mov", "--add", STROKE, "--neutral",
        "box:0.77,0.10,0.80,0.19", "--bias", "-1.5", "--graph-out", tmp_path / "g.json", "--json",
    )  # fmt: skip
    assert code == 0, errors
    figures = json.loads(output)
    assert figures["render"]["done"] == 4
    assert figures["after"]["angle"] == pytest.approx(121.5, abs=0.1)
    assert abs(figures["balance"]["temperature"]) < 5
    steps = [step.id for step in Graph.load(tmp_path / "g.json").steps]
    assert steps == ["balance", "skin", *FACES, "soften", "steer"]
    code, output, errors = run("measure", tmp_path / "skin.mov", "--add", STROKE, "--frames", "1-4", "--json")
    assert code == 0, errors
    readings = json.loads(output)["readings"]
    assert [reading["frame"] for reading in readings] == [1, 2, 3, 4]
    assert all(reading["angle"] == pytest.approx(121.5, abs=1.5) for reading in readings)
    assert len(open_clip(tmp_path / "skin.mov").frames) == 4


def test_measure_takes_the_matte_of_a_kept_graph(folder, tmp_path):
    run("correct", folder / "portrait.png", "--add", CHEEKS, "--graph-out", tmp_path / "g.json")
    code, output, errors = run("measure", folder / "portrait.png", "--graph", tmp_path / "g.json", "--json")
    assert code == 0, errors
    told = json.loads(output)
    reading = told["readings"][0]
    assert {"frame", "as_shot", "light_only", "final"} == reading.keys()
    assert {"angle", "ratio", "spread", "luma", "area"} <= reading["as_shot"].keys()
    assert 128 < reading["as_shot"]["angle"] < 137
    assert reading["light_only"] == reading["as_shot"]
    assert reading["final"]["angle"] == pytest.approx(123, abs=0.1)
    assert told["verdict"]["status"] == "holds"


def test_a_finished_clip_is_read_as_it_is(folder, tmp_path):
    """The re-check that the README names: what is written reads as it was corrected, and not corrected once more."""
    run(
        "correct", folder / "planing.mp4", "-o", tmp_path / "skin.mov", "--add", STROKE, "--graph-out",
        tmp_path / "g.json",
    )  # fmt: skip
    words = ("measure", tmp_path / "skin.mov", "--graph", tmp_path / "g.json", "--json", "--csv", tmp_path / "r.csv")
    code, output, errors = run(*words, "--corrected")
    assert code == 0, errors
    told = json.loads(output)
    assert all(reading.keys() == {"frame", "final"} for reading in told["readings"])
    assert all(reading["final"]["angle"] == pytest.approx(123, abs=1) for reading in told["readings"])
    assert told["verdict"]["status"] == "holds"
    assert (tmp_path / "r.csv").read_text().splitlines()[1].startswith("1,final,")
    code, output, errors = run("measure", tmp_path / "skin.mov", "--corrected")
    assert (code, "--graph" in errors) == (2, True)


def test_the_target_of_another_reading_brings_hue_and_saturation(folder, tmp_path):
    _, output, _ = run(
        "correct", folder / "portrait.png", "-o", tmp_path / "skin.png", "--add", CHEEKS, "--target-angle", "118",
        "--target-ratio", "0.2", "--json",
    )  # fmt: skip
    after = json.loads(output)["after"]
    assert after["angle"] == pytest.approx(118, abs=0.1)
    assert after["ratio"] == pytest.approx(0.2, rel=0.01)


def test_tone_and_saturation_come_first_and_the_target_is_reached(folder, tmp_path):
    code, output, errors = run(
        "correct", folder / "portrait.png", "-o", tmp_path / "skin.png", "--add", CHEEKS, "--black", "-2",
        "--saturation", "0.8", "--target-ratio", "0.2", "--graph-out", tmp_path / "g.json", "--json",
    )  # fmt: skip
    assert code == 0, errors
    graph = Graph.load(tmp_path / "g.json")
    assert [step.id for step in graph.steps] == ["tone", "saturation", "skin", *FACES, "soften", "steer"]
    assert dict(graph.outputs)["result"] == "steer"
    assert json.loads(output)["after"]["angle"] == pytest.approx(123, abs=0.1)
    assert json.loads(output)["after"]["ratio"] == pytest.approx(0.2, rel=0.01)


WRONG = [
    (("nowhere.png", "-o", "o.png", "--add", CHEEKS), 3, "nowhere.png does not exist"),
    (("portrait.png", "--add", CHEEKS), 2, "nothing to write"),
    (("portrait.png", "-o", "o.png", "--add", "box:0.4,0.1,0.5,1.4"), 2, "outside the frame"),
    (("portrait.png", "-o", "o.png", "--add", "circle:1,2"), 2, "cannot be read"),
    (("portrait.png", "-o", "o.png", "--add", CHEEKS + "@7"), 2, "Frame 7"),
    (("portrait.png", "-o", "o.png", "--add", CHEEKS + "@x"), 2, "frame number"),
    (("portrait.png", "-o", "missing/o.png", "--add", CHEEKS), 5, "folder does not exist"),
    (("portrait.png", "-o", "portrait.png", "--add", CHEEKS), 5, "is an input as well"),
    (("portrait.png", "-o", "o.png", "--matte-out", "o.png", "--add", CHEEKS), 2, "same name"),
    (("portrait.png", "-o", "o.png", "--add", CHEEKS, "--target-ratio", "-1"), 2, "above 0"),
    (("portrait.png", "-o", "o.png", "--add", CHEEKS, "--white", "900"), 2, "--white takes a number -300 to 100 %"),
    (("portrait.png", "-o", "o.png", "--add", CHEEKS, "--neutral", "box:0.2,0.5,0.25,0.6"), 2, "coloured"),
    (("empty.png", "-o", "o.png", "--add", CHEEKS), 3, "empty"),
    (("text.png", "-o", "o.png", "--add", CHEEKS), 3, "text.png"),
    (("grey.png", "-o", "o.png", "--add", CHEEKS), 3, "grey.png"),
]


@pytest.mark.parametrize(("arguments", "exit_code", "words"), WRONG, ids=[" ".join(case[0]) for case in WRONG])
def test_wrong_use_is_one_line_the_documented_code_and_nothing_written(folder, tmp_path, arguments, exit_code, words):
    (tmp_path / "portrait.png").write_bytes((folder / "portrait.png").read_bytes())
    (tmp_path / "empty.png").touch()
    (tmp_path / "text.png").write_text("not a picture")
    Image.new("L", (64, 64), 128).save(tmp_path / "grey.png")
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    code, _, errors = run("correct", *arguments, cwd=tmp_path)
    assert code == exit_code, errors
    assert words in errors
    assert len([line for line in errors.splitlines() if line.startswith("inkarnat: error:")]) == 1
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_mark_far_from_skin_is_keyed_and_warned_of(folder, tmp_path):
    """What a person marks is never refused: here it is the wall."""
    out = tmp_path / "o.png"
    arguments = ("--add", "box:0.02,0.02,0.08,0.2", "-o", out, "--json")
    code, output, errors = run("correct", folder / "portrait.png", *arguments)
    assert code == 0, errors
    assert "far from skin" in {warning["sign"] for warning in json.loads(output)["warnings"]}
    assert out.is_file()


def test_a_plate_of_nan_is_named(tmp_path):
    import OpenImageIO as oiio

    spec = oiio.ImageSpec(64, 48, 3, "float")
    picture = oiio.ImageOutput.create("nan.exr")
    picture.open(str(tmp_path / "nan.exr"), spec)
    picture.write_image(np.full((48, 64, 3), np.nan, np.float32))
    picture.close()
    code, _, errors = run("correct", tmp_path / "nan.exr", "-o", tmp_path / "o.exr", "--add", CHEEKS)
    assert code == 2
    assert "NaN" in errors
    assert not (tmp_path / "o.exr").exists()


def test_without_a_sample_and_without_a_face_nothing_is_corrected(tmp_path):
    """Wood alone: an error that names the ways out, nothing written; with --natural-range keyed and not judged."""
    wood = np.full((180, 320, 3), (150, 110, 85), np.uint8)
    wood[::7] = (120, 85, 62)
    Image.fromarray(wood).save(tmp_path / "wood.png")
    code, _, errors = run("correct", tmp_path / "wood.png", "-o", tmp_path / "skin.png", "--json")
    assert code == 2
    for way in ("--add", "--frame", "--natural-range"):
        assert way in errors
    assert ("opencv-python-headless" in errors) != available()
    assert not (tmp_path / "skin.png").exists()
    code, output, errors = run(
        "correct", tmp_path / "wood.png", "-o", tmp_path / "skin.png", "--natural-range", "--json"
    )
    assert code == 0, errors
    told = json.loads(output)
    assert "no sample" in {warning["sign"] for warning in told["warnings"]}
    assert told["verdict"]["status"] == "not judged"
    assert (tmp_path / "skin.png").exists()


def test_a_sample_on_next_to_nothing_warns_with_a_figure(tmp_path):
    picture = np.full((360, 640, 3), (120, 130, 140), np.uint8)
    picture[100:112, 100:112] = (190, 140, 120)
    Image.fromarray(picture).save(tmp_path / "speck.png")
    code, output, errors = run(
        "correct", tmp_path / "speck.png", "-o", tmp_path / "o.png", "--add", "point:0.1656,0.2944", "--json"
    )
    if code == 0:
        signs = {warning["sign"]: warning["figure"] for warning in json.loads(output)["warnings"]}
        assert "too little" in signs
        assert signs["too little"] < 0.004
    else:
        assert code == 2
        assert "Too little skin" in errors
