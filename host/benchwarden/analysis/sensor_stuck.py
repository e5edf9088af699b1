"""Has a channel stopped moving although what it measures has not?

Noise that stops from one second to the next, with nothing switched, is a reading that
is no longer made. A coarse converter rests by itself wherever the level lies in the
middle of a step: only noise several steps wide cannot.
"""

from __future__ import annotations

import math
from collections import deque
from itertools import pairwise

from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.sensor_place import where
from benchwarden.analysis.situation import BIAS, HF, NEG_A, OFFSET, POS_A, SINK, Facts, Situation
from benchwarden.core.channels import CHANNELS
from benchwarden.core.findings import Finding

_STUCK_S = 25.0
# It has to have moved every second of this time before.
_MOVED_S = 60.0
_LOOK_BACK = 12
# Normal noise of this many converter steps stays on one code for a second of ten
# frames with a chance below 1e-9 (share of one code, to the tenth power).
_STEPS = 3.0
# Nor is noise what is left of a float's last digits.
_LEAST_SHARE = 2e-5
# A rail that changed by this share changes currents and drops.
_CHANGED_SHARE, _CHANGED_S = 0.1, 10.0
_DEAD_S = 120.0
_MOVING = (POS_A, NEG_A, *BIAS, *SINK)
_FED = (POS_A, NEG_A, *BIAS)
_PAIRS = (OFFSET, HF)


class SensorStuck:
    """Watches whether readings still move; nearly free while they do."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._last = [math.nan] * len(CHANNELS)
        self._frozen_s = [0.0] * len(CHANNELS)
        self._free_s = [-math.inf] * len(CHANNELS)
        self._noisy = [False] * len(CHANNELS)
        self._rail_v = [math.nan] * len(CHANNELS)
        self._fine = [math.inf] * len(CHANNELS)
        self._past: deque[Second] = deque(maxlen=_LOOK_BACK)

    def second(self, second: Second, now: Situation) -> list[Finding]:
        found: list[Finding] = []
        mean, last = second.mean, self._last
        for i in _MOVING:
            value = mean[i]
            if value == last[i] and not now.gap and second.low[i] == second.high[i]:
                found += self._rests(i, second, now)
                continue
            if self._frozen_s[i] > 0.0 or last[i] != last[i] or now.gap:
                # A channel that rested for some seconds has to prove itself anew.
                if self._frozen_s[i] > 3.0 or last[i] != last[i] or now.gap:
                    self._free_s[i] = second.t_s
                self._frozen_s[i] = 0.0
            last[i] = value
        for pair in _PAIRS:
            if mean[pair[0]] == last[pair[0]] or mean[pair[1]] == last[pair[1]]:
                found += self._dead(pair, second, now)
            else:
                self._frozen_s[pair[0]] = self._frozen_s[pair[1]] = 0.0
            last[pair[0]], last[pair[1]] = mean[pair[0]], mean[pair[1]]
        self._past.append(second)
        return found

    def _rests(self, i: int, second: Second, now: Situation) -> list[Finding]:
        value = second.mean[i]
        if self._frozen_s[i] == 0.0:
            calm = now.still_s >= 5.0 and now.drive_s >= 5.0 and now.mains
            long_enough = second.t_s - self._free_s[i] > _MOVED_S
            self._noisy[i] = calm and long_enough and self._was_noisy(i, value)
            self._rail_v[i] = now.alive_v
            self._fine[i] = _step(self._past, i)
        self._frozen_s[i] += now.dt_s
        if not now.mains:
            self._noisy[i] = False
            return []
        seen = f"{CHANNELS[i]} has read exactly {value:.6g} for {self._frozen_s[i]:.0f} s"
        if self._noisy[i] and self._frozen_s[i] >= _STUCK_S:
            return [trip(second.t_s, "sensor-fault", where(i), seen + ", noisy before")]
        changed = abs(now.alive_v - self._rail_v[i])
        least = 0.3 * self._facts.target_v * (self._facts.amps_per_bias_v if i in (POS_A, NEG_A) else 1.0)
        if (
            i in _FED
            and value > least
            and changed > _CHANGED_SHARE * self._facts.rail_v
            and self._frozen_s[i] >= _CHANGED_S
            and self._fine[i] < 0.02 * value
        ):
            words = f"{seen} while the rails went from {self._rail_v[i]:.1f} to {now.alive_v:.1f} V"
            return [trip(second.t_s, "sensor-fault", where(i), words)]
        return []

    def _was_noisy(self, i: int, value: float) -> bool:
        """Tell noise several converter steps wide in the seconds before from a step that came and went."""
        if len(self._past) < _LOOK_BACK:
            return False
        spreads = sorted(
            max(s.high[i], before.high[i]) - min(s.low[i], before.low[i]) for before, s in pairwise(self._past)
        )
        typical = spreads[len(spreads) // 2]
        return typical > _STEPS * _step(self._past, i) and typical > _LEAST_SHARE * abs(value)

    def _dead(self, pair: tuple[int, int], second: Second, now: Situation) -> list[Finding]:
        """One of two like paths reads the very same number for minutes while the other moves."""
        found: list[Finding] = []
        for i, other in (pair, pair[::-1]):
            still = second.mean[i] == self._last[i] and second.low[i] == second.high[i] and now.mains
            if not still:
                self._frozen_s[i] = 0.0
            if not still or second.mean[other] == self._last[other]:
                continue
            # Only seconds in which the other moved speak against this one.
            self._frozen_s[i] += now.dt_s
            if self._frozen_s[i] < _DEAD_S:
                continue
            if self._was_noisy(other, second.mean[other]):
                words = (
                    f"{CHANNELS[i]} has read exactly {second.mean[i]:.6g} for {self._frozen_s[i]:.0f} s while "
                    f"{CHANNELS[other]} moves: its path may be dead, and what it would show not seen"
                )
                found.append(warning(second.t_s, "sensor-fault", where(i), words))
        return found


def _step(past: deque[Second], i: int) -> float:
    """Return the smallest difference seen between extremes: a converter's step, or an upper bound of it."""
    values = sorted({v for s in past for v in (s.low[i], s.high[i]) if v == v})
    steps = [b - a for a, b in pairwise(values) if b - a > 1e-6 * abs(b)]
    return min(steps, default=math.inf)
