"""Writes one version of a job into the tables, with all that is looked up beside its document."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Any

from sqlalchemy import Connection, Insert, Table, delete, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite

from benchwarden.core.job import Job
from benchwarden.errors import JobError
from benchwarden.jobs.documents import SavedVersion, digest_of, document_of, newest_verdict
from benchwarden.jobs.schema import job_runs, job_versions, job_words, jobs, pictures, search_words
from benchwarden.jobs.words import key_of, words_of

# Values in one statement; far below any database's bound.
_AT_ONCE = 500


def insert_once(connection: Connection, table: Table) -> Insert:
    """Return an insert that leaves a row alone which is there already."""
    if connection.dialect.name == "postgresql":
        return postgresql.insert(table).on_conflict_do_nothing()
    return sqlite.insert(table).on_conflict_do_nothing()


def new_row(connection: Connection, job: Job, by: str, what: str) -> int:
    """Write the first version of a job and return its row's id."""
    row_id = bare_row(connection, job)
    _write_beside(connection, row_id, job, by, what)
    return row_id


def bare_row(connection: Connection, job: Job) -> int:
    """Write only the row that a job's versions hang on, and return its id."""
    return int(connection.execute(insert(jobs).values(**_columns(job)).returning(jobs.c.id)).scalar_one())


def next_version(connection: Connection, row_id: int, job: Job, by: str, what: str) -> None:
    """Write a further version; the caller holds the row."""
    connection.execute(update(jobs).where(jobs.c.id == row_id).values(**_columns(job)))
    _write_beside(connection, row_id, job, by, what)


def add_version(connection: Connection, row_id: int, saved: SavedVersion, document: str) -> None:
    """Keep a version's document as it is."""
    connection.execute(
        insert(job_versions).values(
            job_id=row_id,
            version=saved.version,
            at_utc=saved.at_utc,
            saved_by=saved.by,
            what=saved.what,
            sha256=saved.sha256,
            document=document,
        )
    )


def write_lookups(connection: Connection, row_id: int, job: Job) -> None:
    """Bring words and runs of a job up to date."""
    folders = {run.folder for run in job.runs}
    had = set(connection.execute(select(job_runs.c.folder).where(job_runs.c.job_id == row_id)).scalars())
    for folder in sorted(folders - had):
        connection.execute(insert(job_runs).values(job_id=row_id, folder=folder))
    if had - folders:
        connection.execute(delete(job_runs).where(job_runs.c.job_id == row_id, job_runs.c.folder.in_(had - folders)))
    _write_words(connection, row_id, words_of(job))


def check_pictures(connection: Connection, job: Job) -> None:
    """Refuse a job with a photo that the store does not hold.

    Raises:
        JobError: names it.
    """
    asked = {photo.sha256: photo.name for photo in job.photos}
    for some in _batches(sorted(asked)):
        held = set(connection.execute(select(pictures.c.sha256).where(pictures.c.sha256.in_(some))).scalars())
        missing = [asked[sha256] for sha256 in some if sha256 not in held]
        if missing:
            raise JobError(f"job {job.number}: photo {missing[0]!r} is not in this store; add it with its bytes")


def _columns(job: Job) -> dict[str, Any]:
    return {
        "number": job.number,
        "version": job.version,
        "state": job.state,
        "customer": job.customer,
        "maker": job.amplifier.maker,
        "model": job.amplifier.model,
        "serial": job.amplifier.serial,
        "serial_key": key_of(job.amplifier.serial),
        "opened_at_utc": job.opened_at_utc,
        "changed_at_utc": job.changed_at_utc,
        "verdict": newest_verdict(job),
    }


def _write_beside(connection: Connection, row_id: int, job: Job, by: str, what: str) -> None:
    document = document_of(job)
    saved = SavedVersion(job.version, job.changed_at_utc, by, what, digest_of(document))
    add_version(connection, row_id, saved, document)
    write_lookups(connection, row_id, job)


def _write_words(connection: Connection, row_id: int, words: frozenset[str]) -> None:
    of_job = select(search_words.c.word, search_words.c.id).join(job_words, job_words.c.word_id == search_words.c.id)
    found = connection.execute(of_job.where(job_words.c.job_id == row_id))
    had: dict[str, int] = {row.word: row.id for row in found}
    gone = [number for word, number in had.items() if word not in words]
    for some in _batches(gone):
        connection.execute(delete(job_words).where(job_words.c.job_id == row_id, job_words.c.word_id.in_(some)))
    # In one order everywhere: two benches that bring the same new words then wait, and never for each other.
    for some_words in _batches(sorted(words - had.keys())):
        known = _ids(connection, some_words)
        unknown = [word for word in some_words if word not in known]
        if unknown:
            connection.execute(insert_once(connection, search_words), [{"word": word} for word in unknown])
            known |= _ids(connection, unknown)
        connection.execute(insert(job_words), [{"job_id": row_id, "word_id": known[word]} for word in some_words])


def _ids(connection: Connection, words: list[str]) -> dict[str, int]:
    asked = select(search_words.c.word, search_words.c.id).where(search_words.c.word.in_(words))
    return {row.word: row.id for row in connection.execute(asked)}


def _batches(values: Iterable[Any]) -> Iterator[list[Any]]:
    walk = iter(values)
    while some := list(islice(walk, _AT_ONCE)):
        yield some
