"""How much of each limit did the run use, and in which stage?

One-second means against limits on values that bound a reading away from zero (from
25 C for temperatures). Rates, spreads and lower bounds of rails are not shares of
anything and are left out; so are limits that only show a reversed sensor, and a bias
still hot from the signal, whose limit is the plan's of a cool set.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, NAN, Situation, StageNow
from benchwarden.core.channels import CHANNELS, INDEX

# A person sets the transformer and reservoirs charge when a stage begins.
_STAGE_SETTLES_S = 2.0
_ROOM_C = 25.0
# A heatsink has given off what the signal left in it, and the bias with it.
_HOT_S = 1800.0


@dataclass(frozen=True)
class Margin:
    """The nearest a channel came to a limit; value and limit in the channel's unit."""

    worst: float
    limit: float
    share: float
    stage: str
    t_s: float
    cause: str


@dataclass(frozen=True)
class _Bound:
    channel: int
    base: float
    per_share: float
    limit: float
    for_s: float
    cause: str


class Margins:
    """Keeps the nearest approach of every channel to its limits."""

    def __init__(self) -> None:
        self._stage: StageNow | None = None
        self._bounds: list[_Bound] = []
        self._shares = [-math.inf] * len(CHANNELS)
        self._found: dict[int, Margin] = {}
        self._driven = False

    def add(self, second: Second, now: Situation, stage: StageNow) -> None:
        """Take in one second."""
        if stage is not self._stage:
            self._stage, self._bounds = stage, _bounds(stage)
        self._driven = self._driven or now.drive
        hot = self._driven and not now.drive and now.drive_s < _HOT_S
        since_s = min(second.first_s - stage.t_start_s - _STAGE_SETTLES_S, now.mains_s)
        if not now.mains or now.gap or second.switched or since_s < 0.0:
            return
        mean, shares = second.mean, self._shares
        for bound in self._bounds:
            share = (mean[bound.channel] - bound.base) * bound.per_share
            if share > shares[bound.channel] and since_s >= bound.for_s and not (hot and bound.channel in BIAS):
                shares[bound.channel] = share
                worst = mean[bound.channel]
                self._found[bound.channel] = Margin(worst, bound.limit, share, stage.name, second.t_s, bound.cause)

    def nearest(self) -> dict[str, Margin]:
        """Return every channel's nearest approach to a limit, in the order of channels."""
        return {CHANNELS[i]: self._found[i] for i in sorted(self._found)}

    def table(self) -> dict[str, Any]:
        """Return the same for the verdict."""
        return {
            name: {
                "worst": float(f"{m.worst:.6g}"),
                "limit": float(f"{m.limit:.6g}"),
                "share": round(m.share, 3),
                "stage": m.stage,
                "t_s": round(m.t_s, 3),
                "cause": m.cause,
            }
            for name, m in self.nearest().items()
        }


def _bounds(stage: StageNow) -> list[_Bound]:
    found = []
    for limit in stage.figures.limits:
        if limit.kind != "value" or limit.cause == "sensor-fault":
            continue
        base = _ROOM_C if limit.channel.endswith("_c") else 0.0
        high = limit.high if limit.high > base else NAN
        low = limit.low if limit.low < base else NAN
        for bound in (high, low):
            if bound == bound:
                per_share = 1.0 / (bound - base)
                found.append(_Bound(INDEX[limit.channel], base, per_share, bound, limit.for_ms / 1000.0, limit.cause))
    return found
