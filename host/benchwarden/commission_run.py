"""One commissioning from a port to its signed-off sheet: connect, prove, keep, print."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden import __version__
from benchwarden.commission import TEST_IDS, commission
from benchwarden.commission_driver import Driver, Person
from benchwarden.commission_moves import Test
from benchwarden.core.clock import Clock
from benchwarden.core.commissioning import Rig, Sheet, TestResult
from benchwarden.core.procedure import Stopped
from benchwarden.errors import BenchwardenError, LinkError
from benchwarden.link.board_client import BoardClient
from benchwarden.link.messages import Hello
from benchwarden.link.serial_port import open_port, port_finder
from benchwarden.record.board_records import BoardRecords
from benchwarden.record.commissioning_records import KIND
from benchwarden.record.journal import Journal
from benchwarden.record.records_settings import interval_days
from benchwarden.report.commissioning import write_sheet
from benchwarden.run import new_run_dir

HELLO_S = 10.0


@dataclass(frozen=True)
class Commissioned:
    """What a commissioning left behind; `pdf` is None when it could not be printed."""

    sheet: Sheet
    json: Path
    pdf: Path | None
    run_dir: Path


@dataclass(frozen=True)
class Places:
    """Where things are kept: the boards' records, and the folder of runs for the raw data."""

    records: Path
    runs: Path


def commission_board(
    port_name: str,
    person: Person,
    tests: Sequence[Test],
    places: Places,
    operator: str,
    clock: Clock,
    lockstep: bool = False,
) -> Commissioned:
    """Commission the board at a port and keep the sheet.

    A procedure that the person ends early leaves a sheet too, of what was done.

    Args:
        lockstep: see commission_driver.Driver.

    Raises:
        LinkError: no board to talk to.
        RecordError: the journal or the sheet could not be written; the relay was opened.
    """
    days = interval_days(places.records)
    started = clock.utc_label()
    client = BoardClient(open_port(port_name), clock, port_finder(port_name))
    try:
        hello = client.hello(HELLO_S)
        run_dir = new_run_dir(places.runs, "commissioning", started)
        person.tell(f"Board {hello.board}, firmware {hello.fw}, calibration: {hello.cal}. Raw data: {run_dir}")
        with Journal.create(run_dir, _header(run_dir.name, started, hello, operator)) as journal:
            driver = Driver(client, journal, clock, hello, person, lockstep)

            def keep(rig: Rig | None, results: Sequence[TestResult]) -> Commissioned:
                sheet = Sheet(
                    board=driver.hello.facts(),
                    virtual=hello.board.startswith("virtual"),
                    operator=operator,
                    started_at_utc=started,
                    ended_at_utc=clock.utc_label(),
                    interval_days=days,
                    rig=rig,
                    results=tuple(results),
                    complete=[test.id for test in tests] == list(TEST_IDS),
                    run=run_dir.name,
                    host_version=__version__,
                )
                journal.append_note("commissioning", None, sheet.table())
                return _kept(places.records, sheet, run_dir, person.tell)

            return _proven(driver, tests, keep)
    finally:
        # A port that cannot be closed in form takes nothing from what was recorded.
        with suppress(LinkError):
            client.close()


def _proven(
    driver: Driver, tests: Sequence[Test], keep: Callable[[Rig | None, Sequence[TestResult]], Commissioned]
) -> Commissioned:
    try:
        rig, results = driver.carry_out(commission(tests))
    except Stopped as stopped:
        return keep(driver.rig, _with_rest(driver.results, tests, str(stopped)))
    except BaseException as error:
        # Whatever ended it: what was proven, and above all what was not, is still written down.
        with suppress(BenchwardenError):
            keep(driver.rig, _with_rest(driver.results, tests, str(error) or type(error).__name__))
        raise
    return keep(rig, results)


def _with_rest(done: Sequence[TestResult], tests: Sequence[Test], why: str) -> tuple[TestResult, ...]:
    rest = [
        TestResult(test.id, test.title, test.requirement, "not done", why=f"ended before: {why}")
        for test in tests[len(done) :]
    ]
    return (*done, *rest)


def _header(run: str, started: str, hello: Hello, operator: str) -> dict[str, Any]:
    return {
        "run": run,
        "run_type": "commissioning",
        "virtual": hello.board.startswith("virtual"),
        "started_at_utc": started,
        "host_version": __version__,
        "board": hello.facts(),
        "operator": operator,
    }


def _kept(root: Path, sheet: Sheet, run_dir: Path, tell: Callable[[str], object]) -> Commissioned:
    table = sheet.table()
    path = BoardRecords(root, str(sheet.board["board"])).write(KIND, sheet.started_at_utc, table)
    pdf: Path | None = path.with_suffix(".pdf")
    try:
        assert pdf is not None
        write_sheet(table, pdf)
    except BenchwardenError as error:
        tell(f"The sheet could not be printed: {error}. Its figures are in {path}.")
        pdf = None
    return Commissioned(sheet, path, pdf, run_dir)
