"""The board on the virtual bench: the real firmware, booted on a modelled chip among modelled parts.

The firmware is imported afresh at every boot, as a reset would start it, and
knows nothing of the bench. Its board id begins with "virtual-", so that no
record made here can pass for a measurement.

Not modelled: what clock, parts, fake_machine and relays leave out; the time
that the interpreter needs; USB enumeration (the port is there at once).
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

from benchwarden.virtual.clock import VirtualClock
from benchwarden.virtual.dut import Dut
from benchwarden.virtual.fake_machine import Chip, ChipReset
from benchwarden.virtual.parts import MUX_0_1, MUX_2, MUX_3, Ads1115, Ina228, NtcInput
from benchwarden.virtual.relays import BypassRelay, MainsRelay
from wardenfw import scale

SLOT_US = 2500
# Pads as hardware/README.md has them.
RELAY_ENABLE, RELAY_PULSE, BYPASS, LAMP, AUX, BUTTON, ESTOP, ALERT = 14, 15, 16, 17, 18, 19, 20, 21
BUS_PADS = ((4, 5), (6, 7))
USB_BUFFER = 256
# Terminal volts below which the envelope detector follows the square of the peak.
HF_FOOT_V = 0.2
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
    """Board, sense modules, relays and the amplifier on it.

    Args:
        dut: the amplifier.
        seed: seeds every part's errors and noise, the relay's times, boot ids
            and challenges.
        ticks_origin_us: what the board's tick counter reads at its boots.

    Attributes:
        clock, chip, dut, port, mains, bypass: the pieces, for tests and hands.
        positive, negative, left, right: the four parts on the buses.
        app: the running firmware, or None while the board has no power.
    """

    def __init__(self, dut: Dut, seed: int = 1, ticks_origin_us: int = 0) -> None:
        self.dut = dut
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
        self.chip = chip = Chip(clock, seed, f"virtual-{seed & 0xFFFFFFFF:08x}".encode())

        def rng(part: int) -> np.random.Generator:
            return np.random.default_rng([seed, part])

        # Half a percent is three sigma.
        shunt_ohm = [scale.SHUNT_OHM * (1 + 0.0017 * float(error)) for error in rng(1).standard_normal(2)]
        self.positive = Ina228(
            clock, self._terminal("rail_pos_a", shunt_ohm[0]), self._terminal("rail_pos_v"), rng(2), self._alert
        )
        self.negative = Ina228(
            clock, self._terminal("rail_neg_a", shunt_ohm[1]), self._terminal("rail_neg_v", -1.0), rng(3), self._alert
        )
        self.left = Ads1115(clock, self._output_inputs("left", rng(4)), rng(5))
        self.right = Ads1115(clock, self._output_inputs("right", rng(6)), rng(7))
        chip.buses[0].parts.update({0x40: self.positive, 0x41: self.negative})
        chip.buses[1].parts.update({0x48: self.left, 0x49: self.right})
        for bus, (sda, scl) in zip(chip.buses, BUS_PADS, strict=True):
            bus.wire(chip.pads[sda], chip.pads[scl])
        for pad, channel in ((26, "sink_left_c"), (27, "sink_right_c"), (28, "ambient_c")):
            chip.analog[pad] = NtcInput(self._temperature(channel), rng(pad))
        self.mains = MainsRelay(clock, rng(8), self._mains_moved, self._aux_moved)
        self.bypass = BypassRelay(clock, self._bypass_moved)
        chip.pads[RELAY_ENABLE].on_output = self.mains.enable
        chip.pads[RELAY_PULSE].on_output = self.mains.pulse
        chip.pads[BYPASS].on_output = self.bypass.drive
        chip.pads[LAMP].on_output = self._lamp
        self.lamp_on = False
        for pad, level in ((AUX, None), (BUTTON, None), (ESTOP, 0), (ALERT, 1)):
            chip.drive(pad, level)
        clock.at(SLOT_US, self._physics)

    # True values at the terminals, as the sensors see them

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

    def _output_inputs(self, side: str, rng: np.random.Generator) -> dict[int, Callable[[], float]]:
        """Voltages at one output module's converter; its dividers are off by their tolerance."""
        bias, offset, hf = (self._terminal(f"{name}_{side}_v") for name in ("bias", "offset", "hf"))
        # A matched network: ratio 0.05 %, midpoint 0.1 mV (one sigma).
        ratio = scale.OFFSET_RATIO * (1 + float(rng.normal(0, 0.0005)))
        middle_v = scale.OFFSET_MID_V + float(rng.normal(0, 1e-4))
        hf_ratio = scale.HF_RATIO * (1 + float(rng.normal(0, 0.003)))

        def envelope() -> float:
            peak_v = hf()
            if peak_v < 0:
                peak_v = -peak_v
            # Below its foot the detector follows the square.
            return (peak_v if peak_v > HF_FOOT_V else peak_v * peak_v / HF_FOOT_V) / hf_ratio

        return {MUX_0_1: bias, MUX_2: lambda: middle_v + offset() / ratio, MUX_3: envelope}

    # What the board does to the world

    def _mains_moved(self, closed: bool) -> None:
        self.dut.mains_closed = closed

    def _bypass_moved(self, closed: bool) -> None:
        self.dut.bypass_closed = closed

    def _aux_moved(self, closed: bool) -> None:
        self.chip.drive(AUX, 0 if closed else None)

    def _lamp(self, level: int) -> None:
        self.lamp_on = bool(level)

    def _alert(self, _high: bool) -> None:
        # Open drain: the line is high only while both parts let it be.
        high = (self.positive.alert_high or not self.positive.connected) and (
            self.negative.alert_high or not self.negative.connected
        )
        self.mains.alert(high)
        self.chip.drive(ALERT, 1 if high else 0)

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
                self._board_faults(dut.board_faults)
        self._slots += 1
        if self.on_tick is not None and not self._slots % self._tick_slots:
            self.on_tick()

    def _board_faults(self, active: set[str]) -> None:
        """Do what a named fault of the board asks; a weld stays, the others happen once."""
        if "relay-welded" in active:
            self.mains.welded = True
        if "usb-unplugged" in active:
            active.discard("usb-unplugged")
            self.power_off()
        if "board-hang" in active:
            active.discard("board-hang")
            self.hang()

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

    def power_on(self) -> None:
        """Plug the board in; its firmware starts when `run` goes on."""
        self.powered = True
        self.mains.power(True)
        self.bypass.power(True)

    def power_off(self) -> None:
        """Pull the plug: coil supply and processor die at once."""
        self.powered = False
        self.mains.power(False)
        self.bypass.power(False)
        self.port.incoming.clear()
        self.port.outgoing.clear()
        self.app = None
        if self.on_tick is not None:
            # Something runs, be it the boot: it ends here.
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
        self.app = app.build(_pins(board, self.chip, self.port))
