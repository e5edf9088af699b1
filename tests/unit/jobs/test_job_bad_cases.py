"""A store that is killed, moved, locked, read-only, stopped: told clearly, and nothing recorded is lost."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from invented_jobs import whole_job
from own_server import IN_ADDRESS, Server
from sqlalchemy import event

from benchwarden.errors import JobError, RecordDamaged, RecordError
from benchwarden.jobs import database
from benchwarden.jobs.store import JobStore, open_store

BENCH = Path(__file__).with_name("doomed_bench.py")
NOBODY = 65534


def test_a_bench_that_dies_in_a_save_leaves_the_job_as_it_was(store: JobStore, address: str) -> None:
    kept = store.create(whole_job())
    done = subprocess.run([sys.executable, BENCH, address, "doomed", "die"], timeout=60, capture_output=True)
    assert done.returncode == -signal.SIGKILL, done.stderr
    assert store.open("2041") == kept
    assert len(store.history("2041")) == 1
    assert store.search("half") == ()
    assert store.save(replace(kept, work="whole")).version == 2
    path = store.database.path
    if path is not None:
        with closing(sqlite3.connect(path)) as raw:
            assert raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert raw.execute("PRAGMA foreign_key_check").fetchall() == []


def test_two_benches_write_one_job_at_once(store: JobStore, address: str) -> None:
    store.create(replace(whole_job(), notes=()))
    benches = [
        subprocess.Popen(
            [sys.executable, BENCH, address, name, "12"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        for name in ("left", "right")
    ]
    for bench in benches:
        assert bench.stdout is not None
        assert bench.stdout.readline() == "ready\n"
    for bench in benches:
        assert bench.communicate("go\n", timeout=60)[0] == ""
        assert bench.returncode == 0
    notes = store.open("2041").notes
    assert {note.text for note in notes} == {f"{name} {n}" for name in ("left", "right") for n in range(12)}
    assert [saved.version for saved in store.history("2041")] == list(range(1, 26))


def test_a_store_that_is_moved_while_open(tmp_path: Path) -> None:
    with open_store(tmp_path / "s") as store:
        kept = store.create(whole_job())
        (tmp_path / "s").rename(tmp_path / "t")
        for use in (
            lambda: store.add_note("2041", "lost?"),
            lambda: store.open("2041"),
            lambda: store.search("hum"),
            lambda: store.create(whole_job("2042")),
        ):
            with pytest.raises(RecordError, match="was moved or deleted while it was open; nothing is saved"):
                use()
        with open_store(tmp_path / "t") as moved:
            assert moved.open("2041") == kept
        (tmp_path / "t").rename(tmp_path / "s")
        assert store.open("2041") == kept
        assert store.add_note("2041", "found again").version == 2


def test_a_store_that_is_deleted_or_replaced_while_open(tmp_path: Path) -> None:
    with open_store(tmp_path / "s") as store:
        store.create(whole_job())
        shutil.rmtree(tmp_path / "s")
        with pytest.raises(RecordError, match="moved or deleted"):
            store.add_note("2041", "lost?")
        with open_store(tmp_path / "s"), pytest.raises(RecordError, match="another file has taken its place"):
            store.add_note("2041", "lost?")


def test_a_store_that_goes_away_during_a_save_is_not_called_saved(tmp_path: Path) -> None:
    with open_store(tmp_path / "s") as store:
        store.create(whole_job())

        def change(job):  # type: ignore[no-untyped-def]
            shutil.rmtree(tmp_path / "s")
            return replace(job, work="gone")

        with pytest.raises(RecordError):
            store.change("2041", change)


@pytest.fixture
def readable() -> Iterator[Path]:
    """A folder that a person without rights can look into; who is root becomes that person."""
    folder = Path(tempfile.mkdtemp(prefix="bw-jobs-"))
    folder.chmod(0o755)
    yield folder
    with_rights(folder / "s")
    shutil.rmtree(folder)


def with_rights(folder: Path) -> None:
    if os.geteuid() != os.getuid():
        os.seteuid(os.getuid())
    folder.chmod(0o755)
    for path in folder.iterdir():
        path.chmod(0o644)


def without_rights(folder: Path) -> None:
    for path in folder.iterdir():
        path.chmod(0o444)
    folder.chmod(0o555)
    if os.geteuid() == 0:
        os.seteuid(NOBODY)


def only_read(folder: Path) -> None:
    with open_store(folder) as store:
        assert "read-only" in store.read_only
        assert store.open("2041").customer == "M. Lindqvist"
        assert store.search("bridged")[0].number == "2041"
        for use in (lambda: store.add_note("2041", "x"), lambda: store.create(whole_job("2042"))):
            with pytest.raises(RecordError, match="its file or folder is read-only; it can still be read"):
                use()


def test_a_store_without_rights_to_write_is_read(readable: Path) -> None:
    with open_store(readable / "s") as store:
        store.create(whole_job())
    without_rights(readable / "s")
    only_read(readable / "s")


def test_a_read_only_store_that_was_not_closed_in_order_is_read(readable: Path) -> None:
    """As after a power cut: the newest is in the log beside the file."""
    with open_store(readable / "o") as store:
        store.create(whole_job())
        shutil.copytree(readable / "o", readable / "s")
    assert (readable / "s" / "jobs.sqlite-wal").stat().st_size > 0
    (readable / "s" / "jobs.sqlite-shm").unlink()
    without_rights(readable / "s")
    only_read(readable / "s")


def test_who_may_only_look_sees_what_others_write(readable: Path) -> None:
    with open_store(readable / "s") as writer:
        kept = writer.create(whole_job())
        without_rights(readable / "s")
        with open_store(readable / "s") as looker:
            assert looker.read_only
            assert looker.open("2041") == kept
            with_rights(readable / "s")
            newer = writer.add_note("2041", "newer")
            without_rights(readable / "s")
            assert looker.open("2041") == newer
        with_rights(readable / "s")
    # Nobody writes any more, the log is gone; then somebody does.
    without_rights(readable / "s")
    with open_store(readable / "s") as looker:
        assert looker.open("2041") == newer
        with_rights(readable / "s")
        with open_store(readable / "s") as writer:
            writer.add_note("2041", "behind its back")
        with pytest.raises(RecordError, match="behind a reader without rights; open it again"):
            looker.open("2041")


def test_a_store_that_may_not_be_read_is_told(readable: Path) -> None:
    with open_store(readable / "s"):
        pass
    (readable / "s" / "jobs.sqlite").chmod(0)
    if os.geteuid() == 0:
        os.seteuid(NOBODY)
    with pytest.raises(RecordError, match="cannot be opened"):
        open_store(readable / "s")


def test_a_locked_store_is_told_and_then_works_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "BUSY_S", 0.2)
    with open_store(tmp_path) as store:
        kept = store.create(whole_job())
        with closing(sqlite3.connect(tmp_path / "jobs.sqlite", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(RecordError, match="another program has held it locked"):
                store.add_note("2041", "x")
            # Reading goes on beside a writer.
            assert store.open("2041") == kept
            other.execute("ROLLBACK")
        assert store.add_note("2041", "x").version == 2


def test_a_full_disk_is_told_and_keeps_what_was_there(tmp_path: Path) -> None:
    with open_store(tmp_path) as store:
        kept = store.create(whole_job())

        def fill(job):  # type: ignore[no-untyped-def]
            return replace(job, work="x" * 20_000, complaint="y" * 20_000)

        with store.database._engine.connect() as connection:
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        store.database._engine.dispose()
        # As large as the disk, for every connection from now on.
        event.listen(store.database._engine, "connect", lambda made, _: made.execute(f"PRAGMA max_page_count={pages}"))
        with pytest.raises(RecordError, match="the disk is full"):
            store.change("2041", fill)
        assert store.open("2041") == kept


def test_a_damaged_document_is_told_and_older_versions_are_read(store: JobStore) -> None:
    first = store.create(whole_job())
    store.add_note("2041", "second")
    with store.database.writing("rotting") as connection:
        connection.exec_driver_sql("UPDATE job_versions SET document = '{}' WHERE version = 2")
    with pytest.raises(RecordDamaged, match="job 2041, version 2: its document is not what was saved"):
        store.open("2041")
    assert store.open("2041", 1) == first


def test_a_damaged_file_is_told(tmp_path: Path) -> None:
    with open_store(tmp_path) as store:
        for n in range(30):
            store.create(whole_job(f"{n}"))
    path = tmp_path / "jobs.sqlite"
    data = bytearray(path.read_bytes())
    data[4096:] = b"\xa5" * (len(data) - 4096)
    path.write_bytes(data)
    with pytest.raises(RecordDamaged, match=r"its file is damaged .* take the last backup"), open_store(tmp_path) as s:
        s.search("hum")


def test_a_server_that_stops_in_mid_work(server: Server) -> None:
    with open_store(server.emptied_store()) as store:
        kept = store.create(whole_job())
        try:

            def change(job):  # type: ignore[no-untyped-def]
                server.stop()
                return replace(job, work="half")

            with pytest.raises(RecordError, match="connection to the server was lost while this was under way"):
                store.change("2041", change)
            for _ in range(2):
                with pytest.raises(RecordError, match=r"opening job '2041': .*(connection|server)"):
                    store.open("2041")
        finally:
            server.start()
        assert store.open("2041") == kept
        assert store.add_note("2041", "it is back").version == 2


def test_a_job_that_another_bench_holds_for_long(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "BUSY_S", 0.2)
    with open_store(server.emptied_store()) as store:
        kept = store.create(whole_job())
        with store.database.writing("holding") as holder:
            holder.exec_driver_sql("SELECT id FROM jobs FOR UPDATE")
            with pytest.raises(RecordError, match="another bench has held it locked"):
                store.add_note("2041", "x")
            assert store.open("2041") == kept
        assert store.add_note("2041", "x").version == 2


def test_a_user_who_may_only_look(server: Server) -> None:
    address = server.emptied_store()
    with open_store(address) as store:
        kept = store.create(whole_job())
    name = address.partition("@/")[2].partition("?")[0]
    with server.connection(name) as connection:
        connection.execute(
            "DO $$ BEGIN CREATE ROLE looker LOGIN PASSWORD 'x'; EXCEPTION WHEN duplicate_object THEN END $$"
        )
        connection.execute("GRANT SELECT ON ALL TABLES IN SCHEMA public TO looker")
    with open_store(address.replace(f"bench:{IN_ADDRESS}", "looker:x")) as store:
        assert store.open("2041") == kept
        assert store.search("hums")[0].number == "2041"
        with pytest.raises(RecordError, match="no rights to change it; what it holds can still be read"):
            store.create(whole_job("2042"))
    with pytest.raises(JobError), open_store(address) as store:
        store.open("2042")
