"""A host made of a script: acts at frame numbers, acknowledges every frame, keeps every byte it got."""

from __future__ import annotations

import contextlib
import json
import os
import select
import socket
import threading
import time
from collections.abc import Callable, Iterator

from benchwarden.core.unit import Unit
from benchwarden.virtual.board import VirtualBoard
from benchwarden.virtual.hands import Hands
from benchwarden.virtual.line_end import PtyEnd, SocketEnd
from benchwarden.virtual.lockstep import Lockstep
from benchwarden.virtual.server import FaultSpec, Server, make_board
from wardenfw import wire

UNIT = Unit(
    rated_power_w=60,
    load_ohm=8,
    rail_nominal_v=42.0,
    emitter_resistor_ohm=0.22,
    target_bias_drop_mv=11.0,
    limiter_lamp_w=100,
    package="metal-can",
    run_type="burn-in",
)
NAN = float("nan")


def wide_stage(stage_id: int = 1, limiter_in: bool = True, **high: float) -> bytes:
    """A STAGE payload that only insists on what the board insists on; `high` tightens channels."""
    limits = []
    for name in wire.MUST_LIMIT:
        channel = wire.CHANNELS.index(name)
        top = high.get(name, wire.CEILINGS[channel])
        cause = wire.CAUSES.index("over-temperature" if name.startswith("sink") else "over-current")
        low = -top if name.endswith("_v") else NAN
        limits.append((channel, wire.VALUE, cause, low, top, 0, 0))
    return wire.pack_stage(stage_id, limiter_in, False, limits, 14.0, 14.0)


Script = dict[int, Callable[["ScriptedHost"], None]]


class ScriptedHost:
    """Speaks to one served bench; `script` maps a frame number to what is done when it arrives."""

    def __init__(self, url: str, lease_ms: int = 5000) -> None:
        if url.startswith("socket://"):
            host, port = url[9:].rsplit(":", 1)
            self._socket: socket.socket | None = socket.create_connection((host, int(port)), timeout=10)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._fd = self._socket.fileno()
        else:
            self._socket = None
            self._fd = os.open(url, os.O_RDWR | os.O_NOCTTY)
        self.got = bytearray()
        self._at = 0
        self.lease_ms = lease_ms
        self.seq = 0
        self.frames: list[tuple[int, bytes]] = []
        self.events: list[tuple[int, tuple[object, ...]]] = []
        self.replies: list[tuple[int, int, int, str]] = []
        self.hello = b""
        self._event_seq = 0

    def send(self, kind: int, payload: bytes = b"") -> None:
        self.seq += 1
        os.write(self._fd, wire.encode(kind, self.seq, payload))

    def _lines(self, timeout_s: float) -> Iterator[tuple[int, int, bytes]]:
        if select.select([self._fd], [], [], timeout_s)[0]:
            self.got += os.read(self._fd, 65536)
        while (end := self.got.find(b"\n", self._at)) >= 0:
            line = bytes(self.got[self._at : end])
            self._at = end + 1
            _, kind, seq, payload = wire.decode(line)
            yield kind, seq, payload

    def greet(self) -> None:
        self.send(wire.HELLO_REQUEST)

    def run(self, until: Callable[[], bool], script: Script | None = None, timeout_s: float = 30.0) -> None:
        """Take part in the run until `until()`, at most timeout_s of the wall."""
        give_up_s = time.monotonic() + timeout_s
        while not until():
            assert time.monotonic() < give_up_s, f"gave up after {len(self.frames)} frames, events {self.events}"
            for kind, seq, payload in self._lines(1.0):
                self._take(kind, seq, payload, script or {})
                if until():
                    return

    def _take(self, kind: int, seq: int, payload: bytes, script: Script) -> None:
        if kind == wire.HELLO:
            if self.hello and json.loads(self.hello)["boot"] != json.loads(payload)["boot"]:
                self._event_seq = 0
            self.hello = payload
        elif kind == wire.EVENT:
            if seq > self._event_seq:
                self._event_seq = seq
                self.events.append((seq, wire.unpack_event(payload)))
        elif kind == wire.REPLY:
            _, to_kind, refusal, state, text = wire.unpack_reply(payload)
            self.replies.append((to_kind, refusal, state, text))
            if to_kind == wire.ARM and refusal == wire.DONE:
                self.send(wire.GO, wire.pack_u32(int(text)))
        elif kind == wire.FRAME:
            self.frames.append((seq, payload))
            if seq in script:
                script[seq](self)
            self.send(wire.ACK, wire.pack_ack(seq, self._event_seq, self.lease_ms))

    def frames_held(self, n: int) -> Callable[[], bool]:
        return lambda: len(self.frames) >= n

    def saw_event(self, event: int) -> Callable[[], bool]:
        return lambda: any(body[1] == event for _, body in self.events)

    def saw_boot_reason(self, reason: str) -> bool:
        return any(body[1] == wire.EV_BOOT and body[-1] == reason for _, body in self.events)

    def causes(self, event: int) -> list[str]:
        return [wire.CAUSES[int(str(body[2]))] for _, body in self.events if body[1] == event]

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
        else:
            os.close(self._fd)


def close_relay(host: ScriptedHost, stage: bytes | None = None) -> None:
    """Stage and arm; the scripted host says go by itself when the challenge comes."""
    host.send(wire.STAGE, stage if stage is not None else wide_stage())
    host.send(wire.ARM)


@contextlib.contextmanager
def served(
    *faults: FaultSpec,
    seed: int = 1,
    speed: float = 0.0,
    lockstep: bool = True,
    kind: str = "pty",
    unit: Unit = UNIT,
    patience_s: float = 2.0,
    board: VirtualBoard | None = None,
) -> Iterator[tuple[dict[str, str], VirtualBoard]]:
    """Serve a bench in a thread; gives what it printed when ready, and the bench itself."""
    bench = board or make_board(unit, faults, seed)
    end = SocketEnd(0) if kind == "socket" else PtyEnd()
    server = Server(bench, end, 0, speed, Lockstep() if lockstep else None, patience_s)
    failed: list[BaseException] = []

    def serve() -> None:
        try:
            server.serve()
        except BaseException as error:  # noqa: BLE001 - raised again by the test's thread
            failed.append(error)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield server.ready, bench
    finally:
        server.stop()
        thread.join(20)
        if failed:
            raise failed[0]


def hands_of(ready: dict[str, str]) -> Hands:
    return Hands(ready["hands"])
