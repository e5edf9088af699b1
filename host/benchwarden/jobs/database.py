"""Transactions on a store's database, with every failure told as what it means at the bench.

SQLite: write-ahead log, every commit forced to disk, foreign keys on; a writer takes the lock when it
begins, so that two benches wait for each other and never fail half way. PostgreSQL: ordinary
transactions that lock the row of the job they change.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, create_engine, event, text
from sqlalchemy.engine import Engine
from sqlalchemy.pool import QueuePool

from benchwarden.core.clock import Clock
from benchwarden.errors import RecordError
from benchwarden.jobs.address import FILE_NAME, StoreAddress
from benchwarden.jobs.failures import BUSY_S, told
from benchwarden.jobs.migrate import HEAD, bring_up, keep_copy, version_of

_CONNECT_S = 10
# A server that vanished without a word is given up after this.
_SILENT_MS = 30_000


class Database:
    """One store's connections; may be used from any thread.

    Attributes:
        read_only: why nothing can be changed, in words; "" where it can.
    """

    def __init__(self, address: StoreAddress, clock: Clock, *, create: bool) -> None:
        """Open it, and bring its tables up to date.

        Args:
            create: make an empty store where there is none.

        Raises:
            RecordError: it cannot be opened, is no job store, or is of a newer program.
        """
        self.address = address
        self.read_only = ""
        self._clock = clock
        self._copy: tempfile.TemporaryDirectory[str] | None = None
        self._identity: tuple[int, ...] | None = None
        # Read without any lock, as long as the file stays as it is.
        self._frozen = False
        self.path: Path | None = None
        with told(address, "opening it"):
            if address.folder is None:
                self._engine = _server_engine(address)
            else:
                self.path = address.folder / FILE_NAME
                self._engine = self._file_engine(self.path, create)
            self._writer = self._engine.execution_options(writes=True)
            try:
                self._prepare(create)
            except BaseException:
                self.close()
                raise

    @property
    def is_server(self) -> bool:
        return self.path is None

    def close(self) -> None:
        """Let go of all connections; may be called twice."""
        self._engine.dispose()
        if self._copy is not None:
            self._copy.cleanup()
            self._copy = None

    @contextmanager
    def reading(self, doing: str, *, still: bool = False) -> Iterator[Connection]:
        """Give a connection to read with.

        Args:
            doing: for messages, such as "opening job 2041".
            still: whatever is read is as of one moment, whoever writes meanwhile.
        """
        engine = self._engine
        if still and self.is_server:
            engine = engine.execution_options(isolation_level="REPEATABLE READ")
        with told(self.address, doing), engine.begin() as connection:
            yield connection

    @contextmanager
    def writing(self, doing: str) -> Iterator[Connection]:
        """Give a connection to change things with; all is kept when the block ends, or nothing.

        Raises:
            RecordError: it cannot be changed, was moved, or could not be kept.
        """
        if self.read_only:
            raise RecordError(f"job store {self.address.name}: {doing}: {self.read_only}; it can still be read")
        with told(self.address, doing):
            with self._writer.begin() as connection:
                yield connection
            self._check_place()

    def _prepare(self, create: bool) -> None:
        with self._engine.begin() as connection:
            if self.is_server:
                encoding = str(connection.execute(text("SHOW server_encoding")).scalar())
                if encoding != "UTF8":
                    raise RecordError(
                        f"job store {self.address.name}: the database keeps text as {encoding}; allowed: UTF8"
                    )
            version = version_of(connection)
        if version == HEAD:
            return
        if not version and not create:
            raise RecordError(f"job store {self.address.name}: there are no jobs here yet")
        if self.read_only:
            shown = version or "none"
            raise RecordError(
                f"job store {self.address.name}: its schema is {shown}, this program needs {HEAD}, and {self.read_only}"
            )
        bring_up(self._writer, version, self.address.name, self._keep_copy)

    def _keep_copy(self, version: str) -> None:
        if self.path is not None:
            keep_copy(self.path, version)

    def _file_engine(self, path: Path, create: bool) -> Engine:
        if not path.exists():
            if not create:
                raise RecordError(
                    f"job store {self.address.name}: there is none here ({FILE_NAME} is missing); "
                    "the first new job makes one"
                )
            self._make(path)
        path, mode = self._usable(path)

        def connected() -> sqlite3.Connection:
            made = sqlite3.connect(
                f"{path.absolute().as_uri()}?{mode}",
                uri=True,
                timeout=BUSY_S,
                isolation_level=None,
                check_same_thread=False,
            )
            try:
                for setting in ("foreign_keys=ON", "synchronous=FULL", "trusted_schema=OFF"):
                    made.execute(f"PRAGMA {setting}")
            except sqlite3.Error:
                made.close()
                raise
            return made

        engine = create_engine(
            "sqlite://", creator=connected, poolclass=QueuePool, pool_size=5, max_overflow=20, hide_parameters=True
        )

        @event.listens_for(engine, "begin")
        def _begin(connection: Connection) -> None:
            self._check_place()
            writes = connection.get_execution_options().get("writes")
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

        self._identity = self._identity_of(path)
        return engine

    def _make(self, path: Path) -> None:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise RecordError(f"job store {self.address.name}: cannot be made ({error.strerror})") from error
        made = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
        try:
            # The wait for other programs does not hold for this one statement.
            end_s = self._clock.monotonic_s() + BUSY_S
            while True:
                try:
                    made.execute("PRAGMA journal_mode=WAL")
                    return
                except sqlite3.OperationalError:
                    if self._clock.monotonic_s() > end_s:
                        raise
                    self._clock.sleep(0.05)
        finally:
            made.close()

    def _usable(self, path: Path) -> tuple[Path, str]:
        """Return the file to open and how, the store itself where it can be written."""
        try:
            _try_write(path)
            return path, "mode=rw"
        except sqlite3.OperationalError as error:
            name = getattr(error, "sqlite_errorname", "")
            if not name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_IOERR")):
                raise
            if not os.access(path, os.R_OK):
                raise
        self.read_only = "its file or folder is read-only"
        if _can_read(path):
            # Somebody else writes here, and the log's index is theirs.
            return path, "mode=ro"
        log = path.with_name(path.name + "-wal")
        if not log.exists() or not log.stat().st_size:
            self._frozen = True
            return path, "mode=ro&immutable=1"
        # SQLite cannot index the log where it can make no file.
        try:
            self._copy = tempfile.TemporaryDirectory(prefix="benchwarden-")
            copy = Path(self._copy.name) / path.name
            for source, target in ((path, copy), (log, copy.with_name(copy.name + "-wal"))):
                shutil.copyfile(source, target)
        except OSError as error:
            raise RecordError(f"job store {self.address.name}: cannot be read ({error.strerror or error})") from error
        return copy, "mode=rw"

    def _identity_of(self, path: Path) -> tuple[int, ...]:
        found = os.stat(path)
        if self._frozen:
            changed = path.with_name(path.name + "-wal").exists()
            return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, changed
        return found.st_dev, found.st_ino

    def _check_place(self) -> None:
        """Raise where the file that is open is no longer the one at its place.

        Its connections would go on writing to a file that nobody finds.
        """
        if self._identity is None or self._copy is not None or self.path is None:
            return
        with suppress(OSError):
            if self._identity_of(self.path) == self._identity:
                return
            raise RecordError(
                f"job store {self.address.name}: another file has taken its place while it was open, or somebody "
                "changed it behind a reader without rights; open it again"
            )
        raise RecordError(
            f"job store {self.address.name}: it was moved or deleted while it was open; nothing is saved any more. "
            "Put it back, or open it where it is now"
        )


def _try_write(path: Path) -> None:
    probe = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=BUSY_S, isolation_level=None)
    try:
        probe.execute("BEGIN IMMEDIATE")
        # Some systems open a read-only file all the same; the lock alone tells nothing then.
        (number,) = probe.execute("PRAGMA user_version").fetchone()
        probe.execute(f"PRAGMA user_version={int(number)}")
        probe.execute("ROLLBACK")
    finally:
        probe.close()


def _can_read(path: Path) -> bool:
    probe = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=BUSY_S)
    try:
        probe.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        return False
    finally:
        probe.close()
    return True


def _server_engine(address: StoreAddress) -> Engine:
    assert address.url is not None
    given: dict[str, Any] = {
        "application_name": "benchwarden",
        "connect_timeout": _CONNECT_S,
        "keepalives_idle": 30,
        "tcp_user_timeout": _SILENT_MS,
        "options": f"-c lock_timeout={int(BUSY_S * 1000)}",
        "client_encoding": "utf8",
    }
    asked = {key: value for key, value in given.items() if key not in address.url.query}
    return create_engine(
        address.url,
        connect_args=asked,
        # A connection that died while nobody used it is replaced without a word.
        pool_pre_ping=True,
        pool_recycle=1800,
        pool_size=5,
        max_overflow=20,
        pool_timeout=BUSY_S,
        hide_parameters=True,
    )
