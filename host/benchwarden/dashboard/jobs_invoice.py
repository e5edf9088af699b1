"""How does the record of a run get onto an invoice that was uploaded: in a folder of its own, beside the original.

The invoice that came is written once and only read from then on; what is offered is another file.
"""

from __future__ import annotations

import secrets
import shutil
import subprocess
import tempfile
import threading
import weakref
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from benchwarden.dashboard.jobs_work import PROGRAM
from benchwarden.dashboard.status import plain
from benchwarden.errors import RecordError
from benchwarden.jobs.photos import clean_name

MOST_INVOICE_BYTES = 40_000_000
MOST_KEPT = 12
_TIMEOUT_S = 120.0
_PREFIX = "benchwarden: "


@dataclass(frozen=True)
class Made:
    """What became of an invoice or a bundle.

    Attributes:
        token: names the result in an address; "" where there is none.
        name: file name to offer.
        path: the result.
        lines: what the command said: what was written and noted, or why not.
    """

    token: str
    name: str
    path: Path | None
    lines: tuple[str, ...]


class InvoiceDesk:
    """Takes invoices, runs the command, and keeps the newest results until the page's program ends."""

    def __init__(self, program: Sequence[str] = PROGRAM) -> None:
        self._program = tuple(program)
        self._lock = threading.Lock()
        self._root: Path | None = None
        self._made: dict[str, Made] = {}

    def add(self, name: str, data: bytes, run_dir: Path, *, with_page: bool) -> Made:
        """Return an invoice with the record of a run attached, or why it was refused.

        Raises:
            RecordError: it is too large, or nothing can be written here.
        """
        if len(data) > MOST_INVOICE_BYTES:
            raise RecordError(f"invoice: larger than {MOST_INVOICE_BYTES // 1_000_000} MB")
        stem = clean_name(name).removesuffix(".pdf").removesuffix(".PDF") or "invoice"
        folder = self._folder()
        source, target = folder / f"{stem}.pdf", folder / f"{stem}-with-record.pdf"
        try:
            source.write_bytes(data)
        except OSError as error:
            raise RecordError(f"invoice: cannot be put down ({error.strerror})") from error
        words = ["invoice", "add", str(source), str(run_dir.absolute()), "-o", str(target)]
        return self._run([*words, *(["--page"] if with_page else [])], folder, target)

    def bundle(self, run_dir: Path) -> Made:
        """Return all that was sealed of a run as one file, or why not.

        Raises:
            RecordError: nothing can be written here.
        """
        folder = self._folder()
        target = folder / f"{run_dir.name}.zip"
        return self._run(["invoice", "bundle", str(run_dir.absolute()), "-o", str(target)], folder, target)

    def made(self, token: str) -> Made | None:
        """Return a result by its token, None where it is not, or no longer, kept."""
        with self._lock:
            return self._made.get(token)

    def _run(self, words: list[str], folder: Path, target: Path) -> Made:
        try:
            done = subprocess.run(
                [*self._program, *words],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                timeout=_TIMEOUT_S,
                check=False,
            )
        except subprocess.TimeoutExpired:
            shutil.rmtree(folder, ignore_errors=True)
            return Made("", "", None, (f"It was not done within {_TIMEOUT_S:.0f} s and was ended.",))
        except OSError as error:
            raise RecordError(f"it cannot be started ({error.strerror})") from error
        said = (done.stdout + b"\n" + done.stderr).decode("utf-8", "replace")
        # The folder is the machine's own affair.
        told = [plain(line.replace(f"{folder}/", "").removeprefix(_PREFIX), 500) for line in said.splitlines()]
        kept = tuple(line for line in told if line.strip())[-40:]
        if done.returncode != 0 or not target.is_file():
            shutil.rmtree(folder, ignore_errors=True)
            return Made("", "", None, kept or (f"It ended with code {done.returncode} and said nothing.",))
        made = Made(secrets.token_urlsafe(18), target.name, target, kept)
        with self._lock:
            self._made[made.token] = made
            for token in list(self._made)[:-MOST_KEPT]:
                old = self._made.pop(token).path
                if old is not None:
                    shutil.rmtree(old.parent, ignore_errors=True)
        return made

    def _folder(self) -> Path:
        try:
            with self._lock:
                if self._root is None:
                    self._root = Path(tempfile.mkdtemp(prefix="benchwarden-invoice-"))
                    # Customers' invoices do not stay on the disk of the bench machine.
                    weakref.finalize(self, shutil.rmtree, self._root, True)
                return Path(tempfile.mkdtemp(dir=self._root))
        except OSError as error:
            raise RecordError(f"invoice: no folder can be made for it ({error.strerror})") from error
