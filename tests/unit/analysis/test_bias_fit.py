"""Drift and tempco of a window, against closed forms and an ordinary regression."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from benchwarden.analysis.bias_fit import calm, drift_mv_per_h, start_after_steps, tempco_of, window_fit

T_S = np.arange(600) * 5.0
TARGET_MV = 11.0


def test_a_straight_drift_is_found() -> None:
    rng = np.random.default_rng(5)
    bias = 11.0 + 1.2 * T_S / 3600.0 + 0.02 * rng.standard_normal(600)
    found = drift_mv_per_h(T_S, bias)
    assert found is not None
    # scipy.stats.linregress is the reference for the value; the interval allows for wander and is wider.
    reference = stats.linregress(T_S / 3600.0, bias)
    assert found.value == pytest.approx(reference.slope, abs=2.0 * reference.stderr)
    assert found.low < 1.2 < found.high
    assert found.high - found.low >= 2.0 * 1.96 * reference.stderr


def test_sink_and_mains_are_told_apart() -> None:
    rng = np.random.default_rng(6)
    sink = 25.0 + 20.0 * (1.0 - np.exp(-T_S / 700.0))
    rail = 42.0 + 0.3 * np.sin(T_S / 90.0)
    bias = 9.0 + 0.11 * (sink - 25.0) + 0.8 * (rail - 42.0) + 0.003 * rng.standard_normal(600)
    found = tempco_of(T_S, bias, sink, rail)
    assert found is not None
    assert found.per_k.value == pytest.approx(0.11, abs=0.004)
    assert found.per_rail_v is not None
    assert found.per_rail_v.value == pytest.approx(0.8, abs=0.08)
    assert found.per_k.low < 0.11 < found.per_k.high


def test_a_sink_that_stands_still_gives_no_tempco() -> None:
    sink = np.full(600, 30.0) + 0.01 * np.sin(T_S)
    assert tempco_of(T_S, np.full(600, 11.0), sink, np.full(600, 42.0)) is None


def test_the_window_begins_after_the_last_turn_of_the_pot() -> None:
    bias = np.concatenate([np.full(40, 1.0), np.full(20, 7.0), np.full(540, 11.0)])
    assert start_after_steps(bias, TARGET_MV) == 60
    # Turned at the very end: too little follows, and the record is taken as it is.
    assert start_after_steps(np.concatenate([np.full(590, 11.0), np.full(10, 8.0)]), TARGET_MV) == 0


def test_turns_drive_and_lamp_are_no_part_of_the_fit() -> None:
    rng = np.random.default_rng(7)
    sink = 25.0 + 15.0 * (1.0 - np.exp(-T_S / 700.0))
    bias = (9.0 + 0.2 * (sink - 25.0) + 0.003 * rng.standard_normal(600)) * 1e-3
    bias[:50] = 0.0  # pots at minimum
    idle = np.ones(600, np.bool_)
    idle[300:400] = False  # the test signal is on
    bias[298:402] *= 3.0
    found = window_fit(T_S, bias, sink, np.full(600, 42.0), idle, TARGET_MV)
    assert found.tempco is not None
    assert found.tempco.per_k.value == pytest.approx(0.2, abs=0.01)
    assert found.tempco.per_rail_v is None
    assert found.line is not None
    (low_c, low_mv), (high_c, high_mv) = found.line
    assert low_c == pytest.approx(sink[50], abs=0.2)
    assert (high_mv - low_mv) / (high_c - low_c) == pytest.approx(found.tempco.per_k.value)


def test_where_the_idle_time_begins_and_ends_is_left_out() -> None:
    idle = np.zeros(20, np.bool_)
    idle[5:15] = True
    assert np.flatnonzero(calm(np.arange(20) * 5.0, idle)).tolist() == list(range(7, 13))


@pytest.mark.parametrize("n", [0, 1, 5])
def test_too_little_says_nothing(n: int) -> None:
    some = np.arange(n) * 1.0
    found = window_fit(some, some * 1e-3, some, some, np.ones(n, np.bool_), TARGET_MV)
    assert (found.drift, found.tempco, found.line) == (None, None, None)


def test_missing_readings_are_left_out() -> None:
    bias = np.where(np.arange(600) % 3 == 0, np.nan, 0.011 + 1e-6 * T_S / 36.0)
    sink = np.full(600, np.nan)
    found = window_fit(T_S, bias, sink, sink, np.ones(600, np.bool_), TARGET_MV)
    assert found.drift is not None
    assert found.drift.value == pytest.approx(0.1, abs=1e-3)
    assert found.tempco is None
