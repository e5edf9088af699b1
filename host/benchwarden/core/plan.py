"""What a staged run is made of: limits, stages, the working behind each number."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchwarden.core.unit import Unit


@dataclass(frozen=True)
class Working:
    """One computed figure shown with how it came about.

    Attributes:
        quantity: what it is, in words.
        formula: the relation, in symbols a technician knows.
        numbers: the same with this unit's numbers put in.
        value, unit: the result.
        source: standard, datasheet, handbook or "common practice, no source".
    """

    quantity: str
    formula: str
    numbers: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True)
class Expected:
    """What a healthy amplifier reads: the span to accept and the middle of it, SI units."""

    low: float
    nominal: float
    high: float


@dataclass(frozen=True)
class Limit:
    """One limit as the board enforces it.

    Attributes:
        channel: channel name.
        kind: "value", "rate" (per second over window_ms) or "spread"
            (sample minus its mean over window_ms).
        low, high: SI units; NaN leaves that side open.
        for_ms: how long it must be exceeded without a break.
        cause: one of the fixed causes.
        why: where the number comes from, in words.
    """

    channel: str
    kind: str
    low: float
    high: float
    for_ms: int
    window_ms: int
    cause: str
    why: str


@dataclass(frozen=True)
class StageFigures:
    """Everything computed for one setting of transformer, limiter and drive."""

    expected: dict[str, Expected]
    limits: tuple[Limit, ...]
    alert_pos_a: float
    alert_neg_a: float
    working: tuple[Working, ...]


@dataclass(frozen=True)
class PlanStage:
    """One stage of a supervised run.

    Attributes:
        stage_id: 1, 2, 3 ... as sent to the board.
        name: shown to the person.
        energised: False for checks made with the relay open.
        prompt: what the person is told to do before the stage.
        confirm: the person must confirm; always true where protection is lessened.
        settle_s: the expected readings must hold this long before the stage counts.
        hold_s: how long the stage then lasts.
        reach_s: how long the person has to bring the readings into the expected span.
    """

    stage_id: int
    name: str
    mains_pct: float
    limiter_in: bool
    drive_on: bool
    energised: bool
    prompt: str
    confirm: bool
    settle_s: float
    hold_s: float
    reach_s: float
    figures: StageFigures


@dataclass(frozen=True)
class Plan:
    """A staged run computed from a unit's facts."""

    unit: Unit
    run_type: str
    stages: tuple[PlanStage, ...]
    working: tuple[Working, ...] = field(default=())
