"""Least squares where most parameters are linear: only the rates are searched, the rest is solved for.

Source: variable projection, Golub and Pereyra 1973 (from memory); the search is MINPACK's
Levenberg-Marquardt through scipy.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from benchwarden.core.samples import FloatArray

# Given rates, returns the columns, shape (n, k), and their derivatives by each rate, shape (rates, n, k).
Columns = Callable[[FloatArray], tuple[FloatArray, FloatArray]]


@dataclass(frozen=True)
class Separated:
    """The best fit, with standard deviations of independent points of equal variance.

    Attributes:
        linear, rates: parameters; linear_sd, rates_sd: their standard deviations.
        residual_ss: sum of squared residuals.
        residual_sd: of single points.
    """

    linear: FloatArray
    rates: FloatArray
    linear_sd: FloatArray
    rates_sd: FloatArray
    residual_ss: float
    residual_sd: float


def separated_fit(columns: Columns, y: FloatArray, rates: FloatArray) -> Separated | None:
    """Fit y, shape (n,), by columns(rates) @ linear, starting from positive `rates`; None where it does not converge.

    Rates stay positive: their logarithms are searched.
    """

    def projected(logs: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        basis, slopes = columns(np.exp(logs))
        linear: FloatArray = np.asarray(np.linalg.lstsq(basis, y, rcond=None)[0], dtype=np.float64)
        return basis, slopes, linear, basis @ linear - y

    def residual(logs: FloatArray) -> FloatArray:
        return projected(np.clip(logs, -60.0, 60.0))[3]

    try:
        best = optimize.least_squares(
            residual, np.log(rates), jac="3-point", method="trf", x_scale=1.0, xtol=1e-15, ftol=1e-15, gtol=1e-15
        )
    except (ValueError, np.linalg.LinAlgError):
        return None
    basis, slopes, linear, left = projected(best.x)
    jacobian = np.column_stack([basis, *(s @ linear for s in slopes)])
    n, k = jacobian.shape
    scale = np.sqrt((jacobian * jacobian).sum(axis=0))
    if n <= k or not np.isfinite(scale).all() or (scale == 0.0).any():
        return None
    upper = np.linalg.qr(jacobian / scale, mode="r")
    if np.abs(np.diag(upper)).min() < 1e-13:
        return None
    inverse = np.linalg.inv(upper)
    rss = float(left @ left)
    sd = math.sqrt(rss / (n - k))
    deviations = sd * np.sqrt((inverse * inverse).sum(axis=1)) / scale
    m = basis.shape[1]
    return Separated(linear, np.exp(best.x), deviations[:m], deviations[m:], rss, sd)


def decays(t_s: FloatArray, level: bool) -> Columns:
    """Return columns exp(-rate t) for each rate, a constant before them if `level`."""

    def columns(rates: FloatArray) -> tuple[FloatArray, FloatArray]:
        basis = np.exp(-np.outer(t_s, rates))
        fixed = int(level)
        slopes = np.zeros((len(rates), len(t_s), len(rates) + fixed))
        for i in range(len(rates)):
            slopes[i, :, fixed + i] = -t_s * basis[:, i]
        return (np.column_stack([np.ones(len(t_s)), basis]) if level else basis), slopes

    return columns
