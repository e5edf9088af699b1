"""What becomes of two people's changes to one job: nothing of either is lost, and a person decides.

Three versions are held side by side: the one both began from, what stands in the fields here, and what
somebody else saved meanwhile. What the page does not edit (notes, photos, runs, checks, lots) is always
the stored one's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from benchwarden.core.job import Job
from benchwarden.dashboard.jobs_form import FACTS, LABELS, LISTS, Row, Texts, job_with, shown, texts_of

MINE, THEIRS = "mine", "theirs"


@dataclass(frozen=True)
class Clash:
    """One field in which the fields here and the stored job differ.

    Attributes:
        mine, theirs: both values as text.
        preset: the side that alone changed it, MINE or THEIRS; "" where both did.
    """

    key: str
    label: str
    mine: str
    theirs: str
    preset: str


def changed(one: Texts, other: Texts) -> tuple[str, ...]:
    """Return the keys of facts and lists that differ."""
    facts = tuple(fact.key for fact in FACTS if one.facts[fact.key] != other.facts[fact.key])
    return facts + tuple(row.key for row in LISTS if one.rows[row.key] != other.rows[row.key])


def clashes(base: Job, mine: Job, theirs: Job) -> tuple[Clash, ...]:
    """Return what a person has to look at before `mine` is saved over `theirs`.

    Args:
        base: the version from which the fields were filled.

    Returns:
        Empty where nobody else changed what the page edits; otherwise every field that differs.
    """
    begun, here, there = texts_of(base), texts_of(mine), texts_of(theirs)
    by_them = set(changed(begun, there))
    if not by_them:
        return ()
    by_me = set(changed(begun, here))
    return tuple(
        Clash(key, LABELS[key], shown(key, here), shown(key, there), _preset(key in by_me, key in by_them))
        for key in changed(here, there)
    )


def decided(mine: Job, theirs: Job, choices: Mapping[str, str]) -> tuple[Job, tuple[str, ...]]:
    """Return the job to save over `theirs`, and the keys for which nobody has decided.

    Args:
        choices: MINE or THEIRS by key, for every field that differs.
    """
    here, there = texts_of(mine), texts_of(theirs)
    facts: dict[str, str] = dict(there.facts)
    rows: dict[str, tuple[Row, ...]] = dict(there.rows)
    left = []
    for key in changed(here, there):
        if choices.get(key) == MINE:
            if key in facts:
                facts[key] = here.facts[key]
            else:
                rows[key] = here.rows[key]
        elif choices.get(key) != THEIRS:
            left.append(key)
    return job_with(theirs, Texts(facts, rows)), tuple(left)


def over(mine: Job, theirs: Job) -> Job:
    """Return the stored job with what stands in the fields here."""
    return replace(job_with(theirs, texts_of(mine)), version=theirs.version)


def table_of(found: tuple[Clash, ...], version: int, said: str) -> dict[str, Any]:
    """Return a conflict for the browser to keep while the person decides.

    Args:
        version: of the stored job that was compared with.
        said: who saved it when, in words.
    """
    return {
        "version": version,
        "said": said,
        "fields": [
            {"key": one.key, "label": one.label, "mine": one.mine, "theirs": one.theirs, "preset": one.preset}
            for one in found
        ],
        "choices": {one.key: one.preset for one in found if one.preset},
    }


def _preset(by_me: bool, by_them: bool) -> str:
    return "" if by_me and by_them else MINE if by_me else THEIRS
