"""A run's folder as the writer holds it: one writer at a time, and some disk kept in reserve."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from benchwarden.errors import RecordError

LOCK_NAME = "journal.lock"
RESERVE_NAME = "journal.reserve"
RESERVE_BYTES = 1 << 20


def make_reserve(run_dir: Path) -> None:
    """Put a file on the disk that can be given up when the disk is full."""
    # Written, not only sized: a sparse file reserves nothing. Random bytes, or
    # a compressing file system would keep nothing in reserve either.
    with open(run_dir / RESERVE_NAME, "wb") as out:
        out.write(os.urandom(RESERVE_BYTES))
        out.flush()
        os.fsync(out.fileno())


def sync_folder(folder: Path) -> None:
    """Force the names in a folder to disk."""
    if os.name == "posix":
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)


def lock(run_dir: Path) -> int:
    """Hold the run's lock file; the system lets go of it when the process ends, however it ends.

    Raises:
        RecordError: another program holds it.
    """
    fd = os.open(run_dir / LOCK_NAME, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(fd)
        raise RecordError(f"{run_dir}: another program is writing this run") from error
    return fd


def unlock(fd: int) -> None:
    """Let go of what `lock` returned."""
    os.close(fd)
