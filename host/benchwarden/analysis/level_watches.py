"""Which limits of a stage are applied frame by frame, and how long must each be exceeded?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchwarden.analysis.situation import SINK, Facts, StageNow
from benchwarden.core.channels import INDEX

# After the mains contact closes or the rails are moved, reservoirs charge and
# feedback loops find their point. Common practice in loudspeaker protection is
# to wait 2 to 5 s; no source.
SETTLE_S = 4.0


@dataclass(frozen=True)
class Watch:
    """One limit as the judge applies it to frame means.

    Attributes:
        settle_s: extra persistence while the amplifier is finding its point, seconds.
        idle_only: does not hold while the test signal is on.
    """

    channel: int
    low: float
    high: float
    for_s: float
    cause: str
    why: str
    settle_s: float = 0.0
    idle_only: bool = False


def watches(stage: StageNow, facts: Facts) -> list[Watch]:
    """Return the limits of a stage that are judged frame by frame.

    Limits of slope and spread stay with the board, which has the full scan rate.
    """
    found: list[Watch] = []
    unit = facts.unit
    # The signal's own current is known only as "on": anything up to clipping, on
    # both channels, square at worst (twice the half-sine mean of V / (pi R)).
    rail_v = 1.1 * facts.rail_v * max(stage.mains_pct, 10.0) / 100.0
    clipped_a = 2.0 * 1.3 * rail_v / (math.pi * unit.load_ohm) * 1.3
    for limit in stage.figures.limits:
        if limit.kind != "value" or limit.cause not in ("over-current", "dc-offset", "over-temperature"):
            continue
        channel, low, high = INDEX[limit.channel], limit.low, limit.high
        for_s = limit.for_ms / 1000.0
        if limit.cause == "over-current":
            nominal = stage.figures.expected[limit.channel].nominal
            # Foreign sets may feed a tuner or lamps from the rails: what is not
            # known to be a fault must not be called one.
            idle = max(high, 2.2 * nominal + 0.1)
            if not stage.drive_on:
                found.append(Watch(channel, low, idle, for_s, limit.cause, limit.why, idle_only=True))
            found.append(Watch(channel, low, max(idle, clipped_a), for_s, limit.cause, limit.why))
        elif limit.cause == "dc-offset":
            found.append(Watch(channel, low, high, for_s, limit.cause, limit.why, SETTLE_S, not stage.drive_on))
            if not stage.drive_on:
                wide = max(2.0 * high, 3.0)
                found.append(Watch(channel, -wide, wide, max(for_s, 0.5), limit.cause, limit.why, SETTLE_S))
        elif channel in SINK:
            # Where the device's thermal resistance is a guess, so is a limit far
            # below what everybody accepts.
            least = 0.0 if unit.rth_jc_k_per_w is not None else (90.0 if unit.package == "metal-can" else 80.0)
            found.append(Watch(channel, low, max(high, least), max(for_s, 1.0), limit.cause, limit.why))
    return found
