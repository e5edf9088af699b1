"""How sure is a spread, a stock or a difference that was told from a few readings?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats


def spread_interval(sd: float, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the interval of the standard deviation that n readings with this one leave open.

    Source: (n-1) s^2 / chi-square quantiles; NIST handbook 1.3.5.8. For normal readings only.

    Raises:
        ValueError: fewer than two readings.
    """
    if n < 2:
        raise ValueError(f"{n} readings; a spread takes two")
    tail = (1.0 - confidence) / 2.0
    low = sd * math.sqrt((n - 1) / float(stats.chi2.ppf(1.0 - tail, n - 1)))
    high = sd * math.sqrt((n - 1) / float(stats.chi2.ppf(tail, n - 1)))
    return low, high


def tolerance_factor(n: int, coverage: float, confidence: float) -> float:
    """Return how many standard deviations either side of the mean hold `coverage` of all such parts.

    Source: W. G. Howe, J. Am. Stat. Assoc. 64 (1969) 610; NIST handbook 7.2.6.3, two-sided.

    Raises:
        ValueError: fewer than two readings.
    """
    if n < 2:
        raise ValueError(f"{n} readings; a tolerance interval takes two")
    z = float(stats.norm.ppf((1.0 + coverage) / 2.0))
    return z * math.sqrt((n - 1) * (1.0 + 1.0 / n) / float(stats.chi2.ppf(1.0 - confidence, n - 1)))


@dataclass(frozen=True)
class Difference:
    """How far two groups lie apart.

    Attributes:
        value: mean of the first less mean of the second.
        t, df, p: of the test, two-sided; NaN where neither group tells a spread.
    """

    value: float
    t: float
    df: float
    p: float


def difference(lot: Sequence[float], known: Sequence[float]) -> Difference:
    """Return how the lot's mean differs from that of known pieces, each at least one.

    Student's t with the spread of both together. It goes down to one known piece, where it is
    the prediction interval of one more reading. It asks for equal spreads; Welch's (1947)
    does not, but with two known pieces one degree of freedom is all it has left, and a die of
    half the area passes. An exact rank test (Mann and Whitney 1947) cannot fall below p = 0.4
    with four pieces against one.

    Source: Student, Biometrika 6 (1908) 1; that it holds for so few: J. C. F. de Winter,
    Practical Assessment, Research and Evaluation 18 (2013) 10, from memory.
    """
    a, b = np.asarray(lot, dtype=np.float64), np.asarray(known, dtype=np.float64)
    value = float(a.mean() - b.mean())
    df = len(a) + len(b) - 2
    squares = float(((a - a.mean()) ** 2).sum() + ((b - b.mean()) ** 2).sum())
    if df < 1 or squares <= 0.0:
        return Difference(value, math.nan, math.nan, math.nan)
    t = value / math.sqrt(squares / df * (1.0 / len(a) + 1.0 / len(b)))
    return Difference(value, t, df, 2.0 * float(stats.t.sf(abs(t), df)))
