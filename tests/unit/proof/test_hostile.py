"""Files made to do harm: verification answers in words, within bounds of memory, and without a traceback."""

from __future__ import annotations

import json
import os
import random
import shutil
import sqlite3
import struct
import tracemalloc
import zipfile
import zlib
from collections.abc import Callable
from contextlib import closing
from io import BytesIO
from pathlib import Path

import pikepdf
import pytest
from sealed_runs import NOW, sealed_run

from benchwarden.proof.pdf_reading import attachments
from benchwarden.proof.pdf_update import PdfError, opened
from benchwarden.proof.seal_check import NOBODY
from benchwarden.proof.verify import verify
from benchwarden.proof.verify_pdf import check_pdf
from benchwarden.record.batch import PACKED
from benchwarden.record.journal_format import NAME, note_crc


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sealed_run(tmp_path_factory.mktemp("made") / "run", None, count=700)


@pytest.fixture
def run(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "run"))


def row_crc(row: list[int | bytes]) -> int:
    # What record.batch guards a row with; whoever makes a row up can make its checksum up, too.
    return zlib.crc32(row[9], zlib.crc32(struct.pack("<qIIIIqqB", *row[:8])))  # type: ignore[arg-type]


def huge_count(db: sqlite3.Connection) -> None:
    row: list[int | bytes] = [10_000, 1, 1, 2**31, 2**31, 0, 1, PACKED, 0, zlib.compress(b"x")]
    row[8] = row_crc(row)
    db.execute("INSERT INTO frames VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", row)


def bomb(db: sqlite3.Connection) -> None:
    row: list[int | bytes] = [10_000, 1, 1, 2, 2, 0, 1, PACKED, 0, zlib.compress(bytes(200_000_000), 9)]
    row[8] = row_crc(row)
    db.execute("INSERT INTO frames VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", row)


def endless_view(db: sqlite3.Connection) -> None:
    db.execute("DROP TABLE notes")
    db.execute(
        "CREATE VIEW notes AS WITH RECURSIVE n(id) AS (SELECT 1 UNION ALL SELECT id + 1 FROM n) "
        "SELECT id, 'x' AS kind, 0.0 AS t_s, 0 AS crc, '{}' AS body FROM n"
    )


def deep_note(db: sqlite3.Connection) -> None:
    text = "[" * 200_000
    db.execute("INSERT INTO notes VALUES (NULL, 'x', 1.0, ?, ?)", (note_crc("x", 1.0, text), text))


def long_notes(db: sqlite3.Connection) -> None:
    text = '"' + "x" * 20_000_000 + '"'
    for _ in range(4):
        db.execute("INSERT INTO notes VALUES (NULL, 'x', 1.0, ?, ?)", (note_crc("x", 1.0, text), text))


def other_kinds(db: sqlite3.Connection) -> None:
    db.execute("UPDATE notes SET kind = x'ff00', t_s = 'soon'")
    db.execute("UPDATE frames SET n = 'many'")
    db.execute("UPDATE events SET payload = 12, run_ms = 'x'")


@pytest.mark.parametrize("harm", [huge_count, bomb, endless_view, deep_note, long_notes, other_kinds])
def test_a_made_up_journal_is_refused_within_bounds(harm: Callable[[sqlite3.Connection], None], run: Path) -> None:
    with closing(sqlite3.connect(run / NAME)) as db, db:
        harm(db)
    tracemalloc.start()
    found = verify(run, NOBODY, NOW)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found.exit_code == 1, found.lines()
    assert any(one.subject == NAME and one.kind in ("changed", "missing") for one in found.found)
    assert peak < 250_000_000


@pytest.mark.parametrize("left", [0, 50, 5000, 100_000])
def test_a_journal_cut_short_is_told_as_that(left: int, run: Path) -> None:
    os.truncate(run / NAME, left)
    found = verify(run, NOBODY, NOW)
    assert found.exit_code == 1
    assert any(one.subject == NAME for one in found.found if one.kind == "changed")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"{" * 100_000,
        b"null",
        b'{"format":"benchwarden seal","version":1}',
        b'{"entries":' + b"[" * 50_000 + b"]" * 50_000 + b"}",
        json.dumps({"format": "benchwarden seal", "version": 1, "run": {"x" * 1000: "y" * 10_000}}).encode(),
        b"1" * 10_000,
    ],
)
def test_a_made_up_seal_is_refused(data: bytes, run: Path) -> None:
    (run / "seal.json").write_bytes(data)
    assert verify(run, NOBODY, NOW).exit_code == 1


def test_what_stands_in_place_of_files_is_not_opened(run: Path) -> None:
    for name in ("recording.csv", NAME):
        (run / name).unlink()
        os.mkfifo(run / name)  # whoever opens it waits for ever
    found = verify(run, NOBODY, NOW)
    assert found.exit_code == 1
    (run / "seal.json").unlink()
    os.mkfifo(run / "seal.json")
    assert verify(run, NOBODY, NOW).exit_code == 1


def pdf_with(change: Callable[[pikepdf.Pdf], None]) -> bytes:
    out = BytesIO()
    with pikepdf.new() as pdf:
        pdf.add_blank_page()
        change(pdf)
        pdf.save(out, compress_streams=False, stream_decode_level=pikepdf.StreamDecodeLevel.none)
    return out.getvalue()


def packed_attachment(pdf: pikepdf.Pdf) -> None:
    stream = pdf.make_stream(zlib.compress(bytes(300_000_000), 9))
    stream.stream_dict = pikepdf.Dictionary(Filter=pikepdf.Name.FlateDecode)
    spec = pikepdf.Dictionary(F="seal.json", EF=pikepdf.Dictionary(F=stream))
    pdf.Root.AF = pikepdf.Array([pdf.make_indirect(spec)])


def circle_of_names(pdf: pikepdf.Pdf) -> None:
    node = pdf.make_indirect(pikepdf.Dictionary())
    node.Kids = pikepdf.Array([node, node])
    pdf.Root.Names = pikepdf.Dictionary(EmbeddedFiles=node)


def odd_kinds(pdf: pikepdf.Pdf) -> None:
    pdf.Root.Names = pikepdf.Dictionary(EmbeddedFiles=pikepdf.Dictionary(Names=[1, 2, "x", None, "seal.json", "no"]))
    pdf.Root.AF = pikepdf.Array([1, pikepdf.Dictionary(F=7, EF=3), pikepdf.Dictionary(F="seal.json")])


@pytest.mark.parametrize("harm", [packed_attachment, circle_of_names, odd_kinds])
def test_a_made_up_pdf_is_answered_within_bounds(harm: Callable[[pikepdf.Pdf], None]) -> None:
    data = pdf_with(harm)
    tracemalloc.start()
    found = check_pdf(data, "made up", NOBODY, NOW)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found.exit_code in (1, 2)
    assert peak < 200_000_000


def test_an_object_stream_that_unpacks_to_anything_is_not_unpacked() -> None:
    # Written by hand: a cross-reference stream of 700 megabytes in less than one.
    packed = zlib.compress(bytes(700_000_000), 9)
    body = b"%PDF-1.7\n"
    head = b"1 0 obj\n<</Type/XRef/Size 2/W[1 4 2]/Root 1 0 R/Filter/FlateDecode/Length %d>>\nstream\n" % len(packed)
    data = body + head + packed + b"\nendstream\nendobj\nstartxref\n%d\n%%%%EOF\n" % len(body)
    with pytest.raises(PdfError), opened(data, "it") as pdf:
        attachments(pdf)
    assert check_pdf(data, "it", NOBODY, NOW).exit_code == 2


def test_noise_of_every_kind_is_answered(tmp_path: Path) -> None:
    rng = random.Random(7)
    starts = [b"", b"%PDF-1.7\n", b"PK\x03\x04", b"SQLite format 3\0", b"{", b"%PDF-1.4\nstartxref\n0\n%%EOF\n"]
    for number in range(120):
        path = tmp_path / "noise"
        path.write_bytes(starts[number % len(starts)] + rng.randbytes(rng.randrange(3000)))
        assert verify(path, NOBODY, NOW).exit_code == 2
    assert verify(tmp_path / "none", NOBODY, NOW).exit_code == 2
    assert verify(tmp_path, NOBODY, NOW).exit_code == 2


def test_a_record_with_many_bytes_changed_or_cut_never_passes(made: Path) -> None:
    rng = random.Random(9)
    whole = (made / "record.pdf").read_bytes()
    for _ in range(60):
        other = bytearray(whole)
        for _ in range(rng.randrange(2, 400)):
            other[rng.randrange(len(other))] = rng.randrange(256)
        cut = bytes(other[: rng.randrange(100, len(other) + 1)])
        assert check_pdf(cut, "record.pdf", NOBODY, NOW).exit_code != 0


def test_an_archive_that_unpacks_to_anything_is_not_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as bundle:
        for k in range(1200):
            bundle.writestr(f"{k}", b"")
    assert verify(path, NOBODY, NOW).exit_code == 2
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as bundle:
        bundle.writestr("SHA256SUMS", bytes(50_000_000))
        bundle.writestr("seal.json", bytes(100_000_000))
        bundle.writestr("../../way/out", b"x")
    tracemalloc.start()
    found = verify(path, NOBODY, NOW)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found.exit_code == 1
    assert peak < 250_000_000
    assert not (tmp_path.parent / "way").exists()


def test_control_characters_of_a_file_do_not_reach_the_terminal(run: Path) -> None:
    (run / "\x1b[31mred").write_text("x")
    assert all("\x1b" not in line for line in verify(run, NOBODY, NOW).lines())
