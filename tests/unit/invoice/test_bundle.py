"""The bundle and the companion: whole, repeatable, and every changed byte is found."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
import subprocess
import zipfile
from pathlib import Path

import pytest
from invoices import HEAD, encrypted, papers, signed

from benchwarden.core.channels import CHANNELS
from benchwarden.errors import RecordError
from benchwarden.invoice.bundle import README_NAME, write_bundle
from benchwarden.invoice.companion import write_companion
from benchwarden.invoice.enclosures import papers_of
from benchwarden.proof.seal import seal_journal, write_seal
from benchwarden.proof.seal_check import NOBODY
from benchwarden.proof.verify import verify
from benchwarden.proof.verify_bundle import SUMS_NAME
from benchwarden.record.journal import Journal

NOW = "2026-11-29T13:00:00Z"


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bundled") / "run"
    header = {"run": "demo", "started_at_utc": "2026-11-29T11:00:00Z", "unit": {}, "plan": [], "board": {}}
    with Journal.create(folder, header) as journal:
        journal.append_note("stage", 0.0, {"name": "idle soak", "status": "now"})
    for paper in papers():
        (folder / paper.name).write_bytes(paper.data)
    rows = "\n".join(",".join(str(k) for _ in CHANNELS) for k in range(50))
    (folder / "recording.csv").write_text(rows)
    (folder / "verdict.json").write_text('{"verdict": "pass"}')
    (folder / "job.json").write_text('{"number": "2041"}')
    write_seal(folder, seal_journal(folder, "2026-11-29T12:00:00Z"), None)
    return folder


def test_a_bundle_holds_what_was_sealed_and_repeats(run: Path, tmp_path: Path) -> None:
    names = write_bundle(run, tmp_path / "one.zip")
    assert set(names) == {
        "record.pdf", "bias-log.pdf", "recording.csv", "verdict.json", "job.json", "seal.json", README_NAME, SUMS_NAME
    }  # fmt: skip
    moved = Path(shutil.copytree(run, tmp_path / "elsewhere" / "other-name"))
    write_bundle(moved, tmp_path / "two.zip")
    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "two.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "one.zip") as bundle:
        assert bundle.testzip() is None
        assert bundle.read("record.pdf") == (run / "record.pdf").read_bytes()
        words = bundle.read(README_NAME).decode()
    assert "not signed" in words
    assert "no promise" in words
    assert verify(tmp_path / "one.zip", NOBODY, NOW).exit_code == 0
    with pytest.raises(RecordError, match="there already"):
        write_bundle(run, tmp_path / "one.zip")


def test_the_list_is_taken_by_another_program(run: Path, tmp_path: Path) -> None:
    write_bundle(run, tmp_path / "one.zip")
    with zipfile.ZipFile(tmp_path / "one.zip") as bundle:
        bundle.extractall(tmp_path / "out")
    # coreutils, which has read lists of this form since long before this program.
    done = subprocess.run(["sha256sum", "--strict", "-c", SUMS_NAME], cwd=tmp_path / "out", capture_output=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(b": OK") == 7


def test_200_changed_bytes_in_a_bundle_are_all_found(run: Path, tmp_path: Path) -> None:
    path = tmp_path / "one.zip"
    write_bundle(run, path)
    whole = path.read_bytes()
    rng = random.Random(180)
    # 150 anywhere, 50 in the directory and the comment at the end, where an archive is most itself.
    places = [rng.randrange(len(whole)) for _ in range(150)] + [len(whole) - 1 - rng.randrange(800) for _ in range(50)]
    for at in places:
        other = bytearray(whole)
        other[at] ^= 1 << rng.randrange(8)
        path.write_bytes(other)
        found = verify(path, NOBODY, NOW)
        assert found.exit_code == 1, (at, found.lines())


def test_a_bundle_packed_anew_says_what_differs(run: Path, tmp_path: Path) -> None:
    write_bundle(run, tmp_path / "one.zip")
    with zipfile.ZipFile(tmp_path / "one.zip") as old, zipfile.ZipFile(tmp_path / "two.zip", "w") as new:
        for name in old.namelist():
            if name != "recording.csv":
                new.writestr(name, old.read(name) + (b" " if name == "verdict.json" else b""))
        new.writestr("more.txt", "x")
    found = verify(tmp_path / "two.zip", NOBODY, NOW)
    assert found.exit_code == 1
    said = {(one.kind, one.subject) for one in found.found}
    assert {("missing", "whole file"), ("missing", "recording.csv"), ("changed", "verdict.json")} <= said
    assert ("added", "more.txt") in said
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as other:
        other.writestr("a.txt", "nothing of ours")
    assert verify(tmp_path / "other.zip", NOBODY, NOW).exit_code == 2


def test_what_was_changed_after_sealing_is_not_sent(run: Path, tmp_path: Path) -> None:
    moved = Path(shutil.copytree(run, tmp_path / "run"))
    (moved / "verdict.json").write_text('{"verdict": "other"}')
    with pytest.raises(RecordError, match=r"verdict\.json: was changed after sealing"):
        write_bundle(moved, tmp_path / "one.zip")
    record = bytearray((moved / "record.pdf").read_bytes())
    record[700] ^= 1
    (moved / "record.pdf").write_bytes(record)
    with pytest.raises(RecordError, match=r"record\.pdf: .*goes to no customer"):
        papers_of(moved)
    (moved / "record.pdf").unlink()
    with pytest.raises(RecordError, match="no record here"):
        papers_of(moved)
    (moved / "seal.json").unlink()
    with pytest.raises(RecordError, match="not sealed"):
        write_bundle(moved, tmp_path / "one.zip")
    assert not list(tmp_path.glob("one.zip*"))


@pytest.mark.parametrize("data", [signed("field"), encrypted("open", aes=True), b"no PDF at all"])
def test_a_companion_goes_with_any_invoice(data: bytes, run: Path, tmp_path: Path) -> None:
    invoice = tmp_path / "R 2041.pdf"
    invoice.write_bytes(data)
    done = write_companion(invoice, papers_of(run), tmp_path / "out")
    assert [path.name for path in done.papers] == ["R_2041-record.pdf", "R_2041-bias-log.pdf"]
    assert done.papers[0].read_bytes() == (run / "record.pdf").read_bytes()
    told = json.loads(done.relation.read_bytes())
    assert told["invoice"] == {
        "name": "R 2041.pdf", "sha256": hashlib.sha256(data).hexdigest(), "size": len(data)
    }  # fmt: skip
    assert told["head"] == HEAD
    assert [one["name"] for one in told["papers"]] == [path.name for path in done.papers]
    assert invoice.read_bytes() == data
    with pytest.raises(RecordError, match="there already"):
        write_companion(invoice, papers_of(run), tmp_path / "out")
    assert verify(done.papers[0], NOBODY, NOW).exit_code == 0
    assert papers_of(run)[0].date.startswith("D:20261129")
