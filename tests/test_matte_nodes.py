"""Matte nodes: their parameters, what their steps do, and that proxies agree with full size."""

from __future__ import annotations

import json
import pickle

import cv2
import numpy as np
import pytest
import scipy.ndimage as ndi
from inkarnat.kernels import region
from inkarnat.kernels.clean import close_pinholes, levels, remove_specks
from inkarnat.kernels.colour import luma
from inkarnat.kernels.errors import PictureError
from inkarnat.kernels.gaussian import gaussian
from inkarnat.kernels.guided import guided
from inkarnat.kernels.morphology import grow, shrink
from inkarnat.nodes.declare import ParamError
from inkarnat.nodes.matte import CombineMattes, Region, SoftenMatte

NEUTRAL = {"specks": 0, "pinholes": 0, "position": 0, "follow": 0, "softness": 0, "floor": 0, "ceiling": 1}
NODES = [
    Region(),
    Region(shape="box", centre=(0.3, 0.6), width=0.2, height=0.4, rotation=30, feather=0.1, invert=True),
    Region(shape="polygon", points=((0.1, 0.1), (0.9, 0.2), (0.4, 0.8))),
    CombineMattes("subtract"),
    SoftenMatte(),
    SoftenMatte(position=-3, follow=0.2, invert=True),
]


def head(height=240, width=320):
    """A picture of a lit oval before a darker wall, with noise, and the oval's true matte."""
    true = region.ellipse((height, width), (0.5, 0.5), (0.5, 0.7), 10)
    colours = np.float32([0.25, 0.27, 0.3]) + true[..., None] * np.float32([0.4, 0.2, 0.1])
    noise = np.random.default_rng(0).normal(0, 0.02, (height, width, 3))
    return (colours + noise).astype(np.float32), true


def rough(true, seed=1):
    """The matte as a key might leave it: specks, pinholes, a jagged blurred edge."""
    random = np.random.default_rng(seed)
    wavy = ndi.gaussian_filter(random.normal(0, 1, true.shape), 2)
    matte = np.clip(gaussian(true, 3) + 1.2 * wavy * (4 * true * (1 - true) + 0.1), 0, 1)
    flipped = random.random(true.shape) < 0.004
    return np.where(flipped, 1 - matte, matte).astype(np.float32)


@pytest.mark.parametrize("node", NODES, ids=str)
def test_round_trip(node):
    again = type(node).from_config(json.loads(json.dumps(node.config())))
    assert again == node == pickle.loads(pickle.dumps(node))
    assert hash(again) == hash(node)


def test_ports():
    assert [port.kind for port in SoftenMatte.inputs().values()] == ["matte", "picture"]
    assert SoftenMatte.inputs()["guide"].optional
    assert list(CombineMattes.inputs()) == ["first", "second"]
    assert list(Region.inputs()) == ["image"]
    assert {node.output().kind for node in NODES} == {"matte"}


# --- region -------------------------------------------------------------------------------------------------


def test_region_draws_what_the_kernel_draws(same_bits, picture, picture_rgba):
    shape = picture.shape[:2]
    same_bits(Region().process(picture), region.ellipse(shape, (0.5, 0.5), (0.5, 0.5), 0, 0.05))
    box = Region(shape="box", centre=(0.2, 0.4), width=0.3, height=0.6, rotation=12, feather=0)
    same_bits(box.process(picture_rgba), region.box(shape, (0.2, 0.4), (0.3, 0.6), 12, 0))
    corners = ((0.1, 0.1), (0.9, 0.2), (0.4, 0.8))
    same_bits(Region(shape="polygon", points=corners).process(picture), region.polygon(shape, corners, 0.05))


def test_region_ignores_what_the_picture_shows(same_bits, picture):
    same_bits(Region().process(picture), Region().process(np.full_like(picture, np.nan)))


def test_region_turned_over(picture):
    assert np.allclose(Region(invert=True).process(picture), 1 - Region().process(picture), atol=1e-7)


def test_polygon_of_two_points_is_refused():
    with pytest.raises(ParamError, match=r"region\.points must be 3 points or more for a polygon, not 2"):
        Region(shape="polygon", points=((0, 0), (1, 1)))
    assert Region(points=()).shape == "ellipse"


# --- combine ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("operation", region.OPERATIONS)
def test_every_operation_is_offered(operation, matte, same_bits):
    other = matte[:, ::-1]
    same_bits(CombineMattes(operation).process(matte, other), region.join(matte, other, operation))
    assert tuple(CombineMattes.params()["operation"].options) == region.OPERATIONS


# --- soften -------------------------------------------------------------------------------------------------


def test_neutral_softening_only_limits(same_bits):
    matte = np.float32([[0, 0.3, 1, 1.5, -0.5, np.nan]])
    same_bits(SoftenMatte(**NEUTRAL).process(matte), np.float32([[0, 0.3, 1, 1, 0, 0]]))


@pytest.mark.parametrize(
    ("name", "value", "kernel"),
    [
        ("specks", 9, lambda matte: remove_specks(matte, 0.24 * 9)),
        ("pinholes", 9, lambda matte: close_pinholes(matte, 0.24 * 9)),
        ("position", 12.5, lambda matte: grow(matte, 3)),
        ("position", -12.5, lambda matte: shrink(matte, 3)),
        ("softness", 10, lambda matte: gaussian(matte, 2.4)),
        ("floor", 0.3, lambda matte: levels(matte, 0.3, 1)),
        ("ceiling", 0.6, lambda matte: levels(matte, 0, 0.6)),
        ("invert", True, lambda matte: levels(matte, 1, 0)),
        ("follow", 0.4, lambda matte: guided(matte, luma(head()[0]), 0.012 * 240, 4e-4, 0.4)),
    ],
)
def test_each_step_is_its_kernel(name, value, kernel, same_bits):
    image, true = head()
    matte = rough(true)
    same_bits(SoftenMatte(**{**NEUTRAL, name: value}).process(matte, image), kernel(matte))


def test_steps_run_in_the_order_of_the_parameters(same_bits):
    image, true = head()
    matte = rough(true)
    expected = close_pinholes(remove_specks(matte, 0.24 * 5), 0.24 * 6)
    expected = guided(grow(expected, 0.24 * 3), luma(image), 0.012 * 240, 4e-4, 0.5)
    expected = levels(gaussian(expected, 0.24 * 8), 0.9, 0.1)
    node = SoftenMatte(5, 6, 3, 0.5, 8, 0.1, 0.9, True)
    before = matte.copy()
    same_bits(node.process(matte, image), expected)
    same_bits(matte, before)


def test_default_softening_brings_a_rough_matte_nearer_the_truth():
    image, true = head()
    matte = rough(true)
    with_guide = SoftenMatte().process(matte, image)
    without = SoftenMatte().process(matte)
    assert np.abs(without - true).mean() < 0.8 * np.abs(matte - true).mean()
    assert np.abs(with_guide - true).mean() < 0.92 * np.abs(without - true).mean()


def test_default_softening_hardly_touches_a_good_matte():
    image, true = head()
    good = gaussian(true, 1)
    assert np.abs(SoftenMatte().process(good, image) - good).mean() < 0.004


def test_far_from_the_key_nothing_is_touched(same_bits):
    image, true = head()
    soft = SoftenMatte().process(true, image)
    outside = ndi.maximum_filter(true, 41) == 0
    inside = ndi.minimum_filter(true, 41) == 1
    assert outside.any()
    assert inside.any()
    same_bits(soft[outside], np.zeros(outside.sum(), np.float32))
    same_bits(soft[inside], np.ones(inside.sum(), np.float32))


@pytest.mark.parametrize(
    "node", [SoftenMatte(), SoftenMatte(position=6), SoftenMatte(position=-6, softness=12), SoftenMatte(specks=20)]
)
def test_proxy_agrees_with_full_size(node):
    _, true = head(480, 640)
    soft = gaussian(true, 3)
    guide = np.repeat((0.25 + 0.3 * gaussian(true, 2))[..., None], 3, axis=2)
    small = [cv2.resize(array, (320, 240), interpolation=cv2.INTER_AREA) for array in (soft, guide)]
    full = cv2.resize(node.process(soft, guide), (320, 240), interpolation=cv2.INTER_AREA)
    assert np.abs(node.process(*small) - full).max() < 0.08
    assert np.abs(node.process(*small) - full).mean() < 0.002


def test_bad_pixels_do_no_harm(same_bits):
    image, true = head()
    matte = rough(true)
    matte[10, 10] = 0
    expected = SoftenMatte().process(matte, image)
    matte[10, 10] = np.nan
    same_bits(SoftenMatte().process(matte, image), expected)
    image[100, 100] = np.nan
    matte[200, 60] = np.inf
    assert np.isfinite(SoftenMatte().process(matte, image)).all()


def test_floor_must_lie_below_the_ceiling():
    with pytest.raises(
        ParamError, match=r"soften_matte\.ceiling must lie above soften_matte\.floor \(0\.6\), not at 0\.4"
    ):
        SoftenMatte(floor=0.6, ceiling=0.4)


def test_guide_of_another_size_is_named(matte):
    with pytest.raises(PictureError, match="guide is 20×10 pixels"):
        SoftenMatte().process(matte, np.zeros((10, 20, 3), np.float32))


@pytest.mark.slice
def test_slice_of_the_matte_nodes():
    image, true = head(30, 40)
    matte = CombineMattes("subtract").process(true, Region(width=0.1, height=0.1).process(image))
    soft = SoftenMatte(specks=40, pinholes=30, position=20, softness=20).process(matte, image)
    assert soft.shape == (30, 40)
    assert soft.dtype == np.float32
    assert 0 <= soft.min() <= soft.max() <= 1
