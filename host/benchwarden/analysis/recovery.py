"""Does the idle bias come back after the test signal, how far was it off, and how long does it take?

The signal heats junctions and sink; a bias sensor that follows badly leaves the idle
current high (or low) until the heat has gone.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import MOVED_SHARE, NAN, SIDES, Facts, Situation
from benchwarden.analysis.trend import settling
from benchwarden.core.samples import FloatArray

# Back means within this of the bias before, and never asked closer than the second figure.
BACK_SHARE = 0.05
BACK_FLOOR_V = 0.0003
# Signal shorter than this leaves no warmth to recover from.
LEAST_DRIVE_S = 30.0
BIN_S = 5.0
_BEFORE_S = 60
_LEAST_BEFORE_S = 10
# Rails recharge and the junction falls to the sink within this.
_DEAD_S = 5.0
_MOST_BINS = 1440
_LEAST_WATCHED_S = 300.0
_MOST_KEPT = 64


@dataclass(frozen=True)
class Recovery:
    """One side after one drive; volts across the emitter resistor, seconds after the signal went.

    Attributes:
        off_s: when the signal went.
        before_v, right_after_v: idle bias before the signal and 5 to 10 s after it.
        back_s: from when on it stayed near the bias before, NaN if it did not.
        came_back: None where that cannot be told.
        tau_s: of the way back, NaN where there was none or no exponential fits.
        watched_s: how long it was watched.
    """

    off_s: float
    before_v: float
    right_after_v: float
    back_s: float
    came_back: bool | None
    tau_s: float
    watched_s: float


@dataclass
class _Watch:
    """Bins of the idle time after one drive: time, left drop, right drop, rail."""

    off_s: float
    before: tuple[float, float, float]
    noise: tuple[float, float]
    bins: list[tuple[float, float, float, float]] = field(default_factory=list)
    index: int = -1
    sums: list[float] = field(default_factory=lambda: [0.0] * 4)
    count: int = 0

    def put(self, t_s: float, values: tuple[float, float, float]) -> None:
        index = int(t_s // BIN_S)
        if index != self.index:
            self.close_bin()
            self.index = index
        self.count += 1
        self.sums[0] += t_s
        for j, value in enumerate(values):
            self.sums[j + 1] += value

    def close_bin(self) -> None:
        if self.count:
            t, left, right, rail = (total / self.count for total in self.sums)
            self.bins.append((t, left, right, rail))
            self.sums, self.count = [0.0] * 4, 0


class Recoveries:
    """Watches the idle bias before and after every drive."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._calm: deque[tuple[float, float, float]] = deque(maxlen=_BEFORE_S)
        self._drive = False
        self._drive_s = 0.0
        self._before: tuple[tuple[float, float, float], tuple[float, float]] | None = None
        self._watch: _Watch | None = None
        self._kept: tuple[list[Recovery], list[Recovery]] = ([], [])

    def add(self, second: Second, now: Situation) -> None:
        """Take in one second."""
        if now.drive != self._drive:
            self._switched(second, now)
        if not now.mains or now.limiter:
            self._close()
            self._calm.clear()
            self._before = None
            return
        if now.drive:
            self._drive_s += now.dt_s
            return
        if not now.idle:
            return
        values = (now.idle_drop_v(0), now.idle_drop_v(1), now.alive_v)
        watch = self._watch
        if watch is not None:
            after_s = second.t_s - watch.off_s
            if after_s > _DEAD_S:
                watch.put(after_s, values)
            if len(watch.bins) >= _MOST_BINS:
                self._close()
        if now.still_s > _DEAD_S:
            self._calm.append(values)

    def _switched(self, second: Second, now: Situation) -> None:
        self._drive = now.drive
        if now.drive:
            self._close()
            self._drive_s = 0.0
            self._before = _mean_and_noise(self._calm)
            self._calm.clear()
        elif now.mains and self._before is not None and self._drive_s >= LEAST_DRIVE_S:
            self._watch = _Watch(second.t_s, *self._before)

    def _close(self) -> None:
        watch, self._watch = self._watch, None
        if watch is None:
            return
        watch.close_bin()
        if len(watch.bins) < 3:
            return
        bins = np.array(watch.bins)
        for k, kept in enumerate(self._kept):
            found = _recovery(watch, bins, k, self._facts)
            if found is not None and len(kept) < _MOST_KEPT:
                kept.append(found)

    def finish(self) -> None:
        """Close what is under way."""
        self._close()

    def table(self, k: int) -> dict[str, Any] | None:
        """Return the worst recovery of one side for the verdict, None without any."""
        kept = self._kept[k]
        if not kept:
            return None
        rank = {False: 2, None: 1, True: 0}
        worst = max(kept, key=lambda r: (rank[r.came_back], abs(r.right_after_v - r.before_v)))
        return {
            "drives": len(kept),
            "drive_off_s": round(worst.off_s, 3),
            "before_mv": _short(1e3 * worst.before_v),
            "right_after_mv": _short(1e3 * worst.right_after_v),
            "came_back": worst.came_back,
            "time_to_come_back_s": _short(worst.back_s),
            "tau_s": _short(worst.tau_s),
            "watched_s": _short(worst.watched_s),
        }

    def of(self, side: str) -> list[Recovery]:
        """Return every recovery of a side, oldest first."""
        return self._kept[SIDES.index(side)]


def _mean_and_noise(
    calm: deque[tuple[float, float, float]],
) -> tuple[tuple[float, float, float], tuple[float, float]] | None:
    if len(calm) < _LEAST_BEFORE_S:
        return None
    values = np.array(calm)
    left, right, rail = values.mean(axis=0).tolist()
    noise = np.abs(np.diff(values[:, :2], axis=0)).mean(axis=0).tolist()
    return (left, right, rail), (noise[0], noise[1])


def _recovery(watch: _Watch, bins: FloatArray, k: int, facts: Facts) -> Recovery | None:
    there = ~np.isnan(bins[:, 1 + k])
    before_v = watch.before[k]
    if there.sum() < 3 or before_v != before_v:
        return None
    t, drop, rail = bins[there, 0], bins[there, 1 + k], bins[there, 3]
    # A median of three: one bad bin is not a bias that left again.
    calm = np.median(np.stack([drop[:-2], drop[1:-1], drop[2:]]), axis=0)
    calm = np.concatenate([drop[:1], calm, drop[-1:]])
    near_v = max(BACK_SHARE * abs(before_v), BACK_FLOOR_V) + 2.0 * watch.noise[k] / math.sqrt(BIN_S)
    away = np.flatnonzero(np.abs(calm - before_v) > near_v)
    watched_s = float(t[-1])
    back_s = NAN
    came_back: bool | None = None
    moved = abs(float(np.median(rail[-3:])) - watch.before[2]) > MOVED_SHARE * facts.rail_v
    if not len(away):
        back_s, came_back = float(t[0]), True
    elif away[-1] < len(t) - 2:
        back_s, came_back = float(t[away[-1] + 1]), True
    elif watched_s >= _LEAST_WATCHED_S and not moved:
        came_back = False
    tau_s = NAN
    if abs(float(drop[0]) - before_v) > near_v and len(t) >= 12:
        fit = settling(t, drop)
        if fit is not None and BIN_S < fit.tau < watched_s:
            tau_s = fit.tau
    return Recovery(watch.off_s, before_v, float(drop[0]), back_s, came_back, tau_s, watched_s)


def _short(value: float) -> float | None:
    return float(f"{value:.5g}") if math.isfinite(value) else None
