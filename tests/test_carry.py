"""Carry: drifting light balanced, corrections copied, statuses checked against the generator's truth."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.errors import GraphError
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.keyframes import Keyframes
from inkarnat.host_adapters.graphs.parts import Hand, Parts, with_amounts, with_hand, with_parts
from inkarnat.host_adapters.graphs.parts import parts_of as parts_of_step
from inkarnat.host_adapters.graphs.standard import chain_graph
from inkarnat.host_adapters.media.files import InputError
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.host_adapters.shots.aims import with_aims, with_card, with_light
from inkarnat.host_adapters.shots.carry import (
    PARTS,
    UNREAD,
    Carrier,
    CarryError,
    Light,
    Shot,
    balance_step,
    carried_balance,
    moving_notes,
    named_shots,
    parts_of,
    with_balance,
)
from inkarnat.host_adapters.shots.people import Person
from inkarnat.host_adapters.shots.runs import Run
from inkarnat.kernels.colour import decode, encode
from inkarnat.nodes import (
    EDGES,
    HOLDS,
    Aim,
    Balance,
    CorrectionOptions,
    MarkedFrame,
    SkinKey,
    ToneCurve,
    distance,
    solve_balance,
    solve_correction,
)
from takes import LIGHTS, SAWDUST, Reel, approved, film, status, take, truth, write


def plain(picture):
    return picture


@pytest.fixture(scope="module")
def solved():
    """The graph of the first take, balanced by its grey card and matched to an approved reading."""
    shot = take("take1")
    marked = MarkedFrame(1, shot.clip.read(1), (shot.face(),), (SAWDUST,), shot.card())
    target = approved(shot).target()
    correction = solve_correction([marked], CorrectionOptions(target=target))
    return with_aims(chain_graph(correction.links(), correction.outputs()), {"": Aim(target)})


@pytest.fixture(scope="module")
def carrier(solved):
    shot = take("take1")
    return Carrier(solved, Shot("take1", shot.clip, 1, neutral=shot.card()), plain)


# --- against the truth --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def four(carrier):
    """The reference, one take with its grey card, one by edges, and one under a light far away by edges."""
    cards = {"take2"}
    shots = [Shot(n, take(n).clip, 1, neutral=take(n).card() if n in cards else None) for n in list(LIGHTS)[1:]]
    return {"take1": carrier.reference_carried()} | {shot.name: carrier.carry(shot) for shot in shots}


def test_every_status_is_that_of_the_truth(four):
    """What is read under the key's matte against what is read under the true one.

    Measured: at most .05° on takes that hold or want a check, .64° on the one that is off, where the key misses skin.
    """
    reference, _ = truth(four["take1"], take("take1"))
    for name, carried in four.items():
        skin, _ = truth(carried, take(name))
        expected = status(distance(skin, reference))
        assert carried.verdict.status == expected, name
        bound = 0.8 if expected == "off" else 0.3
        assert carried.verdict.drift.angle == pytest.approx(distance(skin, reference).angle, abs=bound), name
        assert carried.verdict.drift.delta_e == pytest.approx(
            distance(skin, reference).delta_e, abs=0.4 if expected != "off" else 1.0
        ), name


def test_the_four_takes_show_every_kind_of_outcome(four):
    assert four["take1"].verdict.status == four["take2"].verdict.status == "holds"
    assert four["take3"].verdict.status == "check"
    assert four["take4"].verdict.status == "off"
    assert four["take3"].verdict.fix()
    assert four["take4"].verdict.fix()
    assert [carried.by for carried in four.values()] == ["reference", "card", "edges", "edges"]


def test_balancing_first_is_what_makes_it_hold(solved):
    """Copied without balance the key loses the skin or the skin drifts; balanced by the card it holds."""
    first = take("take1")
    carrier = Carrier(solved, Shot("take1", first.clip, 1, neutral=first.card()), plain, light="copy")
    other = film("other", 10, -0.003)
    copied = carrier.carry(Shot("other", other.clip, 1))
    balanced = carrier.carry(Shot("other", other.clip, 1, neutral=other.card()))
    assert copied.balance is None
    assert copied.verdict.status == "off"
    assert balanced.verdict.status == "holds"


def test_without_a_cast_a_balanced_copy_drifts_little():
    """The same camera without its cast: ≤ 1° and ΔE00 ≤ .5 for ± 10 mired, by card and by edges."""
    first = film("first", 0, 0, green=0.0)
    marked = MarkedFrame(1, first.clip.read(1), (first.face(),), (SAWDUST,), first.card())
    correction = solve_correction([marked])
    graph = chain_graph(correction.links(), correction.outputs())
    carrier = Carrier(graph, Shot("first", first.clip, 1, neutral=first.card()), plain)
    for mired, duv in ((10, -0.003), (-10, 0.003)):
        other = film("other", mired, duv, green=0.0)
        for neutral in (other.card(), None):
            drift = carrier.carry(Shot("other", other.clip, 1, neutral=neutral)).verdict.drift
            assert abs(drift.angle) <= 1
            assert drift.delta_e <= 0.5


def test_solving_again_with_new_samples_mends_a_red_take(carrier):
    fourth = take("take4")
    shot = Shot("take4", fourth.clip, 1, add=(fourth.face(),), subtract=(SAWDUST,))
    assert carrier.carry(shot).verdict.status == "off"
    again = carrier.carry(shot, again=True)
    assert again.solved_again
    assert again.verdict.status == "holds"
    skin, _ = truth(again, fourth)
    reference, _ = truth(carrier.reference_carried(), take("take1"))
    assert distance(skin, reference).delta_e < 1
    assert [step.id for step in again.graph.steps] == [step.id for step in carrier.graph.steps]


def test_solving_again_lands_the_result_though_tone_follows(solved):
    """A curve after the steering moves the skin; what must land is what comes out."""
    shot = take("take1")
    graph = Graph(
        (*solved.steps, Step.of("tone", ToneCurve(black=0.05, white=0.9), image=dict(solved.outputs)["result"])),
        (("result", "tone"), ("matte", dict(solved.outputs)["matte"])),
    )
    target = Person(120.0, 0.2, 0.5, name="Ada")
    carrier = Carrier(graph, Shot("take1", shot.clip, 1, neutral=shot.card()), plain, person=target)
    second = take("take2")
    carried = carrier.carry(Shot("take2", second.clip, 1, neutral=second.card(), add=(second.face(),)), True)
    assert carried.verdict.drift.delta_e < 0.3
    assert abs(carried.verdict.drift.angle) < 0.5


def test_a_person_is_what_clips_are_judged_against(solved):
    shot = take("take1")
    far = Carrier(solved, Shot("take1", shot.clip, 1), plain, person=Person(129.0, 0.2, 0.5))
    assert far.reference_carried().verdict.status == "off"
    assert far.reference_carried().verdict.drift.angle < -4


# --- graphs -------------------------------------------------------------------------------------------------


def test_a_balance_is_put_before_all_that_reads_the_plate():
    graph = Graph.of(
        Step.of("balance", SkinKey(), image="plate"), Step.of("tone", ToneCurve(), image="plate"),
        result="tone", matte="balance", untouched="plate",
    )  # fmt: skip
    assert balance_step(graph) is None
    made = with_balance(graph, Balance(temperature=5), 1)
    assert made.by_id["balance2"].inputs == (("image", "plate"),)
    assert {step.id: dict(step.inputs)["image"] for step in made.steps if step.id != "balance2"} == {
        "balance": "balance2",
        "tone": "balance2",
    }
    assert dict(made.outputs)["untouched"] == "balance2"
    again = with_balance(made, Balance(temperature=9), 1)
    assert len(again.steps) == len(made.steps)
    assert balance_step(again).node.temperature == 9


def test_balances_add_up():
    def light(temperature, tint):
        return Light(Balance(temperature=temperature, tint=tint), "edges")

    made = carried_balance(Balance(temperature=10, tint=0.002), light(3, 0.001), light(-4, 0.003))
    assert (made.temperature, made.tint) == (pytest.approx(3), pytest.approx(0.004))


def test_a_neutral_sample_needs_something_to_compare_with(solved):
    first, second = take("take1"), take("take2")
    steps = tuple(step for step in solved.steps if step.id != "balance")
    bare = Graph(
        tuple(Step(s.id, s.node, tuple((p, "plate" if o == "balance" else o) for p, o in s.inputs)) for s in steps),
        solved.outputs,
    )
    carrier = Carrier(bare, Shot("take1", first.clip, 1), plain)
    with pytest.raises(CarryError, match="reference's neutral sample too"):
        carrier.carry(Shot("take2", second.clip, 1, neutral=second.card()))
    compared = Carrier(bare, Shot("take1", first.clip, 1, neutral=first.card()), plain)
    assert compared.carry(Shot("take2", second.clip, 1, neutral=second.card())).by == "card"


def test_a_clip_without_edges_is_left_as_it_is_and_red(carrier):
    flat = type(take("take1").clip)("flat", [np.full((64, 96, 3), (0.6, 0.45, 0.38), np.float32)])
    carried = carrier.carry(Shot("flat", flat, 1))
    assert carried.balance is None
    assert carried.by == UNREAD
    assert carried.verdict.status == "off"


def test_samples_that_cannot_be_used_name_their_clip(carrier):
    second = take("take2")
    with pytest.raises(CarryError, match=r"take2: Neutral sample .* too dark"):
        carrier.carry(Shot("take2", type(second.clip)("dark", [np.zeros((64, 96, 3), np.float32)]), 1, second.card()))


def test_solving_again_looks_through_the_view(solved):
    """Through a view that turns hues the result still lands on what was read through it."""
    mix = np.array([[0.85, 0.15, 0], [0.1, 0.85, 0.05], [0, 0.1, 0.9]], np.float32)

    def view(picture):
        return np.ascontiguousarray(picture @ mix.T)

    first, second = take("take1"), take("take2")
    carrier = Carrier(solved, Shot("take1", first.clip, 1, neutral=first.card()), view)
    plain_angle = Carrier(solved, Shot("take1", first.clip, 1, neutral=first.card()), plain).surveyed.final.angle
    assert abs(carrier.surveyed.final.angle - plain_angle) > 2
    carried = carrier.carry(Shot("take2", second.clip, 1, second.card(), (second.face(),)), again=True)
    assert abs(carried.verdict.drift.angle) < 0.5
    assert carried.verdict.drift.delta_e < 0.3


def test_a_reference_without_skin_is_refused(solved):
    empty = film("take1", *LIGHTS["take1"]).clip
    black = type(empty)("black", [np.zeros((64, 96, 3), np.float32)])
    with pytest.raises(CarryError, match="no skin on the reference"):
        Carrier(solved, Shot("black", black, 1), plain)


def test_clips_get_short_unique_names():
    assert named_shots(["a/take.mov", "b/take.mp4", "c/shot.%04d.exr", "d/…?.mov"]) == ["take", "take2", "shot", "clip"]
    with pytest.raises(GraphError, match="--to CLIP"):
        named_shots([])


# --- the verb -----------------------------------------------------------------------------------------------


def run(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


@pytest.fixture(scope="module")
def workplace(tmp_path_factory, solved):
    folder = tmp_path_factory.mktemp("takes")
    solved.save(folder / "take1.json")
    return folder, {name: write(take(name), folder) for name in ("take1", "take2", "take4")}


def carry(workplace, out, *words):
    folder, files = workplace
    return run(
        "carry", folder / "take1.json", "--from", files["take1"], "-o", out, "--json", "--no-report",
        "--to", files["take2"], files["take4"], *words,
    )  # fmt: skip


def test_the_verb_writes_a_graph_for_each_clip_and_a_run(workplace, tmp_path):
    folder, files = workplace
    result = carry(workplace, tmp_path / "out", "--neutral", f"{files['take2']}={take('take2').card()}")
    assert result.exit_code == 0, result.output
    clips = {clip["name"]: clip for clip in json.loads(result.stdout)["clips"]}
    assert [clip["light"] for clip in clips.values()] == ["reference", "card", "edges"]
    assert clips["take2"]["status"] == "holds"
    made = Run.load(tmp_path / "out" / "carry.json")
    assert made.reference == "take1"
    for clip in made.clips:
        graph = Graph.load(made.path(clip.graph))
        assert balance_step(graph).node.config()["params"] == clips[clip.name]["balance"]
        assert made.path(clip.files).parent.resolve() == folder.resolve()


def test_the_verb_solves_again(workplace, tmp_path):
    fourth = take("take4")
    name = "take4.%03d.png"
    samples = ("--add", f"{name}={fourth.face()}@1", "--subtract", f"{name}={SAWDUST}")
    plainly = carry(workplace, tmp_path / "out", *samples)
    assert plainly.exit_code == 2
    assert "--solve-again" in plainly.output
    again = carry(workplace, tmp_path / "out", "--solve-again", *samples)
    assert again.exit_code == 0, again.output
    clip = json.loads(again.stdout)["clips"][2]
    assert clip["solved_again"]
    assert clip["status"] == "holds"


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["--neutral", "take9.png=box:.1,.1,.2,.2"], 2, "not among the clips"),
        (["--neutral", "box:.1,.1,.2,.2"], 2, "CLIP=SAMPLE"),
        (["--neutral", "take2.%03d.png=box:.1,.1,.2,.2@9"], 2, "Frame 9 is not in"),
        (["--to", "missing.mov"], 3, "missing.mov"),
        (["--view", "missing.clf"], 3, "missing.clf"),
        (["--person", "Bo", "--project", "none.json"], 3, "none.json"),
    ],
)
def test_wrong_use_is_one_clear_error(workplace, tmp_path, words, code, message):
    result = carry(workplace, tmp_path / "out", *words)
    assert result.exit_code == code, result.output
    assert message in result.output


def test_a_clip_is_named_once(workplace, tmp_path):
    _, files = workplace
    result = carry(workplace, tmp_path / "out", "--to", files["take2"])
    assert result.exit_code == 2
    assert "named twice" in result.output


# --- parts, trims, levels -----------------------------------------------------------------------------------


def trimmed(graph, mired=12.0):
    node = balance_step(graph).node
    return with_balance(graph, dataclasses.replace(node, temperature=node.temperature + mired), 1)


def test_a_card_on_each_clip_keeps_the_trim_by_hand():
    """Take 1 by its card and 12 mired more by hand, take 2 by its card: both end 12 mired from their cards."""
    first, second = take("take1"), take("take2")
    marked = MarkedFrame(1, first.clip.read(1), (first.face(),), (SAWDUST,), first.card())
    correction = solve_correction([marked])
    graph = with_card(chain_graph(correction.links(), correction.outputs()), first.card(), 1)
    carrier = Carrier(trimmed(graph), Shot("take1", first.clip, 1), plain)
    carried = carrier.carry(Shot("take2", second.clip, 1, neutral=second.card()))
    by_card = solve_balance(second.clip.read(1), second.card())
    assert carried.balance.temperature - by_card.temperature == pytest.approx(12, abs=1e-6)
    assert carried.balance.tint == pytest.approx(by_card.tint, abs=1e-9)
    again = Carrier(carried.graph, Shot("take2", second.clip, 1), plain)
    back = again.carry(Shot("take1", first.clip, 1, neutral=first.card()))
    assert back.balance.temperature == pytest.approx(carrier.balance.temperature, abs=1e-6)


def test_a_trim_that_changes_over_time_goes_on_changing_on_another_clip(solved):
    """Balance, parts and exposure keep their keyframes: each clip's own light, and the same movement on top."""
    first, second = take("take1"), take("take2")
    graph = with_card(solved, first.card(), 1)
    step = balance_step(graph)
    plain_balance = step.node
    graph = with_parts(graph, step.id, {name: Parts(getattr(step.node, name)) for name in ("temperature", "tint")})
    graph = with_hand(graph, step.id, {"temperature": Hand(Keyframes(((1, 4.0), (9, 20.0))))})
    step = balance_step(graph)
    graph = graph.with_step(with_amounts(step, {"exposure": Keyframes(((1, 0.0), (9, 0.5)), "smooth")}))
    by_card = solve_balance(second.clip.read(1), second.card()).temperature
    for match in (False, True):
        carrier = Carrier(graph, Shot("take1", first.clip, 1), plain, match_exposure=match)
        carried = carrier.carry(Shot("take2", second.clip, 1, neutral=second.card()))
        light = balance_step(carried.graph)
        at = {frame: light.node_at(frame) for frame in (1, 5, 9)}
        assert [at[f].temperature - by_card for f in (1, 5, 9)] == pytest.approx([4, 12, 20], abs=1e-6)
        assert at[9].exposure - at[1].exposure == pytest.approx(0.5)
        assert at[1].tint == pytest.approx(at[9].tint)
        noted = parts_of_step(carried.graph, light.id)["temperature"]
        assert noted.solved == pytest.approx(by_card, abs=1e-6)
        assert noted.hand.adds
        assert noted.hand.value.value_at(9) == pytest.approx(20)
    noted = moving_notes([carrier.reference_carried(), carried])
    assert noted[0].startswith("--temperature and --exposure change over time, at the same frame numbers")
    late = dataclasses.replace(carried, shot=dataclasses.replace(carried.shot, frames=(20, 21)))
    noted += moving_notes([carrier.reference_carried(), late])[1:]
    assert [note.split(",")[0] for note in noted[1:]] == [
        "take2: the keyframes of --temperature",
        "take2: the keyframes of --exposure",
    ]
    assert plain_balance.temperature != pytest.approx(by_card, abs=0.5), "the two takes differ in their light"


def test_the_level_is_told_and_matched_where_it_is_asked_for(solved):
    """A clip darker by one stop of light: told; with --match-exposure the skin ends at the reference's level."""
    shot = take("take1")
    darker = Reel("darker", [encode(decode(p, "bt709") * np.float32(0.5), "bt709") for p in shot.clip.pictures])
    plainly = Carrier(solved, Shot("take1", shot.clip, 1), plain).carry(Shot("darker", darker, 1, shot.card()))
    assert plainly.level in ("0.9 stops darker", "1.0 stops darker")  # this camera lifts its blacks a little
    assert plainly.verdict.status == "holds"
    matched = Carrier(solved, Shot("take1", shot.clip, 1), plain, match_exposure=True)
    carried = matched.carry(Shot("darker", darker, 1, shot.card()))
    assert carried.level == "the same level"
    assert carried.balance.exposure == pytest.approx(1, abs=0.1)


def test_parts_are_carried_alone(solved):
    graph = Graph(
        (*solved.steps, Step.of("tone", ToneCurve(black=0.05), image=dict(solved.outputs)["result"])),
        (("result", "tone"), ("matte", dict(solved.outputs)["matte"])),
    )
    levels = parts_of(graph, ["levels"])
    assert levels.by_id["tone"].node.black == 0.05
    assert levels.by_id["balance"].node.is_identity()
    assert levels.by_id["steer"].node.is_identity()
    own = with_balance(solved, Balance(temperature=33.0), 1)
    mixed = parts_of(graph, ["levels", "skin"], own)
    assert mixed.by_id["balance"].node.temperature == 33.0
    assert mixed.by_id["skin"].node == own.by_id["skin"].node
    assert mixed.by_id["steer"].node == graph.by_id["steer"].node
    assert parts_of(graph, PARTS) is graph
    with pytest.raises(CarryError, match=r"no part 'lihgt'.*light"):
        parts_of(graph, ["lihgt"])


def test_clips_that_belong_together_read_alike(solved):
    """A clip that differs from the reference is told so, by its name."""
    first, other = take("take1"), film("other", 10, -0.003)
    carrier = Carrier(solved, Shot("take1", first.clip, 1), plain, light="copy")
    found = carrier.carry(Shot("other", other.clip, 1)).verdict
    assert any("differs from take1's" in finding.sentence for finding in found.findings)


@pytest.fixture
def begun(solved, tmp_path):
    """A folder with two takes carried from the first, and what carries them anew."""
    files = {name: write(take(name), tmp_path) for name in ("take1", "take2")}
    with_light(solved, "card").save(tmp_path / "take1.json")
    words = ["carry", tmp_path / "take1.json", "--from", files["take1"], "--to", files["take2"], "-o", tmp_path / "out",
             "--neutral", f"{files['take2']}={take('take2').card()}", "--no-report", "--json"]  # fmt: skip

    def again(*more):
        done = run(*words, *more)
        assert done.exit_code == 0, done.output
        return json.loads(done.stdout)

    again()
    return tmp_path, again


def test_a_change_of_the_reference_reaches_clips_that_are_as_they_were_carried(begun):
    folder, again = begun
    changed = Graph.load(folder / "take1.json")
    step = changed.by_id["steer"]
    steered = dataclasses.replace(step.node, saturation=step.node.saturation * 0.95)
    steps = tuple(dataclasses.replace(s, node=steered) if s.id == "steer" else s for s in changed.steps)
    dataclasses.replace(changed, steps=steps).save(folder / "take1.json")
    assert again()["notes"] == []
    assert Graph.load(folder / "out" / "take2.json").by_id["steer"].node.saturation == steered.saturation


def test_clips_made_by_hand_or_approved_stay(begun):
    folder, again = begun
    mine = with_balance(Graph.load(folder / "out" / "take2.json"), Balance(temperature=3.0), 1)
    mine.save(folder / "out" / "take2.json")
    told = again()
    assert any("take2 was changed by hand" in note and "--replace take2" in note for note in told["notes"])
    assert Graph.load(folder / "out" / "take2.json") == mine
    assert told["clips"][1]["balance"]["temperature"] == 3.0
    again("--replace", "take2")
    carried = Graph.load(folder / "out" / "take2.json")
    assert carried != mine
    again("--approve", "take2")
    assert Run.load(folder / "out" / "carry.json").clips[1].approved
    mine.save(folder / "out" / "take2.json")
    told = again("--replace", "all")
    assert any("take2 is approved" in note and "--unlock take2" in note for note in told["notes"])
    assert Graph.load(folder / "out" / "take2.json") == mine
    again("--unlock", "take2", "--replace", "take2")
    assert Graph.load(folder / "out" / "take2.json") == carried


def test_parts_go_into_graphs_made_by_hand(begun):
    folder, again = begun
    mine = with_balance(Graph.load(folder / "out" / "take2.json"), Balance(temperature=3.0), 1)
    mine.save(folder / "out" / "take2.json")
    again("--what", "skin,key")
    assert balance_step(Graph.load(folder / "out" / "take2.json")).node.temperature == 3.0


def test_a_clip_that_cannot_be_judged_is_told_and_the_rest_is_done(solved, tmp_path):
    """A graph of 0.1.0 with an empty model renders as before, and is not judged."""
    steps = tuple(dataclasses.replace(s, node=SkinKey()) if s.id == "skin" else s for s in solved.steps)
    dataclasses.replace(solved, steps=steps).save(tmp_path / "g.json")
    files = [write(take(name), tmp_path) for name in ("take1", "take2")]
    done = run("carry", tmp_path / "g.json", "--from", files[0], "--to", files[1], "-o", tmp_path / "out", "--json")
    assert done.exit_code == 4, done.output
    assert {clip["status"] for clip in json.loads(done.stdout)["clips"]} == {"not judged"}
    assert (tmp_path / "out" / "report.html").is_file()


def test_a_sequence_with_gaps_or_with_a_torn_frame_is_carried_to(solved, tmp_path):
    """An evening's takes: one has lost frames on the way, one was torn by the copy."""
    solved.save(tmp_path / "g.json")
    first = write(take("take1"), tmp_path)
    shot = film("gaps", *LIGHTS["take2"], frames=3)
    for name in ("gaps", "torn"):
        for frame, picture in enumerate(shot.clip.pictures, start=1):
            if (name, frame) != ("gaps", 2):
                write_picture(tmp_path / f"{name}.{frame:03d}.png", picture, None, bits=16)
    whole = (tmp_path / "torn.002.png").read_bytes()
    (tmp_path / "torn.002.png").write_bytes(whole[: len(whole) // 3])
    words = ("carry", tmp_path / "g.json", "--from", first, "--match-exposure")
    gaps, torn = tmp_path / "gaps.%03d.png", f"{tmp_path / 'torn.%03d.png'}@2"
    told = run(*words, "--to", gaps, torn, "-o", tmp_path / "out", "--json")
    assert told.exit_code == 0, told.output
    data = json.loads(told.stdout)
    assert {clip["name"]: clip["status"] for clip in data["clips"]} == dict.fromkeys(("take1", "gaps", "torn"), HOLDS)
    assert [clip["light"] for clip in data["clips"][1:]] == [EDGES, EDGES]
    (note,) = data["notes"]
    assert note.startswith("torn: frame 2 of the 3 frames that were looked at is no part of the status: ")
    assert note.endswith("copy or export it again.")
    made = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "torn.002.png breaks off or is damaged" in made
    assert (tmp_path / "out" / "torn.json").is_file()


def test_a_clip_that_cannot_be_read_is_told_with_exit_code_4(solved, tmp_path, monkeypatch):
    solved.save(tmp_path / "g.json")
    first, *rest = [write(take(name), tmp_path) for name in ("take1", "take2", "take3")]
    whole = Carrier.carry

    def torn(self, shot, again=False):
        if shot.name == "take2":
            raise InputError("card.mov cannot be read: check the disk.")
        return whole(self, shot, again)

    monkeypatch.setattr(Carrier, "carry", torn)
    words = ("carry", tmp_path / "g.json", "--from", first, "--json", "-o", tmp_path / "out")
    told = run(*words, "--to", *rest)
    assert told.exit_code == 4, told.output
    data = json.loads(told.stdout)
    assert [clip["name"] for clip in data["clips"]] == ["take1", "take3"]
    assert data["failed"] == [{"name": "take2", "error": "card.mov cannot be read: check the disk."}]
    assert (tmp_path / "out" / "report.html").is_file()
    alone = run(*words[:-1], tmp_path / "none", "--to", rest[0])
    assert alone.exit_code == 3, alone.output
    assert not list((tmp_path / "none").glob("*.json"))


def test_a_clip_that_is_called_like_an_earlier_one_takes_nothing_from_it(solved, tmp_path):
    """Folders of shots hold pictures of one name; cards as well."""
    solved.save(tmp_path / "g.json")
    files = {}
    for folder, name in (("a", "take1"), ("b", "take2"), ("c", "take3")):
        (tmp_path / folder).mkdir()
        for frame, picture in enumerate(take(name).clip.pictures, start=1):
            write_picture(tmp_path / folder / f"plate.{frame:03d}.png", picture, None, bits=16)
        files[folder] = str(tmp_path / folder / "plate.%03d.png")
    words = ("carry", tmp_path / "g.json", "--from", files["a"], "-o", tmp_path / "out", "--no-report", "--json")
    assert run(*words, "--to", files["b"]).exit_code == 0
    first = (tmp_path / "out" / "plate2.json").read_bytes()
    told = run(*words, "--to", files["c"], "--approve", "plate3")
    assert told.exit_code == 0, told.output
    assert [clip["name"] for clip in json.loads(told.stdout)["clips"]] == ["plate", "plate3"]
    assert (tmp_path / "out" / "plate2.json").read_bytes() == first
    again = run(*words, "--to", files["b"], files["c"])
    assert [clip["name"] for clip in json.loads(again.stdout)["clips"]] == ["plate", "plate2", "plate3"]
    assert [clip.name for clip in Run.load(tmp_path / "out" / "carry.json").clips] == ["plate", "plate2", "plate3"]
    (tmp_path / "b").rename(tmp_path / "moved")
    moved = run(*words, "--to", tmp_path / "moved" / "plate.%03d.png")
    assert [clip["name"] for clip in json.loads(moved.stdout)["clips"]] == ["plate", "plate2"], "relinked, not another"


def test_a_clip_of_an_earlier_carry_that_has_gone_keeps_nothing_from_today(solved, tmp_path):
    """Its disk is unplugged: today's clips are told and shown, and the report says which it leaves out."""
    solved.save(tmp_path / "g.json")
    first = write(take("take1"), tmp_path)
    for name in ("old", "new"):
        (tmp_path / name).mkdir()
    old, new = write(take("take2"), tmp_path / "old"), write(take("take3"), tmp_path / "new")
    words = ("carry", tmp_path / "g.json", "--from", first, "-o", tmp_path / "out")
    assert run(*words, "--no-report", "--to", old).exit_code == 0
    (tmp_path / "old").rename(tmp_path / "unplugged")
    told = run(*words, "--to", new, "--json")
    assert told.exit_code == 0, told.output
    data = json.loads(told.stdout)
    assert [clip["name"] for clip in data["clips"]] == ["take1", "take3"]
    (note,) = [each for each in data["notes"] if "left out" in each]
    assert note.startswith("take2 is left out of the report: ")
    html = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Left out, as they could not be read: take2." in html
    page = run("report", tmp_path / "out" / "carry.json", "-o", tmp_path / "again.html", "--json")
    assert page.exit_code == 4, page.output
    assert [each["name"] for each in json.loads(page.stdout)["failed"]] == ["take2"]
    (tmp_path / "take1.001.png").unlink()
    (tmp_path / "take1.002.png").unlink()
    assert run("report", tmp_path / "out" / "carry.json", "-o", tmp_path / "none.html").exit_code == 3
