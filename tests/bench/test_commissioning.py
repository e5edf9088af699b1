"""Commissioning on the virtual rig, whole: it passes a good board and names what is wrong with a bad one."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader

from benchwarden.commission import TEST_IDS, chosen_tests
from benchwarden.commission_run import Commissioned, Places, commission_board
from benchwarden.core.clock import SystemClock
from benchwarden.record.commissioning_records import commissioning_reminders
from benchwarden.record.journal_reader import JournalReader
from benchwarden.virtual.commissioner import Commissioner
from benchwarden.virtual.demo import VirtualBench
from benchwarden.virtual.hands import Hands
from wardenfw import wire

pytestmark = pytest.mark.bench


def commissioned(
    tmp_path: Path,
    fault: str = "none",
    only: tuple[str, ...] = (),
    refuses: frozenset[str] = frozenset(),
    seed: int = 7,
) -> Commissioned:
    places = Places(tmp_path / "records", tmp_path / "runs")
    with VirtualBench(None, fault, 0.0, seed) as bench, Hands(bench.hands) as hands:
        person = Commissioner(hands, refuses=refuses)
        return commission_board(
            bench.port, person, chosen_tests(only), places, "scripted person", SystemClock(), lockstep=True
        )


def test_a_good_board_passes_every_test_and_leaves_its_raw_data(tmp_path: Path) -> None:
    done = commissioned(tmp_path)
    sheet = done.sheet
    assert [(r.test, r.verdict, r.why) for r in sheet.results] == [(test, "pass", "") for test in TEST_IDS]
    assert (sheet.verdict, sheet.virtual, sheet.complete) == ("pass", True, True)
    for result in sheet.results:
        if result.requirement.at_most_ms is not None:
            assert 0 < result.measures[0].high_ms <= result.requirement.at_most_ms, result.test
    table = json.loads(done.json.read_text(encoding="utf-8"))
    assert (table["verdict"], table["virtual"]) == ("pass", True)
    assert done.pdf is not None
    for page in PdfReader(done.pdf).pages:
        assert "virtual bench" in page.extract_text()
    with JournalReader(done.run_dir) as reader:
        assert reader.closed
        assert reader.header()["run_type"] == "commissioning"
        # One for every trip: not for self-test, bypass (opened without one), stall and USB (a new start).
        bursts = reader.bursts()
        assert len(bursts) == len(TEST_IDS) - 4
        assert all(len(burst.records) == burst.total for burst in bursts)
        events = [wire.EVENTS[wire.unpack_event(event.payload)[1]] for event in reader.events()]
        assert events.count("closed") == len(TEST_IDS) - 1
        assert events.count("boot") == 3
        # Nothing closes by itself: every closing follows an arming of its own.
        assert [e for e in events if e in ("armed", "closed")] == ["armed", "closed"] * (len(TEST_IDS) - 1)
        _, boots, _, frames = reader.frames()
        assert len(np.unique(boots)) == 3
        assert set(np.unique(frames["stage_id"])) <= {0, wire.COMMISSION_STAGE}
    assert commissioning_reminders(tmp_path / "records", sheet.board, sheet.ended_at_utc) == ()


@pytest.mark.parametrize(
    ("fault", "test", "part"),
    [
        ("pump-fet-shorted", "self-test", "coil_pump"),
        ("enable-fet-shorted", "self-test", "coil_enable"),
        ("latch-stuck", "self-test", "alert_latch"),
        ("alert-stuck-high", "self-test", "alert_pos, alert_neg"),
        ("coil-supply-missing", "self-test", "coil_pump"),
        ("module-missing", "self-test", "rail_pos"),
        ("module-missing:0/right", "self-test", "output_right"),
        ("wrong-address", "self-test", "rail_pos"),
        ("relay-welded", "loop", "mains relay (welded contact?)"),
        ("shunt-reversed", "loop", "shunt reversed: S+ and S- of rail_pos"),
        ("shunt-reversed/right", "loop", "shunt reversed: S+ and S- of rail_neg"),
        ("modules-swapped", "dc-offset-left", "output modules or their leads are swapped left and right"),
    ],
)
def test_a_fault_fails_at_its_test_with_the_part_named(tmp_path: Path, fault: str, test: str, part: str) -> None:
    only = ("loop", "dc-offset-left", "button")
    done = commissioned(tmp_path, fault, only)
    results = {r.test: r for r in done.sheet.results}
    order = [t.id for t in chosen_tests(only)]
    before, after = order[: order.index(test)], order[order.index(test) + 1 :]
    assert all(results[name].verdict == "pass" for name in before)
    assert results[test].verdict == "fail"
    assert results[test].part.startswith(part)
    assert done.sheet.verdict == "fail"
    if test != "dc-offset-left":
        assert all(results[name].verdict == "not done" for name in after)
    assert done.pdf is not None
    assert "FAILED" in PdfReader(done.pdf).pages[0].extract_text()


def test_some_tests_only_are_never_a_pass(tmp_path: Path) -> None:
    done = commissioned(tmp_path, only=("button",))
    assert [r.verdict for r in done.sheet.results] == ["pass", "pass"]
    assert done.sheet.verdict == "incomplete"
    (said,) = commissioning_reminders(tmp_path / "records", done.sheet.board, done.sheet.ended_at_utc)
    assert "never commissioned" in said


def test_a_person_who_says_no_to_closing_leaves_it_open(tmp_path: Path) -> None:
    done = commissioned(tmp_path, only=("emergency-stop", "button"), refuses=frozenset(["emergency-stop.close"]))
    assert [(r.test, r.verdict) for r in done.sheet.results] == [
        ("self-test", "pass"), ("emergency-stop", "not done"), ("button", "pass"),
    ]  # fmt: skip
    with JournalReader(done.run_dir) as reader:
        events = [wire.EVENTS[wire.unpack_event(event.payload)[1]] for event in reader.events()]
    assert events.count("closed") == 1
