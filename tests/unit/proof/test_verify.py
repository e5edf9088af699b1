"""What verification says of a run folder and of a record alone: every changed byte is found and named."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
import sqlite3
from contextlib import closing
from io import BytesIO
from pathlib import Path

import pikepdf
import pytest
from sealed_runs import BOOT, MADE_AT, NOW, SIGNER, printed, record_pdf, sealed_run

from benchwarden.proof.canonical import canonical
from benchwarden.proof.findings import Findings
from benchwarden.proof.pdf_seal import check_pdf_seal, sealed_pdf
from benchwarden.proof.seal import attachment_seal, read_seal, seal_journal, write_seal
from benchwarden.proof.seal_check import NOBODY, Trust
from benchwarden.proof.seal_form import SEAL_NAME
from benchwarden.proof.signing import new_key
from benchwarden.proof.verify import trust_in, verify
from benchwarden.proof.verify_pdf import check_pdf
from benchwarden.record.journal_format import NAME, note_crc

HELD = Trust({SIGNER.key_id: SIGNER.public_key})
DEMANDED = Trust({SIGNER.key_id: SIGNER.public_key}, demanded=True)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sealed_run(tmp_path_factory.mktemp("made") / "run", SIGNER, count=700)


@pytest.fixture
def run(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "run"))


def said(found: Findings, kind: str) -> list[str]:
    return [f"{one.subject}: {one.words}" for one in found.found if one.kind == kind]


def flip(path: Path, at: int, bit: int) -> None:
    with open(path, "r+b") as file:
        file.seek(at)
        (value,) = file.read(1)
        file.seek(at)
        file.write(bytes([value ^ 1 << bit]))


def digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


def test_an_untouched_run_is_intact_and_verifying_changes_nothing(run: Path) -> None:
    before = digests(run)
    found = verify(run, HELD, NOW)
    assert found.exit_code == 0, found.lines()
    assert found.head == read_seal(run).seal.head
    assert "signed with a key at hand" in found.lines()[1]
    assert any(f"signed with key {SIGNER.key_id}" in words for words in said(found, "signed"))
    assert digests(run) == before


def test_200_changed_bytes_in_a_run_folder_are_all_found(made: Path, tmp_path: Path) -> None:
    rng = random.Random(2041)
    names = [NAME, "recording.csv", "verdict.json", "job.json", SEAL_NAME, "record.pdf"]
    missed = []
    work = Path(shutil.copytree(made, tmp_path / "work"))
    for k in range(200):
        name = names[k % len(names)]
        whole = (work / name).read_bytes()
        at, bit = rng.randrange(len(whole)), rng.randrange(8)
        flip(work / name, at, bit)
        changed = digests(work)
        found = verify(work, HELD, NOW)
        if found.exit_code != 1 or not any(name in words for words in said(found, "changed") + said(found, "missing")):
            missed.append((name, at, bit, found.lines()))
        assert digests(work) == changed
        (work / name).write_bytes(whole)
    assert not missed
    assert verify(work, HELD, NOW).exit_code == 0


def test_200_changed_bytes_in_a_record_alone_are_all_found(made: Path) -> None:
    rng = random.Random(6962)
    whole = (made / "record.pdf").read_bytes()
    for _ in range(200):
        other = bytearray(whole)
        at = rng.randrange(len(whole))
        other[at] ^= 1 << rng.randrange(8)
        found = check_pdf(bytes(other), "record.pdf", NOBODY, NOW)
        assert found.exit_code == 1, (at, found.lines())


def test_frames_that_were_changed_are_named_by_their_minute(run: Path) -> None:
    with closing(sqlite3.connect(run / NAME)) as db, db:
        ((rowid, data),) = db.execute("SELECT id, data FROM frames ORDER BY id LIMIT 1").fetchall()
        db.execute("UPDATE frames SET data = ? WHERE id = ?", (data[:50] + bytes([data[50] ^ 1]) + data[51:], rowid))
    found = verify(run, HELD, NOW)
    assert found.exit_code == 1
    assert any(f"minute 0 of the run (board start {BOOT:08x})" in words for words in said(found, "missing"))
    assert any("CRC does not match" in words for words in said(found, "note"))


def test_a_note_rewritten_with_its_checksum_is_found(run: Path) -> None:
    with closing(sqlite3.connect(run / NAME)) as db, db:
        body = '{"text": "looked at — all perfect"}'
        db.execute(
            "UPDATE notes SET body = ?, crc = ? WHERE kind = 'operator'", (body, note_crc("operator", 60.0, body))
        )
    found = verify(run, HELD, NOW)
    assert said(found, "changed") == [f'{NAME}: the note "operator" at 60.000 s differs from what was sealed']


def test_a_deleted_event_an_added_note_and_a_swapped_order_are_told_apart(run: Path, tmp_path: Path) -> None:
    gone = Path(shutil.copytree(run, tmp_path / "gone"))
    with closing(sqlite3.connect(gone / NAME)) as db, db:
        db.execute("DELETE FROM events WHERE seq = 2")
    assert said(verify(gone, HELD, NOW), "missing") == [
        f"{NAME}: board event 2 (board start {BOOT:08x}) is gone or cannot be read any more"
    ]
    more = Path(shutil.copytree(run, tmp_path / "more"))
    with closing(sqlite3.connect(more / NAME)) as db, db:
        db.execute("INSERT INTO notes VALUES (NULL, 'operator', 61.0, ?, '{}')", (note_crc("operator", 61.0, "{}"),))
    assert said(verify(more, HELD, NOW), "changed") == [
        f'{NAME}: the note "operator" at 61.000 s was added after sealing'
    ]
    swapped = Path(shutil.copytree(run, tmp_path / "swapped"))
    with closing(sqlite3.connect(swapped / NAME)) as db, db:
        db.execute("UPDATE notes SET id = 99 WHERE kind = 'stage'")
    assert said(verify(swapped, HELD, NOW), "changed") == [
        f"{NAME}: the entries are not in the order in which they were sealed"
    ]


def test_a_database_written_anew_with_the_same_entries_is_told_as_that(run: Path) -> None:
    with closing(sqlite3.connect(run / NAME)) as db:
        db.execute("PRAGMA user_version = 7")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    found = verify(run, HELD, NOW)
    assert found.exit_code == 1
    (words,) = said(found, "changed")
    assert "although all its entries are the same" in words


def test_missing_and_added_files_are_named(run: Path) -> None:
    (run / "recording.csv").unlink()
    (run / "note.txt").write_text("later")
    (run / "status.json").write_text('{"phase": "finished"}')
    found = verify(run, HELD, NOW)
    assert said(found, "missing") == ["recording.csv: is gone"]
    assert said(found, "added") == ["note.txt: came after sealing, or is no part of what is sealed"]
    (run / NAME).unlink()
    assert f"{NAME}: the journal is gone" in said(verify(run, HELD, NOW), "missing")
    (run / SEAL_NAME).unlink()
    assert verify(run, HELD, NOW).exit_code == 2


def test_a_verdict_and_an_unsigned_seal_made_anew_do_not_fit_the_journal(run: Path) -> None:
    told = json.loads((run / "verdict.json").read_text())
    (run / "verdict.json").write_text(json.dumps({**told, "verdict": "trip"}))
    write_seal(run, seal_journal(run, MADE_AT), None)
    found = verify(run, HELD, NOW)
    assert said(found, "changed") == ["verdict.json: does not say what the verdict in the journal says"]


def test_without_a_signature_nothing_is_said_of_who_made_it(tmp_path: Path) -> None:
    run = sealed_run(tmp_path / "run", None, count=50)
    found = verify(run, NOBODY, NOW)
    assert found.exit_code == 0
    assert "Who made the seal is not proven" in found.lines()[1]
    assert any("can make all hashes again" in words for words in said(found, "note"))
    for path in (run, run / "record.pdf"):
        assert verify(path, DEMANDED, NOW).exit_code == 2


def test_a_signature_by_an_unknown_key_is_told_as_that(run: Path, tmp_path: Path) -> None:
    found = verify(run, NOBODY, NOW)
    assert found.exit_code == 0
    assert any("nothing here tells whose key it is" in words for words in said(found, "note"))
    other = new_key(tmp_path / "keys")
    for path in (run, run / "record.pdf"):
        asked = verify(path, trust_in(tmp_path / "keys" / f"public-{other.key_id}.pem", tmp_path), NOW)
        assert asked.exit_code == 2
        assert any(f"not with the one given ({other.key_id})" in words for words in said(asked, "unknown"))


def test_seals_of_a_replaced_key_stay_verifiable(tmp_path: Path) -> None:
    keys = tmp_path / "keys"
    run = sealed_run(tmp_path / "run", new_key(keys), count=50)
    new_key(keys, replace=True)
    assert "signed with a key at hand" in verify(run, trust_in(None, keys), NOW).lines()[1]


def test_pages_sealed_again_without_the_key_are_found(run: Path) -> None:
    """The data inside are signed; somebody prints other pages around them and seals the file without a key."""
    whole = (run / "record.pdf").read_bytes()
    with pikepdf.open(BytesIO(whole)) as pdf:
        inside = {name: file.get_file().read_bytes() for name, file in pdf.attachments.items()}
    head = check_pdf_seal(whole).head
    forged = sealed_pdf(printed(head, inside, title="Another result"), head, None)
    found = check_pdf(forged, "record.pdf", HELD, NOW)
    assert found.exit_code == 1
    assert any("may have been changed and sealed again" in words for words in said(found, "missing"))


def test_a_record_whose_attachments_do_not_fit_names_them(run: Path) -> None:
    seal = seal_journal(run, MADE_AT)
    data = {"samples.csv": b"t_s\n0\n", "verdict.json": b"{}", "job.json": b"{}"}
    inside = {**data, "seal.json": attachment_seal(seal, data, None)}
    del inside["job.json"]
    inside |= {"samples.csv": b"t_s\n1\n", "more.txt": b"x"}
    found = check_pdf(sealed_pdf(printed(seal.head, inside), seal.head, None), "record.pdf", NOBODY, NOW)
    assert said(found, "changed") == ["samples.csv: is not what was sealed"]
    assert said(found, "missing") == ["job.json: is not attached any more"]
    assert said(found, "added") == ["more.txt: is attached and not listed in the seal"]


def test_a_record_saved_again_by_another_program_is_found(run: Path) -> None:
    out = BytesIO()
    with pikepdf.open(run / "record.pdf") as pdf:
        pdf.save(out)
    found = check_pdf(out.getvalue(), "record.pdf", HELD, NOW)
    assert found.exit_code == 1
    assert {"samples.csv: is as it was sealed", "job.json: is as it was sealed"} <= set(said(found, "intact"))


def test_a_record_of_an_earlier_state_of_the_journal_is_noted(run: Path) -> None:
    record = (run / "record.pdf").read_bytes()
    with closing(sqlite3.connect(run / NAME)) as db, db:
        db.execute("DELETE FROM events WHERE seq = 2")
    (run / "record.pdf").write_bytes(record)
    write_seal(run, seal_journal(run, MADE_AT), SIGNER)
    found = verify(run, HELD, NOW)
    assert found.exit_code == 0
    assert any("shows another head" in words for words in said(found, "note"))
    assert any("it replaces a seal of" in words and "with head" in words for words in said(found, "note"))


@pytest.mark.parametrize(
    ("made_at", "now", "words"),
    [
        ("2026-11-29T10:00:00Z", NOW, "before the run was over"),
        ("2031-01-01T00:00:00Z", NOW, "in the future"),
        ("1980-01-06T00:00:00Z", NOW, "before this program was first released"),
        ("half past nine", NOW, "cannot be read from its label"),
    ],
)
def test_a_wrong_clock_is_a_label_and_no_change(tmp_path: Path, made_at: str, now: str, words: str) -> None:
    run = sealed_run(tmp_path / "run", None, count=50)
    (run / SEAL_NAME).unlink()
    write_seal(run, seal_journal(run, made_at), None)
    found = verify(run, NOBODY, now)
    assert found.exit_code == 0, found.lines()
    assert any(words in note and "label only" in note for note in said(found, "note"))


def test_a_seal_whose_head_was_exchanged_is_found(run: Path) -> None:
    body = json.loads((run / SEAL_NAME).read_bytes())
    for key in ("digest", "signature"):
        del body[key]
    body["head"] = "00" * 32
    covered = canonical(body)
    (run / SEAL_NAME).write_bytes(canonical({**body, "digest": hashlib.sha256(covered).hexdigest()}))
    found = verify(run, NOBODY, NOW)
    assert any("does not follow from the entries" in words for words in said(found, "changed"))


def test_a_record_needs_nothing_of_its_folder(run: Path, tmp_path: Path) -> None:
    alone = tmp_path / "somewhere" / "else.pdf"
    alone.parent.mkdir()
    alone.write_bytes(record_pdf(run, SIGNER))
    found = verify(alone, HELD, NOW)
    assert found.exit_code == 0
    assert len(said(found, "signed")) == 2
