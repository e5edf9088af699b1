"""Tables are brought up to date once, by whoever comes first; a newer store is left alone."""

from __future__ import annotations

import shutil
import sqlite3
import threading
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from invented_jobs import whole_job
from own_server import Server
from sqlalchemy import text

from benchwarden.errors import RecordError
from benchwarden.jobs import database, migrate
from benchwarden.jobs.schema import HEAD, VERSION_TABLE, metadata
from benchwarden.jobs.store import JobStore, open_store

NEXT = """
import sqlalchemy as sa
from alembic import op
revision, down_revision = "0002", "0001"
def upgrade():
    op.add_column("jobs", sa.Column("shelf", sa.Text(), nullable=False, server_default=""))
    {more}
"""


@pytest.fixture(params=["folder", "server"])
def fresh(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An address where nothing is yet."""
    if request.param == "folder":
        return str(tmp_path / "store")
    server: Server = request.getfixturevalue("server")
    return server.address(server.new_database())


@pytest.fixture
def next_step(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The program as it will be with one step more."""
    scripts = tmp_path / "migrations"
    shutil.copytree(migrate.SCRIPTS, scripts, ignore=shutil.ignore_patterns("__pycache__"))
    step = scripts / "versions" / "r0002_shelf.py"
    step.write_text(NEXT.format(more=""))
    monkeypatch.setattr(migrate, "SCRIPTS", scripts)
    monkeypatch.setattr(database, "HEAD", "0002")
    return step


def version(store: JobStore) -> str:
    with store.database.reading("asking") as connection:
        return migrate.version_of(connection)


def test_the_steps_lead_to_the_tables_of_the_program(fresh: str) -> None:
    """By alembic's own comparison of a database with the tables in memory."""
    assert ScriptDirectory(str(migrate.SCRIPTS)).get_current_head() == HEAD
    with open_store(fresh) as store, store.database.reading("comparing") as connection:
        context = MigrationContext.configure(
            connection, opts={"version_table": VERSION_TABLE, "compare_type": True, "compare_server_default": True}
        )
        assert compare_metadata(context, metadata) == []


def test_a_folder_store_is_kept_safe(tmp_path: Path) -> None:
    with open_store(tmp_path / "s") as store, store.database.reading("asking") as connection:
        asked = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in ("journal_mode", "synchronous")
        }
        assert asked == {"journal_mode": "wal", "synchronous": 2}
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1


def test_a_step_is_made_with_a_copy_before_it(fresh: str, next_step: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as before:
        before.setattr(database, "HEAD", "0001")
        next_step.rename(next_step.with_suffix(".later"))
        with open_store(fresh) as store:
            kept = store.create(whole_job())
        next_step.with_suffix(".later").rename(next_step)
    with open_store(fresh) as store:
        assert version(store) == "0002"
        assert store.open("2041") == kept
        path = store.database.path
    if path is not None:
        copy = path.with_name("jobs-schema-0001.sqlite")
        with sqlite3.connect(copy) as old:
            assert old.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert old.execute(f"SELECT version_num FROM {VERSION_TABLE}").fetchall() == [("0001",)]
            assert old.execute("SELECT number FROM jobs").fetchall() == [("2041",)]
        old.close()
        assert sorted(p.name for p in path.parent.iterdir()) == ["jobs-schema-0001.sqlite", "jobs.sqlite"]


def test_a_step_that_fails_leaves_the_store_as_it_was(
    fresh: str, next_step: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = next_step.read_text()
    with monkeypatch.context() as before:
        before.setattr(database, "HEAD", "0001")
        next_step.unlink()
        with open_store(fresh) as store:
            kept = store.create(whole_job())
        next_step.write_text(NEXT.format(more='op.execute("SELECT nonsense FROM nowhere")'))
    with pytest.raises(RecordError, match="opening it"):
        open_store(fresh)
    next_step.write_text(good)
    with open_store(fresh) as store:
        assert version(store) == "0002"
        assert store.open("2041") == kept


def test_two_benches_open_a_new_store_at_once(fresh: str) -> None:
    stores: list[JobStore] = []
    failed: list[Exception] = []
    ready = threading.Barrier(4)

    def work() -> None:
        try:
            ready.wait()
            stores.append(open_store(fresh))
        except Exception as error:  # noqa: BLE001
            failed.append(error)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for store in stores:
        assert version(store) == HEAD
        store.close()
    assert not failed
    if "://" not in fresh:
        # Nothing was there before, so there was nothing to copy.
        assert [p.name for p in Path(fresh).iterdir()] == ["jobs.sqlite"]


def test_a_newer_store_is_refused_with_both_versions(fresh: str) -> None:
    with open_store(fresh) as store:
        store.create(whole_job())
        with store.database.writing("ageing") as connection:
            connection.execute(text(f"UPDATE {VERSION_TABLE} SET version_num = '0099'"))
    with pytest.raises(RecordError, match=rf"its schema is 0099, this program knows up to {HEAD}"):
        open_store(fresh)


def test_somebody_elses_database_is_left_alone(server: Server, tmp_path: Path) -> None:
    name = server.new_database()
    with server.connection(name) as connection:
        connection.execute("CREATE TABLE jobs (mine TEXT)")
    with pytest.raises(RecordError, match="a table of that name"):
        open_store(server.address(name))
    with server.connection(name) as connection:
        found = connection.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'").fetchall()
    assert found == [("jobs",)]
    latin = server.new_database("ENCODING LATIN1 LC_COLLATE 'C' LC_CTYPE 'C' TEMPLATE template0")
    with pytest.raises(RecordError, match="keeps text as LATIN1; allowed: UTF8"):
        open_store(server.address(latin))
    (tmp_path / "jobs.sqlite").write_text("no database, but long enough to be looked at. " * 100)
    with pytest.raises(RecordError, match="is damaged"):
        open_store(tmp_path)
