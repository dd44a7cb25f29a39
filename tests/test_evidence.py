"""Evidence: as shot, light only and final out of any graph, faces left behind, and finished files read as they are."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest
from inkarnat.host_adapters.graphs.colour_spaces import convert_around
from inkarnat.host_adapters.graphs.errors import GraphError
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.graphs.standard import chain_graph
from inkarnat.host_adapters.shots.aims import aims_of, noted_aim, with_aims
from inkarnat.host_adapters.shots.evidence import (
    Survey,
    Witness,
    balance_of,
    evidence,
    face_evidence,
    is_sampled,
    kept_of,
    middle,
    survey,
    with_befores,
)
from inkarnat.host_adapters.shots.finished import Finished
from inkarnat.host_adapters.shots.people import Person
from inkarnat.nodes import (
    CHECK,
    CONTROL,
    HOLDS,
    NOT_JUDGED,
    OFF,
    Aim,
    Cdl,
    CorrectSkin,
    FaceMatte,
    KeepSkin,
    MarkedFrame,
    RangeKey,
    Sample,
    SkinKey,
    SkinReading,
    SkinTarget,
    SteerSkin,
    faces_apart,
    hues_of_faces,
    judge,
    measure_skin,
    solve_correction,
)
from inkarnat.nodes.verdict import CARD
from takes import SAWDUST, Reel, take


def plain(picture):
    return picture


@functools.cache
def solved():
    """The first take, its grey card setting the light, its skin turned to the line; a saturation follows."""
    shot = take("take1")
    correction = solve_correction([MarkedFrame(1, shot.clip.read(1), (shot.face(),), (SAWDUST,), shot.card())])
    return chain_graph(correction.links(), correction.outputs())


def steered(graph, **changes):
    step = graph.by_id["steer"]
    node = dataclasses.replace(step.node, **changes)
    return dataclasses.replace(
        graph, steps=tuple(dataclasses.replace(s, node=node) if s.id == "steer" else s for s in graph.steps)
    )


def after_saturation(graph, factor=0.7):
    last = dict(graph.outputs)["result"]
    steps = (*graph.steps, Step.of("saturation", Cdl(saturation=factor, clamp=False), image=last))
    return dataclasses.replace(
        graph, steps=steps, outputs=(("result", "saturation"), ("matte", dict(graph.outputs)["matte"]))
    )


# --- the three befores --------------------------------------------------------------------------------------


def test_light_only_is_the_picture_without_the_steering():
    graph, clip = solved(), take("take1").clip
    pictures = Witness(graph, plain).pictures(clip, 1)
    made = Runner(graph).run_frame(1, {"plate": clip.read(1)}, ["result", "matte"])
    balanced = graph.by_id["balance"].node.process(clip.read(1))
    np.testing.assert_array_equal(pictures["as_shot"], clip.read(1))
    np.testing.assert_array_equal(pictures["light_only"], balanced)
    np.testing.assert_array_equal(pictures["final"], made["result"])
    np.testing.assert_array_equal(pictures["matte"], made["matte"])


def test_light_only_keeps_what_follows_the_steering():
    """In graphs of 0.1.0 levels and saturation come last: they belong to the light."""
    graph, clip = after_saturation(solved()), take("take1").clip
    pictures = Witness(graph, plain).pictures(clip, 1)
    balanced = graph.by_id["balance"].node.process(clip.read(1))
    np.testing.assert_array_equal(pictures["light_only"], graph.by_id["saturation"].node.process(balanced))


def test_footage_in_another_space_is_read_in_the_working_signal():
    graph, clip = convert_around(solved(), "srgb"), take("take1").clip
    plate = clip.read(1)
    pictures = Witness(graph, plain).pictures(Reel("s", [plate]), 1)
    np.testing.assert_array_equal(pictures["as_shot"], graph.by_id["working"].node.process(plate))
    assert measure_skin(pictures["final"], pictures["matte"]).angle == pytest.approx(123, abs=1)


def test_the_effect_for_hosts_has_three_befores_too():
    node = CorrectSkin(model=solved().by_id["skin"].node.model, angle=-20.0, saturation=0.8, temperature=5.0)
    graph = Graph.of(
        Step.of("all", node, image="plate"), Step.of("key", SkinKey(model=node.model), image="plate"),
        result="all", matte="key",
    )  # fmt: skip
    pictures = Witness(graph, plain).pictures(take("take1").clip, 1)
    light = dataclasses.replace(node, angle=0.0).process(take("take1").clip.read(1))
    np.testing.assert_array_equal(pictures["light_only"], light)
    assert balance_of(graph, 1) == (5.0, 0.0)


def test_befores_leave_the_graph_as_it_is():
    opened = with_befores(after_saturation(solved()))
    assert set(solved().steps) <= set(opened.steps)
    assert dict(opened.outputs)["result"] == "saturation"
    with pytest.raises(GraphError, match="no output 'result'"):
        with_befores(Graph.of(matte="plate"))


# --- what the judge is told ---------------------------------------------------------------------------------


def verdict(graph, name="take1", aim=None, **more):
    clip = take(name).clip
    surveyed = survey(clip, graph, plain)
    return judge(evidence(graph, surveyed, 1, **more), aim or Aim())


def test_a_ruined_face_is_off_without_any_person():
    """Turned by 60° and judged against the line, not against itself."""
    assert verdict(solved(), light_by=CARD).status == HOLDS
    ruined = verdict(steered(solved(), angle=60.0), light_by=CARD)
    assert ruined.status == OFF
    assert "greener than the line used here" in ruined.sentence


def test_hair_turned_to_the_line_is_no_skin_that_rests_there():
    """A stroke on what is no skin, turned far: the hue is on the line, and the verdict says what happened."""
    shot = take("take1")
    picture = shot.clip.read(1).copy()
    picture[:60, :60] = np.float32([0.33, 0.36, 0.24])  # a patch of dull green, as hair under a cast
    corner = Sample.box(0.02, 0.03, 0.11, 0.2)
    correction = solve_correction([MarkedFrame(1, picture, (corner,))])
    graph = chain_graph(correction.links(), correction.outputs())
    surveyed = survey(Reel("hair", [picture]), graph, plain)
    assert surveyed.final.angle == pytest.approx(123, abs=0.5)
    found = judge(evidence(graph, surveyed, 1), Aim())
    assert found.status == OFF
    assert "was turned by" in found.sentence
    assert "--neutral" in found.fix() or "--add" in found.fix()


def test_the_natural_range_is_not_judged():
    """It keys whatever has the colour of skin."""
    graph = dataclasses.replace(
        solved(),
        steps=tuple(dataclasses.replace(s, node=SkinKey()) if s.id == "skin" else s for s in solved().steps),
    )
    assert not is_sampled(graph)
    assert verdict(graph).status == NOT_JUDGED
    typed = Graph.of(Step.of("key", RangeKey(), image="plate"), result="plate", matte="key")
    assert is_sampled(typed)


def test_skin_kept_from_a_look_is_not_judged():
    graph = solved()
    steps = (
        *graph.steps,
        Step.of("look", Cdl(slope=(0.9, 1.0, 1.2), clamp=False), image="steer"),
        Step.of("keep", KeepSkin(amount=0.6), image="look", natural="steer", matte=dict(graph.outputs)["matte"]),
    )
    graph = dataclasses.replace(graph, steps=steps, outputs=(("result", "keep"), *graph.outputs[1:]))
    assert kept_of(graph, 1) == 0.6
    found = verdict(graph)
    assert found.status == NOT_JUDGED
    assert "skin kept 60%" in found.sentence


def test_a_face_that_is_left_behind_is_said(monkeypatch):
    """The key takes the left part of the face alone: what is left is told with its hue."""
    from inkarnat.host_adapters.shots import evidence as module

    shot = take("take1")
    pictures = Witness(solved(), plain).pictures(shot.clip, 1)
    matte = shot.scenes[0].matte
    box = shot.scenes[0].places["face"]
    columns = np.nonzero(matte[: round(box[3] * matte.shape[0])] > 0.5)[1]
    monkeypatch.setattr(module, "available", lambda: True)
    monkeypatch.setattr(module, "find_faces", lambda picture: (module.Face(box, 0.9, ((0.5, 0.5),) * 5),))
    whole, size = face_evidence(pictures, pictures["matte"], alone=True)
    assert whole is None  # next to nothing is left
    assert size > 0.1
    middle_column = int(np.median(columns))
    half = pictures["matte"].copy()
    half[:, middle_column:] = 0
    untouched = {**pictures, "final": np.where(half[..., None] > 0, pictures["final"], pictures["light_only"])}
    left, smaller = face_evidence(untouched, half, alone=True)
    assert left.share == pytest.approx(0.5, abs=0.2)
    assert left.angle - 123 > 4  # this camera sees skin too green, and half of it stays so
    assert smaller < 0.7 * size
    aside = module.Face((0.0, 0.0, 0.05, 0.1), 0.9, ((0.02, 0.05),) * 5)
    half[: round(0.1 * half.shape[0]), : round(0.05 * half.shape[1])] = 1
    for beside in ((box, 0.9), (box, 0.8)):  # another face, keyed whole, does not hide it, whichever comes first
        pair = sorted((module.Face(*beside, ((0.5, 0.5),) * 5), aside), key=lambda face: -face.score)
        monkeypatch.setattr(module, "find_faces", lambda picture, pair=pair: tuple(pair))
        assert face_evidence(untouched, half, alone=True)[0] == left
    reading = measure_skin(untouched["final"], half)
    found = judge(module.Evidence(reading, reading, face=left), Aim())
    assert found.status in (CHECK, OFF)
    assert "of this face is left behind" in found.sentence


def test_the_median_of_readings_does_not_wrap():
    def reading(angle):
        return SkinReading(angle, 0.2, 3.0, (0.3, 0.5, 0.7), 0.1, (angle - 3, angle + 3), 0.1, 0.0, 0.0)

    found = middle([reading(359.0), None, reading(2.0), reading(4.0)])
    assert found.angle == pytest.approx(2.0)
    assert found.luma == (0.3, 0.5, 0.7)
    assert middle([None]) is None


# --- what was aimed at --------------------------------------------------------------------------------------


def test_a_graph_remembers_what_it_was_solved_for():
    aim = Aim(SkinTarget(angle=122.4, bias=-1.5, ratio=0.2), "Ada", 0.5, "film.clf 1234", 123.0)
    graph = with_aims(solved(), {"": aim})
    assert noted_aim(Graph.from_dict(graph.to_dict()), "") == aim
    assert noted_aim(solved(), "") is None
    assert aims_of(graph, [""])[""] == aim
    assert aims_of(solved(), [""], line=130.55)[""].angle == 130.55
    zoe = aims_of(graph, [""], Person(118.0, 0.21, 0.4, name="Zoe"))[""]
    assert (zoe.name, zoe.angle) == ("Zoe", 116.5)
    bent = with_aims(solved(), {"": Aim(SkinTarget(bias=-8))})
    assert verdict(bent, aim=aims_of(bent, [""])[""]).status == OFF


@pytest.mark.parametrize("aim", [3, {"target": {}}, {"target": {"angle": "x"}}, {"target": {"bias": 900}, "name": ""}])
def test_damaged_notes_are_one_clear_error(aim):
    graph = solved().with_notes({"people": {"": {"aim": aim}}})
    if aim == {"target": {}}:
        assert noted_aim(graph, "") == Aim()
    else:
        with pytest.raises(GraphError, match="notes on what it was solved for are damaged"):
            noted_aim(graph, "")


# --- finished files -----------------------------------------------------------------------------------------


def test_a_finished_file_is_read_as_it_is_and_not_corrected_again():
    """What the graph gives, read from its own output, within .5° of what it reads from the plate."""
    graph, clip = solved(), take("take1").clip
    made = Runner(graph).run_frame(1, {"plate": clip.read(1)}, ["result"])["result"]
    from_plate = Witness(graph, plain)
    wanted = from_plate.moment(from_plate.pictures(clip, 1), 1).final
    finished = Finished(graph, plain)
    found = finished.moment(finished.pictures(Reel("finished", [made]), 1), 1)
    assert found.as_shot is None
    assert found.final.angle == pytest.approx(wanted.angle, abs=0.5)
    assert found.final.area == pytest.approx(wanted.area, rel=0.1)
    again = Witness(graph, plain)
    assert (
        abs(again.moment(again.pictures(Reel("finished", [made]), 1), 1).final.angle - wanted.angle) > 4
    )  # balanced twice


@pytest.mark.parametrize(
    ("changes", "words"),
    [({"saturation": 3.0}, "saturation was changed × 3.0"), ({"angle": -70.0}, "was turned by −70°"), ({}, "reads")],
)
def test_a_finished_file_is_judged_by_what_was_done_to_its_skin(changes, words):
    """As the same graph is judged on its plate, though the file shows neither the light nor the skin before."""
    graph, clip = steered(solved(), **changes), take("take1").clip
    found, plate = finished_of(graph), survey(clip, graph, plain)
    assert found.light_only.angle == pytest.approx(plate.light_only.angle, abs=0.5)
    aim = Aim(SkinTarget(angle=plate.final.angle))
    told = judge(evidence(graph, Survey.of([found], [1], None, None), 1), aim)
    assert told.status == judge(evidence(graph, plate, 1), aim).status == (OFF if changes else HOLDS)
    assert words in told.sentence
    assert finished_of(after_saturation(graph)).light_only is None, "what follows has moved the skin as well"


def finished_of(graph):
    made = Runner(graph).run_frame(1, {"plate": take("take1").clip.read(1)}, ["result"])["result"]
    finished = Finished(graph, plain)
    return finished.moment(finished.pictures(Reel("finished", [made]), 1), 1)


def test_burnt_out_skin_does_not_hold_whatever_its_hue():
    """Two stops up after the key: the hue in floats is on the line, and a file of whole numbers would cut it off."""
    graph, clip = solved(), take("take1").clip
    up = Step.of("up", Cdl(slope=(2.6, 2.6, 2.6), clamp=False), image=dict(graph.outputs)["result"])
    bright = dataclasses.replace(
        graph, steps=(*graph.steps, up), outputs=(("result", "up"), *(o for o in graph.outputs if o[0] != "result"))
    )
    found = survey(clip, bright, plain)
    assert found.burnt > 0.1
    lines = judge(evidence(bright, found, 1), Aim(SkinTarget(angle=found.final.angle))).lines()
    assert any("of the keyed skin is at white or beyond" in line for line in lines)
    hdr = Reel("hdr", [clip.read(1) * np.float32(2.6)])
    assert survey(hdr, graph, plain).burnt == 0, "a signal that goes on beyond white does not end there"


def test_a_graph_without_steering_turns_nothing_back():
    graph = Graph.of(Step.of("key", SkinKey(), image="plate"), result="plate", matte="key")
    with pytest.raises(GraphError, match="leave --corrected out"):
        Finished(graph, plain)
    assert SteerSkin().applied() == (0.0, 1.0)


def test_faces_that_one_correction_leaves_apart_are_told():
    """A picture on the wall beside the person, say: the middle of both may lie on the line."""
    picture = np.full((90, 160, 3), (0.62, 0.48, 0.40), np.float32)
    picture[:, 80:] = SteerSkin(angle=-12).process(picture[:, 80:], np.ones((90, 80), np.float32))
    matte = np.ones((90, 160), np.float32)

    def face(x, keyed=1.0):
        places = [(x - 0.05, 0.4), (x + 0.05, 0.4), (x, 0.5), (x - 0.04, 0.58), (x + 0.04, 0.58)]
        return FaceMatte(*places, keyed=keyed)

    own = measure_skin(picture, np.where(np.arange(160) < 80, matte, 0).astype(np.float32)).angle
    apart = hues_of_faces(picture, matte, (face(0.25), face(0.75)))
    assert apart == pytest.approx((own - 12, own), abs=0.2)
    (said,) = faces_apart(apart)
    assert f"from {own - 12:.0f}° to {own:.0f}°" in said.message
    assert "--subject" in said.message
    assert said.figure == pytest.approx(12, abs=0.2)
    (at_the_desk,) = faces_apart(apart, CONTROL)
    assert "--" not in at_the_desk.message
    near = hues_of_faces(picture, matte, (face(0.2), face(0.35)))
    assert near == pytest.approx((own, own), abs=0.2)
    assert faces_apart(near) == ()
    assert hues_of_faces(picture, matte, (face(0.25), face(0.75, keyed=0.0))) is None
    assert hues_of_faces(picture, matte, (face(0.25),)) is None
    assert hues_of_faces(picture, np.zeros_like(matte), (face(0.25), face(0.75))) is None
