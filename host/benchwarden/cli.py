"""Commands: parse arguments, wire objects, nothing else.

Each command imports what it wires: a view in a terminal need not wait for a plot library.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, replace
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from benchwarden import (
    __version__,
    alert_command,
    bench_command,
    calibrate_command,
    commission_command,
    install_command,
    selftest_command,
)
from benchwarden.errors import BenchwardenError, PlanError
from benchwarden.record.board_records import DEFAULT as DEFAULT_RECORDS

if TYPE_CHECKING:
    from benchwarden.core.plan import Plan
    from benchwarden.core.unit import Unit
    from benchwarden.run import Outcome
    from benchwarden.supervisor import Person

EXIT_CODES = {"pass": 0, "trip": 3, "incomplete": 4}
EXIT_ERROR = 2
DEMO_FAULT = "runaway-slow:0.5@300/left"
DEFAULT_RUNS = Path("benchwarden-runs")
DEFAULT_UNITS = Path("benchwarden-units")
CAUTION = (
    "Not a certified protective device. Mains can kill; reservoir capacitors stay charged after switch-off.\n"
    "Work on mains equipment is for people licensed for it where local codes say so."
)


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

    demo = commands.add_parser("demo", help="watch a supervised power-up on the virtual bench, with a fault in it")
    demo.add_argument("--unit", type=Path, help="unit facts; default: the demo amplifier")
    demo.add_argument("--plan", type=Path, help="plan.toml: changes to the computed plan")
    demo.add_argument("--fault", help="NAME[:severity][@seconds][/left|right], or none; default: a slow runaway")
    demo.add_argument(
        "--burn-in", metavar="HOURS", help="a burn-in of this length instead of a power-up, without a fault"
    )
    demo.add_argument("--speed", type=float, default=None, help="board seconds per second; 0 flat out (default 20)")
    demo.add_argument("--seed", type=int, default=1)
    demo.add_argument("--flash", type=Path, metavar="FILE", help="keep the virtual board's flash in FILE (calibration)")
    demo.add_argument("--records", type=Path, help="folder of the boards' records; default: none is looked at")
    demo.add_argument("--runs", type=Path, default=DEFAULT_RUNS, help="folder of runs")
    demo.add_argument("--no-page", action="store_true", help="without the live page")
    demo.add_argument("--no-alerts", action="store_true", help="tell nobody: no sound, no desktop, no messages")
    demo.add_argument("--page-port", type=int, default=0, help="TCP port of the live page; 0 takes a free one")
    demo.add_argument("--by-hand", action="store_true", help="you confirm the prompts; knobs still turn by themselves")
    demo.set_defaults(command=_demo)

    run = commands.add_parser("run", help="supervise a power-up or burn-in with a board")
    run.add_argument("unit", type=Path, help="unit.toml: what is known of the amplifier")
    run.add_argument("--port", default="auto", help="serial port or socket://host:port; default: find the board")
    run.add_argument("--plan", type=Path, help="plan.toml: changes to the computed plan")
    run.add_argument("--burn-in", metavar="HOURS", help="burn-in of this length instead of a power-up")
    run.add_argument("--runs", type=Path, default=DEFAULT_RUNS, help="folder of runs")
    run.add_argument("--records", type=Path, default=DEFAULT_RECORDS, help="folder of the boards' records")
    run.add_argument("--no-page", action="store_true", help="without the live page")
    run.add_argument("--no-alerts", action="store_true", help="tell nobody: no sound, no desktop, no messages")
    run.add_argument("--page-port", type=int, default=0)
    run.set_defaults(command=_run)

    plan = commands.add_parser("plan", help="show the staged plan of a unit with its working")
    plan.add_argument("unit", type=Path)
    plan.add_argument("--plan", type=Path, help="plan.toml: changes to the computed plan")
    plan.add_argument("--burn-in", metavar="HOURS")
    plan.set_defaults(command=_plan)

    judge = commands.add_parser("judge", help="judge a recording with the code that runs live")
    judge.add_argument("recording", type=Path, help="CSV in the recording format")
    judge.add_argument("unit", type=Path, help="unit.toml beside it")
    judge.add_argument("-o", "--output", type=Path, help="verdict JSON; default: standard output")
    judge.set_defaults(command=_judge)

    for name, function, words in (
        ("report", _report, "print the record of a run again (PDF)"),
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
    page.add_argument(
        "--share", metavar="ADDRESS", default="", help="let others on the network look, under this machine's ADDRESS"
    )
    page.set_defaults(command=_page)

    ports = commands.add_parser("ports", help="list boards found on USB")
    ports.add_argument("--json", action="store_true", help="for another program to read: one JSON list")
    ports.set_defaults(command=_ports)

    alert_command.add(commands)
    install_command.add(commands)
    calibrate_command.add(commands)
    selftest_command.add(commands)
    commission_command.add(commands)
    bench_command.add(commands)

    commands.add_parser("virtual", help="run the virtual bench by itself (see its own --help)")
    return parser


def _demo(args: argparse.Namespace) -> int:
    from benchwarden.core.unit import load_unit
    from benchwarden.record.export import unit_toml
    from benchwarden.virtual.demo import VirtualBench
    from benchwarden.virtual.hands import Hands
    from benchwarden.virtual.technician import Technician

    print("VIRTUAL BENCH: every number below comes from a model, not from a measurement.")
    print(CAUTION)
    # A person needs time to read; the model does not.
    speed = args.speed if args.speed is not None else 2.0 if args.by_hand else 20.0
    with resources.as_file(resources.files("benchwarden.virtual") / "demo_unit.toml") as shipped:
        plan = _computed_plan(args, load_unit(args.unit or shipped))
    fault = args.fault or ("none" if plan.run_type == "burn-in" else DEMO_FAULT)
    with tempfile.TemporaryDirectory(prefix="benchwarden-") as folder:
        # The bench is told the unit as the plan has it: a burn-in begins with the bias set.
        unit_path = Path(folder) / "unit.toml"
        unit_path.write_text(unit_toml(asdict(plan.unit), ()), encoding="utf-8")
        virtual = VirtualBench(unit_path, fault, speed, args.seed, flash=args.flash)
        with virtual as bench, Hands(bench.hands) as hands:
            print(f"Virtual amplifier: {plan.unit.model or 'no model given'}; fault: {fault}.")
            person = Technician(hands, confirms=not args.by_hand)
            outcome = _supervised(args, plan, bench.port, "demo", person, speed)
    return 0 if outcome.pdf else EXIT_ERROR


def _run(args: argparse.Namespace) -> int:
    from benchwarden.core.unit import load_unit
    from benchwarden.run import chosen_port

    print(CAUTION)
    plan = _computed_plan(args, load_unit(args.unit))
    outcome = _supervised(args, plan, chosen_port(args.port), plan.unit.run, None, 1.0)
    return EXIT_CODES[outcome.verdict["verdict"]]


def _computed_plan(args: argparse.Namespace, unit: Unit) -> Plan:
    from benchwarden.analysis.planner import check_plan, load_plan

    if not args.plan:
        return _checked_plan(unit, args.burn_in)
    if args.burn_in:
        raise PlanError("--burn-in with --plan; allowed: one of them (the plan file has run_type and hours)")
    plan = load_plan(args.plan, unit)
    plan = replace(plan, unit=replace(unit, run_type=plan.run_type))
    check_plan(plan)
    return plan


def _checked_plan(unit: Unit, burn_in: str | None) -> Plan:
    from benchwarden.analysis.planner import burn_in_plan, check_plan, power_up_plan
    from benchwarden.run import checked_hours

    if burn_in:
        plan = burn_in_plan(replace(unit, run_type="burn-in"), checked_hours(burn_in))
    else:
        plan = power_up_plan(replace(unit, run_type="power-up"))
    check_plan(plan)
    return plan


def _supervised(
    args: argparse.Namespace, plan: Plan, port: str, label: str, person: Person | None, speed: float
) -> Outcome:
    from benchwarden.core.clock import SystemClock
    from benchwarden.record.journal_format import NAME as JOURNAL_NAME
    from benchwarden.run import new_run_dir, supervise
    from benchwarden.supervisor import RunInfo

    clock = SystemClock()
    started = clock.utc_label()
    run_dir = new_run_dir(args.runs, label, started)
    print(f"Run folder: {run_dir}")
    info = RunInfo(run_dir.name, started, person is not None, speed)
    page = None if args.no_page else _start_page(run_dir, args.page_port, args.records)
    # A virtual bench keeps quiet unless it is set up not to.
    alerts = None if args.no_alerts else alert_command.start(run_dir, args.records, person is None, print)
    ended = False
    try:
        try:
            outcome = supervise(plan, port, run_dir, clock, info, person, print, args.records)
        except BaseException:
            # Whatever ended it (an error, Ctrl-C): what was measured is still there.
            if (run_dir / JOURNAL_NAME).exists():
                words = f"What was recorded: `benchwarden recover {run_dir}`, `benchwarden report {run_dir}`"
                print(words, file=sys.stderr)
            raise
        ended = True
        _print_outcome(outcome)
        # Somebody at the keyboard wants to look at the end of it; a script does not.
        if page is not None and sys.stdin.isatty():
            input("The live page stays up; press Enter to end. ")
    finally:
        if page is not None:
            page.terminate()
            page.wait(10)
        if alerts is not None:
            alert_command.finish(alerts, ended, print)
    return outcome


def _start_page(run_dir: Path, port: int, records: Path | None) -> subprocess.Popen[bytes]:
    # A process of its own: whatever a browser does to it, the run does not notice.
    command = [sys.executable, "-m", "benchwarden", "page", str(run_dir), "--port", str(port)]
    if records is not None:
        command += ["--records", str(records)]
    return subprocess.Popen(command, stdin=subprocess.DEVNULL)


def _print_outcome(outcome: Outcome) -> None:
    verdict = outcome.verdict
    print(f"\nVerdict: {verdict['verdict'].upper()}")
    print(verdict["metrics"]["sentence"])
    for trip in verdict["trips"]:
        after = " (after the relay was open)" if trip.get("after_open") else ""
        channel = f", {trip['channel']}" if trip["channel"] else ""
        print(f"  {trip['t_s']:.1f} s: {trip['cause']}{channel}{after}: {trip['why']}")
    for warning in verdict["warnings"]:
        print(f"  note, {warning['t_s']:.1f} s: {warning['why']}")
    print(f"Record: {outcome.pdf or 'not printed'}")
    print(f"Recording: {outcome.csv or 'not exported'}")


def _plan(args: argparse.Namespace) -> int:
    from benchwarden.analysis.planner import working_text
    from benchwarden.core.unit import load_unit

    print(working_text(_computed_plan(args, load_unit(args.unit))))
    return 0


def _judge(args: argparse.Namespace) -> int:
    from benchwarden.replay import judge_recording

    text = json.dumps(judge_recording(args.recording, args.unit), indent=1)
    if args.output is None:
        print(text)
    else:
        args.output.write_text(text + "\n", encoding="utf-8")
    return 0


def _report(args: argparse.Namespace) -> int:
    from benchwarden.report.pdf import write_record

    print(write_record(args.run_dir))
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
        folders=Folders(runs, args.records, args.units),
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
