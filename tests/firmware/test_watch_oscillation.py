"""The board's own oscillation rule, and what looks like an oscillation and is none.

GSM sends one slot in eight of 4.615 ms (3GPP TS 45.002, from memory), so the least reading
of a frame stays at the baseline; everything else here is invented and only has to be told apart.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from firmware_bench import NAN
from watch_bench import OSCILLATION, Reading, feed, guard_of, payload

from wardenfw import wire

IDLE_A, BEGINS_S = 0.14, 20.0


def after(value: float, before: float, from_s: float = BEGINS_S, to_s: float = math.inf) -> Reading:
    return lambda t_s: value if from_s - 1e-6 <= t_s < to_s - 1e-6 else before


def hf(left_v: Reading = 0.015, right_v: Reading = 0.015) -> dict[str, Any]:
    return {"hf_left_v": left_v, "hf_right_v": right_v}


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("level_v", [0.12, 0.3, 0.9])
def test_one_output_up_and_the_rails_with_it(side: str, level_v: float) -> None:
    found = feed(
        *(guard_of(payload()), 40.0),
        **{f"hf_{side}_v": after(level_v, 0.015)},
        rails_a=after(IDLE_A + 0.02, IDLE_A),
    )
    assert found is not None
    at_s, (cause, channel, value, limit, words) = found
    assert (cause, wire.CHANNELS[channel]) == (OSCILLATION, f"hf_{side}_v")
    assert value == pytest.approx(level_v, abs=0.005)
    assert 0.06 < limit < level_v
    # Ten frames of it.
    assert at_s - BEGINS_S == pytest.approx(0.9, abs=0.01)
    assert f"{'right' if side == 'left' else 'left'} output quiet" in words
    assert "rails up by 40 mA" in words
    assert len(words.encode()) <= 120


def test_a_gross_one_within_two_frames() -> None:
    found = feed(guard_of(payload()), 40.0, hf_right_v=after(12.0, 0.015), rails_a=after(IDLE_A + 0.4, IDLE_A))
    assert found is not None
    assert found[0] - BEGINS_S == pytest.approx(0.1, abs=0.01)


def test_bursts_add_up() -> None:
    def up(t_s: float) -> bool:
        return t_s > BEGINS_S and t_s % 5.0 < 0.3

    found = feed(
        *(guard_of(payload()), 120.0),
        hf_left_v=lambda t_s: 2.0 if up(t_s) else 0.015,
        hf_low=hf(lambda t_s: 0.9 if up(t_s) else 0.015),
        rails_a=lambda t_s: IDLE_A + (0.05 if up(t_s) else 0.0),
    )
    assert found is not None
    assert found[1][0] == OSCILLATION


def test_a_burst_an_hour_is_left_to_the_host() -> None:
    guard = guard_of(payload())
    for n in range(12):
        found = feed(
            *(guard, n * 60.0 + 60.0),
            begin_s=n * 60.0,
            hf_left_v=after(0.9, 0.015, n * 60.0 + 30.0, n * 60.0 + 30.3),
            rails_a=after(IDLE_A + 0.05, IDLE_A, n * 60.0 + 30.0, n * 60.0 + 30.3),
        )
        assert found is None


def test_a_telephone_leaves_minima_at_the_baseline() -> None:
    # Means and maxima go up with the slots, and somebody's set draws more at the same moment.
    found = feed(
        *(guard_of(payload()), 60.0),
        hf_left_v=after(2.0, 0.015),
        hf_low=hf(),
        rails_a=after(IDLE_A + 0.05, IDLE_A),
    )
    assert found is None


@pytest.mark.parametrize("share", [0.3, 1.0])
def test_a_transmitter_reaches_both_outputs(share: float) -> None:
    # Even with a rail current that rises at the same moment.
    found = feed(
        *(guard_of(payload()), 300.0),
        hf_left_v=after(0.9, 0.015),
        hf_right_v=after(0.015 + share * 0.885, 0.015),
        rails_a=after(IDLE_A + 0.05, IDLE_A),
    )
    assert found is None


@pytest.mark.parametrize("current_a", [0.0, 0.004, -0.05])
def test_one_output_up_alone_is_left_to_the_limits(current_a: float) -> None:
    # A modern telephone beside one output sends without a break.
    found = feed(guard_of(payload()), 300.0, hf_left_v=after(0.9, 0.015), rails_a=after(IDLE_A + current_a, IDLE_A))
    assert found is None


def test_current_that_comes_later_is_not_its_company() -> None:
    # Something near transmits for minutes, and the set warms up meanwhile.
    found = feed(
        *(guard_of(payload()), 300.0),
        hf_left_v=after(0.9, 0.015),
        rails_a=lambda t_s: IDLE_A * (1.0 + 0.01 * t_s),
    )
    assert found is None


def test_rails_that_rise_carry_the_current() -> None:
    found = feed(
        *(guard_of(payload()), 60.0),
        hf_left_v=after(0.9, 0.015),
        rails_a=after(IDLE_A + 0.05, IDLE_A),
        rail_pos_v=after(43.5, 42.0),
        rail_neg_v=after(-43.5, -42.0),
    )
    assert found is None


def test_clicks_are_one_scan() -> None:
    found = feed(
        *(guard_of(payload()), 60.0),
        hf_left_v=lambda t_s: 0.8 if round(t_s * 10) % 4 == 0 else 0.015,
        hf_low=hf(),
    )
    assert found is None


def test_clipping_with_the_test_signal_on() -> None:
    found = feed(guard_of(payload(drive_on=True)), 60.0, hf_left_v=after(0.9, 0.015), rails_a=after(1.4, IDLE_A))
    assert found is None


def test_what_was_there_when_the_stage_began_has_nothing_before_it() -> None:
    assert feed(guard_of(payload()), 60.0, hf_left_v=0.4, rails_a=0.3) is None


@pytest.mark.parametrize("end_v", [0.05, 0.12])
def test_a_baseline_that_creeps_is_followed(end_v: float) -> None:
    guard = guard_of(payload())
    creeping = feed(
        *(guard, 1200.0),
        hf_left_v=lambda t_s: 0.01 + (end_v - 0.01) * t_s / 1200.0,
        rails_a=lambda t_s: IDLE_A + 0.002 * math.sin(t_s),
    )
    assert creeping is None
    assert guard.watch.oscillation.base[0] == pytest.approx(end_v * 1e4, rel=0.1)


def test_an_output_without_a_reading_is_not_judged() -> None:
    found = feed(guard_of(payload()), 60.0, hf_left_v=NAN, rails_a=after(IDLE_A + 0.05, IDLE_A))
    assert found is None


def test_an_output_noisier_than_most_gets_a_baseline_of_its_own() -> None:
    guard = guard_of(payload())
    assert feed(guard, 400.0, hf_left_v=0.11) is None
    assert guard.watch.oscillation.base[0] == pytest.approx(1100, abs=20)
    found = feed(*(guard, 420.0), begin_s=400.0, hf_left_v=after(0.4, 0.11, 410.0), rails_a=after(0.18, 0.14, 410.0))
    assert found is not None
    assert found[1][0] == OSCILLATION
