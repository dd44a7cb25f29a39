"""Readings over a clip: which frames are looked at, the table, the JSON and its schema, and views to read through."""

from __future__ import annotations

import csv
import io
import json

import numpy as np
import PyOpenColorIO as ocio
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.media.files import InputError
from inkarnat.host_adapters.shots.people import People, Person
from inkarnat.host_adapters.shots.readings import csv_text, schema
from inkarnat.host_adapters.shots.sampling import spread, spread_pairs, where_it_changes
from inkarnat.host_adapters.shots.viewing import ViewError, open_view
from inkarnat.nodes import SkinReading
from takes import SAWDUST, Reel, film, write

READING = SkinReading(121.25, 0.2, 3.5, (0.3, 0.5, 0.7), 0.1, (118.0, 125.5), 0.1, 0.02, 0.0)


def run(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


# --- which frames -------------------------------------------------------------------------------------------


def test_frames_are_spread_evenly_with_both_ends():
    assert spread(range(1, 101), 5) == [1, 26, 51, 75, 100]
    assert spread(range(1, 4), 25) == [1, 2, 3]
    assert spread(range(7, 8), 25) == [7]


def test_pairs_are_neighbours():
    assert spread_pairs(range(1, 6), 5) == [1, 2, 3, 4, 5]
    assert spread_pairs(range(1, 101), 6) == [1, 2, 50, 51, 99, 100]
    assert spread_pairs(range(1, 101), 1) == [1]


def level_clip(levels):
    return Reel("levels", [np.full((20, 40, 3), level, np.float32) for level in levels])


def test_a_cut_is_found_between_the_even_frames():
    """A step anywhere is closed in upon until both of its sides are among the frames."""
    for step in (13, 50, 77):
        clip = level_clip([0.2] * step + [0.7] * (100 - step))
        frames = where_it_changes(clip, 20)
        assert len(frames) <= 20
        assert {step, step + 1} <= set(frames)
        assert set(spread(clip.frames, 10)) <= set(frames)


def test_a_still_clip_is_looked_at_evenly_and_no_longer_than_allowed():
    ticks = iter(range(1000))
    clip = level_clip([0.2] * 30 + [0.7] * 70)
    assert where_it_changes(clip, 20, seconds=0) == spread(clip.frames, 10)
    assert len(where_it_changes(clip, 20, seconds=3, clock=lambda: next(ticks))) == 12
    assert where_it_changes(level_clip([0.5]), 20) == [1]
    assert where_it_changes(level_clip([0.5, 0.5, 0.9]), 20) == [1, 2, 3]


def test_frames_that_cannot_be_read_are_left_out():
    class Torn(Reel):
        def read(self, frame):
            if frame > 50:
                raise InputError("torn")
            return super().read(frame)

    whole = level_clip([0.2] * 40 + [0.7] * 60)
    frames = where_it_changes(Torn("torn", whole.pictures), 20)
    assert max(frames) <= 50
    assert {40, 41} <= set(frames)

    class Gone(Reel):
        def read(self, frame):
            raise InputError("gone")

    with pytest.raises(InputError, match="None of the frames"):
        where_it_changes(Gone("gone", whole.pictures), 20)


# --- tables and schema --------------------------------------------------------------------------------------


def test_the_table_reads_back():
    rows = list(csv.DictReader(io.StringIO(csv_text([(1, "", READING), (1001, "", READING)]))))
    assert [row["frame"] for row in rows] == ["1", "1001"]
    assert float(rows[0]["angle_degrees"]) == 121.25
    assert float(rows[0]["off_line_degrees"]) == -1.75
    assert [float(rows[0][name]) for name in ("luma_5", "luma_50", "luma_95")] == [0.3, 0.5, 0.7]
    assert rows[0]["words"] == READING.words()  # holds a comma, so it is quoted


TYPES = {"number": (int, float), "integer": int, "string": str, "array": list, "object": dict, "null": type(None)}


def conforms(data, rule, whole):
    """A small reader of JSON Schema: the words that the schema uses, and an error for any other."""
    if "$ref" in rule:
        return conforms(data, whole["$defs"][rule["$ref"].rpartition("/")[2]], whole)
    names = rule["type"] if isinstance(rule["type"], list) else [rule["type"]]
    known = {"type", "items", "minItems", "maxItems", "properties", "required", "additionalProperties", "description"}
    assert set(rule) <= known | {"$schema", "title", "$defs"}
    assert any(isinstance(data, TYPES[name]) and not isinstance(data, bool) for name in names), (data, names)
    if isinstance(data, list):
        assert rule.get("minItems", 0) <= len(data) <= rule.get("maxItems", len(data))
        for item in data:
            conforms(item, rule["items"], whole)
    if isinstance(data, dict):
        assert rule["additionalProperties"] is False
        assert set(rule["required"]) <= set(data) <= set(rule["properties"])
        for name, value in data.items():
            conforms(value, rule["properties"][name], whole)
    return None


@pytest.fixture(scope="module")
def footage(tmp_path_factory):
    folder = tmp_path_factory.mktemp("readings")
    shot = film("shot", 0, 0, green=0.3)
    return folder, write(shot, folder), ("--add", shot.face(), "--subtract", SAWDUST)


def test_what_is_measured_conforms_to_the_schema(footage, tmp_path):
    _, files, marks = footage
    People().adding(Person(121.0, 0.2, 0.5, 0.0, "Ada")).save(tmp_path / "p.json")
    told = json.loads(run("measure", "--schema").stdout)
    assert told == schema()
    table = tmp_path / "r.csv"
    plain = run("measure", files, *marks, "--json", "--csv", table)
    assert plain.exit_code == 0, plain.output
    data = json.loads(plain.stdout)
    conforms(data, told, told)
    assert [reading["frame"] for reading in data["readings"]] == [1, 2]
    rows = list(csv.DictReader(io.StringIO(table.read_text(encoding="utf-8"))))
    assert float(rows[1]["angle_degrees"]) == pytest.approx(data["readings"][1]["angle"], rel=1e-5)
    person = run("measure", files, *marks, "--json", "--person", "Ada", "--project", tmp_path / "p.json")
    data = json.loads(person.stdout)
    conforms(data, told, told)
    assert data["readings"][0]["distance"]["angle"] == pytest.approx(data["readings"][0]["angle"] - 121)
    with pytest.raises(AssertionError):
        conforms(data | {"extra": 1}, told, told)
    assert run("measure", files, *marks, "--csv", tmp_path / "no" / "r.csv").exit_code == 5


# --- views --------------------------------------------------------------------------------------------------

CLF = (
    '<?xml version="1.0"?><ProcessList id="turn" compCLFversion="3.0">'
    '<Matrix inBitDepth="32f" outBitDepth="32f"><Array dim="3 3">.9 .1 0 .05 .9 .05 0 .2 .8</Array></Matrix>'
    "</ProcessList>"
)
MATRIX = np.array([[0.9, 0.1, 0], [0.05, 0.9, 0.05], [0, 0.2, 0.8]])


@pytest.mark.parametrize("channels", [3, 4])
def test_a_clf_is_applied_and_alpha_stays(tmp_path, make_picture, channels):
    (tmp_path / "turn.clf").write_text(CLF)
    picture = make_picture(9, 11, channels)
    before = picture.copy()
    seen = open_view(str(tmp_path / "turn.clf"))(picture)
    np.testing.assert_allclose(seen[..., :3], picture[..., :3] @ MATRIX.T, atol=2e-6)
    np.testing.assert_array_equal(picture, before)
    if channels == 4:
        np.testing.assert_array_equal(seen[..., 3], picture[..., 3])


def test_a_display_and_view_of_a_configuration(make_picture):
    """Against OpenColorIO itself: the raw configuration's view changes nothing."""
    picture = np.abs(make_picture())
    display = ocio.GetCurrentConfig().getDefaultDisplay()
    view = ocio.GetCurrentConfig().getDefaultView(display)
    np.testing.assert_array_equal(open_view(f"ocio:raw/{display}/{view}")(picture), picture)
    with pytest.raises(ViewError, match="cannot be used"):
        open_view("ocio:nowhere/sRGB/Raw")
    assert open_view(None)(picture) is picture


def test_views_that_cannot_be_read(tmp_path):
    (tmp_path / "bad.clf").write_text("<ProcessList>")
    with pytest.raises(InputError, match=r"bad\.clf cannot be read"):
        open_view(str(tmp_path / "bad.clf"))
    with pytest.raises(InputError, match="does not exist"):
        open_view(str(tmp_path / "none.clf"))
    with pytest.raises(ViewError, match="three names"):
        open_view("ocio:only/two")


def test_measuring_looks_through_the_view(footage, tmp_path):
    """A view that swaps green and blue mirrors the hue; the key does not look through it."""
    (tmp_path / "turn.clf").write_text(CLF.replace(".9 .1 0 .05 .9 .05 0 .2 .8", "1 0 0 0 0 1 0 1 0"))
    _, files, marks = footage
    plain, seen = (
        json.loads(run("measure", files, *marks, "--json", *more).stdout)
        for more in ((), ("--view", tmp_path / "turn.clf"))
    )
    assert seen["view"] == str(tmp_path / "turn.clf")
    assert plain["readings"][0]["angle"] > 115
    assert seen["readings"][0]["angle"] < 100
    assert seen["readings"][0]["area"] == plain["readings"][0]["area"]
