"""Whose faces: a graph's faces are used on the clip in which they lie, and left out on every other."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands import measure, render
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.errors import GraphError
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.keyframes import Keyframes
from inkarnat.host_adapters.graphs.standard import chain_graph
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.host_adapters.shots.whose_faces import with_face_note, without_foreign_faces
from inkarnat.host_adapters.workshop import camera, portrait
from inkarnat.nodes import ANOTHER_CLIP, FaceMatte, JoinFaces, MarkedFrame, Sample, SkinKey, solve_correction


class Take:
    """Frames of one shot, every second of them a little brighter."""

    def __init__(self, seed, frames=range(1, 11), size=(480, 270)):
        scene = portrait("tan", seed, *size)
        self.picture = camera(scene.light, seed)
        left, top, right, bottom = scene.places["face"]
        across, down = right - left, bottom - top
        self.face = FaceMatte(
            *(
                (left + across * x, top + down * y)
                for x, y in ((0.3, 0.4), (0.7, 0.4), (0.5, 0.6), (0.35, 0.8), (0.65, 0.8))
            )
        )
        self.frames, self.missing = frames, ()

    def read(self, frame):
        return self.picture * np.float32(1 + 0.02 * (frame % 2))


def with_face(face, keyed=()):
    steps = (
        Step.of("skin", SkinKey(), image="plate"),
        Step("face1", face, (("image", "plate"),), keyed),
        Step.of("join", JoinFaces(), matte="skin", faces="face1", image="plate"),
    )
    return Graph.of(*steps, matte="join")


@pytest.fixture(scope="module")
def take():
    return Take(810)


@pytest.fixture(scope="module")
def graph(take):
    return with_face_note(with_face(take.face), take)


def test_the_note_survives_the_file_and_changes_nothing_that_the_graph_does(graph, take):
    assert Graph.from_dict(graph.to_dict()) == graph
    assert graph.content_hash() == with_face(take.face).content_hash()


def test_its_own_clip_keeps_the_faces_as_a_proxy_and_through_a_curve(graph, take):
    assert without_foreign_faces(graph, take) == (graph, None)

    class Proxy(Take):
        def read(self, frame):
            return cv2.resize(super().read(frame), (240, 135), interpolation=cv2.INTER_AREA)

    class Logarithmic(Take):
        def read(self, frame):
            return np.log2(super().read(frame).clip(0) ** 2.4 * 50 + 1).astype(np.float32) / 6

    for same in (Proxy(810), Logarithmic(810)):
        assert without_foreign_faces(graph, same) == (graph, None)


@pytest.mark.parametrize("other", [(811,), (812,), (810, range(1001, 1005))], ids=str)
def test_another_clip_loses_them_and_is_told_how_to_find_its_own(graph, other):
    other = Take(*other)
    left, note = without_foreign_faces(graph, other)
    assert [step.id for step in left.steps] == ["skin"]
    assert dict(left.outputs) == {"matte": "skin"}
    assert "another clip" in note
    assert "carry" in note


def test_frames_on_which_the_face_is_there_are_kept(take):
    keyed = (("presence", Keyframes(((1, 0.0), (4, 0.0), (5, 1.0), (7, 1.0), (8, 0.0)))),)
    noted = with_face_note(with_face(take.face, keyed), take).notes()["faces"]
    assert set(noted) == {"5", "7"}


def test_a_graph_without_faces_gets_no_note_and_one_that_says_nothing_is_told_of(take):
    plain = Graph.of(Step.of("skin", SkinKey(), image="plate"), matte="skin")
    assert with_face_note(plain, take) == plain
    assert without_foreign_faces(plain, take) == (plain, None)
    silent = with_face(take.face)
    kept, note = without_foreign_faces(silent, take)
    assert kept == silent
    assert "does not say in which clip" in note


def test_damaged_notes_are_one_clear_error(take):
    for noted in ({"1": "no hex"}, {"x": "00"}, ["1"], {"1": 7}):
        with pytest.raises(GraphError, match="notes on the clip of its faces are damaged"):
            without_foreign_faces(with_face(take.face).with_notes({"faces": noted}), take)


def test_render_leaves_a_strangers_outlines_out_and_says_so(tmp_path, take):
    for name, shot in (("own", take), ("other", Take(811))):
        write_picture(tmp_path / f"{name}.tif", shot.picture)
    still = Take(810, range(1, 2))
    with_face_note(with_face(take.face), still).save(tmp_path / "g.json")
    for name in ("own", "other"):
        out = tmp_path / f"{name}-matte.exr"
        arguments = [str(tmp_path / "g.json"), "--in", f"plate={tmp_path / name}.tif", "--out", f"matte={out}"]
        told = CliRunner().invoke(render.command, [*arguments, "--json"], standalone_mode=False)
        assert told.exception is None, told.output
        assert ("another clip" in told.stderr) == (name == "other")
        assert not json.loads(told.stdout)["failed"]
        assert out.is_file()


def test_a_face_moved_by_hand_still_lies_in_its_clip(graph, take):
    """The note keeps the place that was looked at, not that where the face is now."""
    moved = with_face(FaceMatte(*((x + 0.05, y - 0.04) for x, y in take.face.landmarks))).with_notes(graph.notes())
    assert without_foreign_faces(moved, take) == (moved, None)


@pytest.fixture(scope="module")
def solved(tmp_path_factory, take):
    """A whole correction with a face, its own still and another one."""
    folder = tmp_path_factory.mktemp("whose")
    for name, shot in (("own", take), ("other", Take(811))):
        write_picture(folder / f"{name}.tif", shot.picture)
    left, top, right, bottom = portrait("tan", 810, 480, 270).places["face"]
    middle = Sample.point((left + right) / 2, top + 0.45 * (bottom - top))
    correction = solve_correction([MarkedFrame(1, take.picture, (middle,), faces=(take.face,))])
    graph = chain_graph(correction.links(), correction.outputs())
    with_face_note(graph, Take(810, range(1, 2))).save(folder / "g.json")
    return folder


def told_by(*words):
    told = CliRunner().invoke(cli, [str(word) for word in words], standalone_mode=False)
    assert told.exception is None, told.output
    return told.stderr


@pytest.mark.parametrize("name", ["own", "other"])
def test_every_verb_that_reads_a_clip_through_a_graph_says_the_same_sentence(solved, tmp_path, name):
    clip, graph = solved / f"{name}.tif", solved / "g.json"
    project = tmp_path / "people.json"
    for told in (
        told_by("measure", clip, "--graph", graph),
        told_by("stills", clip, "--graph", graph, "-o", tmp_path / "stills"),
        told_by("person", "add", "Ada", "--from", clip, "--graph", graph, "--project", project),
    ):
        assert (ANOTHER_CLIP in told) == (name == "other")


def test_a_reading_on_another_clip_is_that_of_the_graph_without_faces(solved):
    """What the outlines of a stranger would key does not count."""
    graph = Graph.load(solved / "g.json")
    for name in ("with", "bare"):
        kept = graph if name == "with" else without_foreign_faces(graph, Take(811, range(1, 2)))[0]
        kept.save(solved / f"{name}.json")
    readings = []
    for name in ("with", "bare"):
        arguments = [str(solved / "other.tif"), "--graph", str(solved / f"{name}.json"), "--json"]
        told = CliRunner().invoke(measure.command, arguments, standalone_mode=False)
        readings.append(json.loads(told.stdout))
    assert readings[0]["readings"]
    assert readings[0] == readings[1]
