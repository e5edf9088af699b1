"""Plays whole runs: real firmware on the virtual bench, real link, journal, analysis and stages."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from benchwarden.analysis.careful import Doubts, more_careful
from benchwarden.analysis.planner import power_up_plan
from benchwarden.core.clock import SystemClock
from benchwarden.core.plan import Plan
from benchwarden.core.unit import Unit, load_unit
from benchwarden.record.summary import read_summary
from benchwarden.run import supervise
from benchwarden.supervisor import RunInfo
from benchwarden.virtual.demo import VirtualBench
from benchwarden.virtual.hands import Hands
from benchwarden.virtual.technician import READ_PROMPT_S, Technician

UNIT_TOML = """
run = "test run"
customer = "invented"
model = "Brackwater test set"
rated_power_w = 60
load_ohm = 8
rail_nominal_v = 42.0
emitter_resistor_ohm = 0.22
target_bias_drop_mv = 11.0
package = "metal-can"
limiter_lamp_w = 100
reservoir_uf = 10000
"""


@dataclass(frozen=True)
class Played:
    """What a run left: verdict, last status, and the truth the bench knows."""

    verdict: dict[str, Any]
    status: dict[str, Any]
    truth: dict[str, Any]
    run_dir: Path

    @property
    def cause(self) -> str:
        trips = [t for t in self.verdict["trips"] if not t.get("after_open")]
        return str(trips[0]["cause"]) if trips else ""

    def said(self) -> str:
        return "\n".join(m["text"] for m in self.status["messages"])


def short_plan(unit: Unit, hold_s: float = 2.0, soak_s: float = 20.0) -> Plan:
    """Return the computed plan with shorter holds: the limits are what is tested."""
    plan = power_up_plan(unit)
    stages = [replace(s, settle_s=min(s.settle_s, 2.0), hold_s=min(s.hold_s, hold_s)) for s in plan.stages]
    # The limit on the slope looks back ten seconds: the turn of the pot has to be behind it.
    stages[-2] = replace(stages[-2], hold_s=12.0)
    stages[-1] = replace(stages[-1], hold_s=soak_s)
    return replace(plan, stages=tuple(stages))


def play(
    tmp_path: Path,
    fault: str = "none",
    seed: int = 1,
    hold_s: float = 2.0,
    soak_s: float = 20.0,
    overshoot_pct: float = 0.0,
    confirms: bool = True,
    reads_s: float = READ_PROMPT_S,
    prompts_expire_s: float | None = None,
    give_up_s: float = 5.0,
    flash: Path | None = None,
    records: Path | None = None,
    doubts: Doubts | None = None,
) -> Played:
    """Carry out one power-up on the virtual bench, flat out, and return what came of it."""
    unit_path = tmp_path / "unit.toml"
    unit_path.write_text(UNIT_TOML, encoding="utf-8")
    plan = short_plan(load_unit(unit_path), hold_s, soak_s)
    if doubts is not None:
        plan = more_careful(plan, doubts)
    run_dir = tmp_path / "run"
    run_dir.mkdir()
    clock = SystemClock()
    info = RunInfo("test", clock.utc_label(), True, 0.0, give_up_s=give_up_s)
    with VirtualBench(unit_path, fault, 0.0, seed, flash=flash) as bench, Hands(bench.hands) as hands:
        person = Technician(hands, overshoot_pct, confirms, reads_s)
        outcome = supervise(plan, bench.port, run_dir, clock, info, person, records=records)
        truth = hands.state()
    kept = json.loads((run_dir / "verdict.json").read_text(encoding="utf-8"))
    assert kept == outcome.verdict
    return Played(outcome.verdict, read_summary(run_dir), truth, run_dir)
