"""What a finished run leaves on paper: its record and its bias log, sealed, and the seal of its folder.

Each is made on its own: what cannot be made is said, and takes nothing from the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from benchwarden.analysis.returns import Comparison
from benchwarden.core.job import JobRun
from benchwarden.core.workshop import Workshop
from benchwarden.errors import BenchwardenError
from benchwarden.jobs.run_facts import run_facts
from benchwarden.proof.pdf_seal import sealed_pdf
from benchwarden.proof.seal import attachment_seal, seal_journal, write_seal
from benchwarden.proof.signing import Signer
from benchwarden.report import bias_log, pdf
from benchwarden.report.attachments import SEAL_NAME, attachments_of
from benchwarden.report.typeset import replace_file

Said = Callable[[str], None]
T = TypeVar("T")


@dataclass(frozen=True)
class Printing:
    """Whose paper it is.

    Attributes:
        signer: signs the seals; None seals without a signature.
        why_unsigned: said where there is no signer; "" for nothing.
        beside_earlier: puts the finished run beside earlier ones of its set; None where there are none.
    """

    workshop: Workshop | None = None
    signer: Signer | None = None
    why_unsigned: str = ""
    beside_earlier: Callable[[JobRun], Comparison | None] | None = None


@dataclass(frozen=True)
class Papers:
    """What was made; None for what could not be. `head` is that of the seal, "" without one."""

    record: Path | None
    log: Path | None
    seal: Path | None
    head: str


def make_papers(run_dir: Path, printing: Printing, said: Said) -> Papers:
    """Print record and bias log of a finished run and seal its folder.

    Args:
        said: told, in words, what could not be made.
    """
    seal = _tried(said, "The run could not be sealed", lambda: seal_journal(run_dir))
    head = seal.head if seal else ""
    attached = _tried(said, "Nothing could be attached to the record", lambda: attachments_of(run_dir)) or {}
    if seal is not None:
        sealed = seal
        data = _tried(
            said, "The seal could not be attached", lambda: attachment_seal(sealed, attached, printing.signer)
        )
        attached = {**attached, SEAL_NAME: data} if data else attached
    earlier = None
    if printing.beside_earlier is not None:
        beside = printing.beside_earlier
        words = "Earlier runs of the set could not be put beside this one"
        earlier = _tried(said, words, lambda: beside(replace(run_facts(run_dir), head=head)))
    record = _tried(
        said,
        f"The record could not be printed; the journal is whole, try `benchwarden report {run_dir}`",
        lambda: _print(run_dir / pdf.NAME, _record(run_dir, printing, head, attached, earlier), head, printing.signer),
    )
    log = _tried(
        said,
        "The bias log could not be printed",
        lambda: _print(run_dir / bias_log.NAME, _log(run_dir, printing, head), head, printing.signer),
    )
    path = None
    if seal is not None:
        whole = seal
        path = _tried(said, "The seal could not be written", lambda: write_seal(run_dir, whole, printing.signer))
    if path is not None and printing.why_unsigned:
        said(printing.why_unsigned)
    return Papers(record, log, path, head)


def _record(
    run_dir: Path, printing: Printing, head: str, attached: Mapping[str, bytes], earlier: Comparison | None
) -> bytes:
    return pdf.record_pdf_bytes(
        run_dir,
        workshop=printing.workshop,
        seal_head=head,
        attachments=attached,
        earlier=earlier,
    )


def _log(run_dir: Path, printing: Printing, head: str) -> bytes:
    return bias_log.bias_log_bytes(run_dir, workshop=printing.workshop, seal_head=head)


def _print(target: Path, data: bytes, head: str, signer: Signer | None) -> Path:
    replace_file(target, sealed_pdf(data, head, signer) if head else data)
    return target


def _tried(said: Said, words: str, make: Callable[[], T]) -> T | None:
    try:
        return make()
    except (BenchwardenError, OSError) as error:
        said(f"{words}: {error}.")
        return None
