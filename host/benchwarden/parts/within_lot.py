"""Do the pieces of a lot belong together?"""

from __future__ import annotations

import math
import statistics

from benchwarden.core.part_findings import DOUBTS, MeasuredRow, Reason, Statistic
from benchwarden.core.part_lots import PartLot
from benchwarden.parts.intervals import spread_interval
from benchwarden.parts.quantities import LEAKAGE, QUANTITIES, Quantity, readings
from benchwarden.parts.small_lots import ALPHA, GROUPS, LEAST, SOURCES, Judged, Looked, critical_value, holm, judged

SPREAD_SOURCE = "chi-square interval, NIST handbook 1.3.5.8; usual spread: common practice, no source"


def measured_row(quantity: Quantity, lot: PartLot) -> MeasuredRow:
    """Return middle and spread of one quantity with the interval that so few readings leave."""
    found = [value for _, value in readings(quantity, lot.pieces)]
    known = [quantity.judged_as(value) for _, value in readings(quantity, lot.known_good)]
    known_good = quantity.shown(statistics.fmean(known)) if known else None
    n = len(found)
    worked = [quantity.judged_as(value) for value in found]
    sd = statistics.stdev(worked) if n > 1 else None
    low, high = spread_interval(sd, n) if sd is not None else (None, None)
    return MeasuredRow(
        quantity=quantity.name,
        unit=quantity.unit,
        n=n,
        of=len(lot.pieces),
        middle=quantity.shown(statistics.fmean(worked)) if worked else None,
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
    for quantity in QUANTITIES:
        found = readings(quantity, lot.pieces)
        result = judged([quantity.judged_as(value) for _, value in found], quantity.upward)
        if result is not None:
            tested.append((quantity, found, result))
    corrected = holm([result.p for _, _, result in tested])
    step_alpha = ALPHA / max(len(tested), 1)
    out: list[Statistic] = []
    for (quantity, found, result), p in zip(tested, corrected, strict=True):
        told = False
        for looked in result.looked:
            # The strongest that matters speaks; the others were paid for together with it.
            own_p = p if looked is result.looked[0] else max(p, min(len(tested) * looked.p, 1.0))
            statistic = _statistic(quantity, found, looked, own_p, step_alpha, told)
            told = told or statistic.found
            out.append(statistic)
    return tuple(out)


def _statistic(
    quantity: Quantity, found: list[tuple[str, float]], looked: Looked, p: float, step_alpha: float, told: bool
) -> Statistic:
    n = len(found)
    names = tuple(found[i][0] for i in looked.odd)
    apart = _apart(quantity, found, looked)
    unlikely, matters = p < ALPHA, apart >= quantity.matters_judged
    if not unlikely:
        words, names = "nothing odd", ()
    elif not matters:
        words = f"unlikely, but the difference of {_size(quantity, apart)} is too small to matter"
    else:
        words = _words(quantity, looked, names, apart, n)
    return Statistic(
        quantity=quantity.name,
        name=looked.name,
        value=looked.value,
        critical=critical_value(looked.name, n, step_alpha, quantity.upward),
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
        return f"a factor of {math.exp(apart):.2f}"
    return f"{apart * 1000.0:.1f} mV"


def _words(quantity: Quantity, looked: Looked, pieces: tuple[str, ...], apart: float, n: int) -> str:
    names = ", ".join(pieces)
    if looked.name == GROUPS and len(pieces) > 1:
        kind = "two groups" if looked.split else "a group apart"
        return (
            f"{kind}: {names} against the other {n - len(pieces)}, at least {_size(quantity, apart)} from their middle"
        )
    return f"{names} at least {_size(quantity, apart)} from the middle of the rest"


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
                f"{item.quantity}: {item.words} ({item.name} {item.value:.3g}, "
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


def spread_reasons(rows: tuple[MeasuredRow, ...]) -> list[Reason]:
    """Return a reason for each quantity that certainly spreads more than one batch does."""
    reasons = []
    for quantity, row in zip(QUANTITIES, rows, strict=True):
        if quantity.usual is None or row.spread is None or row.spread_low is None or row.spread_high is None:
            continue
        # Four quantities, five in a hundred together: the two-sided 95 % interval's lower
        # end is passed by chance once in forty times each, at the usual spread itself.
        if row.n < LEAST or row.spread_low <= quantity.usual:
            continue
        scale, unit = (100.0, " %") if quantity.log else (1000.0, " mV")
        reasons.append(
            Reason(
                f"spread of {quantity.name}",
                DOUBTS,
                f"{quantity.name} spreads by {scale * row.spread:.1f}{unit} (one sigma; {row.n} pieces leave "
                f"{scale * row.spread_low:.1f} to {scale * row.spread_high:.1f}{unit} open), "
                f"one batch by about {scale * quantity.usual:g}{unit}",
                f"Wider than one batch: more than one making in the lot. {SPREAD_SOURCE}.",
                "Sort by date code and case, and pair from one sort only.",
            )
        )
    return reasons


def few_words(lot: PartLot) -> tuple[str, ...]:
    """Return what so many measured pieces can and cannot show."""
    counts = {quantity: len(readings(quantity, lot.pieces)) for quantity in QUANTITIES}
    most = max(counts.values(), default=0)
    if most == 0:
        return ("Nothing was measured: what is inside the cases was not looked at in any way.",)
    if most < LEAST:
        return (
            f"{most} measured piece{'s' if most > 1 else ''}: too few to show that one does not belong; "
            f"{LEAST} are needed, and 6 before two odd ones are found apart from each other.",
        )
    out = [
        f"{most} measured pieces show a piece, a pair or a second kind that stands far out (about ten times the "
        "others' spread, in most lots); a lot that is all of one wrong kind shows only against known-good pieces "
        "or the sheet."
    ]
    short = [quantity.name for quantity, n in counts.items() if 0 < n < LEAST]
    if short:
        out.append(f"Measured on fewer than {LEAST} pieces, so not judged for odd ones: {', '.join(short)}.")
    return tuple(out)
