"""Puts the record beside an invoice that nothing may be added to, with a note of which belongs to which."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from benchwarden.errors import RecordError
from benchwarden.invoice.enclosures import Paper
from benchwarden.proof.canonical import canonical
from benchwarden.proof.seal import digest_of, replace_durably


@dataclass(frozen=True)
class Companion:
    """What was put beside the invoice: the papers, and the note that ties them to it."""

    papers: tuple[Path, ...]
    relation: Path


def write_companion(invoice: Path, papers: Sequence[Paper], folder: Path) -> Companion:
    """Write the papers into `folder` under the invoice's name, and a JSON note with the SHA-256 of all of them.

    The invoice is only read; it may be signed, encrypted or no PDF at all.

    Raises:
        RecordError: the invoice cannot be read, the folder cannot be written, or a file is there already.
    """
    told = digest_of(invoice)
    stem = re.sub(r"[^A-Za-z0-9._-]", "_", invoice.stem)[:80] or "invoice"
    targets = [folder / f"{stem}-{paper.name}" for paper in papers]
    relation = folder / f"{stem}-record.json"
    for target in (*targets, relation):
        if target.exists():
            raise RecordError(f"{target}: is there already and stays; choose another folder or put it away")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(f"{folder}: cannot be made ({error.strerror})") from error
    for target, paper in zip(targets, papers, strict=True):
        replace_durably(target, paper.data)
    body = {
        "format": "benchwarden companion",
        "version": 1,
        "invoice": {"name": told.name, "sha256": told.sha256, "size": told.size},
        "head": next((paper.head for paper in papers if paper.head), ""),
        "papers": [
            {"name": target.name, "sha256": hashlib.sha256(paper.data).hexdigest(), "size": len(paper.data)}
            for target, paper in zip(targets, papers, strict=True)
        ],
    }
    replace_durably(relation, canonical(body) + b"\n")
    return Companion(tuple(targets), relation)
