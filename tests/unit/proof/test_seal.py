"""The seal: canonical, whole, signed, never silently replaced; canonical JSON against RFC 8785."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sealed_runs import BOOT, HEADER, MADE_AT, SIGNER, frames, sealed_run, seqs, write_journal

from benchwarden.errors import RecordError
from benchwarden.proof.canonical import canonical
from benchwarden.proof.seal import attachment_seal, read_seal, seal_journal, write_seal
from benchwarden.proof.seal_form import SEAL_NAME, seal_bytes, seal_from
from benchwarden.proof.signing import is_signed
from benchwarden.record.journal import Journal
from benchwarden.record.journal_format import NAME
from benchwarden.record.run_folder import lock, unlock


def test_canonical_json_is_that_of_the_standard() -> None:
    # RFC 8785, 3.2: the sample object, and its bytes around the euro sign.
    sample = (
        '{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],'
        '"string": "\\u20ac$\\u000F\\u000aA\'\\u0042\\u0022\\u005c\\\\\\"\\/", "literals": [null, true, false]}'
    )
    expected = (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )
    assert canonical(json.loads(sample)) == expected.encode()
    # The order of keys is that of UTF-16 code units (testdata/weird.json of the standard's authors).
    keys = ["\n", "\r", "1", "</script>", "\x80", "ö", "€", "\U0001f602", "\ufb33"]
    assert list(json.loads(canonical(dict.fromkeys(reversed(keys), 0)))) == keys
    for value in (float("nan"), 2**53, "\ud800"):
        with pytest.raises(RecordError, match="canonical"):
            canonical(value)


def test_a_seal_says_what_was_sealed(tmp_path: Path) -> None:
    run = sealed_run(tmp_path / "run", SIGNER)
    found = read_seal(run)
    seal = found.seal
    assert found.intact
    assert found.signature_fits
    assert seal.counts == {
        "frames": 1800, "minutes": 3, "events": 5, "notes": 3, "bursts": 1, "missing_frames": 0, "missing_events": 0
    }  # fmt: skip
    assert (seal.first_ms, seal.last_ms, seal.closed, seal.boots) == (0, 179_900, True, (f"{BOOT:08x}",))
    assert seal.board["program"] == "ab12"
    assert seal.made_at_utc == MADE_AT
    names = [one.name for one in seal.files]
    assert names == ["job.json", NAME, "record.pdf", "recording.csv", "unit.toml", "verdict.json"]
    for one in seal.files:
        data = (run / one.name).read_bytes()
        assert (one.size, one.sha256) == (len(data), hashlib.sha256(data).hexdigest())
    assert seal.journal_file == ""


def test_signature_and_digest_are_made_as_the_words_say(tmp_path: Path) -> None:
    run = sealed_run(tmp_path / "run", SIGNER)
    data = (run / SEAL_NAME).read_bytes()
    body = json.loads(data)
    signature, digest = body.pop("signature"), body.pop("digest")
    covered = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    assert hashlib.sha256(covered).hexdigest() == digest
    assert is_signed(
        bytes.fromhex(signature["public_key"]), bytes.fromhex(signature["value"]), b"benchwarden seal 1\n" + covered
    )


@pytest.mark.parametrize("signer", [None, SIGNER], ids=["unsigned", "signed"])
def test_every_changed_byte_of_a_seal_shows(tmp_path: Path, signer: object) -> None:
    seal = seal_journal(write_journal(tmp_path / "run", 20), MADE_AT)
    data = seal_bytes(seal, SIGNER if signer else None)
    for at in range(0, len(data), 3):
        other = bytearray(data)
        other[at] ^= 1 << at % 8
        try:
            found = seal_from(bytes(other), "seal")
        except RecordError:
            continue
        assert not found.intact or (found.signature is not None and not found.signature_fits), at


def test_sealing_again_names_the_seal_before(tmp_path: Path) -> None:
    run = sealed_run(tmp_path / "run")
    before = read_seal(run)
    write_seal(run, seal_journal(run, "2026-11-30T08:00:00Z"), SIGNER)
    again = read_seal(run).seal
    assert again.head == before.seal.head
    (earlier,) = again.earlier
    assert (earlier.head, earlier.sha256, earlier.made_at_utc) == (before.seal.head, before.sha256, MADE_AT)
    (run / SEAL_NAME).write_bytes(b"{}")
    assert seal_journal(run).earlier[0].head == ""


def test_a_run_that_is_going_on_is_refused(tmp_path: Path) -> None:
    run = write_journal(tmp_path / "run", 20)
    held = lock(run)
    try:
        with pytest.raises(RecordError, match="still being recorded"):
            seal_journal(run)
    finally:
        unlock(held)
    assert seal_journal(run).counts["frames"] == 20
    with pytest.raises(RecordError, match="nothing to seal"):
        seal_journal(tmp_path)
    with pytest.raises(RecordError, match="not sealed"):
        read_seal(run)


def test_a_run_that_was_cut_off_is_sealed_as_it_is(tmp_path: Path) -> None:
    journal = Journal.create(tmp_path / "run", HEADER)
    journal.append_frames(BOOT, seqs(1, 30), frames(30))
    journal.append_frames(BOOT, seqs(41, 30), frames(30, first=40))
    journal.commit()
    # What a killed process leaves: no closing mark, and the lock let go by the system.
    with closing(sqlite3.connect(tmp_path / "run" / NAME)) as reader:
        reader.execute("SELECT 1 FROM frames").fetchone()
        unlock(journal._lock_fd)
        seal = seal_journal(tmp_path / "run", MADE_AT)
        write_seal(tmp_path / "run", seal, None)
        assert "still holds commits" in read_seal(tmp_path / "run").seal.journal_file
    journal._db.close()  # type: ignore[union-attr]
    assert not seal.closed
    assert (seal.counts["frames"], seal.counts["missing_frames"]) == (60, 10)


def test_the_seal_inside_a_pdf_lists_what_is_attached(tmp_path: Path) -> None:
    seal = seal_journal(write_journal(tmp_path / "run", 20), MADE_AT)
    data = attachment_seal(seal, {"samples.csv": b"t_s\n", "job.json": b"{}"}, SIGNER)
    found = seal_from(data, "attached")
    assert [(one.name, one.size) for one in found.seal.attachments] == [("job.json", 2), ("samples.csv", 4)]
    assert found.seal.files == ()
    assert found.seal.head == seal.head
    assert data == attachment_seal(seal, {"job.json": b"{}", "samples.csv": b"t_s\n"}, SIGNER)


@pytest.mark.parametrize(
    "data",
    [b"", b"[]", b"{}", b"[" * 100_000, b'{"format":"benchwarden seal","version":9}', b"\xff\xfe", b'{"a":NaN}'],
)
def test_what_is_no_seal_is_refused_with_a_reason(data: bytes) -> None:
    with pytest.raises(RecordError, match=r"that\.json"):
        seal_from(data, "that.json")


def test_a_header_full_of_anything_can_be_sealed(tmp_path: Path) -> None:
    header = {
        **HEADER,
        "run": "\x00\u202e" * 5000,
        "started_at_utc": None,
        "board": ["not", "a", "table"],
        "plan": 1e999,
    }
    run = write_journal(tmp_path / "run", 10, header=header)
    write_seal(run, seal_journal(run, MADE_AT), None)
    found = read_seal(run)
    assert found.intact
    assert len(found.seal.run["run"]) == 500
