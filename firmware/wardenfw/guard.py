"""Is any reading outside the present stage's limits? Pure logic on counts.

The answer to a violation is a tuple (cause, channel, value, limit) with value
and limit in SI units; latching the first one is the interlock's business.
"""

import math

from wardenfw import scale, wire
from wardenfw.history import History
from wardenfw.stage import (
    CAUSE,
    CENTRE,
    CHANNEL,
    FINE_HIGH,
    FINE_LOW,
    FIRST,
    FOR_MS,
    HIGH,
    KIND,
    LAST,
    LOW,
    MISSING_SINCE,
    SINCE,
    STEPS,
    TIER,
)
from wardenfw.watch import Watch

MISSING = scale.MISSING
# A limited channel may be silent this long while the relay is closed.
SENSOR_MS = 100
SENSOR_FAULT = wire.CAUSES.index("sensor-fault")


class Guard:
    def __init__(self):
        self.stage = None
        self.history = History(wire.N_CHANNELS)
        self.watch = Watch(self.history)
        self._fast = [[], [], [], []]
        self._slow = []

    def load(self, stage):
        """Enforce another stage from now on."""
        self.stage = stage
        self._fast = stage.fast
        self._slow = stage.slow
        self.watch.load(stage)

    def restart(self):
        """Begin anew at closing: no persistence and no history from before."""
        self.history.restart()
        self.watch.restart()
        for table in self._fast:
            for limit in table:
                limit[SINCE] = limit[MISSING_SINCE] = -1
        for limit in self._slow:
            limit[SINCE] = -1
            if limit[KIND] == wire.SPREAD:
                limit[FIRST], limit[LAST] = -scale.UNBOUNDED, scale.UNBOUNDED

    def check(self, slot, raw, t_ms):
        """Hold the samples this slot has read against their limits; None, or the violation."""
        found = None
        for limit in self._fast[slot]:
            v = raw[limit[0]]
            if limit[1] <= v <= limit[2]:
                if limit[3] >= 0:
                    limit[3] = limit[4] = -1
            elif found is None:
                found = self._outside(limit, v, t_ms)
            else:
                self._outside(limit, v, t_ms)
        return found

    def _outside(self, limit, counts, t_ms):
        if limit[SINCE] < 0:
            limit[SINCE] = t_ms
        channel = limit[CHANNEL]
        if counts == MISSING:
            if limit[MISSING_SINCE] < 0:
                limit[MISSING_SINCE] = t_ms
            if t_ms - limit[MISSING_SINCE] > SENSOR_MS:
                return SENSOR_FAULT, channel, float("nan"), 0.0
            return None
        limit[MISSING_SINCE] = -1
        if t_ms - limit[SINCE] < limit[FOR_MS]:
            return None
        value = scale.to_si(channel, counts)
        if limit[KIND] == wire.SPREAD:
            value -= limit[CENTRE] / scale.fine_per_si(channel) + scale.OFFSET[channel]
        return limit[CAUSE], channel, value, _broken(limit, value)

    def push(self, fine_means):
        """Take one 100 ms mean of every channel, fine units."""
        self.history.push(fine_means)

    def n_slow(self):
        return len(self._slow)

    def check_slow(self, i, t_ms):
        """Work out one slope or jump limit; None, or the violation."""
        if i >= len(self._slow):
            return None
        limit = self._slow[i]
        channel, tier, steps = limit[CHANNEL], limit[TIER], limit[STEPS]
        now = self.history.back(tier, channel, 0)
        if limit[KIND] == wire.RATE:
            then = self.history.back(tier, channel, steps)
        else:
            then = self.history.mean(tier, channel, steps)
            if scale.SHAPE[channel] != scale.CELSIUS:
                self._centre(limit, then)
                return None
        if now == MISSING or then == MISSING:
            return None
        moved = now - then
        if limit[FINE_LOW] <= moved <= limit[FINE_HIGH]:
            limit[SINCE] = -1
            return None
        if limit[SINCE] < 0:
            limit[SINCE] = t_ms
        if t_ms - limit[SINCE] < limit[FOR_MS]:
            return None
        value = moved / scale.fine_per_si(channel)
        if limit[KIND] == wire.RATE:
            value /= steps * (0.1 if tier == 0 else 1.0)
        return limit[CAUSE], channel, value, _broken(limit, value)

    def _centre(self, limit, centre):
        if centre == MISSING:
            limit[FIRST], limit[LAST] = -scale.UNBOUNDED, scale.UNBOUNDED
            return
        limit[CENTRE] = centre
        low, high = limit[FINE_LOW], limit[FINE_HIGH]
        if scale.SHAPE[limit[CHANNEL]] == scale.PEAK:
            limit[FIRST] = -scale.UNBOUNDED if low == -scale.UNBOUNDED else math.ceil(scale.peak_counts(centre + low))
            limit[LAST] = scale.UNBOUNDED if high == scale.UNBOUNDED else math.floor(scale.peak_counts(centre + high))
            return
        fine = scale.FINE_PER_COUNT
        limit[FIRST] = -((-centre - low) // fine)
        limit[LAST] = (centre + high) // fine

    def holds_readings(self, stage, means):
        """Return the first VALUE limit of `stage` that present means already break, or None.

        Args:
            means: last 100 ms mean counts of every channel, MISSING where there is none.
        """
        for table in stage.fast:
            for limit in table:
                v = means[limit[CHANNEL]]
                if limit[KIND] == wire.VALUE and v != MISSING and not limit[FIRST] <= v <= limit[LAST]:
                    value = scale.to_si(limit[CHANNEL], v)
                    return limit[CAUSE], limit[CHANNEL], value, _broken(limit, value)
        return None


def _broken(limit, value):
    """Return the side of the limit that the value is beyond."""
    low, high = limit[LOW], limit[HIGH]
    if low != low:
        return high
    if high != high:
        return low
    return low if value < (low + high) / 2 else high
