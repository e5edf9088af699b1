"""How right was a rule? Counts and rates over many judged runs."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import stats

from benchwarden.corpus.case import HEALTHY, MARGINAL
from benchwarden.corpus.judging import Answer, Row

SLOW = ("runaway-slow", "runaway-slow driven", "slow runaway", "slow runaway driven")
FAST = ("runaway-fast", "fast runaway")
# What is destroyed sooner than this after the onset leaves two frames and a relay hardly
# any time: it is the board's limits' and the alert line's business.
SUDDEN_S = 2.0
# Asked for: a final value within this share or this many volts.
FINAL_SHARE, FINAL_V = 0.03, 0.3e-3
GAIN_WITHIN, GAIN_LOW, GAIN_HIGH = 0.1, 0.3, 1.2


def poisson_interval(count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of the mean of a Poisson count.

    Source: Garwood 1936, by the chi-square quantiles.
    """
    tail = 0.5 * (1.0 - confidence)
    low = float(stats.chi2.ppf(tail, 2 * count)) / 2.0 if count else 0.0
    return low, float(stats.chi2.ppf(1.0 - tail, 2 * count + 2)) / 2.0


def binomial_interval(hits: int, of: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a share.

    Source: Clopper and Pearson 1934, by the beta quantiles.
    """
    tail = 0.5 * (1.0 - confidence)
    low = float(stats.beta.ppf(tail, hits, of - hits + 1)) if hits else 0.0
    return low, float(stats.beta.ppf(1.0 - tail, hits + 1, of - hits)) if hits < of else 1.0


@dataclass
class KindScore:
    """What a rule did with one kind of fault.

    Attributes:
        before, after: tripped before and after the first destruction; `before` counts the
            runs in which nothing was destroyed too.
        missed: something was destroyed without a trip. silent: no trip, nothing destroyed.
        early: tripped before the fault began.
        destroyed, saved: runs in which something was destroyed, and those of them that
            were tripped before it, after the onset. sudden, sudden_saved: those of both in
            which it was destroyed within SUDDEN_S of the onset.
        right: trips after the onset with a right cause; wrong: the others by cause.
        delays_s: trip after onset. leads_s: destruction after trip, where there was one.
    """

    runs: int = 0
    before: int = 0
    after: int = 0
    missed: int = 0
    silent: int = 0
    early: int = 0
    destroyed: int = 0
    saved: int = 0
    sudden: int = 0
    sudden_saved: int = 0
    right: int = 0
    wrong: Counter[str] = field(default_factory=Counter)
    delays_s: list[float] = field(default_factory=list)
    leads_s: list[float] = field(default_factory=list)

    def add(self, row: Row, rule: str) -> None:
        """Take in one run of this kind."""
        truth, trip = row.truth, row.trips[rule]
        damage_s = truth.damage_s
        harmed = math.isfinite(damage_s)
        sudden = harmed and damage_s - truth.onset_s < SUDDEN_S
        self.runs += 1
        self.destroyed += harmed
        self.sudden += sudden
        if trip is None:
            self.missed += harmed
            self.silent += not harmed
            return
        if trip.t_s < truth.onset_s:
            self.early += 1
            return
        if trip.t_s < damage_s:
            self.before += 1
            self.saved += harmed
            self.sudden_saved += sudden
        else:
            self.after += 1
        self.delays_s.append(trip.t_s - truth.onset_s)
        if harmed:
            self.leads_s.append(damage_s - trip.t_s)
        if trip.cause in truth.causes:
            self.right += 1
        else:
            self.wrong[trip.cause] += 1


@dataclass
class FalseTrips:
    """Trips while nothing was wrong.

    Attributes:
        hours: healthy hours watched, each run up to its first trip.
        trips: false trips. by_look_alike: (hours, trips) of the runs with each look-alike.
        before_onset: (hours, trips) of that from faulty runs before their fault began.
        apart: seeds of runs meant to be healthy so far in which the model destroyed something,
            passed the safe sink limit or idled far beyond its target; neither their trips nor their hours count.
        seeds: where the false trips are.
    """

    hours: float = 0.0
    trips: int = 0
    by_look_alike: dict[str, tuple[float, int]] = field(default_factory=dict)
    before_onset: tuple[float, int] = (0.0, 0)
    apart: list[int] = field(default_factory=list)
    seeds: list[int] = field(default_factory=list)

    @property
    def per_1000_h(self) -> float:
        return 1e3 * self.trips / self.hours if self.hours else math.nan

    @property
    def per_1000_h_95(self) -> tuple[float, float]:
        low, high = poisson_interval(self.trips)
        return (1e3 * low / self.hours, 1e3 * high / self.hours) if self.hours else (math.nan, math.nan)


def by_kind(rows: Iterable[Row], rule: str) -> dict[str, KindScore]:
    """Return the score of a rule per kind of fault.

    Healthy and marginal runs are no faults, and a set that was destroyed before its fault
    began tells nothing of it.
    """
    found: dict[str, KindScore] = defaultdict(KindScore)
    for row in rows:
        if row.truth.kind not in (HEALTHY, MARGINAL) and row.truth.damage_s >= row.truth.onset_s:
            found[row.truth.kind].add(row, rule)
    return dict(sorted(found.items()))


def false_trips(rows: Iterable[Row], rule: str) -> FalseTrips:
    """Return a rule's trips while nothing was wrong: healthy runs, and faulty ones before their onset."""
    found = FalseTrips()
    shares: dict[str, tuple[float, int]] = defaultdict(lambda: (0.0, 0))
    for row in rows:
        truth, trip = row.truth, row.trips[rule]
        if truth.kind == MARGINAL:
            continue
        if (truth.kind == HEALTHY and not truth.sound) or truth.damage_s < truth.onset_s < math.inf:
            found.apart.append(truth.seed)
            continue
        until_s = min(row.end_s, truth.onset_s)
        wrong = trip is not None and trip.t_s < until_s + 1e-9
        hours = (trip.t_s if trip is not None and wrong else until_s) / 3600.0
        found.hours += hours
        found.trips += wrong
        if wrong:
            found.seeds.append(truth.seed)
        if truth.kind == HEALTHY:
            for name in truth.look_alikes:
                shares[name] = (shares[name][0] + hours, shares[name][1] + wrong)
        else:
            found.before_onset = (found.before_onset[0] + hours, found.before_onset[1] + wrong)
    found.by_look_alike = dict(sorted(shares.items()))
    return found


@dataclass(frozen=True)
class Summary:
    """The figures asked for, of one rule.

    Attributes:
        saved, destroyed: damaging runs tripped between onset and destruction, of how many.
        later_saved, later: the same without what was destroyed within SUDDEN_S of the onset.
        slow_lead_s: median lead over destruction, slow runaways; NaN without one.
        fast_saved, fast_destroyed: the first two, fast runaways alone.
        right, tripped: trips after the onset with the right cause, of how many.
    """

    saved: int
    destroyed: int
    later_saved: int
    later: int
    slow_lead_s: float
    fast_saved: int
    fast_destroyed: int
    right: int
    tripped: int


def summary(scores: dict[str, KindScore]) -> Summary:
    """Return the totals over all kinds of fault."""
    every = list(scores.values())
    # A slow runaway that nobody tripped in time has no lead at all.
    slow = [score for kind, score in scores.items() if kind in SLOW]
    leads = [lead for score in slow for lead in score.leads_s] + [0.0] * sum(s.missed for s in slow)
    fast = [score for kind, score in scores.items() if kind in FAST]
    return Summary(
        saved=sum(s.saved for s in every),
        destroyed=sum(s.destroyed for s in every),
        later_saved=sum(s.saved - s.sudden_saved for s in every),
        later=sum(s.destroyed - s.sudden for s in every),
        slow_lead_s=float(np.median(leads)) if leads else math.nan,
        fast_saved=sum(s.saved for s in fast),
        fast_destroyed=sum(s.destroyed for s in fast),
        right=sum(s.right for s in every),
        tripped=sum(s.before + s.after for s in every),
    )


@dataclass(frozen=True)
class Forecast:
    """How good the forecasts were, of all answers to questions of one kind.

    Attributes:
        asked, answered: questions, and those with a figure.
        within: answers within what was asked for.
        error: median and 95th percentile of the absolute error (share of the truth for a
            final bias, plain for a loop gain).
        intervals, covering: answers with an interval, and those whose interval holds the truth.
        width: median full width of the intervals, same unit as the error.
    """

    asked: int
    answered: int
    within: int
    error: tuple[float, float]
    intervals: int
    covering: int
    width: float


def final_bias(answers: Sequence[Answer], taus: float) -> Forecast:
    """Return how well the end of the bias was told after `taus` time constants."""
    asked = [a for a in answers if a.question.taus == taus]
    triples = [(a.final_v, a.final_95_v, a.question.final_v) for a in asked]
    within = sum(abs(v - true) <= max(FINAL_SHARE * true, FINAL_V) for v, _, true in triples if v == v)
    return _forecast(triples, within, relative=True)


def loop_gain(answers: Sequence[Answer], taus: float) -> Forecast:
    """Return how well the loop gain was told after `taus` time constants, true gains 0.3 to 1.2."""
    asked = [a for a in answers if a.question.taus == taus and GAIN_LOW <= a.question.loop_gain <= GAIN_HIGH]
    triples = [(a.loop_gain, a.loop_gain_95, a.question.loop_gain) for a in asked]
    within = sum(abs(v - true) <= GAIN_WITHIN for v, _, true in triples if v == v)
    return _forecast(triples, within, relative=False)


def _forecast(triples: list[tuple[float, tuple[float, float], float]], within: int, relative: bool) -> Forecast:
    told = [(value, span, true) for value, span, true in triples if value == value]
    spans = [(low, high, true) for _, (low, high), true in triples if low == low and high == high]
    errors = [abs(value - true) / (true if relative else 1.0) for value, _, true in told]
    widths = [(high - low) / (true if relative else 1.0) for low, high, true in spans]
    return Forecast(
        asked=len(triples),
        answered=len(told),
        within=within,
        error=_quantiles(errors, 0.5, 0.95),
        intervals=len(spans),
        covering=sum(low <= true <= high for low, high, true in spans),
        width=float(np.median(widths)) if widths else math.nan,
    )


def _quantiles(values: Sequence[float], first: float, second: float) -> tuple[float, float]:
    if not values:
        return math.nan, math.nan
    return float(np.quantile(values, first)), float(np.quantile(values, second))


def median_and_5(values: Sequence[float]) -> tuple[float, float]:
    """Return the median and the 5th percentile, NaN of nothing."""
    return _quantiles(values, 0.5, 0.05)
