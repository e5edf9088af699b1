"""The board's own runaway rule on closed forms.

Source of the signals: a first-order thermal loop of gain g and time constant tau answers a
disturbance with exp((g - 1) t / tau) (linear feedback; stable if dP/dTj < 1/Rth, textbook relation).
Times and multiples are invented; what must hold for all of them is asserted.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from firmware_bench import NAN
from watch_bench import LIMIT_V, OSCILLATION, RUNAWAY, TARGET_V, feed, guard_of, payload

from wardenfw import scale, wire
from wardenfw.guard import Guard
from wardenfw.watch import PIECES, Watch

SETTLE_S = 10.0


def runs_away(gain: float, tau_s: float, from_v: float = TARGET_V, by_v: float = 0.0005) -> Callable[[float], float]:
    """Return the drop of a stage whose loop gain is above one from SETTLE_S on."""

    def drop_v(t_s: float) -> float:
        if t_s < SETTLE_S:
            return from_v
        return min(from_v + by_v * (math.exp((gain - 1.0) * (t_s - SETTLE_S) / tau_s) - 1.0), 0.25)

    return drop_v


def warms_up(gain: float, tau_s: float, from_v: float, to_v: float) -> Callable[[float], float]:
    """Return the drop of a healthy stage on its way from cold to its equilibrium."""
    return lambda t_s: to_v - (to_v - from_v) * math.exp(-(1.0 - gain) * t_s / tau_s)


def limit_s(drop_v: Callable[[float], float], of_v: float = LIMIT_V) -> float:
    """Return when the plain limit is reached."""
    return next(n / 10.0 for n in range(100_000) if drop_v(n / 10.0) > of_v)


def sink_of(drop_v: Callable[[float], float], k_per_v: float = 400.0) -> Callable[[float], float]:
    """Return a sink that follows its stage's heat."""
    return lambda t_s: 35.0 + k_per_v * (drop_v(t_s) - drop_v(0.0))


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(("gain", "tau_s"), [(1.5, 2.0), (2.0, 2.0), (3.0, 8.0), (2.0, 15.0)])
def test_a_fast_runaway_opens_before_its_limit_though_the_sink_has_not_moved(
    side: str, gain: float, tau_s: float
) -> None:
    drop_v = runs_away(gain, tau_s)
    found = feed(guard_of(payload()), 300.0, **{f"bias_{side}_v": drop_v})
    assert found is not None
    at_s, (cause, channel, value, limit, words) = found
    assert (cause, wire.CHANNELS[channel]) == (RUNAWAY, f"bias_{side}_v")
    assert value == pytest.approx(drop_v(at_s), abs=1e-5)
    assert limit == pytest.approx(LIMIT_V, abs=1e-5)
    assert at_s < limit_s(drop_v)
    # Not before it is far above where it started, and not when the limit is hours away.
    assert drop_v(at_s) > 1.2 * TARGET_V
    assert "the rails carry it" in words
    assert len(words.encode()) <= 120


@pytest.mark.parametrize(("gain", "tau_s"), [(1.5, 60.0), (2.0, 120.0), (1.2, 20.0), (3.0, 200.0)])
def test_a_slow_runaway_is_seen_with_its_sink(gain: float, tau_s: float) -> None:
    drop_v = runs_away(gain, tau_s, by_v=0.001)
    found = feed(guard_of(payload()), 1500.0, bias_left_v=drop_v, sink_left_c=sink_of(drop_v))
    assert found is not None
    assert found[1][0] == RUNAWAY
    assert limit_s(drop_v) - found[0] > 5.0
    assert found[1][4].endswith("the sink goes along")


def test_a_slow_climb_whose_sink_stays_is_no_runaway() -> None:
    drop_v = runs_away(2.0, 120.0, by_v=0.001)
    assert feed(guard_of(payload()), limit_s(drop_v), bias_left_v=drop_v) is None


def test_a_sink_without_a_reading_does_not_hide_a_runaway() -> None:
    drop_v = runs_away(2.0, 120.0, by_v=0.001)
    assert feed(guard_of(payload()), limit_s(drop_v), bias_left_v=drop_v, sink_left_c=NAN) is not None


@pytest.mark.parametrize("gain", [0.0, 0.3, 0.6, 0.9, 0.97])
@pytest.mark.parametrize("tau_s", [1.0, 5.0, 30.0, 300.0])
def test_a_stable_stage_that_warms_up_nearly_to_its_limit_is_left_alone(gain: float, tau_s: float) -> None:
    drop_v = warms_up(gain, tau_s, 0.3 * TARGET_V, 0.97 * LIMIT_V)
    until_s = min(SETTLE_S + 6.0 * tau_s / (1.0 - gain), 1200.0)
    assert feed(guard_of(payload()), until_s, bias_left_v=drop_v, sink_left_c=sink_of(drop_v)) is None


def test_a_straight_climb_is_left_to_the_limits() -> None:
    def drop_v(t_s: float) -> float:
        return min(TARGET_V + 0.0004 * t_s, 0.99 * LIMIT_V)

    assert feed(guard_of(payload()), 60.0, bias_left_v=drop_v, sink_left_c=sink_of(drop_v)) is None


def test_growth_far_below_the_limit_is_no_danger_yet() -> None:
    drop_v = runs_away(2.0, 2.0, from_v=0.3 * TARGET_V)
    assert feed(guard_of(payload()), limit_s(drop_v, 0.55 * LIMIT_V), bias_left_v=drop_v) is None


@pytest.mark.parametrize(("tau_s", "rise"), [(2.0, 0.35), (20.0, 0.35)])
def test_rails_that_rise_carry_the_bias_with_them(tau_s: float, rise: float) -> None:
    # Somebody turns the transformer up faster and faster; the idle current follows several times over.
    drop_v = runs_away(2.0, tau_s)

    def volts(t_s: float) -> float:
        return 42.0 * (drop_v(t_s) / TARGET_V) ** rise

    end_s = limit_s(drop_v)
    found = feed(
        *(guard_of(payload()), end_s),
        bias_left_v=drop_v,
        bias_right_v=drop_v,
        sink_left_c=sink_of(drop_v),
        sink_right_c=sink_of(drop_v),
        rail_pos_v=volts,
        rail_neg_v=lambda t_s: -volts(t_s),
    )
    assert found is None


@pytest.mark.parametrize("size_v", [0.002, 0.005, 0.009])
@pytest.mark.parametrize("took_s", [0.0, 0.3, 1.0])
def test_a_leap_of_a_contact_is_no_growth(size_v: float, took_s: float) -> None:
    def drop_v(t_s: float) -> float:
        warm = TARGET_V * 1.1 + 0.0005 * (1.0 - math.exp(-t_s / 300.0))
        return warm + size_v * min(max(t_s - 80.0, 0.0) / max(took_s, 1e-9), 1.0)

    assert feed(guard_of(payload()), 200.0, bias_left_v=drop_v, sink_left_c=sink_of(drop_v)) is None


def test_two_leaps_are_no_growth_either() -> None:
    def drop_v(t_s: float) -> float:
        return 0.0085 + 1e-5 * t_s + (0.0065 if t_s > 80.0 else 0.0) + (0.007 if t_s > 84.5 else 0.0)

    assert feed(guard_of(payload()), 100.0, bias_left_v=drop_v) is None


def test_a_reading_alone_is_no_current() -> None:
    found = feed(guard_of(payload()), 60.0, bias_left_v=runs_away(2.0, 2.0), rails_a=0.14)
    assert found is None


def test_a_hand_on_the_pots_is_allowed_where_the_stage_lets_the_bias_go_that_fast() -> None:
    drop_v = runs_away(2.0, 4.0)
    assert feed(guard_of(payload()), 60.0, bias_left_v=drop_v) is not None
    assert feed(guard_of(payload(hands=True)), limit_s(drop_v), bias_left_v=drop_v) is None


def test_a_slow_runaway_while_hands_may_turn_the_pots_is_still_seen() -> None:
    drop_v = runs_away(2.0, 120.0, by_v=0.001)
    found = feed(guard_of(payload(hands=True)), limit_s(drop_v), bias_left_v=drop_v, sink_left_c=sink_of(drop_v))
    assert found is not None


def test_the_rails_tell_of_a_pair_that_no_bias_channel_sees() -> None:
    def amps(t_s: float) -> float:
        return 0.4 + 0.02 * (math.exp(max(t_s - SETTLE_S, 0.0) / 3.0) - 1.0)

    found = feed(guard_of(payload()), 60.0, rails_a=lambda t_s: min(amps(t_s), 5.0))
    assert found is not None
    at_s, (cause, channel, value, limit, words) = found
    assert (cause, channel, limit) == (RUNAWAY, 0, pytest.approx(1.0, abs=1e-3))
    assert value == pytest.approx(amps(at_s), abs=1e-3)
    assert amps(at_s) < 1.0
    assert words.endswith("rail voltage has not risen")


def test_with_the_test_signal_on_the_limits_guard() -> None:
    drop_v = runs_away(2.0, 2.0)
    assert feed(guard_of(payload(drive_on=True)), limit_s(drop_v), bias_left_v=drop_v) is None


def test_another_stage_begins_anew() -> None:
    drop_v = runs_away(2.0, 4.0)
    (seen_s, _) = feed(guard_of(payload()), 60.0, bias_left_v=drop_v) or (math.nan, None)
    guard = guard_of(payload())
    assert feed(guard, seen_s - 0.2, bias_left_v=drop_v) is None
    guard.load(guard_of(payload()).stage)
    found = feed(guard, seen_s + 20.0, begin_s=seen_s - 0.2, bias_left_v=drop_v)
    # Three seconds to settle, and the shortest window.
    assert found is None or found[0] > seen_s + 4.5


def test_missing_readings_are_no_points() -> None:
    drop_v = runs_away(2.0, 4.0)

    def holed(t_s: float) -> float:
        return NAN if round(t_s * 10) % 7 == 0 else drop_v(t_s)

    assert feed(guard_of(payload()), limit_s(drop_v), bias_left_v=holed) is None


@pytest.mark.parametrize("noise_v", [0.0, 2e-5, 2e-4])
@pytest.mark.parametrize("step_v", [0.0, 1e-4])
def test_noise_and_coarse_steps_make_no_growth(noise_v: float, step_v: float) -> None:
    # Amplitudes beyond the converter's own (ADS1115 step 7.8 uV, SBAS444D table 3).
    state = [12345]

    def noisy(t_s: float) -> float:
        # 31-bit linear congruence (Knuth's MMIX multiplier); sum of four: nearly normal.
        total = 0.0
        for _ in range(4):
            state[0] = (state[0] * 6364136223846793005 + 1442695040888963407) & 0xFFFFFFFFFFFFFFFF
            total += (state[0] >> 33) / 2**31 - 0.5
        value = 1.6 * TARGET_V + noise_v * total * math.sqrt(3.0)
        return round(value / step_v) * step_v if step_v else value

    assert feed(guard_of(payload()), 600.0, bias_left_v=noisy, bias_right_v=noisy) is None


@pytest.mark.parametrize(("gain", "offset"), [(1.02, 0.0), (0.97, 0.0005), (1.0, -0.002)])
def test_levels_are_calibrated_volts(gain: float, offset: float) -> None:
    drop_v = runs_away(2.0, 4.0)
    plain = feed(guard_of(payload()), 60.0, bias_left_v=drop_v)
    scale.calibrate([(6, 4, 3, gain, offset, 0.0, 0.0, 0.0)])
    try:
        found = feed(guard_of(payload()), 60.0, bias_left_v=drop_v)
    finally:
        scale.reset()
    assert plain is not None
    assert found is not None
    assert found[0] == pytest.approx(plain[0], abs=0.11)
    assert found[1][2:4] == pytest.approx(plain[1][2:4], abs=2e-4)


class Small(int):
    """An integer as the board has it without allocating: 31 bits with sign; any float is refused."""

    @staticmethod
    def _made(value: Any) -> Small:
        assert isinstance(value, int), "a float allocates"
        assert -(1 << 30) <= value < 1 << 30, f"{value} is no small integer"
        return Small(value)

    def _with(name: str) -> Any:  # type: ignore[misc]
        plain = getattr(int, name)

        def operate(self: Small, other: Any) -> Small:
            assert isinstance(other, int), "a float allocates"
            return Small._made(plain(self, other))

        return operate

    __add__, __radd__, __sub__, __rsub__ = map(_with, ("__add__", "__radd__", "__sub__", "__rsub__"))
    __mul__, __rmul__, __floordiv__, __rfloordiv__ = map(
        _with, ("__mul__", "__rmul__", "__floordiv__", "__rfloordiv__")
    )
    __lshift__, __rshift__, __and__ = map(_with, ("__lshift__", "__rshift__", "__and__"))


@pytest.fixture
def small_history(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the rules see nothing but small integers."""
    from wardenfw.history import History

    back = History.back
    frame = Watch.frame

    def small(values: list[int]) -> list[int]:
        return [Small(v) for v in values]

    monkeypatch.setattr(History, "back", lambda self, *of: Small(back(self, *of)))
    # What a finding says is worked out once, in floats.
    monkeypatch.setattr(Watch, "_oscillation", lambda self, k: (OSCILLATION,))
    monkeypatch.setattr(Watch, "_runaway", lambda self: (RUNAWAY,))
    monkeypatch.setattr(Watch, "frame", lambda self, means, low: frame(self, small(means), small(low)))


@pytest.mark.usefixtures("small_history")
@pytest.mark.parametrize(("hf_v", "cause"), [(39.0, OSCILLATION), (0.0, RUNAWAY)])
def test_nothing_in_the_scan_leaves_the_small_integers(hf_v: float, cause: int) -> None:
    # Ceilings of wire.py: the largest that a stage may name and a channel read.
    wide: dict[str, tuple[float, float]] = {
        "bias_left_v": (NAN, 0.25),
        "bias_right_v": (NAN, 0.25),
        "rail_pos_a": (NAN, 15.0),
        "rail_neg_a": (NAN, 15.0),
        "rail_pos_v": (NAN, 85.0),
        "rail_neg_v": (-85.0, NAN),
        "hf_left_v": (NAN, 40.0),
        "hf_right_v": (NAN, 40.0),
    }
    guard: Guard = guard_of(payload(**wide))
    guard.watch.runaway._top = [Small(top) for top in guard.watch.runaway._top]

    def swings(t_s: float) -> float:
        return 0.05 + 0.2 * (t_s / 120.0) ** 4

    seen = feed(
        *(guard, 119.0),
        bias_left_v=swings,
        bias_right_v=swings,
        rails_a=lambda t_s: 15.0 * swings(t_s) / 0.25,
        rail_pos_v=84.0,
        rail_neg_v=-84.0,
        sink_left_c=lambda t_s: 200.0 * swings(t_s),
        hf_left_v=lambda t_s: hf_v if t_s % 20.0 > 10.0 else 0.0,
    )
    assert seen is not None, "nothing was worked out to its end"
    assert seen[1][0] == cause


def test_a_frame_is_worked_through_in_the_slots_there_are() -> None:
    # Slots 2 and 3 of ten scans, less the six in which the frame itself is made.
    assert PIECES <= 14
