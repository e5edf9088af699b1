"""What of a long record does a plot draw, so that neither a peak nor a gap is lost?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from tsdownsample import MinMaxDownsampler

from benchwarden.core.samples import Float32Array, FloatArray

# A pause longer than this many usual steps is a gap. Common practice, no source.
GAP_STEPS = 2.5
# Points that a stretch between two gaps keeps at the least.
_LEAST = 8

_SAMPLER: Any = MinMaxDownsampler  # has no annotations of its own
_SAMPLER = _SAMPLER()

_Bounds = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Line:
    """What a plot draws of one channel.

    Attributes:
        t_s: seconds since run start, never decreasing.
        value: SI units; None marks a gap.
    """

    t_s: list[float]
    value: list[float | None]


def thinned(t_s: FloatArray, low: Float32Array, high: Float32Array, most: int, usual_s: float | None = None) -> Line:
    """Return the envelope of one channel in about `most` points; its least and greatest value are always among them.

    Args:
        t_s: seconds since run start, shape (n,), strictly increasing.
        low, high: least and greatest value at each time, shape (n,), NaN where missing.
        most: points to draw. Many gaps add to it; two of them closer together
            than a point is wide are then drawn as one stretch.
        usual_s: the usual step, by which a gap is known; default: the median of the steps.
    """
    held = np.flatnonzero(~(np.isnan(low) | np.isnan(high)))
    if not len(held):
        return Line([], [])
    if usual_s is None:
        usual_s = float(np.median(np.diff(t_s))) if len(t_s) > 1 else 0.0
    starts, stops = _stretches(t_s, held, most, usual_s)
    times: list[float] = []
    values: list[float | None] = []
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        if times:
            times.append((times[-1] + float(t_s[held[start]])) / 2.0)
            values.append(None)
        rows = held[start:stop]
        # Without a hole it is a slice, which copies nothing.
        is_whole = rows[-1] - rows[0] + 1 == len(rows)
        part = slice(int(rows[0]), int(rows[-1]) + 1) if is_whole else rows
        value = _interleaved(low[part], high[part])
        kept = np.arange(len(value))
        room = max(_LEAST, round(most * len(rows) / len(held)))
        if len(value) > room:
            kept = _SAMPLER.downsample(value, n_out=room - room % 2).astype(np.int64)
            # With both ends, or the stretch would seem to begin late and end early.
            kept = np.unique(np.concatenate(([0], kept, [len(value) - 1])))
        times += t_s[part][kept // 2].tolist()
        values += value[kept].tolist()
    return Line(times, values)


def _stretches(t_s: FloatArray, held: _Bounds, most: int, usual_s: float) -> tuple[_Bounds, _Bounds]:
    """Return first and last + 1 of each stretch of `held` without a gap."""
    is_missing = np.diff(held) > 1
    pause_s = np.diff(t_s[held])
    # Where values are missing the pause is longer than a step, and a gap whatever its length.
    cuts = np.flatnonzero((pause_s > GAP_STEPS * usual_s) | is_missing)
    if len(cuts) * _LEAST > most:
        cuts = cuts[pause_s[cuts] > 2.0 * (t_s[held[-1]] - t_s[held[0]]) / most]
    edges = np.concatenate(([0], cuts + 1, [len(held)]))
    return edges[:-1], edges[1:]


def _interleaved(low: Float32Array, high: Float32Array) -> Float32Array:
    """Return both edges as one line that goes up, along, down, along; shape (2 n,)."""
    value = np.empty(2 * len(low), np.float32)
    value[0::2], value[1::2] = low, high
    # Every second pair the other way round: fewer strokes across.
    value[2::4], value[3::4] = high[1::2], low[1::2]
    return value
