"""Builds everything on a board and runs the scan: one slot every 2.5 ms, four slots a scan."""

import gc
import json

import wardenfw
from wardenfw import board as pins
from wardenfw import scale, wire
from wardenfw.burst import Burst
from wardenfw.calibration import Calibration
from wardenfw.commands import Commands, LineReader
from wardenfw.frames import FrameBuilder, FrameRing
from wardenfw.guard import Guard
from wardenfw.interlock import Interlock
from wardenfw.marking import collect_by, one_by_one
from wardenfw.outbox import Outbox
from wardenfw.program import SHORT_DIGITS, ProgramCheck
from wardenfw.ram_test import RamTest
from wardenfw.relay import Relay
from wardenfw.sampler import PARTS, Sampler
from wardenfw.selftest import SelfTest
from wardenfw.sensors.ads1115 import Ads1115
from wardenfw.sensors.ina228 import Ina228
from wardenfw.sensors.ntc import Ntc
from wardenfw.stall import hang, in_words, opened_ms
from wardenfw.ticks import MsClock, sleep_us, ticks_add, ticks_diff, ticks_us
from wardenfw.watch import PIECES

SLOT_US = 2500
SCAN_US = 10_000
SCAN_HZ = 100
SCANS_PER_FRAME = 10
# From the converters' start until the slot that reads them: 1292 us at 860 a
# second less 10 %, and 25 us to wake, less the seven bytes that pass on the bus
# between the two marks. Read earlier, they answer with the input before.
CONVERSION_US = 1170
# A slot's share of sending, bytes. USB takes 64 at a time.
SEND_BYTES = 64
# A collection takes more than a period, and a scan leaves 240 bytes behind: often
# enough to keep 35 kB free.
COLLECT_SCANS = 200
# Scans go ahead of the clock until this much is gained, 3 ms each, so that no
# period is lost to the 13 ms of a collection ...
ROOM_US = 4500
# ... but not for ever.
POSTPONE_SCANS = 50
MEASURE_HEAP_SCANS = 6000
VERIFY_SCANS = 50
# With the relay open: everything anew once an hour, and a piece of the program's files once a second.
SELF_TEST_MS = 3_600_000
PROGRAM_SCANS, PROGRAM_PHASE = 100, 39
SENSOR_EVENT_MS = 100


class App:
    """The firmware on one board.

    `slot()` does one slot's work and returns; `run()` calls it in time for ever.
    A caller of `slot()` must hand an exception to `fail()`, as `run()` does.
    """

    def __init__(self, board):
        self.board = board
        # Before the monitors, whose alert thresholds it shifts.
        self.calibration = Calibration(board.flash, board.board_id())
        self.calibration.load()
        self.relay = Relay(board.enable, board.pulse, board.bypass, board.aux)
        rails_bus, outputs_bus = board.i2c
        self.sampler = Sampler(
            (Ina228(rails_bus, pins.RAIL_POS_ADDRESS, 0), Ina228(rails_bus, pins.RAIL_NEG_ADDRESS, 1)),
            (Ads1115(outputs_bus, pins.OUTPUT_LEFT_ADDRESS), Ads1115(outputs_bus, pins.OUTPUT_RIGHT_ADDRESS)),
            (Ntc(board.adc_sink_left), Ntc(board.adc_sink_right), Ntc(board.adc_ambient)),
            board.recover_bus,
            ticks_us,
        )
        self.clock = MsClock()
        self.guard = Guard()
        self.ring = FrameRing()
        self.builder = FrameBuilder(self.ring)
        self.burst = Burst()
        self.outbox = Outbox(board.port, self.ring)
        self.interlock = Interlock(
            self.relay,
            self.guard,
            self.sampler,
            self._emit,
            self.burst.restart,
            self.burst.trip,
            board.random_u32,
            _is_high(board.alert),
            _is_low(board.estop),
            _is_low(board.button),
            _is_high(board.latch),
        )
        self.reader = LineReader(board.port)
        self.commands = Commands(self, self.reader)
        self.boot = board.random_u32()
        self.scan = 0
        self.overruns = 0
        self.program = ProgramCheck(board.flash)
        ram = RamTest(
            self.sampler.buffers() + self.burst.buffers() + self.guard.history.buffers() + self.ring.buffers()
        )
        self.test = SelfTest(board, self.relay, self.sampler, ram, self.program)
        self._tested_ms = 0
        self._paused = False
        self._slots = self.sampler.slots()
        self._slot = 0
        self._t_ms = 0
        self._bits = 0
        self._slow = 1 << 16
        self._piece = PIECES
        self._missing_since = [-1] * wire.N_CHANNELS
        self._missing_told = [False] * wire.N_CHANNELS
        self._lamp = 0
        self.idle_us = 0
        self.idle_pct = 0
        self.longest_slot_us = 0
        self.collect_us = 0
        self.heap_free = 0
        self.heap_min = 1 << 28
        self._collect_in = COLLECT_SCANS
        self._measure_at = 0
        board.watch_alert(self.relay.on_alert)
        self.self_test(power_on=True)
        self._tell_boot()

    def _emit(self, event, cause, channel, value, limit, text):
        lock = self.interlock
        payload = wire.pack_event(
            self.clock.now() & 0xFFFFFFFF, event, cause, channel, lock.state, lock.stage_id(), value, limit, text
        )
        return self.outbox.event(payload)

    def self_test(self, power_on=False, whole_program=True):
        """Test everything and tell the interlock; the relay is open, the scan stands still for a second or so."""
        test = self.test
        test.run(power_on, whole_program)
        wrong = test.wrong()
        self.interlock.set_selftest(not wrong, ", ".join(wrong))
        self.keep_info()
        self._tested_ms = self.clock.now()
        self._paused = True
        self.collect_soon()

    def _self_test_again(self, t_ms):
        """Test anew once an hour while nothing is asked of the relay; look at the program's files meanwhile."""
        lock = self.interlock
        if lock.state != wire.SAFE or lock.may_work()[0]:
            return
        program = self.program
        if t_ms - self._tested_ms >= SELF_TEST_MS and self.board.estop.value() == 0:
            self.self_test(whole_program=False)
        elif self.scan % PROGRAM_SCANS == PROGRAM_PHASE and program.step() and program.result != "ok":
            self.test.parts["program"] = program.result
            lock.set_selftest(False, "program " + program.result)
            self.keep_info()

    def stall(self, ms):
        """Stop everything but the hardware, to prove that the relay opens without it; see stall.hang."""
        took_ms = hang(self.relay, self.board.keep_word, ms)
        # Still here: the watchdog has not bitten within that time.
        text = "watchdog silent for %d ms; %s" % (ms, in_words(took_ms))
        self.interlock.trip(
            self.clock.now(), wire.CAUSES.index("relay-fault"), wire.NO_CHANNEL, float(took_ms), 0.0, text
        )

    def _tell_boot(self):
        board = self.board
        took_ms = opened_ms(board.kept_word())
        board.keep_word(0)
        text = board.reset_reason()
        if took_ms:
            text += "; " + in_words(took_ms)
        self._emit(wire.EV_BOOT, 0, wire.NO_CHANNEL, float(took_ms), 0.0, text)

    def hello(self):
        lock, outbox = self.interlock, self.outbox
        return {
            "board": self.board.board_id(),
            "fw": wardenfw.VERSION,
            "wire": wire.WIRE_VERSION,
            "mpy": self.board.interpreter(),
            "boot": self.boot,
            "scan_hz": SCAN_HZ,
            "cal": self.calibration.words,
            "cal_crc": self.calibration.crc_hex(),
            "selftest": {
                "ok": lock.selftest_ok,
                "parts": {name: self.test.parts[name] for name in self.test.parts if self.test.parts[name] != "ok"},
                "tested": len(self.test.parts),
            },
            "program": self.program.digest[:SHORT_DIGITS],
            "state": wire.STATES[lock.state],
            "cause": wire.CAUSES[lock.cause],
            "oldest_frame": self.ring.oldest,
            "newest_frame": self.ring.following - 1,
            "newest_event": outbox.newest_event,
            "challenge_ms": wire.CHALLENGE_MS,
            "load": {
                "idle_pct": self.idle_pct,
                "overruns": self.overruns,
                "slot_us": self.longest_slot_us,
                "gc_us": self.collect_us,
                "heap": self.heap_free,
                "heap_min": self.heap_min,
                "bus_errors": self.sampler.errors,
                "bad_lines": self.reader.bad_lines,
            },
        }

    def info(self, topic):
        """Return the bytes of an INFO topic, before they are cut into parts."""
        if topic == wire.CALIBRATION_INFO:
            return self.calibration.record
        return self._info_program if topic == wire.PROGRAM_INFO else self._info_test

    def keep_info(self):
        """Put the last test into words while the relay is open: encoding takes 35 ms (emulated), many slots."""
        self._info_test = json.dumps(self.test.info()).encode()
        self._info_program = json.dumps(self.program.info()).encode()

    def calibrate(self, record):
        """Store a calibration and measure with it; return (answer, text). Relay open only."""
        if self.board.watchdog is not None:
            # Flash takes its time, up to 0.4 s for each sector it erases (W25Q16JV data sheet, from memory).
            self.board.watchdog.feed()
        before = self.calibration.record
        answer, text = self.calibration.store(record)
        if self.calibration.record != before:
            self.interlock.recalibrated(self.calibration.words)
        return answer, text

    def slot(self):
        """Do the work of one slot."""
        relay, lock = self.relay, self.interlock
        relay.tick()
        k = self._slot
        self._t_ms = t_ms = self.clock.now()
        self._slots[k]()
        state = lock.state
        if state == wire.CLOSED or state == wire.CLOSING:
            found = self.guard.check(k, self.sampler.raw, t_ms)
            if found is None and self._slow < 64:
                found = self._slow_limit(t_ms)
            if found is not None:
                lock.trip(t_ms, found[0], found[1], found[2], found[3])
            elif relay.alert_latched:
                lock.alert(t_ms)
            elif k > 1 and self._piece < PIECES:
                self._watch(t_ms)
        # Slot 0 has the most of its own to do, and does nothing else.
        if k > 1 and self.builder.is_busy():
            if self.builder.step():
                self.guard.push(self.builder.fine)
                self.guard.watch.frame(self.builder.fine, self.builder.hf_low)
                self._slow = self._piece = 0
                self.outbox.wake()
        elif k == 1 or k == 2:
            self.commands.step(t_ms)
        if k == 3:
            self._slot = 0
            self._end_scan(t_ms)
        else:
            self._slot = k + 1
        self.outbox.step(t_ms, SEND_BYTES)

    def _slow_limit(self, t_ms):
        i = self._slow
        if i >= self.guard.n_slow():
            self._slow = 1 << 16
            return None
        self._slow = i + 1
        return self.guard.check_slow(i, t_ms)

    def _watch(self, t_ms):
        found = self.guard.watch.step(self._piece)
        self._piece += 1
        if found is not None:
            self.interlock.trip(t_ms, found[0], found[1], found[2], found[3], found[4])

    def _end_scan(self, t_ms):
        lock = self.interlock
        lock.scan(t_ms)
        self._bits = bits = lock.bits()
        self.burst.record(t_ms, bits, self.sampler.raw)
        self.scan += 1
        if self.board.watchdog is not None:
            self.board.watchdog.feed()
        phase = self.scan % SCANS_PER_FRAME
        if phase == 0:
            self.builder.begin(self.sampler.cut(), t_ms, self.scan, lock.stage_id(), self.overruns, lock.state, bits)
        elif phase == 5:
            self._sensors(t_ms)
            self._show(lock.state)
            self.outbox.wake()
        elif phase == 7:
            self.sampler.recover(t_ms)
            if self.scan % VERIFY_SCANS == 7:
                self._verify()
        elif phase == 9:
            self._self_test_again(t_ms)

    def _verify(self):
        part = self.sampler.verify_settings()
        if part is not None:
            text = PARTS[part] + " had lost its settings"
            self._emit(wire.EV_SENSOR, wire.CAUSES.index("sensor-fault"), part, 0.0, 0.0, text)

    def _sensors(self, t_ms):
        """Say once that a channel went missing, and once that it came back."""
        raw = self.sampler.raw
        for i in range(wire.N_CHANNELS):
            if raw[i] != scale.MISSING:
                self._missing_since[i] = -1
                if self._missing_told[i]:
                    self._missing_told[i] = False
                    self._emit(wire.EV_SENSOR, 0, i, scale.to_si(i, raw[i]), 0.0, "back")
            elif self._missing_since[i] < 0:
                self._missing_since[i] = t_ms
            elif not self._missing_told[i] and t_ms - self._missing_since[i] >= SENSOR_EVENT_MS:
                self._missing_told[i] = True
                nan = float("nan")
                self._emit(wire.EV_SENSOR, wire.CAUSES.index("sensor-fault"), i, nan, 0.0, "missing")

    def _show(self, state):
        """Lamp: steady while the coil is driven, slow blink when armed, quick blink after a trip."""
        self._lamp += 1
        if state == wire.CLOSED or state == wire.CLOSING:
            on = 1
        elif state == wire.ARMED:
            on = self._lamp >> 2 & 1
        elif state == wire.SAFE:
            on = 0
        else:
            on = self._lamp & 1
        self.board.lamp.value(on)

    def collect_soon(self):
        """Something has just left much behind."""
        if self._collect_in > 2:
            self._collect_in = 2

    def collect(self):
        """Free what encoding left behind, at a moment of our choosing rather than in the middle of a slot."""
        before = ticks_us()
        collect_by(gc.collect)
        self.collect_us = ticks_diff(ticks_us(), before)

    def measure_heap(self):
        """Note the free heap; walks all of it, hence seldom."""
        free = getattr(gc, "mem_free", None)
        if free is not None:
            self.heap_free = free()
            if self.heap_free < self.heap_min:
                self.heap_min = self.heap_free

    def fail(self, error):
        """Open the relay after a failure of the program, and leave word of it."""
        self.relay.drop()
        self.interlock.trip(
            self._t_ms, wire.CAUSES.index("relay-fault"), wire.NO_CHANNEL, 0.0, 0.0, "firmware: " + repr(error)
        )

    def run(self):
        """Scan for ever; a failure opens the relay and ends in the watchdog's reset."""
        self.board.start_watchdog()
        try:
            self._loop()
        except BaseException as error:  # noqa: BLE001 - whatever it was, the relay opens
            self.fail(error)
            self._last_words()
        while True:
            sleep_us(SLOT_US)

    def _last_words(self):
        for _ in range(200):
            self.outbox.step(self._t_ms, SEND_BYTES)
            sleep_us(1000)

    def _loop(self):
        self.collect()
        self.measure_heap()
        due = ticks_us()
        idle = 0
        idle_slots = 0
        hurry = False
        while True:
            start = ticks_us()
            self.slot()
            end = ticks_us()
            due = ticks_add(due, SLOT_US)
            took = ticks_diff(end, start)
            if took > self.longest_slot_us:
                self.longest_slot_us = took
            if self._slot == 0:
                idle, idle_slots, hurry = self._between_scans(idle, idle_slots, due)
                late = ticks_diff(ticks_us(), due)
                if late >= SCAN_US:
                    # Whole periods are gone; go on in step with the clock.
                    lost = late // SCAN_US
                    # Those of a self-test were given up on purpose.
                    if not self._paused:
                        self.overruns += lost
                    self._paused = False
                    self.scan += lost
                    due = ticks_add(due, lost * SCAN_US)
            now = ticks_us()
            wait = ticks_diff(due, now)
            # A converter started in this slot must have finished by the next.
            least = CONVERSION_US - ticks_diff(now, self.sampler.started_us)
            if wait < least or hurry:
                wait = least
            if wait > 0:
                sleep_us(wait)
                idle += wait
            idle_slots += 1

    def _between_scans(self, idle, idle_slots, due):
        """Collect when it is time; return the idle sums, and whether the coming scan must not wait for the clock."""
        self._collect_in -= 1
        if self._collect_in <= 0:
            early = ticks_diff(due, ticks_us())
            if early < ROOM_US and self._collect_in > -POSTPONE_SCANS:
                return idle, idle_slots, True
            self._collect_in = COLLECT_SCANS
            self._check_rails()
            # The pause is longer than any other: the dead man gets an edge as late before it as can be.
            self.relay.tick()
            self.collect()
            self.idle_pct = idle * 100 // (idle_slots * SLOT_US)
            return 0, 0, False
        if self.scan >= self._measure_at and self._collect_in == 4:
            self._measure_at = self.scan + MEASURE_HEAP_SCANS
            self.measure_heap()
        return idle, idle_slots, self._collect_in == 1

    def _check_rails(self):
        """Look at the rail currents once more, so that the pause that follows adds little to a trip's delay."""
        self.sampler.read_currents()
        if self.interlock.is_energised():
            found = self.guard.check(0, self.sampler.raw, self._t_ms)
            if found is not None:
                self.interlock.trip(self._t_ms, found[0], found[1], found[2], found[3])


def _is_high(pin):
    value = pin.value
    return lambda: value() == 1


def _is_low(pin):
    value = pin.value
    return lambda: value() == 0


def build(board):
    """Return the firmware on `board`, self-tested, relay open."""
    return App(board)


def main():
    """Run on this board; a button held at power-on leaves to the REPL instead, relay open."""
    board = pins.Board()
    if board.button.value() == 0:
        return
    made = build(board)
    one_by_one()
    made.run()
