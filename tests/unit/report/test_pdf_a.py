"""The claim of PDF/A-3b, as far as structure can be checked without a validator.

No independent validator of PDF/A could be had; this holds the file against single
clauses of ISO 19005-3 (from memory) with pikepdf, whose qpdf checks the syntax.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from invented_runs import write_run
from report_jobs import JOB, PARTS, with_job

from benchwarden.record.workshop_settings import demo_workshop
from benchwarden.report.attachments import attachments_of
from benchwarden.report.pdf import record_pdf_bytes, write_record

HEAD = "89abcdef01234567" * 4
SEAL = b'{"head": "' + HEAD.encode() + b'"}'


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, bytes]]:
    folder = tmp_path_factory.mktemp("pdf_a")
    run = with_job(write_run(folder / "run", soak_s=120.0, trip_at_s=230.0, virtual=True), JOB, PARTS)
    attached = {**attachments_of(run), "seal.json": SEAL, "other.dat": bytes(range(256))}
    target = write_record(run, folder / "record.pdf", workshop=demo_workshop(), seal_head=HEAD, attachments=attached)
    return target, attached


@pytest.fixture
def pdf(made: tuple[Path, dict[str, bytes]]) -> Any:
    with pikepdf.open(made[0]) as opened:
        yield opened


def test_the_syntax_is_sound(pdf: pikepdf.Pdf) -> None:
    assert pdf.check_pdf_syntax() == []


def test_it_says_what_it_is(pdf: pikepdf.Pdf) -> None:
    # 6.6.4: part and conformance in XMP; 6.7.11 of part 1: stored without a filter.
    with pdf.open_metadata() as xmp:
        assert xmp["pdfaid:part"] == "3"
        assert xmp["pdfaid:conformance"] == "B"
        assert "benchwarden" in str(xmp.get("dc:creator"))
    assert "/Filter" not in pdf.Root.Metadata
    assert pdf.pdf_version >= "1.7"


def test_colours_have_an_output_intent(pdf: pikepdf.Pdf) -> None:
    # 6.2.3: GTS_PDFA1 with an ICC profile of three components.
    (intent,) = pdf.Root.OutputIntents
    assert intent.S == "/GTS_PDFA1"
    assert intent.DestOutputProfile.N == 3
    assert bytes(intent.DestOutputProfile.read_bytes()[36:40]) == b"acsp"  # ICC.1, signature of a profile


def test_every_font_is_embedded_and_has_its_unicode(pdf: pikepdf.Pdf) -> None:
    fonts = [obj for obj in pdf.objects if isinstance(obj, pikepdf.Dictionary) and obj.get("/Type") == "/Font"]
    descriptors = [obj for obj in pdf.objects if isinstance(obj, pikepdf.Dictionary) and obj.get("/FontDescriptor")]
    assert fonts
    assert descriptors
    for font in descriptors:
        held = set(font.FontDescriptor.keys())
        assert held & {"/FontFile", "/FontFile2", "/FontFile3"}, font.get("/BaseFont")
    assert all("/ToUnicode" in font for font in fonts if font.get("/Subtype") == "/Type0")


def test_nothing_runs_hides_or_asks_for_a_key(pdf: pikepdf.Pdf) -> None:
    # 6.1.3 (no encryption), 6.5 (no actions), 6.4 (no forms that run).
    assert not pdf.is_encrypted
    assert "/Encrypt" not in pdf.trailer
    assert not {"/AA", "/OpenAction", "/AcroForm"} & set(pdf.Root.keys())
    assert "/JavaScript" not in pdf.Root.get("/Names", pikepdf.Dictionary())
    for obj in pdf.objects:
        if isinstance(obj, pikepdf.Dictionary):
            assert obj.get("/S") not in ("/JavaScript", "/Launch", "/URI", "/SubmitForm")
            assert "/AA" not in obj
        if isinstance(obj, pikepdf.Stream):
            assert "LZWDecode" not in str(obj.get("/Filter", ""))
            assert "/F" not in obj.stream_dict


def test_the_pages_have_a_title_and_a_language(pdf: pikepdf.Pdf) -> None:
    assert str(pdf.Root.Lang) == "en"
    assert "Power-up record" in str(pdf.open_metadata()["dc:title"])


def test_attachments_are_associated_and_come_out_as_they_went_in(made: tuple[Path, dict[str, bytes]]) -> None:
    # 6.8: every embedded file with AFRelationship, Subtype and both names; ISO 32000-2, 7.11.4: Params.
    path, attached = made
    with pikepdf.open(path) as pdf:
        specs = {str(spec.UF): spec for spec in pdf.Root.AF}
        assert set(specs) == set(attached) == set(pdf.attachments)
        relations = {name: str(spec.AFRelationship) for name, spec in specs.items()}
        kinds = {name: str(spec.EF.F.Subtype) for name, spec in specs.items()}
        for name, spec in specs.items():
            assert str(spec.F) == name
            assert str(spec.Desc)
            assert spec.EF.F.Params.Size == len(attached[name])
            assert "/ModDate" in spec.EF.F.Params
            data = spec.EF.F.read_bytes()
            assert hashlib.sha256(data).digest() == hashlib.sha256(attached[name]).digest()
    assert {relations[name] for name in ("samples.csv", "unit.toml", "verdict.json", "job.json")} == {"/Data"}
    assert relations["seal.json"] == "/Supplement"
    assert kinds["samples.csv"] == "/text/csv"
    assert kinds["job.json"] == kinds["verdict.json"] == "/application/json"


def test_two_prints_of_the_same_data_are_byte_identical(made: tuple[Path, dict[str, bytes]]) -> None:
    path, attached = made
    again = record_pdf_bytes(path.parent / "run", workshop=demo_workshop(), seal_head=HEAD, attachments=attached)
    assert again == path.read_bytes()


def test_the_head_of_the_seal_is_on_every_page(made: tuple[Path, dict[str, bytes]]) -> None:
    import pypdf

    texts = [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(made[0]).pages]
    assert all("seal 89ab cdef 0123 4567" in text for text in texts)
    assert any(HEAD in text.replace(" ", "") for text in texts)
    assert all("Lindenmoor Repair Workshop" not in text for text in texts[1:-1])
