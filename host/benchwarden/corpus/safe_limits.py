"""When did a set that was meant to be healthy stop being so: a sink past its limit, an idle bias far beyond target?"""

from __future__ import annotations

import math

import numpy as np

from benchwarden.analysis.planner import stage_figures
from benchwarden.core.channels import INDEX
from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import Unit

# An idle bias of so many times its target, for so long, is no healthy set's whatever its
# loop gain at target: it has run away to a hot rest. Common practice, no source.
BIAS_TIMES, BIAS_S = 3.5, 120.0


def unsafe_s(unit: Unit, block: SampleBlock) -> float:
    """Return when a sink first passed its limit or an idle bias had stayed far too high, infinite if never."""
    return min(_sink_s(unit, block), _bias_s(unit, block))


def _bias_s(unit: Unit, block: SampleBlock) -> float:
    if len(block) < 2:
        return math.inf
    drops = block.mean[:, [INDEX["bias_left_v"], INDEX["bias_right_v"]]]
    high = (drops > BIAS_TIMES * unit.target_bias_drop_mv * 1e-3).any(axis=1) & block.mains_on & ~block.drive_on
    since = math.nan
    for t_s, over in zip(block.t_s[::10].tolist(), high[::10].tolist(), strict=True):
        since = (t_s if since != since else since) if over else math.nan
        if t_s - since >= BIAS_S:
            return float(since)
    return math.inf


def _sink_s(unit: Unit, block: SampleBlock) -> float:
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
