"""Reminders before a board is trusted: never, not passed, partial, old, changed."""

from __future__ import annotations

from typing import Any

import pytest

from benchwarden.core.commissioned import reminders

BOARD = {"board": "e66138", "fw": "0.1.0", "program": "0123456789abcdef", "cal_crc": "0badcafe"}
NOW = "2026-11-25T12:00:00Z"


def sheet(day: str = "2026-10-01", verdict: str = "pass", complete: bool = True, **board: str) -> dict[str, Any]:
    failed = [] if verdict == "pass" else [{"test": "loop", "verdict": "fail"}]
    return {
        "verdict": verdict,
        "complete": complete,
        "ended_at_utc": f"{day}T10:00:00Z",
        "board": {**BOARD, **board},
        "results": [{"test": "self-test", "verdict": "pass"}, *failed],
    }


def test_a_good_commissioning_needs_no_word() -> None:
    assert reminders([sheet()], BOARD, 180, NOW) == ()


def test_a_board_that_was_never_commissioned_is_told() -> None:
    (said,) = reminders([], BOARD, 180, NOW)
    assert said.startswith("This board was never commissioned")
    (said,) = reminders([sheet(verdict="incomplete", complete=False)], BOARD, 180, NOW)
    assert "never commissioned" in said
    assert "Only some of the tests were done, on 2026-10-01" in said


@pytest.mark.parametrize("verdict", ["fail", "incomplete"])
def test_the_last_whole_one_counts_passed_or_not(verdict: str) -> None:
    (said,) = reminders([sheet(), sheet("2026-11-01", verdict)], BOARD, 180, NOW)
    assert said.startswith("This board did not pass its last commissioning, on 2026-11-01: loop.")
    assert reminders([sheet("2026-09-01", verdict), sheet()], BOARD, 180, NOW) == ()


def test_a_partial_one_neither_renews_nor_hides_a_failure() -> None:
    old = sheet("2026-01-01")
    (said,) = reminders([old, sheet("2026-11-20", "incomplete", complete=False)], BOARD, 180, NOW)
    assert "328 days old (2026-01-01), due every 180 days" in said
    (said,) = reminders([sheet(), sheet("2026-11-20", "fail", complete=False)], BOARD, 180, NOW)
    assert said.startswith("A test failed after the last commissioning, on 2026-11-20: loop.")


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("fw", "firmware version 0.0.9, now it has 0.1.0"),
        ("program", "installed program 0.0.9, now it has 0123456789abcdef"),
        ("cal_crc", "calibration record 0.0.9, now it has 0badcafe"),
    ],
)
def test_what_changed_since_is_named(key: str, words: str) -> None:
    (said,) = reminders([sheet(**{key: "0.0.9"})], BOARD, 180, NOW)
    assert words in said
    (said,) = reminders([sheet(**{key: ""})], BOARD, 180, NOW)
    assert "none, now it has" in said


@pytest.mark.parametrize(("days", "due"), [(55, False), (54, True)])
def test_the_interval_is_the_users(days: int, due: bool) -> None:
    # 1 October 10:00 to 25 November 12:00 is 55 days and two hours.
    assert bool(reminders([sheet("2026-10-01")], BOARD, days, "2026-11-25T10:00:00Z")) is due


def test_dates_that_cannot_be_are_told() -> None:
    (said,) = reminders([sheet("2027-01-01")], BOARD, 180, NOW)
    assert "lies in the future" in said
    (said,) = reminders([sheet("some day")], BOARD, 180, NOW)
    assert "cannot be read" in said
