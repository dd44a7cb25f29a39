"""Tables of functions: accuracy beside the functions themselves, bad numbers, alpha, threads."""

from __future__ import annotations

import numpy as np
import pytest
from inkarnat.kernels import strips
from inkarnat.kernels.errors import ValueRangeError
from inkarnat.kernels.tables import table_of, through_table


def logarithm(values):
    """A camera-like curve: straight below 0.01, logarithmic above."""
    return np.where(values < 0.01, 5 * values + 0.09, 0.14 + 0.24 * np.log10((np.maximum(values, 0) + 0.01) / 0.02))


@pytest.fixture(scope="module")
def numbers():
    random = np.random.default_rng(2)
    spread = np.exp(random.uniform(-12, 4, (40, 50, 3))) * random.choice([-1, 1], (40, 50, 3), p=[0.1, 0.9])
    return spread.astype(np.float32)


@pytest.mark.slice
@pytest.mark.parametrize(
    ("function", "relative", "absolute"),
    [
        (lambda v: np.sign(v) * np.abs(v) ** 2.4, 2e-7, 0),
        (lambda v: np.sign(v) * np.abs(v) ** (1 / 2.4), 2e-7, 0),
        (logarithm, 2e-7, 4e-7),
        (lambda v: 10 ** (np.clip(v, -0.2, 1.2) / 0.25), 4e-6, 0),
    ],
    ids=["power", "root", "logarithm", "exponential"],
)
def test_a_table_is_its_function(numbers, function, relative, absolute):
    result = through_table(numbers, table_of(function))
    np.testing.assert_allclose(result, function(numbers.astype(np.float64)), rtol=relative, atol=absolute)


def test_places_of_the_table_are_exact():
    values = np.array([[[0.0, 0.5, 1.0], [-1.0, 0.25, 0.75]]], np.float32)
    table = table_of(lambda v: v * 3 + 0.1)
    np.testing.assert_array_equal(through_table(values, table), np.float32(values.astype(np.float64) * 3 + 0.1))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_bad_number_stays_alone_and_alpha_passes(bad):
    picture = np.full((5, 6, 4), 0.3, np.float32)
    picture[2, 3, 1] = bad
    picture[..., 3] = 0.7
    result = through_table(picture, table_of(np.sqrt))
    assert (result[..., 3] == picture[..., 3]).all()
    assert np.isfinite(np.delete(result.reshape(-1), (2 * 6 + 3) * 4 + 1)).all()


def test_any_thread_count_gives_the_same_bits(numbers, same_bits):
    tall, table = np.tile(numbers, (5, 1, 1)), table_of(logarithm)
    with strips.threads(1):
        expected = through_table(tall, table)
    with strips.threads(3):
        same_bits(through_table(tall, table), expected)


def test_another_array_is_no_table(numbers):
    with pytest.raises(ValueRangeError, match="must have 1048577 values"):
        through_table(numbers, np.zeros(4, np.float32))
