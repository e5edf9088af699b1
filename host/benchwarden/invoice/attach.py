"""Adds the record to an invoice that another program made, as an update behind its last byte.

What the invoice was stays in front, byte for byte. The result is read back by
what wrote none of it before it gets its name; where anything differs that
should not, nothing is written.
"""

from __future__ import annotations

import hashlib
import os
import zlib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pikepdf

from benchwarden.errors import RecordError
from benchwarden.invoice.enclosures import BIAS_LOG_NAME, Paper, free_name
from benchwarden.invoice.fitness import MOST_INVOICE_BYTES, Fitness, InvoiceRefused, fitness_of
from benchwarden.invoice.page import page_added
from benchwarden.invoice.unharmed import harm_done
from benchwarden.proof.bounded import read_within
from benchwarden.proof.pdf_reading import name_pairs
from benchwarden.proof.pdf_update import PdfEnd, PdfError, end_of, opened, updated

Bodies = dict[tuple[int, int], bytes]


@dataclass(frozen=True)
class Attached:
    """An invoice with papers in it.

    Attributes:
        names: under which the papers are attached, in the order given.
        pages: of the invoice before, and of what was added.
        notes: what a person should know.
    """

    out: Path
    names: tuple[str, ...]
    pages: tuple[int, int]
    notes: tuple[str, ...]


def attach_to_invoice(invoice: Path, papers: Sequence[Paper], out: Path, with_page: bool = False) -> Attached:
    """Write the invoice with the papers attached to `out`, and return what was done.

    Args:
        with_page: the bias log is added as a further page, too.

    Raises:
        InvoiceRefused: nothing can be added to this invoice, with the reason.
        RecordError: `out` is the invoice or cannot be written, or there is no bias log to add.
    """
    data = _read(invoice)
    _refuse_same(invoice, out)
    fit = fitness_of(data, str(invoice), with_page)
    page = next((paper for paper in papers if paper.name == BIAS_LOG_NAME), None)
    if with_page and page is None:
        raise RecordError(f"no {BIAS_LOG_NAME} among the papers of the run: there is no page to add")
    result, names = _added(data, str(invoice), papers, fit, page.data if page and with_page else None)
    added = {name: paper.data for name, paper in zip(names, papers, strict=True)}
    harm = harm_done(data, result, added, 1 if with_page else 0)
    if harm:
        raise RecordError(f"{invoice}: {harm} in the result; nothing was written, the invoice is as it was")
    _write_new(out, result)
    return Attached(out, names, (fit.pages, 1 if with_page else 0), fit.notes)


def _read(invoice: Path) -> bytes:
    try:
        return read_within(invoice, MOST_INVOICE_BYTES)
    except OSError as error:
        raise RecordError(f"{invoice}: the invoice cannot be read ({error.strerror})") from error


def _refuse_same(invoice: Path, out: Path) -> None:
    with suppress(OSError):
        if out.resolve() == invoice.resolve() or os.path.samefile(invoice, out):
            raise RecordError(f"{out}: is the invoice itself; it is never changed, choose another name")


def _added(
    data: bytes, name: str, papers: Sequence[Paper], fit: Fitness, page: bytes | None
) -> tuple[bytes, tuple[str, ...]]:
    names: list[str] = []
    try:
        with opened(data, name) as pdf:
            end = end_of(data, pdf, name)
            root = pdf.Root
            specs = []
            for paper in papers:
                names.append(free_name(paper.name, (*fit.names, *names)))
                specs.append(_file_specification(pdf, paper, names[-1]))
            changed = [root]
            _associate(root, specs)
            changed += _name(pdf, names, specs)
            if page is not None:
                changed += page_added(pdf, page)
            return updated(data, end, _bodies(pdf, changed, end)), tuple(names)
    except PdfError as error:
        raise InvoiceRefused(name, str(error).removeprefix(f"{name}: ")) from error


def _file_specification(pdf: pikepdf.Pdf, paper: Paper, name: str) -> pikepdf.Object:
    # ISO 19005-3, 6.8: media type, both names, relationship; ISO 32000-1, 7.11.4 for the parameters. Packed,
    # so that its own end of file is not taken for the invoice's.
    facts = pikepdf.Dictionary(Size=len(paper.data), CheckSum=pikepdf.String(hashlib.md5(paper.data).digest()))
    if paper.date:
        facts.ModDate = pikepdf.String(paper.date)
    stream = pdf.make_stream(zlib.compress(paper.data, 6))
    stream.stream_dict = pikepdf.Dictionary(
        Type=pikepdf.Name.EmbeddedFile,
        Subtype=pikepdf.Name("/application/pdf"),
        Filter=pikepdf.Name.FlateDecode,
        Params=facts,
    )
    return pdf.make_indirect(
        pikepdf.Dictionary(
            Type=pikepdf.Name.Filespec,
            F=pikepdf.String(name),
            UF=pikepdf.String(name),
            Desc=pikepdf.String(paper.description),
            AFRelationship=pikepdf.Name.Supplement,
            EF=pikepdf.Dictionary(F=stream, UF=stream),
        )
    )


def _associate(root: pikepdf.Object, specs: Sequence[pikepdf.Object]) -> None:
    held = root.get("/AF")
    if held is not None and not isinstance(held, pikepdf.Array):
        raise PdfError("the PDF is damaged: its list of associated files is no list")
    before = [] if held is None else [held[i] for i in range(len(held))]
    root.AF = pikepdf.Array([*before, *specs])


def _name(pdf: pikepdf.Pdf, names: Sequence[str], specs: Sequence[pikepdf.Object]) -> list[pikepdf.Object]:
    """Put the specifications into the name tree and return what else than the catalog has changed by it."""
    pairs = name_pairs(pdf)
    if not all(isinstance(key, pikepdf.String) for key, _ in pairs):
        raise PdfError("the PDF is damaged: its list of attachments has an entry without a name")
    pairs += [(pikepdf.String(name), spec) for name, spec in zip(names, specs, strict=True)]
    # A name tree is in order of its keys' bytes (ISO 32000-1, 7.9.6); entries of one name stay as they were.
    pairs.sort(key=lambda pair: bytes(pair[0]))
    tree = pikepdf.Dictionary(Names=pikepdf.Array([part for pair in pairs for part in pair]))
    held = pdf.Root.get("/Names")
    if held is None:
        pdf.Root.Names = pikepdf.Dictionary(EmbeddedFiles=tree)
        return []
    if not isinstance(held, pikepdf.Dictionary):
        raise PdfError("the PDF is damaged: its names are no table")
    held.EmbeddedFiles = tree
    return [held] if held.is_indirect else []


def _bodies(pdf: pikepdf.Pdf, changed: Sequence[pikepdf.Object], end: PdfEnd) -> Bodies:
    """Return what is to be written: the objects that changed, and all that are new."""
    bodies: Bodies = {one.objgen: one.unparse(resolved=True) for one in changed}
    for one in pdf.objects:
        if one.objgen[0] <= end.highest:
            continue
        if isinstance(one, pikepdf.Stream):
            raw = one.read_raw_bytes()
            facts = one.stream_dict
            facts.Length = len(raw)
            bodies[one.objgen] = facts.unparse(resolved=True) + b"\nstream\n" + raw + b"\nendstream"
        else:
            bodies[one.objgen] = one.unparse(resolved=True)
    return bodies


def _write_new(out: Path, data: bytes) -> None:
    scratch = out.with_name(out.name + ".new")
    try:
        with open(scratch, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(scratch, out)
    except OSError as error:
        with suppress(OSError):
            scratch.unlink()
        raise RecordError(f"{out}: cannot be written ({error.strerror})") from error
