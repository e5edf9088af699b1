"""Does the bias stay where it was put? Intermittent contacts, bias too high, bias that wanders off.

A bad contact makes the bias leap and come back to the level it left, both within
frames, again and again, on one channel. A hand on the pot leaves a new level behind,
however fast it turned and even if it corrects itself; what moves both channels at
the same instant (mains, or one person's two hands) is no contact of one of them.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import AMBIENT, BIAS, HF, SIDES, SINK, Facts, Situation, StageNow
from benchwarden.analysis.thermal_chain import device_rth_ja_k_per_w
from benchwarden.core.findings import Finding

LEAP_SHARE = 0.15
LEAP_TIMES_NOISE = 6.0
LEAP_FLOOR_V = 0.0006
HF_COMPANY_V = 0.25
LEAPS = 5
LEAP_WINDOW_S = 60.0
# A wiper that lost its track finds it again within this time; a hand needs longer to
# go there, look and come back to the same level. Common practice, no source.
RETURN_S = 2.0
RETURN_SHARE = 0.3
TOGETHER_S = 0.25
HIGH_TIMES = 2.5
NOTE_TIMES = 1.6
_HIGH_S = 10.0
_AFTER_DRIVE_S = 90.0
_DRIFT_SHARE = 0.5
# A set driven hard needs this long to come back to its idle bias.
_WANDER_AFTER_DRIVE_S = 900.0


@dataclass(frozen=True, slots=True)
class _Frame:
    """One frame of one bias channel."""

    t_s: float
    mean: float
    low: float
    high: float


def _frames(second: Second, i: int) -> list[_Frame]:
    """Return the frames of a second that have a reading."""
    columns = (second.frame_t_s, second.frame_mean[i], second.frame_low[i], second.frame_high[i])
    rows = zip(*(c.tolist() for c in columns), strict=True)
    return [_Frame(*row) for row in rows if row[1] == row[1]]


class Bias:
    """Watches both bias drops while the set idles, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._range = [math.nan, math.nan]
        self._leaps: tuple[deque[float], deque[float]] = (deque(), deque())
        self._turns: tuple[deque[float], deque[float]] = (deque(), deque())
        self._away: list[tuple[float, float, float] | None] = [None, None]
        self._tail: list[list[_Frame]] = [[], []]
        self._tail_wide = [False, False]
        self._high_s = [0.0, 0.0]
        self._note_s = [0.0, 0.0]
        self._settled = [math.nan, math.nan]
        self._idle_c = [math.nan, math.nan]
        self._drive_seen = False
        self._device_rth_ja = device_rth_ja_k_per_w(facts.unit)
        self._minute: tuple[deque[float], deque[float]] = (deque(maxlen=60), deque(maxlen=60))

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        found: list[Finding] = []
        # Rails dragged down are no idle: what flows then is not bias.
        stands = not now.alive_v < 0.2 * self._facts.rail_v
        calm = now.idle and stands and now.still_s > 3.0 and now.drive_s > 5.0
        self._drive_seen = self._drive_seen or now.drive
        for k, side in enumerate(SIDES):
            if calm and not self._drive_seen:
                self._idle_c[k] = second.mean[SINK[k]]
            if not calm or second.mean[BIAS[k]] != second.mean[BIAS[k]]:
                self._away[k], self._tail[k], self._tail_wide[k] = None, [], False
                self._high_s[k] = self._note_s[k] = 0.0
                self._minute[k].clear()
                continue
            # A bias that leaps together with HF is the oscillation's doing.
            if not second.high[HF[k]] > max(HF_COMPANY_V, 4.0 * second.low[HF[k]]):
                found += self._leap(k, side, second)
            if now.drive_s > _AFTER_DRIVE_S:
                found += self._high(k, side, second, now)
        return found

    def _leap(self, k: int, side: str, second: Second) -> list[Finding]:
        i = BIAS[k]
        spread = second.high[i] - second.low[i]
        if self._range[k] != self._range[k]:
            self._range[k] = spread
        typical = self._range[k]
        scale = max(self._facts.target_v, abs(second.mean[i]))
        threshold = max(LEAP_SHARE * scale, LEAP_TIMES_NOISE * typical, LEAP_FLOOR_V)
        if spread <= threshold:
            self._range[k] += 0.05 * (spread - typical)
        watching = spread > threshold or self._tail_wide[k] or self._away[k] is not None
        frames = self._tail[k] + _frames(second, i)
        if watching and len(frames) > 2:
            self._walk(k, frames, threshold)
        self._tail[k] = frames[-2:]
        self._tail_wide[k] = spread > threshold
        self._expire(k, second.t_s)
        count, turns = len(self._leaps[k]), len(self._turns[k])
        if spread <= threshold or not turns:
            return []
        if count >= LEAPS and turns >= 3:
            words = (
                f"bias {side} leapt {count} times in {LEAP_WINDOW_S:.0f} s, last by {spread * 1e3:.1f} mV, "
                f"and came back {turns} times; its usual noise is {typical * 1e3:.2f} mV"
            )
            return [trip(second.t_s, "bias-unstable", side, words)]
        if turns >= 2:
            words = f"bias {side} leapt by {spread * 1e3:.1f} mV and came back"
            return [warning(second.t_s, "bias-unstable", side, words)]
        return []

    def _walk(self, k: int, frames: list[_Frame], threshold: float) -> None:
        """Look at every frame between its neighbours: a leap, a return, or a spike inside it."""
        for before, now, after in zip(frames, frames[1:], frames[2:], strict=False):
            a, b = before.mean, after.mean
            spike = max(now.high - max(a, b), min(a, b) - now.low)
            away = self._away[k]
            if away is None:
                if spike >= threshold:
                    self._note(k, now.t_s, turned=True)
                elif abs(b - a) >= threshold:
                    self._away[k] = (now.t_s, a, abs(b - a))
                    self._note(k, now.t_s, turned=False)
                continue
            start_s, level, size = away
            size = max(size, abs(now.mean - level), abs(b - level))
            self._away[k] = (start_s, level, size)
            back = abs(b - level) < RETURN_SHARE * size and abs(b - a) > 0.5 * size
            if back and now.t_s > start_s:
                self._note(k, now.t_s, turned=True)
                self._away[k] = None
            elif now.t_s - start_s > RETURN_S:
                # It stays: a new level, set by a hand or lost for good; a new stretch begins.
                self._away[k] = None
                self._settled[k] = math.nan
                self._minute[k].clear()

    def _note(self, k: int, t_s: float, turned: bool) -> None:
        """Count an event, unless the other channel had one at the same instant."""
        for times in (self._leaps[1 - k], self._turns[1 - k]):
            if times and abs(times[-1] - t_s) <= TOGETHER_S:
                times.pop()
                return
        self._leaps[k].append(t_s)
        if turned:
            self._turns[k].append(t_s)

    def _expire(self, k: int, t_s: float) -> None:
        for times in (self._leaps[k], self._turns[k]):
            while times and times[0] < t_s - LEAP_WINDOW_S:
                times.popleft()

    def _high(self, k: int, side: str, second: Second, now: Situation) -> list[Finding]:
        value, target = now.idle_drop_v(second, k), self._facts.target_v
        high_v = max(HIGH_TIMES * target, target + 0.006)
        warmth_v = self._warmth_v(k, second, now)
        high_v += warmth_v
        self._high_s[k] = self._high_s[k] + now.dt_s if value > high_v else 0.0
        note_v = max(NOTE_TIMES * target, target + 0.003) + warmth_v
        self._note_s[k] = self._note_s[k] + now.dt_s if value > note_v else 0.0
        recent = self._minute[k]
        recent.append(value)
        # Hot from drive, or cold with a compensation that only warms up: on the way back is not too high yet.
        young = now.drive_s < _WANDER_AFTER_DRIVE_S or now.mains_s < _WANDER_AFTER_DRIVE_S
        recovering = young and (len(recent) <= 20 or value < 0.995 * recent[-21])
        if self._high_s[k] >= _HIGH_S and not recovering:
            words = f"bias {side} {value * 1e3:.1f} mV for {self._high_s[k]:.0f} s, target {target * 1e3:.1f} mV"
            return [trip(second.t_s, "bias-unstable", side, words)]
        found = []
        if self._note_s[k] >= 30.0:
            words = f"bias {side} {value * 1e3:.1f} mV, target {target * 1e3:.1f} mV"
            found.append(warning(second.t_s, "bias-unstable", side, words))
        if now.drive_s < _WANDER_AFTER_DRIVE_S:
            return found
        return found + self._wander(k, side, second.t_s, warmth_v)

    def _warmth_v(self, k: int, second: Second, now: Situation) -> float:
        """Return what a sink still hot from the signal can add to the drop of a stable stage, volts.

        A stage of loop gain g answers a sink warmer by dT with g dT / (Vcc Rth ja);
        g = 1 is the edge (stable if dP/dTj < 1/Rth, textbook relation). It goes as
        the sink cools; a sink that heats itself is the runaway detector's matter.
        """
        if not self._drive_seen or now.alive_v != now.alive_v:
            return 0.0
        base = self._idle_c[k] if self._idle_c[k] == self._idle_c[k] else second.mean[AMBIENT]
        rise_k = second.mean[SINK[k]] - base
        if not rise_k > 0.0:
            return 0.0
        amps = rise_k / (max(now.alive_v, 0.5 * self._facts.rail_v) * self._device_rth_ja)
        return amps * self._facts.unit.emitter_resistor_ohm

    def _wander(self, k: int, side: str, t_s: float, warmth_v: float) -> list[Finding]:
        """Compare with the level at which it once held still for a minute."""
        minute = self._minute[k]
        if len(minute) < 60:
            return []
        first, last = sum(list(minute)[:30]) / 30.0, sum(list(minute)[30:]) / 30.0
        if self._settled[k] != self._settled[k]:
            if abs(last - first) < 0.01 * self._facts.target_v and last > 0.4 * self._facts.target_v:
                self._settled[k] = last
            return []
        away = abs(last - self._settled[k])
        if away > _DRIFT_SHARE * max(self._facts.target_v, self._settled[k]) + warmth_v:
            words = f"bias {side} had settled at {self._settled[k] * 1e3:.1f} mV and is now at {last * 1e3:.1f} mV"
            return [warning(t_s, "bias-unstable", side, words)]
        return []
