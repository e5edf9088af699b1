"""Run samples as Parquet: the same float32 back, units inside, read by others, kept in the store."""

from __future__ import annotations

import csv
import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.dataset
import pyarrow.parquet
import pytest
from invented_jobs import RUN, whole_job

from benchwarden.core.channels import CHANNEL, CHANNELS
from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.errors import JobError, RecordDamaged, RecordError
from benchwarden.jobs.samples import GROUP_ROWS, export_parquet, facts_of, read_parquet, rows_of
from benchwarden.jobs.store import JobStore
from benchwarden.record.export import export_csv
from benchwarden.record.journal import Journal
from benchwarden.record.journal_reader import JournalReader

UNIT = {
    "run": "2041",
    "run_type": "burn-in",
    "rated_power_w": 60.0,
    "load_ohm": 8.0,
    "load_connected": False,
    "rail_nominal_v": 42.0,
    "emitter_resistor_ohm": 0.22,
    "output_pairs": 1,
    "target_bias_drop_mv": 11.0,
    "package": "metal-can",
    "limiter_lamp_w": 100.0,
}


def recorded(run_dir: Path, count: int, missing: bool = True) -> None:
    """A run of frames with every float32 pattern, missing and infinite values, and a gap."""
    rng = np.random.default_rng(5)
    sent = np.zeros(count, FRAME_DTYPE)
    sent["t_ms"] = 100 * np.arange(count)
    sent["valid"] = 0x1FFF
    sent["bits"] = rng.integers(0, 8, count)
    for name in ("mean", "min", "max"):
        values = rng.integers(0, 2**32, (count, 13), dtype=np.uint32).view(np.float32)
        sent[name] = np.where(np.isfinite(values), values, np.float32(1.5))
    if missing:
        sent["valid"][7] = 0
        sent["mean"][8, 3] = np.inf
    with Journal.create(run_dir, {"unit": UNIT, "run": "2041", "virtual": True}) as journal:
        for at in range(0, count, 4000):
            part = sent[at : at + 4000]
            # Four frames never came.
            first = 1 + at + (4 if at else 0)
            journal.append_frames(5, np.arange(first, first + len(part), dtype=np.uint32), part)
            journal.commit()
        body = {"name": "limiter 25 %", "mains_pct": 25.0, "limiter_in": True, "drive_on": False}
        journal.append_note("stage", 0.0, body)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    run_dir = tmp_path_factory.mktemp("runs") / RUN.folder
    recorded(run_dir, GROUP_ROWS + 9000)
    return run_dir


@pytest.fixture(scope="module")
def parquet(run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("parquet") / "samples.parquet"
    assert export_parquet(run, target) == GROUP_ROWS + 9000
    return target


def test_every_bit_comes_back(run: Path, parquet: Path) -> None:
    with JournalReader(run) as reader:
        want = list(reader.blocks())
    got = list(read_parquet(parquet))
    assert [len(block) for block in got] == [GROUP_ROWS, 9000]
    for name in ("t_s", "mean", "minimum", "maximum", "mains_on", "limiter_in", "drive_on"):
        before = np.concatenate([getattr(block, name) for block in want])
        after = np.concatenate([getattr(block, name) for block in got])
        assert before.dtype == after.dtype
        assert before.tobytes() == after.tobytes(), name
    assert rows_of(parquet) == GROUP_ROWS + 9000


def test_another_reader_finds_names_units_and_facts(parquet: Path) -> None:
    """pyarrow.dataset, which knows nothing of this program; the format is Apache Parquet's."""
    data = pyarrow.dataset.dataset(parquet)
    names = ["t_s", *CHANNELS, *(f"{name}{end}" for end in ("_min", "_max") for name in CHANNELS)]
    assert data.schema.names == [*names, "mains_on", "limiter_in", "drive_on"]
    for name in CHANNELS:
        for column in (name, f"{name}_min", f"{name}_max"):
            field = data.schema.field(column)
            assert str(field.type) == "float"
            assert field.metadata[b"unit"].decode() == CHANNEL[name].unit
    assert data.schema.field("t_s").metadata[b"unit"] == b"s"
    late = data.to_table(columns=["t_s", "bias_left_v"], filter=pyarrow.dataset.field("t_s") > 4000.0)
    assert late.num_rows == GROUP_ROWS + 9000 - 40_001
    facts = facts_of(parquet)
    assert facts["units"]["sink_left_c"] == "°C"
    assert facts["run"]["unit"] == UNIT
    assert facts["run"]["virtual"] is True
    assert facts["stages"] == [
        {"t_s": 0.0, "name": "limiter 25 %", "mains_pct": 25.0, "limiter_in": True, "drive_on": False}
    ]
    assert facts["lost"] == ["4 frame(s) from number 4001: never received"]
    column = pyarrow.parquet.ParquetFile(parquet).metadata.row_group(0).column(1)
    assert column.compression == "ZSTD"


def test_it_says_the_same_as_the_recording(tmp_path: Path) -> None:
    """Against the CSV of record.export, read by Python's own csv module and float32 parsing."""
    recorded(tmp_path / "run", 500, missing=False)
    export_csv(tmp_path / "run", tmp_path / "run.csv")
    export_parquet(tmp_path / "run", tmp_path / "run.parquet")
    with open(tmp_path / "run.csv", newline="") as source:
        rows = list(csv.DictReader(source))
    table = pyarrow.parquet.read_table(tmp_path / "run.parquet")
    assert table.num_rows == len(rows)
    for name in table.column_names:
        got = table.column(name).to_pylist()
        if name in ("mains_on", "limiter_in", "drive_on"):
            assert got == [row[name] == "1" for row in rows]
        elif name == "t_s":
            assert got == [float(row[name]) for row in rows]
        else:
            assert [np.float32(value) for value in got] == [np.float32(row[name]) for row in rows]


def test_an_empty_run_has_no_rows(tmp_path: Path) -> None:
    with Journal.create(tmp_path / "run", {"unit": UNIT}):
        pass
    assert export_parquet(tmp_path / "run", tmp_path / "x.parquet") == 0
    assert list(read_parquet(tmp_path / "x.parquet")) == []
    with pytest.raises(RecordError, match="no run here"):
        export_parquet(tmp_path / "none", tmp_path / "y.parquet")
    assert not (tmp_path / "y.parquet").exists()


def test_damage_is_told_and_what_is_no_such_file_is_refused(parquet: Path, tmp_path: Path) -> None:
    whole = parquet.read_bytes()
    middle = bytearray(whole)
    middle[len(whole) // 3] ^= 1
    foreign = pyarrow.table({"t_s": [1.0]})
    pyarrow.parquet.write_table(foreign, tmp_path / "foreign.parquet")
    for name, data in (
        ("cut", whole[:-100]),
        ("half", whole[: len(whole) // 2]),
        ("empty", b""),
        ("text", b"t_s,rail_pos_a\n0,1\n"),
        ("bit", bytes(middle)),
        ("foreign", (tmp_path / "foreign.parquet").read_bytes()),
    ):
        target = tmp_path / f"{name}.parquet"
        target.write_bytes(data)
        with pytest.raises(RecordError, match=f"{name}.parquet"):
            list(read_parquet(target))
    with pytest.raises(RecordError, match=r"none\.parquet"):
        rows_of(tmp_path / "none.parquet")


def test_nothing_is_left_where_it_cannot_be_written(run: Path, tmp_path: Path) -> None:
    (tmp_path / "a file").write_text("in the way")
    with pytest.raises(RecordError, match="cannot be written"):
        export_parquet(run, tmp_path / "a file" / "x.parquet")
    assert (tmp_path / "a file").read_text() == "in the way"


def test_another_bench_reads_them_from_the_store(store: JobStore, parquet: Path, tmp_path: Path) -> None:
    store.create(whole_job())
    kept = store.add_samples("2041", RUN.folder, parquet, by="bench 1")
    assert (kept.rows, kept.size, kept.kept_by) == (GROUP_ROWS + 9000, parquet.stat().st_size, "bench 1")
    assert kept.sha256 == hashlib.sha256(parquet.read_bytes()).hexdigest()
    assert store.add_samples("2041", RUN.folder, parquet) == kept
    assert store.samples_of("2041") == (kept,)
    assert store.fetch_samples("2041", RUN.folder, tmp_path / "back.parquet") == kept
    assert (tmp_path / "back.parquet").read_bytes() == parquet.read_bytes()
    with pytest.raises(JobError, match="no samples of run 'other'"):
        store.fetch_samples("2041", "other", tmp_path / "x.parquet")
    store.create(replace(whole_job("2042"), runs=()))
    with pytest.raises(JobError, match="no run"):
        store.add_samples("2042", RUN.folder, parquet)
    (tmp_path / "not.parquet").write_text("no")
    with pytest.raises(RecordError, match=r"not\.parquet"):
        store.add_samples("2041", RUN.folder, tmp_path / "not.parquet")


def test_rot_in_the_store_is_told(folder_store: JobStore, parquet: Path, tmp_path: Path) -> None:
    folder_store.create(whole_job())
    folder_store.add_samples("2041", RUN.folder, parquet)
    with folder_store.database.writing("rotting") as connection:
        connection.exec_driver_sql("UPDATE run_sample_parts SET data = zeroblob(9) WHERE part = 1")
    with pytest.raises(RecordDamaged, match="not what was kept"):
        folder_store.fetch_samples("2041", RUN.folder, tmp_path / "x.parquet")
    assert list(tmp_path.glob("x*")) == []
