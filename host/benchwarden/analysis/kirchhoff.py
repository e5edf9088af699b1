"""Do the rails add up? What leaves one rail must come back on the other or through the load.

With drive off: I(+) - I(-) = sum of offset / load, plus what single-supply
circuits take. What is left over flows somewhere it should not. A rail that is not
there, and one that stands much lower than the other, belong to the same question.
"""

from __future__ import annotations

import math

from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, NEG_A, NEG_V, OFFSET, POS_A, POS_V, Facts, Situation, StageNow
from benchwarden.core.findings import Finding

# Reading error of a rail monitor and of resistors in tens of percent would be
# seen as leakage; 20 % and 40 mA stay clear of both. Common practice, no source.
_SHARE = 0.20
_FLOOR_A = 0.04
_HOLD_S = 5.0
_LEARN_S = 30.0
_MISSING_HOLD_S = 2.0
_UNEQUAL_HOLD_S = 8.0
_TOO_FAR_HOLD_S = 3.0
# No rectifier lets a rail take current back for seconds. Ten milliamperes are a hundred
# times a monitor's offset (core/tolerances.toml); common practice, no source.
_BACKWARDS_A = -0.01
_BACKWARDS_HOLD_S = 3.0


class Kirchhoff:
    """Watches both rails together, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._left_over_s = 0.0
        self._moved_s = 0.0
        self._learned: list[float] = []
        self._learned_v = math.nan
        self._missing_s = 0.0
        self._unequal_s = 0.0
        self._far_s = 0.0
        self._backwards_s = [0.0, 0.0]
        self._seen_v = 0.0
        self._gone_s = 0.0
        self._dragged_s = 0.0
        self._dragged_v = math.nan

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        if not now.mains or now.gap or second.switched:
            self._left_over_s = self._moved_s = self._missing_s = self._unequal_s = self._far_s = 0.0
            self._dragged_s = 0.0
            self._backwards_s = [0.0, 0.0]
            return []
        found = self._backwards(second, now)
        found += self._missing(second, now)
        found += self._dragged(second, now, stage)
        found += self._too_far(second, now, stage)
        found += self._both_gone(second, now, stage)
        return found + self._imbalance(second, now)

    def _missing(self, second: Second, now: Situation) -> list[Finding]:
        volts = (abs(second.mean[POS_V]), abs(second.mean[NEG_V]))
        high, low = max(volts), min(volts)
        if volts[0] != volts[0] or volts[1] != volts[1] or high < max(5.0, 0.1 * self._facts.rail_v):
            self._missing_s = self._unequal_s = 0.0
            return []
        i = 0 if volts[0] < volts[1] else 1
        rail, other = ("positive rail", "negative rail") if i == 0 else ("negative rail", "positive rail")
        self._missing_s = self._missing_s + now.dt_s if low < 0.2 * high and now.mains_s >= 1.0 else 0.0
        unequal = high - low > 0.25 * high and now.mains_s >= 5.0
        self._unequal_s = self._unequal_s + now.dt_s if unequal else 0.0
        if self._missing_s >= _MISSING_HOLD_S:
            amps = (second.mean[POS_A], second.mean[NEG_A])
            flows = amps[i] > max(0.02, 0.5 * amps[1 - i])
            settled = all(not abs(second.mean[o]) > 0.3 * high for o in OFFSET)
            if flows and settled:
                words = f"{rail} reads {low:.1f} V yet {amps[i]:.3f} A flow as on the {other} and the outputs stay put"
                return [trip(second.t_s, "sensor-fault", rail, words)]
            words = f"{rail} at {low:.1f} V while the {other} stands at {high:.1f} V"
            return [trip(second.t_s, "rail-missing", rail, words)]
        if self._unequal_s >= _UNEQUAL_HOLD_S and low >= 0.2 * high:
            words = f"{rail} at {low:.1f} V, {other} at {high:.1f} V for {self._unequal_s:.0f} s"
            return [trip(second.t_s, "rail-imbalance", rail, words)]
        return []

    def _backwards(self, second: Second, now: Situation) -> list[Finding]:
        """A rail that takes current back is a shunt whose leads are exchanged."""
        for i, (amps, volts) in enumerate(((POS_A, POS_V), (NEG_A, NEG_V))):
            # Without a voltage behind it, it may be the discharge of something at the bench.
            flows = second.mean[amps] < _BACKWARDS_A and abs(second.mean[volts]) > 2.0
            self._backwards_s[i] = self._backwards_s[i] + now.dt_s if flows else 0.0
            if self._backwards_s[i] >= _BACKWARDS_HOLD_S:
                rail, module = ("positive rail", "rail_pos") if i == 0 else ("negative rail", "rail_neg")
                words = (
                    f"{rail} reads {second.mean[amps]:.3f} A, current that flows backwards: "
                    f"S+ and S- of module {module} are exchanged"
                )
                return [trip(second.t_s, "sensor-fault", rail, words)]
        return []

    def _both_gone(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        if now.alive_v != now.alive_v or "mains_on" not in self._facts.known_bits:
            return []
        nominal = self._facts.rail_v
        self._seen_v = max(self._seen_v, now.alive_v)
        gone = stage.mains_pct >= 15.0 and now.alive_v < 0.05 * nominal and now.mains_s > 5.0
        self._gone_s = self._gone_s + now.dt_s if gone else 0.0
        if self._gone_s < 10.0:
            return []
        words = f"mains is on and neither rail stands ({now.alive_v:.1f} V): fuse, lamp or transformer setting"
        return [warning(second.t_s, "rail-missing", "", words)]

    def _dragged(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        """A load that holds the rails down: through a small lamp its current alone may look harmless."""
        expected = stage.figures.expected.get("rail_pos_v")
        amps = (second.mean[POS_A] + second.mean[NEG_A]) / 2.0
        before, self._dragged_v = self._dragged_v, now.alive_v
        if expected is None or amps != amps or now.alive_v != now.alive_v or now.drive or now.mains_s < 2.0:
            self._dragged_s = 0.0
            return []
        nominal_a = stage.figures.expected["rail_pos_a"].nominal
        share = max(now.alive_v, 0.0) / max(expected.nominal, 1.0)
        # Low rails draw little: more than the healthy set takes at its full rail, and
        # four times its share of that, is a path that is none of the amplifier's.
        heavy = amps > max(0.1, 1.2 * nominal_a, 4.0 * nominal_a * share)
        climbing = now.alive_v > before + 0.01 * self._facts.rail_v
        held = now.alive_v < 0.5 * expected.low and heavy and not climbing
        self._dragged_s = self._dragged_s + now.dt_s if held else 0.0
        if self._dragged_s < 2.0:
            return []
        words = f"{amps:.2f} A at rails of only {now.alive_v:.1f} V, {expected.low:.1f} V at least expected here"
        return [trip(second.t_s, "over-current", "", words)]

    def _too_far(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        if now.alive_v != now.alive_v:
            return []
        nominal = self._facts.rail_v
        expected = stage.figures.expected.get("rail_pos_v")
        high = expected.high if expected is not None else 0.0
        # Mains is allowed 10 % up (EN 50160, from memory), regulation of a small
        # transformer another 10 %; below that nobody has turned anything.
        ceiling = max(1.05 * high, 1.2 * stage.mains_pct / 100.0 * nominal + 1.0)
        self._far_s = self._far_s + now.dt_s if now.alive_v > ceiling else 0.0
        if self._far_s < _TOO_FAR_HOLD_S:
            return []
        words = f"rails at {now.alive_v:.1f} V, {ceiling:.1f} V at most with the transformer at {stage.mains_pct:g} %"
        # Above full mains every part is at its limit; below, the next stage may have been begun early.
        if now.alive_v > 1.25 * nominal or (
            self._far_s >= 4.0 * _TOO_FAR_HOLD_S and now.alive_v > ceiling + 0.1 * nominal
        ):
            return [trip(second.t_s, "operator", "", words)]
        return [warning(second.t_s, "operator", "", words)]

    def _imbalance(self, second: Second, now: Situation) -> list[Finding]:
        pos, neg = second.mean[POS_A], second.mean[NEG_A]
        if pos != pos or neg != neg or now.still_s < 3.0 or now.mains_s < 6.0 or now.drive_s < 3.0:
            self._left_over_s = self._moved_s = 0.0
            return []
        load = 0.0
        if self._facts.unit.load_connected:
            load = sum(second.mean[o] for o in OFFSET if second.mean[o] == second.mean[o]) / self._facts.unit.load_ohm
        left_over = pos - neg - load
        larger = max(pos, neg)
        tolerance = _FLOOR_A + self._facts.unit.quiescent_other_a + _SHARE * larger
        if now.drive:
            # Clipping and the generator's own asymmetry shift the halves.
            tolerance += 0.1 + 0.1 * larger
        elif now.still_s > 10.0 and len(self._learned) < _LEARN_S:
            self._learned.append(left_over)
            if len(self._learned) == int(_LEARN_S):
                self._learned_v = sorted(self._learned)[len(self._learned) // 2]
        self._left_over_s = self._left_over_s + now.dt_s if abs(left_over) > tolerance else 0.0
        known = self._learned_v == self._learned_v and not now.drive and now.drive_s > 30.0
        change = left_over - self._learned_v if known else 0.0
        near = 0.03 + 0.12 * larger
        self._moved_s = self._moved_s + now.dt_s if abs(change) > near else 0.0
        if self._left_over_s < _HOLD_S and self._moved_s < 2.0 * _HOLD_S:
            return []
        more, less = ("positive rail", "negative rail") if left_over > 0 else ("negative rail", "positive rail")
        smaller = min(pos, neg)
        implied = self._implied(second)
        words = f"{more} draws {larger:.3f} A, {less} {smaller:.3f} A, the load takes {abs(load):.3f} A"
        if not now.drive and smaller < 0.15 * implied and implied > 0.03 and larger < 1.6 * implied + 0.1:
            words += f"; the bias drops ask for {implied:.3f} A on both"
            return [trip(second.t_s, "sensor-fault", less, words)]
        return [trip(second.t_s, "rail-imbalance", more, words + f": {abs(left_over):.3f} A flow elsewhere")]

    def _implied(self, second: Second) -> float:
        """Return the rail current that the two bias drops stand for, 0 when not known."""
        left, right = second.mean[BIAS[0]], second.mean[BIAS[1]]
        if left != left or right != right:
            return 0.0
        return (max(left, 0.0) + max(right, 0.0)) * self._facts.amps_per_bias_v
