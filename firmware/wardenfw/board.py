"""Pins and parts of this board revision; the only module that touches `machine`.

Pin map: hardware/, sheet "board". boot.py repeats the relay pins literally, so
that it needs no import before they are safe.
"""

import machine
import os
import sys

from wardenfw.flash import Flash
from wardenfw.ticks import sleep_us

RAILS_SDA, RAILS_SCL = 4, 5
OUTPUTS_SDA, OUTPUTS_SCL = 6, 7
LATCH_SENSE = 3
RELAY_ENABLE = 14
RELAY_PULSE = 15
BYPASS = 16
LAMP = 17
AUX = 18
BUTTON = 19
ESTOP = 20
ALERT = 21
COIL_SENSE = 22
ADC_SINK_LEFT, ADC_SINK_RIGHT, ADC_AMBIENT = 26, 27, 28
ADC_SUPPLY = 29  # a third of VSYS
ADC_DIE = 4

RAIL_POS_ADDRESS, RAIL_NEG_ADDRESS = 0x40, 0x41
OUTPUT_LEFT_ADDRESS, OUTPUT_RIGHT_ADDRESS = 0x48, 0x49

I2C_HZ = 400_000
# A transfer takes 0.14 ms. The default of 50 ms would let one stuck bus stop
# the pulses to the relay.
I2C_TIMEOUT_US = 1000
WATCHDOG_MS = 1000
# Source: RP2040 datasheet 4.7.6, WATCHDOG_BASE + SCRATCH0; the boot ROM uses 4 to 7.
WATCHDOG_SCRATCH0 = 0x40058000 + 0x0C
RAILS, OUTPUTS = 0, 1
# The pull of the pin has to charge the wire through 10 k before it is read.
SENSE_US = 50


class Board:
    """Everything the firmware reaches the world through.

    Args:
        port: bytes in and out, with `read_into(buffer) -> n`, `write(view) -> n`
            and `ready() -> bool`, none of which may block; None takes USB.
        flash: the files, see flash.Flash; None takes the board's own.
    """

    def __init__(self, port=None, flash=None):
        pin = machine.Pin
        self.enable = pin(RELAY_ENABLE, pin.OUT, value=0)
        self.pulse = pin(RELAY_PULSE, pin.OUT, value=0)
        self.bypass = pin(BYPASS, pin.OUT, value=0)
        self.lamp = pin(LAMP, pin.OUT, value=0)
        self.aux = pin(AUX, pin.IN, pin.PULL_UP)
        self.button = pin(BUTTON, pin.IN, pin.PULL_UP)
        self.estop = pin(ESTOP, pin.IN, pin.PULL_UP)
        self.alert = pin(ALERT, pin.IN, pin.PULL_UP)
        # Pulled towards "set": a wire that is off does not pass for a latch at rest.
        self.latch = pin(LATCH_SENSE, pin.IN, pin.PULL_UP)
        self._coil = pin(COIL_SENSE, pin.IN, pin.PULL_DOWN)
        self.i2c = [self._open_bus(RAILS), self._open_bus(OUTPUTS)]
        self.adc_sink_left = machine.ADC(ADC_SINK_LEFT)
        self.adc_sink_right = machine.ADC(ADC_SINK_RIGHT)
        self.adc_ambient = machine.ADC(ADC_AMBIENT)
        self.adc_supply = machine.ADC(ADC_SUPPLY)
        self.adc_die = machine.ADC(ADC_DIE)
        self.watchdog = None
        if port is None:
            from wardenfw.usb_port import UsbPort

            port = UsbPort()
        self.port = port
        self.flash = Flash() if flash is None else flash

    def _open_bus(self, bus):
        pin = machine.Pin
        sda, scl = (RAILS_SDA, RAILS_SCL) if bus == RAILS else (OUTPUTS_SDA, OUTPUTS_SCL)
        return machine.I2C(bus, sda=pin(sda), scl=pin(scl), freq=I2C_HZ, timeout=I2C_TIMEOUT_US)

    def recover_bus(self, bus):
        """Clock out whatever a part still wants to say, then open the bus anew; return it.

        Nine clocks end any interrupted byte. Source: NXP UM10204 section 3.1.16.
        """
        pin = machine.Pin
        sda_pin, scl_pin = (RAILS_SDA, RAILS_SCL) if bus == RAILS else (OUTPUTS_SDA, OUTPUTS_SCL)
        sda = pin(sda_pin, pin.OPEN_DRAIN, value=1)
        scl = pin(scl_pin, pin.OPEN_DRAIN, value=1)
        for _ in range(9):
            if sda.value():
                break
            scl.value(0)
            sleep_us(5)
            scl.value(1)
            sleep_us(5)
        sda.value(0)
        sleep_us(5)
        sda.value(1)
        self.i2c[bus] = self._open_bus(bus)
        return self.i2c[bus]

    def watch_alert(self, handler):
        """Call `handler(pin)` in interrupt context when the alert line falls."""
        self.alert.irq(handler=handler, trigger=machine.Pin.IRQ_FALLING, hard=True)

    def start_watchdog(self):
        """From here on the board reboots unless `watchdog.feed()` is called in time."""
        self.watchdog = machine.WDT(timeout=WATCHDOG_MS)

    def coil_reads(self, pull_up):
        """Return 0 or 1: the node between the two coil switches, pulled by the pin alone to the side asked for."""
        pin = self._coil
        pin.init(pin.IN, pin.PULL_UP if pull_up else pin.PULL_DOWN)
        sleep_us(SENSE_US)
        return pin.value()

    def pulse_follows_enable(self):
        """Return True when the pulse pin, let go of, rises with the enable pin: their pads are neighbours.

        Raises the enable pin for a moment: only while nothing feeds the pump.
        """
        pin = self.pulse
        pin.init(pin.IN, pin.PULL_DOWN)
        self.enable.value(1)
        sleep_us(SENSE_US)
        touching = pin.value() == 1
        self.enable.value(0)
        pin.init(pin.OUT, value=0)
        return touching

    def bus_lines(self, bus):
        """Return (SDA, SCL) of an idle bus as they lie; the bus is opened anew, see `i2c`."""
        pin = machine.Pin
        sda_pin, scl_pin = (RAILS_SDA, RAILS_SCL) if bus == RAILS else (OUTPUTS_SDA, OUTPUTS_SCL)
        sda, scl = pin(sda_pin, pin.IN, pin.PULL_UP), pin(scl_pin, pin.IN, pin.PULL_UP)
        sleep_us(SENSE_US)
        levels = sda.value(), scl.value()
        self.i2c[bus] = self._open_bus(bus)
        return levels

    def keep_word(self, word):
        """Keep 32 bits over a reset by the watchdog, not over a loss of power."""
        machine.mem32[WATCHDOG_SCRATCH0] = word

    def kept_word(self):
        return machine.mem32[WATCHDOG_SCRATCH0] & 0xFFFFFFFF

    def board_id(self):
        return "".join("%02x" % b for b in machine.unique_id())

    def reset_reason(self):
        return "watchdog" if machine.reset_cause() == machine.WDT_RESET else "power-on"

    def interpreter(self):
        return ".".join(str(n) for n in sys.implementation.version[:3])

    def random_u32(self):
        return int.from_bytes(os.urandom(4), "big")
