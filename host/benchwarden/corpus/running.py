"""Make and judge many seeded runs on several processors, in the order of their seeds."""

from __future__ import annotations

import math
import multiprocessing
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from benchwarden.corpus import bench_cases, second_cases
from benchwarden.corpus.judging import Row, judged

MODELS = (bench_cases.MODEL, second_cases.MODEL)
Work = tuple[str, tuple[int, ...]]
# The second model plays so many runs together.
BATCH = 48


def kinds_of(model: str) -> tuple[str, ...]:
    """Return every kind of run that a model knows."""
    return bench_cases.KINDS if model == bench_cases.MODEL else second_cases.KINDS


def kind_of(model: str, seed: int) -> str:
    """Return what a seed stands for in a model."""
    return bench_cases.kind_of(seed) if model == bench_cases.MODEL else second_cases.kind_of(seed)


def work_for(model: str, first_seed: int, runs: int, only: Sequence[str] = ()) -> list[Work]:
    """Return the pieces of work of the seeds first_seed to first_seed + runs - 1.

    Args:
        only: kinds to keep; all if empty.
    """
    seeds = [s for s in range(first_seed, first_seed + runs) if not only or kind_of(model, s) in only]
    size = 1 if model == bench_cases.MODEL else BATCH
    return [(model, tuple(seeds[i : i + size])) for i in range(0, len(seeds), size)]


def healthy_work(first_seed: int, hours: float) -> list[Work]:
    """Return work of about so many healthy hours on the second model, from the next even seed on."""
    count = math.ceil(hours * 3600.0 / second_cases.MEAN_HEALTHY_S)
    seeds = range(first_seed + first_seed % 2, first_seed + first_seed % 2 + 2 * count, 2)
    return [(second_cases.MODEL, tuple(seeds[i : i + BATCH])) for i in range(0, count, BATCH)]


def done(work: Work) -> list[Row]:
    """Return the judged runs of one piece of work."""
    model, seeds = work
    if model == bench_cases.MODEL:
        return [judged(bench_cases.bench_case(seed)) for seed in seeds]
    return [judged(case) for case in second_cases.second_cases(seeds)]


def all_done(work: Sequence[Work], jobs: int) -> Iterator[list[Row]]:
    """Yield the rows of each piece of work, in order, made by `jobs` processes."""
    if jobs == 1 or len(work) < 2:
        yield from map(done, work)
        return
    with _pool(min(jobs, len(work))) as pool:
        yield from pool.imap(done, work)


@contextmanager
def _pool(jobs: int) -> Iterator[multiprocessing.pool.Pool]:
    # Spawned: a forked copy of a process with threads may hang.
    pool = multiprocessing.get_context("spawn").Pool(jobs)
    try:
        yield pool
        pool.close()
    except BaseException:
        pool.terminate()
        raise
    finally:
        pool.join()
