"""What the means of the last seconds were, for limits on slope and on jumps.

Two rings of whole numbers in the fine units of `scale`: 100 ms means for
windows up to 6.3 s and 1 s means for windows up to 65 s.
"""

from array import array

from wardenfw.scale import MISSING

SHORT_MS, LONG_MS = 100, 1000
DEPTH = 66
LONGEST_SHORT_WINDOW_MS = (DEPTH - 2) * SHORT_MS
SHORT, LONG = 0, 1


class History:
    def __init__(self, n_channels):
        self._n = n_channels
        self._ring = (array("i", [0] * (n_channels * DEPTH)), array("i", [0] * (n_channels * DEPTH)))
        self._head = [0, 0]
        self._filled = [0, 0]
        self._sum = [0] * n_channels
        self._count = [0] * n_channels
        self._ticks = 0

    def restart(self):
        """Forget everything: what came before is another situation."""
        self._filled[0] = self._filled[1] = 0
        self._ticks = 0
        for i in range(self._n):
            self._sum[i] = self._count[i] = 0

    def buffers(self):
        """Return (name, typecode, buffer) of what the memory test may write to."""
        return ("100 ms history", "i", self._ring[0]), ("1 s history", "i", self._ring[1])

    def push(self, means):
        """Take one 100 ms mean of every channel, fine units, MISSING where there is none."""
        ring, base = self._ring[0], self._head[0] * self._n
        total, count = self._sum, self._count
        for i in range(self._n):
            v = means[i]
            ring[base + i] = v
            if v != MISSING:
                total[i] += v
                count[i] += 1
        self._head[0] = (self._head[0] + 1) % DEPTH
        if self._filled[0] < DEPTH:
            self._filled[0] += 1
        self._ticks += 1
        if self._ticks == LONG_MS // SHORT_MS:
            self._ticks = 0
            ring, base = self._ring[1], self._head[1] * self._n
            for i in range(self._n):
                ring[base + i] = total[i] // count[i] if count[i] else MISSING
                total[i] = count[i] = 0
            self._head[1] = (self._head[1] + 1) % DEPTH
            if self._filled[1] < DEPTH:
                self._filled[1] += 1

    def back(self, tier, channel, steps):
        """Return the mean `steps` ago (0 is the newest), MISSING when not held."""
        if steps >= self._filled[tier]:
            return MISSING
        return self._ring[tier][(self._head[tier] - 1 - steps) % DEPTH * self._n + channel]

    def mean(self, tier, channel, steps):
        """Return the mean of the newest `steps` means, MISSING unless all are held."""
        if steps > self._filled[tier]:
            return MISSING
        ring, n = self._ring[tier], self._n
        at = self._head[tier]
        total = 0
        for _ in range(steps):
            at = at - 1 if at else DEPTH - 1
            v = ring[at * n + channel]
            if v == MISSING:
                return MISSING
            total += v
        return total // steps
