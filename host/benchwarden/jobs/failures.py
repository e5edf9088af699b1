"""What a database's failure means for the person at the bench, in words, and what to do next."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from benchwarden.errors import RecordDamaged, RecordError
from benchwarden.jobs.address import StoreAddress

BUSY_S = 10.0

_SQLITE = {
    "SQLITE_BUSY": f"another program has held it locked for {BUSY_S:.0f} s; try again",
    "SQLITE_LOCKED": f"another program has held it locked for {BUSY_S:.0f} s; try again",
    "SQLITE_READONLY": "it is read-only; what it holds can still be read",
    "SQLITE_FULL": "the disk is full",
    "SQLITE_CANTOPEN": "its file cannot be opened: moved, deleted, or no rights to the folder",
    "SQLITE_IOERR": "the disk answers with errors",
    "SQLITE_PERM": "no rights to its file",
    "SQLITE_TOOBIG": "a value is too large for it",
}
# Classes and codes of the SQL standard and of PostgreSQL's manual, appendix "Error Codes".
_SERVER = {
    "08": "the connection to the server was lost",
    "57P": "the server is stopping or starting",
    "55P03": f"another bench has held it locked for {BUSY_S:.0f} s; try again",
    "40": "another bench was changing the same; try again",
    "25006": "the server takes no changes (read-only); what it holds can still be read",
    "42501": "this user has no rights to change it; what it holds can still be read",
    "42P07": "the database already has a table of that name that is not a job store's",
    "42P01": "a table of the job store is missing in the database",
    "53100": "the server's disk is full",
    "53300": "the server has too many connections",
    "54": "a value is too large for the server",
    "28": "user or password is refused",
    "3D000": "there is no such database on the server",
}


@contextmanager
def told(address: StoreAddress, doing: str) -> Iterator[None]:
    """Turn what a database raises inside into a RecordError that names the store and what was being done."""
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error) as error:
        raise _failure(error, address, doing) from error


def _failure(error: SQLAlchemyError | sqlite3.Error, address: StoreAddress, doing: str) -> RecordError:
    origin = error.orig if isinstance(error, DBAPIError) else error
    head = f"job store {address.name}: {doing}: "
    if isinstance(error, PoolTimeout):
        return RecordError(f"{head}too many things are asked of it at once; try again")
    if isinstance(origin, sqlite3.Error):
        name = getattr(origin, "sqlite_errorname", "") or ""
        if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
            lost = "what its damaged pages held"
            return RecordDamaged(f"{head}its file is damaged ({origin}); take the last backup", "nothing", lost)
        why = next((words for code, words in _SQLITE.items() if name.startswith(code)), f"{origin}")
        return RecordError(f"{head}{why}")
    state = getattr(origin, "sqlstate", None) or ""
    why = next((words for code, words in _SERVER.items() if state.startswith(code)), "")
    if not why:
        first = str(origin).strip().splitlines()[:1] or [type(origin).__name__]
        why = address.without_secret(first[0])
    if isinstance(error, DBAPIError) and error.connection_invalidated:
        why = f"the connection to the server was lost while this was under way ({why}); look whether it was kept"
    return RecordError(f"{head}{why}")
