"""Is the amplifier oscillating, or is it a telephone, a transmitter, a click, the test signal?

Oscillation makes the output devices conduct against each other, so the rail current
rises with the HF level; it belongs to one amplifier channel; and it stays between
the minima of a frame. A telephone sends one slot in eight (GSM: 577 us every
4.615 ms, 3GPP TS 45.002, from memory), so minima stay at the baseline; a transmitter
reaches both channels and takes nothing from the rails; a click is one frame.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import HF, NEG_A, POS_A, SIDES, Facts, Situation, StageNow
from benchwarden.core.findings import Finding

# Level above the baseline that counts at all; below it an output network hardly
# warms (0.06 V peak into 10 ohm: 0.2 mW).
RISE_V = 0.06
# Share of this channel's excess that leads and supply may carry to the other one.
CROSSTALK = 0.12
SINGLE_V = 0.25
_SINGLE_S = 12.0
_POWERED_S = 10.0
# Rail current counts as risen beyond this; a tenth of a typical idle current.
_CURRENT_FLOOR_A = 0.006
_CURRENT_SHARE = 0.03
_EVIDENCE_S = 1.0
_BURST_BONUS_S = 0.15
_ONSET_S = 15.0
_BOTH_ONSET_S = 3.0
_HIGHEST_BASE_V = 0.15
_QUIET_S = 8


@dataclass
class _Level:
    """What one HF channel has been doing.

    Attributes:
        base_v, noise_v: quiet level and its mean deviation.
        steady_s: how long it has been up alone, in every frame.
        up_s: how long it has been up at all.
        evidence_s: time with HF and rail current up together.
    """

    base_v: float = math.nan
    noise_v: float = 0.005
    steady_s: float = 0.0
    up_s: float = 0.0
    evidence_s: float = 0.0
    with_power: bool = False
    means: deque[float] = field(default_factory=lambda: deque(maxlen=12))


@dataclass(frozen=True)
class _Seen:
    """One HF channel in one second: shares of frames up, and its excess over the baseline."""

    up: float
    held: float
    excess_v: float
    level_v: float
    threshold_v: float


class Hf:
    """Watches both HF envelopes together with the rail current, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._levels = {drive: (_Level(), _Level()) for drive in (False, True)}
        self._quiet_a: deque[tuple[float, float]] = deque(maxlen=_QUIET_S)
        self._up_since_s = math.nan
        self._quiet_s = 0.0
        self._was_quiet_unpowered = False
        self.events = 0

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        levels = self._levels[now.drive]
        if now.drive_s < 3.0 or now.gap:
            for level in levels:
                level.steady_s = level.up_s = 0.0
            self._quiet_a.clear()
            return []
        seen = tuple(self._look(second, k, levels[k]) for k in range(2))
        self._learn(second, now, levels, seen)
        if not now.mains or now.mains_s < 2.0 or second.switched:
            for level in levels:
                level.steady_s = level.up_s = 0.0
            return []
        self._company(second, now, levels, seen)
        found: list[Finding] = []
        for k, side in enumerate(SIDES):
            finding = self._decide(k, side, second, now, levels, seen)
            if finding is not None:
                found.append(finding)
        return found

    def _look(self, second: Second, k: int, level: _Level) -> _Seen | None:
        value = second.mean[HF[k]]
        if value != value:
            return None
        if level.base_v != level.base_v:
            level.base_v = min(value, 0.05)
        threshold = level.base_v + max(RISE_V, 5.0 * level.noise_v, 0.5 * level.base_v)
        if second.high[HF[k]] <= threshold:
            return _Seen(0.0, 0.0, value - level.base_v, value, threshold)
        n = len(second.frame_t_s)
        up = int((second.frame_mean[HF[k]] > threshold).sum()) / n
        held = int((second.frame_low[HF[k]] > threshold).sum()) / n
        return _Seen(up, held, value - level.base_v, value, threshold)

    def _learn(
        self, second: Second, now: Situation, levels: tuple[_Level, ...], seen: tuple[_Seen | None, ...]
    ) -> None:
        for level, look in zip(levels, seen, strict=True):
            if look is None or look.up > 0.0 or second.switched or (now.mains_s < 2.0 and now.mains):
                continue
            level.noise_v += 0.05 * (abs(look.excess_v) - level.noise_v)
            level.base_v = min(level.base_v + 0.05 * look.excess_v, _HIGHEST_BASE_V * (4.0 if now.drive else 1.0))
        quiet = all(look is None or look.up == 0.0 for look in seen)
        self._quiet_s = self._quiet_s + now.dt_s if quiet else 0.0
        if quiet:
            self._up_since_s = math.nan
            self._was_quiet_unpowered = not now.mains or now.mains_s < 1.0
            current = _rail_a(second)
            if now.mains and now.still_s > 1.0 and current == current:
                self._quiet_a.append((second.t_s, current))
        elif self._up_since_s != self._up_since_s:
            self._up_since_s = second.t_s

    def _company(
        self, second: Second, now: Situation, levels: tuple[_Level, ...], seen: tuple[_Seen | None, ...]
    ) -> None:
        """Count the time in which rail current and HF were up together."""
        for k, (level, look) in enumerate(zip(levels, seen, strict=True)):
            level.evidence_s *= math.exp(-now.dt_s / 120.0)
            if look is None or look.up == 0.0:
                level.steady_s = level.up_s = 0.0
                level.means.clear()
                continue
            if level.up_s == 0.0:
                self.events += 1
                level.with_power = now.mains_s < 6.0 and self._was_quiet_unpowered
            level.up_s += now.dt_s
            level.means.append(look.level_v)
            if now.still_s < 2.0 or len(self._quiet_a) < 3 or now.mains_s < 4.0:
                continue
            # Beyond a quarter of a minute warm-up could have raised the current by itself.
            if second.t_s - self._up_since_s > _ONSET_S or second.t_s - self._quiet_a[-1][0] > _ONSET_S + 2.0:
                continue
            # What reaches both outputs must move the current at once to be the amplifier's own.
            other = seen[1 - k]
            alone = other is None or other.excess_v < 0.3 * look.excess_v
            if not alone and second.t_s - self._up_since_s > _BOTH_ONSET_S:
                continue
            level.evidence_s += self._joint_s(k, second, look, level, now)

    def _joint_s(self, k: int, second: Second, look: _Seen, level: _Level, now: Situation) -> float:
        reference = sum(a for _, a in self._quiet_a) / len(self._quiet_a)
        spread = max(abs(a - reference) for _, a in self._quiet_a)
        share = _CURRENT_SHARE * (2.0 if now.drive else 1.0)
        needed = max(_CURRENT_FLOOR_A, share * abs(reference), 3.0 * spread)
        frame_a = (second.frame_mean[POS_A] + second.frame_mean[NEG_A]) / 2.0
        up = second.frame_mean[HF[k]] > look.threshold_v
        joint = int((up & (frame_a > reference + needed)).sum())
        alone = int((up & ~(frame_a > reference + needed)).sum())
        frame_s = now.dt_s / max(len(second.frame_t_s), 1)
        if joint > alone and look.held < 1.0:
            # A burst of its own, each with its own rise of the current.
            return joint * frame_s + _BURST_BONUS_S
        return (joint - 0.5 * alone) * frame_s if joint else -0.5 * min(level.evidence_s, alone * frame_s)

    def _decide(
        self,
        k: int,
        side: str,
        second: Second,
        now: Situation,
        levels: tuple[_Level, ...],
        seen: tuple[_Seen | None, ...],
    ) -> Finding | None:
        level, look, other = levels[k], seen[k], seen[1 - k]
        if look is None or look.up == 0.0:
            return None
        alone = other is None or other.excess_v < CROSSTALK * look.excess_v
        larger = other is None or look.excess_v >= other.excess_v
        rail = now.alive_v if now.alive_v == now.alive_v else self._facts.rail_v
        level.steady_s = level.steady_s + now.dt_s if alone and look.held >= 0.75 else 0.0
        shown = f"{look.level_v:.2f} V above 100 kHz on the {side} output, baseline {level.base_v:.3f} V"
        if look.held < 0.5:
            shown = f"bursts of {second.high[HF[k]]:.2f} V above 100 kHz on the {side} output"
        if level.evidence_s >= _EVIDENCE_S and larger and (not now.drive or self._plain_in_drive(look, alone, rail)):
            level.evidence_s = 0.0
            return trip(second.t_s, "oscillation", side, f"{shown}, and the rail current rises with it")
        if now.drive:
            if alone and look.excess_v > 0.15 * rail and level.steady_s >= 5.0:
                return trip(
                    second.t_s, "oscillation", side, f"{shown} for {level.steady_s:.0f} s with the test signal on"
                )
            if level.up_s >= 20.0 and look.excess_v > 0.3:
                return warning(second.t_s, "oscillation", side, f"{shown} with the test signal: clipping or worse")
            return None
        wanted_s = _SINGLE_S if look.excess_v < 1.0 else 0.5 * _SINGLE_S
        if level.steady_s >= wanted_s and look.excess_v >= SINGLE_V and _even(level.means):
            return trip(
                second.t_s, "oscillation", side, f"{shown} for {level.steady_s:.0f} s, the other output is quiet"
            )
        if (
            level.with_power
            and look.held >= 0.75
            and level.up_s >= _POWERED_S
            and look.excess_v >= 2.0 * SINGLE_V
            and larger
        ):
            return trip(second.t_s, "oscillation", side, f"{shown}, there since the rails came up")
        if look.held >= 0.75 and larger and look.excess_v > 0.2 * rail and level.up_s >= _POWERED_S:
            return trip(
                second.t_s, "oscillation", side, f"{shown} for {level.up_s:.0f} s: no transmitter couples that much"
            )
        if level.up_s >= 5.0:
            why = "both outputs, rail current unmoved: a transmitter nearby?" if not alone else "rail current unmoved"
            return warning(second.t_s, "oscillation", side, f"{shown} for {level.up_s:.0f} s, {why}")
        return None

    @staticmethod
    def _plain_in_drive(look: _Seen, alone: bool, rail: float) -> bool:
        # Turning the generator up into clipping also raises HF and current, on
        # both channels and by little.
        return alone and look.excess_v > max(1.0, 0.03 * rail)


def _even(means: deque[float]) -> bool:
    mean = sum(means) / len(means)
    return max(means) - min(means) < 1.2 * mean


def _rail_a(second: Second) -> float:
    return (second.mean[POS_A] + second.mean[NEG_A]) / 2.0
