"""Does a bias grow by itself, faster and faster, before its sink has moved?

The loop through junction and case alone closes within seconds, and no heatsink tells of
it. Growth by itself, y' = (y - y0) / T, rises by more in each of equal times, by the same
ratio. Warmth on its way to an end rises by less in each; a hand on the pot starts from
flat and ends flat, a contact leaps. Asked of windows from six seconds to a minute and a
half, each cut into thirds: a growth that fills any of them is one that goes on.
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
# Six equal steps each.
WINDOWS_S = (6, 12, 24, 48, 96)
# From third to third; below this a rise may as well be straight.
RATIO = 1.12
# Of the present value, in the newest third.
RISE_SHARE = 0.04
# The first third must be part of it, and no step be most of it.
_FIRST_SHARE, _STEP_SHARE = 0.03, 0.6
_AFTER_MOVE_S = 6.0
_AFTER_DRIVE_S = 10.0


class QuickGrowth:
    """Watches the last minute and a half of both bias drops."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        most = WINDOWS_S[-1] + 1
        self._past: tuple[deque[float], deque[float]] = (deque(maxlen=most), deque(maxlen=most))

    def second(self, second: Second, now: Situation) -> list[Finding]:
        """Judge one second."""
        stands = not now.alive_v < 0.2 * self._facts.rail_v
        calm = now.idle and stands and now.unlifted_s > _AFTER_MOVE_S and now.drive_s > _AFTER_DRIVE_S
        found: list[Finding] = []
        for k, past in enumerate(self._past):
            value = now.idle_drop_v(k)
            if not calm or value != value or now.dt_s > 2.0:
                past.clear()
                continue
            past.append(value)
            if value > FROM_TIMES * self._facts.target_v:
                found += self._growing(k, list(past), second.t_s)
        return found

    def _growing(self, k: int, past: list[float], t_s: float) -> list[Finding]:
        for window_s in WINDOWS_S:
            if len(past) <= window_s:
                return []
            ratio = _ratio(past[-1 - window_s :: window_s // 6])
            if ratio > RATIO:
                doubling_s = window_s / 3.0 * math.log(2.0) / math.log(ratio)
                words = (
                    f"bias {SIDES[k]} {past[-1] * 1e3:.1f} mV (target {self._facts.target_v * 1e3:.1f}) and growing "
                    f"faster and faster for {window_s} s, doubling its rise every {doubling_s:.0f} s"
                )
                return [trip(t_s, "thermal-runaway", SIDES[k], words)]
        return []


def _ratio(values: list[float]) -> float:
    """Return by how much a rise in seven values grows from third to third, 0 where it is none by itself."""
    steps = [b - a for a, b in itertools.pairwise(values)]
    first, middle, last = (steps[i] + steps[i + 1] for i in (0, 2, 4))
    rise = first + middle + last
    if min(steps) <= 0.0 or first < _FIRST_SHARE * rise or max(steps) > _STEP_SHARE * rise:
        return 0.0
    if last < RISE_SHARE * values[-1]:
        return 0.0
    return min(last / middle, middle / first)
