"""Descriptions say what the declarations say: the schema accepts exactly what a parameter accepts."""

from __future__ import annotations

import json
import re

import pytest
import tiny
from hypothesis import given, settings
from hypothesis import strategies as st
from inkarnat.host_adapters import describe
from inkarnat.host_adapters.graphs.errors import GraphError
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.nodes import NODES
from inkarnat.nodes.declare import ParamError

EVERY_NODE = [pytest.param(node, id=node.name) for node in (*tiny.NODES.values(), *NODES.values())]


def fits(value: object, schema: dict, root: dict | None = None) -> bool:
    """Whether a value fits a schema, rule by rule as JSON Schema 2020-12 words them (the rules used here)."""
    root = schema if root is None else root
    if "$ref" in schema:
        way = schema["$ref"].removeprefix("#/").split("/")
        return fits(value, root[way[0]][way[1]], root)
    number = isinstance(value, int | float) and not isinstance(value, bool)
    types = {
        "object": isinstance(value, dict),
        "array": isinstance(value, list),
        "string": isinstance(value, str),
        "boolean": isinstance(value, bool),
        "number": number,
        "integer": number and value == value // 1,
    }
    rules = [
        types[schema["type"]] if "type" in schema else True,
        type(value) is type(schema["const"]) and value == schema["const"] if "const" in schema else True,
        any(type(value) is type(one) and value == one for one in schema["enum"]) if "enum" in schema else True,
        any(fits(value, one, root) for one in schema["anyOf"]) if "anyOf" in schema else True,
        sum(fits(value, one, root) for one in schema["oneOf"]) == 1 if "oneOf" in schema else True,
    ]
    if number:
        rules += [value >= schema.get("minimum", value), value <= schema.get("maximum", value)]
    if isinstance(value, str) and "pattern" in schema:
        rules.append(re.search(schema["pattern"], value) is not None)
    if isinstance(value, list):
        first = schema.get("prefixItems", [])
        rules += [len(value) >= schema.get("minItems", 0), len(value) <= schema.get("maxItems", len(value))]
        rules += [fits(item, one, root) for item, one in zip(value, first, strict=False)]
        rules += [fits(item, schema["items"], root) for item in value[len(first) :] if "items" in schema]
    if isinstance(value, dict):
        known = schema.get("properties", {})
        rest = schema.get("additionalProperties", True)
        rules += [name in value for name in schema.get("required", [])]
        rules += [len(value) >= schema.get("minProperties", 0)]
        rules += [fits(name, schema["propertyNames"], root) for name in value if "propertyNames" in schema]
        for name, item in value.items():
            rules.append(
                fits(item, known[name], root)
                if name in known
                else rest
                if rest in (True, False)
                else fits(item, rest, root)
            )
    return all(rules)


VALUES = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(-100, 100),
        st.floats(-100, 100),
        st.sampled_from(["edge", "centre", "", "x"]),
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(st.text(max_size=2), inner, max_size=2)),
    max_leaves=6,
)
PAIRS = st.lists(st.lists(st.floats(-11, 11), min_size=2, max_size=2), max_size=3)
TRIPLES = st.lists(st.floats(-1, 5), min_size=3, max_size=3)


@settings(max_examples=300)
@given(st.sampled_from(list(tiny.Everything.params())), st.one_of(VALUES, PAIRS, TRIPLES, st.floats(-1, 1)))
def test_schema_accepts_exactly_what_the_parameter_accepts(name, value):
    param = tiny.Everything.params()[name]
    try:
        param.check(name, value)
    except ParamError:
        assert not fits(value, describe.param_schema(param))
    else:
        assert fits(value, describe.param_schema(param))


@pytest.mark.parametrize("node", EVERY_NODE)
def test_defaults_of_every_node_fit_its_schema_and_survive_json(node):
    schema = describe.json_schema(node)
    assert json.loads(json.dumps(schema, allow_nan=False)) == schema
    assert fits(node().config()["params"], schema)
    assert not fits({"no such parameter": 1}, schema)
    for name, param in node.params().items():
        assert schema["properties"][name]["default"] == node().config()["params"][name]
        assert schema["properties"][name]["description"].startswith(param.help)


def graph_of(node_name: str, params: dict) -> dict:
    entry = {"id": "one", "node": node_name, "version": 1, "inputs": {"image": "plate"}, "params": params}
    return {"inkarnat": 1, "sources": ["plate"], "nodes": [entry], "outputs": {"result": "one"}}


KEYED = st.fixed_dictionaries(
    {"knots": st.lists(st.tuples(st.integers(0, 5), st.floats(-2, 2)).map(list), min_size=1, max_size=1)},
    optional={"between": st.sampled_from(["linear", "smooth", "bent"])},
)


@settings(max_examples=200)
@given(st.sampled_from(list(tiny.Everything.params())), st.one_of(KEYED, VALUES))
def test_graph_schema_agrees_with_the_reader_of_graphs(name, value):
    data = graph_of("everything", {name: value})
    schema = describe.graph_schema(tiny.NODES)
    try:
        Graph.from_dict(data, tiny.NODES)
    except GraphError:
        assert not fits(data, schema)
    else:
        assert fits(data, schema)


def test_graph_schema_asks_for_ports_names_and_versions():
    schema = describe.graph_schema(tiny.NODES)
    good = graph_of("gain", {"factor": 2})
    assert fits(good, schema)
    entry = good["nodes"][0]
    for wrong in (
        {"inputs": {}},
        {"inputs": {"picture": "plate"}},
        {"id": "1"},
        {"node": "gian"},
        {"version": 2},
        {"x": 1},
    ):
        assert not fits(good | {"nodes": [entry | wrong]}, schema), wrong
    for wrong in ({"inkarnat": 3}, {"outputs": {}}, {"sources": [1]}, {"output": {}}):
        assert not fits(good | wrong, schema), wrong


def test_graph_schema_of_the_real_nodes_is_json():
    json.dumps(describe.graph_schema(), allow_nan=False)
    assert set(describe.graph_schema()["$defs"]) == set(NODES)


@pytest.mark.parametrize("node", EVERY_NODE)
def test_help_tells_every_parameter_within_its_width(node):
    text = describe.command_help(node, width=96)
    assert max(map(len, text.splitlines())) <= 96
    words = " ".join(text.split())
    assert node.label in text
    assert " ".join(node.help().split()) in words
    for name in node.params():
        assert re.search(rf"^{name}\b", text, re.MULTILINE)


def test_help_of_one_node_word_by_word():
    assert describe.command_help(tiny.Gain).splitlines() == [
        "gain: Gain",
        "",
        "Multiply the picture.",
        "",
        "Ports: image (picture) → picture",
        "",
        "parameter  kind    range          default  what it does",
        "factor     number  0 to 10 times  1        Factor on the picture.",
    ]
    assert describe.command_help(tiny.Breaks).endswith("It has no parameters.")
    assert describe.port_words(tiny.Mix) == (
        "first (picture), second (picture), matte (matte, may be left open) → picture"
    )


def test_reference_has_every_node_by_step_and_every_parameter():
    text = describe.markdown()
    for node in NODES.values():
        assert f"### `{node.name}`: {node.label}" in text
        assert all(f"| `{name}` |" in text for name in node.params())
    groups = re.findall(r"^## (\w+)$", text, re.MULTILINE)
    assert groups == [group.capitalize() for group in describe.GROUPS if group in {n.group for n in NODES.values()}]


def test_reference_keeps_tables_whole():
    text = describe.markdown({"everything": tiny.Everything})
    rows = [line for line in text.splitlines() if line.startswith("|")]
    assert {len(re.findall(r"(?<!\\)\|", row)) for row in rows} == {6}
    assert "- `centre`: the middle | of it" in text


@pytest.mark.parametrize("node", [pytest.param(node, id=node.name) for node in NODES.values()])
def test_every_node_belongs_to_a_step_of_the_job(node):
    assert node.group in describe.GROUPS
