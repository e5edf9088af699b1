"""How many kelvin does a watt of this stage make, and how fast? One heatsink, from its own record.

The heat of an idling stage is known: both rails times the bias current. A sink that
loses heat in proportion to its rise obeys tau dT/dt = Ta + R P - T, the textbook
first-order thermal model; R and tau come from how the reading answers that heat.
Before the sink has answered, only R / tau is seen and R is what sinks of this power
usually have: the interval says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchwarden.analysis.weighing import weigh
from benchwarden.core.samples import FloatArray

# From a small bracket to a finned casting for 150 W, seconds. Common practice, no source.
TAU_S: FloatArray = np.geomspace(50.0, 4000.0, 24)
_USUAL_TAU_S, _TAU_FACTOR = 500.0, 3.0
# A closed case is warmer inside than the room it stands in, kelvin; common practice, no source.
_CASE_K = 1.5
_UNKNOWN_ROOM_K = 10.0
_START_K = 40.0
_FLOOR_K = 0.01


@dataclass(frozen=True)
class SinkFit:
    """What is known of a heatsink, for each time constant of the grid.

    Attributes:
        tau_s, weight, k_per_w, k_per_w_sd: shape (g,).
        base_c: where the sink would end without heat, shape (g,).
    """

    tau_s: FloatArray
    weight: FloatArray
    k_per_w: FloatArray
    k_per_w_sd: FloatArray
    base_c: FloatArray

    def mean_k_per_w(self) -> float:
        return float(self.weight @ self.k_per_w)

    def sd_k_per_w(self) -> float:
        mean = self.mean_k_per_w()
        return math.sqrt(float(self.weight @ (self.k_per_w_sd**2 + (self.k_per_w - mean) ** 2)))


def smoothed(values: FloatArray, period_s: float, tau_s: FloatArray, start: float) -> tuple[FloatArray, FloatArray]:
    """Return block means and ends of a first-order lag of steady blocks, each shape (g, n).

    Args:
        values: one mean per block, shape (n,).
        period_s: length of a block.
        tau_s: lags, shape (g,).
        start: state before the first block.
    """
    keep = np.exp(-period_s / tau_s)
    ends = np.empty((len(values) + 1, len(tau_s)))
    ends[0] = state = np.full(len(tau_s), start)
    for i, value in enumerate(values.tolist(), 1):
        state = value + (state - value) * keep
        ends[i] = state
    # The mean of an exponential over one block.
    share = tau_s / period_s * (1.0 - keep)
    means = values[:, None] + (ends[:-1] - values[:, None]) * share
    return np.ascontiguousarray(means.T), np.ascontiguousarray(ends[1:].T)


def fading(n: int, period_s: float, tau_s: FloatArray) -> FloatArray:
    """Return block means of exp(-t / tau), shape (g, n)."""
    at = np.exp(-np.arange(n) * period_s / tau_s[:, None])
    factor = tau_s / period_s * (1.0 - np.exp(-period_s / tau_s))
    result: FloatArray = at * factor[:, None]
    return result


def fit_sink(
    power_w: FloatArray,
    sink_c: FloatArray,
    ambient_c: FloatArray,
    period_s: float,
    known_k_per_w: float,
    known_sd: float,
) -> SinkFit:
    """Fit one heatsink to equal blocks, shape (n,) each, n >= 6.

    Args:
        power_w: heat of the stage.
        sink_c: reading, no NaN.
        ambient_c: NaN where there is no sensor; then the coldest reading stands in, loosely.
        known_k_per_w, known_sd: what is known of it beforehand.
    """
    n, grid = len(sink_c), len(TAU_S)
    told = not bool(np.isnan(ambient_c).any())
    room = ambient_c if told else np.full(n, float(sink_c.min()))
    heat, _ = smoothed(power_w, period_s, TAU_S, 0.0)
    air, _ = smoothed(room, period_s, TAU_S, float(room[0]))
    fade = fading(n, period_s, TAU_S)
    design = np.stack([heat, 1.0 - fade, fade], axis=2)
    # The air's own course is felt through the same lag, with a coefficient that is one.
    mean_air = air.mean(axis=0)
    design = np.concatenate([design, (air - mean_air)[:, :, None]], axis=2)
    room_sd = _CASE_K if told else _UNKNOWN_ROOM_K
    known = np.tile([known_k_per_w, 0.0, 0.0, 1.0], (grid, 1))
    sd = np.tile([known_sd, room_sd, _START_K, 1e-6], (grid, 1))
    log_prior = -0.5 * (np.log(TAU_S / _USUAL_TAU_S) / math.log(_TAU_FACTOR)) ** 2
    found = weigh(design, sink_c - mean_air, known, sd, _FLOOR_K, log_prior)
    k_per_w = np.maximum(found.beta[:, 0], 0.02 * known_k_per_w)
    base = float(room[-1]) + found.beta[:, 1]
    return SinkFit(TAU_S, found.weight, k_per_w, np.sqrt(found.covariance[:, 0, 0]), base)
