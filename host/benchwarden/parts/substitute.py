"""Does one type of transistor do in place of another in this amplifier?"""

from __future__ import annotations

from benchwarden.core.part_findings import DOUBT, FINE, NO, NOT_KNOWN, RatingRow, SubstituteFindings
from benchwarden.core.substitutes import Substitution
from benchwarden.errors import JobError
from benchwarden.parts.circuit_facts import CircuitFacts
from benchwarden.parts.heat_rows import area_curves, area_margins, heat_rows, judged
from benchwarden.parts.likeness_rows import likeness_rows
from benchwarden.parts.limit_rows import is_bipolar, limit_rows

__all__ = ["CAUTION", "CircuitFacts", "check_substitution"]

CAUTION = (
    "This compares sheets with a calculation. Sheets can be wrong or of another maker's part, and the part can be a "
    "fake: make the incoming check as well. Not covered: faults, shorted outputs, the set's protection, and whether "
    "the amplifier keeps stable with it; the compensation is proven on the bench, by the supervised run, with an "
    "oscilloscope on the output."
)
FIELD_EFFECT = " Gate drive, threshold and gate protection of field-effect types are not checked here."
_NAMED = 4


def check_substitution(substitution: Substitution, circuit: CircuitFacts) -> SubstituteFindings:
    """Return, rating by rating, how a candidate compares with the original and with what this amplifier asks for.

    Raises:
        JobError: the roles differ, or a sheet's curves contradict themselves; names type and key.
    """
    if substitution.role != circuit.role:
        raise JobError(f"role = {substitution.role!r}, the circuit's is {circuit.role!r}; allowed: the same in both")
    original, candidate = judged(substitution.original, circuit), judged(substitution.candidate, circuit)
    rows = (
        *limit_rows(substitution, circuit),
        *heat_rows(substitution, circuit, original, candidate),
        *likeness_rows(substitution, circuit),
    )
    level = _level(rows, circuit.role)
    field_effect = not (is_bipolar(substitution.original) and is_bipolar(substitution.candidate))
    if field_effect and level == FINE:
        level = DOUBT
    return SubstituteFindings(
        role=circuit.role,
        original=substitution.original.marking,
        candidate=substitution.candidate.marking,
        level=level,
        headline=_headline(substitution, rows, level),
        rows=rows,
        curves=area_curves(circuit, original, candidate),
        margins=area_margins(circuit, original, candidate),
        caution=CAUTION + (FIELD_EFFECT if field_effect else ""),
    )


def _level(rows: tuple[RatingRow, ...], role: str) -> str:
    verdicts = {row.verdict for row in rows}
    if NO in verdicts:
        return NO
    # What a position asks for has to be known before anything is fine for it.
    return FINE if verdicts == {FINE} and role != "other" else DOUBT


def _headline(given: Substitution, rows: tuple[RatingRow, ...], level: str) -> str:
    pair = f"{given.candidate.marking} in place of {given.original.marking} as {given.role}"
    if level == FINE:
        return f"{pair}: fine in all {len(rows)} rows, on paper."
    parts = []
    for verdict, words in ((NO, "does not do"), (DOUBT, "in doubt"), (NOT_KNOWN, "not known")):
        names = [row.quantity for row in rows if row.verdict == verdict]
        if names:
            more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
            parts.append(f"{words}: {', '.join(names[:_NAMED])}{more}")
    return f"{pair}: {'; '.join(parts) or 'field-effect type, not checked in full'}."
