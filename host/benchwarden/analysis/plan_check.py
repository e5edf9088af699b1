"""Will the board take this plan, and in which numbers does it get a stage?"""

from __future__ import annotations

import math

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.plan import Limit, Plan, PlanStage, StageFigures
from benchwarden.errors import PlanError
from wardenfw import wire

WireLimit = tuple[int, int, int, float, float, int, int]
WireStage = tuple[int, bool, bool, list[WireLimit], float, float]


def check_plan(plan: Plan) -> None:
    """Make sure the board will take every stage.

    Raises:
        PlanError: naming stage, channel and what is allowed.
    """
    if not plan.stages:
        raise PlanError("plan has no stages; allowed: at least one")
    before: PlanStage | None = None
    for number, stage in enumerate(plan.stages, 1):
        where = f"stage {number} ({stage.name})"
        if stage.stage_id != number:
            raise PlanError(f"{where}: stage_id = {stage.stage_id}; allowed: {number}")
        for key in ("settle_s", "hold_s", "reach_s"):
            value = getattr(stage, key)
            if not (math.isfinite(value) and value >= 0.0):
                raise PlanError(f"{where}: {key} = {value!r}; allowed: 0 or more seconds")
        first = stage.energised and (before is None or not before.energised)
        lessens = before is not None and before.energised and before.limiter_in and not stage.limiter_in
        if (first or lessens) and not stage.confirm:
            raise PlanError(f"{where}: confirm = false; allowed: true, because protection is lessened")
        _check_limits(where, stage.figures)
        before = stage


def _check_limits(where: str, figures: StageFigures) -> None:
    if len(figures.limits) > wire.MAX_LIMITS:
        raise PlanError(f"{where}: {len(figures.limits)} limits; allowed: at most {wire.MAX_LIMITS}")
    bounded: set[str] = set()
    for limit in figures.limits:
        name = f"{where}: {limit.channel} {limit.kind} limit"
        if limit.channel not in CHANNELS:
            raise PlanError(f"{name}: unknown channel; allowed: {', '.join(CHANNELS)}")
        if limit.kind not in wire.LIMIT_KINDS:
            raise PlanError(f"{name}: kind = {limit.kind!r}; allowed: {', '.join(wire.LIMIT_KINDS)}")
        if limit.cause not in wire.CAUSES[1:]:
            raise PlanError(f"{name}: cause = {limit.cause!r}; allowed: {', '.join(wire.CAUSES[1:])}")
        if math.isnan(limit.low) and math.isnan(limit.high):
            raise PlanError(f"{name}: neither low nor high; allowed: one of them or both")
        if limit.low >= limit.high:
            raise PlanError(f"{name}: low = {limit.low:g}, high = {limit.high:g}; allowed: low below high")
        ceiling = wire.CEILINGS[INDEX[limit.channel]]
        for side, value in (("low", limit.low), ("high", limit.high)):
            if abs(value) > ceiling:
                raise PlanError(
                    f"{name}: {side} = {value:g}; allowed: {-ceiling:g} to {ceiling:g}, the board's ceiling"
                )
        if not 0 <= limit.for_ms <= wire.MAX_FOR_MS:
            raise PlanError(f"{name}: for_ms = {limit.for_ms}; allowed: 0 to {wire.MAX_FOR_MS}")
        if limit.kind == "value":
            bound = limit.low if limit.channel == "rail_neg_v" else limit.high
            if not math.isnan(bound):
                bounded.add(limit.channel)
        elif not 200 <= limit.window_ms <= 65535:
            raise PlanError(f"{name}: window_ms = {limit.window_ms}; allowed: 200 to 65535")
    missing = [name for name in wire.MUST_LIMIT if name not in bounded]
    if missing:
        raise PlanError(f"{where}: no limit on {', '.join(missing)}; the board insists on one")
    for side, channel, amps in (
        ("positive", "rail_pos_a", figures.alert_pos_a),
        ("negative", "rail_neg_a", figures.alert_neg_a),
    ):
        if not 0.0 < amps <= wire.CEILINGS[INDEX[channel]]:
            raise PlanError(
                f"{where}: alert of the {side} rail = {amps:g} A; allowed: above 0 to {wire.CEILINGS[INDEX[channel]]:g}"
            )
    for name, span in figures.expected.items():
        if not span.low <= span.high:
            raise PlanError(f"{where}: expected {name} from {span.low:g} to {span.high:g}; allowed: low up to high")


def to_wire(stage: PlanStage) -> WireStage:
    """Return the arguments of `wire.pack_stage`, in its order."""
    limits = [_wire_limit(limit) for limit in stage.figures.limits]
    return (
        stage.stage_id,
        stage.limiter_in,
        stage.drive_on,
        limits,
        stage.figures.alert_pos_a,
        stage.figures.alert_neg_a,
    )


def _wire_limit(limit: Limit) -> WireLimit:
    return (
        INDEX[limit.channel],
        wire.LIMIT_KINDS.index(limit.kind),
        wire.CAUSES.index(limit.cause),
        limit.low,
        limit.high,
        limit.for_ms,
        limit.window_ms,
    )
