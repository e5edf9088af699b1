"""What do doubts about parts do to a plan: longer stages through the lamp, tighter limits, a longer soak?

A part in doubt may be a smaller die than its marking says, with less mass, more thermal
resistance and a smaller safe area. It shows at a lower current and after a longer time than a
plain fault does, so the plan waits longer where little can happen and forgives less later.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchwarden.analysis.plan_check import check_plan
from benchwarden.analysis.plan_stages import MAX_HOURS
from benchwarden.core.part_findings import DO_NOT_FIT, DOUBT, DOUBTS, NO, LotFindings, SubstituteFindings
from benchwarden.core.plan import Expected, Limit, Plan, PlanStage, StageFigures, Working
from benchwarden.errors import PlanError

SOURCE = "common practice, no source"
# Stages that idle on full mains; a burn-in's last is its long soak.
SOAKS = ("idle soak", "idle warm-up", "long soak")
# With the test signal on or just gone, how loud it is decides more than the parts do.
_OF_THE_SIGNAL = ("signal off", "hot idle recovery")
# What is to stay inside its limit keeps a twentieth of the way to it free, as the computed plan does.
_INSIDE = 0.95
_TIGHTENED = ("over-current", "dc-offset", "bias-unstable", "oscillation")


@dataclass(frozen=True)
class Degree:
    """How much more careful.

    Attributes:
        number: 1 to 3.
        lamp, soak: factors of the time through the lamp and of the soak.
        room: share of the room between the healthy reading and its limit that is left.
        sink_k: by how much the heatsink's limit comes down, kelvin.
    """

    number: int
    lamp: float
    soak: float
    room: float
    sink_k: float


DEGREES = (
    Degree(1, 1.5, 1.25, 0.85, 5.0),
    Degree(2, 2.0, 1.5, 0.75, 8.0),
    Degree(3, 3.0, 2.0, 0.65, 12.0),
)


@dataclass(frozen=True)
class Doubts:
    """What counts against the parts of a job.

    Attributes:
        doubts: each in a few words.
        against: those that say not to fit; power on them takes a person's reason.
    """

    doubts: tuple[str, ...]
    against: tuple[str, ...]

    @property
    def degree(self) -> Degree | None:
        """Return how careful to be; None without a doubt."""
        if self.against or len(self.doubts) > 3:
            return DEGREES[2]
        if not self.doubts:
            return None
        return DEGREES[0] if len(self.doubts) == 1 else DEGREES[1]


def doubts_of(lots: Sequence[LotFindings], substitutions: Sequence[SubstituteFindings]) -> Doubts:
    """Return what the checks of parts found against them."""
    doubts = [f"lot {lot.lot}: {reason.about}" for lot in lots for reason in lot.reasons if reason.level == DOUBTS]
    against = [f"lot {lot.lot}: {lot.headline}" for lot in lots if lot.level == DO_NOT_FIT]
    for found in substitutions:
        words = f"{found.candidate} for {found.original}: {found.headline}"
        if found.level == NO:
            against.append(words)
        elif found.level == DOUBT:
            doubts.append(words)
    return Doubts(tuple(doubts), tuple(against))


def more_careful(plan: Plan, found: Doubts, fit_why: str = "") -> Plan:
    """Return the plan for parts in doubt; the same plan where there is none.

    Args:
        fit_why: a person's reason to power parts that should not be fitted.

    Raises:
        PlanError: parts should not be fitted and nobody says why they are; or no plan is left that the board takes.
    """
    if found.against and not fit_why.strip():
        listed = "\n  ".join(found.against)
        raise PlanError(
            f"these parts should not be fitted; nothing was closed:\n  {listed}\n"
            'Take them out, or give --fit-anyway "REASON"; the reason goes into the record.'
        )
    degree = found.degree
    if degree is None:
        return plan
    reasons = (*found.against, *found.doubts)
    stages = [_stage(stage, degree) for stage in plan.stages]
    first = next((k for k, stage in enumerate(stages) if stage.energised), 0)
    stages[first] = replace(
        stages[first],
        prompt=f"{stages[first].prompt} Parts are in doubt ({len(reasons)}): this plan is more careful than usual.",
    )
    careful = replace(plan, stages=tuple(stages), working=(*plan.working, *_working(reasons, degree)))
    check_plan(careful)
    return careful


def _stage(stage: PlanStage, degree: Degree) -> PlanStage:
    if not stage.energised:
        return stage
    hold_s = stage.hold_s
    if stage.limiter_in:
        hold_s *= degree.lamp
    elif stage.name in SOAKS:
        hold_s = min(hold_s * degree.soak, MAX_HOURS * 3600.0)
    of_the_signal = stage.drive_on or stage.name in _OF_THE_SIGNAL
    return replace(stage, hold_s=hold_s, figures=_figures(stage.figures, degree, of_the_signal))


def _figures(figures: StageFigures, degree: Degree, of_the_signal: bool) -> StageFigures:
    limits = tuple(
        _limit(limit, figures.expected.get(limit.channel), degree, of_the_signal) for limit in figures.limits
    )
    expected = {name: _inside(name, span, limits) for name, span in figures.expected.items()}
    return replace(figures, limits=limits, expected=expected)


def _limit(limit: Limit, healthy: Expected | None, degree: Degree, of_the_signal: bool) -> Limit:
    if limit.kind != "value" or healthy is None:
        return limit
    if limit.cause == "over-temperature" and limit.channel.startswith("sink_"):
        high = max(limit.high - degree.sink_k, healthy.nominal + degree.sink_k)
        why = f"{limit.why}; {degree.sink_k:g} K lower, parts in doubt"
        return replace(limit, high=high, why=why) if high < limit.high else limit
    if limit.cause not in _TIGHTENED or of_the_signal:
        return limit
    middle = healthy.nominal
    low = middle - degree.room * (middle - limit.low)
    high = middle + degree.room * (limit.high - middle)
    return replace(limit, low=low, high=high, why=f"{limit.why}; {degree.room * 100:g} % of its room, parts in doubt")


def _inside(channel: str, span: Expected, limits: tuple[Limit, ...]) -> Expected:
    """Return what is accepted of a channel, inside its limits as they are now."""
    low, high = span.low, span.high
    for limit in limits:
        if limit.channel != channel or limit.kind != "value":
            continue
        if math.isfinite(limit.high) and limit.high > span.nominal:
            high = min(high, span.nominal + _INSIDE * (limit.high - span.nominal))
        if math.isfinite(limit.low) and limit.low < span.nominal:
            low = max(low, span.nominal - _INSIDE * (span.nominal - limit.low))
    return replace(span, low=low, high=high)


def _working(reasons: tuple[str, ...], degree: Degree) -> tuple[Working, ...]:
    counted = f"{len(reasons)}: {'; '.join(reasons)}"
    rows = (
        ("degree of care", "1 doubt: 1; 2 or 3: 2; more, or parts not to be fitted: 3", float(degree.number), ""),
        ("time through the lamp, parts in doubt", "hold x factor", degree.lamp, "times"),
        ("soak on full mains, parts in doubt", "hold x factor", degree.soak, "times"),
        ("room of a limit, parts in doubt", "healthy + share x (limit - healthy)", degree.room * 100.0, "%"),
        ("heatsink limit, parts in doubt", "limit - reserve", degree.sink_k, "K lower"),
    )
    return tuple(Working(name, formula, counted, value, unit, SOURCE) for name, formula, value, unit in rows)
