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
TAU_S: FloatArray = np.geomspace(50.0, 4000.0, 20)
_USUAL_TAU_S, _TAU_FACTOR = 500.0, 3.0
# Half a step of the grid, as a logarithm.
_STEP = 0.5 * math.log(TAU_S[1] / TAU_S[0])
# A closed case is warmer inside than the room it stands in, and two sensors do not agree
# quite, kelvin; less is left once they were seen together cold. Common practice, no source.
_CASE_K, _CASE_SEEN_K = 1.5, 0.8
_UNKNOWN_ROOM_K = 10.0
_START_K = 40.0
_FLOOR_K = 0.01
# A draught lasts longer than this many blocks, noise does not.
_WIDE = 9
# A sensor beside the devices runs ahead of fins and air by a share of their rise, seen
# within seconds. Common practice, no source.
_AHEAD_SHARE, _AHEAD_SD_SHARE = 0.05, 0.06


# What free air and radiation take grows faster than the rise: with its power 1.25 by the
# laminar plate (textbook relation), 1 with a fan or by conduction, between the two in a mix.
EXCESS_POWER: FloatArray = np.array([0.0, 0.13, 0.26])
_EXCESS_PRIOR: FloatArray = np.array([0.3, 0.35, 0.35])
# A rise below this share of the newest one cools no slower (noise round the room's own warmth).
LEAST_RISE_SHARE = 0.05
LEAST_RISE_K = 0.5


@dataclass(frozen=True)
class SinkFit:
    """What is known of a heatsink, for each choice of the grid.

    Attributes:
        tau_s, weight, k_per_w, k_per_w_sd: shape (g,); time constant and kelvin per watt at the newest rise.
        ahead_k_per_w: by how much the sensor runs ahead of the fins for each watt, shape (g,).
        base_c: where the sink would end without heat, shape (g,).
        ahead_tied, base_tied: how these two move with k_per_w, shape (g,).
        excess: by how much the power of the rise that cools exceeds one, shape (g,).
        warm_c: the reading without its noise: as the model has it, and what it is off by for longer, shape (n,).
    """

    tau_s: FloatArray
    weight: FloatArray
    k_per_w: FloatArray
    k_per_w_sd: FloatArray
    ahead_k_per_w: FloatArray
    base_c: FloatArray
    ahead_tied: FloatArray
    base_tied: FloatArray
    excess: FloatArray
    warm_c: FloatArray

    def mean_k_per_w(self) -> float:
        """Return rise of the fins over heat at the newest rise."""
        return float(self.weight @ self.k_per_w)

    def sd_k_per_w(self) -> float:
        return _spread(self.weight, self.k_per_w, self.k_per_w_sd)

    def mean_slope_k_per_w(self) -> float:
        """Return what one watt more adds to the reading at the newest rise."""
        return float(self.weight @ (self.k_per_w / (1.0 + self.excess) + self.ahead_k_per_w))

    def sd_slope_k_per_w(self) -> float:
        """Return the standard deviation of that."""
        follows = 1.0 / (1.0 + self.excess) + self.ahead_tied
        mean = self.k_per_w / (1.0 + self.excess) + self.ahead_k_per_w
        return _spread(self.weight, mean, self.k_per_w_sd * np.abs(follows))


def _spread(weight: FloatArray, mean: FloatArray, sd: FloatArray) -> float:
    middle = float(weight @ mean)
    return math.sqrt(float(weight @ (sd**2 + (mean - middle) ** 2)))


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


def _cooled(goals: FloatArray, rates: FloatArray, start: FloatArray) -> FloatArray:
    """Return block means of first-order lags whose rate changes from block to block.

    Args:
        goals: where each lag goes in each block, shape (n, k, g).
        rates: block length over time constant, shape (n, g).
        start: states before the first block, shape (k, g).

    Returns:
        Means, shape (n, k, g).
    """
    keep = np.exp(-rates)[:, None, :]
    # The mean of an exponential over one block.
    share = (1.0 - keep) / rates[:, None, :]
    means = np.empty_like(goals)
    state = start
    for i in range(len(goals)):
        away = state - goals[i]
        means[i] = goals[i] + away * share[i]
        state = goals[i] + away * keep[i]
    return means


def _slow_part(residual: FloatArray) -> FloatArray:
    """Return the moving mean of _WIDE blocks, shorter at both ends."""
    ones = np.ones(min(_WIDE, len(residual)))
    total = np.convolve(residual, ones, "same")
    mean: FloatArray = total / np.convolve(np.ones(len(residual)), ones, "same")
    return mean


def _by_log_tau(columns: FloatArray) -> FloatArray:
    """Return the derivative by the logarithm of the time constant, shape (taus x excesses, n) like `columns`."""
    shaped = columns.reshape(len(TAU_S), len(EXCESS_POWER), -1)
    slope: FloatArray = np.asarray(np.gradient(shaped, np.log(TAU_S), axis=0))
    return slope.reshape(columns.shape)


def fit_sink(
    power_w: FloatArray,
    sink_c: FloatArray,
    ambient_c: FloatArray,
    period_s: float,
    known_k_per_w: float,
    known_sd: float,
    cold_k: float = math.nan,
) -> SinkFit:
    """Fit one heatsink to equal blocks, shape (n,) each, n >= 6.

    Args:
        power_w: heat of the stage.
        sink_c: reading, no NaN.
        ambient_c: NaN where there is no sensor; then the coldest reading stands in, loosely.
        known_k_per_w, known_sd: what is known of it beforehand.
        cold_k: sink sensor above the ambient one when both were cold, NaN if they were not seen so.
    """
    n = len(sink_c)
    tau, excess = (axis.ravel() for axis in np.meshgrid(TAU_S, EXCESS_POWER, indexing="ij"))
    grid = len(tau)
    told = not bool(np.isnan(ambient_c).any())
    room = ambient_c if told else np.full(n, float(sink_c.min()))
    # How much faster than at the newest rise the sink loses what it has, from its own reading.
    rise = np.maximum(sink_c - room, 0.0)
    newest = max(float(rise[-3:].mean()), LEAST_RISE_K)
    faster = np.maximum(rise / newest, LEAST_RISE_SHARE)[:, None] ** excess
    goals = np.empty((n, 3, grid))
    goals[:, 0] = power_w[:, None] / faster
    goals[:, 1] = room[:, None]
    goals[:, 2] = 0.0
    start = np.zeros((3, grid))
    start[1], start[2] = room[0], 1.0
    means = _cooled(goals, period_s * faster / tau, start)
    heat, air, fade = means[:, 0].T, means[:, 1].T, means[:, 2].T
    # The air's own course is felt through the same lag, with a coefficient that is one.
    mean_air = air.mean(axis=0)
    ahead = np.tile(power_w, (grid, 1))
    # A time constant between two of the grid: how heat and start would answer it.
    other_heat, other_fade = _by_log_tau(heat), _by_log_tau(fade)
    design = np.stack([heat, 1.0 - fade, fade, air - mean_air, ahead, other_heat, other_fade], axis=2)
    seen = told and cold_k == cold_k
    room_sd = _CASE_SEEN_K if seen else _CASE_K if told else _UNKNOWN_ROOM_K
    usual, free = _AHEAD_SHARE * known_k_per_w, _AHEAD_SD_SHARE * known_k_per_w
    known = np.tile([known_k_per_w, cold_k if seen else 0.0, 0.0, 1.0, usual, 0.0, 0.0], (grid, 1))
    start_k = abs(float(sink_c[0] - room[0])) + 1.0
    sd = np.tile([known_sd, room_sd, _START_K, 1e-6, free, _STEP * known_k_per_w, _STEP * start_k], (grid, 1))
    log_prior = -0.5 * (np.log(tau / _USUAL_TAU_S) / math.log(_TAU_FACTOR)) ** 2
    log_prior += np.log(np.tile(_EXCESS_PRIOR, len(TAU_S)))
    found = weigh(design, sink_c - mean_air, known, sd, _FLOOR_K, log_prior)
    k_per_w = np.maximum(found.beta[:, 0], 0.02 * known_k_per_w)
    base = float(room[-1]) + found.beta[:, 1]
    variance = found.covariance[:, 0, 0]
    tau = tau * np.exp(np.clip(found.beta[:, 5] / k_per_w, -_STEP, _STEP))
    ahead_tied, base_tied = (found.covariance[:, i, 0] / variance for i in (4, 1))
    fitted = np.einsum("g,gnp,gp->n", found.weight, design, found.beta) + mean_air
    warm = fitted + _slow_part(sink_c - fitted)
    sd = np.sqrt(variance)
    return SinkFit(tau, found.weight, k_per_w, sd, found.beta[:, 4], base, ahead_tied, base_tied, excess, warm)
