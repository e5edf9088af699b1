"""Does a bias grow by itself within seconds, faster and faster, before its sink has moved?

The loop through junction and case alone closes in a few seconds. Growth by itself,
y' = y / T, is smooth and multiplies alike in equal times; a hand on the pot starts
from flat and ends flat, a contact leaps.
"""

from __future__ import annotations

import itertools
import math
from collections import deque

from benchwarden.analysis.notice import trip
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import SIDES, Facts, Situation
from benchwarden.core.findings import Finding

FROM_TIMES = 1.7
_SECONDS = 6
_AFTER_MOVE_S = 6.0
_AFTER_DRIVE_S = 60.0


class QuickGrowth:
    """Watches the last seconds of both bias drops."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._past: tuple[deque[float], deque[float]] = (deque(maxlen=_SECONDS + 1), deque(maxlen=_SECONDS + 1))

    def second(self, second: Second, now: Situation) -> list[Finding]:
        """Judge one second."""
        stands = not now.alive_v < 0.2 * self._facts.rail_v
        calm = now.idle and stands and now.unlifted_s > _AFTER_MOVE_S and now.drive_s > _AFTER_DRIVE_S
        found: list[Finding] = []
        for k, past in enumerate(self._past):
            value = now.idle_drop_v(second, k)
            if not calm or value != value or now.dt_s > 2.0:
                past.clear()
                continue
            past.append(value)
            if len(past) > _SECONDS and value > FROM_TIMES * self._facts.target_v:
                found += self._growing(k, list(past), second.t_s)
        return found

    def _growing(self, k: int, past: list[float], t_s: float) -> list[Finding]:
        steps = [b - a for a, b in itertools.pairwise(past)]
        early, late = sum(steps[:3]), sum(steps[3:])
        rising = all(s > 0.0 for s in steps[1:]) and early > 0.0
        # Growth by itself, not a jump: no faster than threefold in a second.
        itself = late > 1.15 * early and early > 0.04 * late and max(steps) < 0.6 * (late + early)
        if not (rising and itself and late > 0.06 * past[-1]):
            return []
        doubling_s = 3.0 * math.log(2.0) / math.log(late / early)
        words = (
            f"bias {SIDES[k]} {past[-1] * 1e3:.1f} mV (target {self._facts.target_v * 1e3:.1f}) and growing faster and "
            f"faster, doubling its rise every {doubling_s:.0f} s"
        )
        return [trip(t_s, "thermal-runaway", SIDES[k], words)]
