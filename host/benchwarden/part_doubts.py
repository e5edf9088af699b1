"""What the checks of a job's parts find, for the plan of its run."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from benchwarden.core.job import Job
from benchwarden.core.part_findings import LotFindings, SubstituteFindings
from benchwarden.core.substitutes import Ratings
from benchwarden.core.unit import Unit
from benchwarden.parts.circuit_facts import CircuitFacts
from benchwarden.parts.incoming import check_lot
from benchwarden.parts.parts_list import example_parts, load_parts
from benchwarden.parts.substitute import check_substitution

LIST_NAME = "parts.toml"


def known_parts(records: Path | None) -> Mapping[str, Ratings]:
    """Return the user's parts list in the records folder; the shipped example where there is none.

    Raises:
        JobError, PlanError: the list is not what it should be; names file, type and key.
    """
    path = None if records is None else records / LIST_NAME
    return load_parts(path) if path is not None and path.exists() else example_parts()


def judged_parts(
    job: Job, unit: Unit, parts: Mapping[str, Ratings], year: int
) -> tuple[tuple[LotFindings, ...], tuple[SubstituteFindings, ...]]:
    """Return what is found about a job's lots and substitutions.

    Args:
        parts: ratings by marking.
        year: the present one.
    """
    lots = tuple(check_lot(lot, parts.get(lot.marking), year) for lot in job.lots)
    found = tuple(check_substitution(one, CircuitFacts.of(unit, one.role)) for one in job.substitutions)
    return lots, found
