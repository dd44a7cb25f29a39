"""A face of which a part is left behind is told where a face is known: by the function, at the desk and in hosts."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.desk.solving import read_skin
from inkarnat.host_adapters.desk.state import State
from inkarnat.host_adapters.desk.work import Workbench
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.host_adapters.workshop import Thing
from inkarnat.nodes import (
    CombineMattes,
    CorrectSkin,
    FaceMatte,
    JoinFaces,
    Region,
    Sample,
    SkinTarget,
    SteerSkin,
    judge_matte,
    learn_skin_key,
    left_behind,
    solve_steer,
)


@pytest.fixture(scope="module")
def face():
    """A portrait under a green cast, its true matte, and the landmarks that the scene itself tells."""
    scene = workshop.portrait("light", seed=12, width=640, height=360, beard=False)
    picture = workshop.camera(scene.light, cast=workshop.skin_cast(0.6, 0.1), noise=0.0)
    rows, columns = np.nonzero(scene.objects == Thing.EYE)
    middle = columns.mean()

    def at(y, x):
        return float(x.mean() + 0.5) / 640, float(y.mean() + 0.5) / 360

    left, right = (at(rows[side], columns[side]) for side in (columns < middle, columns > middle))
    lips = np.nonzero(scene.objects == Thing.LIP)
    mouth = at(*lips)
    half = (lips[1].max() - lips[1].min()) / 2 / 640
    nose = ((left[0] + right[0]) / 2, left[1] + 0.57 * (mouth[1] - left[1]))
    node = FaceMatte(left, right, nose, (mouth[0] - half, mouth[1]), (mouth[0] + half, mouth[1]))
    return picture, scene, node


def half_of(face):
    """A region that holds the left half of the face alone."""
    return Region(shape="box", centre=(face.nose[0] - 0.25, 0.5), width=0.5 * 640 / 360, height=4.0, feather=0.0)


def test_the_sample_of_a_face_lies_on_its_skin(face):
    _, scene, node = face
    mask = node.sample(640 / 360).mask(360, 640)
    assert scene.matte[mask].mean() > 0.85
    x0, y0, x1, y1 = scene.places["face"]
    xs, ys = np.nonzero(mask)[::-1]
    assert x0 - 0.03 < xs.min() / 640 < xs.max() / 640 < x1 + 0.03
    assert y0 - 0.03 < ys.min() / 360 < ys.max() / 360 < y1 + 0.03


def test_half_a_face_is_half_and_reads_as_it_was(face):
    picture, scene, node = face
    matte = (scene.matte * half_of(node).process(picture)).astype(np.float32)
    final = SteerSkin(angle=-20.0).process(picture, matte)
    found = left_behind(picture, final, matte, node.sample(640 / 360))
    assert found.share == pytest.approx(0.5, abs=0.12)
    whole = left_behind(picture, picture, scene.matte, node.sample(640 / 360))
    assert whole is None or whole.share < 0.05


def correction(face):
    picture, _, node = face
    x, y = node.left_eye
    key = learn_skin_key(picture, [Sample.point(x, y + 0.11)])
    return picture, node, key


def test_the_desk_tells_it_where_the_key_knows_the_face(face, tmp_path):
    picture, node, key = correction(face)
    region = half_of(node)
    matte = CombineMattes().process(key.process(picture), region.process(picture))
    steer = solve_steer(picture, matte, SkinTarget())
    graph = Graph.of(
        Step.of("skin", key, image="plate"),
        Step.of("face1", node, image="plate"),
        Step.of("join", JoinFaces(), matte="skin", faces="face1", image="plate"),
        Step.of("region", region, image="plate"),
        Step.of("limit", CombineMattes(), first="join", second="region"),
        Step.of("steer", steer, image="plate", matte="limit"),
        result="steer", matte="limit",
    )  # fmt: skip
    write_picture(tmp_path / "plate.tif", picture, None, bits=16)
    with open_clip(tmp_path / "plate.tif") as clip:
        bench = Workbench(clip)
        told = read_skin(bench, State.of_graph(graph), "", 1)["verdict"]
        elsewhere = dataclasses.replace(graph.by_id["face1"].node, presence=0.0)
        steps = tuple(dataclasses.replace(s, node=elsewhere) if s.id == "face1" else s for s in graph.steps)
        away = read_skin(bench, State.of_graph(dataclasses.replace(graph, steps=steps)), "", 1)["verdict"]
    assert any("of this face is left behind" in finding["sentence"] for finding in told["findings"]), told
    assert told["status"] in ("check", "off")
    assert not any("left behind" in finding["sentence"] for finding in away["findings"])


def test_a_host_tells_it_where_a_face_is_set(face):
    picture, node, key = correction(face)
    limit = half_of(node).process(picture)
    slot = CorrectSkin.face_slots()[0]
    landmarks = {slot[word]: getattr(node, word) for word in slot if word != "presence"}
    steer = solve_steer(picture, CombineMattes().process(key.process(picture), limit), SkinTarget())
    effect = CorrectSkin(model=key.model, angle=steer.angle, **{slot["presence"]: 1.0}, **landmarks)
    asked = {"target_angle": 123.0, "target_bias": 0.0, "target_ratio": 0.0, "landing": "centre", "neutral": None}
    asked |= {f"skin_{i}": None for i in range(1, 5)} | {f"keep_out_{i}": None for i in range(1, 5)}
    asked |= {"skin_area": None}
    _, words = CorrectSkin.actions()["read"].run(effect, asked, picture, limit)
    assert "of this face is left behind" in words
    _, words = CorrectSkin.actions()["read"].run(
        dataclasses.replace(effect, **{slot["presence"]: 0.0}), asked, picture, limit
    )
    assert "left behind" not in words


def test_a_matte_far_larger_than_a_face_that_it_hardly_finds_is_doubted():
    """A suit of the skin's colour below a face of which half is not keyed: common practice, no source."""
    picture = np.full((360, 640, 3), 0.08, np.float32)
    matte = np.zeros((360, 640), np.float32)
    matte[40:340, 60:580] = 1
    picture[matte > 0] = (0.62, 0.48, 0.40)
    face = FaceMatte((0.48, 0.3), (0.52, 0.3), (0.5, 0.34), (0.483, 0.38), (0.517, 0.38))
    assert judge_matte(matte, picture, [face]) == ()
    matte[:, :320] *= (np.arange(360) > 200)[:, None]
    found = {warned.sign: warned for warned in judge_matte(matte, picture, [face])}
    assert set(found) == {"doubtful", "left behind"}
    for reason in ("times the face's own skin", "of the face: add a sample"):
        assert reason in found["doubtful"].message
