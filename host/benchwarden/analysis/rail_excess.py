"""Does the rail current flow where the bias drops say?

Idle: I(rail) = N / Re x (bias left + bias right) + what the rest of the set takes. The
rest and the ratio are learned, since pairs and resistors are known to some percent
only. Current that grows on both rails and in neither drop flows in a device that is
not measured, in a driver, or in something connected to the rails.
"""

from __future__ import annotations

import math

from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, HF, NEG_A, OFFSET, POS_A, Facts, Situation, StageNow
from benchwarden.core.findings import Finding

_LEARN_S = 30
_SAME_RAIL = 0.12
_STILL_S = 10.0
_AFTER_DRIVE_S = 120.0
# Resistors of 10 % and, with several pairs, devices that share unequally when warm.
# Common practice, no source.
_SHARE_ONE_PAIR, _SHARE_PAIRS = 0.15, 0.3
_FLOOR_A, _IDLE_SHARE = 0.02, 0.1
_TRIP_TIMES = 2.5
_NOTE_HOLD_S, _TRIP_HOLD_S = 30.0, 15.0
# What the rest of a healthy set takes is some tens of milliamperes: a ratio of drops
# to rail current far outside this means that pairs or resistors are not what was stated.
_RATIO_LOW, _RATIO_HIGH = 0.5, 1.25
# Above 100 kHz; with it the extra current is the oscillation's.
_HF_COMPANY_V = 0.1


class RailExcess:
    """Compares rail current and bias drops at idle, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._share = _SHARE_ONE_PAIR if facts.unit.output_pairs == 1 else _SHARE_PAIRS
        self._usual_v = math.nan
        self._count = 0
        self._sums = [0.0, 0.0, 0.0]
        self._rail_a = self._drops_a = 0.0
        self._hf_v = 0.0
        self._tolerance = self._share
        self._note_s = self._trip_s = 0.0

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        if not now.idle or now.still_s < _STILL_S or now.drive_s < _AFTER_DRIVE_S:
            self._note_s = self._trip_s = 0.0
            return []
        mean = second.mean
        pos, neg, left, right = mean[POS_A], mean[NEG_A], mean[BIAS[0]], mean[BIAS[1]]
        # With one shunt only, that one has to do.
        rail = 0.5 * (pos + neg) if pos == pos and neg == neg else (pos if pos == pos else neg)
        if not (rail == rail and left == left and right == right):
            return []
        drops = left + right
        unit = self._facts.unit
        if unit.load_connected:
            for o in OFFSET:
                # Half of the two rails' mean, but all of one drop's.
                dc = abs(mean[o]) / unit.load_ohm
                if dc == dc:
                    rail -= 0.5 * dc
                    drops -= dc / self._facts.amps_per_bias_v
        drops *= self._facts.amps_per_bias_v
        volts = now.alive_v
        if volts == volts and not abs(volts - self._usual_v) < _SAME_RAIL * self._usual_v:
            self._usual_v, self._count, self._sums = volts, 0, [0.0, 0.0, 0.0]
        hf = max((mean[h] for h in HF if mean[h] == mean[h]), default=0.0)
        if self._count < _LEARN_S:
            self._learn(rail, drops, hf)
            return []
        if hf > max(_HF_COMPANY_V, 3.0 * self._hf_v):
            self._note_s = self._trip_s = 0.0
            return []
        return self._compare(rail, drops, second, now)

    def _learn(self, rail: float, drops: float, hf: float) -> None:
        self._count += 1
        for i, value in enumerate((rail, drops, hf)):
            self._sums[i] += value
        if self._count == _LEARN_S:
            self._rail_a, self._drops_a, self._hf_v = (s / _LEARN_S for s in self._sums)
            ratio = self._drops_a / max(self._rail_a, 1e-3)
            outside = max(_RATIO_LOW - ratio, ratio - _RATIO_HIGH, 0.0)
            # Pots still at their minimum leave the rest of the set alone on the rails.
            self._tolerance = self._share + (outside if ratio > 0.1 else 0.0)

    def _compare(self, rail: float, drops: float, second: Second, now: Situation) -> list[Finding]:
        turned = drops - self._drops_a
        grown = rail - self._rail_a
        excess = grown - turned
        allowed = _FLOOR_A + _IDLE_SHARE * self._rail_a + self._tolerance * abs(turned)
        # A drop that fell while the current stayed is a reading's matter, not a path's.
        real = grown > 0.6 * excess
        self._note_s = self._note_s + now.dt_s if real and excess > allowed else 0.0
        self._trip_s = self._trip_s + now.dt_s if real and excess > _TRIP_TIMES * allowed else 0.0
        if self._trip_s < _TRIP_HOLD_S and self._note_s < _NOTE_HOLD_S:
            return []
        words = (
            f"both rails draw {grown:.3f} A more than before, the bias drops account for {turned:.3f} A of it: "
            f"{excess:.3f} A flow in a device that is not measured, a driver, or something else on the rails"
        )
        give = trip if self._trip_s >= _TRIP_HOLD_S else warning
        return [give(second.t_s, "rail-imbalance", "", words)]
