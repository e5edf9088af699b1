"""Plain tabular CUSUM: when does a stream leave its baseline, and how seldom does it say so for nothing?

The textbook scheme (Page 1954; Montgomery, Introduction to Statistical Quality Control,
chapter 9, from memory): S+ = max(0, S+ + z - k), S- = max(0, S- - z - k), alarm above h,
z the deviation from the baseline mean in baseline standard deviations. Its run lengths
hold for independent normal z; drifting or correlated readings alarm far more often.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr

from benchwarden.core.samples import FloatArray

_NODES = 96


def sums(z: FloatArray, k: float) -> tuple[FloatArray, FloatArray]:
    """Return S+ and S- after each value, both started at zero.

    Args:
        z: standardised deviations, shape (n,), none missing.
        k: reference value, standard deviations.
    """
    return _one_sided(z - k), _one_sided(-z - k)


def _one_sided(steps: FloatArray) -> FloatArray:
    # max(0, S + step) unrolled: the walk less its lowest point so far, zero included.
    walk = np.cumsum(steps)
    lowest = np.minimum(np.minimum.accumulate(walk), 0.0)
    return walk - lowest


def first_alarm(z: FloatArray, k: float, h: float) -> int | None:
    """Return the index of the first value at which either sum passes h, None if none does."""
    up, down = sums(z, k)
    over = (up > h) | (down > h)
    return int(np.argmax(over)) if over.any() else None


def one_sided_arl(h: float, k: float, shift: float) -> float:
    """Return the mean number of independent N(shift, 1) values until S+ passes h.

    Source: Page's integral equation L(z) = 1 + L(0) P(step <= -z) + integral over 0..h of
    L(x) p(x - z) dx, step = value - k, solved on Gauss-Legendre nodes (Goel and Wu 1971, from memory).
    """
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    x = 0.5 * h * (nodes + 1.0)
    w = 0.5 * h * weights
    z = np.concatenate([[0.0], x])
    matrix = np.empty((_NODES + 1, _NODES + 1))
    matrix[:, 0] = ndtr(k - shift - z)
    step = x[None, :] - z[:, None] + k - shift
    matrix[:, 1:] = w * np.exp(-0.5 * step**2) / math.sqrt(2.0 * math.pi)
    lengths = np.linalg.solve(np.eye(_NODES + 1) - matrix, np.ones(_NODES + 1))
    return float(lengths[0])


def two_sided_arl(h: float, k: float, shift: float) -> float:
    """Return the mean number of values until either sum passes h.

    Source: 1/ARL = 1/ARL+ + 1/ARL-, exact for this scheme (Montgomery 9.7).
    """
    return 1.0 / (1.0 / one_sided_arl(h, k, shift) + 1.0 / one_sided_arl(h, k, -shift))


def limit_for(arl0: float, k: float) -> float:
    """Return h of the two-sided scheme that alarms for nothing once in arl0 values on average.

    Raises:
        ValueError: arl0 is not between 10 and 1e10 values.
    """
    if not 10.0 <= arl0 <= 1e10:
        raise ValueError(f"arl0 {arl0!r}; allowed: 10 to 1e10")
    found = brentq(lambda h: math.log(two_sided_arl(h, k, 0.0) / arl0), 0.1, 60.0, xtol=1e-9)
    return float(found)
