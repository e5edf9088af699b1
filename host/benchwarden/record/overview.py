"""Any part of a run at any zoom: followed while it is written, quick also after three days.

A table of seconds is filled from the journal, first from batches spread over
the whole run, so that its shape is there at once, then from all others. Short
windows are read from the journal itself, frame by frame.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.clock import Clock, SystemClock
from benchwarden.core.samples import FloatArray, SampleBlock
from benchwarden.errors import RecordError
from benchwarden.record.batch import block_of
from benchwarden.record.covered import Covered
from benchwarden.record.journal_format import NAME, BurstRecord, nothing
from benchwarden.record.journal_reader import Batch, JournalReader, Row
from benchwarden.record.second_table import STATES, SecondTable, stepped
from benchwarden.record.thinning import Line, thinned

# Windows up to this long are drawn from frames, longer ones from seconds.
FRAMES_UP_TO_S = 1200.0
# New batches no more than this are read as they come; more are read spread out, so that the run's shape is there soon.
_FEW = 64
# Batches taken together: fewer steps of the interpreter for each.
_TOGETHER = 8
_MOST_KEPT = 3


@dataclass(frozen=True)
class Moment:
    """One frame of a run.

    Attributes:
        t_s: seconds since run start.
        mean, minimum, maximum: per channel, SI units; None where a value is missing.
    """

    t_s: float
    mean: dict[str, float | None]
    minimum: dict[str, float | None]
    maximum: dict[str, float | None]
    mains_on: bool
    limiter_in: bool
    drive_on: bool


@dataclass(frozen=True)
class PlacedBurst:
    """The full-rate record around one trip, on run time.

    Attributes:
        number: its place among the run's bursts, from 0.
        t_s: of each scan, shape (n,), seconds since run start.
        trip_s: of the scan that tripped; None when it is not in the record.
        is_whole: False when some of it never reached the host.
    """

    number: int
    t_s: FloatArray
    trip_s: float | None
    is_whole: bool
    record: BurstRecord

    def lines(self, channels: Iterable[str]) -> dict[str, Line]:
        """Return every scan of the channels."""
        value = self.record.records["value"]
        return {name: thinned(self.t_s, of, of, 4 * len(of)) for name in channels for of in [value[:, INDEX[name]]]}


class Overview:
    """One run, for any number of threads."""

    def __init__(self, run_dir: Path, clock: Clock | None = None) -> None:
        """Take the folder; nothing is read before the first call of another method.

        Every method raises RecordError when there is no journal to read.
        """
        self.run_dir = run_dir
        self._clock = clock or SystemClock()
        self._lock = threading.RLock()
        self._reader: JournalReader | None = None
        self._identity: tuple[int, int] | None = None
        self._copied = (0, 0)
        self._forget()

    def _forget(self) -> None:
        self._table = SecondTable()
        self._covered = Covered()
        self._listed = 0  # the newest row that was met
        self._waiting: list[tuple[int, int]] = []  # frames (start, row] still to be read, next one last
        self._is_final = False
        self._bursts: list[PlacedBurst] | None = None

    def close(self) -> None:
        """Let go of the file; a later call opens it again."""
        with self._lock:
            if self._reader is not None:
                self._reader.close()
                self._reader = None

    def _journal(self) -> JournalReader:
        path = self.run_dir / NAME
        try:
            found = path.stat()
        except OSError as error:
            self.close()
            raise RecordError(f"{path}: no run here") from error
        identity = (found.st_dev, found.st_ino)
        state = (found.st_size, found.st_mtime_ns)
        if identity != self._identity:
            self.close()
            self._forget()
        elif self._reader is not None and self._reader.is_copy and state != self._copied:
            self.close()
        if self._reader is None:
            self._reader = JournalReader(self.run_dir)
            self._identity, self._copied = identity, state
        return self._reader

    def update(self, budget_s: float = 0.3) -> None:
        """Take what is new or still to be filled in, for about `budget_s` at most.

        Raises:
            RecordError: there is no journal to read.
        """
        with self._lock:
            reader = self._journal()
            if self._is_final and not self._waiting and reader.closed:
                return
            end_s = self._clock.monotonic_s() + budget_s
            was_closed = reader.closed
            self._list(reader)
            while self._waiting:
                self._take(reader)
                if self._clock.monotonic_s() >= end_s:
                    break
            self._is_final = was_closed

    def _list(self, reader: JournalReader) -> None:
        fresh = []
        for row in reader.rows_after(self._listed):
            fresh.append((self._listed, row.id))
            self._listed = row.id
        if fresh:
            # What is new comes before what is still missing of the past.
            self._waiting += _spread(fresh)[::-1]

    def _take(self, reader: JournalReader) -> None:
        """Read some of the waiting batches."""
        parts: list[tuple[int, int, Batch]] = []
        while self._waiting and len(parts) < _TOGETHER:
            start, rowid = self._waiting.pop()
            if not self._covered.missing(start, rowid):
                continue
            batch = reader.batch_at(rowid)
            if batch is not None:
                before = batch.id - len(batch.records)
                parts += [(a - before, b - before, batch) for a, b in self._covered.missing(before, batch.id)]
                self._covered.add(before, batch.id)
            # What no sound batch holds is lost; nothing is written there any more.
            self._covered.add(start, rowid)
        parts.sort(key=lambda part: (part[2].run_ms, part[0]))
        for block in _blocks(parts):
            self._table.add(block)

    @property
    def complete(self) -> float:
        """The share, 0 to 1, of the run's frames that the seconds hold; 1 for a run without frames."""
        with self._lock:
            return min(1.0, self._covered.count / self._listed) if self._listed else 1.0

    @property
    def first_s(self) -> float:
        """Run time at which the seconds begin; NaN before there are any."""
        with self._lock:
            return math.nan if self._table.first is None else float(self._table.first)

    @property
    def last_s(self) -> float:
        """Run time at which the seconds end; NaN before there are any."""
        with self._lock:
            return math.nan if self._table.last is None else float(self._table.last + 1)

    def lines(self, channels: Iterable[str], start_s: float, stop_s: float, most: int = 1500) -> dict[str, Line]:
        """Return what to draw of each channel between two times, in about `most` points each.

        Least and greatest value of the window are always among them once the run is `complete`.

        Raises:
            RecordError: there is no journal to read.
        """
        names = tuple(channels)
        with self._lock:
            if stop_s - start_s <= FRAMES_UP_TO_S:
                block = self.frames(start_s, stop_s)
                return {
                    name: thinned(
                        block.t_s,
                        np.ascontiguousarray(block.minimum[:, INDEX[name]]),
                        np.ascontiguousarray(block.maximum[:, INDEX[name]]),
                        most,
                    )
                    for name in names
                }
            first, stop = self._span(start_s, stop_s)
            middle = np.arange(first, stop, dtype=np.float64) + 0.5
            return {name: self._line(INDEX[name], middle, most) for name in names}

    def _line(self, channel: int, middle_s: FloatArray, most: int) -> Line:
        if not len(middle_s):
            return Line([], [])
        first = math.floor(middle_s[0])
        low, high = self._table.envelope(channel, first, first + len(middle_s))
        if self._waiting:
            # Still filling in: seconds between the batches read so far are no gaps of the record.
            held = ~np.isnan(low)
            return thinned(middle_s[held], low[held], high[held], most, usual_s=math.inf)
        return thinned(middle_s, low, high, most, usual_s=1.0)

    def _span(self, start_s: float, stop_s: float) -> tuple[int, int]:
        """Return first second and last + 1 of a window, no further than the run goes."""
        if self._table.first is None or self._table.last is None or not stop_s > start_s:
            return 0, 0
        first = max(self._table.first, math.floor(max(start_s, -1e12)))
        return first, max(first, min(self._table.last + 1, math.ceil(min(stop_s, 1e12))))

    def seconds(
        self, channels: Iterable[str], start_s: float, stop_s: float, step_s: int = 1
    ) -> tuple[FloatArray, dict[str, FloatArray]]:
        """Return (t_s, means): the mean of each channel over each whole step of the window.

        Args:
            step_s: whole seconds; steps begin at multiples of it.

        Returns:
            t_s: the middle of each step, shape (n,). means: shape (n,) each, NaN where nothing was read.
        """
        with self._lock:
            first, stop = self._steps(start_s, stop_s, step_s)
            means = {}
            for name in channels:
                found = self._table.seconds(INDEX[name], first, stop)
                means[name] = stepped(found.mean, found.count, step_s)
        return np.arange(first, stop, step_s, dtype=np.float64) + step_s / 2.0, means

    def states(self, start_s: float, stop_s: float, step_s: int = 1) -> tuple[FloatArray, dict[str, FloatArray]]:
        """Return (t_s, states) for the same steps as `seconds`: mains_on, limiter_in and drive_on.

        Returns:
            states: shape (n,) each; 1 where it was on throughout, 0 off throughout, 0.5 both, NaN nothing read.
        """
        with self._lock:
            first, stop = self._steps(start_s, stop_s, step_s)
            bits = np.bitwise_or.reduce(self._table.states(first, stop).reshape(-1, step_s), axis=1)
        found = {}
        for k, name in enumerate(STATES):
            on, off = (bits >> k) & 1, (bits >> (k + 4)) & 1
            with np.errstate(invalid="ignore"):
                found[name] = on / (on + off).astype(np.float64)
        return np.arange(first, stop, step_s, dtype=np.float64) + step_s / 2.0, found

    def _steps(self, start_s: float, stop_s: float, step_s: int) -> tuple[int, int]:
        first, stop = self._span(start_s, stop_s)
        return first // step_s * step_s, -(-stop // step_s) * step_s

    def gaps(self, least_s: int = 3) -> list[tuple[float, float]]:
        """Return (start, stop) of the pauses of at least `least_s` seconds, none before the run is `complete`."""
        with self._lock:
            if self._waiting or self._table.first is None or self._table.last is None:
                return []
            first = self._table.first
            is_read = self._table.states(first, self._table.last + 1) != 0
        edges = np.flatnonzero(np.diff(is_read.astype(np.int8))) + 1 + first
        pauses = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
        return [(float(start), float(stop)) for start, stop in pauses if stop - start >= least_s]

    def frames(self, start_s: float, stop_s: float) -> SampleBlock:
        """Return every frame with start_s <= t_s <= stop_s, read from the journal.

        Raises:
            RecordError: there is no journal to read.
        """
        with self._lock:
            reader = self._journal()
            start_ms, stop_ms = 1000.0 * start_s, 1000.0 * stop_s
            rows = [row for row in reader.rows_after(0) if row.run_ms <= stop_ms and row.end_ms >= start_ms]
            block = _read(reader, rows)
        inside = np.flatnonzero((block.t_s >= start_s) & (block.t_s <= stop_s))
        return block.part(int(inside[0]), int(inside[-1]) + 1) if len(inside) else nothing()

    def at(self, t_s: float) -> Moment | None:
        """Return the frame nearest to a time, None in a run without frames.

        Raises:
            RecordError: there is no journal to read.
        """
        if not math.isfinite(t_s):
            return None
        with self._lock:
            reader = self._journal()
            before: list[Row] = []
            after: list[Row] = []
            for row in reader.rows_after(0):
                (before if row.run_ms <= 1000.0 * t_s else after).append(row)
            near = [batch for rows in (before[::-1], after) if (batch := _first_sound(reader, rows)) is not None]
            block = _joined(near)
            return _moment(block, int(np.argmin(np.abs(block.t_s - t_s)))) if len(block) else None

    def step(self, t_s: float, by: int) -> float:
        """Return the time of the frame `by` frames after (before, when negative) the one nearest to `t_s`."""
        reach_s = 5.0 + abs(by)
        block = self.frames(t_s - reach_s, t_s + reach_s)
        if not len(block):
            return t_s
        at = int(np.argmin(np.abs(block.t_s - t_s))) + by
        return float(block.t_s[min(max(at, 0), len(block) - 1)])

    def bursts(self) -> list[PlacedBurst]:
        """Return the full-rate records around trips, placed on run time.

        Raises:
            RecordError: there is no journal to read.
        """
        with self._lock:
            reader = self._journal()
            if self._bursts is None or not self._is_final:
                self._bursts = [
                    placed
                    for number, record in enumerate(reader.bursts())
                    if (placed := _placed(reader, number, record)) is not None
                ]
            return self._bursts

    def burst(
        self, channels: Iterable[str], start_s: float, stop_s: float
    ) -> tuple[PlacedBurst, dict[str, Line]] | None:
        """Return the full-rate record that covers a window, with its lines in it; None where there is none."""
        for burst in self.bursts():
            if burst.t_s[0] <= start_s and stop_s <= burst.t_s[-1]:
                return burst, {name: _cut(line, start_s, stop_s) for name, line in burst.lines(channels).items()}
        return None


class Overviews:
    """The overviews of the runs in one folder, the few looked at last kept."""

    def __init__(self, runs: Path, most: int = _MOST_KEPT, clock: Clock | None = None) -> None:
        self._runs = runs
        self._most = most
        self._clock = clock
        self._lock = threading.Lock()
        self._kept: OrderedDict[str, Overview] = OrderedDict()

    def of(self, name: str) -> Overview:
        """Return the overview of the run in the folder `name`, which the caller has checked to be one."""
        with self._lock:
            found = self._kept.pop(name, None) or Overview(self._runs / name, self._clock)
            self._kept[name] = found
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)[1].close()
            return found


def _spread(rows: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return rows in the order to read them: the newest, then always those halfway between."""
    if len(rows) < _FEW:
        return rows
    stride = 1 << (len(rows) - 1).bit_length()
    order = [len(rows) - 1, 0]
    while stride > 1:
        order += range(stride // 2, len(rows), stride)
        stride //= 2
    return [rows[at] for at in order]


def _blocks(parts: Sequence[tuple[int, int, Batch]]) -> Iterable[SampleBlock]:
    """Yield frames start to stop of each batch, joined; in the order of run time."""
    if not parts:
        return
    whole = block_of([(batch.run_ms, batch.records) for _, _, batch in parts])
    at = 0
    taken = np.zeros(len(whole), np.bool_)
    for start, stop, batch in parts:
        taken[at + start : at + stop] = True
        at += len(batch.records)
    if taken.all():
        yield whole
        return
    edges = np.flatnonzero(np.diff(np.concatenate(([False], taken, [False]))))
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        yield whole.part(first, last)


def _read(reader: JournalReader, rows: Iterable[Row]) -> SampleBlock:
    return _joined(batch for row in rows if (batch := reader.batch_at(row.id)) is not None)


def _first_sound(reader: JournalReader, rows: Iterable[Row]) -> Batch | None:
    return next((batch for row in rows if (batch := reader.batch_at(row.id)) is not None), None)


def _joined(batches: Iterable[Batch]) -> SampleBlock:
    """Return batches, each once, as one block."""
    found = {batch.id: batch for batch in batches}
    if not found:
        return nothing()
    return block_of([(batch.run_ms, batch.records) for _, batch in sorted(found.items())])


def _moment(block: SampleBlock, at: int) -> Moment:
    def values(table: np.ndarray[tuple[int, int], np.dtype[np.float32]]) -> dict[str, float | None]:
        row = table[at].tolist()
        return {name: value if math.isfinite(value) else None for name, value in zip(CHANNELS, row, strict=True)}

    return Moment(
        float(block.t_s[at]),
        values(block.mean),
        values(block.minimum),
        values(block.maximum),
        bool(block.mains_on[at]),
        bool(block.limiter_in[at]),
        bool(block.drive_on[at]),
    )


def _placed(reader: JournalReader, number: int, record: BurstRecord) -> PlacedBurst | None:
    if not len(record.records):
        return None
    t_ms = record.records["t_ms"]
    first_s = reader.run_s_of(record.boot, int(t_ms[0]))
    if first_s is None:
        return None
    # Unsigned: the board's count may wrap within the record.
    t_s = first_s + (t_ms - t_ms[0]).astype(np.float64) / 1000.0
    trip = record.trip_index
    return PlacedBurst(
        number,
        t_s,
        float(t_s[trip]) if 0 <= trip < len(t_s) else None,
        len(record.records) >= record.total,
        record,
    )


def _cut(line: Line, start_s: float, stop_s: float) -> Line:
    inside = [k for k, t_s in enumerate(line.t_s) if start_s <= t_s <= stop_s]
    return Line([line.t_s[k] for k in inside], [line.value[k] for k in inside])


__all__ = ["FRAMES_UP_TO_S", "Line", "Moment", "Overview", "Overviews", "PlacedBurst"]
