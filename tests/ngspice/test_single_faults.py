"""One part of the relay chain open, shorted or stuck: what the table says is what the simulation does.

There is no outside figure to hold this to: the requirement is the design's own
(hardware/README.md): no single fault may leave the coil held whatever opens it,
and none that disables one way of opening may stay unseen by the self-test.
"""

from __future__ import annotations

import csv

import pytest

from circuits import single_fault
from circuits.single_fault import Outcome

pytestmark = pytest.mark.ngspice

with single_fault.FAULTS.open(encoding="utf-8", newline="") as _file:
    TABLE = [Outcome(**row) for row in csv.DictReader(_file)]
ROWS = {(row.part, row.fault): row for row in TABLE}
# Simulated anew each time: everything that is more than plainly safe, and the transistors.
AGAIN = [
    fault
    for fault in single_fault.faults()
    if fault.ref in ("Q1", "Q2", "D7", "D8") or "others" in getattr(ROWS.get((fault.ref, fault.words)), "result", "")
]


def test_table_has_every_fault_of_every_part() -> None:
    assert list(ROWS) == [("none", "none"), *((fault.ref, fault.words) for fault in single_fault.faults())]


def test_no_single_fault_is_unsafe_and_none_that_weakens_is_unseen() -> None:
    for row in TABLE:
        assert row.idle == "stays open", row
        assert row.result != "unsafe", row
        if "HELD" in (row.stops_low, row.stops_high, row.enable_low, row.alert, row.estop):
            assert row.seen != "nothing", row


def test_the_sound_chain_closes_and_opens_in_every_way() -> None:
    sound = single_fault.play(None)
    assert sound == ROWS["none", "none"]
    assert (sound.closes, sound.seen, sound.result) == ("yes", "nothing", "safe")


@pytest.mark.parametrize("fault", AGAIN, ids=lambda fault: f"{fault.ref} {fault.words}")
def test_simulation_says_what_the_table_says(fault: single_fault.Fault) -> None:
    assert single_fault.play(fault) == ROWS[fault.ref, fault.words]


def test_a_suppressor_from_the_coil_to_ground_would_be_found() -> None:
    # The usual place for it; shorted, it holds the coil whatever the transistors do.
    held = single_fault.play(single_fault.Fault("Q1", "node A to ground", shorted=(("Q1", "D", "S"), ("Q2", "D", "S"))))
    assert held.result == "unsafe"
