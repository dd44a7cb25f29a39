"""Graphs by hand: new, show, set, diff and versions, in the words and units of people."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.edits import with_values
from inkarnat.host_adapters.graphs.errors import GraphError
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.graphs.listing import differences, lines
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.graphs.starts import STARTS
from inkarnat.host_adapters.graphs.versions import versions_file, versions_of
from inkarnat.host_adapters.graphs.wording import word_of
from inkarnat.nodes import NODES, Sample, learn_skin_key


def run(*words: object):
    return CliRunner().invoke(cli, [str(word) for word in words])


def standard() -> Graph:
    return STARTS["standard"][0]()


@pytest.fixture
def graph_file(tmp_path):
    path = tmp_path / "take1.json"
    assert run("graph", "new", "standard", path).exit_code == 0
    return path


# --- new ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("start", STARTS)
def test_a_start_is_a_valid_graph_whose_picture_is_what_came_in(start, tmp_path, picture, same_bits):
    path = tmp_path / "g.json"
    assert run("graph", "new", start, path).exit_code == 0
    graph = Graph.load(path)
    assert graph == STARTS[start][0]()
    made = Runner(graph).run_frame(1, {"plate": picture}, [name for name, _ in graph.outputs])
    if start != "under-a-look":  # there the natural skin is brought back: the same colour to rounding
        same_bits(made["result"], picture)
    np.testing.assert_allclose(made["result"], picture, atol=2e-6)
    assert made["matte"].shape == picture.shape[:2]


def test_a_look_moves_the_wall_and_spares_the_skin(picture):
    graph, _ = with_values(STARTS["under-a-look"][0](), ["look.saturation=0", "keep.keep-skin=1"])
    made = Runner(graph).run_frame(1, {"plate": picture}, ["result", "matte"])
    grey = np.ptp(made["result"], axis=-1) < 1e-5
    assert grey[made["matte"] == 0].all()
    assert not grey[made["matte"] > 0.9].any()


def test_new_replaces_no_file_of_others(tmp_path):
    path = tmp_path / "notes.json"
    path.write_text('{"mine": 1}')
    assert run("graph", "new", "standard", path).exit_code == 5
    assert path.read_text() == '{"mine": 1}'
    assert run("graph", "new", "standard", path, "--overwrite").exit_code == 0
    assert run("graph", "new", "standrad", path).exit_code == 2


# --- words --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NODES)
def test_every_parameter_has_a_word_of_its_own(name):
    node = NODES[name]
    words = [word_of(node, parameter).name for parameter in node.params()]
    assert len(set(words)) == len(words)


# Source of the factors: thousandths are 1/1000; σ in ‰ of the frame height is a tenth of the same in %; 4 px of 1080
# lines are 4/1080 of the height.
VALUES = [
    ("steer.turn=4", "steer", "angle", 4.0),
    ("steer.TURN=−4°", "steer", "angle", -4.0),
    ("steer.angle=4", "steer", "angle", 4.0),
    ("steer.skin-saturation=90%", "steer", "saturation", 0.9),
    ("steer.skin_saturation=.9", "steer", "saturation", 0.9),
    ("balance.tint=2", "balance", "tint", 0.002),
    ("balance.tint=.002Duv", "balance", "tint", 0.002),
    ("balance.temperature=-12 mired", "balance", "temperature", -12.0),
    ("soften.edge-blur=.3", "soften", "softness", 3.0),
    ("tone.black=-2", "tone", "black", 0.02),
    ("tone.white=5%", "tone", "white", 0.95),
    ("tone.middle=-3", "tone", "middle", 0.47),
    ("soften.edge-blur=.3%", "soften", "softness", 3.0),
    ("soften.edge-blur=3‰", "soften", "softness", 3.0),
    ("soften.edge-blur=4px", "soften", "softness", 4000 / 1080),
    ("soften.invert=yes", "soften", "invert", True),
    ("steer.method=Shift", "steer", "method", "shift"),
    ("saturation.slope=1.1", "saturation", "slope", (1.1, 1.1, 1.1)),
    ("saturation.slope=1.1,1,.9", "saturation", "slope", (1.1, 1.0, 0.9)),
]


@pytest.mark.parametrize(("text", "step", "name", "value"), VALUES)
def test_values_are_read_in_the_units_of_people(text, step, name, value):
    graph, (edit,) = with_values(standard(), [text], height=1080)
    assert getattr(graph.by_id[step].node, name) == pytest.approx(value)
    assert (edit.step, edit.name) == (step, name)


def test_levels_are_typed_in_percent_and_codes():
    """876 codes of 10 bits from black to white: BT.709-6, item 4.6."""
    graph, _ = with_values(
        standard(), ["tone.black=-18c", "tone.curve=25,20;75,82", "tone.white=5", "tone.white=by:-2"]
    )
    tone = graph.by_id["tone"].node
    assert tone.black == pytest.approx(18 / 876)
    assert tone.white == pytest.approx(0.97)
    np.testing.assert_allclose(tone.points, ((0.25, 0.2), (0.75, 0.82)))


def test_by_adds_to_what_stands_and_to_every_keyframe():
    graph, _ = with_values(standard(), ["steer.turn=4", "steer.turn=by:-1.5", "balance.temperature=0:0,48:12 smooth"])
    assert graph.by_id["steer"].node.angle == 2.5
    graph, _ = with_values(graph, ["balance.temperature=by:3"])
    (_, keyframes), *_ = graph.by_id["balance"].keyed
    assert keyframes.pairs == ((0, 3.0), (48, 15.0))
    assert keyframes.between == "smooth"
    assert Graph.from_dict(json.loads(json.dumps(graph.to_dict()))) == graph
    graph, _ = with_values(graph, ["balance.temperature=1"])
    assert graph.by_id["balance"].keyed == ()


WRONG = [
    ("steer.trun=4", "Did you mean 'turn'"),
    ("steear.turn=4", "Did you mean 'steer'"),
    ("steady.steady-matte=2", "has no step 'steady'. `inkarnat correct` makes it where --steady-matte is given"),
    ("turn=4", "step.word=value"),
    ("steer.turn", "step.word=value"),
    ("steer.turn=red", "steer.turn takes a number -180 to 180°, not 'red'"),
    ("steer.turn=", "steer.turn takes a number -180 to 180°, not ''"),
    ("steer.turn=3kg", "-180 to 180°, not '3kg': it has no unit 'kg'"),
    ("steer.turn=500", "takes a number -180 to 180°, not 500"),
    ("steer.turn=by:400", "not by:400, which comes to [+]400°"),
    ("steer.turn=0:1,9:200", "steer.turn at frame 9 takes a number -180 to 180°, not 200"),
    ("skin.key-width=1.1", "did you mean skin.key-width=0.1[?] It counts from 0, the key as learned"),
    ("skin.key-width=3", "takes a number -0.5 to 0.5, not 3"),
    ("balance.temperature=1000", "takes a number -400 to 120 mired, not 1000"),
    ("tone.curve=", "takes places x,y;x,y;…, or none"),
    ("tone.curve=25", "takes points input:output in %, such as 25:20,75:82, not 25"),
    ("tone.curve=.25:.2", "did you mean tone.curve=25:20"),
    ("tone.black=-100", "tone.black=-100 % and tone.white=0 % put black at or above white"),
    ("steer.turn=123", "did you mean --target-angle 123"),
    ("tone.black=.02", "did you mean tone.black=-2"),
    ("tone.black=200", "takes a number -100 to 100 %; in codes of 10 bits as 18c, not 200"),
    ("balance.tint=100", "takes a number -50 to 50 thousandths, not 100"),
    ("soften.edge-blur=4px", "give --height"),
    ("soften.invert=perhaps", "yes or no"),
    ("steer.method=turnn", "Did you mean 'turn'"),
    ("steer.turn=0:0,x:3", "frame:value,frame:value"),
    ("steer.turn=4:0,2:3", "must rise"),
    ("steer.method=by:2", "adds to a figure"),
    ("skin.model=abc", "model cannot be read"),
]


@pytest.mark.parametrize(("text", "message"), WRONG)
def test_what_cannot_be_set_is_named_with_the_fix(text, message):
    with pytest.raises(GraphError, match=message):
        with_values(standard(), [text])


def test_no_second_balance_is_put_beside_one_of_another_name():
    """It would work on top of the one that is meant."""
    data = (
        json.dumps(standard().to_dict()).replace('"balance"', '"light"').replace('"node": "light"', '"node": "balance"')
    )
    graph = Graph.from_dict(json.loads(data))
    with pytest.raises(GraphError, match=r"no step 'balance'; its balance is light: light\.temperature=…"):
        with_values(graph, ["balance.temperature=by:-12"])
    assert with_values(graph, ["light.temperature=by:-12"])[0].by_id["light"].node.temperature == -12


def test_keyframes_are_set_as_they_are_typed_for_a_correction():
    one, _ = with_values(standard(), ["steer.turn=0:1,48:3 smooth"])
    assert with_values(standard(), ["steer.turn=0:1,48:3/smooth"])[0] == one
    with pytest.raises(GraphError, match="linear or smooth, not 'curly'"):
        with_values(standard(), ["steer.turn=0:1,48:3/curly"])


def test_a_curve_is_set_as_it_is_typed_for_a_correction():
    one, _ = with_values(standard(), ["tone.curve=25:20,75:82"])
    other, _ = with_values(standard(), ["tone.curve=25,20;75,82"])
    np.testing.assert_allclose(one.by_id["tone"].node.points, ((0.25, 0.2), (0.75, 0.82)))
    np.testing.assert_allclose(other.by_id["tone"].node.points, one.by_id["tone"].node.points)


def test_a_graph_that_is_not_there_is_missing_whatever_may_be_written(tmp_path):
    done = run("graph", "set", tmp_path / "none.json", "steer.turn=1")
    assert (done.exit_code, list(tmp_path.iterdir())) == (3, []), done.output
    done = run("graph", "set", tmp_path / "no" / "none.json", "steer.turn=1")
    assert done.exit_code == 3, done.output


def test_all_that_is_wrong_is_told_at_once_and_nothing_is_written(graph_file):
    before = graph_file.read_bytes()
    done = run("graph", "set", graph_file, "steer.turn=3", *(text for text, _ in WRONG[:3]))
    assert done.exit_code == 2
    assert len(done.stderr.splitlines()) == 3
    assert graph_file.read_bytes() == before


def test_all_that_is_wrong_with_a_file_is_told_at_once(tmp_path):
    data = standard().to_dict()
    data["nodes"][0]["params"] |= {"temperature": 999, "tnit": 1}
    data["nodes"][3]["node"] = "skin_kye"
    data["extra"] = 1
    path = tmp_path / "bad.json"
    path.write_text(json.dumps(data))
    done = run("check", path, "--json")
    problems = json.loads(done.stdout)["error"]["problems"]
    assert done.exit_code == 2
    told = done.stderr
    assert len(problems) == len(told.splitlines()) == 4
    for words in ("no entry 'extra'", "balance.temperature must be", "no parameter 'tnit'", "Did you mean 'skin_key'"):
        assert words in told
    wired = standard().to_dict()
    wired["nodes"][1]["inputs"] = {"image": "balanec"}
    wired["outputs"]["matte"] = "softne"
    with pytest.raises(GraphError) as caught:
        Graph.from_dict(wired)
    assert len(caught.value.problems) == 2
    wired["nodes"][0]["params"]["tnit"] = 1
    with pytest.raises(GraphError) as caught:
        Graph.from_dict(wired)
    assert len(caught.value.problems) == 3, "what is wired to nothing is told beside what cannot be read"


# --- show and diff ------------------------------------------------------------------------------------------


def test_show_names_what_is_not_as_by_default_and_a_learned_key_on_one_line(picture):
    key = learn_skin_key(np.clip(picture, 0, 1), [Sample.box(0.3, 0.3, 0.7, 0.7)])
    graph, _ = with_values(standard(), ["steer.turn=4", f"skin.model={key.model}"])
    told = list(lines(graph))
    assert "│    turn  +4°" in told
    (model,) = (line for line in told if "model" in line)
    assert "learned, skin at" in model
    assert len(model) < 120
    assert not any("skin-amount" in line for line in told)
    assert any("skin-amount" in line for line in lines(graph, everything=True))


def test_what_show_prints_set_reads_again():
    graph, _ = with_values(standard(), [text for text, *_ in VALUES if "px" not in text], height=1080)
    for line in lines(graph, everything=True):
        if line.startswith("├─ ") and "gives" not in line:
            step = line[3:].partition(":")[0]
        elif line.startswith("│    ") and "as by default" not in line:
            word, _, value = line[1:].strip().partition("  ")
            if word not in ("model", "curve", "red", "green", "blue"):
                again, _ = with_values(graph, [f"{step}.{word}={value.strip()}"])
                assert list(differences(graph, again)) == []


def test_diff_names_each_difference_once():
    first = standard()
    second, _ = with_values(first, ["steer.turn=4", "balance.tint=2"])
    assert list(differences(first, first)) == []
    assert list(differences(first, second)) == [
        "balance.tint: 0 thousandths → +2 thousandths",
        "steer.turn: 0° → +4°",
    ]
    fewer = STARTS["skin-only"][0]()
    assert "- balance: balance" in list(differences(first, fewer))
    assert "+ balance: balance ← plate" in list(differences(fewer, first))


# --- versions -----------------------------------------------------------------------------------------------


def test_versions_are_kept_compared_approved_and_returned_to(graph_file):
    assert run("graph", "keep", graph_file, "solved").exit_code == 0
    solved = graph_file.read_bytes()
    assert run("graph", "set", graph_file, "steer.turn=4").stdout == "steer.turn: 0° → +4°\n"
    assert run("graph", "diff", f"{graph_file}@solved", graph_file).stdout == "steer.turn: 0° → +4°\n"
    assert run("graph", "keep", graph_file, "solved").exit_code == 2
    assert run("graph", "keep", graph_file, "yellower").exit_code == 0
    assert run("graph", "approve", graph_file, "solved").exit_code == 0
    assert run("graph", "approve", graph_file, "yellower").exit_code == 0
    assert [(one.name, bool(one.approved)) for one in versions_of(graph_file)] == [
        ("solved", False),
        ("yellower", True),
    ]
    assert run("graph", "return", graph_file, "solved").exit_code == 0
    assert graph_file.read_bytes() == solved
    assert len(versions_of(graph_file)) == 2  # what stood there was a version already
    done = run("graph", "show", f"{graph_file}@yelower")
    assert done.exit_code == 2
    assert "Did you mean 'yellower'" in done.stderr


def test_returning_loses_no_state_that_was_never_kept(graph_file):
    run("graph", "keep", graph_file, "solved")
    run("graph", "set", graph_file, "steer.turn=7")
    assert run("graph", "return", graph_file, "solved").exit_code == 0
    (kept,) = (one for one in versions_of(graph_file) if one.name != "solved")
    assert kept.name.startswith("before solved")
    assert kept.graph.by_id["steer"].node.angle == 7


def test_damaged_versions_are_named_and_left_alone(graph_file):
    versions_file(graph_file).write_text("{")
    done = run("graph", "keep", graph_file, "solved")
    assert done.exit_code == 2
    assert "move it aside" in done.stderr
    assert versions_file(graph_file).read_text() == "{"


def test_the_schema_is_that_of_nodes(graph_file):
    assert json.loads(run("graph", "--schema").stdout) == json.loads(run("nodes", "--json").stdout)
    assert "graph set" in run("graph").stdout
    assert json.loads(run("graph", "show", graph_file, "--json").stdout) == standard().to_dict()
