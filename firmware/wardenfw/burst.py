"""The full-rate scans around a trip, kept until the next closing."""

import struct
from array import array

from wardenfw import scale, wire

BEFORE, AFTER = 200, 50  # scans: 2 s and 0.5 s at 100 Hz
KEPT = BEFORE + AFTER
_N = wire.N_CHANNELS


def _room():
    return array("I", [0] * KEPT), bytearray(KEPT), array("i", [0] * (KEPT * _N))


# Made while this module loads, among the first: once all of the program lies in the
# heap, no piece of it is long enough for the samples.
_made = [_room()]


class Burst:
    """
    Attributes:
        trip_seq: event sequence number of the trip held, 0 when there is none.
    """

    def __init__(self):
        self._t, self._bits, self._counts = _made.pop() if _made else _room()
        self.restart()

    def restart(self):
        """Forget the last trip and record anew."""
        self._head = 0
        self._held = 0
        self._left = -1
        self._before = 0
        self.trip_seq = 0

    def buffers(self):
        """Return (name, typecode, buffer) of what the memory test may write to."""
        return ("burst times", "I", self._t), ("burst bits", "B", self._bits), ("burst samples", "i", self._counts)

    def record(self, t_ms, bits, raw):
        """Keep one scan; does nothing once the half second after a trip is full."""
        if self._left == 0:
            return
        i = self._head
        self._t[i] = t_ms & 0xFFFFFFFF
        self._bits[i] = bits
        # Written out: a slice would allocate, a loop takes twice the time.
        c, b = self._counts, i * _N
        c[b] = raw[0]
        c[b + 1] = raw[1]
        c[b + 2] = raw[2]
        c[b + 3] = raw[3]
        c[b + 4] = raw[4]
        c[b + 5] = raw[5]
        c[b + 6] = raw[6]
        c[b + 7] = raw[7]
        c[b + 8] = raw[8]
        c[b + 9] = raw[9]
        c[b + 10] = raw[10]
        c[b + 11] = raw[11]
        c[b + 12] = raw[12]
        self._head = i + 1 if i + 1 < KEPT else 0
        if self._held < KEPT:
            self._held += 1
        if self._left > 0:
            self._left -= 1

    def trip(self, seq):
        """Mark the scan recorded next as the one of the trip with event number `seq`."""
        if self.trip_seq == 0:
            self.trip_seq = seq
            self._left = AFTER
            self._before = min(self._held, BEFORE)

    def is_complete(self):
        return self.trip_seq != 0 and self._left == 0

    def total(self):
        """Return how many records the held trip has."""
        return self._before + AFTER

    def trip_index(self):
        return self._before

    def record_bytes(self, out, at, i):
        """Write record `i` of the held trip into `out` at byte `at`, as wire.BURST_RECORD."""
        k = (self._head - self.total() + i) % KEPT
        counts, base = self._counts, k * _N
        values = [scale.to_si(c, counts[base + c]) for c in range(_N)]
        struct.pack_into(wire.BURST_RECORD, out, at, self._t[k], self._bits[k], *values)
