"""The tests for odd readings against published examples and tables, and their error rates in small lots."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from bench_small_lots import QUANTITIES, SIZES, lots, share_far_from_median, share_found
from benchwarden.parts.small_lots import (
    ALPHA,
    GROUPS,
    GRUBBS,
    SECOND,
    best_split,
    bonferroni,
    critical_value,
    esd_critical,
    esd_statistics,
    found_from,
    grubbs_g,
    judged,
)

# Mass spectrometer measurements of a uranium isotope (Tietjen and Moore 1972), as in NIST/SEMATECH
# e-Handbook 1.3.5.17.1: G 2.4687, critical 2.032 (one-sided, 5 %).
URANIUM = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
# Rosner 1983, as in NIST/SEMATECH e-Handbook 1.3.5.17.3.
ROSNER = [
    *(-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70),
    *(1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40),
    *(2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01),
]
# The handbook's table for it (from memory; its last digits differ by one with how they were rounded).
ROSNER_R = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
ROSNER_LAMBDA = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]
# Grubbs' table, one-sided 5 %, n 4 to 10; also ASTM E178.
GRUBBS_ONE_SIDED = [1.46, 1.67, 1.82, 1.94, 2.03, 2.11, 2.18]
# Vertical semi-diameters of Venus (Chauvenet; Grubbs 1950), as in NIST/SEMATECH e-Handbook 1.3.5.17.2.
VENUS = [-1.40, -0.44, -0.30, -0.24, -0.22, -0.13, -0.05, 0.06, 0.10, 0.18, 0.20, 0.39, 0.48, 0.63, 1.01]


def test_the_published_example_of_one_outlier() -> None:
    g, at = grubbs_g(URANIUM)
    assert g == pytest.approx(2.4687, abs=1e-4)
    assert URANIUM[at] == 245.57
    # One-sided 5 % is two-sided 10 %.
    assert esd_critical(8, 1, 0.10) == pytest.approx(2.032, abs=5e-4)
    found = judged(URANIUM)
    assert found is not None
    assert found.p < 0.001
    assert found.looked[0].name == GRUBBS
    assert found.looked[0].odd == (7,)


def test_the_published_example_of_three_outliers() -> None:
    steps = esd_statistics(ROSNER, 10)
    assert [g for g, _ in steps] == pytest.approx(ROSNER_R, abs=0.0016)
    critical = [esd_critical(54, step) for step in range(1, 11)]
    assert critical == pytest.approx(ROSNER_LAMBDA, abs=0.0011)
    # The number of outliers is the last step that exceeds its value.
    last = max(step for step, (g, _) in enumerate(steps, 1) if g > critical[step - 1])
    assert last == 3
    assert [ROSNER[at] for _, at in steps[:last]] == [6.01, 5.42, 5.34]


@pytest.mark.parametrize("n", SIZES)
def test_critical_values_are_those_of_the_table(n: int) -> None:
    assert esd_critical(n, 1, 0.10) == pytest.approx(GRUBBS_ONE_SIDED[n - 4], abs=0.006)
    # The simulated distribution alone, against the closed form that is exact for one outlier in this range.
    x = lots(11, n, 20_000)
    g = np.abs(x - x.mean(axis=1, keepdims=True)).max(axis=1) / x.std(axis=1, ddof=1)
    own = judged(list(x[0]))
    assert own is not None
    grubbs = next(item for item in own.looked if item.name == GRUBBS)
    # Its probability alone is the share of good lots with as large a G.
    assert grubbs.alone == pytest.approx(float(np.mean(g >= g[0])), abs=0.02)
    # Three looks cost: their value for one of them lies above that of one look.
    assert critical_value(GRUBBS, n, ALPHA) >= esd_critical(n, 1, ALPHA) - 0.003


def test_a_larger_published_sample_and_the_price_of_three_looks() -> None:
    found = judged(VENUS)
    assert found is not None
    by_name = {item.name: item for item in found.looked}
    # Handbook critical value of Grubbs' two-sided test for 15 readings, 5 %: 2.549; 2.574 is just beyond.
    assert by_name[GRUBBS].value == pytest.approx(2.574, abs=0.001)
    assert esd_critical(15, 1) == pytest.approx(2.549, abs=0.001)
    assert 0.03 < by_name[GRUBBS].alone < 0.05
    # Paid for three looks it is not rare enough to call a lot odd.
    assert found.p > ALPHA


def test_two_that_hide_each_other_are_found_and_by_grubbs_alone_are_not() -> None:
    # Invented; masking as in Barnett and Lewis, Outliers in Statistical Data (from memory).
    masked = [80.0, 80.4, 79.7, 80.2, 79.9, 80.1, 95.0, 95.6]
    g, _ = grubbs_g(masked)
    assert g < esd_critical(8, 1)
    found = judged(masked)
    assert found is not None
    assert found.p < 0.001
    assert set(found.looked[0].odd) == {6, 7}
    apart = judged([80.0, 80.4, 79.7, 80.2, 79.9, 80.1, 95.0, 65.0])
    assert apart is not None
    assert apart.p < 0.01
    assert apart.looked[0].name == SECOND
    assert set(apart.looked[0].odd) == {6, 7}


def test_two_kinds_in_one_lot_are_found_as_groups() -> None:
    mixed = [0.682, 0.715, 0.680, 0.713, 0.683, 0.714]
    ratio, group, equal = best_split(mixed)
    assert equal
    assert set(group) in ({0, 2, 4}, {1, 3, 5})
    # Between over within squares by hand: between 6 (d/2)^2 with d the distance of the means.
    low, high = np.array(mixed[::2]), np.array(mixed[1::2])
    within = ((low - low.mean()) ** 2).sum() + ((high - high.mean()) ** 2).sum()
    assert ratio == pytest.approx(6 * ((high.mean() - low.mean()) / 2) ** 2 / within, rel=1e-9)
    found = judged(mixed)
    assert found is not None
    assert found.looked[0].name == GROUPS
    assert found.p < 0.01


@pytest.mark.parametrize("n", SIZES)
@pytest.mark.parametrize("upward", [False, True])
def test_good_lots_are_called_odd_as_often_as_said(n: int, upward: bool) -> None:
    # 2500 lots: the share has a standard error of 0.0044; four of them.
    assert share_found(lots(21, n, 2500), ALPHA, upward) == pytest.approx(ALPHA, abs=0.0175)


@pytest.mark.parametrize("n", SIZES)
def test_one_odd_piece_is_found_as_often_as_said_and_pointed_at(n: int) -> None:
    x = lots(22, n, 600, (found_from(n),))
    # Four lots of five, standard error 0.016.
    assert share_found(x, ALPHA / QUANTITIES) == pytest.approx(0.8, abs=0.07)
    assert share_found(x, ALPHA / QUANTITIES, pieces=frozenset({0})) > 0.6


@pytest.mark.parametrize("n", [6, 8, 10])
@pytest.mark.parametrize("signs", [(1.0, 1.0), (1.0, -1.0)])
def test_two_odd_pieces_are_found(n: int, signs: tuple[float, float]) -> None:
    least = {6: 0.75, 8: 0.95, 10: 0.99}[n]
    x = lots(23, n, 400, tuple(14.0 * sign for sign in signs))
    assert share_found(x, ALPHA) > least


def test_with_four_or_five_pieces_one_up_and_one_down_stay_hidden() -> None:
    # What the module says that it cannot see.
    for n in (4, 5):
        assert share_found(lots(24, n, 300, (20.0, -20.0)), ALPHA) < 0.02


def test_the_rule_for_large_samples_was_rightly_left_out() -> None:
    for n in SIZES:
        assert share_far_from_median(lots(25, n, 2500)) > 2 * ALPHA


def test_only_upwards_means_only_upwards() -> None:
    low = judged([1.0, 1.1, 0.9, 1.0, 1.05, -9.0], upward=True)
    high = judged([1.0, 1.1, 0.9, 1.0, 1.05, 11.0], upward=True)
    assert low is not None
    assert high is not None
    assert low.p > 0.5
    assert high.p < 0.001


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_three_or_fewer_say_nothing(n: int) -> None:
    assert judged([1.0, 1.0, 500.0][:n]) is None


@pytest.mark.parametrize("value", [0.0, 0.1, 88.0, 1e-300, 1e9])
def test_identical_readings_are_not_odd_or_crash(value: float) -> None:
    found = judged([value] * 7)
    assert found is not None
    # Rounding may leave a last digit; no difference comes of it, see test_incoming.
    assert all(np.isfinite(item.value) for item in found.looked)


def test_a_lot_of_thousands_is_judged_without_thousands_of_memory() -> None:
    x = lots(26, 2000, 1)[0]
    x[17] = 12.0
    found = judged(x)
    assert found is not None
    assert found.p < 0.01
    assert found.looked[0].odd == (17,)


def test_the_value_shown_decides_as_the_probability_does() -> None:
    for upward in (False, True):
        for row in lots(27, 6, 400, (6.0,)):
            found = judged(row, upward)
            assert found is not None
            for item in found.looked:
                beyond = item.value > critical_value(item.name, 6, ALPHA / QUANTITIES, upward)
                # Both are read from the same 60,000 lots; only within their grain may they differ.
                assert beyond == (item.p < ALPHA / QUANTITIES) or item.p == pytest.approx(ALPHA / QUANTITIES, rel=0.02)


def test_several_looks_are_paid_for_as_the_reference_library_does() -> None:
    p = [0.004, 0.03, 0.2, 0.6]
    assert [bonferroni(value, 4) for value in p] == pytest.approx(multipletests(p, method="bonferroni")[1])
