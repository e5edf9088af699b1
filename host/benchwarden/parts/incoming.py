"""What is there against fitting parts of this lot?"""

from __future__ import annotations

from benchwarden.core.part_findings import (
    AS_EXPECTED,
    DO_NOT_FIT,
    DOUBTS,
    NOT_LOOKED_AT,
    NOTHING_FOUND,
    ODD,
    LookedAt,
    LotFindings,
    MeasuredRow,
    Reason,
)
from benchwarden.core.part_lots import PartLot
from benchwarden.core.substitutes import Ratings
from benchwarden.parts.die_size import die_looks, die_statistics
from benchwarden.parts.looks import Look, expected, not_looked, odd
from benchwarden.parts.origin import origin_looks
from benchwarden.parts.promises import promise_looks
from benchwarden.parts.quantities import dead_pieces, quantities_of
from benchwarden.parts.small_lots import LEAST
from benchwarden.parts.within_lot import few_words, lot_statistics, measured_row, outlier_reasons, spread_reasons

PROOF = (
    "Nothing here proves that a part is what its marking says: only opening one, which destroys it, "
    "and comparing its die with one of sure origin does."
)


def check_lot(
    lot: PartLot, ratings: Ratings | None, today_year: int, leakage_limit_ua: float | None = None
) -> LotFindings:
    """Return what was found about a lot before it is fitted.

    Args:
        ratings: the type's sheet, where there is one to compare with.
        today_year: for codes that have not come yet and types long ended.
        leakage_limit_ua: the sheet's limit at the condition the leakage was measured at; None takes a coarse one.
    """
    rows = tuple(measured_row(quantity, lot) for quantity in quantities_of(lot.polarity))
    tests = lot_statistics(lot)
    looks = (*origin_looks(lot, today_year), _polarity(lot, ratings), _dead(lot, rows))
    looks += (*die_looks(lot, ratings), *promise_looks(lot, ratings, leakage_limit_ua))
    within = outlier_reasons(tests) + spread_reasons(lot, tests)
    reasons = [look.reason for look in looks if look.reason is not None] + within
    reasons.sort(key=lambda reason: reason.level != DO_NOT_FIT)
    level = DO_NOT_FIT if any(r.level == DO_NOT_FIT for r in reasons) else DOUBTS if reasons else NOTHING_FOUND
    looked = (*(look.row for look in looks), *(_within_row(row, within) for row in rows))
    return LotFindings(
        lot=lot.name,
        marking=lot.marking,
        level=level,
        headline=_headline(lot, level, reasons, looked, rows),
        proof=PROOF,
        reasons=tuple(reasons),
        looked=looked,
        measured=rows,
        statistics=(*tests, *die_statistics(lot)),
        shows=few_words(lot),
    )


def _polarity(lot: PartLot, ratings: Ratings | None) -> Look:
    about = "type against the sheet"
    if ratings is None:
        return not_looked(about, "no sheet of this type was given")
    if ratings.polarity != lot.polarity:
        return odd(
            about,
            DO_NOT_FIT,
            f"noted as {lot.polarity}, the sheet says {ratings.polarity}",
            "The wrong polarity shorts the rails.",
            "Measure which it is, and correct what is wrong.",
        )
    return expected(about, f"{lot.polarity}, as the sheet of {ratings.marking}")


def _dead(lot: PartLot, rows: tuple[MeasuredRow, ...]) -> Look:
    about = "dead pieces"
    dead = dead_pieces(lot.pieces)
    if dead:
        return odd(
            about,
            DOUBTS,
            f"no gain, no voltage or no capacitance: {', '.join(dead)}",
            "A dead piece in a new lot is a used or refused one; the others came the same way.",
            "Throw it away, and count the lot as in doubt.",
        )
    if not any(row.n for row in rows):
        return not_looked(about, "nothing was measured")
    return expected(about, "every measured piece works")


def _within_row(row: MeasuredRow, within: list[Reason]) -> LookedAt:
    about = f"{row.quantity} within the lot"
    if row.n == 0:
        return LookedAt(about, NOT_LOOKED_AT, "not measured")
    found = [reason.seen for reason in within if row.quantity in reason.about]
    if found:
        return LookedAt(about, ODD, "; ".join(found))
    counted = f"measured on {row.n} of {row.of}"
    if row.n < LEAST:
        return LookedAt(about, NOT_LOOKED_AT, f"{counted}: too few to find an odd one ({LEAST} needed)")
    return LookedAt(about, AS_EXPECTED, f"{counted}, none stands out")


def _headline(
    lot: PartLot, level: str, reasons: list[Reason], looked: tuple[LookedAt, ...], rows: tuple[MeasuredRow, ...]
) -> str:
    name = lot.name.strip() or "lot without a name"
    missing = sum(row.state == NOT_LOOKED_AT for row in looked)
    measured = any(row.n for row in rows)
    tail = f"; {missing} of {len(looked)} looks were not taken" if missing else ""
    tail += "" if measured else ", and nothing was measured"
    if level == NOTHING_FOUND:
        return f"{name}: nothing was found against these parts{tail}."
    count = f"{len(reasons)} reason{'s' if len(reasons) > 1 else ''}"
    if level == DOUBTS:
        return f"{name}: there are doubts, {count}{tail}."
    grave = next(reason for reason in reasons if reason.level == DO_NOT_FIT)
    return f"{name}: do not fit these parts, {count}, first of all {grave.about}{tail}."
