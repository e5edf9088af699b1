"""Which calibration does this board measure with, and may another one take its place?

Two files hold a record each, exactly as `wire.pack_calibration` made it. A new
record goes to the file that is not in force, is read back, and only then counts:
whatever byte the power fails at, an intact record stays. In force is the intact
record of this board with the highest number. A file that holds none is told in
words, and the other one is used.
"""

from wardenfw import scale, wire

SLOTS = ("cal_a.bin", "cal_b.bin")
# Further off than this is a mistake or a defect, not a tolerance.
GAIN_LOW, GAIN_HIGH = 0.8, 1.25
OFFSET_OF_CEILING = 0.05
OFFSET_K = 5.0
# A record of every channel, and room to see that a file is longer than that.
_LARGEST = 512


class Calibration:
    """
    Args:
        flash: see flash.Flash.
        board_id: the id a record has to be made for.

    Attributes:
        record: the record in force as bytes, empty when there is none.
        number: its number, 0 when there is none.
        words: its dates, or that there is none, and what is wrong with a file.
    """

    def __init__(self, flash, board_id):
        self._flash = flash
        self._board_id = board_id
        self._slot = -1
        self.record = b""
        self.number = 0
        self.words = "uncalibrated"

    def crc_hex(self):
        """Return the CRC-32 the record in force ends with as eight digits, "" when there is none.

        Not that of the whole record: a CRC-32 taken over its own is the same for every record.
        """
        return "%08x" % int.from_bytes(self.record[-wire.CRC_SIZE :], "little") if self.record else ""

    def load(self):
        """Choose the record in force out of flash and measure with it from now on."""
        self._slot = -1
        self.record = b""
        self.number = 0
        entries = ()
        words = "uncalibrated"
        wrong = ""
        for slot in range(2):
            data, problem = self._read(slot)
            parts = None
            if data:
                parts, problem = self._opened(data)
            if problem:
                wrong += "; slot %s: %s" % ("ab"[slot], problem)
            # The first one has no other to be newer than.
            elif parts is not None and (self._slot < 0 or parts[3] > self.number):
                self._slot = slot
                self.record = data
                self.number = parts[3]
                entries = parts[5]
                words = "calibrated %s, due %s" % (date_of(parts[1]), date_of(parts[1] + parts[2]))
        self.words = words + wrong
        scale.calibrate(entries)

    def store(self, record):
        """Write a new record, and measure with it if flash holds it; return (answer, text).

        The relay must be open: limits already turned into counts are stale afterwards.
        """
        parts, problem = self._opened(record)
        if problem:
            return wire.R_CALIBRATION, problem
        if record == self.record:
            # Said again, by a host that never got the answer.
            return wire.DONE, self.words
        if parts[3] <= self.number:
            return wire.R_CALIBRATION, "number %d, and %d is in force already" % (parts[3], self.number)
        slot = 1 if self._slot == 0 else 0
        try:
            self._flash.write(SLOTS[slot], record)
        except OSError as error:
            self.load()
            return wire.R_FLASH, "slot %s takes no writing (%s)" % ("ab"[slot], error)
        data, problem = self._read(slot)
        self.load()
        if problem or data != record:
            return wire.R_FLASH, "slot %s does not hold what was written" % "ab"[slot]
        return wire.DONE, self.words

    def _read(self, slot):
        """Return (bytes, what is wrong or ""); no bytes without a file."""
        buffer = bytearray(_LARGEST)
        try:
            n = self._flash.read_into(SLOTS[slot], 0, buffer)
        except OSError as error:
            return b"", "cannot be read (%s)" % error
        if n == 0:
            return b"", "damaged"
        return bytes(memoryview(buffer)[: max(0, n)]), ""

    def _opened(self, record):
        """Return (what wire.unpack_calibration does, "") or (None, what is wrong)."""
        try:
            parts = wire.unpack_calibration(record)
        except ValueError:
            # Covers WireError, and bytes that are no text under a right CRC.
            return None, "damaged"
        board, _, _, _, _, entries = parts
        if board != self._board_id:
            return None, "record of another board (%s)" % board
        problem = _absurd(entries)
        return (None, problem) if problem else (parts, "")


def _absurd(entries):
    """Return what cannot be right about the entries of a record, or ""."""
    if not entries:
        return "no channel in it"
    seen = 0
    for channel, points, _, gain, offset, centre, u_a, u_b in entries:
        if channel >= wire.N_CHANNELS:
            return "no channel %d" % channel
        name = wire.CHANNELS[channel]
        if seen >> channel & 1:
            return "%s twice" % name
        seen |= 1 << channel
        if not points:
            return "%s without a point" % name
        # Written so that NaN is refused too.
        if not GAIN_LOW <= gain <= GAIN_HIGH:
            return "%s: gain %.6g, allowed %g to %g" % (name, gain, GAIN_LOW, GAIN_HIGH)
        most = OFFSET_K if scale.SHAPE[channel] == scale.CELSIUS else OFFSET_OF_CEILING * wire.CEILINGS[channel]
        if not -most <= offset <= most:
            return "%s: offset %.6g, allowed +-%.4g" % (name, offset, most)
        infinity = float("inf")
        if not -infinity < centre < infinity:
            return "%s: centre %s" % (name, centre)
        if not (0.0 <= u_a < infinity and 0.0 <= u_b < infinity):
            return "%s: uncertainty %s, %s" % (name, u_a, u_b)
    return ""


def date_of(day):
    """Return a day, counted from 2000-01-01, as "2026-11-25".

    The years begin in March here, so that the leap day is their last; five
    months of 153 days repeat. Valid to 2100-02-28.
    """
    day -= 60  # 2000-03-01
    year = (4 * day + 3) // 1461
    day -= 1461 * year // 4
    month = (5 * day + 2) // 153
    day -= (153 * month + 2) // 5
    if month > 9:
        year += 1
        month -= 12
    return "%d-%02d-%02d" % (2000 + year, month + 3, day + 1)
