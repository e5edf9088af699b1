"""How the record of a run becomes a PDF."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from benchwarden.report.cautions import VIRTUAL_WORDS
from benchwarden.report.content import Content, content_of
from benchwarden.report.source import gather
from benchwarden.report.typeset import one_line, replace_file, typeset

NAME = "record.pdf"


def write_record(run_dir: Path, out: Path | None = None) -> Path:
    """Make the PDF record of a run and return where it is.

    Works on a finished run and on one that was cut off; the file is replaced
    whole or not at all.

    Args:
        run_dir: folder with the journal and the status file.
        out: the PDF; `record.pdf` in the run's folder by default.

    Raises:
        RecordError: there is no readable journal, or the PDF cannot be written.
    """
    target = run_dir / NAME if out is None else out
    replace_file(target, record_bytes(content_of(gather(run_dir))))
    return target


def record_bytes(content: Content) -> bytes:
    """Return the PDF of a record.

    Raises:
        RecordError: Typst refuses even the plainest spelling of the texts.
    """
    return typeset("record.typ", lambda ascii_only: _page_data(content, ascii_only), content.started_at_utc)


def _page_data(content: Content, ascii_only: bool) -> dict[str, Any]:
    named = {row[0]: row[1] for row in content.set_rows}
    head_set = " · ".join(one_line(named.get(key, ""), 44, ascii_only) for key in ("Set", "Serial"))
    data: dict[str, Any] = asdict(content)
    data |= {
        "document_title": f"{content.title} {one_line(content.run, 80, ascii_only)}",
        "head_set": head_set,
        "head_run": one_line(content.run, 40, ascii_only) or "without a name",
        "virtual_words": VIRTUAL_WORDS,
    }
    return data
