"""What is a limit that was exceeded really called?

A current may be what oscillation draws, what a load takes from a DC offset, or what a
bias that ran away asks for; an offset may be a missing rail. The frame itself and the
last two minutes tell which.
"""

from __future__ import annotations

import math
from collections import deque

from benchwarden.analysis.level_watches import Watch
from benchwarden.analysis.notice import trip
from benchwarden.analysis.situation import BIAS, HF, OFFSET, POS_A, SIDES, SINK, Facts
from benchwarden.core.channels import CHANNELS
from benchwarden.core.findings import Finding
from benchwarden.core.samples import FloatArray

HISTORY = 120
_HF_COMPANY_V = 1.0
RAILS = ("positive rail", "negative rail")


class Past:
    """The first frame of each of the last 120 seconds that had one."""

    def __init__(self) -> None:
        self.rows: deque[tuple[float, list[float]]] = deque(maxlen=HISTORY)
        self._index: int | None = None

    def keep(self, t_s: float, index: int, values: list[float]) -> None:
        """Keep a frame if it is the first of its second."""
        if index != self._index:
            self.rows.append((t_s, values))
            self._index = index

    def median(self, channel: int) -> float:
        """Return the median of a channel, leaving out the newest two seconds; 0 when not known."""
        old = sorted(v[channel] for _, v in list(self.rows)[:-2] if v[channel] == v[channel])
        return old[len(old) // 2] if old else 0.0

    def lately(self, channel: int, t_s: float, from_s: float, to_s: float) -> float:
        """Return the median from from_s to to_s before t_s, NaN when not known."""
        old = sorted(v[channel] for t, v in self.rows if t_s - from_s <= t <= t_s - to_s and v[channel] == v[channel])
        return old[len(old) // 2] if old else math.nan


# Cold sets with a lagging spreader reach two and a half times their target (common practice, no source).
AHEAD_TIMES, AHEAD_SHARE = 4.0, 0.8


def lost_rail(values: FloatArray, volts: FloatArray) -> str:
    """Return the rail that is gone or going, "" if both stand: both outputs then lean to the other one."""
    low, high = float(volts.min()), float(volts.max())
    if not high > 5.0 or math.isnan(low):
        return ""
    weak = 0 if volts[0] < volts[1] else 1
    sign = 1.0 if weak else -1.0
    leaning = all(sign * float(values[o]) > 0.3 * high for o in OFFSET)
    if low < 0.2 * high or (leaning and low < 0.85 * high):
        return RAILS[weak]
    return ""


def named(
    watch: Watch,
    t_s: float,
    values: FloatArray,
    volts: FloatArray,
    least: FloatArray,
    past: Past,
    facts: Facts,
    shown: str,
) -> Finding:
    """Return the trip for a limit that was exceeded long enough, under its right name.

    Args:
        values, least: means and minima of the frame, shape (channels,).
        volts: magnitudes of both rails, shape (2,).
        shown: reading, limit and duration in words.
    """
    name = CHANNELS[watch.channel]
    if watch.cause == "over-temperature":
        return trip(
            t_s, watch.cause, SIDES[SINK.index(watch.channel)] if watch.channel in SINK else name, f"{name} {shown}"
        )
    rail = lost_rail(values, volts)
    if rail:
        return trip(t_s, "rail-missing", rail, f"{rail} at {float(volts.min()):.1f} V; {name} {shown}")
    if watch.cause == "dc-offset":
        return trip(t_s, "dc-offset", SIDES[OFFSET.index(watch.channel)], f"{name} {shown}")
    for side, offset in zip(SIDES, OFFSET, strict=True):
        level = abs(float(values[offset]))
        loaded = facts.unit.load_connected and level > 2.0
        if loaded and level / facts.unit.load_ohm > 0.5 * abs(float(values[watch.channel])):
            return trip(t_s, "dc-offset", side, f"{name} {shown}: {level:.1f} V of DC across the {side} load draws it")
    for side, hf in zip(SIDES, HF, strict=True):
        level = float(least[hf])
        if level > max(_HF_COMPANY_V, 4.0 * past.median(hf)):
            return trip(
                t_s, "oscillation", side, f"{name} {shown}, with {level:.2f} V above 100 kHz on the {side} output"
            )
    grown = _grown(t_s, values, past, facts)
    if grown is not None:
        side, words = grown
        return trip(t_s, "thermal-runaway", side, f"{name} {shown}; {words}")
    side = _overbiased(watch.channel, values, volts, facts)
    if side:
        drop = float(values[BIAS[SIDES.index(side)]])
        return trip(t_s, "bias-unstable", side, f"{name} {shown}; it is the bias {side}, {drop * 1e3:.1f} mV")
    place = _side(values, facts) or RAILS[0 if watch.channel == POS_A else 1]
    return trip(t_s, "over-current", place, f"{name} {shown}")


def _overbiased(channel: int, values: FloatArray, volts: FloatArray, facts: Facts) -> str:
    """Return the side whose bias accounts for the current, "" if none: high, but no short."""
    drops = [float(values[b]) for b in BIAS]
    target = facts.target_v
    implied = sum(max(d, 0.0) for d in drops if d == d) * facts.amps_per_bias_v
    high = max(range(2), key=lambda k: drops[k] if drops[k] == drops[k] else -1.0)
    plain = 2.0 * target < drops[high] < 15.0 * target and implied > 0.6 * float(values[channel])
    standing = float(volts.min()) > 0.7 * float(volts.max()) and float(volts.max()) > 0.3 * facts.rail_v
    return SIDES[high] if plain and standing else ""


def is_bias_running_ahead(channel: int, values: FloatArray, volts: FloatArray, facts: Facts) -> bool:
    """Tell whether both drops account for a rail current and neither is more than a warm-up makes of it.

    How long a bias may stay high is for those to say who watch the bias.
    """
    drops = [float(values[b]) for b in BIAS]
    accounted = sum(max(d, 0.0) for d in drops) * facts.amps_per_bias_v
    told = accounted > AHEAD_SHARE * (float(values[channel]) - facts.unit.quiescent_other_a)
    standing = float(volts.min()) > 0.7 * float(volts.max()) > 0.2 * facts.rail_v
    # False where a drop is missing.
    return told and standing and max(drops) < AHEAD_TIMES * facts.target_v


def _side(values: FloatArray, facts: Facts) -> str:
    """Return the side through whose emitter resistor the current goes, "" where that is not clear."""
    drops = [float(values[b]) for b in BIAS]
    for k in range(2):
        if drops[k] > 5.0 * facts.target_v and drops[1 - k] < 0.3 * drops[k]:
            return SIDES[k]
    return ""


def _grown(t_s: float, values: FloatArray, past: Past, facts: Facts) -> tuple[str, str] | None:
    """Tell a current that grew with one bias, step by step, from one that was simply there."""
    rows = [(t, v) for t, v in past.rows if t_s - 60.0 <= t <= t_s - 1.5]
    if len(rows) < 3:
        return None
    for side, bias in zip(SIDES, BIAS, strict=True):
        track = [v[bias] for _, v in rows if v[bias] == v[bias]]
        now = float(values[bias])
        if len(track) < 3 or not now > 2.0 * facts.target_v:
            continue
        steps = [b - a for a, b in zip(track, [*track[1:], now], strict=True)]
        rise = now - min(track)
        # Grown: at least three seconds took part, none of them most of it.
        if rise > 0.5 * now and max(steps) < 0.7 * rise and sum(s > 0.05 * rise for s in steps) >= 3:
            return side, f"bias {side} grew from {min(track) * 1e3:.1f} to {now * 1e3:.1f} mV without a step"
    return None
