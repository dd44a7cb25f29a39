"""Solving a clip: one function does what the command line, the desk and the benchmarks ask, in one chain."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.desk.chain import FIRST, people_chain
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.host_adapters.shots.solving import (
    MarkedPicture,
    SolveOptions,
    SubjectMarks,
    look_at,
    solve,
    solve_key,
    solve_light,
    solve_steering,
)
from inkarnat.host_adapters.workshop import camera, portrait, skin_cast
from inkarnat.kernels.colour import rgb_to_ycbcr, ycbcr_matrix
from inkarnat.nodes import (
    REST,
    Cdl,
    CorrectSkin,
    CorrectSkin1,
    Sample,
    SampleError,
    SkinTarget,
    SoftenMatte,
    ToneCurve,
    measure_skin,
    standard_chain,
)
from inkarnat.nodes.chain import LEVELS, LEVELS_FIRST, LEVELS_LAST, LIGHT, SUBJECT, Part

FRAMES = 3


@pytest.fixture(scope="module")
def scene():
    return portrait("tan", 5, 320, 180)


@pytest.fixture(scope="module")
def clip(scene, tmp_path_factory):
    folder = tmp_path_factory.mktemp("solving")
    for number in range(1, FRAMES + 1):
        write_picture(folder / f"take.{number:04d}.tif", camera(scene.light, number, cast=skin_cast()), None, bits=16)
    return open_clip(folder / "take.%04d.tif")


def marks(scene) -> tuple[Sample, Sample]:
    return Sample.stroke(scene.places["stroke"], 0.015), Sample.box(*scene.places["grey_card"])


def words(sample: Sample) -> str:
    points = ";".join(",".join(f"{v:.17g}" for v in point) for point in sample.points)
    return f"stroke:{points}/{sample.radius!r}" if sample.kind == "stroke" else "box:" + points.replace(";", ",")


def test_the_command_line_prints_and_keeps_what_solving_gives(scene, clip, tmp_path):
    stroke, card = marks(scene)
    solved = solve(clip, SolveOptions.of([stroke], neutral=card, drift="measure", through=True))
    arguments = ["--add", words(stroke), "--neutral", words(card), "--graph-out", tmp_path / "g.json", "--json"]
    result = CliRunner().invoke(cli, ["correct", str(clip.path), *map(str, arguments)], standalone_mode=False)
    assert result.exit_code == 0, result.output
    assert Graph.load(tmp_path / "g.json") == solved.graph
    data = json.loads(result.stdout)
    assert {name: data[name] for name in solved.as_dict()} == json.loads(json.dumps(solved.as_dict()))


def test_marks_lie_on_their_own_frames(scene, clip):
    stroke, card = marks(scene)
    there = SubjectMarks(add=((3, stroke),))
    first = solve(clip, SolveOptions((there,), neutral=(2, card), faces=False))
    other = solve(clip, SolveOptions((SubjectMarks(add=((None, stroke),)),), neutral=(2, card), frame=3, faces=False))
    assert first.correction.key == other.correction.key
    assert first.correction.balance == other.correction.balance
    assert first.correction.before != other.correction.before, "the reference is the first frame, or the one named"
    with pytest.raises(SampleError, match=r"Frame 9 is not in .*take.* it has the frames 1 to 3"):
        solve(clip, SolveOptions((SubjectMarks(add=((9, stroke),)),)))


def test_steps_of_a_graph_that_is_there_are_solved_alike(scene, clip):
    """What the desk does, step by step, on its own chain, is what the whole job does."""
    stroke, card = marks(scene)
    solved = solve(clip, SolveOptions.of([stroke], neutral=card, faces=False))
    graph, look = people_chain([FIRST]), look_at(clip.read)

    def put(id, node):
        return graph.with_step(dataclasses.replace(graph.by_id[id], node=node))

    graph = put("balance", solve_light(graph, look, "balance", 1, card))
    key, learned = solve_key(graph, look, "skin", [MarkedPicture(1, (stroke,))])
    graph = put("skin", key)
    graph = put("steer", solve_steering(graph, look, "steer", 1, SkinTarget()))
    chain = {step.id: step.node for step in graph.steps}
    assert chain["balance"] == solved.correction.balance
    assert chain["skin"] == solved.correction.key
    assert chain["steer"] == solved.correction.steer
    assert (learned.recall, learned.unconnected) == (
        solved.correction.people[0].learned.recall,
        solved.correction.people[0].learned.unconnected,
    )
    shown = look(graph, dict(graph.outputs)["result"], 1)
    assert np.array_equal(shown, look(solved.graph, dict(solved.graph.outputs)["result"], 1))


def read_result(graph, look, frame=1, view=lambda picture: picture):
    outputs = dict(graph.outputs)
    return measure_skin(view(look(graph, outputs["result"], frame)), look(graph, outputs["matte"], frame))


def test_a_steering_counts_in_the_result(scene, clip):
    """Saturation behind the steering moves the skin: the result is on target all the same."""
    stroke, card = marks(scene)
    options = SolveOptions.of([stroke], neutral=card, faces=False)
    graph, look = solve(clip, options).graph, look_at(clip.read)
    result = dict(graph.outputs)["result"]
    pale = Step.of("pale", Cdl(saturation=0.6), image=result)
    graph = dataclasses.replace(
        graph, steps=(*graph.steps, pale), outputs=tuple({**dict(graph.outputs), "result": "pale"}.items())
    )
    node = solve_steering(graph, look, "steer", 1, SkinTarget(angle=120.0, ratio=0.2))
    reading = read_result(graph.with_step(dataclasses.replace(graph.by_id["steer"], node=node)), look)
    assert reading.angle == pytest.approx(120.0, abs=0.05)
    assert reading.ratio == pytest.approx(0.2, rel=0.003)


def bending(slope, off, power=1.0):
    """A view that turns hues ``slope`` times as far from 123° as they lie, and ``off`` on top, and bends chroma."""

    def view(picture):
        y, cb, cr = np.moveaxis(rgb_to_ycbcr(np.ascontiguousarray(picture[..., :3], np.float32)), -1, 0)
        angle, chroma = np.degrees(np.arctan2(cr, cb)), 0.15 * (np.hypot(cb, cr) / 0.15) ** power
        angle = np.radians(123 + off + slope * ((angle - 123 + 180) % 360 - 180))
        bent = np.stack([y, chroma * np.cos(angle), chroma * np.sin(angle)], axis=-1)
        return np.ascontiguousarray(bent @ np.linalg.inv(ycbcr_matrix("709")).T, np.float32)

    return view


@pytest.mark.parametrize(
    ("slope", "off", "power"),
    [(1, 0, 1), (2.5, 5, 1), (3.5, 12, 1), (0.25, 4, 1), (-1, 9, 1), (1, 0, 2.6), (2.2, -15, 2.2), (0.4, -6, 0.4)],
)
@pytest.mark.parametrize("ratio", [None, 0.17])
def test_a_view_of_any_strength_is_solved_through(scene, clip, slope, off, power, ratio):
    stroke, card = marks(scene)
    graph, look = solve(clip, SolveOptions.of([stroke], neutral=card, faces=False)).graph, look_at(clip.read)
    view, target = bending(slope, off, power), SkinTarget(angle=121.0, ratio=ratio)
    node = solve_steering(graph, look, "steer", 1, target, view)
    steered = graph.with_step(dataclasses.replace(graph.by_id["steer"], node=node))
    reading = read_result(steered, look, view=view)
    assert reading.angle == pytest.approx(121.0, abs=0.1)
    assert ratio is None or reading.ratio == pytest.approx(ratio, rel=0.005)


def test_out_of_reach_gives_what_came_nearest(scene, clip):
    """A view that makes all hues one leaves nothing to be won: the steering does not run away."""
    stroke, card = marks(scene)
    graph, look = solve(clip, SolveOptions.of([stroke], neutral=card, faces=False)).graph, look_at(clip.read)
    plain = solve_steering(graph, look, "steer", 1, SkinTarget())
    node = solve_steering(graph, look, "steer", 1, SkinTarget(), bending(0.0, 30.0))
    assert abs(node.angle - plain.angle) < 1.0
    assert node.saturation == pytest.approx(plain.saturation)


def test_a_trim_by_hand_is_no_part_of_what_is_solved(scene, clip):
    """Skin temperature by hand and an amount stay on top, with a view as without one."""
    stroke, card = marks(scene)
    graph, look = solve(clip, SolveOptions.of([stroke], neutral=card, faces=False)).graph, look_at(clip.read)
    step = graph.by_id["steer"]
    trimmed = graph.with_step(
        dataclasses.replace(step, node=dataclasses.replace(step.node, temperature=20.0, amount=0.5))
    )
    for view in (None, lambda picture: picture):
        node = solve_steering(trimmed, look, "steer", 1, SkinTarget(), view)
        assert node.angle == pytest.approx(step.node.angle, abs=0.05)
        assert (node.temperature, node.amount) == (20.0, 0.5)


def test_there_is_one_chain():
    """The desk's steps, the all-in-one effect and the benchmark's chain are the standard chain's."""
    from inkarnat.host_adapters.bench.chains import STANDARD
    from inkarnat.nodes.correct import _SET

    whole = standard_chain(REST, [Part(lambda word: word, REST)])
    assert [link.id for link in whole.links] == [*LIGHT, *LEVELS, *SUBJECT] == list(REST)
    desk = people_chain([FIRST])
    assert [(step.id, step.node, step.inputs) for step in desk.steps] == [
        (link.id, link.node, tuple(link.inputs.items())) for link in whole.links
    ]
    assert set(_SET) == set(REST)
    assert [step.id for step in STANDARD.graph().steps] == list(SUBJECT)


@pytest.mark.parametrize(("kind", "order"), [(CorrectSkin, LEVELS_FIRST), (CorrectSkin1, LEVELS_LAST)])
def test_the_effect_is_the_chain_node_by_node(scene, kind, order):
    """What the effect gives, of today and of 0.1.0, worked out by hand through the chain's nodes."""
    image = camera(scene.light, 1, cast=skin_cast()).astype(np.float32)
    effect = kind(temperature=-20, tint=0.002, softness=2.5, angle=6, skin_saturation=1.1, black=0.02, saturation=1.2)
    values = {"plate": image}
    picture = {id: effect._node(id) for id in (*LIGHT, *LEVELS)}
    person = Part(lambda word: word, {word: effect._node(word) for word in SUBJECT})
    chain = standard_chain(picture, [person], order=order)
    for link in chain.links:
        values[link.id] = link.node.process(**{port: values[origin] for port, origin in link.inputs.items()})
    assert np.array_equal(effect.process(image), values[chain.result])
    assert effect._node("soften") == SoftenMatte(softness=2.5)


def test_graphs_of_0_1_0_keep_the_order_of_the_effect(scene):
    """An entry of version 1 is brought up to date with its levels last, and gives the same bits."""
    image = camera(scene.light, 1, cast=skin_cast()).astype(np.float32)
    old = CorrectSkin1(temperature=-20, angle=6, black=0.02, saturation=1.2)
    entry = {"id": "all", **old.config(), "inputs": {"image": "plate"}}
    graph = Graph.from_dict({"inkarnat": 1, "nodes": [entry], "outputs": {"result": "all"}})
    node = graph.by_id["all"].node
    assert (type(node), node.levels) == (CorrectSkin, "last")
    assert np.array_equal(node.process(image), old.process(image))
    assert not np.array_equal(dataclasses.replace(node, levels="first").process(image), old.process(image))


def test_the_desk_keeps_the_order_of_what_it_opens():
    """A chain of 0.1.0, levels behind the steering, is completed and counted as the desk's own as it was."""
    from inkarnat.host_adapters.desk.chain import completed, is_chain

    for order in (LEVELS_FIRST, LEVELS_LAST):
        whole = people_chain([FIRST], order=order)
        assert is_chain(whole)
        chain = standard_chain({"tone": ToneCurve(black=0.1)}, [Part(lambda word: word, REST)], order=order)
        steps = tuple(Step.of(link.id, link.node, **link.inputs) for link in chain.links)
        part = Graph(steps, (("result", chain.result), ("matte", chain.matte)))
        assert [step.id for step in completed(part).steps] == [step.id for step in whole.steps]
        assert completed(part).by_id["tone"].node.black == 0.1
