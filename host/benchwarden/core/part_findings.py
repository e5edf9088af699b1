"""What the checks of parts found, ready to be shown; no verdict here ever says that a part is what it claims to be."""

from __future__ import annotations

from dataclasses import dataclass

# How a lot of parts was judged.
NOTHING_FOUND = "nothing found"
DOUBTS = "doubts"
DO_NOT_FIT = "do not fit"
LEVELS = (NOTHING_FOUND, DOUBTS, DO_NOT_FIT)
# How one thing that can be looked at came out.
AS_EXPECTED = "as expected"
ODD = "odd"
NOT_LOOKED_AT = "not looked at"
LOOKED = (AS_EXPECTED, ODD, NOT_LOOKED_AT)
# How one rating of a substitute compares with what the amplifier asks for.
FINE = "fine"
DOUBT = "doubt"
NO = "no"
NOT_KNOWN = "not known"
VERDICTS = (FINE, DOUBT, NO, NOT_KNOWN)


@dataclass(frozen=True)
class Reason:
    """Why a lot is not simply fitted.

    Attributes:
        about: what was looked at, in a word or two.
        level: DOUBTS or DO_NOT_FIT.
        seen: what was seen.
        matters: why it matters.
        todo: what to do about it.
    """

    about: str
    level: str
    seen: str
    matters: str
    todo: str


@dataclass(frozen=True)
class LookedAt:
    """One thing that can be looked at, with one of LOOKED and words."""

    about: str
    state: str
    words: str


@dataclass(frozen=True)
class Statistic:
    """One statistical test as it was made.

    Attributes:
        value, critical: of the statistic; beyond the critical value the lot is odd.
        n: measured pieces.
        p: probability of the like in a lot of one kind, corrected for how often was looked.
        found: whether it was taken as odd; false too where the difference is too small to matter.
        pieces: names of the pieces it points at.
        words: what it says, in a sentence.
        source: where the test is from.
    """

    quantity: str
    name: str
    value: float
    critical: float
    n: int
    p: float
    found: bool
    pieces: tuple[str, ...]
    words: str
    source: str


@dataclass(frozen=True)
class MeasuredRow:
    """One measured quantity of a lot.

    Attributes:
        n, of: pieces that were measured, pieces there are.
        middle: geometric mean for gain and leakage, mean for the others; None with nothing measured.
        least, greatest: of the readings.
        spread: standard deviation, in the unit, or as a share of the middle where `relative`.
        spread_low, spread_high: 95 % interval of the standard deviation of such parts; None below two pieces.
        known_good: middle of the known-good pieces; None where none was measured.
    """

    quantity: str
    unit: str
    n: int
    of: int
    middle: float | None
    least: float | None
    greatest: float | None
    relative: bool
    spread: float | None
    spread_low: float | None
    spread_high: float | None
    known_good: float | None


@dataclass(frozen=True)
class LotFindings:
    """What was found about a lot of parts.

    Attributes:
        level: one of LEVELS.
        headline: the result in a sentence.
        proof: what this check cannot prove; belongs beside every showing of the level.
        reasons: the gravest first; empty for "nothing found".
        looked: everything that can be looked at.
        measured: the four measured quantities.
        statistics: tests that were made.
        shows: what so many pieces can and cannot show.
    """

    lot: str
    marking: str
    level: str
    headline: str
    proof: str
    reasons: tuple[Reason, ...]
    looked: tuple[LookedAt, ...]
    measured: tuple[MeasuredRow, ...]
    statistics: tuple[Statistic, ...]
    shows: tuple[str, ...]


@dataclass(frozen=True)
class RatingRow:
    """One rating of original and candidate against what the amplifier asks for.

    Attributes:
        original, candidate, needed: as shown, with units; "not known" where a sheet says nothing.
        working: how `needed` came about.
        verdict: one of VERDICTS.
        source: of the rule, where it is not plain arithmetic.
    """

    quantity: str
    original: str
    candidate: str
    needed: str
    working: str
    verdict: str
    why: str
    source: str = ""


@dataclass(frozen=True)
class AreaCurve:
    """A curve of the safe operating area plot, both axes logarithmic.

    Attributes:
        kind: "limit" (a boundary) or "load" (where the operating point goes).
        of: "original", "candidate" or "load".
        label: for the legend.
        volts, amps: corners or points in order; collector-emitter volts, collector amperes.
    """

    kind: str
    of: str
    label: str
    volts: tuple[float, ...]
    amps: tuple[float, ...]


@dataclass(frozen=True)
class AreaMargin:
    """How near one load brings a part to the edge of its safe operating area.

    Attributes:
        of: "original" or "candidate".
        load: the load, in words.
        margin_pct: current that is left at the nearest point, percent of the current there; negative is beyond.
        at_v, at_a: the nearest point.
        limit_a: greatest current allowed there.
        curve: the boundary that counts there.
        beyond_dc_s: longest unbroken time beyond the direct-current boundary in a cycle, seconds.
    """

    of: str
    load: str
    margin_pct: float
    at_v: float
    at_a: float
    limit_a: float
    curve: str
    beyond_dc_s: float


@dataclass(frozen=True)
class SubstituteFindings:
    """What was found about one type in place of another.

    Attributes:
        level: FINE, DOUBT or NO; a rating that is not known makes it no better than DOUBT.
        headline: the result in a sentence.
        rows: rating by rating.
        curves, margins: of the safe operating area, at the sink's limit.
        caution: what this check does not cover.
    """

    role: str
    original: str
    candidate: str
    level: str
    headline: str
    rows: tuple[RatingRow, ...]
    curves: tuple[AreaCurve, ...]
    margins: tuple[AreaMargin, ...]
    caution: str
