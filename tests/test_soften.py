"""Softening kernels: against scipy.ndimage and plain numpy, and as properties (bits, range, NaN, constants)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import references
import scipy.ndimage as ndi
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.kernels import box, clean, gaussian, guided, median, morphology, prefilter, resample, strips
from inkarnat.kernels.errors import PictureError, ValueRangeError
from skimage.data import astronaut

SHAPES = ((97, 131), (64, 64), (5, 7), (1, 9), (6, 1))


def enlarge(low, factor, shape):
    """A plane of a coarser grid at full size."""
    out = np.empty(shape, np.float32)
    strips.over_rows(resample.enlarge_strips, shape[0], low, out, factor, 0)
    return out


def split(image, factor=1):
    """Y′, Cb and Cr of a picture on a coarser grid, as the ratio filter takes them."""
    stage, planes, _ = prefilter._split(image, factor)
    strips.over_stages([stage])
    return planes


def noise(shape, seed=0):
    """Values round 0, the hardest input: no two neighbours agree."""
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


def black_and_white(shape, seed=0):
    return (noise(shape, seed) > 0).astype(np.float32)


def blobs(shape=(180, 260), softness=1.5, seed=4):
    """A matte of a few round areas with edges of that softness; without softness they are hard."""
    areas = ndi.gaussian_filter(noise(shape, seed).astype(np.float64), 14) > 0
    return (ndi.gaussian_filter(areas.astype(np.float64), softness) if softness else areas).astype(np.float32)


def scipy_gaussian(plane, sigma):
    return ndi.gaussian_filter(plane.astype(np.float64), sigma, mode="nearest", truncate=6)


def box_oracle(plane, radius):
    """Correlation with a window whose outermost taps carry the fraction of the radius."""
    whole = int(radius)
    taps = np.ones(2 * whole + 3)
    taps[[0, -1]] = radius - whole
    down = ndi.correlate1d(plane.astype(np.float64), taps / taps.sum(), 0, mode="nearest")
    return ndi.correlate1d(down, taps / taps.sum(), 1, mode="nearest")


def guided_oracle(plane, guide, radius, epsilon):
    """He, Sun, Tang 2013, algorithm 1, on the full grid."""
    plane, guide = plane.astype(np.float64), guide.astype(np.float64)

    def mean(array):
        return box_oracle(array, radius)

    slope = (mean(guide * plane) - mean(guide) * mean(plane)) / (mean(guide**2) - mean(guide) ** 2 + epsilon)
    offset = mean(plane) - slope * mean(guide)
    return np.clip(mean(slope) * guide + mean(offset), 0, 1)


def smoothstep(t):
    t = np.clip(t, 0, 1)
    return t * t * (3 - 2 * t)


# --- values -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("sigma", [0.3, 0.7, 1.0, 1.6, 2.1, 2.49])
def test_small_gaussian_against_scipy(shape, sigma):
    for plane in (black_and_white(shape), blobs(shape, 0)):
        assert np.abs(gaussian.gaussian(plane, sigma) - scipy_gaussian(plane, sigma)).max() < 0.0006


def edges_and_lines(phase, shape=(93, 120)):
    """Steps along, across and askew, a corner and lines 1 to 3 pixels wide, all moved to the right by a phase."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    right = x - 40 - phase
    lines = [(right >= 0) & (right < width) for width in (1, 2, 3)]
    planes = [right >= 0, y >= 41 + phase, x + y >= 90 + phase, (right >= 0) & (y >= 41), *lines]
    return [plane.astype(np.float32) for plane in planes]


HALVED = [(2.5, 0.003, 0.005), (3.24, 0.001, 0.002), (4.5, 0.0006, 0.001)]
"""σ, and the largest difference on mattes and on black-and-white noise."""


@pytest.mark.parametrize(("sigma", "mattes", "noises"), HALVED)
def test_halved_gaussian_against_scipy(sigma, mattes, noises):
    planes = [*edges_and_lines(0), *edges_and_lines(1), blobs((240, 361), 0), blobs((240, 361), 1.5)]
    for plane in planes:
        assert np.abs(gaussian.gaussian(plane, sigma) - scipy_gaussian(plane, sigma)).max() < mattes
    worst = black_and_white((241, 360))
    assert np.abs(gaussian.gaussian(worst, sigma) - scipy_gaussian(worst, sigma)).max() < noises


@pytest.mark.parametrize("sigma", [6, 8, 11.9])
def test_twice_halved_gaussian_against_scipy(sigma):
    for plane in (*edges_and_lines(0), *edges_and_lines(1), blobs((240, 361), 0), black_and_white((241, 360))):
        assert np.abs(gaussian.gaussian(plane, sigma) - scipy_gaussian(plane, sigma)).max() < 0.001


@pytest.mark.parametrize("sigma", [12, 17, 24, 47.9, 48, 100, 200])
def test_large_gaussian_against_scipy(sigma):
    for softness in (0, 1.5):
        matte = blobs((240, 360), softness)
        assert np.abs(gaussian.gaussian(matte, sigma) - scipy_gaussian(matte, sigma)).max() < 0.004
    worst = black_and_white((240, 360))
    assert np.abs(gaussian.gaussian(worst, sigma) - scipy_gaussian(worst, sigma)).max() < 0.01


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("sigma", [2.5, 3.2, 7, 13, 60])
def test_large_gaussian_keeps_to_the_edge_of_the_frame(shape, sigma):
    plane = np.zeros(shape, np.float32)
    plane[:, :1] = plane[-1:] = 1
    assert np.abs(gaussian.gaussian(plane, sigma) - scipy_gaussian(plane, sigma)).max() < 0.005


def test_gaussian_agrees_with_opencv():
    matte = blobs()
    for sigma, allowed in ((2.4, 0.0006), (3.2, 0.001)):
        theirs = cv2.GaussianBlur(matte, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
        assert np.abs(gaussian.gaussian(matte, sigma) - theirs).max() < allowed


def test_gaussian_of_zero_copies():
    plane = noise((9, 11))
    result = gaussian.gaussian(plane, 0)
    assert np.array_equal(result, plane)
    assert result is not plane


@pytest.mark.parametrize("sigma", [0.3, 0.7, 1.0, 1.3, 2.2, 3, 4.5, 5.03, 5.9, 7, 12, 33, 100])
@pytest.mark.parametrize("value", [0.0, 1.0])
def test_gaussian_keeps_black_and_white_exactly(sigma, value):
    plane = np.full((40, 50), value, np.float32)
    assert np.array_equal(gaussian.gaussian(plane, sigma), plane)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("radius", [1, 2, 3, 7, 8, 12, 25, 40])
def test_grow_and_shrink_equal_scipy(shape, radius):
    plane, size = noise(shape), 2 * radius + 1
    assert np.array_equal(morphology.grow(plane, radius), ndi.maximum_filter(plane, size, mode="nearest"))
    assert np.array_equal(morphology.shrink(plane, radius), ndi.minimum_filter(plane, size, mode="nearest"))


@pytest.mark.parametrize("radius", [0.25, 1.5, 4.75])
def test_grow_between_whole_radii_mixes_them(radius):
    plane, whole = noise((40, 50)), int(radius)
    near, far = (ndi.maximum_filter(plane, 2 * r + 1, mode="nearest") for r in (whole, whole + 1))
    expected = near + (radius - whole) * (far - near)
    assert np.allclose(morphology.grow(plane, radius), expected, atol=1e-6)
    assert np.array_equal(morphology.shrink(plane, radius), -morphology.grow(-plane, radius))


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("radius", [1, 2])
def test_median_equals_scipy(shape, radius):
    for plane in (noise(shape), black_and_white(shape), np.round(2 * noise(shape, 5))):
        expected = ndi.median_filter(plane, 2 * radius + 1, mode="nearest")
        assert np.array_equal(median.median(plane, radius), expected)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("radius", [1, 2, 3, 5, 8, 21])
def test_box_mean_against_scipy(shape, radius):
    plane = noise(shape)
    expected = ndi.uniform_filter(plane.astype(np.float64), 2 * radius + 1, mode="nearest")
    assert np.abs(box.box_mean(plane, radius) - expected).max() < 1e-6


@pytest.mark.parametrize("radius", [0.0625, 0.5, 1.25, 3.5, 6.9375])
def test_box_mean_of_a_fraction_counts_the_outermost_pixels_in_part(radius):
    plane = noise((41, 33))
    assert np.abs(box.box_mean(plane, radius) - box_oracle(plane, radius)).max() < 1e-6
    assert np.array_equal(box.box_mean(np.ones((9, 9), np.float32), radius), np.ones((9, 9), np.float32))


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("factor", [1, 2, 4, 8])
def test_decimate_is_the_mean_of_the_pixels_each_cell_has(shape, factor):
    plane = noise(shape)
    expected = [
        [plane[y : y + factor, x : x + factor].mean(dtype=np.float64) for x in range(0, shape[1], factor)]
        for y in range(0, shape[0], factor)
    ]
    assert np.abs(resample.decimated(plane, factor) - expected).max() < 1e-6


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("factor", [1, 2, 4, 8])
def test_enlarge_is_bilinear_between_cell_centres(shape, factor):
    low = noise(tuple(-(-size // factor) for size in shape))
    places = [(np.arange(size) + 0.5) / factor - 0.5 for size in shape]
    expected = ndi.map_coordinates(low.astype(np.float64), np.meshgrid(*places, indexing="ij"), order=1, mode="nearest")
    assert np.abs(enlarge(low, factor, shape) - expected).max() < 1e-6


def test_enlarge_agrees_with_opencv():
    low = noise((20, 30))
    theirs = cv2.resize(low, (120, 80), interpolation=cv2.INTER_LINEAR)
    assert np.abs(enlarge(low, 4, (80, 120)) - theirs).max() < 1e-5


def test_levels_are_a_straight_line():
    matte = np.array([[-0.5, 0.1, 0.2, 0.5, 0.8, 0.9, 1.5, np.nan]], np.float32)
    assert np.allclose(clean.levels(matte, 0.2, 0.8), [[0, 0, 0, 0.5, 1, 1, 1, 0]], atol=1e-6)
    assert np.allclose(clean.levels(matte, 0.8, 0.2), [[1, 1, 1, 0.5, 0, 0, 0, 0]], atol=1e-6)
    assert np.array_equal(clean.levels(matte)[0, [0, 6, 7]], [0, 1, 0])
    exact = np.array([[0, 1]], np.float32)
    assert np.array_equal(clean.levels(exact, 1, 0), 1 - exact)


def square(side, shape=(160, 160), inside=1.0):
    matte = np.full(shape, 1 - inside, np.float32)
    top, left = (size // 2 - side // 2 for size in shape)
    matte[top : top + side, left : left + side] = inside
    return matte


@pytest.mark.parametrize("size", [2, 5, 8, 14])
def test_specks_of_the_size_go_and_larger_ones_stay(size):
    assert clean.remove_specks(square(size), size).max() < 0.06
    assert clean.remove_specks(square(size), 0).max() == 1
    assert clean.remove_specks(square(2 * size + 1), size)[80, 80] > 0.94


@pytest.mark.parametrize("size", [2, 5, 8, 14])
def test_pinholes_of_the_size_close_and_larger_ones_stay(size):
    assert clean.close_pinholes(square(size, inside=0.0), size).min() > 0.94
    assert clean.close_pinholes(square(size, inside=0.0), 0).min() == 0
    assert clean.close_pinholes(square(int(1.6 * size) + 1, inside=0.0), size)[80, 80] < 0.1


@pytest.mark.parametrize("size", [0.8, 1.1])
def test_specks_and_pinholes_follow_their_formulas(size):
    matte = blobs((60, 80), 1.0)
    share = box_oracle(matte, round((size / np.sqrt(0.10) - 1) / 2 * 16) / 16)
    assert np.abs(clean.remove_specks(matte, size) - matte * smoothstep((share - 0.10) / 0.25)).max() < 1e-5
    share = box_oracle(matte, round((size / np.sqrt(0.18) - 1) / 2 * 16) / 16)
    expected = np.maximum(matte, smoothstep((share - 0.62) / 0.20))
    assert np.abs(clean.close_pinholes(matte, size) - expected).max() < 1e-5


def test_a_straight_edge_is_no_speck_and_no_pinhole():
    matte = np.zeros((120, 120), np.float32)
    matte[:, 60:] = 1
    assert np.array_equal(clean.remove_specks(matte, 6), matte)
    assert np.array_equal(clean.close_pinholes(matte, 6), matte)


def scene():
    """A soft matte and a guide that has the same areas, sharper and with 2 % noise."""
    matte = blobs((240, 360), 3.0)
    guide = 0.3 + 0.4 * blobs((240, 360), 1.0) + 0.02 * noise((240, 360), 9)
    return matte, guide.astype(np.float32)


@pytest.mark.parametrize("radius", [1, 2.5, 3])
def test_guided_filter_of_small_radius_equals_the_full_grid(radius):
    matte, guide = scene()
    assert np.abs(guided.guided(matte, guide, radius, 4e-4) - guided_oracle(matte, guide, radius, 4e-4)).max() < 3e-4


@pytest.mark.parametrize("radius", [4, 6, 8, 12, 20, 48])
def test_guided_filter_on_the_reduced_grid_stays_near_the_full_one(radius):
    matte, guide = scene()
    difference = guided.guided(matte, guide, radius, 4e-4) - guided_oracle(matte, guide, radius, 4e-4)
    assert np.abs(difference).max() < 0.07
    assert np.sqrt((difference**2).mean()) < 0.013


def test_guided_filter_smooths_the_matte_and_keeps_the_guide_s_edge():
    """The edge-preserving smoothing of the paper's section 3.3: noise goes, the step stays."""
    step = np.repeat(np.float32([[0.2] * 60 + [0.7] * 60]), 80, axis=0)
    matte = np.clip((step > 0.5) + 0.1 * noise(step.shape), 0, 1)
    led = guided.guided(matte, step, 10, 1e-4)
    assert led[:, 5:50].std() < 0.2 * matte[:, 5:50].std()
    assert led[:, 61].mean() - led[:, 58].mean() > 0.85
    assert gaussian.gaussian(matte, 5)[:, 61].mean() - gaussian.gaussian(matte, 5)[:, 58].mean() < 0.3


def test_guided_amount_mixes():
    matte, guide = scene()
    full, half = (guided.guided(matte, guide, 6, 4e-4, amount) for amount in (1.0, 0.5))
    assert np.allclose(half, (matte + full) / 2, atol=1e-6)
    assert np.array_equal(guided.guided(matte, guide, 6, 4e-4, 0.0), matte)


def test_guided_coefficients_apply_on_a_finer_grid():
    matte, guide = scene()
    coefficients = guided.guided_coefficients(resample.decimated(matte, 2), resample.decimated(guide, 2), 3, 4e-4)
    line = enlarge(coefficients[0], 2, guide.shape) * guide + enlarge(coefficients[1], 2, guide.shape)
    assert np.allclose(np.clip(line, 0, 1), guided.guided(matte, guide, 6, 4e-4), atol=1e-6)


def prefilter_oracle(image, factor=1, light=1.2, shadow=3.5, luma=0.7):
    """Smooth chroma in the light, its ratio to luma in shadow; written once more in float64 on the full grid."""
    ycc = references.ycbcr(image)
    cells = [
        plane.reshape(plane.shape[0] // factor, factor, -1, factor).mean((1, 3)) for plane in np.moveaxis(ycc, -1, 0)
    ]
    y, cb, cr = cells
    scale = image.shape[0] / 360 / factor
    smooth = scipy_gaussian(y, luma * scale)
    t = smoothstep((smooth - 0.09) / 0.18)
    planes = [smooth]
    for chroma in (cb, cr):
        ratio = scipy_gaussian(chroma / (np.maximum(y, 0) + 0.03), shadow * scale)
        planes.append(scipy_gaussian(chroma, light * scale) * t + ratio * (np.maximum(smooth, 0) + 0.03) * (1 - t))
    return planes


@pytest.mark.parametrize("factor", [1, 2])
def test_ratio_prefilter_against_a_plain_one(factor):
    image = np.ascontiguousarray(astronaut()[:480, :480] / 255.0, np.float32)
    for ours, plain in zip(prefilter.ratio_prefilter(image, factor), prefilter_oracle(image, factor), strict=True):
        assert np.abs(ours - plain).max() < 0.002


@pytest.mark.parametrize(("light", "shadow"), [(1.3125, 3.5), (4, 12), (20, 40)])
def test_ratio_prefilter_of_halved_planes_against_a_plain_one(light, shadow):
    """From σ 1.75 on chroma is halved: at edges of full contrast 0.005 is left, a step of 8 bits."""
    image = np.ascontiguousarray(astronaut()[:480, :480] / 255.0, np.float32)
    ours = prefilter.ratio_prefilter(image, 1, light, shadow)
    for plane, plain in zip(ours, prefilter_oracle(image, 1, light, shadow), strict=True):
        assert np.abs(plane - plain).max() < 0.005
        assert np.sqrt(np.square(plane - plain).mean()) < 0.0004


def test_ratio_prefilter_agrees_between_proxy_and_full_size():
    image = np.ascontiguousarray(astronaut()[:480, :480] / 255.0, np.float32)
    twice = cv2.resize(image, (960, 960), interpolation=cv2.INTER_LINEAR)
    for small, large in zip(prefilter.ratio_prefilter(image), prefilter.ratio_prefilter(twice, 2), strict=True):
        assert np.abs(small - large).mean() < 0.004


def test_ratio_prefilter_quietens_the_ratio_in_shadow():
    dark = np.float32([0.10, 0.07, 0.05]) + 0.01 * np.random.default_rng(2).standard_normal((180, 240, 3))
    y, _, cr = prefilter.ratio_prefilter(dark.astype(np.float32))
    before = references.ycbcr(dark)
    assert (cr / (y + 0.02)).std() < 0.2 * (before[..., 2] / (before[..., 0] + 0.02)).std()


def test_ycbcr_planes_are_bt709():
    """BT.709-6 items 3.2 and 3.3 through the oracle of references.py."""
    image = np.random.default_rng(1).random((16, 24, 4)).astype(np.float32)
    expected = references.ycbcr(image[..., :3])
    for index, plane in enumerate(split(image)):
        assert np.abs(plane - expected[..., index]).max() < 1e-6
    for index, plane in enumerate(split(image, 4)):
        assert np.abs(plane - expected[..., index].reshape(4, 4, 6, 4).mean((1, 3))).max() < 1e-6


# --- properties ---------------------------------------------------------------------------------------------

MODULES = (box, clean, gaussian, guided, median, morphology, prefilter, resample)
FILTERS = {
    "gaussian small": lambda plane: gaussian.gaussian(plane, 2.3),
    "gaussian half": lambda plane: gaussian.gaussian(plane, 3.2),
    "gaussian twice half": lambda plane: gaussian.gaussian(plane, 7.0),
    "gaussian quarter": lambda plane: gaussian.gaussian(plane, 13.0),
    "gaussian twice reduced": lambda plane: gaussian.gaussian(plane, 60.0),
    "box": lambda plane: box.box_mean(plane, 4),
    "box in part": lambda plane: box.box_mean(plane, 5.5),
    "grow": lambda plane: morphology.grow(plane, 6),
    "grow in part": lambda plane: morphology.grow(plane, 1.5),
    "shrink": lambda plane: morphology.shrink(plane, 3),
    "median 3": lambda plane: median.median(plane, 1),
    "median 5": lambda plane: median.median(plane, 2),
    "enlarge": lambda plane: enlarge(resample.decimated(plane, 8), 8, plane.shape),
}
MATTE_FILTERS = {
    "levels": lambda matte: clean.levels(matte, 0.1, 0.8),
    "specks small": lambda matte: clean.remove_specks(matte, 1),
    "specks": lambda matte: clean.remove_specks(matte, 6),
    "pinholes": lambda matte: clean.close_pinholes(matte, 6),
    "guided small": lambda matte: guided.guided(matte, blobs(matte.shape, 1.0), 2, 1e-3),
    "guided": lambda matte: guided.guided(matte, blobs(matte.shape, 1.0), 9, 1e-3, 0.8),
}
EVERY_FILTER = {**FILTERS, **MATTE_FILTERS}
RATIO = {
    "ratio": lambda plane: np.stack(prefilter.ratio_prefilter(np.stack([plane, plane / 2, -plane], -1), 2)),
    "ratio halved": lambda plane: np.stack(
        prefilter.ratio_prefilter(np.stack([plane, plane / 2, -plane], -1), 1, 4, 8)
    ),
    "ratio very wide": lambda plane: np.stack(
        prefilter.ratio_prefilter(np.stack([plane, plane / 2, -plane], -1), 1, 20, 40)
    ),
    "split": lambda plane: np.stack(split(np.stack([plane, plane / 2, -plane], -1), 8)),
}


def cut_into(strip):
    """Stand in for over_rows with strips of that many rows, whatever the filter asks for."""

    def over_rows(kernel, rows, *arguments, **_):
        strips.over_rows(kernel, rows, *arguments, strip=strip)

    return over_rows


def cut_stages_into(strip):
    """Stand in for over_stages likewise."""

    def over_stages(stages):
        strips.over_stages([stage._replace(strip=strip) for stage in stages])

    return over_stages


@pytest.mark.parametrize("name", [*EVERY_FILTER, *RATIO])
def test_same_bits_for_any_threads_and_strips(name, same_bits, monkeypatch):
    run = {**EVERY_FILTER, **RATIO}[name]
    plane = noise((173, 211), 6)
    with strips.threads(1):
        expected = run(plane)
    with strips.threads(2):
        same_bits(run(plane), expected)
    for strip in (1, 7, 400):
        for module in MODULES:
            monkeypatch.setattr(module, "over_rows", cut_into(strip), raising=False)
            monkeypatch.setattr(module, "over_stages", cut_stages_into(strip), raising=False)
        same_bits(run(plane), expected)
        with strips.threads(3):
            same_bits(run(plane), expected)


@pytest.mark.parametrize("name", EVERY_FILTER)
def test_input_is_kept_and_any_strides_are_read(name, same_bits):
    plane = blobs((60, 70))
    before = plane.copy()
    straight = EVERY_FILTER[name](plane)
    same_bits(plane, before)
    wide = np.zeros((60, 140), np.float32)
    wide[:, ::2] = plane
    same_bits(EVERY_FILTER[name](wide[:, ::2]), straight)


@pytest.mark.parametrize("name", EVERY_FILTER)
@pytest.mark.parametrize("value", [0.0, 0.3, 1.0])
def test_constant_stays_constant(name, value):
    result = EVERY_FILTER[name](np.full((70, 90), value, np.float32))
    expected = np.clip((value - 0.1) / 0.7, 0, 1) if name == "levels" else value
    if name.startswith("specks"):
        expected = value * smoothstep((value - 0.10) / 0.25)
    assert np.abs(result - expected).max() < 1e-6


@given(st.integers(0, 2**32 - 1), st.sampled_from(sorted(FILTERS)))
def test_results_stay_between_the_smallest_and_largest_value(seed, name):
    plane = noise((30, 41), seed)
    result = FILTERS[name](plane)
    assert plane.min() - 1e-5 <= result.min()
    assert result.max() <= plane.max() + 1e-5


@given(st.integers(0, 2**32 - 1), st.sampled_from(sorted(MATTE_FILTERS)))
def test_mattes_stay_between_0_and_1(seed, name):
    result = MATTE_FILTERS[name](3 * noise((30, 41), seed))
    assert result.min() >= 0
    assert result.max() <= 1


MONOTONIC = sorted(set(EVERY_FILTER) - {"guided", "guided small"})


@given(st.integers(0, 2**32 - 1), st.sampled_from(MONOTONIC))
def test_more_matte_in_is_never_less_out(seed, name):
    """True of every filter but the guided one, whose coefficients may turn round."""
    random = np.random.default_rng(seed)
    plane = random.random((30, 41), np.float32)
    more = plane + random.random((30, 41), np.float32) * (random.random((30, 41)) > 0.7)
    assert (EVERY_FILTER[name](more.astype(np.float32)) >= EVERY_FILTER[name](plane) - 1e-6).all()


@given(st.integers(0, 2**32 - 1), st.floats(0, 9))
def test_grow_and_shrink_enclose_the_matte(seed, radius):
    plane = noise((20, 27), seed)
    assert (morphology.grow(plane, radius) >= plane).all()
    assert (morphology.shrink(plane, radius) <= plane).all()


REACH = {
    "gaussian small": 3.5 * 2.3 + 2,
    "gaussian half": 6 * 3.2 + 8,
    "gaussian twice half": 6 * 7 + 8,
    "gaussian quarter": 6 * 13 + 8,
    "box": 4,
    "box in part": 6,
    "grow": 6,
    "grow in part": 2,
    "shrink": 3,
    "median 3": 1,
    "median 5": 2,
    "enlarge": 20,
}


def far_from(shape, y, x, reach):
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    return np.maximum(abs(rows - y), abs(columns - x)) > reach


@pytest.mark.parametrize("name", REACH)
@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_bad_pixel_stays_within_the_reach(name, bad, same_bits):
    plane = noise((260, 250))
    clean = FILTERS[name](plane)
    plane[120, 131] = bad
    result = FILTERS[name](plane)
    far = far_from(plane.shape, 120, 131, REACH[name])
    assert far.any()
    same_bits(result[far], clean[far])


@pytest.mark.parametrize("name", MATTE_FILTERS)
def test_nan_in_a_matte_counts_as_0(name, same_bits):
    matte = blobs((60, 70))
    matte[20:24, 30] = 0
    expected = MATTE_FILTERS[name](matte)
    matte[20:24, 30] = np.nan
    same_bits(MATTE_FILTERS[name](matte), expected)


def test_bad_pixel_in_a_guide_counts_as_black(same_bits):
    matte, guide = scene()
    guide[50, 60] = 0
    expected = guided.guided(matte, guide, 9, 1e-3)
    guide[50, 60] = np.nan
    same_bits(guided.guided(matte, guide, 9, 1e-3), expected)


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_bad_pixel_in_a_picture_counts_as_black(bad, same_bits, make_picture):
    image = make_picture(40, 56)
    image[12, 13] = 0
    expected = np.stack(prefilter.ratio_prefilter(image))
    image[12, 13, 1] = bad
    same_bits(np.stack(prefilter.ratio_prefilter(image)), expected)


@pytest.mark.parametrize("name", sorted(set(EVERY_FILTER) - {"gaussian twice reduced"}))
def test_zero_far_from_the_matte_stays_exactly_zero(name, same_bits):
    matte = np.zeros((200, 220), np.float32)
    matte[:20, :20] = np.random.default_rng(0).random((20, 20), np.float32)
    result = EVERY_FILTER[name](matte)
    same_bits(np.ascontiguousarray(result[110:, 110:]), np.zeros((90, 110), np.float32))


@pytest.mark.parametrize("name", [name for name in EVERY_FILTER if name != "enlarge"])
def test_out_receives_the_result(name, same_bits):
    matte = blobs((50, 60))
    call = {
        "gaussian": lambda out: gaussian.gaussian(matte, 7, out=out),
        "box": lambda out: box.box_mean(matte, 4, out=out),
        "grow": lambda out: morphology.grow(matte, 1.5, out=out),
        "shrink": lambda out: morphology.shrink(matte, 2, out=out),
        "median": lambda out: median.median(matte, 1, out=out),
        "levels": lambda out: clean.levels(matte, out=out),
        "specks": lambda out: clean.remove_specks(matte, 3, out=out),
        "pinholes": lambda out: clean.close_pinholes(matte, 3, out=out),
        "guided": lambda out: guided.guided(matte, matte, 3, 0.01, out=out),
    }[name.split()[0]]
    out = np.full_like(matte, 7)
    assert call(out) is out
    same_bits(out, call(None))
    with pytest.raises(PictureError, match="share memory"):
        call(matte)


# --- errors -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda p: gaussian.gaussian(p, -1), "sigma must lie from 0 to 4096, not -1"),
        (lambda p: gaussian.gaussian(p, float("nan")), "sigma .* not nan"),
        (lambda p: box.box_mean(p, 5000), "radius .* not 5000"),
        (lambda p: morphology.grow(p, -0.5), "radius .* not -0.5"),
        (lambda p: median.median(p, 3), "radius must be 1 or 2, not 3"),
        (lambda p: clean.levels(p, 0.5, 0.5), "two different numbers, not 0.5 and 0.5"),
        (lambda p: clean.remove_specks(p, -1), "size .* not -1"),
        (lambda p: guided.guided(p, p, 4, 0), "epsilon must lie from 1e-06 to 1, not 0"),
        (lambda p: guided.guided(p, p, 4, 0.1, 2), "amount .* not 2"),
        (lambda p: prefilter.ratio_prefilter(np.ones((4, 4, 3), np.float32), 1, shadow=-2), "σ of `shadow` .* not -2"),
    ],
)
def test_number_out_of_range_is_named(call, words):
    with pytest.raises(ValueRangeError, match=words):
        call(np.zeros((8, 8), np.float32))


def test_wrong_sizes_are_named():
    plane = np.zeros((8, 9), np.float32)
    with pytest.raises(PictureError, match="guide is 8×8 pixels"):
        guided.guided(plane, plane[:, :8], 4, 0.1)
    with pytest.raises(PictureError, match="integer codes"):
        gaussian.gaussian(np.zeros((8, 8), np.uint8), 1)


# --- without compilation ------------------------------------------------------------------------------------


@pytest.mark.slice
@pytest.mark.parametrize("shape", [(11, 14), (1, 5)])
def test_slice_against_scipy(shape):
    plane = noise(shape, 8)
    assert np.abs(gaussian.gaussian(plane, 1.1) - scipy_gaussian(plane, 1.1)).max() < 0.0006
    assert np.abs(gaussian.gaussian(plane, 7) - scipy_gaussian(plane, 7)).max() < 0.03
    assert np.abs(box.box_mean(plane, 2.5) - box_oracle(plane, 2.5)).max() < 1e-6
    for radius in (1, 2, 9):
        expected = ndi.maximum_filter(plane, 2 * radius + 1, mode="nearest")
        assert np.array_equal(morphology.grow(plane, radius), expected)
    for radius in (1, 2):
        expected = ndi.median_filter(plane, 2 * radius + 1, mode="nearest")
        assert np.array_equal(median.median(plane, radius), expected)
    assert np.array_equal(morphology.shrink(plane, 0.5), -morphology.grow(-plane, 0.5))


@pytest.mark.slice
def test_slice_of_the_matte_filters():
    matte = blobs((16, 24), 1.0)
    guide = 0.5 * matte + 0.2
    assert np.abs(guided.guided(matte, guide, 2, 0.01) - guided_oracle(matte, guide, 2, 0.01)).max() < 1e-4
    for name in ("levels", "specks", "pinholes", "guided"):
        result = MATTE_FILTERS[name](matte)
        assert result.dtype == np.float32
        assert result.min() >= 0
        assert result.max() <= 1
    image = np.random.default_rng(3).random((16, 24, 3)).astype(np.float32)
    for ours, plain in zip(prefilter.ratio_prefilter(image, 2), prefilter_oracle(image, 2), strict=True):
        assert np.abs(ours - plain).max() < 1e-4
