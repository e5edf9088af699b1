"""Papers onto invoices that other programs made: nothing of the invoice differs, or nothing is written.

Outside checks: the result is read by qpdf (pikepdf), pypdf and poppler, and a structured
invoice (EN 16931) by the library that made it, against the standard's own XML schema.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from io import BytesIO
from pathlib import Path

import facturx
import pikepdf
import pypdf
import pytest
from invoices import EN_16931, GOOD, encrypted, papers, signed, special, structured, typeset

from benchwarden.errors import RecordError
from benchwarden.invoice import attach
from benchwarden.invoice.attach import attach_to_invoice
from benchwarden.invoice.enclosures import Paper, free_name
from benchwarden.invoice.fitness import InvoiceRefused
from benchwarden.proof.findings import Findings
from benchwarden.proof.seal_check import NOBODY
from benchwarden.proof.verify import verify

NOW = "2026-11-29T13:00:00Z"


def invoice(folder: Path, data: bytes) -> Path:
    path = folder / "invoice.pdf"
    path.write_bytes(data)
    return path


def held(data: bytes) -> list[tuple[str, str]]:
    reader = pypdf.PdfReader(BytesIO(data))
    return sorted((one.name, hashlib.sha256(one.content).hexdigest()) for one in reader.attachment_list)


def picture(path: Path, page: int) -> bytes:
    stem = path.with_suffix("")
    command = ["pdftoppm", "-r", "50", "-png", "-singlefile", "-f", str(page), "-l", str(page), str(path), str(stem)]
    subprocess.run(command, check=True, capture_output=True)
    return stem.with_suffix(".png").read_bytes()


@pytest.mark.parametrize("with_page", [False, True], ids=["attached", "and a page"])
@pytest.mark.parametrize("name", GOOD)
def test_nothing_of_the_invoice_differs(name: str, with_page: bool, tmp_path: Path) -> None:
    data = GOOD[name]()
    path = invoice(tmp_path, data)
    done = attach_to_invoice(path, papers(), tmp_path / "out.pdf", with_page)
    result = done.out.read_bytes()
    assert path.read_bytes() == data
    assert result.startswith(data)
    expected = held(data) + [(n, hashlib.sha256(p.data).hexdigest()) for n, p in zip(done.names, papers(), strict=True)]
    assert held(result) == sorted(expected)
    before, after = pypdf.PdfReader(BytesIO(data)), pypdf.PdfReader(BytesIO(result))
    assert len(after.pages) == len(before.pages) + with_page == 2 + with_page
    assert after.metadata == before.metadata
    assert after.xmp_metadata is None or before.xmp_metadata is not None
    for was, now in zip(before.pages, after.pages, strict=False):
        assert now.extract_text() == was.extract_text()
        assert (now.mediabox, now.rotation) == (was.mediabox, was.rotation)
        assert now.get_contents().get_data() == was.get_contents().get_data()  # type: ignore[union-attr]
    with pikepdf.open(BytesIO(result), attempt_recovery=False) as pdf:
        assert {str(one.AFRelationship) for one in list(pdf.Root.AF)[-2:]} == {"/Supplement"}
        keys = [bytes(key) for key in list(pdf.Root.Names.EmbeddedFiles.Names)[::2]]
        assert keys == sorted(keys)
    # The cross-reference section is of the kind that the invoice had.
    there = int(result.rpartition(b"startxref\n")[2].split()[0])
    assert result[there:].startswith(b"xref") == (b"/XRef" not in data)
    if with_page:
        assert "Steady." in after.pages[-1].extract_text()
        assert after.pages[-1].rotation == 0


@pytest.mark.parametrize(
    "name", ["table", "linearized with streams", "form and note", "inherited page size", "structured"]
)
def test_pages_look_the_same(name: str, tmp_path: Path) -> None:
    if not shutil.which("pdftoppm"):
        pytest.skip("no pdftoppm here")
    path = invoice(tmp_path, GOOD[name]())
    done = attach_to_invoice(path, papers(), tmp_path / "out.pdf", with_page=True)
    for page in (1, 2):
        assert picture(done.out, page) == picture(path, page)
    (tmp_path / "log.pdf").write_bytes(papers()[1].data)
    assert picture(done.out, 3) == picture(tmp_path / "log.pdf", 1)


@pytest.mark.parametrize("with_page", [False, True])
def test_a_structured_invoice_passes_its_own_check_afterwards(with_page: bool, tmp_path: Path) -> None:
    done = attach_to_invoice(invoice(tmp_path, structured()), papers(), tmp_path / "out.pdf", with_page)
    name, xml = facturx.get_xml_from_pdf(done.out.read_bytes(), check_xsd=True)
    assert (name, xml) == ("factur-x.xml", EN_16931)
    with pikepdf.open(done.out) as pdf:
        metadata = pdf.open_metadata()
        assert metadata["pdfaid:part"] == "3"
        assert b"ConformanceLevel>EN 16931<" in pdf.Root.Metadata.read_bytes()
        assert str(pdf.Root.AF[0].AFRelationship) == "/Data"


@pytest.mark.parametrize("name", ["xrechnung.xml", "ZUGFeRD-invoice.xml", "order-x.xml", "anything.bin"])
def test_attachments_of_any_name_survive(name: str, tmp_path: Path) -> None:
    writer = pypdf.PdfWriter(clone_from=BytesIO(GOOD["table"]()))
    writer.add_attachment(name, bytes(range(256)) * 5)
    out = BytesIO()
    writer.write(out)
    done = attach_to_invoice(invoice(tmp_path, out.getvalue()), papers(), tmp_path / "out.pdf")
    assert pypdf.PdfReader(done.out).attachments[name] == [bytes(range(256)) * 5]
    assert any(name in note for note in done.notes)


def test_adding_twice_keeps_both(tmp_path: Path) -> None:
    first = attach_to_invoice(invoice(tmp_path, GOOD["object streams"]()), papers(), tmp_path / "one.pdf", True)
    second = attach_to_invoice(first.out, papers(), tmp_path / "two.pdf", True)
    assert second.names == ("record-2.pdf", "bias-log-2.pdf")
    assert second.pages == (3, 1)
    assert len(held(second.out.read_bytes())) == 4


REFUSED = {
    "signed": (lambda: signed("field"), "is signed"),
    "signed below": (lambda: signed("nested"), "is signed"),
    "signature without a field": (lambda: signed("stray"), "is signed"),
    "certified": (lambda: signed("certified"), "certified"),
    "encrypted": (lambda: encrypted("open", aes=True), "locked with a password"),
    "encrypted RC4": (lambda: encrypted("open", aes=False), "locked with a password"),
    "owner only": (lambda: encrypted("", aes=True), "opens without a password"),
    "owner only RC4": (lambda: encrypted("", aes=False), "opens without a password"),
    "cut short": (lambda: GOOD["table"]()[:-300], "damaged|does not end"),
    "half": (lambda: GOOD["object streams"]()[:4000], "damaged|does not end"),
    "something after": (lambda: GOOD["table"]() + b"\n<html>advert</html>\n", "does not end|damaged"),
    "something before": (lambda: b"X-Header: 1\r\n" + GOOD["table"](), "before"),
    "text": (lambda: b"This is an invoice.", "not a PDF"),
    "empty": (lambda: b"", "not a PDF"),
    "garbage": (lambda: b"%PDF-1.7\n" + bytes(range(256)) * 50, "damaged|does not end"),
    "XFA": (lambda: special("XFA"), "dynamic form"),
    "portfolio": (lambda: special("portfolio"), "portfolio"),
    "no pages": (lambda: special("no pages"), "no pages"),
    "round in a circle": (lambda: special("circle"), "circle|too long|loop"),
    "PDF/A-1b": (lambda: typeset("= Invoice", "a-1b"), "PDF/A-1b, which allows no attachments"),
    "PDF/A-2b": (lambda: typeset("= Invoice", "a-2b"), "PDF/A-2b"),
    "PDF/A-4": (lambda: typeset("= Invoice", "a-4"), "PDF/A-4"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_would_be_harmed_is_refused_with_a_reason_and_an_offer(name: str, tmp_path: Path) -> None:
    make, words = REFUSED[name]
    path = invoice(tmp_path, make())
    with pytest.raises(InvoiceRefused, match=words) as caught:
        attach_to_invoice(path, papers(), tmp_path / "out.pdf")
    assert "invoice companion" in str(caught.value)
    assert [one.name for one in tmp_path.iterdir()] == ["invoice.pdf"]


def test_a_claim_that_a_page_would_break_is_refused_for_the_page_only(tmp_path: Path) -> None:
    data = typeset("= Invoice 2041", "a-3a")
    path = invoice(tmp_path, data)
    with pytest.raises(InvoiceRefused, match="without --page"):
        attach_to_invoice(path, papers(), tmp_path / "out.pdf", with_page=True)
    done = attach_to_invoice(path, papers(), tmp_path / "out.pdf")
    assert any("PDF/A-3a" in note and "no validator" in note for note in done.notes)


def test_the_invoice_itself_is_never_the_target(tmp_path: Path) -> None:
    path = invoice(tmp_path, GOOD["table"]())
    (tmp_path / "link.pdf").symlink_to(path)
    for out in (path, tmp_path / "link.pdf", tmp_path / "." / "invoice.pdf"):
        with pytest.raises(RecordError, match="the invoice itself"):
            attach_to_invoice(path, papers(), out)
    assert path.read_bytes() == GOOD["table"]()
    with pytest.raises(RecordError, match="cannot be written"):
        attach_to_invoice(path, papers(), tmp_path / "nowhere" / "out.pdf")
    with pytest.raises(RecordError, match="no bias-log"):
        attach_to_invoice(path, papers()[:1], tmp_path / "out.pdf", with_page=True)
    with pytest.raises(RecordError, match="cannot be read"):
        attach_to_invoice(tmp_path / "none.pdf", papers(), tmp_path / "out.pdf")


def test_a_result_that_differs_is_not_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The last check stands alone: whatever the writing does wrong, no such file appears."""
    path = invoice(tmp_path, structured())
    real = attach.updated

    def without_a_page(pdf: bytes, end: object, objects: dict[tuple[int, int], bytes], extra: bytes = b"") -> bytes:
        return real(pdf, end, {**objects, (3, 0): b"null"}, extra)  # type: ignore[arg-type]

    def without_the_xml(pdf: bytes, end: object, objects: dict[tuple[int, int], bytes], extra: bytes = b"") -> bytes:
        less = {number: body.replace(b"(factur-x.xml)", b"(factur-y.xml)") for number, body in objects.items()}
        return real(pdf, end, less, extra)  # type: ignore[arg-type]

    def other_bytes(pdf: bytes, end: object, objects: dict[tuple[int, int], bytes], extra: bytes = b"") -> bytes:
        return real(pdf, end, objects, extra).replace(b"/Lang", b"/Long", 1)  # type: ignore[arg-type]

    for wrong in (without_the_xml, other_bytes, without_a_page):
        monkeypatch.setattr(attach, "updated", wrong)
        with pytest.raises(RecordError, match="nothing was written"):
            attach_to_invoice(path, papers(), tmp_path / "out.pdf")
    assert [one.name for one in tmp_path.iterdir()] == ["invoice.pdf"]


def test_the_record_inside_is_verified_and_the_invoice_is_not_claimed(tmp_path: Path) -> None:
    done = attach_to_invoice(invoice(tmp_path, structured()), papers(), tmp_path / "out.pdf", with_page=True)
    found: Findings = verify(done.out, NOBODY, NOW)
    assert found.exit_code == 0, found.lines()
    notes = [one.words for one in found.found if one.kind == "note"]
    assert any("its own pages are not covered" in words for words in notes)
    assert any(one.subject == "factur-x.xml" for one in found.found)
    # A byte of the attached record, changed by whoever packs it again.
    other = bytearray(papers()[0].data)
    other[500] ^= 1
    bad = Paper("record.pdf", bytes(other), "Record")
    done = attach_to_invoice(tmp_path / "invoice.pdf", [bad], tmp_path / "bad.pdf")
    assert verify(done.out, NOBODY, NOW).exit_code == 1
    assert verify(tmp_path / "invoice.pdf", NOBODY, NOW).exit_code == 2


def test_free_names_are_harmless_and_taken_by_nobody() -> None:
    assert free_name("record.pdf", []) == "record.pdf"
    assert free_name("record.pdf", ["Record.PDF", "record-2.pdf"]) == "record-3.pdf"
    assert free_name("a/b\\c (d).pdf", []) == "a_b_c__d_.pdf"
