"""The map of bare skin: the network that draws it, and what a key learns from it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import skimage.data
from inkarnat.host_adapters.detect import person, skin
from inkarnat.host_adapters.detect.faces import find_face_mattes
from inkarnat.kernels import skin as kernel
from inkarnat.kernels.errors import PictureError
from inkarnat.nodes import Sample, bare_skin_of, judge_matte, persons_of, study_skin

needs_network = pytest.mark.skipif(not person.available(), reason="the extra [faces] is not installed")

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
@pytest.mark.parametrize("content", [b"", b"no network", None])
def test_a_damaged_network_gives_one_clear_error(tmp_path, content):
    damaged = tmp_path / "skin.onnx"
    damaged.write_bytes(skin.NETWORK.read_bytes()[:100_000] if content is None else content)
    with pytest.raises(skin.SkinError, match=r"skin\.onnx.*install Inkarnat again"):
        skin.find_people(np.zeros((8, 8, 3), np.float32), network=damaged)


def test_another_shape_is_no_map_of_people():
    for shape in ((9, 16, 3), (9,), (0, 4)):
        with pytest.raises(PictureError):
            persons_of(np.zeros(shape, np.float32))
    assert bare_skin_of(np.zeros((9, 16), np.float32)) is None


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


def test_a_picture_asked_about_again_is_not_looked_at_again(monkeypatch):
    from inkarnat.host_adapters.detect import skin

    asked: list[tuple[int, ...]] = []
    forward = skin._asked
    monkeypatch.setattr(skin, "_asked", lambda picture, *rest: asked.append(picture.shape) or forward(picture, *rest))
    picture = np.random.default_rng(7).random((90, 120, 3), dtype=np.float32)
    person = np.full((90, 120), 0.5, np.float32)
    first, again = skin.find_bare_skin(picture, person), skin.find_bare_skin(picture, person)
    np.testing.assert_array_equal(first, again)
    assert len(asked) == 4, "two sizes, each mirrored"
    picture[40, 60] = 0
    assert (skin.find_bare_skin(picture, person) != first).any()
    assert len(asked) == 8, "another picture is"
    monkeypatch.setattr(skin, "_REMEMBERED", 3)
    for number in range(2):
        other = np.random.default_rng(number).random((8, 8, 3), dtype=np.float32)
        skin.find_bare_skin(other, np.ones((8, 8), np.float32))
    assert len(skin._answers) == 3, "the last ones"
