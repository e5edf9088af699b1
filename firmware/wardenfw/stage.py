"""Is a stage the host asks for one the board accepts, and what are its limits in counts?

A stage is worked through a few limits at a time (`Loader.step`), because the
whole of it would not fit beside a scan. Pure logic.
"""

import struct

from wardenfw import scale, wire
from wardenfw.history import LONG, LONG_MS, LONGEST_SHORT_WINDOW_MS, SHORT, SHORT_MS

# Which of the four slots of a scan reads each channel, in wire.CHANNELS order.
SLOT_OF = (0, 0, 0, 0, 2, 2, 1, 1, 1, 1, 1, 3, 3)
MIN_WINDOW_MS = 200

# A limit as the scan works it: one list, mutable, no attribute look-ups.
CHANNEL, FIRST, LAST, SINCE, MISSING_SINCE, FOR_MS, CAUSE, LOW, HIGH = range(9)
KIND, STEPS, TIER, FINE_LOW, FINE_HIGH, CENTRE = range(9, 15)


class Stage:
    """An accepted stage.

    Attributes:
        fast: per slot, the limits that are held against every sample.
        slow: the limits that are worked out every 100 ms.
        tops: per channel, the largest count that no VALUE limit forbids.
    """

    def __init__(self):
        self.stage_id = 0
        self.limiter_in = True
        self.drive_on = False
        self.fast = ([], [], [], [])
        self.slow = []
        self.tops = [scale.UNBOUNDED] * wire.N_CHANNELS
        self.alert_pos_a = 0.0
        self.alert_neg_a = 0.0


def _entry(channel, kind, cause, low, high, for_ms):
    return [channel, -scale.UNBOUNDED, scale.UNBOUNDED, -1, -1, for_ms, cause, low, high, kind, 0, 0, 0, 0, 0]


class Loader:
    """Works one STAGE payload; `step` until it returns an answer."""

    def __init__(self, payload):
        self._payload = payload
        self._i = 0
        self._count = 0
        self._head = struct.calcsize(wire._STAGE)
        self._bounded = 0  # bit per channel with the bound the board insists on
        self._watched = 0  # bit per channel held against every sample
        self.stage = None

    def _open(self):
        payload = self._payload
        if len(payload) < self._head:
            return wire.R_MALFORMED
        stage_id, bits, count, _, _, alert_pos_a, alert_neg_a = struct.unpack_from(wire._STAGE, payload, 0)
        if count > wire.MAX_LIMITS or len(payload) != self._head + wire.LIMIT_SIZE * count:
            return wire.R_MALFORMED
        # Written so that NaN is refused too.
        if not (0.0 < alert_pos_a <= wire.CEILINGS[0] and 0.0 < alert_neg_a <= wire.CEILINGS[1]):
            return wire.R_CEILING
        stage = Stage()
        stage.stage_id = stage_id
        stage.limiter_in = bool(bits & wire.LIMITER_IN)
        stage.drive_on = bool(bits & wire.DRIVE_ON)
        stage.alert_pos_a = alert_pos_a
        stage.alert_neg_a = alert_neg_a
        self._count = count
        self.stage = stage
        return None

    def _limit(self):
        channel, kind, cause, _, low, high, for_ms, window_ms = struct.unpack_from(
            wire._LIMIT, self._payload, self._head + wire.LIMIT_SIZE * self._i
        )
        if channel >= wire.N_CHANNELS or kind > wire.SPREAD or not 0 < cause < len(wire.CAUSES):
            return wire.R_MALFORMED
        no_low, no_high = low != low, high != high
        if (no_low and no_high) or low > high or for_ms > wire.MAX_FOR_MS:
            return wire.R_MALFORMED
        entry = _entry(channel, kind, cause, low, high, for_ms)
        if kind == wire.VALUE:
            return self._value(entry, no_low, no_high)
        return self._moving(entry, no_low, no_high, window_ms)

    def _value(self, entry, no_low, no_high):
        channel, low, high = entry[CHANNEL], entry[LOW], entry[HIGH]
        top = wire.CEILINGS[channel]
        if not (no_low or -top <= low <= top) or not (no_high or -top <= high <= top):
            return wire.R_CEILING
        entry[FIRST], entry[LAST] = scale.count_bounds(channel, low, high)
        self.stage.fast[SLOT_OF[channel]].append(entry)
        self.stage.tops[channel] = min(self.stage.tops[channel], entry[LAST])
        self._watched |= 1 << channel
        # The negative rail's voltage grows downwards.
        if not (no_low if wire.CHANNELS[channel] == "rail_neg_v" else no_high):
            self._bounded |= 1 << channel
        return None

    def _moving(self, entry, no_low, no_high, window_ms):
        channel = entry[CHANNEL]
        if window_ms < MIN_WINDOW_MS:
            return wire.R_MALFORMED
        if window_ms <= LONGEST_SHORT_WINDOW_MS:
            tier, step_ms = SHORT, SHORT_MS
        else:
            tier, step_ms = LONG, LONG_MS
        steps = (window_ms + step_ms // 2) // step_ms
        unit = scale.fine_per_si(channel)
        if entry[KIND] == wire.RATE:
            unit = unit * steps * step_ms / 1000
        low, high = entry[LOW], entry[HIGH]
        if unit < 0:
            low, high = high, low
            no_low, no_high = no_high, no_low
        # A bound beyond any count is no bound; this also catches infinity.
        entry[FINE_LOW] = -scale.UNBOUNDED if no_low else int(max(-scale.UNBOUNDED, min(scale.UNBOUNDED, low * unit)))
        entry[FINE_HIGH] = scale.UNBOUNDED if no_high else int(max(-scale.UNBOUNDED, min(scale.UNBOUNDED, high * unit)))
        entry[STEPS], entry[TIER] = steps, tier
        if entry[KIND] == wire.SPREAD and scale.SHAPE[channel] != scale.CELSIUS:
            # Its bounds follow the centre; every sample is held against them.
            self.stage.fast[SLOT_OF[channel]].append(entry)
            self._watched |= 1 << channel
        self.stage.slow.append(entry)
        return None

    def _close(self):
        for name in wire.MUST_LIMIT:
            if not self._bounded >> wire.CHANNELS.index(name) & 1:
                return wire.R_MISSING_LIMIT
        # A channel known only by its slope must still not go missing unseen.
        for entry in self.stage.slow:
            channel = entry[CHANNEL]
            if not self._watched >> channel & 1:
                self._watched |= 1 << channel
                nan = float("nan")
                self.stage.fast[SLOT_OF[channel]].append(_entry(channel, wire.VALUE, entry[CAUSE], nan, nan, 0))
        return wire.DONE

    def step(self, limits=2):
        """Work on a few limits; return None while there is more, else the answer (wire.DONE or R_...)."""
        if self.stage is None:
            return self._open()
        for _ in range(limits):
            if self._i == self._count:
                return self._close()
            answer = self._limit()
            if answer is not None:
                return answer
            self._i += 1
        return None


def load(payload):
    """Return (answer, stage) of a whole STAGE payload at once."""
    loader = Loader(payload)
    answer = None
    while answer is None:
        answer = loader.step(wire.MAX_LIMITS)
    return answer, loader.stage
