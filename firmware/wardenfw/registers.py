"""Any 16-bit register of a part on a bus, for tests that look behind the drivers."""


class Registers:
    """Every method may raise OSError when the part does not answer."""

    def __init__(self, i2c, address):
        self._i2c = i2c
        self._address = address
        self._two = bytearray(2)
        self._three = bytearray(3)

    def read(self, register):
        b = self._two
        self._i2c.readfrom_mem_into(self._address, register, b)
        return b[0] << 8 | b[1]

    def write(self, register, value):
        b = self._two
        b[0] = value >> 8 & 0xFF
        b[1] = value & 0xFF
        self._i2c.writeto_mem(self._address, register, b)

    def read_signed20(self, register):
        """Return the two's complement number in the upper 20 bits of a 24-bit register."""
        b = self._three
        self._i2c.readfrom_mem_into(self._address, register, b)
        v = b[0] << 12 | b[1] << 4 | b[2] >> 4
        return v - 0x100000 if v & 0x80000 else v

    def holds(self, register, mask, rest):
        """Return "" when a register takes both checkerboards, else what was read back; leaves `rest` in it.

        Args:
            mask: the bits the part implements.
        """
        found = ""
        for pattern in (0x5555, 0xAAAA):
            self.write(register, pattern & mask)
            read = self.read(register)
            if read != pattern & mask and not found:
                found = "register %02X reads %04X, expected %04X" % (register, read, pattern & mask)
        self.write(register, rest)
        return found


def signed16(value):
    return value - 0x10000 if value & 0x8000 else value
