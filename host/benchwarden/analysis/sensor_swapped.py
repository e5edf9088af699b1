"""Are left and right exchanged? The side that gets more heat must be the side whose sink answers.

Nature is asked when a person asks it: a pot turned on one side changes the heat of one
stage within seconds, far faster than a bias follows its own temperature. Whatever the
sinks are and however well they are joined, the difference of their readings then moves
towards the heated side; a draught or a drift is no quicker than before the turn.
"""

from __future__ import annotations

import math

from benchwarden.analysis.heat_blocks import HeatBlock, HeatBlocks, usual
from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.situation import SIDES
from benchwarden.core.findings import Finding

_BEFORE, _GAP = 6, 4
# The answer is looked for between these many blocks after the turn.
_FIRST, _LAST = 9, 48
_LEAST_W, _LEAST_SHARE = 1.5, 0.25
# The other side and the height reached must hold still.
_STILL_SHARE = 0.3
_NOTE_K, _TRIP_K = 1.0, 2.5
_TIMES_NOISE = 6.0


class SensorSwapped:
    """Waits for a one-sided change of heat and compares which sink answers."""

    def __init__(self, blocks: HeatBlocks) -> None:
        self._blocks = blocks
        self._age = 0
        self._side = 0
        self._step_w = 0.0
        self._level_w = (0.0, 0.0)
        self._level_k = self._slope = self._noise_k = 0.0
        self._own = (0.0, 0.0)

    def block(self) -> list[Finding]:
        """Look at the newest block."""
        blocks = self._blocks.blocks
        need = 2 * _BEFORE + _GAP
        if len(blocks) < need:
            self._age = 0
            return []
        newest = blocks[-1]
        if self._age:
            return self._answer(newest)
        recent = [blocks[i] for i in range(len(blocks) - need, len(blocks))]
        self._find(recent)
        return []

    def _find(self, recent: list[HeatBlock]) -> None:
        """Remember a change of one side's heat alone, with how the sinks' difference went before it."""
        old, new = recent[:_BEFORE], recent[-_BEFORE:]
        if not all(b.idle for b in recent):
            return
        was = [usual([b.power_w[k] for b in old]) for k in range(2)]
        now = [usual([b.power_w[k] for b in new]) for k in range(2)]
        steps = [now[k] - was[k] for k in range(2)]
        side = 0 if abs(steps[0]) > abs(steps[1]) else 1
        step = abs(steps[side])
        if not (step > max(_LEAST_W, _LEAST_SHARE * max(now)) and abs(steps[1 - side]) < _STILL_SHARE * step):
            return
        # Flat before and after: a step, not a bias on its way.
        for part in (old, new):
            for k in range(2):
                watts = [b.power_w[k] for b in part]
                if max(watts) - min(watts) > _STILL_SHARE * step:
                    return
        apart = [b.sink_c[0] - b.sink_c[1] for b in old]
        if not all(v == v for v in apart):
            return
        middle = (_BEFORE - 1) / 2.0
        slope = sum((i - middle) * v for i, v in enumerate(apart)) / sum((i - middle) ** 2 for i in range(_BEFORE))
        level = usual(apart)
        rest = [v - level - slope * (i - middle) for i, v in enumerate(apart)]
        self._noise_k = math.sqrt(sum(v * v for v in rest) / (_BEFORE - 2))
        self._side, self._step_w = side, steps[side]
        self._level_k, self._slope = level, slope
        self._level_w = (now[0], now[1])
        self._own = (usual([b.sink_c[0] for b in old]), usual([b.sink_c[1] for b in old]))
        self._age = _BEFORE

    def _answer(self, newest: HeatBlock) -> list[Finding]:
        self._age += 1
        held = all(abs(newest.power_w[k] - self._level_w[k]) < _STILL_SHARE * abs(self._step_w) for k in range(2))
        if self._age > _LAST or not newest.idle or not held:
            self._age = 0
            return []
        if self._age < _FIRST:
            return []
        blocks = self._age + (_BEFORE - 1) / 2.0
        before = self._slope * blocks
        apart = newest.sink_c[0] - newest.sink_c[1] - self._level_k
        towards = math.copysign(1.0, self._step_w) * (1.0 if self._side == 0 else -1.0)
        # A slope there was before may go on or stop; it counts for the sensor either way.
        wrong = -towards * apart - abs(before)
        # The line before is known to noise / sqrt(n), its slope carried on to noise blocks / sqrt(Sxx).
        spread = self._noise_k * (1.0 + blocks / math.sqrt(_BEFORE * (_BEFORE**2 - 1) / 12.0))
        moved = [
            towards_sign * d
            for towards_sign, d in zip(
                (math.copysign(1.0, self._step_w),) * 2,
                (newest.sink_c[k] - self._own[k] for k in range(2)),
                strict=True,
            )
        ]
        if not wrong > max(_NOTE_K, _TIMES_NOISE * spread) or moved[self._side] > 0.5 * moved[1 - self._side]:
            return []
        side, other = SIDES[self._side], SIDES[1 - self._side]
        words = (
            f"the heat of {side} changed by {self._step_w:+.1f} W alone, and it is sink_{other}_c that moved, by "
            f"{moved[1 - self._side]:.1f} K against {moved[self._side]:.1f} K: left and right are exchanged, "
            "of the sink sensors or of the bias leads"
        )
        give = trip if wrong > max(_TRIP_K, 2.0 * _TIMES_NOISE * spread) else warning
        return [give(newest.t_s, "sensor-fault", f"sink_{side}_c", words)]
