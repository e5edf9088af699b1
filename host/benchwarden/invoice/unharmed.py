"""Is everything of the invoice still there in the result, and nothing in it but what was to be added?"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping
from typing import Any

import pikepdf

from benchwarden.invoice.faults import faults_of
from benchwarden.proof.pdf_reading import Attachment, attachments
from benchwarden.proof.pdf_update import PdfError, opened


def harm_done(before: bytes, after: bytes, added: Mapping[str, bytes], pages_added: int) -> str:
    """Return what is wrong with the result, "" for nothing.

    Args:
        added: what was attached, by name.
    """
    if not after.startswith(before):
        return "the invoice's own bytes differ"
    try:
        errors, warnings = faults_of(after, "the result")
        new_faults = (errors | warnings) - faults_of(before, "the invoice")[1]
        if new_faults:
            return f"a reader finds a fault that was not there before ({sorted(new_faults)[0]})"
        with opened(before, "the invoice") as old, opened(after, "the result") as new:
            return _differing(old, new, added, pages_added)
    except (PdfError, pikepdf.PdfError, ValueError, TypeError, AttributeError, RuntimeError) as error:
        return f"it cannot be read back ({error})"


def _differing(old: pikepdf.Pdf, new: pikepdf.Pdf, added: Mapping[str, bytes], pages_added: int) -> str:
    for key in ("/Metadata", "/AcroForm", "/OutputIntents", "/StructTreeRoot", "/Outlines", "/MarkInfo", "/Lang"):
        if _form(old.Root.get(key)) != _form(new.Root.get(key)):
            return f"{key[1:]} of the invoice differs"
    if _form(old.trailer.get("/Info")) != _form(new.trailer.get("/Info")):
        return "the document information differs"
    if len(new.pages) != len(old.pages) + pages_added:
        return f"{len(new.pages)} pages, expected {len(old.pages)} and {pages_added} more"
    for number, (was, now) in enumerate(zip(old.pages, new.pages, strict=False), 1):
        if was.obj.objgen != now.obj.objgen or _form(was.obj) != _form(now.obj) or _content(was) != _content(now):
            return f"page {number} of the invoice differs"
    associated, now_associated = _associated(old), _associated(new)
    if now_associated[: len(associated)] != associated or len(now_associated) != len(associated) + len(added):
        return "the list of associated files differs"
    held, found = _listed(old), _listed(new)
    if held - found:
        return f"an attachment of the invoice differs or is gone ({next(iter(held - found))[0]!r})"
    expected = Counter((name, hashlib.sha256(data).hexdigest()) for name, data in added.items())
    if Counter((name, digest) for name, _, _, digest in (found - held).elements()) != expected:
        return "what was attached is not what was to be attached"
    return ""


def _form(obj: Any) -> Any:
    """Return an object as it is written; of a stream also its bytes."""
    if isinstance(obj, pikepdf.Stream):
        return obj.stream_dict.unparse(resolved=True), obj.read_raw_bytes()
    return obj.unparse(resolved=True) if isinstance(obj, pikepdf.Object) else obj


def _content(page: pikepdf.Page) -> list[bytes]:
    held = page.obj.get("/Contents")
    if isinstance(held, pikepdf.Array):
        return [one.read_raw_bytes() for one in (held[i] for i in range(len(held))) if isinstance(one, pikepdf.Stream)]
    return [held.read_raw_bytes()] if isinstance(held, pikepdf.Stream) else []


def _associated(pdf: pikepdf.Pdf) -> list[Any]:
    held = pdf.Root.get("/AF")
    return [_form(held[i]) for i in range(len(held))] if isinstance(held, pikepdf.Array) else []


def _listed(pdf: pikepdf.Pdf) -> Counter[tuple[str, str, str, str]]:
    return Counter((one.name, one.key, one.relationship, _digest(one)) for one in attachments(pdf))


def _digest(attachment: Attachment) -> str:
    found = hashlib.sha256()
    try:
        for chunk in attachment.chunks():
            found.update(chunk)
    except PdfError:
        # Packed in another way: what it is packed as must be the same.
        return "as packed " + hashlib.sha256(repr(_form(attachment.spec.get("/EF"))).encode()).hexdigest()
    return found.hexdigest()
