"""OpenFX: a creative look in a file over the corrected picture, how much of it shows, and what skin keeps."""

from __future__ import annotations

import os

import numpy as np
import pytest
from inkarnat.nodes import Blend, CorrectSkin, KeepSkin, ProtectMatte
from ofx_host.bundles import loaded
from test_openfx_actions import FACE, HEIGHT, WIDTH, corrector, node_of, portrait, put, stage_of

pytest.importorskip("PyOpenColorIO", reason="the extra [view] is not installed")

MATRIX = np.array([[0.7, 0.2, 0.0], [0.0, 0.9, 0.1], [0.1, 0.0, 1.1]])
"""A cold look."""
CLF = (
    '<?xml version="1.0"?><ProcessList id="cold" compCLFversion="3.0">'
    '<Matrix inBitDepth="32f" outBitDepth="32f"><Array dim="3 3">{}</Array></Matrix></ProcessList>'
)
# ASC CDL v1.2: out = (in × slope + offset) ^ power, then saturation about the BT.709 luma.
CDL = (
    '<ColorCorrection id="grade"><SOPNode><Slope>1.1 1.1 1.1</Slope><Offset>-0.02 -0.02 -0.02</Offset>'
    "<Power>0.95 0.95 0.95</Power></SOPNode><SatNode><Saturation>0.8</Saturation></SatNode></ColorCorrection>"
)


@pytest.fixture
def cold(tmp_path):
    file = tmp_path / "a cold löok.clf"
    file.write_text(CLF.format(" ".join(str(v) for v in MATRIX.ravel())))
    return file


def taught(**controls):
    """The effect with a learned key and a turn, and its picture."""
    instance, picture = corrector(), portrait()
    put(instance, "skin_1", *FACE)
    assert instance.press("learn", stage_of(picture)) == 0
    instance["angle"] = 8.0
    for name, value in controls.items():
        instance[name] = value
    return instance, picture


def rendered(instance, picture: np.ndarray) -> np.ndarray:
    host, _ = loaded()
    stage = stage_of(picture)
    assert instance.render(stage) == 0, host.messages[-1:]
    assert not host.complaints
    return np.ascontiguousarray(stage.output.read()[::-1])


def graded(picture: np.ndarray) -> np.ndarray:
    """By arithmetic of its own: the matrix of the file."""
    out = picture.copy()
    out[..., :3] = picture[..., :3] @ MATRIX.T
    return out


def test_a_look_lies_over_the_corrected_picture(cold):
    instance, picture = taught(look_file=str(cold))
    natural = node_of(instance).process(picture)
    assert np.abs(rendered(instance, picture) - graded(natural)).max() < 2e-6
    instance["look_amount"] = 0.5
    assert np.abs(rendered(instance, picture) - (natural + graded(natural)) / 2).max() < 2e-6
    instance["look_amount"] = 0.0
    assert np.array_equal(rendered(instance, picture), natural)


def test_a_cdl_is_read_as_its_standard_says(tmp_path):
    """ASC CDL v1.2: the worked figures of the standard's formula."""
    (tmp_path / "grade.cc").write_text(CDL)
    instance = corrector()
    instance["look_file"] = str(tmp_path / "grade.cc")
    got = rendered(instance, np.tile(np.float32([0.5, 0.4, 0.3, 1.0]), (HEIGHT, WIDTH, 1)))
    assert got[7, 9, :3] == pytest.approx([0.528424, 0.441643, 0.353705], abs=2e-5)


def test_skin_can_be_kept(cold):
    instance, picture = taught(look_file=str(cold), look_keep_skin=0.6)
    node = node_of(instance)
    natural = node.process(picture)
    matte = ProtectMatte().process(node.matte(node.balanced(picture)))
    wanted = KeepSkin(amount=0.6).process(graded(natural).astype(np.float32), natural, matte)
    got = rendered(instance, picture)
    assert np.abs(got - wanted).max() < 1e-5
    assert np.abs(got - graded(natural))[matte > 0.9].max() > 0.02
    assert np.abs(got - graded(natural))[matte == 0].max() < 2e-6
    instance["look_amount"] = 0.5
    half = Blend(0.5).process(natural, wanted)
    assert np.abs(rendered(instance, picture) - half).max() < 1e-5


def test_lips_and_eyes_are_kept_with_the_skin_though_no_face_is_known(cold):
    instance, picture = taught(look_file=str(cold), look_keep_skin=1.0)
    lips, eye = (slice(82, 88), slice(86, 104)), (slice(46, 51), slice(80, 88))
    picture[lips][..., :3] = 0.45, 0.16, 0.2
    picture[eye][..., :3] = 0.8, 0.8, 0.78
    node = node_of(instance)
    natural, matte = node.process(picture), node.matte(node.balanced(picture))
    got, look = rendered(instance, picture), graded(natural).astype(np.float32)
    kept = KeepSkin(amount=1.0).process(look, natural, np.ones_like(matte))
    for part in (lips, eye):
        assert matte[part].mean() < 0.5, "the correction leaves them out"
        assert np.abs(got - kept)[part].mean() < 0.1 * np.abs(look - kept)[part].mean()
    assert np.abs(got - look)[:, :40].max() < 2e-6


@pytest.mark.parametrize("view", ["matte", "dimmed", "outline", "luma"])
def test_views_that_judge_the_matte_have_no_look(cold, view):
    place = list(CorrectSkin.params()["view"].options).index(view)
    instance, picture = taught(look_file=str(cold), view=place)
    with_look = rendered(instance, picture)
    instance["look_file"] = ""
    assert np.array_equal(with_look, rendered(instance, picture))


def test_the_split_leaves_what_came_as_it_came(cold):
    instance, picture = taught(look_file=str(cold), view=list(CorrectSkin.params()["view"].options).index("split"))
    got = rendered(instance, picture)
    assert np.array_equal(got[:, : WIDTH // 2], picture[:, : WIDTH // 2])
    natural = node_of(instance).process(picture)
    assert np.abs(got - graded(natural))[:, WIDTH // 2 :].max() < 2e-6


def test_an_effect_with_nothing_but_a_look_changes_something(cold):
    instance, picture = corrector(), portrait()
    stage = stage_of(picture)
    assert instance.ask("IsIdentity", stage)[0] == 0
    instance["look_file"] = str(cold)
    assert instance.ask("IsIdentity", stage)[0] == 14
    assert np.abs(rendered(instance, picture) - graded(picture)).max() < 2e-6
    instance["look_amount"] = 0.0
    assert instance.ask("IsIdentity", stage)[0] == 0


@pytest.mark.parametrize("set_back", [False, True])
def test_a_file_that_changes_is_read_again(cold, set_back):
    instance, picture = corrector(), portrait()
    instance["look_file"] = str(cold)
    first, before = rendered(instance, picture), cold.stat()
    other = cold.with_name("other.clf")
    text = CLF.format("1 0 0 0 1 0 0 0 1")
    if set_back:  # another version of the same length, put into place with the time of the one before
        text = text.ljust(before.st_size)
    other.write_text(text)
    os.utime(other, ns=(before.st_mtime_ns,) * 2 if set_back else (1, 1))
    os.replace(other, cold)
    assert not set_back or (cold.stat().st_size, cold.stat().st_mtime_ns) == (before.st_size, before.st_mtime_ns)
    assert np.abs(rendered(instance, picture) - picture).max() < 1e-6
    assert np.abs(first - picture).max() > 0.01


def test_a_look_that_cannot_be_read_is_named_once_and_no_picture_is_made(tmp_path, cold):
    host, _ = loaded()
    (tmp_path / "bad.clf").write_text("<ProcessList>")
    (tmp_path / "empty.cube").write_bytes(b"")
    instance, picture = corrector(), portrait()
    for name, said in (
        (tmp_path / "gone.clf", "gone.clf does not exist: check the name."),
        (tmp_path / "bad.clf", "bad.clf cannot be read"),
        (tmp_path / "empty.cube", "empty.cube is empty"),
        (tmp_path, "is a folder"),
        ("cold.clf", "The look cold.clf is named without its folder: choose the file again."),
    ):
        instance["look_file"] = str(name)
        stage = stage_of(picture)
        before = len(host.messages)
        assert instance.render(stage) == 1
        assert (stage.output.read() == 0).all()
        assert len(host.messages) == before + 1
        kind, text, is_kept = host.messages[-1]
        assert (kind, is_kept) == ("OfxMessageError", True)
        assert said in text
        assert "\n" not in text
    instance["look_file"] = f" {cold} "
    rendered(instance, picture)
    assert instance.handle not in host.persistent, "the message goes when the look can be read"


def test_without_the_library_the_fix_is_named(monkeypatch, cold):
    import sys

    host, _ = loaded()
    monkeypatch.setitem(sys.modules, "PyOpenColorIO", None)
    instance = corrector()
    instance["look_file"] = str(cold.with_name("other.clf"))
    cold.rename(cold.with_name("other.clf"))
    assert instance.render(stage_of(portrait())) == 1
    assert host.messages[-1][1].endswith('A look needs OpenColorIO: install "inkarnat[view]".')


def test_a_reading_says_that_the_look_is_no_part_of_it(cold):
    instance, picture = taught(look_file=str(cold))
    assert instance.press("read", stage_of(picture)) == 0
    assert instance["report"].endswith("The look is not part of this reading.")
    instance["look_file"] = ""
    assert instance.press("read", stage_of(picture)) == 0
    assert "look" not in instance["report"]


def test_amounts_are_switched_on_by_a_file(cold):
    instance, stage = corrector(), stage_of(portrait())

    def are_on() -> list[bool]:
        controls = (instance.controls.by_name[name] for name in ("look_amount", "look_keep_skin"))
        return [bool(c.properties.values.get("OfxParamPropEnabled", (1,))[0]) for c in controls]

    assert are_on() == [False, False]
    instance["look_file"] = str(cold)
    assert instance.press("look_file", stage) == 14
    assert are_on() == [True, True]
