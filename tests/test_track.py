"""Tracking: a region follows known moves, says how sure it is, stops where it is lost, and ends up in the graph."""

from __future__ import annotations

import json
import math
import sys
from fractions import Fraction
from functools import cache

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.errors import GraphError
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.graphs.keyframes import Keyframes, thinned
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.media.clips import open_clip, open_writer
from inkarnat.host_adapters.shots.regions import parse_region, read_region
from inkarnat.host_adapters.shots.track import TrackError, follow_region
from inkarnat.nodes import Region
from inkarnat.nodes.declare import ParamError
from skimage import data

SIZE = (400, 512)
CENTRE = (0.44, 0.32)
ELLIPSE = Region(centre=CENTRE, width=0.35, height=0.5)


@cache
def still():
    """A portrait that scikit-image ships (public domain)."""
    return (data.astronaut()[: SIZE[0]] / 255).astype(np.float32)


def move(frame):
    """The 2×3 matrix of a known move from frame 0: a drift, a clockwise turn of .3° and 0.4 % of growth a frame."""
    middle = (CENTRE[0] * SIZE[1] - 0.5, CENTRE[1] * SIZE[0] - 0.5)
    matrix = cv2.getRotationMatrix2D(middle, -0.3 * frame, 1 + 0.004 * frame)
    matrix[:, 2] += (1.7 * frame, 0.8 * frame)
    return matrix


def moved(frame, noise=0.015):
    picture = cv2.warpAffine(still(), move(frame), SIZE[::-1], borderMode=cv2.BORDER_REFLECT)
    return (picture + np.random.default_rng(frame).normal(0, noise, picture.shape)).astype(np.float32)


def carried(point, frame):
    x, y = move(frame) @ (point[0] * SIZE[1] - 0.5, point[1] * SIZE[0] - 0.5, 1)
    return np.array([x, y])


def pixels(point):
    return np.array(point) * SIZE[::-1] - 0.5


@cache
def track():
    return follow_region(moved, range(0, 41), ELLIPSE)


def test_an_ellipse_follows_a_drift_a_turn_and_a_growth():
    assert track().lost == ()
    assert [place.frame for place in track().places] == list(range(41))
    for place in track().places:
        assert np.hypot(*(pixels(place.region.centre) - carried(CENTRE, place.frame))) < 0.6
        assert place.region.width / ELLIPSE.width == pytest.approx(1 + 0.004 * place.frame, abs=0.006)
        assert place.region.height / ELLIPSE.height == pytest.approx(1 + 0.004 * place.frame, abs=0.006)
        assert place.region.rotation == pytest.approx(-0.3 * place.frame, abs=0.4), "counter-clockwise is positive"
        assert place.confidence > 0.9


def test_its_graph_gives_the_same_place_through_few_knots(tmp_path):
    track().graph().save(tmp_path / "face.json")
    step = read_region(str(tmp_path / "face.json"))
    assert {name for name, _ in step.keyed} == {"centre", "width", "height", "rotation"}
    assert all(len(keyframes.pairs) < 20 for _, keyframes in step.keyed)
    for place in track().places:
        node = step.node_at(place.frame)
        assert np.hypot(*(pixels(node.centre) - pixels(place.region.centre))) < 0.5
    graph = Graph.load(tmp_path / "face.json")
    matte = Runner(graph).run_frame(30, {"plate": still()})["matte"]
    y, x = np.mgrid[0 : SIZE[0], 0 : SIZE[1]]
    centre = ((x * matte).sum() / matte.sum(), (y * matte).sum() / matte.sum())
    assert np.hypot(*(np.array(centre) - carried(CENTRE, 30))) < 1


def test_a_polygon_follows_corner_by_corner():
    corners = ((0.36, 0.15), (0.52, 0.15), (0.55, 0.5), (0.33, 0.5))
    found = follow_region(moved, range(0, 13), Region(shape="polygon", points=corners))
    for corner, start in zip(found.places[-1].region.points, corners, strict=True):
        assert np.hypot(*(pixels(corner) - carried(start, 12))) < 1
    assert [name for name, _ in found.keyed()] == ["points"]


def test_backwards_from_a_frame_in_the_middle():
    start = Region(centre=tuple((carried(CENTRE, 8) + 0.5) / SIZE[::-1]), width=0.36, height=0.52)
    found = follow_region(moved, range(0, 13), start, start=8)
    assert [place.frame for place in found.places] == list(range(13))
    assert np.hypot(*(pixels(found.places[0].region.centre) - carried(CENTRE, 0))) < 0.6
    assert found.places[8].region == start


def test_it_stops_at_a_cut_and_says_so():
    other = workshop.camera(workshop.portrait("tan", 2, SIZE[1], SIZE[0]).light)
    found = follow_region(lambda frame: moved(frame) if frame < 9 else other, range(0, 20), ELLIPSE)
    assert [place.frame for place in found.places] == list(range(9))
    ((frame, reason),) = found.lost
    assert frame == 9
    assert "corners" in reason or "agrees" in reason


def test_it_stops_where_the_region_is_covered_or_leaves():
    def covered(frame):
        picture = moved(frame)
        picture[:, : 60 * frame] = 0.4
        return picture

    found = follow_region(covered, range(0, 12), ELLIPSE)
    assert found.lost
    assert 2 <= found.lost[0][0] <= 6
    found = follow_region(
        lambda k: np.roll(still(), -15 * k, axis=0), range(0, 20), Region(centre=(0.44, 0.2), width=0.3, height=0.3)
    )
    assert found.lost
    assert found.places[-1].region.centre[1] >= 0


def test_light_that_changes_is_no_reason_to_lose_it():
    found = follow_region(lambda frame: moved(frame) * np.float32(1 - 0.02 * frame), range(0, 15), ELLIPSE)
    assert found.lost == ()
    assert np.hypot(*(pixels(found.places[-1].region.centre) - carried(CENTRE, 14))) < 0.8


def test_the_same_track_every_time():
    assert follow_region(moved, range(0, 6), ELLIPSE) == follow_region(moved, range(0, 6), ELLIPSE)


def test_bad_pixels_do_no_harm():
    def spoilt(frame):
        picture = moved(frame)
        picture[100:104, 200:204] = np.nan
        picture[50, 50] = np.inf
        return picture

    assert follow_region(spoilt, range(0, 6), ELLIPSE).lost == ()


def test_what_cannot_be_followed_is_named(monkeypatch):
    with pytest.raises(TrackError, match="shows only 0 corners to hold on to"):
        follow_region(lambda frame: np.full((90, 160, 3), 0.5, np.float32), range(3), ELLIPSE)
    with pytest.raises(TrackError, match="drawn on frame 9, which is not among frames 0 to 2"):
        follow_region(moved, range(3), ELLIPSE, start=9)
    monkeypatch.setitem(sys.modules, "cv2", None)
    with pytest.raises(TrackError, match=r"pip install opencv-python-headless"):
        follow_region(moved, range(3), ELLIPSE)


def test_one_frame_needs_no_following():
    found = follow_region(moved, range(0, 1), ELLIPSE)
    assert found.keyed() == ()
    assert found.step().node == ELLIPSE


# --- knots and words ----------------------------------------------------------------------------------------


def test_thinned_knots_stay_within_the_tolerance():
    knots = [(frame, (math.sin(frame / 9), 0.1 * frame)) for frame in range(60)]
    few = thinned(knots, 0.01)
    assert len(few) < 30
    between = Keyframes(few)
    assert (
        max(abs(a - b) for frame, value in knots for a, b in zip(between.value_at(frame), value, strict=True)) <= 0.01
    )
    assert thinned([(frame, 2.0 * frame) for frame in range(50)], 1e-9) == ((0, 0.0), (49, 98.0))
    assert thinned([(3, 1.0)], 0.1) == ((3, 1.0),)


def test_regions_in_words():
    assert parse_region("ellipse:.44,.32,.35,.5") == ELLIPSE
    for word in ("box", "rectangle", "Rectangle"):
        assert parse_region(f"{word}:.5,50%,.2,.3,15/.1") == Region("box", (0.5, 0.5), 0.2, 0.3, 15, feather=0.1)
    assert parse_region("polygon:.1,.1+.9,.1+.5,.9") == parse_region("polygon:.1,.1;.9,.1;.5,.9")
    corners = ((0.1, 0.1), (0.9, 0.2), (0.4, 0.8))
    assert parse_region("polygon:.1,.1;.9,.2;.4,.8/0") == Region("polygon", points=corners, feather=0)
    for text in ("", "ellipse", "ellipse:1,2,3", "box:1,2,3,4,5,6", "polygon:1;2;3", "ellipse:a,b,c,d", "disc:1,2,3,4"):
        with pytest.raises(GraphError, match="cannot be read: write ellipse"):
            parse_region(text)
    with pytest.raises(ParamError, match=r"region\.points must be 3 points"):
        parse_region("polygon:.1,.1;.2,.2")


def test_a_graph_file_must_hold_one_region(tmp_path):
    data_ = track().graph().to_dict()
    data_["nodes"].append({**data_["nodes"][0], "id": "second"})
    Graph.from_dict(data_).save(tmp_path / "two.json")
    with pytest.raises(GraphError, match="must hold one region to be used as one, not 2"):
        read_region(str(tmp_path / "two.json"))


# --- on the command line ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    """Six frames of a face that moves before a wall of nearly its own colour, and where its places are."""
    path = tmp_path_factory.mktemp("clip") / "planing.mkv"
    with open_writer(path, rate=Fraction(24)) as writer:
        for number in range(1, 7):
            scene = workshop.portrait("light", 3, 320, 180, similar=0.6, move=(0.006 * number, 0.002 * number))
            writer.write(number, workshop.camera(scene.light, number, cast=workshop.skin_cast(0.3, 0.1)))
    return path, workshop.portrait("light", 3, 320, 180, move=(0.006, 0.002)).places


def face(places):
    x0, y0, x1, y1 = places["face"]
    return f"ellipse:{(x0 + x1) / 2},{(y0 + y1) / 2},{(x1 - x0) * 16 / 9},{y1 - y0}"


def run(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


def test_track_writes_a_region_that_correct_takes(clip, tmp_path):
    path, places = clip
    stroke = "stroke:" + ";".join(f"{x},{y}" for x, y in places["stroke"]) + "/.012"
    result = run("track", path, "--region", face(places), "-o", tmp_path / "face.json", "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["frames"] == list(range(1, 7))
    assert min(told["confidence"]) > 0.5
    assert told["lost"] == []
    node = read_region(str(tmp_path / "face.json")).node_at(6)
    start = parse_region(face(places))
    shift = (node.centre[0] - start.centre[0]) * 16 / 9
    assert shift == pytest.approx(5 * 0.006, abs=0.006), "in frame heights"
    common = ["correct", path, "--add", stroke, "--json"]
    result = run(
        *common, "-o", tmp_path / "a.mkv", "--keep-in", tmp_path / "face.json", "--graph-out", tmp_path / "a.json"
    )
    assert result.exit_code == 0, result.output
    result = run(
        *common, "-o", tmp_path / "b.mkv", "--keep-in", face(places), "--track", "--graph-out", tmp_path / "b.json"
    )
    assert result.exit_code == 0, result.output
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    result = run("render", tmp_path / "a.json", "--in", f"plate={path}", "--out", f"result={tmp_path / 'c.mkv'}")
    assert result.exit_code == 0, result.output
    for number in (1, 4, 6):
        one, other = (open_clip(tmp_path / name).read(number) for name in ("a.mkv", "c.mkv"))
        np.testing.assert_array_equal(one, other)
    matte = Runner(Graph.load(tmp_path / "a.json")).run_frame(6, {"plate": open_clip(path).read(6)})["matte"]
    away = read_region(str(tmp_path / "face.json")).node_at(6).process(np.zeros((*matte.shape, 3), np.float32)) == 0
    assert matte[away].max() == 0


def test_a_lost_region_is_exit_code_4_and_what_was_found_is_kept(tmp_path):
    with open_writer(tmp_path / "cut.mkv", rate=Fraction(24)) as writer:
        for number in range(1, 7):
            scene = workshop.portrait(
                "light" if number < 4 else "dark", number // 4, 320, 180, wall="cedar" if number < 4 else "sand"
            )
            writer.write(number, workshop.camera(scene.light, number))
    result = run("track", tmp_path / "cut.mkv", "--region", "ellipse:.5,.42,.4,.5", "-o", tmp_path / "face.json")
    assert result.exit_code == 4, result.output
    assert "lost at frame 4" in result.stderr
    assert isinstance(read_region(str(tmp_path / "face.json")).node, Region)
