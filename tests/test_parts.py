"""Solved and by hand: two parts of one value, in the notes of a graph."""

from __future__ import annotations

import json

import pytest
from inkarnat.host_adapters.graphs.errors import GraphError
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.keyframes import Keyframes
from inkarnat.host_adapters.graphs.parts import (
    Hand,
    Parts,
    apart,
    back_to_solved,
    parts_of,
    summed,
    with_hand,
    with_parts,
    with_solved,
)
from inkarnat.host_adapters.openfx.controls import controls_of
from inkarnat.nodes import CorrectSkin, SkinKey, SteerSkin
from inkarnat.nodes.declare import ParamError

PLAIN = Graph.of(
    Step.of("skin", SkinKey(), image="plate"),
    Step.of("steer", SteerSkin(angle=3.0), image="plate", matte="skin"),
    result="steer",
    matte="skin",
)
RAMP = Keyframes(((0, 0.0), (48, 3.0)))


def angle(graph: Graph, frame: float = 0) -> float:
    return graph.by_id["steer"].node_at(frame).angle


def again(graph: Graph) -> Graph:
    return Graph.from_dict(json.loads(json.dumps(graph.to_dict())))


def solved(graph: Graph, value: float) -> Graph:
    return with_solved(graph, "steer", SteerSkin(angle=value, centre_angle=110), ["angle"])


def test_a_nudge_stays_where_the_solve_is_done_again():
    graph = with_hand(solved(PLAIN, 3.0), "steer", {"angle": Hand(1.5)})
    assert angle(graph) == pytest.approx(4.5)
    graph = again(solved(graph, -2.0))
    assert angle(graph) == pytest.approx(-0.5)
    assert graph.by_id["steer"].node.centre_angle == 110
    assert parts_of(graph, "steer") == {"angle": Parts(-2.0, Hand(1.5))}
    assert angle(back_to_solved(graph, "steer")) == pytest.approx(-2.0)


@pytest.mark.parametrize("name", CorrectSkin.parts())
def test_a_host_adds_what_a_graph_adds(name):
    """One rule: by hand is added to what is solved. A host's control by hand rests on the parameter's default."""
    rest, typed = CorrectSkin.params()[name].default, {"tint": 0.002, "skin_tint": 0.002, "skin_saturation": -0.1}
    solved, more = rest + 2.5 * typed.get(name, 1.5), typed.get(name, 1.5)
    in_graph = Parts(solved, Hand(more)).amount(rest)
    assert CorrectSkin.whole(name, solved, rest + more) == pytest.approx(in_graph, abs=1e-12)
    node = CorrectSkin(**{name: solved}).with_hand({name: rest + more})
    assert getattr(node, name) == pytest.approx(in_graph, abs=1e-12)
    (control,) = (c for c in controls_of(CorrectSkin) if c.name == name)
    assert "Added to what is solved" in control.properties[b"OfxParamPropHint"][0]


def test_what_replaces_the_solve_stays_as_it_is():
    graph = with_hand(solved(PLAIN, 3.0), "steer", {"angle": Hand(4.0, adds=False)})
    graph = again(solved(graph, -2.0))
    assert angle(graph) == 4.0
    assert not parts_of(graph, "steer")["angle"].is_solved
    assert angle(back_to_solved(graph, "steer", ["angle"])) == -2.0


def test_a_value_that_somebody_set_is_the_hand_of_it():
    graph = solved(PLAIN, 3.0)
    steps = (graph.steps[0], Step.of("steer", SteerSkin(angle=5.0), image="plate", matte="skin"))
    graph = Graph(steps, graph.outputs, about=graph.about)
    assert parts_of(graph, "steer")["angle"] == Parts(3.0, Hand(pytest.approx(2.0)))
    assert angle(solved(graph, 1.0)) == pytest.approx(3.0)


def test_keyframes_by_hand_are_added_to_what_is_solved():
    graph = with_hand(solved(PLAIN, 2.0), "steer", {"angle": Hand(RAMP)})
    assert [angle(graph, frame) for frame in (0, 24, 48)] == pytest.approx([2.0, 3.5, 5.0])
    graph = again(solved(graph, -1.0))
    assert [angle(graph, frame) for frame in (0, 24, 48)] == pytest.approx([-1.0, 0.5, 2.0])
    plain = back_to_solved(graph, "steer")
    assert plain.by_id["steer"].keyed == ()
    assert angle(plain) == -1.0


def test_a_solved_part_that_changes_over_time_takes_a_constant_nudge():
    found = SteerSkin(angle=0.0)
    graph = with_solved(PLAIN, "steer", found, ["angle"], {"angle": RAMP})
    graph = with_hand(graph, "steer", {"angle": Hand(1.0)})
    assert [angle(graph, frame) for frame in (0, 48)] == pytest.approx([1.0, 4.0])


def test_sums_have_a_keyframe_wherever_one_of_them_has():
    other = Keyframes(((24, 10.0), (48, 0.0)))
    total = summed(RAMP, other)
    assert [frame for frame, _ in total.pairs] == [0, 24, 48]
    for frame in (0, 12, 24, 30, 48, 60):
        assert total.value_at(frame) == pytest.approx(RAMP.value_at(frame) + other.value_at(frame))
        assert apart(total, other).value_at(frame) == pytest.approx(RAMP.value_at(frame))


def test_a_graph_without_notes_stays_in_format_1():
    assert PLAIN.to_dict()["inkarnat"] == 1
    assert parts_of(PLAIN, "steer") == {}
    graph = with_hand(PLAIN, "steer", {"angle": Hand(1.0)})
    assert graph.to_dict()["inkarnat"] == 2
    assert parts_of(graph, "steer")["angle"].solved == 3.0, "what stood there counts as solved"


def test_what_the_two_parts_come_to_must_be_allowed():
    with pytest.raises(ParamError, match=r"steer_skin\.angle"):
        with_hand(solved(PLAIN, 170.0), "steer", {"angle": Hand(20.0)})
    with pytest.raises(ParamError, match="at frame 48"):
        with_parts(PLAIN, "steer", {"amount": Parts(None, Hand(Keyframes(((0, 0.5), (48, 1.5))), adds=False))})


def test_damaged_notes_and_unknown_names_are_told():
    for notes in ({"parts": 3}, {"parts": {"steer": 3}}, {"parts": {"steer": {"angle": {"solved": "x"}}}}):
        with pytest.raises(GraphError, match="damaged"):
            parts_of(PLAIN.with_notes(notes), "steer")
    with pytest.raises(GraphError, match="no step 'stear'"):
        parts_of(PLAIN, "stear")
    with pytest.raises(GraphError, match="never solved"):
        back_to_solved(PLAIN, "steer", ["amount"])
    with pytest.raises(ParamError, match="no parameter 'angel'"):
        with_hand(PLAIN, "steer", {"angel": Hand(1.0)})
