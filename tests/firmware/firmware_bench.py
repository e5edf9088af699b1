"""The firmware on fake pins in virtual time, with the fewest things a host does."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from typing import Any

import firmware_fakes as fakes
import selftest_models

from wardenfw import wire

NAN = math.nan


def value_limits(**changed: tuple[float, float]) -> list[tuple[int, int, int, float, float, int, int]]:
    """Return VALUE limits for every channel the board insists on; `changed` replaces (low, high) by name."""
    bounds = {
        "rail_pos_a": (NAN, 5.0),
        "rail_neg_a": (NAN, 5.0),
        "rail_pos_v": (NAN, 60.0),
        "rail_neg_v": (-60.0, NAN),
        "offset_left_v": (-2.0, 2.0),
        "offset_right_v": (-2.0, 2.0),
        "bias_left_v": (NAN, 0.1),
        "bias_right_v": (NAN, 0.1),
        "sink_left_c": (NAN, 90.0),
        "sink_right_c": (NAN, 90.0),
    }
    bounds.update(changed)
    return [(wire.CHANNELS.index(name), wire.VALUE, 1, low, high, 0, 0) for name, (low, high) in bounds.items()]


def stage_payload(limits: list[Any] | None = None, stage_id: int = 7, limiter_in: bool = True) -> bytes:
    return wire.pack_stage(stage_id, limiter_in, False, value_limits() if limits is None else limits, 6.0, 6.0)


class Bench:
    """The firmware, its fakes, and the fewest things a host does."""

    def __init__(
        self,
        clock: fakes.Time,
        flash: fakes.Flash | None = None,
        faults: frozenset[str] = frozenset(),
        spoil: Callable[[Bench], None] | None = None,
    ) -> None:
        """
        Args:
            faults: of the relay chain, see selftest_models.
            spoil: makes something else wrong before the firmware is built.
        """
        from wardenfw import app, board

        self.time = clock
        self.parts = fakes.parts()
        for name in ("left", "right"):
            self.parts[name].registers = _Converter()
        self.chain, self.monitors, self.converters = selftest_models.wire_up(clock, self.parts, faults)
        self.port = fakes.Port()
        self.flash = fakes.Flash() if flash is None else flash
        if "program.txt" not in self.flash.files:
            fakes.install_program(self.flash)
        if spoil is not None:
            spoil(self)
        self.app = app.build(board.Board(self.port, self.flash))
        self.follow = True  # the mirror contact opens as the coil is driven
        self.frames: list[tuple[Any, ...]] = []
        self.frame_seqs: list[int] = []
        self.events: dict[int, tuple[Any, ...]] = {}
        self.event_lines: list[int] = []
        self.replies: dict[int, tuple[Any, ...]] = {}
        self.bursts: list[bytes] = []
        self.hellos: list[bytes] = []
        self.infos: dict[int, bytes] = {}
        self._seq = 0

    @property
    def lock(self) -> Any:
        return self.app.interlock

    def pin(self, number: int) -> int:
        return fakes.Pin.levels[number]

    def slots(self, n: int) -> None:
        for _ in range(n):
            self.app.slot()
            self.time.us += 2500
            if self.follow:
                fakes.Pin.levels[18] = 1 if fakes.Pin.levels[14] else 0

    def run(self, ms: float) -> None:
        self.slots(round(ms / 2.5))
        *lines, rest = bytes(self.port.outgoing).split(b"\n")
        self.port.outgoing[:] = rest
        for line in lines:
            _, kind, seq, payload = wire.decode(line)
            if kind == wire.FRAME:
                self.frames.append(struct.unpack(wire.FRAME_FORMAT, payload))
                self.frame_seqs.append(seq)
            elif kind == wire.EVENT:
                self.events[seq] = wire.unpack_event(payload)
                self.event_lines.append(seq)
            elif kind == wire.REPLY:
                reply = wire.unpack_reply(payload)
                self.replies[reply[0]] = reply
            elif kind == wire.BURST:
                self.bursts.append(payload)
            elif kind == wire.HELLO:
                self.hellos.append(payload)
            elif kind == wire.INFO:
                self.infos[seq] = payload

    def send(self, kind: int, payload: bytes = b"") -> int:
        self._seq += 1
        self.port.incoming += wire.encode(kind, self._seq, payload)
        return self._seq

    def ask(self, kind: int, payload: bytes = b"") -> tuple[Any, ...]:
        seq = self.send(kind, payload)
        for _ in range(60):
            self.run(10)
            if seq in self.replies:
                return self.replies[seq]
        raise AssertionError("no reply")

    def lease(self, ms: int = 10_000) -> None:
        self.send(wire.ACK, wire.pack_ack(0, 0, ms))
        self.run(30)

    def close(self, payload: bytes | None = None) -> None:
        """Bring the board to CLOSED under `payload`, or the default stage."""
        self.send(wire.HELLO_REQUEST)
        self.run(200)
        assert self.ask(wire.STAGE, stage_payload() if payload is None else payload)[2] == wire.DONE
        self.lease()
        challenge = int(self.ask(wire.ARM)[4])
        assert self.ask(wire.GO, wire.pack_u32(challenge))[2] == wire.DONE
        self.run(50)
        assert self.lock.state == wire.CLOSED

    def newest(self, number: int) -> tuple[Any, ...]:
        """Return the newest event of that kind."""
        found = [e for _, e in sorted(self.events.items()) if e[1] == number]
        assert found, [wire.EVENTS[e[1]] for e in self.events.values()]
        return found[-1]


class _Converter(dict[int, int]):
    """ADS1115 registers: conversion is what the multiplexer chose."""

    def __init__(self) -> None:
        super().__init__({0: 0, 1: 0x8583})
        self.chosen = {1: 1408, 2: 20, 3: 0, 7: 13200}

    def __getitem__(self, register: int) -> int:
        if register == 0:
            return self.chosen.get(super().__getitem__(1) >> 12 & 7, 0) & 0xFFFF
        return super().__getitem__(register)
