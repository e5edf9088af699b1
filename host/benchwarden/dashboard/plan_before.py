"""May the run that is wished for start, and what should the person know before?"""

from __future__ import annotations

from pathlib import Path

from benchwarden.analysis.careful import doubts_of, more_careful
from benchwarden.before_power import checked_before
from benchwarden.core.clock import SystemClock
from benchwarden.core.plan import Plan
from benchwarden.dashboard.plan_start import Wish
from benchwarden.part_doubts import judged_parts, known_parts
from benchwarden.run_job import job_of


def ready_before(wish: Wish, plan: Plan, jobs: str, records: Path) -> tuple[str, ...]:
    """Return sentences to show before the second press.

    Args:
        jobs: address of the job store.
        records: folder with the user's parts list.

    Raises:
        PlanError: the checks before power, or the parts, do not let the plan start.
        JobError, RecordError: there is no such job, or the store cannot be read.
    """
    if not wish.job:
        return () if wish.virtual else checked_before(plan.unit, (), wish.unchecked).cautions()
    job = job_of(jobs, wish.job)
    before = None if wish.virtual else checked_before(plan.unit, (), wish.unchecked, job)
    year = int(SystemClock().utc_label()[:4])
    doubts = doubts_of(*judged_parts(job, plan.unit, known_parts(records), year))
    more_careful(plan, doubts)
    said = () if before is None else before.cautions()
    if doubts.degree is not None:
        said += (f"More careful than usual (degree {doubts.degree.number} of 3): {'; '.join(doubts.doubts)}.",)
    return said
