"""`benchwarden calibrate`: wire the guided calibration to a board, its records and a person."""

from __future__ import annotations

import argparse
import datetime as dt
from contextlib import suppress
from pathlib import Path
from typing import Any

from benchwarden.core.channels import CHANNEL, CHANNELS
from benchwarden.core.clock import SystemClock
from benchwarden.core.procedure import Answerer, TerminalAnswerer
from benchwarden.errors import BenchwardenError, LinkError, PlanError
from benchwarden.link.board_client import BoardClient
from benchwarden.link.serial_port import open_port, port_finder
from benchwarden.record.board_records import DEFAULT, BoardRecords

HELLO_S = 10.0
DUE_DAYS = 365
MOST_DUE_DAYS = 3650
EXIT_NOT_WRITTEN = 1
# Where a channel's uncertainty is shown: an ordinary value of a repaired set.
_TYPICAL = {
    "rail current": 1.0,
    "rail voltage": 28.0,
    "offset": 0.1,
    "bias": 0.012,
    "temperature": 60.0,
    "hf": 1.0,
}


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command to the parser's."""
    sub = commands.add_parser("calibrate", help="calibrate a board against a reference, guided")
    sub.add_argument("--port", default="auto", help="serial port or socket://host:port; default: find the board")
    sub.add_argument("--channel", action="append", default=[], help="what to calibrate; may be repeated; default: asks")
    sub.add_argument("--records", type=Path, default=DEFAULT, help="folder of the boards' records")
    sub.add_argument("--due-days", type=int, default=DUE_DAYS, help="days until the next calibration is due")
    sub.add_argument("--show", action="store_true", help="only show what the board measures with")
    sub.add_argument("--virtual", action="store_true", help="on the virtual rig, with a scripted person")
    sub.add_argument("--seed", type=int, default=1, help="of the virtual rig: its parts and its meter")
    sub.add_argument("--flash", type=Path, metavar="FILE", help="of the virtual board: keep its flash in FILE")
    sub.set_defaults(command=_calibrate)


def _calibrate(args: argparse.Namespace) -> int:
    from benchwarden.calibrate import read_channels
    from benchwarden.calibrate_driver import guided

    channels = read_channels(" ".join(args.channel)) if args.channel else ()
    if not 1 <= args.due_days <= MOST_DUE_DAYS:
        raise PlanError(f"--due-days {args.due_days}; allowed: 1 to {MOST_DUE_DAYS}")
    person = TerminalAnswerer()
    if args.flash and not args.virtual:
        raise PlanError("--flash without --virtual; a real board keeps its calibration itself")
    if args.virtual:
        return _rehearse(args, channels, person)
    with _Met(args.port) as met:
        if args.show:
            _show(met.client, person)
            return 0
        records = BoardRecords(args.records, met.board)
        outcome = guided(met.client, met.clock, records, person, channels, args.due_days)
    return 0 if outcome.path else EXIT_NOT_WRITTEN


class _Met:
    """A board that has said hello; leaving the context lets go of its port."""

    def __init__(self, port: str) -> None:
        from benchwarden.run import chosen_port

        name = chosen_port(port)
        self.clock = SystemClock()
        self.client = BoardClient(open_port(name), self.clock, port_finder(name))
        self.board = ""

    def __enter__(self) -> _Met:
        try:
            self.board = self.client.hello(HELLO_S).board
        except BenchwardenError:
            self.client.close()
            raise
        return self

    def __exit__(self, *exc: object) -> None:
        # A port that cannot be closed in form takes nothing from what was recorded.
        with suppress(LinkError):
            self.client.close()


def _show(client: BoardClient, person: Answerer) -> None:
    from benchwarden.calibrate_driver import in_force
    from benchwarden.core.calibration import uncertainty

    hello = client.hello_facts
    assert hello is not None
    calibration = in_force(client)
    today = dt.datetime.now(dt.UTC).date()
    person.tell(f"Board {hello.board}: {calibration.words(today) if calibration else hello.cal}")
    if calibration and not hello.cal.startswith("calibrated"):
        person.tell(f"The board says: {hello.cal}")
    if calibration:
        person.tell(f"Record number {calibration.number}, CRC {calibration.crc}, against {calibration.reference}")
    person.tell(f"{'channel':16}{'gain':>9}{'offset':>12}   expanded uncertainty (95 %)")
    for name in CHANNELS:
        entry = calibration.entry(name) if calibration else None
        about = CHANNEL[name]
        top = -28.0 if name == "rail_neg_v" else _TYPICAL[about.group]
        found = uncertainty(name, top, calibration)
        gain, offset = (f"{entry.gain:.5f}", f"{entry.offset:+.5f}") if entry else ("", "")
        person.tell(f"{name:16}{gain:>9}{offset:>12}   {found.half_width:.2g} at {top:g} {about.unit}, {found.basis}")


def _rehearse(args: argparse.Namespace, channels: tuple[str, ...], terminal: Answerer) -> int:
    from benchwarden.calibrate_driver import guided
    from benchwarden.calibrate_script import ScriptedPerson
    from benchwarden.virtual.demo import VirtualBench
    from benchwarden.virtual.hands import Hands

    terminal.tell("VIRTUAL BENCH: every number below comes from a model, not from a measurement.")
    virtual = VirtualBench(None, "none", 0.0, args.seed, flash=args.flash)
    with virtual as bench, Hands(bench.hands) as hands, _Met(bench.port) as met:
        person = ScriptedPerson(hands, terminal.tell)
        records = BoardRecords(args.records, met.board)
        if not args.show:
            guided(met.client, met.clock, records, person, channels or CHANNELS, args.due_days, virtual=True)
        # Met again: a board that was calibrated says so.
        met.client.hello(HELLO_S)
        _show(met.client, terminal)
    return 0
