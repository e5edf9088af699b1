"""INA228 rail monitor: 20-bit shunt and bus voltage, and an alert that needs no software.

Source: TI INA228 SLYS021A, section 7.6 (register map).
"""

from wardenfw.scale import SHUNT_CAL, alert_counts

CONFIG = 0x00
ADC_CONFIG = 0x01
SHUNT_CAL_REGISTER = 0x02
VSHUNT = 0x04
VBUS = 0x05
DIAG_ALRT = 0x0B
SOVL = 0x0C
SUVL = 0x0D
MANUFACTURER_ID = 0x3E
DEVICE_ID = 0x3F

# Continuous shunt and bus, 540 us each, 4 averaged: new values every 4.3 ms.
# The alert compares every single conversion (SLOWALERT 0), so within 1.1 ms.
ADC_SETTING = 0xB << 12 | 4 << 9 | 4 << 6 | 1
ALERT_LATCHED = 0x8000
SHUNT_OVER = 0x0040
SHUNT_UNDER = 0x0020
# Threshold until a stage sets one.
FIRST_ALERT_A = 15.0


def signed20(b):
    """Return the two's complement number in bits 23..4 of three bytes."""
    v = b[0] << 12 | b[1] << 4 | b[2] >> 4
    return v - 0x100000 if v & 0x80000 else v


class Ina228:
    """One monitor on a bus; every method may raise OSError when it does not answer.

    Args:
        channel: the rail current it measures, for the calibration of its threshold.
    """

    def __init__(self, i2c, address, channel):
        self._i2c = i2c
        self._address = address
        self._channel = channel
        self._three = bytearray(3)
        self._two = bytearray(2)
        self._over = alert_counts(channel, FIRST_ALERT_A)
        self._under = alert_counts(channel, -FIRST_ALERT_A)

    def attach(self, i2c):
        self._i2c = i2c

    def _write(self, register, value):
        b = self._two
        b[0] = value >> 8 & 0xFF
        b[1] = value & 0xFF
        self._i2c.writeto_mem(self._address, register, b)

    def _read(self, register):
        b = self._two
        self._i2c.readfrom_mem_into(self._address, register, b)
        return b[0] << 8 | b[1]

    def check(self):
        """Return "ok" or what is wrong with the part's identity."""
        if self._read(MANUFACTURER_ID) != 0x5449 or self._read(DEVICE_ID) >> 4 != 0x228:
            return "another part answers"
        return "ok"

    def configure(self):
        """Set range, conversion, calibration and the alert threshold last asked for."""
        self._write(CONFIG, 0)
        self._write(ADC_CONFIG, ADC_SETTING)
        self._write(SHUNT_CAL_REGISTER, SHUNT_CAL)
        self._write(SOVL, self._over)
        self._write(SUVL, self._under & 0xFFFF)
        self._write(DIAG_ALRT, ALERT_LATCHED)

    def set_alert(self, amperes):
        """Pull the alert line when more than this flows, either way.

        An amplifier does not feed current back: that much the other way is a
        miswired or shorted rail.
        """
        self._over = alert_counts(self._channel, amperes)
        self._under = alert_counts(self._channel, -amperes)
        self._write(SOVL, self._over)
        self._write(SUVL, self._under & 0xFFFF)

    def is_configured(self):
        """Return False when the part lost its settings, as after a supply dip."""
        return self._read(SOVL) == self._over & 0xFFFF and self._read(ADC_CONFIG) == ADC_SETTING

    def clear_alert(self):
        """Read the flags, which releases a latched alert; return True if over-current was latched."""
        return self._read(DIAG_ALRT) & (SHUNT_OVER | SHUNT_UNDER) != 0

    def shunt_counts(self):
        b = self._three
        self._i2c.readfrom_mem_into(self._address, VSHUNT, b)
        v = b[0] << 12 | b[1] << 4 | b[2] >> 4
        return v - 0x100000 if v & 0x80000 else v

    def bus_counts(self):
        b = self._three
        self._i2c.readfrom_mem_into(self._address, VBUS, b)
        v = b[0] << 12 | b[1] << 4 | b[2] >> 4
        return v - 0x100000 if v & 0x80000 else v
