"""Which numbers of a stage may a plan file change, from which computed value, and which way is wider?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchwarden.analysis.plan_file import LONGEST_S
from benchwarden.core.channels import CHANNELS
from benchwarden.core.plan import Limit, PlanStage
from wardenfw import wire

TIMES = ("settle_s", "hold_s", "reach_s")


@dataclass(frozen=True)
class Editable:
    """One number of a stage that a plan file may change.

    Attributes:
        key: "hold_s", or channel and side, "rail_pos_a.high".
        channel: "" for a time of the stage.
        side: "low", "high", "rate_high" or "for_ms"; a time's own name.
        computed: in the plan file's unit.
        low, high: what may be given.
        widens: 1 where a larger number protects less, -1 where a smaller one does, 0 where neither.
        why: where the computed number comes from.
    """

    key: str
    channel: str
    side: str
    computed: float
    low: float
    high: float
    widens: int
    why: str

    def is_wider(self, value: float) -> bool:
        """Return whether `value` protects less than the computed number."""
        return (value - self.computed) * self.widens > 0.0


def editable(stage: PlanStage) -> tuple[Editable, ...]:
    """Return what a plan file may change of a computed stage: its times, then the limits channel by channel."""
    why = {
        "settle_s": "how long the readings must hold still before the stage counts",
        "hold_s": "how long the stage then lasts",
        "reach_s": "how long the person has to bring the readings to where they belong",
    }
    # A shorter wait or hold proves less; more patience protects less.
    widens = {"settle_s": -1, "hold_s": -1, "reach_s": 1}
    found = [Editable(key, "", key, getattr(stage, key), 0.0, LONGEST_S, widens[key], why[key]) for key in TIMES]
    for channel in CHANNELS:
        found += _of_channel(channel, stage)
    return tuple(found)


def _of_channel(channel: str, stage: PlanStage) -> list[Editable]:
    limits = [limit for limit in stage.figures.limits if limit.channel == channel]
    ceiling = wire.CEILINGS[wire.CHANNELS.index(channel)]
    found = []
    for side, kind, bound, widens in (
        ("low", "value", "low", -1),
        ("high", "value", "high", 1),
        ("rate_high", "rate", "high", 1),
    ):
        limit = _first(limits, kind, bound)
        if limit is not None:
            value = getattr(limit, bound)
            found.append(Editable(f"{channel}.{side}", channel, side, value, -ceiling, ceiling, widens, limit.why))
    insisted = _first(limits, "value", "low" if channel == "rail_neg_v" else "high")
    if insisted is not None:
        why = "how long the limit must be broken without a pause before the relay opens"
        ms = float(insisted.for_ms)
        found.append(Editable(f"{channel}.for_ms", channel, "for_ms", ms, 0.0, wire.MAX_FOR_MS, 1, why))
    return found


def _first(limits: list[Limit], kind: str, bound: str) -> Limit | None:
    """Return the limit of that kind that bounds that side, as a plan file finds it."""
    return next((limit for limit in limits if limit.kind == kind and not math.isnan(getattr(limit, bound))), None)
