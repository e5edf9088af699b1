"""Has a channel that gave readings stopped giving any?"""

from __future__ import annotations

from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.sensor_place import where
from benchwarden.analysis.situation import BIAS, NEG_A, NEG_V, OFFSET, POS_A, POS_V, SINK, Situation
from benchwarden.core.channels import CHANNELS
from benchwarden.core.findings import Finding

_LOST_S = 20.0
_NOTE_LOST_S = 2.0
# Without these a run is half blind.
NEEDED = (POS_A, NEG_A, POS_V, NEG_V, *OFFSET, *BIAS, *SINK)


class SensorLost:
    """Counts the seconds without a reading; a channel that never gave one is not lost."""

    def __init__(self) -> None:
        self._missing_s = [0.0] * len(CHANNELS)
        self._seen = [False] * len(CHANNELS)
        self._whole = False

    def second(self, second: Second, now: Situation) -> list[Finding]:
        mean = second.mean
        total = sum(mean)
        if total == total and self._whole:
            return []
        found: list[Finding] = []
        nothing = all(v != v for v in mean)
        for i, value in enumerate(mean):
            if value == value:
                self._seen[i], self._missing_s[i] = True, 0.0
                continue
            if not self._seen[i] or nothing or not now.mains:
                continue
            before, self._missing_s[i] = self._missing_s[i], self._missing_s[i] + now.dt_s
            name = CHANNELS[i]
            if i in NEEDED and before < _LOST_S <= self._missing_s[i]:
                words = f"{name} has given no reading for {self._missing_s[i]:.0f} s"
                found.append(trip(second.t_s, "sensor-fault", where(i), words))
            elif before < _NOTE_LOST_S <= self._missing_s[i]:
                words = f"{name} stopped giving readings; what depends on it cannot be judged"
                found.append(warning(second.t_s, "sensor-fault", where(i), words))
        self._whole = total == total
        return found
