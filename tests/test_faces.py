"""Faces: the detector on a real and on generated pictures, and what the verbs do with faces and without them."""

from __future__ import annotations

import contextlib
import importlib.util
from pathlib import Path

import numpy as np
import pytest
import skimage.data
from inkarnat.host_adapters.desk.task import Task
from inkarnat.host_adapters.detect import faces
from inkarnat.host_adapters.detect.person import find_person
from inkarnat.host_adapters.shots import faces as seeding
from inkarnat.host_adapters.shots.faces import seed
from inkarnat.host_adapters.workshop import camera, portrait
from inkarnat.nodes import MarkedFrame, Sample, SampleError, learn_skin_key, solve_correction, study_skin

needs_detector = pytest.mark.skipif(not faces.available(), reason="OpenCV is not installed")

GREY = np.full((90, 160, 3), 0.4, np.float32)


@pytest.fixture
def no_detector(monkeypatch):
    found = importlib.util.find_spec
    monkeypatch.setattr(faces.importlib.util, "find_spec", lambda name: None if name == "cv2" else found(name))


def boat_builders(count=1):
    scene = portrait("brown", 11, 320, 180, faces=count)
    return camera(scene.light, 11), scene


# --- the sample ---------------------------------------------------------------------------------------------


def test_a_face_sample_covers_the_middle_of_its_box():
    covered = Sample.face(0.2, 0.2, 0.6, 0.8).mask(200, 400)
    rows, columns = np.nonzero(covered)
    assert abs((columns.mean() + 0.5) / 400 - 0.4) < 0.005
    assert 0.5 < (rows.mean() + 0.5) / 200 < 0.6  # below the middle: cheeks, not hair
    box = Sample.box(0.2, 0.2, 0.6, 0.8).mask(200, 400)
    assert not (covered & ~box).any()
    # An ellipse with half sides of 30 % of the box covers π · 0.3² of it.
    assert covered.sum() / box.sum() == pytest.approx(np.pi * 0.09, rel=0.03)


def test_a_face_sample_survives_as_text():
    sample = Sample.face(0.1, 0.2, 0.3, 0.5)
    assert Sample.parse(str(sample)) == sample
    assert sample.whole
    with pytest.raises(SampleError, match="x0 < x1"):
        Sample.face(0.5, 0.2, 0.3, 0.5)


def test_two_faces_of_different_depth_are_both_learned():
    """Each face keeps its own main colour, so the larger one does not push the other out."""
    picture, scene = boat_builders(2)
    boxes = [Sample.face(*scene.places[name]) for name in ("face", "second_face")]
    matte = learn_skin_key(picture, boxes).process(picture)
    for name in ("cheek", "second_cheek"):
        x, y = scene.places[name]
        assert matte[int(y * 180), int(x * 320)] > 0.8


# --- the detector -------------------------------------------------------------------------------------------


@needs_detector
def test_the_face_of_a_real_picture_is_found_at_any_exposure():
    picture = skimage.data.astronaut().astype(np.float32) / np.float32(255)
    for gain in (1.0, 0.5, 0.3):
        (face,) = faces.find_faces(picture * np.float32(gain))
        left, top, right, bottom = face.box
        # Drawn by hand: test_images/masks/astronaut.json.
        assert left < 0.40 < 0.50 < right
        assert top < 0.20 < 0.30 < bottom
        assert right - left < 0.3


@needs_detector
def test_no_face_is_found_where_there_is_none():
    for name in ("coffee", "rocket", "chelsea"):
        assert faces.find_faces(getattr(skimage.data, name)().astype(np.float32) / np.float32(255)) == ()
    assert faces.find_faces(GREY) == ()


def astronaut() -> np.ndarray:
    return skimage.data.astronaut().astype(np.float32) / np.float32(255)


BY_HAND = np.array([(203, 101), (247, 103), (223, 124), (203, 140), (242, 142)]) / 512
"""Eyes, nose and mouth of the astronaut, read off the picture by hand."""


@needs_detector
@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_face_that_lies_on_its_side_or_head_is_found_by_looking_again(turns):
    picture = np.ascontiguousarray(np.rot90(astronaut()[::3, ::3], turns))
    assert faces.find_faces(picture) == (), "turned by so much, a quick look misses it"
    (face,) = faces.find_faces(picture, again=True)
    points = np.array(face.points)
    left, top, right, bottom = face.box
    assert ((points > (left, top)) & (points < (right, bottom))).all()
    for _ in range(turns):  # numpy turns counter-clockwise: what lies at (x, y) came from (1 − y, x)
        points = np.column_stack([1 - points[:, 1], points[:, 0]])
    assert np.hypot(*(points - BY_HAND).T).max() < 0.02


@needs_detector
def test_a_face_in_blue_haze_is_found_by_looking_again():
    picture = (0.7 + np.float32(0.03) * astronaut()) * np.array((0.3, 0.5, 1.0), np.float32)
    assert faces.find_faces(picture) == ()
    (face,) = faces.find_faces(picture, again=True)
    assert np.hypot(*(np.array(face.points) - BY_HAND).T).max() < 0.02
    assert faces.find_faces(picture, again=True) == (face,)


@needs_detector
def test_looking_again_changes_nothing_where_a_face_is_found_and_finds_none_where_there_is_none():
    assert faces.find_faces(astronaut(), again=True) == faces.find_faces(astronaut())
    for name in ("coffee", "rocket", "chelsea", "grass", "text"):
        picture = np.atleast_3d(getattr(skimage.data, name)()).astype(np.float32) / np.float32(255)
        assert faces.find_faces(np.broadcast_to(picture, (*picture.shape[:2], 3)), again=True) == ()
    assert faces.find_faces(GREY, again=True) == ()


@needs_detector
def test_a_turned_clip_is_followed_in_one_way_and_an_empty_one_looked_at_a_few_times(monkeypatch):
    looks = []
    find = faces.find_faces
    monkeypatch.setattr(seeding, "find_faces", lambda p, again=False: looks.append(again) or find(p, again=again))
    turned = np.ascontiguousarray(np.rot90(astronaut()[::3, ::3], 1))
    (track,) = seeding.follow(lambda frame: turned, [1, 2, 3])
    assert [track.at(frame).presence for frame in (1, 2, 3)] == [1.0, 1.0, 1.0]
    looks.clear()
    assert seeding.follow(lambda frame: GREY, range(1, 41)) == ()
    assert sum(looks) == 5
    assert seeding.follow(lambda frame: GREY, []) == ()


@needs_detector
def test_the_closer_way_of_following_tells_how_far_it_is_and_can_be_given_up(monkeypatch):
    """Quick looks, a glance that finds a face at once, then closer looks, each counted from its own beginning."""
    task, ways, closer = Task("faces", "", lambda: None), [], []

    def find(picture, again=False):
        closer.extend([again] * again)
        if len(closer) == 5:  # the glance, two looks of the whole way, and of the second time the first ones
            task.cancel()
        return faces.find_faces(picture) if again else ()

    def begin(total):
        ways.append((total, []))
        return contextlib.nullcontext(ways[-1][1].append)

    monkeypatch.setattr(seeding, "find_faces", find)
    picture = astronaut()
    assert len(seeding.follow(lambda frame: picture, [1, 2, 3], begin)) == 1
    assert ways == [(3, [1, 2, 3]), (3, [1]), (3, [1, 2, 3])]
    task.start(lambda task: str(seeding.follow(lambda frame: picture, [1, 2, 3], task.begin)))
    task.wait(60)
    assert (task.state, task.done, task.total) == ("cancelled", 1, 3)


@needs_detector
def test_a_face_in_coloured_light_is_keyed_where_a_person_is_seen_and_told_of():
    """Skin has no usual hue there: alone a face is refused, as a painted one would be; on a person it counts."""
    picture = astronaut() * np.array((0.12, 0.25, 1.0), np.float32)
    known = faces.find_face_mattes(picture)
    seen = find_person(picture, known)
    learned = study_skin(picture, [], faces=known, persons=[seen])
    assert learned.matte(picture)[118:132, 196:212].mean() > 0.9, "a cheek"
    assert learned.matte(picture)[:60, :60].max() < 0.1
    assert "far from skin" in {warned.sign for warned in learned.warnings(learned.matte(picture), picture)}
    for nobody in (None, 1 - seen):
        with pytest.raises(SampleError, match="Mark the skin itself"):
            study_skin(picture, [], faces=known, persons=[nobody])


@needs_detector
def test_where_no_face_is_found_words_say_whether_people_seem_to_be_there():
    back = astronaut()[200:, :250]  # somebody's shoulder and arm
    assert seeding.nobody_found(GREY) == "No face was found"
    assert faces.find_faces(back, again=True) == ()
    assert seeding.nobody_found(back) == "No face was found, though what may be a person is seen"


@needs_detector
def test_both_boat_builders_are_found():
    picture, scene = boat_builders(2)
    found = faces.find_faces(picture)
    assert len(found) == 2
    for name in ("face", "second_face"):
        left, top, right, bottom = scene.places[name]
        middle = (left + right) / 2, (top + bottom) / 2
        assert faces.near_point(found, *middle) is not None


@needs_detector
def test_nan_alpha_and_size_do_not_matter():
    picture, _ = boat_builders()
    with_alpha = np.dstack([picture, np.ones(picture.shape[:2], np.float32)])
    with_alpha[:4, :4] = np.nan
    assert len(faces.find_faces(with_alpha)) == 1


def test_a_missing_detector_says_how_to_get_it(no_detector):
    with pytest.raises(faces.FaceError, match=r"pip install opencv-python-headless"):
        faces.find_faces(GREY)


def test_a_named_model_that_is_missing_is_named(monkeypatch):
    monkeypatch.setenv(faces.MODEL_VARIABLE, "/nowhere/faces.onnx")
    with pytest.raises(faces.FaceError, match=r"/nowhere/faces\.onnx"):
        faces.model_file()


@needs_detector
def test_a_file_that_is_no_network_is_named(monkeypatch, tmp_path):
    wrong = tmp_path / "wrong.onnx"
    wrong.write_bytes(b"not a network")
    monkeypatch.setenv(faces.MODEL_VARIABLE, str(wrong))
    with pytest.raises(faces.FaceError, match=r"wrong\.onnx"):
        faces.find_faces(GREY)


@needs_detector
def test_a_picture_that_was_looked_at_is_not_looked_at_again(monkeypatch):
    asked = []
    ask = faces._asked
    monkeypatch.setattr(faces, "_asked", lambda picture, path: asked.append(picture.shape) or ask(picture, path))
    picture = np.random.default_rng(11).random((72, 128, 3), dtype=np.float32)
    first, again = faces.find_faces(picture, again=True), faces.find_faces(picture, again=True)
    looks = len(asked)
    assert first == again
    faces.find_faces(picture[::-1].copy(), again=True)
    assert len(asked) > looks >= 1


POINTS = ((0.36, 0.35), (0.44, 0.35), (0.4, 0.42), (0.37, 0.5), (0.43, 0.5))


def test_of_overlapping_boxes_the_surest_stays():
    one, two = faces.Face((0.1, 0.1, 0.4, 0.5), 0.9, POINTS), faces.Face((0.12, 0.1, 0.42, 0.5), 0.7, POINTS)
    far = faces.Face((0.6, 0.1, 0.8, 0.5), 0.6, POINTS)
    assert faces._kept([two, far, one]) == [one, far]


@needs_detector
def test_the_landmarks_of_a_real_face_lie_where_they_belong():
    (face,) = faces.find_faces(astronaut())
    assert np.hypot(*(np.array(face.points) - BY_HAND).T).max() < 0.01


# --- seeding ------------------------------------------------------------------------------------------------

FACE = faces.Face((0.3, 0.2, 0.5, 0.6), 0.95, POINTS)


@pytest.fixture
def one_face(monkeypatch):
    monkeypatch.setattr(seeding, "available", lambda: True)
    monkeypatch.setattr(seeding, "find_faces", lambda picture, again=False: (FACE,))


@pytest.mark.parametrize("add", [(), (Sample.point(0.35, 0.3),), (Sample.box(0.6, 0.3, 0.7, 0.4),)])
def test_faces_are_known_on_every_marked_frame(one_face, add):
    seeded = seed([MarkedFrame(7, GREY, add), MarkedFrame(9, GREY)])
    assert [frame.add for frame in seeded.frames] == [add, ()]
    assert [frame.faces for frame in seeded.frames] == [(FACE.matte(),)] * 2
    assert FACE.matte().landmarks == POINTS
    points = [list(point) for point in POINTS]
    assert seeded.as_dict()[0] == {"frame": 7, "box": [0.3, 0.2, 0.5, 0.6], "score": 0.95, "points": points}
    assert seeded.warnings == ()


def test_without_a_face_a_warning_says_so(monkeypatch):
    monkeypatch.setattr(seeding, "available", lambda: True)
    monkeypatch.setattr(seeding, "find_faces", lambda picture, again=False: ())
    seeded = seed([MarkedFrame(1, GREY)])
    assert seeded.frames[0].add == ()
    assert "No face was found" in seeded.warnings[0].message


def test_without_the_detector_the_natural_range_is_keyed_and_both_are_said(no_detector):
    picture, _ = boat_builders()
    seeded = seed([MarkedFrame(1, picture)])
    told = (*solve_correction(seeded.frames).warnings, *seeded.warnings)
    assert {"no sample", "no faces"} <= {warning.sign for warning in told}
    assert "pip install opencv-python-headless" in next(w.message for w in told if w.sign == "no faces")


def test_the_detector_stays_out_of_kernels_and_nodes():
    root = Path(__file__).parents[1]
    for layer in ("kernels", "nodes"):
        assert not [path for path in (root / layer).glob("*.py") if "cv2" in path.read_text(encoding="utf-8")]
