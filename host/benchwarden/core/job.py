"""What is known of a repair: the set, what was found, what was fitted, what was checked and run.

Plain data. Text is anybody's and may hold anything; whoever shows or prints it makes it harmless.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from benchwarden.core.part_lots import PartLot
from benchwarden.core.substitutes import Substitution

JOB_STATES = ("open", "under test", "done")
CHECK_STATES = ("passed", "failed", "skipped")
SIDES = ("", "left", "right")
PART_ROLES = ("output", "driver", "predriver", "other")


@dataclass(frozen=True)
class SetFacts:
    """Which amplifier it is, as its plate or its owner says."""

    maker: str = ""
    model: str = ""
    serial: str = ""


@dataclass(frozen=True)
class EarlierRepair:
    """What somebody did to the set before.

    Attributes:
        found: what can be seen of it.
        by, when: as far as it is known, in words.
    """

    found: str
    by: str = ""
    when: str = ""


@dataclass(frozen=True)
class FittedPart:
    """One part that was put in.

    Attributes:
        position: as the circuit diagram names it.
        marking: what is written on it.
        replaced: marking of what was there before.
        lot: name of the lot it was taken from; "" where none was checked.
    """

    position: str
    marking: str
    role: str = "other"
    side: str = ""
    replaced: str = ""
    lot: str = ""
    note: str = ""


@dataclass(frozen=True)
class CheckResult:
    """How one check before power went.

    Attributes:
        check: key of the check (core.cold_checks).
        position: part or place, as the circuit diagram names it.
        state: one of CHECK_STATES.
        marked, measured: values in the check's unit; None where it has none.
        noisy: whether the part crackled; only where the check asks.
        why: the person's reason to power up all the same; needed for "failed" and "skipped".
    """

    check: str
    state: str
    position: str = ""
    marked: float | None = None
    measured: float | None = None
    noisy: bool | None = None
    note: str = ""
    why: str = ""


@dataclass(frozen=True)
class JobNote:
    """Something worth keeping, with who wrote it and when (a label only)."""

    text: str
    at_utc: str = ""
    by: str = ""


@dataclass(frozen=True)
class Photo:
    """A picture kept with the job.

    Attributes:
        name: file name as it came, cleaned.
        media_type: found from its bytes, "image/jpeg" or "image/png".
        sha256: of its bytes, 64 hexadecimal digits; the store finds it by this.
        size: bytes.
    """

    name: str
    media_type: str
    sha256: str
    size: int
    caption: str = ""
    width_px: int = 0
    height_px: int = 0


@dataclass(frozen=True)
class JobRun:
    """A supervised run that belongs to the job.

    Attributes:
        folder: name of its run folder.
        verdict: "pass", "trip" or "incomplete".
        head: head hash of its seal, 64 hexadecimal digits; "" where it was not sealed.
        metrics: what a comparison needs, under the verdict's names (jobs.run_facts, analysis.returns).
    """

    folder: str
    run_type: str = ""
    started_at_utc: str = ""
    verdict: str = ""
    sentence: str = ""
    duration_s: float = 0.0
    virtual: bool = False
    head: str = ""
    metrics: dict[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True)
class Job:
    """One repair.

    Attributes:
        number: the workshop's own, unique.
        customer: the customer as the workshop refers to them.
        work: what was repaired, in words for the customer.
        unit: facts for the plan, the keys of unit.toml; empty before they are known.
        charge: what the supervised run costs, as a decimal number in the workshop's currency; "" for none.
        invoice: number of the invoice it goes with; "" before there is one.
        version: counted up by the store with every save; 0 before the first.
    """

    number: str
    customer: str = ""
    amplifier: SetFacts = SetFacts()
    state: str = "open"
    complaint: str = ""
    work: str = ""
    earlier_repairs: tuple[EarlierRepair, ...] = ()
    unit: dict[str, Any] = field(default_factory=dict, hash=False)
    lots: tuple[PartLot, ...] = ()
    substitutions: tuple[Substitution, ...] = ()
    parts_fitted: tuple[FittedPart, ...] = ()
    cold_checks: tuple[CheckResult, ...] = ()
    runs: tuple[JobRun, ...] = ()
    notes: tuple[JobNote, ...] = ()
    photos: tuple[Photo, ...] = ()
    technician: str = ""
    charge: str = ""
    invoice: str = ""
    opened_at_utc: str = ""
    changed_at_utc: str = ""
    version: int = 0
