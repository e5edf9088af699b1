"""What does an HF channel show while nothing happens, and from where on is it up?

The level is learned, because detectors differ: a diode's foot, converter offset and
the set's own hash make it anything from 0 to a tenth of a volt, with any noise. It
follows downwards at once and upwards slowly and not far, so an oscillation that
grows over minutes is not taken for the new quiet.
"""

from __future__ import annotations

import math

# Counts as up from here on: 0.06 V peak into a 10 ohm output network is 0.2 mW,
# nothing that heats, and four times what a good set with its detector shows
# (15 mV; common practice, no source).
RISE_V = 0.06
# Before anything was learned the quiet level is not above this.
_FIRST_V = 0.15
# Powered, the level may creep this far above where it was first found
# (detector diode: 2 mV per kelvin, some 20 K; from memory).
_CREEP_V = 0.04
_FOLLOW = 0.05
# In mean deviations of a second's mean: 4.8 standard deviations of a normal one.
_DEVIATIONS = 6.0
# Of two normal values, mean deviation of one over their mean difference.
_STEP_DEVIATION = 0.7071
# In times of what the largest reading of a quiet second is above the level: the
# largest of ten normal readings is 1.5 standard deviations up; 2.5 times that is six
# readings in 100 000, of frame means where extremes are not sent.
_TOPS = 2.5


class Baseline:
    """Quiet level and noise of one HF channel in one drive state.

    Attributes:
        base_v: learned level, NaN before the first value.
        spread_v: mean deviation of a second's mean.
        limit_v: a frame whose mean is above this is up; a second whose largest
            reading is below needs no look at its frames.
    """

    __slots__ = ("_first_v", "_last_v", "_top_v", "base_v", "limit_v", "spread_v")

    def __init__(self) -> None:
        self.base_v = self.limit_v = self._first_v = self._last_v = math.nan
        self.spread_v = 0.003
        self._top_v = 0.0

    def start(self, value_v: float) -> None:
        """Begin with what the first reading allows."""
        self.base_v = self._first_v = min(value_v, _FIRST_V)
        self._set()

    def quiet(self, mean_v: float, high_v: float) -> None:
        """Take in the mean and the largest reading of a second that was not up."""
        off = mean_v - self.base_v
        base = self.base_v + (_FOLLOW if off > -2.0 * self.spread_v else 0.3) * off
        most = self._first_v + _CREEP_V
        self.base_v = base if base < most else most
        if self.base_v < self._first_v:
            self._first_v = self.base_v
        # Noise by what changes from one second to the next: a level that creeps
        # must not pass for noise and lift its own limit.
        step = mean_v - self._last_v
        self._last_v = mean_v
        if step == step:
            size = _STEP_DEVIATION * (-step if step < 0.0 else step)
            most = 4.0 * self.spread_v + 1e-4
            self.spread_v += _FOLLOW * ((size if size < most else most) - self.spread_v)
        # A click is in the largest reading of one second and says nothing of the next.
        top, most = high_v - mean_v, 3.0 * self._top_v + 0.02
        self._top_v += _FOLLOW * ((top if top < most else most) - self._top_v)
        self._set()

    def accept(self, mean_v: float) -> None:
        """Take in a second that is up for a reason of no interest: no power, or clipping on both outputs."""
        self.base_v += _FOLLOW * (mean_v - self.base_v)
        self._first_v = self.base_v
        self._set()

    def _set(self) -> None:
        over = _DEVIATIONS * self.spread_v
        if over < RISE_V:
            over = RISE_V
        if over < _TOPS * self._top_v:
            over = _TOPS * self._top_v
        if over < 0.5 * self.base_v:
            over = 0.5 * self.base_v
        self.limit_v = self.base_v + over
