"""Does a temperature read what a sound sensor on a heatsink can read at all?"""

from __future__ import annotations

import math

from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.sensor_place import where
from benchwarden.analysis.situation import AMBIENT, SINK, Situation
from benchwarden.core.channels import CHANNELS
from benchwarden.core.findings import Finding

# Outside these no heatsink on a bench reads truly; an open 10 k NTC reads below
# -40 C, a shorted one above 150 C (its table, Vishay NTCLE100E3).
COLDEST_C, HOTTEST_C = -15.0, 135.0
# Heat capacity and power of an output stage allow some 1 K/s even in runaway.
JUMP_K = 6.0


class SensorRange:
    """Looks for open, shorted and jumping temperature sensors."""

    def __init__(self) -> None:
        self._before = [math.nan] * 3

    def second(self, second: Second, now: Situation) -> list[Finding]:
        found: list[Finding] = []
        before = self._before
        for n, i in enumerate((*SINK, AMBIENT)):
            value, last = second.mean[i], before[n]
            before[n] = value
            if COLDEST_C <= value <= HOTTEST_C and not abs(value - last) > JUMP_K:
                continue
            if value != value:
                continue
            give = warning if i == AMBIENT else trip
            if not COLDEST_C <= value <= HOTTEST_C:
                words = f"{CHANNELS[i]} reads {value:.1f} C: sensor {'open' if value < COLDEST_C else 'shorted'}"
                found.append(give(second.t_s, "sensor-fault", where(i), words))
            elif not now.gap and abs(value - last) > JUMP_K * max(1.0, now.dt_s):
                words = f"{CHANNELS[i]} went from {last:.1f} to {value:.1f} C within {now.dt_s:.0f} s"
                found.append(give(second.t_s, "sensor-fault", where(i), words))
        return found
