"""When did a sink pass the limit that the plan sets for it?"""

from __future__ import annotations

import math

import numpy as np

from benchwarden.analysis.planner import stage_figures
from benchwarden.core.channels import INDEX
from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import Unit


def unsafe_s(unit: Unit, block: SampleBlock) -> float:
    """Return when a sink first passed the limit that the plan of this unit sets for it, infinite if never."""
    starts = [s.t_start_s for s in unit.stage]
    for i, stage in enumerate(unit.stage):
        figures = stage_figures(unit, stage.mains_pct, stage.limiter_in, stage.drive_on)
        limits = [x.high for x in figures.limits if x.channel == "sink_left_c" and x.kind == "value"]
        end_s = starts[i + 1] if i + 1 < len(starts) else math.inf
        during = (block.t_s >= starts[i]) & (block.t_s < end_s)
        sinks = block.mean[:, [INDEX["sink_left_c"], INDEX["sink_right_c"]]]
        over = during & (sinks > min(limits)).any(axis=1)
        if over.any():
            return float(block.t_s[np.argmax(over)])
    return math.inf
