"""What a key covers of a face where it was solved, noted in the graph: a key that floods another clip is off there."""

from __future__ import annotations

import dataclasses
import json
from fractions import Fraction
from unittest import mock

import pytest
from click.testing import CliRunner
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.detect import person
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.media.clips import open_writer
from inkarnat.host_adapters.shots.aims import noted_covered, with_covered
from inkarnat.host_adapters.shots.evidence import Survey, evidence
from inkarnat.nodes import Aim, judge


def run(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


@pytest.fixture(scope="module")
def films(tmp_path_factory):
    """One person's clip, corrected, and another person's before a wall that the first one's key takes for skin."""
    pytest.importorskip("cv2")
    folder = tmp_path_factory.mktemp("films")
    people = {
        "one": workshop.portrait("tan", 5, 320, 180),
        "other": workshop.portrait("dark", 9, 320, 180, similar=0.95),
    }
    for name, scene in people.items():
        with open_writer(folder / f"{name}.mkv", rate=Fraction(24)) as writer:
            for number in (1, 2, 3):
                cast = {"cast": workshop.skin_cast()} if name == "one" else {}
                writer.write(number, workshop.camera(scene.light, number, **cast))
    stroke = "stroke:" + ";".join(f"{x:.4f},{y:.4f}" for x, y in people["one"].places["stroke"]) + "/.015"
    with mock.patch.object(person, "available", return_value=False):  # told of persons, the key floods no wall
        done = run("correct", folder / "one.mkv", "--add", stroke, "--graph-out", folder / "one.json", "--json")
    assert done.exit_code == 0, done.output
    return folder


def findings(films, name: str, graph: str = "one.json"):
    done = run("measure", films / f"{name}.mkv", "--graph", films / graph, "--json")
    assert done.exit_code == 0, done.output
    verdict = json.loads(done.stdout)["verdict"]
    return verdict["status"], [each for each in verdict["findings"] if "covers" in each["sentence"]]


def test_a_key_that_floods_another_clip_is_off_there_and_holds_on_its_own(films):
    """On the other clip the wall comes 95 % of the way to the skin's colour, and is keyed with it."""
    status, found = findings(films, "one")
    assert (status, found) == ("holds", [])
    status, (found,) = findings(films, "other")
    assert status == "off"
    assert "more of the skin than it should" in found["sentence"]
    assert "--subtract" in found["fix"]


def test_the_note_counts_for_the_key_that_it_was_made_for_alone(films):
    graph = Graph.load(films / "one.json")
    covered = noted_covered(graph, "")
    assert covered is not None
    assert 0.8 < covered < 2
    for id, change in (("skin", {"width": 0.2}), ("soften", {"position": 0.01})):
        step = graph.by_id[id]
        changed = graph.with_step(dataclasses.replace(step, node=dataclasses.replace(step.node, **change)))
        assert noted_covered(changed, "") is None
    step = graph.by_id["steer"]
    turned = graph.with_step(dataclasses.replace(step, node=dataclasses.replace(step.node, angle=3.0)))
    assert noted_covered(turned, "") == covered
    assert noted_covered(with_covered(graph, {"": None}), "") == covered
    assert noted_covered(graph, "nobody") is None


def test_a_head_that_turns_within_a_clip_is_not_doubted(films):
    graph = Graph.load(films / "one.json")
    covered = noted_covered(graph, "")
    for share, doubted in ((1.0, False), (1.4, False), (0.6, False), (1.7, True), (0.3, True)):
        surveyed = Survey(None, None, None, (1,), of_face=share * covered)
        change = evidence(graph, surveyed, 1).area_change
        assert (change is not None) == doubted
        if doubted:
            assert judge(evidence(graph, surveyed, 1), Aim()).status == "off"
