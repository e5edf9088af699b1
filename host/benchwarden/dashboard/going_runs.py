"""Which runs are going on, by what their status files say?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from benchwarden.dashboard.status import Status, parse
from benchwarden.errors import RecordError
from benchwarden.record.summary import NAME as STATUS_NAME
from benchwarden.record.summary import read_summary

# A supervisor writes ten times a second; one that is held up by a slow disk is still going on.
FRESH_S = 10.0


def going_runs(folders: Iterable[Path], now_s: float) -> Iterator[tuple[Path, Status]]:
    """Yield the runs among `folders` whose status is fresh and does not say that they ended.

    One whose status is old counts as gone: its program has died or hangs, and the board
    has opened the relay by itself.

    Args:
        now_s: seconds on the clock that stamps files.
    """
    for folder in folders:
        try:
            if now_s - (folder / STATUS_NAME).stat().st_mtime >= FRESH_S:
                continue
            status = parse(read_summary(folder))
        except (OSError, RecordError):
            continue
        if not status.ended:
            yield folder, status
