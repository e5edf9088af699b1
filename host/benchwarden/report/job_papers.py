"""What goes with a run beside its journal: the job, and what the checks of its parts found.

Each of these files may be missing or damaged: then that is said, and the record is printed without it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.core.job import CheckResult, Job
from benchwarden.core.job_form import check_result_from, job_from
from benchwarden.errors import JobError
from benchwarden.report.lenient import as_dict, as_list, as_text
from benchwarden.report.wording import Wording

JOB_NAME = "job.json"
PARTS_NAME = "parts.json"
# A job with its photographs left out is a few hundred kilobytes at the most.
MOST_BYTES = 16 << 20


@dataclass(frozen=True)
class PartNote:
    """What was found about a lot, or about one type in place of another.

    Attributes:
        name: the lot, or "original → candidate".
        level: as the check gave it.
        reasons: in sentences; empty where nothing was found.
    """

    name: str
    level: str
    headline: str
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class CheckNote:
    """A check before power as the run knew it: the result, how it counted and why ("" where not told)."""

    result: CheckResult
    state: str
    counted: str


@dataclass(frozen=True)
class JobPapers:
    """Everything known of the repair.

    Attributes:
        checks: those the run was started on, else those of the job.
        unchecked_why: a person's reason to power up without checks.
        fit_why: a person's reason to power parts that the check says not to fit.
        trouble: what could not be read, in sentences.
    """

    job: Job | None = None
    checks: tuple[CheckNote, ...] = ()
    unchecked_why: str = ""
    fit_why: str = ""
    lots: tuple[PartNote, ...] = ()
    substitutions: tuple[PartNote, ...] = ()
    trouble: tuple[str, ...] = ()


def papers_of(run_dir: Path, header: dict[str, Any], say: Wording) -> JobPapers:
    """Return what the run folder and the journal's header know of the repair."""
    trouble: list[str] = []
    job = None
    table = _json(run_dir / JOB_NAME, trouble, say)
    if table is not None:
        try:
            job = job_from(table, JOB_NAME)
        except JobError as error:
            trouble.append(say("The job file is left out: {why}.", why=str(error)))
    parts = _json(run_dir / PARTS_NAME, trouble, say)
    lots, substitutions = _parts(parts)
    before = as_dict(header.get("before"))
    return JobPapers(
        job,
        _checks(before, job),
        as_text(before.get("unchecked_why")),
        as_text(before.get("fit_why")),
        lots,
        substitutions,
        tuple(trouble),
    )


def _json(path: Path, trouble: list[str], say: Wording) -> Any:
    """Return what a file holds, None without it; what is wrong with it goes into `trouble`."""
    try:
        with open(path, "rb") as source:
            data = source.read(MOST_BYTES + 1)
    except FileNotFoundError:
        return None
    except OSError as error:
        trouble.append(say("{name} cannot be read: {why}.", name=path.name, why=str(error.strerror)))
        return None
    if len(data) > MOST_BYTES:
        trouble.append(say("{name} is left out: it is larger than any such file.", name=path.name))
        return None
    try:
        return json.loads(data)
    except (ValueError, RecursionError) as error:
        trouble.append(say("{name} is damaged and left out: {why}.", name=path.name, why=str(error)[:120]))
        return None


def _checks(before: dict[str, Any], job: Job | None) -> tuple[CheckNote, ...]:
    rows = as_list(before.get("checks"))
    states = [as_dict(row) for row in as_list(before.get("states"))]
    if not rows:
        return tuple(CheckNote(result, result.state, "") for result in (job.cold_checks if job else ()))
    found = []
    for number, row in enumerate(rows):
        try:
            result = check_result_from(row, "checks")
        except JobError:
            continue
        judged = states[number] if len(states) == len(rows) else {}
        found.append(CheckNote(result, as_text(judged.get("state")) or result.state, as_text(judged.get("why"))))
    return tuple(found)


def _parts(table: Any) -> tuple[tuple[PartNote, ...], tuple[PartNote, ...]]:
    """Return notes on lots and on substitutions; a bare list may hold both."""
    if isinstance(table, dict):
        rows = [*as_list(table.get("lots")), *as_list(table.get("substitutions"))]
    else:
        rows = as_list(table)
    lots, substitutions = [], []
    for row in map(as_dict, rows):
        if not row:
            continue
        level, headline = as_text(row.get("level")), as_text(row.get("headline"))
        reasons = tuple(filter(None, (_reason(item) for item in as_list(row.get("reasons") or row.get("rows")))))
        if row.get("candidate") is not None:
            name = f"{as_text(row.get('original'))} \N{RIGHTWARDS ARROW} {as_text(row.get('candidate'))}"
            substitutions.append(PartNote(name, level, headline, reasons))
        else:
            lots.append(PartNote(as_text(row.get("lot")), level, headline, reasons))
    return tuple(lots), tuple(substitutions)


def _reason(item: Any) -> str:
    """Return a reason in one sentence, "" for a rating that is fine."""
    if not isinstance(item, dict):
        return as_text(item)
    if item.get("verdict") == "fine":
        return ""
    about = as_text(item.get("about") or item.get("quantity"))
    seen = as_text(item.get("seen") or item.get("why"))
    return ": ".join(part for part in (about, seen) if part)
