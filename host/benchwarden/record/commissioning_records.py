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
    known, unread = sheets(BoardRecords(root, str(board["board"])))
    said += unread
    return (*said, *reminders(known, board, days, now_utc))


def sheets(records: BoardRecords) -> tuple[list[dict[str, Any]], list[str]]:
    """Return a board's commissioning sheets, oldest first, and a sentence for each file that is none."""
    found, damaged = records.read(KIND)
    said = [f"A commissioning sheet cannot be read: {words}." for words in damaged]
    known = [record for record in found if _is_sheet(record)]
    said += [
        f"A commissioning sheet is of another form than this program reads: {record['path']}."
        for record in found
        if record not in known
    ]
    return known, said


def _is_sheet(record: dict[str, Any]) -> bool:
    if record.get("format") != SHEET_FORMAT or not set(record) >= _NEEDED:
        return False
    results = record["results"]
    return (
        isinstance(record["board"], dict)
        and isinstance(results, list)
        and all(isinstance(result, dict) and {"test", "verdict"} <= set(result) for result in results)
    )
