"""One scan in four slots: which part is read when, and what became of it.

A converter on an output terminal is started in one slot and read in the next.
Counts go into `raw`, scale.MISSING where a part did not answer; sums, minima
and maxima for the next frame are kept beside. Nothing here allocates while
all parts answer.
"""

from array import array

from wardenfw import wire
from wardenfw.scale import MISSING
from wardenfw.sensors.ads1115 import START_BIAS, START_HF, START_OFFSET

ETIMEDOUT = 110
RECOVER_EVERY_MS = 500
LOW_START, HIGH_START = 1 << 28, -(1 << 28)
OK, DOWN, SETTLING = 0, 1, 2
NO_ANSWER = "does not answer"

# Channels in wire.CHANNELS order, by the slot that reads them.
RAIL_CHANNELS = (0, 1, 2, 3)
BIAS_CHANNELS = (6, 7, 8, 9, 10)
OFFSET_CHANNELS = (4, 5)
HF_CHANNELS = (11, 12)
PARTS = ("rail_pos", "rail_neg", "output_left", "output_right", "ntc_left", "ntc_right", "ntc_ambient")
# Per part on a bus: its channels and its bus (0 rails, 1 outputs).
PART_CHANNELS = ((0, 2), (1, 3), (6, 4, 11), (7, 5, 12))
PART_BUS = (0, 0, 1, 1)


class Totals:
    """Sum, minimum, maximum and number of missing samples of every channel."""

    def __init__(self):
        n = wire.N_CHANNELS
        self.total = [0] * n
        self.low = [LOW_START] * n
        self.high = [HIGH_START] * n
        self.missed = [0] * n
        self.scans = 0

    def clear(self):
        total, low, high, missed = self.total, self.low, self.high, self.missed
        for i in range(wire.N_CHANNELS):
            total[i] = missed[i] = 0
            low[i] = LOW_START
            high[i] = HIGH_START
        self.scans = 0


class Sampler:
    """
    Args:
        rails: the two rail monitors, positive first.
        outputs: the two output converters, left first.
        ntcs: sink left, sink right, ambient.
        recover_bus: `recover_bus(bus) -> i2c` ends a stuck transfer and reopens the bus.
        now_us: ticks.ticks_us.

    Attributes:
        raw: counts of the newest samples, by channel.
        started_us: when the converters were last told to start, by now_us.
    """

    def __init__(self, rails, outputs, ntcs, recover_bus, now_us):
        self._rails = rails
        self._outputs = outputs
        self._parts = (rails[0], rails[1], outputs[0], outputs[1])
        self._ntcs = ntcs
        self._recover_bus = recover_bus
        self._now_us = now_us
        self._status = [OK, OK, OK, OK]
        self._stuck = [False, False]
        self._recovered_at = [-RECOVER_EVERY_MS, -RECOVER_EVERY_MS]
        self.raw = array("i", [MISSING] * wire.N_CHANNELS)
        self.totals = Totals()
        self._spare = Totals()
        self.started_us = 0
        self.errors = 0
        self.recoveries = 0
        self._verify = 0

    def slots(self):
        return (self._slot0, self._slot1, self._slot2, self._slot3)

    def cut(self):
        """Return the totals since the last cut; they stay valid until the next but one."""
        done = self.totals
        self.totals = self._spare
        self.totals.clear()
        self._spare = done
        return done

    def _failed(self, part, error):
        self.errors += 1
        self._status[part] = DOWN
        raw = self.raw
        for channel in PART_CHANNELS[part]:
            raw[channel] = MISSING
        # A missing part does not acknowledge; a bus that never answers at all is stuck.
        if error.args and error.args[0] == ETIMEDOUT:
            self._stuck[PART_BUS[part]] = True

    def _take(self, channels):
        raw, totals = self.raw, self.totals
        total, low, high = totals.total, totals.low, totals.high
        for i in channels:
            v = raw[i]
            if v == MISSING:
                totals.missed[i] += 1
                continue
            total[i] += v
            if v < low[i]:
                low[i] = v
            if v > high[i]:
                high[i] = v

    def _slot0(self):
        self._start(START_BIAS, True)
        self._read_rails()
        self._take(RAIL_CHANNELS)

    def read_currents(self):
        """Read both rail currents into `raw` once more, without counting the samples into the frame."""
        raw, status = self.raw, self._status
        for i in (0, 1):
            if not status[i]:
                try:
                    raw[i] = self._rails[i].shunt_counts()
                except OSError as error:
                    self._failed(i, error)

    def _read_rails(self):
        raw, status = self.raw, self._status
        for i in (0, 1):
            part = self._rails[i]
            try:
                if status[i]:
                    self._revive(i, part)
                else:
                    raw[i] = part.shunt_counts()
                    raw[i + 2] = part.bus_counts()
            except OSError as error:
                self._failed(i, error)

    def _revive(self, i, part):
        # A monitor that was away has forgotten its alert threshold, and needs
        # a conversion before its registers mean anything.
        if self._status[i] == DOWN:
            part.configure()
            self._status[i] = SETTLING
        else:
            self._status[i] = OK

    def _start(self, command, retry):
        status = self._status
        for i in (2, 3):
            if status[i] and not retry:
                continue
            try:
                self._parts[i].start(command)
                status[i] = OK
            except OSError as error:
                self._failed(i, error)
        self.started_us = self._now_us()

    def _read_outputs(self, left):
        raw, status = self.raw, self._status
        for i in (2, 3):
            if not status[i]:
                try:
                    raw[left + i - 2] = self._parts[i].counts()
                except OSError as error:
                    self._failed(i, error)

    def _slot1(self):
        self._read_outputs(6)
        self._start(START_OFFSET, False)
        raw, ntcs = self.raw, self._ntcs
        raw[8] = ntcs[0].counts()
        raw[9] = ntcs[1].counts()
        raw[10] = ntcs[2].counts()
        self._take(BIAS_CHANNELS)

    def _slot2(self):
        self._read_outputs(4)
        self._start(START_HF, False)
        self._take(OFFSET_CHANNELS)

    def _slot3(self):
        self._read_outputs(11)
        self._take(HF_CHANNELS)
        self.totals.scans += 1

    def recover(self, t_ms):
        """Free a stuck bus, at most twice a second."""
        for bus in (0, 1):
            if self._stuck[bus] and t_ms - self._recovered_at[bus] >= RECOVER_EVERY_MS:
                self._stuck[bus] = False
                self._recovered_at[bus] = t_ms
                self.recoveries += 1
                self.attach(bus, self._recover_bus(bus))

    def verify_settings(self):
        """Read back one monitor's settings, the other one next time; return its part number if they were lost.

        They are then written anew; the part's readings are missing meanwhile.
        """
        i = self._verify
        self._verify = 1 - i
        if self._status[i]:
            return None
        try:
            if self._rails[i].is_configured():
                return None
            self._rails[i].configure()
            self._status[i] = SETTLING
        except OSError as error:
            self._failed(i, error)
            return None
        return i

    def set_alerts(self, pos_a, neg_a):
        """Set the monitors' own thresholds, amperes; raises OSError."""
        self._rails[0].set_alert(pos_a)
        self._rails[1].set_alert(neg_a)

    def clear_alerts(self):
        """Release both alert outputs; return the part that had latched over-current, or None.

        Raises:
            OSError: a monitor does not answer.
        """
        pos = self._rails[0].clear_alert()
        neg = self._rails[1].clear_alert()
        return 0 if pos else 1 if neg else None

    def latched_alert(self):
        """Release what answers; return (part that had latched over-current, part that is silent), None for neither.

        Asked twice: one disturbed byte does not make a module silent.
        """
        over = silent = None
        for i in (0, 1):
            latched = self._clear_alert_twice(i)
            if latched is None:
                silent = i
            elif latched and over is None:
                over = i
        return over, silent

    def _clear_alert_twice(self, i):
        """Return whether monitor i had latched over-current, None when it does not answer."""
        for _ in (0, 1):
            try:
                return self._rails[i].clear_alert()
            except OSError:
                pass
        return None

    def attach(self, bus, i2c):
        """Give the parts on a bus the bus that was opened anew."""
        for part in range(4):
            if PART_BUS[part] == bus:
                self._parts[part].attach(i2c)

    def identify(self):
        """Return a dict part -> "ok", NO_ANSWER or what is wrong: is every part what it should be?"""
        found = {}
        for i in range(4):
            try:
                answer = self._parts[i].check()
            except OSError as error:
                answer = NO_ANSWER
                self._failed(i, error)
            found[PARTS[i]] = answer
        for i in range(3):
            found[PARTS[4 + i]] = self._ntcs[i].check()
        return found

    def set_up_rail(self, i):
        """Configure a rail monitor and let its alert go; return "ok" or what is wrong. Raises OSError."""
        part = self._rails[i]
        part.configure()
        self._status[i] = SETTLING
        part.clear_alert()
        return "ok" if part.is_configured() else "does not keep its settings"

    def buffers(self):
        """Return (name, typecode, buffer) of what the memory test may write to."""
        return (("samples", "i", self.raw),)
