"""What is live, what is old, and what two presses must be."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import fake_run
import pytest

from benchwarden.dashboard import words
from benchwarden.dashboard.confirm import Announced, TwoStep
from benchwarden.dashboard.feed import Feed
from benchwarden.errors import RecordError, StageError
from benchwarden.record.inbox import take_requests
from benchwarden.record.summary import NAME

Write = Callable[[dict[str, Any]], None]


@pytest.fixture
def feed(tmp_path: Path, clock: Any) -> Feed:
    return Feed(tmp_path, clock, clock.wall_s)


def kinds(feed: Feed) -> list[str]:
    return [alarm.kind for alarm in words.alarms(feed.snapshot())]


def test_waits_for_a_run_and_picks_it_up(feed: Feed, write: Write) -> None:
    assert feed.snapshot().status is None
    assert "no status of a run" in feed.snapshot().problem
    write(fake_run.fresh("holding"))
    assert feed.snapshot().status is not None


def test_half_written_status_keeps_the_last_good_one(feed: Feed, write: Write, tmp_path: Path) -> None:
    write(fake_run.fresh("holding"))
    feed.snapshot()
    (tmp_path / NAME).write_text('{"phase": "hol', encoding="utf-8")
    now = feed.snapshot()
    assert now.status is not None
    assert "not a status file" in now.problem


def test_silence_is_told_with_its_length(feed: Feed, write: Write, clock: Any) -> None:
    write(fake_run.fresh("holding"))
    assert kinds(feed) == []
    clock.now_s += 0.7
    assert kinds(feed) == []
    clock.now_s += 2.3
    assert kinds(feed) == ["stale"]
    assert "LAST DATA 3 s AGO" in words.alarms(feed.snapshot())[0].text


def test_age_is_right_when_nobody_looked_for_a_while(feed: Feed, write: Write, clock: Any) -> None:
    write(fake_run.fresh("holding"))
    feed.snapshot()
    clock.now_s += 10
    write(fake_run.status("holding", 3, t_s=110.0))
    clock.now_s += 50
    assert feed.snapshot().age_s == pytest.approx(50.0, abs=0.01)


def test_page_opened_on_an_old_file_does_not_call_it_live(feed: Feed, write: Write, clock: Any) -> None:
    write(fake_run.fresh("holding"))
    clock.now_s += 3600
    assert feed.snapshot().stale


def test_wall_clock_jumps_do_not_age_the_data(feed: Feed, write: Write, tmp_path: Path, clock: Any) -> None:
    write(fake_run.fresh("holding"))
    feed.snapshot()
    clock.now_s += 0.1
    write(fake_run.status("holding", 3, t_s=100.1))
    os.utime(tmp_path / NAME, (clock.wall_s() - 7200, clock.wall_s() - 7200))
    assert feed.snapshot().age_s <= 0.11


def test_program_alive_but_board_time_standing_is_stale(feed: Feed, write: Write, clock: Any) -> None:
    for _ in range(12):
        write(fake_run.fresh("holding"))
        feed.snapshot()
        clock.now_s += 0.1
    assert kinds(feed) == ["stale"]


def test_ended_run_is_not_stale(feed: Feed, write: Write, clock: Any) -> None:
    write(fake_run.fresh("finished"))
    clock.now_s += 3600
    assert kinds(feed) == []


def test_link_lost_is_told_and_makes_the_relay_last_known(feed: Feed, write: Write) -> None:
    write(fake_run.fresh("link-lost"))
    assert kinds(feed) == ["link"]
    assert feed.snapshot().last_known


def test_relay_disagreement_is_shouted_once_it_outlasts_the_relay(feed: Feed, write: Write, clock: Any) -> None:
    table = fake_run.fresh("disagree")
    table["relay"].update(state="closed", cause="none")
    for step in range(4):
        table["t_s"] = 100.0 + step / 10
        write(table)
        found = kinds(feed)
        clock.now_s += 0.1
    assert found == ["relay"]
    assert "contact reads CLOSED but the board commands OPEN" in words.alarms(feed.snapshot())[0].text
    table["relay"]["contact"] = False
    write(table)
    assert kinds(feed) == []


def test_two_presses_leave_one_confirmation(feed: Feed, write: Write, tmp_path: Path, clock: Any) -> None:
    two = TwoStep(feed, clock)
    write(fake_run.fresh("confirm"))
    announced = two.first(7, "test")
    assert announced is not None
    assert take_requests(tmp_path) == []
    clock.now_s += 0.6
    two.second(announced, "test")
    asked = take_requests(tmp_path)
    assert [(request.action, request.prompt_id, request.by) for request in asked] == [("confirm", 7, "test")]
    assert feed.snapshot().confirm_sent
    with pytest.raises(StageError, match="first button again"):
        two.second(announced, "test")


@pytest.mark.parametrize(
    ("wait_s", "change", "said"),
    [
        (0.1, {}, "two presses came as one"),
        (16.0, {}, "start again"),
        (0.6, {"id": 8}, "prompt is gone"),
        (0.6, {"ask": "watch"}, "prompt is gone"),
    ],
)
def test_second_press_is_refused(
    feed: Feed, write: Write, tmp_path: Path, clock: Any, wait_s: float, change: dict[str, Any], said: str
) -> None:
    two = TwoStep(feed, clock)
    table = fake_run.fresh("confirm")
    write(table)
    announced = two.first(7, "test")
    assert announced is not None
    clock.now_s += wait_s
    table["prompt"].update(change)
    table["t_s"] += wait_s
    write(table)
    with pytest.raises(StageError, match=said):
        two.second(announced, "test")
    assert take_requests(tmp_path) == []


def test_old_data_confirms_nothing(feed: Feed, write: Write, tmp_path: Path, clock: Any) -> None:
    two = TwoStep(feed, clock)
    write(fake_run.fresh("confirm"))
    feed.snapshot()
    clock.now_s += 2
    with pytest.raises(StageError, match="2 s old"):
        two.first(7, "test")
    assert take_requests(tmp_path) == []


def test_made_up_ticket_is_refused(feed: Feed, write: Write, clock: Any) -> None:
    write(fake_run.fresh("confirm"))
    with pytest.raises(StageError):
        TwoStep(feed, clock).second(Announced(7, "0" * 16), "test")


def test_what_lessens_no_protection_needs_one_press(feed: Feed, write: Write, tmp_path: Path, clock: Any) -> None:
    write(fake_run.fresh("tripped"))
    assert TwoStep(feed, clock).first(7, "test") is None
    assert [request.action for request in take_requests(tmp_path)] == ["confirm"]


def test_unanswered_confirmation_brings_the_button_back(feed: Feed, write: Write, clock: Any) -> None:
    write(fake_run.fresh("confirm"))
    feed.ask("confirm", "test", 7)
    assert feed.snapshot().confirm_sent
    clock.now_s += 4
    assert not feed.snapshot().confirm_sent


def test_request_that_cannot_be_left_says_so(tmp_path: Path, clock: Any) -> None:
    with pytest.raises(RecordError):
        Feed(tmp_path / "gone", clock).ask("open", "test")
