"""Keeping skin under a hard teal-and-orange grade: its hue comes back, the grade's luma stays, no rim appears."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import references
import scipy.ndimage as ndi
from inkarnat.host_adapters import workshop
from inkarnat.nodes import KeepSkin, Sample, SoftenMatte, learn_skin_key, measure_skin

DEPTHS = list(workshop.SKIN_DEPTHS)


def teal_and_orange(picture):
    """Shadows pushed to teal, highlights to orange, contrast and saturation raised: a hard look."""
    y = references.luma(picture)[..., None]
    warm = np.clip(1.6 * y - 0.2, 0, 1)
    tint = (1 - warm) * np.array([-0.12, 0.02, 0.10]) + warm * np.array([0.12, 0.01, -0.12])
    return ((picture - y) * 1.25 + np.clip((y - 0.5) * 1.35 + 0.5, 0, 1.05) + tint).astype(np.float32)


@cache
def case(depth):
    """Natural picture, graded picture, learned matte, true matte."""
    scene = workshop.portrait(depth, 3, 480, 270)
    natural = workshop.camera(scene.light, 3, noise=0.006)
    key = learn_skin_key(natural, [Sample.stroke(scene.places["stroke"], 0.015)])
    matte = SoftenMatte().process(key.process(natural), natural)
    return natural, teal_and_orange(natural), matte, scene.matte


def chroma(picture):
    return references.ycbcr(picture)[..., 1:]


def halo(kept, graded, true, rim=4):
    """How much colour the rim just outside the skin has lost to it: mean change of Cb/Cr there, in 8-bit codes."""
    away = ndi.distance_transform_edt(true <= 0)
    ring = (away > 0.5) & (away <= rim)
    return 224 * np.hypot(*np.moveaxis(chroma(kept) - chroma(graded), -1, 0))[ring].mean()


@pytest.mark.parametrize("depth", DEPTHS)
def test_the_natural_hue_comes_back_at_the_luma_of_the_grade(depth):
    natural, graded, matte, true = case(depth)
    before = measure_skin(natural, true).angle
    assert abs(measure_skin(graded, true).angle - before) > 4, "the look is a hard one"
    kept = KeepSkin(amount=1).process(graded, natural, matte)
    assert abs(measure_skin(kept, true).angle - before) < 2
    assert np.abs(references.luma(kept) - references.luma(graded)).max() <= 1e-4


@pytest.mark.parametrize("depth", DEPTHS)
def test_no_rim_appears_round_the_skin(depth):
    """With the true matte nothing outside changes; with a learned one less than a third of the grade's own step."""
    natural, graded, matte, true = case(depth)
    exact = KeepSkin(amount=1).process(graded, natural, true)
    np.testing.assert_array_equal(exact[true == 0], graded[true == 0])
    kept = KeepSkin(amount=1).process(graded, natural, matte)
    whole = halo(KeepSkin(amount=1).process(graded, natural, np.ones_like(true)), graded, true)
    assert halo(kept, graded, true) < 4
    assert halo(kept, graded, true) < whole / 2.5
    far = ndi.distance_transform_edt(true <= 0) > 12
    assert 224 * np.abs(chroma(kept) - chroma(graded))[far].mean() < 0.25


@pytest.mark.parametrize("depth", ["light", "dark"])
def test_no_colour_overshoots_at_the_edge(depth):
    """Through the soft edge the colour lies on the straight way from the graded to the natural one."""
    natural, graded, matte, _ = case(depth)
    whole = KeepSkin(amount=1).process(graded, natural, np.ones_like(matte))
    kept = KeepSkin(amount=1).process(graded, natural, matte)
    way = chroma(graded) + matte[..., None] * (chroma(whole) - chroma(graded))
    assert np.abs(chroma(kept) - way).max() < 1e-5


@pytest.mark.parametrize("depth", ["light", "dark"])
def test_the_default_goes_part_of_the_way(depth):
    natural, graded, matte, true = case(depth)
    angles = [measure_skin(p, true).angle for p in (graded, KeepSkin().process(graded, natural, matte), natural)]
    share = (angles[1] - angles[0]) / (angles[2] - angles[0])
    assert 0.25 < share < 0.75
    assert KeepSkin().amount == 0.6


def test_the_grade_may_keep_its_saturation():
    natural, graded, _, true = case("light")
    own, grades = (KeepSkin(1, saturation).process(graded, natural, true) for saturation in (1, 0))
    before, look = measure_skin(natural, true), measure_skin(graded, true)
    assert measure_skin(own, true).ratio == pytest.approx(before.ratio, rel=0.12)
    assert measure_skin(grades, true).ratio == pytest.approx(look.ratio, rel=0.1)
    assert abs(measure_skin(grades, true).angle - before.angle) < 2
