"""OpenFX scopes: whole in every frame, the same at every render scale, alone or in a corner of the picture."""

from __future__ import annotations

import numpy as np
import PIL.Image
import pytest
from inkarnat.nodes import NODES
from ofx_host import HostImage, Stage
from ofx_host.bundles import loaded

SCOPES = {"vectorscope": (512, 512), "waveform": (768, 432)}


def picture(height: int, width: int) -> np.ndarray:
    """Soft shades of skin, wood and sky: what a smaller size shows as well."""
    y, x = np.mgrid[0:height, 0:width] / height
    wave = np.sin(9 * x)[..., None] * 0.06 + np.cos(7 * y)[..., None] * 0.05
    colour = np.where((x > 0.9)[..., None], [0.35, 0.42, 0.55], [0.66, 0.50, 0.42]) * (0.55 + 0.45 * y[..., None])
    return np.concatenate([np.clip(colour + wave, 0, 1), np.ones((height, width, 1))], axis=2).astype(np.float32)


def drawn(name: str, source: np.ndarray, scale: float = 1.0, aspect: float = 1.0, **values: float) -> np.ndarray:
    """Return what the effect renders, the top row first."""
    host, effects = loaded()
    instance = effects[name].instance(size=(source.shape[1] / scale, source.shape[0] / scale))
    for control, value in values.items():
        instance[control] = value
    lowest_first = np.ascontiguousarray(source[::-1])
    output = HostImage(np.full_like(lowest_first, 77), aspect=aspect)
    stage = Stage(output, {"Source": HostImage(lowest_first, aspect=aspect)}, scale=scale)
    assert instance.render(stage) == 0, host.messages
    assert not host.complaints
    return output.read()[::-1]


def extent(image: np.ndarray) -> tuple[int, int, int, int]:
    """Return the box (top, left, bottom, right) of what is not transparent."""
    rows, columns = (np.flatnonzero(image[..., 3].any(axis=axis)) for axis in (1, 0))
    return int(rows[0]), int(columns[0]), int(rows[-1]) + 1, int(columns[-1]) + 1


def halved(image: np.ndarray, factor: int) -> np.ndarray:
    size = (image.shape[1] // factor, image.shape[0] // factor)
    parts = [
        PIL.Image.fromarray(np.ascontiguousarray(image[..., c])).resize(size, PIL.Image.Resampling.BOX)
        for c in range(4)
    ]
    return np.stack([np.asarray(part) for part in parts], axis=2)


@pytest.mark.parametrize("name", SCOPES)
def test_a_large_frame_holds_the_scope_as_it_is(name):
    source = picture(720, 1280)
    got = drawn(name, source)
    width, height = SCOPES[name]
    top, left = (720 - height) // 2, (1280 - width) // 2
    assert extent(got) == (top, left, top + height, left + width)
    assert np.array_equal(got[top : top + height, left : left + width], NODES[name]().process(source))


@pytest.mark.parametrize("name", SCOPES)
@pytest.mark.parametrize("size", [(360, 640), (288, 352), (180, 320), (90, 160)])
def test_a_small_frame_holds_the_whole_scope(name, size):
    got = drawn(name, picture(*size))
    top, left, bottom, right = extent(got)
    assert 0 <= top <= bottom <= size[0]
    width, height = SCOPES[name]
    assert (bottom - top == size[0]) or (right - left == size[1]), "as large as the frame lets it"
    assert (right - left) / (bottom - top) == pytest.approx(width / height, rel=0.02)
    rim = got[top:bottom, left:right]
    assert (rim[..., 3] == 1).all()


@pytest.mark.parametrize("name", SCOPES)
@pytest.mark.parametrize("factor", [2, 4])
def test_a_proxy_shows_the_scope_of_the_full_size(name, factor):
    full = drawn(name, picture(720, 1280))
    proxy = drawn(name, halved(picture(720, 1280), factor), scale=1 / factor)
    smaller = halved(full, factor)
    differs = np.abs(proxy[..., :3] - smaller[..., :3]).max(axis=2) > 0.1
    inside = smaller[..., 3] > 0
    assert differs[inside].mean() < 0.03, f"{differs[inside].mean():.1%} of the pixels"


def test_pixels_that_are_not_square_leave_the_scope_round():
    got = drawn("vectorscope", picture(576, 720), aspect=2.0)
    top, left, bottom, right = extent(got)
    assert (right - left) == pytest.approx((bottom - top) / 2, abs=1)


@pytest.mark.parametrize("name", SCOPES)
@pytest.mark.parametrize(
    ("place", "right", "top"), [(1, False, True), (2, True, True), (3, False, False), (4, True, False)]
)
@pytest.mark.parametrize("scale", [1.0, 0.5])
def test_a_scope_in_a_corner_of_the_picture(name, place, right, top, scale):
    source = picture(int(720 * scale), int(1280 * scale))
    got = drawn(name, source, scale=scale, drawing_place=place, drawing_height=40.0)
    height, width = source.shape[:2]
    changed = np.abs(got - source).max(axis=2) > 0
    rows, columns = np.flatnonzero(changed.any(axis=1)), np.flatnonzero(changed.any(axis=0))
    assert len(rows) == pytest.approx(0.4 * height, abs=2)
    assert (rows[0] == 0, rows[-1] == height - 1) == (top, not top)
    assert (columns[-1] == width - 1, columns[0] == 0) == (right, not right)


def test_pictures_side_by_side_are_both_whole():
    _, effects = loaded()
    instance = effects["compare"].instance(size=(640.0, 360.0))
    options = list(NODES["compare"].params()["mode"].options)
    instance["mode"] = options.index("side_by_side")
    before, after = picture(360, 640), np.ascontiguousarray(picture(360, 640)[:, ::-1])
    output = HostImage(np.zeros_like(before))
    images = {"Source": HostImage(before[::-1].copy()), "Reference": HostImage(after[::-1].copy())}
    assert instance.render(Stage(output, images)) == 0
    got = output.read()[::-1]
    assert extent(got) == (90, 0, 270, 640)
    np.testing.assert_allclose(got[90:270, 320:], halved(after, 2), atol=0.6 * np.ptp(after))
    assert np.abs(got[100:260, 10:310, :3] - halved(before, 2)[10:170, 10:310, :3]).mean() < 0.02
