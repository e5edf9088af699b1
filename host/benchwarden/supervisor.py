"""The loop: samples -> journal -> analysis -> stages -> actions; the only code that asks for the relay.

Threads: none. One thread polls the port, writes the journal, runs the analysis
and the stage machine, answers the board and writes the status file, in that
order. The views are other processes; they reach it through the inbox folder
and read the status file and the journal, so they can neither delay nor cause a
trip. What the board must do within milliseconds it does by itself.
"""

from __future__ import annotations

import contextlib
import math
from collections import deque
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from benchwarden import __version__
from benchwarden.analysis.judge import Judge
from benchwarden.analysis.planner import to_wire
from benchwarden.core import actions as act
from benchwarden.core import events as ev
from benchwarden.core import stages as sm
from benchwarden.core.channels import CHANNELS
from benchwarden.core.clock import Clock
from benchwarden.core.findings import Finding
from benchwarden.core.outcome import combined_verdict
from benchwarden.core.plan import Plan
from benchwarden.core.requests import Request
from benchwarden.core.samples import FRAME_DTYPE, SampleBlock
from benchwarden.core.status import failed_parts, run_status, stage_table
from benchwarden.errors import BenchwardenError, FrameError, LinkError, RecordError, WireVersionError
from benchwarden.link.board_client import BoardClient
from benchwarden.link.decoder import Received
from benchwarden.link.messages import Event, Hello, Message
from benchwarden.record.inbox import take_requests
from benchwarden.record.journal import Journal
from benchwarden.record.summary import write_summary
from wardenfw import wire

LEASE_MS = 3000
LOST_AFTER_S = 1.0
LINGER_S = 1.5
GIVE_UP_AFTER_END_S = 15.0
SUMMARY_EVERY_S = 0.1
REOPEN_EVERY_S = 1.0
# Board time after which an OPEN without effect, or a stage without an answer, was lost on the way.
OPEN_AGAIN_S = 0.3
STAGE_AGAIN_S = 1.0

# Board states in which the relay is closed, or a hand on the board's button closes it.
_MAY_CLOSE = (wire.ARMED, wire.CLOSING, wire.CLOSED)
_NOTHING = Received(np.empty(0, FRAME_DTYPE), np.empty(0, np.uint32))


class Person(Protocol):
    """Somebody at the bench who is not a view: the virtual bench's technician."""

    def acts(self, state: sm.State, values: dict[str, float]) -> Sequence[Request]: ...


@dataclass(frozen=True)
class RunInfo:
    """What a run is called and who it is for; labels only.

    Attributes:
        speed: board seconds per wall second, 1.0 on a real bench.
        give_up_s: wall seconds without a board after which the run is ended.
    """

    run: str
    started_at_utc: str
    virtual: bool
    speed: float = 1.0
    give_up_s: float = 60.0


def run_header(
    plan: Plan,
    info: RunInfo,
    hello: Hello,
    t0_ms: int,
    board: dict[str, Any] | None = None,
    before: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """Return what the journal says about the run before its first sample.

    Args:
        board: all that is known of the board (link.board_facts); default: what its hello tells.
        before: job and checks before power, as before_power.Before tells them.
    """
    return {
        "run": info.run,
        "run_type": plan.run_type,
        "virtual": info.virtual or hello.board.startswith("virtual"),
        "started_at_utc": info.started_at_utc,
        "t0_ms": t0_ms,
        "unit": asdict(plan.unit),
        "plan": [stage_table(stage) for stage in plan.stages],
        "working": [asdict(w) for w in _working(plan)],
        "host_version": __version__,
        "board": board or hello.facts(),
        "before": before or {},
    }


def _working(plan: Plan) -> list[Any]:
    found = list(plan.working)
    for stage in plan.stages:
        found += [replace(w, quantity=f"{stage.name}: {w.quantity}") for w in stage.figures.working]
    return found


class Supervisor:
    """Walks one run from the first hello to the verdict.

    Owns the client and the journal while `run` is going on; closes neither.
    """

    def __init__(
        self,
        client: BoardClient,
        journal: Journal,
        plan: Plan,
        run_dir: Path,
        clock: Clock,
        info: RunInfo,
        hello: Hello,
        t0_ms: int,
        person: Person | None = None,
        board: dict[str, Any] | None = None,
    ) -> None:
        self._client = client
        self._journal = journal
        self._plan = plan
        self._run_dir = run_dir
        self._clock = clock
        self._info = info
        self._hello = hello
        self._board = board or hello.facts()
        self._t0_ms = t0_ms
        self._person = person
        # A board of the virtual bench says so itself, whoever started the run.
        self._is_virtual = info.virtual or hello.board.startswith("virtual")
        # Stages come live; those a unit file may hold are of another run.
        self._judge = Judge(plan.unit, ())
        self._state = sm.start(plan)
        self._findings: list[Finding] = []
        self._messages: deque[dict[str, Any]] = deque(maxlen=50)
        self._triples: tuple[list[float], ...] = ()
        self._means: dict[str, float] = {}
        self._relay: dict[str, Any] = {}
        self._link = "connecting"
        self._heard_s = clock.monotonic_s()
        self._summary_due_s = -math.inf
        self._summary_durable = False
        self._reopen_due_s = 0.0
        self._last_t_s = -math.inf
        self._open_wish = act.OpenRelay("operator", "the run is over")
        self._open_again_s = -math.inf
        self._stage_wish: act.SendStage | None = None
        self._stage_again_s = -math.inf
        self._summary_fails = False
        self._bursts_due = 0
        self._over_at_t_s: float | None = None
        self._over_at_wall_s: float | None = None
        self._verdict: dict[str, Any] | None = None
        self._error: str | None = None
        self._stage_tables = [stage_table(stage) for stage in plan.stages]

    def run(self, first: Received) -> dict[str, Any]:
        """Walk the run to its end and return the verdict.

        Args:
            first: what the board already sent; its first frame is time zero.

        Whatever goes wrong in here, the board is asked to open before the
        error travels on; if the asking fails too, the lease runs out.

        Raises:
            RecordError: the journal cannot take more; the relay was opened.
        """
        try:
            self._connected(self._hello, same_boot=False)
            for words in self._board.get("commissioning", ()):
                self._say(words)
            self._heard(first)
            while not self._is_done():
                self._turn()
            return self._finish()
        except BaseException as error:
            self._failed(error)
            raise

    def _failed(self, error: BaseException) -> None:
        """Ask for the relay first; then leave word of what happened, wherever that still goes."""
        words = str(error) or type(error).__name__
        if isinstance(error, KeyboardInterrupt):
            words = "stopped by the keyboard"
        elif not isinstance(error, BenchwardenError):
            words = f"{type(error).__name__}: {words}"
        self._error = words
        # Twice: what was cut short may have left half a line on the way, which swallows the first.
        for _ in range(2):
            with contextlib.suppress(Exception):  # the lease runs out instead
                self._client.open_relay(wire.CAUSES.index("operator"), _sendable(f"host stopped: {words}"))
        with contextlib.suppress(Exception):  # a disk that takes no more is perhaps what failed
            self._say(f"The program stopped: {_sendable(words)}")
            self._journal.commit()
        with contextlib.suppress(Exception):
            write_summary(self._run_dir, self.summary(), durable=True)

    def _turn(self) -> None:
        try:
            received = self._client.poll(0.05)
        except FrameError as error:
            # Intact on the wire and yet no message: the line works, what it said is not known.
            self._say(f"The board sent what cannot be read: {error}")
            received = _NOTHING
        except LinkError as error:
            self._lost(str(error))
            return
        now = self._clock.monotonic_s()
        if received:
            if self._link != "up":
                self._link = "up"
                self._say("The board is heard again.")
            if not self._heard(received):
                return
            self._heard_s = now
        elif now - self._heard_s > LOST_AFTER_S:
            if self._link == "up":
                self._link = "lost"
                self._advance(ev.Disconnected(f"no data from the board for {LOST_AFTER_S:g} s"))
            self._give_up_in_time(now)
        self._take_requests()
        # On disk before it is shown.
        self._journal.commit()
        if now >= self._summary_due_s or self._summary_durable:
            self._write_summary()

    def _heard(self, received: Received) -> bool:
        """Take what came and acknowledge it; False when the port was lost over the acknowledging."""
        self._take(received)
        try:
            self._commit_and_ack()
        except LinkError as error:
            self._lost(str(error))
            return False
        return True

    def _take_requests(self) -> None:
        try:
            requests = take_requests(self._run_dir)
        except OSError as error:
            if not self._state.outcome:
                # Nobody who asks for open could be heard, and one who did may be among what was lost.
                self._say(f"Requests of people cannot be read ({error}); the run ends.")
                self._advance(ev.GiveUp("operator", "Requests of people cannot be read; nobody could ask for open."))
            return
        for request in requests:
            self._on_request(request)

    def _commit_and_ack(self) -> None:
        # Disk first: the board forgets what it is told is held.
        self._journal.commit()
        # After the end no lease is renewed: a relay that should be open gets no support.
        lease_ms = 0 if self._state.outcome else LEASE_MS
        boot = self._hello.boot
        self._client.ack(self._journal.durable_frame(boot), self._journal.durable_event(boot), lease_ms)

    def _lost(self, why: str) -> None:
        now = self._clock.monotonic_s()
        if self._link != "lost":
            self._link = "lost"
            self._advance(ev.Disconnected(why))
            self._reopen_due_s = now
        self._give_up_in_time(now)
        if now >= self._reopen_due_s:
            self._reopen_due_s = now + REOPEN_EVERY_S
            try:
                hello = self._client.reopen()
            except WireVersionError:
                raise
            except LinkError:
                pass
            else:
                self._met(hello)
        self._take_requests()
        self._journal.commit()
        self._write_summary()
        self._clock.sleep(0.05)

    def _give_up_in_time(self, now: float) -> None:
        if now - self._heard_s > self._info.give_up_s and not self._state.outcome:
            self._advance(ev.GiveUp("host-silent", f"The board stayed away for {self._info.give_up_s:g} s."))

    def _met(self, hello: Hello) -> None:
        """Go on with a board that was away, or that has restarted."""
        now = self._clock.monotonic_s()
        same = hello.boot == self._hello.boot
        if not same:
            self._journal.expect_restart(now - self._heard_s)
        self._hello = hello
        self._heard_s = now
        self._connected(hello, same)

    def _connected(self, hello: Hello, same_boot: bool) -> None:
        self._link = "up"
        self._board = _known_of(self._board, hello)
        bad = failed_parts(self._board["selftest"]["parts"])
        self._journal.append_note("board", None, self._board)
        state = wire.STATES.index(hello.state) if hello.state in wire.STATES else wire.FAULT
        self._advance(ev.Connected(state, hello.cause, same_boot, "; ".join(bad)))

    def _is_done(self) -> bool:
        if not self._state.outcome:
            return False
        now = self._clock.monotonic_s()
        if self._over_at_wall_s is None:
            self._over_at_wall_s = now
            self._over_at_t_s = self._state.ended_s
        assert self._over_at_t_s is not None
        lingered = self._last_t_s - self._over_at_t_s >= LINGER_S and self._bursts_due == 0
        return lingered or now - self._over_at_wall_s > GIVE_UP_AFTER_END_S

    def _take(self, received: Received) -> None:
        """Journal everything first, then look at it in the order it arrived."""
        boot = received.boot or self._hello.boot
        for message in received.messages:
            # It restarted while its port stayed open. From here on its own numbers are acknowledged.
            if message.kind == wire.HELLO and (hello := message.hello()).boot == boot != self._hello.boot:
                self._met(hello)
        for first, last in received.lost:
            self._journal.append_note("gap", self._state.t_s, {"boot": boot, "first_seq": first, "last_seq": last})
            self._say(f"Frames {first} to {last} were lost on the way from the board.")
        block = self._journal.append_frames(boot, received.frame_seqs, received.frames)
        # The journal leaves out what it already holds, which can only be the oldest.
        skip = len(received.frames) - len(block)
        frames, seqs = received.frames[skip:], received.frame_seqs[skip:].tolist()
        at = 0
        for message in received.messages:
            while at < len(seqs) and seqs[at] <= message.after_frame:
                self._take_frame(frames[at], block.part(at, at + 1))
                at += 1
            self._take_message(boot, message)
        for i in range(at, len(seqs)):
            self._take_frame(frames[i], block.part(i, i + 1))
        for burst in received.bursts:
            self._journal.append_burst(boot, burst.trip_seq, burst.total, burst.trip_index, burst.records)
            self._bursts_due -= 1

    def _take_frame(self, frame: np.void, block: SampleBlock) -> None:
        t_s = float(block.t_s[0])
        self._last_t_s = t_s
        mean, low, high = block.mean[0].tolist(), block.minimum[0].tolist(), block.maximum[0].tolist()
        self._means = dict(zip(CHANNELS, mean, strict=True))
        self._triples = (mean, low, high)
        state, bits = int(frame["state"]), int(frame["bits"])
        contact = bool(bits & wire.MAINS_ON)
        self._relay = {
            "state": wire.STATES[state] if state < len(wire.STATES) else str(state),
            "coil": bool(bits & wire.COIL_ON),
            "contact": contact,
            "limiter_in": bool(bits & wire.LIMITER_IN),
            "cause": self._relay.get("cause", ""),
        }
        findings = self._judge.feed(block)
        self._advance(ev.Readings(t_s, self._means, state, contact, int(frame["stage_id"])))
        for finding in findings:
            self._on_finding(finding)
        self._ask_again(t_s, state)
        if self._person is not None:
            for request in self._person.acts(self._state, self._means):
                self._on_request(request)

    def _ask_again(self, t_s: float, state: int) -> None:
        """Repeat what the board should long have done; a damaged line is dropped there without a word."""
        must_open = self._state.outcome or self._state.phase == "opening"
        if must_open and state in _MAY_CLOSE and t_s >= self._open_again_s:
            self._do(self._open_wish)
        stage = self._stage_wish
        if stage is None or must_open or t_s < self._stage_again_s:
            return
        if self._plan.stages[self._state.index] is stage.stage:
            self._say(f"{stage.stage.name}: the board has not answered; it is told again.")
            self._do(stage)

    def _on_finding(self, finding: Finding) -> None:
        self._findings.append(finding)
        self._journal.append_note("finding", finding.t_s, asdict(finding))
        self._summary_durable = True
        if finding.severity == "trip":
            self._advance(ev.Judged(finding))

    def _take_message(self, boot: int, message: Message) -> None:
        if message.kind == wire.EVENT:
            if self._journal.append_event(boot, message.seq, message.payload):
                try:
                    event = message.event()
                except FrameError as error:
                    self._say(f"The board sent what cannot be read: {error}")
                    return
                self._on_board_event(boot, event)
        elif message.kind == wire.REPLY:
            try:
                reply = message.reply()
            except FrameError as error:
                self._say(f"The board sent what cannot be read: {error}")
                return
            kind, refusal, text = reply.to_kind, reply.refusal, reply.text
            if kind == wire.STAGE:
                self._stage_wish = None
            if refusal != wire.DONE:
                self._journal.append_note(
                    "refused",
                    self._state.t_s,
                    {"command": wire.KIND_NAMES.get(kind, str(kind)), "refusal": refusal, "text": text},
                )
            self._advance(ev.Reply(kind, refusal, text))

    def _on_board_event(self, boot: int, event: Event) -> None:
        run_ms = self._journal.run_ms_of(boot, event.t_ms)
        t_s = self._state.t_s if run_ms is None else run_ms / 1000.0
        if t_s < 0:
            return  # from before this run; the journal has it
        if event.event == "tripped":
            self._relay["cause"] = event.cause
            self._summary_durable = True
            if not self._bursts_due:
                self._bursts_due = 1
                # The client goes on asking once the port is back.
                with contextlib.suppress(LinkError):
                    self._client.fetch_burst(event.seq)
        if event.event in ("note", "sensor") and event.text:
            where = f" ({event.channel})" if event.channel else ""
            self._say(f"Board: {event.text}{where}")
        number = wire.EVENTS.index(event.event) if event.event in wire.EVENTS else -1
        self._advance(ev.BoardEvent(t_s, number, event.cause, event.channel, event.value, event.limit, event.text))

    def _on_request(self, request: Request) -> None:
        request = replace(request, by=_sendable(request.by), text=_sendable(request.text))
        body = {"by": request.by, "text": request.text, "prompt_id": request.prompt_id}
        match request.action:
            case "open" | "abort":
                self._advance(ev.Stop(request.by, request.action == "abort"))
                self._journal.append_note(request.action, self._state.t_s, body)
            case "confirm":
                self._journal.append_note("confirm", self._state.t_s, body)
                self._advance(ev.Confirm(request.prompt_id, request.by))
            case "reset":
                self._journal.append_note("reset", self._state.t_s, body)
                self._advance(ev.Acknowledge(request.by))
            case "note":
                self._journal.append_note("note", self._state.t_s, body)

    def _advance(self, event: ev.Event) -> None:
        before = self._state
        self._state, actions = sm.advance(before, event)
        for action in actions:
            self._do(action)
        if self._state.prompt is not before.prompt and self._state.prompt is not None:
            self._journal.append_note("prompt", self._state.t_s, asdict(self._state.prompt))
        if self._state.phase != before.phase:
            self._summary_durable = True

    def _do(self, action: act.Action) -> None:
        try:
            match action:
                case act.SendStage(stage):
                    self._stage_wish, self._stage_again_s = action, self._state.t_s + STAGE_AGAIN_S
                    self._client.send_stage(*to_wire(stage))
                case act.Arm():
                    self._client.arm()
                case act.Go(challenge):
                    self._client.go(challenge)
                case act.OpenRelay(cause, text):
                    self._open_wish, self._open_again_s = action, self._state.t_s + OPEN_AGAIN_S
                    self._client.open_relay(wire.CAUSES.index(cause), text)
                case act.ResetTrip():
                    self._client.reset()
                case act.Say(text):
                    self._say(text)
                case act.MarkStage(index, status, why):
                    self._mark_stage(index, status, why)
        except LinkError as error:
            # The board opens by itself when the lease runs out; the next poll
            # finds the port gone and goes on from there.
            self._say(f"Not sent to the board ({type(action).__name__}): {error}")

    def _mark_stage(self, index: int, status: str, why: str) -> None:
        if index < 0:
            return
        stage = self._plan.stages[index]
        t_s = self._state.t_s
        if status == "now":
            # The frame that ended the stage before has been judged in it; the replay
            # of the record has to put the border between the same two frames.
            t_s = round(t_s + 0.001, 3)
            self._judge.set_stage(t_s, stage.mains_pct, stage.limiter_in, stage.drive_on, stage.name)
        body = {
            "name": stage.name,
            "mains_pct": stage.mains_pct,
            "limiter_in": stage.limiter_in,
            "drive_on": stage.drive_on,
            "status": status,
            "why": why,
        }
        self._journal.append_note("stage", t_s, body)
        self._summary_durable = True

    def _say(self, text: str) -> None:
        t_s = self._state.t_s
        self._messages.append({"t_s": t_s, "text": text})
        self._journal.append_note("message", t_s, {"text": text})

    def _finish(self) -> dict[str, Any]:
        verdict = combined_verdict(self._judge.finish(), self._state)
        self._verdict = verdict
        self._journal.append_note("verdict", self._state.t_s, verdict)
        self._journal.commit()
        self._summary_durable = True
        self._write_summary()
        return verdict

    def _write_summary(self) -> None:
        self._summary_due_s = self._clock.monotonic_s() + SUMMARY_EVERY_S
        durable, self._summary_durable = self._summary_durable, False
        try:
            write_summary(self._run_dir, self.summary(), durable)
        except RecordError as error:
            # The journal is the record; the views may go blind, they may not end a run. A disk
            # that is full ends it all the same, by the next commit.
            if not self._summary_fails:
                self._say(f"The views are not kept up to date: {error}")
            self._summary_fails = self._summary_durable = True
        else:
            self._summary_fails = False

    def summary(self) -> dict[str, Any]:
        """Return the status as the views read it."""
        return {
            "run": self._info.run,
            "virtual": self._is_virtual,
            "speed": self._info.speed,
            "started_at_utc": self._info.started_at_utc,
            "updated_at_utc": self._clock.utc_label(),
            "t_s": self._last_t_s if math.isfinite(self._last_t_s) else 0.0,
            "board": self._board,
            "link": self._link,
            **run_status(self._state, self._stage_tables),
            "relay": self._relay,
            "values": {
                name: [None if math.isnan(v) else v for v in triple]
                for name, triple in zip(CHANNELS, zip(*self._triples, strict=True), strict=False)
            },
            "findings": [asdict(f) for f in self._findings[-50:]],
            "outlook": self._judge.outlook(),
            "verdict": self._verdict,
            "messages": list(self._messages),
            "record": {"pdf": None, "csv": None},
            "error": self._error,
        }


def _known_of(before: dict[str, Any], hello: Hello) -> dict[str, Any]:
    """Return what is known of the board after a hello: what it asked for at the start stays while it is the same."""
    now = hello.facts()
    if "commissioning" in before:
        now["commissioning"] = before["commissioning"]
    kept: dict[str, Any] = {key: before[key] for key in ("calibration", "program_digest") if key in before}
    if now["cal_crc"] != before.get("cal_crc") or now["program"] != before.get("program"):
        return now
    if "calibration" in kept:
        kept["cal"] = before["cal"]
    named = {part for part, said in before["selftest"]["parts"].items() if said != "ok"}
    if now["selftest"]["ok"] == before["selftest"]["ok"] and named == set(now["selftest"]["parts"]):
        # A hello names only what is not well, and cuts the reasons short.
        kept["selftest"] = before["selftest"]
    return {**now, **kept}


def _sendable(text: str) -> str:
    """Return the text with whatever cannot be written as UTF-8 (half a surrogate pair) replaced."""
    return text.encode("utf-8", "replace").decode("utf-8")


def frame_time_zero(received: Received) -> int:
    """Return t_ms of the first frame in `received`: the run's time zero."""
    return int(np.asarray(received.frames["t_ms"])[0])
