"""Is DC getting onto an output? Levels too small for the fast limit, jumps, and creep with its forecast.

Healthy amplifiers stay below 50 mV, tired ones below 100 mV; loudspeaker
protection acts between 1 and 2 V (common practice, no source).
"""

from __future__ import annotations

import math

from benchwarden.analysis.creep import Creep, seconds_to
from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import OFFSET, SIDES, SINK, Facts, Situation, StageNow
from benchwarden.core.findings import Finding

CREEP_V = 0.25
NOTE_V = 0.1
JUMP_V = 0.2
_HOLD_S = 8.0
_NOTE_HOLD_S = 30.0
_JUMP_HOLD_S = 3.0
_SETTLED_S = 15.0
_SLOW = 0.02
# A step worth telling: so much, and so many of the channel's own deviations, for this long.
_STEP_V, _STEP_TIMES, _STEP_HOLD_S = 0.05, 8.0, 5.0
# A creep is worth a look from this rise on. A trip needs a level that no good set has
# and the limit within the time a person needs to come; a note an hour.
_LOOK_V = 0.02
_TRIP_RISE_V, _TRIP_FROM_V, _TRIP_WITHIN_S = 0.04, 0.09, 600.0
_NOTE_RISE_V, _NOTE_FROM_V, _NOTE_WITHIN_S = 0.03, 0.05, 3600.0


class Offset:
    """Watches the DC on both outputs, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._sides = (_Side(0), _Side(1))
        self._awake = False

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        ready = (
            now.mains
            and not second.switched
            and now.mains_s > _SETTLED_S
            and now.still_s > _SETTLED_S
            # Below that most amplifiers are not yet in control of their output.
            and not now.alive_v < 0.55 * self._facts.rail_v
        )
        if not ready:
            if self._awake:
                for side in self._sides:
                    side.clear()
                self._awake = False
            return []
        self._awake = True
        quiet = not now.drive and now.drive_s >= _SETTLED_S
        found: list[Finding] = []
        for k, side in enumerate(self._sides):
            value = second.mean[OFFSET[k]]
            if value != value:
                side.clear()
                continue
            found += side.level(value, second.t_s, now)
            if quiet:
                found += side.jump(value, second.t_s, now.dt_s)
                found += side.creep(value, second.t_s, second.mean[SINK[k]])
            else:
                side.disturbed()
        return found


class _Side:
    """One output."""

    def __init__(self, k: int) -> None:
        self._side = SIDES[k]
        self._over_s = self._note_s = self._jump_s = 0.0
        self._start_v = math.nan
        self._slow_v = math.nan
        self._noise_v = 0.0
        self._creep = Creep()
        self._moving = False

    def clear(self) -> None:
        """Begin again: rails moved, something was switched, or the reading is gone."""
        self._over_s = self._note_s = 0.0
        self.disturbed()

    def disturbed(self) -> None:
        """Forget what a signal spoils."""
        self._jump_s = 0.0
        if self._moving:
            self._creep.clear()
            self._moving = False

    def level(self, value: float, t_s: float, now: Situation) -> list[Finding]:
        """Tell a level that stays above what a settled set shows."""
        level = abs(value)
        if level <= NOTE_V:
            self._over_s = self._note_s = 0.0
            return []
        allowed = CREEP_V * (2.0 if now.drive else 1.0)
        if level > allowed:
            if self._over_s == 0.0:
                self._start_v = level
            self._over_s += now.dt_s
        else:
            self._over_s = 0.0
        self._note_s = 0.0 if now.drive else self._note_s + now.dt_s
        # A level that is going away is a settling loop, not a fault.
        if self._over_s >= _HOLD_S and level > 0.8 * self._start_v:
            words = f"offset {self._side} {value:.3f} V for {self._over_s:.0f} s, {allowed:.2f} V allowed once settled"
            return [trip(t_s, "dc-offset", self._side, words)]
        if self._note_s >= _NOTE_HOLD_S:
            words = f"offset {self._side} {value:.3f} V, more than {NOTE_V:g} V"
            return [warning(t_s, "dc-offset", self._side, words)]
        return []

    def jump(self, value: float, t_s: float, dt_s: float) -> list[Finding]:
        """Tell a step that stays, on calm rails and without drive."""
        if self._slow_v != self._slow_v:
            self._slow_v = value
        away = value - self._slow_v
        size = abs(away)
        if size <= max(_STEP_V, _STEP_TIMES * self._noise_v) and size <= JUMP_V:
            self._slow_v += _SLOW * away
            # Mean deviation of one second from the slow mean.
            self._noise_v += _SLOW * (size - self._noise_v)
            self._jump_s = 0.0
            return []
        self._jump_s += dt_s
        words = f"offset {self._side} jumped from {self._slow_v:.3f} to {value:.3f} V and stays there"
        if size > JUMP_V and self._jump_s >= _JUMP_HOLD_S:
            return [trip(t_s, "dc-offset", self._side, words)]
        if self._jump_s < _STEP_HOLD_S:
            return []
        if size <= JUMP_V:
            self._slow_v = value
            self._jump_s = 0.0
            self._creep.clear()
        return [warning(t_s, "dc-offset", self._side, words)]

    def creep(self, value: float, t_s: float, sink_c: float) -> list[Finding]:
        """Tell a level that keeps going one way without slowing: a leaking capacitor, not warm-up."""
        self._moving = True
        if not self._creep.add(t_s, value, sink_c) or abs(self._creep.moved()) < _LOOK_V:
            return []
        ramp = self._creep.ramp()
        if ramp is None or ramp.slope * ramp.level <= 0.0:
            return []
        reach_s, level, rise = seconds_to(ramp, CREEP_V), abs(ramp.level), abs(ramp.rise)
        words = (
            f"offset {self._side} {value:.3f} V, creeping by {ramp.rise:.3f} V in {ramp.span_s:.0f} s and not slowing: "
            f"{CREEP_V:g} V in {reach_s:.0f} s at the latest"
        )
        if rise > _TRIP_RISE_V and level > _TRIP_FROM_V and reach_s < _TRIP_WITHIN_S:
            return [trip(t_s, "dc-offset", self._side, words)]
        if rise > _NOTE_RISE_V and level > _NOTE_FROM_V and reach_s < _NOTE_WITHIN_S:
            return [warning(t_s, "dc-offset", self._side, words)]
        return []
