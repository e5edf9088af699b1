"""The small status file of a run, replaced atomically: what is true now, for the views."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from benchwarden.errors import RecordError

NAME = "status.json"


def write_summary(run_dir: Path, summary: dict[str, Any], durable: bool = False) -> None:
    """Replace the status file; a reader sees the old one or the new one, never half.

    Args:
        durable: also force file and folder to disk (stage changes, trips).

    Raises:
        RecordError: the folder is gone or full.
    """
    target = run_dir / NAME
    scratch = run_dir / (NAME + ".new")
    try:
        with open(scratch, "w", encoding="utf-8") as out:
            json.dump(summary, out, allow_nan=True)
            if durable:
                out.flush()
                os.fsync(out.fileno())
        os.replace(scratch, target)
        if durable and os.name == "posix":
            folder = os.open(run_dir, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
    except OSError as error:
        raise RecordError(f"{target}: status cannot be written ({error.strerror})") from error


def read_summary(run_dir: Path) -> dict[str, Any]:
    """Return the status as last written.

    Raises:
        RecordError: there is none, or it is not a status file.
    """
    path = run_dir / NAME
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise RecordError(f"{path}: no status of a run here ({error.strerror})") from error
    except ValueError as error:
        raise RecordError(f"{path}: not a status file: {error}") from error
    if not isinstance(found, dict):
        raise RecordError(f"{path}: not a status file")
    return found
