"""Fast limits, frame by frame: which reading has been outside the stage's limits for too long?

This is the part that must not wait for a second to end. Quiet stretches are passed
over as arrays; only frames with something outside its limit are looked at one by one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchwarden.analysis.level_names import HISTORY, RAILS, Past, is_bias_running_ahead, named
from benchwarden.analysis.level_watches import Watch, watches
from benchwarden.analysis.notice import trip
from benchwarden.analysis.situation import (
    AMBIENT,
    HF,
    NEG_A,
    NEG_V,
    POS_A,
    POS_V,
    SIDES,
    SINK,
    Facts,
    StageNow,
)
from benchwarden.analysis.thermal_chain import device_rth_ja_k_per_w
from benchwarden.core.channels import CHANNELS
from benchwarden.core.findings import Finding
from benchwarden.core.samples import BoolArray, FloatArray, SampleBlock

CHARGE_S = 6.0
# DC into a loudspeaker: this energy moves and warms its coil without harm; a switch-on
# thump is less (common practice, no source). No quicker than two frames.
LOAD_J, LOAD_LEAST_S = 8.0, 0.2
EMPTIES_SHARE = 0.55
# No heatsink changes by this much from one frame to the next.
TEMPERATURE_JUMP_K = 8.0
# Reservoirs recharge through the shunts for a while after the signal stops.
AFTER_DRIVE_S = 2.5
# An output network's resistor lives for about a second at this level: too short
# to wait for whole seconds. Share of the rail, at least 3 V.
GROSS_SHARE, GROSS_V, GROSS_S = 0.06, 3.0, 0.25
# 30 % of a 40 V rail is 7 W in 10 ohm: two frames have to do.
GROSS_AT_ONCE_S, NETWORK_OHM = 0.15, 10.0
# Later than this after HF came up (alone, or on both outputs), a rise of the current is another matter.
GROSS_FRESH_S = (15.0, 3.0)
# A rail without supply is emptied by what it feeds while the other stays: the output
# stage keeps in control until a few volts are left, and then puts the other rail on the
# load. By this share apart, seen falling in so many frames, it is known before that.
APART_SHARE, FALLS = 0.7, 2
_QUICK_LOOK = 64
_ENERGISED_A = 0.1
# The sink's limit keeps 25 K to the junction's rating. A sink that has come to rest
# just above it, at less than half a kelvin a minute, may use a fifth of that.
NEARLY_SETTLED_K, CLIMB_K_PER_S = 5.0, 0.5 / 60.0


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
        self._idle_only = np.empty(0, dtype=np.bool_)
        self._runs: list[_Run] = []
        self._done: set[tuple[str, int]] = set()
        self._seen = Past()
        self._history = self._seen.rows
        self._before: FloatArray = np.full(len(CHANNELS), np.nan)
        self._last_t_s = math.nan
        self._mains_before = False
        self._drive_s = -math.inf
        self._gross_s = [math.nan, math.nan]
        self._falls = [0, 0]
        self._stage_drive = False
        self._stage_on = True
        self._moved_s = -math.inf
        self._moved_ref = np.full(2, np.nan)

    def set_stage(self, stage: StageNow) -> None:
        """Judge the following frames by this stage."""
        self._stage_drive = stage.drive_on
        self._stage_on = stage.mains_pct > 0.0
        # A run outside its limit goes on over a change of stage; a channel may have two.
        old = {(w.channel, w.idle_only): r for w, r in zip(self._watches, self._runs, strict=True)}
        self._watches = watches(stage, self._facts)
        self._index = np.array([w.channel for w in self._watches], dtype=np.intp)
        self._low = np.array([-math.inf if math.isnan(w.low) else w.low for w in self._watches])
        self._high = np.array([math.inf if math.isnan(w.high) else w.high for w in self._watches])
        self._idle_only = np.array([w.idle_only for w in self._watches], dtype=np.bool_)
        self._runs = [old.get((w.channel, w.idle_only)) or _Run() for w in self._watches]

    def feed(self, block: SampleBlock) -> list[Finding]:
        """Judge frames that all belong to the present stage."""
        mean = block.mean.astype(np.float64)
        volts = np.abs(mean[:, (POS_V, NEG_V)])
        mains = self._mains(block, volts)
        edge = mains & ~np.concatenate([[self._mains_before], mains[:-1]])
        moved_s = self._moves(block.t_s, volts, edge)
        driven = self._driven(block)
        values = mean[:, self._index]
        with np.errstate(invalid="ignore"):
            over = ((values > self._high) | (values < self._low)) & mains[:, None]
            over &= ~(driven[:, None] & self._idle_only)
            apart = mains & (volts.min(axis=1) < APART_SHARE * volts.max(axis=1))
        gross = (block.minimum[:, HF] > max(GROSS_V, GROSS_SHARE * self._facts.rail_v)) & mains[:, None]
        hot = over.any(axis=1) | gross.any(axis=1) | apart
        found: list[Finding] = []
        at, stop = 0, len(block)
        index = np.floor(block.t_s).astype(np.int64)
        for i in np.flatnonzero(hot).tolist():
            if i > at:
                self._rest(block.t_s[at:i], index[at:i], mean[at:i])
            self._seen.keep(float(block.t_s[i]), int(index[i]), mean[i].tolist())
            found += self._frame(block, i, mean[i], volts[i], over[i], gross[i], bool(driven[i]), float(moved_s[i]))
            if apart[i]:
                found += self._falling(float(block.t_s[i]), mean[i], volts[i])
            self._before = mean[i]
            self._last_t_s = float(block.t_s[i])
            at = i + 1
        if at < stop:
            self._rest(block.t_s[at:], index[at:], mean[at:])
        self._mains_before = bool(mains[-1])
        return found

    def _mains(self, block: SampleBlock, volts: FloatArray) -> BoolArray:
        if "mains_on" in self._facts.known_bits:
            return block.mains_on
        standing: BoolArray = np.fmax(volts[:, 0], volts[:, 1]) > 0.1 * self._facts.rail_v
        # A short may hold the rails down: what draws that much is energised.
        drawing: BoolArray = np.fmax(block.mean[:, POS_A], block.mean[:, NEG_A]) > _ENERGISED_A
        # After the stage that switches off it is the reservoirs' charge; whether the relay
        # opened is asked elsewhere.
        return (standing | drawing) & self._stage_on

    def _driven(self, block: SampleBlock) -> BoolArray:
        """Return for each frame whether the test signal is on or was a moment ago."""
        drive = np.full(len(block), self._stage_drive)
        if "drive_on" in self._facts.known_bits:
            drive |= block.drive_on
        if not drive.any():
            return np.asarray(block.t_s - self._drive_s < AFTER_DRIVE_S)
        last_s = np.maximum.accumulate(np.where(drive, block.t_s, self._drive_s))
        self._drive_s = float(last_s[-1])
        return np.asarray(block.t_s - last_s < AFTER_DRIVE_S)

    def _moves(self, t_s: FloatArray, volts: FloatArray, edge: BoolArray) -> FloatArray:
        """Return for each frame when the mains came on or a rail last rose noticeably."""
        tolerance = 0.03 * self._facts.rail_v
        out = np.full(len(t_s), self._moved_s)
        start, look = 0, _QUICK_LOOK
        while start < len(t_s):
            part = volts[start : start + look]
            with np.errstate(invalid="ignore"):
                away = ~(np.abs(part - self._moved_ref) <= tolerance) & ~np.isnan(part)
            hit = away.any(axis=1) | edge[start : start + look]
            if not hit.any():
                start, look = start + look, 4 * look
                continue
            at = start + int(np.argmax(hit))
            self._moved_ref = np.where(np.isnan(volts[at]), self._moved_ref, volts[at])
            self._moved_s = float(t_s[at])
            out[at:] = self._moved_s
            start, look = at + 1, _QUICK_LOOK
        return out

    def _rest(self, t_s: FloatArray, index: npt.NDArray[np.int64], mean: FloatArray) -> None:
        """Pass over frames with nothing outside its limit, at least one."""
        first = np.flatnonzero(np.diff(index, prepend=index[0] - 1))
        for i in first[-HISTORY:].tolist():
            self._seen.keep(float(t_s[i]), int(index[i]), mean[i].tolist())
        for run in self._runs:
            run.start_s = math.nan
        self._gross_s = [math.nan, math.nan]
        self._falls = [0, 0]
        self._before = mean[-1]
        self._last_t_s = float(t_s[-1])

    def _frame(
        self,
        block: SampleBlock,
        i: int,
        mean: FloatArray,
        volts: FloatArray,
        over: BoolArray,
        gross: BoolArray,
        driven: bool,
        moved_s: float,
    ) -> list[Finding]:
        """Judge one frame that has something outside its limit."""
        t_s = float(block.t_s[i])
        fresh = not t_s - self._last_t_s <= 3.0 * self._period_s + 1.0
        rail = float(np.fmax(volts[0], volts[1]))
        found = self._gross(block, i, t_s, gross, mean, rail, driven, t_s - moved_s)
        for k, watch in enumerate(self._watches):
            run = self._runs[k]
            if not over[k]:
                run.start_s = math.nan
                continue
            if math.isnan(run.start_s) or fresh:
                run.start_s = t_s - self._period_s
                run.frames = 0
                run.last_v = math.nan
                step = mean[watch.channel] - self._before[watch.channel]
                run.jumped = bool(abs(step) > TEMPERATURE_JUMP_K) and watch.channel in SINK
            run.frames += 1
            shown = self._ripe(watch, run, t_s, mean, volts, t_s - moved_s)
            if not shown:
                continue
            least = block.minimum[i].astype(np.float64)
            finding = named(watch, t_s, mean, volts, least, self._seen, self._facts, shown)
            if (finding.cause, watch.channel) not in self._done:
                self._done.add((finding.cause, watch.channel))
                found.append(finding)
        return found

    def _falling(self, t_s: float, values: FloatArray, volts: FloatArray) -> list[Finding]:
        """Tell a rail that empties while the other stands, before the outputs follow the other."""
        weak = 0 if volts[0] < volts[1] else 1
        before = abs(float(self._before[(POS_V, NEG_V)[weak]]))
        low, high = float(volts[weak]), float(volts[1 - weak])
        # A reading that is gone from one frame to the next is none that was emptied.
        self._falls[weak] += before - low > 0.005 * high and low > 0.1 * high
        if self._falls[weak] < FALLS or ("rail-missing", weak) in self._done:
            return []
        then = [self._seen.lately(c, t_s, 10.0, 1.0 + self._falls[weak] * self._period_s) for c in (POS_V, NEG_V)]
        stood = abs(then[weak]) > 0.85 * abs(then[1 - weak]) > 0.3 * self._facts.rail_v
        stands = abs(high - abs(then[1 - weak])) < 0.1 * abs(then[1 - weak])
        amps, usual = float(values[(POS_A, NEG_A)[weak]]), self._seen.lately((POS_A, NEG_A)[weak], t_s, 10.0, 1.0)
        heavy = amps > 2.0 * usual + 0.2
        # A rail that comes to rest above half is an uneven one.
        if not (stood and stands) or heavy or low > EMPTIES_SHARE * high:
            return []
        self._done.add(("rail-missing", weak))
        words = f"{RAILS[weak]} down to {low:.1f} V from {abs(then[weak]):.1f} V while the other stands at {high:.1f} V"
        return [trip(t_s, "rail-missing", RAILS[weak], words)]

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
            up_s = t_s - self._gross_s[k]
            if ("oscillation", HF[k]) in self._done or up_s < (GROSS_AT_ONCE_S if level > 0.3 * rail else GROSS_S):
                continue
            alone = not other > 0.15 * level
            both_v = math.hypot(level, 0.0 if alone else other)
            fed = still_s > 4.0 and not driven and self._fed(k, values, both_v, rail, alone, t_s, up_s)
            far = alone and level > (0.15 * rail if driven else max(0.2 * rail, 6.0)) and up_s > 1.5 * self._period_s
            if far or (fed and level >= other):
                self._done.add(("oscillation", HF[k]))
                why = f"{level:.1f} V above 100 kHz on the {side} output in every scan for {up_s:.1f} s"
                return [trip(t_s, "oscillation", side, f"{why}{', and both rails feed it' if fed else ''}")]
        return []

    def _fed(
        self, k: int, values: FloatArray, level_v: float, rail: float, alone: bool, t_s: float, up_s: float
    ) -> bool:
        """Tell whether both rail currents rose, just when the level did, by what an output network burns.

        V^2 / (2 R) out of both rails is the least that a level at the terminal costs the
        set (energy), R being some 10 ohm; a transmitter's costs it nothing.
        """
        if up_s > GROSS_FRESH_S[0 if alone else 1]:
            return False
        since = [v for t, v in self._history if -10.0 < t - (t_s - up_s) < 0.0]
        # A level that goes up and down across the threshold had its onset long before.
        before = sorted(v[HF[k]] for v in since if v[HF[k]] == v[HF[k]])
        if before and before[len(before) // 2] > 0.5 * level_v:
            return False
        rises, usual = [], 0.0
        for channel in (POS_A, NEG_A):
            past = sorted(v[channel] for v in since if v[channel] == v[channel])
            now = float(values[channel])
            if past and now == now:
                middle = past[len(past) // 2]
                rises.append(now - middle)
                # Charging pulses in the reading, or a restless mains: beyond what it did before.
                usual = max(usual, past[-1] - middle)
        if not rises:
            return False
        least = 0.5 * level_v**2 / (2.0 * NETWORK_OHM) / (2.0 * max(rail, 1.0))
        # On both outputs a step of the mains could feign it: as much as devices cross-conduct.
        least = max(least, 0.01 if alone else 0.02 + 5e-3 * level_v, 1.5 * usual)
        # Reservoirs that follow a step of the mains draw current too; a load lets the rail sag.
        stood = [abs(v[POS_V]) for v in since[-3:] if v[POS_V] == v[POS_V]]
        lifted = any(abs(float(values[POS_V])) > v + 0.006 * self._facts.rail_v for v in stood)
        return min(rises) > least and not lifted

    def _ripe(
        self, watch: Watch, run: _Run, t_s: float, values: FloatArray, volts: FloatArray, since_moved: float
    ) -> str:
        """Return reading, limit and duration in words when this run has lasted long enough, "" before."""
        value = float(values[watch.channel])
        charging = False
        if watch.channel in (POS_A, NEG_A):
            rail = float(volts[0 if watch.channel == POS_A else 1])
            if since_moved <= CHARGE_S and rail > run.last_v + 0.002 * self._facts.rail_v:
                # The rail still climbs: this is charge, not a load.
                run.start_s = t_s - self._period_s
            # Whether it climbs takes two frames to see.
            charging = since_moved <= CHARGE_S and run.frames < 2
            run.last_v = rail
        need_s = watch.for_s
        if watch.settle_s and since_moved < watch.settle_s + 2.0 and abs(value) < 0.5 * float(np.nanmax(volts)):
            need_s = max(need_s, watch.settle_s)
        if watch.cause == "dc-offset" and self._facts.unit.load_connected:
            # A voice coil does not wait until the amplifier has found its point.
            need_s = min(need_s, max(LOAD_J * self._facts.unit.load_ohm / value**2, LOAD_LEAST_S))
        # One frame alone may straddle a change that its bits do not show yet.
        early = watch.idle_only and run.frames < 2
        if t_s - run.start_s < need_s - 1e-9 or run.jumped or early or charging:
            return ""
        if watch.cause == "over-current" and watch.idle_only:
            explained = value < watch.high + self._warmth_a(values, volts)
            if explained or is_bias_running_ahead(watch.channel, values, volts, self._facts):
                return ""
        limit = watch.high if value > watch.high else watch.low
        if watch.channel in SINK and value < limit + NEARLY_SETTLED_K and not self._climbs(watch.channel, value):
            return ""
        return f"{value:.4g} against a limit of {limit:.4g} for {t_s - run.start_s:.1f} s"

    def _climbs(self, channel: int, value: float) -> bool:
        """Tell a sink that goes on warming from one that has found its temperature."""
        past = [(t, v[channel]) for t, v in self._history if v[channel] == v[channel]]
        if not past or self._last_t_s - past[0][0] < 30.0:
            return True
        return value - past[0][1] > CLIMB_K_PER_S * (self._last_t_s - past[0][0])

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
