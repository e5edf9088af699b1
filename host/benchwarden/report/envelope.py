"""What a whole run looks like at print width, with no minimum or maximum lost."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchwarden.core.samples import BoolArray, FloatArray, N, SampleBlock

# The board sends a frame every 100 ms; two periods apart means that one was
# lost. Slightly under two, so that a stretched scan is not called a loss.
GAP_S = 0.19
FIRST_WIDTH_S = 0.1
MOST_COLUMNS = 1600

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Envelope:
    """A run in equal columns of time.

    Attributes:
        t_s: middle of each column, shape (n,), seconds since run start.
        width_s: of one column.
        low, high, mean: shape (n, channels), SI units, NaN where a column holds
            no value of that channel.
        missing: shape (n, channels): some value due in the column is missing.
        mains_on, limiter_in, drive_on: shape (n,): true anywhere in the column.
        seen: shape (n,): the column holds at least one frame.
        first_t_s, last_t_s: of the frames.
        frames: how many went in.
        mains_on_s: time under power.
        values: shape (channels,): how many values each channel had.
        gaps: (from, to) of the first gaps between frames, seconds, at most 200.
        gap_count, gap_s: of all gaps.
        backwards: frames whose time did not increase; they are in no column.
    """

    t_s: FloatArray
    width_s: float
    low: FloatArray
    high: FloatArray
    mean: FloatArray
    missing: BoolArray
    mains_on: BoolArray
    limiter_in: BoolArray
    drive_on: BoolArray
    seen: BoolArray
    first_t_s: float
    last_t_s: float
    frames: int
    mains_on_s: float
    values: IntArray
    gaps: tuple[tuple[float, float], ...]
    gap_count: int
    gap_s: float
    backwards: int


class EnvelopeBuilder:
    """Takes blocks in order and keeps a bounded number of columns.

    Columns start 0.1 s wide; when they run out, neighbours are merged and the
    width doubles. Minimum and maximum of a merged column are exact, and memory
    does not depend on the length of the run.
    """

    def __init__(self, columns: int = MOST_COLUMNS) -> None:
        self._n = columns + columns % 2
        self._width_s = FIRST_WIDTH_S
        self._low = np.full((self._n, N), np.nan)
        self._high = np.full((self._n, N), np.nan)
        self._sum = np.zeros((self._n, N))
        self._count = np.zeros((self._n, N), dtype=np.int64)
        self._missing = np.zeros((self._n, N), dtype=np.bool_)
        self._bits = np.zeros((self._n, 3), dtype=np.bool_)
        self._frames_in = np.zeros(self._n, dtype=np.int64)
        self._origin_s = 0.0
        self._first_s = float("nan")
        self._last_s = float("nan")
        self._last_on = False
        # When each channel last had a value: a channel can be missing while frames arrive.
        self._channel_last_s = np.full(N, np.nan)
        self._frames = 0
        self._on_s = 0.0
        self._values = np.zeros(N, dtype=np.int64)
        self._gaps: list[tuple[float, float]] = []
        self._gap_count = 0
        self._gap_s = 0.0
        self._backwards = 0

    def add(self, block: SampleBlock) -> None:
        """Take the next block."""
        keep = np.ones(len(block), dtype=np.bool_)
        if len(block):
            newest = np.maximum.accumulate(block.t_s)
            keep[1:] = block.t_s[1:] > newest[:-1]
            if self._frames:
                keep &= block.t_s > self._last_s
        lost = int(len(block) - keep.sum())
        self._backwards += lost
        if lost == len(block):
            return
        t = block.t_s if lost == 0 else block.t_s[keep]
        pick = slice(None) if lost == 0 else keep
        mains = block.mains_on[pick]
        if not self._frames:
            self._origin_s = self._first_s = float(t[0])
            self._channel_last_s[:] = t[0] - FIRST_WIDTH_S
        while (t[-1] - self._origin_s) / self._width_s >= self._n:
            self._merge()
        self._note_time(t, mains)
        self._fill(t, block, pick)
        self._last_s = float(t[-1])
        self._last_on = bool(mains[-1])
        self._frames += len(t)

    def _note_time(self, t: FloatArray, mains: BoolArray) -> None:
        before = np.array([self._last_s if self._frames else t[0]])
        joined = np.concatenate((before, t))
        step = np.diff(joined)
        on = np.concatenate((np.array([self._last_on]), mains[:-1])) & mains
        wide = step > GAP_S
        self._on_s += float(step[on & ~wide].sum())
        for at in np.flatnonzero(wide):
            self._gap_count += 1
            self._gap_s += float(step[at])
            if len(self._gaps) < 200:
                self._gaps.append((float(joined[at]), float(joined[at + 1])))

    def _fill(self, t: FloatArray, block: SampleBlock, pick: slice | BoolArray) -> None:
        column = np.minimum(((t - self._origin_s) / self._width_s).astype(np.int64), self._n - 1)
        starts = np.flatnonzero(np.diff(column, prepend=-1))
        into = column[starts]
        mean, low, high = block.mean[pick], block.minimum[pick], block.maximum[pick]
        valid = ~np.isnan(mean)
        self._low[into] = np.fmin(self._low[into], np.fmin.reduceat(np.fmin(low, mean), starts, axis=0))
        self._high[into] = np.fmax(self._high[into], np.fmax.reduceat(np.fmax(high, mean), starts, axis=0))
        # Plain sums where nothing is missing: replacing NaN costs a copy of every block.
        whole = bool(valid.all())
        summed = mean if whole else np.where(valid, mean, np.float32(0))
        self._sum[into] += np.add.reduceat(summed, starts, axis=0, dtype=np.float64)
        lengths = np.diff(np.append(starts, len(t)))
        if whole:
            self._count[into] += lengths[:, None]
            self._values += len(t)
        else:
            self._count[into] += np.add.reduceat(valid, starts, axis=0, dtype=np.int64)
            self._values += valid.sum(axis=0)
        self._frames_in[into] += lengths
        bits = np.stack((block.mains_on[pick], block.limiter_in[pick], block.drive_on[pick]), axis=1)
        self._bits[into] |= np.logical_or.reduceat(bits, starts, axis=0)
        self._mark_missing(t, valid, whole)

    def _mark_missing(self, t: FloatArray, valid: BoolArray, whole: bool) -> None:
        steps = np.diff(t)
        if whole and not bool((steps > GAP_S).any()) and bool((t[0] - self._channel_last_s <= GAP_S).all()):
            self._channel_last_s[:] = t[-1]
            return
        for k in range(N):
            times = t if whole else t[valid[:, k]]
            joined = np.concatenate((self._channel_last_s[k : k + 1], times))
            for at in np.flatnonzero(np.diff(joined) > GAP_S):
                self._mark(k, float(joined[at]) + FIRST_WIDTH_S / 2, float(joined[at + 1]) - FIRST_WIDTH_S / 2)
            self._channel_last_s[k] = joined[-1]

    def _mark(self, channel: int, from_s: float, to_s: float) -> None:
        first = max(0, int((from_s - self._origin_s) / self._width_s))
        last = min(self._n - 1, int((to_s - self._origin_s) / self._width_s))
        self._missing[first : last + 1, channel] = True

    def _merge(self) -> None:
        half = self._n // 2

        def paired(of: npt.NDArray[np.generic]) -> tuple[npt.NDArray[np.generic], npt.NDArray[np.generic]]:
            return of[0::2], of[1::2]

        for array, join, empty in (
            (self._low, np.fmin, np.nan),
            (self._high, np.fmax, np.nan),
            (self._sum, np.add, 0.0),
            (self._count, np.add, 0),
            (self._missing, np.logical_or, False),
            (self._bits, np.logical_or, False),
            (self._frames_in, np.add, 0),
        ):
            even, odd = paired(array)
            merged = join(even, odd)
            array[:half] = merged
            array[half:] = empty
        self._width_s *= 2

    def result(self) -> Envelope:
        """Return what was taken so far."""
        n = 0
        if self._frames:
            n = min(self._n, int((self._last_s - self._origin_s) / self._width_s) + 1)
            for k in range(N):
                # A channel that never came back is missing to the end of the record.
                if self._last_s - self._channel_last_s[k] > FIRST_WIDTH_S / 2:
                    self._mark(k, float(self._channel_last_s[k]) + FIRST_WIDTH_S / 2, self._last_s)
        count = self._count[:n]
        return Envelope(
            t_s=np.asarray(self._origin_s + (np.arange(n) + 0.5) * self._width_s, dtype=np.float64),
            width_s=self._width_s,
            low=self._low[:n].copy(),
            high=self._high[:n].copy(),
            mean=np.where(count > 0, self._sum[:n] / np.maximum(count, 1), np.nan),
            missing=self._missing[:n].copy(),
            mains_on=self._bits[:n, 0].copy(),
            limiter_in=self._bits[:n, 1].copy(),
            drive_on=self._bits[:n, 2].copy(),
            seen=self._frames_in[:n] > 0,
            first_t_s=self._first_s,
            last_t_s=self._last_s,
            frames=self._frames,
            mains_on_s=self._on_s,
            values=self._values.copy(),
            gaps=tuple(self._gaps),
            gap_count=self._gap_count,
            gap_s=self._gap_s,
            backwards=self._backwards,
        )


def envelope_of(blocks: Iterable[SampleBlock], columns: int = MOST_COLUMNS) -> Envelope:
    """Return the envelope of blocks in order."""
    builder = EnvelopeBuilder(columns)
    for block in blocks:
        builder.add(block)
    return builder.result()
