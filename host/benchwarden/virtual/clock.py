"""What time is it on the virtual bench: microseconds that move only when somebody spends them.

The firmware spends time by sleeping, by bus transfers and by asking for the
time; nothing else moves the clock. Physics steps, relay contacts and the
watchdog are events on the same line, run in order of their due time, so the
same inputs give the same run however fast the machine is.

Not modelled: the time the interpreter itself needs. A slot that would overrun
on the part does not overrun here; measure that on the emulated or real board.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush

NEVER_US = 1 << 62
TICKS_MASK = (1 << 30) - 1  # MicroPython's rp2 port wraps its ticks at 2^30
_TICKS_HALF = 1 << 29
# One call of ticks_us on the part costs about this much; without it a loop that
# waits by polling the time would never end here.
TICKS_CALL_US = 2


class VirtualClock:
    """Virtual microseconds and the events that are due.

    Attributes:
        now_us: time since the bench was switched on, microseconds.
        next_us: when the earliest waiting event is due.
        boot_us: instant of the last board reset; the part's timer restarts there.
        origin_us: what ticks_us reads at a reset, to try a wrap without waiting for it.
    """

    __slots__ = ("_count", "_queue", "boot_us", "next_us", "now_us", "origin_us")

    def __init__(self, origin_us: int = 0) -> None:
        self.now_us = 0
        self.next_us = NEVER_US
        self.boot_us = 0
        self.origin_us = origin_us
        self._queue: list[tuple[int, int, Callable[[], None]]] = []
        self._count = 0

    def at(self, due_us: int, action: Callable[[], None]) -> None:
        """Run `action` once time reaches due_us; actions due together run in the order given."""
        self._count += 1
        heappush(self._queue, (due_us, self._count, action))
        if due_us < self.next_us:
            self.next_us = due_us

    def advance(self, us: int) -> None:
        """Let `us` microseconds pass, running what falls due.

        An action may raise (a watchdog reset does): time then stands at that action.
        """
        end_us = self.now_us + us
        if end_us < self.next_us:
            self.now_us = end_us
        else:
            self._run_to(end_us)

    def _run_to(self, end_us: int) -> None:
        queue = self._queue
        while queue and queue[0][0] <= end_us:
            due_us, _, action = heappop(queue)
            if due_us > self.now_us:
                self.now_us = due_us
            self.next_us = queue[0][0] if queue else NEVER_US
            action()
        self.next_us = queue[0][0] if queue else NEVER_US
        if end_us > self.now_us:
            self.now_us = end_us

    # What MicroPython's time module offers the firmware.

    def ticks_us(self) -> int:
        now_us = self.now_us + TICKS_CALL_US
        if now_us < self.next_us:
            self.now_us = now_us
        else:
            self._run_to(now_us)
        return (self.now_us - self.boot_us + self.origin_us) & TICKS_MASK

    def ticks_ms(self) -> int:
        now_us = self.now_us + TICKS_CALL_US
        if now_us < self.next_us:
            self.now_us = now_us
        else:
            self._run_to(now_us)
        return (self.now_us - self.boot_us + self.origin_us) // 1000 & TICKS_MASK

    @staticmethod
    def ticks_diff(end: int, start: int) -> int:
        difference = end - start
        if -_TICKS_HALF <= difference < _TICKS_HALF:
            return difference
        return ((difference + _TICKS_HALF) & TICKS_MASK) - _TICKS_HALF

    @staticmethod
    def ticks_add(ticks: int, delta: int) -> int:
        return (ticks + delta) & TICKS_MASK

    def sleep_us(self, us: int) -> None:
        if us > 0:
            self._run_to(self.now_us + us)

    def sleep_ms(self, ms: int) -> None:
        if ms > 0:
            self.advance(ms * 1000)

    def sleep(self, seconds: float) -> None:
        self.advance(int(seconds * 1e6))
