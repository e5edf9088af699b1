"""The likelihood ratios behind the oscillation trip, against published properties of sequential tests."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hf_signals import SLOT_S, TDMA_S
from scipy import stats
from signals import unit

from benchwarden.analysis.hf import TRIP
from benchwarden.analysis.hf_baseline import Baseline
from benchwarden.analysis.hf_channel import SIDE_EVEN, SIDE_MOST, WEAKER, side_evidence
from benchwarden.analysis.hf_company import GAINS_A_PER_V, RECTIFIED_A_PER_V, QuietDraw, company_at, log_ratio
from benchwarden.analysis.hf_events import MOST_EVENTS, Coincidence, EventLog, HfEvent, at_least
from benchwarden.analysis.hf_frames import Means
from benchwarden.analysis.situation import NEG_A, POS_A, Facts
from benchwarden.core.channels import BITS, CHANNELS


def test_log_ratio_is_the_ratio_of_normal_densities() -> None:
    # scipy's densities as the reference.
    level, sigma = 0.7, 2e-3
    wide = math.hypot(sigma, RECTIFIED_A_PER_V * level)
    for rise in (-3e-3, 0.0, 1e-3, 5e-3, 0.02, 0.3):
        with_it = stats.norm.logpdf(rise, GAINS_A_PER_V * level, wide)
        expected = np.logaddexp.reduce(with_it) - math.log(len(with_it)) - stats.norm.logpdf(rise, 0.0, wide)
        assert log_ratio(rise, level, sigma) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("level", [0.1, 0.5, 3.0])
def test_a_likelihood_ratio_is_one_on_average_without_oscillation(level: float) -> None:
    # E0[exp(LLR)] = 1: the martingale behind Wald's and Ville's inequalities. By
    # quadrature, since its mean lives in a tail that no sample shows.
    sigma = 2e-3
    wide = math.hypot(sigma, RECTIFIED_A_PER_V * level)
    rise = np.linspace(-10.0 * wide, GAINS_A_PER_V[-1] * level + 10.0 * wide, 200_001)[::8]
    ratio = np.array([log_ratio(float(r), level, sigma) for r in rise])
    mean = np.trapezoid(np.exp(ratio + stats.norm.logpdf(rise, 0.0, wide)), rise)
    assert mean == pytest.approx(1.0, abs=0.01)


def test_sums_stay_below_walds_limit_without_oscillation() -> None:
    # Wald (1947): P(the sum ever reaches h) <= exp(-h); 20 000 walks of 60 edges at h = 4.
    rng = np.random.default_rng(1)
    level, sigma, h = 0.5, 3e-3, 4.0
    wide = math.hypot(sigma, RECTIFIED_A_PER_V * level)
    table_a = np.linspace(-8.0 * wide, 8.0 * wide, 2001)
    table = np.array([log_ratio(float(a), level, sigma) for a in table_a])
    steps = np.interp(wide * rng.standard_normal((20_000, 60)), table_a, table)
    reached = int((np.cumsum(steps, axis=1).max(axis=1) >= h).sum())
    assert reached <= stats.binom.ppf(0.9999, 20_000, math.exp(-h))


def test_the_trip_limit_is_walds_for_the_error_it_states() -> None:
    # ln((1 - beta) / alpha), alpha one in 5000, beta small.
    assert pytest.approx(math.log(0.99 * 5000.0), abs=0.05) == TRIP


def test_one_slot_in_eight_is_what_the_tests_send() -> None:
    # 3GPP TS 45.002 (from memory): eight slots of 15/26 ms in a frame of 120/26 ms.
    assert pytest.approx(15e-3 / 26.0, rel=1e-3) == SLOT_S
    assert pytest.approx(120e-3 / 26.0, rel=1e-3) == TDMA_S
    assert pytest.approx(1.0 / 8.0, rel=1e-3) == SLOT_S / TDMA_S


def test_the_side_counts_from_even_to_thirty_decibels() -> None:
    assert side_evidence(1.0) == pytest.approx(SIDE_EVEN)
    assert side_evidence(10.0 ** (-30.0 / 20.0)) == pytest.approx(SIDE_MOST)
    assert side_evidence(1e-6) == SIDE_MOST
    assert side_evidence(3.0) == WEAKER
    assert side_evidence(math.nan) == 0.0


def test_the_binomial_tail_agrees_with_scipy() -> None:
    for hits, n, share in ((3, 10, 0.2), (6, 6, 0.25), (700, 2000, 0.3), (0, 5, 0.5)):
        assert at_least(hits, n, share) == pytest.approx(float(stats.binom.sf(hits - 1, n, share)), rel=1e-9)


def test_the_baseline_learns_any_noise_and_no_creeping_level() -> None:
    rng = np.random.default_rng(2)
    for level, noise in ((0.0, 0.0), (0.02, 0.003), (0.1, 0.02)):
        base = Baseline()
        base.start(level)
        up = 0
        for frames in level + noise * rng.standard_normal((3000, 10)):
            # The limit is for frame means: five in a million frames may be above.
            up += int((frames > base.limit_v).sum())
            base.quiet(float(frames.mean()), float(frames.max()))
        # 30 000 frames at 3.85 standard deviations (6e-5): two; more while it learns.
        assert up <= 8
        assert base.base_v == pytest.approx(level, abs=0.01)
    base = Baseline()
    base.start(0.02)
    for i in range(3000):
        mean = 0.02 + 0.2 * i / 3000.0
        if mean > base.limit_v:
            break
        base.quiet(mean, mean + 0.003)
    # Grown over most of an hour, it is up before it has passed an eighth of a volt.
    assert mean < 0.125


def event(
    start_s: float, side: str = "left", sink_c: float = 30.0, drive: bool = False, long_s: float = 0.2
) -> HfEvent:
    return HfEvent(side, start_s, start_s + long_s, 1.0, 0.5, sink_c, drive)


def test_events_near_each_other_are_one_and_many_are_bounded() -> None:
    log = EventLog()
    for t in (10.0, 10.5, 20.0):
        log.add(event(t))
    log.add(event(20.1, "right"))
    assert [(e.side, e.start_s, e.end_s) for e in log.events] == [
        ("left", 10.0, 10.7),
        ("left", 20.0, 20.2),
        ("right", 20.1, 20.3),
    ]
    for i in range(5 * MOST_EVENTS):
        log.add(event(100.0 + 5.0 * i))
    assert len(log.events) <= MOST_EVENTS
    assert log.events[-1].end_s == pytest.approx(100.0 + 5.0 * (5 * MOST_EVENTS - 1) + 0.2)


def test_bursts_that_come_warm_are_told_and_those_that_come_any_time_are_not() -> None:
    rng = np.random.default_rng(3)
    told = 0
    for trial in range(200):
        chance = Coincidence(0)
        sink = 25.0 + 30.0 * -np.expm1(-np.arange(3600.0) / 900.0)
        for c in sink.tolist():
            chance.spent(c, False)
        at = np.sort(rng.choice(3500, 12, replace=False))
        told += any(chance.happened(event(float(t), sink_c=float(sink[t]))) for t in at)
        if trial == 0:
            warm = Coincidence(0)
            for c in sink.tolist():
                warm.spent(c, False)
            words = [warm.happened(event(3000.0 + 40.0 * i, sink_c=float(sink[3000 + 40 * i]))) for i in range(12)]
            assert sum("warmer" in w for w in words) == 1
    # A chance of 1e-3 a side at each of seven looks that depend on each other.
    assert told <= 6


def test_bursts_that_come_driven_are_told() -> None:
    chance = Coincidence(1)
    for t in range(3600):
        chance.spent(40.0, t >= 2700)
    words = [chance.happened(event(2700.0 + 60.0 * i, "right", 40.0, True)) for i in range(10)]
    told = [w for w in words if w]
    assert len(told) == 1
    assert "6 of 6" in told[0]
    assert "25 %" in told[0]


def test_a_current_on_the_move_before_the_level_came_proves_nothing_by_moving_on() -> None:
    def rise(moving_a: float) -> tuple[float, float]:
        draw = QuietDraw()
        mean = [0.0] * len(CHANNELS)
        rng = np.random.default_rng(2)
        for i in range(60):
            amps = 0.1 + moving_a * max(i - 55, 0) + 2e-4 * float(rng.standard_normal())
            mean[POS_A] = mean[NEG_A] = amps
            draw.quiet(list(mean))
        before, during = (Means(t, 10, (0.0, 0.0), (a, a), 42.0, (0.0, 0.0), (0.0, 0.0)) for t, a in _at(moving_a))
        found = company_at(Facts.of(unit(), BITS), draw, during, [before], 2e-4)
        assert found is not None
        return found.evidence(0, (1.0, 0.0), alone=True, least=-3.0, most=4.5), found.rise_a / found.sigma_a

    def _at(moving_a: float) -> tuple[tuple[float, float], tuple[float, float]]:
        last = 0.1 + 4.0 * moving_a
        return (59.5, last), (60.5, last + 0.008)

    still, moving = rise(0.0), rise(0.004)
    # Eight milliamperes with one volt: oscillation on a quiet current, nothing on one that climbs by four a second.
    assert still[0] > 3.0
    assert moving[0] < 1.0
    assert moving[1] < 2.5
