"""How the record becomes a PDF: one Typst template, data handed over as JSON.

Nothing of a run ever becomes markup, every text passes `printable` once, only
the fonts inside Typst are used and no clock is read: the same run gives the
same bytes.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import Any, Literal

import typst

from benchwarden.errors import RecordError
from benchwarden.report.content import VIRTUAL_WORDS, Content, content_of
from benchwarden.report.printable import BREAK, clipped, printable
from benchwarden.report.source import gather

NAME = "record.pdf"
_STANDARD: Literal["a-3b"] = "a-3b"
# A label, however made, that a PDF can carry as its date when a run has none.
_NO_DATE = datetime(2000, 1, 1, tzinfo=UTC)


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
    data = record_bytes(content_of(gather(run_dir)))
    scratch = target.with_name(target.name + ".new")
    try:
        scratch.write_bytes(data)
        os.replace(scratch, target)
    except OSError as error:
        raise RecordError(f"{target}: record cannot be written ({error.strerror})") from error
    return target


def record_bytes(content: Content) -> bytes:
    """Return the PDF of a record.

    Raises:
        RecordError: Typst refuses even the plainest spelling of the texts.
    """
    template = resources.files("benchwarden.report").joinpath("record.typ").read_bytes()
    try:
        return _compiled(template, content, ascii_only=False)
    except typst.TypstError as error:
        if "could not be displayed" not in str(error):
            raise RecordError(f"record cannot be laid out: {error}") from error
        # A glyph the table of printable characters wrongly trusts: print every
        # foreign character by its code rather than leave a run without a record.
        try:
            return _compiled(template, content, ascii_only=True)
        except typst.TypstError as error:
            raise RecordError(f"record cannot be laid out: {error}") from error


def _compiled(template: bytes, content: Content, ascii_only: bool) -> bytes:
    return bytes(
        typst.compile(
            template,
            format="pdf",
            ignore_system_fonts=True,
            pdf_standards=[_STANDARD],
            timestamp=_timestamp(content.started_at_utc),
            sys_inputs={"record": json.dumps(_page_data(content, ascii_only), allow_nan=False)},
        )
    )


def _timestamp(label: str) -> datetime:
    try:
        at = datetime.fromisoformat(label.replace("Z", "+00:00"))
    except ValueError:
        return _NO_DATE
    return at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)


def _page_data(content: Content, ascii_only: bool) -> dict[str, Any]:
    named = {row[0]: row[1] for row in content.set_rows}
    uncalibrated = content.calibration in ("uncalibrated", "calibration unknown")
    # Codes make a text longer, so what has one line only is cut after they are in.
    head_set = " · ".join(_one_line(named.get(key, ""), 44, ascii_only) for key in ("Set", "Serial"))
    data: dict[str, Any] = asdict(content)
    data |= {
        "document_title": f"{content.title} {_one_line(content.run, 80, ascii_only)}",
        "head_set": head_set,
        "head_run": _one_line(content.run, 40, ascii_only) or "without a name",
        "virtual_words": VIRTUAL_WORDS,
        "uncalibrated": uncalibrated,
        "calibration_sentence": (
            "The instrument was not calibrated: readings are as the parts' nominal values give them, and no "
            "uncertainty is stated."
        ),
    }
    printed = _printed(data, ascii_only)
    assert isinstance(printed, dict)
    return printed


def _one_line(text: str, room: int, ascii_only: bool) -> str:
    return clipped(printable(text, 4 * room, ascii_only).replace(BREAK, ""), room)


# Geometry made here; neither may be touched as if it were somebody's words.
_NOT_WORDS = frozenset(("svg", "tint", "at"))


def _printed(value: Any, ascii_only: bool) -> Any:
    """Return `value` with every text in it made printable: the one gate into the PDF."""
    if isinstance(value, str):
        return printable(value, ascii_only=ascii_only)
    if isinstance(value, dict):
        return {k: v if k in _NOT_WORDS else _printed(v, ascii_only) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_printed(item, ascii_only) for item in value]
    return value
