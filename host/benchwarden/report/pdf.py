"""How the record of a run becomes a PDF."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from benchwarden.analysis.returns import Comparison
from benchwarden.core.workshop import Workshop
from benchwarden.report.attachments import attachments_of
from benchwarden.report.content import Content, content_of
from benchwarden.report.customer_page import CustomerPage, customer_page
from benchwarden.report.job_papers import papers_of
from benchwarden.report.sheet_data import Sheet, shared_data, sheet_of
from benchwarden.report.source import Material, gather
from benchwarden.report.typeset import one_line, replace_file, typeset

NAME = "record.pdf"
_TEMPLATE = "record.typ"


@dataclass(frozen=True)
class Record:
    """A record ready to be laid out."""

    sheet: Sheet
    customer: CustomerPage
    content: Content


def write_record(
    run_dir: Path,
    out: Path | None = None,
    *,
    workshop: Workshop | None = None,
    seal_head: str = "",
    attachments: Mapping[str, bytes] | None = None,
    earlier: Comparison | None = None,
) -> Path:
    """Make the PDF record of a run and return where it is.

    Works on a finished run and on one that was cut off; the file is replaced
    whole or not at all.

    Args:
        run_dir: folder with the journal, the status file and, where there are any, `job.json` and `parts.json`.
        out: the PDF; `record.pdf` in the run's folder by default.
        workshop, seal_head, attachments, earlier: as for `record_pdf_bytes`.

    Raises:
        RecordError: there is no readable journal, or the PDF cannot be written.
    """
    target = run_dir / NAME if out is None else out
    data = record_pdf_bytes(run_dir, workshop=workshop, seal_head=seal_head, attachments=attachments, earlier=earlier)
    replace_file(target, data)
    return target


def record_pdf_bytes(
    run_dir: Path,
    *,
    workshop: Workshop | None = None,
    seal_head: str = "",
    attachments: Mapping[str, bytes] | None = None,
    earlier: Comparison | None = None,
    material: Material | None = None,
) -> bytes:
    """Return the PDF record of a run.

    Args:
        workshop: letterhead, language, time zone; None prints without one, in English.
        seal_head: head hash of the run's seal, 64 hexadecimal digits; "" prints "not sealed".
        attachments: files to attach, by name; None attaches what `attachments_of` gives.
        earlier: runs of the same set made before, beside this one; None for none.
        material: of the run, where it was gathered before; None gathers it.

    Raises:
        RecordError: there is no readable journal, or the PDF cannot be laid out.
    """
    attached = attachments_of(run_dir) if attachments is None else attachments
    sheet = sheet_of(workshop, seal_head, attached)
    return record_bytes(record_of(run_dir, material or gather(run_dir), sheet, earlier))


def record_of(run_dir: Path, material: Material, sheet: Sheet, earlier: Comparison | None = None) -> Record:
    """Return what the record of a run says."""
    papers = papers_of(run_dir, material.header, sheet.say)
    content = content_of(material, sheet.say, papers, earlier)
    content = replace(content, losses=(*content.losses, *sheet.letterhead.trouble))
    return Record(sheet, customer_page(material, papers, sheet.say), content)


def record_bytes(record: Record) -> bytes:
    """Return the PDF of a record.

    Raises:
        RecordError: Typst refuses even the plainest spelling of the texts.
    """
    return typeset(
        _TEMPLATE,
        lambda ascii_only: page_data(record, ascii_only),
        record.content.started_at_utc,
        record.sheet.files,
    )


def page_data(record: Record, ascii_only: bool = False) -> dict[str, Any]:
    """Return what the template finds under "record"."""
    content = record.content
    shown = (content.set_rows[0][1], content.set_rows[1][1])
    data: dict[str, Any] = asdict(content)
    data |= shared_data(record.sheet, _TEMPLATE, content.run, content.virtual, ascii_only)
    data |= {
        "customer": asdict(record.customer),
        "document_title": f"{content.title} {one_line(content.run, 80, ascii_only)}",
        "head_set": " · ".join(one_line(name, 36, ascii_only) for name in shown),
    }
    return data
