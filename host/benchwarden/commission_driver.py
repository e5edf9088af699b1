"""Does what the commissioning procedure asks for: owns the board's port and the journal while it goes on.

Threads: one thread polls the port, writes the journal and acknowledges, in that
order (disk first). While a person thinks, a second one waits for their answer
and touches nothing else, so that the board keeps its lease and its frames are
recorded meanwhile.
"""

from __future__ import annotations

import contextlib
import json
import math
import threading
from collections import deque
from collections.abc import Callable, Generator
from dataclasses import asdict, dataclass
from typing import Any, Protocol

import numpy as np

from benchwarden import commission_work as steps
from benchwarden.core.channels import CHANNELS
from benchwarden.core.clock import Clock
from benchwarden.core.commissioning import Hand, Opening, Readings, Rig, Scans, TestResult, Told
from benchwarden.core.procedure import Answerer, Ask, carry_out
from benchwarden.core.samples import block_from_frames
from benchwarden.errors import BoardFault, FrameError, LinkError, LinkTimeout
from benchwarden.link.board_client import BoardClient
from benchwarden.link.decoder import Received
from benchwarden.link.messages import Event, Hello, Message, Reply
from benchwarden.record.journal import Journal
from benchwarden.record.journal_format import BURST_DTYPE
from wardenfw import wire

REPLY_S = 10.0
SELF_TEST_S = 60.0
# Wall seconds without a word after which the board counts as gone; a machine may stall for some.
GONE_S = 20.0
LOST_S = 3.0
REOPEN_EVERY_S = 0.5
# Board seconds an opening may go on before it counts as one that failed.
SETTLE_S = 1.0
KEPT_FRAMES = 3000
# A person who does not answer while current flows has gone; the relay does not wait for them.
ANSWER_S = 120.0


class Person(Answerer, Protocol):
    """Who stands at the rig.

    Attributes:
        is_quick: answers at once (a script), so nobody has to be waited for in a thread of its own.
    """

    is_quick: bool

    def do(self, hand: Hand) -> None:
        """Show what is to be done now; a script does it."""
        ...


@dataclass(frozen=True)
class _Frame:
    boot: int
    t_ms: int
    state: int
    bits: int
    mean: tuple[float, ...]


class _Attended:
    """A person whose thinking time is the board's business as usual."""

    def __init__(self, person: Person, attend: Callable[[Callable[[], bool]], None]) -> None:
        self._person = person
        self._attend = attend

    def tell(self, text: str) -> None:
        self._person.tell(text)

    def answer(self, ask: Ask) -> str:
        if self._person.is_quick:
            return self._person.answer(ask)
        got: list[str] = []
        failed: list[BaseException] = []

        def wait() -> None:
            try:
                got.append(self._person.answer(ask))
            except BaseException as error:  # noqa: BLE001 - raised again below, in the thread that asked
                failed.append(error)

        waiting = threading.Thread(target=wait, daemon=True)
        waiting.start()
        self._attend(waiting.is_alive)
        if failed:
            raise failed[0]
        return got[0]


class Driver:
    """
    Args:
        client: has said hello; closed by the caller.
        journal: begun; closed by the caller.
        person: who is asked and told.
        lockstep: the bench waits for acknowledgements; to fall silent towards it
            is to acknowledge without a lease.

    Attributes:
        results: of the tests that have ended.
        rig: as the person described it, None before.
    """

    def __init__(
        self,
        client: BoardClient,
        journal: Journal,
        clock: Clock,
        hello: Hello,
        person: Person,
        lockstep: bool = False,
    ) -> None:
        self._client = client
        self._journal = journal
        self._clock = clock
        self._hello = hello
        self._person = person
        self._lockstep = lockstep
        self._frames: deque[_Frame] = deque(maxlen=KEPT_FRAMES)
        self._taken = 0
        self._events: list[tuple[int, Event]] = []
        self._mark = 0
        self._replies: dict[int, Reply] = {}
        self._bursts: dict[int, Scans | None] = {}
        self._silent = False
        self._acked_ms = 0
        self._lost = ""
        self._heard_s = clock.monotonic_s()
        self._test = ""
        self.results: list[TestResult] = []
        self.rig: Rig | None = None
        self._work: dict[type, Callable[[Any], Any]] = {
            Hand: self._hand,
            steps.Command: self._command,
            steps.SelfTest: self._self_test,
            steps.Read: self._read,
            steps.AwaitEvent: self._await_event,
            steps.AwaitOpening: self._await_opening,
            steps.FallSilent: self._fall_silent,
            steps.AwaitLoss: self._await_loss,
            steps.AwaitRestart: self._await_restart,
            steps.Now: lambda _step: clock.utc_label(),
            steps.UsesRig: self._uses_rig,
            steps.Began: self._began,
            steps.Ended: self._ended,
            steps.MakeOpen: self._make_open,
        }

    def carry_out(self, procedure: Generator[Any, Any, Any]) -> Any:
        """Drive the procedure to its end and return its result; whatever ends it, the relay is asked to open.

        Raises:
            RecordError: the journal takes no more.
            Stopped: the person ended it.
        """
        try:
            return carry_out(
                procedure, _Attended(self._person, self._attend), lambda step: self._work[type(step)](step)
            )
        except BaseException:
            # Twice: what was cut short may have left half a line on the way, which swallows the first.
            for _ in range(2):
                with contextlib.suppress(Exception):  # the lease runs out instead
                    self._client.open_relay(wire.CAUSES.index("operator"), "commissioning ended")
            with contextlib.suppress(Exception):  # the journal may be what failed
                self._journal.commit()
            raise

    def _do(self, step: Any) -> Any:
        return self._work[type(step)](step)

    @property
    def hello(self) -> Hello:
        """Facts of the board, as of its last start."""
        return self._hello

    # The board's line: everything is on disk before it is looked at

    def take(self, received: Received) -> None:
        """Journal what came, look at it, acknowledge it."""
        boot = received.boot or self._hello.boot
        for message in received.messages:
            if message.kind == wire.HELLO and (hello := message.hello()).boot == boot != self._hello.boot:
                self._met(hello)
        for first, last in received.lost:
            self._journal.append_note("gap", None, {"boot": boot, "first_seq": first, "last_seq": last})
        self._journal.append_frames(boot, received.frame_seqs, received.frames)
        fresh = [m for m in received.messages if m.kind != wire.EVENT or self._is_new(boot, m)]
        for burst in received.bursts:
            self._journal.append_burst(boot, burst.trip_seq, burst.total, burst.trip_index, burst.records)
        self._journal.commit()
        self._look(boot, received, fresh)
        boot = self._hello.boot
        lease_ms = 0 if self._silent else steps.LEASE_MS
        if self._silent and not self._lockstep:
            return
        self._client.ack(self._journal.durable_frame(boot), self._journal.durable_event(boot), lease_ms)
        if lease_ms and self._frames:
            self._acked_ms = self._frames[-1].t_ms

    def _is_new(self, boot: int, message: Message) -> bool:
        return self._journal.append_event(boot, message.seq, message.payload)

    def _look(self, boot: int, received: Received, fresh: list[Message]) -> None:
        if len(received.frames):
            means = block_from_frames(received.frames, 0).mean
            for frame, mean in zip(received.frames, means, strict=True):
                row = tuple(float(value) for value in mean)
                self._frames.append(_Frame(boot, int(frame["t_ms"]), int(frame["state"]), int(frame["bits"]), row))
            self._taken += len(received.frames)
        for message in fresh:
            if message.kind == wire.EVENT:
                self._events.append((boot, message.event()))
            elif message.kind == wire.REPLY:
                self._replies[message.reply().to_seq] = message.reply()
        for burst in received.bursts:
            self._bursts[burst.trip_seq] = _scans(burst.records, burst.trip_index) if burst.complete else None

    def _met(self, hello: Hello) -> None:
        self._journal.expect_restart(self._clock.monotonic_s() - self._heard_s)
        self._hello = hello
        self._lost = ""
        self._heard_s = self._clock.monotonic_s()
        self._journal.append_note("board", None, hello.facts())

    def _pump(self, timeout_s: float = 0.05) -> None:
        """Take what has come.

        Raises:
            LinkError: the board is gone.
        """
        if self._lost:
            raise LinkError(self._lost)
        try:
            received = self._client.poll(timeout_s)
            if received:
                self._heard_s = self._clock.monotonic_s()
                self.take(received)
        except FrameError as error:
            self._journal.append_note("message", None, {"text": f"the board sent what cannot be read: {error}"})
        except LinkError as error:
            self._lost = str(error)
            raise

    def _attend(self, is_thinking: Callable[[], bool]) -> None:
        """Go on while a person thinks, whatever becomes of the line."""
        since_s = self._clock.monotonic_s()
        while is_thinking():
            try:
                self._pump()
                if self._is_energised() and self._clock.monotonic_s() - since_s > ANSWER_S:
                    since_s = self._clock.monotonic_s()
                    self._client.open_relay(0, "nobody answered")
                    self._person.tell(f"No answer for {ANSWER_S:g} s: the relay has been asked to open.")
            except LinkError:
                self._clock.sleep(0.05)

    def _until(self, is_done: Callable[[], bool], board_s: float, wall_s: float = GONE_S) -> bool:
        """Pump until something is so; False when the board's time for it is over.

        Args:
            wall_s: wall seconds without a word after which the board is gone.
        """
        start = self._frames[-1] if self._frames else None
        quiet_s = self._clock.monotonic_s()
        while not is_done():
            newest = self._frames[-1] if self._frames else None
            if start is None or (newest is not None and newest.boot != start.boot):
                start = newest
            if start is not None and newest is not None and newest.t_ms - start.t_ms >= board_s * 1000:
                return False
            self._pump()
            if self._clock.monotonic_s() - max(self._heard_s, quiet_s) > wall_s:
                raise LinkTimeout(f"not a word from the board for {wall_s:g} s")
        return True

    # What the procedure asks for

    def _hand(self, hand: Hand) -> str:
        self._journal.append_note("hand", None, {"test": self._test, **asdict(hand)})
        self._person.do(hand)
        return ""

    def _uses_rig(self, step: steps.UsesRig) -> str:
        self.rig = step.rig
        self._journal.append_note("rig", None, asdict(step.rig))
        return ""

    def _began(self, step: steps.Began) -> str:
        self._test = step.test
        self._journal.append_note("commissioning-begins", None, {"test": step.test})
        return ""

    def _ended(self, step: steps.Ended) -> str:
        self._journal.append_note("commissioning-test", None, asdict(step.result))
        self._journal.commit()
        result = step.result
        self.results.append(result)
        words = result.measures[0].words() if result.measures else ""
        self._person.tell(f"{result.test}: {result.verdict.upper()} {words}{': ' if result.why else ''}{result.why}")
        return ""

    def _command(self, step: steps.Command) -> Reply:
        self._mark = len(self._events)
        seq = self._client.send(step.kind, step.payload)
        if not self._until(lambda: seq in self._replies, REPLY_S):
            raise LinkTimeout(f"no reply to {wire.KIND_NAMES[step.kind]} within {REPLY_S:g} s")
        return self._replies.pop(seq)

    def _self_test(self, _step: steps.SelfTest) -> dict[str, str]:
        self._mark = len(self._events)
        seq = self._client.send(wire.SELF_TEST)
        if not self._until(lambda: seq in self._replies, SELF_TEST_S, SELF_TEST_S):
            raise LinkTimeout(f"no end of the self-test within {SELF_TEST_S:g} s")
        reply = self._replies.pop(seq)
        if reply.refusal not in (wire.DONE, wire.R_SENSOR):
            raise BoardFault(f"the board does not test itself: {reply.why}")
        data = self._client.info(wire.SELFTEST_INFO)
        try:
            table = json.loads(data)
            parts = {str(part): str(said) for part, said in table["parts"].items()}
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise FrameError(f"self-test of {len(data)} bytes cannot be read: {error!r}") from error
        self._journal.append_note("self-test", None, table)
        return parts

    def _read(self, step: steps.Read) -> Readings:
        count = max(1, math.ceil(step.seconds * 10))
        # The frame under way began before.
        first = self._taken + 1
        if not self._until(lambda: self._taken >= first + count, step.seconds + 10.0):
            raise LinkTimeout("the board's frames do not come")
        frames = list(self._frames)[first - self._taken :]
        rows = np.array([frame.mean for frame in frames])
        newest = frames[-1]
        # What is missing now is missing, whatever it read before.
        mean = np.where(np.isnan(rows[-1]), math.nan, rows.mean(axis=0))
        return Readings(dict(zip(CHANNELS, mean.tolist(), strict=True)), newest.state, newest.bits, newest.t_ms)

    def _event(self, name: str) -> Event | None:
        for _, event in self._events[self._mark :]:
            if event.event == name:
                return event
        return None

    def _await_event(self, step: steps.AwaitEvent) -> Told | None:
        name = wire.EVENTS[step.event]
        self._until(lambda: self._event(name) is not None, step.timeout_s)
        event = self._event(name)
        return None if event is None else _told(event)

    def _is_energised(self) -> bool:
        return bool(self._frames) and self._frames[-1].state in (wire.CLOSING, wire.CLOSED)

    def _await_opening(self, step: steps.AwaitOpening) -> Opening | None:
        if not self._until(lambda: self._event("tripped") is not None or self._event("opened") is not None or not
                           self._is_energised(), step.timeout_s):  # fmt: skip
            return None
        self._until(lambda: self._event("opened") is not None, SETTLE_S)
        return self._opening()

    def _opening(self) -> Opening:
        tripped, opened = self._event("tripped"), self._event("opened")
        scans: Scans | None = None
        if tripped is not None:
            seq = tripped.seq
            self._client.fetch_burst(seq)
            self._until(lambda: seq in self._bursts, 30.0)
            scans = self._bursts.pop(seq, None)
        return Opening(
            None if tripped is None else _told(tripped), None if opened is None else _told(opened), scans
        )  # fmt: skip

    def _fall_silent(self, step: steps.FallSilent) -> tuple[Opening | None, int]:
        self._mark = len(self._events)
        self._silent = True
        try:
            tripped = self._until(lambda: self._event("opened") is not None, step.timeout_s)
        finally:
            self._silent = False
        acked_ms = self._acked_ms
        return (self._opening() if tripped or self._event("tripped") is not None else None), acked_ms

    def _await_loss(self, step: steps.AwaitLoss) -> bool:
        until_s = self._clock.monotonic_s() + step.timeout_s
        while self._clock.monotonic_s() < until_s:
            try:
                self._pump()
            except LinkError:
                return True
            if self._clock.monotonic_s() - self._heard_s > LOST_S:
                self._lost = f"no data from the board for {LOST_S:g} s"
                return True
        return False

    def _await_restart(self, step: steps.AwaitRestart) -> Told | None:
        """Meet the board again after a reset, over the same port or a new one."""
        before = self._hello.boot
        until_s = self._clock.monotonic_s() + step.timeout_s
        self._mark = len(self._events)
        while self._clock.monotonic_s() < until_s:
            if self._lost:
                self._reopen()
                continue
            try:
                # A board that has restarted says nothing until it is asked.
                if self._hello.boot == before and self._clock.monotonic_s() - self._heard_s > REOPEN_EVERY_S:
                    self._client.send(wire.HELLO_REQUEST)
                self._pump(0.2)
            except LinkError:
                continue
            for boot, event in self._events[self._mark :]:
                if boot != before and event.event == "boot":
                    return _told(event)
        return None

    def _reopen(self) -> bool:
        try:
            hello = self._client.reopen(hello_timeout_s=2.0)
        except LinkError:
            self._clock.sleep(REOPEN_EVERY_S)
            return False
        self._lost = ""
        self._heard_s = self._clock.monotonic_s()
        if hello.boot != self._hello.boot:
            self._met(hello)
        return True

    def _make_open(self, _step: steps.MakeOpen) -> bool:
        until_s = self._clock.monotonic_s() + GONE_S
        while self._lost and self._clock.monotonic_s() < until_s:
            self._reopen()
        self._mark = len(self._events)
        taken = self._taken
        self._until(lambda: self._taken > taken, SETTLE_S)
        if self._is_energised() or self._frames[-1].state == wire.ARMED:
            self._client.open_relay(0, "commissioning: the test is over")
        return self._until(self._reads_open, 2.0)

    def _reads_open(self) -> bool:
        return not self._is_energised() and not self._frames[-1].bits & wire.MAINS_ON


def _told(event: Event) -> Told:
    return Told(event.t_ms, event.event, event.cause, event.channel, event.value, event.limit, event.text)


def _scans(records: bytes, trip: int) -> Scans:
    table = np.frombuffer(records, BURST_DTYPE)
    return Scans(
        table["t_ms"].astype(np.int64), np.array(table["bits"]), table["value"].astype(np.float64), trip
    )  # fmt: skip
