"""Intervals and differences against published tables and reference libraries."""

from __future__ import annotations

import math

import pytest
from scipy import stats
from statsmodels.stats.weightstats import ttest_ind

from benchwarden.parts.intervals import difference, spread_interval, tolerance_factor

# Two-sided factors, 95 % confidence, n 4 to 10: P. M. Berthouex and L. C. Brown, Statistics for Environmental
# Engineers, table 21.1. Howe's approximation is within 2.5 % of them.
TABLE = {
    0.90: [5.37, 4.29, 3.73, 3.39, 3.16, 2.99, 2.86],
    0.95: [6.34, 5.08, 4.42, 4.02, 3.75, 3.55, 3.39],
    0.99: [8.22, 6.60, 5.76, 5.24, 4.89, 4.63, 4.44],
}


def test_the_published_example_of_a_spread_interval() -> None:
    # NIST/SEMATECH e-Handbook 1.3.5.8, gear diameters: n 100, s 0.006278908; 95 % limits 0.00551 and 0.00729
    # as in the worked example of the Boost Math Toolkit, "Confidence Intervals on the Standard Deviation".
    low, high = spread_interval(0.006278908, 100)
    assert (low, high) == (pytest.approx(0.00551, abs=5e-6), pytest.approx(0.00729, abs=6e-6))
    low, high = spread_interval(0.006278908, 100, 0.99)
    assert (low, high) == (pytest.approx(0.00530, abs=5e-6), pytest.approx(0.00766, abs=6e-6))


def test_the_published_example_of_a_tolerance_factor() -> None:
    # NIST/SEMATECH e-Handbook 7.2.6.3: 43 wafers, 90 % of the stock with 99 % confidence: 2.2173 (from memory).
    assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(2.2173, abs=1e-4)


@pytest.mark.parametrize("coverage", TABLE)
def test_tolerance_factors_are_those_of_the_table(coverage: float) -> None:
    found = [tolerance_factor(n, coverage, 0.95) for n in range(4, 11)]
    assert found == pytest.approx(TABLE[coverage], rel=0.025)


@pytest.mark.parametrize("count", [0, 1])
def test_one_reading_has_no_spread(count: int) -> None:
    with pytest.raises(ValueError, match="takes two"):
        spread_interval(1.0, count)
    with pytest.raises(ValueError, match="takes two"):
        tolerance_factor(count, 0.9, 0.9)


def test_a_difference_is_that_of_the_reference_library() -> None:
    lot, known = [0.714, 0.716, 0.713, 0.715], [0.682, 0.680]
    found = difference(lot, known)
    t, p, df = ttest_ind(lot, known, usevar="pooled")
    assert (found.t, found.p, found.df) == (pytest.approx(t), pytest.approx(p), df)


def test_against_one_piece_it_is_the_prediction_interval_of_one_more() -> None:
    # Mean - t s sqrt(1 + 1/n) just reaches the piece: NIST/SEMATECH e-Handbook and every textbook.
    lot = [1.0, 1.2, 0.9, 1.1]
    sd = math.sqrt(sum((x - 1.05) ** 2 for x in lot) / 3)
    edge = 1.05 + float(stats.t.ppf(0.975, 3)) * sd * math.sqrt(1.25)
    found = difference(lot, [edge])
    assert found.p == pytest.approx(0.05)
    assert difference([edge], lot).p == pytest.approx(0.05)


@pytest.mark.parametrize(("lot", "known"), [([1.0], [2.0]), ([1.0, 1.0], [2.0, 2.0]), ([1.0, 1.0, 1.0], [2.0])])
def test_without_any_spread_there_is_a_difference_but_no_probability(lot: list[float], known: list[float]) -> None:
    found = difference(lot, known)
    assert found.value == -1.0
    assert math.isnan(found.p)
