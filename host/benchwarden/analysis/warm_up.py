"""Where will the bias end, how soon, and what to set now? Fits on the calm stretch of each channel.

Two answers to the same question. With a sink sensor the thermal loop is fitted and run
forward (`thermal_loop`, `forecast`): where it comes to rest is the end. Without one, or
before that can be told, one and two exponentials of time in coloured noise are weighed
(`exponentials`). Fits run on a geometric schedule: an eighth more data each time.

States, decided by test:
- settled: the slope of the newest part, with its 95 % interval for autocorrelated
  noise, carries the bias by less than TOLERANCE within the next half hour (or within
  one time constant, if that is shorter), whichever way it goes (two one-sided tests),
  and the forecast end lies within twice TOLERANCE; left again when the slope is
  significantly more than that;
- drifting: after DRIFT_AFTER_S the slope is significant, would carry the bias beyond the
  tolerance within half an hour, does not slow down, and neither sink nor room move
  enough to explain it;
- settling: everything between; unknown: no calm stretch long enough.

TOLERANCE is 2 % of the target or 0.2 mV: less than the usual mains wander of one or two
percent does to an idle current, and what a hand meter on the resistor repeats to
(common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchwarden.analysis.exponentials import Prior, posterior, quantiles, weighted_quantiles
from benchwarden.analysis.loop_end import NO_END, loop_end
from benchwarden.analysis.notice import warning
from benchwarden.analysis.pot_advice import set_now_v, shift_to_target_v
from benchwarden.analysis.runaway import Runaway
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import SIDES, Facts, Situation, StageNow
from benchwarden.analysis.stretches import Stretch, Stretches
from benchwarden.analysis.trend import Line, line
from benchwarden.core.findings import Finding
from benchwarden.core.samples import FloatArray

TOLERANCE_SHARE = 0.02
TOLERANCE_V = 0.0002
AHEAD_S = 1800.0
DRIFT_AFTER_S = 1800.0
# Without a sink to look at, only this long a time rules a slow heatsink out.
DRIFT_BLIND_S = 7200.0
# A sink or a room that moves more than this within AHEAD_S explains a moving bias.
_STILL_K = 1.0
_FIRST_S = 30.0
_LEAST_STEP_S = 10.0
_STEP_SHARE = 0.2
_BLOCKS = 64
# Junction and case follow a switch or a turn within this; it is left out once there is enough else.
_CASE_S = 15
# What the day did more than three hours ago says little of the end.
_WINDOW_S = 10800
# Shortest constant: a case under its device. Longest: a large sink with its thermal loop.
_TAU_S = (3.0, 7200.0)
# Prior of the exponentials, as shares of the bias: amplitude, white noise at least, room's wander to come.
_AMPLITUDE = 0.4
_NOISE = 1e-4
_ROOM_SHARE = 0.01
_RAIL_TIMES = 3.0
# Mains to come, relative (common practice, no source).
_RAIL_WANDER = 0.008
# A load that leaves less of the target than this leaves nothing to set.
_LEAST_TARGET_SHARE = 0.1


@dataclass(frozen=True)
class WarmUpView:
    """What is known of one channel's warm-up; NaN where it is not.

    Attributes:
        state: "settled", "settling", "drifting" or "unknown".
        why: one sentence.
        now_v: bias drop as it reads, mean of the newest ten seconds when this was fitted.
        load_share_v: what of all drops here is DC through a load.
        final_v, final_95_v: where it ends and the 95 % interval, room and mains wandering as usual.
        tau_s, tau_95_s: slowest time constant.
        set_now_v: drop to set now so that it settles at target.
        stretch_s: length of the calm stretch.
        at_s: run time of its newest second.
    """

    state: str
    why: str
    now_v: float
    load_share_v: float
    final_v: float
    final_95_v: tuple[float, float]
    tau_s: float
    tau_95_s: tuple[float, float]
    set_now_v: float
    stretch_s: float
    at_s: float = math.nan


_NAN2 = (math.nan, math.nan)


def _unknown(why: str, now_v: float = math.nan, stretch_s: float = 0.0) -> WarmUpView:
    return WarmUpView("unknown", why, now_v, 0.0, math.nan, _NAN2, math.nan, _NAN2, math.nan, stretch_s)


def target_less_load_v(facts: Facts, load_share_v: float) -> float:
    """Return the target without what DC through a load adds: the pot is set by what the meter shows, load and all."""
    return max(facts.target_v - load_share_v, _LEAST_TARGET_SHARE * facts.target_v)


@dataclass(frozen=True)
class _End:
    """The end by one of the two ways."""

    final_v: float
    final_95_v: tuple[float, float]
    tau_s: float
    tau_95_s: tuple[float, float]
    set_now_v: float


class WarmUp:
    """Follows both channels, one second at a time."""

    def __init__(self, facts: Facts, stretches: Stretches, runaway: Runaway) -> None:
        self._facts = facts
        self._runaway = runaway
        self._stretches = stretches
        self._views = [_unknown("no calm idle time yet"), _unknown("no calm idle time yet")]
        self._last = list(self._views)
        self._next_s = [math.nan, math.nan]
        self._warned = [False, False]
        self.tolerance_v = max(TOLERANCE_SHARE * facts.target_v, TOLERANCE_V)

    def view(self, k: int) -> WarmUpView:
        """Return what is known of channel k now."""
        return self._views[k]

    def last_known(self, k: int) -> WarmUpView:
        """Return the newest view of channel k that knew an end, of an ended stretch too."""
        return self._last[k]

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        """Take in one second."""
        found: list[Finding] = []
        for k, side in enumerate(SIDES):
            stretch = self._stretches.side[k]
            if stretch.fresh:
                self._next_s[k] = stretch.began_s + _FIRST_S
                self._warned[k] = False
                if self._views[k].state != "unknown":
                    self._views[k] = _unknown(stretch.began_why or "no calm idle time")
            if not second.t_s >= self._next_s[k]:
                continue
            view = self._fit(k, stretch, self._views[k].state == "settled")
            self._views[k] = view
            self._next_s[k] = second.t_s + max(_LEAST_STEP_S, _STEP_SHARE * stretch.span_s)
            if view.final_v == view.final_v:
                self._last[k] = view
            if view.state == "drifting" and not self._warned[k]:
                self._warned[k] = True
                found.append(warning(second.t_s, "bias-unstable", side, f"bias {side} drifts: {view.why}"))
        return found

    def _fit(self, k: int, stretch: Stretch, was_settled: bool) -> WarmUpView:
        t_s, drop_v, sink_c, room_c, rail_v = _blocks(stretch)
        stretch_s = stretch.span_s
        share_v = stretch.load_share_v
        now_v = float(stretch.drop_v[-10:].mean())
        if len(t_s) < 12:
            return _unknown("too short to tell", now_v + share_v, stretch_s)
        if np.isnan(rail_v).any():
            rail_v = np.full(len(t_s), self._facts.rail_v)
        since_s = t_s - stretch.began_s
        relative = rail_v / float(rail_v.mean()) - 1.0
        target_v = target_less_load_v(self._facts, share_v)
        end = self._by_loop(k, target_v) or self._by_time(since_s, drop_v, relative, now_v, target_v)
        state, why = self._state(since_s, drop_v, sink_c, room_c, relative, end, now_v, stretch_s, was_settled)
        low, high = end.final_95_v
        return WarmUpView(
            state,
            why,
            now_v + share_v,
            share_v,
            end.final_v + share_v,
            (low + share_v, high + share_v),
            end.tau_s,
            end.tau_95_s,
            end.set_now_v + share_v,
            stretch_s,
            float(stretch.t_s[-1]),
        )

    def _by_time(
        self, since_s: FloatArray, drop_v: FloatArray, relative: FloatArray, now_v: float, target_v: float
    ) -> _End:
        level = max(self._facts.target_v, abs(float(drop_v.mean())))
        prior = Prior(_TAU_S, _AMPLITUDE * level, _RAIL_TIMES * level, level, _NOISE * level)
        weighed = posterior(since_s, drop_v, relative[:, None], prior)
        wander = math.hypot(_ROOM_SHARE, _RAIL_TIMES * _RAIL_WANDER) * level
        low, middle, high = quantiles(
            weighed.weight, weighed.final, np.hypot(weighed.final_sd, wander), (0.025, 0.5, 0.975)
        )
        tau_low, tau, tau_high = weighted_quantiles(weighed.weight, weighed.tau_s, (0.025, 0.5, 0.975))
        advice = set_now_v(now_v, shift_to_target_v(middle, target_v))
        return _End(middle, (low, high), tau, (tau_low, tau_high), advice)

    def _by_loop(self, k: int, target_v: float) -> _End | None:
        fit, told = self._runaway.fit(k)
        if fit is None or told is None:
            return None
        at = loop_end(fit, told, self._facts, target_v)
        if at is None:
            return _End(math.nan, _NAN2, math.nan, _NAN2, math.nan) if told.runaway_p > 1.0 - NO_END else None
        return _End(at.final_v, at.final_95_v, at.tau_s, at.tau_95_s, at.set_now_v)

    def _state(
        self,
        t_s: FloatArray,
        drop_v: FloatArray,
        sink_c: FloatArray,
        room_c: FloatArray,
        relative: FloatArray,
        end: _End,
        now_v: float,
        stretch_s: float,
        was_settled: bool,
    ) -> tuple[str, str]:
        """Return the state and one sentence for it."""
        last = slice(-max(len(t_s) // 3, 8), None)
        slope = _slope(t_s[last], drop_v[last], relative[last])
        tolerance = self.tolerance_v
        horizon_s = min(AHEAD_S, end.tau_s) if end.tau_s == end.tau_s else AHEAD_S
        most = (abs(slope.slope) + slope.half_width) * horizon_s
        shown = f"{slope.slope * 3.6e6:+.2f} +- {slope.half_width * 3.6e6:.2f} mV an hour"
        # Equivalence to get there, significance to leave again: noise alone does not toggle it.
        if was_settled:
            most = (abs(slope.slope) - slope.half_width) * horizon_s
        rest = abs(end.final_v - now_v)
        if stretch_s > 120.0 and most < tolerance and rest < (3.0 if was_settled else 2.0) * tolerance:
            return (
                "settled",
                f"{now_v * 1e3:.2f} mV, slope {shown}, tolerance {tolerance * 1e3:.2f} mV in {horizon_s:.0f} s",
            )
        if self._drifts(t_s, drop_v, sink_c, room_c, relative, slope, stretch_s):
            text = f"{now_v * 1e3:.2f} mV, slope {shown} after {stretch_s / 60.0:.0f} min of calm, not slowing down"
            return "drifting", text + ("" if np.isnan(sink_c).any() else "; sink and room stand still")
        if end.final_v != end.final_v:
            return "settling", f"{now_v * 1e3:.2f} mV, slope {shown}; no equilibrium in sight"
        return "settling", f"{now_v * 1e3:.2f} mV, slope {shown}, on its way to {end.final_v * 1e3:.2f} mV"

    def _drifts(
        self,
        t_s: FloatArray,
        drop_v: FloatArray,
        sink_c: FloatArray,
        room_c: FloatArray,
        relative: FloatArray,
        slope: Line,
        stretch_s: float,
    ) -> bool:
        blind = bool(np.isnan(sink_c).any())
        if stretch_s < (DRIFT_BLIND_S if blind else DRIFT_AFTER_S):
            return False
        # Twice the 95 % interval: about one chance in ten thousand for one look.
        if abs(slope.slope) < 2.0 * slope.half_width or abs(slope.slope) * AHEAD_S < self.tolerance_v:
            return False
        third = max(len(t_s) // 3, 8)
        before = _slope(t_s[-2 * third : -third], drop_v[-2 * third : -third], relative[-2 * third : -third])
        if slope.slope / before.slope < 0.7 if before.slope else False:
            return False
        for track in (sink_c, room_c):
            part = track[-third:]
            if not np.isnan(part).any() and abs(_slope(t_s[-third:], part, None).slope) * AHEAD_S > _STILL_K:
                return False
        return True


def _slope(t_s: FloatArray, y: FloatArray, relative: FloatArray | None) -> Line:
    """Return the straight line through a part of a track, what goes with the rails taken off.

    How far the bias follows the rails is held to what is usual: rails that sag while the
    set warms up go along with time, and would explain the warm-up away.
    """
    plain = line(t_s, y)
    if relative is None or plain.residual_sd == 0.0 or not float(np.ptp(relative)) > 0.0:
        return plain
    columns = np.column_stack([np.ones(len(t_s)), t_s - t_s.mean(), relative - relative.mean()])
    usual = np.array([0.0, 0.0, plain.residual_sd / (_RAIL_TIMES * abs(float(y.mean())) + 1e-9)])
    beta = np.linalg.lstsq(np.vstack([columns, usual]), np.append(y, 0.0), rcond=None)[0]
    return line(t_s, y - beta[2] * columns[:, 2])


def _blocks(stretch: Stretch) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return t_s, drop_v, sink_c, ambient_c, rail_v as means of equal blocks, the newest complete."""
    n = min(stretch.n, _WINDOW_S)
    if n > 4 * _CASE_S:
        n = min(n, stretch.n - _CASE_S)
    per = max(n // _BLOCKS, 1)
    count = min(n // per, _BLOCKS)
    columns = (stretch.t_s, stretch.drop_v, stretch.sink_c, stretch.ambient_c, stretch.rail_v)
    t_s, drop_v, sink_c, room_c, rail_v = (c[-count * per :].reshape(count, per).mean(axis=1) for c in columns)
    return t_s, drop_v, sink_c, room_c, rail_v
