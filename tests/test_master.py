"""Finished files: those that the record knows are read as they are, and the shots of a master are judged one by one."""

from __future__ import annotations

import json
import os
from fractions import Fraction

import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.media.clips import open_writer
from takes import film


def run(*words):
    done = CliRunner().invoke(cli, [str(word) for word in words])
    return done.exit_code, done.stdout, done.output


def told(*words, code=0):
    found, stdout, output = run(*words, "--json")
    assert found == code, output
    return json.loads(stdout)


def movie(path, pictures, rate=24):
    with open_writer(path, rate=Fraction(rate)) as writer:
        for frame, picture in enumerate(pictures, start=1):
            writer.write(frame, picture)
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two takes of a person and one without a graph; the first two are corrected, with their graphs in takes/."""
    place = tmp_path_factory.mktemp("master")
    (place / "takes").mkdir()
    for name, light in (("take1", (-14, 0.003)), ("take2", (-8, 0.002)), ("take3", (45, 0.008))):
        shot = film(name, *light, frames=6, width=256)
        movie(place / f"{name}.mov", shot.clip.pictures)
        if name != "take3":
            words = ("correct", place / f"{name}.mov", "--add", shot.face(), "--neutral", shot.card())
            graph = place / "takes" / f"{name}.json"
            code, _, output = run(*words, "-o", place / f"{name}-skin.mov", "--graph-out", graph)
            assert code == 0, output
    return place


# --- what the record knows ----------------------------------------------------------------------------------


def test_a_file_that_the_graph_made_is_read_as_it_is(folder):
    """The same as with --corrected, and not what correcting it once more gives."""
    words = ("measure", folder / "take1-skin.mov", "--graph", folder / "takes" / "take1.json")
    found, wanted = told(*words), told(*words, "--corrected")
    assert found["readings"] == wanted["readings"]
    assert found["verdict"] == wanted["verdict"]
    assert "as_shot" not in found["readings"][0]
    (note,) = found["notes"]
    assert "was made by" in note
    assert "read as it is" in note
    plate = told("measure", folder / "take1.mov", "--graph", folder / "takes" / "take1.json")
    assert "as_shot" in plate["readings"][0]
    assert "notes" not in plate
    assert found["verdict"]["drift"]["angle"] == pytest.approx(plate["verdict"]["drift"]["angle"], abs=0.5)


def test_what_another_graph_made_is_a_plate(folder):
    found = told("measure", folder / "take1-skin.mov", "--graph", folder / "takes" / "take2.json")
    assert "as_shot" in found["readings"][0]
    assert "notes" not in found


def test_a_file_changed_since_is_not_recognised_and_says_so(folder, tmp_path):
    graph = tmp_path / "g.json"
    graph.write_bytes((folder / "takes" / "take1.json").read_bytes())
    assert (
        run("render", graph, "--in", f"plate={folder / 'take1.mov'}", "--out", f"result={tmp_path / 'a.mov'}")[0] == 0
    )
    assert "as_shot" not in told("measure", tmp_path / "a.mov", "--graph", graph)["readings"][0]
    os.replace(
        movie(tmp_path / "b.mov", film("take2", -8, 0.002, frames=6, width=256).clip.pictures), tmp_path / "a.mov"
    )
    found = told("measure", tmp_path / "a.mov", "--graph", graph)
    assert "as_shot" in found["readings"][0]
    assert "changed since" in found["notes"][0]
    assert "--corrected" in found["notes"][0]


def test_pictures_and_the_journal_of_a_farm_are_known_too(folder, tmp_path):
    graph = folder / "takes" / "take1.json"
    words = ("render", graph, "--in", f"plate={folder / 'take1.mov'}", "--resume", "--out")
    code, _, output = run(*words, f"result={tmp_path / 'a.%03d.png'}")
    assert code == 0, output
    (tmp_path / ".inkarnat-made.jsonl").unlink(missing_ok=True)
    found = told("measure", tmp_path / "a.%03d.png", "--graph", graph)
    assert "as_shot" not in found["readings"][0]
    assert "read as it is" in found["notes"][0]
    (tmp_path / "a.004.png").write_bytes((tmp_path / "a.003.png").read_bytes())
    assert "changed since" in told("measure", tmp_path / "a.%03d.png", "--graph", graph)["notes"][0]
