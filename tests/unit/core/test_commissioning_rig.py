"""The rig that may be used, and what makes a commissioning pass."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from benchwarden.core.commissioning import Measure, Requirement, Rig, Sheet, TestResult, checked_rig
from benchwarden.errors import PlanError

GOOD = Rig(30.0, 10.0, 100.0)
DONE = TestResult("loop", "Loop", Requirement("open", 45.0, "this test"), "pass", (Measure("a", "b", None, 3060.0),))
SHEET = Sheet({"board": "e6"}, False, "N. N.", "2026-11-25T12:00:00Z", "2026-11-25T13:00:00Z", 180, GOOD, (DONE,),
              True, "run", "0.1.0")  # fmt: skip


def test_a_usable_rig_is_taken() -> None:
    assert checked_rig(GOOD) is GOOD
    assert (GOOD.amps, GOOD.low_volts) == (3.0, 20.0)


@pytest.mark.parametrize(
    ("rig", "words"),
    [
        (replace(GOOD, volts=30.1), r"supply 30.1 V; allowed: 5 to 30 V.*never use mains"),
        (replace(GOOD, volts=float("nan")), "allowed: 5 to 30 V"),
        (replace(GOOD, volts=4.0), "allowed: 5 to 30 V"),
        (replace(GOOD, ohms=100.0), r"draws 0.5 to 6 A, which is 5.0 to 60.0 ohm"),
        (replace(GOOD, ohms=4.0), "draws 0.5 to 6 A"),
        (replace(GOOD, ohms=0.0), "ohm; allowed"),
        (replace(GOOD, watts=50.0), "resistor for 50 W; allowed: at least the 90 W"),
    ],
)
def test_an_unfit_rig_is_refused_with_what_is_allowed(rig: Rig, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        checked_rig(rig)


def test_only_a_whole_commissioning_with_every_test_passed_is_a_pass() -> None:
    assert SHEET.verdict == "pass"
    assert replace(SHEET, complete=False).verdict == "incomplete"
    assert replace(SHEET, results=()).verdict == "incomplete"
    assert replace(SHEET, results=(DONE, replace(DONE, verdict="not done"))).verdict == "incomplete"
    assert replace(SHEET, results=(DONE, replace(DONE, verdict="fail"))).verdict == "fail"
    assert replace(SHEET, complete=False, results=(replace(DONE, verdict="fail"),)).verdict == "fail"


def test_a_sheet_is_plain_json() -> None:
    table = SHEET.table()
    assert json.loads(json.dumps(table, allow_nan=False))["results"][0]["measures"][0]["low_ms"] is None
    assert table["verdict"] == "pass"


def test_bounds_are_rounded_outwards() -> None:
    assert Measure("a", "b", 10.4, 17.5).words() == "10 to 18 ms"
    assert Measure("a", "b", 10.0, 20.0).words() == "10 to 20 ms"
    assert Measure("a", "b", None, 3060.2).words() == "at most 3061 ms"
