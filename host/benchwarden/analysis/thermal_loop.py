"""The thermal loop gain of one idling channel, from its own record, with an interval.

Round the loop: a kelvin at the sink asks for kappa volts more bias (device, driver and
bias spreader together); that makes G = 1 / (Re + (kT/q)/I) times as many amperes, those
make V watts each in 2 N devices, and these R kelvin each at the sink. The junction runs
ahead of its sink by what its own path makes, rho volts for each watt in one device:

    gain = G V (2 N R kappa + rho)

Below one a disturbance dies out, at or above one it grows (stable if dP/dTj < 1/Rth,
textbook relation). kappa is what the voltage asked for follows once the sink's warmth
has reached the spreader; what follows at once, what the rail adds and what the pot was
set to are separate coefficients of the same fit, so mains is not taken for heat.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchwarden.analysis.bias_law import LEAST_DROP_V, asked_v, slope_v_per_v, stretch
from benchwarden.analysis.sink_model import SinkFit, fading, fit_sink, smoothed
from benchwarden.analysis.situation import Facts
from benchwarden.analysis.thermal_chain import VBE_TEMPCO_V_PER_K, sink_k_per_w
from benchwarden.analysis.weighing import Weighed, weigh
from benchwarden.core.samples import FloatArray

# A spreader screwed beside the devices follows in seconds, one glued to the far end
# in minutes. Common practice, no source.
LAG_S: FloatArray = np.array([10.0, 25.0, 60.0, 150.0, 400.0])
_USUAL_LAG_S, _LAG_FACTOR = 40.0, 2.5
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
# What the rail adds: the spreader is fed from it. Volts of bias per unit of rail.
_LINE_SD_V = 0.05
# The path from junction to sink is known from the package alone.
_PATH_SHARE_SD = 0.35
_USUAL_SHARE_SD = 0.8
_FLOOR_V = 2e-6


@dataclass(frozen=True)
class Record:
    """Equal blocks of an idling channel's record, oldest first; shape (n,) each.

    Attributes:
        period_s: length of one block.
        drop_v, sink_c, rail_v: means; ambient_c: NaN without a sensor.
        start_k: how far the spreader may have been from its sink when the record began.
    """

    period_s: float
    drop_v: FloatArray
    sink_c: FloatArray
    ambient_c: FloatArray
    rail_v: FloatArray
    start_k: float


@dataclass(frozen=True)
class SinkBefore:
    """What was known of a heatsink before this record: kelvin per watt and its standard deviation."""

    k_per_w: float
    sd: float


@dataclass(frozen=True)
class LoopFit:
    """What the record says about one channel's loop, at its newest current.

    Attributes:
        gain, gain_sd: thermal loop gain.
        drop_v, sink_c, rail_v: where the record ends.
        law: coefficients (constant, after the lag, at once, fading, rail) for each lag, shape (lags, 5).
        rise_c: how far the sink has come since the record began.
        lagged_c: the same as the spreader feels it, shape (lags,).
        fading: what is left of the start for each lag, shape (lags,).
        heat_v_per_v: what the junction's own path adds for each volt of drop, less the device's ohmic part.
        junction_c: temperature the transistor law was taken at.
        blocks: how many blocks it rests on; period_s: of one.
    """

    gain: float
    gain_sd: float
    drop_v: float
    sink_c: float
    rail_v: float
    sink: SinkFit
    law: Weighed
    rise_c: float
    lagged_c: FloatArray
    fading: FloatArray
    heat_v_per_v: float
    junction_c: float
    blocks: int
    period_s: float

    def interval(self) -> tuple[float, float]:
        """Return the 95 % interval of the gain."""
        return self.gain - 1.96 * self.gain_sd, self.gain + 1.96 * self.gain_sd


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
    sink = fit_sink(2.0 * pairs * device_w, blocks.sink_c, blocks.ambient_c, blocks.period_s, before.k_per_w, before.sd)
    junction_c = float(blocks.sink_c[-1] + device_w[-1] * facts.device_k_per_w)
    drop, rail = float(blocks.drop_v[-2:].mean()), float(blocks.rail_v[-1])
    path = VBE_TEMPCO_V_PER_K * facts.device_k_per_w
    stretched = stretch(emitter)
    conductance = slope_v_per_v(drop, junction_c, stretched) / emitter
    # Volts of bias for one kelvin of sink that would make a loop gain of one.
    r_mean = sink.mean_k_per_w()
    scale = 1.0 / (conductance * rail * 2.0 * pairs * r_mean)
    rise = blocks.sink_c - blocks.sink_c[0]
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
            np.tile(line, (grid, 1)),
        ],
        axis=2,
    )
    slow, quick = min(_GAIN * scale, _SLOW_V_PER_K), min(_QUICK * scale, _QUICK_V_PER_K)
    known = np.tile([0.0, slow, quick, 0.0, 0.0], (grid, 1))
    sd = np.tile(
        [
            1e3,
            min(_GAIN_SD * scale, _MOST_V_PER_K),
            min(_QUICK_SD * scale, _MOST_V_PER_K),
            blocks.start_k * _SPREADER_V_PER_K,
            _LINE_SD_V,
        ],
        (grid, 1),
    )
    asked = asked_v(blocks.drop_v, junction_c, stretched) - path * device_w
    middle = float(asked.mean())
    log_prior = -0.5 * (np.log(LAG_S / _USUAL_LAG_S) / math.log(_LAG_FACTOR)) ** 2
    law = weigh(design, asked - middle, known, sd, _FLOOR_V, log_prior)
    # How the slope would answer if the junction's path were another one.
    heat = weigh(design, device_w - device_w.mean(), known * 0.0, sd * 1e3, 1e-6, np.log(law.weight + 1e-300))
    kappa = law.beta[:, 1]
    kappa_mean = float(law.weight @ kappa)
    kappa_var = float(law.weight @ (law.covariance[:, 1, 1] + (kappa - kappa_mean) ** 2))
    per_k = conductance * rail * 2.0 * pairs
    gain = per_k * r_mean * kappa_mean + conductance * rail * path
    path_sd = _PATH_SHARE_SD * path
    through_path = conductance * rail - per_k * r_mean * float(law.weight @ heat.beta[:, 1])
    variance = (per_k * r_mean) ** 2 * kappa_var + (per_k * kappa_mean * sink.sd_k_per_w()) ** 2
    variance += (through_path * path_sd) ** 2
    beta = law.beta.copy()
    beta[:, 0] += middle
    return LoopFit(
        gain=gain,
        gain_sd=math.sqrt(variance),
        drop_v=drop,
        sink_c=float(blocks.sink_c[-1]),
        rail_v=rail,
        sink=sink,
        law=Weighed(beta, law.covariance, law.weight, law.residual_sd, law.effective),
        rise_c=float(rise[-1]),
        lagged_c=lagged_ends[:, -1],
        fading=np.exp(-n * blocks.period_s / LAG_S),
        heat_v_per_v=path * rail / emitter - (stretched - 1.0),
        junction_c=junction_c,
        blocks=n,
        period_s=blocks.period_s,
    )
