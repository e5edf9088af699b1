"""One run from an empty folder to its record: connect, supervise, export, print."""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.core.clock import Clock
from benchwarden.core.plan import Plan
from benchwarden.errors import BenchwardenError, LinkError, LinkTimeout, PlanError, RecordError
from benchwarden.link.board_client import BoardClient
from benchwarden.link.board_facts import board_facts
from benchwarden.link.decoder import Received
from benchwarden.link.serial_port import find_boards, open_port, port_finder
from benchwarden.papers import Papers, Printing, make_papers
from benchwarden.record.commissioning_records import commissioning_reminders
from benchwarden.record.export import export_csv
from benchwarden.record.journal import Journal
from benchwarden.record.summary import read_summary, write_summary
from benchwarden.supervisor import Person, RunInfo, Supervisor, frame_time_zero, run_header

HELLO_S = 10.0
FIRST_FRAME_S = 5.0
LEAST_FREE_BYTES = 50_000_000


@dataclass(frozen=True)
class Outcome:
    """What a run left behind."""

    run_dir: Path
    verdict: dict[str, Any]
    csv: Path | None
    papers: Papers


def new_run_dir(runs: Path, label: str, utc_label: str) -> Path:
    """Make and return a fresh folder for a run.

    Raises:
        RecordError: the place cannot be written, or has no room for a run.
    """
    slug = re.sub(r"[^a-z0-9]+", "-", label.lower()).strip("-")[:40]
    stem = re.sub(r"[^0-9TZ]", "", utc_label) + (f"-{slug}" if slug else "")
    try:
        runs.mkdir(parents=True, exist_ok=True)
        free = shutil.disk_usage(runs).free
        if free < LEAST_FREE_BYTES:
            least = LEAST_FREE_BYTES / 1e6
            raise RecordError(f"{runs}: {free / 1e6:.0f} MB free, a run needs {least:.0f} MB; nothing was started")
        for number in range(1, 1000):
            run_dir = runs / (stem if number == 1 else f"{stem}-{number}")
            try:
                run_dir.mkdir()
            except FileExistsError:
                continue
            return run_dir
    except OSError as error:
        raise RecordError(f"{runs}: cannot make a folder for the run ({error.strerror})") from error
    raise RecordError(f"{runs}: too many runs named {stem}")


def chosen_port(name: str) -> str:
    """Return the device of the one board found when `name` is "auto", else `name`.

    Raises:
        LinkError: no board, or more than one to choose from.
    """
    if name != "auto":
        return name
    boards = find_boards()
    if not boards:
        raise LinkError("no board found on USB; plug it in, or name its port with --port")
    if len(boards) > 1:
        raise LinkError(f"more than one board found ({', '.join(b.device for b in boards)}); name one with --port")
    return boards[0].device


def _first_frames(client: BoardClient, clock: Clock) -> Received:
    end_s = clock.monotonic_s() + FIRST_FRAME_S
    while clock.monotonic_s() < end_s:
        received = client.poll(0.2)
        if received.frames.size:
            return received
    raise LinkTimeout(f"the board answered hello but sent no frame within {FIRST_FRAME_S:g} s")


def supervise(
    plan: Plan,
    port_name: str,
    run_dir: Path,
    clock: Clock,
    info: RunInfo,
    person: Person | None = None,
    said: Callable[[str], None] = lambda text: None,
    records: Path | None = None,
    before: dict[str, Any] | None = None,
    printing: Printing | None = None,
) -> Outcome:
    """Carry out one run and write its record.

    Args:
        said: told, in words, how the run stands before and after it.
        records: folder of the boards' records, for reminders of their commissioning; None asks for none.
        before: what was known and checked before power; kept in the journal's header.
        printing: whose paper the record is printed on; default: nobody's, unsigned.

    Raises:
        LinkError: no board to talk to, or one of another wire version.
        RecordError: the journal could not be written; the relay was opened.
    """
    client = BoardClient(open_port(port_name), clock, port_finder(port_name))
    try:
        hello = client.hello(HELLO_S)
        facts = board_facts(client, hello, dt.date.fromisoformat(clock.utc_label()[:10]))
        said(f"Board {hello.board}, firmware {hello.fw}, program {hello.program or 'unlisted'}: {facts['cal']}.")
        if records is not None:
            reminders = commissioning_reminders(records, facts, clock.utc_label())
            facts["commissioning"] = list(reminders)
            for words in reminders:
                said(f"CAUTION: {words}")
        first = _first_frames(client, clock)
        t0_ms = frame_time_zero(first)
        header = run_header(plan, info, hello, t0_ms, facts, before)
        with Journal.create(run_dir, header) as journal:
            supervisor = Supervisor(client, journal, plan, run_dir, clock, info, hello, t0_ms, person, facts)
            verdict = supervisor.run(first)
    finally:
        # A port that cannot be closed in form takes nothing from what was recorded.
        with suppress(LinkError):
            client.close()
    return write_outcome(run_dir, verdict, said, printing)


def write_outcome(
    run_dir: Path, verdict: dict[str, Any], said: Callable[[str], None], printing: Printing | None = None
) -> Outcome:
    """Write verdict, recording, papers and seal of a finished run; each on its own, none stops the others."""
    try:
        (run_dir / "verdict.json").write_text(json.dumps(verdict, indent=1), encoding="utf-8")
    except OSError as error:
        said(f"The verdict could not be written to a file of its own: {error}. It is in the journal.")
    csv: Path | None = run_dir / "recording.csv"
    try:
        export_csv(run_dir, run_dir / "recording.csv")
    except (BenchwardenError, OSError) as error:
        csv = None
        said(f"The recording could not be exported: {error}. The journal is whole; try `benchwarden export`.")
    papers = make_papers(run_dir, printing or Printing(), said)
    try:
        status = read_summary(run_dir)
        status["record"] = {"pdf": str(papers.record) if papers.record else None, "csv": str(csv) if csv else None}
        write_summary(run_dir, status, durable=True)
    except RecordError as error:
        said(f"The views were not told of the record: {error}.")
    return Outcome(run_dir, verdict, csv, papers)


def checked_hours(text: str) -> float:
    """Return the length of a burn-in in hours.

    Raises:
        PlanError: not a number from 0.1 to 168.
    """
    try:
        hours = float(text)
    except ValueError as error:
        raise PlanError(f"--burn-in {text!r}; allowed: hours, 0.1 to 168") from error
    if not 0.1 <= hours <= 168:
        raise PlanError(f"--burn-in {text!r}; allowed: hours, 0.1 to 168")
    return hours
