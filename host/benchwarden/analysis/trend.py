"""How fast does it change, how sure is that, and where does it end? Straight lines, curves, exponentials.

Thermal records are autocorrelated: neighbouring samples repeat each other. Every
interval here counts effective samples, not samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import stats

from benchwarden.analysis.separable import decays, separated_fit
from benchwarden.core.samples import FloatArray

BLOCKS = 12


@dataclass(frozen=True)
class Line:
    """A straight line y = intercept + slope x, with its uncertainty.

    Attributes:
        slope_sd, intercept_sd: standard deviations, autocorrelation allowed for.
        residual_sd: of single points.
        lag1: autocorrelation of the residuals at one step.
        effective: number of independent points the residuals are worth.
        half_width: of the 95 % interval of the slope.
    """

    slope: float
    intercept: float
    slope_sd: float
    intercept_sd: float
    residual_sd: float
    lag1: float
    effective: float
    half_width: float


def line(x: FloatArray, y: FloatArray, autocorrelated: bool = True) -> Line:
    """Return the least-squares line through points, shape (n,), n >= 3.

    With `autocorrelated`, n is replaced by n (1 - r1) / (1 + r1) in the standard
    deviations, r1 the lag-one autocorrelation of the residuals where positive.

    Raises:
        ValueError: fewer than three points, or all at the same x.

    Source:
        Ordinary least squares; effective sample size of an AR(1) process
        (Bayley and Hammersley 1946, from memory).
    """
    n = len(x)
    if n < 3 or len(y) != n:
        raise ValueError(f"{n} points; at least 3 needed")
    centred = x - x.mean()
    sxx = float(centred @ centred)
    if sxx == 0.0:
        raise ValueError("all points at the same x")
    slope = float(centred @ (y - y.mean())) / sxx
    intercept = float(y.mean()) - slope * float(x.mean())
    residual = y - y.mean() - slope * centred
    rss = float(residual @ residual)
    lag1 = float(residual[1:] @ residual[:-1]) / rss if rss > 0.0 and autocorrelated else 0.0
    # The estimate of r1 is biased low by about (1 + 4 r1) / n (Marriott and Pope 1954, from memory).
    lag1 = min(max(lag1 + (1.0 + 4.0 * lag1) / n, 0.0), 0.99) if autocorrelated else 0.0
    effective = n * (1.0 - lag1) / (1.0 + lag1)
    freedom = max(n - 2, 1)
    inflate = math.sqrt(n / effective)
    residual_sd = math.sqrt(rss / freedom)
    slope_sd = residual_sd / math.sqrt(sxx) * inflate
    intercept_sd = residual_sd * math.sqrt(1.0 / n + float(x.mean()) ** 2 / sxx) * inflate
    t95 = float(stats.t.ppf(0.975, max(effective - 2.0, 1.0)))
    return Line(slope, intercept, slope_sd, intercept_sd, residual_sd, lag1, effective, t95 * slope_sd)


@dataclass(frozen=True)
class Curve:
    """Level, slope and second derivative at the end of a window, with standard deviations."""

    level: float
    slope: float
    slope_sd: float
    bend: float
    bend_sd: float
    residual_sd: float
    span: float


@lru_cache(maxsize=8)
def _quadratic(blocks: int) -> tuple[FloatArray, FloatArray]:
    """Return the solving matrix and its covariance for a parabola over equal blocks, end at x = 0."""
    x = (np.arange(blocks) + 0.5) / blocks - 1.0
    design = np.column_stack([np.ones(blocks), x, x * x])
    solve = np.linalg.pinv(design)
    return solve, solve @ solve.T


def end_curve(values: FloatArray, span: float, blocks: int = BLOCKS) -> Curve:
    """Fit a parabola through block means of evenly spaced values, shape (n,), n >= blocks.

    Blocks take out most of the autocorrelation of the noise; what remains of it
    makes the standard deviations a little small, so thresholds on them are wide.

    Args:
        span: time the values cover, seconds.
    """
    per = len(values) // blocks
    means = values[len(values) - per * blocks :].reshape(blocks, per).mean(axis=1)
    solve, covariance = _quadratic(blocks)
    beta = solve @ means
    x = (np.arange(blocks) + 0.5) / blocks - 1.0
    residual = means - (beta[0] + beta[1] * x + beta[2] * x * x)
    sd = math.sqrt(float(residual @ residual) / (blocks - 3))
    return Curve(
        level=float(beta[0]),
        slope=float(beta[1]) / span,
        slope_sd=sd * math.sqrt(float(covariance[1, 1])) / span,
        bend=2.0 * float(beta[2]) / span**2,
        bend_sd=2.0 * sd * math.sqrt(float(covariance[2, 2])) / span**2,
        residual_sd=sd,
        span=span,
    )


def time_to_reach(curve: Curve, limit: float) -> float:
    """Return the seconds until a curve that keeps growing as it does reaches `limit`, inf for never.

    Growth feeds on itself: y' = rate (y - y0). A slope that falls off ends at
    an equilibrium instead.
    """
    rise = limit - curve.level
    if rise <= 0.0:
        return 0.0
    if curve.slope <= 0.0:
        return math.inf
    # A parabola's bend is that of the middle of its window; so must be the slope.
    middle = curve.slope - 0.5 * curve.bend * curve.span
    rate = curve.bend / (middle if middle > 0.0 else curve.slope)
    if abs(rate) * rise < 1e-6 * curve.slope:
        return rise / curve.slope
    grown = 1.0 + rate * rise / curve.slope
    return math.log(grown) / rate if grown > 0.0 else math.inf


@dataclass(frozen=True)
class Settling:
    """y = final + (start - final) exp(-t / tau), with standard deviations of independent points.

    start_sd leaves out that start and final are correlated: it is an upper bound.
    """

    start: float
    final: float
    tau: float
    start_sd: float
    final_sd: float
    tau_sd: float


def settling(t_s: FloatArray, y: FloatArray) -> Settling | None:
    """Fit one exponential, shape (n,), n >= 5; None where there is none to be found."""
    if len(t_s) < 5:
        return None
    span = float(t_s[-1] - t_s[0])
    fit = separated_fit(decays(t_s - t_s[0], level=True), y, np.array([3.0 / span]))
    if fit is None:
        return None
    (final, swing), rate = fit.linear, float(fit.rates[0])
    start_sd = math.hypot(float(fit.linear_sd[0]), float(fit.linear_sd[1]))
    return Settling(
        float(final + swing),
        float(final),
        1.0 / rate,
        start_sd,
        float(fit.linear_sd[0]),
        float(fit.rates_sd[0]) / rate**2,
    )


def rising_p(values: FloatArray) -> tuple[float, float]:
    """Return Mann-Kendall's one-sided p for a rise and Sen's slope per step, shape (n,), n >= 4."""
    steps = np.arange(len(values), dtype=np.float64)
    method = "exact" if len(values) <= 10 and len(np.unique(values)) == len(values) else "auto"
    p = float(stats.kendalltau(steps, values, method=method, alternative="greater").pvalue)
    return p, float(stats.theilslopes(values, steps).slope)
