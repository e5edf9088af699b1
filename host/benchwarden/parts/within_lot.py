"""Do the pieces of a lot belong together?"""

from __future__ import annotations

import math
import statistics

from scipy import stats

from benchwarden.core.part_findings import DOUBTS, MeasuredRow, Reason, Statistic
from benchwarden.core.part_lots import PartLot
from benchwarden.parts.intervals import spread_interval
from benchwarden.parts.quantities import LEAKAGE, Quantity, quantities_of, readings
from benchwarden.parts.small_lots import (
    ALPHA,
    GROUPS,
    LEAST,
    SOURCES,
    TWO_FROM,
    Judged,
    Looked,
    bonferroni,
    critical_value,
    found_from,
    judged,
)

SPREAD_SOURCE = "chi-square test, NIST handbook 1.3.5.8; usual spread: common practice, no source"


def measured_row(quantity: Quantity, lot: PartLot) -> MeasuredRow:
    """Return middle and spread of one quantity with the interval that so few readings leave."""
    found = [value for _, value in readings(quantity, lot.pieces)]
    known = [quantity.judged_as(value) for _, value in readings(quantity, lot.known_good)]
    known_good = quantity.shown(statistics.fmean(known)) if known else None
    n = len(found)
    worked = [quantity.judged_as(value) for value in found]
    sd = statistics.stdev(worked) if n > 1 else None
    low, high = spread_interval(sd, n) if sd is not None else (None, None)
    middle = quantity.shown(statistics.fmean(worked)) if worked else None
    if middle is not None:
        # Readings below the floor were judged as the floor; what is shown stays among the readings.
        middle = min(max(middle, min(found)), max(found))
    return MeasuredRow(
        quantity=quantity.name,
        unit=quantity.unit,
        n=n,
        of=len(lot.pieces),
        middle=middle,
        least=min(found, default=None),
        greatest=max(found, default=None),
        relative=quantity.log,
        spread=sd,
        spread_low=low,
        spread_high=high,
        known_good=known_good,
    )


def lot_statistics(lot: PartLot) -> tuple[Statistic, ...]:
    """Return the tests for pieces that do not belong, over all quantities measured on four pieces or more."""
    tested: list[tuple[Quantity, list[tuple[str, float]], Judged]] = []
    for quantity in quantities_of(lot.polarity):
        found = readings(quantity, lot.pieces)
        result = judged([quantity.judged_as(value) for _, value in found], quantity.upward)
        if result is not None:
            tested.append((quantity, found, result))
    out: list[Statistic] = []
    for quantity, found, result in tested:
        told = False
        for looked in result.looked:
            # The strongest that matters speaks; the others were paid for together with it.
            statistic = _statistic(quantity, found, looked, len(tested), told)
            told = told or statistic.found
            out.append(statistic)
    return tuple(out)


def _statistic(quantity: Quantity, found: list[tuple[str, float]], looked: Looked, looks: int, told: bool) -> Statistic:
    n, p = len(found), bonferroni(looked.p, looks)
    names = tuple(found[i][0] for i in looked.odd)
    apart = _apart(quantity, found, looked)
    quiet = min(found[i][1] for i in looked.odd) < quantity.quiet
    unlikely, matters = p < ALPHA, apart >= quantity.matters_judged and not quiet
    if not unlikely:
        words, names = "nothing odd", ()
    elif not matters:
        words = f"unlikely, but {_size(quantity, apart)} apart is too little to matter"
        words = f"unlikely, but below {quantity.quiet:g} {quantity.unit} nothing matters" if quiet else words
    else:
        words = _words(quantity, looked, names, apart, n)
    return Statistic(
        quantity=quantity.name,
        name=looked.name,
        value=looked.value,
        critical=critical_value(looked.name, n, ALPHA / looks, quantity.upward),
        n=n,
        p=p,
        found=unlikely and matters and not told,
        pieces=names,
        words=words,
        source=SOURCES[looked.name],
    )


def _apart(quantity: Quantity, found: list[tuple[str, float]], looked: Looked) -> float:
    """Return how far the nearest odd piece is from the middle of the rest, as judged."""
    worked = [quantity.judged_as(value) for _, value in found]
    rest = statistics.fmean(worked[i] for i in range(len(worked)) if i not in looked.odd)
    return min(abs(worked[i] - rest) for i in looked.odd)


def _size(quantity: Quantity, apart: float) -> str:
    if quantity.log:
        return f"a factor of {math.exp(apart):.3g}"
    return f"{apart * 1000.0:.1f} mV"


def _words(quantity: Quantity, looked: Looked, pieces: tuple[str, ...], apart: float, n: int) -> str:
    names, by = ", ".join(pieces), _size(quantity, apart)
    if len(pieces) == 1:
        return f"piece {names} stands off the middle of the rest by {by}"
    if looked.name == GROUPS:
        kind = "two groups" if looked.split else "a group apart"
        return f"{kind}: pieces {names} against the other {n - len(pieces)}, at least {by} from their middle"
    return f"pieces {names} stand off the middle of the rest by at least {by}"


def outlier_reasons(found: tuple[Statistic, ...]) -> list[Reason]:
    """Return a reason for each quantity in which pieces do not belong."""
    reasons = []
    for item in found:
        if not item.found:
            continue
        mixed = item.name == GROUPS and len(item.pieces) > 1
        leakage = item.quantity == LEAKAGE.name
        reasons.append(
            Reason(
                item.quantity,
                DOUBTS,
                f"{item.words} ({item.name} {item.value:.3g}, "
                f"critical {item.critical:.3g}, n {item.n}, p {item.p:.3g})",
                "Leakage far above the rest is a damaged junction, and grows with heat."
                if leakage
                else "Two kinds of part under one marking: a mixed lot."
                if mixed
                else "A piece unlike its fellows is of another making, damaged, or was measured wrong.",
                f"Measure {', '.join(item.pieces)} again, cool and in the same holder; "
                + ("sort the lot and judge each sort by itself." if mixed else "leave out what stays odd."),
            )
        )
    return reasons


def spread_reasons(lot: PartLot, found: tuple[Statistic, ...]) -> list[Reason]:
    """Return a reason for each quantity that certainly spreads more than one batch does.

    Only upwards, all quantities paid for; not where pieces were found odd, which is the same spread again.
    """
    told = {item.quantity for item in found if item.found}
    known = [quantity for quantity in quantities_of(lot.polarity) if quantity.usual is not None]
    measured = [(quantity, readings(quantity, lot.pieces)) for quantity in known]
    enough = [(quantity, pieces) for quantity, pieces in measured if len(pieces) >= LEAST]
    reasons = []
    for quantity, pieces in enough:
        n, usual = len(pieces), quantity.usual
        sd = statistics.stdev(quantity.judged_as(value) for _, value in pieces)
        if usual is None or quantity.name in told:
            continue
        p = bonferroni(float(stats.chi2.sf((n - 1) * (sd / usual) ** 2, n - 1)), len(enough))
        if p >= ALPHA:
            continue
        low, high = spread_interval(sd, n)
        scale, unit = (100.0, " %") if quantity.log else (1000.0, " mV")
        reasons.append(
            Reason(
                f"spread of {quantity.name}",
                DOUBTS,
                f"{quantity.name} spreads by {scale * sd:.1f}{unit} (one sigma; {n} pieces leave "
                f"{scale * low:.1f} to {scale * high:.1f}{unit} open), one batch by about {scale * usual:g}{unit} "
                f"(p {p:.2g})",
                f"Wider than one batch: more than one making in the lot. {SPREAD_SOURCE}.",
                "Sort by date code and case, and pair from one sort only.",
            )
        )
    return reasons


def few_words(lot: PartLot) -> tuple[str, ...]:
    """Return what so many measured pieces can and cannot show."""
    counts = {quantity: len(readings(quantity, lot.pieces)) for quantity in quantities_of(lot.polarity)}
    most = max(counts.values())
    if most == 0:
        return ("Nothing was measured: what is inside the cases was not looked at in any way.",)
    if most < LEAST:
        return (
            f"{most} measured piece{'s' if most > 1 else ''}: too few to show that one does not belong; {LEAST} are "
            f"needed, and {TWO_FROM} before one that is too high and one that is too low show at once.",
        )
    out = [
        f"{most} measured pieces: one that stands {found_from(most):g} times the others' spread from them is found in "
        "four lots of five, a nearer one more seldom, and so is a spread well beyond one batch's; a lot that is all "
        "of one wrong kind shows only against known-good pieces or the sheet."
    ]
    if most < TWO_FROM:
        out.append(f"One piece too high and one too low at once do not show before {TWO_FROM} pieces are measured.")
    short = [quantity.name for quantity, n in counts.items() if 0 < n < LEAST]
    if short:
        out.append(f"Measured on fewer than {LEAST} pieces, so not judged for odd ones: {', '.join(short)}.")
    return tuple(out)
