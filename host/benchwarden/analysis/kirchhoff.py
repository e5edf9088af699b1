"""Do the rail currents add up? What leaves one rail must come back on the other or through the load.

With drive off: I(+) - I(-) = sum of offset / load, plus what single-supply circuits
take, which is learned. What is left over flows somewhere it should not: through an
insulator to the chassis, through a capacitor, through a driver to ground. A path from
rail to rail leaves no difference; see `rail_excess`.
"""

from __future__ import annotations

import math

from benchwarden.analysis.creep import Creep, seconds_to
from benchwarden.analysis.level_names import RAILS
from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.rail_excess import RailExcess
from benchwarden.analysis.rails_up import RailsUp
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, NEG_A, NEG_V, OFFSET, POS_A, POS_V, SINK, Facts, Situation, StageNow
from benchwarden.core.findings import Finding

# Reading error of a rail monitor and of resistors in tens of percent would be
# seen as leakage; 20 % and 40 mA stay clear of both. Common practice, no source.
_SHARE = 0.20
_FLOOR_A = 0.04
_HOLD_S = 5.0
# A difference that was learned in this very run needs less room.
_MOVED_SHARE = 0.12
_MOVED_FLOOR_A = 0.03
_LEARN_S = 30
# What a circuit takes from one rail goes with the rail; far from where it was learned it is learned anew.
_SAME_RAIL = 0.12
# A change worth telling: so many of its own standard deviations, at least this share and floor.
_NOTE_TIMES, _NOTE_SHARE, _NOTE_FLOOR_A = 6.0, 0.03, 0.006
# Page's cumulative sum of the change less the note's level has to gather so many seconds of it.
_NOTE_SECONDS = 30.0
_FORECAST_S = 300.0
# No rectifier lets a rail take current back for seconds. Ten milliamperes are a hundred
# times a monitor's offset (core/tolerances.toml); common practice, no source.
_BACKWARDS_A = -0.01
_BACKWARDS_HOLD_S = 3.0


class Kirchhoff:
    """Watches both rails together, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._parts = (RailsUp(facts), RailExcess(facts))
        self._backwards_s = [0.0, 0.0]
        self._left_over_s = 0.0
        self._moved_s = 0.0
        self._learning: list[float] = []
        self._usual_a = math.nan
        self._usual_v = math.nan
        self._noise_a = 0.0
        self._sums = [0.0, 0.0]
        self._creep = Creep()

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        found: list[Finding] = []
        for part in self._parts:
            found += part.second(second, now, stage)
        if not now.mains or now.gap or second.switched:
            self._left_over_s = self._moved_s = 0.0
            self._backwards_s = [0.0, 0.0]
            self._creep.clear()
            return found
        pos, neg = second.mean[POS_A], second.mean[NEG_A]
        if not (pos >= _BACKWARDS_A and neg >= _BACKWARDS_A) or max(self._backwards_s) > 0.0:
            found += self._backwards(second, now)
        if pos == pos and neg == neg:
            found += self._imbalance(pos, neg, second, now)
        return found

    def _backwards(self, second: Second, now: Situation) -> list[Finding]:
        """A rail that takes current back is a shunt whose leads are exchanged."""
        for i, (amps, volts) in enumerate(((POS_A, POS_V), (NEG_A, NEG_V))):
            # Without a voltage behind it, it may be the discharge of something at the bench.
            flows = second.mean[amps] < _BACKWARDS_A and abs(second.mean[volts]) > 2.0
            self._backwards_s[i] = self._backwards_s[i] + now.dt_s if flows else 0.0
            if self._backwards_s[i] >= _BACKWARDS_HOLD_S:
                words = (
                    f"{RAILS[i]} reads {second.mean[amps]:.3f} A, current that flows backwards: "
                    f"S+ and S- of module {('rail_pos', 'rail_neg')[i]} are exchanged"
                )
                return [trip(second.t_s, "sensor-fault", RAILS[i], words)]
        return []

    def _imbalance(self, pos: float, neg: float, second: Second, now: Situation) -> list[Finding]:
        if now.still_s < 3.0 or now.mains_s < 6.0 or now.drive_s < 3.0:
            self._left_over_s = self._moved_s = 0.0
            self._creep.clear()
            return []
        unit = self._facts.unit
        load = 0.0
        if unit.load_connected:
            for o in OFFSET:
                value = second.mean[o]
                if value == value:
                    load += value / unit.load_ohm
        left_over = pos - neg - load
        larger = pos if pos > neg else neg
        tolerance = _FLOOR_A + unit.quiescent_other_a + _SHARE * larger
        if now.drive:
            # Clipping and the generator's own asymmetry shift the halves.
            tolerance += 0.1 + 0.1 * larger
        self._left_over_s = self._left_over_s + now.dt_s if abs(left_over) > tolerance else 0.0
        change, found = self._change(left_over, larger, second, now)
        self._moved_s = self._moved_s + now.dt_s if abs(change) > _MOVED_FLOOR_A + _MOVED_SHARE * larger else 0.0
        if self._left_over_s < _HOLD_S and self._moved_s < 2.0 * _HOLD_S:
            return found
        more = 0 if left_over > 0 else 1
        smaller = min(pos, neg)
        implied = self._implied(second)
        words = (
            f"{RAILS[more]} draws {larger:.3f} A, {RAILS[1 - more]} {smaller:.3f} A, the load takes {abs(load):.3f} A"
        )
        if not now.drive and smaller < 0.15 * implied and implied > 0.03 and larger < 1.6 * implied + 0.1:
            words += f"; the bias drops ask for {implied:.3f} A on both"
            return [trip(second.t_s, "sensor-fault", RAILS[1 - more], words)]
        return [trip(second.t_s, "rail-imbalance", RAILS[more], words + f": {abs(left_over):.3f} A flow elsewhere")]

    def _change(self, left_over: float, larger: float, second: Second, now: Situation) -> tuple[float, list[Finding]]:
        """Return by how much the difference moved from what was learned, and what is to be said of it."""
        rail = now.alive_v
        if now.drive or now.drive_s < 30.0 or now.still_s < 10.0:
            self._sums = [0.0, 0.0]
            self._creep.clear()
            return 0.0, []
        if rail == rail and not abs(rail - self._usual_v) < _SAME_RAIL * self._usual_v:
            self._learning, self._usual_v, self._usual_a = [], rail, math.nan
        if len(self._learning) < _LEARN_S:
            self._learning.append(left_over)
            if len(self._learning) == _LEARN_S:
                ordered = sorted(self._learning)
                self._usual_a = ordered[_LEARN_S // 2]
                # 1.4826 x the median deviation estimates the standard deviation (normal noise).
                spread = sorted(abs(v - self._usual_a) for v in ordered)
                self._noise_a = 1.4826 * spread[_LEARN_S // 2]
            return 0.0, []
        usual = self._usual_a * (rail / self._usual_v if rail == rail else 1.0)
        change = left_over - usual
        least = max(_NOTE_FLOOR_A + _NOTE_SHARE * larger, _NOTE_TIMES * self._noise_a)
        sums = self._sums
        sums[0] = max(0.0, sums[0] + (change - least) * now.dt_s)
        sums[1] = max(0.0, sums[1] + (-change - least) * now.dt_s)
        found: list[Finding] = []
        if sums[0] > _NOTE_SECONDS * least or sums[1] > _NOTE_SECONDS * least:
            more = RAILS[0 if change > 0.0 else 1]
            words = (
                f"{more} draws {abs(change):.3f} A more than the other compared with before "
                f"({self._usual_a:.3f} A): a leak, or a circuit on one rail that switched on"
            )
            found.append(warning(second.t_s, "rail-imbalance", more, words))
        if self._creep.add(second.t_s, change, second.mean[SINK[0]]) and abs(change) > least:
            found += self._leaking(change, larger, second)
        return change, found

    def _leaking(self, change: float, larger: float, second: Second) -> list[Finding]:
        """A difference that keeps growing is told before it is large."""
        limit = _MOVED_FLOOR_A + _MOVED_SHARE * larger
        if abs(change) < 0.4 * limit:
            return []
        ramp = self._creep.ramp()
        if ramp is None or ramp.slope * change <= 0.0 or seconds_to(ramp, limit) > _FORECAST_S:
            return []
        more = RAILS[0 if change > 0.0 else 1]
        words = (
            f"{more} draws {abs(change):.3f} A more than the other and it keeps growing, {abs(ramp.rise):.3f} A in "
            f"{ramp.span_s:.0f} s: {limit:.3f} A in {seconds_to(ramp, limit):.0f} s; something leaks to ground"
        )
        return [trip(second.t_s, "rail-imbalance", more, words)]

    def _implied(self, second: Second) -> float:
        """Return the rail current that the two bias drops stand for, 0 when not known."""
        left, right = second.mean[BIAS[0]], second.mean[BIAS[1]]
        if left != left or right != right:
            return 0.0
        return (max(left, 0.0) + max(right, 0.0)) * self._facts.amps_per_bias_v
