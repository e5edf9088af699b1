"""`benchwarden run`, `demo` and `plan`: a supervised run, with its job, its checks and its papers."""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from dataclasses import asdict, replace
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchwarden import alert_command
from benchwarden.errors import PlanError
from benchwarden.places import CAUTION, DEFAULT_RECORDS, DEFAULT_RUNS, EXIT_ERROR, JOBS_VARIABLE, job_store_address
from benchwarden.proof_command import DEFAULT_KEYS

if TYPE_CHECKING:
    from benchwarden.before_power import Before
    from benchwarden.core.job import Job
    from benchwarden.core.plan import Plan
    from benchwarden.core.unit import Unit
    from benchwarden.run import Outcome
    from benchwarden.supervisor import Person

EXIT_CODES = {"pass": 0, "trip": 3, "incomplete": 4}
DEMO_FAULT = "runaway-slow:0.5@300/left"


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the commands to the parser's."""
    demo = commands.add_parser("demo", help="watch a supervised power-up on the virtual bench, with a fault in it")
    demo.add_argument("--unit", type=Path, help="unit facts; default: the demo amplifier")
    demo.add_argument("--fault", help="NAME[:severity][@seconds][/left|right], or none; default: a slow runaway")
    demo.add_argument("--speed", type=float, default=None, help="board seconds per second; 0 flat out (default 20)")
    demo.add_argument("--seed", type=int, default=1)
    demo.add_argument("--flash", type=Path, metavar="FILE", help="keep the virtual board's flash in FILE (calibration)")
    demo.add_argument("--records", type=Path, help="folder of the boards' records; default: none is looked at")
    demo.add_argument("--by-hand", action="store_true", help="you confirm the prompts; knobs still turn by themselves")
    demo.set_defaults(command=_demo)
    _both(demo)

    run = commands.add_parser("run", help="supervise a power-up or burn-in with a board")
    run.add_argument("unit", type=Path, nargs="?", help="unit.toml: what is known of the amplifier; default: the job's")
    run.add_argument("--port", default="auto", help="serial port or socket://host:port; default: find the board")
    run.add_argument("--records", type=Path, default=DEFAULT_RECORDS, help="folder of the boards' records")
    run.add_argument("--checks", type=Path, metavar="FILE", help="checks before power; default: those of the job")
    run.add_argument("--unchecked", default="", metavar="REASON", help="why there are no checks; recorded")
    run.set_defaults(command=_run)
    _both(run)

    plan = commands.add_parser("plan", help="show the staged plan of a unit with its working")
    plan.add_argument(
        "unit", type=Path, nargs="?", help="unit.toml: what is known of the amplifier; default: the job's"
    )
    plan.add_argument("--records", type=Path, default=DEFAULT_RECORDS, help="folder with the parts list")
    plan.set_defaults(command=_plan)
    _planning(plan)


def _planning(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--job", metavar="NUMBER", help="the job it belongs to: facts, parts, checks")
    sub.add_argument("--store", metavar="ADDRESS", help="job store: a folder or postgresql://...")
    sub.add_argument("--fit-anyway", default="", metavar="REASON", help="why power goes on parts not to be fitted")
    sub.add_argument("--plan", type=Path, help="plan.toml: changes to the computed plan")
    sub.add_argument("--burn-in", metavar="HOURS", help="a burn-in of this length instead of a power-up")


def _both(sub: argparse.ArgumentParser) -> None:
    _planning(sub)
    sub.add_argument("--runs", type=Path, default=DEFAULT_RUNS, help="folder of runs")
    sub.add_argument("--keys", type=Path, default=DEFAULT_KEYS, help="folder of the key that signs the seal")
    sub.add_argument("--no-page", action="store_true", help="without the live page")
    sub.add_argument("--no-alerts", action="store_true", help="tell nobody: no sound, no desktop, no messages")
    sub.add_argument("--page-port", type=int, default=0, help="TCP port of the live page; 0 takes a free one")


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
    shipped = resources.files("benchwarden.virtual")
    job = _job_of(args)
    if job is None and args.unit is None:
        job = _demo_job()
    with resources.as_file(shipped / "demo_unit.toml") as demo_unit:
        unit = _unit_of(args, job) if args.unit or args.job else load_unit(demo_unit)
    # Nothing can be hurt there: what was not checked is told, and holds up nobody.
    before = _before_demo(unit, job)
    plan, before = _careful_plan(args, _computed_plan(args, unit), before)
    fault = args.fault or ("none" if plan.run_type == "burn-in" else DEMO_FAULT)
    with tempfile.TemporaryDirectory(prefix="benchwarden-") as folder:
        # The bench is told the unit as the plan has it: a burn-in begins with the bias set.
        unit_path = Path(folder) / "unit.toml"
        unit_path.write_text(unit_toml(asdict(plan.unit), ()), encoding="utf-8")
        virtual = VirtualBench(unit_path, fault, speed, args.seed, flash=args.flash)
        with virtual as bench, Hands(bench.hands) as hands:
            print(f"Virtual amplifier: {plan.unit.model or 'no model given'}; fault: {fault}.")
            person = Technician(hands, confirms=not args.by_hand)
            outcome = _supervised(args, plan, before, bench.port, "demo", person, speed)
    return 0 if outcome.papers.record else EXIT_ERROR


def _run(args: argparse.Namespace) -> int:
    from benchwarden.before_power import checked_before
    from benchwarden.record.cold_check_file import load_checks
    from benchwarden.run import chosen_port

    print(CAUTION)
    job = _job_of(args)
    unit = _unit_of(args, job)
    results = load_checks(args.checks) if args.checks else ()
    before = checked_before(unit, results, args.unchecked, job)
    plan, before = _careful_plan(args, _computed_plan(args, unit), before)
    outcome = _supervised(args, plan, before, chosen_port(args.port), plan.unit.run, None, 1.0)
    return EXIT_CODES[outcome.verdict["verdict"]]


def _plan(args: argparse.Namespace) -> int:
    from benchwarden.analysis.planner import working_text
    from benchwarden.before_power import Before

    job = _job_of(args)
    plan, _ = _careful_plan(args, _computed_plan(args, _unit_of(args, job)), Before(job))
    print(working_text(plan))
    return 0


def _job_of(args: argparse.Namespace) -> Job | None:
    if not args.job:
        return None
    from benchwarden.run_job import job_of

    return job_of(job_store_address(args.store), args.job)


def _unit_of(args: argparse.Namespace, job: Job | None) -> Unit:
    from benchwarden.before_power import labelled
    from benchwarden.core.unit import load_unit, unit_from_table

    if args.unit:
        unit = load_unit(args.unit)
        return labelled(unit, job) if job else unit
    if job is None:
        raise PlanError("no unit facts; allowed: a unit.toml, or --job NUMBER of a job that has them")
    if not job.unit:
        raise PlanError(f"job {job.number} has no unit facts yet; allowed: a unit.toml, or facts in the job")
    return labelled(unit_from_table(job.unit, f"job {job.number}, unit facts"), job)


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


def _before_demo(unit: Unit, job: Job | None) -> Before:
    from benchwarden.before_power import Before
    from benchwarden.core.cold_checks import gate

    if job is None:
        return Before(unchecked_why="virtual bench: there is nothing to measure")
    return Before(job, job.cold_checks, gate(job.cold_checks, unit))


def _careful_plan(args: argparse.Namespace, plan: Plan, before: Before) -> tuple[Plan, Before]:
    """Let doubts about the job's parts make the plan more careful."""
    if before.job is None:
        return plan, before
    from benchwarden.analysis.careful import doubts_of, more_careful
    from benchwarden.core.clock import SystemClock
    from benchwarden.part_doubts import judged_parts, known_parts

    year = int(SystemClock().utc_label()[:4])
    lots, substitutions = judged_parts(before.job, plan.unit, known_parts(args.records), year)
    careful = more_careful(plan, doubts_of(lots, substitutions), args.fit_anyway)
    fit_why = args.fit_anyway.strip()
    return careful, replace(before, lots=lots, substitutions=substitutions, fit_why=fit_why)


def _demo_job() -> Job:
    from benchwarden.core.job_form import job_from
    from benchwarden.core.unit import load_toml

    with resources.as_file(resources.files("benchwarden.virtual") / "demo_job.toml") as shipped:
        return job_from(load_toml(shipped), "demo_job.toml")


def _supervised(
    args: argparse.Namespace,
    plan: Plan,
    before: Before,
    port: str,
    label: str,
    person: Person | None,
    speed: float,
) -> Outcome:
    from benchwarden.before_power import leave_with_run
    from benchwarden.core.clock import SystemClock
    from benchwarden.papers_command import printing_of
    from benchwarden.record.journal_format import NAME as JOURNAL_NAME
    from benchwarden.run import new_run_dir, supervise
    from benchwarden.run_job import beside_earlier, keep_with_job
    from benchwarden.supervisor import RunInfo

    clock = SystemClock()
    started = clock.utc_label()
    run_dir = new_run_dir(args.runs, label, started)
    print(f"Run folder: {run_dir}")
    leave_with_run(before, run_dir)
    for words in before.cautions():
        print(f"CAUTION: {words}")
    store = job_store_address(args.store)
    printing = printing_of(args.records, args.keys, person is not None)
    if args.job and before.job is not None:
        job = before.job
        printing = replace(printing, beside_earlier=lambda run: beside_earlier(store, job, run))
    info = RunInfo(run_dir.name, started, person is not None, speed)
    page = None if args.no_page else _start_page(run_dir, args.page_port, args.records, store)
    # A virtual bench keeps quiet unless it is set up not to.
    alerts = None if args.no_alerts else alert_command.start(run_dir, args.records, person is None, print)
    ended = False
    try:
        try:
            outcome = supervise(
                plan, port, run_dir, clock, info, person, print, args.records, before.header(), printing
            )
        except BaseException:
            # Whatever ended it (an error, Ctrl-C): what was measured is still there.
            if (run_dir / JOURNAL_NAME).exists():
                words = f"What was recorded: `benchwarden recover {run_dir}`, `benchwarden report {run_dir}`"
                print(words, file=sys.stderr)
            raise
        ended = True
        if args.job:
            keep_with_job(store, args.job, run_dir, print)
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


def _start_page(run_dir: Path, port: int, records: Path | None, store: str) -> subprocess.Popen[bytes]:
    # A process of its own: whatever a browser does to it, the run does not notice.
    command = [sys.executable, "-m", "benchwarden", "page", str(run_dir), "--port", str(port)]
    if records is not None:
        command += ["--records", str(records)]
    # A command line is readable by everybody, and the store's address may hold a password.
    return subprocess.Popen(command, stdin=subprocess.DEVNULL, env=os.environ | {JOBS_VARIABLE: store})


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
    papers = outcome.papers
    print(f"Record: {papers.record or 'not printed'}")
    print(f"Bias log for the invoice: {papers.log or 'not printed'}")
    print(f"Sealed: {papers.head or 'no'}")
    print(f"Recording: {outcome.csv or 'not exported'}")
