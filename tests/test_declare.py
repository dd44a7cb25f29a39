"""Declarations: every kind of parameter, ports, and the contract that each node of the table keeps."""

from __future__ import annotations

import dataclasses
import inspect
import json
import pickle
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.kernels import strips
from inkarnat.kernels.errors import InkarnatError, PictureError
from inkarnat.nodes import NODES, declare
from inkarnat.nodes.declare import Matte, Node, Param, ParamError, Picture, Port

GROUPS = {"light", "balance", "key", "matte", "steer", "compare"}


@dataclass(frozen=True)
class Sampler(Node):
    """A node with one parameter of each kind,
    described over two lines.

    The rest is not part of the help.
    """

    name = "sampler"
    label = "Sampler"
    group = "key"
    version = 3
    number: float = declare.number(1.0, 0, 4, "A number.", unit="px", shown=(0, 2))
    angle: float = declare.degrees(10.0, -60, 60, "An angle.")
    whole: int = declare.whole(2, 0, 9, "A whole number.")
    toggle: bool = declare.toggle(False, "A yes or no.")
    choice: str = declare.choice("red", {"red": "Warm.", "blue": "Cold."}, "A word.")
    text: str = declare.text("", "Some text.")
    point: tuple[float, float] = declare.point((0.5, 0.5), "A position.")
    colour: tuple[float, float, float] = declare.colour((1.0, 1.0, 1.0), 0, 8, "Three numbers.")
    points: tuple[tuple[float, float], ...] = declare.points((), "A path.")

    def process(self, image: Picture, matte: Matte, guide: Picture | None = None) -> Matte:
        return matte


GOOD = [
    ("number", 2, 2.0),
    ("number", 0, 0.0),
    ("number", np.float32(0.5), 0.5),
    ("number", np.int64(3), 3.0),
    ("angle", -60, -60.0),
    ("whole", 9, 9),
    ("whole", 4.0, 4),
    ("toggle", True, True),
    ("toggle", np.bool_(True), True),
    ("choice", "blue", "blue"),
    ("text", "Grüße", "Grüße"),
    ("point", [0.25, -1], (0.25, -1.0)),
    ("point", np.array([0.25, 0.75]), (0.25, 0.75)),
    ("colour", (0, 1, 8), (0.0, 1.0, 8.0)),
    ("points", [[0, 0], [1, 0.5]], ((0.0, 0.0), (1.0, 0.5))),
    ("points", (), ()),
]

BAD = [
    ("number", 5, "sampler.number must be a number 0 to 4 px, not 5."),
    ("number", -0.1, "sampler.number must be a number 0 to 4 px, not -0.1."),
    ("number", float("nan"), "sampler.number must be a number 0 to 4 px, not nan."),
    ("number", float("inf"), "sampler.number must be a number 0 to 4 px, not inf."),
    ("number", "2", "sampler.number must be a number 0 to 4 px, not '2'."),
    ("number", True, "sampler.number must be a number 0 to 4 px, not True."),
    ("number", None, "sampler.number must be a number 0 to 4 px, not None."),
    ("number", [1.0], "sampler.number must be a number 0 to 4 px, not [1.0]."),
    ("angle", 61, "sampler.angle must be an angle -60 to 60 °, not 61."),
    ("whole", 2.5, "sampler.whole must be a whole number 0 to 9, not 2.5."),
    ("whole", 10, "sampler.whole must be a whole number 0 to 9, not 10."),
    ("toggle", 1, "sampler.toggle must be true or false, not 1."),
    ("toggle", "yes", "sampler.toggle must be true or false, not 'yes'."),
    ("choice", "bleu", "sampler.choice must be one of red, blue, not 'bleu'. Did you mean 'blue'?"),
    ("choice", 1, "sampler.choice must be one of red, blue, not 1."),
    ("text", 7, "sampler.text must be text, not 7."),
    ("point", (0.5,), "sampler.point must be two numbers (x, y), each -10 to 10, not (0.5,)."),
    ("point", "ab", "sampler.point must be two numbers (x, y), each -10 to 10, not 'ab'."),
    ("point", (0, 11), "sampler.point must be two numbers (x, y), each -10 to 10, not (0, 11)."),
    ("colour", (1, 1), "sampler.colour must be three numbers (red, green, blue), each 0 to 8, not (1, 1)."),
    ("colour", (1, 1, 9), "sampler.colour must be three numbers (red, green, blue), each 0 to 8, not (1, 1, 9)."),
    (
        "points",
        [[0, 0, 0]],
        "sampler.points must be a list of at most 4096 points [x, y], each coordinate -10 to 10, not [[0, 0, 0]].",
    ),
]


@pytest.mark.slice
@pytest.mark.parametrize(("name", "given_value", "stored"), GOOD)
def test_good_values_take_their_stored_form(name, given_value, stored):
    value = getattr(Sampler(**{name: given_value}), name)
    assert value == stored
    assert type(value) is type(stored)


@pytest.mark.slice
@pytest.mark.parametrize(("name", "value", "message"), BAD)
def test_bad_values_get_one_clear_message(name, value, message):
    with pytest.raises(ParamError) as caught:
        Sampler(**{name: value})
    assert str(caught.value) == message
    assert isinstance(caught.value, InkarnatError)


def test_too_many_points_are_refused_and_the_message_stays_short():
    with pytest.raises(ParamError) as caught:
        Sampler(points=[[0.0, 0.0]] * 4097)
    assert "at most 4096 points" in str(caught.value)
    assert len(str(caught.value)) < 250


@pytest.mark.slice
def test_minus_zero_is_zero():
    assert json.dumps(Sampler(number=-0.0).config()) == json.dumps(Sampler(number=0.0).config())


@pytest.mark.parametrize(
    ("low", "high", "rule"),
    [
        (-np.inf, np.inf, "a number of any size"),
        (0, np.inf, "a number 0 or more"),
        (0, 1, "a number 0 to 1"),
    ],
)
def test_open_ranges_are_said_in_words(low, high, rule):
    assert Param("number", 0.0, "", low, high).rule() == rule


@pytest.mark.slice
def test_nodes_are_frozen_values():
    node = Sampler()
    with pytest.raises(dataclasses.FrozenInstanceError):
        node.number = 2.0
    assert node == Sampler()
    assert node != Sampler(number=2)
    assert len({node, Sampler(), Sampler(number=2)}) == 2


samplers = st.builds(
    Sampler,
    number=st.floats(0, 4),
    angle=st.floats(-60, 60),
    whole=st.integers(0, 9),
    toggle=st.booleans(),
    choice=st.sampled_from(["red", "blue"]),
    text=st.text(),
    point=st.tuples(st.floats(-10, 10), st.floats(-10, 10)),
    colour=st.tuples(st.floats(0, 8), st.floats(0, 8), st.floats(0, 8)),
    points=st.lists(st.tuples(st.floats(-10, 10), st.floats(-10, 10)), max_size=4),
)


@given(samplers)
def test_a_node_survives_json_and_pickle(node):
    for copy in (Sampler.from_config(json.loads(json.dumps(node.config()))), pickle.loads(pickle.dumps(node))):
        assert copy == node
        assert hash(copy) == hash(node)


@pytest.mark.slice
def test_parameters_left_out_take_their_defaults():
    assert Sampler.from_config({"node": "sampler", "params": {"whole": 5}}) == Sampler(whole=5)


@pytest.mark.slice
def test_an_unknown_parameter_gets_the_nearest_name():
    with pytest.raises(ParamError, match=r"^sampler has no parameter 'colr'\. Did you mean 'colour'\?$"):
        Sampler.from_config({"node": "sampler", "version": 3, "params": {"colr": 1}})
    with pytest.raises(ParamError, match=r"sampler has no parameter 'zzz'\. It has: number, angle, whole"):
        Sampler.from_config({"node": "sampler", "version": 3, "params": {"zzz": 1}})


@pytest.mark.slice
@pytest.mark.parametrize("config", [{"node": "cdl"}, {}, {"node": "sampler", "version": 2}])
def test_another_configuration_is_refused(config):
    with pytest.raises(ParamError, match="not of 'sampler' version 3"):
        Sampler.from_config(config)


@pytest.mark.slice
def test_ports_come_from_the_annotations():
    assert Sampler.inputs() == {
        "image": Port("picture"),
        "matte": Port("matte"),
        "guide": Port("picture", optional=True),
    }
    assert Sampler.output() == Port("matte")


@pytest.mark.slice
def test_parameters_come_from_the_fields():
    params = Sampler.params()
    assert list(params) == [field.name for field in dataclasses.fields(Sampler)]
    assert params["number"] == Param("number", 1.0, "A number.", 0, 4, (0, 2), "px")
    assert params["angle"].unit == "°"
    assert dict(params["choice"].options) == {"red": "Warm.", "blue": "Cold."}
    assert not params["choice"].animated
    assert params["number"].animated


@pytest.mark.slice
def test_the_help_is_the_first_paragraph():
    assert Sampler.help() == "A node with one parameter of each kind, described over two lines."


@pytest.mark.slice
def test_nearest():
    assert declare.nearest("stear", ["steer", "matte"]) == "Did you mean 'steer'?"
    assert declare.nearest("xyz", ["steer", "matte"]) == ""


# --- the contract of every node in the table ----------------------------------------------------------------


def inputs_for(kind: type[Node], channels: int = 3, optional: bool = True) -> dict[str, np.ndarray]:
    """Pictures and mattes for the ports of a node: smooth, noisy, a little below black and above white."""
    random = np.random.default_rng(5)
    slope = np.linspace(-0.1, 1.2, 24 * 32).reshape(24, 32, 1)
    arrays = {}
    for name, port in kind.inputs().items():
        values = slope + random.normal(0, 0.1, (24, 32, channels))
        values[..., 3:] = random.random((24, 32, channels))[..., 3:]
        if port.kind == "matte":
            values = np.clip(values[..., 0], 0, 1)
        if optional or not port.optional:
            arrays[name] = values.astype(np.float32)
    return arrays


every_node = pytest.mark.parametrize("kind", NODES.values(), ids=NODES.keys())


def test_the_table_names_its_nodes():
    assert len(NODES) >= 14
    assert all(name == kind.name for name, kind in NODES.items())
    assert len({kind.label for kind in NODES.values()}) == len(NODES), "two nodes share a label"


@every_node
def test_a_default_node_is_a_value(kind):
    node = kind()
    through_json = json.loads(json.dumps(node.config()))
    copies = [kind(), kind.from_config(through_json), pickle.loads(pickle.dumps(node))]
    assert all(copy == node and hash(copy) == hash(node) for copy in copies)
    assert node.config()["node"] == kind.name
    assert kind.__dataclass_params__.frozen


@every_node
def test_a_node_is_fully_declared(kind):
    assert kind.name.isidentifier()
    assert kind.name == kind.name.lower()
    assert kind.label.strip()
    assert kind.group in GROUPS
    assert kind.version >= 1
    assert kind.help().strip().endswith(".")
    assert all(frames >= 0 for frames in kind().frames_needed())
    for name, param in kind.params().items():
        assert param.help.strip().endswith("."), f"{kind.name}.{name} needs a sentence of help"
        assert param.check(f"{kind.name}.{name}", param.default) == param.default
        if param.kind in ("number", "angle", "whole"):
            assert param.low <= param.default <= param.high
            shown = param.shown or (param.low, param.high)
            assert param.low <= shown[0] < shown[1] <= param.high
            assert np.isfinite(shown).all(), f"{kind.name}.{name} needs a finite range for its slider"
        if param.kind == "choice":
            assert all(help.strip() for help in param.options.values())


@every_node
def test_a_nodes_ports_are_its_process(kind):
    *arguments, out = list(inspect.signature(kind.process).parameters.values())[1:]
    assert list(kind.inputs()) == [argument.name for argument in arguments]
    assert (out.name, out.kind, out.default) == (declare.OUT, inspect.Parameter.KEYWORD_ONLY, None)
    kinds = [port.kind for port in (*kind.inputs().values(), kind.output())]
    assert set(kinds) <= {"picture", "matte"}
    assert not kind.output().optional


@every_node
def test_a_number_out_of_range_is_named(kind):
    numbers = {name: param for name, param in kind.params().items() if param.kind in ("number", "angle", "whole")}
    for name, param in numbers.items():
        if np.isfinite(param.high):
            with pytest.raises(ParamError, match=f"^{kind.name}.{name} must be .*, not "):
                kind(**{name: param.high + 1})


@every_node
@pytest.mark.parametrize("channels", [3, 4])
@pytest.mark.parametrize("optional", [True, False], ids=["every port", "needed ports"])
def test_processing_keeps_shape_and_type(kind, channels, optional):
    arrays = inputs_for(kind, channels, optional)
    before = {name: array.copy() for name, array in arrays.items()}
    result = kind().process(**arrays)
    width, height = kind().output_size(32, 24)
    expected = (height, width) if kind.output().kind == "matte" else (height, width, channels)
    assert result.shape == expected
    assert result.dtype == np.float32
    assert result.flags.c_contiguous
    for name, array in arrays.items():
        assert np.array_equal(array, before[name]), f"{kind.name} wrote into its input {name}"
        assert not np.shares_memory(result, array), f"{kind.name} must not hand out its input {name}"
    if kind.output().kind == "matte":
        assert ((result >= 0) & (result <= 1)).all()


def variants(kind: type[Node]) -> list[Node]:
    """A node at rest, with its numbers moved, and with each word of each choice, moved as well."""
    moved = {}
    for name, param in kind.params().items():
        low, high = param.shown or (param.low, param.high)
        if param.kind in ("number", "angle"):
            moved[name] = 0.9 * param.default + 0.1 * (high if param.default < high else low)
        if param.kind == "toggle":
            moved[name] = not param.default
    words = [{name: word} for name, param in kind.params().items() for word in param.options]
    return [kind(), *(kind(**moved, **chosen) for chosen in ({}, *words))]


@every_node
@pytest.mark.parametrize("channels", [3, 4])
def test_a_result_is_made_where_it_is_asked_for(kind, channels, same_bits):
    arrays = inputs_for(kind, channels)
    first = next(iter(arrays.values()))
    for node in variants(kind):
        expected = node.process(**arrays)
        assert expected.shape == node.result_shape(first.shape)
        place = np.full(expected.shape, 7, np.float32)
        assert node.process(**arrays, out=place) is place, node
        same_bits(place, expected)
        before = {name: array.copy() for name, array in arrays.items()}
        wrong = [place[:-1], np.full(expected.shape, 7.0), np.asfortranarray(place)]
        wrong += [array for array in arrays.values() if array.shape == expected.shape]
        for out in wrong:
            with pytest.raises(PictureError, match="`out` must"):
                node.process(**arrays, out=out)
        assert all(np.array_equal(array, before[name]) for name, array in arrays.items())


@every_node
def test_processing_gives_the_same_bits_for_any_threads(kind, same_bits):
    arrays = inputs_for(kind)
    tall = {name: np.ascontiguousarray(np.tile(array, (7, 1, 1)[: array.ndim])) for name, array in arrays.items()}
    with strips.threads(1):
        expected = kind().process(**tall)
    for count in (2, 3):
        with strips.threads(count):
            same_bits(kind().process(**tall), expected)


@every_node
@pytest.mark.parametrize("channels", [3, 4])
def test_processing_accepts_any_strides(kind, channels, same_bits):
    arrays = inputs_for(kind, channels)
    upside_down = {name: np.ascontiguousarray(array[::-1, ::-1])[::-1, ::-1] for name, array in arrays.items()}
    columns_first = {name: np.asfortranarray(array) for name, array in arrays.items()}
    expected = kind().process(**arrays)
    for views in (upside_down, columns_first):
        same_bits(kind().process(**views), expected)


@every_node
def test_a_matte_in_the_making_is_the_matte(kind, same_bits):
    node, arrays = kind(), inputs_for(kind)
    assert node.gives_rows() == hasattr(kind, "rows")
    if node.gives_rows():
        assert kind.output().kind == "matte"
        same_bits(node.rows(**arrays).whole(), node.process(**arrays))


@every_node
@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_bad_pixel_does_not_raise_or_flood(kind, bad):
    arrays = inputs_for(kind)
    for array in arrays.values():
        array[3, 4] = bad
    result = kind().process(**arrays)
    if kind.output().kind == "matte":
        assert not np.isnan(result).any()
        assert ((result >= 0) & (result <= 1)).all()
        return
    result[3, 4] = 0
    assert np.isfinite(result).all(), f"{kind.name} spreads a bad pixel"
