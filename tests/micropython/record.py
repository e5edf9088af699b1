"""Writes down everything the firmware asks of its chip on the virtual bench, and the answers.

The trace is a string of bytes: a letter and arguments for every question, then
"=" and the answer; an interrupt is noted where it came, which may be between a
question and its answer. replay.py is the other half.
"""

from __future__ import annotations

import struct
import types
from collections.abc import Callable
from typing import Any

from benchwarden.virtual import board as virtual_board
from benchwarden.virtual.board import UsbPort, VirtualBoard
from benchwarden.virtual.clock import VirtualClock
from benchwarden.virtual.dut import Dut
from benchwarden.virtual.fake_machine import Chip
from benchwarden.virtual.flash_memory import FlashMemory

ANSWER = ord("=")


class Trace:
    """The bytes of one boot."""

    def __init__(self) -> None:
        self.data = bytearray()


def _recording_clock(trace: Trace) -> type[VirtualClock]:
    class Clock(VirtualClock):
        def ticks_us(self) -> int:
            trace.data += b"u"
            value = super().ticks_us()
            trace.data += struct.pack("<BI", ANSWER, value)
            return value

        def ticks_ms(self) -> int:
            trace.data += b"t"
            value = super().ticks_ms()
            trace.data += struct.pack("<BI", ANSWER, value)
            return value

        def sleep_us(self, us: int) -> None:
            trace.data += struct.pack("<BI", ord("z"), us)
            super().sleep_us(us)
            trace.data.append(ANSWER)

    return Clock


def _recording_machine(machine: types.ModuleType, trace: Trace) -> None:
    """Replace the module's members by ones that also write down."""
    data = trace.data
    plain: Any = machine

    class Pin(plain.Pin):  # type: ignore[misc]
        def __init__(self, id: int, mode: int = -1, pull: int = -1, *, value: int | None = None) -> None:
            data.extend(struct.pack("<BBbbB", ord("P"), id, mode, pull, 255 if value is None else value))
            self._making = True
            super().__init__(id, mode, pull, value=value)
            self._making = False

        def init(self, mode: int = -1, pull: int | None = -1, *, value: int | None = None) -> None:
            if not self._making:
                level, towards = 255 if value is None else value, -2 if pull is None else pull
                data.extend(struct.pack("<BBbbB", ord("p"), self._pad.number, mode, towards, level))
            super().init(mode, pull, value=value)

        def value(self, x: int | None = None) -> Any:
            number = self._pad.number
            if x is None:
                data.extend((ord("g"), number))
                level = super().value()
                data.extend((ANSWER, level))
                return level
            data.extend((ord("s"), number, 1 if x else 0))
            return super().value(x)

        def irq(self, handler: Callable[[Any], None], trigger: int, hard: bool) -> None:
            number = self._pad.number
            data.extend((ord("q"), number, trigger, 1 if hard else 0))

            def noted(pin: Any) -> None:
                data.extend((ord("X"), number))
                handler(pin)

            super().irq(handler=noted, trigger=trigger, hard=hard)

    class I2C(plain.I2C):  # type: ignore[misc]
        def __init__(self, id: int, *, sda: Any, scl: Any, freq: int, timeout: int) -> None:
            data.extend(struct.pack("<BBBBII", ord("I"), id, sda._pad.number, scl._pad.number, freq, timeout))
            super().__init__(id, sda=sda, scl=scl, freq=freq, timeout=timeout)
            self._id = id

        def _noted(self, transfer: Callable[[], Any]) -> None:
            try:
                transfer()
            except OSError as error:
                data.extend((ANSWER, int(error.args[0])))
                raise
            data.extend((ANSWER, 0))

        def writeto(self, addr: int, buf: Any, stop: bool = True) -> None:
            data.extend((ord("w"), self._id, addr, len(buf)))
            data.extend(buf)
            self._noted(lambda: super(I2C, self).writeto(addr, buf))

        def readfrom_mem_into(self, addr: int, memaddr: int, buf: Any) -> None:
            data.extend((ord("r"), self._id, addr, memaddr, len(buf)))
            self._noted(lambda: super(I2C, self).readfrom_mem_into(addr, memaddr, buf))
            data.extend(buf)

        def writeto_mem(self, addr: int, memaddr: int, buf: Any) -> None:
            data.extend((ord("m"), self._id, addr, memaddr, len(buf)))
            data.extend(buf)
            self._noted(lambda: super(I2C, self).writeto_mem(addr, memaddr, buf))

    class ADC(plain.ADC):  # type: ignore[misc]
        def __init__(self, source: int) -> None:
            super().__init__(source)
            self._number = source

        def read_u16(self) -> int:
            data.extend((ord("a"), self._number))
            counts: int = super().read_u16()
            data.extend(struct.pack("<BH", ANSWER, counts))
            return counts

    class WDT(plain.WDT):  # type: ignore[misc]
        def __init__(self, timeout: int) -> None:
            data.extend(struct.pack("<BI", ord("W"), timeout))
            super().__init__(timeout=timeout)

        def feed(self) -> None:
            data.extend(b"F")
            super().feed()

    class Memory:
        def __init__(self, registers: Any) -> None:
            self._registers = registers

        def __getitem__(self, address: int) -> int:
            data.extend(struct.pack("<BI", ord("k"), address))
            word: int = self._registers[address]
            data.extend(struct.pack("<BI", ANSWER, word))
            return word

        def __setitem__(self, address: int, word: int) -> None:
            data.extend(struct.pack("<BII", ord("K"), address, word))
            self._registers[address] = word

    plain.mem32 = Memory(plain.mem32)
    cause = plain.reset_cause

    def reset_cause() -> int:
        value: int = cause()
        data.extend((ord("c"), ANSWER, value))
        return value

    for name, member in (("Pin", Pin), ("I2C", I2C), ("ADC", ADC), ("WDT", WDT), ("reset_cause", reset_cause)):
        setattr(machine, name, member)


def _recording_flash(trace: Trace) -> type[FlashMemory]:
    data = trace.data

    class RecordingFlash(FlashMemory):
        def _asked(self, letter: str, name: str) -> None:
            data.extend((ord(letter), len(name)))
            data.extend(name.encode())

        def read_into(self, name: str, offset: int, buf: bytearray | memoryview) -> int:
            self._asked("f", name)
            data.extend(struct.pack("<IH", offset, len(buf)))
            n = super().read_into(name, offset, buf)
            data.extend(struct.pack("<Bh", ANSWER, n))
            data.extend(buf[: max(0, n)])
            return n

        def size(self, name: str) -> int:
            self._asked("e", name)
            n = super().size(name)
            data.extend(struct.pack("<Bi", ANSWER, n))
            return n

        def names(self, folder: str) -> list[str]:
            self._asked("d", folder)
            found = super().names(folder)
            joined = "\n".join(found).encode()
            data.extend(struct.pack("<BH", ANSWER, len(joined)) + joined)
            return found

        def write(self, name: str, content: bytes | bytearray | memoryview) -> None:
            self._asked("v", name)
            data.extend(struct.pack("<H", len(content)) + bytes(content))
            super().write(name, content)
            data.append(ANSWER)

    return RecordingFlash


def _recording_chip(trace: Trace) -> type[Chip]:
    class RecordingChip(Chip):
        def modules(self) -> dict[str, types.ModuleType]:
            modules = super().modules()
            _recording_machine(modules["machine"], trace)
            return modules

        def random_bytes(self, n: int) -> bytes:
            drawn = super().random_bytes(n)
            # replay.py reads the number little-endian.
            trace.data += b"n=" + drawn[::-1]
            return drawn

    return RecordingChip


class RecordingPort(UsbPort):
    """A port that also writes down, and keeps all that the firmware sent."""

    def __init__(self, trace: Trace) -> None:
        super().__init__()
        self._trace = trace
        self.sent = bytearray()

    def read_into(self, buffer: bytearray | memoryview) -> int:
        n = super().read_into(buffer)
        self._trace.data += bytes((ord("R"), ANSWER, n)) + bytes(buffer[:n])
        return n

    def write(self, view: bytes | bytearray | memoryview) -> int:
        n = super().write(view)
        self._trace.data += bytes((ord("O"), len(view), ANSWER, n))
        self.sent += view[:n]
        return n


def recording_board(dut: Dut, seed: int, patch: Callable[[Any, str, Any], None]) -> tuple[VirtualBoard, Trace]:
    """Return a virtual board whose first boot is traced.

    Args:
        patch: sets an attribute of a module for the length of a test.
    """
    trace = Trace()
    patch(virtual_board, "VirtualClock", _recording_clock(trace))
    patch(virtual_board, "Chip", _recording_chip(trace))
    patch(virtual_board, "FlashMemory", _recording_flash(trace))
    board = VirtualBoard(dut, seed)
    board.port = RecordingPort(trace)
    return board, trace
