"""One thing looked at on a lot, with the reason it gives, if any."""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.core.part_findings import AS_EXPECTED, NOT_LOOKED_AT, ODD, LookedAt, Reason


@dataclass(frozen=True)
class Look:
    """A row of the table and its reason; None where nothing odd was seen."""

    row: LookedAt
    reason: Reason | None = None


def expected(about: str, words: str) -> Look:
    """Return a look that found nothing odd."""
    return Look(LookedAt(about, AS_EXPECTED, words))


def not_looked(about: str, words: str) -> Look:
    """Return a look that was not taken, with what it would take."""
    return Look(LookedAt(about, NOT_LOOKED_AT, words))


def odd(about: str, level: str, seen: str, matters: str, todo: str) -> Look:
    """Return a look that found something."""
    return Look(LookedAt(about, ODD, seen), Reason(about, level, seen, matters, todo))
