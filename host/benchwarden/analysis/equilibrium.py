"""Where do heat and the junction law let the bias settle? From sink, room, rails and bias of one calm stretch.

Two linear fits and their crossing:

- heat balance of the sink, integrated so that nothing is differentiated:
  T(t) - T(0) = a S(P) - b S(loss) + c t, P the idle power that the bias itself makes,
  S the running integral, the loss between linear and free convection; room temperature
  and mains enter as measured, so what wanders with them is no longer noise;
- what the pot sees: v = y + (kT/q) ln y (drop across the emitter resistor plus
  junction law) = p + s T + k (rail - mean) + fading start. s is what a kelvin of
  the sink adds with all compensation in it.

They cross where v(y) = p + s T(P(y)), T from the balance at rest. The slope of the crossing
holds the thermal loop gain g = s dT/dy / v'(y), and the bias approaches with the sink's own
time constant divided by 1 - g.
A single exponential of time would have to be told all that by the curvature of the bias alone.

Sources: lumped heat balance and the exponential junction law, textbook relations.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchwarden.core.samples import FloatArray

# kT/q at 325 K, a device that idles warm (k/q exact SI).
THERMAL_V = 8.617333262e-5 * 325.0
# Time constant of a heatsink with its air: 0.3 to 1 kg of aluminium (900 J/(kg K)) at 0.5
# to 2.5 K/W give 150 to 2200 s. Middle and spread of 1 / tau before the data speak.
_RATE = 1.0 / 600.0
_RATE_SD = 1.0 / 600.0
_LEAST_RATE = 1.0 / 7200.0
# The air at the fins is not where the room's sensor hangs; a room without a sensor.
_AIR_SD_K = 2.0
_ROOM_C = 23.0
_ROOM_SD_K = 6.0
# What comes after the forecast: room and mains go on wandering (common practice, no source).
ROOM_WANDER_K = 0.5
RAIL_WANDER = 0.008
# Neither fit is exact: fins give off more when hotter, the sink is not one lump. Share of
# the way still to go that may be wrong.
_WAY_SHARE = 0.15
# Devices, drivers and spreader each have their own little law: share of the bias left open.
_LAW_SHARE = 0.008
# The spreader follows the sink within this time; its start fades.
_FADING_S = 40.0
_TAU_SHARE = 0.05
_LEAST_SINK_K = 1.0
# Heat given off goes with the rise to this power: forced air and radiation near 1, free
# convection 1.25 (textbook); stated at a rise of 20 K.
CONVECTION = (1.0, 1.125, 1.25)
_RISE_K = 20.0
_POINTS = 240
_REACH = 8.0


@dataclass(frozen=True)
class Equilibrium:
    """Where it settles; standard deviations hold the wander of room and mains to come.

    Attributes:
        final_v, final_sd_v: bias drop at the end, at the stretch's mean rail; NaN where there is no end.
        tau_s, tau_log_sd: closed-loop time constant and standard deviation of its logarithm.
        loop_gain: at the end, or now where there is no end.
        shift_v: by how much a pot has to move v for the end to lie at the target.
    """

    final_v: float
    final_sd_v: float
    tau_s: float
    tau_log_sd: float
    loop_gain: float
    shift_v: float


def law_v(drop_v: float) -> float:
    """Return drop plus junction voltage, up to a constant, volts."""
    return drop_v + THERMAL_V * math.log(max(drop_v, 1e-6))


@dataclass(frozen=True)
class _Fit:
    beta: FloatArray
    covariance: FloatArray
    log_likelihood: float


def _fit(columns: FloatArray, y: FloatArray, prior: FloatArray, prior_sd: FloatArray, floor: float) -> _Fit:
    """Fit by least squares with a normal prior on each coefficient, autocorrelated residuals allowed for.

    Source: effective number of an AR(1) process's samples, n (1 - r) / (1 + r)
    (Bayley and Hammersley 1946, from memory).
    """
    n, k = columns.shape
    size = np.sqrt((columns * columns).sum(axis=0))
    # A column of nothing (a channel that is missing) leaves its coefficient to the prior.
    size[size == 0.0] = 1.0
    scaled = columns / size
    weight = 1.0 / (floor * floor)
    for _ in range(2):
        ridge = np.diag((1.0 / (prior_sd * size)) ** 2)
        matrix = weight * scaled.T @ scaled + ridge
        inverse = np.linalg.inv(matrix + 1e-12 * np.trace(matrix) * np.eye(k))
        beta = inverse @ (weight * scaled.T @ y + ridge @ (prior * size))
        residual = y - scaled @ beta
        rss = float(residual @ residual)
        lag1 = float(residual[1:] @ residual[:-1]) / rss if rss > 0.0 else 0.0
        lag1 = min(max(lag1 + (1.0 + 4.0 * lag1) / n, 0.0), 0.95)
        sd = math.sqrt(rss / max(n - k, 1) + floor * floor)
        weight = (1.0 - lag1) / (1.0 + lag1) / (sd * sd)
    effective = max(n * (1.0 - lag1) / (1.0 + lag1), 1.0)
    return _Fit(beta / size, inverse / np.outer(size, size), -0.5 * effective * math.log(sd * sd))


def equilibrium(
    t_s: FloatArray, drop_v: FloatArray, sink_c: FloatArray, ambient_c: FloatArray, rail_v: FloatArray, target_v: float
) -> Equilibrium | None:
    """Return where it settles, or None where the stretch does not tell.

    Args:
        t_s: evenly spaced times since the stretch began, shape (n,), n >= 8.
        drop_v, sink_c, rail_v: means at those times, none missing.
        ambient_c: room, NaN where there is no sensor.
        target_v: where it should settle.
    """
    n = len(t_s)
    if float(drop_v.min()) <= 0.0 or not np.ptp(sink_c) > _LEAST_SINK_K:
        return None
    steep = 1.0 + THERMAL_V / float(drop_v.mean())
    level = float(drop_v.mean())
    law = _fit(
        np.column_stack(
            [np.ones(n), sink_c - float(sink_c.mean()), rail_v / float(rail_v.mean()) - 1.0, np.exp(-t_s / _FADING_S)]
        ),
        drop_v + THERMAL_V * np.log(drop_v),
        np.zeros(4),
        np.array([1.0, 2e-2, 3.0 * steep * level, 0.3 * steep * level]),
        1e-4 * steep * level,
    )
    known = not bool(np.isnan(ambient_c).any())
    room = ambient_c if known else np.full(n, _ROOM_C)
    found = []
    for power in CONVECTION:
        rise = sink_c - room
        loss = rise * (np.abs(rise) / _RISE_K) ** (power - 1.0)
        balance = _fit(
            np.column_stack([np.ones(n), _integral(drop_v * rail_v, t_s), -_integral(loss, t_s), t_s - t_s[0]]),
            sink_c,
            np.array([sink_c[0], 0.0, _RATE, 0.0]),
            np.array([20.0, math.inf, _RATE_SD, _RATE * (_AIR_SD_K if known else _ROOM_SD_K)]),
            0.005,
        )
        found.append((balance, _crossing(balance, law, power, drop_v, sink_c, room, rail_v, target_v)))
    likely = np.array([b.log_likelihood for b, _ in found])
    weight = np.exp(likely - likely.max())
    weight /= weight.sum()
    ends = [e for _, e in found]
    there = [(w, e) for w, e in zip(weight, ends, strict=True) if e is not None and w > 0.02]
    if not there:
        return None
    settled = [(w, e) for w, e in there if e.final_v == e.final_v]
    if sum(w for w, _ in settled) < 0.5 * sum(w for w, _ in there):
        return max(there, key=lambda row: row[0] if row[1].final_v != row[1].final_v else -1.0)[1]
    share = np.array([w for w, _ in settled])
    share /= share.sum()
    final, tau_log, gain = (
        np.array([f(e) for _, e in settled])
        for f in (lambda e: e.final_v, lambda e: math.log(e.tau_s), lambda e: e.loop_gain)
    )
    final_sd = np.array([e.final_sd_v for _, e in settled])
    tau_sd = np.array([e.tau_log_sd for _, e in settled])
    mean, mean_log = float(share @ final), float(share @ tau_log)
    return Equilibrium(
        mean,
        math.sqrt(float(share @ (final_sd**2 + (final - mean) ** 2))),
        math.exp(mean_log),
        math.sqrt(float(share @ (tau_sd**2 + (tau_log - mean_log) ** 2))),
        float(share @ gain),
        float(share @ np.array([e.shift_v for _, e in settled])),
    )


def _crossing(
    balance: _Fit,
    law: _Fit,
    power: float,
    drop_v: FloatArray,
    sink_c: FloatArray,
    room: FloatArray,
    rail_v: FloatArray,
    target_v: float,
) -> Equilibrium | None:
    """Return where heat balance and law cross; without an end where they do not, None for no heating at all."""
    heat, rate, lift = (float(v) for v in balance.beta[1:])
    if heat <= 0.0:
        return None
    # Heat that does not seem to leave at all: as slowly as the largest sink lets it go.
    rate = max(rate, _LEAST_RATE)
    newest = max(len(drop_v) // 8, 1)
    level, room_c = float(drop_v[-newest:].mean()), float(room[-newest:].mean())
    volts = float(rail_v.mean())
    pot_v, per_k = float(law.beta[0]), float(law.beta[1])
    middle_c = float(sink_c.mean())

    def rise_k(y: FloatArray) -> FloatArray:
        flow = np.maximum(heat * volts * y + lift, 1e-9) / rate
        return np.asarray(_RISE_K * (flow / _RISE_K) ** (1.0 / power))

    y = level * np.geomspace(1.0 / _REACH, _REACH, _POINTS)
    over = y + THERMAL_V * np.log(y) - pot_v - per_k * (room_c + rise_k(y) - middle_c)
    up = np.flatnonzero((over[:-1] < 0.0) & (over[1:] >= 0.0))
    if len(up):
        i = int(up[np.argmin(np.abs(np.log(y[up] / level)))])
        final = float(np.interp(0.0, over[i : i + 2], y[i : i + 2]))
    else:
        final = level
    end_k = float(rise_k(np.array([final]))[0])
    steep = 1.0 + THERMAL_V / final
    # dT/dy of the balance at the end, and how fast the sink alone goes there.
    per_v = heat * volts / (rate * power) * (end_k / _RISE_K) ** (1.0 - power)
    own = rate * power * (end_k / _RISE_K) ** (power - 1.0)
    gain = per_k * per_v / steep
    target_k = float(rise_k(np.array([target_v]))[0])
    shift_v = law_v(target_v) - per_k * (room_c + target_k - middle_c) - pot_v
    if not len(up) or gain > 0.97:
        return Equilibrium(math.nan, math.nan, math.nan, math.nan, gain, shift_v)
    way_k = room_c + end_k - float(sink_c[-1])
    # Of the end temperature: by heat, rate and lift; then how pot and slope carry it.
    flow_k = (heat * volts * final + lift) / rate
    by = np.array([0.0, volts * final, -flow_k, 1.0]) / own
    heat_var = max(float(by @ balance.covariance @ by), 0.0)
    to = np.array([1.0, room_c + end_k - middle_c, 0.0, 0.0])
    law_var = max(float(to @ law.covariance @ to), 0.0) + (_LAW_SHARE * steep * final) ** 2
    rail_sd = (abs(float(law.beta[2])) + abs(per_k) * end_k) * RAIL_WANDER
    warm_var = heat_var + ROOM_WANDER_K**2 + (_WAY_SHARE * way_k) ** 2
    final_sd = math.sqrt(law_var + per_k**2 * warm_var + rail_sd**2) / (steep * (1.0 - gain))
    # The time constant is as uncertain as the sink's own rate and the loop gain.
    rate_sd = math.sqrt(max(float(balance.covariance[2, 2]), 0.0)) / rate
    gain_sd = math.hypot(
        math.sqrt(max(float(law.covariance[1, 1]), 0.0)) * per_v / steep, abs(gain) * math.sqrt(heat_var) / end_k
    )
    tau_sd = math.hypot(math.hypot(rate_sd, gain_sd / (1.0 - gain)), _TAU_SHARE)
    return Equilibrium(final, final_sd, 1.0 / (own * (1.0 - gain)), tau_sd, gain, shift_v)


def _integral(values: FloatArray, t_s: FloatArray) -> FloatArray:
    steps = 0.5 * (values[1:] + values[:-1]) * np.diff(t_s)
    return np.concatenate([[0.0], np.cumsum(steps)])
