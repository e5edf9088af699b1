"""What is shown of a job, read from the store and the runs folder at one moment."""

from __future__ import annotations

from pathlib import Path

from benchwarden.core.job import Job, JobRun
from benchwarden.dashboard.jobs_desk import Desk, day
from benchwarden.dashboard.jobs_papers_view import PAPERS, RunNow
from benchwarden.dashboard.jobs_view import Seen
from benchwarden.dashboard.run_names import run_folder
from benchwarden.dashboard.runs_list import RunRow
from benchwarden.dashboard.status import plain
from benchwarden.errors import RecordError
from benchwarden.jobs.store import JobStore

# A list of runs that nobody could look through helps nobody; the newest are what is attached.
MOST_OFFERED = 100


def seen_in(desk: Desk, store: JobStore, number: str) -> Seen:
    """Return a job with all that the page shows beside it.

    Raises:
        JobError: there is none of that number. RecordError: the store cannot be read.
    """
    job = store.open(number)
    amplifier = job.amplifier
    return Seen(
        job,
        store.history(number),
        store.conflicts(number),
        store.of_set(amplifier.maker, amplifier.model, amplifier.serial),
        tuple(_now(desk, run) for run in job.runs),
        _unattached(desk, job),
        desk.units.sets(),
        store.read_only,
    )


def paper_of(runs: Path, folder: str, file: str) -> Path | None:
    """Return a paper of a run in the runs folder; None where it is not there, or is none of PAPERS."""
    if file not in PAPERS:
        return None
    try:
        path = run_folder(runs, folder) / file
    except RecordError:
        return None
    # A link could lead out of the folder.
    return path if path.is_file() and not path.is_symlink() else None


def _now(desk: Desk, run: JobRun) -> RunNow:
    runs = desk.context.folders.runs
    try:
        run_folder(runs, run.folder)
    except RecordError:
        return RunNow(run, None)
    files = tuple(file for file in PAPERS if paper_of(runs, run.folder, file) is not None)
    return RunNow(run, files, desk.works.state("report", run.folder), desk.works.state("verify", run.folder))


def _unattached(desk: Desk, job: Job) -> tuple[tuple[str, str], ...]:
    known = {run.folder for run in job.runs}
    rows = [row for row in desk.runs.rows() if row.name not in known and not row.problem]
    return tuple((row.name, _words(row)) for row in rows[:MOST_OFFERED])


def _words(row: RunRow) -> str:
    sign, said = row.verdict_words
    told = [day(row.started), row.model, row.serial, row.kind, "virtual" if row.virtual else "", f"{sign} {said}"]
    return plain(" · ".join(part for part in told if part), 160) + f" ({plain(row.name, 60)})"
