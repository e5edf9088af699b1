"""How do notices get out without anybody waiting for them? One thread and one bounded queue for each way.

A send may hang for minutes: each try has a thread of its own and a time, after which it is left
behind. The watching puts notices in and takes results out, and never waits for either.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from benchwarden.alerts.notice import Notice, Sent

TRY_S = 30.0
# Seconds before the second, third and fourth try.
BACKOFF_S = (5.0, 20.0, 60.0)
MOST_WAITING = 50
MOST_HANGING = 3


class Way(Protocol):
    """One way out."""

    @property
    def name(self) -> str:
        """Return what it is called, safe to show."""
        ...

    @property
    def patient(self) -> bool:
        """Return whether it is worth trying again: a sound that comes late says nothing."""
        ...

    def takes(self, notice: Notice) -> bool:
        """Return whether a notice goes this way."""
        ...

    def send(self, notice: Notice) -> Sent:
        """Send a notice, however long that takes."""
        ...


@dataclass(frozen=True)
class Result:
    """What became of a notice on one way.

    Attributes:
        way: its name, safe to show.
        tries: how often it was tried; 0 when its turn never came.
    """

    way: str
    notice: Notice
    ok: bool
    said: str
    tries: int


class Outbox:
    """Owns the threads that send."""

    def __init__(
        self,
        ways: Sequence[Way],
        try_s: float = TRY_S,
        backoff_s: Sequence[float] = BACKOFF_S,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._try_s, self._backoff_s = try_s, tuple(backoff_s)
        self._monotonic_s = monotonic_s
        self._closing = threading.Event()
        self._end_s = float("inf")
        self._results: queue.SimpleQueue[Result] = queue.SimpleQueue()
        self._lines = [_Line(way) for way in ways]
        self._threads = [
            # A send that hangs must not keep the program from ending.
            threading.Thread(target=self._work, args=(line,), name=f"alerts to {line.way.name}", daemon=True)
            for line in self._lines
        ]
        for thread in self._threads:
            thread.start()

    def post(self, notice: Notice) -> None:
        """Take a notice for every way that takes it; returns at once."""
        for line in self._lines:
            if line.way.takes(notice):
                for left_out in line.put(notice):
                    self._results.put(Result(line.way.name, left_out, False, "too many messages were waiting", 0))

    def results(self) -> tuple[Result, ...]:
        """Return what became of notices since it was last asked."""
        out = []
        with suppress(queue.Empty):
            while True:
                out.append(self._results.get_nowait())
        return tuple(out)

    def close(self, within_s: float) -> tuple[Result, ...]:
        """Send what waits, for a bounded time, and return what became of it; nothing is taken afterwards."""
        self._end_s = self._monotonic_s() + within_s
        self._closing.set()
        for line in self._lines:
            line.wake()
        for thread in self._threads:
            thread.join(max(0.0, self._left_s() + 1.0))
        out = list(self.results())
        for line in self._lines:
            out += [Result(line.way.name, notice, False, why, 0) for notice, why in line.rest()]
        return tuple(out)

    def _work(self, line: _Line) -> None:
        while (notice := line.take(self._closing)) is not None:
            if self._left_s() <= 0:
                # It stays in hand, and `close` says so.
                return
            self._results.put(self._deliver(line, notice))
            line.done()

    def _left_s(self) -> float:
        return self._end_s - self._monotonic_s()

    def _deliver(self, line: _Line, notice: Notice) -> Result:
        tries = 0
        pauses_s = self._backoff_s if line.way.patient else ()
        while True:
            tries += 1
            sent = line.attempt(notice, min(self._try_s, max(0.1, self._left_s())))
            if sent.ok or tries > len(pauses_s):
                break
            # While it ends, the pauses are short.
            if not self._closing.wait(pauses_s[tries - 1]):
                continue
            if self._left_s() <= 1.0:
                break
            time.sleep(min(1.0, pauses_s[tries - 1]))
        return Result(line.way.name, notice, sent.ok, sent.said, tries)


class _Line:
    """What waits for one way."""

    def __init__(self, way: Way) -> None:
        self.way = way
        self._waiting: list[Notice] = []
        self._in_hand: Notice | None = None
        self._changed = threading.Condition()
        self._hanging: list[threading.Thread] = []

    def put(self, notice: Notice) -> list[Notice]:
        """Take a notice; return those that had to make room: quiet ones first, then the oldest."""
        with self._changed:
            self._waiting.append(notice)
            left_out = []
            while len(self._waiting) > MOST_WAITING:
                at = next((i for i, n in enumerate(self._waiting) if not n.urgent), 0)
                left_out.append(self._waiting.pop(at))
            self._changed.notify()
        return left_out

    def take(self, closing: threading.Event) -> Notice | None:
        """Wait for a notice; None once there is none left and it ends."""
        with self._changed:
            while not self._waiting:
                if closing.is_set():
                    return None
                self._changed.wait()
            self._in_hand = self._waiting.pop(0)
            return self._in_hand

    def done(self) -> None:
        """Put the notice in hand away: its result is known."""
        with self._changed:
            self._in_hand = None

    def wake(self) -> None:
        """Let the one who waits look whether it ends."""
        with self._changed:
            self._changed.notify()

    def rest(self) -> list[tuple[Notice, str]]:
        """Return what has no result, and why."""
        with self._changed:
            rest = [(notice, "its turn did not come before the end") for notice in self._waiting]
            if self._in_hand is not None:
                rest.insert(0, (self._in_hand, "it was not done before the end"))
            self._waiting, self._in_hand = [], None
        return rest

    def attempt(self, notice: Notice, within_s: float) -> Sent:
        """Try once, for a bounded time."""
        self._hanging = [thread for thread in self._hanging if thread.is_alive()]
        if len(self._hanging) >= MOST_HANGING:
            return Sent(False, f"{MOST_HANGING} earlier tries still hang")
        found: list[Sent] = []
        thread = threading.Thread(target=self._try, args=(notice, found), name=f"try {self.way.name}", daemon=True)
        thread.start()
        thread.join(within_s)
        if not found:
            self._hanging.append(thread)
            return Sent(False, f"no answer within {within_s:.0f} s")
        return found[0]

    def _try(self, notice: Notice, found: list[Sent]) -> None:
        try:
            found.append(self.way.send(notice))
        except Exception as error:  # noqa: BLE001 (a library that fails must not end the watching)
            # Its words may hold secrets.
            found.append(Sent(False, f"it failed inside ({type(error).__name__})"))
