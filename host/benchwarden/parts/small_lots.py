"""Which of four to ten readings do not belong with the rest?

Why these tests, for lots this small:

- Three statistics are looked at together, because what spoils a small lot differs. One
  odd piece: Grubbs' G (1950, 1969), the most powerful test for it. Two odd pieces hide
  each other from G, since each inflates the standard deviation: the second statistic of
  the generalized ESD procedure (Rosner 1983), G again without the first piece; from six
  pieces on, before that nothing is left to compare with. (Tietjen and Moore's test, 1972, wants
  the number of odd pieces told beforehand.) A mixed lot of two kinds hides
  from both: the greatest ratio of squares between and within two groups over all splits
  of the ordered readings (Engelman and Hartigan 1969).
- Rosner's critical values are approximations for 25 and more readings (15 at the least, he
  says; from memory). For small lots the distribution of all three is simulated from normal
  samples instead, with a fixed seed, as the NIST handbook does for the Tietjen-Moore test.
  Looking three times is paid for in the same simulation: what is judged is the smallest of
  the three probabilities against its own distribution (Westfall and Young 1993, min-p, from
  memory).
- Several quantities are paid for by Bonferroni's correction. Holm's (1979) finds a little more, but the
  critical value shown beside a figure would then hang on the other quantities.
- Dixon's Q (1950, 1951; critical values Dean and Dixon 1951, Rorabacher 1991) was left out:
  it is masked by a second odd piece as G is, and has less power against a single one. The
  median-based modified z-score (Iglewicz and Hoaglin 1993) was left out too: its usual 3.5
  is for large samples, and calls a piece odd in an eighth to a fifth of good lots of four
  to ten (`tests/bench_small_lots.py` measures it).
- Gain and leakage are ratios in nature and are judged by their logarithms; leakage only upwards.
- A spread is told by the chi-square interval of the standard deviation and held against a
  batch's usual one by the chi-square test, a stock by the tolerance interval (Howe 1969; NIST
  handbook 7.2.6.3), known-good pieces against a lot by Student's t (`intervals`).

What this cannot see: with four or five pieces, one that is too high and one that is too low
at once; an odd piece nearer than `found_from` says (with four pieces it is far: two degrees of freedom
are left to judge by, so the spread against a batch's usual one and known-good pieces matter more).

Three readings or fewer show no outlier: with three, G cannot exceed 1.155, and two pieces
that agree by chance make any third look odd.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import stats

FloatArray = npt.NDArray[np.float64]

LEAST = 4
# From this many on a second odd piece is looked for apart from the first.
TWO_FROM = 6
ALPHA = 0.05
_DRAWS, _FEWEST_DRAWS = 60_000, 5_000
_CELLS = 1_200_000
_SEED = 20_261_129
_FOUND_FROM = {4: 30.0, 5: 16.0, 6: 12.0, 7: 10.0, 8: 8.5, 9: 8.0, 10: 7.5}

GRUBBS = "Grubbs"
SECOND = "generalized ESD, second"
GROUPS = "two groups"
SOURCES = {
    GRUBBS: "Grubbs 1969, Technometrics 11; NIST handbook 1.3.5.17.1",
    SECOND: "Rosner 1983, Technometrics 25; NIST handbook 1.3.5.17.3; distribution simulated",
    GROUPS: "Engelman and Hartigan 1969, J. Am. Stat. Assoc. 64; distribution simulated",
}


@dataclass(frozen=True)
class Looked:
    """One statistic on one set of readings.

    Attributes:
        alone: share of good lots with a value as large in this statistic.
        p: share of good lots in which any of the statistics looks as odd as this.
        odd: indices of the readings it points at, the smaller group where it splits them.
        split: for two equal groups, true: neither is the odd one.
    """

    name: str
    value: float
    alone: float
    p: float
    odd: tuple[int, ...]
    split: bool = False


@dataclass(frozen=True)
class Judged:
    """All statistics on one set of readings.

    Attributes:
        p: of the strongest.
        looked: the statistics, the strongest first.
    """

    n: int
    p: float
    looked: tuple[Looked, ...]


def grubbs_g(values: Sequence[float] | FloatArray, upward: bool = False) -> tuple[float, int]:
    """Return the largest distance from the mean in standard deviations, and whose it is; 0 where all agree."""
    x = np.asarray(values, dtype=np.float64)
    deviation = x - x.mean()
    if not upward:
        deviation = np.abs(deviation)
    at = int(np.argmax(deviation))
    sd = float(x.std(ddof=1)) if len(x) > 1 else 0.0
    return (float(deviation[at]) / sd if sd > 0.0 else 0.0), at


def esd_critical(n: int, step: int, alpha: float = ALPHA) -> float:
    """Return Rosner's two-sided critical value for the step-th statistic; step 1 is Grubbs' own.

    Source: NIST handbook 1.3.5.17.3; t p-quantile with p = 1 - alpha / (2 (n - i + 1)).
    """
    left = n - step + 1
    t = float(stats.t.ppf(1.0 - alpha / (2.0 * left), left - 2))
    return (left - 1) * t / math.sqrt((left - 2 + t * t) * left)


def esd_statistics(values: Sequence[float] | FloatArray, most: int, upward: bool = False) -> list[tuple[float, int]]:
    """Return the first `most` statistics of the generalized ESD procedure with the index each takes out."""
    left = list(range(len(values)))
    found = []
    for _ in range(most):
        g, at = grubbs_g([values[i] for i in left], upward)
        found.append((g, left[at]))
        del left[at]
    return found


def best_split(values: Sequence[float] | FloatArray, upward: bool = False) -> tuple[float, tuple[int, ...], bool]:
    """Return the greatest ratio of squares between and within two groups of the ordered readings.

    Returns:
        The ratio, the indices of the smaller (or upper) group, and whether both are equally large.
    """
    order = np.argsort(np.asarray(values, dtype=np.float64), kind="stable")
    x = np.asarray(values, dtype=np.float64)[order]
    n = len(x)
    ratios = _ratios(x[None, :])[0]
    first = _first_split(n, upward)
    m = first + int(np.argmax(ratios[first - 1 :]))
    group = order[:m] if m < n - m else order[m:]
    return float(ratios[m - 1]), tuple(int(i) for i in group), 2 * m == n


def _ratios(x: FloatArray) -> FloatArray:
    """Return between over within squares for each split of ordered rows, shape (rows, n - 1)."""
    n = x.shape[1]
    total = x.sum(axis=1, keepdims=True)
    squares = ((x - total / n) ** 2).sum(axis=1, keepdims=True)
    below = x.cumsum(axis=1)[:, :-1]
    m = np.arange(1, n)
    between = (below - m * total / n) ** 2 * (n / (m * (n - m)))
    within = np.maximum(squares - between, 1e-12 * squares + 1e-300)
    ratio: FloatArray = between / within
    return ratio


@dataclass(frozen=True)
class _Null:
    """Each statistic's ordered values over good lots, and the ordered smallest of their probabilities."""

    ordered: tuple[FloatArray, ...]
    least_p: FloatArray


@lru_cache(maxsize=64)
def _null(n: int, upward: bool) -> _Null:
    draws = max(min(_DRAWS, _CELLS // n), _FEWEST_DRAWS)
    # In portions, so that a lot of thousands takes no more memory than one of twenty.
    portion = max(_CELLS // n, 1)
    source = np.random.default_rng([_SEED, n, int(upward)])
    portions = [
        _statistics_of_rows(source.standard_normal((min(portion, draws - done), n)), upward)
        for done in range(0, draws, portion)
    ]
    columns = np.concatenate(portions, axis=1)
    ordered = np.sort(columns, axis=1)
    p = np.stack([_p_of(column, own) for column, own in zip(columns, ordered, strict=True)])
    return _Null(tuple(ordered), np.sort(p.min(axis=0)))


def _statistics_of_rows(x: FloatArray, upward: bool) -> FloatArray:
    """Return the statistics of many lots, shape (statistics, rows)."""
    n = x.shape[1]
    x.sort(axis=1)
    found = [_g_of_rows(x, upward)]
    if n >= TWO_FROM:
        found.append(_g_of_rows(_without_farthest(x, upward), upward))
    found.append(_ratios(x)[:, _first_split(n, upward) - 1 :].max(axis=1))
    return np.stack(found)


def _first_split(n: int, upward: bool) -> int:
    """Return the smallest lower group that is looked at: upwards, the upper one has to be the smaller."""
    return n - n // 2 if upward else 1


def _g_of_rows(x: FloatArray, upward: bool) -> FloatArray:
    """Return Grubbs' statistic of ordered rows."""
    mean = x.mean(axis=1)
    far = x[:, -1] - mean
    if not upward:
        far = np.maximum(far, mean - x[:, 0])
    return np.asarray(far / x.std(axis=1, ddof=1), dtype=np.float64)


def _without_farthest(x: FloatArray, upward: bool) -> FloatArray:
    if upward:
        return x[:, :-1]
    mean = x.mean(axis=1)
    low = (mean - x[:, 0] > x[:, -1] - mean)[:, None]
    left: FloatArray = np.where(low, x[:, 1:], x[:, :-1])
    return left


def _p_of(values: FloatArray, ordered: FloatArray) -> FloatArray:
    at_least = len(ordered) - np.searchsorted(ordered, values, side="left")
    return np.asarray((at_least + 1.0) / (len(ordered) + 1.0), dtype=np.float64)


def judged(values: Sequence[float] | FloatArray, upward: bool = False) -> Judged | None:
    """Return how unlikely the oddest of these readings is in a lot of one kind; None below four readings.

    Args:
        values: readings whose good lots are spread about normally (logarithms where they are ratios).
        upward: only readings that are too high count.
    """
    n = len(values)
    if n < LEAST:
        return None
    null = _null(n, upward)
    steps = esd_statistics(values, 2 if n >= TWO_FROM else 1, upward)
    ratio, group, equal = best_split(values, upward)
    found: list[tuple[str, float, tuple[int, ...], bool]] = [(GRUBBS, steps[0][0], (steps[0][1],), False)]
    if n >= TWO_FROM:
        found.append((SECOND, steps[1][0], (steps[0][1], steps[1][1]), False))
    found.append((GROUPS, ratio, group, equal))
    looked = []
    for (name, value, odd, split), own in zip(found, null.ordered, strict=True):
        alone = float(_p_of(np.array([value]), own)[0])
        at_most = int(np.searchsorted(null.least_p, alone, side="right"))
        p = min((at_most + 1.0) / (len(null.least_p) + 1.0), 1.0)
        looked.append(Looked(name, value, alone, p, odd, split))
    looked.sort(key=lambda item: item.alone)
    return Judged(n, looked[0].p, tuple(looked))


def critical_value(name: str, n: int, alpha: float, upward: bool = False) -> float:
    """Return the value of one statistic beyond which a lot of n is odd at `alpha`, the other statistics paid for."""
    null = _null(n, upward)
    share = float(np.quantile(null.least_p, alpha, method="lower"))
    names = [GRUBBS, *([SECOND] if n >= TWO_FROM else []), GROUPS]
    return float(np.quantile(null.ordered[names.index(name)], 1.0 - share, method="higher"))


def found_from(n: int) -> float:
    """Return how many standard deviations one odd piece of n must stand off to be found in four lots of five.

    With four quantities measured on normal lots; more than ten are told as ten. Source:
    simulated, `tests/bench_small_lots.py` prints it anew.
    """
    return _FOUND_FROM[min(n, max(_FOUND_FROM))]


def bonferroni(p: float, looks: int) -> float:
    """Return a probability corrected for how many looks were taken."""
    return min(1.0, looks * p)
