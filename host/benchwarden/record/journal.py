"""Writes the run journal: frames, events, notes and trip records, on disk before anything is shown.

A live run commits after every frame or two. Such small batches are stored
plain; when a minute of them has piled up, the commit that completes it replaces
them by one packed batch in the same transaction. A batch's row number is how
many frames the run had up to its last, however often it was merged.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

import numpy as np
import numpy.typing as npt

from benchwarden.core.samples import SampleBlock
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
    elapsed_ms,
    fault_of,
    joined,
    records_of,
    row_of,
    signed_ms,
    steps_ms,
)
from benchwarden.record.journal_format import (
    FORMAT,
    MAX_BATCH,
    NAME,
    SCHEMA,
    burst_crc,
    crc_of,
    event_crc,
    note_crc,
    nothing,
    read_header,
)
from benchwarden.record.run_folder import RESERVE_BYTES, RESERVE_NAME, lock, make_reserve, sync_folder, unlock

# Small batches become one when they hold a minute: packed they take a quarter of
# the bytes, and what a flipped bit can cost stays small.
_MERGE_FRAMES = 600
# Frames kept in memory while the disk is full: ten minutes.
_MAX_PENDING = 6000
# A board restart hides how long it was away unless the caller knows; the next
# frame is then placed one frame interval on.
_RESTART_MS = 100

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
        if len(records) <= MAX_BATCH:
            end = self.before + self.frames
            yield _INSERT, row_of(end, self.boot, self.run_ms, self.end_ms, records, PACKED)
            return
        at_ms = elapsed_ms(records["frame"]["t_ms"]) + self.run_ms
        for start in range(0, len(records), MAX_BATCH):
            part = records[start : start + MAX_BATCH]
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
        lock_fd = lock(run_dir)
        db: sqlite3.Connection | None = None
        try:
            make_reserve(run_dir)
            db = _connect(path)
            # All at once: a run has begun with its header, or not at all.
            db.execute("BEGIN IMMEDIATE")
            for statement in SCHEMA.split(";")[:-1]:
                db.execute(statement)
            for key, value in (("format", str(FORMAT)), ("header", text)):
                db.execute("INSERT INTO meta VALUES (?, ?, ?)", (key, value, crc_of(value.encode())))
            db.execute("COMMIT")
            sync_folder(run_dir)
        except (sqlite3.Error, OSError) as error:
            if db is not None:
                db.close()
            unlock(lock_fd)
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
        lock_fd = lock(run_dir)
        db: sqlite3.Connection | None = None
        try:
            db = _connect(path)
            journal = cls(run_dir, db, lock_fd)
            journal._take_up(db)
        except (sqlite3.Error, OSError, RecordError) as error:
            if db is not None:
                db.close()
            unlock(lock_fd)
            if isinstance(error, RecordError):
                raise
            raise RecordError(f"{path}: cannot be opened ({error})") from error
        if not (run_dir / RESERVE_NAME).exists():
            with suppress(OSError):  # the disk may still be full; commits will say so
                make_reserve(run_dir)
        return journal

    def _take_up(self, db: sqlite3.Connection) -> None:
        header = read_header(db, self.run_dir / NAME)
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
            return nothing()
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
        crc = event_crc(boot, seq, run_ms, payload)
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
        crc = note_crc(kind, t_s, text)
        self._pending_rows.append(("INSERT INTO notes VALUES (NULL, ?, ?, ?, ?)", (kind, t_s, crc, text)))

    def append_burst(self, boot: int, trip_seq: int, total: int, trip_index: int, records: bytes) -> None:
        """Take the full-rate record around a trip; a longer one replaces a shorter."""
        crc = burst_crc(boot, trip_seq, total, trip_index, records)
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
            self._pending_rows.append(("INSERT OR REPLACE INTO meta VALUES ('closed', '1', ?)", (crc_of(b"1"),)))
            self._commit(is_last=True)
        finally:
            db, self._db = self._db, None
            db.close()
            with suppress(OSError):
                (self.run_dir / RESERVE_NAME).unlink(missing_ok=True)
            unlock(self._lock_fd)

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
            return shutil.disk_usage(run_dir).free < RESERVE_BYTES or name in (
                "SQLITE_IOERR_WRITE",
                "SQLITE_IOERR_SHMSIZE",
            )
    return False


def _begin_error(path: Path, error: Exception) -> RecordError:
    with suppress(OSError):
        free = shutil.disk_usage(path.parent).free
        if free < 2 * RESERVE_BYTES:
            return JournalFull(f"{path}: no room to begin a run, {free} bytes are free on this disk", False, 0, 0)
    return RecordError(f"{path}: cannot be made ({error})")
