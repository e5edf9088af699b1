"""Does one amplifier channel oscillate? The board's own rule, for when nobody else watches.

Oscillation stays between the scans: the least HF reading of a whole frame is up. It
belongs to one channel, and it makes the output devices conduct against each other, so
the current of the rails rises with it, from that frame on. A telephone's slots leave
minima at the baseline (GSM: one in eight, from memory), a click is one scan, a
transmitter reaches both outputs and takes nothing from the rails, rails that rose carry
the current with them. With the test signal on, clipping looks alike: then the rule keeps
still and the limits guard.

Whole numbers: HF in steps of scale.PEAK_STEP_V, rest in fine units, means out of the
guard's history; nothing in here allocates.
"""

from wardenfw import scale, wire
from wardenfw.history import SHORT

MISSING = scale.MISSING
OSCILLATION = wire.CAUSES.index("oscillation")
HF = (11, 12)

# Above the baseline, in steps: below 0.06 V peak an output network hardly warms.
RISE = 600
FIRST_BASE, HIGHEST_BASE = 500, 1500
# Frames with HF and current up together, and the first of them that count after the onset.
HELD = 10
HELD_GROSS = 2
LONGEST = 30
# One such frame is forgotten in as many frames, so that bursts add up.
LEAK = 200
SETTLE = 30
# The other output may show this share of it, 1 in OTHER: leads and supply carry some.
OTHER = 4
# Rails: amperes each, and 1 in CURRENT of what they carried; 1 in VOLTS is a rise of their own.
CURRENT_A, CURRENT = 0.006, 64
VOLTS = 128
# Frames before the onset to compare with; the one right before it may hold a part of it.
BEFORE_FROM, BEFORE_TO = 2, 9


class Oscillation:
    """
    Args:
        history: history.History of fine means.

    Attributes:
        low: least HF reading of the newest frame, left and right, MISSING where there is none.
        base: what it is while quiet.
        threshold, rise: what the newest finding was beyond (steps), and by how much the current
            of the two rails together has risen (fine units).
    """

    def __init__(self, history):
        self._history = history
        self.low = [MISSING, MISSING]
        self.base = [MISSING, MISSING]
        self.threshold = self.rise = 0
        self._plain = [scale.UNBOUNDED] * 2
        self._up = [0, 0]
        self._score = [0, 0]
        self._amps = [MISSING, MISSING]
        self._volts = [MISSING, MISSING]
        self._least = 0
        self._frames = 0
        self._still = True

    def load(self, stage):
        """Take the levels of another stage.

        Args:
            stage: stage.Stage.
        """
        for k in (0, 1):
            top = stage.tops[HF[k]]
            self._plain[k] = top if top == scale.UNBOUNDED else scale.peak_steps(top * scale.FINE_PER_COUNT)
        self._least = int(CURRENT_A * (scale.fine_per_si(0) + scale.fine_per_si(1)))
        self._still = not stage.drive_on
        self.restart()

    def restart(self):
        """What came before is another situation."""
        self._frames = 0
        for k in (0, 1):
            self.base[k] = MISSING
            self._up[k] = self._score[k] = 0

    def frame(self, low_left, low_right):
        """Take the least HF readings of one more frame that is in the history."""
        self.low[0] = low_left
        self.low[1] = low_right
        self._frames += 1
        if self._frames % LEAK == 0:
            for k in (0, 1):
                if self._score[k]:
                    self._score[k] -= 1

    def step(self, k):
        """Ask one output; True when it oscillates."""
        low = self.low[k]
        if not self._still or low == MISSING or self._frames < SETTLE:
            self._up[k] = 0
            return False
        base = self.base[k]
        if base == MISSING:
            base = self.base[k] = min(low, FIRST_BASE)
        rise = low - base
        if rise <= max(RISE, base >> 1):
            self._up[k] = 0
            self._learn(k, rise)
            return False
        if self._up[k] == 0:
            self._note_before(k)
        self._up[k] += 1
        if self._up[k] > LONGEST:
            # Nobody's company: a noisier output than most, or a transmitter that stays.
            self._learn(k, rise)
            return False
        if not self._has_company(k, rise):
            return False
        self._score[k] += 1
        self.threshold = base + max(RISE, base >> 1)
        return self._score[k] >= HELD or (rise > self._plain[k] and self._score[k] >= HELD_GROSS)

    def _learn(self, k, rise):
        """A slow minimum: down by a quarter of the way a frame, up by a step every fourth, not beyond HIGHEST_BASE."""
        if rise < 0:
            self.base[k] += rise >> 2
        elif rise and self._frames & 3 == 0 and self.base[k] < HIGHEST_BASE:
            self.base[k] += 1

    def _note_before(self, k):
        """Note the most that the rails showed in the second before the onset."""
        amps = volts = MISSING
        if self._frames >= SETTLE + BEFORE_TO:
            history = self._history
            for i in range(BEFORE_FROM, BEFORE_TO):
                amps = max(amps, history.back(SHORT, 0, i) + history.back(SHORT, 1, i))
                volts = max(volts, history.back(SHORT, 2, i) + history.back(SHORT, 3, i))
        self._amps[k] = amps
        self._volts[k] = volts

    def _has_company(self, k, rise):
        other = self.low[1 - k]
        before = self._amps[k]
        if before < 0 or (other != MISSING and (other - max(self.base[1 - k], 0)) * OTHER > rise):
            return False
        history = self._history
        volts = history.back(SHORT, 2, 0) + history.back(SHORT, 3, 0)
        if volts > self._volts[k] + self._volts[k] // VOLTS:
            return False
        self.rise = history.back(SHORT, 0, 0) + history.back(SHORT, 1, 0) - before
        return self.rise > self._least + before // CURRENT
