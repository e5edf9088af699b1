"""Everything a store holds as one ZIP of open formats, readable without this program.

    manifest.json         what this is, and size and SHA-256 of every other member
    jobs/000001.jsonl     one job: a first line about it, then a line for each version (JSON)
    photos/<sha256>.jpg   pictures as they are kept (.png likewise)
    samples/<sha256>.parquet

Taken as of one moment, whoever writes meanwhile. Members that are small already are
stored as they are, so that a reader need not unpack what could grow.
"""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, select

from benchwarden.errors import RecordError
from benchwarden.jobs import sample_rows
from benchwarden.jobs.documents import SavedVersion, digest_of
from benchwarden.jobs.schema import HEAD, job_conflicts, job_versions, jobs, pictures
from benchwarden.jobs.store import JobStore

FORMAT = "benchwarden jobs, form 1"
MANIFEST = "manifest.json"
EXTENSIONS = {"image/jpeg": "jpg", "image/png": "png"}
_VERSION_COLUMNS = ("version", "at_utc", "saved_by", "what", "sha256")
# Before this the format has no dates; a member's date would say nothing that its job does not.
_NO_DATE = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True)
class Exported:
    """What was written: how many jobs, their versions, pictures and runs with samples."""

    path: Path
    jobs: int
    versions: int
    photos: int
    samples: int


def export_jobs(store: JobStore, target: Path, at_utc: str) -> Exported:
    """Write everything the store holds to a new ZIP, whole or not at all.

    Args:
        at_utc: when, as a label.

    Raises:
        RecordError: the file is there already, cannot be written, or the store cannot be read.
    """
    if target.exists():
        raise RecordError(f"{target}: exists already; allowed: a new file")
    scratch = target.with_name(target.name + ".new")
    try:
        with (
            open(scratch, "wb") as out,
            zipfile.ZipFile(out, "w") as packed,
            store.database.reading("exporting", still=True) as connection,
        ):
            found = _Export(connection, packed).write(target, at_utc)
        with open(scratch, "rb+") as written:
            os.fsync(written.fileno())
        os.replace(scratch, target)
    except OSError as error:
        raise RecordError(f"{target}: cannot be written ({error.strerror or error})") from error
    finally:
        with suppress(OSError):
            scratch.unlink()
    return found


class _Export:
    """One export under way; keeps the digest of every member for the manifest."""

    def __init__(self, connection: Connection, packed: zipfile.ZipFile) -> None:
        self._connection = connection
        self._packed = packed
        self._members: dict[str, dict[str, Any]] = {}
        self._versions = 0

    def write(self, target: Path, at_utc: str) -> Exported:
        count = 0
        wanted: dict[str, sample_rows.KeptSamples] = {}
        for row_id, number in self._connection.execute(select(jobs.c.id, jobs.c.number).order_by(jobs.c.id)).all():
            count += 1
            kept = sample_rows.kept(self._connection, row_id)
            wanted |= {samples.sha256: samples for samples in kept}
            self._put(f"jobs/{count:06d}.jsonl", self._lines(row_id, number, kept), zipfile.ZIP_DEFLATED)
        photos = self._photos()
        for sha256, samples in wanted.items():
            parts = sample_rows.parts_of(self._connection, samples)
            self._put(f"samples/{sha256}.parquet", parts, zipfile.ZIP_STORED)
        manifest = {"format": FORMAT, "schema": HEAD, "made_at_utc": at_utc, "jobs": count, "members": self._members}
        text = json.dumps(manifest, indent=1).encode()
        self._put(MANIFEST, [text], zipfile.ZIP_DEFLATED)
        return Exported(target, count, self._versions, photos, len(wanted))

    def _photos(self) -> int:
        asked = select(pictures.c.sha256, pictures.c.media_type).order_by(pictures.c.sha256)
        found = self._connection.execute(asked).all()
        for sha256, media_type in found:
            one = select(pictures.c.data).where(pictures.c.sha256 == sha256)
            data = bytes(self._connection.execute(one).scalar_one())
            self._put(f"photos/{sha256}.{EXTENSIONS[media_type]}", [data], zipfile.ZIP_STORED)
        return len(found)

    def _lines(self, row_id: int, number: str, kept: Iterable[sample_rows.KeptSamples]) -> Iterator[bytes]:
        samples = [{key: value for key, value in asdict(one).items() if key != "row_id"} for one in kept]
        yield _line({"number": number, "samples": samples})
        for saved, document in self._rows(job_versions, row_id, "version"):
            self._versions += 1
            yield _version_line("version", saved, document)
        for saved, document in self._rows(job_conflicts, row_id, "id"):
            yield _version_line("conflict", saved, document)

    def _rows(self, table: Table, row_id: int, order: str) -> Iterator[tuple[SavedVersion, str]]:
        names = [*_VERSION_COLUMNS, *(["source"] if "source" in table.c else []), "document"]
        asked = select(*(table.c[name] for name in names)).where(table.c.job_id == row_id).order_by(table.c[order])
        for row in self._connection.execute(asked):
            *saved, document = row
            yield SavedVersion(*saved), document

    def _put(self, name: str, parts: Iterable[bytes], method: int) -> None:
        info = zipfile.ZipInfo(name, _NO_DATE)
        info.compress_type = method
        info.external_attr = 0o600 << 16
        digest, size = hashlib.sha256(), 0
        with self._packed.open(info, "w", force_zip64=True) as member:
            for part in parts:
                member.write(part)
                digest.update(part)
                size += len(part)
        self._members[name] = {"sha256": digest.hexdigest(), "size": size}


def _version_line(kind: str, saved: SavedVersion, document: str) -> bytes:
    line: dict[str, Any] = {"kind": kind, **asdict(saved)}
    try:
        line["document"] = json.loads(document)
        whole = digest_of(document) == saved.sha256
    except ValueError:
        line["document"], whole = document, False
    if not whole:
        # Rot in the store: what is left of it goes along all the same, and says so.
        line |= {"kind": "damaged", "document": document}
    return _line(line)


def _line(table: dict[str, Any]) -> bytes:
    return json.dumps(table, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "replace") + b"\n"
