"""What a PDF carries inside: its attachments, read within bounds whoever made the file."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pikepdf

from benchwarden.proof.pdf_update import PdfError

_MOST_FILES = 1000
_MOST_DEPTH = 30
_CHUNK = 1 << 20
# What one attachment may come to; it is never held whole to be hashed.
_MOST_BYTES = 4_000_000_000


@dataclass(frozen=True)
class Attachment:
    """A file inside a PDF.

    Attributes:
        name: as the file specification has it.
        key: as it stands in the name tree.
        relationship: "/Data" and so on, "" for none.
        spec: the file specification; usable while the PDF is open.
    """

    name: str
    key: str
    relationship: str
    spec: pikepdf.Object

    def chunks(self) -> Iterator[bytes]:
        """Yield its bytes.

        Raises:
            PdfError: they are packed in a way that is not read here, damaged, or too many.
        """
        stream = _embedded(self.spec)
        if stream is None:
            raise PdfError(f"attachment {self.name!r}: has no data in this file")
        packing = stream.get("/Filter")
        if isinstance(packing, pikepdf.Array) and len(packing) == 1:
            packing = packing[0]
        raw = stream.read_raw_bytes()
        if packing is None or (isinstance(packing, pikepdf.Array) and not len(packing)):
            yield raw
            return
        if packing != pikepdf.Name.FlateDecode or "/Predictor" in str(stream.get("/DecodeParms", "")):
            raise PdfError(f"attachment {self.name!r}: packed in a way that is not read here")
        yield from self._inflated(raw)

    def _inflated(self, raw: bytes) -> Iterator[bytes]:
        unpacking = zlib.decompressobj()
        waiting, total = raw, 0
        try:
            while not unpacking.eof:
                chunk = unpacking.decompress(waiting, _CHUNK)
                waiting = unpacking.unconsumed_tail
                if not chunk and not waiting:
                    break
                total += len(chunk)
                if total > _MOST_BYTES:
                    raise PdfError(f"attachment {self.name!r}: more than {_MOST_BYTES // 10**9} GB unpacked")
                yield chunk
        except zlib.error as error:
            raise PdfError(f"attachment {self.name!r}: damaged ({error})") from error
        if not unpacking.eof:
            raise PdfError(f"attachment {self.name!r}: cut short")

    def read(self, most: int) -> bytes:
        """Return its bytes.

        Raises:
            PdfError: as `chunks`, or more than `most`.
        """
        parts: list[bytes] = []
        total = 0
        for chunk in self.chunks():
            total += len(chunk)
            if total > most:
                raise PdfError(f"attachment {self.name!r}: more than {most} bytes")
            parts.append(chunk)
        return b"".join(parts)


def attachments(pdf: pikepdf.Pdf) -> list[Attachment]:
    """Return the files in a PDF's name tree and in its list of associated files, each once.

    Raises:
        PdfError: more than a thousand, or a tree that has no end.
    """
    found: list[Attachment] = []
    seen: set[tuple[int, int]] = set()
    for key, spec in named_files(pdf):
        seen.add(spec.objgen)
        found.append(_attachment(key, spec))
    associated = pdf.Root.get("/AF")
    if isinstance(associated, pikepdf.Array):
        for index, spec in enumerate(_items(associated)):
            if index >= _MOST_FILES:
                raise PdfError(f"more than {_MOST_FILES} associated files")
            if isinstance(spec, pikepdf.Dictionary) and (spec.objgen == (0, 0) or spec.objgen not in seen):
                found.append(_attachment("", spec))
    return found


def named_files(pdf: pikepdf.Pdf) -> list[tuple[str, pikepdf.Object]]:
    """Return (key, file specification) of the name tree of embedded files, in order; a key may come more than once.

    Raises:
        PdfError: as `name_pairs`.
    """
    return [(_text(key), spec) for key, spec in name_pairs(pdf) if isinstance(spec, pikepdf.Dictionary)]


def name_pairs(pdf: pikepdf.Pdf) -> list[tuple[Any, Any]]:
    """Return what the name tree of embedded files holds, keys and values as they are.

    Raises:
        PdfError: more than a thousand, or a tree that has no end.
    """
    names = pdf.Root.get("/Names")
    root = names.get("/EmbeddedFiles") if isinstance(names, pikepdf.Dictionary) else None
    found: list[tuple[Any, Any]] = []
    visits = 0

    def walk(node: Any, depth: int) -> None:
        nonlocal visits
        visits += 1
        if depth > _MOST_DEPTH or visits > 4 * _MOST_FILES or len(found) > _MOST_FILES:
            raise PdfError("the PDF's list of attachments is too long, or leads round in a circle")
        if not isinstance(node, pikepdf.Dictionary):
            return
        pairs = node.get("/Names")
        if isinstance(pairs, pikepdf.Array):
            if len(pairs) > 2 * _MOST_FILES:
                raise PdfError(f"the PDF has more than {_MOST_FILES} attachments")
            flat = _items(pairs)
            found.extend(zip(flat[::2], flat[1::2], strict=False))
        kids = node.get("/Kids")
        if isinstance(kids, pikepdf.Array):
            if len(kids) > _MOST_FILES:
                raise PdfError(f"the PDF has more than {_MOST_FILES} attachments")
            for kid in _items(kids):
                walk(kid, depth + 1)

    walk(root, 0)
    return found


def _items(array: pikepdf.Array) -> list[Any]:
    return [array[i] for i in range(len(array))]


def _attachment(key: str, spec: pikepdf.Object) -> Attachment:
    name = spec.get("/UF")
    if name is None:
        name = spec.get("/F")
    relationship = spec.get("/AFRelationship")
    return Attachment(
        name=_text(name) or key,
        key=key,
        relationship=str(relationship) if isinstance(relationship, pikepdf.Name) else "",
        spec=spec,
    )


def _embedded(spec: pikepdf.Object) -> pikepdf.Stream | None:
    held = spec.get("/EF")
    if not isinstance(held, pikepdf.Dictionary):
        return None
    for key in ("/F", "/UF"):
        stream = held.get(key)
        if isinstance(stream, pikepdf.Stream):
            return stream
    return None


def _text(value: Any) -> str:
    return str(value)[:300] if isinstance(value, (pikepdf.String, str)) else ""
