"""One board at the other end of a port: commands out; frames in order, replies and events in."""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from benchwarden.core.clock import Clock
from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.errors import BoardFault, FrameError, LinkError, LinkTimeout, WireVersionError
from benchwarden.link.decoder import LineDecoder, Received
from benchwarden.link.messages import Burst, Hello, Message, Reply
from benchwarden.link.port import BytePort
from wardenfw import wire

_ASK_AGAIN_S = 0.5
_SILENCE_S = 1.5
# How often a gap is asked for, how long one answer may take, and how many later
# frames may wait for it: the board's ring holds 128.
_GAP_ASKS = 3
_GAP_PATIENCE_S = 1.0
_GAP_FRAMES = 160
# Waiting is cut into pieces so that what is overdue is asked for again.
_LONGEST_READ_S = 0.25
# Frames a board may have added since it wrote its hello.
_EARLY_FRAMES = 32
_BURST_PATIENCE_S = 1.0
_BURST_ASKS = 5
# Half a second after the trip is part of the record: until then the board
# refuses. Counted in frames, so that it holds at any speed of a virtual bench.
_BURST_REFUSALS = 30
# What a board says of itself may change between two parts of it; then it is asked anew.
_INFO_TRIES = 3
# The alert test alone waits for the pump to let go several times.
_SELF_TEST_S = 30.0
_FLASH_S = 10.0

Limits = Sequence[tuple[int, int, int, float, float, int, int]]
_Wanted = TypeVar("_Wanted")


@dataclass
class LinkCounts:
    """What the link has lived through since the program started; never reset.

    Attributes:
        frames: handed to the caller.
        repeats: frames dropped because they were already handed over.
        gaps: breaks in the frame sequence seen.
        recovered, lost: frames of those gaps that came again, and that never did.
        bad_lines, garbage_bytes: lines that were no message.
        reopen_attempts, reopens: tries to get a lost port back, and successes.
    """

    frames: int = 0
    repeats: int = 0
    gaps: int = 0
    recovered: int = 0
    lost: int = 0
    bad_lines: int = 0
    garbage_bytes: int = 0
    reopen_attempts: int = 0
    reopens: int = 0


class _FrameOrder:
    """Hands frames on in sequence; holds later ones back while a gap may still fill."""

    def __init__(self, next_seq: int | None, counts: LinkCounts) -> None:
        self.next_seq = next_seq
        self._counts = counts
        self._held: dict[int, np.void] = {}
        # A RESEND brings everything up to the newest frame of that moment, so
        # one ask covers every gap below it.
        self._asked_high = -1
        self._asked_s = 0.0
        self._asks = 0

    @property
    def waiting(self) -> bool:
        return bool(self._held)

    def take(self, received: Received, now_s: float) -> tuple[Received, int | None]:
        """Return what may go on now, and the sequence number to ask for again, if any."""
        seqs = received.frame_seqs
        if not len(seqs) and not self._held:
            return received, None
        if self.next_seq is None:
            self.next_seq = int(seqs[0])
        if not self._held and int(seqs[0]) == self.next_seq and bool(np.all(np.diff(seqs.astype(np.int64)) == 1)):
            # The usual case: everything in sequence, nothing waiting.
            self.next_seq = int(seqs[-1]) + 1
            self._counts.frames += len(seqs)
            return received, None
        return self._sort(received, now_s)

    def asked(self, newest_seq: int, now_s: float) -> None:
        """Note that the frames up to `newest_seq` have been asked for."""
        self._asked_high, self._asked_s, self._asks = newest_seq, now_s, 1

    def _sort(self, received: Received, now_s: float) -> tuple[Received, int | None]:
        assert self.next_seq is not None
        ready: list[np.void] = []
        seqs: list[int] = []
        lost: list[tuple[int, int]] = []
        answer_ended = False
        for seq, frame in zip(received.frame_seqs.tolist(), received.frames, strict=True):
            # The answer to an ask is in sequence and ends with this frame.
            answer_ended |= seq == self._asked_high
            if seq < self.next_seq or seq in self._held:
                self._counts.repeats += 1
                continue
            if self._held and seq < self._asked_high:
                self._counts.recovered += 1
            self._held[seq] = frame
            self._release(ready, seqs)
        ask: int | None = None
        if self._held and self.next_seq > self._asked_high:
            self._counts.gaps += 1
            self.asked(max(self._held), now_s)
            ask = self.next_seq
        elif self._held and (answer_ended or now_s - self._asked_s > _GAP_PATIENCE_S or len(self._held) > _GAP_FRAMES):
            # The answer came without them or did not come at all.
            if self._asks < _GAP_ASKS and len(self._held) <= _GAP_FRAMES:
                self._asks += 1
                self._asked_s = now_s
                ask = self.next_seq
            else:
                lost.append(self._give_up())
                self._release(ready, seqs)
        self._counts.frames += len(ready)
        return replace(_frames(ready, seqs, lost), messages=received.messages), ask

    def _release(self, ready: list[np.void], seqs: list[int]) -> None:
        assert self.next_seq is not None
        while self.next_seq in self._held:
            ready.append(self._held.pop(self.next_seq))
            seqs.append(self.next_seq)
            self.next_seq += 1

    def _give_up(self) -> tuple[int, int]:
        assert self.next_seq is not None
        first, self.next_seq = self.next_seq, min(self._held)
        self._counts.lost += self.next_seq - first
        return first, self.next_seq - 1

    def pass_over(self, seq: int) -> Received:
        """Return what may go on now that the board holds nothing before `seq`."""
        ready: list[np.void] = []
        seqs: list[int] = []
        lost: list[tuple[int, int]] = []
        while self.next_seq is not None and self.next_seq < seq:
            end = min([seq, *self._held])
            lost.append((self.next_seq, end - 1))
            self._counts.lost += end - self.next_seq
            self.next_seq = end
            self._release(ready, seqs)
        self._counts.frames += len(ready)
        return _frames(ready, seqs, lost)

    def abandon(self) -> Received:
        """Return all that is held, its gaps as lost: the board that had them has restarted."""
        ready: list[np.void] = []
        seqs: list[int] = []
        lost: list[tuple[int, int]] = []
        while self._held:
            lost.append(self._give_up())
            self._release(ready, seqs)
        self._counts.frames += len(ready)
        return _frames(ready, seqs, lost)


def _frames(ready: list[np.void], seqs: list[int], lost: list[tuple[int, int]]) -> Received:
    return Received(np.array(ready, dtype=FRAME_DTYPE), np.array(seqs, dtype=np.uint32), lost=tuple(lost))


@dataclass
class _BurstFetch:
    trip_seq: int
    asked_s: float
    asks: int = 1
    asked_seq: int = 0
    refusals: int = 0
    refused: bool = False
    total: int = 0
    trip_index: int = 0
    records: bytes = b""

    @property
    def got(self) -> int:
        return len(self.records) // wire.BURST_RECORD_SIZE


class BoardClient:
    """Speaks to one board over one port; used by one thread.

    Call `hello` first, then `poll` and `ack` for as long as the run lasts.
    Commands return at once with their sequence number; the board's answer is a
    Message of kind REPLY in a later poll. When a call raises LinkError the port
    is gone: call `reopen` until it succeeds or the run gives up.

    Attributes:
        hello_facts: the last Hello, None before the first.
        counts: what the link has lived through.
        last_heard_s: clock time of the last intact line.
    """

    def __init__(
        self,
        port: BytePort,
        clock: Clock,
        opener: Callable[[], BytePort] | None = None,
        held: tuple[int, int] | None = None,
    ) -> None:
        """Speak over `port`, owned from here on.

        Args:
            opener: opens the port again after it was lost (serial_port.port_finder).
            held: (boot, newest frame seq) that a continued record already has.
        """
        self._port = port
        self._clock = clock
        self._opener = opener
        self._held = held
        self._decoder = LineDecoder()
        self._seq = 0
        self.counts = LinkCounts()
        self._order = _FrameOrder(None, self.counts)
        self._waiting: deque[Received] = deque()
        self._fetch: _BurstFetch | None = None
        self.hello_facts: Hello | None = None
        self.last_heard_s = self._asked_hello_s = clock.monotonic_s()

    @property
    def boot(self) -> int:
        """The present start of the board; 0 before the first hello."""
        return self.hello_facts.boot if self.hello_facts else 0

    def hello(self, timeout_s: float = 5.0) -> Hello:
        """Ask the board who it is and let its frames begin.

        A board that kept running since the last hello is asked for the frames
        that were missed; one that restarted begins a new sequence.

        Raises:
            WireVersionError: naming both versions.
            LinkTimeout: nothing intact answered; says what was heard instead.
            LinkError: the port is gone, or another board answers.
        """
        try:
            return self._ask_hello(timeout_s)
        except (LinkTimeout, WireVersionError):
            raise
        except LinkError as error:
            heard = self._decoder.heard_text
            if not heard:
                raise
            # A bench that already has a host says so before it hangs up.
            raise LinkError(f"{error}; heard before that: {' / '.join(heard)}") from error

    def _ask_hello(self, timeout_s: float) -> Hello:
        until_s = self._clock.monotonic_s() + timeout_s
        early: list[Received] = []
        while True:
            now_s = self._clock.monotonic_s()
            if now_s >= until_s:
                raise LinkTimeout(self._silence(timeout_s))
            self.send(wire.HELLO_REQUEST)
            again_s = min(now_s + _ASK_AGAIN_S, until_s)
            while (now_s := self._clock.monotonic_s()) < again_s:
                received = self._read(again_s - now_s)
                found = [m for m in received.messages if m.kind == wire.HELLO or m.version != wire.WIRE_VERSION]
                if found:
                    self._check_version(found[-1])
                    return self._met(found[-1].hello(), [*early, received])
                if received:
                    early.append(received)

    def _check_version(self, message: Message) -> None:
        if message.version == wire.WIRE_VERSION:
            return
        older = message.version < wire.WIRE_VERSION
        remedy = "update the firmware on the board" if older else "update this program"
        raise WireVersionError(
            f"{self._port.name}: the board speaks wire version {message.version}, "
            f"this program speaks version {wire.WIRE_VERSION}; {remedy}"
        )

    def _silence(self, timeout_s: float) -> str:
        heard = self._decoder.heard_text
        words = f"{self._port.name}: no board answered within {timeout_s:g} s"
        if heard:
            return f"{words}; heard instead: {' / '.join(heard)}"
        if self.counts.bad_lines:
            return f"{words}; {self.counts.bad_lines} lines arrived that are no messages"
        return f"{words}; nothing was heard"

    def _met(self, hello: Hello, early: list[Received]) -> Hello:
        known = self.hello_facts
        if known is not None and known.board != hello.board:
            raise LinkError(f"{self._port.name}: board {hello.board} answers, expected board {known.board}")
        goes_on = known is not None and known.boot == hello.boot
        if known is not None and not goes_on:
            rest = self._order.abandon()
            if rest:
                self._waiting.append(replace(rest, boot=known.boot))
        if not goes_on:
            resumed = self._held is not None and self._held[0] == hello.boot
            next_seq = self._held[1] + 1 if resumed and self._held else None
            self._order = _FrameOrder(next_seq, self.counts)
            self._fetch = None
        self.hello_facts = hello
        gone = self._order.pass_over(hello.oldest_frame)
        if gone:
            self._waiting.append(replace(gone, boot=hello.boot))
        missed = self._order.next_seq
        if missed is not None and hello.newest_frame >= missed:
            self._order.asked(hello.newest_frame, self._clock.monotonic_s())
            self.send(wire.RESEND, wire.pack_u32(missed))
        # What came before the answer is of this start of the board when it did
        # not restart; otherwise only what its numbers vouch for.
        for received in early if goes_on else early[-1:]:
            seqs = received.frame_seqs
            own = (seqs >= hello.oldest_frame) & (seqs <= hello.newest_frame + _EARLY_FRAMES)
            self._keep(replace(received, frames=received.frames[own], frame_seqs=seqs[own]))
        return hello

    def reopen(self, attempts: int = 1, pause_s: float = 0.5, hello_timeout_s: float = 3.0) -> Hello:
        """Get a lost port back and meet the board again.

        Raises:
            LinkError: all attempts failed; says how many and why the last did.
            WireVersionError: at once; trying again would not help.
        """
        if self._opener is None:
            raise LinkError(f"{self._port.name}: cannot be opened again, nobody said how")
        last: LinkError | None = None
        for attempt in range(attempts):
            if attempt:
                self._clock.sleep(pause_s)
            self.counts.reopen_attempts += 1
            with suppress(LinkError):
                self._port.close()
            try:
                self._port = self._opener()
                self._decoder = LineDecoder()
                hello = self.hello(hello_timeout_s)
            except WireVersionError:
                raise
            except LinkError as error:
                last = error
                continue
            self.counts.reopens += 1
            return hello
        raise LinkError(f"the board is not back after {attempts} attempts: {last}") from last

    def close(self) -> None:
        """Let go of the port."""
        self._port.close()

    def poll(self, timeout_s: float) -> Received:
        """Return what has arrived, waiting at most `timeout_s` for the first of it.

        Frames come strictly in sequence and once each; while a gap may still be
        filled by the board, later frames wait (three seconds at most).

        A HELLO among the messages means that the board has restarted.

        Raises:
            LinkError: the port is gone.
            WireVersionError: the board now speaks another version.
        """
        until_s = self._clock.monotonic_s() + timeout_s
        while True:
            if self._waiting:
                return self._waiting.popleft()
            self._break_silence()
            left_s = max(until_s - self._clock.monotonic_s(), 0.0)
            received = self._sorted(self._read(min(left_s, _LONGEST_READ_S)))
            if self._waiting:
                # What waits is older: frames of the start before, or given up.
                if received:
                    self._waiting.append(received)
                continue
            if received or left_s <= 0:
                return received

    def _break_silence(self) -> None:
        """Ask a silent board who it is: one that restarted sends no frames until asked."""
        now_s = self._clock.monotonic_s()
        if now_s - max(self.last_heard_s, self._asked_hello_s) > _SILENCE_S:
            self._asked_hello_s = now_s
            self.send(wire.HELLO_REQUEST)

    def request(self, kind: int, payload: bytes = b"", timeout_s: float = 2.0) -> Reply:
        """Send a command and wait for its answer; frames that arrive meanwhile wait for `poll`.

        Raises:
            LinkTimeout: no answer came.
            LinkError: the port is gone.
        """
        to_seq = self.send(kind, payload)

        def answers(message: Message) -> Reply | None:
            reply = message.reply() if message.kind == wire.REPLY else None
            return reply if reply and (reply.to_seq, reply.to_kind) == (to_seq, kind) else None

        reply = self._await(answers, timeout_s)
        if reply is None:
            raise LinkTimeout(f"{self._port.name}: no reply to {wire.KIND_NAMES[kind]} within {timeout_s:g} s")
        return reply

    def _await(self, wanted: Callable[[Message], _Wanted | None], timeout_s: float) -> _Wanted | None:
        """Return what `wanted` makes of the first message it wants; all else waits for `poll`."""
        until_s = self._clock.monotonic_s() + timeout_s
        while (left_s := until_s - self._clock.monotonic_s()) > 0:
            received = self._sorted(self._read(left_s))
            answer: _Wanted | None = None
            others: list[Message] = []
            for message in received.messages:
                found = wanted(message) if answer is None else None
                if found is not None:
                    answer = found
                else:
                    others.append(message)
            rest = replace(received, messages=tuple(others))
            if rest:
                self._waiting.append(rest)
            if answer is not None:
                return answer
        return None

    def info(self, topic: int, timeout_s: float = 3.0) -> bytes:
        """Return what the board says about a topic of wire.INFO_TOPICS, all its parts joined.

        Args:
            timeout_s: for each part.

        Raises:
            LinkTimeout: no answer came, or it kept changing while it was fetched.
            BoardFault: the board refused.
            LinkError: the port is gone.
        """
        name = wire.INFO_TOPICS[topic]
        for _ in range(_INFO_TRIES):
            data, part, parts = b"", 0, 1
            while part < parts:
                now_parts, piece = self._info_part(topic, part, timeout_s)
                if part and now_parts != parts:
                    break
                data, part, parts = data + piece, part + 1, now_parts
            else:
                return data
        raise LinkTimeout(f"{self._port.name}: what the board says about its {name} changed {_INFO_TRIES} times")

    def _info_part(self, topic: int, part: int, timeout_s: float) -> tuple[int, bytes]:
        to_seq = self.send(wire.INFO_REQUEST, wire.pack_info_request(topic, part))

        def answers(message: Message) -> tuple[int, bytes, str] | None:
            if message.kind == wire.INFO:
                try:
                    its_topic, its_part, parts, data = wire.unpack_info(message.payload)
                except struct.error as error:
                    raise FrameError(f"info of {len(message.payload)} bytes cannot be read: {error}") from error
                return (parts, bytes(data), "") if (its_topic, its_part) == (topic, part) else None
            reply = message.reply() if message.kind == wire.REPLY else None
            refused = reply and (reply.to_seq, reply.to_kind) == (to_seq, wire.INFO_REQUEST)
            return (0, b"", reply.why) if reply and refused else None

        answer = self._await(answers, timeout_s)
        name = wire.INFO_TOPICS[topic]
        if answer is None:
            raise LinkTimeout(f"{self._port.name}: the board said nothing about its {name} within {timeout_s:g} s")
        parts, data, why_not = answer
        if why_not:
            raise BoardFault(f"{self._port.name}: the board does not tell about its {name}: {why_not}")
        return parts, data

    def write_calibration(self, record: bytes) -> Reply:
        """Have the board store a calibration record (wire.pack_calibration); relay open only.

        Raises:
            LinkTimeout: no answer came; read the calibration back to see what is in force.
            LinkError: the port is gone.
        """
        return self.request(wire.CAL_WRITE, record, _FLASH_S)

    def self_test(self) -> Reply:
        """Have the board test every part anew, relay open only; `info` then tells each part.

        Raises:
            LinkTimeout: no answer came.
            LinkError: the port is gone.
        """
        return self.request(wire.SELF_TEST, timeout_s=_SELF_TEST_S)

    def stall(self, ms: int) -> int:
        """Have a closed commissioning stage's scan stop for `ms`; the board restarts and says how it went."""
        return self.send(wire.STALL, wire.pack_u32(ms))

    def _read(self, timeout_s: float) -> Received:
        received = self._decoder.feed(self._port.read(timeout_s))
        self.counts.bad_lines += received.bad_lines
        self.counts.garbage_bytes += received.garbage_bytes
        if received:
            self.last_heard_s = self._clock.monotonic_s()
        return received

    def _sorted(self, received: Received) -> Received:
        messages: list[Message] = []
        for message in received.messages:
            self._check_version(message)
            if message.kind == wire.HELLO:
                hello = message.hello()
                if hello.boot == self.boot:
                    continue  # nothing new
                self._met(hello, [])
            messages.append(message)
        received = replace(received, messages=tuple(messages))
        to_send: list[tuple[int, bytes]] = []
        received, ask = self._order.take(received, self._clock.monotonic_s())
        if ask is not None:
            to_send.append((wire.RESEND, wire.pack_u32(ask)))
        received = replace(received, boot=self.boot)
        try:
            for kind, payload in to_send:
                self.send(kind, payload)
            if self._fetch is not None:
                received = self._take_burst(received)
                self._pursue_burst(received)
        except LinkError:
            # These count as handed over; losing the port must not lose them.
            self._waiting.append(received)
            raise
        return received

    def _keep(self, received: Received) -> None:
        received = self._sorted(received)
        if received:
            self._waiting.append(received)

    def send(self, kind: int, payload: bytes = b"") -> int:
        """Send one message of any kind.

        Raises:
            LinkError: the port is gone.
        """
        self._seq = (self._seq + 1) & 0xFFFFFFFF
        self._port.write(wire.encode(kind, self._seq, payload))
        return self._seq

    def send_stage(
        self,
        stage_id: int,
        limiter_in: bool,
        drive_on: bool,
        limits: Limits,
        alert_pos_a: float,
        alert_neg_a: float,
    ) -> int:
        """Ask for a stage; arguments as in wire.pack_stage."""
        return self.send(wire.STAGE, wire.pack_stage(stage_id, limiter_in, drive_on, limits, alert_pos_a, alert_neg_a))

    def arm(self) -> int:
        """Ask to arm; the reply carries the challenge (`challenge_of`)."""
        return self.send(wire.ARM)

    def go(self, challenge: int) -> int:
        """Say that a person confirmed, with the challenge of the last arming."""
        return self.send(wire.GO, wire.pack_u32(challenge))

    def open_relay(self, cause: int = 0, text: str = "") -> int:
        """Ask to open; a cause other than 0 latches as a trip."""
        return self.send(wire.OPEN, wire.pack_open(cause, text))

    def reset(self) -> int:
        """Acknowledge a trip; closes nothing."""
        return self.send(wire.RESET)

    def ack(self, frame_seq: int, event_seq: int, lease_ms: int) -> int:
        """Say what is on disk, and renew the lease when `lease_ms` is not 0."""
        return self.send(wire.ACK, wire.pack_ack(frame_seq, event_seq, lease_ms))

    def fetch_burst(self, trip_seq: int) -> None:
        """Begin to fetch a trip's full-rate record; polls go on and one brings it in `bursts`.

        A chunk that does not come is asked for again, a board that is not ready
        is asked again; both are bounded, and then what there is comes with
        `complete` False.
        """
        self._fetch = _BurstFetch(trip_seq, self._clock.monotonic_s())
        self._ask_burst(self._fetch)

    def _take_burst(self, received: Received) -> Received:
        others: list[Message] = []
        bursts: list[Burst] = []
        for message in received.messages:
            fetch = self._fetch
            if fetch is not None and message.kind == wire.REPLY:
                reply = message.reply()
                if reply.to_kind == wire.BURST_REQUEST and reply.to_seq == fetch.asked_seq:
                    fetch.refused = True
                    continue
            if fetch is None or message.kind != wire.BURST:
                others.append(message)
                continue
            try:
                trip_seq, first, count, total, trip_index, records = wire.unpack_burst(message.payload)
            except (ValueError, struct.error) as error:
                raise FrameError(f"burst of {len(message.payload)} bytes cannot be read: {error}") from error
            if trip_seq != fetch.trip_seq or first != fetch.got:
                continue  # answer to a request that was repeated
            fetch.total, fetch.trip_index = total, trip_index
            fetch.records += records
            fetch.asked_seq = 0
            fetch.asks = 0
            if fetch.got >= total or count == 0:
                bursts.append(self._fetched(fetch))
        return replace(received, messages=tuple(others), bursts=tuple(bursts))

    def _pursue_burst(self, received: Received) -> None:
        fetch = self._fetch
        if fetch is None:
            return
        if fetch.refused:
            if len(received.frames):
                fetch.refused = False
                fetch.refusals += 1
                fetch.asks = 0
                self._ask_or_give_up(fetch, fetch.refusals < _BURST_REFUSALS)
        elif not fetch.asked_seq:
            self._ask_burst(fetch)
        elif self._clock.monotonic_s() - fetch.asked_s >= _BURST_PATIENCE_S:
            self._ask_or_give_up(fetch, fetch.asks < _BURST_ASKS)

    def _ask_or_give_up(self, fetch: _BurstFetch, ask: bool) -> None:
        if ask:
            self._ask_burst(fetch)
        else:
            self._waiting.append(replace(_frames([], [], []), boot=self.boot, bursts=(self._fetched(fetch),)))

    def _ask_burst(self, fetch: _BurstFetch) -> None:
        fetch.asks += 1
        fetch.asked_s = self._clock.monotonic_s()
        fetch.asked_seq = self.send(wire.BURST_REQUEST, wire.pack_burst_request(fetch.trip_seq, fetch.got))

    def _fetched(self, fetch: _BurstFetch) -> Burst:
        self._fetch = None
        return Burst(fetch.trip_seq, fetch.total, fetch.trip_index, fetch.records)


def challenge_of(reply: Reply) -> int:
    """Return the challenge in the reply to an accepted ARM.

    Raises:
        FrameError: the reply carries none.
    """
    try:
        return int(reply.text)
    except ValueError as error:
        raise FrameError(f"reply to arm carries no challenge: {reply.text!r}") from error
