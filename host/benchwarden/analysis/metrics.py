"""What did the run show, in numbers? Worst values, drift, tempco, settling, recovery, margins, HF events.

Memory stays bounded: seconds are gathered into blocks, and when there are too many
blocks, neighbours are merged. The merging depends on the stream alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from benchwarden.analysis.bias_fit import drift_mv_per_h, start_after_steps, tempco_of
from benchwarden.analysis.burst_rates import Exposure
from benchwarden.analysis.hf_events import HfEvent
from benchwarden.analysis.margins import Margin, Margins
from benchwarden.analysis.recovery import Recoveries
from benchwarden.analysis.seconds import IndexArray, Second
from benchwarden.analysis.situation import (
    AMBIENT,
    BIAS,
    HF,
    NEG_A,
    OFFSET,
    POS_A,
    SIDES,
    SINK,
    Facts,
    Situation,
    StageNow,
)
from benchwarden.analysis.slow_fit import MOST_POINTS, merged
from benchwarden.analysis.trend import rising_p, settling
from benchwarden.core.channels import CHANNELS
from benchwarden.core.samples import FloatArray

BLOCK_S = 10.0
_MOST_BLOCKS = 8192
SETTLED_SHARE = 0.05
SETTLED_FLOOR_V = 0.0003
# Shorter than this a drift per hour is a guess from noise.
_DRIFT_LEAST_S = 300.0
# Mann-Kendall takes its points as independent; ten block means nearly are.
_TREND_POINTS = 10
# Idle blocks further apart than this (signal, mains off) do not belong to one stretch.
_BREAK_S = 60.0
# Idle for this long after drive before a block counts as idle.
_AFTER_DRIVE_S = 120.0
_AFTER_MOVE_S = 10.0

# Columns of a block: time, both drops, both sinks, the rails.
_BIAS_AT, _SINK_AT, _RAIL_AT = 1, 3, 5
_WIDTH = 5


@dataclass
class _Sums:
    """One block in the making: idle means of a few quantities."""

    t: float = 0.0
    n: int = 0
    values: list[float] = field(default_factory=lambda: [0.0] * _WIDTH)
    counts: list[int] = field(default_factory=lambda: [0] * _WIDTH)


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
        self.low_at_s = [math.nan] * len(CHANNELS)
        self.high_at_s = [math.nan] * len(CHANNELS)
        self.mains_at_s = math.nan
        self._margins = Margins()
        self._recoveries = Recoveries(facts)
        self._exposure = Exposure()
        self._blocks: list[list[float]] = []
        self._block_s = BLOCK_S
        self._sums = _Sums()
        self._sums_index = -1

    def add(self, second: Second, now: Situation, stage: StageNow, open_s: float = math.inf) -> None:
        """Take in one second.

        Args:
            open_s: when the first trip opened the relay, or would have: what a foreign
                recording shows later is counted, but is no figure of this run.
        """
        count = len(second.frame_t_s)
        self.frames += count
        if self.first_s != self.first_s:
            self.first_s = second.first_s
        if now.gap:
            self.gaps += 1
            self.longest_gap_s = max(self.longest_gap_s, now.dt_s)
        self.last_s = second.last_s
        if second.first_s > open_s:
            return
        self._recoveries.add(second, now)
        if not now.mains:
            return
        if self.mains_at_s != self.mains_at_s:
            self.mains_at_s = second.first_s
        self._margins.add(second, now, stage)
        self._exposure.add(second, now)
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
                    self.low_at_s[i] = _time_of(second, second.frame_low[i], a)
                if b > high[i]:
                    high[i] = b
                    self.high_at_s[i] = _time_of(second, second.frame_high[i], b)
        settled = now.idle and now.still_s > _AFTER_MOVE_S and now.drive_s > _AFTER_DRIVE_S
        if settled and not now.alive_v < 0.8 * self._facts.rail_v:
            self._gather(second, now)

    def _gather(self, second: Second, now: Situation) -> None:
        index = int(second.t_s // self._block_s)
        if index != self._sums_index:
            self._close()
            self._sums_index = index
        sums = self._sums
        sums.t += second.t_s
        sums.n += 1
        mean = second.mean
        row = (now.idle_drop_v(0), now.idle_drop_v(1), mean[SINK[0]], mean[SINK[1]], now.alive_v)
        for j, value in enumerate(row):
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

    def nearest(self) -> dict[str, Margin]:
        """Return every channel's nearest approach to a limit."""
        return self._margins.nearest()

    def table(self, missing: list[str], events: Sequence[HfEvent] = ()) -> dict[str, Any]:
        """Return everything, with None where there is nothing to tell."""
        self._close()
        self._recoveries.finish()
        blocks = np.array(self._blocks) if self._blocks else np.empty((0, 1 + _WIDTH))
        seen = [i for i in range(len(CHANNELS)) if self.valid_s[i] > 0.0]
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
            "worst": {CHANNELS[i]: [_plain(self.low[i]), _plain(self.high[i])] for i in seen},
            "worst_at_s": {CHANNELS[i]: [_plain(self.low_at_s[i]), _plain(self.high_at_s[i])] for i in seen},
            "margins": self._margins.table(),
            "not_judged": missing,
        }
        for k, side in enumerate(SIDES):
            out[side] = self._channel(k, blocks, events)
        return out

    def _channel(self, k: int, blocks: FloatArray, events: Sequence[HfEvent]) -> dict[str, Any]:
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
            "drift_from_s": None,
            "drift_over_s": None,
            "sen_mv_per_h": None,
            "mann_kendall_p": None,
            "tempco_mv_per_k": None,
            "tempco_95_mv_per_k": None,
            "tempco_apart_from_mains": None,
            "mains_mv_per_v": None,
            "mains_95_mv_per_v": None,
            "recovery": self._recoveries.table(k),
            "oscillation": self._exposure.table(k, events),
        }
        t, bias, sink = blocks[:, 0], blocks[:, _BIAS_AT + k], blocks[:, _SINK_AT + k]
        rail = blocks[:, _RAIL_AT]
        good = ~np.isnan(bias)
        if (~np.isnan(sink)).any():
            found["sink_end_c"] = _plain(float(sink[~np.isnan(sink)][-1]))
        if good.sum() < 3:
            return found
        t, bias, sink, rail = t[good], bias[good] * 1e3, sink[good], rail[good]
        start = start_after_steps(bias, 1e3 * self._facts.target_v)
        t, bias, sink, rail = t[start:], bias[start:], sink[start:], rail[start:]
        found["bias_start_mv"] = _plain(float(bias[:3].mean()))
        final = float(np.median(bias[-6:]))
        found["bias_end_mv"] = _plain(final)
        self._settling(found, t, bias, final)
        self._drift(found, t, bias)
        self._still_going(found, final)
        self._tempco(found, t, bias, sink, rail)
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

    def _drift(self, found: dict[str, Any], t: FloatArray, bias: FloatArray) -> None:
        """Drift over the later half of the last long idle stretch, at least five minutes of it."""
        stretch = _last_stretch(t, max(_BREAK_S, 2.0 * self._block_s))
        t, bias = t[stretch], bias[stretch]
        start = min(t[-1] - _DRIFT_LEAST_S, t[0] + 0.5 * (t[-1] - t[0]))
        late = t >= start
        if t[-1] - t[0] < _DRIFT_LEAST_S or late.sum() < 10:
            return
        fit = drift_mv_per_h(t[late], bias[late])
        if fit is None:
            return
        found["drift_mv_per_h"] = _plain(fit.value)
        found["drift_95_mv_per_h"] = [_plain(fit.low), _plain(fit.high)]
        found["drift_from_s"], found["drift_over_s"] = _plain(float(t[late][0])), _plain(float(t[-1] - t[late][0]))
        hours, values = merged(_TREND_POINTS, *merged(MOST_POINTS, t[late] / 3600.0, bias[late]))
        if len(values) < 5 or float(np.ptp(values)) == 0.0:
            return
        rising, sen = rising_p(values)
        falling, _ = rising_p(-values)
        found["mann_kendall_p"] = _plain(min(2.0 * min(rising, falling), 1.0))
        found["sen_mv_per_h"] = _plain(sen / float(np.median(np.diff(hours))))

    @staticmethod
    def _still_going(found: dict[str, Any], final: float) -> None:
        """Take "settled" back where a drift beyond doubt would leave the band in as long again as it was seen."""
        if found["drift_95_mv_per_h"] is None or not found["settled"]:
            return
        low, high = found["drift_95_mv_per_h"]
        surely = max(low, -high, 0.0)
        near = max(SETTLED_SHARE * abs(final), SETTLED_FLOOR_V * 1e3)
        if surely * found["drift_over_s"] / 3600.0 > near:
            found["settled"], found["time_to_settle_s"] = False, None

    @staticmethod
    def _tempco(found: dict[str, Any], t: FloatArray, bias: FloatArray, sink: FloatArray, rail: FloatArray) -> None:
        fit = tempco_of(t, bias, sink, rail)
        if fit is None:
            return
        found["tempco_mv_per_k"] = _plain(fit.per_k.value)
        found["tempco_95_mv_per_k"] = [_plain(fit.per_k.low), _plain(fit.per_k.high)]
        found["tempco_apart_from_mains"] = fit.per_rail_v is not None
        if fit.per_rail_v is not None:
            found["mains_mv_per_v"] = _plain(fit.per_rail_v.value)
            found["mains_95_mv_per_v"] = [_plain(fit.per_rail_v.low), _plain(fit.per_rail_v.high)]


def _last_stretch(t: FloatArray, longest_break_s: float) -> slice:
    """Return the last unbroken stretch that is long enough for a drift, else the longest."""
    breaks = np.flatnonzero(np.diff(t) > longest_break_s) + 1
    starts, stops = [0, *breaks.tolist()], [*breaks.tolist(), len(t)]
    stretches = [slice(a, b) for a, b in zip(starts, stops, strict=True)]
    long = [s for s in stretches if t[s][-1] - t[s][0] >= 2.0 * _DRIFT_LEAST_S]
    return long[-1] if long else max(stretches, key=lambda s: float(t[s][-1] - t[s][0]))


def _time_of(second: Second, values: FloatArray, extreme: float) -> float:
    """Return when within a second a channel had its extreme, seconds."""
    hits: IndexArray = np.flatnonzero(values == extreme)
    return float(second.frame_t_s[hits[0]])


def _plain(value: float) -> float | None:
    """Return a JSON number of sensible length, None for what is not one."""
    return float(f"{value:.7g}") if math.isfinite(value) else None
