"""Two files, one record in force: what survives which failure, and what is refused.

The record's layout and the limits of what is taken are the board's own; the
checksum is CRC-32/ISO-HDLC, whose check value test_wire_golden.py holds.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator
from typing import Any

import firmware_fakes as fakes
import pytest

from wardenfw import scale, wire
from wardenfw.calibration import Calibration, date_of

BOARD = "0001020304050607"
DAY = 9825  # 2026-11-25
Entry = tuple[int, int, int, float, float, float, float, float]


@pytest.fixture(autouse=True)
def uncalibrated() -> Iterator[None]:
    yield
    scale.reset()


def entry(channel: int, gain: float = 1.01, offset: float = 0.002, **changed: float) -> Entry:
    return (
        channel,
        5,
        3,
        gain,
        offset,
        changed.get("centre", 1.0),
        changed.get("u_a", 1e-4),
        changed.get("u_b", 1e-4),
    )


def record(number: int = 1, entries: Any = None, board: str = BOARD) -> bytes:
    taken = [entry(c) for c in range(wire.N_CHANNELS)] if entries is None else entries
    return wire.pack_calibration(board, DAY, 365, number, "bench meter", taken)


def rebooted(flash: fakes.Flash) -> Calibration:
    made = Calibration(flash, BOARD)
    made.load()
    return made


def test_a_board_without_a_record_works_and_says_so() -> None:
    made = rebooted(fakes.Flash())
    assert (made.words, made.crc_hex(), made.record, made.number) == ("uncalibrated", "", b"", 0)
    assert scale.to_si(0, 1000) == 1000 * 31.25e-6


def test_a_stored_record_is_in_force_at_once_and_after_a_restart() -> None:
    flash = fakes.Flash()
    first = rebooted(flash)
    assert first.store(record(1)) == (wire.DONE, "calibrated 2026-11-25, due 2027-11-25")
    for made in (first, rebooted(flash)):
        assert made.record == record(1)
        assert made.words == "calibrated 2026-11-25, due 2027-11-25"
        assert made.crc_hex() == f"{wire.crc32(record(1)[:-4]):08x}"


def test_records_take_turns_and_the_highest_number_is_in_force() -> None:
    flash = fakes.Flash()
    made = rebooted(flash)
    for number in (1, 2, 3, 7):
        before = dict(flash.files)
        held = made.record
        assert made.store(record(number))[0] == wire.DONE
        assert made.number == rebooted(flash).number == number
        # What was in force has not been touched.
        if held:
            assert [n for n in before if before[n] == held == flash.files[n]]
    assert set(flash.files) == {"cal_a.bin", "cal_b.bin"}


def test_the_same_record_again_is_no_write() -> None:
    flash = fakes.Flash()
    made = rebooted(flash)
    made.store(record(4))
    assert made.store(record(4))[0] == wire.DONE
    assert flash.writes == 1
    assert made.store(record(4, [entry(0, 1.02)])) == (wire.R_CALIBRATION, "number 4, and 4 is in force already")
    assert made.store(record(3))[0] == wire.R_CALIBRATION


@pytest.mark.parametrize("held", [0, 1, 2])
def test_power_lost_at_any_byte_leaves_the_old_or_the_new_record(held: int) -> None:
    new = record(9, [entry(0, 0.99, 0.001), entry(4, 1.002)])
    for cut in range(len(new) + 1):
        flash = fakes.Flash()
        made = rebooted(flash)
        for number in range(1, held + 1):
            made.store(record(number))
        old = made.record
        flash.cut_after = cut
        with pytest.raises(fakes.PowerLost):
            made.store(new)
        flash.cut_after = -1
        after = rebooted(flash)
        assert after.record == (new if cut == len(new) else old), cut
        # To a reading, too: the gain is a 32-bit float.
        expected = {0: 1.0, 1: 1.01}[min(held, 1)] if cut < len(new) else 0.99
        assert scale.GAIN[0] / 31.25e-6 == pytest.approx(expected, rel=1e-7)
        # And it takes the next one.
        assert after.store(new)[0] == wire.DONE
        assert rebooted(flash).record == new


@pytest.mark.parametrize("held", [0, 1, 2])
def test_worn_flash_keeps_the_old_record_in_force(held: int) -> None:
    flash = fakes.Flash()
    made = rebooted(flash)
    for number in range(1, held + 1):
        made.store(record(number))
    old, words = made.record, made.words
    flash.worn = 0x10
    answer, text = made.store(record(9, [entry(0, 0.99)]))
    assert answer == wire.R_FLASH
    assert "does not hold what was written" in text
    assert made.record == old
    assert scale.GAIN[0] / 31.25e-6 == pytest.approx(1.01 if held else 1.0, rel=1e-7)
    after = rebooted(flash)
    assert after.record == old
    assert after.words == f"{words}; slot {'b' if held == 1 else 'a'}: damaged"


def test_full_flash_is_told_and_keeps_the_old_record() -> None:
    flash = fakes.Flash()
    made = rebooted(flash)
    made.store(record(1))
    flash.full = True
    answer, text = made.store(record(2))
    assert answer == wire.R_FLASH
    assert "no room" in text
    assert made.number == rebooted(flash).number == 1


def test_a_record_of_another_board_is_told_and_not_used() -> None:
    flash = fakes.Flash()
    flash.files["cal_a.bin"] = record(5, board="e66138528361ab2c")
    made = rebooted(flash)
    assert made.words == "uncalibrated; slot a: record of another board (e66138528361ab2c)"
    assert (made.record, scale.GAIN[0]) == (b"", 31.25e-6)
    flash.files["cal_b.bin"] = record(2)
    made = rebooted(flash)
    assert made.number == 2
    assert made.words.endswith("slot a: record of another board (e66138528361ab2c)")
    # Its place is the one taken next.
    assert made.store(record(3))[0] == wire.DONE
    assert rebooted(flash).words == "calibrated 2026-11-25, due 2027-11-25"


@pytest.mark.parametrize("junk", [b"", b"\0", b"\xff" * 406, record(1)[:-1], record(1) + b"\0", record(1) * 2])
def test_junk_in_a_slot_is_damaged(junk: bytes) -> None:
    flash = fakes.Flash()
    flash.files["cal_b.bin"] = junk
    made = rebooted(flash)
    assert (made.record, made.words) == (b"", "uncalibrated; slot b: damaged")


def test_every_single_bit_error_is_found() -> None:
    whole = record(1, [entry(0)])
    made = Calibration(fakes.Flash(), BOARD)
    for bit in range(8 * len(whole)):
        torn = bytearray(whole)
        torn[bit // 8] ^= 1 << bit % 8
        assert made.store(bytes(torn))[0] == wire.R_CALIBRATION, bit


REFUSED = [
    ("no channel in it", []),
    ("no channel 13", [entry(13)]),
    ("rail_pos_a twice", [entry(0), entry(0)]),
    ("rail_pos_a without a point", [(0, 0, 3, 1.0, 0.0, 1.0, 0.0, 0.0)]),
    ("rail_pos_a: gain 0.79, allowed 0.8 to 1.25", [entry(0, 0.79)]),
    ("rail_pos_a: gain 1.26, allowed 0.8 to 1.25", [entry(0, 1.26)]),
    ("rail_pos_a: gain -1, allowed 0.8 to 1.25", [entry(0, -1.0)]),
    ("rail_pos_a: gain nan, allowed 0.8 to 1.25", [entry(0, math.nan)]),
    ("rail_pos_a: offset 0.76, allowed +-0.75", [entry(0, 1.0, 0.76)]),
    ("rail_neg_v: offset -4.3, allowed +-4.25", [entry(3, 1.0, -4.3)]),
    ("bias_left_v: offset 0.013, allowed +-0.0125", [entry(6, 1.0, 0.013)]),
    ("sink_left_c: offset -5.1, allowed +-5", [entry(8, 1.0, -5.1)]),
    ("ambient_c: offset nan, allowed +-5", [entry(10, 1.0, math.nan)]),
    ("hf_left_v: offset inf, allowed +-2", [entry(11, 1.0, math.inf)]),
    ("rail_pos_a: centre nan", [entry(0, centre=math.nan)]),
    ("rail_pos_a: uncertainty", [entry(0, u_a=-1.0)]),
    ("rail_pos_a: uncertainty", [entry(0, u_b=math.nan)]),
]


@pytest.mark.parametrize(("why", "entries"), REFUSED, ids=[r[0] for r in REFUSED])
def test_an_absurd_calibration_is_refused_with_the_reason(why: str, entries: list[Entry]) -> None:
    flash = fakes.Flash()
    made = rebooted(flash)
    answer, text = made.store(record(1, entries))
    assert answer == wire.R_CALIBRATION
    assert text.startswith(why)
    assert flash.writes == 0
    # Nor is it taken from a flash that somebody else wrote.
    flash.files["cal_a.bin"] = record(1, entries)
    made = rebooted(flash)
    assert made.record == b""
    assert made.words.startswith("uncalibrated; slot a: " + why)


@pytest.mark.parametrize("channel", range(wire.N_CHANNELS))
def test_the_largest_corrections_allowed_are_taken(channel: int) -> None:
    most = 5.0 if 8 <= channel <= 10 else 0.05 * wire.CEILINGS[channel]
    for gain in (0.8001, 1.25):
        for offset in (-0.9999 * most, 0.9999 * most):
            made = rebooted(fakes.Flash())
            assert made.store(record(1, [entry(channel, gain, offset)]))[0] == wire.DONE


def test_dates_are_the_calendar_s() -> None:
    # Python's datetime, proleptic Gregorian calendar of ISO 8601.
    epoch = datetime.date.fromisoformat(wire.CAL_EPOCH)
    for day in range(0, 36_583):
        assert date_of(day) == (epoch + datetime.timedelta(day)).isoformat()
