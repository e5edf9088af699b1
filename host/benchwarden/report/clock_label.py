"""Which date does a record carry? Run time is the board's; the wall clock is a label, and may be wrong."""

from __future__ import annotations

from datetime import UTC, datetime

from benchwarden.report.wording import ENGLISH, Wording

# No board of this design existed before: a clock that says so was never set.
_EARLIEST = datetime(2020, 1, 1, tzinfo=UTC)
# A clock may be put right by a little while a run is going on.
_SLACK_S = 120.0


def instant(label: str) -> datetime | None:
    """Return an ISO time label with a zone (UTC where it has none), None where it is none."""
    try:
        at = datetime.fromisoformat(label.replace("Z", "+00:00"))
        return at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def date_words(label: str, say: Wording = ENGLISH) -> str:
    """Return an ISO time label as a date in words; anything else as it is."""
    at = instant(label)
    if at is None:
        return label
    try:
        return say.date(at)
    except (ValueError, OverflowError):
        return label


def day_words(label: str, say: Wording = ENGLISH) -> str:
    """Return the day of an ISO time label in words; anything else as it is."""
    at = instant(label)
    try:
        return label if at is None else say.day(at)
    except (ValueError, OverflowError):
        return label


def is_unreliable(started: str, ended: str, run_s: float, virtual: bool) -> bool:
    """Return whether the labels contradict each other or the board's time.

    Args:
        started, ended: ISO labels, "" where there is none.
        run_s: length of the record by the board's clock, NaN where not known.
        virtual: the virtual bench may run faster than the wall.
    """
    first, last = instant(started), instant(ended)
    if first is not None and first < _EARLIEST:
        return True
    if first is None or last is None:
        return False
    between_s = (last - first).total_seconds()
    return between_s < 0 or (not virtual and between_s < run_s - _SLACK_S)
