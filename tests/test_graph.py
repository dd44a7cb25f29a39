"""Graph files: every way to be wrong gives one clear error, and what is right survives a round trip."""

from __future__ import annotations

import copy
import itertools
import json
import pickle
from pathlib import Path

import numpy as np
import pytest
import tiny
from hypothesis import example, given, settings
from hypothesis import strategies as st
from inkarnat.host_adapters.graphs import graph as graph_module
from inkarnat.host_adapters.graphs import upgrades
from inkarnat.host_adapters.graphs.errors import GraphError, exit_code
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.keyframes import Keyframes
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.media.files import InputError
from inkarnat.host_adapters.writes import OutputError
from inkarnat.nodes import NODES, ToneCurve
from inkarnat.nodes.declare import ParamError
from scipy.interpolate import PchipInterpolator

GOOD = {
    "inkarnat": 1,
    "sources": ["plate", "look"],
    "nodes": [
        {"id": "light", "node": "gain", "version": 1, "inputs": {"image": "plate"}, "params": {"factor": 2.0}},
        {"id": "key", "node": "threshold", "version": 1, "inputs": {"image": "light"}, "params": {}},
        {
            "id": "joined",
            "node": "mix",
            "version": 3,
            "inputs": {"first": "look", "second": "light", "matte": "key"},
        },
        {
            "id": "all",
            "node": "everything",
            "version": 1,
            "inputs": {"image": "joined"},
            "params": {
                "amount": {"keyframes": [[1, 0.0], [10, 1.0]], "between": "smooth"},
                "radius": {"knots": [[1, 0], [11, 10]]},
                "place": {"keyframes": [[1, [0, 0]], [3, [1, 2]]]},
                "outline": {"knots": [[1, [[0, 0], [1, 1]]], [2, [[1, 0], [1, 3]]]]},
                "side": "edge",
            },
        },
    ],
    "outputs": {"result": "all", "matte": "key"},
}


def read(data: object) -> Graph:
    return Graph.from_dict(data, tiny.NODES)


def changed(path: str, value: object) -> dict:
    """A copy of GOOD with the entry at ``nodes.0.inputs`` and the like set, or removed where value is ``...``."""
    data = copy.deepcopy(GOOD)
    *way, last = [int(part) if part.isdigit() else part for part in path.split(".")]
    place = data
    for part in way:
        place = place[part]
    if value is ...:
        del place[last]
    else:
        place[last] = value
    return data


# --- what is right ------------------------------------------------------------------------------------------


def test_round_trip_through_json_and_pickle():
    graph = read(GOOD)
    again = read(json.loads(json.dumps(graph.to_dict())))
    assert again == graph
    assert hash(again) == hash(graph)
    assert again.to_dict() == graph.to_dict()
    assert pickle.loads(pickle.dumps(graph)) == graph


def test_given_data_is_left_as_it_was():
    data = copy.deepcopy(GOOD)
    read(data)
    assert data == GOOD


def test_saved_file_is_the_same_graph_and_stable(tmp_path):
    graph = read(GOOD)
    graph.save(tmp_path / "one.json")
    Graph.load(tmp_path / "one.json", tiny.NODES).save(tmp_path / "two.json")
    assert Graph.load(tmp_path / "two.json", tiny.NODES) == graph
    assert (tmp_path / "one.json").read_bytes() == (tmp_path / "two.json").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["one.json", "two.json"]
    assert list(json.loads((tmp_path / "one.json").read_text())) == ["inkarnat", "sources", "nodes", "outputs"]


def test_layout_is_plain_json_of_the_same_data():
    data = read(GOOD).to_dict()
    assert json.loads(graph_module._layout(data)) == data
    assert max(map(len, graph_module._layout(data).splitlines())) <= 120


def test_sources_left_out_are_the_plate():
    assert read({"inkarnat": 1, "outputs": {"same": "plate"}}).sources == ("plate",)


def test_order_puts_readers_after_what_they_read_and_leaves_out_the_rest():
    graph = read(GOOD)
    assert [step.id for step in graph.order()] == ["light", "key", "joined", "all"]
    assert [step.id for step in graph.order(["matte"])] == ["light", "key"]
    assert graph.sources_of(["matte"]) == ("plate",)
    assert graph.sources_of() == ("plate", "look")
    assert (graph.kind("key"), graph.kind("plate")) == ("matte", "picture")


def test_longest_chain_of_nodes():
    steps = [Step.of("n0", tiny.Gain(), image="plate")]
    steps += [Step.of(f"n{i}", tiny.Gain(), image=f"n{i - 1}") for i in range(1, graph_module.MOST_NODES)]
    graph = Graph.of(*reversed(steps), result=f"n{len(steps) - 1}")
    assert [step.id for step in graph.order()] == [step.id for step in steps]
    with pytest.raises(GraphError, match="at most 1000 nodes, not 1001"):
        Graph.of(*steps, Step.of("more", tiny.Gain(), image="plate"), result="n0")


# --- what is wrong ------------------------------------------------------------------------------------------

WRONG = [
    ("inkarnat", ..., "not a graph.*inkarnat.*None"),
    ("inkarnat", "1", "not a graph"),
    ("inkarnat", True, "not a graph"),
    ("inkarnat", 3, "is 3, newer than the 2 known here: update Inkarnat"),
    ("inkarnat", 0, "never in use: write 2"),
    ("output", {}, "no entry 'output'. Did you mean 'outputs'"),
    ("sources", "plate", '"sources" must be a list'),
    ("sources", ["plate", 3], '"sources" must be a list'),
    ("sources", ["plate", "look", "plate"], "'plate' is taken twice, as source and as source"),
    ("sources", ["plate", "look", "light"], "'light' is taken twice, as source and as node id"),
    ("sources", ["plate", "look", "a b"], "source 'a b' must be a letter"),
    ("sources", [f"s{i}" for i in range(101)], "at most 100 sources, not 101"),
    ("nodes", {}, '"nodes" must be a list'),
    ("nodes.1", 7, "Node number 2 must be an object"),
    ("nodes.1.id", ..., 'Node number 2: "id" must be a letter.*not None'),
    ("nodes.1.id", "light", "'light' is taken twice, as node id and as node id"),
    ("nodes.1.id", "1key", "must be a letter.*'1key'"),
    ("nodes.1.id", "key\n", "must be a letter"),
    ("nodes.1.id", "k" * 65, "at most 64"),
    ("nodes.1.node", "treshold", "Node 'key': there is no node 'treshold'. Did you mean 'threshold'"),
    ("nodes.1.node", "zzzzzz", "one of gain, threshold, mix"),
    ("nodes.1.node", None, "one of gain, threshold, mix"),
    ("nodes.1.version", ..., "Node 'key': \"version\" is missing; for threshold it must be 1"),
    ("nodes.1.version", 1.0, '"version" is 1.0; for threshold it must be 1'),
    ("nodes.1.version", 2, "version of threshold is 2, newer than the 1 known here: update Inkarnat"),
    ("nodes.2.version", 0, "never in use: write 3"),
    ("nodes.1.param", {}, "Node 'key' has no entry 'param'. Did you mean 'params'"),
    ("nodes.1.params", [], "Node 'key': \"params\" must be names and values"),
    ("nodes.1.params", {"lo": 1}, "Node 'key': threshold has no parameter 'lo'. Did you mean 'low'"),
    ("nodes.1.params", {"low": 2}, "Node 'key': threshold.low must be a number 0 to 1, not 2"),
    ("nodes.1.params", {"low": "0.2"}, "threshold.low must be a number 0 to 1, not '0.2'"),
    ("nodes.1.params", {"low": 0.7}, "threshold.low must be below threshold.high"),
    ("nodes.1.params", {"low": {"keyframes": [[1, 0.1], [9, 0.9]]}}, "at frame 9: threshold.low must be below"),
    (
        "nodes.1.params",
        {"low": {"keyframes": [[1, 0.1], [9, 1.5]]}},
        "threshold.low at frame 9 must be a number 0 to 1",
    ),
    ("nodes.1.params", {"low": {}}, '"keyframes" must be a list.*None'),
    ("nodes.1.params", {"low": {"keyframes": []}}, '"keyframes" must be a list'),
    ("nodes.1.params", {"low": {"keyframes": [[1]]}}, r"a keyframe must be \[frame, value\]"),
    ("nodes.1.params", {"low": {"keyframes": [[None, 0.1]]}}, r"a keyframe must be \[frame, value\]"),
    ("nodes.1.params", {"low": {"keyframes": [[10**12, 0.1]]}}, r"a keyframe must be \[frame, value\]"),
    ("nodes.1.params", {"low": {"keyframes": [[2, 0.1], [2, 0.1]]}}, "must rise, but 2 follows 2"),
    ("nodes.1.params", {"low": {"keyframes": [[1, 0.1]], "betwen": "x"}}, "not 'betwen'"),
    ("nodes.1.params", {"low": {"keyframes": [[1, 0.1]], "between": "smoth"}}, "Did you mean 'smooth'"),
    ("nodes.3.params", {"on": {"keyframes": [[1, True]]}}, "everything.on cannot change over time"),
    ("nodes.3.params", {"side": {"keyframes": [[1, "edge"]]}}, "everything.side cannot change over time"),
    ("nodes.3.params", {"note": {"keyframes": [[1, "x"]]}}, "everything.note cannot change over time"),
    ("nodes.3.params", {"side": "edg"}, "one of centre, edge, not 'edg'. Did you mean 'edge'"),
    ("nodes.3.params", {"outline": {"keyframes": [[1, [[0, 0]]], [2, []]]}}, "as many points as the first, 1, not 0"),
    ("nodes.1.inputs", [], "Node 'key': \"inputs\" must be names"),
    ("nodes.1.inputs", {"image": ["light"]}, "'image' must name a source or a node id"),
    ("nodes.1.inputs", {}, "Node 'key' .threshold. has nothing on its input 'image': connect a picture"),
    ("nodes.1.inputs", {"image": "light", "mate": "key"}, "has no input 'mate'"),
    ("nodes.2.inputs.matt", "key", "has no input 'matt'. Did you mean 'matte'"),
    ("nodes.1.inputs.image", "lihgt", "Input 'image' of node 'key' is 'lihgt', which is neither.*mean 'light'"),
    ("nodes.2.inputs.matte", "plate", "Node 'joined' .mix. takes a matte on 'matte', but 'plate' gives a picture"),
    ("nodes.2.inputs.first", "key", "takes a picture on 'first', but 'key' gives a matte"),
    ("nodes.0.inputs.image", "all", "'light' → .*'all'|'all' → .*'light'"),
    ("nodes.0.inputs.image", "light", "run in a circle, 'light' → 'light'"),
    ("outputs", ..., '"outputs" must be names.*None'),
    ("outputs", {}, "has no outputs"),
    ("outputs", ["all"], '"outputs" must be names'),
    ("outputs.result", 4, "'result' must name a source or a node id"),
    ("outputs.result", "al", "Output 'result' is 'al', which is neither.*Did you mean 'all'"),
    ("outputs.a/b", "all", "output 'a/b' must be a letter"),
    ("outputs", {f"o{i}": "all" for i in range(101)}, "at most 100 outputs"),
]


@pytest.mark.parametrize(("path", "value", "message"), WRONG, ids=[f"{p}-{i}" for i, (p, _, _) in enumerate(WRONG)])
def test_wrong_graph_gives_one_clear_error(path, value, message):
    with pytest.raises(GraphError, match=message) as caught:
        read(changed(path, value))
    assert exit_code(caught.value) == 2
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 600


@pytest.mark.parametrize("data", [None, [], "graph", 3, [GOOD]])
def test_a_graph_is_an_object(data):
    with pytest.raises(GraphError, match="A graph is an object in braces"):
        read(data)


def test_too_many_keyframes_are_counted_over_the_whole_graph():
    half = {"keyframes": [[frame, 0.1] for frame in range(50_001)]}  # and 8 more elsewhere
    with pytest.raises(GraphError, match="at most 100000 keyframes, not 100010"):
        read(changed("nodes.1.params", {"low": half, "high": half}))


def test_a_long_circle_is_shown_short():
    steps = [Step.of(f"n{i}", tiny.Gain(), image=f"n{(i + 1) % 50}") for i in range(50)]
    with pytest.raises(GraphError, match=r"run in a circle.*…") as caught:
        Graph.of(*steps, result="n0")
    assert len(str(caught.value)) < 200


def test_unknown_output_is_named_with_the_nearest():
    with pytest.raises(GraphError, match=r"no output 'mat'.*Did you mean 'matte'"):
        read(GOOD).order(["mat"])


# --- files --------------------------------------------------------------------------------------------------

TEXTS = [
    (b"\xff\xfe\x00", "UTF-8"),
    (b"", "line 1, column 1"),
    (b'{"inkarnat": 1,\n "outputs": }', "line 2, column 13"),
    (b"[" * 100_000, "nested too deeply"),
    (b'{"inkarnat": NaN}', "NaN is not a number"),
    (b'{"inkarnat": -Infinity}', "-Infinity is not a number"),
    (b'{"inkarnat": 1, "outputs": {"a": "plate", "a": "plate"}}', "'a' stands twice"),
    (b'{"inkarnat": ' + b"9" * 5000 + b"}", "too many digits"),
    (b"{}", "not a graph"),
    (b"null", "object in braces"),
]


@pytest.mark.parametrize(("content", "message"), TEXTS, ids=[message for _, message in TEXTS])
def test_wrong_file_is_named(tmp_path, content, message):
    path = tmp_path / "workshop.json"
    path.write_bytes(content)
    with pytest.raises(GraphError, match=f"workshop.json: .*{message}"):
        Graph.load(path, tiny.NODES)


def test_too_large_file(tmp_path):
    path = tmp_path / "large.json"
    with path.open("wb") as file:
        file.truncate(graph_module.MOST_BYTES + 1)
    with pytest.raises(GraphError, match=r"large\.json: .*at most 32 MB"):
        Graph.load(path, tiny.NODES)


@pytest.mark.parametrize("name", ["missing.json", ".", "a\0b"])
def test_unreadable_file_is_an_input_error(tmp_path, name):
    with pytest.raises(InputError, match=r"cannot be read|does not exist") as caught:
        Graph.load(f"{tmp_path}/{name}", tiny.NODES)
    assert exit_code(caught.value) == 3


def test_a_byte_order_mark_is_no_matter(tmp_path):
    path = tmp_path / "graph.json"
    path.write_text(json.dumps(GOOD), encoding="utf-8-sig")
    assert Graph.load(path, tiny.NODES) == read(GOOD)


def test_unwritable_place_is_an_output_error_and_leaves_nothing(tmp_path):
    with pytest.raises(OutputError) as caught:
        read(GOOD).save(tmp_path / "no" / "graph.json")
    assert exit_code(caught.value) == 5
    assert list(tmp_path.iterdir()) == []


# --- junk ---------------------------------------------------------------------------------------------------

GRAPH_WORDS = ("inkarnat", "sources", "nodes", "outputs", "id", "node", "version", "inputs", "params", "knots")
GOOD_WORDS = ("keyframes", "between", "plate", "image", "light", "key", "result", "smooth", "low", "amount", "outline")
WORDS = st.sampled_from([*GRAPH_WORDS, *GOOD_WORDS, *tiny.NODES])
SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.sampled_from([0, 1, 2, 3]), WORDS, st.text()
)
JUNK = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(st.one_of(WORDS, st.text(max_size=3)), inner, max_size=4)
    ),
    max_leaves=12,
)


def places(data: object, way: tuple = ()) -> list[tuple]:
    """The way to every place inside nested lists and dictionaries."""
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [spot for key, item in items for spot in ((*way, key), *places(item, (*way, key)))]


PLACES = places(GOOD)


def put(data: object, way: tuple, value: object) -> None:
    """Put the value in its place, if the way there still exists."""
    try:
        for part in way[:-1]:
            data = data[part]
        data[way[-1]] = value
    except (TypeError, LookupError):
        return


def valid_or_named(data: object) -> None:
    try:
        graph = read(data)
    except GraphError:
        return
    assert read(json.loads(json.dumps(graph.to_dict()))) == graph


@settings(max_examples=300)
@given(JUNK)
@example({"inkarnat": 1, "nodes": [{"id": "a", "node": ["gain"], "version": {}}], "outputs": {"a": "a"}})
@example({"inkarnat": 1, "outputs": {1: 2}})
@example({"inkarnat": 1, None: 2})
def test_junk_of_any_shape_gives_a_graph_error(data):
    valid_or_named(data)
    valid_or_named({"inkarnat": 1, "outputs": {"result": "plate"}, "nodes": data})


@settings(max_examples=500)
@given(st.lists(st.tuples(st.sampled_from(PLACES), JUNK), min_size=1, max_size=3))
def test_a_good_graph_with_junk_in_any_place_gives_a_graph_error(changes):
    data = copy.deepcopy(GOOD)
    for way, value in changes:
        put(data, way, value)
    valid_or_named(data)


@settings(max_examples=300)
@given(st.binary(max_size=40))
def test_any_bytes_give_a_graph_error(content):
    try:
        read(graph_module._parse(content))
    except GraphError:
        return
    raise AssertionError("40 bytes cannot hold a graph")


# --- keyframes ----------------------------------------------------------------------------------------------

KNOTS = st.lists(
    st.tuples(st.integers(-1000, 1000), st.floats(-100, 100, width=32)),
    min_size=2,
    max_size=9,
    unique_by=lambda k: k[0],
).map(lambda pairs: tuple(sorted(pairs)))


@given(KNOTS, st.floats(0, 1))
def test_smooth_keyframes_are_the_monotone_cubic_of_scipy(pairs, part):
    frames, values = (np.array(column, np.float64) for column in zip(*pairs, strict=True))
    frame = frames[0] + part * (frames[-1] - frames[0])
    expected = PchipInterpolator(frames, values)(frame)
    assert Keyframes(pairs, "smooth").value_at(frame) == pytest.approx(expected, abs=1e-9 * (1 + np.abs(values).max()))


@given(KNOTS, st.floats(-1200, 1200))
def test_linear_keyframes_are_those_of_numpy_and_hold_at_both_ends(pairs, frame):
    frames, values = zip(*pairs, strict=True)
    expected = np.interp(frame, frames, values)
    assert Keyframes(pairs).value_at(frame) == pytest.approx(expected, abs=1e-9 * (1 + np.abs(values).max()))


@given(KNOTS, st.sampled_from(["linear", "smooth"]), st.floats(0, 1))
def test_keyframes_meet_their_knots_and_stay_between_neighbours(pairs, between, part):
    keyframes = Keyframes(pairs, between)
    for (frame, value), (next_frame, next_value) in itertools.pairwise(pairs):
        assert keyframes.value_at(frame) == value
        inside = keyframes.value_at(frame + part * (next_frame - frame))
        assert min(value, next_value) <= inside <= max(value, next_value)


def test_every_kind_that_can_change_changes():
    graph = read(GOOD)
    middle = graph.by_id["all"].node_at(2)
    assert middle.place == (0.5, 1.0)
    assert middle.outline == ((1.0, 0.0), (1.0, 3.0))
    assert graph.by_id["all"].node_at(1.5).outline == ((0.5, 0.0), (1.0, 2.0))
    assert [graph.by_id["all"].node_at(frame).radius for frame in (0, 1, 6.4, 6.5, 99)] == [0, 0, 5, 6, 10]
    assert isinstance(middle.radius, int)
    assert graph.by_id["all"].node_at(1).amount == 0.0
    assert graph.by_id["all"].node_at(10).amount == 1.0
    assert middle.side == "edge"


def test_broken_rule_between_parameters_is_named_with_frame():
    step = Step("key", tiny.Threshold(), (("image", "plate"),), (("low", Keyframes(((1, 0.0), (9, 0.9)))),))
    with pytest.raises(GraphError, match=r"Node 'key' .threshold. at frame 9: threshold.low must be below"):
        step.node_at(9)


def test_declared_range_holds_for_keyframes_read_alone():
    with pytest.raises(ParamError, match=r"gain\.factor at frame 3 must be a number 0 to 10 times, not 11"):
        Keyframes.read("gain.factor", tiny.Gain.params()["factor"], {"keyframes": [[3, 11]]})


# --- old graphs ---------------------------------------------------------------------------------------------


def steps_of_mix() -> dict:
    """Version 1 was called merge and took percent; version 2 lost the setting."""

    def renamed(entry: dict) -> dict:
        inputs = {"first": entry["inputs"]["a"], "second": entry["inputs"]["b"]}
        return entry | {"node": "mix", "inputs": inputs, "params": {"percent": entry["params"]["amount"] * 100}}

    def without(entry: dict) -> dict:
        del entry["params"]["percent"]
        return entry

    return {("merge", 1): renamed, ("mix", 2): without}


OLD = {"id": "m", "node": "merge", "version": 1, "inputs": {"a": "plate", "b": "plate"}, "params": {"amount": 0.5}}


def test_upgrade_goes_step_by_step_and_leaves_the_old_data():
    data = {"inkarnat": 1, "nodes": [copy.deepcopy(OLD)], "outputs": {"result": "m"}}
    before = copy.deepcopy(data)
    new = upgrades.upgrade(data, tiny.NODES, node_steps=steps_of_mix())
    inputs = {"first": "plate", "second": "plate"}
    assert new["nodes"] == [{"id": "m", "node": "mix", "version": 3, "inputs": inputs, "params": {}}]
    assert data == before
    assert read(new).by_id["m"].node_at(1) == tiny.Mix()


@pytest.mark.parametrize("params", [{}, {"amount": None}, {"amount": "x"}, None, []])
def test_old_node_with_junk_gives_a_graph_error(params):
    entry = OLD | {"params": params, "inputs": {}}
    with pytest.raises(GraphError, match=r"Node 'm' .merge version 1. cannot be upgraded"):
        upgrades.upgrade({"inkarnat": 1, "nodes": [entry]}, tiny.NODES, node_steps=steps_of_mix())


def test_old_format_is_brought_up_to_date():
    steps = {0: lambda data: {"nodes": data["list"]}, **upgrades.FORMAT_STEPS}
    assert upgrades.upgrade({"inkarnat": 0, "list": []}, tiny.NODES, format_steps=steps) == {"inkarnat": 2, "nodes": []}
    with pytest.raises(GraphError, match=r"The graph .format 0. cannot be upgraded"):
        upgrades.upgrade({"inkarnat": 0}, tiny.NODES, format_steps=steps)


def test_a_graph_with_notes_is_format_2_and_one_without_stays_1():
    plain = Graph.of(Step.of("tone", ToneCurve(), image="plate"), result="tone")
    assert plain.to_dict()["inkarnat"] == 1
    noted = plain.with_notes({"light": "card", "people": {"": {"aim": {"name": "Zoë"}}}})
    assert noted.to_dict()["inkarnat"] == 2
    assert Graph.from_dict(noted.to_dict()) == noted
    assert noted.notes()["light"] == "card"
    assert noted.with_notes({}) == plain
    with pytest.raises(GraphError, match='"about" must be notes in braces'):
        Graph.from_dict(plain.to_dict() | {"about": [1]})


def test_every_step_leads_to_a_known_version():
    for name, version in upgrades.NODE_STEPS:
        assert version >= 1
        assert (name, version + 1) in upgrades.NODE_STEPS or name not in NODES or NODES[name].version == version + 1


@pytest.mark.parametrize(("name", "version"), upgrades.NODE_STEPS)
def test_an_old_node_at_rest_need_not_name_parameters(name, version):
    old = {"id": "a", "node": name, "version": version, "inputs": {"image": "plate"}}
    entry = upgrades.upgrade({"inkarnat": 1, "nodes": [old]}, NODES)["nodes"][0]
    assert entry["version"] == NODES[name].version
    kept = {"face_matte": ("turns", False)}.get(name, ("working_size", "whole"))
    assert entry["params"][kept[0]] == kept[1]


FIXTURES = Path(__file__).parent / "fixtures"
NAMES = sorted(path.name.removesuffix(".graph.json") for path in FIXTURES.glob("*.graph.json"))


@pytest.mark.parametrize("name", NAMES)
def test_every_old_graph_gives_what_it_gave(name):
    graph = Graph.load(FIXTURES / f"{name}.graph.json")
    assert Graph.from_dict(graph.to_dict()) == graph
    stored = np.load(FIXTURES / f"{name}.npz")
    outputs = {key: key.split("@") for key in stored.files if key != "plate"}
    assert {output for output, _ in outputs.values()} == {output for output, _ in graph.outputs}
    for key, (output, frame) in outputs.items():
        result = Runner(graph).run_frame(int(frame), {"plate": stored["plate"]}, [output])[output]
        np.testing.assert_allclose(result, stored[key], atol=2e-5, err_msg=key)


def test_old_graphs_use_every_node():
    used = {step.node.name for name in NAMES for step in Graph.load(FIXTURES / f"{name}.graph.json").steps}
    assert used == set(NODES)
