"""What people type: units and directions, ranges from the declarations, keyframes, and answers to what looks odd."""

from __future__ import annotations

import pytest
from inkarnat.host_adapters.graphs.errors import GraphError
from inkarnat.host_adapters.graphs.keyframes import Keyframes
from inkarnat.host_adapters.graphs.parts import Hand
from inkarnat.host_adapters.graphs.typed import BY_OPTION, CONTROLS, STEPS, control_of, read_typed, set_nodes

LINES = 1080


def typed(option: str, text: str, lines: int | None = LINES):
    return read_typed(BY_OPTION[option], text, lines)


def test_every_control_is_a_field_that_a_node_declares():
    for control in CONTROLS:
        assert control.field in STEPS[control.step].params(), control
        assert control_of(control.step, control.field) is control
    assert len({control.option for control in CONTROLS}) == len(CONTROLS)


@pytest.mark.parametrize(
    ("option", "text", "value"),
    [
        ("exposure", "-.5", -0.5),
        ("temperature", "12", 12),
        ("temperature", "12mired", 12),
        ("tint", "-4.5", -0.0045),
        # More is brighter in what is typed; the fields keep the sign of old files (the project's rule, no source).
        ("black", "-2", 0.02),
        ("black", "2%", -0.02),
        # 876 codes of 10 bits from black to white: BT.709-6, item 4.6.
        ("black", "-18c", 18 / 876),
        ("white", "5", 0.95),
        ("middle", "5", 0.55),
        ("pivot", "40", 0.4),
        ("contrast", "1.2", 1.2),
        ("saturation", "90%", 0.9),
        ("edge", "-.3", -3),
        ("edge", "4px", 4 * 1000 / LINES),
        ("specks", "1px", 1000 / LINES),
        ("edge-blur", ".2%", 2),
        ("edge-follow", "0", 0),
        ("steady-matte", "2", 2),
        ("turn", "-3.5", -3.5),
        ("turn", "3°", 3),
        ("skin-saturation", "1.1", 1.1),
        ("skin-temperature", "-8", -8),
        ("skin-tint", "5", 0.005),
        ("skin-amount", "60%", 0.6),
    ],
)
def test_a_value_is_typed_in_the_units_of_the_trade(option, text, value):
    hand = typed(option, text)
    assert hand is not None
    assert not hand.adds
    assert hand.value == pytest.approx(value, abs=1e-12)


def test_by_is_a_difference():
    assert typed("tint", "by:3") == Hand(pytest.approx(0.003), True)
    assert typed("turn", "by: -1.5") == Hand(-1.5, True)
    assert typed("skin-saturation", "by:.1") == Hand(pytest.approx(0.1), True)


def test_keyframes_are_typed_as_frame_and_value():
    assert typed("turn", "0:0,48:3 smooth") == typed("turn", "0:0,48:3/smooth")
    assert typed("turn", "0:0,48:3") == Hand(Keyframes(((0, 0.0), (48, 3.0))), False)
    assert typed("tint", "by:1:0, 24:4, 48:2/smooth") == Hand(
        Keyframes(((1, 0.0), (24, pytest.approx(0.004)), (48, pytest.approx(0.002))), "smooth"), True
    )


def test_a_curve_is_typed_as_pairs_of_levels():
    assert typed("curve", "25:20,75:82") == Hand(((0.25, 0.2), (0.75, 0.82)), False)


def test_pixels_wait_for_the_height_of_the_frame():
    assert typed("edge", "4px", None) is None
    with pytest.raises(GraphError, match=r"--edge takes a number -20 to 20 % of the frame height"):
        typed("edge", "40", None)


@pytest.mark.parametrize(
    ("option", "text", "said"),
    [
        ("turn", "123", "--turn 123: did you mean --target-angle 123?"),
        ("temperature", "3200", "did you mean --temperature -159? That takes out a light of 3200 K."),
        ("tint", ".005", "did you mean --tint 5? Tint is typed in thousandths."),
        ("black", ".02", "did you mean --black -2"),
        ("white", ".95", "did you mean --white 5"),
        ("middle", ".55", "did you mean --middle 5"),
        ("middle", "55", "did you mean --middle 5"),
        ("pivot", ".4", "did you mean --pivot 40"),
        ("saturation", "110", "did you mean --saturation 1.1"),
        ("skin-saturation", "110", "did you mean --skin-saturation 1.1"),
        ("skin-amount", "60", "did you mean --skin-amount 0.6"),
        ("skin-tint", ".004", "did you mean --skin-tint 4"),
        ("edge-follow", "70", "did you mean --edge-follow 0.7"),
        ("key-width", "1.1", "did you mean --key-width 0.1? It counts from 0, the key as learned."),
        ("key-width", "20", "did you mean --key-width 0.2"),
        ("curve", ".25:.2,.75:.8", "did you mean --curve 25:20,75:80"),
    ],
)
def test_what_looks_like_another_thing_is_answered(option, text, said):
    with pytest.raises(GraphError) as caught:
        typed(option, text)
    assert said in str(caught.value)


@pytest.mark.parametrize("control", CONTROLS, ids=lambda control: control.option)
def test_what_a_number_probably_means_can_be_typed(control):
    if control.param.kind == "points":
        return
    for number in (0.001, 0.03, 0.3, 0.7, 1.0, 1.2, 2.0, 7.0, 30.0, 60.0, 120.0, 1000.0, 3200.0, 40000.0):
        meant = control.meant(number)
        if meant is not None and not meant.option:
            typed(control.option, f"{meant.value:g}{'%' if control.unit.word == '%' else ''}")


def beyond(control) -> str:
    """A number just above what a control takes, as it is typed."""
    return f"{max(control.to_typed(control.param.low), control.to_typed(control.param.high)) * 1.01 + 1:g}"


@pytest.mark.parametrize("control", CONTROLS, ids=lambda control: control.option)
def test_bad_input_is_one_line_that_names_the_option(control):
    wrong = ["", "abc", "1x", "nan", "inf", "1e400", "1;2"]
    wrong += ["1:2"] if not control.keyed else ["1:", ":2", "3:1,2:1", "a:1", "1:0,2:1/curly", "1:0,2:abc"]
    wrong += [] if control.solved else ["by:1"]
    wrong += [] if control.param.kind == "points" else [beyond(control), f"by:{1e9:g}"]
    wrong += ["1:2:3", "1:2,1"] if control.param.kind == "points" else []
    for text in wrong:
        if control.param.kind == "points" and text == "1:2":
            continue
        with pytest.raises(GraphError) as caught:
            read_typed(control, text, LINES)
        message = str(caught.value)
        assert message.startswith(f"--{control.option} "), message
        assert "\n" not in message
        assert len(message) < 400
        assert "_" not in message, f"a field's own name: {message}"


def test_options_that_exclude_one_another_are_named():
    hands = {"black": typed("black", "-80"), "white": typed("white", "60")}
    with pytest.raises(GraphError, match=r"--black -80 % and --white \+60 %"):
        set_nodes(hands, 1)
    twice = {"curve": typed("curve", "25:20,25:30")}
    with pytest.raises(GraphError, match="--curve must have inputs at least"):
        set_nodes(twice, 1)


def test_help_says_range_unit_and_both_ends():
    for control in CONTROLS:
        words = control.help()
        assert "Takes " in words
        if control.param.kind != "points":
            assert control.span() in words
        for end in control.ends:
            assert end in words or control.to_typed(control.rest) in map(
                control.to_typed, (control.param.low, control.param.high)
            )
        assert control.param.help.split(";")[0].split(":")[0].split(".")[0][:12] in words or any(control.ends)
