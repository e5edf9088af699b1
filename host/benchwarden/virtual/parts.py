"""What a part on the bus answers: register models of the sense parts, from their datasheets.

Each model holds a part's registers, converts the true voltage at its pins with
a seeded gain and offset error, noise and quantisation, takes the part's own
time over it, and answers the same over the fake bus and over a byte-by-byte
bus emulator (`ByteTarget`). They are stricter than the parts: a read of the
wrong length or a write to a read-only register raises Misuse.

Not modelled: settling of the multiplexer, errors that drift with temperature,
aliasing (a conversion sees the terminals at the instant it is read out), the
comparator pin of the ADS1115, high-speed bus mode, and the order of channels
within one INA228 sequence (all its results appear at the end of the sequence).

Sources:
    INA228: SLYS021A register tables, worked example of SLYS023A table 8-4;
    noise-free bits against conversion time from memory of the same sheet.
    ADS1115: SBAS444D; noise of about one LSB at 860 SPS from memory of the sheet.
    NTC: Vishay NTCLE100E3...103 coefficients (document 29049).
    RP2040 converter: 12 bits, 8.7 effective (RP2040 datasheet, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Protocol

import numpy as np

Volts = Callable[[], float]
Buffer = bytearray | memoryview

_BLOCK = 4096


class Misuse(BaseException):
    """The firmware did what no firmware should; not an Exception, so that it cannot be swallowed."""


class NowUs(Protocol):
    """Anything that knows the time in microseconds: the virtual clock, or an emulator's."""

    @property
    def now_us(self) -> int: ...


def normal_noise(rng: np.random.Generator) -> Callable[[], float]:
    """Return a draw of standard normal noise; blocks are drawn ahead, one call costs a list step."""

    def stream() -> Iterator[float]:
        while True:
            yield from rng.standard_normal(_BLOCK).tolist()

    return stream().__next__


class RegisterPart:
    """What every addressed part shares: a register pointer, and being plugged in."""

    def __init__(self) -> None:
        self.connected = True
        self.pointer = 0

    def power_cycle(self) -> None:
        """The part lost its supply and got it back: it knows nothing of what it was told."""
        self.pointer = 0

    def size(self, register: int) -> int:
        raise NotImplementedError

    def read_register(self, register: int) -> int:
        raise NotImplementedError

    def write_register(self, register: int, value: int) -> None:
        raise NotImplementedError

    def read_into(self, buf: Buffer) -> None:
        """A read transfer of len(buf) bytes from the register pointer; one byte only asks who is there."""
        size = self.size(self.pointer)
        if len(buf) == 1:
            buf[0] = self.read_register(self.pointer) >> 8 * (size - 1) & 0xFF
            return
        if len(buf) != size:
            raise Misuse(f"register {self.pointer:02X}h holds {size} bytes, {len(buf)} read")
        buf[:] = self.read_register(self.pointer).to_bytes(size, "big")

    def write(self, data: bytes | bytearray | memoryview) -> None:
        """A write transfer: the register pointer, then whole registers."""
        if not len(data):
            return
        self.pointer = data[0]
        size = self.size(self.pointer)
        if len(data) == 1:
            return
        if len(data) != 1 + size:
            raise Misuse(f"register {self.pointer:02X}h holds {size} bytes, {len(data) - 1} written")
        self.write_register(self.pointer, int.from_bytes(bytes(data[1:]), "big"))


class ByteTarget:
    """One part seen byte by byte, as a bus emulator calls its targets: start, write, read, stop."""

    def __init__(self, part: RegisterPart) -> None:
        self._part = part
        self._first = True
        self._buf = bytearray()
        self._out: list[int] = []

    def start(self, read: bool) -> bool:
        """Address byte; False leaves it unacknowledged."""
        if not self._part.connected:
            return False
        self._first, self._buf = not read, bytearray()
        if read:
            size = self._part.size(self._part.pointer)
            self._out = list(self._part.read_register(self._part.pointer).to_bytes(size, "big"))
        return True

    def write(self, byte: int) -> bool:
        if self._first:
            self._part.pointer, self._first = byte, False
            return True
        self._buf.append(byte)
        if len(self._buf) == self._part.size(self._part.pointer):
            self._part.write_register(self._part.pointer, int.from_bytes(self._buf, "big"))
            self._buf = bytearray()
        return True

    def read(self) -> int:
        return self._out.pop(0) if self._out else 0xFF

    def stop(self) -> None:
        pass


# Register addresses of the INA228.
CONFIG, ADC_CONFIG, SHUNT_CAL, SHUNT_TEMPCO, VSHUNT, VBUS, DIETEMP, CURRENT, POWER, ENERGY, CHARGE = range(11)
DIAG_ALRT, SOVL, SUVL, BOVL, BUVL, TEMP_LIMIT, PWR_LIMIT = range(0x0B, 0x12)
MANUFACTURER_ID, DEVICE_ID = 0x3E, 0x3F

_INA_RESET: dict[int, int] = {
    CONFIG: 0,
    ADC_CONFIG: 0xFB68,
    SHUNT_CAL: 0x1000,
    SHUNT_TEMPCO: 0,
    DIAG_ALRT: 0x0001,
    SOVL: 0x7FFF,
    SUVL: 0x8000,
    BOVL: 0x7FFF,
    BUVL: 0,
    TEMP_LIMIT: 0x7FFF,
    PWR_LIMIT: 0xFFFF,
    MANUFACTURER_ID: 0x5449,
    DEVICE_ID: 0x2281,
}
_INA_SIZE = dict.fromkeys((*_INA_RESET, DIETEMP), 2)
_INA_SIZE.update({VSHUNT: 3, VBUS: 3, CURRENT: 3, POWER: 3, ENERGY: 5, CHARGE: 5})
_INA_WRITABLE = {
    CONFIG: 0x3FF0,
    ADC_CONFIG: 0xFFFF,
    SHUNT_CAL: 0x7FFF,
    SHUNT_TEMPCO: 0x3FFF,
    DIAG_ALRT: 0xF000,
    SOVL: 0xFFFF,
    SUVL: 0xFFFF,
    BOVL: 0x7FFF,
    BUVL: 0x7FFF,
    TEMP_LIMIT: 0xFFFF,
    PWR_LIMIT: 0xFFFF,
}
CONVERSION_US = (50, 84, 150, 280, 540, 1052, 2074, 4120)
AVERAGES = (1, 4, 16, 64, 128, 256, 512, 1024)
# Noise-free bits of the +-163.84 mV range without averaging, by conversion time.
_NOISE_FREE_BITS = (12.5, 12.7, 13.4, 14.1, 14.7, 15.1, 15.5, 15.9)

ALATCH, CNVR, SLOWALERT, APOL = 0x8000, 0x4000, 0x2000, 0x1000
MATHOF, TMPOL, SHNTOL, SHNTUL, BUSOL, BUSUL, POL, CNVRF, MEMSTAT = 0x200, 0x80, 0x40, 0x20, 0x10, 0x08, 0x04, 0x02, 0x01
_LIMIT_FLAGS = TMPOL | SHNTOL | SHNTUL | BUSOL | BUSUL | POL

SHUNT_LSB_V = (312.5e-9, 78.125e-9)  # ADCRANGE 0, 1
BUS_LSB_V = 195.3125e-6
DIETEMP_LSB_C = 7.8125e-3
_MAX_20 = (1 << 19) - 1


def _signed16(value: int) -> int:
    return value - 0x10000 if value & 0x8000 else value


def _clamp20(counts: int) -> int:
    return -_MAX_20 - 1 if counts < -_MAX_20 - 1 else _MAX_20 if counts > _MAX_20 else counts


class Ina228(RegisterPart):
    """Shunt and bus monitor.

    Args:
        clock: tells the time; conversions run on it.
        shunt_v: true voltage across the sense pins, volts.
        bus_v: true voltage at the bus pin, volts.
        rng: seeds this part's errors and its noise.
        on_alert: called with the alert pin's new level (True: released high)
            when it changes.
        die_c: temperature of the die, degrees Celsius; 25 if None.

    Attributes:
        alert_high: level of the open-drain alert pin with its pull-up.
        on_limits: called after a limit was written, so that the clock's owner asks `alert_due_us` anew.
        time_factor: its own microsecond, in true ones; set before conversions begin.
    """

    def __init__(
        self,
        clock: NowUs,
        shunt_v: Volts,
        bus_v: Volts,
        rng: np.random.Generator,
        on_alert: Callable[[bool], None] | None = None,
        die_c: Volts | None = None,
    ) -> None:
        super().__init__()
        self._clock = clock
        self._shunt_v = shunt_v
        self._bus_v = bus_v
        self._die_c = die_c
        self._on_alert = on_alert
        self._noise = normal_noise(rng)
        # Three sigma of a part is its data sheet maximum: +-1 uV, +-0.05 %, +-2.5 mV, +-0.05 %.
        self.shunt_offset_v = float(rng.normal(0, 0.33e-6))
        self.shunt_gain = 1 + float(rng.normal(0, 0.17e-3))
        self.bus_offset_v = float(rng.normal(0, 0.83e-3))
        self.bus_gain = 1 + float(rng.normal(0, 0.17e-3))
        self.alert_high = True
        self.on_limits: Callable[[], None] | None = None
        self.time_factor = 1.0
        self._reset()

    def power_cycle(self) -> None:
        super().power_cycle()
        self._reset()

    def reverse_shunt(self) -> None:
        """Swap the leads of the shunt."""
        shunt_v = self._shunt_v
        self._shunt_v = lambda: -shunt_v()

    def _reset(self) -> None:
        self._regs = dict(_INA_RESET)
        self._shunt_counts = self._bus_counts = self._die_counts = 0
        self._energy = self._charge = 0.0
        self._flags = 0
        self._range = 0
        self._start_conversions()
        self._drive_alert()

    def size(self, register: int) -> int:
        size = _INA_SIZE.get(register)
        if size is None:
            raise Misuse(f"INA228 has no register {register:02X}h")
        return size

    # Conversions

    def _start_conversions(self) -> None:
        config = self._regs[ADC_CONFIG]
        mode = config >> 12
        self._has_bus, self._has_shunt, self._has_die = bool(mode & 1), bool(mode & 2), bool(mode & 4)
        shunt_ct = config >> 6 & 7
        once = 0
        if self._has_bus:
            once += CONVERSION_US[config >> 9 & 7]
        if self._has_shunt:
            once += CONVERSION_US[shunt_ct]
        if self._has_die:
            once += CONVERSION_US[config >> 3 & 7]
        once = round(once * self.time_factor)
        self._triggered = mode < 8
        self._average = AVERAGES[config & 7]
        # A limit is compared after every conversion unless SLOWALERT asks for the average.
        self._once_us = once
        self._cycle_us = once * self._average
        full_scale_v = 2 * (_MAX_20 + 1) * SHUNT_LSB_V[self._range]
        bits = _NOISE_FREE_BITS[shunt_ct] - (2.0 if self._range else 0.0)
        self._shunt_noise_v = full_scale_v / 2**bits / 6.6
        # 163.84 mV and 85 V pass through converters of the same resolution.
        self._bus_noise_v = 2 * 102.4 / 2 ** _NOISE_FREE_BITS[config >> 9 & 7] / 6.6
        self._next_us = self._clock.now_us + self._cycle_us if once else 1 << 62
        self._next_alert_us = self._clock.now_us + once if once else 1 << 62
        self._set_quiet()

    def _set_quiet(self) -> None:
        """Work out between which true voltages no conversion can trip the shunt's limits."""
        regs = self._regs
        lsb_v = SHUNT_LSB_V[self._range] * 16
        room_v = 7 * self._shunt_noise_v
        self._quiet_high_v = (_signed16(regs[SOVL]) * lsb_v - room_v - self.shunt_offset_v) / self.shunt_gain
        self._quiet_low_v = (_signed16(regs[SUVL]) * lsb_v + room_v - self.shunt_offset_v) / self.shunt_gain
        self._shunt_only = (
            regs[BOVL] == 0x7FFF and not regs[BUVL] and regs[PWR_LIMIT] == 0xFFFF and regs[TEMP_LIMIT] == 0x7FFF
        )

    def _convert(self, average: int) -> tuple[int, int]:
        share = 1.0 if average == 1 else 1 / math.sqrt(average)
        noise = self._noise
        shunt = self._shunt_v() * self.shunt_gain + self.shunt_offset_v + noise() * self._shunt_noise_v * share
        bus = self._bus_v() * self.bus_gain + self.bus_offset_v + noise() * self._bus_noise_v * share
        shunt_counts = round(shunt / SHUNT_LSB_V[self._range])
        bus_counts = round(bus / BUS_LSB_V)
        if not -524288 <= shunt_counts <= 524287:
            shunt_counts = _clamp20(shunt_counts)
        # The bus reading is never negative; above the pin's range it saturates at 102.4 V.
        if not 0 <= bus_counts <= 524287:
            bus_counts = 0 if bus_counts < 0 else _MAX_20
        return shunt_counts, bus_counts

    def _update(self) -> None:
        """Take the newest conversion that has ended by now into the result registers."""
        now_us, cycle_us = self._clock.now_us, self._cycle_us
        done = 1 if self._triggered else (now_us - self._next_us) // cycle_us + 1
        shunt_counts, bus_counts = self._convert(self._average)
        if self._has_shunt:
            self._shunt_counts = shunt_counts
        if self._has_bus:
            self._bus_counts = bus_counts
        if self._has_die:
            die_c = self._die_c() if self._die_c else 25.0
            self._die_counts = max(-0x8000, min(0x7FFF, round(die_c / DIETEMP_LSB_C)))
        elapsed_s = done * cycle_us * 1e-6
        self._charge += self._shunt_counts * elapsed_s
        self._energy += abs(self._shunt_counts) * self._bus_counts * elapsed_s
        self._flags |= CNVRF
        self._next_us = 1 << 62 if self._triggered else self._next_us + done * cycle_us
        # The alert looks at the same result when nothing is averaged.
        if self._average == 1 or self._regs[DIAG_ALRT] & SLOWALERT:
            self._next_alert_us = self._next_us
            self._compare(self._shunt_counts, self._bus_counts)
        elif self._regs[DIAG_ALRT] & CNVR:
            self._drive_alert()

    def _compare(self, shunt_counts: int, bus_counts: int) -> None:
        regs = self._regs
        flags = 0
        # Limits of the shunt are in steps of 16 result LSB, those of the bus likewise.
        if self._has_shunt:
            if shunt_counts > _signed16(regs[SOVL]) << 4:
                flags |= SHNTOL
            if shunt_counts < _signed16(regs[SUVL]) << 4:
                flags |= SHNTUL
        if self._has_bus:
            if bus_counts > regs[BOVL] << 4:
                flags |= BUSOL
            if bus_counts < regs[BUVL] << 4:
                flags |= BUSUL
            if self._has_shunt and regs[PWR_LIMIT] != 0xFFFF and self._power_counts() > regs[PWR_LIMIT] << 8:
                flags |= POL
        if self._has_die and self._die_counts > _signed16(regs[TEMP_LIMIT]):
            flags |= TMPOL
        if regs[DIAG_ALRT] & ALATCH:
            flags |= self._flags
        self._flags = self._flags & ~_LIMIT_FLAGS | flags & _LIMIT_FLAGS
        self._drive_alert()

    def _drive_alert(self) -> None:
        wanted = _LIMIT_FLAGS | (CNVRF if self._regs[DIAG_ALRT] & CNVR else 0)
        asserted = bool(self._flags & wanted)
        high = asserted == bool(self._regs[DIAG_ALRT] & APOL)
        if high != self.alert_high:
            self.alert_high = high
            if self._on_alert is not None:
                self._on_alert(high)

    def alert_due_us(self) -> int | None:
        """When the next conversion that may move a limit flag ends; None when none can.

        The owner of the clock asks this after each step of the physics, so that
        quiet conversions need not be run one by one.
        """
        if not self.connected:
            return None
        shunt_v = self._shunt_v()
        if self._quiet_low_v < shunt_v < self._quiet_high_v and not self._flags & _LIMIT_FLAGS and self._shunt_only:
            return None
        regs = self._regs
        near = not self._quiet_low_v < shunt_v < self._quiet_high_v
        if not near and (regs[BOVL] != 0x7FFF or regs[BUVL]):
            bus_v = self._bus_v() * self.bus_gain + self.bus_offset_v
            room_v = 7 * self._bus_noise_v
            near = bus_v + room_v > regs[BOVL] * BUS_LSB_V * 16 or bus_v - room_v < regs[BUVL] * BUS_LSB_V * 16
        if near or regs[PWR_LIMIT] != 0xFFFF or regs[TEMP_LIMIT] != 0x7FFF or self._flags & _LIMIT_FLAGS:
            now_us = self._clock.now_us
            if self._next_alert_us >= 1 << 62:
                return None
            if self._next_alert_us <= now_us:
                # Conversions nobody looked at: their limits could not have tripped.
                self._next_alert_us += ((now_us - self._next_alert_us) // self._once_us + 1) * self._once_us
            return self._next_alert_us
        return None

    def run_alert(self) -> None:
        """Run the conversion announced by `alert_due_us`."""
        if self._clock.now_us < self._next_alert_us:
            return
        if self._average == 1 or self._regs[DIAG_ALRT] & SLOWALERT:
            if self._clock.now_us >= self._next_us:
                self._update()
            return
        self._next_alert_us += self._once_us
        self._compare(*self._convert(1))

    # Registers

    def _current_counts(self) -> int:
        cal = self._regs[SHUNT_CAL]
        # CURRENT_LSB x R_SHUNT = SHUNT_CAL / 13107.2e6, hence counts x 4096 / SHUNT_CAL (4 x for ADCRANGE 1).
        return _clamp20(round(self._shunt_counts * 4096 / cal)) if cal else 0

    def _power_counts(self) -> int:
        # POWER LSB is 3.2 x CURRENT LSB: volts / 3.2 = bus counts / 16384.
        return min(0xFFFFFF, abs(self._current_counts()) * self._bus_counts >> 14)

    def read_into(self, buf: Buffer) -> None:
        pointer = self.pointer
        if pointer in (CURRENT, VBUS, VSHUNT):
            # The scan reads these thousands of times a second.
            if self._clock.now_us >= self._next_us:
                self._update()
            if pointer == VSHUNT:
                value = self._shunt_counts
            elif pointer == VBUS:
                value = self._bus_counts
            else:
                value = self._current_counts()
            if len(buf) != 3:
                super().read_into(buf)
                return
            buf[:] = (value << 4 & 0xFFFFFF).to_bytes(3, "big")
            return
        super().read_into(buf)

    def read_register(self, register: int) -> int:
        self.size(register)
        if self._clock.now_us >= self._next_us:
            self._update()
        if register == VSHUNT:
            return self._shunt_counts << 4 & 0xFFFFFF
        if register == VBUS:
            return self._bus_counts << 4 & 0xFFFFFF
        if register == DIETEMP:
            return self._die_counts & 0xFFFF
        if register == CURRENT:
            return self._current_counts() << 4 & 0xFFFFFF
        if register == POWER:
            return self._power_counts()
        if register in (ENERGY, CHARGE):
            # Sums of shunt counts; the calibration in force scales them. An
            # energy step is 16 power steps.
            cal = self._regs[SHUNT_CAL]
            total = self._charge if register == CHARGE else self._energy / (16384 * 16)
            return int(total * 4096 / cal) & 0xFFFFFFFFFF if cal else 0
        if register == DIAG_ALRT:
            value = self._regs[DIAG_ALRT] | self._flags
            # Reading clears the conversion flag, and the limit flags where they latch.
            self._flags &= ~CNVRF
            if value & ALATCH:
                self._flags &= ~_LIMIT_FLAGS
            self._drive_alert()
            return value
        return self._regs[register]

    def write_register(self, register: int, value: int) -> None:
        mask = _INA_WRITABLE.get(register)
        if mask is None:
            raise Misuse(f"INA228 register {register:02X}h is read-only")
        if register == CONFIG and value & 0x8000:
            self._reset()
            return
        if register == CONFIG and value & 0x4000:
            self._energy = self._charge = 0.0
        self._regs[register] = self._regs[register] & ~mask | value & mask
        if register == CONFIG:
            self._range = value >> 4 & 1
        if register in (ADC_CONFIG, CONFIG):
            self._flags &= ~CNVRF
            self._start_conversions()
        elif register == DIAG_ALRT:
            self._drive_alert()
        else:
            self._set_quiet()
            if self.on_limits is not None:
                self.on_limits()


# Register addresses of the ADS1115.
ADS_CONVERSION, ADS_CONFIG, ADS_LO_THRESH, ADS_HI_THRESH = range(4)
ADS_CONFIG_RESET = 0x8583
ADS_RANGE_V = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256)
ADS_RATE_SPS = (8, 16, 32, 64, 128, 250, 475, 860)
MUX_0_1, MUX_0_3, MUX_1_3, MUX_2_3, MUX_0, MUX_1, MUX_2, MUX_3 = range(8)
_ADS_SUPPLY_V = 3.3
_ADS_WAKE_US = 25


# Source, single input, counts per volt, noise in counts, conversion time, and
# whether conversions go on by themselves.
_Plan = tuple[Volts, bool, float, float, int, bool]


def _grounded() -> float:
    return 0.0


_IDLE: _Plan = (_grounded, False, 0.0, 0.0, 0, False)


class Ads1115(RegisterPart):
    """Four-input converter, single shot or continuous.

    Args:
        clock: tells the time; conversions run on it.
        inputs: true voltage by multiplexer code (MUX_0_1 and so on), volts; a
            code that is not there reads grounded inputs.
        rng: seeds this part's errors and its noise.
    """

    def __init__(self, clock: NowUs, inputs: Mapping[int, Volts], rng: np.random.Generator) -> None:
        super().__init__()
        self._clock = clock
        self._inputs = dict(inputs)
        self._noise = normal_noise(rng)
        # Offset +-1 LSB at the +-2.048 V range is usual, +-3 the maximum; gain 0.01 % usual.
        self.offset_lsb = float(rng.normal(0, 0.7))
        self.gain = 1 + float(rng.normal(0, 1e-4))
        # The oscillator of the part is good for +-10 %.
        self._period_factor = 1 + float(rng.uniform(-0.08, 0.08))
        self._plans: dict[int, _Plan] = {}
        self.power_cycle()

    def power_cycle(self) -> None:
        super().power_cycle()
        self._config = ADS_CONFIG_RESET & 0x7FFF
        self._result = 0
        self._thresholds = {ADS_LO_THRESH: 0x8000, ADS_HI_THRESH: 0x7FFF}
        self._done_us = -1  # of the conversion under way; -1: idle
        self._running = _IDLE  # of the conversion under way

    def rewire(self, inputs: Mapping[int, Volts]) -> None:
        """Put other voltages on the inputs."""
        self._inputs = dict(inputs)
        self._plans.clear()

    def size(self, register: int) -> int:
        if not 0 <= register <= 3:
            raise Misuse(f"ADS1115 has no register {register:02X}h")
        return 2

    def conversion_us(self, config: int) -> int:
        return math.ceil(1e6 / ADS_RATE_SPS[config >> 5 & 7] * self._period_factor)

    def _plan(self, config: int) -> _Plan:
        """Return what a setting means."""
        plan = self._plans.get(config)
        if plan is None:
            pga, rate = config >> 9 & 7, config >> 5 & 7
            # One LSB of noise at the most sensitive range and full rate, half of one elsewhere;
            # slower rates average more.
            plan = self._plans[config] = (
                self._inputs.get(config >> 12 & 7, _grounded),
                bool(config & 0x4000),
                self.gain * 32768 / ADS_RANGE_V[pga],
                (1.0 if pga >= 5 else 0.5) * math.sqrt(ADS_RATE_SPS[rate] / 860),
                self.conversion_us(config),
                not config & 0x0100,
            )
        return plan

    def _finish(self) -> None:
        """Take the conversion that has ended by now into the result register."""
        source, single, per_volt, noise_lsb, period_us, continuous = self._running
        volts = source()
        if single and not -0.3 <= volts <= _ADS_SUPPLY_V + 0.3:
            # A single input is clamped to the supply by its protection diodes.
            volts = -0.3 if volts < 0 else _ADS_SUPPLY_V + 0.3
        counts = round(volts * per_volt + self.offset_lsb + self._noise() * noise_lsb)
        if not -32768 <= counts <= 32767:
            counts = -32768 if counts < 0 else 32767
        self._result = counts & 0xFFFF
        if continuous:
            # What it was told meanwhile holds from the next conversion on.
            self._running = self._plan(self._config)
            continuous = self._running[5]
        if continuous:
            self._done_us += ((self._clock.now_us - self._done_us) // period_us + 1) * period_us
        else:
            self._done_us = -1

    def write(self, data: bytes | bytearray | memoryview) -> None:
        if len(data) != 3 or data[0] != ADS_CONFIG:
            super().write(data)
            return
        # The scan starts a conversion in three of four slots.
        self.pointer = ADS_CONFIG
        now_us = self._clock.now_us
        if 0 <= self._done_us <= now_us:
            self._finish()
        self._config = config = (data[1] & 0x7F) << 8 | data[2]
        # While a conversion runs, asking for another has no effect.
        if self._done_us < 0 and (data[1] & 0x80 or not config & 0x0100):
            self._running = plan = self._plans.get(config) or self._plan(config)
            self._done_us = now_us + _ADS_WAKE_US + plan[4]

    def read_into(self, buf: Buffer) -> None:
        if self.pointer == ADS_CONVERSION and len(buf) == 2:
            if 0 <= self._done_us <= self._clock.now_us:
                self._finish()
            buf[0] = self._result >> 8
            buf[1] = self._result & 0xFF
            return
        super().read_into(buf)

    def read_register(self, register: int) -> int:
        self.size(register)
        if 0 <= self._done_us <= self._clock.now_us:
            self._finish()
        if register == ADS_CONVERSION:
            return self._result
        if register == ADS_CONFIG:
            busy = self._done_us >= 0
            return self._config | (0 if busy else 0x8000)
        return self._thresholds[register]

    def write_register(self, register: int, value: int) -> None:
        if register != ADS_CONFIG:
            self.size(register)
            if register == ADS_CONVERSION:
                raise Misuse("ADS1115 conversion register is read-only")
            self._thresholds[register] = value
            return
        self.write(bytes((ADS_CONFIG, value >> 8, value & 0xFF)))


# ln(R/R25) = A + B/T + C/T^2 + D/T^3
_NTC_A, _NTC_B, _NTC_C, _NTC_D = -14.6337, 4791.842, -115334.0, -3.730535e6
_KELVIN = 273.15


def ntc_ohm(celsius: float, r25_ohm: float = 10_000.0) -> float:
    """Return the sensor's resistance at a temperature, ohms (Vishay NTCLE100E3...103)."""
    t = celsius + _KELVIN
    return r25_ohm * math.exp(_NTC_A + (_NTC_B + (_NTC_C + _NTC_D / t) / t) / t)


class AnalogInput(Protocol):
    """What is on a pin of the board's own converter."""

    def ratio(self) -> float:
        """Return the pin's voltage as a share of the converter's reference."""
        ...


class DividedInput:
    """A voltage behind a divider, against a reference that does not follow it.

    Args:
        volts: what is divided.
        share: of it at the pin.
        reference_v: of the converter.
    """

    def __init__(self, volts: Volts, share: float, reference_v: float) -> None:
        self._volts = volts
        self._share = share / reference_v

    def ratio(self) -> float:
        return self._volts() * self._share


class NtcInput:
    """A 10 k NTC to ground under a 10 k resistor to the converter's reference.

    Args:
        celsius: true temperature of the bead; the words "open" and "short" for
            a broken lead and a crushed one.
        rng: seeds the sensor's tolerance (1 % at 25 C, three sigma) and the
            resistor's (0.1 %).

    Attributes:
        connected: the sensor's plug is in.
    """

    def __init__(self, celsius: Callable[[], float | str], rng: np.random.Generator) -> None:
        self._celsius = celsius
        self.connected = True
        self.r25_ohm = 10_000.0 * (1 + float(rng.normal(0, 0.0033)))
        self.pull_ohm = 10_000.0 * (1 + float(rng.normal(0, 0.00033)))
        self._seen: float | str | None = None
        self._ratio = 0.0

    def ratio(self) -> float:
        """Return the pin's voltage as a share of the converter's reference."""
        seen = self._celsius() if self.connected else "open"
        if seen != self._seen:
            self._seen = seen
            if isinstance(seen, str):
                if seen not in ("open", "short"):
                    raise Misuse(f"an NTC is open or short, not {seen!r}")
                self._ratio = 1.0 if seen == "open" else 0.0
            else:
                ohm = ntc_ohm(seen, self.r25_ohm)
                self._ratio = ohm / (ohm + self.pull_ohm)
        return self._ratio


class Rp2040Adc:
    """The board's own 12-bit converter, read as MicroPython reads it.

    Random noise of 1.5 counts; together with its steps that is near the 8.7
    effective bits of the data sheet. Its four wide codes (RP2040-E11) are not modelled.
    """

    NOISE_COUNTS = 1.5

    def __init__(self, rng: np.random.Generator) -> None:
        self._noise = normal_noise(rng)

    def read_u16(self, ratio: float) -> int:
        """Return what read_u16 gives for a pin at `ratio` of the reference."""
        counts = int(ratio * 4096 + self._noise() * self.NOISE_COUNTS)
        if not 0 <= counts <= 4095:
            counts = 0 if counts < 0 else 4095
        return counts << 4 | counts >> 8
