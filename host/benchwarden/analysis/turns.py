"""Did a hand turn the bias pot? Told from bias that moves by itself, second by second.

Heat takes time. What grows or decays by itself has a rate of change that itself
changes only by a factor per second: y' = c exp(t / T) multiplies by exp(1 / T), and
junction, case and sink leave T above half a second for everything that lasts long
enough to be fitted. A hand starts from flat and ends flat. So:

- *corner*: from one second to the next the rate changes by more than three times the
  smaller of the two rates (T below 0.7 s), and by more than noise, converter steps and
  the rails can make;
- *burst*: the same between means of a few seconds, where the growth does not go on;
- *swing*: flat, then a rise or fall, then flat again, within some ten such means, as a
  slow and soft turn makes. A runaway never becomes flat.

All three bound the size from below by a share of the bias, so that what does not
matter does not cut a stretch.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from dataclasses import dataclass

# Smallest change of the rate, and of the level by a soft turn, as shares of bias or target.
CORNER_SHARE = 0.004
# The rate may change by so many times the smaller rate: growth by exp(1 / T) = 4 a second.
CORNER_TIMES = 3.0
CORNER_SIGMAS = 7.0
QUANTA = 2.5
# Idle current follows the rails by several times their relative change (common practice, no source).
RAIL_TIMES = 4.0
_LEARN = 0.03
_SWING_TIMES = 5.0
_SWING_SIGMAS = 6.0
_BURST_TIMES = 6.0
_BURST_SIGMAS = 8.0
_BURST_GOES_ON = 2.0


@dataclass(frozen=True, slots=True)
class _Mean:
    """Mean of consecutive seconds, the first of which ended at first_s."""

    first_s: float
    level: float
    rail_v: float


class _Means:
    """Means of `size` values, and the corners that are too soft for one second.

    Args:
        size: seconds, or finer means, in a mean.
        rise: means that a turn may take from flat to flat.
        share: smallest turn told, as a share of the bias.
    """

    def __init__(self, size: int, rise: int, share: float) -> None:
        self._size = size
        self._rise = rise
        self._share = share
        self._past: deque[_Mean] = deque(maxlen=rise + 6)
        self._sum = self._rail_sum = 0.0
        self._count = 0
        self._first_s = math.nan
        self._sigma = math.nan
        self._seen = 0

    def clear(self) -> None:
        self._past.clear()
        self._count = 0

    @property
    def newest(self) -> _Mean | None:
        """The mean that the last value completed, if it did."""
        return self._past[-1] if not self._count and self._past else None

    def feed(self, t_s: float, y: float, rail_v: float, began_s: float, scale: float, quantum: float) -> float:
        """Take one second, or a finer mean begun at t_s; return when a hand's new level began, NaN for no turn."""
        if not self._count:
            self._sum = self._rail_sum = 0.0
            self._first_s = t_s
        self._sum += y
        self._rail_sum += rail_v
        self._count += 1
        if self._count < self._size:
            return math.nan
        self._count = 0
        self._past.append(_Mean(self._first_s, self._sum / self._size, self._rail_sum / self._size))
        if len(self._past) < 4:
            return math.nan
        means = list(self._past)
        slopes = [b.level - a.level for a, b in itertools.pairwise(means)]
        self._learn(abs(slopes[-1] - slopes[-2]))
        return self._turn(means, slopes, began_s, scale, quantum) if self._seen > 4 else math.nan

    def _learn(self, change: float) -> None:
        self._seen += 1
        if self._sigma != self._sigma:
            self._sigma = 1.25 * change
        else:
            self._sigma += max(_LEARN, 1.0 / self._seen) * (1.25 * min(change, 4.0 * self._sigma + 1e-12) - self._sigma)

    def _turn(self, means: list[_Mean], slopes: list[float], began_s: float, scale: float, quantum: float) -> float:
        last = len(slopes) - 1
        # A slow drift through a coarse converter is a staircase: one step of it is no turn.
        step = QUANTA * quantum
        floor = max(self._share * scale, step)
        # Candidates: the slope between means p and p + 1, both of the present stretch.
        first = next((i for i, mean in enumerate(means) if mean.first_s >= began_s), last)
        peaks = range(max(first, last - self._rise, 1), last)
        if not peaks:
            return math.nan
        p = max(peaks, key=lambda i: abs(slopes[i]))
        peak = abs(slopes[p])
        if peak > _SWING_TIMES * abs(slopes[last]) + _SWING_SIGMAS * self._sigma + step:
            for i in range(p - 1, max(p - self._rise, 0) - 1, -1):
                if abs(slopes[i]) < peak / _SWING_TIMES and self._moved(means[i], means[-1], slopes[p]) > floor:
                    return self._end(means, slopes, p)
        before, after = abs(slopes[last - 2]) if last >= 2 else math.inf, abs(slopes[last])
        now = abs(slopes[last - 1])
        if (
            last - 1 >= first
            and now > _BURST_TIMES * before + _BURST_SIGMAS * self._sigma + step
            and after < _BURST_GOES_ON * now
            and self._moved(means[last - 1], means[last], slopes[last - 1]) > floor
        ):
            return means[last].first_s
        return math.nan

    @staticmethod
    def _moved(start: _Mean, end: _Mean, sign: float) -> float:
        """Return how far the level went in the direction of the turn, less what the rails may have done."""
        rail_share = abs(end.rail_v - start.rail_v) / start.rail_v if start.rail_v > 0.0 else 0.0
        return math.copysign(1.0, sign) * (end.level - start.level) - RAIL_TIMES * rail_share * abs(end.level)

    @staticmethod
    def _end(means: list[_Mean], slopes: list[float], p: int) -> float:
        """Return the first second after the turn: the slope is below a fifth of its peak from there on."""
        q = p
        while q + 1 < len(slopes) and abs(slopes[q + 1]) > abs(slopes[p]) / _SWING_TIMES:
            q += 1
        return means[q + 1].first_s


class Turns:
    """Watches one channel's bias, one second at a time, all in samples of calm idle time."""

    def __init__(self, target_v: float) -> None:
        self.target_v = target_v
        self._y = self._rail_v = self._t_s = math.nan
        self._rate = math.nan
        # Share by which the rails' last change may have moved the bias: a step of it is two corners.
        self._by_rail = 0.0
        self._sigma = math.nan
        self._seen = 0
        self._quick = _Means(4, 9, 0.015)
        # Made of the quick ones: 16 s.
        self._slow = _Means(4, 2, 0.03)
        self.quantum = math.inf

    @property
    def noise_v(self) -> float:
        """How far a second strays from the straight line through its neighbours, one deviation; 0 when not known."""
        return 0.5 * self._sigma if self._sigma == self._sigma else 0.0

    def clear(self) -> None:
        """Forget the level, keep what is known of the noise: something else moved the bias."""
        self._y = self._rate = math.nan
        self._quick.clear()
        self._slow.clear()

    def feed(self, t_s: float, y: float, rail_v: float, began_s: float) -> float:
        """Take one second of the running stretch.

        Args:
            t_s: its end.
            y: bias drop, volts.
            rail_v: rail magnitude, volts, NaN when unknown.
            began_s: end of the first second of the stretch.

        Returns:
            The second with which a new stretch begins, NaN if none does.
        """
        if rail_v != rail_v:
            rail_v = self._rail_v if self._rail_v == self._rail_v else 0.0
        previous_y, previous_rail, previous_rate = self._y, self._rail_v, self._rate
        dt = t_s - self._t_s
        self._y, self._rail_v, self._t_s = y, rail_v, t_s
        if previous_y != previous_y:
            return math.nan
        rate = (y - previous_y) / dt
        by_rail = RAIL_TIMES * abs(rail_v - previous_rail) / previous_rail if previous_rail > 0.0 else 0.0
        self._rate = rate
        size = y if y >= 0.0 else -y
        scale = size if size > self.target_v else self.target_v
        quantum = self.quantum if self.quantum < scale else 0.0
        turned_s = math.nan
        if previous_rate == previous_rate:
            change = abs(rate - previous_rate)
            floor = max(CORNER_SHARE * scale, CORNER_SIGMAS * self._sigma, QUANTA * quantum)
            if self._seen > 5 and change > floor:
                low = min(abs(rate), abs(previous_rate))
                if change > floor + CORNER_TIMES * low + (by_rail + self._by_rail) * size:
                    turned_s = t_s
            self._learn(change, 2.0 if turned_s == turned_s else 4.0)
        self._by_rail = by_rail
        quick_s = self._quick.feed(t_s, y, rail_v, began_s, scale, quantum)
        slow_s = math.nan
        newest = self._quick.newest
        if newest is not None:
            slow_s = self._slow.feed(newest.first_s, newest.level, newest.rail_v, began_s, scale, quantum)
        if turned_s == turned_s:
            return turned_s
        return quick_s if quick_s == quick_s else slow_s

    def _learn(self, change: float, most: float) -> None:
        self._seen += 1
        if self._seen == 1:
            self._sigma = 1.25 * change
            return
        # Scale of a normal deviate from its mean magnitude: sqrt(pi / 2). A change far beyond
        # the noise counts as `most` times it: it is no noise, or the noise has grown.
        held = min(change, most * self._sigma + 1e-12)
        self._sigma += max(_LEARN, 1.0 / self._seen) * (1.25 * held - self._sigma)
