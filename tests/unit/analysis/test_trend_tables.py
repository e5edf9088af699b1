"""The trend test behind the drift against printed tables and the exact distribution."""

from __future__ import annotations

import numpy as np
import pytest

from benchwarden.analysis.trend import rising_p


def with_score(n: int, score: int) -> np.ndarray:
    """Return 0 to n - 1 in an order whose Mann-Kendall S is `score`: each inversion takes two off the largest."""
    left = (n * (n - 1) // 2 - score) // 2
    order: list[float] = []
    for value in range(n - 1, -1, -1):
        at = min(left, len(order))
        order.insert(at, float(value))
        left -= at
    assert left == 0
    return np.array(order)


@pytest.mark.parametrize(
    ("n", "score", "p"),
    [
        # Exact one-sided chances, Kendall's distribution, five digits.
        (5, 8, 0.04167),
        (6, 11, 0.02778),
        (8, 16, 0.03051),
        (9, 18, 0.03759),
        (10, 21, 0.03628),
        (10, 27, 0.00833),
    ],
)
def test_chances_of_small_samples(n: int, score: int, p: float) -> None:
    assert rising_p(with_score(n, score))[0] == pytest.approx(p, abs=6e-6)


@pytest.mark.parametrize(
    ("n", "ten", "five", "one"),
    # Smallest S with a chance of at most 0.10, 0.05, 0.01: table at help.earthsoft.com/lib_mann-kendall.htm,
    # its 0.10 entries of a parity that S cannot have put right.
    [(5, 8, 8, 10), (6, 9, 11, 13), (7, 11, 13, 17), (8, 12, 16, 20), (9, 14, 18, 24), (10, 17, 21, 27)],
)
def test_smallest_significant_scores(n: int, ten: int, five: int, one: int) -> None:
    for score, level in ((ten, 0.10), (five, 0.05), (one, 0.01)):
        assert rising_p(with_score(n, score))[0] <= level
        if score >= 2:
            assert rising_p(with_score(n, score - 2))[0] > level
