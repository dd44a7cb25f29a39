"""Planes: components of interleaved pixels in and out, alpha multiplied in; against numpy's own indexing."""

from __future__ import annotations

import numpy as np
import pytest
from inkarnat.kernels import colour, planes, strips
from inkarnat.kernels.errors import PictureError

pytestmark = pytest.mark.slice

HEIGHT, WIDTH = 150, 37  # more than two strips
LAYOUTS = ["plain", "backwards", "gaps", "gaps backwards", "every other row"]


def laid(array: np.ndarray, layout: str) -> np.ndarray:
    """The same values with their rows in memory of another shape."""
    if layout == "every other row":
        return np.repeat(array, 2, axis=0)[::2]
    width = array.shape[1]
    wide = np.full((array.shape[0], width + 5 * ("gaps" in layout), *array.shape[2:]), 77, np.float32)
    view = wide[:, :width]
    view = view[::-1] if "backwards" in layout else view
    view[...] = array
    return view


def noise(*shape: int) -> np.ndarray:
    array = np.random.default_rng(2).random(shape, dtype=np.float32)
    array.reshape(-1)[:3] = np.nan, np.inf, -1.5
    array.view(np.uint32).reshape(-1)[3] = 0x7FC01234  # a payload that must survive
    return array


def bits(array: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(array).view(np.uint32)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize(("components", "taken"), [(1, 0), (3, 0), (4, 3)])
def test_the_plane_of_pixels(layout, components, taken):
    values = noise(HEIGHT, WIDTH, components)
    pixels = laid(values, layout)
    out = np.empty((HEIGHT, WIDTH), np.float32)
    for count in (1, 2):
        with strips.threads(count):
            assert np.array_equal(bits(planes.plane_of(pixels)), bits(values[..., taken]))
            assert planes.plane_of(pixels, out) is out
    assert np.array_equal(bits(out), bits(values[..., taken]))


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("components", [3, 4])
def test_a_plane_in_every_component(layout, components):
    plane = noise(HEIGHT, WIDTH)
    pixels = laid(np.zeros((HEIGHT, WIDTH, components), np.float32), layout)
    memory = pixels.base if pixels.base is not None else pixels
    outside = memory == 77
    planes.spread(laid(plane, layout), pixels)
    assert np.array_equal(bits(pixels), bits(np.repeat(plane[..., None], components, axis=2)))
    assert (memory[outside] == 77).all(), "what lies between the rows is not written"


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("components", [3, 4])
def test_a_plane_beside_the_colour(layout, components):
    colour, plane = noise(HEIGHT, WIDTH, components), noise(HEIGHT, WIDTH)
    pixels = laid(np.zeros((HEIGHT, WIDTH, 4), np.float32), layout)
    planes.put_beside(laid(colour, layout), laid(plane, layout), pixels)
    assert np.array_equal(bits(pixels), bits(np.concatenate([colour[..., :3], plane[..., None]], axis=2)))


def test_rows_in_pieces_are_refused():
    crossed = noise(WIDTH, HEIGHT, 4).transpose(1, 0, 2)
    assert not planes.has_whole_rows(crossed)
    assert not planes.has_whole_rows(np.zeros((4, 4, 4), np.float64))
    with pytest.raises(PictureError, match="pixels must be float32 with rows in one piece"):
        planes.plane_of(crossed)
    with pytest.raises(PictureError, match="must have the same size"):
        planes.spread(noise(4, 5), noise(5, 4, 4))


def test_opaque_pictures():
    picture = noise(HEIGHT, WIDTH, 4)
    picture[..., 3] = 1
    assert colour.is_opaque(picture)
    assert colour.is_opaque(picture[..., :3])
    for value in (0.0, 0.999, np.nan):
        picture[HEIGHT - 1, WIDTH - 1, 3] = value
        assert not colour.is_opaque(picture)


def test_multiplying_is_the_way_back_from_dividing():
    picture = np.random.default_rng(3).random((HEIGHT, WIDTH, 4), dtype=np.float32)
    picture[5, :9, 3] = 0
    divided = colour.unpremultiply(picture)
    colour.premultiply(divided)
    np.testing.assert_allclose(divided, picture, rtol=2e-7, atol=0)
    assert np.array_equal(divided[5, :9], picture[5, :9])
    plain = picture[..., :3].copy()
    colour.premultiply(plain)
    assert np.array_equal(plain, picture[..., :3])
    with pytest.raises(PictureError, match="C-contiguous"):
        colour.premultiply(picture[::-1])
