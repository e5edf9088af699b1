"""Do HF events come with warmth or with the test signal, or as often without?

Counts over time under power. Given their sum, two Poisson counts are binomial, so
the interval of their rates' ratio is exact and needs no resampling. Bursts of one
happening (a telephone call, a bad contact for a minute) count once.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import Any

from scipy import stats

from benchwarden.analysis.hf_events import HfEvent
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import SIDES, SINK, Situation

# Events closer than this are one happening.
CLUSTER_S = 15.0
# Fewer happenings cannot be told from chance whatever they did: with five, all on the
# side that had half the time have a two-sided chance of 6 %.
FEWEST = 6
_BINS = 220
# A sink that moved less than this has no warm and cold half.
_LEAST_RANGE_K = 4


@dataclass(frozen=True)
class RateRatio:
    """How many times as often something happened in one time as in another, with its 95 % interval.

    Attributes:
        p: two-sided chance of so uneven a split at equal rates.
    """

    ratio: float
    low: float
    high: float
    p: float


def rate_ratio(first: int, first_s: float, second: int, second_s: float) -> RateRatio:
    """Return the ratio of two Poisson rates, events over time.

    Raises:
        ValueError: no events at all, or a time that is not positive.

    Source:
        Conditional binomial test (Przyborowski and Wilenski, Biometrika 31 (1940)
        313) with the interval of Clopper and Pearson, Biometrika 26 (1934) 404; both from memory.
    """
    n = first + second
    if n == 0 or not (first_s > 0.0 and second_s > 0.0):
        raise ValueError(f"{n} events in {first_s:g} s and {second_s:g} s; at least one event in times above 0 needed")
    low = float(stats.beta.ppf(0.025, first, second + 1)) if first else 0.0
    high = float(stats.beta.ppf(0.975, first + 1, second)) if second else 1.0
    per_odds = second_s / first_s

    def ratio_at(share: float) -> float:
        return share / (1.0 - share) * per_odds if share < 1.0 else math.inf

    p = float(stats.binomtest(first, n, first_s / (first_s + second_s)).pvalue)
    return RateRatio(ratio_at(first / n), ratio_at(low), ratio_at(high), p)


class Exposure:
    """Counts seconds under power by the temperature of each sink, idle and driven."""

    def __init__(self) -> None:
        self._seconds = {drive: (array("d", [0.0]) * _BINS, array("d", [0.0]) * _BINS) for drive in (False, True)}
        self._total = {False: 0.0, True: 0.0}

    def add(self, second: Second, now: Situation) -> None:
        """Take in one second."""
        if not now.mains:
            return
        dt = 1.0 if now.gap else now.dt_s
        self._total[now.drive] += dt
        for k, seconds in enumerate(self._seconds[now.drive]):
            sink_c = second.mean[SINK[k]]
            if 0.0 <= sink_c < _BINS:
                seconds[int(sink_c)] += dt

    def table(self, k: int, events: Sequence[HfEvent]) -> dict[str, Any]:
        """Return one side's events with what they go along with."""
        own = [event for event in events if event.side == SIDES[k]]
        found: dict[str, Any] = {"events": len(own)}
        if not own:
            return found
        found["longest_s"] = _short(max(event.end_s - event.start_s for event in own))
        found["largest_v"] = _short(max(event.peak_v for event in own))
        happened = _clustered(own)
        found["happenings"] = len(happened)
        found["while_driven"] = sum(event.drive for event in happened)
        found["goes_with"] = None
        for name, ratio in (
            ("the test signal", self._with_drive(happened)),
            ("warmth", self._with_warmth(k, happened)),
        ):
            key = "driven_to_idle_rate" if name == "the test signal" else "warm_to_cold_rate"
            found[key] = _short(ratio.ratio) if ratio else None
            found[f"{key}_95"] = [_short(ratio.low), _short(ratio.high)] if ratio else None
            if ratio and ratio.p < 0.01 and ratio.ratio > 1.0:
                found["goes_with"] = found["goes_with"] or name
        return found

    def _with_drive(self, events: list[HfEvent]) -> RateRatio | None:
        driven_s, idle_s = self._total[True], self._total[False]
        if len(events) < FEWEST or driven_s <= 0.0 or idle_s <= 0.0:
            return None
        driven = sum(event.drive for event in events)
        return rate_ratio(driven, driven_s, len(events) - driven, idle_s)

    def _with_warmth(self, k: int, events: list[HfEvent]) -> RateRatio | None:
        """Idle events alone: the signal brings warmth of its own."""
        sinks = [int(event.sink_c) for event in events if not event.drive and 0.0 <= event.sink_c < _BINS]
        seconds = self._seconds[False][k]
        there = [i for i, s in enumerate(seconds) if s > 0.0]
        if len(sinks) < FEWEST or not there or there[-1] - there[0] < _LEAST_RANGE_K:
            return None
        total = sum(seconds)
        below = list(accumulate(seconds[: there[-1]]))
        # The whole kelvin that parts the time most nearly in halves.
        split = min(range(there[0], there[-1]), key=lambda i: abs(below[i] - 0.5 * total)) + 1
        cold_s = below[split - 1]
        warm = sum(sink >= split for sink in sinks)
        return rate_ratio(warm, total - cold_s, len(sinks) - warm, cold_s)


def _clustered(events: Sequence[HfEvent]) -> list[HfEvent]:
    kept: list[HfEvent] = []
    end_s = -math.inf
    for event in sorted(events, key=lambda e: e.start_s):
        if event.start_s - end_s > CLUSTER_S:
            kept.append(event)
        end_s = max(end_s, event.end_s)
    return kept


def _short(value: float) -> float | None:
    return float(f"{value:.4g}") if math.isfinite(value) else None
