"""Does a current rise and go on rising, where no thermal loop can be fitted? Curvature and a straight forecast.

Used where heat is forced by the test signal or a heatsink is not read: a rise that
does not slow down, over several windows at once, that the rails cannot have carried
and that warmth cannot have made in a stable stage, is followed to the limit.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from benchwarden.analysis.notice import trip
from benchwarden.analysis.parting import MATCHED_SHARE
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, SIDES, SINK, Facts, Situation
from benchwarden.analysis.thermal_chain import device_rth_ja_k_per_w, sink_k_per_w
from benchwarden.analysis.trend import BLOCKS, Curve, end_curve, time_to_reach
from benchwarden.core.findings import Finding
from benchwarden.core.samples import FloatArray

WINDOWS = (24, 60, 120, 240, 480)
_KEEP = 481
_STEPS = 5
_EVERY_S = 5.0
HORIZON_S = 900.0
# Bias below these multiples of its target is not yet a danger, however it moves.
CURVED_FROM = 1.25
STRAIGHT_FROM = 1.8
HARD_FROM = 3.0
# Estimated loop gain below which no forecast is made. The sink's thermal resistance
# is an estimate; a sink twice as poor would rise by 110 K at a third of rated power.
LEAST_GAIN = 0.5
# Above this one the bias grows faster than any sink could make it: the loop closes
# through junction and case, and what the sink does tells nothing.
PAST_SINK_GAIN = 4.0
_AFTER_DRIVE_S = 60.0
_AFTER_MOVE_S = 6.0


@dataclass
class _Track:
    """One quantity that may run away, with the temperature that goes with it.

    Attributes:
        values, warm, volts, drops: newest last, one per second of the present calm stretch.
        steps: between the last seconds, magnitudes.
        alarms: evaluations in a row that saw a runaway.
    """

    name: str
    values: deque[float] = field(default_factory=lambda: deque(maxlen=_KEEP))
    warm: deque[float] = field(default_factory=lambda: deque(maxlen=_KEEP))
    volts: deque[float] = field(default_factory=lambda: deque(maxlen=_KEEP))
    drops: deque[float] = field(default_factory=lambda: deque(maxlen=_KEEP))
    steps: deque[float] = field(default_factory=lambda: deque(maxlen=_STEPS))
    alarms: int = 0
    next_s: float = -math.inf

    def restart(self) -> None:
        """Begin a new stretch."""
        if self.values:
            self.values.clear()
            self.warm.clear()
            self.volts.clear()
            self.drops.clear()
            self.steps.clear()
        self.alarms = 0


class CurvePath:
    """Watches both bias drops and the rail current, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._bias = tuple(_Track(side) for side in SIDES)
        self._rail = _Track("")
        self._was_drive = False
        self._rail_start = math.nan
        self._start_c = [math.nan, math.nan]
        self._sink_k_per_w = sink_k_per_w(facts.unit)
        self._device_rth_ja = device_rth_ja_k_per_w(facts.unit)

    def calm(self, second: Second, now: Situation) -> bool:
        """Return whether nothing was switched and the rails did not rise of late."""
        stands = not now.alive_v < 0.2 * self._facts.rail_v
        still = not second.switched and not now.gap and now.unlifted_s > _AFTER_MOVE_S
        return now.mains and stands and still and now.dt_s < 15.0

    def second(
        self,
        second: Second,
        now: Situation,
        current: float,
        calm: bool,
        limits_v: Sequence[float],
    ) -> list[Finding]:
        """Judge one second.

        Args:
            current: mean of the two rail currents, amperes.
            limits_v: drops that must not be reached; NaN for a channel that is not to be watched.
        """
        found: list[Finding] = []
        idle = calm and not now.drive and now.drive_s > _AFTER_DRIVE_S
        for k, track in enumerate(self._bias):
            value = now.idle_drop_v(k)
            if not idle or value != value or limits_v[k] != limits_v[k]:
                track.restart()
                continue
            found += self._one(track, value, second.mean[SINK[k]], self._facts.target_v, limits_v[k], second, now)
        # The rail tells what no bias channel sees: another pair, a missing clip, drive.
        steady = calm and now.drive_s > (_AFTER_DRIVE_S if not now.drive else 20.0) and now.drive == self._was_drive
        self._was_drive = now.drive
        if not steady or current != current:
            self._rail.restart()
            self._rail_start = math.nan
            return found
        if now.drive or any(second.mean[b] != second.mean[b] for b in BIAS):
            found += self._driven(second, now, current)
        return found

    def _driven(self, second: Second, now: Situation, current: float) -> list[Finding]:
        if self._rail_start != self._rail_start:
            self._rail_start = current
            self._start_c = [second.mean[c] for c in SINK]
        self._rail_start = min(self._rail_start, current)
        idle_a = 2.0 * self._facts.target_v * self._facts.amps_per_bias_v + self._facts.unit.quiescent_other_a
        reference = max(idle_a, self._rail_start) if now.drive else idle_a
        sinks = [c for c in (second.mean[SINK[0]], second.mean[SINK[1]]) if c == c]
        warm = max(sinks) if sinks else math.nan
        if now.drive:
            reference += self._warmth_a(second, now)
        return self._one(self._rail, current, warm, reference, 3.0 * reference, second, now)

    def _warmth_a(self, second: Second, now: Situation) -> float:
        """Return what the sinks' rise since the signal came on can add to the rail current of stable stages.

        A stage of loop gain g answers dT with g dT / (Vcc Rth ja) in each device;
        g = 1 is the edge (stable if dP/dTj < 1/Rth, textbook relation).
        """
        volts = now.alive_v if now.alive_v > 1.0 else self._facts.rail_v
        rise_k = sum(max(second.mean[c] - start, 0.0) for c, start in zip(SINK, self._start_c, strict=True))
        if rise_k != rise_k:
            return 0.0
        return self._facts.unit.output_pairs * rise_k / (volts * self._device_rth_ja)

    def _one(
        self,
        track: _Track,
        value: float,
        warm: float,
        reference: float,
        limit: float,
        second: Second,
        now: Situation,
    ) -> list[Finding]:
        if track.values:
            step = abs(value - track.values[-1])
            if step > 0.04 * reference and len(track.steps) == _STEPS and step > 3.0 * max(track.steps):
                # A pot was turned or a contact leapt: a new stretch begins.
                track.restart()
            track.steps.append(step)
        track.values.append(value)
        track.drops.append(sum(second.mean[b] for b in BIAS))
        track.warm.append(warm)
        track.volts.append(now.alive_v)
        if second.t_s < track.next_s:
            return []
        track.next_s = second.t_s + _EVERY_S
        if len(track.values) < WINDOWS[0] or value < CURVED_FROM * reference:
            track.alarms = 0
            return []
        return self._slow(track, value, reference, limit, second, now)

    def _slow(
        self, track: _Track, value: float, reference: float, limit: float, second: Second, now: Situation
    ) -> list[Finding]:
        values = np.array(track.values)
        warm = np.array(track.warm)
        volts = np.array(track.volts)
        votes, best, soonest = 0, None, math.inf
        curves = [
            (size, end_curve(values[-size:], (size // BLOCKS) * BLOCKS * now.dt_s))
            for size in WINDOWS
            if len(values) >= size
        ]
        for at, (size, curve) in enumerate(curves):
            if not self._climbs(curve, reference, size) or self._carried(curve, value, volts[-size:]):
                continue
            # What bends upwards only in its newest part is not yet a way of growing.
            longer = [c for _, c in curves[at + 1 : at + 3]] or [curve]
            slowing = any(c.bend < -3.0 * c.bend_sd for c in longer) and value < HARD_FROM * reference
            heated = self._heated(warm[-size:])
            gain = self._gain(track, curve, warm[-size:], now)
            if not heated or gain < LEAST_GAIN:
                continue
            if not track.name and now.drive and not self._matched(curve, np.array(track.drops)[-size:], now):
                continue
            # A sink that slows down is on its way to an end, whatever bends the bias.
            wider = warm[-2 * size :]
            via_sink = gain < PAST_SINK_GAIN and value < HARD_FROM * reference
            slowing = slowing or (via_sink and self._sink_slows(wider, now))
            curved = curve.bend > 3.0 * curve.bend_sd and size >= 60 and not slowing
            far = value > (STRAIGHT_FROM if size >= 60 else 2.0) * reference
            straight = curve.bend > -1.0 * curve.bend_sd and far and not slowing
            hard = value > HARD_FROM * reference and curve.bend > -3.0 * curve.bend_sd
            if not (curved or straight or hard):
                continue
            reach_s = time_to_reach(curve, limit)
            if reach_s < HORIZON_S:
                votes += 1
                if reach_s < soonest:
                    soonest, best = reach_s, curve
        track.alarms = track.alarms + 1 if votes else 0
        if best is None or (votes < 2 and track.alarms < 3) or track.alarms < 2:
            return []
        words = (
            f"{self._shown(track, value)} and rising {best.slope * self._per_minute(track):.2f} "
            f"{self._unit_text(track)} per minute without slowing; safe limit "
            f"{limit * (1e3 if track.name else 1.0):.3g} {self._unit_text(track)} reached in about {soonest:.0f} s"
        )
        return [trip(second.t_s, "thermal-runaway", track.name, words)]

    def _gain(self, track: _Track, curve: Curve, warm: FloatArray, now: Situation) -> float:
        """Estimate the loop gain: heat that a kelvin of the sink adds, times kelvin per watt of the sink.

        Infinite where the sink does not tell: the loop may close before the sink.
        """
        size = (len(warm) // BLOCKS) * BLOCKS
        slope = end_curve(warm, size * now.dt_s)
        mean_k_per_s = slope.slope - 0.5 * slope.bend * slope.span
        if not mean_k_per_s > 3.0 * slope.slope_sd or now.alive_v != now.alive_v:
            return math.inf
        amps = self._facts.amps_per_bias_v if track.name else 1.0
        per_s = (curve.slope - 0.5 * curve.bend * curve.span) * amps
        return 2.0 * now.alive_v * per_s / mean_k_per_s * self._sink_k_per_w

    def _matched(self, curve: Curve, drops: FloatArray, now: Situation) -> bool:
        """Do the bias channels tell of the same rise? Unknown counts as yes."""
        if np.isnan(drops).any():
            return True
        rise = (curve.slope - 0.5 * curve.bend * curve.span) * curve.span
        half = len(drops) // 2
        seen = 2.0 * float(drops[half:].mean() - drops[:half].mean()) * self._facts.amps_per_bias_v
        return MATCHED_SHARE * rise < seen < rise / MATCHED_SHARE

    @staticmethod
    def _sink_slows(warm: FloatArray, now: Situation) -> bool:
        if len(warm) < 60 or np.isnan(warm).any():
            return False
        curve = end_curve(warm, (len(warm) // BLOCKS) * BLOCKS * now.dt_s)
        return curve.bend < -3.0 * curve.bend_sd

    @staticmethod
    def _climbs(curve: Curve, reference: float, size: int) -> bool:
        enough = curve.slope * curve.span > 0.06 * reference
        smooth = curve.residual_sd < 0.12 * abs(curve.slope) * curve.span
        return curve.slope > 4.0 * curve.slope_sd and enough and smooth

    @staticmethod
    def _carried(curve: Curve, value: float, volts: FloatArray) -> bool:
        """Could the rails have carried it? Idle current follows them several times over."""
        span_v = float(np.ptp(volts))
        return bool(curve.slope * curve.span / value < 6.0 * span_v / float(volts.mean()))

    @staticmethod
    def _heated(warm: FloatArray) -> bool:
        """Does the sink go along? Unknown counts as yes: the bias alone has to do then."""
        half = len(warm) // 2
        first, last = float(warm[:half].mean()), float(warm[half:].mean())
        return not last - first < 0.05

    def _shown(self, track: _Track, value: float) -> str:
        if track.name:
            return f"bias {track.name} {value * 1e3:.1f} mV (target {self._facts.target_v * 1e3:.1f})"
        return f"rail current {value:.3f} A"

    @staticmethod
    def _unit_text(track: _Track) -> str:
        return "mV" if track.name else "A"

    @staticmethod
    def _per_minute(track: _Track) -> float:
        return 60.0 * (1e3 if track.name else 1.0)
