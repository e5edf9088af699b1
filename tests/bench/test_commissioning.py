"""Commissioning on the virtual rig, whole: it passes a good board and names what is wrong with a bad one."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from playing import UNIT_TOML, short_plan
from pypdf import PdfReader

from benchwarden import commission_driver
from benchwarden.commission import TEST_IDS, chosen_tests
from benchwarden.commission_run import Commissioned, Places, commission_board
from benchwarden.core.clock import SystemClock
from benchwarden.core.procedure import Ask
from benchwarden.core.requests import Request
from benchwarden.core.stages import State
from benchwarden.core.unit import load_unit
from benchwarden.dashboard.status import parse
from benchwarden.record.commissioning_records import commissioning_reminders
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.summary import read_summary
from benchwarden.run import supervise
from benchwarden.supervisor import RunInfo
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


class _Leaves:
    """Somebody who ends the run as soon as it begins."""

    def __init__(self) -> None:
        self._asked = False

    def acts(self, state: State, values: dict[str, float]) -> list[Request]:
        requests = [] if self._asked else [Request("1", "abort", 0, "N. N.", "")]
        self._asked = True
        return requests


def test_a_run_says_before_power_that_the_board_was_never_commissioned(tmp_path: Path) -> None:
    unit_path = tmp_path / "unit.toml"
    unit_path.write_text(UNIT_TOML, encoding="utf-8")
    run_dir, clock, said = tmp_path / "run", SystemClock(), list[str]()
    run_dir.mkdir()
    info = RunInfo("test", clock.utc_label(), True, 0.0, give_up_s=5.0)
    with VirtualBench(unit_path, "none", 0.0, 1) as bench:
        plan = short_plan(load_unit(unit_path))
        supervise(plan, bench.port, run_dir, clock, info, _Leaves(), said.append, tmp_path / "records")
    reminder = "This board was never commissioned: nobody has proven that it trips"
    assert any(words.startswith(f"CAUTION: {reminder}") for words in said)
    status = read_summary(run_dir)
    assert status["board"]["commissioning"][0].startswith(reminder)
    assert any(message["text"].startswith(reminder) for message in status["messages"])
    shown = parse(status).board
    assert shown is not None
    assert shown.reminders[0].startswith(reminder)
    text = " ".join("".join(page.extract_text() for page in PdfReader(run_dir / "record.pdf").pages).split())
    assert text.count("never commissioned") >= 3, "among the cautions, the events and the facts of the instrument"


class _Thinks(Commissioner):
    """Takes their time, as people do; at one question until the relay is open."""

    is_quick = False

    def __init__(self, hands: Hands, say: Callable[[str], object], stuck_at: str = "") -> None:
        super().__init__(hands, say)
        self._watched = hands
        self._stuck_at = stuck_at

    def answer(self, ask: Ask) -> str:
        time.sleep(0.2)
        while ask.id == self._stuck_at and self._watched.state()["contact_closed"]:
            time.sleep(0.05)
        return super().answer(ask)


def thought_over(tmp_path: Path, test: str, stuck_at: str = "") -> tuple[Commissioned, list[str]]:
    said: list[str] = []
    places = Places(tmp_path / "records", tmp_path / "runs")
    with VirtualBench(None, "none", 0.0, 7) as bench, Hands(bench.hands) as hands:
        person = _Thinks(hands, said.append, stuck_at)
        tests = chosen_tests((test,))
        return commission_board(bench.port, person, tests, places, "N. N.", SystemClock(), lockstep=True), said


def test_the_record_goes_on_while_a_person_thinks(tmp_path: Path) -> None:
    done, _ = thought_over(tmp_path, "button")
    assert [r.verdict for r in done.sheet.results] == ["pass", "pass"]
    with JournalReader(done.run_dir) as reader:
        assert reader.gaps() == []
        assert [note for note in reader.notes() if note.kind == "gap"] == []


def test_a_person_who_walks_away_does_not_leave_the_relay_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(commission_driver, "ANSWER_S", 0.5)
    done, said = thought_over(tmp_path, "bypass", "bypass.closed")
    assert done.sheet.results[1].verdict == "fail"
    assert any("the relay has been asked to open" in words for words in said)
