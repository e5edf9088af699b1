"""Since when has nothing but heat moved the bias? Calm idle seconds of each channel since its last change point.

A stretch ends when the bench is changed (mains, limiter, drive), when the rails step,
when a hand turns the pot, when a temperature sensor leaps, or when the record has a
long gap. It goes on over a few missing seconds, over a second that stands alone (a
click), over mains that wanders (the rail is kept beside the bias as a covariate) and
over a dip of the mains that comes back: its seconds are left out. The search is
sequential: what a second says depends on the seconds before it alone. A change may be
seen some seconds late; the new stretch then begins where the change ended, not where
it was seen.
"""

from __future__ import annotations

import math

import numpy as np

from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import AMBIENT, BIAS, SINK, Facts, Situation, StageNow
from benchwarden.analysis.turns import QUANTA, Turns
from benchwarden.core.samples import FloatArray

# A stretch goes on over missing seconds up to this long: heat moves little in it.
LONG_GAP_S = 15.0
# Rails have recharged and case and junction followed, after a switch or after drive.
AFTER_MOVE_S = 3.0
# Rails this far from where they were stepped; back within BACK_SHARE they came back.
STEP_SHARE = 0.03
BACK_SHARE = 0.015
# A dip this long is no dip: the amplifier has begun to live with the new level.
DIP_S = 15.0
# Faster than any heatsink heats: 2 K/s would be 700 W into a small one of 350 J/K.
SINK_LEAP_K = 2.0
_LEAP_TIMES = 8.0
_RAIL_TAU_S = 20.0
# Rails below this share of nominal carry no idle current worth a name (as elsewhere in the judge).
_STANDS_SHARE = 0.2
# A second this far from both its neighbours, who agree, is a click: share of bias or target,
# times their difference, times the noise.
_CLICK_SHARE, _CLICK_TIMES, _CLICK_SIGMAS = 0.003, 4.0, 6.0
# What begins a stretch without changing how the amplifier is fed.
_BY_ITSELF = ("", "pot turned", "sensor", "gap")
_NAMES = ("t_s", "drop_v", "sink_c", "ambient_c", "rail_v")
_HELD = 256
# Seconds in which frames are looked at for the converter's step, then one in so many.
_QUANTUM_SECONDS = 32
_QUANTUM_EVERY = 512


_Row = tuple[float, float, float, float, float]


class Stretch:
    """One channel's calm idle seconds since its last change point.

    Attributes:
        began_s: time of its first second; NaN when there is none.
        began_why: what ended the one before.
        changed_s: when mains, limiter or drive were last changed: nothing but a hand or a gap began a stretch since.
        load_share_v: what DC through a load added to the newest drop, not in drop_v.
        fresh: it began, or ended, in the newest second.
    """

    def __init__(self) -> None:
        self.began_s = math.nan
        self.began_why = ""
        self.changed_s = math.nan
        self.load_share_v = 0.0
        self.fresh = False
        self._columns = np.empty((len(_NAMES), 4 * _HELD))
        self._stop = 0
        self._start = 0
        self._held: list[_Row] = []

    @property
    def n(self) -> int:
        """Number of seconds."""
        return self._stop + len(self._held) - self._start

    @property
    def span_s(self) -> float:
        """Time from the first to the newest second."""
        if not self.n:
            return 0.0
        newest_s = self._held[-1][0] if self._held else float(self._columns[0, self._stop - 1])
        return newest_s - self.began_s

    @property
    def t_s(self) -> FloatArray:
        """End of each second."""
        return self._column(0)

    @property
    def drop_v(self) -> FloatArray:
        """Bias drop less what DC through a load adds, volts."""
        return self._column(1)

    @property
    def sink_c(self) -> FloatArray:
        """Heatsink of this channel, NaN where missing."""
        return self._column(2)

    @property
    def ambient_c(self) -> FloatArray:
        """Ambient, NaN where missing."""
        return self._column(3)

    @property
    def rail_v(self) -> FloatArray:
        """Mean magnitude of the rails, NaN where unknown."""
        return self._column(4)

    def _column(self, i: int) -> FloatArray:
        if self._held:
            self._settle()
        return self._columns[i, self._start : self._stop]

    def _settle(self) -> None:
        """Move the newest rows into the columns."""
        rows, self._held = self._held, []
        stop = self._stop + len(rows)
        if stop > self._columns.shape[1]:
            kept = self._columns[:, self._start : self._stop]
            size = max(2 * (kept.shape[1] + len(rows)), 4 * _HELD)
            columns = np.empty((len(_NAMES), size))
            columns[:, : kept.shape[1]] = kept
            self._columns = columns
            self._start, self._stop = 0, kept.shape[1]
            stop = self._stop + len(rows)
        self._columns[:, self._stop : stop] = np.array(rows).T
        self._stop = stop

    def add(self, row: _Row) -> None:
        """Add one second: t_s, drop_v, sink_c, ambient_c, rail_v."""
        self._held.append(row)
        if len(self._held) >= _HELD:
            self._settle()

    def begin(self, t_s: float, why: str) -> None:
        """Begin anew with the second that ended at t_s; later than the newest one, empty."""
        times = self._column(0)
        self._start += int(np.searchsorted(times, t_s))
        self.began_s = float(self._columns[0, self._start]) if self._start < self._stop else math.nan
        self.began_why = why
        if why not in _BY_ITSELF or self.changed_s != self.changed_s:
            self.changed_s = self.began_s
        self.fresh = True

    def drop(self, t_s: float) -> None:
        """Take out the second that ended at t_s, unless the stretch begins with it."""
        times = self._column(0)
        at = int(np.searchsorted(times, t_s))
        if not 0 < at < len(times) or times[at] != t_s:
            return
        at += self._start
        self._columns[:, at : self._stop - 1] = self._columns[:, at + 1 : self._stop].copy()
        self._stop -= 1

    def leave_out(self, since_s: float) -> None:
        """Take out the seconds from since_s on, all but the newest one."""
        times = self._column(0)
        at = self._start + int(np.searchsorted(times, since_s))
        newest = self._columns[:, self._stop - 1].copy()
        self._columns[:, at] = newest
        self._stop = at + 1


class _Side:
    """What decides where one channel's stretch begins."""

    def __init__(self, target_v: float) -> None:
        self.stretch = Stretch()
        self.turns = Turns(target_v)
        self.next_why = ""
        self.last_s = math.nan
        self.sink_c = math.nan
        self.sink_usual_k = 0.0
        self.looked = self.waited = 0
        self.frame_v = math.nan
        # The newest second waits for the one after it, which tells whether it stands alone.
        self.held: _Row | None = None
        self.before_v = math.nan

    def end(self, why: str) -> None:
        """End the stretch; the next second that is taken begins another."""
        if self.stretch.n:
            self.stretch.begin(math.inf, "")
        self.next_why = why
        self.clear()

    def clear(self) -> None:
        """Forget the level: something else than a hand moved the bias."""
        self.turns.clear()
        self.held = None
        self.before_v = math.nan

    def passed(self, row: _Row) -> tuple[_Row | None, bool]:
        """Hold this second; return the one before it, if any, and whether that one stood alone."""
        held, self.held = self.held, row
        if held is None:
            return None, False
        value, before_v, after_v = held[1], self.before_v, row[1]
        if before_v == before_v:
            scale = max(abs(value), self.turns.target_v)
            apart = abs(value - 0.5 * (before_v + after_v))
            quantum = self.turns.quantum if self.turns.quantum < scale else 0.0
            usual = _CLICK_TIMES * abs(after_v - before_v) + _CLICK_SIGMAS * self.turns.noise_v + QUANTA * quantum
            if apart > _CLICK_SHARE * scale + usual:
                return held, True
        self.before_v = value
        return held, False

    def leapt(self, sink_c: float) -> bool:
        """Tell whether the heatsink's sensor moved faster than a heatsink can, and remember its reading."""
        before, self.sink_c = self.sink_c, sink_c
        if before != before:
            return False
        step = abs(sink_c - before)
        leap = step > max(SINK_LEAP_K, _LEAP_TIMES * self.sink_usual_k)
        self.sink_usual_k += 0.05 * (min(step, SINK_LEAP_K) - self.sink_usual_k)
        return leap

    def look_at_frames(self, second: Second, channel: int) -> None:
        """Take the smallest step between two frames for the converter's: noise hides a finer one."""
        self.waited += 1
        if self.looked > _QUANTUM_SECONDS and self.waited < _QUANTUM_EVERY:
            return
        values = second.frame_mean[channel]
        before, self.frame_v = self.frame_v, float(values[-1])
        steps = np.abs(np.diff(values, prepend=before))
        steps = steps[steps > 1e-6 * self.turns.target_v]
        if len(steps):
            self.looked += 1
            self.waited = 0
            self.turns.quantum = min(self.turns.quantum, float(steps.min()))


class Stretches:
    """Keeps both channels' stretches, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._sides = (_Side(facts.target_v), _Side(facts.target_v))
        self.side: tuple[Stretch, Stretch] = (self._sides[0].stretch, self._sides[1].stretch)
        self._limiter = self._drive = self._mains = False
        # Where the rails stand; since when they are away from there, and since when where they are now.
        self._rail_v = math.nan
        self._away_s = math.nan
        self._away_v = math.nan
        self._there_s = math.nan

    def second(self, second: Second, now: Situation, stage: StageNow) -> None:
        """Take in one second."""
        for side in self._sides:
            side.stretch.fresh = False
        self._switched(now)
        stands = not now.alive_v < _STANDS_SHARE * self._facts.rail_v
        calm = now.mains and not now.drive and not second.switched and stands
        if not calm or now.drive_s < AFTER_MOVE_S or now.mains_s < AFTER_MOVE_S:
            if self._sides[0].stretch.n or self._sides[1].stretch.n:
                self._end("mains step")
            return
        rails = self._rails(second.t_s, now.alive_v, now)
        if rails == "moving":
            return
        for k, side in enumerate(self._sides):
            self._one(k, side, second, now, rails)
        if rails in ("back", "stepped"):
            self._away_s = math.nan

    def _switched(self, now: Situation) -> None:
        why = ""
        if now.mains and not self._mains:
            why = "mains on"
        elif now.limiter != self._limiter:
            why = "limiter"
        elif now.drive != self._drive:
            why = "drive off"
        self._mains, self._limiter, self._drive = now.mains, now.limiter, now.drive
        if why:
            self._end(why)

    def _end(self, why: str) -> None:
        for side in self._sides:
            side.end(why)
        self._rail_v = self._away_s = math.nan

    def _rails(self, t_s: float, rail_v: float, now: Situation) -> str:
        """Say what the rails do: "calm", "away", "back", "stepped" or "moving" (being turned up or down)."""
        if rail_v != rail_v:
            return "calm"
        stood_v = self._rail_v
        if stood_v != stood_v:
            if now.still_s < AFTER_MOVE_S:
                return "moving"
            self._rail_v = rail_v
            return "calm"
        off = abs(rail_v - stood_v)
        if self._away_s != self._away_s:
            if off <= STEP_SHARE * stood_v:
                self._rail_v = stood_v + min(now.dt_s / _RAIL_TAU_S, 1.0) * (rail_v - stood_v)
                return "calm"
            self._away_s = self._there_s = t_s
            self._away_v = rail_v
            return "away"
        if off <= BACK_SHARE * stood_v:
            return "back"
        if abs(rail_v - self._away_v) > 0.3 * STEP_SHARE * stood_v:
            self._away_v, self._there_s = rail_v, t_s
        if t_s - self._away_s < DIP_S:
            return "away"
        if t_s - self._there_s < AFTER_MOVE_S:
            # Still on their way, and nobody knows yet where to.
            self._end("mains step")
            return "moving"
        self._rail_v = rail_v
        return "stepped"

    def _one(self, k: int, side: _Side, second: Second, now: Situation, rails: str) -> None:
        stretch = side.stretch
        drop_v, sink_c = now.idle_drop_v(k), second.mean[SINK[k]]
        t_s = second.t_s
        # The unfinished second at the end of a record may end where the one before did.
        if drop_v != drop_v or t_s <= side.last_s:
            return
        first = not stretch.n
        if t_s - side.last_s > LONG_GAP_S and not first:
            side.end("gap")
            first = True
        if sink_c == sink_c and side.leapt(sink_c) and not first:
            side.end("sensor")
            first = True
        side.last_s = t_s
        row = (t_s, drop_v, sink_c, second.mean[AMBIENT], now.alive_v)
        stretch.add(row)
        stretch.load_share_v = now.load_share_v(k)
        if first:
            stretch.begin(t_s, side.next_why)
        side.look_at_frames(second, BIAS[k])
        if rails == "calm":
            before, alone = side.passed(row)
            if before is not None and alone:
                stretch.drop(before[0])
            elif before is not None:
                begins_s = side.turns.feed(before[0], before[1], before[4], stretch.began_s)
                if begins_s > stretch.began_s:
                    stretch.begin(begins_s, "pot turned")
        elif rails == "back":
            stretch.leave_out(self._away_s)
        elif rails == "stepped":
            stretch.begin(self._there_s, "mains step")
            side.clear()
