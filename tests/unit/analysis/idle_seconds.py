"""Whole seconds of an idle set that a test writes itself: bias, rail and sink of the left channel, no model."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from signals import unit

from benchwarden.analysis.planner import stage_figures
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import AMBIENT, BIAS, NEG_V, POS_V, SINK, Facts, Situation, StageNow
from benchwarden.analysis.stretches import Stretches
from benchwarden.core.channels import BITS, CHANNELS
from benchwarden.core.samples import FloatArray

FACTS = Facts.of(unit(), BITS)
STAGE = StageNow(0.0, "direct", 100.0, False, False, stage_figures(unit(), 100.0, False, False))


@dataclass
class Idle:
    """What to feed; arrays of shape (n,), one value a second; NaN is a missing value."""

    drop_v: FloatArray
    rail_v: FloatArray | float = 42.0
    sink_c: FloatArray | float = 35.0
    ambient_c: FloatArray | float = 23.0
    drive: FloatArray | bool = False
    limiter: FloatArray | bool = False
    missing: FloatArray | bool = False

    def seconds(self) -> Iterator[Second]:
        """Yield the seconds, the first ending at 1 s; `missing` ones not at all."""
        n = len(self.drop_v)
        rail, sink, room = (np.broadcast_to(v, n) for v in (self.rail_v, self.sink_c, self.ambient_c))
        drive, limiter, missing = (np.broadcast_to(v, n) for v in (self.drive, self.limiter, self.missing))
        for i in range(n):
            if missing[i]:
                continue
            mean = [0.0] * len(CHANNELS)
            mean[POS_V], mean[NEG_V] = float(rail[i]), -float(rail[i])
            mean[BIAS[0]], mean[BIAS[1]] = float(self.drop_v[i]), math.nan
            mean[SINK[0]], mean[SINK[1]], mean[AMBIENT] = float(sink[i]), math.nan, float(room[i])
            frame = np.array(mean)[:, None]
            yield Second(
                i + 1.0,
                i + 0.1,
                i + 1.0,
                mean,
                mean,
                mean,
                True,
                bool(limiter[i]),
                bool(drive[i]),
                bool(i and (drive[i] != drive[i - 1] or limiter[i] != limiter[i - 1])),
                np.array([i + 1.0]),
                frame,
                frame,
                frame,
            )


def began(idle: Idle) -> tuple[Stretches, list[tuple[float, float, str]]]:
    """Feed it; return the stretches and every beginning on the left: (seen at, began at, why)."""
    stretches, now = Stretches(FACTS), Situation(FACTS)
    found: list[tuple[float, float, str]] = []
    for second in idle.seconds():
        now.update(second, STAGE)
        stretches.second(second, now, STAGE)
        side = stretches.side[0]
        if side.fresh and side.n:
            found.append((second.t_s, side.began_s, side.began_why))
    return stretches, found
