"""A run is started as asked, by a list of arguments, once, and only by two presses."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import fake_run
import pytest

from benchwarden.analysis.planner import power_up_plan
from benchwarden.cli import _parser
from benchwarden.core.cold_checks import CHANNELS, COLD_CHECKS
from benchwarden.core.job import CheckResult, Job
from benchwarden.core.part_lots import PartLot
from benchwarden.dashboard.app import make_site
from benchwarden.dashboard.confirm import LATEST_S, SOONEST_S
from benchwarden.dashboard.plan_before import ready_before
from benchwarden.dashboard.plan_form import EXAMPLE
from benchwarden.dashboard.plan_start import (
    FAULTS,
    NO_FAULT,
    Begun,
    Starter,
    Wish,
    checked_port,
    checked_speed,
    command,
    going_on,
)
from benchwarden.errors import PlanError, RecordError, StageError
from benchwarden.jobs.store import open_store
from benchwarden.record.summary import NAME, write_summary
from benchwarden.virtual import faults
from conftest import OwnClock


def _command(wish: Wish, root: Path) -> list[str]:
    return command(wish, root / "u" / "unit.toml", root / "u" / "plan.toml", root / "runs", root / "records")


@pytest.mark.parametrize(
    ("typed", "port"),
    [
        ("", "auto"),
        (" /dev/ttyACM0 ", "/dev/ttyACM0"),
        ("/dev/serial/by-id/usb-MicroPython_Board_e66-if00", "/dev/serial/by-id/usb-MicroPython_Board_e66-if00"),
        ("COM5", "COM5"),
        ("socket://127.0.0.1:4000", "socket://127.0.0.1:4000"),
        ("socket://[::1]:4000", "socket://[::1]:4000"),
    ],
)
def test_ports_that_are_taken(typed: str, port: str) -> None:
    assert checked_port(typed) == port


@pytest.mark.parametrize(
    "typed",
    ["-h", "--runs=/", "/etc/passwd", "/dev/../etc/passwd", "com5", "COM", "socket://", "socket://h:x", "http://h:1",
     "loop://", "/dev/tty ACM0", "/dev/x;reboot", "ttyACM0", "spy:///dev/ttyACM0", "$(reboot)", "/dev/a\n-h"],
)  # fmt: skip
def test_what_is_no_port_is_refused_with_what_is_allowed(typed: str) -> None:
    with pytest.raises(StageError, match="allowed: empty to find the board"):
        checked_port(typed)


@pytest.mark.parametrize("typed", ["", "fast", "-1", "0.05", "101", "nan"])
def test_speeds_are_checked(typed: str) -> None:
    with pytest.raises(StageError, match="allowed: 0 "):
        checked_speed(typed)
    assert checked_speed("0") == 0.0
    assert checked_speed("2,5") == 2.5


def test_a_board_run_is_the_command_lines_own(tmp_path: Path) -> None:
    found = _command(Wish("one", False, "/dev/ttyACM0"), tmp_path)
    assert found[:3] == [sys.executable, "-m", "benchwarden"]
    args = _parser().parse_args(found[3:])
    assert (args.unit, args.plan) == (tmp_path / "u" / "unit.toml", tmp_path / "u" / "plan.toml")
    assert (args.port, args.runs, args.records) == ("/dev/ttyACM0", tmp_path / "runs", tmp_path / "records")
    assert args.no_page
    assert args.burn_in is None


def test_job_and_reason_go_along_as_values_whatever_they_begin_with(tmp_path: Path) -> None:
    wish = Wish("one", False, "/dev/ttyACM0", job="--runs=/", unchecked="-- meter is away")
    found = command(wish, *[tmp_path / "unit.toml"] * 2, tmp_path / "runs", tmp_path)
    args = _parser().parse_args(found[3:])
    assert (args.job, args.unchecked) == ("--runs=/", "-- meter is away")
    assert args.runs == tmp_path / "runs"
    virtual = replace(wish, virtual=True, port="")
    args = _parser().parse_args(command(virtual, *[tmp_path / "u.toml"] * 2, tmp_path, tmp_path)[3:])
    # Nothing can be hurt there: no reason is asked for.
    assert (args.job, hasattr(args, "unchecked")) == ("--runs=/", False)


def test_a_board_run_without_checks_is_not_announced(tmp_path: Path) -> None:
    plan = power_up_plan(EXAMPLE)
    with pytest.raises(PlanError, match="nothing was closed"):
        ready_before(Wish("one", False), plan, str(tmp_path / "jobs"), tmp_path)
    (said,) = ready_before(Wish("one", False, unchecked="meter is away for calibration"), plan, "", tmp_path)
    assert "because: meter is away for calibration" in said
    assert ready_before(Wish("one", True), plan, "", tmp_path) == ()
    with pytest.raises(RecordError):
        ready_before(Wish("one", False, job="7"), plan, str(tmp_path / "nowhere"), tmp_path)


def test_doubts_of_the_job_are_said_before_the_second_press(tmp_path: Path) -> None:
    address = str(tmp_path / "jobs")
    why = "made by the previous shift"
    checks = tuple(
        CheckResult(check.key, "skipped", side, why=why)
        for check in COLD_CHECKS
        for side in (CHANNELS if check.per_channel else ("",))
    )
    lot = PartLot("A", "LM 6001N", source="unknown", ink="odd", case_rest="odd")
    with open_store(address) as store:
        store.create(Job("7", cold_checks=checks))
        store.create(Job("8", cold_checks=checks, lots=(replace(lot, ink="as expected", case_rest="as expected"),)))
        store.create(Job("9", lots=(lot,)))
    plan = power_up_plan(EXAMPLE)
    calm = ready_before(Wish("one", False, job="7"), plan, address, tmp_path)
    assert all(why in said for said in calm)
    assert "More careful than usual" in ready_before(Wish("one", False, job="8"), plan, address, tmp_path)[-1]
    with pytest.raises(PlanError, match="the checks before power do not let this run start"):
        ready_before(Wish("one", False, job="9"), plan, address, tmp_path)


def test_a_virtual_run_is_the_command_lines_own(tmp_path: Path) -> None:
    found = _command(Wish("one", True, speed="20", fault="runaway-slow"), tmp_path)
    args = _parser().parse_args(found[3:])
    assert (args.speed, args.fault, args.by_hand, args.no_page) == (20.0, "runaway-slow", True, True)
    assert (args.unit, args.plan) == (tmp_path / "u" / "unit.toml", tmp_path / "u" / "plan.toml")
    with pytest.raises(StageError, match="allowed: none, device-shorted"):
        _command(Wish("one", True, fault="--help"), tmp_path)


def test_the_list_of_faults_is_the_virtual_benchs() -> None:
    known = dict(FAULTS)
    for name in (*faults.FAULTS, *faults.LOOK_ALIKES):
        assert name in known
    assert set(known) == {NO_FAULT, *faults.FAULTS, *faults.LOOK_ALIKES}
    for name, fault in faults.FAULTS.items():
        assert known[name] == fault.summary


def _status(runs: Path, name: str, phase: str, age_s: float = 0.0) -> None:
    (runs / name).mkdir(parents=True)
    write_summary(runs / name, fake_run.fresh(phase))
    then = time.time() - age_s
    os.utime(runs / name / NAME, (then, then))


def test_a_run_that_is_going_on_is_known(tmp_path: Path) -> None:
    assert going_on(tmp_path / "none") == ""
    _status(tmp_path, "20260101T0900Z-old", "holding", age_s=60.0)
    _status(tmp_path, "20260102T0900Z-done", "finished")
    assert going_on(tmp_path) == ""
    _status(tmp_path, "20260101T0800Z-live", "tripped")
    assert going_on(tmp_path) == "20260101T0800Z-live"


@pytest.fixture
def starter(tmp_path: Path, clock: OwnClock) -> Iterator[Starter]:
    found = Starter(tmp_path / "runs", clock)
    yield found
    if found._process is not None:
        found._process.kill()
        found._process.wait()


def _pressed_twice(starter: Starter, clock: OwnClock, arguments: list[str]) -> None:
    ticket = starter.announce(arguments)
    clock.sleep(1.0)
    starter.start(ticket)


def test_no_second_start_while_a_run_goes_on(starter: Starter, clock: OwnClock, tmp_path: Path) -> None:
    ticket = starter.announce([sys.executable, "-c", "pass"])
    _status(tmp_path / "runs", "20260101T0900Z-live", "holding")
    with pytest.raises(StageError, match="run 20260101T0900Z-live is going on"):
        starter.announce([sys.executable, "-c", "pass"])
    # Also one that began between the two presses.
    clock.sleep(1.0)
    with pytest.raises(StageError, match="is going on"):
        starter.start(ticket)
    assert starter.begun() is None


def test_no_second_start_while_the_first_is_still_coming_up(starter: Starter, clock: OwnClock) -> None:
    _pressed_twice(starter, clock, [sys.executable, "-c", "import time; time.sleep(60)"])
    assert starter.begun() is not None
    with pytest.raises(StageError, match="has not ended"):
        starter.announce([sys.executable, "-c", "pass"])


def test_two_presses_neither_as_one_nor_far_apart(starter: Starter, clock: OwnClock) -> None:
    arguments = [sys.executable, "-c", "pass"]
    ticket = starter.announce(arguments)
    clock.sleep(0.5 * SOONEST_S)
    with pytest.raises(StageError, match="two presses came as one"):
        starter.start(ticket)
    clock.sleep(LATEST_S + 1.0)
    with pytest.raises(StageError, match="after the first"):
        starter.start(ticket)
    with pytest.raises(StageError, match="press the first button again"):
        starter.start("guess")
    assert starter.begun() is None


def test_a_start_that_fails_says_its_last_words(starter: Starter, clock: OwnClock, tmp_path: Path) -> None:
    (tmp_path / "unit.toml").write_text("rated_power_w = 9999\n", encoding="utf-8")
    _pressed_twice(
        starter, clock, command(Wish("one", False), *[tmp_path / "unit.toml"] * 2, tmp_path / "runs", tmp_path)
    )
    begun = _ended(starter)
    assert begun.code == 2
    assert begun.folder == ""
    assert any("rated_power_w = 9999; allowed: 1 to 500" in line for line in begun.lines)


def test_what_is_started_is_on_its_own(starter: Starter, clock: OwnClock, tmp_path: Path) -> None:
    script = (
        "import os, sys; print('Run folder: ' + sys.argv[1]); "
        "print(os.getsid(0) == os.getpid(), repr(sys.stdin.read()), '\\x1b[2J')"
    )
    _pressed_twice(starter, clock, [sys.executable, "-c", script, str(tmp_path / "runs" / "20260101-x")])
    begun = _ended(starter)
    assert begun.folder == "20260101-x"
    # A session of its own, nothing to read, and no control characters to a browser.
    assert begun.lines[-1] == "True '' \N{REPLACEMENT CHARACTER}[2J"
    assert len(list((tmp_path / "runs").glob("started-*.log"))) == 1


def _ended(starter: Starter) -> Begun:
    for _ in range(400):
        begun = starter.begun()
        assert begun is not None
        if begun.state == "ended":
            return begun
        time.sleep(0.05)
    raise AssertionError("still running")


def test_over_the_shared_address_the_plan_can_be_looked_at_and_no_more(tmp_path: Path) -> None:
    readable = " ".join(outputs for page, outputs in make_site(tmp_path).context.readable if page == "/plan/")
    for shows in ("plan-glance.children", "said-load_ohm.children", "opened.data"):
        assert shows in readable
    for acts in ("announced-start.data", "start-now.children", "sets.options"):
        assert acts not in readable
