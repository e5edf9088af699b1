"""One contract over both kinds of store: what is saved comes back, nothing is lost, nobody overwrites anybody."""

from __future__ import annotations

import hashlib
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from invented_jobs import RUN, picture, whole_job
from own_server import Server

from benchwarden.core.job import FittedPart, Job, Photo, SetFacts
from benchwarden.errors import JobConflict, JobError, RecordError
from benchwarden.jobs.store import JobStore, open_store


def test_a_job_comes_back_as_it_was(store: JobStore, address: str) -> None:
    kept = store.create(whole_job(), by="bench 1")
    assert kept.version == 1
    assert kept.opened_at_utc == kept.changed_at_utc != ""
    bare = replace(kept, version=0, opened_at_utc="", changed_at_utc="")
    assert bare == whole_job()
    assert store.open("2041") == kept
    with open_store(address) as again:
        assert again.open("2041") == kept


def test_every_version_stays(store: JobStore) -> None:
    first = store.create(whole_job(), by="bench 1")
    second = store.save(replace(first, state="under test", work="changed"), by="K. Osei")
    third = store.add_note("2041", "crackles when warm", by="bench 2")
    assert [store.open("2041", n) for n in (1, 2, 3)] == [first, second, third]
    told = [(v.version, v.by, v.what) for v in store.history("2041")]
    assert told == [(1, "bench 1", "opened"), (2, "K. Osei", "saved"), (3, "bench 2", "note added")]
    with pytest.raises(JobError, match="no version 4"):
        store.open("2041", 4)


def test_an_old_version_cannot_be_saved_over_a_newer_one(store: JobStore) -> None:
    mine = store.create(whole_job())
    theirs = store.save(replace(mine, work="theirs", charge="50"), by="bench 2")
    with pytest.raises(JobConflict, match=r"saved by bench 2 .* as version 2, yours began from 1") as caught:
        store.save(replace(mine, work="mine"))
    assert caught.value.fields == ("work", "charge")
    assert store.open("2041") == theirs
    assert len(store.history("2041")) == 2


def test_a_number_is_taken_once(store: JobStore) -> None:
    store.create(Job("2041", customer="first"))
    with pytest.raises(JobConflict, match="exists already"):
        store.create(Job("2041", customer="second"))
    assert store.open("2041").customer == "first"
    assert store.next_number() == "2042"


def test_numbers_that_cannot_be_told_apart_are_refused(store: JobStore) -> None:
    for number in ("", " 1", "1 ", "1\n2", "\0", "1\u2028", "x" * 201):
        with pytest.raises(JobError):
            store.create(Job(number))
        with pytest.raises(JobError, match="is not in this store"):
            store.open(number)


def test_what_cannot_be_kept_is_refused_by_key(store: JobStore) -> None:
    kept = store.create(whole_job())
    for wrong, key in (
        (replace(kept, state="lost"), "state"),
        (replace(kept, work="a\0b"), "work"),
        (replace(kept, work="x" * 20_001), "work"),
        (replace(kept, customer="half \ud800"), "customer"),
        (replace(kept, unit={"a": float("nan")}), "cannot be kept"),
        (replace(kept, unit={"a": {1, 2}}), "cannot be kept"),
        (replace(kept, photos=(Photo("x.jpg", "image/jpeg", "0" * 64, 5),)), "photo 'x.jpg' is not in this store"),
    ):
        with pytest.raises(JobError, match=key):
            store.save(wrong)
    assert store.open("2041") == kept


def test_hostile_text_is_only_text(store: JobStore) -> None:
    nasty = "'; DROP TABLE jobs; -- % _ \\ \" <script>alert(1)</script> \u202e\u2028 {0} %s :x ?\U0001f50c\x1b[2J\ufeff"
    job = replace(whole_job("%_'\\"), customer=nasty, complaint=nasty * 100, work="x" * 20_000, invoice="\uffff")
    kept = store.create(job, by=nasty)
    assert store.open("%_'\\") == kept
    assert kept.customer == nasty
    (saved,) = store.history("%_'\\")
    assert "\x1b" not in saved.by


def test_a_job_as_large_as_may_be_is_kept(store: JobStore) -> None:
    parts = tuple(FittedPart(f"Q{n}", f"marking-{n}", note="n" * 2000) for n in range(2000))
    kept = store.create(replace(whole_job(), parts_fitted=parts))
    assert store.open("2041") == kept
    assert store.search("king-1999")[0].number == "2041"


def test_runs_notes_and_photos_are_added_to_whatever_is_there(store: JobStore) -> None:
    mine = store.create(whole_job())
    store.add_note("2041", "one", by="a")
    store.add_run("2041", replace(RUN, folder="another", started_at_utc="2026-11-26T00:00:00Z", verdict="trip"))
    job = store.add_photo("2041", "../board.jpg", picture(), "left channel", by="b")
    assert [note.text for note in job.notes] == ["fuse F1 was bridged", "one"]
    assert [run.folder for run in job.runs] == [RUN.folder, "another"]
    (photo,) = job.photos
    assert (photo.name, photo.caption, photo.width_px) == ("board.jpg", "left channel", 64)
    data = store.photo_bytes(photo.sha256)
    assert hashlib.sha256(data).hexdigest() == photo.sha256
    assert len(data) == photo.size
    assert store.search()[0].verdict == "trip"
    with pytest.raises(JobConflict):
        store.save(mine)
    with pytest.raises(JobError, match="empty note"):
        store.add_note("2041", " \n")
    with pytest.raises(JobError, match="not in this store"):
        store.add_note("2042", "no such job")
    with pytest.raises(JobError, match="not in this store"):
        store.photo_bytes("0" * 64)


def test_the_same_run_and_the_same_photo_stand_once(store: JobStore) -> None:
    store.create(replace(whole_job(), runs=()))
    store.add_run("2041", replace(RUN, head=""))
    assert store.add_run("2041", RUN).runs == (RUN,)
    store.add_photo("2041", "a.png", picture("PNG"))
    job = store.add_photo("2041", "b.png", picture("PNG"), "again")
    assert [(photo.name, photo.caption) for photo in job.photos] == [("b.png", "again")]
    assert store.of_run(RUN.folder) == ("2041",)
    store.save(replace(job, runs=()))
    assert store.of_run(RUN.folder) == ()


def test_jobs_of_one_set_whoever_typed_the_serial(store: JobStore) -> None:
    for number, maker, model, serial in (
        ("1", "Brackwater", "Integrated 60", "BW60-01873"),
        ("2", "BRACKWATER", "integrated-60", "bw60 01873"),
        ("3", "", "Integrated 60", "BW60/01873."),
        ("4", "Brackwater", "Integrated 40", "BW60-01873"),
        ("5", "Brackwater", "Integrated 60", "BW60-01874"),
        ("6", "Brackwater", "Integrated 60", ""),
    ):
        store.create(Job(number, amplifier=SetFacts(maker, model, serial)))
    found = store.of_set("Brackwater", "Integrated 60", "BW60 01873")
    assert [job.number for job in found] == ["1", "2", "3"]
    assert store.of_set("Brackwater", "Integrated 60", " - ") == ()


def test_many_threads_add_to_one_job(store: JobStore) -> None:
    store.create(whole_job())
    failed: list[Exception] = []

    def work(name: str) -> None:
        try:
            for n in range(5):
                store.add_note("2041", f"{name} {n}", by=name)
        except Exception as error:  # noqa: BLE001
            failed.append(error)

    threads = [threading.Thread(target=work, args=(f"bench{k}",)) for k in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failed
    job = store.open("2041")
    assert {note.text for note in job.notes[1:]} == {f"bench{k} {n}" for k in range(6) for n in range(5)}
    assert [v.version for v in store.history("2041")] == list(range(1, 32))
    # Each technician's notes stand in the order they were written.
    mine = [note.text for note in job.notes if note.by == "bench0"]
    assert mine == sorted(mine)


def test_a_change_sees_the_job_as_it_is(store: JobStore) -> None:
    store.create(whole_job())
    store.add_note("2041", "since")
    job = store.change("2041", lambda job: replace(job, work=f"{len(job.notes)} notes"))
    assert job.work == "2 notes"
    with pytest.raises(JobError, match="a number stays"):
        store.change("2041", lambda job: replace(job, number="2042"))

    def broken(job: Job) -> Job:
        raise JobError("the person went away")

    with pytest.raises(JobError, match="went away"):
        store.change("2041", broken)
    assert store.open("2041") == job


def test_a_store_that_is_closed_can_be_closed_again(address: str) -> None:
    store = open_store(address)
    store.close()
    store.close()


def test_nothing_is_made_where_only_looking_was_asked(tmp_path: Path, server: Server) -> None:
    for address in (str(tmp_path / "none"), server.address(server.new_database())):
        with pytest.raises(RecordError, match="there"):
            open_store(address, create=False)
    assert list(tmp_path.iterdir()) == []
