"""What did the run show, in numbers? Worst values, drift, tempco, settling, what could not be judged.

Memory stays bounded: seconds are gathered into blocks, and when there are too many
blocks, neighbours are merged. The merging depends on the stream alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import AMBIENT, BIAS, HF, NEG_A, OFFSET, POS_A, SIDES, SINK, Facts, Situation
from benchwarden.analysis.trend import line, settling
from benchwarden.core.channels import CHANNELS
from benchwarden.core.samples import FloatArray

BLOCK_S = 10.0
_MOST_BLOCKS = 8192
SETTLED_SHARE = 0.05
SETTLED_FLOOR_V = 0.0003
_DRIFT_LEAST_S = 300.0
# Idle for this long after drive before a block counts as idle.
_AFTER_DRIVE_S = 120.0
_AFTER_MOVE_S = 10.0


@dataclass
class _Sums:
    """One block in the making: idle means of a few quantities."""

    t: float = 0.0
    n: int = 0
    values: list[float] = field(default_factory=lambda: [0.0] * 6)
    counts: list[int] = field(default_factory=lambda: [0] * 6)


_COLUMNS = (*BIAS, *SINK, AMBIENT, POS_A)


class Metrics:
    """Gathers figures second by second; `table` tells them."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self.frames = 0
        self.gaps = 0
        self.longest_gap_s = 0.0
        self.first_s = math.nan
        self.last_s = math.nan
        self.energised_s = 0.0
        self.drive_s = 0.0
        self.full_s = 0.0
        self.valid_s = [0.0] * len(CHANNELS)
        self.low = [math.inf] * len(CHANNELS)
        self.high = [-math.inf] * len(CHANNELS)
        self._blocks: list[list[float]] = []
        self._block_s = BLOCK_S
        self._sums = _Sums()
        self._sums_index = -1

    def add(self, second: Second, now: Situation) -> None:
        """Take in one second."""
        count = len(second.frame_t_s)
        self.frames += count
        if self.first_s != self.first_s:
            self.first_s = second.first_s
        if now.gap:
            self.gaps += 1
            self.longest_gap_s = max(self.longest_gap_s, now.dt_s)
        self.last_s = second.last_s
        if not now.mains:
            return
        dt = 1.0 if now.gap else now.dt_s
        self.energised_s += dt
        if now.drive:
            self.drive_s += dt
        if now.alive_v > 0.85 * self._facts.rail_v and not now.limiter:
            self.full_s += dt
        low, high, valid = self.low, self.high, self.valid_s
        for i, (a, b) in enumerate(zip(second.low, second.high, strict=True)):
            if a == a:
                valid[i] += dt
                if a < low[i]:
                    low[i] = a
                if b > high[i]:
                    high[i] = b
        settled = now.idle and now.still_s > _AFTER_MOVE_S and now.drive_s > _AFTER_DRIVE_S
        if settled and not now.alive_v < 0.8 * self._facts.rail_v:
            self._gather(second)

    def _gather(self, second: Second) -> None:
        index = int(second.t_s // self._block_s)
        if index != self._sums_index:
            self._close()
            self._sums_index = index
        sums = self._sums
        sums.t += second.t_s
        sums.n += 1
        for j, i in enumerate(_COLUMNS):
            value = second.mean[i]
            if value == value:
                sums.values[j] += value
                sums.counts[j] += 1

    def _close(self) -> None:
        sums = self._sums
        if sums.n:
            row = [v / c if c else math.nan for v, c in zip(sums.values, sums.counts, strict=True)]
            self._blocks.append([sums.t / sums.n, *row])
            self._sums = _Sums()
        if len(self._blocks) >= _MOST_BLOCKS:
            pairs = zip(self._blocks[::2], self._blocks[1::2], strict=True)
            self._blocks = [[(a + b) / 2.0 for a, b in zip(x, y, strict=True)] for x, y in pairs]
            self._block_s *= 2.0

    def table(self, missing: list[str]) -> dict[str, Any]:
        """Return everything, with None where there is nothing to tell."""
        self._close()
        blocks = np.array(self._blocks) if self._blocks else np.empty((0, 1 + len(_COLUMNS)))
        out: dict[str, Any] = {
            "frames": self.frames,
            "gaps": self.gaps,
            "longest_gap_s": round(self.longest_gap_s, 3),
            "duration_s": _plain(self.last_s - self.first_s),
            "energised_s": round(self.energised_s, 3),
            "driven_s": round(self.drive_s, 3),
            "full_mains_s": round(self.full_s, 3),
            "rail_a_worst": _plain(max(self.high[POS_A], self.high[NEG_A])),
            "ambient_c_worst": _plain(self.high[AMBIENT]),
            "worst": {
                name: [_plain(self.low[i]), _plain(self.high[i])]
                for i, name in enumerate(CHANNELS)
                if self.valid_s[i] > 0.0
            },
            "not_judged": missing,
        }
        for k, side in enumerate(SIDES):
            out[side] = self._channel(k, blocks)
        return out

    def _channel(self, k: int, blocks: FloatArray) -> dict[str, Any]:
        offset = max(abs(self.low[OFFSET[k]]), abs(self.high[OFFSET[k]]))
        found: dict[str, Any] = {
            "offset_worst_v": _plain(offset),
            "hf_worst_v": _plain(self.high[HF[k]]),
            "sink_worst_c": _plain(self.high[SINK[k]]),
            "bias_worst_mv": _plain(1e3 * self.high[BIAS[k]]),
            "bias_start_mv": None,
            "bias_end_mv": None,
            "sink_end_c": None,
            "settled": None,
            "time_to_settle_s": None,
            "final_mv": None,
            "tau_s": None,
            "drift_mv_per_h": None,
            "drift_95_mv_per_h": None,
            "tempco_mv_per_k": None,
        }
        t, bias, sink = blocks[:, 0], blocks[:, 1 + k], blocks[:, 3 + k]
        good = ~np.isnan(bias)
        if (~np.isnan(sink)).any():
            found["sink_end_c"] = _plain(float(sink[~np.isnan(sink)][-1]))
        if good.sum() < 3:
            return found
        t, bias, sink = t[good], bias[good] * 1e3, sink[good]
        # Turning a pot is not settling: begin after the last step.
        steps = np.abs(np.diff(bias)) > max(0.08 * self._facts.target_v * 1e3, 0.3)
        start = int(np.flatnonzero(steps)[-1]) + 1 if steps.any() else 0
        if len(bias) - start >= 12:
            t, bias, sink = t[start:], bias[start:], sink[start:]
        found["bias_start_mv"] = _plain(float(bias[:3].mean()))
        final = float(np.median(bias[-6:]))
        found["bias_end_mv"] = _plain(final)
        self._settling(found, t, bias, final)
        self._drift(found, t, bias)
        self._tempco(found, bias, sink)
        return found

    def _settling(self, found: dict[str, Any], t: FloatArray, bias: FloatArray, final: float) -> None:
        near = max(SETTLED_SHARE * abs(final), SETTLED_FLOOR_V * 1e3)
        away = np.flatnonzero(np.abs(bias - final) > near)
        since = 0 if not len(away) else int(away[-1]) + 1
        span = float(t[-1] - t[0])
        held = float(t[-1] - t[min(since, len(t) - 1)])
        # Held for a third of the idle time and at least three minutes.
        found["settled"] = bool(held >= max(180.0, span / 3.0))
        if found["settled"]:
            found["time_to_settle_s"] = _plain(float(t[since] - t[0]))
        if len(t) >= 12 and span > 120.0 and float(np.ptp(bias)) > 2.0 * near:
            fit = settling(t, bias)
            # An end that lies far outside what was seen is a guess, not a figure.
            if fit is not None and fit.tau < span and abs(fit.final - final) < 2.0 * float(np.ptp(bias)):
                found["final_mv"], found["tau_s"] = _plain(fit.final), _plain(fit.tau)

    @staticmethod
    def _drift(found: dict[str, Any], t: FloatArray, bias: FloatArray) -> None:
        """Drift over the last half of the idle time, at least five minutes of it."""
        start = min(t[-1] - _DRIFT_LEAST_S, t[0] + 0.5 * (t[-1] - t[0]))
        late = t >= start
        if t[-1] - t[0] < _DRIFT_LEAST_S or late.sum() < 10:
            return
        fit = line(t[late] / 3600.0, bias[late])
        found["drift_mv_per_h"] = _plain(fit.slope)
        found["drift_95_mv_per_h"] = [_plain(fit.slope - fit.half_width), _plain(fit.slope + fit.half_width)]

    @staticmethod
    def _tempco(found: dict[str, Any], bias: FloatArray, sink: FloatArray) -> None:
        there = ~np.isnan(sink)
        if there.sum() < 10 or float(np.ptp(sink[there])) < 3.0:
            return
        found["tempco_mv_per_k"] = _plain(line(sink[there], bias[there]).slope)


def _plain(value: float) -> float | None:
    """Return a JSON number of sensible length, None for what is not one."""
    return float(f"{value:.7g}") if math.isfinite(value) else None
