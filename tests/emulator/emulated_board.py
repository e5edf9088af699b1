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
import functools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from emulated_parts import EmulatedTime, OutputModule, RailModule
from littlefs import LittleFS, UserContext
from rp2040py.boards import FlashLayout, resolve_board_spec
from rp2040py.device import MicroPythonDevice
from rp2040py.utils.firmware_retrieve import MICROPYTHON

from benchwarden.core.program_listing import NAME, build_listing
from benchwarden.install.program import build_program
from benchwarden.virtual.coil_drive import CoilDrive
from benchwarden.virtual.parts import ByteTarget
from benchwarden.virtual.relays import MainsRelay
from wardenfw import wire

FS_START, BLOCK, BLOCKS = 0xA0000, 4096, 352  # the Pico image keeps the last 1408 KiB of 2 MiB for files
NS_PER_I2C_BYTE = 22_500  # nine bits at 400 kHz
LATCH, ENABLE, PULSE, BYPASS, LAMP, AUX, BUTTON, ESTOP, ALERT, COIL = 3, 14, 15, 16, 17, 18, 19, 20, 21, 22
BUS_PINS = (4, 5), (6, 7)  # SDA, SCL
# Counts of 12 bits: three NTC at about 20 C, a third of VSYS (1.6 V), the die at about 27 C.
ADC_COUNTS = {0: 2280, 1: 2280, 2: 2280, 3: 1985, 4: 875}
RAIL_ADDRESSES, OUTPUT_ADDRESSES = (0x40, 0x41), (0x48, 0x49)


@functools.lru_cache(maxsize=1)
def _compiled() -> dict[str, bytes]:
    return dict(build_program().files)


def installable(folder: Path, main: str | None = None) -> Path:
    """Put the firmware into `folder` as it is installed, with the listing of what is there."""
    files = _compiled()
    if main is not None:
        files = {**files, "main.py": main.encode()}
    for path, data in {**files, NAME: build_listing(files).to_bytes()}.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(data)
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


class Bus:
    """Parts on one of the chip's I2C blocks."""

    def __init__(self, mcu: Any, block: int, parts: dict[int, ByteTarget]) -> None:
        self._hw, self.parts = mcu.i2c[block], parts
        self._sda, scl = (mcu.gpio[pin] for pin in BUS_PINS[block])
        scl.add_listener(self._clocked)
        self._clocks_left = -1
        self.clocks_seen = 0
        self._part: ByteTarget | None = None
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

    def hold_data(self, clocks: int) -> None:
        """Let a part hold SDA low until it has seen that many clocks made by hand."""
        self.stuck = True
        self._clocks_left = clocks
        self.clocks_seen = 0
        self._sda.set_input_value(False)

    def clock_out(self) -> None:
        """Let the part go that holds SDA low."""
        if self._clocks_left >= 0:
            self.clocks_seen = self._clocks_left
            self._clocked_out()

    def _clocked(self, new: Any, old: Any) -> None:
        if new.name != "LOW" or self._clocks_left < 0:
            return
        self.clocks_seen += 1
        if self.clocks_seen >= self._clocks_left:
            self._clocked_out()

    def _clocked_out(self) -> None:
        self._clocks_left = -1
        self._sda.release_input()
        # The emulated block waits for an end of the transfer that hung, even over a reset of its own.
        self.release()

    def _connect(self, address: int, mode: Any) -> None:
        self._part = self.parts.get(address)
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
        self.time = EmulatedTime(self._clock)
        self.pos, self.neg = (RailModule(self.time, seed, self._alert) for seed in (1, 2))
        self.left, self.right = (OutputModule(self.time, seed) for seed in (3, 4))
        rails, outputs = (self.pos.target, self.neg.target), (self.left.target, self.right.target)
        self.rails = Bus(self.mcu, 0, dict(zip(RAIL_ADDRESSES, rails, strict=True)))
        self.outputs = Bus(self.mcu, 1, dict(zip(OUTPUT_ADDRESSES, outputs, strict=True)))
        for channel, counts in ADC_COUNTS.items():
            self.mcu.adc.channel_values[channel] = counts
        self.edges: list[tuple[float, int, bool]] = []  # microseconds, pin, level
        self.resets_ms: list[float] = []
        self._levels: dict[int, bool] = {}
        self._driven: dict[int, bool | None] = {}
        self._alert_forced = False
        self._unread = bytearray()
        self.garbage = bytearray()
        self._to_send = bytearray()
        self._seq = 0
        self.hello: dict[str, Any] = {}
        for pin, level in ((LATCH, False), (AUX, False), (BUTTON, True), (ESTOP, False), (ALERT, True)):
            self.drive(pin, level)
        for pin in (ENABLE, PULSE, BYPASS):
            self.mcu.gpio[pin].add_listener(self._edge_of(pin))
        self.contact = MainsRelay(
            self.time, np.random.default_rng(5), lambda closed: None, lambda closed: self.drive(AUX, not closed)
        )
        self.coil_on_us: list[float] = []  # when current began to flow in the coil
        self.coil = CoilDrive(
            self.time,
            np.random.default_rng(6),
            self._coil,
            lambda level: self.drive(COIL, None if level is None else bool(level)),
            lambda is_set: self.drive(LATCH, is_set),
            lambda fed: None,
        )
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
            # The pads have let go, and no edge was told.
            for pin in (ENABLE, PULSE, BYPASS):
                self._moved(pin, False)

        self.mcu.watchdog.on_watchdog_trigger = noted

    # Pins.

    def drive(self, pin: int, level: bool | None) -> None:
        """Drive a pin from outside; None leaves it to its pull."""
        # The emulator takes the same level once more for an edge.
        if self._driven.get(pin) == level and pin in self._driven:
            return
        self._driven[pin] = level
        if level is None:
            self.mcu.gpio[pin].release_input()
        else:
            self.mcu.gpio[pin].set_input_value(level)

    def level(self, pin: int) -> bool:
        return self._levels.get(pin, False)

    def force_alert(self, low: bool) -> None:
        """Pull the alert line low by something else than the monitors, or let it go."""
        self._alert_forced = low
        self._alert()

    def _alert(self) -> None:
        high = self.pos.lets_alert_go and self.neg.lets_alert_go and not self._alert_forced
        self.coil.alert(high)
        self.drive(ALERT, high)

    def _coil(self, on: bool) -> None:
        if on:
            self.coil_on_us.append(self._clock.nanos / 1000)
        self.contact.coil(on)

    def _edge_of(self, pin: int) -> Callable[[Any, Any], None]:
        return lambda new, old: self._moved(pin, new.name == "HIGH")

    def _moved(self, pin: int, high: bool) -> None:
        if high == self._levels.get(pin, False):
            return
        self._levels[pin] = high
        self.edges.append((self._clock.nanos / 1000, pin, high))
        if pin == ENABLE:
            self.coil.enable(int(high))
        elif pin == PULSE:
            self.coil.pulse(int(high))

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
