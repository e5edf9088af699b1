"""May anything be added to this invoice without harming it? If not, why."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import pikepdf

from benchwarden.errors import RecordError
from benchwarden.invoice.faults import faults_of
from benchwarden.proof.pdf_reading import Attachment, attachments
from benchwarden.proof.pdf_update import PdfError, end_of, opened

MOST_INVOICE_BYTES = 100_000_000
_MOST_PAGES = 2000
_MOST_METADATA = 4_000_000
_MOST_FIELDS = 20_000
_PART = re.compile(rb"pdfaid:part\s*(?:=\s*[\"']|>)\s*(\d)")
_CONFORMANCE = re.compile(rb"pdfaid:conformance\s*(?:=\s*[\"']|>)\s*([A-Za-z])")
_ACCESSIBLE = re.compile(rb"pdfuaid:part\s*(?:=\s*[\"']|>)\s*(\d)")


class InvoiceRefused(RecordError):
    """Nothing is added to this invoice; the record goes beside it instead.

    Attributes:
        reason: why, for the person who sends it.
    """

    def __init__(self, name: str, reason: str) -> None:
        super().__init__(
            f"{name}: {reason}. Nothing was written. Instead: `benchwarden invoice companion INVOICE.pdf RUN` "
            "puts the record beside the invoice, `benchwarden invoice bundle RUN` packs it as one file"
        )
        self.reason = reason


@dataclass(frozen=True)
class Fitness:
    """What is known of an invoice that can be added to.

    Attributes:
        pages: how many it has.
        names: of what is attached already.
        notes: what a person should know of the result.
    """

    pages: int
    names: tuple[str, ...]
    notes: tuple[str, ...]


def fitness_of(pdf: bytes, name: str, with_page: bool) -> Fitness:
    """Return what is known of an invoice that can be added to.

    Args:
        with_page: a page is to be added as well as attachments.

    Raises:
        InvoiceRefused: it cannot, with the reason.
    """
    if len(pdf) > MOST_INVOICE_BYTES:
        raise InvoiceRefused(name, f"{len(pdf)} bytes; invoices of up to {MOST_INVOICE_BYTES} bytes are added to")
    if not pdf.startswith(b"%PDF-"):
        found = b"%PDF-" in pdf[:1024]
        raise InvoiceRefused(
            name, "the PDF is damaged: something stands before its beginning" if found else "not a PDF"
        )
    try:
        with opened(pdf, name) as found_pdf:
            return _judged(pdf, found_pdf, name, with_page)
    except PdfError as error:
        raise InvoiceRefused(name, str(error).removeprefix(f"{name}: ")) from error
    except (pikepdf.PdfError, ValueError, TypeError, AttributeError, RuntimeError, MemoryError) as error:
        raise InvoiceRefused(name, f"the PDF is damaged ({str(error)[:200]})") from error


def _judged(pdf: bytes, found: pikepdf.Pdf, name: str, with_page: bool) -> Fitness:
    if found.is_encrypted:
        raise InvoiceRefused(
            name,
            "the PDF is encrypted; it opens without a password, but what is added would have to be encrypted with "
            "its key, and it may forbid changes",
        )
    end = end_of(pdf, found, name)
    if not found.Root.is_indirect or end.root == b"0 0 R":
        raise InvoiceRefused(name, "the PDF is damaged: its catalog is not an object of its own")
    _refuse_signed(found, name)
    _refuse_special(found, name)
    errors, warnings = faults_of(pdf, name)
    if errors:
        raise InvoiceRefused(name, f"the PDF is damaged: {sorted(errors)[0]}")
    pages = _page_count(found, name)
    held = attachments(found)
    notes = [*_claims(found, name, with_page)]
    notes += [f"Attached before and kept byte for byte: {one.name}." for one in held]
    notes += [f"A reader finds fault with the invoice, as it did before: {words}." for words in sorted(warnings)]
    return Fitness(pages, taken_names(held), tuple(notes))


def _page_count(found: pikepdf.Pdf, name: str) -> int:
    pages = len(found.pages)
    if pages == 0:
        raise InvoiceRefused(name, "the PDF has no pages")
    if pages > _MOST_PAGES:
        raise InvoiceRefused(name, f"{pages} pages; invoices of up to {_MOST_PAGES} pages are added to")
    return pages


def taken_names(held: list[Attachment]) -> tuple[str, ...]:
    """Return every name under which something is attached."""
    return tuple(dict.fromkeys(one for file in held for one in (file.name, file.key) if one))


def _refuse_signed(found: pikepdf.Pdf, name: str) -> None:
    words = "the invoice is signed; whatever is added to it breaks its signature or is shown as added after signing"
    root = found.Root
    if "/Perms" in root or "/DSS" in root:
        raise InvoiceRefused(name, words + " (it is certified, or keeps what its signature is checked with)")
    form = root.get("/AcroForm")
    # An empty field waits for a signature and is none; the form's own flag does not tell them apart.
    if isinstance(form, pikepdf.Dictionary) and _has_signed_field(form.get("/Fields")):
        raise InvoiceRefused(name, words)
    for one in found.objects:
        # A signature that no field leads to is one as well.
        if isinstance(one, pikepdf.Dictionary) and "/ByteRange" in one:
            raise InvoiceRefused(name, words)


def _has_signed_field(fields: Any) -> bool:
    waiting = [fields]
    looked = 0
    while waiting:
        array = waiting.pop()
        if not isinstance(array, pikepdf.Array):
            continue
        for index in range(len(array)):
            field = array[index]
            looked += 1
            if looked > _MOST_FIELDS:
                raise PdfError("its form has too many fields, or leads round in a circle")
            if not isinstance(field, pikepdf.Dictionary):
                continue
            value = field.get("/V")
            if isinstance(value, pikepdf.Dictionary) and (
                "/ByteRange" in value or field.get("/FT") == pikepdf.Name.Sig
            ):
                return True
            waiting.append(field.get("/Kids"))
    return False


def _refuse_special(found: pikepdf.Pdf, name: str) -> None:
    root = found.Root
    form = root.get("/AcroForm")
    if root.get("/NeedsRendering") or (isinstance(form, pikepdf.Dictionary) and "/XFA" in form):
        raise InvoiceRefused(name, "the PDF is a dynamic form (XFA), whose pages are made only when it is opened")
    if "/Collection" in root:
        raise InvoiceRefused(name, "the PDF is a portfolio, a folder of files without pages of its own")


def _claims(found: pikepdf.Pdf, name: str, with_page: bool) -> list[str]:
    metadata = found.Root.get("/Metadata")
    if not isinstance(metadata, pikepdf.Stream):
        return []
    text = metadata.read_bytes()[:_MOST_METADATA]
    # Metadata may be in any Unicode form; its names are plain letters in each of them.
    text = text.replace(b"\0", b"")
    part, level, accessible = (one.search(text) for one in (_PART, _CONFORMANCE, _ACCESSIBLE))
    number = int(part.group(1)) if part else 0
    letter = level.group(1).decode().upper() if level else ""
    claim = f"PDF/A-{number}{letter.lower()}"
    if number == 1:
        raise InvoiceRefused(
            name, f"the invoice claims {claim}, which allows no attachments: adding one breaks the claim"
        )
    if number == 2:
        words = "which allows attachments only of PDF/A-1 and -2, and the record is PDF/A-3: adding it breaks the claim"
        raise InvoiceRefused(name, f"the invoice claims {claim}, {words}")
    if number == 4 and letter not in ("F", "E"):
        words = "which does not allow attachments of any kind (only PDF/A-4f does): adding one breaks the claim"
        raise InvoiceRefused(name, f"the invoice claims {claim}, {words}")
    if with_page and (letter == "A" or accessible):
        what = claim if letter == "A" else "PDF/UA"
        words = "which asks for a structure that an added page does not have; without --page it can be added to"
        raise InvoiceRefused(name, f"the invoice claims {what}, {words}")
    if number:
        words = f"The invoice claims {claim} and goes on claiming it. What was added keeps to its rules for attachments"
        return [f"{words}; no validator has proven it."]
    return []
