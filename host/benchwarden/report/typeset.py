"""How data becomes a PDF: a Typst template, data handed over as JSON, files beside it.

Nothing from a run ever becomes markup, every text passes `printable` once, only
the fonts inside Typst are used, nothing outside a folder made for the purpose can
be read and no clock is asked: the same data give the same bytes.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import Any, Literal

import typst

from benchwarden.errors import RecordError
from benchwarden.report.clock_label import instant
from benchwarden.report.printable import BREAK, clipped, printable

_STANDARD: Literal["a-3b"] = "a-3b"
# What templates have in common.
_SHARED = "page.typ"
# A label, however made, that a PDF can carry as its date when a run has none.
_NO_DATE = datetime(2000, 1, 1, tzinfo=UTC)
# A PDF's date has four digits for the year.
_LAST_YEAR = 9998
# Geometry made by the report, and what the template looks things up by.
_NOT_WORDS = frozenset(("svg", "tint", "at", "accent", "language", "kind", "file", "files"))


def typeset(
    template: str,
    data_of: Callable[[bool], dict[str, Any]],
    date_utc: str,
    files: Mapping[str, bytes] | None = None,
) -> bytes:
    """Return a PDF/A-3b.

    Args:
        template: file beside this module.
        data_of: makes what the template finds under "record"; told whether texts
            have to be plain ASCII.
        date_utc: the document's date, ISO form.
        files: what the template reads or attaches, by the name it has there.

    Raises:
        RecordError: Typst refuses even the plainest spelling of the texts.
    """
    own = resources.files("benchwarden.report")
    sources = {name: own.joinpath(name).read_bytes() for name in (template, _SHARED)}
    try:
        with tempfile.TemporaryDirectory(prefix="benchwarden-") as folder:
            root = Path(folder)
            for name, data in {**sources, **(files or {})}.items():
                (root / name).write_bytes(data)
            return _tried(root, template, data_of, date_utc)
    except OSError as error:
        raise RecordError(f"record cannot be laid out: {error}") from error


def _tried(root: Path, template: str, data_of: Callable[[bool], dict[str, Any]], date_utc: str) -> bytes:
    try:
        return _compiled(root, template, data_of(False), date_utc, ascii_only=False)
    except typst.TypstError as error:
        if "could not be displayed" not in str(error):
            raise RecordError(f"record cannot be laid out: {error}") from error
        # A glyph the table of printable characters wrongly trusts: print every
        # foreign character by its code rather than leave a run without a record.
        try:
            return _compiled(root, template, data_of(True), date_utc, ascii_only=True)
        except typst.TypstError as error:
            raise RecordError(f"record cannot be laid out: {error}") from error


def replace_file(target: Path, data: bytes) -> None:
    """Put `data` where `target` is, whole or not at all.

    Raises:
        RecordError: it cannot be written.
    """
    scratch = target.with_name(target.name + ".new")
    try:
        scratch.write_bytes(data)
        os.replace(scratch, target)
    except OSError as error:
        raise RecordError(f"{target}: record cannot be written ({error.strerror})") from error


def one_line(text: str, room: int, ascii_only: bool) -> str:
    """Return `text` cut to one line. Codes make a text longer, so it is cut after they are in."""
    return clipped(printable(text, 4 * room, ascii_only).replace(BREAK, ""), room)


def _compiled(root: Path, template: str, data: dict[str, Any], date_utc: str, ascii_only: bool) -> bytes:
    return bytes(
        typst.compile(
            root / template,
            root=root,
            format="pdf",
            ignore_system_fonts=True,
            pdf_standards=[_STANDARD],
            timestamp=_timestamp(date_utc),
            sys_inputs={"record": json.dumps(printed(data, ascii_only), allow_nan=False)},
        )
    )


def _timestamp(label: str) -> datetime:
    at = instant(label)
    return at if at is not None and at.year <= _LAST_YEAR else _NO_DATE


def printed(value: Any, ascii_only: bool) -> Any:
    """Return `value` with every text in it made printable: the one gate into the PDF."""
    if isinstance(value, str):
        return printable(value, ascii_only=ascii_only)
    if isinstance(value, dict):
        return {k: v if k in _NOT_WORDS else printed(v, ascii_only) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [printed(item, ascii_only) for item in value]
    return value
