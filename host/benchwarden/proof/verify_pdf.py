"""What a PDF alone shows: a record, or an invoice that has one inside."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from benchwarden.errors import RecordError
from benchwarden.proof.findings import Finding, Findings
from benchwarden.proof.pdf_reading import Attachment, attachments
from benchwarden.proof.pdf_seal import PdfSeal, check_pdf_seal
from benchwarden.proof.pdf_update import PdfError, opened
from benchwarden.proof.seal_check import Trust, check_seal, signed, unsigned
from benchwarden.proof.seal_form import MOST_SEAL_BYTES, SEAL_NAME, ReadSeal, seal_from
from benchwarden.proof.signing import key_id

MOST_PDF_BYTES = 300_000_000
_WHOLE = "whole file"


def check_pdf(data: bytes, subject: str, trust: Trust, now_utc: str, is_inside: bool = False) -> Findings:
    """Return what a PDF shows of itself and of what is attached to it.

    Args:
        is_inside: it was found inside something else; what is inside it again is not looked for.
    """
    out = Findings(subject)
    if len(data) > MOST_PDF_BYTES:
        out.add("unknown", "", f"{len(data)} bytes; PDFs of up to {MOST_PDF_BYTES} bytes are checked")
        return out
    seal = check_pdf_seal(data)
    try:
        with opened(data, subject, recover=seal.state != "intact") as pdf:
            _look_inside(out, seal, attachments(pdf), trust, now_utc, is_inside)
    except PdfError as error:
        if seal.state == "changed":
            out.add("changed", _WHOLE, seal.words)
        out.add("unknown", "", str(error).removeprefix(f"{subject}: "))
    except (ValueError, TypeError, AttributeError, RuntimeError, MemoryError, RecursionError) as error:
        # What a made-up file can drive a PDF library to.
        if seal.state == "changed":
            out.add("changed", _WHOLE, seal.words)
        out.add("unknown", "", f"what is attached cannot be read ({error})")
    return out


def _look_inside(
    out: Findings, seal: PdfSeal, files: Sequence[Attachment], trust: Trust, now_utc: str, is_inside: bool
) -> None:
    seals = [one for one in files if one.name == SEAL_NAME]
    if seal.state == "none" and not seals:
        if is_inside:
            out.add("unknown", "", "carries no seal of this program")
        else:
            _invoice(out, files, trust, now_utc)
        return
    _whole_file(out, seal)
    out.head = seal.head
    if not seals:
        out.found += _whole_signature(seal, trust)
        out.add("note", "", f"no {SEAL_NAME} is attached: the file is covered as a whole only")
        return
    if len(seals) > 1:
        out.add("changed", SEAL_NAME, f"is attached {len(seals)} times, once is right")
    try:
        found = seal_from(seals[0].read(MOST_SEAL_BYTES), SEAL_NAME)
    except RecordError as error:
        out.add("changed", SEAL_NAME, f"cannot be read ({str(error).removeprefix(SEAL_NAME + ': ')})")
        return
    out.extend(check_seal(found, SEAL_NAME, trust, now_utc))
    _same_hand(out, seal, found, trust)
    if seal.head and seal.head != found.seal.head:
        out.add("changed", _WHOLE, f"its seal carries another head than the attached {SEAL_NAME}")
    out.head = out.head or found.seal.head
    _attached(out, files, found)
    if not is_inside:
        words = "the journal is not in the PDF: the workshop has it, and its hashes are here to hold it against"
        out.add("note", "", words)


def _whole_file(out: Findings, seal: PdfSeal) -> None:
    if seal.state == "none":
        words = "there is no seal over its bytes, which a record is printed with: it was saved again or changed"
        out.add("missing", _WHOLE, words)
    else:
        out.add(seal.state, _WHOLE, seal.words)


def _whole_signature(seal: PdfSeal, trust: Trust) -> list[Finding]:
    if seal.state == "none" or (seal.state == "changed" and not seal.head):
        return []
    if not seal.public_key:
        return unsigned(_WHOLE, trust)
    return signed(_WHOLE, seal.public_key, bool(seal.signature_fits), trust)


def _same_hand(out: Findings, seal: PdfSeal, found: ReadSeal, trust: Trust) -> None:
    """Say when the pages are not signed by whom the data are signed: they could have been printed anew."""
    if not seal.head:
        return
    inner = bytes.fromhex(found.signature.public_key) if found.signature else b""
    if seal.public_key == inner:
        if inner:
            out.extend(_whole_signature(seal, trust))
    elif not seal.public_key:
        words = f"not signed, although {SEAL_NAME} in it is: the pages may have been changed and sealed again"
        out.add("missing", _WHOLE, words)
    else:
        name = key_id(inner) if inner else "nobody"
        out.extend(_whole_signature(seal, trust))
        out.add("changed", _WHOLE, f"signed with key {key_id(seal.public_key)}, {SEAL_NAME} in it by {name}")


def _attached(out: Findings, files: Sequence[Attachment], found: ReadSeal) -> None:
    by_name: dict[str, list[Attachment]] = {}
    for one in files:
        by_name.setdefault(one.name, []).append(one)
    listed = {one.name: one for one in found.seal.attachments}
    for name, sealed in listed.items():
        here = by_name.get(name, [])
        if not here:
            out.add("missing", name, "is not attached any more")
        elif len(here) > 1:
            out.add("changed", name, f"is attached {len(here)} times, once is right")
        else:
            _one_attached(out, here[0], sealed.sha256)
    for name in by_name:
        if name not in listed and name != SEAL_NAME:
            out.add("added", name, "is attached and not listed in the seal")


def _one_attached(out: Findings, attachment: Attachment, sha256: str) -> None:
    digest = hashlib.sha256()
    try:
        for chunk in attachment.chunks():
            digest.update(chunk)
    except PdfError as error:
        out.add("changed", attachment.name, f"cannot be read any more ({error})")
        return
    if digest.hexdigest() == sha256:
        out.add("intact", attachment.name, "is as it was sealed")
    else:
        out.add("changed", attachment.name, "is not what was sealed")


def _invoice(out: Findings, files: Sequence[Attachment], trust: Trust, now_utc: str) -> None:
    records = 0
    for one in files:
        if not one.name.lower().endswith(".pdf"):
            out.add("note", one.name, "is attached, and no part of a record: not covered by any seal of this program")
            continue
        try:
            data = one.read(MOST_PDF_BYTES)
        except PdfError as error:
            out.add("unknown", one.name, str(error))
            continue
        inner = check_pdf(data, one.name, trust, now_utc, is_inside=True)
        records += any(found.kind in ("intact", "changed") for found in inner.found)
        out.head = out.head or inner.head
        out.extend(inner.found, one.name)
    if records:
        out.add("note", "", "its own pages are not covered: only what is attached was sealed by this program")
    else:
        out.add("unknown", "", "this PDF neither is a record of this program nor has one attached")
