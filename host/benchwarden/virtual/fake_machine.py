"""What the firmware finds under `machine` on the virtual bench: pins, buses and timers of the RP2040.

`Chip` is one RP2040 with its pads and peripherals; `Chip.modules()` gives the
MicroPython modules that stand for it. They are stricter than the part: a write
to an input, a read of a floating pin, an output that drives nothing, a bus on
pins the chip cannot route it to, a bus transfer inside an interrupt handler
each raise Misuse instead of doing something or nothing.

Not modelled: instruction time, memory (an allocation in a hard interrupt
handler passes here and fails on the part; the emulated board catches that),
PIO, DMA, the second core, drive strength.
"""

from __future__ import annotations

import types
from collections.abc import Callable, Sequence
from errno import EIO, ETIMEDOUT
from typing import Any

import numpy as np

from benchwarden.virtual.clock import VirtualClock
from benchwarden.virtual.parts import AnalogInput, Buffer, Misuse, RegisterPart, Rp2040Adc

N_PADS = 30
IN, OUT, OPEN_DRAIN = 0, 1, 2
PULL_UP, PULL_DOWN = 1, 2
IRQ_FALLING, IRQ_RISING = 4, 8
PWRON_RESET, WDT_RESET = 1, 3
_WDT_MAX_MS = 8388  # RP2040: 24 bits, counting twice per microsecond
ADC_PADS = (26, 27, 28, 29)
CORE_TEMP = 4
# Watchdog scratch registers: RP2040 datasheet 4.7.6, from memory.
SCRATCH = tuple(0x4005800C + 4 * n for n in range(8))


class ChipReset(BaseException):
    """The chip stopped running its program: watchdog, `machine.reset()`, loss of power. Unwinds whatever ran.

    The program may try to catch it; the next thing it does to a pin raises it again.

    Attributes:
        why: "watchdog", "reset", "power", or "stop" when the bench itself ends.
    """

    def __init__(self, why: str) -> None:
        super().__init__(why)
        self.why = why


class Pad:
    """One pin as the outside world sees it.

    Attributes:
        mode: IN, OUT, OPEN_DRAIN, or None as after a reset.
        out: level the chip drives when it is an output.
        world: level the outside drives, or None for nothing.
        on_output: called with the level each time the chip writes it.
    """

    __slots__ = ("_level", "handler", "mode", "number", "on_output", "out", "pull", "trigger", "world")

    def __init__(self, number: int) -> None:
        self.number = number
        self.on_output: Callable[[int], None] | None = None
        self.world: int | None = None
        self.reset()

    def reset(self) -> None:
        self.mode: int | None = None
        self.pull: int | None = None
        self.out = 0
        self.handler: Callable[[Any], None] | None = None
        self.trigger = 0
        self._level = self.world

    def level(self) -> int:
        """Return what the chip reads here."""
        if self.mode == OUT or (self.mode == OPEN_DRAIN and not self.out):
            return self.out
        if self.world is not None:
            return self.world
        if self.pull == PULL_UP:
            return 1
        if self.pull == PULL_DOWN:
            return 0
        raise Misuse(f"GP{self.number} floats: nothing drives it and it has no pull")


class I2cBus:
    """The wires of one bus and the parts on them.

    Attributes:
        parts: by 7-bit address.
        stuck: SDA is held low; every transfer times out.
    """

    def __init__(self) -> None:
        self.parts: dict[int, RegisterPart] = {}
        self.stuck = False
        self._sda: Pad | None = None
        self._clocks_left: int | None = None

    def wire(self, sda: Pad, scl: Pad) -> None:
        """Lay the bus on two pads, pulled up, so that the firmware can also clock it by hand."""
        self._sda = sda
        sda.world = scl.world = 1
        sda.on_output = lambda level: None
        scl.on_output = self._clock

    def stick(self, clocks: int | None = None) -> None:
        """Let a part hold SDA low until it has seen `clocks` more clocks; None: for ever."""
        self.stuck = True
        self._clocks_left = clocks
        if self._sda is not None:
            self._sda.world = 0

    def release(self) -> None:
        self.stuck = False
        if self._sda is not None:
            self._sda.world = 1

    def _clock(self, level: int) -> None:
        if self.stuck and not level and self._clocks_left is not None:
            self._clocks_left -= 1
            if self._clocks_left <= 0:
                self.release()


class Chip:
    """One RP2040 on its board.

    Args:
        clock: virtual time.
        seed: seeds the converter's noise and the random numbers of the chip.
        unique_id: eight bytes.
        die_c: die temperature, degrees Celsius.

    Attributes:
        pads: index is the GP number.
        buses: index is the number of the I2C block.
        analog: pad number to the sensor on it.
        scratch: the watchdog's scratch registers by address; they keep their words until power goes.
        resets: why each restart happened, oldest first.
        dead: why the program no longer runs, "" while it does.
    """

    def __init__(
        self,
        clock: VirtualClock,
        seed: int,
        unique_id: bytes,
        die_c: Callable[[], float] = lambda: 35.0,
    ) -> None:
        self.clock = clock
        self.unique_id = unique_id
        self.die_c = die_c
        self.pads = [Pad(n) for n in range(N_PADS)]
        self.buses = (I2cBus(), I2cBus())
        self.analog: dict[int, AnalogInput] = {}
        self.scratch = dict.fromkeys(SCRATCH, 0)
        self.resets: list[str] = []
        self.dead = ""
        self.reset_cause = PWRON_RESET
        self._random = np.random.default_rng([seed, 0x52504B])
        self._adc = Rp2040Adc(np.random.default_rng([seed, 0xADC]))
        self.in_handler = False
        self._masked = False
        self._pending: list[Pad] = []
        self._wdt_period_us = 0
        self._wdt_due_us = 0
        self._wdt_round = 0
        self._pins: dict[int, Any] = {}

    # The outside world

    def drive(self, number: int, level: int | None) -> None:
        """Let the outside drive a pad, or let go of it; edges interrupt the firmware at once."""
        pad = self.pads[number]
        old = pad.world
        pad.world = level
        if pad.handler is None or old == level:
            return
        before, after = (1 if old is None else old), (1 if level is None else level)
        if (before and not after and pad.trigger & IRQ_FALLING) or (not before and after and pad.trigger & IRQ_RISING):
            self._interrupt(pad)

    def _interrupt(self, pad: Pad) -> None:
        if self._masked or self.in_handler:
            if pad not in self._pending:
                self._pending.append(pad)
            return
        handler = pad.handler
        if handler is None:
            return
        self.in_handler = True
        try:
            handler(self._pins[pad.number])
        finally:
            self.in_handler = False
        while self._pending and not self._masked:
            self._interrupt(self._pending.pop(0))

    def mask_interrupts(self, masked: bool) -> bool:
        was, self._masked = self._masked, masked
        while not self._masked and self._pending:
            self._interrupt(self._pending.pop(0))
        return was

    def kill(self, why: str) -> None:
        """Reset the peripherals and end the running program by raising ChipReset."""
        self._reset_peripherals()
        self.dead = why
        raise ChipReset(why)

    def restart(self, why: str) -> None:
        """Let the chip begin anew; its timer starts at zero."""
        self._reset_peripherals()
        self.dead = ""
        self.resets.append(why)
        self.reset_cause = PWRON_RESET if why == "power" else WDT_RESET
        if why == "power":
            self.scratch = dict.fromkeys(SCRATCH, 0)
        self.clock.boot_us = self.clock.now_us

    def _reset_peripherals(self) -> None:
        """All pads are inputs, the watchdog is off."""
        self._wdt_period_us = 0
        self._wdt_round += 1
        self._masked = self.in_handler = False
        self._pending.clear()
        self._pins.clear()
        for pad in self.pads:
            was_high = pad.mode == OUT and pad.out
            pad.reset()
            if pad.on_output is not None and was_high:
                pad.on_output(0)

    # Watchdog

    def start_watchdog(self, timeout_ms: int) -> None:
        if not 0 < timeout_ms <= _WDT_MAX_MS:
            raise ValueError(f"timeout exceeds {_WDT_MAX_MS}")
        self._wdt_period_us = timeout_ms * 1000
        self._wdt_round += 1
        self.feed_watchdog()
        self._watch(self._wdt_round)

    @property
    def unfed_us(self) -> int:
        """Time since the watchdog was fed; 0 while none is armed."""
        return self.clock.now_us - self._wdt_due_us + self._wdt_period_us if self._wdt_period_us else 0

    def feed_watchdog(self) -> None:
        self._wdt_due_us = self.clock.now_us + self._wdt_period_us

    def _watch(self, number: int) -> None:
        """Look again when the watchdog would be due; feeding it costs no event."""
        if number != self._wdt_round:
            return
        if self.clock.now_us >= self._wdt_due_us:
            self.kill("watchdog")
        self.clock.at(self._wdt_due_us, lambda: self._watch(number))

    # Random numbers and converter

    def random_bytes(self, n: int) -> bytes:
        return self._random.bytes(n)

    def read_adc(self, channel: int) -> int:
        if channel == CORE_TEMP:
            # RP2040 datasheet 4.9.5: 0.706 V at 27 C, -1.721 mV/K, against 3.3 V.
            return self._adc.read_u16((0.706 - (self.die_c() - 27) * 1.721e-3) / 3.3)
        source = self.analog.get(26 + channel)
        if source is None:
            raise Misuse(f"ADC channel {channel} has nothing on it")
        return self._adc.read_u16(source.ratio())

    def modules(self) -> dict[str, types.ModuleType]:
        """Return the modules `machine`, `micropython` and `rp2` of this chip."""
        machine = types.ModuleType("machine")
        for name, value in _machine_members(self).items():
            setattr(machine, name, value)
        return {"machine": machine, "micropython": _micropython(), "rp2": types.ModuleType("rp2")}


def _sda_scl(block: int) -> tuple[set[int], set[int]]:
    """Pads the chip can route SDA and SCL of an I2C block to (RP2040 datasheet table 2)."""
    return set(range(2 * block, N_PADS, 4)), set(range(2 * block + 1, N_PADS, 4))


def _machine_members(chip: Chip) -> dict[str, Any]:
    clock = chip.clock

    class Pin:
        IN = IN
        OUT = OUT
        OPEN_DRAIN = OPEN_DRAIN
        PULL_UP = PULL_UP
        PULL_DOWN = PULL_DOWN
        IRQ_FALLING = IRQ_FALLING
        IRQ_RISING = IRQ_RISING

        def __new__(cls, id: int, *args: Any, **kwargs: Any) -> Pin:
            # One object per pad, as on the port.
            if not isinstance(id, int) or not 0 <= id < N_PADS:
                raise ValueError("unknown pin")
            pin = chip._pins.get(id)
            if pin is None:
                pin = chip._pins[id] = super().__new__(cls)
            return pin

        def __init__(self, id: int, mode: int = -1, pull: int | None = -1, *, value: int | None = None) -> None:
            self._pad = chip.pads[id]
            if mode != -1 or pull != -1 or value is not None:
                self.init(mode, pull, value=value)

        def init(self, mode: int = -1, pull: int | None = -1, *, value: int | None = None) -> None:
            pad = self._pad
            if mode != -1:
                if mode not in (IN, OUT, OPEN_DRAIN):
                    raise ValueError("invalid pin mode")
                if mode != IN and pad.on_output is None:
                    raise Misuse(f"GP{pad.number} is made an output and drives nothing")
                if mode == OUT and pad.world is not None:
                    raise Misuse(f"GP{pad.number} is made an output against what the board drives onto it")
            # The level is set before the direction, so that a relay does not blink at start.
            if value is not None:
                pad.out = 1 if value else 0
            if mode != -1:
                pad.mode = mode
            if pull != -1:
                pad.pull = pull
            if pad.mode in (OUT, OPEN_DRAIN) and pad.on_output is not None:
                pad.on_output(pad.out)

        def value(self, x: int | None = None) -> int | None:
            pad = self._pad
            if x is None:
                if pad.mode == IN and pad.world is not None:
                    # Half of all reads; `level` says the same.
                    return pad.world
                if pad.mode is None:
                    if chip.dead:
                        raise ChipReset(chip.dead)
                    raise Misuse(f"GP{pad.number} is read before its mode is set")
                return pad.level()
            if pad.mode != OUT and pad.mode != OPEN_DRAIN:
                if chip.dead:
                    raise ChipReset(chip.dead)
                raise Misuse(f"GP{pad.number} is written but is no output")
            level = 1 if x else 0
            pad.out = level
            pad.on_output(level)  # type: ignore[misc]
            return None

        __call__ = value

        def on(self) -> None:
            self.value(1)

        def off(self) -> None:
            self.value(0)

        high, low = on, off

        def toggle(self) -> None:
            self.value(1 - self._pad.out)

        def irq(
            self,
            handler: Callable[[Any], None] | None = None,
            trigger: int = IRQ_FALLING | IRQ_RISING,
            *,
            hard: bool = False,
        ) -> None:
            if handler is not None and not hard:
                raise Misuse(f"GP{self._pad.number}: a soft interrupt waits for the interpreter; not for a protection")
            self._pad.handler = handler
            self._pad.trigger = trigger

    class I2C:
        def __init__(self, id: int, *, scl: Pin, sda: Pin, freq: int = 400_000, timeout: int = 50_000) -> None:
            if id not in (0, 1):
                raise ValueError(f"I2C({id}) doesn't exist")
            sda_pads, scl_pads = _sda_scl(id)
            if sda._pad.number not in sda_pads or scl._pad.number not in scl_pads:
                raise ValueError("bad SCL/SDA pin")
            if not 0 < freq <= 1_000_000:
                raise ValueError("I2C clock out of range")
            # The block takes the pads over from whatever they were.
            sda._pad.mode = scl._pad.mode = None
            self._bus = chip.buses[id]
            self._parts = self._bus.parts
            # Nine clocks a byte; by number of bytes.
            self._spend_us = [int(n * 9e6 / freq) for n in range(64)]
            self._timeout_us = timeout

        def _part(self, address: int, n_bytes: int) -> RegisterPart:
            """Spend the transfer's bus time and return the part that acknowledges."""
            part = self._parts.get(address)
            if part is None or not part.connected or self._bus.stuck or chip.in_handler:
                self._fail()
            end_us = clock.now_us + self._spend_us[n_bytes]
            if end_us < clock.next_us:
                clock.now_us = end_us
            else:
                clock.advance(end_us - clock.now_us)
                # It may have been unplugged meanwhile.
                if not part.connected:  # type: ignore[union-attr]
                    self._fail()
            return part  # type: ignore[return-value]

        def _fail(self) -> None:
            if chip.in_handler:
                raise Misuse("bus transfer inside an interrupt handler")
            if self._bus.stuck:
                clock.advance(self._timeout_us)
                raise OSError(ETIMEDOUT)
            clock.advance(self._spend_us[1])
            raise OSError(EIO)

        def scan(self) -> list[int]:
            clock.advance(112 * self._spend_us[1])
            if self._bus.stuck:
                return []
            return sorted(a for a, part in self._parts.items() if part.connected)

        def writeto(self, addr: int, buf: Buffer | bytes, stop: bool = True) -> int:
            # `_part` spelled out, as below.
            n = len(buf)
            part = self._parts.get(addr)
            end_us = clock.now_us + self._spend_us[1 + n]
            if (
                end_us < clock.next_us
                and part is not None
                and part.connected
                and not self._bus.stuck
                and not chip.in_handler
            ):
                clock.now_us = end_us
            else:
                part = self._part(addr, 1 + n)
            part.write(buf)
            return n

        def readfrom_into(self, addr: int, buf: Buffer, stop: bool = True) -> None:
            self._part(addr, 1 + len(buf)).read_into(buf)

        def readfrom(self, addr: int, nbytes: int, stop: bool = True) -> bytes:
            buf = bytearray(nbytes)
            self._part(addr, 1 + nbytes).read_into(buf)
            return bytes(buf)

        def readfrom_mem_into(self, addr: int, memaddr: int, buf: Buffer, *, addrsize: int = 8) -> None:
            # `_part` spelled out: half of all transfers come through here.
            part = self._parts.get(addr)
            end_us = clock.now_us + self._spend_us[3 + len(buf)]
            if (
                end_us < clock.next_us
                and part is not None
                and part.connected
                and not self._bus.stuck
                and not chip.in_handler
            ):
                clock.now_us = end_us
            else:
                part = self._part(addr, 3 + len(buf))
            part.pointer = memaddr
            part.read_into(buf)

        def readfrom_mem(self, addr: int, memaddr: int, nbytes: int, *, addrsize: int = 8) -> bytes:
            buf = bytearray(nbytes)
            self.readfrom_mem_into(addr, memaddr, buf)
            return bytes(buf)

        def writeto_mem(self, addr: int, memaddr: int, buf: Buffer | bytes, *, addrsize: int = 8) -> None:
            part = self._part(addr, 2 + len(buf))
            part.write(bytes((memaddr,)) + bytes(buf))

    class ADC:
        CORE_TEMP = CORE_TEMP

        def __init__(self, source: Pin | int) -> None:
            number = source._pad.number if isinstance(source, Pin) else source
            if number in ADC_PADS:
                self._channel = number - 26
            elif number == CORE_TEMP or (isinstance(source, int) and 0 <= number < 4):
                self._channel = number
            else:
                raise ValueError("Pin doesn't have ADC capabilities")

        def read_u16(self) -> int:
            clock.advance(2)  # 96 cycles of 48 MHz
            return chip.read_adc(self._channel)

    class WDT:
        def __init__(self, id: int = 0, timeout: int = 5000) -> None:
            chip.start_watchdog(timeout)

        def feed(self) -> None:
            chip.feed_watchdog()

    class Mem32:
        """Words by address; the only ones here are the watchdog's scratch registers."""

        def __getitem__(self, address: int) -> int:
            return chip.scratch[self._checked(address)]

        def __setitem__(self, address: int, word: int) -> None:
            if not 0 <= word <= 0xFFFFFFFF:
                raise Misuse(f"{word:X}h is no 32-bit word")
            chip.scratch[self._checked(address)] = word

        @staticmethod
        def _checked(address: int) -> int:
            if address not in chip.scratch:
                raise Misuse(f"memory at {address:08X}h is not the firmware's business")
            return address

    def reset() -> None:
        chip.kill("reset")

    def idle() -> None:
        clock.advance(1)

    return {
        "Pin": Pin,
        "I2C": I2C,
        "ADC": ADC,
        "WDT": WDT,
        "mem32": Mem32(),
        "PWRON_RESET": PWRON_RESET,
        "WDT_RESET": WDT_RESET,
        "unique_id": lambda: chip.unique_id,
        "freq": lambda hz=125_000_000: 125_000_000,
        "reset": reset,
        "reset_cause": lambda: chip.reset_cause,
        "idle": idle,
        "disable_irq": lambda: chip.mask_interrupts(True),
        "enable_irq": chip.mask_interrupts,
    }


def _micropython() -> types.ModuleType:
    module = types.ModuleType("micropython")

    def same(thing: Any) -> Any:
        return thing

    members: Sequence[tuple[str, Any]] = (
        ("const", same),
        ("native", same),
        ("viper", same),
        ("alloc_emergency_exception_buf", lambda size: None),
        ("heap_lock", lambda: None),
        ("heap_unlock", lambda: 0),
        ("opt_level", lambda level=0: 0),
        ("kbd_intr", lambda char: None),
        ("schedule", lambda function, argument: function(argument)),
    )
    for name, value in members:
        setattr(module, name, value)
    return module
