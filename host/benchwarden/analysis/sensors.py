"""Can the readings be true? Stuck, fallen off, open, short, lost, swapped, and at odds with physics."""

from __future__ import annotations

from benchwarden.analysis.bias_clip import BiasClip
from benchwarden.analysis.heat_blocks import HeatBlocks
from benchwarden.analysis.hf_floor import HfFloor
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.sensor_heat import SensorHeat
from benchwarden.analysis.sensor_lost import SensorLost
from benchwarden.analysis.sensor_range import SensorRange
from benchwarden.analysis.sensor_stuck import SensorStuck
from benchwarden.analysis.sensor_swapped import SensorSwapped
from benchwarden.analysis.situation import Facts, Situation, StageNow
from benchwarden.core.findings import Finding


class Sensors:
    """Watches every channel for being a measurement at all, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._blocks = HeatBlocks()
        self._lost = SensorLost()
        self._range = SensorRange()
        self._heat = SensorHeat(facts, self._blocks)
        self._swapped = SensorSwapped(self._blocks)
        self._clip = BiasClip(facts)
        self._stuck = SensorStuck(facts)
        self._floor = HfFloor()

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        block_done = self._blocks.add(second, now)
        found = self._lost.second(second, now)
        found += self._range.second(second, now)
        found += self._heat.second(second, now, block_done)
        found += self._clip.second(second, now)
        found += self._stuck.second(second, now)
        found += self._floor.second(second, now)
        if block_done:
            found += self._swapped.block()
        return found
