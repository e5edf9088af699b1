"""Brings a store's tables to what this program knows, once, whoever opens first."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import Connection, inspect, text
from sqlalchemy.engine import Engine

from benchwarden.errors import RecordError
from benchwarden.jobs.schema import HEAD, VERSION_TABLE

SCRIPTS = Path(__file__).with_name("migrations")
# Any number that nothing else in the database locks by.
_LOCK = 7_205_119_034


def version_of(connection: Connection) -> str:
    """Return the schema version of a store, "" where there are no tables yet."""
    if not inspect(connection).has_table(VERSION_TABLE):
        return ""
    found = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()
    return str(found or "")


def bring_up(writer: Engine, version: str, name: str, before: Callable[[str], None]) -> None:
    """Run the missing steps in one transaction that holds everybody else off.

    Args:
        writer: engine whose transactions take the write lock at once (SQLite).
        version: of the store as it was found, "" for an empty one.
        name: of the store, for messages.
        before: called under the lock with the old version, where there is something to keep.

    Raises:
        RecordError: the store is of a version that this program does not know.
    """
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    script = ScriptDirectory.from_config(config)
    newest = script.get_current_head() or ""
    if version and version not in {step.revision for step in script.walk_revisions()}:
        raise RecordError(
            f"job store {name}: its schema is {version}, this program knows up to {newest}; "
            "it was made by a newer program, nothing was changed"
        )
    with writer.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
        found = version_of(connection)
        # Another bench may have done it while this one waited for the lock.
        if found == newest:
            return
        if found:
            before(found)
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def keep_copy(path: Path, version: str) -> Path:
    """Copy an SQLite store beside itself before its tables change, and return where to.

    A writer may hold its lock meanwhile: what is copied is what was committed.
    """
    number = 0
    while True:
        mark = f"-{number}" if number else ""
        target = path.with_name(f"{path.stem}-schema-{version}{mark}{path.suffix}")
        try:
            os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
            break
        except FileExistsError:
            number += 1
    source, copy = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True), sqlite3.connect(target)
    try:
        source.backup(copy)
    finally:
        copy.close()
        source.close()
    return target


__all__ = ["HEAD", "SCRIPTS", "bring_up", "keep_copy", "version_of"]
