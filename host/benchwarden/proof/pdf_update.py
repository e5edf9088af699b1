"""Adds to a PDF without touching a byte of it: an incremental update (ISO 32000-1, 7.5.6) after its end.

The cross-reference section is of the same kind as the file's last one, for a
reader of PDF 1.4 knows tables only; document information and file identifier
are carried on. A library's own update writes a stream in either case and leaves
the document information out.
"""

from __future__ import annotations

import hashlib
import re
import struct
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO

import pikepdf
from pikepdf.settings import set_qpdf_limits

from benchwarden.errors import RecordError

# What the contents of one compressed stream may take while a foreign file is read.
_MOST_STREAM_BYTES = 256_000_000
_MOST_FILTERS = 4
_END = re.compile(rb"startxref[\r\n ]+(\d{1,10})[\r\n ]+%%EOF(\r\n|\r|\n|)$")
# The library names what it reads; it was handed bytes.
_SOURCE = re.compile(r"stream <[^>]*>(?: \([^:]*\))?: ?")
_STREAM_OBJECT = re.compile(rb"\d+\s+\d+\s+obj")


class PdfError(RecordError):
    """The PDF cannot be read, or cannot be added to; the message says why."""


@dataclass(frozen=True)
class PdfEnd:
    """What an update has to follow on.

    Attributes:
        startxref: offset of the last cross-reference section.
        has_streams: that section is a stream, not a table.
        size: one more than the highest object number, in use or free.
        highest: the highest object number in use.
        root, info: references as they are written, b"" for none.
        first_id: first half of the file identifier in hexadecimal, "" for none.
    """

    startxref: int
    has_streams: bool
    size: int
    highest: int
    root: bytes
    info: bytes
    first_id: str


@contextmanager
def opened(pdf: bytes, what: str, recover: bool = False) -> Iterator[pikepdf.Pdf]:
    """Open a PDF from anybody within bounds of memory.

    Args:
        what: names it in errors.
        recover: take one that has to be repaired.

    Raises:
        PdfError: not a PDF, damaged, or locked with a password.
    """
    before = set_qpdf_limits(
        flate_max_memory=_MOST_STREAM_BYTES,
        png_max_memory=_MOST_STREAM_BYTES,
        run_length_max_memory=_MOST_STREAM_BYTES,
        tiff_max_memory=_MOST_STREAM_BYTES,
        dct_max_memory=_MOST_STREAM_BYTES,
        max_stream_filters=_MOST_FILTERS,
        doc_max_warnings=1000,
    )
    try:
        if b"%PDF-" not in pdf[:1024]:
            raise PdfError(f"{what}: not a PDF")
        try:
            # Pages are left as they are written: what they inherit must not move while something else is changed.
            found = pikepdf.open(
                BytesIO(pdf), attempt_recovery=recover, suppress_warnings=True, inherit_page_attributes=False
            )
        except pikepdf.PasswordError as error:
            raise PdfError(f"{what}: the PDF is locked with a password") from error
        except (pikepdf.PdfError, ValueError, RuntimeError, MemoryError) as error:
            raise PdfError(f"{what}: the PDF is damaged ({_SOURCE.sub('', str(error))[:200]})") from error
        with found:
            yield found
    finally:
        set_qpdf_limits(**before)  # type: ignore[arg-type]


def end_of(pdf: bytes, found: pikepdf.Pdf, what: str) -> PdfEnd:
    """Return what an update of this file has to follow on.

    Raises:
        PdfError: the file does not end as a PDF does.
    """
    tail = _END.search(pdf[-1024:])
    if tail is None:
        raise PdfError(f"{what}: the PDF does not end as it should (cut off, or something follows its end)")
    startxref = int(tail.group(1))
    there = pdf[startxref : startxref + 40]
    has_streams = bool(_STREAM_OBJECT.match(there))
    if not has_streams and not there.startswith(b"xref"):
        raise PdfError(f"{what}: the PDF's cross-reference section is not where it says")
    trailer = found.trailer
    highest = max((obj.objgen[0] for obj in found.objects), default=0)
    ids = trailer.get("/ID")
    first = ids[0] if isinstance(ids, pikepdf.Array) and len(ids) else None
    info = trailer.get("/Info")
    return PdfEnd(
        startxref=startxref,
        has_streams=has_streams,
        size=max(int(trailer.get("/Size", 0)), highest + 1),
        highest=highest,
        root=reference(found.Root),
        info=reference(info) if info is not None and info.is_indirect else b"",
        first_id=bytes(first).hex() if isinstance(first, pikepdf.String) else "",
    )


def reference(obj: pikepdf.Object) -> bytes:
    """Return how an indirect object is referred to."""
    number, generation = obj.objgen
    return b"%d %d R" % (number, generation)


def updated(pdf: bytes, end: PdfEnd, objects: Mapping[tuple[int, int], bytes], extra: bytes = b"") -> bytes:
    """Return the PDF with objects added or replaced; its own bytes stay as they are, in front.

    Args:
        objects: object number and generation to the object's body, without "obj" and "endobj".
        extra: more entries for the trailer.
    """
    out = bytearray(pdf)
    if not pdf.endswith((b"\n", b"\r")):
        out += b"\n"
    places: dict[tuple[int, int], int] = {}
    for (number, generation), body in sorted(objects.items()):
        places[number, generation] = len(out)
        out += b"%d %d obj\n%b\nendobj\n" % (number, generation, body)
    size = max(end.size, *(number + 1 for number, _ in objects))
    here = len(out)
    facts = b"/Root %b/Prev %d" % (end.root, end.startxref)
    if end.info:
        facts += b"/Info " + end.info
    if end.first_id:
        # The second half tells versions of a file apart; made from the content, so that it repeats.
        facts += b"/ID[<%b><%b>]" % (end.first_id.encode(), hashlib.sha256(out).hexdigest()[:32].encode())
    facts += extra
    if end.has_streams:
        places[size, 0] = here
        out += _xref_stream(places, size, facts)
    else:
        out += _xref_table(places) + b"trailer\n<</Size %d%b>>\n" % (size, facts)
    out += b"startxref\n%d\n%%%%EOF\n" % here
    return bytes(out)


def _runs(places: Mapping[tuple[int, int], int]) -> list[list[tuple[int, int, int]]]:
    """Return (number, generation, offset) in stretches of consecutive numbers."""
    runs: list[list[tuple[int, int, int]]] = []
    for (number, generation), offset in sorted(places.items()):
        if runs and runs[-1][-1][0] == number - 1:
            runs[-1].append((number, generation, offset))
        else:
            runs.append([(number, generation, offset)])
    return runs


def _xref_table(places: Mapping[tuple[int, int], int]) -> bytes:
    # The head of the list of free objects comes along: some readers take a table without it for a faulty one.
    out = b"xref\n0 1\n0000000000 65535 f\r\n"
    for run in _runs(places):
        out += b"%d %d\n" % (run[0][0], len(run))
        out += b"".join(b"%010d %05d n\r\n" % (offset, generation) for _, generation, offset in run)
    return out


def _xref_stream(places: Mapping[tuple[int, int], int], number: int, facts: bytes) -> bytes:
    runs = _runs(places)
    index = b" ".join(b"%d %d" % (run[0][0], len(run)) for run in runs)
    rows = b"".join(struct.pack(">BIH", 1, offset, generation) for run in runs for _, generation, offset in run)
    head = b"<</Type/XRef/Size %d/W[1 4 2]/Index[%b]/Length %d%b>>" % (number + 1, index, len(rows), facts)
    return b"%d 0 obj\n%b\nstream\n%b\nendstream\nendobj\n" % (number, head, rows)
