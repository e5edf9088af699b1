"""Does the set run away or oscillate, when nobody else looks? Both rules, a piece at a time beside the scan.

They see what the host's analysis would see, later and less of it: the board's limits
are wider than they are, the host's forecast is earlier. Pure logic; the answer to a
finding is a tuple (cause, channel, value, limit, words), value and limit in SI units.
"""

from wardenfw import scale
from wardenfw.history import SHORT
from wardenfw.oscillation import HF, OSCILLATION, Oscillation
from wardenfw.runaway import HALF_S, N_FAST, RAILS, THERMAL_RUNAWAY, TRACKS, WINDOWS, Runaway

SIDES = ("left", "right")
_FAST_PIECES = TRACKS * N_FAST
_SLOW = len(WINDOWS) - N_FAST
# Per frame: every window of seconds, one of the slow ones in turn, two outputs.
PIECES = _FAST_PIECES + 1 + len(HF)
# A slow point is a second: each slow window has its turn in it.
TURNS = 10


class Watch:
    """
    Args:
        history: history.History of fine means, pushed by the guard.
    """

    def __init__(self, history):
        self._history = history
        self.runaway = Runaway(history)
        self.oscillation = Oscillation(history)
        self._turn = 0

    def load(self, stage):
        self.runaway.load(stage)
        self.oscillation.load(stage)

    def restart(self):
        self.runaway.restart()
        self.oscillation.restart()

    def frame(self, means, hf_low):
        """Take one more frame.

        Args:
            means: as pushed into the history.
            hf_low: least HF readings, left and right, fine units, MISSING where there is none.
        """
        self.runaway.frame(means)
        self.oscillation.frame(hf_low[0], hf_low[1])
        self._turn = (self._turn + 1) % TURNS

    def step(self, i):
        """Do piece `i` of PIECES of this frame's work; None, or the finding."""
        if i < _FAST_PIECES:
            if self.runaway.step(i // N_FAST, i % N_FAST):
                return self._runaway()
        elif i == _FAST_PIECES:
            turn = self._turn
            if turn < TRACKS * _SLOW and self.runaway.step(turn // _SLOW, N_FAST + turn % _SLOW):
                return self._runaway()
        elif i < PIECES:
            k = i - _FAST_PIECES - 1
            if self.oscillation.step(k):
                return self._oscillation(k)
        return None

    def _now(self, channel):
        return scale.to_si(channel, self._history.back(SHORT, channel, 0) / scale.FINE_PER_COUNT)

    def _runaway(self):
        rule = self.runaway
        rails = rule.track == RAILS
        channel = 0 if rails else 6 + rule.track
        per_milli = scale.fine_per_si(channel) / 1000
        words = "climbs faster and faster: %.2f, then %.2f %s in %.1f s each; %s" % (
            rule.early / per_milli,
            rule.late / per_milli,
            "mA" if rails else "mV",
            HALF_S[rule.window],
            "rail voltage has not risen" if rails else "the rails carry it",
        )
        if rule.window >= N_FAST:
            words += ", the sink goes along"
        return THERMAL_RUNAWAY, channel, self._now(channel), scale.to_si(channel, rule.tops[channel]), words

    def _oscillation(self, k):
        rule = self.oscillation
        step_v = scale.GAIN[HF[k]]
        level_v, base_v = rule.low[k] * step_v, rule.base[k] * step_v
        words = "never below %.2f V, quiet %.3f V; %s output quiet, rails up by %.0f mA" % (
            level_v,
            base_v,
            SIDES[1 - k],
            rule.rise / (scale.fine_per_si(0) / 1000),
        )
        return OSCILLATION, HF[k], level_v, rule.threshold * step_v, words
