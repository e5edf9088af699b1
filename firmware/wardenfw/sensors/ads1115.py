"""ADS1115 on an output terminal: bias drop, offset, HF envelope, one conversion at a time.

All three are taken against AIN3, the terminal itself held at mid supply, so that
the mid supply's own tolerance cancels; AIN3 to ground shows whether it is there.

Source: TI SBAS444D, Config register; one conversion at 860 SPS takes 1.16 ms
plus 10 % and 25 us to wake, which a slot leaves it.
"""

CONVERSION = 0
CONFIG = 1

# OS start, MUX, PGA, single shot, 860 SPS, comparator off.
BIAS = 0x8000 | 1 << 12 | 5 << 9 | 0x0100 | 7 << 5 | 3  # AIN0-AIN3, 0.256 V
HF = 0x8000 | 2 << 12 | 2 << 9 | 0x0100 | 7 << 5 | 3  # AIN1-AIN3, 2.048 V
OFFSET = 0x8000 | 3 << 12 | 2 << 9 | 0x0100 | 7 << 5 | 3  # AIN2-AIN3, 2.048 V
MIDDLE = 0x8000 | 7 << 12 | 1 << 9 | 0x0100 | 7 << 5 | 3  # AIN3 to ground, 4.096 V


def _command(config):
    return bytes((CONFIG, config >> 8, config & 0xFF))


START_BIAS = _command(BIAS)
START_OFFSET = _command(OFFSET)
START_HF = _command(HF)
START_MIDDLE = _command(MIDDLE)


class Ads1115:
    """One converter on a bus; every method may raise OSError when it does not answer."""

    def __init__(self, i2c, address):
        self._i2c = i2c
        self._address = address
        self._two = bytearray(2)

    def attach(self, i2c):
        self._i2c = i2c

    def start(self, command):
        """Begin the conversion of START_BIAS, START_OFFSET, START_HF or START_MIDDLE."""
        self._i2c.writeto(self._address, command)

    def counts(self):
        """Return the last conversion, -32768 to 32767."""
        b = self._two
        self._i2c.readfrom_mem_into(self._address, CONVERSION, b)
        v = b[0] << 8 | b[1]
        return v - 0x10000 if v & 0x8000 else v

    def check(self):
        """Return "ok" or what is wrong: the part must hold what it is told."""
        self.start(START_OFFSET)
        b = self._two
        self._i2c.readfrom_mem_into(self._address, CONFIG, b)
        if (b[0] << 8 | b[1]) & 0x7FFF != OFFSET & 0x7FFF:
            return "another part answers"
        return "ok"
