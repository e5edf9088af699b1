"""How fast does a slow record change with time, temperature or mains, and how sure is that?

Thermal records wander: neighbours repeat each other for as long as a room or a
draught lasts, and an interval that counts samples is far too narrow. Here nobody
says how long that is. Noise is taken as white noise plus one that forgets over some
span, up to a random walk that never does; every mixture on a grid is tried, weighed
by how well it explains the residuals (restricted likelihood), and the interval is
that of all of them together. With white noise it is the ordinary one; with a random
walk it is as wide as a random walk makes it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from benchwarden.core.samples import FloatArray

# Memory of the second noise, in median steps of the record. A longer one cannot be
# told from a random walk in a record of this many points, and the walk is the safer.
MEMORIES = (0.8, 1.6, 3.2, 6.4)
# Its variance over that of the white noise; for a random walk, that of one step.
RATIOS = (0.3, 3.0, 30.0, 300.0)
WALK_RATIOS = (0.01, 0.1, 1.0, 10.0, 100.0)
# What speaks for white noise alone, noise that forgets, and a walk before a record is
# seen. A walk too small to show still spoils a slope; with these the 95 % interval
# covers 0.89 to 1.00 of the time whichever is true, at the price of twice the width
# where the noise is plain white (tests/unit/analysis/test_slow_fit.py).
SHARES = (0.1, 0.2, 0.7)
MOST_POINTS = 60
# Residuals below this share of the largest value are rounding, not noise.
_ROUNDING = 1e-11
# Columns conditioned worse than this, centred and scaled, say the same.
_DEPENDENT = 1e6


@dataclass(frozen=True)
class Coefficient:
    """One coefficient with its 95 % interval."""

    value: float
    low: float
    high: float


def merged(most: int, *arrays: FloatArray) -> list[FloatArray]:
    """Return means of equal groups of neighbours, at most `most` of them; the odd ones at the start are left out."""
    n = len(arrays[0])
    per = -(-n // most)
    groups = n // per
    return [array[n - groups * per :].reshape(groups, per).mean(axis=1) for array in arrays]


def noise_shapes(t: FloatArray) -> FloatArray:
    """Return the covariance of every noise tried, shape (g, n, n), the white one first."""
    step = float(np.median(np.diff(t)))
    apart = np.abs(t[:, None] - t[None, :]) / step
    since = (t - t[0]) / step
    white = np.eye(len(t))
    shapes = [white]
    for memory in MEMORIES:
        alike = np.exp(-apart / memory)
        shapes += [white + ratio * alike for ratio in RATIOS]
    walk = np.minimum(since[:, None], since[None, :])
    shapes += [white + ratio * walk for ratio in WALK_RATIOS]
    return np.stack(shapes)


def _before() -> FloatArray:
    """Return what speaks for every noise before the record is seen, shape (g,)."""
    forgetful = len(MEMORIES) * len(RATIOS)
    white, forgets, walks = SHARES
    weights = [white] + [forgets / forgetful] * forgetful + [walks / len(WALK_RATIOS)] * len(WALK_RATIOS)
    return np.array(weights)


def regress(t: FloatArray, columns: FloatArray, y: FloatArray) -> tuple[Coefficient, ...] | None:
    """Return the coefficients of y = constant + columns @ beta, without the constant, or None.

    None: too few points, or columns that say the same or do not move at all.

    Args:
        t: increasing, shape (n,); sets how far apart points are, in any unit.
        columns: shape (n, p). y: shape (n,).
    """
    n, p = columns.shape
    if n < p + 4:
        return None
    spread = np.ptp(columns, axis=0)
    if not (spread > 1e-9 * np.abs(columns).max(axis=0)).all():
        return None
    if np.linalg.cond((columns - columns.mean(axis=0)) / spread) > _DEPENDENT:
        return None
    beta, sd, weight = under_every_noise(t, columns, y)
    found = []
    for j in range(p):
        value, low, high = (_mixed(share, beta[:, j], sd[:, j], weight, n - p - 1) for share in (0.5, 0.025, 0.975))
        found.append(Coefficient(value, low, high))
    return tuple(found)


def under_every_noise(t: FloatArray, columns: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return coefficients and standard deviations, shape (g, p), and weights, shape (g,), of every noise tried.

    Arguments as for `regress`; the first row is ordinary least squares.

    Source:
        Generalised least squares; restricted likelihood (Patterson and Thompson,
        Biometrika 58 (1971) 545, from memory) over the grid of noises.
    """
    n, p = columns.shape
    spread = np.ptp(columns, axis=0)
    # Centred and scaled, so that badly conditioned columns keep their digits.
    design = np.column_stack([np.ones(n), (columns - columns.mean(axis=0)) / spread])
    level = float(y.mean())
    root = np.linalg.cholesky(noise_shapes(t))
    whitened = np.linalg.solve(root, np.column_stack([design, y - level])[None, :, :])
    x, z = whitened[:, :, :-1], whitened[:, :, -1]
    gram = np.einsum("gnp,gnq->gpq", x, x)
    inverse = np.linalg.inv(gram)
    beta = np.einsum("gpq,gnq,gn->gp", inverse, x, z)
    residual = z - np.einsum("gnp,gp->gn", x, beta)
    freedom = n - p - 1
    rounding = n * (_ROUNDING * float(np.abs(y - level).max(initial=0.0)) + 1e-150) ** 2
    rss = np.maximum(np.einsum("gn,gn->g", residual, residual), rounding)
    log_noise = 2.0 * np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    likelihood = -0.5 * (freedom * np.log(rss) + log_noise + np.linalg.slogdet(gram)[1])
    weight = _before() * np.exp(likelihood - likelihood.max())
    sd = np.sqrt(rss[:, None] / freedom * np.diagonal(inverse, axis1=1, axis2=2))
    return beta[:, 1:] / spread, sd[:, 1:] / spread, weight / weight.sum()


def _mixed(share: float, beta: FloatArray, sd: FloatArray, weight: FloatArray, freedom: int) -> float:
    """Return the quantile of a weighted mixture of Student distributions."""
    each = beta + sd * float(stats.t.ppf(share, freedom))
    low, high = float(each.min()), float(each.max())
    # Fifty halvings leave nothing of the bracket; the share is between the extremes of the parts.
    for _ in range(50):
        middle = 0.5 * (low + high)
        if float(weight @ stats.t.cdf((middle - beta) / sd, freedom)) < share:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
