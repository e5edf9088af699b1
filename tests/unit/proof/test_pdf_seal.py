"""The seal over a PDF's bytes: every change shows from the PDF alone, and every reader still takes it."""

from __future__ import annotations

import hashlib
import re
import shutil
import subprocess
from io import BytesIO
from pathlib import Path

import pikepdf
import pypdf
import pytest
from sealed_runs import SIGNER, printed

from benchwarden.proof.pdf_reading import attachments
from benchwarden.proof.pdf_seal import check_pdf_seal, sealed_pdf
from benchwarden.proof.pdf_update import PdfError, opened
from benchwarden.proof.signing import Signer

HEAD = "ab" * 32
PLAIN = printed(HEAD, {"samples.csv": b"t_s,rail_pos_v\n0,42\n"})
SEALED = {"unsigned": sealed_pdf(PLAIN, HEAD, None), "signed": sealed_pdf(PLAIN, HEAD, SIGNER)}


@pytest.mark.parametrize("name", SEALED)
def test_every_single_byte_is_covered(name: str) -> None:
    pdf = SEALED[name]
    assert check_pdf_seal(pdf).state == "intact"
    for at in range(len(pdf)):
        if at < len(pdf) - 2500 and at % 5:
            continue  # all of the seal itself, every fifth byte before it
        other = bytearray(pdf)
        other[at] ^= 1 << at % 8
        assert check_pdf_seal(bytes(other)).state == "changed", at


@pytest.mark.parametrize(("name", "signer"), [("unsigned", None), ("signed", SIGNER)])
def test_the_original_is_a_prefix_and_sealing_repeats(name: str, signer: Signer | None) -> None:
    assert SEALED[name].startswith(PLAIN)
    assert sealed_pdf(PLAIN, HEAD, signer) == SEALED[name]
    found = check_pdf_seal(SEALED[name])
    assert found.head == HEAD
    assert found.public_key == (signer.public_key if signer else b"")
    assert found.signature_fits is (True if signer else None)


def test_digest_and_signature_are_made_as_the_words_say() -> None:
    pdf = SEALED["signed"]
    digest = re.search(rb"/Digest<([0-9a-f]{64})>", pdf)
    signature = re.search(rb"/Signature<([0-9a-f]{128})>", pdf)
    assert digest
    assert signature
    blank = pdf.replace(digest.group(1), b"0" * 64).replace(signature.group(1), b"0" * 128)
    computed = hashlib.sha256(blank)
    assert computed.hexdigest().encode() == digest.group(1)
    assert SIGNER.sign(b"benchwarden pdf 1\n" + computed.digest()).hex().encode() == signature.group(1)


@pytest.mark.parametrize("name", SEALED)
def test_other_programs_read_it_without_a_complaint(
    name: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    reader = pypdf.PdfReader(BytesIO(SEALED[name]), strict=True)
    assert len(reader.pages) == 2
    assert reader.attachments["samples.csv"] == [b"t_s,rail_pos_v\n0,42\n"]
    assert reader.metadata is not None
    assert reader.metadata.title == "Record"
    assert not caplog.records
    with pikepdf.open(BytesIO(SEALED[name]), attempt_recovery=False) as pdf:
        assert pdf.check_pdf_syntax() == []
        assert pdf.get_warnings() == []
        assert str(pdf.open_metadata()["pdfaid:part"]) == "3"
        assert bytes(pdf.trailer.BWSealObject.Head) == bytes.fromhex(HEAD)
    if shutil.which("pdftoppm"):
        (tmp_path / "plain.pdf").write_bytes(PLAIN)
        (tmp_path / "sealed.pdf").write_bytes(SEALED[name])
        for stem in ("plain", "sealed"):
            command = ["pdftoppm", "-r", "40", "-png", str(tmp_path / f"{stem}.pdf"), str(tmp_path / stem)]
            done = subprocess.run(command, capture_output=True, check=True)
            assert b"xref" not in done.stderr.lower()
        assert (tmp_path / "plain-1.png").read_bytes() == (tmp_path / "sealed-1.png").read_bytes()


def test_what_is_added_after_the_seal_is_found_and_told_apart() -> None:
    pdf = SEALED["signed"]
    added = check_pdf_seal(pdf + b"\n1 0 obj\nnull\nendobj\n")
    assert added.state == "changed"
    assert f"the first {len(pdf)} bytes are as they were sealed" in added.words
    both = check_pdf_seal(b"%PDF-1.6" + pdf[8:] + b"more")
    assert "changed as well" in both.words
    assert check_pdf_seal(pdf[: len(pdf) // 2]).state == "none"  # nothing of the seal is left: the attached one tells
    assert check_pdf_seal(pdf[:-40]).state == "changed"
    assert check_pdf_seal(PLAIN).state == "none"


def test_a_program_that_saves_it_again_breaks_the_seal() -> None:
    out = BytesIO()
    with pikepdf.open(BytesIO(SEALED["unsigned"])) as pdf:
        pdf.save(out)
    assert check_pdf_seal(out.getvalue()).state != "intact"


def test_a_seal_of_somebody_else_over_other_bytes_does_not_fit() -> None:
    # Digest made again, signature left: what somebody without the key can do.
    pdf = bytearray(SEALED["signed"])
    pdf[20] ^= 1
    digest = re.search(rb"/Digest<([0-9a-f]{64})>", pdf)
    signature = re.search(rb"/Signature<([0-9a-f]{128})>", pdf)
    assert digest
    assert signature
    blank = bytes(pdf).replace(digest.group(1), b"0" * 64).replace(signature.group(1), b"0" * 128)
    forged = bytes(pdf).replace(digest.group(1), hashlib.sha256(blank).hexdigest().encode())
    found = check_pdf_seal(forged)
    assert (found.state, found.signature_fits) == ("changed", False)


@pytest.mark.parametrize(
    ("pdf", "head", "words"),
    [
        (PLAIN, "AB" * 32, "64 hexadecimal digits"),
        (SEALED["signed"], HEAD, "a seal already"),
        (b"not a pdf", HEAD, "not a PDF"),
        (PLAIN[:-700], HEAD, "damaged|end"),
    ],
    ids=["head", "again", "text", "cut"],
)
def test_what_cannot_be_sealed_is_refused(pdf: bytes, head: str, words: str) -> None:
    with pytest.raises(PdfError, match=words):
        sealed_pdf(pdf, head, None)


def test_a_cross_reference_stream_is_refused() -> None:
    out = BytesIO()
    with pikepdf.open(BytesIO(PLAIN)) as pdf:
        pdf.save(out, object_stream_mode=pikepdf.ObjectStreamMode.generate)
    with pytest.raises(PdfError, match="cross-reference stream"):
        sealed_pdf(out.getvalue(), HEAD, None)


def test_attachments_are_read_within_bounds() -> None:
    with opened(SEALED["signed"], "it") as pdf:
        (found,) = attachments(pdf)
        assert (found.name, found.relationship) == ("samples.csv", "/Data")
        with pytest.raises(PdfError, match="more than 5 bytes"):
            found.read(5)
