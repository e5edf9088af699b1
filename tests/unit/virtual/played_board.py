"""A virtual board played in one process, by a host made of seconds and acts."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
from scripted_host import UNIT, wide_stage

from benchwarden.virtual.bench_load import BenchLoad
from benchwarden.virtual.board import BenchStop, VirtualBoard
from benchwarden.virtual.dut import Dut, DutParams
from wardenfw import wire

Act = Callable[["Run"], None]


class Run:
    """Plays a board for a while: hello at 1 s, acknowledgements, and acts at given seconds.

    Attributes:
        refusals: the board may refuse; else a refusal fails the test.
        acts: what `play` does besides, by second.
    """

    def __init__(self, seed: int = 1, ticks_origin_us: int = 0, load: BenchLoad | None = None) -> None:
        load = load or Dut(DutParams.from_unit(UNIT, 1, still=True), 1)
        self.board = VirtualBoard(load, seed, ticks_origin_us)
        self.lease_ms = 5000
        self.events: list[tuple[float, tuple[object, ...]]] = []
        self.frames: list[bytes] = []
        self.hellos: list[dict[str, Any]] = []
        self.replies: list[tuple[int, int, str]] = []
        self.refusals = False
        self.acts: dict[float, Act] = {}
        self.contacts: list[tuple[int, bool]] = []
        self._partial = bytearray()
        self._seq = 0
        self._event_seq = 0
        moved = self.board.mains._on_contact

        def contact(closed: bool) -> None:
            self.contacts.append((self.board.clock.now_us, closed))
            moved(closed)

        self.board.mains._on_contact = contact

    @property
    def t_s(self) -> float:
        return self.board.clock.now_us / 1e6

    def send(self, kind: int, payload: bytes = b"") -> None:
        self._seq += 1
        self.board.port.incoming += wire.encode(kind, self._seq, payload)

    def close(self, stage: bytes | None = None) -> None:
        self.send(wire.STAGE, stage or wide_stage())
        self.send(wire.ARM)

    def play(self, until_s: float, acts: dict[float, Act] | None = None) -> Run:
        acts = {1.0: lambda run: run.send(wire.HELLO_REQUEST), **self.acts, **(acts or {})}
        todo = sorted(acts.items(), key=lambda item: item[0])

        def tick() -> None:
            self._listen()
            while todo and self.t_s >= todo[0][0]:
                todo.pop(0)[1](self)
            if self.t_s >= until_s:
                raise BenchStop

        self.board.run(tick)
        return self

    def _listen(self) -> None:
        port = self.board.port
        self._partial += port.outgoing
        port.outgoing.clear()
        while (end := self._partial.find(b"\n")) >= 0:
            _, kind, seq, payload = wire.decode(bytes(self._partial[:end]))
            del self._partial[: end + 1]
            if kind == wire.FRAME:
                self.frames.append(payload)
                if self.lease_ms:
                    self.send(wire.ACK, wire.pack_ack(seq, self._event_seq, self.lease_ms))
            elif kind == wire.HELLO:
                self._event_seq = 0
                self.hellos.append(json.loads(payload))
            elif kind == wire.EVENT and seq > self._event_seq:
                self._event_seq = seq
                self.events.append((self.t_s, wire.unpack_event(payload)))
            elif kind == wire.REPLY:
                _, to_kind, refusal, _, text = wire.unpack_reply(payload)
                self.replies.append((to_kind, refusal, text))
                assert refusal == wire.DONE or self.refusals, (wire.KIND_NAMES[to_kind], wire.REFUSALS[refusal], text)
                if refusal == wire.DONE and to_kind == wire.ARM:
                    self.send(wire.GO, wire.pack_u32(int(text)))

    def told(self, event: int) -> list[tuple[object, ...]]:
        return [body for _, body in self.events if body[1] == event]

    def reading(self, channel: str) -> float:
        """Mean of a channel in the newest frame."""
        mean = np.frombuffer(self.frames[-1][wire.FRAME_HEAD_SIZE :], dtype="<f4")
        return float(mean[wire.CHANNELS.index(channel)])

    def mains_bit(self) -> bool:
        return bool(self.frames[-1][wire.FRAME_HEAD_SIZE - 1] & wire.MAINS_ON)
