"""Did the set's own current move with the HF level, as oscillation's does and a transmitter's does not?

Oscillation swings both halves of an output stage against each other faster than the
devices let go, so both rails' currents rise together, at once and by similar amounts,
and fall with it. At the least they rise by what the output network burns: V^2 / (2 R)
over both rails (energy has to come from somewhere). What comes from outside takes
nothing; rectified somewhere in the set it may move a bias a little.

The question is put as a likelihood ratio for one rise of the current at one edge of
the level: the gain in amperes per volt not known, log-uniform from 2 mA/V to 0.5 A/V,
against none; noise as it was learned in this run while nothing happened. Sums of such
logarithms have Wald's property: without oscillation, exceeding h at any time has a
probability below exp(-h) (A. Wald, Sequential Analysis, 1947; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchwarden.analysis.hf_frames import Means
from benchwarden.analysis.situation import BIAS, NEG_A, POS_A, Facts
from benchwarden.core.samples import FloatArray

GAINS_A_PER_V: FloatArray = np.geomspace(2e-3, 0.512, 9)
# What rectified RF may move, taken as chance: half a milliampere per volt. An
# order below the least that is looked for; no source.
RECTIFIED_A_PER_V = 0.5e-3
# In a bias drop alone, in amperes of rail current: a clip lead is an aerial.
RECTIFIED_BIAS_A_PER_V = 2e-3
# A current that rises by more than this per volt is no company but the event itself.
_MOST_A_PER_V = 1.0
# What an output stage with slow devices draws across (the project's own guess).
_TYPICAL_A_PER_V = 10e-3
_PLAIN, _PLAIN_ONCE = 6.0, 4.0
# All that an edge is worth when the current is the other channel's: a hand on its pot.
ELSEWHERE = -2.0
# A class AB stage's idle current follows its rail by this power (spreaders fed
# through resistors; common practice, no source).
_LINE_POWER = 4.0
_FOLLOW, _FOLLOW_LATE = 0.05, 0.4
_LEARNED = 5
# Mean absolute value to standard deviation of a normal value.
_SIGMA = 1.2533
# Neither a converter's step nor a quiet minute makes the noise smaller than this.
_LEAST_A = 1.5e-4
# Nor is any noise quite white.
_WALK_SHARE = 0.25
_LEAST_BIAS_V = 1e-5


def log_ratio(rise_a: float, level_v: float, sigma_a: float) -> float:
    """Return ln of how much likelier a current rise is with oscillation than without.

    Args:
        rise_a: seen with the HF level's rise; amperes.
        level_v: the HF level's rise, above 0, volts.
        sigma_a: standard deviation of the rise by chance, amperes.

    Source: Neyman and Pearson's ratio for a normal mean, averaged over GAINS_A_PER_V.
    """
    wide = math.hypot(sigma_a, RECTIFIED_A_PER_V * level_v)
    mean = GAINS_A_PER_V * (level_v / wide)
    power = mean * (rise_a / wide - 0.5 * mean)
    top = float(power.max())
    return top + math.log(float(np.exp(power - top).mean()))


class QuietDraw:
    """What rail currents and bias drops do from second to second while nothing happens.

    Attributes:
        step_a: mean change of both rails' mean from one second to the next.
        slope_a: the same with its sign: a warm-up's trend.
        late_a: the same over the newest few seconds: a hand on a pot.
        bias_step_v: of each bias drop.
    """

    __slots__ = ("_last", "_seconds", "bias_step_v", "late_a", "slope_a", "step_a")

    def __init__(self) -> None:
        self.step_a = self.slope_a = self.late_a = 0.0
        self.bias_step_v = [0.0, 0.0]
        self._last: tuple[float, float, float] | None = None
        self._seconds = 0

    def quiet(self, mean: list[float]) -> None:
        """Take in a calm second that follows the one before."""
        pos, neg, left, right = mean[POS_A], mean[NEG_A], mean[BIAS[0]], mean[BIAS[1]]
        amps = 0.5 * (pos + neg)
        if amps != amps:
            amps = pos if pos == pos else neg
        last = self._last
        self._last = (amps, left, right)
        if last is None:
            return
        self._seconds += 1
        follow = _FOLLOW if self._seconds > 20 else 1.0 / self._seconds
        step = amps - last[0]
        if step == step:
            self.slope_a += follow * (step - self.slope_a)
            self.late_a += max(_FOLLOW_LATE, follow) * (step - self.late_a)
            self.step_a += follow * ((-step if step < 0.0 else step) - self.step_a)
        for k, off in ((0, left - last[1]), (1, right - last[2])):
            if off == off:
                self.bias_step_v[k] += follow * ((-off if off < 0.0 else off) - self.bias_step_v[k])

    def interrupted(self) -> None:
        """Take note that the next second does not follow the last one."""
        self._last = None

    def forget(self) -> None:
        """Begin anew: the set was switched, another noise may rule."""
        self._last = None
        self._seconds = 0
        self.step_a = self.slope_a = self.late_a = 0.0

    @property
    def learned(self) -> bool:
        """Enough seconds were seen to say what chance does."""
        return self._seconds >= _LEARNED


@dataclass(frozen=True)
class Company:
    """What current and bias did at an edge of the HF level.

    Attributes:
        rise_a: of the rail that rose less, beyond the trend; NaN when neither is known.
        sigma_a: what chance makes of it.
        bias_a: rise of each channel's bias drop as a rail current. bias_sigma_a: each.
    """

    rise_a: float
    sigma_a: float
    bias_a: tuple[float, float]
    bias_sigma_a: tuple[float, float]

    def evidence(
        self, k: int, level_v: tuple[float, float], alone: bool, least: float, most: float, once: bool = False
    ) -> float:
        """Return ln of the likelihood ratio for oscillation of channel k, 0 when nothing can be said.

        Args:
            level_v: rise of both HF levels, volts.
            alone: the other channel shows no more than crosstalk.
            least, most: what one edge may count, whatever chance says.
            once: the edge is looked at by itself and not summed with many.
        """
        level = max(level_v[k], 1e-3) + (0.0 if alone else max(level_v[1 - k], 0.0))
        if self.rise_a != self.rise_a:
            # Without rail currents the emitter resistor tells, and is believed half.
            if self.bias_a[k] != self.bias_a[k]:
                return 0.0
            if _TYPICAL_A_PER_V * level < 2.0 * self.bias_sigma_a[k]:
                return 0.0
            noise = math.hypot(self.bias_sigma_a[k], RECTIFIED_BIAS_A_PER_V * level)
            return min(max(0.5 * log_ratio(self.bias_a[k], level, noise), least), most)
        if self.rise_a > _MOST_A_PER_V * level:
            return 0.0
        if (
            _TYPICAL_A_PER_V * level < 2.0 * self.sigma_a
            and not self.rise_a > (_PLAIN_ONCE if once else _PLAIN) * self.sigma_a
        ):
            # Sums of many that hardly tell anything wander; each of few that do is a test.
            return 0.0
        found = min(max(log_ratio(self.rise_a, level, self.sigma_a), least), most)
        if found <= 1.0:
            return found
        place = self._place(k, alone)
        return place if place == ELSEWHERE else min(found + place, most)

    def _place(self, k: int, alone: bool) -> float:
        """Return what the bias drops say about where the current goes: from ELSEWHERE to 1.5."""
        own, other = self.bias_a[k], self.bias_a[1 - k]
        own_noise, other_noise = 3.0 * self.bias_sigma_a[k], 3.0 * self.bias_sigma_a[1 - k]
        if own != own:
            return 0.0
        # One emitter resistor of several pairs carries its share give or take a half.
        if own > max(0.3 * self.rise_a, own_noise):
            return 1.5 if alone else 1.0
        if not own < 0.15 * self.rise_a - own_noise:
            return 0.0
        # A stage may oscillate in its drivers; not by way of the other channel's devices.
        return ELSEWHERE if other > max(0.5 * self.rise_a, other_noise) else -1.0 if alone else -1.5


def company_at(
    facts: Facts, draw: QuietDraw, during: Means, refs: list[Means], frame_a: float, apart_s: float = 0.0
) -> Company | None:
    """Return how the current differed while the level was up, None when there is nothing to compare with.

    Args:
        refs: frames before and after (or one of them) with the level down.
        frame_a: standard deviation of one frame's current.
        apart_s: how long ago the only reference was; drift may have grown since.
    """
    if not refs or not draw.learned:
        return None
    share = 1.0 / len(refs)
    at_s = sum(r.t_s for r in refs) * share
    trend_a = draw.slope_a * (during.t_s - at_s)
    rails = [during.rail_a[i] - sum(r.rail_a[i] for r in refs) * share - trend_a for i in range(2)]
    known = [r for r in rails if r == r]
    rise = min(known) if known else math.nan
    if len(known) == 1 and facts.unit.load_connected:
        # One rail alone cannot tell conduction from DC through the load.
        for k in range(2):
            shift = during.offset_v[k] - sum(r.offset_v[k] for r in refs) * share
            rise -= abs(shift) / facts.unit.load_ohm if shift == shift else 0.0
    around = sum(r.n for r in refs)
    # Frames' own noise averages out; what else the seconds differ by adds up.
    # A current on the move before the level came proves nothing by moving on.
    step_a = _SIGMA * max(draw.step_a, abs(draw.late_a))
    own_a = frame_a * math.sqrt(2.0 / max(facts.rate_hz, 1.0))
    walk_a = max(math.sqrt(max(step_a**2 - own_a**2, 0.0)), _WALK_SHARE * step_a, _LEAST_A)
    sigma = math.hypot(walk_a * math.sqrt(1.0 + apart_s), frame_a * math.sqrt(1.0 / during.n + 1.0 / around))
    # A mains step lifts rail and current together; a load of its own lets the rail sag.
    moved_v = during.rail_v - sum(r.rail_v for r in refs) * share
    if moved_v > 0.0 and during.rail_v > 1.0:
        mean_a = abs(sum(a for a in during.rail_a if a == a)) / max(len(known), 1)
        sigma += _LINE_POWER * mean_a * moved_v / during.rail_v
        if facts.unit.shunt_position == "before-reservoir":
            # The reservoirs follow a step of the mains within some 0.3 s.
            sigma += facts.unit.reservoir_uf * 1e-6 * moved_v / 0.3
    bias = tuple((during.bias_v[k] - sum(r.bias_v[k] for r in refs) * share) * facts.amps_per_bias_v for k in range(2))
    noise = tuple(
        max(_SIGMA * draw.bias_step_v[k], _LEAST_BIAS_V) * facts.amps_per_bias_v * math.sqrt(1.0 + apart_s)
        for k in range(2)
    )
    return Company(rise, sigma, (bias[0], bias[1]), (noise[0], noise[1]))
