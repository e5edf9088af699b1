"""How do the runs of one kind spread, minute by minute?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchwarden.core.samples import FloatArray

# Fewer runs have no spread worth drawing. Common practice, no source.
LEAST_RUNS = 3
LOW, HIGH = 0.05, 0.95


@dataclass(frozen=True)
class Spread:
    """Median and band of several runs on one time axis.

    Attributes:
        median, low, high: shape (steps,), NaN where fewer than LEAST_RUNS runs tell.
        count: runs that tell, shape (steps,).
    """

    median: FloatArray
    low: FloatArray
    high: FloatArray
    count: npt.NDArray[np.int64]


def spread(runs: Sequence[FloatArray]) -> Spread:
    """Return median and 5 to 95 % band over runs of different length.

    Args:
        runs: one quantity of each run, step by step from the point where they
            are aligned, shape (n,) each, NaN where missing.

    Source:
        Hyndman and Fan, Sample quantiles in statistical packages, The American
        Statistician 50 (1996), definition 8: the median-unbiased estimate they
        recommend, p(k) = (k - 1/3) / (n + 1/3); beyond the outermost runs it
        is these.
    """
    steps = max((len(run) for run in runs), default=0)
    table = np.full((len(runs), steps), np.nan)
    for row, run in zip(table, runs, strict=True):
        row[: len(run)] = run
    table.sort(axis=0)  # NaN last
    count = np.isfinite(table).sum(axis=0)
    return Spread(_quantile(table, count, 0.5), _quantile(table, count, LOW), _quantile(table, count, HIGH), count)


def _quantile(ordered: FloatArray, count: npt.NDArray[np.int64], p: float) -> FloatArray:
    out = np.full(ordered.shape[1], np.nan)
    steps = np.flatnonzero(count >= LEAST_RUNS)
    n = count[steps]
    place = np.clip(p * (n + 1.0 / 3.0) + 1.0 / 3.0, 1.0, n) - 1.0
    below = np.floor(place).astype(np.int64)
    above = np.minimum(below + 1, n - 1)
    share = place - below
    out[steps] = (1.0 - share) * ordered[below, steps] + share * ordered[above, steps]
    return out


def per_minute(t_s: FloatArray, value: FloatArray, start_s: float) -> FloatArray:
    """Return the mean of each whole minute from start_s on, NaN where nothing was read, shape (minutes,).

    Args:
        t_s, value: middle and mean of equal steps shorter than a minute, shape (n,) each, NaN where missing.
    """
    minute = np.floor((t_s - start_s) / 60.0).astype(np.int64)
    held = (minute >= 0) & np.isfinite(value)
    if not held.any():
        return np.empty(0)
    count = np.bincount(minute[held])
    with np.errstate(invalid="ignore"):
        mean: FloatArray = np.bincount(minute[held], value[held]) / count
    return mean
