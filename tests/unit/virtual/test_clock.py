"""Virtual time: moved only by those who spend it, events in order, ticks as MicroPython has them.

Ticks: docs.micropython.org, `time` (ticks wrap at an implementation's period;
ticks_diff is right within half of it); 2^30 is the rp2 port's period.
"""

from __future__ import annotations

import pytest

from benchwarden.virtual.clock import TICKS_CALL_US, VirtualClock


def test_events_run_in_the_order_they_are_due_and_see_their_own_instant() -> None:
    clock = VirtualClock()
    seen: list[tuple[str, int]] = []
    for name, due in (("late", 900), ("early", 100), ("also early", 100)):
        clock.at(due, lambda name=name: seen.append((name, clock.now_us)))
    clock.advance(50)
    assert seen == []
    clock.advance(950)
    assert seen == [("early", 100), ("also early", 100), ("late", 900)]
    assert clock.now_us == 1000


def test_an_event_may_plan_the_next_one_within_the_same_step() -> None:
    clock = VirtualClock()
    ticks: list[int] = []

    def again() -> None:
        ticks.append(clock.now_us)
        clock.at(clock.now_us + 10, again)

    clock.at(10, again)
    clock.advance(45)
    assert ticks == [10, 20, 30, 40]


def test_time_stands_at_the_event_that_raises() -> None:
    clock = VirtualClock()

    def fail() -> None:
        raise RuntimeError

    clock.at(300, fail)
    with pytest.raises(RuntimeError):
        clock.sleep_us(1000)
    assert clock.now_us == 300


def test_asking_for_the_time_takes_time() -> None:
    # A loop that waits by polling the clock must come to an end.
    clock = VirtualClock()
    start = clock.ticks_us()
    asked = 1
    while clock.ticks_diff(clock.ticks_us(), start) < 1000:
        asked += 1
    assert asked == 1000 // TICKS_CALL_US


def test_ticks_wrap_at_2_to_the_30_and_differences_do_not() -> None:
    clock = VirtualClock(origin_us=(1 << 30) - 500)
    before = clock.ticks_us()
    clock.sleep_us(1000)
    after = clock.ticks_us()
    assert after < before
    assert clock.ticks_diff(after, before) == 1000 + TICKS_CALL_US
    assert clock.ticks_diff(before, after) == -1000 - TICKS_CALL_US
    assert clock.ticks_add(before, 1000 + TICKS_CALL_US) == after
