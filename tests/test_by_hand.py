"""Every value by hand on a clip: each option changes what it names, its value stands in the saved graph, bad input."""

from __future__ import annotations

import dataclasses
import functools
import json
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.graphs.parts import Hand, Parts, parts_of
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.graphs.typed import CONTROLS, Control, read_typed
from inkarnat.host_adapters.media.clips import Clip
from inkarnat.host_adapters.media.pictures import read_picture, write_picture
from inkarnat.nodes import REST, CorrectSkin, SkinKey, learn_skin_key, measure_skin
from inkarnat.nodes.chain import LEVELS_FIRST, through
from takes import FRAMES, SAWDUST, film, take, write
from test_typed import beyond

SHOT = film("by-hand", -14, 0.003, width=320)
LINES = SHOT.clip.height
FACE = str(SHOT.face())


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    place = tmp_path_factory.mktemp("by-hand")
    write(SHOT, place)
    return place


def run(*words: object):
    done = CliRunner().invoke(cli, [str(word) for word in words])
    return done.exit_code, done.output


class Done(NamedTuple):
    """A correction: its graph, its result and its matte on the first frame."""

    graph: Graph
    result: np.ndarray
    matte: np.ndarray


@functools.cache
def corrected(folder: Path, *words: str) -> Done:
    path = folder / f"g{abs(hash(words))}.json"
    common = ("correct", folder / "by-hand.%03d.png", "--add", FACE, "--subtract", SAWDUST, "--graph-out", path)
    code, output = run(*common, *words)
    assert code == 0, output
    graph = Graph.load(path)
    frames = {frame: SHOT.clip.read(frame) for frame in SHOT.clip.frames}
    made = Runner(graph).run_frame(1, lambda _, at: frames[min(max(at, 1), FRAMES)], ["result", "matte"])
    return Done(graph, made["result"], made["matte"])


TYPED = {
    "exposure": ".3",
    "temperature": "10",
    "tint": "-3",
    "black": "-2",
    "white": "5",
    "middle": "-4",
    "contrast": "1.1",
    "pivot": "25",
    "curve": "25:20,75:82",
    "saturation": ".8",
    "key-width": ".15",
    "shadow-reach": "3",
    "highlight-reach": ".25",
    "key-falloff": ".4",
    "specks": "0",
    "pinholes": "4",
    "edge": ".8",
    "edge-follow": "0",
    "edge-blur": "2px",
    "steady-matte": "2",
    "turn": "4",
    "skin-saturation": "1.2",
    "skin-temperature": "8",
    "skin-tint": "3",
    "skin-amount": ".5",
}
"""One value for every option. Where it acts beside another alone, that one stands in :data:`BESIDE`."""
BESIDE = {"pivot": ("--contrast", "1.2")}
PICTURE = ("balance", "tone", "saturation")


def test_every_option_has_its_try():
    assert set(TYPED) == {control.option for control in CONTROLS}


def in_graph(graph: Graph, control: Control):
    steps = [step for step in graph.steps if step.id == control.step]
    assert steps, f"the graph has no {control.step}"
    return getattr(steps[0].node, control.field)


@pytest.mark.parametrize("control", CONTROLS, ids=lambda control: control.option)
def test_every_option_changes_what_it_names_and_stands_in_the_graph(control, folder):
    beside = BESIDE.get(control.option, ())
    before = corrected(folder, *beside)
    after = corrected(folder, *beside, f"--{control.option}", TYPED[control.option])
    hand = read_typed(control, TYPED[control.option], LINES)
    assert in_graph(after.graph, control) == hand.value
    again = Graph.from_dict(json.loads(json.dumps(after.graph.to_dict())))
    assert again == after.graph
    changed = np.abs(after.result - before.result).max()
    if control.step in PICTURE:
        assert changed > 0.004, "the picture changes"
        background = np.abs(after.result - before.result)[before.matte + after.matte == 0]
        assert background.max() > 0.002, "all of it"
    elif control.step == "steer":
        assert changed > 0.004
        np.testing.assert_array_equal(after.matte, before.matte)
        away = before.matte == 0
        np.testing.assert_array_equal(after.result[away], before.result[away])
        luma = (after.result - before.result) @ np.array([0.2126, 0.7152, 0.0722], np.float32)
        assert np.abs(luma).max() < 1e-5, "luma stays: BT.709-6 weights"
    else:
        assert np.abs(after.matte - before.matte).max() > 0.005, "the matte changes"


@pytest.mark.parametrize("control", [c for c in CONTROLS if c.solved], ids=lambda control: control.option)
def test_by_adds_to_what_is_solved(control, folder):
    solving = ("--neutral", str(SHOT.card())) if control.step == "balance" else ()
    solving = ("--method", "light") if control.option in ("skin-temperature", "skin-tint") else solving
    text = {"exposure": "by:.2", "skin-saturation": "by:.1"}.get(control.option, "by:2")
    plain, moved = corrected(folder, *solving), corrected(folder, *solving, f"--{control.option}", text)
    delta = read_typed(control, text, LINES).value
    was = in_graph(plain.graph, control) if control.step in plain.graph.by_id else control.rest
    assert in_graph(moved.graph, control) == pytest.approx(was + delta, abs=1e-6 if control.step == "balance" else 0.02)
    hand = parts_of(moved.graph, control.step)[control.field].hand
    assert hand == Hand(pytest.approx(delta))


@pytest.mark.parametrize("control", [c for c in CONTROLS if c.keyed], ids=lambda control: control.option)
def test_keyframes_change_over_time(control, folder):
    ends = {"exposure": "1:0,2:.4", "saturation": "1:1,2:.7", "skin-saturation": "1:1,2:1.3", "skin-amount": "1:1,2:.5"}
    text = ends.get(control.option, "1:0,2:4")
    graph = corrected(folder, f"--{control.option}", text).graph
    keyframes = read_typed(control, text, LINES).value
    step = graph.by_id[control.step]
    assert [getattr(step.node_at(at), control.field) for at in (1, 2)] == [
        pytest.approx(keyframes.value_at(at)) for at in (1, 2)
    ]
    picture = SHOT.clip.read(1)
    one, two = (Runner(graph).run_frame(at, lambda *_: picture, ["result"])["result"] for at in (1, 2))
    assert np.abs(one - two).max() > 0.004


def test_the_key_is_learned_in_the_light_of_each_marked_frame(folder, tmp_path):
    """The light changes by keyframes: samples on two frames are read in the light of their own frame."""
    done = run(
        "correct", folder / "by-hand.%03d.png", "--add", FACE, "--add", FACE + "@2", "--graph-out", tmp_path / "g.json",
        "--temperature", "1:0,2:60", "--json",
    )  # fmt: skip
    assert done[0] == 0, done[1]
    assert any(w["sign"] == "two lights" for w in json.loads(done[1])["warnings"])
    graph = Graph.load(tmp_path / "g.json")
    assert [graph.by_id["balance"].node_at(at).temperature for at in (1, 2)] == [0, 60]


# --- shapes and people --------------------------------------------------------------------------------------


def test_shapes_keep_in_and_out_with_soft_edges(folder):
    plain = corrected(folder).matte
    x = np.where(plain > 0.9)[1]
    cut = float(np.median(x)) / plain.shape[1]
    shape = f"rectangle:{cut / 2:.3f},.5,{cut * plain.shape[1] / plain.shape[0]:.3f},2/.04"
    kept, out = corrected(folder, "--keep-in", shape).matte, corrected(folder, "--keep-out", shape).matte
    left = np.arange(plain.shape[1]) < (cut - 0.05) * plain.shape[1]
    right = np.arange(plain.shape[1]) > (cut + 0.05) * plain.shape[1]
    np.testing.assert_allclose(kept[:, left], plain[:, left], atol=1e-6)
    assert kept[:, right].max() == 0
    np.testing.assert_allclose(out[:, right], plain[:, right], atol=1e-6)
    assert out[:, left].max() == 0
    between = kept[:, ~left & ~right]
    assert ((between > 0.05) & (between < 0.95)).sum() > 20, "a feathered edge"
    graph = corrected(folder, "--keep-in", shape).graph
    assert graph.by_id["in1"].node.feather == 0.04


def test_two_shapes_keep_in_together_and_a_shape_may_follow(folder, tmp_path):
    pytest.importorskip("cv2")
    shapes = ("--keep-in", "ellipse:.4,.4,.3,.4", "--keep-in", "ellipse:.55,.4,.3,.4", "--track")
    graph = corrected(folder, *shapes).graph
    assert {"in1", "in2", "within"} <= set(graph.by_id)
    assert all(graph.by_id[id].keyed for id in ("in1", "in2"))


def test_each_person_has_values_of_their_own(tmp_path):
    scene = workshop.portrait("light", 4, 426, 240, faces=2, second_depth="brown")
    picture = workshop.camera(scene.light, 4, cast=workshop.skin_cast(0.3, 0.1))
    write_picture(tmp_path / "bench.png", picture, None, bits=16)

    def stroke(name):
        return "stroke:" + ";".join(f"{x:.4f},{y:.4f}" for x, y in scene.places[name]) + "/0.012"

    code, output = run(
        "correct", tmp_path / "bench.png", "--graph-out", tmp_path / "g.json", "--edge-blur", ".3",
        "--subject", "left", "--add", stroke("stroke"), "--turn", "by:2", "--edge", ".4",
        "--subject", "right", "--add", stroke("second_stroke"), "--keep-out", "rectangle:.9,.1,.1,.1",
        "--key-width", ".1",
        "--steady-matte", "1", "--skin-amount", ".5",
    )  # fmt: skip
    assert code == 0, output
    steps = Graph.load(tmp_path / "g.json").by_id
    assert (steps["soften-left"].node.position, steps["soften-right"].node.position) == (4, 0)
    assert steps["soften-left"].node.softness == steps["soften-right"].node.softness == 3
    assert (steps["skin-left"].node.width, steps["skin-right"].node.width) == (0, 0.1)
    assert (steps["steer-left"].node.amount, steps["steer-right"].node.amount) == (1, 0.5)
    assert "steady-right" in steps
    assert "steady-left" not in steps
    assert "out1-right" in steps
    parts = parts_of(Graph.load(tmp_path / "g.json"), "steer-left")["angle"]
    assert parts == Parts(pytest.approx(steps["steer-left"].node.angle - 2), Hand(2.0))


# --- bad input ----------------------------------------------------------------------------------------------


@pytest.fixture
def sealed(monkeypatch):
    """Nothing may be decoded."""

    def read(self, frame):
        raise AssertionError(f"frame {frame} was decoded")

    for kind in (Clip, *Clip.__subclasses__()):
        if "read" in vars(kind):
            monkeypatch.setattr(kind, "read", read)


@pytest.mark.parametrize("control", CONTROLS, ids=lambda control: control.option)
def test_bad_input_is_told_before_anything_is_decoded(control, folder, tmp_path, sealed):
    texts = [
        "abc",
        *([] if control.param.kind == "points" else [beyond(control)]),
        *([] if control.solved else ["by:1"]),
    ]
    out, graph = tmp_path / "out.png", tmp_path / "plain.json"
    Graph.of(result="plate").save(graph)
    for text in texts:
        clip = folder / "by-hand.001.png"
        for words in (
            ("correct", clip, "-o", out, "--add", FACE),
            (
                "carry",
                folder / "none.json",
                "--from",
                clip,
                "--to",
                folder / "by-hand.002.png",
                "-o",
                tmp_path / "takes",
            ),
        ):
            if words[0] == "carry":
                corrected_graph = Graph.of(result="plate")
                corrected_graph.save(tmp_path / "plain.json")
                words = (words[0], tmp_path / "plain.json", *words[2:])
            code, output = run(*words, f"--{control.option}", text)
            (tmp_path / "plain.json").unlink(missing_ok=True)
            said = [line for line in output.splitlines() if "error" in line]
            assert code == 2, (words[0], output)
            assert len(said) == 1, output
            assert f"--{control.option} " in said[0]
    assert not out.exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--black", "-80", "--white", "60"), "--black -80 % and --white +60 %"),
        (("--neutral-black", "circle:1,2"), "cannot be read"),
        (("--keep-in", "blob:1"), "Region 'blob:1' cannot be read"),
        (("--turn", "123"), "did you mean --target-angle 123?"),
        (("--track",), "--track follows a shape"),
        (("--edge", "400px"), "--edge takes a number -20 to 20"),
    ],
)
def test_what_does_not_fit_is_told_before_anything_is_decoded(words, said, folder, sealed):
    code, output = run("correct", folder / "by-hand.001.png", "--graph-out", folder / "no.json", "--add", FACE, *words)
    assert code == 2, output
    assert said in output
    assert not (folder / "no.json").exists()


def test_two_parts_that_are_too_much_name_the_option(folder):
    code, output = run(
        "correct", folder / "by-hand.001.png", "--graph-out", folder / "no.json", "--add", FACE,
        "--skin-saturation", "by:3.5",
    )  # fmt: skip
    assert code == 2, output
    assert "--skin-saturation must be a number 0 to 4" in output
    code, output = run(
        "correct", folder / "by-hand.001.png", "--graph-out", folder / "no.json", "--add", FACE,
        "--neutral-black", SHOT.card(),
    )  # fmt: skip
    assert code == 2, output
    assert "too bright to be black" in output


# --- the same job twice -------------------------------------------------------------------------------------


def test_the_same_job_once_by_hand_and_once_solved(folder, tmp_path):
    """By hand: the card's figures rounded as people type them, then the skin turned by what the reading says is left.

    The two end within .5 degrees of hue and a mean ΔE00 of .5 on the skin (ISO/CIE 11664-6, through colour-science).
    """
    colour = pytest.importorskip("colour")
    clip = folder / "by-hand.001.png"
    marks = ("--add", FACE, "--subtract", SAWDUST, "--target-ratio", ".2")
    code, output = run("correct", clip, "-o", tmp_path / "solved.png", "--neutral", SHOT.card(), *marks, "--json")
    assert code == 0, output
    solved = json.loads(output)
    light = solved["balance"]
    typed = ("--temperature", f"{light['temperature']:.0f}", "--tint", f"{light['tint'] * 1000:.1f}")
    off, ratio = 0.0, 1.0
    for _ in range(2):  # a look at the scope, and a second one
        skin = ("--turn", f"{off:.1f}", "--skin-saturation", f"{ratio:.2f}")
        code, output = run(
            "correct", clip, "-o", tmp_path / "hand.png", *marks, *typed, *skin, "--json", "--overwrite",
            "--graph-out", tmp_path / "hand.json",
        )  # fmt: skip
        assert code == 0, output
        final = json.loads(output)["after"]
        off, ratio = off + 123 - final["angle"], ratio * 0.2 / final["ratio"]
    frame = {"plate": SHOT.clip.read(1)}
    matte = Runner(Graph.load(tmp_path / "hand.json")).run_frame(1, frame, ["matte"])["matte"]
    one, two = (read_picture(tmp_path / f"{name}.png")[0] for name in ("solved", "hand"))
    readings = [measure_skin(picture, matte) for picture in (one, two)]
    assert readings[1].angle == pytest.approx(readings[0].angle, abs=0.5)
    lab = [
        colour.XYZ_to_Lab(
            colour.RGB_to_XYZ(p[matte > 0.5].clip(0, 1) ** 2.4, "ITU-R BT.709", apply_cctf_decoding=False)
        )
        for p in (one, two)
    ]
    assert colour.delta_E(*lab, method="CIE 2000").mean() < 0.5


# --- the all-in-one effect ----------------------------------------------------------------------------------


def test_the_all_in_one_effect_sets_what_the_options_set():
    """The same steps with the same values, node by node and in one effect: the same bits."""
    shot = take("take1")
    picture = shot.clip.read(1)
    model = learn_skin_key(picture, [shot.face()]).model
    effect = CorrectSkin(
        model=model, exposure=0.2, temperature=8, tint=-0.002, black=0.02, white=0.95, middle=0.53, contrast=1.1,
        pivot=0.3, curve=((0.25, 0.2), (0.75, 0.8)), neutral_black=(0.02, 0, 0.01), saturation=0.9, width=0.05,
        shadow_reach=1.5, highlight_reach=1.2, key_falloff=0.8, specks=2, pinholes=3, edge=1, edge_follow=0.4,
        softness=2, angle=3, skin_saturation=1.1, skin_temperature=5, skin_tint=0.002, amount=0.8,
    )  # fmt: skip
    nodes = {word: effect._node(word) for word in REST}
    for control in CONTROLS:
        if control.step in nodes:
            assert getattr(nodes[control.step], control.field) != control.rest, f"{control.option} has no control"
    seen = through(LEVELS_FIRST.before, nodes, picture)
    matte = nodes["soften"].process(nodes["skin"].process(seen), seen)
    np.testing.assert_array_equal(effect.process(picture), nodes["steer"].process(seen, matte))
    assert isinstance(nodes["skin"], SkinKey)
    rest, names = CorrectSkin(), [field.name for field in dataclasses.fields(effect)]
    resting = {name for name in names if getattr(rest, name) == getattr(effect, name)}
    found_in_the_picture = {name for name in names if name.startswith("face_") or name == "joined"}
    assert resting - found_in_the_picture == {"view", "transfer", "split_at", "levels", "working_size"}


def test_the_all_in_one_effect_solves_by_temperature_and_tint():
    shot = take("take1")
    picture = shot.clip.read(1)
    asked = {name: getattr(ask, "default", None) for name, ask in CorrectSkin.asks().items()}
    model = learn_skin_key(picture, [shot.face()]).model
    done, words = CorrectSkin.actions()["solve_light"].run(CorrectSkin(model=model), asked, image=picture)
    assert (done.angle, done.skin_saturation) == (0, 1)
    assert done.skin_temperature != 0
    matte = done.matte(done.balanced(picture))
    assert measure_skin(done.process(picture), matte).angle == pytest.approx(123, abs=0.1)
    assert "123.0°" in words


def test_a_verdict_on_skin_that_a_hand_moved_says_so(folder):
    """The status stays that of the reading; the fix is not to solve again what a hand keeps away from the target."""
    done = run(
        "correct", folder / "by-hand.001.png", "--add", FACE, "--turn", "by:6", "--graph-out", folder / "six.json"
    )
    assert done[0] == 0
    assert "off: " in done[1]
    assert "A hand moved it: leave --turn and its like out" in done[1]
