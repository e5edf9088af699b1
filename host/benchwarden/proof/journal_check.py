"""Does a journal still hold what was sealed? Answered on a copy, within bounds, whatever the file is.

Opening a database of this kind can write beside it, and a made-up one could ask
for any amount of memory: its tables must be a journal's own, and rows are
measured before they are read.
"""

from __future__ import annotations

import shutil
import sqlite3
import struct
import tempfile
import zlib
from collections.abc import Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.errors import RecordDamaged, RecordError
from benchwarden.proof.entries import EntryWalk, heads_of, words_of
from benchwarden.proof.findings import Finding
from benchwarden.proof.seal_form import Seal
from benchwarden.record.batch import PACKED, RECORD_DTYPE
from benchwarden.record.journal_format import MAX_BATCH, NAME, SCHEMA
from benchwarden.record.journal_reader import JournalReader

# The longest burn-in, 336 hours at ten frames a second, comes to 1.3 GB where every reading differs.
_MOST_FILE_BYTES = 2 << 30
# With damage in it that keeps its rows from being measured, it may be read whole into memory.
_MOST_DAMAGED_BYTES = 256 << 20
_MOST_TEXT_BYTES = 64 << 20
# Tables of a packed batch beside its frames: 44 columns of up to 256 words (record.batch).
_TABLES_BYTES = 64 << 10
# Zlib makes at most 1032 bytes out of one; what is shorter needs no second look.
_SHORT_BYTES = 32 << 10
_NAMED = 12


@dataclass(frozen=True)
class JournalState:
    """A journal as it is now.

    Attributes:
        entries: label and leaf hash in hexadecimal, in order.
        head: over them.
        verdict: body of the newest note of kind "verdict"; None without one.
        damage: rows that cannot be trusted, in words.
    """

    entries: tuple[tuple[str, str], ...]
    head: str
    verdict: dict[str, Any] | None
    damage: tuple[str, ...]


def journal_state(run_dir: Path) -> JournalState:
    """Return what a run's journal holds, reading a copy of it.

    Raises:
        RecordError: there is none, or it is no journal that can be read.
    """
    with tempfile.TemporaryDirectory(prefix="benchwarden-") as folder:
        _copy(run_dir, Path(folder))
        try:
            with JournalReader(Path(folder)) as reader:
                if reader.is_copy:
                    raise RecordError("cut short; `benchwarden recover` says what is left in it")
                _screen(Path(folder) / NAME, reader)
                return _state(reader)
        except RecordError as error:
            # What was read is a copy; its name is of no use to anybody.
            words = str(error).removeprefix(f"{Path(folder) / NAME}: ")
            raise RecordError(f"{run_dir / NAME}: {words}") from error
        except (sqlite3.Error, zlib.error, struct.error, ValueError, TypeError, KeyError, AttributeError) as error:
            raise RecordError(f"{run_dir / NAME}: cannot be read as a journal ({error})") from error
        except (MemoryError, OverflowError, RecursionError) as error:
            raise RecordError(f"{run_dir / NAME}: asks for more memory than a journal may") from error


def _copy(run_dir: Path, folder: Path) -> None:
    for suffix in ("", "-wal"):
        source = run_dir / (NAME + suffix)
        try:
            if suffix and not source.exists():
                continue
            if source.is_symlink() or not source.is_file():
                raise RecordError(f"{source}: no journal here")
            size = source.stat().st_size
            if size > _MOST_FILE_BYTES:
                raise RecordError(f"{source}: {size} bytes; a journal of up to {_MOST_FILE_BYTES} bytes is checked")
            shutil.copyfile(source, folder / source.name)
        except OSError as error:
            raise RecordError(f"{source}: cannot be read ({error.strerror})") from error


def _state(reader: JournalReader) -> JournalState:
    with suppress(RecordDamaged):
        reader.header()
    entries = tuple((entry.label, entry.leaf.hex()) for entry in EntryWalk(reader))
    notes = [note for note in reader.notes() if note.kind == "verdict"]
    verdict = notes[-1].body if notes and isinstance(notes[-1].body, dict) else None
    damage = tuple(f"{d.table} row {d.rowid}: {d.why}" for d in reader.damage.values())
    head = heads_of([bytes.fromhex(leaf) for _, leaf in entries]).head.hex()
    return JournalState(entries, head, verdict, damage)


def _screen(path: Path, reader: JournalReader) -> None:
    """Refuse what is no journal, or could cost more to read than a journal can.

    Raises:
        RecordError: it is refused.
        sqlite3.Error: its first pages cannot be read.
    """
    expected = {" ".join(text.split()) for text in SCHEMA.split(";")[:-1]}
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
        db.execute("PRAGMA trusted_schema=OFF")
        db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _MOST_TEXT_BYTES)
        made = {" ".join(str(sql).split()) for (sql,) in db.execute("SELECT sql FROM sqlite_master WHERE sql NOT NULL")}
        if made != expected:
            raise RecordError("its tables are not those of a journal")
        for table, column in (("meta", "value"), ("events", "payload"), ("notes", "body"), ("bursts", "records")):
            try:
                (total,) = db.execute(f"SELECT coalesce(sum(length({column})), 0) FROM {table}").fetchone()
            except sqlite3.DatabaseError as error:
                if path.stat().st_size > _MOST_DAMAGED_BYTES:
                    raise RecordError(f"{table} is damaged ({error}); too large to be looked at further") from error
                continue
            if total > _MOST_TEXT_BYTES:
                raise RecordError(f"{total} bytes in {table}; a journal has up to {_MOST_TEXT_BYTES}")
        for row in reader.rows_after(0):
            _screen_row(db, row.id)


def _screen_row(db: sqlite3.Connection, rowid: int) -> None:
    most = MAX_BATCH * RECORD_DTYPE.itemsize + _TABLES_BYTES
    where = "FROM frames WHERE id >= ? ORDER BY id LIMIT 1"
    with suppress(sqlite3.DatabaseError):  # the reader will not get it either
        found = db.execute(f"SELECT n, packing, length(data) {where}", (rowid,)).fetchone()
        if found is None or not all(isinstance(word, int) for word in found):
            return  # rot; its CRC will not match
        n, packing, size = found
        if size > most or n > MAX_BATCH:
            raise RecordError(f"frames row {rowid} claims {n} frames in {size} bytes, more than a row holds")
        if packing == PACKED and size > _SHORT_BYTES:
            (data,) = db.execute(f"SELECT data {where}", (rowid,)).fetchone()
            _measure(rowid, data, most)


def _measure(rowid: int, data: bytes, most: int) -> None:
    unpacking = zlib.decompressobj()
    try:
        unpacking.decompress(data, most)
    except zlib.error:
        return  # damaged, and found by its CRC
    if unpacking.unconsumed_tail:
        raise RecordError(f"frames row {rowid} unpacks to more than a row holds")


def compared(seal: Seal, state: JournalState) -> list[Finding]:
    """Return how a journal differs from what was sealed; one finding "intact" when it does not."""
    if state.entries == seal.entries and state.head == seal.head:
        counts = seal.counts
        words = (
            f"all {len(seal.entries)} entries are as they were sealed: {counts.get('frames', 0)} frames, "
            f"{counts.get('events', 0)} events, {counts.get('notes', 0)} notes, {counts.get('bursts', 0)} trip records"
        )
        return [Finding("intact", NAME, words)]
    sealed, now = dict(seal.entries), dict(state.entries)
    changed = [label for label, leaf in sealed.items() if label in now and now[label] != leaf]
    missing = [label for label in sealed if label not in now]
    added = [label for label in now if label not in sealed]
    found = [
        *_named("changed", changed, "differs from what was sealed", "differ from what was sealed"),
        *_named("missing", missing, "is gone or cannot be read any more", "are gone or cannot be read any more"),
        *_named("changed", added, "was added after sealing", "were added after sealing"),
    ]
    if not found:
        found.append(Finding("changed", NAME, "the entries are not in the order in which they were sealed"))
    found += [Finding("note", NAME, f"damaged now: {words}") for words in state.damage[:_NAMED]]
    return found


def _named(kind: str, labels: Sequence[str], one: str, many: str) -> list[Finding]:
    found = [Finding(kind, NAME, f"{words_of(label)} {one}") for label in labels[:_NAMED]]
    more = len(labels) - _NAMED
    if more > 0:
        found.append(Finding(kind, NAME, f"{more} more entries {many}, the last of them {words_of(labels[-1])}"))
    return found
