"""Everything out and in again; what is damaged or made to harm is refused by name, nothing is overwritten."""

from __future__ import annotations

import hashlib
import io
import json
import random
import subprocess
import sys
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from invented_jobs import RUN, picture, whole_job
from PIL import Image
from test_job_samples import recorded

from benchwarden.core.job import Job
from benchwarden.errors import RecordError
from benchwarden.jobs.exchange import export_jobs
from benchwarden.jobs.exchange_check import opened_export
from benchwarden.jobs.exchange_import import import_jobs
from benchwarden.jobs.samples import export_parquet, read_parquet
from benchwarden.jobs.store import JobStore, open_store

NOW = "2026-11-29T13:00:00Z"


def filled(store: JobStore, folder: Path) -> None:
    """Two jobs with several versions, a photo and samples."""
    store.create(whole_job(), by="bench 1")
    store.add_note("2041", "crackles – leise", by="K. Osei")
    store.add_photo("2041", "board.jpg", picture(), "left", by="bench 1")
    recorded(folder / "run", 300)
    export_parquet(folder / "run", folder / "run.parquet")
    store.add_samples("2041", RUN.folder, folder / "run.parquet", by="bench 1")
    store.create(Job("%_'\\ 2", customer="Ångström"))


@pytest.fixture
def export(folder_store: JobStore, tmp_path: Path) -> Path:
    filled(folder_store, tmp_path)
    return export_jobs(folder_store, tmp_path / "all.zip", NOW).path


def same(one: JobStore, other: JobStore) -> None:
    numbers = {row.number for row in one.search()}
    assert {row.number for row in other.search()} == numbers
    for number in numbers:
        assert one.history(number) == other.history(number)
        for saved in one.history(number):
            assert one.open(number, saved.version) == other.open(number, saved.version)
        for photo in one.open(number).photos:
            assert one.photo_bytes(photo.sha256) == other.photo_bytes(photo.sha256)
        assert [replace(s, row_id=0) for s in one.samples_of(number)] == [
            replace(s, row_id=0) for s in other.samples_of(number)
        ]


def test_everything_goes_out_and_in_again(store: JobStore, tmp_path: Path) -> None:
    filled(store, tmp_path)
    done = export_jobs(store, tmp_path / "all.zip", NOW)
    assert (done.jobs, done.versions, done.photos, done.samples) == (2, 4, 1, 1)
    with open_store(tmp_path / "other") as other:
        told = import_jobs(other, done.path, NOW)
        assert (told.added, told.skipped, told.conflicts, told.refused) == (("2041", "%_'\\ 2"), (), (), ())
        same(store, other)
        assert [row.number for row in other.search("leise C5200")] == ["2041"]
        assert other.of_run(RUN.folder) == ("2041",)
        # The same again changes nothing, there and where it came from.
        for target in (other, store):
            again = import_jobs(target, done.path, NOW)
            assert (again.added, again.skipped, again.conflicts) == ((), ("2041", "%_'\\ 2"), ())
        same(store, other)
        assert other.conflicts("2041") == ()
        # An export of the import is the same to the byte: order and dates depend on nothing else.
        second = export_jobs(other, tmp_path / "second.zip", NOW)
        assert second.path.read_bytes() == done.path.read_bytes()


def test_others_can_read_it(export: Path, tmp_path: Path) -> None:
    """zipfile's own check, the command-line tester of Python's zipfile, hashlib, json, Pillow and Parquet."""
    with zipfile.ZipFile(export) as packed:
        assert packed.testzip() is None
        manifest = json.loads(packed.read("manifest.json"))
        assert set(manifest["members"]) == set(packed.namelist()) - {"manifest.json"}
        for name, entry in manifest["members"].items():
            data = packed.read(name)
            assert hashlib.sha256(data).hexdigest() == entry["sha256"]
            assert len(data) == entry["size"]
        lines = [json.loads(line) for line in packed.read("jobs/000001.jsonl").decode().splitlines()]
        assert [line.get("version") for line in lines] == [None, 1, 2, 3]
        assert lines[-1]["document"]["customer"] == "M. Lindqvist"
        assert lines[-1]["by"] == "bench 1"
        (photo,) = (name for name in packed.namelist() if name.startswith("photos/"))
        Image.open(io.BytesIO(packed.read(photo))).verify()
        (samples,) = (name for name in packed.namelist() if name.startswith("samples/"))
        packed.extract(samples, tmp_path)
        assert sum(len(block) for block in read_parquet(tmp_path / samples)) == 300
    subprocess.run([sys.executable, "-m", "zipfile", "-t", export], check=True, capture_output=True)


def test_a_job_that_differs_is_kept_beside_the_one_here(store: JobStore, export: Path, tmp_path: Path) -> None:
    store.create(Job("2041", customer="somebody else"), by="here")
    told = import_jobs(store, export, NOW)
    assert told.conflicts == ("2041",)
    assert store.open("2041").customer == "somebody else"
    assert [saved.by for saved in store.history("2041")] == ["here"]
    beside = store.conflicts("2041")
    assert [(saved.version, saved.source) for saved, _ in beside] == [(1, "all.zip"), (2, "all.zip"), (3, "all.zip")]
    newest = beside[-1][1]
    assert newest.customer == "M. Lindqvist"
    assert len(store.photo_bytes(newest.photos[0].sha256)) == newest.photos[0].size
    assert store.samples_of("2041")[0].rows == 300
    again = import_jobs(store, export, NOW)
    assert (again.skipped, len(store.conflicts("2041"))) == (("2041", "%_'\\ 2"), 3)
    # What stands beside goes along with the next export.
    further = export_jobs(store, tmp_path / "further.zip", NOW)
    with open_store(tmp_path / "third") as third:
        import_jobs(third, further.path, NOW)
        assert third.conflicts("2041") == beside


def test_a_store_that_went_on_is_not_set_back(folder_store: JobStore, export: Path) -> None:
    newer = folder_store.add_note("2041", "since the export")
    assert import_jobs(folder_store, export, NOW).skipped == ("2041", "%_'\\ 2")
    assert folder_store.open("2041") == newer


Members = dict[str, bytes]


def rewritten(export: Path, change: Callable[[Members], object], *, digests: bool = True) -> Path:
    """The export with its members changed; with `digests`, the manifest agrees with what it became."""
    with zipfile.ZipFile(export) as packed:
        members = {name: packed.read(name) for name in packed.namelist()}
    change(members)
    if digests and "manifest.json" in members:
        manifest = json.loads(members["manifest.json"])
        manifest["members"] = {
            name: {"sha256": hashlib.sha256(data).hexdigest(), "size": len(data)}
            for name, data in members.items()
            if name != "manifest.json"
        }
        members["manifest.json"] = json.dumps(manifest).encode()
    target = export.with_name("changed.zip")
    with zipfile.ZipFile(target, "w") as packed:
        for name, data in members.items():
            stored = name.startswith(("photos/", "samples/"))
            packed.writestr(name, data, zipfile.ZIP_STORED if stored else zipfile.ZIP_DEFLATED)
    return target


def _first(members: Members, start: str) -> str:
    return next(name for name in members if name.startswith(start))


def _put(name: str, data: bytes) -> Callable[[Members], object]:
    return lambda members: members.__setitem__(name, data)


@pytest.mark.parametrize(
    ("change", "digests", "why"),
    [
        (_put("../../evil.jsonl", b"x"), True, "'../../evil.jsonl': no name of an export"),
        (_put("/etc/passwd", b"x"), True, "'/etc/passwd': no name of an export"),
        (_put("jobs/../../000003.jsonl", b"x"), True, "no name of an export"),
        (_put("jobs\\000003.jsonl", b"x"), True, "no name of an export"),
        (_put("jobs/000003.jsonl\n", b"x"), True, "no name of an export"),
        (_put("jobs/000003.jsonl", b"{}\n"), False, "'jobs/000003.jsonl' is not in the manifest"),
        (lambda m: m.pop("jobs/000002.jsonl"), False, "'jobs/000002.jsonl' is missing"),
        (lambda m: m.pop("manifest.json"), False, "no manifest.json"),
        (_put("manifest.json", b"{}"), False, "manifest.json: format"),
        (_put("manifest.json", b"[" * 100_000), False, "manifest.json: damaged"),
        (_put("jobs/000002.jsonl", b"{}\n"), False, "'jobs/000002.jsonl' is not what the manifest says"),
        (lambda m: m.update({_first(m, "photos/"): picture("PNG")}), True, "is not what its name says"),
        (_put("jobs/000003.jsonl", b"\0" * 100_000_000), True, "unpacks to far more"),
    ],
)
def test_a_false_export_is_refused_whole(
    folder_store: JobStore, export: Path, tmp_path: Path, change: Callable[[Members], object], digests: bool, why: str
) -> None:
    changed = rewritten(export, change, digests=digests)
    with open_store(tmp_path / "empty") as empty:
        with pytest.raises(RecordError) as caught:
            import_jobs(empty, changed, NOW)
        assert why in str(caught.value)
        assert empty.search() == ()
    assert not (tmp_path.parent / "evil.jsonl").exists()


def _line(change: Callable[[dict[str, object]], object]) -> Callable[[Members], object]:
    def changed(members: Members) -> None:
        lines = [json.loads(line) for line in members["jobs/000001.jsonl"].splitlines()]
        change(lines[2])
        members["jobs/000001.jsonl"] = b"".join(json.dumps(line).encode() + b"\n" for line in lines)

    return changed


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (_line(lambda line: line["document"].update(customer="changed")), "not what its digest says"),  # type: ignore[attr-defined]
        (_line(lambda line: line["document"].update(state="lost")), "state"),  # type: ignore[attr-defined]
        (_line(lambda line: line["document"].update(evil="key")), "evil is not a key"),  # type: ignore[attr-defined]
        (_line(lambda line: line.update(document=5)), "a int; allowed: a table"),
        (_line(lambda line: line.update(version=7)), "the line says otherwise"),
        (_line(lambda line: line.update(by="x\n")), "by; allowed"),
        (_line(lambda line: line.update(kind="odd")), "kind 'odd'"),
        (_line(lambda line: line.update(kind="damaged")), "was damaged already"),
        (_put("jobs/000001.jsonl", b"no json\n"), "line 1: no JSON"),
        (_put("jobs/000001.jsonl", b"[" * 10_000 + b"\n"), "line 1: no JSON"),
        (_put("jobs/000001.jsonl", b"[]\n"), "a list; allowed: a table"),
        (_put("jobs/000001.jsonl", b'{"number": "2041", "samples": []}\n'), "none missing"),
        (lambda m: m.pop(_first(m, "photos/")), "missing, though a job has this photo"),
        (lambda m: m.pop(_first(m, "samples/")), "missing, though a job has these samples"),
    ],
)
def test_a_job_that_cannot_be_is_left_out_and_told(
    export: Path, tmp_path: Path, change: Callable[[Members], object], why: str
) -> None:
    changed = rewritten(export, change)
    with open_store(tmp_path / "empty") as empty:
        told = import_jobs(empty, changed, NOW)
        assert len(told.refused) == 1
        assert why in told.refused[0]
        assert "changed.zip" in told.refused[0]
        assert told.added == ("%_'\\ 2",)
        assert [row.number for row in empty.search()] == ["%_'\\ 2"]
        assert empty.database.path is not None


def test_a_photo_that_tells_more_than_it_shows_is_left_out(export: Path, tmp_path: Path) -> None:
    spy = picture("JPEG", comment=b"HOMEADDRESS")
    name = hashlib.sha256(spy).hexdigest()

    def change(members: Members) -> None:
        old = _first(members, "photos/")
        del members[old]
        members[f"photos/{name}.jpg"] = spy
        lines = [json.loads(line) for line in members["jobs/000001.jsonl"].splitlines()]
        document = lines[3]["document"]
        document["photos"][0].update(sha256=name, size=len(spy))
        text = json.dumps(document, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
        lines[3]["sha256"] = hashlib.sha256(text.encode()).hexdigest()
        members["jobs/000001.jsonl"] = b"".join(json.dumps(line).encode() + b"\n" for line in lines)

    with open_store(tmp_path / "empty") as empty:
        told = import_jobs(empty, rewritten(export, change), NOW)
        assert "holds more than a picture" in told.refused[0]


@pytest.mark.parametrize("data", [b"", b"no zip", b"PK\x05\x06" + b"\0" * 18, b"PK\x03\x04" + b"\0" * 200])
def test_what_is_no_zip_is_refused(folder_store: JobStore, tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "x.zip"
    path.write_bytes(data)
    with pytest.raises(RecordError, match=r"x\.zip"):
        import_jobs(folder_store, path, NOW)
    with pytest.raises(RecordError, match=r"none\.zip"):
        import_jobs(folder_store, tmp_path / "none.zip", NOW)


# Two members of one name are made on purpose.
@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_the_same_name_twice_is_refused(folder_store: JobStore, export: Path) -> None:
    with zipfile.ZipFile(export, "a") as packed:
        packed.writestr("jobs/000001.jsonl", b"{}\n")
    with pytest.raises(RecordError, match="is there twice"):
        import_jobs(folder_store, export, NOW)


def test_two_hundred_changed_bytes_and_every_cut_are_found_or_change_nothing(export: Path) -> None:
    whole = export.read_bytes()
    with opened_export(export) as packed:
        want = {name: packed.read(name) for name in packed.namelist()}
    told: list[str] = []
    rng = random.Random(20261129)
    changes = [(rng.randrange(len(whole)), rng.randrange(1, 256)) for _ in range(200)]
    variants = [whole[:at] + bytes([whole[at] ^ bit]) + whole[at + 1 :] for at, bit in changes]
    variants += [whole[: rng.randrange(len(whole))] for _ in range(40)]
    path = export.with_name("damaged.zip")
    for data in variants:
        path.write_bytes(data)
        try:
            with opened_export(path) as packed:
                # A date or a hint that nobody reads: what it holds is the same to the byte.
                assert {name: packed.read(name) for name in packed.namelist()} == want
        except RecordError as error:
            told.append(str(error))
    assert all("damaged.zip" in words for words in told)
    assert len(told) > 200


def test_an_export_is_there_whole_or_not_at_all(
    folder_store: JobStore, export: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    with pytest.raises(RecordError, match="exists already"):
        export_jobs(folder_store, export, NOW)
    with pytest.raises(RecordError, match="cannot be written"):
        export_jobs(folder_store, tmp_path / "no" / "such" / "x.zip", NOW)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(RecordError, match="No space left"):
        export_jobs(folder_store, tmp_path / "x.zip", NOW)
    assert list(tmp_path.glob("x.zip*")) == []


def test_rot_in_a_store_goes_along_and_is_told(folder_store: JobStore, export: Path, tmp_path: Path) -> None:
    with folder_store.database.writing("rotting") as connection:
        connection.exec_driver_sql("UPDATE job_versions SET document = 'rot' WHERE job_id = 1 AND version = 2")
    path = export_jobs(folder_store, tmp_path / "rotten.zip", NOW).path
    with open_store(tmp_path / "empty") as empty:
        told = import_jobs(empty, path, NOW)
        assert told.added == ("%_'\\ 2",)
        assert "line 3: was damaged already" in told.refused[0]
