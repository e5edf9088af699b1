"""Is an ADS1115 whole, and is the output terminal held at mid supply?

The mid supply is half the module's 3.3 V: 5 % is 2 % of the regulator, 1 % of
each resistor and the converter's own errors, rounded up.

Source: TI SBAS444D, Config register (OS bit) and data rate tolerance of 10 %.
"""

from wardenfw.registers import signed16
from wardenfw.sensors.ads1115 import CONFIG, CONVERSION, MIDDLE
from wardenfw.ticks import sleep_us

LOW_THRESHOLD, HIGH_THRESHOLD = 2, 3
LOW_REST, HIGH_REST = 0x8000, 0x7FFF
READY = 0x8000
# As long as the scan leaves it: 1.16 ms, 10 % more and the wake-up.
CONVERSION_US = 1500
MIDDLE_V = 1.65
MIDDLE_LSB_V = 125e-6
MIDDLE_WITHIN = 0.05


def registers(part):
    """Return "ok" or what is wrong with the registers of `part` (Registers); its comparator is off."""
    return part.holds(LOW_THRESHOLD, 0xFFFF, LOW_REST) or part.holds(HIGH_THRESHOLD, 0xFFFF, HIGH_REST) or "ok"


def middle_volts(part):
    """Return the terminal against the converter's ground, None when the conversion does not end in time."""
    part.write(CONFIG, MIDDLE)
    sleep_us(CONVERSION_US)
    if not part.read(CONFIG) & READY:
        return None
    return signed16(part.read(CONVERSION)) * MIDDLE_LSB_V


def judge_middle(volts):
    if volts is None:
        return "does not end a conversion within %.1f ms" % (CONVERSION_US / 1000)
    if abs(volts - MIDDLE_V) > MIDDLE_V * MIDDLE_WITHIN:
        return "mid supply reads %.3f V, expected %.2f" % (volts, MIDDLE_V)
    return "ok"
