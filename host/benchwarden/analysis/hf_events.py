"""When was HF up, how much, and does it come with warmth or with the signal?

The list is for the record; the two tests find what a person should look into even
where nothing tripped: bursts that come only warm, or only driven.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass, replace

from benchwarden.analysis.situation import SIDES

MOST_EVENTS = 1000
_MERGE_S = 2.0
# Bursts closer than this are one happening: a telephone call counts once.
_CLUSTER_S = 15.0
_FEWEST = 6
# One-sided probability of a test by chance before it is told.
_CHANCE = 1e-3
_NORMAL = 3.09  # quantile of that probability
# Half a kelvin each.
_BINS, _PER_K = 300, 2.0


@dataclass(frozen=True)
class HfEvent:
    """One time in which an HF channel was up.

    Attributes:
        side: "left" or "right".
        peak_v: largest reading. level_v: mean while up.
        sink_c: that side's sink at the start, NaN when not known.
        drive: the test signal was on.
    """

    side: str
    start_s: float
    end_s: float
    peak_v: float
    level_v: float
    sink_c: float
    drive: bool


class EventLog:
    """Events in order of their end, merged when they become many; memory is bounded."""

    def __init__(self) -> None:
        self.events: list[HfEvent] = []
        self._merge_s = _MERGE_S

    def add(self, event: HfEvent) -> None:
        """Append an event, or widen the last one of its side if that is near."""
        if not self._merged(self.events, event):
            self.events.append(event)
        while len(self.events) > MOST_EVENTS:
            self._merge_s *= 2.0
            kept: list[HfEvent] = []
            for old in self.events:
                if not self._merged(kept, old):
                    kept.append(old)
            self.events = kept

    def _merged(self, events: list[HfEvent], event: HfEvent) -> bool:
        for i in range(len(events) - 1, max(len(events) - 3, -1), -1):
            last = events[i]
            if last.side != event.side or last.drive != event.drive:
                continue
            if event.start_s - last.end_s > self._merge_s:
                return False
            a, b = max(last.end_s - last.start_s, 0.01), max(event.end_s - event.start_s, 0.01)
            level = (a * last.level_v + b * event.level_v) / (a + b)
            end_s, peak_v = max(last.end_s, event.end_s), max(last.peak_v, event.peak_v)
            events[i] = replace(last, end_s=end_s, peak_v=peak_v, level_v=level)
            return True
        return False


class Coincidence:
    """Counts happenings of one side against how long it was how warm, idle and driven."""

    def __init__(self, k: int) -> None:
        self._k = k
        self._seconds = {drive: array("L", [0]) * _BINS for drive in (False, True)}
        self._total = {False: 0, True: 0}
        self._sinks: dict[bool, list[float]] = {False: [], True: []}
        self._last_s = -math.inf
        self._told: set[str] = set()

    def spent(self, sink_c: float, drive: bool) -> None:
        """Take note of a second under power."""
        if 0.0 <= sink_c < _BINS / _PER_K:
            self._seconds[drive][int(_PER_K * sink_c)] += 1
            self._total[drive] += 1

    def happened(self, event: HfEvent) -> str:
        """Take in an event and return words for a coincidence that is no chance, "" if none (or told before)."""
        fresh = event.start_s - self._last_s > _CLUSTER_S
        self._last_s = event.end_s
        if not fresh or not 0.0 <= event.sink_c < _BINS / _PER_K:
            return ""
        sinks = self._sinks[event.drive]
        if len(sinks) < MOST_EVENTS:
            sinks.append(event.sink_c)
        return self._with_drive() or self._with_warmth(event.drive)

    def _with_drive(self) -> str:
        driven, idle = len(self._sinks[True]), len(self._sinks[False])
        n, total = driven + idle, self._total[True] + self._total[False]
        if n < _FEWEST or "drive" in self._told or total == 0:
            return ""
        share = self._total[True] / total
        if share <= 0.0 or not at_least(driven, n, share) < _CHANCE:
            return ""
        self._told.add("drive")
        return (
            f"{driven} of {n} bursts above 100 kHz on the {SIDES[self._k]} output came with the test signal, "
            f"which was on for {100.0 * share:.0f} % of the time: oscillation at signal peaks?"
        )

    def _with_warmth(self, drive: bool) -> str:
        """Rank the events' sink temperatures among all seconds' (Mann and Whitney's idea; ties count half)."""
        sinks, seconds, total = self._sinks[drive], self._seconds[drive], self._total[drive]
        n = len(sinks)
        if n < _FEWEST or "warmth" in self._told or total < 300:
            return ""
        below = 0.0
        for c in sinks:
            i = int(_PER_K * c)
            below += (sum(seconds[:i]) + 0.5 * seconds[i]) / total
        # Ranks of independent events are uniform on 0..1: mean 1/2, variance 1/12.
        z = (below / n - 0.5) * math.sqrt(12.0 * n)
        if abs(z) < _NORMAL:
            return ""
        self._told.add("warmth")
        word = "warmer" if z > 0.0 else "colder"
        middle = sorted(sinks)[n // 2]
        share = 100.0 * below / n
        return (
            f"{n} bursts above 100 kHz on the {SIDES[self._k]} output came when its sink was {word} than usual: "
            f"median {middle:.0f} C, {share:.0f} % of the time it was colder"
        )


def at_least(hits: int, n: int, share: float) -> float:
    """Return the probability of `hits` or more of n by chance of `share` each (binomial tail)."""
    if hits <= 0:
        return 1.0
    if not 0.0 < share < 1.0:
        return share
    ways = math.lgamma(n + 1.0)
    up, down = math.log(share), math.log1p(-share)
    return math.fsum(
        math.exp(ways - math.lgamma(i + 1.0) - math.lgamma(n - i + 1.0) + i * up + (n - i) * down)
        for i in range(hits, n + 1)
    )
