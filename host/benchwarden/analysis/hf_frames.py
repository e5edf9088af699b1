"""The newest few seconds frame by frame: which were up, and what did all channels read meanwhile?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, HF, NEG_A, NEG_V, OFFSET, POS_A, POS_V
from benchwarden.core.samples import BoolArray, FloatArray

_DOWN_SHARE = 0.6
# Standard deviation over median absolute difference of two normal values: 1 / (0.6745 sqrt(2)).
_MEDIAN_STEP = 1.0484


@dataclass(frozen=True)
class Means:
    """Means of some frames.

    Attributes:
        t_s: mean time. n: frames. hf_v, bias_v, offset_v: left and right.
        rail_a: positive and negative. rail_v: mean magnitude.
    """

    t_s: float
    n: int
    hf_v: tuple[float, float]
    rail_a: tuple[float, float]
    rail_v: float
    bias_v: tuple[float, float]
    offset_v: tuple[float, float]


def means_of(t_s: FloatArray, values: FloatArray) -> Means:
    """Return the means of frames; values has shape (channels, n), n at least 1."""
    there = ~np.isnan(values)
    with np.errstate(invalid="ignore"):
        mean = (np.where(there, values, 0.0).sum(axis=1) / there.sum(axis=1)).tolist()
    volts = [abs(v) for v in (mean[POS_V], mean[NEG_V]) if v == v]
    return Means(
        t_s=float(t_s.mean()),
        n=len(t_s),
        hf_v=(mean[HF[0]], mean[HF[1]]),
        rail_a=(mean[POS_A], mean[NEG_A]),
        rail_v=sum(volts) / len(volts) if volts else math.nan,
        bias_v=(mean[BIAS[0]], mean[BIAS[1]]),
        offset_v=(mean[OFFSET[0]], mean[OFFSET[1]]),
    )


def joined(a: Means, b: Means) -> Means:
    """Return the means of the frames of both; what one of them lacks is lacking."""
    share = b.n / (a.n + b.n)

    def both(x: float, y: float) -> float:
        return x + share * (y - x)

    def pair(x: tuple[float, float], y: tuple[float, float]) -> tuple[float, float]:
        return both(x[0], y[0]), both(x[1], y[1])

    return Means(
        both(a.t_s, b.t_s),
        a.n + b.n,
        pair(a.hf_v, b.hf_v),
        pair(a.rail_a, b.rail_a),
        both(a.rail_v, b.rail_v),
        pair(a.bias_v, b.bias_v),
        pair(a.offset_v, b.offset_v),
    )


def _up(level_v: FloatArray, base_v: float, limit_v: float, was: bool) -> BoolArray:
    """Return where a level is up; what hovers at the limit is one stay and not many."""
    with np.errstate(invalid="ignore"):
        above, below = level_v > limit_v, level_v < base_v + _DOWN_SHARE * (limit_v - base_v)
    decided = above | below
    newest = np.maximum.accumulate(np.where(decided, np.arange(len(level_v)), -1))
    up: BoolArray = np.where(newest >= 0, above[np.maximum(newest, 0)], was)
    return up


def _spread_a(values: FloatArray) -> float:
    """Return a frame's noise from the median successive difference, which few edges do not move."""
    rails = []
    for channel in (POS_A, NEG_A):
        steps = np.abs(np.diff(values[channel]))
        steps = steps[~np.isnan(steps)]
        if len(steps) >= 4:
            moved = steps[steps > 0.0]
            # A coarse converter stands still for most frames and then is off by its step.
            coarse = 0.5 * float(moved.min()) if len(moved) else 0.0
            rails.append(max(float(np.median(steps)) * _MEDIAN_STEP, coarse))
    return max(rails) if rails else 0.0


@dataclass(frozen=True)
class Frames:
    """Consecutive frames.

    Attributes:
        t_s: shape (n,). mean, low, high: shape (channels, n).
        up: shape (2, n): the HF mean has gone above its limit and not yet clearly below
            it, left and right.
        period_s: between frames.
        spread_a: standard deviation of one frame's rail current, edges left out.
    """

    t_s: FloatArray
    mean: FloatArray
    low: FloatArray
    high: FloatArray
    up: BoolArray
    period_s: float
    spread_a: float

    @classmethod
    def of(
        cls, seconds: Sequence[Second], bases_v: list[float], limits_v: list[float], was: list[bool], period_s: float
    ) -> Frames:
        """Return the frames of consecutive seconds.

        Args:
            bases_v, limits_v: quiet level and limit of each HF channel.
            was: each was up in the first frame if that leaves it open.
        """
        mean = np.concatenate([s.frame_mean for s in seconds], axis=1)
        up = np.array([_up(mean[c], b, v, w) for c, b, v, w in zip(HF, bases_v, limits_v, was, strict=True)])
        return cls(
            np.concatenate([s.frame_t_s for s in seconds]),
            mean,
            np.concatenate([s.frame_low for s in seconds], axis=1),
            np.concatenate([s.frame_high for s in seconds], axis=1),
            up,
            period_s,
            _spread_a(mean),
        )

    def runs(self, k: int) -> list[tuple[int, int]]:
        """Return (first, one past last) of each stretch of frames in which channel k is up."""
        edges = np.flatnonzero(np.diff(np.concatenate([[False], self.up[k], [False]]).astype(np.int8)))
        return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]

    def part(self, start: int, stop: int) -> Means:
        """Return the means of frames start to stop (not included), at least one."""
        return means_of(self.t_s[start:stop], self.mean[:, start:stop])

    def down(self, start_s: float, stop_s: float) -> Means | None:
        """Return the means of the frames between two times in which neither channel is up, None if there are none."""
        chosen = (self.t_s >= start_s) & (self.t_s <= stop_s) & ~self.up[0] & ~self.up[1]
        return means_of(self.t_s[chosen], self.mean[:, chosen]) if chosen.any() else None
