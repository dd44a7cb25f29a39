"""The map of bare skin: the network that draws it, and what a key learns from it."""

from __future__ import annotations

import dataclasses
import re
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import skimage.data
from inkarnat.host_adapters.detect import person, skin
from inkarnat.host_adapters.detect.faces import find_face_mattes
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.host_adapters.shots import faces as seeding
from inkarnat.host_adapters.shots.anew import solve_anew
from inkarnat.host_adapters.shots.evidence import doubts_of
from inkarnat.host_adapters.shots.marks import is_sought
from inkarnat.host_adapters.shots.solving import SolveOptions, look_at, solve
from inkarnat.kernels import join
from inkarnat.kernels import skin as kernel
from inkarnat.kernels.errors import PictureError
from inkarnat.nodes import (
    FaceMatte,
    Sample,
    SampleError,
    SoughtError,
    bare_skin_of,
    judge_matte,
    persons_of,
    study_skin,
    sure_skin,
)
from test_face import drawn

needs_network = pytest.mark.skipif(not person.available(), reason="OpenCV is not installed")

ROWS, COLUMNS = 90, 160


@pytest.fixture(scope="module")
def astronaut():
    return skimage.data.astronaut().astype(np.float32) / np.float32(255)


# --- the map ------------------------------------------------------------------------------------------------


@needs_network
@pytest.mark.parametrize(("rows", "columns"), [(180, 320), (64, 32), (1, 1), (3, 700)])
def test_the_maps_have_one_size_and_lie_between_0_and_1(rows, columns):
    picture = np.random.default_rng(1).random((rows, columns, 3), np.float32)
    found = skin.find_people(picture)
    assert found.dtype == np.float32
    assert found.shape == (*person.find_person(picture).shape, 2)
    np.testing.assert_array_equal(persons_of(found), person.find_person(picture))
    assert 0 <= found.min() <= found.max() <= 1


@needs_network
def test_skin_of_a_real_picture_is_told_from_hair_and_clothes_at_any_exposure(astronaut):
    """Where her face, her hair, the suit, the flag and the shuttle are, read off the picture by hand."""
    for gain in (1.0, 0.4, 0.15):
        found = bare_skin_of(skin.find_people(astronaut * np.float32(gain)))
        assert found[40:70, 100:122].mean() > 0.9  # cheeks, nose and forehead
        assert found[8:20, 100:125].mean() < 0.2  # hair
        assert found[150:200, 80:140].mean() < 0.05  # the suit
        assert found[10:100, 5:40].mean() < 0.05  # the flag
        assert found[10:60, 200:250].mean() < 0.05  # the shuttle


@needs_network
def test_the_same_picture_gives_the_same_map_from_many_threads_with_alpha_and_without_a_number(astronaut):
    first = skin.find_people(astronaut)
    with ThreadPoolExecutor(4) as pool:
        for again in pool.map(skin.find_people, [astronaut] * 4):
            np.testing.assert_array_equal(again, first)
    strange = np.concatenate([astronaut, np.ones_like(astronaut[..., :1])], axis=-1)
    np.testing.assert_array_equal(skin.find_people(strange), first)
    strange[:8, :8] = np.nan
    assert np.isfinite(skin.find_people(strange)).all()
    with pytest.raises(PictureError):
        skin.find_people(astronaut[..., 0])


@needs_network
@pytest.mark.parametrize("name", [skin.ENCODER, skin.DECODER])
@pytest.mark.parametrize("content", [b"", b"no network", None])
def test_a_damaged_network_gives_one_clear_error(tmp_path, content, name):
    for part in (skin.ENCODER, skin.DECODER):
        shutil.copy(skin.NETWORK / part, tmp_path)
    damaged = tmp_path / name
    damaged.write_bytes(damaged.read_bytes()[:100_000] if content is None else content)
    with pytest.raises(skin.SkinError, match=rf"{re.escape(name)}.*install Inkarnat again"):
        skin.find_people(np.zeros((8, 8, 3), np.float32), network=tmp_path)


def test_another_shape_is_no_map_of_people():
    for shape in ((9, 16, 3), (9,), (0, 4)):
        with pytest.raises(PictureError):
            persons_of(np.zeros(shape, np.float32))
    assert bare_skin_of(np.zeros((9, 16), np.float32)) is None


# --- what is marked -----------------------------------------------------------------------------------------


def test_marks_shine_round_their_places_and_tell_what_is_like_them():
    """By the formulas of the docstrings, written out once more for single pixels."""
    picture = np.full((96, 160, 3), (0.3, 0.4, 0.6), np.float32)
    picture[:, :80] = 0.62, 0.48, 0.40
    planes = skin.marked_planes(picture, skin.Marks((((0.25, 0.5),),), (((0.75, 0.5),),)))
    assert planes.shape == (4, 96, 160)
    for plane, column in ((0, 40), (1, 120)):
        away = 10 - 0.012 * 96
        assert planes[plane, 48, column] == 1
        assert planes[plane, 48, column + 10] == pytest.approx(np.exp(-0.5 * (away / (0.03 * 160)) ** 2), abs=1e-4)
    assert planes[2, :, :75].min() > 0.99, "all of one colour is like its mark"
    assert planes[2, :, 85:].max() < 0.01
    assert planes[3, :, :75].max() < 0.01
    assert planes[3, :, 85:].min() > 0.99
    assert not skin.marked_planes(picture, skin.Marks()).any()


def test_faces_count_as_marked_where_nothing_else_is():
    face = FaceMatte((0.42, 0.4), (0.54, 0.4), (0.48, 0.5), (0.43, 0.6), (0.53, 0.6))
    mark, other = Sample.point(0.2, 0.3), Sample.stroke([(0.5, 0.5), (0.6, 0.5)], 0.02)
    (((x, y),),) = skin.Marks.of(1.5, (), (), [face]).skin
    assert 0.42 < x < 0.54
    assert 0.3 < y < 0.6
    assert skin.Marks.of(1.5, [mark], [other], [face]) == skin.Marks((mark.points,), (other.points,))
    assert skin.Marks.of(1.5, (), (), [dataclasses.replace(face, presence=0.0)]) == skin.Marks()


@needs_network
def test_the_map_follows_what_is_marked():
    """Of two coloured fields it sees no skin until one is marked: then that one, and not the other."""
    picture, _ = scene()
    lit, coat = (Sample.point(x / COLUMNS, 0.5) for x in (40, 120))

    def seen(add, subtract=()):
        bare = join.on_grid(bare_skin_of(skin.find_people(picture, add=add, subtract=subtract)), (ROWS, COLUMNS))
        return bare[25:65, 25:55].mean(), bare[25:65, 105:135].mean()

    assert max(seen(())) < 0.1
    for mark, other, field in ((lit, coat, 0), (coat, lit, 1)):
        shown = seen([mark])
        assert shown[field] > 0.5
        assert shown[1 - field] < 0.1
        assert seen([mark], [other])[1 - field] < 0.1


# --- what a key learns from it ------------------------------------------------------------------------------


def scene():
    """Skin with a mark beside a lit and a dim part, a coat that is a little like it, and both people's maps."""
    picture = np.full((ROWS, COLUMNS, 3), (0.35, 0.40, 0.50), np.float32)
    picture[20:70, 20:60], picture[20:70, 60:80] = (0.66, 0.50, 0.41), (0.36, 0.26, 0.21)
    picture[20:70, 100:140] = 0.60, 0.48, 0.33
    picture += np.random.default_rng(2).normal(0, 0.01, picture.shape).astype(np.float32)
    people = np.zeros((ROWS, COLUMNS, 2), np.float32)
    people[15:75, 15:145, 0] = 1
    people[20:70, 20:80, 1] = 1
    return picture, people


def keyed(picture, people, **told):
    matte = study_skin(picture, [Sample.point(40 / COLUMNS, 0.5)], persons=[people], **told).key.process(picture)
    return matte[25:65, 25:55].mean(), matte[25:65, 62:78].mean(), matte[25:65, 105:135].mean()


def test_what_the_map_calls_bare_skin_is_keyed_and_what_it_does_not_is_left():
    picture, people = scene()
    lit, dim, coat = keyed(picture, people)
    assert lit > 0.9
    assert dim > 0.7
    assert coat < 0.2
    other = people.copy()
    other[20:70, 100:140, 1] = 1
    assert keyed(picture, other)[2] > coat + 0.3


def test_a_map_of_persons_alone_learns_the_key_that_it_always_did():
    picture, people = scene()
    plain = np.ascontiguousarray(people[..., 0])
    assert keyed(picture, plain) == keyed(picture, plain)
    assert keyed(picture, plain) != keyed(picture, people)


def test_a_map_that_sees_no_skin_where_somebody_marked_it_counts_for_nothing():
    picture, people = scene()
    people[..., 1] = 0
    assert keyed(picture, people) == keyed(picture, np.ascontiguousarray(people[..., 0]))


def test_a_map_that_sees_skin_round_the_mark_alone_counts_for_nothing():
    """Near a mark it always sees skin; what grew from it says how much that is."""
    picture, people = scene()
    people[..., 1] = 0
    people[40:50, 35:45, 1] = 1
    assert keyed(picture, people) == keyed(picture, np.ascontiguousarray(people[..., 0]))


def test_a_box_means_the_bare_skin_in_it_though_something_else_fills_most_of_it():
    picture, people = scene()
    box = [Sample.box(70 / COLUMNS, 30 / ROWS, 130 / COLUMNS, 60 / ROWS)]

    def skin_and_coat(seen):
        matte = study_skin(picture, box, persons=[seen]).key.process(picture)
        return matte[25:65, 25:55].mean(), matte[25:65, 105:135].mean()

    skin_keyed, coat_keyed = skin_and_coat(people)
    assert skin_keyed > 0.8
    assert coat_keyed < 0.2
    people[..., 1] *= 0.4  # no map that is surer: the main colour of the box is meant
    skin_keyed, coat_keyed = skin_and_coat(people)
    assert coat_keyed > 0.8


@pytest.mark.parametrize(
    "why_not", ["", "keyed", "hardly seen", "on nobody", "a thread", "another's face is left to others"]
)
def test_bare_skin_that_is_left_out_is_told_of_with_its_place(why_not):
    picture, people = scene()
    learned = study_skin(picture, [Sample.point(40 / COLUMNS, 0.5)], persons=[people])
    matte = learned.key.process(picture)
    people[20:70, 100:140, 1] = 1
    if why_not == "keyed":
        matte[20:70, 100:140] = 1
    elif why_not == "hardly seen":
        people[20:70, 100:140, 1] = 0.7
    elif why_not == "on nobody":
        people[:, 90:, 0] = 0
    elif why_not == "a thread":
        people[22:, 100:140, 1] = 0
    elif why_not:
        at = ((0.7, 0.4), (0.8, 0.4), (0.75, 0.5), (0.7, 0.6), (0.8, 0.6))
        learned = dataclasses.replace(learned, faces=(FaceMatte(*at, keyed=0.0),))
    found = [w for w in learned.warnings(matte, picture) if w.sign == "left out"]
    if why_not:
        assert not found
    else:
        (told,) = found
        assert "left out: on the right" in told.message
        assert told.figure == pytest.approx(38 * 48 / 3000, rel=0.15)  # of 50 x 40 cells, against 50 x 60 keyed


def test_a_mask_before_a_face_stays_out_where_the_map_of_bare_skin_does_not_see_it():
    """A drawn face of which the lower half is of another colour, as by a mask: common practice, no source."""
    picture, oval, face = drawn((0.75, 0.55, 0.45), (0.3, 0.35, 0.5))
    mask = oval & (np.arange(len(oval))[:, None] > 104)
    picture[mask] += np.array((-0.4, 0.05, 0.1), np.float32)
    people = np.stack([oval, oval & ~mask], axis=-1).astype(np.float32)
    other = FaceMatte(*[(x - 0.35, y) for x, y in face.landmarks])
    mark = Sample.point(0.5, 0.42)

    def learned(people, *faces):
        return study_skin(picture, [mark], faces=faces, persons=[people])

    seen, alone, beside = (learned(people, face), learned(people[..., 0], face), learned(people, face, other))
    assert (seen.join.trust, alone.join.trust, beside.join.trust) == (0, 1, 1)  # somebody else's face holds off
    assert [known.keyed for known in beside.faces] == [1, 0]
    assert alone.matte(picture)[mask].mean() > 0.9
    assert seen.matte(picture)[mask].mean() < 0.05
    assert seen.matte(picture)[oval & ~mask].mean() > 0.95
    assert "left behind" not in {warned.sign for warned in seen.warnings(seen.matte(picture), picture)}
    plain = judge_matte(seen.matte(picture), picture, [face], people[..., 0])
    assert "left behind" in {warned.sign for warned in plain}


def test_shares_weigh_log_odds():
    one, other = (np.full((2, 2), value, np.float32) for value in (0.9, 0.2))
    np.testing.assert_allclose(kernel._together((one, one, one), (0.6, 0.2, 0.2)), one, atol=0.02)
    np.testing.assert_allclose(kernel._together((one, other), (1, 0)), one, atol=0.02)
    middle = kernel._together((one, other), (0.5, 0.5))
    expected = np.sqrt(0.92 * 0.22 / (0.12 * 0.82))  # the geometric mean of both odds, each .02 from certainty
    np.testing.assert_allclose(middle, expected / (1 + expected), rtol=1e-5)


def test_a_matte_is_judged_by_the_persons_of_both_maps():
    picture, people = scene()
    matte = np.zeros((ROWS, COLUMNS), np.float32)
    matte[20:70, 20:80] = 1
    plain = np.ascontiguousarray(people[..., 0])
    assert judge_matte(matte, picture, person=people) == judge_matte(matte, picture, person=plain)


@needs_network
def test_one_point_on_a_real_face_keys_skin_and_not_her_hair_or_suit(astronaut):
    faces = find_face_mattes(astronaut)
    learned = study_skin(
        astronaut, [Sample.point(0.44, 0.24)], faces=faces, persons=[skin.find_people(astronaut, faces)]
    )
    matte = learned.matte(astronaut)[::2, ::2]
    assert matte[40:70, 100:122].mean() > 0.9
    assert max(matte[8:20, 100:125].mean(), matte[150:200, 80:140].mean(), matte[10:100, 5:40].mean()) < 0.1


@needs_network
def test_a_picture_asked_about_again_is_not_looked_at_again_and_a_further_mark_asks_the_decoder_alone(monkeypatch):
    asked, ask = [], skin.asked
    monkeypatch.setattr(skin, "asked", lambda path, *told: asked.append(Path(path).name) or ask(path, *told))

    def counted():
        parts = asked.count(skin.ENCODER), asked.count(skin.DECODER)
        asked.clear()
        return parts

    picture = np.random.default_rng(7).random((90, 120, 3), dtype=np.float32)
    person = np.full((90, 120), 0.5, np.float32)
    first, again = skin.find_bare_skin(picture, person), skin.find_bare_skin(picture, person)
    np.testing.assert_array_equal(first, again)
    assert counted() == (4, 4), "two sizes, each mirrored"
    picture[40, 60] = 0
    assert (skin.find_bare_skin(picture, person) != first).any()
    assert counted() == (4, 4), "another picture is"
    mark = skin.Marks((((0.5, 0.5),),))
    marked = skin.find_bare_skin(picture, person, marks=mark)
    assert counted() == (0, 4), "and one that is marked"
    for remembered, most in ((skin._answers, 3), (skin._features, 2)):
        monkeypatch.setattr(remembered, "most", most)
    for number in range(2):
        other = np.random.default_rng(number).random((8, 8, 3), dtype=np.float32)
        skin.find_bare_skin(other, np.ones((8, 8), np.float32))
    assert (len(skin._answers), len(skin._features)) == (3, 2), "the last ones"
    assert counted() == (8, 8)
    np.testing.assert_array_equal(skin.find_bare_skin(picture, person, marks=mark), marked)
    assert counted() == (4, 4), "what was forgotten is seen anew, the same"


@needs_network
def test_what_is_remembered_of_a_picture_is_as_large_as_said():
    """51 bytes a pixel that the encoder sees, its mirror image included."""
    seen = skin._seen_in(np.zeros((3, 64, 96), np.float32), skin.NETWORK)
    assert 2 * sum(plane.nbytes for plane in seen) == 51 * 64 * 96


# --- where nothing is marked and no face is known -----------------------------------------------------------


def test_what_is_surely_seen_teaches_the_key_and_that_is_said():
    picture, people = scene()
    learned = study_skin(picture, [], persons=[people], seek=True)
    matte = learned.key.process(picture)
    assert matte[25:65, 25:55].mean() > 0.9
    assert matte[25:65, 62:78].mean() > 0.7, "the dim side too"
    assert matte[25:65, 105:135].mean() < 0.2, "the coat"
    signs = {warned.sign: warned for warned in learned.warnings(matte, picture)}
    assert "No face is known and nothing is marked" in signs["sought"].message
    assert signs["sought"].figure == pytest.approx(matte.mean(), abs=1e-6)
    marked = study_skin(picture, [Sample.point(40 / COLUMNS, 0.5)], persons=[people], seek=True)
    assert not marked.sought, "a mark says what is skin"
    with pytest.raises(SampleError, match="no sample of skin"):
        study_skin(picture, [], persons=[people])


def unsure(kind, picture, people):
    bare, person = people[..., 1], people[..., 0]
    if kind == "no map":
        return picture, None
    if kind == "persons alone":
        return picture, np.ascontiguousarray(person)
    if kind == "half sure":
        bare *= 0.6
    elif kind == "most of it hardly":
        bare[:] = np.where(bare > 0, 0.9, 0.35)
    elif kind == "a speck":
        bare[:, 22:] = 0
        bare[30:, :] = 0
    elif kind == "beside persons":
        person[:] = 0
    elif kind == "blue":
        picture = np.ascontiguousarray(picture[..., ::-1])
    elif kind == "brown leather":
        picture = np.clip(0.3 + 3.5 * (picture - 0.45), 0.02, 1).astype(np.float32)
    elif kind == "grey":
        picture = np.repeat(picture.mean(axis=2, keepdims=True), 3, axis=2)
    elif kind == "its colour lies everywhere":
        picture = np.where((bare > 0)[..., None], picture, picture[40, 40]).astype(np.float32)
        person[:] = 1
        bare[:] = np.where(bare > 0, 0.9, 0.29)
        bare[:, 60:] = 0.29
    return picture, people


@pytest.mark.parametrize(
    "kind",
    [
        "no map",
        "persons alone",
        "half sure",
        "most of it hardly",
        "a speck",
        "beside persons",
        "blue",
        "brown leather",
        "grey",
        "its colour lies everywhere",
    ],
)
def test_what_is_not_surely_skin_teaches_nothing(kind):
    picture, people = unsure(kind, *scene())
    with pytest.raises(SoughtError, match="no sample of skin"):
        study_skin(picture, [], persons=[people], seek=True)


def test_pieces_come_the_largest_first_and_specks_not():
    people = np.ones((ROWS, COLUMNS, 2), np.float32)
    people[..., 1] = 0
    people[10:20, 10:20, 1] = people[30:80, 30:80, 1] = people[5:7, 100:102, 1] = 0.9
    assert [int(piece.sum()) for piece in sure_skin(people)] == [2500]
    people[10:30, 10:20, 1] = 0.9
    assert [int(piece.sum()) for piece in sure_skin(people)] == [2500, 200]


@needs_network
def test_what_nobody_marks_is_looked_at_again_with_the_surest_places_as_marks(astronaut):
    alone = skin.find_bare_skin(astronaut, person.find_person(astronaut))
    places = skin._surest_places(alone)
    assert 1 <= len(places) <= 4
    for ((x, y),) in places:
        assert alone[int(y * alone.shape[0]), int(x * alone.shape[1])] >= 0.8
    seen = skin.find_people(astronaut)
    marked = skin.find_people(astronaut, add=[Sample.point(*place) for (place,) in places])
    np.testing.assert_array_equal(seen, marked)
    again = bare_skin_of(seen)
    decided = [(plane >= 0.8).sum() / (plane >= 0.3).sum() for plane in (alone, again)]
    assert decided[0] < decided[1]
    assert skin._surest_places(np.minimum(alone, 0.7)) == (), "nothing is sure"


@needs_network
def test_a_real_face_that_is_not_found_is_keyed_by_its_look_and_a_cat_is_not(astronaut):
    matte = study_skin(astronaut, [], persons=[skin.find_people(astronaut)], seek=True).key.process(astronaut)[::2, ::2]
    assert matte[40:70, 100:122].mean() > 0.9
    assert max(matte[8:20, 100:125].mean(), matte[150:200, 80:140].mean(), matte[10:100, 5:40].mean()) < 0.15
    cat = skimage.data.chelsea().astype(np.float32) / np.float32(255)
    with pytest.raises(SoughtError):
        study_skin(cat, [], persons=[skin.find_people(cat)], seek=True)


def test_skin_that_was_sought_never_holds_until_somebody_marks_it(monkeypatch, tmp_path):
    picture, people = scene()
    monkeypatch.setattr(seeding, "available", lambda: True)
    monkeypatch.setattr(seeding, "find_faces", lambda picture, again=False: ())
    monkeypatch.setattr(seeding.skin, "find_people", lambda *told, **marks: people)
    monkeypatch.setattr(seeding.person, "find_person", lambda *told: persons_of(people))
    write_picture(tmp_path / "hands.tif", picture, None, bits=16)
    clip = open_clip(tmp_path / "hands.tif")
    solved = solve(clip, SolveOptions(natural_range=False))
    (verdict,) = solved.verdicts.values()
    assert verdict.status == "check"
    assert "sought by its look" in verdict.sentence
    assert is_sought(solved.graph, "skin")
    graph = Graph.from_dict(solved.graph.to_dict())
    key = graph.by_id["skin"]
    other = graph.with_step(dataclasses.replace(key, node=dataclasses.replace(key.node, width=0.1)))
    seen = type("Seen", (), {"doubts": (), "final": None})()
    for each in (graph, other):
        assert "sought" in [doubt.sign for doubt in doubts_of(each, seen, "")], "the matte is another, the key is not"
    anew = solve_anew(graph, look_at(clip.read), clip.frames[0])
    assert any("learned anew from the look of bare skin" in said for said in anew.said), anew.said
    marked = solve(clip, SolveOptions.of([Sample.point(40 / COLUMNS, 0.5)], natural_range=False))
    assert not is_sought(marked.graph, "skin")
    assert "sought by its look" not in " ".join(marked.verdicts[""].lines())
    people[..., 1] = 0
    with pytest.raises(SampleError, match=r"Nothing says what is skin.*--natural-range"):
        solve(clip, SolveOptions(natural_range=False))
