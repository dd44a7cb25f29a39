"""Carrying with several people: each is judged, single ones can be carried, and what is not carried does nothing."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.host_adapters.report import findings
from inkarnat.host_adapters.shots import evidence
from inkarnat.host_adapters.shots.carry import PARTS, Carrier, CarryError, Shot, parts_of
from inkarnat.host_adapters.shots.runs import Run, RunClip
from inkarnat.nodes import CHECK, HOLDS, OFF, CombineMattes, Region, SteerSkin


def run(*words):
    done = CliRunner().invoke(cli, [str(word) for word in words])
    return done.exit_code, done.stdout, done.output


@pytest.fixture(autouse=True)
def _no_faces(monkeypatch):
    monkeypatch.setattr(evidence, "available", lambda: False)
    monkeypatch.setattr("inkarnat.host_adapters.shots.faces.available", lambda: False)
    monkeypatch.setattr("inkarnat.host_adapters.report.images.available", lambda: False)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Two boat-builders at a bench, each with a key and a target, and a second take of them."""
    folder = tmp_path_factory.mktemp("bench")
    marks = {}
    for number, name in enumerate(("one", "two")):
        scene = workshop.portrait("light", seed=3, width=640, height=360, faces=2, wall="plaster", beard=False)
        picture = workshop.camera(scene.light, seed=number, cast=workshop.skin_cast(0.35, 0.12))
        write_picture(folder / f"{name}.tif", picture, None, bits=16)
        marks = {"left": scene.places["cheek"], "right": scene.places["second_cheek"]}
    words = []
    for name, (x, y) in marks.items():
        words += ["--subject", name, "--add", f"box:{x - 0.015},{y - 0.02},{x + 0.015},{y + 0.02}"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(evidence, "available", lambda: False)
        patch.setattr("inkarnat.host_adapters.shots.solving.available", lambda: False)
        code, _, output = run("correct", folder / "one.tif", *words, "--graph-out", folder / "g.json")
    assert code == 0, output
    return folder, Graph.load(folder / "g.json")


def bent(graph, id, **changes):
    node = dataclasses.replace(graph.by_id[id].node, **changes)
    steps = tuple(dataclasses.replace(s, node=node) if s.id == id else s for s in graph.steps)
    return dataclasses.replace(graph, steps=steps)


def carried(folder, graph, **options):
    with open_clip(folder / "one.tif") as one, open_clip(folder / "two.tif") as two:
        carrier = Carrier(graph, Shot("one", one, 1), lambda seen: seen, light="copy", **options)
        return carrier.reference_carried(), carrier.carry(Shot("two", two, 1))


def test_the_second_person_is_judged_too(bench):
    """A green second face was once held good, as the first alone was read."""
    folder, graph = bench
    first, second = carried(folder, graph)
    assert {first.verdict.status, second.verdict.status} <= {HOLDS, CHECK}
    assert {f.sentence.split(":")[0] for f in first.verdict.findings} >= {"left", "right"}
    green = bent(graph, "steer-right", angle=60.0)
    for each in carried(folder, green):
        assert each.verdict.status == OFF
        assert any(f.sentence.startswith("right: ") and "greener" in f.sentence for f in each.verdict.findings)
    green.save(folder / "green.json")
    made = Run((RunClip("one", str(folder / "one.tif"), str(folder / "green.json")),), reference="one")
    found = findings.gather(made, most=1).clips[0]
    assert found.verdict.status == OFF
    assert found.verdict.sentence.startswith("right: ")


def test_one_of_two_people_is_carried_alone(bench):
    folder, graph = bench
    _, only = carried(folder, graph, subjects=["left"])
    assert only.graph.by_id["steer-left"] == graph.by_id["steer-left"]
    assert only.graph.by_id["steer-right"].node == SteerSkin()
    assert not any("right" in finding.sentence for finding in only.verdict.findings)
    own = bent(graph, "steer-right", angle=-3.5)
    kept = parts_of(graph, PARTS, own, ["left"])
    assert kept.by_id["steer-right"].node == own.by_id["steer-right"].node
    assert kept.by_id["skin-left"] == graph.by_id["skin-left"]
    plate = open_clip(folder / "two.tif").read(1)
    all_of_it = carried(folder, graph)[1].graph
    both, one = (Runner(each).run_frame(1, {"plate": plate}) for each in (all_of_it, only.graph))
    assert np.array_equal(both["matte-left"], one["matte-left"]), "the other's matte still parts them"
    alone = both["matte-right"] > 0.5
    assert np.array_equal(one["result"][alone & (one["matte-left"] == 0)], plate[alone & (one["matte-left"] == 0)])


def test_subjects_on_the_command_line(bench, tmp_path):
    folder, _ = bench
    words = (
        "carry",
        folder / "g.json",
        "--from",
        folder / "one.tif",
        "--to",
        folder / "two.tif",
        "-o",
        tmp_path / "takes",
    )
    code, _, output = run(*words, "--subjects", "left", "--no-report")
    assert code == 0, output
    assert Graph.load(tmp_path / "takes" / "two.json").by_id["steer-right"].node.angle == 0
    for given, part in (("lefty", "Did you mean 'left'?"), (",", "names nobody")):
        code, _, output = run(*words, "--subjects", given)
        assert (code, part in output, output.strip().count("\n")) == (2, True, 0), output


def test_a_graph_that_names_nobody_has_no_subjects():
    graph = Graph.of(
        Step.of("key", Region(), image="plate"), Step.of("steer", SteerSkin(), image="plate", matte="key"),
        result="steer", matte="key",
    )  # fmt: skip
    with pytest.raises(CarryError, match="the graph names nobody"):
        parts_of(graph, PARTS, None, ["left"])


def test_shapes_that_are_not_carried_neither_limit_nor_take_away():
    """At rest a shape that keeps in holds the whole frame, and one that keeps out holds nothing of it."""
    graph = Graph.of(
        Step.of("skin", Region(width=4, height=4, feather=0), image="plate"),
        Step.of("region", Region(width=0.2, height=0.2, feather=0), image="plate"),
        Step.of("limit", CombineMattes(), first="skin", second="region"),
        Step.of("out1", Region(width=0.1, height=0.1, feather=0), image="plate"),
        Step.of("without", CombineMattes("subtract"), first="limit", second="out1"),
        Step.of("steer", SteerSkin(), image="plate", matte="without"),
        result="steer", matte="without",
    )  # fmt: skip
    made = parts_of(graph, ["light", "levels", "matte", "skin", "look"])
    assert made.by_id["without"].node == CombineMattes("subtract")
    plate = np.full((90, 160, 3), 0.4, np.float32)
    for id, whole in (("region", 1.0), ("out1", 0.0)):
        assert (Runner(made).values(1, {"plate": plate}, {"": id})[""] == whole).all()
