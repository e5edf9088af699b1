"""The guided calibration: what it asks, takes, refuses, writes and keeps."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest
from calibration_bench import BOARD, FACTS, NOW, Bench, Person, situation

from benchwarden.calibrate import AGAIN, ENOUGH, LEAVE_OUT, STOP, Outcome, calibrate, read_channels
from benchwarden.calibrate_driver import guided
from benchwarden.core.calibration import MANY, Calibration, Entry, unpack_calibration
from benchwarden.core.channels import CHANNELS
from benchwarden.core.clock import SystemClock
from benchwarden.core.procedure import NO, Stopped, carry_out
from benchwarden.errors import BoardFault, LinkError, PlanError
from benchwarden.link.messages import Message
from benchwarden.record.board_records import BoardRecords
from wardenfw import wire


def play(
    bench: Bench, special: dict[str, Any] | None = None, meter: float = 1.0, **changes: Any
) -> tuple[Outcome, Person]:
    person = Person(bench, special, meter)
    return carry_out(calibrate(situation(**changes)), person, bench.work), person


def test_a_calibration_finds_gain_and_offset_and_is_written_and_kept() -> None:
    bench = Bench()
    bench.gain["rail_pos_a"], bench.offset["rail_pos_a"] = 1.004, -0.0002
    outcome, person = play(bench)
    assert outcome.path == "records/calibration.json"
    assert outcome.calibration is not None
    entry = outcome.calibration.entry("rail_pos_a")
    assert entry is not None
    assert entry.gain == pytest.approx(1.004, abs=2e-5)
    assert entry.offset == pytest.approx(-0.0002, abs=5e-6)
    assert entry.points == 3
    # The meter's 0.05 % limit alone, JCGM 100 4.3.7; its floor and the noise add a little.
    assert 3.0 * 0.0005 / 3**0.5 < entry.u(3.0) < 1.2 * 3.0 * 0.0005 / 3**0.5
    board, day, due_days, number, reference, entries = wire.unpack_calibration(bench.written[0])
    assert (board, number, reference, due_days) == (BOARD, 1, "meter no. 7", 365)
    assert dt.date(2000, 1, 1) + dt.timedelta(days=day) == dt.date(2026, 11, 25)
    assert entries[0][0] == wire.CHANNELS.index("rail_pos_a")
    record = bench.stored[0]
    assert (record["crc"], record["record"]) == (outcome.calibration.crc, bench.written[0].hex())
    assert (record["operator"], record["program"], record["fw"], record["wire"]) == (
        "A. Person", "0123456789abcdef", "0.1.0", 2,
    )  # fmt: skip
    points = record["channels"]["rail_pos_a"]["points"]
    assert [point["value"] for point in points] == [0.0, 3.0, 1.5]
    assert len(points[0]["everything"]) == len(CHANNELS)
    assert "uncalibrated 2.9882" in person.said, "before"
    assert "corrected 3.0000" in person.said, "after"
    assert "chance of a worse fit" in person.said


def test_two_settings_leave_nothing_to_test_with_and_one_corrects_the_offset() -> None:
    bench = Bench()
    outcome, person = play(bench, {"rail_pos_a.2.ready": ENOUGH})
    assert "leave nothing to test it with" in person.said
    assert outcome.results[0].entry.points == 2
    bench.offset["sink_left_c"] = 0.4
    outcome, person = play(bench, {"sink_left_c.accuracy": "0.1 C"}, channels=("sink_left_c",))
    entry = outcome.results[0].entry
    assert (entry.points, entry.gain) == (1, 1.0)
    assert entry.offset == pytest.approx(0.4, abs=1e-4)
    assert "the gain stays as uncertain as its parts" in person.said


def test_channels_may_be_asked_for() -> None:
    outcome, person = play(
        Bench(), {"channels": ["volts", "rail_neg_a, rail_pos_a"], "rail_neg_a.accuracy": "same"}, channels=()
    )
    assert [result.channel for result in outcome.results] == ["rail_pos_a", "rail_neg_a"]
    assert "channel 'volts'; allowed: all, rail_pos_a" in person.said
    assert outcome.results[1].accuracy == outcome.results[0].accuracy
    assert read_channels("all") == CHANNELS
    with pytest.raises(PlanError, match="allowed"):
        read_channels(" ")


def test_swapped_leads_are_named_and_nothing_is_taken() -> None:
    bench = Bench()
    bench.routes = {"bias_left_v": "bias_right_v", "bias_right_v": "bias_left_v"}
    special = {"bias_left_v.1.ready": [None, LEAVE_OUT], "bias_left_v.accuracy": "0.05 % + 10 uV"}
    outcome, person = play(bench, special, channels=("bias_left_v",))
    assert "instead bias_right_v by 0.20000 V: leads or modules are swapped" in person.said
    assert (outcome.path, bench.written, bench.stored) == ("", [], [])
    assert "nothing is written" in person.said


def test_a_reversed_shunt_is_named() -> None:
    bench = Bench()
    bench.gain["rail_pos_a"] = -1.0
    _, person = play(bench, {"rail_pos_a.1.ready": [None, LEAVE_OUT]})
    assert "the shunt's leads are reversed" in person.said


def test_a_setting_that_creeps_is_taken_only_once_it_is_steady() -> None:
    bench = Bench()

    def creep(number: int) -> None:
        if number == 4:  # after the meter was read at the second setting
            bench.applied["rail_pos_a"] += 0.02

    bench.before_measure = creep
    outcome, person = play(bench)
    assert "Not taken: rail_pos_a moved by 0.02 A while it was read" in person.said
    assert person.asked.count("rail_pos_a.1.ready") == 2
    assert len(outcome.results[0].taken) == 3


def test_something_applied_at_zero_and_a_clipped_reading_are_refused() -> None:
    bench = Bench()
    bench.offset["rail_pos_a"] = -1.0
    _, person = play(bench, {"rail_pos_a.0.ready": [None, LEAVE_OUT]})
    assert "reads 1.000 A with nothing applied; allowed: 0.750 A" in person.said
    bench = Bench()
    bench.gain["bias_left_v"] = 0.81
    special = {"bias_left_v.1.ready": [None, LEAVE_OUT], "bias_left_v.accuracy": "0.05 % + 10 uV"}
    _, person = play(bench, special, channels=("bias_left_v",))
    assert "the end of its range" in person.said


def test_a_mistyped_reading_is_refused_and_the_settings_taken_again() -> None:
    special = {"rail_pos_a.2.reference": ["1.58"], "rail_pos_a.refused": AGAIN}
    outcome, person = play(Bench(), special)
    assert "do not lie on a line" in person.said
    assert person.asked.count("rail_pos_a.0.ready") == 2
    assert outcome.path


def test_a_reference_worse_than_the_board_is_refused() -> None:
    outcome, person = play(Bench(), {"rail_pos_a.accuracy": "1.5 % + 0.03 A", "rail_pos_a.refused": LEAVE_OUT})
    assert "the reference is not good enough" in person.said
    assert not outcome.path


def test_stopping_keeps_what_was_taken_and_a_later_start_goes_on() -> None:
    bench = Bench()
    with pytest.raises(Stopped, match="the settings taken are kept"):
        play(bench, {"rail_pos_a.2.ready": STOP})
    draft = bench.drafts[-1]
    assert [point["value"] for point in draft["channels"]["rail_pos_a"]["points"]] == [0.0, 3.0]
    outcome, person = play(bench, draft=draft)
    assert person.asked[:2] == ["resume", "rail_pos_a.2.ready"], "neither operator nor taken settings are asked again"
    assert len(outcome.results[0].taken) == 3
    assert bench.stored[0]["begun"] == NOW


def test_a_cable_pulled_in_the_middle_loses_no_setting() -> None:
    bench = Bench()

    def pull(number: int) -> None:
        if number == 5:
            raise LinkError("the port is gone")

    bench.before_measure = pull
    with pytest.raises(LinkError, match="gone"):
        play(bench)
    assert len(bench.drafts[-1]["channels"]["rail_pos_a"]["points"]) == 2
    assert not bench.written


def test_a_draft_without_a_setting_is_not_offered() -> None:
    draft = {"format": 1, "board": FACTS["board"], "begun": NOW, "operator": "B", "reference": "x", "channels": {}}
    _, person = play(Bench(), draft=draft)
    assert "resume" not in person.asked
    assert "operator" in person.asked


def test_a_draft_is_offered_only_to_its_own_board_and_may_be_dropped() -> None:
    bench = Bench()
    with pytest.raises(Stopped):
        play(bench, {"rail_pos_a.1.ready": STOP})
    draft = bench.drafts[-1]
    _, person = play(bench, draft={**draft, "board": "another"})
    assert "resume" not in person.asked
    _, person = play(bench, {"resume": NO}, draft=draft)
    assert person.asked[1] == "operator"


def old_calibration() -> Calibration:
    entries = (
        Entry("rail_pos_a", 3, MANY, 1.25, 0.5, 0.0, 2**-10, 2**-10),
        Entry("rail_neg_a", 2, 9, 1.5, 0.25, 0.0, 2**-10, 2**-10),
    )
    return Calibration(BOARD, dt.date(2026, 3, 1), 365, 7, "old meter", entries)


def test_channels_not_calibrated_this_time_keep_their_entries_and_dates() -> None:
    old = old_calibration()
    bench = Bench(in_force=old)
    bench.gain["rail_pos_a"] = 1.01
    channels = {"rail_neg_a": {"date": "2025-06-01", "due": "2026-12-01", "reference": "older meter"}}
    earlier = ({"crc": "00000000", "number": 9}, {"crc": old.crc, "number": 7, "channels": channels})
    outcome, person = play(bench, in_force=old, earlier=earlier)
    made = unpack_calibration(bench.written[0])
    assert made is not None
    assert made.number == 10, "higher than any this board was ever given"
    assert made.entry("rail_neg_a") == old.entry("rail_neg_a")
    found = made.entry("rail_pos_a")
    assert found is not None
    assert found.gain == pytest.approx(1.01, abs=2e-5), "from what an uncalibrated board would have read"
    assert made.due == dt.date(2026, 12, 1), "the earliest of all channels"
    assert made.reference == "meter no. 7 and others"
    kept = bench.stored[0]["channels"]["rail_neg_a"]
    assert (kept["kept"], kept["date"], kept["due"], kept["reference"]) == (
        True,
        "2025-06-01",
        "2026-12-01",
        "older meter",
    )
    assert "rail_neg_a: kept, of 2025-06-01" in person.said
    assert outcome.calibration is not None


def test_without_the_hosts_record_a_kept_channel_has_the_boards_date() -> None:
    old = old_calibration()
    bench = Bench(in_force=old)
    play(bench, in_force=old)
    assert bench.stored[0]["channels"]["rail_neg_a"]["date"] == "2026-03-01"


def test_a_no_writes_nothing() -> None:
    bench = Bench()
    outcome, person = play(bench, {"write": NO})
    assert (outcome.path, bench.written, bench.stored) == ("", [], [])
    assert "the points are kept" in person.said


def test_a_board_that_does_not_hold_what_was_written_is_an_error() -> None:
    bench = Bench()
    bench.held = b""
    with pytest.raises(BoardFault, match="holds 0 bytes of calibration that are not the"):
        play(bench)
    assert bench.stored == [], "no record of what did not happen"


def test_half_written_settings_are_told_before_anything_else() -> None:
    words = "calibrated 2026-01-10, due 2027-01-10; slot b: damaged"
    _, person = play(Bench(), facts={**FACTS, "cal": words})
    assert person.told[0] == f"Board {BOARD}, firmware 0.1.0: {words}."


class LostClient:
    """A client whose port goes away at the first measurement."""

    boot = 1
    hello_facts = Message(
        wire.WIRE_VERSION,
        wire.HELLO,
        0,
        b'{"board": "e6", "fw": "0", "wire": 2, "boot": 1, "state": "safe", "selftest": {"ok": true}}',
    ).hello()

    def info(self, topic: int) -> bytes:
        return b""

    def hello(self, timeout_s: float) -> Any:
        raise LinkError("the port is gone")


def test_a_lost_port_says_where_the_settings_are_kept(tmp_path: Path) -> None:
    records = BoardRecords(tmp_path, "e6")
    with pytest.raises(LinkError, match=r"the port is gone; the settings taken are kept in .*boards/e6, start again"):
        guided(LostClient(), SystemClock(), records, Person(Bench()), ("rail_pos_a",))  # type: ignore[arg-type]
