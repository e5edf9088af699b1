"""Fast limits, frame by frame: which reading has been outside the stage's limits for too long.

This is the part that must not wait for a second to end. What looks like a plain
limit may have a better name: a current that oscillation draws, an offset that a
missing rail causes. The frame itself and the last two minutes tell which.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from benchwarden.analysis.notice import trip
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
    StageNow,
)
from benchwarden.analysis.thermal_chain import device_rth_ja_k_per_w
from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.findings import Finding
from benchwarden.core.samples import BoolArray, FloatArray, SampleBlock

# After the mains contact closes or the rails are moved, reservoirs charge and
# feedback loops find their point. Common practice in loudspeaker protection is
# to wait 2 to 5 s; no source.
SETTLE_S = 4.0
CHARGE_S = 6.0
# No heatsink changes by this much from one frame to the next.
TEMPERATURE_JUMP_K = 8.0
# Reservoirs recharge through the shunts for a while after the signal stops.
AFTER_DRIVE_S = 2.5
# An output network's resistor lives for about a second at this level: too short
# to wait for whole seconds. Share of the rail, at least 3 V.
GROSS_SHARE, GROSS_V, GROSS_S = 0.06, 3.0, 0.25
# Later than this after HF came up (alone, or on both outputs), a rise of the current is another matter.
GROSS_FRESH_S = (15.0, 3.0)
_HISTORY = 120
_HF_COMPANY_V = 1.0


@dataclass(frozen=True)
class Watch:
    """One limit as the judge applies it to frame means.

    Attributes:
        settle: extra persistence while the amplifier is finding its point, seconds.
        idle_only: does not hold while the test signal is on.
    """

    channel: int
    low: float
    high: float
    for_s: float
    cause: str
    why: str
    settle_s: float = 0.0
    idle_only: bool = False


def watches(stage: StageNow, facts: Facts) -> list[Watch]:
    """Return the limits of a stage that are judged frame by frame.

    Limits of slope and spread stay with the board, which has the full scan rate.
    """
    found: list[Watch] = []
    unit = facts.unit
    # The signal's own current is known only as "on": anything up to clipping, on
    # both channels, square at worst (twice the half-sine mean of V / (pi R)).
    rail_v = 1.1 * facts.rail_v * max(stage.mains_pct, 10.0) / 100.0
    clipped_a = 2.0 * 1.3 * rail_v / (math.pi * unit.load_ohm) * 1.3
    for limit in stage.figures.limits:
        if limit.kind != "value" or limit.cause not in ("over-current", "dc-offset", "over-temperature"):
            continue
        channel, low, high = INDEX[limit.channel], limit.low, limit.high
        for_s = limit.for_ms / 1000.0
        if limit.cause == "over-current":
            nominal = stage.figures.expected[limit.channel].nominal
            # Foreign sets may feed a tuner or lamps from the rails: what is not
            # known to be a fault must not be called one.
            idle = max(high, 2.2 * nominal + 0.1)
            found.append(Watch(channel, low, idle, for_s, limit.cause, limit.why, 0.0, not stage.drive_on))
            if stage.drive_on:
                found[-1] = Watch(channel, low, max(idle, clipped_a), for_s, limit.cause, limit.why)
            else:
                found.append(Watch(channel, low, max(idle, clipped_a), for_s, limit.cause, limit.why))
        elif limit.cause == "dc-offset":
            found.append(Watch(channel, low, high, for_s, limit.cause, limit.why, SETTLE_S, not stage.drive_on))
            if not stage.drive_on:
                wide = max(2.0 * high, 3.0)
                found.append(Watch(channel, -wide, wide, max(for_s, 0.5), limit.cause, limit.why, SETTLE_S))
        elif channel in SINK:
            # Where the device's thermal resistance is a guess, so is a limit far
            # below what everybody accepts.
            least = 0.0 if unit.rth_jc_k_per_w is not None else (90.0 if unit.package == "metal-can" else 80.0)
            found.append(Watch(channel, low, max(high, least), max(for_s, 1.0), limit.cause, limit.why))
    return found


@dataclass
class _Run:
    """An unbroken stretch of frames outside one limit."""

    start_s: float = math.nan
    frames: int = 0
    last_v: float = math.nan
    jumped: bool = False


class Levels:
    """Applies the watches of the present stage; state carries over block borders."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._period_s = 1.0 / facts.rate_hz
        self._device_rth_ja = device_rth_ja_k_per_w(facts.unit)
        self._watches: list[Watch] = []
        self._index = np.empty(0, dtype=np.intp)
        self._low = np.empty(0)
        self._high = np.empty(0)
        self._runs: list[_Run] = []
        self._done: set[tuple[str, int]] = set()
        self._history: deque[tuple[float, list[float]]] = deque(maxlen=_HISTORY)
        self._history_index: int | None = None
        self._before: FloatArray = np.full(len(CHANNELS), np.nan)
        self._last_t_s = math.nan
        self._mains_before = False
        self._drive_s = -math.inf
        self._gross_s = [math.nan, math.nan]
        self._stage_drive = False
        self._moved_s = -math.inf
        self._moved_ref = np.full(2, np.nan)

    def set_stage(self, stage: StageNow) -> None:
        """Judge the following frames by this stage."""
        self._stage_drive = stage.drive_on
        # A run outside its limit goes on over a change of stage; a channel may have two.
        old = {(w.channel, w.idle_only): r for w, r in zip(self._watches, self._runs, strict=True)}
        self._watches = watches(stage, self._facts)
        self._index = np.array([w.channel for w in self._watches], dtype=np.intp)
        self._low = np.array([-math.inf if math.isnan(w.low) else w.low for w in self._watches])
        self._high = np.array([math.inf if math.isnan(w.high) else w.high for w in self._watches])
        self._runs = [old.get((w.channel, w.idle_only)) or _Run() for w in self._watches]

    def feed(self, block: SampleBlock) -> list[Finding]:
        """Judge frames that all belong to the present stage."""
        mean = block.mean.astype(np.float64)
        volts = np.abs(mean[:, (POS_V, NEG_V)])
        mains = self._mains(block, volts)
        edge = mains & ~np.concatenate([[self._mains_before], mains[:-1]])
        moved_s = self._moves(block.t_s, volts, edge)
        values = mean[:, self._index]
        with np.errstate(invalid="ignore"):
            over = ((values > self._high) | (values < self._low)) & mains[:, None]
        gross = (block.minimum[:, HF] > max(GROSS_V, GROSS_SHARE * self._facts.rail_v)) & mains[:, None]
        drive = self._drive(block)
        if over.any() or gross.any():
            found = self._judge(block, mean, volts, over, gross, drive, moved_s)
        else:
            found = self._rest()
            self._remember(block.t_s, mean)
            if drive.any():
                self._drive_s = float(block.t_s[np.flatnonzero(drive)[-1]])
        self._before = mean[-1]
        self._last_t_s = float(block.t_s[-1])
        self._mains_before = bool(mains[-1])
        return found

    def _mains(self, block: SampleBlock, volts: FloatArray) -> BoolArray:
        if "mains_on" in self._facts.known_bits:
            return block.mains_on
        standing: BoolArray = np.fmax(volts[:, 0], volts[:, 1]) > 0.1 * self._facts.rail_v
        return standing

    def _drive(self, block: SampleBlock) -> BoolArray:
        if "drive_on" in self._facts.known_bits:
            return block.drive_on | self._stage_drive
        return np.full(len(block), self._stage_drive)

    def _moves(self, t_s: FloatArray, volts: FloatArray, edge: BoolArray) -> FloatArray:
        """Return for each frame when the mains came on or a rail last rose noticeably."""
        tolerance = 0.03 * self._facts.rail_v
        out = np.full(len(t_s), self._moved_s)
        start = 0
        while start < len(t_s):
            with np.errstate(invalid="ignore"):
                away = ~(np.abs(volts[start:] - self._moved_ref) <= tolerance) & ~np.isnan(volts[start:])
            hit = away.any(axis=1) | edge[start:]
            if not hit.any():
                break
            at = start + int(np.argmax(hit))
            self._moved_ref = np.where(np.isnan(volts[at]), self._moved_ref, volts[at])
            self._moved_s = float(t_s[at])
            out[at:] = self._moved_s
            start = at + 1
        return out

    def _remember(self, t_s: FloatArray, mean: FloatArray) -> None:
        index = np.floor(t_s).astype(np.int64)
        new = np.empty(len(index), dtype=np.bool_)
        new[0] = index[0] != self._history_index
        new[1:] = index[1:] != index[:-1]
        for i in np.flatnonzero(new)[-_HISTORY:]:
            self._history.append((float(t_s[i]), mean[i].tolist()))
        self._history_index = int(index[-1])

    def _rest(self) -> list[Finding]:
        for run in self._runs:
            run.start_s = math.nan
        self._gross_s = [math.nan, math.nan]
        return []

    def _judge(
        self,
        block: SampleBlock,
        mean: FloatArray,
        volts: FloatArray,
        over: BoolArray,
        gross: BoolArray,
        drive: BoolArray,
        moved_s: FloatArray,
    ) -> list[Finding]:
        found: list[Finding] = []
        for i in range(len(block.t_s)):
            self._remember(block.t_s[i : i + 1], mean[i : i + 1])
            t_s = float(block.t_s[i])
            fresh = not t_s - self._last_t_s <= 3.0 * self._period_s + 1.0
            if drive[i]:
                self._drive_s = t_s
            driven = t_s - self._drive_s < AFTER_DRIVE_S
            rail = float(np.fmax(volts[i, 0], volts[i, 1]))
            found += self._gross(block, i, t_s, gross[i], mean[i], rail, driven, t_s - float(moved_s[i]))
            for k, watch in enumerate(self._watches):
                run = self._runs[k]
                if not over[i, k] or (watch.idle_only and driven):
                    run.start_s = math.nan
                    continue
                if math.isnan(run.start_s) or fresh:
                    run.start_s = t_s - self._period_s
                    run.frames = 0
                    run.last_v = math.nan
                    step = mean[i, watch.channel] - self._before[watch.channel]
                    run.jumped = bool(abs(step) > TEMPERATURE_JUMP_K) and watch.channel in SINK
                run.frames += 1
                finding = self._ripe(watch, run, t_s, mean[i], volts[i], block, i, float(moved_s[i]))
                if finding is not None and (finding.cause, watch.channel) not in self._done:
                    self._done.add((finding.cause, watch.channel))
                    found.append(finding)
            self._before = mean[i]
            self._last_t_s = t_s
        return found

    def _gross(
        self,
        block: SampleBlock,
        i: int,
        t_s: float,
        gross: BoolArray,
        values: FloatArray,
        rail: float,
        driven: bool,
        still_s: float,
    ) -> list[Finding]:
        """Oscillation over a good part of the rail, in every scan of some frames."""
        for k, side in enumerate(SIDES):
            if not gross[k]:
                self._gross_s[k] = math.nan
                continue
            if math.isnan(self._gross_s[k]):
                self._gross_s[k] = t_s - self._period_s
            level, other = float(block.minimum[i, HF[k]]), float(block.minimum[i, HF[1 - k]])
            if t_s - self._gross_s[k] < GROSS_S or ("oscillation", HF[k]) in self._done:
                continue
            amps = (float(values[POS_A]) + float(values[NEG_A])) / 2.0
            # The seconds just before: two minutes ago the pots may have stood elsewhere.
            fresh_past = [v[POS_A] + v[NEG_A] for t, v in self._history if -10.0 < t - self._gross_s[k] < 0.0]
            now_past = sorted(a for a in fresh_past if a == a)
            past = now_past[len(now_past) // 2] / 2.0 if now_past else (self._past(POS_A) + self._past(NEG_A)) / 2.0
            alone = not other > 0.15 * level
            fed = amps > past + max(0.03, (0.1 if alone else 0.5) * past) and still_s > 4.0
            # Reservoirs that follow a step of the mains draw current too.
            stood = [abs(v[POS_V]) for _, v in list(self._history)[-3:]]
            fresh = t_s - self._gross_s[k] < GROSS_FRESH_S[0 if alone else 1]
            fed = fed and fresh and all(abs(abs(float(values[POS_V])) - v) < 0.006 * self._facts.rail_v for v in stood)
            if (fed and level >= other and not driven) or (alone and level > (0.15 if driven else 0.1) * rail):
                self._done.add(("oscillation", HF[k]))
                why = (
                    f"{level:.1f} V above 100 kHz on the {side} output in every scan for {t_s - self._gross_s[k]:.1f} s"
                )
                return [trip(t_s, "oscillation", side, why)]
        return []

    def _ripe(
        self,
        watch: Watch,
        run: _Run,
        t_s: float,
        values: FloatArray,
        volts: FloatArray,
        block: SampleBlock,
        i: int,
        moved_s: float,
    ) -> Finding | None:
        """Return the finding when this run has lasted long enough, under its right name."""
        value = float(values[watch.channel])
        since_moved = t_s - moved_s
        if watch.channel in (POS_A, NEG_A):
            rail = float(volts[0 if watch.channel == POS_A else 1])
            if since_moved <= CHARGE_S and rail > run.last_v + 0.002 * self._facts.rail_v:
                # The rail still climbs: this is charge, not a load.
                run.start_s = t_s - self._period_s
            run.last_v = rail
        need_s = watch.for_s
        if watch.settle_s and since_moved < watch.settle_s + 2.0 and abs(value) < 0.5 * float(np.nanmax(volts)):
            need_s = max(need_s, watch.settle_s)
        # One frame alone may straddle a change that its bits do not show yet.
        early = watch.idle_only and run.frames < 2
        if t_s - run.start_s < need_s - 1e-9 or run.jumped or early:
            return None
        if watch.cause == "over-current" and watch.idle_only and value < watch.high + self._warmth_a(values, volts):
            return None
        limit = watch.high if value > watch.high else watch.low
        shown = f"{value:.4g} against a limit of {limit:.4g} for {t_s - run.start_s:.1f} s"
        return self._named(watch, t_s, values, volts, block, i, shown)

    def _warmth_a(self, values: FloatArray, volts: FloatArray) -> float:
        """Return what sinks still hot from the signal can add to the rail current of stable stages, amperes.

        A stage of loop gain g answers dT with g dT / (Vcc Rth ja) in each device;
        g = 1 is the edge (stable if dP/dTj < 1/Rth, textbook relation).
        """
        if self._drive_s == -math.inf:
            return 0.0
        room_c = float(values[AMBIENT]) if values[AMBIENT] == values[AMBIENT] else 25.0
        rise_k = sum(max(float(values[c]) - room_c, 0.0) for c in SINK if values[c] == values[c])
        rail = max(float(np.fmax(volts[0], volts[1])), 0.5 * self._facts.rail_v)
        return self._facts.unit.output_pairs * rise_k / (rail * self._device_rth_ja)

    def _named(
        self, watch: Watch, t_s: float, values: FloatArray, volts: FloatArray, block: SampleBlock, i: int, shown: str
    ) -> Finding:
        name = CHANNELS[watch.channel]
        if watch.cause == "over-current":
            rail = self._lost_rail(values, volts)
            if rail:
                return trip(t_s, "rail-missing", rail, f"{rail} at {float(volts.min()):.1f} V; {name} {shown}")
            for side, offset in zip(SIDES, OFFSET, strict=True):
                level = abs(float(values[offset]))
                loaded = self._facts.unit.load_connected and level > 2.0
                if loaded and level / self._facts.unit.load_ohm > 0.5 * abs(float(values[watch.channel])):
                    why = f"{name} {shown}: {level:.1f} V of DC across the {side} load draws it"
                    return trip(t_s, "dc-offset", side, why)
            for side, hf in zip(SIDES, HF, strict=True):
                level = float(block.minimum[i, hf])
                if level > max(_HF_COMPANY_V, 4.0 * self._past(hf)):
                    why = f"{name} {shown}, with {level:.2f} V above 100 kHz on the {side} output"
                    return trip(t_s, "oscillation", side, why)
            grown = self._grown(watch.channel, t_s, values)
            if grown is not None:
                side, words = grown
                return trip(t_s, "thermal-runaway", side, f"{name} {shown}; {words}")
            side = self._overbiased(watch.channel, values, volts)
            if side:
                drop = float(values[BIAS[SIDES.index(side)]])
                return trip(t_s, "bias-unstable", side, f"{name} {shown}; it is the bias {side}, {drop * 1e3:.1f} mV")
            place = self._side(values) or ("positive rail" if watch.channel == POS_A else "negative rail")
            return trip(t_s, "over-current", place, f"{name} {shown}")
        if watch.cause == "dc-offset":
            rail = self._lost_rail(values, volts)
            if rail:
                return trip(t_s, "rail-missing", rail, f"{rail} at {float(volts.min()):.1f} V; {name} {shown}")
            return trip(t_s, "dc-offset", SIDES[OFFSET.index(watch.channel)], f"{name} {shown}")
        side = SIDES[SINK.index(watch.channel)] if watch.channel in SINK else name
        return trip(t_s, watch.cause, side, f"{name} {shown}")

    def _overbiased(self, channel: int, values: FloatArray, volts: FloatArray) -> str:
        """Return the side whose bias accounts for the current, "" if none: high, but no short."""
        drops = [float(values[b]) for b in BIAS]
        target = self._facts.target_v
        implied = sum(max(d, 0.0) for d in drops if d == d) * self._facts.amps_per_bias_v
        high = max(range(2), key=lambda k: drops[k] if drops[k] == drops[k] else -1.0)
        plain = 2.0 * target < drops[high] < 15.0 * target and implied > 0.6 * float(values[channel])
        standing = float(volts.min()) > 0.7 * float(volts.max()) and float(volts.max()) > 0.3 * self._facts.rail_v
        return SIDES[high] if plain and standing else ""

    def _lost_rail(self, values: FloatArray, volts: FloatArray) -> str:
        """Return the rail that is gone or going, "" if both stand: both outputs then lean to the other one."""
        low, high = float(volts.min()), float(volts.max())
        if not high > 5.0 or math.isnan(low):
            return ""
        weak = 0 if volts[0] < volts[1] else 1
        sign = 1.0 if weak else -1.0
        leaning = all(sign * float(values[o]) > 0.3 * high for o in OFFSET)
        if low < 0.2 * high or (leaning and low < 0.85 * high):
            return ("positive rail", "negative rail")[weak]
        return ""

    def _side(self, values: FloatArray) -> str:
        """Return the side through whose emitter resistor the current goes, "" where that is not clear."""
        drops = [float(values[b]) for b in BIAS]
        for k in range(2):
            if drops[k] > 5.0 * self._facts.target_v and drops[1 - k] < 0.3 * drops[k]:
                return SIDES[k]
        return ""

    def _past(self, channel: int) -> float:
        """Median of the last two minutes, leaving out the newest two seconds."""
        old = sorted(v[channel] for _, v in list(self._history)[:-2] if v[channel] == v[channel])
        return old[len(old) // 2] if old else 0.0

    def _grown(self, channel: int, t_s: float, values: FloatArray) -> tuple[str, str] | None:
        """Tell a current that grew with one bias, step by step, from one that was simply there."""
        past = [(t, v) for t, v in self._history if t_s - 60.0 <= t <= t_s - 1.5]
        if len(past) < 3:
            return None
        for side, bias in zip(SIDES, BIAS, strict=True):
            track = [v[bias] for _, v in past if v[bias] == v[bias]]
            now = float(values[bias])
            if len(track) < 3 or not now > 2.0 * self._facts.target_v:
                continue
            steps = [b - a for a, b in zip(track, [*track[1:], now], strict=True)]
            rise = now - min(track)
            # Grown: at least three seconds took part, none of them most of it.
            if rise > 0.5 * now and max(steps) < 0.7 * rise and sum(s > 0.05 * rise for s in steps) >= 3:
                return side, f"bias {side} grew from {min(track) * 1e3:.1f} to {now * 1e3:.1f} mV without a step"
        return None
