"""The run journal: frames, events, notes and trip records, on disk before anything is shown.

One SQLite file per run in WAL mode with synchronous=FULL: a committed batch
survives a kill or a power cut, a batch that was not committed leaves no trace,
and a reader can follow while the writer writes. Frames are kept in batches with
a CRC-32 over the blob and the row that describes it, so that a flipped bit
costs one batch and is named.

A live run commits after every frame or two. Such small batches are stored
plain; when a minute of them has piled up, the commit that completes it replaces
them by one packed batch in the same transaction. A batch's row number is how
many frames the run had up to its last, so it does not matter to a reader who
has followed up to row k whether what comes next has been merged since: of the
first batch beyond k he takes what comes after the k-th frame.

Time is the board's: `run_ms` of each batch is milliseconds since run start,
carried over the 49-day wrap of the board's counter and over a board restart.
The host's wall clock appears in the header as a label only.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import struct
import sys
import tempfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

import numpy as np
import numpy.typing as npt

from benchwarden.core.samples import FRAME_DTYPE, SampleBlock, block_from_frames
from benchwarden.errors import RecordDamaged, RecordError
from benchwarden.record.batch import (
    COLUMNS,
    PACKED,
    PLAIN,
    RECORD_DTYPE,
    BatchRow,
    FrameArray,
    SeqArray,
    block_at,
    block_of,
    elapsed_ms,
    fault_of,
    joined,
    records_of,
    row_of,
    signed_ms,
    steps_ms,
)
from wardenfw import wire

NAME = "journal.sqlite"
LOCK_NAME = "journal.lock"
RESERVE_NAME = "journal.reserve"
FORMAT = 2

BURST_DTYPE = np.dtype(
    [("t_ms", "<u4"), ("bits", "u1"), ("spare", "V3"), ("value", "<f4", (wire.N_CHANNELS,))],
)
assert BURST_DTYPE.itemsize == wire.BURST_RECORD_SIZE

_MAX_BATCH = 4096
# Small batches become one when they hold a minute: packed they take a quarter of
# the bytes, and what a flipped bit can cost stays small.
_MERGE_FRAMES = 600
# Frames kept in memory while the disk is full: ten minutes.
_MAX_PENDING = 6000
_RESERVE_BYTES = 1 << 20
# A board restart hides how long it was away unless the caller knows; the next
# frame is then placed one frame interval on.
_RESTART_MS = 100
_PAGE_ROWS = 256
_PAGE_BYTES = 1 << 20
# Row numbers tried past a damaged page when the newest is not known.
_MOST_MISSES = 1 << 16
# A length field may be rotten too; a year of frames is some 13 GB.
_LARGEST_FILE = 1 << 34

_SCHEMA = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL, crc INTEGER NOT NULL);
CREATE TABLE frames (
    id INTEGER PRIMARY KEY, boot INTEGER NOT NULL, first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL,
    n INTEGER NOT NULL, run_ms INTEGER NOT NULL, end_ms INTEGER NOT NULL, packing INTEGER NOT NULL,
    crc INTEGER NOT NULL, data BLOB NOT NULL
);
CREATE TABLE events (
    id INTEGER PRIMARY KEY, boot INTEGER NOT NULL, seq INTEGER NOT NULL, run_ms INTEGER,
    crc INTEGER NOT NULL, payload BLOB NOT NULL, UNIQUE (boot, seq)
);
CREATE TABLE notes (id INTEGER PRIMARY KEY, kind TEXT NOT NULL, t_s REAL, crc INTEGER NOT NULL, body TEXT NOT NULL);
CREATE TABLE bursts (
    id INTEGER PRIMARY KEY, boot INTEGER NOT NULL, trip_seq INTEGER NOT NULL, total INTEGER NOT NULL,
    trip_index INTEGER NOT NULL, crc INTEGER NOT NULL, records BLOB NOT NULL, UNIQUE (boot, trip_seq)
);
"""


_INSERT = f"INSERT INTO frames VALUES ({', '.join('?' * len(BatchRow._fields))})"
_DELETE = "DELETE FROM frames WHERE id > ? AND id <= ?"


class JournalFull(RecordError):
    """The disk is full; everything committed before stays readable.

    Attributes:
        stored: the batch at hand still reached the disk, on space kept in
            reserve; the next one will not.
        pending_frames: frames that wait in memory; lost if the program ends now.
        dropped_frames: frames that no longer fitted in memory either.
    """

    def __init__(self, message: str, stored: bool, pending_frames: int, dropped_frames: int) -> None:
        super().__init__(message)
        self.stored = stored
        self.pending_frames = pending_frames
        self.dropped_frames = dropped_frames


@dataclass(frozen=True)
class JournalEvent:
    """One board event as kept; `payload` is for wire.unpack_event.

    Attributes:
        rowid: position in the journal, for `since`.
        t_s: seconds since run start; None when no frame of that boot tells.
    """

    rowid: int
    boot: int
    seq: int
    t_s: float | None
    payload: bytes


@dataclass(frozen=True)
class Note:
    """One thing the host put on record."""

    rowid: int
    kind: str
    t_s: float | None
    body: dict[str, Any] = field(hash=False)


@dataclass(frozen=True)
class Span:
    """What one intact batch of frames covers; times in seconds since run start."""

    boot: int
    last_seq: int
    count: int
    first_t_s: float
    last_t_s: float


@dataclass(frozen=True)
class BurstRecord:
    """The full-rate record around one trip; records are BURST_DTYPE, oldest first."""

    boot: int
    trip_seq: int
    total: int
    trip_index: int
    records: FrameArray


@dataclass(frozen=True)
class Gap:
    """Sequence numbers that the journal does not hold, both ends inclusive.

    Attributes:
        what: "frame" or "event".
        why: in words: never received, or held but damaged.
    """

    what: str
    boot: int
    first_seq: int
    last_seq: int
    why: str

    @property
    def count(self) -> int:
        return self.last_seq - self.first_seq + 1


@dataclass(frozen=True)
class Damage:
    """One row that is there and cannot be trusted."""

    table: str
    rowid: int
    why: str


def _crc(*parts: bytes) -> int:
    value = 0
    for part in parts:
        value = zlib.crc32(part, value)
    return value


def _nothing() -> SampleBlock:
    return block_from_frames(np.empty(0, FRAME_DTYPE), 0)


_Step = tuple[str, tuple[Any, ...]]  # a statement and its values


class _Pending(NamedTuple):
    """Frames of one boot that wait for the next commit; times of the first and last in ms since run start."""

    boot: int
    run_ms: int
    end_ms: int
    records: FrameArray


class _Small(NamedTuple):
    """Consecutive batches of one boot, each small, that are to become one.

    Attributes:
        before: row number of the batch before them.
        frames: how many they hold together.
    """

    boot: int
    run_ms: int
    end_ms: int
    before: int
    frames: int
    parts: tuple[FrameArray, ...]

    def plus(self, part: _Pending) -> _Small:
        frames = self.frames + len(part.records)
        return self._replace(end_ms=part.end_ms, frames=frames, parts=(*self.parts, part.records))

    def deleted(self) -> _Step:
        return _DELETE, (self.before, self.before + self.frames)

    def packed(self) -> Iterator[_Step]:
        records = joined(self.parts)
        if len(records) <= _MAX_BATCH:
            end = self.before + self.frames
            yield _INSERT, row_of(end, self.boot, self.run_ms, self.end_ms, records, PACKED)
            return
        at_ms = elapsed_ms(records["frame"]["t_ms"]) + self.run_ms
        for start in range(0, len(records), _MAX_BATCH):
            part = records[start : start + _MAX_BATCH]
            stop = start + len(part)
            times = int(at_ms[start]), int(at_ms[stop - 1])
            yield _INSERT, row_of(self.before + stop, self.boot, *times, part, PACKED)


class Journal:
    """The writer of one run's journal; one at a time, used by one thread.

    What is appended is durable only after `commit` returned; only then may it
    be acknowledged to the board (`durable_frame`, `durable_event`).
    """

    def __init__(self, run_dir: Path, connection: sqlite3.Connection, lock_fd: int) -> None:
        """Use `create` or `open_existing`."""
        self.run_dir = run_dir
        self._db: sqlite3.Connection | None = connection
        self._lock_fd = lock_fd
        self._pending: list[_Pending] = []
        self._taken = 0  # frames on disk, which is the newest row's number
        self._small: _Small | None = None
        self._is_merging = False
        self._pending_rows: list[tuple[str, tuple[Any, ...]]] = []
        self._dropped = 0
        self._is_failing = False
        self._boot: int | None = None
        self._last_seq: dict[int, int] = {}
        self._last_t_ms = 0
        self._last_run_ms: int | None = None
        self._t0_ms: int | None = None
        self._restart_ms = _RESTART_MS
        self._events: set[tuple[int, int]] = set()
        self._durable_frame: dict[int, int] = {}
        self._durable_event: dict[int, int] = {}

    @classmethod
    def create(cls, run_dir: Path, header: dict[str, Any]) -> Self:
        """Begin the journal of a new run, making `run_dir` when needed.

        Args:
            header: JSON facts of the run; `t0_ms` there is the board time of
                run start, otherwise the first frame's.

        Raises:
            RecordError: the folder already holds a run, or cannot be written.
            JournalFull: no room to begin.
        """
        path = run_dir / NAME
        try:
            run_dir.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise RecordError(f"{run_dir}: cannot be made ({error.strerror})") from error
        if path.exists():
            raise RecordError(f"{path}: this folder already holds a run; choose a new one")
        text = json.dumps(header, ensure_ascii=False)
        lock_fd = _lock(run_dir)
        db: sqlite3.Connection | None = None
        try:
            _make_reserve(run_dir)
            db = _connect(path)
            # All at once: a run has begun with its header, or not at all.
            db.execute("BEGIN IMMEDIATE")
            for statement in _SCHEMA.split(";")[:-1]:
                db.execute(statement)
            for key, value in (("format", str(FORMAT)), ("header", text)):
                db.execute("INSERT INTO meta VALUES (?, ?, ?)", (key, value, _crc(value.encode())))
            db.execute("COMMIT")
            _sync_folder(run_dir)
        except (sqlite3.Error, OSError) as error:
            if db is not None:
                db.close()
            _unlock(lock_fd)
            raise _begin_error(path, error) from error
        journal = cls(run_dir, db, lock_fd)
        journal._t0_ms = _t0_ms(header)
        return journal

    @classmethod
    def open_existing(cls, run_dir: Path) -> Self:
        """Go on writing a run that was interrupted.

        Raises:
            RecordError: there is no run here, or another program is writing it.
            RecordDamaged: its newest part cannot be trusted to be continued.
        """
        path = run_dir / NAME
        if not path.exists():
            raise RecordError(f"{path}: no run here")
        lock_fd = _lock(run_dir)
        db: sqlite3.Connection | None = None
        try:
            db = _connect(path)
            journal = cls(run_dir, db, lock_fd)
            journal._take_up(db)
        except (sqlite3.Error, OSError, RecordError) as error:
            if db is not None:
                db.close()
            _unlock(lock_fd)
            if isinstance(error, RecordError):
                raise
            raise RecordError(f"{path}: cannot be opened ({error})") from error
        if not (run_dir / RESERVE_NAME).exists():
            with suppress(OSError):  # the disk may still be full; commits will say so
                _make_reserve(run_dir)
        return journal

    def _take_up(self, db: sqlite3.Connection) -> None:
        header = _read_header(db, self.run_dir / NAME)
        self._t0_ms = _t0_ms(header)
        for boot, seq in db.execute("SELECT boot, max(last_seq) FROM frames GROUP BY boot"):
            self._last_seq[boot] = self._durable_frame[boot] = seq
        for boot, seq in db.execute("SELECT boot, seq FROM events"):
            self._events.add((boot, seq))
            self._durable_event[boot] = max(seq, self._durable_event.get(boot, 0))
        self._take_up_frames(db)
        with db:
            db.execute("DELETE FROM meta WHERE key = 'closed'")

    def _take_up_frames(self, db: sqlite3.Connection) -> None:
        """Go on after the newest batch, and with the small ones before it."""
        small: list[tuple[BatchRow, FrameArray]] = []
        frames = 0
        with closing(db.execute(f"SELECT {COLUMNS} FROM frames ORDER BY id DESC")) as rows:
            for row in map(BatchRow._make, rows):
                fault = fault_of(row)
                if not self._taken:
                    if fault:
                        raise RecordDamaged(
                            f"{self.run_dir / NAME}: the newest batch is damaged, so the run cannot be continued in it",
                            "all that a reader reports",
                            f"frames {row.first_seq} to {row.last_seq}",
                        )
                    self._taken, self._boot, self._last_run_ms = row.id, row.boot, row.end_ms
                    self._last_seq[row.boot] = self._durable_frame[row.boot] = row.last_seq
                    self._last_t_ms = int(records_of(row)["frame"]["t_ms"][-1])
                is_next = row.boot == self._boot and row.id == self._taken - frames
                if fault or row.packing != PLAIN or not is_next or frames >= _MERGE_FRAMES:
                    break
                small.append((row, records_of(row)))
                frames += row.n
        if small:
            oldest = small[-1][0]
            parts = tuple(records for _, records in reversed(small))
            self._small = _Small(oldest.boot, oldest.run_ms, small[0][0].end_ms, self._taken - frames, frames, parts)

    @property
    def pending_frames(self) -> int:
        """Frames appended and not yet committed."""
        return sum(len(part.records) for part in self._pending)

    def durable_frame(self, boot: int) -> int:
        """Return the newest frame of this boot on disk, 0 when there is none."""
        return self._durable_frame.get(boot, 0)

    def durable_event(self, boot: int) -> int:
        """Return the newest event of this boot on disk, 0 when there is none."""
        return self._durable_event.get(boot, 0)

    def held(self) -> tuple[int, int] | None:
        """Return (boot, newest durable frame seq) for a BoardClient that takes the run up again."""
        if self._boot is None or self._boot not in self._durable_frame:
            return None
        return self._boot, self._durable_frame[self._boot]

    def expect_restart(self, pause_s: float) -> None:
        """Say how long the board was away, for placing the first frame of its next boot.

        Args:
            pause_s: by the host's monotonic clock, from the last frame before
                to the first after.
        """
        self._restart_ms = max(1, round(pause_s * 1000))

    def append_frames(self, boot: int, seqs: SeqArray, frames: FrameArray) -> SampleBlock:
        """Take frames, in sequence order, for the next commit.

        Frames of this boot that the journal already has, and frames whose time
        does not come after the frame before, are left out.

        Returns:
            The frames taken, timed from run start: the very numbers that a
            reader will find. Show them after `commit`.
        """
        frames, seqs = self._fresh(boot, seqs, frames)
        if not len(frames):
            return _nothing()
        records = np.empty(len(frames), dtype=RECORD_DTYPE)
        records["seq"] = seqs
        records["frame"] = frames
        t_ms = frames["t_ms"]
        run_ms = self._place(boot, int(t_ms[0]))
        at_ms = elapsed_ms(t_ms) + run_ms
        self._boot, self._last_t_ms = boot, int(t_ms[-1])
        self._last_run_ms = int(at_ms[-1])
        self._last_seq[boot] = int(seqs[-1])
        self._pending.append(_Pending(boot, run_ms, self._last_run_ms, records))
        if self._is_failing:
            self._bound_pending()
        return block_at(frames, at_ms)

    def _fresh(self, boot: int, seqs: SeqArray, frames: FrameArray) -> tuple[FrameArray, SeqArray]:
        """Return those frames, with their numbers, that come after all before them in number and in time."""
        if not len(frames):
            return frames, seqs
        last_seq = self._last_seq.get(boot, -1)
        t_ms = frames["t_ms"]
        goes_on = boot == self._boot and self._last_run_ms is not None
        step = signed_ms(int(t_ms[0]), self._last_t_ms) if goes_on else 1
        steps = steps_ms(t_ms)
        if step > 0 and seqs[0] > last_seq and (len(seqs) == 1 or (steps.min() > 0 and (seqs[1:] > seqs[:-1]).all())):
            return frames, seqs
        before = np.maximum.accumulate(np.concatenate(([last_seq], seqs[:-1].astype(np.int64))))
        fresh = seqs > before
        taken = fresh & _advancing([step, *steps.tolist()], fresh)
        return frames[taken], seqs[taken]

    def _place(self, boot: int, t_ms: int) -> int:
        if self._last_run_ms is None:
            return signed_ms(t_ms, t_ms if self._t0_ms is None else self._t0_ms)
        if boot == self._boot:
            return self._last_run_ms + signed_ms(t_ms, self._last_t_ms)
        run_ms = self._last_run_ms + self._restart_ms
        self.append_note(
            "board-restart",
            run_ms / 1000.0,
            {"boot": boot, "previous_boot": self._boot, "pause_s": self._restart_ms / 1000.0},
        )
        self._restart_ms = _RESTART_MS
        return run_ms

    def _bound_pending(self) -> None:
        while self.pending_frames > _MAX_PENDING and len(self._pending) > 1:
            self._dropped += len(self._pending.pop(0).records)

    def append_event(self, boot: int, seq: int, payload: bytes) -> bool:
        """Take one board event for the next commit; False when it is already held."""
        if (boot, seq) in self._events:
            return False
        self._events.add((boot, seq))
        run_ms = self.run_ms_of(boot, struct.unpack_from("<I", payload, 0)[0]) if len(payload) >= 4 else None
        crc = _event_crc(boot, seq, run_ms, payload)
        self._pending_rows.append(
            ("INSERT INTO events VALUES (NULL, ?, ?, ?, ?, ?)", (boot, seq, run_ms, crc, payload))
        )
        return True

    def run_ms_of(self, boot: int, t_ms: int) -> int | None:
        """Return board time of this boot as milliseconds since run start; None while unknown."""
        if boot == self._boot and self._last_run_ms is not None:
            return self._last_run_ms + signed_ms(t_ms, self._last_t_ms)
        if self._last_run_ms is None and self._t0_ms is not None:
            return signed_ms(t_ms, self._t0_ms)
        return None

    def append_note(self, kind: str, t_s: float | None, body: dict[str, Any]) -> None:
        """Take one host note for the next commit; `body` must be JSON."""
        text = json.dumps(body, ensure_ascii=False)
        crc = _note_crc(kind, t_s, text)
        self._pending_rows.append(("INSERT INTO notes VALUES (NULL, ?, ?, ?, ?)", (kind, t_s, crc, text)))

    def append_burst(self, boot: int, trip_seq: int, total: int, trip_index: int, records: bytes) -> None:
        """Take the full-rate record around a trip; a longer one replaces a shorter."""
        crc = _burst_crc(boot, trip_seq, total, trip_index, records)
        self._pending_rows.append(
            (
                "INSERT INTO bursts VALUES (NULL, ?, ?, ?, ?, ?, ?) ON CONFLICT (boot, trip_seq) DO UPDATE SET "
                "total = excluded.total, trip_index = excluded.trip_index, crc = excluded.crc, "
                "records = excluded.records WHERE length(excluded.records) > length(records)",
                (boot, trip_seq, total, trip_index, crc, records),
            )
        )

    def commit(self) -> None:
        """Make everything appended durable.

        Raises:
            JournalFull: the disk is full. See its attributes; what was appended
                stays in memory for another try.
            RecordError: the journal cannot be written for another reason.
        """
        if self._pending or self._pending_rows:
            self._commit(is_last=False)

    def _commit(self, is_last: bool) -> None:
        try:
            self._store(is_last)
        except sqlite3.Error as error:
            if not _is_full(error, self.run_dir):
                raise RecordError(f"{self.run_dir / NAME}: cannot be written ({error})") from error
            self._use_reserve(error)

    def _use_reserve(self, error: sqlite3.Error) -> None:
        self._is_failing = True
        self._bound_pending()
        reserve = self.run_dir / RESERVE_NAME
        stored = False
        if reserve.exists():
            with suppress(OSError):
                reserve.unlink()
            self.append_note("journal-full", self._now_s(), {"why": str(error), "dropped_frames": self._dropped})
            with suppress(sqlite3.Error):
                self._write(may_merge=False, is_last=False)
                stored = True
        full = getattr(error, "sqlite_errorname", "") == "SQLITE_FULL"
        seen = "the disk is full" if full else f"the disk takes no more ({error}: quota, size limit or a failing disk)"
        where = f"{self.run_dir / NAME}: {seen}"
        newest = self.durable_frame(self._boot) if self._boot is not None else 0
        if stored:
            words = f"{where}; the record was saved up to frame {newest} on space kept in reserve. End the run now"
        else:
            words = (
                f"{where}; the record ends with frame {newest} and stays readable up to there. "
                f"{self.pending_frames} newer frames and {len(self._pending_rows)} entries wait in memory"
            )
            if self._dropped:
                words += f", {self._dropped} frames are lost"
            words += ". Make room and the run's record goes on"
        raise JournalFull(words, stored, self.pending_frames, self._dropped) from error

    def _now_s(self) -> float | None:
        return None if self._last_run_ms is None else self._last_run_ms / 1000.0

    def _store(self, is_last: bool) -> None:
        try:
            self._write(may_merge=True, is_last=is_last)
        except sqlite3.Error:
            if not self._is_merging:
                raise
            # Merging takes more room and touches older pages; neither may keep new frames off the disk.
            self._write(may_merge=False, is_last=False)

    def _write(self, may_merge: bool, is_last: bool) -> None:
        db = self._open()
        newest = {part.boot: int(part.records["seq"][-1]) for part in self._pending}
        try:
            steps, small, taken = self._steps(may_merge, is_last)
            self._is_merging = any(statement == _DELETE for statement, _ in steps)
            if len(steps) == 1 and not self._pending_rows:
                db.execute(*steps[0])  # one statement is a transaction of its own
            else:
                db.execute("BEGIN IMMEDIATE")
                for statement, values in (*steps, *self._pending_rows):
                    db.execute(statement, values)
                db.execute("COMMIT")
        except sqlite3.Error:
            if db.in_transaction:
                with suppress(sqlite3.Error):
                    db.execute("ROLLBACK")
            raise
        self._small, self._taken = small, taken
        self._durable_frame.update(newest)
        for statement, values in self._pending_rows:
            if statement.startswith("INSERT INTO events"):
                self._durable_event[values[0]] = max(values[1], self._durable_event.get(values[0], 0))
        self._pending.clear()
        self._pending_rows.clear()
        self._is_failing = False

    def _steps(self, may_merge: bool, is_last: bool) -> tuple[list[_Step], _Small | None, int]:
        """Return what puts the pending frames on disk; what is small and newest afterwards; the newest row's number."""
        steps: list[_Step] = []
        small = self._small if may_merge else None
        end = self._taken
        for part in self._joined():
            if small is not None and small.boot != part.boot:
                steps += _merging(small)
                small = None
            held = small or _Small(part.boot, part.run_ms, part.end_ms, end, 0, ())
            small = held.plus(part)
            end += len(part.records)
            if small.frames >= _MERGE_FRAMES:
                if held.frames:
                    steps.append(held.deleted())
                steps += small.packed()
                small = None
            else:
                steps.append((_INSERT, row_of(end, part.boot, part.run_ms, part.end_ms, part.records, PLAIN)))
        if is_last and small is not None:
            steps += _merging(small)
            small = None
        return steps, small if may_merge else None, end

    def _joined(self) -> Iterator[_Pending]:
        """Yield what is pending, joined as far as one boot goes."""
        at = 0
        while at < len(self._pending):
            first = self._pending[at]
            end = at + 1
            while end < len(self._pending) and self._pending[end].boot == first.boot:
                end += 1
            records = joined([part.records for part in self._pending[at:end]])
            yield _Pending(first.boot, first.run_ms, self._pending[end - 1].end_ms, records)
            at = end

    def _open(self) -> sqlite3.Connection:
        if self._db is None:
            raise RecordError(f"{self.run_dir / NAME}: the journal is closed")
        return self._db

    def close(self) -> None:
        """Commit, mark the run as ended in order, and let go; may be called twice.

        Raises:
            JournalFull, RecordError: the last batch did not reach the disk; the
                journal is closed all the same.
        """
        if self._db is None:
            return
        try:
            # With the last batch, so that a disk that fills up between cannot part them.
            self._pending_rows.append(("INSERT OR REPLACE INTO meta VALUES ('closed', '1', ?)", (_crc(b"1"),)))
            self._commit(is_last=True)
        finally:
            db, self._db = self._db, None
            db.close()
            with suppress(OSError):
                (self.run_dir / RESERVE_NAME).unlink(missing_ok=True)
            _unlock(self._lock_fd)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _merging(small: _Small) -> list[_Step]:
    """Return what makes one batch of small ones that are on disk."""
    return [small.deleted(), *small.packed()] if len(small.parts) > 1 else []


def _advancing(steps: list[int], fresh: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return which of the fresh frames come later than every fresh frame before them."""
    if all(step > 0 for step in steps):
        return fresh
    taken = fresh.copy()
    behind = 0  # how far the present frame is behind the last one taken
    for i, step in enumerate(steps):
        behind += step
        if not fresh[i]:
            continue
        taken[i] = behind > 0
        if behind > 0:
            behind = 0
    return taken


def _event_crc(boot: int, seq: int, run_ms: int | None, payload: bytes) -> int:
    return _crc(struct.pack("<II", boot, seq), repr(run_ms).encode(), payload)


def _note_crc(kind: str, t_s: float | None, text: str) -> int:
    return _crc(kind.encode(), b"\0", repr(t_s).encode(), b"\0", text.encode())


def _burst_crc(boot: int, trip_seq: int, total: int, trip_index: int, records: bytes) -> int:
    return _crc(struct.pack("<IIII", boot, trip_seq, total, trip_index), records)


def _t0_ms(header: dict[str, Any]) -> int | None:
    t0_ms = header.get("t0_ms")
    return None if t0_ms is None else int(t0_ms)


def _connect(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, isolation_level=None, timeout=5.0)
    try:
        db.execute("PRAGMA journal_mode=WAL")
        db.execute("PRAGMA synchronous=FULL")
    except sqlite3.Error:
        db.close()
        raise
    return db


def _is_full(error: sqlite3.Error, run_dir: Path) -> bool:
    name = getattr(error, "sqlite_errorname", "")
    if name == "SQLITE_FULL":
        return True
    # Some file systems and quotas show up as a failed write instead.
    if name.startswith("SQLITE_IOERR"):
        with suppress(OSError):
            return shutil.disk_usage(run_dir).free < _RESERVE_BYTES or name in (
                "SQLITE_IOERR_WRITE",
                "SQLITE_IOERR_SHMSIZE",
            )
    return False


def _begin_error(path: Path, error: Exception) -> RecordError:
    with suppress(OSError):
        free = shutil.disk_usage(path.parent).free
        if free < 2 * _RESERVE_BYTES:
            return JournalFull(f"{path}: no room to begin a run, {free} bytes are free on this disk", False, 0, 0)
    return RecordError(f"{path}: cannot be made ({error})")


def _make_reserve(run_dir: Path) -> None:
    # Written, not only sized: a sparse file reserves nothing. Random bytes, or
    # a compressing file system would keep nothing in reserve either.
    with open(run_dir / RESERVE_NAME, "wb") as out:
        out.write(os.urandom(_RESERVE_BYTES))
        out.flush()
        os.fsync(out.fileno())


def _sync_folder(folder: Path) -> None:
    if os.name == "posix":
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)


def _lock(run_dir: Path) -> int:
    """Hold the run's lock file; the system lets go of it when the process ends, however it ends."""
    fd = os.open(run_dir / LOCK_NAME, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(fd)
        raise RecordError(f"{run_dir}: another program is writing this run") from error
    return fd


def _unlock(fd: int) -> None:
    os.close(fd)


def _read_header(db: sqlite3.Connection, path: Path) -> dict[str, Any]:
    damaged = RecordDamaged(f"{path}: the header is damaged", "frames, events and notes", "the header")
    try:
        meta = {key: (value, crc) for key, value, crc in db.execute("SELECT key, value, crc FROM meta")}
        if any(crc != _crc(value.encode()) for value, crc in meta.values()) or not {"format", "header"} <= set(meta):
            raise damaged
        found, text = meta["format"][0], meta["header"][0]
        if found != str(FORMAT):
            raise RecordError(f"{path}: journal format {found}, this program reads format {FORMAT}")
        header: dict[str, Any] = json.loads(text)
    except (sqlite3.DatabaseError, AttributeError, TypeError, ValueError) as error:
        raise damaged from error
    return header


class JournalReader:
    """Reads a run's journal, also while it is being written; never changes it.

    Damaged rows are left out and listed in `damage`; `gaps` tells what that
    means in sequence numbers.
    """

    def __init__(self, run_dir: Path) -> None:
        """Open the journal in `run_dir`.

        Raises:
            RecordError: there is none, or it is no journal of this format.
        """
        self.run_dir = run_dir
        self.damage: dict[tuple[str, int], Damage] = {}
        self._copy: tempfile.TemporaryDirectory[str] | None = None
        path = run_dir / NAME
        if not path.is_file():
            raise RecordError(f"{path}: no run here")
        try:
            self._db: sqlite3.Connection | None = self._connect(path)
        except sqlite3.Error as error:
            self.close()
            raise RecordError(f"{path}: cannot be read ({error})") from error
        if not self._begun():
            self.close()
            raise RecordError(f"{path}: the run has not begun, or this is no journal")

    def _begun(self) -> bool:
        try:
            return self._open().execute("SELECT 1 FROM sqlite_master WHERE name = 'meta'").fetchone() is not None
        except sqlite3.DatabaseError:
            return True  # damaged, but begun

    def _connect(self, path: Path) -> sqlite3.Connection:
        try:
            return _read_only(path)
        except sqlite3.DatabaseError:
            # Two cases are better in a copy. In a folder where nothing can be
            # made (a read-only disk) SQLite cannot index the -wal; and a file
            # that was cut short is refused until it has its length again.
            self._copy = tempfile.TemporaryDirectory(prefix="benchwarden-")
            for suffix in ("", "-wal"):
                source = path.with_name(path.name + suffix)
                if source.exists():
                    shutil.copyfile(source, Path(self._copy.name) / source.name)
            copy = Path(self._copy.name) / path.name
            _lengthen(copy)
            return _read_only(copy)

    def close(self) -> None:
        """Let go of the file; may be called twice."""
        db, self._db = getattr(self, "_db", None), None
        if db is not None:
            db.close()
        if self._copy is not None:
            self._copy.cleanup()
            self._copy = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _open(self) -> sqlite3.Connection:
        if self._db is None:
            raise RecordError(f"{self.run_dir / NAME}: the journal is closed")
        return self._db

    def header(self) -> dict[str, Any]:
        """Return the facts the run began with.

        Raises:
            RecordDamaged: they are lost; everything else may still be read.
            RecordError: the journal is of another format.
        """
        return _read_header(self._open(), self.run_dir / NAME)

    @property
    def closed(self) -> bool:
        """True when the run's writer ended in order."""
        try:
            return self._open().execute("SELECT 1 FROM meta WHERE key = 'closed'").fetchone() is not None
        except sqlite3.DatabaseError:
            return False

    def frames(
        self, since_rowid: int = 0, max_rows: int | None = None
    ) -> tuple[int, npt.NDArray[np.uint32], SeqArray, FrameArray]:
        """Return (rowid, boots, seqs, frames): what came after `since_rowid`.

        Args:
            since_rowid: a rowid that this or `tail` returned, also if that batch
                has been merged with others since: no frame comes twice.
            max_rows: at most so many batches, to bound the memory.

        Returns:
            rowid: pass it as the next `since_rowid`; unchanged when there was nothing.
            boots, seqs: shape (n,). frames: FRAME_DTYPE, shape (n,).
        """
        parts: list[tuple[int, FrameArray]] = []
        for rowid, boot, _, records in self._batches(since_rowid, max_rows):
            since_rowid = rowid
            if records is not None:
                parts.append((boot, records))
        if not parts:
            return since_rowid, np.empty(0, np.uint32), np.empty(0, np.uint32), np.empty(0, FRAME_DTYPE)
        records = joined([part for _, part in parts])
        boots = np.concatenate([np.full(len(part), boot, np.uint32) for boot, part in parts])
        return since_rowid, boots, np.array(records["seq"]), np.array(records["frame"])

    def blocks(self, since_rowid: int = 0) -> Iterator[SampleBlock]:
        """Yield the run as blocks of at most a few thousand frames, time strictly increasing."""
        waiting: list[tuple[int, FrameArray]] = []
        count = 0
        for _, _, run_ms, records in self._batches(since_rowid, None):
            if records is None:
                continue
            if waiting and count + len(records) > _MAX_BATCH:
                yield block_of(waiting)
                waiting, count = [], 0
            waiting.append((run_ms, records))
            count += len(records)
        if waiting:
            yield block_of(waiting)

    def spans(self) -> Iterator[Span]:
        """Yield what each intact batch covers, oldest first."""
        for row, is_sound in self._checked(0):
            if is_sound:
                yield Span(row.boot, row.last_seq, row.n, row.run_ms / 1000.0, row.end_ms / 1000.0)

    def tail(self, since_rowid: int = 0, max_frames: int = 1000) -> tuple[int, SampleBlock]:
        """Return (rowid, block) of the newest frames after `since_rowid`, at most `max_frames`.

        For live views: call again with the returned rowid for what is new.
        """
        found: list[tuple[int, FrameArray]] = []
        newest = max(since_rowid, (self._newest("frames") or 0) - max_frames)
        for rowid, _, run_ms, records in self._batches(newest, None):
            newest = rowid
            if records is not None:
                found.append((run_ms, records))
        block = block_of(found) if found else _nothing()
        # More may have been committed meanwhile.
        return newest, block.part(max(0, len(block) - max_frames), len(block))

    def _newest(self, table: str) -> int | None:
        """Return the newest row's number, None when it cannot be told."""
        with suppress(sqlite3.DatabaseError, TypeError, ValueError):
            (found,) = self._open().execute(f"SELECT max(id) FROM {table}").fetchone()
            return int(found or 0)
        return None

    def events(self, since_rowid: int = 0) -> list[JournalEvent]:
        """Return the board's events after `since_rowid`, in the order they were taken."""
        found = []
        for row in self._rows("events", "boot, seq, run_ms, crc, payload", since_rowid):
            rowid, boot, seq, run_ms, crc, payload = row
            if not self._is_sound("events", rowid, crc, partial(_event_crc, boot, seq, run_ms, payload)):
                continue
            if run_ms is None and len(payload) >= 4:
                run_ms = self._run_ms_of(boot, struct.unpack_from("<I", payload, 0)[0])
            found.append(JournalEvent(rowid, boot, seq, None if run_ms is None else run_ms / 1000.0, payload))
        return found

    def _run_ms_of(self, boot: int, t_ms: int) -> int | None:
        # An event that came before the first frame of its boot.
        for row in map(BatchRow._make, self._rows("frames", COLUMNS.removeprefix("id, "), 0)):
            if row.boot == boot and self._is_sound_batch(row):
                return row.run_ms + signed_ms(t_ms, int(records_of(row)["frame"]["t_ms"][0]))
        return None

    def notes(self, since_rowid: int = 0) -> list[Note]:
        """Return the host's notes after `since_rowid`, in the order they were taken."""
        found = []
        for rowid, kind, t_s, crc, text in self._rows("notes", "kind, t_s, crc, body", since_rowid):
            if not self._is_sound("notes", rowid, crc, partial(_note_crc, kind, t_s, text)):
                continue
            found.append(Note(rowid, kind, t_s, json.loads(text)))
        return found

    def bursts(self) -> list[BurstRecord]:
        """Return the full-rate records around trips."""
        found = []
        for row in self._rows("bursts", "boot, trip_seq, total, trip_index, crc, records", 0):
            rowid, boot, trip_seq, total, trip_index, crc, records = row
            if not self._is_sound(
                "bursts",
                rowid,
                crc,
                partial(_burst_crc, boot, trip_seq, total, trip_index, records),
            ):
                continue
            found.append(BurstRecord(boot, trip_seq, total, trip_index, np.frombuffer(records, BURST_DTYPE)))
        return found

    def gaps(self) -> list[Gap]:
        """Return exactly which frames and events between the first and the last held are missing.

        What a board sent after its last held frame cannot be known from here.
        """
        gaps: list[Gap] = []
        last: dict[int, int] = {}
        whole = 0  # the last sound row's number
        for row, is_sound in self._checked(0):
            if not is_sound:
                continue
            rows = self._damaged("frames", whole, row.id)
            whole = row.id
            if row.boot in last:
                if row.first_seq > last[row.boot] + 1:
                    gaps.append(Gap("frame", row.boot, last[row.boot] + 1, row.first_seq - 1, _gap_why(rows)))
            elif rows:
                # Nothing whole before it: the row's own words are all there is.
                gaps.extend(self._claimed(rows, row.boot, row.first_seq))
            if row.n != row.last_seq - row.first_seq + 1:
                seqs = records_of(row)["seq"].astype(np.int64)
                for i in np.flatnonzero(np.diff(seqs) > 1):
                    gaps.append(Gap("frame", row.boot, int(seqs[i]) + 1, int(seqs[i + 1]) - 1, _gap_why([])))
            last[row.boot] = row.last_seq
        rows = self._damaged("frames", whole, None)
        if rows:
            gaps.extend(self._claimed(rows, None, None))
        seen: dict[int, int] = {}
        for event in sorted(self.events(), key=lambda e: (e.boot, e.seq)):
            if event.boot in seen and event.seq > seen[event.boot] + 1:
                rows = self._damaged("events", 0, None)
                gaps.append(Gap("event", event.boot, seen[event.boot] + 1, event.seq - 1, _gap_why(rows)))
            seen[event.boot] = event.seq
        return gaps

    def _claimed(self, rows: list[int], boot: int | None, before_seq: int | None) -> list[Gap]:
        """Return the gaps that damaged rows say they are, where no whole neighbour tells."""
        found = []
        for rowid in rows:
            with suppress(sqlite3.DatabaseError, TypeError):
                row = self._open().execute("SELECT boot, first_seq, last_seq FROM frames WHERE id = ?", (rowid,))
                own_boot, first, last = row.fetchone()
                if own_boot == boot and before_seq is not None:
                    last = before_seq - 1
                if first <= last:
                    found.append(Gap("frame", own_boot, first, last, _gap_why([rowid])))
        return found

    def _batches(self, since_rowid: int, max_rows: int | None) -> Iterator[tuple[int, int, int, FrameArray | None]]:
        """Yield (rowid, boot, run_ms, records) of frames after `since_rowid`; records is None for a damaged batch."""
        for count, (row, is_sound) in enumerate(self._checked(since_rowid)):
            if max_rows is not None and count >= max_rows:
                return
            records, run_ms = records_of(row) if is_sound else None, row.run_ms
            if records is not None:
                # Positive when the batch that ended here has been merged into this one.
                known = since_rowid - (row.id - row.n)
                if known > 0:
                    run_ms += int(elapsed_ms(records["frame"]["t_ms"])[known])
                    records = records[known:]
            since_rowid = row.id
            yield row.id, row.boot, run_ms, records

    def _checked(self, since_rowid: int) -> Iterator[tuple[BatchRow, bool]]:
        for row in map(BatchRow._make, self._rows("frames", COLUMNS.removeprefix("id, "), since_rowid)):
            yield row, self._is_sound_batch(row)

    def _is_sound_batch(self, row: BatchRow) -> bool:
        fault = fault_of(row)
        if fault:
            claim = f"it claims frames {row.first_seq} to {row.last_seq} of boot {row.boot}"
            self._note_damage("frames", row.id, f"{fault}; {claim}")
        return not fault

    def _damaged(self, table: str, after: int, before: int | None) -> list[int]:
        """Return the damaged rows met between two row numbers."""
        found = (rowid for of_table, rowid in self.damage if of_table == table)
        return sorted(rowid for rowid in found if rowid > after and (before is None or rowid < before))

    def _is_sound(self, table: str, rowid: int, crc: int, computing: Callable[[], int]) -> bool:
        try:
            if crc == computing():
                return True
            why = "CRC does not match"
        except (TypeError, ValueError, AttributeError, struct.error) as error:
            why = str(error)  # rot can turn a number into text or nothing
        self._note_damage(table, rowid, why)
        return False

    def _note_damage(self, table: str, rowid: int, why: str) -> None:
        self.damage[table, rowid] = Damage(table, rowid, why)

    def _rows(self, table: str, columns: str, since_rowid: int) -> Iterator[tuple[Any, ...]]:
        """Yield (id, columns...) in pages, so that a slow consumer pins no snapshot and little memory."""
        statement = f"SELECT id, {columns} FROM {table} WHERE id > ? ORDER BY id LIMIT ?"
        while True:
            try:
                rows = self._page(statement, since_rowid)
            except sqlite3.DatabaseError:
                yield from self._rows_one_by_one(table, columns, since_rowid)
                return
            if not rows:
                return
            numbers = [since_rowid, *(row[0] for row in rows)]
            if any(number <= before for before, number in pairwise(numbers)):
                # Row numbers that go back are rot as well, and could lead round in a circle.
                yield from self._rows_one_by_one(table, columns, since_rowid)
                return
            since_rowid = rows[-1][0]
            yield from rows

    def _page(self, statement: str, since_rowid: int) -> list[tuple[Any, ...]]:
        rows: list[tuple[Any, ...]] = []
        size = 0
        with closing(self._open().execute(statement, (since_rowid, _PAGE_ROWS))) as cursor:
            for row in cursor:
                rows.append(row)
                size += len(row[-1]) if isinstance(row[-1], bytes) else 0
                if size > _PAGE_BYTES:
                    break
        return rows

    def _rows_one_by_one(self, table: str, columns: str, since_rowid: int) -> Iterator[tuple[Any, ...]]:
        """Yield what can still be reached after a damaged page stopped the usual way."""
        statement = f"SELECT id, {columns} FROM {table} WHERE id > ? ORDER BY id LIMIT 1"
        db = self._open()
        newest = self._newest(table)
        rowid, misses = since_rowid, 0
        while misses < _MOST_MISSES if newest is None else rowid < newest:
            why = "its number is out of order"
            try:
                row = db.execute(statement, (rowid,)).fetchone()
            except sqlite3.DatabaseError as error:
                row, why = (rowid + 1,), f"its page is damaged ({error})"
            if row is None:
                return
            if len(row) > 1 and row[0] > rowid:
                rowid, misses = row[0], 0
                yield row
                continue
            if not misses:
                self._note_damage(table, rowid + 1, f"{why}, perhaps others after it")
            rowid, misses = rowid + 1, misses + 1


def _gap_why(rows: list[int]) -> str:
    if not rows:
        return "never received"
    return f"damaged in the journal (row {', '.join(map(str, rows))})"


def _read_only(path: Path) -> sqlite3.Connection:
    # A view may read from several threads; SQLite serialises them itself.
    uri = f"{path.resolve().as_uri()}?mode=ro"
    db = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=5.0, check_same_thread=False)
    try:
        db.execute("PRAGMA cell_size_check=ON")
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.Error:
        db.close()
        raise
    return db


def _lengthen(path: Path) -> None:
    """Pad a database that is shorter than its own header says with empty pages."""
    with open(path, "r+b") as file:
        head = file.read(100)
        if len(head) == 100 and head.startswith(b"SQLite format 3\0"):
            # SQLite file format, sections 1.3.2 and 1.3.7: page size at 16, pages in all at 28.
            (page_size,) = struct.unpack_from(">H", head, 16)
            (pages,) = struct.unpack_from(">I", head, 28)
            size = (65536 if page_size == 1 else page_size) * pages
            if path.stat().st_size < size <= _LARGEST_FILE:
                file.truncate(size)
