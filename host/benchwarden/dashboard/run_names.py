"""Which runs are there, and which folder does a name from a browser mean?"""

from __future__ import annotations

import os
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
    return sorted((name for name in _entries(runs) if _is_run(runs / name)), reverse=True)


def run_folder(runs: Path, name: str) -> Path:
    """Return the folder of a run by its plain name.

    Raises:
        RecordError: no run folder in `runs` has exactly this name.
    """
    # An entry of a folder is never a path: nothing outside can be named.
    if name not in _entries(runs) or not _is_run(runs / name):
        raise RecordError("there is no run of this name here")
    return runs / name


def _entries(runs: Path) -> list[str]:
    try:
        return os.listdir(runs)
    except OSError:
        return []


def _is_run(path: Path) -> bool:
    if path.is_symlink() or not path.is_dir():
        return False
    return bool(_STAMP.match(path.name)) or any((path / name).exists() for name in (JOURNAL, STATUS, LOCK_NAME))
