"""A server for the session, and an empty store of either kind for the contract."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest
from own_server import Server, programs

from benchwarden.core.clock import SystemClock
from benchwarden.jobs.store import JobStore, open_store


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    found = programs()
    if found is None:
        pytest.skip("PostgreSQL's initdb is not installed")
    # A socket's path has room for about a hundred characters.
    with tempfile.TemporaryDirectory(prefix="bw-pg-") as folder:
        made = Server(found, Path(folder))
        made.start()
        try:
            yield made
        finally:
            made.stop()


@pytest.fixture(params=["folder", "server"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An address of an empty store, of each kind in turn."""
    if request.param == "folder":
        return str(tmp_path / "store")
    found: Server = request.getfixturevalue("server")
    return found.emptied_store()


class SteppingClock(SystemClock):
    """Seconds pass from label to label, so that order shows."""

    def __init__(self) -> None:
        self._seconds = count()

    def utc_label(self) -> str:
        minutes, seconds = divmod(next(self._seconds), 60)
        return f"2026-11-29T12:{minutes:02d}:{seconds:02d}Z"


@pytest.fixture
def store(address: str) -> Iterator[JobStore]:
    with open_store(address, clock=SteppingClock()) as found:
        yield found


@pytest.fixture
def folder_store(tmp_path: Path) -> Iterator[JobStore]:
    with open_store(tmp_path / "own") as found:
        yield found
