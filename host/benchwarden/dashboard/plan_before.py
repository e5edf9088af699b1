"""May the run that is wished for start, and what should the person know before?"""

from __future__ import annotations

from benchwarden.before_power import checked_before
from benchwarden.core.plan import Plan
from benchwarden.dashboard.plan_start import Wish
from benchwarden.jobs.store import open_store


def ready_before(wish: Wish, plan: Plan, jobs: str) -> tuple[str, ...]:
    """Return sentences to show before the second press.

    Args:
        jobs: address of the job store.

    Raises:
        PlanError: the checks before power do not let the plan start.
        JobError, RecordError: there is no such job, or the store cannot be read.
    """
    job = None
    if wish.job:
        with open_store(jobs) as store:
            job = store.open(wish.job)
    if wish.virtual:
        return ()
    return checked_before(plan.unit, (), wish.unchecked, job).cautions()
