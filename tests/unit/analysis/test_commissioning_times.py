"""Times of an opening out of full-rate records, against made-up openings whose instants are known exactly."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.analysis import commissioning as judge
from benchwarden.core.channels import CHANNELS
from benchwarden.core.commissioning import Opening, Requirement, Scans, Told
from wardenfw import wire

LIMIT_A = 2.5
BASE_A, OVER_A = 2.0, 3.0
SLOTS_MS = 7.5
REQUIRED = Requirement("45 ms", 45.0, "this test")


def opening(
    cause_ms: float,
    release_ms: float,
    arc_ms: float = 0.0,
    channel: str = "rail_pos_a",
    gone: bool = True,
    chatter_ms: float = 0.0,
) -> tuple[Opening, float]:
    """Return a trip by a limit as the firmware records it, and the true instant of the contact.

    The current steps at `cause_ms`; the first sample after it drops the coil at
    once; the contact follows after `release_ms`, the current after `arc_ms` more.
    Samples are taken 7.5 ms before the end of their scan, pins at its end.
    """
    ends = np.arange(1, 251) * 10.0
    samples = ends - SLOTS_MS
    trip = int(np.searchsorted(samples, cause_ms, side="right"))
    dropped_ms = float(samples[trip])
    open_ms = dropped_ms + release_ms
    gone_ms = open_ms + arc_ms
    amps = np.where(samples <= cause_ms, BASE_A, OVER_A)
    if gone:
        amps = np.where(samples >= gone_ms, 0.001, amps)
    value = np.zeros((250, len(CHANNELS)))
    value[:, CHANNELS.index(channel)] = amps
    bits = np.where(ends < dropped_ms, wire.COIL_ON, 0) | wire.ESTOP_OK
    chatters = (ends >= open_ms + chatter_ms / 2) & (ends < open_ms + chatter_ms)
    bits = np.where((ends < open_ms) | chatters, bits | wire.MAINS_ON, bits)
    scans = Scans(ends.astype(np.int64), bits.astype(np.uint8), value, trip)
    told = Told(int(dropped_ms), "tripped", "over-current", channel, OVER_A, LIMIT_A, "")
    return Opening(told, None, scans), open_ms + chatter_ms


def judged(made: Opening, requirement: Requirement = REQUIRED, channel: str = "rail_pos_a") -> judge.Finding:
    return judge.judge_limit(made, requirement, channel, math.nan, LIMIT_A, "over-current", channel, BASE_A)


@given(st.floats(1000.0, 1010.0), st.floats(0.5, 80.0), st.floats(0.0, 15.0))
def test_every_true_time_lies_between_the_bounds(cause_ms: float, release_ms: float, arc_ms: float) -> None:
    made, open_ms = opening(cause_ms, release_ms, arc_ms)
    found = judged(made, replace(REQUIRED, at_most_ms=1000.0))
    assert found.ok
    contact, coil, current = found.measures
    assert contact.low_ms <= open_ms - cause_ms <= contact.high_ms
    assert current.low_ms <= open_ms + arc_ms - cause_ms <= current.high_ms
    assert coil.low_ms <= 10.0 <= coil.high_ms <= 20.0
    # One scan for the cause, one for the effect, and the sample's age.
    assert contact.high_ms - contact.low_ms <= 30.0


@given(st.floats(1000.0, 1010.0), st.floats(0.5, 20.0))
def test_a_relay_that_is_quick_enough_always_passes(cause_ms: float, release_ms: float) -> None:
    assert judged(opening(cause_ms, release_ms)[0]).ok


@given(st.floats(1000.0, 1009.9), st.floats(45.1, 90.0))
def test_a_relay_that_is_too_slow_never_passes(cause_ms: float, release_ms: float) -> None:
    found = judged(opening(cause_ms, release_ms)[0])
    assert not found.ok
    assert "expected at most 45 ms" in found.why
    assert "release" in found.part


def test_a_chattering_contact_is_closed_until_it_rests() -> None:
    made, open_ms = opening(1003.0, 5.0, chatter_ms=30.0)
    contact = judged(made).measures[0]
    assert contact.low_ms <= open_ms - 1003.0 <= contact.high_ms


def test_a_contact_that_never_opens_names_the_relay() -> None:
    made, _ = opening(1000.0, 5000.0)
    found = judged(made)
    assert (found.ok, found.measures) == (False, ())
    assert "never read open" in found.why
    assert "mains relay" in found.part


def test_a_current_that_flows_on_behind_an_open_mirror_contact_is_told() -> None:
    found = judged(opening(1000.0, 5.0, gone=False)[0])
    assert not found.ok
    assert "rail_pos_a still reads 3.000 A" in found.why


def test_another_trip_than_the_one_expected_fails() -> None:
    made, _ = opening(1000.0, 5.0)
    found = judged(made, channel="rail_neg_a")
    assert "tripped for over-current of rail_pos_a, expected over-current of rail_neg_a" in found.why
    assert judged(replace(made, tripped=None)).why == "the relay opened without a trip on record"


def test_a_record_without_the_cause_fails() -> None:
    made, _ = opening(1000.0, 5.0)
    assert made.scans is not None
    flat = np.zeros_like(made.scans.value)
    assert "does not show when rail_pos_a" in judged(replace(made, scans=replace(made.scans, value=flat))).why
    assert "does not show" in judged(replace(made, scans=None)).why


def pin_opening(pressed_ms: float, release_ms: float, text: str) -> tuple[Opening, np.ndarray, float]:
    ends = np.arange(1, 251) * 10.0
    shows = ends >= pressed_ms
    trip = int(np.argmax(shows))
    open_ms = float(ends[trip]) + release_ms
    bits = np.where(ends < ends[trip], wire.COIL_ON, 0)
    bits = np.where(ends < open_ms, bits | wire.MAINS_ON, bits)
    value = np.zeros((250, len(CHANNELS)))
    value[:, 0] = np.where(ends - SLOTS_MS < open_ms, BASE_A, 0.0)
    told = Told(int(ends[trip]), "tripped", "operator", "", 0.0, 0.0, text)
    return Opening(told, None, Scans(ends.astype(np.int64), bits.astype(np.uint8), value, trip)), shows, open_ms


@given(st.floats(1000.0, 1010.0), st.floats(0.5, 20.0))
def test_a_stop_is_timed_from_the_last_record_without_it(pressed_ms: float, release_ms: float) -> None:
    made, shows, open_ms = pin_opening(pressed_ms, release_ms, "emergency stop")
    found = judge.judge_pin(made, REQUIRED, shows, "emergency stop", "emergency stop", BASE_A)
    assert found.ok, found.why
    assert found.measures[0].low_ms <= open_ms - pressed_ms <= found.measures[0].high_ms


@given(st.floats(1000.0, 1010.0), st.floats(0.1, 5.0), st.floats(0.5, 20.0))
def test_an_alert_is_timed_from_its_threshold(set_ms: float, answers_ms: float, release_ms: float) -> None:
    ends = np.arange(1, 251) * 10.0
    dropped_ms = set_ms + answers_ms
    open_ms = dropped_ms + release_ms
    bits = np.where(ends < dropped_ms, wire.COIL_ON, 0) | np.where(ends < open_ms, wire.MAINS_ON, 0)
    bits |= np.where((ends >= dropped_ms) & (ends < open_ms), wire.LATCH_SET, 0)
    value = np.zeros((250, len(CHANNELS)))
    value[:, 1] = np.where(ends - SLOTS_MS < open_ms, BASE_A, 0.0)
    trip = int(np.argmax(ends >= dropped_ms))
    scans = Scans(ends.astype(np.int64), bits.astype(np.uint8), value, trip)
    told = Told(int(dropped_ms), "tripped", "over-current", "rail_neg_a", BASE_A, 1.0, "alert line; value is ...")
    required = Requirement("37.5 ms", 37.5, "this test")
    # The board's event time is a whole millisecond, rounded down.
    found = judge.judge_alert(Opening(told, None, scans), required, "rail_neg_a", int(set_ms), BASE_A)
    assert found.ok, found.why
    contact = found.measures[0]
    assert contact.low_ms <= open_ms - int(set_ms) <= contact.high_ms <= open_ms - set_ms + 13.5
    wrong = judge.judge_alert(Opening(told, None, scans), required, "rail_pos_a", int(set_ms), BASE_A)
    assert wrong.part == "alert line of rail_pos"


@pytest.mark.parametrize(("away_ms", "ok"), [(3000.0, True), (3350.0, False)])
def test_silence_is_timed_from_the_last_acknowledged_frame(away_ms: float, ok: bool) -> None:
    made, _, open_ms = pin_opening(2000.0, 5.0, "lease ended")
    assert made.tripped is not None
    made = replace(made, tripped=replace(made.tripped, cause="host-silent"))
    acked_ms = int(open_ms - away_ms)
    found = judge.judge_silence(made, Requirement("3.2 s", 3200.0, "this test"), acked_ms, BASE_A)
    assert found.ok is ok
    assert found.measures[0].high_ms == pytest.approx(away_ms, abs=11.0)
    assert found.measures[0].words().startswith("at most ")


def unplugged(gone_ms: float, channel: str, by_alert: bool = False) -> tuple[Opening, float]:
    ends = np.arange(1, 251) * 10.0
    samples = ends - SLOTS_MS
    missing = samples >= gone_ms
    first = int(np.argmax(missing))
    dropped_ms = gone_ms + 1.0 if by_alert else float(samples[first + 11])
    open_ms = dropped_ms + 8.0
    value = np.zeros((250, len(CHANNELS)))
    value[:, 0] = np.where(samples < open_ms, BASE_A, 0.0)
    value[missing, CHANNELS.index(channel)] = np.nan
    bits = np.where(ends < dropped_ms, wire.COIL_ON, 0) | np.where(ends < open_ms, wire.MAINS_ON, 0)
    trip = int(np.argmax(ends >= dropped_ms))
    cause, text = ("over-current", "alert line") if by_alert else ("sensor-fault", "")
    told = Told(int(dropped_ms), "tripped", cause, "" if by_alert else channel, math.nan, 0.0, text)
    return Opening(told, None, Scans(ends.astype(np.int64), bits.astype(np.uint8), value, trip)), open_ms


@given(st.floats(1000.0, 1010.0))
def test_an_unplugged_sensor_is_timed_from_its_last_sample(gone_ms: float) -> None:
    made, open_ms = unplugged(gone_ms, "sink_left_c")
    required = Requirement("157.5 ms", 157.5, "this test")
    found = judge.judge_unplugged(made, required, "sink_left_c", "rail_pos_a", BASE_A, False)
    assert found.ok, found.why
    assert found.measures[0].low_ms <= open_ms - gone_ms <= found.measures[0].high_ms
    other = judge.judge_unplugged(made, required, "sink_right_c", "rail_pos_a", BASE_A, False)
    assert "missing: sink_left_c" in other.why
    assert "exchanged" in other.part


@pytest.mark.parametrize(("cause", "of"), [("sensor-fault", "rail_neg_a"), ("over-current", "")])
def test_an_unplugged_rail_module_may_be_quicker_by_its_alert(cause: str, of: str) -> None:
    made, _ = unplugged(1003.0, "rail_neg_a", by_alert=True)
    assert made.tripped is not None
    made = replace(made, tripped=replace(made.tripped, cause=cause, channel=of))
    required = Requirement("157.5 ms", 157.5, "this test")
    found = judge.judge_unplugged(made, required, "rail_neg_a", "rail_pos_a", BASE_A, True)
    assert found.ok, found.why
    assert "alert line" in found.seen[0]
    assert not judge.judge_unplugged(made, required, "rail_neg_a", "rail_pos_a", BASE_A, False).ok


@pytest.mark.parametrize(
    ("told_ms", "ok", "words"),
    [(33.0, True, "32 to 34 ms"), (79.0, True, ""), (80.0, False, "at most 80"), (120.0, False, "took 119 to 121"),
     (0.0, False, "no stall"), (65535.0, False, "did not open")],
)  # fmt: skip
def test_a_stall_is_judged_by_what_the_board_counted(told_ms: float, ok: bool, words: str) -> None:
    found = judge.judge_stall(told_ms, Requirement("80 ms", 80.0, "this test"))
    assert found.ok is ok
    assert words in found.why + "".join(measure.words() for measure in found.measures)


@given(st.floats(1000.0, 1010.0), st.floats(0.5, 20.0))
def test_an_asked_opening_is_timed_from_the_coil(asked_ms: float, release_ms: float) -> None:
    ends = np.arange(1, 251) * 10.0
    open_ms = asked_ms + release_ms
    bits = np.where(ends < asked_ms, wire.COIL_ON, 0) | np.where(ends < open_ms, wire.MAINS_ON, 0)
    value = np.zeros((250, len(CHANNELS)))
    value[:, 0] = np.where(ends - SLOTS_MS < open_ms, BASE_A, 0.0)
    made = Opening(None, None, Scans(ends.astype(np.int64), bits.astype(np.uint8), value, 101))
    found = judge.judge_command(made, Requirement("32.5 ms", 32.5, "this test"), BASE_A)
    assert found.ok, found.why
    assert found.measures[0].low_ms <= release_ms <= found.measures[0].high_ms


@pytest.mark.parametrize(
    ("pos_a", "neg_a", "why", "part"),
    [
        (2.0, 2.01, "", ""),
        (-2.0, 2.0, "wrong sign", "shunt reversed: S+ and S- of rail_pos"),
        (2.0, -2.0, "wrong sign", "shunt reversed: S+ and S- of rail_neg"),
        (2.0, math.nan, "missing", "rail module rail_neg"),
        (2.4, 2.4, "within 10%", "rail_pos or the rig"),
        (2.0, 2.1, "same current", "shunt of a rail module"),
        (0.0, 0.0, "within 10%", "rail_pos or the rig"),
    ],
)
def test_currents_of_one_loop_must_agree(pos_a: float, neg_a: float, why: str, part: str) -> None:
    said, named = judge.wrong_currents({"rail_pos_a": pos_a, "rail_neg_a": neg_a}, 2.0)
    assert why in said
    assert named == part
