"""The readings of a run small enough to travel inside its record, in the recording format.

A long run is thinned to rows of one or more seconds, each with mean, minimum and
maximum; around a trip every frame is kept. No row spans a change of the mains
side, so that nothing is averaged over two states. What comes out can be judged
again; every frame stays with the run.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped, unused-ignore]
from pyarrow import csv  # type: ignore[import-untyped, unused-ignore]

from benchwarden.core.channels import CHANNELS
from benchwarden.core.samples import BoolArray, Float32Array, FloatArray, SampleBlock
from benchwarden.record.recording import header_line

# Up to this many rows everything is kept, or the shortest step that stays below it is taken.
MOST_ROWS = 9000
STEPS_S = (1, 2, 5, 10)
# Around a trip, seconds: what led to it, and that the relay did open.
BEFORE_TRIP_S, AFTER_TRIP_S = 30.0, 5.0

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class SampleTable:
    """A thinned recording.

    Attributes:
        csv: in the fixed recording format, UTF-8.
        step_s: seconds a row covers; 0 where every frame has its own.
        rows: in it.
        frames: they were made from.
    """

    csv: bytes
    step_s: int
    rows: int
    frames: int


@dataclass(frozen=True)
class _Rows:
    """Sums over groups of frames; a group is a row in the end.

    Attributes:
        state: mains side of each, bits of core.channels.BITS in their order, shape (n,).
        n, t: frames and sum of their times.
        count, total, low, high: of each channel, shape (n, channels).
    """

    state: IntArray
    n: IntArray
    t: FloatArray
    count: IntArray
    total: FloatArray
    low: Float32Array
    high: Float32Array

    def merged(self, starts: IntArray) -> _Rows:
        """Return the groups from each start to the next made one."""
        return _Rows(
            self.state[starts],
            np.add.reduceat(self.n, starts),
            np.add.reduceat(self.t, starts),
            np.add.reduceat(self.count, starts, axis=0),
            np.add.reduceat(self.total, starts, axis=0),
            np.fmin.reduceat(self.low, starts, axis=0),
            np.fmax.reduceat(self.high, starts, axis=0),
        )


def sample_table(blocks: Iterable[SampleBlock], trips_s: Sequence[float]) -> SampleTable:
    """Return the readings of a run as a recording of bounded size.

    Args:
        blocks: frames in order; those whose time does not follow on are left out.
        trips_s: run times of trips; NaN for one without.
    """
    windows = [(t - BEFORE_TRIP_S, t + AFTER_TRIP_S) for t in trips_s if math.isfinite(t)]
    parts: list[_Rows] = []
    last_s, frames, is_long = -math.inf, 0, False
    for block in blocks:
        rows = _rows_of(block, last_s)
        if rows is None:
            continue
        frames += len(rows.n)
        last_s = float(rows.t[-1])
        if frames > MOST_ROWS and not is_long:
            is_long = True
            parts = [_by_step(part, STEPS_S[0], windows) for part in parts]
        parts.append(_by_step(rows, STEPS_S[0], windows) if is_long else rows)
    if not parts:
        return SampleTable(header_line().encode(), 0, 0, 0)
    rows, step_s = _joined(parts), 0
    if is_long:
        step_s = next((s for s in STEPS_S if last_s / s <= MOST_ROWS), STEPS_S[-1])
        # Seconds that were cut by the end of a block come together here.
        rows = _by_step(rows, step_s, windows)
    return SampleTable(_csv(rows), step_s, len(rows.n), frames)


def _rows_of(block: SampleBlock, last_s: float) -> _Rows | None:
    """Return the frames that follow on as groups of one, None where there are none."""
    if not len(block):
        return None
    newest = np.maximum.accumulate(np.concatenate(([last_s], block.t_s[:-1])))
    pick: slice | BoolArray = slice(None)
    follows = block.t_s > newest
    if not bool(follows.all()):
        if not bool(follows.any()):
            return None
        pick = follows
    t, mean = block.t_s[pick], _finite(block.mean[pick])
    is_held = ~np.isnan(mean)
    state = block.mains_on[pick] * 1 + block.limiter_in[pick] * 2 + block.drive_on[pick] * 4
    return _Rows(
        state.astype(np.int64),
        np.ones(len(t), np.int64),
        t,
        is_held.astype(np.int64),
        np.where(is_held, mean, 0.0).astype(np.float64),
        np.where(is_held, np.fmin(_finite(block.minimum[pick]), mean), np.float32(np.nan)),
        np.where(is_held, np.fmax(_finite(block.maximum[pick]), mean), np.float32(np.nan)),
    )


def _finite(values: Float32Array) -> Float32Array:
    return np.where(np.isfinite(values), values, np.float32(np.nan))


def _by_step(rows: _Rows, step_s: int, windows: list[tuple[float, float]]) -> _Rows:
    """Return the rows with those of one step, one state and not near a trip made one."""
    middle = rows.t / rows.n
    fine = np.zeros(len(middle), np.bool_)
    for first, last in windows:
        fine |= (middle >= first) & (middle <= last)
    step = np.floor(middle / step_s).astype(np.int64)
    is_new = np.ones(len(middle), np.bool_)
    is_new[1:] = (step[1:] != step[:-1]) | (rows.state[1:] != rows.state[:-1]) | fine[1:] | fine[:-1]
    return rows.merged(np.flatnonzero(is_new))


def _joined(parts: list[_Rows]) -> _Rows:
    names = tuple(_Rows.__dataclass_fields__)
    return _Rows(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def _csv(rows: _Rows) -> bytes:
    """Return the rows as the fixed format has them: shortest numbers that read back the same."""
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (rows.total / rows.count).astype(np.float32)
    columns: list[pa.Array] = [pa.array(np.round(rows.t / rows.n, 3))]
    columns += [_column(mean[:, k]) for k in range(len(CHANNELS))]
    columns += [pa.array((rows.state >> bit) & 1) for bit in range(3)]
    for k in range(len(CHANNELS)):
        columns += [_column(rows.low[:, k]), _column(rows.high[:, k])]
    names = header_line().strip().split(",")
    out = io.BytesIO()
    out.write(header_line().encode())
    options = csv.WriteOptions(include_header=False, quoting_style="none")
    csv.write_csv(pa.Table.from_arrays(columns, names=names), out, options)
    return out.getvalue()


def _column(values: Float32Array) -> pa.Array:
    return pa.array(values, mask=np.isnan(values))
