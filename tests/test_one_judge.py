"""One judge: the same picture and correction get the same status and sentence on every surface."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.desk.carrying import carry_state
from inkarnat.host_adapters.desk.solving import Solver, read_skin
from inkarnat.host_adapters.desk.state import Mark, State
from inkarnat.host_adapters.desk.work import Workbench
from inkarnat.host_adapters.detect import person, skin
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.graphs.standard import chain_graph
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.host_adapters.report import findings
from inkarnat.host_adapters.shots import evidence, faces
from inkarnat.host_adapters.shots.aims import aims_of, noted_card
from inkarnat.host_adapters.shots.carry import Carrier, Shot
from inkarnat.host_adapters.shots.faces import person_in
from inkarnat.host_adapters.shots.runs import Run, RunClip
from inkarnat.host_adapters.shots.whose_faces import with_face_note
from inkarnat.host_adapters.workshop import camera, portrait
from inkarnat.nodes import (
    CARD,
    CHECK,
    CONTROL,
    HOLDS,
    NOT_JUDGED,
    OFF,
    CorrectSkin,
    FaceMatte,
    MarkedFrame,
    Sample,
    SteerSkin,
    judge,
    judge_matte,
    solve_correction,
)
from inkarnat.nodes.declare import PERSONS
from takes import SAWDUST, film, take
from test_learn import close_up

SURFACES = ("correct", "measure", "carry", "report", "desk", "host")


def run(*words):
    done = CliRunner().invoke(cli, [str(word) for word in words])
    return done.exit_code, done.stdout, done.output


@pytest.fixture(autouse=True)
def _no_faces(monkeypatch):
    """The host is told of no face, so nobody looks for one: what is left of a face is tested beside its measure."""
    monkeypatch.setattr(evidence, "available", lambda: False)
    monkeypatch.setattr("inkarnat.host_adapters.shots.faces.available", lambda: False)
    monkeypatch.setattr("inkarnat.host_adapters.report.images.available", lambda: False)
    monkeypatch.setattr("inkarnat.host_adapters.shots.solving._followed_faces", lambda *_: None, raising=False)


def hair(shot):
    """The first frame with a patch of dull green in a corner, as hair under a cast."""
    picture = shot.clip.read(1).copy()
    picture[:60, :60] = np.array([0.33, 0.36, 0.24], np.float32)
    return picture


GREEN = film("green", 0, 0, green=0.6)
FIRST = take("take1")
BY_STROKE = ("--add", FIRST.face())
CASES = {
    "it holds": (FIRST.clip.read(1), (*BY_STROKE, "--neutral", FIRST.card()), {}, HOLDS, "on the line used here"),
    "a bias is part of it": (FIRST.clip.read(1), (*BY_STROKE, "--bias", "-1.5"), {}, HOLDS, "with a bias of −1.5°"),
    "out of reach": (FIRST.clip.read(1), (*BY_STROKE, "--target-ratio", "0.9"), {}, OFF, "of the target's"),
    "a stroke on hair": (hair(FIRST), ("--add", "box:.02,.03,.11,.2"), {}, OFF, "was turned by −"),
    "a light that looks off": (GREEN.clip.read(1), ("--add", GREEN.face()), {}, CHECK, "was turned by −"),
    "a matte in doubt": (FIRST.clip.read(1), ("--add", "box:.2,.1,.8,.7"), {}, CHECK, "The matte is in doubt"),
    "a violet balance": (FIRST.clip.read(1), (*BY_STROKE, "--tint", "14"), {}, CHECK, "was balanced by"),
    "a ruined face": (FIRST.clip.read(1), BY_STROKE, {"angle": 60.0}, OFF, "greener than the line used here"),
    "a grey face": (FIRST.clip.read(1), BY_STROKE, {"saturation": 0.2}, OFF, "it looks grey"),
    "a painted face": (FIRST.clip.read(1), BY_STROKE, {"saturation": 3.0}, OFF, "it looks painted"),
    "the natural range": (FIRST.clip.read(1), ("--natural-range",), {}, NOT_JUDGED, "nobody said what is skin"),
}
"""The picture, the words of `correct`, what is then bent in the steering, and the status with a part of a sentence."""


def bent(graph, changes, id="steer"):
    """Return the graph with its steering, or another step, changed by hand."""
    node = dataclasses.replace(graph.by_id[id].node, **changes)
    return dataclasses.replace(
        graph, steps=tuple(dataclasses.replace(s, node=node) if s.id == id else s for s in graph.steps)
    )


def on_the_desk(graph, files):
    state = State.of_graph(graph)
    state = state.with_person(dataclasses.replace(state.people[0], target=aims_of(graph, [""])[""].target))
    with open_clip(files) as clip:
        return read_skin(Workbench(clip), state, "", 1)["verdict"]


def in_a_host(graph, picture, monkeypatch):
    """The reading of the all-in-one effect, set as the graph is."""
    from inkarnat.nodes import correct

    told = []
    monkeypatch.setattr(correct, "judge", lambda *given: told.append(judge(*given)) or told[-1])
    nodes = {step.id: step.node for step in graph.steps}
    light, levels, steer = nodes.get("balance"), nodes.get("tone"), nodes["steer"]
    assert levels is None
    effect = CorrectSkin(
        model=nodes["skin"].model, softness=nodes["soften"].softness, angle=steer.angle,
        skin_saturation=steer.saturation, temperature=light.temperature if light else 0.0,
        tint=light.tint if light else 0.0,
    )  # fmt: skip
    target, card = aims_of(graph, [""])[""].target, noted_card(graph)
    asked = {
        "target_angle": target.angle, "target_bias": target.bias, "target_ratio": target.ratio or 0.0,
        "landing": target.landing, "neutral": card[0] if card is not None and graph.notes()["light"] == CARD else None,
        PERSONS: person_in,
    }  # fmt: skip
    _, words = CorrectSkin.actions()["read"].run(effect, asked, picture)
    verdict = told[-1]
    assert words.startswith(verdict.lines(CONTROL)[0])
    return verdict.as_dict(CONTROL)


@pytest.mark.parametrize("name", CASES)
def test_every_surface_says_the_same(name, tmp_path, monkeypatch):
    picture, words, changes, status, part = CASES[name]
    plate, kept = tmp_path / "plate.tif", tmp_path / "g.json"
    write_picture(plate, picture, None, bits=16)
    picture = open_clip(plate).read(1)
    code, stdout, output = run("correct", plate, *words, "--graph-out", kept, "--json")
    assert code == 0, output
    verdicts = {} if changes else {"correct": json.loads(stdout)["verdict"]}
    graph = bent(Graph.load(kept), changes) if changes else Graph.load(kept)
    graph.save(kept)
    verdicts |= beside_each_other(graph, plate, kept)
    verdicts["host"] = in_a_host(graph, picture, monkeypatch)
    assert set(verdicts) | ({"correct"} if changes else set()) == set(SURFACES)
    are_alike(verdicts, status, part)


def test_a_matte_that_was_looked_at_is_accepted_until_it_changes(tmp_path):
    """Everybody follows: the desk, carry and reports too. Another clip's matte is another one."""
    plate, other, kept = tmp_path / "plate.tif", tmp_path / "other.tif", tmp_path / "g.json"
    write_picture(plate, FIRST.clip.read(1), None, bits=16)
    write_picture(other, take("take2").clip.read(1), None, bits=16)
    code, stdout, output = run("correct", plate, "--add", "box:.2,.1,.8,.7", "--graph-out", kept, "--json")
    assert code == 0, output
    told = json.loads(stdout)
    assert [each["message"] for each in told["warnings"]] == [told["verdict"]["sentence"]]
    assert "skin=accepted" in told["verdict"]["fix"]
    code, _, output = run("graph", "set", kept, "skin=accepted")
    assert (code, "skin.matte: not accepted → accepted" in output) == (0, True), output
    assert "matte accepted as it is" in run("graph", "show", kept)[1]
    are_alike(beside_each_other(Graph.load(kept), plate, kept), HOLDS, "on the line used here")
    state = State.of_graph(Graph.load(kept))
    with open_clip(plate) as clip:
        assert read_skin(Workbench(clip), state, "", 1)["warnings"] == []
    with open_clip(plate) as clip, open_clip(other) as second:
        carrier = Carrier(Graph.load(kept), Shot("plate", clip, 1), lambda seen: seen, light="copy")
        carried = carrier.carry(Shot("other", second, 1))
    assert (carried.verdict.status, "accepted" in carried.graph.notes()) == (CHECK, False)
    made = Run((RunClip("plate", str(plate), str(kept)),), reference="plate")
    assert not any("leaked" in text for text in findings.gather(made, most=1).clips[0].warnings)
    code, stdout, output = run("measure", other, "--graph", kept, "--json")
    assert (code, json.loads(stdout)["verdict"]["status"]) == (0, CHECK), output
    assert "accepted on another clip" in output
    result = tmp_path / "result.tif"
    assert run("render", kept, "--in", f"plate={plate}", "--out", f"result={result}")[0] == 0
    code, stdout, output = run("measure", result, "--graph", kept, "--corrected", "--json")
    assert (code, json.loads(stdout)["verdict"]["status"]) == (0, HOLDS), output
    assert run("graph", "set", kept, "soften.edge-blur=.5")[0] == 0
    assert "matte accepted" not in run("graph", "show", kept)[1]
    are_alike(beside_each_other(Graph.load(kept), plate, kept), CHECK, "The matte is in doubt")
    code, _, output = run("graph", "set", kept, "soften=accepted")
    assert (code, "no skin key 'soften' to accept the matte of. It has: skin." in output) == (2, True), output


@pytest.mark.parametrize("space", [(), ("--input-space", "srgb")], ids=("plain", "converted"))
def test_the_same_correction_again_keeps_what_was_accepted_and_another_says_so(space, tmp_path):
    plate, kept = tmp_path / "plate.tif", tmp_path / "g.json"
    write_picture(plate, FIRST.clip.read(1), None, bits=16)
    words = ("correct", plate, "--graph-out", kept, "--json", *space, "--add")
    assert run(*words, "box:.2,.1,.8,.7")[0] == 0
    assert run("graph", "set", kept, "skin=accepted")[0] == 0
    code, stdout, output = run(*words, "box:.2,.1,.8,.7")
    told = json.loads(stdout)
    assert (code, told["verdict"]["status"], told["warnings"]) == (0, HOLDS, []), output
    assert "matte accepted as it is" in run("graph", "show", kept)[1]
    code, stdout, output = run(*words, "box:.2,.1,.8,.71")
    told = json.loads(stdout)
    assert (code, told["verdict"]["status"]) == (0, CHECK), output
    assert any("accepted in the graph is another one now: it is judged" in note for note in told["notes"])
    assert "matte accepted" not in run("graph", "show", kept)[1]


@pytest.mark.parametrize(
    ("marks", "status", "part"),
    [
        (("--add", "box:.2,.1,.8,.7"), CHECK, "The matte is in doubt"),
        (BY_STROKE, HOLDS, "on the line used here"),
    ],
)
def test_a_finished_picture_is_not_praised_through_a_matte_in_doubt(marks, status, part, tmp_path):
    """Read by marks of its own, without a graph: a doubt counts there as it does through one, and is told once."""
    plate, result = tmp_path / "plate.tif", tmp_path / "result.tif"
    write_picture(plate, FIRST.clip.read(1), None, bits=16)
    assert run("correct", plate, *marks, "-o", result)[0] == 0
    code, stdout, output = run("measure", result, *marks, "--json")
    verdict = json.loads(stdout)["verdict"]
    assert (code, verdict["status"]) == (0, status), output
    assert part in verdict["sentence"]
    told = run("measure", result, *marks)[2]
    assert told.count("The matte is in doubt") == (status == CHECK)


def test_a_report_doubts_a_matte_as_the_correction_did(tmp_path):
    """On the frame that is shown, from the picture and the faces: what an edge that is plain takes back is not told."""
    plate, kept = tmp_path / "plate.tif", tmp_path / "g.json"
    write_picture(plate, FIRST.clip.read(1), None, bits=16)
    code, stdout, output = run("correct", plate, "--add", FIRST.face(), "--graph-out", kept, "--json")
    assert code == 0, output
    told = {each["message"] for each in json.loads(stdout)["warnings"]}
    run_file = Run((RunClip("plate", str(plate), str(kept)),), reference="plate")
    with open_clip(plate) as clip:
        witness = evidence.Witness(Graph.load(kept), lambda picture: picture)
        form_alone = {w.message for w in judge_matte(witness.pictures(clip, 1)["matte"])}
    found = set(findings.gather(run_file, most=1).clips[0].warnings)
    assert found & form_alone <= told


DOUBTED = {
    "a close-up": (None, None, HOLDS, set()),
    "persons on a third": (0.3, 0.0, CHECK, {"The matte is in doubt"}),
    "persons on a third, and all of it bare": (0.3, 1.0, HOLDS, set()),
    "more is bare": (1.0, 2.0, CHECK, {"What looks like bare skin is left out"}),
}
"""How much of the frame's width shows persons; what shows bare skin: the mark alone, the disc, the left too."""


@pytest.mark.parametrize("name", DOUBTED)
def test_every_surface_doubts_alike(name, tmp_path, monkeypatch):
    """Those that read a graph, and a desk and a host that learn the key themselves. The maps of people are drawn here:
    without them a disc that fills the frame would be a leak, but for what was seen where its key was learned."""
    persons, bare, status, doubts = DOUBTED[name]
    picture, disc = close_up()
    seen = np.stack([np.mgrid[:240, :240][1] < 240 * (persons or 0), disc * bool(bare)], axis=-1).astype(np.float32)
    seen[:, :60, 1] = np.maximum(seen[:, :60, 1], bare == 2)
    seen[100:140, 100:140, 1] = 1  # where the mark is
    monkeypatch.setattr(person, "find_person", lambda *_: np.ascontiguousarray(seen[..., 0]))
    monkeypatch.setattr(skin, "find_people", lambda *_, **__: seen)
    monkeypatch.setattr(faces, "find_faces", lambda *_, **__: ())
    for module in (person, faces):
        monkeypatch.setattr(module, "available", lambda: persons is not None)
    plate, kept = tmp_path / "plate.tif", tmp_path / "g.json"
    write_picture(plate, picture, None, bits=16)
    picture, mark = open_clip(plate).read(1), Sample.point(0.5, 0.5)
    code, stdout, output = run("correct", plate, "--add", mark, "--graph-out", kept, "--json")
    assert code == 0, output
    verdicts = {"correct": json.loads(stdout)["verdict"], **beside_each_other(Graph.load(kept), plate, kept)}
    with open_clip(plate) as clip:
        bench, marks = Workbench(clip), (Mark(1, 1, "", "skin", mark),)
        state, _ = Solver(bench, dataclasses.replace(State(), marks=marks)).everything(1)
        verdicts["desk alone"] = read_skin(bench, state, "", 1)["verdict"]
    verdicts["host alone"] = learned_in_a_host(mark, picture, monkeypatch)
    are_alike(verdicts, status, "")
    told = {found["sentence"].split(":")[0] for found in verdicts["measure"]["findings"] if found["status"] != HOLDS}
    assert told == doubts


def learned_in_a_host(mark, picture, monkeypatch):
    """The reading of the all-in-one effect once it has learned and solved by itself."""
    from inkarnat.nodes import correct

    told = []
    monkeypatch.setattr(correct, "judge", lambda *given: told.append(judge(*given)) or told[-1])
    aim = {"target_angle": 123.0, "target_bias": 0.0, "target_ratio": 0.0, "landing": "centre", "neutral": None}
    effect, asked = CorrectSkin(), {"skin_area": mark, PERSONS: person_in, **aim}
    for action in ("learn", "solve"):
        effect, _ = CorrectSkin.actions()[action].run(effect, asked, picture)
    return told[-1].as_dict(CONTROL)


def beside_each_other(graph, plate, kept):
    """What those say that read graphs: the graph is kept in a file."""
    code, stdout, output = run("measure", plate, "--graph", kept, "--json")
    assert code == 0, output
    verdicts = {"measure": json.loads(stdout)["verdict"]}
    with open_clip(plate) as clip:
        carrier = Carrier(graph, Shot("plate", clip, 1), lambda seen: seen)
        verdicts["carry"] = carrier.reference_carried().verdict.as_dict()
    made = Run((RunClip("plate", str(plate), str(kept)),), reference="plate")
    verdicts["report"] = findings.gather(made, most=1).clips[0].verdict.as_dict()
    return verdicts | {"desk": on_the_desk(graph, plate)}


def are_alike(verdicts, status, part):
    for surface, verdict in verdicts.items():
        told, known = ([(f["status"], f["sentence"]) for f in v["findings"]] for v in (verdict, verdicts["measure"]))
        assert told == known, surface
    assert verdicts["measure"]["status"] == status, verdicts["measure"]
    assert any(part in finding["sentence"] for finding in verdicts["measure"]["findings"]), verdicts["measure"]


@pytest.mark.parametrize(
    ("changes", "status", "part"),
    [
        ({}, HOLDS, "kept 60% from the look"),
        ({"keep": {"amount": 0.1}}, OFF, "the look still takes skin that lies on its target"),
        ({"keep": {"amount": 0.0}}, NOT_JUDGED, "not judged, skin kept 0%"),
        ({"steer": {"angle": 60.0}}, OFF, "kept 60% from the look"),
        ({"steer": {"saturation": 0.2}}, OFF, "it looks grey"),
    ],
)
def test_under_a_look_that_skin_is_kept_from_everybody_says_the_same(changes, status, part, tmp_path):
    """All but the reading of a host, which leaves the look out and says so."""
    from test_looks import cold_list

    plate, kept = tmp_path / "plate.tif", tmp_path / "g.json"
    write_picture(plate, FIRST.clip.read(1), None, bits=16)
    look = ("--under", cold_list(tmp_path), "--look-input", "bt709")
    marked = (*BY_STROKE, "--neutral", FIRST.card(), "--subtract", SAWDUST)
    code, stdout, output = run("correct", plate, *marked, *look, "--graph-out", kept, "--json")
    assert code == 0, output
    verdicts = {} if changes else {"correct": json.loads(stdout)["verdict"]}
    graph = Graph.load(kept)
    for id, values in changes.items():
        graph = bent(graph, values, id)
    graph.save(kept)
    are_alike(verdicts | beside_each_other(graph, plate, kept), status, part)


# --- a test for each complaint that led to the judge ----------------------------------------------------------


def test_a_doubt_about_the_light_clears_when_its_fix_is_done(tmp_path):
    """A turn above 25° names --light edges; with it the same clip needs less of a turn, or the next fix is named."""
    plate = tmp_path / "plate.tif"
    write_picture(plate, GREEN.clip.read(1), None, bits=16)
    told = [
        json.loads(run("correct", plate, "--add", GREEN.face(), "--graph-out", tmp_path / "g.json", "--json", *more)[1])
        for more in ((), ("--neutral", GREEN.card()))
    ]
    assert "--neutral" in told[0]["verdict"]["fix"]
    assert "--light edges" in told[0]["verdict"]["fix"]
    assert "--light edges" not in told[1]["verdict"]["fix"]


def test_a_neutral_mark_on_the_face_does_not_hold(tmp_path):
    """A light that makes skin grey is solved back to the line in hue: only where the mark lies tells it."""
    plate, file = tmp_path / "plate.tif", tmp_path / "g.json"
    write_picture(plate, FIRST.clip.read(1), None, bits=16)
    told = json.loads(run("correct", plate, *BY_STROKE, "--neutral", FIRST.card(), "--graph-out", file, "--json")[1])
    assert told["verdict"]["status"] == HOLDS
    graph = Graph.load(file)
    card = {"sample": str(FIRST.face()), "frame": 1}
    graph.with_notes({**graph.notes(), "card": card}).save(file)
    found = json.loads(run("measure", plate, "--graph", file, "--json")[1])["verdict"]
    assert (found["status"], "lies on what is keyed as skin" in found["sentence"]) == (CHECK, True)


def test_the_final_row_is_what_the_status_read_where_two_people_overlap(tmp_path):
    """Both are marked on one face, so each steers what the other has: neither ends where it was solved to."""
    plate = tmp_path / "plate.tif"
    write_picture(plate, FIRST.clip.read(1), None, bits=16)
    places = FIRST.scenes[0].places
    cheek, forehead = (Sample.point(*places[name]) for name in ("cheek", "forehead"))
    people = ("--subject", "one", "--add", cheek, "--subject", "other", "--add", forehead, "--bias", "14")
    code, out, output = run("correct", plate, *people, "--graph-out", tmp_path / "g.json")
    assert code == 0, output
    for name in ("one", "other"):
        (row,) = [line for line in out.splitlines() if line.startswith(f"{name} final")]
        angle = row.split("\t")[1]
        assert any(line.startswith(f"{name}: ") and f"reads {angle}" in line for line in out.splitlines()), output


def test_what_stands_beside_the_status_is_not_warned_of_as_well(tmp_path):
    plate = tmp_path / "plate.tif"
    write_picture(plate, FIRST.clip.read(1), None, bits=16)
    code, _, output = run("correct", plate, "-o", tmp_path / "skin.tif", "--add", "box:.2,.1,.8,.7")
    assert (code, " ".join(output.split()).count("The matte is in doubt")) == (0, 1), output


def test_signs_of_the_key_are_read_on_the_picture_whose_light_is_right(tmp_path):
    """A light 45 mired and .008 Duv off: after a correct card no stray colour is told."""
    shot = take("take4")
    plate = tmp_path / "plate.tif"
    write_picture(plate, shot.clip.read(1), None, bits=16)
    code, stdout, output = run(
        "correct", plate, "--neutral", shot.card(), "--add", shot.face(), "--subtract", SAWDUST, "--graph-out",
        tmp_path / "g.json", "--json",
    )  # fmt: skip
    assert code == 0, output
    told = json.loads(stdout)
    assert "stray" not in {warned["sign"] for warned in told["warnings"]}
    assert told["light_only"]["stray"] < 0.2
    assert told["light"] == CARD


def test_a_bias_and_an_edge_on_one_side_are_told_once_and_a_miss_with_its_cause(tmp_path):
    shot = take("take1")
    plate = tmp_path / "plate.tif"
    write_picture(plate, shot.clip.read(1), None, bits=16)
    base = ("correct", plate, "--add", shot.face(), "--graph-out", tmp_path / "g.json", "--json")
    notes = json.loads(run(*base, "--bias", "-3", "--rest", "edge")[1])["notes"]
    assert sum("moves it further to the same side" in note for note in notes) == 1
    notes = json.loads(run(*base, "--target-ratio", "0.9")[1])["notes"]
    assert any("saturation was missed by" in note and "limit" in note for note in notes)
    notes = json.loads(run(*base, "--target-ratio", ".2", "--saturation", ".7")[1])["notes"]
    assert not any("missed" in note for note in notes)
    code, _, output = run(*base, "--rest", "edge")
    assert (code, "--bias" in output) == (2, True)


def test_the_desk_and_carry_judge_the_same_clip_alike(tmp_path):
    """What the desk carries gets the status and the sentence of the command line's carry."""
    first, second = take("take1"), take("take2")
    for name, shot in (("take1", first), ("take2", second)):
        write_picture(tmp_path / f"{name}.tif", shot.clip.read(1), None, bits=16)
    marks = ("--add", first.face(), "--neutral", first.card())
    run("correct", tmp_path / "take1.tif", *marks, "--graph-out", tmp_path / "g.json")
    graph = Graph.load(tmp_path / "g.json")
    with open_clip(tmp_path / "take1.tif") as one, open_clip(tmp_path / "take2.tif") as two:
        by_command = Carrier(graph, Shot("take1", one, 1), lambda seen: seen).carry(Shot("take2", two, 1))
        state = dataclasses.replace(State.of_graph(dataclasses.replace(graph, about="")))
        by_desk = carry_state(state, "take1", one, 1).carry(Shot("take2", two, 1))
    assert [f.sentence for f in by_desk.verdict.findings] == [f.sentence for f in by_command.verdict.findings]
    assert by_desk.verdict.status == by_command.verdict.status


@pytest.mark.parametrize("turn", [-14, -24])
def test_faces_that_end_apart_are_told_on_every_surface(turn, tmp_path):
    """Twice the same portrait side by side, the right one redder: one correction turns both alike.

    Beside the status where two people may well differ so much, in it where hardly any two do.
    """
    scene = portrait("tan", 810, 240, 180)
    left = camera(scene.light, 810)
    right = SteerSkin(angle=turn).process(left, np.ones(left.shape[:2], np.float32))
    picture = np.ascontiguousarray(np.hstack([left, right]))
    x0, y0, x1, y1 = scene.places["face"]
    places = ((0.3, 0.4), (0.7, 0.4), (0.5, 0.6), (0.35, 0.8), (0.65, 0.8))
    faces = tuple(
        FaceMatte(*((side / 2 + (x0 + (x1 - x0) * x) / 2, y0 + (y1 - y0) * y) for x, y in places)) for side in (0, 1)
    )
    solved = solve_correction([MarkedFrame(1, picture, faces=faces)])
    graph = chain_graph(solved.links(), solved.outputs())
    assert [known.keyed for known in evidence.known_faces(graph, "", 1)] == [1.0, 1.0]
    write_picture(tmp_path / "two.tif", picture)
    with open_clip(tmp_path / "two.tif") as clip:
        with_face_note(graph, clip).save(tmp_path / "two.json")
        state = State.of_graph(graph)
        on_desk = read_skin(Workbench(clip), state, "", 1)
    code, out, _ = run("measure", tmp_path / "two.tif", "--graph", tmp_path / "two.json", "--json")
    assert code == 0
    nodes = {step.id: step.node for step in graph.steps}
    effect = CorrectSkin(
        model=nodes["skin"].model,
        angle=nodes["steer"].angle,
        joined=json.dumps({"keyed": [1.0, 1.0], "turns": True}),
        **{
            name: getattr(face, word)
            for face, slot in zip(faces, CorrectSkin.face_slots(), strict=True)
            for word, name in slot.items()
        },
    )
    asked = {"target_angle": 123.0, "target_bias": 0.0, "target_ratio": 0.0, "landing": "centre", "neutral": None}
    _, in_host = CorrectSkin.actions()["read"].run(effect, asked, picture)
    measured = json.loads(out)
    statuses = {measured["verdict"]["status"], on_desk["verdict"]["status"], in_host.split(":")[0]}
    assert (turn == -24) == (HOLDS not in statuses), statuses
    told_of = {
        "measure": [*measured.get("notes", ()), json.dumps(measured)],
        "desk": [*(each["message"] for each in on_desk["warnings"]), json.dumps(on_desk["verdict"])],
        "host": [in_host],
    }
    assert "This frame alone was read, and nothing here follows light that drifts" in in_host
    for surface, told in told_of.items():
        assert any("The faces in this key end from" in each for each in told), surface
        assert ("--subject" in " ".join(told)) == (surface == "measure"), surface


def test_a_mark_beside_skin_is_told_on_every_surface_as_long_as_it_counts(tmp_path, monkeypatch):
    """A click on the wall keys a spot of it with the face; the hue of the whole says nothing of that."""
    monkeypatch.setattr("inkarnat.host_adapters.shots.faces.available", lambda: True)
    monkeypatch.setattr("inkarnat.host_adapters.shots.faces.find_faces", lambda picture, again: [])
    plate, kept = tmp_path / "plate.tif", tmp_path / "g.json"
    write_picture(plate, FIRST.clip.read(1), None, bits=16)
    wall = "The point at 75 % across and 5 % down does not lie on what looks like bare skin"
    code, stdout, output = run("correct", plate, *BY_STROKE, "--add", "point:.75,.05", "--graph-out", kept, "--json")
    assert code == 0, output
    told = json.loads(stdout)
    assert [each["sign"] for each in told["warnings"]].count("not skin") == 1, "the stroke lies on skin"
    are_alike({"correct": told["verdict"]} | beside_each_other(Graph.load(kept), plate, kept), CHECK, wall)
    picture = open_clip(plate).read(1)
    asked = {"skin_1": Sample.point(0.75, 0.05), "skin_2": FIRST.face(), PERSONS: person_in}
    _, words = CorrectSkin.actions()["learn"].run(CorrectSkin(), asked, picture)
    assert wall in words
    code, _, output = run("graph", "set", kept, "balance.exposure=.2", "soften.edge-blur=.5", "--on", plate)
    assert code == 0, output
    are_alike(beside_each_other(Graph.load(kept), plate, kept), CHECK, wall)
    assert run("graph", "set", kept, "skin=accepted")[0] == 0
    code, stdout, _ = run("measure", plate, "--graph", kept, "--json")
    assert wall not in stdout
