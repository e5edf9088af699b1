"""A run's samples as a Parquet file, and back: the fixed channel names, exact float32, units inside.

Columns `t_s` (float64), every channel and its `_min` and `_max` (float32, SI units, NaN where a value
is missing) and the three flags. The unit of each column is in its own metadata, and again, for readers
that do not see those, in the file's metadata under "units". Facts of the run are there as JSON:
"run" (the journal's header), "stages", "format". Written an hour at a time, so that
the length of a run does not matter to memory.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from benchwarden.core.channels import BITS, CHANNEL, CHANNELS
from benchwarden.core.samples import SampleBlock
from benchwarden.errors import RecordDamaged, RecordError
from benchwarden.record.journal_reader import JournalReader

FORMAT = "benchwarden run samples, form 1"
# An hour of ten frames a second; six megabytes in memory.
GROUP_ROWS = 36_000
_FLAGS = ("mains_on", "limiter_in", "drive_on")
_FLOATS = tuple(f"{name}{end}" for end in ("", "_min", "_max") for name in CHANNELS)
# What a file that was not written here may raise.
_UNREADABLE = (pa.ArrowInvalid, pa.ArrowNotImplementedError, pa.ArrowTypeError, OSError, ValueError)
assert set(_FLAGS) <= set(BITS)


def export_parquet(run_dir: Path, target: Path) -> int:
    """Write the samples of a run as a Parquet file, whole or not at all, and return how many rows.

    What is damaged in the journal is left out; "lost" in the file's metadata says so.

    Raises:
        RecordError: the run cannot be read, or the file not written.
    """
    scratch = target.with_name(target.name + ".new")
    try:
        with JournalReader(run_dir) as reader:
            target.parent.mkdir(parents=True, exist_ok=True)
            rows = _write(reader, scratch)
        with open(scratch, "rb+") as out:
            os.fsync(out.fileno())
        os.replace(scratch, target)
    except OSError as error:
        raise RecordError(f"{target}: cannot be written ({error.strerror or error})") from error
    finally:
        with suppress(OSError):
            scratch.unlink()
    return rows


def read_parquet(path: Path) -> Iterator[SampleBlock]:
    """Yield the samples of a file that `export_parquet` wrote, an hour at a time.

    Raises:
        RecordError: it is none, or is damaged.
    """
    with _opened(path) as file:
        for group in range(file.num_row_groups):
            try:
                table = file.read_row_group(group)
            except _UNREADABLE as error:
                raise RecordError(f"{path}: rows of its part {group + 1} cannot be read ({error})") from error
            columns = {name: table.column(name).to_numpy() for name in table.column_names}
            mean, low, high = (
                np.column_stack([columns[f"{name}{end}"] for name in CHANNELS]) for end in ("", "_min", "_max")
            )
            flags = (np.asarray(columns[name], np.bool_) for name in _FLAGS)
            yield SampleBlock(np.asarray(columns["t_s"], np.float64), mean, low, high, *flags)


def facts_of(path: Path) -> dict[str, Any]:
    """Return what the file says of its run: "format", "run", "stages", "units", "lost".

    Raises:
        RecordError: it is no such file.
    """
    with _opened(path) as file:
        return _facts(file)


def rows_of(path: Path) -> int:
    """Return how many rows a file of samples has.

    Raises:
        RecordError: it is no such file.
    """
    with _opened(path) as file:
        return int(file.metadata.num_rows)


def _opened(path: Path) -> pq.ParquetFile:
    try:
        # Checked on reading: a flipped bit would otherwise be a reading.
        file = pq.ParquetFile(path, page_checksum_verification=True)
    except _UNREADABLE as error:
        raise RecordError(f"{path}: no readable Parquet file ({str(error).splitlines()[0][:200]})") from error
    try:
        found = _facts(file).get("format")
        if found != FORMAT or not _schema({}).equals(file.schema_arrow):
            raise RecordError(f"{path}: not samples of a run in the form that this program reads ({FORMAT})")
    except RecordError:
        file.close()
        raise
    return file


def _facts(file: pq.ParquetFile) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in (file.metadata.metadata or {}).items():
        name = key.decode("utf-8", "replace")
        if name in ("format", "run", "stages", "units", "lost"):
            try:
                found[name] = json.loads(value)
            except ValueError:
                found[name] = None
    return found


def _schema(facts: dict[str, Any]) -> pa.Schema:
    fields = [pa.field("t_s", pa.float64(), False, {"unit": "s", "label": "Time since run start"})]
    for name in _FLOATS:
        about = CHANNEL[name.removesuffix("_min").removesuffix("_max")]
        fields.append(pa.field(name, pa.float32(), False, {"unit": about.unit, "label": about.label}))
    fields += [pa.field(name, pa.bool_(), False) for name in _FLAGS]
    units = {field.name: field.metadata[b"unit"].decode() for field in fields if field.metadata}
    meta = {"format": FORMAT, **facts, "units": units}
    return pa.schema(fields, {key: json.dumps(value) for key, value in meta.items()})


def _write(reader: JournalReader, path: Path) -> int:
    try:
        run = reader.header()
    except RecordDamaged:
        run = {}
    stages = [{"t_s": note.t_s, **note.body} for note in reader.notes() if note.kind == "stage"]
    schema = _schema({"run": run, "stages": stages})
    rows = 0
    with pq.ParquetWriter(
        path,
        schema,
        compression="zstd",
        compression_level=6,
        # The same bytes of neighbouring rows side by side: a tenth smaller than tables of values, and no slower.
        use_dictionary=False,
        column_encoding=dict.fromkeys(("t_s", *_FLOATS), "BYTE_STREAM_SPLIT"),
        write_page_checksum=True,
    ) as writer:
        for block in _groups(reader.blocks()):
            writer.write_table(_table(block, schema), row_group_size=GROUP_ROWS)
            rows += len(block)
        lost = [f"{gap.count} {gap.what}(s) from number {gap.first_seq}: {gap.why}" for gap in reader.gaps()]
        lost += [] if run else ["the journal's header is damaged"]
        writer.add_key_value_metadata({"lost": json.dumps(lost)})
    return rows


def _groups(blocks: Iterator[SampleBlock]) -> Iterator[SampleBlock]:
    """Yield the same samples in blocks of GROUP_ROWS."""
    waiting: list[SampleBlock] = []
    count = 0
    for block in blocks:
        waiting.append(block)
        count += len(block)
        if count >= GROUP_ROWS:
            whole = _joined(waiting)
            yield whole.part(0, GROUP_ROWS)
            rest = whole.part(GROUP_ROWS, len(whole))
            waiting, count = [rest], len(rest)
    if count:
        yield _joined(waiting)


def _joined(blocks: list[SampleBlock]) -> SampleBlock:
    names = ("t_s", "mean", "minimum", "maximum", *_FLAGS)
    return SampleBlock(*(np.concatenate([getattr(block, name) for block in blocks]) for name in names))


def _table(block: SampleBlock, schema: pa.Schema) -> pa.Table:
    arrays = [pa.array(block.t_s)]
    for values in (block.mean, block.minimum, block.maximum):
        arrays += [pa.array(np.ascontiguousarray(values[:, k])) for k in range(len(CHANNELS))]
    arrays += [pa.array(getattr(block, name)) for name in _FLAGS]
    return pa.Table.from_arrays(arrays, schema=schema)
