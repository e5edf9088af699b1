"""Is a board's commissioning still good for what is on the bench now? What to remind the person of."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

DEFAULT_INTERVAL_DAYS = 180
LEAST_DAYS, MOST_DAYS = 1, 3650
AGAIN = "Run `benchwarden commission`."


def reminders(
    records: Sequence[dict[str, Any]], board: dict[str, Any], interval_days: int, now_utc: str
) -> tuple[str, ...]:
    """Return what a person should know before trusting the board, in sentences; nothing when all is well.

    Args:
        records: the board's commissioning sheets (core.commissioning.Sheet.table), oldest first.
        board: its facts now (link.messages.Hello.facts).
        interval_days: after how many days the user wants it commissioned again.
        now_utc: ISO form; where it cannot be read the age is not judged.
    """
    whole = [i for i, record in enumerate(records) if record["complete"]]
    if not whole:
        tried = f" Only some of the tests were done, on {_day(records[-1])}." if records else ""
        return (
            "This board was never commissioned: nobody has proven that it trips, nor that left is left: "
            f"a run cannot tell output modules that sit on each other's channel.{tried} {AGAIN}",
        )
    last = records[whole[-1]]
    if last["verdict"] != "pass":
        return (f"This board did not pass its last commissioning, on {_day(last)}: {_not_passed(last)}. {AGAIN}",)
    found = [
        f"A test failed after the last commissioning, on {_day(later)}: {_not_passed(later)}. {AGAIN}"
        for later in records[whole[-1] + 1 :]
        if later["verdict"] == "fail"
    ]
    then = last["board"]
    for key, name in (("fw", "firmware version"), ("program", "installed program"), ("cal_crc", "calibration record")):
        was, now = str(then.get(key, "")), str(board.get(key, ""))
        if was != now:
            found.append(
                f"Commissioned on {_day(last)} with {name} {was or 'none'}, now it has {now or 'none'}. {AGAIN}"
            )
    old = _overdue(last, interval_days, now_utc)
    if old:
        found.append(old)
    return tuple(found)


def _day(record: dict[str, Any]) -> str:
    return str(record["ended_at_utc"])[:10]


def _not_passed(record: dict[str, Any]) -> str:
    names = [str(result["test"]) for result in record["results"] if result["verdict"] != "pass"]
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


def _overdue(record: dict[str, Any], interval_days: int, now_utc: str) -> str:
    then, now = _time(str(record["ended_at_utc"])), _time(now_utc)
    if then is None or now is None:
        return f"The date of the last commissioning ({record['ended_at_utc']!r}) cannot be read. {AGAIN}"
    if now < then:
        return f"The last commissioning, on {_day(record)}, lies in the future: the clock is wrong, then or now."
    if now - then > timedelta(days=interval_days):
        age = (now - then).days
        return f"The last commissioning is {age} days old ({_day(record)}), due every {interval_days} days. {AGAIN}"
    return ""


def _time(label: str) -> datetime | None:
    try:
        at = datetime.fromisoformat(label.replace("Z", "+00:00"))
    except ValueError:
        return None
    return at.replace(tzinfo=UTC) if at.tzinfo is None else at
