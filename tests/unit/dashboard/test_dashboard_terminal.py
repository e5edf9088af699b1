"""The terminal view: every state on 80 columns, its keys, plain lines, a real terminal."""

from __future__ import annotations

import io
import os
import re
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import fake_run
import pytest
from rich.console import Console

from benchwarden.core.channels import CHANNEL
from benchwarden.dashboard.confirm import TwoStep
from benchwarden.dashboard.feed import Feed
from benchwarden.dashboard.terminal import View, told, watch
from benchwarden.record.inbox import take_requests

Write = Callable[[dict[str, Any]], None]


@pytest.fixture
def feed(tmp_path: Path, clock: Any) -> Feed:
    return Feed(tmp_path, clock, clock.wall_s)


@pytest.fixture
def view(feed: Feed, clock: Any) -> View:
    return View(feed, TwoStep(feed, clock))


def screen(view: View, width: int = 80, height: int = 24) -> list[str]:
    out = io.StringIO()
    Console(file=out, width=width, height=height, highlight=False, markup=False, emoji=False).print(
        view.drawn(width, height)
    )
    return out.getvalue().splitlines()


@pytest.mark.parametrize("name", list(fake_run.states()))
@pytest.mark.parametrize(("width", "height"), [(80, 24), (60, 24), (140, 50)])
def test_every_state_fits(view: View, write: Write, name: str, width: int, height: int) -> None:
    write(fake_run.fresh(name))
    lines = screen(view, width, height)
    assert len(lines) <= height or name == "hostile"
    assert all(len(line) <= width for line in lines)
    text = "\n".join(lines)
    assert "RELAY" in text
    assert "o open relay NOW" in text
    assert "Mains can kill" in text
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_healthy_state_shows_every_channel(view: View, write: Write) -> None:
    write(fake_run.fresh("near"))
    text = "\n".join(screen(view))
    for channel in CHANNEL.values():
        assert channel.label in text
    assert "!! HF level, left" in text
    assert "PEAK ABOVE LIMIT: 2.40 V" in text


def test_too_few_lines_drop_what_is_well(view: View, write: Write) -> None:
    write(fake_run.fresh("near"))
    text = "\n".join(screen(view, 80, 14))
    assert "PEAK ABOVE LIMIT" in text
    assert "near limit" in text
    assert "Ambient" not in text


def test_virtual_bench_is_named(view: View, write: Write) -> None:
    write(fake_run.fresh("settling"))
    assert "VIRTUAL BENCH, not a measurement" in "\n".join(screen(view))


@pytest.mark.parametrize(
    ("board", "words"),
    [
        ({"cal": "uncalibrated", "calibration": {"state": "uncalibrated"}}, "Board: uncalibrated"),
        ({"cal": "calibration overdue since 2026-01-01"}, "Board: calibration overdue since 2026-01-01"),
        (
            {"cal": "uncalibrated; slot a: record of another board (e66138528361ab2c); slot b: damaged"},
            "Board: uncalibrated; slot a: record of another board (e66138528361ab2c); slot b: damaged",
        ),
        ({"commissioning": ["This board was never commissioned."]}, "This board was never commissioned."),
        (
            {"selftest": {"ok": False, "parts": {"program": "guard.py changed"}}},
            "Board: SELF-TEST FAILED: program: guard.py changed",
        ),
    ],
)
def test_a_board_not_to_be_trusted_is_told(
    view: View, feed: Feed, write: Write, board: dict[str, Any], words: str
) -> None:
    table = fake_run.fresh("settling")
    write({**table, "board": {**table["board"], **board}})
    assert words in " ".join(" ".join(line.strip() for line in screen(view, 60, 40)).split())
    assert words in told(feed.snapshot())


def test_a_sound_board_takes_no_line(view: View, feed: Feed, write: Write) -> None:
    table = fake_run.fresh("settling")
    sound = {"cal": "calibrated 2026-11-25, due 2027-11-25", "calibration": {"state": "calibrated"}}
    write({**table, "board": {**table["board"], **sound}})
    assert not [line for line in (*screen(view), *told(feed.snapshot())) if line.startswith("Board:")]


def test_a_run_that_never_began_says_why(view: View, feed: Feed, write: Write) -> None:
    why = "Self-test of the board failed: rail_pos: does not answer at 0x40."
    write({**fake_run.fresh("settling"), "phase": "aborted", "stage_index": -1, "why": why})
    assert why in "\n".join(screen(view))
    assert why in told(feed.snapshot())


def test_o_asks_to_open_at_once(view: View, write: Write, tmp_path: Path) -> None:
    write(fake_run.fresh("holding"))
    view.press("o")
    assert [(request.action, request.by) for request in take_requests(tmp_path)] == [("open", "terminal")]
    assert "Contact still reads CLOSED" in "\n".join(screen(view))
    write(fake_run.fresh("confirm"))
    assert "Contact reads OPEN" in "\n".join(screen(view))


def test_c_twice_confirms_and_says_before_what_will_happen(
    view: View, write: Write, tmp_path: Path, clock: Any
) -> None:
    write(fake_run.fresh("confirm"))
    view.press("c")
    assert take_requests(tmp_path) == []
    assert "put mains on the amplifier at 50 % mains, limiter lamp in circuit" in view.said
    clock.now_s += 0.6
    view.press("c")
    assert [(request.action, request.prompt_id) for request in take_requests(tmp_path)] == [("confirm", 7)]


def test_bouncing_c_and_o_between_confirm_nothing(view: View, write: Write, tmp_path: Path, clock: Any) -> None:
    write(fake_run.fresh("confirm"))
    view.press("c")
    view.press("c")
    assert "two presses came as one" in view.said
    view.press("c")
    clock.now_s += 0.5
    view.press("o")
    view.press("c")
    assert [request.action for request in take_requests(tmp_path)] == ["open"]


def test_o_that_cannot_be_left_says_use_the_emergency_stop(view: View, write: Write, tmp_path: Path) -> None:
    write(fake_run.fresh("holding"))
    tmp_path.joinpath("inbox").write_text("in the way", encoding="utf-8")
    view.press("o")
    assert "emergency stop" in view.said


def test_without_a_terminal_lines_are_printed_until_the_end(tmp_path: Path, write: Write, clock: Any) -> None:
    steps = ["confirm", "holding", "holding", "near", "tripped", "finished"]
    out = io.StringIO()

    class Stepping:
        """Each wait brings the next state."""

        def monotonic_s(self) -> float:
            return float(clock.monotonic_s())

        def utc_label(self) -> str:
            return ""

        def sleep(self, seconds: float) -> None:
            clock.now_s += seconds
            write(fake_run.fresh(steps.pop(0)))

    watch(tmp_path, out=out, keys=io.StringIO(), clock=Stepping())
    lines = out.getvalue().splitlines()
    assert lines[0] == "waiting for a run to start here"
    assert sum("Holding" in line for line in lines) == 1
    assert any("TO DO: Set the variable transformer" in line for line in lines)
    assert any("TRIP: bias and heat feeding each other" in line for line in lines)
    assert any("relay CLOSED" in line for line in lines)
    assert lines[-1].endswith("verdict: pass")
    assert "\x1b" not in out.getvalue()


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal")
@pytest.mark.parametrize("no_color", [False, True])
def test_on_a_real_terminal_keys_work_and_it_is_put_back(
    tmp_path: Path, no_color: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    import pty
    import termios

    from benchwarden.record.summary import write_summary

    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("COLUMNS", raising=False)
    if no_color:
        monkeypatch.setenv("NO_COLOR", "1")
    write_summary(tmp_path, fake_run.fresh("finished"))
    ours, theirs = pty.openpty()
    seen = bytearray()
    done = threading.Event()

    def read() -> None:
        while not done.is_set():
            try:
                seen.extend(os.read(ours, 65536))
            except OSError:
                return

    def press() -> None:
        until_s = time.monotonic() + 20
        while b"o open relay NOW" not in seen and time.monotonic() < until_s:
            time.sleep(0.02)
        # An arrow key is an escape sequence with a capital O in some modes; it must not open.
        for key in (b"\x1bOA", b"x", b"o"):
            os.write(ours, key)
            time.sleep(0.1)
        while not list(tmp_path.glob("inbox/*.json")) and time.monotonic() < until_s:
            time.sleep(0.02)
        os.write(ours, b"q")

    threads = [threading.Thread(target=read), threading.Thread(target=press)]
    before = termios.tcgetattr(theirs)
    with (
        os.fdopen(os.dup(theirs), "w", encoding="utf-8") as out,
        os.fdopen(os.dup(theirs), "r", encoding="utf-8") as keys,
    ):
        for thread in threads:
            thread.start()
        watch(tmp_path, out=out, keys=keys)
        after = termios.tcgetattr(theirs)
        out.flush()
        threads[1].join()
        done.set()
        os.write(theirs, b"end")
        threads[0].join()
    os.close(theirs)
    os.close(ours)
    assert after[3] == before[3]
    assert [request.action for request in take_requests(tmp_path)] == ["open"]
    # SGR 30 to 37 set a colour (ECMA-48, 8.3.117); the view says nothing by colour.
    assert not re.search(rb"\x1b\[(?:\d+;)*3[0-7]m", bytes(seen))
