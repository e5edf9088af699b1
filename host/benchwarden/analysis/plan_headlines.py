"""What does a technician ask of a plan first: lamp, first current, loop gain, heat?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchwarden.analysis import thermal_chain
from benchwarden.analysis.draw import SEPARABLE, Draw, draw_of, lamp_that_separates
from benchwarden.analysis.heat_cases import HeatCase, heat_cases
from benchwarden.analysis.operating_point import estimated_va
from benchwarden.analysis.stability import Stability, stability
from benchwarden.analysis.stage_sheet import Notes, Setting
from benchwarden.core.plan import Plan, PlanStage
from benchwarden.core.unit import Unit


@dataclass(frozen=True)
class StageDraw:
    """What one rail carries in a stage, amperes.

    Attributes:
        nominal_a: mean with everything as it should be.
        limit_a: where the board opens the relay.
        shorted_a: the least a shorted output stage draws.
        shorted_case: which short that is, in words.
        rail_v: the rail a healthy set then stands at: lowest, nominal, highest.
    """

    nominal_a: float
    limit_a: float
    shorted_a: float
    shorted_case: str
    rail_v: tuple[float, float, float]


@dataclass(frozen=True)
class Headlines:
    """The figures asked for first.

    Attributes:
        first: the first stage with mains on; first_draw, first_most_a: what one rail carries
            there, and the most a healthy set draws.
        separable: a limit can stand between healthy and shorted through this lamp.
        better_lamp_w: the smallest common lamp through which one could; None where none could.
        loop: the thermal loop as the facts foretell it.
        cases: heat at idle, 1/8, 1/3 and the worst sine level.
        sink_limit_c: highest sink temperature that any stage lets pass.
    """

    first: PlanStage
    first_draw: StageDraw
    first_most_a: float
    separable: bool
    better_lamp_w: float | None
    loop: Stability
    cases: tuple[HeatCase, ...]
    sink_limit_c: float


def headlines(plan: Plan) -> Headlines:
    """Return the figures asked for first."""
    unit = plan.unit
    first = next(stage for stage in plan.stages if stage.energised)
    draw = _draw(unit, first)
    separable = draw.shorted >= SEPARABLE * draw.healthy
    better = None if separable else lamp_that_separates(unit, first.mains_pct, first.drive_on)
    sink = [
        limit.high
        for stage in plan.stages
        for limit in stage.figures.limits
        if limit.channel in ("sink_left_c", "sink_right_c") and limit.kind == "value" and not math.isnan(limit.high)
    ]
    return Headlines(
        first, stage_draw(unit, first), draw.healthy, separable, better, stability(unit), heat_cases(unit), max(sink)
    )


def stage_draw(unit: Unit, stage: PlanStage) -> StageDraw:
    """Return what one rail carries in an energised stage."""
    draw = _draw(unit, stage)
    limit = next(
        limit
        for limit in stage.figures.limits
        if limit.channel == "rail_pos_a" and limit.kind == "value" and not math.isnan(limit.high)
    )
    rail = stage.figures.expected["rail_pos_v"]
    nominal_a = stage.figures.expected["rail_pos_a"].nominal
    return StageDraw(nominal_a, limit.high, draw.shorted, draw.shorted_case, (rail.low, rail.nominal, rail.high))


def assumed(unit: Unit) -> dict[str, float]:
    """Return the value the plan uses for each fact that may be left empty."""
    package = thermal_chain.package_of(unit)
    return {
        "transformer_va": estimated_va(unit),
        "sink_k_per_w": thermal_chain.sink_k_per_w(unit),
        "rth_jc_k_per_w": package.rth_jc_k_per_w,
        "rth_cs_k_per_w": package.rth_cs_k_per_w,
        "tj_max_c": package.tj_max_c,
        "power_max_w": package.power_max_w,
    }


def _draw(unit: Unit, stage: PlanStage) -> Draw:
    return draw_of(Setting(unit, stage.mains_pct, stage.limiter_in, stage.drive_on), Notes())
