"""How much faster than the wall is the virtual bench? Prints ratios; not a test.

    python tests/bench_virtual.py [seconds of virtual time] [--profile]

Firmware, parts and amplifier on one core, relay closed, 30 limits held, every
frame acknowledged. The first figure is by CPU time of this process, so that a
busy machine shows less; the second is by the wall.
"""

from __future__ import annotations

import argparse
import cProfile
import json
import math
import pstats
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "unit" / "virtual"))

from scripted_host import UNIT, ScriptedHost, close_relay

from benchwarden.virtual.board import BenchStop, VirtualBoard
from benchwarden.virtual.dut import Dut, DutParams
from wardenfw import wire


def stage_of_30_limits() -> bytes:
    """A table as long as a usual stage's: the ten that must be, HF, temperatures, slopes and jumps."""
    nan = math.nan
    limits = []
    for channel, top in enumerate(wire.CEILINGS):
        low = -top if wire.CHANNELS[channel].endswith("_v") else nan
        limits.append((channel, wire.VALUE, 1, low, top, 0, 0))
        if len(limits) < 30:
            limits.append((channel, wire.RATE, 4, nan, top, 200, 2000))
    for channel in (0, 1, 6, 7):
        limits.append((channel, wire.SPREAD, 4, -wire.CEILINGS[channel], wire.CEILINGS[channel], 100, 1000))
    return wire.pack_stage(1, True, False, limits[:30], 14.0, 14.0)


def in_process(seconds: float) -> float:
    """Return virtual seconds per second of one core, without any line."""
    board = VirtualBoard(Dut(DutParams.from_unit(UNIT, 1), 1), 1)
    port = board.port
    state = {"seq": 0, "slots": 0}
    partial = bytearray()

    def send(kind: int, payload: bytes = b"") -> None:
        state["seq"] += 1
        port.incoming += wire.encode(kind, state["seq"], payload)

    def tick() -> None:
        state["slots"] += 4
        slots = state["slots"]
        if port.outgoing:
            partial.extend(port.outgoing)
            port.outgoing.clear()
            while (end := partial.find(b"\n")) >= 0:
                _, kind, seq, payload = wire.decode(bytes(partial[:end]))
                del partial[: end + 1]
                if kind == wire.FRAME:
                    send(wire.ACK, wire.pack_ack(seq, 1 << 30, 5000))
                elif kind == wire.REPLY and wire.unpack_reply(payload)[1] == wire.ARM:
                    send(wire.GO, wire.pack_u32(int(wire.unpack_reply(payload)[4])))
        if slots == 400:
            send(wire.HELLO_REQUEST)
        elif slots == 800:
            board.dut.variac_pct = 100.0
            send(wire.STAGE, stage_of_30_limits())
            send(wire.ARM)
        elif slots >= seconds * 400:
            raise BenchStop

    began_s = time.process_time()
    board.run(tick, 4)
    took_s = time.process_time() - began_s
    assert board.dut.mains_closed, "the relay must be closed for the figure to mean anything"
    return seconds / took_s


def as_process(seconds: float) -> float:
    """Return virtual seconds per wall second with the server as a process and a host beside it."""
    command = [sys.executable, "-m", "benchwarden.virtual.server", "--speed", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        host = ScriptedHost(json.loads(process.stdout.readline())["port"])
        host.greet()
        host.run(host.frames_held(10))
        began, began_s = len(host.frames), time.monotonic()
        host.run(host.frames_held(int(seconds * 10)), {12: lambda h: close_relay(h, stage_of_30_limits())}, 600.0)
        ratio = (len(host.frames) - began) / 10 / (time.monotonic() - began_s)
        host.close()
        process.terminate()
    return ratio


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seconds", nargs="?", type=float, default=120.0)
    parser.add_argument("--profile", action="store_true")
    args = parser.parse_args()
    if args.profile:
        profile = cProfile.Profile()
        profile.runcall(in_process, args.seconds)
        pstats.Stats(profile).sort_stats("tottime").print_stats(35)
        return
    best = max(in_process(args.seconds) for _ in range(3))
    print(f"firmware, parts and amplifier: {best:.0f} times real time (best of 3)")
    print(f"served as a process, with a host beside it, wall time: {as_process(args.seconds):.0f} times real time")


if __name__ == "__main__":
    main()
