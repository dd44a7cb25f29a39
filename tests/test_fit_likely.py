"""The program that fits the judge of pixels: it collects by the product's own way, and the product keys by its fit."""

import importlib.util
import json
import threading

import fit_likely
import numpy as np
import pytest
from inkarnat.host_adapters.bench.scores import score_matte
from inkarnat.host_adapters.warm_up import warm_solvers
from inkarnat.kernels import likely
from inkarnat.nodes import learn_skin_key, study_skin
from numpy.testing import assert_allclose, assert_array_equal

SMALL = fit_likely.Setting(hidden=6, epochs=16, batch=128, changed=1)


@pytest.fixture(scope="module")
def portraits():
    return list(fit_likely.portraits(("cast", "mixed light"), 320, 180))[1:5:3]


@pytest.fixture(scope="module")
def seen(portraits):
    found = [(portrait, fit_likely.skin_map.NETWORK) for portrait in portraits]
    return fit_likely.collected(found, SMALL, [fit_likely.find_nobody])


@pytest.fixture
def put_in_place(tmp_path, monkeypatch):
    """Return a function that lets the product judge by a fit."""

    def put(text):
        (tmp_path / "fit.json").write_text(text, encoding="utf-8")
        monkeypatch.setattr(likely, "FIT", tmp_path / "fit.json")
        likely.fit.cache_clear()

    yield put
    likely.fit.cache_clear()


def test_every_marking_is_seen_with_the_truth_of_its_pixels(portraits, seen):
    first = [each for each in seen if each.group == seen[0].group]
    names = {each.marking for each in first}
    assert {*fit_likely.MARKINGS, "other point", "changed 0"} <= names
    assert {each.kind for each in seen} == {"alone"}
    share = float((portraits[0].truth > 0.5).mean())
    for each in first:
        assert each.figures.shape == (each.skin.size, len(each.names))
        if not each.marking.startswith("changed"):
            assert abs(float(each.skin.mean()) - share) < 0.01


def test_what_another_thread_learns_is_not_taken(portraits, monkeypatch):
    known, add = fit_likely.Marked(portraits[0]), fit_likely.samples_of(portraits[0], "stroke")
    alone, _ = fit_likely.seen_of(known, "stroke", add)

    def study(*given, **named):
        other = threading.Thread(target=warm_solvers)
        other.start()
        other.join()
        return study_skin(*given, **named)

    monkeypatch.setattr(fit_likely, "study_skin", study)
    beside, _ = fit_likely.seen_of(known, "stroke", add)
    assert_array_equal(beside.figures, alone.figures)


def test_means_over_cells_are_those_of_whole_blocks():
    plane = np.random.default_rng(1).random((12, 20)).astype(np.float32)
    expected = plane.reshape(3, 4, 5, 4).mean(axis=(1, 3))
    assert_allclose(fit_likely._reduced(plane, 3, 5), expected, rtol=1e-5)


def test_a_group_is_judged_by_networks_that_have_not_seen_it(seen):
    found = fit_likely.prove(seen, SMALL)
    assert found["stroke"] > 0.7
    turned = [fit_likely.replace(e, skin=~e.skin) if e.group == seen[0].group else e for e in seen]
    assert fit_likely.prove(turned, SMALL)["stroke"] < 0.3


def test_the_same_seed_fits_the_same_network_and_the_product_keys_by_it(portraits, seen, put_in_place):
    told = [fit_likely.fitted(seen, SMALL).packed(seen[0].names) for _ in range(2)]
    assert told[0] == told[1]
    put_in_place(json.dumps({"alone": told[0]}))
    network = fit_likely.fitted(seen, SMALL)
    assert_allclose(np.array(told[0]["inner"]), network.inner, rtol=1e-3)
    figures = {name: seen[0].figures[:, k].astype(np.float32) for k, name in enumerate(seen[0].names)}
    odds = np.clip(network.odds(seen[0].figures), -12, 12)
    assert_allclose(likely._judged(figures, likely.fit("alone")), 1 / (1 + np.exp(-odds)), atol=5e-3)
    for photo in portraits:
        matte = learn_skin_key(photo.image, fit_likely.samples_of(photo, "stroke")).process(photo.image)
        assert score_matte(matte, photo.truth, photo.ignore).f1 > 0.8


@pytest.mark.skipif(importlib.util.find_spec("cv2") is None, reason="faces are found by OpenCV")
def test_the_program_writes_what_the_product_reads(portraits, tmp_path, put_in_place, capsys):
    out = tmp_path / "likely.json"
    few = fit_likely.replace(SMALL, hidden=3, epochs=1, changed=0)
    fit_likely.main(str(out), setting=few, generated=portraits)
    told = capsys.readouterr().out
    kinds = [likely.kind_of(joins, seen) for joins in (False, True) for seen in (False, True)]
    before = {kind: likely.fit(kind) for kind in kinds}
    put_in_place(out.read_text(encoding="utf-8"))
    for kind, was in before.items():
        assert f"{kind}: 2 groups" in told
        assert_array_equal(sorted(likely.fit(kind).names), sorted(was.names))
        assert likely.fit(kind).inner.shape == (3, len(was.names) + 1)
