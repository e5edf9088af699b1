"""Changes to a job as a person gives them: single facts, a document edited in an editor, unit facts."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

from benchwarden.core.job import Job
from benchwarden.core.job_form import job_from, plain_table
from benchwarden.errors import JobError, RecordError

MOST_FILE_BYTES = 50_000_000
_OF_SET = ("maker", "model", "serial")
KEYS = (*_OF_SET, "customer", "state", "complaint", "work", "technician", "charge", "invoice")


def with_facts(job: Job, facts: list[str], unit: Path | None) -> Job:
    """Return a job with facts set.

    Args:
        facts: "KEY=VALUE" with a key of KEYS.
        unit: a unit.toml to take the facts for the plan from.

    Raises:
        JobError: no such key, or a value that cannot be. PlanError: the unit facts are wrong.
    """
    table = plain_table(job)
    for fact in facts:
        key, mark, value = fact.partition("=")
        if not mark or key not in KEYS:
            raise JobError(f"{fact[:80]!r}: allowed: KEY=VALUE with a key of {', '.join(KEYS)}")
        (table["amplifier"] if key in _OF_SET else table)[key] = value
    if unit:
        from benchwarden.core.unit import load_unit

        load_unit(unit)
        table["unit"] = {key: value for key, value in _toml(unit).items() if key != "stage"}
    return job_from(table, f"job {job.number}")


def job_in_file(path: Path) -> Job:
    """Return the job of a JSON or TOML file.

    Raises:
        JobError: names the file and the key. RecordError: it cannot be read.
    """
    if path.suffix.lower() == ".toml":
        return job_from(_toml(path), str(path))
    if path.suffix.lower() != ".json":
        raise JobError(f"{path}: allowed: a .json or .toml file")
    try:
        found = json.loads(_text(path))
    except (ValueError, RecursionError) as error:
        raise JobError(f"{path}: no JSON ({error})") from error
    return job_from(found, str(path))


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(_text(path))
    except (ValueError, RecursionError) as error:
        raise JobError(f"{path}: no TOML ({error})") from error


def _text(path: Path) -> str:
    return bytes_of(path).decode("utf-8-sig")


def bytes_of(path: Path) -> bytes:
    """Return a file's content.

    Raises:
        RecordError: it cannot be read. JobError: it is too large to be meant.
    """
    try:
        with open(path, "rb") as source:
            data = source.read(MOST_FILE_BYTES + 1)
    except OSError as error:
        raise RecordError(f"{path}: cannot be read ({error.strerror})") from error
    if len(data) > MOST_FILE_BYTES:
        raise JobError(f"{path}: larger than {MOST_FILE_BYTES // 1_000_000} MB")
    return data
