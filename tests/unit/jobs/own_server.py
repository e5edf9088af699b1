"""A PostgreSQL server of the tests' own."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

import psycopg

from benchwarden.jobs.schema import metadata
from benchwarden.jobs.store import open_store

PASSWORD = "p@ss/w:rd%1"
IN_ADDRESS = "p%40ss%2Fw%3Ard%251"


class Server:
    """A server in a folder, reached by a socket file in it, so that no port can be taken."""

    def __init__(self, programs: Path, folder: Path) -> None:
        self.folder = folder
        self._programs = programs
        self._numbers = count(1)
        self._shared = ""
        # The server refuses to run as root.
        self._user = None if os.geteuid() else next(n for n in ("postgres", "nobody") if _is_user(n))
        if self._user:
            shutil.chown(folder, self._user)
        secret = folder / "secret"
        secret.write_text(PASSWORD)
        secret.chmod(0o644)
        self._run("initdb", "-D", "data", "-U", "bench", "-A", "scram-sha-256", "--pwfile=secret", "-E", "UTF8", "-N")

    def _run(self, program: str, *words: str) -> None:
        command = [str(self._programs / program), *words]
        with open(self.folder / "said.txt", "w+") as said:
            done = subprocess.run(
                command,
                cwd=self.folder,
                user=self._user,
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=said,
                env={"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"},
                timeout=60,
            )
            said.seek(0)
            assert done.returncode == 0, f"{program}: {said.read()}"

    def start(self) -> None:
        options = f"-k {self.folder} -c listen_addresses='' -c fsync=off -c max_connections=60"
        self._run("pg_ctl", "-D", "data", "-l", "log", "-o", options, "-w", "start")

    def stop(self) -> None:
        self._run("pg_ctl", "-D", "data", "-m", "immediate", "-w", "stop")

    def address(self, database: str, user: str = "bench", password: str = IN_ADDRESS) -> str:
        return f"postgresql://{user}:{password}@/{database}?host={self.folder}"

    @contextmanager
    def connection(self, database: str) -> Iterator[psycopg.Connection]:
        with psycopg.connect(
            host=str(self.folder), user="bench", password=PASSWORD, dbname=database, autocommit=True
        ) as found:
            yield found

    def new_database(self, options: str = "") -> str:
        name = f"store{next(self._numbers)}"
        with self.connection("postgres") as connection:
            connection.execute(f"CREATE DATABASE {name} {options}")
        return name

    def emptied_store(self) -> str:
        """Return the address of one store that all tests use in turn: a database of its own takes half a second."""
        if not self._shared:
            self._shared = self.new_database()
        address = self.address(self._shared)
        open_store(address).close()
        names = ", ".join(table.name for table in metadata.sorted_tables)
        with self.connection(self._shared) as connection:
            connection.execute(f"TRUNCATE {names} RESTART IDENTITY CASCADE")
        return address


def _is_user(name: str) -> bool:
    try:
        pwd.getpwnam(name)
    except KeyError:
        return False
    return True


def programs() -> Path | None:
    found = shutil.which("initdb")
    if found:
        return Path(found).resolve().parent
    # Where Debian puts them, the newest first.
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[4]), reverse=True)
    return places[0].parent if places else None
