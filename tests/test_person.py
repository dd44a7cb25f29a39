"""Persons: the map of them, and what a key learns from it."""

from __future__ import annotations

import dataclasses
import importlib.util
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import skimage.data
from inkarnat.host_adapters.detect import person, skin
from inkarnat.host_adapters.detect.faces import find_face_mattes
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.host_adapters.shots import faces as seeding
from inkarnat.host_adapters.shots.anew import solve_anew
from inkarnat.host_adapters.shots.solving import MarkedPicture, SolveOptions, look_at, solve, solve_key
from inkarnat.kernels.errors import PictureError
from inkarnat.nodes import FaceMatte, MarkedFrame, Sample, solve_correction, study_skin

needs_network = pytest.mark.skipif(not person.available(), reason="OpenCV is not installed")

ROWS, COLUMNS = 90, 160


@pytest.fixture
def no_opencv(monkeypatch):
    found = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "cv2" else found(name))


@pytest.fixture(scope="module")
def astronaut():
    return skimage.data.astronaut().astype(np.float32) / np.float32(255)


# --- the map ------------------------------------------------------------------------------------------------


@needs_network
@pytest.mark.parametrize(("rows", "columns"), [(512, 512), (180, 320), (64, 32), (1, 1), (3, 700)])
def test_a_map_has_the_size_at_which_keys_are_learned_and_lies_between_0_and_1(rows, columns):
    picture = np.random.default_rng(1).random((rows, columns, 3), np.float32)
    found = person.find_person(picture)
    assert found.dtype == np.float32
    assert max(found.shape) == min(max(rows, columns), 256)
    assert found.shape == tuple(max(1, round(n * min(1, 256 / max(rows, columns)))) for n in (rows, columns))
    assert 0 <= found.min() <= found.max() <= 1


@needs_network
def test_the_person_of_a_real_picture_is_found_at_any_exposure(astronaut):
    """Where she is, and where the flag and the shuttle are, read off the picture by hand."""
    for gain in (1.0, 0.4, 0.15):
        found = person.find_person(astronaut * np.float32(gain))
        assert found[30:70, 95:130].min() > 0.9  # the face
        assert found[150:200, 80:140].min() > 0.9  # the suit
        assert found[10:100, 5:40].max() < 0.1  # the flag
        assert found[10:60, 200:250].max() < 0.1  # the shuttle


@needs_network
def test_the_same_picture_gives_the_same_bits_from_any_thread(astronaut):
    first = person.find_person(astronaut)
    with ThreadPoolExecutor(4) as pool:
        for again in pool.map(person.find_person, [astronaut] * 8):
            np.testing.assert_array_equal(again, first)


@needs_network
def test_alpha_nan_and_strides_do_not_matter(astronaut):
    plain = person.find_person(astronaut)
    with_alpha = np.dstack([astronaut, np.zeros(astronaut.shape[:2], np.float32)])
    np.testing.assert_array_equal(person.find_person(with_alpha), plain)
    with_alpha[:8, -8:] = np.nan
    with_alpha[8:16, -8:] = np.inf
    damaged = person.find_person(with_alpha)
    assert np.isfinite(damaged).all()
    assert np.abs(damaged - plain).mean() < 0.01
    with pytest.raises(PictureError):
        person.find_person(astronaut[..., 0])


@needs_network
def test_small_people_are_looked_for_round_their_faces(astronaut):
    """The astronaut as one of many things in a wide picture: seen whole she may be lost, round her face she is not."""
    wide = np.full((1024, 2048, 3), 0.35, np.float32)
    small = astronaut[::4, ::4]
    wide[600:728, 1500:1628] = small
    (face,) = find_face_mattes(astronaut)
    at = {
        name: ((1500 + 128 * x) / 2048, (600 + 128 * y) / 1024)
        for name, (x, y) in zip(
            ("left_eye", "right_eye", "nose", "mouth_left", "mouth_right"), face.landmarks, strict=True
        )
    }
    points = tuple(at.values())
    there = FaceMatte(*points)
    alone, found = person.find_person(wide), person.find_person(wide, [there])
    assert (found >= alone).all()
    x, y = int(256 * points[2][0]), int(128 * points[2][1])
    assert found[y, x] > 0.9
    away = dataclasses.replace(there, presence=0.0)
    np.testing.assert_array_equal(person.find_person(wide, [away]), alone)


@needs_network
@pytest.mark.parametrize("content", [b"", b"no network", None])
def test_a_damaged_network_gives_one_clear_error(monkeypatch, tmp_path, content):
    damaged = tmp_path / "person.tflite"
    damaged.write_bytes(person._PACKAGED.read_bytes()[:100_000] if content is None else content)
    monkeypatch.setattr(person, "_PACKAGED", damaged)
    for call in (
        lambda: person.find_person(np.zeros((8, 8, 3), np.float32)),
        lambda: seeding.seed([MarkedFrame(0, np.zeros((64, 64, 3), np.float32), (Sample.point(0.5, 0.5),))]),
    ):
        with pytest.raises(person.PersonError, match=r"person\.tflite.*install Inkarnat again"):
            call()


def test_without_opencv_nobody_is_looked_for(no_opencv):
    with pytest.raises(person.PersonError, match=r"pip install opencv-python-headless"):
        person.find_person(np.zeros((8, 8, 3), np.float32))
    assert seeding.person_in(np.zeros((8, 8, 3), np.float32), ()) is None
    frame = MarkedFrame(0, np.zeros((8, 8, 3), np.float32), (Sample.point(0.5, 0.5),))
    assert seeding.seed([frame]).frames == [frame]


# --- what a key learns from it ------------------------------------------------------------------------------

SKIN, WOOD, WALL = (0.62, 0.45, 0.37), (0.60, 0.46, 0.35), (0.3, 0.42, 0.5)


def scene():
    """A person before a wall on which lies wood of nearly the skin's colour, touching them; and where the person is."""
    picture = np.full((ROWS, COLUMNS, 3), WALL, np.float32)
    picture[20:, 40:80] = SKIN
    picture[10:70, 80:120] = WOOD
    picture += np.random.default_rng(4).normal(0, 0.004, picture.shape).astype(np.float32)
    there = np.zeros((ROWS, COLUMNS), np.float32)
    there[18:, 38:80] = 1
    return picture, there


ON_SKIN, ON_WOOD = Sample.stroke([(0.32, 0.4), (0.42, 0.6)], 0.03), Sample.stroke([(0.6, 0.3), (0.7, 0.5)], 0.03)


def shares(learned, picture):
    """How much of the skin and of the wood is keyed."""
    matte = learned.matte(picture)
    return float((matte[24:, 44:76] > 0.5).mean()), float((matte[14:66, 84:116] > 0.5).mean())


def test_what_lies_beside_the_persons_is_closed():
    picture, there = scene()
    skin, wood = shares(study_skin(picture, [ON_SKIN]), picture)
    assert skin > 0.9
    assert wood > 0.9  # without the map nothing tells them apart
    learned = study_skin(picture, [ON_SKIN], persons=[there])
    skin, wood = shares(learned, picture)
    assert skin > 0.9
    assert wood < 0.05
    assert learned.outside is not None
    assert learned.outside < 0.05


def test_a_map_of_another_size_says_the_same():
    picture, there = scene()
    full = study_skin(picture, [ON_SKIN], persons=[there])
    again = study_skin(picture, [ON_SKIN], persons=[there])
    assert full == again
    skin, wood = shares(study_skin(picture, [ON_SKIN], persons=[np.kron(there, np.ones((4, 4), np.float32))]), picture)
    assert skin > 0.9
    assert wood < 0.05


def test_a_mark_beside_the_persons_wins():
    picture, there = scene()
    skin, wood = shares(study_skin(picture, [ON_SKIN, ON_WOOD], persons=[there]), picture)
    assert min(skin, wood) > 0.9


def test_a_map_that_holds_nothing_marked_counts_for_nothing():
    picture, there = scene()
    nobody = np.zeros_like(there)
    for wrong in (nobody, there[:, ::-1] * (there == 0)):
        learned = study_skin(picture, [ON_SKIN], persons=[wrong])
        assert learned == study_skin(picture, [ON_SKIN])
        assert learned.outside is None


def test_everybody_everywhere_changes_nothing():
    picture, _ = scene()
    learned = study_skin(picture, [ON_SKIN], persons=[np.ones((ROWS, COLUMNS), np.float32)])
    assert learned.outside == 0
    assert learned.key == study_skin(picture, [ON_SKIN]).key


def test_every_frame_has_a_map_of_its_own():
    picture, there = scene()
    other = np.full((ROWS, COLUMNS, 3), WALL, np.float32)
    other[30:, 60:110] = SKIN
    further = [(other, [Sample.point(0.5, 0.6)], [])]
    learned = study_skin(picture, [ON_SKIN], more=further, persons=[there, None])
    assert shares(learned, picture)[1] < 0.05
    assert learned == study_skin(picture, [ON_SKIN], more=further, persons=[there])


# --- every door that learns a key ---------------------------------------------------------------------------


@needs_network
def test_marked_frames_come_with_a_map_of_persons(astronaut):
    frame = MarkedFrame(0, astronaut, (Sample.point(0.44, 0.24),))
    (seeded,) = seeding.seed([frame]).frames
    assert seeded.person is not None
    np.testing.assert_array_equal(seeded.person, skin.find_people(astronaut, seeded.faces, add=frame.add))
    assert solve_correction([seeded]).people[0].key == solve_correction([seeded]).people[0].key


@needs_network
def test_bare_skin_is_looked_for_where_a_key_is_learned_and_not_where_it_is_judged(astronaut, monkeypatch, tmp_path):
    """Once with the marks, which teach the key, and once without, by which the marks are doubted."""
    asked, find = [], skin.find_people
    monkeypatch.setattr(skin, "find_people", lambda *told, **marks: asked.append(marks) or find(*told, **marks))
    write_picture(tmp_path / "take.tif", astronaut, bits=16)
    mark = Sample.point(0.44, 0.24)
    solved = solve(open_clip(tmp_path / "take.tif"), SolveOptions.of([mark]))
    assert solved.verdicts[""].status
    assert [marks.get("add", ()) for marks in asked] == [(mark,), ()]


def test_every_door_that_learns_a_key_looks_for_persons(monkeypatch, tmp_path):
    """A whole correction, a key that the desk learns, and one that is learned anew behind a change."""
    picture, there = scene()
    monkeypatch.setattr(person, "available", lambda: True)
    monkeypatch.setattr(skin, "find_people", lambda picture, faces=(), **marks: there)
    monkeypatch.setattr(person, "find_person", lambda picture, faces=(): there)
    monkeypatch.setattr(seeding, "available", lambda: True)
    monkeypatch.setattr(seeding, "find_faces", lambda picture, again=False: ())
    write_picture(tmp_path / "take.tif", picture, bits=16)
    clip = open_clip(tmp_path / "take.tif")
    look, frame = look_at(clip.read), clip.frames[0]
    solved = solve(clip, SolveOptions.of([ON_SKIN]))
    key, _ = solve_key(solved.graph, look, "skin", [MarkedPicture(frame, (ON_SKIN,))])
    anew = solve_anew(solved.graph, look, frame, "balance").graph.by_id["skin"].node
    for found in (solved.correction.key, key, anew):
        assert found == solved.correction.key
        matte = found.process(clip.read(frame))
        assert (matte[24:, 44:76] > 0.5).mean() > 0.9
        assert (matte[14:66, 84:116] > 0.5).mean() < 0.05
