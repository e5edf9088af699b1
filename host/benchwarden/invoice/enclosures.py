"""Which papers of a run go with an invoice?"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pikepdf

from benchwarden.errors import RecordError
from benchwarden.proof.bounded import read_within
from benchwarden.proof.pdf_seal import check_pdf_seal
from benchwarden.proof.pdf_update import opened

RECORD_NAME = "record.pdf"
BIAS_LOG_NAME = "bias-log.pdf"
_WORDS = {RECORD_NAME: "Burn-in record, with its data inside", BIAS_LOG_NAME: "Bias-stability log, one page"}
_MOST_BYTES = 100_000_000


@dataclass(frozen=True)
class Paper:
    """One PDF of a run.

    Attributes:
        head: head of the run's journal that its seal carries, "" where it has no seal.
        date: when it was printed, as a PDF writes dates; "" where it does not say.
    """

    name: str
    data: bytes
    description: str
    head: str = ""
    date: str = ""


def papers_of(run_dir: Path) -> list[Paper]:
    """Return the record of a run and, where there is one, its bias log.

    Raises:
        RecordError: there is no record, it was changed since it was printed, is no PDF, or cannot be read.
    """
    found = []
    for name, words in _WORDS.items():
        path = run_dir / name
        if name != RECORD_NAME and not path.exists():
            continue
        found.append(_paper(path, words))
    return found


def _paper(path: Path, words: str) -> Paper:
    try:
        data = read_within(path, _MOST_BYTES)
    except FileNotFoundError as error:
        raise RecordError(f"{path}: no record here; `benchwarden report {path.parent}` prints it") from error
    except OSError as error:
        raise RecordError(f"{path}: cannot be read ({error.strerror})") from error
    if len(data) > _MOST_BYTES:
        raise RecordError(f"{path}: more than {_MOST_BYTES} bytes, too large to go with an invoice")
    seal = check_pdf_seal(data)
    if seal.state == "changed":
        raise RecordError(f"{path}: {seal.words}; it goes to no customer. `benchwarden report` prints it again")
    with opened(data, str(path)) as pdf:
        info = pdf.trailer.get("/Info")
        date = str(info.get("/CreationDate", "")) if isinstance(info, pikepdf.Dictionary) else ""
    return Paper(path.name, data, words, seal.head, date)


def free_name(name: str, taken: Sequence[str]) -> str:
    """Return `name`, or with a number where it is taken: what has it keeps it."""
    used = {one.lower() for one in taken}
    stem, dot, end = re.sub(r"[^A-Za-z0-9._-]", "_", name).rpartition(".")
    candidates = (f"{stem}{'' if k == 1 else f'-{k}'}{dot}{end}" for k in range(1, len(used) + 2))
    return next(one for one in candidates if one.lower() not in used)
