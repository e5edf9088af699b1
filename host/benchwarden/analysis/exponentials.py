"""Which exponentials is it, and where do they end? A level, one or two time constants, covariates, coloured noise.

Model, for evenly spaced means y at times t after the beginning:

    y = final + a1 exp(-t / tau1) [+ a2 exp(-t / tau2)] + covariates k + noise,

the noise being white plus two autoregressive ones, quick and slow (Ornstein-Uhlenbeck).
For given time constants and ratios of the noises this is linear: the coefficients and
the scale of the noise are integrated out in closed form (normal and Student's
distributions). What is left is integrated on a grid that closes in on where the
probability is. Before a few time constants have passed, the likelihood of tau is
skewed with a long tail, and an interval from a linearised covariance is much too
short; this one is as long as the tail. One and two time constants are weighed by
their probability, which prices the second one as it should be, and both count.

Sources: separable least squares, Golub and Pereyra 1973; marginal likelihood of a
linear model with conjugate variance, standard result (for example Gelman et al.,
Bayesian Data Analysis, chapter 14; both from memory).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from benchwarden.core.samples import FloatArray

IndexArray = npt.NDArray[np.intp]

# Two noises beside the white one. Quick: correlated over about half a minute, with so many
# times the variance of the white noise of a mean. Slow: room and mains wander over a quarter
# of an hour, and no chain of heat is exactly two exponentials; shares of the level.
QUICK_S = 30.0
QUICK = (0.0, 1.0, 10.0)
SLOW_S = 1000.0
WANDER = (0.002, 0.006, 0.02)
# Two time constants nearer than this are one to any data.
LEAST_RATIO = 2.0
_COARSE = 26
_SINGLE = 25
_SIDE = 11
# Log probability below the best that no longer matters, pass by pass: between the points
# of a coarse grid a narrow peak hides.
_DEEP = (200.0, 60.0, 25.0, 12.0, 12.0)
_DEEP_NOISE = 7.0
# Weight, in data points, of the noise seen in second differences.
_KNOWN = 5.0
_KEEP = 1e-4


@dataclass(frozen=True)
class Prior:
    """What is known before the data.

    Attributes:
        tau_s: shortest and longest time constant, evenly likely by logarithm between.
        amplitude: standard deviation of each exponential's amplitude.
        covariate: standard deviation of each covariate's coefficient.
        level: of y, to which wander is proportional.
        noise: standard deviation of a mean's white noise, at least.
    """

    tau_s: tuple[float, float]
    amplitude: float
    covariate: float
    level: float
    noise: float


@dataclass(frozen=True)
class Posterior:
    """Mixture over grid cells; arrays of shape (cells,).

    Attributes:
        weight: probability of the cell, summing to one.
        tau_s: slowest time constant of the cell.
        final, final_sd: of the level at the end.
        two: probability that there are two time constants.
    """

    weight: FloatArray
    tau_s: FloatArray
    final: FloatArray
    final_sd: FloatArray
    two: float


@dataclass(frozen=True)
class _Grid:
    """Log probabilities over (phi, cell), and what the coefficients are there."""

    taus: FloatArray
    noises: IndexArray
    log_p: FloatArray
    final: FloatArray
    final_sd: FloatArray


class _Data:
    """One set of data, whitened for every noise that is considered."""

    def __init__(self, t_s: FloatArray, y: FloatArray, covariates: FloatArray, prior: Prior) -> None:
        self.t_s = t_s
        n = self.n = len(y)
        self.prior = prior
        self.centre = float(y.mean())
        self.covariates = covariates.shape[1]
        # 0.455 is the median of the square of a normal deviate, and second differences of
        # white noise have six times its variance.
        bends = np.diff(y, 2)
        self.noise2 = max(float(np.median(bends * bends)) / (6.0 * 0.455), prior.noise**2)
        step_s = float(t_s[-1] - t_s[0]) / (n - 1)
        apart = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        quick = np.exp(-step_s / QUICK_S * apart)
        slow = np.exp(-step_s / SLOW_S * apart)
        shape = [(q, (w * prior.level) ** 2 / self.noise2) for q in QUICK for w in WANDER]
        lower = np.linalg.cholesky(np.eye(n) + np.array([q * quick + s * slow for q, s in shape]))
        self.white = np.linalg.inv(lower)
        self.log_noise = np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
        self.fixed = self.white @ np.column_stack([np.ones(n), covariates, y - self.centre])

    def _normal(self, taus: FloatArray, noises: IndexArray) -> FloatArray:
        """Return the normal equations, shape (noises, cells, k, k): fixed columns, exponentials, y last."""
        distinct, where = np.unique(taus, return_inverse=True)
        where = where.reshape(taus.shape)
        decay = self.white[noises] @ np.exp(-self.t_s[:, None] / distinct)
        fixed = self.fixed[noises]
        cells, constants = taus.shape
        f = fixed.shape[2]
        turned = fixed.transpose(0, 2, 1)
        mixed = turned @ decay
        own = np.einsum("jnd,jnd->jd", decay, decay)
        at = [*range(f - 1), f + constants - 1]
        normal = np.empty((len(noises), cells, f + constants, f + constants))
        normal[:, :, np.array(at)[:, None], at] = (turned @ fixed)[:, None]
        for i in range(constants):
            k = f - 1 + i
            normal[:, :, k, k] = own[:, where[:, i]]
            across = mixed[:, :, where[:, i]].transpose(0, 2, 1)
            normal[:, :, k, at] = across
            normal[:, :, at, k] = across
        if constants == 2:
            cross = np.einsum("jnc,jnc->jc", decay[:, :, where[:, 0]], decay[:, :, where[:, 1]])
            normal[:, :, f - 1, f] = normal[:, :, f, f - 1] = cross
        return normal

    def grid(self, taus: FloatArray, noises: IndexArray, area: float) -> _Grid:
        """Evaluate cells, taus of shape (cells, constants); `area` is one cell's share of the prior."""
        prior = self.prior
        normal = self._normal(taus, noises)
        matrix, right, square = normal[:, :, :-1, :-1], normal[:, :, :-1, -1], normal[:, :, -1, -1]
        sd = np.array([math.inf] + [prior.covariate] * self.covariates + [prior.amplitude] * taus.shape[1])
        ridge = self.noise2 / sd**2
        # The level itself has a flat prior; a trace of one keeps the matrix regular.
        ridge[0] = 1e-9
        inverse, log_det = _inverse(matrix + np.diag(ridge))
        beta = np.einsum("pcij,pcj->pci", inverse, right)
        left = square - np.einsum("pci,pci->pc", beta, right)
        # One for the level taken off, some for what is known of the noise put on.
        freedom = float(self.n) - 1.0 + _KNOWN
        scale = np.maximum(left, 0.0) + _KNOWN * self.noise2
        log_p = (
            0.5 * float(np.log(ridge[1:]).sum())
            - self.log_noise[noises][:, None]
            - 0.5 * log_det
            - 0.5 * freedom * np.log(scale)
            + math.log(area)
        )
        # Of Student's distribution, so that normal ones of this variance may stand for it.
        variance = scale / (freedom - 2.0)
        return _Grid(
            taus,
            noises,
            log_p,
            beta[:, :, 0] + self.centre,
            np.sqrt(inverse[:, :, 0, 0] * variance),
        )


def _inverse(matrix: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return inverse and log determinant of many small positive definite matrices, shape (..., k, k).

    Sweep operator (Goodnight 1979, from memory), all matrices at once; the batched
    routines of numpy go through LAPACK matrix by matrix and take several times longer.
    """
    # Columns of like size: a time constant far beyond the data is nearly the level.
    size = np.sqrt(np.diagonal(matrix, axis1=-2, axis2=-1))
    a = matrix / (size[..., :, None] * size[..., None, :])
    log_det = 2.0 * np.log(size).sum(axis=-1)
    for k in range(a.shape[-1]):
        pivot = np.maximum(a[..., k, k], 1e-14)
        log_det = log_det + np.log(pivot)
        row = a[..., k, :] / pivot[..., None]
        column = a[..., :, k].copy()
        a = a - column[..., :, None] * row[..., None, :]
        a[..., k, :] = row
        a[..., :, k] = -column / pivot[..., None]
        a[..., k, k] = 1.0 / pivot
    return a / (size[..., :, None] * size[..., None, :]), log_det


def _pairs(slow: FloatArray, quick: FloatArray) -> FloatArray:
    both = np.array(list(itertools.product(slow, quick)))
    return both[both[:, 1] * LEAST_RATIO <= both[:, 0]]


@lru_cache(maxsize=4)
def _coarse(low: float, high: float) -> tuple[FloatArray, FloatArray]:
    taus = np.geomspace(low, high, _COARSE)
    return taus[:, None], _pairs(taus, taus)


def _closed_in(data: _Data, taus: FloatArray, constants: int) -> _Grid:
    """Return the grid that holds the probability of one or two time constants, after closing in on it.

    Each finer grid lies along the principal axes of what the one before found, for two
    time constants are known much better together than each; it covers all that matters.
    """
    low, high = data.prior.tau_s
    whole = math.log(high / low)
    # Share of a cell: of the line, or of the triangle in which the second is the quicker one.
    unit = whole if constants == 1 else 0.5 * (whole - math.log(LEAST_RATIO)) ** 2
    steps = np.full(constants, whole / (_COARSE - 1))
    axes = np.eye(constants)
    noises = np.arange(len(QUICK) * len(WANDER))
    grid = data.grid(taus, noises, math.prod(steps) / unit)
    points = _SINGLE if constants == 1 else _SIDE
    for deep in _DEEP:
        cell = np.logaddexp.reduce(grid.log_p, axis=0)
        best = float(cell.max())
        at = np.log(grid.taus)
        alive = at[cell > best - deep]
        share = np.exp(cell - best)
        share /= share.sum()
        off = at - share @ at
        covariance = (off * share[:, None]).T @ off + axes @ np.diag(steps**2 / 12.0) @ axes.T
        spread, turned = np.linalg.eigh(covariance)
        # What a step of the old grid is along the new axes.
        pad = np.abs(turned.T @ axes) @ steps
        inside = alive @ turned
        start, stop = inside.min(axis=0) - pad, inside.max(axis=0) + pad
        finer = (stop - start) / (points - 1)
        if (finer > 0.8 * pad).all() or (steps < 0.7 * np.sqrt(spread).min()).all():
            if deep > _DEEP[-1]:
                continue
            break
        nodes = [start[i] + finer[i] * np.arange(points) for i in range(constants)]
        at = np.array(list(itertools.product(*nodes))) @ turned.T
        fits = (at > math.log(low) - 1e-9).all(axis=1) & (at < math.log(high) + 1e-9).all(axis=1)
        if constants == 2:
            fits &= at[:, 0] - at[:, 1] >= math.log(LEAST_RATIO)
        if fits.sum() < 3:
            break
        noise_p = np.logaddexp.reduce(grid.log_p, axis=1)
        noises = noises[noise_p > noise_p.max() - _DEEP_NOISE]
        axes, steps = turned, finer
        grid = data.grid(np.exp(at[fits]), noises, math.prod(steps) / unit)
    return grid


def posterior(t_s: FloatArray, y: FloatArray, covariates: FloatArray, prior: Prior) -> Posterior:
    """Weigh what the data leave possible.

    Args:
        t_s: evenly spaced times since the beginning, shape (n,), n >= 6, seconds.
        y: means, shape (n,).
        covariates: shape (n, m), each with mean zero; m may be 0.
        prior: known before.
    """
    data = _Data(t_s, y, covariates, prior)
    singles, pairs = _coarse(*prior.tau_s)
    grids = [_closed_in(data, singles, 1), _closed_in(data, pairs, 2)]
    best = max(float(g.log_p.max()) for g in grids)
    weights = [np.exp(g.log_p - best) for g in grids]
    total = sum(float(w.sum()) for w in weights)
    kept = [w > _KEEP * max(float(v.max()) for v in weights) for w in weights]

    def over(name: str) -> FloatArray:
        return np.concatenate([getattr(g, name)[k] for g, k in zip(grids, kept, strict=True)])

    tau = np.concatenate([np.broadcast_to(g.taus[:, 0], g.log_p.shape)[k] for g, k in zip(grids, kept, strict=True)])
    weight = np.concatenate([w[k] for w, k in zip(weights, kept, strict=True)])
    return Posterior(
        weight=weight / float(weight.sum()),
        tau_s=tau,
        final=over("final"),
        final_sd=over("final_sd"),
        two=float(weights[1].sum()) / total,
    )


def quantiles(weight: FloatArray, centre: FloatArray, sd: FloatArray, at: tuple[float, ...]) -> list[float]:
    """Return quantiles of a mixture of normal distributions, shape (cells,) each."""
    low, high = float((centre - 6.0 * sd).min()), float((centre + 6.0 * sd).max())
    if not high > low:
        return [low for _ in at]
    for _ in range(2):
        # The second time between the outermost quantiles: a far cell makes the first one coarse.
        x = np.linspace(low, high, 101)
        cdf = weight @ special.ndtr((x - centre[:, None]) / sd[:, None])
        found = np.interp(at, cdf, x)
        low, high = float(found.min()) - (x[1] - x[0]), float(found.max()) + (x[1] - x[0])
    return [float(v) for v in found]


def weighted_quantiles(weight: FloatArray, value: FloatArray, at: tuple[float, ...]) -> list[float]:
    """Return quantiles of discrete values with weights, shape (cells,) each."""
    order = np.argsort(value, kind="stable")
    middle = np.cumsum(weight[order]) - 0.5 * weight[order]
    return [float(v) for v in np.interp(at, middle, value[order])]
