"""What do source, years, markings and stock of a lot say, before anything is measured?

The rules are common practice of those who buy old parts; where no source is named there is none.
"""

from __future__ import annotations

from datetime import date

from benchwarden.core.part_findings import DO_NOT_FIT, DOUBTS
from benchwarden.core.part_lots import PartLot
from benchwarden.parts.looks import Look, expected, not_looked, odd

# A maker's last parts are still marked and packed for so long after the end.
YEARS_AFTER_END = 1
# A stock this large so long after a type has ended was made of something else.
LARGE_STOCK, LONG_ENDED_YEARS = 500, 5

_COMPARE = "Buy from an appointed distributor, or compare one piece cut open with one of sure origin."


def origin_looks(lot: PartLot, today_year: int) -> tuple[Look, ...]:
    """Return everything that can be told of a lot without an instrument."""
    return (
        _source(lot),
        _date_code(lot, today_year),
        _marking_style(lot),
        _ink(lot),
        _case(lot.case_rest, "case against the rest", "case shape or finish differs within the lot"),
        _case(lot.case_known_good, "case against a known-good piece", "case shape or finish differs from it"),
        _stock(lot, today_year),
    )


def _source(lot: PartLot) -> Look:
    about = "source"
    dealer = f" ({lot.dealer})" if lot.dealer else ""
    if lot.source == "appointed distributor":
        return expected(about, f"appointed distributor of the maker{dealer}")
    if lot.source == "other dealer":
        return expected(about, f"other dealer{dealer}: nothing against it, and no assurance either")
    if lot.source == "pulled from a set":
        return odd(
            about,
            DOUBTS,
            f"pulled from a set{dealer}",
            "What they have been through (heat, a short beside them) cannot be seen.",
            "Measure every piece, leakage above all; pair them anew.",
        )
    seen = "auction or marketplace" if lot.source == "auction or marketplace" else "source not known"
    return odd(
        about,
        DOUBTS,
        seen + dealer,
        "Re-marked power transistors are mostly sold there; nobody answers for their way from the maker.",
        _COMPARE,
    )


def _weeks_of(year: int) -> int:
    return date(year, 12, 28).isocalendar().week


def _date_code(lot: PartLot, today_year: int) -> Look:
    about = "date code"
    year, week, code = lot.date_code_year, lot.date_code_week, lot.date_code
    shown = f"date code {code!r}" if code else "date code"
    if year is None:
        return not_looked(about, f"{shown} was not read as a year" if code else "no date code noted")
    when = f"{shown}, read as {year}" + (f" week {week}" if week is not None else "")
    check = "Read the code again by the maker's own rule; if it stands, do not fit them."
    if year > today_year:
        return odd(about, DO_NOT_FIT, f"{when}: not yet come", "No part was made in the future.", check)
    if week is not None and week > _weeks_of(year):
        return odd(
            about,
            DOUBTS,
            f"{when}: that year has {_weeks_of(year)} weeks",
            "A maker's code counts weeks that exist (ISO 8601 weeks are taken here).",
            check,
        )
    if lot.bought_year is not None and year > lot.bought_year:
        seen = f"{when}, but bought in {lot.bought_year}"
        return odd(about, DO_NOT_FIT, seen, "Nothing is bought before it is made.", check)
    digits = code.strip()
    if len(digits) == 4 and digits.isdecimal() and week is not None and f"{year % 100:02d}{week:02d}" != digits:
        return odd(
            about,
            DOUBTS,
            f"{when}, though four digits usually are year and week",
            "Year and week as noted do not belong to the code as noted.",
            "Read the code again by the maker's own rule.",
        )
    return _date_against_years(lot, year, when)


def _date_against_years(lot: PartLot, year: int, when: str) -> Look:
    about = "date code"
    if lot.made_from is None and lot.made_until is None:
        return not_looked(about, f"{when}; the years the type was made are not known")
    if lot.made_from is not None and lot.made_until is not None and lot.made_from > lot.made_until:
        return not_looked(about, f"{when}; the type's first year {lot.made_from} is after its last {lot.made_until}")
    sure = bool(lot.years_source.strip())
    source = lot.years_source.strip() or "no source given"
    level = DO_NOT_FIT if sure else DOUBTS
    todo = "Check the years with the maker's notices." + ("" if sure else " They were given without a source.")
    if lot.made_from is not None and year < lot.made_from:
        seen = f"{when}: before the type was first made in {lot.made_from} ({source})"
        return odd(about, level, seen, "A code older than the type was printed by somebody else.", todo)
    if lot.made_until is not None and year > lot.made_until:
        after = year - lot.made_until
        seen = f"{when}: {after} year{'s' if after > 1 else ''} after the type ended in {lot.made_until} ({source})"
        if after <= YEARS_AFTER_END:
            level = DOUBTS
        return odd(about, level, seen, "A code younger than the type was printed by somebody else.", todo)
    span = f"{lot.made_from or 'start not known'} to {lot.made_until or 'end not known, or still made'}"
    return expected(about, f"{when}: within the years of the type, {span} ({source})")


def _seen(about: str, state: str, fine: str, missing: str, wrong: str, matters: str, todo: str) -> Look:
    if state == "odd":
        return odd(about, DOUBTS, wrong, matters, todo)
    return expected(about, fine) if state == "as expected" else not_looked(about, missing)


def _marking_style(lot: PartLot) -> Look:
    return _seen(
        "marking style",
        lot.marking_style,
        "logo, printing and wording as the maker's in those years",
        "compare logo, printing or engraving and wording with a piece or a sheet of those years",
        "logo, printing or wording does not belong to those years",
        "Makers changed logos, went from ink to laser and added lines in known years.",
        "Compare with a dated piece of sure origin before fitting one.",
    )


def _ink(lot: PartLot) -> Look:
    return _seen(
        "ink against solvent",
        lot.ink,
        "marking stands a swab with solvent",
        "rub a swab with solvent over one piece",
        "marking or a coat on the case came off with solvent",
        "A coat hides an older marking that was ground or painted over.",
        "Look for grinding marks under the coat; do not fit on the strength of the marking.",
    )


def _case(state: str, about: str, wrong: str) -> Look:
    return _seen(
        about,
        state,
        "shape, pins, stamping and finish agree",
        "compare height, edges, pins, stamping and the flatness of the mounting face",
        wrong,
        "Parts of one maker and year come out of one tool.",
        "Sort by case and treat each sort as a lot of its own.",
    )


def _stock(lot: PartLot, today_year: int) -> Look:
    about = "claimed stock"
    if lot.claimed_stock is None:
        return not_looked(about, "ask how many the seller has")
    stock = f"{lot.claimed_stock} pieces claimed"
    if lot.made_until is None:
        return not_looked(about, f"{stock}; when the type ended is not known, or it is still made")
    ended = today_year - lot.made_until
    if lot.claimed_stock >= LARGE_STOCK and ended >= LONG_ENDED_YEARS:
        return odd(
            about,
            DOUBTS,
            f"{stock}, {ended} years after the type ended",
            "What is left of a type so long ended lies in tens and hundreds, not by the thousand "
            "(common practice, no source).",
            _COMPARE,
        )
    return expected(about, f"{stock}: possible {max(ended, 0)} years after the end of the type")
