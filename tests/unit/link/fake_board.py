"""A board of few words that speaks the real wire, for tests of the link: no threads, its own clock."""

from __future__ import annotations

import json
import struct

from benchwarden.errors import LinkError
from wardenfw import wire

RING = 128


class FakeClock:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic_s(self) -> float:
        return self.now_s

    def utc_label(self) -> str:
        return "2000-01-01T00:00:00Z"

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


def frame_payload(t_ms: int, scan: int = 0, value: float = 0.0) -> bytes:
    return struct.pack(
        wire.FRAME_FORMAT, t_ms % 2**32, scan, 1, 0x1FFF, 0, wire.SAFE, 0, *([value] * (3 * wire.N_CHANNELS))
    )


class FakeBoard:
    """Keeps frames and events until they are acknowledged, as the wire says.

    Attributes:
        spoil: frame sequence numbers whose next transmission is damaged.
        deaf_to: command kinds that are ignored.
        infos: what it answers to an info request, by topic; a list gives one
            answer after the other.
        refusals: answer to a command kind, where it is not "done".
        heard: every command as (kind, seq, payload).
    """

    def __init__(self, clock: FakeClock, board: str = "e66138", version: int = wire.WIRE_VERSION) -> None:
        self.clock = clock
        self.board = board
        self.version = version
        self.boot = 77
        self.deaf_to: set[int] = set()
        self.spoil: set[int] = set()
        self.heard: list[tuple[int, int, bytes]] = []
        self.ports: list[FakePort] = []
        self.infos: dict[int, list[bytes]] = {}
        self.refusals: dict[int, tuple[int, str]] = {}
        self.burst = b""
        self.burst_ready_after = 0
        self._begin()

    def _begin(self) -> None:
        self.ring: dict[int, bytes] = {}
        self.events: dict[int, bytes] = {}
        self.newest = 0
        self.newest_event = 0
        self.listener = False
        self._in = b""
        self._out = b""

    def reboot(self) -> None:
        self.boot += 1
        self._begin()

    def port(self, name: str = "fake") -> FakePort:
        for old in self.ports:
            old.gone = True
        self.ports.append(FakePort(self, name))
        self._in = self._out = b""
        return self.ports[-1]

    def say(self, data: bytes) -> None:
        self._out += data

    def frames(self, count: int) -> None:
        for _ in range(count):
            self.newest += 1
            self.ring[self.newest] = frame_payload(100 * self.newest, self.newest, self.newest / 8)
            if len(self.ring) > RING:
                del self.ring[min(self.ring)]
            if self.listener:
                self._send_frame(self.newest)

    def event(self, event: int = wire.EV_NOTE, text: str = "") -> int:
        self.newest_event += 1
        self.events[self.newest_event] = wire.pack_event(100 * self.newest, event, text=text)
        self._send(wire.EVENT, self.newest_event, self.events[self.newest_event])
        return self.newest_event

    def take(self, data: bytes) -> None:
        *lines, self._in = (self._in + data).split(b"\n")
        for line in lines:
            version, kind, seq, payload = wire.decode(line)
            self.heard.append((kind, seq, payload))
            if kind in self.deaf_to:
                continue
            if version != self.version or kind == wire.HELLO_REQUEST:
                self._hello(version == self.version)
            elif kind == wire.ACK:
                frame_seq, event_seq, _ = wire.unpack_ack(payload)
                self.ring = {seq: p for seq, p in self.ring.items() if seq > frame_seq}
                self.events = {seq: p for seq, p in self.events.items() if seq > event_seq}
            elif kind == wire.RESEND:
                for again in sorted(self.ring):
                    if again >= wire.unpack_u32(payload):
                        self._send_frame(again)
                self._reply(seq, kind)
            elif kind == wire.BURST_REQUEST:
                self._burst(seq, *wire.unpack_burst_request(payload))
            elif kind == wire.INFO_REQUEST and kind not in self.refusals:
                self._info(seq, *wire.unpack_info_request(payload))
            else:
                refusal, text = self.refusals.get(kind, (wire.DONE, "4711" if kind == wire.ARM else ""))
                self._reply(seq, kind, text, refusal)

    def asked(self, kind: int) -> list[bytes]:
        return [payload for heard, _, payload in self.heard if heard == kind]

    def _reply(self, seq: int, kind: int, text: str = "", refusal: int = wire.DONE) -> None:
        self._send(wire.REPLY, seq, wire.pack_reply(seq, kind, refusal, wire.SAFE, text))

    def _info(self, seq: int, topic: int, part: int) -> None:
        said = self.infos.get(topic, [b""])
        data = said.pop(0) if len(said) > 1 else said[0]
        pieces = [data[at : at + wire.INFO_DATA] for at in range(0, len(data), wire.INFO_DATA)] or [b""]
        if part >= len(pieces):
            self._reply(seq, wire.INFO_REQUEST, refusal=wire.R_NOT_STORED)
            return
        self._send(wire.INFO, seq, wire.pack_info(topic, part, len(pieces), pieces[part]))

    def _burst(self, seq: int, trip_seq: int, first: int) -> None:
        total = len(self.burst) // wire.BURST_RECORD_SIZE
        if self.newest < self.burst_ready_after:
            self._reply(seq, wire.BURST_REQUEST, refusal=wire.R_NOT_STORED)
            return
        end = min(first + wire.BURST_RECORDS_PER_CHUNK, total)
        records = self.burst[first * wire.BURST_RECORD_SIZE : end * wire.BURST_RECORD_SIZE]
        self._send(wire.BURST, seq, wire.pack_burst(trip_seq, first, total, 2, records))

    def _hello(self, listener: bool) -> None:
        words = {
            "board": self.board,
            "fw": "0.1.0",
            "wire": self.version,
            "mpy": "1.24.1",
            "boot": self.boot,
            "scan_hz": 100,
            "cal": "uncalibrated",
            "cal_crc": "",
            "program": "0123456789abcdef",
            "selftest": {"ok": True, "parts": {}, "tested": 21},
            "state": "safe",
            "cause": "none",
            "oldest_frame": min(self.ring, default=self.newest + 1),
            "newest_frame": self.newest,
            "newest_event": self.newest_event,
            "challenge_ms": wire.CHALLENGE_MS,
        }
        self._send(wire.HELLO, 0, json.dumps(words).encode())
        if listener and not self.listener:
            self.listener = True
            for seq in sorted(self.ring):
                self._send_frame(seq)

    def _send_frame(self, seq: int) -> None:
        if seq in self.spoil:
            self.spoil.discard(seq)
            self.say(b"A" + wire.encode(wire.FRAME, seq, self.ring[seq]))
            return
        self._send(wire.FRAME, seq, self.ring[seq])

    def _send(self, kind: int, seq: int, payload: bytes) -> None:
        self.say(wire.encode(kind, seq, payload, self.version))

    def heard_out(self, limit: int) -> bytes:
        out, self._out = self._out[:limit], self._out[limit:]
        return out


class FakePort:
    """A BytePort to a FakeBoard; waiting moves the clock, `gone` pulls the cable.

    Attributes:
        hung_up: like `gone`, once what was said before has been read.
        fail_writes: the port takes no more commands but still delivers bytes.
    """

    def __init__(self, board: FakeBoard, name: str) -> None:
        self.board = board
        self.name = name
        self.gone = False
        self.hung_up = False
        self.fail_writes = False
        self.closed = False
        self.chunk = 1 << 16
        self.reads = 0

    def read(self, timeout_s: float) -> bytes:
        assert not self.closed, "read from a closed port"
        if self.gone:
            raise LinkError(f"{self.name}: the port is gone")
        self.reads += 1
        data = self.board.heard_out(self.chunk)
        if not data and self.hung_up:
            raise LinkError(f"{self.name}: the other end closed the connection")
        if not data:
            self.board.clock.now_s += max(timeout_s, 0.001)
        return data

    def write(self, data: bytes) -> None:
        assert not self.closed, "write to a closed port"
        if self.gone or self.fail_writes:
            raise LinkError(f"{self.name}: the port is gone")
        self.board.take(data)

    def close(self) -> None:
        self.closed = True
