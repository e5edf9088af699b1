"""Do both rails stand where transformer and lamp put them?

A rail that is not there, one far below the other, both held down by a load, and both
higher than anything this setting gives. With everything in its place this costs one
look a second.
"""

from __future__ import annotations

import math

from benchwarden.analysis.level_names import RAILS
from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, NEG_A, NEG_V, OFFSET, POS_A, POS_V, Facts, Situation, StageNow
from benchwarden.core.findings import Finding

_MISSING_HOLD_S = 2.0
_UNEQUAL_HOLD_S = 8.0
_UNEQUAL_SHARE = 0.25
_TOO_FAR_HOLD_S = 3.0


class RailsUp:
    """Watches the two rail voltages, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._known_contact = "mains_on" in facts.known_bits
        self._stage: StageNow | None = None
        self._low_v = self._nominal_v = self._ceiling_v = self._nominal_a = math.nan
        self._busy = False
        self._missing_s = 0.0
        self._unequal_s = 0.0
        self._far_s = 0.0
        self._gone_s = 0.0
        self._dragged_s = 0.0
        self._dragged_v = math.nan

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        if stage is not self._stage:
            self._set_stage(stage)
        before_v, self._dragged_v = self._dragged_v, now.alive_v
        volts = (abs(second.mean[POS_V]), abs(second.mean[NEG_V]))
        high, low = (volts[0], volts[1]) if volts[0] >= volts[1] else (volts[1], volts[0])
        in_place = low >= (1.0 - _UNEQUAL_SHARE) * high and high <= self._ceiling_v and low >= 0.5 * self._low_v
        # Without a contact column, rails that fall after the switch-off must not count as a fault.
        falling = not self._known_contact and (stage.mains_pct <= 0.0 or now.alive_v < 0.6 * self._low_v)
        if in_place or falling or not now.mains or now.gap or second.switched:
            if self._busy:
                self._missing_s = self._unequal_s = self._far_s = self._gone_s = self._dragged_s = 0.0
                self._busy = False
            return []
        self._busy = True
        found = self._missing(volts, second, now)
        found += self._dragged(before_v, second, now)
        found += self._too_far(second, now, stage)
        found += self._both_gone(second, now, stage)
        return found

    def _set_stage(self, stage: StageNow) -> None:
        self._stage = stage
        expected = stage.figures.expected.get("rail_pos_v")
        nominal = self._facts.rail_v
        self._low_v = expected.low if expected is not None else math.nan
        self._nominal_v = expected.nominal if expected is not None else math.nan
        high = expected.high if expected is not None else 0.0
        # Mains is allowed 10 % up (EN 50160, from memory), regulation of a small
        # transformer another 10 %; below that nobody has turned anything.
        self._ceiling_v = max(1.05 * high, 1.2 * stage.mains_pct / 100.0 * nominal + 1.0)
        amps = stage.figures.expected.get("rail_pos_a")
        self._nominal_a = amps.nominal if amps is not None else math.nan

    def _missing(self, volts: tuple[float, float], second: Second, now: Situation) -> list[Finding]:
        high, low = max(volts), min(volts)
        if volts[0] != volts[0] or volts[1] != volts[1] or high < max(5.0, 0.1 * self._facts.rail_v):
            self._missing_s = self._unequal_s = 0.0
            return []
        i = 0 if volts[0] < volts[1] else 1
        rail, other = RAILS[i], RAILS[1 - i]
        self._missing_s = self._missing_s + now.dt_s if low < 0.2 * high and now.mains_s >= 1.0 else 0.0
        unequal = high - low > _UNEQUAL_SHARE * high and now.mains_s >= 5.0
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

    def _both_gone(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        if now.alive_v != now.alive_v or not self._known_contact:
            return []
        gone = stage.mains_pct >= 15.0 and now.alive_v < 0.05 * self._facts.rail_v and now.mains_s > 5.0
        self._gone_s = self._gone_s + now.dt_s if gone else 0.0
        if self._gone_s < 10.0:
            return []
        words = f"mains is on and neither rail stands ({now.alive_v:.1f} V): fuse, lamp or transformer setting"
        return [warning(second.t_s, "rail-missing", "", words)]

    def _dragged(self, before_v: float, second: Second, now: Situation) -> list[Finding]:
        """A load that holds the rails down: through a small lamp its current alone may look harmless."""
        there = [a for a in (second.mean[POS_A], second.mean[NEG_A]) if a == a]
        if not there:
            # Without a shunt the drops tell what flows through the output stages.
            drops = sum(second.mean[b] for b in BIAS) * self._facts.amps_per_bias_v
            there = [drops] if drops == drops else []
        if not there or self._low_v != self._low_v or now.alive_v != now.alive_v or now.drive or now.mains_s < 2.0:
            self._dragged_s = 0.0
            return []
        amps = sum(there) / len(there)
        share = max(now.alive_v, 0.0) / max(self._nominal_v, 1.0)
        # Low rails draw little: more than the healthy set takes at its full rail, and
        # four times its share of that, is a path that is none of the amplifier's.
        heavy = amps > max(0.1, 1.2 * self._nominal_a, 4.0 * self._nominal_a * share)
        climbing = now.alive_v > before_v + 0.01 * self._facts.rail_v
        held = now.alive_v < 0.5 * self._low_v and heavy and not climbing
        self._dragged_s = self._dragged_s + now.dt_s if held else 0.0
        if self._dragged_s < 2.0:
            return []
        words = f"{amps:.2f} A at rails of only {now.alive_v:.1f} V, {self._low_v:.1f} V at least expected here"
        return [trip(second.t_s, "over-current", "", words)]

    def _too_far(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        if now.alive_v != now.alive_v:
            return []
        nominal, ceiling = self._facts.rail_v, self._ceiling_v
        self._far_s = self._far_s + now.dt_s if now.alive_v > ceiling else 0.0
        if self._far_s < _TOO_FAR_HOLD_S:
            return []
        words = f"rails at {now.alive_v:.1f} V, {ceiling:.1f} V at most with the transformer at {stage.mains_pct:g} %"
        cause = "operator"
        if stage.mains_pct <= 0.0:
            # Nothing should be on, and the contact says it is: nobody turned that up.
            cause = "relay-fault"
            words = f"rails at {now.alive_v:.1f} V and the mains contact closed while the stage wants the mains off"
        # Above full mains every part is at its limit; below, the next stage may have been begun early.
        if now.alive_v > 1.25 * nominal or (
            self._far_s >= 4.0 * _TOO_FAR_HOLD_S and now.alive_v > ceiling + 0.1 * nominal
        ):
            return [trip(second.t_s, cause, "", words)]
        return [warning(second.t_s, cause, "", words)]
