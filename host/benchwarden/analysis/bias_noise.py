"""Has a bias become noisy? A sequential test of its scatter against what it was.

A track that wears through crackles long before it leaps. Each second gives the spread
of its frames and the second difference of the means (free of level and slope); their
squares over the learned ones feed Page's cumulative sum of the log likelihood ratio
"three times the noise" against "the usual noise". What the other channel shows as well
is mains, and what goes one way only is a hand.
"""

from __future__ import annotations

import math
from collections import deque
from itertools import pairwise

from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, SIDES, Facts
from benchwarden.core.findings import Finding

# Log likelihood ratio of normal noise of R times the standard deviation (Wald 1947):
# (s (1 - 1/R^2) - ln R^2) / 2 for s = (x / sigma)^2.
RATIO = 3.0
_GAIN = 0.5 * (1.0 - 1.0 / RATIO**2)
_LOSS = math.log(RATIO)
# One second alone, however wild, counts for no more than this.
_MOST = 6.0
# What the other channel scores is taken off by more than it was, so that noise on
# both leads nowhere.
_SHARED = 1.5
# Wald's bound: a false alarm in a run of normal seconds with chance exp(-25).
ALARM = 25.0
_TOP = 2.0 * ALARM
_LEARN_S = 60
_SLOW = 0.01
_SMOOTH = 0.1
# Scatter that small harms nobody and may be a converter's step: share of the target.
_FLOOR_SHARE = 0.004
_NOTE_S = 10.0
_TRIP_S = 90.0
_TRIP_SHARE = 0.15
# Sum of all movement over net movement: a hand goes somewhere.
_RESTLESS = 3.0
_TRACK = 20


class BiasNoise:
    """Compares the scatter of both bias drops at calm idle with their own past."""

    def __init__(self, facts: Facts) -> None:
        self._floor_v = _FLOOR_SHARE * facts.target_v
        self._large_v = _TRIP_SHARE * facts.target_v
        self._before = [[math.nan, math.nan], [math.nan, math.nan]]
        self._usual = [[0.0, 0.0], [0.0, 0.0]]
        self._learned = [0, 0]
        self._sum = [0.0, 0.0]
        self._wild = [0.0, 0.0]
        self._scatter = [0.0, 0.0]
        self._step2 = [math.inf, math.inf]
        self._noisy_s = [0.0, 0.0]
        self._track: tuple[deque[float], deque[float]] = (deque(maxlen=_TRACK), deque(maxlen=_TRACK))

    def clear(self, k: int) -> None:
        """Begin again after something was switched; what was learned stays."""
        self._before[k] = [math.nan, math.nan]
        self._sum[k] = self._noisy_s[k] = 0.0
        self._wild[k] = 0.0
        self._track[k].clear()

    def measure(self, k: int, second: Second) -> None:
        """Take in one second of side k: how wild is it against what was learned?"""
        mean, spread = second.mean[BIAS[k]], second.high[BIAS[k]] - second.low[BIAS[k]]
        a, b = self._before[k]
        self._before[k] = [b, mean]
        self._wild[k] = 0.0
        if a != a:
            return
        # The variance of a second difference of white noise is six times its own.
        bend = mean - 2.0 * b + a
        bend2, spread2 = bend * bend / 6.0, spread * spread
        # A converter's step may come and go with the level; it is never noise.
        step2 = spread2 if spread2 > 0.0 else (mean - b) * (mean - b)
        if 0.0 < step2 < self._step2[k]:
            self._step2[k] = step2
        usual = self._usual[k]
        if self._learned[k] < _LEARN_S:
            self._learned[k] += 1
            weight = 1.0 / self._learned[k]
            usual[0] += weight * (bend2 - usual[0])
            usual[1] += weight * (spread2 - usual[1])
            return
        floor = max(self._floor_v * self._floor_v, self._step2[k] if self._step2[k] < math.inf else 0.0)
        wild = self._wild[k] = max(bend2 / max(usual[0], floor), spread2 / max(usual[1], floor))
        if self._sum[k] <= 0.0 and _GAIN * wild <= _LOSS:
            usual[0] += _SLOW * (bend2 - usual[0])
            usual[1] += _SLOW * (spread2 - usual[1])

    def second(self, k: int, second: Second, dt_s: float) -> list[Finding]:
        """Tell what the second of side k, already measured, adds up to."""
        score = min(_GAIN * self._wild[k] - _LOSS, _MOST)
        if score <= 0.0 and self._sum[k] <= 0.0:
            return []
        # The mains is on both channels, and a contact on one.
        score -= _SHARED * max(min(_GAIN * self._wild[1 - k] - _LOSS, _MOST), 0.0)
        self._sum[k] = min(max(self._sum[k] + score, 0.0), _TOP)
        self._track[k].append(second.mean[BIAS[k]])
        if self._sum[k] < ALARM:
            self._noisy_s[k] = 0.0
            self._scatter[k] = second.high[BIAS[k]] - second.low[BIAS[k]]
            if self._sum[k] == 0.0:
                self._track[k].clear()
            return []
        return self._alarm(k, second, dt_s)

    def _alarm(self, k: int, second: Second, dt_s: float) -> list[Finding]:
        track = self._track[k]
        values = list(track)
        path = sum(abs(y - x) for x, y in pairwise(values))
        if path < _RESTLESS * abs(values[-1] - values[0]):
            self._sum[k] = self._noisy_s[k] = 0.0
            return []
        self._noisy_s[k] += dt_s
        self._scatter[k] += _SMOOTH * (second.high[BIAS[k]] - second.low[BIAS[k]] - self._scatter[k])
        if self._noisy_s[k] < _NOTE_S:
            return []
        usual = math.sqrt(max(self._usual[k][1], self._usual[k][0]))
        scatter = max(self._scatter[k], path / max(len(values) - 1, 1))
        words = (
            f"bias {SIDES[k]} scatters by {scatter * 1e3:.2f} mV, {usual * 1e3:.2f} mV before, for "
            f"{self._noisy_s[k]:.0f} s, and the other channel does not: a worn pot or a bad joint"
        )
        if self._noisy_s[k] >= _TRIP_S and scatter > self._large_v:
            return [trip(second.t_s, "bias-unstable", SIDES[k], words)]
        return [warning(second.t_s, "bias-unstable", SIDES[k], words)]
