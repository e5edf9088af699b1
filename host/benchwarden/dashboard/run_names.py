"""Which runs are there, and which folder does a name from a browser mean?"""

from __future__ import annotations

import re
from pathlib import Path

from benchwarden.errors import RecordError
from benchwarden.record.journal_format import NAME as JOURNAL
from benchwarden.record.run_folder import LOCK_NAME
from benchwarden.record.summary import NAME as STATUS

# A run's folder begins with the time of its start.
_STAMP = re.compile(r"\d{8}T\d{6}Z")


def run_names(runs: Path) -> list[str]:
    """Return the names of the run folders, newest first; also of those that are half made."""
    try:
        found = [path for path in runs.iterdir() if path.is_dir() and not path.is_symlink()]
    except OSError:
        return []
    return sorted((path.name for path in found if _is_run(path)), reverse=True)


def _is_run(path: Path) -> bool:
    return bool(_STAMP.match(path.name)) or any((path / name).exists() for name in (JOURNAL, STATUS, LOCK_NAME))


def run_folder(runs: Path, name: str) -> Path:
    """Return the folder of a run by its plain name.

    Raises:
        RecordError: no run folder in `runs` has exactly this name.
    """
    if name not in run_names(runs):
        raise RecordError("there is no run of this name here")
    return runs / name
