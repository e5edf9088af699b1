"""How much does a record say about a few coefficients, and how much was known before? Weighted rows on both.

Every fit here is linear once a time constant is chosen, so time constants are tried
on a grid, each gets its coefficients in closed form, and what each explains decides
its weight. Residuals of thermal records repeat each other; they count as fewer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchwarden.core.samples import FloatArray

# Share of the log-likelihood that decides between choices: records follow none of them
# exactly. Chosen on simulated sets so that 95 % intervals cover what they should.
_TEMPER = 0.4


@dataclass(frozen=True)
class Weighed:
    """Coefficients for every choice of the grid.

    Attributes:
        beta: shape (g, p); covariance: shape (g, p, p).
        weight: shape (g,), adds up to one.
        residual_sd: of single rows at the best choice.
        effective: how many independent rows the residuals of the best choice are worth.
    """

    beta: FloatArray
    covariance: FloatArray
    weight: FloatArray
    residual_sd: float
    effective: float

    def mean(self) -> FloatArray:
        """Return the coefficients over the grid, shape (p,)."""
        mean: FloatArray = self.weight @ self.beta
        return mean


def weigh(
    design: FloatArray,
    values: FloatArray,
    known: FloatArray,
    known_sd: FloatArray,
    floor_sd: float,
    log_prior: FloatArray,
) -> Weighed:
    """Fit values to every design of a grid, each coefficient held by what was known of it.

    Args:
        design: shape (g, n, p).
        values: shape (n,).
        known, known_sd: shape (g, p); infinite sd for nothing known.
        floor_sd: least standard deviation of one row (resolution of the reading).
        log_prior: shape (g,), logarithm of what speaks for each choice beforehand.

    Source:
        Least squares with Gaussian priors (ridge form); n (1 - r1) / (1 + r1)
        effective rows of an AR(1) residual, as in `trend.line`.
    """
    n, p = design.shape[1], design.shape[2]
    gram = np.einsum("gnp,gnq->gpq", design, design)
    moment = np.einsum("gnp,n->gp", design, values)
    # A first look at the noise: the choice that leaves least, hardly held by anything.
    loose = np.eye(p) * 1e-9 * np.maximum(np.einsum("gpp->gp", gram), 1e-30)[:, :, None]
    first = np.linalg.solve(gram + loose, moment[:, :, None])[:, :, 0]
    residual = values - np.einsum("gnp,gp->gn", design, first)
    best = residual[int(np.argmin(np.einsum("gn,gn->g", residual, residual)))]
    sd, effective = _noise(best, p, floor_sd)
    for _ in range(2):
        row_variance = sd**2 * n / effective
        held = 1.0 / known_sd**2
        precision = gram / row_variance + np.einsum("gp,pq->gpq", held, np.eye(p))
        covariance = np.linalg.inv(precision)
        beta = np.einsum("gpq,gq->gp", covariance, moment / row_variance + held * np.where(held > 0.0, known, 0.0))
        residual = values - np.einsum("gnp,gp->gn", design, beta)
        away = np.where(held > 0.0, (beta - known) ** 2 * held, 0.0).sum(axis=1)
        cost = np.einsum("gn,gn->g", residual, residual) / row_variance + away
        # Marginal likelihood: a choice that needs its coefficients just so counts for less.
        score = -0.5 * cost + 0.5 * np.linalg.slogdet(covariance)[1] - np.log(known_sd).clip(max=50.0).sum(axis=1)
        # No record is quite what any choice says it is: likelihoods count for a part only.
        score = _TEMPER * score + log_prior
        best = residual[int(np.argmax(score))]
        sd, effective = _noise(best, p, floor_sd)
    weight = np.exp(score - score.max())
    return Weighed(beta, covariance, weight / weight.sum(), sd, effective)


def _noise(residual: FloatArray, p: int, floor_sd: float) -> tuple[float, float]:
    n = len(residual)
    rss = float(residual @ residual)
    sd = max((rss / max(n - p, 1)) ** 0.5, floor_sd)
    lag1 = float(residual[1:] @ residual[:-1]) / rss if rss > 0.0 else 0.0
    # Biased low by about (1 + 4 r1) / n (Marriott and Pope 1954, from memory).
    lag1 = min(max(lag1 + (1.0 + 4.0 * lag1) / n, 0.0), 0.97)
    return sd, max(n * (1.0 - lag1) / (1.0 + lag1), 2.0)
