"""Is a bias drop still the drop of a resistor that carries the rails' current?"""

from __future__ import annotations

import math

from benchwarden.analysis.notice import trip
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, NEG_A, POS_A, SIDES, Facts, Situation
from benchwarden.core.findings import Finding

_HOLD_S = 3.0


class BiasClip:
    """Looks for a drop that vanishes although the rails keep delivering its current."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._before = [math.nan, math.nan]
        self._gone_s = [0.0, 0.0]
        self._rail_a = math.nan

    def second(self, second: Second, now: Situation) -> list[Finding]:
        current = (second.mean[POS_A] + second.mean[NEG_A]) / 2.0
        if not (now.idle and now.still_s > 3.0 and now.drive_s > 5.0) or current != current:
            self._before = [math.nan, math.nan]
            self._gone_s = [0.0, 0.0]
            self._rail_a = math.nan
            return []
        found: list[Finding] = []
        for k in range(2):
            value, before = second.mean[BIAS[k]], self._before[k]
            if value != value:
                self._before[k], self._gone_s[k] = math.nan, 0.0
            elif before > 0.3 * self._facts.target_v and abs(value) < 0.15 * before:
                found += self._gone(k, value, current, second, now)
            else:
                self._gone_s[k] = 0.0
                if max(self._gone_s) == 0.0:
                    self._before[k] = value if before != before else before + 0.3 * (value - before)
        if max(self._gone_s) == 0.0:
            past = self._rail_a
            self._rail_a = current if past != past else past + 0.3 * (current - past)
        return found

    def _gone(self, k: int, value: float, current: float, second: Second, now: Situation) -> list[Finding]:
        before, side = self._before[k], SIDES[k]
        lost_a = (before - value) * self._facts.amps_per_bias_v
        if self._rail_a - current >= 0.35 * lost_a:
            self._gone_s[k], self._before[k] = 0.0, value
            return []
        self._gone_s[k] += now.dt_s
        if self._gone_s[k] < _HOLD_S:
            return []
        words = (
            f"bias {side} fell from {before * 1e3:.1f} to {value * 1e3:.1f} mV but the rails lost "
            f"only {self._rail_a - current:.3f} of {lost_a:.3f} A: clip off or lead broken"
        )
        return [trip(second.t_s, "sensor-fault", side, words)]
