"""The fused sweeps against the single steps they stand for: the same bits, whatever the steps, threads and strips."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from inkarnat.host_adapters.bench.frames import skin_frame
from inkarnat.kernels import colour, fused, qualify, soften, steer, strips, tiles
from inkarnat.kernels.errors import PictureError, ValueRangeError
from inkarnat.nodes import CorrectSkin, SkinKey, SoftenMatte, SteerSkin

RANGES = ((80, 160), (0.05, 0.3), (0.1, 0.9), 0.1)
NATURAL = SkinKey().learned

STEPS = [
    fused.Softening(),
    fused.Softening(2, 1.5, 0.7, 4, 4e-4, 1.2, 0.02, 0.98),
    fused.Softening(3, 3, 1, 9, 4e-4),
    fused.Softening(0, 4, 0.5, 2, 4e-4, 7, 0.9, 0.1),
    fused.Softening(sigma=13, floor=0.1),
    fused.Softening(sigma=0.4),
    fused.Softening(specks=0.1, pinholes=0.1),
]


def picture(rows: int, columns: int, channels: int) -> np.ndarray:
    """A soft pattern of skin and other tones with noise, bad pixels and values beyond 0 to 1."""
    noise = np.random.default_rng(7).normal(0, 0.02, (rows, columns, channels))
    y, x = np.mgrid[0:rows, 0:columns]
    tones = [0.55 + 0.5 * np.sin(x / 30), 0.4 + 0.2 * np.sin(y / 20), 0.3 + 0.2 * np.sin((x + y) / 25), 0 * x + 0.5]
    image = (np.stack(tones[:channels], -1) + noise).astype(np.float32)
    image[5, 7], image[50, 9, 1] = np.nan, np.inf
    return image


def one_by_one(matte: np.ndarray, image: np.ndarray, steps: fused.Softening) -> np.ndarray:
    matte = soften.close_pinholes(soften.remove_specks(matte, steps.specks), steps.pinholes)
    if steps.follow:
        matte = soften.guided(matte, colour.luma(image), steps.radius, steps.epsilon, steps.follow)
    matte = soften.gaussian(matte, steps.sigma)
    return soften.levels(matte, steps.floor, steps.ceiling) if steps.levelled else matte


def sources(image: np.ndarray):
    plane = qualify.range_key(image, *RANGES)
    plane[::13, ::7] = np.nan
    yield plane, fused.from_plane(plane, image)
    yield qualify.range_key(image, *RANGES), fused.from_ranges(image, qualify.range_constants(*RANGES))
    form = NATURAL.centre, NATURAL.compact
    yield qualify.learned_key(image, *form), fused.from_edge(image, qualify.learned_edge(image, *form))


@pytest.mark.parametrize("steps", STEPS)
@pytest.mark.parametrize("shape", [(270, 481, 3), (131, 77, 4)])
def test_sweeps_give_the_bits_of_the_single_steps(shape, steps, same_bits):
    image = picture(*shape)
    for plane, source in sources(image):
        matte = one_by_one(plane, image, steps)
        same_bits(fused.soften_matte(source, steps), matte)
        seen = np.empty_like(matte)
        turned = fused.turn_skin(image, source, steps, 7, 1.2, matte=seen)
        same_bits(turned, steer.turn(image, matte, 7, 1.2))
        same_bits(seen, matte)


def frame_with_bad_pixels() -> np.ndarray:
    """The benchmarks' frame, with a hole of NaN in its wall and one in its skin, and values beyond white."""
    image = skin_frame(641, 363)
    image[20:40, 10:90], image[150:153, 260:270, 1], image[300:310, 100:300] = np.nan, np.inf, 7
    return image


@pytest.mark.parametrize("steps", STEPS)
def test_tiles_that_are_passed_over_keep_their_bits(steps, same_bits):
    image = frame_with_bad_pixels()
    for plane, source in sources(image):
        before = source.states.copy()
        matte = one_by_one(plane, image, steps)
        seen = np.empty_like(matte)
        same_bits(fused.turn_skin(image, source, steps, 7, 1.2, matte=seen), steer.turn(image, matte, 7, 1.2))
        same_bits(seen, matte)
        np.testing.assert_array_equal(source.states, before)


def test_every_kind_of_tile_is_found_and_is_what_it_is_called():
    image = frame_with_bad_pixels()
    plane = qualify.range_key(image, *RANGES)
    steps = dataclasses.replace(STEPS[1], specks=4)
    ready = fused._ready(fused.from_ranges(image, qualify.range_constants(*RANGES)), steps, plane.shape)
    matte = one_by_one(plane, image, dataclasses.replace(steps, sigma=0, floor=0, ceiling=1))
    assert set(np.unique(ready.states)) == {tiles.EMPTY, tiles.FULL, tiles.MIXED}
    for value, state in ((0, tiles.EMPTY), (1, tiles.FULL)):
        known = np.kron(ready.states == state, np.ones((tiles.ROWS, tiles.COLUMNS), bool))[:363, :641]
        assert (matte[known] == value).all()


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_threads_do_not_change_the_bits(threads, same_bits):
    image = picture(270, 481, 3)
    with strips.threads(1):
        once = [fused.turn_skin(image, source, STEPS[1], 7, 1.2) for _, source in sources(image)]
    with strips.threads(threads):
        again = [fused.turn_skin(image, source, STEPS[1], 7, 1.2) for _, source in sources(image)]
    for first, second in zip(once, again, strict=True):
        same_bits(first, second)


@pytest.mark.parametrize("position", [-6, 0, 6])
def test_the_soften_node_runs_its_steps_in_the_order_of_its_parameters(position, same_bits):
    image = picture(270, 481, 3)
    node = SoftenMatte(position=position, invert=position > 0)
    steps = node.steps(270, guided=True)
    plane = qualify.range_key(image, *RANGES)
    moved = soften.close_pinholes(soften.remove_specks(plane, steps.specks), steps.pinholes)
    if position:
        moved = (soften.grow if position > 0 else soften.shrink)(moved, abs(position) * 0.27)
    later = dataclasses.replace(steps, specks=0.0, pinholes=0.0)
    same_bits(node.process(plane, image), one_by_one(moved, image, later))


def test_correct_skin_gives_the_bits_of_its_nodes(same_bits):
    image = picture(270, 481, 3)
    matte = SoftenMatte(softness=2).process(SkinKey(width=0.1).process(image), image)
    steered = SteerSkin(angle=5, saturation=1.1, amount=0.8).process(image, matte)
    node = CorrectSkin(width=0.1, softness=2, angle=5, skin_saturation=1.1, amount=0.8)
    same_bits(node.process(image), steered)
    same_bits(node.process(image, np.ones(image.shape[:2], np.float32)), steered)


def test_what_cannot_be_softened_is_named():
    image = picture(131, 77, 3)
    plane = qualify.range_key(image, *RANGES)
    with pytest.raises(ValueRangeError, match="guide"):
        fused.soften_matte(fused.from_plane(plane), fused.Softening(follow=0.5))
    with pytest.raises(ValueRangeError, match="different"):
        fused.soften_matte(fused.from_plane(plane), fused.Softening(floor=0.5, ceiling=0.5))
    with pytest.raises(PictureError, match="size"):
        fused.from_plane(plane[:-1], image)
    with pytest.raises(PictureError, match="size"):
        fused.turn_skin(image, fused.from_plane(plane[:-1]), fused.Softening(), 5)
    with pytest.raises(PictureError, match="share memory"):
        fused.turn_skin(image, fused.from_plane(plane, image), fused.Softening(), 5, out=image)
