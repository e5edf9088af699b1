"""Does a level keep going one way without slowing, and when does it reach its limit?

Means of equal blocks; when the table is full neighbours are merged, so that one table
serves a ramp of minutes and one of hours. What follows the sink's temperature is taken
out before time is blamed, and the interval of the slope counts effective samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import stats

from benchwarden.analysis.trend import line
from benchwarden.core.samples import FloatArray

BLOCK_S = 10.0
_MOST = 36
_LEAST = 8
# No block is longer: a creep over half a day is the metrics' matter.
_LONGEST_S = 320.0
# The slope has to differ from none by so many standard deviations. Tested every block
# of a long run: five make a chance of 3e-7 each (normal), once in years of running.
SURE = 5.0
CHANCE = 1e-6
# A straight ramp has as much slope late as early; one that settles has less.
_STEADY = 0.75
# Below this a sink that warmed says nothing about temperature.
_WARMED_K = 2.0


@dataclass(frozen=True)
class Ramp:
    """A level on its way.

    Attributes:
        level: at the end, by the fitted line.
        rise: over the span, by the fitted line, signed.
        slope, least: per second, best estimate and end of the interval nearer to none.
        span_s: time it was watched.
    """

    level: float
    rise: float
    slope: float
    least: float
    span_s: float


class Creep:
    """Block means of one level since its last disturbance."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Begin again: something was changed."""
        self._block_s = BLOCK_S
        self._t: list[float] = []
        self._y: list[float] = []
        self._c: list[float] = []
        self._sum = [0.0, 0.0, 0.0]
        self._n = 0
        self._began_s = math.nan

    def add(self, t_s: float, value: float, sink_c: float) -> bool:
        """Take in one second; return True when a block was completed."""
        if self._began_s != self._began_s:
            self._began_s = t_s
        total = self._sum
        total[0] += t_s
        total[1] += value
        total[2] += sink_c
        self._n += 1
        if t_s - self._began_s < self._block_s - 1.5:
            return False
        n = self._n
        self._t.append(total[0] / n)
        self._y.append(total[1] / n)
        self._c.append(total[2] / n)
        self._sum, self._n, self._began_s = [0.0, 0.0, 0.0], 0, math.nan
        if len(self._t) >= _MOST:
            self._merge()
        return True

    def _merge(self) -> None:
        if self._block_s >= _LONGEST_S:
            for column in (self._t, self._y, self._c):
                del column[0]
            return
        for column in (self._t, self._y, self._c):
            column[:] = [(a + b) / 2.0 for a, b in zip(column[::2], column[1::2], strict=True)]
        self._block_s *= 2.0

    def moved(self) -> float:
        """Return newest less oldest block, 0 before there are enough: a look that costs nothing."""
        return self._y[-1] - self._y[0] if len(self._y) >= _LEAST else 0.0

    def ramp(self) -> Ramp | None:
        """Return the steady, certain ramp that the blocks make, None where there is none.

        Of the whole table or of its newest part: a ramp may begin after a long rest.
        """
        n = len(self._y)
        for start in (0, n // 2, n - 2 * _LEAST):
            if 0 <= start <= n - _LEAST:
                found = _ramp(np.array(self._t[start:]), np.array(self._y[start:]), np.array(self._c[start:]))
                if found is not None:
                    return found
        return None


def _ramp(t_s: FloatArray, y: FloatArray, sink_c: FloatArray) -> Ramp | None:
    rest, used = y, 0
    if np.isfinite(sink_c).all() and float(np.ptp(sink_c)) > _WARMED_K:
        # Frisch, Waugh and Lovell: the slope over time of a regression on time and
        # temperature is that of what temperature leaves of both.
        warm = sink_c - sink_c.mean()
        share = float(warm @ (t_s - t_s.mean())) / float(warm @ warm)
        level = float(warm @ (y - y.mean())) / float(warm @ warm)
        clock = t_s - share * warm
        if float(np.ptp(clock)) < 0.2 * float(np.ptp(t_s)):
            return None
        fit, used = line(clock, y - level * warm), 1
        rest = y - (level - fit.slope * share) * warm
    else:
        fit = line(t_s, y)
    n = len(t_s)
    # One freedom more is spent where temperature was fitted too.
    sd = fit.slope_sd * math.sqrt((n - 2) / (n - 2 - used))
    if abs(fit.slope) <= SURE * sd or not _beats_a_walk(rest):
        return None
    middle = n // 2
    early = float(np.polyfit(t_s[:middle], rest[:middle], 1)[0])
    late = float(np.polyfit(t_s[middle:], rest[middle:], 1)[0])
    if late * fit.slope <= 0.0 or abs(late) < _STEADY * abs(early):
        return None
    least = math.copysign(abs(fit.slope) - 2.0 * sd, fit.slope)
    span = float(t_s[-1] - t_s[0])
    return Ramp(float(y[-1]), fit.slope * span, fit.slope, least, span)


def _beats_a_walk(y: FloatArray) -> bool:
    """Tell a drift from a random walk: the mean step against the scatter of the steps, Student's t.

    Noise that wanders more slowly than the window is long looks like a walk there, and
    no window tells its autocorrelation; a walk without drift has steps of mean zero.
    """
    steps = np.diff(y)
    n = len(steps)
    scatter = float(steps.std(ddof=1))
    return abs(float(steps.mean())) * math.sqrt(n) > _quantile(n - 1) * scatter


@lru_cache(maxsize=64)
def _quantile(freedom: int) -> float:
    return float(stats.t.isf(CHANCE, freedom))


def seconds_to(ramp: Ramp, limit: float) -> float:
    """Return when a ramp reaches +limit or -limit at its least slope, seconds, inf for never."""
    to_go = limit - math.copysign(1.0, ramp.slope) * ramp.level
    return to_go / abs(ramp.least) if to_go > 0.0 else 0.0
