"""Stand-ins for `machine` and time, as little and as strict as these tests need.

They hold registers, not physics: the virtual bench has the models of the parts.
"""

from __future__ import annotations

import errno
import hashlib
import sys
import time
import types
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import wardenfw

TICKS_MAX = (1 << 30) - 1  # as on the board
WATCHDOG_SCRATCH0 = 0x4005800C  # RP2040 datasheet 4.7.6


class Time:
    """Virtual time with the board's wrap at 2^30."""

    def __init__(self) -> None:
        self.us = 0
        self.offset_ms = 0

    def ticks_ms(self) -> int:
        return (self.us // 1000 + self.offset_ms) & TICKS_MAX

    def ticks_us(self) -> int:
        return self.us & TICKS_MAX

    @staticmethod
    def ticks_diff(a: int, b: int) -> int:
        half = (TICKS_MAX + 1) // 2
        return ((a - b + half) & TICKS_MAX) - half

    @staticmethod
    def ticks_add(a: int, b: int) -> int:
        return (a + b) & TICKS_MAX

    def sleep_us(self, us: int) -> None:
        assert us >= 0
        self.us += us


class Pin:
    IN, OUT, OPEN_DRAIN, PULL_UP, PULL_DOWN, IRQ_FALLING = 0, 1, 2, 1, 2, 4
    levels: dict[int, int] = {}
    pulls: dict[int, int] = {}
    log: list[tuple[int, int]] = []
    handlers: dict[int, tuple[Callable[[Any], None], Any]] = {}
    # What a model behind a pin makes of a level: `reader(level) -> level`, `writer(level)`, None for let go.
    readers: dict[int, Callable[[int], int]] = {}
    writers: dict[int, Callable[[int | None], None]] = {}

    def __init__(self, number: int, mode: int = 0, pull: int = 0, value: int | None = None) -> None:
        self.number, self.mode = number, mode
        if value is not None:
            self._set(value)
        elif pull:
            Pin.levels.setdefault(number, 1 if pull == Pin.PULL_UP else 0)

    def init(self, mode: int, pull: int = 0, value: int | None = None) -> None:
        self.mode = mode
        if mode == Pin.IN:
            assert pull, "an input without a pull floats"
            Pin.pulls[self.number] = pull
            if self.number in Pin.writers:
                Pin.writers[self.number](None)
        else:
            assert value is not None, "an output begins with a level"
            self._set(value)

    def _set(self, value: int) -> None:
        assert value in (0, 1), "a pin takes 0 or 1"
        if Pin.levels.get(self.number) != value:
            Pin.log.append((self.number, value))
        Pin.levels[self.number] = value
        if self.number in Pin.writers:
            Pin.writers[self.number](value)

    def value(self, value: int | None = None) -> int | None:
        if value is None:
            level = Pin.levels[self.number]
            reader = Pin.readers.get(self.number)
            return level if reader is None else reader(level)
        assert self.mode in (Pin.OUT, Pin.OPEN_DRAIN), f"GP{self.number} is an input"
        self._set(value)
        return None

    def irq(self, handler: Callable[[Any], None], trigger: int, hard: bool) -> None:
        assert trigger == Pin.IRQ_FALLING
        assert hard, "only a hard interrupt is in time"
        Pin.handlers[self.number] = (handler, self)


class Registers:
    """A part with 16- and 24-bit registers behind a pointer."""

    def __init__(self, registers: dict[int, int], wide: tuple[int, ...] = ()) -> None:
        self.registers, self.wide, self.present = registers, wide, True
        self.reads: list[int] = []
        self.model: Any = None  # `read(register)`, `write(register, value)`

    def read(self, register: int) -> int:
        self.reads.append(register)
        value = self.registers[register] if self.model is None else self.model.read(register)
        assert isinstance(value, int)
        return value

    def write(self, register: int, value: int) -> None:
        if self.model is None:
            self.registers[register] = value
        else:
            self.model.write(register, value)


class I2C:
    buses: dict[int, dict[int, Registers]] = {0: {}, 1: {}}
    stuck: dict[int, bool] = {0: False, 1: False}
    opened = 0

    def __init__(self, bus: int, sda: Pin, scl: Pin, freq: int, timeout: int) -> None:
        assert freq <= 400_000
        assert timeout <= 2_000, "a stuck bus would stop the pulses"
        self.bus = bus
        I2C.opened += 1

    def _part(self, address: int) -> Registers:
        if I2C.stuck[self.bus]:
            raise OSError(errno.ETIMEDOUT, "stuck")
        part = I2C.buses[self.bus].get(address)
        if part is None or not part.present:
            raise OSError(errno.EIO, "no acknowledge")
        return part

    def readfrom_mem_into(self, address: int, register: int, buffer: bytearray) -> None:
        part = self._part(address)
        assert len(buffer) == (3 if register in part.wide else 2)
        buffer[:] = part.read(register).to_bytes(len(buffer), "big")

    def readfrom_into(self, address: int, buffer: bytearray) -> None:
        self._part(address)

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        assert len(data) == 2
        self._part(address).write(register, int.from_bytes(data, "big"))

    def writeto(self, address: int, data: bytes) -> None:
        assert len(data) == 3
        self._part(address).write(data[0], int.from_bytes(data[1:], "big"))


class ADC:
    counts: dict[int, int] = {}

    def __init__(self, number: int) -> None:
        self.number = number

    def read_u16(self) -> int:
        return ADC.counts[self.number]


class WDT:
    fed = 0

    def __init__(self, timeout: int) -> None:
        assert timeout == 1000

    def feed(self) -> None:
        WDT.fed += 1


class Port:
    """Bytes in and out; `room` limits what can be written, as a host that does not read."""

    def __init__(self) -> None:
        self.incoming = bytearray()
        self.outgoing = bytearray()
        self.room = 1 << 30

    def ready(self) -> bool:
        return self.room > 0

    def read_into(self, buffer: bytearray) -> int:
        n = min(len(buffer), len(self.incoming))
        buffer[:n] = self.incoming[:n]
        del self.incoming[:n]
        return n

    def write(self, view: memoryview) -> int:
        n = min(len(view), self.room)
        self.outgoing += view[:n]
        self.room -= n
        return n


class PowerLost(Exception):
    """The supply went in the middle of a write."""


class Flash:
    """Files in memory; a write can be cut short, and worn cells keep what they held.

    Attributes:
        cut_after: bytes of the next write that reach the flash before the power goes; -1: all.
        worn: bits that stay 1, over every byte written.
        full: a write finds no room.
    """

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.cut_after = -1
        self.worn = 0
        self.full = False
        self.writes = 0

    def read_into(self, name: str, offset: int, buf: bytearray | memoryview) -> int:
        if name not in self.files:
            return -1
        data = self.files[name][offset : offset + len(buf)]
        buf[: len(data)] = data
        return len(data)

    def size(self, name: str) -> int:
        return len(self.files[name]) if name in self.files else -1

    def write(self, name: str, data: bytes) -> None:
        if self.full:
            raise OSError(errno.ENOSPC, "no room")
        self.writes += 1
        if self.cut_after >= 0:
            self.files[name] = bytes(data[: self.cut_after])
            raise PowerLost
        self.files[name] = bytes(b | self.worn for b in data)

    def names(self, folder: str) -> list[str]:
        return sorted(n for n in self.files if not folder or n.startswith(folder + "/"))


def install_program(flash: Flash) -> None:
    """Put a small program and its listing into the flash, as an installer does."""
    files = {
        "boot.py": b"boot",
        "main.py": b"main",
        "wardenfw/app.mpy": bytes(range(256)) * 9,
        "wardenfw/wire.mpy": b"w",
    }
    flash.files.update(files)
    lines = "".join(f"{zlib.crc32(files[path]):08x} {len(files[path])} {path}\n" for path in sorted(files)).encode()
    flash.files["program.txt"] = lines + f"sha256 {hashlib.sha256(lines).hexdigest()}\n".encode()


WIDE = (4, 5, 7, 8)


def parts() -> dict[str, Registers]:
    """Put healthy parts on the buses: 20 C sinks, everything else at zero; return them by name."""

    def monitor() -> Registers:
        return Registers(
            {0: 0, 1: 0xFB68, 2: 0x1000, 4: 0, 5: 0, 0x0B: 1, 0x0C: 0x7FFF, 0x0D: 0x8000, 0x3E: 0x5449, 0x3F: 0x2281},
            WIDE,
        )

    def converter() -> Registers:
        return Registers({0: 0, 1: 0x8583})

    named = {"pos": monitor(), "neg": monitor(), "left": converter(), "right": converter()}
    I2C.buses[0] = {0x40: named["pos"], 0x41: named["neg"]}
    I2C.buses[1] = {0x48: named["left"], 0x49: named["right"]}
    return named


@contextmanager
def installed() -> Iterator[Time]:
    """Make the fakes importable as `machine` and time for freshly imported firmware modules."""
    clock = Time()
    machine = types.ModuleType("machine")
    for item in (Pin, I2C, ADC, WDT):
        setattr(machine, item.__name__, item)
    machine.unique_id = lambda: bytes(range(8))  # type: ignore[attr-defined]
    machine.reset_cause = lambda: 1  # type: ignore[attr-defined]
    machine.WDT_RESET = 3  # type: ignore[attr-defined]
    machine.mem32 = {WATCHDOG_SCRATCH0: 0}  # type: ignore[attr-defined]
    Pin.levels.clear()
    Pin.pulls.clear()
    Pin.log.clear()
    Pin.handlers.clear()
    Pin.readers.clear()
    Pin.writers.clear()
    Pin.levels.update({3: 0, 18: 0, 19: 1, 20: 0, 21: 1, 22: 0})
    # VSYS/3 of 4.7 V in 3.3 V
    ADC.counts = {26: 36500, 27: 36500, 28: 36500, 29: 31110, 4: 14000}
    I2C.stuck = {0: False, 1: False}
    WDT.fed = 0
    # Whatever has bound the time or the pins at import.
    timed = ("ticks", "board", "monitor_test", "converter_test", "chain_test", "selftest", "stall", "app")
    names = (*(f"wardenfw.{name}" for name in timed), "machine")
    saved = {name: sys.modules.pop(name, None) for name in names}
    # `from wardenfw import app` takes the package's attribute before it looks for a module.
    for name in timed:
        vars(wardenfw).pop(name, None)
    patched = ("ticks_ms", "ticks_us", "ticks_diff", "ticks_add", "sleep_us")
    before = {name: getattr(time, name, None) for name in patched}
    sys.modules["machine"] = machine
    for name in patched:
        setattr(time, name, getattr(clock, name))
    try:
        yield clock
    finally:
        for name, module in saved.items():
            sys.modules.pop(name, None)
            package, _, short = name.rpartition(".")
            if package:
                vars(wardenfw).pop(short, None)
            if module is not None:
                sys.modules[name] = module
                if package:
                    setattr(wardenfw, short, module)
        for name, value in before.items():
            if value is None:
                delattr(time, name)
            else:
                setattr(time, name, value)
