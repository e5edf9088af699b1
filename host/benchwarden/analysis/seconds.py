"""Frames gathered into whole seconds of board time, whatever pieces they arrive in.

Slow detectors look once a second. The cut is made on the time axis, never on the
blocks, so one frame at a time and a day at once give the same seconds bit by bit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchwarden.core.samples import BoolArray, FloatArray, SampleBlock

IndexArray = npt.NDArray[np.intp]

BIN_S = 1.0


@dataclass(frozen=True, slots=True)
class Second:
    """What happened between two whole seconds.

    Attributes:
        t_s: end of the second (the time at which it is known), seconds.
        first_s, last_s: time of its first and last frame.
        mean: mean of the frames' means per channel, NaN when none was there.
        low, high: smallest minimum and largest maximum per channel.
        mains_on, limiter_in, drive_on: at the last frame.
        switched: one of the three changed within the second.
        frame_t_s: shape (n,); frame_mean, frame_low, frame_high: shape (channels, n).
    """

    t_s: float
    first_s: float
    last_s: float
    mean: list[float]
    low: list[float]
    high: list[float]
    mains_on: bool
    limiter_in: bool
    drive_on: bool
    switched: bool
    frame_t_s: FloatArray
    frame_mean: FloatArray
    frame_low: FloatArray
    frame_high: FloatArray


def _segment_mean(values: FloatArray, starts: IndexArray) -> FloatArray:
    there = ~np.isnan(values)
    count = np.add.reduceat(there, starts, axis=1, dtype=np.float64)
    total = np.add.reduceat(np.where(there, values, 0.0), starts, axis=1)
    with np.errstate(invalid="ignore"):
        mean: FloatArray = total / count
    return mean


def _segment_extreme(values: FloatArray, starts: IndexArray, highest: bool) -> FloatArray:
    ufunc = np.fmax if highest else np.fmin
    extreme: FloatArray = ufunc.reduceat(values, starts, axis=1)
    return extreme


class SecondCutter:
    """Cuts a stream of blocks into seconds; holds only the unfinished one."""

    def __init__(self) -> None:
        self._held: list[SampleBlock] = []
        self._index = 0

    def feed(self, block: SampleBlock) -> Iterator[Second]:
        """Yield every second that `block` finishes."""
        if not len(block):
            return
        index = np.floor(block.t_s / BIN_S).astype(np.int64)
        if self._held and index[0] == self._index and index[-1] == self._index:
            self._held.append(block)
            return
        parts = [*self._held, block]
        keep = int(np.searchsorted(index, index[-1]))
        self._held = [part_of(block, keep, len(block))]
        parts[-1] = part_of(block, 0, keep)
        self._index = int(index[-1])
        yield from _seconds([part for part in parts if len(part)])

    def finish(self) -> Iterator[Second]:
        """Yield the unfinished second."""
        held, self._held = self._held, []
        if held:
            yield from _seconds(held, last=True)


def part_of(block: SampleBlock, start: int, stop: int) -> SampleBlock:
    """Return frames start to stop of a block, as views."""
    if start == 0 and stop == len(block):
        return block
    return SampleBlock(
        block.t_s[start:stop],
        block.mean[start:stop],
        block.minimum[start:stop],
        block.maximum[start:stop],
        block.mains_on[start:stop],
        block.limiter_in[start:stop],
        block.drive_on[start:stop],
    )


def _joined(parts: list[SampleBlock], name: str) -> FloatArray:
    array: FloatArray = np.concatenate([getattr(part, name) for part in parts])
    return array


def _seconds(parts: list[SampleBlock], last: bool = False) -> Iterator[Second]:
    if not parts:
        return
    t_s = _joined(parts, "t_s")
    # One contiguous row per channel: a segment's sum then depends on the
    # segment alone and not on where in the array it lies.
    mean = np.ascontiguousarray(_joined(parts, "mean").T, dtype=np.float64)
    low = np.ascontiguousarray(_joined(parts, "minimum").T, dtype=np.float64)
    high = np.ascontiguousarray(_joined(parts, "maximum").T, dtype=np.float64)
    bits: list[BoolArray] = [
        np.concatenate([getattr(p, n) for p in parts]) for n in ("mains_on", "limiter_in", "drive_on")
    ]
    index = np.floor(t_s / BIN_S).astype(np.int64)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(index)) + 1])
    stops = np.append(starts[1:], len(t_s))
    means = _segment_mean(mean, starts).T.tolist()
    lows = _segment_extreme(low, starts, False).T.tolist()
    highs = _segment_extreme(high, starts, True).T.tolist()
    word = bits[0] + 2 * bits[1].astype(np.int8) + 4 * bits[2].astype(np.int8)
    words = word[stops - 1].tolist()
    word_low = np.minimum.reduceat(word, starts)
    word_high = np.maximum.reduceat(word, starts)
    switched = (word_low != word_high).tolist()
    times = t_s.tolist()
    ends = ((index[starts] + 1) * BIN_S).tolist()
    spans = zip(starts.tolist(), stops.tolist(), strict=True)
    for i, (a, b) in enumerate(spans):
        w = words[i]
        yield Second(
            t_s=times[-1] if last else ends[i],
            first_s=times[a],
            last_s=times[b - 1],
            mean=means[i],
            low=lows[i],
            high=highs[i],
            mains_on=bool(w & 1),
            limiter_in=bool(w & 2),
            drive_on=bool(w & 4),
            switched=switched[i],
            frame_t_s=t_s[a:b],
            frame_mean=mean[:, a:b],
            frame_low=low[:, a:b],
            frame_high=high[:, a:b],
        )
