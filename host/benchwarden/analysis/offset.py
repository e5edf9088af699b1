"""Is DC creeping onto an output? Levels too small for the fast limit, judged over seconds.

Healthy amplifiers stay below 50 mV, tired ones below 100 mV; loudspeaker
protection acts between 1 and 2 V (common practice, no source).
"""

from __future__ import annotations

import math
from collections import deque
from itertools import pairwise

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
# A straight creep: so much in ten blocks of half a minute, in each of them a part.
CREEP_RISE_V = 0.06
CREEP_FROM_V = 0.08
_CREEP_BLOCK_S = 30
_CREEP_BLOCKS = 10


class Offset:
    """Watches the DC on both outputs, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._over_s = [0.0, 0.0]
        self._start_v = [math.nan, math.nan]
        self._note_s = [0.0, 0.0]
        self._slow_v = [math.nan, math.nan]
        self._jump_s = [0.0, 0.0]
        self._half_minute: tuple[list[float], list[float]] = ([], [])
        self._blocks: tuple[deque[float], deque[float]] = (deque(maxlen=_CREEP_BLOCKS), deque(maxlen=_CREEP_BLOCKS))

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
                self._half_minute[k].clear()
                self._blocks[k].clear()
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
            found += self._creep(k, side, value, second, now)
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

    def _creep(self, k: int, side: str, value: float, second: Second, now: Situation) -> list[Finding]:
        """A level that keeps going one way without slowing: a leaking capacitor, not warm-up."""
        blocks = self._blocks[k]
        if now.drive or now.drive_s < _SETTLED_S:
            self._half_minute[k].clear()
            blocks.clear()
            return []
        self._half_minute[k].append(value)
        if len(self._half_minute[k]) < _CREEP_BLOCK_S:
            return []
        blocks.append(sum(self._half_minute[k]) / _CREEP_BLOCK_S)
        self._half_minute[k].clear()
        if len(blocks) < _CREEP_BLOCKS:
            return []
        sign = 1.0 if blocks[-1] > 0.0 else -1.0
        steps = [sign * (b - a) for a, b in pairwise(blocks)]
        rise, half = sum(steps), len(steps) // 2
        slowing = sum(steps[half:]) < 0.8 * rise * (len(steps) - half) / len(steps)
        if min(steps) <= 0.0 or rise < CREEP_RISE_V or abs(blocks[-1]) < CREEP_FROM_V or slowing:
            return []
        span_s = _CREEP_BLOCK_S * (_CREEP_BLOCKS - 1) * now.dt_s
        words = f"offset {side} {value:.3f} V, creeping by {rise:.3f} V in {span_s:.0f} s and not slowing"
        return [trip(second.t_s, "dc-offset", side, words)]
