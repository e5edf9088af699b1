"""How likely is it by now that this channel oscillates? The sum of evidence of one HF channel.

Evidence is the natural logarithm of a likelihood ratio. What edges of the level say
comes from `hf_company`; it is capped for each edge, because one coincidence with
something else can never be excluded. What one stay above the limit says is kept apart
from what earlier ones said, which fades.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from benchwarden.analysis.hf_baseline import Baseline
from benchwarden.analysis.hf_company import Company
from benchwarden.analysis.hf_frames import Means

# One edge proves at most this much: something else may move the current just then.
# Once an hour, within half a second of an edge: 1 in 7000, ln 8.9; about half of that.
EDGE_MOST, EDGE_LEAST = 4.5, -3.0
# All short ones of a second count as one: what spoils one spoils its neighbours.
BURST_MOST, BURST_BOTH_MOST, CLICK_MOST, BURST_LEAST = 3.0, 2.0, 0.3, -2.0
BURST_RAW = 6.0
# Each second in which the current stays up with the level adds one.
HOLD_MOST = 6.0
PAIR_MOST, PAIR_LEAST = 1.5, -1.0
SUM_LEAST, SUM_MOST = -4.0, 10.0
FORGET_S = 300.0
# Ratio of the other channel's rise: even speaks for a transmitter, 30 dB for a source in
# one channel. Leads a hand's width apart do not differ by that (the project's own guess).
SIDE_EVEN, SIDE_MOST = -1.5, 3.5
WEAKER = -3.0
CROSSTALK = 0.12
STRICT = 3.0
WITH_POWER, GRADUAL, UNPOWERED = 2.0, 2.5, -6.0
SLOW_ONSET_S = 10.0
STEADY_MOST, STEADY_S = 3.0, 60.0
# Nothing to ask for company at all: two minutes, and more weight.
MUTE_MOST, MUTE_S = 5.0, 120.0
# Below this a level without company is no business of a trip: 3 mW in 10 ohm.
SINGLE_V = 0.25
# Reservoirs before the shunts take up to a second.
AT_ONCE_S = 2.0
# Against the present current no forecast from before the level rose is worth anything after this.
HOLD_S = 10.0


def side_evidence(ratio: float) -> float:
    """Return what the other channel's rise over this one's says about where the source is."""
    if ratio != ratio:
        return 0.0
    if ratio > 1.2:
        return WEAKER
    slope = (SIDE_MOST - SIDE_EVEN) / math.log(1000.0**0.5)
    return min(max(SIDE_EVEN - slope * math.log(max(ratio, 1e-9)), SIDE_EVEN), SIDE_MOST)


@dataclass(slots=True)
class Stay:
    """One stay of a channel above its limit.

    Attributes:
        since_s: start. before: means of the frames just before it, None if none were of use.
        with_power: began with the rails, after quiet. unpowered: was there before them.
        driven: under the test signal.
        live, pairs: evidence of its beginning, and of its ups and downs.
        first_v, excess_v, low_v, high_v: rise over the baseline: in the first second, the
            newest, smallest and largest second; jump_v: largest from second to second.
        peak_v, sum_v, seconds: largest reading, sum of second's levels and their number.
        held: minima of frames are up as well. steady_s: time held, even and on one side.
        mute: neither current nor bias could be asked. told: a person was warned of it.
        last, sofar: means of the newest second, and since the beginning. early: what the
            current did in the first moment.
    """

    since_s: float
    sink_c: float
    before: Means | None
    with_power: bool
    unpowered: bool
    driven: bool
    live: float = 0.0
    pairs: float = 0.0
    first_v: float = math.nan
    excess_v: float = math.nan
    low_v: float = math.inf
    high_v: float = 0.0
    jump_v: float = 0.0
    peak_v: float = 0.0
    sum_v: float = 0.0
    seconds: int = 0
    held: bool = False
    steady_s: float = 0.0
    mute: bool = False
    told: bool = False
    last: Means | None = None
    sofar: Means | None = None
    early: Company | None = None

    def level(self, excess_v: float, level_v: float, peak_v: float) -> None:
        """Take in the level of one second."""
        if self.seconds == 0:
            self.first_v = excess_v
        else:
            self.jump_v = max(self.jump_v, excess_v - self.excess_v)
        self.excess_v = excess_v
        self.low_v, self.high_v = min(self.low_v, excess_v), max(self.high_v, excess_v)
        self.peak_v = max(self.peak_v, peak_v)
        self.sum_v += level_v
        self.seconds += 1

    def begin(self, company: Company, evidence: float, apart_s: float) -> None:
        """Take in what the current says this long after the beginning.

        It has to rise at once: a current that comes later came for itself, one that
        goes again was a coincidence.
        """
        if apart_s <= AT_ONCE_S:
            self.early = company
        elif self.early is None or not self.early.rise_a > 0.5 * company.rise_a - 2.0 * self.early.sigma_a:
            evidence = min(evidence, self.live)
        self.live = evidence

    @property
    def even(self) -> bool:
        """It neither fades nor flutters by more than a factor of two."""
        return self.high_v < 2.2 * self.low_v

    @property
    def gradual(self) -> bool:
        """It has grown from little without a step, as no key does."""
        slow = self.seconds > SLOW_ONSET_S and self.jump_v < 0.35 * self.high_v
        return slow and self.first_v < 0.4 * self.excess_v

    @property
    def circumstances(self) -> float:
        """Return the evidence of how it began and how long it has been steady on one side."""
        if self.unpowered:
            return UNPOWERED
        if self.driven:
            # Clipping begins with the drive, lasts, and may be on one side only.
            return 0.0
        begun = GRADUAL if self.gradual else WITH_POWER if self.with_power else 0.0
        if self.excess_v < SINGLE_V or self.live + self.pairs < -1.0:
            return begun
        most, for_s = (MUTE_MOST, MUTE_S) if self.mute else (STEADY_MOST, STEADY_S)
        return begun + most * min(self.steady_s / for_s, 1.0)


@dataclass(slots=True)
class HfChannel:
    """What is known of one HF channel.

    Attributes:
        bases: baselines without and with the test signal.
        earlier: evidence of stays that are over, fading; earlier_s: as of when.
        bursts: finished stays that spoke for it, since the evidence last was nothing.
        side: evidence that the source is in this channel; rise_v, level_v, ratio: rise over
            the baseline, level, and the other channel's rise over it; risen_a: what the
            rail current did; all from the newest frames up.
        news: the newest second has brought something to decide upon.
        counted_s: frames up to here have been looked at for finished stays.
        unpowered_s: when it was last up without mains.
    """

    bases: tuple[Baseline, Baseline] = field(default_factory=lambda: (Baseline(), Baseline()))
    earlier: float = 0.0
    earlier_s: float = 0.0
    bursts: int = 0
    side: float = 0.0
    rise_v: float = 0.0
    level_v: float = 0.0
    ratio: float = math.nan
    risen_a: float = math.nan
    news: bool = False
    counted_s: float = -math.inf
    unpowered_s: float = -math.inf
    stay: Stay | None = None

    def fade(self, t_s: float) -> None:
        """Let old evidence fade up to t_s."""
        self.earlier *= math.exp(-(t_s - self.earlier_s) / FORGET_S)
        self.earlier_s = t_s
        if abs(self.earlier) < 0.5:
            self.bursts = 0

    def add(self, evidence: float) -> None:
        """Add to the evidence that stays."""
        self.earlier = min(max(self.earlier + evidence, SUM_LEAST), SUM_MOST)
        if evidence > 1.0:
            self.bursts += 1

    @property
    def score(self) -> float:
        """Return all evidence together."""
        total = self.earlier + self.side
        if self.stay is not None:
            total += self.stay.live + self.stay.pairs + self.stay.circumstances
        return total
