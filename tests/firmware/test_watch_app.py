"""The rules on the whole firmware: a host that is silent within its lease, and one that only keeps it alive."""

from __future__ import annotations

import math
from collections.abc import Callable

import firmware_fakes as fakes
import pytest
from firmware_bench import Bench
from watch_bench import LIMIT_V, OSCILLATION, RUNAWAY, TARGET_V, payload, rails_a

from wardenfw import scale, wire

ENABLE = 14
VSHUNT, VBUS = 4, 5
MUX_BIAS, MUX_HF = 1, 2


def set_rails(bench: Bench, amps: float, volts: float = 42.0) -> None:
    for name in ("pos", "neg"):
        registers = bench.parts[name].registers
        registers[VSHUNT] = round(amps * scale.SHUNT_OHM / scale.VSHUNT_LSB_V) << 4
        registers[VBUS] = round(volts / scale.VBUS_LSB_V) << 4


def set_bias(bench: Bench, left_v: float) -> None:
    bench.parts["left"].registers.chosen[MUX_BIAS] = round(left_v / scale.BIAS_LSB_V)  # type: ignore[attr-defined]
    set_rails(bench, rails_a(left_v, TARGET_V))


def set_hf(bench: Bench, side: str, level_v: float) -> None:
    counts = round(scale.peak_counts(level_v / scale.PEAK_STEP_V))
    bench.parts[side].registers.chosen[MUX_HF] = counts  # type: ignore[attr-defined]


def closed(bench: Bench) -> None:
    for side in ("left", "right"):
        set_hf(bench, side, 0.015)
    set_rails(bench, rails_a(TARGET_V, TARGET_V))
    bench.close(payload())


def play(bench: Bench, seconds: float, act: Callable[[float], None], renew: bool = False) -> float:
    """Let time pass, `act(t_s)` every scan; return when the relay was opened, infinity when it was not."""
    for n in range(round(seconds * 100)):
        act(n / 100.0)
        if renew and n % 200 == 0:
            bench.send(wire.ACK, wire.pack_ack(0, 0, 5000))
        bench.run(10)
        if not bench.pin(ENABLE):
            return n / 100.0
    return math.inf


def test_a_fast_runaway_within_the_lease_of_a_silent_host(bench: Bench) -> None:
    closed(bench)
    play(bench, 4.0, lambda t_s: None)

    def drop_v(t_s: float) -> float:
        return TARGET_V + 0.002 * (math.exp(t_s / 2.0) - 1.0)

    at_s = play(bench, 5.5, lambda t_s: set_bias(bench, drop_v(t_s)))
    bench.run(200)
    event = bench.newest(wire.EV_TRIPPED)
    assert event[2:4] == (RUNAWAY, 6)
    assert event[6] == pytest.approx(drop_v(at_s), rel=0.1)
    assert drop_v(at_s) < LIMIT_V
    assert "climbs faster and faster" in event[8]
    assert bench.lock.state == wire.TRIPPED


def test_an_oscillation_within_the_lease_of_a_silent_host(bench: Bench) -> None:
    closed(bench)
    play(bench, 5.0, lambda t_s: None)
    set_hf(bench, "right", 0.4)
    set_rails(bench, rails_a(TARGET_V, TARGET_V) + 0.03)
    at_s = play(bench, 4.0, lambda t_s: None)
    bench.run(200)
    assert 0.9 < at_s < 1.5
    event = bench.newest(wire.EV_TRIPPED)
    assert event[2:4] == (OSCILLATION, 12)
    assert event[6] == pytest.approx(0.4, abs=0.02)


def test_a_host_that_renews_its_lease_and_sees_nothing(bench: Bench) -> None:
    closed(bench)

    def drop_v(t_s: float) -> float:
        return TARGET_V + 0.0005 * (math.exp(t_s / 20.0) - 1.0)

    def act(t_s: float) -> None:
        set_bias(bench, drop_v(t_s))
        fakes.ADC.counts[26] = round(scale.ntc_counts(25.0 + 2000.0 * (drop_v(t_s) - TARGET_V)))

    at_s = play(bench, 90.0, act, renew=True)
    bench.run(200)
    assert bench.newest(wire.EV_TRIPPED)[2:4] == (RUNAWAY, 6)
    assert 1.2 * TARGET_V < drop_v(at_s) < LIMIT_V


def test_a_quiet_set_keeps_its_relay_and_the_lease_still_ends(bench: Bench) -> None:
    closed(bench)
    assert play(bench, 20.0, lambda t_s: None, renew=True) == math.inf
    assert play(bench, 12.0, lambda t_s: None) < 10.5
    bench.run(200)
    assert bench.newest(wire.EV_TRIPPED)[2] == wire.CAUSES.index("host-silent")
