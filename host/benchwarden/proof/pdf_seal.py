"""A seal over every byte of a PDF, which the PDF itself carries.

An incremental update adds one object and names it in the trailer:

    N 0 obj
    <</Type/BenchwardenSeal/Version 1/Head<H>/Digest<D>/Key<K>/Signature<S>>>
    endobj

H is the head of the run's journal, 64 hexadecimal digits in lower case. D is
SHA-256 over the whole file with the 64 digits of D and the 128 digits of S set
to "0". Key and Signature are left out where nobody signed; otherwise K is the
Ed25519 public key and S its signature over "benchwarden pdf 1\\n" and the 32
bytes of D. The file ends with this update.

A program that saves the PDF again, even without a change on view, breaks it.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass

from benchwarden.proof.pdf_update import PdfError, end_of, opened, updated
from benchwarden.proof.signing import Signer, is_signed, key_id

_SIGN_TAG = b"benchwarden pdf 1\n"
_HEAD = re.compile(r"[0-9a-f]{64}")
_TRAILER_KEY = b"/BWSealObject"
_SEALED = re.compile(
    rb"\n\d{1,10} 0 obj\n<</Type/BenchwardenSeal/Version 1/Head<([0-9a-f]{64})>/Digest<([0-9a-f]{64})>"
    rb"(?:/Key<([0-9a-f]{64})>/Signature<([0-9a-f]{128})>)?>>\nendobj\n"
    rb"xref\n0 1\n0000000000 65535 f\r\n\d{1,10} 1\n\d{10} 00000 n\r\n"
    rb"trailer\n[^\n]{1,600}\nstartxref\n\d{1,10}\n%%EOF\n"
)
# Either piece alone still tells that there was a seal.
_TRACES = (b"BenchwardenSeal", _TRAILER_KEY, b"/Version 1/Head<")
_MOST_UPDATE = 2000


@dataclass(frozen=True)
class PdfSeal:
    """What a PDF's bytes show about it.

    Attributes:
        state: "intact", "changed" or "none" (there is no such seal).
        words: what was found, one sentence.
        head: head of the run's journal it carries, "" where it cannot be read.
        public_key: that signed it, b"" for none.
        signature_fits: None where nobody signed.
    """

    state: str
    words: str
    head: str = ""
    public_key: bytes = b""
    signature_fits: bool | None = None


def sealed_pdf(pdf: bytes, head: str, signer: Signer | None) -> bytes:
    """Return the PDF with a seal over all of it; `pdf` is an exact prefix, the same input gives the same bytes.

    Raises:
        PdfError: it is damaged, sealed already, keeps its objects in a way a seal is not made for, or
            `head` is no head.
    """
    if not _HEAD.fullmatch(head):
        raise PdfError(f"head {head!r}; allowed: 64 hexadecimal digits in lower case")
    if any(trace in pdf for trace in _TRACES):
        raise PdfError("the PDF carries a seal already")
    with opened(pdf, "the PDF to be sealed") as found:
        end = end_of(pdf, found, "the PDF to be sealed")
    if end.has_streams:
        raise PdfError("the PDF to be sealed has a cross-reference stream; a seal follows a table only")
    signed = b""
    if signer is not None:
        signed = b"/Key<%b>/Signature<%b>" % (signer.public_key.hex().encode(), b"0" * 128)
    body = b"<</Type/BenchwardenSeal/Version 1/Head<%b>/Digest<%b>%b>>" % (head.encode(), b"0" * 64, signed)
    blank = updated(pdf, end, {(end.size, 0): body}, b"%b %d 0 R" % (_TRAILER_KEY, end.size))
    found_at = _SEALED.search(blank, len(pdf) - 1)
    if found_at is None:
        raise PdfError("the PDF to be sealed has a trailer too long for a seal")
    digest = hashlib.sha256(blank).digest()
    out = bytearray(blank)
    _fill(out, found_at.span(2), digest.hex())
    if signer is not None:
        _fill(out, found_at.span(4), signer.sign(_SIGN_TAG + digest).hex())
    return bytes(out)


def check_pdf_seal(pdf: bytes) -> PdfSeal:
    """Return what the seal in a PDF says of every byte of it; needs nothing but the PDF."""
    tail_at = max(0, len(pdf) - _MOST_UPDATE)
    for found in _SEALED.finditer(pdf, tail_at):
        if found.end() == len(pdf):
            return _judged(pdf, found)
    return _not_at_end(pdf)


def _judged(pdf: bytes, found: re.Match[bytes]) -> PdfSeal:
    head, digest, key, signature = found.groups()
    blank = bytearray(pdf)
    _fill(blank, found.span(2), "0" * 64)
    if signature is not None:
        _fill(blank, found.span(4), "0" * 128)
    computed = hashlib.sha256(blank)
    public = bytes.fromhex(key.decode()) if key else b""
    fits = None
    if signature is not None:
        fits = is_signed(public, bytes.fromhex(signature.decode()), _SIGN_TAG + computed.digest())
    if computed.hexdigest().encode() != digest:
        words = "the file was changed after it was sealed: its bytes do not fit its seal"
        return PdfSeal("changed", words, head.decode(), public, fits)
    if fits is False:
        words = f"the signature in the file's seal does not fit the file and key {key_id(public)}"
        return PdfSeal("changed", words, head.decode(), public, fits)
    return PdfSeal("intact", "every byte of the file is as it was sealed", head.decode(), public, fits)


def _not_at_end(pdf: bytes) -> PdfSeal:
    whole = max(_SEALED.finditer(pdf), key=lambda found: found.end(), default=None)
    if whole is not None:
        inner = _judged(pdf[: whole.end()], whole)
        count = len(pdf) - whole.end()
        if inner.state == "intact":
            words = (
                f"{count} bytes were added after the seal, which can change what is on view; "
                f"the first {whole.end()} bytes are as they were sealed"
            )
        else:
            words = f"{count} bytes were added after the seal, and what is before it was changed as well"
        return PdfSeal("changed", words, inner.head, inner.public_key, inner.signature_fits)
    if any(trace in pdf for trace in _TRACES):
        return PdfSeal("changed", "the seal over the file is damaged: the file was changed or cut short")
    return PdfSeal("none", "the file carries no seal over its bytes")


def _fill(out: bytearray, span: tuple[int, int], digits: str) -> None:
    out[span[0] : span[1]] = digits.encode()
