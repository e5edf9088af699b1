"""Limits on values, slopes and jumps, held against counts made by hand."""

from __future__ import annotations

import math
from array import array
from typing import Any

import pytest
from firmware_bench import NAN, stage_payload, value_limits

from wardenfw import scale, stage, wire
from wardenfw.guard import Guard

A, SINK, OFFSET = 0, 8, 4
THERMAL, JUMP = wire.CAUSES.index("over-temperature"), wire.CAUSES.index("dc-offset")


def guard_of(limits: list[Any]) -> Guard:
    answer, made = stage.load(stage_payload(value_limits() + limits))
    assert answer == wire.DONE
    guard = Guard()
    guard.load(made)
    guard.restart()
    return guard


def quiet() -> array[int]:
    return array("i", [0, 0, 0, 0, 0, 0, 0, 0, 32768, 32768, 32768, 0, 0])


def amps(value: float) -> int:
    return round(value / scale.GAIN[A])


def test_a_value_beyond_its_limit_trips_at_once() -> None:
    guard, raw = guard_of([]), quiet()
    assert guard.check(0, raw, 0) is None
    raw[A] = amps(5.001)
    cause, channel, value, limit = guard.check(0, raw, 10)  # type: ignore[misc]
    assert (cause, channel, limit) == (1, A, 5.0)
    assert value == pytest.approx(5.001, abs=scale.GAIN[A])


def test_a_value_on_its_limit_does_not_trip() -> None:
    guard, raw = guard_of([]), quiet()
    raw[A] = amps(5.0)
    assert guard.check(0, raw, 0) is None


def test_persistence_counts_without_a_break() -> None:
    guard, raw = guard_of([(A, wire.VALUE, 1, NAN, 2.0, 30, 0)]), quiet()
    for t_ms, value, trips in (
        (0, 3, False),
        (10, 3, False),
        (20, 1, False),
        (30, 3, False),
        (50, 3, False),
        (60, 3, True),
    ):
        raw[A] = amps(value)
        assert (guard.check(0, raw, t_ms) is not None) is trips, t_ms


def test_the_negative_rail_is_bounded_downwards() -> None:
    guard, raw = guard_of([]), quiet()
    raw[3] = round(60.5 / scale.VBUS_LSB_V)
    _, channel, value, limit = guard.check(0, raw, 0)  # type: ignore[misc]
    assert channel == 3
    assert value == pytest.approx(-60.5, abs=1e-3)
    assert limit == -60.0


def test_a_hot_sink_trips_and_a_cold_one_does_not() -> None:
    guard, raw = guard_of([]), quiet()
    raw[SINK] = math.floor(scale.ntc_counts(91.0))
    assert guard.check(1, raw, 0) is not None
    raw[SINK] = math.ceil(scale.ntc_counts(-20.0))
    assert guard.check(1, raw, 10) is None


def test_a_silent_channel_is_a_sensor_fault_after_100_ms() -> None:
    guard, raw = guard_of([]), quiet()
    raw[A] = scale.MISSING
    found = [t for t in range(0, 200, 10) if guard.check(0, raw, t)]
    assert found[0] == 110
    assert guard.check(0, raw, 200)[0] == wire.CAUSES.index("sensor-fault")  # type: ignore[index]


def test_a_channel_known_by_its_slope_alone_may_not_go_silent_either() -> None:
    guard, raw = guard_of([(10, wire.RATE, THERMAL, NAN, 1.0, 0, 2000)]), quiet()
    raw[10] = scale.MISSING
    assert guard.check(1, raw, 0) is None
    assert guard.check(1, raw, 110) is not None


@pytest.mark.parametrize(("window_ms", "seconds"), [(2000, 4), (20_000, 30)])
def test_a_slope_over_its_window(window_ms: int, seconds: int) -> None:
    # 0.9 K/s passes and 1.1 K/s trips a limit of 1 K/s, on the 100 ms and on the 1 s means.
    for slope, trips in ((0.9, False), (1.1, True)):
        guard = guard_of([(SINK, wire.RATE, THERMAL, NAN, 1.0, 0, window_ms)])
        found = None
        for i in range(seconds * 10):
            means = [0] * wire.N_CHANNELS
            means[SINK] = 20_000 + round(slope * i * 100)
            guard.push(means)
            found = found or guard.check_slow(0, i * 100)
        assert (found is not None) is trips
        if found:
            assert found[2] == pytest.approx(slope, rel=0.02)


def test_no_slope_before_the_window_is_full() -> None:
    guard = guard_of([(SINK, wire.RATE, THERMAL, NAN, 1.0, 0, 2000)])
    for i in range(20):
        means = [0] * wire.N_CHANNELS
        means[SINK] = 20_000 + i * 1000
        guard.push(means)
        assert guard.check_slow(0, i * 100) is None


def test_a_jump_from_the_mean_of_the_window() -> None:
    guard, raw = guard_of([(OFFSET, wire.SPREAD, JUMP, -0.5, 0.5, 0, 1000)]), quiet()
    centre = round(0.2 / scale.GAIN[OFFSET])
    for i in range(10):
        means = [0] * wire.N_CHANNELS
        means[OFFSET] = centre * scale.FINE_PER_COUNT
        guard.push(means)
        guard.check_slow(0, i * 100)
    raw[OFFSET] = centre + round(0.45 / scale.GAIN[OFFSET])
    assert guard.check(2, raw, 1000) is None
    raw[OFFSET] = centre - round(0.55 / scale.GAIN[OFFSET])
    cause, channel, value, limit = guard.check(2, raw, 1010)  # type: ignore[misc]
    assert (cause, channel, limit) == (JUMP, OFFSET, -0.5)
    assert value == pytest.approx(-0.55, abs=abs(scale.GAIN[OFFSET]))


def test_closing_forgets_what_was_before() -> None:
    guard, raw = guard_of([(OFFSET, wire.SPREAD, JUMP, -0.5, 0.5, 0, 1000)]), quiet()
    for i in range(10):
        means = [0] * wire.N_CHANNELS
        means[OFFSET] = 100 * scale.FINE_PER_COUNT
        guard.push(means)
        guard.check_slow(0, i * 100)
    guard.restart()
    raw[OFFSET] = 100 + round(1.0 / scale.GAIN[OFFSET])
    assert guard.check(2, raw, 2000) is None


REFUSED = [
    ("above the ceiling", (A, wire.VALUE, 1, NAN, 15.1, 0, 0), wire.R_CEILING),
    ("below the ceiling", (3, wire.VALUE, 1, -86.0, NAN, 0, 0), wire.R_CEILING),
    ("infinite", (A, wire.VALUE, 1, NAN, math.inf, 0, 0), wire.R_CEILING),
    ("no such channel", (13, wire.VALUE, 1, NAN, 1.0, 0, 0), wire.R_MALFORMED),
    ("no such kind", (A, 3, 1, NAN, 1.0, 0, 0), wire.R_MALFORMED),
    ("no cause", (A, wire.VALUE, 0, NAN, 1.0, 0, 0), wire.R_MALFORMED),
    ("no bound", (A, wire.VALUE, 1, NAN, NAN, 0, 0), wire.R_MALFORMED),
    ("upside down", (A, wire.VALUE, 1, 2.0, 1.0, 0, 0), wire.R_MALFORMED),
    ("too patient", (A, wire.VALUE, 1, NAN, 1.0, wire.MAX_FOR_MS + 1, 0), wire.R_MALFORMED),
    ("no window", (SINK, wire.RATE, 4, NAN, 1.0, 0, 0), wire.R_MALFORMED),
]


@pytest.mark.parametrize(("name", "limit", "answer"), REFUSED, ids=[r[0] for r in REFUSED])
def test_a_bad_limit_is_refused(name: str, limit: Any, answer: int) -> None:
    assert stage.load(stage_payload([*value_limits(), limit]))[0] == answer


@pytest.mark.parametrize("name", wire.MUST_LIMIT)
def test_a_stage_without_a_bound_the_board_insists_on_is_refused(name: str) -> None:
    limits = [limit for limit in value_limits() if wire.CHANNELS[limit[0]] != name]
    assert stage.load(stage_payload(limits))[0] == wire.R_MISSING_LIMIT
    # A bound on the harmless side alone does not do.
    harmless = (NAN, -1.0) if name == "rail_neg_v" else (0.0, NAN)
    assert stage.load(stage_payload(value_limits(**{name: harmless})))[0] == wire.R_MISSING_LIMIT


@pytest.mark.parametrize("alert", [0.0, -1.0, 15.5, NAN, math.inf])
def test_an_alert_threshold_out_of_range_is_refused(alert: float) -> None:
    assert stage.load(wire.pack_stage(1, True, False, value_limits(), 5.0, alert))[0] == wire.R_CEILING


def test_a_torn_stage_is_refused() -> None:
    payload = stage_payload()
    for size in (0, 5, len(payload) - 1, len(payload) + 1):
        assert stage.load((payload + b"\0")[:size])[0] == wire.R_MALFORMED


def test_a_stage_worked_in_pieces_is_the_same() -> None:
    limits = [
        *value_limits(),
        (SINK, wire.RATE, THERMAL, NAN, 1.0, 0, 5000),
        (OFFSET, wire.SPREAD, JUMP, -1, 1, 0, 500),
    ]
    payload = stage_payload(limits)
    loader = stage.Loader(payload)
    steps = 0
    answer = None
    while answer is None:
        answer = loader.step()
        steps += 1
    whole = stage.load(payload)[1]
    assert answer == wire.DONE
    assert steps > 5
    assert str(loader.stage.fast) == str(whole.fast)
    assert str(loader.stage.slow) == str(whole.slow)
