"""Can the readings be true? Stuck, fallen off, open, short, lost, and at odds with physics.

A heatsink cools no faster than by its own time constant and a sensor that fell off
does; a bias drop cannot vanish while the rails keep feeding it; a channel with noise
does not stop having noise.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import (
    AMBIENT,
    BIAS,
    HF,
    NEG_A,
    NEG_V,
    OFFSET,
    POS_A,
    POS_V,
    SIDES,
    SINK,
    Facts,
    Situation,
    StageNow,
)
from benchwarden.core.channels import CHANNELS
from benchwarden.core.findings import Finding

# Outside these no heatsink on a bench reads truly; an open 10 k NTC reads below
# -40 C, a shorted one above 150 C (its table, Vishay NTCLE100E3).
COLDEST_C, HOTTEST_C = -15.0, 135.0
# Heat capacity and power of an output stage allow some 1 K/s even in runaway.
JUMP_K = 6.0
# The smallest heatsink for this power class has a time constant above two
# minutes, a sensor hanging in air one of seconds (common practice, no source).
FASTEST_SINK_S = 75.0
_FALL_K = 0.8
_FALL_WINDOW_S = 30
_AFTER_DRIVE_S = 120.0
_STUCK_S = 25.0
_STUCK_HISTORY = 60
_LOST_S = 20.0
_NOTE_LOST_S = 2.0
# An HF input that hangs loose falls below the floor its own channel had: by this
# share and by this many of its own deviations, for this long.
_FLOOR_SHARE, _FLOOR_TIMES, _FLOOR_S = 0.35, 6.0, 20.0
_FLOOR_LEARN_S = 60.0
# Without these a run is half blind.
NEEDED = (POS_A, NEG_A, POS_V, NEG_V, *OFFSET, *BIAS, *SINK)


@dataclass
class _Motion:
    """Does a channel still move? Values of the last varied minute."""

    last: float = math.nan
    frozen_s: float = 0.0
    varied: int = 0
    typical: float = 0.0


@dataclass
class _Floor:
    """Quiet level of one HF channel at idle: mean, mean deviation, how long it was learned, how long it is gone."""

    level_v: float = 0.0
    noise_v: float = 0.0
    learned_s: float = 0.0
    gone_s: float = 0.0


class Sensors:
    """Watches every channel for being a measurement at all, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._past: deque[tuple[float, list[float], float]] = deque(maxlen=_FALL_WINDOW_S + 1)
        self._motion = {i: _Motion() for i in (POS_A, NEG_A, *BIAS, *SINK)}
        self._missing_s = [0.0] * len(CHANNELS)
        self._seen = [False] * len(CHANNELS)
        self._energy_j = [0.0, 0.0]
        self._start_c = [math.nan, math.nan]
        self._fall_s = [0.0, 0.0]
        self._bias_before = [math.nan, math.nan]
        self._bias_gone_s = [0.0, 0.0]
        self._rail_before_a = math.nan
        self._floors = (_Floor(), _Floor())

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        found = self._lost(second, now)
        found += self._temperatures(second, now)
        found += self._fallen_off(second, now)
        found += self._cold(second, now)
        found += self._bias_gone(second, now)
        found += self._stuck(second, now)
        found += self._unplugged(second, now)
        self._past.append((second.t_s, second.mean, now.power_w[0]))
        if now.gap:
            self._past.clear()
        return found

    def _lost(self, second: Second, now: Situation) -> list[Finding]:
        found: list[Finding] = []
        mean = second.mean
        nothing = all(v != v for v in mean)
        for i, value in enumerate(mean):
            if value == value:
                self._seen[i], self._missing_s[i] = True, 0.0
                continue
            if not self._seen[i] or nothing or not now.mains:
                continue
            before, self._missing_s[i] = self._missing_s[i], self._missing_s[i] + now.dt_s
            name = CHANNELS[i]
            if i in NEEDED and before < _LOST_S <= self._missing_s[i]:
                words = f"{name} has given no reading for {self._missing_s[i]:.0f} s"
                found.append(trip(second.t_s, "sensor-fault", _where(i), words))
            elif before < _NOTE_LOST_S <= self._missing_s[i]:
                words = f"{name} stopped giving readings; what depends on it cannot be judged"
                found.append(warning(second.t_s, "sensor-fault", _where(i), words))
        return found

    def _temperatures(self, second: Second, now: Situation) -> list[Finding]:
        found: list[Finding] = []
        before = self._past[-1][1] if self._past and not now.gap else None
        for i in (*SINK, AMBIENT):
            value = second.mean[i]
            if value != value:
                continue
            give = trip if i != AMBIENT else warning
            if not COLDEST_C <= value <= HOTTEST_C:
                words = f"{CHANNELS[i]} reads {value:.1f} C: sensor {'open' if value < COLDEST_C else 'shorted'}"
                found.append(give(second.t_s, "sensor-fault", _where(i), words))
            elif before is not None and abs(value - before[i]) > JUMP_K * max(1.0, now.dt_s):
                words = f"{CHANNELS[i]} went from {before[i]:.1f} to {value:.1f} C within {now.dt_s:.0f} s"
                found.append(give(second.t_s, "sensor-fault", _where(i), words))
        return found

    def _fallen_off(self, second: Second, now: Situation) -> list[Finding]:
        """A sink that cools faster than any sink while its heat goes on."""
        found: list[Finding] = []
        # After drive the spot under the devices cools faster than the sink; and a
        # change of mains or signal changes the heat itself.
        steady = now.mains and now.drive_s > _AFTER_DRIVE_S and now.still_s > _FALL_WINDOW_S
        if len(self._past) <= _FALL_WINDOW_S // 2 or now.dt_s > 2.0 or not steady:
            self._fall_s = [0.0, 0.0]
            return found
        t0, then, _ = self._past[0]
        span = second.t_s - t0
        ambient = second.mean[AMBIENT]
        for k, i in enumerate(SINK):
            fall = then[i] - second.mean[i]
            if not fall > _FALL_K:
                self._fall_s[k] = 0.0
                continue
            base = ambient if ambient == ambient else min(15.0, second.mean[i])
            fastest = (1.0 - math.exp(-span / FASTEST_SINK_S)) * max(then[i] - base, 0.0)
            partner = then[SINK[1 - k]] - second.mean[SINK[1 - k]]
            # Where the other sink falls as well, a fan or an open window did it.
            alone = not partner > 0.4 * fall
            heat = POS_A if now.drive else BIAS[k]
            heated = not second.mean[heat] < 0.8 * then[heat]
            if fall > 1.25 * fastest + 0.3 and alone and heated:
                self._fall_s[k] += now.dt_s
            else:
                self._fall_s[k] = 0.0
            if self._fall_s[k] >= 3.0:
                words = (
                    f"{CHANNELS[i]} fell by {fall:.1f} K in {span:.0f} s while the stage kept its heat; "
                    f"a heatsink loses at most {fastest:.1f} K: sensor came off"
                )
                found.append(trip(second.t_s, "sensor-fault", SIDES[k], words))
        return found

    def _cold(self, second: Second, now: Situation) -> list[Finding]:
        """One sink stays cold though its stage takes as much heat as the other's, which warms."""
        if not now.mains or now.gap:
            return []
        rises = []
        for k in range(2):
            value, watts = second.mean[SINK[k]], now.power_w[k]
            if self._start_c[k] != self._start_c[k]:
                self._start_c[k] = value
            if value == value:
                self._start_c[k] = min(self._start_c[k], value)
            # With drive the drop is signal and heat alike; the ratio of the two is what counts.
            if watts == watts:
                self._energy_j[k] += max(watts, 0.0) * now.dt_s
            rises.append(value - self._start_c[k])
        for k in range(2):
            own, other = rises[k], rises[1 - k]
            fed = self._energy_j[k] > 0.6 * self._energy_j[1 - k] and self._energy_j[1 - k] > 500.0
            if fed and other > 9.0 and own < 0.12 * other:
                words = (
                    f"{CHANNELS[SINK[k]]} rose by {own:.1f} K while the other sink rose by {other:.1f} K on "
                    "the same heat: sensor not on the heatsink"
                )
                return [trip(second.t_s, "sensor-fault", SIDES[k], words)]
        return []

    def _bias_gone(self, second: Second, now: Situation) -> list[Finding]:
        """A drop that vanishes although the rails keep delivering its current."""
        current = (second.mean[POS_A] + second.mean[NEG_A]) / 2.0
        calm = now.idle and now.still_s > 3.0 and now.drive_s > 5.0
        found: list[Finding] = []
        for k, side in enumerate(SIDES):
            value = second.mean[BIAS[k]]
            if not calm or value != value or current != current:
                self._bias_before[k] = math.nan
                self._bias_gone_s[k] = 0.0
                continue
            before = self._bias_before[k]
            if before == before and before > 0.3 * self._facts.target_v and abs(value) < 0.15 * before:
                lost_a = (before - value) * self._facts.amps_per_bias_v
                if self._rail_before_a - current < 0.35 * lost_a:
                    self._bias_gone_s[k] += now.dt_s
                else:
                    self._bias_gone_s[k] = 0.0
                    self._bias_before[k] = value
                if self._bias_gone_s[k] >= 3.0:
                    words = (
                        f"bias {side} fell from {before * 1e3:.1f} to {value * 1e3:.1f} mV but the rails lost "
                        f"only {self._rail_before_a - current:.3f} of {lost_a:.3f} A: clip off or lead broken"
                    )
                    found.append(trip(second.t_s, "sensor-fault", side, words))
                continue
            self._bias_gone_s[k] = 0.0
            if max(self._bias_gone_s) == 0.0:
                self._bias_before[k] = value if before != before else before + 0.3 * (value - before)
        if calm and max(self._bias_gone_s) == 0.0 and current == current:
            past = self._rail_before_a
            self._rail_before_a = current if past != past else past + 0.3 * (current - past)
        elif not calm:
            self._rail_before_a = math.nan
        return found

    def _stuck(self, second: Second, now: Situation) -> list[Finding]:
        """A channel whose noise stopped from one second to the next, with nothing switched."""
        found: list[Finding] = []
        quiet = now.still_s < 5.0 or now.drive_s < 5.0 or not now.mains
        for i, motion in self._motion.items():
            value = second.mean[i]
            if value != value or now.gap:
                self._motion[i] = _Motion()
                continue
            moved = not (value == motion.last and second.low[i] == second.high[i])
            if moved:
                if motion.frozen_s > 3.0:
                    motion.varied = 0
                motion.frozen_s = 0.0
                motion.varied = min(motion.varied + 1, _STUCK_HISTORY)
                step = max(second.high[i] - second.low[i], abs(value - motion.last))
                motion.typical += 0.1 * ((step if step == step else 0.0) - motion.typical)
            else:
                if motion.frozen_s == 0.0 and (quiet or motion.varied < _STUCK_HISTORY):
                    motion.varied = 0
                motion.frozen_s += now.dt_s
                # Noise a few rounding steps wide may stop by itself once all is settled.
                real = motion.typical > 2e-5 * abs(value)
                if motion.frozen_s >= _STUCK_S and motion.varied == _STUCK_HISTORY and real:
                    words = f"{CHANNELS[i]} has read exactly {value:.6g} for {motion.frozen_s:.0f} s, noisy before"
                    found.append(trip(second.t_s, "sensor-fault", _where(i), words))
            motion.last = value
        return found

    def _unplugged(self, second: Second, now: Situation) -> list[Finding]:
        """An HF level far below the floor it had: even a quiet set and its detector give a little."""
        found: list[Finding] = []
        if not (now.idle and now.still_s > 5.0 and now.drive_s > 5.0):
            return found
        for k, side in enumerate(SIDES):
            floor, value = self._floors[k], second.mean[HF[k]]
            if value != value:
                continue
            if floor.learned_s < _FLOOR_LEARN_S:
                # Plain means first: the floor of the first minute.
                floor.learned_s += now.dt_s
                weight = min(now.dt_s / floor.learned_s, 1.0)
                floor.noise_v += weight * (abs(value - floor.level_v) - floor.noise_v) if floor.level_v else 0.0
                floor.level_v += weight * (value - floor.level_v)
                continue
            below = floor.level_v - value
            gone = value < _FLOOR_SHARE * floor.level_v and below > _FLOOR_TIMES * floor.noise_v
            floor.gone_s = floor.gone_s + now.dt_s if gone else 0.0
            if not gone and value < 3.0 * floor.level_v:
                floor.noise_v += 0.02 * (abs(below) - floor.noise_v)
                floor.level_v -= 0.02 * below
            if floor.gone_s >= _FLOOR_S:
                words = (
                    f"{CHANNELS[HF[k]]} has read {value * 1e3:.1f} mV for {floor.gone_s:.0f} s, its floor was "
                    f"{floor.level_v * 1e3:.1f} mV: probe unplugged? Oscillation there would not be seen"
                )
                found.append(warning(second.t_s, "sensor-fault", side, words))
        return found


def _where(i: int) -> str:
    """Return how people call the place of a channel: its side, or its own name."""
    for pair in (OFFSET, BIAS, SINK, HF):
        if i in pair:
            return SIDES[pair.index(i)]
    return CHANNELS[i]
