"""What joins a run to its job: its earlier jobs before, the run and its samples after."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from benchwarden.analysis.returns import Comparison, compared
from benchwarden.core.job import Job, JobRun
from benchwarden.errors import BenchwardenError
from benchwarden.jobs.run_facts import run_facts
from benchwarden.jobs.samples import export_parquet
from benchwarden.jobs.store import open_store

Said = Callable[[str], None]


def job_of(address: str, number: str) -> Job:
    """Return a job from the store.

    Raises:
        JobError: there is none of that number. RecordError: the store cannot be read.
    """
    with open_store(address, create=False) as store:
        return store.open(number)


def beside_earlier(address: str, job: Job, run: JobRun) -> Comparison | None:
    """Return a run beside the earlier ones of its set; None where there are none.

    Raises:
        RecordError: the store cannot be read.
    """
    amplifier = job.amplifier
    with open_store(address, create=False) as store:
        jobs: Sequence[Job] = store.of_set(amplifier.maker, amplifier.model, amplifier.serial)
    others = [replace(one, runs=_without(one, run)) for one in jobs if one.number != job.number]
    own = next((one for one in jobs if one.number == job.number), job)
    found = compared([*others, replace(own, runs=(*_without(own, run), run))])
    return found if len(found.runs) > 1 or len(found.part_jobs) > 1 else None


def _without(job: Job, run: JobRun) -> tuple[JobRun, ...]:
    return tuple(known for known in job.runs if known.folder != run.folder)


def keep_with_job(address: str, number: str, run_dir: Path, said: Said) -> None:
    """Attach a finished run and its samples to its job; what cannot be kept is said.

    The run's own folder stays as it is, so nothing is lost by a store that is away.
    """
    try:
        run = run_facts(run_dir)
        with open_store(address, create=False) as store, tempfile.TemporaryDirectory(prefix="benchwarden-") as folder:
            store.add_run(number, run, "bench")
            parquet = Path(folder) / "samples.parquet"
            export_parquet(run_dir, parquet)
            store.add_samples(number, run.folder, parquet, "bench")
    except (BenchwardenError, OSError) as error:
        said(
            f"The run could not be kept with job {number}: {error}. It is whole in {run_dir}; "
            f"`benchwarden job attach-run {number} {run_dir}` tries again."
        )
    else:
        said(f"Kept with job {number}.")
