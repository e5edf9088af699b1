"""Where things are kept unless told otherwise, and what every command says first."""

from __future__ import annotations

import os
from pathlib import Path

from benchwarden.record import board_records

__all__ = [
    "CAUTION",
    "DEFAULT_RECORDS",
    "DEFAULT_RUNS",
    "DEFAULT_UNITS",
    "EXIT_ERROR",
    "JOBS_VARIABLE",
    "job_store_address",
]

EXIT_ERROR = 2
DEFAULT_RECORDS = board_records.DEFAULT
DEFAULT_RUNS = Path("benchwarden-runs")
DEFAULT_UNITS = Path("benchwarden-units")
DEFAULT_JOBS = "benchwarden-jobs"
JOBS_VARIABLE = "BENCHWARDEN_JOBS"
CAUTION = (
    "Not a certified protective device. Mains can kill; reservoir capacitors stay charged after switch-off.\n"
    "Work on mains equipment is for people licensed for it where local codes say so."
)


def job_store_address(given: str | None) -> str:
    """Return the address of the job store: as given, else of the environment, else the usual folder."""
    return given or os.environ.get(JOBS_VARIABLE) or DEFAULT_JOBS
