"""Whatever somebody writes into a job lands on paper as text, and page one stays one page."""

from __future__ import annotations

import io
from pathlib import Path

import pypdf
import pytest
from invented_runs import write_run
from report_jobs import job_of, with_job

from benchwarden.core.workshop import Workshop
from benchwarden.record.workshop_settings import demo_workshop
from benchwarden.report.pdf import record_pdf_bytes

PIECES = {
    "wide": "W",
    "words": "word ",
    "emoji": "\U0001f600",
    "chinese": "\u65e5\u672c",
    "reordered": "\u202egnp.exe\u202c ",
    "control": "\x07\x1b[31m\x7f ",
    "markup": '#read("/etc/passwd") $a^2$ *b* @ref <lbl> \\u{41} ',
    "html": '<script>alert(1)</script><img src=x onerror="x()"> & ',
    "braces": "{0} {run.__class__} {n} %s {{7*7}} ",
    "newlines": "a\r\n\u2028\u2029\v\f",
}


def pages(data: bytes) -> list[str]:
    reader = pypdf.PdfReader(io.BytesIO(data))
    # Page one, the next and the last are enough: extraction takes longer than printing.
    picked = (reader.pages[0], reader.pages[1], reader.pages[-1])
    return ["".join(page.extract_text().replace("\u200b", "").replace("\u00ad", "").split()) for page in picked]


@pytest.mark.parametrize("piece", PIECES.values(), ids=PIECES)
def test_page_one_stays_one_page_and_nothing_is_read_as_anything(tmp_path: Path, piece: str) -> None:
    long, name = (piece * 20_000)[:20_000], (piece * 200)[:200]
    parts = {
        "lots": [{"lot": long, "level": long, "headline": long, "reasons": [long] * 8}] * 12,
        "substitutions": [{"original": long, "candidate": long, "level": long, "reasons": [long]}] * 12,
    }
    run = with_job(write_run(tmp_path / "run", soak_s=10.0), job_of(long, name), parts)
    workshop = Workshop("W" * 60, ("W" * 40,) * 5, "W" * 80, "W" * 160, language="de", logo=demo_workshop().logo)
    first, second, last = pages(record_pdf_bytes(run, workshop=workshop, attachments={}))
    assert "Wasdiesnichtverspricht" in first
    assert "Wasbeobachtetwurde" in second or "BerichtüberdieEinschaltprüfung" in second
    assert "vollständiginderAuftragsdatei" in first
    for text in (first, second, last):
        assert not set(text) & {"\u202e", "\x07", "\x1b", "\x7f"}
    if piece == PIECES["emoji"]:
        assert "<U+1F600>" in first
    if piece == PIECES["braces"]:
        assert "{run.__class__}" in first


@pytest.mark.parametrize("name", ["../x", "a/b", "", "x" * 200, "a\nb", "\u202ea", "\u00e4.csv"])
def test_an_attachment_with_a_name_that_is_none_is_refused(tmp_path: Path, name: str) -> None:
    from benchwarden.errors import RecordError

    run = write_run(tmp_path / "run", soak_s=5.0)
    with pytest.raises(RecordError, match="allowed: a plain file name"):
        record_pdf_bytes(run, attachments={name: b"x"})
