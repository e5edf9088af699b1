"""The two baselines do what their words say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import Unit, UnitStage
from benchwarden.corpus.case import Case, Truth
from benchwarden.corpus.judging import cusum_limit
from benchwarden.corpus.rules import fixed_thresholds, plain_cusum, plain_cusum_after

UNIT = Unit(
    rated_power_w=60,
    load_ohm=8,
    rail_nominal_v=42.0,
    emitter_resistor_ohm=0.22,
    target_bias_drop_mv=11.0,
    limiter_lamp_w=100,
    stage=(UnitStage(0.0, "idle", 100.0, False, False),),
)
LEVEL = {
    "rail_pos_a": 0.13, "rail_neg_a": 0.13, "rail_pos_v": 42.0, "rail_neg_v": -42.0, "bias_left_v": 0.011,
    "bias_right_v": 0.011, "sink_left_c": 40.0, "sink_right_c": 40.0, "ambient_c": 23.0, "hf_left_v": 0.02,
    "hf_right_v": 0.02,
}  # fmt: skip


def calm(seconds: int = 600, seed: int = 1) -> Case:
    n = 10 * seconds
    level = np.array([LEVEL.get(name, 0.0) for name in CHANNELS])
    noise = np.random.default_rng(seed).standard_normal((n, len(CHANNELS)))
    mean = (level + 1e-3 * np.maximum(np.abs(level), 1e-2) * noise).astype(np.float32)
    off = np.zeros(n, dtype=np.bool_)
    block = SampleBlock(np.round(np.arange(1, n + 1) * 0.1, 6), mean, mean, mean, ~off, off, off)
    return Case(UNIT, block, Truth("bench", "healthy", 1))


def stepped(case: Case, channel: str, at_s: float, value: float, length_s: float = 1e9) -> Case:
    mean = case.block.mean.copy()
    on = (case.block.t_s > at_s) & (case.block.t_s <= at_s + length_s)
    mean[on, INDEX[channel]] = value
    return replace(case, block=replace(case.block, mean=mean, minimum=mean, maximum=mean))


def test_neither_speaks_on_calm_readings():
    assert fixed_thresholds(calm()) is None
    # A baseline learned from 60 values is known to an eighth of its scatter, which shortens the
    # run length that the limit was chosen for: calm for minutes, not for hours.
    assert plain_cusum(calm(250), cusum_limit()) is None


@pytest.mark.parametrize(
    ("channel", "value", "hold_s", "cause"),
    [
        ("rail_pos_a", 0.5, 2.0, "over-current"),
        ("offset_left_v", -0.15, 3.0, "dc-offset"),
        ("bias_right_v", 0.025, 10.0, "bias-unstable"),
        ("sink_left_c", 71.0, 1.0, "over-temperature"),
        ("hf_right_v", 0.6, 2.0, "oscillation"),
        ("rail_neg_v", -30.0, 3.0, "rail-missing"),
        ("sink_right_c", np.nan, 5.0, "sensor-fault"),
    ],
)
def test_a_threshold_trips_once_it_has_been_passed_for_its_time(channel, value, hold_s, cause):
    trip = fixed_thresholds(stepped(calm(), channel, 300.0, value))
    assert trip is not None
    assert trip.cause == cause
    assert trip.t_s == pytest.approx(300.0 + hold_s, abs=0.21)
    assert fixed_thresholds(stepped(calm(), channel, 300.0, value, 0.8 * hold_s)) is None


def test_cusum_sees_a_shift_of_one_standard_deviation_in_about_the_time_theory_gives():
    # One sd of the means of a second, on every value from 300 s on: delay (h + 1.166) / 0.5 (Siegmund).
    case = calm()
    mean = case.block.mean.copy()
    shift = 1e-3 * 42.0 / np.sqrt(10.0)
    mean[case.block.t_s > 300.0, INDEX["rail_pos_v"]] += shift
    trip = plain_cusum(replace(case, block=replace(case.block, mean=mean)), cusum_limit())
    assert trip is not None
    assert trip.cause == "rail-imbalance"
    # The baseline's own mean and sd are known to 13 % and 9 % (60 values): a wide band.
    assert 300.0 + 18.0 < trip.t_s < 300.0 + 80.0


def test_a_forgiven_alarm_gives_way_to_the_next():
    case = stepped(calm(), "rail_pos_v", 120.0, 43.0)
    case = stepped(case, "offset_right_v", 400.0, 1.0)
    first = plain_cusum(case, cusum_limit())
    later = plain_cusum_after(case, cusum_limit(), 400.0)
    assert first is not None
    assert first.t_s < 130.0
    assert later is not None
    assert (later.cause, later.channel) == ("dc-offset", "right")
    assert 400.0 < later.t_s < 405.0
