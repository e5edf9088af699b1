"""What goes wrong while the relay is closed: the board is asked to open, the journal says why, nothing is lost.

Expectations are the project's own: the host may ask for open at any time, never
close on its own, and whatever fails in it must not leave a relay closed that
nobody watches. The board below speaks the real wire and obeys; the link, the
journal and the stage machine are the real ones.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import benchwarden.supervisor as supervisor_module
from benchwarden.core.findings import Finding
from benchwarden.core.plan import Expected, Plan, PlanStage, StageFigures
from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import UnitStage, unit_from_table
from benchwarden.errors import LinkError, RecordError, WireVersionError
from benchwarden.link.board_client import BoardClient
from benchwarden.link.decoder import LineDecoder
from benchwarden.record import summary as summary_module
from benchwarden.record.inbox import FOLDER, post_request
from benchwarden.record.journal import Journal
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.summary import read_summary
from benchwarden.supervisor import RunInfo, Supervisor, run_header
from wardenfw import wire

OPERATOR = wire.CAUSES.index("operator")
VOLTS = 42.0

UNIT = unit_from_table(
    {
        "rated_power_w": 60,
        "load_ohm": 8,
        "rail_nominal_v": VOLTS,
        "emitter_resistor_ohm": 0.22,
        "target_bias_drop_mv": 11.0,
        "limiter_lamp_w": 100,
    },
    "test",
)


def plan_of(hold_s: float) -> Plan:
    figures = StageFigures({"rail_pos_v": Expected(VOLTS - 2, VOLTS, VOLTS + 2)}, (), 1.0, 1.0, ())
    stage = PlanStage(1, "direct", 100, False, False, True, "Set 100 %.", True, 0.5, hold_s, 20.0, figures)
    return Plan(UNIT, "power-up", (stage,))


class Wall:
    """A clock that only moves when somebody waits."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic_s(self) -> float:
        return self.now_s

    def utc_label(self) -> str:
        return "2000-01-01T00:00:00Z"

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


class Board:
    """A board that obeys, sends a frame whenever it is read, and can be told to misbehave at a frame.

    Attributes:
        at: frame number -> what happens before that frame is sent.
        deaf_to: kinds of commands that get lost, each as often as its number says.
        acks: (boot, frame seq, event seq, lease) of every acknowledgement taken.
    """

    def __init__(self, clock: Wall) -> None:
        self.clock = clock
        self.at: dict[int, Callable[[], object]] = {}
        self.deaf_to: dict[int, int] = {}
        self.heard: list[int] = []
        self.opened: list[tuple[int, str]] = []
        self.acks: list[tuple[int, int, int, int]] = []
        self.boot = 7
        self.version = wire.WIRE_VERSION
        self.is_silent = False
        self.is_unplugged = False
        self.refuses_to_come_back = False
        self.fails_writes = False
        self.restart()

    def restart(self) -> None:
        self.boot += 1
        self.state = wire.SAFE
        self.seq = 0
        self.event_seq = 0
        self.ring: dict[int, bytes] = {}
        self.listener = False
        self._in = b""
        self.out = b""

    # The port.

    name = "scripted"

    def read(self, timeout_s: float) -> bytes:
        self._check()
        if self.listener and not self.out and not self.is_silent:
            happening = self.at.pop(self.seq + 1, None)
            if happening:
                happening()
            self.seq += 1
            self.frame()
            self._check()
        self.clock.now_s += 0.1 if self.out else max(timeout_s, 0.01)
        out, self.out = self.out, b""
        return out

    def write(self, data: bytes) -> None:
        self._check()
        if self.fails_writes:
            self.unplug()
            self._check()
        *lines, self._in = (self._in + data).split(b"\n")
        for line in lines:
            try:
                self._act(*wire.decode(line))
            except wire.WireError:
                continue

    def close(self) -> None:
        pass

    def _check(self) -> None:
        if self.is_unplugged:
            raise LinkError("scripted: the port is gone")

    def unplug(self) -> None:
        self.is_unplugged = True

    def plug(self) -> Board:
        if self.refuses_to_come_back:
            raise LinkError("scripted: there is no such port")
        self.is_unplugged = self.fails_writes = False
        self.out = self._in = b""
        return self

    # The board.

    def frame(self) -> None:
        volts = VOLTS if self.state == wire.CLOSED else 0.0
        means = [0.0, 0.0, volts, -volts, *[0.0] * 4, 25.0, 25.0, 25.0, 0.0, 0.0]
        bits = wire.ESTOP_OK | wire.ALERT_OK
        if self.state == wire.CLOSED:
            bits |= wire.MAINS_ON | wire.COIL_ON
        self.ring[self.seq] = struct.pack(
            wire.FRAME_FORMAT, self.seq * 100, self.seq, 1, 0x1FFF, 0, self.state, bits, *means * 3
        )
        if self.listener and not self.is_silent:
            self.say(wire.FRAME, self.seq, self.ring[self.seq])

    def say(self, kind: int, seq: int, payload: bytes) -> None:
        self.out += wire.encode(kind, seq, payload, self.version)

    def event(self, event: int, cause: int = 0, text: str = "") -> None:
        self.event_seq += 1
        self.say(wire.EVENT, self.event_seq, wire.pack_event(self.seq * 100, event, cause, text=text))

    def raw_event(self, payload: bytes) -> None:
        self.event_seq += 1
        self.say(wire.EVENT, self.event_seq, payload)

    def _act(self, version: int, kind: int, seq: int, payload: bytes) -> None:
        if version != self.version or kind == wire.HELLO_REQUEST:
            self.listener = version == self.version
            self.hello()
            return
        if self.deaf_to.get(kind, 0):
            self.deaf_to[kind] -= 1
            return
        self.heard.append(kind)
        if kind == wire.ACK:
            self.acks.append((self.boot, *wire.unpack_ack(payload)))
            return
        text = "4711" if kind == wire.ARM else ""
        if kind == wire.ARM and self.state == wire.SAFE:
            self.state = wire.ARMED
        elif kind == wire.GO:
            self.state = wire.CLOSED
        elif kind == wire.OPEN:
            cause, words = wire.unpack_open(payload)
            self.opened.append((cause, words))
            if self.state == wire.CLOSED:
                self.state = wire.TRIPPED if cause else wire.SAFE
            elif self.state == wire.ARMED:
                self.state = wire.SAFE
        elif kind == wire.RESEND:
            for again in sorted(self.ring):
                if again >= wire.unpack_u32(payload):
                    self.say(wire.FRAME, again, self.ring[again])
        elif kind == wire.BURST_REQUEST:
            trip_seq, _ = wire.unpack_burst_request(payload)
            self.say(wire.BURST, seq, wire.pack_burst(trip_seq, 0, 1, 0, bytes(wire.BURST_RECORD_SIZE)))
            return
        self.say(wire.REPLY, seq, wire.pack_reply(seq, kind, wire.DONE, self.state, text))

    def hello(self) -> None:
        words = (
            f'{{"board": "e66138", "fw": "0.1.0", "wire": {self.version}, "mpy": "1.24.1", "boot": {self.boot}, '
            '"scan_hz": 100, "cal": "uncalibrated", "selftest": {"ok": true, "parts": {}}, '
            f'"state": "{wire.STATES[self.state]}", "cause": "none", "oldest_frame": {min(self.ring, default=1)}, '
            f'"newest_frame": {self.seq}, "newest_event": {self.event_seq}, "challenge_ms": 30000}}'
        )
        self.say(wire.HELLO, 0, words.encode())


class Bench:
    """One run with its board; a person confirms as soon as the page asks."""

    def __init__(self, run_dir: Path, hold_s: float) -> None:
        run_dir.mkdir()
        self.run_dir = run_dir
        self.clock = Wall()
        self.board = Board(self.clock)
        self.client = BoardClient(self.board, self.clock, self.board.plug)
        plan = plan_of(hold_s)
        info = RunInfo("test", self.clock.utc_label(), True, give_up_s=5.0)
        hello = self.client.hello()
        first = self.client.poll(0.2)
        while not first.frames.size:
            first = self.client.poll(0.2)
        self._first = first
        t0_ms = int(first.frames["t_ms"][0])
        self.journal = Journal.create(run_dir, run_header(plan, info, hello, t0_ms))
        # Nobody pulls the plug of this machine here; the crash tests do.
        self.journal._open().execute("PRAGMA synchronous=OFF")
        self._confirmed: set[int] = set()
        self.supervisor = Supervisor(self.client, self.journal, plan, run_dir, self.clock, info, hello, t0_ms, self)

    def acts(self, state: Any, values: dict[str, float]) -> list[Any]:
        prompt = state.prompt
        if prompt is not None and prompt.ask == "confirm" and prompt.prompt_id not in self._confirmed:
            self._confirmed.add(prompt.prompt_id)
            post_request(self.run_dir, "confirm", "test", prompt.prompt_id)
        return []

    def run(self) -> dict[str, Any]:
        with self.journal:
            return self.supervisor.run(self._first)

    def said(self) -> str:
        with JournalReader(self.run_dir) as reader:
            return "\n".join(str(note.body["text"]) for note in reader.notes() if note.kind == "message")

    def status(self) -> dict[str, Any]:
        return read_summary(self.run_dir)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "run", 2.0)
    yield made
    made.journal.close()
    made.client.close()


def test_undisturbed_run_closes_and_opens(bench: Bench) -> None:
    bench.run()
    assert wire.GO in bench.board.heard
    assert bench.board.opened == [(0, "all stages passed")]
    assert bench.status()["phase"] == "finished"
    assert bench.status()["error"] is None


def test_stages_of_an_earlier_run_in_the_unit_file_do_not_disturb(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = (UnitStage(0.0, "old", 25.0, True, False), UnitStage(1000.0, "older", 100.0, False, False))
    monkeypatch.setattr(f"{__name__}.UNIT", replace(UNIT, stage=old))
    bench = Bench(tmp_path / "run", 2.0)
    bench.run()
    bench.client.close()
    assert bench.status()["phase"] == "finished"
    assert bench.status()["error"] is None


def closed_at(bench: Bench, number: int, happening: Callable[[], object]) -> None:
    """Let something happen before a frame, and make sure that the relay is closed then."""

    def checked() -> None:
        assert bench.board.state == wire.CLOSED
        happening()

    bench.board.at[number] = checked


def test_unexpected_error_opens_is_recorded_and_travels_on(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    states: list[int] = []
    feed = bench.supervisor._judge.feed

    def broken(block: SampleBlock) -> list[Finding]:
        if block.t_s[-1] >= 1.4:
            states.append(bench.board.state)
            raise ZeroDivisionError("a detector divided by nothing")
        return feed(block)

    monkeypatch.setattr(bench.supervisor._judge, "feed", broken)
    with pytest.raises(ZeroDivisionError):
        bench.run()
    assert states == [wire.CLOSED]
    assert bench.board.state == wire.TRIPPED
    assert bench.board.opened[0] == (OPERATOR, "host stopped: ZeroDivisionError: a detector divided by nothing")
    assert "The program stopped: ZeroDivisionError: a detector divided by nothing" in bench.said()
    assert "ZeroDivisionError" in bench.status()["error"]
    with JournalReader(bench.run_dir) as reader:
        assert reader.frames()[2][-1] == bench.board.seq


def test_keyboard_stop_opens_though_half_a_line_was_on_its_way(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    ack = bench.client.ack

    def interrupted(frame_seq: int, event_seq: int, lease_ms: int) -> int:
        if bench.board.seq >= 15:
            bench.board.write(b"AQEC")
            raise KeyboardInterrupt
        return ack(frame_seq, event_seq, lease_ms)

    monkeypatch.setattr(bench.client, "ack", interrupted)
    with pytest.raises(KeyboardInterrupt):
        bench.run()
    assert bench.board.opened == [(OPERATOR, "host stopped: stopped by the keyboard")]
    assert bench.board.state == wire.TRIPPED
    assert bench.status()["error"] == "stopped by the keyboard"


def test_error_whose_words_cannot_be_sent_opens_all_the_same(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(block: SampleBlock) -> list[Finding]:
        raise RecordError("/run\udcff: gone")  # a file name that is no UTF-8

    closed_at(bench, 15, lambda: monkeypatch.setattr(bench.supervisor._judge, "feed", broken))
    with pytest.raises(RecordError):
        bench.run()
    assert bench.board.state == wire.TRIPPED


@pytest.mark.parametrize("payload", [b"", b"\x01\x02", wire.pack_event(0, wire.EV_NOTE) + b"\xff\xfe"])
def test_event_that_cannot_be_read_is_kept_and_named(bench: Bench, payload: bytes) -> None:
    closed_at(bench, 15, lambda: bench.board.raw_event(payload))
    bench.run()
    assert bench.status()["phase"] == "finished"
    assert "cannot be read" in bench.said()
    with JournalReader(bench.run_dir) as reader:
        assert payload in [event.payload for event in reader.events()]


def test_reply_that_cannot_be_read_is_named(bench: Bench) -> None:
    closed_at(bench, 15, lambda: bench.board.say(wire.REPLY, 1, b"\x01"))
    bench.run()
    assert bench.status()["phase"] == "finished"
    assert "cannot be read" in bench.said()


def test_hello_that_cannot_be_read_loses_no_frame(bench: Bench) -> None:
    closed_at(bench, 15, lambda: bench.board.say(wire.HELLO, 0, b"{}"))
    bench.run()
    assert bench.status()["phase"] == "finished"
    assert "cannot be read" in bench.said()
    with JournalReader(bench.run_dir) as reader:
        assert reader.gaps() == []


def test_words_of_a_newer_board_do_not_stop_the_run(bench: Bench) -> None:
    closed_at(bench, 15, lambda: bench.board.event(200, 99, "new"))
    bench.run()
    assert bench.status()["phase"] == "finished"


def test_trip_for_a_cause_of_a_newer_board_is_a_trip(bench: Bench) -> None:
    def trip() -> None:
        bench.board.state = wire.TRIPPED
        bench.board.event(wire.EV_TRIPPED, 99)

    closed_at(bench, 15, trip)
    verdict = bench.run()
    assert verdict["verdict"] == "trip"
    assert verdict["trips"][0]["cause"] == "cause 99"


@pytest.mark.parametrize("lost_while", ["reading", "writing"])
def test_port_that_vanishes_and_comes_back(bench: Bench, lost_while: str) -> None:
    def vanish() -> None:
        if lost_while == "reading":
            bench.board.unplug()
        else:
            bench.board.fails_writes = True

    closed_at(bench, 15, vanish)
    bench.run()
    assert bench.status()["phase"] == "finished"
    assert "Link to the board lost" in bench.said()
    assert "kept supervising" in bench.said()
    with JournalReader(bench.run_dir) as reader:
        assert reader.gaps() == []


def test_port_that_vanishes_with_the_trip_still_gives_the_full_rate_record(bench: Bench) -> None:
    def trip() -> None:
        bench.board.state = wire.TRIPPED
        bench.board.event(wire.EV_TRIPPED, wire.CAUSES.index("over-current"))
        bench.board.fails_writes = True

    closed_at(bench, 15, trip)
    verdict = bench.run()
    assert verdict["trips"][0]["cause"] == "over-current"
    with JournalReader(bench.run_dir) as reader:
        assert len(reader.bursts()) == 1


def test_port_that_stays_away_ends_the_run(bench: Bench) -> None:
    def vanish() -> None:
        bench.board.refuses_to_come_back = True
        bench.board.unplug()

    closed_at(bench, 15, vanish)
    bench.run()
    assert bench.status()["phase"] == "aborted"
    assert "stayed away" in bench.said()


def test_board_that_falls_silent_ends_the_run(bench: Bench) -> None:
    """The port is there and takes every byte: only the clock tells."""

    def hush() -> None:
        bench.board.is_silent = True
        bench.board.deaf_to = {kind: 1 << 30 for kind in wire.KIND_NAMES if kind != wire.OPEN}

    closed_at(bench, 15, hush)
    before_s = bench.clock.now_s
    bench.run()
    assert bench.status()["phase"] == "aborted"
    assert "no data from the board" in bench.said()
    assert bench.board.opened
    assert bench.clock.now_s - before_s < 60


def test_board_that_restarts_behind_an_open_port(bench: Bench) -> None:
    """Numbers of the start before mean nothing to it, and must not be acknowledged."""

    def restarted() -> None:
        bench.clock.sleep(0.7)
        bench.board.restart()
        bench.board.listener = True
        bench.board.hello()

    closed_at(bench, 15, restarted)
    bench.run()
    assert bench.status()["phase"] == "aborted"
    assert "restarted" in bench.said()
    late = [ack for ack in bench.board.acks if ack[0] == bench.board.boot]
    assert late
    assert all(frame_seq <= bench.board.seq for _, frame_seq, _, _ in late)
    assert all(lease_ms == 0 for _, _, _, lease_ms in late)
    with JournalReader(bench.run_dir) as reader:
        pauses = [note.body["pause_s"] for note in reader.notes() if note.kind == "board-restart"]
    assert len(pauses) == 1
    assert 0.7 <= pauses[0] < 1.0


def test_board_that_comes_back_with_another_wire_version(bench: Bench) -> None:
    def reflashed() -> None:
        bench.board.restart()
        bench.board.version = wire.WIRE_VERSION + 1
        bench.board.unplug()

    closed_at(bench, 15, reflashed)
    with pytest.raises(WireVersionError, match=f"version {wire.WIRE_VERSION + 1}"):
        bench.run()
    assert "The program stopped" in bench.said()
    assert f"version {wire.WIRE_VERSION + 1}" in bench.status()["error"]


def test_open_that_is_lost_on_the_way_is_asked_for_again(bench: Bench) -> None:
    bench.board.deaf_to = {wire.OPEN: 1}
    closed_at(bench, 15, lambda: post_request(bench.run_dir, "abort", "test"))
    bench.run()
    assert bench.status()["phase"] == "aborted"
    assert bench.board.state == wire.TRIPPED
    assert bench.board.opened == [(OPERATOR, "Opened by a person (test).")]


def test_stage_that_is_lost_on_the_way_is_sent_again(bench: Bench) -> None:
    """The limits of the stage are the board's; without them the relay must not be asked for."""
    bench.board.deaf_to = {wire.STAGE: 2}
    bench.run()
    assert bench.status()["phase"] == "finished"
    assert bench.said().count("it is told again") == 2
    assert bench.board.heard.index(wire.STAGE) < bench.board.heard.index(wire.ARM) < bench.board.heard.index(wire.GO)


def test_inbox_that_cannot_be_read_ends_the_run_in_order(bench: Bench) -> None:
    def spoil() -> None:
        folder = bench.run_dir / FOLDER
        for path in folder.iterdir():
            path.unlink()
        folder.rmdir()
        folder.write_text("a file where the folder was")

    closed_at(bench, 15, spoil)
    verdict = bench.run()
    assert verdict["verdict"] == "incomplete"
    assert bench.board.state == wire.TRIPPED
    assert "Requests of people cannot be read" in bench.said()


def test_request_with_half_a_character_is_taken(bench: Bench) -> None:
    closed_at(bench, 15, lambda: post_request(bench.run_dir, "abort", "te\ud800st", text="\udfff"))
    bench.run()
    assert bench.status()["phase"] == "aborted"
    assert bench.board.opened == [(OPERATOR, "Opened by a person (te?st).")]


def test_views_that_go_blind_do_not_end_the_run(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    writing = summary_module.write_summary

    def blind(run_dir: Path, summary: dict[str, Any], durable: bool = False) -> None:
        if 15 <= bench.board.seq < 20:
            raise RecordError("status.json: status cannot be written (held by a view)")
        writing(run_dir, summary, durable)

    monkeypatch.setattr(supervisor_module, "write_summary", blind)
    bench.run()
    assert bench.status()["phase"] == "finished"
    assert bench.said().count("The views are not kept up to date") == 1


def test_nothing_is_shown_that_is_not_on_disk(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every message in the status file is in the journal by then, also while the link is lost."""
    writing = summary_module.write_summary
    shown: list[str] = []

    def checking(run_dir: Path, summary: dict[str, Any], durable: bool = False) -> None:
        kept = bench.said()
        shown.extend(summary["link"] for m in summary["messages"] if m["text"] in kept)
        assert all(m["text"] in kept for m in summary["messages"])
        writing(run_dir, summary, durable)

    monkeypatch.setattr(supervisor_module, "write_summary", checking)
    monkeypatch.setattr(supervisor_module, "SUMMARY_EVERY_S", 0.3)
    closed_at(bench, 15, bench.board.unplug)
    bench.run()
    assert "up" in shown


def test_disk_that_takes_no_more_opens_the_relay(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def full() -> None:
        raise RecordError("journal.sqlite: the disk is full")

    closed_at(bench, 15, lambda: monkeypatch.setattr(bench.journal, "commit", full))
    with pytest.raises(RecordError, match="disk is full"):
        bench.run()
    assert bench.board.state == wire.TRIPPED
    assert "the disk is full" in bench.status()["error"]


def test_clock_of_the_board_wraps_mid_run(bench: Bench) -> None:
    """49 days after its start; the journal's time and the stages go on."""
    sending = bench.board.frame

    def late() -> None:
        sending()
        payload = bytearray(bench.board.ring[bench.board.seq])
        struct.pack_into("<I", payload, 0, (2**32 - 1500 + bench.board.seq * 100) % 2**32)
        bench.board.ring[bench.board.seq] = bytes(payload)
        bench.board.out = b""
        bench.board.say(wire.FRAME, bench.board.seq, bytes(payload))

    assert LineDecoder().feed(bench.board.out).frames.size == 0
    bench.board.frame = late  # type: ignore[method-assign]
    bench.run()
    assert bench.status()["phase"] == "finished"
