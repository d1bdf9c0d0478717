"""The intervals and tests of the report against published figures and SciPy."""

from __future__ import annotations

import pytest
from scipy import stats

from companion.report.counts import binomial, fisher, garwood, wilson


@pytest.mark.parametrize(
    ("hits", "tries", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_as_newcombe_prints_it(hits, tries, low, high):
    """Newcombe 1998, Statistics in Medicine 17, 857, table I, method 3 (from memory)."""
    assert wilson(hits, tries) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(
    ("hits", "low", "high"),
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.39)],
)
def test_garwood_as_tables_of_the_poisson_distribution_have_it(hits, low, high):
    """Pearson and Hartley, Biometrika Tables for Statisticians I, table 40 (from memory)."""
    assert garwood(hits, 1.0) == pytest.approx((low, high), rel=2e-3, abs=1e-12)
    assert garwood(hits, 4.0) == pytest.approx(
        (low / 4.0, high / 4.0), rel=2e-3, abs=1e-12
    )


def test_fisher_of_the_lady_tasting_tea():
    """Fisher, The Design of Experiments, 1935, chapter II: 3 of 4 cups right is 17 of 70, one-sided."""
    assert fisher(3, 4, 1, 4) == pytest.approx(2 * 17 / 70)


@pytest.mark.parametrize(
    ("a", "n", "b", "m"), [(0, 1, 3, 9), (8, 10, 1, 10), (5, 5, 0, 40), (2, 30, 2, 3)]
)
def test_fisher_and_binomial_as_scipy(a, n, b, m):
    assert fisher(a, n, b, m) == pytest.approx(
        stats.fisher_exact([[a, n - a], [b, m - b]]).pvalue
    )
    share = n / (n + m)
    if a + b:
        assert binomial(a, a + b, share) == pytest.approx(
            stats.binomtest(a, a + b, share).pvalue
        )


def test_the_intervals_hold_the_truth_about_as_often_as_they_say():
    """Wilson's interval holds the true share in 95 % of samples on the average over shares."""
    tries, inside = 25, 0.0
    shares = [i / 100 for i in range(5, 96, 5)]
    for share in shares:
        for hits in range(tries + 1):
            low, high = wilson(hits, tries)
            inside += stats.binom.pmf(hits, tries, share) * (low <= share <= high)
    assert inside / len(shares) == pytest.approx(0.95, abs=0.01)
