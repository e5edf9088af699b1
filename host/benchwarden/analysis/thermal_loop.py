"""The thermal loop gain of one idling channel, from its own record, with an interval.

Round the loop: a kelvin at the sink asks for kappa volts more bias (device, driver and
bias spreader together); that makes G = 1 / (Re + (kT/q)/I) times as many amperes, those
make V watts each in 2 N devices, and these R kelvin each at the sink. The junction runs
ahead of its sink by what its own path makes, rho volts for each watt in one device, and
feeds that back at once: the sink's loop has it closed inside.

    gain = 2 N R dP/dT = 2 N R G V kappa / (1 - G V rho)

Below one a disturbance dies out, with the sink's time constant over 1 - gain; at or above
one it grows. The textbook's gain from junction to ambient, G V (2 N R kappa + rho), is one
together with it, but cannot be seen in a record: rho is known from the package alone.
kappa is what the voltage asked for follows once the sink's warmth has reached the
spreader; what follows at once, what the rail adds, what drivers do by themselves and what
the pot was set to are separate coefficients of the same fit, so mains is not taken for heat.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchwarden.analysis.bias_law import INNER_SD_OHM, LEAST_DROP_V, asked_v, slope_v_per_v, stretch
from benchwarden.analysis.sink_model import SinkFit, fading, fit_sink, smoothed
from benchwarden.analysis.situation import Facts
from benchwarden.analysis.thermal_chain import K_OVER_Q, VBE_TEMPCO_V_PER_K, sink_k_per_w
from benchwarden.analysis.weighing import Weighed, weigh
from benchwarden.core.samples import FloatArray

# A spreader screwed beside the devices follows in seconds, one glued to the far end
# in minutes; drivers and whatever else warms by itself after switch-on takes as long.
# Common practice, no source.
_SPREADER_S, _DRIVER_S = np.meshgrid(
    [10.0, 25.0, 60.0, 150.0, 400.0], [20.0, 33.0, 54.0, 88.0, 140.0, 230.0], indexing="ij"
)
LAG_S: FloatArray = _SPREADER_S.ravel()
OWN_S: FloatArray = _DRIVER_S.ravel()
_USUAL_LAG_S, _LAG_FACTOR = 40.0, 2.5
# Drivers run this much warmer than what they stand on, one deviation, at 2 mV/K.
_DRIVER_K = 12.0
_LEAST_BLOCKS = 8
# Before anything is seen: a set somewhere between tame and just unstable, its quick
# answer anywhere around that. In units of loop gain; common practice, no source.
_GAIN, _GAIN_SD = 0.7, 1.0
_QUICK, _QUICK_SD = 0.5, 1.5
# A spreader makes up for an output junction and a driver's, 2 mV/K each.
_SPREADER_V_PER_K = 2.0 * VBE_TEMPCO_V_PER_K
# No more than junctions and spreader can: an uncompensated stage with its driver asks for
# 4 mV/K less, a well compensated one for nothing.
_SLOW_V_PER_K, _QUICK_V_PER_K, _MOST_V_PER_K = 0.001, 0.002, 0.004
# Beyond what junctions can ask for by so much, something else than this sink moved the bias.
_BEYOND_V_PER_K = 1.5 * _MOST_V_PER_K
# What the rail adds: the spreader is fed from it. Volts of bias per unit of rail.
_LINE_SD_V = 0.05
# The path from junction to sink is known from the package alone.
_PATH_SHARE_SD = 0.35
_USUAL_SHARE_SD = 0.8
# What is left of it later: they follow their own heat as well.
_LATER_K = 0.3
_FLOOR_V = 2e-6
# No set is quite what the fit takes it for: chosen on simulated sets so that 95 % intervals cover.
_SD_TIMES, _LEAST_SD = 1.35, 0.03
# Junctions that outrun themselves are the quick path's matter.
_LEAST_LEFT = 0.2


@dataclass(frozen=True)
class Record:
    """Equal blocks of an idling channel's record, oldest first; shape (n,) each.

    Attributes:
        period_s: length of one block.
        drop_v, sink_c, rail_v: means; ambient_c: NaN without a sensor.
        start_k: how far the spreader may have been from its sink when the record began.
        since_s: how long before the record's first block mains, limiter or drive were last changed.
        cold_k: sink sensor above the ambient one when both were cold, NaN if they were not seen so.
    """

    period_s: float
    drop_v: FloatArray
    sink_c: FloatArray
    ambient_c: FloatArray
    rail_v: FloatArray
    start_k: float
    since_s: float
    cold_k: float = math.nan


@dataclass(frozen=True)
class SinkBefore:
    """What was known of a heatsink before this record: kelvin per watt and its standard deviation."""

    k_per_w: float
    sd: float


@dataclass(frozen=True)
class LoopFit:
    """What the record says about one channel's loop, at its newest current.

    Attributes:
        gain, gain_sd: thermal loop gain through the heatsink.
        at_once: what the junctions feed back before the sink moves, from the package's facts.
        drop_v, sink_c, rail_v: where the record ends.
        law: coefficients (constant, after the lag, at once, the spreader's start, the drivers' own
            warmth, rail) for each choice of lags, shape (choices, 6).
        rise_c: how far the sink has come since the record began.
        lagged_c: the same as the spreader feels it, shape (choices,).
        fading, own_fading: what is left of start and drivers' own way, shape (choices,).
        heat_v_per_v: what the junction's own path adds for each volt of drop, less the device's ohmic part.
        stretched: see `bias_law.stretch`.
        junction_c: temperature the transistor law was taken at.
        blocks: how many blocks it rests on; period_s: of one.
    """

    gain: float
    gain_sd: float
    at_once: float
    drop_v: float
    sink_c: float
    rail_v: float
    sink: SinkFit
    law: Weighed
    rise_c: float
    lagged_c: FloatArray
    fading: FloatArray
    own_fading: FloatArray
    heat_v_per_v: float
    stretched: float
    junction_c: float
    blocks: int
    period_s: float

    def interval(self) -> tuple[float, float]:
        """Return the 95 % interval of the gain."""
        return self.gain - 1.96 * self.gain_sd, self.gain + 1.96 * self.gain_sd

    @property
    def is_of_heat(self) -> bool:
        """Return whether junctions can ask for what this fit puts down to their sink's warmth.

        A door that opens, or cases that cool after the signal, move a bias more than their sink.
        """
        return float(self.law.weight @ self.law.beta[:, 1]) < _BEYOND_V_PER_K

    def times_at(self, drop_v: float) -> float:
        """Return the gain where the bias settles at drop_v over the gain now.

        More current conducts better, a hotter sink cools better.
        """
        conducts = slope_v_per_v(drop_v, self.junction_c, self.stretched)
        conducts /= slope_v_per_v(self.drop_v, self.junction_c, self.stretched)
        sink = self.sink
        cools = float(sink.weight @ (drop_v / self.drop_v) ** (-sink.excess / (1.0 + sink.excess)))
        return conducts * cools * (1.0 - self.at_once) / max(1.0 - conducts * self.at_once, _LEAST_LEFT)


def usual_sink(facts: Facts) -> SinkBefore:
    """Return what a set of this power usually has: anything between a third and three times."""
    usual = sink_k_per_w(facts.unit)
    return SinkBefore(usual, _USUAL_SHARE_SD * usual)


def fit_loop(blocks: Record, facts: Facts, before: SinkBefore) -> LoopFit | None:
    """Return the loop of a stretch, None where it is too short or a reading is missing.

    Args:
        blocks: calm idle.
        before: the heatsink as known so far; `usual_sink` when nothing is.
    """
    n = len(blocks.drop_v)
    needed = np.concatenate([blocks.drop_v, blocks.sink_c, blocks.rail_v])
    if n < _LEAST_BLOCKS or not bool(np.isfinite(needed).all()) or float(blocks.drop_v.min()) < LEAST_DROP_V:
        return None
    unit = facts.unit
    pairs, emitter = unit.output_pairs, unit.emitter_resistor_ohm
    device_w = blocks.rail_v * blocks.drop_v / emitter
    heat_w = 2.0 * pairs * device_w
    sink = fit_sink(heat_w, blocks.sink_c, blocks.ambient_c, blocks.period_s, before.k_per_w, before.sd, blocks.cold_k)
    # A sensor's noise times what a kelvin asks for is more than the bias itself wavers by.
    warm_c = sink.warm_c
    junction_c = float(warm_c[-1] + device_w[-1] * facts.device_k_per_w)
    drop, rail = float(blocks.drop_v[-2:].mean()), float(blocks.rail_v[-1])
    path = VBE_TEMPCO_V_PER_K * facts.device_k_per_w
    stretched = stretch(emitter)
    conductance = slope_v_per_v(drop, junction_c, stretched) / emitter
    # Volts of bias for one kelvin of sink that would make a loop gain of one.
    r_mean = sink.mean_k_per_w()
    scale = 1.0 / (conductance * rail * 2.0 * pairs * r_mean)
    rise = warm_c - warm_c[0]
    lagged, lagged_ends = smoothed(rise, blocks.period_s, LAG_S, 0.0)
    grid = len(LAG_S)
    line = (blocks.rail_v - blocks.rail_v.mean()) / facts.rail_v
    ones = np.ones(n)
    design = np.stack(
        [
            np.tile(ones, (grid, 1)),
            lagged,
            rise[None, :] - lagged,
            fading(n, blocks.period_s, LAG_S),
            fading(n, blocks.period_s, OWN_S),
            np.tile(line, (grid, 1)),
        ],
        axis=2,
    )
    slow, quick = min(_GAIN * scale, _SLOW_V_PER_K), min(_QUICK * scale, _QUICK_V_PER_K)
    known = np.tile([0.0, slow, quick, 0.0, 0.0, 0.0], (grid, 1))
    sd = np.tile(
        [
            1e3,
            min(_GAIN_SD * scale, _MOST_V_PER_K),
            min(_QUICK_SD * scale, _MOST_V_PER_K),
            blocks.start_k * _SPREADER_V_PER_K,
            0.0,
            _LINE_SD_V,
        ],
        (grid, 1),
    )
    sd[:, 4] = (_DRIVER_K * np.exp(-blocks.since_s / OWN_S) + _LATER_K) * VBE_TEMPCO_V_PER_K
    asked = asked_v(blocks.drop_v, junction_c, stretched) - path * device_w
    # kT/q was smaller while the junction was cooler: what that did to the way from there to here.
    cooler_k = warm_c + facts.device_k_per_w * device_w - junction_c
    asked += cooler_k * K_OVER_Q * np.log(blocks.drop_v / drop)
    middle = float(asked.mean())
    log_prior = -0.5 * (np.log(LAG_S / _USUAL_LAG_S) / math.log(_LAG_FACTOR)) ** 2
    law = weigh(design, asked - middle, known, sd, _FLOOR_V, log_prior)
    # How the slope would answer if the junction's path were another one.
    heat = weigh(design, device_w - device_w.mean(), known * 0.0, sd * 1e3, 1e-6, np.log(law.weight + 1e-300))
    kappa = law.beta[:, 1]
    kappa_mean = float(law.weight @ kappa)
    kappa_var = float(law.weight @ (law.covariance[:, 1, 1] + (kappa - kappa_mean) ** 2))
    per_k = conductance * rail * 2.0 * pairs
    through_sink = per_k * sink.mean_slope_k_per_w()
    at_once = conductance * rail * path
    left = max(1.0 - at_once, _LEAST_LEFT)
    gain = through_sink * kappa_mean / left
    # What another path would leave for kappa, and feed back at once.
    by_path = -float(law.weight @ heat.beta[:, 1]) + kappa_mean * conductance * rail / left
    variance = through_sink**2 * kappa_var + (per_k * kappa_mean * sink.sd_slope_k_per_w()) ** 2
    variance += (through_sink * by_path * _PATH_SHARE_SD * path) ** 2
    variance += (gain * INNER_SD_OHM * conductance) ** 2
    beta = law.beta.copy()
    beta[:, 0] += middle
    return LoopFit(
        gain=gain,
        gain_sd=math.hypot(_SD_TIMES * math.sqrt(variance) / left, _LEAST_SD),
        at_once=at_once,
        drop_v=drop,
        sink_c=float(warm_c[-1]),
        rail_v=rail,
        sink=sink,
        law=Weighed(beta, law.covariance, law.weight, law.residual_sd, law.effective),
        rise_c=float(rise[-1]),
        lagged_c=lagged_ends[:, -1],
        fading=np.exp(-n * blocks.period_s / LAG_S),
        own_fading=np.exp(-n * blocks.period_s / OWN_S),
        heat_v_per_v=path * rail / emitter - (stretched - 1.0),
        stretched=stretched,
        junction_c=junction_c,
        blocks=n,
        period_s=blocks.period_s,
    )
