"""Mean, least and greatest of every channel in each second of a run, an hour to a table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchwarden.core.samples import Float32Array, FloatArray, N, SampleBlock

HOUR_S = 3600
# For each state of the bench: was it on, was it off, at any time in the second?
STATES = ("mains_on", "limiter_in", "drive_on")


class _Hour:
    """One hour, channel-major: a plot reads one channel of many seconds."""

    def __init__(self) -> None:
        self.mean = np.full((N, HOUR_S), np.nan, np.float32)
        self.low = np.full((N, HOUR_S), np.nan, np.float32)
        self.high = np.full((N, HOUR_S), np.nan, np.float32)
        self.count = np.zeros((N, HOUR_S), np.uint16)
        self.states = np.zeros(HOUR_S, np.uint8)


@dataclass(frozen=True)
class Seconds:
    """Consecutive seconds of one channel.

    Attributes:
        first: the first second; the k-th covers run time first + k to first + k + 1.
        mean: shape (n,), NaN where nothing was read.
        count: frames in each.
    """

    first: int
    mean: Float32Array
    count: npt.NDArray[np.uint16]


class SecondTable:
    """Takes frames in any order, each once."""

    def __init__(self) -> None:
        self._hours: dict[int, _Hour] = {}
        self.first: int | None = None
        self.last: int | None = None

    def add(self, block: SampleBlock) -> None:
        """Take consecutive frames."""
        if not len(block):
            return
        second = np.floor(block.t_s).astype(np.int64)
        starts = np.flatnonzero(np.concatenate(([True], second[1:] != second[:-1])))
        is_held = ~np.isnan(block.mean.T)
        count = np.add.reduceat(is_held, starts, axis=1, dtype=np.int64)
        total = np.add.reduceat(np.where(is_held, block.mean.T, 0.0).astype(np.float64), starts, axis=1)
        low = np.fmin.reduceat(np.ascontiguousarray(block.minimum.T), starts, axis=1)
        high = np.fmax.reduceat(np.ascontiguousarray(block.maximum.T), starts, axis=1)
        states = np.bitwise_or.reduceat(_states(block), starts)
        seconds = second[starts]
        hours = seconds // HOUR_S
        for hour in np.unique(hours):
            at = np.flatnonzero(hours == hour)
            into = self._hours.setdefault(int(hour), _Hour())
            here = seconds[at] - int(hour) * HOUR_S
            held = into.count[:, here].astype(np.int64)
            taken = held + count[:, at]
            before = np.where(held > 0, into.mean[:, here].astype(np.float64) * held, 0.0)
            with np.errstate(invalid="ignore"):
                into.mean[:, here] = (before + total[:, at]) / taken
            into.low[:, here] = np.fmin(into.low[:, here], low[:, at])
            into.high[:, here] = np.fmax(into.high[:, here], high[:, at])
            into.count[:, here] = np.minimum(taken, np.iinfo(np.uint16).max)
            into.states[here] |= states[at]
        first, last = int(seconds[0]), int(seconds[-1])
        self.first = first if self.first is None else min(self.first, first)
        self.last = last if self.last is None else max(self.last, last)

    def seconds(self, channel: int, first: int, stop: int) -> Seconds:
        """Return seconds `first` to `stop` (not included) of a channel, by its place in CHANNELS."""
        n = max(0, stop - first)
        out = Seconds(
            first,
            np.full(n, np.nan, np.float32),
            np.zeros(n, np.uint16),
        )
        for hour, start, end in self._pieces(first, stop):
            into, of = _places(hour, start, end, first)
            held = self._hours[hour]
            out.mean[into] = held.mean[channel, of]
            out.count[into] = held.count[channel, of]
        return out

    def envelope(self, channel: int, first: int, stop: int) -> tuple[Float32Array, Float32Array]:
        """Return (low, high) of the same seconds alone."""
        low, high = np.full((2, max(0, stop - first)), np.nan, np.float32)
        for hour, start, end in self._pieces(first, stop):
            into, of = _places(hour, start, end, first)
            low[into] = self._hours[hour].low[channel, of]
            high[into] = self._hours[hour].high[channel, of]
        return low, high

    def states(self, first: int, stop: int) -> npt.NDArray[np.uint8]:
        """Return for each second bit k: state k of STATES was on; bit k + 4: it was off; 0 where nothing was read."""
        out = np.zeros(max(0, stop - first), np.uint8)
        for hour, start, end in self._pieces(first, stop):
            into, of = _places(hour, start, end, first)
            out[into] = self._hours[hour].states[of]
        return out

    def _pieces(self, first: int, stop: int) -> list[tuple[int, int, int]]:
        """Return (hour, first second, last + 1) of each hour held in a span."""
        return [
            (hour, max(first, hour * HOUR_S), min(stop, (hour + 1) * HOUR_S))
            for hour in self._hours
            if hour * HOUR_S < stop and (hour + 1) * HOUR_S > first
        ]


def _places(hour: int, start: int, end: int, first: int) -> tuple[slice, slice]:
    return slice(start - first, end - first), slice(start - hour * HOUR_S, end - hour * HOUR_S)


def _states(block: SampleBlock) -> npt.NDArray[np.uint8]:
    out = np.zeros(len(block), np.uint8)
    for k, name in enumerate(STATES):
        is_on = getattr(block, name)
        out |= np.where(is_on, np.uint8(1 << k), np.uint8(16 << k))
    return out


def stepped(value: Float32Array, count: npt.NDArray[np.uint16], step: int) -> FloatArray:
    """Return the mean of every `step` seconds over the frames in them, NaN where there are none.

    Args:
        value, count: mean and number of frames of each second, shape (n,), n a multiple of `step`.
    """
    if step == 1:
        return value.astype(np.float64)
    weight = count.reshape(-1, step).astype(np.float64)
    total = np.where(weight > 0, value.reshape(-1, step).astype(np.float64), 0.0) * weight
    with np.errstate(invalid="ignore"):
        mean: FloatArray = total.sum(axis=1) / weight.sum(axis=1)
    return mean
