"""Doubts about parts: longer through the lamp, tighter limits, longer soaks, never inside the healthy reading."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from benchwarden.analysis.careful import DEGREES, SOAKS, Doubts, doubts_of, more_careful
from benchwarden.analysis.plan_text import working_text
from benchwarden.analysis.planner import burn_in_plan, check_plan, power_up_plan
from benchwarden.core.part_findings import (
    DO_NOT_FIT,
    DOUBT,
    DOUBTS,
    FINE,
    NO,
    NOTHING_FOUND,
    LotFindings,
    Reason,
    SubstituteFindings,
)
from benchwarden.core.plan import Limit, Plan, PlanStage
from benchwarden.core.unit import Unit, load_unit
from benchwarden.errors import PlanError

RECORDINGS = Path(__file__).parents[3] / "recordings"
UNITS = [load_unit(path) for path in sorted(RECORDINGS.glob("*/unit.toml"))]
UNITS += [
    Unit(20.0, 8.0, 25.0, 0.47, 15.0, 40.0, package="plastic"),
    Unit(150.0, 4.0, 60.0, 0.1, 10.0, 200.0, output_pairs=3, package="metal-can"),
]


def lot(name: str, *levels: str) -> LotFindings:
    reasons = tuple(Reason(f"look {k}", level, "seen", "matters", "todo") for k, level in enumerate(levels))
    level = DO_NOT_FIT if DO_NOT_FIT in levels else DOUBTS if levels else NOTHING_FOUND
    return LotFindings(name, "LM 6001N", level, f"{name}: headline", "proof", reasons, (), (), (), ())


def substitute(level: str) -> SubstituteFindings:
    return SubstituteFindings("output", "OM 5001N", "LM 6001N", level, "a headline", (), (), (), "caution")


def doubts(count: int) -> Doubts:
    return Doubts(tuple(f"lot A: look {k}" for k in range(count)), ())


def plans() -> list[Plan]:
    found = []
    for unit in UNITS:
        found.append(power_up_plan(replace(unit, run_type="power-up")))
        found.append(burn_in_plan(replace(unit, run_type="burn-in"), 8.0))
    return found


def test_what_counts_as_a_doubt() -> None:
    found = doubts_of([lot("A", DOUBTS, DOUBTS), lot("B")], [substitute(DOUBT), substitute(FINE)])
    assert found.doubts == ("lot A: look 0", "lot A: look 1", "LM 6001N for OM 5001N: a headline")
    assert found.against == ()
    against = doubts_of([lot("A", DO_NOT_FIT, DOUBTS)], [substitute(NO)])
    assert len(against.against) == 2
    assert [doubts(n).degree for n in range(6)] == [None, DEGREES[0], DEGREES[1], DEGREES[1], DEGREES[2], DEGREES[2]]


def test_without_a_doubt_the_plan_is_the_same() -> None:
    plan = plans()[0]
    assert more_careful(plan, doubts(0)) is plan


def test_parts_not_to_be_fitted_need_a_reason() -> None:
    plan, found = plans()[0], doubts_of([lot("A", DO_NOT_FIT)], [])
    with pytest.raises(PlanError, match="A: headline") as caught:
        more_careful(plan, found, "  ")
    assert "nothing was closed" in str(caught.value)
    assert "--fit-anyway" in str(caught.value)
    assert "degree of care" in working_text(more_careful(plan, found, "the customer was told and agrees"))


@pytest.mark.parametrize("count", [1, 2, 4])
def test_every_stage_is_at_least_as_careful_and_healthy_readings_stay_inside(count: int) -> None:
    for plan in plans():
        careful = more_careful(plan, doubts(count))
        check_plan(careful)
        for before, after in zip(plan.stages, careful.stages, strict=True):
            _no_less_careful(before, after)


def _no_less_careful(before: PlanStage, after: PlanStage) -> None:
    assert after.hold_s >= before.hold_s
    if before.energised and (before.limiter_in or before.name in SOAKS):
        assert after.hold_s > before.hold_s
    for old, new in zip(before.figures.limits, after.figures.limits, strict=True):
        assert (new.channel, new.kind, new.for_ms, new.cause) == (old.channel, old.kind, old.for_ms, old.cause)
        assert not new.high > old.high
        assert not new.low < old.low
        healthy = after.figures.expected.get(new.channel)
        _tells(old, new)
        if "parts in doubt" in new.why and healthy is not None:
            assert not new.high <= healthy.high
            assert not new.low >= healthy.low
            assert healthy.low <= healthy.nominal <= healthy.high
    for name, span in after.figures.expected.items():
        old_span = before.figures.expected[name]
        assert old_span.low <= span.low <= span.nominal <= span.high <= old_span.high


def _tells(old: Limit, new: Limit) -> None:
    same = all(a == b or (math.isnan(a) and math.isnan(b)) for a, b in ((old.low, new.low), (old.high, new.high)))
    assert same or "parts in doubt" in new.why


def test_it_is_seen_where_people_look() -> None:
    careful = more_careful(plans()[0], doubts(2))
    first = next(stage for stage in careful.stages if stage.energised)
    assert "Parts are in doubt (2): this plan is more careful than usual." in first.prompt
    text = working_text(careful)
    assert "time through the lamp, parts in doubt" in text
    assert "lot A: look 0; lot A: look 1" in text
