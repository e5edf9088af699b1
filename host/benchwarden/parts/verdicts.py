"""How is one rating of a candidate judged and shown?"""

from __future__ import annotations

from collections.abc import Callable

from benchwarden.core.part_findings import DOUBT, FINE, NO, NOT_KNOWN, RatingRow

UNKNOWN = "not known"
PRACTICE = "common practice, no source"


def shown(value: float | None, unit: str) -> str:
    """Return a figure with its unit, or that it is not known."""
    if value is None:
        return UNKNOWN
    return f"{value:.0f} {unit}" if abs(value) >= 99.95 else f"{value:.3g} {unit}"


def in_hand(pct: float) -> str:
    """Return a margin in percent; what is more than ten times is told as that."""
    return f"{pct:+.0f} %" if pct < 900.0 else "more than ten times"


def unknown_row(
    quantity: str, original: str, candidate: str, needed: str, working: str, why: str, source: str = ""
) -> RatingRow:
    """Return a row that nothing can be said about."""
    return RatingRow(quantity, original, candidate, needed, working, NOT_KNOWN, why, source)


def at_least(
    quantity: str,
    unit: str,
    original: float | None,
    candidate: float | None,
    needed: float | None,
    working: str,
    source: str = "",
) -> RatingRow:
    """Return the row of a rating that has to reach a need; below it, but not below the original, it is a doubt."""
    return _bounded(quantity, unit, original, candidate, needed, working, source, lambda a, b: a >= b, "below", "least")


def at_most(
    quantity: str,
    unit: str,
    original: float | None,
    candidate: float | None,
    needed: float | None,
    working: str,
    source: str = "",
) -> RatingRow:
    """Return the row of a figure that must not pass a need; beyond it, but not beyond the original, it is a doubt."""
    return _bounded(quantity, unit, original, candidate, needed, working, source, lambda a, b: a <= b, "above", "most")


def _bounded(
    quantity: str,
    unit: str,
    original: float | None,
    candidate: float | None,
    needed: float | None,
    working: str,
    source: str,
    meets: Callable[[float, float], bool],
    past: str,
    end: str,
) -> RatingRow:
    texts = (shown(original, unit), shown(candidate, unit))
    if candidate is None:
        return unknown_row(
            quantity, *texts, shown(needed, unit), working, "the candidate's sheet does not give it", source
        )
    if needed is None:
        verdict, why = _by_original(original, candidate, meets)
        return RatingRow(quantity, *texts, UNKNOWN, working, verdict, why, source)
    need = f"at {end} {shown(needed, unit)}"
    if meets(candidate, needed):
        verdict, why = FINE, f"{in_hand(abs(candidate / needed - 1.0) * 100.0).lstrip('+')} in hand"
    elif original is not None and meets(candidate, original):
        verdict = DOUBT
        why = f"{past} what the amplifier asks for, as the original was already; nothing in hand"
    else:
        verdict, why = NO, f"{past} what the amplifier asks for"
    return RatingRow(quantity, *texts, need, working, verdict, why, source)


def _by_original(original: float | None, candidate: float, meets: Callable[[float, float], bool]) -> tuple[str, str]:
    if original is None:
        return NOT_KNOWN, "neither the original's figure nor the need of this position is known"
    if meets(candidate, original):
        return FINE, "no worse than the original; what this position needs is not known"
    return DOUBT, "worse than the original; what this position needs is not known"
