"""Robust sums against SciPy and NumPy."""

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from fullhide import robust


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(5)


@pytest.mark.parametrize("count", [1, 9, 1001])
def test_median_and_spread_are_scipys(rng: np.random.Generator, count: int) -> None:
    # Odd numbers, whose median is one of them; scipy.stats.median_abs_deviation.
    values = rng.normal(3.0, 2.0, (3, count))
    middle = robust.median(values)
    np.testing.assert_array_equal(middle, np.median(values, axis=1))
    expected = scipy.stats.median_abs_deviation(values, axis=1, scale="normal")
    np.testing.assert_allclose(robust.spread(values, middle), expected, rtol=1e-4)


def test_of_an_even_number_the_upper_middle_is_the_median() -> None:
    assert robust.median(np.array([4.0, 1.0, 3.0, 2.0])) == 3.0


@given(st.lists(st.floats(-1e3, 1e3, width=32), min_size=1, max_size=40))
def test_median_lies_between_the_quarter_and_three_quarter_marks(values: list[float]) -> None:
    middle = float(robust.median(np.array(values)))
    below = sum(v < middle for v in values)
    above = sum(v > middle for v in values)
    assert max(below, above) <= len(values) / 2 + 0.5


def test_covariance_without_outliers_is_numpys(rng: np.random.Generator) -> None:
    root = np.array([[1.0, 0, 0], [0.7, 0.4, 0], [0.2, -0.1, 0.1]])
    values = root @ rng.normal(size=(3, 40_000))
    # Clipping at chi-square 0.999 takes a little of the tails: 1.4 % of a variance
    # (scipy.stats.chi2: E[d²; d² < 16.27] / 3 = F5(16.27)).
    share = scipy.stats.chi2.cdf(16.27, 5) / scipy.stats.chi2.cdf(16.27, 3)
    np.testing.assert_allclose(robust.covariance(values), share * np.cov(values), atol=0.01)


def test_outliers_do_not_move_the_covariance(rng: np.random.Generator) -> None:
    clean = rng.normal(size=(3, 20_000))
    spoilt = clean.copy()
    spoilt[:, :1500] += 30.0
    difference = robust.covariance(spoilt) - robust.covariance(clean)
    assert np.abs(difference).max() < 0.03


@pytest.mark.parametrize("count", [0, 1, 5])
def test_covariance_of_too_few_is_the_unit_matrix(count: int) -> None:
    np.testing.assert_array_equal(robust.covariance(np.zeros((3, count))), np.eye(3))


def test_fit_without_outliers_is_numpys_least_squares(rng: np.random.Generator) -> None:
    terms = rng.normal(size=(500, 3))
    values = np.stack([terms @ (1.0, -2.0, 0.5), terms @ (0.0, 3.0, 1.0)])
    values += rng.uniform(-0.1, 0.1, values.shape)  # no tails: nothing is left out
    expected = np.linalg.lstsq(terms, values.T)[0]
    np.testing.assert_allclose(robust.fit(terms, values, times=4.0), expected, atol=1e-9)


def test_a_fifth_of_outliers_leaves_the_fit_alone(rng: np.random.Generator) -> None:
    terms = np.stack([np.ones(400), np.linspace(-1, 1, 400)], axis=1)
    values = (terms @ (2.0, 0.3) + rng.normal(0, 0.01, 400))[None]
    values[0, ::5] += 5.0
    np.testing.assert_allclose(robust.fit(terms, values, rounds=8)[:, 0], (2.0, 0.3), atol=0.01)


def test_too_few_samples_give_no_fit() -> None:
    found = robust.fit(np.ones((5, 2)), np.ones((1, 5)))
    np.testing.assert_array_equal(found, np.zeros((2, 1)))
