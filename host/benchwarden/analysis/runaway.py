"""Does the bias feed itself? Each kelvin raises the current that makes the next kelvin.

Below a thermal loop gain of one a rise slows down towards an equilibrium, at or above
one it does not: its second derivative is not negative. That is asked of several
windows at once, on calm rails, and the answer is a forecast: when is the safe limit
reached if this goes on? A fast path watches seconds, before the sink has moved.

What wanders with the mains bends the bias but not the sink, and what the sink's
warmth adds is bounded by the loop gain: both have to agree before anything is said.
With the test signal on, heat is forced and the sink on its way to an end of its own;
then only the rise beyond what that warmth can make in a stable stage counts, and the
bias channels must tell of the same rise as the rails, for a tone that beats with the
scan moves readings that were not taken at the same instants in different ways.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np

from benchwarden.analysis.notice import trip
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, NEG_A, POS_A, SIDES, SINK, Facts, Situation, StageNow
from benchwarden.analysis.thermal_chain import device_rth_ja_k_per_w, sink_k_per_w
from benchwarden.analysis.trend import BLOCKS, Curve, end_curve, time_to_reach
from benchwarden.core.findings import Finding
from benchwarden.core.samples import FloatArray

WINDOWS = (24, 60, 120, 240, 480)
_KEEP = 481
_EVERY_S = 5.0
HORIZON_S = 900.0
# Bias below these multiples of its target is not yet a danger, however it moves.
CURVED_FROM = 1.25
STRAIGHT_FROM = 1.8
FAST_FROM = 1.7
HARD_FROM = 3.0
SAFE_TIMES = 5.0
# Estimated loop gain below which no forecast is made. The sink's thermal resistance
# is an estimate; a sink twice as poor would rise by 110 K at a third of rated power.
LEAST_GAIN = 0.5
# Above this one the bias grows faster than any sink could make it: the loop closes
# through junction and case, and what the sink does tells nothing.
PAST_SINK_GAIN = 4.0
# Share of a driven rail's rise that the bias channels must account for.
_MATCHED_SHARE = 0.5
# A driven channel parts from the other one: seconds it must last, multiples of the
# bias target, and room for a thermal resistance that is only estimated.
_PARTED_S = 3.0
_RECENT = 60
_PARTED_TIMES = 1.5
_WARMTH_ROOM = 1.5
_DRIVE_SETTLED_S = 40.0
_FAST_S = 6
_AFTER_DRIVE_S = 60.0
_AFTER_MOVE_S = 6.0


@dataclass
class _Track:
    """One quantity that may run away, with the temperature that goes with it.

    Attributes:
        values, warm: newest last, one per second of the present calm stretch.
        fast: the last seconds, kept over pot steps.
        alarms: evaluations in a row that saw a runaway.
    """

    name: str
    values: deque[float] = field(default_factory=lambda: deque(maxlen=_KEEP))
    warm: deque[float] = field(default_factory=lambda: deque(maxlen=_KEEP))
    volts: deque[float] = field(default_factory=lambda: deque(maxlen=_KEEP))
    drops: deque[float] = field(default_factory=lambda: deque(maxlen=_KEEP))
    fast: deque[float] = field(default_factory=lambda: deque(maxlen=_FAST_S + 1))
    alarms: int = 0
    next_s: float = -math.inf

    def clear(self) -> None:
        self.restart()
        self.fast.clear()

    def restart(self) -> None:
        """Begin a new stretch; the last seconds stay."""
        self.values.clear()
        self.warm.clear()
        self.volts.clear()
        self.drops.clear()
        self.alarms = 0


@dataclass
class _Parting:
    """How far one driven channel's drop has moved away from the other's.

    Attributes:
        least: (smoothed difference to the other channel, sink, rail current) where the
            difference was smallest since the signal came on.
        recent: the same for every second of the last minute.
        held_s: how long it has been too far away.
    """

    smooth_v: float = math.nan
    least: tuple[float, float, float] = (math.inf, math.nan, math.nan)
    recent: deque[tuple[float, float, float]] = field(default_factory=lambda: deque(maxlen=_RECENT))
    held_s: float = 0.0


class Runaway:
    """Watches both bias drops and the rail current, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._bias = tuple(_Track(side) for side in SIDES)
        self._rail = _Track("")
        self._was_drive = False
        self._rail_start = math.nan
        self._parting = [_Parting(), _Parting()]
        self._start_c = [math.nan, math.nan]
        self._sink_k_per_w = sink_k_per_w(facts.unit)
        self._device_rth_ja = device_rth_ja_k_per_w(facts.unit)

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        found: list[Finding] = []
        stands = not now.alive_v < 0.2 * self._facts.rail_v
        calm = (
            now.mains
            and stands
            and not second.switched
            and not now.gap
            and now.unlifted_s > _AFTER_MOVE_S
            and now.dt_s < 15.0
        )
        idle = calm and not now.drive and now.drive_s > _AFTER_DRIVE_S
        current = (second.mean[POS_A] + second.mean[NEG_A]) / 2.0
        for k, track in enumerate(self._bias):
            value, warm = now.idle_drop_v(second, k), second.mean[SINK[k]]
            if not idle or value != value:
                track.clear()
                continue
            found += self._one(track, value, warm, self._facts.target_v, self._limit_v(warm, now), second, now, current)
        found += self._parted(second, now, current, calm)
        # The rail tells what no bias channel sees: another pair, a missing clip, drive.
        steady = calm and now.drive_s > (_AFTER_DRIVE_S if not now.drive else 20.0) and now.drive == self._was_drive
        self._was_drive = now.drive
        if not steady or current != current:
            self._rail.clear()
            self._rail_start = math.nan
            return found
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
        if now.drive or any(second.mean[b] != second.mean[b] for b in BIAS):
            found += self._one(self._rail, current, warm, reference, 3.0 * reference, second, now, current)
        return found

    def _parted(self, second: Second, now: Situation, current: float, calm: bool) -> list[Finding]:
        """With the signal on: one channel's drop grows away from the other's, beyond what its sink's warmth makes.

        Signal, its beating with the scan and sagging rails are common to both
        channels; the rails must carry what the drop says.
        """
        drops = [second.mean[b] for b in BIAS]
        if not (calm and now.drive and now.drive_s > _DRIVE_SETTLED_S) or any(v != v for v in (*drops, current)):
            self._parting = [_Parting(), _Parting()]
            return []
        found: list[Finding] = []
        for k, side in enumerate(SIDES):
            parting, warm = self._parting[k], second.mean[SINK[k]]
            apart = drops[k] - drops[1 - k]
            before_v = apart if parting.smooth_v != parting.smooth_v else parting.smooth_v
            parting.smooth_v = before_v + min(0.3 * now.dt_s, 1.0) * (apart - before_v)
            here = (parting.smooth_v, warm, current)
            parting.least = min(parting.least, here, key=lambda row: row[0])
            recent = min(parting.recent, key=lambda row: row[0], default=here)
            parting.recent.append(here)
            target = self._facts.target_v
            beyond = max(
                self._beyond(here, parting.least, now) / (_PARTED_TIMES * target),
                self._beyond(here, recent, now) / target,
            )
            growing = parting.smooth_v > before_v or beyond > 2.0
            parting.held_s = parting.held_s + now.dt_s if beyond > 1.0 and growing else 0.0
            if parting.held_s >= _PARTED_S:
                rise_mv, rise_k = 1e3 * (here[0] - parting.least[0]), warm - parting.least[1]
                words = (
                    f"bias {side} {drops[k] * 1e3:.1f} mV with the signal on, grown by {rise_mv:.1f} mV away from "
                    f"the other channel while its sink rose by {rise_k:.1f} K; the rails carry it"
                )
                found.append(trip(second.t_s, "thermal-runaway", side, words))
        return found

    def _beyond(self, here: tuple[float, float, float], then: tuple[float, float, float], now: Situation) -> float:
        """Return the rise of a drop beyond what its sink's warmth makes, volts; 0 if the rails do not carry it."""
        rise_v, rise_k, rise_a = (a - b for a, b in zip(here, then, strict=True))
        told_a = rise_v * self._facts.amps_per_bias_v
        # Without a sink reading there is nothing to judge the rise by.
        if rise_v < 0.003 or rise_k != rise_k or not _MATCHED_SHARE < rise_a / told_a < 1.0 / _MATCHED_SHARE:
            return 0.0
        warmth_a = _WARMTH_ROOM * max(rise_k, 0.0) / (max(now.alive_v, 1.0) * self._device_rth_ja)
        return rise_v - warmth_a * self._facts.unit.emitter_resistor_ohm

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

    def _limit_v(self, sink_c: float, now: Situation) -> float:
        """Return the bias drop at which a device reaches its safe junction temperature, or five times target."""
        facts = self._facts
        relative = SAFE_TIMES * facts.target_v
        if now.alive_v != now.alive_v or now.alive_v < 1.0:
            return relative
        room_k = facts.tj_safe_c - (sink_c if sink_c == sink_c else 60.0)
        amps = max(room_k, 1.0) / facts.device_k_per_w / now.alive_v
        return max(min(relative, amps * facts.unit.emitter_resistor_ohm), 1.5 * facts.target_v)

    def _one(
        self,
        track: _Track,
        value: float,
        warm: float,
        reference: float,
        limit: float,
        second: Second,
        now: Situation,
        current: float,
    ) -> list[Finding]:
        if track.values:
            step = value - track.values[-1]
            quiet = np.diff(np.array(list(track.values)[-6:])) if len(track.values) >= 6 else np.zeros(0)
            usual = float(np.abs(quiet).max()) if len(quiet) else math.inf
            if abs(step) > max(3.0 * usual, 0.04 * reference):
                # A pot was turned or a contact leapt: a new stretch begins.
                track.restart()
        track.values.append(value)
        track.drops.append(sum(second.mean[b] for b in BIAS))
        track.warm.append(warm)
        track.volts.append(now.alive_v)
        track.fast.append(value)
        found = self._fast(track, value, reference, second, now)
        if found or second.t_s < track.next_s:
            return found
        track.next_s = second.t_s + _EVERY_S
        if len(track.values) < WINDOWS[0] or value < CURVED_FROM * reference:
            track.alarms = 0
            return []
        return self._slow(track, value, reference, limit, second, now)

    def _fast(self, track: _Track, value: float, reference: float, second: Second, now: Situation) -> list[Finding]:
        """Seconds: growing by itself, faster and faster, already far above target."""
        if len(track.fast) <= _FAST_S or value < FAST_FROM * reference or now.dt_s > 2.0:
            return []
        steps = [b - a for a, b in zip(track.fast, list(track.fast)[1:], strict=False)]
        late, early = sum(steps[3:]), sum(steps[:3])
        rising = all(s > 0.0 for s in steps[1:]) and early > 0.0
        # Growth by itself, not a jump: no faster than threefold in a second.
        if (
            rising
            and late > 1.15 * early
            and early > 0.04 * late
            and late > 0.06 * value
            and max(steps) < 0.6 * (late + early)
        ):
            doubling_s = 3.0 * math.log(2.0) / math.log(late / early)
            shown = self._shown(track, value)
            words = f"{shown} and growing faster and faster, doubling its rise every {doubling_s:.0f} s"
            return [trip(second.t_s, "thermal-runaway", track.name, words)]
        return []

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
        return _MATCHED_SHARE * rise < seen < rise / _MATCHED_SHARE

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
