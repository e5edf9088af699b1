"""`benchwarden checks`: the checks before power, as a file to fill in and as a verdict on one."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from benchwarden.core.cold_checks import Gate, gate
from benchwarden.core.unit import load_unit
from benchwarden.errors import JobError
from benchwarden.record.cold_check_file import empty_checks, load_checks

EXIT_CLOSED = 3


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command to the parser's."""
    sub = commands.add_parser("checks", help="checks before power: a file to fill in, and what it amounts to")
    acts = sub.add_subparsers(required=True, metavar="ACT")
    new = acts.add_parser("new", help="write a file with every check in it, all still to do")
    new.add_argument("file", type=Path)
    new.set_defaults(command=_new)
    judge = acts.add_parser("judge", help="say what passed, what failed and whether power may go on")
    judge.add_argument("file", type=Path)
    judge.add_argument("--unit", type=Path, help="unit.toml, to hold the marked values against")
    judge.set_defaults(command=_judge)


def gate_lines(found: Gate) -> list[str]:
    """Return what a terminal shows of a gate."""
    lines = [
        f"  {item.check.title}, {item.result.position or 'set'}: {item.state}, {item.why}" for item in found.judged
    ]
    lines += [f"CAUTION: {words}" for words in found.excused]
    lines += [f"NOT READY: {words}" for words in found.blocking]
    return lines


def _new(args: argparse.Namespace) -> int:
    try:
        # Somebody's readings may be in a file of that name.
        with open(args.file, "x", encoding="utf-8") as out:
            out.write(empty_checks())
    except FileExistsError as error:
        raise JobError(f"{args.file} is there already; allowed: a new name") from error
    except OSError as error:
        raise JobError(f"{args.file}: cannot be written ({error.strerror})") from error
    print(args.file)
    return 0


def _judge(args: argparse.Namespace) -> int:
    found = gate(load_checks(args.file), load_unit(args.unit) if args.unit else None)
    print("\n".join(gate_lines(found)))
    print("Power may go on, in stages." if found.is_open else "Power must not go on.")
    return 0 if found.is_open else EXIT_CLOSED
