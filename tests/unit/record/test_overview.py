"""Any part of a run at any zoom: nothing greatest or least is lost, a gap is told, a live run is followed."""

from __future__ import annotations

import math
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.samples import FRAME_DTYPE, SampleBlock
from benchwarden.errors import RecordError
from benchwarden.record import journal as journal_module
from benchwarden.record.covered import Covered
from benchwarden.record.journal import Journal
from benchwarden.record.journal_format import BURST_DTYPE, NAME
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.overview import FRAMES_UP_TO_S, Overview, Overviews
from benchwarden.record.thinning import thinned

BIAS = "bias_left_v"


def made(t_ms: npt.NDArray[np.int64], seed: int = 0) -> npt.NDArray[np.void]:
    """Return frames at the board's times, noise with rare peaks of one scan."""
    rng = np.random.default_rng(seed)
    n = len(t_ms)
    out = np.zeros(n, FRAME_DTYPE)
    out["t_ms"] = t_ms % 2**32
    out["valid"] = 0x1FFF
    out["bits"] = rng.integers(0, 8, n)
    out["mean"] = rng.normal(0.0, 1.0, (n, len(CHANNELS)))
    spread = np.abs(rng.standard_cauchy((n, len(CHANNELS))))
    out["min"], out["max"] = out["mean"] - spread, out["mean"] + spread
    return out


def seqs(first: int, count: int) -> npt.NDArray[np.uint32]:
    return np.arange(first, first + count, dtype=np.uint32)


@pytest.fixture
def run_dir(tmp_path: Path) -> Path:
    return tmp_path / "run"


def write(run_dir: Path, hours: float, seed: int = 0) -> None:
    """Write a run of one frame a second, in batches of a minute."""
    with Journal.create(run_dir, {"t0_ms": 0}) as journal:
        for minute in range(int(hours * 60)):
            frames = made(1000 * (60 * minute + np.arange(60)), seed + minute)
            journal.append_frames(1, seqs(60 * minute + 1, 60), frames)
            journal._small = None  # batches stay as they are written
            journal.commit()


def whole(run_dir: Path) -> SampleBlock:
    with JournalReader(run_dir) as reader:
        blocks = list(reader.blocks())
    return SampleBlock(*(np.concatenate([getattr(b, name) for b in blocks]) for name in vars(blocks[0])))


def filled(run_dir: Path) -> Overview:
    overview = Overview(run_dir)
    while overview.complete < 1.0 or math.isnan(overview.first_s):
        overview.update(0.0)
    return overview


def brute(block: SampleBlock, channel: str, start_s: float, stop_s: float) -> tuple[float, float]:
    inside = (block.t_s >= start_s) & (block.t_s < stop_s)
    at = INDEX[channel]
    return float(np.nanmin(block.minimum[inside, at])), float(np.nanmax(block.maximum[inside, at]))


def extremes(values: list[float | None]) -> tuple[float, float]:
    held = [value for value in values if value is not None]
    return min(held), max(held)


# -- thinning -------------------------------------------------------------------


@settings(deadline=None, max_examples=200)
@given(
    arrays(np.float32, st.integers(1, 3000), elements=st.floats(-1e6, 1e6, width=32)),
    st.integers(16, 500),
    st.lists(st.tuples(st.integers(0, 2999), st.integers(1, 40)), max_size=30),
)
def test_least_and_greatest_are_never_lost(
    low: npt.NDArray[np.float32], most: int, holes: list[tuple[int, int]]
) -> None:
    """Against the brute-force envelope, of the whole and of every stretch between gaps."""
    t_s = np.arange(len(low), dtype=np.float64)
    high = low + np.float32(1.0)
    low = low.copy()
    for start, length in holes:
        low[start : start + length] = np.nan
    line = thinned(t_s, low, high, most)
    held = ~np.isnan(low)
    if not held.any():
        assert not line.t_s
        return
    assert extremes(line.value) == (float(low[held].min()), float(high[held].max()))
    assert line.t_s == sorted(line.t_s)
    # No stroke of the plot may hide a gap that is wider than a point.
    width_s = 2.0 * np.ptp(t_s[held]) / most
    for (a, va), (b, vb) in zip(
        zip(line.t_s, line.value, strict=True), zip(line.t_s[1:], line.value[1:], strict=True), strict=False
    ):
        if va is not None and vb is not None and np.isnan(low[(t_s > a) & (t_s < b)]).any():
            assert b - a <= max(width_s, 1.0) + 2.0 * len(low) / most + 2.0
            missing = np.flatnonzero(np.isnan(low[int(a) : int(b) + 1])) + int(a)
            runs = np.split(missing, np.flatnonzero(np.diff(missing) > 1) + 1)
            assert max(map(len, runs)) + 1 <= width_s, "a gap wider than a point was drawn over"
    assert len(line.t_s) <= 6 * most + 16


def test_a_gap_is_marked_where_it_is() -> None:
    t_s = np.concatenate([np.arange(100.0), np.arange(110.0, 200.0), np.arange(201.0, 300.0)])
    value = np.ones(len(t_s), np.float32)
    line = thinned(t_s, value, value, 2000)
    gaps = [t for t, v in zip(line.t_s, line.value, strict=True) if v is None]
    assert gaps == [104.5], "ten seconds without frames; one late frame (2 steps) is none"


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 12)), max_size=30), st.integers(0, 60))
def test_covered_is_a_set(parts: list[tuple[int, int]], start: int) -> None:
    covered, plain = Covered(), set()
    for first, length in parts:
        covered.add(first, first + length)
        plain |= set(range(first + 1, first + length + 1))
    assert covered.count == len(plain)
    missing = {k for a, b in covered.missing(start, start + 20) for k in range(a + 1, b + 1)}
    assert missing == set(range(start + 1, start + 21)) - plain


# -- seconds and windows ------------------------------------------------------------


def test_every_window_keeps_its_peaks_and_means(run_dir: Path) -> None:
    write(run_dir, 3.0)
    overview, block = filled(run_dir), whole(run_dir)
    assert (overview.first_s, overview.last_s, overview.complete) == (0.0, 10800.0, 1.0)
    for start_s, stop_s in ((0.0, 10800.0), (100.0, 9000.0), (3000.0, 3000.0 + FRAMES_UP_TO_S), (50.0, 60.0)):
        lines = overview.lines(CHANNELS, start_s, stop_s, most=200)
        for channel in CHANNELS:
            # A window read frame by frame holds its last instant too.
            end_s = stop_s + (0.001 if stop_s - start_s <= FRAMES_UP_TO_S else 0.0)
            assert extremes(lines[channel].value) == brute(block, channel, start_s, end_s)
            assert len(lines[channel].t_s) <= 210
    for step_s in (1, 7, 60):
        t_s, means = overview.seconds([BIAS], 0.0, 10800.0, step_s)
        mean = block.mean[:, INDEX[BIAS]].astype(np.float64)
        wanted = [mean[at : at + step_s].mean() for at in range(0, len(mean), step_s)]
        assert means[BIAS] == pytest.approx(np.array(wanted), rel=1e-6)
        assert t_s.tolist() == [at + step_s / 2.0 for at in range(0, len(mean), step_s)]
    _, states = overview.states(0.0, 10800.0)
    assert (states["mains_on"] == block.mains_on).all()
    assert (states["drive_on"] == block.drive_on).all()


def test_the_first_picture_is_of_the_whole_run(run_dir: Path) -> None:
    write(run_dir, 20.0)
    overview = Overview(run_dir)
    overview.update(0.0)
    overview.update(0.0)
    assert 0.0 < overview.complete < 0.1
    line = overview.lines([BIAS], 0.0, overview.last_s)[BIAS]
    assert line.t_s[-1] > 71000.0
    assert None not in line.value, "what is not read yet is no gap"
    before = overview.complete
    overview.update(10.0)
    assert before < overview.complete == 1.0
    assert extremes(overview.lines([BIAS], 0.0, 72000.0, 100)[BIAS].value) == brute(whole(run_dir), BIAS, 0.0, 72000.0)


def test_several_frames_make_one_second(run_dir: Path) -> None:
    with Journal.create(run_dir, {"t0_ms": 0}) as journal:
        frames = made(100 * np.arange(3000))
        frames["valid"][:15] = 0x1FFF & ~(1 << INDEX[BIAS])
        for start in range(0, 3000, 7):
            journal.append_frames(1, seqs(start + 1, len(frames[start : start + 7])), frames[start : start + 7])
            journal.commit()
    overview, block = filled(run_dir), whole(run_dir)
    _, means = overview.seconds([BIAS], 0.0, 300.0)
    with pytest.warns(RuntimeWarning, match="empty slice"):
        wanted = np.nanmean(block.mean[:, INDEX[BIAS]].astype(np.float64).reshape(-1, 10), axis=1)
    assert means[BIAS] == pytest.approx(wanted, rel=1e-6, nan_ok=True)
    assert math.isnan(means[BIAS][0])


def test_a_moment_is_the_nearest_frame(run_dir: Path) -> None:
    write(run_dir, 1.0)
    overview, block = Overview(run_dir), whole(run_dir)
    for t_s, wanted in ((0.0, 0), (59.4, 59), (59.6, 60), (1234.2, 1234), (-50.0, 0), (1e9, 3599)):
        moment = overview.at(t_s)
        assert moment is not None
        assert moment.t_s == block.t_s[wanted]
        for name, found in (("mean", moment.mean), ("minimum", moment.minimum), ("maximum", moment.maximum)):
            assert list(found.values()) == getattr(block, name)[wanted].tolist()
        assert (moment.mains_on, moment.drive_on) == (block.mains_on[wanted], block.drive_on[wanted])
    assert overview.at(math.nan) is None
    assert [overview.step(59.0, by) for by in (1, -1, 10, -1000)] == [60.0, 58.0, 69.0, 0.0]


# -- what happens to records -----------------------------------------------------------


@pytest.mark.parametrize("merge", [50, 600])
def test_a_live_run_is_followed_over_merges(run_dir: Path, monkeypatch: pytest.MonkeyPatch, merge: int) -> None:
    monkeypatch.setattr(journal_module, "_MERGE_FRAMES", merge)
    rng = np.random.default_rng(merge)
    overview = Overview(run_dir)
    with Journal.create(run_dir, {"t0_ms": 0}) as journal:
        at = 0
        while at < 4000:
            for _ in range(int(rng.integers(1, 90))):
                n = int(rng.integers(1, 4))
                journal.append_frames(1, seqs(at + 1, n), made(100 * (at + np.arange(n)), at))
                journal.commit()
                at += n
            overview.update(float(rng.choice([0.0, 1.0])))
            assert overview.complete <= 1.0
        overview.update(10.0)
        block = whole(run_dir)
        assert overview.complete == 1.0
        t_s, means = overview.seconds([BIAS], 0.0, 1e6)
        seconds = np.floor(block.t_s).astype(int)
        mean = block.mean[:, INDEX[BIAS]].astype(np.float64)
        wanted = np.bincount(seconds, mean) / np.bincount(seconds)
        assert means[BIAS] == pytest.approx(wanted, rel=1e-5, abs=1e-6), "no frame twice, none missed"
        assert len(t_s) == seconds[-1] + 1
        for channel in CHANNELS:
            _, high = overview._table.envelope(INDEX[channel], 0, len(t_s))
            assert float(np.nanmax(high)) == float(np.nanmax(block.maximum[:, INDEX[channel]]))
    overview.update()
    assert overview.complete == 1.0


def test_a_damaged_row_is_a_gap_and_nothing_else(run_dir: Path) -> None:
    write(run_dir, 1.0)
    db = sqlite3.connect(run_dir / NAME)
    with db:
        (data,) = db.execute("SELECT data FROM frames WHERE id = 1800").fetchone()
        db.execute("UPDATE frames SET data = ? WHERE id = 1800", (data[:90] + bytes([data[90] ^ 1]) + data[91:],))
        db.execute("UPDATE frames SET run_ms = 'x' WHERE id = 2400")
        db.execute("UPDATE frames SET end_ms = 0 WHERE id = 3000")
    db.close()
    overview = filled(run_dir)
    _, means = overview.seconds([BIAS], 0.0, 3600.0)
    missing = np.flatnonzero(np.isnan(means[BIAS]))
    assert missing.tolist() == [*range(1740, 1800), *range(2340, 2400), *range(2940, 3000)]
    line = overview.lines([BIAS], 0.0, 3600.0)[BIAS]
    gaps = [t for t, v in zip(line.t_s, line.value, strict=True) if v is None]
    assert gaps == pytest.approx([1770.0, 2370.0, 2970.0], abs=1.0)
    short = overview.lines([BIAS], 1700.0, 1900.0)[BIAS]
    assert None in short.value
    moment = overview.at(1760.0)
    assert moment is not None
    assert moment.t_s == 1739.0


def test_pauses_are_told_once_all_is_read(run_dir: Path) -> None:
    write(run_dir, 2.0)
    db = sqlite3.connect(run_dir / NAME)
    with db:
        db.execute("DELETE FROM frames WHERE id IN (1800, 1860, 6000)")
    db.close()
    overview = Overview(run_dir)
    overview.update(0.0)
    assert overview.complete < 1.0
    assert overview.gaps() == [], "what is not read yet is no gap"
    overview.update(10.0)
    assert overview.gaps() == [(1740.0, 1860.0), (5940.0, 6000.0)]
    assert overview.gaps(least_s=61) == [(1740.0, 1860.0)]
    with JournalReader(run_dir) as reader:
        assert reader.end_s == 7199.0


def test_a_torn_page_costs_its_rows_only(run_dir: Path) -> None:
    write(run_dir, 1.0)
    path = run_dir / NAME
    held = bytearray(path.read_bytes())
    pages = len(held) // 4096
    for page in range(pages // 2, pages // 2 + 3):
        held[page * 4096 : page * 4096 + 4096] = bytes(4096)
    path.write_bytes(held)
    overview = filled(run_dir)
    _, means = overview.seconds([BIAS], 0.0, 3600.0)
    lost = int(np.isnan(means[BIAS]).sum())
    assert 0 < lost < 1200
    assert overview.lines([BIAS], 0.0, 600.0)[BIAS].t_s


def test_a_restart_of_the_board_goes_on_in_run_time(run_dir: Path) -> None:
    with Journal.create(run_dir, {"t0_ms": 4294960000}) as journal:
        # The board's count wraps in the first boot and begins anew in the second.
        journal.append_frames(1, seqs(1, 600), made(4294960000 + 100 * np.arange(600, dtype=np.int64)))
        journal.commit()
        journal.expect_restart(30.0)
        journal.append_frames(2, seqs(1, 600), made(500 + 100 * np.arange(600), 9))
    overview, block = filled(run_dir), whole(run_dir)
    assert (overview.first_s, overview.last_s) == (0.0, 150.0)
    line = overview.lines([BIAS], 0.0, 150.0, 5000)[BIAS]
    assert [round(t, 2) for t, v in zip(line.t_s, line.value, strict=True) if v is None] == [74.9]
    assert extremes(line.value) == brute(block, BIAS, 0.0, 200.0)


def test_a_burst_is_placed_on_run_time(run_dir: Path) -> None:
    with Journal.create(run_dir, {"t0_ms": 1000}) as journal:
        journal.append_frames(1, seqs(1, 600), made(1000 + 100 * np.arange(600)))
        journal.commit()
        journal.expect_restart(10.0)
        journal.append_frames(2, seqs(1, 600), made(300 + 100 * np.arange(600)))
        burst = np.zeros(200, BURST_DTYPE)
        burst["t_ms"] = 20000 + 10 * np.arange(200)
        burst["value"][:, INDEX[BIAS]] = np.arange(200)
        journal.append_burst(2, 1, 200, 150, burst.tobytes())
    overview = Overview(run_dir)
    (found,) = overview.bursts()
    # Boot 2 began at 59.9 + 10 s of the run, when its clock said 0.3 s.
    assert found.trip_s == pytest.approx(69.9 + 20.0 - 0.3 + 1.5)
    assert found.is_whole
    near = overview.burst([BIAS], 89.695, 90.705)
    assert near is not None
    values = [v for v in near[1][BIAS].value if v is not None]
    assert (min(values), max(values)) == (10.0, 110.0)
    assert overview.burst([BIAS], 80.0, 90.7) is None


def test_nothing_in_it_is_nothing_to_draw(run_dir: Path) -> None:
    with pytest.raises(RecordError, match="no run here"):
        Overview(run_dir).update()
    Journal.create(run_dir, {}).close()
    overview = Overview(run_dir)
    overview.update()
    assert overview.complete == 1.0
    assert math.isnan(overview.last_s)
    for stop_s in (60.0, 7200.0):
        assert overview.lines([BIAS], 0.0, stop_s)[BIAS].t_s == []
    assert overview.at(0.0) is None
    assert len(overview.seconds([BIAS], 0.0, 100.0)[0]) == 0
    assert overview.bursts() == []


def test_a_folder_made_anew_is_read_anew(run_dir: Path, tmp_path: Path) -> None:
    write(run_dir, 0.5)
    runs = Overviews(tmp_path)
    runs.of("run").update(5.0)
    assert runs.of("run").last_s == 1800.0
    run_dir.rename(tmp_path / "old")
    write(run_dir, 0.2)
    runs.of("run").update(5.0)
    assert runs.of("run").last_s == 720.0
    kept = runs.of("run")
    for name in ("a", "b", "old"):
        runs.of(name)
    assert runs.of("run") is not kept, "only a few are kept"


@pytest.fixture
def threads() -> Iterator[list[threading.Thread]]:
    made: list[threading.Thread] = []
    yield made
    for thread in made:
        thread.join()


def test_many_may_ask_at_once(run_dir: Path, threads: list[threading.Thread]) -> None:
    write(run_dir, 4.0)
    overview = Overview(run_dir)
    failed: list[Exception] = []

    def ask(seed: int) -> None:
        try:
            for k in range(20):
                overview.update(0.002)
                overview.lines(CHANNELS, 0.0, 300.0 * (k + seed))
                overview.at(100.0 * k)
        except Exception as error:  # noqa: BLE001 - told below
            failed.append(error)

    threads += [threading.Thread(target=ask, args=(k,)) for k in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failed
    overview.update(10.0)
    wanted = brute(whole(run_dir), BIAS, 0.0, 1e6)
    assert extremes(overview.lines([BIAS], 0.0, 14400.0)[BIAS].value) == wanted
