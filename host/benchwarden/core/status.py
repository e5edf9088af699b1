"""The run as the views read it: stages, prompt and phase as plain tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from benchwarden.core.plan import PlanStage
from benchwarden.core.stages import State


def stage_table(stage: PlanStage) -> dict[str, Any]:
    """Return a stage as the status file and the journal header carry it."""
    return {
        "stage_id": stage.stage_id,
        "name": stage.name,
        "mains_pct": stage.mains_pct,
        "limiter_in": stage.limiter_in,
        "drive_on": stage.drive_on,
        "energised": stage.energised,
        "hold_s": stage.settle_s + stage.hold_s,
        "expected": {n: [e.low, e.nominal, e.high] for n, e in stage.figures.expected.items()},
        "limits": [_plain(asdict(limit)) for limit in stage.figures.limits],
    }


def _plain(table: dict[str, Any]) -> dict[str, Any]:
    """Replace NaN by null: JSON has no other word for "none"."""
    return {k: None if isinstance(v, float) and math.isnan(v) else v for k, v in table.items()}


def failed_parts(parts: dict[str, str]) -> list[str]:
    """Return "part: reason" of what did not pass its self-test.

    What could not be tested because of it is named only when there is nothing else.
    """
    failed = {part: said for part, said in parts.items() if said != "ok"}
    first = {part: said for part, said in failed.items() if not said.startswith("not tested")}
    return [f"{part}: {said}" for part, said in (first or failed).items()]


def run_status(state: State, tables: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return phase, prompt and stages of a run.

    Args:
        tables: `stage_table` of every stage, made once.
    """
    unit, prompt = state.plan.unit, state.prompt
    stages = []
    for i, table in enumerate(tables):
        started = state.started_s[i]
        is_now = i == state.index and not state.outcome
        elapsed = state.t_s - started if is_now and not math.isnan(started) else 0.0
        stages.append({**table, "status": state.status[i], "why": state.whys[i], "elapsed_s": elapsed})
    shown = None
    if prompt is not None:
        shown = {
            "id": prompt.prompt_id,
            "text": prompt.text,
            "ask": prompt.ask,
            "act": prompt.act,
            "check": prompt.check,
            "since_t_s": prompt.since_t_s,
            "expires_in_s": prompt.expires_t_s - state.t_s if prompt.ask == "confirm" else None,
        }
    return {
        "run_type": state.plan.run_type,
        "customer": unit.customer,
        "model": unit.model,
        "serial": unit.serial,
        "phase": state.phase,
        "why": state.why,
        "prompt": shown,
        "stage_index": state.index,
        "stages": stages,
    }
