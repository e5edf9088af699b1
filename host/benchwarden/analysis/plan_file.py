"""What does a plan file change in the plan computed from the unit's facts?

```toml
run_type = "burn-in"            # optional, else the unit's
hours = 8                       # burn-in only

[stage."limiter 25 %"]
hold_s = 60
settle_s = 10
reach_s = 300

[stage."limiter 25 %".limits.rail_pos_a]
high = 0.30
for_ms = 50
```

A limit given here replaces the computed one, tighter or wider, as far as the
board's ceilings allow; the computed figure stays in the limit's reason.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

from benchwarden.analysis.plan_check import check_plan
from benchwarden.analysis.plan_stages import MAX_HOURS, MIN_HOURS, burn_in_plan, power_up_plan
from benchwarden.core.channels import CHANNEL
from benchwarden.core.plan import Limit, Plan, PlanStage
from benchwarden.core.unit import RUN_TYPES, Unit, load_toml
from benchwarden.errors import PlanError
from wardenfw import wire

DEFAULT_HOURS = 4.0
LONGEST_S = MAX_HOURS * 3600.0
_TOP = ("hours", "run_type", "stage")
_TIMES = ("hold_s", "reach_s", "settle_s")
_STAGE = (*_TIMES, "limits")
_LIMIT = ("for_ms", "high", "low", "rate_high")


def load_plan(path: Path, unit: Unit) -> Plan:
    """Return the plan for `unit` as a plan file wants it.

    Raises:
        PlanError: naming the file, the key and the allowed values.
    """
    return plan_from_table(load_toml(path), unit, str(path))


def plan_from_table(table: dict[str, Any], unit: Unit, where: str) -> Plan:
    """Return the plan for `unit` as the parsed plan file `table` wants it.

    Raises:
        PlanError: naming `where`, the key and the allowed values.
    """
    return changed_plan(computed_plan(table, unit, where), table.get("stage", {}), where)


def computed_plan(table: dict[str, Any], unit: Unit, where: str) -> Plan:
    """Return the plan of the run type and length in `table`, without its changes to stages.

    Raises:
        PlanError: naming `where`, the key and the allowed values.
    """
    _known(where, table, _TOP)
    run_type = table.get("run_type", unit.run_type)
    if run_type not in RUN_TYPES:
        raise PlanError(f"{where}: run_type = {run_type!r}; allowed: {', '.join(RUN_TYPES)}")
    if run_type == "burn-in":
        hours = _number(where, "hours", table.get("hours", DEFAULT_HOURS), MIN_HOURS, MAX_HOURS)
        return burn_in_plan(unit, hours)
    if "hours" in table:
        raise PlanError(f'{where}: hours = {table["hours"]!r}; allowed: only with run_type = "burn-in"')
    return power_up_plan(unit)


def changed_plan(plan: Plan, changes: Any, where: str) -> Plan:
    """Return a computed plan with the stage tables of a plan file put over it.

    Raises:
        PlanError: naming `where`, the stage, the key and the allowed values.
    """
    if not isinstance(changes, dict):
        raise PlanError(f'{where}: stage = {changes!r}; allowed: [stage."NAME"] tables')
    _known(f"{where}: stage", changes, tuple(stage.name for stage in plan.stages))
    plan = replace(plan, stages=tuple(_changed(where, stage, changes.get(stage.name, {})) for stage in plan.stages))
    try:
        check_plan(plan)
    except PlanError as error:
        raise PlanError(f"{where}: {error}") from error
    return plan


def _known(where: str, table: dict[str, Any], allowed: tuple[str, ...]) -> None:
    for key in table:
        if key not in allowed:
            raise PlanError(f"{where}: unknown key {key!r}; allowed: {', '.join(allowed)}")


def _number(where: str, key: str, value: Any, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise PlanError(f"{where}: {key} = {value!r}; allowed: a number")
    if not low <= value <= high:
        raise PlanError(f"{where}: {key} = {value!r}; allowed: {low:g} to {high:g}")
    return float(value)


def _changed(where: str, stage: PlanStage, table: Any) -> PlanStage:
    where = f"{where}: stage {stage.name!r}"
    if not isinstance(table, dict):
        raise PlanError(f'{where} = {table!r}; allowed: a [stage."{stage.name}"] table')
    _known(where, table, _STAGE)
    times = {key: _number(where, key, table.get(key, getattr(stage, key)), 0.0, LONGEST_S) for key in _TIMES}
    limits = table.get("limits", {})
    if not isinstance(limits, dict):
        raise PlanError(f"{where}: limits = {limits!r}; allowed: one table per channel")
    _known(f"{where}: limits", limits, tuple(CHANNEL))
    changed = list(stage.figures.limits)
    for channel, change in limits.items():
        _change_limits(f"{where}: limits: {channel}", channel, change, changed)
    return replace(
        stage,
        hold_s=times["hold_s"],
        settle_s=times["settle_s"],
        reach_s=times["reach_s"],
        figures=replace(stage.figures, limits=tuple(changed)),
    )


def _change_limits(where: str, channel: str, change: Any, limits: list[Limit]) -> None:
    if not isinstance(change, dict) or not change:
        raise PlanError(f"{where} = {change!r}; allowed: {', '.join(_LIMIT)}")
    _known(where, change, _LIMIT)
    ceiling = wire.CEILINGS[wire.CHANNELS.index(channel)]
    sides = [side for side in ("low", "high", "rate_high") if side in change]
    # A waiting time alone belongs to the bound the board insists on.
    for side in sides or ["low" if channel == "rail_neg_v" else "high"]:
        kind, name = ("rate", "high") if side == "rate_high" else ("value", side)
        at = _index(where, channel, kind, name, limits)
        limit = limits[at]
        if side in change:
            value = _number(where, side, change[side], -ceiling, ceiling)
            why = f"set by the plan file, computed was {getattr(limit, name):.4g}: {limit.why}"
            limit = replace(limit, low=value, why=why) if name == "low" else replace(limit, high=value, why=why)
        if "for_ms" in change and (kind == "value" or sides == ["rate_high"]):
            limit = replace(limit, for_ms=round(_number(where, "for_ms", change["for_ms"], 0, wire.MAX_FOR_MS)))
        limits[at] = limit


def _index(where: str, channel: str, kind: str, side: str, limits: list[Limit]) -> int:
    """Return where the limit of that kind sits that bounds that side."""
    for at, limit in enumerate(limits):
        if limit.channel == channel and limit.kind == kind and not math.isnan(getattr(limit, side)):
            return at
    key = "rate_high" if kind == "rate" else side
    allowed = [
        ("rate_high" if limit.kind == "rate" else bound)
        for limit in limits
        for bound in ("low", "high")
        if limit.channel == channel and limit.kind != "spread" and not math.isnan(getattr(limit, bound))
    ]
    raise PlanError(f"{where}: {key} is not a limit of this stage; allowed: {', '.join(sorted(set(allowed)))}")
