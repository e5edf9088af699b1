"""What a host does, in the fewest steps: hello, stage, arm, go, acknowledge."""

from __future__ import annotations

import json
import math
import struct
from typing import Any

from emulated_board import EmulatedBoard

from wardenfw import wire

NAN = math.nan
OVER_CURRENT = wire.CAUSES.index("over-current")


def limits(current_a: float = 5.0) -> list[tuple[int, int, int, float, float, int, int]]:
    """Return a stage's limits as a plan has them: values, two slopes, four jumps."""
    high = (current_a, current_a, 60.0, NAN, 2.0, 2.0, 0.1, 0.1, 90.0, 90.0)
    low = (NAN, NAN, -1.0, -60.0, -2.0, -2.0, -0.01, -0.01, NAN, NAN)
    out = [(c, wire.VALUE, 1, low[c], high[c], 0, 0) for c in range(10)]
    out += [(c, wire.VALUE, 5, NAN, 10.0, 0, 0) for c in (11, 12)]
    out += [(c, wire.RATE, 4, NAN, 1.0, 1000, 5000) for c in (8, 9)]
    out += [(c, wire.SPREAD, 2, -8.0, 8.0, 0, 2000) for c in (0, 1, 4, 5)]
    return out


class Session:
    """Speaks to one board and keeps what it says."""

    def __init__(self, board: EmulatedBoard) -> None:
        self.board = board
        self.frames: list[tuple[Any, ...]] = []
        self.frame_seqs: list[int] = []
        self.events: dict[int, tuple[Any, ...]] = {}
        self.replies: dict[int, tuple[Any, ...]] = {}
        self.bursts: list[bytes] = []
        self.infos: dict[int, bytes] = {}
        self.hello: dict[str, Any] = {}
        self.lease_ms = 5000
        self.acknowledge = True

    def run(self, ms: float) -> None:
        """Let time pass in steps of 20 ms, reading and, every 100 ms or so, acknowledging."""
        for i in range(max(1, round(ms / 20))):
            self.board.run(20)
            for kind, seq, payload in self.board.messages():
                if kind == wire.FRAME:
                    self.frames.append(struct.unpack(wire.FRAME_FORMAT, payload))
                    self.frame_seqs.append(seq)
                elif kind == wire.EVENT:
                    self.events[seq] = wire.unpack_event(payload)
                elif kind == wire.REPLY:
                    reply = wire.unpack_reply(payload)
                    self.replies[reply[0]] = reply
                elif kind == wire.HELLO:
                    self.hello = json.loads(payload)
                elif kind == wire.BURST:
                    self.bursts.append(payload)
                elif kind == wire.INFO:
                    self.infos[seq] = payload
            if self.acknowledge and self.frame_seqs and i % 5 == 4:
                newest = max(self.events) if self.events else 0
                self.board.send(wire.ACK, wire.pack_ack(self.frame_seqs[-1], newest, self.lease_ms))

    def ask(self, kind: int, payload: bytes = b"", within_ms: int = 600) -> tuple[Any, ...]:
        seq = self.board.send(kind, payload)
        for _ in range(within_ms // 20):
            self.run(20)
            if seq in self.replies:
                return self.replies[seq]
        raise AssertionError(f"no reply to {wire.KIND_NAMES[kind]} within {within_ms} ms")

    def info(self, topic: int) -> bytes:
        """Return all parts of an INFO."""
        data, part, parts = b"", 0, 1
        while part < parts:
            seq = self.board.send(wire.INFO_REQUEST, wire.pack_info_request(topic, part))
            for _ in range(30):
                self.run(20)
                if seq in self.infos:
                    break
            _, _, parts, piece = wire.unpack_info(self.infos[seq])
            data += piece
            part += 1
        return data

    def connect(self) -> None:
        for _ in range(60):
            self.run(100)
            self.board.send(wire.HELLO_REQUEST)
            self.run(100)
            if self.hello:
                return
        raise AssertionError(f"no hello; the board said {bytes(self.board.garbage)!r}")

    def hello_again(self) -> dict[str, Any]:
        self.hello = {}
        self.connect()
        return self.hello

    def load(self, current_a: float = 5.0, alert_a: float = 6.0, stage_id: int = 1) -> None:
        reply = self.ask(wire.STAGE, wire.pack_stage(stage_id, True, False, limits(current_a), alert_a, alert_a))
        assert reply[2] == wire.DONE, reply

    def close(self) -> None:
        """Arm, go, and wait for the contact."""
        newest = max(self.events) if self.events else 0
        self.board.send(wire.ACK, wire.pack_ack(0, newest, self.lease_ms))
        reply = self.ask(wire.ARM)
        assert reply[2] == wire.DONE, reply
        reply = self.ask(wire.GO, wire.pack_u32(int(reply[4])))
        assert reply[2] == wire.DONE, reply
        self.run(60)
        assert self.board.contact.contact_closed

    def event(self, number: int) -> tuple[Any, ...]:
        """Return the newest event of that kind."""
        found = [e for _, e in sorted(self.events.items()) if e[1] == number]
        assert found, f"no {wire.EVENTS[number]} among {[wire.EVENTS[e[1]] for e in self.events.values()]}"
        return found[-1]
