"""Does every link of the relay chain work? Shown without ever closing the relay.

The coil carries current only while the pump switch and the enable switch both
conduct. The test lets at most one of them conduct at a time, and each step
rests on what the steps before it have seen:

    step                          what it shows                        who could close the relay
    1 mirror contact              mains is open                        -
    2 both off, pull-down: 0      pump switch is off                   -
    3 both off, pull-up: 1        enable switch is off                 -
    4 pulse pin let go, enable    the two pins do not touch            a pump switch that conducts: 2 saw none
      high                                                             and one edge does not fill the pump
    5 enable on, pull-up: 0       enable switch conducts, and the      a pump switch that conducts: 2 saw none
                                  sense wire is whole
    6 enable off, pull-up: 1      enable switch lets go                -
    7 pulses on, enable off: 1    pump, coil, its supply, emergency    an enable switch that conducts: 6, over a
                                  stop                                 wire that 5 has shown to be whole
    8 pulses stopped high: 0      the pump lets go in time             the same
    9 each monitor's threshold    monitor, isolator, alert line,       the same; enable is raised only after the
      below its reading           latch sets, cuts the pulses, holds   pump was seen off and while the latch cuts
                                  while enable is high, releases       the pulses that nobody gives

One wrong part cannot close it. A switch that conducts for ever is seen at 2, 3
or 6, before the other one is driven. A sense wire that is broken hides that,
but then it is the one wrong part and both switches are sound, and 5 finds it
before pulses are given. A latch, alert line or monitor that is wrong cannot
make a switch conduct. A finding of steps 1 to 8 ends the test; one about a
monitor leaves the other one to be tried. Whatever happens both pins end low.

This module and relay.py are the only ones that drive the relay's pins, this
one only while the relay is open.

Between a fall of the sense node and a rise of enable the pump is left to run
empty (REST_MS): the node says that nothing flows, not that nothing could. And
enable is up for two milliseconds at the most, less than any relay takes to move,
should a pump hold for longer than that.

Source: the sequence is that of hardware/, sheet "relay chain"; the times are
simulated on it, thresholds from 1.1 to 2.1 V, pump capacitor once and twice its
value (tests/ngspice/test_relay_chain.py).
"""

from wardenfw.registers import Registers
from wardenfw.sensors.ina228 import DIAG_ALRT, SOVL, VSHUNT
from wardenfw.ticks import sleep_us, ticks_diff, ticks_us

COIL_ENABLE, COIL_PUMP, RELAY_CONTACT, ALERT_LATCH = "coil_enable", "coil_pump", "relay_contact", "alert_latch"
ALERTS = ("alert_pos", "alert_neg")
PARTS = (RELAY_CONTACT, COIL_ENABLE, COIL_PUMP, ALERTS[0], ALERTS[1], ALERT_LATCH)

HALF_PERIOD_US = 2500
LET_GO_MS = 60
# When the sense node falls after the last pulse. That is not yet when the pump
# lets go of the coil: the node follows the gate a threshold lower, and reads low
# while the gate still stands a volt above what the coil needs.
SENSE_FALLS_MS = (4, 40)
# So long the pump is left alone before enable is raised: simulated, up to 63 ms
# of full coil current otherwise, with every part within twice its value.
REST_MS = 150
# A healthy pump conducts after two to four edges, and is full some later.
FILL_MS = 100
FULL_EDGES = 20
# One conversion of shunt and bus, 1.08 ms, the isolator, and as much again.
ALERT_MS = 3
# Gates, latch and isolator take microseconds.
SETTLE_US = 500
# How far below its reading a threshold is put, in its own steps of 5 uV: 80 mA,
# many times the noise of one conversion.
BELOW = 160


class _Finding(Exception):
    """(part, what is wrong, whether the chain can be tested further)."""


class ChainTest:
    """
    Args:
        board: pins `enable`, `pulse`, `alert`, `latch`, `estop`; `coil_reads(pull_up)`,
            `pulse_follows_enable()` and `i2c`.
        relay: relay.Relay, for its contact; the interrupt of the alert line latches there.
        addresses: of the two rail monitors on bus 0, positive first.
        feed: keeps the hardware watchdog quiet.
    """

    def __init__(self, board, relay, addresses, feed):
        self._board = board
        self._relay = relay
        self._addresses = addresses
        self._feed = feed
        self._level = 0
        self.figures = {}

    def run(self, monitors_ok):
        """Return a dict part -> "ok" or what is wrong; `figures` then holds the measured times.

        Args:
            monitors_ok: for each rail monitor, whether it passed its own test and
                converts continuously with its alert latched.
        """
        parts = {}
        self.figures = {}
        try:
            self._contact("before the test")
            self._all_off()
            self._enable_alone()
            self._pulses_alone()
            parts[RELAY_CONTACT] = parts[COIL_ENABLE] = parts[COIL_PUMP] = "ok"
            self._alerts(parts, monitors_ok)
        except _Finding as finding:
            part, said = finding.args
            parts[part] = said
            for other in PARTS:
                parts.setdefault(other, "not tested: %s came first" % part)
        finally:
            self._rest()
        return parts

    # What is driven. Enable and pulses are never given together.

    def _rest(self):
        self._board.enable.value(0)
        self._board.pulse.value(0)
        self._level = 0

    def _run_empty(self):
        """Leave the pump alone until it cannot hold the coil."""
        for _ in range(REST_MS // 10):
            sleep_us(10_000)
            self._feed()

    def _edge(self):
        self._level ^= 1
        self._board.pulse.value(self._level)

    def _contact(self, when):
        if self._relay.contact_closed():
            self._rest()
            raise _Finding(RELAY_CONTACT, "reads closed %s" % when)

    def _pulse_until(self, wanted, limit_ms):
        """Give pulses until the node between the switches reads `wanted`; return the ms it took, None if it did not."""
        board = self._board
        start = edge = ticks_us()
        self._edge()
        while True:
            reads = board.coil_reads(False)
            now = ticks_us()
            if reads == wanted:
                return ticks_diff(now, start) / 1000
            if ticks_diff(now, start) > limit_ms * 1000:
                return None
            if ticks_diff(now, edge) >= HALF_PERIOD_US:
                self._contact("while pulses were given")
                edge = now
                self._edge()
                self._feed()

    def _wait_for_low(self, limit_ms):
        """Return the ms until the node reads low without anything being done, None if it does not."""
        start = ticks_us()
        while True:
            low = not self._board.coil_reads(False)
            took = ticks_diff(ticks_us(), start)
            if low:
                return took / 1000
            if took > limit_ms * 1000:
                return None
            sleep_us(100)

    # The steps.

    def _all_off(self):
        board = self._board
        self._rest()
        # A pump that has just been in use lets go meanwhile; one that does not is broken.
        if self._wait_for_low(LET_GO_MS) is None:
            raise _Finding(COIL_PUMP, "conducts without pulses, or the coil sense wire is shorted high")
        if not board.coil_reads(True):
            raise _Finding(COIL_ENABLE, "conducts while off, or the coil sense wire is shorted low")
        if board.pulse_follows_enable():
            raise _Finding(COIL_ENABLE, "its pin touches the pulse pin")

    def _enable_alone(self):
        board = self._board
        self._run_empty()
        board.enable.value(1)
        sleep_us(SETTLE_US)
        conducts = not board.coil_reads(True)
        self._contact("with enable alone")
        board.enable.value(0)
        sleep_us(SETTLE_US)
        if not conducts:
            raise _Finding(COIL_ENABLE, "does not conduct, or the coil sense wire is broken")
        if not board.coil_reads(True):
            raise _Finding(COIL_ENABLE, "does not let go")

    def _pulses_alone(self):
        board = self._board
        if board.estop.value():
            raise _Finding(COIL_PUMP, "not tested: emergency stop is open")
        if not board.alert.value():
            raise _Finding(COIL_PUMP, "not tested: alert line is low, a rail module unpowered?")
        if board.latch.value():
            raise _Finding(ALERT_LATCH, "is set with the alert line high and enable low")
        filled_ms = self._pulse_until(1, FILL_MS)
        if filled_ms is None:
            raise _Finding(COIL_PUMP, "no voltage behind the coil with pulses: coil supply, coil or pump")
        self.figures["pump_fill_ms"] = filled_ms
        # Stopped high: a shorted pump capacitor would go on holding.
        edges = FULL_EDGES
        while edges > 0 or not self._level:
            sleep_us(HALF_PERIOD_US)
            self._contact("while pulses were given")
            self._edge()
            edges -= 1
        self._feed()
        falls_ms = self._wait_for_low(2 * LET_GO_MS)
        self._rest()
        if falls_ms is None:
            raise _Finding(COIL_PUMP, "still conducts %d ms after the last pulse" % (2 * LET_GO_MS))
        self.figures["pump_falls_ms"] = falls_ms
        least_ms, most_ms = SENSE_FALLS_MS
        if not least_ms <= falls_ms <= most_ms:
            raise _Finding(
                COIL_PUMP,
                "falls %.1f ms after the last pulse, expected %d to %d" % (falls_ms, least_ms, most_ms),
            )

    def _alerts(self, parts, monitors_ok):
        latch = "not tested: no monitor to set it"
        for i in (0, 1):
            if not monitors_ok[i]:
                parts[ALERTS[i]] = "not tested: its monitor failed"
                continue
            monitor = Registers(self._board.i2c[0], self._addresses[i])
            try:
                parts[ALERTS[i]] = self._alert(ALERTS[i], monitor)
            except OSError:
                parts[ALERTS[i]] = "its monitor stopped answering"
            self._rest()
            if parts[ALERTS[i]] == "ok":
                latch = "ok"
        parts[ALERT_LATCH] = latch

    def _alert(self, name, monitor):
        """Move one monitor's threshold below its reading; return "ok" or what is wrong with its alert."""
        board, relay = self._board, self._relay
        threshold = monitor.read(SOVL)
        reading = monitor.read_signed20(VSHUNT) >> 4
        if self._pulse_until(1, FILL_MS) is None:
            raise _Finding(COIL_PUMP, "no voltage behind the coil with pulses, the second time")
        try:
            monitor.write(SOVL, max(reading - BELOW, -32768) & 0xFFFF)
            said_ms = self._wait_for_alert()
            if said_ms is None:
                return "line stays high %d ms after the threshold fell below the reading" % ALERT_MS
            self.figures[name + "_ms"] = said_ms
            self._latch_cuts()
            # Nobody gives pulses; once the pump has run empty enable may rise.
            self._rest()
            self._run_empty()
            board.enable.value(1)
        finally:
            monitor.write(SOVL, threshold)
            monitor.read(DIAG_ALRT)
        sleep_us(SETTLE_US)
        self._contact("with the alert latch set")
        released, held = board.alert.value(), board.latch.value()
        board.enable.value(0)
        sleep_us(SETTLE_US)
        relay.alert_latched = False
        if not released:
            raise _Finding(name, "line stays low after it was cleared")
        if not held:
            raise _Finding(ALERT_LATCH, "forgets the alert while enable is high")
        if board.latch.value():
            raise _Finding(ALERT_LATCH, "does not release with enable low")
        return "ok"

    def _wait_for_alert(self):
        alert = self._board.alert.value
        start = ticks_us()
        while True:
            low = not alert()
            took = ticks_diff(ticks_us(), start)
            if low:
                return took / 1000
            if took > ALERT_MS * 1000:
                return None
            sleep_us(50)

    def _latch_cuts(self):
        """Go on with the pulses: they must not come through any more."""
        sleep_us(SETTLE_US)
        if not self._board.latch.value():
            raise _Finding(ALERT_LATCH, "is not set by the alert line, or its sense wire is shorted low")
        cut_ms = self._pulse_until(0, LET_GO_MS)
        if cut_ms is None:
            raise _Finding(ALERT_LATCH, "does not hold the pulses back")
        self.figures["latch_cut_ms"] = cut_ms
