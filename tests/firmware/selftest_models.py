"""What a self-test looks at, as simply as it can be wrong: relay chain, monitors' alerts and clocks, bus wires.

One part can be made faulty by name. The relay itself is worse than a real one:
current in the coil at any instant counts as closed, however short.

Times and levels are those of the relay chain in hardware/: two or more rising
edges fill the pump, it lets go between 14 and 60 ms after the last edge.
Register behaviour: TI INA228 SLYS021A section 7.6, ADS1115 SBAS444D table 8.
"""

from __future__ import annotations

import firmware_fakes as fakes

LATCH, ENABLE, PULSE, AUX, ESTOP, ALERT, COIL = 3, 14, 15, 18, 20, 21, 22
INA_CT_US = (50, 84, 150, 280, 540, 1052, 2074, 4120)
INA_AVERAGES = (1, 4, 16, 64, 128, 256, 512, 1024)
ADS_CONVERSION_US = 1190
# A read of one register over the bus, with what the interpreter needs around it.
TRANSFER_US = 150


class Monitor:
    """Behind the registers of an INA228: conversions that take time, an alert that latches."""

    def __init__(self, clock: fakes.Time, part: fakes.Registers) -> None:
        self.clock, self.part = clock, part
        self.speed = 1.0  # of its oscillator
        self.die_c = 25.0
        self.ready = False
        self.over = False
        self.stuck_bits = 0
        self.mem_ok = True
        self.alert_works = True
        self.drops_out_at: int | None = None
        self._begun_us = clock.us

    def _shunt(self) -> int:
        counts = self.part.registers[4] >> 4
        return counts - 0x100000 if counts & 0x80000 else counts

    def _mode(self) -> int:
        return self.part.registers[1] >> 12

    def cycle_us(self) -> float:
        config = self.part.registers[1]
        mode = config >> 12 & 7
        times = (config >> 9 & 7, config >> 6 & 7, config >> 3 & 7)  # bus, shunt, die
        one = sum(INA_CT_US[times[i]] for i in range(3) if mode >> i & 1)
        return one * INA_AVERAGES[config & 7] / self.speed

    def look(self) -> None:
        since = self.clock.us - self._begun_us
        if self._mode() & 7 and since >= self.cycle_us():
            self.ready = True
        # Without SLOWALERT each single conversion of both is compared.
        single_us = self.cycle_us() / INA_AVERAGES[self.part.registers[1] & 7]
        limit = self.part.registers[0x0C]
        limit = limit - 0x10000 if limit & 0x8000 else limit
        if self._mode() >= 8 and since >= single_us and self._shunt() > limit << 4:
            self.over = True

    def asserted(self) -> bool:
        self.look()
        return self.over and self.alert_works

    def read(self, register: int) -> int:
        if register == self.drops_out_at:
            raise OSError(5, "no acknowledge")
        registers = self.part.registers
        if register == 6:
            return round(self.die_c / 7.8125e-3) & 0xFFFF
        if register != 0x0B:
            # Read in every scan, whose time the bench gives.
            return registers[register] ^ (self.stuck_bits if register == 3 else 0)
        self.clock.us += TRANSFER_US
        self.look()
        value = registers[0x0B] & ~0x41 | self.ready << 1 | self.over << 6 | int(self.mem_ok)
        value |= registers[0x0B] & 0x40
        self.ready = self.over = False
        return value

    def write(self, register: int, value: int) -> None:
        self.look()
        self.part.registers[register] = value
        if register == 1:
            self.ready = False
        if register in (1, 0x0C):
            self._begun_us = self.clock.us


class Converter:
    """Behind the registers of an ADS1115: the result appears when the conversion has ended."""

    def __init__(self, clock: fakes.Time, part: fakes.Registers) -> None:
        self.clock, self.part = clock, part
        self.conversion_us = ADS_CONVERSION_US
        self.stuck_bits = 0
        self._due_us = 0
        self._running = self._result = 0
        part.registers.update({2: 0x8000, 3: 0x7FFF})

    def read(self, register: int) -> int:
        done = self.clock.us >= self._due_us
        if register == 0:
            if done:
                self._result = self.part.registers[0]
            return self._result
        if register == 1:
            return self.part.registers[1] & 0x7FFF | done << 15
        return self.part.registers[register] ^ self.stuck_bits

    def write(self, register: int, value: int) -> None:
        self.part.registers[register] = value
        if register == 1 and value & 0x8000:
            self._due_us = self.clock.us + self.conversion_us


class RelayChain:
    """Pump, switches, latch, emergency stop and coil, behind the pins.

    Attributes:
        faults: names of what is wrong, see the methods.
        closed_us: when current flowed in the coil, in microseconds.
        longest_us: how long it flowed without a break, at most.
    """

    def __init__(self, clock: fakes.Time, monitors: tuple[Monitor, ...], faults: frozenset[str] = frozenset()) -> None:
        self.clock, self.monitors, self.faults = clock, monitors, faults
        self.drop_out_us = 30_000
        if "pump-holds-long" in faults:
            self.drop_out_us = 250_000
        if "pump-lets-go-early" in faults:
            self.drop_out_us = 7_000
        # The sense node falls before the pump lets go of the coil.
        self.sense_share = 0.5
        self.fill = 3
        self.closed_us: list[int] = []
        self.longest_us = 0
        self._since_us: int | None = None
        self._enable = 0
        self._pulse: int | None = 0
        self._gated = 0
        self._rising = 0
        self._edge_us = -(10**9)
        self._set = False
        self._told = False

    # What the pins do

    def attach(self) -> None:
        fakes.Pin.writers.update({ENABLE: self._write_enable, PULSE: self._write_pulse})
        fakes.Pin.readers.update(
            {
                PULSE: lambda level: int("pins-touch" in self.faults and self._enable),
                LATCH: self._read_latch,
                ALERT: self._read_alert,
                COIL: lambda level: self.coil_reads(fakes.Pin.pulls.get(COIL) == fakes.Pin.PULL_UP),
                AUX: lambda level: 1 if "contact-welded" in self.faults else level,
                ESTOP: lambda level: 1 if "estop-pressed" in self.faults else level,
            }
        )

    def _write_enable(self, level: int | None) -> None:
        self._enable = level or 0
        self.look()

    def _write_pulse(self, level: int | None) -> None:
        self._pulse = level
        self.look()

    def _read_alert(self, level: int) -> int:
        low = self._line_low(level)
        if low and not self._told and ALERT in fakes.Pin.handlers:
            self._told = True
            handler, pin = fakes.Pin.handlers[ALERT]
            handler(pin)
        elif not low:
            self._told = False
        self.look()
        return 0 if low else 1

    def _line_low(self, level: int) -> bool:
        if "alert-stuck-high" in self.faults:
            return False
        # Every monitor is asked: each keeps its own time.
        asserted = [monitor.asserted() for monitor in self.monitors]
        return not level or any(asserted) or "alert-stuck-low" in self.faults

    def _read_latch(self, level: int) -> int:
        self.look()
        if "latch-sense-low" in self.faults:
            return 0
        if "latch-sense-high" in self.faults:
            return 1
        return int(self._set) | level

    # What follows

    def look(self) -> None:
        """Work out what conducts now; note current in the coil."""
        enable = self._enable
        pulse = self._pulse or 0
        if "pins-touch" in self.faults:
            # The stronger of two drivers is not known: take the worse.
            enable = pulse = 1 if enable or pulse else 0
        line_low = self._line_low(fakes.Pin.levels[ALERT])
        holds = bool(enable) and "latch-forgets" not in self.faults
        self._set = line_low or (self._set and (holds or "latch-never-releases" in self.faults))
        if "latch-stuck-set" in self.faults:
            self._set = True
        if "latch-stuck-released" in self.faults:
            self._set = False
        gated = pulse if not self._set or "gate-passes" in self.faults else 0
        if gated != self._gated:
            self._gated = gated
            if not self._pumped():
                self._rising = self._rising if self.clock.us - self._edge_us < self.drop_out_us else 0
            self._edge_us = self.clock.us
            self._rising += gated
        if self._pump_conducts() and self._enable_conducts(enable) and self._fed():
            self.closed_us.append(self.clock.us)
            self._since_us = self.clock.us if self._since_us is None else self._since_us
            self.longest_us = max(self.longest_us, self.clock.us - self._since_us)
        elif self._since_us is not None:
            # It may have flowed until just now.
            self.longest_us = max(self.longest_us, self.clock.us - self._since_us)
            self._since_us = None

    def _pumped(self) -> bool:
        if "pump-capacitor-shorted" in self.faults and self._gated:
            return True
        return self._rising >= self.fill and self.clock.us - self._edge_us < self.drop_out_us

    def _pump_conducts(self) -> bool:
        if "pump-open" in self.faults:
            return False
        return "pump-shorted" in self.faults or self._pumped()

    def _enable_conducts(self, enable: int) -> bool:
        if "enable-open" in self.faults:
            return False
        return "enable-shorted" in self.faults or bool(enable)

    def _fed(self) -> bool:
        return not self.faults & {"coil-supply-missing", "coil-open", "estop-pressed"}

    def coil_reads(self, pull_up: bool) -> int:
        self.look()
        if "sense-low" in self.faults:
            return 0
        if "sense-high" in self.faults:
            return 1
        if "sense-open" not in self.faults:
            if self._enable_conducts(self._enable):
                return 0
            if self._pump_conducts() and self._node_is_high() and self._fed():
                return 1
        return 1 if pull_up else 0

    def _node_is_high(self) -> bool:
        if "pump-shorted" in self.faults or ("pump-capacitor-shorted" in self.faults and self._gated):
            return True
        return self.clock.us - self._edge_us < self.sense_share * self.drop_out_us


class Wires:
    """SDA and SCL of one bus, one of them held low by a part.

    Args:
        clocks: clocks after which the part lets SDA go; None: never.
    """

    def __init__(self, sda: int, scl: int, clocks: int | None, clock_line: bool = False) -> None:
        self.sda, self.scl, self.clocks, self.clock_line = sda, scl, clocks, clock_line
        self.held = True
        self.seen = 0
        self._level = 1
        fakes.Pin.readers[sda] = lambda level: 0 if self.held and not clock_line else level
        fakes.Pin.readers[scl] = lambda level: 0 if self.held and clock_line else level
        fakes.Pin.writers[scl] = self._clock

    def _clock(self, level: int | None) -> None:
        if level == 0 and self._level == 1:
            self.seen += 1
            if self.clocks is not None and self.seen >= self.clocks:
                self.held = False
        self._level = 1 if level is None else level


def wire_up(
    clock: fakes.Time, parts: dict[str, fakes.Registers], faults: frozenset[str] = frozenset()
) -> tuple[RelayChain, dict[str, Monitor], dict[str, Converter]]:
    """Put behaviour behind the registers and the pins; return the models."""
    monitors = {name: Monitor(clock, parts[name]) for name in ("pos", "neg")}
    converters = {name: Converter(clock, parts[name]) for name in ("left", "right")}
    for name, model in (*monitors.items(), *converters.items()):
        parts[name].model = model
    chain = RelayChain(clock, tuple(monitors.values()), faults)
    chain.attach()
    return chain, monitors, converters
