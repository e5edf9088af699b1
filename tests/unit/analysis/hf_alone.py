"""The oscillation detector by itself: frames in, its findings out, nothing of the rest of the judge."""

from __future__ import annotations

from bisect import bisect_right

from benchwarden.analysis.hf import Hf
from benchwarden.analysis.planner import stage_figures
from benchwarden.analysis.seconds import SecondCutter
from benchwarden.analysis.situation import Facts, Situation, StageNow
from benchwarden.core.channels import BITS
from benchwarden.core.findings import Finding
from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import Unit


def heard(unit: Unit, block: SampleBlock, known: tuple[str, ...] = BITS) -> tuple[Hf, list[Finding]]:
    """Return the detector after the block, and all it has said."""
    facts = Facts.of(unit, known)
    hf, now, cutter = Hf(facts), Situation(facts), SecondCutter()
    figures = stage_figures(unit, 100.0, False, False)
    stages = [StageNow(s.t_start_s, s.name, s.mains_pct, s.limiter_in, s.drive_on, figures) for s in unit.stage]
    starts = [s.t_start_s for s in stages]
    found: list[Finding] = []
    for second in [*cutter.feed(block), *cutter.finish()]:
        stage = stages[max(bisect_right(starts, second.first_s) - 1, 0)]
        now.update(second, stage)
        found += hf.second(second, now, stage)
    return hf, found


def trips(found: list[Finding]) -> list[Finding]:
    return [f for f in found if f.severity == "trip"]


def warnings(found: list[Finding]) -> list[Finding]:
    return [f for f in found if f.severity == "warning"]
