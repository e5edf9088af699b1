"""A journal as entries: made again from the tables by hand, and the same however it was written."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import struct
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from sealed_runs import BOOT, HEADER, event, frames, seqs, write_journal

from benchwarden.proof.entries import EntryWalk, heads_of, words_of
from benchwarden.record.journal import Journal
from benchwarden.record.journal_format import NAME
from benchwarden.record.journal_reader import JournalReader


def entries(run_dir: Path) -> list[tuple[str, str]]:
    with JournalReader(run_dir) as reader:
        return [(entry.label, entry.leaf.hex()) for entry in EntryWalk(reader)]


def by_hand(run_dir: Path) -> list[str]:
    """Return the leaves as the words of proof.entries say, from plain batches, without a line of the program."""
    with closing(sqlite3.connect(run_dir / NAME)) as db:
        (header,) = db.execute("SELECT value FROM meta WHERE key = 'header'").fetchone()
        found = [b"header\n" + header.encode()]
        minutes: list[tuple[tuple[int, int], list[int], list[bytes]]] = []
        for boot, run_ms, n, data in db.execute("SELECT boot, run_ms, n, data FROM frames ORDER BY id"):
            assert len(data) == n * 176
            for k in range(n):
                record = data[176 * k : 176 * (k + 1)]
                t_ms = struct.unpack_from("<I", record, 4)[0]
                at = run_ms + t_ms - struct.unpack_from("<I", data, 4)[0]
                key = boot, at // 60_000
                if not minutes or minutes[-1][0] != key:
                    minutes.append((key, [], []))
                minutes[-1][1].append(at)
                minutes[-1][2].append(record)
        for (boot, minute), times, records in minutes:
            head = struct.pack("<IqI", boot, minute, len(records))
            found.append(b"frames\n" + head + struct.pack(f"<{len(times)}q", *times) + b"".join(records))
        for boot, seq, run_ms, payload in db.execute("SELECT boot, seq, run_ms, payload FROM events ORDER BY id"):
            at = b"\0" if run_ms is None else b"\1" + struct.pack("<q", run_ms)
            found.append(b"event\n" + struct.pack("<II", boot, seq) + at + payload)
        for kind, t_s, body in db.execute("SELECT kind, t_s, body FROM notes ORDER BY id"):
            at = b"\0" if t_s is None else b"\1" + struct.pack("<d", t_s)
            found.append(b"note\n" + at + struct.pack("<I", len(kind.encode())) + kind.encode() + body.encode())
        bursts = db.execute("SELECT boot, trip_seq, total, trip_index, records FROM bursts ORDER BY id")
        for *facts, records in bursts:
            found.append(b"burst\n" + struct.pack("<IIII", *facts) + records)
    return [hashlib.sha256(b"\0" + one).hexdigest() for one in found]


def test_leaves_can_be_made_by_hand_from_the_tables(tmp_path: Path) -> None:
    # Fewer frames than make a batch of their own, in a journal left open: they stay as they came.
    journal = Journal.create(tmp_path / "run", HEADER)
    run = frames(599, first=300)
    for first in range(0, 599, 50):
        journal.append_frames(BOOT, seqs(first + 1, len(run[first : first + 50])), run[first : first + 50])
        journal.commit()
    journal.append_event(BOOT, 1, event(5_000))
    journal.append_event(BOOT + 1, 1, event(9_000))  # of a boot that no frame tells of
    journal.append_note("operator", None, {"text": 'Ohm Ω, \U0001f50a, "quoted"', "n": [1, 2.5, None, float("nan")]})
    journal.append_note("stage", 3.25, {"name": "idle"})
    journal.append_burst(BOOT, 1, 2, 1, bytes(2 * 60))
    journal.commit()
    try:
        made = by_hand(tmp_path / "run")
        found = entries(tmp_path / "run")
    finally:
        journal.close()
    assert [leaf for _, leaf in found] == made
    assert len([label for label, _ in found if label.startswith("minute")]) == 2


def test_how_it_was_committed_and_merged_makes_no_difference(tmp_path: Path) -> None:
    ways = [entries(write_journal(tmp_path / str(commit), 1300, commit)) for commit in (1, 7, 600, 1300)]
    assert ways[0] == ways[1] == ways[2] == ways[3]
    assert [label for label, _ in ways[0]][:4] == ["header", *(f"minute {BOOT:08x} {k}" for k in range(3))]


def test_a_restart_of_the_board_begins_a_new_entry_and_each_start_is_named(tmp_path: Path) -> None:
    with Journal.create(tmp_path / "run", HEADER) as journal:
        journal.append_frames(BOOT, seqs(1, 300), frames(300))
        journal.append_frames(BOOT + 1, seqs(1, 310), frames(310))
        journal.append_frames(BOOT, seqs(301, 10), frames(10, first=300))
        journal.commit()
    with JournalReader(tmp_path / "run") as reader:
        walk = EntryWalk(reader)
        labels = [entry.label for entry in walk if entry.frames]
    assert walk.boots == [BOOT, BOOT + 1, BOOT]
    assert labels == [
        f"minute {BOOT:08x} 0",
        f"minute {BOOT + 1:08x} 0",
        f"minute {BOOT + 1:08x} 1",
        f"minute {BOOT:08x} 1",
    ]
    assert len(set(labels)) == len(labels)


def test_head_changes_with_every_entry_their_order_and_their_number() -> None:
    leaves = [hashlib.sha256(b"%d" % k).digest() for k in range(9)]
    heads = {heads_of(leaves).head}
    for k in range(9):
        heads.add(heads_of([*leaves[:k], bytes(32), *leaves[k + 1 :]]).head)
        heads.add(heads_of([*leaves[:k], *leaves[k + 1 :]]).head)
    for k in range(8):
        heads.add(heads_of([*leaves[:k], leaves[k + 1], leaves[k], *leaves[k + 2 :]]).head)
    heads.add(heads_of([]).head)
    assert len(heads) == 1 + 9 + 9 + 8 + 1


def test_head_is_built_as_its_words_say() -> None:
    leaves = [hashlib.sha256(b"%d" % k).digest() for k in range(2)]
    sha = hashlib.sha256
    link = sha(sha(bytes(32) + leaves[0]).digest() + leaves[1]).digest()
    tree = sha(b"\x01" + leaves[0] + leaves[1]).digest()
    found = heads_of(leaves)
    assert (found.chain, found.tree) == (link, tree)
    assert found.head == sha(b"benchwarden head 1\n" + (2).to_bytes(8, "big") + tree + link).digest()


def test_time_of_every_frame_is_part_of_its_entry(tmp_path: Path) -> None:
    early = frames(100)
    late = early.copy()
    late["t_ms"] += np.uint32(1)
    found = []
    for name, run in (("early", early), ("late", late)):
        with Journal.create(tmp_path / name, HEADER) as journal:
            journal.append_frames(BOOT, seqs(1, 100), run)
        found.append(entries(tmp_path / name)[1])
    assert found[0][0] == found[1][0]
    assert found[0][1] != found[1][1]


@pytest.mark.parametrize(
    ("label", "words"),
    [
        ("minute 0051d2a7 17", "minute 17 of the run (board start 0051d2a7)"),
        ("event 0051d2a7 3", "board event 3 (board start 0051d2a7)"),
        ("note stage 60.000 #2", 'the note "stage" at 60.000 s (number 2 of that name)'),
        ("note board -", 'the note "board" without a time'),
        ("nonsense", "an entry called 'nonsense'"),
    ],
)
def test_labels_become_words(label: str, words: str) -> None:
    assert words_of(label) == words


def test_a_stored_note_is_the_text_that_reading_gives_back() -> None:
    text = json.dumps({"a": [1e300, -0.0, 0.1, 12345678901234567890], "b": {"Ω": "\u2028"}}, ensure_ascii=False)
    assert json.dumps(json.loads(text), ensure_ascii=False) == text
