"""Commands: parse arguments, wire objects, nothing else.

Each command imports what it wires: a view in a terminal need not wait for a plot library.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from benchwarden import (
    __version__,
    alert_command,
    bench_command,
    calibrate_command,
    checks_command,
    commission_command,
    install_command,
    invoice_command,
    job_command,
    papers_command,
    parts_command,
    proof_command,
    run_command,
    selftest_command,
)
from benchwarden.errors import BenchwardenError
from benchwarden.places import CAUTION, DEFAULT_RECORDS, DEFAULT_RUNS, DEFAULT_UNITS, EXIT_ERROR, job_store_address


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    try:
        if words[:1] == ["virtual"]:
            # The bench has a parser of its own.
            from benchwarden.virtual.server import main as serve_bench

            return serve_bench(words[1:])
        args = _parser().parse_args(words)
        code: int = args.command(args)
    except BenchwardenError as error:
        print(f"benchwarden: {error}", file=sys.stderr)
        return EXIT_ERROR
    except BrokenPipeError:
        # The reader of a pipe has seen enough; nothing is left to flush to.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_ERROR
    except KeyboardInterrupt:
        print("benchwarden: stopped by the keyboard; the relay was asked to open", file=sys.stderr)
        return EXIT_ERROR
    return code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="benchwarden", description="Supervised first power-up and burn-in of repaired amplifiers.", epilog=CAUTION
    )
    parser.add_argument("--version", action="version", version=f"benchwarden {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    run_command.add(commands)

    judge = commands.add_parser("judge", help="judge a recording with the code that runs live")
    judge.add_argument("recording", type=Path, help="CSV in the recording format")
    judge.add_argument("unit", type=Path, help="unit.toml beside it")
    judge.add_argument("-o", "--output", type=Path, help="verdict JSON; default: standard output")
    judge.set_defaults(command=_judge)

    for name, function, words in (
        ("export", _export, "export a run as a recording (CSV and unit.toml)"),
        ("recover", _recover, "say what a run's journal holds and what is missing"),
        ("watch", _watch, "live view in the terminal"),
    ):
        sub = commands.add_parser(name, help=words)
        sub.add_argument("run_dir", type=Path)
        sub.set_defaults(command=function)
    page = commands.add_parser("page", help="dashboard in the browser: bench, bias, runs, plan, setup")
    page.add_argument("run_dir", type=Path, nargs="?", help="the run on the bench page; default: the newest")
    page.add_argument("--port", type=int, default=0)
    page.add_argument("--runs", type=Path, help="folder of runs; default: the run's own, or the usual one")
    page.add_argument("--records", type=Path, default=DEFAULT_RECORDS, help="folder of the boards' records")
    page.add_argument("--units", type=Path, default=DEFAULT_UNITS, help="folder of unit and plan files")
    page.add_argument("--store", metavar="ADDRESS", help="job store: a folder or postgresql://...")
    page.add_argument(
        "--share", metavar="ADDRESS", default="", help="let others on the network look, under this machine's ADDRESS"
    )
    page.set_defaults(command=_page)

    ports = commands.add_parser("ports", help="list boards found on USB")
    ports.add_argument("--json", action="store_true", help="for another program to read: one JSON list")
    ports.set_defaults(command=_ports)

    job_command.add(commands)
    papers_command.add(commands)
    parts_command.add(commands)
    checks_command.add(commands)
    proof_command.add(commands)
    invoice_command.add(commands)
    alert_command.add(commands)
    install_command.add(commands)
    calibrate_command.add(commands)
    selftest_command.add(commands)
    commission_command.add(commands)
    bench_command.add(commands)

    commands.add_parser("virtual", help="run the virtual bench by itself (see its own --help)")
    return parser


def _judge(args: argparse.Namespace) -> int:
    from benchwarden.replay import judge_recording

    text = json.dumps(judge_recording(args.recording, args.unit), indent=1)
    if args.output is None:
        print(text)
    else:
        args.output.write_text(text + "\n", encoding="utf-8")
    return 0


def _export(args: argparse.Namespace) -> int:
    from benchwarden.record.export import export_csv

    target = args.run_dir / "recording.csv"
    export_csv(args.run_dir, target)
    print(target)
    return 0


def _recover(args: argparse.Namespace) -> int:
    from benchwarden.record.recover import recover

    recovery = recover(args.run_dir)
    print("\n".join(recovery.lines()))
    return 0 if recovery.intact else 1


def _watch(args: argparse.Namespace) -> int:
    from benchwarden.dashboard.terminal import watch

    watch(args.run_dir)
    return 0


def _page(args: argparse.Namespace) -> int:
    from benchwarden.dashboard.app import serve
    from benchwarden.dashboard.context import Folders

    runs = args.runs or (args.run_dir.parent if args.run_dir else DEFAULT_RUNS)
    serve(
        args.run_dir,
        port=args.port,
        ready=lambda url: print(f"Live page: {url}", flush=True),
        folders=Folders(runs, args.records, args.units, job_store_address(args.store)),
        share=args.share,
        shared=lambda url: print(f"Shared, to look and to open the relay: {url}", flush=True),
    )
    return 0


def _ports(args: argparse.Namespace) -> int:
    from benchwarden.link.serial_port import find_boards

    boards = find_boards()
    if args.json:
        print(json.dumps([asdict(board) for board in boards]))
        return 0 if boards else 1
    for board in boards:
        print(f"{board.device}  {board.description}  {board.serial}")
    if not boards:
        print("No board found on USB.")
    return 0 if boards else 1
