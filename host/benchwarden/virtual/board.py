"""The board on the virtual bench: the real firmware, booted on a modelled chip among modelled parts.

The firmware is imported afresh at every boot, as a reset would start it, and
knows nothing of the bench. Its board id begins with "virtual-", so that no
record made here can pass for a measurement.

Not modelled: what clock, parts, sense_modules, fake_machine, coil_drive,
relays and flash_memory leave out; the time that the interpreter needs; USB
enumeration (the port is there at once).
"""

from __future__ import annotations

import contextlib
import importlib
import sys
import time
import types
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from benchwarden.virtual.bench_load import BenchLoad
from benchwarden.virtual.breakage import break_board
from benchwarden.virtual.clock import VirtualClock
from benchwarden.virtual.coil_drive import CoilDrive
from benchwarden.virtual.fake_machine import Chip, ChipReset
from benchwarden.virtual.flash_memory import FlashMemory
from benchwarden.virtual.installed import flash_content
from benchwarden.virtual.parts import Ads1115, DividedInput, Ina228, NtcInput, RegisterPart
from benchwarden.virtual.relays import BypassRelay, MainsRelay
from benchwarden.virtual.sense_modules import SHUNT_OHM, OutputModule

SLOT_US = 2500
# Pads as hardware/README.md has them.
LATCH_SENSE = 3
RELAY_ENABLE, RELAY_PULSE, BYPASS, LAMP, AUX, BUTTON, ESTOP, ALERT, COIL_SENSE = 14, 15, 16, 17, 18, 19, 20, 21, 22
NTC_PADS = {"ntc_left": 26, "ntc_right": 27, "ntc_ambient": 28}
NTC_CHANNELS = {"ntc_left": "sink_left_c", "ntc_right": "sink_right_c", "ntc_ambient": "ambient_c"}
SUPPLY_PAD = 29
BUS_PADS = ((4, 5), (6, 7))
USB_BUFFER = 256
# USB behind a Schottky diode, as on a Pico: VSYS; the converter's reference is the 3.3 V.
VSYS_V = 4.7
REFERENCE_V = 3.3
# Longer than anything but a stall keeps the firmware from its watchdog.
STALLED_US = 150_000
# Boot ROM, interpreter start and the import of the firmware, before its first instruction.
BOOT_US = 600_000

_TIME_NAMES = ("ticks_ms", "ticks_us", "ticks_diff", "ticks_add", "sleep_us", "sleep_ms")


class UsbPort:
    """The board's end of the USB serial line.

    Attributes:
        incoming: bytes from the host that the firmware has not read.
        outgoing: bytes from the firmware that the host has not taken.
    """

    def __init__(self) -> None:
        self.incoming = bytearray()
        self.outgoing = bytearray()

    def read_into(self, buffer: bytearray | memoryview) -> int:
        incoming = self.incoming
        if not incoming:
            return 0
        n = min(len(buffer), len(incoming))
        buffer[:n] = incoming[:n]
        del incoming[:n]
        return n

    def write(self, view: bytes | bytearray | memoryview) -> int:
        room = USB_BUFFER - len(self.outgoing)
        if len(view) <= room:
            self.outgoing += view
            return len(view)
        if room > 0:
            self.outgoing += view[:room]
            return room
        return 0

    def ready(self) -> bool:
        return len(self.outgoing) < USB_BUFFER


@contextlib.contextmanager
def _on_chip(modules: dict[str, types.ModuleType], clock: VirtualClock) -> Iterator[None]:
    """Let imports see the chip's modules and clock, and no firmware module of an earlier boot."""
    hidden = {n: m for n, m in sys.modules.items() if n == "wardenfw" or n.startswith("wardenfw.") or n in modules}
    for name in hidden:
        del sys.modules[name]
    before = {name: getattr(time, name) for name in _TIME_NAMES if hasattr(time, name)}
    try:
        sys.modules.update(modules)
        for name in _TIME_NAMES:
            setattr(time, name, getattr(clock, name))
        yield
    finally:
        for name in _TIME_NAMES:
            if name in before:
                setattr(time, name, before[name])
            else:
                delattr(time, name)
        for name in [n for n in sys.modules if n == "wardenfw" or n.startswith("wardenfw.") or n in modules]:
            del sys.modules[name]
        sys.modules.update(hidden)


def load_firmware(chip: Chip) -> tuple[types.ModuleType, types.ModuleType]:
    """Import the firmware for one boot of `chip`; return its modules (app, board).

    What the firmware imports stays private to this boot: the host's own copy
    of the shared modules is untouched.
    """
    with _on_chip(chip.modules(), chip.clock):
        return importlib.import_module("wardenfw.app"), importlib.import_module("wardenfw.board")


def _pins(board: types.ModuleType, chip: Chip, port: UsbPort) -> Any:
    """Return the firmware's Board on this chip, which says what it is and draws numbers from the chip."""
    version = ".".join(str(n) for n in sys.version_info[:3])

    class Board(board.Board):  # type: ignore[misc, name-defined]
        def board_id(self) -> str:
            return chip.unique_id.decode()

        def interpreter(self) -> str:
            return f"cpython-{version}"

        def random_u32(self) -> int:
            return int.from_bytes(chip.random_bytes(4), "big")

    return Board(port)


class BenchStop(BaseException):
    """Raised by a tick of `VirtualBoard.run` to end the bench."""


class VirtualBoard:
    """Board, sense modules, relays and what is on them.

    Args:
        dut: the amplifier, or the rig in its place.
        seed: seeds every part's errors and noise, the relay's times, boot ids
            and challenges.
        ticks_origin_us: what the board's tick counter reads at its boots.

    Attributes:
        clock, chip, dut, port, drive, mains, bypass, flash: the pieces, for tests and hands.
        positive, negative, left, right: the four parts on the buses.
        modules: the same by the name of their module.
        ntcs: the temperature inputs by name.
        alert_stuck_high: the alert line does not reach the board.
        app: the running firmware, or None while the board has no power.
    """

    def __init__(self, dut: BenchLoad, seed: int = 1, ticks_origin_us: int = 0) -> None:
        self.dut = dut
        self.seed = seed
        self.clock = clock = VirtualClock(ticks_origin_us)
        self.port = UsbPort()
        self.app: Any = None
        self.powered = True
        self.on_tick: Callable[[], None] | None = None
        self._slots = 0
        self._tick_slots = 1
        self._looked_s = -1.0
        self._near_limit = False
        self._step_dut = dut.step
        self.alert_stuck_high = False
        self.chip = chip = Chip(clock, seed, f"virtual-{seed & 0xFFFFFFFF:08x}".encode())

        def rng(part: int) -> np.random.Generator:
            return np.random.default_rng([seed, part])

        # Half a percent is three sigma.
        shunt_ohm = [SHUNT_OHM * (1 + 0.0017 * float(error)) for error in rng(1).standard_normal(2)]
        self.positive = self._monitor("rail_pos", shunt_ohm[0], 1.0, rng(2))
        self.negative = self._monitor("rail_neg", shunt_ohm[1], -1.0, rng(3))
        self._outputs = {"left": OutputModule(clock, rng(4)), "right": OutputModule(clock, rng(6))}
        self.left = Ads1115(clock, self._leads("left", "left"), rng(5))
        self.right = Ads1115(clock, self._leads("right", "right"), rng(7))
        self.modules: dict[str, RegisterPart] = {
            "rail_pos": self.positive,
            "rail_neg": self.negative,
            "output_left": self.left,
            "output_right": self.right,
        }
        chip.buses[0].parts.update({0x40: self.positive, 0x41: self.negative})
        chip.buses[1].parts.update({0x48: self.left, 0x49: self.right})
        for bus, (sda, scl) in zip(chip.buses, BUS_PADS, strict=True):
            bus.wire(chip.pads[sda], chip.pads[scl])
        self.ntcs = {name: NtcInput(self._temperature(NTC_CHANNELS[name]), rng(pad)) for name, pad in NTC_PADS.items()}
        for name, pad in NTC_PADS.items():
            chip.analog[pad] = self.ntcs[name]
        vsys_v = VSYS_V + 0.05 * float(rng(9).normal())
        chip.analog[SUPPLY_PAD] = DividedInput(lambda: vsys_v, 1 / 3, REFERENCE_V)
        self.mains = MainsRelay(clock, rng(8), self._mains_moved, self._mirror_moved)
        self.bypass = BypassRelay(clock, self._bypass_moved)
        self.drive = CoilDrive(
            clock,
            rng(10),
            self.mains.coil,
            lambda level: chip.drive(COIL_SENSE, level),
            lambda is_set: chip.drive(LATCH_SENSE, 1 if is_set else 0),
            self.bypass.power,
        )
        self.flash = FlashMemory(clock, flash_content(), lambda: self.drive.coil_on, self._brown_out)
        chip.pads[RELAY_ENABLE].on_output = self.drive.enable
        chip.pads[RELAY_PULSE].on_output = self.drive.pulse
        chip.pads[BYPASS].on_output = self.bypass.drive
        chip.pads[LAMP].on_output = self._lamp
        self.lamp_on = False
        for pad, level in ((AUX, 0), (BUTTON, None), (ESTOP, 0), (ALERT, 1), (LATCH_SENSE, 0), (COIL_SENSE, None)):
            chip.drive(pad, level)
        clock.at(SLOT_US, self._physics)

    # True values at the terminals, as the sensors see them

    def _monitor(self, rail: str, shunt_ohm: float, sign: float, rng: np.random.Generator) -> Ina228:
        """Return a rail module's monitor; the negative one reads the magnitude."""
        room_c = self._terminal("ambient_c")
        # It warms itself by some kelvin.
        rise_k = 6.0 + float(rng.normal())
        part = Ina228(
            self.clock,
            self._terminal(f"{rail}_a", shunt_ohm),
            self._terminal(f"{rail}_v", sign),
            rng,
            lambda _: self.alert_moved(),
            lambda: room_c() + rise_k,
        )
        # Oscillator +-0.5 % (three sigma), from memory of the data sheet.
        part.time_factor = 1 + float(rng.normal(0, 0.0017))
        part.power_cycle()
        part.on_limits = lambda: self._limits_moved(part)
        return part

    def _terminal(self, channel: str, gain: float = 1.0) -> Callable[[], float]:
        # Read tens of thousands of times a second: the attribute's dict, not the attribute.
        values, sensor = vars(self.dut), self.dut.sensor

        def read() -> float:
            value: float = values[channel]
            if channel in sensor:
                change = sensor[channel]
                value = 0.0 if isinstance(change, str) else change(value)
            return value * gain

        return read

    def _temperature(self, channel: str) -> Callable[[], float | str]:
        values, sensor = vars(self.dut), self.dut.sensor

        def read() -> float | str:
            value: float = values[channel]
            if channel in sensor:
                change = sensor[channel]
                return change if isinstance(change, str) else change(value)
            return value

        return read

    def _leads(self, module: str, side: str) -> dict[int, Callable[[], float]]:
        """Return the converter's inputs of one output module with its leads on one side's terminals."""
        return self._outputs[module].inputs(lambda kind, gain: self._terminal(f"{kind}_{side}_v", gain))

    def swap_outputs(self) -> None:
        """Put each output module's leads on the other channel of the amplifier."""
        self.left.rewire(self._leads("left", "right"))
        self.right.rewire(self._leads("right", "left"))

    def plug_module(self, name: str, inserted: bool) -> None:
        """Plug a sense module in or pull it; one that was out has forgotten what it was told."""
        part = self.modules[name]
        if inserted and not part.connected:
            part.power_cycle()
        part.connected = inserted
        self.alert_moved()

    # What the board does to the world

    def _mains_moved(self, closed: bool) -> None:
        self.dut.mains_closed = closed

    def _bypass_moved(self, closed: bool) -> None:
        self.dut.bypass_closed = closed

    def _mirror_moved(self, closed: bool) -> None:
        self.chip.drive(AUX, 0 if closed else None)

    def _lamp(self, level: int) -> None:
        self.lamp_on = bool(level)

    def alert_moved(self) -> None:
        """Work out the alert line anew: a monitor pulls it, lets go, or was pulled out."""
        # Both modules must say that all is well; one that is not there says nothing.
        high = all(part.connected and part.alert_high for part in (self.positive, self.negative))
        high = high or self.alert_stuck_high
        self.drive.alert(high)
        self.chip.drive(ALERT, 1 if high else 0)

    def _limits_moved(self, part: Ina228) -> None:
        """A monitor was told another limit: what it measures may be beyond it already."""
        self._near_limit = True
        due_us = part.alert_due_us()
        if due_us is not None:
            self.clock.at(due_us, part.run_alert)

    # Time

    def _physics(self) -> None:
        """Move the amplifier by one slot, let the alerts look at it, then let the bench have its turn."""
        clock, dut = self.clock, self.dut
        clock.at(clock.now_us + SLOT_US, self._physics)
        self._step_dut(SLOT_US * 1e-6)
        # The model moves in steps of its own: between them nothing can reach a limit.
        if dut.t_s != self._looked_s or self._near_limit:
            self._looked_s = dut.t_s
            self._near_limit = False
            for part in (self.positive, self.negative):
                due_us = part.alert_due_us()
                if due_us is not None:
                    self._near_limit = True
                    if due_us <= clock.now_us + SLOT_US:
                        clock.at(due_us, part.run_alert)
            if dut.board_faults:
                break_board(self)
        self._slots += 1
        if self.on_tick is not None and not self._slots % self._tick_slots:
            self.on_tick()

    def hang(self) -> None:
        """Let the firmware stand still until something resets the chip; interrupts still come."""
        if self.app is None:
            return
        while True:
            self.clock.advance(SLOT_US)

    # Life of the board

    @property
    def booting(self) -> bool:
        """The board has power and its firmware does not run yet."""
        return self.powered and self.app is None

    @property
    def stalled(self) -> bool:
        """The firmware has not fed the watchdog for many a scan: it will not answer before the reset."""
        return self.chip.unfed_us > STALLED_US

    def power_on(self) -> None:
        """Plug the board in; its firmware starts when `run` goes on."""
        self.powered = True
        self.drive.logic_supply(True)
        for part in self.modules.values():
            part.power_cycle()

    def power_off(self) -> None:
        """Pull the plug of the USB: processor and sense modules die at once, the coils' 12 V stays."""
        self.powered = False
        self.drive.logic_supply(False)
        self.port.incoming.clear()
        self.port.outgoing.clear()
        self.app = None
        if self.on_tick is not None:
            # Something runs, be it the boot: it ends here.
            self.chip.kill("power")

    def _brown_out(self) -> None:
        """Let the supply dip to nothing and come back: what ran ends here, and boots anew."""
        self.drive.logic_supply(False)
        self.drive.logic_supply(True)
        for part in self.modules.values():
            part.power_cycle()
        self.port.outgoing.clear()
        self.chip.kill("power")

    def run(self, tick: Callable[[], None] | None = None, every_slots: int = 1) -> None:
        """Run the firmware until a tick raises BenchStop, through every reset on the way.

        Args:
            tick: called in virtual time, powered or not; time stands still
                meanwhile. It may act on everything here.
            every_slots: 2.5 ms steps from tick to tick.

        Raises:
            Misuse: the firmware did what no firmware should.
            whatever else a tick raises.
        """
        failure: list[BaseException] = []

        def guarded() -> None:
            # The firmware's own catch-all must not swallow what a tick raises.
            try:
                if tick is not None:
                    tick()
            except ChipReset:
                raise
            except BaseException as error:  # noqa: BLE001 - raised again below, once the firmware has ended
                failure.append(error)
                self.chip.kill("stop")

        self.on_tick = guarded
        self._tick_slots = every_slots
        why = "power"
        try:
            while True:
                try:
                    if self.powered:
                        self._boot(why)
                        self.app.run()
                    self.clock.advance(SLOT_US)
                except ChipReset as reset:
                    why = reset.why
                    if failure:
                        break
                    self.app = None
                    self.port.incoming.clear()
        finally:
            self.on_tick = None
            self.app = None
        if not isinstance(failure[0], BenchStop):
            raise failure[0]

    def _boot(self, why: str) -> None:
        self.app = None
        self.chip.restart(why)
        self.clock.advance(BOOT_US)
        self.clock.boot_us = self.clock.now_us - BOOT_US
        app, board = load_firmware(self.chip)
        # Collecting would cost the bench more than everything else, and frees nothing here.
        app.gc = types.SimpleNamespace(collect=lambda: None)  # type: ignore[attr-defined]
        pins = _pins(board, self.chip, self.port)
        pins.flash = self.flash
        self.app = app.build(pins)
