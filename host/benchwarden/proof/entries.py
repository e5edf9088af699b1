"""A run's journal as a list of entries with fixed bytes, and the one value that stands for all of them.

The bytes depend on what was recorded, not on how SQLite laid it out or how many
frames a commit held. Whoever reads the journal's tables can make them again.
Whole numbers are little-endian; u32, i64 and f64 are their usual sizes; `time?`
is one byte 0, or one byte 1 and the value. The entries, in this order:

    header   "header\\n", the header's text as stored, UTF-8
    minute   "frames\\n", u32 boot, i64 minute, u32 n, n times i64 milliseconds
             since run start, n records of 176 bytes as stored (u32 sequence
             number, then the frame as the board sent it). A minute holds the
             consecutive frames of one boot whose milliseconds, divided by
             60,000 and rounded down, are the same.
    event    "event\\n", u32 boot, u32 number, time? (i64 milliseconds since run
             start), the payload as the board sent it; in the order taken
    note     "note\\n", time? (f64 seconds since run start), u32 length of the
             kind in bytes, the kind, the note's text as stored; in the order taken
    burst    "burst\\n", u32 boot, u32 trip event, u32 total, u32 trip index, the
             records as stored

Each entry's leaf is SHA-256(00 || entry). From the leaves, in order:

    tree     the tree head of RFC 6962, section 2.1
    chain    link(0) = 32 bytes 0; link(i) = SHA-256(link(i-1) || leaf(i)),
             so that a change of order or an end cut off shows by itself
    head     SHA-256("benchwarden head 1\\n" || u64 big-endian number of leaves
             || tree head || last link): printed on every page of the record
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import struct
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from benchwarden.errors import RecordDamaged
from benchwarden.proof.tree import leaf_hash, tree_head
from benchwarden.record.batch import FrameArray, MsArray, elapsed_ms
from benchwarden.record.journal_reader import JournalReader

MINUTE_MS = 60_000
_HEAD_TAG = b"benchwarden head 1\n"
_NO_LINK = bytes(32)


class Entry(NamedTuple):
    """One entry: what it is called, its leaf hash, and how many frames it holds."""

    label: str
    leaf: bytes
    frames: int = 0


@dataclass(frozen=True)
class Heads:
    """What stands for a list of leaves: tree head, last link of the chain, and both in one."""

    tree: bytes
    chain: bytes
    head: bytes


def heads_of(leaves: Sequence[bytes]) -> Heads:
    """Return tree head, chain and head of leaf hashes in order."""
    link = _NO_LINK
    for leaf in leaves:
        link = hashlib.sha256(link + leaf).digest()
    tree = tree_head(leaves)
    return Heads(tree, link, hashlib.sha256(_HEAD_TAG + struct.pack(">Q", len(leaves)) + tree + link).digest())


class EntryWalk:
    """Walks a journal once, entry by entry, with a minute of frames in memory at most.

    Attributes (whole after the walk):
        boots: starts of the board in order of their frames.
        first_ms, last_ms: time of the first and the last frame; None without frames.
        header_lost: the header could not be read and has no entry.
    """

    def __init__(self, reader: JournalReader) -> None:
        self._reader = reader
        self._names: Counter[str] = Counter()
        self.boots: list[int] = []
        self.first_ms: int | None = None
        self.last_ms: int | None = None
        self.header_lost = False

    def __iter__(self) -> Iterator[Entry]:
        yield from self._header()
        yield from self._minutes()
        for event in self._reader.events():
            at = _time("<q", None if event.t_s is None else round(event.t_s * 1000))
            leaf = leaf_hash(b"event\n", struct.pack("<II", event.boot, event.seq), at, event.payload)
            yield Entry(self._named(f"event {event.boot:08x} {event.seq}"), leaf)
        for note in self._reader.notes():
            kind = note.kind.encode("utf-8", "surrogatepass")
            body = _text(note.body)
            leaf = leaf_hash(b"note\n", _time("<d", note.t_s), struct.pack("<I", len(kind)), kind, body)
            yield Entry(self._named(f"note {_plain(note.kind)} {_at(note.t_s)}"), leaf)
        for burst in self._reader.bursts():
            facts = struct.pack("<IIII", burst.boot, burst.trip_seq, burst.total, burst.trip_index)
            leaf = leaf_hash(b"burst\n", facts, burst.records.tobytes())
            yield Entry(self._named(f"burst {burst.boot:08x} {burst.trip_seq}"), leaf)

    def _named(self, label: str) -> str:
        self._names[label] += 1
        count = self._names[label]
        return label if count == 1 else f"{label} #{count}"

    def _header(self) -> Iterator[Entry]:
        try:
            yield Entry("header", leaf_hash(b"header\n", _text(self._reader.header())))
        except RecordDamaged:
            self.header_lost = True

    def _minutes(self) -> Iterator[Entry]:
        key: tuple[int, int] | None = None
        times: list[MsArray] = []
        records: list[FrameArray] = []
        for boot, run_ms, found in self._batches():
            if not self.boots or self.boots[-1] != boot:
                self.boots.append(boot)
            self.first_ms = int(run_ms[0]) if self.first_ms is None else self.first_ms
            self.last_ms = int(run_ms[-1])
            minutes = run_ms // MINUTE_MS
            starts = [0, *(np.flatnonzero(np.diff(minutes)) + 1).tolist(), len(run_ms)]
            for start, stop in pairwise(starts):
                here = boot, int(minutes[start])
                if here != key and key is not None:
                    yield self._minute(key, times, records)
                    times, records = [], []
                key = here
                times.append(run_ms[start:stop])
                records.append(found[start:stop])
        if key is not None:
            yield self._minute(key, times, records)

    def _batches(self) -> Iterator[tuple[int, MsArray, FrameArray]]:
        for row in self._reader.rows_after(0):
            batch = self._reader.batch_at(row.id)
            if batch is not None and batch.id == row.id and len(batch.records):
                yield batch.boot, elapsed_ms(batch.records["frame"]["t_ms"]) + batch.run_ms, batch.records

    def _minute(self, key: tuple[int, int], times: list[MsArray], records: list[FrameArray]) -> Entry:
        boot, minute = key
        n = sum(len(part) for part in records)
        head = b"frames\n" + struct.pack("<IqI", boot, minute, n)
        stamps = (part.astype("<i8").tobytes() for part in times)
        rows = (part.tobytes() for part in records)
        return Entry(self._named(f"minute {boot:08x} {minute}"), leaf_hash(head, *stamps, *rows), n)


def words_of(label: str) -> str:
    """Return an entry's label as a person reads it."""
    name, _, again = label.partition(" #")
    kind, *rest = name.split(" ")
    more = f" (number {again} of that name)" if again else ""
    if kind == "header":
        return "the header (set, plan and board the run began with)" + more
    if kind == "minute" and len(rest) == 2:
        return f"minute {rest[1]} of the run (board start {rest[0]})" + more
    if kind == "event" and len(rest) == 2:
        return f"board event {rest[1]} (board start {rest[0]})" + more
    if kind == "note" and len(rest) == 2:
        at = "without a time" if rest[1] == "-" else f"at {rest[1]} s"
        return f'the note "{rest[0]}" {at}' + more
    if kind == "burst" and len(rest) == 2:
        return f"the full-rate record of trip event {rest[1]} (board start {rest[0]})" + more
    return f"an entry called {label!r}"


def _text(body: object) -> bytes:
    # The writer stores what json.dumps makes; reading it and writing it again gives the same text.
    return json.dumps(body, ensure_ascii=False).encode("utf-8", "surrogatepass")


def _time(form: str, value: float | None) -> bytes:
    return b"\0" if value is None else b"\1" + struct.pack(form, value)


def _plain(kind: str) -> str:
    return re.sub(r"[^A-Za-z0-9_-]", "_", kind)[:40] or "_"


def _at(t_s: float | None) -> str:
    return "-" if t_s is None or not math.isfinite(t_s) else f"{t_s:.3f}"
