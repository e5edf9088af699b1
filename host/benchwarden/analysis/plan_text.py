"""How does a plan read in a terminal, with the working behind every number?"""

from __future__ import annotations

import math
from collections.abc import Iterable

from benchwarden.analysis.doubts import doubts
from benchwarden.core.plan import Limit, Plan, Working


def working_text(plan: Plan) -> str:
    """Return the plan and the working behind it as plain text for a terminal."""
    unit = plan.unit
    title = unit.run or " ".join(part for part in (unit.model, unit.serial) if part) or "unit"
    lines = [f"{plan.run_type} plan for {title}", ""]
    found = doubts(unit)
    if found:
        lines += ["CHECK THESE FACTS FIRST", *(f"  {doubt.key}: {doubt.words}" for doubt in found), ""]
    lines.append("The unit")
    lines += _working_lines(plan.working)
    for stage in plan.stages:
        state = "relay open" if not stage.energised else ("lamp in" if stage.limiter_in else "lamp bypassed")
        lines += [
            "",
            f"Stage {stage.stage_id}: {stage.name} ({stage.mains_pct:g} % mains, {state}"
            + (", test signal" if stage.drive_on else "")
            + ")",
            f"  {stage.prompt}",
            f"  settle {stage.settle_s:g} s, hold {stage.hold_s:g} s, reach within {stage.reach_s:g} s"
            + ("; asks for your word" if stage.confirm else ""),
            "  Expected:",
        ]
        lines += [
            f"    {name:<15} {span.low:10.4g} to {span.high:<10.4g} (about {span.nominal:.4g})"
            for name, span in stage.figures.expected.items()
        ]
        lines.append(f"  Board limits (alert line {stage.figures.alert_pos_a:.2f} A):")
        lines += [f"    {_limit_line(limit)}" for limit in stage.figures.limits]
        lines.append("  Working:")
        lines += [f"  {line}" for line in _working_lines(stage.figures.working)]
    return "\n".join(lines) + "\n"


def _limit_line(limit: Limit) -> str:
    low = "" if math.isnan(limit.low) else f"below {limit.low:.4g} "
    high = "" if math.isnan(limit.high) else f"above {limit.high:.4g} "
    both = "or " if low and high else ""
    per = {"rate": f"/s over {limit.window_ms} ms ", "spread": f"off its mean over {limit.window_ms} ms "}
    span = f"{low}{both}{high}{per.get(limit.kind, '')}"
    return f"{limit.channel:<15} {span}for {limit.for_ms} ms -> {limit.cause}: {limit.why}"


def _working_lines(items: Iterable[Working]) -> list[str]:
    lines = []
    for item in items:
        lines.append(f"  {item.quantity} = {item.value:.4g} {item.unit}".rstrip())
        lines.append(f"      {item.formula}: {item.numbers}")
        lines.append(f"      [{item.source}]")
    return lines
