"""The judge: every status with its sentence and its fix, from the one table of limits."""

from __future__ import annotations

import ast
import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.shots.people import People, Person
from inkarnat.nodes import (
    CHECK,
    HOLDS,
    LIMITS,
    NOT_JUDGED,
    OFF,
    STATUSES,
    UNJUDGED,
    Aim,
    Evidence,
    LeftBehind,
    SkinReading,
    SkinTarget,
    Warned,
    faces_apart,
    judge,
    measure_skin,
)
from inkarnat.nodes.likeness import stops
from inkarnat.nodes.verdict import CARD, COMMAND, CONTROL, EDGES, FIXES, UNREAD, missed, side_note, worst_first

ROOT = Path(__file__).parents[1]


def reading(angle=123.0, ratio=0.2, luma=0.5, stray=0.0, half=3.0):
    return SkinReading(angle, ratio, 3.0, (0.3, luma, 0.7), 0.1, (angle - half, angle + half), 0.1, stray, 0.0)


def evidence(final=None, light=None, **more):
    final = final or reading()
    return Evidence(light or final, final, **more)


def under_a_look(ratio):
    """Skin of a saturation of .2 that a look leaves with another one, though it is kept from it by 60 %."""
    final = reading(ratio=ratio)
    return evidence(final, reading(), kept=0.6, without_look=reading(), aimed=final)


LINE = Aim()
SOFT = (Warned("half open", 0.45, "45% of the matte is half open: the key is unsure."),)
ADA = Aim(SkinTarget(angle=122.4, ratio=0.21), "Ada", 0.5)

CASES = [
    (evidence(), LINE, HOLDS, "123.0°, on the line used here, 123.0°."),
    (evidence(reading(121.5)), Aim(SkinTarget(bias=-1.5)), HOLDS, "the line used here with a bias of −1.5°, 121.5°"),
    (evidence(reading(124.4)), LINE, HOLDS, "1.4° yellower than the line used here"),
    (evidence(reading(125.0)), LINE, CHECK, "2.0° yellower"),
    (evidence(reading(120.9)), LINE, CHECK, "2.1° redder"),
    (evidence(reading(127.1)), LINE, OFF, "4.1° yellower"),
    (evidence(reading(195.9)), LINE, OFF, "195.9°, 72.9° greener than the line used here, 123.0°"),
    (evidence(reading(82.0)), LINE, OFF, "41.0° more violet"),
    (evidence(reading(285.0)), LINE, OFF, "162.0° bluer"),
    (evidence(reading(350.0)), LINE, OFF, "133.0° bluer"),
    (evidence(reading(122.4, 0.21)), ADA, HOLDS, "on Ada's approved skin, 122.4°"),
    (evidence(reading(122.4, 0.18)), ADA, CHECK, "saturation × 0.86"),
    (evidence(reading(122.4, 0.14)), ADA, OFF, "saturation × 0.67"),
    (evidence(reading(118.0)), Aim(SkinTarget(angle=118.0)), HOLDS, "the angle asked for, 118.0°"),
    (evidence(reading(), reading(150.0)), LINE, CHECK, "turned by −27°"),
    (evidence(reading(), reading(196.0)), LINE, OFF, "turned by −73°"),
    (evidence(balance=(-75.0, 0.0), light_by=EDGES), LINE, CHECK, "balanced by −75 mired"),
    (evidence(balance=(-75.0, 0.0), light_by=CARD), LINE, HOLDS, "on the line used here"),
    (evidence(balance=(0.0, 0.021), light_by=CARD), LINE, CHECK, "a tint of +21.0 thousandths"),
    (evidence(light_by=UNREAD), LINE, OFF, "could not be read"),
    (evidence(reading(stray=0.48)), LINE, CHECK, "48% of the keyed colour"),
    (
        evidence(reading(ratio=0.014), reading(ratio=0.014)),
        LINE,
        CHECK,
        "× 0.07 of the colour that measured",
    ),
    (evidence(reading(ratio=0.9), reading(ratio=0.9)), LINE, CHECK, "it looks painted"),
    (evidence(burnt=0.31), LINE, CHECK, "31% of the keyed skin is at white or beyond"),
    (evidence(burnt=0.065), LINE, HOLDS, "on the line used here"),
    (
        evidence(dataclasses.replace(reading(), transparent=0.6)),
        LINE,
        NOT_JUDGED,
        "60% of the keyed skin is transparent",
    ),
    (evidence(reading(150.0)), Aim(SkinTarget(angle=150.0)), CHECK, "the angle asked for, 150.0°, lies 27° from"),
    (
        evidence(reading(100.0)),
        dataclasses.replace(ADA, target=SkinTarget(angle=95.0)),
        OFF,
        "5.0° yellower than Ada's",
    ),
    (evidence(reading(146.0)), Aim(SkinTarget(angle=146.0)), HOLDS, "on the angle asked for"),
    (evidence(dataclasses.replace(reading(), transparent=0.08)), LINE, HOLDS, "on the line used here"),
    (evidence(face=LeftBehind(1 / 3, 128.0)), LINE, CHECK, "A third of this face is left behind: 128° against 123°."),
    (evidence(face=LeftBehind(0.6, 196.0)), LINE, OFF, "60% of this face is left behind: 196° against 123°."),
    (evidence(face=LeftBehind(0.6, 123.5)), LINE, HOLDS, "on the line"),
    (
        evidence(light=reading(125.4), face=LeftBehind(0.5, 124.0, (0.0, 1.0))),
        LINE,
        CHECK,
        "Half of this face is left behind: the rest was made 2.4° redder, its saturation × 1.00.",
    ),
    (evidence(light=reading(ratio=0.16), face=LeftBehind(0.6, 123.5, (0.0, 1.0))), LINE, OFF, "its saturation × 1.25."),
    (evidence(light=reading(125.4), face=LeftBehind(0.6, 123.5, (-2.0, 1.0))), LINE, HOLDS, "on the line"),
    (evidence(light=reading(124.0, 0.195), face=LeftBehind(0.6, 124.0, (0.0, 1.0))), LINE, HOLDS, "on the line"),
    (evidence(doubts=SOFT), LINE, CHECK, "45% of the matte is half open"),
    (evidence(doubts=SOFT, accepted=True), LINE, HOLDS, "on the line used here"),
    (evidence(reading(stray=0.48), accepted=True), LINE, HOLDS, "on the line used here"),
    (evidence(reading(127.1), doubts=SOFT), LINE, OFF, "4.1° yellower"),
    (evidence(doubts=SOFT), None, CHECK, "45% of the matte is half open"),
    (evidence(doubts=SOFT, sampled=False), LINE, NOT_JUDGED, "nobody said what is skin"),
    (evidence(area_change=0.24), LINE, HOLDS, "on the line"),
    (evidence(area_change=-0.3), LINE, CHECK, "30% less of the skin"),
    (evidence(area_change=0.61), LINE, OFF, "61% more"),
    (evidence(), None, NOT_JUDGED, "The skin reads 123.0°, saturation 0.200: there is no target"),
    (evidence(sampled=False), LINE, NOT_JUDGED, "nobody said what is skin"),
    (evidence(kept=0.6), LINE, NOT_JUDGED, "not judged, skin kept 60%"),
    (under_a_look(0.12), LINE, HOLDS, "on the line used here as it comes out, kept 60% from the look: 123.0°"),
    (under_a_look(0.07), LINE, CHECK, "the look leaves the skin × 0.35 of its saturation"),
    (under_a_look(0.04), LINE, OFF, "(2 times as strong or pale is doubted): it looks grey"),
    (under_a_look(0.5), LINE, CHECK, "it looks painted"),
    (evidence(view="film.clf"), dataclasses.replace(ADA, view=""), NOT_JUDGED, "read under film.clf"),
    (evidence(), dataclasses.replace(ADA, view="film.clf"), NOT_JUDGED, "approved under film.clf"),
    (evidence(reading(122.4, 0.21), view="film.clf"), dataclasses.replace(ADA, view="film.clf"), HOLDS, "on Ada's"),
    (Evidence(None, None), LINE, OFF, "finds no skin"),
    (Evidence(None, None, sampled=False), LINE, NOT_JUDGED, "finds no skin"),
]


@pytest.mark.parametrize(("given", "aim", "status", "words"), CASES, ids=[f"{c[2]}: {c[3]}" for c in CASES])
def test_every_status_has_its_sentence(given, aim, status, words):
    verdict = judge(given, aim)
    assert verdict.status == status
    assert words in verdict.sentence
    assert json.loads(json.dumps(verdict.as_dict(), allow_nan=False))["sentence"] == verdict.sentence


@pytest.mark.parametrize(("given", "aim"), [case[:2] for case in CASES])
def test_a_status_never_contradicts_its_sentence_and_names_what_clears_it(given, aim):
    verdict = judge(given, aim)
    for finding in verdict.findings:
        praised = finding.sentence.startswith("The skin reads") and ", on " in finding.sentence
        assert not (praised and finding.status in (CHECK, OFF)), finding
        assert bool(finding.fix) == (finding.status != HOLDS) or aim is None
    ranks = [(HOLDS, NOT_JUDGED, CHECK, OFF).index(finding.status) for finding in verdict.findings]
    assert ranks == sorted(ranks, reverse=True)
    assert verdict.words().startswith(f"{verdict.status}: {verdict.sentence}")


def test_the_level_does_not_count():
    """Three stops darker is the same skin; by how much is told apart. A stop doubles the light before the camera."""
    assert judge(evidence(reading(122.4, 0.21, luma=0.2)), ADA).status == HOLDS
    light = [((level + 0.099) / 1.099) ** (1 / 0.45) for level in (0.5, 0.7)]  # BT.709-6 item 1.2, inverted
    assert stops(0.7, 0.5) == pytest.approx(math.log2(light[1] / light[0]), abs=1e-3)
    assert judge(evidence(reading(122.4, 0.21, luma=0.7)), ADA).drift.level_words() == "0.9 stops brighter"


@pytest.mark.parametrize(
    ("name", "make"),
    [
        ("hue", lambda size: evidence(reading(123 + size))),
        ("turn", lambda size: evidence(reading(), reading(123 + size))),
        ("balance", lambda size: evidence(balance=(size, 0), light_by=EDGES)),
        ("tint", lambda size: evidence(balance=(0, -size), light_by=EDGES)),
        ("balance by card", lambda size: evidence(balance=(-size, 0), light_by=CARD)),
        ("tint by card", lambda size: evidence(balance=(0, size), light_by=CARD)),
        ("stray", lambda size: evidence(reading(stray=size))),
        ("left behind", lambda size: evidence(face=LeftBehind(size, 140))),
        ("area", lambda size: evidence(area_change=size)),
        ("burnt out", lambda size: evidence(burnt=size)),
    ],
)
def test_the_limits_are_those_of_the_table(name, make):
    limit = LIMITS[name]
    for at, status in ((limit.check, CHECK), (limit.off, OFF)):
        if at is not None:
            assert judge(make(at * 1.001), LINE).status == status
            assert judge(make(at * 0.999), LINE).status != status


def test_a_fix_is_in_the_words_of_the_surface():
    verdict = judge(evidence(reading(), reading(160.0)), LINE)
    assert "--neutral" in verdict.fix(COMMAND)
    assert "--light edges" in verdict.fix(COMMAND)
    assert all("--" not in words for words in (verdict.fix(CONTROL), *(pair[CONTROL] for pair in FIXES.values())))
    by_card = judge(evidence(reading(), reading(160.0), light_by=CARD), LINE)
    assert "--neutral lies on something grey" in by_card.fix(COMMAND)


def test_an_edge_rests_where_the_target_says():
    edge = Aim(SkinTarget(landing="redder"))
    assert judge(evidence(reading(120.0)), edge).status == HOLDS
    assert "yellower edge" in judge(evidence(reading(120.0)), edge).sentence
    assert judge(evidence(reading(123.0)), edge).status == CHECK


def test_a_missed_target_is_told_with_its_size_and_cause():
    aim = Aim(SkinTarget(ratio=0.2))
    assert missed(reading(123.4, 0.197), aim) == ()
    hue, saturation = missed(reading(124.0, 0.149), aim, "The saturation is at its limit.")
    assert "1.0°" in hue
    assert "124.0° instead of 123.0°" in hue
    assert "0.149 instead of 0.200" in saturation
    assert saturation.endswith("The saturation is at its limit.")


def test_a_bias_and_an_edge_on_one_side_are_told_once():
    target = SkinTarget(bias=-3, landing="redder")
    note = side_note(reading(110.0), target)
    assert "110.0°" in note
    assert "13.0° redder" in note
    assert side_note(reading(), SkinTarget(bias=-3)) == side_note(reading(), SkinTarget(bias=3, landing="redder")) == ""


def test_the_worst_comes_first():
    verdicts = [judge(given, aim) for given, aim, *_ in CASES[:7]]
    order = worst_first(verdicts)
    assert order[0] == 6
    assert sorted(order) == list(range(7))
    assert [verdicts[n].status for n in order] == [OFF, OFF, CHECK, CHECK, HOLDS, HOLDS, HOLDS]


def test_no_line_below_a_worse_one_says_that_it_holds():
    first, second = judge(evidence(doubts=SOFT), LINE).lines()
    assert first.startswith("check: 45% of the matte is half open")
    assert second.startswith("The skin reads 123.0°")
    (only,) = judge(evidence(), LINE).lines()
    assert only.startswith("holds: The skin reads 123.0°")


def test_statuses_differ_in_word_and_shape():
    assert set(STATUSES) == {HOLDS, CHECK, OFF, NOT_JUDGED}
    assert len({shape for shape, _ in STATUSES.values()}) == 4


# --- no limit stands elsewhere -------------------------------------------------------------------------------

_WATCHED = {"drift", "angle", "delta_e", "stray", "area", "turn", "ratio", "spread", "tint", "temperature", "span"}
_JUDGING = [
    *(ROOT / "host_adapters/shots").glob("*.py"), *(ROOT / "host_adapters/report").glob("*.py"),
    *(ROOT / "host_adapters/commands").glob("*.py"), *(ROOT / "host_adapters/desk").glob("*.py"),
    *(ROOT / "host_adapters/openfx").glob("*.py"), ROOT / "nodes/correct.py", ROOT / "nodes/verdict.py",
]  # fmt: skip


def limits_in(path: Path) -> list[str]:
    """Return the comparisons of a watched figure with a number that is neither 0 nor 1."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Compare):
            continue
        sides = [node.left, *node.comparators]
        numbers = [s.value for s in sides if isinstance(s, ast.Constant) and isinstance(s.value, int | float)]
        names = {n.attr if isinstance(n, ast.Attribute) else n.id for side in sides for n in ast.walk(side)
                 if isinstance(n, ast.Attribute | ast.Name)}  # fmt: skip
        if names & _WATCHED and any(abs(n) > 0.02 and abs(n) != 1 for n in numbers if not isinstance(n, bool)):
            found.append(f"{path.name}:{node.lineno}: {ast.unparse(node)}")
    return found


def test_no_surface_holds_a_limit():
    assert [line for path in _JUDGING for line in limits_in(path)] == []


# --- shown --------------------------------------------------------------------------------------------------


def test_the_limits_are_shown(tmp_path):
    told = json.loads(CliRunner().invoke(cli, ["check", "--limits", "--json"]).stdout)
    assert set(told["limits"]) == set(LIMITS)
    assert told["limits"]["hue"]["off"] == LIMITS["hue"].off
    assert set(told["statuses"]) == set(STATUSES)
    plain = CliRunner().invoke(cli, ["check", "--limits"]).stdout
    assert told["unjudged"] == list(UNJUDGED)
    assert all(words in plain for words in UNJUDGED)
    assert all(limit.what in plain and limit.shown(limit.check) in plain for limit in LIMITS.values())
    assert CliRunner().invoke(cli, ["check"]).exit_code == 2


def test_the_line_of_a_project_is_kept_and_used(tmp_path):
    project = str(tmp_path / "p.json")
    done = CliRunner().invoke(cli, ["person", "line", "+I", "--project", project])
    assert (done.exit_code, "130.55°" in done.stdout) == (0, True)
    assert People.load(project).line == 130.55
    assert People.load(project).adding(Person(120, 0.2, 0.5, name="Ada")).line == 130.55
    assert CliRunner().invoke(cli, ["person", "line", "x", "--project", project]).exit_code == 2
    assert judge(evidence(reading(130.5)), Aim(SkinTarget(angle=130.55), line=130.55)).status == HOLDS


def test_a_person_is_approved_under_a_view_and_0_1_0_did_not_say_so(tmp_path):
    old = {"inkarnat_people": 1, "people": {"Ada": {"angle": 122.4, "ratio": 0.2, "luma": 0.5, "black": 0.0}}}
    assert People.from_dict(old).known[0].view is None
    seen = People().adding(Person(120, 0.2, 0.5, name="Ada", view="film.clf 12"))
    assert People.from_dict(seen.to_dict()) == seen


def test_a_far_turn_by_hand_is_not_laid_to_the_light():
    light, final = reading(121.0), reading(166.0)
    verdict = judge(Evidence(light, final, by_hand=True), Aim())
    (turned,) = [each for each in verdict.findings if "was turned by" in each.sentence]
    assert turned.sentence.endswith("or a hand turned it.")
    assert "A hand moved it" in turned.words()
    (solved,) = [each for each in judge(Evidence(light, final), Aim()).findings if "was turned by" in each.sentence]
    assert "--light edges" in solved.words()


def test_a_card_that_is_keyed_as_skin_is_doubted():
    known = Evidence(reading(), reading(), light_by=CARD, card=0.8)
    verdict = judge(known, Aim())
    assert (verdict.status, "lies on what is keyed as skin" in verdict.sentence) == (CHECK, True)
    assert "--neutral lies on something grey" in verdict.fix()
    assert judge(dataclasses.replace(known, card=0.1), Aim()).status == HOLDS
    assert judge(dataclasses.replace(known, light_by=EDGES), Aim()).status == HOLDS, "the mark is no card of this light"


def test_what_holds_says_how_far_from_usual_a_colour_is_that_nobody_asked_for():
    """On the line and half as strong as measured skins: the status speaks of the hue, and says that it does."""
    pale = dataclasses.replace(reading(), ratio=0.47 * reading().population_ratio)
    verdict = judge(Evidence(pale, pale), Aim())
    assert (verdict.status, verdict.sentence) == (
        HOLDS,
        "The skin reads 123.0°, on the line used here, 123.0°; the hue alone is judged, and its colour is × 0.47 of "
        "what measured skins have at its level.",
    )
    off = judge(Evidence(pale, dataclasses.replace(pale, angle=140.0)), Aim())
    assert "hue alone" not in off.sentence
    asked = judge(Evidence(pale, pale), Aim(SkinTarget(ratio=pale.ratio)))
    assert asked.sentence.endswith("its saturation × 1.00 of the target's.")
    usual = dataclasses.replace(reading(), ratio=reading().population_ratio)
    assert "hue alone" not in judge(Evidence(usual, usual), Aim()).sentence


def test_a_wish_that_lies_where_hardly_any_skin_does_is_met_and_said_to_lie_there():
    """Measured skins under D65: mean 124.3°, standard deviation 4.2°, 116.7 to 131.0° (colour-science's spectra)."""

    def wished(bias):
        return judge(evidence(reading(123.0 + bias)), Aim(SkinTarget(bias=bias)))

    far = wished(20.0)
    assert (far.status, far.sentence) == (
        HOLDS,
        "The skin reads 143.0°, on the line used here with a bias of +20.0°, 143.0°; measured skins lie at 116.7 to "
        "131.0°.",
    )
    assert "measured skins" in judge(evidence(reading()), Aim(SkinTarget(bias=20.0))).sentence, "missed or not"
    assert "measured skins" not in wished(7.5).sentence + wished(-6.5).sentence, "+I lies at 130.55°"
    assert "measured skins" not in wished(30.0).sentence, "the doubt says it there"
    under = judge(under_a_look(0.2), Aim(SkinTarget(bias=20.0)))
    assert "measured skins lie" in " ".join(under.lines())


def test_skin_that_is_mostly_black_or_at_white_is_not_praised_for_the_rest():
    """At most 27 % of the drawn skin of 125 real pictures is; beyond white, no part counts as burnt out."""
    skin = np.full((90, 160, 3), (1.8, 1.4, 1.2), np.float32)
    skin[:, :40] = 0.62, 0.48, 0.40
    matte = np.ones((90, 160), np.float32)
    read = measure_skin(skin, matte)
    assert read.unread == pytest.approx(0.75)
    target = Aim(SkinTarget(angle=read.angle))
    verdict = judge(Evidence(read, read), target)
    assert verdict.status == CHECK
    assert verdict.sentence.startswith("75% of the keyed skin is black or at white (50% are doubted)")
    skin[:, :100] = skin[0, 0]
    read = measure_skin(skin, matte)
    assert judge(Evidence(read, read), target).status == HOLDS


def test_two_faces_that_one_key_takes_to_opposite_sides_of_the_line_do_not_hold():
    """Their middle lies on the line; of two people in one light, one pair in 80 differs so much."""
    known = Evidence(reading(), reading(), faces=(114.0, 130.0))
    verdict = judge(known, Aim())
    assert (verdict.status, verdict.sentence) == (
        CHECK,
        "The faces in this key end from 114° to 130°, as one correction turns them alike.",
    )
    assert "--subject" in verdict.fix()
    assert "--" not in verdict.fix(CONTROL)
    assert judge(dataclasses.replace(known, faces=(117.0, 130.0)), Aim()).status == HOLDS
    assert judge(dataclasses.replace(known, sampled=False), Aim()).status == NOT_JUDGED
    assert faces_apart((114.0, 130.0)) == (), "the judge tells it"


def test_skin_that_wanders_through_its_clip_is_doubted_and_a_cut_is_named():
    """What holds on one frame says nothing of the others: the median of a clip of two people may lie on the line."""
    known, aim = Evidence(reading(), reading()), Aim()
    assert judge(known, aim).status == HOLDS
    assert judge(dataclasses.replace(known, wander=5.9), aim).status == HOLDS
    verdict = judge(dataclasses.replace(known, wander=15.6), aim)
    assert (verdict.status, "wanders by 15.6° through the clip" in verdict.sentence) == (CHECK, True)
    assert "--follow-drift" in verdict.fix()
    verdict = judge(dataclasses.replace(known, wander=15.6, cut=13), aim)
    assert "there is a cut at frame 13" in verdict.sentence
    assert "--frames" in verdict.fix()
    verdict = judge(dataclasses.replace(known, wander=3.0, cut=13, across=-2.6), aim)
    assert (verdict.status, verdict.sentence) == (
        CHECK,
        "There is a cut at frame 13: behind it the skin is 2.6° redder under this one correction.",
    )
    assert judge(dataclasses.replace(known, wander=3.0, cut=13, across=1.9), aim).status == HOLDS
    verdict = judge(dataclasses.replace(known, cut=13, paled=0.57), aim)
    assert (verdict.status, verdict.sentence) == (
        CHECK,
        "There is a cut at frame 13: behind it the skin's saturation is × 0.57 under this one correction.",
    )
    assert judge(dataclasses.replace(known, cut=13, paled=0.98), aim).status == HOLDS
    assert judge(dataclasses.replace(known, paled=0.57), aim).status == HOLDS, "without a cut nothing lies behind one"
    assert judge(dataclasses.replace(known, wander=15.6, sampled=False), aim).status == NOT_JUDGED
