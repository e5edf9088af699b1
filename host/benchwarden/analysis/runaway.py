"""Does the bias feed itself? Each kelvin raises the current that makes the next kelvin.

The trip is a forecast. While a channel idles, its thermal loop is fitted to the record
(`thermal_loop`) and run forward (`forecast`); where the choices that the record leaves
open agree that the safe limit is reached within the horizon, the relay opens, minutes
before the limit is met. It is asked of several lengths of record, for a loop that has
changed lately shows in the newest part only. A quick path watches seconds: a junction
that leads its sink is gone before the sink has moved. With the test signal on
heat is forced and the bias hidden in the signal: there one channel is held against
the other (`parting`), and the rails against what warmth can make (`curve_path`).
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from benchwarden.analysis.curve_path import CurvePath
from benchwarden.analysis.forecast import Forecast, forecast
from benchwarden.analysis.notice import trip
from benchwarden.analysis.parting import Partings
from benchwarden.analysis.quick_growth import QuickGrowth
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import AMBIENT, NEG_A, POS_A, SIDES, SINK, Facts, Situation, StageNow
from benchwarden.analysis.stretches import Stretch, Stretches
from benchwarden.analysis.thermal_loop import LoopFit, Record, SinkBefore, fit_loop, usual_sink
from benchwarden.core.findings import Finding

# Time to act, with room to spare, and short enough that a forecast means something.
HORIZON_S = 600.0
# Below this multiple of its target a bias is no danger yet, however it moves.
FROM_TIMES = 1.2
# It has to have grown by this within a minute to be asked about at all.
RISING = 1.002
_RISING_S = 60
SAFE_TIMES = 5.0
SURE = 0.975
_AGAIN_S = 8.0
_EVERY_S = 5.0
_EVERY_SHARE = 0.08
_LEAST_S = 20
_LEAST_END_S = 60
# A spreader that lags by a minute lets a healthy bias run ahead for two: what is no
# older is the quick path's matter.
_LEAST_TRIP_S = 150
_MOST_BLOCKS = 90
_LONGEST_S = 7200
# Newest parts of the record that are asked besides all of it, seconds.
_PARTS_S = (120, 360, 1200)
# A bare curve does not overrule a loop that sees the limit beyond this, or never.
_FAR_S = HORIZON_S
# Deviations that a loop gain must lie below one to overrule a rise that merely looks unbounded.
_STABLE_TIMES = 2.5
# How far bias spreader and heatsink may be apart when a stretch begins, kelvin: both cold,
# both warm, or one still hot from the signal. Common practice, no source.
_START_K = {"mains on": 0.5, "drive off": 10.0}
_LATER_K = 2.0
# Sink and room this close when a run begins are both cold; so many seconds of it, soon after mains came on.
_COLD_K, _COLD_SECONDS, _COLD_WITHIN_S = 2.5, 20, 30.0
# A heatsink's resistance is taken along from stretch to stretch once it is known this well.
_KNOWN_SHARE, _KNOWN_S, _KEEP_TIMES = 0.3, 300.0, 1.5


class ColdStart:
    """How far a sink sensor reads above the ambient one while the set is cold.

    Attributes:
        above_k: mean of the first seconds, NaN until they were seen or if the sink was warm.
    """

    def __init__(self) -> None:
        self.above_k = math.nan
        self._sum = 0.0
        self._n = 0

    def second(self, sink_c: float, ambient_c: float, now: Situation) -> None:
        """Take in one second; only those before power has warmed anything count."""
        above = sink_c - ambient_c
        if self._n >= _COLD_SECONDS or above != above or now.mains_s > _COLD_WITHIN_S:
            return
        self._n += 1
        self._sum += above
        mean = self._sum / self._n
        self.above_k = mean if abs(mean) < _COLD_K else math.nan


class _Side:
    """One idling channel: when to look again, and what was seen."""

    def __init__(self, facts: Facts) -> None:
        self.next_s = -math.inf
        self.sure_s = math.nan
        self.sink = usual_sink(facts)
        self.fit: LoopFit | None = None
        # The fitted loop leaves no doubt that there is an equilibrium.
        self.is_stable = False
        self.known: tuple[LoopFit | None, Forecast | None] = (None, None)
        self.forecast: Forecast | None = None
        self.look_s = -math.inf
        self.cold = ColdStart()
        self.minute: deque[float] = deque(maxlen=_RISING_S)

    def is_far(self) -> bool:
        """Return whether the newest loop sees no limit for a long while; False where there is none."""
        return self.forecast is not None and self.forecast.reach_s[1] > _FAR_S

    def forget(self) -> None:
        """A new stretch: what was fitted no longer holds, the heatsink stays."""
        self.next_s, self.sure_s = -math.inf, math.nan
        self.fit = self.forecast = None
        self.is_stable = False
        self.minute.clear()


class Runaway:
    """Watches both channels' bias and the rail current, one second at a time."""

    def __init__(self, facts: Facts, stretches: Stretches) -> None:
        self._facts = facts
        self._stretches = stretches
        self._sides = (_Side(facts), _Side(facts))
        self._quick = QuickGrowth(facts)
        self._partings = Partings(facts)
        self._curves = CurvePath(facts)

    def fit(self, k: int) -> tuple[LoopFit | None, Forecast | None]:
        """Return the newest loop of a channel and where it leads.

        None where not known; no forecast is made of the first minute.
        """
        return self._sides[k].fit, self._sides[k].forecast

    def known(self, k: int) -> tuple[LoopFit | None, Forecast | None]:
        """Return the same from the last record of a channel that was long enough to mean something."""
        return self._sides[k].known

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        """Judge one second."""
        current = (second.mean[POS_A] + second.mean[NEG_A]) / 2.0
        found: list[Finding] = []
        for k, side in enumerate(self._sides):
            stretch = self._stretches.side[k]
            side.cold.second(second.mean[SINK[k]], second.mean[AMBIENT], now)
            if stretch.fresh:
                side.forget()
            if stretch.n:
                found += self._idle(k, side, stretch, second, now)
        found += self._quick.second(second, now)
        calm = self._curves.calm(second, now)
        found += self._partings.second(second, now, current, calm)
        # Nothing is asked of the curve of a channel whose loop tells its end, or a limit far off.
        limits = [
            math.nan if s.is_stable or s.is_far() else self._limit_v(k, second, now) for k, s in enumerate(self._sides)
        ]
        return found + self._curves.second(second, now, current, calm, limits)

    def _idle(self, k: int, side: _Side, stretch: Stretch, second: Second, now: Situation) -> list[Finding]:
        value = now.idle_drop_v(k)
        if value != value:
            return []
        side.minute.append(value)
        hot = value > FROM_TIMES * self._facts.target_v and value > RISING * side.minute[0]
        due = second.t_s >= side.next_s
        if not due and not (hot and second.t_s >= side.look_s):
            return []
        span = stretch.span_s
        if stretch.n < _LEAST_S or not value > 0.1 * self._facts.target_v:
            return []
        side.look_s = second.t_s + _EVERY_S
        limit_v = self._limit_v(k, second, now)
        side.next_s = second.t_s + max(_EVERY_S, _EVERY_SHARE * span)
        if span <= _LONGEST_S or side.fit is None:
            self._fit_all(side, stretch, limit_v, span, second.t_s)
        if not hot or span < _LEAST_TRIP_S:
            side.sure_s = math.nan
            return []
        best = self._soonest(side, stretch, limit_v, span, second.t_s)
        if best is None:
            side.sure_s = math.nan
            return []
        if side.sure_s != side.sure_s:
            side.sure_s = second.t_s
        if second.t_s - side.sure_s < _AGAIN_S:
            return []
        return [trip(second.t_s, "thermal-runaway", SIDES[k], self._words(k, value, best))]

    def _fit_all(self, side: _Side, stretch: Stretch, limit_v: float, span: float, at_s: float) -> None:
        fit = self._fitted(stretch, _LONGEST_S, side)
        side.fit, side.forecast = fit, None
        side.is_stable = fit is not None and fit.gain + _STABLE_TIMES * fit.gain_sd < 1.0
        if fit is None:
            return
        if span >= _LEAST_END_S:
            side.forecast = forecast(fit, self._facts, limit_v, HORIZON_S, at_s)
        if span > _LEAST_TRIP_S:
            side.known = (fit, side.forecast)
        known, sd = fit.sink.mean_k_per_w(), fit.sink.sd_k_per_w()
        if span > _KNOWN_S and sd < _KNOWN_SHARE * known:
            side.sink = SinkBefore(known, max(_KEEP_TIMES * sd, 0.1 * known))

    def _soonest(
        self, side: _Side, stretch: Stretch, limit_v: float, span: float, at_s: float
    ) -> tuple[LoopFit, Forecast] | None:
        """Return the fit that is sure of the soonest limit, None where none is sure."""
        seen: list[tuple[LoopFit, Forecast]] = []
        if side.fit is not None and side.forecast is not None and side.fit.is_of_heat:
            seen.append((side.fit, side.forecast))
        for part_s in _PARTS_S:
            if part_s < 0.8 * span:
                fit = self._fitted(stretch, part_s, side)
                if fit is not None and fit.is_of_heat:
                    seen.append((fit, forecast(fit, self._facts, limit_v, HORIZON_S, at_s)))
        sure = [(fit, told) for fit, told in seen if told.within_p >= SURE]
        return min(sure, key=lambda pair: pair[1].reach_s[1]) if sure else None

    def _fitted(self, stretch: Stretch, last_s: int, side: _Side) -> LoopFit | None:
        record = _record(stretch, last_s, self._facts.rail_v, side.cold.above_k)
        if record is None:
            return None
        return fit_loop(record, self._facts, side.sink)

    def _limit_v(self, k: int, second: Second, now: Situation) -> float:
        """Return the drop that must not be reached: a device at its safe junction, or five times target."""
        facts = self._facts
        relative = SAFE_TIMES * facts.target_v
        if not now.alive_v > 1.0:
            return relative
        sink_c = second.mean[SINK[k]]
        room_k = facts.tj_safe_c - (sink_c if sink_c == sink_c else 60.0)
        amps = max(room_k, 1.0) / facts.device_k_per_w / now.alive_v
        return max(min(relative, amps * facts.unit.emitter_resistor_ohm), 1.5 * facts.target_v)

    def _words(self, k: int, value: float, best: tuple[LoopFit, Forecast]) -> str:
        fit, told = best
        low, high = fit.interval()
        early, middle, late = told.reach_s
        until = f"{early:.0f} to {late:.0f} s" if math.isfinite(late) else f"{early:.0f} s or more"
        return (
            f"bias {SIDES[k]} {value * 1e3:.1f} mV (target {self._facts.target_v * 1e3:.1f}) and its loop gain is "
            f"{fit.gain:.2f} ({low:.2f} to {high:.2f}): it does not settle, and reaches its safe limit of "
            f"{told.limit_v * 1e3:.0f} mV in about {middle:.0f} s ({until})"
        )


def _record(stretch: Stretch, last_s: int, rail_v: float, cold_k: float) -> Record | None:
    """Return the newest seconds of a stretch in equal blocks, None where the sink is not known."""
    n = min(stretch.n, last_s)
    per = max(n // _MOST_BLOCKS, 1)
    count = n // per
    first = stretch.n - count * per
    times = stretch.t_s[first:]
    sink = stretch.sink_c[first:]
    if count < 2 or bool(np.isnan(sink).any()):
        return None
    rail = stretch.rail_v[first:]
    if bool(np.isnan(rail).any()):
        rail = np.full(len(rail), rail_v)
    means = [
        column.reshape(count, per).mean(axis=1)
        for column in (stretch.drop_v[first:], sink, stretch.ambient_c[first:], rail)
    ]
    period = float(times[-1] - times[0]) / max(len(times) - 1, 1) * per
    whole = count * per >= stretch.n - per
    start_k = _START_K.get(stretch.began_why, _LATER_K) if whole else _LATER_K
    drop, warm, room, volts = means
    since_s = float(times[0]) - stretch.changed_s
    return Record(period, drop, warm, room, volts, start_k, since_s, cold_k)
