"""OpenFX, faces: found by a button in a process of its own, kept as keyframes, drawn, moved and rendered without it."""

from __future__ import annotations

import base64
import dataclasses
import io
import json
import subprocess
import sys

import numpy as np
import pytest
import skimage.data
from inkarnat.host_adapters.detect import __main__ as server
from inkarnat.host_adapters.detect import faces as detector
from inkarnat.host_adapters.detect import person, skin
from inkarnat.host_adapters.openfx import finder
from inkarnat.host_adapters.workshop import camera, portrait
from inkarnat.kernels.face import radius_at
from inkarnat.nodes import ANOTHER_CLIP, NODES, CorrectSkin, FaceMatte, ParamError, Sample, study_skin
from inkarnat.nodes.declare import LANDMARKS, PRESENCE
from ofx_host import HostImage, Stage
from ofx_host.bundles import loaded
from ofx_host.interact import LOOP, Interact

needs_detector = pytest.mark.skipif(not detector.available(), reason="OpenCV is not installed")
SLOTS = CorrectSkin.face_slots()


def no_complaints() -> None:
    host, _ = loaded()
    assert not host.complaints, "\n".join(host.complaints)


def rgba(picture: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(np.dstack([picture[..., :3], np.ones(picture.shape[:2])]), np.float32)


def shown(picture: np.ndarray, **more) -> Stage:
    lowest_first = np.ascontiguousarray(picture[::-1])
    return Stage(HostImage(np.zeros_like(lowest_first)), {"Source": HostImage(lowest_first)}, **more)


def held(picture: np.ndarray, name: str = "correct_skin"):
    _, effects = loaded()
    height, width = picture.shape[:2]
    instance = effects[name].instance(size=(float(width), float(height)))
    stage = shown(picture)
    instance.connect({**stage.clips, "Output": stage.output})
    return instance, stage


def real() -> np.ndarray:
    """Somebody whom a test dependency ships, at half size."""
    return rgba(skimage.data.astronaut()[::2, ::2].astype(np.float32) / np.float32(255))


def moving(time: float) -> np.ndarray:
    """That person, moved to the right by four pixels a frame."""
    return np.ascontiguousarray(np.roll(real(), 4 * round(time), axis=1))


def landmarks(instance, slot: int, time: float = 0.0) -> list[tuple[float, float]]:
    """Where a face's landmarks are at a time, normalised."""
    width, height = instance.size
    at = [instance.controls.by_name[SLOTS[slot][word]].at(time) for word in LANDMARKS]
    return [(x / width, 1 - y / height) for x, y in at]


def presence(instance, slot: int, time: float = 0.0) -> float:
    return instance.controls.by_name[SLOTS[slot][PRESENCE]].at(time)


# --- found by the button ------------------------------------------------------------------------------------


@needs_detector
def test_a_face_is_found_and_kept_as_keyframes():
    host, _ = loaded()
    picture = real()
    instance, stage = held(picture)
    host.edits.clear()
    assert instance.press("find_faces", stage) == 0, host.messages[-1:]
    expected = detector.find_faces(picture)[0]
    assert np.abs(np.array(landmarks(instance, 0)) - np.array(expected.points)).max() < 1e-4
    assert (presence(instance, 0), presence(instance, 1)) == (1.0, 0.0)
    assert host.edits[0] == "begin Find faces"
    assert host.edits.count("end") == 1, "one step of undo"
    assert "1 face found on this frame. Learn the key again." in instance["report"]
    no_complaints()


@needs_detector
def test_renders_need_no_detector(monkeypatch):
    """The face is in the controls: the matte is that of the nodes, one after the other."""
    picture = real()
    instance, stage = held(picture)
    assert instance.press("find_faces", stage) == 0
    instance["skin_1_use"] = 0
    monkeypatch.setattr(finder, "PROGRAM", ["/nowhere/python"])
    assert instance.press("learn", stage) == 0, loaded()[0].messages[-1:]
    assert json.loads(instance["joined"])["keyed"] == [1.0, 1.0], "one that nobody shows would be keyed as well"
    instance["view"] = list(CorrectSkin.params()["view"].options).index("matte")
    assert instance.render(stage) == 0
    got = stage.output.read()[::-1, :, 0]
    node = CorrectSkin(model=instance["model"], joined=instance["joined"], **face_fields(instance))
    assert np.array_equal(got, node.matte(picture))
    alone = dataclasses.replace(node, face_1_presence=0.0).matte(picture)
    assert np.abs(got - alone).mean() > 0.002, "the face says something about the matte"
    no_complaints()


@needs_detector
@pytest.mark.parametrize("way", ["button", "clip"])
def test_faces_that_lie_in_another_clip_are_left_out_with_a_sentence(way):
    """Copied to another clip, or with another one connected; the own clip keeps them."""
    host, _ = loaded()
    instance, stage = held(real())
    assert instance.press("find_faces", stage) == 0
    assert instance.press("learn", stage) == 0
    assert ANOTHER_CLIP not in instance["report"]
    assert presence(instance, 0) == 1.0
    stage = shown(rgba(camera(portrait("light", 812, *map(round, instance.size)).light)))
    host.edits.clear()
    if way == "button":
        assert instance.press("learn", stage) == 0
    else:
        assert instance.press("Source", stage, kind="OfxTypeClip") == 0
    assert ANOTHER_CLIP in instance["report"]
    assert [presence(instance, slot) for slot in range(len(SLOTS))] == [0.0] * len(SLOTS)
    assert "begin Leave faces out" in host.edits
    assert instance.press("learn", stage) == 0
    assert ANOTHER_CLIP not in instance["report"], "said once"
    no_complaints()


def face_fields(instance, time: float = 0.0) -> dict:
    fields = {}
    for number, slot in enumerate(SLOTS):
        fields[slot[PRESENCE]] = presence(instance, number, time)
        marks = landmarks(instance, number, time)
        fields |= {slot[word]: tuple(round(v, 9) for v in at) for word, at in zip(LANDMARKS, marks, strict=True)}
    return fields


@needs_detector
def test_a_face_is_followed_through_the_clip():
    host, _ = loaded()
    instance, stage = held(real())
    stage.clips["Source"] = lambda time: HostImage(np.ascontiguousarray(moving(time)[::-1]))
    host.edits.clear(), host.shares.clear()
    assert instance.press("follow_faces", stage) == 0, host.messages[-1:]
    width = instance.size[0]
    first = np.array(landmarks(instance, 0, 0.0))
    for time in (1.0, 2.5, 4.0):
        moved = np.array(landmarks(instance, 0, time)) - first
        assert moved[:, 0].mean() * width == pytest.approx(4 * time, abs=1.5)
        assert np.abs(moved[:, 1]).mean() < 0.01
    assert sorted(instance.controls.by_name["face_1_nose"].keys) == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert host.shares == sorted(host.shares)
    assert host.shares[-1] == 1.0
    assert host.edits.count("end") == 1
    assert "in 5 frames" in instance["report"]
    no_complaints()


@needs_detector
def test_a_face_that_leaves_does_not_count_any_longer():
    instance, stage = held(real())
    empty = np.full_like(real(), 0.4)
    stage.clips["Source"] = lambda time: HostImage(np.ascontiguousarray((real() if time < 2 else empty)[::-1]))
    assert instance.press("follow_faces", stage) == 0
    assert [presence(instance, 0, time) for time in (0.0, 1.0, 2.0, 4.0)] == [1.0, 1.0, 0.0, 0.0]
    no_complaints()


@needs_detector
def test_following_can_be_cancelled_and_nothing_has_changed():
    host, _ = loaded()
    instance, stage = held(real())
    stage.clips["Source"] = lambda time: HostImage(np.ascontiguousarray(moving(time)[::-1]))
    host.edits.clear()
    host.cancel = lambda: True
    try:
        assert instance.press("follow_faces", stage) == 0
    finally:
        host.cancel = lambda: False
    assert host.edits == ["set report"]
    assert "cancelled: nothing has changed" in instance["report"]
    assert not instance.controls.by_name["face_1_nose"].keys


@needs_detector
def test_the_effect_of_one_face_finds_it_too():
    picture = real()
    instance, stage = held(picture, "face_matte")
    assert instance.press("find_faces", stage) == 0, loaded()[0].messages[-1:]
    (x, y), (width, height) = instance.controls.by_name["nose"].at(0.0), instance.size
    assert (x / width, 1 - y / height) == pytest.approx(detector.find_faces(picture)[0].points[2], abs=1e-4)
    no_complaints()


@needs_detector
def test_without_a_face_the_report_names_the_next_step():
    """Somebody's shoulder and arm, and a grey card."""
    someone = ", though what may be a person is seen"
    for picture, seen in ((real()[100:, :125], someone), (np.full_like(real(), 0.4), "")):
        instance, stage = held(np.ascontiguousarray(picture))
        assert instance.press("find_faces", stage) == 0
        said = f"No face was found on this frame{seen}: mark skin under Add on the picture, or go to a frame"
        assert said in instance["report"], instance["report"]
    no_complaints()


@needs_detector
def test_a_button_looks_closer_where_a_quick_look_finds_none():
    turned = np.ascontiguousarray(np.rot90(rgba(skimage.data.astronaut()[::3, ::3].astype(np.float32) / 255), 1))
    assert detector.find_faces(turned) == ()
    instance, stage = held(turned)
    assert instance.press("find_faces", stage) == 0
    assert np.abs(np.array(landmarks(instance, 0)) - detector.find_faces(turned, again=True)[0].points).max() < 1e-4
    no_complaints()


@needs_detector
def test_a_clip_in_which_quick_looks_find_nobody_is_followed_by_closer_ones():
    """As `correct` does it: the same few frames, then all of them; broken off there, nothing has changed."""
    host, _ = loaded()
    turned = np.ascontiguousarray(np.rot90(rgba(skimage.data.astronaut()[::3, ::3].astype(np.float32) / 255), 1))
    expected = detector.find_faces(turned, again=True)[0].points
    instance, stage = held(turned)
    stage.clips["Source"] = lambda time: HostImage(np.ascontiguousarray(turned[::-1]))
    host.shares.clear()
    host.cancel = lambda: len(host.shares) == 12
    try:
        assert instance.press("follow_faces", stage) == 0
    finally:
        host.cancel = lambda: False
    assert "cancelled: nothing has changed" in instance["report"]
    assert not instance.controls.by_name["face_1_nose"].keys
    host.shares.clear()
    assert instance.press("follow_faces", stage) == 0, host.messages[-1:]
    assert host.shares == pytest.approx([0.2, 0.4, 0.6, 0.8, 1.0] * 3), "quick, a glance, closer"
    for time in (0.0, 2.0, 4.0):
        assert np.abs(np.array(landmarks(instance, 0, time)) - expected).max() < 1e-4
    assert "1 face found in 5 frames" in instance["report"]
    no_complaints()


@needs_detector
def test_two_people_keep_their_places():
    scene = portrait("light", 11, 320, 180, faces=2)
    picture = rgba(camera(scene.light, 11))
    assert len(detector.find_faces(picture)) == 2
    instance, stage = held(picture)
    assert instance.press("find_faces", stage) == 0
    before = landmarks(instance, 0), landmarks(instance, 1)
    mirrored = shown(np.ascontiguousarray(picture), time=1.0)
    assert instance.press("find_faces", mirrored) == 0
    assert np.allclose((landmarks(instance, 0, 1.0), landmarks(instance, 1, 1.0)), before, atol=1e-6)


def test_without_the_detector_the_message_says_how_to_get_it(monkeypatch):
    """The other process says it, as every other verb does."""
    monkeypatch.setattr(detector.importlib.util, "find_spec", lambda name: None)
    picture = np.zeros((4, 5, 3), np.float32)
    told = io.BytesIO()
    asked = json.dumps({"shape": picture.shape}).encode() + b"\n" + picture.tobytes()
    server.serve(io.BytesIO(asked + asked), told)
    lines = [json.loads(line) for line in told.getvalue().splitlines()]
    assert lines == [{"error": detector.HOW_TO_INSTALL}] * 2


@pytest.mark.parametrize(
    ("program", "said"),
    [("/nowhere/python", "/nowhere/python does not start"), ("/bin/false", "has ended without an answer")],
)
def test_a_detector_that_does_not_answer_is_named(monkeypatch, program, said):
    host, _ = loaded()
    instance, stage = held(np.full((32, 48, 4), 0.5, np.float32))
    monkeypatch.setattr(finder, "PROGRAM", [program])
    host.edits.clear()
    assert instance.press("find_faces", stage) == 1
    assert said in host.messages[-1][1]
    assert host.edits == []
    assert not host.images_out


def test_a_detector_that_hangs_holds_the_host_no_longer_than_its_patience(monkeypatch, tmp_path):
    program = tmp_path / "hangs"
    program.write_text("#!/bin/sh\nexec sleep 600\n")
    program.chmod(0o755)
    host, _ = loaded()
    instance, stage = held(np.full((320, 480, 4), 0.5, np.float32))  # more than a pipe holds
    monkeypatch.setattr(finder, "PROGRAM", [str(program)])
    monkeypatch.setattr(finder, "PATIENCE", 0.2)
    assert instance.press("find_faces", stage) == 1
    assert "has ended without an answer" in host.messages[-1][1]
    assert finder.Finder._process is None


def test_nothing_of_the_detector_is_loaded_into_the_host():
    """In a fresh process: the effect's modules alone, as a host loads them."""
    code = "import sys, inkarnat.host_adapters.openfx.plugin; print(*sys.modules, sep='\\n')"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    known = done.stdout.split()
    assert "inkarnat.host_adapters.openfx.faces" in known
    assert not [name for name in known if name in ("cv2", "PyOpenColorIO") or ".detect" in name]


# --- persons, while a key is learned ------------------------------------------------------------------------


@needs_detector
def test_a_host_learns_the_key_that_a_graph_learns():
    """From the same picture, mark and face the same table, bit for bit; without the map another one."""
    picture = real()
    instance, stage = held(picture)
    assert instance.press("find_faces", stage) == 0
    assert instance.press("learn", stage) == 0, loaded()[0].messages[-1:]
    node = CorrectSkin(**face_fields(instance))
    known = tuple(face for face in node._faces() if face.presence)
    width, height = instance.size
    at = instance["skin_1"]
    mark = Sample.point(at[0] / width, 1 - at[1] / height)
    taught = {
        seen is not None: study_skin(picture, [mark], faces=known, persons=[seen]).key.model
        for seen in (skin.find_people(picture, known, add=[mark]), None)
    }
    assert instance["model"] == taught[True] != taught[False]
    no_complaints()


@needs_detector
def test_the_detector_stays_for_the_next_button_and_is_started_again_when_it_has_gone():
    with finder.Finder() as asked:
        first = asked.faces(real())
        process = finder.Finder._process
    with finder.Finder() as asked:
        assert asked.faces(real()) == first
        assert finder.Finder._process is process
    process.kill(), process.wait()
    with finder.Finder() as asked:
        assert asked.faces(real()) == first
        assert finder.Finder._process is not process


def test_a_detector_of_before_learns_without_persons_and_says_so(monkeypatch, tmp_path):
    """It answers every question with faces; a person reads what to do, and the key is learned."""
    program = tmp_path / "before"
    program.write_text(
        f"#!{sys.executable}\nimport json, math, sys\n"
        "while line := sys.stdin.buffer.readline():\n"
        "    sys.stdin.buffer.read(4 * math.prod(json.loads(line)['shape']))\n"
        "    print(json.dumps({'faces': []}), flush=True)\n"
    )
    program.chmod(0o755)
    instance, stage = held(real())
    monkeypatch.setattr(finder, "PROGRAM", [str(program)])
    assert instance.press("learn", stage) == 0, loaded()[0].messages[-1:]
    assert instance["model"]
    assert "Persons are not looked for: the detector is of another version" in instance["report"]
    assert "Start the host again" in instance["report"]
    no_complaints()


@needs_detector
def test_persons_come_back_as_they_were_found():
    """Asked by the further word alone: an effect of before gets the answer that it knows."""
    picture = np.ascontiguousarray(real()[..., :3])
    known = [face.matte() for face in detector.find_faces(picture)]
    told = io.BytesIO()
    question = {"shape": picture.shape}
    further = question | {"person": [face.landmarks for face in known]}
    questions = [question, further, further | {"bare": True}]
    server.serve(io.BytesIO(b"".join(json.dumps(q).encode() + b"\n" + picture.tobytes() for q in questions)), told)
    faces_told, *others = (json.loads(line) for line in told.getvalue().splitlines())
    assert set(faces_told) == {"faces"}
    for answer, expected in zip(others, (person.find_person, skin.find_people), strict=True):
        levels = np.frombuffer(base64.b64decode(answer["person"]["levels"]), np.uint8)
        plane = expected(picture, known)
        assert answer["person"]["shape"] == list(plane.shape)
        assert np.array_equal(levels.reshape(plane.shape).astype(np.float32) / np.float32(255), plane)


# --- drawn and moved ----------------------------------------------------------------------------------------

AT = {
    "left_eye": (0.42, 0.4),
    "right_eye": (0.54, 0.4),
    "nose": (0.48, 0.5),
    "left_mouth": (0.43, 0.6),
    "right_mouth": (0.53, 0.6),
}
SIZE = (192.0, 144.0)


def with_a_face(zoom: float = 4.0):
    instance, _ = held(np.full((144, 192, 4), 0.4, np.float32))
    instance["skin_1_use"] = 0
    instance["face_1_presence"] = 1.0
    for word, (x, y) in AT.items():
        instance[f"face_1_{word}"] = (x * SIZE[0], (1 - y) * SIZE[1])
    return instance, Interact(instance, (round(192 * zoom), round(144 * zoom)), zoom)


def on_screen(view, at: tuple[float, float]) -> tuple[float, float]:
    return at[0] * view.viewport[0], at[1] * view.viewport[1]


def test_the_outline_is_where_the_face_counts():
    """Inside it the face's own matte is keyed or open; the line lies where its radius is 1."""
    _, view = with_a_face()
    outline = [points for primitive, points, _ in view.draw().shapes if primitive == LOOP]
    assert len(outline) == 2, "one face, drawn dark and light"
    node = FaceMatte(**AT)
    for x, y in outline[0]:
        at = x / view.viewport[0], y / view.viewport[1]
        for factor, inside in ((0.97, True), (1.03, False)):
            place = tuple(n + factor * (v - n) for v, n in zip(at, AT["nose"], strict=True))
            assert (radius_at(node.landmarks, (1000, 1333), place) < 1) == inside
    xs, ys = zip(*outline[0], strict=True)
    for place in AT.values():
        x, y = on_screen(view, place)
        assert min(xs) < x < max(xs)
        assert min(ys) < y < max(ys)
    no_complaints()


def test_a_landmark_and_a_whole_face_can_be_dragged():
    host, _ = loaded()
    instance, view = with_a_face()
    host.edits.clear()
    view.drag(on_screen(view, AT["nose"]), on_screen(view, (0.49, 0.52)))
    assert instance["face_1_nose"] == pytest.approx((0.49 * SIZE[0], 0.48 * SIZE[1]))
    assert host.edits.count("end") == 1
    before = landmarks(instance, 0)
    xs, ys = zip(*(at for text, at in view.draw().texts if text == "Face 1"), strict=True)
    x, y = (min(xs) + max(xs)) / 2 - 9, (min(ys) + max(ys)) / 2 + 7  # words stand to the right of a handle and above it
    view.drag((x, y), (x + 40, y + 24))
    moved = np.array(landmarks(instance, 0)) - np.array(before)
    assert moved[:, 0] == pytest.approx([40 / view.viewport[0]] * 5, abs=2e-3)
    assert moved[:, 1] == pytest.approx([24 / view.viewport[1]] * 5, abs=2e-3)
    no_complaints()


def test_a_face_that_is_not_there_is_not_drawn():
    instance, view = with_a_face()
    instance["face_1_presence"] = 0.0
    sheet = view.draw()
    assert not sheet.shapes
    assert view.drag(on_screen(view, AT["nose"]), (10.0, 10.0)) == [14, 14, 14]
    instance.press("face_1_presence", Stage(HostImage(np.zeros((144, 192, 4), np.float32))))
    nose = instance.controls.by_name["face_1_nose"].properties.values
    assert nose["OfxParamPropEnabled"] == (0,)


@pytest.mark.parametrize("name", ["correct_skin", "region", "face_matte"])
def test_a_picture_much_smaller_than_the_project_is_no_fault(name):
    """Positions that nobody has moved lie far outside such a picture; nothing of them shows in it."""
    host, effects = loaded()
    instance = effects[name].instance(size=(4096.0, 2160.0))
    picture = np.full((9, 16, 4), 0.4, np.float32)
    stage = shown(picture)
    assert instance.render(stage) == 0, host.messages[-1:]
    if name == "correct_skin":
        assert np.array_equal(stage.output.read(), picture)
    no_complaints()


@pytest.mark.parametrize("told", ["nonsense", "[]", '{"keyed": [1]}', '{"texture": 99}', '{"other": 1}'])
def test_what_was_learned_about_faces_is_checked(told):
    with pytest.raises(ParamError, match="joined cannot be read: learn the key again"):
        CorrectSkin(joined=told)


def test_only_effects_with_faces_have_the_buttons():
    from inkarnat.host_adapters.openfx.controls import controls_of

    having = {name for name, kind in NODES.items() if any(c.name == "find_faces" for c in controls_of(kind))}
    assert having == {"correct_skin", "face_matte"}
