"""With the test signal on: does one channel's bias grow away from the other's by itself?

Signal, its beating with the scan and sagging rails scale both channels alike, so the
ratio of the drops is followed; what the sink's warmth can add in a stable stage is bounded by
its loop gain; a load that warms up changes by some percent; and the rails must carry what
the drop says. What is left is a stage that feeds itself under heat.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from benchwarden.analysis.notice import trip
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, SIDES, SINK, Facts, Situation
from benchwarden.analysis.thermal_chain import device_rth_ja_k_per_w
from benchwarden.core.findings import Finding

# Share of a driven rail's rise that the bias channels must account for.
MATCHED_SHARE = 0.5
# Seconds it must last; multiples of the bias target, and share of the drop, that it must
# come to since the signal came on, or half of both within a minute; and room for a
# thermal resistance that is only estimated.
_PARTED_S = 3.0
_RECENT = 60
_PARTED_TIMES = 0.9
_PARTED_SHARE = 0.09
_RECENT_PART = 0.6
_WARMTH_ROOM = 1.5
_DRIVE_SETTLED_S = 40.0
_LEAST_V = 0.003


@dataclass
class _Parting:
    """How far one driven channel's drop has moved away from the other's.

    Attributes:
        ratio: smoothed, of this drop to the other one.
        least: (ratio, sink, rail current) where the ratio was smallest since the signal came on.
        recent: the same for every second of the last minute.
        held_s: how long it has been too far away.
    """

    ratio: float = math.nan
    least: tuple[float, float, float] = (math.inf, math.nan, math.nan)
    recent: deque[tuple[float, float, float]] = field(default_factory=lambda: deque(maxlen=_RECENT))
    held_s: float = 0.0


class Partings:
    """Watches both driven channels against each other, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._parting = [_Parting(), _Parting()]
        self._device_rth_ja = device_rth_ja_k_per_w(facts.unit)

    def second(self, second: Second, now: Situation, current: float, calm: bool) -> list[Finding]:
        """Judge one second.

        Args:
            current: mean of the two rail currents, amperes.
            calm: nothing was switched and the rails did not rise of late.
        """
        if not now.drive and self._parting[0].ratio != self._parting[0].ratio:
            return []
        drops = [second.mean[b] for b in BIAS]
        if not (calm and now.drive and now.drive_s > _DRIVE_SETTLED_S) or any(v != v for v in (*drops, current)):
            if self._parting[0].ratio == self._parting[0].ratio:
                self._parting = [_Parting(), _Parting()]
            return []
        found: list[Finding] = []
        for k, side in enumerate(SIDES):
            parting, warm, other = self._parting[k], second.mean[SINK[k]], drops[1 - k]
            if other < self._facts.target_v:
                continue
            ratio = drops[k] / other
            before = ratio if parting.ratio != parting.ratio else parting.ratio
            parting.ratio = before + min(0.3 * now.dt_s, 1.0) * (ratio - before)
            here = (parting.ratio, warm, current)
            parting.least = min(parting.least, here, key=lambda row: row[0])
            recent = min(parting.recent, key=lambda row: row[0], default=here)
            parting.recent.append(here)
            much = max(_PARTED_TIMES * self._facts.target_v, _PARTED_SHARE * other)
            beyond = max(
                self._beyond(here, parting.least, other, now) / much,
                self._beyond(here, recent, other, now) / (_RECENT_PART * much),
            )
            growing = parting.ratio > before or beyond > 2.0
            parting.held_s = parting.held_s + now.dt_s if beyond > 1.0 and growing else 0.0
            if parting.held_s >= _PARTED_S:
                rise_mv, rise_k = 1e3 * (here[0] - parting.least[0]) * other, warm - parting.least[1]
                words = (
                    f"bias {side} {drops[k] * 1e3:.1f} mV with the signal on, grown by {rise_mv:.1f} mV away from "
                    f"the other channel while its sink rose by {rise_k:.1f} K; the rails carry it"
                )
                found.append(trip(second.t_s, "thermal-runaway", side, words))
        return found

    def _beyond(
        self, here: tuple[float, float, float], then: tuple[float, float, float], other_v: float, now: Situation
    ) -> float:
        """Return the rise of a drop beyond what its sink's warmth makes, volts; 0 if the rails do not carry it."""
        rise_share, rise_k, rise_a = (a - b for a, b in zip(here, then, strict=True))
        rise_v = rise_share * other_v
        told_a = rise_v * self._facts.amps_per_bias_v
        # Without a sink reading there is nothing to judge the rise by.
        if rise_v < _LEAST_V or rise_k != rise_k or not MATCHED_SHARE < rise_a / told_a < 1.0 / MATCHED_SHARE:
            return 0.0
        warmth_a = _WARMTH_ROOM * max(rise_k, 0.0) / (max(now.alive_v, 1.0) * self._device_rth_ja)
        return rise_v - warmth_a * self._facts.unit.emitter_resistor_ohm
