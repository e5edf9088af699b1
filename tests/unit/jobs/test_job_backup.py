"""Backup while benches write: a copy of one moment, proven sound, whole or not at all."""

from __future__ import annotations

import shutil
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from invented_jobs import picture, whole_job

from benchwarden.core.job import Job
from benchwarden.errors import RecordError
from benchwarden.jobs.address import FILE_NAME
from benchwarden.jobs.backup import back_up
from benchwarden.jobs.exchange_import import import_jobs
from benchwarden.jobs.store import JobStore, open_store

NOW = "2026-11-29T13:00:00Z"


@contextmanager
def written_meanwhile(store: JobStore) -> Iterator[list[int]]:
    """Pairs of notes, always to both of two jobs in one transaction, as fast as it goes."""
    stop = threading.Event()
    count = [0]

    def work() -> None:
        while not stop.is_set():
            for number in ("1", "2"):
                store.add_note(number, f"note {count[0]}")
            count[0] += 1

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield count
    finally:
        stop.set()
        thread.join()


def restored(store: JobStore, backup: Path, folder: Path) -> JobStore:
    """A store made of the backup, in the way that the module describes."""
    if store.database.is_server:
        found = open_store(folder)
        told = import_jobs(found, backup, NOW)
        assert not told.refused
        return found
    folder.mkdir()
    shutil.copy(backup, folder / FILE_NAME)
    return open_store(folder)


def test_a_backup_is_of_one_moment_while_others_write(store: JobStore, tmp_path: Path) -> None:
    for number in ("1", "2"):
        store.create(Job(number))
    store.add_photo("1", "a.jpg", picture())
    store.create(whole_job())
    with written_meanwhile(store) as count:
        for n in range(5):
            before = count[0]
            while count[0] < before + 3:
                time.sleep(0.001)
            back_up(store, tmp_path / f"{n}.backup", NOW)
    assert count[0] >= 15
    for n in range(5):
        with restored(store, tmp_path / f"{n}.backup", tmp_path / f"restored{n}") as found:
            notes = [[note.text for note in found.open(number).notes] for number in ("1", "2")]
            # The second job is written after the first: it is level with it or one behind.
            assert 0 <= len(notes[0]) - len(notes[1]) <= 1
            assert notes[1] == notes[0][: len(notes[1])]
            for number in ("1", "2", "2041"):
                versions = found.history(number)
                assert versions == store.history(number)[: len(versions)]
            assert found.open("2041") == store.open("2041")
            assert found.photo_bytes(found.open("1").photos[0].sha256)
    # It went on: each backup holds more than the one before.
    assert len(notes[0]) <= count[0] + 1


def test_a_backup_file_is_a_sound_database(folder_store: JobStore, tmp_path: Path) -> None:
    """By SQLite's own check, in a process that knows nothing of this program."""
    folder_store.create(whole_job())
    path = back_up(folder_store, tmp_path / "b.sqlite", NOW)
    with closing(sqlite3.connect(path)) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert raw.execute("PRAGMA foreign_key_check").fetchall() == []
        assert raw.execute("SELECT number, customer FROM jobs").fetchall() == [("2041", "M. Lindqvist")]
    assert sorted(p.name for p in tmp_path.glob("b.sqlite*")) == ["b.sqlite"]


def test_a_backup_takes_no_place_of_another(store: JobStore, tmp_path: Path) -> None:
    (tmp_path / "there").write_text("an older backup")
    with pytest.raises(RecordError, match="exists already; allowed: a new file"):
        back_up(store, tmp_path / "there", NOW)
    assert (tmp_path / "there").read_text() == "an older backup"
    with pytest.raises(RecordError, match="cannot be"):
        back_up(store, tmp_path / "no" / "such" / "x", NOW)


def test_a_damaged_store_makes_no_backup(folder_store: JobStore, tmp_path: Path) -> None:
    for n in range(40):
        folder_store.create(whole_job(f"{n}"))
    path = folder_store.database.path
    assert path is not None
    folder_store.close()
    data = bytearray(path.read_bytes())
    with closing(sqlite3.connect(path)) as raw:
        (root,) = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = 'job_versions'").fetchone()
    data[(root - 1) * 4096 : root * 4096] = b"\xa5" * 4096
    path.write_bytes(data)
    with open_store(path.parent) as store, pytest.raises(RecordError, match=r"not sound|is damaged"):
        back_up(store, tmp_path / "b.sqlite", NOW)
    assert list(tmp_path.glob("b.sqlite*")) == []


def test_rows_without_their_job_make_no_backup(folder_store: JobStore, tmp_path: Path) -> None:
    folder_store.create(whole_job())
    with closing(sqlite3.connect(folder_store.database.path)) as raw:  # type: ignore[arg-type]
        raw.execute("DELETE FROM jobs")
        raw.commit()
    with pytest.raises(RecordError, match="rows without their job"):
        back_up(folder_store, tmp_path / "b.sqlite", NOW)
    assert list(tmp_path.glob("b.sqlite*")) == []
