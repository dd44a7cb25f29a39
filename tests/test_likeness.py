"""Likeness: near a matte's edge, what is like the keyed side joins it, and what is like the other side leaves it."""

from __future__ import annotations

import numpy as np
import pytest
from inkarnat.kernels import face, join
from inkarnat.nodes import JoinFaces
from scipy import ndimage

SKIN, WALL, SHADE = (0.75, 0.52, 0.42), (0.35, 0.42, 0.5), (0.6, 0.43, 0.36)


def halves(size=(72, 96), edge=48, grain=0.01, seed=0):
    """Skin on the left of a wall: the picture and the true matte."""
    random = np.random.default_rng(seed)
    left = np.broadcast_to(np.arange(size[1]) < edge, size)
    picture = np.where(left[..., None], np.array(SKIN), np.array(WALL)) + random.normal(0, grain, (*size, 3))
    return picture.astype(np.float32), left.astype(np.float32)


def halved(plane):
    rows, columns = plane.shape
    return plane.reshape(rows // 2, 2, columns // 2, 2).mean(axis=(1, 3))


def enlarged(plane):
    return ndimage.zoom(plane, 2, order=1, mode="nearest", grid_mode=True)


def test_the_odds_are_those_of_two_gaussians_as_scipy_windows_them():
    picture, true = halves(seed=1)
    matte = ndimage.gaussian_filter(true, 3).astype(np.float32)
    cells = face.cells_of(picture)
    odds, fill = join.by_likeness(cells, matte)

    def window(plane, sigma):
        return enlarged(
            ndimage.gaussian_filter(halved(plane.astype(np.float64)), sigma / 2, mode="nearest", truncate=3)
        )

    luma = cells.luma.astype(np.float64)
    planes = cells.cb / (luma + 0.02), cells.cr / (luma + 0.02), np.log2(luma + 0.05) + 2
    shares, says = [], []
    for side in (matte > 0.8, matte < 0.1):
        share, log = window(side, join.WINDOW), 0
        for plane, least in zip(planes, (0.06, 0.06, 0.7), strict=True):
            mean = window(plane * side, join.WINDOW) / (share + 1e-9)
            spread = np.maximum(window(plane**2 * side, join.WINDOW) / (share + 1e-9) - mean**2, 0) + least**2
            log = log - 0.5 * ((plane - mean) ** 2 / spread + np.log(spread))
        shares.append(share)
        says.append(log)
    both = np.minimum(*shares)
    expected = np.clip(says[0] - says[1], -2, 2) * np.clip(both / 0.05, 0, 1)
    sure = both > 1e-3
    np.testing.assert_allclose(odds[sure], expected[sure], atol=0.02)
    assert np.abs(odds[both < 1e-6]).max() == 0

    odds64 = odds.astype(np.float64)
    moved = matte * np.exp(odds64) / (matte * np.exp(odds64) + 1 - matte)
    share = window(moved**2, join.NEAR_WINDOW)
    away = sum(
        ((plane - window(plane * moved**2, join.NEAR_WINDOW) / (share + 1e-9)) / width) ** 2
        for plane, width in zip(planes, (0.06, 0.06, 0.6), strict=True)
    )
    near = share > 1e-2
    np.testing.assert_allclose(fill[near], (0.9 * np.clip(2 * share, 0, 1) * np.exp(-0.5 * away))[near], atol=0.02)


def test_a_matte_that_stops_short_of_the_edge_reaches_it_and_one_that_spills_draws_back():
    picture, true = halves()
    cells = face.cells_of(picture)
    columns = np.arange(true.shape[1])
    for edge in (44, 52):  # four cells short of the skin's edge, four beyond
        soft = np.clip((edge + 3 - columns) / 6, 0, 1)
        matte = np.broadcast_to(soft, true.shape).astype(np.float32).copy()
        odds, fill = join.by_likeness(cells, matte)
        k = np.exp(odds)
        after = np.maximum(matte * k / (matte * k + 1 - matte), fill)
        assert np.abs(after - true).mean() < 0.75 * np.abs(matte - true).mean()
        assert after[:, 60:].max() < 0.02


def test_likeness_takes_in_the_shade_of_the_keyed_skin_and_no_wall():
    """A face whose shaded rim the key misses: with likeness much of it is keyed, and the wall stays as it was."""
    rows, columns = 180, 240
    y, x = np.mgrid[:rows, :columns]
    away = np.hypot((x - 120) / 45, (y - 90) / 60)
    random = np.random.default_rng(3)
    picture = np.where((away < 0.8)[..., None], SKIN, np.where((away < 1)[..., None], SHADE, WALL))
    picture = (picture + random.normal(0, 0.01, picture.shape)).astype(np.float32)
    matte = np.clip((0.86 - away) / 0.06, 0, 1).astype(np.float32)
    told = np.where(away < 0.5, 1, 0.5).astype(np.float32)  # a face known in the middle, and nothing of its rim
    plain, likely = (JoinFaces(-2.0, likeness=amount).process(matte, told, picture) for amount in (0.0, 1.0))
    shade, wall = (away > 0.86) & (away < 0.97), away > 1.1
    assert likely[shade].mean() > plain[shade].mean() + 0.2
    assert likely[wall].mean() <= plain[wall].mean() + 0.01


@pytest.mark.parametrize("shape", [(1, 1), (2, 3), (7, 90), (91, 5)])
def test_odd_sizes_nan_and_no_face_stay_finite_and_no_face_changes_nothing(shape):
    random = np.random.default_rng(5)
    picture = random.random((*shape, 3), np.float32)
    picture[0, 0] = np.nan
    matte = random.random(shape, np.float32)
    nothing = np.full(shape, 0.5, np.float32)
    everything = np.full(shape, 1.0, np.float32)
    node = JoinFaces(likeness=1.0)
    np.testing.assert_array_equal(node.process(matte, nothing, picture), matte)
    found = node.process(matte, everything, picture)
    assert np.isfinite(found).all()
    assert 0 <= found.min() <= found.max() <= 1
