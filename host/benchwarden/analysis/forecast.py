"""Where does an idling channel go from here: to an equilibrium, or to its safe limit, and when?

The fitted loop (`thermal_loop`) is run forward from where it stands, once for each
plausible choice of its coefficients: sink and spreader relax, the transistor law gives
the current, the current makes the heat. A choice that meets the safe limit does so at
its own time; one that does not has an equilibrium. Nothing is random: the choices are
the grid's own, each with its coefficient off by fixed shares of its deviation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from benchwarden.analysis.bias_law import asked_v, drop_for
from benchwarden.analysis.sink_model import LEAST_RISE_K, LEAST_RISE_SHARE
from benchwarden.analysis.situation import Facts
from benchwarden.analysis.thermal_chain import thermal_voltage_v
from benchwarden.analysis.thermal_loop import LAG_S, OWN_S, LoopFit
from benchwarden.core.samples import FloatArray

# Two normal quantities by a cross of five points (heatsink, slow coefficient, weight)
# that gives mean and variance of each exactly (Gauss-Hermite on either axis).
_CROSS = np.array(
    [(0.0, 0.0, 1.0 / 3.0)]
    + [(s * a, s * b, 1.0 / 6.0) for s in (-math.sqrt(3.0), math.sqrt(3.0)) for a, b in ((1.0, 0.0), (0.0, 1.0))]
)
_STEPS = 36
_HELD_WEIGHT = 0.95
_SETTLED_TIMES = 8.0
# Chosen on simulated sets of both models so that 95 % intervals cover what they should.
_END_TIMES, _END_SHARE, _END_V = 1.4, 0.02, 1e-4


@dataclass(frozen=True)
class Forecast:
    """What comes if nobody touches anything.

    Attributes:
        limit_v: drop that must not be reached.
        runaway_p: weight of the choices without an equilibrium below the limit.
        reach_s: seconds until the limit (5 %, 50 %, 95 %), inf where it is not reached.
        within_p: weight of the choices that reach it within `horizon_s`.
        final_v: equilibrium of those that have one (2.5 %, 50 %, 97.5 %), NaN when none has.
        at_s: run time from which it looks ahead.
        path: the way until `horizon_s`: (run time, drop at 50 %, 2.5 % and 97.5 %), volts.
        sink_path: the same of the heatsink as its sensor reads it, degrees Celsius.
    """

    limit_v: float
    horizon_s: float
    runaway_p: float
    within_p: float
    reach_s: tuple[float, float, float]
    final_v: tuple[float, float, float]
    at_s: float
    path: tuple[tuple[float, float, float, float], ...]
    sink_path: tuple[tuple[float, float, float, float], ...]


@dataclass(frozen=True)
class _Choices:
    """Plausible loops; shape (m,) each."""

    weight: FloatArray
    tau_s: FloatArray
    k_per_w: FloatArray
    ahead_k_per_w: FloatArray
    excess: FloatArray
    base_c: FloatArray
    lag_s: FloatArray
    lagged_c: FloatArray
    slow: FloatArray
    quick: FloatArray
    fading_v: FloatArray
    own_s: FloatArray
    own_v: FloatArray


def _likely(weight: FloatArray) -> npt.NDArray[np.intp]:
    """Return the indices of the heaviest choices that hold all but a little of the weight."""
    order = np.argsort(-weight, kind="stable")
    count = int(np.searchsorted(np.cumsum(weight[order]), _HELD_WEIGHT)) + 1
    return np.sort(order[:count])


def _choices(fit: LoopFit) -> _Choices:
    sink, law = fit.sink, fit.law
    s, g = _likely(sink.weight), _likely(law.weight)
    i, j, at = (axis.ravel() for axis in np.meshgrid(s, g, np.arange(len(_CROSS)), indexing="ij"))
    a, b, share = _CROSS[at].T
    weight = sink.weight[i] * law.weight[j] * share
    k_per_w = np.maximum(sink.k_per_w[i] + a * sink.k_per_w_sd[i], 0.1 * np.maximum(sink.k_per_w[i], 1e-3))
    # The slow coefficient moves, and what is tied to it moves along.
    slow_sd = np.sqrt(law.covariance[:, 1, 1])
    tied = law.covariance[:, 2, 1] / np.maximum(law.covariance[:, 1, 1], 1e-300)
    shift = b * slow_sd[j]
    return _Choices(
        weight / weight.sum(),
        sink.tau_s[i],
        k_per_w,
        sink.ahead_k_per_w[i] + sink.ahead_tied[i] * (k_per_w - sink.k_per_w[i]),
        sink.excess[i],
        sink.base_c[i] + sink.base_tied[i] * (k_per_w - sink.k_per_w[i]),
        LAG_S[j],
        fit.lagged_c[j],
        law.beta[j, 1] + shift,
        law.beta[j, 2] + tied[j] * shift,
        law.beta[j, 3] * fit.fading[j],
        OWN_S[j],
        law.beta[j, 4] * fit.own_fading[j],
    )


def forecast(fit: LoopFit, facts: Facts, limit_v: float, horizon_s: float, at_s: float) -> Forecast:
    """Run every plausible loop forward.

    Args:
        limit_v: drop that counts as lost; so does a junction at its safe temperature.
        horizon_s: time within which reaching it matters.
        at_s: run time of the fit.
    """
    unit = facts.unit
    c = _choices(fit)
    m = len(c.weight)
    heat_w_per_v = 2.0 * unit.output_pairs * fit.rail_v / unit.emitter_resistor_ohm
    drop = np.full(m, fit.drop_v)
    # Fins and air, of which the sensor runs ahead.
    fins, lagged = fit.sink_c - c.ahead_k_per_w * heat_w_per_v * drop, c.lagged_c
    quick_from = fit.rise_c - c.lagged_c
    here = np.maximum(fins - c.base_c, LEAST_RISE_K)
    now = float(asked_v(np.array([fit.drop_v]), fit.junction_c, fit.stretched)[0])
    now -= fit.drop_v * (fit.heat_v_per_v + fit.stretched - 1.0)
    end_s = _SETTLED_TIMES * float(c.tau_s.max() + LAG_S.max())
    edges = np.concatenate(
        [np.linspace(0.0, horizon_s, _STEPS // 2 + 1), np.geomspace(horizon_s, end_s, _STEPS // 2 + 1)[1:]]
    )
    reached = np.full(m, np.inf)
    way = [(at_s, fit.drop_v, fit.drop_v, fit.drop_v)]
    sink_way = [(at_s, fit.sink_c, fit.sink_c, fit.sink_c)]
    for step, (t0, t1) in enumerate(pairwise(edges.tolist())):
        dt = t1 - t0
        faster = np.maximum((fins - c.base_c) / here, LEAST_RISE_SHARE) ** c.excess
        goal = c.base_c + c.k_per_w * heat_w_per_v * drop / faster
        fins = goal + (fins - goal) * np.exp(-dt / c.tau_s * faster)
        sink = fins + c.ahead_k_per_w * heat_w_per_v * drop
        risen = fit.rise_c + sink - fit.sink_c
        lagged = risen + (lagged - risen) * np.exp(-dt / c.lag_s)
        rise = c.slow * (lagged - c.lagged_c) + c.quick * (risen - lagged - quick_from)
        rise -= c.fading_v * (1.0 - np.exp(-t1 / c.lag_s)) + c.own_v * (1.0 - np.exp(-t1 / c.own_s))
        before = drop
        drop = np.minimum(drop_for(now + rise, fit.heat_v_per_v, fit.junction_c, before), 2.0 * limit_v)
        junction = sink + facts.device_k_per_w * fit.rail_v * drop / unit.emitter_resistor_ohm
        hit = ((drop >= limit_v) | (junction >= facts.tj_safe_c)) & np.isinf(reached)
        if bool(hit.any()):
            share = np.clip((limit_v - before) / np.maximum(drop - before, 1e-12), 0.0, 1.0)
            reached = np.where(hit, t0 + share * dt, reached)
        # Every other one is enough to draw; the horizon is among them.
        if step % 2 and step < _STEPS // 2:
            for values, rows in ((drop, way), (sink, sink_way)):
                low, middle, high = _quantiles(values, c.weight, (0.025, 0.5, 0.975))
                rows.append((at_s + t1, middle, low, high))
    lost = np.isfinite(reached)
    runaway_p = float(c.weight[lost].sum())
    within_p = float(c.weight[reached <= horizon_s].sum())
    times = _quantiles(reached, c.weight, (0.05, 0.5, 0.95))
    kept = ~lost
    final = (math.nan,) * 3
    if bool(kept.any()):
        final = _quantiles(drop[kept], c.weight[kept] / c.weight[kept].sum(), (0.025, 0.5, 0.975))
    return Forecast(limit_v, horizon_s, runaway_p, within_p, times, _widened(final), at_s, tuple(way), tuple(sink_way))


def _widened(final: tuple[float, float, float]) -> tuple[float, float, float]:
    """Return an end with room for what no choice holds: mains and room to come, a sink that is no single lag."""
    low, middle, high = final
    room = _END_SHARE * middle + _END_V
    return (
        middle - math.hypot(_END_TIMES * (middle - low), room),
        middle,
        middle + math.hypot(_END_TIMES * (high - middle), room),
    )


def drop_to_set_v(fit: LoopFit, facts: Facts, target_v: float) -> float:
    """Return the drop to set now so that the channel settles at target_v, NaN where there is none.

    At rest at the target the sink is where its heat puts it, and the spreader with it;
    the pot has to give what the law then asks for beyond what warmth adds from now on.
    """
    c = _choices(fit)
    unit = facts.unit
    heat_w_per_v = 2.0 * unit.output_pairs * fit.rail_v / unit.emitter_resistor_ohm
    here = np.maximum(fit.sink_c - c.ahead_k_per_w * heat_w_per_v * fit.drop_v - c.base_c, LEAST_RISE_K)
    end_c = c.base_c + here * (c.k_per_w * heat_w_per_v * target_v / here) ** (1.0 / (1.0 + c.excess))
    end_c = end_c + c.ahead_k_per_w * heat_w_per_v * target_v
    risen = fit.rise_c + end_c - fit.sink_c
    rise = c.slow * (risen - c.lagged_c) - c.quick * (fit.rise_c - c.lagged_c) - c.fading_v - c.own_v
    vt = thermal_voltage_v(fit.junction_c)
    at_target = target_v * (1.0 - fit.heat_v_per_v) + vt * math.log(target_v)
    asked = at_target - float(c.weight @ rise)
    found = float(drop_for(np.array([asked]), fit.heat_v_per_v, fit.junction_c, np.array([fit.drop_v]))[0])
    return found if math.isfinite(found) else math.nan


def _quantiles(
    values: FloatArray, weight: FloatArray, shares: tuple[float, float, float]
) -> tuple[float, float, float]:
    order = np.argsort(values, kind="stable")
    run = np.cumsum(weight[order])
    at = [min(int(np.searchsorted(run, share * run[-1])), len(order) - 1) for share in shares]
    low, middle, high = (float(values[order[i]]) for i in at)
    return low, middle, high
