"""The wall clock is a label: one that contradicts itself or the board is called unreliable."""

from __future__ import annotations

import math

import pytest

from benchwarden.report.clock_label import date_words, day_words, instant, is_unreliable
from benchwarden.report.wording import wording


@pytest.mark.parametrize(
    ("started", "ended", "run_s", "virtual", "wrong"),
    [
        ("2026-03-14T09:00:00Z", "2026-03-14T10:00:00Z", 3600.0, False, False),
        ("2026-03-14T10:00:00Z", "2026-03-14T09:00:00Z", 3600.0, False, True),  # end before start
        ("2026-03-14T10:00:00Z", "2026-03-14T09:00:00Z", 3600.0, True, True),
        ("2026-03-14T09:00:00Z", "2026-03-14T09:10:00Z", 3600.0, False, True),  # shorter than the board's time
        ("2026-03-14T09:00:00Z", "2026-03-14T09:10:00Z", 3600.0, True, False),  # the virtual bench may run faster
        ("2026-03-14T09:00:00+02:00", "2026-03-14T08:00:00Z", 3600.0, False, False),
        ("1970-01-01T00:00:12Z", "", 3600.0, False, True),  # a clock that was never set
        ("", "", 3600.0, False, False),
        ("yesterday", "2026-03-14T09:10:00Z", 3600.0, False, False),
        ("2026-03-14T09:00:00Z", "2026-03-14T09:10:00Z", math.nan, False, False),
    ],
)
def test_contradictions(started: str, ended: str, run_s: float, virtual: bool, wrong: bool) -> None:
    assert is_unreliable(started, ended, run_s, virtual) is wrong


@pytest.mark.parametrize("label", ["", "x" * 5000, "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00", "\u202e"])
def test_a_label_that_is_no_date_is_printed_as_it_is(label: str) -> None:
    assert date_words(label) == label
    assert day_words(label) == label
    assert instant(label) is None


def test_the_last_moment_that_can_be_written() -> None:
    label = "9999-12-31T23:59:59Z"
    assert date_words(label, wording("de", time_zone="Asia/Tokyo")) == label
    assert day_words(label) == "31 December 9999"
