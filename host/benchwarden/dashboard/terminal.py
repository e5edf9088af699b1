"""The live view for a terminal: over ssh, without colour, on 80 columns, or as plain lines.

Keys: o opens the relay at once, c twice confirms the prompt, q leaves the view
and nothing else. Without a terminal the view prints a line whenever something
changes.
"""

from __future__ import annotations

import sys
import textwrap
from contextlib import ExitStack
from pathlib import Path
from typing import TextIO

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.text import Text

from benchwarden.core.clock import Clock, SystemClock
from benchwarden.dashboard import words
from benchwarden.dashboard.confirm import Announced, TwoStep
from benchwarden.dashboard.feed import Feed, Snapshot
from benchwarden.dashboard.keys import NextKey, pressed
from benchwarden.dashboard.margins import Row, rows
from benchwarden.dashboard.status import Status
from benchwarden.errors import BenchwardenError

BY = "terminal"
# Twice a second can be read and is cheap over ssh; keys are served at once.
REFRESH_S = 0.5
# Without a terminal: a sign of life at least this often.
LIFE_S = 30.0

_BAR = 12
_VERDICTS = {"above": "!!", "below": "!!", "peak": "!!", "missing": "!!", "near": "!", "outside": "?"}
_ORDER = ("above", "below", "missing", "peak", "near", "outside", "inside", "unjudged")


def watch(
    run_dir: Path,
    out: TextIO | None = None,
    keys: TextIO | None = None,
    clock: Clock | None = None,
    until_ended: bool = True,
) -> None:
    """Show a run until `q` is pressed or, as plain lines, until it has ended.

    Args:
        out: where to write; standard output unless given.
        keys: where keys come from; standard input unless given. Without a
            terminal there are no keys.
        until_ended: as plain lines, return when the run has ended.
    """
    out = out or sys.stdout
    keys = keys or sys.stdin
    clock = clock or SystemClock()
    feed = Feed(run_dir, clock)
    if not out.isatty():
        _print_lines(feed, out, clock, until_ended)
        return
    console = Console(file=out, highlight=False, markup=False, emoji=False)
    view = View(feed, TwoStep(feed, clock))
    with ExitStack() as stack:
        next_key: NextKey
        if keys.isatty():
            next_key = stack.enter_context(pressed(keys))
        else:
            next_key = _no_keys(clock)
            view.said = "No keyboard here: this view only shows."
        live = stack.enter_context(Live(console=console, auto_refresh=False, screen=True))
        while True:
            live.update(view.drawn(console.width, console.height), refresh=True)
            key = next_key(REFRESH_S)
            if key in ("q", "Q"):
                return
            view.press(key)


def _no_keys(clock: Clock) -> NextKey:
    def wait(timeout_s: float) -> str:
        clock.sleep(timeout_s)
        return ""

    return wait


class View:
    """What the terminal shows and what its keys do."""

    def __init__(self, feed: Feed, two_step: TwoStep) -> None:
        self._feed = feed
        self._two_step = two_step
        self._announced: Announced | None = None
        self._asked_open = False
        self.said = ""

    def press(self, key: str) -> None:
        """Do what a key stands for; unknown keys do nothing."""
        try:
            if key in ("o", "O"):
                self._announced = None
                self._feed.ask("open", BY, text="o key in the terminal view")
                self._asked_open = True
                self.said = "Asked the bench to open the relay."
            elif key in ("c", "C"):
                self._confirm()
        except BenchwardenError as error:
            self._announced = None
            self.said = f"{error}"
            if key in ("o", "O"):
                self.said = f"NOT SENT: {error}. Use the emergency stop."

    def _confirm(self) -> None:
        status = self._feed.snapshot().status
        prompt = status.prompt if status else None
        if prompt is None or prompt.ask != "confirm":
            self._announced = None
            self.said = "Nothing to confirm now."
        elif self._announced is None or self._announced.prompt_id != prompt.id:
            self._announced = self._two_step.announce(prompt.id)
            self.said = f"c again: {words.what_happens(prompt, status.stage if status else None)}"
        else:
            announced, self._announced = self._announced, None
            self._two_step.second(announced, BY)
            self.said = "Confirmed. Waiting for the bench."

    def drawn(self, width: int, height: int) -> RenderableType:
        """Return the screen, at most `height` lines; the least important goes first."""
        now = self._feed.snapshot()
        head = self._head(now, width)
        foot = self._foot(now, width)
        body: list[Text] = []
        if now.status is not None:
            # The last line is left free: writing to its end would scroll.
            room = height - len(head) - len(foot) - 1
            found = _channels(rows(now.status), width, max(3, room))
            body = [*found, *_findings(now, max(0, room - len(found)))]
        return Group(*head, *body, *foot)

    def _head(self, now: Snapshot, width: int) -> list[Text]:
        status = now.status
        if status is None:
            return [_line("Waiting for a run to start here.", "bold"), _line(now.problem)]
        out = []
        for alarm in words.alarms(now):
            out += _wrapped(f"!! {alarm.text} {alarm.act}", width, "bold reverse")
        title = " · ".join(part for part in (status.run, status.model, status.run_type) if part)
        if status.virtual:
            title = f"VIRTUAL BENCH, not a measurement (x{status.speed:g}) · {title}"
        out.append(_line(title))
        for line in _board_lines(status):
            out += _wrapped(line, width, "bold")
        place = words.phase(status)
        stage = status.stage
        if stage is not None:
            place += f" · {status.stage_index + 1}/{len(status.stages)} {stage.name} ({words.setting(stage)})"
            if stage.elapsed_s is not None and status.phase in ("settling", "holding"):
                place += f" {words.duration(stage.elapsed_s)} of {words.duration(stage.hold_s)}"
        out.append(_line(place, "bold"))
        relay = words.relay(status.relay, now.relay_fault)
        if now.last_known:
            relay = f"last known: {relay}"
        out.append(_line(f"RELAY {relay} · {words.limiter(status.relay)} · link {status.link}", "bold"))
        if status.prompt is not None:
            out += _wrapped(f"> {status.prompt.text}", width, "bold")
            if status.prompt.check:
                out.append(_line(f"  done when: {status.prompt.check}"))
        if status.phase == "aborted" and status.why:
            out += _wrapped(status.why, width, "bold")
        if status.verdict:
            out.append(_line(f"Verdict: {status.verdict}", "bold"))
        return out

    def _foot(self, now: Snapshot, width: int) -> list[Text]:
        status = now.status
        said = self.said
        if self._asked_open and status is not None:
            if status.relay.contact is False and not now.last_known:
                said = "Contact reads OPEN."
                self._asked_open = False
                self.said = said
            elif status.relay.contact:
                said = f"{said} Contact still reads CLOSED."
        keys = "o open relay NOW   c confirm (twice)   q leave view (run goes on)"
        out = _wrapped(said, width, "bold") if said else []
        return [*out, _line(keys, "reverse"), *(_line(text) for text in words.CAUTIONS_SHORT)]


def _line(text: str, style: str = "") -> Text:
    return Text(text, style=style, no_wrap=True, overflow="ellipsis")


def _wrapped(text: str, width: int, style: str) -> list[Text]:
    return [_line(part, style) for part in textwrap.wrap(text, max(20, width - 1))]


def _bar(row: Row, cells: int = _BAR) -> str:
    """Return the bar in characters: # beyond a limit, = expected, | reading."""
    if not row.bar:
        return ""
    low, high, expected_low, expected_high, _, _, mean, _ = row.bar
    out = []
    for cell in range(cells):
        left, right = 100.0 * cell / cells, 100.0 * (cell + 1) / cells
        if mean is not None and (left <= mean < right or (mean == 100.0 and cell == cells - 1)):
            out.append("|")
        elif (low is not None and right <= low + 1e-9) or (high is not None and left >= high):
            out.append("#")
        elif expected_low is not None and expected_high is not None and left < expected_high and right > expected_low:
            out.append("=")
        else:
            out.append(".")
    return "".join(out)


def _channels(found: tuple[Row, ...], width: int, room: int) -> list[Text]:
    # Too few lines: the worst stay, so that what is dropped is what is well.
    if len(found) > room:
        worst = sorted(found, key=lambda row: _ORDER.index(row.verdict))[:room]
        found = tuple(row for row in found if row in worst)
    wide = width >= 100
    out = []
    for row in found:
        reading = f"{row.value} {row.unit}"
        bar = _bar(row).ljust(_BAR)
        if wide:
            bar = f"{row.low:>8} {bar} {row.high:<8}"
        text = f"{_VERDICTS.get(row.verdict, ''):<3}{row.label:<22}{reading:>11} {bar} {row.says}"
        style = "bold reverse" if row.alarming else "bold" if row.verdict in ("near", "outside") else ""
        out.append(_line(text, style))
    return out


def _findings(now: Snapshot, room: int) -> list[Text]:
    if now.status is None or room <= 0:
        return []
    lines = [_line(f"bias {row.side}: {'; '.join(words.outlook(row))}") for row in now.status.outlook]
    lines += [
        _line(f"{'TRIP' if row.severity == 'trip' else 'warning'}: {words.finding(row)}")
        for row in reversed(now.status.findings)
    ]
    lines += [_line(text) for _, text in reversed(now.status.messages)]
    return lines[:room]


def _print_lines(feed: Feed, out: TextIO, clock: Clock, until_ended: bool) -> None:
    before: tuple[str, ...] = ()
    told_s = clock.monotonic_s()
    while True:
        now = feed.snapshot()
        lines = told(now)
        fresh = [line for line in lines if line not in before]
        now_s = clock.monotonic_s()
        if not fresh and now_s - told_s > LIFE_S and now.status is not None:
            fresh = [_sign_of_life(now)]
        if fresh:
            at = "" if now.status is None or now.status.t_s is None else f"[{now.status.t_s:.1f} s] "
            for line in fresh:
                out.write(f"{at}{line}\n")
            out.flush()
            told_s = now_s
        before = lines
        if until_ended and now.status is not None and now.status.ended:
            return
        clock.sleep(REFRESH_S)


def told(now: Snapshot) -> tuple[str, ...]:
    """Return what is worth a line when it is new."""
    status = now.status
    if status is None:
        return ("waiting for a run to start here",)
    out = []
    if status.virtual:
        out.append("virtual bench: nothing here is a measurement")
    out += _board_lines(status)
    for alarm in words.alarms(now):
        # A counting age would be a new line every second.
        text = "DATA HAS STOPPED." if alarm.kind == "stale" else alarm.text
        out.append(f"!! {text} {alarm.act}")
    stage = status.stage
    place = f", stage {status.stage_index + 1} of {len(status.stages)}: {stage.name}" if stage else ""
    out.append(f"{words.phase(status)}{place}")
    out.append(f"relay {words.relay(status.relay, now.relay_fault)}; {words.limiter(status.relay)}")
    if status.prompt is not None:
        out.append(f"TO DO: {status.prompt.text}")
    out += [f"!! {row.label}: {row.says.split(' by ')[0].split(':')[0]}" for row in rows(status) if row.alarming]
    out += [f"{'TRIP' if row.severity == 'trip' else 'warning'}: {words.finding(row)}" for row in status.findings]
    if status.phase == "aborted" and status.why:
        out.append(status.why)
    if status.verdict:
        out.append(f"verdict: {status.verdict}")
    return tuple(out)


def _board_lines(status: Status) -> list[str]:
    """Return what a person should know of the board before trusting it; nothing when all is well."""
    board = status.board
    if board is None:
        return []
    out = [] if board.selftest_ok is not False else ["Board: SELF-TEST FAILED: " + "; ".join(board.failed_parts)]
    if not board.calibration_is_good:
        out.append(f"Board: {board.calibration}")
    return [*out, *board.reminders]


def _sign_of_life(now: Snapshot) -> str:
    if now.status is None:
        return ""
    shown = [
        f"{row.label} {row.value} {row.unit}" for row in rows(now.status) if row.channel.startswith(("bias", "sink"))
    ]
    return ", ".join(shown)
