"""The journal: what goes in comes out, time is the board's, damage is named, a full disk is survived."""

from __future__ import annotations

import sqlite3
import tracemalloc
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from frame_maker import frames, seqs

from benchwarden.core.samples import block_from_frames
from benchwarden.errors import RecordDamaged, RecordError
from benchwarden.record import journal as journal_module
from benchwarden.record.journal import Journal, JournalFull
from benchwarden.record.journal_format import NAME
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.recover import recover
from wardenfw import wire

HEADER = {"run": "bench test", "started_at_utc": "2000-01-01T00:00:00Z"}


@pytest.fixture
def run_dir(tmp_path: Path) -> Path:
    return tmp_path / "run"


@pytest.fixture
def journal(run_dir: Path) -> Iterator[Journal]:
    made = Journal.create(run_dir, HEADER)
    yield made
    made.close()


@pytest.fixture
def reader(journal: Journal) -> Iterator[JournalReader]:
    with JournalReader(journal.run_dir) as made:
        yield made


def test_frames_come_back_byte_for_byte(journal: Journal, reader: JournalReader) -> None:
    sent = frames(1000, seed=3)
    for start in range(0, 1000, 70):
        journal.append_frames(5, seqs(1 + start, len(sent[start : start + 70])), sent[start : start + 70])
        journal.commit()
    rowid, boots, got_seqs, got = reader.frames()
    assert got.tobytes() == sent.tobytes()
    assert got_seqs.tolist() == list(range(1, 1001))
    assert set(boots.tolist()) == {5}
    assert reader.frames(rowid)[1:][1].size == 0
    # 1000 frames in commits of 70: the first nine have become one batch, five are still on their own.
    first, _, got_seqs, _ = reader.frames(0, max_rows=2)
    assert (first, len(got_seqs)) == (700, 700)
    assert reader.header() == HEADER


def test_nothing_is_seen_before_commit_and_all_after(journal: Journal, reader: JournalReader) -> None:
    journal.append_frames(5, seqs(1, 3), frames(3))
    journal.append_event(5, 1, wire.pack_event(0, wire.EV_BOOT))
    journal.append_note("stage", 0.0, {"name": "x"})
    assert (len(reader.frames()[2]), reader.events(), reader.notes()) == (0, [], [])
    assert (journal.durable_frame(5), journal.durable_event(5), journal.pending_frames) == (0, 0, 3)
    journal.commit()
    assert (len(reader.frames()[2]), len(reader.events()), len(reader.notes())) == (3, 1, 1)
    assert (journal.durable_frame(5), journal.durable_event(5), journal.pending_frames) == (3, 1, 0)


def test_blocks_are_what_a_live_run_was_given(journal: Journal, reader: JournalReader) -> None:
    live = [journal.append_frames(5, seqs(1 + 50 * i, 50), frames(50, 5000 * i, seed=i)) for i in range(200)]
    journal.commit()
    read = list(reader.blocks())
    for name in ("t_s", "mean", "minimum", "maximum", "mains_on", "limiter_in", "drive_on"):
        whole = np.concatenate([getattr(block, name) for block in live])
        assert np.concatenate([getattr(block, name) for block in read]).tobytes() == whole.tobytes()
    assert max(len(block) for block in read) <= 4096
    # The project's own timing of frames, where nothing wraps.
    assert (read[0].t_s == block_from_frames(reader.frames()[3], 0).t_s[: len(read[0])]).all()


def test_a_channel_marked_invalid_is_missing(journal: Journal, reader: JournalReader) -> None:
    sent = frames(2)
    sent["valid"][1] = 0x1FFF & ~(1 << 4)
    journal.append_frames(5, seqs(1, 2), sent)
    journal.commit()
    (block,) = reader.blocks()
    assert np.isnan(block.mean[1, 4])
    assert np.isnan(block.mean).sum() == 1


def test_repeats_are_left_out(journal: Journal, reader: JournalReader) -> None:
    sent = frames(20)
    assert len(journal.append_frames(5, seqs(1, 10), sent[:10])) == 10
    assert len(journal.append_frames(5, seqs(1, 10), sent[:10])) == 0
    journal.commit()
    assert len(journal.append_frames(5, seqs(6, 15), sent[5:])) == 10
    assert journal.append_event(5, 1, wire.pack_event(0, wire.EV_BOOT))
    assert not journal.append_event(5, 1, wire.pack_event(0, wire.EV_BOOT))
    journal.commit()
    assert not journal.append_event(5, 1, wire.pack_event(0, wire.EV_BOOT))
    assert reader.frames()[2].tolist() == list(range(1, 21))
    assert len(reader.events()) == 1


def test_time_goes_on_over_the_wrap_of_the_board_counter(journal: Journal, reader: JournalReader) -> None:
    """A 32-bit millisecond counter wraps after 2^32 ms = 49.7 days."""
    start = 2**32 - 550
    journal.append_frames(5, seqs(1, 4), frames(4, start))
    journal.append_frames(5, seqs(5, 10), frames(10, start + 400))
    journal.append_event(5, 1, wire.pack_event((start + 600) % 2**32, wire.EV_NOTE))
    journal.commit()
    journal.append_frames(5, seqs(15, 5), frames(5, start + 1400))
    journal.commit()
    t_s = np.concatenate([block.t_s for block in reader.blocks()])
    assert t_s.tolist() == [i / 10 for i in range(19)]
    assert reader.events()[0].t_s == 0.6


def test_a_year_is_as_good_as_a_minute(journal: Journal, reader: JournalReader) -> None:
    """One batch a week for a year: eight wraps."""
    week_ms = 7 * 86_400_000
    for week in range(53):
        journal.append_frames(5, seqs(1 + week, 1), frames(1, week * week_ms))
    journal.commit()
    t_s = np.concatenate([block.t_s for block in reader.blocks()])
    assert t_s.tolist() == [week * week_ms / 1000 for week in range(53)]


def test_a_frame_that_goes_back_in_time_is_left_out(journal: Journal) -> None:
    sent = frames(6)
    sent["t_ms"] = [0, 100, 100, 50, 120, 110]
    block = journal.append_frames(5, seqs(1, 6), sent)
    assert block.t_s.tolist() == [0.0, 0.1, 0.12]


def test_a_restarted_board_goes_on_after_its_pause(journal: Journal, reader: JournalReader) -> None:
    journal.append_frames(5, seqs(1, 3), frames(3, 70_000))
    journal.expect_restart(2.5)
    block = journal.append_frames(9, seqs(1, 2), frames(2, 400))
    journal.append_event(9, 1, wire.pack_event(350, wire.EV_BOOT))
    journal.commit()
    assert block.t_s.tolist() == [2.7, 2.8]
    assert reader.events()[0].t_s == 2.65
    assert [(n.kind, n.body) for n in reader.notes()] == [
        ("board-restart", {"boot": 9, "previous_boot": 5, "pause_s": 2.5})
    ]
    assert recover(journal.run_dir).boots == (5, 9)


def test_run_start_may_be_given(run_dir: Path) -> None:
    with Journal.create(run_dir, {"t0_ms": 1000}) as journal:
        journal.append_event(5, 1, wire.pack_event(900, wire.EV_BOOT))
        assert journal.append_frames(5, seqs(1, 2), frames(2, 1500)).t_s.tolist() == [0.5, 0.6]
    with JournalReader(run_dir) as reader:
        assert reader.events()[0].t_s == -0.1


def test_an_event_before_the_first_frame_gets_its_time_from_it(journal: Journal, reader: JournalReader) -> None:
    journal.append_event(5, 1, wire.pack_event(60_000, wire.EV_BOOT))
    journal.commit()
    assert reader.events()[0].t_s is None
    journal.append_frames(5, seqs(1, 1), frames(1, 60_250))
    journal.commit()
    assert reader.events()[0].t_s == -0.25


def test_nothing_depends_on_the_wall_clock(run_dir: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Setting the host's clock back must not be able to matter: nothing here reads it."""

    def forbidden(*_: object) -> float:
        raise AssertionError("the journal asked for the time")

    for name in ("time", "monotonic", "time_ns"):
        monkeypatch.setattr(f"time.{name}", forbidden)
    with Journal.create(run_dir, HEADER) as journal:
        journal.append_frames(5, seqs(1, 3), frames(3))
        journal.append_note("stage", 0.1, {})
    recovery = recover(run_dir)
    monkeypatch.undo()
    assert recovery.intact


def test_tail_gives_views_only_what_is_new(journal: Journal, reader: JournalReader) -> None:
    for i in range(5):
        journal.append_frames(5, seqs(1 + 10 * i, 10), frames(10, 1000 * i))
        journal.commit()
    rowid, block = reader.tail(0, 15)
    assert (rowid, block.t_s[0], block.t_s[-1], len(block)) == (50, 3.5, 4.9, 15)
    assert reader.tail(rowid, 15)[0] == rowid
    assert len(reader.tail(rowid, 15)[1]) == 0
    assert len(reader.tail(30, 1000)[1]) == 20


def test_bursts_are_kept_and_a_longer_one_replaces(journal: Journal, reader: JournalReader) -> None:
    records = bytes(range(wire.BURST_RECORD_SIZE)) * 3
    journal.append_burst(5, 7, 3, 2, records[: wire.BURST_RECORD_SIZE])
    journal.append_burst(5, 7, 3, 2, records)
    journal.append_burst(5, 7, 3, 2, b"")
    journal.commit()
    (burst,) = reader.bursts()
    assert (burst.trip_seq, burst.total, burst.trip_index, burst.records.tobytes()) == (7, 3, 2, records)


def test_gaps_name_exactly_what_was_never_received(journal: Journal, reader: JournalReader) -> None:
    sent = frames(30)
    journal.append_frames(5, seqs(10, 30)[[0, 1, 2, 5, 6]], sent[[0, 1, 2, 5, 6]])
    journal.commit()
    journal.append_frames(5, seqs(10, 30)[20:], sent[20:])
    for seq in (1, 2, 5):
        journal.append_event(5, seq, wire.pack_event(0, wire.EV_NOTE))
    journal.commit()
    assert [(g.what, g.boot, g.first_seq, g.last_seq, g.count, g.why) for g in reader.gaps()] == [
        ("frame", 5, 13, 14, 2, "never received"),
        ("frame", 5, 17, 29, 13, "never received"),
        ("event", 5, 3, 4, 2, "never received"),
    ]


def written(run_dir: Path, batches: int = 10, merge: int = 1000) -> None:
    """Write batches of ten frames, left on their own as by a writer that was killed: row 40 is frames 31 to 40."""
    with pytest.MonkeyPatch.context() as patch, Journal.create(run_dir, HEADER) as journal:
        patch.setattr(journal_module, "_merging", lambda small: [])
        patch.setattr(journal_module, "_MERGE_FRAMES", merge)
        for i in range(batches):
            journal.append_frames(5, seqs(1 + 10 * i, 10), frames(10, 1000 * i, seed=i))
            journal.append_event(5, 1 + i, wire.pack_event(1000 * i, wire.EV_NOTE, text=f"event {i}"))
            journal.append_note("words", float(i), {"i": i})
            journal.commit()


def alter(run_dir: Path, statement: str, *values: object) -> None:
    db = sqlite3.connect(run_dir / NAME)
    with db:
        assert db.execute(statement, values).rowcount == 1
    db.close()


def flipped(run_dir: Path, rowid: int, byte: int) -> bytes:
    db = sqlite3.connect(run_dir / NAME)
    (data,) = db.execute("SELECT data FROM frames WHERE id = ?", (rowid,)).fetchone()
    db.close()
    return bytes(data[:byte]) + bytes([data[byte] ^ 1]) + bytes(data[byte + 1 :])


def test_one_flipped_bit_costs_one_batch_and_is_named(run_dir: Path) -> None:
    written(run_dir)
    alter(run_dir, "UPDATE frames SET data = ? WHERE id = 40", flipped(run_dir, 40, 100))
    recovery = recover(run_dir)
    assert not recovery.intact
    assert [(g.first_seq, g.last_seq, g.why) for g in recovery.gaps] == [(31, 40, "damaged in the journal (row 40)")]
    assert (recovery.frames, recovery.events, recovery.notes) == (90, 10, 10)
    assert "Missing: frames 31 to 40 (10), damaged in the journal (row 40)." in recovery.lines()
    with JournalReader(run_dir) as reader:
        assert reader.frames()[2].tolist() == [*range(1, 31), *range(41, 101)]


@pytest.mark.parametrize(("rowid", "first", "last"), [(10, 1, 10), (100, 91, 100)])
def test_damage_at_either_end_is_named_too(run_dir: Path, rowid: int, first: int, last: int) -> None:
    written(run_dir)
    alter(run_dir, "UPDATE frames SET data = ? WHERE id = ?", flipped(run_dir, rowid, 9), rowid)
    assert [(g.first_seq, g.last_seq) for g in recover(run_dir).gaps] == [(first, last)]


@pytest.mark.parametrize("column", ["id", "boot", "first_seq", "last_seq", "n", "run_ms", "end_ms", "packing", "crc"])
def test_the_row_around_a_batch_is_guarded_as_well(run_dir: Path, column: str) -> None:
    written(run_dir)
    alter(run_dir, f"UPDATE frames SET {column} = {column} + 1 WHERE id = 40")
    recovery = recover(run_dir)
    assert recovery.frames == 90
    assert [(g.first_seq, g.last_seq) for g in recovery.gaps] == [(31, 40)]


def test_damaged_events_notes_and_header_are_named(run_dir: Path) -> None:
    written(run_dir)
    alter(run_dir, "UPDATE events SET payload = x'00' WHERE id = 3")
    alter(run_dir, "UPDATE notes SET body = '{}' WHERE id = 5")
    alter(run_dir, "UPDATE meta SET value = '{}' WHERE key = 'header'")
    recovery = recover(run_dir)
    assert (recovery.frames, recovery.events, recovery.notes, recovery.header_ok) == (100, 9, 9, False)
    assert [(d.table, d.rowid) for d in recovery.damage] == [("events", 3), ("notes", 5)]
    assert [(g.what, g.first_seq, g.last_seq) for g in recovery.gaps] == [("event", 3, 3)]
    with JournalReader(run_dir) as reader, pytest.raises(RecordDamaged, match="header is damaged"):
        reader.header()


@pytest.mark.parametrize("merge", [1000, 60], ids=["on their own", "merged"])
def test_rot_anywhere_in_the_file_never_gives_a_false_frame(run_dir: Path, merge: int) -> None:
    """Every page is spoilt in turn; what is still read is what was written, what is not is reported."""
    written(run_dir, 40, merge)
    path = run_dir / NAME
    whole = path.read_bytes()
    true = {seq: frame.tobytes() for i in range(40) for seq, frame in zip(seqs(1 + 10 * i, 10).tolist(),
            frames(10, 1000 * i, seed=i), strict=True)}  # fmt: skip
    rng = np.random.default_rng(9)
    readable = 0
    for at in range(0, len(whole), 4096):
        spoilt = bytearray(whole)
        for place in rng.integers(at, at + 4096, 30):
            spoilt[place] ^= int(rng.integers(1, 256))
        path.write_bytes(spoilt)
        for side in ("-wal", "-shm"):
            path.with_name(NAME + side).unlink(missing_ok=True)
        try:
            recovery = recover(run_dir)
            with JournalReader(run_dir) as reader:
                _, _, got_seqs, got = reader.frames()
        except RecordError:
            continue
        readable += 1
        for seq, frame in zip(got_seqs.tolist(), got, strict=True):
            assert frame.tobytes() == true[seq]
        missing = set(true) - set(got_seqs.tolist())
        named = {s for g in recovery.gaps if g.what == "frame" for s in range(g.first_seq, g.last_seq + 1)}
        unnamed = missing - named
        # What follows the last whole batch cannot be told by number, only that something is damaged.
        assert not unnamed or recovery.damage
    assert readable >= len(whole) // 4096 - 3, "only the first pages may cost the whole file"


def test_a_file_cut_short_is_read_as_far_as_it_goes(run_dir: Path) -> None:
    written(run_dir, batches=60)
    path = run_dir / NAME
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])
    recovery = recover(run_dir)
    assert 0 < recovery.frames < 600
    assert recovery.damage
    assert not recovery.intact


def test_a_missing_wal_is_noticed(run_dir: Path, tmp_path: Path) -> None:
    journal = Journal.create(run_dir, HEADER)
    for i in range(150):  # beyond the first thousand pages, so that some have left the -wal
        journal.append_frames(5, seqs(1 + 200 * i, 200), frames(200, 20_000 * i))
        journal.commit()
    copy = tmp_path / "copy"
    copy.mkdir()
    (copy / NAME).write_bytes((run_dir / NAME).read_bytes())
    (tmp_path / "both").mkdir()
    for name in (NAME, NAME + "-wal"):
        (tmp_path / "both" / name).write_bytes((run_dir / name).read_bytes())
    journal.close()
    both = recover(tmp_path / "both")
    assert (both.frames, both.wal_missing, both.closed) == (30_000, False, False)
    assert recover(run_dir).intact
    recovery = recover(copy)
    assert recovery.wal_missing
    assert 0 < recovery.frames < 30_000
    assert any("-wal is gone" in line for line in recovery.lines())
    assert recover(copy).wal_missing, "looking twice changes nothing"


def test_an_interrupted_run_is_taken_up(run_dir: Path) -> None:
    with Journal.create(run_dir, HEADER) as journal:
        journal.append_frames(5, seqs(1, 3), frames(3, 2**32 - 200))
        journal.append_event(5, 1, wire.pack_event(0, wire.EV_BOOT))
    with Journal.open_existing(run_dir) as journal:
        assert journal.held() == (5, 3)
        assert (journal.durable_frame(5), journal.durable_event(5)) == (3, 1)
        assert not journal.append_event(5, 1, wire.pack_event(0, wire.EV_BOOT))
        assert journal.append_frames(5, seqs(3, 3), frames(3, 0)).t_s.tolist() == [0.3, 0.4]
        with JournalReader(run_dir) as reader:
            assert not reader.closed
    recovery = recover(run_dir)
    assert (recovery.frames, recovery.closed, recovery.intact) == (5, True, True)


def test_one_writer_at_a_time(run_dir: Path, journal: Journal) -> None:
    with pytest.raises(RecordError, match="another program is writing this run"):
        Journal.open_existing(run_dir)
    with pytest.raises(RecordError, match="already holds a run"):
        Journal.create(run_dir, HEADER)


def test_no_run_is_said_plainly(tmp_path: Path) -> None:
    for opening in (JournalReader, Journal.open_existing, recover):
        with pytest.raises(RecordError, match="no run here"):
            opening(tmp_path)
    (tmp_path / NAME).write_bytes(b"")
    with pytest.raises(RecordError, match="not begun"):
        JournalReader(tmp_path)
    (tmp_path / NAME).write_bytes(b"not a database at all" * 100)
    with pytest.raises(RecordError, match="cannot be read"):
        JournalReader(tmp_path)


def header_of(run_dir: Path) -> None:
    with JournalReader(run_dir) as reader:
        reader.header()


def test_another_format_is_refused_naming_both(run_dir: Path) -> None:
    written(run_dir)
    alter(run_dir, "UPDATE meta SET value = '3', crc = ? WHERE key = 'format'", zlib.crc32(b"3"))
    for opening in (recover, Journal.open_existing, header_of):
        with pytest.raises(RecordError, match="journal format 3, this program reads format 2"):
            opening(run_dir)


def test_a_reader_changes_nothing_and_cannot(run_dir: Path) -> None:
    written(run_dir)
    before = (run_dir / NAME).read_bytes()
    with JournalReader(run_dir) as reader:
        list(reader.blocks())
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            reader._open().execute("DELETE FROM frames")
    assert (run_dir / NAME).read_bytes() == before


def test_a_reader_follows_while_the_writer_writes(journal: Journal, reader: JournalReader) -> None:
    """Blocks are taken half-way through an iteration while commits go on around it."""
    sent = frames(9000)
    rowid, seen = 0, 0
    for i in range(180):
        journal.append_frames(5, seqs(1 + 50 * i, 50), sent[50 * i : 50 * i + 50])
        journal.commit()
        if i % 7 == 0:
            rowid, _, got, _ = reader.frames(rowid)
            assert got.tolist() == list(range(seen + 1, 50 * i + 51))
            seen = 50 * i + 50
    walk = reader.blocks()
    first = next(walk)
    journal.append_frames(5, seqs(9001, 1), frames(1, 900_000))
    journal.commit()
    assert len(first) + sum(len(block) for block in walk) == 9001


def test_reading_a_long_run_takes_little_memory(run_dir: Path) -> None:
    """A day at 10 Hz has 864,000 frames; a tenth of it must not need what it weighs (15 MB)."""
    with Journal.create(run_dir, HEADER) as journal:
        for i in range(0, 86_400, 3600):
            journal.append_frames(5, seqs(1 + i, 3600), frames(3600, 100 * i, seed=i))
            journal.commit()
    tracemalloc.start()
    with JournalReader(run_dir) as reader:
        assert sum(len(block) for block in reader.blocks()) == 86_400
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 12e6


def limit_pages(journal: Journal, spare: int) -> None:
    db = journal._open()
    (count,) = db.execute("PRAGMA page_count").fetchone()
    db.execute(f"PRAGMA max_page_count = {count + spare}")


def test_a_full_disk_keeps_what_was_committed_and_says_what_waits(run_dir: Path, journal: Journal) -> None:
    """SQLite's own page limit stands in for the disk; tests/crash fills a real one."""
    journal.append_frames(5, seqs(1, 10), frames(10))
    journal.commit()
    limit_pages(journal, 0)
    journal.append_frames(5, seqs(11, 400), frames(400, 1000))
    journal.append_event(5, 1, wire.pack_event(0, wire.EV_NOTE))
    with pytest.raises(
        JournalFull, match=r"disk is full.*ends with frame 10.*400 newer frames.*wait in memory"
    ) as full:
        journal.commit()
    assert (full.value.stored, full.value.pending_frames, full.value.dropped_frames) == (False, 400, 0)
    assert (journal.durable_frame(5), journal.durable_event(5)) == (10, 0)
    with JournalReader(run_dir) as reader:
        assert reader.frames()[2].tolist() == list(range(1, 11))
    journal._open().execute("PRAGMA max_page_count = 1000000")
    journal.commit()
    with JournalReader(run_dir) as reader:
        assert reader.frames()[2].tolist() == list(range(1, 411))
        assert [n.kind for n in reader.notes()] == ["journal-full"]


def test_memory_is_bounded_while_the_disk_is_full_and_the_loss_is_counted(
    run_dir: Path, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(journal_module, "_MAX_PENDING", 500)
    limit_pages(journal, 0)
    for i in range(10):
        journal.append_frames(5, seqs(1 + 100 * i, 100), frames(100, 10_000 * i))
    with pytest.raises(JournalFull, match="500 frames are lost") as full:
        journal.commit()
    assert (full.value.pending_frames, full.value.dropped_frames) == (500, 500)
    journal._open().execute("PRAGMA max_page_count = 1000000")
    journal.commit()
    with JournalReader(run_dir) as reader:
        (block,) = reader.blocks()
        assert (block.t_s[0], block.t_s[-1], len(block)) == (50.0, 99.9, 500)


def test_closing_twice_and_writing_after_is_said(run_dir: Path) -> None:
    journal = Journal.create(run_dir, HEADER)
    journal.close()
    journal.close()
    journal.append_note("late", None, {})
    with pytest.raises(RecordError, match="journal is closed"):
        journal.commit()
