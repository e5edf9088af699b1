"""What a records folder says of a board's commissioning: reminders before it is trusted."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from benchwarden.core.commissioned import DEFAULT_INTERVAL_DAYS, reminders
from benchwarden.core.commissioning import SHEET_FORMAT
from benchwarden.errors import PlanError
from benchwarden.record.board_records import BoardRecords
from benchwarden.record.records_settings import interval_days

KIND = "commissioning"
_NEEDED = {"verdict", "complete", "ended_at_utc", "board", "results"}


def commissioning_reminders(root: Path, board: dict[str, Any], now_utc: str) -> tuple[str, ...]:
    """Return what a person should know of this board's commissioning, in sentences; nothing when all is well.

    Never raises for what the folder holds: a file that cannot be read is a
    sentence too.

    Args:
        board: facts of the board now (link.messages.Hello.facts).
    """
    said: list[str] = []
    try:
        days = interval_days(root)
    except PlanError as error:
        days = DEFAULT_INTERVAL_DAYS
        said.append(f"The commissioning interval cannot be read, {days} days are taken: {error}.")
    records, damaged = BoardRecords(root, str(board["board"])).read(KIND)
    said += [f"A commissioning sheet cannot be read: {words}." for words in damaged]
    known = [record for record in records if record.get("format") == SHEET_FORMAT and set(record) >= _NEEDED]
    said += [
        f"A commissioning sheet is of another form than this program reads: {record['path']}."
        for record in records
        if record not in known
    ]
    return (*said, *reminders(known, board, days, now_utc))
