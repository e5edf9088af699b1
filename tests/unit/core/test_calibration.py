"""A calibration as data, and what uncertainty the numbers shown carry."""

from __future__ import annotations

import datetime as dt
import math
import struct

import pytest
from scipy import stats

from benchwarden.core.calibration import (
    MANY,
    Calibration,
    Entry,
    u_gain_of_parts,
    uncertainty,
    unpack_calibration,
)
from benchwarden.core.channels import CHANNELS
from benchwarden.core.tolerances import read_tolerances, tolerances
from benchwarden.errors import PlanError, RecordError
from wardenfw import wire

# Numbers that a 32-bit float holds exactly.
ENTRY = Entry("rail_pos_a", 3, 49, 1.0078125, -0.001953125, 0.5, 0.0009765625, 0.001953125)


def calibration(*entries: Entry) -> Calibration:
    return Calibration(
        "e66138528361", dt.date(2026, 1, 10), 365, 4, "bench meter, 0.5 % + 3 digits", entries or (ENTRY,)
    )


def test_a_record_goes_to_the_board_and_comes_back() -> None:
    made = calibration()
    record = made.pack()
    assert unpack_calibration(record) == made
    assert (wire.unpack_calibration(record)[0], wire.unpack_calibration(record)[1]) == ("e66138528361", 9506)
    assert made.crc == f"{struct.unpack('<I', record[-4:])[0]:08x}"
    assert unpack_calibration(b"") is None


def test_a_damaged_record_is_refused_in_words() -> None:
    record = bytearray(calibration().pack())
    record[40] ^= 1
    with pytest.raises(RecordError, match="not whole and intact: crc"):
        unpack_calibration(bytes(record))
    with pytest.raises(RecordError, match="not whole and intact: length"):
        unpack_calibration(calibration().pack()[:-30])
    strange = wire.pack_calibration("e6", 0, 0, 1, "", [(200, 2, 9, 1.0, 0.0, 0.0, 0.0, 0.0)])
    with pytest.raises(RecordError, match="a channel this program does not know"):
        unpack_calibration(strange)


def test_words_tell_date_due_and_what_is_missing() -> None:
    made = calibration()
    assert made.words(dt.date(2026, 2, 1)) == "calibrated 2026-01-10, due 2027-01-10, 1 of 13 channels"
    assert made.words(dt.date(2027, 1, 11)).startswith("calibration overdue since 2027-01-10")
    every = calibration(*(Entry(name, 2, MANY, 1.0, 0.0, 0.0, 0.0, 0.0) for name in CHANNELS))
    assert every.words(dt.date(2027, 1, 10)) == "calibrated 2026-01-10, due 2027-01-10"


def test_correction_and_its_inverse() -> None:
    assert ENTRY.corrected(2.0) == 2.0 * 1.0078125 - 0.001953125
    assert ENTRY.uncorrected(ENTRY.corrected(2.0)) == pytest.approx(2.0, rel=1e-12)


def test_an_uncalibrated_channel_carries_the_tolerances_of_its_parts() -> None:
    found = uncertainty("rail_pos_a", 2.0)
    # By hand from tolerances.toml: evenly distributed limits (JCGM 100 4.3.7), root of the sum of squares.
    gains, offsets = (0.005, 0.0005, 0.0015, 0.001, 0.0004), (1e-4, 6e-5)
    by_hand = math.sqrt((sum((g * 2.0) ** 2 for g in gains) + sum(o**2 for o in offsets)) / 3)
    assert found.half_width == pytest.approx(1.959964 * by_hand, rel=1e-6)
    assert (found.dof, found.k) == (math.inf, pytest.approx(1.959964, rel=1e-6))
    assert "not calibrated" in found.basis
    other = uncertainty("rail_neg_a", 2.0, calibration())
    assert other == found, "a record that leaves a channel out leaves it uncalibrated"


def test_a_calibrated_channel_carries_the_fit_and_what_stays_of_the_parts() -> None:
    few = Entry("rail_pos_a", 3, 4, 1.0, 0.0, 0.5, 0.01, 0.002)
    found = uncertainty("rail_pos_a", 2.0, calibration(few))
    u_fit = math.hypot(0.01, 0.002 * 1.5)
    stays = math.sqrt(((0.0015 * 2) ** 2 + (0.001 * 2) ** 2 + (0.0004 * 2) ** 2 + 6e-5**2) / 3)
    u = math.hypot(u_fit, stays)
    # JCGM 100 G.4.1: one component has 4 degrees of freedom, the other as many as you like.
    dof = 4 * (u / u_fit) ** 4
    assert found.dof == pytest.approx(dof)
    assert found.k == pytest.approx(stats.t.ppf(0.975, math.floor(dof)))
    assert found.half_width == pytest.approx(found.k * u)
    assert "calibration of 2026-01-10 (3 points)" in found.basis
    assert found.half_width > uncertainty("rail_pos_a", 2.0, calibration(ENTRY)).half_width


def test_every_channel_has_tolerances_and_calibrating_pays() -> None:
    for name in CHANNELS:
        assert tolerances(name)
        value = 40.0 if name.endswith("_c") else 1.0
        perfect = Entry(name, 2, MANY, 1.0, 0.0, 0.0, 0.0, 0.0)
        assert 0 < uncertainty(name, value, calibration(perfect)).half_width < uncertainty(name, value).half_width
        assert 0 < u_gain_of_parts(name) < 0.2
    assert tolerances("bias_right_v") == tolerances("bias_left_v")


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ('[[channel.volts]]\nname="x"', r"channel.volts; allowed: rail_pos_a"),
        ('[[channel.rail_pos_a]]\nname="x"\nlimit=1', "allowed: all of kind, limit, name, removed, source"),
        (
            '[[channel.rail_pos_a]]\nname="x"\nkind="scale"\nlimit=1\nremoved=true\nsource="s"',
            "allowed: gain, offset, linearity",
        ),
        (
            '[[channel.rail_pos_a]]\nname="x"\nkind="linearity"\nlimit=1\nremoved=true\nsource="s"',
            "no linearity",
        ),
        ('[[channel.rail_pos_a]]\nname="x"\nkind="gain"\nlimit=0\nremoved=true\nsource="s"', "a number above 0"),
        ('[[channel.rail_pos_a]]\nname="x"\nkind="gain"\nlimit=1\nremoved=1\nsource="s"', "true, false"),
        ('[[channel.rail_pos_a]]\nname="x"\nkind="gain"\nlimit=1\nremoved=true\nsource="s"', "nothing for rail_pos_v"),
        ("[[channel", "tolerances.toml: "),
    ],
)
def test_a_wrong_tolerances_file_is_named(line: str, why: str) -> None:
    with pytest.raises(PlanError, match=why):
        read_tolerances(line)
