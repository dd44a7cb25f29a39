"""Several people in one clip: each with a key and a target of their own, overlaps shared by likelihood."""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest
import references
from click.testing import CliRunner
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.graphs.standard import chain_graph
from inkarnat.host_adapters.media.pictures import read_picture, write_picture
from inkarnat.kernels import region
from inkarnat.kernels.errors import PictureError
from inkarnat.nodes import (
    CorrectionOptions,
    MarkedFrame,
    Region,
    Sample,
    SampleError,
    SkinTarget,
    Subject,
    SubjectError,
    measure_skin,
    solve_correction,
    solve_subjects,
)

BETWEEN = 0.56
"""Where the two people of the scene part, in parts of the frame's width."""


@cache
def bench(height=240):
    """A light and a brown boat-builder side by side, skin too green: picture, truth of each, places."""
    scene = workshop.portrait("light", 4, height * 16 // 9, height, faces=2, second_depth="brown")
    picture = workshop.camera(scene.light, 4, cast=workshop.skin_cast(0.3, 0.1))
    left = np.arange(scene.matte.shape[1]) < BETWEEN * scene.matte.shape[1]
    return picture, np.where(left, scene.matte, 0), np.where(left, 0, scene.matte), scene.places


def strokes(places):
    return Sample.stroke(places["stroke"], 0.012), Sample.stroke(places["second_stroke"], 0.012)


@cache
def solved():
    picture, _, _, places = bench()
    one, other = strokes(places)
    left = Subject("left", [MarkedFrame(1, picture, (one,))], SkinTarget(118))
    right = Subject("right", [MarkedFrame(1, picture, (other,))], SkinTarget(127, ratio=0.22))
    correction = solve_subjects([left, right])
    graph = chain_graph(correction.links(), correction.outputs())
    return correction, graph, Runner(graph).run_frame(1, {"plate": picture})


# --- sharing ------------------------------------------------------------------------------------------------


@pytest.mark.slice
def test_likelier_against_the_formula():
    random = np.random.default_rng(0)
    one, other = random.random((2, 7, 9)).astype(np.float32)
    one[0, :3], other[0, :3] = (0, 0, 0.5), (0, 0.5, 0)
    one[1, 0], other[1, 1] = np.nan, np.nan
    result = region.join(one, other, "likelier")
    a, b = np.nan_to_num(one.astype(np.float64)) ** 4, np.nan_to_num(other.astype(np.float64)) ** 4
    expected = np.where(a + b > 0, a / np.where(a + b > 0, a + b, 1), 1)
    np.testing.assert_allclose(result, expected, atol=1e-6)
    np.testing.assert_allclose((result + region.join(other, one, "likelier"))[2:], 1, atol=1e-6)


@pytest.mark.parametrize("count", [2, 3, 4])
def test_the_shares_of_all_never_pass_one(count):
    """Bradley and Terry, Biometrika 39, 1952: in pairwise contests at most one wins all of them."""
    random = np.random.default_rng(count)
    mattes = random.random((count, 30, 40)).astype(np.float32)
    mattes[:, :10] = 1
    mattes[:, 10:15] *= random.random((count, 5, 40)) < 0.5
    total = np.zeros((30, 40))
    for i, matte in enumerate(mattes):
        share = matte
        for j, rival in enumerate(mattes):
            if i != j:
                share = region.join(share, region.join(matte, rival, "likelier"), "multiply")
        alone = np.delete(mattes, i, axis=0).max(axis=0) == 0
        np.testing.assert_array_equal(share[alone], matte[alone])
        total += share
    assert total.max() <= 1 + 1e-6
    if count == 2:
        assert total.min() >= 0
        np.testing.assert_allclose(total[:10], 1, atol=1e-6)


# --- solving ------------------------------------------------------------------------------------------------


def test_each_person_lands_on_their_own_target():
    _, left, right, _ = bench()
    correction, _, made = solved()
    assert measure_skin(made["result"], left).angle == pytest.approx(118, abs=0.6)
    right_reading = measure_skin(made["result"], right)
    assert right_reading.angle == pytest.approx(127, abs=1.0)
    assert right_reading.ratio == pytest.approx(0.22, abs=0.012)
    assert [person.name for person in correction.people] == ["left", "right"]


def test_each_matte_holds_its_own_person():
    _, left, right, _ = bench()
    _, _, made = solved()
    for own, other, matte in ((left, right, made["matte-left"]), (right, left, made["matte-right"])):
        assert matte[own > 0.9].mean() > 0.8
        assert matte[other > 0.9].mean() < 0.1
    assert (made["matte-left"] + made["matte-right"]).max() <= 1 + 1e-6
    np.testing.assert_array_less(made["matte-left"], made["matte"] + 1e-6)


def test_the_graph_reads_as_it_is_meant(tmp_path):
    _, graph, made = solved()
    assert dict(graph.outputs) == {
        "result": "steer-right", "matte": "matte", "matte-left": "share-left", "matte-right": "share-right",
    }  # fmt: skip
    graph.save(tmp_path / "bench.json")
    again = Graph.load(tmp_path / "bench.json")
    assert again == graph
    result = Runner(again).run_frame(1, {"plate": bench()[0]})["result"]
    np.testing.assert_array_equal(result, made["result"])


def test_one_named_person_is_corrected_as_one_without_a_name(same_bits):
    picture, _, _, places = bench()
    frame = MarkedFrame(1, picture, (strokes(places)[0],))
    named, plain = solve_subjects([Subject("asta", [frame])]), solve_correction([frame])
    assert [link.id for link in named.links()] == ["skin-asta", "soften-asta", "steer-asta"]
    assert [link.id for link in plain.links()] == ["skin", "soften", "steer"]
    one, other = (Runner(chain_graph(c.links(), c.outputs())).run_frame(1, {"plate": picture}) for c in (named, plain))
    same_bits(one["result"], other["result"])
    same_bits(one["matte-asta"], other["matte"])


def test_three_people_share_too():
    picture, _, _, places = bench()
    one, other = strokes(places)
    hand = Sample.point(*places["hand"])
    frames = {
        name: [MarkedFrame(1, picture, (sample,))] for name, sample in zip("abc", (one, other, hand), strict=True)
    }
    correction = solve_subjects([Subject(name, marked) for name, marked in frames.items()], CorrectionOptions(steady=1))
    made = Runner(chain_graph(correction.links(), correction.outputs())).run_frame(1, {"plate": picture})
    assert sum(made[f"matte-{name}"] for name in "abc").max() <= 1 + 1e-6
    assert [p.after.angle for p in correction.people] == pytest.approx([123] * 3, abs=0.5)


def test_a_region_limits_one_persons_key():
    picture, left, _, places = bench()
    x0, y0, x1, y1 = places["face"]
    box = Region(shape="box", centre=((x0 + x1) / 2, (y0 + y1) / 2), width=(x1 - x0) * 16 / 9, height=y1 - y0)
    subject = Subject("", [MarkedFrame(1, picture, (strokes(places)[0],))], region=lambda frame: box)
    correction = solve_subjects([subject])
    graph = chain_graph(correction.links(), correction.outputs())
    assert [step.id for step in graph.steps] == ["skin", "soften", "region", "limit", "steer"]
    made = Runner(graph).run_frame(1, {"plate": picture})
    assert dict(graph.outputs)["matte"] == "limit"
    assert made["matte"][box.process(picture) == 0].max() == 0
    assert made["matte"][(box.process(picture) == 1) & (left > 0.9)].mean() > 0.8


def test_who_cannot_be_told_apart_is_named():
    picture, _, _, places = bench()
    one, _ = strokes(places)
    marked, bare = [MarkedFrame(1, picture, (one,))], [MarkedFrame(1, picture)]
    for subjects, words in (
        ([], "nobody to correct"),
        ([Subject("a", marked), Subject("a", marked)], "Two people are called 'a'"),
        ([Subject("", marked), Subject("a", marked)], "each needs a name"),
        ([Subject("a", marked), Subject("b", bare)], "no sample of 'b'"),
    ):
        with pytest.raises(SubjectError, match=words):
            solve_subjects(subjects)
    with pytest.raises(PictureError, match="at least one frame"):
        solve_subjects([Subject("a", [])])
    wall = MarkedFrame(1, np.full_like(picture, 0.5), (one,))
    with pytest.raises(SampleError, match="Subject 'a':"):
        solve_subjects([Subject("a", [wall])])


# --- on the command line ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def still(tmp_path_factory):
    path = tmp_path_factory.mktemp("bench") / "bench.png"
    write_picture(path, bench()[0], None, bits=8)
    return path


def run(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


def test_subjects_on_the_command_line_render_to_the_same_bits(still, tmp_path):
    one, other = strokes(bench()[3])
    result = run(
        "correct", still, "-o", tmp_path / "skin.png", "--graph-out", tmp_path / "g.json", "--json", "--bias", 1,
        "--subject", "left", "--add", one, "--target-angle", 118, "--subject=right", f"--add={other}", "--bias", 4,
        "--matte-out", tmp_path / "matte-{subject}.png",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    figures = json.loads(result.stdout)["subjects"]
    assert list(figures) == ["left", "right"]
    assert figures["left"]["after"]["angle"] == pytest.approx(119, abs=0.3), "--bias before --subject holds for all"
    assert figures["right"]["after"]["angle"] == pytest.approx(127, abs=0.3)
    left, right = (references.read_matte(tmp_path / f"matte-{name}.png") for name in ("left", "right"))
    assert left.shape == right.shape == bench()[0].shape[:2]
    assert 0.9 < (left + right).max() <= 1 + 1 / 255
    assert left.argmax() != right.argmax()
    result = run(
        "render", tmp_path / "g.json", "--in", f"plate={still}", "--out", f"result={tmp_path / 'r.png'}",
        "--out", f"matte-right={tmp_path / 'm.png'}",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert (tmp_path / "r.png").read_bytes() == (tmp_path / "skin.png").read_bytes()
    assert (tmp_path / "m.png").read_bytes() == (tmp_path / "matte-right.png").read_bytes()
    assert read_picture(tmp_path / "skin.png")[0].shape == bench()[0].shape
    result = run("measure", still, "--graph", tmp_path / "g.json", "--json")
    assert list(json.loads(result.stdout)["subjects"]) == ["left", "right"]


def test_measure_reads_each_subject(still):
    one, other = strokes(bench()[3])
    result = run("measure", still, "--subject", "left", "--add", one, "--subject", "right", "--add", other, "--json")
    assert result.exit_code == 0, result.output
    readings = {name: found["readings"][0] for name, found in json.loads(result.stdout)["subjects"].items()}
    assert readings["left"]["luma"][1] > readings["right"]["luma"][1]


@pytest.mark.parametrize("equals", [False, True])
def test_an_old_name_means_todays_option_and_says_so(still, tmp_path, equals):
    """Behind --subject as well; a box is read as in version 0.1, and said to be a rectangle now."""
    graphs = []
    one, _ = strokes(bench()[3])
    for name in ("--region", "--keep-in"):
        graphs.append(tmp_path / f"{name}.json")
        shape = [f"{name}=ellipse:.4,.4,.3,.4"] if equals else [name, "ellipse:.4,.4,.3,.4"]
        words = ["--subject", "left", "--add", one, *shape, "--graph-out", str(graphs[-1])]
        result = run("correct", still, *words)
        assert result.exit_code == 0, result.output
        assert ("--region is now called --keep-in" in result.stderr) == (name == "--region")
    assert graphs[0].read_bytes() == graphs[1].read_bytes()
    said = run("measure", still, "--add", one, "--keep-out", "box:.6,.2,.9,.8").stderr
    assert "note: --keep-out box:.6,.2,.9,.8 is read as centre, width and height: write rectangle:.6,.2,.9,.8" in said
    assert "it is rectangle:0.75,0.5,0.533,0.6" in said
    assert "centre" not in run("measure", still, "--add", one, "--keep-out", "rectangle:.75,.5,.533,.6").stderr


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--add", "point:.4,.4", "--subject", "a", "--add", "point:.4,.4"], "stands before the first --subject"),
        (["--subject", "two words", "--add", "point:.4,.4"], "wants a name of letters"),
        (["--subject"], "wants a name of letters"),
        (["--subject", "a", "--add", "point:.4,.4", "--subject", "b"], "no sample of 'b'"),
        (["--subject", "a", "--add", "point:.4,.4", "--bias", "x"], "not a valid float"),
        (["--add", "point:.4,.4", "--matte-out", "{subject}.png"], "give --subject NAME"),
        (["--add", "point:.4,.4", "--track"], "give --keep-in or --keep-out as well"),
        (["--add", "point:.4,.4", "--region", "circle:.5,.5,1,1"], "Region 'circle:.5,.5,1,1' cannot be read"),
        (["--add", "point:.4,.4", "--keep-in", "ellipse:.5,.5,0,1"], "region.width must be a number"),
    ],
)
def test_wrong_use_is_named(still, tmp_path, words, message):
    result = run("correct", still, "-o", tmp_path / "o.png", *words)
    assert result.exit_code == 2
    assert message in result.stderr
    assert not list(tmp_path.iterdir())
