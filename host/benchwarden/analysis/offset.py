"""Is DC creeping onto an output? Levels too small for the fast limit, judged over seconds.

Healthy amplifiers stay below 50 mV, tired ones below 100 mV; loudspeaker
protection acts between 1 and 2 V (common practice, no source).
"""

from __future__ import annotations

import math

from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import OFFSET, SIDES, Facts, Situation, StageNow
from benchwarden.core.findings import Finding

CREEP_V = 0.25
NOTE_V = 0.1
JUMP_V = 0.2
_HOLD_S = 8.0
_SETTLED_S = 15.0
_SLOW = 0.02


class Offset:
    """Watches the DC on both outputs, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._over_s = [0.0, 0.0]
        self._start_v = [math.nan, math.nan]
        self._note_s = [0.0, 0.0]
        self._slow_v = [math.nan, math.nan]
        self._jump_s = [0.0, 0.0]

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        found: list[Finding] = []
        ready = (
            now.mains
            and not second.switched
            and now.mains_s > _SETTLED_S
            and now.still_s > _SETTLED_S
            # Below that most amplifiers are not yet in control of their output.
            and not now.alive_v < 0.55 * self._facts.rail_v
        )
        for k, side in enumerate(SIDES):
            value = second.mean[OFFSET[k]]
            if value != value or not ready:
                self._over_s[k] = self._note_s[k] = self._jump_s[k] = 0.0
                continue
            level = abs(value)
            allowed = CREEP_V * (2.0 if now.drive else 1.0)
            if level > allowed:
                if self._over_s[k] == 0.0:
                    self._start_v[k] = level
                self._over_s[k] += now.dt_s
            else:
                self._over_s[k] = 0.0
            self._note_s[k] = self._note_s[k] + now.dt_s if level > NOTE_V and not now.drive else 0.0
            # A level that is going away is a settling loop, not a fault.
            if self._over_s[k] >= _HOLD_S and level > 0.8 * self._start_v[k]:
                words = f"offset {side} {value:.3f} V for {self._over_s[k]:.0f} s, {allowed:.2f} V allowed once settled"
                found.append(trip(second.t_s, "dc-offset", side, words))
            elif self._note_s[k] >= 30.0:
                found.append(
                    warning(second.t_s, "dc-offset", side, f"offset {side} {value:.3f} V, more than {NOTE_V:g} V")
                )
            found += self._jump(k, side, value, second, now)
        return found

    def _jump(self, k: int, side: str, value: float, second: Second, now: Situation) -> list[Finding]:
        """A step that stays, on calm rails and without drive."""
        if now.drive or now.drive_s < _SETTLED_S:
            self._jump_s[k] = 0.0
            return []
        if self._slow_v[k] != self._slow_v[k]:
            self._slow_v[k] = value
        if abs(value - self._slow_v[k]) <= JUMP_V:
            self._slow_v[k] += _SLOW * (value - self._slow_v[k])
            self._jump_s[k] = 0.0
            return []
        self._jump_s[k] += now.dt_s
        if self._jump_s[k] < 3.0:
            return []
        words = f"offset {side} jumped from {self._slow_v[k]:.3f} to {value:.3f} V and stays there"
        return [trip(second.t_s, "dc-offset", side, words)]
