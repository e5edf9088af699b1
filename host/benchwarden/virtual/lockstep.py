"""When does virtual time wait for the host? What makes a fast run the same run every time.

After every `window` frames time stands still until an acknowledgement covers
the newest of them. All lines up to that one then take effect together, in their
order; what hands did during the pause has taken effect before. So when things
arrive by the wall clock decides nothing.

A host that waits for the answer to a command before it acknowledges anything
would wait for ever: after a moment of the wall its command is let through and
gets an errand of virtual time, until it is answered. Only such a host can make
two runs differ.

While no frames flow (before the first hello, after a reset) time stands still
every 0.2 s until any message comes. Pure logic: who waits, and on what, is the
server's business.
"""

from __future__ import annotations

import binascii
import struct
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from wardenfw import wire

QUIET_US = 200_000
ERRAND_US = 50_000
# One that takes longer (a self-test, a write to flash) goes on until it is answered, at most this long.
LONGEST_ERRAND_US = 2_000_000
ANSWERS = (wire.HELLO, wire.REPLY, wire.BURST, wire.INFO)
# Virtual time that passes without a host, once it has been silent for the wall's
# patience, before it is waited for again.
FREE_US = 30_000_000
MAX_PARTIAL = 65536


@dataclass(frozen=True)
class Seen:
    """What a line is, as far as the pause cares: its kind (0: no message) and sequence numbers."""

    kind: int
    frame_seq: int = 0


def peek(line: bytes | bytearray) -> Seen:
    """Return what kind of message a line from either end holds."""
    try:
        _, kind, seq, payload = wire.decode(bytes(line).removesuffix(b"\n"))
    except wire.WireError:
        return Seen(0)
    if kind == wire.ACK and len(payload) == 10:
        return Seen(kind, wire.unpack_ack(payload)[0])
    return Seen(kind, seq)


class OutgoingFrames:
    """Counts the frames and answers in what the board sends.

    Attributes:
        answers: answers to commands so far.
        newest: sequence number of the newest frame.
        fresh: frames newer than any before, since `fresh` was last set to 0.
    """

    def __init__(self) -> None:
        self.newest = 0
        self.fresh = 0
        self.answers = 0
        self._partial = bytearray()

    def take(self, data: bytes | bytearray) -> None:
        partial = self._partial
        partial += data
        start = 0
        while (end := partial.find(b"\n", start)) >= 0:
            # Twelve characters hold the header; the board's own lines are intact.
            if end - start >= 16:
                _, kind, _, seq = struct.unpack_from("<BBHI", binascii.a2b_base64(partial[start : start + 12]))
                if kind == wire.HELLO:
                    # A board that started anew counts from 1 again.
                    self.newest = 0
                elif kind == wire.FRAME and seq > self.newest:
                    self.newest = seq
                    self.fresh += 1
                if kind in ANSWERS:
                    self.answers += 1
            start = end + 1
        del partial[:start]

    def forget(self) -> None:
        """Start over, as after a reset in the middle of a line."""
        self.newest = self.fresh = 0
        self._partial.clear()


@dataclass(frozen=True)
class HostLine:
    """One line from the host, its end included, and what it is."""

    data: bytes
    seen: Seen


class HostLines:
    """Cuts what the host sends into lines, kept in order until the board may have them."""

    def __init__(self) -> None:
        self.waiting: deque[HostLine] = deque()
        self._partial = bytearray()

    def take(self, data: bytes) -> None:
        partial = self._partial
        partial += data
        start = 0
        while (end := partial.find(b"\n", start)) >= 0:
            self._add(bytes(partial[start : end + 1]))
            start = end + 1
        del partial[:start]
        if len(partial) > MAX_PARTIAL:
            # Not our protocol; the board would drop it too.
            self._add(bytes(partial))
            partial.clear()

    def _add(self, line: bytes) -> None:
        self.waiting.append(HostLine(line, peek(line)))

    def give(self, count: int) -> bytes:
        """Return the first `count` lines, which no longer wait."""
        return b"".join(self.waiting.popleft().data for _ in range(count))

    def forget(self) -> None:
        self.waiting.clear()
        self._partial.clear()


class Lockstep:
    """
    Args:
        window: frames between two pauses.

    Attributes:
        heard: the host has said something; before that, time waits for ever.
    """

    def __init__(self, window: int = 2) -> None:
        if window < 1:
            raise ValueError(f"window {window}; allowed: 1 or more")
        self._window = window
        self.frames = OutgoingFrames()
        self.heard = False
        self._pausing = False
        self._target: int | None = None
        self._due_us = 0
        self._errand_us = -1
        self._errand_answers = 0
        self.free_until_us = -1

    def must_pause(self, now_us: int) -> bool:
        """Is it time to pause, or to go on with a pause after an errand?"""
        if now_us < self.free_until_us:
            return False
        if self._errand_us >= 0:
            over_us = now_us - self._errand_us
            answered = self.frames.answers != self._errand_answers
            return over_us >= 0 and (answered or over_us >= LONGEST_ERRAND_US - ERRAND_US)
        return self.frames.fresh >= self._window or now_us >= self._due_us

    def not_yet(self, now_us: int) -> None:
        """The board cannot answer (it boots or stalls): the next quiet pause is a while after now."""
        self._due_us = now_us + QUIET_US

    def pause(self) -> None:
        """Begin a pause, or go on with one."""
        self._errand_us = -1
        if not self._pausing:
            self._pausing = True
            self._target = self.frames.newest if self.frames.fresh else None

    def ends_pause(self, waiting: Sequence[HostLine]) -> int:
        """Return how many of the waiting lines the board gets as the pause ends; 0: not yet."""
        for number, line in enumerate(waiting, 1):
            seen = line.seen
            if seen.kind and self._target is None:
                return number
            if seen.kind == wire.ACK and self._target is not None and seen.frame_seq >= self._target:
                return number
        return 0

    def errand(self, waiting: Sequence[HostLine], now_us: int) -> int:
        """Let the first waiting command through; return how many lines the board gets, 0 if none is there."""
        for number, line in enumerate(waiting, 1):
            if line.seen.kind not in (0, wire.ACK):
                self._errand_us = now_us + ERRAND_US
                self._errand_answers = self.frames.answers
                return number
        return 0

    def release(self, now_us: int) -> None:
        """End the pause."""
        self._pausing = False
        self._target = None
        self._errand_us = -1
        self.frames.fresh = 0
        self._due_us = now_us + QUIET_US

    def go_free(self, now_us: int) -> None:
        """Nobody answers: let time pass without a host for a while."""
        self.release(now_us)
        self.free_until_us = now_us + FREE_US

    def host_is_back(self) -> None:
        self.free_until_us = -1
