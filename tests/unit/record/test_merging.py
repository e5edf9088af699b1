"""Small batches become one while the run goes on: no reader sees a frame twice or misses one, no crash shows a half."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from frame_maker import frames, seqs

from benchwarden.core.channels import CHANNELS
from benchwarden.core.samples import SampleBlock
from benchwarden.dashboard.trends import Buckets, Trends
from benchwarden.errors import RecordError
from benchwarden.record import journal as journal_module
from benchwarden.record import journal_reader as reader_module
from benchwarden.record.journal import Journal
from benchwarden.record.journal_format import NAME
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.recover import recover

MERGE = 50


@pytest.fixture(autouse=True)
def merged_early(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal_module, "_MERGE_FRAMES", MERGE)


@pytest.fixture
def run_dir(tmp_path: Path) -> Path:
    return tmp_path / "run"


@pytest.fixture
def journal(run_dir: Path) -> Iterator[Journal]:
    with Journal.create(run_dir, {}) as made:
        yield made


def write(
    journal: Journal, first: int, count: int, boot: int = 5, most: int = 1, seed: int = 0, flat: bool = False
) -> list[SampleBlock]:
    """Write frames in commits of one to `most`; return the blocks that a live run was given."""
    rng = random.Random(seed)
    given = []
    while count:
        size = min(count, rng.randint(1, most))
        part = frames(size, 100 * first, seed=first)
        if flat:
            part["mean"], part["min"], part["max"] = 1.0, 0.5, 1.5
        given.append(journal.append_frames(boot, seqs(first, size), part))
        journal.commit()
        first, count = first + size, count - size
    return given


def rows(run_dir: Path) -> list[tuple[int, int]]:
    db = sqlite3.connect(run_dir / NAME)
    found = db.execute("SELECT id, n FROM frames ORDER BY id").fetchall()
    db.close()
    return found


def joined(blocks: list[SampleBlock]) -> dict[str, bytes]:
    return {name: np.concatenate([getattr(block, name) for block in blocks]).tobytes() for name in vars(blocks[0])}


def test_rows_become_few_and_the_run_stays_the_same(run_dir: Path, journal: Journal) -> None:
    given = write(journal, 1, 230, most=3)
    assert len(rows(run_dir)) < 4 + MERGE
    with JournalReader(run_dir) as reader:
        assert joined(list(reader.blocks())) == joined(given)
        assert reader.frames()[2].tolist() == list(range(1, 231))
    journal.close()
    merged = rows(run_dir)
    assert len(merged) == 5, "what is left is merged when the run ends"
    assert [end - n for end, n in merged] == [0, *(end for end, _ in merged[:-1])]
    with JournalReader(run_dir) as reader:
        assert joined(list(reader.blocks())) == joined(given)
    assert recover(run_dir).intact


@pytest.mark.parametrize("since", [*range(0, 125, 4), 49, 50, 51, 123, 124])
def test_a_reader_may_stand_anywhere(run_dir: Path, journal: Journal, since: int) -> None:
    """Every row number that ever was is still a place to go on from."""
    given = joined(write(journal, 1, 124))
    with JournalReader(run_dir) as reader:
        rowid, boots, got, _ = reader.frames(since)
        assert (rowid, got.tolist(), len(boots)) == (124, list(range(since + 1, 125)), 124 - since)
        rowid, block = reader.tail(since, 1000)
        assert rowid == 124
        assert block.t_s.tobytes() == given["t_s"][8 * since :]
        assert len(reader.tail(since, 30)[1]) == min(30, 124 - since)
        blocks = list(reader.blocks(since))
        assert sum(map(len, blocks)) == 124 - since
        if blocks:
            assert joined(blocks)["t_s"] == given["t_s"][8 * since :]


@pytest.mark.parametrize("seed", range(4))
def test_a_follower_sees_each_frame_once(run_dir: Path, journal: Journal, seed: int) -> None:
    rng = random.Random(seed)
    by_frames: list[int] = []
    by_tail: list[float] = []
    at = at_tail = 0
    first = 1
    with JournalReader(run_dir) as reader:
        while first < 600:
            count = rng.randint(1, 80)
            write(journal, first, count, most=rng.choice((1, 3, 40)), seed=first)
            first += count
            at, _, got, _ = reader.frames(at, max_rows=rng.choice((None, 3)))
            by_frames += got.tolist()
            at_tail, block = reader.tail(at_tail, 1000)
            by_tail += block.t_s.tolist()
        by_frames += reader.frames(at)[2].tolist()
        by_tail += reader.tail(at_tail, 1000)[1].t_s.tolist()
    assert by_frames == list(range(1, first))
    assert by_tail == [i / 10 for i in range(first - 1)]


def test_a_walk_goes_on_over_a_merge(run_dir: Path, journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pages are read one after the other; between two of them the rows ahead and behind become one."""
    monkeypatch.setattr(reader_module, "_PAGE_ROWS", 7)
    write(journal, 1, 40)
    with JournalReader(run_dir) as reader:
        walk = reader._batches(0, None)
        seen = [int(seq) for _ in range(9) for seq in next(walk)[3]["seq"]]  # type: ignore[index]
        write(journal, 41, 80)
        seen += [int(seq) for _, _, _, records in walk if records is not None for seq in records["seq"]]
    assert seen == list(range(1, 121))


def test_trend_plots_count_no_frame_twice(run_dir: Path, journal: Journal) -> None:
    rng = random.Random(3)
    trends, plain = Trends(run_dir), Buckets()
    first = 1
    while first < 900:
        count = rng.randint(1, 70)
        for block in write(journal, first, count, most=2, seed=first, flat=True):
            plain.add(block)
        first += count
        found = trends.points(-1, CHANNELS)
    wanted = plain.points(-1, CHANNELS)
    assert found.t_s == wanted.t_s
    assert trends._buckets._count == plain._count


def test_gaps_and_restarts_come_through_a_merge(run_dir: Path) -> None:
    with Journal.create(run_dir, {}) as journal:
        given = write(journal, 1, 20)
        given += write(journal, 31, 35)  # ten lost on the way, inside one merged batch
        journal.expect_restart(7.0)
        given += write(journal, 1, 12, boot=9)
        given += write(journal, 13, 60, boot=9, most=70)
    with JournalReader(run_dir) as reader:
        assert joined(list(reader.blocks())) == joined(given)
        assert [(g.boot, g.first_seq, g.last_seq, g.why) for g in reader.gaps()] == [(5, 21, 30, "never received")]
    assert len(rows(run_dir)) <= 4


def test_a_killed_writers_small_batches_are_taken_up_and_merged(run_dir: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Journal.create(run_dir, {}) as journal, pytest.MonkeyPatch.context() as patch:
        patch.setattr(journal_module, "_merging", lambda small: [])
        given = write(journal, 1, 70)
        journal.close()
    assert len(rows(run_dir)) == 21
    with Journal.open_existing(run_dir) as journal:
        given += write(journal, 71, 29)
        assert len(rows(run_dir)) == 50
        given += write(journal, 100, 1)
        assert rows(run_dir) == [(50, 50), (100, 50)]
    with JournalReader(run_dir) as reader:
        assert joined(list(reader.blocks())) == joined(given)


def test_a_merge_that_fails_keeps_no_frame_from_the_disk(run_dir: Path, journal: Journal) -> None:
    write(journal, 1, 49)
    journal._open().execute("CREATE TRIGGER no BEFORE DELETE ON frames BEGIN SELECT RAISE(ABORT, 'no'); END")
    write(journal, 50, 10)
    assert (journal.durable_frame(5), journal.pending_frames) == (59, 0)
    journal._open().execute("DROP TRIGGER no")
    write(journal, 60, 60)
    with JournalReader(run_dir) as reader:
        assert reader.frames()[2].tolist() == list(range(1, 120))
    assert not recover(run_dir).gaps


def test_a_rotten_merged_batch_costs_itself_and_is_named(run_dir: Path) -> None:
    with Journal.create(run_dir, {}) as journal:
        write(journal, 1, 200)
    db = sqlite3.connect(run_dir / NAME)
    (data,) = db.execute("SELECT data FROM frames WHERE id = 100").fetchone()
    with db:
        db.execute("UPDATE frames SET data = ? WHERE id = 100", (data[:80] + bytes([data[80] ^ 4]) + data[81:],))
    db.close()
    recovery = recover(run_dir)
    assert recovery.frames == 150
    assert [(g.first_seq, g.last_seq, g.why) for g in recovery.gaps] == [(51, 100, "damaged in the journal (row 100)")]
    with JournalReader(run_dir) as reader:
        assert reader.frames(70)[2].tolist() == list(range(101, 201)), "also from inside the batch"


def begun(run_dir: Path) -> bool:
    try:
        JournalReader(run_dir).close()
    except RecordError:
        return False
    return True


def test_a_wal_torn_anywhere_shows_a_whole_earlier_run(run_dir: Path, tmp_path: Path, journal: Journal) -> None:
    """A power cut leaves the -wal up to some byte; whatever that is, frames 1 to k are read, k never smaller later."""
    write(journal, 1, 130, most=4)
    whole, wal = (run_dir / NAME).read_bytes(), (run_dir / (NAME + "-wal")).read_bytes()
    torn = tmp_path / "torn"
    torn.mkdir()
    held = 0
    rng = random.Random(1)
    # A frame of the -wal is a page and 24 bytes after a header of 32 (SQLite file format, section 4.1).
    edges = [32 + frame * (4096 + 24) for frame in range((len(wal) - 32) // (4096 + 24) + 1)]
    for cut in sorted({*edges, *(edge + rng.randrange(4120) for edge in edges)}):
        (torn / (NAME + "-shm")).unlink(missing_ok=True)
        (torn / NAME).write_bytes(whole)
        (torn / (NAME + "-wal")).write_bytes(wal[:cut])
        if not held and not begun(torn):
            continue
        with JournalReader(torn) as reader:
            got = reader.frames()[2].tolist()
            assert not reader.damage
        assert got == list(range(1, len(got) + 1))
        assert len(got) >= held
        held = len(got)
    assert held == 130


def test_looking_for_gaps_unpacks_nothing(run_dir: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Journal.create(run_dir, {}) as journal:
        write(journal, 1, 200, most=9)
    monkeypatch.delattr(reader_module, "records_of")
    recovery = recover(run_dir)
    assert (recovery.frames, recovery.intact, recovery.newest) == (200, True, (5, 200))
    assert (recovery.first_t_s, recovery.last_t_s) == (0.0, 19.9)
