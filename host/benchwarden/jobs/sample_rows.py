"""Run samples in the store's tables: a Parquet file in pieces, checked by its digest both ways."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, insert, select

from benchwarden.errors import RecordDamaged, RecordError
from benchwarden.jobs.samples import rows_of
from benchwarden.jobs.schema import run_sample_parts, run_samples

PART_BYTES = 1 << 20


@dataclass(frozen=True)
class KeptSamples:
    """One run's samples in the store; `row_id` is the table's own."""

    row_id: int
    folder: str
    sha256: str
    size: int
    rows: int
    kept_at_utc: str
    kept_by: str


def keep(connection: Connection, job_id: int, folder: str, parquet: Path, at_utc: str, by: str) -> KeptSamples:
    """Keep a Parquet file; the very same one is kept once.

    Raises:
        RecordError: it cannot be read, or holds no samples.
    """
    rows = rows_of(parquet)
    try:
        with open(parquet, "rb") as source:
            sha256 = hashlib.file_digest(source, "sha256").hexdigest()
            size = source.tell()
            for known in kept(connection, job_id):
                if (known.folder, known.sha256) == (folder, sha256):
                    return known
            source.seek(0)
            row = {"job_id": job_id, "folder": folder, "sha256": sha256, "size": size, "rows": rows}
            added = insert(run_samples).values(**row, kept_at_utc=at_utc, kept_by=by).returning(run_samples.c.id)
            row_id = int(connection.execute(added).scalar_one())
            part = 0
            while data := source.read(PART_BYTES):
                connection.execute(insert(run_sample_parts).values(samples_id=row_id, part=part, data=data))
                part += 1
    except OSError as error:
        raise RecordError(f"{parquet}: cannot be read ({error.strerror})") from error
    return KeptSamples(row_id, folder, sha256, size, rows, at_utc, by)


def kept(connection: Connection, job_id: int) -> tuple[KeptSamples, ...]:
    """Return what is kept with a job, the oldest first."""
    names = ("id", "folder", "sha256", "size", "rows", "kept_at_utc", "kept_by")
    asked = select(*(run_samples.c[name] for name in names)).where(run_samples.c.job_id == job_id)
    return tuple(KeptSamples(*row) for row in connection.execute(asked.order_by(run_samples.c.id)))


def parts_of(connection: Connection, samples: KeptSamples) -> Iterator[bytes]:
    """Yield the file piece by piece; the pieces together are checked at the end.

    Raises:
        RecordDamaged: they are not what was kept.
    """
    digest = hashlib.sha256()
    part = 0
    while True:
        asked = select(run_sample_parts.c.data).where(
            run_sample_parts.c.samples_id == samples.row_id, run_sample_parts.c.part == part
        )
        data = connection.execute(asked).scalar()
        if data is None:
            break
        digest.update(data)
        yield bytes(data)
        part += 1
    if digest.hexdigest() != samples.sha256:
        raise RecordDamaged(f"samples of run {samples.folder}: not what was kept", "nothing", "the samples")


def write_file(connection: Connection, samples: KeptSamples, target: Path) -> None:
    """Write the file, whole or not at all.

    Raises:
        RecordDamaged: it is not what was kept. RecordError: it cannot be written.
    """
    scratch = target.with_name(target.name + ".new")
    try:
        with open(scratch, "wb") as out:
            for data in parts_of(connection, samples):
                out.write(data)
            out.flush()
            os.fsync(out.fileno())
        os.replace(scratch, target)
    except OSError as error:
        raise RecordError(f"{target}: cannot be written ({error.strerror})") from error
    finally:
        with suppress(OSError):
            scratch.unlink()
