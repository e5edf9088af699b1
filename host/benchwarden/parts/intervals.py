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
        t, df, p: of the test, two-sided; p NaN where neither group tells a spread.
        method: how, in words.
    """

    value: float
    t: float
    df: float
    p: float
    method: str


def difference(lot: Sequence[float], known: Sequence[float]) -> Difference:
    """Return how the lot's mean differs from that of known pieces.

    With one known piece (or one of the lot) the other group's spread is taken for both;
    with more, Welch's test (B. L. Welch, Biometrika 34, 1947, 28), which does not ask for
    equal spreads. An exact rank test (Mann and Whitney 1947) was left out: with four pieces
    against one its smallest probability is 0.4.
    """
    a, b = np.asarray(lot, dtype=np.float64), np.asarray(known, dtype=np.float64)
    value = float(a.mean() - b.mean())
    n, m = len(a), len(b)
    if n > 1 and m > 1:
        u, v = float(a.var(ddof=1)) / n, float(b.var(ddof=1)) / m
        method = "Welch's t"
        if u + v > 0.0:
            df = (u + v) ** 2 / (u * u / (n - 1) + v * v / (m - 1))
            return _told(value, math.sqrt(u + v), df, method)
    elif n > 1 or m > 1:
        more = a if n > 1 else b
        method = "t of one more reading against the others (prediction interval)"
        sd = float(more.std(ddof=1))
        if sd > 0.0:
            return _told(value, sd * math.sqrt(1.0 + 1.0 / len(more)), len(more) - 1, method)
    else:
        method = "one piece against one: no spread to judge by"
    return Difference(value, math.nan, math.nan, math.nan, method)


def _told(value: float, error: float, df: float, method: str) -> Difference:
    t = value / error
    return Difference(value, t, df, 2.0 * float(stats.t.sf(abs(t), df)), method)
