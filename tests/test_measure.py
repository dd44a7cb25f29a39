"""Measurement: whole-number scopes and statistics against NumPy, SciPy and published bar angles."""

from __future__ import annotations

import math

import numpy as np
import pytest
import references
from inkarnat.kernels import measure, plot, strips
from inkarnat.kernels.errors import PictureError, ValueRangeError
from scipy import stats

BIN = {"ratio": 2 / measure.BINS, "luma": 2 / measure.BINS, "hue": 360 / measure.BINS}
PERCENTS = (1, 5, 25, 50, 75, 95, 99)


def skin_like(height=90, width=120, spread=6.0, noise=0.004, seed=1):
    """Skin tones round 121° with shading, and a soft round matte."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width]
    angle = np.radians(random.normal(121, spread, (height, width)))
    level = 0.15 + 0.6 * x / width
    cb, cr = 0.22 * level * np.cos(angle), 0.22 * level * np.sin(angle)
    rgb = np.stack([level + 1.5748 * cr, 0 * level, level + 1.8556 * cb], axis=-1)
    rgb[..., 1] = (level - 0.2126 * rgb[..., 0] - 0.0722 * rgb[..., 2]) / 0.7152
    matte = np.clip(2 - np.hypot(y - height / 2, x - width / 2) / 25, 0, 1)
    return (rgb + random.normal(0, noise, rgb.shape)).astype(np.float32), matte.astype(np.float32)


def weights_of(matte):
    """The fixed-point weight of every pixel: the matte in steps of 1/4096, halves up."""
    return np.floor(matte.astype(np.float32) * np.float32(4096) + np.float32(0.5)).astype(np.int64)


def oracle_percentiles(values, weights, percents):
    """numpy.percentile with weights, method "inverted_cdf" (Hyndman and Fan 1996, definition 1)."""
    keep = weights.ravel() > 0
    return np.percentile(
        values.ravel()[keep].astype(np.float64), percents, weights=weights.ravel()[keep], method="inverted_cdf"
    )


# --- scopes -------------------------------------------------------------------------------------------------


@pytest.mark.slice
def test_vectorscope_agrees_with_a_plain_histogram(picture, matte):
    """numpy.histogram2d of Cb and Cr (BT.709-6 item 3.3, float64); pixels on a bin's edge may fall on either side."""
    _, cb, cr = np.moveaxis(references.ycbcr(picture), -1, 0)
    edges = np.linspace(-0.5, 0.5, 65)
    inside = 0.5 - 1e-9
    expected, _, _ = np.histogram2d(
        np.clip(cr, -0.5, inside).ravel(),
        np.clip(cb, -0.5, inside).ravel(),
        [edges, edges],
        weights=weights_of(matte).ravel(),
    )
    result = measure.vectorscope(picture, matte, 64)
    assert result.dtype == np.uint64
    assert int(result.sum()) == weights_of(matte).sum()
    moved = np.abs(result.astype(np.int64) - expected.astype(np.int64)).sum() / 2
    assert moved <= 2 * measure.WEIGHT


def test_vectorscope_puts_the_bars_at_their_published_angles():
    """Angles of the 75 % bars in BT.709 Cb/Cr, computed from BT.709-6, rows angle.* of published.csv."""
    published = {
        (1, 1, 0): 174.76,
        (0, 1, 1): 282.91,
        (0, 1, 0): 229.68,
        (1, 0, 1): 49.68,
        (1, 0, 0): 102.91,
        (0, 0, 1): 354.76,
    }
    for rgb, angle in published.items():
        image = np.full((4, 4, 3), np.array(rgb) * 0.75, np.float32)
        counts = measure.vectorscope(image, size=1024)
        ((row, column),) = np.argwhere(counts)
        assert counts[row, column] == 16 * measure.WEIGHT
        centre = (np.array([column, row]) + 0.5) / 1024 - 0.5
        assert np.degrees(np.arctan2(centre[1], centre[0])) % 360 == pytest.approx(angle, abs=0.2)


def test_without_a_matte_every_pixel_counts_whole(picture, picture_rgba):
    ones = np.ones(picture.shape[:2], np.float32)
    assert np.array_equal(measure.vectorscope(picture), measure.vectorscope(picture, ones))
    assert np.array_equal(measure.vectorscope(picture_rgba), measure.vectorscope(picture_rgba[..., :3]))
    assert measure.tally(picture).area == picture.shape[0] * picture.shape[1]


# --- statistics ---------------------------------------------------------------------------------------------


@pytest.mark.slice
def test_circular_mean_is_the_one_of_directional_statistics():
    """Mardia and Jupp 2000, section 2.2, in float64; scipy.stats.circmean where all weights are equal."""
    image, matte = skin_like(40, 50)
    radians = np.radians(references.angle(image))
    vector = (np.exp(1j * radians) * weights_of(matte)).sum() / weights_of(matte).sum()
    angle, length = measure.circular_mean(image, matte)
    assert angle == pytest.approx(np.degrees(np.angle(vector)) % 360, abs=1e-4)
    assert length == pytest.approx(abs(vector), abs=1e-5)
    assert measure.circular_mean(image)[0] == pytest.approx(np.degrees(stats.circmean(radians)), abs=1e-4)


@pytest.mark.parametrize("black", [0.0, 0.05])
def test_ratio_median_is_the_weighted_median(black):
    """numpy.percentile with weights ("inverted_cdf"): within a bin, and the rounding of the weights."""
    image, matte = skin_like()
    y, cb, cr = np.moveaxis(references.ycbcr(image), -1, 0)
    weights = weights_of(matte) * np.maximum(y - black, 0)
    expected = [oracle_percentiles(c / (y - black), weights, 50) for c in (cb, cr)]
    np.testing.assert_allclose(measure.ratio_median(image, matte, black), expected, atol=3 * BIN["ratio"])


def test_lifted_blacks_break_the_ratio_and_the_black_level_mends_it():
    image, matte = skin_like(noise=0)
    lifted = (0.08 + 0.92 * image).astype(np.float32)
    true = measure.ratio_median(image, matte)
    assert abs(measure.ratio_median(lifted, matte)[1] - true[1]) > 0.02
    np.testing.assert_allclose(measure.ratio_median(lifted, matte, black=0.08), true, atol=1e-4)


def test_luma_percentiles_are_weighted_percentiles():
    """numpy.percentile with weights ("inverted_cdf"): within a bin."""
    image, matte = skin_like()
    expected = oracle_percentiles(references.luma(image), weights_of(matte), PERCENTS)
    np.testing.assert_allclose(measure.luma_percentiles(image, matte, PERCENTS), expected, atol=1.1 * BIN["luma"])


def test_hue_percentiles_are_weighted_percentiles():
    """numpy.percentile with weights matte × chroma: within a bin and the rounding of the weights."""
    image, matte = skin_like()
    _, cb, cr = np.moveaxis(references.ycbcr(image), -1, 0)
    expected = oracle_percentiles(references.angle(image), weights_of(matte) * np.hypot(cb, cr), PERCENTS)
    np.testing.assert_allclose(measure.hue_percentiles(image, matte, PERCENTS), expected, atol=8 * BIN["hue"])


@pytest.mark.parametrize("turn", [0, 60, 120, 200, 239, 300])
def test_hue_spread_is_the_standard_deviation_wherever_the_hue_lies(turn):
    """A normal spread of 6° reads 6°, across the seam at ±180° and at 0° too; sampling error of 10 800 pixels .07°."""
    image, _ = skin_like(spread=6.0, noise=0)
    y, cb, cr = np.moveaxis(references.ycbcr(image), -1, 0)
    turned = (cb + 1j * cr) * np.exp(1j * np.radians(turn))
    red, blue = y + 1.5748 * turned.imag, y + 1.8556 * turned.real
    green = (y - 0.2126 * red - 0.0722 * blue) / 0.7152
    rgb = np.stack([red, green, blue], axis=-1).astype(np.float32)
    assert measure.hue_spread(rgb) == pytest.approx(6.0, abs=0.2)
    middle = measure.hue_percentiles(rgb, None, [50])[0]
    assert abs((middle - 121 - turn + 180) % 360 - 180) < 0.3


@pytest.mark.slice
def test_black_level_is_what_the_darkest_parts_rest_on():
    """A lifted ramp with dead pixels below and noise: within .003 of the lift."""
    random = np.random.default_rng(2)
    levels = 0.07 + 0.8 * np.maximum(np.linspace(-0.2, 1, 12000), 0).reshape(100, 120)
    image = np.repeat(levels[..., None], 3, axis=2) + random.normal(0, 0.001, (100, 120, 3))
    image[3, 4:8] = 0
    image[5, 5] = np.nan
    assert measure.levels(image.astype(np.float32)).black() == pytest.approx(0.07, abs=0.003)
    assert measure.levels(np.full((2, 2, 3), -0.2, np.float32)).black() == 0
    assert measure.levels(np.full((2, 2, 3), np.nan, np.float32)).black() == 0


CORE = measure.Core(0.4, 0.1, 0.7, 0.9)


def hue_of(image):
    """Degrees 0 to 360 and chroma, float64: BT.709-6 item 3.3."""
    _, cb, cr = np.moveaxis(references.ycbcr(image[..., :3]), -1, 0)
    return np.degrees(np.arctan2(cr, cb)) % 360, np.hypot(cb, cr)


@pytest.mark.parametrize("channels", [3, 4])
@pytest.mark.parametrize("hue", [None, 110.0, -5.0, 475.0])
def test_the_core_is_what_a_plain_comparison_finds(make_picture, channels, hue):
    """The limits compared in float64; a pixel within 1e-4 of one may fall on either side."""
    image = make_picture(70, 530, channels)
    image[3, 4:9], image[60, 500, 1] = np.nan, np.inf
    matte = np.random.default_rng(3).random(image.shape[:2], dtype=np.float32)
    core = CORE._replace(hue=hue, reach=30.0)
    y, peak = references.luma(image[..., :3]), image[..., :3].max(axis=-1)
    off = np.abs((hue_of(image)[0] - (hue or 0) + 180) % 360 - 180)
    margins = [matte - 0.4, y - 0.1, 0.7 - y, 0.9 - peak] + ([30 - off] if hue is not None else [])
    least = np.minimum.reduce(margins)
    kept = measure.core_matte(image, matte, core)
    clear = np.abs(least) > 1e-4
    expected = np.where(least > 0, matte, 0)
    assert (expected > 0).sum() > 500
    np.testing.assert_array_equal(kept[clear], expected[clear])


@pytest.mark.parametrize("hue", [None, 110.0])
def test_a_tally_of_the_core_is_that_of_its_matte(make_picture, hue):
    image = make_picture(130, 300)
    matte = np.random.default_rng(3).random(image.shape[:2], dtype=np.float32)
    matte[:, 20:290] *= np.random.default_rng(4).random((130, 1), dtype=np.float32) > 0.5
    core = CORE._replace(hue=hue)
    first, second = (
        measure.tally(image, matte, 0.02, core),
        measure.tally(image, measure.core_matte(image, matte, core), 0.02),
    )
    assert first.area == second.area > 100
    assert (first.vector, first.hued) == (second.vector, second.hued)
    for name in ("u", "v", "hue"):
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name))


def test_degrees_are_counted_by_the_matte_alone():
    """numpy.bincount of the core's hue, float64; a pixel on a degree's edge may fall on either side."""
    image, matte = skin_like(150, 400, spread=50)
    hue, chroma = hue_of(image)
    y, kept = references.luma(image), measure.core_matte(image, matte, CORE)
    weights = np.where(chroma > 0.2 * y, kept, 0)
    expected = np.bincount(np.floor(hue).astype(int).ravel() % 360, weights.ravel(), 360)
    counts = measure.degree_counts(image, matte, CORE, 0.2) / 2**24
    assert counts.sum() == pytest.approx(expected.sum(), rel=1e-6)
    assert np.abs(counts - expected).sum() < 1e-3 * expected.sum()


def test_the_half_open_share_of_a_matte():
    matte = np.random.default_rng(3).random((130, 700), dtype=np.float32) ** 3
    half = matte[(matte > 0.15) & (matte < 0.85)].sum(dtype=np.float64)
    assert measure.soft_share(matte) == pytest.approx(half / matte.sum(dtype=np.float64), abs=1e-6)
    matte[:, 300:] = 0
    matte[5, 5] = np.nan
    assert measure.soft_share(matte) == pytest.approx(measure.soft_share(np.nan_to_num(matte)), abs=0)
    assert measure.soft_share(0 * matte[6:]) == 0
    assert measure.soft_share(np.ones((3, 3), np.float32)) == 0


def test_an_empty_matte_and_a_grey_picture_have_no_hue():
    image, matte = skin_like(20, 20)
    angle, length = measure.circular_mean(image, 0 * matte)
    assert math.isnan(angle)
    assert length == 0
    assert math.isnan(measure.hue_spread(image, 0 * matte))
    assert all(math.isnan(value) for value in measure.ratio_median(image, 0 * matte))
    grey = np.zeros((6, 6, 3), np.float32)
    assert math.isnan(measure.circular_mean(grey)[0])


# --- properties ---------------------------------------------------------------------------------------------


def everything(image, matte):
    tally = measure.tally(image, matte, 0.01)
    return [
        tally.u,
        tally.v,
        tally.hue,
        np.array([*tally.vector, tally.hued, tally.weight]),
        measure.levels(image, matte).keyed,
        measure.vectorscope(image, matte),
        np.array([*tally.circular_mean(), *tally.ratio_median(), tally.hue_spread(), measure.levels(image).black()]),
    ]


def test_threads_and_the_order_of_rows_do_not_change_a_bit(make_picture):
    image = make_picture(500, 67)
    matte = np.random.default_rng(0).random(image.shape[:2], dtype=np.float32)
    with strips.threads(1):
        expected = everything(image, matte)
    for count in (2, 3, 5, 16):
        with strips.threads(count):
            for first, second in zip(everything(image, matte), expected, strict=True):
                assert np.array_equal(first, second)
    for first, second in zip(everything(image[::-1], matte[::-1]), expected, strict=True):
        assert np.array_equal(first, second)


@pytest.mark.parametrize("place", [slice(0, 90), slice(256, 512), slice(300, 701), slice(700, 701)])
def test_what_is_passed_over_would_have_counted_nothing(make_picture, place):
    """A wide picture keyed in one place counts as what lies there alone does."""
    image, matte = make_picture(150, 701), np.zeros((150, 701), np.float32)
    matte[80:, place] = np.random.default_rng(2).random(matte[80:, place].shape, dtype=np.float32)
    cut, keyed = np.ascontiguousarray(image[80:, place]), np.ascontiguousarray(matte[80:, place])
    for first, second in zip(everything(image, matte)[:5], everything(cut, keyed)[:5], strict=True):
        assert np.array_equal(first, second)
    faint = np.maximum(matte, np.float32(1e-4))  # too little for a plot to count, but not passed over
    for signal in measure.COMPONENTS:
        first, second = (plot.level_counts(image, each, (40, 9), signal, 0, 1) for each in (matte, faint))
        assert first.any()
        assert np.array_equal(first, second)
    assert np.array_equal(plot.chroma_counts(image, matte, 64, 50), plot.chroma_counts(image, faint, 64, 50))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 3e38])
def test_a_bad_pixel_counts_nothing(picture, matte, bad):
    spoiled, without = picture.copy(), matte.copy()
    spoiled[5, 30, 0] = bad
    without[5, 30] = 0
    for first, second in zip(everything(spoiled, matte)[:-1], everything(picture, without)[:-1], strict=True):
        assert np.array_equal(first, second)
    matte[5, 30] = np.nan
    assert np.array_equal(measure.vectorscope(picture, matte), measure.vectorscope(picture, without))


@pytest.mark.parametrize(
    ("call", "error", "words"),
    [
        (lambda image: measure.vectorscope(image, size=8), ValueRangeError, "size"),
        (lambda image: measure.luma_percentiles(image, None, [101]), ValueRangeError, "percentage"),
        (lambda image: measure.tally(image, black=math.nan), ValueRangeError, "black level"),
        (lambda image: measure.tally(image, np.ones((3, 3), np.float32)), PictureError, "same size"),
        (lambda image: measure.tally(image[..., 0]), PictureError, "shape"),
    ],
)
def test_wrong_use_is_named(picture, call, error, words):
    with pytest.raises(error, match=words):
        call(picture)
