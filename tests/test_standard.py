"""The standard chain: solved from marks on frames, run link by link, told in plain data; the same job in one node."""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest
import references
from inkarnat.host_adapters import workshop
from inkarnat.kernels import strips
from inkarnat.kernels.errors import InkarnatError, PictureError
from inkarnat.nodes import (
    NODES,
    Aim,
    Balance,
    BalanceError,
    Cdl,
    CorrectionOptions,
    CorrectSkin,
    MarkedFrame,
    ParamError,
    ReadingError,
    Sample,
    SampleError,
    SkinKey,
    SkinTarget,
    SoftenMatte,
    SteerSkin,
    ToneCurve,
    learn_skin_key,
    measure_skin,
    missed,
    solve_balance,
    solve_correction,
    solve_steer,
)
from inkarnat.nodes.view import VIEWS, ShowMatte


@cache
def shot(depth="light", cast=True, mired=0, duv=0.0, seed=1):
    """A small workshop portrait as a camera delivers it, and its scene."""
    scene = workshop.portrait(depth, 3, 320, 180)
    light = workshop.light_change(mired, duv) if mired or duv else None
    picture = workshop.camera(scene.light, seed, cast=workshop.skin_cast() if cast else None, balance=light)
    picture.setflags(write=False)
    return picture, scene


def stroke(scene):
    return (Sample.stroke(scene.places["stroke"], 0.015),)


def run(correction, plate):
    """Run the chain link by link, as any host does: every port is fed by an earlier link or by the source."""
    results = {"plate": plate}
    for link in correction.links():
        assert link.inputs.keys() <= type(link.node).inputs().keys()
        results[link.id] = link.node.process(**{port: results[feed] for port, feed in link.inputs.items()})
    return {name: results[id] for name, id in correction.outputs().items()}


@cache
def solved():
    picture, scene = shot()
    return solve_correction([MarkedFrame(0, picture, stroke(scene))])


# --- the chain ----------------------------------------------------------------------------------------------


def test_the_chain_is_key_soften_steer():
    chain = solved().links()
    assert [(link.id, link.node.name, dict(link.inputs)) for link in chain] == [
        ("skin", "skin_key", {"image": "plate"}),
        ("soften", "soften_matte", {"matte": "skin", "guide": "plate"}),
        ("steer", "steer_skin", {"image": "plate", "matte": "soften"}),
    ]
    assert solved().outputs() == {"result": "steer", "matte": "soften"}
    for link in chain:
        assert NODES[link.node.name].from_config(json.loads(json.dumps(link.node.config()))) == link.node


def test_light_and_levels_come_first():
    picture, scene = shot(mired=30, duv=0.004)
    frame = MarkedFrame(0, picture, stroke(scene), neutral=Sample.box(*scene.places["grey_card"]))
    correction = solve_correction([frame], CorrectionOptions(tone=ToneCurve(black=0.02), saturation=0.9))
    chain = correction.links("source")
    assert [link.id for link in chain] == ["balance", "tone", "saturation", "skin", "soften", "steer"]
    assert chain[0].inputs == {"image": "source"}
    assert chain[1].inputs == {"image": "balance"}
    assert chain[2].inputs == {"image": "tone"}
    assert chain[3].inputs == {"image": "saturation"}
    assert chain[5].inputs == {"image": "saturation", "matte": "soften"}
    assert correction.outputs() == {"result": "steer", "matte": "soften"}


def test_the_chain_gives_what_the_readings_say(same_bits):
    picture, _ = shot()
    outputs = run(solved(), picture)
    assert measure_skin(picture, outputs["matte"]) == solved().before
    assert measure_skin(outputs["result"], outputs["matte"]) == solved().after
    assert solved().after.angle == pytest.approx(123, abs=0.02)
    assert abs(solved().before.angle - 123) > 3
    unkeyed = outputs["matte"] == 0
    assert unkeyed.mean() > 0.5
    same_bits(outputs["result"][unkeyed], np.array(picture)[unkeyed])
    assert np.abs(references.luma(outputs["result"]) - references.luma(picture)).max() <= 1e-5


def test_solving_by_hand_gives_the_same_nodes():
    picture, scene = shot()
    key = learn_skin_key(picture, stroke(scene))
    matte = SoftenMatte().process(key.process(picture), picture)
    assert solved().key == key
    assert solved().steer == solve_steer(picture, matte)
    assert solved().balance is None


def test_solving_twice_and_with_other_threads_gives_the_same():
    picture, scene = shot()
    with strips.threads(1):
        assert solve_correction([MarkedFrame(0, picture, stroke(scene))]) == solved()


# --- options -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", ["turn", "shift", "primaries"])
def test_target_and_method_are_followed(method):
    picture, scene = shot()
    target = SkinTarget(126, ratio=0.24)
    correction = solve_correction([MarkedFrame(0, picture, stroke(scene))], CorrectionOptions(target, method))
    assert correction.steer.method == method
    assert correction.after.angle == pytest.approx(126, abs=0.02)
    assert correction.after.ratio == pytest.approx(0.24, rel=0.002)


def test_the_target_is_reached_in_the_final_picture_whatever_the_levels_do():
    """Hue and saturation land on the target behind a curve and a saturation, within .1° and 1 %."""
    picture, scene = shot()
    wanted = CorrectionOptions(SkinTarget(ratio=0.2), tone=ToneCurve(middle=0.55), saturation=0.7)
    graded = solve_correction([MarkedFrame(0, picture, stroke(scene))], wanted)
    assert graded.after.angle == pytest.approx(123, abs=0.1)
    assert graded.after.ratio == pytest.approx(0.2, rel=0.01)
    assert graded.after.luma[1] > solved().after.luma[1]
    outputs = run(graded, picture)
    assert measure_skin(outputs["result"], outputs["matte"]) == graded.after


def test_a_picture_without_colour_has_no_skin_to_correct():
    picture, scene = shot()
    with pytest.raises(InkarnatError, match=r"grey|not on skin|hue"):
        solve_correction([MarkedFrame(0, picture, stroke(scene))], CorrectionOptions(saturation=0))


def test_form_and_reach_are_passed_to_the_key():
    picture, scene = shot()
    frame = [MarkedFrame(0, picture, stroke(scene))]
    assert solve_correction(frame, CorrectionOptions(form="compact")).key == SkinKey(
        model=solved().key.model, form="compact"
    )
    assert solve_correction(frame, CorrectionOptions(reach=1.5)).key == learn_skin_key(
        picture, stroke(scene), reach=1.5
    )


def test_a_given_balance_is_used_and_a_neutral_sample_wins_over_it():
    picture, scene = shot(mired=30, duv=0.004)
    given = Balance(temperature=-12)
    assert solve_correction([MarkedFrame(0, picture, stroke(scene))], CorrectionOptions(balance=given)).balance == given
    card = Sample.box(*scene.places["grey_card"])
    marked = solve_correction([MarkedFrame(0, picture, stroke(scene), neutral=card)], CorrectionOptions(balance=given))
    assert marked.balance == solve_balance(picture, card)


def test_balance_from_a_grey_card_brings_skin_back_under_another_light():
    """The same person under a warmer, greener light reads as under the right one."""
    truth, scene = shot(cast=False)
    wrong, _ = shot(cast=False, mired=40, duv=0.008)
    card = Sample.box(*scene.places["grey_card"])
    true_reading, wrong_reading = (measure_skin(picture, scene.matte) for picture in (truth, wrong))
    correction = solve_correction([MarkedFrame(0, wrong, stroke(scene), neutral=card)])
    assert correction.balance is not None
    balanced = measure_skin(correction.balance.process(wrong), scene.matte)
    assert abs(wrong_reading.angle - true_reading.angle) > 5
    assert balanced.angle == pytest.approx(true_reading.angle, abs=1)
    assert correction.balance.temperature < -20, "it cools what was too warm"
    assert correction.balance.tint > 0.004, "it turns toward magenta what was too green"


# --- several frames -----------------------------------------------------------------------------------------


def test_marks_on_further_frames_are_used(same_bits):
    """The reference carries no mark at all: the sample of skin lies on one further frame, the neutral on another."""
    picture, scene = shot(mired=30)
    later, _ = shot(mired=30, seed=2)
    card = Sample.box(*scene.places["grey_card"])
    frames = [MarkedFrame(0, picture), MarkedFrame(7, later, stroke(scene)), MarkedFrame(9, later, neutral=card)]
    correction = solve_correction(frames)
    assert correction.balance == solve_balance(later, card)
    assert correction.key == learn_skin_key(correction.balance.process(later), stroke(scene))
    outputs = run(correction, picture)
    assert measure_skin(outputs["result"], outputs["matte"]) == correction.after


def test_subtract_samples_reach_the_key():
    picture, scene = shot()
    wall = (Sample.box(0.61, 0.06, 0.66, 0.15),)
    correction = solve_correction([MarkedFrame(0, picture, stroke(scene), wall)])
    assert correction.key == learn_skin_key(picture, stroke(scene), wall)
    assert correction.key != solved().key


def test_subtracting_from_the_natural_range_is_refused_with_the_mend():
    picture, _ = shot(cast=False)
    wall = (Sample.box(0.61, 0.06, 0.66, 0.15),)
    for frames in ([MarkedFrame(0, picture, (), wall)], [MarkedFrame(0, picture), MarkedFrame(2, picture, (), wall)]):
        with pytest.raises(SampleError, match=r"none of skin from which to subtract.*stroke on skin, or draw a region"):
            solve_correction(frames)


def test_a_balance_that_changes_nothing_is_no_step_of_the_chain():
    picture, scene = shot()
    marked = [MarkedFrame(0, picture, stroke(scene))]
    neutral, plain = solve_correction(marked, CorrectionOptions(balance=Balance())), solve_correction(marked)
    assert neutral.links() == plain.links()
    assert neutral.outputs() == plain.outputs()
    assert solve_correction(marked, CorrectionOptions(balance=Balance(tint=0.001))).links()[0].id == "balance"


def test_without_a_sample_the_natural_range_is_keyed_with_a_warning():
    picture, _ = shot(cast=False)
    correction = solve_correction([MarkedFrame(0, picture)])
    assert correction.key == SkinKey()
    assert correction.warnings[0].sign == "no sample"
    assert "add a sample" in correction.warnings[0].message
    assert correction.after.angle == pytest.approx(123, abs=0.02)


# --- as data, and what cannot be used -----------------------------------------------------------------------


def test_a_saturation_that_cannot_be_reached_is_missed_by_a_told_amount():
    picture, scene = shot()
    marked = [MarkedFrame(1, picture, stroke(scene))]
    for ratio, told in ((0.2, 0), (1.5, 1)):
        target = SkinTarget(ratio=ratio)
        correction = solve_correction(marked, CorrectionOptions(target=target))
        said = missed(correction.after, Aim(target))
        assert len(said) == told
        assert all("instead of 1.500" in note for note in said)


def test_the_figures_are_plain_json():
    picture, scene = shot(mired=30)
    card = Sample.box(*scene.places["grey_card"])
    for correction in (solved(), solve_correction([MarkedFrame(0, picture, stroke(scene), neutral=card)])):
        data = correction.as_dict()
        assert json.loads(json.dumps(data, allow_nan=False)) == data
        assert data["before"] == correction.before.as_dict()
        assert data["steer"] == {
            "angle": correction.steer.angle,
            "saturation": correction.steer.saturation,
            "method": "turn",
        }
        assert (data["balance"] is None) == (correction.balance is None)


@pytest.mark.parametrize(
    ("error", "frame", "wanted"),
    [
        (SampleError, {"add": (Sample.box(0.02, 0.6, 0.1, 0.9),)}, {}),
        (SampleError, {}, {"reach": 9}),
        (BalanceError, {"neutral": Sample.point(0.5, 0.97)}, {}),
        (ParamError, {}, {"method": "spin"}),
        (ParamError, {}, {"form": "lattice"}),
        (ParamError, {}, {"saturation": -1}),
    ],
)
def test_what_cannot_be_used_is_told_once_and_clearly(error, frame, wanted):
    picture, scene = shot()
    if error is SampleError and frame:
        picture = np.array(picture)
        picture[:, :40] = 0.3  # a grey board where the sample lies
    if error is BalanceError:
        picture = np.array(picture)
        picture[160:] = 0  # black where the neutral lies
    with pytest.raises(error, match=r"\.|:") as caught:
        solve_correction([MarkedFrame(0, picture, **({"add": stroke(scene)} | frame))], CorrectionOptions(**wanted))
    assert isinstance(caught.value, InkarnatError)
    assert len(str(caught.value)) < 400


def test_a_picture_without_skin_has_nothing_to_correct():
    with pytest.raises(ReadingError, match="widen the key"):
        solve_correction([MarkedFrame(0, np.full((40, 60, 3), 0.4, np.float32))])


def test_at_least_one_frame_is_needed():
    with pytest.raises(PictureError, match="at least one frame"):
        solve_correction([])


# --- the same job in one node -------------------------------------------------------------------------------


def one_node(correction, **more):
    """CorrectSkin with the settings of a solved chain whose softening is that of the node."""
    balance = correction.balance or Balance()
    return CorrectSkin(
        temperature=balance.temperature, tint=balance.tint, transfer=balance.transfer, model=correction.key.model,
        angle=correction.steer.angle, skin_saturation=correction.steer.saturation, **more,
    )  # fmt: skip


def by_nodes(node, image, limit=None):
    """The description of CorrectSkin, one node after the other: the picture before steering, matte and result."""
    balanced = Balance(temperature=node.temperature, tint=node.tint, transfer=node.transfer).process(image)
    balanced = ToneCurve(black=node.black, white=node.white).process(balanced)
    balanced = Cdl(saturation=node.saturation, clamp=False).process(balanced)
    key = SkinKey(
        model=node.model, width=node.width, shadow_reach=node.shadow_reach, highlight_reach=node.highlight_reach
    )
    matte = SoftenMatte(softness=node.softness).process(key.process(balanced), balanced)
    matte = matte if limit is None else matte * np.clip(limit, 0, 1)
    steered = SteerSkin(angle=node.angle, saturation=node.skin_saturation, amount=node.amount).process(balanced, matte)
    return balanced, matte, steered


@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"amount": 0.5, "width": 0.1, "shadow_reach": 1.5, "softness": 3},
        {"black": 0.03, "white": 0.95, "saturation": 0.8, "highlight_reach": 0.7},
    ],
)
def test_one_node_gives_the_bits_of_the_chain(same_bits, settings):
    picture, scene = shot(mired=30)
    card = Sample.box(*scene.places["grey_card"])
    node = one_node(solve_correction([MarkedFrame(0, picture, stroke(scene), neutral=card)]), **settings)
    same_bits(node.process(picture), by_nodes(node, picture)[2])


def test_one_node_lands_on_the_line():
    picture, _ = shot()
    node = one_node(solved(), softness=SoftenMatte().softness)
    outputs = run(solved(), picture)
    assert np.abs(node.process(picture) - outputs["result"]).max() < 1e-6


@pytest.mark.parametrize("view", VIEWS)
def test_one_node_shows_its_matte(same_bits, view):
    picture, _ = shot()
    node = one_node(solved(), view=view, saturation=0.9)
    balanced, matte, result = by_nodes(node, picture)
    shown = result if view == "luma" else balanced
    same_bits(node.process(picture), ShowMatte(view=view).process(shown, matte))


def test_a_second_matte_limits_the_key(same_bits):
    picture, _ = shot()
    limit = np.zeros(picture.shape[:2], np.float32)
    limit[:, 170:] = 1.5
    node = one_node(solved())
    result = node.process(picture, limit)
    same_bits(result[:, :170], np.array(picture)[:, :170])
    same_bits(result[:, 170:], node.process(picture)[:, 170:])


def test_settings_that_contradict_each_other_are_refused():
    with pytest.raises(ParamError, match="must lie at least"):
        CorrectSkin(black=0.6, white=0.5)
    with pytest.raises(ParamError, match="cannot be read"):
        CorrectSkin(model="nothing")
