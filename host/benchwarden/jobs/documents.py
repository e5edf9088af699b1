"""How a job becomes the text that the store keeps, and comes back."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from benchwarden.core.job import Job
from benchwarden.core.job_form import job_from
from benchwarden.errors import JobError, RecordDamaged


@dataclass(frozen=True)
class SavedVersion:
    """One time a job was saved.

    Attributes:
        by: technician or bench, "" where nobody was named.
        what: in words, such as "note added".
        source: file it was imported from, where it stands beside the job as a conflict; "" otherwise.
    """

    version: int
    at_utc: str
    by: str
    what: str
    sha256: str
    source: str = ""


def checked(job: Job) -> Job:
    """Return the job as it would come back, after every check of core.job_form and of its number.

    Raises:
        JobError: something in it cannot be kept; the key is named.
    """
    number = job.number
    where = f"job {number[:80]!r}"
    if not number or number != number.strip() or not number.isprintable():
        raise JobError(f"{where}: number; allowed: printable characters, no blank at its ends, at least one")
    return job_from(_table(job, where), where)


def document_of(job: Job) -> str:
    """Return a checked job as JSON text, always the same for the same job.

    Raises:
        JobError: it holds what JSON has no word for (in the unit facts or a run's metrics).
    """
    where = f"job {job.number!r}"
    try:
        text = json.dumps(asdict(job), ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)
        text.encode()
    except (TypeError, ValueError) as error:
        raise JobError(f"{where}: its unit facts or a run's metrics hold what cannot be kept ({error})") from error
    return text


def digest_of(document: str) -> str:
    """Return the SHA-256 of a document, 64 hexadecimal digits."""
    return hashlib.sha256(document.encode()).hexdigest()


def job_of(document: str, number: str, version: int, sha256: str) -> Job:
    """Return the job in a kept document.

    Raises:
        RecordDamaged: it is not what was kept.
    """
    where = f"job {number}, version {version}"
    if digest_of(document) != sha256:
        raise RecordDamaged(f"{where}: its document is not what was saved", "its other versions", "this version")
    try:
        return job_from(json.loads(document), where)
    except ValueError as error:
        raise RecordDamaged(f"{where}: its document cannot be read ({error})", "the text", "its meaning") from error


def differing(one: Job, other: Job) -> tuple[str, ...]:
    """Return the names of the fields that differ, the store's own bookkeeping left out."""
    names = (f.name for f in fields(Job) if f.name not in ("version", "changed_at_utc"))
    return tuple(name for name in names if getattr(one, name) != getattr(other, name))


def newest_verdict(job: Job) -> str:
    """Return the verdict of the run that began last, "" where there is none."""
    return max(job.runs, key=lambda run: run.started_at_utc).verdict if job.runs else ""


def with_bookkeeping(job: Job, version: int, at_utc: str) -> Job:
    """Return the job as a version of the store."""
    return replace(job, version=version, changed_at_utc=at_utc, opened_at_utc=job.opened_at_utc or at_utc)


def _table(job: Job, where: str) -> dict[str, Any]:
    try:
        table: dict[str, Any] = json.loads(json.dumps(asdict(job), allow_nan=False))
    except (TypeError, ValueError, RecursionError) as error:
        raise JobError(f"{where}: holds what cannot be kept ({error}); allowed: text, numbers, tables") from error
    return table
