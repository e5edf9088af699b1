"""The journal's form on disk: tables, what a row means, and the CRC each row carries.

One SQLite file per run in WAL mode with synchronous=FULL: a committed batch
survives a kill or a power cut, a batch that was not committed leaves no trace,
and a reader can follow while the writer writes. Frames are kept in batches with
a CRC-32 over the blob and the row that describes it, so that a flipped bit
costs one batch and is named.

Time is the board's: `run_ms` of each batch is milliseconds since run start,
carried over the 49-day wrap of the board's counter and over a board restart.
The host's wall clock appears in the header as a label only.
"""

from __future__ import annotations

import json
import sqlite3
import struct
import zlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from benchwarden.core.samples import FRAME_DTYPE, SampleBlock, block_from_frames
from benchwarden.errors import RecordDamaged, RecordError
from benchwarden.record.batch import FrameArray
from wardenfw import wire

NAME = "journal.sqlite"
FORMAT = 2
# Frames in a batch, and in a block handed to a reader, at most.
MAX_BATCH = 4096

BURST_DTYPE = np.dtype(
    [("t_ms", "<u4"), ("bits", "u1"), ("spare", "V3"), ("value", "<f4", (wire.N_CHANNELS,))],
)
assert BURST_DTYPE.itemsize == wire.BURST_RECORD_SIZE

SCHEMA = """
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


def crc_of(*parts: bytes) -> int:
    """Return the CRC-32 over all parts together."""
    value = 0
    for part in parts:
        value = zlib.crc32(part, value)
    return value


def event_crc(boot: int, seq: int, run_ms: int | None, payload: bytes) -> int:
    """Return the CRC-32 of an event's row."""
    return crc_of(struct.pack("<II", boot, seq), repr(run_ms).encode(), payload)


def note_crc(kind: str, t_s: float | None, text: str) -> int:
    """Return the CRC-32 of a note's row."""
    return crc_of(kind.encode(), b"\0", repr(t_s).encode(), b"\0", text.encode())


def burst_crc(boot: int, trip_seq: int, total: int, trip_index: int, records: bytes) -> int:
    """Return the CRC-32 of the row of a full-rate record."""
    return crc_of(struct.pack("<IIII", boot, trip_seq, total, trip_index), records)


def nothing() -> SampleBlock:
    """Return a block of no frames."""
    return block_from_frames(np.empty(0, FRAME_DTYPE), 0)


def read_header(db: sqlite3.Connection, path: Path) -> dict[str, Any]:
    """Return the facts the run began with.

    Raises:
        RecordDamaged: they are lost; everything else may still be read.
        RecordError: the journal is of another format.
    """
    damaged = RecordDamaged(f"{path}: the header is damaged", "frames, events and notes", "the header")
    try:
        meta = {key: (value, crc) for key, value, crc in db.execute("SELECT key, value, crc FROM meta")}
        if any(crc != crc_of(value.encode()) for value, crc in meta.values()) or not {"format", "header"} <= set(meta):
            raise damaged
        found, text = meta["format"][0], meta["header"][0]
        if found != str(FORMAT):
            raise RecordError(f"{path}: journal format {found}, this program reads format {FORMAT}")
        header: dict[str, Any] = json.loads(text)
    except (sqlite3.DatabaseError, AttributeError, TypeError, ValueError) as error:
        raise damaged from error
    return header
