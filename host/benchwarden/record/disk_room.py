"""How much recording fits on the disk?"""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path

# Measured on 2026-11-29 with tests/bench_memory.py --hours 1: 50.7 bytes a frame in the journal, ten frames a second.
JOURNAL_BYTES_PER_HOUR = 1.83e6
# The recording that is exported beside it when a run ends: the same frames through
# record.recording.row_lines, 341 bytes a row.
EXPORT_BYTES_PER_HOUR = 12.3e6


@dataclass(frozen=True)
class Room:
    """Free space where a folder is.

    Attributes:
        hours: of recording that fit, the recording exported at the end of the run included.
    """

    free_bytes: int
    hours: float


def room(folder: Path) -> Room:
    """Return the room on the disk of a folder that need not exist yet.

    Raises:
        OSError: it cannot be told.
    """
    place = folder.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    free = shutil.disk_usage(os.fspath(place)).free
    return Room(free, free / (JOURNAL_BYTES_PER_HOUR + EXPORT_BYTES_PER_HOUR))
