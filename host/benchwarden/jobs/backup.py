"""A copy of everything while benches go on working.

A store in a folder is copied as a database file by SQLite's own online backup, checked, and renamed when
it is whole; to restore it, put it as jobs.sqlite into an empty folder. A store on a server
is exported (jobs.exchange) as of one moment, in one transaction of the level REPEATABLE READ, under which
PostgreSQL shows what was committed when it began; to restore it, import it.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from benchwarden.errors import RecordError
from benchwarden.jobs.exchange import export_jobs
from benchwarden.jobs.failures import BUSY_S
from benchwarden.jobs.store import JobStore


def back_up(store: JobStore, target: Path, at_utc: str) -> Path:
    """Copy everything to a new file and return it; a file is there whole or not at all.

    Raises:
        RecordError: the file is there already or cannot be written, or the copy does not prove sound.
    """
    if store.database.path is None:
        return export_jobs(store, target, at_utc).path
    if target.exists():
        raise RecordError(f"{target}: exists already; allowed: a new file")
    scratch = target.with_name(target.name + ".new")
    try:
        with suppress(FileNotFoundError):
            scratch.unlink()
        # Begun by the store, so that one which was moved is met as everywhere else.
        with store.database.reading(f"backing up to {target}") as connection:
            raw = connection.connection.driver_connection
            assert isinstance(raw, sqlite3.Connection)
            _copy(raw, scratch, target)
        with open(scratch, "rb+") as written:
            os.fsync(written.fileno())
        os.replace(scratch, target)
    except OSError as error:
        raise RecordError(f"{target}: cannot be written ({error.strerror or error})") from error
    finally:
        for left in (scratch, scratch.with_name(scratch.name + "-journal")):
            with suppress(OSError):
                left.unlink()
    return target


def _copy(source: sqlite3.Connection, scratch: Path, target: Path) -> None:
    with closing(sqlite3.connect(scratch, timeout=BUSY_S, isolation_level=None)) as copy:
        # All in one step: in the write-ahead mode writers go on, and the copy is of one moment.
        source.backup(copy)
        # In one file, without a log beside it, until somebody opens it as a store.
        copy.execute("PRAGMA journal_mode=DELETE")
        said = [row[0] for row in copy.execute("PRAGMA integrity_check")]
        loose = copy.execute("PRAGMA foreign_key_check").fetchall()
    if said != ["ok"] or loose:
        why = "; ".join(str(words) for words in said[:3] if words != "ok") or f"{len(loose)} rows without their job"
        raise RecordError(f"{target}: the copy is not sound ({why}); it was not kept")
