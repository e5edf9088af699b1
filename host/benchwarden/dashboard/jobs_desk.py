"""What the parts of the jobs page share: the store, how it stands, and words for people."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote

from benchwarden.dashboard.context import Context
from benchwarden.dashboard.jobs_invoice import InvoiceDesk
from benchwarden.dashboard.jobs_work import Works
from benchwarden.dashboard.runs_list import RunsList
from benchwarden.dashboard.status import plain
from benchwarden.errors import BenchwardenError
from benchwarden.jobs.address import FILE_NAME, read_address
from benchwarden.jobs.store import JobStore, open_store
from benchwarden.record.unit_store import UnitStore

# Who is written into the history where nobody gave a name.
NOBODY = "bench page"
TEXT_ROOM = 20_000


@dataclass(frozen=True)
class Desk:
    """What the callbacks of this page share."""

    context: Context
    units: UnitStore
    runs: RunsList
    works: Works
    invoices: InvoiceDesk

    @property
    def address(self) -> str:
        return self.context.folders.jobs

    def store(self, *, create: bool = False) -> JobStore:
        """Return the store, opened anew: one that was moved or put back is seen at once.

        Raises:
            RecordError: it cannot be opened.
        """
        return open_store(self.address, create=create, clock=self.context.clock)

    def is_new(self) -> bool:
        """Return True where no job was ever kept at the store's place, or its file was moved away."""
        try:
            folder = read_address(self.address).folder
        except BenchwardenError:
            return False
        return folder is not None and not (folder / FILE_NAME).exists()

    def name(self) -> str:
        """Return how to call the store in words; never with a password."""
        try:
            return read_address(self.address).name
        except BenchwardenError:
            return "the job store"


def sentence(error: Exception | str) -> str:
    """Return an error as a sentence, cleaned."""
    text = plain(str(error))
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?", "…")) else ".")


def lines(text: str) -> str:
    """Return text of several lines, safe to lay out; long ones are cut."""
    return "\n".join(plain(line, TEXT_ROOM) for line in str(text)[:TEXT_ROOM].splitlines())


def day(utc: str) -> str:
    """Return a UTC label as date and minutes."""
    return plain(utc, 40).replace("T", " ")[:16]


def job_href(number: str, page: str = "/jobs/") -> str:
    """Return the address of a job on one of the pages."""
    return f"{page}?job={quote(number, safe='')}"
