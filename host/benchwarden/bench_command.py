"""`benchwarden bench`: judge a seeded corpus whose truth is known, and print how right it was."""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
from pathlib import Path
from typing import Any

from benchwarden.corpus.case import REPORTING_SEED, seeds_are
from benchwarden.errors import PlanError


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command to the parser's."""
    sub = commands.add_parser("bench", help="judge many runs of amplifier models and say how right the analysis is")
    sub.add_argument("--runs", type=int, default=300, help="runs of each model; half of them healthy")
    sub.add_argument("--first-seed", type=int, default=REPORTING_SEED, help="settings were chosen on seeds below 6000")
    sub.add_argument("--model", choices=("bench", "second", "both"), default="both")
    sub.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes; default: one per processor")
    sub.add_argument("--only", default="", metavar="KIND,...", help="only these kinds of runs")
    sub.add_argument("--hours", type=float, default=0.0, help="so many healthy hours more, on the second model")
    sub.add_argument("--verbose", action="store_true", help="a line for every run, not only for those judged wrongly")
    sub.add_argument("--json", type=Path, metavar="FILE", help="write every figure and run to FILE")
    sub.set_defaults(command=_bench)


def _checked(args: argparse.Namespace) -> tuple[str, ...]:
    """Return the kinds asked for.

    Raises:
        PlanError: naming the argument and what is allowed.
    """
    from benchwarden.corpus.running import MODELS, kinds_of

    for name, value, low, high in (
        ("--runs", args.runs, 1, 1_000_000),
        ("--first-seed", args.first_seed, 0, 1 << 30),
        ("--jobs", args.jobs, 1, 1024),
        ("--hours", args.hours, 0, 1e6),
    ):
        if not (math.isfinite(value) and low <= value <= high):
            raise PlanError(f"{name} {value!r}; allowed: {low:g} to {high:g}")
    models = MODELS if args.model == "both" else (args.model,)
    known = sorted({kind for model in models for kind in kinds_of(model)})
    if args.hours > 0.0 and args.model == "bench":
        raise PlanError(
            "--hours with --model bench; allowed: second or both (the hours are played on the second model)"
        )
    only = tuple(kind.strip() for kind in args.only.split(",") if kind.strip())
    for kind in only:
        if kind not in known:
            raise PlanError(f"--only {kind!r}; allowed: {', '.join(known)}")
    return only


def _bench(args: argparse.Namespace) -> int:
    from benchwarden.corpus import tables
    from benchwarden.corpus.running import MODELS, all_done, healthy_work, work_for
    from benchwarden.corpus.second_cases import MODEL as SECOND

    only = _checked(args)
    out = sys.stdout
    models = MODELS if args.model == "both" else (args.model,)
    end = args.first_seed + args.runs
    extra = healthy_work(end, args.hours)
    last = max((max(seeds) for _, seeds in extra), default=end - 1)
    words = seeds_are(args.first_seed, last + 1 - args.first_seed)
    out.write(f"Computed by models, not measured. Seeds {args.first_seed} to {last}, {words}.\n")
    results: dict[str, Any] = {"first_seed": args.first_seed, "runs": args.runs, "models": {}}
    for model in models:
        work = work_for(model, args.first_seed, args.runs, only)
        if model == SECOND:
            work += extra
        rows = []
        out.write(f"\nModel: {model}\n")
        for part in all_done(work, args.jobs):
            for row in part:
                rows.append(row)
                if args.verbose or tables.worth_a_line(row):
                    out.write(f"  {tables.row_line(row)}\n")
                    out.flush()
        if not rows:
            out.write("no run of the kinds asked for among these seeds\n")
            continue
        out.write("\n" + "\n".join(tables.lines(rows)) + "\n")
        results["models"][model] = tables.table(rows)
    if args.json is not None:
        try:
            args.json.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
        except OSError as error:
            raise PlanError(f"--json {args.json}: cannot be written ({error.strerror})") from error
    return 0
