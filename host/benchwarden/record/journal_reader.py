"""Reads a run's journal, also while it is being written, also after it was damaged.

A batch's row number is how many frames the run had up to its last. So it does
not matter to a reader who has followed up to row k whether what comes next has
been merged since: of the first batch beyond k he takes what comes after the
k-th frame.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import struct
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from functools import partial
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

import numpy as np
import numpy.typing as npt

from benchwarden.core.samples import FRAME_DTYPE, SampleBlock
from benchwarden.errors import RecordError
from benchwarden.record.batch import (
    COLUMNS,
    BatchRow,
    FrameArray,
    SeqArray,
    block_of,
    elapsed_ms,
    fault_of,
    joined,
    records_of,
    signed_ms,
)
from benchwarden.record.journal_format import (
    BURST_DTYPE,
    MAX_BATCH,
    NAME,
    BurstRecord,
    Damage,
    Gap,
    JournalEvent,
    Note,
    Span,
    burst_crc,
    event_crc,
    note_crc,
    nothing,
    read_header,
)

_PAGE_ROWS = 256
_PAGE_BYTES = 1 << 20
# Row numbers tried past a damaged page when the newest is not known.
_MOST_MISSES = 1 << 16
# A length field may be rotten too; a year of frames is some 13 GB.
_LARGEST_FILE = 1 << 34


class Row(NamedTuple):
    """What a stored batch says of itself: its number, and when its first and last frame were, ms since run start."""

    id: int
    run_ms: int
    end_ms: int


class Batch(NamedTuple):
    """One sound batch: frames id - len(records) + 1 to id of the run, the first at run_ms."""

    id: int
    boot: int
    run_ms: int
    records: FrameArray


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
        return read_header(self._open(), self.run_dir / NAME)

    @property
    def closed(self) -> bool:
        """True when the run's writer ended in order."""
        try:
            return self._open().execute("SELECT 1 FROM meta WHERE key = 'closed'").fetchone() is not None
        except sqlite3.DatabaseError:
            return False

    @property
    def end_s(self) -> float | None:
        """When the newest batch says its last frame was, seconds since run start; None when there is none to ask."""
        with suppress(sqlite3.DatabaseError):
            found = self._open().execute("SELECT end_ms FROM frames ORDER BY id DESC LIMIT 1").fetchone()
            return found[0] / 1000.0 if found is not None and isinstance(found[0], int) else None
        return None

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
            if waiting and count + len(records) > MAX_BATCH:
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
        block = block_of(found) if found else nothing()
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
            if not self._is_sound("events", rowid, crc, partial(event_crc, boot, seq, run_ms, payload)):
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
            if not self._is_sound("notes", rowid, crc, partial(note_crc, kind, t_s, text)):
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
                partial(burst_crc, boot, trip_seq, total, trip_index, records),
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

    @property
    def is_copy(self) -> bool:
        """True when a copy of the file is read, which does not grow with it."""
        return self._copy is not None

    def rows_after(self, since_rowid: int) -> Iterator[Row]:
        """Yield what the batches after `since_rowid` say they hold, oldest first, without reading them.

        Their words are checked only when a batch is read: treat them as a hint where to look.
        """
        for found in self._rows("frames", "run_ms, end_ms", since_rowid):
            if all(isinstance(word, int) for word in found):
                yield Row(*found)

    def batch_at(self, rowid: int) -> Batch | None:
        """Return the batch that holds frame number `rowid` of the run; None when it is damaged or gone.

        Row numbers count frames, so that a batch is found also when it has been merged since.
        """
        statement = f"SELECT {COLUMNS} FROM frames WHERE id >= ? ORDER BY id LIMIT 1"
        try:
            found = self._open().execute(statement, (rowid,)).fetchone()
        except sqlite3.DatabaseError as error:
            self._note_damage("frames", rowid, f"its page is damaged ({error})")
            return None
        if found is None:
            return None
        row = BatchRow._make(found)
        if not self._is_sound_batch(row):
            return None
        return Batch(row.id, row.boot, row.run_ms, records_of(row))

    def run_s_of(self, boot: int, t_ms: int) -> float | None:
        """Return a time of this boot's own clock as seconds since run start; None when no frame of it tells."""
        run_ms = self._run_ms_of(boot, t_ms)
        return None if run_ms is None else run_ms / 1000.0

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
