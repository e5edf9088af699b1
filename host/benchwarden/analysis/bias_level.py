"""Is the bias where it was put? Far too high, none at all, or wandering off at idle."""

from __future__ import annotations

import math
from collections import deque
from itertools import pairwise

from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import AMBIENT, BIAS, NEG_A, POS_A, SIDES, SINK, Facts, Situation
from benchwarden.analysis.thermal_chain import device_rth_ja_k_per_w
from benchwarden.core.findings import Finding

HIGH_TIMES = 2.5
NOTE_TIMES = 1.6
# How long it may stay so high: a warm-up runs ahead of its spreader for a minute or two,
# and 2.5 times an idle current burns nothing; five times does not wait.
_HIGH_S, _HIGH_LONGEST_S, _HIGH_AT_ONCE = 10.0, 90.0, 5.0
_NOTE_S = 30.0
_NONE_S = 60.0
_NONE_SHARE = 0.1
_HALF_MINUTE = 30
# A tenth in twenty seconds, in nearly each of them: no hand is that even.
_GROWN = 0.1
_DRIFT_SHARE = 0.5
# A set driven hard needs this long to come back to its idle bias.
_WANDER_AFTER_DRIVE_S = 900.0


class BiasLevel:
    """Watches the level of both bias drops at calm idle, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        target = facts.target_v
        self._high_v = max(HIGH_TIMES * target, target + 0.006)
        self._note_v = max(NOTE_TIMES * target, target + 0.003)
        self._device_rth_ja = device_rth_ja_k_per_w(facts.unit)
        self._high_s = [0.0, 0.0]
        self._over_s = [0.0, 0.0]
        self._none_s = [0.0, 0.0]
        self._recent: tuple[deque[float], deque[float]] = (deque(maxlen=21), deque(maxlen=21))
        self._sum = [0.0, 0.0]
        self._count = [0, 0]
        self._half_v = [math.nan, math.nan]
        self._settled = [math.nan, math.nan]
        self._idle_c = [math.nan, math.nan]
        self._drive_seen = False

    def see(self, k: int, second: Second, now: Situation, calm: bool) -> None:
        """Remember how warm the sink was before any signal."""
        self._drive_seen = self._drive_seen or now.drive
        if calm and not self._drive_seen:
            self._idle_c[k] = second.mean[SINK[k]]

    def clear(self, k: int) -> None:
        """Begin again: something was switched, or the reading is gone."""
        self._high_s[k] = self._over_s[k] = self._none_s[k] = 0.0
        self._recent[k].clear()
        self._sum[k], self._count[k], self._half_v[k] = 0.0, 0, math.nan

    def moved(self, k: int) -> None:
        """Begin a new stretch: the level was changed for good."""
        self._settled[k] = math.nan
        self._sum[k], self._count[k], self._half_v[k] = 0.0, 0, math.nan

    def second(self, k: int, second: Second, now: Situation) -> list[Finding]:
        """Look at one calm second of side k."""
        value = now.idle_drop_v(k)
        self._recent[k].append(value)
        found: list[Finding] = []
        if value > self._note_v or self._over_s[k] > 0.0:
            found += self._high(k, value, second, now)
        # The plain drop: what DC through a load adds or takes is no missing bias.
        drop = second.mean[BIAS[k]]
        if abs(drop) < _NONE_SHARE * self._facts.target_v or self._none_s[k] > 0.0:
            found += self._none(k, drop, second, now)
        self._sum[k] += value
        self._count[k] += 1
        if self._count[k] >= _HALF_MINUTE:
            found += self._wander(k, second, now)
        return found

    def _high(self, k: int, value: float, second: Second, now: Situation) -> list[Finding]:
        warmth_v = self._warmth_v(k, second, now)
        self._high_s[k] = self._high_s[k] + now.dt_s if value > self._high_v + warmth_v else 0.0
        self._over_s[k] = self._over_s[k] + now.dt_s if value > self._note_v + warmth_v else 0.0
        recent = self._recent[k]
        # Hot from drive, or cold with a compensation that only warms up: on the way back is not too high yet.
        young = now.drive_s < _WANDER_AFTER_DRIVE_S or now.mains_s < _WANDER_AFTER_DRIVE_S
        recovering = young and (len(recent) <= 20 or value < 0.995 * recent[0])
        side, target = SIDES[k], self._facts.target_v
        if self._high_s[k] >= self._patience_s(value - warmth_v) and not recovering:
            words = f"bias {side} {value * 1e3:.1f} mV for {self._high_s[k]:.0f} s, target {target * 1e3:.1f} mV"
            if _grows(recent):
                words += f"; it grew there by itself, from {recent[0] * 1e3:.1f} mV in {len(recent) - 1} s"
                return [trip(second.t_s, "thermal-runaway", side, words)]
            return [trip(second.t_s, "bias-unstable", side, words)]
        if self._over_s[k] >= _NOTE_S:
            words = f"bias {side} {value * 1e3:.1f} mV, target {target * 1e3:.1f} mV"
            return [warning(second.t_s, "bias-unstable", side, words)]
        return []

    def _patience_s(self, value: float) -> float:
        """Return how long a drop may stay at this value, seconds."""
        share = (value - self._high_v) / max(_HIGH_AT_ONCE * self._facts.target_v - self._high_v, 1e-6)
        return _HIGH_LONGEST_S + min(max(share, 0.0), 1.0) * (_HIGH_S - _HIGH_LONGEST_S)

    def _none(self, k: int, value: float, second: Second, now: Situation) -> list[Finding]:
        """A channel of a set in burn-in that idles without any current, while the other has its own."""
        facts = self._facts
        other = second.mean[BIAS[1 - k]]
        stands = not now.alive_v < 0.8 * facts.rail_v
        none = abs(value) < _NONE_SHARE * facts.target_v and other > 0.5 * facts.target_v and stands
        self._none_s[k] = self._none_s[k] + now.dt_s if none and facts.unit.run_type == "burn-in" else 0.0
        if self._none_s[k] < _NONE_S:
            return []
        amps = 0.5 * (second.mean[POS_A] + second.mean[NEG_A])
        one_a = other * facts.amps_per_bias_v
        side = SIDES[k]
        if amps > 1.6 * one_a + facts.unit.quiescent_other_a:
            words = (
                f"bias {side} reads {value * 1e3:.1f} mV while the rails draw {amps:.3f} A, of which the other channel "
                f"takes {one_a:.3f} A: its leads are not on the emitter resistor"
            )
            return [warning(second.t_s, "sensor-fault", side, words)]
        words = (
            f"bias {side} is {value * 1e3:.1f} mV, target {facts.target_v * 1e3:.1f} mV: no bias, crossover distortion"
        )
        return [warning(second.t_s, "bias-unstable", side, words)]

    def _warmth_v(self, k: int, second: Second, now: Situation) -> float:
        """Return what a sink still hot from the signal can add to the drop of a stable stage, volts.

        A stage of loop gain g answers a sink warmer by dT with g dT / (Vcc Rth ja);
        g = 1 is the edge (stable if dP/dTj < 1/Rth, textbook relation). It goes as
        the sink cools; a sink that heats itself is the runaway detector's matter.
        """
        if not self._drive_seen or now.alive_v != now.alive_v:
            return 0.0
        base = self._idle_c[k] if self._idle_c[k] == self._idle_c[k] else second.mean[AMBIENT]
        rise_k = second.mean[SINK[k]] - base
        if not rise_k > 0.0:
            return 0.0
        amps = rise_k / (max(now.alive_v, 0.5 * self._facts.rail_v) * self._device_rth_ja)
        return amps * self._facts.unit.emitter_resistor_ohm

    def _wander(self, k: int, second: Second, now: Situation) -> list[Finding]:
        """Compare half a minute with the level at which it once held still for a whole one."""
        first, last = self._half_v[k], self._sum[k] / self._count[k]
        self._half_v[k], self._sum[k], self._count[k] = last, 0.0, 0
        if first != first or now.drive_s < _WANDER_AFTER_DRIVE_S:
            return []
        target, settled = self._facts.target_v, self._settled[k]
        if settled != settled:
            if abs(last - first) < 0.01 * target and last > 0.4 * target:
                self._settled[k] = last
            return []
        if abs(last - settled) <= _DRIFT_SHARE * max(target, settled) + self._warmth_v(k, second, now):
            return []
        words = f"bias {SIDES[k]} had settled at {settled * 1e3:.1f} mV and is now at {last * 1e3:.1f} mV"
        return [warning(second.t_s, "bias-unstable", SIDES[k], words)]


def _grows(recent: deque[float]) -> bool:
    """Tell a bias that climbs from second to second from one that was put where it is."""
    if len(recent) < 21:
        return False
    rise = recent[-1] - recent[0]
    steps = [b - a for a, b in pairwise(recent)]
    return rise > _GROWN * recent[0] and sum(s > 0.0 for s in steps) >= 18 and max(steps) < 0.3 * rise
