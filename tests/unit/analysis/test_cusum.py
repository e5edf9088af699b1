"""Run lengths of the plain CUSUM against published ones, and the scheme against its definition."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.analysis.cusum import first_alarm, limit_for, one_sided_arl, sums, two_sided_arl

# Lucas and Crosier 1982, table 1, as quoted in the manual of the R package spc
# (xcusum.arl): k = 0.5, h = 4, two-sided, zero start.
LUCAS_CROSIER = {
    0.0: 168.0, 0.25: 74.2, 0.5: 26.6, 0.75: 13.3, 1.0: 8.38, 1.5: 4.75, 2.0: 3.34, 2.5: 2.62, 3.0: 2.19, 4.0: 1.71,
    5.0: 1.31,
}  # fmt: skip


def half_last_digit(value: float) -> float:
    return 0.5 * 10.0 ** (math.floor(math.log10(value)) - 2)


@pytest.mark.parametrize(("shift", "published"), LUCAS_CROSIER.items())
def test_two_sided_run_lengths_are_those_of_lucas_and_crosier(shift, published):
    assert two_sided_arl(4.0, 0.5, shift) == pytest.approx(published, abs=half_last_digit(published) * 1.01)


@pytest.mark.parametrize(
    ("h", "k", "shift", "published", "within"),
    [
        # Brook and Evans 1972; SAS/QC 1999; Vance 1986: all as quoted in the spc manual.
        (3.0, 0.5, 0.0, 117.59, 0.01),
        (3.0, 0.5, 1.5, 3.75, 0.005),
        (8.0, 0.25, 2.5, 4.1500836225, 1e-6),
        (10.0, 0.0, -0.125, 400.28, 0.01),
        (10.0, 0.0, 0.0, 124.66, 0.01),
        (10.0, 0.0, 0.25, 36.71, 0.01),
        (10.0, 0.0, 1.0, 10.75, 0.01),
    ],
)
def test_one_sided_run_lengths_are_the_published_ones(h, k, shift, published, within):
    assert one_sided_arl(h, k, shift) == pytest.approx(published, abs=within)


# Montgomery, Introduction to Statistical Quality Control: 465, 38.0, 10.4, 4.01 (from memory).
@pytest.mark.parametrize(("shift", "printed"), [(0.0, 465.0), (0.5, 38.0), (1.0, 10.4), (2.0, 4.01)])
def test_h_5_run_lengths_round_to_montgomerys(shift, printed):
    assert two_sided_arl(5.0, 0.5, shift) == pytest.approx(printed, abs=half_last_digit(printed) * 1.01)


def siegmund(h: float, k: float, shift: float) -> float:
    """Siegmund 1985: (exp(-2 D b) + 2 D b - 1) / (2 D^2), b = h + 1.166, D = shift - k."""
    d, b = shift - k, h + 1.166
    return (math.exp(-2.0 * d * b) + 2.0 * d * b - 1.0) / (2.0 * d * d)


@pytest.mark.parametrize("h", [4.0, 5.0])
def test_siegmunds_approximation_is_as_close_as_it_is_said_to_be(h):
    # 0.8 % high without a shift, 0.4 to 0.5 % low at one sigma.
    assert siegmund(h, 0.5, 0.0) / one_sided_arl(h, 0.5, 0.0) == pytest.approx(1.008, abs=0.001)
    assert siegmund(h, 0.5, 1.0) / one_sided_arl(h, 0.5, 1.0) == pytest.approx(0.9955, abs=0.001)


@pytest.mark.parametrize(("shift", "runs"), [(0.0, 1500), (0.5, 3000), (1.0, 4000)])
def test_played_run_lengths_agree_within_their_standard_error(shift, runs):
    rng = np.random.default_rng(1954)
    lengths = []
    for _ in range(runs):
        at = first_alarm(rng.standard_normal(2500) + shift, 0.5, 4.0)
        # Fifteen mean run lengths: the chance of none is e^-15.
        assert at is not None
        lengths.append(at + 1)
    error = np.std(lengths, ddof=1) / math.sqrt(runs)
    # Four standard errors: a wrong alarm once in 16000 such tests; the seed is fixed anyway.
    assert abs(np.mean(lengths) - LUCAS_CROSIER[shift]) < 4.0 * error + half_last_digit(LUCAS_CROSIER[shift])


@given(st.lists(st.floats(-5.0, 5.0), min_size=1, max_size=60), st.sampled_from([0.0, 0.25, 0.5, 1.0]))
def test_sums_are_the_recursion_of_the_textbook(values, k):
    up, down = sums(np.array(values), k)
    s_up = s_down = 0.0
    for i, z in enumerate(values):
        s_up, s_down = max(0.0, s_up + z - k), max(0.0, s_down - z - k)
        assert up[i] == pytest.approx(s_up, abs=1e-9)
        assert down[i] == pytest.approx(s_down, abs=1e-9)


def test_a_limit_has_the_run_length_it_was_chosen_for():
    for arl0 in (168.0, 1e4, 4.68e7):
        assert two_sided_arl(limit_for(arl0, 0.5), 0.5, 0.0) == pytest.approx(arl0, rel=1e-6)


def test_a_run_length_that_no_limit_gives_is_refused():
    with pytest.raises(ValueError, match="allowed: 10 to 1e10"):
        limit_for(1.0, 0.5)
