"""`benchwarden commission`: wire the guided commissioning to a board, its records and a person."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchwarden.core.commissioning import Hand
from benchwarden.core.procedure import Ask, TerminalAnswerer, put
from benchwarden.errors import PlanError
from benchwarden.record.board_records import DEFAULT

if TYPE_CHECKING:
    from benchwarden.commission_run import Commissioned

EXIT_CODES = {"pass": 0, "fail": 3, "incomplete": 4}
DEFAULT_RUNS = Path("benchwarden-runs")


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command to the parser's."""
    sub = commands.add_parser(
        "commission", help="prove on your own board that everything which has to open the relay does, guided"
    )
    sub.add_argument("--port", default="auto", help="serial port or socket://host:port; default: find the board")
    sub.add_argument("--records", type=Path, default=DEFAULT, help="folder of the boards' records")
    sub.add_argument("--runs", type=Path, default=DEFAULT_RUNS, help="folder of runs, for the raw data")
    sub.add_argument(
        "--interval-days", type=int, metavar="DAYS", help="from now on remind after so many days (first: 180)"
    )
    sub.add_argument("--operator", default="", metavar="NAME", help="who does it; default: asks")
    sub.add_argument(
        "--only", action="append", default=[], metavar="TEST", help="some tests only; never a pass; may be repeated"
    )
    sub.add_argument("--virtual", action="store_true", help="on the virtual rig, with a scripted person")
    sub.add_argument("--fault", default="none", help="of the virtual rig: NAME[:severity][@seconds][/left|right]")
    sub.add_argument("--seed", type=int, default=1, help="of the virtual rig: its parts")
    sub.add_argument("--flash", type=Path, metavar="FILE", help="of the virtual board: keep its flash in FILE")
    sub.set_defaults(command=_commission)


class _AtTerminal(TerminalAnswerer):
    """A person at a terminal and at the rig."""

    is_quick = False

    def do(self, hand: Hand) -> None:
        self.tell(f"  >> {hand.text}")


def _commission(args: argparse.Namespace) -> int:
    from benchwarden.commission import chosen_tests
    from benchwarden.commission_run import Places, commission_board
    from benchwarden.core.clock import SystemClock
    from benchwarden.record.records_settings import set_interval_days
    from benchwarden.run import chosen_port

    tests = chosen_tests(args.only)
    if args.flash and not args.virtual:
        raise PlanError("--flash without --virtual; a real board keeps its calibration itself")
    if args.interval_days is not None:
        set_interval_days(args.records, args.interval_days)
    places = Places(args.records, args.runs)
    person = _AtTerminal()
    if args.virtual:
        return _said(_rehearsed(args, tests, places, person), person)
    port = chosen_port(args.port)
    operator = args.operator or put(Ask("operator", "Who does this commissioning (name)?", "text"), person)
    return _said(commission_board(port, person, tests, places, operator, SystemClock()), person)


def _rehearsed(args: argparse.Namespace, tests: Any, places: Any, terminal: TerminalAnswerer) -> Commissioned:
    from benchwarden.commission_run import commission_board
    from benchwarden.core.clock import SystemClock
    from benchwarden.virtual.commissioner import Commissioner
    from benchwarden.virtual.demo import VirtualBench
    from benchwarden.virtual.hands import Hands

    terminal.tell("VIRTUAL BENCH: every number below comes from a model, not from a measurement.")
    virtual = VirtualBench(None, args.fault, 0.0, args.seed, flash=args.flash)
    with virtual as bench, Hands(bench.hands) as hands:
        person = Commissioner(hands, terminal.tell)
        operator = args.operator or "scripted person"
        return commission_board(bench.port, person, tests, places, operator, SystemClock(), lockstep=True)


def _said(done: Commissioned, terminal: TerminalAnswerer) -> int:
    sheet = done.sheet
    terminal.tell(f"\nCommissioning: {sheet.verdict.upper()}")
    for result in sheet.results:
        part = f"; look at: {result.part}" if result.part else ""
        if result.verdict != "pass":
            terminal.tell(f"  {result.test}: {result.verdict}: {result.why}{part}")
    if not sheet.complete:
        terminal.tell("Only some of the tests were asked for: the board counts as not commissioned by this.")
    terminal.tell(f"Sheet: {done.pdf or 'not printed'}")
    terminal.tell(f"Figures: {done.json}")
    return EXIT_CODES[sheet.verdict]
