"""Does a bias leap away and come back? A bad contact does, on one channel, again and again.

A contact may also rest on its other level for a while: leaps between two neighbouring
frames whose way back, seconds or a minute later, leads to where the last one began.

A hand on the pot leaves a new level behind, however fast it turned and even if it
corrects itself; what moves both channels at the same instant (mains, or one person's
two hands) is no contact of one of them. Seconds without a leap are not looked into.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from itertools import pairwise

from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, SIDES, Facts
from benchwarden.core.findings import Finding

LEAP_SHARE = 0.15
LEAP_TIMES_NOISE = 6.0
LEAP_FLOOR_V = 0.0006
LEAPS = 5
LEAP_WINDOW_S = 60.0
# A wiper that lost its track finds it again within this time; a hand needs longer to
# go there, look and come back to the same level. Common practice, no source.
RETURN_S = 2.0
RETURN_SHARE = 0.3
TOGETHER_S = 0.25
# A contact that rests between its levels: so many exact returns within this time, fewer if
# they are large. No hand finds a level again in two frames, again and again.
RESTS, RESTS_LARGE, LARGE_SHARE = 3, 2, 0.3
RESTS_WINDOW_S = 300.0
# With fewer frames a second than this, one second's spread does not show a leap.
_FEW_FRAMES_HZ = 4.0


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


@dataclass(frozen=True, slots=True)
class _Rest:
    """A leap to another level that lasted."""

    t_s: float
    before: float
    after: float

    @property
    def size(self) -> float:
        return abs(self.after - self.before)

    def undoes(self, earlier: _Rest) -> bool:
        """Return whether it leads back to where an earlier one began."""
        return abs(self.after - earlier.before) < RETURN_SHARE * min(self.size, earlier.size)


class BiasLeaps:
    """Counts leaps and returns of both channels over the last minute of calm idle."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._few = facts.rate_hz < _FEW_FRAMES_HZ
        self._range = [math.nan, math.nan]
        self._mean = [math.nan, math.nan]
        self._leaps: tuple[deque[float], deque[float]] = (deque(), deque())
        self._turns: tuple[deque[float], deque[float]] = (deque(), deque())
        # Leaps that stayed: when, from which level, to which.
        self._rests: tuple[deque[_Rest], deque[_Rest]] = (deque(maxlen=16), deque(maxlen=16))
        self._away: list[tuple[float, float, float] | None] = [None, None]
        self._tail: tuple[deque[Second], deque[Second]] = (deque(maxlen=2), deque(maxlen=2))
        self._tail_wide = [False, False]
        self.stays = [False, False]

    def clear(self, k: int) -> None:
        """Forget the frames before: something was switched or the reading is gone."""
        self._away[k], self._tail_wide[k], self._mean[k] = None, False, math.nan
        self._tail[k].clear()

    def second(self, k: int, second: Second) -> list[Finding]:
        """Look at one second of side k; `stays[k]` tells whether it went to a new level for good."""
        i = BIAS[k]
        self.stays[k] = False
        low, high, mean = second.low[i], second.high[i], second.mean[i]
        before = self._mean[k]
        if self._few and before == before:
            low, high = min(low, before), max(high, before)
        self._mean[k] = mean
        spread = high - low
        typical = self._range[k]
        if typical != typical:
            typical = self._range[k] = spread
        threshold = max(LEAP_SHARE * max(self._facts.target_v, abs(mean)), LEAP_TIMES_NOISE * typical, LEAP_FLOOR_V)
        wide = spread > threshold
        if not wide:
            self._range[k] += 0.05 * (spread - typical)
        tail = self._tail[k]
        found: list[Finding] = []
        if wide or self._tail_wide[k] or self._away[k] is not None:
            frames = [f for s in tail for f in _frames(s, i)][-2:] + _frames(second, i)
            if len(frames) > 2:
                self._walk(k, frames, threshold)
                if self.stays[k] and not self._few:
                    found = self._rested(k, second)
        tail.append(second)
        self._tail_wide[k] = wide
        if not wide or not self._turns[k]:
            return found
        return found + self._told(k, second, spread, typical)

    def _rested(self, k: int, second: Second) -> list[Finding]:
        """Tell a contact that goes to and fro between two levels, and rests on each."""
        rests = [r for r in self._rests[k] if r.t_s > second.t_s - RESTS_WINDOW_S]
        back = [later for earlier, later in pairwise(rests) if later.undoes(earlier)]
        large = [r for r in back if r.size > LARGE_SHARE * max(self._facts.target_v, r.before, r.after)]
        if len(back) < RESTS and len(large) < RESTS_LARGE:
            return []
        words = (
            f"bias {SIDES[k]} leapt {len(rests)} times in {RESTS_WINDOW_S / 60.0:.0f} min, last from "
            f"{rests[-1].before * 1e3:.1f} to {rests[-1].after * 1e3:.1f} mV, {len(back)} times back to where it was"
        )
        return [trip(second.t_s, "bias-unstable", SIDES[k], words)]

    def _told(self, k: int, second: Second, spread: float, typical: float) -> list[Finding]:
        for times in (self._leaps[k], self._turns[k]):
            while times and times[0] < second.t_s - LEAP_WINDOW_S:
                times.popleft()
        count, turns = len(self._leaps[k]), len(self._turns[k])
        if count >= LEAPS and turns >= 3:
            words = (
                f"bias {SIDES[k]} leapt {count} times in {LEAP_WINDOW_S:.0f} s, last by {spread * 1e3:.1f} mV, "
                f"and came back {turns} times; its usual noise is {typical * 1e3:.2f} mV"
            )
            return [trip(second.t_s, "bias-unstable", SIDES[k], words)]
        if turns >= 2:
            words = f"bias {SIDES[k]} leapt by {spread * 1e3:.1f} mV and came back"
            return [warning(second.t_s, "bias-unstable", SIDES[k], words)]
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
                # A new level, set by a hand or lost for good.
                self._away[k] = None
                self.stays[k] = True
                other = self._rests[1 - k]
                if other and abs(other[-1].t_s - start_s) <= TOGETHER_S:
                    other.pop()
                else:
                    self._rests[k].append(_Rest(start_s, level, now.mean))

    def _note(self, k: int, t_s: float, turned: bool) -> None:
        """Count an event, unless the other channel had one at the same instant."""
        for times in (self._leaps[1 - k], self._turns[1 - k]):
            if times and abs(times[-1] - t_s) <= TOGETHER_S:
                times.pop()
                return
        self._leaps[k].append(t_s)
        if turned:
            self._turns[k].append(t_s)
