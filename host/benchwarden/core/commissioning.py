"""What commissioning deals in: the rig, what is required, what a test found; plain data.

Commissioning proves each trip path of one board with a bench supply of extra-low
voltage and a power resistor in place of an amplifier.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from benchwarden.core.channels import CHANNELS
from benchwarden.core.procedure import Stopped
from benchwarden.core.samples import FloatArray
from benchwarden.errors import PlanError
from wardenfw import wire

# The rig is touched while it is live, so it stays far below what is dangerous
# to touch. Source: common practice, no source; the limits for dry touch in
# IEC 61140 and IEC 60364-4-41 are higher (60 V DC, from memory).
MOST_V = 30.0
LEAST_V = 5.0
# A trip path is told from noise, and a resistor from a lead, in this range.
LEAST_A, MOST_A = 0.5, 6.0
# Most tests run at this share of the rig's voltage, so that there is a way up.
LOW_SHARE = 2.0 / 3.0

SHEET_FORMAT = 1

Verdict = Literal["pass", "fail", "not done"]


@dataclass(frozen=True)
class Rig:
    """Bench supply and resistor, and who says so.

    Attributes:
        volts: the highest the supply is set to.
        ohms, watts: the resistor and what it may dissipate.
        supply, resistor: names of the two, for the record.
    """

    volts: float
    ohms: float
    watts: float
    supply: str = ""
    resistor: str = ""

    @property
    def amps(self) -> float:
        """Current at full voltage."""
        return self.volts / self.ohms

    @property
    def low_volts(self) -> float:
        """What the supply is set to in most tests."""
        return round(self.volts * LOW_SHARE, 1)

    @property
    def low_amps(self) -> float:
        return self.low_volts / self.ohms


def checked_rig(rig: Rig) -> Rig:
    """Return the rig if it can be used.

    Raises:
        PlanError: what is wrong with it, and what is allowed.
    """
    if not LEAST_V <= rig.volts <= MOST_V:
        raise PlanError(
            f"supply {rig.volts:g} V; allowed: {LEAST_V:g} to {MOST_V:g} V. "
            "The rig is handled while it is live; never use mains or an amplifier's rails for this"
        )
    if not rig.ohms > 0.0 or not LEAST_A <= rig.amps <= MOST_A:
        raise PlanError(
            f"{rig.volts:g} V across {rig.ohms:g} ohm; allowed: a resistor that draws {LEAST_A:g} to {MOST_A:g} A, "
            f"which is {rig.volts / MOST_A:.1f} to {rig.volts / LEAST_A:.1f} ohm"
        )
    heat_w = rig.volts * rig.amps
    if not heat_w <= rig.watts:
        raise PlanError(
            f"resistor for {rig.watts:g} W; allowed: at least the {heat_w:.0f} W it gets at {rig.volts:g} V, "
            "mounted as its maker says"
        )
    return rig


@dataclass(frozen=True)
class Hand:
    """Something the person does, now.

    Attributes:
        text: what the person reads.
        do, part, value: the same for a script: "supply" (value: volts), "resistor"
            (value: ohms), "apply" (part: channel, value: volts or degrees), "let-go"
            (part: channel), "part-out", "part-in" (part), "estop" (value 1: pressed),
            "button", "usb-out", "usb-in".
    """

    text: str
    do: str
    part: str = ""
    value: float = 0.0


@dataclass(frozen=True)
class Told:
    """One board event; names as in wire.EVENTS and wire.CAUSES, SI units."""

    t_ms: int
    event: str
    cause: str
    channel: str
    value: float
    limit: float
    text: str


@dataclass(frozen=True)
class Scans:
    """The full-rate record around a trip, oldest first.

    Attributes:
        t_ms: board time at the end of each scan, shape (n,).
        bits: digital byte, shape (n,).
        value: one sample of every channel, shape (n, channels), NaN where missing.
        trip: index of the scan that tripped.
    """

    t_ms: npt.NDArray[np.int64]
    bits: npt.NDArray[np.uint8]
    value: FloatArray
    trip: int

    def __len__(self) -> int:
        return len(self.t_ms)

    def channel(self, name: str) -> FloatArray:
        """Return the samples of one channel, shape (n,)."""
        samples: FloatArray = self.value[:, CHANNELS.index(name)]
        return samples

    def has(self, bit: int) -> npt.NDArray[np.bool_]:
        """Return in which scans a bit of the digital byte is set, shape (n,)."""
        return np.asarray((self.bits & bit) != 0)


@dataclass(frozen=True)
class Readings:
    """What the last frames read.

    Attributes:
        values: mean of each channel, NaN where it is missing.
        state: board state number.
        bits: digital byte of the newest frame.
        t_ms: board time of the newest frame.
    """

    values: dict[str, float]
    state: int
    bits: int
    t_ms: int

    @property
    def contact_closed(self) -> bool:
        return bool(self.bits & wire.MAINS_ON)

    @property
    def state_name(self) -> str:
        return wire.STATES[self.state] if self.state < len(wire.STATES) else f"state {self.state}"


@dataclass(frozen=True)
class Opening:
    """What the board told of one opening.

    Attributes:
        tripped: the trip's event, None when it was none.
        opened: the event of the contact reading open, None when it never came.
        scans: the full-rate record, None when there is none.
    """

    tripped: Told | None
    opened: Told | None
    scans: Scans | None


@dataclass(frozen=True)
class Requirement:
    """What a test has to show.

    Attributes:
        text: in words, with the figure.
        at_most_ms: the time allowed; None where no time is asked for.
        source: where the figure comes from.
    """

    text: str
    at_most_ms: float | None
    source: str


@dataclass(frozen=True)
class Measure:
    """A time, known to lie between two bounds.

    Attributes:
        since, until: from what to what.
        low_ms: None where only the upper bound is known.
    """

    since: str
    until: str
    low_ms: float | None
    high_ms: float

    def words(self) -> str:
        """Return the time as printed, bounds rounded outwards."""
        high = math.ceil(self.high_ms - 1e-9)
        if self.low_ms is None:
            return f"at most {high} ms"
        return f"{math.floor(self.low_ms + 1e-9)} to {high} ms"


@dataclass(frozen=True)
class Finding:
    """What one test came to.

    Attributes:
        measures: times, the one that the requirement is about first.
        seen: further observations, in sentences.
        why: of a failed test, what was seen and what was expected.
        part: of a failed test, what to look at.
    """

    ok: bool
    measures: tuple[Measure, ...] = ()
    seen: tuple[str, ...] = ()
    why: str = ""
    part: str = ""


@dataclass(frozen=True)
class TestResult:
    """One line of the sheet.

    Attributes:
        at_utc: when the test ended; a label.
    """

    __test__ = False  # not one of pytest's

    test: str
    title: str
    requirement: Requirement
    verdict: Verdict
    measures: tuple[Measure, ...] = ()
    seen: tuple[str, ...] = ()
    why: str = ""
    part: str = ""
    at_utc: str = ""


@dataclass(frozen=True)
class Sheet:
    """A commissioning, whole.

    Attributes:
        board: facts of the board (Hello.facts).
        complete: every test that commissioning asks for was among those chosen.
        run: name of the run folder with the raw data.
    """

    board: dict[str, Any]
    virtual: bool
    operator: str
    started_at_utc: str
    ended_at_utc: str
    interval_days: int
    rig: Rig | None
    results: tuple[TestResult, ...]
    complete: bool
    run: str
    host_version: str

    @property
    def passed(self) -> bool:
        """A partial commissioning is never a pass."""
        return self.complete and bool(self.results) and all(r.verdict == "pass" for r in self.results)

    @property
    def verdict(self) -> str:
        """Return "pass", "fail" or "incomplete"."""
        if any(r.verdict == "fail" for r in self.results):
            return "fail"
        return "pass" if self.passed else "incomplete"

    def table(self) -> dict[str, Any]:
        """Return the sheet as its JSON file holds it."""
        table = asdict(self)
        return {"format": SHEET_FORMAT, "verdict": self.verdict, **table}


class NotDone(Stopped):
    """The person did not do what a test needs, or said no; the test is neither passed nor failed."""
