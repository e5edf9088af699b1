"""`benchwarden report`: print the record and the bias log of a run again, and seal it."""

from __future__ import annotations

import argparse
import json
import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchwarden.errors import BenchwardenError
from benchwarden.places import DEFAULT_RECORDS, EXIT_ERROR, job_store_address
from benchwarden.proof_command import DEFAULT_KEYS, PASSPHRASE_VARIABLE

if TYPE_CHECKING:
    from benchwarden.core.job import Job
    from benchwarden.papers import Printing


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command to the parser's."""
    sub = commands.add_parser("report", help="print record and bias log of a run again (PDF), and seal it")
    sub.add_argument("run_dir", type=Path)
    sub.add_argument("--records", type=Path, default=DEFAULT_RECORDS, help="folder with the workshop's settings")
    sub.add_argument("--keys", type=Path, default=DEFAULT_KEYS, help="folder of the key that signs the seal")
    sub.add_argument("--language", default="", help="of the paper, such as en or de; default: the workshop's")
    sub.add_argument("--job", metavar="NUMBER", help="take the job as it is now; default: as it was at the run")
    sub.add_argument("--store", metavar="ADDRESS", help="job store: a folder or postgresql://...")
    sub.set_defaults(command=_report)


def printing_of(records: Path | None, keys: Path, virtual: bool) -> Printing:
    """Return whose paper a run is printed on.

    Args:
        records: folder with the workshop's settings; None takes those of the demonstration.
        virtual: a run on the virtual bench; nobody misses a signature there.

    Raises:
        PlanError: the workshop's settings are not what they should be.
    """
    from benchwarden.papers import Printing
    from benchwarden.proof.signing import signer_or_why
    from benchwarden.record.workshop_settings import demo_workshop, load_workshop

    workshop = demo_workshop() if records is None else load_workshop(records)
    signer, why = signer_or_why(keys, os.environ.get(PASSPHRASE_VARIABLE, ""))
    return Printing(workshop, signer, "" if virtual else why)


def _report(args: argparse.Namespace) -> int:
    from benchwarden.before_power import JOB_NAME
    from benchwarden.core.job_form import plain_table
    from benchwarden.core.workshop import Workshop
    from benchwarden.papers import make_papers
    from benchwarden.report.typeset import replace_file
    from benchwarden.run_job import beside_earlier, job_of

    address = job_store_address(args.store)
    printing = printing_of(args.records, args.keys, virtual=False)
    if args.language:
        printing = replace(printing, workshop=replace(printing.workshop or Workshop(), language=args.language))
    job = _job_at_the_run(args.run_dir / JOB_NAME)
    if args.job:
        job = job_of(address, args.job)
        table = json.dumps(plain_table(job), indent=1, ensure_ascii=False) + "\n"
        replace_file(args.run_dir / JOB_NAME, table.encode())
    if job is not None and (args.job or args.store):
        known = job
        printing = replace(printing, beside_earlier=lambda run: beside_earlier(address, known, run))
    papers = make_papers(args.run_dir, printing, print)
    for path in (papers.record, papers.log):
        if path is not None:
            print(path)
    print(f"Sealed: {papers.head or 'no'}")
    return 0 if papers.record else EXIT_ERROR


def _job_at_the_run(path: Path) -> Job | None:
    from benchwarden.core.job_form import job_from

    try:
        return job_from(json.loads(path.read_text(encoding="utf-8")), str(path))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, BenchwardenError) as error:
        # The record is printed without it and says so.
        print(f"{path}: not a job file ({error}); give --job NUMBER to take it from the store.")
        return None
