"""What is known and checked before power goes on, and may the run start?

A run goes with a job, or with a file of checks, or with a person's reason for having none.
Whatever it is goes into the journal's header, and job and part findings into the run's folder.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from benchwarden.core.cold_checks import SHORTEST_WHY, Gate, gate
from benchwarden.core.job import CheckResult, Job
from benchwarden.core.job_form import plain_table
from benchwarden.core.part_findings import LotFindings, SubstituteFindings
from benchwarden.core.unit import Unit
from benchwarden.errors import PlanError, RecordError

JOB_NAME = "job.json"
PARTS_NAME = "parts.json"


@dataclass(frozen=True)
class Before:
    """What was known when power went on.

    Attributes:
        results: of the checks before power, as given.
        gate: what they amount to; None where a person said why there are none.
        unchecked_why: that reason; "" where there are checks.
        fit_why: a person's reason to power parts that the check says not to fit; "" for none.
    """

    job: Job | None = None
    results: tuple[CheckResult, ...] = ()
    gate: Gate | None = None
    unchecked_why: str = ""
    lots: tuple[LotFindings, ...] = ()
    substitutions: tuple[SubstituteFindings, ...] = ()
    fit_why: str = ""

    def header(self) -> dict[str, Any]:
        """Return what the journal keeps of it."""
        return {
            "job": self.job.number if self.job else "",
            "job_version": self.job.version if self.job else 0,
            "checks": [asdict(result) for result in self.results],
            "states": [{"check": one.check.title, "state": one.state, "why": one.why} for one in self._judged()],
            "excused": list(self.gate.excused) if self.gate else [],
            "unchecked_why": self.unchecked_why,
            "fit_why": self.fit_why,
            "lots": [{"lot": one.lot, "level": one.level, "headline": one.headline} for one in self.lots],
        }

    def _judged(self) -> Iterable[Any]:
        return self.gate.judged if self.gate else ()

    def cautions(self) -> tuple[str, ...]:
        """Return what the person should have before their eyes when the run starts."""
        said = [f"Checks before power: none. Powered up all the same, because: {self.unchecked_why}"]
        if not self.unchecked_why:
            said = []
        if self.gate:
            said += self.gate.excused
        said += [f"{one.lot}: {one.headline}" for one in self.lots if one.reasons]
        if self.fit_why:
            said.append(f"Fitted against the check, because: {self.fit_why}")
        return tuple(said)


def checked_before(unit: Unit, results: tuple[CheckResult, ...], unchecked_why: str, job: Job | None = None) -> Before:
    """Return what is known before power, once the checks let the plan start.

    Args:
        results: of a file; those of the job are taken where there are none.
        unchecked_why: a person's reason to go without checks.

    Raises:
        PlanError: a check is failed, skipped or missing without a reason; all of them are named.
    """
    why = unchecked_why.strip()
    if why and len(why) < SHORTEST_WHY:
        raise PlanError(f"--unchecked {why!r}; allowed: a reason of {SHORTEST_WHY} characters or more; it is recorded")
    if why:
        return Before(job, results, None, why)
    results = results or (job.cold_checks if job else ())
    found = gate(results, unit)
    if not found.is_open:
        raise PlanError(
            "the checks before power do not let this run start; nothing was closed:\n  "
            + "\n  ".join(found.blocking)
            + "\nFill in the checks (`benchwarden checks new FILE`, then --checks FILE, or those of a job), give `why` "
            'where one is failed or skipped, or give --unchecked "REASON"; the reason goes into the record.'
        )
    return Before(job, results, found)


def leave_with_run(before: Before, run_dir: Path) -> None:
    """Put job and part findings into a run's folder, for the record.

    Raises:
        RecordError: they cannot be written.
    """
    tables: dict[str, Any] = {}
    if before.job is not None:
        tables[JOB_NAME] = plain_table(before.job)
    if before.lots or before.substitutions:
        tables[PARTS_NAME] = {
            "lots": [asdict(one) for one in before.lots],
            "substitutions": [asdict(one) for one in before.substitutions],
        }
    for name, table in tables.items():
        try:
            (run_dir / name).write_text(json.dumps(table, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        except OSError as error:
            raise RecordError(f"{run_dir / name}: cannot be written ({error.strerror})") from error


def labelled(unit: Unit, job: Job) -> Unit:
    """Return unit facts whose labels come from the job where they have none."""
    amplifier = job.amplifier
    return replace(
        unit,
        customer=unit.customer or ", ".join(part for part in (job.customer, f"job {job.number}") if part),
        model=unit.model or " ".join(part for part in (amplifier.maker, amplifier.model) if part),
        serial=unit.serial or amplifier.serial,
        technician=unit.technician or job.technician,
    )
