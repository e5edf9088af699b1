"""Frames from totals, and the ring that keeps them until the host has them on disk."""

import struct

from wardenfw import scale, wire

MISSING = scale.MISSING
KEPT_FRAMES = 128
CHANNELS_PER_STEP = 3
FIRST_HF = wire.CHANNELS.index("hf_left_v")
_BLOCK = "<%df" % wire.N_CHANNELS
_BLOCK_SIZE = 4 * wire.N_CHANNELS
NAN = float("nan")


class FrameRing:
    """The newest unacknowledged frames; sequence numbers begin at 1.

    Attributes:
        oldest, following: the held frames are oldest <= seq < following.
        lost: frames overwritten before the host had them.
    """

    def __init__(self):
        self._data = bytearray(KEPT_FRAMES * wire.FRAME_SIZE)
        self._view = memoryview(self._data)
        self.oldest = 1
        self.following = 1
        self.lost = 0

    def buffers(self):
        """Return (name, typecode, buffer) of what the memory test may write to."""
        return (("frames", "B", self._data),)

    def room(self):
        """Return (buffer, offset) of the frame about to be added by `added`."""
        if self.following - self.oldest == KEPT_FRAMES:
            self.oldest += 1
            self.lost += 1
        return self._data, self.following % KEPT_FRAMES * wire.FRAME_SIZE

    def added(self):
        self.following += 1

    def frame(self, seq):
        """Return a view of the payload held under `seq`, None when it is not."""
        if not self.oldest <= seq < self.following:
            return None
        at = seq % KEPT_FRAMES * wire.FRAME_SIZE
        return self._view[at : at + wire.FRAME_SIZE]

    def acknowledge(self, seq):
        """Drop everything up to `seq`."""
        if seq >= self.oldest:
            self.oldest = min(seq + 1, self.following)


class FrameBuilder:
    """Turns totals into one frame, a few channels at a time.

    Attributes:
        means: last mean counts of every channel, MISSING where there is none.
        fine: the same in fine units, for the history.
        hf_low: least HF readings, left and right, in fine units.
    """

    def __init__(self, ring):
        self._ring = ring
        n = wire.N_CHANNELS
        self.means = [MISSING] * n
        self.fine = [MISSING] * n
        self.hf_low = [MISSING, MISSING]
        self._mean = [NAN] * n
        self._low = [NAN] * n
        self._high = [NAN] * n
        self._totals = None
        self._next = n
        self._head = (0, 0, 0, 0, 0, 0)
        self._valid = 0

    def begin(self, totals, t_ms, scan, stage_id, overruns, state, bits):
        self._totals = totals
        self._head = (t_ms & 0xFFFFFFFF, scan & 0xFFFFFFFF, stage_id, min(overruns, 0xFFFF), state, bits)
        self._valid = 0
        self._next = 0

    def is_busy(self):
        return self._totals is not None

    def _channel(self, i):
        totals = self._totals
        n = totals.scans - totals.missed[i]
        if n <= 0:
            self.means[i] = self.fine[i] = MISSING
            self._mean[i] = self._low[i] = self._high[i] = NAN
            if i >= FIRST_HF:
                self.hf_low[i - FIRST_HF] = MISSING
            return
        self._valid |= 1 << i
        total = totals.total[i]
        self.means[i] = total // n
        fine = total * scale.FINE_PER_COUNT // n
        low, high = totals.low[i], totals.high[i]
        # Three floats a channel and no more, nor a tuple of four: each one is an
        # allocation. Where a scale is curved the mean is of the counts, as a slower
        # converter would have it.
        parts, shape = scale.PARTS, scale.SHAPE[i]
        zero, gain = scale.ZERO[i], scale.GAIN_OF_PART[i]
        if shape == scale.LINEAR:
            self._mean[i] = (total * parts + zero * n) * (scale.GAIN_OF_TEN[i] if n == 10 else gain / n)
            if gain < 0.0:
                low, high = high, low
        else:
            if shape == scale.CELSIUS:
                celsius = scale.ntc_millicelsius
                fine = celsius(total // n)
                low, high = celsius(high), celsius(low)
            else:
                peak = scale.peak_steps
                fine = peak(fine)
                low, high = peak(low * scale.FINE_PER_COUNT), peak(high * scale.FINE_PER_COUNT)
                self.hf_low[i - FIRST_HF] = low
            self._mean[i] = (fine * parts + zero) * gain
        self.fine[i] = fine
        self._low[i] = (low * parts + zero) * gain
        self._high[i] = (high * parts + zero) * gain

    def step(self):
        """Work on; return True when the frame has just been added to the ring."""
        i = self._next
        if i < wire.N_CHANNELS:
            self._next = end = min(i + CHANNELS_PER_STEP, wire.N_CHANNELS)
            while i < end:
                self._channel(i)
                i += 1
            return False
        data, at = self._ring.room()
        t_ms, scan, stage_id, overruns, state, bits = self._head
        struct.pack_into(wire.FRAME_HEAD, data, at, t_ms, scan, stage_id, self._valid, overruns, state, bits)
        at += wire.FRAME_HEAD_SIZE
        struct.pack_into(_BLOCK, data, at, *self._mean)
        struct.pack_into(_BLOCK, data, at + _BLOCK_SIZE, *self._low)
        struct.pack_into(_BLOCK, data, at + 2 * _BLOCK_SIZE, *self._high)
        self._ring.added()
        self._totals = None
        return True
