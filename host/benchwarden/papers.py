"""What a finished run leaves on paper: its record and its bias log, sealed, and the seal of its folder.

Each is made on its own: what cannot be made is said, and takes nothing from the rest.
"""

from __future__ import annotations

from collections.abc import Callable
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
from benchwarden.report.source import gather
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
    press = _Press(run_dir, printing, said)
    record = press.tried(
        f"The record could not be printed; the journal is whole, try `benchwarden report {run_dir}`", press.record
    )
    log = press.tried("The bias log could not be printed", press.log)
    seal = press.tried("The seal could not be written", press.sealed) if press.seal else None
    if seal is not None and printing.why_unsigned:
        said(printing.why_unsigned)
    return Papers(record, log, seal, press.head)


class _Press:
    """What the papers of one run have in common."""

    def __init__(self, run_dir: Path, printing: Printing, said: Said) -> None:
        self._run_dir = run_dir
        self._printing = printing
        self._said = said
        self.seal = self.tried("The run could not be sealed", lambda: seal_journal(run_dir))
        self.head = self.seal.head if self.seal else ""
        self._material = self.tried("The run could not be read for its papers", lambda: gather(run_dir))

    def tried(self, words: str, make: Callable[[], T]) -> T | None:
        """Return what `make` makes; None, and words, where it cannot."""
        try:
            return make()
        except (BenchwardenError, OSError) as error:
            self._said(f"{words}: {error}.")
            return None

    def record(self) -> Path:
        data = pdf.record_pdf_bytes(
            self._run_dir,
            workshop=self._printing.workshop,
            seal_head=self.head,
            attachments=self._attached(),
            earlier=self._earlier(),
            material=self._material,
        )
        return self._print(pdf.NAME, data)

    def log(self) -> Path:
        data = bias_log.bias_log_bytes(
            self._run_dir, workshop=self._printing.workshop, seal_head=self.head, material=self._material
        )
        return self._print(bias_log.NAME, data)

    def sealed(self) -> Path | None:
        return write_seal(self._run_dir, self.seal, self._printing.signer) if self.seal else None

    def _print(self, name: str, data: bytes) -> Path:
        target = self._run_dir / name
        replace_file(target, sealed_pdf(data, self.head, self._printing.signer) if self.head else data)
        return target

    def _attached(self) -> dict[str, bytes]:
        found = self.tried("Nothing could be attached to the record", lambda: attachments_of(self._run_dir)) or {}
        if self.seal is not None:
            found[SEAL_NAME] = attachment_seal(self.seal, found, self._printing.signer)
        return found

    def _earlier(self) -> Comparison | None:
        beside = self._printing.beside_earlier
        if beside is None:
            return None
        return self.tried(
            "Earlier runs of the set could not be put beside this one",
            lambda: beside(replace(run_facts(self._run_dir), head=self.head)),
        )
