"""Look-up export: files that the reference implementation of the formats reads, and that do what the nodes do."""

from __future__ import annotations

import dataclasses
import json
import warnings

import numpy as np
import PyOpenColorIO as ocio
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs import export
from inkarnat.host_adapters.graphs.colour_spaces import convert_around
from inkarnat.host_adapters.graphs.errors import GraphError
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.keyframes import Keyframes
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.writes import OutputError
from inkarnat.nodes import Balance, Cdl, RangeKey, SoftenMatte, SteerSkin, ToneCurve

TONE = ToneCurve(black=0.03, white=0.95, middle=0.55)
WARM = Balance(temperature=-35, tint=0.006)


PLAIN = Balance(temperature=-35, tint=0.006, transfer="srgb")
"""A node that has no exact form in a look-up."""


def chain(*nodes):
    names = ["plate", *(f"n{i}" for i in range(len(nodes)))]
    steps = [Step.of(name, node, image=before) for name, before, node in zip(names[1:], names, nodes, strict=False)]
    return Graph.of(*steps, result=names[len(nodes)])


def skin_graph(steer, *after):
    steps = [
        Step.of("light", WARM, image="plate"),
        Step.of("key", RangeKey(), image="light"),
        Step.of("soft", SoftenMatte(), matte="key", guide="light"),
        Step.of("steer", steer, image="light", matte="soft"),
    ]
    for node in after:
        steps.append(Step.of(node.name, node, image=steps[-1].id))
    return Graph.of(*steps, result=steps[-1].id, matte="soft")


def through(path, colours):
    """Colours through a file, by OpenColorIO."""
    config = ocio.Config.CreateRaw()
    transform = ocio.FileTransform(str(path), interpolation=ocio.INTERP_TETRAHEDRAL)
    transform.setCDLStyle(ocio.CDL_ASC)
    processor = config.getProcessor(transform)
    result = np.array(colours, np.float32, order="C")
    processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_NONE).applyRGB(result)
    return result


def some_colours(low=0.0, high=1.0, count=4000):
    return (low + (high - low) * np.random.default_rng(4).random((count, 3))).astype(np.float32)


def by_nodes(colours, *nodes):
    picture = colours.reshape(-1, 1, 3)
    for node in nodes:
        picture = node.process(picture)
    return picture.reshape(-1, 3)


# --- Common LUT Format --------------------------------------------------------------------------------------

LIST_TOLERANCE = 5e-6
CURVE_TOLERANCE, FOOT_TOLERANCE, CUBE_TOLERANCE = 2e-5, 9e-4, 6e-3
LIST = Cdl((1.2, 0.9, 1.1), (-0.05, 0.02, 0.0), (0.9, 1.1, 1.3), 0.8)
"""Of the signal; one code at 10 bits is 9.8e-4."""


@pytest.mark.parametrize(
    ("nodes", "form", "tolerance"),
    [
        ((), "curves", CURVE_TOLERANCE),
        ((TONE,), "curves", CURVE_TOLERANCE),
        ((WARM,), "a matrix in linear light", FOOT_TOLERANCE),
        ((Cdl(saturation=1.2, clamp=False),), "a matrix", CURVE_TOLERANCE),
        ((WARM, TONE, Cdl(saturation=1.2, clamp=False)), "light, curves of 16384 points, a matrix", FOOT_TOLERANCE),
        ((LIST,), "a decision list", LIST_TOLERANCE),
        ((dataclasses.replace(LIST, clamp=False),), "a decision list", LIST_TOLERANCE),
        ((WARM, LIST, TONE), "light, a decision list, curves of 16384 points", FOOT_TOLERANCE),
        ((PLAIN, TONE), "cube", CUBE_TOLERANCE),
        ((TONE, PLAIN, LIST), "curves of 16384 points, a cube of 65 × 65 × 65 points, a decision list", CUBE_TOLERANCE),
    ],
    ids=[
        *("nothing", "tone", "balance", "saturation", "balance, tone and saturation", "decision list"),
        *(
            "decision list without limits",
            "balance, decision list and tone",
            "no exact form",
            "a cube for the rest only",
        ),
    ],
)
def test_a_clf_does_what_the_nodes_do(tmp_path, nodes, form, tolerance):
    path = tmp_path / "look.clf"
    written = export.export_look(export.look_of(chain(*nodes)), path)
    assert form in written.form
    colours = some_colours(-0.05, 1.1)
    difference = np.abs(through(path, colours) - by_nodes(colours, *nodes))
    assert difference.max() < tolerance
    assert np.quantile(difference, 0.95) < max(tolerance / 4, CURVE_TOLERANCE)
    assert written.largest < tolerance * 2


def test_our_reading_of_a_cube_is_that_of_opencolorio(tmp_path):
    look = export.look_of(chain(PLAIN))
    export.export_look(look, tmp_path / "look.clf", 9)
    edge = np.linspace(export.LOW, export.HIGH, 9)
    points = np.stack(np.meshgrid(edge, edge, edge, indexing="ij"), axis=-1).reshape(-1, 3)
    cube = look.colours(points).reshape(9, 9, 9, 3)
    colours = some_colours()
    ours = export.tetrahedral(cube, (colours.astype(np.float64) - export.LOW) / (export.HIGH - export.LOW))
    np.testing.assert_allclose(through(tmp_path / "look.clf", colours), ours, atol=3e-6)


def test_the_light_leaves_the_steering_out_and_the_colour_part_applies_it_everywhere(tmp_path):
    steer = SteerSkin(angle=6, saturation=1.1)
    graph = skin_graph(steer, TONE)
    light, colour = (export.look_of(graph, part=part) for part in export.PARTS)
    assert light.used == ("light", "tone_curve")
    assert dict(light.left_out) == {
        "key": "makes a matte",
        "soft": "makes a matte",
        "steer": "works through a matte",
    }
    assert colour.used == ("light", "steer", "tone_curve")
    colours = some_colours()
    for look, path in ((light, tmp_path / "light.clf"), (colour, tmp_path / "colour.clf")):
        export.export_look(look, path)
    np.testing.assert_allclose(through(tmp_path / "light.clf", colours), by_nodes(colours, WARM, TONE), atol=1e-3)
    picture = by_nodes(colours, WARM).reshape(-1, 1, 3)
    steered = steer.process(picture, np.ones((len(colours), 1), np.float32)).reshape(-1, 3)
    np.testing.assert_allclose(through(tmp_path / "colour.clf", colours), by_nodes(steered, TONE), atol=1e-3)


def test_a_graph_that_converts_its_footage_is_carried_whole(tmp_path):
    graph = convert_around(chain(WARM, TONE), "acescct")
    export.export_look(export.look_of(graph), tmp_path / "look.clf")
    colours = some_colours(0.2, 0.6)
    expected = Runner(graph).run_frame(1, {"plate": colours.reshape(-1, 1, 3)}, ["result"])["result"].reshape(-1, 3)
    assert np.quantile(np.abs(through(tmp_path / "look.clf", colours) - expected), 0.9) < 3e-3


def test_a_smaller_cube_says_that_it_is_less_exact(tmp_path):
    look = export.look_of(chain(PLAIN, TONE))
    errors = [export.export_look(look, tmp_path / f"{size}.clf", size).usual for size in (9, 17, 33)]
    assert errors[0] > errors[1] > errors[2] > 0


# --- ASC CDL ------------------------------------------------------------------------------------------------

LISTS = [
    Cdl(slope=(1.1, 0.95, 0.9), offset=(0.01, -0.02, 0.03), power=(1.1, 0.9, 1.05), saturation=0.9),
    Cdl(saturation=1.3),
    Cdl(power=(0.8, 0.8, 0.8)),
]


@pytest.mark.parametrize("suffix", [".cdl.xml", ".cdl", ".cc"])
@pytest.mark.parametrize("node", LISTS, ids=["all", "saturation", "power"])
def test_a_decision_list_comes_back_and_opencolorio_reads_it(tmp_path, node, suffix):
    path = tmp_path / f"look{suffix}"
    written = export.export_look(export.look_of(chain(node)), path)
    assert written.largest < 1e-4
    colours = some_colours()
    np.testing.assert_allclose(np.clip(through(path, colours), 0, 1), by_nodes(colours, node), atol=2e-4)


def test_the_fitted_numbers_are_those_of_the_node():
    found, error = export.fit_decisions(export.look_of(chain(LISTS[0])).colours)
    assert error < 1e-5
    np.testing.assert_allclose(found.slope, LISTS[0].slope, atol=1e-4)
    np.testing.assert_allclose(found.offset, LISTS[0].offset, atol=1e-4)
    np.testing.assert_allclose(found.power, LISTS[0].power, atol=2e-4)
    assert found.saturation == pytest.approx(LISTS[0].saturation, abs=1e-4)


def test_what_is_no_decision_list_is_refused_and_nothing_written(tmp_path):
    with pytest.raises(GraphError, match=r"nearest list is 0\.\d+ of the signal away.*Export it as .clf"):
        export.export_look(export.look_of(chain(WARM)), tmp_path / "look.cdl.xml")
    assert not list(tmp_path.iterdir())


# --- what cannot be exported, and the verb ------------------------------------------------------------------


def test_what_no_look_up_can_carry_is_refused(tmp_path):
    graph = skin_graph(SteerSkin())
    with pytest.raises(GraphError, match="is a matte"):
        export.look_of(graph, "matte")
    with pytest.raises(OutputError, match=r"must end in one of .clf, .cdl.xml"):
        export.export_look(export.look_of(graph), tmp_path / "look.cube")


def verb(*words):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return CliRunner().invoke(cli, ["export", *map(str, words)], standalone_mode=False)


def test_the_verb_writes_and_warns(tmp_path):
    keyed = Step("light", WARM, (("image", "plate"),), (("temperature", Keyframes(((1, 0.0), (10, -40.0)))),))
    steps = [keyed, *skin_graph(SteerSkin(angle=3)).steps[1:]]
    Graph.of(*steps, result="steer").save(tmp_path / "take1.json")
    done = verb(tmp_path / "take1.json", "-o", tmp_path / "a.clf", "--size", 9, "--frame", 10)
    assert done.exit_code == 0
    assert "key (makes a matte), soft (makes a matte), steer (works through a matte)" in done.stderr
    assert "settings at frame 10" in done.stderr
    assert "light, as a matrix in linear light" in done.stdout
    assert "at most 0." in done.stdout
    data = json.loads(
        verb(tmp_path / "take1.json", "-o", tmp_path / "b.clf", "--size", 9, "--part", "colour", "--json").stdout
    )
    assert data["nodes"] == ["light", "steer"]
    assert any("whole picture" in warning for warning in data["warnings"])
    assert isinstance(
        verb(tmp_path / "take1.json", "-o", tmp_path / "none" / "c.clf").exception, (SystemExit, OutputError)
    )
    assert isinstance(verb(tmp_path / "take1.json", "-o", tmp_path / "c.cdl").exception, (SystemExit, GraphError))
