"""The virtual bench as a process: one board, one amplifier, a serial line and a port for hands.

`benchwarden virtual` runs `main`. It prints one JSON line when it is ready:
{"port": ..., "hands": "127.0.0.1:NNN", "virtual": true}. Time runs at `--speed`
times the wall's (0: as fast as it can) and, but at speed 1, in lockstep with
the host (see lockstep). With the same seed, the same lines from the host and
the same acts, the bytes on the line are the same, bit for bit.

Everything runs in one thread; select() is its only wait.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import re
import select
import signal
import socket
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from benchwarden.core.unit import Unit, load_unit
from benchwarden.errors import BenchwardenError, PlanError
from benchwarden.virtual.act import Acts
from benchwarden.virtual.bench_load import BenchLoad
from benchwarden.virtual.board import BenchStop, VirtualBoard
from benchwarden.virtual.dut import Dut, DutParams
from benchwarden.virtual.hands_port import HandsPort
from benchwarden.virtual.kept_flash import keep_flash
from benchwarden.virtual.line_end import LineEnd, open_line_end
from benchwarden.virtual.lockstep import HostLines, Lockstep
from benchwarden.virtual.rig import Rig

# How long the wall waits for a silent host before virtual time goes on.
PATIENCE_S = 2.0
# How long a command waits for an acknowledgement behind it (see lockstep).
ERRAND_WAIT_S = 0.5
# The line is looked at every fourth slot, as often as the USB buffer needs it.
CHECK_SLOTS = 4
# Bytes that wait, in either direction, before the other end feels it.
HELD_BACK = 65536
_SPEC = re.compile(r"(?P<name>[a-z0-9-]+)(:(?P<severity>[0-9.]+))?(@(?P<at>[0-9.]+))?(/(?P<channel>[a-z]+))?", re.ASCII)


@dataclass(frozen=True)
class FaultSpec:
    """One fault asked for on the command line: NAME[:severity][@seconds][/left|right]."""

    name: str
    severity: float = 1.0
    at_s: float = 0.0
    channel: str = "left"


def parse_fault(text: str) -> FaultSpec:
    """Return the fault that `text` names.

    Raises:
        PlanError: it is not NAME[:severity][@seconds][/left|right].
    """
    found = _SPEC.fullmatch(text)
    try:
        if found is None:
            raise ValueError
        return FaultSpec(
            found["name"], float(found["severity"] or 1.0), float(found["at"] or 0.0), found["channel"] or "left"
        )
    except ValueError:
        raise PlanError(f"fault {text!r}; allowed: NAME[:severity][@seconds][/left|right]") from None


def make_board(unit: Unit, faults: Sequence[FaultSpec], seed: int) -> VirtualBoard:
    """Return a bench with an amplifier of these facts on it.

    Raises:
        PlanError: a fault's name, severity or channel is not one of those allowed.
    """
    return _board(Dut(DutParams.from_unit(unit, seed), seed), faults, seed)


def make_rig(faults: Sequence[FaultSpec], seed: int) -> VirtualBoard:
    """Return a bench with supply and resistor in place of an amplifier.

    Raises:
        PlanError: a fault's name, severity or channel is not one of those allowed on the rig.
    """
    return _board(Rig(), faults, seed)


def _board(load: BenchLoad, faults: Sequence[FaultSpec], seed: int) -> VirtualBoard:
    for fault in faults:
        try:
            load.inject(fault.name, fault.severity, fault.at_s, fault.channel)
        except ValueError as error:
            raise PlanError(str(error)) from error
    return VirtualBoard(load, seed)


class Server:
    """
    Args:
        board: what is served.
        end: the host's end of the serial line.
        hands_port: TCP port for hands; 0 takes a free one.
        speed: virtual seconds per wall second; 0 is as fast as it can.
        lockstep: wait for the host, or None to let time run by itself.
        patience_s: how long the wall waits for a silent host.
    """

    def __init__(
        self,
        board: VirtualBoard,
        end: LineEnd,
        hands_port: int = 0,
        speed: float = 1.0,
        lockstep: Lockstep | None = None,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self._board = board
        self._end = end
        self._speed = speed
        self._lockstep = lockstep
        self._patience_s = patience_s
        self._hands = HandsPort(hands_port, Acts(board, self._connection).do)
        self._lines = HostLines()
        self._out = bytearray()
        self._ticks = 0
        self._pull_plug = False
        self._stop_reader, self._stop_writer = socket.socketpair()
        self._stop_writer.setblocking(False)
        self._anchor_us = 0
        self._anchor_s = time.monotonic()

    @property
    def ready(self) -> dict[str, Any]:
        """What is printed when the bench can be used."""
        return {"port": self._end.url, "hands": self._hands.address, "virtual": True}

    def stop(self) -> None:
        """End `serve`; may be called from another thread."""
        with contextlib.suppress(OSError):
            self._stop_writer.send(b"x")

    def stop_on_signals(self) -> None:
        """Let SIGTERM and SIGINT end `serve`."""

        def asked(_number: int, _frame: object) -> None:
            self.stop()

        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, asked)

    def serve(self) -> None:
        """Run until stopped."""
        try:
            self._board.run(self._tick, CHECK_SLOTS)
        finally:
            self._end.close()
            self._hands.close()
            self._stop_reader.close()
            self._stop_writer.close()

    # The line being unplugged, plugged, broken

    def _connection(self, what: str) -> None:
        if what == "plug":
            self._pull_plug = False
            self._end.plug()
            self._board.power_on()
            return
        self._end.unplug()
        self._out.clear()
        self._lines.forget()
        if self._lockstep is not None:
            self._lockstep.frames.forget()
            self._lockstep.release(self._board.clock.now_us)
        if what == "unplug":
            self._pull_plug = True
        else:
            self._end.plug()

    # One turn of the bench

    def _tick(self) -> None:
        self._ticks += 1
        if self._pull_plug:
            self._pull_plug = False
            self._board.power_off()
        if not self._board.powered:
            self._end.unplug()
        outgoing = self._board.port.outgoing
        if outgoing and self._end.present and len(self._out) < HELD_BACK:
            self._out += outgoing
            if self._lockstep is not None:
                self._lockstep.frames.take(outgoing)
            outgoing.clear()
        if self._lockstep is None:
            self._poll(self._ahead_s())
            self._board.port.incoming += self._lines.give(len(self._lines.waiting))
            return
        now_us = self._board.clock.now_us
        if now_us < self._lockstep.free_until_us:
            self._run_free()
        elif (self._board.booting or self._board.stalled) and self._lockstep.heard:
            self._lockstep.not_yet(now_us)
        elif self._lockstep.must_pause(now_us):
            self._pause(self._lockstep)

    def _run_free(self) -> None:
        if self._ticks % 20 == 0:
            self._poll(self._ahead_s())
            if self._lines.waiting and self._lockstep is not None:
                self._lockstep.host_is_back()

    def _pause(self, lockstep: Lockstep) -> None:
        clock = self._board.clock
        self._poll(self._ahead_s())
        lockstep.pause()
        began_s = time.monotonic()
        give_up_s = began_s + self._patience_s
        errand_s = began_s + ERRAND_WAIT_S
        lines, incoming = self._lines, self._board.port.incoming
        while not self._pull_plug:
            if lines.waiting:
                lockstep.heard = True
            count = lockstep.ends_pause(lines.waiting)
            if count:
                incoming += lines.give(count)
                lockstep.release(clock.now_us)
                return
            now_s = time.monotonic()
            if lines.waiting and now_s >= errand_s and (count := lockstep.errand(lines.waiting, clock.now_us)):
                incoming += lines.give(count)
                return
            if now_s >= give_up_s and lockstep.heard:
                # Whatever it said, it acknowledged nothing: the board makes of it what it can.
                incoming += lines.give(len(lines.waiting))
                lockstep.go_free(clock.now_us)
                return
            due_s = errand_s if lines.waiting and now_s < errand_s else give_up_s
            self._wait(max(0.0, due_s - now_s) if lockstep.heard else self._patience_s)

    def _ahead_s(self) -> float:
        """Return how long the wall must still run to catch up with virtual time."""
        if self._speed <= 0:
            return 0.0
        now_us, now_s = self._board.clock.now_us, time.monotonic()
        ahead_s = (now_us - self._anchor_us) / 1e6 / self._speed - (now_s - self._anchor_s)
        if ahead_s < -0.1:
            # A wait for the host is not made up for by running faster.
            self._anchor_us, self._anchor_s = now_us, now_s
        return max(0.0, ahead_s)

    def _poll(self, for_s: float) -> None:
        """Serve line and hands for that long; once, without waiting, for 0."""
        until_s = time.monotonic() + for_s
        while True:
            left_s = until_s - time.monotonic()
            self._wait(max(0.0, left_s))
            if left_s <= 0.0005:
                return

    def _wait(self, for_s: float) -> None:
        """Wait for anything to happen, at most that long, and let it happen."""
        end = self._end
        if self._out:
            del self._out[: end.write(self._out)]
        # A host that floods the board waits like anybody else.
        held_back = len(self._board.port.incoming) + len(self._lines.waiting) * 16 > HELD_BACK
        line = [] if held_back else end.readable()
        hands, stop = self._hands.readable(), self._stop_reader.fileno()
        readable, writable, _ = select.select([*line, *hands, stop], end.writable() if self._out else [], [], for_s)
        if stop in readable:
            raise BenchStop
        if writable and self._out:
            del self._out[: end.write(self._out)]
        if any(number in line for number in readable):
            self._lines.take(end.read())
        if any(number in hands for number in readable):
            self._hands.serve()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="benchwarden virtual",
        description="A bench that is computed, not measured: real firmware on modelled parts and amplifier.",
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--unit", type=Path, help="unit facts (unit.toml); default: the demo amplifier")
    what.add_argument(
        "--rig",
        action="store_true",
        help="bench supply and resistor instead of an amplifier, to calibrate and commission",
    )
    parser.add_argument(
        "--fault", action="append", default=[], metavar="NAME[:severity][@seconds][/left|right]", help="may be repeated"
    )
    parser.add_argument("--speed", type=float, default=1.0, help="virtual seconds per second; 0 as fast as it can")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--flash", type=Path, metavar="FILE", help="keep what the board writes to its flash in FILE; default: forget it"
    )
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--pty", action="store_true", help="serve a pseudo-terminal (default where there are any)")
    where.add_argument("--socket", type=int, metavar="PORT", help="serve socket://127.0.0.1:PORT; 0 takes a free one")
    parser.add_argument("--hands-port", type=int, default=0, metavar="PORT", help="TCP port for hands; 0: a free one")
    parser.add_argument("--lockstep", action="store_true", help="wait for the host at speed 1 too")
    parser.add_argument("--window", type=int, default=2, help="frames between two waits")
    return parser


def _unit(path: Path | None) -> Unit:
    if path is not None:
        return load_unit(path)
    with resources.as_file(resources.files("benchwarden.virtual") / "demo_unit.toml") as shipped:
        return load_unit(shipped)


def main(argv: Sequence[str] | None = None, report: Callable[[str], object] | None = None) -> int:
    """Run the virtual bench until SIGTERM or SIGINT; return the exit code."""
    args = _parser().parse_args(argv)
    say = report or (lambda text: (sys.stdout.write(text + "\n"), sys.stdout.flush()))
    try:
        if args.speed < 0 or args.window < 1:
            raise PlanError("speed and window; allowed: speed 0 or more, window 1 or more")
        faults = [parse_fault(text) for text in args.fault]
        board = make_rig(faults, args.seed) if args.rig else make_board(_unit(args.unit), faults, args.seed)
        if args.flash is not None:
            keep_flash(board.flash, args.flash)
        try:
            end = open_line_end("auto" if args.socket is None else "socket", args.socket or 0)
            lockstep = Lockstep(args.window) if args.lockstep or args.speed != 1 else None
            server = Server(board, end, args.hands_port, args.speed, lockstep)
        except OSError as error:
            raise PlanError(f"virtual bench cannot listen: {error}") from error
    except BenchwardenError as error:
        sys.stderr.write(f"benchwarden virtual: {error}\n")
        return 2
    server.stop_on_signals()
    say(json.dumps(server.ready))
    server.serve()
    return 0


if __name__ == "__main__":
    sys.exit(main())
