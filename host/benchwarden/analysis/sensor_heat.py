"""Does a sink's reading obey the heat that goes into the sink?

A heatsink cools no faster than its own time constant, does not cool at all while its
heat stays, warms no further than energy and heat capacity allow, and warms when its
twin does on the same heat. All of it holds whatever the sink is: first-order balance
C dT/dt = P - (T - Ta) / R with no more known than the least C.
"""

from __future__ import annotations

import math
from collections import deque

from benchwarden.analysis.heat_blocks import HeatBlock, HeatBlocks, usual
from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import AMBIENT, BIAS, POS_A, SIDES, SINK, Facts, Situation
from benchwarden.core.channels import CHANNELS
from benchwarden.core.findings import Finding

# The smallest heatsink for this power class has a time constant above two
# minutes, a sensor hanging in air one of seconds (common practice, no source).
FASTEST_SINK_S = 75.0
_FALL_K = 0.8
_FALL_WINDOW_S = 30
_AFTER_DRIVE_S = 120.0
# Slow fall: of the rise above the room, while the heat stayed. Half of it is more than
# a draught takes from one sink alone within five minutes; common practice, no source.
_SLOW_BLOCKS = 30
_LOST_TRIP, _LOST_NOTE = 0.5, 0.3
_PARTNER = 0.35
_LEAST_RISE_K = 4.0
# A hundred grams of aluminium: 0.9 J/gK; no sink for 20 W and more is lighter.
_LEAST_J_PER_K = 60.0
_ENERGY_BLOCKS, _ENERGY_MARGIN_K = 6, 4.0
# Twins on like heat warm alike within a factor of two; a reading of half a kelvin's
# resolution shows an eighth of this rise.
_COLD_K, _COLD_SHARE, _COLD_J = 4.0, 0.12, 500.0
_AMBIENT_SHARE, _AMBIENT_RISE_K = 0.5, 10.0
_COLDER_K, _WARM_S = 4.0, 600.0


class SensorHeat:
    """Holds both sink readings against their heat, one second at a time."""

    def __init__(self, facts: Facts, blocks: HeatBlocks) -> None:
        self._facts = facts
        self._blocks = blocks
        self._past: deque[tuple[float, list[float]]] = deque(maxlen=_FALL_WINDOW_S + 1)
        self._fall_s = [0.0, 0.0]
        self._energy_j = [0.0, 0.0]
        self._start_c = [math.nan, math.nan, math.nan]

    def second(self, second: Second, now: Situation, block_done: bool) -> list[Finding]:
        if now.gap:
            self._past.clear()
        found = self._fallen_off(second, now)
        self._past.append((second.t_s, second.mean))
        if now.mains and not now.gap:
            for k in range(2):
                watts = now.power_w[k]
                # With drive the drop is signal and heat alike; the ratio of the two is what counts.
                if watts > 0.0:
                    self._energy_j[k] += watts * now.dt_s
        if block_done:
            found += self._block(now)
        return found

    def _fallen_off(self, second: Second, now: Situation) -> list[Finding]:
        """A sink that cools faster than any sink while its heat goes on."""
        # After drive the spot under the devices cools faster than the sink; and a
        # change of mains or signal changes the heat itself.
        steady = now.mains and now.drive_s > _AFTER_DRIVE_S and now.still_s > _FALL_WINDOW_S
        if not steady or now.dt_s > 2.0 or len(self._past) <= _FALL_WINDOW_S // 2:
            self._fall_s = [0.0, 0.0]
            return []
        t0, then = self._past[0]
        found: list[Finding] = []
        for k in range(2):
            fall = then[SINK[k]] - second.mean[SINK[k]]
            if not fall > _FALL_K:
                self._fall_s[k] = 0.0
                continue
            span = second.t_s - t0
            fastest = self._fastest(k, then, second.mean, span)
            heat = POS_A if now.drive else BIAS[k]
            heated = not second.mean[heat] < 0.8 * then[heat]
            # Where the other sink falls as well, a fan or an open window did it.
            alone = not then[SINK[1 - k]] - second.mean[SINK[1 - k]] > 0.4 * fall
            off = fall > 1.25 * fastest + 0.3 and alone and heated
            self._fall_s[k] = self._fall_s[k] + now.dt_s if off else 0.0
            if self._fall_s[k] >= 3.0:
                words = (
                    f"{CHANNELS[SINK[k]]} fell by {fall:.1f} K in {span:.0f} s while the stage kept its heat; "
                    f"a heatsink loses at most {fastest:.1f} K: sensor came off"
                )
                found.append(trip(second.t_s, "sensor-fault", SIDES[k], words))
        return found

    def _fastest(self, k: int, then: list[float], values: list[float], span_s: float) -> float:
        """Return the most that any sink without heat loses in span_s, kelvin."""
        room = values[AMBIENT]
        base = room if room == room else min(15.0, values[SINK[k]])
        return (1.0 - math.exp(-span_s / FASTEST_SINK_S)) * max(then[SINK[k]] - base, 0.0)

    def _block(self, now: Situation) -> list[Finding]:
        blocks = list(self._blocks.blocks)
        newest = blocks[-1]
        for n, value in enumerate((*newest.sink_c, newest.ambient_c)):
            if not self._start_c[n] <= value:
                self._start_c[n] = value if value == value else self._start_c[n]
        if not now.mains:
            return []
        found = self._cold(newest)
        found += self._ambient(newest, now)
        recent = blocks[-_SLOW_BLOCKS:]
        for k in range(2):
            found += self._slow_fall(k, recent)
            found += self._no_heat(k, blocks[-_ENERGY_BLOCKS - 1 :])
        return found

    def _cold(self, newest: HeatBlock) -> list[Finding]:
        """One sink stays cold though its stage takes as much heat as the other's, which warms."""
        rises = [newest.sink_c[k] - self._start_c[k] for k in range(2)]
        for k in range(2):
            own, other = rises[k], rises[1 - k]
            fed = self._energy_j[k] > 0.6 * self._energy_j[1 - k] and self._energy_j[1 - k] > _COLD_J
            if fed and other > _COLD_K and own < _COLD_SHARE * other:
                words = (
                    f"{CHANNELS[SINK[k]]} rose by {own:.1f} K while the other sink rose by {other:.1f} K on "
                    "the same heat: sensor not on the heatsink"
                )
                return [trip(newest.t_s, "sensor-fault", SIDES[k], words)]
        return []

    def _ambient(self, newest: HeatBlock, now: Situation) -> list[Finding]:
        """A room that follows the sinks is none, and a heated sink is not colder than its room."""
        room_rise = newest.ambient_c - self._start_c[2]
        rises = [r for r in (newest.sink_c[k] - self._start_c[k] for k in range(2)) if r == r]
        if rises and max(rises) > _AMBIENT_RISE_K and room_rise > _AMBIENT_SHARE * max(rises):
            words = (
                f"ambient_c rose by {room_rise:.1f} K while the sinks rose by {max(rises):.1f} K: "
                "the room sensor lies on or over something warm"
            )
            return [warning(newest.t_s, "sensor-fault", "ambient_c", words)]
        for k in range(2):
            warmed = self._energy_j[k] > _LEAST_J_PER_K * 50.0 and now.mains_s > _WARM_S
            if warmed and newest.sink_c[k] < newest.ambient_c - _COLDER_K:
                words = (
                    f"{CHANNELS[SINK[k]]} reads {newest.sink_c[k]:.1f} C, colder than the room's "
                    f"{newest.ambient_c:.1f} C after {self._energy_j[k]:.0f} J went into it: "
                    "one of the two is not where it should be"
                )
                return [warning(newest.t_s, "sensor-fault", SIDES[k], words)]
        return []

    def _slow_fall(self, k: int, recent: list[HeatBlock]) -> list[Finding]:
        """A sink that was not cooling before falls towards the room while its own heat stays."""
        if len(recent) < 9 or not all(b.idle for b in recent):
            return []
        values = [b.sink_c[k] for b in recent]
        if not all(v == v for v in values):
            return []
        top = max(range(len(values)), key=values.__getitem__)
        # Cooling from a signal has its highest value at the beginning.
        if top < 3 or top > len(values) - 3:
            return []
        room = recent[-1].ambient_c if recent[-1].ambient_c == recent[-1].ambient_c else self._start_c[k]
        rise, fall = values[top] - room, values[top] - values[-1]
        if not (rise > _LEAST_RISE_K and fall > max(_LOST_NOTE * rise, 2.0)):
            return []
        before, after = (usual([b.power_w[k] for b in part]) for part in (recent[: top + 1], recent[top + 1 :]))
        if not after > 0.9 * before:
            return []
        other, room_fell = recent[top].sink_c[1 - k] - recent[-1].sink_c[1 - k], recent[top].ambient_c - room
        if other > _PARTNER * fall or room_fell > 0.3 * fall:
            return []
        span = recent[-1].t_s - recent[top].t_s
        words = (
            f"{CHANNELS[SINK[k]]} fell by {fall:.1f} of its {rise:.1f} K above the room in {span:.0f} s although its "
            f"stage kept its {after:.1f} W: sensor coming off, or a fan on this side alone"
        )
        # Without its twin, nothing speaks against a fan.
        sure = fall > _LOST_TRIP * rise and other == other
        give = trip if sure else warning
        return [give(recent[-1].t_s, "sensor-fault", SIDES[k], words)]

    def _no_heat(self, k: int, recent: list[HeatBlock]) -> list[Finding]:
        """A sink cannot warm by more than all that the rails delivered makes of the lightest sink."""
        if len(recent) <= _ENERGY_BLOCKS or not all(b.idle for b in recent):
            return []
        rise = recent[-1].sink_c[k] - recent[0].sink_c[k]
        if not rise > _ENERGY_MARGIN_K:
            return []
        span = recent[-1].t_s - recent[0].t_s
        energy_j = usual([b.rails_w for b in recent[1:]]) * span
        room = recent[-1].ambient_c - recent[0].ambient_c
        other = recent[-1].sink_c[1 - k] - recent[0].sink_c[1 - k]
        most = energy_j / _LEAST_J_PER_K + max(room, 0.0) + _ENERGY_MARGIN_K
        # Both together: a sun that came in, or a heater, is no sensor's fault.
        if not rise > most or other > 0.3 * rise:
            return []
        words = (
            f"{CHANNELS[SINK[k]]} rose by {rise:.1f} K in {span:.0f} s on {energy_j:.0f} J from both rails, enough for "
            f"{energy_j / _LEAST_J_PER_K:.1f} K of the lightest heatsink: the reading is not the sink's"
        )
        return [trip(recent[-1].t_s, "sensor-fault", SIDES[k], words)]
