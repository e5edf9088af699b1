"""Seeds: the same run every time, kinds shared out evenly, truths that agree with their frames."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest

from benchwarden.core.channels import CAUSES, INDEX
from benchwarden.corpus import bench_cases, second_cases
from benchwarden.corpus.case import HEALTHY, Case, seeds_are
from benchwarden.corpus.second_look_alikes import LOOK_ALIKES

SHORT_BENCH = next(s for s in range(5001, 5200, 2) if bench_cases.kind_of(s) == "device-shorted limited")
SHORT_SECOND = tuple(s for s in range(5001, 5200, 2) if second_cases.kind_of(s) in ("rail missing", "over-current"))[:2]


def same(one: Case, other: Case) -> bool:
    arrays = ("t_s", "mean", "minimum", "maximum", "mains_on", "limiter_in", "drive_on")
    equal = all(
        np.array_equal(getattr(one.block, a), getattr(other.block, a), equal_nan=a in ("mean", "minimum", "maximum"))
        for a in arrays
    )
    return (
        equal and one.unit == other.unit and repr(one.truth) == repr(other.truth) and one.known_bits == other.known_bits
    )


@pytest.mark.parametrize("model", [bench_cases, second_cases])
def test_half_of_the_runs_are_healthy_and_every_kind_comes_equally_often(model):
    kinds = Counter(model.kind_of(seed) for seed in range(7000, 7300))
    assert kinds[HEALTHY] == 150
    assert set(kinds) == set(model.KINDS)
    faults = [n for kind, n in kinds.items() if kind != HEALTHY]
    assert max(faults) - min(faults) <= 1


def test_look_alikes_take_turns():
    for names in (bench_cases.LOOK_ALIKES, tuple(LOOK_ALIKES)):
        turns = Counter(names[(seed // 2) % len(names)] for seed in range(7000, 7300, 2))
        assert max(turns.values()) - min(turns.values()) <= 1


def test_causes_are_the_fixed_ones():
    named = [kind.causes for kind in bench_cases.FAULT_KINDS.values()]
    named += [fault.causes for fault in second_cases.FAULTS.values()]
    assert all(causes and causes <= set(CAUSES) for causes in named)


def test_a_seed_of_the_bench_model_gives_the_same_run_again():
    case = bench_cases.bench_case(SHORT_BENCH)
    assert same(case, bench_cases.bench_case(SHORT_BENCH))
    truth = case.truth
    assert truth.kind == "device-shorted limited"
    assert truth.onset_s <= case.block.t_s[-1]
    assert all(truth.onset_s <= t for t, _ in truth.damaged)


def test_a_seed_of_the_second_model_gives_the_same_run_in_any_company():
    together = list(second_cases.second_cases(SHORT_SECOND))
    again = list(second_cases.second_cases(SHORT_SECOND))
    alone = next(second_cases.second_cases(SHORT_SECOND[1:2]))
    assert all(same(a, b) for a, b in zip(together, again, strict=True))
    # Vector code of another length may round the last digit another way; nothing more.
    both = together[1].block.mean, alone.block.mean
    np.testing.assert_allclose(*both, rtol=1e-4, atol=2e-4)
    assert together[1].truth.kind == alone.truth.kind
    for case in together:
        truth = case.truth
        assert 0.0 < truth.onset_s < case.block.t_s[-1]
        assert all(t >= truth.onset_s for t, _ in truth.damaged)
        assert not truth.sound
        assert np.all(np.diff(case.block.t_s) > 0.0)
        block = case.block
        there = ~np.isnan(block.mean)
        assert (block.minimum[there] <= block.mean[there] + 1e-6).all()
        assert (block.maximum[there] >= block.mean[there] - 1e-6).all()


def test_a_healthy_run_asks_for_its_forecast_only_while_nothing_is_touched():
    # Forty minutes, idle for the first 28, two channels absent: the shortest of the kind.
    case = next(second_cases.second_cases((5016,)))
    assert np.isnan(case.block.mean[:, INDEX["sink_left_c"]]).all()
    truth = case.truth
    assert truth.sound
    assert truth.causes == frozenset()
    assert math.isinf(truth.onset_s)
    assert truth.loop_gain < 0.8
    assert len(truth.questions) >= 2
    first_drive = next((s.t_start_s for s in case.unit.stage if s.drive_on), math.inf)
    for question in truth.questions:
        assert 43.0 < question.t_s < first_drive
        assert question.t_s == pytest.approx(43.0 + question.taus * question.tau_s)
        assert 0.0 < question.loop_gain < 0.98
        assert 0.5 < question.final_v * 1e3 / case.unit.target_bias_drop_mv < 2.0


def test_seeds_say_what_they_are_for():
    assert "tuning" in seeds_are(5000, 300)
    assert "reporting" in seeds_are(7000, 300)
    assert "neither" in seeds_are(5900, 300)
