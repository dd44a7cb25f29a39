"""Solved and by hand on clips: what changes upstream is learned and solved anew, and what is by hand stays."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.by_hand import typed_on
from inkarnat.host_adapters.graphs.errors import GraphError
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.graphs.parts import (
    Hand,
    Parts,
    back_to_solved,
    frozen_keys,
    parts_of,
    with_frozen,
    with_hand,
)
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.graphs.typed import BY_OPTION, read_typed
from inkarnat.host_adapters.shots.anew import solve_anew
from inkarnat.host_adapters.shots.carry import Carrier, Shot
from inkarnat.host_adapters.shots.marks import marks_of
from inkarnat.host_adapters.shots.solving import SolveOptions, SubjectMarks, look_at, solve
from inkarnat.nodes import Sample, measure_skin, solve_balance
from takes import SAWDUST, Reel, take, write

COLD = """<?xml version="1.0" encoding="UTF-8"?>
<ProcessList id="cold" compCLFversion="3.0"><Matrix inBitDepth="32f" outBitDepth="32f"><Array dim="3 3">
.95 0 0  0 1 0  0 0 1.06</Array></Matrix></ProcessList>"""


def hands(**typed: str) -> dict[str, Hand]:
    found = {}
    for name, text in typed.items():
        option = name.replace("_", "-")
        found[option] = read_typed(BY_OPTION[option], text, 252)
    return found


@functools.cache
def solved(*typed: tuple[str, str], card: bool = True, faces: bool = False, method: str = "turn"):
    shot = take("take1")
    marks = SubjectMarks("", ((None, shot.face()),), ((None, SAWDUST),))
    options = SolveOptions((marks,), (None, shot.card()) if card else None, faces=faces, typed=hands(**dict(typed)))
    if method != "turn":
        options = dataclasses.replace(options, wanted=dataclasses.replace(options.wanted, method=method))
    return solve(shot.clip, options)


def look(graph, origin, frame):
    return look_at(take("take1").clip.read)(graph, origin, frame)


def reading(graph: Graph, picture: np.ndarray):
    made = Runner(graph).run_frame(1, {"plate": picture}, ["result", "matte"])
    return measure_skin(made["result"], made["matte"])


def node(graph: Graph, id: str, frame: float = 1):
    return graph.by_id[id].node_at(frame)


def test_card_then_trim():
    shot = take("take1")
    by_card = solve_balance(shot.clip.read(1), shot.card())
    trimmed = solved(("temperature", "by:12"), ("tint", "by:-2")).graph
    assert node(trimmed, "balance").temperature == pytest.approx(by_card.temperature + 12)
    assert node(trimmed, "balance").tint == pytest.approx(by_card.tint - 0.002)
    assert parts_of(trimmed, "balance") == {
        "temperature": Parts(pytest.approx(by_card.temperature), Hand(12.0)),
        "tint": Parts(pytest.approx(by_card.tint), Hand(pytest.approx(-0.002))),
    }
    assert node(back_to_solved(trimmed, "balance"), "balance") == by_card


def test_a_typed_value_replaces_the_card_and_the_card_is_remembered():
    graph = solved(("temperature", "5")).graph
    assert node(graph, "balance").temperature == 5
    assert not parts_of(graph, "balance")["temperature"].is_solved
    assert node(back_to_solved(graph, "balance"), "balance") == solve_balance(
        take("take1").clip.read(1), take("take1").card()
    )


def test_the_marks_stand_in_the_graph():
    marks = marks_of(solved().graph, "skin")
    assert [each.frame for each in marks] == [1]
    assert marks[0].subtract == (SAWDUST,)
    assert marks[0].add[0].points == tuple(
        (pytest.approx(x, abs=1e-8), pytest.approx(y, abs=1e-8)) for x, y in take("take1").face().points
    )


@pytest.mark.parametrize("method", ["turn", "light"])
def test_solve_nudge_change_the_light_and_the_nudge_stays(method):
    nudge = ("turn", "by:1.5") if method == "turn" else ("skin_tint", "by:-1")
    name, amount = ("angle", 1.5) if method == "turn" else ("tint", -0.001)
    before = solved(nudge, method=method).graph
    assert parts_of(before, "steer")[name].hand == Hand(pytest.approx(amount))
    warmer = with_hand(before, "balance", {"temperature": Hand(12.0)})
    done = solve_anew(warmer, look, 1, "balance")
    parts = parts_of(done.graph, "steer")
    assert parts[name].hand == Hand(pytest.approx(amount)), "the nudge stays"
    assert parts[name].solved != parts_of(before, "steer")[name].solved, "the solve is done again"
    assert node(done.graph, "skin").model != node(before, "skin").model, "the key is learned again"
    # The same as solving from the start in that light: to nine digits of the marks' places.
    fresh = solved(nudge, ("temperature", "by:12"), method=method).graph
    assert parts_of(fresh, "steer")[name].solved == pytest.approx(
        parts[name].solved, abs=0.02 if method == "turn" else 2e-5
    )
    assert node(done.graph, "steer").angle == pytest.approx(node(fresh, "steer").angle, abs=0.02)
    assert any("learned anew from 1 sample" in words for words in done.said)
    assert any("by hand" in words and "solved anew" in words for words in done.said), done.said
    # Without the hand's part the skin rests on the line.
    rested = reading(back_to_solved(done.graph, "steer"), take("take1").clip.read(1))
    assert rested.angle == pytest.approx(123, abs=0.1)


def test_what_replaces_the_solve_is_kept_and_said():
    before = solved(("turn", "4")).graph
    done = solve_anew(with_hand(before, "balance", {"temperature": Hand(12.0)}), look, 1, "balance")
    assert node(done.graph, "steer").angle == 4
    assert any("turn +4° by hand" in words and "stays" in words for words in done.said), done.said


def test_a_frozen_key_stays_and_the_steering_is_solved_on_it():
    before = with_frozen(solved().graph, "skin")
    assert frozen_keys(before) == ("skin",)
    done = solve_anew(with_hand(before, "balance", {"temperature": Hand(12.0)}), look, 1, "balance")
    assert node(done.graph, "skin") == node(before, "skin")
    assert node(done.graph, "steer").angle != node(before, "steer").angle
    assert any(words.startswith("skin: frozen") for words in done.said)
    assert frozen_keys(with_frozen(done.graph, "skin", False)) == ()


def test_what_does_not_stand_behind_the_change_stays():
    before = solved(("turn", "by:1.5")).graph
    for changed in ("steer", "soften"):
        done = solve_anew(before, look, 1, changed)
        assert done.graph.by_id["skin"] == before.by_id["skin"]
    assert solve_anew(before, look, 1, "steer") == type(done)(before, ())


def test_a_key_without_noted_marks_stays_and_says_so():
    before = solved().graph
    notes = {name: entry for name, entry in before.notes().items() if name != "marks"}
    done = solve_anew(before.with_notes(notes), look, 1)
    assert node(done.graph, "skin") == node(before, "skin")
    assert any("does not say from which marks" in words for words in done.said)


def test_nothing_changed_gives_the_same_again():
    before = solved(("turn", "by:1.5")).graph
    done = solve_anew(before, look, 1)
    assert node(done.graph, "steer").angle == pytest.approx(node(before, "steer").angle, abs=0.02)


# --- by command ---------------------------------------------------------------------------------------------


def test_solve_nudge_and_change_the_light_by_command(tmp_path):
    shot = take("take1")
    clip, graph = write(shot, tmp_path), tmp_path / "g.json"

    def run(*words: object) -> str:
        done = CliRunner().invoke(cli, [str(word) for word in words])
        assert done.exit_code == 0, done.output
        return done.output

    run("correct", clip, "--add", shot.face(), "--subtract", SAWDUST, "--turn", "by:1.5", "--graph-out", graph)
    before = Graph.load(graph)
    assert "balance" not in before.by_id
    told = run("graph", "set", graph, "balance.temperature=10", "skin=frozen", "--on", clip)
    assert "balance.temperature: 0 mired → +10 mired" in told
    assert "skin: frozen, so it stays as it was learned." in told
    assert "frozen: a change before it does not learn it anew" in run("graph", "show", graph)
    assert "by hand +1.5°" in told
    frozen = Graph.load(graph)
    assert node(frozen, "skin") == node(before, "skin")
    told = run("graph", "set", graph, "skin=free", "balance.temperature=by:2", "--on", clip)
    assert "learned anew from" in told
    free = Graph.load(graph)
    assert node(free, "skin") != node(before, "skin")
    assert node(free, "balance").temperature == 12
    assert parts_of(free, "steer")["angle"].hand == Hand(pytest.approx(1.5))
    told = run("graph", "set", graph, "steer.turn=solved")
    assert node(Graph.load(graph), "steer").angle == pytest.approx(node(free, "steer").angle - 1.5)
    run("graph", "set", graph, "steer.turn=4")
    assert parts_of(Graph.load(graph), "steer")["angle"].hand == Hand(4.0, adds=False)
    told = run("graph", "set", graph, "balance.temperature=0", "--on", clip)
    assert "turn +4° by hand" in told
    assert node(Graph.load(graph), "steer").angle == 4


@pytest.mark.parametrize("option", ["--view", "--input-space"])
def test_by_command_a_clip_is_read_and_seen_as_when_it_was_solved(tmp_path, option):
    shot = take("take1")
    clip, graph = write(shot, tmp_path), tmp_path / "g.json"
    (tmp_path / "cold.clf").write_text(COLD)
    told = [option, str(tmp_path / "cold.clf") if option == "--view" else "p3_d65"]

    def turn(*words: object) -> float:
        done = CliRunner().invoke(cli, [str(word) for word in words])
        assert done.exit_code == 0, done.output
        return node(Graph.load(graph), "steer").angle

    first = turn("correct", clip, "--add", shot.face(), "--subtract", SAWDUST, *told, "--graph-out", graph)
    turn("graph", "set", graph, "steer.turn=9")
    assert turn("graph", "set", graph, "balance.temperature=0", "steer.turn=solved", "--on", clip, *told) == (
        pytest.approx(first, abs=0.1)
    )
    assert abs(turn("graph", "set", graph, "balance.temperature=0", "--on", clip) - first) > 0.5


def test_what_cannot_be_frozen_or_taken_back_is_told(tmp_path):
    solved().graph.save(tmp_path / "g.json")
    for words, said in (
        ("soften=frozen", "no skin key 'soften' to freeze. It has: skin."),
        ("steer.skin-amount=solved", "was never solved"),
    ):
        done = CliRunner().invoke(cli, ["graph", "set", str(tmp_path / "g.json"), words])
        assert done.exit_code == 2
        assert said in done.output


# --- on other clips -----------------------------------------------------------------------------------------


def carrier(graph: Graph, **options) -> Carrier:
    return Carrier(graph, Shot("take1", take("take1").clip, 1), lambda picture: picture, **options)


@pytest.mark.parametrize("again", [False, True])
def test_both_parts_are_carried(again):
    graph = solved(("temperature", "by:12"), ("turn", "by:1.5")).graph
    other = take("take2")
    shot = Shot("take2", other.clip, 1, other.card(), (other.face(),), (SAWDUST,))
    carried = carrier(graph).carry(shot, again)
    card = solve_balance(other.clip.read(1), other.card())
    assert node(carried.graph, "balance").temperature == pytest.approx(card.temperature + 12)
    light = parts_of(carried.graph, "balance")
    assert light["temperature"] == Parts(pytest.approx(card.temperature), Hand(pytest.approx(12.0)))
    assert light["tint"] == Parts(pytest.approx(card.tint), None)
    steer = parts_of(carried.graph, "steer")["angle"]
    assert steer.hand == Hand(1.5)
    assert node(carried.graph, "steer").angle == pytest.approx(steer.solved + 1.5)
    if again:
        assert reading(back_to_solved(carried.graph, "steer"), other.clip.read(1)).angle == pytest.approx(123, abs=0.3)
        assert marks_of(carried.graph, "skin")[0].add[0].kind == "stroke"


def test_values_are_set_on_every_clip_that_is_carried_to():
    graph = solved().graph
    other = take("take2")
    typed = hands(turn="by:1", exposure=".2", black="-2", edge="-.3", saturation="0:1,2:.9", steady_matte="1")
    carried = carrier(graph, typed=typed).carry(Shot("take2", other.clip, 1, other.card())).graph
    assert node(carried, "steer").angle == pytest.approx(node(graph, "steer").angle + 1)
    assert node(carried, "balance").exposure == 0.2
    assert node(carried, "tone").black == pytest.approx(0.02)
    assert node(carried, "soften").position == -3
    assert [node(carried, "saturation", at).saturation for at in (0, 2)] == [1, pytest.approx(0.9)]
    assert node(carried, "steady").frames == 1
    order = [step.id for step in carried.order(["result"])]
    assert order.index("balance") < order.index("tone") < order.index("saturation") < order.index("skin")
    assert order.index("soften") < order.index("steady") < order.index("steer")
    picture = np.array(other.clip.read(1))
    fresh = Runner(carried).run_frame(1, lambda _, at: picture, ["result"])["result"]
    assert np.isfinite(fresh).all()


def test_what_is_typed_has_its_place_or_says_that_it_has_none():
    bare = Graph.from_dict({"inkarnat": 1, "nodes": [], "outputs": {"result": "plate"}})
    done = typed_on(bare, hands(temperature="10"))
    assert [step.id for step in done.steps] == ["balance"]
    assert dict(done.outputs) == {"result": "balance"}
    with pytest.raises(GraphError, match="--turn has nothing to set"):
        typed_on(bare, hands(turn="3"))
    with pytest.raises(GraphError, match="--turn must be"):
        typed_on(solved(("turn", "by:170")).graph, hands(turn="by:170"))


# --- blacks -------------------------------------------------------------------------------------------------


def test_coloured_blacks_become_neutral_and_the_card_stays_grey():
    """A cheap camera lifts each component by another amount; a balance cannot fix both ends (common practice)."""
    shot = take("take1")
    lift = np.array([0.09, 0.05, 0.03], np.float32)
    lifted = Reel("lifted", [picture * (1 - lift) + lift for picture in shot.clip.pictures])
    dark = darkest(lifted.read(1))
    marks = SubjectMarks("", ((None, shot.face()),), ((None, SAWDUST),))
    given = {"black": (None, dark), "faces": False}
    done = solve(lifted, SolveOptions((marks,), (None, shot.card()), **given))
    plain = solve(lifted, SolveOptions((marks,), (None, shot.card()), faces=False))
    tone = node(done.graph, "tone")
    assert min(tone.neutral_black) == 0
    assert tone.neutral_black[0] > 0.01

    def colour(graph: Graph, sample: Sample) -> float:
        made = Runner(graph).run_frame(1, {"plate": lifted.read(1)}, ["result"])["result"]
        mean = made[sample.mask(*made.shape[:2])].mean(0)
        return float(mean.max() - mean.min())

    assert colour(done.graph, dark) < 0.004 < colour(plain.graph, dark)
    assert colour(done.graph, shot.card()) < 0.01
    again = solve_anew(
        with_hand(done.graph, "balance", {"temperature": Hand(10.0)}), look_at(lifted.read), 1, "balance"
    )
    assert colour(again.graph, dark) < 0.004
    assert any("colour of black is read anew" in words for words in again.said)


def darkest(picture: np.ndarray) -> Sample:
    """The darkest of a grid of boxes."""
    height, width = picture.shape[:2]
    boxes = [(x / 24, y / 16, (x + 1) / 24, (y + 1) / 16) for x in range(24) for y in range(16)]
    levels = [
        picture[int(t * height) : int(b * height), int(le * width) : int(r * width)].mean() for le, t, r, b in boxes
    ]
    return Sample.box(*boxes[int(np.argmin(levels))])
